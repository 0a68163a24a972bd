package evaluate

import "fmt"

// Cautions that go with every result on the effect of seeding. None of these
// numbers is a proof that seeding worked or did not.
const (
	CautionNotRandomised = "Seeding was not randomised: the intervals and probabilities assume that seeded and unseeded units differ by seeding alone, and overstate how sure the effect is."
	CautionSelection     = "Units are seeded because they look promising: such units may bring more snow than others without any seeding."
	CautionClimate       = "Where seeded and unseeded units are of different years, a drifting climate, moved gauges or changed instruments look like an effect of seeding."
	CautionContamination = "Agent may reach the control, or linger into units that count as unseeded; either hides or feigns an effect."
	CautionControls      = "Controls were not declared before the data were seen: the best of many controls shows an effect by chance."
	CautionMultiplicity  = "Of 20 comparisons without any effect one is expected to reach the 5 % level; count every target, control, season and threshold that was tried."
	CautionGauges        = "Gauges miss snow in wind, and a target with other exposure than its control misses another share."
	CautionRandomised    = "Randomised units still need a plan declared beforehand, blind measurement and a second experiment; a single one decides nothing."
	CautionAsymptotic    = "The interval by logarithms holds for many units (Gabriel 1999 speaks of 100 and more); the re-randomisation test needs no such number."
	CautionNormal        = "The regression takes deviations as independent, normal and alike in unseeded and seeded units, and the relation as unchanged between them."
	CautionExtrapolated  = "Some seeded units lie outside of the controls seen in unseeded ones: there the line is a guess."
)

// Design says how the data came about; the cautions follow from it.
type Design struct {
	// Randomised: which units to seed was drawn by lot, within the blocks.
	Randomised bool `json:"randomised"`
	// Predeclared: target, control and method were written down before the data
	// were seen.
	Predeclared bool `json:"predeclared"`
	// Comparisons that were made in all, this one included; 0 is unknown.
	Comparisons int `json:"comparisons"`
}

// cautions for a design, and those of the method behind them.
func (d Design) cautions(method ...string) []string {
	var c []string
	if d.Randomised {
		c = append(c, CautionRandomised)
	} else {
		c = append(c, CautionNotRandomised, CautionSelection, CautionClimate)
	}
	c = append(c, CautionContamination, CautionGauges)
	if !d.Predeclared {
		c = append(c, CautionControls)
	}
	if d.Comparisons != 1 {
		c = append(c, CautionMultiplicity)
	}
	return append(c, method...)
}

// Bonferroni multiplies a probability by the number of comparisons that were made,
// up to 1: safe whatever their dependence (Dunn 1961, J. Amer. Stat. Assoc. 56, 52).
func Bonferroni(p Value, comparisons int) Value {
	switch {
	case !p.Known():
		return p
	case comparisons < 1:
		return undefined("nobody said how many comparisons were made")
	case p.Value < 0 || p.Value > 1:
		return undefined("%v is not a probability", float64(p.Value))
	}
	return valueOf(min(p.Float()*float64(comparisons), 1))
}

// caveat is the short form that ends every line of text.
func (d Design) caveat() string {
	if d.Randomised {
		return "randomised; no proof by itself"
	}
	return "not randomised; no proof of an effect"
}

func (d Design) String() string {
	return fmt.Sprintf("randomised %v, predeclared %v, comparisons %d", d.Randomised, d.Predeclared, d.Comparisons)
}
