package evaluate

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"testing"
	"time"

	"rimeline/seedability"
)

// numbers reads bytes as floats of every kind: small codes stand for what is
// likely to break something, eight bytes behind 0xff for any number.
func numbers(b []byte) (x []float64) {
	special := []float64{0, 1, math.NaN(), math.Inf(1), math.Inf(-1), -1, 1.5, math.Copysign(0, -1), math.MaxFloat64, -math.MaxFloat64, math.SmallestNonzeroFloat64, math.Nextafter(1, 0), math.Nextafter(1, 2), 1e300, 1e-300, 1e17}
	for len(b) > 0 && len(x) < 64 {
		c := b[0]
		b = b[1:]
		switch {
		case c < byte(len(special)):
			x = append(x, special[c])
		case c == 0xff && len(b) >= 8:
			x = append(x, math.Float64frombits(binary.LittleEndian.Uint64(b)))
			b = b[8:]
		default:
			x = append(x, float64(c)/255)
		}
	}
	return x
}

// FuzzEvaluate gives every function arbitrary numbers, in rows whose lengths may
// differ. Results are written as JSON, intervals hold together, scores stay in
// their ranges, and what has no value says why.
func FuzzEvaluate(f *testing.F) {
	f.Add([]byte{200, 100, 50, 2, 3, 9}, []byte{1, 0, 1, 0, 2, 1}, uint8(5))
	f.Add([]byte{60, 70, 80, 90, 100, 110, 120, 130, 140, 150, 160, 170}, []byte{61, 75, 77, 91, 99, 118, 121, 137, 141, 149, 163, 171}, uint8(10))
	f.Add([]byte{8, 9, 13, 14}, []byte{8, 8, 13, 10}, uint8(2))
	f.Add([]byte{1, 1, 1}, []byte{1}, uint8(0))
	f.Fuzz(func(t *testing.T, first, second []byte, option uint8) {
		x, y := numbers(first), numbers(second)
		same := len(x) == len(y)
		written := func(v any) {
			if _, err := json.Marshal(v); err != nil {
				t.Fatalf("%T: %v", v, err)
			}
		}
		told := func(name string, v Value, low, high float64) {
			if v.Known() == (v.Why != "") {
				t.Fatalf("%s: value %v, reason %q", name, v.Value, v.Why)
			}
			if v.Known() && (v.Float() < low || v.Float() > high) {
				t.Fatalf("%s: %v is outside %v to %v", name, v, low, high)
			}
		}
		ordered := func(name string, i Interval) {
			if i.Known() == (i.Why != "") || i.Known() && i.Low > i.High {
				t.Fatalf("%s: interval %+v", name, i)
			}
		}
		asked := func(name string, err error) {
			if same != (err == nil) {
				t.Fatalf("%s: rows of %d and %d: %v", name, len(x), len(y), err)
			}
		}

		table, err := TableOf(x, y, 0.5, 0.5)
		asked("table", err)
		table.Misses += int64(option) - 3
		scores := table.Scores()
		written(scores)
		for _, m := range Measures {
			told(m.Key, scores.Scores[m.Key], m.Low-1e-9, m.High+1e-9)
		}

		a, err := NewProbability(int(option%20) * 5)
		if err != nil {
			a = &Probability{}
		}
		asked("probability", a.AddAll(x, y))
		if c := a.Counts(); same && c.Used+c.Missing+c.Invalid != int64(len(x)) {
			t.Fatalf("%+v for %d pairs", c, len(x))
		}
		if b, err := a.Brier(int(option) % 12); err == nil {
			written(b)
			told("Brier", b.Score, 0, 1)
			told("uncertainty", b.Uncertainty, 0, 0.25)
			told("skill", b.SkillOfSample, math.Inf(-1), 1)
			if b.Score.Known() {
				sum := b.Reliability.Float() - b.Resolution.Float() + b.Uncertainty.Float() + b.WithinBinVariance.Float() - b.WithinBinCovariance.Float()
				if math.Abs(sum-b.Score.Float()) > 1e-12 {
					t.Fatalf("terms sum to %v: %+v", sum, b)
				}
			}
		}
		if r, err := a.Reliability(ReliabilityOptions{Bins: int(option) % 12, Cycles: 20}); err == nil {
			written(r)
			for _, b := range r.Bins {
				ordered("consistency", b.Consistency)
			}
		}
		written(a.Sharpness())
		rocs := []ROC{a.ROC()}
		exact, err := ROCOf(x, y)
		asked("roc", err)
		for _, r := range append(rocs, exact) {
			written(r)
			told("area", r.Area, 0, 1+1e-12)
			if r.Area.Known() && math.Abs(r.Area.Float()-r.AreaMannWhitney.Float()) > 1e-9 {
				t.Fatalf("areas %v and %v", r.Area, r.AreaMannWhitney)
			}
		}

		var crps CRPSMean
		for i := range y {
			crps.Add(x[:min(len(x), i)], y[i])
		}
		written(crps.Result())
		p, err := PinballOf(float64(option)/256, x, y)
		if option > 0 {
			asked("pinball", err)
		}
		written(p)
		written(Distribute(x))

		o := BootstrapOptions{Replicates: 30, Seed: uint64(option), MinimumBlocks: 2 + int(option%4), Workers: 1}
		e, err := Bootstrap([]int{len(x)}, meanOfDraw(x), o)
		if err != nil {
			t.Fatal(err)
		}
		written(e)
		ordered("percentile", e.Percentile)
		ordered("expanded", e.Expanded)
		ordered("BCa", e.BCa)

		effect := EffectOptions{Bootstrap: o, Design: Design{Randomised: option%2 == 0}}
		cut := len(x) / 3
		seeded := Units{x[:cut], [][]float64{y[:min(cut, len(y))]}}
		unseeded := Units{x[cut:], [][]float64{y[min(cut, len(y)):]}}
		single, err := SingleRatio(x, y, effect)
		if err != nil {
			t.Fatal(err)
		}
		written(single)
		told("single ratio", single.Ratio, 0, math.MaxFloat64)
		ordered("single ratio", single.LogInterval)
		double, err := DoubleRatio(seeded, unseeded, effect)
		asked("double ratio", err)
		if err == nil {
			written(double)
			told("double ratio", double.Ratio, 0, math.MaxFloat64)
			ordered("double ratio", double.LogInterval)
		}
		regression, err := HistoricalRegression(seeded, unseeded, effect)
		asked("regression", err)
		if err == nil {
			written(regression)
			told("regression ratio", regression.Ratio, 0, math.MaxFloat64)
			told("regression P", regression.P, 0, 1)
			ordered("regression", regression.RatioInterval)
		}

		lot := make([]bool, len(x))
		blocks := make([]int, len(y))
		for i, b := range second {
			if i < len(lot) {
				lot[i] = b%2 == 1
			}
			if i < len(blocks) {
				blocks[i] = int(b) % 3
			}
		}
		permuted, err := Permute(blocks, lot, LogDoubleRatio(x, y), PermutationOptions{ExactLimit: 40, Draws: 20, Workers: 1})
		asked("permutation", err)
		written(permuted)
		if err == nil {
			told("permutation", permuted.P, 0, 1)
		}

		var spans []Span
		var events []Announced
		var alerts []Raised
		var foreseen []Foreseen
		var judged []Judged
		moment := func(v float64) time.Time {
			if !(math.Abs(v) < 1e17) {
				return time.Time{}
			}
			return midnight.Add(time.Duration(v * float64(time.Hour)))
		}
		for i := range min(len(x), len(y)) {
			from, to := moment(x[i]), moment(y[i])
			spans = append(spans, Span{from, to})
			events = append(events, Announced{to, from})
			alerts = append(alerts, Raised{from, to})
			foreseen = append(foreseen, Foreseen{"a", from, to, x[i], seedability.State(states[i%5])})
			judged = append(judged, Judged{"a", to, to, y[i], seedability.StateWindow})
		}
		third := len(spans) / 3
		operation, err := Operate(SiteRecord{Period: span(-60, 120), Windows: spans[:third], Releases: spans[third : 2*third], Holds: spans[2*third:]})
		if err != nil {
			t.Fatal(err)
		}
		written(operation)
		if off := operation.OfferedMinutes - operation.HeldMinutes - operation.UsedMinutes - operation.MissedMinutes; math.Abs(off) > 1e-6 {
			t.Fatalf("minutes do not sum: %+v", operation)
		}
		written(LeadTimesOf(events))
		written(AcknowledgementsOf(alerts))
		judgements, err := NewJudgements(judged, PairOptions{})
		if err != nil {
			t.Fatal(err)
		}
		pairs, counts := judgements.PairAll(foreseen)
		if counts.Paired != int64(len(pairs)) || counts.Paired+counts.Unjudged+counts.OutsideLead+counts.Invalid != int64(len(foreseen)) {
			t.Fatalf("%v of %d", counts, len(foreseen))
		}
		comparison, err := NewComparison(ComparisonOptions{WindowScore: float64(option % 2)})
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range pairs {
			if err := comparison.Add(p); err != nil {
				t.Fatal(err)
			}
		}
		result, err := comparison.Result(o)
		if err != nil {
			t.Fatal(err)
		}
		written(result)
	})
}
