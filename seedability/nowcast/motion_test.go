package nowcast

import (
	"errors"
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

var methods = []Method{LucasKanade, CrossCorrelation}

// 10 km in 10 min are 16.67 m/s.
func TestTenKilometresInTenMinutes(t *testing.T) {
	frames := []*Frame{inventedFrame(300, "east10", 0), inventedFrame(300, "east10", 10)}
	for _, method := range methods {
		o := DefaultMotionOptions()
		o.Method = method
		m, err := EstimateMotion(frames, o)
		if err != nil {
			t.Fatal(err)
		}
		// Whole cells: correlation is 1 at the very shift. Optical flow ends
		// within a hundredth of a cell.
		if math.Abs(m.Mean.EastwardMPerS-10e3/600) > 0.02 || math.Abs(m.Mean.NorthwardMPerS) > 0.02 {
			t.Errorf("%v: mean %v, want 16.67 and 0 within 0.02 m/s", method, m.Mean)
		}
		if m.Accepted < 200 {
			t.Errorf("%v: %d vectors accepted", method, m.Accepted)
		}
		// At the edges of the frame boxes are cut, and the parabola through
		// their r errs by less than its half cell.
		withinMPerS := map[Method]float64{LucasKanade: 0.5, CrossCorrelation: 0.5 * 1000 / 600}[method]
		for k, q := range m.Quality {
			u, v := float64(m.EastwardMPerS[k]), float64(m.NorthwardMPerS[k])
			if math.IsNaN(u) || math.IsNaN(v) || q < 0 || q > 1.0001 || !(m.SpreadMPerS[k] > 0) {
				t.Fatalf("%v: vector %d: %g %g, quality %g, spread %g", method, k, u, v, q, m.SpreadMPerS[k])
			}
			if q > 0 && math.Hypot(u-10e3/600, v) > withinMPerS {
				t.Errorf("%v: vector %d: %g %g m/s, want 16.67 and 0 within %.2f", method, k, u, v, withinMPerS)
			}
		}
		if speed, towards := m.Mean.SpeedMPerS(), m.Mean.TowardsDeg(); math.Abs(speed-16.67) > 0.03 || math.Abs(towards-90) > 0.1 {
			t.Errorf("%v: %g m/s towards %g", method, speed, towards)
		}
	}
}

// Solid-body rotation, a turn in 20 h: motion is known everywhere.
func TestRotationIsSeenAsRotation(t *testing.T) {
	frames := []*Frame{inventedFrame(460, "rotated", -10), inventedFrame(460, "rotated", 0)}
	omega := 2 * math.Pi / (20 * 3600)
	for _, method := range methods {
		o := DefaultMotionOptions()
		o.Method = method
		m, err := EstimateMotion(frames, o)
		if err != nil {
			t.Fatal(err)
		}
		square, n := 0.0, 0.0
		for j := range m.NJ {
			for i := range m.NI {
				if k := j*m.NI + i; m.Quality[k] > 0 {
					du, dv := float64(m.EastwardMPerS[k])+omega*m.YM(j), float64(m.NorthwardMPerS[k])-omega*m.XM(i)
					square, n = square+du*du+dv*dv, n+1
				}
			}
		}
		// Speeds reach 25 m/s. The chord of 10 min differs from the tangent by
		// 1.5 degrees, 0.6 m/s of that.
		if rms := math.Sqrt(square / n); !(rms < 1.2) || n < 300 {
			t.Errorf("%v: rms error %.2f m/s over %.0f vectors, want less than 1.2 over at least 300", method, rms, n)
		}
	}
}

func TestNoMotionHasAReason(t *testing.T) {
	now := inventedFrame(200, "east10", 10)
	before := inventedFrame(200, "east10", 0)
	change := func(f *Frame, change func(f *Frame)) *Frame {
		g := *f
		g.DBZ = append([]float32(nil), f.DBZ...)
		change(&g)
		return &g
	}
	all := func(v float32) func(f *Frame) {
		return func(f *Frame) {
			for k := range f.DBZ {
				f.DBZ[k] = v
			}
		}
	}
	random := rand.New(rand.NewPCG(1, 2))
	noise := func(f *Frame) {
		for k := range f.DBZ {
			f.DBZ[k] = 40 * random.Float32()
		}
	}
	hour := change(before, func(f *Frame) { f.Time = f.Time.Add(-time.Hour) })
	for _, test := range []struct {
		what   string
		frames []*Frame
		want   Reason
	}{
		{"none", nil, TooFewFrames},
		{"one", []*Frame{now}, TooFewFrames},
		{"a nil frame", []*Frame{nil, now}, BadFrame},
		{"values short", []*Frame{{Time: midnight, Plane: now.Plane}, now}, BadFrame},
		{"other spacing", []*Frame{change(before, func(f *Frame) { f.SpacingM = 500 }), now}, DifferentPlanes},
		{"same time", []*Frame{now, now}, TimesOutOfOrder},
		{"backward", []*Frame{now, before}, TimesOutOfOrder},
		{"an hour apart", []*Frame{hour, now}, TooFarApart},
		{"a gap after two good frames", []*Frame{change(hour, func(f *Frame) { f.Time = f.Time.Add(-5 * time.Minute) }), hour, now}, TooFarApart},
		{"a second apart", []*Frame{change(now, func(f *Frame) { f.Time = f.Time.Add(-time.Second) }), now}, TooCloseTogether},
		{"nothing seen", []*Frame{change(before, all(nan32)), change(now, all(nan32))}, NotSeen},
		{"nothing seen now", []*Frame{before, change(now, all(nan32))}, NotSeen},
		{"no echo", []*Frame{change(before, all(0)), change(now, all(0))}, NoEcho},
		{"no echo before", []*Frame{change(before, all(0)), now}, NoEcho},
		{"the same frame again", []*Frame{before, change(before, func(f *Frame) { f.Time = now.Time })}, NotRenewed},
		{"noise", []*Frame{change(before, noise), change(now, noise)}, NotCoherent},
		{"flat echo", []*Frame{change(before, all(30)), change(now, all(30.5))}, NotCoherent},
	} {
		for _, method := range methods {
			o := DefaultMotionOptions()
			o.Method = method
			m, err := EstimateMotion(test.frames, o)
			var none *NoMotionError
			if m != nil || !errors.As(err, &none) || none.Reason != test.want {
				t.Errorf("%s, %v: motion %v, error %v; want %q", test.what, method, m != nil, err, test.want)
			}
		}
	}
	// The same frames without a fault have motion.
	if _, err := EstimateMotion([]*Frame{hour, before, now}, DefaultMotionOptions()); err != nil {
		t.Error(err)
	}
}

// Half of the frame shows the older volume again: its echo must not slow the
// rest down.
func TestRepeatedPartsDoNotCount(t *testing.T) {
	before, now := inventedFrame(300, "east10", 0), inventedFrame(300, "east10", 10)
	for j := range 150 {
		copy(now.DBZ[j*300:(j+1)*300], before.DBZ[j*300:(j+1)*300])
	}
	m, err := EstimateMotion([]*Frame{before, now}, DefaultMotionOptions())
	if err != nil {
		t.Fatal(err)
	}
	if math.Abs(m.Mean.EastwardMPerS-16.67) > 0.5 {
		t.Errorf("mean %v, want 16.67 within 0.5 m/s eastward", m.Mean)
	}
	if v := m.At(0, -100e3); math.Abs(v.EastwardMPerS-16.67) > 1 {
		t.Errorf("in the repeated half %v, want what the other half has, 16.67 within 1 m/s", v)
	}
}

func TestOutliersAreRejected(t *testing.T) {
	lattice := CentredPlane(somewhere, 8000, 5)
	w := newVectors(25)
	for k := range w.u {
		w.u[k], w.v[k], w.quality[k] = 20, 0, 0.9
	}
	w.u[7], w.v[7] = 20, 6   // beyond the larger of 5 (25 %) and 3 m/s
	w.u[17], w.v[17] = 16, 1 // 4.1 m/s off, within
	rejectOutliers(w, lattice)
	if w.quality[7] != 0 || w.quality[17] == 0 || w.accepted() != 24 {
		t.Errorf("quality %v", w.quality)
	}
}

func TestMotionIsTheSameOnAnyNumberOfCores(t *testing.T) {
	frames := []*Frame{inventedFrame(200, "growing", -5), inventedFrame(200, "growing", 0)}
	first, err := EstimateMotion(frames, DefaultMotionOptions())
	if err != nil {
		t.Fatal(err)
	}
	oneCore(t)
	second, err := EstimateMotion(frames, DefaultMotionOptions())
	if err != nil {
		t.Fatal(err)
	}
	for k := range first.EastwardMPerS {
		if first.EastwardMPerS[k] != second.EastwardMPerS[k] || first.NorthwardMPerS[k] != second.NorthwardMPerS[k] || first.SpreadMPerS[k] != second.SpreadMPerS[k] {
			t.Fatalf("vector %d differs", k)
		}
	}
}

func TestParabola(t *testing.T) {
	// y = 1 - (x - 0.3)²
	f := func(x float64) float64 { return 1 - (x-0.3)*(x-0.3) }
	if got := parabola(f(-1), f(0), f(1)); math.Abs(got-0.3) > 1e-12 {
		t.Errorf("%g, want 0.3", got)
	}
	if got := parabola(1, 1, 1); got != 0 {
		t.Errorf("flat: %g", got)
	}
}

func TestMotionAt(t *testing.T) {
	p := CentredPlane(somewhere, 8000, 9)
	m := steady(p, 1, func(x, y float64) Vector { return Vector{x / 1000, y / 2000} })
	for _, test := range []struct{ x, y, u, v float64 }{{1000, -3000, 1, -1.5}, {32e3, 32e3, 32, 16}, {90e3, 0, 32, 0}, {-90e3, -90e3, -32, -16}} {
		if got := m.At(test.x, test.y); math.Abs(got.EastwardMPerS-test.u) > 1e-4 || math.Abs(got.NorthwardMPerS-test.v) > 1e-4 {
			t.Errorf("%g %g: %v, want %g %g (linear inside, the edge's outside)", test.x, test.y, got, test.u, test.v)
		}
	}
}

func TestAbsurdOptionsAreBounded(t *testing.T) {
	frames := []*Frame{inventedFrame(120, "east10", 0), inventedFrame(120, "east10", 10)}
	for _, o := range []MotionOptions{
		{SpacingM: 1e300, BoxM: 1e300, SmoothM: 1e300, FastestMPerS: 1e300, EchoDBZ: 1e300, EchoShare: 1e300},
		{SpacingM: 1e-300, BoxM: 1e-300, SmoothM: 1e-300, FastestMPerS: 1e-300},
		{SpacingM: math.NaN(), BoxM: math.Inf(1), SmoothM: -1, LongestLag: -1, LeastCorrelation: math.NaN()},
	} {
		for _, o.Method = range methods {
			m, err := EstimateMotion(frames, o)
			if (m == nil) == (err == nil) {
				t.Errorf("%+v: motion %v, error %v", o, m != nil, err)
			}
		}
	}
}
