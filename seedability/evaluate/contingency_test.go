package evaluate

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"
)

func ExampleTable_Scores() {
	// Finley's tornado forecasts of 1884: nearly always right, by never saying tornado
	// for most of the time.
	t := Table{Hits: 28, FalseAlarms: 72, Misses: 23, CorrectNegatives: 2680}
	fmt.Println("accuracy", t.Accuracy(), "Heidke", t.HSS())
	fmt.Println("always no:", Table{Misses: 51, CorrectNegatives: 2752}.Accuracy())
	// Output:
	// accuracy 0.9661 Heidke 0.3553
	// always no: 0.9818
}

func TestFinley(t *testing.T) {
	// Finley (1884), table and scores as on the page "Finley (1884) Tornado Forecasts"
	// of the CAWCR verification site: percentages in its text (96.6, 72, 23, 52 per
	// cent; about 2 random hits), more digits computed from the counts by hand.
	scores := Table{Hits: 28, FalseAlarms: 72, Misses: 23, CorrectNegatives: 2680}.Scores()
	for key, want := range map[string]float64{
		"accuracy": 2708. / 2803, "bias": 100. / 51, "pod": 28. / 51, "far": 0.72, "pofd": 72. / 2752, "csi": 28. / 123,
		"ets": 0.2160, "hss": 0.3553, "pss": 0.5229, "base_rate": 51. / 2803, "odds_ratio": 28. * 2680 / (72 * 23),
	} {
		check(t, key, scores.Scores[key].Float(), want, 0.00005, "CAWCR, Finley")
	}
	if scores.Pairs != 2803 {
		t.Errorf("%d pairs, want 2803", scores.Pairs)
	}
	written(t, scores)
}

func TestContingencyGolden(t *testing.T) {
	for _, row := range goldenTable(t).Contingency {
		table := Table{Hits: int64(*row["hits"]), FalseAlarms: int64(*row["false_alarms"]), Misses: int64(*row["misses"]), CorrectNegatives: int64(*row["correct_negatives"])}
		for key, got := range table.Scores().Scores {
			want, ok := row[key]
			switch {
			case !ok && key == "eds": // scores has none
			case !ok:
				t.Errorf("no golden value for %s", key)
			case want == nil && (got.Known() || got.Why == ""):
				t.Errorf("%+v: %s is %v, want undefined with a reason (scores 2.7.0)", table, key, got)
			case want != nil && !near(got.Float(), *want, 1e-12):
				t.Errorf("%+v: %s is %v, want %v (scores 2.7.0)", table, key, got, *want)
			}
		}
	}
}

func TestExtremeDependency(t *testing.T) {
	// Stephenson et al. (2008): 0 for chance, when hits are n times base rate times
	// forecast rate and both are equal; 1 for no misses. By the definition.
	check(t, "EDS of chance", Table{Hits: 1, FalseAlarms: 99, Misses: 99, CorrectNegatives: 9801}.EDS().Float(), 0, 1e-12, "definition")
	check(t, "EDS without misses", Table{Hits: 7, FalseAlarms: 50, CorrectNegatives: 900}.EDS().Float(), 1, 1e-12, "definition")
	// Finley: 2 ln(51/2803)/ln(28/2803) - 1.
	check(t, "EDS of Finley", Table{Hits: 28, FalseAlarms: 72, Misses: 23, CorrectNegatives: 2680}.EDS().Float(), 0.7397, 0.0001, "definition, by hand")
	for _, table := range []Table{{}, {FalseAlarms: 3}, {Misses: 2}, {Hits: 4}} {
		if v := table.EDS(); v.Known() || v.Why == "" {
			t.Errorf("EDS of %+v: %v", table, v)
		}
	}
}

func TestContingencyProperties(t *testing.T) {
	random := rand.New(rand.NewPCG(1, 2))
	for range 2000 {
		n := func() int64 { return int64(random.IntN(6)) * int64(random.IntN(50)) }
		table := Table{Hits: n(), FalseAlarms: n(), Misses: n(), CorrectNegatives: n()}
		for _, m := range Measures {
			v := m.Of(table)
			if v.Known() == (v.Why != "") {
				t.Fatalf("%s of %+v: value %v and reason %q", m.Key, table, v.Value, v.Why)
			}
			if x := v.Float(); v.Known() && (x < m.Low-1e-12 || x > m.High+1e-12) {
				t.Fatalf("%s of %+v is %v, outside %s", m.Key, table, x, m.Range())
			}
			if strings.Contains(v.Why, "%!") {
				t.Fatalf("%s: %q", m.Key, v.Why)
			}
		}
		// HSS and ETS order forecasts alike: HSS = 2 ETS/(1 + ETS) (Schaefer 1990, Wea.
		// Forecasting 5, 570).
		if e, h := table.ETS(), table.HSS(); e.Known() && h.Known() {
			check(t, "HSS from ETS", h.Float(), 2*e.Float()/(1+e.Float()), 1e-9, "Schaefer 1990")
		}
		// Calling events non-events and the reverse changes nothing in PSS, HSS, SEDI,
		// ORSS.
		swapped := Table{Hits: table.CorrectNegatives, FalseAlarms: table.Misses, Misses: table.FalseAlarms, CorrectNegatives: table.Hits}
		for _, of := range []func(Table) Value{Table.PSS, Table.HSS, Table.SEDI, Table.ORSS, Table.Accuracy} {
			if a, b := of(table), of(swapped); a.Known() != b.Known() || a.Known() && !near(a.Float(), b.Float(), 1e-9) {
				t.Fatalf("%+v: %v, with events swapped %v", table, a, b)
			}
		}
	}
	for _, m := range Measures {
		perfect := m.Of(Table{Hits: 40, CorrectNegatives: 60})
		if !math.IsNaN(m.Perfect) && !math.IsInf(m.Perfect, 0) && m.Key != "sedi" && !near(perfect.Float(), m.Perfect, 1e-12) {
			t.Errorf("%s of a perfect table is %v, want %v", m.Key, perfect, m.Perfect)
		}
		if m.Name == "" || m.Formula == "" || m.Source == "" || m.Chance == "" || m.Range() == "" {
			t.Errorf("%s is not described", m.Key)
		}
	}
	// SEDI tends to 1 as misses and false alarms vanish.
	if v := (Table{Hits: 1e9, FalseAlarms: 1, Misses: 1, CorrectNegatives: 1e9}).SEDI(); v.Float() < 0.9 {
		t.Errorf("SEDI of a nearly perfect table: %v", v)
	}
}

func TestTableOf(t *testing.T) {
	table, err := TableOf([]float64{70, 50, 80, math.NaN(), 20, 60}, []float64{65, 62, 10, 90, 5, math.NaN()}, 60, 60)
	if want := (Table{Hits: 1, FalseAlarms: 1, Misses: 1, CorrectNegatives: 1, Missing: 2}); err != nil || table != want {
		t.Errorf("got %+v, %v; want %+v", table, err, want)
	}
	if _, err := TableOf([]float64{1}, nil, 0, 0); err == nil || !strings.Contains(err.Error(), "1 forecasts and 0 observations") {
		t.Errorf("different lengths: %v", err)
	}
	if _, err := TableOf(nil, nil, math.NaN(), 0); err == nil {
		t.Error("a limit of NaN was taken")
	}
	for _, bad := range []Table{{Hits: -1, Misses: 5}, {}} {
		for _, m := range Measures {
			if v := m.Of(bad); v.Known() {
				t.Errorf("%s of %+v: %v", m.Key, bad, v)
			}
		}
	}
}

func TestUndefinedInJSON(t *testing.T) {
	b, err := json.Marshal(Table{CorrectNegatives: 20}.POD())
	if err != nil || string(b) != `{"value":null,"why":"no event was observed"}` {
		t.Errorf("%s, %v", b, err)
	}
	var v Value
	if err := json.Unmarshal(b, &v); err != nil || v.Known() {
		t.Errorf("read back: %v, %v", v, err)
	}
	b, _ = json.Marshal(Table{Hits: 1, Misses: 1}.POD())
	if string(b) != `{"value":0.5}` {
		t.Errorf("%s", b)
	}
}
