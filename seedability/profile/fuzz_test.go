package profile

import (
	"encoding/binary"
	"encoding/json"
	"math"
	"slices"
	"testing"

	"rimeline/grid"
	"rimeline/seedability/thermo"
)

// columnOf makes a column of any bytes: two bytes a value, eight values a level.
// Small numbers become plausible values, so that the fuzzer reaches the physics;
// some patterns become NaN, infinities and absurd values.
func columnOf(b []byte) (grid.Column, Options) {
	next := func() (uint16, bool) {
		if len(b) < 2 {
			return 0, false
		}
		v := binary.LittleEndian.Uint16(b)
		b = b[2:]
		return v, true
	}
	value := func(low, high float64) float64 {
		v, ok := next()
		switch {
		case !ok || v == 0xffff:
			return math.NaN()
		case v == 0xfffe:
			return math.Inf(1)
		case v == 0xfffd:
			return math.Inf(-1)
		case v == 0xfffc:
			return math.MaxFloat64
		case v == 0xfffb:
			return 0
		}
		return low + (high-low)*float64(v)/65536
	}
	options := DefaultOptions()
	options.Barrier = &Barrier{CrestAltitudeM: value(0, 8000), TowardDeg: value(0, 360), ReleaseAltitudeM: value(0, 4000)}
	column := grid.Column{Place: grid.LatLon{LatitudeDeg: value(-90, 90)}, SurfaceAltitudeM: value(-100, 4000)}
	for len(b) > 0 && len(column.Levels) < 200 {
		column.Levels = append(column.Levels, grid.ColumnLevel{
			PressurePa: value(1000, 110000), AltitudeM: value(-400, 16000), AirTemperatureK: value(200, 310), DewPointK: value(180, 310),
			EastwardMPerS: value(-60, 60), NorthwardMPerS: value(-60, 60), UpwardMPerS: math.NaN(),
			CloudLiquidKgPerKg: value(0, 0.001), CloudIceKgPerKg: value(0, 0.001),
		})
	}
	return column, options
}

// bytesOf is the inverse, as far as a seed needs it.
func bytesOf(column grid.Column, barrier Barrier) []byte {
	var b []byte
	put := func(v, low, high float64) {
		code := uint16(0xffff)
		if f := (v - low) / (high - low) * 65536; f >= 0 && f < 0xfffb {
			code = uint16(math.Round(f))
		}
		b = binary.LittleEndian.AppendUint16(b, code)
	}
	put(barrier.CrestAltitudeM, 0, 8000)
	put(barrier.TowardDeg, 0, 360)
	put(barrier.ReleaseAltitudeM, 0, 4000)
	put(column.Place.LatitudeDeg, -90, 90)
	put(column.SurfaceAltitudeM, -100, 4000)
	for _, l := range column.Levels {
		put(l.PressurePa, 1000, 110000)
		put(l.AltitudeM, -400, 16000)
		put(l.AirTemperatureK, 200, 310)
		put(l.DewPointK, 180, 310)
		put(l.EastwardMPerS, -60, 60)
		put(l.NorthwardMPerS, -60, 60)
		put(l.CloudLiquidKgPerKg, 0, 0.001)
		put(l.CloudIceKgPerKg, 0, 0.001)
	}
	return b
}

func FuzzDerive(f *testing.F) {
	barrier := Barrier{CrestAltitudeM: 2800, TowardDeg: 90, ReleaseAltitudeM: 1600}
	f.Add([]byte{})
	f.Add(bytesOf(stormColumn(), barrier))
	f.Add(bytesOf(stableColumn(0.01, 10, 270), barrier))
	half := stormColumn()
	for k := range half.Levels {
		if k%3 == 0 {
			half.Levels[k].AirTemperatureK = math.NaN()
		}
		if k%4 == 0 {
			half.Levels[k].AltitudeM = math.NaN()
		}
	}
	slices.Reverse(half.Levels)
	f.Add(bytesOf(half, Barrier{math.NaN(), math.NaN(), math.NaN()}))
	f.Fuzz(func(t *testing.T, b []byte) {
		column, options := columnOf(b)
		d := Derive(column, options)
		text, err := json.Marshal(d)
		if err != nil {
			t.Fatalf("not JSON: %v", err)
		}
		if again, err := json.Marshal(Derive(column, options)); err != nil || string(again) != string(text) {
			t.Fatal("the same column gives another result")
		}
		for _, isotherm := range append(d.Isotherms, d.WetBulbZero, d.WetBulbHalf) {
			if !slices.IsSorted(isotherm.CrossingsAltitudeM) {
				t.Fatalf("crossings %v are not sorted", isotherm.CrossingsAltitudeM)
			}
			for _, altitude := range isotherm.CrossingsAltitudeM {
				if !(altitude >= -500 && altitude <= float64(d.TopAltitudeM)) {
					t.Fatalf("crossing at %g m, column up to %g m", altitude, float64(d.TopAltitudeM))
				}
			}
			if isotherm.LowestAltitudeM > isotherm.HighestAltitudeM {
				t.Fatalf("lowest above highest: %+v", isotherm)
			}
		}
		if !d.FreezingLevelAltitudeM.Known() && len(d.Missing) == 0 {
			t.Fatal("no freezing level and no reason")
		}
		for _, analysis := range d.Cloud.Analyses {
			last := math.Inf(-1)
			for _, layer := range analysis.Layers {
				if !(float64(layer.BaseAltitudeM) >= last && layer.TopAltitudeM > layer.BaseAltitudeM) {
					t.Fatalf("%s: layers overlap or are empty: %+v", analysis.Rule, analysis.Layers)
				}
				last = float64(layer.TopAltitudeM)
			}
		}
		for _, estimate := range d.Liquid.Estimates {
			if estimate.AgentKgPerM2 < 0 || estimate.AgentKgPerM2 > estimate.SupercooledKgPerM2+1e-9 {
				t.Fatalf("liquid in the agent's window is part of the supercooled: %+v", estimate)
			}
		}
		if flow := d.Barrier; flow.Froude < 0 || flow.Froude > MaximumFroude || flow.Trapping.Membership < 0 || flow.Trapping.Membership > 1 {
			t.Fatalf("flow %+v", flow)
		} else if flow.Trapping.Verdict != VerdictUnknown && flow.Trapping.Verdict != VerdictOver && !flow.Froude.Known() && flow.Trapping.Verdict != VerdictTrapped {
			t.Fatalf("a verdict from nothing: %+v", flow)
		}
		for _, layer := range d.Stability.Layers {
			if math.Abs(float64(layer.DryPerS2)) > thermo.GravityMPerS2 {
				t.Fatalf("stability layer %+v", layer)
			}
		}
	})
}
