package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/operate"
	"rimeline/ingest/feed"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// toldInputs makes daleProgramme hear of its sites by message, and of warnings from
// a service that is asked every few seconds.
const toldInputs = `
inputs:
  - {id: radio, kind: telemetry, source: bus, telemetry: {site: site, time: at, layout: rfc3339, battery: {path: volts, unit: V}}}
  - {id: nws, kind: warnings, source: nws-alerts, areas: [XV], base_url: "%s", poll_minutes: %g}
`

const toldHolds = `holds:
  - {id: ready, kind: site_ready, sites: [hut], battery_hold_below_v: 11.5, battery_hours_ahead: 0, units_minimum: 0, lift: automatic, clear_minutes: 0, source: invented}
  - {id: alarm, kind: warning, preset: public-warnings, feeds: [nws], lift: automatic, clear_minutes: 0}
`

// A battery that is dead, and a warning that is issued, reach people as alerts on the
// bus: from the moment when the input is there it is a matter of tenths of a second,
// by the wall clock, with every part of the service between. The times are logged.
func TestWhatSuspendsIsToldAtOnce(t *testing.T) {
	if testing.Short() {
		t.Skip("waits for a page to be asked: not in short mode")
	}
	// A warning over the basin, in the form of api.weather.gov; invented.
	var warned atomic.Pointer[time.Time]
	var issued atomic.Bool
	store := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		features := ""
		if issued.Load() {
			now := time.Now().UTC()
			features = fmt.Sprintf(`{"id":"urn:oid:2.49.0.1.840.0.told.001.1","type":"Feature","geometry":{"type":"Polygon","coordinates":[[[-114.7,43.8],[-114.3,43.8],[-114.3,44.2],[-114.7,44.2],[-114.7,43.8]]]},"properties":{"id":"urn:oid:2.49.0.1.840.0.told.001.1","areaDesc":"Basin","geocode":{"SAME":["099001"],"UGC":["XVC001"]},"references":[],"sent":%q,"effective":%q,"onset":%q,"expires":%q,"ends":%q,"status":"Actual","messageType":"Alert","category":"Met","severity":"Severe","certainty":"Likely","urgency":"Immediate","event":"Flash Flood Warning","sender":"w-nws.webmaster@noaa.gov","senderName":"NWS Invented","headline":"Flash Flood Warning","description":"invented","instruction":"","response":"Avoid","parameters":{"VTEC":["/O.NEW.KXVT.FF.W.0001.%sZ-%sZ/"],"eventEndingTime":[%q]}}}`,
				now.Format(time.RFC3339), now.Format(time.RFC3339), now.Format(time.RFC3339), now.Add(time.Hour).Format(time.RFC3339), now.Add(time.Hour).Format(time.RFC3339),
				now.Format("060102T1504"), now.Add(time.Hour).Format("060102T1504"), now.Add(time.Hour).Format(time.RFC3339))
		}
		fmt.Fprintf(w, `{"type":"FeatureCollection","features":[%s],"title":"current watches, warnings, and advisories","updated":%q}`, features, time.Now().UTC().Format(time.RFC3339))
		if at := time.Now(); issued.Load() {
			warned.CompareAndSwap(nil, &at)
		}
	}))
	defer store.Close()

	yaml, _, _ := strings.Cut(daleProgramme, "holds:\n")
	yaml += fmt.Sprintf(toldInputs, store.URL, .25) + toldHolds
	p, err := parseProgramme("dale.yaml", []byte(yaml), nil)
	if err != nil {
		t.Fatal(err)
	}
	server, err := bus.EmbeddedWith(t.TempDir(), bus.ServerOptions{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	b, err := server.Connect(t.Context(), bus.Options{StoreBytes: 256 << 20})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := b.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	gateway, err := nats.Connect(server.Address())
	if err != nil {
		t.Fatal(err)
	}
	defer gateway.Close()
	report := func(volts float64) {
		data, err := json.Marshal(map[string]any{"site": "hut", "at": time.Now().UTC().Format(time.RFC3339), "volts": volts})
		if err == nil {
			err = gateway.Publish("rimeline.dale.telemetry.hut", data)
		}
		if err == nil {
			err = gateway.Flush()
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	report(12.8)

	ctx, stop := context.WithCancel(t.Context())
	client := feed.New(feed.Options{PerHostPerSecond: 100})
	defer client.CloseIdleConnections()
	s := newService(&service{clock: clock.Wall{}, bus: b, fetcher: client, rare: testEnvironment(t).Rare, log: slog.New(slog.DiscardHandler), metrics: operate.NewMetrics(version()), worker: "told"})
	done := make(chan error, 3)
	go func() { done <- s.own(ctx, p, bundle{File: "dale.yaml", YAML: yaml}) }()
	go func() { done <- s.ownAlerts(ctx, p, alertKeeperOptions{Owned: &s.keepers}) }()
	go func() { done <- s.workOn(ctx, bus.QueueIngest, 1) }()
	defer func() {
		stop()
		for range cap(done) {
			if err := <-done; err != nil {
				t.Error(err)
			}
		}
	}()

	type told struct {
		alert.Alert
		at time.Time
	}
	alerts := make(chan told, 100)
	go func() {
		for stored, err := range b.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{bus.Alert}, Since: bus.FromAll}) {
			if err != nil {
				continue
			}
			if a, err := message.As[alert.Alert](stored.Event); err == nil {
				alerts <- told{a, stored.Time}
			}
		}
	}()
	// hear waits for a hold that is raised for a reason.
	hear := func(word string) time.Time {
		t.Helper()
		late := time.After(2 * time.Minute)
		for {
			select {
			case a := <-alerts:
				if text := strings.Join(a.Reasons, "; "); a.Kind == alert.HoldRaised && a.Change == alert.ChangeNew && strings.Contains(text, word) {
					return a.at
				}
			case <-late:
				t.Fatalf("nobody was told of %q", word)
			}
		}
	}
	until(t, 2*time.Minute, "the criteria are judged and clear", func() bool {
		var holds message.Holds
		known, err := s.latest(ctx, bus.Hold, "dale", bus.Whole, &holds)
		if err != nil || !known {
			return false
		}
		for _, r := range holds.Results {
			if r.Outcome.Holds() {
				return false
			}
		}
		return true
	})

	began := time.Now()
	report(11.2)
	t.Logf("from the message of a dead battery to the alert: %.2f s", hear("battery").Sub(began).Seconds())

	issued.Store(true)
	at := hear("Flash Flood Warning")
	t.Logf("from the answer with a warning to the alert: %.2f s", at.Sub(*warned.Load()).Seconds())
}
