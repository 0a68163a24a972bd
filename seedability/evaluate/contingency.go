package evaluate

import (
	"fmt"
	"math"
	"strings"
)

// Table is a contingency table of forecasts and observations, each yes or no.
// Tables add up: a season's is the sum of its days'.
type Table struct {
	Hits             int64 `json:"hits"`
	FalseAlarms      int64 `json:"false_alarms"`
	Misses           int64 `json:"misses"`
	CorrectNegatives int64 `json:"correct_negatives"`
	// Missing pairs, where forecast or observation is not known.
	Missing int64 `json:"missing"`
}

// Add counts one pair.
func (t *Table) Add(forecast, observed bool) {
	switch {
	case forecast && observed:
		t.Hits++
	case forecast:
		t.FalseAlarms++
	case observed:
		t.Misses++
	default:
		t.CorrectNegatives++
	}
}

// Merge adds the counts of another table.
func (t *Table) Merge(other Table) {
	t.Hits += other.Hits
	t.FalseAlarms += other.FalseAlarms
	t.Misses += other.Misses
	t.CorrectNegatives += other.CorrectNegatives
	t.Missing += other.Missing
}

// TableOf counts pairs of forecast and observed values that reach their limits; a
// pair with a NaN is missing.
func TableOf(forecast, observed []float64, forecastLimit, observedLimit float64) (Table, error) {
	var t Table
	if len(forecast) != len(observed) {
		return t, fmt.Errorf("contingency table: %d forecasts and %d observations", len(forecast), len(observed))
	}
	if math.IsNaN(forecastLimit) || math.IsNaN(observedLimit) {
		return t, fmt.Errorf("contingency table: limits %v and %v must be numbers", forecastLimit, observedLimit)
	}
	for i, f := range forecast {
		if math.IsNaN(f) || math.IsNaN(observed[i]) {
			t.Missing++
			continue
		}
		t.Add(f >= forecastLimit, observed[i] >= observedLimit)
	}
	return t, nil
}

// cells are the counts as a, b, c, d of the literature, and their sum n: hits,
// false alarms, misses, correct negatives. A table with a negative count has
// none, so that every score of it is undefined.
func (t Table) cells() (a, b, c, d, n float64) {
	if t.Hits < 0 || t.FalseAlarms < 0 || t.Misses < 0 || t.CorrectNegatives < 0 {
		return 0, 0, 0, 0, 0
	}
	a, b, c, d = float64(t.Hits), float64(t.FalseAlarms), float64(t.Misses), float64(t.CorrectNegatives)
	return a, b, c, d, a + b + c + d
}

const (
	whyNoPairs      = "no pairs"
	whyNoEvents     = "no event was observed"
	whyNoNonEvents  = "an event was observed in every pair"
	whyNoForecasts  = "no event was forecast"
	whyNothing      = "no event was forecast or observed"
	whyOneOutcome   = "forecasts and observations never differ in kind: nothing to tell apart by chance"
	whyEmptyMargins = "events were observed always or never"
)

// BaseRate is the share of pairs with an observed event.
func (t Table) BaseRate() Value {
	a, _, c, _, n := t.cells()
	return quotient(a+c, n, whyNoPairs)
}

// Accuracy is the share of right forecasts.
func (t Table) Accuracy() Value {
	a, _, _, d, n := t.cells()
	return quotient(a+d, n, whyNoPairs)
}

// Bias is how often the event was forecast for each time that it was observed.
func (t Table) Bias() Value {
	a, b, c, _, _ := t.cells()
	return quotient(a+b, a+c, whyNoEvents)
}

// POD, the probability of detection, is the share of observed events that were forecast.
func (t Table) POD() Value {
	a, _, c, _, _ := t.cells()
	return quotient(a, a+c, whyNoEvents)
}

// FAR, the false alarm ratio, is the share of forecast events that did not happen.
func (t Table) FAR() Value {
	a, b, _, _, _ := t.cells()
	return quotient(b, a+b, whyNoForecasts)
}

// POFD, the probability of false detection, is the share of non-events for which
// an event was forecast.
func (t Table) POFD() Value {
	_, b, _, d, _ := t.cells()
	return quotient(b, b+d, whyNoNonEvents)
}

// CSI, the critical success index or threat score.
func (t Table) CSI() Value {
	a, b, c, _, _ := t.cells()
	return quotient(a, a+b+c, whyNothing)
}

// ETS, the equitable threat score or Gilbert skill score: CSI without the hits
// that chance would give.
func (t Table) ETS() Value {
	a, b, c, _, n := t.cells()
	if n == 0 {
		return undefined(whyNoPairs)
	}
	chance := (a + b) / n * (a + c)
	return quotient(a-chance, a+b+c-chance, whyOneOutcome)
}

// HSS, the Heidke skill score: accuracy beyond that of chance.
func (t Table) HSS() Value {
	a, b, c, d, n := t.cells()
	if n == 0 {
		return undefined(whyNoPairs)
	}
	return quotient(2*(a*d-b*c), (a+c)*(c+d)+(a+b)*(b+d), whyOneOutcome)
}

// PSS, the skill score of Peirce, Hanssen and Kuipers: POD - POFD.
func (t Table) PSS() Value {
	a, b, c, d, _ := t.cells()
	if a+c == 0 || b+d == 0 {
		return undefined(whyEmptyMargins)
	}
	return valueOf(a/(a+c) - b/(b+d))
}

// OddsRatio of a forecast event when one happens to when none does.
func (t Table) OddsRatio() Value {
	a, b, c, d, n := t.cells()
	switch {
	case n == 0:
		return undefined(whyNoPairs)
	case b*c == 0 && a*d == 0:
		return undefined("nought by nought: a margin of the table is empty")
	case b*c == 0:
		return undefined("infinite: no misses or no false alarms")
	}
	return valueOf(a / b * (d / c))
}

// ORSS, the odds ratio skill score or Yule's Q.
func (t Table) ORSS() Value {
	a, b, c, d, _ := t.cells()
	return quotient(a*d-b*c, a*d+b*c, "a margin of the table is empty")
}

// EDS, the extreme dependency score.
func (t Table) EDS() Value {
	a, _, c, _, n := t.cells()
	switch {
	case a+c == 0:
		return undefined(whyNoEvents)
	case a == 0:
		return undefined("no hits: the logarithm of nought")
	case a == n:
		return undefined(whyNoNonEvents)
	}
	return valueOf(2*math.Log((a+c)/n)/math.Log(a/n) - 1)
}

// SEDI, the symmetric extremal dependence index.
func (t Table) SEDI() Value {
	a, b, c, d, _ := t.cells()
	switch {
	case a+c == 0 || b+d == 0:
		return undefined(whyEmptyMargins)
	case a == 0 || b == 0 || c == 0 || d == 0:
		return undefined("a count is nought: the logarithm of nought")
	}
	h, f := math.Log(a/(a+c)), math.Log(b/(b+d))       // ln H, ln F
	notH, notF := math.Log(c/(a+c)), math.Log(d/(b+d)) // ln(1-H), ln(1-F)
	return valueOf((f - h - notF + notH) / (f + h + notF + notH))
}

// Measure describes one score of a contingency table.
type Measure struct {
	Key     string
	Name    string
	Formula string // a hits, b false alarms, c misses, d correct negatives, n their sum
	Low     float64
	High    float64 // may be +Inf
	Perfect float64 // NaN where no value is best
	Chance  string  // what forecasts without skill get
	Source  string
	Of      func(Table) Value
}

// Range prints the least and the greatest value.
func (m Measure) Range() string {
	if math.IsInf(m.High, 1) {
		return fmt.Sprintf("%.3g and up", m.Low)
	}
	return fmt.Sprintf("%.3g to %.3g", m.Low, m.High)
}

const cawcr = "CAWCR, Methods for verifying dichotomous forecasts"

// Measures are the scores of a contingency table, in the order in which they are shown.
var Measures = []Measure{
	{"base_rate", "base rate", "(a+c)/n", 0, 1, nan, "any", cawcr, Table.BaseRate},
	{"accuracy", "accuracy", "(a+d)/n", 0, 1, 1, "high for rare events", cawcr, Table.Accuracy},
	{"bias", "frequency bias", "(a+b)/(a+c)", 0, math.Inf(1), 1, "any", cawcr, Table.Bias},
	{"pod", "probability of detection", "a/(a+c)", 0, 1, 1, "POFD", cawcr, Table.POD},
	{"far", "false alarm ratio", "b/(a+b)", 0, 1, 0, "1 - base rate", cawcr, Table.FAR},
	{"pofd", "probability of false detection", "b/(b+d)", 0, 1, 0, "POD", cawcr, Table.POFD},
	{"csi", "critical success index", "a/(a+b+c)", 0, 1, 1, "depends on the base rate", cawcr, Table.CSI},
	{"ets", "equitable threat score (Gilbert)", "(a-r)/(a+b+c-r), r = (a+b)(a+c)/n", -1. / 3, 1, 1, "0", cawcr, Table.ETS},
	{"hss", "Heidke skill score", "2(ad-bc)/[(a+c)(c+d)+(a+b)(b+d)]", -1, 1, 1, "0", cawcr, Table.HSS},
	{"pss", "Peirce skill score (Hanssen-Kuipers)", "a/(a+c) - b/(b+d)", -1, 1, 1, "0", cawcr, Table.PSS},
	{"odds_ratio", "odds ratio", "ad/(bc)", 0, math.Inf(1), math.Inf(1), "1", "Stephenson 2000, Wea. Forecasting 15, 221", Table.OddsRatio},
	{"orss", "odds ratio skill score (Yule's Q)", "(ad-bc)/(ad+bc)", -1, 1, 1, "0", "Stephenson 2000, Wea. Forecasting 15, 221", Table.ORSS},
	{"eds", "extreme dependency score", "2 ln[(a+c)/n]/ln(a/n) - 1", -1, 1, 1, "0", "Stephenson et al. 2008, Meteorol. Appl. 15, 41; read with bias, since false alarms do not count", Table.EDS},
	{"sedi", "symmetric extremal dependence index", "[ln F - ln H - ln(1-F) + ln(1-H)]/[ln F + ln H + ln(1-F) + ln(1-H)], H = POD, F = POFD", -1, 1, 1, "0", "Ferro and Stephenson 2011, Wea. Forecasting 26, 699", Table.SEDI},
}

// Contingency is a table with all its scores.
type Contingency struct {
	Table  Table            `json:"table"`
	Pairs  int64            `json:"pairs"`
	Scores map[string]Value `json:"scores"` // by Measure.Key
}

// Scores gives every measure of the table.
func (t Table) Scores() Contingency {
	_, _, _, _, n := t.cells()
	c := Contingency{Table: t, Pairs: int64(n), Scores: make(map[string]Value, len(Measures))}
	for _, m := range Measures {
		c.Scores[m.Key] = m.Of(t)
	}
	return c
}

func (c Contingency) String() string {
	var s strings.Builder
	fmt.Fprintf(&s, "%d pairs (%d hits, %d false alarms, %d misses, %d correct negatives, %d missing)", c.Pairs,
		c.Table.Hits, c.Table.FalseAlarms, c.Table.Misses, c.Table.CorrectNegatives, c.Table.Missing)
	for _, key := range []string{"bias", "pod", "far", "csi", "ets", "hss", "pss"} {
		fmt.Fprintf(&s, ", %s %s", strings.ToUpper(key), c.Scores[key])
	}
	return s.String()
}
