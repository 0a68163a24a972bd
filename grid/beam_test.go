package grid

import (
	"fmt"
	"math"
	"testing"
	"time"
)

func ExampleBeamAltitudeM() {
	// On the lowest cut, a gate 100 km away already looks over a shallow cloud.
	fmt.Printf("%.0f m\n", BeamAltitudeM(0, 100e3, 0.5))
	// Output: 1461 m
}

func TestBeamPath(t *testing.T) {
	for _, test := range []struct{ rangeM, elevationDeg, altitudeM, groundM float64 }{
		// Py-ART 2.3.0, core.antenna_to_cartesian([range], [90], [elevation]): z and x.
		{50e3, 0.5, 583.46, 49994.95},
		{100e3, 0.5, 1461.13, 99981.30},
		{150e3, 0.5, 2632.93, 149955.60},
		{100e3, 1.45, 3118.49, 99933.60},
		{230e3, 0.5, 5119.28, 229880.78},
		{60e3, 19.5, 20216.25, 56424.62},
		{20e3, 60, 17326.38, 9979.65},
	} {
		altitude, ground := BeamAltitudeM(300, test.rangeM, test.elevationDeg)-300, BeamGroundRangeM(test.rangeM, test.elevationDeg)
		if math.Abs(altitude-test.altitudeM) > 0.01 || math.Abs(ground-test.groundM) > 0.01 {
			t.Errorf("%g m at %g degrees: %.2f m up, %.2f m along; want %.2f, %.2f", test.rangeM, test.elevationDeg, altitude, ground, test.altitudeM, test.groundM)
		}
		back, ok := BeamSlantRangeM(ground, test.elevationDeg)
		if !ok || math.Abs(back-test.rangeM) > 1e-4 {
			t.Errorf("slant range back: %.5f, want %g", back, test.rangeM)
		}
		if elevation := BeamElevationDeg(ground, altitude); math.Abs(elevation-test.elevationDeg) > 1e-9 {
			t.Errorf("elevation back: %.10f, want %g", elevation, test.elevationDeg)
		}
	}
	if _, ok := BeamSlantRangeM(1000, 90); ok {
		t.Error("a beam upright passes over no other place")
	}
	// 1 degree at 100 km: r theta is 1745 m from half power to half power.
	if width := 2 * BeamHalfWidthM(100e3, 1); math.Abs(width-1745) > 0.5 {
		t.Errorf("width %.1f m, want 1745", width)
	}
}

func TestDestinationAndAzimuth(t *testing.T) {
	for _, test := range []struct {
		from                  LatLon
		azimuthDeg, distanceM float64
		to                    LatLon
	}{
		// PROJ 9.5.1 by pyproj 3.7.2, Geod(a=6371000, b=6371000).fwd.
		{LatLon{43.49, -116.236}, 37.5, 120000, LatLon{44.3425322, -115.3174040}},
		{LatLon{39.786, -104.546}, 270, 230000, LatLon{39.7549183, -107.2369287}},
		{LatLon{-33.9, 151.2}, 181, 460000, LatLon{-38.0362160, 151.1084131}},
		{LatLon{60.79, -161.876}, 300, 400000, LatLon{62.4276304, -168.6176334}},
		{LatLon{21.9, -179.9}, 250, 200000, LatLon{21.2749389, 178.2862141}},
	} {
		got := Destination(test.from, test.azimuthDeg, test.distanceM)
		if DistanceM(got, test.to) > 0.02 {
			t.Errorf("from %v: %v, want %v", test.from, got, test.to)
		}
		if azimuth := AzimuthDeg(test.from, test.to); math.Abs(azimuth-test.azimuthDeg) > 1e-5 {
			t.Errorf("from %v: azimuth %.6f, want %g", test.from, azimuth, test.azimuthDeg)
		}
	}
}

func TestPartialBeamBlockage(t *testing.T) {
	for _, test := range []struct{ y, a, want float64 }{
		// Bech et al. (2003), appendix; y = a/2: 0.8045 = 1/2 + (sqrt(3)/4 + pi/6)/pi.
		{0, 800, 0.5}, {400, 800, 0.8045}, {800, 800, 1}, {-800, 800, 0}, {-400, 800, 0.1955}, {2000, 800, 1}, {-2000, 800, 0},
	} {
		if got := PartialBeamBlockage(test.y, test.a); math.Abs(got-test.want) > 0.00005 {
			t.Errorf("y %g, a %g: %.5f, want %.4f", test.y, test.a, got, test.want)
		}
	}
	if db, ok := BlockageCorrectionDB(0.2); !ok || math.Abs(db-0.9691) > 1e-4 {
		t.Errorf("correction %.4f dB, want 0.9691", db)
	}
	if _, ok := BlockageCorrectionDB(0.5); ok {
		t.Error("half a beam is not scaled up")
	}
}

// A ridge that reaches to the centre of the beam hides half of it, there and
// behind; before it nothing is hidden.
func TestBlockageStaysBehindARidge(t *testing.T) {
	v := inventedVolume()
	ridge := func(p LatLon) (float64, bool) {
		away := DistanceM(v.Antenna.LatLon, p)
		if math.Abs(away-40e3) < 600 {
			return BeamAltitudeM(v.Antenna.AltitudeM, 40e3, 0.5), true
		}
		return 0, true
	}
	blockage := v.BeamBlockage(77, 0.5, 1000, 100, ridge)
	if blockage[30] != 0 || math.Abs(blockage[39]-0.5) > 0.01 || blockage[99] != blockage[39] {
		t.Errorf("blockage at 31, 40 and 100 km: %.3f, %.3f, %.3f", blockage[30], blockage[39], blockage[99])
	}
	place := Destination(v.Antenna.LatLon, 77, 60e3)
	column := v.ColumnAbove(place, MomentReflectivity, ridge)
	if g := column.Gates[0]; g.Sight != Blocked || g.Value == g.Value {
		t.Errorf("behind the ridge: %v, value %g", g.Sight, g.Value)
	}
	if g := column.Gates[1]; g.Sight != Echo || g.Blockage != 0 {
		t.Errorf("over the ridge: %v, blockage %g", g.Sight, g.Blockage)
	}
}

// inventedVolume has sweeps at 0.5 and 3 degrees of 360 radials and 100 gates of
// 1 km from 2 km on. The value of a gate is its number, azimuths from 180 on are
// below threshold, those from 270 on range folded, and those from 350 on missing.
func inventedVolume() *Volume {
	packing := &Packing{WordBits: 8, Factor: 1, Addend: -2, BelowThreshold: 0, RangeFolded: 1, Missing: NoCode}
	v := &Volume{Radar: "XMPL", Antenna: Position{LatLon{44, -114}, 2000}, TowerHeightM: 20, BeamwidthDeg: 1}
	start := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	for k, elevation := range []float64{0.5, 3} {
		s := &Sweep{Number: k + 1, ElevationDeg: elevation, Start: start.Add(time.Duration(k) * time.Minute)}
		m := &Moment{Name: MomentReflectivity, FirstGateM: 2000, GateSpacingM: 1000, Gates: 100}
		for azimuth := range 350 {
			s.Radials = append(s.Radials, Radial{AzimuthDeg: float32(azimuth) + 0.5, ElevationDeg: float32(elevation), SpacingDeg: 1, Time: s.Start})
			raw := make([]byte, 100)
			for gate := range raw {
				switch {
				case azimuth < 180:
					raw[gate] = byte(gate + 2)
				case azimuth >= 270:
					raw[gate] = 1
				}
			}
			m.Rows = append(m.Rows, GateRow{Raw: raw, Packing: packing})
		}
		s.Moments = []*Moment{m}
		v.Sweeps = append(v.Sweeps, s)
	}
	return v
}

func TestColumnAbove(t *testing.T) {
	v := inventedVolume()
	for _, test := range []struct {
		azimuthDeg, groundM float64
		sight               Sight
		value               float64
	}{
		{90.2, 50e3, Echo, 48}, // gate 48 is at 50 km
		{200, 50e3, NoEcho, math.NaN()},
		{300, 50e3, Folded, math.NaN()},
		{355, 50e3, NoRadial, math.NaN()},
		{90, 1e3, OutsideRange, math.NaN()},
		{90, 150e3, OutsideRange, math.NaN()},
	} {
		column := v.ColumnAbove(Destination(v.Antenna.LatLon, test.azimuthDeg, test.groundM), MomentReflectivity, nil)
		if len(column.Gates) != 2 {
			t.Fatalf("%d gates", len(column.Gates))
		}
		g := column.Gates[0]
		if g.Sight != test.sight || (float64(g.Value) != test.value && !(g.Value != g.Value && math.IsNaN(test.value))) {
			t.Errorf("azimuth %g, %g m: %v, %g; want %v, %g", test.azimuthDeg, test.groundM, g.Sight, g.Value, test.sight, test.value)
		}
		if g.Sight.Seen() != (test.sight == Echo || test.sight == NoEcho) || !math.IsNaN(g.Blockage) {
			t.Errorf("azimuth %g: seen %v, blockage %g", test.azimuthDeg, g.Sight.Seen(), g.Blockage)
		}
	}
	if column := v.ColumnAbove(LatLon{44.2, -114}, MomentVelocity, nil); len(column.Gates) != 0 {
		t.Errorf("%d gates of a moment that there is not", len(column.Gates))
	}
}

func TestColumnAtAltitude(t *testing.T) {
	v := inventedVolume()
	// 60 km away: 0.5 degrees passes 735 m over the antenna, 3 degrees 3350 m; the
	// beam is 524 m to each side.
	column := v.ColumnAbove(Destination(v.Antenna.LatLon, 90, 60e3), MomentReflectivity, nil)
	for _, test := range []struct {
		altitudeM float64
		sight     Sight
		sweep     int
		within    bool
	}{
		{2100, Overshot, 0, false}, {2300, Echo, 0, true}, {2735, Echo, 0, true}, {3600, Echo, 0, false},
		{4500, Echo, 1, false}, {5400, Echo, 1, true}, {6200, AboveScan, 1, false},
	} {
		g, within := column.At(test.altitudeM)
		if g.Sight != test.sight || g.Sweep != test.sweep || within != test.within || (g.Value == g.Value) != (test.sight == Echo) {
			t.Errorf("%g m: sweep %d, %v, %g, within %v; want sweep %d, %v, %v", test.altitudeM, g.Sweep, g.Sight, g.Value, within, test.sweep, test.sight, test.within)
		}
	}
}
