package clock

import (
	"context"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

var start = time.Date(2026, 1, 21, 12, 0, 0, 0, time.UTC)

// Two goroutines with unlike periods see their moments in order, whatever the
// work between takes.
func TestSteppedKeepsOrder(t *testing.T) {
	run := func(work time.Duration) []string {
		s := NewStepped(start, 0)
		var mutex sync.Mutex
		var seen []string
		for name, period := range map[string]time.Duration{"a": 3 * time.Minute, "b": 5 * time.Minute} {
			s.Go(func() {
				for s.Sleep(t.Context(), period, nil) == nil && !s.Now().After(start.Add(14*time.Minute)) {
					time.Sleep(work)
					mutex.Lock()
					seen = append(seen, fmt.Sprintf("%s %.0f", name, s.Now().Sub(start).Minutes()))
					mutex.Unlock()
				}
			})
		}
		if err := s.Run(t.Context(), start.Add(14*time.Minute), nil); err != nil {
			t.Fatal(err)
		}
		if got := s.Now(); !got.Equal(start.Add(14 * time.Minute)) {
			t.Errorf("ends at %v", got)
		}
		mutex.Lock()
		defer mutex.Unlock()
		return seen
	}
	want := []string{"a 3", "b 5", "a 6", "a 9", "b 10", "a 12"}
	for _, work := range []time.Duration{0, 3 * time.Millisecond} {
		if got := run(work); !slices.Equal(got, want) {
			t.Errorf("work %v: %v, want %v", work, got, want)
		}
	}
}

// Work that others do for the present moment holds the clock.
func TestSteppedWaitsForQuiet(t *testing.T) {
	s := NewStepped(start, 0)
	var pending atomic.Int32
	wake := make(chan struct{}, 1)
	var at []time.Duration
	s.Go(func() {
		for range 3 {
			if s.Sleep(t.Context(), time.Minute, nil) != nil {
				return
			}
			pending.Store(1)
			go func() { // somebody else's work, which ends with a call
				time.Sleep(10 * time.Millisecond)
				wake <- struct{}{}
			}()
			if s.Sleep(t.Context(), time.Hour, wake) != nil {
				return
			}
			pending.Store(0)
			at = append(at, s.Now().Sub(start))
		}
	})
	if err := s.Run(t.Context(), start.Add(10*time.Minute), func(context.Context) bool { return pending.Load() == 0 }); err != nil {
		t.Fatal(err)
	}
	want := []time.Duration{time.Minute, 2 * time.Minute, 3 * time.Minute}
	if !slices.Equal(at, want) {
		t.Errorf("answers seen at %v, want %v", at, want)
	}
}

func TestSteppedPace(t *testing.T) {
	s := NewStepped(start, 600)
	s.Go(func() {
		for s.Sleep(t.Context(), 10*time.Second, nil) == nil {
		}
	})
	began := time.Now()
	if err := s.Run(t.Context(), start.Add(time.Minute), nil); err != nil {
		t.Fatal(err)
	}
	// 50 or 60 s at 600 a second are at least 80 ms; how much more is the machine's affair.
	if took := time.Since(began); took < 80*time.Millisecond {
		t.Errorf("a minute at speed 600 took %v", took)
	}
}

func TestSleepEndsWithContext(t *testing.T) {
	for name, c := range map[string]Clock{"wall": Wall{}, "stepped": NewStepped(start, 1)} {
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan error, 1)
		c.Go(func() { done <- c.Sleep(ctx, time.Hour, nil) })
		cancel()
		if err := <-done; err != context.Canceled {
			t.Errorf("%s: %v", name, err)
		}
	}
}
