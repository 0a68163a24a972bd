package bus

import (
	"context"
	"errors"
	"fmt"
	"net"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// What was stored since a moment, of one programme and site or of all, is read to
// the last message of then, and no further.
func TestReadSince(t *testing.T) {
	t.Parallel()
	s, err := Embedded(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b, err := s.Connect(t.Context(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)

	read := func(programme, site string, since time.Time) (texts []string) {
		t.Helper()
		for stored, err := range b.ReadSince(t.Context(), Order, programme, site, since) {
			if err != nil {
				texts = append(texts, "error")
				continue
			}
			texts = append(texts, string(stored.Event.Data))
		}
		return texts
	}
	for _, err := range b.ReadSince(t.Context(), Order, "", "", time.Time{}) {
		if !errors.Is(err, jetstream.ErrStreamNotFound) {
			t.Errorf("no stream: %v", err)
		}
	}
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := read("", "", time.Time{}); len(got) != 0 {
		t.Errorf("empty stream: %v", got)
	}
	began := time.Now()
	server, err := b.ServerTime(t.Context(), Order)
	if err != nil || server.Sub(began).Abs() > time.Minute {
		t.Errorf("server's time %v, ours %v: %v", server, began, err)
	}
	publish := func(programme, site string, n int) {
		t.Helper()
		e, err := NewEvent(Order, programme, site, began, n)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.Publish(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
	publish("larkspur", "set", 1)
	publish("larkspur", "lift", 2)
	publish("bracken", "set", 3)
	if _, err := b.js.Publish(t.Context(), "rimeline.bracken.order.set", []byte("no event")); err != nil {
		t.Fatal(err)
	}
	time.Sleep(20 * time.Millisecond)
	later := time.Now()
	publish("larkspur", "set", 5)

	for _, test := range []struct {
		programme, site string
		since           time.Time
		want            []string
	}{
		{"", "", time.Time{}, []string{"1", "2", "3", "error", "5"}},
		{"larkspur", "", time.Time{}, []string{"1", "2", "5"}},
		{"larkspur", "lift", time.Time{}, []string{"2"}},
		{"", "", later, []string{"5"}},
		{"bracken", "", later, nil},
		{"", "", later.Add(time.Hour), nil},
	} {
		if got := read(test.programme, test.site, test.since); !slices.Equal(got, test.want) {
			t.Errorf("%+v: %v", test, got)
		}
	}
	for _, err := range b.ReadSince(t.Context(), Order, "not a token", "", time.Time{}) {
		if err == nil {
			t.Error("a programme that is no token was read")
		}
	}
	ended, cancel := context.WithCancel(t.Context())
	cancel()
	for _, err := range b.ReadSince(ended, Order, "", "", time.Time{}) {
		if !errors.Is(err, context.Canceled) {
			t.Errorf("after the end: %v", err)
		}
	}

	sites, err := b.Sites(t.Context(), Order, "")
	if err != nil || len(sites) != 2 || !slices.Equal(sites["larkspur"], []string{"lift", "set"}) || !slices.Equal(sites["bracken"], []string{"set"}) {
		t.Errorf("sites %v: %v", sites, err)
	}
	if sites, err = b.Sites(t.Context(), Order, "bracken"); err != nil || len(sites) != 1 {
		t.Errorf("sites of one: %v: %v", sites, err)
	}
}

// More than the server sends ahead at once, while others publish.
func TestReadSinceOfMany(t *testing.T) {
	t.Parallel()
	s, err := Embedded(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b, err := s.Connect(t.Context(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	const many = 700
	publish := func(n int) {
		e, err := NewEvent(Ack, "larkspur", Whole, time.Now(), n)
		if err == nil {
			_, err = b.Publish(t.Context(), e)
		}
		if err != nil {
			t.Error(err)
		}
	}
	for n := range many {
		publish(n)
	}
	n := 0
	for stored, err := range b.ReadSince(t.Context(), Ack, "", "", time.Time{}) {
		if err != nil {
			t.Fatal(err)
		}
		if string(stored.Event.Data) != fmt.Sprint(n) {
			t.Fatalf("message %d is %s", n, stored.Event.Data)
		}
		if n%100 == 0 {
			publish(-1 - n) // after the call: not ours
		}
		n++
	}
	if n != many {
		t.Errorf("%d messages, %d were there", n, many)
	}
}

// A server that was started again at another address is found again.
func TestConnectWhere(t *testing.T) {
	t.Parallel()
	var mutex sync.Mutex
	address := ""
	where := func() (string, error) {
		mutex.Lock()
		defer mutex.Unlock()
		if address == "" {
			return "", errors.New("no server runs")
		}
		return address, nil
	}
	dir := t.TempDir()
	begin := func() *Server {
		s, err := EmbeddedWith(dir, ServerOptions{Listen: "127.0.0.1:0"})
		if err != nil {
			t.Fatal(err)
		}
		mutex.Lock()
		address = strings.TrimPrefix(s.Address(), "nats://")
		mutex.Unlock()
		return s
	}
	if _, err := ConnectWhere(t.Context(), where, Options{}); err == nil || err.Error() != "no server runs" {
		t.Errorf("without an address: %v", err)
	}
	if _, err := ConnectWhere(t.Context(), func() (string, error) { return "127.0.0.1:1", nil }, Options{}); err == nil || !strings.Contains(err.Error(), "127.0.0.1:1") {
		t.Errorf("without a server: %v", err)
	}
	s := begin()
	b, err := ConnectWhere(t.Context(), where, Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	first := s.Address()
	s.Close()
	// The port may go to another meanwhile, which must not be asked.
	squatter, err := net.Listen("tcp", strings.TrimPrefix(first, "nats://"))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { squatter.Close() })
	mutex.Lock()
	address = ""
	mutex.Unlock()
	again := begin()
	t.Cleanup(again.Close)
	if _, err := b.ServerTime(t.Context(), Order); err != nil {
		t.Error(err)
	}
	if again.Address() == first {
		t.Errorf("the same address, %s: nothing was tested", first)
	}
}
