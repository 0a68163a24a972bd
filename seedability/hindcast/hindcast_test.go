package hindcast

import (
	"encoding/csv"
	"encoding/json"
	"math"
	"os"
	"strconv"
	"testing"
	"time"

	"rimeline/seedability"
)

// Against SciPy (testdata/README.md).
func TestWilson(t *testing.T) {
	f, err := os.Open("testdata/wilson.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) < 9 {
		t.Fatal(len(rows), err)
	}
	for _, row := range rows[1:] {
		k, _ := strconv.Atoi(row[0])
		n, _ := strconv.Atoi(row[1])
		low, _ := strconv.ParseFloat(row[2], 64)
		high, _ := strconv.ParseFloat(row[3], 64)
		if got := Wilson(k, n); math.Abs(float64(got.Low)-low) > 1e-12 || math.Abs(float64(got.High)-high) > 1e-12 {
			t.Errorf("%d of %d: %v, want %v to %v", k, n, got, low, high)
		}
	}
	if got := Wilson(0, 0); got.Known() || got.Why == "" {
		t.Errorf("nothing judged: %v", got)
	}
}

func number(x float64) *float64 { return &x }

// assessed has every component at one, and a window's score, before it is changed.
func assessed(change func(*seedability.Assessment, func(name string, input, value float64))) *seedability.Assessment {
	a := &seedability.Assessment{State: seedability.StateQuiet, Transport: seedability.Transport{ActivatedShare: 1, Fates: map[string]int{"landed": 100}}}
	for _, c := range seedability.DefaultCriteria() {
		weight := c.Weight
		a.Score.Components = append(a.Score.Components, seedability.Component{Name: c.Name, Input: number(-12), Value: number(1), Weight: weight, Factor: c.Factor})
	}
	a.Score.TargetProbability, a.Score.Opportunity, a.Score.Value = number(1), number(1), number(100)
	a.Liquid.Estimates = []seedability.LiquidEstimate{{KgPerM2: .2, AllKgPerM2: number(.3)}}
	set := func(name string, input, value float64) {
		for k := range a.Score.Components {
			if c := &a.Score.Components[k]; c.Name == name {
				c.Input, c.Value = number(input), number(value)
			}
		}
		o := 1.0
		for _, c := range a.Score.Components {
			o *= math.Pow(*c.Value, c.Weight)
		}
		a.Score.Opportunity = number(o)
	}
	change(a, set)
	return a
}

// By reasoning: each row is one thing that is wrong with a plume.
func TestLimits(t *testing.T) {
	type set = func(name string, input, value float64)
	for _, test := range []struct {
		what   string
		want   Limit
		change func(*seedability.Assessment, set)
	}{
		{"a dry sky", NoLiquid, func(a *seedability.Assessment, s set) {
			s(seedability.ComponentLiquid, 0, 0)
			s(seedability.ComponentTemperature, -9, 0)
			a.Liquid.Estimates = []seedability.LiquidEstimate{{KgPerM2: 0, AllKgPerM2: number(0)}}
			a.Transport.ActivatedShare, a.Transport.Fates = 0, map[string]int{"found no liquid": 100}
		}},
		{"liquid at -2 °C alone", TooWarm, func(a *seedability.Assessment, s set) {
			s(seedability.ComponentLiquid, 0, 0)
			s(seedability.ComponentTemperature, -2, 0)
			a.Liquid.Estimates = []seedability.LiquidEstimate{{KgPerM2: 0, AllKgPerM2: number(.2)}}
			a.Transport.ActivatedShare, a.Transport.Fates = 0, map[string]int{"stayed too warm": 100}
		}},
		{"liquid at -30 °C", TooCold, func(a *seedability.Assessment, s set) { s(seedability.ComponentTemperature, -30, 0) }},
		{"liquid above a plume that stays below", NoTransport, func(a *seedability.Assessment, s set) {
			s(seedability.ComponentTemperature, -3, 0)
			a.Transport.ActivatedShare, a.Transport.Fates = 0, map[string]int{"trapped": 60, "stayed too warm": 40}
		}},
		{"an inversion", NoTransport, func(a *seedability.Assessment, s set) {
			s(seedability.ComponentDelivery, 0, 0)
			a.Transport.Trapped = []string{"an inversion of 140 m"}
		}},
		{"a storm across the barrier", NoTransport, func(a *seedability.Assessment, s set) { s(seedability.ComponentCrossBarrierWind, 40, 0) }},
		{"a shallow cloud", Cloud, func(a *seedability.Assessment, s set) { s(seedability.ComponentCloudDepth, 100, 0) }},
		{"ice beside the target", NotInTarget, func(a *seedability.Assessment, s set) { a.Score.TargetProbability = number(0) }},
		{"little of everything, the target least", NotInTarget, func(a *seedability.Assessment, s set) {
			s(seedability.ComponentLiquid, .05, .5)
			a.Score.TargetProbability = number(.2)
		}},
		{"little of everything, the liquid least", NoLiquid, func(a *seedability.Assessment, s set) {
			s(seedability.ComponentLiquid, .025, .05)
			a.Score.TargetProbability = number(.8)
		}},
		{"a temperature that is hardly cold enough", TooWarm, func(a *seedability.Assessment, s set) { s(seedability.ComponentTemperature, -5.3, .1) }},
		{"one that is hardly warm enough", TooCold, func(a *seedability.Assessment, s set) { s(seedability.ComponentTemperature, -24, .1) }},
		{"few crystals", Dose, func(a *seedability.Assessment, s set) {
			a.Score.Opportunity, a.Score.Caps = number(.2), []seedability.Cap{{Limit: .2}}
		}},
	} {
		if got := LimitOf(assessed(test.change), seedability.DefaultCriteria()); got != test.want {
			t.Errorf("%s: %s, want %s", test.what, got, test.want)
		}
	}
}

// Counted by hand: two sites, from 31 January 22 UTC on (15:00 in Boise) for four
// days, hour by hour.
func TestClimatology(t *testing.T) {
	boise, err := time.LoadLocation("America/Boise")
	if err != nil {
		t.Fatal(err)
	}
	start := time.Date(2026, 1, 31, 22, 0, 0, 0, time.UTC)
	var hours []Hour
	for k := range 96 {
		at := start.Add(time.Duration(k) * time.Hour)
		h := Hour{Site: "a", Time: at, Outcome: Quiet, Limit: TooWarm, Score: number(20), OverSiteMM: number(0)}
		switch {
		case k < 6: // 31 January, 22 to 03 UTC: 15 to 20 local, all in January there
			h.Outcome, h.Limit, h.Score, h.OverSiteMM = Seedable, "", number(80), number(.1)
		case k < 8:
			h = Hour{Site: "a", Time: at, Outcome: Missing, Why: "no state"}
		case k == 90:
			h.Outcome, h.Limit, h.Why = Blind, "", "confidence"
		}
		hours = append(hours, h)
		other := Hour{Site: "b", Time: at, Outcome: Quiet, Limit: NoLiquid, Score: number(0)}
		if k == 6 || k == 7 {
			other = Hour{Site: "b", Time: at, Outcome: Missing, Why: "no state"}
		}
		hours = append(hours, other, Hour{Site: "unknown", Time: at, Outcome: Seedable})
	}
	c, err := Climatology([]Site{{"b", "B"}, {"a", "A"}}, hours, Options{Location: boise})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Sites) != 2 || c.Sites[0].Site != "a" || len(c.Months) != 4 || len(c.Calendar) != 0 {
		t.Fatalf("%d sites, %d months, %d calendar months", len(c.Sites), len(c.Months), len(c.Calendar))
	}
	all := c.Sites[0]
	if all.Asked != 96 || all.Judged != 93 || all.Seedable != 6 || all.Blind != 1 || all.Missing != 2 || all.Limits[TooWarm] != 87 || all.OverSite != 6 || all.OverSiteOf != 94 {
		t.Errorf("all of a: %+v", all)
	}
	if want := 6.0 / 93; math.Abs(float64(all.Share)-want) > 1e-12 {
		t.Errorf("share %v, want %v", all.Share, want)
	}
	if want := (6*80 + 87*20) / 93.0; math.Abs(float64(all.MeanScore)-want) > 1e-12 {
		t.Errorf("mean score %v, want %v", all.MeanScore, want)
	}
	// Storm days begin at 12 UTC: 31 January 12 UTC has 22 to 03 and 06 to 11 judged,
	// then come three whole ones and ten hours of a fifth.
	if all.StormDays != 5 || all.SeedableStormDays != 1 || all.ByDay.Known() || all.Few == "" {
		t.Errorf("storm days: %+v", all)
	}
	// In Boise January ends at 07 UTC of 1 February: 9 hours, two of them missing.
	january := c.Months[2]
	if january.Site != "a" || january.Month != "2026-01" || january.Asked != 9 || january.Judged != 7 || january.Seedable != 6 || january.Missing != 2 {
		t.Errorf("January of a: %+v", january)
	}
	if h := all.HoursOfDay[15]; h.Judged != 4 || h.Seedable != 1 {
		t.Errorf("15 local: %+v", h)
	}
	// Both sites lack the same hours, which are told once.
	if len(c.Reasons) != 2 || c.Reasons[0].Site != "" || c.Reasons[0].Hours != 2 || !c.Reasons[0].First.Equal(start.Add(6*time.Hour)) || !c.Reasons[0].Last.Equal(start.Add(7*time.Hour)) || c.Reasons[1].Outcome != Blind || c.Reasons[1].Site != "a" {
		t.Errorf("reasons: %+v", c.Reasons)
	}
	if _, err := json.Marshal(c); err != nil {
		t.Error(err)
	}
}

// Days are resampled: thirty days, half of them seedable from morning to evening, give
// an interval that is wider than Wilson's, which takes hours as independent. For days
// as units Wilson of 15 in 30 is 0.33 to 0.67.
func TestIntervalByStormDays(t *testing.T) {
	start := time.Date(2026, 1, 1, 12, 0, 0, 0, time.UTC)
	var hours []Hour
	for k := range 30 * 24 {
		h := Hour{Site: "a", Time: start.Add(time.Duration(k) * time.Hour), Outcome: Quiet, Limit: NoLiquid}
		if k/24%2 == 0 {
			h.Outcome = Seedable
		}
		hours = append(hours, h)
	}
	c, err := Climatology([]Site{{ID: "a"}}, hours, Options{})
	if err != nil {
		t.Fatal(err)
	}
	r := c.Sites[0]
	if !r.ByDay.Known() || r.Few != "" {
		t.Fatalf("%+v", r.ByDay)
	}
	days, hour := Wilson(15, 30), Wilson(360, 720)
	if math.Abs(float64(r.ByDay.Low-days.Low)) > .03 || math.Abs(float64(r.ByDay.High-days.High)) > .03 || r.ByDay.Low >= hour.Low || r.ByDay.High <= hour.High {
		t.Errorf("by days %v; Wilson of days %v, of hours %v", r.ByDay, days, hour)
	}
}

// Several years give the months of all of them together as well.
func TestCalendarMonths(t *testing.T) {
	var hours []Hour
	for _, year := range []int{2025, 2026} {
		for day := range 20 {
			hours = append(hours, Hour{Site: "a", Time: time.Date(year, 1, 1+day, 0, 0, 0, 0, time.UTC), Outcome: Seedable})
		}
	}
	c, err := Climatology([]Site{{ID: "a"}}, hours, Options{Every: 3 * time.Hour})
	if err != nil {
		t.Fatal(err)
	}
	if len(c.Months) != 2 || len(c.Calendar) != 1 || c.Calendar[0].Month != "01" || c.Calendar[0].Seedable != 120 || c.Months[1].Seedable != 60 {
		t.Errorf("months %+v, calendar %+v", c.Months, c.Calendar)
	}
}

// Releases every ten minutes are no more evidence than hours are.
func TestWilsonOfReleasesWithinAnHour(t *testing.T) {
	var hours []Hour
	for k := range 60 * 6 {
		h := Hour{Site: "a", Time: time.Date(2026, 1, 1, 0, 10*k, 0, 0, time.UTC), Outcome: Quiet, Limit: NoLiquid}
		if k < 12*6 {
			h.Outcome = Seedable
		}
		hours = append(hours, h)
	}
	c, err := Climatology([]Site{{ID: "a"}}, hours, Options{Every: 10 * time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	got, want := c.Sites[0].Wilson, Wilson(12, 60)
	if math.Abs(float64(got.Low-want.Low)) > 1e-12 || math.Abs(float64(got.High-want.High)) > 1e-12 || c.Sites[0].Seedable != 12 {
		t.Errorf("%v, want %v; %v h", got, want, c.Sites[0].Seedable)
	}
}
