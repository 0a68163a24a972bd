package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/crop"
	"rimeline/ingest/feed"
	stores "rimeline/ingest/source"
	"rimeline/ingest/testfiles"
	"rimeline/seedability/hold"
	"rimeline/seedability/programme"
)

// chain is all between a public service and an outcome: a loopback server, pollers
// as the schedule has them, ingest as a worker does it, the records that are kept,
// evidence, judgement.
type chain struct {
	t         testing.TB
	server    *httptest.Server
	programme *programme.Programme
	fetcher   stores.Fetcher
	pollers   map[string]*stores.Poller
	needs     map[string]stores.Need

	mu    sync.Mutex
	pages map[string]webPage // by path and query
	asked []string

	records map[string][]keptRecord // by input and station, oldest first
	refused map[string]error        // by input, of the last answer
	failed  map[string]error        // by input, of the last poll
}

type webPage struct {
	body   string
	etag   string
	status int // 0: 200
	half   bool
}

type keptRecord struct {
	input   *programme.Input
	valid   time.Time
	encoded []byte
}

// newChain makes one of a programme's sections; HOST in them is the server.
func newChain(t testing.TB, sections string) *chain {
	t.Helper()
	c := &chain{t: t, pages: map[string]webPage{}, pollers: map[string]*stores.Poller{}, needs: map[string]stores.Need{},
		records: map[string][]keptRecord{}, refused: map[string]error{}, failed: map[string]error{}}
	c.server = httptest.NewServer(http.HandlerFunc(c.serve))
	t.Cleanup(c.server.Close)
	c.programme = safetyProgramme(t, strings.ReplaceAll(sections, "HOST", c.server.URL))
	cache, err := feed.OpenCache(t.TempDir(), 64<<20)
	if err != nil {
		t.Fatal(err)
	}
	client := feed.New(feed.Options{Attempts: 1, PerHostPerSecond: 1e6, Cache: cache})
	t.Cleanup(client.CloseIdleConnections)
	c.fetcher = localFetcher{client}
	mirrors := map[string]string{}
	for _, s := range stores.All() {
		mirrors[s.Name] = c.server.URL + "/" + s.Name
	}
	for i := range c.programme.Inputs {
		input := &c.programme.Inputs[i]
		if !input.IsSafety() {
			continue
		}
		if input.URL != "" {
			mirrors = map[string]string{}
		}
		need, ok := pageNeed(c.programme, input, mirrors)
		if !ok {
			continue
		}
		c.needs[input.ID] = need
		if c.pollers[input.ID], err = stores.NewPoller(c.fetcher, need); err != nil {
			t.Fatal(err)
		}
	}
	return c
}

// safetyProgramme is one site and one target near the middle of the United States'
// mountains, with some sections behind.
func safetyProgramme(t testing.TB, sections string) *programme.Programme {
	t.Helper()
	p, err := parseSafety(t, sections)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func parseSafety(t testing.TB, sections string) (*programme.Programme, error) {
	const head = `id: dale
name: Dale
timezone: America/Denver
sites:
  - {id: hut, name: Hut, latitude_deg: 44, longitude_deg: -114.8, zones: [IDZ013, IDC037], agent: {kind: generator, rate_g_per_h: 20, yield_table: slow}}
targets:
  - {id: basin, name: Basin, zones: [IDZ014, IDC037], geometry: {type: Polygon, coordinates: [[[-114.6, 43.9], [-114.4, 43.9], [-114.4, 44.1], [-114.6, 44.1], [-114.6, 43.9]]]}}
yield_tables:
  - {id: slow, source: invented, points: [{temperature_degc: -6, crystals_per_g: 2.0e10}, {temperature_degc: -20, crystals_per_g: 3.0e15}]}
`
	file := filepath.Join(t.TempDir(), "dale.yaml")
	if err := os.WriteFile(file, []byte(head+sections), 0o600); err != nil {
		t.Fatal(err)
	}
	return loadProgramme(file)
}

func (c *chain) serve(w http.ResponseWriter, r *http.Request) {
	c.mu.Lock()
	page, ok := c.pages[r.URL.RequestURI()]
	c.asked = append(c.asked, r.URL.RequestURI())
	c.mu.Unlock()
	switch {
	case !ok:
		w.WriteHeader(http.StatusNotFound)
	case page.status != 0:
		w.WriteHeader(page.status)
	case page.half:
		w.Header().Set("Content-Length", fmt.Sprint(len(page.body)))
		fmt.Fprint(w, page.body[:len(page.body)/2])
	default:
		if page.etag != "" {
			w.Header().Set("ETag", page.etag)
			if r.Header.Get("If-None-Match") == page.etag {
				w.WriteHeader(http.StatusNotModified)
				return
			}
		}
		fmt.Fprint(w, page.body)
	}
}

func (c *chain) put(uri string, page webPage) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.pages[uri] = page
}

// poll looks at every input, and ingests what it gives.
func (c *chain) poll(at time.Time) {
	c.t.Helper()
	for id, poller := range c.pollers {
		objects, err := poller.Poll(context.Background(), at)
		c.failed[id] = err
		for _, object := range objects {
			task := &ingestTask{Input: id, Need: c.needs[id], Object: object}
			fetched, err := stores.Fetch(context.Background(), c.fetcher, object, task.Need)
			if err != nil {
				c.t.Fatalf("%s: %v", object.ID, err)
			}
			kept, _, err := reportCrop(c.programme, task, &fetched)
			if c.refused[id] = err; err != nil {
				continue
			}
			encoded, err := crop.Encode(kept)
			if err != nil {
				c.t.Fatal(err)
			}
			key := id + " " + object.Station
			c.records[key] = append(c.records[key], keptRecord{c.programme.Input(id), object.ValidTime, encoded})
		}
	}
}

// evidence is gathered as whoever judges the criteria does.
func (c *chain) evidence(at time.Time) hold.Evidence {
	c.t.Helper()
	e := hold.Evidence{At: at, ManualAsOf: at}
	for _, key := range sortedKeys(c.records) {
		list := c.records[key]
		switch list[0].input.Kind {
		case stores.KindWarnings, stores.KindAvalanche:
			list = list[len(list)-1:]
		}
		for _, record := range list {
			if at.Sub(record.valid) > 36*time.Hour {
				continue
			}
			kept, err := crop.Decode(key, record.encoded)
			if err != nil {
				c.t.Fatal(err)
			}
			r, err := decodeReport(c.programme, record.input, kept.Raw, record.valid)
			if err != nil {
				c.t.Fatal(err)
			}
			r.addTo(&e, c.programme, record.input, at)
		}
	}
	mergeEvidence(&e)
	return e
}

// outcomes judges the criteria, by key; results have the reasons.
func (c *chain) outcomes(at time.Time) (map[string]hold.Outcome, map[string]hold.Result) {
	c.t.Helper()
	outcomes, results := map[string]hold.Outcome{}, map[string]hold.Result{}
	for _, r := range hold.Judge(c.programme, c.evidence(at), nil) {
		outcomes[r.Key], results[r.Key] = r.Outcome, r
	}
	return outcomes, results
}

func (c *chain) want(at time.Time, want map[string]hold.Outcome, says map[string]string) {
	c.t.Helper()
	outcomes, results := c.outcomes(at)
	for key, outcome := range want {
		if got, ok := outcomes[key]; !ok || got != outcome {
			c.t.Errorf("%s: %s is %q, want %q: %s", at.Format(time.RFC3339), key, got, outcome, results[key].Reason)
		}
	}
	for key, text := range says {
		if !strings.Contains(results[key].Reason, text) {
			c.t.Errorf("%s: %s says %q, want %q", at.Format(time.RFC3339), key, results[key].Reason, text)
		}
	}
}

func moment(text string) time.Time {
	t, err := time.Parse(time.RFC3339, text)
	if err != nil {
		panic(err)
	}
	return t
}

// TestRiversThroughTheChain: real answers of the USGS and of the NWPS. What they
// hold is read off the files by eye: 287 ft3/s at 23:45-07:00, 13.04 ft and no
// flooding at 23:50Z, 16.7 ft at the crest.
func TestRiversThroughTheChain(t *testing.T) {
	usgs := string(testfiles.Read(t, "hydro/usgs.iv.13206000.20230113.json"))
	c := newChain(t, `inputs:
  - {id: boise, kind: gauge, source: usgs-iv, gauges: ["13206000"]}
holds:
  - {id: above, kind: gauge, gauges: ["13206000"], quantity: flow, unit: cfs, hold_above: 287, source: s}
  - {id: below, kind: gauge, gauges: ["13206000"], quantity: flow, unit: cfs, hold_above: 287.1, review_above: 250, source: s}
  - {id: metric, kind: gauge, gauges: ["13206000"], quantity: flow, unit: m3/s, hold_above: 8.2, source: s}
  - {id: rise, kind: gauge, gauges: ["13206000"], quantity: flow, unit: cfs, hold_rise_per_hour: 500, source: s}
  - {id: stage, kind: gauge, gauges: ["13206000"], quantity: stage, unit: ft, hold_above: 10, source: s}
`)
	page := "/usgs-iv/nwis/iv/?format=json&sites=13206000&parameterCd=00060,00065,00054,00062,62614,62615&period=PT12H&siteStatus=all"
	c.put(page, webPage{body: usgs})
	now := moment("2023-01-14T07:00:00Z")
	c.poll(now)
	// 287 ft3/s are 8.127 m3/s (NIST SP 811: 1 ft3/s = 2.831685e-2 m3/s).
	c.want(now, map[string]hold.Outcome{"above": hold.Held, "below": hold.Review, "metric": hold.Clear, "rise": hold.Clear, "stage": hold.Unknown},
		map[string]string{"above": "287 cfs", "stage": "missing"})
	// Nothing new for longer than the criterion allows (6 h): unknown, although the
	// answer is confirmed every five minutes.
	late := moment("2023-01-14T12:46:00Z")
	c.poll(late)
	c.want(late, map[string]hold.Outcome{"above": hold.Unknown, "metric": hold.Unknown}, map[string]string{"above": "old, at most"})

	gauge, flow := string(testfiles.Read(t, "hydro/nwps.ACRT2.gauge.json")), string(testfiles.Read(t, "hydro/nwps.ACRT2.stageflow.json"))
	c = newChain(t, `inputs:
  - {id: state, kind: gauge, source: nwps-gauge, gauges: [ACRT2]}
  - {id: flow, kind: gauge, source: nwps-stageflow, gauges: [ACRT2]}
holds:
  - {id: category, kind: river, preset: flood-stage, gauges: [ACRT2]}
  - {id: high, kind: river, gauges: [ACRT2], quantity: stage, unit: ft, datum: gauge zero, hold_above: 13.04, source: s}
  - {id: low, kind: river, gauges: [ACRT2], quantity: stage, unit: ft, hold_above: 13.05, review_above: 13, source: s}
  - {id: flow, kind: river, gauges: [ACRT2], quantity: flow, unit: kcfs, hold_above: 0.234, source: s}
  - {id: rise, kind: river, gauges: [ACRT2], quantity: stage, unit: ft, hold_rise_per_hour: 0.13, rise_hours: 3, source: s}
  - {id: ahead, kind: river, gauges: [ACRT2], quantity: stage, unit: ft, hold_above: 20, forecast_hours: 24, source: s}
  - {id: datum, kind: river, gauges: [ACRT2], quantity: stage, unit: ft, datum: NAVD88, hold_above: 20, source: s}
`)
	c.put("/nwps-gauge/nwps/v1/gauges/ACRT2", webPage{body: gauge})
	c.put("/nwps-stageflow/nwps/v1/gauges/ACRT2/stageflow", webPage{body: flow})
	now = moment("2026-09-26T00:10:00Z")
	c.poll(now)
	c.want(now, map[string]hold.Outcome{
		"category": hold.Clear, "high": hold.Held, "low": hold.Review, "flow": hold.Held,
		// From 12.6 ft at 20:00 (3.83 h before, within a third more of the 3 h) to
		// 13.04 ft: 0.115 ft/h; from 12.9 ft at 22:00: 0.076 ft/h.
		"rise": hold.Clear,
		// The file's forecast begins two days ahead.
		"ahead": hold.Unknown, "datum": hold.Unknown,
	}, map[string]string{"high": "13.04 ft", "ahead": "without gaps", "datum": "NAVD88"})
	c.programme.Hold("rise").HoldRisePerHour = 0.1
	c.want(now, map[string]hold.Outcome{"rise": hold.Held}, nil)

	// The service's own words: out of service is no category, unless the reading
	// beside it lies in one. 33 ft is the file's minor category.
	change := func(old, new string) {
		t.Helper()
		if !strings.Contains(gauge, old) {
			t.Fatalf("%s is not in the file", old)
		}
		c.put("/nwps-gauge/nwps/v1/gauges/ACRT2", webPage{body: strings.Replace(gauge, old, new, 1)})
		now = now.Add(5 * time.Minute)
		c.records = map[string][]keptRecord{}
		c.poll(now)
	}
	observed := gaugeStatus(t, gauge)
	change(observed, strings.Replace(observed, "no_flooding", "minor", 1))
	c.want(now, map[string]hold.Outcome{"category": hold.Held}, map[string]string{"category": "is minor"})
	change(observed, strings.Replace(strings.Replace(observed, "no_flooding", "out_of_service", 1), "13.04", "-999", 1))
	c.want(now, map[string]hold.Outcome{"category": hold.Unknown}, map[string]string{"category": "out_of_service"})
	change(observed, strings.Replace(observed, "no_flooding", "out_of_service", 1))
	c.want(now, map[string]hold.Outcome{"category": hold.Clear}, map[string]string{"category": "is none"})
	change(observed, strings.Replace(strings.Replace(observed, "no_flooding", "obs_not_current", 1), "13.04", "33", 1))
	c.want(now, map[string]hold.Outcome{"category": hold.Held}, map[string]string{"category": "is minor"})
	change(observed, strings.Replace(observed, "13.04", "25.5", 1)) // says none, stands at action
	c.want(now, map[string]hold.Outcome{"category": hold.Review}, map[string]string{"category": "is action"})
	change(observed, strings.Replace(observed, "no_flooding", "not_defined", 1))
	c.want(now, map[string]hold.Outcome{"category": hold.Unknown}, map[string]string{"category": "not_defined"})
}

// gaugeStatus cuts the observed status out of a gauge's file, as it stands there.
func gaugeStatus(t *testing.T, text string) string {
	t.Helper()
	start := strings.Index(text, `"observed"`)
	end := strings.Index(text[start:], "}")
	if start < 0 || end < 0 {
		t.Fatal("the file has no observed status")
	}
	return text[start : start+end+1]
}

// TestWarningsThroughTheChain: lists of api.weather.gov at the times of their own.
func TestWarningsThroughTheChain(t *testing.T) {
	const sections = `inputs:
  - {id: alerts, kind: warnings, source: nws-alerts, areas: [CA, NM], feed: nws}
holds:
  - {id: alarm, kind: warning, preset: public-warnings, feeds: [nws], lift: automatic, clear_minutes: 0}
`
	const page = "/nws-alerts/alerts/active?area=CA,NM"
	// A Severe Thunderstorm Warning of 02:12 to 02:45 UTC with a polygon in Sierra
	// County, New Mexico, and a target within it.
	storm := string(testfiles.Read(t, "hydro/nws.alerts.NMC051.20230913.geojson"))
	c := newChain(t, sections)
	corner := firstCorner(t, storm)
	target := &c.programme.Targets[0]
	moveTarget(t, target, corner[0], corner[1])
	c.put(page, webPage{body: storm, etag: `"1"`})
	now := moment("2023-09-13T02:20:00Z")
	c.poll(now)
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Held}, map[string]string{"alarm/hut": "Severe Thunderstorm Warning (SV.W) until 2023-09-13 02:45 UTC meets the target basin"})
	// The list is confirmed (304), and the warning ends by itself.
	now = moment("2023-09-13T02:46:00Z")
	c.poll(now)
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Clear}, map[string]string{"alarm/hut": "list of warnings nws 0 s old"})
	// Nobody answers: the list grows old, and after 20 min is not known to be
	// without a warning.
	for _, page := range []webPage{{status: http.StatusServiceUnavailable}, {status: http.StatusNotFound}, {body: storm, half: true}} {
		c.put("/nws-alerts/alerts/active?area=CA,NM", page)
		now = now.Add(7 * time.Minute)
		c.poll(now)
		if c.failed["alerts"] == nil {
			t.Errorf("%+v is no error of the poll", page)
		}
	}
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Unknown}, map[string]string{"alarm/hut": "is 21 min old"})
	c.want(now.Add(-2*time.Minute), map[string]hold.Outcome{"alarm/hut": hold.Clear}, nil)
	// What is no list at all is refused at once, with file and reason, and does not
	// take the place of the list before.
	c.put(page, webPage{body: `{"type":"FeatureCollection","features":[{"prop`})
	now = now.Add(10 * time.Minute)
	c.poll(now)
	var format *ingest.FormatError
	if err := c.refused["alerts"]; !errors.As(err, &format) || format.File != "active" {
		t.Errorf("garbage: %v", err)
	}
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Unknown}, map[string]string{"alarm/hut": "is 31 min old"})
	// A list of which one feature cannot be read has a gap.
	c.put(page, webPage{body: `{"type":"FeatureCollection","features":[{"type":"Feature"}, ` + featuresOf(t, storm) + `]}`})
	now = now.Add(10 * time.Minute)
	c.poll(now)
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Unknown}, map[string]string{"alarm/hut": "has 1 warnings that cannot be read"})
	// A page that is missing too. One that is there is read.
	first := `{"type":"FeatureCollection","features":[],"pagination":{"next":"https://api.weather.gov/alerts/active?cursor=2"}}`
	c.put(page, webPage{body: first})
	now = now.Add(10 * time.Minute)
	c.poll(now)
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Unknown}, map[string]string{"alarm/hut": "has 1 warnings that cannot be read"})
	c.put("/nws-alerts/alerts/active?cursor=2", webPage{body: storm})
	now = now.Add(10 * time.Minute)
	c.poll(now)
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Clear}, nil)
	// A clock that is set back: the list is of the future, which nobody believes.
	c.want(now.Add(-time.Hour), map[string]hold.Outcome{"alarm/hut": hold.Unknown}, map[string]string{"alarm/hut": "in the future"})

	// Watches by zones, of 2024-01-29 for two days later, of which the messages
	// expire a day after they were sent while the events go on.
	sierra := string(testfiles.Read(t, "hydro/nws.alerts.sierra.20240129.geojson"))
	c = newChain(t, sections)
	c.programme.Sites[0].Zones, c.programme.Targets[0].Zones = []string{"CAZ071", "CAC061"}, []string{"CAZ505", "CAC061"}
	c.put(page, webPage{body: sierra})
	for _, test := range []struct {
		at   string
		want hold.Outcome
		says string
	}{
		{"2024-01-29T22:00:00Z", hold.Clear, "no warning in force"}, // both begin in two days
		{"2024-01-31T08:00:00Z", hold.Review, "Flood Watch (FA.A)"}, // 4 h before its onset
		{"2024-02-01T00:00:00Z", hold.Review, "Winter Storm Watch (WS.A)"},
		{"2024-02-02T13:00:00Z", hold.Review, "Winter Storm Watch"}, // the flood watch ended at 12 UTC
		{"2024-02-02T18:00:00Z", hold.Clear, "no warning in force"}, // and this at 18 UTC, to the second
	} {
		now := moment(test.at)
		c.poll(now)
		c.want(now, map[string]hold.Outcome{"alarm/hut": test.want}, map[string]string{"alarm/hut": test.says})
	}
	// Times that are none are never read as times: the warnings count, in doubt,
	// until the end that their VTEC gives (2024-03-06 12 UTC).
	bad := string(testfiles.Read(t, "hydro/nws.alerts.MT.20240305.bad-times.geojson"))
	c = newChain(t, strings.Replace(sections, "preset: public-warnings", "preset: public-warnings, hold_events: [WW.Y]", 1))
	c.programme.Sites[0].Zones, c.programme.Targets[0].Zones = []string{"MTZ330"}, []string{"MTZ325"}
	c.put(page, webPage{body: bad})
	now = moment("2024-03-05T06:00:00Z")
	c.poll(now)
	c.want(now, map[string]hold.Outcome{"alarm/hut": hold.Held}, nil)

	// The whole west of a stormy day: whoever lies in one of its zones is told.
	west := string(testfiles.Read(t, "hydro/nws.alerts.west.20251215T2155Z.geojson"))
	c = newChain(t, sections)
	c.programme.Sites[0].Zones, c.programme.Targets[0].Zones = []string{"WAZ568", "WAC033"}, []string{"WAZ568", "WAC033"}
	c.put(page, webPage{body: west})
	now = moment("2025-12-15T22:00:00Z")
	c.poll(now)
	if e := c.evidence(now); len(e.Warnings) < 100 || len(e.Feeds) != 1 || e.Feeds[0].Unreadable != 0 {
		t.Errorf("%d warnings, feeds %+v", len(e.Warnings), e.Feeds)
	}
	if got, _ := c.outcomes(now); got["alarm/hut"] == hold.Clear {
		t.Error("the storm of December 2025 leaves King County clear")
	}
}

// featuresOf are the features of a collection, as they stand there.
func featuresOf(t *testing.T, text string) string {
	t.Helper()
	var list struct{ Features []json.RawMessage }
	if err := json.Unmarshal([]byte(text), &list); err != nil {
		t.Fatal(err)
	}
	var all []string
	for _, f := range list.Features {
		all = append(all, string(f))
	}
	return strings.Join(all, ",")
}

// firstCorner of the first polygon, longitude first.
func firstCorner(t *testing.T, text string) [2]float64 {
	t.Helper()
	var list struct {
		Features []struct {
			Geometry struct{ Coordinates [][][2]float64 }
		}
	}
	if err := json.Unmarshal([]byte(text), &list); err != nil {
		t.Fatal(err)
	}
	return list.Features[0].Geometry.Coordinates[0][0]
}

// moveTarget puts a target's corner to a place.
func moveTarget(t *testing.T, target *programme.Target, longitudeDeg, latitudeDeg float64) {
	t.Helper()
	flat := target.Area.FlatCoords()
	dx, dy := longitudeDeg-flat[0]-.05, latitudeDeg-flat[1]-.05
	for k := 0; k < len(flat); k += 2 {
		flat[k], flat[k+1] = flat[k]+dx, flat[k+1]+dy
	}
}

// TestOneWarningInTwoFormats: a warning is the same whether it comes as GeoJSON of
// api.weather.gov or as CAP 1.2, whose elements (sections 3.2.1 to 3.2.4) the
// members are named after.
func TestOneWarningInTwoFormats(t *testing.T) {
	for _, file := range []string{"nws.alerts.NMC051.20230913.geojson", "nws.alerts.sierra.20240129.geojson", "nws.alert.KMPX.20240112.geojson", "nws.alerts.MT.20240305T0103Z.geojson"} {
		text := string(testfiles.Read(t, "hydro/"+file))
		const criteria = `holds:
  - {id: alarm, kind: warning, preset: public-warnings, hold_events: [WW.Y, WS.A], forecast_hours: 24, lift: automatic, clear_minutes: 0}
`
		asJSON := newChain(t, "inputs: [{id: alerts, kind: warnings, source: nws-alerts, areas: [ID]}]\n"+criteria)
		asCAP := newChain(t, "inputs: [{id: alerts, kind: warnings, source: cap-feed, url: HOST/cap}]\n"+criteria)
		asJSON.put("/nws-alerts/alerts/active?area=ID", webPage{body: text})
		zones, times, corner := map[string]bool{}, []time.Time{}, [2]float64{}
		asCAP.put("/cap", webPage{body: capOf(t, text, zones, &times, &corner)})
		outcomes := map[hold.Outcome]int{}
		for zone := range zones {
			for _, c := range []*chain{asJSON, asCAP} {
				c.programme.Sites[0].Zones = []string{zone, "IDC001"}
				c.programme.Targets[0].Zones = []string{"IDZ001", "IDC001"}
				if corner != [2]float64{} {
					moveTarget(t, &c.programme.Targets[0], corner[0], corner[1])
				}
			}
			for _, at := range times {
				for _, shift := range []time.Duration{-25 * time.Hour, -time.Minute, 0, time.Minute} {
					now := at.Add(shift).UTC()
					asJSON.poll(now)
					asCAP.poll(now)
					one, oneResults := asJSON.outcomes(now)
					two, twoResults := asCAP.outcomes(now)
					if fmt.Sprint(one) != fmt.Sprint(two) || oneResults["alarm/hut"].Reason != twoResults["alarm/hut"].Reason {
						t.Errorf("%s, zone %s at %s:\n%v %s\n%v %s", file, zone, now.Format(time.RFC3339), one, oneResults["alarm/hut"].Reason, two, twoResults["alarm/hut"].Reason)
					}
					outcomes[one["alarm/hut"]]++
				}
			}
		}
		if outcomes[hold.Held] == 0 || outcomes[hold.Clear] == 0 {
			t.Errorf("%s: outcomes %v, want some held and some clear", file, outcomes)
		}
	}
}

// capOf writes the features of a collection as CAP messages in an envelope.
func capOf(t *testing.T, text string, zones map[string]bool, times *[]time.Time, corner *[2]float64) string {
	t.Helper()
	var list struct {
		Features []struct {
			Geometry   *struct{ Coordinates [][][2]float64 }
			Properties struct {
				ID, Sender, Sent, Status, MessageType, Category, Event, Urgency, Severity, Certainty, Effective, Onset, Expires, Ends, SenderName, Headline, AreaDesc string
				References                                                                                                                                            []struct{ Sender, Identifier, Sent string }
				Geocode, EventCode, Parameters                                                                                                                        map[string][]string
			}
		}
	}
	if err := json.Unmarshal([]byte(text), &list); err != nil {
		t.Fatal(err)
	}
	escape := strings.NewReplacer("&", "&amp;", "<", "&lt;", ">", "&gt;")
	var b strings.Builder
	b.WriteString("<alerts>")
	for _, f := range list.Features {
		p := f.Properties
		element := func(name, value string) {
			if value != "" {
				fmt.Fprintf(&b, "<%s>%s</%s>", name, escape.Replace(value), name)
			}
		}
		pairs := func(name string, of map[string][]string) {
			for _, key := range sortedKeys(of) {
				for _, value := range of[key] {
					fmt.Fprintf(&b, "<%s><valueName>%s</valueName><value>%s</value></%s>", name, key, escape.Replace(value), name)
				}
			}
		}
		b.WriteString(`<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">`)
		element("identifier", p.ID)
		element("sender", p.Sender)
		element("sent", p.Sent)
		element("status", p.Status)
		element("msgType", p.MessageType)
		element("scope", "Public")
		var references []string
		for _, r := range p.References {
			references = append(references, r.Sender+","+r.Identifier+","+r.Sent)
		}
		element("references", strings.Join(references, " "))
		b.WriteString("<info>")
		element("category", p.Category)
		element("event", p.Event)
		element("urgency", p.Urgency)
		element("severity", p.Severity)
		element("certainty", p.Certainty)
		pairs("eventCode", p.EventCode)
		element("effective", p.Effective)
		element("onset", p.Onset)
		element("expires", p.Expires)
		element("senderName", p.SenderName)
		element("headline", p.Headline)
		if p.Ends != "" && len(p.Parameters["eventEndingTime"]) == 0 {
			p.Parameters["eventEndingTime"] = []string{p.Ends}
		}
		pairs("parameter", p.Parameters)
		b.WriteString("<area>")
		element("areaDesc", p.AreaDesc)
		if f.Geometry != nil {
			var points []string
			for _, at := range f.Geometry.Coordinates[0] {
				points = append(points, fmt.Sprintf("%v,%v", at[1], at[0])) // latitude first
			}
			*corner = f.Geometry.Coordinates[0][0]
			element("polygon", strings.Join(points, " "))
		}
		pairs("geocode", p.Geocode)
		b.WriteString("</area></info></alert>")
		for _, zone := range p.Geocode["UGC"][:1] {
			zones[zone] = true
		}
		for _, text := range []string{p.Onset, p.Expires, p.Ends} {
			*times = append(*times, moment(text))
		}
	}
	b.WriteString("</alerts>")
	return b.String()
}

// TestUpdatesAndCancellations: invented messages, as CAP 1.2, section 3.2.1, has
// them: an update takes the place of what it references, a cancellation ends it, a
// test is none, and a reference of somebody else ends nothing.
func TestUpdatesAndCancellations(t *testing.T) {
	feature := func(id, sender, kind, status, sent, references string) string {
		return fmt.Sprintf(`{"type":"Feature","geometry":{"type":"Polygon","coordinates":[[[-114.9,43.9],[-114.7,43.9],[-114.7,44.1],[-114.9,44.1],[-114.9,43.9]]]},
"properties":{"id":%q,"sender":%q,"messageType":%q,"status":%q,"sent":%q,"effective":%q,"onset":%q,"expires":"2026-02-03T16:00:00Z","event":"Flash Flood Warning",
"urgency":"Immediate","severity":"Severe","certainty":"Likely","eventCode":{"SAME":["FFW"]},"geocode":{"UGC":["IDC037"]},"references":[%s]}}`, id, sender, kind, status, sent, sent, sent, references)
	}
	reference := func(id, sender, sent string) string {
		return fmt.Sprintf(`{"sender":%q,"identifier":%q,"sent":%q}`, sender, id, sent)
	}
	first := feature("a", "x@nws", "Alert", "Actual", "2026-02-03T14:00:00Z", "")
	toFirst := reference("a", "x@nws", "2026-02-03T14:00:00Z")
	for _, test := range []struct {
		name     string
		features []string
		want     hold.Outcome
	}{
		{"none", nil, hold.Clear},
		{"one", []string{first}, hold.Held},
		{"twice", []string{first, first}, hold.Held},
		{"updated", []string{first, feature("b", "x@nws", "Update", "Actual", "2026-02-03T14:20:00Z", toFirst)}, hold.Held},
		{"cancelled", []string{first, feature("c", "x@nws", "Cancel", "Actual", "2026-02-03T14:20:00Z", toFirst)}, hold.Clear},
		{"cancelled, the other way round", []string{feature("c", "x@nws", "Cancel", "Actual", "2026-02-03T14:20:00Z", toFirst), first}, hold.Clear},
		{"cancelled by a test", []string{first, feature("c", "x@nws", "Cancel", "Test", "2026-02-03T14:20:00Z", toFirst)}, hold.Held},
		{"cancelled by somebody else", []string{first, feature("c", "y@nws", "Cancel", "Actual", "2026-02-03T14:20:00Z", toFirst)}, hold.Held},
		{"cancelled before it was sent", []string{first, feature("c", "x@nws", "Cancel", "Actual", "2026-02-03T13:20:00Z", toFirst)}, hold.Held},
		{"a test", []string{feature("a", "x@nws", "Alert", "Test", "2026-02-03T14:00:00Z", "")}, hold.Clear},
		{"an acknowledgement", []string{feature("a", "x@nws", "Ack", "Actual", "2026-02-03T14:00:00Z", "")}, hold.Clear},
	} {
		c := newChain(t, `inputs: [{id: alerts, kind: warnings, source: nws-alerts, areas: [ID]}]
holds: [{id: alarm, kind: warning, preset: public-warnings}]
`)
		c.put("/nws-alerts/alerts/active?area=ID", webPage{body: `{"type":"FeatureCollection","features":[` + strings.Join(test.features, ",") + `]}`})
		now := moment("2026-02-03T14:30:00Z")
		c.poll(now)
		outcomes, results := c.outcomes(now)
		if got := outcomes["alarm/hut"]; got != test.want {
			t.Errorf("%s: %s, want %s: %s", test.name, got, test.want, results["alarm/hut"].Reason)
		}
	}
}

// TestSuspectGauges: readings that cannot be right are unknown. The limits are
// invented, by Suspect's own rules.
func TestSuspectGauges(t *testing.T) {
	rows := func(minutes int, value func(k int) string) string {
		text := "time,stage\n"
		for k := 0; k*minutes <= 12*60; k++ {
			text += moment("2026-02-03T00:00:00Z").Add(time.Duration(k*minutes)*time.Minute).Format(time.RFC3339) + "," + value(k) + "\n"
		}
		return text
	}
	rising := func(k int) string { return fmt.Sprintf("%.2f", 3+.01*float64(k)) }
	for _, test := range []struct {
		name, table string
		want        hold.Outcome
		says        string
	}{
		{"sound", rows(15, rising), hold.Clear, "3.48 ft"},
		{"stands still for twelve hours", rows(15, func(int) string { return "3.00" }), hold.Unknown, "flat-lined"},
		{"below its range", rows(15, func(k int) string { return map[bool]string{true: "-2", false: rising(k)}[k == 48] }), hold.Unknown, "out of range"},
		{"above its range", rows(15, func(k int) string { return map[bool]string{true: "31", false: rising(k)}[k == 48] }), hold.Unknown, "out of range"},
		{"jumps", rows(15, func(k int) string { return map[bool]string{true: "5.5", false: rising(k)}[k == 48] }), hold.Unknown, "jump"},
		{"jumped hours ago, and is back", rows(15, func(k int) string { return map[bool]string{true: "5.5", false: rising(k)}[k == 20] }), hold.Clear, "3.48 ft"},
		{"no number", rows(15, func(k int) string { return map[bool]string{true: "Eqp", false: rising(k)}[k == 48] }), hold.Unknown, "no number"},
		{"not yet measured", rows(15, func(k int) string { return map[bool]string{true: "---", false: rising(k)}[k == 48] }), hold.Clear, "3.47 ft"},
		{"over", rows(15, func(k int) string { return fmt.Sprintf("%.2f", 5+.02*float64(k)) }), hold.Held, "5.96 ft"},
	} {
		c := newChain(t, `inputs:
  - id: pond
    kind: gauge
    source: gauge-table
    url: HOST/pond.csv
    table: {time: [time], layout: rfc3339, gauge: pond, missing: ["---"], values: [{column: stage, quantity: stage, unit: ft}]}
    suspect: [{gauge: pond, quantity: stage, unit: ft, min: 0, max: 30, max_rise_per_hour: 4, max_fall_per_hour: 4, flat_hours: 6}]
holds:
  - {id: pond, kind: gauge, gauges: [pond], quantity: stage, unit: ft, hold_above: 5.9, source: s}
`)
		c.put("/pond.csv", webPage{body: test.table})
		now := moment("2026-02-03T12:05:00Z")
		c.poll(now)
		if err := c.refused["pond"]; err != nil {
			t.Fatal(err)
		}
		outcomes, results := c.outcomes(now)
		if got := outcomes["pond"]; got != test.want || !strings.Contains(results["pond"].Reason, test.says) {
			t.Errorf("%s: %s, want %s with %q: %s", test.name, got, test.want, test.says, results["pond"].Reason)
		}
	}
}

// TestSeveralAnswersAreOneRow: a service that gives the newest value only. Rates of
// rise, and readings that stand still, come out of the answers before.
func TestSeveralAnswersAreOneRow(t *testing.T) {
	newest := func(at time.Time, stage float64) webPage {
		return webPage{body: fmt.Sprintf(`{"id":"pond","at":%q,"stage":%v}`, at.Format(time.RFC3339), stage)}
	}
	sections := `inputs:
  - id: pond
    kind: gauge
    source: gauge-json
    url: HOST/pond
    gauges: [pond]
    json: [{gauge: id, quantity: stage, unit: "'ft'", time: at, layout: rfc3339, value: stage}]
    suspect: [{gauge: pond, quantity: stage, unit: ft, flat_hours: 6}]
holds:
  - {id: rise, kind: gauge, gauges: [pond], quantity: stage, unit: ft, review_rise_per_hour: 0.2, hold_rise_per_hour: 0.4, source: s}
`
	start := moment("2026-02-03T00:00:00Z")
	c := newChain(t, sections)
	for minute := 0; minute <= 4*60; minute += 10 {
		now := start.Add(time.Duration(minute) * time.Minute)
		c.put("/pond", newest(now, 3+.5*float64(minute)/60)) // half a foot an hour
		c.poll(now)
		if minute == 90 {
			// Over half of the three hours only.
			c.want(now, map[string]hold.Outcome{"rise": hold.Unknown}, map[string]string{"rise": "no readings over the last 3 h"})
		}
	}
	now := start.Add(4 * time.Hour)
	c.want(now, map[string]hold.Outcome{"rise": hold.Held}, map[string]string{"rise": "0.5 ft per hour"})
	if e := c.evidence(now); len(e.Readings) != 25 {
		t.Errorf("%d readings of 25 answers", len(e.Readings))
	}
	// The source corrects its newest value: the newer answer is right.
	c.put("/pond", newest(now, 4.4))
	c.poll(now.Add(10 * time.Minute))
	// From 3 ft four hours before: 0.35 ft/h.
	c.want(now.Add(10*time.Minute), map[string]hold.Outcome{"rise": hold.Review}, map[string]string{"rise": "0.35 ft per hour"})
	if e := c.evidence(now.Add(10 * time.Minute)); len(e.Readings) != 25 {
		t.Errorf("%d readings with the correction", len(e.Readings))
	}
	// From then on it stands still, which shows after six hours.
	for minute := 20; minute <= 8*60; minute += 10 {
		at := now.Add(time.Duration(minute) * time.Minute)
		c.put("/pond", newest(at, 4.4))
		c.poll(at)
		switch minute {
		case 5 * 60:
			c.want(at, map[string]hold.Outcome{"rise": hold.Clear}, nil)
		case 8 * 60:
			c.want(at, map[string]hold.Outcome{"rise": hold.Unknown}, map[string]string{"rise": "flat-lined"})
		}
	}
	// The order of arrival does not matter to what is published: the same evidence
	// comes out in the same order.
	at := now.Add(8 * time.Hour)
	if a, b := c.evidence(at), c.evidence(at); fmt.Sprint(a) != fmt.Sprint(b) {
		t.Error("the same records give another evidence")
	}
}

// TestReservoirAndSnowThroughTheChain: real files of California and of the NRCS,
// with the values that stand in their last rows: 9601 acre-feet on 2022-02-28 and
// 11.8 in on 2020-03-22.
func TestReservoirAndSnowThroughTheChain(t *testing.T) {
	storage, swe := string(testfiles.Read(t, "hydro/cdec.VIL.20220215-0228.csv")), string(testfiles.Read(t, "hydro/snotel.awdb.538.CO.WTEQ.daily.20200320.json"))
	c := newChain(t, `inputs:
  - id: lake
    kind: gauge
    source: gauge-table
    url: HOST/lake.csv
    gauges: [VIL]
    table:
      gauge_column: STATION_ID
      time: [DATE TIME]
      layout: YYYYMMDD HHmm
      time_zone: "-08:00"
      values: [{column: VALUE, quantity: storage, unit_column: UNITS, where_column: SENSOR_NUMBER, where_is: "15"}]
holds:
  - {id: full, kind: reservoir, gauges: [VIL], unit: acre-ft, capacity: 10000, hold_percent: 96.01, source: s}
  - {id: nearly, kind: reservoir, gauges: [VIL], unit: kaf, hold_above: 9.7, review_above: 9.6, source: s}
`)
	c.put("/lake.csv", webPage{body: storage})
	now := moment("2022-03-01T00:00:00Z")
	c.poll(now)
	last := lastValue(t, storage)
	want := map[string]hold.Outcome{"full": hold.Clear, "nearly": hold.Clear}
	if last >= 9601 {
		want["full"] = hold.Held
	}
	if last >= 9600 {
		want["nearly"] = hold.Review
	}
	c.want(now, want, map[string]string{"full": fmt.Sprintf("%.2f %%", last/100)})

	folder := t.TempDir()
	normal := filepath.Join(folder, "normal.csv")
	if err := os.WriteFile(normal, []byte("day,in\n10-01,0\n03-22,10\n04-01,12.5\n06-15,0\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	const snow = `holds:
  - {id: day, kind: snow, gauges: ["538:CO:SNTL"], ramp: [{date: 01-01, value: 117.99}, {date: 12-31, value: 117.99}], source: s}
  - {id: april, kind: snow, gauges: ["538:CO:SNTL"], ramp: [{date: 01-01, value: 94}, {date: 12-31, value: 94}], ramp_of: april-1, source: s}
`
	c = newChain(t, `inputs:
  - {id: pack, kind: gauge, source: snotel, gauges: ["538:CO:SNTL"], time_zone: "-07:00", normals: [{gauge: "538:CO:SNTL", file: `+normal+`, date: day, value: in, unit: in}]}
`+snow)
	page := "/snotel/awdbRestApi/services/v1/data?stationTriplets=538:CO:SNTL&elements=WTEQ&duration=DAILY&beginDate=2020-03-17&endDate=2020-03-22&periodRef=END&centralTendencyType=MEDIAN&returnFlags=true"
	c.put(page, webPage{body: swe})
	now = moment("2020-03-22T16:00:00Z")
	c.poll(now)
	// 11.8 in of 10 in on the day are 118 %, of 12.5 in on 1 April 94.4 %.
	c.want(now, map[string]hold.Outcome{"day": hold.Held, "april": hold.Held}, nil)
	_, results := c.outcomes(now)
	for key, percent := range map[string]float64{"day": 118, "april": 94.4} {
		if in := results[key].Inputs[0]; in.Value == nil || *in.Value < percent-.01 || *in.Value > percent+.01 {
			t.Errorf("%s: %+v, want %v %%", key, in, percent)
		}
	}
	// The medians of the service itself, in the form from memory.
	c = newChain(t, `inputs: [{id: pack, kind: gauge, source: snotel, gauges: ["538:CO:SNTL"], time_zone: "-07:00"}]
`+snow)
	c.put(page, webPage{body: strings.ReplaceAll(swe, `"value"`, `"median": 10.0, "value"`)})
	c.poll(now)
	c.want(now, map[string]hold.Outcome{"day": hold.Held, "april": hold.Unknown}, nil)
	// Without a median nothing can be compared, and the answer is kept all the same.
	c.put(page, webPage{body: swe})
	c.poll(now.Add(time.Hour))
	if err := c.refused["pack"]; err != nil {
		t.Errorf("an answer without medians: %v", err)
	}
	c.records = map[string][]keptRecord{"pack ": c.records["pack 538:CO:SNTL"][1:]}
	c.want(now.Add(time.Hour), map[string]hold.Outcome{"day": hold.Unknown}, map[string]string{"day": "no normal"})
}

// lastValue reads the last row of a CDEC file.
func lastValue(t *testing.T, text string) float64 {
	t.Helper()
	lines := strings.Split(strings.TrimSpace(text), "\n")
	var value float64
	if _, err := fmt.Sscan(strings.Split(lines[len(lines)-1], ",")[6], &value); err != nil {
		t.Fatal(err)
	}
	return value
}

// TestDangerThroughTheChain: avalanche danger by zone and day.
func TestDangerThroughTheChain(t *testing.T) {
	bulletin := func(north int, from, to string) string {
		return fmt.Sprintf(`{"features":[{"properties":{"name":"north","danger_level":%d,"start_date":%q,"end_date":%q}},
{"properties":{"name":"south","danger_level":1,"start_date":%q,"end_date":%q}}]}`, north, from, to, from, to)
	}
	c := newChain(t, `inputs: [{id: slides, kind: avalanche, source: avalanche-us, stations: [XAC], time_zone: UTC}]
holds:
  - {id: north, kind: avalanche, preset: colorado-avalanche, zones: [north], lift: automatic, clear_minutes: 0}
  - {id: south, kind: avalanche, preset: colorado-avalanche, zones: [south]}
  - {id: west, kind: avalanche, preset: colorado-avalanche, zones: [west]}
`)
	now := moment("2026-02-03T18:00:00Z")
	for _, test := range []struct {
		body string
		want hold.Outcome
	}{
		{bulletin(3, "2026-02-03T14:00:00", "2026-02-04T14:00:00"), hold.Clear},
		{bulletin(4, "2026-02-03T14:00:00", "2026-02-04T14:00:00"), hold.Review},
		{bulletin(5, "2026-02-03T14:00:00", "2026-02-04T14:00:00"), hold.Held},
		{bulletin(-1, "2026-02-03T14:00:00", "2026-02-04T14:00:00"), hold.Unknown}, // no rating
		{bulletin(1, "2026-02-02T14:00:00", "2026-02-03T14:00:00"), hold.Unknown},  // is over
		{bulletin(1, "2026-02-04T14:00:00", "2026-02-05T14:00:00"), hold.Unknown},  // of tomorrow alone
	} {
		c.put("/avalanche-us/v2/public/products/map-layer/XAC", webPage{body: test.body})
		now = now.Add(30 * time.Minute)
		c.poll(now)
		c.want(now, map[string]hold.Outcome{"north": test.want, "west": hold.Unknown}, nil)
	}
	c.put("/avalanche-us/v2/public/products/map-layer/XAC", webPage{body: `{"features":[{"properties":{"name":"north","danger_level":"dire"}}]}`})
	c.poll(now.Add(30 * time.Minute))
	if err := c.refused["slides"]; err == nil || !strings.Contains(err.Error(), "dire") {
		t.Errorf("a danger of no scale: %v", err)
	}
}

// TestTelemetryThroughTheChain: the same reports as a page, a file and messages.
func TestTelemetryThroughTheChain(t *testing.T) {
	const mapping = `telemetry: {site: site, time: at, layout: rfc3339, battery: {path: mv, unit: mV}, units_left: flares, faults: [faults], last_contact: heard}`
	const criteria = `holds:
  - {id: ready, kind: site_ready, battery_hold_below_v: 11.5, battery_review_below_v: 11.9, source: s, lift: automatic, clear_minutes: 0}
`
	message := func(at time.Time, volts float64, flares int, faults string) string {
		return fmt.Sprintf(`{"site":"hut","at":%q,"heard":%q,"mv":%.0f,"flares":%d,"faults":%s}`, at.Format(time.RFC3339), at.Format(time.RFC3339), volts*1000, flares, faults)
	}
	file := filepath.Join(t.TempDir(), "hut.json")
	page := newChain(t, "inputs:\n  - {id: crews, kind: telemetry, source: telemetry-json, url: HOST/hut, "+mapping+"}\n"+criteria)
	local := newChain(t, "inputs:\n  - {id: crews, kind: telemetry, paths: ['"+file+"'], "+mapping+"}\n"+criteria)
	wire := newChain(t, "inputs:\n  - {id: crews, kind: telemetry, source: bus, "+mapping+"}\n"+criteria)
	if len(wire.needs) != 0 {
		t.Errorf("the bus is polled: %v", wire.needs)
	}
	give := func(now time.Time, text string) {
		t.Helper()
		page.put("/hut", webPage{body: text})
		page.poll(now)
		if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(file, now, now); err != nil {
			t.Fatal(err)
		}
		local.poll(now)
		encoded, err := crop.Encode(&crop.Crop{Raw: []crop.RawFile{{Name: "message", Bytes: []byte(text)}}})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := decodeReport(wire.programme, wire.programme.Input("crews"), []crop.RawFile{{Name: "message", Bytes: []byte(text)}}, now); err == nil {
			wire.records["crews "] = append(wire.records["crews "], keptRecord{wire.programme.Input("crews"), now, encoded})
		}
	}
	start := moment("2026-02-03T00:00:00Z")
	check := func(now time.Time, want hold.Outcome, says string) {
		t.Helper()
		for _, c := range []*chain{page, local, wire} {
			c.want(now, map[string]hold.Outcome{"ready/hut": want}, map[string]string{"ready/hut": says})
		}
	}
	now := start
	for hour := 0; hour <= 3; hour++ {
		now = start.Add(time.Duration(hour) * time.Hour)
		give(now, message(now, 12.8, 6, "[]"))
		give(now, message(now, 12.8, 6, "[]")) // twice
	}
	check(now, hold.Clear, "")
	// 0.2 V an hour, from 12.8 V on: below 11.5 V within the twelve hours ahead.
	for hour := 4; hour <= 8; hour++ {
		now = start.Add(time.Duration(hour) * time.Hour)
		give(now, message(now, 12.8-.2*float64(hour-3), 6, "[]"))
	}
	check(now, hold.Held, "")
	now = now.Add(10 * time.Hour)
	for minute := 0; minute <= 90; minute += 10 {
		give(now.Add(time.Duration(minute)*time.Minute), message(now.Add(time.Duration(minute)*time.Minute), 12.9, 6, "[]"))
	}
	now = now.Add(91 * time.Minute)
	give(now, message(now, 12.9, 0, "[]"))
	check(now, hold.Held, "0")
	give(now.Add(time.Minute), message(now.Add(time.Minute), 12.9, 6, `["igniter"]`))
	check(now.Add(time.Minute), hold.Held, "igniter")
	give(now.Add(2*time.Minute), message(now.Add(2*time.Minute), 12.9, 6, `[]`))
	check(now.Add(2*time.Minute), hold.Clear, "")
	// Garbage takes nobody's place; silence does.
	give(now.Add(3*time.Minute), `{"site":"hut"`)
	check(now.Add(3*time.Minute), hold.Clear, "")
	check(now.Add(70*time.Minute), hold.Unknown, "")
	// Reports of nobody's site are told, and are no evidence.
	r, err := decodeReport(wire.programme, wire.programme.Input("crews"), []crop.RawFile{{Name: "message", Bytes: []byte(strings.Replace(message(now, 12, 1, "[]"), `"hut"`, `"hot"`, 1))}}, now)
	if err != nil || len(r.sites) != 0 || !strings.Contains(strings.Join(r.notes, "\n"), `"hot", which is no site`) {
		t.Errorf("%+v, %v", r, err)
	}
}
