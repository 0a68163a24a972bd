package hydro

import (
	"fmt"
	"math"
	"time"
)

// DoubtKind names why a reading is doubted.
type DoubtKind string

// The kinds of doubt.
const (
	DoubtFlat       DoubtKind = "flat-lined"
	DoubtFrozen     DoubtKind = "frozen"
	DoubtRange      DoubtKind = "out of range"
	DoubtJump       DoubtKind = "jump"
	DoubtFuture     DoubtKind = "in the future"
	DoubtUnit       DoubtKind = "unit"
	DoubtDatum      DoubtKind = "datum"
	DoubtDatumShift DoubtKind = "datum shift"
	DoubtStale      DoubtKind = "stale"
	DoubtNoValue    DoubtKind = "no value"
	DoubtSource     DoubtKind = "doubted by its source"
	DoubtTime       DoubtKind = "time"
)

// Doubt is one reason not to believe part of a series.
type Doubt struct {
	Kind     DoubtKind
	From, To time.Time
	Reason   string
	// Latest: the doubt touches the newest point, that which decides now.
	Latest bool
}

// SuspectOptions are the limits of Suspect, in the unit of the series. A zero
// duration or NaN limit switches a check off.
type SuspectOptions struct {
	Now time.Time // zero: no check of future and age
	// MaxAge of the newest value of an observed series.
	MaxAge time.Duration
	// FutureTolerance for clocks.
	FutureTolerance time.Duration
	// FlatFor: equal values, within FlatTolerance, for longer than this. FlatZero
	// counts runs of zero too: no snow for months is no fault.
	FlatFor       time.Duration
	FlatTolerance float64
	FlatZero      bool
	// FrozenFor: equal values for longer than this while the air stayed below
	// 0 °C. Needs AirTemperature, in K.
	FrozenFor      time.Duration
	AirTemperature *Series
	Min, Max       float64
	// Rates between neighbours, per hour.
	MaxRisePerHour, MaxFallPerHour float64
	// MinJump: a step smaller than this is no jump however fast.
	MinJump float64
	// DatumShift: a step of at least this between neighbours after which the
	// values stay on the new level: the gauge was moved, or its zero.
	DatumShift float64
	// Unit and Datum that the programme counts on; "" any.
	Unit, Datum string
}

// DefaultSuspectOptions are starting points for a quantity; a programme knows
// its gauges better. Common practice, no source.
func DefaultSuspectOptions(q Quantity, now time.Time) SuspectOptions {
	nan := math.NaN()
	o := SuspectOptions{Now: now, MaxAge: 3 * time.Hour, FutureTolerance: 10 * time.Minute, Min: nan, Max: nan,
		MaxRisePerHour: nan, MaxFallPerHour: nan, DatumShift: nan, FlatZero: true, Unit: q.Unit()}
	switch q {
	case RiverStage, RiverElevation:
		o.FlatFor, o.FrozenFor = 48*time.Hour, 6*time.Hour
		o.MaxRisePerHour, o.MaxFallPerHour, o.MinJump, o.DatumShift = 3, 3, 0.3, 2
		if q == RiverStage {
			o.Min, o.Max = -10, 60
		}
	case RiverDischarge:
		o.FlatFor, o.FrozenFor, o.Min, o.Max = 48*time.Hour, 6*time.Hour, 0, 300_000
	case ReservoirStorage:
		o.MaxAge, o.FlatFor, o.Min, o.Max = 48*time.Hour, 14*24*time.Hour, 0, 2e11
	case ReservoirElevation:
		o.MaxAge, o.FlatFor, o.MaxRisePerHour, o.MaxFallPerHour, o.MinJump, o.DatumShift = 48*time.Hour, 14*24*time.Hour, 2, 2, 0.3, 5
	case ReservoirPercentFull:
		o.MaxAge, o.FlatFor, o.Min, o.Max = 48*time.Hour, 14*24*time.Hour, 0, 150
	case SWE:
		o.MaxAge, o.FlatFor, o.FlatZero, o.Min, o.Max = 48*time.Hour, 21*24*time.Hour, false, 0, 6000
		o.MaxRisePerHour, o.MaxFallPerHour, o.MinJump = 25, 25, 50
	case SWEPercentOfNormal:
		o.MaxAge, o.FlatZero, o.Min, o.Max = 48*time.Hour, false, 0, 1000
	case SnowDepth:
		o.MaxAge, o.FlatZero, o.Min, o.Max = 48*time.Hour, false, 0, 15
	case AirTemperature:
		o.FlatFor, o.Min, o.Max = 24*time.Hour, 200, 330
	}
	return o
}

// Suspect gives the reasons not to believe a series, oldest first within each
// kind. Points without a value break no run and make no jump; a series that has
// none at all is doubted for that.
func Suspect(s Series, o SuspectOptions) []Doubt {
	var out []Doubt
	add := func(kind DoubtKind, from, to time.Time, format string, args ...any) {
		out = append(out, Doubt{Kind: kind, From: from, To: to, Reason: fmt.Sprintf(format, args...)})
	}
	if o.Unit != "" && s.Unit != o.Unit {
		add(DoubtUnit, time.Time{}, time.Time{}, "is in %q, the programme counts on %q", s.Unit, o.Unit)
	}
	if o.Datum != "" && s.Datum != o.Datum {
		add(DoubtDatum, time.Time{}, time.Time{}, "has the datum %q, the programme counts on %q", s.Datum, o.Datum)
	}
	points := make([]Point, 0, len(s.Points))
	for _, p := range s.Points {
		if !math.IsNaN(p.Value) {
			points = append(points, p)
		}
	}
	runsOfFlags(s, add)
	if len(points) == 0 {
		add(DoubtNoValue, time.Time{}, time.Time{}, "has no value")
		return latest(out, s, time.Time{})
	}
	last := points[len(points)-1]
	if !o.Now.IsZero() && s.Observed {
		if age := o.Now.Sub(last.Time); o.MaxAge > 0 && age > o.MaxAge {
			add(DoubtStale, last.Time, o.Now, "its newest value is %s old, at most %s is allowed", age.Round(time.Minute), o.MaxAge)
		}
		for _, p := range points {
			if p.Time.After(o.Now.Add(o.FutureTolerance)) {
				add(DoubtFuture, p.Time, last.Time, "has observations from %s on, which is still to come", p.Time.Format(time.RFC3339))
				break
			}
		}
	}
	ranges(points, o, s.Unit, add)
	jumps(points, o, s.Unit, add)
	flat(points, o, s.Unit, add)
	return latest(out, s, last.Time)
}

type addDoubt func(kind DoubtKind, from, to time.Time, format string, args ...any)

// latest marks the doubts that touch the newest point.
func latest(doubts []Doubt, s Series, newest time.Time) []Doubt {
	if len(s.Points) > 0 && s.Points[len(s.Points)-1].Time.After(newest) {
		newest = s.Points[len(s.Points)-1].Time
	}
	for i := range doubts {
		doubts[i].Latest = doubts[i].To.IsZero() || !doubts[i].To.Before(newest)
	}
	return doubts
}

// runsOfFlags reports what the source says itself.
func runsOfFlags(s Series, add addDoubt) {
	for _, each := range []struct {
		flag Flags
		kind DoubtKind
		text string
	}{
		{IceAffected, DoubtFrozen, "is flagged for ice"},
		{EquipmentFail, DoubtSource, "is flagged for its equipment"},
		{SourceSuspect, DoubtSource, "carries a qualifier that doubts it or is not known"},
		{Unreadable, DoubtSource, "cannot be read as a number"},
		{TimeDoubtful, DoubtTime, "stands at a local time that occurs twice or never"},
	} {
		for i := 0; i < len(s.Points); i++ {
			if !s.Points[i].Flags.Has(each.flag) {
				continue
			}
			j := i
			for j+1 < len(s.Points) && s.Points[j+1].Flags.Has(each.flag) {
				j++
			}
			add(each.kind, s.Points[i].Time, s.Points[j].Time, "%s (%s)", each.text, clip(s.Points[i].Code))
			i = j
		}
	}
	// The end of the series may be missing values alone.
	n := len(s.Points)
	if n > 0 && math.IsNaN(s.Points[n-1].Value) {
		from := n - 1
		for from > 0 && math.IsNaN(s.Points[from-1].Value) {
			from--
		}
		add(DoubtNoValue, s.Points[from].Time, s.Points[n-1].Time, "has no value since %s", s.Points[from].Time.Format(time.RFC3339))
	}
}

func ranges(points []Point, o SuspectOptions, unit string, add addDoubt) {
	outside := func(v float64) bool { return v < o.Min || v > o.Max }
	for i := 0; i < len(points); i++ {
		if !outside(points[i].Value) {
			continue
		}
		j := i
		for j+1 < len(points) && outside(points[j+1].Value) {
			j++
		}
		add(DoubtRange, points[i].Time, points[j].Time, "%g %s lies outside %g to %g", points[i].Value, unit, o.Min, o.Max)
		i = j
	}
}

func jumps(points []Point, o SuspectOptions, unit string, add addDoubt) {
	for i := 1; i < len(points); i++ {
		a, b := points[i-1], points[i]
		step := b.Value - a.Value
		hours := b.Time.Sub(a.Time).Hours()
		if step == 0 || math.Abs(step) < o.MinJump {
			continue
		}
		// Two values at one moment are a jump of any size.
		if step > o.MaxRisePerHour*hours || -step > o.MaxFallPerHour*hours {
			add(DoubtJump, a.Time, b.Time, "goes from %g to %g %s within %s", a.Value, b.Value, unit, b.Time.Sub(a.Time))
		}
		if math.Abs(step) >= o.DatumShift && stays(points, i, step) {
			add(DoubtDatumShift, a.Time, points[len(points)-1].Time, "steps by %g %s at %s and stays there, as when its zero is changed", step, unit, b.Time.Format(time.RFC3339))
		}
	}
}

// stays says whether the values before and after a step keep apart: none after
// it comes back by more than a tenth, and none of the day before it strays as
// far.
func stays(points []Point, at int, step float64) bool {
	if len(points)-at < 4 || at < 4 {
		return false
	}
	before, after := points[at-1].Value, points[at].Value
	tenth := math.Abs(step) / 10
	for i := at - 4; i < at; i++ {
		if math.Abs(points[i].Value-before) > tenth {
			return false
		}
	}
	for i := at; i < min(len(points), at+8); i++ {
		if math.Abs(points[i].Value-after) > tenth {
			return false
		}
	}
	return true
}

func flat(points []Point, o SuspectOptions, unit string, add addDoubt) {
	if o.FlatFor <= 0 && o.FrozenFor <= 0 {
		return
	}
	for i := 0; i < len(points); {
		low, high := points[i].Value, points[i].Value
		j := i
		for j+1 < len(points) {
			v := points[j+1].Value
			if math.Max(high, v)-math.Min(low, v) > o.FlatTolerance {
				break
			}
			low, high = math.Min(low, v), math.Max(high, v)
			j++
		}
		length := points[j].Time.Sub(points[i].Time)
		switch {
		case low == 0 && high == 0 && !o.FlatZero:
		case o.FlatFor > 0 && length > o.FlatFor:
			add(DoubtFlat, points[i].Time, points[j].Time, "stays at %g %s for %s", points[i].Value, unit, length)
		case o.FrozenFor > 0 && length > o.FrozenFor && o.AirTemperature != nil && belowFreezing(*o.AirTemperature, points[i].Time, points[j].Time):
			add(DoubtFrozen, points[i].Time, points[j].Time, "stays at %g %s for %s while the air is below 0 °C", points[i].Value, unit, length)
		}
		i = j + 1
	}
}

// belowFreezing says whether a series of air temperature has values in the time
// and all of them lie below 0 °C.
func belowFreezing(s Series, from, to time.Time) bool {
	some := false
	for _, p := range s.Points {
		if p.Time.Before(from) || p.Time.After(to) || math.IsNaN(p.Value) {
			continue
		}
		if p.Value >= zeroCelsiusK {
			return false
		}
		some = true
	}
	return some
}
