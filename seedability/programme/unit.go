package programme

import "strings"

// unitOf is a unit by its dimension, and what turns a value in it into the SI
// unit of that dimension: value * factor + offset.
type unitOf struct {
	dimension      string
	factor, offset float64
}

// units by their written form in lower case. International foot, inch, pound and
// mile (NIST SP 811, 2008, appendix B.8); an acre-foot is 43,560 cubic feet, with
// the international foot (with the US survey foot it is 6e-6 larger).
var units = map[string]unitOf{
	"m": {"length", 1, 0}, "mm": {"length", 1e-3, 0}, "cm": {"length", 1e-2, 0}, "km": {"length", 1e3, 0},
	"ft": {"length", .3048, 0}, "in": {"length", .0254, 0},
	"m3/s": {"flow", 1, 0}, "ft3/s": {"flow", cubicFoot, 0}, "cfs": {"flow", cubicFoot, 0}, "kcfs": {"flow", 1e3 * cubicFoot, 0},
	"m3": {"volume", 1, 0}, "hm3": {"volume", 1e6, 0}, "acre-ft": {"volume", acreFoot, 0}, "ac-ft": {"volume", acreFoot, 0},
	"af": {"volume", acreFoot, 0}, "kaf": {"volume", 1e3 * acreFoot, 0}, "taf": {"volume", 1e3 * acreFoot, 0},
	"mm/h": {"rate", 1e-3 / 3600, 0}, "in/h": {"rate", .0254 / 3600, 0}, "m/h": {"rate", 1. / 3600, 0}, "ft/h": {"rate", .3048 / 3600, 0},
	"m/s": {"speed", 1, 0}, "km/h": {"speed", 1 / 3.6, 0}, "kt": {"speed", 1852. / 3600, 0}, "mph": {"speed", 1609.344 / 3600, 0},
	"k": {"temperature", 1, 0}, "degc": {"temperature", 1, freezingK}, "degf": {"temperature", 5. / 9, freezingK - 32*5./9},
	"g": {"mass", 1e-3, 0}, "kg": {"mass", 1, 0}, "lb": {"mass", .45359237, 0},
	"v": {"voltage", 1, 0}, "mv": {"voltage", 1e-3, 0}, "%": {"share", .01, 0}, "1": {"share", 1, 0},
}

const (
	cubicFoot = .3048 * .3048 * .3048
	acreFoot  = 43560 * cubicFoot
)

// otherForms are written forms of the services that give such values.
var otherForms = map[string]string{
	"feet": "ft", "foot": "ft", "inches": "in", "inch": "in", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
	"m^3/s": "m3/s", "m3 s-1": "m3/s", "m³/s": "m3/s", "cms": "m3/s", "ft^3/s": "ft3/s", "ft³/s": "ft3/s",
	"acre-feet": "acre-ft", "acre feet": "acre-ft", "acft": "acre-ft", "percent": "%", "pct": "%",
	"mm h-1": "mm/h", "mm/hr": "mm/h", "in/hr": "in/h", "m s-1": "m/s", "kn": "kt", "knots": "kt", "volt": "v", "volts": "v",
	"°c": "degc", "c": "degc", "°f": "degf", "f": "degf",
}

func unit(name string) (unitOf, bool) {
	form := strings.ToLower(strings.TrimSpace(name))
	if other, ok := otherForms[form]; ok {
		form = other
	}
	u, ok := units[form]
	return u, ok
}

// Convert turns a value of one unit into another of the same dimension; false
// where a unit is not known or measures something else.
func Convert(value float64, from, to string) (float64, bool) {
	a, okA := unit(from)
	b, okB := unit(to)
	switch {
	case !okA || !okB || a.dimension != b.dimension:
		return 0, false
	case a == b:
		return value, true // to the bit
	}
	return (value*a.factor + a.offset - b.offset) / b.factor, true
}
