package liquid

import (
	"fmt"
	"math"
)

// Liquid water paths that a radiometer can tell apart (common practice, no
// source). Over Grand Mesa the hourly median of five winter months was 0.08 mm,
// the maximum 1.07 mm (Boe and Super, J. Wea. Mod.).
const (
	NoiseKgPerM2   = 0.03 // of a microwave radiometer
	PresentKgPerM2 = 0.05
	UsefulKgPerM2  = 0.10
)

// Amount names a liquid water path.
type Amount string

// Amounts, in rising order.
const (
	AmountUnknown Amount = "unknown"
	AmountNone    Amount = "none"    // within the noise
	AmountTrace   Amount = "trace"   // between noise and PresentKgPerM2
	AmountPresent Amount = "present" // from PresentKgPerM2
	AmountUseful  Amount = "useful"  // from UsefulKgPerM2
)

// AmountOf names a liquid water path.
func AmountOf(pathKgPerM2 float64) Amount {
	switch {
	case math.IsNaN(pathKgPerM2):
		return AmountUnknown
	case pathKgPerM2 < NoiseKgPerM2:
		return AmountNone
	case pathKgPerM2 < PresentKgPerM2:
		return AmountTrace
	case pathKgPerM2 < UsefulKgPerM2:
		return AmountPresent
	}
	return AmountUseful
}

// Radiometer is a reading of a zenith microwave radiometer.
type Radiometer struct {
	LiquidKgPerM2 float64 // the whole column
	// ColumnWarmestK is the warmest air above the instrument: the liquid is
	// known to be supercooled only where that is below freezing.
	ColumnWarmestK float64
	WetRadome      bool
}

// Estimate turns the reading into evidence. A wet radome and a column that is
// partly above freezing count for nothing, and the reason says so.
func (r Radiometer) Estimate(quality float64) Estimate {
	e := Estimate{Method: "radiometer", Family: "radiometer", KgPerM2: r.LiquidKgPerM2, Quality: quality}
	switch {
	case math.IsNaN(r.LiquidKgPerM2):
		e.Quality, e.Reason = 0, "no reading"
	case r.WetRadome:
		e.Quality, e.Reason = 0, "the radome is wet"
	case !(r.ColumnWarmestK < meltingPointK):
		e.Quality, e.Reason = 0, "part of the column is not below freezing, the liquid there is not supercooled"
	default:
		e.Reason = fmt.Sprintf("%.2f mm in a column colder than 0 °C: %s", r.LiquidKgPerM2, AmountOf(r.LiquidKgPerM2))
	}
	return e
}

// Estimate is what one method says of the supercooled liquid water path.
type Estimate struct {
	Method string
	// Family groups methods that share their weaknesses: "model", "sounding",
	// "radiometer". Only different families confirm each other.
	Family  string
	KgPerM2 float64 // NaN where the method had nothing to work on
	Quality float64 // 0 to 1
	Reason  string
}

// weighted is what the estimate counts for.
func (e Estimate) weighted() float64 { return e.Quality * e.KgPerM2 }

// Combined is the verdict of all methods.
type Combined struct {
	// KgPerM2 is the largest of quality times path; NaN without any estimate.
	KgPerM2 float64
	// From is the index in Estimates of the one that gave it, -1 without any.
	From      int
	Estimates []Estimate
	// AgreeingFamilies counts the families that say of liquid water what the
	// verdict says: present (0.05 mm or more) or not. Two or more raise the
	// confidence.
	AgreeingFamilies int
}

// Combine takes the maximum of the quality-weighted estimates. Estimates
// without a value or without quality are published but do not count.
func Combine(estimates []Estimate) Combined {
	combined := Combined{KgPerM2: nan, From: -1, Estimates: estimates}
	counts := func(e Estimate) bool { return !math.IsNaN(e.weighted()) && e.Quality > 0 }
	for k, e := range estimates {
		if counts(e) && !(e.weighted() <= combined.KgPerM2) {
			combined.KgPerM2, combined.From = e.weighted(), k
		}
	}
	if combined.From < 0 {
		return combined
	}
	present := estimates[combined.From].KgPerM2 >= PresentKgPerM2
	families := map[string]bool{}
	for _, e := range estimates {
		if counts(e) && (e.KgPerM2 >= PresentKgPerM2) == present {
			families[e.Family] = true
		}
	}
	combined.AgreeingFamilies = len(families)
	return combined
}
