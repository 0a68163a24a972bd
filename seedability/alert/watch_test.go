package alert

import (
	"context"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/seedability"
)

func TestDeadman(t *testing.T) {
	d := &Deadman{Programme: Programme{ID: "watch", Name: "Watch"}, Routes: []string{"desk"}}
	beat := func(worker string, when time.Time) *Beat {
		return &Beat{Worker: worker, Roles: []string{"assess"}, Time: when, State: HealthOK}
	}
	var got []string
	var s DeadmanState
	step := func(b *Beat, now time.Time) {
		next, alerts := d.Step(s, b, now)
		raw, err := json.Marshal(next) // through a restart each time
		if err != nil {
			t.Fatal(err)
		}
		s = DeadmanState{}
		if err := json.Unmarshal(raw, &s); err != nil {
			t.Fatal(err)
		}
		for _, a := range alerts {
			got = append(got, fmt.Sprintf("%s %s %s %s", a.Raised.Format("15:04:05"), a.Change, a.Severity, a.Subject))
			if err := checkMessage(Text(a, denver), false); err != nil {
				t.Error(err)
			}
		}
	}
	for m := range 100 {
		for _, sec := range []int{0, 30} {
			now := at(0, m).Add(time.Duration(sec) * time.Second)
			var b *Beat
			switch {
			case m < 10 && sec == 0:
				b = beat("one", now)
			case m < 20 && m > 0 && sec == 30 || m >= 65:
				b = beat("two", now)
			case m == 40: // replayed from a store: no sign of life
				b = beat("two", at(0, 5))
			case m == 90 && sec == 0:
				b = beat("one", now)
			}
			step(b, now)
		}
	}
	compare(t, got, []string{
		"06:12:00 new moderate worker one",             // three minutes after 06:09
		"06:22:30 new severe the service is silent",    // three minutes after 06:19:30
		"06:52:30 repeat severe the service is silent", //
		"07:05:00 over minor the service",              // two is back
	})
	// A service that was never heard.
	s, got = DeadmanState{}, nil
	for m := range 5 {
		step(nil, at(0, m))
	}
	compare(t, got, []string{"06:03:00 new severe the service is silent"})
	// Many workers do not fill the memory.
	for k := range 3 * maxWorkers {
		s, _ = d.Step(s, beat(fmt.Sprint(k), at(1, 0)), at(1, 0))
	}
	if len(s.Workers) > maxWorkers {
		t.Errorf("%d workers are remembered", len(s.Workers))
	}
}

func TestDeadmanWatch(t *testing.T) {
	clock := newFastClock()
	d := &Deadman{Programme: Programme{ID: "watch"}}
	beats := make(chan Beat)
	var mutex sync.Mutex
	var got []Change
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan error)
	go func() {
		done <- d.Watch(ctx, clock, beats, func(a Alert) { mutex.Lock(); defer mutex.Unlock(); got = append(got, a.Change) })
	}()
	beats <- Beat{Worker: "one", Time: clock.Now()}
	has := func(n int) func() bool {
		return func() bool { mutex.Lock(); defer mutex.Unlock(); return len(got) >= n }
	}
	eventually(t, "silence is told", has(1))
	beats <- Beat{Worker: "one", Time: clock.Now()}
	eventually(t, "its end is told", has(2))
	close(beats)
	eventually(t, "silence is told again", has(3))
	cancel()
	if err := <-done; err != context.Canceled {
		t.Error(err)
	}
	if got[0] != ChangeNew || got[1] != ChangeOver || got[2] != ChangeNew {
		t.Errorf("told %v", got)
	}
}

func unlimited() AdviceSite {
	n := math.NaN()
	return AdviceSite{ID: "saddlehorn", AmountG: 16, BurnFor: 4 * time.Minute, UnitsLeft: -1, UnitsAtOnce: 1, DayLimitG: n, SeasonLimitG: n, SiteDayLimitG: n, SiteSeasonLimitG: n}
}

func TestAdvise(t *testing.T) {
	w := window(at(4, 0), at(4, 40), at(6, 0))
	assess := func(dose float64) seedability.Assessment {
		a := seedability.Assessment{Programme: "larkspur", Site: seedability.SiteRef{ID: "saddlehorn"}, State: seedability.StateWindow, Dose: seedability.Dose{Reason: "by the table"}}
		if dose > 0 {
			a.Dose.CrystalsPerLitre = &dose
		}
		return a
	}
	for _, test := range []struct {
		name       string
		dose       float64
		change     func(*AdviceSite)
		start, end time.Time
		spacing    float64
		units      int
		grams      float64
		perLitre   float64
	}{
		// 120 min, burns of 4: floor(116/4)+1 = 30 one after another.
		{"enough", 20, nil, at(4, 0), at(6, 0), 240, 30, 480, 20},
		// 100 per litre: sqrt(10*100) = 31.6, spacing 4*100/31.6 = 12.6, to the minute 13; floor(116/13)+1 = 9.
		{"strong", 100, nil, at(4, 0), at(5, 48), 780, 9, 144, 100 * 4. / 13},
		// 1000 per litre would need 126 min: 30 at most.
		{"far too strong", 1000, nil, at(4, 0), at(5, 34), 1800, 4, 64, 1000 * 4. / 30},
		// 4 per litre: ceil(10/4) = 3 together.
		{"weak", 4, func(s *AdviceSite) { s.UnitsAtOnce = 5 }, at(4, 0), at(6, 0), 240, 90, 1440, 12},
		{"weak, two together at most", 4, func(s *AdviceSite) { s.UnitsAtOnce = 2 }, at(4, 0), at(6, 0), 240, 60, 960, 8},
		{"dose not known", 0, nil, at(4, 0), at(6, 0), 240, 30, 480, 0},
		// 100 g a day, 20 used: floor(80/16) = 5, about 4:40: from the 8th, 4:32 to 4:52.
		{"daily limit", 20, func(s *AdviceSite) { s.DayLimitG, s.Used.DayG = 100, 20 }, at(4, 32), at(4, 52), 240, 5, 80, 20},
		{"units left", 20, func(s *AdviceSite) { s.UnitsLeft = 3 }, at(4, 36), at(4, 48), 240, 3, 48, 20},
		{"season of the site", 20, func(s *AdviceSite) {
			s.SiteSeasonLimitG, s.Used.SiteSeasonG = 50, map[string]float64{"saddlehorn": 30, "other": 500}
		}, at(4, 40), at(4, 44), 240, 1, 16, 20},
		{"the least of several limits", 20, func(s *AdviceSite) { s.DayLimitG, s.SeasonLimitG, s.SiteDayLimitG = 40, 200, 500 }, at(4, 40), at(4, 48), 240, 2, 32, 20},
		{"nothing left", 20, func(s *AdviceSite) { s.DayLimitG, s.Used.DayG = 100, 90 }, time.Time{}, time.Time{}, 0, 0, 0, 0},
		{"no units", 20, func(s *AdviceSite) { s.UnitsLeft = 0 }, time.Time{}, time.Time{}, 0, 0, 0, 0},
		// A generator of 20 g/h burns through: 40 g; with 10 g left for 30 min about 4:40.
		{"generator", 20, func(s *AdviceSite) { s.AmountG, s.RateGPerS = 0, 20./3600 }, at(4, 0), at(6, 0), 0, 1, 40, 20},
		{"generator, limited", 20, func(s *AdviceSite) { s.AmountG, s.RateGPerS, s.DayLimitG = 0, 20./3600, 10 }, at(4, 25), at(4, 55), 0, 1, 10, 20},
	} {
		site := unlimited()
		if test.change != nil {
			test.change(&site)
		}
		v := Advise(site, w, assess(test.dose), nil, at(0, 0))
		perLitre := 0.
		if v.CrystalsPerLitre != nil {
			perLitre = *v.CrystalsPerLitre
		}
		if v.Withheld != (test.units == 0) || !v.ReleaseStart.Equal(test.start) || !v.ReleaseEnd.Equal(test.end) || v.SpacingS != test.spacing || v.Units != test.units ||
			math.Abs(v.GramsTotal-test.grams) > .02 || math.Abs(perLitre-test.perLitre) > 1e-9 {
			t.Errorf("%s: %+v, %.3g per litre, want %+v", test.name, v, perLitre, test)
		}
		if !strings.Contains(v.Caution, "Not a command") || len(v.Reasons) == 0 {
			t.Errorf("%s: no caution, or no reason: %+v", test.name, v)
		}
		if b, err := json.Marshal(v); err != nil {
			t.Errorf("%s: %v %s", test.name, err, b)
		}
	}
	// What stands against any release withholds everything.
	held, blind, elsewhere := assess(20), assess(20), assess(20)
	held.Standing = &seedability.Standing{State: seedability.StateHold}
	blind.State, elsewhere.Site.ID = seedability.StateBlind, "other"
	nothing := unlimited()
	nothing.AmountG = math.NaN()
	for name, v := range map[string]Advice{
		"a hold": Advise(unlimited(), w, assess(20), []string{"river"}, at(0, 0)), "held": Advise(unlimited(), w, held, nil, at(0, 0)),
		"blind": Advise(unlimited(), w, blind, nil, at(0, 0)), "another site": Advise(unlimited(), w, elsewhere, nil, at(0, 0)),
		"over": Advise(unlimited(), w, assess(20), nil, at(6, 0)), "no agent": Advise(nothing, w, assess(20), nil, at(0, 0)),
	} {
		if !v.Withheld || v.Units != 0 || v.GramsTotal != 0 || !v.ReleaseStart.IsZero() || len(v.Reasons) == 0 {
			t.Errorf("%s: %+v", name, v)
		}
	}
	// Never more than the limits, never outside of the window.
	for grams := 0.; grams < 600; grams += 7 {
		for dose := .01; dose < 1e5; dose *= 3 {
			site := unlimited()
			site.SeasonLimitG, site.UnitsAtOnce, site.UnitsLeft = grams, 4, 25
			v := Advise(site, w, assess(dose), nil, at(4, 10))
			if v.GramsTotal > grams || v.Units > 25 || v.Units > 0 && (v.ReleaseStart.Before(at(4, 10)) || v.ReleaseEnd.After(w.End)) {
				t.Fatalf("%g g, %g per litre: %+v", grams, dose, v)
			}
		}
	}
}

func aRelease() Release {
	return Release{ID: "r1", Who: "crew two", Programme: "larkspur", Site: "saddlehorn", Unit: "rack 2, flare 7", Start: at(4, 0), End: at(4, 4), Agent: "AgI flare", Grams: 16, Purpose: "seeding"}
}

func TestReleaseRecord(t *testing.T) {
	sites := []string{"saddlehorn", "quillback"}
	check := func(there []Release, r Release) (bool, error) {
		return CheckRelease(there, r, "larkspur", sites, at(5, 0))
	}
	if known, err := check(nil, aRelease()); err != nil || known {
		t.Fatal(known, err)
	}
	for name, change := range map[string]func(*Release){
		"no id": func(r *Release) { r.ID = "" }, "no who": func(r *Release) { r.Who = "" }, "who with a line": func(r *Release) { r.Who = "a\nb" },
		"programme": func(r *Release) { r.Programme = "x" }, "site": func(r *Release) { r.Site = "x" }, "end before start": func(r *Release) { r.End = r.Start },
		"future": func(r *Release) { r.Start, r.End = at(6, 0), at(6, 4) }, "no grams": func(r *Release) { r.Grams = 0 }, "negative": func(r *Release) { r.Grams = -1 },
		"nan": func(r *Release) { r.Grams = math.NaN() }, "too much": func(r *Release) { r.Grams = 1e6 }, "long": func(r *Release) { r.Start = r.End.Add(-200 * time.Hour) },
		"corrects nothing": func(r *Release) { r.Corrects = "nothing" }, "corrects itself": func(r *Release) { r.Corrects = "r1" }, "no agent": func(r *Release) { r.Agent = "" },
	} {
		r := aRelease()
		change(&r)
		if _, err := check(nil, r); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	one := aRelease()
	there := []Release{one}
	again := one
	again.At, again.Start = at(4, 30), one.Start.In(denver)
	if known, err := check(there, again); err != nil || !known {
		t.Errorf("the same again: %v %v", known, err)
	}
	again.Grams = 17
	if _, err := check(there, again); err == nil {
		t.Error("another amount under the same id is taken")
	}
	two := one
	two.ID, two.Corrects, two.Grams = "r2", "r1", 12
	if _, err := check(there, two); err != nil {
		t.Fatal(err)
	}
	there = append(there, two)
	fork := two
	fork.ID, fork.Grams = "r3", 13
	if _, err := check(there, fork); err == nil {
		t.Error("two corrections of one record are taken")
	}
	void := two
	void.ID, void.Corrects, void.Grams = "r4", "r2", 0
	if got := TotalsAt(there, at(5, 0), denver, time.November, 1); got.DayG != 12 || got.SiteSeasonG["saddlehorn"] != 12 {
		t.Errorf("totals %+v, want 12 g", got)
	}
	if _, err := check(there, void); err != nil {
		t.Fatal(err)
	}
	if got := InForce(append(there, void)); len(got) != 0 {
		t.Errorf("in force %+v after it was taken back", got)
	}
}

func TestTotals(t *testing.T) {
	// 23:00 to 01:00 MST, 40 g: half of it each day. Another one in the old season.
	night := aRelease()
	night.Start, night.End, night.Grams = at(24, 0), at(26, 0), 40
	old := aRelease()
	old.ID, old.Start, old.End = "old", time.Date(2025, 10, 31, 20, 0, 0, 0, time.UTC), time.Date(2025, 10, 31, 20, 4, 0, 0, time.UTC)
	all := []Release{night, old}
	for _, test := range []struct {
		when        time.Time
		day, season float64
	}{{at(24, 30), 20, 20}, {at(25, 30), 20, 40}, {at(60, 0), 0, 40}} {
		if got := TotalsAt(all, test.when, denver, time.November, 1); got.DayG != test.day || got.SeasonG != test.season {
			t.Errorf("%s: %+v, want %+v", test.when, got, test)
		}
	}
	// The day on which clocks go back has 25 hours: a release through all of it.
	long := aRelease()
	long.Start, long.End, long.Grams = time.Date(2026, 11, 1, 6, 0, 0, 0, time.UTC), time.Date(2026, 11, 2, 7, 0, 0, 0, time.UTC), 25
	if got := TotalsAt([]Release{long}, time.Date(2026, 11, 1, 18, 0, 0, 0, time.UTC), denver, time.November, 1); math.Abs(got.DayG-25) > 1e-9 {
		t.Errorf("%g g on a day of 25 hours, want 25", got.DayG)
	}
}

// The tags of the configuration state its defaults; Default must agree.
func TestConfigDefaultsAndDocs(t *testing.T) {
	var walk func(v reflect.Value, path string, values bool)
	walk = func(v reflect.Value, path string, values bool) {
		for i := range v.NumField() {
			f := v.Type().Field(i)
			tag := f.Tag
			if tag.Get("yaml") == "" || tag.Get("doc") == "" {
				t.Errorf("%s.%s has no key or no doc", path, f.Name)
			}
			if text, ok := tag.Lookup("default"); ok && values {
				if f.Type.Kind() == reflect.String {
					continue
				}
				want, err := strconv.ParseFloat(text, 64)
				got := v.Field(i).Convert(reflect.TypeFor[float64]()).Float()
				if err != nil || got != want {
					t.Errorf("%s.%s is %g, its tag says %s", path, f.Name, got, text)
				}
			}
			switch elem := f.Type; elem.Kind() {
			case reflect.Slice, reflect.Pointer:
				if elem.Elem().Kind() == reflect.Struct {
					walk(reflect.New(elem.Elem()).Elem(), path+"."+f.Name, false)
				}
			}
		}
	}
	walk(reflect.ValueOf(Default()), "alerts", true)
	walk(reflect.ValueOf(DefaultRule("r")), "rule", true)
}

func TestConfigCheck(t *testing.T) {
	good := func() Config {
		c := dutyConfig()
		c.Hosts = []string{"hooks.larkspur.example"}
		c.Routes = append(c.Routes, RouteSpec{ID: "mail", Kind: "email", Server: "mail.larkspur.example:587", Security: "starttls", From: "a@b.example", To: []string{"c@d.example"}, User: "u", PasswordEnv: "MAIL_PASSWORD"},
			RouteSpec{ID: "hook", Kind: "webhook", URL: "https://hooks.larkspur.example/x", SecretFile: "/etc/key"})
		c.Acknowledge = &Acknowledge{URL: "https://ack.larkspur.example/", SecretFile: "/etc/key"}
		return c
	}
	g := good()
	if problems := g.Check([]string{"saddlehorn"}); len(problems) > 0 {
		t.Fatal(problems)
	}
	for path, change := range map[string]func(*Config){
		"rules[0].routes[0]":  func(c *Config) { c.Rules[0].Routes = []string{"nowhere"} },
		"rules[0].kinds[0]":   func(c *Config) { c.Rules[0].Kinds = []string{"window"} },
		"rules[0].sites[0]":   func(c *Config) { c.Rules[0].Sites = []string{"nowhere"} },
		"rules[0].quiet_from": func(c *Config) { c.Rules[0].QuietFrom, c.Rules[0].QuietTo = "24:00", "06:00" },
		"rules[0]":            func(c *Config) { c.Rules[0].QuietFrom = "22:00" },
		"rules[0].escalation[1].after_minutes": func(c *Config) {
			c.Rules[0].Escalation = append(c.Rules[0].Escalation, Step{AfterMinutes: 30, Routes: []string{"desk"}})
		},
		"routes[1].id":           func(c *Config) { c.Routes[1].ID = "desk" },
		"routes[0].command[0]":   func(c *Config) { c.Routes[0].Command = []string{"/bin/sh", "-c", "{short}"} },
		"routes[0].command[1]":   func(c *Config) { c.Routes[0].Command = []string{"/bin/true", "{secret}"} },
		"routes[2].security":     func(c *Config) { c.Routes[2].Security, c.Routes[2].User, c.Routes[2].PasswordEnv = "plain", "", "" },
		"routes[2].to[0]":        func(c *Config) { c.Routes[2].To = []string{"a@b.example\r\nBcc: x@y.example"} },
		"routes[2].from":         func(c *Config) { c.Routes[2].From = "nobody" },
		"routes[2].server":       func(c *Config) { c.Routes[2].Server = "mail" },
		"routes[2].password_env": func(c *Config) { c.Routes[2].PasswordEnv = "a=b" },
		"routes[2].url":          func(c *Config) { c.Routes[2].URL = "https://x.example" },
		"routes[3].url":          func(c *Config) { c.Routes[3].URL = "https://elsewhere.example/x" },
		"routes[3]":              func(c *Config) { c.Routes[3].SecretFile = "" },
		"sender":                 func(c *Config) { c.Sender = "a b" },
		"link":                   func(c *Config) { c.Link = "ftp://x.example" },
		"acknowledge.url":        func(c *Config) { c.Acknowledge.URL = "http://x.example" },
		"hosts[0]":               func(c *Config) { c.Hosts = []string{"hooks.larkspur.example/x", "hooks.larkspur.example"} },
	} {
		c := good()
		change(&c)
		problems := c.Check([]string{"saddlehorn"})
		if !slices.ContainsFunc(problems, func(p Problem) bool { return p.Path == path }) {
			t.Errorf("%s: %v", path, problems)
		}
		if _, err := New(c, larkspur); err == nil {
			t.Errorf("%s: an engine is made of it", path)
		}
	}
}

func ExampleText() {
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		panic(err)
	}
	a := Alert{Kind: HoldRaised, Change: ChangeNew, Level: "held", Subject: "flood stage", Sites: []SiteRef{{Name: "Saddlehorn"}},
		Raised: time.Date(2026, 1, 14, 10, 0, 0, 0, time.UTC), Reasons: []string{"Larkspur Creek at 3.2 m, flood stage is 3.0 m"}}
	m := Text(a, denver)
	fmt.Println(m.Subject)
	fmt.Println(m.Short)
	// Output:
	// HOLD, do not seed (flood stage): Saddlehorn
	// HOLD, do not seed (flood stage): Saddlehorn. Larkspur Creek at 3.2 m, flood stage is 3.0 m. Advice only: permit and operator decide.
}

// The lines are put together by hand from the numbers of TestAdvise.
func TestAdviceInALine(t *testing.T) {
	w := window(at(4, 0), at(4, 40), at(6, 0)) // 03:00 to 05:00 MST
	assess := func(dose float64) seedability.Assessment {
		return seedability.Assessment{Programme: "larkspur", Site: seedability.SiteRef{ID: "saddlehorn"}, State: seedability.StateWindow, Dose: seedability.Dose{CrystalsPerLitre: &dose}}
	}
	weak, generator, none := unlimited(), unlimited(), assess(20)
	weak.UnitsAtOnce = 5
	generator.AmountG, generator.RateGPerS = 0, 20./3600
	none.Dose.CrystalsPerLitre = nil
	last := unlimited()
	last.UnitsLeft = 1
	for want, v := range map[string]Advice{
		"Saddlehorn: 30 units, one every 4 min, 03:00-05:00 MST, 480 g, about 20 crystals per litre":         Advise(unlimited(), w, assess(20), nil, at(0, 0)),
		"Saddlehorn: 90 units, 3 together every 4 min, 03:00-05:00 MST, 1440 g, about 12 crystals per litre": Advise(weak, w, assess(4), nil, at(0, 0)),
		"Saddlehorn: lit 03:00-05:00 MST, 40 g, dose not known":                                              Advise(generator, w, none, nil, at(0, 0)),
		"Saddlehorn: 1 unit, 03:40-03:44 MST, 16 g, dose not known":                                          Advise(last, w, none, nil, at(0, 0)),
		"Saddlehorn: nothing. held: river":                                                                   Advise(unlimited(), w, assess(20), []string{"river"}, at(0, 0)),
	} {
		if got := v.Summary("Saddlehorn", denver); got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	}
	a := anAlert(t)
	a.Advice = []string{"Saddlehorn: nothing.\nSubject: \x1b[2Jheld"}
	for _, text := range []string{Text(a, denver).Body, func() string { xml, _ := CAP(a, larkspur, ""); return string(xml) }()} {
		if !strings.Contains(text, "Suggests: Saddlehorn: nothing. Subject: [2Jheld") {
			t.Errorf("no suggestion in\n%s", text)
		}
	}
}
