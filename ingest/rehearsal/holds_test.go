package rehearsal_test

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/twpayne/go-geom"

	"rimeline/ingest/hydro"
	"rimeline/ingest/rehearsal"
)

// dutySite, dutyHold are what these tests ask of the programme file.
type dutySite struct {
	ID           string   `yaml:"id"`
	LatitudeDeg  float64  `yaml:"latitude_deg"`
	LongitudeDeg float64  `yaml:"longitude_deg"`
	Targets      []string `yaml:"targets"`
}

type dutyHold struct {
	ID                string   `yaml:"id"`
	Sites             []string `yaml:"sites"`
	Targets           []string `yaml:"targets"`
	Gauges            []string `yaml:"gauges"`
	HoldAbove         float64  `yaml:"hold_above"`
	Hysteresis        float64  `yaml:"hysteresis"`
	BatteryHoldBelowV float64  `yaml:"battery_hold_below_v"`
	ContactMinutes    float64  `yaml:"contact_minutes"`
	UnitsMinimum      float64  `yaml:"units_minimum"`
	MaximumAgeHours   float64  `yaml:"maximum_age_hours"`
	ClearMinutes      float64  `yaml:"clear_minutes"`
	Capacity          float64  `yaml:"capacity"`
	ReviewPercent     float64  `yaml:"review_percent"`
	FromTime          string   `yaml:"from_time"`
	ToTime            string   `yaml:"to_time"`
}

type dutyProgramme struct {
	Sites   []dutySite            `yaml:"sites"`
	Targets []struct{ ID string } `yaml:"targets"`
	Holds   []dutyHold            `yaml:"holds"`
	Inputs  []dutyInput           `yaml:"inputs"`
}

type dutyInput struct {
	Kind   string   `yaml:"kind"`
	Source string   `yaml:"source"`
	URL    string   `yaml:"url"`
	Gauges []string `yaml:"gauges"`
	Areas  []string `yaml:"areas"`
	Table  struct {
		hydro.Mapping `yaml:",inline"`
		TimeZone      string `yaml:"time_zone"`
	} `yaml:"table"`
	Telemetry hydro.TelemetryMapping `yaml:"telemetry"`
}

func duty(t *testing.T) (p dutyProgramme, holds map[string]dutyHold) {
	t.Helper()
	if err := yaml.Unmarshal(rehearsal.ProgrammeDutyYAML(), &p); err != nil {
		t.Fatal(err)
	}
	holds = map[string]dutyHold{}
	for _, h := range p.Holds {
		holds[h.ID] = h
	}
	return p, holds
}

// suspended are the criteria that suspend a site for some of its targets at a time.
func suspended(stretches []rehearsal.HeldStretch, site string, targets []string, at time.Time) (held []string) {
	for _, h := range stretches {
		if slices.Contains(h.Sites, site) && slices.ContainsFunc(targets, func(id string) bool { return slices.Contains(h.Targets, id) }) && !at.Before(h.From) && at.Before(h.To) {
			held = append(held, h.Criterion)
		}
	}
	slices.Sort(held)
	return slices.Compact(held)
}

// Every minute all pages are asked and read by the program's decoders, and each
// criterion is judged in the plainest way by the numbers of the programme file: that
// is what Holds says from the storm's formulas. In the outage what was known before
// counts, and after a while the list of warnings does not.
func TestHoldsAgainstThePages(t *testing.T) {
	if testing.Short() {
		t.Skip("every minute of eight hours")
	}
	for _, seed := range []int64{1, 5} {
		f := followScenario(t, rehearsal.NewScenario(start, seed), pageSources...)
		s := f.scenario
		p, holds := duty(t)
		stretches := s.Holds()
		targetsOf := map[string][]string{}
		for _, site := range p.Sites {
			if targetsOf[site.ID] = site.Targets; site.Targets == nil {
				for _, target := range p.Targets {
					targetsOf[site.ID] = append(targetsOf[site.ID], target.ID)
				}
			}
		}
		var known map[string]content
		var asked time.Time
		stageHeld := false
		differs := map[string]int{}
		for now := s.Start(); now.Before(s.End()); now = now.Add(time.Minute) {
			if all, ok := f.pages(now, "usgs-iv", "nwps-gauge", "nws-alerts", "gauge-table", "telemetry-json"); ok {
				known, asked = all, now
			}
			minorM := *known["nwps-gauge"].gauge.Stage.Minor
			river := known["nwps-gauge"].gauge.Observed.StageM >= minorM || known["nwps-gauge"].gauge.Forecast.StageM >= minorM
			newest, _ := seriesOf(t, known["usgs-iv"].series, hydro.RiverStage, true).Latest()
			limitFt := holds["sallow-stage"].HoldAbove
			stageHeld = newest.Value/metresPerFoot >= limitFt-1e-9 || stageHeld && newest.Value/metresPerFoot >= limitFt-holds["sallow-stage"].Hysteresis-1e-9
			warned := slices.ContainsFunc(hydro.Current(known["nws-alerts"].warnings, now), func(w hydro.Warning) bool {
				i := w.Infos[0]
				return i.Event == "Flash Flood Warning" && slices.ContainsFunc(ring(t, w), func(c geom.Coord) bool { return inside(sallowFork, c) })
			})
			old := now.Sub(asked).Hours() > holds["public-warnings"].MaximumAgeHours
			storage, _ := seriesOf(t, known["gauge-table"].series, hydro.ReservoirStorage, true).Latest()
			if full := 100 * storage.Value / m3PerAcreFoot / holds["tallow-reservoir"].Capacity; full < holds["tallow-reservoir"].ReviewPercent || full >= 95 {
				t.Errorf("the reservoir is %.1f %% full: it must call for a look and not suspend", full)
			}
			for _, r := range known["telemetry-json"].sites {
				var want []string
				if ready := holds["site-ready"]; now.Sub(r.LastContact).Minutes() > ready.ContactMinutes || r.BatteryV <= ready.BatteryHoldBelowV || r.UnitsLeft < ready.UnitsMinimum {
					want = append(want, "site-ready")
				}
				if old || warned && slices.Contains(targetsOf[r.Site], "sallow-fork") {
					want = append(want, "public-warnings")
				}
				for id, is := range map[string]bool{"sallow-river": river, "sallow-stage": stageHeld} {
					if is && slices.Contains(holds[id].Sites, r.Site) && slices.ContainsFunc(targetsOf[r.Site], func(target string) bool { return slices.Contains(holds[id].Targets, target) }) {
						want = append(want, id)
					}
				}
				slices.Sort(want)
				got := slices.DeleteFunc(suspended(stretches, r.Site, targetsOf[r.Site], now), func(id string) bool { return id == "heavy-precipitation" })
				if !slices.Equal(got, want) {
					if differs[r.Site]++; differs[r.Site] > 2 {
						t.Errorf("seed %d, %s after %v: in truth %v, by the pages %v", seed, r.Site, now.Sub(s.Start()), got, want)
					}
				}
			}
		}
	}
}

// What suspends when, as designed around the windows of the good bands, which open
// from 152 to 310 minutes after the start: every stretch with its minutes, and who is
// left free in which band.
func TestHoldsOfTheStorm(t *testing.T) {
	for _, seed := range []int64{1, 2, 77} {
		s := rehearsal.NewScenario(start, seed)
		minutes := func(at time.Time) float64 { return at.Sub(s.Start()).Minutes() }
		var got []string
		stretches := s.Holds()
		for _, h := range stretches {
			if h.Why == "" || !h.To.After(h.From) || h.ClearAfter <= 0 {
				t.Errorf("%+v", h)
			}
			got = append(got, fmt.Sprintf("%s %s %v", h.Criterion, strings.Join(h.Sites, " "), h.Unknown))
		}
		south, all := "cold-anvil three-kilns salt-lantern", "marrow-flat cold-anvil quillback three-kilns hobnail salt-lantern"
		want := []string{"site-ready three-kilns false", "public-warnings marrow-flat cold-anvil quillback three-kilns salt-lantern false", "sallow-river " + south + " false",
			"public-warnings " + all + " true", "sallow-stage " + south + " false", "site-ready salt-lantern false",
			"heavy-precipitation " + all + " false", "heavy-precipitation " + all + " false"}
		if !slices.Equal(got, want) {
			t.Fatalf("seed %d: %s\nwant %s", seed, strings.Join(got, "\n"), strings.Join(want, "\n"))
		}
		for k, about := range [][2]float64{{50, 70}, {57.5, 127.5}, {79, 250}, {114, 122}, {157, 247}, {350, 480}, {439, 480}, {439, 480}} {
			h := stretches[k]
			if from, to := minutes(h.From), minutes(h.To); from < about[0]-8 || from > about[0]+16 || to < about[1]-5 || to > about[1]+16 {
				t.Errorf("seed %d: %s from %.0f to %.0f min, about %.0f to %.0f", seed, h.Criterion, from, to, about[0], about[1])
			}
		}
		// Windows by the truth of the rehearsal, in minutes: of the second and the third
		// band. Free means that nothing suspends but what lifts more than five minutes
		// before the window opens.
		opens := map[string][2][2]float64{"marrow-flat": {{152, 222}, {266, 347}}, "cold-anvil": {{163, 233}, {277, 357}}, "quillback": {{170, 242}, {284, 366}},
			"three-kilns": {{184, 250}, {298, 375}}, "hobnail": {{191, 256}, {305, 381}}, "salt-lantern": {{196, 262}, {310, 387}}}
		if seed == 1 {
			t.Log(timetable(s, opens))
		}
		for site, windows := range opens {
			for band, w := range windows {
				heldMinutes := 0.0
				for m := w[0]; m < w[1]; m++ {
					for _, h := range stretches {
						if slices.Contains(h.Sites, site) && m >= minutes(h.From) && m < minutes(h.To)+h.ClearAfter.Minutes()+5 {
							heldMinutes++
							break
						}
					}
				}
				wantHeld := 0.0
				switch {
				case band == 0 && strings.Contains(south, site):
					wantHeld = w[1] - w[0] // the river
				case band == 1 && site == "salt-lantern":
					wantHeld = w[1] - 350 // the battery
				}
				if heldMinutes < wantHeld-6 || heldMinutes > wantHeld+6 {
					t.Errorf("seed %d: %s is suspended for %.0f min of its window in band %d, want %.0f", seed, site, heldMinutes, band+2, wantHeld)
				}
			}
		}
	}
}

// timetable draws each site in columns of ten minutes, for the eye: W a window that
// nothing suspends, h suspended, H suspended within a window, ? cannot be judged.
func timetable(s *rehearsal.Scenario, windows map[string][2][2]float64) string {
	var b strings.Builder
	stretches := s.Holds()
	b.WriteString("\nhour          ")
	for hour := range 8 {
		fmt.Fprintf(&b, "%-6d", hour)
	}
	for _, site := range s.CrewSites() {
		fmt.Fprintf(&b, "\n%-14s", site.ID)
		for m := 5.0; m < 480; m += 10 {
			at := s.Start().Add(time.Duration(m) * time.Minute)
			mark := byte('.')
			for _, w := range windows[site.ID] {
				if m >= w[0] && m < w[1] {
					mark = 'W'
				}
			}
			unknown, held := false, false
			for _, h := range stretches {
				if slices.Contains(h.Sites, site.ID) && !at.Before(h.From) && at.Before(h.To.Add(h.ClearAfter)) {
					unknown, held = unknown || h.Unknown, held || !h.Unknown
				}
			}
			switch {
			case held && mark == 'W':
				mark = 'H'
			case held:
				mark = 'h'
			case unknown:
				mark = '?'
			}
			b.WriteByte(mark)
		}
	}
	return b.String()
}

// The hours of work suspend a storm of the night.
func TestHoldsByTheClock(t *testing.T) {
	s := rehearsal.NewScenario(time.Date(2026, 2, 3, 2, 0, 0, 0, time.UTC), 1) // 19:00 in the valley
	_, holds := duty(t)
	for _, h := range s.Holds() {
		if h.Criterion == "working-hours" {
			if from := h.From.Add(-7 * time.Hour).Format("15:04"); from != holds["working-hours"].ToTime || !h.To.Equal(s.End()) {
				t.Errorf("suspended from %s to %v", from, h.To)
			}
			return
		}
	}
	t.Error("nothing suspends after the hours of work")
}

// The programme with criteria is the other one, and more: the same sites, targets,
// agents and thresholds, so that the same windows open.
func TestDutyProgrammeIsTheProgrammeAndMore(t *testing.T) {
	var plain, full map[string]any
	if err := yaml.Unmarshal(rehearsal.ProgrammeYAML(), &plain); err != nil {
		t.Fatal(err)
	}
	if err := yaml.Unmarshal(rehearsal.ProgrammeDutyYAML(), &full); err != nil {
		t.Fatal(err)
	}
	strip := func(p map[string]any) map[string]any {
		for _, key := range []string{"manager", "holds", "alerts"} {
			delete(p, key)
		}
		for _, key := range []string{"sites", "targets"} {
			for _, one := range p[key].([]any) {
				delete(one.(map[string]any), "zones")
			}
		}
		p["inputs"] = slices.DeleteFunc(p["inputs"].([]any), func(one any) bool {
			return slices.Contains([]any{"gauge", "warnings", "telemetry"}, one.(map[string]any)["kind"])
		})
		return p
	}
	if a, b := strip(plain), strip(full); !reflect.DeepEqual(a, b) {
		t.Errorf("with criteria:\n%v\nwithout:\n%v", b, a)
	}
	p, holds := duty(t)
	s := rehearsal.NewScenario(start, 1)
	for k, site := range s.CrewSites() {
		if p.Sites[k].ID != site.ID || p.Sites[k].LatitudeDeg != site.Place.LatitudeDeg || p.Sites[k].LongitudeDeg != site.Place.LongitudeDeg {
			t.Errorf("site %+v, in the programme file %+v", site, p.Sites[k])
		}
	}
	for _, h := range s.Holds() {
		if in := holds[h.Criterion]; in.ID == "" || in.ClearMinutes != h.ClearAfter.Minutes() || in.Sites != nil && !slices.Equal(in.Sites, h.Sites) || in.Targets != nil && !slices.Equal(in.Targets, h.Targets) {
			t.Errorf("%+v, in the programme file %+v", h, in)
		}
	}
	// The inputs are read as these tests read the pages.
	asked := map[string]bool{}
	for _, in := range p.Inputs {
		if !slices.Contains(pageSources, in.Source) {
			continue
		}
		asked[in.Source] = true
		need := follow(t, in.Source).needs[in.Source]
		if in.URL != need.URL || !slices.Equal(in.Areas, need.Areas) || need.Stations != nil && !slices.Equal(in.Gauges, need.Stations) {
			t.Errorf("%+v, the tests ask for %+v", in, need)
		}
		switch in.Source {
		case "gauge-table":
			got := in.Table.Mapping
			got.Zone = in.Table.TimeZone // so it is called in programme files
			for k := range got.Values {
				if got.Values[k].Quantity == "storage" { // and so this
					got.Values[k].Quantity = hydro.ReservoirStorage
				}
			}
			if !reflect.DeepEqual(got, tableMapping) {
				t.Errorf("table %+v, the tests read %+v", got, tableMapping)
			}
		case "telemetry-json":
			if !reflect.DeepEqual(in.Telemetry, crewMapping) {
				t.Errorf("telemetry %+v, the tests read %+v", in.Telemetry, crewMapping)
			}
		}
	}
	if len(asked) != len(pageSources) {
		t.Errorf("the programme asks for %v, the storm has %v", asked, pageSources)
	}
	if g := s.RiverGauge(); holds["sallow-river"].Gauges[0] != g.LID || holds["sallow-stage"].Gauges[0] != g.USGS || holds["sallow-stage"].HoldAbove != g.MinorFt ||
		holds["tallow-reservoir"].Gauges[0] != s.Reservoir().ID || holds["tallow-reservoir"].Capacity != s.Reservoir().CapacityAcreFt {
		t.Error("gauges of the programme file are not those of the storm")
	}
}
