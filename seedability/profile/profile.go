// Package profile derives from one column of the atmosphere what a forecaster
// reads off a sounding: isotherm heights, condensation levels, cloud and
// supercooled-liquid layers, stability, and whether air from a release site
// gets over a barrier.
//
// A column may be a radiosonde ascent or the levels of a model above a point.
// Temperature, dew point and wind are linear in height between levels; nothing
// is interpolated across more than Options.MaximumGapM. What cannot be derived
// is a missing Number, and Derived.Missing says why.
package profile

import (
	"encoding/json"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/liquid"
	"rimeline/seedability/thermo"
)

// Number is a value that may be missing: NaN in the program, null in JSON.
type Number float64

// Known says whether there is a value.
func (n Number) Known() bool { return !math.IsNaN(float64(n)) && !math.IsInf(float64(n), 0) }

// MarshalJSON writes null for a missing value.
func (n Number) MarshalJSON() ([]byte, error) {
	if !n.Known() {
		return []byte("null"), nil
	}
	return json.Marshal(float64(n))
}

// UnmarshalJSON reads null as missing.
func (n *Number) UnmarshalJSON(b []byte) error {
	value := math.NaN()
	if err := json.Unmarshal(b, &value); err != nil {
		return err
	}
	*n = Number(value)
	return nil
}

var (
	nan     = math.NaN()
	missing = Number(nan)
)

// Options says how a column is read. Begin with DefaultOptions.
type Options struct {
	// MaximumGapM is the widest gap between levels that is interpolated across.
	MaximumGapM float64
	// ActivationTemperatureK is the agent's onset, and ActivationDepthM how deep
	// the air above must stay colder for the onset to count.
	ActivationTemperatureK, ActivationDepthM float64
	// ReleaseAltitudeM is where the agent is released; NaN for the surface.
	ReleaseAltitudeM float64
	// MixedLayerDepthPa is the depth of the layer that the mixed parcel is the
	// mean of.
	MixedLayerDepthPa float64
	// CloudRule names the cloud analysis that cloud top and depth are taken from
	// where there is no model condensate.
	CloudRule string
	// CloudHumidity is the relative humidity over water (0 to 1) from which a
	// plume counts as in cloud where no liquid water content is given.
	CloudHumidity float64
	// EntrainmentFactor scales adiabatic liquid; see liquid.EntrainmentFactor.
	EntrainmentFactor float64
	// SaturatedHumidity is the relative humidity over water above which moist
	// stability replaces dry.
	SaturatedHumidity float64
	// Barrier is what the air has to get over; nil for none.
	Barrier *Barrier
}

// DefaultOptions are common practice without a source, except for the onset of
// silver iodide (Dennis 1980: effective when colder than -5 degrees Celsius,
// useful from -6) and the switch of stability at 90 %.
func DefaultOptions() Options {
	return Options{
		MaximumGapM:            liquid.MaximumGapM,
		ActivationTemperatureK: thermo.MeltingPointK - 6,
		ActivationDepthM:       300,
		ReleaseAltitudeM:       nan,
		MixedLayerDepthPa:      10000,
		CloudRule:              liquid.WangRossow().Name,
		CloudHumidity:          liquid.LikelyHumidity,
		EntrainmentFactor:      liquid.EntrainmentFactor,
		SaturatedHumidity:      0.90,
	}
}

// Derived is what a column says. Altitudes are above the geoid.
type Derived struct {
	Label            string      `json:"label"`
	Time             time.Time   `json:"time"`
	Place            grid.LatLon `json:"-"`
	LatitudeDeg      Number      `json:"latitude_deg"`
	LongitudeDeg     Number      `json:"longitude_deg"`
	SurfaceAltitudeM Number      `json:"surface_altitude_m"`
	ReleaseAltitudeM Number      `json:"release_altitude_m"`
	LevelsUsed       int         `json:"levels_used"`
	TopAltitudeM     Number      `json:"top_altitude_m"`

	// Isotherms are those of IsothermsK, in that order.
	Isotherms []Isotherm `json:"isotherms"`
	// FreezingLevelAltitudeM is the highest crossing of 0 degrees Celsius: the
	// cautious choice where rain is the hazard.
	FreezingLevelAltitudeM Number     `json:"freezing_level_altitude_m"`
	Activation             Activation `json:"activation"`
	// WetBulbZero and WetBulbHalf are the crossings of wet bulb 0 and 0.5 degrees
	// Celsius, between which falling snow turns to rain (common practice, no
	// source).
	WetBulbZero Isotherm `json:"wet_bulb_zero"`
	WetBulbHalf Isotherm `json:"wet_bulb_half_degree"`

	SurfaceParcel            Parcel `json:"surface_parcel"`
	MixedParcel              Parcel `json:"mixed_parcel"`
	PrecipitableWaterKgPerM2 Number `json:"precipitable_water_kg_per_m2"`

	// Isobaric is the air at 850, 700 and 500 hPa.
	Isobaric []Isobaric `json:"isobaric"`

	Cloud     Cloud     `json:"cloud"`
	Liquid    Liquid    `json:"liquid"`
	Stability Stability `json:"stability"`
	// Barrier is nil where Options named none.
	Barrier *BarrierFlow `json:"barrier,omitempty"`

	// Missing says what could not be derived and why; Notes what was done to the
	// column before it was read.
	Missing []string `json:"missing"`
	Notes   []string `json:"notes"`
}

// IsothermsK are the temperatures whose heights are derived: 0, -5, -6, -10, -15
// and -20 degrees Celsius.
func IsothermsK() []float64 {
	return []float64{273.15, 268.15, 267.15, 263.15, 258.15, 253.15}
}

// Derive reads a column. It accepts anything: unsorted levels, duplicates,
// missing values everywhere.
func Derive(column grid.Column, options Options) Derived {
	a := newAscent(column, options)
	d := &Derived{
		Label: column.Label, Time: column.Time, Place: column.Place,
		LatitudeDeg: Number(column.Place.LatitudeDeg), LongitudeDeg: Number(column.Place.LongitudeDeg),
		SurfaceAltitudeM: Number(a.surfaceM), ReleaseAltitudeM: Number(a.releaseM),
		LevelsUsed: len(a.levels), TopAltitudeM: missing,
		Missing: []string{}, Notes: append([]string{}, a.notes...),
	}
	if n := len(a.levels); n > 0 {
		d.TopAltitudeM = Number(a.levels[n-1].altitudeM)
	}
	d.deriveIsotherms(a)
	d.deriveParcels(a)
	d.deriveIsobaric(a)
	d.deriveCloud(a)
	d.deriveLiquid(a)
	d.deriveStability(a)
	d.deriveBarrier(a)
	return *d
}

// lacks records what could not be derived and why.
func (d *Derived) lacks(what, why string) { d.Missing = append(d.Missing, what+": "+why) }

// Isotherm finds the derived isotherm of a temperature; false where it is not
// one of IsothermsK.
func (d Derived) Isotherm(airTemperatureK float64) (Isotherm, bool) {
	for _, isotherm := range d.Isotherms {
		if math.Abs(isotherm.AirTemperatureK-airTemperatureK) < 1e-6 {
			return isotherm, true
		}
	}
	return Isotherm{}, false
}
