package conditions

import (
	"context"
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/testfiles"
	"rimeline/seedability/radar"
)

var (
	nan      = math.NaN()
	cold     = linear(273.15 + 5)  // 0 °C at 770 m, below the ground at 1500 m
	mild     = linear(273.15 + 13) // 0 °C at 2000 m
	warm     = linear(273.15 + 26) // 0 °C at 4000 m
	notSeen  = func(why grid.Sight) radar.NearGround { return radar.NearGround{Sight: why} }
	noEchoAt = func(altitudeM float64) radar.NearGround {
		return radar.NearGround{Sight: grid.NoEcho, ReflectivityDBZ: nan, AltitudeM: altitudeM, GroundKnown: true}
	}
)

// Uniform echo of 30 dBZ in a beam 1000 m above ground: in snow over frozen ground,
// in rain over warm ground, and in melting snow.
func TestRadarPrecipitationByPhase(t *testing.T) {
	a := areaOf(t, "basin", basin)
	for _, test := range []struct {
		name      string
		airK      func(grid.Position, time.Time) float64
		beamM     float64
		dBZ, want float64
		liquid    float64
		note      string
	}{
		// Rates by hand as in TestRates.
		{"snow", cold, 2500, 30, 2.582, 0, ""},
		{"rain", warm, 2500, 30, 2.734, 1, ""},
		{"heavy rain", warm, 2500, 45, 27.86, 1, ""},
		{"snow above, rain below", mild, 2500, 30, 2.582, .99, ""},
		{"melting snow", mild, 1800, 40, 12.24, .99, "melting snow and is rather too high"},
		{"next to nothing in melting snow", mild, 1800, -20, .00816, nan, ""},
	} {
		air := NewAir(invented{airK: test.airK}.atmosphere(t))
		p, note, ok := RadarPrecipitation(a, []Look{lookOf(a, echoAt(test.dBZ, test.beamM))}, air, noon)
		if !ok || p.Place != "basin" || p.From != "radar" || p.CoveredShare != 1 || !p.Time.Equal(noon) || !p.Issued.IsZero() || p.Suspect != nil {
			t.Errorf("%s: %+v", test.name, p)
		}
		near(t, test.name, p.MMPerH, test.want, .002*test.want, "Z-R and Z-S relations, by hand")
		if !(math.Abs(p.LiquidShare-test.liquid) < .02 || math.IsNaN(p.LiquidShare) && math.IsNaN(test.liquid)) {
			t.Errorf("%s: share of rain %.3f, want %g", test.name, p.LiquidShare, test.liquid)
		}
		if !strings.Contains(note, test.note) || note != "" && test.note == "" {
			t.Errorf("%s: note %q", test.name, note)
		}
	}
}

// One wet square decides, the covered share is that of the area, and each reason
// for not seeing is told with its share.
func TestRadarPrecipitationOverPartOfAnArea(t *testing.T) {
	a := areaOf(t, "basin", basin)
	air := NewAir(invented{airK: cold}.atmosphere(t))
	wet := a.Cells[len(a.Cells)/3].Place
	share := func(in func(grid.LatLon) bool) float64 {
		sum := 0.0
		for _, c := range a.Cells {
			if in(c.Place) {
				sum += c.AreaM2
			}
		}
		return sum / a.AreaM2
	}
	west, east := func(p grid.LatLon) bool { return p.LongitudeDeg < -112.66 }, func(p grid.LatLon) bool { return p.LongitudeDeg > -112.45 }
	look := lookOf(a, func(p grid.LatLon) radar.NearGround {
		switch {
		case west(p):
			return notSeen(grid.Blocked)
		case east(p):
			return notSeen(grid.Overshot)
		case p == wet:
			return echoAt(38, 2300)(p)
		}
		return noEchoAt(2300)
	})
	p, note, ok := RadarPrecipitation(a, []Look{look}, air, noon)
	if !ok {
		t.Fatal("most was seen")
	}
	near(t, "rate", p.MMPerH, math.Sqrt(math.Pow(10, 3.8)/150), 1e-6, "(Z/150)^0.5")
	near(t, "covered share", p.CoveredShare, 1-share(west)-share(east), 1e-9, "the squares' areas")
	// By meridians: 0.04 and 0.05 of 0.30 degrees of the full height, of an area less its hole.
	near(t, "covered share", p.CoveredShare, 1-(.04+.05)*.2/(.3*.2-.08*.06), .02, "meridians, to a square")
	for _, part := range []string{"hidden by terrain: 1", "no beam within 2000 m above ground: 1", "is not seen"} {
		if !strings.Contains(note, part) {
			t.Errorf("note %q lacks %q", note, part)
		}
	}
}

// What no radar saw is no rate.
func TestRadarPrecipitationOfNothing(t *testing.T) {
	a := areaOf(t, "basin", basin)
	air := NewAir(invented{airK: cold}.atmosphere(t))
	for name, looks := range map[string][]Look{
		"no radar":     nil,
		"all hidden":   {lookOf(a, func(grid.LatLon) radar.NearGround { return notSeen(grid.Blocked) })},
		"two that not": {lookOf(a, func(grid.LatLon) radar.NearGround { return notSeen(grid.OutsideRange) }), lookOf(a, func(grid.LatLon) radar.NearGround { return notSeen(grid.Overshot) })},
	} {
		p, note, ok := RadarPrecipitation(a, looks, air, noon)
		if ok || !strings.Contains(note, "100 % is not seen") {
			t.Errorf("%s: %+v, %q", name, p, note)
		}
	}
	p, _, ok := RadarPrecipitation(a, []Look{lookOf(a, func(grid.LatLon) radar.NearGround { return noEchoAt(2300) })}, air, noon)
	if !ok || p.MMPerH != 0 || p.CoveredShare != 1 {
		t.Errorf("seen and empty: %+v, %v", p, ok)
	}
}

// Of several radars the lowest beam counts, each square by itself; the time is that
// of the oldest beam used.
func TestRadarPrecipitationOfSeveral(t *testing.T) {
	a := areaOf(t, "basin", basin)
	air := NewAir(invented{airK: cold}.atmosphere(t))
	half := func(p grid.LatLon) bool { return p.LongitudeDeg < -112.55 }
	low := lookOf(a, func(p grid.LatLon) radar.NearGround {
		if half(p) {
			n := echoAt(20, 2000)(p)
			n.Time = noon.Add(-4 * time.Minute)
			return n
		}
		return notSeen(grid.Blocked)
	})
	high := lookOf(a, echoAt(30, 3000))
	p, _, ok := RadarPrecipitation(a, []Look{high, low}, air, noon)
	if !ok || p.CoveredShare != 1 || !p.Time.Equal(noon.Add(-4*time.Minute)) {
		t.Errorf("%+v", p)
	}
	near(t, "the higher beam over the other half", p.MMPerH, 2.582, .001, "(1000/150)^0.5")
	for k := range low.Near {
		if half(a.Cells[k].Place) {
			continue
		}
		low.Near[k] = echoAt(20, 2900)(a.Cells[k].Place)
		low.Near[k].HalfWidthM = 100
	}
	p, _, _ = RadarPrecipitation(a, []Look{high, low}, air, noon)
	near(t, "the lower everywhere", p.MMPerH, .816, .001, "(100/150)^0.5")

	// A radar whose way to the basin is not known does not overrule one whose way is;
	// alone, or among its like, the strongest echo is taken, with a word.
	blind := lookOf(a, func(p grid.LatLon) radar.NearGround {
		n := echoAt(35, 1900)(p)
		n.GroundKnown = false
		return n
	})
	quiet := lookOf(a, func(grid.LatLon) radar.NearGround {
		n := noEchoAt(1800)
		n.GroundKnown = false
		return n
	})
	p, note, _ := RadarPrecipitation(a, []Look{blind, high}, air, noon)
	near(t, "the known way", p.MMPerH, 2.582, .001, "(1000/150)^0.5")
	if note != "" {
		t.Errorf("note %q", note)
	}
	for _, looks := range [][]Look{{blind, quiet}, {quiet, blind}} {
		p, note, _ = RadarPrecipitation(a, looks, air, noon)
		near(t, "the strongest", p.MMPerH, math.Sqrt(math.Pow(10, 3.5)/150), 1e-6, "(Z/150)^0.5")
		if !strings.Contains(note, "the ground on the way from the radar is not known") {
			t.Errorf("note %q", note)
		}
	}
}

// The share of rain is that of where it rains, and the greatest; unknown where it
// is unknown under a rate that counts.
func TestShareOfRainWhereItFalls(t *testing.T) {
	a := areaOf(t, "basin", basin)
	// Warmer to the west: 0 °C at 2900 m there, below the ground in the east.
	air := NewAir(invented{airK: func(p grid.Position, _ time.Time) float64 {
		return 273.15 + 13 + 40*(-112.55-p.LongitudeDeg) - .0065*p.AltitudeM
	}}.atmosphere(t))
	in := func(west bool) Look {
		return lookOf(a, func(p grid.LatLon) radar.NearGround {
			if (p.LongitudeDeg < -112.55) == west {
				return echoAt(30, 2500)(p)
			}
			return noEchoAt(2500)
		})
	}
	wet, _, _ := RadarPrecipitation(a, []Look{in(true)}, air, noon)
	dry, _, _ := RadarPrecipitation(a, []Look{in(false)}, air, noon)
	if !(wet.LiquidShare > .99) || !(dry.LiquidShare > .9 && dry.LiquidShare < wet.LiquidShare) {
		t.Errorf("share of rain %.3f in the west, %.3f in the east", wet.LiquidShare, dry.LiquidShare)
	}
	// No vapour in the west: a wet bulb that the formula does not give.
	half := NewAir(invented{airK: cold, state: func(s *grid.State, p grid.Position, _ time.Time) {
		if p.LongitudeDeg < -112.55 {
			s.SpecificHumidity = 0
		}
	}}.atmosphere(t))
	for _, west := range []bool{true, false} {
		p, _, ok := RadarPrecipitation(a, []Look{in(west)}, half, noon)
		if !ok || math.IsNaN(p.LiquidShare) != west {
			t.Errorf("rain in the west %v: share of rain %g", west, p.LiquidShare)
		}
	}
	p, _, ok := RadarPrecipitation(a, []Look{lookOf(a, echoAt(30, 2500))}, half, noon)
	if !ok || !math.IsNaN(p.LiquidShare) {
		t.Errorf("where it is known over a part: %+v", p)
	}
	p, _, ok = RadarPrecipitation(a, []Look{lookOf(a, echoAt(30, 2500))}, NewAir(nil), noon)
	if !ok || !math.IsNaN(p.LiquidShare) || !(p.MMPerH > 2.7) {
		t.Errorf("without air: %+v", p)
	}
}

func TestCeilings(t *testing.T) {
	a := areaOf(t, "basin", basin)
	air := NewAir(invented{airK: cold, groundM: func(p grid.LatLon) float64 { return 1000 * (p.LatitudeDeg - 42) }}.atmosphere(t))
	for k, ceilingM := range Ceilings(a, air) {
		near(t, "ceiling", ceilingM, 2000+1000*(a.Cells[k].Place.LatitudeDeg-42), .1, "2000 m above ground")
	}
	for _, ceilingM := range Ceilings(a, NewAir(nil)) {
		if !math.IsNaN(ceilingM) {
			t.Fatalf("ceiling %g over unknown ground", ceilingM)
		}
	}
}

// mosaicOf is a mosaic of 0.01 degrees about the basin.
func mosaicOf(of func(grid.LatLon) float32) *grid.Field {
	f := &grid.Field{Grid: latLonGrid(43.9, -112.9, 71, 61, .01), ValidTime: noon}
	for j := range f.Grid.NJ {
		for i := range f.Grid.NI {
			place, _ := f.Grid.LatLonAt(float64(i), float64(j))
			f.Values = append(f.Values, of(place))
		}
	}
	return f
}

func TestMosaicPrecipitation(t *testing.T) {
	a := areaOf(t, "basin", basin)
	air := NewAir(invented{airK: warm}.atmosphere(t))
	inHole := func(p grid.LatLon) bool {
		return p.LongitudeDeg > -112.594 && p.LongitudeDeg < -112.526 && p.LatitudeDeg > 44.166 && p.LatitudeDeg < 44.214
	}
	rate := func(p grid.LatLon) float32 {
		switch {
		case inHole(p):
			return 99 // not over the basin
		case p.LongitudeDeg < -112.655:
			return grid.NotCovered.Value()
		case math.Hypot(p.LongitudeDeg+112.45, p.LatitudeDeg-44.25) < .004:
			return 17.5
		}
		return 0
	}
	p, note, ok := MosaicPrecipitation(a, Mosaic{Label: "Test", Kind: MosaicRate, Time: noon, Field: mosaicOf(rate)}, air, noon)
	if !ok || p.MMPerH != 17.5 || p.From != "mosaic" || !p.Time.Equal(noon) || !(p.LiquidShare > .99) {
		t.Errorf("%+v", p)
	}
	// Points at -112.70 (a half of its square) to -112.66: 0.045 of 0.30 degrees.
	near(t, "covered share", p.CoveredShare, 1-.045*.2/(.3*.2-.08*.06), 1e-3, "meridians")
	if !strings.Contains(note, "16 % is not covered") {
		t.Errorf("note %q", note)
	}

	reflectivity := func(p grid.LatLon) float32 {
		switch v := rate(p); {
		case v == 17.5:
			return 40
		case v == 0:
			return grid.BelowThreshold.Value()
		default:
			return v
		}
	}
	p, note, ok = MosaicPrecipitation(a, Mosaic{Label: "Test", Kind: MosaicReflectivity, Time: noon, Field: mosaicOf(reflectivity)}, air, noon)
	if !ok || !strings.Contains(note, "of rain or snow the greater") {
		t.Errorf("%+v, %q", p, note)
	}
	near(t, "of reflectivity", p.MMPerH, 12.24, .02, "(10000/300)^(1/1.4)")

	// The radars' own index says where nothing near the ground was seen.
	quality := mosaicOf(func(p grid.LatLon) float32 {
		if p.LatitudeDeg > 44.2 {
			return 0
		}
		return .9
	})
	p, _, ok = MosaicPrecipitation(a, Mosaic{Label: "Test", Kind: MosaicRate, Time: noon, Field: mosaicOf(rate), Quality: quality}, air, noon)
	if !ok || p.MMPerH != 0 || !(p.CoveredShare > .35 && p.CoveredShare < .5) {
		t.Errorf("with quality: %+v", p)
	}

	for name, m := range map[string]Mosaic{
		"nothing covered":  {Kind: MosaicRate, Field: mosaicOf(func(grid.LatLon) float32 { return grid.NotCovered.Value() })},
		"a code left over": {Kind: MosaicRate, Field: mosaicOf(func(grid.LatLon) float32 { return -3 })},
		"elsewhere":        {Kind: MosaicRate, Field: &grid.Field{Grid: latLonGrid(10, 10, 3, 3, .01), Values: make([]float32, 9)}},
	} {
		if p, note, ok := MosaicPrecipitation(a, m, air, noon); ok || !strings.Contains(note, "100 % is not covered") {
			t.Errorf("%s: %+v, %q", name, p, note)
		}
	}
	// A mosaic that ends within the basin: what is beyond is not covered.
	cut := &grid.Field{Grid: latLonGrid(43.9, -112.9, 41, 61, .01)}
	cut.Values = make([]float32, 41*61)
	p, _, ok = MosaicPrecipitation(a, Mosaic{Kind: MosaicRate, Time: noon, Field: cut}, air, noon)
	if !ok {
		t.Fatal("half of the basin is on the mosaic")
	}
	near(t, "half of the basin", p.CoveredShare, (.2*.2-.08*.06)/(.3*.2-.08*.06), .05, "meridians, to a square")
}

// A real mosaic, against ecCodes and shapely.
func TestMosaicPrecipitationAgainstPython(t *testing.T) {
	var m *mosaic.Mosaic
	for _, row := range golden(t, "mosaic.tsv") {
		if m == nil {
			all, err := mosaic.Decode(context.Background(), row[0], testfiles.Read(t, "mrms/"+row[0]), mosaic.Options{})
			if err != nil || len(all) != 1 {
				t.Fatal(err)
			}
			m = all[0]
		}
		a := areaOf(t, row[1], row[2])
		p, _, ok := MosaicPrecipitation(a, Mosaic{Label: m.Product.Name, Kind: MosaicRate, Time: m.Time, Field: m.Field}, NewAir(nil), m.Time)
		if want := number(t, row[3]); ok != !math.IsNaN(want) {
			t.Errorf("%s: covered %v", row[1], ok)
		} else if ok {
			near(t, row[1]+": largest rate", p.MMPerH, want, 5e-4, "ecCodes, shapely")
			near(t, row[1]+": covered share", p.CoveredShare, number(t, row[4]), 2e-6, "ecCodes, shapely")
		}
	}
}
