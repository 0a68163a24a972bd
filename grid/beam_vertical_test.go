package grid

import (
	"math"
	"testing"
)

// A vertical slice gives one gate a radial over a place below it, and none
// beside it.
func TestColumnOfVerticalSweep(t *testing.T) {
	packing := &Packing{WordBits: 8, Factor: 1, BelowThreshold: 0, RangeFolded: NoCode, Missing: NoCode}
	sweep := &Sweep{Number: 1, Mode: RHI, ElevationDeg: 5, TargetElevationDeg: math.NaN()}
	m := &Moment{Name: MomentReflectivity, FirstGateM: 500, GateSpacingM: 1000, Gates: 60}
	for elevation := range 11 {
		sweep.Radials = append(sweep.Radials, Radial{AzimuthDeg: 90, ElevationDeg: float32(elevation), SpacingDeg: 1})
		raw := make([]byte, 60)
		for k := range raw {
			raw[k] = byte(10 + elevation)
		}
		m.Rows = append(m.Rows, GateRow{Raw: raw, Packing: packing})
	}
	sweep.Moments = []*Moment{m}
	v := &Volume{Antenna: Position{LatLon: LatLon{45, -110}, AltitudeM: 1000}, BeamwidthDeg: 1, Sweeps: []*Sweep{sweep}}
	eastward := LatLon{45, -110 + 30e3/(EarthRadiusM*math.Cos(45*math.Pi/180))*180/math.Pi}
	column := v.ColumnAbove(eastward, MomentReflectivity, nil)
	if len(column.Gates) != 11 {
		t.Fatalf("%d gates above a place under the slice", len(column.Gates))
	}
	for k, g := range column.Gates {
		want := BeamAltitudeM(1000, g.RangeM, float64(k))
		if g.Sight != Echo || g.Value != float32(10+k) || math.Abs(g.AltitudeM-want) > 1 || g.ElevationDeg != float64(k) {
			t.Errorf("gate %d: %+v, want %v dBZ at %.0f m", k, g, 10+k, want)
		}
	}
	if beside := v.ColumnAbove(LatLon{45.2, -109.7}, MomentReflectivity, nil); len(beside.Gates) != 0 {
		t.Errorf("%d gates beside the slice", len(beside.Gates))
	}
}
