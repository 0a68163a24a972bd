package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// openAll is open with queues and buckets.
func openAll(t testing.TB) *Bus {
	t.Helper()
	_, b := open(t, t.TempDir())
	if err := b.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	return b
}

func job(id string, data any) Job {
	encoded, err := json.Marshal(data)
	if err != nil {
		panic(err)
	}
	return Job{ID: id, Queue: QueueAssess, Programme: "larkspur", Created: releaseTime, Data: encoded}
}

func submit(t testing.TB, b *Bus, j Job) {
	t.Helper()
	if _, err := b.Submit(t.Context(), j); err != nil {
		t.Fatal(err)
	}
}

// worker of a test: what happened, and a stop that waits for its end.
type testWorker struct {
	mu     sync.Mutex
	events []WorkEvent
	stop   func()
}

func (w *testWorker) count(stage WorkStage) int {
	w.mu.Lock()
	defer w.mu.Unlock()
	n := 0
	for _, e := range w.events {
		if e.Stage == stage {
			n++
		}
	}
	return n
}

func startWork(t testing.TB, b *Bus, o WorkOptions, handle func(context.Context, Job, int) error) *testWorker {
	t.Helper()
	w := &testWorker{}
	o.OnEvent = func(e WorkEvent) {
		w.mu.Lock()
		defer w.mu.Unlock()
		w.events = append(w.events, e)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- b.Work(ctx, QueueAssess, o, handle) }()
	w.stop = sync.OnceFunc(func() {
		cancel()
		if err := <-done; err != nil {
			t.Errorf("Work: %v", err)
		}
	})
	t.Cleanup(w.stop)
	return w
}

// eventually waits for a condition; how long it may take is not what is tested.
func eventually(t testing.TB, what string, condition func() bool) {
	t.Helper()
	for deadline := time.Now().Add(30 * time.Second); !condition(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(deadline) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

func queueState(t testing.TB, b *Bus) QueueState {
	t.Helper()
	state, err := b.QueueState(t.Context(), QueueAssess)
	if err != nil {
		t.Fatal(err)
	}
	return state
}

func letters(t testing.TB, b *Bus) (all []deadLetter) {
	t.Helper()
	for stored, err := range b.ReadBack(t.Context(), DeadLetter) {
		if err != nil {
			t.Fatal(err)
		}
		var letter deadLetter
		if err := json.Unmarshal(stored.Event.Data, &letter); err != nil {
			t.Fatal(err)
		}
		all = append(all, letter)
	}
	return all
}

func TestJobsAreDoneOnce(t *testing.T) {
	b := openAll(t)
	const jobs = 50
	for k := range jobs {
		submit(t, b, job(fmt.Sprint("job-", k), k))
	}
	if duplicate, err := b.Submit(t.Context(), job("job-7", "other data")); err != nil || !duplicate {
		t.Errorf("the same id again: duplicate %v, %v", duplicate, err)
	}
	if state := queueState(t, b); state.Waiting != jobs || state.Running != 0 || state.Oldest.IsZero() || state.Bytes == 0 {
		t.Errorf("before work: %+v", state)
	}
	var mu sync.Mutex
	done := map[string]int{}
	w := startWork(t, b, WorkOptions{Concurrency: 4}, func(_ context.Context, j Job, delivery int) error {
		mu.Lock()
		defer mu.Unlock()
		done[j.ID]++
		if want := strings.TrimPrefix(j.ID, "job-"); string(j.Data) != want || delivery != 1 || j.Programme != "larkspur" || !j.Created.Equal(releaseTime) {
			t.Errorf("job %+v, delivery %d", j, delivery)
		}
		return nil
	})
	eventually(t, "all jobs done", func() bool { return w.count(WorkDone) == jobs })
	if state := queueState(t, b); state != (QueueState{}) {
		t.Errorf("after work: %+v", state)
	}
	mu.Lock()
	defer mu.Unlock()
	if len(done) != jobs {
		t.Errorf("%d different jobs done, want %d", len(done), jobs)
	}
	for id, n := range done {
		if n != 1 {
			t.Errorf("%s done %d times", id, n)
		}
	}
	// Also a job that is done is remembered.
	if duplicate, err := b.Submit(t.Context(), job("job-7", 7)); err != nil || !duplicate {
		t.Errorf("the id of a job that is done: duplicate %v, %v", duplicate, err)
	}
}

func TestFailuresAreTriedAgainThenBuried(t *testing.T) {
	b := openAll(t)
	for _, id := range []string{"third-time-well", "never-well", "panics", "hopeless"} {
		submit(t, b, job(id, map[string]string{"text": "<a&b>"}))
	}
	if _, err := b.js.Publish(t.Context(), QueueAssess.subject("larkspur"), []byte("no JSON \xff")); err != nil {
		t.Fatal(err)
	}
	if _, err := b.js.Publish(t.Context(), QueueAssess.subject("larkspur"), []byte(`{"id":"x","queue":"ingest","programme":"a.b"}`)); err != nil {
		t.Fatal(err)
	}
	var mu sync.Mutex
	tries := map[string][]int{}
	w := startWork(t, b, WorkOptions{
		Concurrency: 2, MaxDeliver: 4, Worker: "lodge-1", Backoff: func(int) time.Duration { return 10 * time.Millisecond },
	}, func(_ context.Context, j Job, delivery int) error {
		mu.Lock()
		tries[j.ID] = append(tries[j.ID], delivery)
		mu.Unlock()
		switch {
		case j.ID == "third-time-well" && delivery == 3:
			return nil
		case j.ID == "panics":
			panic("out of snow")
		case j.ID == "hopeless":
			return fmt.Errorf("wrapped: %w", Permanent(errors.New("no such site")))
		}
		return errors.New("not yet")
	})
	eventually(t, "all settled", func() bool { return w.count(WorkDead) == 5 && w.count(WorkDone) == 1 })
	if state := queueState(t, b); state != (QueueState{}) {
		t.Errorf("left on the queue: %+v", state)
	}
	mu.Lock()
	defer mu.Unlock()
	for id, want := range map[string][]int{
		"third-time-well": {1, 2, 3}, "never-well": {1, 2, 3, 4}, "panics": {1, 2, 3, 4}, "hopeless": {1},
	} {
		if !slices.Equal(tries[id], want) {
			t.Errorf("%s: deliveries %v, want %v", id, tries[id], want)
		}
	}
	byID := map[string]deadLetter{}
	all := letters(t, b)
	for _, letter := range all {
		byID[letter.JobID] = letter
		if letter.Worker != "lodge-1" || letter.Queue != QueueAssess || letter.Programme != "larkspur" || letter.Time.IsZero() {
			t.Errorf("letter %+v", letter)
		}
	}
	if len(all) != 5 {
		t.Errorf("%d dead letters, want 5: %+v", len(all), all)
	}
	for id, want := range map[string]struct {
		text       string
		deliveries int
	}{
		"never-well": {"not yet", 4}, "panics": {"work_test.go", 4}, "hopeless": {"no such site", 1},
		"x": {"programme", 1}, "": {"this is no job", 1},
	} {
		letter, ok := byID[id]
		if !ok || !strings.Contains(letter.Error, want.text) || letter.Deliveries != want.deliveries {
			t.Errorf("letter of %q: %+v", id, letter)
		}
	}
	var back Job
	if err := json.Unmarshal(byID["never-well"].Job, &back); err != nil || back.ID != "never-well" || len(back.Data) == 0 {
		t.Errorf("the job in its letter: %+v, %v", back, err)
	}
}

// A handler that takes far longer than AckWait keeps its job by its beats, though
// another worker asks for jobs all the time.
func TestBeatsKeepALongJob(t *testing.T) {
	b := openAll(t)
	var runs atomic.Int32
	handle := func(ctx context.Context, _ Job, _ int) error {
		runs.Add(1)
		select {
		case <-time.After(2 * time.Second):
		case <-ctx.Done():
		}
		return ctx.Err()
	}
	o := WorkOptions{AckWait: 400 * time.Millisecond}
	workers := []*testWorker{startWork(t, b, o, handle), startWork(t, b, o, handle)}
	submit(t, b, job("long", 1))
	eventually(t, "done", func() bool { return workers[0].count(WorkDone)+workers[1].count(WorkDone) == 1 })
	if n := workers[0].count(WorkRedelivered) + workers[1].count(WorkRedelivered); runs.Load() != 1 || n != 0 {
		t.Errorf("run %d times, redelivered %d", runs.Load(), n)
	}
}

// A job whose workers vanish without a word at every delivery is buried at the
// next one, not run.
func TestJobThatKillsItsWorkersIsBuried(t *testing.T) {
	b := openAll(t)
	submit(t, b, job("killer", 1))
	w := &worker{bus: b, queue: QueueAssess, options: WorkOptions{}}
	var err error
	if w.consumer, err = b.js.Consumer(t.Context(), QueueAssess.stream(), queueConsumer); err != nil {
		t.Fatal(err)
	}
	config := w.consumer.CachedInfo().Config
	config.AckWait = 50 * time.Millisecond
	if w.consumer, err = b.js.UpdateConsumer(t.Context(), QueueAssess.stream(), config); err != nil {
		t.Fatal(err)
	}
	for range 3 { // fetched, and nothing is heard of it again
		if message, err := w.next(t.Context()); err != nil || message == nil {
			t.Fatal(message, err)
		}
	}
	worked := startWork(t, b, WorkOptions{MaxDeliver: 3}, func(context.Context, Job, int) error {
		t.Error("the handler ran")
		return nil
	})
	eventually(t, "buried", func() bool { return worked.count(WorkDead) == 1 })
	if all := letters(t, b); len(all) != 1 || all[0].JobID != "killer" || all[0].Deliveries != 4 || !strings.Contains(all[0].Error, "3 times") {
		t.Errorf("dead letters %+v", all)
	}
}

// When Work ends, a job in hand may finish within the grace time, and one that
// does not is given back at once.
func TestWorkEndsWithGrace(t *testing.T) {
	b := openAll(t)
	submit(t, b, job("quick", 1))
	submit(t, b, job("slow", 2))
	running := make(chan string, 2)
	w := startWork(t, b, WorkOptions{Concurrency: 2, Grace: 300 * time.Millisecond}, func(ctx context.Context, j Job, _ int) error {
		running <- j.ID
		if j.ID == "slow" {
			<-ctx.Done()
			return ctx.Err()
		}
		time.Sleep(100 * time.Millisecond) // ends after Work was told to
		return nil
	})
	<-running
	<-running
	w.stop()
	if w.count(WorkDone) != 1 || w.count(WorkReturned) != 1 || w.count(WorkFailed) != 0 {
		t.Errorf("events %+v", w.events)
	}
	again := startWork(t, b, WorkOptions{}, func(_ context.Context, j Job, delivery int) error {
		if j.ID != "slow" || delivery != 2 {
			t.Errorf("%s, delivery %d", j.ID, delivery)
		}
		return nil
	})
	eventually(t, "the job that was given back is done", func() bool { return again.count(WorkDone) == 1 })
}

func TestDefaultBackoff(t *testing.T) {
	var o WorkOptions
	o.fill()
	for delivery, want := range map[int]time.Duration{1: time.Second, 2: 4 * time.Second, 3: 16 * time.Second, 4: 64 * time.Second, 5: 2 * time.Minute, 1 << 30: 2 * time.Minute} {
		if got := o.Backoff(delivery); got != want {
			t.Errorf("delivery %d: %v, want %v", delivery, got, want)
		}
	}
}

func TestSubmitRefuses(t *testing.T) {
	b := openAll(t)
	for name, j := range map[string]Job{
		"no id":      {Queue: QueueAssess, Programme: "larkspur"},
		"line break": {ID: "a\r\nNats-Rollup: all", Queue: QueueAssess, Programme: "larkspur"},
		"queue":      {ID: "a", Queue: "other", Programme: "larkspur"},
		"programme":  {ID: "a", Queue: QueueAssess, Programme: "*"},
		"data":       {ID: "a", Queue: QueueAssess, Programme: "larkspur", Data: json.RawMessage("{")},
		"size":       job("a", strings.Repeat("x", 1<<20-deadLetterBytes)),
	} {
		if _, err := b.Submit(t.Context(), j); err == nil {
			t.Errorf("%s: submitted", name)
		}
	}
	if err := b.Work(t.Context(), "other", WorkOptions{}, nil); err == nil {
		t.Error("work on an unknown queue")
	}
	if state := queueState(t, b); state.Waiting != 0 {
		t.Errorf("%+v", state)
	}
	// The largest job that is taken still fits into its dead letter.
	submit(t, b, job("large", strings.Repeat("<", (1<<20-deadLetterBytes-200)/6)))
	w := startWork(t, b, WorkOptions{}, func(context.Context, Job, int) error {
		return Permanent(errors.New(strings.Repeat("\x01", 1<<20)))
	})
	eventually(t, "buried", func() bool { return w.count(WorkDead) == 1 })
}

// A full queue refuses a job and says so; when there is room it takes it.
func TestFullQueueRefuses(t *testing.T) {
	s, err := Embedded(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b, err := s.Connect(t.Context(), Options{StoreBytes: 4 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	for _, ensure := range []func(context.Context) error{b.EnsureStreams, b.EnsureQueues} {
		if err := ensure(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	n := 0
	for ; err == nil && n < 1000; n++ {
		_, err = b.Submit(t.Context(), job(fmt.Sprint("job-", n), strings.Repeat("x", 4<<10)))
	}
	if !errors.Is(err, ErrFull) || !strings.Contains(err.Error(), "queue assess") {
		t.Fatalf("after %d jobs: %v", n, err)
	}
	n--
	if state := queueState(t, b); state.Waiting != uint64(n) {
		t.Errorf("%d jobs wait, %d were taken", state.Waiting, n)
	}
	w := startWork(t, b, WorkOptions{Concurrency: 4}, func(context.Context, Job, int) error { return nil })
	eventually(t, "all that were taken are done", func() bool { return w.count(WorkDone) == n })
	if duplicate, err := b.Submit(t.Context(), job(fmt.Sprint("job-", n), 1)); err != nil || duplicate {
		t.Errorf("with room again: duplicate %v, %v", duplicate, err)
	}
}

// The same job delivered while its handler runs in this process is not run again,
// and the handler's end is told under the newest delivery.
func TestDeliveryOfAJobInHand(t *testing.T) {
	w := &worker{hand: map[string]*inHand{}}
	h, first := w.take("5/a", nil)
	if !first || h == nil {
		t.Error("the first delivery is not run")
	}
	if again, first := w.take("5/a", nil); first || again != h {
		t.Error("a second delivery is run")
	}
	if _, first := w.take("6/a", nil); !first {
		t.Error("another job is not run")
	}
	w.release("5/a")
	if _, first := w.take("5/a", nil); !first {
		t.Error("a delivery after the end is not run")
	}
}

func BenchmarkSubmitAndWork(b *testing.B) {
	bus := openAll(b)
	done := make(chan struct{}, 1)
	startWork(b, bus, WorkOptions{}, func(context.Context, Job, int) error {
		done <- struct{}{}
		return nil
	})
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		n++
		submit(b, bus, job(fmt.Sprint("job-", n), "small"))
		<-done
	}
}
