package nowcast

import (
	"fmt"
	"math"
	"time"
)

// Transport is how long agent takes from its release to the zone: a tenth of
// it is there after Q10, half after Q50, nine tenths after Q90.
type Transport struct{ Q10, Q50, Q90 time.Duration }

// WindowOptions of ReleaseWindow.
type WindowOptions struct {
	// LeastProbability that agent meets the band; 0.5 where zero.
	LeastProbability float64
	// NotBefore is the earliest moment at which release can start; the zero
	// time for no limit.
	NotBefore time.Time
}

// WindowState says whether there is a window.
type WindowState int

// The states.
const (
	// Open: there are release times with which agent meets the band.
	Open WindowState = iota + 1
	// Improbable: even at the best time agent meets the band less often than
	// asked for; Best and Probability hold.
	Improbable
	// TooLate: the window lies before NotBefore.
	TooLate
	// Unusable: transport times or arrival are not in order.
	Unusable
)

// String says it in words.
func (s WindowState) String() string {
	switch s {
	case Open:
		return "open"
	case Improbable:
		return "improbable"
	case TooLate:
		return "too late"
	case Unusable:
		return "unusable"
	}
	return fmt.Sprintf("state %d", int(s))
}

// Window is when to release.
type Window struct {
	State WindowState
	// Start and End of the release times with which agent is in the zone
	// together with the band at least as often as asked for; Best has the
	// highest probability and, of those about as good, comes nearest to the
	// band's peak. Start and End hold where State is Open.
	Start, Best, End time.Time
	// Probability at Best: of the band coming at all, being there when agent is.
	Probability float64
	// EndsLater: the band is seen no further than its End, and the window may
	// be longer.
	EndsLater bool
}

// How finely probability is computed: shares of the transport time, and
// release times over the whole span.
const (
	transportShares = 100
	releaseTimes    = 1200
	aboutAsGood     = 0.02
)

// ReleaseWindow convolves the passage of a band with the time that agent needs.
//
// The band is in the zone at t with probability p [F_arrival(t) - F_end(t)],
// true for any dependence of the two, as the end never comes before the
// arrival; both are normal. Transport time has half of a normal distribution on
// each side of its median, through the other two quantiles.
func ReleaseWindow(a Arrival, transport Transport, o WindowOptions) Window {
	w := Window{State: Unusable, EndsLater: a.EndsLater}
	if !inDay(transport.Q10) || transport.Q50 < transport.Q10 || transport.Q90 < transport.Q50 || !inDay(transport.Q90) ||
		!inDay(a.End.Time.Sub(a.Arrival.Time)) || !inDay(a.Arrival.SD) || !inDay(a.End.SD) || !inDay(a.Peak.Time.Sub(a.Arrival.Time).Abs()) ||
		!(a.Probability >= 0 && a.Probability <= 1) {
		return w
	}
	if !(o.LeastProbability > 0) {
		o.LeastProbability = 0.5
	}
	zero := a.Arrival.Time // seconds count from here
	endS, peakS := a.End.Time.Sub(zero).Seconds(), a.Peak.Time.Sub(zero).Seconds()
	arrivalSD, endSD := a.Arrival.SD.Seconds(), a.End.SD.Seconds()
	takes := transportTimesS(transport)
	probability := func(releaseS float64) float64 {
		sum := 0.0
		for _, t := range takes {
			at := releaseS + t
			sum += max(0, normalShare(at, arrivalSD)-normalShare(at-endS, endSD))
		}
		return a.Probability * sum / float64(len(takes))
	}
	first := -5*arrivalSD - takes[len(takes)-1]
	last := endS + 5*endSD - takes[0]
	step := max(1, (last-first)/releaseTimes)
	earliest := math.Inf(-1)
	if !o.NotBefore.IsZero() {
		earliest = o.NotBefore.Sub(zero).Seconds()
	}
	var times, values []float64
	highest, missed := 0.0, 0.0 // from the earliest on, and before
	for r := first; r <= last+step/2; r += step {
		value := probability(r)
		if r < earliest {
			missed = max(missed, value)
			if r+step <= earliest {
				continue
			}
			r = earliest // the limit itself is the first release time
			value = probability(r)
		}
		times, values = append(times, r), append(values, value)
		highest = max(highest, value)
	}
	enough := highest >= o.LeastProbability
	switch {
	case enough:
		w.State = Open
	case missed >= o.LeastProbability:
		w.State = TooLate
	default:
		w.State = Improbable
	}
	best := -1
	for k, r := range times {
		if values[k] < highest*(1-aboutAsGood) || enough && values[k] < o.LeastProbability {
			continue
		}
		if best < 0 || math.Abs(r+transport.Q50.Seconds()-peakS) < math.Abs(times[best]+transport.Q50.Seconds()-peakS) {
			best = k
		}
	}
	if best < 0 { // all of it is past
		return w
	}
	at := func(s float64) time.Time { return zero.Add(time.Duration(s * float64(time.Second))) }
	w.Best, w.Probability = at(times[best]), values[best]
	if !enough {
		return w
	}
	// The stretch around the best that is likely enough, its ends between two
	// release times by proportion.
	from, to := best, best
	for from > 0 && values[from-1] >= o.LeastProbability {
		from--
	}
	for to < len(times)-1 && values[to+1] >= o.LeastProbability {
		to++
	}
	crossing := func(inside, outside int) time.Time {
		if outside < 0 || outside >= len(times) {
			return at(times[inside])
		}
		share := (values[inside] - o.LeastProbability) / (values[inside] - values[outside])
		return at(times[inside] + share*(times[outside]-times[inside]))
	}
	w.Start, w.End = crossing(from, from-1), crossing(to, to+1)
	return w
}

// inDay: durations beyond a day are no nowcast.
func inDay(d time.Duration) bool { return d >= 0 && d <= 24*time.Hour }

// normalShare is the share of a normal distribution about 0 below x, to 5e-7.
func normalShare(x, sd float64) float64 {
	if sd == 0 {
		if x < 0 {
			return 0
		}
		return 1
	}
	at := (x/sd + normalReach) * normalPerSD
	switch {
	case !(at > 0):
		return 0
	case at >= 2*normalReach*normalPerSD:
		return 1
	}
	k := int(at)
	return normalTable[k] + (at-float64(k))*(normalTable[k+1]-normalTable[k])
}

// normalTable is the standard normal distribution from -normalReach to
// normalReach standard deviations. Linear between, it errs by at most 0.242 / (8
// normalPerSD²), the largest second derivative being 0.242.
const normalReach, normalPerSD = 6, 256

var normalTable = func() (table [2*normalReach*normalPerSD + 2]float64) {
	for k := range table {
		table[k] = math.Erfc(-(float64(k)/normalPerSD-normalReach)/math.Sqrt2) / 2
	}
	return table
}()

// transportTimesS are the middles of equal shares, in rising order.
func transportTimesS(t Transport) []float64 {
	const q90 = 1.2815515655446004 // of the standard normal distribution
	below, above := (t.Q50-t.Q10).Seconds()/q90, (t.Q90-t.Q50).Seconds()/q90
	times := make([]float64, transportShares)
	for k := range times {
		z := normalQuantile((float64(k) + 0.5) / transportShares)
		if z < 0 {
			times[k] = max(0, t.Q50.Seconds()+z*below)
		} else {
			times[k] = t.Q50.Seconds() + z*above
		}
	}
	return times
}
