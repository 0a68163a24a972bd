package nowcast

import (
	"math"
	"runtime"
	"strings"
	"testing"
	"time"
)

func oneCore(t *testing.T) {
	cores := runtime.GOMAXPROCS(1)
	t.Cleanup(func() { runtime.GOMAXPROCS(cores) })
}

// A vortex of 0.05 rad a step, three steps, bilinear:
// pysteps.extrapolation.semilagrangian, testdata/nowcast/make.py. It evaluates
// motion at the middle of the path once, we twice: 16 cells times 0.05³/4 times
// three steps, with 3.3 dB a cell at most, are 0.005 dB.
func TestAdvectionAgreesWithPysteps(t *testing.T) {
	const n = 24
	f := frameOf(n, midnight, func(x, y float64) float64 {
		return 20 + 10*math.Sin((x+11.5)/3)*math.Cos((y+11.5)/4)
	})
	perStep := 1000.0 / 300 // m/s of one cell a step
	m := steady(f.Plane, 0, func(x, y float64) Vector {
		return Vector{(-0.05*y/1000 + 0.5) * perStep, 0.05 * x / 1000 * perStep}
	})
	got, err := Advect(f, m, NowcastOptions{Step: 5 * time.Minute, Horizon: 15 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	compared, worst := 0, 0.0
	for _, row := range table(t, "extrapolate.tsv") {
		step, j := int(number(t, row["step"])), int(number(t, row["j"]))
		for i, cell := range strings.Split(row["values"], "\t") {
			want, value := number(t, cell), float64(got.Steps[step-1].Frame.DBZ[j*n+i])
			if math.IsNaN(want) || i == 0 || j == 0 || i == n-1 || j == n-1 {
				continue // we see half a cell further at the edges
			}
			compared++
			worst = max(worst, math.Abs(value-want))
		}
	}
	t.Logf("%d values, largest difference %.4f dB", compared, worst)
	if !(worst < 0.01) || compared < 1000 {
		t.Errorf("%d values, largest difference %g dB, want less than 0.01", compared, worst)
	}
}

func TestWholeTurnComesBack(t *testing.T) {
	f := frameOf(120, midnight, func(x, y float64) float64 { return 40*math.Exp(-((x-20)*(x-20)+y*y)/200) + 5 })
	const turn = 6 * time.Hour
	omega := 2 * math.Pi / turn.Seconds()
	m := steady(CentredPlane(somewhere, 8000, 16), 0, func(x, y float64) Vector { return Vector{-omega * y, omega * x} })
	got, err := Advect(f, m, NowcastOptions{Step: 5 * time.Minute, Horizon: turn})
	if err != nil {
		t.Fatal(err)
	}
	last := got.Steps[len(got.Steps)-1].Frame
	for j := 40; j < 80; j++ {
		for i := 40; i < 100; i++ {
			// The centred step is of second order: along the path of radius r
			// the departure point lags by r (omega dt)² / 24 a radian.
			if d := math.Abs(float64(last.DBZ[j*120+i] - f.DBZ[j*120+i])); d > 0.4 {
				t.Fatalf("cell %d %d: %g dB off after a turn", i, j, d)
			}
		}
	}
	if len(got.Steps) != 72 || got.Steps[71].Lead != turn || !last.Time.Equal(midnight.Add(turn)) {
		t.Errorf("%d steps, last %v", len(got.Steps), got.Steps[len(got.Steps)-1].Lead)
	}
}

// What was not seen moves with the air and never turns into no echo.
func TestNotSeenStaysNotSeen(t *testing.T) {
	f := frameOf(100, midnight, func(x, _ float64) float64 {
		if x > -20 && x < 0 {
			return math.NaN()
		}
		return 0
	})
	got, err := Advect(f, uniform(f.Plane, 0, 10, 0), NowcastOptions{Step: 10 * time.Minute, Horizon: 20 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	row := got.Steps[1].Frame.DBZ[50*100:] // 12 km on
	for i := range 100 {
		x := f.XM(i)/1000 - 12
		want := x > -20 && x < 0 || x < -50
		if seen := row[i] == row[i]; seen == want {
			t.Errorf("cell %d: seen %v", i, seen)
		}
		if row[i] == row[i] && row[i] != 0 {
			t.Errorf("cell %d: %g", i, row[i])
		}
	}
	for k, p := range got.Steps[1].Probability(20) {
		v := got.Steps[1].Frame.DBZ[k]
		if v == v && p != 0 || v != v && p == p {
			t.Fatalf("cell %d: %g dBZ, probability %g", k, v, p)
		}
	}
}

func TestProbabilityIsTheShareOfTheNeighbourhood(t *testing.T) {
	f := frameOf(201, midnight, func(x, _ float64) float64 { return map[bool]float64{true: 30, false: 0}[x > 0] })
	s := Step{Lead: 40 * time.Minute, Frame: f, NeighbourhoodM: 40e3}
	p := s.Probability(20)
	at := func(x int) float64 { return float64(p[100*201+100+x]) }
	// A disc of radius r cut by a chord at distance d from its middle: the share
	// beyond is [acos(d/r) - d/r sqrt(1 - d²/r²)]/π. Cells are a twentieth of r.
	for _, x := range []int{-30, -20, -10, 0, 5, 15, 20, 30} {
		d := max(-1, min(1, -(float64(x)-0.5)/20))
		want := (math.Acos(d) - d*math.Sqrt(1-d*d)) / math.Pi
		if math.Abs(at(x)-want) > 0.02 {
			t.Errorf("%d km from the edge: %.3f, want %.3f within 0.02", x, at(x), want)
		}
	}
	sharp := Step{Frame: f}.Probability(20)
	if sharp[100*201+100] != 0 || sharp[100*201+101] != 1 {
		t.Error("without a neighbourhood the probability is not yes or no")
	}
	nowcast, err := Advect(f, uniform(f.Plane, 0, 0, 0), NowcastOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if n := len(nowcast.Steps); n != 24 {
		t.Fatalf("%d steps, want 24: every 5 min to 120 min", n)
	}
	for _, s := range nowcast.Steps {
		if want := 1000 * s.Lead.Minutes(); math.Abs(s.NeighbourhoodM-want) > 1 {
			t.Errorf("%v: neighbourhood %g m, want 1 km a minute (Germann and Zawadzki 2004)", s.Lead, s.NeighbourhoodM)
		}
	}
}

// A probability is better than yes or no where details cannot be foreseen.
func TestProbabilityHasASmallerBrierScore(t *testing.T) {
	frames := []*Frame{inventedFrame(300, "growing", -10), inventedFrame(300, "growing", 0)}
	m, err := EstimateMotion(frames, DefaultMotionOptions())
	if err != nil {
		t.Fatal(err)
	}
	nowcast, err := Advect(frames[1], m, NowcastOptions{Step: 30 * time.Minute, Horizon: 60 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	observed := inventedFrame(300, "growing", 60)
	brier := func(s Step) float64 {
		sum, n := 0.0, 0.0
		for k, p := range s.Probability(20) {
			if p == p {
				o := 0.0
				if observed.DBZ[k] >= 20 {
					o = 1
				}
				sum, n = sum+(float64(p)-o)*(float64(p)-o), n+1
			}
		}
		return sum / n
	}
	last := nowcast.Steps[1]
	smooth := brier(last)
	last.NeighbourhoodM = 0
	if sharp := brier(last); !(smooth < sharp) {
		t.Errorf("Brier score %.4f, %.4f without a neighbourhood", smooth, sharp)
	}
}

func TestGrowthGoesOnWhereAskedFor(t *testing.T) {
	before, now, later := inventedFrame(300, "growing", -10), inventedFrame(300, "growing", 0), inventedFrame(300, "growing", 15)
	m := uniform(now.Plane, 0, 14, 6)
	lead := 15 * time.Minute
	plain, err := Advect(now, m, NowcastOptions{Step: lead, Horizon: lead})
	if err != nil {
		t.Fatal(err)
	}
	grown, err := Advect(now, m, NowcastOptions{Step: lead, Horizon: lead, Before: before})
	if err != nil {
		t.Fatal(err)
	}
	_, plainMAE := score(plain.Steps[0].Frame, later)
	_, grownMAE := score(grown.Steps[0].Frame, later)
	t.Logf("mean absolute error %.3f dB, with growth %.3f", plainMAE, grownMAE)
	if !(grownMAE < 0.9*plainMAE) {
		t.Errorf("mean absolute error %.3f dB, with growth %.3f: want a tenth less, growth of these blobs lasts", plainMAE, grownMAE)
	}
	for k, v := range grown.Steps[0].Frame.DBZ {
		if plain := plain.Steps[0].Frame.DBZ[k]; (v == v) != (plain == plain) || plain <= now.NoEchoDBZ && v != plain {
			t.Fatalf("cell %d: %g dBZ became %g", k, plain, v)
		}
	}
	for _, bad := range []*Frame{now, later, {}, frameOf(10, midnight.Add(-time.Hour), func(_, _ float64) float64 { return 0 })} {
		if _, err := Advect(now, m, NowcastOptions{Before: bad}); err == nil {
			t.Error("a frame before that is not before, or not alike: no error")
		}
	}
}

func TestAdvectRefuses(t *testing.T) {
	f := inventedFrame(20, "moved", 0)
	m := uniform(f.Plane, 0, 1, 1)
	short := *m
	short.Quality = nil
	elsewhere := *m
	elsewhere.Origin.LatitudeDeg++
	for what, try := range map[string]func() error{
		"no motion":      func() error { _, err := Advect(f, nil, NowcastOptions{}); return err },
		"short motion":   func() error { _, err := Advect(f, &short, NowcastOptions{}); return err },
		"other origin":   func() error { _, err := Advect(f, &elsewhere, NowcastOptions{}); return err },
		"no frame":       func() error { _, err := Advect(nil, m, NowcastOptions{}); return err },
		"too many steps": func() error { _, err := Advect(f, m, NowcastOptions{Step: time.Millisecond}); return err },
	} {
		if try() == nil {
			t.Errorf("%s: no error", what)
		}
	}
}

// Between a seen and an unseen cell, the nearer one decides.
func TestBesideWhatWasNotSeen(t *testing.T) {
	f := frameOf(4, midnight, func(x, _ float64) float64 {
		if x < 0 {
			return math.NaN()
		}
		return 20 + x // 20.5 and 21.5 in columns 2 and 3
	})
	for _, test := range []struct{ x, want float64 }{{1.4, math.NaN()}, {1.6, 20.5}, {2.25, 20.75}, {3.4, 21.5}, {3.6, math.NaN()}} {
		got := float64(f.sample(float32(test.x), 1.3))
		if math.Abs(got-test.want) > 1e-5 || math.IsNaN(got) != math.IsNaN(test.want) {
			t.Errorf("column %g: %g, want %g", test.x, got, test.want)
		}
	}
}
