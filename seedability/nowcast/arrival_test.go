package nowcast

import (
	"math"
	"testing"
	"time"
)

// A band 40 km long and 10 km wide, its front 25 km west of the middle, moving
// east at 16.67 m/s.
func approaching(t *testing.T) *Scene {
	return findAll(t, frameOf(301, midnight, func(x, y float64) float64 {
		// Cells reach half a kilometre beyond their middles.
		if x < -25 && x > -35 && math.Abs(y) < 20 {
			return 24 + 6*math.Exp(-(x+28)*(x+28)/4)
		}
		return 5
	}), DefaultObjectOptions())
}

const towards = 10e3 / 600 // m/s

func arrivals(t *testing.T, s *Scene, m *Motion, z Zone, o ArrivalOptions) Approach {
	t.Helper()
	a, err := Arrivals(s, m, z, o)
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// 25 km at 16.67 m/s are 25.0 min.
func TestTwentyFiveKilometresTakeTwentyFiveMinutes(t *testing.T) {
	s := approaching(t)
	m := uniform(s.Frame.Plane, 1, towards, 0)
	zone := Zone{Place: somewhere}
	a := arrivals(t, s, m, zone, ArrivalOptions{Step: 6 * time.Second})
	if len(a.Arrivals) != 1 || !a.Issued.Equal(midnight) {
		t.Fatalf("%d arrivals", len(a.Arrivals))
	}
	b := a.Arrivals[0]
	minutes := func(at time.Time) float64 { return at.Sub(midnight).Minutes() }
	// The outermost cells, at 26 and 34 km, reach half a cell further.
	for _, test := range []struct {
		what      string
		got, want float64
	}{{"arrival", minutes(b.Arrival.Time), 25.5}, {"peak", minutes(b.Peak.Time), 28}, {"end", minutes(b.End.Time), 34.5}} {
		if math.Abs(test.got-test.want) > 0.11 {
			t.Errorf("%s after %.2f min, want %.1f within a step", test.what, test.got, test.want)
		}
	}
	if math.Abs(b.PeakDBZ-30) > 1e-5 || b.Here || b.EndsLater || b.Probability != 1 || !b.Object.Band {
		t.Errorf("%+v", b)
	}
	// 1 m/s of spread on 25.5 km: dt = L sd / v² = 1.53 min; the time is 1/v, not
	// linear, so to 3 %. A cell's grain of 1/√12 min is in it.
	if want := math.Hypot(25.5e3*1/(towards*towards)/60, 1/math.Sqrt(12)); math.Abs(b.Arrival.SD.Minutes()/want-1) > 0.03 {
		t.Errorf("standard deviation %.3f min, want %.3f within 3 %%", b.Arrival.SD.Minutes(), want)
	}
	if b.End.SD <= b.Arrival.SD {
		t.Errorf("the end, further away, is as sure as the arrival: %v and %v", b.End.SD, b.Arrival.SD)
	}
	// A zone of 5 km meets it 5 km earlier and loses it 5 km later.
	wide := arrivals(t, s, m, Zone{Place: somewhere, RadiusM: 5000}, ArrivalOptions{Step: 6 * time.Second}).Arrivals[0]
	if got := minutes(wide.Arrival.Time); math.Abs(got-20.5) > 0.11 {
		t.Errorf("arrival at a zone of 5 km after %.2f min, want 20.5 within a step", got)
	}
	if got := minutes(wide.End.Time); math.Abs(got-39.5) > 0.11 {
		t.Errorf("end at a zone of 5 km after %.2f min, want 39.5 within a step", got)
	}
}

// With the motion estimated, not given.
func TestArrivalFromFrames(t *testing.T) {
	frames := []*Frame{inventedFrame(300, "east10", 0), inventedFrame(300, "east10", 10)}
	m, err := EstimateMotion(frames, DefaultMotionOptions())
	if err != nil {
		t.Fatal(err)
	}
	s := findAll(t, frames[1], ObjectOptions{LeastAreaM2: 40e6})
	tried := 0
	for k, o := range s.Objects {
		if o.Cut || tried == 3 {
			continue
		}
		// A place 25 km east of the front of the object's southernmost row.
		front, row := 0, int(math.Round((o.CentroidYM-s.Frame.SouthM)/1000))
		for i := range s.Frame.NI {
			if s.Labels[row*s.Frame.NI+i] == int32(k+1) {
				front = i
			}
		}
		x := s.Frame.XM(front) + 500 + 25e3
		if front == 0 || x > s.Frame.XM(s.Frame.NI-1) {
			continue
		}
		tried++
		a := arrivals(t, s, m, Zone{Place: s.Frame.Place(x, s.Frame.YM(row))}, ArrivalOptions{Step: 6 * time.Second})
		for _, b := range a.Arrivals {
			if b.Object.ID == o.ID {
				if got := b.Arrival.Time.Sub(frames[1].Time).Minutes(); math.Abs(got-25) > 0.25 {
					t.Errorf("object %d: 25 km in %.2f min, want 25.0 within 0.25", o.ID, got)
				}
			}
		}
	}
	if tried == 0 {
		t.Fatal("no object to try")
	}
}

func TestNothingIsSaidOfWhatWasNotSeen(t *testing.T) {
	// Seen from 30 km west of the middle only.
	f := frameOf(201, midnight, func(x, y float64) float64 {
		if x < -30 {
			return math.NaN()
		}
		return 0
	})
	s := findAll(t, f, DefaultObjectOptions())
	m := uniform(f.Plane, 1, 10, 0)
	a := arrivals(t, s, m, Zone{Place: somewhere, RadiusM: 2000}, ArrivalOptions{})
	if got := a.Until.Sub(midnight).Minutes(); a.Complete || math.Abs(got-50.8) > 1 || len(a.Arrivals) != 0 {
		t.Errorf("known for %.1f min (complete %v), want 50.8 within 1: 30.5 km at 10 m/s", got, a.Complete)
	}
	blind := arrivals(t, s, m, Zone{Place: f.Place(-60e3, 0), RadiusM: 2000}, ArrivalOptions{})
	if blind.Complete || !blind.Until.Equal(midnight) {
		t.Errorf("a zone that is not seen is known until %v", blind.Until)
	}
	still := arrivals(t, s, uniform(f.Plane, 0.5, 0, 0), Zone{Place: somewhere}, ArrivalOptions{Horizon: time.Hour})
	if !still.Complete || !still.Until.Equal(midnight.Add(time.Hour)) {
		t.Errorf("still air: known until %v", still.Until)
	}
}

func TestHereAndEndsLater(t *testing.T) {
	f := frameOf(201, midnight, func(x, y float64) float64 {
		if x < 5 && math.Abs(y) < 8 { // from the western edge
			return 30
		}
		return 0
	})
	s := findAll(t, f, DefaultObjectOptions())
	a := arrivals(t, s, uniform(f.Plane, 1, 20, 0), Zone{Place: somewhere, RadiusM: 1000}, ArrivalOptions{}).Arrivals[0]
	if !a.Here || a.Arrival.SD != 0 || !a.Arrival.Time.Equal(midnight) {
		t.Errorf("over the zone already: %+v", a.Arrival)
	}
	if !a.EndsLater {
		t.Error("the band reaches out of the frame, and yet its end is known")
	}
}

func TestMissesAndGrazes(t *testing.T) {
	s := approaching(t)
	m := uniform(s.Frame.Plane, 2, towards, 0)
	if a := arrivals(t, s, m, Zone{Place: s.Frame.Place(0, 60e3)}, ArrivalOptions{}); len(a.Arrivals) != 0 {
		t.Errorf("a band 40 km to the south arrives with probability %g", a.Arrivals[0].Probability)
	}
	// Its end passes just beside: about every second motion meets it.
	graze := arrivals(t, s, m, Zone{Place: s.Frame.Place(0, 20.6e3)}, ArrivalOptions{})
	if len(graze.Arrivals) != 1 || graze.Arrivals[0].Probability < 0.3 || graze.Arrivals[0].Probability > 0.6 {
		t.Errorf("grazing: %+v", graze.Arrivals)
	}
	if a := arrivals(t, s, m, Zone{Place: somewhere}, ArrivalOptions{Horizon: 15 * time.Minute}); len(a.Arrivals) != 0 {
		t.Error("arrives after the horizon")
	}
}

func TestCellsCanBeLeftOut(t *testing.T) {
	f := frameOf(201, midnight, func(x, y float64) float64 {
		if math.Hypot(x+20, y) < 8 {
			return 40
		}
		return 0
	})
	s := findAll(t, f, DefaultObjectOptions())
	m := uniform(f.Plane, 1, 10, 0)
	if n := len(arrivals(t, s, m, Zone{Place: somewhere}, ArrivalOptions{}).Arrivals); n != 1 {
		t.Errorf("%d arrivals of a cell", n)
	}
	if n := len(arrivals(t, s, m, Zone{Place: somewhere}, ArrivalOptions{BandsOnly: true}).Arrivals); n != 0 {
		t.Errorf("%d arrivals of bands", n)
	}
}

func TestArrivalsRefuse(t *testing.T) {
	s := approaching(t)
	m := uniform(s.Frame.Plane, 1, 1, 1)
	nowhere := somewhere
	nowhere.LatitudeDeg = math.NaN()
	for what, try := range map[string]func() error{
		"no scene":  func() error { _, err := Arrivals(nil, m, Zone{Place: somewhere}, ArrivalOptions{}); return err },
		"no motion": func() error { _, err := Arrivals(s, nil, Zone{Place: somewhere}, ArrivalOptions{}); return err },
		"no place":  func() error { _, err := Arrivals(s, m, Zone{Place: nowhere}, ArrivalOptions{}); return err },
		"negative radius": func() error {
			_, err := Arrivals(s, m, Zone{Place: somewhere, RadiusM: -1}, ArrivalOptions{})
			return err
		},
		"endless": func() error {
			_, err := Arrivals(s, m, Zone{Place: somewhere}, ArrivalOptions{Step: 1})
			return err
		},
	} {
		if try() == nil {
			t.Errorf("%s: no error", what)
		}
	}
}
