package page

import (
	"bytes"
	"image/color"
	"image/png"
	"math"
	"testing"

	"rimeline/grid"
)

func exampleSection() Section {
	s := Section{Title: "Tin Kettle Flat", ActivationKM: 11, ActivationM: 2500, LandingKM: 25,
		Targets: []Stretch{{"Quill Creek", 20, 30}}}
	for i := range 31 {
		s.DistanceKM = append(s.DistanceKM, float64(i)*1.2)
		s.TerrainM = append(s.TerrainM, 1300+1200*math.Exp(-math.Pow((float64(i)*1.2-18)/9, 2)))
	}
	for k := range 41 {
		altitudeM := 1000 + float64(k)*100
		s.AltitudeM = append(s.AltitudeM, altitudeM)
		temperatures, liquids := make([]float64, 31), make([]float64, 31)
		for i := range 31 {
			temperatures[i] = 1 - .0065*(altitudeM-1300)
			if altitudeM < s.TerrainM[i] {
				temperatures[i], liquids[i] = math.NaN(), math.NaN()
			} else if altitudeM > 2000 && altitudeM < 3800 {
				liquids[i] = .45 * math.Exp(-math.Pow((float64(i)-12)/8, 2))
			}
		}
		s.AirTemperatureC, s.LiquidGPerM3 = append(s.AirTemperatureC, temperatures), append(s.LiquidGPerM3, liquids)
	}
	for m := range 45 {
		d := float64(m) * .57
		z := 1310 + 1300*math.Min(1, d/14) - math.Max(0, d-18)*60
		s.Path = append(s.Path, SectionPoint{DistanceKM: d, AltitudeM: z, LowM: z - 8*float64(m), HighM: z + 8*float64(m), Minutes: float64(m)})
	}
	return s
}

// The picture must show what it is there to show: liquid, ground and path.
func TestDrawSectionShowsLiquidGroundAndPath(t *testing.T) {
	b, err := DrawSection(exampleSection())
	if err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(bytes.NewReader(b))
	if err != nil {
		t.Fatal(err)
	}
	seen := map[color.NRGBA]int{}
	bounds := img.Bounds()
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			seen[color.NRGBAModel.Convert(img.At(x, y)).(color.NRGBA)]++
		}
	}
	for name, c := range map[string]color.NRGBA{"deepest liquid": liquidShades[4].colour, "ground": groundColour, "path": pathColour, "target": targetColour} {
		if seen[c] < 100 {
			t.Errorf("%s: %d pixels of its colour, want 100 or more", name, seen[c])
		}
	}
}

func TestIsothermFollowsTheLapseRate(t *testing.T) {
	lines := exampleSection().isotherm(-6)
	// The crest of the example reaches above it: one line on either side.
	if len(lines) != 2 {
		t.Fatalf("%d lines, want 2", len(lines))
	}
	// -6 °C at 1300 m + 7 K / 6.5 K km-1.
	want := 1300 + 7/.0065
	for _, line := range lines {
		for _, p := range line {
			if math.Abs(p.Y-want) > 1e-6 {
				t.Fatalf("-6 °C at %.1f km: %v m, want %v", p.X, p.Y, want)
			}
		}
	}
}

func TestDrawRefusesWhatItCannotDraw(t *testing.T) {
	if _, err := DrawSection(Section{}); err == nil {
		t.Error("an empty section was drawn")
	}
	s := exampleSection()
	s.LiquidGPerM3[3] = s.LiquidGPerM3[3][:5]
	if _, err := DrawSection(s); err == nil {
		t.Error("a ragged section was drawn")
	}
	if _, err := DrawMap(Map{Site: grid.LatLon{LatitudeDeg: math.NaN()}}); err == nil {
		t.Error("a map without a site was drawn")
	}
}

func TestDrawMap(t *testing.T) {
	site := grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.8}
	m := Map{Title: "Tin Kettle Flat", Site: site, SiteName: "Tin Kettle Flat",
		TerrainM: func(p grid.LatLon) (float64, bool) {
			return 1300 + 1200*math.Exp(-math.Pow((p.LongitudeDeg+114.5)/.15, 2)), true
		},
		Targets: []Outline{{Name: "Quill Creek", Contains: func(p grid.LatLon) bool { return p.LongitudeDeg > -114.5 },
			Rings: [][]grid.LatLon{{{LatitudeDeg: 43.95, LongitudeDeg: -114.5}, {LatitudeDeg: 43.95, LongitudeDeg: -114.3}, {LatitudeDeg: 44.15, LongitudeDeg: -114.3}, {LatitudeDeg: 44.15, LongitudeDeg: -114.5}}}}}}
	for k := range 40 {
		m.Path = append(m.Path, MapPoint{placeAt(site, float64(k)*.7, float64(k)*.1), float64(k)})
		m.Landings = append(m.Landings, placeAt(site, 24+float64(k%7), 3+float64(k%5)))
	}
	b, err := DrawMap(m)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := png.Decode(bytes.NewReader(b)); err != nil {
		t.Fatal(err)
	}
}
