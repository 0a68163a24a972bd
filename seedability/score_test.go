package seedability

import (
	"math"
	"testing"
)

// The worked case: supercooled path 0.08 mm, first cloud at -9 °C, top at
// -18 °C, Froude number 0.8, wind 9 m/s, depth 1100 m.
func workedQuantities() map[string]Quantity {
	return map[string]Quantity{
		ComponentLiquid:           {Value: .08},
		ComponentTemperature:      {Value: -9},
		ComponentCloudTop:         {Value: -18},
		ComponentDelivery:         {Value: .8},
		ComponentCrossBarrierWind: {Value: 9},
		ComponentCloudDepth:       {Value: 1100},
	}
}

func TestJudgeWorkedCase(t *testing.T) {
	// Computed by hand from the knots: for example liquid .5 + .3*(.08-.05)/.05.
	want := map[string]float64{
		ComponentLiquid: .68, ComponentTemperature: .90, ComponentCloudTop: 1,
		ComponentDelivery: .7182, ComponentCrossBarrierWind: 1, ComponentCloudDepth: .80,
	}
	components, opportunity, known := Judge(DefaultCriteria(), workedQuantities(), nil)
	for _, component := range components {
		if component.Value == nil {
			continue
		}
		if got := *component.Value; math.Abs(got-want[component.Name]) > 5e-5 {
			t.Errorf("%s: got %.5f, want %.4f", component.Name, got, want[component.Name])
		}
	}
	if math.Abs(opportunity-.8116) > 5e-5 {
		t.Errorf("opportunity: got %.5f, want 0.8116", opportunity)
	}
	if got := Headline(opportunity, .6); math.Abs(got-69.78) > .005 {
		t.Errorf("score: got %.3f, want 69.78", got)
	}
	// The six rows of the worked case carry 1 of 1.1; the band is not known.
	if math.Abs(known-1/1.1) > 1e-12 {
		t.Errorf("known weight: got %v, want 1/1.1", known)
	}
}

func TestOneZeroGivesZero(t *testing.T) {
	zeros := map[string]float64{
		ComponentLiquid: .01, ComponentTemperature: -4, ComponentCloudTop: -40,
		ComponentDelivery: .1, ComponentCrossBarrierWind: 1, ComponentCloudDepth: 200,
	}
	for name, value := range zeros {
		quantities := workedQuantities()
		quantities[name] = Quantity{Value: value}
		if _, opportunity, _ := Judge(DefaultCriteria(), quantities, nil); opportunity != 0 {
			t.Errorf("%s at %v: opportunity %v, want 0", name, value, opportunity)
		}
	}
}

// A missing quantity is left out and the others keep their proportions: with
// equal memberships the opportunity does not move.
func TestMissingQuantityRenormalises(t *testing.T) {
	quantities := workedQuantities()
	delete(quantities, ComponentCloudDepth)
	quantities[ComponentDelivery] = Quantity{Value: math.NaN()}
	components, opportunity, known := Judge(DefaultCriteria(), quantities, nil)
	// Left: .68^.30 x .90^.20 x 1 x 1, weights over .75.
	want := math.Exp((.30*math.Log(.68) + .20*math.Log(.90)) / .75)
	if math.Abs(opportunity-want) > 1e-12 {
		t.Errorf("opportunity: got %v, want %v", opportunity, want)
	}
	if math.Abs(known-.75/1.1) > 1e-12 {
		t.Errorf("known weight: got %v, want 0.75/1.1", known)
	}
	sum := 0.0
	for _, component := range components {
		sum += component.Weight
		if component.Value == nil && component.Weight != 0 {
			t.Errorf("%s is not known but has weight %v", component.Name, component.Weight)
		}
	}
	if math.Abs(sum-1) > 1e-12 {
		t.Errorf("weights sum to %v, want 1", sum)
	}
}

func TestMandatoryMissingGivesNoScore(t *testing.T) {
	for _, name := range []string{ComponentLiquid, ComponentTemperature} {
		quantities := workedQuantities()
		delete(quantities, name)
		if _, opportunity, _ := Judge(DefaultCriteria(), quantities, nil); !math.IsNaN(opportunity) {
			t.Errorf("without %s: opportunity %v, want none", name, opportunity)
		}
	}
}

func TestCapLimitsOpportunity(t *testing.T) {
	_, opportunity, _ := Judge(DefaultCriteria(), workedQuantities(), []Cap{{.7, "weak dose"}, {.3, "hardly any dose"}})
	if opportunity != .3 {
		t.Errorf("opportunity %v, want the lower cap 0.3", opportunity)
	}
}

func TestDefaultCriteria(t *testing.T) {
	for _, criterion := range DefaultCriteria() {
		if err := criterion.Membership.Validate(); err != nil {
			t.Errorf("%s: %v", criterion.Name, err)
		}
		if criterion.Source == "" || criterion.Unit == "" {
			t.Errorf("%s: no source or no unit", criterion.Name)
		}
	}
}

// Natural ice multiplies: 30 dBZ leave 0.6 of the opportunity, no echo all of it.
func TestNaturalIceIsAFactor(t *testing.T) {
	quantities := workedQuantities()
	for _, test := range []struct{ dBZ, factor float64 }{{-32, 1}, {20, 1}, {25, .8}, {30, .6}, {45, .2}} {
		quantities[ComponentNaturalIce] = Quantity{Value: test.dBZ}
		if _, opportunity, _ := Judge(DefaultCriteria(), quantities, nil); math.Abs(opportunity-.8116*test.factor) > 5e-5 {
			t.Errorf("%v dBZ: opportunity %.4f, want %.4f", test.dBZ, opportunity, .8116*test.factor)
		}
	}
	quantities[ComponentNaturalIce] = Quantity{Value: math.NaN()}
	if _, opportunity, _ := Judge(DefaultCriteria(), quantities, nil); math.Abs(opportunity-.8116) > 5e-5 {
		t.Errorf("radar blind: opportunity %.4f, want 0.8116 unchanged", opportunity)
	}
}

func TestMembershipValidate(t *testing.T) {
	for _, test := range []struct {
		name  string
		knots Membership
	}{
		{"one knot", Membership{{0, 0}}},
		{"x falls", Membership{{1, 0}, {0, 1}}},
		{"x repeats", Membership{{1, 0}, {1, 1}}},
		{"mu above 1", Membership{{0, 0}, {1, 1.5}}},
		{"x is not a number", Membership{{math.NaN(), 0}, {1, 1}}},
	} {
		if test.knots.Validate() == nil {
			t.Errorf("%s: accepted", test.name)
		}
	}
}
