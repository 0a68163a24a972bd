package bus

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

func putState(t testing.TB, b *Bus, key string, value []byte) {
	t.Helper()
	if err := b.PutState(t.Context(), key, value); err != nil {
		t.Fatal(err)
	}
}

// stateIs checks the value under a key; nil: there is none.
func stateIs(t testing.TB, b *Bus, key string, want []byte) {
	t.Helper()
	got, found, err := b.GetState(t.Context(), key)
	if err != nil || found != (want != nil) || !bytes.Equal(got, want) {
		t.Errorf("state %s: %d bytes, found %v, %v; want %d bytes", key, len(got), found, err, len(want))
	}
}

// stateMessages is how many messages the bucket has.
func stateMessages(t testing.TB, b *Bus) uint64 {
	t.Helper()
	stream, err := b.js.Stream(t.Context(), stateStream)
	if err != nil {
		t.Fatal(err)
	}
	return stream.CachedInfo().State.Msgs
}

func TestState(t *testing.T) {
	_, b := open(t, t.TempDir())
	const key = "alerts.larkspur"
	stateIs(t, b, key, nil)
	// noise is as large compressed as it was: 10 MB are 20 parts.
	for _, test := range []struct {
		value    []byte
		messages uint64
	}{
		{[]byte{}, 1}, {[]byte("x"), 1}, {noise(1_000_000), 3}, {noise(10_000_000), 21}, {bytes.Repeat([]byte("window "), 1_500_000), 1},
		{noise(MaxStateBytes), 34}, {[]byte(`{"open":[]}`), 1},
	} {
		putState(t, b, key, test.value)
		stateIs(t, b, key, test.value)
		if got := stateMessages(t, b); got != test.messages {
			t.Errorf("%d bytes: %d messages in the bucket, want %d", len(test.value), got, test.messages)
		}
	}
	if err := b.PutState(t.Context(), key, make([]byte, MaxStateBytes+1)); !errors.Is(err, ErrObjectTooLarge) {
		t.Errorf("a value that is too large: %v", err)
	}
	stateIs(t, b, key, []byte(`{"open":[]}`))

	for _, more := range []string{"delivery.larkspur.a", "delivery.larkspur.b", "delivery.columbine.a", "delivery.larkspur2.a", "Alerts"} {
		putState(t, b, more, noise(600_000))
	}
	for _, test := range []struct{ prefix, want string }{
		{"", "Alerts alerts.larkspur delivery.columbine.a delivery.larkspur.a delivery.larkspur.b delivery.larkspur2.a"},
		{"delivery.larkspur.", "delivery.larkspur.a delivery.larkspur.b"},
		{"delivery.larkspur", "delivery.larkspur.a delivery.larkspur.b delivery.larkspur2.a"},
		{"alerts.larkspur", "alerts.larkspur"}, {"nothing.", ""},
	} {
		if got, err := b.ListState(t.Context(), test.prefix); err != nil || strings.Join(got, " ") != test.want {
			t.Errorf("list %q: %v, %v; want %s", test.prefix, got, err, test.want)
		}
	}
	// What is removed leaves nothing behind.
	all, _ := b.ListState(t.Context(), "")
	for _, one := range append(all, "never.there") {
		if err := b.DeleteState(t.Context(), one); err != nil {
			t.Error(err)
		}
		stateIs(t, b, one, nil)
	}
	if got := stateMessages(t, b); got != 0 {
		t.Errorf("%d messages in an empty bucket", got)
	}
	putState(t, b, key, []byte("again"))
	stateIs(t, b, key, []byte("again"))
}

func TestStateKeys(t *testing.T) {
	_, b := open(t, t.TempDir())
	for _, key := range []string{
		"", ".", "a.", ".a", "a..b", "a b", "a*", ">", "a.>", "_part", "_part.a", "-a", "a/b", "a\n", "ä", "a.b.c.d.e.f.g.h.i", strings.Repeat("a", 129),
	} {
		_, _, getErr := b.GetState(t.Context(), key)
		if err := b.PutState(t.Context(), key, nil); err == nil || getErr == nil || b.DeleteState(t.Context(), key) == nil {
			t.Errorf("key %q is taken: %v %v", key, err, getErr)
		}
	}
	for _, key := range []string{"a", "A-_=", "1.2.3.4.5.6.7.8", strings.Repeat("a", 128)} {
		putState(t, b, key, []byte(key))
		stateIs(t, b, key, []byte(key))
	}
	for _, prefix := range []string{"*", ">", "a..", "a.>", " ", "_part.", ".a"} {
		if got, err := b.ListState(t.Context(), prefix); err == nil {
			t.Errorf("prefix %q: %v", prefix, got)
		}
	}
}

// numbered is a value of a size that tells whether it is whole.
func numbered(n uint32, size int) []byte {
	value := noise(size)
	for i := 0; i+4 <= size; i += 4 {
		binary.LittleEndian.PutUint32(value[i:], binary.LittleEndian.Uint32(value[i:])^n)
	}
	return value
}

// Of writers at the same time one stays; whoever reads sees one value or another,
// never parts of two; and no parts are left over.
func TestStateConcurrentWriters(t *testing.T) {
	_, b := open(t, t.TempDir())
	b.options.AttemptTime = 20 * time.Second // on a busy machine too, so that all is tidied
	const key, size, writers, rounds = "alerts.larkspur", 1_200_000, 5, 6
	known := map[string]bool{}
	for n := range writers * rounds {
		known[digestOf(numbered(uint32(n), size))] = true
	}
	putState(t, b, key, numbered(0, size))
	reading, stop := context.WithCancel(t.Context())
	var readers, group sync.WaitGroup
	var reads atomic.Int64
	readers.Go(func() {
		for reading.Err() == nil {
			value, found, err := b.GetState(t.Context(), key)
			if err != nil || !found || !known[digestOf(value)] {
				t.Errorf("read %d: %d bytes, %v, %v: none that was put", reads.Load(), len(value), found, err)
				return
			}
			reads.Add(1)
		}
	})
	for w := range writers {
		group.Go(func() {
			// A reader that gets little time on a busy machine is waited for.
			for r := 0; r < rounds || reads.Load() < 3 && r < 20*rounds; r++ {
				if err := b.PutState(t.Context(), key, numbered(uint32(w*rounds+r%rounds), size)); err != nil {
					t.Error(err)
				}
			}
		})
	}
	group.Wait()
	stop()
	readers.Wait()
	if n := reads.Load(); n < 3 {
		t.Errorf("%d reads", n)
	}
	if got := stateMessages(t, b); got != 4 {
		t.Errorf("%d messages are left of values in 3 parts, want 4", got)
	}
}

// What was put is there after the server was killed, and a put goes through a kill.
func TestStateAcrossKills(t *testing.T) {
	t.Parallel()
	dir, port := t.TempDir(), freePort(t)
	c := startChild(t, dir, port)
	b, err := Connect(t.Context(), c.address, Options{AttemptTime: time.Second})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	small, large := []byte("small"), noise(10_000_000)
	putState(t, b, "alerts.larkspur", small)
	putState(t, b, "alerts.columbine", large)
	c.kill()
	c = startChild(t, dir, port)
	stateIs(t, b, "alerts.larkspur", small)
	stateIs(t, b, "alerts.columbine", large)

	done := make(chan error, 1)
	next := numbered(1, 10_000_000)
	go func() { done <- b.PutState(context.Background(), "alerts.columbine", next) }()
	time.Sleep(30 * time.Millisecond)
	c.kill()
	startChild(t, dir, port)
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	stateIs(t, b, "alerts.columbine", next)
	stateIs(t, b, "alerts.larkspur", small)
}

func TestStateOrphans(t *testing.T) {
	_, b := open(t, t.TempDir())
	const key = "alerts.larkspur"
	put := func(subject string) {
		if _, err := b.js.Publish(t.Context(), subject, noise(100)); err != nil {
			t.Fatal(err)
		}
	}
	put(partsSubject(key, "gone") + "0")
	put(partsSubject(key, "gone") + "1")
	put(partsSubject(key+".more", "other") + "0") // of another key
	putState(t, b, key, noise(1_000_000))
	if got := stateMessages(t, b); got != 6 {
		t.Fatalf("%d messages, want 6: parts that are young stay", got)
	}
	stream, err := b.stateStore(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	b.tidyState(t.Context(), stream, key, 0)
	stateIs(t, b, key, noise(1_000_000))
	info, err := stream.Info(t.Context(), jetstream.WithSubjectFilter(statePart+">"))
	if err != nil {
		t.Fatal(err)
	}
	var left []string
	for subject := range info.State.Subjects {
		if !strings.HasPrefix(subject, statePart+key+".") || strings.Contains(subject, "gone") || strings.Contains(subject, "more") {
			left = append(left, subject)
		}
	}
	if want := []string{partsSubject(key+".more", "other") + "0"}; !slices.Equal(left, want) || len(info.State.Subjects) != 3 {
		t.Errorf("left over: %v of %d, want %v", left, len(info.State.Subjects), want)
	}
}

// What lies in the bucket and is no value is an error, and is replaced.
func TestStateDamaged(t *testing.T) {
	_, b := open(t, t.TempDir())
	const key = "alerts.larkspur"
	zeros := func(n int) []byte {
		encoder, err := zstd.NewWriter(nil)
		if err != nil {
			t.Fatal(err)
		}
		return encoder.EncodeAll(make([]byte, n), nil)
	}
	header := func(id, parts, size, digest string) nats.Header {
		return nats.Header{stateID: {id}, stateParts: {parts}, stateSize: {size}, stateDigest: {digest}}
	}
	good := digestOf(make([]byte, 9))
	for name, test := range map[string]struct {
		header nats.Header
		data   []byte
	}{
		"bare":               {nil, []byte("hello")},
		"empty":              {nil, nil},
		"no compression":     {header("a", "0", "9", good), []byte("123456789")},
		"another digest":     {header("a", "0", "9", digestOf(nil)), zeros(9)},
		"another size":       {header("a", "0", "8", good), zeros(9)},
		"too large":          {header("a", "0", fmt.Sprint(MaxStateBytes+1), good), zeros(9)},
		"unpacks beyond all": {header("a", "0", "9", digestOf(make([]byte, 100<<20))), zeros(100 << 20)},
		"parts missing":      {header("a", "2", "9", good), nil},
		"too many parts":     {header("a", "65535", "9", good), nil},
		"negative":           {header("a", "-1", "9", good), zeros(9)},
		"wild id":            {header(">", "1", "9", good), zeros(9)},
	} {
		message := &nats.Msg{Subject: stateSubject + key, Header: test.header, Data: test.data}
		if _, err := b.js.PublishMsg(t.Context(), message); err != nil {
			t.Fatal(err)
		}
		if value, found, err := b.GetState(t.Context(), key); !errors.Is(err, ErrObjectDamaged) || found || value != nil {
			t.Errorf("%s: %d bytes, %v, %v", name, len(value), found, err)
		}
		putState(t, b, key, []byte("mended"))
		stateIs(t, b, key, []byte("mended"))
	}
	if got := stateMessages(t, b); got != 1 {
		t.Errorf("%d messages", got)
	}
	if _, err := b.js.PublishMsg(t.Context(), &nats.Msg{Subject: stateSubject + key}); err != nil {
		t.Fatal(err)
	}
	if err := b.DeleteState(t.Context(), key); err != nil {
		t.Error(err)
	}
	stateIs(t, b, key, nil)
}

// A bucket that is full refuses a value and keeps the one that is there.
func TestStateFull(t *testing.T) {
	s, err := Embedded(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	var small Options
	b, err := s.Connect(t.Context(), Options{StoreBytes: storeBytes(small) / 100}) // 2.6 MB for states
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	putState(t, b, "a", noise(1_000_000))
	if err := b.PutState(t.Context(), "a", noise(5_000_000)); !errors.Is(err, ErrFull) {
		t.Errorf("beyond the room: %v", err)
	}
	stateIs(t, b, "a", noise(1_000_000))
	if got := stateMessages(t, b); got != 3 {
		t.Errorf("%d messages: what was refused was not removed", got)
	}
	putState(t, b, "a", noise(1_100_000))
}
