package evaluate

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"rimeline/seedability"
)

const (
	quiet  = seedability.StateQuiet
	window = seedability.StateWindow
	blind  = seedability.StateBlind
	hold   = seedability.StateHold
)

func TestMatch(t *testing.T) {
	judgements, err := NewJudgements([]Judged{
		{"a", at(600), at(600), 70, window},
		{"a", at(590), at(600), 10, quiet}, // older, of the same time
		{"a", at(607), at(607), 40, quiet},
		{"a", at(660), at(700), 90, window}, // 40 minutes ahead: no judgement of that time
		{"b", at(600), at(600), 55, quiet},
		{"a", time.Time{}, at(720), 1, quiet},
	}, PairOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if judgements.Ignored() != 2 {
		t.Errorf("%d ignored, want 2", judgements.Ignored())
	}
	for _, test := range []struct {
		name       string
		foreseen   Foreseen
		wantScore  float64 // 0 for no pair
		wantBin    int
		wantCounts PairCounts
	}{
		{"same time", Foreseen{"a", at(400), at(600), 66, window}, 70, 2, PairCounts{Paired: 1}},
		{"nearest", Foreseen{"a", at(400), at(604), 66, window}, 40, 2, PairCounts{Paired: 1}},
		{"within ten minutes", Foreseen{"a", at(400), at(617), 66, window}, 40, 2, PairCounts{Paired: 1}},
		{"just beyond", Foreseen{"a", at(400), at(618), 66, window}, 0, 0, PairCounts{Unjudged: 1}},
		{"other site", Foreseen{"b", at(600 - 60), at(600), 66, window}, 55, 1, PairCounts{Paired: 1}},
		{"unknown site", Foreseen{"c", at(400), at(600), 66, window}, 0, 0, PairCounts{Unjudged: 1}},
		{"lower edge belongs to the bin", Foreseen{"b", at(600 - 180), at(600), 66, window}, 55, 2, PairCounts{Paired: 1}},
		{"48 hours lie outside", Foreseen{"b", at(600 - 2880), at(600), 66, window}, 0, 0, PairCounts{OutsideLead: 1}},
		{"issued after", Foreseen{"b", at(601), at(600), 66, window}, 0, 0, PairCounts{OutsideLead: 1}},
		{"not younger than the outlook", Foreseen{"b", at(600), at(605), 66, window}, 0, 0, PairCounts{Unjudged: 1}},
		{"no time", Foreseen{Site: "a", ReleaseTime: at(600)}, 0, 0, PairCounts{Invalid: 1}},
	} {
		var counts PairCounts
		p, ok := judgements.Match(test.foreseen, &counts)
		if counts != test.wantCounts || ok != (test.wantScore != 0) || ok && (p.Judged.Score != test.wantScore || p.LeadBin != test.wantBin || p.Lead != test.foreseen.ReleaseTime.Sub(test.foreseen.IssuedAt)) {
			t.Errorf("%s: %+v, %v, %v", test.name, p, ok, counts)
		}
	}
	for name, o := range map[string]PairOptions{
		"one edge": {LeadEdges: []time.Duration{0}}, "falling": {LeadEdges: []time.Duration{2, 1}}, "many": {LeadEdges: make([]time.Duration, 60)},
		"negative": {Tolerance: -1}, "negative age": {JudgedWithin: -1},
	} {
		if _, err := NewJudgements(nil, o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

func TestFromOutlookAndAssessment(t *testing.T) {
	score := 71.5
	outlook := seedability.Outlook{Site: seedability.SiteRef{ID: "larkmoor"}, IssuedAt: at(0), Releases: []seedability.OutlookRelease{
		{ReleaseTime: at(120), Score: &score, State: window}, {ReleaseTime: at(180), State: blind}}}
	foreseen := ForeseenOf(outlook)
	if len(foreseen) != 2 || foreseen[0] != (Foreseen{"larkmoor", at(0), at(120), 71.5, window}) || !math.IsNaN(foreseen[1].Score) {
		t.Errorf("%+v", foreseen)
	}
	a := seedability.Assessment{Site: outlook.Site, AsOf: at(120), ReleaseTime: at(120), State: quiet, Standing: &seedability.Standing{State: window}}
	a.Score.Value = &score
	if j := JudgedOf(a); j != (Judged{"larkmoor", at(120), at(120), 71.5, quiet}) {
		t.Errorf("%+v", j)
	}
}

// season invents outlooks whose error grows with lead, over storm days.
func season(days int) (foreseen []Foreseen, judged []Judged) {
	random := rand.New(rand.NewPCG(20, 26))
	state := func(score float64) seedability.State {
		if score >= 60 {
			return window
		}
		return quiet
	}
	for d := range days {
		storm := 20 * random.NormFloat64()
		for _, site := range []string{"Larkmoor", "Ashgill"} {
			for hour := range 20 {
				release := midnight.AddDate(0, 0, 3*d).Add(time.Duration(12+hour) * time.Hour)
				truth := 50 + storm + 10*random.NormFloat64()
				judged = append(judged, Judged{site, release, release, truth, state(truth)})
				for _, lead := range []int{2, 9, 30} {
					score := truth + 3 + float64(lead)*random.NormFloat64()
					foreseen = append(foreseen, Foreseen{site, release.Add(-time.Duration(lead) * time.Hour), release, score, state(score)})
				}
			}
		}
	}
	return foreseen, judged
}

func TestComparison(t *testing.T) {
	foreseen, judged := season(16)
	judgements := must(NewJudgements(judged, PairOptions{}))
	pairs, counts := judgements.PairAll(foreseen)
	if counts.Paired != int64(len(foreseen)) || counts.Unjudged != 0 {
		t.Fatalf("%v", counts)
	}
	c := must(NewComparison(ComparisonOptions{}))
	for _, p := range pairs {
		if err := c.Add(p); err != nil {
			t.Fatal(err)
		}
	}
	r, err := c.Result(BootstrapOptions{Replicates: 400, Seed: 1})
	if err != nil {
		t.Fatal(err)
	}
	if r.Sites != 2 || r.Days != 16 || len(r.Leads) != 3 || len(r.BySite) != 2 || len(r.BySiteAndLead) != 6 || r.BySite[0].Site != "Ashgill" || r.Leads[1].Lead != "6-12 h" {
		t.Fatalf("%d sites, %d days, %d leads %v", r.Sites, r.Days, len(r.Leads), r.Leads)
	}
	// Against a plain count over the pairs of each lead.
	for i, lead := range []time.Duration{2 * time.Hour, 9 * time.Hour, 30 * time.Hour} {
		var table Table
		var sum, sumAbs, squares, n float64
		for _, p := range pairs {
			if p.Lead != lead {
				continue
			}
			table.Add(p.Foreseen.State == window, p.Judged.State == window)
			d := p.Foreseen.Score - p.Judged.Score
			sum, sumAbs, squares, n = sum+d, sumAbs+math.Abs(d), squares+d*d, n+1
		}
		row := r.Leads[i]
		if row.Contingency.Table != table || row.Days != 16 || row.ScorePairs != int64(n) {
			t.Errorf("lead %s: %+v, want %+v", row.Lead, row.Contingency.Table, table)
		}
		check(t, "mean error", row.MeanError.Float(), sum/n, 1e-12, "plain count")
		check(t, "mean absolute error", row.MeanAbsolute.Float(), sumAbs/n, 1e-12, "plain count")
		check(t, "root mean square", row.RootMean.Float(), math.Sqrt(squares/n), 1e-12, "plain count")
		pod := row.Intervals["pod"]
		if low, high := pod.Expanded.Low, pod.Expanded.High; !(low < pod.Estimate.Value && pod.Estimate.Value < high) || pod.Estimate.Value != table.POD().Value {
			t.Errorf("lead %s: POD %v", row.Lead, pod)
		}
		if bias := row.Intervals["mean_error"]; bias.Expanded.Low > 3.5 || bias.Expanded.High < 2.5 {
			t.Errorf("lead %s: mean error %v, 3 was invented", row.Lead, bias)
		}
		written(t, row)
	}
	for i := 1; i < 3; i++ {
		if r.Leads[i].RootMean.Value <= r.Leads[i-1].RootMean.Value || r.Leads[i].Contingency.Scores["pss"].Value >= r.Leads[i-1].Contingency.Scores["pss"].Value {
			t.Errorf("skill does not fall with lead: %v, %v", r.Leads[i-1], r.Leads[i])
		}
	}
	// The states of each lead add up to all.
	var windows int64
	for _, row := range r.Leads {
		for _, s := range row.States {
			if s.Foreseen == window {
				windows += s.Pairs
			}
		}
	}
	if all := r.All.Contingency.Table; windows != all.Hits+all.FalseAlarms {
		t.Errorf("%d windows by lead, %+v in all", windows, all)
	}
	// Sites and leads add up to all.
	var bySite, byBoth Table
	for _, row := range r.BySite {
		bySite.Merge(row.Contingency.Table)
	}
	for _, row := range r.BySiteAndLead {
		byBoth.Merge(row.Contingency.Table)
		if row.Intervals != nil || row.States != nil {
			t.Errorf("%s has intervals", row)
		}
	}
	if bySite != r.All.Contingency.Table || byBoth != bySite {
		t.Errorf("all %+v, sites %+v, both %+v", r.All.Contingency.Table, bySite, byBoth)
	}
	var inStates int64
	for _, row := range r.All.States {
		inStates += row.Pairs
		if row.Foreseen == window {
			check(t, "windows that came", row.WindowShare.Float(), 1-r.All.Contingency.Scores["far"].Float(), 1e-12, "complement of the false alarm ratio")
		}
		written(t, row)
	}
	if inStates != counts.Paired {
		t.Errorf("%d pairs in states, %d paired", inStates, counts.Paired)
	}
	written(t, r)
	// Two halves merged give the same bytes.
	a, b := must(NewComparison(ComparisonOptions{})), must(NewComparison(ComparisonOptions{}))
	for i, p := range pairs {
		half := a
		if i >= len(pairs)/2 {
			half = b
		}
		if err := half.Add(p); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Merge(a); err != nil {
		t.Fatal(err)
	}
	merged := must(b.Result(BootstrapOptions{Replicates: 400, Seed: 1}))
	x, _ := json.Marshal(r.All.Contingency)
	y, _ := json.Marshal(merged.All.Contingency)
	if string(x) != string(y) || len(merged.BySiteAndLead) != 6 {
		t.Errorf("merged:\n%s\n%s", x, y)
	}
	again, _ := json.Marshal(must(c.Result(BootstrapOptions{Replicates: 400, Seed: 1, Workers: 1})))
	first, _ := json.Marshal(r)
	if string(again) != string(first) {
		t.Error("the same pairs gave another result with one worker")
	}
}

func TestComparisonStates(t *testing.T) {
	pair := func(f, j float64, foreseen, judged seedability.State) Pair {
		return Pair{Foreseen: Foreseen{"a", at(0), at(120), f, foreseen}, Judged: Judged{"a", at(120), at(120), j, judged}, Lead: 2 * time.Hour, LeadBin: 1}
	}
	pairs := []Pair{
		pair(70, 80, window, window), pair(70, 20, window, quiet), pair(30, 80, quiet, window), pair(30, 20, quiet, seedability.StateBuilding),
		pair(70, nan, window, blind), pair(nan, 70, blind, window), pair(70, 80, window, hold), pair(70, 80, "later", "words"),
	}
	byState, byScore := must(NewComparison(ComparisonOptions{})), must(NewComparison(ComparisonOptions{WindowScore: 60}))
	for _, p := range pairs {
		_ = byState.Add(p)
		_ = byScore.Add(p)
	}
	_ = byState.Add(Pair{LeadBin: -1})
	_ = byState.Add(Pair{LeadBin: 99})
	r := must(byState.Result(BootstrapOptions{}))
	if want := (Table{1, 1, 1, 1, 4}); r.All.Contingency.Table != want {
		t.Errorf("by state: %+v, want %+v", r.All.Contingency.Table, want)
	}
	if r.OutsideLead != 2 || r.All.ScorePairs != 6 || r.All.ScoreMissing != 2 {
		t.Errorf("%+v", r)
	}
	if e := r.All.Intervals["csi"]; e.Expanded.Known() || !strings.Contains(e.Expanded.Why, "1 storm day or season, 10 needed") {
		t.Errorf("%+v", e)
	}
	// A hold does not hide the score: 70 against 80 is a hit, twice.
	if s := must(byScore.Result(BootstrapOptions{})); s.All.Contingency.Table != (Table{3, 1, 1, 1, 2}) {
		t.Errorf("by score: %+v", s.All.Contingency.Table)
	}
	for _, row := range r.All.States {
		if row.Foreseen == window && (row.Pairs != 4 || row.Judged[hold] != 1 || row.WindowShare.Value != 0.5) {
			t.Errorf("%+v", row)
		}
	}
	empty := must(must(NewComparison(ComparisonOptions{})).Result(BootstrapOptions{}))
	if empty.All.MeanError.Known() || len(empty.All.States) != 5 {
		t.Errorf("%+v", empty)
	}
	written(t, empty)
	for name, o := range map[string]ComparisonOptions{"boundary": {DayBoundary: 25 * time.Hour}, "negative": {DayBoundary: -1}, "score": {WindowScore: nan}, "edges": {LeadEdges: []time.Duration{1}}} {
		if _, err := NewComparison(o); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
	if byState.Merge(byScore) == nil {
		t.Error("comparisons with other options merged")
	}
	if err := byState.Merge(nil); err != nil {
		t.Error(err)
	}
	if _, err := byState.Result(BootstrapOptions{Level: 3}); err == nil {
		t.Error("level 3 was taken")
	}
}

func ExampleComparison() {
	// Yesterday evening's outlook against what was found today, hour by hour.
	issued := time.Date(2026, 1, 13, 18, 0, 0, 0, time.UTC)
	var foreseen []Foreseen
	var judged []Judged
	for hour, state := range []seedability.State{window, window, window, quiet} {
		release := issued.Add(time.Duration(19+hour) * time.Hour)
		foreseen = append(foreseen, Foreseen{"Larkmoor", issued, release, 65, state})
		later := quiet
		if hour < 2 {
			later = window
		}
		judged = append(judged, Judged{"Larkmoor", release, release, 60, later})
	}
	judgements, _ := NewJudgements(judged, PairOptions{})
	comparison, _ := NewComparison(ComparisonOptions{})
	pairs, counts := judgements.PairAll(foreseen)
	for _, p := range pairs {
		if err := comparison.Add(p); err != nil {
			panic(err)
		}
	}
	r, _ := comparison.Result(BootstrapOptions{})
	fmt.Println(counts)
	fmt.Println(r.Leads[0])
	fmt.Println(r.Leads[0].Intervals["pod"])
	// Output:
	// 4 pairs, 0 without a later assessment, 0 outside the lead bins, 0 invalid
	// all sites, lead 18-24 h: 4 pairs on 1 storm day, POD 1, FAR 0.3333, CSI 0.6667, mean error of the score 5
	// 1 from 1 block; no interval: too few to say how sure this is: 1 storm day or season, 10 needed
}
