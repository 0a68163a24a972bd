package evaluate

import "fmt"

// Brier is the Brier score, the mean of (p - o)^2, and what it is made of:
//
//	Score = Reliability - Resolution + Uncertainty + WithinBinVariance - WithinBinCovariance
//
// exactly, whatever the bins. The first three are Murphy's (1973, J. Appl. Meteor.
// 12, 595); the last two make up for forecasts of one bin that differ (Stephenson,
// Coelho and Jolliffe 2008, Wea. Forecasting 23, 752). With few cases a bin,
// reliability and resolution come out too large (Ferro and Fricker 2012, Q. J. R.
// Meteorol. Soc. 138, 1954); this is not corrected here.
type Brier struct {
	Counts Counts `json:"counts"`
	Events int64  `json:"events"`
	Bins   int    `json:"bins"`
	// Score from 0, perfect, to 1.
	Score Value `json:"score"`
	// Reliability, 0 where each bin's mean forecast is its observed frequency.
	Reliability Value `json:"reliability"`
	// Resolution, how far the bins' observed frequencies are from the base rate;
	// more is better.
	Resolution Value `json:"resolution"`
	// Uncertainty of the event itself: base rate times its complement.
	Uncertainty         Value `json:"uncertainty"`
	WithinBinVariance   Value `json:"within_bin_variance"`
	WithinBinCovariance Value `json:"within_bin_covariance"`
	// SkillOfSample is 1 - Score/Uncertainty: skill over a constant forecast of the
	// base rate of these very cases, which nobody knew beforehand. At most 1.
	SkillOfSample Value `json:"skill_of_sample"`
}

// Brier makes the score with a number of equal bins, which must divide the resolution.
func (a *Probability) Brier(bins int) (Brier, error) {
	r := Brier{Counts: a.Counts(), Events: a.events(), Bins: bins}
	if err := a.checkBins(bins); err != nil {
		return r, fmt.Errorf("brier score: %w", err)
	}
	n := float64(r.Counts.Used)
	if n == 0 {
		none := undefined(whyNoPairs)
		r.Score, r.Reliability, r.Resolution, r.Uncertainty = none, none, none, none
		r.WithinBinVariance, r.WithinBinCovariance, r.SkillOfSample = none, none, none
		return r, nil
	}
	base := float64(r.Events) / n
	var score, reliability, resolution, variance, covariance float64
	for k := 0; k < len(a.bins); {
		first, bin := k, a.coarse(k, bins)
		var count, happened int64
		var sumP float64
		for ; k < len(a.bins) && a.coarse(k, bins) == bin; k++ {
			b, c := &a.bins[k], a.edges[k]
			count += b.n
			happened += b.events
			sumP += float64(b.n)*c + b.sumD
			yes, no := float64(b.events), float64(b.n-b.events)
			score += no*c*c + yes*(1-c)*(1-c) + 2*c*(b.sumD-b.sumDEvent) - 2*(1-c)*b.sumDEvent + b.sumD2
		}
		if count == 0 {
			continue
		}
		nk := float64(count)
		meanP, meanO := sumP/nk, float64(happened)/nk
		reliability += nk * (meanP - meanO) * (meanP - meanO)
		resolution += nk * (meanO - base) * (meanO - base)
		for i := first; i < k; i++ {
			b, c := &a.bins[i], a.edges[i]-meanP
			variance += float64(b.n)*c*c + 2*c*b.sumD + b.sumD2
			covariance += 2 * (float64(b.events)*c + b.sumDEvent)
		}
	}
	r.Score = valueOf(score / n)
	r.Reliability = valueOf(reliability / n)
	r.Resolution = valueOf(resolution / n)
	r.Uncertainty = valueOf(base * (1 - base))
	r.WithinBinVariance = valueOf(variance / n)
	r.WithinBinCovariance = valueOf(covariance / n)
	if r.Uncertainty.Value == 0 {
		r.SkillOfSample = undefined("the event happened always or never")
	} else {
		r.SkillOfSample = valueOf(1 - r.Score.Float()/r.Uncertainty.Float())
	}
	return r, nil
}

// BrierOfConstant is the score that a constant forecast would have got on the same
// cases: a climatology that was known beforehand, to be given to Skill.
func (a *Probability) BrierOfConstant(p float64) Value {
	c := a.Counts()
	if !(p >= 0 && p <= 1) {
		return undefined("the constant forecast %v is not a probability", p)
	}
	if c.Used == 0 {
		return undefined(whyNoPairs)
	}
	base := float64(a.events()) / float64(c.Used)
	return valueOf(base*(1-p)*(1-p) + (1-base)*p*p)
}

// Skill is 1 - score/reference, for scores that are 0 when perfect: 1 for a perfect
// forecast, 0 for one like the reference, less than 0 for a worse one.
func Skill(score, reference Value) Value {
	switch {
	case !score.Known():
		return undefined("score: %s", score.Why)
	case !reference.Known():
		return undefined("reference: %s", reference.Why)
	case reference.Value == 0:
		return undefined("the reference is perfect")
	}
	return valueOf(1 - score.Float()/reference.Float())
}

func (b Brier) String() string {
	return fmt.Sprintf("%s (%d events), Brier score %s = reliability %s - resolution %s + uncertainty %s + within-bin variance %s - covariance %s; skill over the sample's base rate %s",
		b.Counts, b.Events, b.Score, b.Reliability, b.Resolution, b.Uncertainty, b.WithinBinVariance, b.WithinBinCovariance, b.SkillOfSample)
}

// Sharpness says how far the forecasts go, whatever happened: a forecaster who
// always gives the base rate is reliable and not sharp.
type Sharpness struct {
	Counts Counts `json:"counts"`
	Mean   Value  `json:"mean"`
	// Variance and StandardDeviation of the forecasts about their mean (by n); at
	// most 0.25 and 0.5.
	Variance          Value `json:"variance"`
	StandardDeviation Value `json:"standard_deviation"`
	// BelowTenth and FromNineTenths are the shares of forecasts below 0.1 and of
	// 0.9 and more; common practice, no source.
	BelowTenth     Value `json:"below_tenth"`
	FromNineTenths Value `json:"from_nine_tenths"`
}

// Sharpness of the forecasts. The two shares need a resolution that is a multiple of 10.
func (a *Probability) Sharpness() Sharpness {
	s := Sharpness{Counts: a.Counts()}
	if s.Counts.Used == 0 {
		none := undefined(whyNoPairs)
		s.Mean, s.Variance, s.StandardDeviation, s.BelowTenth, s.FromNineTenths = none, none, none, none, none
		return s
	}
	n := float64(s.Counts.Used)
	var sum, squares float64
	var low, high int64
	m := a.resolution()
	for k := range a.bins {
		sum += float64(a.bins[k].n)*a.edges[k] + a.bins[k].sumD
		if 10*k < m {
			low += a.bins[k].n
		}
		if 10*k >= 9*m {
			high += a.bins[k].n
		}
	}
	mean := sum / n
	for k := range a.bins {
		b, c := &a.bins[k], a.edges[k]-mean
		squares += float64(b.n)*c*c + 2*c*b.sumD + b.sumD2
	}
	variance := max(squares/n, 0)
	s.Mean, s.Variance, s.StandardDeviation = valueOf(mean), valueOf(variance), valueOf(sqrt(variance))
	if m%10 != 0 {
		s.BelowTenth = undefined("the resolution of %d has no edge there", m)
		s.FromNineTenths = s.BelowTenth
		return s
	}
	s.BelowTenth, s.FromNineTenths = valueOf(float64(low)/n), valueOf(float64(high)/n)
	return s
}

func (s Sharpness) String() string {
	return fmt.Sprintf("%s, mean forecast %s, standard deviation %s, below 0.1: %s, 0.9 and more: %s", s.Counts, s.Mean, s.StandardDeviation, s.BelowTenth, s.FromNineTenths)
}
