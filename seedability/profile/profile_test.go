package profile

import (
	"encoding/csv"
	"encoding/json"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/testfiles"
	"rimeline/seedability/liquid"
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
			t.Errorf("%s: got %.7g, want %.7g within %.2g (%s)", c.what, c.got, c.want, c.tol, c.source)
		}
	}
}

// ladder is a column of temperatures (degrees Celsius) at altitudes, without
// anything else but the pressure of the standard atmosphere.
func ladder(altitudesM, celsius []float64) grid.Column {
	column := grid.Column{Label: "test", SurfaceAltitudeM: altitudesM[0], Time: time.Date(2026, 1, 14, 12, 0, 0, 0, time.UTC)}
	for k, z := range altitudesM {
		l := grid.MissingLevel()
		l.AltitudeM, l.PressurePa, l.AirTemperatureK = z, thermo.StandardPressurePa(z), celsius[k]+273.15
		column.Levels = append(column.Levels, l)
	}
	return column
}

func crossings(t *testing.T, d Derived, celsius float64) []float64 {
	t.Helper()
	isotherm, ok := d.Isotherm(celsius + 273.15)
	if !ok {
		t.Fatalf("%g C is not derived", celsius)
	}
	return isotherm.CrossingsAltitudeM
}

func TestIsotherms(t *testing.T) {
	z := []float64{1500, 2000, 2500, 3000, 4000}
	c := []float64{2, -1, 1, -3, -9.5}
	const byHand = "computed by hand: linear in height"
	for _, test := range []struct {
		what    string
		column  grid.Column
		celsius float64
		want    []float64
	}{
		{"three crossings", ladder(z, c), 0, []float64{1833.3, 2250.0, 2625.0}},
		{"-5", ladder(z, c), -5, []float64{3307.7}},
		{"-6", ladder(z, c), -6, []float64{3461.5}},
		{"never reached", ladder(z, c), -10, nil},
		{"exact level once", ladder(z, []float64{2, 0, -1, -3, -9.5}), 0, []float64{2000}},
		{"exact at the top", ladder(z, []float64{9, 8, 7, 6, 0}), 0, []float64{4000}},
		{"touching counts once", ladder(z, []float64{2, 0, 1, 2, 3}), 0, []float64{2000}},
		{"isothermal layer: its top", ladder(z, []float64{2, 0, 0, -3, -9.5}), 0, []float64{2500}},
		{"not across 1500 m", ladder([]float64{1000, 2000, 3501, 4000}, []float64{6, 2, -2, -6}), 0, nil},
		{"across 1500 m exactly", ladder([]float64{1000, 2000, 3500, 4000}, []float64{6, 2, -2, -6}), 0, []float64{2750}},
	} {
		got := crossings(t, Derive(test.column, DefaultOptions()), test.celsius)
		if !slices.EqualFunc(got, test.want, func(a, b float64) bool { return math.Abs(a-b) < 0.05 }) {
			t.Errorf("%s: got %.1f, want %.1f (%s)", test.what, got, test.want, byHand)
		}
	}

	d := Derive(ladder(z, c), DefaultOptions())
	zero := d.Isotherms[0]
	verify(t, []check{
		{"lowest", float64(zero.LowestAltitudeM), 1833.3, 0.05, byHand},
		{"freezing level is the highest", float64(d.FreezingLevelAltitudeM), 2625.0, 0.05, byHand},
	})
	if !zero.WarmLayer || zero.SurfaceColder || d.Isotherms[1].WarmLayer {
		t.Errorf("three crossings are a warm layer, one is not: %+v, %+v", zero, d.Isotherms[1])
	}
	if !slices.ContainsFunc(d.Missing, func(s string) bool {
		return strings.Contains(s, "altitude of -10 °C") && strings.Contains(s, "stays warmer up to its top at 4000 m")
	}) {
		t.Errorf("no reason for -10 C in %q", d.Missing)
	}

	cold := Derive(ladder(z, []float64{-2, 1, -1, -4, -9.5}), DefaultOptions()).Isotherms[0]
	if !cold.SurfaceColder || cold.LowestAltitudeM != 1500 || math.Abs(float64(cold.HighestAltitudeM)-2250) > 0.05 {
		t.Errorf("cold surface under warm air: %+v, want lowest 1500 (the surface), highest 2250", cold)
	}
	frozen := Derive(ladder(z, []float64{-2, -3, -4, -5, -6}), DefaultOptions())
	if d0 := frozen.Isotherms[0]; !d0.SurfaceColder || d0.LowestAltitudeM != 1500 || d0.HighestAltitudeM != 1500 || len(d0.CrossingsAltitudeM) != 0 {
		t.Errorf("cold throughout: %+v, want the surface and the flag", d0)
	}
	// A column that begins far above the ground says nothing of the surface.
	high := ladder(z, []float64{-2, -3, -4, -5, -6})
	high.SurfaceAltitudeM = 1000
	if d0 := Derive(high, DefaultOptions()).Isotherms[0]; d0.SurfaceColder || d0.LowestAltitudeM.Known() {
		t.Errorf("begins 500 m above the ground: %+v, want no altitude", d0)
	}
}

func TestIsobaricLevels(t *testing.T) {
	d := Derive(ladder([]float64{1500, 2500, 3500, 4500, 5400, 6000}, []float64{2, -4, -10, -16, -21, -25}), DefaultOptions())
	// 850 hPa lies below the ground, at 1457 m of the standard atmosphere.
	if d.Isobaric[0].AltitudeM.Known() || d.Isobaric[0].AirTemperatureK.Known() {
		t.Errorf("850 hPa is below the ground: %+v", d.Isobaric[0])
	}
	verify(t, []check{
		{"700 hPa", float64(d.Isobaric[1].AltitudeM), 3012.2, 3.2, "U.S. Standard Atmosphere, 1976; ln p bends by h^2/8 times lapse/T, 3 m over 1000 m"},
		{"700 hPa temperature", float64(d.Isobaric[1].AirTemperatureK) - 273.15, -4 - 6*0.5122, 0.02, "computed by hand"},
		{"500 hPa", float64(d.Isobaric[2].AltitudeM), 5574.4, 3.2, "U.S. Standard Atmosphere, 1976"},
	})
	if d.Isobaric[1].WindSpeedMPerS.Known() || d.Isobaric[1].WindFromDeg.Known() {
		t.Errorf("no wind is given: %+v", d.Isobaric[1])
	}
}

func TestActivationAltitude(t *testing.T) {
	z := []float64{1500, 2000, 2500, 3000, 4000}
	at := func(c []float64, releaseM float64) float64 {
		options := DefaultOptions()
		options.ReleaseAltitudeM = releaseM
		return float64(Derive(ladder(z, c), options).Activation.AltitudeM)
	}
	const rule = "computed by hand: lowest altitude from which T <= -6 C for 300 m"
	verify(t, []check{
		{"plain", at([]float64{0, -4, -8, -12, -16}, 1500), 2250, 0.01, rule},
		// -6 C at 2333 m, warmer again from 2545 m: not 300 m deep.
		{"a thin cold layer does not count", at([]float64{-5, -5.9, -6.05, -5.5, -12}, 1500), 3000 + 1000*0.5/6.5, 0.01, rule},
		{"the surface is cold", at([]float64{-7, -8, -9, -10, -12}, 1500), 1500, 0.01, rule},
		{"from the release up", at([]float64{-7, -8, -9, -10, -12}, 1700), 1700, 0.01, rule},
	})
	if got := at([]float64{0, -1, -2, -3, -6.1}, 1500); !math.IsNaN(got) {
		t.Errorf("no 300 m of cold air: got %g, want missing (%s)", got, rule)
	}
}

// goldenSounding reads the derived values that MetPy gave for one sounding.
func goldenSounding(t *testing.T, name string) map[string]float64 {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "thermo", "soundings.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	values := map[string]float64{}
	for _, line := range strings.Split(string(data), "\n") {
		if cells := strings.Split(line, "\t"); len(cells) == 3 && cells[0] == name {
			if values[cells[1]], err = strconv.ParseFloat(cells[2], 64); err != nil {
				t.Fatal(err)
			}
		}
	}
	if len(values) < 10 {
		t.Fatalf("%s: only %d values", name, len(values))
	}
	return values
}

// table reads columns of numbers (hPa, m, degrees Celsius, degrees, m/s) into a
// column; cells that are not numbers are missing.
func table(t *testing.T, reader *csv.Reader, at [6]int) grid.Column {
	t.Helper()
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	column := grid.Column{SurfaceAltitudeM: math.NaN()}
	for _, row := range rows[1:] {
		value := func(k int) float64 {
			v, err := strconv.ParseFloat(strings.TrimSpace(row[at[k]]), 64)
			if err != nil {
				return math.NaN()
			}
			return v
		}
		l := grid.MissingLevel()
		l.PressurePa, l.AltitudeM = value(0)*100, value(1)
		l.AirTemperatureK, l.DewPointK = value(2)+273.15, value(3)+273.15
		sin, cos := math.Sincos(value(4) * math.Pi / 180)
		l.EastwardMPerS, l.NorthwardMPerS = -value(5)*sin, -value(5)*cos
		column.Levels = append(column.Levels, l)
	}
	return column
}

func inventedSounding(t *testing.T) grid.Column {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "thermo", "invented-sounding.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	reader := csv.NewReader(strings.NewReader(string(data)))
	reader.Comma = '\t'
	column := table(t, reader, [6]int{0, 1, 2, 3, 4, 5})
	column.Label, column.SurfaceAltitudeM = "invented", column.Levels[0].AltitudeM
	return column
}

func againstMetPy(t *testing.T, name string, d Derived) {
	t.Helper()
	want := goldenSounding(t, name)
	const source = "MetPy 1.7.1"
	for _, isotherm := range d.Isotherms {
		call := fmt.Sprintf("find_intersections:%.0fdegC:m", isotherm.AirTemperatureK-273.15)
		count := 0
		for key := range want {
			if strings.HasPrefix(key, call+"[") {
				count++
			}
		}
		if count != len(isotherm.CrossingsAltitudeM) || count == 0 {
			t.Errorf("%s: %d crossings, want %d", call, len(isotherm.CrossingsAltitudeM), count)
			continue
		}
		for n, got := range isotherm.CrossingsAltitudeM {
			verify(t, []check{{call, got, want[fmt.Sprintf("%s[%d]", call, n)], 1e-4, source}})
		}
	}
	for n, got := range d.WetBulbZero.CrossingsAltitudeM {
		// The wet bulb near freezing differs by up to 0.02 K (latent heat), which
		// in a layer of weak lapse is some metres.
		key := fmt.Sprintf("find_intersections:wet_bulb_temperature:0degC:m[%d]", n)
		verify(t, []check{{key, got, want[key], 6, source}})
	}
	if _, more := want[fmt.Sprintf("find_intersections:wet_bulb_temperature:0degC:m[%d]", len(d.WetBulbZero.CrossingsAltitudeM))]; more {
		t.Errorf("wet bulb 0 C: crossings %v, MetPy has more", d.WetBulbZero.CrossingsAltitudeM)
	}
	verify(t, []check{
		{"LCL pressure", float64(d.SurfaceParcel.LCLPressurePa), want["lcl:pressure_pa"], 5, source},
		{"LCL temperature", float64(d.SurfaceParcel.LCLTemperatureK), want["lcl:temperature_k"], 0.005, source},
		{"mixed parcel", float64(d.MixedParcel.AirTemperatureK), want["mixed_parcel:temperature_k"], 0.02, source + " (kappa 2/7)"},
		// MetPy's dewpoint() inverts another formula than it saturates with.
		{"mixed dew point", float64(d.MixedParcel.DewPointK), want["mixed_parcel:dew_point_k"], 0.02, source},
		{"mixed LCL pressure", float64(d.MixedParcel.LCLPressurePa), want["mixed_parcel:lcl:pressure_pa"], 30, source},
		{"precipitable water", float64(d.PrecipitableWaterKgPerM2), want["precipitable_water:specific_humidity:kg_per_m2"], 0.0015 * want["precipitable_water:specific_humidity:kg_per_m2"], source + ", specific humidity (e_w differs by 0.1 %)"},
	})
}

func TestInventedSoundingAgainstMetPy(t *testing.T) {
	againstMetPy(t, "invented", Derive(inventedSounding(t), DefaultOptions()))
}

func TestRealSoundingAgainstMetPy(t *testing.T) {
	data := testfiles.Read(t, "sounding/wyoming.BOI.2010120912.csv")
	column := table(t, csv.NewReader(strings.NewReader(string(data))), [6]int{3, 4, 5, 6, 11, 12})
	column.Label = "BOI 2010-12-09 12Z"
	d := Derive(column, DefaultOptions())
	againstMetPy(t, column.Label, d)

	// What a forecaster reads off the listing: fog on the ground at -0.1 C under
	// an inversion to +5.4 C at 1133 m, a moist layer from about 1950 to 3650 m.
	if len(d.Stability.Inversions) == 0 || d.Stability.Inversions[0].BaseAltitudeM != 874 || d.Stability.Inversions[0].TopAltitudeM != 1133 {
		t.Fatalf("inversions %+v, the listing has one from 874 to 1133 m", d.Stability.Inversions)
	}
	verify(t, []check{
		{"inversion strength", d.Stability.Inversions[0].StrengthK, 5.5, 1e-9, "listing: -0.1 to 5.4 C"},
		{"deck top", float64(d.Cloud.DeckTopAltitudeM), 3640, 60, "listing: humidity over ice 93 % at 3604 m, 81 % at 3658 m"},
		{"deck top temperature", float64(d.Cloud.TopTemperatureK) - 273.15, -13, 0.3, "listing"},
	})
	listed := d.Isobaric[1] // the listing has a level at 700 hPa
	verify(t, []check{
		{"700 hPa", float64(listed.AltitudeM), 3056, 1e-6, "listing"},
		{"700 hPa temperature", float64(listed.AirTemperatureK) - 273.15, -7.5, 1e-6, "listing"},
		{"700 hPa wind", float64(listed.WindSpeedMPerS), 13.9, 1e-6, "listing"},
		{"700 hPa wind from", float64(listed.WindFromDeg), 260, 1e-6, "listing"},
	})
	// 97 % and more over water from 1969 to 2438 m, -20 to 0 C above 2020 m.
	if n := len(d.Liquid.Likely); n != 1 {
		t.Fatalf("likely liquid %+v, want one layer", d.Liquid.Likely)
	}
	verify(t, []check{
		{"likely liquid base", float64(d.Liquid.Likely[0].BaseAltitudeM), 2019.8, 0.1, "listing: 0 C"},
		{"likely liquid top", float64(d.Liquid.Likely[0].TopAltitudeM), 2510, 60, "listing: 99 % at 2438 m, 85 % at 2705 m"},
	})
	verdict := func(crestM float64) Trapping {
		options := DefaultOptions()
		options.Barrier = &Barrier{CrestAltitudeM: crestM, TowardDeg: 90, ReleaseAltitudeM: 900}
		return Derive(column, options).Barrier.Trapping
	}
	if got := verdict(2200); got.Verdict != VerdictTrapped || got.Membership != 0 {
		t.Errorf("release under the inversion: %+v, want trapped", got)
	}
}

// stableColumn has a constant buoyancy frequency and wind, dry, hydrostatic.
func stableColumn(frequencyPerS, windMPerS, windFromDeg float64) grid.Column {
	column := grid.Column{SurfaceAltitudeM: 1000}
	sin, cos := math.Sincos(windFromDeg * math.Pi / 180)
	pressure, theta0 := 90000.0, 290.0
	theta := func(z float64) float64 {
		return theta0 * math.Exp(frequencyPerS*frequencyPerS/thermo.GravityMPerS2*(z-1000))
	}
	for z := 1000.0; z <= 5000; z += 100 {
		l := grid.MissingLevel()
		l.AltitudeM, l.PressurePa = z, pressure
		l.AirTemperatureK = thermo.AirTemperatureOfPotentialK(pressure, theta(z))
		l.DewPointK = l.AirTemperatureK - 15
		l.EastwardMPerS, l.NorthwardMPerS = -windMPerS*sin, -windMPerS*cos
		column.Levels = append(column.Levels, l)
		pressure *= math.Exp(-100 * thermo.GravityMPerS2 / (thermo.GasConstantDryAirJPerKgK * l.AirTemperatureK))
	}
	return column
}

func TestFroude(t *testing.T) {
	const source = "computed from the stated formula: U/(N H)"
	verify(t, []check{
		{"U 10, N 0.01, H 1500", FroudeFlow{10, 1e-4, 1500}.Froude(), 0.667, 0.0005, source},
		{"not stable", FroudeFlow{10, -1e-5, 1500}.Froude(), MaximumFroude, 0, "unstable air goes over"},
		{"away", FroudeFlow{-3, 1e-4, 1500}.Froude(), 0, 0, "no flow over the barrier"},
	})
	options := DefaultOptions()
	flow := func(column grid.Column, toward float64) *BarrierFlow {
		options.Barrier = &Barrier{CrestAltitudeM: 2550, TowardDeg: toward, ReleaseAltitudeM: 1050}
		return Derive(column, options).Barrier
	}
	west := flow(stableColumn(0.01, 10, 270), 90)
	verify(t, []check{
		{"derived", float64(west.Froude), 0.667, 0.002, source},
		{"frequency", math.Sqrt(float64(west.DryPerS2)), 0.01, 1e-5, source},
		{"cross-barrier", float64(west.CrossBarrierMPerS), 10, 1e-9, source},
		{"from", float64(west.WindFromDeg), 270, 1e-9, source},
		{"covered", float64(west.CoveredShare), 1, 1e-9, source},
		{"crest temperature", float64(west.CrestTemperatureK), 0.5 * (stableColumn(0.01, 10, 270).Levels[15].AirTemperatureK + stableColumn(0.01, 10, 270).Levels[16].AirTemperatureK), 1e-9, "computed by hand: half-way between 2500 and 2600 m"},
		{"Ri_b without shear", float64(flow(stableColumn(0.01, 10, 270), 90).MoistPerS2), 1e-4, 1e-6, source},
	})
	if west.BulkRichardson.Known() {
		t.Errorf("Ri_b without shear: %g, want missing", float64(west.BulkRichardson))
	}
	southWest := flow(stableColumn(0.01, 10, 225), 90)
	verify(t, []check{
		{"oblique", float64(southWest.CrossBarrierMPerS), 10 * math.Sqrt(0.5), 1e-9, "computed by hand: cos 45"},
		{"oblique Froude", float64(southWest.Froude), 0.667 * math.Sqrt(0.5), 0.002, source},
	})
	if away := flow(stableColumn(0.01, 10, 90), 90); away.Froude != 0 || away.Trapping.Verdict != VerdictTrapped {
		t.Errorf("wind from the barrier: %+v, want Froude 0, trapped", away)
	}
}

func TestFroudeMembership(t *testing.T) {
	const source = "0 at 0.2, 0.5 at 0.56 (Wind River Range), 0.9 at 1, 1 at 2"
	verify(t, []check{
		{"0.1", FroudeMembership(0.1), 0, 0, source}, {"0.2", FroudeMembership(0.2), 0, 0, source},
		{"0.56", FroudeMembership(0.56), 0.5, 1e-12, source}, {"0.8", FroudeMembership(0.8), 0.7182, 0.00005, "computed from the stated formula: " + source},
		{"1", FroudeMembership(1), 0.9, 1e-12, source}, {"2", FroudeMembership(2), 1, 1e-12, source}, {"9", FroudeMembership(9), 1, 0, source},
	})
	if !math.IsNaN(FroudeMembership(math.NaN())) {
		t.Error("NaN: want NaN")
	}
}

// Saturation cuts the stability of cloud by about 60 %: what is blocked by the
// dry number goes over by the moist one.
func TestMoistStabilityInCloud(t *testing.T) {
	column := grid.Column{SurfaceAltitudeM: 2000}
	pressure := 79000.0
	for z := 2000.0; z <= 4000; z += 100 {
		l := grid.MissingLevel()
		l.AltitudeM, l.PressurePa, l.AirTemperatureK = z, pressure, 270.15-0.005*(z-2000)
		l.DewPointK, l.EastwardMPerS, l.NorthwardMPerS = l.AirTemperatureK, 8, 0
		column.Levels = append(column.Levels, l)
		pressure *= math.Exp(-100 * thermo.GravityMPerS2 / (thermo.GasConstantDryAirJPerKgK * (l.AirTemperatureK - 0.25) * 1.002))
	}
	options := DefaultOptions()
	// 751 hPa, -5 C in the middle.
	options.Barrier = &Barrier{CrestAltitudeM: 2500, TowardDeg: 90, ReleaseAltitudeM: 2300}
	flow := Derive(column, options).Barrier
	verify(t, []check{
		{"dry", float64(flow.DryPerS2), 1.74e-4, 0.02e-4, "computed from the stated formula: g/T (dT/dz + g/cp), about 750 hPa, -5 C, 5 K/km"},
		{"moist", float64(flow.MoistPerS2), 7.01e-5, 0.02 * 7.01e-5, "computed from the stated formula: Durran and Klemp (1982), eq. 36, q_w = q_s, 750 hPa, -5 C, 5 K/km"},
		{"saturated", float64(flow.SaturatedShare), 1, 0, "100 % humidity"},
		{"Froude", float64(flow.Froude), 8 / (math.Sqrt(7.01e-5) * 200), 0.06, "computed by hand"},
		{"dry Froude", float64(flow.FroudeDry), 8 / (math.Sqrt(1.74e-4) * 200), 0.03, "computed by hand"},
	})
	// The same air at 89 % is dry for this purpose.
	for k := range column.Levels {
		l := &column.Levels[k]
		l.DewPointK = thermo.DewPointK(0.89 * thermo.SaturationVapourPressureWaterPa(l.AirTemperatureK))
	}
	flow = Derive(column, options).Barrier
	verify(t, []check{{"below the switch", float64(flow.MoistPerS2), float64(flow.DryPerS2), 0, "switch at 90 %"}})
}

func TestTrapping(t *testing.T) {
	options := DefaultOptions()
	options.Barrier = &Barrier{CrestAltitudeM: 2500, TowardDeg: 90, ReleaseAltitudeM: 1000}
	of := func(column grid.Column) Trapping { return Derive(column, options).Barrier.Trapping }
	forbids := func(tr Trapping, part string) bool {
		return slices.ContainsFunc(tr.Reasons, func(r TrappingReason) bool { return r.Forbids && strings.Contains(r.Text, part) })
	}
	inverted := stableColumn(0.008, 20, 270)
	for k := 5; k < len(inverted.Levels); k++ { // +3 K over the 200 m from 1300 m
		inverted.Levels[k].AirTemperatureK += 5.0 * math.Min(1, float64(k-4)/2)
	}
	thin := stableColumn(0.008, 20, 270)
	thin.Levels[5].AirTemperatureK = thin.Levels[4].AirTemperatureK + 0.2
	calm := stableColumn(0.01, 10, 270)
	calm.Levels[0].EastwardMPerS = 0.5
	for _, test := range []struct {
		what    string
		column  grid.Column
		verdict TrappingVerdict
		forbids string
	}{
		{"inversion", inverted, VerdictTrapped, "inversion"},
		{"an inversion of 100 m does not forbid", thin, VerdictLikely, ""},
		{"theta by 5.9 K/km", stableColumn(0.014, 30, 270), VerdictTrapped, "potential temperature"},
		{"calm at the release", calm, VerdictTrapped, "wind at the release"},
		{"Froude 0.13", stableColumn(0.01, 2, 270), VerdictTrapped, "blocked"},
		{"Froude 0.4", stableColumn(0.01, 6, 270), VerdictDoubtful, ""},
		{"Froude 1", stableColumn(0.01, 15, 270), VerdictLikely, ""},
		{"Froude 2.5", stableColumn(0.008, 30, 270), VerdictOver, ""},
		{"neutral", stableColumn(0.0005, 5, 270), VerdictOver, ""},
		{"neutral, but hardly any wind across", stableColumn(0.0005, 3, 355), VerdictTrapped, "across the barrier"},
	} {
		got := of(test.column)
		if got.Verdict != test.verdict || test.forbids != "" && !forbids(got, test.forbids) || (got.Verdict == VerdictTrapped) != (got.Membership == 0) {
			t.Errorf("%s: got %+v, want %s because of %q", test.what, got, test.verdict, test.forbids)
		}
	}
	options.Barrier.CrestAltitudeM = 900
	if got := of(stableColumn(0.01, 10, 270)); got.Verdict != VerdictOver {
		t.Errorf("release above the crest: %+v", got)
	}
	options.Barrier.CrestAltitudeM = 7000
	if d := Derive(stableColumn(0.01, 10, 270), options); d.Barrier.Trapping.Verdict != VerdictUnknown || d.Barrier.Froude.Known() {
		t.Errorf("the column ends below the crest: %+v, want unknown", d.Barrier)
	}
}

// stormColumn is saturated over water from 2000 to 3000 m.
func stormColumn() grid.Column {
	column := grid.Column{SurfaceAltitudeM: 1500}
	pressure := 84500.0
	for z := 1500.0; z <= 4500; z += 50 {
		l := grid.MissingLevel()
		l.AltitudeM, l.PressurePa, l.AirTemperatureK = z, pressure, 272.15-0.0065*(z-2000)
		humidity := 0.6
		if z >= 2000 && z <= 3000 {
			humidity = 1
		}
		l.DewPointK = thermo.DewPointK(humidity * thermo.SaturationVapourPressureWaterPa(l.AirTemperatureK))
		l.EastwardMPerS, l.NorthwardMPerS = 5+z/400, 0
		column.Levels = append(column.Levels, l)
		pressure *= math.Exp(-50 * thermo.GravityMPerS2 / (thermo.GasConstantDryAirJPerKgK * (l.AirTemperatureK - 0.16) * 1.0015))
	}
	return column
}

func TestCloudAndLiquid(t *testing.T) {
	d := Derive(stormColumn(), DefaultOptions())
	if len(d.Cloud.Analyses) != 2 || d.Cloud.Rule != "wang-rossow-1995" {
		t.Fatalf("cloud %+v", d.Cloud)
	}
	verify(t, []check{
		{"deck base", float64(d.Cloud.DeckBaseAltitudeM), 1980, 25, "computed by hand: 60 % at 1950 m, 100 % at 2000 m"},
		{"deck top", float64(d.Cloud.DeckTopAltitudeM), 3020, 25, "computed by hand: 106 % over ice at 3000 m"},
		{"top temperature", float64(d.Cloud.TopTemperatureK), 272.15 - 0.0065*1020, 0.2, "computed by hand"},
		{"cold depth", float64(d.Cloud.ColdDepthM), 1040, 50, "computed by hand: all of it is below freezing"},
		{"plume entry", float64(d.Cloud.PlumeEntryAltitudeM), 2000 - 50*5.0/40, 0.2, "computed by hand: 95 %"},
		{"plume entry temperature", float64(d.Cloud.PlumeEntryTemperatureK), 272.15 + 0.0065*50*5.0/40, 0.01, "computed by hand"},
		{"likely base", float64(d.Liquid.Likely[0].BaseAltitudeM), 2000 - 50*5.0/40, 0.2, "computed by hand: 95 %"},
		{"likely top", float64(d.Liquid.Likely[0].TopAltitudeM), 3000 + 50*5.0/40, 0.2, "computed by hand: 95 %"},
	})
	// c_w h^2 / 2 of a cloud 1012.5 m deep, c_w at its middle.
	depth := 1000 + 2*50*5.0/40
	middle, _ := stormColumn().AtAltitude(2500)
	shallow := liquid.AdiabaticPathKgPerM2(liquid.CondensationRateKgPerM4(middle.PressurePa, middle.AirTemperatureK), depth)
	likely := d.Liquid.Estimates[0]
	verify(t, []check{{"adiabatic path", float64(likely.SupercooledKgPerM2), 0.4 * shallow, 0.02 * 0.4 * shallow, "computed from the stated formula: c_w h^2/2, times 0.4"}})
	// Colder than -6 C is only the top 231 m or so, from 2769 m.
	from := 2000 + (272.15-267.15)/0.0065 - (2000 - 50*5.0/40)
	verify(t, []check{{"in the agent's window", float64(likely.AgentKgPerM2), 0.4 * shallow * (1 - from*from/depth/depth), 0.04 * 0.4 * shallow, "computed from the stated formula"}})

	dry := stormColumn()
	for k := range dry.Levels {
		dry.Levels[k].DewPointK = dry.Levels[k].AirTemperatureK - 20
	}
	clear := Derive(dry, DefaultOptions())
	if clear.Cloud.DeckTopAltitudeM.Known() || clear.Cloud.ColdDepthM != 0 || len(clear.Liquid.Likely) != 0 || clear.Liquid.Estimates[0].AgentKgPerM2 != 0 {
		t.Errorf("clear air: %+v %+v, want no cloud and a path of zero", clear.Cloud, clear.Liquid)
	}
}

func TestDeckLeavesOutCirrus(t *testing.T) {
	column := stormColumn()
	for z := 4600.0; z <= 9000; z += 100 {
		l := grid.MissingLevel()
		l.AltitudeM, l.PressurePa = z, thermo.StandardPressurePa(z)*0.99
		l.AirTemperatureK = 272.15 - 0.0065*(z-2000)
		l.DewPointK = l.AirTemperatureK - 20
		if z >= 7000 && z <= 8500 {
			l.DewPointK = l.AirTemperatureK - 2
		}
		column.Levels = append(column.Levels, l)
	}
	d := Derive(column, DefaultOptions())
	onlyCirrus := column
	onlyCirrus.Levels = slices.Clone(column.Levels)
	for k := range onlyCirrus.Levels {
		if l := &onlyCirrus.Levels[k]; l.AltitudeM < 6000 {
			l.DewPointK = l.AirTemperatureK - 20
		}
	}
	if c := Derive(onlyCirrus, DefaultOptions()).Cloud; c.DeckTopAltitudeM.Known() || c.ColdDepthM != 0 || !(c.HighestTopAltitudeM > 8400) {
		t.Errorf("only cirrus: %+v, want no deck but its top", c)
	}
	if !(d.Cloud.DeckTopAltitudeM < 3100 && d.Cloud.HighestTopAltitudeM > 8400) {
		t.Errorf("deck top %g, highest top %g: cirrus at 7000 to 8500 m is not the top of the deck at 3000 m", float64(d.Cloud.DeckTopAltitudeM), float64(d.Cloud.HighestTopAltitudeM))
	}
}

func TestModelColumn(t *testing.T) {
	column := stormColumn()
	for k := range column.Levels {
		l := &column.Levels[k]
		l.CloudLiquidKgPerKg, l.CloudIceKgPerKg = 0, 0
		if l.AltitudeM >= 2500 && l.AltitudeM <= 3500 { // -4.25 to -10.75 C
			l.CloudLiquidKgPerKg = 0.2e-3
		}
	}
	d := Derive(column, DefaultOptions())
	if d.Cloud.Rule != CondensateRule || d.Liquid.Estimates[0].Method != MethodModel {
		t.Fatalf("the model's condensate comes first: %s, %+v", d.Cloud.Rule, d.Liquid.Estimates)
	}
	var sum, agent float64 // by rectangles of 50 m, the ends counting half on either side
	for _, l := range column.Levels {
		if l.CloudLiquidKgPerKg > 0 {
			content := thermo.MoistAir{PressurePa: l.PressurePa, AirTemperatureK: l.AirTemperatureK, DewPointK: l.DewPointK}.DensityKgPerM3() * 0.2e-3
			sum += 50 * content
			if l.AirTemperatureK <= 267.15 {
				agent += 50 * content
			}
		}
	}
	verify(t, []check{
		{"path", float64(d.Liquid.Estimates[0].SupercooledKgPerM2), sum, 1e-6, "computed by hand: sum over 50 m layers"},
		{"in the agent's window", float64(d.Liquid.Estimates[0].AgentKgPerM2), agent, 0.004, "computed by hand, to half a layer"},
		{"cloud base", float64(d.Cloud.DeckBaseAltitudeM), 2452.5, 0.01, "computed by hand: 0.01 of 0.2 g/kg, above 2450 m"},
		{"plume entry", float64(d.Cloud.PlumeEntryAltitudeM), 2455, 1, "computed by hand: 0.02 of about 0.19 g m-3, above 2450 m"},
	})
}

func TestColumnIsMadeFit(t *testing.T) {
	good := stormColumn()
	want := Derive(good, DefaultOptions())
	shuffled := good
	shuffled.Levels = nil
	for k := range good.Levels {
		l := good.Levels[(k*37)%len(good.Levels)]
		shuffled.Levels = append(shuffled.Levels, l)
		if k%5 == 0 {
			shuffled.Levels = append(shuffled.Levels, l) // given twice
		}
	}
	underground := grid.MissingLevel()
	underground.AltitudeM, underground.PressurePa, underground.AirTemperatureK = 200, 98000, 300
	absurd := grid.MissingLevel()
	absurd.AltitudeM, absurd.AirTemperatureK, absurd.EastwardMPerS = 2222, 9999, 9999
	shuffled.Levels = append(shuffled.Levels, underground, absurd)
	got := Derive(shuffled, DefaultOptions())
	if len(got.Notes) < 3 {
		t.Errorf("notes %q, want the duplicates, the underground level and the absurd values", got.Notes)
	}
	got.Notes, got.LevelsUsed = want.Notes, want.LevelsUsed
	a, _ := json.Marshal(want)
	b, _ := json.Marshal(got)
	if string(a) != string(b) {
		t.Errorf("order, duplicates, underground and absurd levels change the result:\n%s\n%s", a, b)
	}

	// Without altitudes the hypsometric equation gives them back.
	bare := good
	bare.Levels = slices.Clone(good.Levels)
	for k := range bare.Levels {
		bare.Levels[k].AltitudeM = math.NaN()
	}
	filled := Derive(bare, DefaultOptions())
	verify(t, []check{
		{"altitude of -6 C without altitudes", float64(filled.Isotherms[2].LowestAltitudeM), float64(want.Isotherms[2].LowestAltitudeM), 3, "hypsometric equation; the column was built with a rounded virtual temperature"},
		{"top", float64(filled.TopAltitudeM), 4500, 5, "the same"},
	})
	if !slices.ContainsFunc(filled.Notes, func(s string) bool { return strings.Contains(s, "hypsometric") }) {
		t.Errorf("notes %q do not say that altitudes were computed", filled.Notes)
	}
}

func TestNothingToDeriveSaysWhy(t *testing.T) {
	options := DefaultOptions()
	options.Barrier = &Barrier{CrestAltitudeM: 3000, TowardDeg: 90, ReleaseAltitudeM: math.NaN()}
	missingLevels := []grid.ColumnLevel{grid.MissingLevel(), grid.MissingLevel()}
	one := stormColumn()
	one.Levels = one.Levels[:1]
	for what, column := range map[string]grid.Column{
		"no level": {SurfaceAltitudeM: math.NaN()}, "all missing": {SurfaceAltitudeM: 1000, Levels: missingLevels}, "one level": one,
	} {
		d := Derive(column, options)
		if len(d.Missing) < 5 || d.Activation.AltitudeM.Known() || d.Barrier.Trapping.Verdict != VerdictUnknown {
			t.Errorf("%s: missing %q, activation %v, verdict %s", what, d.Missing, d.Activation, d.Barrier.Trapping.Verdict)
		}
		if _, err := json.Marshal(d); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
}

func TestNumberInJSON(t *testing.T) {
	for _, test := range []struct {
		number Number
		want   string
	}{{1.5, "1.5"}, {missing, "null"}, {Number(math.Inf(1)), "null"}} {
		b, err := json.Marshal(test.number)
		if err != nil || string(b) != test.want {
			t.Errorf("%g: %s, %v, want %s", float64(test.number), b, err, test.want)
		}
	}
	var back []Number
	if err := json.Unmarshal([]byte("[1.5, null]"), &back); err != nil || back[0] != 1.5 || back[1].Known() {
		t.Errorf("read back %v, %v", back, err)
	}
	if err := json.Unmarshal([]byte(`["x"]`), &back); err == nil {
		t.Error("a word is not a number")
	}
}

func BenchmarkDerive(b *testing.B) {
	column := stormColumn() // 61 levels
	options := DefaultOptions()
	options.Barrier = &Barrier{CrestAltitudeM: 2800, TowardDeg: 90, ReleaseAltitudeM: 1600}
	b.ReportAllocs()
	for b.Loop() {
		_ = Derive(column, options)
	}
}

func TestDuplicatesFillEachOther(t *testing.T) {
	column := stormColumn()
	want := Derive(column, DefaultOptions())
	split := column
	split.Levels = nil
	for _, l := range column.Levels { // temperatures apart from winds, as in coded reports
		wind := grid.MissingLevel()
		wind.AltitudeM, wind.PressurePa, wind.EastwardMPerS, wind.NorthwardMPerS = l.AltitudeM+0.2, l.PressurePa, l.EastwardMPerS, l.NorthwardMPerS
		l.EastwardMPerS, l.NorthwardMPerS = math.NaN(), math.NaN()
		split.Levels = append(split.Levels, l, wind)
	}
	got := Derive(split, DefaultOptions())
	verify(t, []check{
		{"levels", float64(got.LevelsUsed), float64(want.LevelsUsed), 0, "computed by hand: one a pair"},
		{"700 hPa wind", float64(got.Isobaric[1].WindSpeedMPerS), float64(want.Isobaric[1].WindSpeedMPerS), 1e-9, "the same column"},
		{"mixed-layer top", float64(got.Stability.MixedLayerTopAltitudeM), float64(want.Stability.MixedLayerTopAltitudeM), 1e-9, "the same column"},
	})
}

// dryColumn puts potential temperatures and winds at altitudes, at the pressure
// of the standard atmosphere.
func dryColumn(rows ...[3]float64) grid.Column {
	column := grid.Column{SurfaceAltitudeM: rows[0][0]}
	for _, row := range rows {
		l := grid.MissingLevel()
		l.AltitudeM, l.PressurePa = row[0], thermo.StandardPressurePa(row[0])
		l.AirTemperatureK = thermo.AirTemperatureOfPotentialK(l.PressurePa, row[1])
		l.EastwardMPerS, l.NorthwardMPerS = row[2], 0
		column.Levels = append(column.Levels, l)
	}
	return column
}

func TestMixedLayerTop(t *testing.T) {
	d := Derive(dryColumn([3]float64{1000, 290, 0}, [3]float64{1500, 290.1, 5}, [3]float64{2000, 292, 8}), DefaultOptions())
	// Ri_b is 0.0676 at 1500 m and 1.0568 at 2000 m.
	verify(t, []check{{"Ri_b 0.25", float64(d.Stability.MixedLayerTopAltitudeM), 1592.2, 0.2, "computed by hand: g/theta dtheta dz / du^2, linear between levels"}})
	// Ri_b is 0.3382 at 1500 m: not turbulent any more.
	d = Derive(dryColumn([3]float64{1000, 290, 0}, [3]float64{1500, 290.5, 5}, [3]float64{2000, 290.6, 20}), DefaultOptions())
	verify(t, []check{{"Ri_b 0.25, once", float64(d.Stability.MixedLayerTopAltitudeM), 1369.6, 0.2, "computed by hand"}})
	if d := Derive(dryColumn([3]float64{1000, 290, 0}, [3]float64{1500, 290, 5}), DefaultOptions()); d.Stability.MixedLayerTopAltitudeM.Known() {
		t.Error("neutral to the top: want no mixed-layer top")
	}
}

func TestGapsAreNotBridged(t *testing.T) {
	options := DefaultOptions()
	options.Barrier = &Barrier{CrestAltitudeM: 2500, TowardDeg: 90, ReleaseAltitudeM: 1000}
	// Temperature between 1100 and 3100 m is missing, wind is not.
	column := dryColumn([3]float64{1000, 290, 9}, [3]float64{1100, 290, 9}, [3]float64{1800, 291, 10}, [3]float64{2500, 292, 11}, [3]float64{3100, 293, 12}, [3]float64{3400, 294, 13})
	column.Levels[2].AirTemperatureK, column.Levels[3].AirTemperatureK = math.NaN(), math.NaN()
	d := Derive(column, options)
	flow := d.Barrier
	if flow.CrestTemperatureK.Known() || flow.Froude.Known() || flow.Trapping.Verdict != VerdictUnknown {
		t.Errorf("2000 m without temperature: %+v", flow)
	}
	verify(t, []check{
		{"wind is known", float64(flow.CrossBarrierMPerS), 14900.0 / 1500, 1e-9, "computed by hand: 9 m/s for 100 m, 9 to 10 and 10 to 11 m/s over 700 m each"},
		{"covered", float64(flow.CoveredShare), 100.0 / 1500, 1e-9, "computed by hand"},
	})
	if !slices.ContainsFunc(d.Missing, func(s string) bool { return strings.Contains(s, "7 % of the layer has temperature") }) {
		t.Errorf("missing %q does not say how much is covered", d.Missing)
	}

	// A level exactly at 700 hPa stands by itself.
	lone := dryColumn([3]float64{1000, 285, 5}, [3]float64{3100, 300, 15}, [3]float64{5000, 310, 20})
	lone.Levels[1].PressurePa = 70000
	if at := Derive(lone, DefaultOptions()).Isobaric[1]; float64(at.AltitudeM) != 3100 || float64(at.WindSpeedMPerS) != 15 {
		t.Errorf("700 hPa between gaps: %+v, want the level itself", at)
	}
}

func TestPlumeEntersAboveTheRelease(t *testing.T) {
	column := stormColumn() // saturated from 2000 to 3000 m
	options := DefaultOptions()
	options.ReleaseAltitudeM = 2600
	verify(t, []check{{"inside cloud", float64(Derive(column, options).Cloud.PlumeEntryAltitudeM), 2600, 0, "it is there already"}})
	options.ReleaseAltitudeM = 3200
	if c := Derive(column, options).Cloud; c.PlumeEntryAltitudeM.Known() {
		t.Errorf("above cloud: entry at %g m, want none", float64(c.PlumeEntryAltitudeM))
	}
}

func TestLiquidIsHeldToWhatWasObserved(t *testing.T) {
	column := stormColumn()
	for k := range column.Levels {
		l := &column.Levels[k]
		l.AirTemperatureK += 8
		l.DewPointK = l.AirTemperatureK
	}
	e := Derive(column, DefaultOptions()).Liquid.Estimates[0]
	// 0.4 of the adiabatic content passes 0.6 g m-3 some 900 m above the base;
	// all levels between 0 and -25 C, 3077 to 4500 m, are then at the limit.
	zeroM := 2000 + (280.15-273.15)/0.0065
	verify(t, []check{{"at the limit", float64(e.SupercooledKgPerM2), 0.6e-3 * (4500 - zeroM), 1e-3, "J. Climate Appl. Meteor. 25, 1271: the single maximum was 0.60 g m-3"}})
	if !strings.Contains(e.Reason, "held to 0.60 g m-3") {
		t.Errorf("reason %q does not say so", e.Reason)
	}
}

// A strong gradient in a thin dry layer under cloud does not forbid: the rule is
// for air that is mostly unsaturated.
func TestStableAirUnderCloudDoesNotForbid(t *testing.T) {
	column := stormColumn()
	for k := range column.Levels {
		l := &column.Levels[k]
		l.EastwardMPerS = 20
		if l.AltitudeM >= 2000 && l.AltitudeM <= 4000 {
			l.DewPointK = l.AirTemperatureK
		}
		if l.AltitudeM < 2000 { // isothermal below cloud: theta rises by 10 K/km
			l.AirTemperatureK = 272.15
			l.DewPointK = 268.15
		}
	}
	options := DefaultOptions()
	options.Barrier = &Barrier{CrestAltitudeM: 3500, TowardDeg: 90, ReleaseAltitudeM: 1600}
	flow := Derive(column, options).Barrier
	if flow.Trapping.Verdict == VerdictTrapped || !(flow.SaturatedShare > 0.7) {
		t.Errorf("%+v: 400 m of stable air under 1500 m of cloud", flow)
	}
	options.Barrier.CrestAltitudeM = 2300
	if flow = Derive(column, options).Barrier; flow.Trapping.Verdict != VerdictTrapped {
		t.Errorf("%+v: 400 m of stable air under 300 m of cloud", flow)
	}
}
