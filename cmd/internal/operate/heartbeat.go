package operate

import (
	"cmp"
	"fmt"
	"slices"
	"sync"
	"time"
)

// Check is one thing that must hold for the service to be of use.
type Check struct {
	Name   string `json:"name"`
	OK     bool   `json:"ok"`
	Detail string `json:"detail,omitempty"`
}

// Heartbeats are the loops of a process that must not stand still. The zero value
// is ready.
type Heartbeats struct {
	mutex sync.Mutex
	beats map[*Heartbeat]struct{}
	// now is time.Now but in tests.
	now func() time.Time
}

// Heartbeat is one such loop.
type Heartbeat struct {
	of     *Heartbeats
	name   string
	silent time.Duration
	last   time.Time
}

func (h *Heartbeats) time() time.Time {
	if h.now != nil {
		return h.now()
	}
	return time.Now()
}

// Register adds a loop, which is well as long as it beats more often than every
// silent. It counts as having beaten now.
func (h *Heartbeats) Register(name string, silent time.Duration) *Heartbeat {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	if h.beats == nil {
		h.beats = make(map[*Heartbeat]struct{})
	}
	b := &Heartbeat{of: h, name: name, silent: silent, last: h.time()}
	h.beats[b] = struct{}{}
	return b
}

// Beat says that the loop moves.
func (b *Heartbeat) Beat() {
	b.of.mutex.Lock()
	defer b.of.mutex.Unlock()
	b.last = b.of.time()
}

// Stop takes the loop out: it has ended as it should.
func (b *Heartbeat) Stop() {
	b.of.mutex.Lock()
	defer b.of.mutex.Unlock()
	delete(b.of.beats, b)
}

// Checks tells of each loop whether it moves, by name.
func (h *Heartbeats) Checks() []Check {
	if h == nil {
		return nil
	}
	h.mutex.Lock()
	defer h.mutex.Unlock()
	checks := []Check{}
	for b := range h.beats {
		// Silence is measured by the monotonic clock.
		silence := h.time().Sub(b.last)
		c := Check{Name: b.name, OK: silence <= b.silent}
		if !c.OK {
			c.Detail = fmt.Sprintf("silent for %s, at most %s", silence.Round(time.Second/10), b.silent)
		}
		checks = append(checks, c)
	}
	slices.SortFunc(checks, func(a, b Check) int { return cmp.Compare(a.Name, b.Name) })
	return checks
}

// Alive is true while all loops move.
func (h *Heartbeats) Alive() bool { return allOK(h.Checks()) }

func allOK(checks []Check) bool {
	return !slices.ContainsFunc(checks, func(c Check) bool { return !c.OK })
}
