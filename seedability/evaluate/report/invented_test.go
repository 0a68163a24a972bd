package report

import (
	"fmt"
	"math"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// An invented programme; nothing here is real.

const invented = "foxglove"

// writer puts invented messages into an archive.
type writer struct {
	t    testing.TB
	into *archive.Archive
	next map[string]uint64
}

func newWriter(t testing.TB, dir string) *writer {
	t.Helper()
	a, err := archive.Open(dir, archive.Options{ProgramVersion: "0.0-test", Interval: 24 * time.Hour, PendingBytes: 256 << 20})
	if err != nil {
		t.Fatal(err)
	}
	return &writer{t: t, into: a, next: map[string]uint64{}}
}

func (w *writer) put(kind bus.Kind, site string, when time.Time, data any) {
	w.t.Helper()
	e, err := bus.NewEvent(kind, invented, site, when, data)
	if err != nil {
		w.t.Fatal(err)
	}
	w.next[kind.Name]++
	if err := w.into.Add(w.t.Context(), kind.Name, w.next[kind.Name], when.Add(time.Second), e); err != nil {
		w.t.Fatal(err)
	}
}

func (w *writer) flush() {
	w.t.Helper()
	if err := w.into.Flush(w.t.Context()); err != nil {
		w.t.Fatal(err)
	}
}

func (w *writer) close() *archive.Reader {
	w.t.Helper()
	w.flush()
	if err := w.into.Close(); err != nil {
		w.t.Fatal(err)
	}
	return nil
}

func open(t testing.TB, dir string) *archive.Reader {
	t.Helper()
	r, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func (w *writer) score(site string, when time.Time, score float64, state seedability.State) {
	w.t.Helper()
	a := seedability.Assessment{Programme: invented, Site: seedability.SiteRef{ID: site, Name: site, LatitudeDeg: 44, LongitudeDeg: -114, AltitudeM: 1500}, ReleaseTime: when, AsOf: when, State: state,
		Score: seedability.Score{Components: []seedability.Component{}, Caps: []seedability.Cap{}}, Path: []seedability.PathStep{}, Bands: []seedability.BandPassage{}, Inputs: []seedability.Input{}, Notes: []string{}, Cautions: []string{},
		Standing: &seedability.Standing{State: state, Since: when, At: when}}
	if !math.IsNaN(score) {
		a.Score.Value = &score
	}
	w.put(bus.Score, site, when, a)
}

type foreseen struct {
	release time.Time
	score   float64
	state   seedability.State
}

func (w *writer) outlook(site string, issued time.Time, all ...foreseen) {
	w.t.Helper()
	o := seedability.Outlook{Programme: invented, Site: seedability.SiteRef{ID: site, Name: site}, IssuedAt: issued, ModelReferenceTime: issued, From: all[0].release, To: all[len(all)-1].release,
		Windows: []seedability.Window{}, Gone: []seedability.Window{}, Inputs: []seedability.Input{}, Notes: []string{}, Cautions: []string{}}
	for _, f := range all {
		r := seedability.OutlookRelease{ReleaseTime: f.release, LeadMinutes: f.release.Sub(issued).Minutes(), Confidence: .7, State: f.state}
		if !math.IsNaN(f.score) {
			score := f.score
			r.Score = &score
		}
		o.Releases = append(o.Releases, r)
	}
	w.put(bus.Outlook, site, issued, o)
}

func (w *writer) holds(when time.Time, held ...string) {
	w.t.Helper()
	m := message.Holds{Programme: invented, At: when, Trigger: "invented"}
	for _, key := range []string{"season", "river"} {
		r := hold.Result{Key: key, Criterion: key, Name: key, Kind: key, Outcome: hold.Clear, Condition: hold.Clear, Sites: []string{}, Targets: []string{}, Since: when, At: when, Reason: "invented: " + key, Source: "invented", Inputs: []hold.Input{}}
		for _, name := range held {
			if name == key {
				r.Outcome, r.Condition = hold.Held, hold.Held
			}
		}
		m.Results = append(m.Results, r)
	}
	w.put(bus.Hold, bus.Whole, when, m)
}

func (w *writer) release(id, site string, start, end time.Time, grams float64, corrects string) {
	w.t.Helper()
	w.put(bus.Release, site, end.Add(time.Minute), alert.Release{ID: id, At: end.Add(time.Minute), Who: "Imke Sorrel", Programme: invented, Site: site, Unit: "rack 1", Start: start, End: end, Agent: "silver iodide", Grams: grams, Purpose: "snowpack", Corrects: corrects})
}

func (w *writer) alert(id string, kind alert.Kind, raised time.Time, needsAck bool, first string, sites ...alert.SiteRef) {
	w.t.Helper()
	if sites == nil {
		sites = []alert.SiteRef{}
	}
	change := alert.ChangeNew
	if first != "" {
		change = alert.ChangeRepeat
	}
	w.put(bus.Alert, string(kind), raised, alert.Alert{ID: id, Thread: "t", Kind: kind, Change: change, Severity: alert.Moderate, Programme: invented, Sites: sites, Raised: raised, Expires: raised.Add(6 * time.Hour), Reasons: []string{}, Evidence: []alert.Link{}, Rules: []string{}, Routes: []string{}, Caution: alert.Caution, NeedsAck: needsAck, First: first})
}

func (w *writer) ack(of string, at time.Time) {
	w.t.Helper()
	w.put(bus.Ack, bus.Whole, at, message.Ack{Programme: invented, Alert: of, By: "Imke Sorrel", At: at, Via: "command"})
}

// noise is a number from -1 to 1 that follows from others.
func noise(numbers ...int) float64 {
	x := uint64(0x9e3779b97f4a7c15)
	for _, n := range numbers {
		x ^= uint64(n) + 0x9e3779b97f4a7c15 + x<<6 + x>>2
		x *= 0xbf58476d1ce4e5b9
		x ^= x >> 31
	}
	return float64(x%20001)/10000 - 1
}

// weather is the true score of a site at a time of the invented season.
func weather(site int, at time.Time) float64 {
	h := at.Sub(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)).Hours()
	day := int(h / 24)
	peak := 45 + 40*noise(day)
	x := peak*math.Exp(-math.Pow((math.Mod(h, 24)-12-4*noise(day, 1))/4, 2)) + 12 + 6*noise(site, day)
	return math.Round(10*min(max(x, 0), 100)) / 10
}

func stateOf(score float64) seedability.State {
	if score >= 60 {
		return seedability.StateWindow
	}
	return seedability.StateQuiet
}

// season writes days of an invented season.
func season(t testing.TB, dir string, days, sites int, step, issued, lead, every time.Duration) {
	w := newWriter(t, dir)
	start := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	for day := range days {
		from := start.Add(time.Duration(day) * 24 * time.Hour)
		for at := from; at.Before(from.Add(24 * time.Hour)); at = at.Add(step) {
			held := day%5 == 3 && at.Hour() >= 12 && at.Hour() < 15
			if at.Minute()%30 == 0 {
				if held {
					w.holds(at, "river")
				} else {
					w.holds(at)
				}
			}
			for site := range sites {
				id := fmt.Sprintf("site-%02d", site+1)
				x := weather(site, at)
				state := stateOf(x)
				if held {
					state = seedability.StateHold
				}
				w.score(id, at, x, state)
				if at.Sub(from)%issued == 0 {
					var all []foreseen
					for l := every; l <= lead; l += every {
						h := int(l.Hours())
						y := weather(site, at.Add(l)) + (2+float64(h)/3)*3*noise(site, day, at.Hour(), h)
						y = math.Round(10*min(max(y, 0), 100)) / 10
						all = append(all, foreseen{at.Add(l), y, stateOf(y)})
					}
					w.outlook(id, at, all...)
				}
			}
		}
		for site := range sites {
			id := fmt.Sprintf("site-%02d", site+1)
			// Told of, opened, used in part.
			var first, last time.Time
			for at := from; at.Before(from.Add(24 * time.Hour)); at = at.Add(step) {
				if stateOf(weather(site, at)) == seedability.StateWindow {
					if first.IsZero() {
						first = at
					}
					last = at
				}
			}
			if first.IsZero() {
				continue
			}
			lead := time.Duration(60+100*math.Abs(noise(day, site, 7))) * time.Minute
			name := fmt.Sprintf("a-%d-%d", day, site)
			w.alert(name, alert.WindowAhead, first.Add(-lead), true, "", alert.SiteRef{ID: id, Name: id, Start: first, End: last})
			if noise(day, site, 8) > -.6 {
				w.ack(name, first.Add(-lead+time.Duration(1+20*math.Abs(noise(day, site, 9)))*time.Minute))
			}
			if noise(day, site, 10) > -.3 {
				w.release(fmt.Sprintf("r-%d-%d", day, site), id, first.Add(10*time.Minute), first.Add(70*time.Minute), 16, "")
			}
		}
		w.flush()
	}
	w.close()
}
