package report

import (
	"context"
	"fmt"
	"iter"
	"os"
	"runtime"
	"testing"
	"time"

	"rimeline/seedability/archive"
)

// table is a season as columns, made when asked for: what an archive gives, without
// the cost of reading files.
type table struct {
	days, sites  int
	step         time.Duration // between assessments
	issued       time.Duration // between outlooks
	leads, every int           // releases of an outlook, hours between them
}

func (s *table) Days(string) ([]archive.Day, error) {
	var days []archive.Day
	for k := range s.days {
		days = append(days, archive.Day{Programme: invented, Day: s.day(k)})
	}
	return days, nil
}

func (s *table) day(k int) time.Time { return time.Date(2026, 1, 1+k, 0, 0, 0, 0, time.UTC) }

func (s *table) Scores(context.Context, archive.Query, ...string) iter.Seq2[archive.ScoreRows, error] {
	return func(yield func(archive.ScoreRows, error) bool) {
		for day := range s.days {
			for site := range s.sites {
				n := int(24 * time.Hour / s.step)
				times, states, scores := make([]int64, n), make([]string, n), make([]float64, n)
				for k := range n {
					at := s.day(day).Add(time.Duration(k) * s.step)
					scores[k] = float64((k*7+day*31+site*13)%1000) / 10
					times[k], states[k] = at.UnixMicro(), string(stateOf(scores[k]))
				}
				rows := archive.Rows{Programme: invented, Day: s.day(day), Site: fmt.Sprintf("site-%03d", site), Len: n, Columns: []archive.Column{{Name: "time", Ints: times}, {Name: "as_of", Ints: times}, {Name: "state", Texts: states}, {Name: "standing", Texts: states}, {Name: "score", Floats: scores}}}
				if !yield(rows, nil) {
					return
				}
			}
		}
	}
}

func (s *table) OutlookReleases(context.Context, archive.Query, ...string) iter.Seq2[archive.Rows, error] {
	return func(yield func(archive.Rows, error) bool) {
		for day := range s.days {
			for site := range s.sites {
				var times, issued []int64
				var states []string
				var scores []float64
				for at := s.day(day); at.Before(s.day(day + 1)); at = at.Add(s.issued) {
					for l := 1; l <= s.leads; l++ {
						score := float64((l*11+day*31+site*13)%1000) / 10
						times, issued = append(times, at.Add(time.Duration(l*s.every)*time.Hour).UnixMicro()), append(issued, at.UnixMicro())
						scores, states = append(scores, score), append(states, string(stateOf(score)))
					}
				}
				rows := archive.Rows{Programme: invented, Day: s.day(day), Site: fmt.Sprintf("site-%03d", site), Len: len(times), Columns: []archive.Column{{Name: "time", Ints: times}, {Name: "issued_at", Ints: issued}, {Name: "state", Texts: states}, {Name: "score", Floats: scores}}}
				if !yield(rows, nil) {
					return
				}
			}
		}
	}
}

func (s *table) Table(context.Context, string, archive.Query, ...string) iter.Seq2[archive.Rows, error] {
	return func(func(archive.Rows, error) bool) {}
}

// BenchmarkSeason: 10 million assessments of 193 sites in 180 days and 4.9 million
// releases of outlooks, with all intervals; heap_MB is the most that was held.
func BenchmarkSeason(b *testing.B) {
	s := &table{days: 180, sites: 193, step: 5 * time.Minute, issued: 6 * time.Hour, leads: 36, every: 1}
	b.ReportAllocs()
	for b.Loop() {
		most, stop := watchHeap()
		r, err := Gather(b.Context(), s, Options{Programme: invented})
		if err != nil {
			b.Fatal(err)
		}
		stop()
		b.ReportMetric(float64(r.Assessments)/1e6, "Massessments")
		b.ReportMetric(float64(r.OutlookReleases)/1e6, "Mreleases")
		b.ReportMetric(float64(*most)/1e6, "heap_MB")
	}
}

// watchHeap looks ten times a second.
func watchHeap() (most *uint64, stop func()) {
	most = new(uint64)
	end, done := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(done)
		for {
			select {
			case <-end:
				return
			case <-time.After(100 * time.Millisecond):
				var m runtime.MemStats
				runtime.ReadMemStats(&m)
				*most = max(*most, m.HeapAlloc)
			}
		}
	}()
	return most, func() { close(end); <-done }
}

// BenchmarkSeasonOfFiles reads the assessments of a season from an archive, which the
// benchmarks of package archive make in the folder of this name.
func BenchmarkSeasonOfFiles(b *testing.B) {
	dir := os.Getenv("RIMELINE_TEST_SEASON")
	if dir == "" {
		b.Skip("RIMELINE_TEST_SEASON names no folder with a season")
	}
	for b.Loop() {
		most, stop := watchHeap()
		r, err := Gather(b.Context(), open(b, dir), Options{Programme: "larkspur"})
		if err != nil {
			b.Fatal(err)
		}
		stop()
		for _, p := range r.Problems {
			b.Error(p)
		}
		b.ReportMetric(float64(r.Assessments)/1e6, "Massessments")
		b.ReportMetric(float64(*most)/1e6, "heap_MB")
	}
}
