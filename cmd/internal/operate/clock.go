package operate

import (
	"context"
	"time"
)

// leastJump is what WatchClock reports. Below lie the corrections that a time
// service makes by slowing the clock, which are no jumps.
const leastJump = 2 * time.Second

// WatchClock compares, every so often, how far the wall clock and the monotonic
// clock went, and reports where they differ by more than 2 s: positive when the
// wall clock jumped ahead. A machine that slept is such a jump too, since the
// monotonic clock stands still meanwhile. It returns when the context ends.
func WatchClock(ctx context.Context, every time.Duration, report func(jump time.Duration)) {
	start := time.Now()
	monotonic := func() time.Duration { return time.Since(start) }
	ticker := time.NewTicker(every)
	defer ticker.Stop()
	watch := clockWatch{wall: time.Now().Round(0), monotonic: monotonic()}
	for {
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
			// Round takes the monotonic reading away.
			if jump, ok := watch.step(time.Now().Round(0), monotonic()); ok {
				report(jump)
			}
		}
	}
}

// clockWatch remembers the last reading of both clocks.
type clockWatch struct {
	wall      time.Time
	monotonic time.Duration
}

// step compares with the reading before, so that slow drift does not add up.
func (w *clockWatch) step(wall time.Time, monotonic time.Duration) (jump time.Duration, ok bool) {
	jump = wall.Sub(w.wall) - (monotonic - w.monotonic)
	w.wall, w.monotonic = wall, monotonic
	return jump, jump > leastJump || jump < -leastJump
}
