package radar

import (
	"math"
	"testing"

	"rimeline/grid"
)

// cellsAround are places every 5 km in eight directions from the invented radar,
// 20 to 100 km away.
func cellsAround() (places []grid.LatLon) {
	for azimuth := 10.0; azimuth < 360; azimuth += 45 {
		for away := 20e3; away <= 100e3; away += 5e3 {
			places = append(places, grid.Destination(inventedAntenna.LatLon, azimuth, away))
		}
	}
	return places
}

func flat(altitudeM float64) grid.Terrain {
	return func(grid.LatLon) (float64, bool) { return altitudeM, true }
}

func skylineOf(t *testing.T, terrain grid.Terrain) *Skyline {
	t.Helper()
	s, err := NewSkyline(inventedAntenna, 1, 150e3, terrain)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

func nearGroundOf(t *testing.T, v *grid.Volume, places []grid.LatLon, skyline *Skyline, ceiling func(grid.LatLon) float64) []NearGround {
	t.Helper()
	g, err := NewCellGridder(v.Antenna, places, 1000, skyline)
	if err != nil {
		t.Fatal(err)
	}
	ceilings := make([]float64, len(places))
	for k, p := range places {
		ceilings[k] = ceiling(p)
	}
	near, err := g.NearGround(v, ceilings)
	if err != nil {
		t.Fatal(err)
	}
	return near
}

func always(altitudeM float64) func(grid.LatLon) float64 {
	return func(grid.LatLon) float64 { return altitudeM }
}

// Of a field that grows with altitude the lowest beam is read, at the altitude
// that the geometry of beams gives.
func TestNearGroundTakesTheLowestBeam(t *testing.T) {
	v := scanOf(smoothGate, grid.MomentReflectivity, 0.5, 1.5, 3)
	places := cellsAround()
	for k, n := range nearGroundOf(t, v, places, skylineOf(t, flat(1000)), always(20e3)) {
		away := grid.DistanceM(inventedAntenna.LatLon, places[k])
		slant, _ := grid.BeamSlantRangeM(away, 0.5)
		wantM := grid.BeamAltitudeM(inventedAntenna.AltitudeM, slant, 0.5)
		wantDBZ := DBZ(smoothZ(places[k], wantM))
		if n.Sight != grid.Echo || math.Abs(n.AltitudeM-wantM) > 1 || math.Abs(n.ReflectivityDBZ-wantDBZ) > .05 || !n.GroundKnown {
			t.Fatalf("%.0f km away: %v %.2f dBZ at %.0f m, ground known %v; want %.2f at %.0f", away/1000, n.Sight, n.ReflectivityDBZ, n.AltitudeM, n.GroundKnown, wantDBZ, wantM)
		}
		if half := grid.BeamHalfWidthM(slant, 1); math.Abs(n.HalfWidthM-half) > 1 {
			t.Errorf("half width %.0f m, want %.0f", n.HalfWidthM, half)
		}
		if first := v.Sweeps[0]; n.Time.Before(first.Start) || n.Time.After(first.End) {
			t.Errorf("time %s is not of the first sweep", n.Time)
		}
	}
}

func TestNearGroundCeiling(t *testing.T) {
	v := scanOf(smoothGate, grid.MomentReflectivity, 0.5, 1.5)
	places := cellsAround()
	const ceilingM = 2300
	seen, not := 0, 0
	for k, n := range nearGroundOf(t, v, places, skylineOf(t, flat(1000)), always(ceilingM)) {
		away := grid.DistanceM(inventedAntenna.LatLon, places[k])
		slant, _ := grid.BeamSlantRangeM(away, 0.5)
		if beamM := grid.BeamAltitudeM(inventedAntenna.AltitudeM, slant, 0.5); beamM < ceilingM-1 && n.Sight != grid.Echo || beamM > ceilingM+1 && n.Sight != grid.Overshot {
			t.Errorf("%.0f km away the beam is at %.0f m: %v", away/1000, beamM, n.Sight)
		}
		if n.Sight == grid.Echo {
			seen++
		} else if not++; !math.IsNaN(n.ReflectivityDBZ) || !n.Time.IsZero() {
			t.Errorf("not seen, and yet %g dBZ at %s", n.ReflectivityDBZ, n.Time)
		}
	}
	if seen == 0 || not == 0 {
		t.Errorf("%d seen, %d not: nothing was tested", seen, not)
	}
	for _, n := range nearGroundOf(t, v, places[:3], skylineOf(t, flat(1000)), always(math.NaN())) {
		if n.Sight != NoSurface {
			t.Errorf("without a ceiling: %v", n.Sight)
		}
	}
}

// A ridge 30 km to the north that reaches into the centre of the lowest beam, one
// that reaches over the second too, and one that hides a fifth of the lowest.
func TestNearGroundBehindARidge(t *testing.T) {
	v := scanOf(func(_, el, _ float64) float64 {
		if el < 1 {
			return 20
		}
		return 35
	}, grid.MomentReflectivity, 0.5, 1.5)
	ridge := func(topM float64) grid.Terrain {
		return func(p grid.LatLon) (float64, bool) {
			if away := grid.DistanceM(inventedAntenna.LatLon, p); math.Abs(away-30e3) < 600 && p.LatitudeDeg > inventedAntenna.LatitudeDeg {
				return topM, true
			}
			return 500, true
		}
	}
	places := []grid.LatLon{grid.Destination(inventedAntenna.LatLon, 0, 60e3), grid.Destination(inventedAntenna.LatLon, 180, 60e3), grid.Destination(inventedAntenna.LatLon, 0, 20e3)}
	at := func(el float64) float64 { return grid.BeamAltitudeM(inventedAntenna.AltitudeM, 30e3, el) }
	half := grid.BeamHalfWidthM(30e3, 1)
	for _, test := range []struct {
		name  string
		topM  float64
		sight grid.Sight
		dBZ   float64
	}{
		{"below the beam", at(.5) - half - 60, grid.Echo, 20},
		{"half of the lowest", at(.5) + 20, grid.Echo, 35},
		{"half of both", at(1.5) + 20, grid.Blocked, math.NaN()},
		// Bech et al. (2003): half a radius under the centre hides 0.1955; 0.94 dB.
		{"a fifth", at(.5) - half/2, grid.Echo, 20.94},
	} {
		near := nearGroundOf(t, v, places, skylineOf(t, ridge(test.topM)), always(20e3))
		if n := near[0]; n.Sight != test.sight || !(math.Abs(n.ReflectivityDBZ-test.dBZ) < .1 || math.IsNaN(test.dBZ) && math.IsNaN(n.ReflectivityDBZ)) {
			t.Errorf("%s: %v, %.2f dBZ; want %v, %g", test.name, n.Sight, n.ReflectivityDBZ, test.sight, test.dBZ)
		}
		for _, n := range near[1:] {
			if n.Sight != grid.Echo || math.Abs(n.ReflectivityDBZ-20) > .01 {
				t.Errorf("%s: beside and before it %v, %.2f dBZ", test.name, n.Sight, n.ReflectivityDBZ)
			}
		}
	}
}

// With a gap in the known ground the lowest beam may be hidden by what nobody
// knows of: the strongest below the ceiling is taken.
func TestNearGroundOverUnknownGround(t *testing.T) {
	v := scanOf(func(_, el, _ float64) float64 {
		switch {
		case el < 1:
			return noEchoGate
		case el < 2:
			return 32
		case el < 3:
			return 25
		}
		return 50
	}, grid.MomentReflectivity, 0.5, 1.5, 2.4, 5)
	place := []grid.LatLon{grid.Destination(inventedAntenna.LatLon, 90, 50e3)}
	ceiling := always(inventedAntenna.AltitudeM + 2900) // of the last beam, 4500 m, above it
	gap := func(p grid.LatLon) (float64, bool) {
		away := grid.DistanceM(inventedAntenna.LatLon, p)
		return 1000, away < 20e3 || away > 25e3
	}
	if n := nearGroundOf(t, v, place, skylineOf(t, flat(1000)), ceiling)[0]; n.Sight != grid.NoEcho || !n.GroundKnown {
		t.Errorf("ground known: %v, %v", n.Sight, n.GroundKnown)
	}
	for name, skyline := range map[string]*Skyline{"a gap": skylineOf(t, gap), "no skyline": nil} {
		n := nearGroundOf(t, v, place, skyline, ceiling)[0]
		if n.Sight != grid.Echo || math.Abs(n.ReflectivityDBZ-32) > .01 || n.GroundKnown {
			t.Errorf("%s: %v, %.2f dBZ, known %v; want 32 dBZ of the second beam", name, n.Sight, n.ReflectivityDBZ, n.GroundKnown)
		}
		if slant, _ := grid.BeamSlantRangeM(50e3, 1.5); math.Abs(n.AltitudeM-grid.BeamAltitudeM(inventedAntenna.AltitudeM, slant, 1.5)) > 1 {
			t.Errorf("%s: altitude %.0f m is not that of the second beam", name, n.AltitudeM)
		}
	}
	// Beyond the end of the skyline nothing is known.
	if skylineOf(t, flat(0)).groundKnown(90, 150.4e3) || !skylineOf(t, flat(0)).groundKnown(359.9, 149e3) {
		t.Error("the end of the skyline")
	}
}

// Strong echo of a low correlation coefficient is passed over, in the beam that has
// it; weak echo, and echo without the moment, is not accused.
func TestNearGroundNotMeteorological(t *testing.T) {
	place := []grid.LatLon{grid.Destination(inventedAntenna.LatLon, 45, 40e3)}
	for _, test := range []struct {
		name      string
		low, high [2]float64 // dBZ and correlation of both beams, NaN for none
		sight     grid.Sight
		dBZ       float64
	}{
		{"rain", [2]float64{38, .98}, [2]float64{20, .98}, grid.Echo, 38},
		{"melting snow", [2]float64{38, .88}, [2]float64{20, .98}, grid.Echo, 38},
		{"ground", [2]float64{45, .6}, [2]float64{24, .97}, grid.Echo, 24},
		{"ground in both", [2]float64{45, .6}, [2]float64{30, .7}, NotMeteorological, math.NaN()},
		{"ground under no echo", [2]float64{45, .6}, [2]float64{noEchoGate, math.NaN()}, grid.NoEcho, math.NaN()},
		{"weak", [2]float64{15, .6}, [2]float64{24, .97}, grid.Echo, 15},
		{"no moment", [2]float64{45, math.NaN()}, [2]float64{24, math.NaN()}, grid.Echo, 45},
	} {
		var cuts []inventedCut
		for k, beam := range [][2]float64{test.low, test.high} {
			cut := inventedCut{elevationDeg: .5 + float64(k), spacingDeg: 1, gateM: 250, reachM: 100e3}
			cut.moment, cut.gate = grid.MomentReflectivity, func(_, _, _ float64) float64 { return beam[0] }
			cuts = append(cuts, cut)
			if beam[1] == beam[1] {
				cut.moment, cut.gate = grid.MomentCorrelationCoefficient, func(_, _, _ float64) float64 { return beam[1] }
				cuts = append(cuts, cut)
			}
		}
		n := nearGroundOf(t, inventedVolume(cuts...), place, skylineOf(t, flat(1000)), always(20e3))[0]
		if n.Sight != test.sight || !(math.Abs(n.ReflectivityDBZ-test.dBZ) < .02 || math.IsNaN(test.dBZ) && math.IsNaN(n.ReflectivityDBZ)) {
			t.Errorf("%s: %v, %.2f dBZ; want %v, %g", test.name, n.Sight, n.ReflectivityDBZ, test.sight, test.dBZ)
		}
	}
}

// What was not seen has its reason, and never reads as no echo.
func TestNearGroundNotSeen(t *testing.T) {
	missing := float64(grid.NotCovered.Value())
	gate := func(azimuth, _, _ float64) float64 {
		switch {
		case azimuth < 90:
			return noEchoGate
		case azimuth < 180:
			return foldedValue
		case azimuth < 270:
			return missing
		}
		return 20
	}
	v := inventedVolume(inventedCut{elevationDeg: .5, spacingDeg: 1, gateM: 250, reachM: 80e3, moment: grid.MomentReflectivity, gate: gate})
	at := func(azimuth, away float64) grid.LatLon {
		return grid.Destination(inventedAntenna.LatLon, azimuth, away)
	}
	places := []grid.LatLon{at(45, 30e3), at(135, 30e3), at(225, 30e3), at(315, 30e3), at(315, 100e3)}
	want := []grid.Sight{grid.NoEcho, grid.Folded, grid.NoRadial, grid.Echo, grid.OutsideRange}
	for k, n := range nearGroundOf(t, v, places, skylineOf(t, flat(1000)), always(20e3)) {
		if n.Sight != want[k] {
			t.Errorf("place %d: %v, want %v", k, n.Sight, want[k])
		}
	}
	empty := inventedVolume()
	for k, n := range nearGroundOf(t, empty, places, nil, always(20e3)) {
		if n.Sight != grid.NoRadial {
			t.Errorf("a volume without sweeps, place %d: %v", k, n.Sight)
		}
	}
}

func TestNearGroundRefuses(t *testing.T) {
	places := cellsAround()[:4]
	nan := math.NaN()
	for name, make := range map[string]func() error{
		"no place of the radar": func() error {
			_, err := NewCellGridder(grid.Position{LatLon: grid.LatLon{LatitudeDeg: nan, LongitudeDeg: 0}}, places, 1000, nil)
			return err
		},
		"no size":  func() error { _, err := NewCellGridder(inventedAntenna, places, 0, nil); return err },
		"no cells": func() error { _, err := NewCellGridder(inventedAntenna, nil, 1000, nil); return err },
		"a cell nowhere": func() error {
			_, err := NewCellGridder(inventedAntenna, []grid.LatLon{{LatitudeDeg: nan, LongitudeDeg: 1}}, 1000, nil)
			return err
		},
		"another skyline": func() error {
			elsewhere := inventedAntenna
			elsewhere.LatitudeDeg++
			_, err := NewCellGridder(elsewhere, places, 1000, skylineOf(t, flat(0)))
			return err
		},
	} {
		if make() == nil {
			t.Errorf("%s: no error", name)
		}
	}
	g, err := NewCellGridder(inventedAntenna, places, 1000, nil)
	if err != nil {
		t.Fatal(err)
	}
	elsewhere := scanOf(smoothGate, grid.MomentReflectivity, .5)
	elsewhere.Antenna.LongitudeDeg++
	for name, of := range map[string]struct {
		v        *grid.Volume
		ceilings []float64
	}{"no volume": {nil, make([]float64, 4)}, "another radar": {elsewhere, make([]float64, 4)}, "too few ceilings": {inventedVolume(), nil}} {
		if _, err := g.NearGround(of.v, of.ceilings); err == nil {
			t.Errorf("%s: no error", name)
		}
	}
}

// 4000 cells, as of four targets of 1000 km2, in a volume of 14 elevations.
func BenchmarkNearGround(b *testing.B) {
	var elevations []float64
	for k := range 14 {
		elevations = append(elevations, .5+float64(k)*1.2)
	}
	var cuts []inventedCut
	for _, el := range elevations {
		cuts = append(cuts, inventedCut{elevationDeg: el, spacingDeg: .5, gateM: 250, reachM: 230e3, moment: grid.MomentReflectivity,
			gate: func(_, _, _ float64) float64 { return 30 }, packing: &grid.Packing{WordBits: 8, Factor: .5, Addend: -33, RangeFolded: 1, Missing: grid.NoCode}})
	}
	v := inventedVolume(cuts...)
	var places []grid.LatLon
	for k := range 4000 {
		places = append(places, grid.Destination(inventedAntenna.LatLon, float64(k%90), 30e3+float64(k)*15))
	}
	ceilings := make([]float64, len(places))
	for k := range ceilings {
		ceilings[k] = 5000
	}
	s, err := NewSkyline(inventedAntenna, 1, 150e3, flat(1000))
	if err != nil {
		b.Fatal(err)
	}
	g, err := NewCellGridder(inventedAntenna, places, 1000, s)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := g.NearGround(v, ceilings); err != nil {
			b.Fatal(err)
		}
	}
}
