package radar

import (
	"encoding/binary"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
)

var (
	inventedAntenna = grid.Position{LatLon: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, AltitudeM: 1500}
	inventedTime    = time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	// finePacking has steps of 0.01 and room for -300 to 350.
	finePacking = &grid.Packing{WordBits: 16, Factor: 0.01, Addend: -300, BelowThreshold: 0, RangeFolded: 1, Missing: 2}
)

// gateOf says what a gate of an invented sweep holds; NaN of a state or a value.
type gateOf func(azimuthDeg, elevationDeg, rangeM float64) float64

type inventedCut struct {
	elevationDeg, spacingDeg, gateM, reachM float64
	moment                                  string
	gate                                    gateOf
	packing                                 *grid.Packing
}

func (c inventedCut) sweep(number int) *grid.Sweep {
	n, gates := int(360/c.spacingDeg), int(c.reachM/c.gateM)
	start := inventedTime.Add(time.Duration(number) * 20 * time.Second)
	s := &grid.Sweep{Number: number, ElevationDeg: c.elevationDeg, TargetElevationDeg: c.elevationDeg, Start: start,
		End: start.Add(18 * time.Second), Complete: true}
	packing := c.packing
	if packing == nil {
		packing = finePacking
	}
	m := &grid.Moment{Name: c.moment, FirstGateM: c.gateM / 2, GateSpacingM: c.gateM, Gates: gates, Rows: make([]grid.GateRow, n)}
	s.Moments = []*grid.Moment{m}
	for k := range n {
		azimuth := math.Mod((float64(k)+0.5)*c.spacingDeg+77, 360) // does not begin at north
		s.Radials = append(s.Radials, grid.Radial{AzimuthDeg: float32(azimuth), ElevationDeg: float32(c.elevationDeg),
			SpacingDeg: float32(c.spacingDeg), Time: start.Add(time.Duration(k) * 18 * time.Second / time.Duration(n))})
		raw := make([]byte, gates*packing.WordBits/8)
		for g := range gates {
			word := uint16(2)
			switch value := float32(c.gate(azimuth, c.elevationDeg, m.GateRangeM(g))); grid.StateOf(value) {
			case grid.Measured:
				word = uint16(math.Round((float64(value) - packing.Addend) / packing.Factor))
			case grid.BelowThreshold:
				word = 0
			case grid.RangeFolded:
				word = 1
			}
			if packing.WordBits == 8 {
				raw[g] = byte(word)
			} else {
				binary.BigEndian.PutUint16(raw[2*g:], word)
			}
		}
		m.Rows[k] = grid.GateRow{Raw: raw, Packing: packing}
	}
	return s
}

func inventedVolume(cuts ...inventedCut) *grid.Volume {
	v := &grid.Volume{Radar: "XINV", Antenna: inventedAntenna, TowerHeightM: 20, BeamwidthDeg: 1, Time: inventedTime, Complete: true}
	for k, c := range cuts {
		v.Sweeps = append(v.Sweeps, c.sweep(k+1))
	}
	return v
}

var (
	noEchoGate  = float64(grid.BelowThreshold.Value())
	foldedValue = float64(grid.RangeFolded.Value())
)

// float64 keeps the payload of a NaN only by chance; be sure here.
func init() {
	if grid.StateOf(float32(noEchoGate)) != grid.BelowThreshold || grid.StateOf(float32(foldedValue)) != grid.RangeFolded {
		panic("the states of gates do not survive float64 here")
	}
}

// smoothZ is linear in height and gentle along the ground: what linear
// interpolation in Z returns almost exactly.
func smoothZ(place grid.LatLon, altitudeM float64) float64 {
	return 1000 * (4 + math.Sin(place.LatitudeDeg*2*math.Pi) + math.Cos(place.LongitudeDeg*2*math.Pi)*0.9) * (1 + altitudeM/4000)
}

func scanOf(gate gateOf, moment string, elevationsDeg ...float64) *grid.Volume {
	var cuts []inventedCut
	for _, el := range elevationsDeg {
		cuts = append(cuts, inventedCut{elevationDeg: el, spacingDeg: 1, gateM: 250, reachM: 230e3, moment: moment, gate: gate})
	}
	return inventedVolume(cuts...)
}

func smoothGate(azimuthDeg, elevationDeg, rangeM float64) float64 {
	v := grid.Volume{Antenna: inventedAntenna}
	p := v.GatePosition(azimuthDeg, elevationDeg, rangeM)
	return 10 * math.Log10(smoothZ(p.LatLon, p.AltitudeM))
}

func gridOf(t *testing.T, v *grid.Volume, moment string, s Surface, plane nowcast.Plane, skyline *Skyline) *Gridded {
	t.Helper()
	g, err := GridVolume(v, moment, s, plane, skyline)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

// A field linear in height and smooth along the ground comes back, with the
// radar in the middle and off it; what lies outside the beams is not seen, for
// the reason that the beam geometry gives.
func TestGridReturnsAnalyticField(t *testing.T) {
	elevations := []float64{0.5, 1.5, 2.5, 4, 6, 9, 13, 18}
	v := scanOf(smoothGate, grid.MomentReflectivity, elevations...)
	tilted := func(p grid.LatLon) (float64, bool) { return 3500 + 600*(p.LatitudeDeg-44), true }
	for name, plane := range map[string]nowcast.Plane{
		"around the radar": nowcast.CentredPlane(inventedAntenna.LatLon, 1000, 460),
		"off the radar":    nowcast.CentredPlane(grid.LatLon{LatitudeDeg: 44.6, LongitudeDeg: -113.8}, 1000, 120),
		"coarse":           nowcast.CentredPlane(inventedAntenna.LatLon, 3000, 101),
	} {
		tolDB := 0.05 // steps of 0.01, and curvature over 4 km of a wave of 80 km
		if name == "coarse" {
			tolDB = 0.1 // the radials in a cell of 3 km do not lie evenly about its centre
		}
		for what, s := range map[string]struct {
			Surface
			at func(grid.LatLon) (float64, bool)
		}{
			"3000 m": {ConstantAltitude(3000), func(grid.LatLon) (float64, bool) { return 3000, true }},
			"tilted": {SurfaceAltitude(tilted), tilted},
		} {
			g := gridOf(t, v, grid.MomentReflectivity, s.Surface, plane, nil)
			worst, seen := 0.0, 0
			sights := map[grid.Sight]int{}
			for j := range plane.NJ {
				for i := range plane.NI {
					k := j*plane.NI + i
					place := plane.Place(plane.XM(i), plane.YM(j))
					altitudeM, _ := s.at(place)
					distanceM := grid.DistanceM(inventedAntenna.LatLon, place)
					want := grid.Echo
					low, _ := grid.BeamSlantRangeM(distanceM, elevations[0])
					high, _ := grid.BeamSlantRangeM(distanceM, elevations[len(elevations)-1])
					lowM := grid.BeamAltitudeM(inventedAntenna.AltitudeM, low, elevations[0])
					highM := grid.BeamAltitudeM(inventedAntenna.AltitudeM, high, elevations[len(elevations)-1])
					halfLowM, halfHighM := grid.BeamHalfWidthM(low, 1), grid.BeamHalfWidthM(high, 1)
					onBeam := altitudeM >= lowM && altitudeM <= highM
					switch {
					case altitudeM < lowM-halfLowM:
						want = grid.Overshot
					case altitudeM > highM+halfHighM:
						want = grid.AboveScan
					}
					if math.Abs(altitudeM-lowM+halfLowM) < 2 || math.Abs(altitudeM-highM-halfHighM) < 2 || math.Abs(low-230e3) < 2 || distanceM < 300 {
						continue // rounding decides
					}
					if low >= 230e3 && want == grid.Echo {
						want = grid.OutsideRange
					}
					sights[g.Sight[k]]++
					if g.Sight[k] != want {
						t.Fatalf("%s, %s: cell %d, %d at %.0f m, %.0f m high (lowest beam %.0f, highest %.0f): %v, want %v", name, what, i, j, distanceM, altitudeM, lowM, highM, g.Sight[k], want)
					}
					if (g.Values[k] != g.Values[k]) != (want != grid.Echo) {
						t.Fatalf("%s, %s: cell %d, %d is %v, yet %g", name, what, i, j, want, g.Values[k])
					}
					if want == grid.Echo && onBeam {
						seen++
						worst = max(worst, math.Abs(float64(g.Values[k])-10*math.Log10(smoothZ(place, altitudeM))))
					}
				}
			}
			if seen == 0 || worst > tolDB {
				t.Errorf("%s, %s: %d cells differ by up to %.3f dB, want %.2f", name, what, seen, worst, tolDB)
			}
			if name == "around the radar" && what == "3000 m" && (sights[grid.AboveScan] == 0 || sights[grid.Overshot] == 0) {
				t.Errorf("%v: want a cone of silence and places overshot", sights)
			}
			if frame, err := g.Frame(); err != nil || frame.NoEchoDBZ != GridNoEchoDBZ || len(frame.DBZ) != plane.NI*plane.NJ || frame.Plane != plane {
				t.Errorf("frame %+v, %v", frame, err)
			}
		}
	}
}

// One gate with echo lands in the cell that holds its place, and no further than
// the neighbours between which it is shared out.
func TestGridKeepsPositions(t *testing.T) {
	for _, test := range []struct{ azimuthDeg, rangeM float64 }{
		{30.5, 60125}, {123.5, 100125}, {200.5, 17625}, {300.5, 150125}, {359.5, 40125},
	} {
		v := scanOf(func(az, _, r float64) float64 {
			if math.Abs(az-test.azimuthDeg) < 0.1 && math.Abs(r-test.rangeM) < 10 {
				return 50
			}
			return noEchoGate
		}, grid.MomentReflectivity, 0.5)
		place := v.GatePosition(test.azimuthDeg, 0.5, test.rangeM).LatLon
		for _, plane := range []nowcast.Plane{DefaultPlane(v),
			nowcast.CentredPlane(grid.Destination(place, 70, 31e3), 1000, 130)} {
			g := gridOf(t, v, grid.MomentReflectivity, LowestBeam(), plane, nil)
			x, y := plane.XY(place)
			best, bestK, cells := float32(GridNoEchoDBZ), -1, 0
			for k, value := range g.Values {
				if g.Sight[k] == grid.Echo {
					cells++
					if value > best {
						best, bestK = value, k
					}
				}
			}
			if bestK < 0 {
				t.Fatalf("%+v: lost", test)
			}
			dx, dy := plane.XM(bestK%plane.NI)-x, plane.YM(bestK/plane.NI)-y
			// A radial is as wide as the range times 1 degree: the greatest cell may
			// lie half of that, and half a cell, aside.
			if away := math.Hypot(dx, dy); away > 1000*math.Sqrt2/2+1 {
				t.Errorf("%+v: greatest value %.0f m from the gate", test, away)
			}
			if width := test.rangeM * radPerDeg / 1000; float64(cells) > 4*(width+2) {
				t.Errorf("%+v: spread over %d cells", test, cells)
			}
		}
	}
}

// The lowest beam is taken where it is free; behind a wall the next one above
// it, and a surface at the height of the hidden beam is not seen there.
func TestGridBehindAWall(t *testing.T) {
	v := scanOf(func(az, el, r float64) float64 { return 20 + el }, grid.MomentReflectivity, 0.5, 2.5)
	wall := func(p grid.LatLon) (float64, bool) {
		az, d := grid.AzimuthDeg(inventedAntenna.LatLon, p), grid.DistanceM(inventedAntenna.LatLon, p)
		if az > 80 && az < 100 && d > 20.2e3 && d < 22.8e3 {
			return inventedAntenna.AltitudeM + 430, true // 0.5 degree beam at 21 km: 210 +- 183 m
		}
		return 1000, az < 300
	}
	skyline, err := NewSkyline(inventedAntenna, 1, 300e3, wall)
	if err != nil {
		t.Fatal(err)
	}
	// The same as grid's blockage, which follows one radial.
	for n := range 60 {
		az, el := 78.25+float64(n)/2.5, 0.2+float64(n%8)*0.2
		_, want := az, v.BeamBlockage(az, el, 500, 120, wall)[119]
		if got := skyline.Blockage(az, el, grid.BeamGroundRangeM(60e3, el)); math.Abs(got-want) > 0.02 && az > 80.5 && math.Abs(az-100) > 0.5 {
			t.Errorf("azimuth %g, elevation %g: blockage %.3f, want %.3f of grid.BeamBlockage", az, el, got, want)
		}
	}
	plane := nowcast.CentredPlane(inventedAntenna.LatLon, 1000, 201)
	lowest := gridOf(t, v, grid.MomentReflectivity, LowestBeam(), plane, skyline)
	greatest := gridOf(t, v, grid.MomentReflectivity, Composite(), plane, skyline)
	flat := gridOf(t, v, grid.MomentReflectivity, ConstantAltitude(2150), plane, skyline)
	cell := func(x, y int) int { return (100+y)*201 + 100 + x }
	for _, test := range []struct {
		x, y                   int
		lowest, greatest, flat float32
		sight                  grid.Sight
	}{
		// 50 km away the 0.5 degree beam is 583 m above the antenna (science: 4/3 earth).
		{50, 0, 22.5, 22.5, nan32, grid.Blocked},
		{-50, 0, 20.5, 22.5, 20.6, grid.Echo},
		{0, 50, 20.5, 22.5, 20.6, grid.Echo},
		{15, 0, 20.5, 22.5, 22.3, grid.Echo}, // before the wall
	} {
		k := cell(test.x, test.y)
		same := func(got, want float32) bool {
			return math.Abs(float64(got-want)) < 0.25 || (got != got && want != want)
		}
		if !same(lowest.Values[k], test.lowest) || !same(greatest.Values[k], test.greatest) || !same(flat.Values[k], test.flat) || flat.Sight[k] != test.sight {
			t.Errorf("%d, %d km: lowest %g, greatest %g, 2150 m %g (%v); want %+v", test.x, test.y, lowest.Values[k], greatest.Values[k], flat.Values[k], flat.Sight[k], test)
		}
	}
	if k := cell(50, 0); lowest.Sweep[k] != 1 || lowest.Sight[k] != grid.Echo {
		t.Errorf("behind the wall sweep %d, %v", lowest.Sweep[k], lowest.Sight[k])
	}
}

// Half hidden and a little less: the value is raised by what the terrain took
// off (Bech et al. 2003: a quarter of the beam hidden, -10 log10(0.75) = 1.25 dB).
func TestGridCorrectsPartialBlockage(t *testing.T) {
	v := scanOf(func(az, el, r float64) float64 { return 20 }, grid.MomentReflectivity, 0.5)
	centre := grid.BeamAltitudeM(inventedAntenna.AltitudeM, 20000, 0.5)
	half := grid.BeamHalfWidthM(20000, 1)
	// PBB(y) = 0.25 at y = -0.4040 a, from the formula of Bech et al. solved by hand.
	crest := func(p grid.LatLon) (float64, bool) {
		if d := grid.DistanceM(inventedAntenna.LatLon, p); math.Abs(d-20000) < 100 {
			return centre - 0.4040*half, true
		}
		return 0, true
	}
	skyline, err := NewSkyline(inventedAntenna, 1, 100e3, crest)
	if err != nil {
		t.Fatal(err)
	}
	g := gridOf(t, v, grid.MomentReflectivity, LowestBeam(), nowcast.CentredPlane(inventedAntenna.LatLon, 1000, 101), skyline)
	if got, want := float64(g.Values[50*101+90]), 21.249; math.Abs(got-want) > 0.02 {
		t.Errorf("behind the crest %.3f dBZ, want %.3f", got, want)
	}
	if got := float64(g.Values[50*101+60]); math.Abs(got-20) > 0.01 {
		t.Errorf("before the crest %.3f dBZ, want 20", got)
	}
}

// No echo is the low value, folded and missing are NaN, and between a beam with
// echo and one without the echo thins out as Z does.
func TestGridKeepsStatesApart(t *testing.T) {
	v := scanOf(func(az, el, r float64) float64 {
		switch {
		case az < 90:
			return noEchoGate
		case az < 180:
			return foldedValue
		case az < 270:
			return math.NaN()
		case el < 1:
			return 30
		}
		return noEchoGate
	}, grid.MomentReflectivity, 0.5, 1.5)
	plane := nowcast.CentredPlane(inventedAntenna.LatLon, 1000, 101)
	lowM := grid.BeamAltitudeM(inventedAntenna.AltitudeM, 42426, 0.5)
	highM := grid.BeamAltitudeM(inventedAntenna.AltitudeM, 42441, 1.5)
	g := gridOf(t, v, grid.MomentReflectivity, ConstantAltitude((lowM+highM)/2), plane, nil)
	for _, test := range []struct {
		x, y  int
		value float32
		sight grid.Sight
	}{
		{30, 30, GridNoEchoDBZ, grid.NoEcho},
		{30, -30, nan32, grid.Folded},
		{-30, -30, nan32, grid.NoRadial},
		{-30, 30, 26.99, grid.Echo}, // half of Z: 30 - 3.01 dB
	} {
		k := (50+test.y)*101 + 50 + test.x
		if got := g.Values[k]; g.Sight[k] != test.sight || (got != got) != (test.value != test.value) || math.Abs(float64(got-test.value)) > 0.05 {
			t.Errorf("%d, %d km: %g, %v; want %g, %v", test.x, test.y, got, g.Sight[k], test.value, test.sight)
		}
	}
	if unknown := gridOf(t, v, grid.MomentReflectivity, SurfaceAltitude(func(p grid.LatLon) (float64, bool) { return 2000, p.LatitudeDeg < 44 }), plane, nil); unknown.Sight[100*101+50] != NoSurface || unknown.Sight[0] == NoSurface {
		t.Errorf("surface unknown in the north: %v there, %v in the south", unknown.Sight[100*101+50], unknown.Sight[0])
	}
}

// Of cuts at one elevation the long-range one leads, of equal ones the latest,
// and another stands in where they did not see. A sweep that has not come yet
// leaves a hole, not an interpolation.
func TestGridChoosesCuts(t *testing.T) {
	constant := func(dBZ float64) gateOf { return func(_, _, _ float64) float64 { return dBZ } }
	long := inventedCut{0.5, 1, 250, 200e3, grid.MomentReflectivity, func(az, _, _ float64) float64 {
		if az > 180 {
			return foldedValue
		}
		return 10
	}, nil}
	doppler := inventedCut{0.51, 1, 250, 100e3, grid.MomentReflectivity, constant(20), nil}
	again := long
	again.elevationDeg, again.gate = 0.49, constant(30)
	high := inventedCut{9, 1, 250, 100e3, grid.MomentReflectivity, constant(40), nil}
	plane := nowcast.CentredPlane(inventedAntenna.LatLon, 1000, 101)
	east, west := 50*101+80, 50*101+20
	for _, test := range []struct {
		name       string
		cuts       []inventedCut
		east, west float32
	}{
		{"split cut", []inventedCut{long, doppler}, 10, 20},
		{"repeated", []inventedCut{long, doppler, again}, 30, 30},
	} {
		g := gridOf(t, inventedVolume(test.cuts...), grid.MomentReflectivity, LowestBeam(), plane, nil)
		if math.Abs(float64(g.Values[east]-test.east)) > 0.02 || math.Abs(float64(g.Values[west]-test.west)) > 0.02 {
			t.Errorf("%s: %g in the east, %g in the west, want %+v", test.name, g.Values[east], g.Values[west], test)
		}
	}
	g := gridOf(t, inventedVolume(again, high), grid.MomentReflectivity, ConstantAltitude(3800), plane, nil)
	if g.Sight[east] != grid.NoRadial || g.Values[east] == g.Values[east] {
		t.Errorf("between 0.5 and 9 degrees: %g, %v", g.Values[east], g.Sight[east])
	}
	if want := inventedTime.Add(20 * time.Second); g.Time.Before(want) || g.Time.After(want.Add(40*time.Second)) {
		t.Errorf("time %v", g.Time)
	}
}

// Values of other moments are means of measured gates; none is no echo, and NaN.
func TestGridOtherMoments(t *testing.T) {
	v := scanOf(func(az, el, r float64) float64 {
		if az > 180 {
			return noEchoGate
		}
		return -10 + el
	}, grid.MomentDifferentialReflect, 0.5, 1.5)
	plane := nowcast.CentredPlane(inventedAntenna.LatLon, 1000, 101)
	g := gridOf(t, v, grid.MomentDifferentialReflect, LowestBeam(), plane, nil)
	if k := 50*101 + 80; math.Abs(float64(g.Values[k])+9.5) > 0.01 || g.Sight[k] != grid.Echo {
		t.Errorf("east %g, %v", g.Values[k], g.Sight[k])
	}
	if k := 50*101 + 20; g.Values[k] == g.Values[k] || g.Sight[k] != grid.NoEcho {
		t.Errorf("west %g, %v", g.Values[k], g.Sight[k])
	}
	if _, err := g.Frame(); err == nil {
		t.Error("a frame of differential reflectivity")
	}
}

// oddVolumes are what arrives broken.
func oddVolumes() map[string]*grid.Volume {
	nan := math.NaN()
	one := scanOf(smoothGate, grid.MomentReflectivity, 0.5)
	one.Sweeps[0].Moments[0].Gates = 1
	one.Sweeps[0].Moments[0].Rows[3] = grid.GateRow{}
	short := scanOf(smoothGate, grid.MomentVelocity, 0.5, 1.5)
	short.Sweeps[0].Moments[0].Rows = short.Sweeps[0].Moments[0].Rows[:7]
	short.Sweeps[1].Radials = short.Sweeps[1].Radials[:5]
	azimuths := scanOf(smoothGate, grid.MomentVelocity, 0.5, 1.5)
	for _, s := range azimuths.Sweeps {
		for k := range s.Radials {
			s.Radials[k].AzimuthDeg = float32(nan)
			s.Radials[k].ElevationDeg = float32(nan)
		}
	}
	geometry := scanOf(smoothGate, grid.MomentVelocity, 0.5)
	geometry.Sweeps[0].Moments[0].GateSpacingM = 0
	geometry.BeamwidthDeg = nan
	steep := scanOf(smoothGate, grid.MomentVelocity, 0.5)
	steep.Sweeps[0].ElevationDeg = 1e300
	none := &grid.Volume{Antenna: inventedAntenna, Sweeps: []*grid.Sweep{nil, {}, {ElevationDeg: nan, Moments: []*grid.Moment{{Name: grid.MomentVelocity}}}}}
	return map[string]*grid.Volume{"empty": {Antenna: inventedAntenna}, "no place": {Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: nan}}},
		"one gate": one, "short rows": short, "no directions": azimuths, "no spacing": geometry, "steep": steep, "no moments": none, "nil": nil}
}

func TestGridOddVolumes(t *testing.T) {
	for name, v := range oddVolumes() {
		for _, moment := range []string{grid.MomentReflectivity, grid.MomentVelocity} {
			for _, s := range []Surface{{}, ConstantAltitude(2000), ConstantAltitude(math.NaN()), LowestBeam(), Composite()} {
				g, err := GridVolume(v, moment, s, nowcast.CentredPlane(inventedAntenna.LatLon, 5000, 41), nil)
				if name == "no place" || name == "nil" {
					if err == nil {
						t.Errorf("%s: no error", name)
					}
					continue
				}
				if err != nil {
					t.Fatalf("%s: %v", name, err)
				}
				for k, value := range g.Values {
					if g.Sight[k].Seen() && g.Sight[k] == grid.Echo != (value == value) && moment != grid.MomentReflectivity {
						t.Fatalf("%s: cell %d is %v and %g", name, k, g.Sight[k], value)
					}
				}
			}
		}
	}
	v := scanOf(smoothGate, grid.MomentReflectivity, 0.5)
	for _, plane := range []nowcast.Plane{{SpacingM: -1, NI: 1, NJ: 1}, {SpacingM: 1, NI: 1 << 40, NJ: 1 << 40}, {SpacingM: math.NaN(), NI: 1, NJ: 1}, {SpacingM: 1, NI: 0, NJ: 1}} {
		if _, err := GridVolume(v, grid.MomentReflectivity, LowestBeam(), plane, nil); err == nil {
			t.Errorf("plane %+v: no error", plane)
		}
	}
}

// benchmarkVolume has the 14 elevations of VCP 12 with split cuts and half
// degrees in the lowest three, every second gate with echo.
func benchmarkVolume() *grid.Volume {
	random := rand.New(rand.NewPCG(1, 2))
	packing := &grid.Packing{WordBits: 8, Factor: 0.5, Addend: -33, BelowThreshold: 0, RangeFolded: 1, Missing: grid.NoCode}
	gate := func(_, _, _ float64) float64 {
		if random.IntN(2) == 0 {
			return noEchoGate
		}
		return 10 + 30*random.Float64()
	}
	var cuts []inventedCut
	for k, el := range []float64{0.5, 0.5, 0.9, 0.9, 1.3, 1.3, 1.8, 2.4, 3.1, 4, 5.1, 6.4, 8, 10, 12.5, 15.6, 19.5} {
		spacing, reach := 1.0, 300e3
		if k < 6 {
			spacing = 0.5
		}
		if k < 6 && k%2 == 0 {
			reach = 458e3
		}
		cuts = append(cuts, inventedCut{el, spacing, 250, reach, grid.MomentReflectivity, gate, packing})
	}
	return inventedVolume(cuts...)
}

func BenchmarkGrid(b *testing.B) {
	v := benchmarkVolume()
	gridder, err := NewGridder(v.Antenna, DefaultPlane(v), nil)
	if err != nil {
		b.Fatal(err)
	}
	for name, s := range map[string]Surface{"altitude": ConstantAltitude(4000), "lowest": LowestBeam(), "composite": Composite(),
		"isotherm": SurfaceAltitude(func(p grid.LatLon) (float64, bool) { return 4000 + 100*p.LatitudeDeg, true })} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			for b.Loop() {
				if _, err := gridder.Grid(v, grid.MomentReflectivity, s, GridOptions{Workers: 1}); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("geometry", func(b *testing.B) {
		for b.Loop() {
			if _, err := NewGridder(v.Antenna, DefaultPlane(v), nil); err != nil {
				b.Fatal(err)
			}
		}
	})
}

var planeForFuzz = nowcast.CentredPlane(inventedAntenna.LatLon, 2000, 31)
