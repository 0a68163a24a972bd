package thermo

import (
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// The tables of testdata/thermo were made by MetPy 1.7.1 (make.py there). It
// differs from this package by choice, and the tolerances are what the choices
// amount to; each is far below what a wrong constant or sign would do.
//
//	e_w, e_i  Ambaum (2020) against Murphy and Koop: 0.08 % apart at 0 degrees
//	          Celsius, 0.3 % at 30, 0.1 % down to -30, 0.8 % at -45
//	kappa     2/7 against 0.2854: 0.033 % of theta for each factor e in pressure
//	Lv        constant against Bolton's fit: 0.36 K at most on these adiabats
//	depression  what depends on the dry leg of the ascent grows with T - Td

func saturationTolerance(airTemperatureK float64) float64 {
	return 0.001 + 0.00008*max(0, airTemperatureK-273.15) + 0.0005*max(0, 243-airTemperatureK)
}

func golden(t *testing.T, name string) []map[string]float64 {
	t.Helper()
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "thermo", name))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(data)), "\n")
	columns := strings.Split(lines[0], "\t")
	rows := make([]map[string]float64, 0, len(lines)-1)
	for _, line := range lines[1:] {
		row := map[string]float64{}
		for n, text := range strings.Split(line, "\t") {
			value, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatalf("%s: %q: %v", name, text, err)
			}
			row[columns[n]] = value
		}
		rows = append(rows, row)
	}
	if len(rows) < 10 {
		t.Fatalf("%s: only %d rows", name, len(rows))
	}
	return rows
}

func TestSaturationAgainstMetPy(t *testing.T) {
	const source = "MetPy 1.7.1 saturation_vapor_pressure"
	for _, row := range golden(t, "saturation.tsv") {
		k := row["air_temperature_k"]
		tol := saturationTolerance(k)
		water, ice := row["saturation_vapor_pressure_pa"], row["saturation_vapor_pressure_solid_pa"]
		verify(t, []check{{fmt.Sprintf("e_w(%g K)", k), SaturationVapourPressureWaterPa(k), water, tol * water, source + " (Ambaum 2020)"}})
		if !math.IsNaN(ice) {
			verify(t, []check{{fmt.Sprintf("e_i(%g K)", k), SaturationVapourPressureIcePa(k), ice, tol * ice, source + " (phase solid)"}})
		}
		// dewpoint() of MetPy inverts Bolton's form, 0.03 K apart below -40.
		verify(t, []check{{fmt.Sprintf("dew point of e(%g K)", k), DewPointK(water), row["dewpoint_of_it_k"], 0.06, "MetPy 1.7.1 dewpoint (Bolton)"}})
	}
}

func TestMoistAirAgainstMetPy(t *testing.T) {
	for _, row := range golden(t, "moist.tsv") {
		air := MoistAir{row["air_pressure_pa"], row["air_temperature_k"], row["dew_point_k"]}
		what := fmt.Sprintf("%.0f hPa, %.2f K, %.2f K: ", air.PressurePa/100, air.AirTemperatureK, air.DewPointK)
		level := air.CondensationLevel()
		e := saturationTolerance(air.DewPointK)
		kappa := 0.00033 * math.Abs(math.Log(1e5/air.PressurePa)) * air.PotentialTemperatureK()
		depression := air.AirTemperatureK - air.DewPointK
		relative := func(name string, got float64, key string, tol float64) check {
			return check{what + name, got, row[key], tol * row[key], "MetPy 1.7.1"}
		}
		absolute := func(name string, got float64, key string, tol float64) check {
			return check{what + name, got, row[key], tol, "MetPy 1.7.1"}
		}
		verify(t, []check{
			relative("mixing ratio", air.MixingRatioKgPerKg(), "mixing_ratio", e),
			relative("specific humidity", air.SpecificHumidityKgPerKg(), "specific_humidity_from_dewpoint", e),
			relative("relative humidity", air.RelativeHumidityWater(), "relative_humidity_from_dewpoint", e),
			absolute("virtual temperature", air.VirtualTemperatureK(), "virtual_temperature_k", 0.005),
			relative("density", air.DensityKgPerM3(), "density_kg_per_m3", 3e-5),
			absolute("theta", air.PotentialTemperatureK(), "potential_temperature_k", kappa+1e-6),
			absolute("theta_v", air.VirtualPotentialTemperatureK(), "virtual_potential_temperature_k", kappa+0.005),
			absolute("theta-e", air.EquivalentPotentialTemperatureK(), "equivalent_potential_temperature_k", kappa+0.08),
			absolute("wet bulb", air.WetBulbTemperatureK(), "wet_bulb_temperature_k", 0.02+0.006*depression),
			relative("LCL pressure", level.PressurePa, "lcl_pressure_pa", 0.0002+0.00006*depression),
			absolute("LCL temperature", level.AirTemperatureK, "lcl_temperature_k", 0.02+0.0017*depression),
		})
	}
}

func TestAdiabatsAgainstMetPy(t *testing.T) {
	for _, row := range golden(t, "adiabats.tsv") {
		from, start, to := row["from_pressure_pa"], row["from_temperature_k"], row["to_pressure_pa"]
		what := fmt.Sprintf("from %.0f hPa, %.2f K, to %.0f hPa: ", from/100, start, to/100)
		logarithm := math.Abs(math.Log(to / from))
		verify(t, []check{
			{what + "pseudoadiabat", PseudoadiabatTemperatureK(Pseudoadiabat{from, start, to}), row["moist_lapse_k"], 0.01 + min(0.7*logarithm, 0.36),
				"MetPy 1.7.1 moist_lapse (constant latent heat)"},
			{what + "dry adiabat", AirTemperatureOfPotentialK(to, PotentialTemperatureK(from, start)), row["dry_lapse_k"], 1e-6 + 0.0004*logarithm*start,
				"MetPy 1.7.1 dry_lapse (kappa 2/7)"},
		})
	}
}

func TestLayersAgainstMetPy(t *testing.T) {
	data, err := os.ReadFile(filepath.Join("..", "..", "testdata", "thermo", "layers.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	for _, line := range strings.Split(strings.TrimSpace(string(data)), "\n")[1:] {
		call, text, _ := strings.Cut(line, "\t")
		want, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		var a, b, c float64
		switch {
		case strings.HasPrefix(call, "brunt"):
			// Three levels 500 m apart: the centred difference.
			if _, err := fmt.Sscanf(call, "brunt_vaisala_frequency_squared:%g:%g:%g:per_s2", &a, &b, &c); err != nil {
				t.Fatal(err)
			}
			verify(t, []check{{call, BuoyancyFrequencySquaredPerS2(b, (c-a)/1000), want, 1e-9 * math.Abs(want), "MetPy 1.7.1"}})
		case strings.HasPrefix(call, "thickness"):
			if _, err := fmt.Sscanf(call, "thickness_hydrostatic:%g:%g:%g:m", &a, &b, &c); err != nil {
				t.Fatal(err)
			}
			verify(t, []check{{call, Slab{a, b, c}.ThicknessM(), want, 2e-5 * want, "MetPy 1.7.1 (Rd 287.0475)"}})
		default:
			t.Fatalf("unknown call %q", call)
		}
	}
}
