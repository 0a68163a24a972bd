package profile

import (
	"fmt"
	"math"

	"rimeline/seedability/thermo"
)

// Stability is how the lowest 6 km resist vertical motion.
type Stability struct {
	Layers     []StabilityLayer `json:"layers"`
	Inversions []Inversion      `json:"inversions"`
	// MixedLayerTopAltitudeM is where the bulk Richardson number counted from the
	// lowest level first exceeds 0.25 (common practice).
	MixedLayerTopAltitudeM Number `json:"mixed_layer_top_altitude_m"`
}

// StabilityLayer is a layer of at least 100 m.
type StabilityLayer struct {
	BaseAltitudeM float64 `json:"base_altitude_m"`
	TopAltitudeM  float64 `json:"top_altitude_m"`
	// Squared buoyancy frequencies: (g/theta) dtheta/dz, and that of saturated
	// air after Durran and Klemp (1982, eq. 36). Negative is unstable.
	DryPerS2       Number `json:"buoyancy_frequency_squared_per_s2"`
	SaturatedPerS2 Number `json:"saturated_buoyancy_frequency_squared_per_s2"`
	// RelativeHumidity over water, 1 at saturation; Saturated says that the
	// saturated value is the one that counts.
	RelativeHumidity Number `json:"relative_humidity_water"`
	Saturated        bool   `json:"saturated"`
	// BulkRichardson of the layer; missing without wind or without shear.
	BulkRichardson Number `json:"bulk_richardson"`
}

// Inversion is a layer in which the temperature rises with height.
type Inversion struct {
	BaseAltitudeM float64 `json:"base_altitude_m"`
	TopAltitudeM  float64 `json:"top_altitude_m"`
	StrengthK     float64 `json:"strength_k"` // top less base
}

// Of the stability analysis (common practice, no source).
const (
	stabilityDepthM    = 6000.0
	stabilityLayerM    = 100.0
	weakestInversionK  = 0.1
	criticalRichardson = 0.25 // value from memory
)

func (d *Derived) deriveStability(a *ascent) {
	d.Stability = Stability{Layers: []StabilityLayer{}, Inversions: []Inversion{}, MixedLayerTopAltitudeM: missing}
	var thermal []*level // levels with pressure and temperature
	for k := range a.levels {
		if l := &a.levels[k]; !math.IsNaN(l.pressurePa+l.temperatureK) && l.altitudeM <= a.surfaceM+stabilityDepthM {
			thermal = append(thermal, l)
		}
	}
	if len(thermal) < 2 {
		d.lacks("stability", "fewer than two levels with pressure and temperature")
		return
	}
	for lower, k := thermal[0], 1; k < len(thermal); k++ {
		upper := thermal[k]
		if upper.altitudeM-lower.altitudeM < stabilityLayerM {
			continue // and what is left at the top is too thin to speak for itself
		}
		if upper.altitudeM-lower.altitudeM <= a.options.MaximumGapM {
			d.Stability.Layers = append(d.Stability.Layers, a.stabilityLayer(lower, upper))
		}
		lower = upper
	}
	d.Stability.Inversions = a.inversions(thermal)

	top, why := a.mixedLayerTopM()
	if d.Stability.MixedLayerTopAltitudeM = Number(top); why != "" {
		d.lacks("mixed-layer top", why)
	}
}

func (a *ascent) stabilityLayer(lower, upper *level) StabilityLayer {
	state := lower.stratification(upper)
	layer := StabilityLayer{
		BaseAltitudeM: lower.altitudeM, TopAltitudeM: upper.altitudeM,
		DryPerS2:       Number(dryFrequencyPerS2(lower, upper)),
		SaturatedPerS2: Number(state.JustSaturated().SaturatedPerS2()),
		BulkRichardson: Number(bulkRichardson(lower, upper)),
	}
	humidity, covered := a.humidity.mean(lower.altitudeM, upper.altitudeM)
	layer.RelativeHumidity = missing
	if covered > 0 {
		layer.RelativeHumidity = Number(humidity)
		layer.Saturated = humidity > a.options.SaturatedHumidity
	}
	return layer
}

// dryFrequencyPerS2 is exact for the layer: g ln(theta2/theta1) / dz.
func dryFrequencyPerS2(lower, upper *level) float64 {
	return thermo.GravityMPerS2 * math.Log(upper.thetaK/lower.thetaK) / (upper.altitudeM - lower.altitudeM)
}

// bulkRichardson between two levels; dry where the dew point is missing.
func bulkRichardson(lower, upper *level) float64 {
	virtual := func(l *level) float64 {
		if math.IsNaN(l.dewPointK) {
			return l.thetaK
		}
		return l.air().VirtualPotentialTemperatureK()
	}
	return thermo.Shear{
		LowerVirtualPotentialTemperatureK: virtual(lower), UpperVirtualPotentialTemperatureK: virtual(upper),
		DepthM:              upper.altitudeM - lower.altitudeM,
		EastwardChangeMPerS: upper.eastwardMPerS - lower.eastwardMPerS, NorthwardChangeMPerS: upper.northwardMPerS - lower.northwardMPerS,
	}.BulkRichardson()
}

func (a *ascent) inversions(thermal []*level) []Inversion {
	found := []Inversion{}
	var base *level
	for k := 1; k <= len(thermal); k++ {
		lower := thermal[k-1]
		rises := k < len(thermal) && thermal[k].temperatureK > lower.temperatureK && thermal[k].altitudeM-lower.altitudeM <= a.options.MaximumGapM
		switch {
		case rises && base == nil:
			base = lower
		case !rises && base != nil:
			if strength := lower.temperatureK - base.temperatureK; strength >= weakestInversionK {
				found = append(found, Inversion{base.altitudeM, lower.altitudeM, strength})
			}
			base = nil
		}
	}
	return found
}

// mixedLayerTopM is where Ri_b from the lowest level passes 0.25.
func (a *ascent) mixedLayerTopM() (float64, string) {
	var bottom *level
	lastM, last := nan, 0.0
	for k := range a.levels {
		l := &a.levels[k]
		if math.IsNaN(l.thetaK + l.eastwardMPerS + l.northwardMPerS) {
			continue
		}
		if bottom == nil {
			if l.altitudeM > a.surfaceM+surfaceToleranceM {
				return nan, fmt.Sprintf("the lowest level with temperature and wind is %.0f m above the ground", l.altitudeM-a.surfaceM)
			}
			bottom, lastM = l, l.altitudeM
			continue
		}
		if l.altitudeM-lastM > a.options.MaximumGapM {
			return nan, fmt.Sprintf("a gap of %.0f m at %.0f m", l.altitudeM-lastM, lastM)
		}
		richardson := bulkRichardson(bottom, l)
		if math.IsNaN(richardson) { // neither shear nor stability
			richardson = 0
		}
		if richardson > criticalRichardson {
			// Infinite without shear: f is 0, the level below is the top.
			f := (criticalRichardson - last) / (richardson - last)
			return lastM + f*(l.altitudeM-lastM), ""
		}
		lastM, last = l.altitudeM, max(0, richardson)
	}
	if bottom == nil {
		return nan, "no level has temperature and wind"
	}
	return nan, "the bulk Richardson number stays below 0.25"
}
