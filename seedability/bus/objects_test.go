package bus

import (
	"bytes"
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

func noise(n int) []byte {
	b := make([]byte, n)
	r := rand.NewChaCha8([32]byte{7})
	_, _ = r.Read(b) // never fails
	return b
}

func inputsStream(t testing.TB, b *Bus) jetstream.Stream {
	t.Helper()
	stream, err := b.js.Stream(t.Context(), "OBJ_"+inputsName)
	if err != nil {
		t.Fatal(err)
	}
	return stream
}

func TestObjects(t *testing.T) {
	b := openAll(t)
	ctx := t.Context()
	if _, err := b.GetObject(ctx, "none"); !errors.Is(err, ErrNoObject) {
		t.Errorf("no object: %v", err)
	}
	if all, err := b.ListObjects(ctx); err != nil || len(all) != 0 {
		t.Errorf("an empty bucket: %v %v", all, err)
	}
	for _, size := range []int{0, 1, chunkBytes - 1, chunkBytes, chunkBytes + 1, 3*chunkBytes + 17} {
		name, data := fmt.Sprintf("larkspur/crop %d.bin", size), noise(size)
		if err := b.PutObject(ctx, name, data, map[string]string{"Source": "model"}); err != nil {
			t.Fatal(err)
		}
		if got, err := b.GetObject(ctx, name); err != nil || !bytes.Equal(got, data) {
			t.Errorf("%s: %d bytes, %v", name, len(got), err)
		}
		// The client library, and whatever else is built on it, reads them as well.
		bucket, err := b.bucket(ctx)
		if err != nil {
			t.Fatal(err)
		}
		if got, err := bucket.store.GetBytes(ctx, name); err != nil || !bytes.Equal(got, data) {
			t.Errorf("%s by the library: %d bytes, %v", name, len(got), err)
		}
	}
	// And what it wrote is read here.
	bucket, err := b.bucket(ctx)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := bucket.store.PutBytes(ctx, "by the library", noise(chunkBytes)); err != nil {
		t.Fatal(err)
	}
	if got, err := b.GetObject(ctx, "by the library"); err != nil || !bytes.Equal(got, noise(chunkBytes)) {
		t.Errorf("put by the library: %d bytes, %v", len(got), err)
	}
	if err := b.DeleteObject(ctx, "by the library"); err != nil {
		t.Fatal(err)
	}
	all, err := b.ListObjects(ctx)
	if err != nil || len(all) != 6 {
		t.Fatalf("%d objects, %v", len(all), err)
	}
	if o := all[0]; o.Name != "larkspur/crop 0.bin" || o.Bytes != 0 || o.Headers["Source"] != "model" || o.Stored.IsZero() {
		t.Errorf("first: %+v", o)
	}

	// The same content again writes nothing; other content takes its place.
	name := "larkspur/crop 1.bin"
	before := inputsStream(t, b).CachedInfo().State.LastSeq
	if err := b.PutObject(ctx, name, noise(1), nil); err != nil {
		t.Fatal(err)
	}
	if after := inputsStream(t, b).CachedInfo().State.LastSeq; after != before {
		t.Errorf("the same content was written again: message %d, then %d", before, after)
	}
	if err := b.PutObject(ctx, name, []byte("new"), nil); err != nil {
		t.Fatal(err)
	}
	if got, err := b.GetObject(ctx, name); err != nil || string(got) != "new" {
		t.Errorf("replaced: %q %v", got, err)
	}
	for range 2 {
		if err := b.DeleteObject(ctx, name); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := b.GetObject(ctx, name); !errors.Is(err, ErrNoObject) {
		t.Errorf("deleted: %v", err)
	}
	if all, err := b.ListObjects(ctx); err != nil || len(all) != 5 {
		t.Errorf("%d objects, %v", len(all), err)
	}
	for _, name := range []string{"", "a\nb", string(make([]byte, 600))} {
		if b.PutObject(ctx, name, nil, nil) == nil {
			t.Errorf("name %q is taken", name)
		}
	}
}

// Damage to what is stored is noticed, and the object can be put again.
func TestDamagedObject(t *testing.T) {
	b := openAll(t)
	b.options.RetryTime, b.options.AttemptTime = 5*time.Second, time.Second
	ctx, data := t.Context(), noise(2*chunkBytes)
	if err := b.PutObject(ctx, "crop", data, nil); err != nil {
		t.Fatal(err)
	}
	bucket, err := b.bucket(ctx)
	if err != nil {
		t.Fatal(err)
	}
	info, err := bucket.store.GetInfo(ctx, "crop")
	if err != nil {
		t.Fatal(err)
	}
	chunks := "$O." + inputsName + ".C." + info.NUID
	first, err := bucket.stream.GetMsg(ctx, 1, jetstream.WithGetMsgSubject(chunks))
	if err != nil {
		t.Fatal(err)
	}
	// One chunk is lost.
	if err := bucket.stream.DeleteMsg(ctx, first.Sequence); err != nil {
		t.Fatal(err)
	}
	if _, err := b.GetObject(ctx, "crop"); !errors.Is(err, ErrObjectDamaged) {
		t.Errorf("a chunk is missing: %v", err)
	}
	// In its place comes another of the same size.
	if _, err := b.js.Publish(ctx, chunks, noise(chunkBytes)[:chunkBytes]); err != nil {
		t.Fatal(err)
	}
	if _, err := b.GetObject(ctx, "crop"); !errors.Is(err, ErrObjectDamaged) {
		t.Errorf("chunks in another order: %v", err)
	}
	if err := b.DeleteObject(ctx, "crop"); err != nil {
		t.Fatal(err)
	}
	if err := b.PutObject(ctx, "crop", data, nil); err != nil {
		t.Fatal(err)
	}
	if got, err := b.GetObject(ctx, "crop"); err != nil || !bytes.Equal(got, data) {
		t.Errorf("put again: %d bytes, %v", len(got), err)
	}
}

func TestObjectsAreBounded(t *testing.T) {
	b := openAll(t)
	data := noise(5000)
	if err := b.PutObject(t.Context(), "crop", data, nil); err != nil {
		t.Fatal(err)
	}
	b.options.MaxObjectBytes = 4999
	if _, err := b.GetObject(t.Context(), "crop"); !errors.Is(err, ErrObjectTooLarge) {
		t.Errorf("too large to read: %v", err)
	}
	if err := b.PutObject(t.Context(), "other", data, nil); !errors.Is(err, ErrObjectTooLarge) {
		t.Errorf("too large to put: %v", err)
	}
}

// A full bucket refuses, keeps what it has, and takes again when room is made.
func TestFullBucketRefuses(t *testing.T) {
	s, err := Embedded(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b, err := s.Connect(t.Context(), Options{InputsBytes: 3 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	data := noise(2 << 20)
	if err := b.PutObject(t.Context(), "first", data, nil); err != nil {
		t.Fatal(err)
	}
	if err := b.PutObject(t.Context(), "second", data[1:], nil); !errors.Is(err, ErrFull) {
		t.Errorf("no room: %v", err)
	}
	if err := b.PutObject(t.Context(), "first", data[1:], nil); !errors.Is(err, ErrFull) {
		t.Errorf("no room for another first: %v", err)
	}
	if got, err := b.GetObject(t.Context(), "first"); err != nil || !bytes.Equal(got, data) {
		t.Errorf("the first: %d bytes, %v", len(got), err)
	}
	if _, err := b.GetObject(t.Context(), "second"); !errors.Is(err, ErrNoObject) {
		t.Errorf("the second: %v", err)
	}
	if err := b.DeleteObject(t.Context(), "first"); err != nil {
		t.Fatal(err)
	}
	if err := b.PutObject(t.Context(), "second", data[1:], nil); err != nil {
		t.Errorf("with room again: %v", err)
	}
}

func benchmarkObject(b *testing.B, size int, get bool) {
	bus := openAll(b)
	data := noise(size)
	if err := bus.PutObject(b.Context(), "crop", data, nil); err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(size))
	b.ReportAllocs()
	n := byte(0)
	for b.Loop() {
		if get {
			if _, err := bus.GetObject(b.Context(), "crop"); err != nil {
				b.Fatal(err)
			}
			continue
		}
		n++
		data[0] = n // other content each time
		if err := bus.PutObject(b.Context(), "crop", data, nil); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkPutObject1MB(b *testing.B)  { benchmarkObject(b, 1e6, false) }
func BenchmarkPutObject10MB(b *testing.B) { benchmarkObject(b, 1e7, false) }
func BenchmarkGetObject1MB(b *testing.B)  { benchmarkObject(b, 1e6, true) }
func BenchmarkGetObject10MB(b *testing.B) { benchmarkObject(b, 1e7, true) }
