package drift

import (
	"context"
	"math"
	"math/rand/v2"
	"time"

	"rimeline/grid"
)

// groupSize is how many particles a worker follows at once. Each is one long
// chain of numbers that wait for each other; two such chains side by side keep
// the processor busy. More than two lengthen what it must look ahead over, and
// were not faster.
const groupSize = 2

// minHeightM above ground that air parcels keep: terrain is never crossed.
const minHeightM = 1.0

// trackSample is one record of one particle.
type trackSample struct {
	x, y                             float64
	altitudeM, heightM, temperatureK float32
	liquidKgPerM3                    float32
	activated                        bool
}

// worker follows particles in one goroutine, a group of them at a time.
type worker struct {
	options *Options
	group   []*particle
}

func newWorker(options *Options, groupSize int) *worker {
	w := &worker{options: options, group: make([]*particle, groupSize)}
	for k := range w.group {
		w.group[k] = newParticle(options)
	}
	return w
}

// follow computes the members of a release from first to before last, or until
// ctx is cancelled. It writes only to what is theirs. A round takes each
// particle of the group one step on, phase by phase; one that ended makes room
// for the next member. None knows of the others, so results do not depend on
// the size of the group.
func (w *worker) follow(ctx context.Context, j *job, first, last int) {
	aloft := 0 // how many of the group are, from its front
	for next := first; ; {
		for ; aloft < len(w.group) && next < last; next++ {
			if ctx.Err() != nil {
				return
			}
			if w.group[aloft].release(j, next) {
				aloft++
			}
		}
		if aloft == 0 {
			return
		}
		group := w.group[:aloft]
		for _, p := range group {
			p.depart()
		}
		if w.options.Scheme == Petterssen {
			for range corrections {
				for _, p := range group {
					p.correct(p.air)
				}
			}
		}
		for k := 0; k < aloft; {
			if group[k].arrive() {
				k++
			} else {
				aloft--
				group[k], group[aloft] = group[aloft], group[k]
			}
		}
	}
}

// particle on its way, one member after another.
type particle struct {
	options *Options
	source  *rand.PCG
	random  *rand.Rand
	job     *job // whose air this is
	air     air

	flight
}

// flight is what a particle begins anew with every member.
type flight struct {
	member *Member
	ended  bool

	// The step at hand with the point reached, whether it is done as ice, how
	// far turbulence moves the particle, and the height it began at.
	leg
	ice     bool
	mixed   point
	heightM float64

	seconds       float64
	now           grid.Air
	liquidKgPerM3 float64 // liquid water content of now

	// Records of the way, how many there are, and when the next is due.
	track           []trackSample
	length          *int
	releasedS, dueS float64

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

func newParticle(options *Options) *particle {
	source := rand.NewPCG(0, 0)
	return &particle{options: options, source: source, random: rand.New(source)}
}

// release begins a member; false where it ends at once.
func (p *particle) release(j *job, index int) bool {
	o := p.options
	p.source.Seed(o.Seed, uint64(index))
	m := &j.ensemble.Members[index]
	*m = Member{Draw: draw(p.random, o), HighestAltitudeM: math.Inf(-1), ColdestK: math.Inf(1)}
	if p.job != j {
		p.job, p.air = j, j.medium.newAir()
	}
	p.flight = flight{member: m, activatedS: math.Inf(1), birthS: math.Inf(1)}
	p.fall = newFall(m.Draw.GrowthTime.Seconds(), m.Draw.FallSpeedMPerS)
	p.eastward, p.northward = p.random.NormFloat64(), p.random.NormFloat64()
	p.motion = perturbed(&j.metric, &m.Draw)

	share := (float64(index) + 0.5) / float64(o.Members)
	p.releasedS = j.start + share*j.release.Burn.Seconds()
	p.seconds = p.releasedS
	m.Released = j.medium.time(p.seconds)
	p.rise()
	p.track, p.length = j.tracks[index*j.records:(index+1)*j.records], &j.lengths[index]
	if !p.read() {
		p.lose()
		return false
	}
	p.record()
	return !p.ended
}

// record notes where the particle is and when to do so again; the last record
// ends it.
func (p *particle) record() {
	n := *p.length
	s := &p.track[n] // field by field: a copy would wait for its parts
	s.x, s.y, s.altitudeM, s.heightM = p.at.x, p.at.y, float32(p.at.z), float32(p.now.HeightAboveGroundM)
	s.temperatureK, s.liquidKgPerM3 = float32(p.now.AirTemperatureK), float32(p.liquidKgPerM3)
	s.activated = p.seconds >= p.activatedS
	n++
	*p.length = n
	if n == len(p.track) || p.seconds >= p.job.medium.last {
		p.lose()
		return
	}
	p.dueS = min(p.releasedS+float64(n)*p.job.stepS, p.job.medium.last)
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

// rise puts a particle where the plume of its release ends its rise.
func (p *particle) rise() {
	r := &p.job.release
	groundM, _ := p.air.TerrainAltitudeM(p.job.x, p.job.y)
	if r.AltitudeM != 0 && r.AltitudeM > groundM {
		groundM = r.AltitudeM
	}
	p.at = point{p.job.x, p.job.y, groundM + max(r.HeightAboveGroundM, minHeightM)}
	if r.HeatReleaseW > 0 && p.read() {
		p.at.z += PlumeRiseM(r.HeatReleaseW, p.speed(p.now.XPerS, p.now.YPerS), p.now.StabilityPerS2,
			p.now.DensityKgPerM3(), p.now.AirTemperatureK)
	}
}

// speed over the ground of a plane velocity.
func (p *particle) speed(x, y float64) float64 {
	e, n := p.job.metric.Metres(x, y)
	return math.Sqrt(e*e + n*n)
}

// read samples the air where the particle is; false outside.
func (p *particle) read() bool {
	if !p.air.Air(p.at.x, p.at.y, p.at.z, p.seconds, &p.now) {
		return false
	}
	p.liquidKgPerM3 = 0
	if p.now.CloudLiquidKgPerKg > 0 {
		p.liquidKgPerM3 = p.now.CloudLiquidKgPerKg * p.now.DensityKgPerM3()
	}
	return true
}

// depart decides on a step: how long it is, at most until the next record, how
// the particle falls and is mixed meanwhile, and where to at first guess.
func (p *particle) depart() {
	p.look()
	o := p.options
	p.motion.fallMPerS = 0
	u, v, w := p.motion.apply(p.now.XPerS, p.now.YPerS, p.now.UpwardMPerS)
	rest := p.dueS - p.seconds
	dt := rest
	if c := courant(u, v, w, p.now.Above.HeightAboveGroundM-p.now.Below.HeightAboveGroundM, dt); c > o.MaxCourant {
		// At most 256 steps a minute: no wind of this earth needs more.
		dt /= min(math.Ceil(c/o.MaxCourant), 256)
	}
	if rest-dt < 1e-6 {
		dt = rest
	}
	p.member.Steps++

	p.ice = p.seconds+dt > p.birthS
	if p.ice {
		way := p.fall.after(p.seconds+dt-p.birthS) - p.fall.after(p.seconds-p.birthS)
		p.motion.fallMPerS = way / dt * densityFactor(p.now.DensityKgPerM3())
	}
	w -= p.motion.fallMPerS

	if o.Turbulence.MountainFactor > 0 {
		p.mixed = p.mix(dt)
	}
	p.heightM = p.now.HeightAboveGroundM
	p.from, p.u, p.v, p.w, p.startS, p.dt = p.at, u, v, w, p.seconds, dt
	if o.Scheme == RungeKutta4 {
		p.rungeKutta4(p.air)
	} else {
		p.guess()
	}
}

// arrive ends a step: carried, mixed, fallen. False where the particle ended.
func (p *particle) arrive() bool {
	start, heightM, mix, dt, ice := p.from, p.heightM, p.mixed, p.dt, p.ice
	p.seconds += dt
	if p.left {
		p.lose()
		return false
	}
	p.at.x += mix.x
	p.at.y += mix.y
	sunkM := start.z - p.at.z
	p.at.z += mix.z
	if ice && p.dry(sunkM) {
		p.end(Sublimated)
		return false
	}
	if !p.read() {
		p.lose()
		return false
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
		return false
	}
	if ice {
		lowestM = 0
	}
	if z := terrainM + max(math.Abs(carriedM+mix.z), lowestM); math.Abs(z-p.at.z) > 1e-6 {
		p.at.z = z
		if !p.read() {
			p.lose()
			return false
		}
	}
	if p.seconds >= p.dueS {
		p.record()
	}
	return !p.ended
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
	liquid := p.liquidKgPerM3
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
	p.ended = true
	p.member.Fate = fate
	p.member.End = p.event(p.at, p.seconds, p.now.AirTemperatureK, p.liquidKgPerM3)
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
