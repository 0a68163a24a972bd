package report

import (
	"bytes"
	"encoding/json"
	"flag"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/archive"
	"rimeline/seedability/evaluate"
)

var update = flag.Bool("update", false, "write the files of behaviour that is pinned anew")

func on(hour, minute int) time.Time { return time.Date(2026, 1, 14, hour, minute, 0, 0, time.UTC) }

// oneDay is one invented storm day at one site, small enough to be counted by hand:
//
//	score and state   18:00-18:20 30 quiet, 18:30-19:20 70 window, 19:30-19:40 70 hold,
//	                  19:50-20:00 40 quiet, every ten minutes
func oneDay(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	w := newWriter(t, dir)
	for k := range 13 {
		at := on(18, 10*k)
		switch {
		case k < 3:
			w.score("hut", at, 30, seedability.StateQuiet)
		case k < 9:
			w.score("hut", at, 70, seedability.StateWindow)
		case k < 11:
			w.score("hut", at, 70, seedability.StateHold)
		default:
			w.score("hut", at, 40, seedability.StateQuiet)
		}
	}
	w.outlook("hut", on(12, 0),
		foreseen{on(18, 10), 65, seedability.StateWindow}, // false alarm
		foreseen{on(18, 30), 75, seedability.StateWindow}, // hit
		foreseen{on(19, 20), 50, seedability.StateQuiet},  // miss
		foreseen{on(19, 30), 66, seedability.StateWindow}, // hold: missing
		foreseen{on(20, 0), 35, seedability.StateQuiet})   // correct
	w.outlook("hut", on(16, 0),
		foreseen{on(18, 30), 80, seedability.StateWindow}, // hit, 2.5 h
		foreseen{on(19, 0), 68, seedability.StateWindow},  // hit, 3 h
		foreseen{on(23, 0), 68, seedability.StateWindow})  // never judged
	w.holds(on(19, 0))
	w.holds(on(19, 30), "river")
	w.holds(on(19, 50))
	w.release("r1", "hut", on(18, 40), on(19, 0), 16, "")
	w.release("r2", "hut", on(19, 25), on(19, 40), 16, "")
	w.release("r3", "hut", on(18, 0), on(18, 5), 16, "")
	w.release("r4", "hut", on(19, 55), on(20, 0), 16, "r3")
	w.release("r5", "hut", on(20, 5), on(20, 10), 16, "")
	w.release("r6", "hut", on(20, 5), on(20, 10), 0, "r5") // did not light
	w.alert("a1", alert.WindowAhead, on(16, 30), true, "", alert.SiteRef{ID: "hut", Start: on(18, 20), End: on(19, 40)})
	w.alert("a2", alert.WindowAhead, on(16, 40), true, "a1", alert.SiteRef{ID: "hut", Start: on(18, 20), End: on(19, 40)})
	w.ack("a2", on(16, 42))
	w.ack("a1", on(16, 50))
	w.alert("a3", alert.HoldRaised, on(19, 31), true, "")
	w.alert("a4", alert.WindowAhead, on(17, 0), false, "", alert.SiteRef{ID: "barn", Start: on(21, 0), End: on(22, 0)})
	w.close()
	return dir
}

func dayObservations(t *testing.T) *Observations {
	t.Helper()
	o, err := NewObservations([]string{"hut"}, map[string][]string{"ridge": {"hut"}}, on(23, 0))
	if err != nil {
		t.Fatal(err)
	}
	err = o.ReadCSV("icing.csv", strings.NewReader("unit,time,quantity,value,site,minutes,place\n1,2026-01-14T19:00:00Z,icing,3,hut,60,\n1,2026-01-14T13:00:00-07:00,icing,0,,60,ridge\n1,2026-01-14T20:00:00Z,icing,4,,60,elsewhere\n"))
	if err != nil {
		t.Fatal(err)
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	return o
}

func gather(t *testing.T, dir string, o Options) *Report {
	t.Helper()
	o.Programme = invented
	r, err := Gather(t.Context(), open(t, dir), o)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range r.Problems {
		t.Error(p)
	}
	return r
}

func same(t *testing.T, what string, got, want float64) {
	t.Helper()
	if math.Abs(got-want) > 1e-9 {
		t.Errorf("%s: got %v, want %v (counted by hand)", what, got, want)
	}
}

// The numbers of one storm day, counted by hand from the list above.
func TestOneStormDay(t *testing.T) {
	r := gather(t, oneDay(t), Options{Observations: dayObservations(t)})
	if r.Assessments != 13 || r.OutlookReleases != 8 || r.Days != 1 {
		t.Errorf("%d assessments, %d releases of outlooks, %d days", r.Assessments, r.OutlookReleases, r.Days)
	}
	f := &r.Forecast
	if f.Pairs != (evaluate.PairCounts{Paired: 7, Unjudged: 1}) {
		t.Errorf("pairs: %+v", f.Pairs)
	}
	if got, want := f.Comparison.All.Contingency.Table, (evaluate.Table{Hits: 3, FalseAlarms: 1, Misses: 1, CorrectNegatives: 1, Missing: 1}); got != want {
		t.Errorf("all: got %+v, want %+v", got, want)
	}
	leads := map[string]evaluate.Table{}
	for _, row := range f.Comparison.Leads {
		leads[row.Lead] = row.Contingency.Table
		if row.Lead == "6-12 h" {
			same(t, "mean error", row.MeanError.Float(), (35.+5-20-4-5)/5)
			same(t, "mean absolute error", row.MeanAbsolute.Float(), 69./5)
		}
		if i, _ := row.Intervals["pod"].Recommended(); i.Known() || !strings.Contains(i.Why, "too few") {
			t.Errorf("%s: an interval from one storm day: %v", row.Lead, i)
		}
	}
	want := map[string]evaluate.Table{"1-3 h": {Hits: 1}, "3-6 h": {Hits: 1}, "6-12 h": {Hits: 1, FalseAlarms: 1, Misses: 1, CorrectNegatives: 1, Missing: 1}}
	if fmt.Sprint(leads) != fmt.Sprint(want) {
		t.Errorf("leads: got %v, want %v", leads, want)
	}
	for _, l := range f.Lagged {
		switch l.Lead {
		case "6-12 h": // single members: the absolute error
			same(t, "CRPS", l.CRPS.Empirical.Float(), 69./5)
			if l.CRPS.Fair.Known() || l.CRPS.Fair.Why == "" {
				t.Errorf("fair CRPS of single members: %v", l.CRPS.Fair)
			}
		case "0-6 h":
			same(t, "CRPS", l.CRPS.Empirical.Float(), (10.+2)/2)
		default:
			if l.CRPS.Counts.Used != 0 {
				t.Errorf("%s: %v", l.Lead, l.CRPS)
			}
		}
	}

	o := &r.Operations
	if len(o.Sites) != 1 {
		t.Fatalf("sites: %+v", o.Sites)
	}
	got := o.Sites[0]
	for _, x := range []struct {
		what      string
		got, want float64
	}{
		{"windows", float64(got.Windows), 1}, {"offered", got.OfferedMinutes, 80}, {"held", got.HeldMinutes, 20}, {"used", got.UsedMinutes, 25}, {"missed", got.MissedMinutes, 35}, {"share used", got.UsedShare.Float(), 25. / 60},
		{"releases", float64(got.Releases), 3}, {"release minutes", got.ReleaseMinutes, 40}, {"outside", got.OutsideMinutes, 5}, {"releases outside", float64(got.ReleasesOutside), 1}, {"in hold", float64(got.ReleasesInHold), 1}, {"minutes in hold", got.HoldReleaseMinutes, 10},
		{"quiet", o.States[0].Minutes[seedability.StateQuiet], 30 + 10}, {"window", o.States[0].Minutes[seedability.StateWindow], 60}, {"hold", o.States[0].Minutes[seedability.StateHold], 20},
		{"lead", o.Lead.Minutes.Median.Float(), 120}, {"told", float64(o.Lead.Minutes.Counts.Used), 1}, {"announced", float64(o.Announced), 2}, {"not come", float64(o.NotCome), 1},
		{"acknowledged after", o.Acks.Minutes.Median.Float(), 12}, {"unanswered", float64(o.Acks.Unanswered), 1}, {"acknowledged in 15 min", o.Acks.Within[3].Share.Float(), .5},
	} {
		same(t, x.what, x.got, x.want)
	}
	flagged := o.flagged()
	if len(flagged) != 2 || flagged[0].ID != "r2" || flagged[0].Held != 10 || fmt.Sprint(flagged[0].Holds) != "[river: invented: river]" || flagged[1].ID != "r4" || flagged[1].Outside != 5 {
		t.Errorf("flagged: %+v", flagged)
	}

	if len(r.Observed) != 1 {
		t.Fatalf("observed: %+v", r.Observed)
	}
	ice := &r.Observed[0]
	// 18:10 to 19:00 with hits of the detector, 19:10 to 20:00 without; nothing for 18:00.
	if got, want := ice.Now.Contingency.Table, (evaluate.Table{Hits: 4, FalseAlarms: 2, Misses: 2, CorrectNegatives: 2, Missing: 2}); got != want {
		t.Errorf("icing: got %+v, want %+v", got, want)
	}
	same(t, "Brier score", ice.Now.Brier.Score.Float(), (2*.49+4*.09+4*.49+2*.16)/12)
	same(t, "ROC area", ice.Now.ROC.Area.Float(), 16./36)
	// Two places: of 13 assessments and 8 releases each place answers for its own hour.
	if ice.Matched != 12+7 || ice.Unmatched != 2*13-12+2*8-7 {
		t.Errorf("%d matched, %d without observation", ice.Matched, ice.Unmatched)
	}
	for _, s := range ice.Now.States {
		if s.State == seedability.StateWindow && (s.Pairs != 6 || s.Events != 4) {
			t.Errorf("window: %+v", s)
		}
	}
	if notes := strings.Join(r.Notes, " "); !strings.Contains(notes, `1 observations of "elsewhere"`) {
		t.Errorf("notes: %s", notes)
	}
}

// A later observation answers for a release once there is a lag; a window score decides
// in place of the state.
func TestLagAndWindowScore(t *testing.T) {
	dir := oneDay(t)
	r := gather(t, dir, Options{Observations: dayObservations(t), Lag: time.Hour})
	// 18:00 meets 19:00 (3 hits); 18:10 to 19:00 meet the hour without; later ones none.
	if got, want := r.Observed[0].Now.Contingency.Table, (evaluate.Table{FalseAlarms: 4, Misses: 1, CorrectNegatives: 2}); got != want {
		t.Errorf("lag of an hour: got %+v, want %+v", got, want)
	}
	r = gather(t, dir, Options{WindowScore: 60})
	if got, want := r.Forecast.Comparison.All.Contingency.Table, (evaluate.Table{Hits: 4, FalseAlarms: 1, Misses: 1, CorrectNegatives: 1}); got != want {
		t.Errorf("by score: got %+v, want %+v", got, want)
	}
}

// Times outside of the period count for nothing.
func TestPeriod(t *testing.T) {
	r := gather(t, oneDay(t), Options{From: on(18, 30), To: on(19, 0), Observations: dayObservations(t)})
	if got, want := r.Forecast.Comparison.All.Contingency.Table, (evaluate.Table{Hits: 2}); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if o := r.Operations.Sites[0]; o.OfferedMinutes != 30 || o.UsedMinutes != 20 || o.Releases != 1 {
		t.Errorf("operations: %+v", o)
	}
	if got, want := r.Observed[0].Now.Contingency.Table, (evaluate.Table{Hits: 3}); got != want {
		t.Errorf("icing: got %+v, want %+v", got, want)
	}
	if _, err := Gather(t.Context(), open(t, oneDay(t)), Options{Programme: invented, From: on(2, 0), To: on(1, 0)}); err == nil {
		t.Error("a period that ends before it begins was taken")
	}
}

// Nothing is no error: every number says why it is not there.
func TestEmptyArchive(t *testing.T) {
	dir := t.TempDir()
	newWriter(t, dir).close()
	r := gather(t, dir, Options{})
	if v := r.Forecast.Comparison.All.Contingency.Scores["pod"]; v.Known() || v.Why == "" {
		t.Errorf("POD of nothing: %v", v)
	}
	if r.Operations.Why == "" || len(r.Notes) == 0 {
		t.Errorf("nothing says that the archive is empty: %q, %v", r.Operations.Why, r.Notes)
	}
	var page bytes.Buffer
	if err := r.WriteHTML(&page); err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"has no day", "There is no pair"} {
		if !strings.Contains(page.String(), want) {
			t.Errorf("the page does not say %q", want)
		}
	}
	for _, table := range r.Tables() {
		if err := table.Write(&bytes.Buffer{}); err != nil {
			t.Error(table.Name, err)
		}
	}
}

// What cannot be read is told, and the rest is compared.
func TestDamagedDay(t *testing.T) {
	dir := oneDay(t)
	found := false
	err := filepath.WalkDir(dir, func(path string, d os.DirEntry, err error) error {
		if err == nil && d.Name() == "outlooks.parquet" {
			found = true
			return os.Truncate(path, 100)
		}
		return err
	})
	if err != nil || !found {
		t.Fatal(err, found)
	}
	r, err := Gather(t.Context(), open(t, dir), Options{Programme: invented})
	if err != nil {
		t.Fatal(err)
	}
	if len(r.Problems) == 0 || !strings.Contains(r.Problems[0], "outlooks.parquet") {
		t.Errorf("problems: %v", r.Problems)
	}
	if r.Operations.Total.OfferedMinutes != 80 {
		t.Errorf("operations: %v", r.Operations.Total)
	}
}

// The JSON of one storm day, pinned.
func TestJSONUnchanged(t *testing.T) {
	r := gather(t, oneDay(t), Options{Observations: dayObservations(t), Bootstrap: evaluate.BootstrapOptions{Seed: 1}})
	var got bytes.Buffer
	if err := r.WriteJSON(&got); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join("testdata", "oneday.json")
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), want) {
		t.Errorf("%s is not what is made now; look at the difference, then -update", path)
	}
	var back map[string]any
	if err := json.Unmarshal(want, &back); err != nil {
		t.Error(err)
	}
}

// The same archive gives the same bytes, intervals included, whatever the processors.
func TestSeasonRepeats(t *testing.T) {
	dir := t.TempDir()
	season(t, dir, 12, 2, 30*time.Minute, 6*time.Hour, 24*time.Hour, 2*time.Hour)
	var first []byte
	for _, workers := range []int{1, 3} {
		r := gather(t, dir, Options{Bootstrap: evaluate.BootstrapOptions{Seed: 7, Replicates: 300, Workers: workers}})
		var b bytes.Buffer
		if err := r.WriteJSON(&b); err != nil {
			t.Fatal(err)
		}
		if first == nil {
			first = b.Bytes()
			if e := r.Forecast.Comparison.All.Intervals["pod"]; e.Blocks < 10 {
				t.Errorf("%d storm days", e.Blocks)
			} else if i, _ := e.Recommended(); !i.Known() {
				t.Errorf("no interval from %d storm days: %s", e.Blocks, i.Why)
			}
			// Every pair of the archive is found, across midnights: two sites, 12
			// days, 4 outlooks a day of 12 releases, less those from 00 UTC after the
			// last day on: 1, 4, 7 and 10 of the last day's.
			if p := r.Forecast.Pairs; p.Paired+p.Unjudged != 2*12*4*12 || p.Unjudged != 2*(1+4+7+10) {
				t.Errorf("pairs: %v", p)
			}
			continue
		}
		if !bytes.Equal(first, b.Bytes()) {
			t.Error("two runs differ")
		}
	}
}

// A state lasts until the next score, and not over a gap.
func TestTracks(t *testing.T) {
	tracks := newTracks(30*time.Minute, 60)
	s := tracks.site("hut")
	for _, x := range []struct {
		minute int
		state  seedability.State
	}{{0, "window"}, {10, "window"}, {60, "window"}, {70, "quiet"}, {80, "window"}} {
		if err := tracks.add(s, on(0, x.minute), x.state, 70); err != nil {
			t.Fatal(err)
		}
	}
	s.shut(s.last)
	want := []evaluate.Span{{Start: on(0, 0), End: on(0, 10)}, {Start: on(0, 60), End: on(0, 70)}, {Start: on(0, 80), End: on(0, 80)}}
	if fmt.Sprint(s.opened.spans) != fmt.Sprint(want) {
		t.Errorf("got %v, want %v", s.opened.spans, want)
	}
	same(t, "unknown", s.unknown, 50)
	same(t, "window", s.minutes[seedability.StateWindow], 20)
}

// The page needs no other file, says its pictures in words, and takes hostile names as
// text.
func TestPage(t *testing.T) {
	o := dayObservations(t)
	if err := o.ReadCSV("x.csv", strings.NewReader("time,place,quantity,value,unit,minutes\n2026-01-14T19:00:00Z,<script>alert(1)</script>,icing,3,1,60\n")); err != nil {
		t.Fatal(err)
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	r := gather(t, oneDay(t), Options{Observations: o})
	u, err := ReadUnits("u.csv", strings.NewReader(worked), EffectColumns{Name: "season", Target: "target", Seeded: "seeded", Controls: []string{"control"}})
	if err != nil {
		t.Fatal(err)
	}
	u.Names[10] = `"><img>`
	if r.Effect, err = NewEffect(u, evaluate.Design{}, evaluate.BootstrapOptions{}); err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	if err := r.WriteHTML(&b); err != nil {
		t.Fatal(err)
	}
	page := b.String()
	for _, bad := range []string{"<script", "<img", "src=", "@import", "url(", "<link", "font-family:Liberation", "ZgotmplZ", "NaN", "%!"} {
		if strings.Contains(page, bad) {
			t.Errorf("the page has %q", bad)
		}
	}
	if links := regexp.MustCompile(`href="[^#][^"]*"`).FindAllString(page, -1); len(links) > 0 {
		t.Errorf("links to elsewhere: %v", links)
	}
	ids := map[string]int{}
	for _, id := range regexp.MustCompile(` id="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		if ids[id[1]]++; ids[id[1]] > 1 {
			t.Errorf("id %q is there twice", id[1])
		}
	}
	drawings, words := strings.Count(page, "<svg"), strings.Count(page, "<desc")
	if drawings < 8 || words != drawings {
		t.Errorf("%d pictures, %d with words", drawings, words)
	}
	for _, label := range regexp.MustCompile(`aria-labelledby="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		for _, id := range strings.Fields(label[1]) {
			if ids[id] != 1 {
				t.Errorf("nothing has the id %q", id)
			}
		}
	}
	// Cautions stand before the first number of the effect.
	at := strings.Index(page, `id="effect"`)
	caution, number := strings.Index(page[at:], "Seeding was not randomised"), strings.Index(page[at:], "1.068")
	if at < 0 || caution < 0 || number < caution {
		t.Errorf("cautions at %d, numbers at %d", caution, number)
	}
}

// A spreadsheet takes none of our texts for a formula (CWE-1236), and numbers as numbers.
func TestNoFormula(t *testing.T) {
	table := Table{Head: []string{"a", "b", "c", "d"}, Rows: [][]string{{"=1+1", " @x", "-0.5", "-x"}}}
	var b bytes.Buffer
	if err := table.Write(&b); err != nil {
		t.Fatal(err)
	}
	if got, want := b.String(), "a,b,c,d\n'=1+1,' @x,-0.5,'-x\n"; got != want {
		t.Errorf("got %q, want %q", got, want)
	}
}

var _ Archive = (*archive.Reader)(nil)
