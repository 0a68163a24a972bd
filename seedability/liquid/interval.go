package liquid

import "math"

// Interval is a range of altitude.
type Interval struct{ BaseAltitudeM, TopAltitudeM float64 }

// DepthM is how thick it is.
func (i Interval) DepthM() float64 { return i.TopAltitudeM - i.BaseAltitudeM }

// Where gives the altitudes at which every condition holds. A condition is a
// value at each altitude, met where it is 0 or more, and linear between
// altitudes. Altitudes rise strictly; across a gap of more than maximumGapM or
// a missing value nothing is said, and an interval ends there.
func Where(altitudesM []float64, maximumGapM float64, conditions ...[]float64) []Interval {
	var found []Interval
	open := false // the last interval reaches the level before
	for k := 1; k < len(altitudesM); k++ {
		low, depth := altitudesM[k-1], altitudesM[k]-altitudesM[k-1]
		from, to := 0.0, 1.0
		if !(depth > 0 && depth <= maximumGapM) {
			to = nan
		}
		for _, values := range conditions {
			a, b := values[k-1], values[k]
			switch {
			case math.IsNaN(a) || math.IsNaN(b) || a < 0 && b < 0:
				to = nan
			case a < 0:
				from = max(from, a/(a-b))
			case b < 0:
				to = min(to, a/(a-b))
			}
		}
		if !(to > from) {
			open = false
			continue
		}
		top := low + to*depth
		if to == 1 {
			top = altitudesM[k]
		}
		if open { // then every condition holds at its top, and from is 0
			found[len(found)-1].TopAltitudeM = top
		} else {
			found = append(found, Interval{low + from*depth, top})
		}
		open = to == 1
	}
	return found
}
