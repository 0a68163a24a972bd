package operate

import (
	"context"
	"testing"
	"time"
)

// Both clocks by script: a jump is reported once, with its sign; slow drift and
// late ticks are no jumps.
func TestClockJumps(t *testing.T) {
	wall, monotonic := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC), time.Duration(0)
	watch := clockWatch{wall: wall, monotonic: monotonic}
	for k, step := range []struct {
		wall, monotonic time.Duration
		want            time.Duration // 0 for no report
	}{
		{10 * time.Second, 10 * time.Second, 0},
		{10 * time.Minute, 10 * time.Minute, 0}, // a late tick
		{70 * time.Second, 10 * time.Second, time.Minute},
		{10 * time.Second, 10 * time.Second, 0}, // only once
		{-20 * time.Second, 10 * time.Second, -30 * time.Second},
		{12 * time.Second, 10 * time.Second, 0}, // 2 s are not above 2 s
		{8 * time.Second, 10 * time.Second, 0},
		{13 * time.Second, 10 * time.Second, 3 * time.Second},
		{8 * time.Hour, 10 * time.Second, 8*time.Hour - 10*time.Second}, // slept
	} {
		wall, monotonic = wall.Add(step.wall), monotonic+step.monotonic
		jump, ok := watch.step(wall, monotonic)
		if ok != (step.want != 0) || ok && jump != step.want {
			t.Errorf("step %d: jump %v, %v, want %v", k, jump, ok, step.want)
		}
	}
	for range 100_000 { // 500 parts in a million, for days
		wall, monotonic = wall.Add(10*time.Second+5*time.Millisecond), monotonic+10*time.Second
		if jump, ok := watch.step(wall, monotonic); ok {
			t.Fatalf("drift is a jump of %v", jump)
		}
	}
}

func TestWatchClockEnds(t *testing.T) {
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	WatchClock(ctx, time.Millisecond, func(jump time.Duration) {
		t.Errorf("the clock of this machine jumped by %v, or the comparison is wrong", jump)
	})
}
