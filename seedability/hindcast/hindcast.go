// Package hindcast sums up what the assessments of a past season say of sites: in how
// many hours of each month release there would have been worth it, by the model, and
// what stood in the way in the others. It helps to judge where a site is worth building.
//
// An hour is one release time of one site, assessed by seedability.Assess as in
// service. It is seedable where the state is a window: the score reaches the
// programme's limit, with confidence enough. An hour that could not be judged is
// counted for itself, never as one that is not seedable.
//
// It is a climatology of a model: what that model has wrong in every storm (liquid
// water, flow in valleys) stands in every hour of it.
package hindcast

import (
	"fmt"
	"math"
	"time"

	"rimeline/seedability"
)

// Caution goes with every result.
const Caution = "This is a climatology of model output, judged by the criteria of the programme file: no evidence that seeding works at these sites, and no observation of liquid water. Measure (radiometer, icing, snow) before building. Permits, land, access, avalanche and fire rules decide where a site may stand."

// Outcome of an hour.
type Outcome string

// Outcomes. Every hour that was asked for has one.
const (
	Seedable Outcome = "seedable"
	Quiet    Outcome = "quiet"   // judged, and not seedable; Limit says why
	Blind    Outcome = "blind"   // assessed, but without a score or with too little confidence
	Missing  Outcome = "missing" // not assessed: model states are missing or cannot be read
)

// Limit is what keeps a judged hour from being seedable.
type Limit string

// Limits, in the order in which a plume meets them.
const (
	NoLiquid    Limit = "no_liquid"
	TooWarm     Limit = "too_warm"
	TooCold     Limit = "too_cold"
	NoTransport Limit = "no_transport"
	Cloud       Limit = "cloud"
	Dose        Limit = "dose"
	NotInTarget Limit = "not_in_target"
	Other       Limit = "other"
)

// Limits lists them all.
func Limits() []Limit {
	return []Limit{NoLiquid, TooWarm, TooCold, NoTransport, Cloud, Dose, NotInTarget, Other}
}

// What a limit means, for people.
var limitWords = map[Limit]string{
	NoLiquid:    "no supercooled liquid, or too little",
	TooWarm:     "liquid, but too warm for the agent",
	TooCold:     "liquid, but too cold",
	NoTransport: "the plume does not reach the liquid (trapped, or no wind across the barrier)",
	Cloud:       "cloud too shallow, or its top outside of the range",
	Dose:        "too few crystals",
	NotInTarget: "the ice does not land in the target",
	Other:       "other components",
}

// Words of a limit.
func (l Limit) Words() string { return limitWords[l] }

// Hour is one release time of one site. Numbers that are not known are nil.
type Hour struct {
	Site    string    `json:"site"`
	Time    time.Time `json:"time"`
	Outcome Outcome   `json:"outcome"`
	Limit   Limit     `json:"limit,omitempty"`
	// Why an hour is blind or missing.
	Why string `json:"why,omitempty"`

	Score             *float64 `json:"score,omitempty"`
	Opportunity       *float64 `json:"opportunity,omitempty"`
	TargetProbability *float64 `json:"target_probability,omitempty"`
	Confidence        *float64 `json:"confidence,omitempty"`
	// WorkingDegC is the air temperature where the plume works, LiquidMM the
	// supercooled liquid water path that was judged, OverSiteMM that of the column over
	// the site between -5 and -20 °C.
	WorkingDegC *float64 `json:"working_degc,omitempty"`
	LiquidMM    *float64 `json:"liquid_mm,omitempty"`
	OverSiteMM  *float64 `json:"over_site_mm,omitempty"`
	// LeadHours of the model states about the release.
	LeadHours float64 `json:"lead_hours"`
}

// HourOf reduces an assessment.
func HourOf(a *seedability.Assessment, method seedability.Method) Hour {
	h := Hour{Site: a.Site.ID, Time: a.ReleaseTime, Score: rounded(a.Score.Value, 10), Opportunity: rounded(a.Score.Opportunity, 1e4), TargetProbability: rounded(a.Score.TargetProbability, 1e4),
		Confidence: rounded(&a.Confidence.Value, 1e4), LiquidMM: rounded(a.Liquid.UsedKgPerM2, 1e4)}
	if c := component(a, seedability.ComponentTemperature); c != nil {
		h.WorkingDegC = rounded(c.Input, 100)
	}
	switch a.State {
	case seedability.StateWindow:
		h.Outcome = Seedable
	case seedability.StateQuiet, seedability.StateBuilding:
		h.Outcome, h.Limit = Quiet, LimitOf(a, method.Criteria)
	default:
		h.Outcome, h.Why = Blind, a.StateReason
		if a.Score.Value != nil {
			h.Why = fmt.Sprintf("confidence is below %.2f", method.Limits.MinimumConfidence)
		}
	}
	return h
}

// rounded keeps files small; the outcome was settled before.
func rounded(x *float64, per float64) *float64 {
	if x == nil || math.IsNaN(*x) || math.IsInf(*x, 0) {
		return nil
	}
	value := math.Round(*x*per)/per + 0
	return &value
}

func component(a *seedability.Assessment, name string) *seedability.Component {
	for k := range a.Score.Components {
		if a.Score.Components[k].Name == name {
			return &a.Score.Components[k]
		}
	}
	return nil
}

// zero: the component is known and forbids.
func zero(c *seedability.Component) bool { return c != nil && c.Value != nil && *c.Value == 0 }

// leastOf is the quantity up to which a rising criterion gives nothing.
func leastOf(m seedability.Membership) float64 {
	least := math.Inf(-1)
	for _, knot := range m {
		if knot.Mu > 0 {
			break
		}
		least = knot.X
	}
	return least
}

// bestOf is the middle of the highest knots of a criterion.
func bestOf(m seedability.Membership) float64 {
	highest, first, last := -1.0, 0.0, 0.0
	for _, knot := range m {
		switch {
		case knot.Mu > highest:
			highest, first, last = knot.Mu, knot.X, knot.X
		case knot.Mu == highest:
			last = knot.X
		}
	}
	return (first + last) / 2
}

// LimitOf says what keeps an assessment that has a score from a window: along the way
// of the plume (liquid, its temperature, transport, target) the first that forbids;
// where none does, what costs the score most. Every known number of the score takes
// part, so there is always one.
func LimitOf(a *seedability.Assessment, criteria []seedability.Criterion) Limit {
	membership := func(name string) seedability.Membership {
		for _, c := range criteria {
			if c.Name == name {
				return c.Membership
			}
		}
		return nil
	}
	liquid, temperature := component(a, seedability.ComponentLiquid), component(a, seedability.ComponentTemperature)
	// Supercooled liquid of any temperature, by the method that was used or any other.
	aloft := 0.0
	for _, e := range a.Liquid.Estimates {
		aloft = max(aloft, e.KgPerM2)
		if e.AllKgPerM2 != nil {
			aloft = max(aloft, *e.AllKgPerM2)
		}
	}
	best := bestOf(membership(seedability.ComponentTemperature))
	warmOrCold := func() Limit {
		if temperature != nil && temperature.Input != nil && *temperature.Input < best {
			return TooCold
		}
		return TooWarm
	}
	least := max(leastOf(membership(seedability.ComponentLiquid)), 0)
	unreached := notActivated(a)
	switch {
	case zero(liquid) && aloft <= least:
		return NoLiquid
	case zero(temperature) && unreached != "" && unreached != TooWarm:
		return NoTransport // there is liquid, and the plume does not come to it
	case zero(temperature):
		return warmOrCold()
	case zero(liquid) && temperature != nil && temperature.Value != nil && *temperature.Value < 1:
		return warmOrCold() // what there is lies outside of the agent's range
	case zero(liquid):
		return NoLiquid
	case len(a.Transport.Trapped) > 0 || zero(component(a, seedability.ComponentDelivery)) || zero(component(a, seedability.ComponentCrossBarrierWind)):
		return NoTransport
	case zero(component(a, seedability.ComponentCloudTop)) || zero(component(a, seedability.ComponentCloudDepth)):
		return Cloud
	case a.Score.TargetProbability != nil && *a.Score.TargetProbability == 0:
		if a.Transport.ActivatedShare == 0 && unreached != "" {
			if unreached == TooWarm {
				return TooWarm
			}
			return NoTransport
		}
		return NotInTarget
	}
	return dearest(a, warmOrCold)
}

// notActivated is what became of most members that were not activated, where those are
// most of all; empty where they are not.
func notActivated(a *seedability.Assessment) Limit {
	warm, dry, trapped := a.Transport.Fates["stayed too warm"], a.Transport.Fates["found no liquid"], a.Transport.Fates["trapped"]
	switch most := max(warm, dry, trapped); {
	case a.Transport.ActivatedShare > .5 || most == 0:
		return ""
	case most == warm:
		return TooWarm
	}
	return NoTransport
}

// dearest is what costs the score most: the weighted logarithms of its factors.
func dearest(a *seedability.Assessment, warmOrCold func() Limit) Limit {
	limit, cost := Other, 0.0
	consider := func(l Limit, c float64) {
		if c > cost {
			limit, cost = l, c
		}
	}
	product := 0.0
	for k := range a.Score.Components {
		c := &a.Score.Components[k]
		if c.Value == nil || !(*c.Value > 0) || !(c.Weight > 0) {
			continue
		}
		loss := -c.Weight * math.Log(*c.Value)
		product += loss
		switch c.Name {
		case seedability.ComponentLiquid:
			consider(NoLiquid, loss)
		case seedability.ComponentTemperature:
			if loss > cost {
				limit, cost = warmOrCold(), loss
			}
		case seedability.ComponentDelivery, seedability.ComponentCrossBarrierWind:
			consider(NoTransport, loss)
		case seedability.ComponentCloudTop, seedability.ComponentCloudDepth:
			consider(Cloud, loss)
		default:
			consider(Other, loss)
		}
	}
	if o := a.Score.Opportunity; o != nil && *o > 0 {
		consider(Dose, -math.Log(*o)-product) // what a cap takes beyond the components
	}
	if p := a.Score.TargetProbability; p != nil && *p > 0 {
		consider(NotInTarget, -math.Log(*p))
	}
	return limit
}
