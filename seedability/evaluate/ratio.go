package evaluate

import "fmt"

// EffectOptions are what the estimates of a seeding effect share.
type EffectOptions struct {
	Design Design
	// Bootstrap over units, seeded and unseeded apart. With fewer than its
	// MinimumBlocks of either there is a value without an interval.
	Bootstrap BootstrapOptions
}

// RatioResult is a ratio of precipitation with its intervals: 1 means no
// difference, 1.05 five per cent more in seeded units than expected.
type RatioResult struct {
	// Method is single_ratio or double_ratio.
	Method   string `json:"method"`
	Seeded   Counts `json:"seeded"`
	Unseeded Counts `json:"unseeded"`
	// Means over units; of the controls null in a single ratio.
	SeededTarget    Value `json:"seeded_target"`
	UnseededTarget  Value `json:"unseeded_target"`
	SeededControl   Value `json:"seeded_control"`
	UnseededControl Value `json:"unseeded_control"`
	// Ratio of the method; TargetRatio and ControlRatio are its parts, seeded over
	// unseeded.
	Ratio        Value `json:"ratio"`
	TargetRatio  Value `json:"target_ratio"`
	ControlRatio Value `json:"control_ratio"`
	// LogStandardError of ln(Ratio) by the delta method, with DegreesOfFreedom.
	LogStandardError Value    `json:"log_standard_error"`
	DegreesOfFreedom Value    `json:"degrees_of_freedom"`
	Level            float64  `json:"level"`
	LogInterval      Interval `json:"log_interval"`
	Bootstrap        Estimate `json:"bootstrap"`
	Design           Design   `json:"design"`
	Cautions         []string `json:"cautions"`
}

// SingleRatio is the mean amount of seeded units over that of unseeded ones, in
// the target alone. Any difference between the two sets of days or years is in it;
// a double ratio takes out what the control shows of it.
func SingleRatio(seeded, unseeded []float64, o EffectOptions) (RatioResult, error) {
	return ratio("single_ratio", Units{Target: seeded}, Units{Target: unseeded}, o)
}

// DoubleRatio is (Ts/Cs)/(Tu/Cu): target over control in seeded units, against the
// same in unseeded ones; T and C are totals, C over the mean of the controls.
//
// The interval by logarithms takes ln DR as nearly normal (Gabriel 1999, J. Appl.
// Meteor. 38, 290). Its variance is the sum over both sets of
//
//	1/n [ var(T)/T^2 + var(C)/C^2 - 2 cov(T,C)/(T C) ]
//
// with means T and C: the linearised ratio estimator (Cochran 1977, Sampling
// Techniques, 3rd ed., section 6.4). Student's t with the degrees of freedom of
// Welch (1947, Biometrika 34, 28) makes up for few units.
func DoubleRatio(seeded, unseeded Units, o EffectOptions) (RatioResult, error) {
	if len(seeded.Controls) == 0 || len(unseeded.Controls) != len(seeded.Controls) {
		return RatioResult{}, fmt.Errorf("double ratio: seeded units have %d controls and unseeded ones %d; both need the same, at least one", len(seeded.Controls), len(unseeded.Controls))
	}
	return ratio("double_ratio", seeded, unseeded, o)
}

func ratio(method string, seeded, unseeded Units, o EffectOptions) (RatioResult, error) {
	r := RatioResult{Method: method, Design: o.Design, Cautions: o.Design.cautions(CautionAsymptotic)}
	s, counts, err := seeded.usable("seeded")
	if err != nil {
		return r, fmt.Errorf("%s: %w", method, err)
	}
	r.Seeded = counts
	u, counts, err := unseeded.usable("unseeded")
	if err != nil {
		return r, fmt.Errorf("%s: %w", method, err)
	}
	r.Unseeded = counts
	double := len(seeded.Controls) > 0
	// Rows of all usable units, seeded first: target and, for a double ratio, control.
	target := append(s.Target[:len(s.Target):len(s.Target)], u.Target...)
	control := append(s.meanControl(), u.meanControl()...)
	if !double {
		for i := range control {
			control[i] = 1
		}
	}
	nSeeded := len(s.Target)
	r.Bootstrap, err = Bootstrap([]int{nSeeded, len(u.Target)}, func(draw []int) float64 {
		var sum [2][2]float64
		for _, i := range draw {
			set := 0
			if i >= nSeeded {
				set = 1
			}
			sum[set][0] += target[i]
			sum[set][1] += control[i]
		}
		return sum[0][0] / sum[0][1] / (sum[1][0] / sum[1][1])
	}, o.Bootstrap)
	if err != nil {
		return r, fmt.Errorf("%s: %w", method, err)
	}
	r.Level = r.Bootstrap.Level
	ms, mu := momentsOf(s.Target, control[:nSeeded]), momentsOf(u.Target, control[nSeeded:])
	r.fill(ms, mu, double, o.Bootstrap)
	return r, nil
}

func meanOf(n, mean float64) Value {
	if n == 0 {
		return undefined("no unit")
	}
	return valueOf(mean)
}

// fill computes the ratio and its interval by logarithms.
func (r *RatioResult) fill(s, u moments, double bool, o BootstrapOptions) {
	none := func(why string) {
		r.Ratio, r.LogStandardError, r.DegreesOfFreedom = undefined("%s", why), undefined("%s", why), undefined("%s", why)
		r.LogInterval = noInterval("%s", why)
	}
	r.SeededTarget, r.UnseededTarget = meanOf(s.n, s.meanX), meanOf(u.n, u.meanX)
	r.TargetRatio = quotient(s.meanX, u.meanX, "no precipitation in the target in unseeded units")
	if s.n == 0 || u.n == 0 {
		r.TargetRatio = undefined("no seeded or no unseeded unit")
	}
	r.SeededControl, r.UnseededControl, r.ControlRatio = undefined("a single ratio has no control"), undefined("a single ratio has no control"), undefined("a single ratio has no control")
	if double {
		r.SeededControl, r.UnseededControl = meanOf(s.n, s.meanY), meanOf(u.n, u.meanY)
		r.ControlRatio = quotient(s.meanY, u.meanY, "no precipitation in the control in unseeded units")
		if s.n == 0 || u.n == 0 {
			r.ControlRatio = r.TargetRatio
		}
	}
	switch {
	case s.n == 0 || u.n == 0:
		none("no seeded or no unseeded unit")
		return
	case u.meanX == 0 || s.meanY == 0 || u.meanY == 0:
		none("no precipitation in unseeded units of the target, or in the control")
		return
	}
	r.Ratio = valueOf(s.meanX / s.meanY / (u.meanX / u.meanY))
	switch fewest := min(s.n, u.n); {
	case !r.Ratio.Known():
		none(r.Ratio.Why)
		return
	case s.meanX == 0:
		r.LogStandardError, r.DegreesOfFreedom = undefined("no precipitation in seeded units: the logarithm of nought"), undefined("no precipitation in seeded units")
		r.LogInterval = noInterval("no precipitation in seeded units: the logarithm of nought")
		return
	case fewest < 2:
		r.LogStandardError, r.DegreesOfFreedom = undefined("fewer than two units"), undefined("fewer than two units")
		r.LogInterval = noInterval("fewer than two units")
		return
	case o.defaults() != nil || fewest < float64(o.MinimumBlocks):
		r.LogInterval = noInterval("too few to say how sure this is: %s, %d needed", plural(int(fewest), "unit"), o.MinimumBlocks)
	}
	variance := func(m moments) float64 {
		v := (m.varX/(m.meanX*m.meanX) + m.varY/(m.meanY*m.meanY) - 2*m.xy/(m.meanX*m.meanY)) / m.n
		return max(v, 0)
	}
	vs, vu := variance(s), variance(u)
	r.LogStandardError = valueOf(sqrt(vs + vu))
	r.DegreesOfFreedom = quotient((vs+vu)*(vs+vu), vs*vs/(s.n-1)+vu*vu/(u.n-1), "all units have the same ratio")
	switch {
	case r.LogInterval.Why != "":
	case !r.LogStandardError.Known():
		r.LogInterval = noInterval("%s", r.LogStandardError.Why)
	case !r.DegreesOfFreedom.Known():
		r.LogInterval = noInterval("%s", r.DegreesOfFreedom.Why)
	default:
		half := studentQuantile((1+r.Level)/2, r.DegreesOfFreedom.Float()) * r.LogStandardError.Float()
		r.LogInterval = intervalOf(r.Ratio.Float()*exp(-half), r.Ratio.Float()*exp(half))
	}
}

func (r RatioResult) String() string {
	name := map[string]string{"single_ratio": "single ratio", "double_ratio": "double ratio"}[r.Method]
	s := fmt.Sprintf("%s %s from %d seeded and %d unseeded units", name, r.Ratio, r.Seeded.Used, r.Unseeded.Used)
	if r.LogInterval.Known() {
		interval, _ := r.Bootstrap.Recommended()
		s += fmt.Sprintf(", %.3g %% interval %s by logarithms, %s by bootstrap", 100*r.Level, r.LogInterval, interval)
	} else {
		s += ", " + r.LogInterval.String()
	}
	return s + " (" + r.Design.caveat() + ")"
}
