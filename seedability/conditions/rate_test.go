package conditions

import (
	"math"
	"testing"

	"rimeline/seedability/radar"
	"rimeline/seedability/thermo"
)

func TestRates(t *testing.T) {
	for _, test := range []struct {
		in                 phase
		dBZ, want, percent float64
		source             string
	}{
		// Radar Operations Center, list of Z-R relations: R = (Z/A)^(1/B), by hand.
		{rain, 20, .648, .1, "Marshall-Palmer, (100/200)^(1/1.6)"},
		{rain, 30, 2.734, .1, "Marshall-Palmer, (1000/200)^(1/1.6)"},
		{rain, 40, 12.24, .1, "WSR-88D convective, (10000/300)^(1/1.4)"},
		{rain, 45, 27.86, .1, "WSR-88D convective, (31623/300)^(1/1.4)"},
		{rain, 53, 103.8, .1, "Fulton et al. (1998): 53 dBZ is 104 mm/h"},
		{rain, 75, 103.8, .1, "hail is cut off at 53 dBZ"},
		{snow, 20, .816, .1, "(100/150)^(1/2)"},
		{snow, 30, 2.582, .1, "(1000/150)^(1/2)"},
		{snow, 40, 8.165, .1, "(10000/150)^(1/2)"},
		{snow, 75, 36.47, .1, "cut off at 53 dBZ: (199526/150)^(1/2)"},
		{melting, 20, .816, .1, "snow is the greater"},
		{melting, 40, 12.24, .1, "rain is the greater"},
	} {
		near(t, "rate", test.in.mmPerH(test.dBZ), test.want, test.want*test.percent/100, test.source)
	}
	// Both relations of rain cross where heavy rain begins, 7.6 mm/h (AMS Glossary,
	// "rain"): 200 R^1.6 = 300 R^1.4, R = 1.5^5.
	at := radar.MarshallPalmer.ReflectivityDBZ(math.Pow(1.5, 5))
	near(t, "crossing", rain.mmPerH(at), 7.59, .01, "1.5^5")
	for _, p := range []phase{rain, snow, melting} {
		last := 0.0
		for dBZ := -32.0; dBZ <= 80; dBZ += .25 {
			rate := p.mmPerH(dBZ)
			if rate < last || !(rate > 0) {
				t.Fatalf("phase %d: %g mm/h at %g dBZ after %g", p, rate, dBZ, last)
			}
			if melting.mmPerH(dBZ) < rate {
				t.Fatalf("melting gives less than phase %d at %g dBZ", p, dBZ)
			}
			last = rate
		}
	}
}

func TestPhaseOfABeam(t *testing.T) {
	for _, test := range []struct {
		altitudeM, half, freezingM float64
		want                       phase
	}{
		{3000, 300, 2500, snow}, {2800, 300, 2500, snow}, {2790, 300, 2500, melting}, {2300, 100, 2500, melting}, {1800, 300, 2500, melting},
		{1700, 300, 2500, rain}, {1700, 0, 2200, rain}, {2000, math.NaN(), 2000, snow}, {2000, 300, math.NaN(), melting}, {2000, 300, -500, snow},
	} {
		if got := phaseOf(test.altitudeM, test.half, test.freezingM); got != test.want {
			t.Errorf("beam at %g ± %g m, 0 °C at %g m: %d, want %d", test.altitudeM, test.half, test.freezingM, got, test.want)
		}
	}
}

// The share of rain by the wet bulb of MetPy 1.7.1, through the wet bulb of this
// program, which is within 0.05 K of it.
func TestLiquidShareAgainstMetPy(t *testing.T) {
	for _, row := range golden(t, "wetbulb.tsv") {
		air := thermo.MoistAir{PressurePa: 100 * number(t, row[0]), AirTemperatureK: 273.15 + number(t, row[1]), DewPointK: 273.15 + number(t, row[2])}
		// The curve is steepest, 0.5 a degree, at a half.
		near(t, "share of rain at "+row[3]+" °C", LiquidShare(air.WetBulbTemperatureK()), 1-number(t, row[4]), .026, "MetPy, Wang et al. (2019)")
	}
	for _, test := range []struct{ c, want, tolerance float64 }{
		// By hand: the share of snow is a half where 6.99e-5 exp(2 (Tw + 3.97)) is 1.
		{.8143, .5, .0005}, {-20, 0, 1e-9}, {30, 1, 1e-9}, {-.284, .1, .0005}, {1.913, .9, .0005},
	} {
		near(t, "share of rain", LiquidShare(273.15+test.c), test.want, test.tolerance, "the formula, by hand")
	}
	if !math.IsNaN(LiquidShare(math.NaN())) || LiquidShare(1e6) != 1 {
		t.Error("the ends of the formula")
	}
}

func TestFallingMass(t *testing.T) {
	for _, test := range []struct {
		air, rain, snow, graupel, want, share, tolerance float64
		source                                           string
	}{
		// M = 0.072 R^0.88 g m-3 (Marshall and Palmer 1948; value from memory): 1 g m-3
		// are 19.9 mm/h at sea level.
		{1.225, 1e-3 / 1.225, 0, 0, 19.9, 1, 1, "Marshall and Palmer"},
		{1.225, 1e-4 / 1.225, 0, 0, 1.45, 1, .1, "Marshall and Palmer"},
		{1, 0, 3e-4, 0, 1.08, 0, 1e-9, "0.3 g m-3 at 1 m/s"},
		{1, 0, 0, 1e-4, .9, 0, 1e-9, "0.1 g m-3 at 2.5 m/s"},
		{1, 0, 3e-4, 1e-4, 1.98, 0, 1e-9, "the sum"},
		{1, 0, 0, 0, 0, math.NaN(), 0, "nothing"},
	} {
		got, share := fallingMMPerH(test.air, test.rain, test.snow, test.graupel)
		near(t, "falling", got, test.want, test.tolerance, test.source)
		if !(share == test.share || math.IsNaN(share) && math.IsNaN(test.share)) {
			t.Errorf("share of rain %g, want %g", share, test.share)
		}
	}
	if rate, _ := fallingMMPerH(1, math.NaN(), 0, 0); !math.IsNaN(rate) {
		t.Errorf("%g mm/h of an unknown mass", rate)
	}
}
