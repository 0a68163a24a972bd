package hydro

import (
	"html"
	"strings"
)

// Exact by definition: the international foot is 0.3048 m (1959), the acre of
// it 43,560 square feet. The retired US survey foot differs by 2 parts in a
// million, below the last digit of any gauge.
const (
	metresPerFoot     = 0.3048
	metresPerInch     = 0.0254
	m3PerCubicFoot    = metresPerFoot * metresPerFoot * metresPerFoot
	m3PerAcreFoot     = 43560 * m3PerCubicFoot
	m3PerUSGallon     = 231 * metresPerInch * metresPerInch * metresPerInch
	metresPerMile     = 5280 * metresPerFoot
	zeroCelsiusK      = 273.15
	secondsPerHour    = 3600
	secondsPerDay     = 86400
	kilometresPerKnot = 1.852
)

// unit is one way to write a unit: SI value = given*scale + offset.
type unit struct {
	dimension     string // as Quantity.Unit writes it
	scale, offset float64
}

var units = map[string]unit{
	"m": {"m", 1, 0}, "meter": {"m", 1, 0}, "metre": {"m", 1, 0}, "km": {"m", 1000, 0},
	"cm": {"m", 0.01, 0}, "mm": {"m", 0.001, 0},
	"ft": {"m", metresPerFoot, 0}, "feet": {"m", metresPerFoot, 0}, "foot": {"m", metresPerFoot, 0},
	"in": {"m", metresPerInch, 0}, "inch": {"m", metresPerInch, 0}, "inches": {"m", metresPerInch, 0},

	"m3/s": {"m3 s-1", 1, 0}, "m3s-1": {"m3 s-1", 1, 0}, "cms": {"m3 s-1", 1, 0}, "cumec": {"m3 s-1", 1, 0}, "l/s": {"m3 s-1", 0.001, 0},
	"cfs": {"m3 s-1", m3PerCubicFoot, 0}, "ft3/s": {"m3 s-1", m3PerCubicFoot, 0}, "ft3s-1": {"m3 s-1", m3PerCubicFoot, 0},
	"kcfs": {"m3 s-1", 1000 * m3PerCubicFoot, 0}, "mgd": {"m3 s-1", 1e6 * m3PerUSGallon / secondsPerDay, 0},

	"m3": {"m3", 1, 0}, "hm3": {"m3", 1e6, 0}, "mcm": {"m3", 1e6, 0}, "km3": {"m3", 1e9, 0},
	"af": {"m3", m3PerAcreFoot, 0}, "ac-ft": {"m3", m3PerAcreFoot, 0}, "acre-ft": {"m3", m3PerAcreFoot, 0}, "acre-feet": {"m3", m3PerAcreFoot, 0},
	"acft": {"m3", m3PerAcreFoot, 0}, "acre-foot": {"m3", m3PerAcreFoot, 0}, "acrefeet": {"m3", m3PerAcreFoot, 0}, "acreft": {"m3", m3PerAcreFoot, 0},
	"kaf": {"m3", 1000 * m3PerAcreFoot, 0}, "taf": {"m3", 1000 * m3PerAcreFoot, 0}, "maf": {"m3", 1e6 * m3PerAcreFoot, 0},

	"kg/m2": {"kg m-2", 1, 0}, "kgm-2": {"kg m-2", 1, 0},

	"%": {"%", 1, 0}, "percent": {"%", 1, 0}, "pct": {"%", 1, 0}, "fraction": {"%", 100, 0}, "1": {"%", 100, 0},

	"k": {"K", 1, 0}, "kelvin": {"K", 1, 0},
	"degc": {"K", 1, zeroCelsiusK}, "c": {"K", 1, zeroCelsiusK}, "°c": {"K", 1, zeroCelsiusK}, "celsius": {"K", 1, zeroCelsiusK},
	"degf": {"K", 5.0 / 9, zeroCelsiusK - 32*5.0/9}, "f": {"K", 5.0 / 9, zeroCelsiusK - 32*5.0/9}, "°f": {"K", 5.0 / 9, zeroCelsiusK - 32*5.0/9}, "fahrenheit": {"K", 5.0 / 9, zeroCelsiusK - 32*5.0/9},

	"m/s": {"m s-1", 1, 0}, "ms-1": {"m s-1", 1, 0}, "km/h": {"m s-1", 1 / 3.6, 0}, "mph": {"m s-1", metresPerMile / secondsPerHour, 0},
	"kt": {"m s-1", kilometresPerKnot / 3.6, 0}, "knot": {"m s-1", kilometresPerKnot / 3.6, 0}, "knots": {"m s-1", kilometresPerKnot / 3.6, 0},

	"v": {"V", 1, 0}, "volt": {"V", 1, 0}, "volts": {"V", 1, 0}, "mv": {"V", 0.001, 0},
	"a": {"A", 1, 0}, "amp": {"A", 1, 0}, "ma": {"A", 0.001, 0},
	"w": {"W", 1, 0}, "watt": {"W", 1, 0},
	"count": {"count", 1, 0},
}

// unitOf looks a unit up as agencies write it: case, spaces, "^", superscripts
// and HTML entities do not matter.
func unitOf(written string) (unit, bool) {
	s := strings.ToLower(strings.TrimSpace(html.UnescapeString(written)))
	s = strings.NewReplacer(" ", "", "^", "", "³", "3", "²", "2", "**", "", ".", "", "_", "").Replace(s)
	u, ok := units[s]
	return u, ok
}

// asDepthOfWater are quantities that may come as a depth of water.
func (q Quantity) asDepthOfWater() bool { return q == SWE || q == Precipitation }

// converter gives scale and offset to the unit of a quantity. A depth of water
// of 1 m weighs 1000 kg m-2. It reports false where the unit is unknown or
// measures something else.
func converter(q Quantity, written string) (unit, bool) {
	want := q.Unit()
	if want == "" {
		return unit{written, 1, 0}, true
	}
	u, ok := unitOf(written)
	switch {
	case !ok:
		return unit{}, false
	case u.dimension == want:
		return u, true
	case q.asDepthOfWater() && u.dimension == "m":
		return unit{want, u.scale * 1000, 0}, true
	}
	return unit{}, false
}

// si converts one value.
func (u unit) si(v float64) float64 { return v*u.scale + u.offset }
