package radar

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"rimeline/grid"
)

// VADOptions of VAD; zero values stand for the defaults named.
type VADOptions struct {
	// StepM between levels, and their thickness: 250. They begin at the antenna
	// and end TopM above it: 12000.
	StepM, TopM float64
	// Gates between MinRangeM and MaxRangeM serve: 3000 and 60000. Near the radar
	// is clutter; far away the wind is another.
	MinRangeM, MaxRangeM float64
	// A level is refused below MinCoverage (0.4 of the directions), with a gap
	// wider than MaxGapDeg (120), with fewer than MinGates (60), or with a
	// residual above MaxResidualMPerS (5). The residual is that of the WSR-88D's
	// own analysis (value from memory); the others are chosen here.
	MinCoverage, MaxGapDeg float64
	MinGates               int
	MaxResidualMPerS       float64
	// FallSpeedMPerS of what is seen, for the divergence: 1, snow.
	FallSpeedMPerS float64
	// Reference for unfolding, called from several goroutines; nil for FirstGuess
	// of the volume itself.
	Reference WindAt
}

func (o VADOptions) withDefaults() VADOptions {
	set := func(value *float64, standard float64) {
		if !(*value > 0) || math.IsInf(*value, 0) {
			*value = standard
		}
	}
	set(&o.StepM, 250)
	o.StepM = max(o.StepM, 20)
	set(&o.TopM, 12000)
	o.TopM = min(o.TopM, 30000)
	set(&o.MinRangeM, 3000)
	set(&o.MaxRangeM, 60000)
	o.MaxRangeM = min(o.MaxRangeM, 150000)
	set(&o.MinCoverage, 0.4)
	set(&o.MaxGapDeg, 120)
	set(&o.MaxResidualMPerS, 5)
	set(&o.FallSpeedMPerS, 1)
	if o.MinGates <= 0 {
		o.MinGates = 60
	}
	return o
}

// preferredRangeM is where levels are taken from when several sweeps reach them:
// the range of the WSR-88D's own wind profile (value from memory: 30 km).
const preferredRangeM = 30000

// steepestDeg leaves out elevations at which little of the wind is radial;
// chosen here.
const steepestDeg = 45

// VAD gives the wind over the radar by velocity-azimuth display (Browning and
// Wexler 1968, J. Appl. Meteor. 7, 105): on a ring about the radar a wind that
// varies linearly makes a radial velocity
//
//	V = a0 + a1 sin(az) + b1 cos(az) + a2 sin(2 az) + b2 cos(2 az)
//
// whose first harmonic is the wind times cos(el), whose mean holds divergence
// and fall speed and whose second harmonic the deformation. Velocities are
// unfolded first (Dealias), doubtful ones left out. The fit is by least squares
// to the medians of sectors of 2 degrees, so that gaps and crowded directions do
// no harm; sectors far off are rejected and the fit repeated. The second
// harmonic is fitted where four fifths of the circle have data.
//
// Of the sweeps that reach a level with good data the one whose ring is nearest
// to 30 km is taken, of equal ones the latest. A volume without usable velocity
// gives a profile without levels; only an unknown place is an error.
func VAD(v *grid.Volume, o VADOptions) (WindProfile, error) {
	if v == nil {
		return WindProfile{}, errors.New("no volume")
	}
	p := WindProfile{Radar: v.Radar, Place: v.Antenna.LatLon, Time: v.Time}
	if !isFinite(v.Antenna.LatitudeDeg, v.Antenna.LongitudeDeg, v.Antenna.AltitudeM) {
		return p, errors.New("the place of the radar is unknown")
	}
	o = o.withDefaults()
	reference := o.Reference
	if reference == nil {
		reference = FirstGuess(v, o)
	}
	bySweep := make([][]WindLevel, len(v.Sweeps))
	eachRow(len(v.Sweeps), 0, func(k int) {
		s := v.Sweeps[k]
		if s == nil || !(math.Abs(s.ElevationDeg) <= steepestDeg) {
			return
		}
		velocities, err := Dealias(s, DealiasOptions{Reference: reference, AntennaAltitudeM: v.Antenna.AltitudeM, MaxRangeM: o.MaxRangeM})
		if err != nil {
			return // no velocity in this sweep
		}
		bySweep[k] = vadOfSweep(k, velocities, v.Antenna.AltitudeM, o)
	})
	fits := slices.Concat(bySweep...)
	p.choose(fits, v.Antenna.AltitudeM, o.StepM)
	return p, nil
}

// choose takes one fit for each level.
func (p *WindProfile) choose(fits []WindLevel, antennaAltitudeM, stepM float64) {
	best := make(map[int]WindLevel)
	better := func(a, b WindLevel) bool {
		if (a.Refused == "") != (b.Refused == "") {
			return a.Refused == ""
		}
		if a.Refused != "" {
			return a.Coverage > b.Coverage
		}
		// In steps of 3 km, so that repeated cuts count as equal.
		awayA, awayB := math.Round(math.Abs(a.RangeM-preferredRangeM)/3000), math.Round(math.Abs(b.RangeM-preferredRangeM)/3000)
		if awayA != awayB {
			return awayA < awayB
		}
		return a.Time.After(b.Time)
	}
	for _, fit := range fits {
		k := levelIndex(fit.AltitudeM-antennaAltitudeM, stepM)
		if other, have := best[k]; !have || better(fit, other) {
			best[k] = fit
		}
	}
	for _, fit := range best {
		if fit.Refused == "" {
			p.Levels = append(p.Levels, fit)
		} else {
			p.Refused = append(p.Refused, fit)
		}
	}
	byAltitude := func(a, b WindLevel) int { return cmp.Compare(a.AltitudeM, b.AltitudeM) }
	slices.SortFunc(p.Levels, byAltitude)
	slices.SortFunc(p.Refused, byAltitude)
}

// levelIndex numbers the levels: k is k*step above the antenna, and reaches half
// a step to both sides.
func levelIndex(aboveAntennaM, stepM float64) int { return int(math.Round(aboveAntennaM / stepM)) }

// vadOfSweep fits every level that the sweep passes.
func vadOfSweep(index int, v *Velocities, antennaAltitudeM float64, o VADOptions) []WindLevel {
	var fits []WindLevel
	// Gates of one level lie together, since the beam only rises (or only sinks
	// and then rises, below the horizon).
	for first := 0; first < v.Gates; {
		k := v.levelOfGate(first, o)
		last := first
		for last+1 < v.Gates && v.levelOfGate(last+1, o) == k {
			last++
		}
		if k > 0 && float64(k)*o.StepM <= o.TopM {
			if fit, ok := v.fit(first, last, antennaAltitudeM, o); ok {
				fit.Sweep = index
				fits = append(fits, fit)
			}
		}
		first = last + 1
	}
	return fits
}

// levelOfGate is 0, the antenna itself, for gates that do not serve.
func (v *Velocities) levelOfGate(gate int, o VADOptions) int {
	rangeM := v.Moment.GateRangeM(gate)
	if !(rangeM >= o.MinRangeM && rangeM <= o.MaxRangeM) {
		return 0
	}
	return max(0, levelIndex(grid.BeamAltitudeM(0, rangeM, v.Sweep.ElevationDeg), o.StepM))
}

// sectorsDeg is the width of the sectors whose medians are fitted; it is that of
// the radials where these are wider.
const sectorsDeg = 2

// noiseMPerS is the distance between the quartiles of the gates of a sector above
// which they are noise: white noise has that of the Nyquist velocity, weather at
// one height 1 to 4 m/s. Chosen here.
const noiseMPerS = 8

// sector holds one direction of a ring.
type sector struct {
	sin, cos, sin2, cos2 float64
	level                float64 // cos(el)
	mPerS                float64
	azimuthDeg           float64
	out                  bool
}

// fit is the harmonic fit to the gates first to last of all radials; false where
// none has a velocity.
func (v *Velocities) fit(first, last int, antennaAltitudeM float64, o VADOptions) (WindLevel, bool) {
	sectors, l := v.sectors(first, last)
	if len(sectors) < 6 {
		doubtful := v.doubtful(first, last)
		if doubtful == 0 && l.Gates == 0 {
			return l, false
		}
		slantM := (v.Moment.GateRangeM(first) + v.Moment.GateRangeM(last)) / 2
		l = WindLevel{AltitudeM: grid.BeamAltitudeM(antennaAltitudeM, slantM, v.Sweep.ElevationDeg), EastwardMPerS: math.NaN(), NorthwardMPerS: math.NaN(),
			Gates: l.Gates, LargestGapDeg: 360, RangeM: slantM, ElevationDeg: v.Sweep.ElevationDeg, Time: v.Sweep.Start,
			Refused: fmt.Sprintf("%d gates with a velocity, and %d that could not be unfolded", l.Gates, doubtful)}
		return l, true
	}
	l.AltitudeM += antennaAltitudeM
	widthDeg := v.sectorWidthDeg()
	second := false
	var fitted harmonics
	for pass := 0; ; pass++ {
		count := 0
		for _, s := range sectors {
			if !s.out {
				count++
			}
		}
		l.Coverage = float64(count) / math.Floor(360/widthDeg)
		l.LargestGapDeg = largestGapDeg(sectors, widthDeg)
		l.Rejected = 1 - float64(count)/float64(len(sectors))
		second = l.Coverage >= 0.8 && l.LargestGapDeg <= 30
		var ok bool
		if fitted, ok = fitHarmonics(sectors, second); !ok {
			l.Refused, l.EastwardMPerS, l.NorthwardMPerS = "the directions do not determine a wind", math.NaN(), math.NaN()
			return l, true
		}
		if pass == 4 || !reject(sectors, fitted) {
			break
		}
	}
	l.EastwardMPerS, l.NorthwardMPerS = fitted.a1, fitted.b1
	l.ResidualMPerS, l.StandardErrorMPerS = fitted.residualMPerS, fitted.standardErrorMPerS
	l.DeformationMPerS, l.DivergencePerS = math.NaN(), math.NaN()
	if second {
		l.DeformationMPerS = math.Hypot(fitted.a2, fitted.b2)
	}
	l.Steep = l.ElevationDeg > SteepDeg
	if !l.Steep {
		// Browning and Wexler 1968, eq. 5: a0 = r cos²(el) div/2 - V_f sin(el).
		sin, cos := math.Sincos(l.ElevationDeg * radPerDeg)
		l.DivergencePerS = 2 * (fitted.a0 + o.FallSpeedMPerS*sin) / (l.RangeM * cos * cos)
	}
	switch {
	case l.Gates < o.MinGates:
		l.Refused = fmt.Sprintf("%d gates, fewer than %d", l.Gates, o.MinGates)
	case l.Coverage < o.MinCoverage:
		l.Refused = fmt.Sprintf("data in %.0f %% of the directions, less than %.0f", 100*l.Coverage, 100*o.MinCoverage)
	case l.LargestGapDeg > o.MaxGapDeg:
		l.Refused = fmt.Sprintf("a gap of %.0f degrees, more than %.0f", l.LargestGapDeg, o.MaxGapDeg)
	case l.ResidualMPerS > o.MaxResidualMPerS:
		l.Refused = fmt.Sprintf("residual %.1f m/s, more than %.1f", l.ResidualMPerS, o.MaxResidualMPerS)
	case l.Rejected > 0.35:
		l.Refused = fmt.Sprintf("%.0f %% of the directions do not fit", 100*l.Rejected)
	}
	return l, true
}

// doubtful counts the gates first to last of all radials.
func (v *Velocities) doubtful(first, last int) int {
	count := 0
	for _, radial := range v.order {
		for _, state := range v.State[radial*v.Gates+first : radial*v.Gates+last+1] {
			if state == Doubtful {
				count++
			}
		}
	}
	return count
}

func (v *Velocities) sectorWidthDeg() float64 {
	width := float64(sectorsDeg)
	for _, radial := range v.order {
		if spacing := float64(v.Sweep.Radials[radial].SpacingDeg); spacing > width && spacing <= 30 {
			width = spacing
		}
	}
	return width
}

// sectors takes the medians; in the level it sets what describes the gates. Its
// altitude is above the antenna.
func (v *Velocities) sectors(first, last int) ([]sector, WindLevel) {
	var l WindLevel
	widthDeg := v.sectorWidthDeg()
	n := int(math.Floor(360 / widthDeg))
	gates := make([][]float32, n)
	azimuths, cosines := make([]float64, n), make([]float64, n)
	var rangeM, altitudeM, elevationDeg, seconds float64
	for _, radial := range v.order {
		r := v.Sweep.Radials[radial]
		azimuth, elevation := float64(r.AzimuthDeg), v.elevationDeg(radial)
		if !isFinite(elevation) {
			continue
		}
		k := min(int(azimuth/360*float64(n)), n-1)
		level := math.Cos(elevation * radPerDeg)
		for g := first; g <= last; g++ {
			if at := radial*v.Gates + g; v.State[at] == Unfolded {
				gates[k] = append(gates[k], v.MPerS[at])
				azimuths[k] += azimuth
				cosines[k] += level
				l.Gates++
				slant := v.Moment.GateRangeM(g)
				rangeM, altitudeM, elevationDeg = rangeM+slant, altitudeM+grid.BeamAltitudeM(0, slant, elevation), elevationDeg+elevation
				seconds += r.Time.Sub(v.Sweep.Start).Seconds()
			}
		}
	}
	count := float64(l.Gates)
	l.RangeM, l.AltitudeM, l.ElevationDeg = rangeM/count, altitudeM/count, elevationDeg/count
	l.Time = v.Sweep.Start
	if l.Gates > 0 && math.Abs(seconds/count) < 3600 {
		l.Time = l.Time.Add(time.Duration(seconds / count * float64(time.Second))).Round(time.Second)
	}
	var sectors []sector
	for k, values := range gates {
		if len(values) == 0 {
			continue
		}
		slices.Sort(values)
		if n := len(values); n >= 4 && float64(values[3*n/4]-values[n/4]) > noiseMPerS {
			continue
		}
		s := sector{mPerS: float64(values[(len(values)-1)/2]+values[len(values)/2]) / 2}
		s.azimuthDeg, s.level = azimuths[k]/float64(len(values)), cosines[k]/float64(len(values))
		s.sin, s.cos = math.Sincos(s.azimuthDeg * radPerDeg)
		s.sin2, s.cos2 = math.Sincos(2 * s.azimuthDeg * radPerDeg)
		sectors = append(sectors, s)
	}
	return sectors, l
}

// largestGapDeg between the edges of sectors that are not out, which are in
// order of azimuth.
func largestGapDeg(sectors []sector, widthDeg float64) float64 {
	first, before, largest := math.NaN(), math.NaN(), 0.0
	for _, s := range sectors {
		if s.out {
			continue
		}
		if math.IsNaN(first) {
			first = s.azimuthDeg
		} else {
			largest = max(largest, s.azimuthDeg-before-widthDeg)
		}
		before = s.azimuthDeg
	}
	if math.IsNaN(first) {
		return 360
	}
	return max(largest, first+360-before-widthDeg)
}

// reject leaves out sectors further from the fit than 2.5 times the scatter,
// which is taken from the median so that they do not widen it themselves, and
// than 1.5 m/s; it takes back those that fit again.
func reject(sectors []sector, h harmonics) (changed bool) {
	away := make([]float64, len(sectors))
	for k, s := range sectors {
		away[k] = math.Abs(s.mPerS - h.at(s))
	}
	sorted := slices.Clone(away)
	slices.Sort(sorted)
	limit := max(1.5, 2.5*1.4826*sorted[len(sorted)/2])
	for k := range sectors {
		if out := away[k] > limit; out != sectors[k].out {
			sectors[k].out, changed = out, true
		}
	}
	return changed
}
