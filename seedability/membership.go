package seedability

import (
	"fmt"
	"math"
)

// Knot is one corner of a membership: at X (in the component's unit) the value
// is Mu, 0 to 1.
type Knot struct {
	X  float64 `json:"x"`
	Mu float64 `json:"mu"`
}

// Membership turns a physical quantity into a value from 0 (seeding cannot
// work) to 1 (nothing better is known): straight lines between its knots, and
// the end values outside them.
type Membership []Knot

// Validate names the first knot that breaks the rules: at least two knots, X
// strictly increasing and finite, Mu from 0 to 1.
func (m Membership) Validate() error {
	if len(m) < 2 {
		return fmt.Errorf("a membership needs at least two knots, not %d", len(m))
	}
	for k, knot := range m {
		switch {
		case math.IsNaN(knot.X) || math.IsInf(knot.X, 0):
			return fmt.Errorf("knot %d: x %v is not a finite number", k+1, knot.X)
		case !(knot.Mu >= 0 && knot.Mu <= 1):
			return fmt.Errorf("knot %d: mu %v is outside 0 to 1", k+1, knot.Mu)
		case k > 0 && knot.X <= m[k-1].X:
			return fmt.Errorf("knot %d: x %v does not exceed the x %v before it", k+1, knot.X, m[k-1].X)
		}
	}
	return nil
}

// At is the membership of x; NaN for NaN, which stands for "not known".
func (m Membership) At(x float64) float64 {
	if math.IsNaN(x) || len(m) == 0 {
		return math.NaN()
	}
	if x <= m[0].X {
		return m[0].Mu
	}
	for k := 1; k < len(m); k++ {
		if x <= m[k].X {
			low, high := m[k-1], m[k]
			return low.Mu + (high.Mu-low.Mu)*(x-low.X)/(high.X-low.X)
		}
	}
	return m[len(m)-1].Mu
}
