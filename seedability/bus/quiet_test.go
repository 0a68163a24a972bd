package bus

import (
	"context"
	"testing"
	"time"
)

// A queue is empty before the first job, not while a job waits or runs, and again
// when it is settled. What was published is known without asking.
func TestQueueEmptyAndPublished(t *testing.T) {
	s, err := Embedded(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	b, err := s.Connect(t.Context(), Options{StoreBytes: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := b.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	empty := func(when string, want bool) {
		t.Helper()
		if got, err := b.QueueEmpty(t.Context(), QueueAssess); err != nil || got != want {
			t.Errorf("%s: empty %v, %v", when, got, err)
		}
	}
	empty("at first", true)
	if _, err := b.Submit(t.Context(), Job{ID: "one", Queue: QueueAssess, Programme: "dale"}); err != nil {
		t.Fatal(err)
	}
	empty("with a job that waits", false)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = b.Work(ctx, QueueAssess, WorkOptions{OnEvent: func(e WorkEvent) {
			if e.Stage == WorkDone {
				stop()
			}
		}}, func(context.Context, Job, int) error {
			empty("with a job that runs", false)
			return nil
		})
	}()
	select {
	case <-done:
	case <-time.After(30 * time.Second):
		t.Fatal("the job was not done")
	}
	empty("with the job done", true)

	if got := b.PublishedSequence(Health); got != 0 {
		t.Errorf("published %d before anything was", got)
	}
	for n := uint64(1); n <= 3; n++ {
		e, err := NewEvent(Health, "", "worker", time.Unix(int64(n), 0), map[string]any{"n": n})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.Publish(t.Context(), e); err != nil {
			t.Fatal(err)
		}
		if got := b.PublishedSequence(Health); got != n {
			t.Errorf("published %d after %d messages", got, n)
		}
	}
}
