package liquid

import (
	"fmt"
	"math"
	"slices"
	"testing"

	"rimeline/seedability/thermo"
)

// check is one value with the place that it comes from.
type check struct {
	what           string
	got, want, tol float64
	source         string
}

func verify(t *testing.T, checks []check) {
	t.Helper()
	for _, c := range checks {
		if !(math.Abs(c.got-c.want) <= c.tol) {
			t.Errorf("%s: got %.6g, want %.6g within %.2g (%s)", c.what, c.got, c.want, c.tol, c.source)
		}
	}
}

// Liquid water with values in g m-3 and degrees Celsius, by 500 m from 2000 m.
func ladder(celsius, gPerM3 []float64) []Sample {
	var samples []Sample
	for k := range celsius {
		samples = append(samples, Sample{2000 + 500*float64(k), celsius[k] + 273.15, gPerM3[k] / 1000})
	}
	return samples
}

func TestPathBetweenIsotherms(t *testing.T) {
	samples := ladder([]float64{-1, -4, -7, -10.5, -14}, []float64{0, .12, .20, .10, 0})
	const source = "computed from the stated formula: trapezia clipped at the isotherms"
	verify(t, []check{
		{"0 to -25 C", 1000 * Integrate(samples, SupercooledWindow).KgPerM2, 210.0, 0.05, source},
		{"-6 to -18 C", 1000 * Integrate(samples, AgentWindow).KgPerM2, 131.1, 0.05, source},
		{"model content, 700 hPa, -8 C, 0.2 g/kg", 1000 * ContentKgPerM3(thermo.MoistAir{PressurePa: 70000, AirTemperatureK: 265.15, DewPointK: 150}.DensityKgPerM3(), 0.2e-3), 0.184, 0.0005, "computed from the stated formula: dry air, rho 0.9197"},
	})
	// Splitting a linear segment changes nothing.
	finer := slices.Insert(slices.Clone(samples), 2, Sample{2750, 273.15 - 5.5, 0.16e-3})
	verify(t, []check{{"split", Integrate(finer, AgentWindow).KgPerM2, Integrate(samples, AgentWindow).KgPerM2, 1e-12, "theory"}})
	// An inversion passes the window twice; an isothermal layer is in or out.
	verify(t, []check{
		{"inversion", Integrate([]Sample{{0, 268.15, 1e-3}, {1000, 266.15, 1e-3}, {2000, 268.15, 1e-3}}, AgentWindow).KgPerM2, 1.0, 1e-12, "computed by hand: 2 x 500 m of 1 g m-3"},
		{"isothermal, inside", Integrate([]Sample{{0, 265, 1e-3}, {1000, 265, 1e-3}}, AgentWindow).KgPerM2, 1.0, 1e-12, "computed by hand"},
		{"isothermal, outside", Integrate([]Sample{{0, 270, 1e-3}, {1000, 270, 1e-3}}, AgentWindow).KgPerM2, 0, 0, "computed by hand"},
	})
	gap := Integrate([]Sample{{0, 265, 1e-3}, {1000, 265, 1e-3}, {2600, 265, 1e-3}, {3000, 265, 1e-3}}, AgentWindow)
	verify(t, []check{
		{"path beside a gap", gap.KgPerM2, 1.4, 1e-12, "computed by hand: 1600 m are not interpolated across"},
		{"uncovered", gap.UncoveredM, 1600, 0, "computed by hand"},
	})
	for _, none := range [][]Sample{nil, {{0, 265, 1e-3}}, {{0, 265, 1e-3}, {500, 265, math.NaN()}}, {{0, 265, 1e-3}, {2000, 265, 1e-3}}} {
		if path := Integrate(none, AgentWindow); !math.IsNaN(path.KgPerM2) {
			t.Errorf("%v: path %g, want NaN: nothing could be integrated", none, path.KgPerM2)
		}
	}
}

func TestAdiabaticCloud(t *testing.T) {
	const source = "computed from the stated formula: pseudoadiabat with Bolton's saturation, which moves it by less than 0.5 %"
	cloud := Base{80000, 271.15}.LiftTo(70000)
	verify(t, []check{
		{"temperature, C", cloud.AirTemperatureK - 273.15, -8.877, 0.02, source},
		{"mixing ratio, g/kg", 1000 * cloud.LiquidKgPerKg, 1.337, 0.005 * 1.337, source},
		{"content, g m-3", 1000 * cloud.LiquidKgPerM3, 1.234, 0.005 * 1.234, source},
		{"c_w at 750 hPa, -5 C, g m-3 km-1", 1e6 * CondensationRateKgPerM4(75000, 268.15), 1.263, 0.005 * 1.263, source},
		{"c_w at 700 hPa, -10 C", 1e6 * CondensationRateKgPerM4(70000, 263.15), 1.010, 0.005 * 1.010, source},
		{"path of 500 m, g m-2", 1000 * AdiabaticPathKgPerM2(1.263e-6, 500), 157.9, 0.05, source},
		{"none at the base", Base{80000, 271.15}.LiftTo(80000).LiquidKgPerM3, 0, 0, "definition"},
		{"none below it", Base{80000, 271.15}.LiftTo(85000).LiquidKgPerM3, 0, 0, "definition"},
	})
	steps := Base{80000, 271.15}.Lift([]float64{79000, 76500, 70000})
	verify(t, []check{{"in steps", steps[2].LiquidKgPerM3, cloud.LiquidKgPerM3, 1e-12, "theory: the path does not matter"}})
	if !math.IsNaN(AdiabaticPathKgPerM2(1e-6, -1)) {
		t.Error("negative depth: want NaN")
	}
	// The rate is the derivative of the lift.
	up := Base{75000, 268.15}.LiftTo(74500)
	depth := thermo.Slab{LowerPressurePa: 75000, UpperPressurePa: 74500, MeanVirtualTemperatureK: 268.3}.ThicknessM()
	verify(t, []check{{"rate against lift", up.LiquidKgPerM3 / depth, CondensationRateKgPerM4(75000, 268.15), 0.01 * 1.263e-6, "theory, over 50 m"}})
}

func TestOrographicSupply(t *testing.T) {
	slope := Upslope{WindMPerS: 15, Slope: 0.10, CloudDepthM: 1000, CondensationRateKgPerM4: 1.263e-6}
	const source = "computed from the stated formula: integral of w c_w"
	verify(t, []check{
		{"supply, g m-2 s-1", 1000 * slope.SupplyKgPerM2S(), 1.894, 0.001, source},
		{"supply, mm/h", 3600 * slope.SupplyKgPerM2S(), 6.82, 0.005, source},
		{"flux of 0.10 mm at 10 m/s, g m-1 s-1", 1000 * FluxKgPerMS(0.10, 10), 1000, 1e-9, source},
		{"0.124 kg s-1 m-1 over 10 km, mm/h", 3600 * ConvertedRateKgPerM2S(0.124, 10e3), 0.04, 0.01, "Thompson and Super, J. Wea. Mod."},
		{"2.707 kg s-1 m-1 over 10 km, mm/h", 3600 * ConvertedRateKgPerM2S(2.707, 10e3), 0.97, 0.01, "Thompson and Super, J. Wea. Mod."},
		{"the same, closer", 3600 * ConvertedRateKgPerM2S(0.124, 10e3), 0.045, 0.0005, "computed from the stated formula: 3.6 F/L"},
		{"the same, closer", 3600 * ConvertedRateKgPerM2S(2.707, 10e3), 0.975, 0.0005, "computed from the stated formula: 3.6 F/L"},
	})
	// Decay: against the integral by trapezia.
	for decay, weaken := range map[Decay]func(z float64) float64{
		Exponential: func(z float64) float64 { return math.Exp(-z / 700) },
		LinearToTop: func(z float64) float64 { return 1 - z/1000 },
	} {
		slope.Decay, slope.ScaleHeightM = decay, 700
		sum := 0.0
		for z := 0.5; z < 1000; z++ {
			sum += 1.5 * weaken(z) * 1.263e-6
		}
		verify(t, []check{{fmt.Sprintf("decay %d", decay), slope.SupplyKgPerM2S(), sum, 1e-6 * sum, "numerical integral"}})
	}
	slope.Decay, slope.WindMPerS = Uniform, -15
	verify(t, []check{{"descent", slope.SupplyKgPerM2S(), 0, 0, "theory"}})
	for _, bad := range []float64{
		Upslope{Decay: Exponential}.SupplyKgPerM2S(), Upslope{CloudDepthM: -1}.SupplyKgPerM2S(), Upslope{Decay: 9}.SupplyKgPerM2S(), ConvertedRateKgPerM2S(1, 0),
	} {
		if !math.IsNaN(bad) {
			t.Errorf("got %g, want NaN", bad)
		}
	}
}

func TestWhere(t *testing.T) {
	z := []float64{0, 100, 200, 300, 2000, 2100}
	for _, test := range []struct {
		what       string
		conditions [][]float64
		want       []Interval
	}{
		{"all", [][]float64{{1, 1, 1, 1, 1, 1}}, []Interval{{0, 300}, {2000, 2100}}},
		{"none", [][]float64{{-1, -1, -1, -1, -1, -1}}, nil},
		{"crossings", [][]float64{{-1, 1, 1, -3, -1, 1}}, []Interval{{50, 225}, {2050, 2100}}},
		{"a touch from below", [][]float64{{-1, 0, -1, -1, -1, -1}}, nil},
		{"a touch from above", [][]float64{{1, 0, 1, -1, -1, -1}}, []Interval{{0, 250}}},
		{"missing", [][]float64{{1, 1, math.NaN(), 1, 1, 1}}, []Interval{{0, 100}, {2000, 2100}}},
		{"two", [][]float64{{-1, 1, 1, 1, 1, 1}, {1, 1, -1, 1, 1, 1}}, []Interval{{50, 150}, {250, 300}, {2000, 2100}}},
		{"disjoint in one segment", [][]float64{{-1, 1, -1, -1, -1, -1}, {1, -9, -1, -1, -1, -1}}, nil},
	} {
		got := Where(z, MaximumGapM, test.conditions...)
		if !slices.EqualFunc(got, test.want, func(a, b Interval) bool {
			return math.Abs(a.BaseAltitudeM-b.BaseAltitudeM) < 1e-9 && math.Abs(a.TopAltitudeM-b.TopAltitudeM) < 1e-9
		}) {
			t.Errorf("%s: got %v, want %v (computed by hand)", test.what, got, test.want)
		}
	}
}

// moist makes levels by 100 m from humidities in percent over water, all at one
// temperature, with the ice humidity that belongs to it.
func moist(celsius float64, percent ...float64) []Level {
	k := celsius + 273.15
	ratio := thermo.SaturationVapourPressureWaterPa(k) / thermo.SaturationVapourPressureIcePa(k)
	var levels []Level
	for n, p := range percent {
		levels = append(levels, Level{1000 + 100*float64(n), k, p / 100, p / 100 * ratio})
	}
	return levels
}

func TestCloudRules(t *testing.T) {
	type layer struct {
		base, top float64
	}
	for _, test := range []struct {
		what   string
		rule   Rule
		levels []Level
		want   []layer
	}{
		// Warm levels: the rule looks at humidity over water.
		{"reaches 87 %", WangRossow(), moist(5, 50, 80, 88, 88, 60, 50), []layer{{1150, 1100 + 200 + 100*4.0/28}}},
		{"hysteresis: 84 to 87 % is not enough", WangRossow(), moist(5, 50, 80, 86, 86, 60, 50), nil},
		{"on the ground", WangRossow(), moist(5, 95, 90, 64, 50), []layer{{1000, 1100 + 100*6.0/26}}},
		{"no jump at the top", WangRossow(), moist(5, 50, 87.5, 87, 86.5, 86, 85.5, 85, 84.5, 84, 83.5, 83, 83, 83), nil},
		// At -10 C 80 % over water is 88 % over ice.
		{"over ice when cold", WangRossow(), moist(-10, 50, 60, 80, 80, 60, 50), []layer{{1000 + 100*(1+(84/1.1022-60)/20), 1300 + 100*(80-84/1.1022)/20}}},
		{"92 % at the ground", Zhang(), moist(5, 50, 80, 91, 91, 60, 50), nil},
		{"merged over a moist gap", Zhang(), moist(5, 50, 97, 97, 88, 97, 97, 50), []layer{{1100 - 100*(97-91.9)/47, 1500 + 100*(97-91.5)/47}}},
		// 70 % between the layers is dry, but they are only 200 m apart.
		{"merged over a short gap", Zhang(), moist(5, 50, 97, 97, 70, 97, 97, 50), []layer{{1100 - 100*(97-91.9)/47, 1500 + 100*(97-91.5)/47}}},
		{"not over a long dry gap", Zhang(), moist(5, 50, 97, 97, 70, 70, 70, 97, 97, 50), []layer{{1100 - 100*(97-91.9)/47, 1200 + 100*(97-91.8)/27}, {1600 - 100*(97-91.4)/27, 1700 + 100*(97-91.3)/47}}},
	} {
		var got []layer
		for _, l := range test.rule.Layers(test.levels, 1000) {
			got = append(got, layer{l.BaseAltitudeM, l.TopAltitudeM})
		}
		if !slices.EqualFunc(got, test.want, func(a, b layer) bool {
			return math.Abs(a.base-b.base) < 0.5 && math.Abs(a.top-b.top) < 0.5
		}) {
			t.Errorf("%s, %s: got %v, want %v (computed by hand from the rule)", test.rule.Name, test.what, got, test.want)
		}
	}
	const source = "Zhang et al. (2010), values from memory: 92-90 %, 90-88 %, 88-75 %"
	rule := Zhang()
	verify(t, []check{
		{"0 km", rule.Minimum.At(0), 0.92, 1e-12, source}, {"1 km", rule.Minimum.At(1000), 0.91, 1e-12, source},
		{"2 km", rule.Minimum.At(2000), 0.90, 1e-12, source}, {"6 km", rule.Minimum.At(6000), 0.88, 1e-12, source},
		{"12 km", rule.Minimum.At(12000), 0.75, 1e-12, source}, {"20 km", rule.Minimum.At(20000), 0.75, 1e-12, source},
	})
	for _, levels := range [][]Level{nil, moist(5, 95), {{1000, math.NaN(), 0.95, 0.95}, {1100, 270, math.NaN(), math.NaN()}}} {
		if got := WangRossow().Layers(levels, math.NaN()); got != nil {
			t.Errorf("%v: got %v, want none", levels, got)
		}
	}
}

func TestSupercooledLayers(t *testing.T) {
	// -10 C: 96 % from 1200 to 1600 m.
	levels := moist(-10, 50, 60, 96, 96, 96, 96, 96, 60, 50)
	layers := SupercooledLayers(levels, LikelyHumidity)
	if len(layers) != 1 {
		t.Fatalf("got %v, want one layer", layers)
	}
	verify(t, []check{
		{"base", layers[0].BaseAltitudeM, 1100 + 100*35.0/36, 1e-6, "computed by hand"},
		{"top", layers[0].TopAltitudeM, 1600 + 100*1.0/36, 1e-6, "computed by hand"},
		{"humidity over water", layers[0].MaximumHumidity, 0.96, 1e-12, "computed by hand"},
	})
	for what, none := range map[string][]Level{
		"300 m at least":           moist(-10, 50, 60, 96, 96, 96, 60, 50),
		"too warm":                 moist(1, 50, 60, 96, 96, 96, 96, 96, 60, 50),
		"too cold":                 moist(-26, 50, 60, 96, 96, 96, 96, 96, 60, 50),
		"moist over ice, not over": moist(-10, 50, 60, 89, 89, 89, 89, 89, 60, 50),
	} {
		if got := SupercooledLayers(none, PossibleHumidity); got != nil {
			t.Errorf("%s: got %v, want none", what, got)
		}
	}
}

func TestAmountsAndCombination(t *testing.T) {
	for path, want := range map[float64]Amount{0: AmountNone, 0.029: AmountNone, 0.04: AmountTrace, 0.05: AmountPresent, 0.099: AmountPresent, 0.10: AmountUseful, 1.07: AmountUseful, math.NaN(): AmountUnknown} {
		if got := AmountOf(path); got != want {
			t.Errorf("%g mm: %s, want %s (thresholds in practice 0.05 and 0.10 mm, noise 0.03)", path, got, want)
		}
	}
	cold := Radiometer{LiquidKgPerM2: 0.12, ColumnWarmestK: 272}
	wet, warm, blind, unknown := cold, cold, cold, cold
	wet.WetRadome, warm.ColumnWarmestK, blind.LiquidKgPerM2, unknown.ColumnWarmestK = true, 274, math.NaN(), math.NaN()
	for _, r := range []Radiometer{wet, warm, blind, unknown} {
		if e := r.Estimate(0.9); e.Quality != 0 || e.Reason == "" {
			t.Errorf("%+v: %+v, want quality 0 with a reason", r, e)
		}
	}
	model := Estimate{Method: "model", Family: "model", KgPerM2: 0.20, Quality: 0.5}
	ascent := Estimate{Method: "adiabatic", Family: "sounding", KgPerM2: 0.15, Quality: 0.4}
	got := Combine([]Estimate{model, cold.Estimate(0.9), ascent, wet.Estimate(0.9)})
	verify(t, []check{
		{"combined", got.KgPerM2, 0.9 * 0.12, 1e-12, "maximum of quality times path: 0.100, 0.108, 0.060"},
		{"from", float64(got.From), 1, 0, "the radiometer"},
		{"agreeing families", float64(got.AgreeingFamilies), 3, 0, "all three say present"},
		{"published", float64(len(got.Estimates)), 4, 0, "each is"},
	})
	dry := model
	dry.KgPerM2 = 0.01
	if got := Combine([]Estimate{dry, cold.Estimate(0.9)}); got.AgreeingFamilies != 1 {
		t.Errorf("a dry model does not confirm a radiometer: %d families agree", got.AgreeingFamilies)
	}
	if got := Combine([]Estimate{wet.Estimate(0.9)}); got.From != -1 || !math.IsNaN(got.KgPerM2) || got.AgreeingFamilies != 0 {
		t.Errorf("no usable estimate: got %+v", got)
	}
	zero := model
	zero.KgPerM2 = 0
	if got := Combine([]Estimate{zero}); got.From != 0 || got.KgPerM2 != 0 {
		t.Errorf("a zero is an answer: got %+v", got)
	}
}
