package seedability

import "math"

// Quantity is what was found for one component: the number in the criterion's
// unit (NaN where it is not known), and one sentence on how it was found or why
// it is missing.
type Quantity struct {
	Value  float64
	Reason string
	// Forbidden makes the component zero whatever its value, for the reason given.
	Forbidden bool
}

// Component is one judged quantity of an assessment.
type Component struct {
	Name     string `json:"name"`
	Quantity string `json:"quantity"`
	Unit     string `json:"unit"`
	// Input is the quantity in Unit, null where it is not known.
	Input *float64 `json:"input"`
	// Value is the membership, 0 to 1, null where Input is.
	Value *float64 `json:"value"`
	// Weight as used, renormalised over the components that are known; of a
	// factor its exponent.
	Weight float64 `json:"weight"`
	Factor bool    `json:"factor"`
	// Knots are the thresholds that turned Input into Value.
	Knots  Membership `json:"knots"`
	Reason string     `json:"reason"`
	Source string     `json:"source"`
}

// Cap limits the opportunity, with its reason ("fewer than one crystal per litre").
type Cap struct {
	Limit  float64 `json:"limit"`
	Reason string  `json:"reason"`
}

// Score is the verdict on one release.
type Score struct {
	// Value is 0 to 100; null where a mandatory component is not known.
	Value *float64 `json:"value"`
	// Opportunity is the weighted geometric mean of the components, 0 to 1,
	// after caps: will the agent find what it needs.
	Opportunity *float64 `json:"opportunity"`
	// TargetProbability is the share of ensemble members that land in the
	// target, and TargetStandardError its sampling error.
	TargetProbability   *float64    `json:"target_probability"`
	TargetStandardError *float64    `json:"target_standard_error"`
	Components          []Component `json:"components"`
	Caps                []Cap       `json:"caps"`
	// KnownWeight is the share of the default weights whose component is known.
	KnownWeight float64 `json:"known_weight"`
}

// Judge turns quantities into components and their opportunity
//
//	O = product of mu_i^w_i = exp(sum of w_i ln mu_i)
//
// in which one zero gives zero, times the factors among them. A quantity that is
// not known is left out and the other weights are renormalised; where a mandatory one is missing the
// opportunity is NaN. caps bound the result from above.
func Judge(criteria []Criterion, quantities map[string]Quantity, caps []Cap) (components []Component, opportunity, knownWeight float64) {
	var weightSum, totalSum float64
	for _, criterion := range criteria {
		if criterion.Factor {
			continue
		}
		totalSum += criterion.Weight
		if q, ok := quantities[criterion.Name]; ok && !math.IsNaN(q.Value) {
			weightSum += criterion.Weight
		}
	}
	logSum, zero, blind := 0.0, false, weightSum == 0
	components = make([]Component, 0, len(criteria))
	for _, criterion := range criteria {
		q, ok := quantities[criterion.Name]
		if !ok {
			q = Quantity{Value: math.NaN(), Reason: "no source gives this quantity"}
		}
		component := Component{
			Name: criterion.Name, Quantity: criterion.Quantity, Unit: criterion.Unit,
			Knots: criterion.Membership, Reason: q.Reason, Source: criterion.Source, Factor: criterion.Factor,
		}
		mu := criterion.Membership.At(q.Value)
		if q.Forbidden && !math.IsNaN(mu) {
			mu = 0
		}
		switch {
		case math.IsNaN(mu):
			blind = blind || criterion.Mandatory
		default:
			input, value := q.Value, mu
			component.Input, component.Value = &input, &value
			component.Weight = criterion.Weight / weightSum
			if criterion.Factor {
				component.Weight = criterion.Weight
			}
			// A weight of zero switches a row off; it must not veto either.
			if criterion.Weight > 0 {
				if mu == 0 {
					zero = true
				} else {
					logSum += component.Weight * math.Log(mu)
				}
			}
		}
		components = append(components, component)
	}
	if totalSum > 0 {
		knownWeight = weightSum / totalSum
	}
	switch {
	case blind:
		return components, math.NaN(), knownWeight
	case zero:
		opportunity = 0
	default:
		opportunity = math.Exp(logSum)
	}
	for _, limit := range caps {
		opportunity = math.Min(opportunity, limit.Limit)
	}
	return components, opportunity, knownWeight
}

// Headline combines opportunity and target probability, each 0 to 1, to
// S = 100 sqrt(O P). NaN where either is not known.
func Headline(opportunity, targetProbability float64) float64 {
	return 100 * math.Sqrt(opportunity*targetProbability)
}
