package drift

import (
	"math"
	"math/rand/v2"
	"time"

	"rimeline/grid"
)

// minHeightM above ground that air parcels keep: terrain is never crossed.
const minHeightM = 1.0

// trackSample is one record of one particle.
type trackSample struct {
	x, y                             float64
	altitudeM, heightM, temperatureK float32
	liquidKgPerM3                    float32
	activated                        bool
}

// worker follows particles in one goroutine.
type worker struct {
	options *Options
	source  *rand.PCG
	random  *rand.Rand
	job     *job // whose air this is
	air     air
}

func newWorker(options *Options) *worker {
	source := rand.NewPCG(0, 0)
	return &worker{options: options, source: source, random: rand.New(source)}
}

// particle on its way.
type particle struct {
	*worker
	member *Member
	motion motion

	at      point
	seconds float64
	now     grid.Air

	// The last point looked at, for finding where activation happened.
	before     point
	beforeS    float64
	beforeK    float64
	beforeWet  float64 // liquid over its threshold; at least 1 is cloud
	hasBefore  bool
	sawCold    bool
	activatedS float64
	birthS     float64 // of the crystal, after the nucleation delay
	fall       fall
	driedM     float64

	// Turbulent velocity across and along, over its standard deviation.
	eastward, northward float64
}

// follow computes one member. It writes only to what is that member's.
func (w *worker) follow(j *job, index int) {
	o := w.options
	w.source.Seed(o.Seed, uint64(index))
	m := &j.ensemble.Members[index]
	*m = Member{Draw: draw(w.random, o), HighestAltitudeM: math.Inf(-1), ColdestK: math.Inf(1)}
	if w.job != j {
		w.job, w.air = j, j.medium.newAir()
	}
	p := particle{worker: w, member: m, activatedS: math.Inf(1), birthS: math.Inf(1)}
	p.fall = newFall(m.Draw.GrowthTime.Seconds(), m.Draw.FallSpeedMPerS)
	p.eastward, p.northward = w.random.NormFloat64(), w.random.NormFloat64()
	p.motion = perturbed(&j.metric, &m.Draw)

	share := (float64(index) + 0.5) / float64(o.Members)
	p.seconds = j.start + share*j.release.Burn.Seconds()
	m.Released = j.medium.time(p.seconds)
	p.at = point{j.x, j.y, p.releaseAltitudeM()}
	track := j.tracks[index*j.records : (index+1)*j.records]

	released, step := p.seconds, o.Step.Seconds()
	if p.read() {
		track[0] = p.sample()
		j.lengths[index] = 1
		for n := 1; n < len(track) && p.seconds < j.medium.last; n++ {
			if p.advance(min(released+float64(n)*step, j.medium.last)) {
				return // ended
			}
			track[n] = p.sample()
			j.lengths[index] = n + 1
		}
	}
	p.lose()
}

// perturbed turns a member's wind error into the plane.
func perturbed(metric *grid.Metric, d *Draw) motion {
	sin, cos := math.Sincos(-d.DirectionDeg * rad) // clockwise
	turned := func(i, j float64) (float64, float64) {
		e, n := metric.Metres(i, j)
		return metric.Steps(d.SpeedFactor*(e*cos-n*sin), d.SpeedFactor*(e*sin+n*cos))
	}
	var m motion
	m.xx, m.yx = turned(1, 0)
	m.xy, m.yy = turned(0, 1)
	m.upward = d.UpwardFactor
	return m
}

// releaseAltitudeM is where the plume ends its rise.
func (p *particle) releaseAltitudeM() float64 {
	r := &p.job.release
	groundM, _ := p.air.TerrainAltitudeM(p.job.x, p.job.y)
	if r.AltitudeM != 0 && r.AltitudeM > groundM {
		groundM = r.AltitudeM
	}
	altitudeM := groundM + max(r.HeightAboveGroundM, minHeightM)
	if r.HeatReleaseW > 0 && p.air.Air(p.job.x, p.job.y, altitudeM, p.seconds, &p.now) {
		altitudeM += PlumeRiseM(r.HeatReleaseW, p.speed(p.now.XPerS, p.now.YPerS), p.now.StabilityPerS2,
			p.now.DensityKgPerM3(), p.now.AirTemperatureK)
	}
	return altitudeM
}

// speed over the ground of a plane velocity.
func (p *particle) speed(x, y float64) float64 {
	e, n := p.job.metric.Metres(x, y)
	return math.Sqrt(e*e + n*n)
}

// read samples the air where the particle is; false outside.
func (p *particle) read() bool {
	return p.air.Air(p.at.x, p.at.y, p.at.z, p.seconds, &p.now)
}

// liquid water content, kg m-3.
func (p *particle) liquid() float64 {
	if !(p.now.CloudLiquidKgPerKg > 0) {
		return 0
	}
	return p.now.CloudLiquidKgPerKg * p.now.DensityKgPerM3()
}

func (p *particle) sample() trackSample {
	return trackSample{
		x: p.at.x, y: p.at.y, altitudeM: float32(p.at.z), heightM: float32(p.now.HeightAboveGroundM),
		temperatureK: float32(p.now.AirTemperatureK), liquidKgPerM3: float32(p.liquid()),
		activated: p.seconds >= p.activatedS,
	}
}

// advance goes on to a time, in as many steps as the Courant number asks for.
// p.now is the air at the start, and then at the end; true where the particle
// ended.
func (p *particle) advance(until float64) bool {
	for {
		p.look()
		p.motion.fallMPerS = 0
		u, v, w := p.motion.apply(p.now.XPerS, p.now.YPerS, p.now.UpwardMPerS)
		dt := until - p.seconds
		if c := courant(u, v, w, p.now.Above.HeightAboveGroundM-p.now.Below.HeightAboveGroundM, dt); c > p.options.MaxCourant {
			// At most 256 steps a minute: no wind of this earth needs more.
			dt /= min(math.Ceil(c/p.options.MaxCourant), 256)
		}
		if until-p.seconds-dt < 1e-6 {
			dt = until - p.seconds
		}
		p.member.Steps++
		if p.step(dt, u, v, w) {
			return true
		}
		if p.seconds >= until {
			return false
		}
	}
}

// step moves over dt: carried, mixed, fallen. u, v and w are of the air.
func (p *particle) step(dt, u, v, w float64) bool {
	ice := p.seconds+dt > p.birthS
	if ice {
		way := p.fall.after(p.seconds+dt-p.birthS) - p.fall.after(p.seconds-p.birthS)
		p.motion.fallMPerS = way / dt * densityFactor(p.now.DensityKgPerM3())
	}
	w -= p.motion.fallMPerS

	start, heightM := p.at, p.now.HeightAboveGroundM
	var mix point
	if p.options.Turbulence.MountainFactor > 0 {
		mix = p.mix(dt)
	}
	var ok bool
	if p.options.Scheme == RungeKutta4 {
		p.at, ok = carryRungeKutta4(p.air, &p.motion, start, p.seconds, dt, u, v, w)
	} else {
		p.at, ok = carryPetterssen(p.air, &p.motion, start, p.seconds, dt, u, v, w)
	}
	p.seconds += dt
	if !ok {
		p.lose()
		return true
	}
	p.at.x += mix.x
	p.at.y += mix.y
	sunkM := start.z - p.at.z
	p.at.z += mix.z
	if ice && p.dry(sunkM) {
		p.end(Sublimated)
		return true
	}
	if !p.read() {
		p.lose()
		return true
	}
	// Air follows the ground where the model's wind would cross it. Ice comes
	// down by its own fall only, so that it is deposited with its fall speed:
	// eddies are reflected by the ground for ice as for air.
	lowestM := minHeightM
	if ice {
		lowestM = min(heightM, minHeightM)
	}
	terrainM, fallenM := p.now.TerrainAltitudeM, p.motion.fallMPerS*dt
	carriedM := max(p.at.z-mix.z+fallenM-terrainM, lowestM) - fallenM
	if ice && carriedM <= 0 {
		p.land(start, heightM, carriedM, dt)
		return true
	}
	if ice {
		lowestM = 0
	}
	if z := terrainM + max(math.Abs(carriedM+mix.z), lowestM); math.Abs(z-p.at.z) > 1e-6 {
		p.at.z = z
		if !p.read() {
			p.lose()
			return true
		}
	}
	return false
}

// mix is how far turbulence moves a particle in dt.
func (p *particle) mix(dt float64) point {
	t := &p.options.Turbulence
	air := &p.now
	metric := &p.job.metric
	east, north := metric.Metres(air.XPerS, air.YPerS)
	speed := math.Sqrt(east*east + north*north + 0.25) // never quite still

	// Across and along: a velocity that remembers itself over LengthM, by
	// exp(-2a) = (1-a)/(1+a) within 2e-5 at 10 m/s; noise keeps the variance
	// exactly, whatever the memory.
	a := dt * speed * t.perTwiceLength
	share := 1 / (1 + a)
	memory, noise := (1-a)*share, 2*math.Sqrt(a)*share
	eastward, northward := p.eastward, p.northward
	p.eastward = memory*eastward + noise*p.random.NormFloat64()
	p.northward = memory*northward + noise*p.random.NormFloat64()
	way := quickDamping(air.StabilityPerS2).across * t.MountainFactor * speed * dt / 2
	i, j := metric.Steps(way*(eastward+p.eastward), way*(northward+p.northward))

	// Up and down: a random displacement with the drift that keeps mixed what
	// is well mixed, K taken half a drift ahead (Visser 1997, Mar. Ecol. Prog.
	// Ser. 158, 275). The speeds of the two levels are taken along the wind.
	below, above, f := &air.Below, &air.Above, air.LevelFraction
	eastShear, northShear := metric.Metres(above.XPerS-below.XPerS, above.YPerS-below.YPerS)
	shear := (eastShear*east + northShear*north) / speed
	low := t.diffusionM2PerS(speed-f*shear, below.StabilityPerS2, below.HeightAboveGroundM)
	high := t.diffusionM2PerS(speed+(1-f)*shear, above.StabilityPerS2, above.HeightAboveGroundM)
	gradient := 0.0
	if f > 0 {
		gradient = (high - low) * air.PerThicknessM
	}
	k := low + f*(high-low) + gradient*gradient*dt/2
	return point{i, j, gradient*dt + math.Sqrt(2*k*dt)*p.random.NormFloat64()}
}

// look notes what the air at this point means for the particle, above all
// whether it is activated here or was since the last point.
func (p *particle) look() {
	m, air := p.member, &p.now
	m.HighestAltitudeM = max(m.HighestAltitudeM, p.at.z)
	m.ColdestK = min(m.ColdestK, air.AirTemperatureK)
	liquid := p.liquid()
	if p.hasBefore && air.AirTemperatureK < 273.15 {
		m.LiquidExposureKgSPerM3 += liquid * (p.seconds - p.beforeS)
	}
	if p.activatedS <= p.seconds {
		p.beforeS = p.seconds
		return
	}
	wet := liquid / p.options.ActivationLiquidKgPerM3
	if !p.job.medium.cloudWater {
		wet = air.RelativeHumidityWater() / p.options.ActivationHumidity
	}
	threshold := m.Draw.ActivationTemperatureK
	cold := air.AirTemperatureK <= threshold
	p.sawCold = p.sawCold || cold
	if cold && wet >= 1 {
		f := 1.0
		if p.hasBefore {
			// Linear between the two points; the later of the two conditions.
			f = max(crossing(p.beforeK-threshold, air.AirTemperatureK-threshold), crossing(1-p.beforeWet, 1-wet))
		}
		p.activate(f, liquid)
	}
	p.before, p.beforeS, p.beforeK, p.beforeWet, p.hasBefore = p.at, p.seconds, air.AirTemperatureK, wet, true
}

// crossing is the fraction of the way at which a quantity that ends at or
// below zero fell to it; 0 where it was there at the start.
func crossing(from, to float64) float64 {
	if from <= 0 {
		return 0
	}
	return from / (from - to)
}

// activate at a fraction of the way from the last point to this one.
func (p *particle) activate(f, liquid float64) {
	m := p.member
	if !p.hasBefore {
		p.before, p.beforeS, p.beforeK = p.at, p.seconds, p.now.AirTemperatureK
	}
	p.activatedS = p.beforeS + f*(p.seconds-p.beforeS)
	at := point{p.before.x + f*(p.at.x-p.before.x), p.before.y + f*(p.at.y-p.before.y), p.before.z + f*(p.at.z-p.before.z)}
	temperatureK := p.beforeK + f*(p.now.AirTemperatureK-p.beforeK)
	m.Activated = true
	m.Activation = p.event(at, p.activatedS, temperatureK, liquid)
	delay := nucleationDelayS(temperatureK)
	if p.options.Nucleation == ContactFreezing {
		delay = m.Draw.contactS
	}
	m.NucleationDelay = time.Duration(delay * float64(time.Second)).Round(time.Millisecond)
	p.birthS = p.activatedS + delay
}

func (p *particle) event(at point, seconds, temperatureK, liquid float64) Event {
	place, _ := p.job.medium.place(at.x, at.y)
	terrainM, ok := p.air.TerrainAltitudeM(at.x, at.y)
	if !ok {
		terrainM = p.now.TerrainAltitudeM
	}
	return Event{
		Time: p.job.medium.time(seconds), Place: place, AltitudeM: at.z, HeightAboveGroundM: at.z - terrainM,
		AirTemperatureK: temperatureK, LiquidKgPerM3: liquid,
	}
}

// dry counts the way sunk through dry air without a break; true when it is too
// much.
func (p *particle) dry(sunkM float64) bool {
	if sunkM <= 0 {
		return false
	}
	if p.now.RelativeHumidityIce() >= p.options.SublimationHumidityIce {
		p.driedM = 0
		return false
	}
	p.driedM += sunkM
	return p.driedM > p.options.SublimationDepthM
}

// land ends a crystal where the straight way over the last step meets the
// ground.
func (p *particle) land(start point, heightM, belowM, dt float64) {
	f := 1.0
	if heightM > belowM {
		f = min(max(heightM/(heightM-belowM), 0), 1)
	}
	p.at.x, p.at.y = start.x+f*(p.at.x-start.x), start.y+f*(p.at.y-start.y)
	p.seconds -= (1 - f) * dt
	if terrainM, ok := p.air.TerrainAltitudeM(p.at.x, p.at.y); ok {
		p.at.z = terrainM
	}
	p.read() // the air of the landing; the last one where there is none
	p.end(Landed)
}

func (p *particle) end(fate Fate) {
	p.member.Fate = fate
	p.member.End = p.event(p.at, p.seconds, p.now.AirTemperatureK, p.liquid())
}

// lose finds the fate of a particle that is not followed further: outside of
// the domain, or at the end of time.
func (p *particle) lose() {
	m := p.member
	last := p.job.medium.last
	released := m.Released.Sub(p.job.medium.origin).Seconds()
	_, inside := p.air.TerrainAltitudeM(p.at.x, p.at.y)
	timeUp := p.seconds-released >= p.options.MaxDuration.Seconds()-p.options.Step.Seconds()/2
	var fate Fate
	switch {
	case !inside:
		fate = LeftSide
	case p.seconds >= last && !timeUp:
		fate = RanOutOfTime
	case !timeUp && p.now.HeightAboveGroundM > 0 && p.at.z > p.now.TerrainAltitudeM+p.now.Above.HeightAboveGroundM:
		fate = LeftTop
	case !timeUp:
		fate = LeftSide
	case m.Activated:
		fate = RanOutOfTime
	case m.HighestAltitudeM < p.options.CrestAltitudeM:
		fate = Trapped
	case !p.sawCold:
		fate = TooWarm
	default:
		fate = NoLiquid
	}
	p.end(fate)
}
