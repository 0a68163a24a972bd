package agent

import (
	"fmt"
	"math"
)

// Plume is a release and the box of air that it is spread over.
type Plume struct {
	ReleaseRateGPerS  float64 // silver iodide
	CrystalsPerG      float64 // at the temperature where it acts
	NucleatedFraction float64 // of these, so far
	WindSpeedMPerS    float64 // that carries it
	WidthM, DepthM    float64 // of the plume there
}

// CrystalsPerLitre is the mean concentration of crystals in the plume:
// Q Y f / (1000 U W D).
func (p Plume) CrystalsPerLitre() float64 {
	if !(p.WindSpeedMPerS > 0 && p.WidthM > 0 && p.DepthM > 0 && p.ReleaseRateGPerS >= 0) {
		return nan
	}
	return p.ReleaseRateGPerS * p.CrystalsPerG * p.NucleatedFraction / (1000 * p.WindSpeedMPerS * p.WidthM * p.DepthM)
}

// Limits of the dose, crystals per litre. Some 10 to 100 are needed for
// effective seeding (Young 1974).
const (
	DoseTooLittlePerLitre = 1.0
	DoseWeakPerLitre      = 10.0
	DoseTooMuchPerLitre   = 100.0
)

// DoseVerdict says what a dose is worth.
type DoseVerdict struct {
	Class DoseClass
	// OpportunityCap is the most that the opportunity (0 to 1) may reach with
	// this dose; 1 where it sets no limit. The caps are common practice, no
	// source.
	OpportunityCap float64
	Reason         string
}

// DoseClass is one of the four below.
type DoseClass string

// Classes of dose.
const (
	DoseUnknown   DoseClass = "unknown"
	DoseTooLittle DoseClass = "too little"
	DoseWeak      DoseClass = "weak"
	DoseEnough    DoseClass = "enough"
	DoseTooMuch   DoseClass = "over-seeding"
)

// JudgeDose judges a predicted concentration of crystals. A dose that is not
// known sets no limit and says so.
func JudgeDose(crystalsPerLitre float64) DoseVerdict {
	switch {
	case math.IsNaN(crystalsPerLitre):
		return DoseVerdict{DoseUnknown, 1, "the dose is not known"}
	case crystalsPerLitre < DoseTooLittlePerLitre:
		return DoseVerdict{DoseTooLittle, 0.3, fmt.Sprintf("%.2g crystals per litre, below %g: too few to matter", crystalsPerLitre, DoseTooLittlePerLitre)}
	case crystalsPerLitre < DoseWeakPerLitre:
		return DoseVerdict{DoseWeak, 0.7, fmt.Sprintf("%.2g crystals per litre, below %g: a weak dose", crystalsPerLitre, DoseWeakPerLitre)}
	case crystalsPerLitre > DoseTooMuchPerLitre:
		return DoseVerdict{DoseTooMuch, 1, fmt.Sprintf("%.3g crystals per litre, above %g: over-seeding, crystals may stay small", crystalsPerLitre, DoseTooMuchPerLitre)}
	default:
		return DoseVerdict{DoseEnough, 1, fmt.Sprintf("%.3g crystals per litre, within %g to %g", crystalsPerLitre, DoseWeakPerLitre, DoseTooMuchPerLitre)}
	}
}
