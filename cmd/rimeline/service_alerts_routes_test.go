package main

import (
	"bufio"
	"context"
	"encoding/base64"
	"encoding/json"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// mailbox is an SMTP server (RFC 5321) on the loopback that can die half way through
// its first letters.
type mailbox struct {
	listener net.Listener
	dies     int // letters that are cut off

	mutex   sync.Mutex
	letters []string
	begun   int
}

func newMailbox(t testing.TB, dies int) *mailbox {
	t.Helper()
	m := &mailbox{dies: dies}
	var err error
	if m.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { m.listener.Close() })
	go func() {
		for {
			connection, err := m.listener.Accept()
			if err != nil {
				return
			}
			go m.serve(connection)
		}
	}()
	return m
}

func (m *mailbox) serve(connection net.Conn) {
	defer connection.Close()
	_ = connection.SetDeadline(time.Now().Add(10 * time.Second))
	in := bufio.NewReader(connection)
	say := func(text string) { _, _ = io.WriteString(connection, text+"\r\n") }
	say("220 mail.larkspur.example")
	for {
		text, err := in.ReadString('\n')
		if err != nil {
			return
		}
		switch strings.ToUpper(strings.Fields(text + " x")[0]) {
		case "DATA":
			say("354 go on")
			m.mutex.Lock()
			m.begun++
			dies := m.begun <= m.dies
			m.mutex.Unlock()
			var letter strings.Builder
			for {
				text, err := in.ReadString('\n')
				if err != nil || dies {
					return
				}
				if text == ".\r\n" {
					break
				}
				letter.WriteString(text)
			}
			m.mutex.Lock()
			m.letters = append(m.letters, letter.String())
			m.mutex.Unlock()
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 fine")
		}
	}
}

func (m *mailbox) all() []string {
	m.mutex.Lock()
	defer m.mutex.Unlock()
	return append([]string{}, m.letters...)
}

// hook is a receiver of webhooks whose first answers are given one by one.
type hook struct {
	server  *httptest.Server
	mutex   sync.Mutex
	answers []string // dies, slow, busy; then it takes
	taken   []alert.Posted
	tried   int
}

func newHook(t testing.TB, answers ...string) *hook {
	t.Helper()
	h := &hook{answers: answers}
	h.server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		h.mutex.Lock()
		h.tried++
		answer := ""
		if len(h.answers) > 0 {
			answer, h.answers = h.answers[0], h.answers[1:]
		}
		h.mutex.Unlock()
		switch answer {
		case "dies":
			if connection, _, err := w.(http.Hijacker).Hijack(); err == nil {
				_, _ = io.WriteString(connection, "HTTP/1.1 200 OK\r\nContent-Len")
				connection.Close()
			}
			return
		case "slow":
			select {
			case <-r.Context().Done():
			case <-time.After(5 * time.Second):
			}
			return
		case "busy":
			w.WriteHeader(http.StatusServiceUnavailable)
			return
		}
		var posted alert.Posted
		if err := json.Unmarshal(body, &posted); err == nil {
			h.mutex.Lock()
			h.taken = append(h.taken, posted)
			h.mutex.Unlock()
		}
	}))
	t.Cleanup(h.server.Close)
	return h
}

func (h *hook) all() []alert.Posted {
	h.mutex.Lock()
	defer h.mutex.Unlock()
	return append([]alert.Posted{}, h.taken...)
}

// Secrets of the tests: none of them may be seen anywhere.
const (
	secretOfHook    = "0123456789abcdef-key-of-hook"
	secretOfAddress = "path-known-to-few"
	secretOfMail    = "password-of-mail"
	secretOfAck     = "0123456789abcdef-key-of-answers"
)

// Mail whose server dies half way through its first letter, a webhook that dies, is
// slow and is busy, and one whose server refuses. What can be brought is brought, in
// the end and with its picture; the one that cannot is told of on the others; and no
// secret is on the bus, in its store or in the log.
func TestAlertsByRoutes(t *testing.T) {
	mail, web := newMailbox(t, 1), newHook(t, "dies", "slow", "busy")
	closed, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	refuses := closed.Addr().String()
	closed.Close()
	t.Setenv("RIMELINE_TEST_MAIL_PASSWORD", secretOfMail)
	text := alertsYAML + `alerts:
  hosts: [127.0.0.1]
  link: https://larkspur.example/seeding
  acknowledge: {secret_file: secrets/ack}
  routes:
    - {id: mail, kind: email, server: "` + mail.listener.Addr().String() + `", security: plain, allow_plain: true, from: seeding@larkspur.example, to: [duty@larkspur.example], attach: true}
    - {id: secret-mail, kind: email, server: "` + refuses + `", user: duty, password_env: RIMELINE_TEST_MAIL_PASSWORD, from: seeding@larkspur.example, to: [duty@larkspur.example], timeout_seconds: 2}
    - {id: web, kind: webhook, url_file: secrets/address, secret_file: secrets/hook, allow_plain: true, timeout_seconds: 1}
  rules:
    - {id: duty, routes: [mail, web], repeat_minutes: 30}
    - {id: other, kinds: [hold-raised], routes: [secret-mail]}
`
	p := alertsProgramme(t, text, map[string]string{"secrets/ack": secretOfAck, "secrets/hook": secretOfHook, "secrets/address": web.server.URL + "/" + secretOfAddress})
	r := newAlertRig(t, p, alertsStart)
	w := windowFrom(stormAt(0, 0, 0), stormAt(2, 0, 0))
	events := []saidEvent{siteScored("saddlehorn", stormAt(0, 0, 30), seedability.StateWindow, 72, &w), siteScored("quillback", stormAt(0, 0, 30), seedability.StateQuiet, 20, nil),
		judgedHolds(stormAt(0, 10, 0), creek(hold.Held, "upper"))}
	r.play(alertKeeperOptions{Routes: true, PagesURL: "http://127.0.0.1:9411"}, events, stormAt(0, 20, 0))

	for _, a := range r.alerts() {
		t.Log(alertLine(a), a.Subject, a.Routes)
	}
	var open, held, fault int
	for _, posted := range web.all() {
		switch posted.Alert.Kind {
		case alert.WindowOpen:
			open++
		case alert.HoldRaised:
			held++
			// The link to acknowledge leads to the service's own page.
			if !strings.Contains(posted.Message.Body, "Answer:   http://127.0.0.1:9411/ack?token=") {
				t.Errorf("no link to acknowledge in\n%s", posted.Message.Body)
			}
		case alert.ServiceFault:
			if posted.Alert.Subject == "route secret-mail" {
				fault++
			}
		}
	}
	if open != 1 || held != 1 || fault != 1 || web.tried < 6 {
		t.Errorf("the webhook took %d windows, %d holds, %d faults after %d attempts", open, held, fault, web.tried)
	}
	letters := mail.all()
	if len(letters) < 3 || !strings.Contains(letters[0], "WINDOW OPEN") {
		t.Fatalf("%d letters", len(letters))
	}
	if !strings.Contains(letters[0], `filename="saddlehorn.png"`) || !strings.Contains(letters[0], "Message-ID: <alert-larkspur-") {
		t.Errorf("letter %.500s", letters[0])
	}
	_, encoded, _ := strings.Cut(letters[0], `filename="saddlehorn.png"`+"\r\n\r\n")
	encoded, _, _ = strings.Cut(encoded, "\r\n--")
	if png, err := base64.StdEncoding.DecodeString(strings.ReplaceAll(encoded, "\r\n", "")); err != nil || !strings.HasPrefix(string(png), "\x89PNG\r\n") || len(png) < 5000 {
		t.Errorf("picture of %d bytes, %v", len(png), err)
	}
	outcomes := map[string]int{}
	for stored, err := range r.bus.ReadBack(t.Context(), bus.Delivery) {
		if err != nil {
			t.Fatal(err)
		}
		data, err := message.Decode(stored.Event)
		if err != nil {
			t.Fatal(err)
		}
		d := data.(alert.Delivery)
		outcomes[d.Route+" "+string(d.Outcome)]++
		if d.Alert != nil || stored.Subject != "rimeline.larkspur.delivery."+d.Route {
			t.Errorf("record %+v on %s", d, stored.Subject)
		}
	}
	for _, want := range []string{"mail retrying", "mail delivered", "web retrying", "web delivered", "secret-mail retrying", "secret-mail pending"} {
		if outcomes[want] == 0 {
			t.Errorf("no record of %q among %v", want, outcomes)
		}
	}
	for _, text := range r.everything() {
		for _, secret := range []string{secretOfHook, secretOfAddress, secretOfMail, secretOfAck, base64.StdEncoding.EncodeToString([]byte(secretOfMail)), "token="} {
			if at := strings.Index(text, secret); at >= 0 {
				t.Errorf("%q is in %.300s", secret, text[max(at-150, 0):])
			}
		}
	}
}

// everything is what lies on the bus and in its store, and the log.
func (r *alertRig) everything() []string {
	r.t.Helper()
	all := []string{r.log.String()}
	for _, kind := range bus.Kinds() {
		all = append(all, r.published(kind)...)
	}
	keys, err := r.bus.ListState(r.t.Context(), "")
	if err != nil {
		r.t.Fatal(err)
	}
	for _, key := range keys {
		value, _, err := r.bus.GetState(r.t.Context(), key)
		if err != nil {
			r.t.Fatal(err)
		}
		all = append(all, key+" "+string(value))
	}
	return all
}

// Clocks go forward at 2:00 MST on 8 March 2026, 9:00 UTC (US Code, title 15, 260a):
// a window from 8:30 to 10:30 UTC is from 1:30 MST to 4:30 MDT.
func TestAlertsWhileClocksChange(t *testing.T) {
	web := newHook(t)
	text := alertsYAML + "alerts:\n  hosts: [127.0.0.1]\n  routes: [{id: web, kind: webhook, url: \"" + web.server.URL + "/\", secret_file: secrets/hook, allow_plain: true}]\n  rules: [{id: duty, routes: [web]}]\n"
	p := alertsProgramme(t, text, map[string]string{"secrets/hook": secretOfHook})
	start := time.Date(2026, 3, 8, 6, 0, 0, 0, time.UTC)
	r := newAlertRig(t, p, start)
	w := windowFrom(start.Add(150*time.Minute), start.Add(270*time.Minute))
	var events []saidEvent
	for m := 1; m < 45; m += 10 {
		at := start.Add(time.Duration(m) * time.Minute)
		events = append(events, siteScored("saddlehorn", at, seedability.StateBuilding, 30, &w), siteScored("quillback", at, seedability.StateQuiet, 10, nil), siteForeseen("saddlehorn", at, w))
	}
	r.play(alertKeeperOptions{Routes: true}, events, start.Add(50*time.Minute))
	taken := web.all()
	if len(taken) != 1 {
		t.Fatalf("%d alerts", len(taken))
	}
	for _, want := range []string{"01:30 MST-04:30 MDT", "Sun 8 Mar 01:30 MST (8 Mar 08:30 UTC)", "Sun 8 Mar 04:30 MDT (8 Mar 10:30 UTC)", "Suggests: Saddlehorn: 30 units, one every 4 min, 01:30 MST-04:30 MDT, 480 g, dose not known"} {
		if !strings.Contains(taken[0].Message.Body, want) {
			t.Errorf("no %q in\n%s", want, taken[0].Message.Body)
		}
	}
}

// An acknowledgement ends repeats if it is one: a token of another key, or one that
// had run out, is none.
func TestAlertsAcknowledged(t *testing.T) {
	text := alertsYAML + "alerts:\n  acknowledge: {url: \"https://larkspur.example/ack\", secret_file: secrets/ack, expires_hours: 1}\n  rules: [{id: duty, repeat_minutes: 10, repeat_most: 20}]\n"
	p := alertsProgramme(t, text, map[string]string{"secrets/ack": secretOfAck})
	hourLater := stormAt(1, 30, 0)
	// The id of the alert is found out first.
	held := []saidEvent{judgedHolds(stormAt(0, 0, 10), creek(hold.Held))}
	first := newAlertRig(t, p, alertsStart)
	first.play(alertKeeperOptions{Routes: true}, held, stormAt(0, 1, 0))
	id := first.alerts()[0].ID
	signer, err := alertSigner(p, "")
	if err != nil {
		t.Fatal(err)
	}
	good := signer.Token(id, "web", stormAt(0, 0, 11))
	for _, test := range []struct {
		name string
		ack  message.Ack
		good bool
	}{
		{"by the command", message.Ack{Alert: id, By: "chief", At: stormAt(0, 15, 0)}, true},
		{"by a link", message.Ack{Alert: "another", By: "chief", At: stormAt(0, 15, 0), Token: good}, true}, // the token says which
		{"by a link that ran out", message.Ack{Alert: id, By: "chief", At: hourLater, Token: good}, false},
		{"by a link that was changed", message.Ack{Alert: id, By: "chief", At: stormAt(0, 15, 0), Token: good[:len(good)-4] + "AAAA"}, false},
		{"of another alert", message.Ack{Alert: "larkspur-x", By: "chief", At: stormAt(0, 15, 0)}, false},
		{"of another programme", message.Ack{Alert: id, By: "chief", At: stormAt(0, 15, 0), Programme: "other"}, false},
	} {
		if test.ack.Programme == "" {
			test.ack.Programme = "larkspur"
		}
		r := newAlertRig(t, p, alertsStart)
		r.play(alertKeeperOptions{Routes: true}, append(held[:1:1], saidEvent{test.ack.At, bus.Ack, bus.Whole, test.ack}), stormAt(2, 0, 0))
		after := 0
		for _, a := range r.alerts() {
			if a.Kind == alert.HoldRaised && a.Raised.After(test.ack.At.Add(time.Second)) {
				after++
			}
		}
		if (after == 0) != test.good {
			t.Errorf("%s: %d repeats after it\n%s", test.name, after, strings.Join(alertLines(r.alerts()), "\n"))
		}
	}
}

// On the wall's clock, from the hold on the bus to the alert on the bus. What is
// measured is reported; how long it takes is the machine's affair.
func TestAlertOfAHoldIsSoon(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+escalating, nil)
	r := newAlertRig(t, p, alertsStart)
	ctx, cancel := context.WithCancel(t.Context())
	s := r.newService(clock.Wall{})
	ended := make(chan error, 1)
	go func() { ended <- s.ownAlerts(ctx, p, alertKeeperOptions{Routes: true, Owned: &r.owned}) }()
	eventually(t, "the keeper is at work", func() bool { return len(r.owned.all()) == 1 })
	outcome, took := hold.Held, []time.Duration{}
	for n := range 5 {
		now := time.Now().UTC()
		result := creek(outcome, "upper")
		result.Key = fmt.Sprintf("creek/%d", n)
		result.At = now
		event, err := bus.NewEvent(bus.Hold, p.ID, bus.Whole, now, message.Holds{Programme: p.ID, At: now, Results: []hold.Result{result}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := r.bus.Publish(ctx, event); err != nil {
			t.Fatal(err)
		}
		eventually(t, "the hold is told", func() bool {
			last, err := r.bus.LastSequence(ctx, bus.Alert)
			return err == nil && last > uint64(len(took))
		})
		took = append(took, time.Since(now))
	}
	t.Logf("from a hold on the bus to its alert on the bus: %v", took)
	if got := r.alerts(); got[0].Kind != alert.HoldRaised || len(got) != 5 {
		t.Errorf("told\n%s", strings.Join(alertLines(got), "\n"))
	}
	// Another process takes over where this one ends, and tells nothing twice.
	r.owned = alertKeepers{}
	other := r.newService(clock.Wall{})
	other.worker = "other"
	later, stop := context.WithCancel(t.Context())
	over := make(chan error, 1)
	var owned alertKeepers
	go func() {
		over <- other.ownAlerts(later, p, alertKeeperOptions{Routes: true, Owned: &owned})
	}()
	time.Sleep(300 * time.Millisecond)
	if len(owned.all()) != 0 {
		t.Error("two keepers at once")
	}
	cancel()
	if err := <-ended; err != nil {
		t.Error(err)
	}
	eventually(t, "the other takes over", func() bool { return len(owned.all()) == 1 })
	eventually(t, "the other has read everything", func() bool { return owned.all()[0].quiet(later) })
	time.Sleep(500 * time.Millisecond)
	stop()
	if err := <-over; err != nil {
		t.Error(err)
	}
	if got := r.alerts(); len(got) != 5 {
		t.Errorf("after the change of owner\n%s", strings.Join(alertLines(got), "\n"))
	}
}

// A bus that is gone takes neither state nor alerts; a hold that the keeper knows of
// goes out all the same, and the trouble is named.
func TestAlertsWithoutABus(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for a bus that does not answer")
	}
	web := newHook(t)
	text := alertsYAML + "alerts:\n  hosts: [127.0.0.1]\n  routes: [{id: web, kind: webhook, url: \"" + web.server.URL + "/\", secret_file: secrets/hook, allow_plain: true}]\n  rules: [{id: duty, routes: [web]}]\n"
	p := alertsProgramme(t, text, map[string]string{"secrets/hook": secretOfHook})
	r := newAlertRig(t, p, alertsStart)
	s := r.newService(clock.Wall{})
	k, err := s.newAlertKeeper(p, alertKeeperOptions{Routes: true, Owned: &r.owned})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- k.run(ctx) }()
	eventually(t, "the keeper is at work", func() bool { return len(r.owned.all()) == 1 })
	r.server.Close()
	holds := judgedHolds(time.Now(), creek(hold.Held, "upper"))
	if !k.arrive(ctx, arrival{kind: 0, sequence: 1, at: holds.at, data: holds.data}) {
		t.Fatal("not taken")
	}
	eventually(t, "the hold goes out", func() bool { return len(web.all()) == 1 })
	eventually(t, "the trouble is named", func() bool {
		reasons := strings.Join(k.troubles(), "; ")
		return strings.Contains(reasons, "cannot be stored") && strings.Contains(reasons, "alerts of programme larkspur")
	})
	cancel()
	<-ended
}

// A secret that is not there is found at the start, by the name of its file.
func TestAlertsNeedTheirSecrets(t *testing.T) {
	text := alertsYAML + "alerts:\n  hosts: [127.0.0.1]\n  acknowledge: {secret_file: secrets/ack}\n  routes: [{id: web, kind: webhook, url_file: secrets/address, secret_file: secrets/hook}]\n  rules: [{id: duty, routes: [web]}]\n"
	whole := map[string]string{"secrets/ack": secretOfAck, "secrets/hook": secretOfHook, "secrets/address": "https://127.0.0.1/" + secretOfAddress}
	for name, test := range map[string]struct {
		secrets map[string]string
		routes  bool
		want    string
	}{
		"all there":          {whole, true, ""},
		"no key":             {map[string]string{"secrets/ack": secretOfAck, "secrets/address": whole["secrets/address"]}, true, "secrets/hook"},
		"no address":         {map[string]string{"secrets/ack": secretOfAck, "secrets/hook": secretOfHook}, true, "secrets/address"},
		"no key of answers":  {map[string]string{"secrets/hook": secretOfHook, "secrets/address": whole["secrets/address"]}, true, "secrets/ack"},
		"plain address":      {map[string]string{"secrets/ack": secretOfAck, "secrets/hook": secretOfHook, "secrets/address": "http://127.0.0.1/" + secretOfAddress}, true, "must begin with https://"},
		"nothing, no routes": {nil, false, ""},
	} {
		p := alertsProgramme(t, text, test.secrets)
		_, err := newService(&service{clock: clock.Wall{}}).newAlertKeeper(p, alertKeeperOptions{Routes: test.routes, PagesURL: "http://127.0.0.1:9411"})
		if (err == nil) != (test.want == "") || err != nil && (!strings.Contains(err.Error(), test.want) || strings.Contains(err.Error(), secretOfAddress) || !strings.Contains(err.Error(), "larkspur.yaml")) {
			t.Errorf("%s: %v, want %q", name, err, test.want)
		}
	}
}

// The user "alert-route" of the sample configuration may do all that the role does, from
// the first start to what is forgotten.
func TestAlertsByUserOfTheSampleConfiguration(t *testing.T) {
	users := sampleUsers(t)
	server, err := bus.EmbeddedWith(t.TempDir(), bus.ServerOptions{ConfigFile: filepath.Join(users, "nats-users.conf"), Listen: "127.0.0.1:0", MaxStoreBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	all, err := server.Connect(t.Context(), bus.Options{StoreBytes: 512 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(all.Close)
	if err := all.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := all.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	own, err := bus.Connect(t.Context(), server.Address(), bus.Options{NKeyFile: filepath.Join(users, "alert-route.nk"), InboxPrefix: "_INBOX_alert-route"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(own.Close)
	p := alertsProgramme(t, alertsYAML+escalating, nil)
	r := &alertRig{t: t, bus: own, programme: p, log: &lockedBuffer{}}
	now := time.Now().UTC().Truncate(time.Second)
	w := windowFrom(now.Add(time.Hour), now.Add(3*time.Hour))
	for round, events := range [][]saidEvent{
		{judgedHolds(now, creek(hold.Held, "lower")), siteScored("saddlehorn", now, seedability.StateBuilding, 30, &w), siteForeseen("saddlehorn", now, w)},
		{judgedHolds(now.Add(time.Second), creek(hold.Clear, "lower"), func() hold.Result { r := creek(hold.Held, "upper"); r.Key = "other"; return r }())},
	} {
		ctx, cancel := context.WithCancel(t.Context())
		var owned alertKeepers
		ended := make(chan error, 1)
		s := r.newService(clock.Wall{})
		go func() { ended <- s.ownAlerts(ctx, p, alertKeeperOptions{Routes: true, Owned: &owned}) }()
		eventually(t, "the keeper is at work", func() bool { return len(owned.all()) == 1 })
		for _, e := range events {
			event, err := bus.NewEvent(e.kind, p.ID, e.site, e.at, e.data)
			if err != nil {
				t.Fatal(err)
			}
			if _, err := all.Publish(ctx, event); err != nil {
				t.Fatal(err)
			}
			if err := all.PutLatest(ctx, event); err != nil {
				t.Fatal(err)
			}
		}
		brought := func() bool {
			last, err := all.LastSequence(ctx, bus.Delivery)
			advised, errAdvice := all.LastSequence(ctx, bus.Advice)
			return err == nil && errAdvice == nil && advised > uint64(round) && last >= uint64(2*(round+1)) // pending and delivered
		}
		eventually(t, "the hold is brought, and advice changes with it", brought)
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
	r.bus = all
	if got := alertLines(r.alerts()); len(got) != 2 || !strings.HasSuffix(got[0], "hold-raised new quillback") || !strings.HasSuffix(got[1], "hold-raised new quillback saddlehorn") {
		t.Errorf("told\n%s", strings.Join(got, "\n"))
	}
	if n := len(r.published(bus.Advice)); n == 0 {
		t.Error("no advice")
	}
	for _, line := range strings.Split(r.log.String(), "\n") {
		if strings.Contains(line, "level=ERROR") || strings.Contains(line, "ermission") {
			t.Error(line)
		}
	}
	// What is forgotten after a day.
	s := &deliveryStore{bus: own, programme: p.ID, now: func() time.Time { return now.Add(30 * time.Hour) }, trouble: &keeperTrouble{}}
	if stored, err := s.Load(t.Context()); err != nil || len(stored) != 2 {
		t.Fatalf("%d deliveries, %v", len(stored), err)
	}
	s.forget(t.Context())
	if keys, err := own.ListState(t.Context(), "delivery."); err != nil || len(keys) != 0 {
		t.Errorf("deliveries %q after a day, %v", keys, err)
	}
}
