package radar

import (
	"math"

	"rimeline/grid"
)

// BrightBand is the layer of melting snow, which reflects more than what is above
// and below.
type BrightBand struct {
	Found bool
	// AltitudeM and ReflectivityDBZ of the peak, and ExcessDB over the snow above.
	AltitudeM, ReflectivityDBZ, ExcessDB float64
	// BelowFreezingLevelM is how far under the 0 degree level the peak is.
	BelowFreezingLevelM float64
	// CorrelationChecked: the correlation coefficient was there and low too.
	CorrelationChecked bool
	// Reason says why none was found.
	Reason string
}

// The rule: a peak of at least 5 dB within 500 m below the 0 degree level, with a
// correlation coefficient below 0.95 where it is measured (common practice; mean
// depth and contrast as in Fabry and Zawadzki 1995, J. Atmos. Sci. 52, 838, and
// correlation as in Giangrande et al. 2008, J. Appl. Meteor. Climatol. 47, 1354;
// values from memory).
const (
	brightBandDepthM      = 500
	brightBandExcessDB    = 5
	brightBandCorrelation = 0.95
	// brightBandReachM above the 0 degree level is where snow is looked for to
	// compare with.
	brightBandReachM = 1500
)

// FindBrightBand applies the rule to a column. freezingLevelM is the altitude of
// the 0 degree level, from model or sounding. A beam much wider than the band
// smears it out: none is found then, which the reason says.
func (c Column) FindBrightBand(freezingLevelM float64) BrightBand {
	none := func(reason string) BrightBand {
		return BrightBand{AltitudeM: math.NaN(), ReflectivityDBZ: math.NaN(), ExcessDB: math.NaN(), BelowFreezingLevelM: math.NaN(), Reason: reason}
	}
	if math.IsNaN(freezingLevelM) {
		return none("the 0 °C level is not known")
	}
	peak, snow := -1, -1
	strongestBelow := math.Inf(-1)
	for k, s := range c {
		if s.Sight != grid.Echo {
			continue
		}
		under := freezingLevelM - s.AltitudeM
		switch {
		case under > brightBandDepthM:
			strongestBelow = math.Max(strongestBelow, s.ReflectivityDBZ)
		case under >= 0:
			if peak < 0 || s.ReflectivityDBZ > c[peak].ReflectivityDBZ {
				peak = k
			}
		case -under <= brightBandReachM && snow < 0:
			snow = k
		}
	}
	switch {
	case peak < 0:
		return none("no echo seen within 500 m below the 0 °C level")
	case snow < 0:
		return none("no echo seen above the 0 °C level to compare with")
	}
	p := c[peak]
	excess := p.ReflectivityDBZ - c[snow].ReflectivityDBZ
	switch {
	case !(excess >= brightBandExcessDB):
		if p.HalfWidthM > brightBandDepthM {
			return none("the beam is wider than a bright band")
		}
		return none("reflectivity does not rise by 5 dB")
	case strongestBelow > p.ReflectivityDBZ:
		return none("reflectivity goes on rising below")
	case p.CorrelationCoefficient >= brightBandCorrelation: // false for NaN
		return none("the correlation coefficient is that of one kind of particles")
	}
	return BrightBand{
		Found: true, AltitudeM: p.AltitudeM, ReflectivityDBZ: p.ReflectivityDBZ, ExcessDB: excess,
		BelowFreezingLevelM: freezingLevelM - p.AltitudeM, CorrelationChecked: !math.IsNaN(p.CorrelationCoefficient),
	}
}

// RateSample is the beam that a precipitation rate at the ground is best taken
// from: the lowest that saw, outside of the bright band and below the 0 degree
// level where there is one such, else false. Without a bright band any lowest
// beam will do.
func (c Column) RateSample(band BrightBand) (Sample, bool) {
	for _, s := range c {
		if !s.Sight.Seen() {
			continue
		}
		low, high := s.extent()
		if band.Found && high >= band.AltitudeM && low <= band.AltitudeM+band.BelowFreezingLevelM {
			continue
		}
		if band.Found && low > band.AltitudeM {
			return Sample{}, false // snow above the band is no rain below
		}
		return s, true
	}
	return Sample{}, false
}
