package pages

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/cmd/internal/pages/invented"
	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// What people are told of a site is never better than what is known.
func TestVerdictFailsClosed(t *testing.T) {
	const id = "tin-kettle" // quiet, and of no criterion of its own
	for _, test := range []struct {
		name   string
		change func(*Programme, *Site)
		want   seedability.State
		says   string
	}{
		{"as it is", func(*Programme, *Site) {}, seedability.StateQuiet, ""},
		{"no assessment", func(_ *Programme, s *Site) { s.Score = nil }, seedability.StateBlind, "no assessment of this site has come"},
		{"unreadable", func(_ *Programme, s *Site) {
			s.Score, s.Problem = nil, "the newest assessment of this site could not be read"
		}, seedability.StateBlind, "could not be read"},
		{"just not too old", func(_ *Programme, s *Site) { s.Score.AsOf = invented.Night.Add(-45 * time.Minute) }, seedability.StateQuiet, ""},
		{"too old", func(_ *Programme, s *Site) { s.Score.AsOf = invented.Night.Add(-46 * time.Minute) }, seedability.StateBlind, "46 min ago and counts for nothing"},
		{"too old for this programme", func(p *Programme, s *Site) { p.SilentFor = time.Minute }, seedability.StateBlind, "2 min ago and counts for nothing"},
		{"of the future", func(_ *Programme, s *Site) { s.Score.AsOf = invented.Night.Add(6 * time.Minute) }, seedability.StateBlind, "dated 6 min ahead of this clock"},
		{"a state of a later version", func(_ *Programme, s *Site) { s.Score.Standing, s.Score.State = nil, "dormant" }, seedability.StateBlind, "not known here: dormant"},
		{"no judgement of criteria", func(p *Programme, _ *Site) { p.Holds = nil }, seedability.StateHold, "no judgement of this criterion has come"},
		{"a criterion without an outcome", func(p *Programme, _ *Site) {
			p.Holds.Results = slices.DeleteFunc(slices.Clone(p.Holds.Results), func(r hold.Result) bool { return r.Criterion == "creek" })
		}, seedability.StateHold, "Larkspur Creek cannot be judged: no judgement"},
		{"a judgement too old", func(p *Programme, _ *Site) {
			for k := range p.Holds.Results {
				p.Holds.Results[k].At = invented.Night.Add(-31 * time.Minute)
			}
		}, seedability.StateHold, "judged 31 min ago, and not since"},
		{"a judgement of the future", func(p *Programme, _ *Site) {
			for k := range p.Holds.Results {
				p.Holds.Results[k].At = invented.Night.Add(6 * time.Minute)
			}
		}, seedability.StateHold, "judged 6 min ahead of this clock"},
		{"held since the assessment", func(p *Programme, _ *Site) {
			p.Holds.Results[0].Outcome, p.Holds.Results[0].Reason = hold.Held, "stage 2.5 m reaches 2.4 m"
		}, seedability.StateHold, "Larkspur Creek: stage 2.5 m reaches 2.4 m"},
		{"an outcome of a later version", func(p *Programme, _ *Site) { p.Holds.Results[0].Outcome = "doubtful" }, seedability.StateHold, "Larkspur Creek cannot be judged"},
		{"held elsewhere", func(p *Programme, _ *Site) {
			p.Holds.Results[0].Outcome, p.Holds.Results[0].Sites = hold.Held, []string{"saddlehorn"}
		}, seedability.StateQuiet, ""},
		{"held, and too old besides", func(p *Programme, s *Site) {
			p.Holds.Results[0].Outcome = hold.Held
			s.Score.AsOf = invented.Night.Add(-2 * time.Hour)
		}, seedability.StateHold, "; besides, the newest assessment is of 2 h ago"},
		{"a hold of the assessment that the criteria do not know", func(_ *Programme, s *Site) {
			s.Score.Standing.State, s.Score.StateReason = seedability.StateHold, "river: rising"
		}, seedability.StateHold, ""},
		{"no criteria at all", func(p *Programme, _ *Site) {
			file := *p.File
			file.Holds = nil
			p.File, p.Holds = &file, nil
		}, seedability.StateQuiet, ""},
	} {
		s := storm(t)
		s.Holds = invented.Clone(s.Holds)
		b := boardOf(s)
		p := b.Programmes[0]
		site := p.site(id)
		score := invented.Clone(*site.Score)
		site.Score = &score
		test.change(p, site)
		got := p.verdictOf(site, p.resultsAt(b.Now), b.Now)
		if got.State != test.want || !strings.Contains(got.Reason, test.says) {
			t.Errorf("%s: %s, %q; want %s and %q", test.name, got.State, got.Reason, test.want, test.says)
		}
		// And it stands so on the pages.
		page, _, err := Evidence("../", b, p, id)
		if err != nil {
			t.Fatal(err)
		}
		says(t, string(page), strings.ToUpper(string(test.want))+" – Tin Kettle")
	}
}

// How long a judgement stands is what package hold takes, which does not say it
// otherwise: both call a clear outcome unknown from the same age on.
func TestJudgementStandsAsInPackageHold(t *testing.T) {
	s := storm(t)
	for _, age := range []time.Duration{0, judgementStands - time.Second, judgementStands, judgementStands + time.Second, 3 * judgementStands} {
		results := []hold.Result{{Key: "creek", Criterion: "creek", Outcome: hold.Clear, At: invented.Night.Add(-age)}}
		a := hold.Apply(seedability.Assessment{AsOf: invented.Night, State: seedability.StateQuiet}, results)
		p := Programme{File: s.Programme, Holds: &message.Holds{Results: results}}
		var mine hold.Outcome
		for _, r := range p.resultsAt(invented.Night) {
			if r.Criterion == "creek" {
				mine = r.Outcome
			}
		}
		if theirs := a.Holds[0].Outcome; theirs != string(mine) {
			t.Errorf("%s old: %s here, %s there", age, mine, theirs)
		}
	}
}

// Advice is never shown as good when it has become wrong.
func TestAdviceIsTakenBack(t *testing.T) {
	for _, test := range []struct {
		name   string
		change func(*Board, *Site)
		want   string
	}{
		{"as it is", func(*Board, *Site) {}, ""},
		{"held since", func(b *Board, _ *Site) { b.Programmes[0].Holds.Results[0].Outcome = hold.Held }, "Do not follow it now: the site is on hold now."},
		{"blind since", func(_ *Board, s *Site) { s.Score = nil }, "Do not follow it now: the site cannot be judged now."},
		{"old", func(_ *Board, s *Site) { s.AdviceAt = invented.Night.Add(-31 * time.Minute) }, "Do not follow it now: it was made 31 min ago."},
		{"over", func(_ *Board, s *Site) {
			a := *s.Advice
			a.ReleaseEnd = invented.Night
			s.Advice = &a
		}, "Do not follow it now: its time is over."},
		{"withheld", func(_ *Board, s *Site) {
			a := *s.Advice
			a.Withheld = true
			s.Advice = &a
		}, "Withheld: nothing should be released."},
	} {
		s := storm(t)
		s.Holds = invented.Clone(s.Holds)
		b := boardOf(s)
		site := b.Programmes[0].site("saddlehorn")
		test.change(&b, site)
		page, _, err := Evidence("../", b, b.Programmes[0], "saddlehorn")
		if err != nil {
			t.Fatal(err)
		}
		text := visible(string(page))
		if test.want != "" && !strings.Contains(text, test.want) || test.want == "" && (strings.Contains(text, "Do not follow") || strings.Contains(text, "Withheld")) {
			t.Errorf("%s: %q is not there, or too much is", test.name, test.want)
		}
		if test.name == "withheld" && strings.Contains(text, "10 units") {
			t.Error("withheld advice shows its amounts")
		}
		if !strings.Contains(text, "Not a command.") {
			t.Errorf("%s: no caution", test.name)
		}
	}
}

func TestMoments(t *testing.T) {
	zone := func(name string) *time.Location {
		z, err := time.LoadLocation(name)
		if err != nil {
			t.Fatal(err)
		}
		return z
	}
	now := time.Date(2026, 1, 14, 5, 42, 0, 0, time.UTC)
	for _, test := range []struct {
		zone       string
		at         time.Time
		local, utc string
	}{
		// Differences from UTC: IANA time zone database 2025b.
		{"America/Boise", now, "22:42 MST", "05:42 UTC"},
		{"America/Boise", now.Add(2 * time.Hour), "Wed 00:42 MST", "07:42 UTC"},
		{"America/Boise", now.Add(-6 * time.Hour), "16:42 MST", "Tue 23:42 UTC"},
		{"America/Boise", now.Add(8 * 24 * time.Hour), "Wed 21 Jan 22:42 MST", "Thu 22 Jan 05:42 UTC"},
		{"America/Boise", now.Add(-300 * 24 * time.Hour), "19 Mar 2025 23:42 MDT", "20 Mar 2025 05:42 UTC"},
		{"UTC", now, "05:42 UTC", ""},
		{"Asia/Kolkata", now, "11:12 IST", "05:42 UTC"},
		{"America/Santiago", now, "02:42 UTC-03:00", "05:42 UTC"}, // a zone without letters
	} {
		got := newFace(now, zone(test.zone)).at(test.at)
		if got.Local != test.local || got.UTC != test.utc {
			t.Errorf("%s at %s: %q and %q, want %q and %q", test.zone, test.at, got.Local, got.UTC, test.local, test.utc)
		}
		if back, err := time.Parse(time.RFC3339, got.ISO); err != nil || !back.Equal(test.at) {
			t.Errorf("%s: %s", got.ISO, err)
		}
	}
	if newFace(now, nil).at(time.Time{}) != nil {
		t.Error("no time is a moment")
	}
	for _, test := range []struct {
		d    time.Duration
		want string
	}{
		{0, "0 s"}, {59 * time.Second, "59 s"}, {90 * time.Second, "2 min"}, {61 * time.Minute, "61 min"}, {119*time.Minute + 29*time.Second, "119 min"}, {2 * time.Hour, "2 h"},
		{150 * time.Minute, "2 h 30 min"}, {25 * time.Hour, "25 h"}, {48 * time.Hour, "2 days"}, {math.MinInt64, "106752 days"}, {-3 * time.Minute, "3 min"},
	} {
		if got := span(test.d); got != test.want {
			t.Errorf("%d: %q, want %q", test.d, got, test.want)
		}
	}
}

func TestPlainText(t *testing.T) {
	for _, test := range []struct {
		in   string
		most int
		want string
	}{
		{"  a\tb\n\nc ", 9, "a b c"}, {"abcd", 4, "abcd"}, {"abcde", 4, "abc…"}, {"\u202eevil\u2069", 9, "evil"}, {"\xff\xfe", 9, ""}, {"Lærkespore שלום", 40, "Lærkespore שלום"}, {strings.Repeat("f", 64), 64, strings.Repeat("f", 64)}, {"", 0, ""},
	} {
		if got := plain(test.in, test.most); got != test.want {
			t.Errorf("%q: %q, want %q", test.in, got, test.want)
		}
	}
	for _, test := range []struct {
		x    float64
		n    int
		want string
	}{{-.001, 1, "0.0"}, {-12.34, 1, "−12.3"}, {1e300, 2, "1e+300"}, {59.96, 0, "60"}} {
		if got := digits(test.x, test.n); got != test.want {
			t.Errorf("%g: %q, want %q", test.x, got, test.want)
		}
	}
	if got := number(nil, 1); got != "–" {
		t.Error(got)
	}
	if got := compass(-10) + compass(359) + compass(191.26) + compass(math.NaN()); got != "NNSSW?" {
		t.Error(got)
	}
}

// numbers of a list of points.
func points(t *testing.T, text string) (list [][2]float64) {
	t.Helper()
	for pair := range strings.FieldsSeq(text) {
		var p [2]float64
		if _, err := fmt.Sscanf(pair, "%f,%f", &p[0], &p[1]); err != nil {
			t.Fatalf("%q: %v", pair, err)
		}
		list = append(list, p)
	}
	return list
}

func scan(t *testing.T, text string) (x float64) {
	t.Helper()
	if _, err := fmt.Sscan(text, &x); err != nil {
		t.Fatalf("%q: %v", text, err)
	}
	return x
}

// Distances and directions on the map are those on the sphere: every vertex of the
// path lies as far from the site, and in the direction, as great circles say, to 1 %
// (the scale's line gives the size of a kilometre).
func TestMapIsToScale(t *testing.T) {
	s := storm(t)
	site := s.Programme.Site("saddlehorn")
	a := s.Scores["saddlehorn"]
	fig := newMapFigure(&a, site, s.Programme.TargetsOf(site))
	var km float64
	if _, err := fmt.Sscanf(fig.ScaleText, "%f km", &km); err != nil {
		t.Fatal(err)
	}
	pxPerKM := (scan(t, fig.ScaleX) - 14) / km
	siteX, siteY := scan(t, fig.Site.X), scan(t, fig.Site.Y)
	vertices := points(t, fig.Path)
	if len(vertices) != len(a.Path) {
		t.Fatalf("%d vertices of %d steps", len(vertices), len(a.Path))
	}
	check := func(what string, x, y float64, place grid.LatLon) {
		t.Helper()
		wantKM, wantDeg := grid.DistanceM(site.Place(), place)/1000, grid.AzimuthDeg(site.Place(), place)
		gotKM, gotDeg := math.Hypot(x-siteX, y-siteY)/pxPerKM, math.Mod(math.Atan2(x-siteX, siteY-y)*180/math.Pi+360, 360)
		if math.Abs(gotKM-wantKM) > .01*wantKM+.1 || wantKM > 3 && math.Abs(gotDeg-wantDeg) > 1.5 {
			t.Errorf("%s: %.1f km at %.0f°, want %.1f km at %.0f°", what, gotKM, gotDeg, wantKM, wantDeg)
		}
	}
	for k := range vertices {
		check(fmt.Sprint("step ", k), vertices[k][0], vertices[k][1], at(a.Path[k]))
	}
	e := a.Transport.Landing
	check("landing", scan(t, fig.Landing.X), scan(t, fig.Landing.Y), grid.LatLon{LatitudeDeg: e.LatitudeDeg, LongitudeDeg: e.LongitudeDeg})
	// Everything is on the sheet, and the hole of the target is drawn.
	for _, p := range slices.Concat(vertices, points(t, fig.Ellipse)) {
		if p[0] < 0 || p[0] > mapSize || p[1] < 0 || p[1] > mapSize {
			t.Errorf("%v is beside the sheet", p)
		}
	}
	if n := strings.Count(fig.Targets[0].Path, "Z"); n != 2 {
		t.Errorf("%d rings of the target, want 2", n)
	}
	if !strings.Contains(fig.Description, fmt.Sprintf("%.0f km ENE", e.DistanceM/1000)) {
		t.Error(fig.Description)
	}
}

// The corridor is as wide as the spread says: the standard distance over root two to
// each side.
func TestCorridorWidth(t *testing.T) {
	line := corridorKM(3, func(k int) (float64, float64) { return float64(k), 0 }, []float64{math.Sqrt2, math.Sqrt2, math.Sqrt2}, func(e, n float64) [2]float64 { return [2]float64{e, n} })
	want := [][2]float64{{0, 1}, {1, 1}, {2, 1}, {2, -1}, {1, -1}, {0, -1}}
	for k := range want {
		if math.Hypot(line[k][0]-want[k][0], line[k][1]-want[k][1]) > 1e-12 {
			t.Fatalf("%v, want %v", line, want)
		}
	}
}

// The section reads back: x is distance along the path, y altitude, on the axes'
// own numbers; the ground is altitude less height.
func TestSectionIsToScale(t *testing.T) {
	s := storm(t)
	site := s.Programme.Site("saddlehorn")
	a := s.Scores["saddlehorn"]
	fig := newSectionFigure(&a, s.Programme.TargetsOf(site))
	axisOf := func(list []figureTick) func(float64) float64 {
		first, last := list[0], list[len(list)-1]
		p0, p1, v0, v1 := scan(t, first.At), scan(t, last.At), scan(t, first.Text), scan(t, last.Text)
		return func(p float64) float64 { return v0 + (p-p0)/(p1-p0)*(v1-v0) }
	}
	kmAt, altitudeAt := axisOf(fig.X), axisOf(fig.Y)
	path, ground := points(t, fig.Path), points(t, fig.Ground)
	ground = ground[1 : len(ground)-1]
	km := 0.
	for k, step := range a.Path {
		if k > 0 {
			km += grid.DistanceM(at(a.Path[k-1]), at(step)) / 1000
		}
		if math.Abs(kmAt(path[k][0])-km) > .05 || math.Abs(altitudeAt(path[k][1])-step.AltitudeM) > 6 || math.Abs(altitudeAt(ground[k][1])-(step.AltitudeM-step.HeightM)) > 6 {
			t.Errorf("step %d: %.2f km, %.0f m over %.0f m; want %.2f km, %.0f m over %.0f m", k, kmAt(path[k][0]), altitudeAt(path[k][1]), altitudeAt(ground[k][1]), km, step.AltitudeM, step.AltitudeM-step.HeightM)
		}
	}
	for k, want := range []struct {
		text      string
		altitudeM float64
	}{{"0 °C", 1580}, {"−6 °C", 2210}, {"−10 °C", 2830}, {"−15 °C", 3600}} {
		if got := fig.Isotherms[k]; got.Text != want.text || math.Abs(altitudeAt(scan(t, got.Y))-want.altitudeM) > 6 {
			t.Errorf("isotherm %d: %s at %.0f m, want %s at %.0f m", k, got.Text, altitudeAt(scan(t, got.Y)), want.text, want.altitudeM)
		}
	}
	if got := altitudeAt(scan(t, fig.Beam.Y)); math.Abs(got-2900) > 6 {
		t.Errorf("beam at %.0f m", got)
	}
	if got, want := kmAt(scan(t, fig.Activation.X)), grid.DistanceM(at(a.Path[0]), at(a.Path[18]))/1000; math.Abs(got-want) > .2 {
		t.Errorf("activation at %.1f km, want %.1f", got, want)
	}
	if len(fig.Targets) != 1 || fig.Targets[0].Name != "Upper Larkspur basin" || len(fig.Wet) != 1 {
		t.Errorf("%+v, %d wet", fig.Targets, len(fig.Wet))
	}
	// The wet part is where the message has liquid of 0.02 g/m3 and more.
	wet := points(t, fig.Wet[0])
	n := 0
	for _, step := range a.Path {
		if *step.LiquidKgPerM3 >= .02e-3 {
			n++
		}
	}
	if len(wet) != n {
		t.Errorf("%d wet steps, want %d", len(wet), n)
	}
}

// The outlook's bars lie at their times and are as high as their scores.
func TestOutlookFigureIsToScale(t *testing.T) {
	s := storm(t)
	o := s.Outlooks["saddlehorn"]
	fig := newOutlookFigure(&o, 60, newFace(invented.Night, s.Programme.Location))
	zero, hundred := scan(t, fig.Scale[0].At), scan(t, fig.Scale[2].At)
	if len(fig.Bars) != len(o.Releases) {
		t.Fatalf("%d bars of %d releases", len(fig.Bars), len(o.Releases))
	}
	left, right := scan(t, fig.Left), scan(t, fig.Right)
	from, to := o.From.Add(-450*time.Second), o.To.Add(450*time.Second) // half of a quarter of an hour
	x := func(at time.Time) float64 { return left + (right-left)*at.Sub(from).Seconds()/to.Sub(from).Seconds() }
	for k, r := range o.Releases {
		b := fig.Bars[k]
		middle := scan(t, b.X) + scan(t, b.W)/2
		if math.Abs(middle-x(r.ReleaseTime)) > .3 {
			t.Errorf("bar %d at %.1f, want %.1f", k, middle, x(r.ReleaseTime))
		}
		wantClass, wantHigh := string(r.State), zero-hundred
		if r.State == seedability.StateQuiet || r.State == seedability.StateWindow {
			wantHigh = math.Max(*r.Score/100*(zero-hundred), 1)
		}
		if b.Class != wantClass || math.Abs(scan(t, b.H)-wantHigh) > .1 || math.Abs(scan(t, b.Y)+scan(t, b.H)-zero) > .11 {
			t.Errorf("bar %d: %+v, want %s of %.1f", k, b, wantClass, wantHigh)
		}
	}
	w := o.Windows[0]
	if got := fig.Windows[0]; math.Abs(scan(t, got.X)-x(w.Start)) > .1 || math.Abs(scan(t, got.W)-(x(w.End)-x(w.Start))) > .2 || math.Abs(scan(t, got.Best)-x(w.Best)) > .1 {
		t.Errorf("window %+v", got)
	}
	if math.Abs(scan(t, fig.Limit)-(zero-.6*(zero-hundred))) > .1 || math.Abs(scan(t, fig.Now)-x(invented.Night)) > .1 {
		t.Errorf("limit at %s, now at %s", fig.Limit, fig.Now)
	}
	if fig.Ticks[0].Text != "Wed 14" || !fig.Ticks[0].Day || fig.Ticks[0].UTC != "07" {
		t.Errorf("first tick %+v", fig.Ticks[0])
	}
}

// Days on which clocks change have their hours once, none or twice.
func TestTicksWhenClocksChange(t *testing.T) {
	zone, err := time.LoadLocation("America/Boise")
	if err != nil {
		t.Fatal(err)
	}
	// Daylight time begins on the second Sunday of March and ends on the first of
	// November at 2:00 (15 U.S.C. 260a).
	for _, test := range []struct {
		from time.Time
		want string
	}{
		{time.Date(2026, 3, 8, 7, 0, 0, 0, time.UTC), "Sun 8 01 03 04 05 06 07"},
		{time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC), "Sun 1 01 01 02 03 04 05"},
	} {
		var got []string
		for _, tick := range ticks(test.from, test.from.Add(6*time.Hour), zone, func(at time.Time) float64 { return at.Sub(test.from).Hours() }) {
			got = append(got, tick.Text)
		}
		if strings.Join(got, " ") != test.want {
			t.Errorf("%s: %v, want %s", test.from, got, test.want)
		}
	}
	kolkata, err := time.LoadLocation("Asia/Kolkata") // UTC+05:30
	if err != nil {
		t.Fatal(err)
	}
	from := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	if got := ticks(from, from.Add(time.Hour), kolkata, func(time.Time) float64 { return 0 }); len(got) != 1 || got[0].Text != "06" || got[0].UTC != "00:30" {
		t.Errorf("%+v", got)
	}
}

// Pages lead back by as many steps as their path has.
func TestRoot(t *testing.T) {
	for path, want := range map[string]string{"/": "", "/ack": "", "/dale/": "../", "/dale/hut": "../", "/dale/sites/hut": "../../", "": "", strings.Repeat("/", 1000): strings.Repeat("../", 10)} {
		if got := Root(path); got != want {
			t.Errorf("%.20q: %q, want %q", path, got, want)
		}
	}
}

// The sign of an alert is never better than its news.
func TestSignOfAlert(t *testing.T) {
	held := []alert.SiteRef{{ID: "hut", Held: "river"}}
	for _, test := range []struct {
		a    alert.Alert
		want sign
	}{
		{alert.Alert{Kind: alert.HoldRaised, Level: "held"}, sign{"hold", "hold"}},
		{alert.Alert{Kind: alert.HoldRaised, Level: "unknown"}, sign{"hold", "hold"}},
		{alert.Alert{Kind: alert.HoldRaised, Level: "review"}, sign{"review", "review"}},
		{alert.Alert{Kind: alert.HoldLifted, Change: alert.ChangeOver}, sign{"clear", "lifted"}},
		{alert.Alert{Kind: alert.HoldLifted, Change: alert.ChangeOver, Sites: held}, sign{"hold", "still held"}},
		{alert.Alert{Kind: alert.HoldLifted, Change: alert.ChangeLowered}, sign{"review", "review"}},
		{alert.Alert{Kind: alert.WindowOpen}, sign{"window", "window"}},
		{alert.Alert{Kind: alert.WindowAhead}, sign{"building", "ahead"}},
		{alert.Alert{Kind: alert.WindowAhead, Change: alert.ChangeOver}, sign{"quiet", "over"}},
		{alert.Alert{Kind: alert.WindowClosing}, sign{"review", "closing"}},
		{alert.Alert{Kind: alert.WindowClosing, Change: alert.ChangeOver}, sign{"quiet", "over"}},
		{alert.Alert{Kind: alert.ProgrammeBlind}, sign{"blind", "blind"}},
		{alert.Alert{Kind: alert.ProgrammeBlind, Change: alert.ChangeOver}, sign{"clear", "over"}},
		{alert.Alert{Kind: alert.ServiceFault}, sign{"unknown", "fault"}},
		{alert.Alert{Kind: alert.InputsStale}, sign{"unknown", "fault"}},
		{alert.Alert{Kind: alert.WindowOpen, Change: alert.ChangeAcknowledged}, sign{"clear", "taken"}},
		{alert.Alert{Kind: "rumour"}, sign{"unknown", "fault"}},
	} {
		if got := alertSign(&test.a); got != test.want {
			t.Errorf("%s %s: %+v, want %+v", test.a.Kind, test.a.Change, got, test.want)
		}
	}
}
