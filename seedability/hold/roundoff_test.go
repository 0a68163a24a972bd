package hold

import (
	"math"
	"testing"
)

// A value that reaches its limit reaches it in another unit too: 7.5 ft are 2.286 m
// (1 ft is 0.3048 m exactly, international foot), and 118 % of a capacity of 1000
// are 1180, whatever the last bit of the division says.
func TestLimitAfterConversion(t *testing.T) {
	not := math.NaN()
	l := limits{unit: "ft", reviewAbove: not, holdAbove: 7.5, reviewBelow: not, holdBelow: not}
	for _, c := range []struct {
		valueFt float64
		want    Outcome
	}{{2.286 / 0.3048, Held}, {math.Nextafter(7.5, 0), Held}, {7.4999, Clear}, {7.5001, Held}} {
		if got, sentence, _ := l.judge(c.valueFt, Clear); got != c.want {
			t.Errorf("%.17g ft: %s (%s)", c.valueFt, got, sentence)
		}
	}
	percent := limits{unit: "%", reviewAbove: not, holdAbove: 118, reviewBelow: not, holdBelow: not}
	if got, sentence, _ := percent.judge(1180.0/1000*100, Clear); got != Held {
		t.Errorf("118 %%: %s (%s)", got, sentence)
	}
	below := limits{unit: "V", reviewAbove: not, holdAbove: not, reviewBelow: not, holdBelow: 11.6}
	if got, sentence, _ := below.judge(math.Nextafter(11.6, 12), Clear); got != Held {
		t.Errorf("a last bit above 11.6 V: %s (%s)", got, sentence)
	}
}
