package main

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"sync"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/pages/invented"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// stillClock stands, until a test moves it.
type stillClock struct {
	clock.Clock
	mutex sync.Mutex
	now   time.Time
}

func (c *stillClock) Now() time.Time {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	return c.now
}

func (c *stillClock) set(now time.Time) {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	c.now = now
}

// pagesNight is an invented night on a bus of its own, and its pages.
type pagesNight struct {
	storm  *invented.Storm
	bus    *bus.Bus
	server *bus.Server
	clock  *stillClock
	signer *alert.Signer
	log    *lockedText
	o      pagesOptions
	web    *httptest.Server

	mutex sync.Mutex
	acks  []message.Ack
	fail  error
}

// lockedText is a log that several may write.
type lockedText struct {
	mutex sync.Mutex
	text  []byte
}

func (l *lockedText) Write(b []byte) (int, error) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	l.text = append(l.text, b...)
	return len(b), nil
}

func (l *lockedText) String() string {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return string(l.text)
}

func newPagesNight(t testing.TB, sites int, change func(*invented.Storm)) *pagesNight {
	t.Helper()
	storm, err := invented.New("larkspur", sites)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(storm)
	}
	n := &pagesNight{storm: storm, clock: &stillClock{now: invented.Night}, log: &lockedText{}}
	if n.server, err = bus.Embedded(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(n.server.Close)
	if n.bus, err = n.server.Connect(t.Context(), bus.Options{StoreBytes: 1 << 30}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(n.bus.Close)
	if err := n.bus.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	n.publishAll(t)
	t.Setenv("RIMELINE_TEST_ACK_KEY", "an invented key of some length")
	if n.signer, err = alert.NewSigner(&alert.Acknowledge{URL: "https://seeding.example/ack", SecretEnv: "RIMELINE_TEST_ACK_KEY"}); err != nil {
		t.Fatal(err)
	}
	n.o = pagesOptions{programmes: []*programme.Programme{storm.Programme}, signers: map[string]*alert.Signer{storm.Programme.ID: n.signer},
		publishAck: func(_ context.Context, a message.Ack) error {
			n.mutex.Lock()
			defer n.mutex.Unlock()
			if n.fail == nil {
				n.acks = append(n.acks, a)
			}
			return n.fail
		}}
	n.serve(t)
	return n
}

// serve starts the pages with the options as they are.
func (n *pagesNight) serve(t testing.TB) {
	s := &service{clock: n.clock, bus: n.bus, log: slog.New(slog.NewTextHandler(n.log, nil))}
	n.web = httptest.NewServer(s.pages(n.o))
	t.Cleanup(n.web.Close)
}

func (n *pagesNight) publish(t testing.TB, kind bus.Kind, token string, at time.Time, data any) {
	t.Helper()
	e, err := bus.NewEvent(kind, n.storm.Programme.ID, token, at, data)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := n.bus.Publish(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	if kind.Latest != "" {
		if err := n.bus.PutLatest(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
}

func (n *pagesNight) publishAll(t testing.TB) {
	t.Helper()
	for id, a := range n.storm.Scores {
		n.publish(t, bus.Score, id, a.AsOf, a)
	}
	for id, o := range n.storm.Outlooks {
		n.publish(t, bus.Outlook, id, o.IssuedAt, o)
	}
	for id, a := range n.storm.Advices {
		n.publish(t, bus.Advice, id, invented.Night, a)
	}
	n.publish(t, bus.Hold, bus.Whole, n.storm.Holds.At, n.storm.Holds)
	n.publish(t, bus.Conditions, bus.Whole, n.storm.Conditions.AsOf, n.storm.Conditions)
	for _, a := range n.storm.Alerts {
		n.publish(t, bus.Alert, string(a.Kind), a.Raised, a)
	}
	for _, a := range n.storm.Acks {
		n.publish(t, bus.Ack, bus.Whole, a.At, a)
	}
	for _, d := range n.storm.Deliveries {
		n.publish(t, bus.Delivery, d.Route, d.At, d)
	}
}

var _ http.Handler
