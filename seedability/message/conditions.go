package message

import (
	"math"
	"time"

	"rimeline/seedability/hold"
)

// Conditions is what models, radar and mosaics say of the targets and sites of a
// programme at one moment: what the suspension criteria are judged by beside
// gauges, warnings and persons. What could not be found out is not there, and a
// criterion that asks for it cannot be judged then.
type Conditions struct {
	Programme string    `json:"programme"`
	AsOf      time.Time `json:"as_of"`
	// Precipitation over targets, and over the burnt areas of criteria.
	Precipitation []Precipitation `json:"precipitation"`
	// FreezingLevels over targets.
	FreezingLevels []FreezingLevel `json:"freezing_levels"`
	// Winds at sites.
	Winds []Wind `json:"winds"`
	// Inputs are the names, in the object store, of the crops it was made from.
	Inputs []string `json:"inputs"`
	// Notes say what could not be found out, one sentence each.
	Notes []string `json:"notes"`
}

// Precipitation is the rate over one target, or over the burnt area of a criterion.
type Precipitation struct {
	// Place is the id of the target or of the criterion.
	Place string `json:"place"`
	// From is radar, mosaic or forecast; others may follow.
	From string `json:"from"`
	// MMPerH is the liquid equivalent, the highest over the place; null where it is
	// not known.
	MMPerH *float64 `json:"mm_per_h"`
	// LiquidShare of it that falls as rain; null where it is not known.
	LiquidShare *float64 `json:"liquid_share"`
	// CoveredShare of the place that was seen.
	CoveredShare *float64  `json:"covered_share"`
	Time         time.Time `json:"time,omitzero"`
	// Issued is when a forecast was made; left out of what was observed.
	Issued time.Time `json:"issued,omitzero"`
	// Suspect says why the number may be wrong; left out where nothing does.
	Suspect []string `json:"suspect,omitempty"`
}

// FreezingLevel is the altitude of 0 °C over a target, the highest crossing.
type FreezingLevel struct {
	Target string `json:"target"`
	// From is sounding or forecast; others may follow.
	From      string    `json:"from"`
	AltitudeM *float64  `json:"altitude_m"`
	Time      time.Time `json:"time,omitzero"`
	// Issued is when a forecast was made; left out of what was observed.
	Issued time.Time `json:"issued,omitzero"`
	// Suspect says why the number may be wrong; left out where nothing does.
	Suspect []string `json:"suspect,omitempty"`
}

// Wind at a site.
type Wind struct {
	Site string `json:"site"`
	// From is station or forecast; others may follow.
	From string `json:"from"`
	// SpeedMPerS is the mean, null where it is not known.
	SpeedMPerS *float64 `json:"speed_m_per_s"`
	// GustMPerS is the gust, null where it is not known.
	GustMPerS *float64 `json:"gust_m_per_s"`
	// FromDeg is where it blows from, clockwise from true north.
	FromDeg *float64  `json:"from_deg"`
	Time    time.Time `json:"time,omitzero"`
	// Issued is when a forecast was made; left out of what was observed.
	Issued time.Time `json:"issued,omitzero"`
	// Suspect says why the number may be wrong; left out where nothing does.
	Suspect []string `json:"suspect,omitempty"`
}

// numberOrNull is a number as JSON can write it: what is not finite is null.
func numberOrNull(x float64) *float64 {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return nil
	}
	return &x
}

func numberOrNaN(x *float64) float64 {
	if x == nil {
		return math.NaN()
	}
	return *x
}

// listed is a list that JSON writes as [] where it is empty.
func listed(texts []string) []string { return append([]string{}, texts...) }

// NewConditions makes the message of what was found out. Numbers that are not known
// (NaN) become null.
func NewConditions(programme string, asOf time.Time, precipitation []hold.Precipitation, levels []hold.FreezingLevel, winds []hold.Wind, inputs, notes []string) Conditions {
	c := Conditions{
		Programme: programme, AsOf: asOf.UTC(), Precipitation: []Precipitation{}, FreezingLevels: []FreezingLevel{}, Winds: []Wind{},
		Inputs: listed(inputs), Notes: listed(notes),
	}
	for _, p := range precipitation {
		c.Precipitation = append(c.Precipitation, Precipitation{
			Place: p.Place, From: p.From, MMPerH: numberOrNull(p.MMPerH), LiquidShare: numberOrNull(p.LiquidShare), CoveredShare: numberOrNull(p.CoveredShare),
			Time: p.Time.UTC(), Issued: p.Issued.UTC(), Suspect: p.Suspect,
		})
	}
	for _, l := range levels {
		c.FreezingLevels = append(c.FreezingLevels, FreezingLevel{
			Target: l.Target, From: l.From, AltitudeM: numberOrNull(l.AltitudeM), Time: l.Time.UTC(), Issued: l.Issued.UTC(), Suspect: l.Suspect,
		})
	}
	for _, w := range winds {
		c.Winds = append(c.Winds, Wind{
			Site: w.Site, From: w.From, SpeedMPerS: numberOrNull(w.SpeedMPerS), GustMPerS: numberOrNull(w.GustMPerS), FromDeg: numberOrNull(w.FromDeg),
			Time: w.Time.UTC(), Issued: w.Issued.UTC(), Suspect: w.Suspect,
		})
	}
	return c
}

// Evidence is what package hold takes, with NaN in the place of null. A number that
// is not known makes its criterion one that cannot be judged.
func (c Conditions) Evidence() ([]hold.Precipitation, []hold.FreezingLevel, []hold.Wind) {
	var precipitation []hold.Precipitation
	for _, p := range c.Precipitation {
		precipitation = append(precipitation, hold.Precipitation{
			Place: p.Place, From: p.From, MMPerH: numberOrNaN(p.MMPerH), LiquidShare: numberOrNaN(p.LiquidShare), CoveredShare: numberOrNaN(p.CoveredShare),
			Time: p.Time, Issued: p.Issued, Suspect: p.Suspect,
		})
	}
	var levels []hold.FreezingLevel
	for _, l := range c.FreezingLevels {
		levels = append(levels, hold.FreezingLevel{Target: l.Target, From: l.From, AltitudeM: numberOrNaN(l.AltitudeM), Time: l.Time, Issued: l.Issued, Suspect: l.Suspect})
	}
	var winds []hold.Wind
	for _, w := range c.Winds {
		winds = append(winds, hold.Wind{
			Site: w.Site, From: w.From, SpeedMPerS: numberOrNaN(w.SpeedMPerS), GustMPerS: numberOrNaN(w.GustMPerS), FromDeg: numberOrNaN(w.FromDeg),
			Time: w.Time, Issued: w.Issued, Suspect: w.Suspect,
		})
	}
	return precipitation, levels, winds
}
