// Package clock gives the service its time: the wall clock when it is on duty,
// and a stepped clock when a storm is rehearsed.
//
// A stepped clock runs faster than the wall by a factor, or as fast as the
// machine allows, and waits for the work: it moves on only when everybody who
// lives by it sleeps and nothing is left to be done for the moment that it
// shows. So a rehearsal gives the same messages on a slow machine and on a fast
// one, at speed 1 and at speed 1000.
package clock

import (
	"context"
	"sync"
	"time"
)

// Clock is what the service knows of time.
type Clock interface {
	// Now is the time, in UTC.
	Now() time.Time
	// Sleep ends when d has passed, when wake yields, or when ctx ends (then with
	// its error). wake may be nil.
	Sleep(ctx context.Context, d time.Duration, wake <-chan struct{}) error
	// Go starts a goroutine that lives by this clock: all its waiting is in Sleep.
	Go(f func())
}

// Wall is the machine's clock.
type Wall struct{}

// Now is the machine's time.
func (Wall) Now() time.Time { return time.Now().UTC() }

// Sleep waits by the machine's monotonic clock.
func (Wall) Sleep(ctx context.Context, d time.Duration, wake <-chan struct{}) error {
	timer := time.NewTimer(max(d, 0))
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-wake:
	case <-ctx.Done():
		return ctx.Err()
	}
	return nil
}

// Go starts f.
func (Wall) Go(f func()) { go f() }

// Stepped is a clock that Run moves.
type Stepped struct {
	speed float64

	mutex    sync.Mutex
	now      time.Time
	busy     int // goroutines of Go that do not sleep
	sleepers map[*sleeper]struct{}
	// changed is closed, and made anew, when busy falls or a sleeper is added.
	changed chan struct{}
}

type sleeper struct {
	due  time.Time
	rung chan struct{}
}

// NewStepped makes a clock that shows start. speed is how many seconds it runs
// in one of the wall's, at most; 0 for no limit.
func NewStepped(start time.Time, speed float64) *Stepped {
	return &Stepped{speed: speed, now: start.UTC(), sleepers: map[*sleeper]struct{}{}, changed: make(chan struct{})}
}

// Now is the moment at which the clock stands.
func (s *Stepped) Now() time.Time {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.now
}

// Go starts f; until it returns, the clock stands still whenever f does not sleep.
func (s *Stepped) Go(f func()) {
	s.mutex.Lock()
	s.busy++
	s.mutex.Unlock()
	go func() {
		defer s.rest(nil)
		f()
	}()
}

// rest makes the caller idle, with a sleeper or without.
func (s *Stepped) rest(z *sleeper) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.busy--
	if z != nil {
		s.sleepers[z] = struct{}{}
	}
	close(s.changed)
	s.changed = make(chan struct{})
}

// Sleep is called by goroutines of Go only.
func (s *Stepped) Sleep(ctx context.Context, d time.Duration, wake <-chan struct{}) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	if d <= 0 {
		return nil
	}
	z := &sleeper{due: s.Now().Add(d), rung: make(chan struct{})}
	s.rest(z)
	var err error
	select {
	case <-z.rung:
		return nil // Run has counted us busy already
	case <-wake:
	case <-ctx.Done():
		err = ctx.Err()
	}
	s.mutex.Lock()
	defer s.mutex.Unlock()
	if _, asleep := s.sleepers[z]; asleep {
		delete(s.sleepers, z)
		s.busy++
	}
	return err
}

// poll is how often quiet is asked while it says no.
const poll = 500 * time.Microsecond

// Run moves the clock from one due moment to the next until the moment until is
// reached, nobody of Go is left, or ctx ends. quiet says that no work is left for the present moment
// elsewhere (in queues, in requests); it may be nil.
func (s *Stepped) Run(ctx context.Context, until time.Time, quiet func(context.Context) bool) error {
	wallThen, clockThen := time.Now(), s.Now()
	for {
		s.mutex.Lock()
		changed, busy, due, sleeping := s.changed, s.busy, s.earliest(), len(s.sleepers)
		s.mutex.Unlock()
		if busy == 0 && sleeping == 0 {
			return nil // nobody lives by it any more
		}
		if busy > 0 {
			select {
			case <-changed:
			case <-ctx.Done():
				return ctx.Err()
			case <-time.After(20 * time.Millisecond): // also a goroutine woken by its own channel
			}
			continue
		}
		if quiet != nil && !quiet(ctx) {
			if err := (Wall{}).Sleep(ctx, poll, nil); err != nil {
				return err
			}
			continue
		}
		s.mutex.Lock()
		still := s.busy == 0 && s.changed == changed
		s.mutex.Unlock()
		if !still {
			continue // somebody woke while quiet was asked
		}
		if due.After(until) {
			s.mutex.Lock()
			s.now = until
			s.mutex.Unlock()
			return nil
		}
		if s.speed > 0 {
			ahead := time.Duration(float64(due.Sub(clockThen))/s.speed) - time.Since(wallThen)
			if ahead <= 0 {
				// The work held us up; what is lost is not made up for.
				wallThen, clockThen = time.Now(), due
			} else if err := (Wall{}).Sleep(ctx, ahead, nil); err != nil {
				return err
			}
		}
		s.advance(due)
	}
}

func (s *Stepped) earliest() time.Time {
	var earliest time.Time
	for z := range s.sleepers {
		if earliest.IsZero() || z.due.Before(earliest) {
			earliest = z.due
		}
	}
	return earliest
}

// advance shows the moment and wakes who is due.
func (s *Stepped) advance(due time.Time) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	if due.After(s.now) {
		s.now = due
	}
	for z := range s.sleepers {
		if !z.due.After(s.now) {
			delete(s.sleepers, z)
			s.busy++
			close(z.rung)
		}
	}
}
