package evaluate

import (
	"fmt"
	"math"
)

// Coefficient of a regression.
type Coefficient struct {
	// Name is intercept, or control_1 and on.
	Name          string `json:"name"`
	Estimate      Value  `json:"estimate"`
	StandardError Value  `json:"standard_error"`
	T             Value  `json:"t"`
	// P is the two-sided probability of such a T if the coefficient were nought.
	P Value `json:"p"`
}

// Prediction of the natural precipitation of one seeded unit.
type Prediction struct {
	Observed  float64 `json:"observed"`
	Predicted Value   `json:"predicted"`
	// StandardError of a single new unit about the prediction.
	StandardError Value    `json:"standard_error"`
	Interval      Interval `json:"interval"` // of the natural amount
	// Extrapolated: a control lies outside of its range in unseeded units.
	Extrapolated bool `json:"extrapolated"`
}

// RegressionResult compares what fell in the target of seeded units with what the
// controls say would have fallen.
type RegressionResult struct {
	Seeded       Counts        `json:"seeded"`
	Unseeded     Counts        `json:"unseeded"`
	Coefficients []Coefficient `json:"coefficients"`
	// RSquared is the share of the target's variance that the controls explain.
	RSquared         Value `json:"r_squared"`
	ResidualError    Value `json:"residual_error"` // standard deviation about the line
	DegreesOfFreedom int   `json:"degrees_of_freedom"`
	// Predictions of every seeded unit, in order; units left out are not there.
	Predictions  []Prediction `json:"predictions"`
	Extrapolated int          `json:"extrapolated"`
	Observed     Value        `json:"observed"`  // sum over seeded units
	Predicted    Value        `json:"predicted"` // sum over seeded units
	// Ratio is Observed/Predicted, Excess their difference a unit.
	Ratio  Value   `json:"ratio"`
	Excess Value   `json:"excess"`
	Level  float64 `json:"level"`
	// The intervals take the deviations as normal: the sum of natural amounts lies
	// within t standard errors of Predicted.
	RatioInterval  Interval `json:"ratio_interval"`
	ExcessInterval Interval `json:"excess_interval"`
	T              Value    `json:"t"`
	// P is the two-sided probability of an excess at least as far from nought
	// without any effect, if the assumptions held; see Cautions.
	P         Value    `json:"p"`
	Bootstrap Estimate `json:"bootstrap"` // of Ratio
	Design    Design   `json:"design"`
	Cautions  []string `json:"cautions"`
}

// HistoricalRegression fits target = b0 + sum of b times control to the unseeded
// units by least squares, and predicts the seeded ones from their controls.
//
// With X the unseeded controls (and a column of ones), s^2 the residual variance, m
// the number of seeded units and x the sum of their rows, the variance of the sum
// of observed less predicted is s^2 (m + x'(X'X)^-1 x), with Student's t of n - p
// degrees of freedom (Seber and Lee 2003, Linear Regression Analysis, 2nd ed.,
// section 5.3, for one new unit; summed here).
func HistoricalRegression(seeded, unseeded Units, o EffectOptions) (RegressionResult, error) {
	r := RegressionResult{Design: o.Design, Predictions: []Prediction{}, Coefficients: []Coefficient{}}
	r.Cautions = o.Design.cautions(CautionNormal)
	if len(seeded.Controls) == 0 || len(seeded.Controls) != len(unseeded.Controls) {
		return r, fmt.Errorf("historical regression: seeded units have %d controls and unseeded ones %d; both need the same, at least one", len(seeded.Controls), len(unseeded.Controls))
	}
	s, counts, err := seeded.usable("seeded")
	if err != nil {
		return r, fmt.Errorf("historical regression: %w", err)
	}
	r.Seeded = counts
	u, counts, err := unseeded.usable("unseeded")
	if err != nil {
		return r, fmt.Errorf("historical regression: %w", err)
	}
	r.Unseeded = counts
	bootstrap := o.Bootstrap
	if err := bootstrap.defaults(); err != nil {
		return r, fmt.Errorf("historical regression: %w", err)
	}
	r.Level = bootstrap.Level
	f, err := leastSquares(u.Target, u.Controls)
	if err != nil {
		r.undefined(err.Error())
		return r, nil
	}
	r.DegreesOfFreedom = f.degreesOfFreedom
	r.describe(&f)
	if len(s.Target) == 0 {
		r.noEffect("no seeded unit")
		return r, nil
	}
	r.predict(&f, s, u, bootstrap)
	if r.Extrapolated > 0 {
		r.Cautions = append(r.Cautions, CautionExtrapolated)
	}
	nSeeded := len(s.Target)
	r.Bootstrap, err = Bootstrap([]int{nSeeded, len(u.Target)}, func(draw []int) float64 {
		var again Units
		again.Controls = make([][]float64, len(u.Controls))
		var observed float64
		sum := make([]float64, len(u.Controls))
		drawn := 0
		for _, i := range draw {
			if i < nSeeded {
				drawn++
				observed += s.Target[i]
				for j := range sum {
					sum[j] += s.Controls[j][i]
				}
				continue
			}
			again.Target = append(again.Target, u.Target[i-nSeeded])
			for j := range sum {
				again.Controls[j] = append(again.Controls[j], u.Controls[j][i-nSeeded])
			}
		}
		f, err := leastSquares(again.Target, again.Controls)
		if err != nil || drawn == 0 {
			return nan
		}
		for j := range sum {
			sum[j] /= float64(drawn)
		}
		natural := f.predict(f.scaled(sum))
		if !(natural > 0) {
			return nan
		}
		return observed / (float64(drawn) * natural)
	}, o.Bootstrap)
	if err != nil {
		return r, fmt.Errorf("historical regression: %w", err)
	}
	return r, nil
}

func (r *RegressionResult) undefined(why string) {
	r.RSquared, r.ResidualError = undefined("%s", why), undefined("%s", why)
	r.noEffect(why)
}

func (r *RegressionResult) noEffect(why string) {
	none := undefined("%s", why)
	r.Observed, r.Predicted, r.Ratio, r.Excess, r.T, r.P = none, none, none, none, none, none
	r.RatioInterval, r.ExcessInterval = noInterval("%s", why), noInterval("%s", why)
	r.Bootstrap = Estimate{Estimate: none, Strata: []int{}}
	r.Bootstrap.noIntervals("%s", why)
}

// describe fills in the line.
func (r *RegressionResult) describe(f *fit) {
	variance := f.variance()
	r.ResidualError = valueOf(sqrt(variance))
	r.RSquared = undefined("the target is the same in all unseeded units")
	if f.sst > 0 {
		r.RSquared = valueOf(1 - f.sse/f.sst)
	}
	add := func(name string, estimate, standardError float64) {
		c := Coefficient{Name: name, Estimate: valueOf(estimate), StandardError: valueOf(standardError)}
		c.T = quotient(estimate, standardError, "no deviation from the line")
		c.P = undefined("no deviation from the line")
		if c.T.Known() {
			c.P = valueOf(studentTwoSided(c.T.Float(), float64(f.degreesOfFreedom)))
		}
		r.Coefficients = append(r.Coefficients, c)
	}
	origin := f.scaled(make([]float64, len(f.slope)))
	add("intercept", f.predict(origin), sqrt(variance*f.quadratic(1, origin)))
	for j, slope := range f.slope {
		add(fmt.Sprintf("control_%d", j+1), slope/f.scaleX[j], sqrt(variance*f.inverse.At(j, j))/f.scaleX[j])
	}
}

// predict fills in the seeded units and their sum.
func (r *RegressionResult) predict(f *fit, s, u Units, o BootstrapOptions) {
	least, most := make([]float64, len(u.Controls)), make([]float64, len(u.Controls))
	for j, c := range u.Controls {
		least[j], most[j] = c[0], c[0]
		for _, x := range c {
			least[j], most[j] = min(least[j], x), max(most[j], x)
		}
	}
	variance := f.variance()
	t := studentQuantile((1+r.Level)/2, float64(f.degreesOfFreedom))
	few := ""
	if f.n < o.MinimumBlocks {
		few = fmt.Sprintf("too few to say how sure this is: %s, %d needed", plural(f.n, "unseeded unit"), o.MinimumBlocks)
	}
	var observed, predicted float64
	sum := make([]float64, len(s.Controls))
	row := make([]float64, len(s.Controls))
	for i, y := range s.Target {
		p := Prediction{Observed: y}
		for j := range row {
			row[j] = s.Controls[j][i]
			p.Extrapolated = p.Extrapolated || row[j] < least[j] || row[j] > most[j]
		}
		z := f.scaled(row)
		for j := range sum {
			sum[j] += z[j]
		}
		natural := f.predict(z)
		observed += y
		predicted += natural
		p.Predicted = valueOf(natural)
		p.StandardError = valueOf(sqrt(variance * (1 + f.quadratic(1, z))))
		half := t * p.StandardError.Float()
		p.Interval = intervalOf(natural-half, natural+half)
		if few != "" {
			p.Interval = noInterval("%s", few)
		}
		if p.Extrapolated {
			r.Extrapolated++
		}
		r.Predictions = append(r.Predictions, p)
	}
	m := float64(len(s.Target))
	r.Observed, r.Predicted = valueOf(observed), valueOf(predicted)
	r.Excess = valueOf((observed - predicted) / m)
	r.Ratio = valueOf(observed / predicted)
	if !(predicted > 0) {
		r.Ratio = undefined("the controls predict no precipitation in seeded units")
	}
	standardError := sqrt(variance * (m + f.quadratic(m, sum)))
	r.T = quotient(observed-predicted, standardError, "no deviation from the line")
	r.P = undefined("no deviation from the line")
	if r.T.Known() {
		r.P = valueOf(studentTwoSided(r.T.Float(), float64(f.degreesOfFreedom)))
	}
	if few != "" {
		r.P, r.RatioInterval, r.ExcessInterval = undefined("%s", few), noInterval("%s", few), noInterval("%s", few)
		return
	}
	half := t * standardError
	r.ExcessInterval = intervalOf((observed-predicted-half)/m, (observed-predicted+half)/m)
	r.RatioInterval = noInterval("the natural amount may be nought")
	if predicted-half > 0 && r.Ratio.Known() {
		r.RatioInterval = intervalOf(observed/(predicted+half), observed/(predicted-half))
	}
}

func (r RegressionResult) String() string {
	s := fmt.Sprintf("historical regression: observed %s, predicted %s in %d seeded units from %d unseeded ones (R² %s), ratio %s",
		r.Observed, r.Predicted, r.Seeded.Used, r.Unseeded.Used, r.RSquared, r.Ratio)
	if r.RatioInterval.Known() {
		s += fmt.Sprintf(", %.3g %% interval %s", 100*r.Level, r.RatioInterval)
	} else {
		s += ", " + r.RatioInterval.String()
	}
	return s + " (" + r.Design.caveat() + ")"
}

func abs(x float64) float64 { return math.Abs(x) }
