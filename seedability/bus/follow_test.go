package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// follow collects until n messages are there.
func follow(t testing.TB, b *Bus, o FollowOptions, n int) (got []Stored, faults []error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for stored, err := range b.Follow(ctx, o) {
		if err != nil {
			faults = append(faults, err)
		} else {
			got = append(got, stored)
		}
		if len(got) == n {
			return got, faults
		}
	}
	t.Fatalf("%d messages, want %d", len(got), n)
	return nil, nil
}

func kindEvent(t testing.TB, kind Kind, programme, site string, data any) Event {
	t.Helper()
	e, err := NewEvent(kind, programme, site, releaseTime, data)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func subjects(all []Stored) (subjects []string) {
	for _, stored := range all {
		subjects = append(subjects, stored.Subject)
	}
	return subjects
}

func TestFollow(t *testing.T) {
	_, b := open(t, t.TempDir())
	for _, e := range []Event{
		kindEvent(t, Score, "larkspur", "saddlehorn", 1),
		kindEvent(t, Score, "larkspur", "tin-kettle", 2),
		kindEvent(t, Score, "columbine", "saddlehorn", 3),
		kindEvent(t, Outlook, "larkspur", "saddlehorn", 4),
		kindEvent(t, Health, "", "lodge-1", 5),
	} {
		publish(t, b, e)
	}
	if last, err := b.LastSequence(t.Context(), Score); err != nil || last != 3 {
		t.Errorf("last sequence %d, %v", last, err)
	}
	for _, test := range []struct {
		o    FollowOptions
		want []string
	}{
		{FollowOptions{Kinds: []Kind{Score}, Since: FromAll}, []string{"rimeline.larkspur.score.saddlehorn", "rimeline.larkspur.score.tin-kettle", "rimeline.columbine.score.saddlehorn"}},
		{FollowOptions{Kinds: []Kind{Score}, Since: FromSequence(3)}, []string{"rimeline.columbine.score.saddlehorn"}},
		{FollowOptions{Kinds: []Kind{Score}, Programme: "columbine", Since: FromAll}, []string{"rimeline.columbine.score.saddlehorn"}},
		{FollowOptions{Kinds: []Kind{Score}, Site: "saddlehorn", Since: FromTime(time.Now().Add(-time.Hour))}, []string{"rimeline.larkspur.score.saddlehorn", "rimeline.columbine.score.saddlehorn"}},
		{FollowOptions{Kinds: []Kind{Health}, Site: "lodge-1", Since: FromAll}, []string{"rimeline.health.lodge-1"}},
	} {
		got, faults := follow(t, b, test.o, len(test.want))
		if !slices.Equal(subjects(got), test.want) || faults != nil {
			t.Errorf("%+v: got %v %v, want %v", test.o, subjects(got), faults, test.want)
		}
	}
	all, _ := follow(t, b, FollowOptions{Since: FromAll}, 5)
	names := subjects(all)
	slices.Sort(names)
	if want := []string{"rimeline.columbine.score.saddlehorn", "rimeline.health.lodge-1", "rimeline.larkspur.outlook.saddlehorn", "rimeline.larkspur.score.saddlehorn", "rimeline.larkspur.score.tin-kettle"}; !slices.Equal(names, want) {
		t.Errorf("all: %v", names)
	}
}

func TestFollowNewAndStrange(t *testing.T) {
	_, b := open(t, t.TempDir())
	publish(t, b, kindEvent(t, Score, "larkspur", "saddlehorn", "old"))
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	var got []string
	faults := 0
	began := make(chan struct{})
	go func() { // when the following is under way
		eventually(t, "a consumer", func() bool {
			stream, err := b.js.Stream(ctx, Score.Stream)
			return err == nil && stream.CachedInfo().State.Consumers > 0
		})
		publish(t, b, kindEvent(t, Score, "larkspur", "saddlehorn", "new"))
		if _, err := b.js.Publish(ctx, "rimeline.larkspur.score.tin-kettle", []byte("no event")); err != nil {
			t.Error(err)
		}
		publish(t, b, kindEvent(t, Score, "larkspur", "saddlehorn", "last"))
		close(began)
	}()
	for stored, err := range b.Follow(ctx, FollowOptions{Kinds: []Kind{Score}}) {
		if err != nil {
			faults++
			continue
		}
		got = append(got, string(stored.Event.Data))
		if len(got) == 2 {
			cancel() // ends the loop
		}
	}
	<-began
	if !slices.Equal(got, []string{`"new"`, `"last"`}) || faults != 1 {
		t.Errorf("got %v, %d faults", got, faults)
	}
}

func TestFollowRefuses(t *testing.T) {
	_, b := open(t, t.TempDir())
	b.options.ReadyTime = 300 * time.Millisecond
	for name, test := range map[string]struct {
		o    FollowOptions
		want error
	}{
		"sequence of several": {FollowOptions{Since: FromSequence(3)}, nil},
		"wildcard":            {FollowOptions{Site: ">"}, nil},
		"no stream":           {FollowOptions{Kinds: []Kind{{Name: "x", Stream: "RIMELINE_X"}}}, jetstream.ErrStreamNotFound},
	} {
		n := 0
		for _, err := range b.Follow(t.Context(), test.o) {
			n++
			if err == nil || test.want != nil && !errors.Is(err, test.want) {
				t.Errorf("%s: %v", name, err)
			}
		}
		if n != 1 {
			t.Errorf("%s: %d results", name, n)
		}
	}
}

// Every message follows once and in order, though the server is killed twice.
func TestFollowAcrossRestarts(t *testing.T) {
	t.Parallel()
	dir, port := t.TempDir(), freePort(t)
	c := startChild(t, dir, port)
	connect := func() *Bus {
		b, err := Connect(t.Context(), c.address, Options{AttemptTime: 300 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(b.Close)
		return b
	}
	publisher, reader := connect(), connect()
	if err := publisher.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	const messages = 200
	published := make(chan struct{})
	go func() {
		defer close(published)
		for k := range messages {
			if _, err := publisher.Publish(t.Context(), event(t, "tin-kettle", releaseTime, k)); err != nil {
				t.Error(err)
				return
			}
		}
	}()
	n := 0
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for stored, err := range reader.Follow(ctx, FollowOptions{Kinds: []Kind{Score}, Since: FromAll}) {
		if err != nil {
			t.Fatal(err)
		}
		if string(stored.Event.Data) != fmt.Sprint(n) {
			t.Fatalf("message %d holds %s", n, stored.Event.Data)
		}
		if n++; n == messages {
			break
		}
		if n == 50 || n == 100 {
			c.kill()
			c = startChild(t, dir, port)
		}
	}
	<-published
	if n != messages {
		t.Errorf("%d messages, want %d", n, messages)
	}
}
