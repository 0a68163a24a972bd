package hydro

import (
	"math"
	"strings"
	"testing"
	"time"
)

// Each check either side of its limit, on invented series of 15 minutes.
func TestSuspect(t *testing.T) {
	start := time.Date(2026, 1, 15, 0, 0, 0, 0, time.UTC)
	series := func(values ...float64) Series {
		s := Series{Quantity: RiverStage, Unit: "m", Datum: "gauge datum", Observed: true}
		for i, v := range values {
			p := Point{Time: start.Add(time.Duration(i) * 15 * time.Minute), Value: v}
			if math.IsNaN(v) {
				p.Flags = Missing
			}
			s.Points = append(s.Points, p)
		}
		return s
	}
	waves := func(n int) []float64 {
		var out []float64
		for i := range n {
			out = append(out, 1+0.01*float64(i%5))
		}
		return out
	}
	repeat := func(v float64, n int) []float64 {
		var out []float64
		for range n {
			out = append(out, v)
		}
		return out
	}
	nan := math.NaN()
	off := SuspectOptions{Min: nan, Max: nan, MaxRisePerHour: nan, MaxFallPerHour: nan, DatumShift: nan, FlatZero: true}
	with := func(change func(*SuspectOptions)) SuspectOptions {
		o := off
		change(&o)
		return o
	}
	flat1h := with(func(o *SuspectOptions) { o.FlatFor = time.Hour })
	cold := Series{Points: []Point{{Time: start, Value: 271}, {Time: start.Add(time.Hour), Value: 272.9}}}
	thaw := Series{Points: []Point{{Time: start, Value: 271}, {Time: start.Add(time.Hour), Value: 273.15}}}
	frozen := func(air *Series) SuspectOptions {
		return with(func(o *SuspectOptions) { o.FrozenFor, o.AirTemperature = time.Hour, air })
	}
	at := func(hours float64) time.Time { return start.Add(time.Duration(hours * float64(time.Hour))) }
	jump := with(func(o *SuspectOptions) { o.MaxRisePerHour, o.MaxFallPerHour, o.MinJump = 2, 1, 0.1 })
	flagged := func(i int, f Flags) Series {
		s := series(waves(8)...)
		s.Points[i].Flags |= f
		return s
	}
	tests := []struct {
		name   string
		s      Series
		o      SuspectOptions
		want   string // kinds
		latest bool
	}{
		{"sound", series(waves(400)...), DefaultSuspectOptions(RiverStage, start.Add(400*15*time.Minute)), "", false},
		{"flat for just the limit", series(repeat(1, 5)...), flat1h, "", false},
		{"flat for longer", series(repeat(1, 6)...), flat1h, "flat-lined", true},
		{"flat once, then alive", series(append(repeat(1, 6), 1.01, 1.02)...), flat1h, "flat-lined", false},
		{"flat with a gap in it", series(1, 1, nan, nan, 1, 1), flat1h, "flat-lined", true},
		{"almost flat", series(1, 1.001, 1, 1.001, 1, 1.001), flat1h, "", false},
		{"almost flat within the tolerance", series(1, 1.001, 1, 1.001, 1, 1.001), with(func(o *SuspectOptions) { o.FlatFor, o.FlatTolerance = time.Hour, 0.002 }), "flat-lined", true},
		{"no snow for long", series(repeat(0, 50)...), with(func(o *SuspectOptions) { o.FlatFor, o.FlatZero = time.Hour, false }), "", false},
		{"a dry river for long", series(repeat(0, 50)...), flat1h, "flat-lined", true},
		{"flat in the cold", series(repeat(1, 6)...), frozen(&cold), "frozen", true},
		{"flat in the cold for just the limit", series(repeat(1, 5)...), frozen(&cold), "", false},
		{"flat while it thaws", series(repeat(1, 6)...), frozen(&thaw), "", false},
		{"flat, air not known", series(repeat(1, 6)...), frozen(nil), "", false},
		{"flat, air empty", series(repeat(1, 6)...), frozen(&Series{}), "", false},
		{"ice flag", flagged(7, IceAffected), off, "frozen", true},
		{"ice flag long ago", flagged(2, IceAffected), off, "frozen", false},
		{"equipment flag", flagged(7, EquipmentFail), off, "doubted by its source", true},
		{"unknown qualifier", flagged(7, SourceSuspect), off, "doubted by its source", true},
		{"estimated is no doubt", flagged(7, Estimated|Provisional), off, "", false},
		{"at the limits", series(0, 10), with(func(o *SuspectOptions) { o.Min, o.Max = 0, 10 }), "", false},
		{"below", series(5, -0.1), with(func(o *SuspectOptions) { o.Min, o.Max = 0, 10 }), "out of range", true},
		{"above, once", series(5, 10.1, 5), with(func(o *SuspectOptions) { o.Min, o.Max = 0, 10 }), "out of range", false},
		{"rise at the limit", series(1, 1.5), jump, "", false},
		{"rise above it", series(1, 1.51), jump, "jump", true},
		{"fall at the limit", series(1, 0.75), jump, "", false},
		{"fall above it", series(1, 0.74), jump, "jump", true},
		{"fast but small", series(1, 1.09, 1), jump, "", false},
		{"over a gap it is slow enough", series(1, nan, nan, nan, 2.9), jump, "", false},
		{"moved", series(1, 1.01, 1, 1.01, 4, 4.01, 4, 4.01, 4), with(func(o *SuspectOptions) { o.DatumShift = 2 }), "datum shift", true},
		{"a flood that goes on rising", series(1, 1.01, 1, 1.01, 4, 4.5, 5, 5.5, 6), with(func(o *SuspectOptions) { o.DatumShift = 2 }), "", false},
		{"other datum", series(1, 2), with(func(o *SuspectOptions) { o.Datum = "NAVD88" }), "datum", true},
		{"other unit", series(1, 2), with(func(o *SuspectOptions) { o.Unit = "m3 s-1" }), "unit", true},
		{"fresh enough", series(1, 2), with(func(o *SuspectOptions) { o.Now, o.MaxAge = at(3.25), 3*time.Hour }), "", false},
		{"stale", series(1, 2), with(func(o *SuspectOptions) { o.Now, o.MaxAge = at(3.26), 3*time.Hour }), "stale", true},
		{"stale behind gaps", series(1, 2, nan, nan, nan), with(func(o *SuspectOptions) { o.Now, o.MaxAge = at(3.26), 3*time.Hour }), "no value stale", true},
		{"from the future", series(1, 2, 3), with(func(o *SuspectOptions) { o.Now, o.FutureTolerance = at(0.2), 10*time.Minute }), "in the future", true},
		{"within the tolerance", series(1, 2), with(func(o *SuspectOptions) { o.Now, o.FutureTolerance = at(0.1), 10*time.Minute }), "", false},
		{"the newest is missing", series(1, 2, nan), off, "no value", true},
		{"all are missing", series(nan, nan), off, "no value no value", true},
		{"empty", series(), off, "no value", true},
	}
	for _, test := range tests {
		got := Suspect(test.s, test.o)
		var kinds []string
		latest := false
		for _, d := range got {
			kinds = append(kinds, string(d.Kind))
			latest = latest || d.Latest
			if d.Reason == "" {
				t.Errorf("%s: a doubt without a reason", test.name)
			}
		}
		if strings.Join(kinds, " ") != test.want || latest != test.latest {
			t.Errorf("%s: got %q (latest %v), want %q (%v): %+v", test.name, strings.Join(kinds, " "), latest, test.want, test.latest, got)
		}
	}
	// A forecast is not stale by its age, nor from the future.
	f := series(1, 2)
	f.Observed = false
	if got := Suspect(f, with(func(o *SuspectOptions) { o.Now, o.MaxAge = at(90), time.Hour })); len(got) != 0 {
		t.Errorf("forecast: %+v", got)
	}
}
