package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/operate"
	"rimeline/ingest/crop"
	"rimeline/ingest/feed"
	stores "rimeline/ingest/source"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

const inputsExample = "testdata/inputs/programme.yaml"

// TestExampleOfInputs: the example is valid, lacks nothing, and is described.
func TestExampleOfInputs(t *testing.T) {
	p, err := loadProgramme(inputsExample)
	if err != nil {
		t.Fatal(err)
	}
	if missing := p.MissingEvidence(); len(missing) > 0 {
		t.Errorf("it lacks %q", missing)
	}
	got := rimeline(t, "check", inputsExample)
	for _, want := range []string{"Inputs of the suspension criteria", "gauges 13999901, 13999902", "every 10 min", "public store nws-alerts", "list nws of zones IDZ013, IDC037",
		"gauge-table at water.example", "messages on the bus", "never: it comes by itself", "stage.txt", "every 1 min"} {
		if got.status != 0 || !strings.Contains(got.stdout, want) {
			t.Errorf("check does not say %q:\n%s%s", want, got.stdout, got.stderr)
		}
	}
	if strings.Contains(got.stdout, "lake.csv") {
		t.Error("check shows more of an address than the server")
	}
	// A pollers' worth of needs: every one is right, and those of one source differ.
	labels := map[string]bool{}
	for i := range p.Inputs {
		need, ok := pageNeed(p, &p.Inputs[i], nil)
		if ok != (p.Inputs[i].Source != programme.SourceBus) {
			t.Errorf("%s: asked for %v", p.Inputs[i].ID, ok)
		}
		if !ok {
			continue
		}
		if _, err := stores.NewPoller(localFetcher{feed.New(feed.Options{})}, need); err != nil || labels[need.Label] {
			t.Errorf("%s: %v", p.Inputs[i].ID, err)
		}
		labels[need.Label] = true
		if s, _ := stores.Find(need.Source); s.Kind != p.Inputs[i].Kind {
			t.Errorf("%s is recorded as of source %s, which gives %s", p.Inputs[i].ID, need.Source, s.Kind)
		}
	}
	// assess, which reads files of its own, leaves them alone.
	job := assessJob{assessCommand: &assessCommand{Programme: inputsExample}, judgement: judgement{programme: p}}
	if paths, err := job.programmeInputs(); err == nil {
		t.Errorf("an assessment would be made from %v", paths)
	}
}

// TestInputMistakesSayWhere: what only those who read and fetch can find.
func TestInputMistakesSayWhere(t *testing.T) {
	for _, test := range []struct{ name, input, path, says string }{
		{"layout", "{id: x, kind: gauge, source: gauge-table, url: 'https://x/', table: {time: [t], layout: QQ, gauge: a, values: [{column: v, quantity: flow, unit: cfs}]}}", ".table.values[0]", "layout"},
		{"no zone", "{id: x, kind: gauge, source: gauge-table, url: 'https://x/', table: {time: [t], layout: YYYY-MM-DD, gauge: a, values: [{column: v, quantity: flow, unit: cfs}]}}", ".table.values[0]", "zone"},
		{"unit", "{id: x, kind: gauge, source: gauge-table, url: 'https://x/', table: {time: [t], layout: unix, gauge: a, values: [{column: v, quantity: flow, unit: cfs}, {column: w, quantity: storage, unit: cfs}]}}", ".table.values[1]", `"cfs" is no unit of reservoir_storage`},
		{"code", "{id: x, kind: gauge, source: gauge-table, url: 'https://x/', table: {time: [t], layout: unix, gauge: a, values: [{column: v, quantity: flow, unit: cfs, flag_column: q, codes: {A: fine}}]}}", ".table.values[0]", `"fine" is none of good`},
		{"characters", "{id: x, kind: gauge, source: gauge-table, url: 'https://x/', table: {delimiter: fixed, time: [t], layout: unix, gauge: a, values: [{column: v, quantity: flow, unit: cfs}]}}", ".table.values[0]", "range of characters"},
		{"path", "{id: x, kind: gauge, source: gauge-json, url: 'https://x/', gauges: [a], json: [{gauge: 'a[', quantity: flow, unit: u, time: t, layout: unix, value: v}]}", ".json[0]", "cannot be read at"},
		{"unit in quotes", "{id: x, kind: gauge, source: gauge-json, url: 'https://x/', gauges: [a], json: [{gauge: a, quantity: flow, unit: \"'furlong'\", time: t, layout: unix, value: v}]}", ".json[0].unit", "furlong"},
		{"zone of snow", "{id: x, kind: gauge, source: snotel, gauges: ['538:CO:SNTL'], time_zone: Nowhere/Land}", ".time_zone", "Nowhere/Land"},
		{"zone of danger", "{id: x, kind: avalanche, source: avalanche-us, stations: [XAC], time_zone: Nowhere/Land}", ".time_zone", "Nowhere/Land"},
		{"danger", "{id: x, kind: avalanche, source: avalanche-json, url: 'https://x/', danger: {zone: 'z[', level: l}}", ".danger", "cannot be read at"},
		{"telemetry", "{id: x, kind: telemetry, source: bus, telemetry: {site: s, time: t, layout: unix, battery: {path: v, unit: cfs}}}", ".telemetry", `battery: "cfs" is no unit`},
		{"gauge's form", "{id: x, kind: gauge, source: nwps-gauge, gauges: [lksi1]}", "", "five letters and digits"},
		{"zone's form", "{id: x, kind: warnings, source: nws-alerts, zones: [Custer]}", "", "such as IDZ013"},
		{"no zones", "{id: x, kind: warnings, source: nws-alerts}", "", "at least one of zones"},
		{"address", "{id: x, kind: warnings, source: cap-feed, url: 'https://user:hush@x/'}", "", "password"},
		{"placeholder", "{id: x, kind: warnings, source: cap-feed, url: 'https://x/{year}'}", "", "placeholder"},
		{"normal", "{id: x, kind: gauge, source: snotel, gauges: ['538:CO:SNTL'], time_zone: UTC, normals: [{gauge: '538:CO:SNTL', file: /dev/null, date: d, value: v, unit: mm}]}", ".normals[0]", "/dev/null"},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := parseSafety(t, "inputs:\n  - "+test.input+"\n")
			var problems programme.Problems
			if !errors.As(err, &problems) {
				t.Fatalf("no problem: %v", err)
			}
			for _, problem := range problems {
				if problem.Line == 11 && problem.Column >= 5 && problem.Path == "inputs[0]"+test.path && strings.Contains(problem.Message, test.says) && !strings.Contains(problem.Message, "hush") {
					return
				}
			}
			t.Errorf("got\n%v\nwant inputs[0]%s, %q", err, test.path, test.says)
		})
	}
}

// TestLocalFetcher reads what is a file, and only that.
func TestLocalFetcher(t *testing.T) {
	dir := t.TempDir()
	f := localFetcher{}
	path := filepath.Join(dir, "a.csv")
	written := time.Date(2026, 2, 3, 14, 0, 0, 0, time.UTC)
	if err := os.WriteFile(path, []byte("text"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(path, written, written); err != nil {
		t.Fatal(err)
	}
	if b, at, err := f.ReadFile(path, 4); err != nil || string(b) != "text" || !at.Equal(written) {
		t.Errorf("%q of %s, %v", b, at, err)
	}
	pipe := filepath.Join(dir, "pipe")
	if err := syscall.Mkfifo(pipe, 0o600); err != nil {
		t.Fatal(err)
	}
	for name, says := range map[string]string{path + "x": "no such file", dir: "no regular file", pipe: "no regular file", "/dev/zero": "no regular file"} {
		if _, _, err := f.ReadFile(name, 4); err == nil || !strings.Contains(err.Error(), says) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v, want %q", name, err, says)
		}
	}
	if _, _, err := f.ReadFile(path, 3); err == nil || !strings.Contains(err.Error(), "at most 3") {
		t.Errorf("larger than allowed: %v", err)
	}
	if found, err := f.Glob(filepath.Join(dir, "*.csv")); err != nil || !slices.Equal(found, []string{path}) {
		t.Errorf("%v, %v", found, err)
	}
	if _, err := f.Glob("["); err == nil {
		t.Error("a pattern that is none")
	}
}

// TestSafetyInputsThroughTheBus: what a schedule finds comes to a worker by the
// object store, is kept with its input and notes, and what cannot be read becomes a
// dead letter at once.
func TestSafetyInputsThroughTheBus(t *testing.T) {
	answers := map[string]string{"/hut": `{"site":"hut","at":"2026-02-03T14:00:00Z","mv":12100}`}
	asked := 0
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		asked++
		fmt.Fprint(w, answers[r.URL.Path])
	}))
	defer server.Close()
	file := filepath.Join(t.TempDir(), "pond.csv")
	p := safetyProgramme(t, `inputs:
  - {id: crews, kind: telemetry, source: telemetry-json, url: '`+server.URL+`/hut?token=hush', telemetry: {site: site, time: at, layout: rfc3339, battery: {path: mv, unit: mV}}}
  - {id: pond, kind: gauge, paths: ['`+file+`'], format: table, table: {time: [t], layout: rfc3339, gauge: pond, values: [{column: stage, quantity: stage, unit: ft}, {column: flow, quantity: flow, unit: cfs}]}}
holds:
  - {id: ready, kind: site_ready, battery_review_below_v: 12.2, battery_hours_ahead: 0, units_minimum: 0, source: s}
  - {id: pond, kind: gauge, gauges: [pond], quantity: stage, unit: ft, hold_above: 4, source: s}
`)
	embedded, err := bus.EmbeddedWith(t.TempDir(), bus.ServerOptions{MaxStoreBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	defer embedded.Close()
	connection, err := embedded.Connect(t.Context(), bus.Options{StoreBytes: 512 << 20})
	if err != nil {
		t.Fatal(err)
	}
	defer connection.Close()
	for _, ensure := range []func(context.Context) error{connection.EnsureStreams, connection.EnsureQueues} {
		if err := ensure(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	now := time.Date(2026, 2, 3, 14, 5, 0, 0, time.UTC)
	log := &lockedBuffer{}
	s := newService(&service{clock: clock.NewStepped(now, 0), bus: connection, fetcher: feed.New(feed.Options{Attempts: 1}), worker: "w", rehearsed: true,
		metrics: operate.NewMetrics("test"), log: slog.New(slog.NewTextHandler(log, &slog.HandlerOptions{Level: slog.LevelDebug}))})
	b := bundle{File: filepath.Base(p.File)}
	text, err := os.ReadFile(p.File)
	if err != nil {
		t.Fatal(err)
	}
	b.YAML = string(text)
	ref, err := s.publishProgramme(t.Context(), p, b)
	if err != nil {
		t.Fatal(err)
	}
	c := s.newSchedule(p, ref)
	pollers := map[string]*stores.Poller{}
	for i := range p.Inputs {
		input := &p.Inputs[i]
		c.needs[input.ID], _ = pageNeed(p, input, nil)
		if pollers[input.ID], err = stores.NewPoller(localFetcher{s.fetcher}, c.needs[input.ID]); err != nil {
			t.Fatal(err)
		}
	}
	ctx, stop := context.WithCancel(t.Context())
	defer stop()
	go s.workOn(ctx, bus.QueueIngest, 2) //nolint:errcheck // ends with ctx
	events := make(chan bus.Event, 100)
	go func() {
		for stored, err := range connection.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{bus.Input, bus.DeadLetter}, Since: bus.FromAll}) {
			if err == nil {
				events <- stored.Event
			}
		}
	}()
	look := func(id string, at time.Time) {
		t.Helper()
		objects, err := pollers[id].Poll(ctx, at)
		if err != nil || len(objects) != 1 {
			t.Fatalf("%s: %d objects, %v", id, len(objects), err)
		}
		if err := c.askIngest(ctx, id, objects[0]); err != nil {
			t.Fatal(err)
		}
	}
	next := func(kind bus.Kind) bus.Event {
		t.Helper()
		select {
		case e := <-events:
			if e.Type != kind.Type {
				t.Fatalf("%s: %s", e.Type, e.Data)
			}
			return e
		case <-time.After(20 * time.Second):
			t.Fatalf("no %s; the log says\n%s", kind.Type, log)
		}
		return bus.Event{}
	}
	kept := func(e bus.Event, id string, valid time.Time, notes string) *report {
		t.Helper()
		value, err := message.Decode(e)
		if err != nil {
			t.Fatal(err)
		}
		record := value.(message.Input)
		if record.InputID != id || !record.ValidTime.Equal(valid) || record.Error != "" || !strings.Contains(strings.Join(record.Notes, "\n"), notes) || notes == "" && len(record.Notes) > 0 {
			t.Errorf("record %+v, want %s of %s with %q", record, id, valid, notes)
		}
		encoded, err := connection.GetObject(ctx, record.Crop.Object)
		if err != nil {
			t.Fatal(err)
		}
		decoded, err := crop.Decode(record.Crop.Object, encoded)
		if err != nil {
			t.Fatal(err)
		}
		if strings.Contains(fmt.Sprintf("%+v", decoded), "hush") || strings.Contains(string(e.Data), "hush") || strings.Contains(string(e.Data), filepath.Dir(file)) {
			t.Errorf("a record tells what is nobody's business: %s", e.Data)
		}
		r, err := decodeReport(p, p.Input(id), decoded.Raw, record.ValidTime)
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	e := hold.Evidence{At: now, ManualAsOf: now}
	look("crews", now)
	kept(next(bus.Input), "crews", now, "").addTo(&e, p, p.Input("crews"), now)
	if asked != 1 {
		t.Errorf("the page was asked for %d times, want once", asked)
	}
	// Of this file one column fits its mapping, and the other is noted.
	written := now.Add(-10 * time.Minute)
	put := func(text string, at time.Time) {
		t.Helper()
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(file, at, at); err != nil {
			t.Fatal(err)
		}
	}
	put("t,stage\n2026-02-03T13:50:00Z,4.1\n", written)
	look("pond", now)
	kept(next(bus.Input), "pond", written, `column flow`).addTo(&e, p, p.Input("pond"), now)
	mergeEvidence(&e)
	got := map[string]hold.Outcome{}
	for _, result := range hold.Judge(p, e, nil) {
		got[result.Key] = result.Outcome
	}
	if got["pond"] != hold.Held || got["ready/hut"] != hold.Review {
		t.Errorf("outcomes %v", got)
	}
	// Garbage, at once and with its reason.
	put("<html>not today</html>", now)
	look("pond", now.Add(10*time.Minute))
	if letter := string(next(bus.DeadLetter).Data); !strings.Contains(letter, "pond.csv") || !strings.Contains(letter, "is a page or XML, no table") || !strings.Contains(letter, `"deliveries":1`) {
		t.Errorf("dead letter %s", letter)
	}
	// What a job says is for everybody to read, a key in an address is not.
	objects, err := pollers["crews"].Poll(ctx, now.Add(20*time.Minute))
	if err != nil || len(objects) != 1 {
		t.Fatalf("%d objects, %v", len(objects), err)
	}
	data, err := c.ingestJob(ctx, "crews", objects[0])
	if err != nil || strings.Contains(string(data), "hush") {
		t.Errorf("%s, %v", data, err)
	}
	// The placeholders of an address do not survive that, and need not.
	task := ingestTask{Need: stores.Need{Source: "cap-feed", URL: feed.Redact("https://x/{zones}?zone={zones}"), Zones: []string{"IDZ013"}},
		Object: stores.Object{Source: "cap-feed", Answer: []stores.File{{Name: "a", Bytes: []byte("b")}}}}
	if fetched, err := stores.Fetch(ctx, s.fetcher, task.Object, task.Need); err != nil || string(fetched.Files[0].Bytes) != "b" {
		t.Errorf("%+v, %v", fetched, err)
	}
	// An answer whose time in the object store is over: only what has an address of
	// its own is asked for again.
	answers["/nwps/v1/gauges/LKSI1"] = `{"lid":"LKSI1"}`
	public := stores.Need{Source: "nwps-gauge", BaseURL: server.URL, Stations: []string{"LKSI1"}}
	for _, test := range []struct {
		need stores.Need
		part string
		want string
	}{
		{c.needs["crews"], server.URL + "/hut", "no longer kept"}, {c.needs["pond"], "file:pond.csv", "no longer kept"}, {public, server.URL + "/nwps/v1/gauges/LKSI1", ""},
	} {
		task := &ingestTask{Programme: ref, Need: test.need, Object: stores.Object{Source: test.need.Source, ID: "x", Parts: []stores.Part{{URL: test.part}}}, Answer: "answers/long gone"}
		fetched, err := s.fetch(ctx, task)
		if test.want == "" && (err != nil || string(fetched.Files[0].Bytes) != `{"lid":"LKSI1"}`) || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
			t.Errorf("%s: %+v, %v", test.part, fetched, err)
		}
	}
}

// TestSilenceIsUnknown: an input that says nothing for longer than its criteria
// allow leaves them unknown, and those of other inputs as they are; and a warning
// of which a part is lost on its way is never gone.
func TestSilenceIsUnknown(t *testing.T) {
	c := newChain(t, `inputs:
  - id: pond
    kind: gauge
    source: gauge-json
    url: HOST/pond
    gauges: [pond]
    json: [{gauge: id, quantity: stage, unit: "'ft'", time: at, layout: rfc3339, value: stage}]
  - {id: alerts, kind: warnings, source: cap-feed, url: HOST/cap}
  - {id: crews, kind: telemetry, source: telemetry-json, url: HOST/hut, telemetry: {site: site, time: at, layout: rfc3339, battery: {path: v, unit: V}}}
holds:
  - {id: level, kind: gauge, gauges: [pond], quantity: stage, unit: ft, hold_above: 5, source: s, maximum_age_hours: 1}
  - {id: rise, kind: gauge, gauges: [pond], quantity: stage, unit: ft, hold_rise_per_hour: 0.6, source: s, maximum_age_hours: 1}
  - {id: alarm, kind: warning, preset: public-warnings}
  - {id: ready, kind: site_ready, battery_hold_below_v: 11.5, units_minimum: 0, source: s}
`)
	start := moment("2026-02-03T00:00:00Z")
	now := start
	for minute := 0; minute <= 8*60; minute += 10 {
		now = start.Add(time.Duration(minute) * time.Minute)
		c.put("/pond", webPage{body: fmt.Sprintf(`{"id":"pond","at":%q,"stage":%.2f}`, now.Format(time.RFC3339), 3+.001*float64(minute))})
		c.put("/hut", webPage{body: fmt.Sprintf(`{"site":"hut","at":%q,"v":12.9}`, now.Format(time.RFC3339))})
		c.put("/cap", webPage{body: "<alerts/>"})
		c.poll(now)
	}
	criteria := map[string][]string{"pond ": {"level", "rise"}, "alerts ": {"alarm/hut"}, "crews ": {"ready/hut"}}
	// Criteria allow 60 min for the gauge, 20 for a list, 30 without contact.
	allowed := map[string]int{"pond ": 60, "alerts ": 20, "crews ": 30}
	all := c.records
	for _, key := range sortedKeys(all) {
		for _, lost := range []int{0, 15, 25, 35, 65, 9 * 60} {
			c.records = map[string][]keptRecord{}
			for other, list := range all {
				if other == key {
					list = slices.DeleteFunc(slices.Clone(list), func(r keptRecord) bool { return now.Sub(r.valid) < time.Duration(lost)*time.Minute })
				}
				if len(list) > 0 {
					c.records[other] = list
				}
			}
			got, results := c.outcomes(now)
			for other, ids := range criteria {
				for _, id := range ids {
					silent := other == key && lost > allowed[other]
					if silent != got[id].Holds() || !silent && got[id] != hold.Clear {
						t.Errorf("%d minutes of %s lost: %s is %s: %s", lost, key, id, got[id], results[id].Reason)
					}
				}
			}
		}
	}
	// Of a list with a warning, whichever files are lost or damaged: never clear.
	const held = `<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>a</identifier><sender>x</sender><sent>2026-02-03T07:00:00+00:00</sent><status>Actual</status><msgType>Alert</msgType><scope>Public</scope>` +
		`<info><category>Met</category><event>Flash Flood Warning</event><urgency>Immediate</urgency><severity>Severe</severity><certainty>Likely</certainty><expires>2026-02-03T12:00:00+00:00</expires>` +
		`<area><areaDesc>x</areaDesc><circle>44,-114.8 5</circle></area></info></alert>`
	input := c.programme.Input("alerts")
	for cut := 0; cut < len(held); cut += 7 {
		e := hold.Evidence{At: now, ManualAsOf: now}
		r, err := decodeReport(c.programme, input, []crop.RawFile{{Name: "cap", Bytes: []byte(held[:len(held)-cut])}}, now)
		if err != nil {
			continue // refused: the list before stays, and grows old
		}
		r.addTo(&e, c.programme, input, now)
		mergeEvidence(&e)
		for _, result := range hold.Judge(c.programme, e, nil) {
			if result.Criterion == "alarm" && !result.Outcome.Holds() {
				t.Errorf("with the last %d bytes lost the warning leaves %s: %s", cut, result.Outcome, result.Reason)
			}
		}
	}
}

// TestEmptyEnvelopes: no message is not no answer.
func TestEmptyEnvelopes(t *testing.T) {
	for text, want := range map[string]bool{
		"<alerts/>": true, "<?xml version=\"1.0\"?>\n<alerts>\n <!-- none --> </alerts>": true, `<alerts xmlns="urn:oasis:names:tc:emergency:cap:1.2"></alerts>`: true,
		`<EDXLDistribution xmlns="urn:oasis:names:tc:emergency:EDXL:DE:1.0"><distributionID>x</distributionID></EDXLDistribution>`: true,
		`<EDXLDistribution><contentObject/></EDXLDistribution>`:                                                                    false, "<alerts>down</alerts>": false, "<alerts><error/></alerts>": false, "<alerts>": false,
		"<feed/>": false, "<html/>": false, "<alerts/><alerts/>": false, "<!DOCTYPE alerts><alerts/>": false, "": false, "alerts": false, "<alert/>": false, "<error/>": false,
	} {
		if got := emptyEnvelope([]byte(text)); got != want {
			t.Errorf("%s: %v, want %v", text, got, want)
		}
	}
}

// FuzzReport: whatever an answer holds, there is a report or an error, and a
// judgement.
func FuzzReport(f *testing.F) {
	p, err := loadProgramme(inputsExample)
	if err != nil {
		f.Fatal(err)
	}
	for i := range p.Inputs {
		for _, text := range []string{"", "{}", "[]", "a,b\n1,2\n", `{"lid":"LKSI1","status":{"observed":{"floodCategory":"minor","validTime":"2026-02-03T14:00:00Z","primary":4,"primaryUnit":"ft"}}}`,
			`{"observed":{"primaryUnits":"ft","data":[{"validTime":"2026-02-03T14:00:00Z","primary":4}]},"forecast":{"data":[{"validTime":"2026-02-03T20:00:00Z","primary":5}]}}`,
			"STATION_ID,DATE TIME,VALUE,UNITS,SENSOR_NUMBER,DATA_FLAG\nLKS,20260203 0600,9000,AF,15,\nLKS,20260203 0700,---,AF,15,x\n",
			`{"issued":"2026-02-03T12:00:00Z","points":[{"t":"2026-02-03T15:00:00Z","storage":9000,"level":7000}]}`,
			`[{"stationTriplet":"9999:ID:SNTL","data":[{"stationElement":{"elementCode":"WTEQ","storedUnitCode":"in"},"values":[{"date":"2026-02-03","value":9.5,"median":10}]}]}]`,
			`{"features":[{"properties":{"name":"Sawtooth","danger_level":3,"start_date":"2026-02-03T14:00:00","end_date":"2026-02-04T14:00:00"}}]}`,
			`{"sites":[{"id":"saddlehorn","at":1770127200,"battery":{"volts":12.5},"flares":6,"faults":["x"],"heard":1770127200}]}`,
			`{"site":"saddlehorn","at":"2026-02-03T14:00:00Z","mv":12500,"t":-4}`,
			"2026-02-03 14:00    5.50\n#\n2026-02-03 14:15    5.60\n",
			`{"type":"FeatureCollection","features":[{"properties":{"id":"a","status":"Actual","messageType":"Alert","sent":"2026-02-03T14:00:00Z","event":"Flash Flood Warning","geocode":{"UGC":["IDC037"]}}}],"pagination":{"next":"x"}}`} {
			f.Add(uint8(i), []byte(text), []byte(text))
		}
	}
	now := moment("2026-02-03T14:30:00Z")
	f.Fuzz(func(t *testing.T, which uint8, one, two []byte) {
		input := &p.Inputs[int(which)%len(p.Inputs)]
		e := hold.Evidence{At: now, ManualAsOf: now}
		for k, b := range [][]byte{one, two} {
			r, err := decodeReport(p, input, []crop.RawFile{{Name: rawName("LKSI1", "x"), Bytes: b}}, now.Add(time.Duration(k-5)*time.Minute))
			if (r == nil) == (err == nil) {
				t.Fatalf("report %v, error %v", r, err)
			}
			if r != nil {
				if len(r.notes) > maxNotes+1 {
					t.Fatalf("%d notes", len(r.notes))
				}
				r.addTo(&e, p, input, now)
			}
		}
		before := len(e.Readings)
		mergeEvidence(&e)
		if len(e.Readings) > before {
			t.Fatal("more readings after than before")
		}
		hold.Judge(p, e, nil)
	})
}
