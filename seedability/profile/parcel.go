package profile

import (
	"fmt"
	"math"

	"rimeline/seedability/thermo"
)

// Parcel is air that is lifted, and where it condenses.
type Parcel struct {
	PressurePa      Number `json:"air_pressure_pa"`
	AltitudeM       Number `json:"altitude_m"`
	AirTemperatureK Number `json:"air_temperature_k"`
	DewPointK       Number `json:"dew_point_k"`
	// The lifting condensation level, where droplets form.
	LCLAltitudeM    Number `json:"lcl_altitude_m"`
	LCLPressurePa   Number `json:"lcl_air_pressure_pa"`
	LCLTemperatureK Number `json:"lcl_air_temperature_k"`
	// The lifting deposition level, where ice could form; missing where it would
	// be warmer than freezing.
	LDLAltitudeM Number `json:"ldl_altitude_m"`
}

func noParcel() Parcel {
	return Parcel{missing, missing, missing, missing, missing, missing, missing, missing}
}

func newParcel(air thermo.MoistAir, altitudeM float64) Parcel {
	condensation, deposition := air.CondensationLevel(), air.DepositionLevel()
	p := Parcel{
		PressurePa: Number(air.PressurePa), AltitudeM: Number(altitudeM),
		AirTemperatureK: Number(air.AirTemperatureK), DewPointK: Number(air.DewPointK),
		LCLAltitudeM: Number(altitudeM + condensation.HeightM), LCLPressurePa: Number(condensation.PressurePa),
		LCLTemperatureK: Number(condensation.AirTemperatureK), LDLAltitudeM: missing,
	}
	if deposition.AirTemperatureK < thermo.MeltingPointK {
		p.LDLAltitudeM = Number(altitudeM + deposition.HeightM)
	}
	return p
}

func (d *Derived) deriveParcels(a *ascent) {
	d.SurfaceParcel, d.MixedParcel, d.PrecipitableWaterKgPerM2 = noParcel(), noParcel(), missing
	var moist []*level // levels with pressure, temperature and dew point
	for k := range a.levels {
		if l := &a.levels[k]; !math.IsNaN(l.pressurePa + l.temperatureK + l.dewPointK) {
			moist = append(moist, l)
		}
	}
	switch {
	case len(moist) == 0:
		const why = "no level has pressure, temperature and dew point"
		d.lacks("surface parcel", why)
		d.lacks("mixed-layer parcel", why)
		d.lacks("precipitable water", why)
		return
	case moist[0].altitudeM > a.surfaceM+surfaceToleranceM:
		why := fmt.Sprintf("the lowest level with humidity is %.0f m above the ground", moist[0].altitudeM-a.surfaceM)
		d.lacks("surface parcel", why)
		d.lacks("mixed-layer parcel", why)
	default:
		d.SurfaceParcel = newParcel(moist[0].air(), moist[0].altitudeM)
		if mixed, ok := mixedAir(moist, a.options.MixedLayerDepthPa, a.options.MaximumGapM); ok {
			d.MixedParcel = newParcel(mixed, moist[0].altitudeM)
		} else {
			d.lacks("mixed-layer parcel", fmt.Sprintf("the lowest %.0f hPa are not covered", a.options.MixedLayerDepthPa/100))
		}
	}

	column := make([]thermo.MoistAir, len(moist))
	for k, l := range moist {
		if k > 0 && l.altitudeM-moist[k-1].altitudeM > a.options.MaximumGapM {
			// Above 300 hPa there is next to nothing left to count.
			if moist[k-1].pressurePa > 30000 {
				d.lacks("precipitable water", fmt.Sprintf("a gap of %.0f m at %.0f hPa", l.altitudeM-moist[k-1].altitudeM, moist[k-1].pressurePa/100))
				return
			}
			column = column[:k]
			break
		}
		column[k] = l.air()
	}
	d.PrecipitableWaterKgPerM2 = Number(thermo.PrecipitableWaterKgPerM2(column))
	if !d.PrecipitableWaterKgPerM2.Known() {
		d.lacks("precipitable water", "fewer than two levels with humidity")
	}
}

// mixedAir is the lowest level's pressure with the mean potential temperature
// and mean mixing ratio, by pressure, of the layer above it.
func mixedAir(moist []*level, depthPa, gapM float64) (thermo.MoistAir, bool) {
	bottom := moist[0]
	topPa := bottom.pressurePa - depthPa
	if !(depthPa > 0) || !(topPa > 0) {
		return thermo.MoistAir{}, false
	}
	var theta, ratio, done float64
	for k := 1; k < len(moist) && done < depthPa; k++ {
		low, high := moist[k-1], moist[k]
		if high.altitudeM-low.altitudeM > gapM {
			return thermo.MoistAir{}, false
		}
		thetaHigh, ratioLow, ratioHigh := high.thetaK, low.air().MixingRatioKgPerKg(), high.air().MixingRatioKgPerKg()
		endPa := high.pressurePa
		if endPa < topPa { // cut the segment at the top, linear in the logarithm of pressure
			f := math.Log(topPa/low.pressurePa) / math.Log(high.pressurePa/low.pressurePa)
			thetaHigh = low.thetaK + f*(high.thetaK-low.thetaK)
			ratioHigh = ratioLow + f*(ratioHigh-ratioLow)
			endPa = topPa
		}
		weight := low.pressurePa - endPa
		theta += weight * (low.thetaK + thetaHigh) / 2
		ratio += weight * (ratioLow + ratioHigh) / 2
		done += weight
	}
	if !(done > depthPa*(1-1e-9)) || math.IsNaN(theta+ratio) {
		return thermo.MoistAir{}, false
	}
	return thermo.MoistAir{
		PressurePa:      bottom.pressurePa,
		AirTemperatureK: thermo.AirTemperatureOfPotentialK(bottom.pressurePa, theta/done),
		DewPointK:       thermo.DewPointK(thermo.VapourPressureOfMixingRatioPa(bottom.pressurePa, ratio/done)),
	}, true
}
