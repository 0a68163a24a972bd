package nowcast

import (
	"testing"
	"time"
)

// One radar's reach: 460 by 460 km at 1 km.
func BenchmarkMotion(b *testing.B) {
	frames := []*Frame{inventedFrame(460, "growing", -10), inventedFrame(460, "growing", 0)}
	for _, method := range methods {
		b.Run(method.String(), func(b *testing.B) {
			o := DefaultMotionOptions()
			o.Method = method
			b.ReportAllocs()
			for b.Loop() {
				if _, err := EstimateMotion(frames, o); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// Every 5 min to two hours.
func BenchmarkAdvect(b *testing.B) {
	f := inventedFrame(460, "growing", 0)
	m := uniform(CentredPlane(somewhere, 8000, 58), 1, 14, 6)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := Advect(f, m, NowcastOptions{}); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkProbability(b *testing.B) {
	s := Step{Frame: inventedFrame(460, "growing", 0), NeighbourhoodM: 60e3}
	for b.Loop() {
		s.Probability(20)
	}
}

func BenchmarkObjects(b *testing.B) {
	f := inventedFrame(460, "growing", 0)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := FindObjects(f, DefaultObjectOptions()); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkArrivals(b *testing.B) {
	f := inventedFrame(460, "growing", 0)
	s, err := FindObjects(f, DefaultObjectOptions())
	if err != nil {
		b.Fatal(err)
	}
	m := uniform(CentredPlane(somewhere, 8000, 58), 2, 14, 6)
	for b.Loop() {
		a, err := Arrivals(s, m, Zone{Place: somewhere, RadiusM: 5000}, ArrivalOptions{})
		if err != nil {
			b.Fatal(err)
		}
		for _, one := range a.Arrivals {
			ReleaseWindow(one, Transport{30 * time.Minute, 40 * time.Minute, 55 * time.Minute}, WindowOptions{})
		}
	}
}
