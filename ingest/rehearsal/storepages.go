package rehearsal

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Hosts of the services that answer with one page each: those of the public ones,
// and two of the programme's own that exist nowhere (RFC 2606).
const (
	hostUSGS     = "waterservices.usgs.gov"
	hostNWPS     = "api.water.noaa.gov"
	hostWarnings = "api.weather.gov"
	hostTable    = "records.vantry.invalid"
	hostCrew     = "sites.vantry.invalid"
)

var pageHosts = map[string]string{
	"usgs-iv": hostUSGS, "nwps-gauge": hostNWPS, "nwps-stageflow": hostNWPS, "nws-alerts": hostWarnings, "gauge-table": hostTable, "telemetry-json": hostCrew,
}

const (
	pageTable = "tallow.csv"
	pageCrew  = "telemetry.json"
)

// pageKeys are what Schedule lists of each source: what a programme of the storm
// would ask for.
func (s *Store) pageKeys() map[string]string {
	g := s.scenario.RiverGauge()
	return map[string]string{
		"usgs-iv":    "nwis/iv/?format=json&sites=" + g.USGS + "&parameterCd=00060,00065,00054,00062,62614,62615&period=PT12H&siteStatus=all",
		"nwps-gauge": "nwps/v1/gauges/" + g.LID, "nwps-stageflow": "nwps/v1/gauges/" + g.LID + "/stageflow",
		"nws-alerts": "alerts/active?area=" + warningState, "gauge-table": pageTable, "telemetry-json": pageCrew,
	}
}

// pageSchedule are the times at which a page becomes another one, from one up to,
// not including, another. What would change in the outage changes at its end.
func (s *Store) pageSchedule(source string, from, to time.Time) []time.Time {
	var all []time.Time
	add := func(at time.Time) {
		if awayFrom, awayTo := s.scenario.Outage(); !at.Before(awayFrom) && at.Before(awayTo) {
			at = awayTo
		}
		if !at.Before(from) && at.Before(to) {
			all = append(all, at)
		}
	}
	every := func(period, after time.Duration) {
		for at := from.Add(-after - outageMinutes*time.Minute).Truncate(period); at.Before(to); at = at.Add(period) {
			add(at.Add(after))
		}
	}
	if rhythm, ok := pageRhythms[source]; ok {
		every(rhythm.every, rhythm.after)
	}
	for _, at := range s.pageEvents(source) {
		add(at)
	}
	slices.SortFunc(all, time.Time.Compare)
	return slices.CompactFunc(all, time.Time.Equal)
}

// pageRhythms are how often the services have something new, and how late.
var pageRhythms = map[string]struct{ every, after time.Duration }{
	"usgs-iv": {gaugeEvery, usgsAfter}, "nwps-gauge": {gaugeEvery, nwpsAfter}, "nwps-stageflow": {gaugeEvery, nwpsAfter},
	"gauge-table": {tableEvery, tableAfter}, "telemetry-json": {reportEvery, reportAfter},
}

// pageEvents are the changes that come when they come.
func (s *Store) pageEvents(source string) (all []time.Time) {
	switch source {
	case "nwps-gauge", "nwps-stageflow":
		for _, f := range s.scenario.riverForecasts() {
			all = append(all, f.issued.Add(issuedAfter))
		}
	case "nws-alerts":
		return s.scenario.listChanges()
	}
	return all
}

// changed is when a page became what it is now.
func (s *Store) changed(source string, now time.Time) time.Time {
	var last time.Time
	take := func(at time.Time) {
		if from, to := s.scenario.Outage(); !at.Before(from) && at.Before(to) {
			at = to
		}
		if at.After(last) && !at.After(now) {
			last = at
		}
	}
	if rhythm, ok := pageRhythms[source]; ok {
		take(s.scenario.newestReading(now, rhythm.every, rhythm.after).Add(rhythm.after))
	}
	for _, at := range s.pageEvents(source) {
		take(at)
	}
	return last
}

// page is an answer.
type page struct {
	contentType string
	bytes       []byte
	changed     time.Time
	// tagged: the service gives validators.
	tagged bool
}

// refused is an answer that is no page.
type refused struct {
	status int
	text   string
}

func (r refused) Error() string { return r.text }

// servePage answers for one of the hosts of pages.
func (s *Store) servePage(w http.ResponseWriter, r *http.Request, host, path string, now time.Time) {
	var p page
	query, err := url.ParseQuery(r.URL.RawQuery)
	if err != nil {
		err = refused{http.StatusBadRequest, "the query cannot be read"}
	} else {
		p, err = s.pageOf(host, path, query, r.URL.RawQuery, now)
	}
	if err != nil {
		status := http.StatusInternalServerError
		if no, ok := err.(refused); ok {
			status = no.status
		}
		refusePage(w, r, host, status, err.Error())
		return
	}
	w.Header().Set("Content-Type", p.contentType)
	if p.tagged {
		sum := sha256.Sum256(p.bytes)
		w.Header().Set("ETag", `"`+hex.EncodeToString(sum[:16])+`"`)
	} else {
		p.changed = time.Time{}
	}
	http.ServeContent(w, r, "", p.changed, bytes.NewReader(p.bytes))
}

// refusePage says no in the form of the service: problem details of RFC 9457 (once
// RFC 7807) for warnings, JSON for gauges, a sentence for the others.
func refusePage(w http.ResponseWriter, r *http.Request, host string, status int, text string) {
	var b []byte
	switch host {
	case hostWarnings:
		w.Header().Set("Content-Type", "application/problem+json")
		b, _ = json.Marshal(map[string]any{"type": "about:blank", "title": http.StatusText(status), "status": status, "detail": text})
	case hostNWPS:
		w.Header().Set("Content-Type", "application/json")
		b, _ = json.Marshal(map[string]any{"code": status, "message": text, "details": []string{}})
	default:
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		b = []byte(text + "\n")
	}
	w.Header().Set("Content-Length", strconv.Itoa(len(b)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(b)
	}
}

// pageOf makes the answer of a host.
func (s *Store) pageOf(host, path string, query url.Values, rawQuery string, now time.Time) (page, error) {
	none := refused{http.StatusNotFound, "there is no such page"}
	var p page
	var err error
	switch host {
	case hostUSGS:
		if strings.Trim(path, "/") != "nwis/iv" {
			return p, none
		}
		p.contentType = "application/json"
		p.bytes, err = s.usgs(query, rawQuery, now)
	case hostNWPS:
		p.contentType, p.tagged = "application/json", true
		lid := s.scenario.RiverGauge().LID
		switch path {
		case "nwps/v1/gauges/" + lid:
			p.changed = s.changed("nwps-gauge", now)
			p.bytes, err = s.scenario.gaugePage(now)
		case "nwps/v1/gauges/" + lid + "/stageflow":
			p.changed = s.changed("nwps-stageflow", now)
			p.bytes, err = s.scenario.stageflowPage(now)
		default:
			return p, refused{http.StatusNotFound, "gauge not found"}
		}
	case hostWarnings:
		if path != "alerts/active" {
			return p, none
		}
		p.contentType, p.tagged, p.changed = "application/geo+json", true, s.changed("nws-alerts", now)
		p.bytes, err = s.alerts(query, now)
	case hostTable:
		if path != pageTable {
			return p, none
		}
		p = page{"text/csv; charset=utf-8", s.scenario.tablePage(now), s.changed("gauge-table", now), true}
	case hostCrew:
		if path != pageCrew {
			return p, none
		}
		p.contentType, p.tagged, p.changed = "application/json", true, s.changed("telemetry-json", now)
		p.bytes, err = s.scenario.crewPage(now)
	}
	return p, err
}

// listOf are the values of a query with commas between.
func listOf(query url.Values, name string) []string {
	var all []string
	for _, text := range query[name] {
		for value := range strings.SplitSeq(text, ",") {
			if value = strings.TrimSpace(value); value != "" {
				all = append(all, value)
			}
		}
	}
	return all
}

// known refuses a query with other names than these.
func known(query url.Values, names ...string) error {
	var others []string
	for name := range query {
		if !slices.Contains(names, name) {
			others = append(others, name)
		}
	}
	slices.Sort(others)
	if len(others) > 0 {
		return refused{http.StatusBadRequest, fmt.Sprintf("query parameter %q is not recognized", others[0])}
	}
	return nil
}

// periodForm is a duration of ISO 8601 in days, hours and minutes.
var periodForm = regexp.MustCompile(`^P(?:(\d{1,3})D)?(?:T(?:(\d{1,4})H)?(?:(\d{1,5})M)?)?$`)

// longestPeriod that is answered.
const longestPeriod = 30 * 24 * time.Hour

func (s *Store) usgs(query url.Values, rawQuery string, now time.Time) ([]byte, error) {
	if err := known(query, "format", "sites", "parameterCd", "period", "siteStatus"); err != nil {
		return nil, err
	}
	sites := listOf(query, "sites")
	if query.Get("format") != "json" || len(sites) == 0 || len(sites) > 100 {
		return nil, refused{http.StatusBadRequest, "only format=json of 1 to 100 sites is answered"}
	}
	var period time.Duration
	if text := query.Get("period"); text != "" {
		m := periodForm.FindStringSubmatch(text)
		if m == nil {
			return nil, refused{http.StatusBadRequest, "period is no duration of ISO 8601"}
		}
		for k, unit := range []time.Duration{24 * time.Hour, time.Hour, time.Minute} {
			n, _ := strconv.Atoi(cmp.Or(m[k+1], "0")) // digits, as the form says
			period += time.Duration(n) * unit
		}
		if period <= 0 || period > longestPeriod {
			return nil, refused{http.StatusBadRequest, "period is not between 1 minute and 30 days"}
		}
	}
	return s.scenario.usgsPage(now, rawQuery, sites, listOf(query, "parameterCd"), period)
}

func (s *Store) alerts(query url.Values, now time.Time) ([]byte, error) {
	if err := known(query, "area", "zone", "status", "message_type"); err != nil {
		return nil, err
	}
	states, zones := listOf(query, "area"), listOf(query, "zone")
	if len(states) > 0 && len(zones) > 0 {
		return nil, refused{http.StatusBadRequest, "area and zone exclude each other"}
	}
	return s.scenario.alerts(now, s.changed("nws-alerts", now), states, zones, listOf(query, "status"), listOf(query, "message_type"))
}
