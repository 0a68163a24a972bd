package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
)

// leaseBucket is the key-value bucket of leases.
const leaseBucket = "RIMELINE_LEASES"

// maxLease bounds how long a lease may be, and how long a damaged one blocks.
const maxLease = time.Hour

var leaseName = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,63}(\.[A-Za-z0-9][A-Za-z0-9_-]{0,63}){0,3}$`)

// leaseValue is what the bucket holds of a lease. There is no time of day in it:
// computers need not agree on one.
type leaseValue struct {
	Holder   string        `json:"holder"`
	Instance string        `json:"instance"` // tells apart two processes of the same holder
	Duration time.Duration `json:"duration_ns"`
}

// leaseSight is since when a revision of somebody's lease was seen unchanged.
type leaseSight struct {
	revision uint64
	since    time.Duration // of Bus.clock
}

// HeldError: another holds the lease.
type HeldError struct {
	Name string
	By   string
	// Left is after which time without a sign of the holder this connection will
	// take the lease over, if it asks again then.
	Left time.Duration
}

func (e *HeldError) Error() string { return fmt.Sprintf("lease %s is held by %s", e.Name, e.By) }

// Is makes errors.Is(err, ErrHeld) true.
func (e *HeldError) Is(target error) bool { return target == ErrHeld }

// Errors of leases.
var (
	// ErrHeld is what a *HeldError is.
	ErrHeld = errors.New("held by another")
	// ErrLost: the lease was not renewed in time, or taken over.
	ErrLost = errors.New("lease lost")
)

// errUnsettled: the bucket changed between reading and writing.
var errUnsettled = errors.New("the lease is changing")

// Lease says that this process owns something for a while. No two processes own
// the same, whatever the computers' clocks say: the holder stops when its own
// stopwatch says that it has not renewed for the length of the lease, counted from
// before the renewal was sent; another takes over only after it has seen the lease
// unchanged for that long by its own stopwatch. Both are monotonic clocks, so that
// setting the time of day changes nothing. What is assumed is that stopwatches run
// equally fast within a tenth, and that the process is not put to sleep between
// looking at Lost and acting; for that there is the Token.
type Lease struct {
	bus    *Bus
	bucket jetstream.KeyValue
	name   string
	value  []byte
	mine   leaseValue
	token  uint64

	mu       sync.Mutex
	revision uint64
	timer    *time.Timer
	lost     chan struct{}
	over     bool
}

// Acquire takes a lease of a length of 100 ms to 1 h, or returns a *HeldError.
// One that another holds can be taken over once this connection has seen it
// unrenewed for its length: ask again, or use AcquireWait. Renew it with Keep.
//
// A lease is of the process, not of the holder's name: a holder that is started
// again waits like any other, unless it released the lease before.
func (b *Bus) Acquire(ctx context.Context, name, holder string, ttl time.Duration) (*Lease, error) {
	switch {
	case !leaseName.MatchString(name):
		return nil, fmt.Errorf("lease name %q is not up to four words of letters, digits, - or _ with dots between", name)
	case holder == "" || len(holder) > 256:
		return nil, fmt.Errorf("lease %s: holder %q is not 1 to 256 bytes", name, holder)
	case ttl < 100*time.Millisecond || ttl > maxLease:
		return nil, fmt.Errorf("lease %s: a length of %v is not within 100 ms and %v", name, ttl, maxLease)
	}
	mine := leaseValue{Holder: holder, Instance: nuid.Next(), Duration: ttl}
	value, err := json.Marshal(mine)
	if err != nil {
		return nil, fmt.Errorf("lease %s: %w", name, err)
	}
	start := b.clock() // before anything is written
	var l *Lease
	err = b.retry(ctx, min(ttl, b.options.RetryTime), func(ctx context.Context) error {
		bucket, err := b.leaseStore(ctx)
		if err != nil {
			return err
		}
		revision, err := b.seize(ctx, bucket, name, mine, value)
		if err == nil {
			l = &Lease{bus: b, bucket: bucket, name: name, value: value, mine: mine, token: revision, revision: revision, lost: make(chan struct{})}
		}
		return err
	})
	var held *HeldError
	if errors.As(err, &held) {
		return nil, held
	}
	if err != nil {
		return nil, fmt.Errorf("lease %s: %w", name, err)
	}
	left := l.left(start)
	l.timer = time.AfterFunc(left, l.lose)
	return l, nil
}

// AcquireWait is Acquire that waits for its turn.
func (b *Bus) AcquireWait(ctx context.Context, name, holder string, ttl time.Duration) (*Lease, error) {
	for {
		l, err := b.Acquire(ctx, name, holder, ttl)
		var held *HeldError
		if err == nil || (!errors.As(err, &held) && !passing(err)) || ctx.Err() != nil {
			return l, err
		}
		// Often enough to see a renewal soon after it was made.
		wait := ttl / 10
		if held != nil {
			wait = max(min(held.Left, wait), 5*time.Millisecond)
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("lease %s: %w (last: %w)", name, context.Cause(ctx), err)
		case <-time.After(wait):
		}
	}
}

func (b *Bus) leaseStore(ctx context.Context) (jetstream.KeyValue, error) {
	b.mu.Lock()
	bucket := b.leases
	b.mu.Unlock()
	if bucket != nil {
		return bucket, nil
	}
	bucket, err := b.js.KeyValue(ctx, leaseBucket)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.leases = bucket
	return bucket, nil
}

// seize tries once. Writing is by compare-and-set on the revision that was read,
// so that of several only one succeeds.
func (b *Bus) seize(ctx context.Context, bucket jetstream.KeyValue, name string, mine leaseValue, value []byte) (revision uint64, err error) {
	entry, err := bucket.Get(ctx, name)
	switch {
	case errors.Is(err, jetstream.ErrKeyNotFound):
		revision, err = bucket.Create(ctx, name, value)
	case err != nil:
		return 0, err
	default:
		holder := readLease(entry.Value())
		if holder.Instance == mine.Instance {
			return entry.Revision(), nil // an earlier attempt, of which no answer came
		}
		if left := b.sight(name, entry.Revision(), holder.Duration); left > 0 {
			return 0, lasting{&HeldError{Name: name, By: holder.Holder, Left: left}}
		}
		revision, err = bucket.Update(ctx, name, value, entry.Revision())
	}
	if errors.Is(err, jetstream.ErrKeyExists) || errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
		return 0, errUnsettled // read again
	}
	return revision, err
}

// lasting keeps retry from trying again.
type lasting struct{ error }

func (e lasting) Unwrap() error        { return e.error }
func (e lasting) Is(target error) bool { return target == errLasting }

// readLease reads what the bucket holds. What is damaged counts as a lease of
// someone unknown for as long as any may last.
func readLease(value []byte) leaseValue {
	var v leaseValue
	if err := json.Unmarshal(value, &v); err != nil || v.Duration <= 0 || v.Duration > maxLease {
		return leaseValue{Holder: "unknown", Duration: maxLease}
	}
	return v
}

// sight notes a revision of another's lease, and tells how long it has to stay
// unchanged before it may be taken over.
func (b *Bus) sight(name string, revision uint64, duration time.Duration) time.Duration {
	now := b.clock()
	b.mu.Lock()
	defer b.mu.Unlock()
	seen, ok := b.seen[name]
	if !ok || seen.revision != revision {
		seen = leaseSight{revision, now}
		b.seen[name] = seen
	}
	return duration - (now - seen.since)
}

// left is how long the lease is valid that was written at or after start. It is a
// tenth shorter than what others wait.
func (l *Lease) left(start time.Duration) time.Duration {
	return max(l.mine.Duration-l.mine.Duration/10-(l.bus.clock()-start), 0)
}

// Token grows at every change of owner, and only then. Who passes it along with
// what it writes lets the receiver refuse an owner that was replaced without
// knowing it yet.
func (l *Lease) Token() uint64 { return l.token }

// Lost is closed when the lease is over: not renewed in time, taken over, or
// released.
func (l *Lease) Lost() <-chan struct{} { return l.lost }

func (l *Lease) lose() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if !l.over {
		l.over = true
		close(l.lost)
	}
}

// Keep renews the lease three times in its length. It returns nil when ctx ends,
// with the lease still held, and ErrLost when the lease is over.
func (l *Lease) Keep(ctx context.Context) error {
	wait := l.mine.Duration / 3
	next := time.NewTimer(wait)
	defer next.Stop()
	for {
		select {
		case <-ctx.Done():
			return nil
		case <-l.lost:
			return fmt.Errorf("lease %s: %w", l.name, ErrLost)
		case <-next.C:
		}
		attempt, end := context.WithTimeout(ctx, wait)
		err := l.Renew(attempt)
		end()
		if errors.Is(err, ErrLost) {
			return err
		}
		if err != nil {
			next.Reset(wait / 10) // what was lost is lost by the timer
		} else {
			next.Reset(wait)
		}
	}
}

// Renew makes the lease last for its length from now on.
func (l *Lease) Renew(ctx context.Context) error {
	start := l.bus.clock()
	l.mu.Lock()
	revision, over := l.revision, l.over
	l.mu.Unlock()
	if over {
		return fmt.Errorf("lease %s: %w", l.name, ErrLost)
	}
	renewed, err := l.bucket.Update(ctx, l.name, l.value, revision)
	if errors.Is(err, jetstream.ErrKeyExists) || errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
		return l.compare(ctx, revision)
	}
	if err != nil {
		return fmt.Errorf("lease %s: %w", l.name, err)
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.over {
		return fmt.Errorf("lease %s: %w", l.name, ErrLost)
	}
	l.revision = renewed
	l.timer.Reset(l.left(start))
	return nil
}

// compare finds out why a renewal met another revision: a renewal of our own
// whose answer was lost, or another holder.
func (l *Lease) compare(ctx context.Context, revision uint64) error {
	entry, err := l.bucket.Get(ctx, l.name)
	if err != nil && !errors.Is(err, jetstream.ErrKeyNotFound) {
		return fmt.Errorf("lease %s: %w", l.name, err)
	}
	if err == nil && readLease(entry.Value()).Instance == l.mine.Instance {
		l.mu.Lock()
		defer l.mu.Unlock()
		l.revision = max(entry.Revision(), revision) // a follower may be behind
		return fmt.Errorf("lease %s: %w", l.name, errUnsettled)
	}
	l.lose()
	if err != nil {
		return fmt.Errorf("lease %s: %w: removed", l.name, ErrLost)
	}
	return fmt.Errorf("lease %s: %w: held by %s", l.name, ErrLost, readLease(entry.Value()).Holder)
}

// Release ends the lease, so that another need not wait. One that is over already
// is no error.
func (l *Lease) Release(ctx context.Context) error {
	l.mu.Lock()
	revision, over := l.revision, l.over
	l.mu.Unlock()
	if over {
		return nil
	}
	l.lose()
	l.timer.Stop()
	err := l.bus.retry(ctx, min(l.mine.Duration, l.bus.options.RetryTime), func(ctx context.Context) error {
		err := l.bucket.Delete(ctx, l.name, jetstream.LastRevision(revision))
		if errors.Is(err, jetstream.ErrKeyExists) || errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
			return nil // another has it, or our own last renewal: then it runs out
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("lease %s: %w", l.name, err)
	}
	return nil
}
