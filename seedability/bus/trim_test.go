package bus

import (
	"testing"
	"time"
)

func TestTrimRemovesWhatIsOldAndArchived(t *testing.T) {
	_, b := open(t, t.TempDir())
	if removed, err := b.Trim(t.Context(), Score, 10, time.Now().Add(time.Hour)); removed != 0 || err != nil {
		t.Errorf("of an empty stream %d went (%v)", removed, err)
	}
	put := func(n int) {
		publish(t, b, event(t, "saddlehorn", releaseTime, map[string]int{"n": n}))
	}
	for n := range 6 {
		put(n)
	}
	time.Sleep(20 * time.Millisecond)
	between := time.Now()
	time.Sleep(20 * time.Millisecond)
	for n := range 4 {
		put(6 + n)
	}
	for _, step := range []struct {
		upTo        uint64
		before      time.Time
		want, first uint64
	}{
		{0, time.Now().Add(time.Hour), 0, 1},  // nothing is archived
		{10, between.Add(-time.Hour), 0, 1},   // nothing is old
		{3, between, 3, 4},                    // old, and archived to 3
		{9, between, 3, 7},                    // archived to 9, old to 6
		{9, between, 0, 7},                    // again
		{8, time.Now().Add(time.Hour), 2, 9},  // all is old
		{99, time.Now().Add(time.Hour), 2, 0}, // all of it
		{99, time.Now().Add(time.Hour), 0, 0}, // and again
	} {
		removed, err := b.Trim(t.Context(), Score, step.upTo, step.before)
		if err != nil || removed != step.want {
			t.Errorf("up to %d before %v: %d went (%v), want %d", step.upTo, step.before.Sub(between), removed, err, step.want)
		}
		all := readBack(t, b)
		if step.first == 0 && len(all) != 0 || step.first > 0 && (len(all) == 0 || all[0].Sequence != step.first) {
			t.Errorf("up to %d: the stream begins with %+v, want %d", step.upTo, all, step.first)
		}
	}
	if ack := publish(t, b, event(t, "saddlehorn", releaseTime, map[string]int{"n": 99})); ack.Sequence != 11 {
		t.Errorf("the next message has number %d, want 11: numbers are not given twice", ack.Sequence)
	}
}
