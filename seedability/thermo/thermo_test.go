package thermo

import (
	"fmt"
	"math"
	"testing"
)

// check is one value with the place that it comes from. "Computed from the
// stated formula" means: the source gives the formula, and the value was worked
// out apart from this code.
type check struct {
	what           string
	got, want, tol float64
	source         string
}

func verify(t *testing.T, checks []check) {
	t.Helper()
	for _, c := range checks {
		if !(math.Abs(c.got-c.want) <= c.tol) {
			t.Errorf("%s: got %.8g, want %.8g within %.2g (%s)", c.what, c.got, c.want, c.tol, c.source)
		}
	}
}

const (
	murphyKoop     = "Murphy and Koop (2005), printed check value"
	murphyKoopMem  = "value from memory: Murphy and Koop (2005), table C1"
	murphyKoopWork = "computed from the stated formula: Murphy and Koop (2005), eq. 7 and 10"
	bolton         = "Bolton (1980)"
)

// Cross-checks: older fits, good near freezing.
func boltonWaterPa(t float64) float64 {
	return 611.2 * math.Exp(17.67*(t-273.15)/(t-273.15+243.5))
}
func wmoWaterPa(t float64) float64 {
	return 611.2 * math.Exp(17.62*(t-273.15)/(t-273.15+243.12))
}
func wmoIcePa(t float64) float64 {
	return 611.2 * math.Exp(22.46*(t-273.15)/(t-273.15+272.62))
}

func TestSaturationVapourPressure(t *testing.T) {
	water, ice := SaturationVapourPressureWaterPa, SaturationVapourPressureIcePa
	verify(t, []check{
		{"e_w(240 K)", water(240), 37.667, 0.001, murphyKoopMem},
		{"e_i(240 K)", ice(240), 27.272, 0.001, murphyKoopMem},
		{"e_w(273.15 K)", water(273.15), 611.213, 0.001, murphyKoopMem},
		{"e_i(273.15 K)", ice(273.15), 611.154, 0.001, murphyKoopMem},
		{"e_w(273.16 K)", water(273.16), 611.657, 0.001, murphyKoopMem},
		{"e_i(273.16 K)", ice(273.16), 611.657, 0.001, murphyKoopMem},
		{"e_w(300 K)", water(300), 3536.8, 0.1, murphyKoopMem},
		{"e_i(180 K)", ice(180), 0.00539750, 1e-7, murphyKoop},
		{"e_w(180 K)", water(180), 0.0112392, 1e-7, murphyKoop},
		{"e_i(210 K)", ice(210), 0.702023, 1e-6, murphyKoop},
		{"e_w(210 K)", water(210), 1.233542, 1e-6, murphyKoop},
		{"e_w(10 C)", water(283.15), 1228.1, 1, "CRC Handbook, 77th ed., p. 6-13"},
		{"e_w(20 C)", water(293.15), 2338.8, 2338.8 * 0.0005, "CRC Handbook, 77th ed., p. 6-13"},
	})
	for _, row := range []struct{ c, waterHPa, iceHPa, boltonHPa, wmoWaterHPa, wmoIceHPa, ratio float64 }{
		{0, 6.1121, 6.1115, 6.1120, 6.1120, 6.1120, 1.000},
		{-5, 4.2176, 4.0176, 4.2199, 4.2218, 4.0174, 1.050},
		{-6, 3.9087, 3.6872, 3.9112, 3.9134, 3.6870, 1.060},
		{-10, 2.8645, 2.5989, 2.8677, 2.8703, 2.5987, 1.102},
		{-15, 1.9131, 1.6529, 1.9161, 1.9187, 1.6529, 1.157},
		{-20, 1.2550, 1.0325, 1.2574, 1.2597, 1.0326, 1.216},
	} {
		k := row.c + 273.15
		what := fmt.Sprintf("at %g C, ", row.c)
		verify(t, []check{
			{what + "water", water(k), row.waterHPa * 100, 0.006, murphyKoopWork},
			{what + "ice", ice(k), row.iceHPa * 100, 0.006, murphyKoopWork},
			{what + "ratio", water(k) / ice(k), row.ratio, 0.0006, murphyKoopWork},
			{what + "Bolton", boltonWaterPa(k), row.boltonHPa * 100, 0.006, bolton + ", eq. 10"},
			{what + "WMO water", wmoWaterPa(k), row.wmoWaterHPa * 100, 0.006, "WMO-No. 8, annex 4.B"},
			{what + "WMO ice", wmoIcePa(k), row.wmoIceHPa * 100, 0.006, "WMO-No. 8, annex 4.B"},
			{what + "against Bolton", water(k), boltonWaterPa(k), 0.002 * water(k), bolton + ", eq. 10: two independent fits"},
			{what + "against WMO", ice(k), wmoIcePa(k), 0.0002 * ice(k), "WMO-No. 8, annex 4.B"},
		})
	}
	// Values that MetPy's own tests print for Bolton's form, in hPa.
	for _, row := range [][2]float64{{5, 8.72}, {10, 12.28}, {18, 20.64}, {25, 31.68}} {
		verify(t, []check{
			{"Bolton", boltonWaterPa(row[0]+273.15) / 100, row[1], 0.02, bolton + ", as in MetPy's tests"},
			{"water", water(row[0]+273.15) / 100, row[1], 0.02, bolton + ", as in MetPy's tests"},
		})
	}
}

func TestSaturationOutsideRange(t *testing.T) {
	for _, k := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), 0, -40, 122.9, 332.1} {
		if e := SaturationVapourPressureWaterPa(k); !math.IsNaN(e) {
			t.Errorf("e_w(%g K) = %g, want NaN: the formula is stated for 123 to 332 K", k, e)
		}
	}
	for _, k := range []float64{math.NaN(), 0, 109.9, 273.17, 300} {
		if e := SaturationVapourPressureIcePa(k); !math.IsNaN(e) {
			t.Errorf("e_i(%g K) = %g, want NaN: there is ice from 110 K to the triple point", k, e)
		}
	}
}

func TestDewAndFrostPointReturn(t *testing.T) {
	for k := 123.0; k <= 332; k += 0.5 {
		verify(t, []check{{"dew point", DewPointK(SaturationVapourPressureWaterPa(k)), k, 1e-6, "round trip"}})
	}
	for k := 110.0; k <= 273; k += 0.5 {
		verify(t, []check{{"frost point", FrostPointK(SaturationVapourPressureIcePa(k)), k, 1e-6, "round trip"}})
	}
	for _, e := range []float64{math.NaN(), -1, 0, 1e-12, 1e9, math.Inf(1)} {
		if d, f := DewPointK(e), FrostPointK(e); !math.IsNaN(d) || !math.IsNaN(f) {
			t.Errorf("e = %g Pa: dew point %g, frost point %g, want NaN", e, d, f)
		}
	}
	// The derivatives that Newton's method uses.
	for _, k := range []float64{150, 200, 218.8, 250, 270, 300} {
		for name, saturation := range map[string]func(float64) (float64, float64){"water": logSaturationWater, "ice": logSaturationIce} {
			low, _ := saturation(k - 0.001)
			high, _ := saturation(k + 0.001)
			_, perK := saturation(k)
			verify(t, []check{{"derivative over " + name, perK, (high - low) / 0.002, 1e-7, "finite difference"}})
		}
	}
}

func TestMoisture(t *testing.T) {
	e := boltonWaterPa(273.15)
	w := MixingRatioKgPerKg(85000, e)
	verify(t, []check{
		{"w_s(700 hPa, -5 C)", SaturationMixingRatioWaterKgPerKg(70000, 268.15), 3.770e-3, 0.5e-6, murphyKoopWork},
		{"w_s(850 hPa, 0 C)", w, 4.505e-3, 0.5e-6, "computed from the stated formula: " + bolton + ", eq. 10"},
		{"Tv there", VirtualTemperatureK(273.15, w), 273.894, 0.0005, "computed from the stated formula: ideal gases"},
		{"e of w", VapourPressureOfMixingRatioPa(85000, w), e, 1e-9, "round trip"},
		{"e of q", VapourPressurePa(85000, SpecificHumidityKgPerKg(w)), e, 1e-9, "round trip"},
		{"dew point of q", MoistAirOf(70000, 268.15, SpecificHumidityKgPerKg(3.770e-3)).DewPointK, 268.15, 0.002, murphyKoopWork},
		{"theta", PotentialTemperatureK(80000, 293), 312.30, 0.05, "MetPy's tests: 293 K at 800 hPa"},
		{"dry ascent", AirTemperatureOfPotentialK(50000, PotentialTemperatureK(100000, 293)), 240.33, 0.1, "MetPy's tests: 293 K from 1000 to 500 hPa"},
		{"theta-e", MoistAir{85000, 293.15, 291.15}.EquivalentPotentialTemperatureK(), 353.94, 0.1, bolton + " eq. 39, MetPy's documentation: 850 hPa, 20 and 18 C"},
		{"RH over ice in droplet cloud", MoistAir{70000, 263.15, 263.15}.RelativeHumidityIce(), 1.102, 0.0005, murphyKoopWork},
		{"RH over water", MoistAir{70000, 268.15, 263.15}.RelativeHumidityWater(), 2.8645 / 4.2176, 0.00005, murphyKoopWork},
	})
	for _, bad := range []float64{
		MixingRatioKgPerKg(500, 600), MixingRatioKgPerKg(50000, -1), VapourPressurePa(80000, 1.5), VapourPressurePa(80000, -0.1),
		PotentialTemperatureK(0, 280), PotentialTemperatureK(-5, 280), AirTemperatureOfPotentialK(1e9, 280),
		VapourPressureOfMixingRatioPa(80000, -0.001), MoistAir{80000, 280, math.NaN()}.DensityKgPerM3(),
		MoistAir{80000, 400, 280}.RelativeHumidityWater(), MoistAir{80000, 280, 275}.RelativeHumidityIce(),
		MoistAir{80000, 280, 20}.EquivalentPotentialTemperatureK(),
	} {
		if !math.IsNaN(bad) {
			t.Errorf("outside its range: got %g, want NaN", bad)
		}
	}
}

func TestHypsometric(t *testing.T) {
	source := "computed from the stated formula: hypsometric equation"
	verify(t, []check{
		{"1000-500 hPa, 260 K", Slab{100000, 50000, 260}.ThicknessM(), 5275.2, 0.05, source},
		{"850-700 hPa, 270 K", Slab{85000, 70000, 270}.ThicknessM(), 1534.4, 0.05, source},
	})
}

func TestStandardAtmosphere(t *testing.T) {
	const source = "U.S. Standard Atmosphere, 1976"
	for _, row := range []struct{ h, k, hPa, rho float64 }{
		{0, 288.15, 1013.25, 1.2250}, {1000, 281.65, 898.746, 1.1116}, {2000, 275.15, 794.952, 1.0065},
		{3000, 268.65, 701.085, 0.9091}, {5000, 255.65, 540.199, 0.7361}, {11000, 216.65, 226.321, 0.3639},
	} {
		verify(t, []check{
			{"T", StandardTemperatureK(row.h), row.k, 1e-9, source},
			{"p", StandardPressurePa(row.h) / 100, row.hPa, 0.0006, source},
			{"rho", StandardDensityKgPerM3(row.h), row.rho, 0.00006, source},
			{"altitude", StandardAltitudeM(StandardPressurePa(row.h)), row.h, 1e-6, "round trip"},
		})
	}
	verify(t, []check{
		{"p(11 km)", StandardPressurePa(11000) / 100, 226.32, 0.01, source},
		{"700 hPa", StandardAltitudeM(70000), 3012.2, 0.05, "computed from the stated formula: " + source},
		{"850 hPa", StandardAltitudeM(85000), 1457.3, 0.05, "computed from the stated formula: " + source},
		{"500 hPa", StandardAltitudeM(50000), 5574.4, 0.05, "computed from the stated formula: " + source},
	})
	for _, bad := range []float64{StandardPressurePa(11001), StandardTemperatureK(-1001), StandardAltitudeM(10000), StandardAltitudeM(math.NaN()), StandardAltitudeM(-1)} {
		if !math.IsNaN(bad) {
			t.Errorf("outside the lowest layer: got %g, want NaN", bad)
		}
	}
}

func TestCondensationLevel(t *testing.T) {
	const romps = "Romps (2017), self-test of the author's code"
	const rompsWork = "computed from the stated formula: Romps (2017), eq. 22 and 23"
	verify(t, []check{
		{"eq. 22", CondensationTemperatureOfHumidityK(300, 0.5), 286.18, 0.005, "computed from the stated formula: " + bolton + ", eq. 22"},
		{"eq. 15", CondensationTemperatureOfDewPointK(273.15, 270.15), 269.519, 0.0005, "computed from the stated formula: " + bolton + ", eq. 15"},
		{"eq. 15 at RH 0.5", CondensationTemperatureOfDewPointK(300, DewPointK(0.5*SaturationVapourPressureWaterPa(300))), 286.15, 0.01, "computed from the stated formula: " + bolton + ", eq. 15"},
		{"LCL 300 K", Lifted{1e5, 300, 0.5}.LiftingCondensationLevel().HeightM, 1433.844139279, 1e-6, romps},
		{"LDL 300 K", Lifted{1e5, 300, 0.5}.LiftingDepositionLevel().HeightM, 1639.249726127, 1e-6, romps},
		{"LCL 200 K", Lifted{1e5, 200, 0.5}.LiftingCondensationLevel().HeightM, 542.8017712435, 1e-6, romps},
		{"LCL 850 hPa", Lifted{85000, 275.15, 0.7}.LiftingCondensationLevel().HeightM, 607.7, 0.05, rompsWork},
		{"LDL 850 hPa", Lifted{85000, 275.15, 0.7}.LiftingDepositionLevel().HeightM, 553.1, 0.05, rompsWork},
		// Romps states that Bolton's equation 22 is good to about 0.1 K here.
		{"Romps against Bolton", Lifted{1e5, 300, 0.5}.LiftingCondensationLevel().AirTemperatureK, 286.18, 0.1, bolton + ", eq. 22"},
		{"saturated air", Lifted{80000, 270, 1}.LiftingCondensationLevel().HeightM, 0, 0, "theory: it is there already"},
		{"supersaturated air", Lifted{80000, 270, 1.02}.LiftingCondensationLevel().HeightM, 0, 0, "theory: it is there already"},
	})
	for _, l := range []Lifted{{1e5, 300, 0}, {1e5, 300, -0.1}, {1e5, math.NaN(), 0.5}, {0, 300, 0.5}, {1e5, 100, 0.5}, {math.Inf(1), 280, 0.5}, {1e5, 280, math.NaN()}, {1000, 300, 0.9}} {
		if got := l.LiftingCondensationLevel(); !math.IsNaN(got.HeightM) || !math.IsNaN(got.PressurePa) || !math.IsNaN(got.AirTemperatureK) {
			t.Errorf("%+v: got %+v, want NaN", l, got)
		}
	}
	// On the way up a parcel that conserves theta and w must saturate there:
	// dry air's kappa is used, so 0.2 K is what the vapour's heat capacity is worth.
	start := MoistAir{85000, 275.15, 270.15}
	level := start.CondensationLevel()
	verify(t, []check{
		{"theta at the LCL", PotentialTemperatureK(level.PressurePa, level.AirTemperatureK), start.PotentialTemperatureK(), 0.05, "theory: theta is conserved"},
		{"w_s at the LCL", SaturationMixingRatioWaterKgPerKg(level.PressurePa, level.AirTemperatureK), start.MixingRatioKgPerKg(), 0.005 * start.MixingRatioKgPerKg(), "theory: w is conserved"},
	})
}

func TestLambertWMinus1(t *testing.T) {
	for w := -1.0; w > -600; w -= 0.03 {
		x := w * math.Exp(w)
		if x > -smallestLambertArgument {
			break
		}
		tol := 1e-12 * math.Abs(w)
		if w > -1.01 { // the branch point is a square root: half the digits are lost
			tol = 2e-8
		}
		verify(t, []check{{fmt.Sprintf("W(%g)", x), lambertWMinus1(x), w, tol, "definition: W e^W = x"}})
	}
	verify(t, []check{{"W(-0.1)", lambertWMinus1(-0.1), -3.577152063957297, 1e-14, "Corless et al. (1996); also scipy.special.lambertw(-0.1, -1), SciPy 1.17.1"}})
	for _, x := range []float64{math.NaN(), -0.4, 0, 0.1, -1e-320, math.Inf(-1)} {
		if w := lambertWMinus1(x); !math.IsNaN(w) {
			t.Errorf("W(%g) = %g, want NaN", x, w)
		}
	}
}

func TestLapseRates(t *testing.T) {
	const source = "computed from the stated formula: AMS Glossary of Meteorology, with Bolton's saturation, which moves it by less than 0.5 %"
	verify(t, []check{{"dry", DryAdiabaticLapseRateKPerM * 1000, 9.751, 0.0005, "computed from the stated formula: g/cp"}})
	for _, row := range []struct{ hPa, c, kPerKm float64 }{
		{1000, 20, 4.307}, {1000, 0, 6.470}, {850, 0, 6.149}, {700, -5, 6.391}, {700, -10, 7.022}, {700, -20, 8.144},
	} {
		verify(t, []check{{fmt.Sprintf("saturated at %g hPa, %g C", row.hPa, row.c),
			1000 * SaturatedLapseRateKPerM(row.hPa*100, row.c+273.15), row.kPerKm, 0.005 * row.kPerKm, source}})
	}
	up := PseudoadiabatTemperatureK(Pseudoadiabat{85000, 273.15, 70000})
	verify(t, []check{
		{"850 hPa, 0 C, to 700 hPa", up, 273.15 - 10.015, 0.005 * 10.015, source},
		{"and back", PseudoadiabatTemperatureK(Pseudoadiabat{70000, up, 85000}), 273.15, 1e-6, "theory: reversible"},
		{"dry limit", PseudoadiabatTemperatureK(Pseudoadiabat{30000, 180, 20000}), 180 * math.Pow(2.0/3, GasConstantDryAirJPerKgK/HeatCapacityDryAirJPerKgK), 0.01, "theory: no vapour left"},
	})
	// Fourth order: the half step is 16 times better. 10 hPa against 0.1 hPa.
	fine := 273.15
	for k := range 1500 {
		fine = PseudoadiabatTemperatureK(Pseudoadiabat{85000 - 10*float64(k), fine, 85000 - 10*float64(k+1)})
	}
	verify(t, []check{{"step", up, fine, 1e-7, "theory: converged"}})
	for _, bad := range []Pseudoadiabat{{math.NaN(), 273, 70000}, {85000, math.NaN(), 70000}, {85000, 273, 0}, {85000, 273, -1}, {math.Inf(1), 273, 100}, {85000, 400, 70000}} {
		if got := PseudoadiabatTemperatureK(bad); !math.IsNaN(got) {
			t.Errorf("%+v: got %g, want NaN", bad, got)
		}
	}
}

func TestWetBulb(t *testing.T) {
	humid := func(hPa, c, rh float64) MoistAir {
		k := c + 273.15
		return MoistAir{hPa * 100, k, DewPointK(rh * SaturationVapourPressureWaterPa(k))}
	}
	stull := func(c, percent float64) float64 { // Stull (2011, J. Appl. Meteor. Climatol. 50, 2267), eq. 1
		return c*math.Atan(0.151977*math.Sqrt(percent+8.313659)) + math.Atan(c+percent) - math.Atan(percent-1.676331) +
			0.00391838*math.Pow(percent, 1.5)*math.Atan(0.023101*percent) - 4.686035
	}
	verify(t, []check{
		{"1013.25 hPa, 20 C, 50 %", humid(1013.25, 20, 0.5).WetBulbTemperatureK() - 273.15, 13.7, 0.1, "Stull (2011), worked example: 13.7 C"},
		{"the same", humid(1013.25, 20, 0.5).WetBulbTemperatureK() - 273.15, 13.73, 0.02, "computed from the stated formula: Normand's rule, Bolton's saturation"},
		{"Stull's fit", stull(20, 50), 13.70, 0.005, "computed from the stated formula: Stull (2011), eq. 1"},
		{"700 hPa, -3/-8 C", MoistAir{70000, 270.15, 265.15}.WetBulbTemperatureK() - 273.15, -4.98, 0.015, "computed from the stated formula: Normand's rule, Bolton's saturation"},
		{"saturated", MoistAir{70000, 270.15, 270.15}.WetBulbTemperatureK(), 270.15, 0, "theory"},
	})
	// Between the dew point and the temperature, always.
	for _, hPa := range []float64{1000, 850, 700, 500} {
		for c := -40.0; c <= 20; c += 5 {
			for _, depression := range []float64{0.1, 1, 5, 20} {
				air := MoistAir{hPa * 100, c + 273.15, c + 273.15 - depression}
				if tw := air.WetBulbTemperatureK(); !(tw > air.DewPointK && tw < air.AirTemperatureK) {
					t.Errorf("%+v: wet bulb %g K", air, tw)
				}
			}
		}
	}
}

func TestStability(t *testing.T) {
	const durranKlemp = "computed from the stated formula: Durran and Klemp (1982)"
	cloud := Stratification{PressurePa: 75000, AirTemperatureK: 268.15, TemperatureGradientKPerM: -0.005}
	cloud.TotalWaterKgPerKg = SaturationMixingRatioWaterKgPerKg(75000, 268.15)
	verify(t, []check{
		{"theta 290 to 296 K over 2 km", math.Sqrt(BuoyancyFrequencySquaredPerS2(293, 6.0/2000)), 0.01002, 0.000005, "computed from the stated formula"},
		{"N_d, 750 hPa, -5 C, 5 K/km", math.Sqrt(cloud.DryPerS2()), 0.01318, 0.000005, "computed from the stated formula"},
		{"N_m2, q_w constant", cloud.SaturatedByLapseRatePerS2(), 6.22e-5, 0.005 * 6.22e-5, durranKlemp + ", eq. 5"},
		{"N_m2, q_w = q_s", cloud.JustSaturated().SaturatedByLapseRatePerS2(), 7.09e-5, 0.005 * 7.09e-5, durranKlemp + ", eq. 5"},
		{"N_m2, eq. 36", cloud.SaturatedPerS2(), 6.14e-5, 0.02 * 6.14e-5, durranKlemp + ", eq. 36"},
		{"N_m2, eq. 36, q_w = q_s", cloud.JustSaturated().SaturatedPerS2(), 7.01e-5, 0.02 * 7.01e-5, durranKlemp + ", eq. 36"},
		{"Ri_b", Shear{285, 288, 1000, 10, 5}.BulkRichardson(), 0.826, 0.0005, "computed from the stated formula"},
	})
	// At the saturated lapse rate, with constant total water, cloud is neutral.
	neutral := cloud
	neutral.TemperatureGradientKPerM = -SaturatedLapseRateKPerM(75000, 268.15)
	verify(t, []check{
		{"neutral cloud", neutral.SaturatedByLapseRatePerS2(), 0, 1e-12, "theory"},
		// The lapse rate of the Glossary and eq. 36 differ in small terms.
		{"neutral cloud, eq. 36", neutral.SaturatedPerS2(), 0, 2e-6, "theory, within the approximation of the lapse rate"},
		{"saturation gradient", neutral.saturationGradientPerM(), saturationGradientByDifference(75000, 268.15, neutral.TemperatureGradientKPerM), 1e-11, "finite difference"},
	})
	if ri := (Shear{285, 288, 1000, 0, 0}).BulkRichardson(); !math.IsInf(ri, 1) {
		t.Errorf("no shear: Ri_b %g, want +Inf", ri)
	}
}

func saturationGradientByDifference(p, t, gradient float64) float64 {
	const h = 1.0
	at := func(z float64) float64 {
		scale := GasConstantDryAirJPerKgK * VirtualTemperatureK(t, SaturationMixingRatioWaterKgPerKg(p, t)) / GravityMPerS2
		return SaturationMixingRatioWaterKgPerKg(p*math.Exp(-z/scale), t+gradient*z)
	}
	return (at(h) - at(-h)) / (2 * h)
}

func TestPrecipitableWater(t *testing.T) {
	// Constant specific humidity: q (p1 - p2) / g.
	q := SpecificHumidityKgPerKg(0.003)
	air := func(p float64) MoistAir { return MoistAirOf(p, 280, q) }
	verify(t, []check{
		{"constant humidity", PrecipitableWaterKgPerM2([]MoistAir{air(90000), air(80000), air(50000)}), q * 40000 / GravityMPerS2, 1e-6, "computed by hand"},
		{"humidity linear in pressure", PrecipitableWaterKgPerM2([]MoistAir{MoistAirOf(90000, 280, 0.004), MoistAirOf(80000, 275, 0.003), MoistAirOf(60000, 265, 0.001)}), (0.0035*10000 + 0.002*20000) / GravityMPerS2, 1e-6, "computed by hand"},
		{"a level without dew point", PrecipitableWaterKgPerM2([]MoistAir{air(90000), {80000, 280, math.NaN()}, air(50000)}), q * 40000 / GravityMPerS2, 1e-6, "computed by hand"},
	})
	for _, levels := range [][]MoistAir{nil, {air(90000)}, {air(50000), air(90000)}} {
		if got := PrecipitableWaterKgPerM2(levels); !math.IsNaN(got) {
			t.Errorf("%v: got %g, want NaN", levels, got)
		}
	}
}

func BenchmarkSaturationVapourPressureWater(b *testing.B) {
	sum, t := 0.0, 250.0
	for b.Loop() {
		sum += SaturationVapourPressureWaterPa(t)
		if t += 0.01; t > 280 {
			t = 250
		}
	}
	_ = sum
}

func BenchmarkWetBulbTemperature(b *testing.B) {
	air := MoistAir{80000, 275.15, 270.15}
	for b.Loop() {
		_ = air.WetBulbTemperatureK()
	}
}
