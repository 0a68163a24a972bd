package evaluate

import (
	"fmt"
	"math"
	"strings"

	"rimeline/seedability/profile"
)

// Number is a value that may be missing: NaN in the program, null in JSON.
type Number = profile.Number

var nan = math.NaN()

// Value is a result that may be undefined: then Value is NaN (null in JSON) and
// Why says the reason.
type Value struct {
	Value Number `json:"value"`
	Why   string `json:"why,omitempty"`
}

// Known says whether there is a value.
func (v Value) Known() bool { return v.Value.Known() }

// Float is the value, NaN where there is none.
func (v Value) Float() float64 { return float64(v.Value) }

func (v Value) String() string {
	if !v.Known() {
		return "not defined (" + v.Why + ")"
	}
	return short(float64(v.Value))
}

// plural prints a number of things, "storm day or season" becoming "storm days or seasons".
func plural(n int, thing string) string {
	if n != 1 {
		thing = strings.ReplaceAll(thing, " or ", "s or ") + "s"
	}
	return fmt.Sprintf("%d %s", n, thing)
}

// short prints four significant digits.
func short(x float64) string { return fmt.Sprintf("%.4g", x) }

// valueOf is x, or undefined where x overflowed.
func valueOf(x float64) Value {
	if math.IsNaN(x) || math.IsInf(x, 0) {
		return undefined("the numbers are too large or too small to compute with")
	}
	return Value{Value: Number(x)}
}

func undefined(format string, arguments ...any) Value {
	return Value{Value: Number(nan), Why: fmt.Sprintf(format, arguments...)}
}

// quotient is a/b, undefined for the reason given where b is zero.
func quotient(a, b float64, whyZero string) Value {
	if b == 0 {
		return undefined("%s", whyZero)
	}
	return valueOf(a / b)
}

// Interval has the two ends of a confidence interval, or says why there is none.
type Interval struct {
	Low  Number `json:"low"`
	High Number `json:"high"`
	Why  string `json:"why,omitempty"`
}

// Known says whether there is an interval.
func (i Interval) Known() bool { return i.Low.Known() && i.High.Known() }

func (i Interval) String() string {
	if !i.Known() {
		return "no interval: " + i.Why
	}
	return short(float64(i.Low)) + " to " + short(float64(i.High))
}

func intervalOf(low, high float64) Interval {
	if v := valueOf(low + high); !v.Known() {
		return noInterval("%s", v.Why)
	}
	return Interval{Low: Number(low), High: Number(high)}
}

func noInterval(format string, arguments ...any) Interval {
	return Interval{Low: Number(nan), High: Number(nan), Why: fmt.Sprintf(format, arguments...)}
}

// Counts says how many cases went into a result.
type Counts struct {
	Used int64 `json:"used"`
	// Missing cases have a NaN in them.
	Missing int64 `json:"missing"`
	// Invalid cases have a value that cannot be: an infinity, a probability
	// outside 0 to 1, a negative amount.
	Invalid int64 `json:"invalid"`
}

func (c Counts) String() string {
	s := fmt.Sprintf("%d cases", c.Used)
	if c.Missing > 0 {
		s += fmt.Sprintf(", %d missing", c.Missing)
	}
	if c.Invalid > 0 {
		s += fmt.Sprintf(", %d invalid", c.Invalid)
	}
	return s
}

// refuse counts a case that cannot be used: as missing if one of its values is NaN,
// else as invalid.
func (c *Counts) refuse(values ...float64) {
	for _, x := range values {
		if math.IsNaN(x) {
			c.Missing++
			return
		}
	}
	c.Invalid++
}

// finite says that all values are numbers.
func finite(values ...float64) bool {
	for _, x := range values {
		if math.IsNaN(x) || math.IsInf(x, 0) {
			return false
		}
	}
	return true
}
