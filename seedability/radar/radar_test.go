package radar

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"rimeline/grid"
)

var nan = math.NaN()

// echo is a sample without dual polarisation.
func echo(altitudeM, dbz float64) Sample {
	return Sample{AltitudeM: altitudeM, HalfWidthM: 500, Sight: grid.Echo, ReflectivityDBZ: dbz,
		DifferentialReflectivityDB: nan, SpecificPhaseDegPerKm: nan, CorrelationCoefficient: nan}
}

func without(altitudeM float64, sight grid.Sight) Sample {
	s := echo(altitudeM, nan)
	s.Sight = sight
	return s
}

func near(got, want, tol float64) bool {
	return math.Abs(got-want) <= tol || math.IsNaN(got) && math.IsNaN(want)
}

func TestRates(t *testing.T) {
	for _, test := range []struct {
		dbz                        float64
		mp, conv, west, east, snow float64
	}{
		// Marshall-Palmer 40 dBZ: 11.53 mm/h with a = 200, b = 1.6 of the NWS Z-R
		// table; the others by hand from the coefficients of Relations.
		{20, 0.648, 0.456, 1.155, 0.877, 0.816},
		{30, 2.734, 2.363, 3.651, 2.774, 2.582},
		{40, 11.53, 12.24, 11.55, 8.77, 8.165},
		{45, 23.68, 27.86, 20.53, 15.60, 14.52},
	} {
		for k, want := range []float64{test.mp, test.conv, test.west, test.east, test.snow} {
			r := Relations()[k]
			got := r.RateMMPerH(test.dbz)
			tol := 0.0005
			if want >= 5 {
				tol = 0.005
			}
			if !near(got, want, tol+1e-9) {
				t.Errorf("%s at %v dBZ: %v mm/h, want %v", r.Name, test.dbz, got, want)
			}
			if back := r.ReflectivityDBZ(got); !near(back, test.dbz, 1e-9) {
				t.Errorf("%s: %v dBZ came back as %v", r.Name, test.dbz, back)
			}
		}
	}
	// Reflectivity at the heavy limit of 7.6 mm/h: 37.1 dBZ for both of the first
	// two, 36.4 for the western one, by hand.
	for k, want := range []float64{37.1, 37.1, 36.4} {
		if got := Relations()[k].ReflectivityDBZ(ModerateMaxMMPerH); !near(got, want, 0.05) {
			t.Errorf("%s at 7.6 mm/h: %v dBZ, want %v", Relations()[k].Name, got, want)
		}
	}
	if got := MarshallPalmer.RateMMPerH(math.Inf(-1)); got != 0 {
		t.Errorf("no reflectivity rains %v", got)
	}
	if got := MarshallPalmer.RateMMPerH(nan); !math.IsNaN(got) {
		t.Errorf("unknown reflectivity rains %v", got)
	}
	// 24 mm/h, peak of 15 minutes of a design storm for debris flows on burnt
	// ground (US Geological Survey), is 45.1 dBZ by Marshall-Palmer.
	if got := MarshallPalmer.ReflectivityDBZ(24); !near(got, 45.1, 0.05) {
		t.Errorf("24 mm/h: %v dBZ", got)
	}
}

func TestRegimes(t *testing.T) {
	for _, test := range []struct {
		regime Regime
		want   Relation
	}{
		{Regime{WetBulbTemperatureK: 272}, DrySnow},
		{Regime{WetBulbTemperatureK: 272, Convective: true}, DrySnow},
		{Regime{WetBulbTemperatureK: 280}, WestCool},
		{Regime{WetBulbTemperatureK: nan}, WestCool},
		{Regime{WetBulbTemperatureK: 280, EastOfRockies: true}, EastCool},
		{Regime{WetBulbTemperatureK: 290, Convective: true, EastOfRockies: true}, SummerConvective},
		{Regime{WetBulbTemperatureK: 290, Warm: true, EastOfRockies: true}, MarshallPalmer},
	} {
		if got := test.regime.Relation(); got != test.want {
			t.Errorf("%+v: %s, want %s", test.regime, got.Name, test.want.Name)
		}
	}
}

func TestIntensity(t *testing.T) {
	// AMS Glossary of Meteorology, "rain": light to 2.5, moderate 2.6 to 7.6, heavy above.
	for rate, want := range map[float64]string{0: "dry", 0.1: "light", 2.5: "light", 2.6: "moderate", 7.6: "moderate", 7.7: "heavy", -1: "unknown"} {
		if got := IntensityOf(rate).String(); got != want {
			t.Errorf("%v mm/h is %s, want %s", rate, got, want)
		}
	}
	if got := IntensityOf(nan); got != UnknownIntensity {
		t.Errorf("unknown rate is %v", got)
	}
	// A quarter of an inch in 30 minutes is 12.7 mm/h.
	if got := MeanRateMMPerH(FlashFloodCueMM, FlashFloodCueMinutes); !near(got, 12.7, 1e-12) {
		t.Errorf("flash-flood cue %v mm/h", got)
	}
	if got := MeanRateMMPerH(6, 15); got != 24 {
		t.Errorf("6 mm in 15 minutes: %v mm/h", got)
	}
	if got := MeanRateMMPerH(6, 0); !math.IsNaN(got) {
		t.Errorf("in no time: %v", got)
	}
}

func TestLiquidContent(t *testing.T) {
	// Greene and Clark (1972), eq. 3, coefficients as in the AMS Glossary, "VIL".
	for _, test := range []struct{ dbz, want, tol float64 }{{30, 0.1782, 0.00005}, {40, 0.6642, 0.0005}, {56, 5.452, 0.0005}} {
		if got := LiquidContentGPerM3(test.dbz); !near(got, test.want, test.tol) {
			t.Errorf("%v dBZ: %v g/m3, want %v", test.dbz, got, test.want)
		}
	}
	// 0.2 g/m3 of droplets of 20 um: Z = n D^6 with n = 0.2 / (pi/6 D^3), by hand -25.1 dBZ.
	z := 0.2 / (math.Pi / 6 * 1e-6 * math.Pow(20e-6, 3) * 1e12) * math.Pow(20e-3, 6)
	if got := DBZ(z); !near(got, -25.1, 0.05) {
		t.Errorf("droplets at %v dBZ", got)
	}
	if got := LinearZ(-10); !near(got, 0.1, 1e-15) {
		t.Errorf("-10 dBZ is %v", got)
	}
}

func TestVIL(t *testing.T) {
	column := Column{echo(1000, 20), echo(2000, 30), echo(3000, 35), echo(4000, 25)}
	// By hand from Greene and Clark (1972), eq. 4: 20, 30, 35, 25 dBZ 1 km apart.
	if got := column.VIL(0, 10000, HailCapDBZ); !near(got.KgPerM2, 0.6419, 0.00005) || !near(got.SeenShare, 0.3, 1e-12) {
		t.Errorf("VIL %+v, want 0.6419", got)
	}
	// A layer of one reflectivity holds M dh, wherever it is cut.
	level := Column{echo(1000, 40), echo(1700, 40), echo(4000, 40)}
	if got := level.VIL(1200, 3100, HailCapDBZ); !near(got.KgPerM2, LiquidContentGPerM3(40)*1900/1000, 1e-9) || !near(got.SeenShare, 1, 1e-12) {
		t.Errorf("uniform layer %+v", got)
	}
	// Parts make the whole to the curvature of Z^(4/7) within one step.
	parts := column.VIL(1000, 2500, HailCapDBZ).KgPerM2 + column.VIL(2500, 4000, HailCapDBZ).KgPerM2
	if got := column.VIL(1000, 4000, HailCapDBZ).KgPerM2; math.Abs(parts-got) > 0.02*got {
		t.Errorf("parts %v, whole %v", parts, got)
	}
	hail := Column{echo(1000, 70), echo(2000, 70)}
	if got := hail.VIL(0, 3000, HailCapDBZ).KgPerM2; !near(got, 5.452, 0.0005) {
		t.Errorf("hail %v", got)
	}
	if got := hail.VIL(0, 3000, math.Inf(1)).KgPerM2; !(got > 20) {
		t.Errorf("hail without a cap %v", got)
	}
	// No echo adds nothing but is seen; what was not seen ends the sum.
	clear := Column{without(1000, grid.NoEcho), without(2000, grid.NoEcho)}
	if got := clear.VIL(1000, 2000, HailCapDBZ); got.KgPerM2 != 0 || got.SeenShare != 1 {
		t.Errorf("clear air %+v", got)
	}
	blocked := Column{echo(1000, 30), without(2000, grid.Blocked), echo(3000, 30), echo(4000, 30)}
	if got := blocked.VIL(1000, 4000, HailCapDBZ); !near(got.KgPerM2, 0.1782, 0.00005) || !near(got.SeenShare, 1.0/3, 1e-12) {
		t.Errorf("blocked between %+v", got)
	}
	if got := (Column{without(1000, grid.Blocked)}).VIL(0, 2000, HailCapDBZ); !math.IsNaN(got.KgPerM2) || got.SeenShare != 0 {
		t.Errorf("nothing seen %+v", got)
	}
	if got := column.VIL(2000, 2000, HailCapDBZ); !math.IsNaN(got.KgPerM2) {
		t.Errorf("no layer %+v", got)
	}
	if got, want := column.IceLoadingIndex(2500, 9000), column.VIL(2500, 9000, HailCapDBZ); got != want {
		t.Errorf("ice loading %+v, VIL above %+v", got, want)
	}
}

func TestLayerMaximum(t *testing.T) {
	column := Column{echo(1500, 40), echo(2500, 28), echo(3500, 31), without(4500, grid.NoEcho), without(5500, grid.NoEcho)}
	for _, test := range []struct {
		bottomM, topM float64
		sight         grid.Sight
		dbz, seen     float64
	}{
		{2000, 4000, grid.Echo, 31, 1},
		{1000, 6000, grid.Echo, 40, 1},
		{4100, 5900, grid.NoEcho, nan, 1},
		{2400, 2450, grid.Echo, 28, 1}, // thinner than the beam
		{0, 900, grid.Overshot, nan, 0},
		{7000, 9000, grid.AboveScan, nan, 0},
		{5200, 9000, grid.NoRadial, nan, 800.0 / 3800}, // too little seen to be called empty
	} {
		m := column.Maximum(test.bottomM, test.topM)
		if m.Sight != test.sight || !near(m.ReflectivityDBZ, test.dbz, 0) || !near(m.SeenShare, test.seen, 1e-9) {
			t.Errorf("%v to %v m: %+v, want %v %v, seen %v", test.bottomM, test.topM, m, test.sight, test.dbz, test.seen)
		}
	}
	// What is blocked or folded is not empty.
	for _, sight := range []grid.Sight{grid.Blocked, grid.Folded, grid.NoRadial} {
		if m := (Column{without(2000, sight)}).Maximum(1000, 3000); m.Sight != sight {
			t.Errorf("%v became %v", sight, m.Sight)
		}
	}
	if m := (Column{}).Maximum(1000, 3000); m.Sight != grid.OutsideRange || m.SeenShare != 0 {
		t.Errorf("no beams: %+v", m)
	}
	if got := column.SeenShare(1000, 1000); !math.IsNaN(got) {
		t.Errorf("share of no layer %v", got)
	}
}

func TestNaturalIce(t *testing.T) {
	at := func(dbz float64) LayerMaximum { return LayerMaximum{Sight: grid.Echo, ReflectivityDBZ: dbz} }
	for _, test := range []struct {
		m     LayerMaximum
		want  float64
		known bool
		class string
	}{
		// Knots 20:1, 30:0.6, 40:0.2, clipped outside.
		{at(-5), 1, true, "weak"}, {at(20), 1, true, "moderate"}, {at(25), 0.8, true, "moderate"}, {at(30), 0.6, true, "moderate"},
		{at(35), 0.4, true, "efficient"}, {at(40), 0.2, true, "efficient"}, {at(60), 0.2, true, "efficient"},
		{LayerMaximum{Sight: grid.NoEcho, ReflectivityDBZ: nan}, 1, true, "weak"},
		{LayerMaximum{Sight: grid.Overshot, ReflectivityDBZ: nan}, nan, false, "unknown"},
		{LayerMaximum{Sight: grid.Blocked, ReflectivityDBZ: nan}, nan, false, "unknown"},
		{at(nan), nan, false, "unknown"},
	} {
		got, known := NaturalIceMultiplier(test.m)
		if known != test.known || !near(got, test.want, 1e-12) || NaturalIceOf(test.m).String() != test.class {
			t.Errorf("%+v: %v, %v, %v, want %v %s", test.m, got, known, NaturalIceOf(test.m), test.want, test.class)
		}
	}
}

func TestEchoTop(t *testing.T) {
	lapse := func(altitudeM float64) float64 { return 288.15 - 0.0065*altitudeM }
	for _, test := range []struct {
		name    string
		column  Column
		sight   grid.Sight
		wantM   float64
		atLeast bool
	}{
		// From 28 at 4 km to 8 at 5 km, 18 is half-way.
		{"between two echoes", Column{echo(3000, 35), echo(4000, 28), echo(5000, 8)}, grid.Echo, 4500, false},
		{"exactly", Column{echo(4000, 18), echo(5000, 8)}, grid.Echo, 4000, false},
		// Lakshmanan et al. (2013): -14 dBZ for no echo; 18 is 4/36 on the way from 22.
		{"no echo above", Column{echo(4000, 22), without(5000, grid.NoEcho)}, grid.Echo, 4000 + 1000*4.0/36, false},
		{"nothing above seen", Column{echo(3000, 40), echo(4000, 22)}, grid.Echo, 4000, true},
		{"blocked above", Column{echo(4000, 22), without(5000, grid.Blocked)}, grid.Echo, 4000, true},
		{"one unseen beam between", Column{echo(4000, 28), without(4500, grid.Folded), echo(5000, 8)}, grid.Echo, 4500, false},
		{"two layers", Column{echo(2000, 10), echo(3000, 12), echo(6000, 28), echo(7000, 8)}, grid.Echo, 6500, false},
		{"weak echo", Column{echo(2000, 10)}, grid.NoEcho, nan, false},
		{"not seen", Column{without(2000, grid.Blocked)}, grid.Blocked, nan, false},
		{"no beams", nil, grid.NoRadial, nan, false},
	} {
		top := test.column.Top(EchoTopDBZ, lapse)
		if top.Sight != test.sight || !near(top.AltitudeM, test.wantM, 1e-9) || top.AtLeast != test.atLeast || !near(top.TemperatureK, 288.15-0.0065*test.wantM, 1e-9) {
			t.Errorf("%s: %+v, want %v m", test.name, top, test.wantM)
		}
	}
	if top := (Column{echo(4000, 22)}).Top(EchoTopDBZ, nil); !math.IsNaN(top.TemperatureK) {
		t.Errorf("temperature of unknown air %v", top.TemperatureK)
	}
	if ColdTopK != 248.15 {
		t.Error("a cold top is colder than -25 degrees Celsius")
	}
}

func TestProfileAtIsotherms(t *testing.T) {
	column := Column{echo(2000, 30), echo(3000, 25), without(4000, grid.NoEcho)}
	altitude := func(temperatureK float64) float64 { return (273.15 - temperatureK) * 150 } // 0 °C at 0 m
	got := column.Profile([]float64{273.15, 273.15 - 14, 273.15 - 20, 273.15 - 26, 273.15 - 60}, altitude)
	for k, want := range []struct {
		sight grid.Sight
		dbz   float64
	}{{grid.NoRadial, nan}, {grid.Echo, 30}, {grid.Echo, 25}, {grid.NoEcho, nan}, {grid.NoRadial, nan}} {
		if got[k].Sight != want.sight || !near(got[k].ReflectivityDBZ, want.dbz, 0) {
			t.Errorf("at %v m: %+v, want %+v", got[k].AltitudeM, got[k], want)
		}
	}
	if p := column.Profile([]float64{300}, func(float64) float64 { return nan }); p[0].Sight != grid.NoRadial {
		t.Errorf("an isotherm that is not there: %+v", p[0])
	}
}

func TestBrightBand(t *testing.T) {
	narrow := func(altitudeM, dbz, rho float64) Sample {
		s := echo(altitudeM, dbz)
		s.HalfWidthM, s.CorrelationCoefficient = 120, rho
		return s
	}
	const freezing = 2500
	for _, test := range []struct {
		name   string
		column Column
		found  bool
		reason string
	}{
		{"stratiform", Column{narrow(1800, 30, 0.99), narrow(2250, 38, 0.92), narrow(2750, 28, 0.98)}, true, ""},
		{"without correlation", Column{narrow(1800, 30, nan), narrow(2250, 38, nan), narrow(2750, 28, nan)}, true, ""},
		{"high correlation", Column{narrow(1800, 30, 0.99), narrow(2250, 38, 0.98), narrow(2750, 28, 0.98)}, false, "correlation"},
		{"4 dB", Column{narrow(2250, 32, 0.92), narrow(2750, 28, 0.98)}, false, "5 dB"},
		{"too deep", Column{narrow(1900, 38, 0.92), narrow(2750, 28, 0.98)}, false, "within 500 m"},
		{"no snow seen", Column{narrow(2250, 38, 0.92), without(2750, grid.Blocked)}, false, "above"},
		{"rises below", Column{narrow(1800, 45, 0.99), narrow(2250, 38, 0.92), narrow(2750, 28, 0.98)}, false, "rising"},
		{"wide beam", Column{{AltitudeM: 2300, HalfWidthM: 900, Sight: grid.Echo, ReflectivityDBZ: 30, CorrelationCoefficient: nan}, echo(3500, 28)}, false, "wider"},
		{"not seen", nil, false, "no echo"},
	} {
		band := test.column.FindBrightBand(freezing)
		if band.Found != test.found || !strings.Contains(band.Reason, test.reason) || !test.found && band.Reason == "" {
			t.Errorf("%s: %+v", test.name, band)
		}
		if test.found && (band.AltitudeM != 2250 || band.ExcessDB != 10 || band.BelowFreezingLevelM != 250 || band.CorrelationChecked != (test.name == "stratiform")) {
			t.Errorf("%s: %+v", test.name, band)
		}
	}
	if band := (Column{}).FindBrightBand(nan); band.Found || band.Reason == "" {
		t.Errorf("unknown level: %+v", band)
	}
	// The rate is taken from below the band, never from in or above it.
	rain := Column{narrow(1800, 30, nan), narrow(2250, 38, nan), narrow(2750, 28, nan)}
	if s, ok := rain.RateSample(rain.FindBrightBand(freezing)); !ok || s.ReflectivityDBZ != 30 {
		t.Errorf("rate from %+v, %v", s, ok)
	}
	high := rain[1:]
	if s, ok := high.RateSample(high.FindBrightBand(freezing)); ok {
		t.Errorf("rate from %+v", s)
	}
	if s, ok := (Column{without(1000, grid.Blocked), echo(2000, 22)}).RateSample(BrightBand{}); !ok || s.ReflectivityDBZ != 22 {
		t.Errorf("rate from %+v, %v", s, ok)
	}
	if _, ok := (Column{without(1000, grid.Blocked)}).RateSample(BrightBand{}); ok {
		t.Error("a rate from nothing")
	}
}

func TestHints(t *testing.T) {
	temperature := func(altitudeM float64) float64 { return 273.15 - (altitudeM-2000)/150 } // 0 °C at 2 km
	dual := func(altitudeM, dbz, zdr, kdp, rho float64) Sample {
		s := echo(altitudeM, dbz)
		s.DifferentialReflectivityDB, s.SpecificPhaseDegPerKm, s.CorrelationCoefficient = zdr, kdp, rho
		return s
	}
	for _, test := range []struct {
		name   string
		column Column
		want   string
	}{
		{"dendrites at -15", Column{dual(4250, 22, 1.6, 0.4, 0.98)}, "dendritic growth"},
		{"too warm", Column{dual(3000, 22, 1.6, 0.4, 0.98)}, ""},
		{"no phase", Column{dual(4250, 22, 1.6, nan, 0.98)}, ""},
		{"riming", Column{dual(2500, 30, 0.1, 0, 0.99), dual(3000, 26, 0.4, 0, 0.99), dual(3500, 20, 0.8, 0, 0.99)}, "riming"},
		{"aggregation that stays", Column{dual(2500, 30, 0.7, 0, 0.99), dual(3500, 20, 0.8, 0, 0.99)}, ""},
		{"rain below", Column{dual(1000, 30, 0.1, 0, 0.99), dual(1500, 20, 0.8, 0, 0.99)}, ""},
		{"melting", Column{dual(1800, 30, 1.2, 0, 0.90)}, "melting"},
		{"no echo", Column{without(4250, grid.NoEcho)}, ""},
	} {
		hints := test.column.Hints(temperature)
		var got []string
		for _, h := range hints {
			got = append(got, string(h.Kind))
			if !strings.HasPrefix(h.Text, "hint: ") || !strings.Contains(h.Text, "suggest") {
				t.Errorf("%s is more than a hint: %s", test.name, h.Text)
			}
			if h.SupportsLiquid != (h.Kind == HintRiming) {
				t.Errorf("%s: %+v", test.name, h)
			}
		}
		if strings.Join(got, " ") != test.want {
			t.Errorf("%s: %v, want %q", test.name, got, test.want)
		}
	}
	if hints := (Column{dual(4250, 22, 1.6, 0.4, 0.98)}).Hints(func(float64) float64 { return nan }); len(hints) != 0 {
		t.Errorf("hints in unknown air: %v", hints)
	}
}

func TestKDP(t *testing.T) {
	// 2 degrees a kilometre both ways are 1 degree/km one way; folded at 180.
	random := rand.New(rand.NewPCG(1, 2))
	phase := make([]float32, 200)
	for k := range phase {
		v := math.Mod(60+2*0.25*float64(k)*4+random.NormFloat64()*2, 180) // 8 degrees a km: KDP 4
		phase[k] = float32(v)
	}
	phase[50] = float32(nan)
	kdp := KDPDegPerKm(phase, 250, 25, 180, nil)
	for k := 15; k < 185; k++ {
		if !near(kdp[k], 4, 0.5) {
			t.Fatalf("gate %d: %v degrees/km, want 4", k, kdp[k])
		}
	}
	for k := range phase {
		if k%3 != 0 {
			phase[k] = float32(nan)
		}
	}
	for k, v := range KDPDegPerKm(phase, 250, 9, 180, kdp) {
		if !math.IsNaN(v) {
			t.Fatalf("gate %d of a third measured: %v", k, v)
		}
	}
	if got := KDPDegPerKm(nil, 250, 9, 180, nil); len(got) != 0 {
		t.Errorf("%v", got)
	}
}

func TestColumnOf(t *testing.T) {
	gate := func(sweep int, altitudeM float64, sight grid.Sight, value float32) grid.ColumnGate {
		return grid.ColumnGate{Sweep: sweep, AltitudeM: altitudeM, HalfWidthM: 400, Sight: sight, Value: value}
	}
	reflectivity := grid.RadarColumn{Gates: []grid.ColumnGate{gate(2, 3000, grid.Echo, 25), gate(0, 1500, grid.Blocked, grid.NotCovered.Value()), gate(4, nan, grid.NoRadial, 0)}}
	correlation := grid.RadarColumn{Gates: []grid.ColumnGate{gate(1, 3020, grid.Echo, 0.97), gate(3, 5000, grid.Echo, 0.5)}}
	c := ColumnOf(reflectivity, grid.RadarColumn{}, grid.RadarColumn{}, correlation)
	if len(c) != 2 || c[0].Sight != grid.Blocked || c[1].ReflectivityDBZ != 25 || !near(c[1].CorrelationCoefficient, 0.97, 1e-6) || !math.IsNaN(c[1].DifferentialReflectivityDB) || !math.IsNaN(c[0].CorrelationCoefficient) {
		t.Errorf("%+v", c)
	}
}

func BenchmarkColumn(b *testing.B) {
	var c Column
	for k := range 14 {
		c = append(c, echo(1000+float64(k)*700, 30-float64(k)*2))
	}
	for b.Loop() {
		m := c.Maximum(2000, 5000)
		NaturalIceMultiplier(m)
		c.VIL(2000, 9000, HailCapDBZ)
		c.Top(EchoTopDBZ, nil)
		c.FindBrightBand(2400)
	}
}

func ExampleColumn_Maximum() {
	// The lowest beam passes above the seeded layer: that is not "no echo".
	c := Column{{AltitudeM: 4200, HalfWidthM: 800, Sight: grid.NoEcho}}
	m := c.Maximum(2500, 3300)
	fmt.Println(m.Sight)
	_, known := NaturalIceMultiplier(m)
	fmt.Println(known)
	// Output:
	// overshot
	// false
}
