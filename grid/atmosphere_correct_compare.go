package grid

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

const (
	// maxObservations bounds the systems of equations to be solved.
	maxObservations = 32
	// maxOutliers is the fraction of levels that may be passed over as wrong.
	maxOutliers = 0.2
	// negligible difference, m/s or K: below any instrument, above the rounding
	// of nodes.
	negligible = 1e-4
	// leastError of an observation, m/s or K, keeps the equations solvable.
	leastError = 0.01
)

// profilePoint is wind, or temperature in the first place.
type profilePoint struct {
	altitudeM float64
	value     [2]float64
}

// profilePoints are at increasing altitudes.
type profilePoints []profilePoint

// at interpolates linearly; false beyond the ends.
func (p profilePoints) at(altitudeM float64) ([2]float64, bool) {
	k, exact := slices.BinarySearchFunc(p, altitudeM, func(p profilePoint, z float64) int { return cmp.Compare(p.altitudeM, z) })
	switch {
	case exact:
		return p[k].value, true
	case k == 0 || k == len(p):
		return [2]float64{}, false
	}
	low, high := &p[k-1], &p[k]
	f := (altitudeM - low.altitudeM) / (high.altitudeM - low.altitudeM)
	return [2]float64{
		low.value[0] + f*(high.value[0]-low.value[0]), low.value[1] + f*(high.value[1]-low.value[1]),
	}, true
}

// profileAt is the box above one point, up to its first missing level.
func (a *Atmosphere) profileAt(c *corners, at time.Time, temperature bool) profilePoints {
	t, later, _ := a.moment(at)
	terrainM := c.blend(a.terrainM)
	var p profilePoints
	for k, heightM := range a.heightsM {
		s := a.stateOnLevel(c, t, later, k)
		value := [2]float64{s.EastwardMPerS, s.NorthwardMPerS}
		if temperature {
			value = [2]float64{s.AirTemperatureK}
		}
		if math.IsNaN(value[0] + value[1]) {
			break
		}
		p = append(p, profilePoint{terrainM + heightM, value})
	}
	return p
}

// comparison is an observation beside the box.
type comparison struct {
	observation       *Observation
	name              string
	at                time.Time // of the box, to which it was compared
	corners           corners
	wind, temperature innovation
}

// innovation is what an observation says beyond the model.
type innovation struct {
	temperature bool
	levels      []observedLevel
	segments    [][]increment
	model       float64 // error of the model, standard deviation
}

// observedLevel is one level that was compared.
type observedLevel struct {
	profilePoint
	variance   float64
	difference float64 // from the model, magnitude; NaN outside of the box
}

// increment at one altitude of a segment, and the error variance of the
// observation.
type increment struct {
	profilePoint
	variance float64
}

// compare takes from the observations what can be used.
func (a *Atmosphere) compare(observations []Observation, o *CorrectionOptions, c *Correction) []*comparison {
	order := make([]int, len(observations))
	for k := range order {
		order[k] = k
	}
	slices.SortStableFunc(order, func(x, y int) int { return observations[y].Column.Time.Compare(observations[x].Column.Time) })
	var used []*comparison
	for _, k := range order {
		u := &comparison{observation: &observations[k]}
		u.name = nameOf(u.observation)
		refuse := func(format string, arguments ...any) {
			c.Refused = append(c.Refused, u.name+": "+fmt.Sprintf(format, arguments...))
		}
		if len(used) == maxObservations {
			refuse("%d newer observations are used", maxObservations)
			continue
		}
		if why := a.locate(u, o); why != "" {
			refuse("%s", why)
			continue
		}
		var taken []string
		levels := 0
		for _, n := range []*innovation{&u.wind, &u.temperature} {
			n.temperature = n == &u.temperature
			n.read(u.observation, o)
			if len(n.levels) == 0 {
				continue
			}
			levels += len(n.levels)
			text, why := n.against(a.profileAt(&u.corners, u.at, n.temperature), o, c)
			if why != "" {
				refuse("%s", why)
				*n = innovation{temperature: n.temperature}
				continue
			}
			taken = append(taken, text)
		}
		switch {
		case levels == 0:
			refuse("no level has an altitude and wind or temperature")
		case len(taken) > 0:
			if off := u.observation.Column.Time.Sub(u.at).Abs(); off > 0 {
				taken = append(taken, fmt.Sprintf("compared to the nearest state of the box, %s away", off.Round(time.Minute)))
			}
			c.Used = append(c.Used, u.name+": "+strings.Join(taken, "; "))
			used = append(used, u)
		}
	}
	return used
}

func nameOf(observation *Observation) string {
	parts := []string{}
	for _, part := range []string{observation.Kind, observation.Column.Label} {
		if part != "" {
			parts = append(parts, part)
		}
	}
	if len(parts) == 0 {
		parts = append(parts, "observation")
	}
	return strings.Join(parts, " ") + " of " + observation.Column.Time.UTC().Format("2006-01-02T15:04Z")
}

// locate finds the observation in the box, or says why it is not there.
func (a *Atmosphere) locate(u *comparison, o *CorrectionOptions) (why string) {
	column := &u.observation.Column
	x, y, ok := a.Plane(column.Place)
	if !ok || math.IsNaN(x) || math.IsNaN(y) {
		return fmt.Sprintf("its place %.4f, %.4f is outside of the model's box", column.Place.LatitudeDeg, column.Place.LongitudeDeg)
	}
	u.corners = a.corners(x, y)
	if terrainM := u.corners.blend(a.terrainM); math.IsNaN(terrainM) {
		return "the model has no ground at its place"
	}
	u.at = column.Time
	if _, _, ok := a.moment(u.at); !ok {
		u.at = a.times[0]
		if last := a.times[len(a.times)-1]; column.Time.After(last) {
			u.at = last
		}
		if off := column.Time.Sub(u.at).Abs(); off > o.OutsideFor {
			return fmt.Sprintf("more than %s from the times of the box, %s to %s", o.OutsideFor,
				a.times[0].Format("2006-01-02T15:04Z"), a.times[len(a.times)-1].Format("2006-01-02T15:04Z"))
		}
	}
	return ""
}

// Values that no instrument measures: altitudes, winds and temperatures beyond
// these count as missing.
const (
	lowestAltitudeM, highestAltitudeM = -500.0, 50000.0
	fastestMPerS                      = 150.0
	coldestK, warmestK                = 150.0, 340.0
)

// read takes the levels of one quantity, by increasing altitude; of several at
// one altitude the first.
func (n *innovation) read(observation *Observation, o *CorrectionOptions) {
	n.model = o.ModelWindErrorMPerS
	deviation, standard := observation.WindErrorMPerS, o.WindErrorMPerS
	if n.temperature {
		n.model = o.ModelTemperatureErrorK
		deviation, standard = observation.TemperatureErrorK, o.TemperatureErrorK
	}
	if !(deviation > 0) {
		deviation = standard
	}
	for k := range observation.Column.Levels {
		l := &observation.Column.Levels[k]
		quality := 1.0
		if k < len(observation.Quality) {
			quality = observation.Quality[k]
		}
		value := [2]float64{l.EastwardMPerS, l.NorthwardMPerS}
		valid := math.Hypot(value[0], value[1]) <= fastestMPerS
		if n.temperature {
			value = [2]float64{l.AirTemperatureK}
			valid = value[0] >= coldestK && value[0] <= warmestK
		}
		if !valid || !(quality > 0) || !(l.AltitudeM >= lowestAltitudeM && l.AltitudeM <= highestAltitudeM) {
			continue
		}
		// 1e6 m/s or K: no weight at all.
		e := math.Min(math.Max(deviation/math.Min(quality, 1), leastError), 1e6)
		n.levels = append(n.levels, observedLevel{profilePoint{l.AltitudeM, value}, e * e, math.NaN()})
	}
	slices.SortStableFunc(n.levels, func(x, y observedLevel) int { return cmp.Compare(x.altitudeM, y.altitudeM) })
	n.levels = apart(n.levels, 0.1, func(l *observedLevel) float64 { return l.altitudeM })
}

// apart keeps of sorted values those by at least a step above the last one kept.
func apart[T any](sorted []T, step float64, of func(*T) float64) []T {
	kept := sorted[:0]
	for k := range sorted {
		if k == 0 || of(&sorted[k]) >= of(&kept[len(kept)-1])+step {
			kept = append(kept, sorted[k])
		}
	}
	return kept
}

// against compares the levels to the model's profile, and says what was found
// or why nothing of it is used.
func (n *innovation) against(model profilePoints, o *CorrectionOptions, c *Correction) (text, why string) {
	what, unit, limit, refuseAbove, largest := "wind", "m/s", o.MaxWindIncrementMPerS, o.RefuseWindMPerS, &c.MaxWindDifferenceMPerS
	if n.temperature {
		what, unit, limit, refuseAbove, largest = "temperature", "K", o.MaxTemperatureIncrementK, o.RefuseTemperatureK, &c.MaxTemperatureDifferenceK
	}
	compared, outliers := 0, 0
	var sum [2]float64
	var worst, worstOutlier observedLevel
	for k := range n.levels {
		l := &n.levels[k]
		value, ok := model.at(l.altitudeM)
		if !ok {
			continue
		}
		compared++
		l.difference = math.Hypot(l.value[0]-value[0], l.value[1]-value[1])
		*largest = math.Max(*largest, l.difference)
		if l.difference > refuseAbove {
			outliers++
			if l.difference > worstOutlier.difference {
				worstOutlier = *l
			}
			continue
		}
		sum[0], sum[1] = sum[0]+l.value[0]-value[0], sum[1]+l.value[1]-value[1]
		if l.difference >= worst.difference {
			worst = *l
		}
	}
	switch {
	case compared == 0:
		return "", fmt.Sprintf("%s: no level lies between the lowest and the highest of the model's box above its place", what)
	case float64(outliers) > maxOutliers*float64(compared):
		return "", fmt.Sprintf("%s is %.1f %s from the model's at %.0f m, and more than %g %s off at %d of %d levels: inconsistent",
			what, worstOutlier.difference, unit, worstOutlier.altitudeM, refuseAbove, unit, outliers, compared)
	}
	n.levels = slices.DeleteFunc(n.levels, func(l observedLevel) bool { return l.difference > refuseAbove })
	n.connect(model, o)
	n.levels = slices.DeleteFunc(n.levels, func(l observedLevel) bool { return math.IsNaN(l.difference) })

	count := float64(len(n.levels))
	mean := fmt.Sprintf("%+.1f m/s eastward and %+.1f northward", sum[0]/count, sum[1]/count)
	if n.temperature {
		mean = fmt.Sprintf("%+.1f K", sum[0]/count)
	}
	text = fmt.Sprintf("%s at %d levels from %.0f to %.0f m, %s of the model's in the mean, at most %.1f %s at %.0f m",
		what, len(n.levels), n.levels[0].altitudeM, n.levels[len(n.levels)-1].altitudeM, mean, worst.difference, unit, worst.altitudeM)
	if worst.difference > limit {
		text += fmt.Sprintf(" (no more than %g %s is corrected)", limit, unit)
	}
	if outliers > 0 {
		text += fmt.Sprintf(", without %d of %d that are more than %g %s off", outliers, compared, refuseAbove, unit)
	}
	return text, ""
}

// connect makes segments of levels without gaps, of increments at the levels of
// the box and at the ends. Levels outside of the box serve to interpolate to
// its own.
func (n *innovation) connect(model profilePoints, o *CorrectionOptions) {
	var observed profilePoints
	variances := make(profilePoints, 0, len(n.levels))
	flush := func() {
		if len(observed) == 0 {
			return
		}
		low := math.Max(observed[0].altitudeM, model[0].altitudeM)
		high := math.Min(observed[len(observed)-1].altitudeM, model[len(model)-1].altitudeM)
		var segment []increment
		add := func(altitudeM float64) {
			value, ok := observed.at(altitudeM)
			box, ok2 := model.at(altitudeM)
			if !ok || !ok2 {
				return
			}
			variance, _ := variances.at(altitudeM)
			for q := range value {
				if value[q] -= box[q]; math.Abs(value[q]) < negligible {
					value[q] = 0
				}
			}
			segment = append(segment, increment{profilePoint{altitudeM, value}, variance[0]})
		}
		if low <= high {
			add(low)
			for _, p := range model {
				if p.altitudeM > low && p.altitudeM < high {
					add(p.altitudeM)
				}
			}
			if high > low {
				add(high)
			}
		}
		if len(segment) > 0 {
			n.segments = append(n.segments, segment)
		}
		observed, variances = observed[:0], variances[:0]
	}
	for k := range n.levels {
		l := &n.levels[k]
		if k > 0 && l.altitudeM-n.levels[k-1].altitudeM > o.GapM {
			flush()
		}
		observed = append(observed, l.profilePoint)
		variances = append(variances, profilePoint{l.altitudeM, [2]float64{l.variance}})
	}
	flush()
}

// at an altitude: the increment, the observation's error variance, and how far
// it counts, 1 within its levels and 0 away from them.
func (n *innovation) at(altitudeM, fadeM float64) (value [2]float64, variance, fraction float64) {
	for _, s := range n.segments {
		first, last := &s[0], &s[len(s)-1]
		beyond := math.Max(first.altitudeM-altitudeM, altitudeM-last.altitudeM)
		if f := 1 - math.Max(beyond, 0)/fadeM; f > fraction {
			k := 0
			switch {
			case altitudeM <= first.altitudeM:
			case altitudeM >= last.altitudeM:
				k = len(s) - 1
			default:
				k, _ = slices.BinarySearchFunc(s, altitudeM, func(p increment, z float64) int { return cmp.Compare(p.altitudeM, z) })
			}
			value, variance, fraction = s[k].value, s[k].variance, f
			if beyond < 0 && s[k].altitudeM > altitudeM {
				low := &s[k-1]
				g := (altitudeM - low.altitudeM) / (s[k].altitudeM - low.altitudeM)
				for q := range value {
					value[q] = low.value[q] + g*(value[q]-low.value[q])
				}
				variance = low.variance + g*(variance-low.variance)
			}
		}
	}
	return value, variance, fraction
}
