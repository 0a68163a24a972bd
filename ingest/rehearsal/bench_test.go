package rehearsal

import (
	"testing"
	"time"
)

var benchStart = time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)

func BenchmarkModelHour(b *testing.B) {
	s := NewScenario(benchStart, 1)
	g := newModelGrid(PlaneOf(s), 61, 3000)
	run := benchStart.Add(-time.Hour)
	w := s.Forecast(run)
	b.SetBytes(int64(g.fileBytes()))
	for b.Loop() {
		g.file(w, run, 3)
	}
}

func BenchmarkRadarVolume(b *testing.B) {
	s := NewScenario(benchStart, 1)
	radar := newScanner(s, s.Radar())
	b.Run("gates", func(b *testing.B) {
		for b.Loop() {
			radar.volume(s, benchStart.Add(2*time.Hour))
		}
	})
	v := radar.volume(s, benchStart.Add(2*time.Hour))
	b.Run("chunks", func(b *testing.B) {
		for b.Loop() {
			if _, err := (Level2{Volume: v}).Chunks(); err != nil {
				b.Fatal(err)
			}
		}
	})
}

func BenchmarkMosaic(b *testing.B) {
	s := NewScenario(benchStart, 1)
	g := newMosaicGrid(PlaneOf(s), 110e3)
	for b.Loop() {
		if _, err := g.file(s, benchStart.Add(2*time.Hour)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkSatellite(b *testing.B) {
	s := NewScenario(benchStart, 1)
	v, err := newSatelliteView(PlaneOf(s), 110e3)
	if err != nil {
		b.Fatal(err)
	}
	for b.Loop() {
		if _, err := v.file(s, satelliteProducts[1], benchStart.Add(2*time.Hour)); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkNewStore(b *testing.B) {
	s := NewScenario(benchStart, 1)
	for b.Loop() {
		if _, err := NewStore(StoreOptions{Scenario: s}); err != nil {
			b.Fatal(err)
		}
	}
}
