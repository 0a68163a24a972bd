package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/operate"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// The programme, its places and its people are invented.
const alertsYAML = `id: larkspur
name: Larkspur Basin
timezone: America/Denver
sites:
  - {id: saddlehorn, name: Saddlehorn, latitude_deg: 44.02, longitude_deg: -114.80, agent: {kind: flare, amount_g: 16, burn_minutes: 4, yield_table: slow}, targets: [upper]}
  - {id: quillback, name: Quillback Flat, latitude_deg: 44.10, longitude_deg: -114.85, agent: {kind: flare, amount_g: 16, burn_minutes: 4, yield_table: slow}}
targets:
  - id: upper
    name: Upper Larkspur
    geometry: {type: Polygon, coordinates: [[[-114.5, 44.0], [-114.2, 44.0], [-114.2, 44.3], [-114.5, 44.3], [-114.5, 44.0]]]}
  - id: lower
    name: Lower Larkspur
    geometry: {type: Polygon, coordinates: [[[-114.5, 43.7], [-114.2, 43.7], [-114.2, 43.9], [-114.5, 43.9], [-114.5, 43.7]]]}
yield_tables:
  - {id: slow, source: invented, points: [{temperature_degc: -6, crystals_per_g: 2.0e10}, {temperature_degc: -20, crystals_per_g: 3.0e15}]}
inputs:
  - {id: sweeps, kind: radar, source: nexrad, stations: [KXYZ]}
`

const alertsBusRules = `alerts:
  contact: duty desk, +1 555 0100
  rules:
    - {id: duty, repeat_minutes: 15}
`

// alertsStart is 23:00 MST.
var alertsStart = time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)

// alertRig is a bus and a service on a stepped clock, with nobody but the keeper.
type alertRig struct {
	t         testing.TB
	bus       *bus.Bus
	server    *bus.Server
	clock     *clock.Stepped
	service   *service
	programme *programme.Programme
	log       *lockedBuffer
	owned     alertKeepers
}

type lockedBuffer struct {
	mutex sync.Mutex
	b     bytes.Buffer
}

func (l *lockedBuffer) Write(b []byte) (int, error) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return l.b.Write(b)
}

func (l *lockedBuffer) String() string {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return l.b.String()
}

// alertsProgramme writes the file, with secrets beside it where there are some.
func alertsProgramme(t testing.TB, text string, secrets map[string]string) *programme.Programme {
	t.Helper()
	folder := t.TempDir()
	for name, secret := range secrets {
		if err := os.MkdirAll(filepath.Dir(filepath.Join(folder, name)), 0o700); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(folder, name), []byte(secret+"\n"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	p, err := parseProgramme(filepath.Join(folder, "larkspur.yaml"), []byte(text), nil)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func newAlertRig(t testing.TB, p *programme.Programme, start time.Time) *alertRig {
	t.Helper()
	r := &alertRig{t: t, programme: p, clock: clock.NewStepped(start, 0), log: &lockedBuffer{}}
	var err error
	if r.server, err = bus.EmbeddedWith(t.TempDir(), bus.ServerOptions{MaxStoreBytes: 1 << 30}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.server.Close)
	if r.bus, err = r.server.Connect(t.Context(), bus.Options{StoreBytes: 512 << 20}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(r.bus.Close)
	if err := r.bus.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := r.bus.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	r.service = r.newService(r.clock)
	return r
}

func (r *alertRig) newService(c clock.Clock) *service {
	_, stepped := c.(*clock.Stepped)
	return newService(&service{clock: c, bus: r.bus, worker: "keeper", rehearsed: stepped, metrics: operate.NewMetrics("test"),
		log: slog.New(slog.NewTextHandler(r.log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
}

// said is one thing that is published at a time.
type saidEvent struct {
	at   time.Time
	kind bus.Kind
	site string
	data any
}

// tell publishes what is said at its time.
func (r *alertRig) tell(ctx context.Context, events []saidEvent) {
	for _, e := range events {
		if d := e.at.Sub(r.clock.Now()); d > 0 && r.clock.Sleep(ctx, d, nil) != nil {
			return
		}
		event, err := bus.NewEvent(e.kind, r.programme.ID, e.site, e.at, e.data)
		if err == nil {
			_, err = r.bus.Publish(ctx, event)
		}
		if err == nil && e.kind.Latest != "" {
			err = r.bus.PutLatest(ctx, event)
		}
		if err != nil && ctx.Err() == nil {
			r.t.Errorf("%s: %v", e.kind.Name, err)
		}
	}
}

// play lets time pass, with a keeper at work and what is said. A crash ends the
// keeper without a last word.
func (r *alertRig) play(o alertKeeperOptions, events []saidEvent, until time.Time) {
	r.t.Helper()
	ctx, cancel := context.WithCancel(r.t.Context())
	defer cancel()
	o.Owned = &r.owned
	k, err := r.service.newAlertKeeper(r.programme, o)
	if err != nil {
		r.t.Fatal(err)
	}
	ended := make(chan error, 1)
	r.clock.Go(func() { ended <- k.run(ctx) })
	eventually(r.t, "the keeper is at work", func() bool { return len(r.owned.all()) == 1 })
	talked := make(chan struct{})
	r.clock.Go(func() { defer close(talked); r.tell(ctx, events) })
	quiet := func(ctx context.Context) bool {
		all := r.owned.all()
		return len(all) == 1 && all[0].quiet(ctx)
	}
	if err := r.clock.Run(ctx, until, quiet); err != nil {
		r.t.Fatal(err)
	}
	cancel()
	<-ended
	<-talked
}

// published are the data of a kind, in the order of its stream.
func (r *alertRig) published(kind bus.Kind) []string {
	r.t.Helper()
	var all []string
	for stored, err := range r.bus.ReadBack(r.t.Context(), kind) {
		if err != nil {
			r.t.Fatal(err)
		}
		all = append(all, stored.Event.ID+" "+stored.Subject+" "+string(stored.Event.Data)+string(stored.Event.Content))
	}
	return all
}

func (r *alertRig) alerts() []alert.Alert {
	r.t.Helper()
	var all []alert.Alert
	for stored, err := range r.bus.ReadBack(r.t.Context(), bus.Alert) {
		if err != nil {
			r.t.Fatal(err)
		}
		data, err := message.Decode(stored.Event)
		if err != nil {
			r.t.Fatal(err)
		}
		all = append(all, data.(alert.Alert))
	}
	return all
}

func alertLine(a alert.Alert) string {
	sites := ""
	for _, site := range a.Sites {
		sites += " " + site.ID
	}
	return fmt.Sprintf("%s %s %s%s", a.Raised.Format("15:04:05"), a.Kind, a.Change, sites)
}

func alertLines(alerts []alert.Alert) (lines []string) {
	for _, a := range alerts {
		lines = append(lines, alertLine(a))
	}
	return lines
}

func compareLines(t testing.TB, got, want []string) {
	t.Helper()
	for k := range max(len(got), len(want)) {
		g, w := "nothing", "nothing"
		if k < len(got) {
			g = got[k]
		}
		if k < len(want) {
			w = want[k]
		}
		if g != w {
			t.Errorf("alert %d: %s, want %s", k+1, g, w)
		}
	}
}

func eventually(t testing.TB, what string, so func() bool) {
	t.Helper()
	for end := time.Now().Add(30 * time.Second); !so(); time.Sleep(2 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("waited in vain: %s", what)
		}
	}
}

func stormAt(h, m, s int) time.Time {
	return alertsStart.Add(time.Duration(h)*time.Hour + time.Duration(m)*time.Minute + time.Duration(s)*time.Second)
}

func number64(x float64) *float64 { return &x }

// siteScored is the score of a site for release now.
func siteScored(site string, at time.Time, state seedability.State, score float64, ahead *seedability.Window) saidEvent {
	reason := fmt.Sprintf("score %.0f", score)
	a := seedability.Assessment{Programme: "larkspur", Site: seedability.SiteRef{ID: site, Name: site}, AsOf: at, ReleaseTime: at, State: state, StateReason: reason,
		Score: seedability.Score{Value: number64(score)}, Confidence: seedability.Confidence{Value: .66}, Dose: seedability.Dose{CrystalsPerLitre: number64(20)},
		Path:     []seedability.PathStep{{LatitudeDeg: 44.02, LongitudeDeg: -114.8}, {Minutes: 40, LatitudeDeg: 44.1, LongitudeDeg: -114.4}},
		Standing: &seedability.Standing{State: state, Since: at, At: at, Reason: reason, Ahead: ahead}}
	return saidEvent{at, bus.Score, site, a}
}

func windowFrom(start, end time.Time) seedability.Window {
	return seedability.Window{Start: start, Best: start.Add(end.Sub(start) / 2), End: end, Releases: 6, PeakScore: 74, Confidence: .62,
		Targets: []seedability.WindowTarget{{ID: "upper", Name: "Upper Larkspur", Probability: .6}}}
}

func siteForeseen(site string, at time.Time, windows ...seedability.Window) saidEvent {
	o := seedability.Outlook{Programme: "larkspur", Site: seedability.SiteRef{ID: site, Name: site}, IssuedAt: at, ModelReferenceTime: at.Add(-2 * time.Hour), From: at, To: at.Add(18 * time.Hour), Windows: windows}
	return saidEvent{at, bus.Outlook, site, o}
}

func judgedHolds(at time.Time, results ...hold.Result) saidEvent {
	for i := range results {
		results[i].At = at
	}
	return saidEvent{at, bus.Hold, bus.Whole, message.Holds{Programme: "larkspur", At: at, Results: results, Trigger: "time"}}
}

func creek(outcome hold.Outcome, targets ...string) hold.Result {
	return hold.Result{Key: "creek", Criterion: "creek", Name: "Larkspur Creek", Kind: "river", Outcome: outcome, Condition: outcome, Sites: []string{}, Targets: targets,
		Reason: "Larkspur Creek at 3.2 m, flood stage 3.0 m", WhoMayLift: "duty meteorologist", WhatWouldLift: "below 2.8 m"}
}

// A score that trembles every 30 s for three hours, with two sites, and a creek that
// trembles about its stage in the third. Everything is written down from the rules:
// a window is told after 20 s and again at most when it was back for 15 min; that it
// is shut is told after 20 s; a hold at once, in the step that learns of it (200 ms
// after it was published), and once.
func flappingEvents() (events []saidEvent) {
	for half := range 360 {
		at := stormAt(0, 0, 30*half)
		state, score := seedability.StateWindow, 65.
		if half%2 == 1 {
			state, score = seedability.StateQuiet, 55
		}
		if half >= 240 {
			outcome := hold.Clear
			if half%2 == 0 {
				outcome = hold.Held
			}
			events = append(events, judgedHolds(at, creek(outcome, "upper")))
		}
		events = append(events, siteScored("saddlehorn", at, state, score, nil), siteScored("quillback", at, seedability.StateQuiet, 20, nil))
	}
	return events
}

func TestAlertsOfTremblingScores(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+alertsBusRules, nil)
	var runs [2]map[string][]string
	for run := range runs {
		r := newAlertRig(t, p, alertsStart)
		r.play(alertKeeperOptions{Exercise: true}, flappingEvents(), stormAt(3, 30, 0))
		runs[run] = map[string][]string{}
		for _, kind := range []bus.Kind{bus.Alert, bus.CAP, bus.Advice, bus.Delivery} {
			runs[run][kind.Name] = r.published(kind)
		}
		if run > 0 {
			continue
		}
		alerts := r.alerts()
		got := alertLines(alerts)
		compareLines(t, got, []string{
			"06:00:20 window-open new saddlehorn",
			"06:00:50 window-closing over saddlehorn", // a change for the worse waits for nothing but its group
			"08:00:00 hold-raised new quillback saddlehorn",
			"08:15:00 hold-raised repeat quillback saddlehorn", "08:30:00 hold-raised repeat quillback saddlehorn", "08:45:00 hold-raised repeat quillback saddlehorn",
			"09:00:00 hold-raised repeat quillback saddlehorn",
			"09:09:30 hold-lifted over quillback saddlehorn", // ten minutes after the last time, 08:59:30
		})
		for _, a := range alerts {
			if !a.Exercise || a.Programme != "larkspur" || a.Contact != "duty desk, +1 555 0100" {
				t.Errorf("alert %+v", a)
			}
			if a.Kind == alert.HoldRaised && a.Change == alert.ChangeNew && a.Raised.Sub(stormAt(2, 0, 0)) != settleAlerts {
				t.Errorf("a hold of %s is told at %s", stormAt(2, 0, 0), a.Raised)
			}
		}
		if n := len(runs[run]["cap"]); n != len(alerts) {
			t.Errorf("%d messages of CAP for %d alerts", n, len(alerts))
		}
		for _, text := range runs[run]["cap"] {
			if !strings.Contains(text, "<status>Exercise</status>") {
				t.Errorf("a rehearsal without its mark: %s", text)
			}
		}
	}
	for name := range runs[0] {
		if !slices.Equal(runs[0][name], runs[1][name]) {
			t.Errorf("the same inputs give other messages of %s: %d and %d", name, len(runs[0][name]), len(runs[1][name]))
			for k := range min(len(runs[0][name]), len(runs[1][name])) {
				if a, b := runs[0][name][k], runs[1][name][k]; a != b {
					t.Errorf("number %d:\n%.600s\n%.600s", k, a, b)
					break
				}
			}
		}
	}
	if len(runs[0]["advice"]) == 0 {
		t.Error("no advice was given")
	}
}

// mixedEvents are five hours with a bit of everything.
func mixedEvents() (events []saidEvent) {
	w := windowFrom(stormAt(2, 0, 0), stormAt(4, 0, 0))
	for m := 0; m < 300; m += 5 {
		at := stormAt(0, m, 0)
		outcome := hold.Clear
		if m >= 150 && m < 170 {
			outcome = hold.Held
		}
		events = append(events, judgedHolds(at, creek(outcome, "upper")))
		for _, site := range []string{"saddlehorn", "quillback"} {
			state, score := seedability.StateBuilding, 30.
			if site == "saddlehorn" && m >= 120 && m < 240 {
				state, score = seedability.StateWindow, 72
			}
			events = append(events, siteScored(site, at.Add(time.Second), state, score, nil))
		}
		if m%60 == 10 && m < 240 {
			events = append(events, siteForeseen("saddlehorn", at.Add(2*time.Second), w))
		}
		if m == 280 {
			events = append(events, saidEvent{at.Add(3 * time.Second), bus.Health, "w1", message.Health{Worker: "w1", Time: at, StartedTime: at, State: message.HealthFailing, Reasons: []string{"the disk is full"}}})
		}
	}
	return events
}

const escalating = `alerts:
  routes:
    - {id: desk, kind: command, command: [/bin/true]}
    - {id: chief, kind: command, command: [/bin/true]}
  rules:
    - {id: duty, routes: [desk], repeat_minutes: 10, repeat_most: 4, escalation: [{after_minutes: 25, routes: [chief]}]}
`

// A keeper that dies and is followed by another, at any moment, says what one that
// never died says: the same ids, nothing twice, and escalation goes on.
func TestAlertsOverRestarts(t *testing.T) {
	p := alertsProgramme(t, alertsYAML+escalating, nil)
	whole := newAlertRig(t, p, alertsStart)
	whole.play(alertKeeperOptions{Routes: true}, mixedEvents(), stormAt(5, 0, 0))
	want := whole.alerts()
	for _, line := range alertLines(want) {
		t.Log(line)
	}
	kinds := map[alert.Kind]bool{}
	escalated := 0
	for _, a := range want {
		kinds[a.Kind] = true
		if a.Escalation > 0 {
			escalated++
		}
	}
	if len(kinds) < 6 || escalated == 0 {
		t.Fatalf("the storm of the test has kinds %v and %d escalations", kinds, escalated)
	}
	ids := map[string]bool{}
	for _, a := range want {
		if ids[a.ID] {
			t.Errorf("two alerts have the id %s", a.ID)
		}
		ids[a.ID] = true
	}

	r := newAlertRig(t, p, alertsStart)
	events := mixedEvents()
	lost := false
	ends := []time.Time{stormAt(0, 10, 22), stormAt(2, 1, 0), stormAt(2, 11, 30), stormAt(2, 30, 0), stormAt(2, 30, 1), stormAt(2, 40, 3), stormAt(2, 56, 0), stormAt(4, 40, 3), stormAt(5, 0, 0)}
	for i, end := range ends {
		var part []saidEvent
		for len(events) > 0 && !events[0].at.After(end) {
			part, events = append(part, events[0]), events[1:]
		}
		lost = i%2 == 0 // every second one leaves without a last word
		r.play(alertKeeperOptions{Routes: true, Lost: func() bool { return lost && !r.clock.Now().Before(end) }}, part, end)
	}
	got := r.alerts()
	a, _ := json.Marshal(want)
	b, _ := json.Marshal(got)
	if string(a) != string(b) {
		compareLines(t, alertLines(got), alertLines(want))
		for k := range min(len(got), len(want)) {
			if got[k].ID != want[k].ID {
				t.Errorf("alert %d is %s, without restarts %s", k, got[k].ID, want[k].ID)
				break
			}
		}
	}
	delivered := map[string]int{}
	for stored, err := range r.bus.ReadBack(t.Context(), bus.Delivery) {
		if err != nil {
			t.Fatal(err)
		}
		data, err := message.Decode(stored.Event)
		if err != nil {
			t.Fatal(err)
		}
		if d := data.(alert.Delivery); d.Outcome == alert.DeliveryDelivered {
			delivered[d.Key()]++
		}
	}
	for _, a := range want {
		for _, route := range a.Routes {
			if delivered[a.ID+"/"+route] == 0 {
				t.Errorf("%s was not brought by %s", alertLine(a), route)
			}
		}
	}
}
