package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"go/ast"
	"go/parser"
	gotoken "go/token"
	"maps"
	"slices"
	"sync"
	"sync/atomic"
	"testing"
	"time"
)

// second is another connection to the server of b, as another process has it.
func second(t testing.TB, s *Server) *Bus {
	t.Helper()
	b, err := s.Connect(t.Context(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	return b
}

func twoBuses(t testing.TB) (a, b *Bus) {
	t.Helper()
	s, a := open(t, t.TempDir())
	if err := a.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	return a, second(t, s)
}

func acquire(t testing.TB, b *Bus, holder string, ttl time.Duration) *Lease {
	t.Helper()
	l, err := b.Acquire(t.Context(), "schedule.larkspur", holder, ttl)
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func isLost(l *Lease) bool {
	select {
	case <-l.Lost():
		return true
	default:
		return false
	}
}

func TestLease(t *testing.T) {
	a, b := twoBuses(t)
	// The stopwatch of the one who waits is the test's; wall clocks play no part.
	var now atomic.Int64
	b.clock = func() time.Duration { return time.Duration(now.Load()) }
	ctx, ttl := t.Context(), time.Minute

	first := acquire(t, a, "lodge", ttl)
	held := func() {
		t.Helper()
		_, err := b.Acquire(ctx, "schedule.larkspur", "hut", ttl)
		var h *HeldError
		if !errors.As(err, &h) || !errors.Is(err, ErrHeld) || h.By != "lodge" || h.Left <= 0 || h.Left > ttl {
			t.Fatalf("held: %v", err)
		}
	}
	held()
	if _, err := a.Acquire(ctx, "schedule.larkspur", "lodge", ttl); !errors.Is(err, ErrHeld) {
		t.Errorf("a second process of the same holder: %v", err)
	}
	if other, err := b.Acquire(ctx, "schedule.other", "hut", ttl); err != nil {
		t.Errorf("another lease: %v", err)
	} else if err := other.Release(ctx); err != nil {
		t.Error(err)
	}

	// A holder that renews is safe however long the other waits, and however far
	// its stopwatch runs between two looks.
	for range 5 {
		if err := first.Renew(ctx); err != nil {
			t.Fatal(err)
		}
		now.Add(int64(10 * time.Hour))
		held()
		now.Add(int64(ttl - time.Millisecond))
		held()
	}
	// One that does not is replaced after its length.
	now.Add(int64(2 * time.Millisecond))
	taken := acquire(t, b, "hut", ttl)
	if taken.Token() <= first.Token() {
		t.Errorf("token %d after %d", taken.Token(), first.Token())
	}
	if err := first.Renew(ctx); !errors.Is(err, ErrLost) || !isLost(first) {
		t.Errorf("renewed by the one that was replaced: %v", err)
	}
	if err := first.Keep(ctx); !errors.Is(err, ErrLost) {
		t.Errorf("kept by the one that was replaced: %v", err)
	}
	if err := first.Release(ctx); err != nil || isLost(taken) {
		t.Errorf("released by the one that was replaced: %v", err)
	}
	// Renewals leave the token, a release lets others in at once, and the token
	// goes on growing.
	token := taken.Token()
	if err := taken.Renew(ctx); err != nil || taken.Token() != token {
		t.Errorf("%v, token %d", err, taken.Token())
	}
	if err := taken.Release(ctx); err != nil || !isLost(taken) {
		t.Errorf("release: %v", err)
	}
	third := acquire(t, a, "lodge", ttl)
	if third.Token() <= token {
		t.Errorf("token %d after %d", third.Token(), token)
	}
	if err := third.Release(ctx); err != nil {
		t.Error(err)
	}
}

// Where the answer to a renewal is lost, the holder finds its own renewal in the
// bucket and goes on.
func TestLeaseAfterALostAnswer(t *testing.T) {
	a, _ := twoBuses(t)
	l := acquire(t, a, "lodge", time.Minute)
	if _, err := l.bucket.Update(t.Context(), l.name, l.value, l.revision); err != nil { // as Renew, unheard
		t.Fatal(err)
	}
	if err := l.Renew(t.Context()); !errors.Is(err, errUnsettled) || isLost(l) {
		t.Fatalf("first: %v", err)
	}
	if err := l.Renew(t.Context()); err != nil {
		t.Errorf("second: %v", err)
	}
	// So does one that waits for a lease.
	holder := readLease(l.value)
	revision, err := a.seize(t.Context(), l.bucket, l.name, holder, l.value)
	if err != nil || revision != l.revision {
		t.Errorf("revision %d, %v; want %d", revision, err, l.revision)
	}
}

func TestLeaseNotKeptIsLost(t *testing.T) {
	a, b := twoBuses(t)
	l := acquire(t, a, "lodge", 200*time.Millisecond)
	taken, err := b.AcquireWait(t.Context(), "schedule.larkspur", "hut", 200*time.Millisecond)
	if err != nil {
		t.Fatal(err)
	}
	if !isLost(l) {
		t.Error("two hold the lease")
	}
	_ = taken.Release(t.Context()) // may have run out already
}

func TestLeaseKept(t *testing.T) {
	a, b := twoBuses(t)
	const ttl = 300 * time.Millisecond
	l := acquire(t, a, "lodge", ttl)
	ctx, cancel := context.WithCancel(t.Context())
	kept := make(chan error, 1)
	go func() { kept <- l.Keep(ctx) }()
	waiting, stop := context.WithTimeout(t.Context(), 5*ttl)
	defer stop()
	if _, err := b.AcquireWait(waiting, "schedule.larkspur", "hut", ttl); !errors.Is(err, context.DeadlineExceeded) || !errors.Is(err, ErrHeld) {
		t.Errorf("waited five lengths: %v", err)
	}
	cancel()
	if err := <-kept; err != nil || isLost(l) {
		t.Errorf("kept: %v", err)
	}
}

// Many want it, with leases so short that they run out all the time: it never has
// two owners.
func TestLeaseHasOneOwner(t *testing.T) {
	s, a := open(t, t.TempDir())
	if err := a.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	var owners atomic.Int32
	var mu sync.Mutex
	var tokens []uint64
	var group sync.WaitGroup
	for k := range 4 {
		b := second(t, s)
		group.Go(func() {
			for round := range 3 {
				l, err := b.AcquireWait(t.Context(), "schedule.larkspur", fmt.Sprint("worker-", k), 200*time.Millisecond)
				if err != nil {
					t.Error(err)
					return
				}
				if n := owners.Add(1); n != 1 {
					t.Errorf("%d owners", n)
				}
				mu.Lock()
				tokens = append(tokens, l.Token())
				mu.Unlock()
				select {
				case <-l.Lost():
				case <-time.After(50 * time.Millisecond):
				}
				owners.Add(-1)
				if round%2 == 0 {
					_ = l.Release(t.Context()) // or it runs out
				}
			}
		})
	}
	group.Wait()
	if len(tokens) != 12 || !slices.IsSorted(tokens) || len(slices.Compact(slices.Clone(tokens))) != 12 {
		t.Errorf("tokens %v", tokens)
	}
}

// A lease has run out, and all who waited for it reach for it in the same moment.
func TestLeaseTakenOverByOne(t *testing.T) {
	s, a := open(t, t.TempDir())
	if err := a.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	var now atomic.Int64
	var waiting []*Bus
	for range 8 {
		b := second(t, s)
		b.clock = func() time.Duration { return time.Duration(now.Load()) }
		waiting = append(waiting, b)
	}
	const ttl = time.Minute
	for round := range 10 {
		name := fmt.Sprint("schedule.", round)
		if _, err := a.Acquire(t.Context(), name, "gone", ttl); err != nil {
			t.Fatal(err)
		}
		for _, b := range waiting {
			if _, err := b.Acquire(t.Context(), name, "early", ttl); !errors.Is(err, ErrHeld) {
				t.Fatal(err)
			}
		}
		now.Add(int64(ttl))
		var group sync.WaitGroup
		var owners atomic.Int32
		start := make(chan struct{})
		for _, b := range waiting {
			group.Go(func() {
				<-start
				_, err := b.Acquire(t.Context(), name, "waiting", ttl)
				if err == nil {
					owners.Add(1)
				} else if !errors.Is(err, ErrHeld) {
					t.Error(err)
				}
			})
		}
		close(start)
		group.Wait()
		if n := owners.Load(); n != 1 {
			t.Errorf("round %d: %d owners", round, n)
		}
	}
}

func TestAcquireRefuses(t *testing.T) {
	a, _ := twoBuses(t)
	for _, bad := range []struct {
		name, holder string
		ttl          time.Duration
	}{{"", "a", time.Minute}, {"a.*", "a", time.Minute}, {"a", "", time.Minute}, {"a", "a", time.Millisecond}, {"a", "a", 2 * time.Hour}} {
		if _, err := a.Acquire(t.Context(), bad.name, bad.holder, bad.ttl); err == nil {
			t.Errorf("%+v is taken", bad)
		}
	}
	// What a stranger wrote there blocks for a while, and breaks nothing.
	bucket, err := a.leaseStore(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if _, err := bucket.Put(t.Context(), "strange", []byte("{")); err != nil {
		t.Fatal(err)
	}
	var held *HeldError
	if _, err := a.Acquire(t.Context(), "strange", "a", time.Minute); !errors.As(err, &held) || held.Left > maxLease {
		t.Errorf("a strange value: %v", err)
	}
}

// Setting a computer's clock neither loses nor doubles a lease, by construction:
// no time of day is written into the bucket, none that the server wrote is read,
// and none is asked for. What remains are differences of Bus.clock and timers of
// the runtime; both are monotonic (package time, "Monotonic Clocks").
func TestLeaseKnowsNoTimeOfDay(t *testing.T) {
	value, err := json.Marshal(leaseValue{Holder: "a", Instance: "b", Duration: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	var fields map[string]any
	if err := json.Unmarshal(value, &fields); err != nil {
		t.Fatal(err)
	}
	if got := slices.Sorted(maps.Keys(fields)); !slices.Equal(got, []string{"duration_ns", "holder", "instance"}) {
		t.Errorf("a lease holds %v", got)
	}
	file, err := parser.ParseFile(gotoken.NewFileSet(), "lease.go", nil, 0)
	if err != nil {
		t.Fatal(err)
	}
	ast.Inspect(file, func(n ast.Node) bool {
		if s, ok := n.(*ast.SelectorExpr); ok && slices.Contains([]string{"Now", "Since", "Until", "Created", "Unix", "UnixNano", "Time"}, s.Sel.Name) {
			t.Errorf("lease.go uses %s: the time of day", s.Sel.Name)
		}
		return true
	})
	b := openAll(t)
	before := b.clock()
	if before < 0 || before > time.Hour {
		t.Errorf("the bus's clock starts at %v: is it the time of day?", before)
	}
}

func BenchmarkLeaseRenew(b *testing.B) {
	bus := openAll(b)
	l := acquire(b, bus, "lodge", time.Hour)
	for b.Loop() {
		if err := l.Renew(b.Context()); err != nil {
			b.Fatal(err)
		}
	}
}
