package page

import (
	"encoding/json"
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/seedability"
)

// readFeature is a feature as any reader of RFC 7946 gets it.
type readFeature struct {
	Type     string
	ID       string
	Geometry struct {
		Type        string
		Coordinates json.RawMessage
	}
	Properties map[string]any
}

// readCollection holds the text to the rules of RFC 7946 that apply, and gives
// its features by id.
func readCollection(t *testing.T, b []byte) map[string]readFeature {
	t.Helper()
	var collection struct {
		Type     string
		Features []readFeature
	}
	if err := json.Unmarshal(b, &collection); err != nil {
		t.Fatal(err)
	}
	if collection.Type != "FeatureCollection" { // section 3.3
		t.Fatalf("type %q", collection.Type)
	}
	features := map[string]readFeature{}
	for _, f := range collection.Features {
		if f.Type != "Feature" || f.ID == "" || f.Properties == nil { // section 3.2
			t.Errorf("feature of type %q with id %q and properties %v", f.Type, f.ID, f.Properties)
		}
		if _, twice := features[f.ID]; twice {
			t.Errorf("two features %q", f.ID)
		}
		features[f.ID] = f
		switch f.Geometry.Type {
		case "Point":
			checkPosition(t, coordinatesOf[[]float64](t, f))
		case "LineString":
			checkLine(t, coordinatesOf[[][]float64](t, f))
		case "MultiLineString":
			for _, line := range coordinatesOf[[][][]float64](t, f) {
				checkLine(t, line)
			}
		case "Polygon":
			checkPolygon(t, coordinatesOf[[][][]float64](t, f))
		case "MultiPolygon":
			for _, polygon := range coordinatesOf[[][][][]float64](t, f) {
				checkPolygon(t, polygon)
			}
		default:
			t.Errorf("%s: geometry of type %q", f.ID, f.Geometry.Type)
		}
	}
	return features
}

func coordinatesOf[T any](t *testing.T, f readFeature) (coordinates T) {
	t.Helper()
	if err := json.Unmarshal(f.Geometry.Coordinates, &coordinates); err != nil {
		t.Fatalf("%s: %v", f.ID, err)
	}
	return coordinates
}

// Sections 3.1.1 (two or three numbers, longitude first), 4 (degrees of WGS 84)
// and 11.2 (no more digits than are known).
func checkPosition(t *testing.T, p []float64) {
	t.Helper()
	if len(p) < 2 || len(p) > 3 || math.Abs(p[0]) > 180 || math.Abs(p[1]) > 90 {
		t.Fatalf("position %v", p)
	}
	for k, unit := range []float64{1e5, 1e5, 1}[:len(p)] {
		if digits := p[k] * unit; math.Abs(digits-math.Round(digits)) > 1e-6 || p[k] == 0 && math.Signbit(p[k]) {
			t.Errorf("position %v has digits that mean nothing", p)
		}
	}
}

// Sections 3.1.4 (two or more positions) and 3.1.9 (no part crosses the
// antimeridian: no step of more than half a turn).
func checkLine(t *testing.T, line [][]float64) {
	t.Helper()
	if len(line) < 2 {
		t.Fatalf("a line of %d positions", len(line))
	}
	for k, p := range line {
		checkPosition(t, p)
		if k > 0 && math.Abs(p[0]-line[k-1][0]) > 180 {
			t.Fatalf("a line crosses the antimeridian from %v to %v", line[k-1], p)
		}
	}
}

// Section 3.1.6: closed, four or more positions, the outer ring counterclockwise.
func checkPolygon(t *testing.T, rings [][][]float64) {
	t.Helper()
	if len(rings) != 1 {
		t.Fatalf("%d rings", len(rings))
	}
	ring := rings[0]
	checkLine(t, ring)
	if len(ring) < 4 || !slices.Equal(ring[0], ring[len(ring)-1]) {
		t.Fatalf("a ring of %d positions from %v to %v", len(ring), ring[0], ring[len(ring)-1])
	}
	if area := areaDeg2(ring); area <= 0 {
		t.Errorf("a ring with the area %v runs clockwise", area)
	}
}

func areaDeg2(ring [][]float64) float64 {
	area := 0.0
	for k := 1; k < len(ring); k++ {
		area += (ring[k-1][0] - ring[0][0]) * (ring[k][1] - ring[0][1])
		area -= (ring[k][0] - ring[0][0]) * (ring[k-1][1] - ring[0][1])
	}
	return area / 2
}

// drifted is an assessment of a plume that goes east from a longitude.
func drifted(longitudeDeg, stepDeg float64) seedability.Assessment {
	score, temperatureK := 71.0, 262.0
	a := seedability.Assessment{Programme: "larkspur", ReleaseTime: time.Date(2026, 1, 14, 8, 0, 0, 0, time.UTC),
		Site:  seedability.SiteRef{ID: "tin-kettle", Name: "Tin Kettle Flat", LatitudeDeg: 44, LongitudeDeg: longitudeDeg, AltitudeM: 1330.4},
		Score: seedability.Score{Value: &score}, State: seedability.StateWindow}
	for k := range 5 {
		step := seedability.PathStep{Minutes: float64(10 * k), LatitudeDeg: 44 + .01*float64(k), LongitudeDeg: grid.NormalLongitudeDeg(longitudeDeg + stepDeg*float64(k)), AltitudeM: 1300 + 200*float64(k)}
		if k != 2 {
			step.AirTemperatureK = &temperatureK
		}
		a.Path = append(a.Path, step)
	}
	end := a.Path[4]
	a.Transport = seedability.Transport{
		Activation:     &seedability.Event{LatitudeDeg: a.Path[1].LatitudeDeg, LongitudeDeg: a.Path[1].LongitudeDeg, AltitudeM: 1500},
		Landing:        &seedability.Event{LatitudeDeg: end.LatitudeDeg, LongitudeDeg: end.LongitudeDeg, AltitudeM: 2100},
		LandingEllipse: &seedability.Ellipse{LatitudeDeg: end.LatitudeDeg, LongitudeDeg: end.LongitudeDeg, SemiMajorM: 5000, SemiMinorM: 2000, MajorAxisDeg: 80},
	}
	return a
}

func TestGeoJSON(t *testing.T) {
	b, err := GeoJSON(drifted(-114.8, .1))
	if err != nil {
		t.Fatal(err)
	}
	features := readCollection(t, b)
	for id, kind := range map[string]string{"site": "Point", "path": "LineString", "activation": "Point", "landing": "Point", "landing-ellipse": "Polygon"} {
		if features[id].Geometry.Type != kind {
			t.Errorf("%s: %q, want %q", id, features[id].Geometry.Type, kind)
		}
	}
	line := coordinatesOf[[][]float64](t, features["path"])
	if got, want := fmt.Sprint(line), "[[-114.8 44 1300] [-114.7 44.01 1500] [-114.6 44.02 1700] [-114.5 44.03 1900] [-114.4 44.04 2100]]"; got != want {
		t.Errorf("path %s, want %s", got, want)
	}
	if got, want := fmt.Sprint(features["path"].Properties["minutes"], features["path"].Properties["air_temperature_k"]), "[0 10 20 30 40] [262 262 <nil> 262 262]"; got != want {
		t.Errorf("along the path %s, want %s", got, want)
	}
	ring, reach := coordinatesOf[[][][]float64](t, features["landing-ellipse"])[0], 0.0
	for _, p := range ring {
		reach = math.Max(reach, grid.DistanceM(grid.LatLon{LatitudeDeg: 44.04, LongitudeDeg: -114.4}, grid.LatLon{LatitudeDeg: p[1], LongitudeDeg: p[0]}))
	}
	if math.Abs(reach-5000) > 50 {
		t.Errorf("the ellipse reaches %.0f m, want its semi-major axis 5000 m", reach)
	}
	// Area of an ellipse: pi a b. A degree of latitude is pi/180 of the earth's
	// radius, one of longitude the cosine of the latitude of that; a polygon of 48
	// corners covers sin(7.5°)/7.5° of it, 0.3 % less.
	degreeM := grid.EarthRadiusM * math.Pi / 180
	area := areaDeg2(ring) * degreeM * degreeM * math.Cos(44.04*math.Pi/180)
	if want := math.Pi * 5000 * 2000; math.Abs(area/want-1) > .005 {
		t.Errorf("the ellipse has %.0f m², want %.0f", area, want)
	}
}

// Section 3.1.9: the same plume, moved to the antimeridian, in parts.
func TestGeoJSONAcrossTheAntimeridian(t *testing.T) {
	b, err := GeoJSON(drifted(179.85, .1))
	if err != nil {
		t.Fatal(err)
	}
	features := readCollection(t, b)
	path := features["path"]
	if path.Geometry.Type != "MultiLineString" {
		t.Fatalf("the path is a %s", path.Geometry.Type)
	}
	if got, want := fmt.Sprint(coordinatesOf[[][][]float64](t, path)), "[[[179.85 44 1300] [179.95 44.01 1500] [180 44.015 1600]] [[-180 44.015 1600] [-179.95 44.02 1700] [-179.85 44.03 1900] [-179.75 44.04 2100]]]"; got != want {
		t.Errorf("path %s, want %s", got, want)
	}
	if got, want := fmt.Sprint(path.Properties["minutes"], path.Properties["air_temperature_k"]), "[[0 10 15] [15 20 30 40]] [[262 262 <nil>] [<nil> <nil> 262 262]]"; got != want {
		t.Errorf("along the path %s, want %s", got, want)
	}
	// An ellipse whose centre lies on the antimeridian is halved.
	a := drifted(179.6, .1)
	if b, err = GeoJSON(a); err != nil {
		t.Fatal(err)
	}
	ellipse := readCollection(t, b)["landing-ellipse"]
	if ellipse.Geometry.Type != "MultiPolygon" {
		t.Fatalf("the ellipse is a %s", ellipse.Geometry.Type)
	}
	polygons := coordinatesOf[[][][][]float64](t, ellipse)
	if len(polygons) != 2 {
		t.Fatalf("%d polygons", len(polygons))
	}
	west, east := areaDeg2(polygons[0][0]), areaDeg2(polygons[1][0])
	if math.Abs(west/east-1) > .01 {
		t.Errorf("areas %v and %v, want halves", west, east)
	}
	for k, side := range []float64{1, -1} {
		onCut := map[float64]bool{}
		for _, p := range polygons[k][0] {
			if p[0]*side < 0 {
				t.Errorf("polygon %d holds %v", k+1, p)
			}
			if p[0]*side == 180 {
				onCut[p[1]] = true
			}
		}
		if len(onCut) != 2 {
			t.Errorf("polygon %d has corners on the antimeridian at the latitudes %v, want two", k+1, onCut)
		}
	}
}

// Any line keeps its vertices and its length, in parts that do not cross; any
// ellipse keeps its area.
func TestCutsLoseNothing(t *testing.T) {
	random := rand.New(rand.NewPCG(180, 2026))
	cuts := 0
	for range 3000 {
		places := []grid.LatLon{{LatitudeDeg: 10, LongitudeDeg: []float64{180, -180, 179.5, -179.9, 0, 350}[random.IntN(6)]}}
		for len(places) < 2+random.IntN(12) {
			last := places[len(places)-1]
			step := []float64{0, .25, -.25, .5, -.5, .1, 90, -100}[random.IntN(8)]
			places = append(places, grid.LatLon{LatitudeDeg: 10 + random.Float64(), LongitudeDeg: grid.NormalLongitudeDeg(last.LongitudeDeg + step)})
		}
		want, got, seen := 0.0, 0.0, map[float64]bool{}
		for k := 1; k < len(places); k++ {
			want += math.Abs(grid.NormalLongitudeDeg(places[k].LongitudeDeg - places[k-1].LongitudeDeg))
		}
		parts := cutLine(places)
		cuts += len(parts) - 1
		for i, part := range parts {
			if len(part) < 2 {
				t.Fatalf("%v: part %v", places, part)
			}
			for k, p := range part {
				if math.Abs(p.longitudeDeg) > 180 || k > 0 && math.Abs(p.longitudeDeg-part[k-1].longitudeDeg) > 180 {
					t.Fatalf("%v: part %v", places, part)
				}
				if k > 0 {
					got += math.Abs(p.longitudeDeg - part[k-1].longitudeDeg)
				}
				if p.at == math.Trunc(p.at) {
					seen[p.at] = true
				}
			}
			if i > 0 {
				if before, after := parts[i-1][len(parts[i-1])-1], part[0]; before.latitudeDeg != after.latitudeDeg || math.Abs(before.longitudeDeg) != 180 || after.longitudeDeg != -before.longitudeDeg {
					t.Fatalf("%v: cut from %v to %v", places, before, after)
				}
			}
		}
		if math.Abs(got-want) > 1e-9 || len(seen) != len(places) {
			t.Fatalf("%v: %v degrees long with %d vertices, in parts %v with %d", places, want, len(places), got, len(seen))
		}
	}
	if cuts < 1000 {
		t.Errorf("%d cuts: the test says little", cuts)
	}
	areaOf := func(longitudeDeg float64) (area float64, parts int) {
		var ring []grid.LatLon
		for k := range 12 {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / 12)
			ring = append(ring, grid.LatLon{LatitudeDeg: 10 + sin, LongitudeDeg: grid.NormalLongitudeDeg(longitudeDeg + 2*cos)})
		}
		rings, err := cutRing(append(ring, ring[0]))
		if err != nil {
			t.Fatal(err)
		}
		for _, r := range rings {
			var positions [][]float64
			for _, p := range r {
				if math.Abs(p.LongitudeDeg) > 180 {
					t.Fatalf("%v", p)
				}
				positions = append(positions, []float64{p.LongitudeDeg, p.LatitudeDeg})
			}
			area += areaDeg2(positions)
		}
		return area, len(rings)
	}
	whole, _ := areaOf(0)
	for longitude := 176.0; longitude < 184; longitude += .0625 {
		area, parts := areaOf(longitude)
		if want := 1 + map[bool]int{true: 1}[math.Abs(longitude-180) < 2]; parts != want || math.Abs(area/whole-1) > 1e-9 {
			t.Errorf("about %v: area %v in %d parts, want %v in %d", longitude, area, parts, whole, want)
		}
	}
}

func TestGeoJSONRefusesNoPlace(t *testing.T) {
	for name, change := range map[string]func(*seedability.Assessment){
		"site":            func(a *seedability.Assessment) { a.Site.LatitudeDeg = math.NaN() },
		"path":            func(a *seedability.Assessment) { a.Path[2].LongitudeDeg = math.Inf(1) },
		"landing":         func(a *seedability.Assessment) { a.Transport.Landing.LatitudeDeg = 91 },
		"landing ellipse": func(a *seedability.Assessment) { a.Transport.LandingEllipse.SemiMajorM = math.NaN() },
	} {
		a := drifted(-114.8, .1)
		change(&a)
		if _, err := GeoJSON(a); err == nil || !strings.HasPrefix(err.Error(), name) {
			t.Errorf("%s: %v", name, err)
		}
	}
	// An altitude that is not known is left out, the place is not.
	a := drifted(-114.8, .1)
	a.Site.AltitudeM = math.NaN()
	b, err := GeoJSON(a)
	if err != nil {
		t.Fatal(err)
	}
	if p := coordinatesOf[[]float64](t, readCollection(t, b)["site"]); len(p) != 2 {
		t.Errorf("position %v", p)
	}
	around := []grid.LatLon{{LatitudeDeg: 85}, {LatitudeDeg: 85, LongitudeDeg: 120}, {LatitudeDeg: 85, LongitudeDeg: -120}, {LatitudeDeg: 85}}
	if _, err := cutRing(around); err != errPole {
		t.Errorf("a ring about the pole: %v", err)
	}
	if _, _, err := ellipsePolygon(seedability.Ellipse{LatitudeDeg: 89.9, SemiMajorM: 50e3, SemiMinorM: 50e3}); err == nil {
		t.Error("an ellipse about the pole was written")
	}
}

func TestOutlookGeoJSON(t *testing.T) {
	at := func(hour, minute int) time.Time { return time.Date(2026, 1, 14, hour, minute, 0, 0, time.UTC) }
	later := 12.0
	window := seedability.Window{Start: at(14, 10), Best: at(14, 45), End: at(15, 25), PeakScore: 78, Confidence: .71,
		Targets: []seedability.WindowTarget{{ID: "quill", Name: "Quill Creek", Probability: .8}}, Moved: &seedability.Move{BestMinutes: &later, SinceRun: at(11, 0)}}
	gone := seedability.Window{Start: at(18, 0), Best: at(18, 30), End: at(19, 0), Targets: []seedability.WindowTarget{}}
	o := seedability.Outlook{Programme: "larkspur", Site: seedability.SiteRef{ID: "tin-kettle", Name: "Tin Kettle Flat", LatitudeDeg: 44, LongitudeDeg: -114.8, AltitudeM: 1330},
		IssuedAt: at(12, 5), From: at(12, 5), To: at(20, 0), SinceRun: at(11, 0), Windows: []seedability.Window{window, window}, Gone: []seedability.Window{gone},
		Standing: &seedability.Standing{State: seedability.StateBuilding, Since: at(10, 0)}}
	b, err := OutlookGeoJSON(o)
	if err != nil {
		t.Fatal(err)
	}
	features := readCollection(t, b)
	if len(features) != 4 {
		t.Fatalf("%d features", len(features))
	}
	for id, want := range map[string]map[string]any{
		"site":     {"feature": "site", "name": "Tin Kettle Flat", "from": "2026-01-14T12:05:00Z", "to": "2026-01-14T20:00:00Z"},
		"window-1": {"feature": "window", "start": "2026-01-14T14:10:00Z", "best": "2026-01-14T14:45:00Z", "end": "2026-01-14T15:25:00Z", "peak_score": 78., "confidence": .71, "starts_before": false},
		"window-2": {"feature": "window", "site": "tin-kettle", "programme": "larkspur", "issued_at": "2026-01-14T12:05:00Z"},
		"gone-1":   {"feature": "gone", "start": "2026-01-14T18:00:00Z"},
	} {
		f := features[id]
		if got := fmt.Sprint(coordinatesOf[[]float64](t, f)); got != "[-114.8 44 1330]" {
			t.Errorf("%s at %s", id, got)
		}
		for name, value := range want {
			if f.Properties[name] != value {
				t.Errorf("%s: %s is %v, want %v", id, name, f.Properties[name], value)
			}
		}
	}
	if state := features["site"].Properties["standing"].(map[string]any)["state"]; state != "building" {
		t.Errorf("standing %v", state)
	}
	if moved := features["window-1"].Properties["moved"].(map[string]any); moved["best_minutes"] != 12. || moved["since_run"] != "2026-01-14T11:00:00Z" {
		t.Errorf("moved %v", moved)
	}
	o.Site.LongitudeDeg = math.NaN()
	if _, err := OutlookGeoJSON(o); err == nil {
		t.Error("an outlook at no place was written")
	}
}
