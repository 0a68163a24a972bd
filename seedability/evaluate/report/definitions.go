package report

import (
	"fmt"

	"rimeline/seedability/evaluate"
)

// settings lists the choices that numbers depend on.
func settings(o *Options) []Setting {
	window := "the state window"
	if o.WindowScore > 0 {
		window = fmt.Sprintf("a score of %.4g or more, whatever the state", o.WindowScore)
	}
	b := o.Bootstrap
	if b.Replicates == 0 {
		b.Replicates = 2000
	}
	if b.Level == 0 {
		b.Level = .95
	}
	if b.MinimumBlocks == 0 {
		b.MinimumBlocks = evaluate.DefaultMinimumBlocks
	}
	return []Setting{
		{"A window is", window, "Blind, and hold where the state decides, are missing: they say nothing of the opportunity."},
		{"Release times are the same within", span(o.Pairs.Tolerance), "common practice, no source"},
		{"An assessment says what was so if made within", span(o.Pairs.JudgedWithin) + " of its release", "common practice, no source"},
		{"A storm day begins at", fmt.Sprintf("%02d:%02d UTC", int(o.DayBoundary.Hours()), int(o.DayBoundary.Minutes())%60), "Early morning in western North America, where storms seldom break; common practice, no source."},
		{"Intervals", fmt.Sprintf("%.4g %%, %d resampled sets of storm days, seed %d", 100*b.Level, b.Replicates, b.Seed), "Hours of one storm resemble each other: an interval made from single hours would be far too narrow."},
		{"An interval needs", fmt.Sprintf("%d storm days or seasons", b.MinimumBlocks), "common practice, no source"},
		{"Observations count", fmt.Sprintf("%s after the release", span(o.Lag)), "set by --lag"},
	}
}

// glossary explains every number that is shown.
func glossary() []Explained {
	var all []Explained
	for _, m := range evaluate.Measures {
		all = append(all, Explained{m.Key, m.Name, m.Formula, m.Range(), m.Chance, m.Source})
	}
	return append(all,
		Explained{"brier", "Brier score", "mean of (p - o)^2 = reliability - resolution + uncertainty + within-bin variance - within-bin covariance", "0 to 1, 0 is perfect", "base rate x (1 - base rate), for a constant forecast of the base rate", "Stephenson, Coelho and Jolliffe 2008, Wea. Forecasting 23, 752"},
		Explained{"reliability", "reliability", "mean over bins of (mean forecast - observed frequency)^2", "0 and up, 0 is perfect", "any", "Murphy 1973, J. Appl. Meteor. 12, 595"},
		Explained{"resolution", "resolution", "mean over bins of (observed frequency - base rate)^2", "0 to uncertainty, more is better", "0", "Murphy 1973, J. Appl. Meteor. 12, 595"},
		Explained{"brier_skill", "Brier skill over the sample's base rate", "1 - Brier score / uncertainty", "at most 1", "0", "Murphy 1973; nobody knew the base rate beforehand"},
		Explained{"roc_area", "ROC area", "share of pairs of an event and a non-event in which the event had the higher score, a tie counting half", "0 to 1", "0.5", "Mason and Graham 2002, Q. J. R. Meteorol. Soc. 128, 2145, value from memory"},
		Explained{"crps_fair", "CRPS, fair", "mean |x - y| - sum over pairs |x - x'| / (m (m - 1)), x members, y the later score", "0 and up, in points of score", "any", "Ferro 2014, Q. J. R. Meteorol. Soc. 140, 1917"},
		Explained{"mean_error", "mean error", "mean of foreseen - later score", "-100 to 100", "0 is best", "CAWCR"},
		Explained{"mean_absolute", "mean absolute error", "mean of |foreseen - later score|", "0 to 100", "0 is best", "CAWCR"},
		Explained{"used_share", "share used", "minutes of windows without hold and with a release / minutes of windows without hold", "0 to 1", "", "this report"},
		Explained{"ratio_regression", "ratio of the historical regression", "sum of target in seeded units / sum of a + b C, fitted to unseeded units", "0 and up, 1 is no difference", "1", "Seber and Lee 2003, Linear Regression Analysis, 2nd ed., section 5.3"},
		Explained{"single_ratio", "single ratio", "Ts/Tu", "0 and up, 1 is no difference", "1", "Gabriel 1999, J. Appl. Meteor. 38, 290"},
		Explained{"double_ratio", "double ratio", "(Ts/Cs)/(Tu/Cu)", "0 and up, 1 is no difference", "1", "Gabriel 1999, J. Appl. Meteor. 38, 290"},
		Explained{"p_permutation", "probability of the re-randomisation test", "share of ways to draw the seeded units whose statistic is as extreme", "0 to 1", "any", "Fisher 1935, The Design of Experiments, section 21; Phipson and Smyth 2010, Stat. Appl. Genet. Mol. Biol. 9, 39"},
		Explained{"interval", "interval", "quantiles of the value over storm days (or units) drawn with replacement; expanded for their number below 30, bias-corrected from there", "", "", "Hesterberg 2015, Amer. Stat. 69, 371; Efron 1987, J. Amer. Stat. Assoc. 82, 171"},
	)
}
