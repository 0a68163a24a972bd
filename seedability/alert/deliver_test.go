package alert

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// fastClock is the wall's clock with waits a hundred times shorter.
type fastClock struct{ start time.Time }

func newFastClock() *fastClock { return &fastClock{time.Now()} }

const faster = 100

func (c *fastClock) Now() time.Time { return stormStart.Add(time.Since(c.start) * faster) }
func (c *fastClock) Go(f func())    { go f() }
func (c *fastClock) Sleep(ctx context.Context, d time.Duration, wake <-chan struct{}) error {
	timer := time.NewTimer(d / faster)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-wake:
	case <-ctx.Done():
		return ctx.Err()
	}
	return nil
}

// memory is a store that survives the deliverer, and fails when told.
type memory struct {
	mutex   sync.Mutex
	records map[string]Delivery
	history []Delivery
	fail    func(Delivery) error
}

func (m *memory) Load(context.Context) ([]Delivery, error) {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	var all []Delivery
	for _, d := range m.records {
		all = append(all, d)
	}
	return all, nil
}

func (m *memory) Save(_ context.Context, d Delivery) error {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	if m.fail != nil {
		if err := m.fail(d); err != nil {
			return err
		}
	}
	if m.records == nil {
		m.records = map[string]Delivery{}
	}
	b, err := json.Marshal(d) // as a real one keeps it
	if err != nil {
		return err
	}
	var kept Delivery
	if err := json.Unmarshal(b, &kept); err != nil {
		return err
	}
	m.records[d.Key()] = kept
	m.history = append(m.history, kept)
	return nil
}

func (m *memory) outcome(key string) DeliveryOutcome {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	return m.records[key].Outcome
}

// scripted is a route whose answers are given one by one; nil from then on.
type scripted struct {
	mutex   sync.Mutex
	answers []error
	sent    []string // subjects, of attempts
	taken   []Alert
	block   chan struct{}
}

func (r *scripted) Send(ctx context.Context, a Alert, m Message) error {
	r.mutex.Lock()
	r.sent = append(r.sent, m.Subject)
	var err error
	if len(r.answers) > 0 {
		err, r.answers = r.answers[0], r.answers[1:]
	}
	block := r.block
	r.mutex.Unlock()
	if block != nil {
		select {
		case <-block:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
	if err == nil {
		r.mutex.Lock()
		r.taken = append(r.taken, a)
		r.mutex.Unlock()
	}
	return err
}

func (r *scripted) ids() []string {
	r.mutex.Lock()
	defer r.mutex.Unlock()
	var ids []string
	for _, a := range r.taken {
		ids = append(ids, a.ID)
	}
	return ids
}

func eventually(t *testing.T, what string, ok func() bool) {
	t.Helper()
	for range 1000 {
		if ok() {
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Fatalf("not within 10 s: %s", what)
}

func options(store Store, routes map[string]Route) DelivererOptions {
	return DelivererOptions{Routes: routes, Store: store, Clock: newFastClock(), Zone: denver, Programme: larkspur}
}

func run(t *testing.T, o DelivererOptions) (*Deliverer, func()) {
	t.Helper()
	d, err := NewDeliverer(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { _ = d.Run(ctx); close(done) }()
	stop := func() { cancel(); <-done }
	t.Cleanup(stop)
	return d, stop
}

func told(id string, severity Severity, routes ...string) Alert {
	return Alert{ID: id, Kind: HoldRaised, Change: ChangeNew, Level: "held", Severity: severity, Programme: "larkspur", Raised: stormStart, Expires: stormStart.Add(24 * time.Hour), Routes: routes, Caution: Caution}
}

func TestDeliveryRetriesAndTellsTheOthers(t *testing.T) {
	store := &memory{}
	down := errors.New("connection refused")
	bad, good := &scripted{answers: []error{down, down, down, down}}, &scripted{}
	var published []Alert
	var mutex sync.Mutex
	o := options(store, map[string]Route{"bad": bad, "good": good})
	o.Publish = func(a Alert) { mutex.Lock(); published = append(published, a); mutex.Unlock() }
	d, stop := run(t, o)
	if err := d.Submit(context.Background(), told("one", Severe, "bad", "good", "unknown")); err != nil {
		t.Fatal(err)
	}
	if err := d.Submit(context.Background(), told("one", Severe, "bad", "good")); err != nil { // again: nothing
		t.Fatal(err)
	}
	eventually(t, "both have it, and the good one knows of the bad one", func() bool {
		return len(bad.ids()) == 1 && len(good.ids()) == 3
	})
	stop()
	if subjects := good.sent; !strings.Contains(subjects[1], "SERVICE FAULT (route bad)") || !strings.Contains(subjects[2], "works again (route bad)") {
		t.Errorf("told by the good route: %q", subjects)
	}
	mutex.Lock()
	if len(published) != 2 || slices.Contains(published[0].Routes, "bad") {
		t.Errorf("published %+v", published)
	}
	mutex.Unlock()
	var attempts []string
	for _, r := range store.history {
		if r.Route == "bad" {
			attempts = append(attempts, fmt.Sprintf("%d %s", r.Attempt, r.Outcome))
		}
	}
	want := []string{"0 pending", "1 retrying", "2 retrying", "3 retrying", "4 retrying", "5 delivered"}
	if !slices.Equal(attempts, want) {
		t.Errorf("records %q, want %q", attempts, want)
	}
	// Five, ten, twenty, forty seconds.
	for k, r := range store.history {
		if r.Route == "bad" && r.Outcome == DeliveryRetrying {
			if wait := r.Next.Sub(r.At); wait != firstRetry<<(r.Attempt-1) {
				t.Errorf("record %d waits %s", k, wait)
			}
		}
	}
}

func TestDeliveryRefusedIsToldAndNotRepeated(t *testing.T) {
	store := &memory{}
	bad, good := &scripted{answers: []error{permanent(errors.New("no such reader"))}}, &scripted{}
	d, stop := run(t, options(store, map[string]Route{"bad": bad, "good": good}))
	if err := d.Submit(context.Background(), told("one", Severe, "bad")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the other route knows", func() bool { return len(good.ids()) == 1 })
	stop()
	if store.outcome("one/bad") != DeliveryRefused || len(bad.sent) != 1 {
		t.Errorf("outcome %s after %d attempts", store.outcome("one/bad"), len(bad.sent))
	}
}

// A process that dies before, during or after an attempt: the alert arrives at
// least once, and what was recorded as delivered is not sent again.
func TestDeliveryThroughRestarts(t *testing.T) {
	store := &memory{}
	hangs := &scripted{block: make(chan struct{})}
	d, stop := run(t, options(store, map[string]Route{"desk": hangs}))
	if err := d.Submit(context.Background(), told("one", Severe, "desk")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it is being sent", func() bool { hangs.mutex.Lock(); defer hangs.mutex.Unlock(); return len(hangs.sent) == 1 })
	stop() // in the middle of it
	if store.outcome("one/desk") != DeliveryPending {
		t.Errorf("outcome %s", store.outcome("one/desk"))
	}
	works := &scripted{}
	d, stop = run(t, options(store, map[string]Route{"desk": works}))
	eventually(t, "it arrives after the restart", func() bool { return store.outcome("one/desk") == DeliveryDelivered })
	if err := d.Submit(context.Background(), told("one", Severe, "desk")); err != nil {
		t.Fatal(err)
	}
	stop()
	d, stop = run(t, options(store, map[string]Route{"desk": works}))
	if err := d.Submit(context.Background(), told("one", Severe, "desk")); err != nil {
		t.Fatal(err)
	}
	if err := d.Submit(context.Background(), told("two", Severe, "desk")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "the next arrives", func() bool { return store.outcome("two/desk") == DeliveryDelivered })
	stop()
	if got := works.ids(); !slices.Equal(got, []string{"one", "two"}) {
		t.Errorf("delivered %v", got)
	}
}

// An alert that could not be stored is not taken: the caller must try again.
func TestDeliveryNeedsTheStore(t *testing.T) {
	broken := true
	var mutex sync.Mutex
	store := &memory{fail: func(Delivery) error {
		mutex.Lock()
		defer mutex.Unlock()
		if broken {
			return errors.New("disk full")
		}
		return nil
	}}
	works := &scripted{}
	d, _ := run(t, options(store, map[string]Route{"desk": works}))
	if err := d.Submit(context.Background(), told("one", Severe, "desk")); err == nil {
		t.Fatal("taken without a record")
	}
	mutex.Lock()
	broken = false
	mutex.Unlock()
	if err := d.Submit(context.Background(), told("one", Severe, "desk")); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it arrives", func() bool { return len(works.ids()) == 1 })
}

// A route that hangs holds up no other, and of what waits the most urgent goes
// first.
func TestDeliveryOrder(t *testing.T) {
	hangs, works := &scripted{block: make(chan struct{})}, &scripted{}
	d, _ := run(t, options(&memory{}, map[string]Route{"hangs": hangs, "works": works}))
	for k, severity := range []Severity{Minor, Minor, Moderate, Severe} {
		if err := d.Submit(context.Background(), told(fmt.Sprintf("a%d", k), severity, "hangs", "works")); err != nil {
			t.Fatal(err)
		}
		if k == 0 {
			eventually(t, "the first is being sent", func() bool { hangs.mutex.Lock(); defer hangs.mutex.Unlock(); return len(hangs.sent) == 1 })
		}
	}
	eventually(t, "the other route has all", func() bool { return len(works.ids()) == 4 })
	close(hangs.block)
	eventually(t, "all arrive", func() bool { return len(hangs.ids()) == 4 })
	if got := hangs.ids(); !slices.Equal(got, []string{"a0", "a3", "a2", "a1"}) {
		t.Errorf("order %v", got)
	}
}

func TestDeliveryExpires(t *testing.T) {
	store := &memory{}
	down := make([]error, 1000)
	for k := range down {
		down[k] = errors.New("down")
	}
	bad := &scripted{answers: down}
	d, _ := run(t, options(store, map[string]Route{"bad": bad}))
	a := told("one", Severe, "bad")
	a.Expires = d.o.Clock.Now().Add(20 * time.Second)
	if err := d.Submit(context.Background(), a); err != nil {
		t.Fatal(err)
	}
	eventually(t, "it expires", func() bool { return store.outcome("one/bad") == DeliveryExpired })
}

// Secrets of every route, through errors that give them back, appear nowhere.
func TestSecretsAreNowhere(t *testing.T) {
	const secret = "hunter2-hunter2-hunter2"
	s := NewSecret(secret)
	var log bytes.Buffer
	logger := slog.New(slog.NewJSONHandler(&log, nil))
	logger.Info("x", "a", s, "b", struct{ S Secret }{s}, "c", &s, "d", []Secret{s}, "e", fmt.Sprintf("%v %+v %#v %s %q %d %x", s, s, s, s, s, s, s))
	slog.New(slog.NewTextHandler(&log, nil)).Info("x", "a", s, "b", struct{ S Secret }{s}, "d", []Secret{s})
	b, err := json.Marshal(map[string]any{"a": s, "b": &s, "c": struct{ S Secret }{s}})
	if err != nil {
		t.Fatal(err)
	}
	if text := log.String() + string(b) + fmt.Sprintf("%v %+v %#v", struct{ S *Secret }{&s}, []any{s}, map[string]Secret{"k": s}); strings.Contains(text, secret) || strings.Contains(text, fmt.Sprintf("%x", secret)) {
		t.Errorf("the secret shows: %s", text)
	}
	log.Reset()
	// A webhook that cannot be reached, and a mail server that answers with the
	// password: records, log, alerts.
	server := &mailServer{starttls: true, replies: map[string]string{"AUTH": "454 no, " + secret + " does not do"}}
	config, ca := certificate(t)
	server.config = config
	c := Config{Hosts: []string{"127.0.0.1"}, Routes: []RouteSpec{
		{ID: "hook", Kind: "webhook", URLFile: secretFile(t, "http://127.0.0.1:1/"+secret), AllowPlain: true, SecretFile: secretFile(t, secret)},
		{ID: "mail", Kind: "email", Server: server.start(t), Security: "starttls", CAFile: ca, User: "duty", PasswordFile: secretFile(t, secret), From: "a@larkspur.example", To: []string{"b@larkspur.example"}},
	}}
	routes, timeouts, err := Routes(c, nil)
	if err != nil {
		t.Fatal(err)
	}
	signer, err := NewSigner(&Acknowledge{URL: "https://ack.larkspur.example/", SecretFile: secretFile(t, secret)})
	if err != nil {
		t.Fatal(err)
	}
	store := &memory{}
	o := options(store, routes)
	o.Timeouts, o.Log, o.Signer = timeouts, logger, signer
	var published []Alert
	var mutex sync.Mutex
	o.Publish = func(a Alert) { mutex.Lock(); defer mutex.Unlock(); published = append(published, a) }
	d, stop := run(t, o)
	a := told("one", Severe, "hook", "mail")
	a.NeedsAck = true
	if err := d.Submit(context.Background(), a); err != nil {
		t.Fatal(err)
	}
	eventually(t, "both routes have failed", func() bool { mutex.Lock(); defer mutex.Unlock(); return len(published) >= 2 })
	stop()
	records, _ := json.Marshal(store.history)
	alerts, _ := json.Marshal(published)
	all := log.String() + string(records) + string(alerts) + fmt.Sprintf("%v %+v %#v", routes["hook"], routes["mail"], signer)
	if strings.Contains(all, secret) || !strings.Contains(log.String(), "retrying") {
		t.Errorf("a secret shows, or nothing was logged: %s", all)
	}
	// Neither in what is wrong with a file.
	t.Setenv("SOME_KEY", secret+"\nsecond line")
	for _, err := range []error{
		func() error { _, err := readKey(secretFile(t, "two\n"+secret), ""); return err }(),
		func() error { _, err := readKey("", "SOME_KEY"); return err }(),
		func() error { _, err := readKey(secretFile(t, secret[:9]), ""); return err }(),
		func() error {
			_, err := newWebhook(RouteSpec{ID: "x", URLFile: secretFile(t, "https://"+secret+".example/%zz"), SecretFile: secretFile(t, secret)}, []string{"a"})
			return err
		}(),
	} {
		if err == nil || strings.Contains(err.Error(), secret[:9]) {
			t.Errorf("error %v", err)
		}
	}
}

func TestTokens(t *testing.T) {
	s, err := NewSigner(&Acknowledge{URL: "https://ack.larkspur.example/a?x=1", SecretFile: secretFile(t, "0123456789abcdef"), ExpiresHours: 2})
	if err != nil {
		t.Fatal(err)
	}
	token := s.Token("alert-1", "desk", at(0, 0))
	if alert, to, err := s.Check(token, at(2, 0)); err != nil || alert != "alert-1" || to != "desk" {
		t.Errorf("%q %q %v", alert, to, err)
	}
	if _, _, err := s.Check(token, at(2, 1)); !errors.Is(err, ErrTokenExpired) {
		t.Errorf("an old token: %v", err)
	}
	other, err := NewSigner(&Acknowledge{SecretFile: secretFile(t, "another key of bytes")})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := other.Check(token, at(0, 0)); !errors.Is(err, ErrToken) {
		t.Errorf("a token of another key: %v", err)
	}
	for k := range token { // no byte can be another
		for _, c := range []byte{'A', '1', '.', 'z', '-'} {
			if token[k] == c {
				continue
			}
			changed := token[:k] + string(c) + token[k+1:]
			if _, _, err := s.Check(changed, at(0, 0)); err == nil {
				t.Fatalf("byte %d as %q: taken", k, c)
			}
		}
	}
	for _, text := range []string{"", ".", "...", strings.Repeat("a.", 5000), token + ".", "\x00"} {
		if _, _, err := s.Check(text, at(0, 0)); err == nil {
			t.Errorf("%.40q is taken", text)
		}
	}
	if link := s.Link("alert-1", "desk", at(0, 0)); !strings.HasPrefix(link, "https://ack.larkspur.example/a?x=1&token=") {
		t.Error(link)
	}
}
