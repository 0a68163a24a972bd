package page

import (
	"bytes"
	"encoding/json"
	"image/color"
	"image/png"
	"math"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
)

// sceneOf reads a picture of cells, the first line the northernmost: "#" is echo
// of 30 dBZ, "." none, "?" not seen.
func sceneOf(t *testing.T, spacingM float64, rows ...string) *nowcast.Scene {
	t.Helper()
	n := len(rows)
	f := &nowcast.Frame{Time: time.Date(2026, 1, 14, 6, 10, 0, 0, time.UTC), Plane: nowcast.CentredPlane(grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, spacingM, n),
		DBZ: make([]float32, n*n), NoEchoDBZ: -32}
	for j := range n {
		for i := range n {
			value := float32(-32)
			switch rows[n-1-j][i] {
			case '#':
				value = 30
			case '?':
				value = float32(math.NaN())
			}
			f.DBZ[j*n+i] = value
		}
	}
	s, err := nowcast.FindObjects(f, nowcast.ObjectOptions{LeastAreaM2: 1})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// Outlines hold the cells of their object and nothing else, and no ring comes
// twice to one corner.
func TestOutlinesHoldTheirCells(t *testing.T) {
	s := sceneOf(t, 1000,
		"########",
		"#..#...#",
		"#.#.##.#",
		"##..##.#",
		"#......#",
		"###.####",
		"....#...",
		".......#")
	if len(s.Objects) != 2 {
		t.Fatalf("%d objects", len(s.Objects))
	}
	for place := range s.Objects {
		polygons := polygonsOf(s, place)
		cells := 0
		for _, p := range polygons {
			if twiceArea(p.outer) <= 0 {
				t.Errorf("object %d: an outer ring runs clockwise", place)
			}
			for k, ring := range append([][]corner{p.outer}, p.holes...) {
				cells += twiceArea(ring)
				if k > 0 && twiceArea(ring) >= 0 {
					t.Errorf("object %d: a hole runs counterclockwise", place)
				}
				been := map[corner]bool{}
				for _, c := range ring {
					if been[c] {
						t.Errorf("object %d: a ring comes twice to %v", place, c)
					}
					been[c] = true
				}
			}
		}
		if want := s.Objects[place].AreaM2 / 1e6; float64(cells)/2 != want {
			t.Errorf("object %d: outlines hold %g cells, want %g", place, float64(cells)/2, want)
		}
		for j := range s.Frame.NJ {
			for i := range s.Frame.NI {
				inside := false
				for _, p := range polygons {
					in := surrounds(p.outer, float64(i)+.5, float64(j)+.5)
					for _, hole := range p.holes {
						in = in && !surrounds(hole, float64(i)+.5, float64(j)+.5)
					}
					inside = inside || in
				}
				if label := s.Labels[j*s.Frame.NI+i]; inside != (label == int32(place+1)) {
					t.Errorf("object %d: cell %d, %d inside: %v, label %d", place, i, j, inside, label)
				}
			}
		}
	}
}

func exampleMotion(s *nowcast.Scene, eastward, northward float32) *nowcast.Motion {
	m := &nowcast.Motion{Plane: nowcast.CentredPlane(s.Frame.Origin, s.Frame.SpacingM*4, max(2, s.Frame.NI/4))}
	for range m.NI * m.NJ {
		m.EastwardMPerS, m.NorthwardMPerS = append(m.EastwardMPerS, eastward), append(m.NorthwardMPerS, northward)
		m.Quality, m.SpreadMPerS = append(m.Quality, .9), append(m.SpreadMPerS, 1)
	}
	return m
}

// 10 m/s for half an hour are 18 km.
func TestCarry(t *testing.T) {
	s := sceneOf(t, 1000, "#...", "....", "....", "....")
	x, y := Carry(exampleMotion(s, 8, -6), 1000, 2000, 30*time.Minute)
	if math.Abs(x-1000-14400) > .1 || math.Abs(y-2000+10800) > .1 {
		t.Errorf("carried to %g, %g", x, y)
	}
}

func coloursOf(t *testing.T, b []byte) map[color.NRGBA]int {
	t.Helper()
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
	return seen
}

// notSeenPixels have the tint of what was not seen, its hatching, or lie between.
func notSeenPixels(seen map[color.NRGBA]int) int {
	n := 0
	for c, pixels := range seen {
		if c.R >= hatchColour.R && c.R <= notSeenColour.R && c.R > c.B+5 && c.R < c.B+17 && c.G < c.R && c.G > c.B { // greys of ink and red of sites are others
			n += pixels
		}
	}
	return n
}

// What was not seen is hatched, and what has no echo is not.
func TestDrawEchoFieldShowsWhatWasNotSeen(t *testing.T) {
	rows := []string{"........", ".######.", ".######.", "........", "........", "........", "....????", "....????"}
	e := EchoField{Title: "Radar XMPL", Subtitle: "invented", Scene: sceneOf(t, 10000, rows...), NoMotion: "too few frames"}
	e.Sites = []EchoSite{{Name: "Tin Kettle Flat", Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, Zone: &nowcast.Zone{Place: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.2}, RadiusM: 5000}, Coming: "band 1 at 06:40"}}
	e.Targets = []Outline{{Name: "Quill Creek", Rings: [][]grid.LatLon{{{LatitudeDeg: 43.9, LongitudeDeg: -114.4}, {LatitudeDeg: 43.9, LongitudeDeg: -114.2}, {LatitudeDeg: 44.1, LongitudeDeg: -114.2}}}}}
	e.Motion = exampleMotion(e.Scene, 10, 0)
	b, err := DrawEchoField(e)
	if err != nil {
		t.Fatal(err)
	}
	seen := coloursOf(t, b)
	echo := seen[echoColour(30)]
	notSeen := notSeenPixels(seen)
	// 12 cells of echo and 8 not seen, of 64 on about 840 x 830 pixels.
	const cell = 840 * 830 / 64
	if math.Abs(float64(echo)-12*cell) > 3*cell || math.Abs(float64(notSeen)-8*cell) > 2*cell {
		t.Errorf("%d pixels of echo, %d not seen, of %d a cell", echo, notSeen, cell)
	}
	for name, c := range map[string]color.NRGBA{"target": targetColour, "site": pathColour, "outline": inkColour} {
		if seen[c] < 100 {
			t.Errorf("%s: %d pixels of its colour", name, seen[c])
		}
	}
	rows[6], rows[7] = rows[0], rows[0]
	e.Scene, e.Motion = sceneOf(t, 10000, rows...), nil
	if b, err = DrawEchoField(e); err != nil {
		t.Fatal(err)
	}
	if n := notSeenPixels(coloursOf(t, b)); n > cell/5 { // the legend's own box
		t.Errorf("%d pixels not seen where all was", n)
	}
	if _, err := DrawEchoField(EchoField{}); err == nil {
		t.Error("nothing was drawn")
	}
}

// Names do not cover one another.
func TestNamesKeepApart(t *testing.T) {
	rows := make([]string, 40)
	for j := range rows {
		row := bytes.Repeat([]byte("."), 40)
		if j%4 == 1 {
			for i := 1; i < 40; i += 4 {
				row[i] = '#'
			}
		}
		rows[j] = string(row)
	}
	e := EchoField{Scene: sceneOf(t, 10000, rows...)}
	if len(e.Scene.Objects) != 100 {
		t.Fatalf("%d objects", len(e.Scene.Objects))
	}
	for k := range 6 {
		e.Sites = append(e.Sites, EchoSite{Name: "Tin Kettle Flat", Place: grid.LatLon{LatitudeDeg: 44 + float64(k)*.02, LongitudeDeg: -114.5}})
	}
	placed := 0
	onLabels = func(l *labelling) {
		placed = len(l.names)
		for a := range l.names {
			for b := range a {
				p, q := l.names[a].box, l.names[b].box
				if p.Min.X < q.Max.X && q.Min.X < p.Max.X && p.Min.Y < q.Max.Y && q.Min.Y < p.Max.Y {
					t.Errorf("%q covers %q", l.names[a].text, l.names[b].text)
				}
			}
		}
	}
	defer func() { onLabels = nil }()
	if _, err := DrawEchoField(e); err != nil {
		t.Fatal(err)
	}
	if placed < 60 {
		t.Errorf("%d names found room, want most of 106", placed)
	}
}

func TestBandsGeoJSON(t *testing.T) {
	s := sceneOf(t, 2000, "####", "#..#", "####", "....")
	e := EchoFeatures{Scene: s, Motion: exampleMotion(s, 10, 0), Objects: []map[string]any{{"id": 1}}, Ahead: time.Hour,
		Sites: []SiteFeature{{ID: "tin-kettle", Place: s.Frame.Origin, Zone: &nowcast.Zone{Place: s.Frame.Origin, RadiusM: 5000}}}}
	b, err := BandsGeoJSON(e)
	if err != nil {
		t.Fatal(err)
	}
	var got struct {
		Features []struct {
			ID       string
			Geometry struct {
				Type        string
				Coordinates [][][2]float64
			}
			Properties struct {
				Feature string
				Times   []time.Time
			}
		}
	}
	// A LineString has one level of brackets less.
	var loose struct{ Features []map[string]any }
	if err := json.Unmarshal(b, &loose); err != nil {
		t.Fatal(err)
	}
	line := loose.Features[1]["geometry"].(map[string]any)["coordinates"].([]any)
	if len(line) != 7 { // every 10 min to the hour
		t.Errorf("%d positions of the way", len(line))
	}
	first, last := line[0].([]any), line[6].([]any)
	moved := grid.DistanceM(grid.LatLon{LatitudeDeg: first[1].(float64), LongitudeDeg: first[0].(float64)}, grid.LatLon{LatitudeDeg: last[1].(float64), LongitudeDeg: last[0].(float64)})
	if math.Abs(moved-36000) > 50 { // 10 m/s for an hour
		t.Errorf("the way is %g m, want 36000", moved)
	}
	loose.Features = []map[string]any{loose.Features[0], loose.Features[3]}
	polygons, _ := json.Marshal(loose)
	if err := json.Unmarshal(polygons, &got); err != nil {
		t.Fatal(err)
	}
	if object := got.Features[0]; object.ID != "object-1" || object.Geometry.Type != "Polygon" || len(object.Geometry.Coordinates) != 2 || object.Properties.Feature != "object" {
		t.Errorf("object %+v", object)
	}
	for _, p := range got.Features[1].Geometry.Coordinates[0] {
		if d := grid.DistanceM(s.Frame.Origin, grid.LatLon{LatitudeDeg: p[1], LongitudeDeg: p[0]}); math.Abs(d-5000) > 2 {
			t.Fatalf("the zone's rim is %g m off, want 5000", d)
		}
	}
	if _, err := BandsGeoJSON(EchoFeatures{Scene: s}); err == nil {
		t.Error("objects without properties were written")
	}
}
