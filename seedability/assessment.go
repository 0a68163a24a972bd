// Package seedability judges whether agent released from a ground site will find
// supercooled liquid water at a temperature where it works, and whether the ice
// that it makes will fall in the target.
//
// The idea: a particle ensemble (package drift) carries the release through the
// four-dimensional atmosphere (package grid); along its mean path the columns of
// that atmosphere are reduced to the quantities that published criteria speak of
// (packages profile, liquid, agent, thermo); each quantity is judged by a
// membership from 0 to 1, their weighted geometric mean is the opportunity O,
// the share of members that land in the target is P, and the score is
// 100 sqrt(O P). Confidence stands beside the score and never changes it.
//
// Everything here is a pure function of its arguments: no files, no network, no
// clock. The same arguments give the same assessment.
package seedability

import (
	"math"
	"time"

	"rimeline/grid"
)

// State is what an assessment says to the person on duty.
type State string

// The states of a site. Assess makes no hold: the criteria that suspend seeding
// are judged by package hold, and override what is found here.
const (
	StateQuiet    State = "quiet"    // no opportunity
	StateBuilding State = "building" // one is forecast for a later release of those assessed
	StateWindow   State = "window"   // agent released then is expected to work
	StateBlind    State = "blind"    // inputs too old or missing to judge
	StateHold     State = "hold"     // suspended by a criterion, whatever the score
)

// Assessment is the verdict on one site for one release time.
type Assessment struct {
	Programme   string    `json:"programme"`
	Site        SiteRef   `json:"site"`
	ReleaseTime time.Time `json:"release_time"`
	// AsOf is the moment whose knowledge counts: inputs are as old as they were then.
	AsOf        time.Time  `json:"as_of"`
	State       State      `json:"state"`
	StateReason string     `json:"state_reason"`
	Score       Score      `json:"score"`
	Confidence  Confidence `json:"confidence"`
	Transport   Transport  `json:"transport"`
	Levels      Levels     `json:"levels"`
	Liquid      Liquid     `json:"liquid"`
	Dose        Dose       `json:"dose"`
	Path        []PathStep `json:"path"`
	// Radar, TargetRate and Satellite are null where nothing recent was seen.
	Radar      *RadarView     `json:"radar"`
	TargetRate *RateView      `json:"target_rate"`
	Satellite  *SatelliteView `json:"satellite"`
	Bands      []BandPassage  `json:"bands"`
	Inputs     []Input        `json:"inputs"`
	Notes      []string       `json:"notes"`
	Cautions   []string       `json:"cautions"`
	// Holds are the suspension criteria that were judged for this release, clear
	// ones too; left out where none was. The score does not know of them.
	Holds []HoldRef `json:"holds,omitempty"`
	// Standing is the state of the site when this assessment is seen after those
	// before it; only where it was made for a row of them (Settle).
	Standing *Standing `json:"standing,omitempty"`
	// Basis is what a service made it from; left out elsewhere.
	Basis *Basis `json:"basis,omitempty"`
	// Landings are the members' landing points, for pictures; not published.
	Landings []grid.LatLon `json:"-"`
}

// Basis names all that a score or an outlook was made from, so that the same program
// can make it again to the byte. What is not here stands in the message itself: the
// moment (AsOf, of an outlook IssuedAt), and the criteria as they were judged (Holds).
type Basis struct {
	// Programme is the SHA-256 of the programme file together with the geometry that
	// it names, as the service hands it to its workers.
	Programme string `json:"programme_sha256"`
	// Crops are the kept inputs in the order in which they were taken, by the names
	// that input records have for them (programme, kind, object, and the beginning of
	// the SHA-256).
	Crops []string `json:"crops"`
	// ScoreAsOf is the moment of the score whose standing went before this one; left
	// out where there was none, and in outlooks.
	ScoreAsOf time.Time `json:"score_as_of,omitzero"`
	// OutlookIssuedAt is of the outlook that a score looked at for what is ahead, of an
	// outlook the one that it was compared with; left out where there was none.
	OutlookIssuedAt time.Time `json:"outlook_issued_at,omitzero"`
}

// HoldRef is the outcome of one suspension criterion.
type HoldRef struct {
	Criterion string `json:"criterion"`
	Kind      string `json:"kind"`
	// Outcome is clear, review, held or unknown; unknown counts as held.
	Outcome string `json:"outcome"`
	Reason  string `json:"reason"`
	// Since is when this outcome began, At when it was judged last.
	Since time.Time `json:"since"`
	At    time.Time `json:"at"`
	// WhoMayLift and WhatWouldLift are empty for clear ones.
	WhoMayLift    string `json:"who_may_lift,omitempty"`
	WhatWouldLift string `json:"what_would_lift,omitempty"`
}

// SiteRef says which site, and where it stands in the model.
type SiteRef struct {
	ID           string  `json:"id"`
	Name         string  `json:"name"`
	LatitudeDeg  float64 `json:"latitude_deg"`
	LongitudeDeg float64 `json:"longitude_deg"`
	// AltitudeM is the release point above the geoid as used; ModelTerrainM the
	// model's ground there. A large difference is noted.
	AltitudeM     float64 `json:"altitude_m"`
	ModelTerrainM float64 `json:"model_terrain_m"`
}

// Input is one thing that the assessment was made from.
type Input struct {
	Kind  string `json:"kind"` // model, sounding, radar, mosaic, satellite or bands
	Label string `json:"label"`
	// ReferenceTime of a model run, release of a balloon.
	ReferenceTime time.Time `json:"reference_time"`
	// AgeHours at AsOf.
	AgeHours  float64 `json:"age_hours"`
	Freshness float64 `json:"freshness"`
	Files     []File  `json:"files"`
}

// File names what an input was read from, and its content as it lay there.
type File struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"`
}

// Quantiles of the members that got there: 10, 50 and 90 in a hundred.
type Quantiles struct {
	Q10 *float64 `json:"q10"`
	Q50 *float64 `json:"q50"`
	Q90 *float64 `json:"q90"`
}

// Transport is where the ensemble went.
type Transport struct {
	Members int `json:"members"`
	// Fates counts the members by what became of them; they sum to Members.
	Fates map[string]int `json:"fates"`
	// ActivatedShare is the share of members that met liquid colder than their onset.
	ActivatedShare float64 `json:"activated_share"`
	// Minutes after release.
	ActivationMinutes Quantiles `json:"activation_minutes"`
	LandingMinutes    Quantiles `json:"landing_minutes"`
	// Activation and Landing are means over the members that got there; null
	// where none did.
	Activation *Event `json:"activation"`
	Landing    *Event `json:"landing"`
	// LandingEllipse holds two thirds of the landings if they are Gaussian.
	LandingEllipse *Ellipse       `json:"landing_ellipse"`
	Targets        []TargetResult `json:"targets"`
	// Trapped says why the plume may not leave the ground layer; empty if it will.
	Trapped []string `json:"trapped"`
}

// Event is the mean place of an event.
type Event struct {
	LatitudeDeg     float64  `json:"latitude_deg"`
	LongitudeDeg    float64  `json:"longitude_deg"`
	AltitudeM       float64  `json:"altitude_m"`
	AirTemperatureK *float64 `json:"air_temperature_k"`
	DistanceM       float64  `json:"distance_m"` // from the site
	BearingDeg      float64  `json:"bearing_deg"`
}

// Ellipse is one standard deviation of the landing points.
type Ellipse struct {
	LatitudeDeg  float64 `json:"latitude_deg"`
	LongitudeDeg float64 `json:"longitude_deg"`
	SemiMajorM   float64 `json:"semi_major_m"`
	SemiMinorM   float64 `json:"semi_minor_m"`
	// MajorAxisDeg is the direction of the major axis, clockwise from north.
	MajorAxisDeg float64 `json:"major_axis_deg"`
}

// TargetResult says how the landings lie to one target.
type TargetResult struct {
	ID          string  `json:"id"`
	Name        string  `json:"name"`
	Probability float64 `json:"probability"`
	// StandardError is sqrt(P(1-P)/n), the sampling error of the ensemble alone.
	StandardError float64 `json:"standard_error"`
	// How the members that landed lie to it, along the drift: inside, short of
	// it, past it, beside it.
	Inside int `json:"inside"`
	Short  int `json:"short"`
	Past   int `json:"past"`
	Beside int `json:"beside"`
}

// Levels are heights that matter, in the column where the plume activates (or,
// where it does not, where it comes highest).
type Levels struct {
	Place      string             `json:"place"`
	IsothermsM map[string]float64 `json:"isotherms_m"` // "-6" to altitude, lowest crossing
	// FreezingLevelM is the highest crossing of 0 °C; null where the column is colder.
	FreezingLevelM *float64 `json:"freezing_level_m"`
	CloudBaseM     *float64 `json:"cloud_base_m"`
	CloudTopM      *float64 `json:"cloud_top_m"`
	CloudTopK      *float64 `json:"cloud_top_air_temperature_k"`
	// SoundingIsothermsM are the same from the nearest fresh sounding.
	SoundingIsothermsM map[string]float64 `json:"sounding_isotherms_m,omitempty"`
}

// Liquid is the supercooled liquid water path by each method, kg m-2 (a
// millimetre of water).
type Liquid struct {
	// UsedKgPerM2 went into the component, from Method.
	UsedKgPerM2 *float64         `json:"used_kg_per_m2"`
	Method      string           `json:"method"`
	Estimates   []LiquidEstimate `json:"estimates"`
}

// LiquidEstimate is one method's answer.
type LiquidEstimate struct {
	Method  string  `json:"method"`
	KgPerM2 float64 `json:"kg_per_m2"` // between -6 and -18 °C
	// AllKgPerM2 is the path between 0 and -25 °C.
	AllKgPerM2 *float64 `json:"all_kg_per_m2,omitempty"`
	Quality    float64  `json:"quality"`
	Reason     string   `json:"reason"`
}

// Dose is the concentration of ice crystals that the agent can make.
type Dose struct {
	CrystalsPerLitre *float64 `json:"crystals_per_litre"`
	ActivatedPerGram *float64 `json:"crystals_per_gram"`
	Reason           string   `json:"reason"`
}

// PathStep is the ensemble mean at one time after release.
type PathStep struct {
	Minutes      float64 `json:"minutes"`
	LatitudeDeg  float64 `json:"latitude_deg"`
	LongitudeDeg float64 `json:"longitude_deg"`
	AltitudeM    float64 `json:"altitude_m"`
	HeightM      float64 `json:"height_m"`
	// Members still aloft.
	Members         int      `json:"members"`
	AirTemperatureK *float64 `json:"air_temperature_k"`
	LiquidKgPerM3   *float64 `json:"cloud_liquid_kg_per_m3"`
	// SpreadM is the horizontal standard distance of the members; AltitudeSpreadM
	// the standard deviation of their altitudes.
	SpreadM         float64 `json:"spread_m"`
	AltitudeSpreadM float64 `json:"altitude_spread_m"`
	// LiquidPathKgPerM2 is the column's supercooled liquid between -6 and -18 °C.
	LiquidPathKgPerM2 *float64 `json:"liquid_path_kg_per_m2"`
}

// number gives a pointer for JSON: nil (null) for NaN and infinities.
func number(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

// CautionHolds goes with an assessment for which no suspension criterion was
// judged; package hold puts what was judged in its place.
const CautionHolds = "Suspension criteria (flood, avalanche, reservoir, warnings, intense precipitation) are not evaluated here: check them before any release."

// Cautions go with every assessment.
var Cautions = []string{
	"Advice only: the permit, the licensed operator, the maker's instructions and local codes decide; a person gives the order.",
	"Silver-iodide flares and generators are pyrotechnic and chemical devices: keep the clearances and the fire precautions of the permit.",
	CautionHolds,
}
