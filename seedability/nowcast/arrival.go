package nowcast

import (
	"errors"
	"fmt"
	"math"
	"sort"
	"time"

	"rimeline/grid"
)

// Zone is where agent is expected to be activated: a place and how far around.
type Zone struct {
	Place   grid.LatLon
	RadiusM float64
}

// ArrivalOptions of Arrivals. Zeroes are replaced by the defaults named.
type ArrivalOptions struct {
	Step    time.Duration // 30 s
	Horizon time.Duration // 120 min
	// BandsOnly leaves out objects that are no bands.
	BandsOnly bool
}

// Timing is a moment and one standard deviation of it.
type Timing struct {
	Time time.Time
	SD   time.Duration
}

// Arrival is the passage of one object over a zone.
type Arrival struct {
	Object Object
	// Probability is the share of the motions tried with which it meets the zone.
	Probability float64
	// Arrival, Peak and End of the passage. SD comes of the spread of motion;
	// growth and decay are not in it.
	Arrival, Peak, End Timing
	// PeakDBZ is the highest reflectivity of the object in the zone, PeakSDDB
	// one standard deviation of it.
	PeakDBZ, PeakSDDB float64
	// Here: it is over the zone at the start. EndsLater: at End it is still
	// there, or what follows was not seen.
	Here, EndsLater bool
}

// Approach is what comes to a zone.
type Approach struct {
	Zone   Zone
	Issued time.Time
	// Until is the end of what is known: the horizon, or earlier the moment
	// from which more than half of the air of the zone comes from outside of
	// what was seen. After it no arrival means nothing. It equals Issued where
	// the zone itself is not seen.
	Until time.Time
	// Complete: Until is the horizon.
	Complete bool
	// Arrivals by time.
	Arrivals []Arrival
}

// How many motions are tried: so many along the motion and across it, each at
// the middle of an equal share of a normal distribution.
const (
	triedAlong  = 7
	triedAcross = 5
	zoneSide    = 4 // points of the zone along a radius
	mostMoments = 20000
)

// Arrivals follows the air of a zone backward along the motion into the scene,
// and says when which object will be there. Of several motions, spread as
// Motion.SpreadMPerS says, the undisturbed one gives the times (the median of
// the others where it misses), all of them the standard deviations.
func Arrivals(s *Scene, m *Motion, zone Zone, o ArrivalOptions) (Approach, error) {
	approach := Approach{Zone: zone}
	if s == nil || s.Frame.check() != nil || len(s.Labels) != len(s.Frame.DBZ) {
		return approach, errors.New("no scene")
	}
	if err := m.check(s.Frame.Plane); err != nil {
		return approach, err
	}
	x, y := s.Frame.XY(zone.Place)
	if !isFinite(x, y) || math.Abs(zone.Place.LatitudeDeg) > 90 || !(zone.RadiusM >= 0) || math.IsInf(zone.RadiusM, 0) {
		return approach, fmt.Errorf("the zone of %g m around %g, %g is no area", zone.RadiusM, zone.Place.LatitudeDeg, zone.Place.LongitudeDeg)
	}
	if o.Step <= 0 {
		o.Step = 30 * time.Second
	}
	if o.Horizon <= 0 {
		o.Horizon = defaultHorizon
	}
	if o.Horizon/o.Step >= mostMoments {
		return approach, fmt.Errorf("%v in steps of %v: more than %d", o.Horizon, o.Step, mostMoments)
	}
	approach.Issued = s.Frame.Time
	points := zonePoints(zone.RadiusM)
	moments := int(o.Horizon/o.Step) + 1
	tried := motionsTried()
	passages := make([][]passage, len(tried))
	seen := make([]bool, moments)
	parallel(len(tried), func(first, end int) {
		for k := first; k < end; k++ {
			var watch []bool
			if tried[k] == (deviation{}) {
				watch = seen
			}
			passages[k] = s.passagesOf(m, x, y, zone.RadiusM, points, tried[k], moments, o.Step, watch)
		}
	})
	known := 0
	for known < moments && seen[known] {
		known++
	}
	approach.Complete = known == moments
	approach.Until = approach.Issued.Add(time.Duration(max(known-1, 0)) * o.Step)
	for place := range s.Objects {
		if o.BandsOnly && !s.Objects[place].Band {
			continue
		}
		if a, ok := s.arrivalOf(place, m, tried, passages, o.Step, moments, known); ok {
			approach.Arrivals = append(approach.Arrivals, a)
		}
	}
	sort.SliceStable(approach.Arrivals, func(a, b int) bool {
		return approach.Arrivals[a].Arrival.Time.Before(approach.Arrivals[b].Arrival.Time)
	})
	return approach, nil
}

// deviation of a motion from the estimate, in standard deviations.
type deviation struct{ along, across float64 }

func motionsTried() []deviation {
	var tried []deviation
	for _, along := range normalMiddles(triedAlong) {
		for _, across := range normalMiddles(triedAcross) {
			tried = append(tried, deviation{along, across})
		}
	}
	return tried
}

// normalMiddles are the medians of n equal shares of the standard normal
// distribution, stretched to a variance of 1.
func normalMiddles(n int) []float64 {
	values, square := make([]float64, n), 0.0
	for k := range values {
		values[k] = normalQuantile((float64(k) + 0.5) / float64(n))
		if 2*k+1 == n {
			values[k] = 0
		}
		square += values[k] * values[k]
	}
	for k := range values {
		values[k] /= math.Sqrt(square / float64(n))
	}
	return values
}

func normalQuantile(p float64) float64 { return math.Sqrt2 * math.Erfinv(2*p-1) }

// zonePoints are the middle and evenly spread points of a disc, out to its rim, in
// radii.
func zonePoints(radiusM float64) [][2]float64 {
	if radiusM == 0 {
		return [][2]float64{{0, 0}}
	}
	var points [][2]float64
	for b := -zoneSide; b <= zoneSide; b++ {
		for a := -zoneSide; a <= zoneSide; a++ {
			if a*a+b*b <= zoneSide*zoneSide {
				points = append(points, [2]float64{float64(a) / zoneSide, float64(b) / zoneSide})
			}
		}
	}
	return points
}

// passage of one object over the zone with one motion: the first and last
// moment, and the highest value at each moment between (NaN while absent).
type passage struct {
	first, last int
	dBZ         []float32
}

// passagesOf follows the zone backward with one motion. Its middle and two points
// of its rim are followed, and the others turn, stretch and shear with them: the
// motion hardly bends within a zone, whose vectors lie farther apart. watch, where
// given, is set for moments at which at least half of the points were seen.
func (s *Scene) passagesOf(m *Motion, zoneX, zoneY, radiusM float64, points [][2]float64, dev deviation, moments int, step time.Duration, watch []bool) []passage {
	out := make([]passage, len(s.Objects))
	f := s.Frame
	frame := [3][2]float64{{zoneX, zoneY}, {zoneX + radiusM, zoneY}, {zoneX, zoneY + radiusM}}
	dt := step.Seconds()
	for moment := range moments {
		seen := 0
		middle := frame[0]
		ax, ay := frame[1][0]-middle[0], frame[1][1]-middle[1]
		bx, by := frame[2][0]-middle[0], frame[2][1]-middle[1]
		for _, point := range points {
			x, y := middle[0]+point[0]*ax+point[1]*bx, middle[1]+point[0]*ay+point[1]*by
			i, j := math.Round((x-f.WestM)/f.SpacingM), math.Round((y-f.SouthM)/f.SpacingM)
			if i >= 0 && j >= 0 && i < float64(f.NI) && j < float64(f.NJ) {
				cell := int(j)*f.NI + int(i)
				value := f.DBZ[cell]
				if value == value {
					seen++
				}
				if label := s.Labels[cell]; label > 0 && int(label) <= len(out) {
					p := &out[label-1]
					if len(p.dBZ) == 0 {
						p.first = moment
					}
					for p.first+len(p.dBZ) <= moment {
						p.dBZ = append(p.dBZ, nan32)
					}
					p.last = moment
					if here := &p.dBZ[moment-p.first]; !(*here >= value) {
						*here = value
					}
				}
			}
		}
		for k := range frame {
			x, y := frame[k][0], frame[k][1]
			u, v := deviating(m, x, y, dev)
			u, v = deviating(m, x-u*dt/2, y-v*dt/2, dev)
			frame[k] = [2]float64{x - u*dt, y - v*dt}
		}
		if watch != nil {
			watch[moment] = 2*seen >= len(points)
		}
	}
	return out
}

// deviating is the motion with its spread added along and across it. It is what
// Motion.At and Motion.SpreadAt give, read in one go.
func deviating(m *Motion, x, y float64, dev deviation) (u, v float64) {
	k, a, b, c, d := m.corners((x-m.WestM)/m.SpacingM, (y-m.SouthM)/m.SpacingM)
	k1, k2 := k+min(1, m.NI-1), k+m.NI*min(1, m.NJ-1)
	k3 := k1 + k2 - k
	east, north, spread := m.EastwardMPerS, m.NorthwardMPerS, m.SpreadMPerS
	u = float64(a*east[k] + b*east[k1] + c*east[k2] + d*east[k3])
	v = float64(a*north[k] + b*north[k1] + c*north[k2] + d*north[k3])
	if dev == (deviation{}) {
		return u, v
	}
	sd := float64(a*spread[k] + b*spread[k1] + c*spread[k2] + d*spread[k3])
	ex, ey := 1.0, 0.0
	if speed := math.Sqrt(u*u + v*v); speed > 0 {
		ex, ey = u/speed, v/speed
	}
	return u + sd*(dev.along*ex-dev.across*ey), v + sd*(dev.along*ey+dev.across*ex)
}

// nearPeakDB: the peak of a passage is the middle of the time within this of
// its highest value.
const nearPeakDB = 1

// peak gives the moment and value of the highest reflectivity.
func (p *passage) peak() (moment float64, dBZ float64) {
	best := 0
	for k, v := range p.dBZ {
		if v > p.dBZ[best] || p.dBZ[best] != p.dBZ[best] {
			best = k
		}
	}
	first, last := best, best
	for first > 0 && p.dBZ[first-1] >= p.dBZ[best]-nearPeakDB {
		first--
	}
	for last+1 < len(p.dBZ) && p.dBZ[last+1] >= p.dBZ[best]-nearPeakDB {
		last++
	}
	return float64(p.first) + float64(first+last)/2, float64(p.dBZ[best])
}

func (s *Scene) arrivalOf(place int, m *Motion, tried []deviation, passages [][]passage, step time.Duration, moments, known int) (Arrival, bool) {
	var firsts, peaks, lasts, values []float64
	central := -1
	for k, dev := range tried {
		p := &passages[k][place]
		if len(p.dBZ) == 0 {
			continue
		}
		if dev == (deviation{}) {
			central = len(firsts)
		}
		moment, dBZ := p.peak()
		firsts, lasts = append(firsts, float64(p.first)), append(lasts, float64(p.last))
		peaks, values = append(peaks, moment), append(values, dBZ)
	}
	if len(firsts) == 0 {
		return Arrival{}, false
	}
	object := s.Objects[place]
	// Cells are seen as wholes: half a cell to each side, evenly spread.
	grainS := 0.0
	if speed := m.At(object.CentroidXM, object.CentroidYM).SpeedMPerS(); speed > 0 {
		grainS = s.Frame.SpacingM / math.Sqrt(12) / speed
	}
	timing := func(all []float64) Timing {
		moment := medianOf(all)
		if central >= 0 {
			moment = all[central]
		}
		sdS := math.Hypot(deviationOf(all)*step.Seconds(), grainS)
		sdS = min(sdS, float64(moments)*step.Seconds())
		return Timing{Time: s.Frame.Time.Add(time.Duration(moment * float64(step))), SD: time.Duration(sdS * float64(time.Second))}
	}
	a := Arrival{
		Object: object, Probability: float64(len(firsts)) / float64(len(tried)),
		Arrival: timing(firsts), Peak: timing(peaks), End: timing(lasts),
		PeakDBZ: medianOf(values), PeakSDDB: deviationOf(values),
	}
	if central >= 0 {
		a.PeakDBZ = values[central]
	}
	if a.Here = !a.Arrival.Time.After(s.Frame.Time); a.Here {
		a.Arrival.SD = 0
	}
	end := s.Frame.Time.Add(time.Duration(known-1) * step)
	a.EndsLater = !a.End.Time.Before(end)
	return a, true
}

func medianOf(values []float64) float64 { return median(append([]float64(nil), values...)) }

// deviationOf is the standard deviation of all there is.
func deviationOf(values []float64) float64 {
	mean, square := 0.0, 0.0
	for _, v := range values {
		mean += v / float64(len(values))
	}
	for _, v := range values {
		square += (v - mean) * (v - mean) / float64(len(values))
	}
	return math.Sqrt(square)
}
