package hold

import (
	"math"
	"math/rand/v2"
	"strings"
	"testing"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
)

const warningsOnly = `
  - {id: alarms, kind: warning, preset: public-warnings, sites: [hut]}
`

// flood is a flash flood warning over the hut.
func flood() Warning {
	return Warning{ID: "w1", Feed: "nws", Event: "Flash Flood Warning", Codes: []string{"FFW"}, VTEC: []VTEC{{Action: "NEW", Phenomenon: "FF", Significance: "W"}},
		Status: "Actual", Message: "Alert", Sent: ago(time.Hour), Onset: ago(time.Hour), Ends: noon.Add(3 * time.Hour), Expires: noon.Add(3 * time.Hour),
		Areas: []Area{{Polygons: square(-114.8, 44, .05), Zones: []string{"IDC999"}}}}
}

// Where a warning lies to the hut (44 N, 114.8 W), to the targets basin (43.9 to
// 44.1 N, 114.6 to 114.4 W) and ridge (44.2 to 44.3 N, 114.4 to 114.3 W), and to
// the path due east from the hut to 114.5 W, whose half width grows to 2 km
// (.018 degrees of latitude; the wider end counts for the whole of a segment).
func TestWarningAreas(t *testing.T) {
	p := parse(t, warningsOnly)
	pathOnly := parse(t, `
  - {id: alarms, kind: warning, preset: public-warnings, sites: [hut], near: [path]}
`)
	targetOnly := parse(t, `
  - {id: alarms, kind: warning, preset: public-warnings, sites: [hut], near: [target]}
`)
	wide := parse(t, `
  - {id: alarms, kind: warning, preset: public-warnings, sites: [hut], near: [site], near_km: 10}
`)
	zoned := func(zones ...string) []Area { return []Area{{Zones: zones}} }
	shaped := func(shape *geom.MultiPolygon) []Area { return []Area{{Polygons: shape}} }
	lines := func(rings ...[]geom.Coord) []Area {
		return []Area{{Polygons: geom.NewMultiPolygon(geom.XY).MustSetCoords([][][]geom.Coord{rings})}}
	}
	for _, test := range []struct {
		name  string
		p     string
		areas []Area
		want  Outcome
		says  string
	}{
		{"over the site", "", shaped(square(-114.8, 44, .01)), Held, "covers the site hut"},
		{"west of the site", "", shaped(square(-114.9, 44, .05)), Clear, ""},
		{"site in a hole", "", shaped(square(-114.8, 44, .1, [3]float64{-114.8, 44, .09})), Held, "path"},
		{"site in a hole, path not looked at", "wide", shaped(square(-114.8, 44, 1, [3]float64{-114.8, 44, .5})), Clear, ""},
		{"all in a hole", "", shaped(square(-114.5, 44, 3, [3]float64{-114.5, 44, 2})), Clear, ""},
		{"a target in a hole, the other not", "target", shaped(square(-114.5, 44, 3, [3]float64{-114.5, 44, .15})), Held, "target ridge"},
		{"second of two polygons", "", shaped(geom.NewMultiPolygon(geom.XY).MustSetCoords([][][]geom.Coord{square(-110, 40, .1).Coords()[0], square(-114.35, 44.25, .01).Coords()[0]})), Held, "target ridge"},
		{"two polygons elsewhere", "", shaped(geom.NewMultiPolygon(geom.XY).MustSetCoords([][][]geom.Coord{square(-110, 40, .1).Coords()[0], square(-112, 44.25, .01).Coords()[0]})), Clear, ""},
		{"round the whole of it", "", shaped(square(-114.5, 44, 3)), Held, "site"},
		{"inside a target", "target", shaped(square(-114.45, 44.05, .001)), Held, "target basin"},
		{"a target inside it", "target", shaped(square(-114.35, 44.25, .2)), Held, "target"},
		{"cuts the corner of a target", "target", lines([]geom.Coord{{-114.43, 44.12}, {-114.38, 44.07}, {-114.38, 44.12}, {-114.43, 44.12}}), Held, "target basin"},
		{"passes the corner of a target", "target", lines([]geom.Coord{{-114.41, 44.12}, {-114.38, 44.105}, {-114.38, 44.12}, {-114.41, 44.12}}), Clear, ""},
		{"crosses a target, no corner of either inside", "target", lines([]geom.Coord{{-115, 44.04}, {-114, 44.04}, {-114, 44.05}, {-115, 44.05}, {-115, 44.04}}), Held, "target basin"},
		{"a corner in the path", "path", lines([]geom.Coord{{-114.65, 44.01}, {-114.6, 44.1}, {-114.7, 44.1}, {-114.65, 44.01}}), Held, "path of the plume from hut"},
		{"a corner beside the path", "path", lines([]geom.Coord{{-114.65, 44.02}, {-114.6, 44.1}, {-114.7, 44.1}, {-114.65, 44.02}}), Clear, ""},
		{"across the path, thin", "path", lines([]geom.Coord{{-114.65, 43}, {-114.649, 43}, {-114.649, 45}, {-114.65, 45}, {-114.65, 43}}), Held, "path"},
		{"past the end of the path", "path", shaped(square(-114.42, 44, .05)), Clear, ""},
		{"ring not closed", "", lines([]geom.Coord{{-114.9, 43.9}, {-114.7, 43.9}, {-114.7, 44.1}, {-114.9, 44.1}}), Held, "site"},
		{"ring not closed, its east side missing", "target", lines([]geom.Coord{{-113, 45}, {-116, 45}, {-116, 43}, {-113, 43}}), Held, "target"},
		{"clockwise", "", lines([]geom.Coord{{-114.9, 43.9}, {-114.9, 44.1}, {-114.7, 44.1}, {-114.7, 43.9}, {-114.9, 43.9}}), Held, "site"},
		{"wound twice", "", lines([]geom.Coord{{-114.9, 43.9}, {-114.7, 43.9}, {-114.7, 44.1}, {-114.9, 44.1}, {-114.9, 43.9}, {-114.7, 43.9}, {-114.7, 44.1}, {-114.9, 44.1}, {-114.9, 43.9}}), Held, "site"},
		{"a circle over the site", "", []Area{{Circles: []Circle{{grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.9}, 8100}}}}, Held, "site"},
		{"a circle beside the site", "", []Area{{Circles: []Circle{{grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.9}, 5500}}}}, Clear, ""},
		{"a point in the target", "target", []Area{{Circles: []Circle{{grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, 0}}}}, Held, "basin"},
		// .1 degrees of longitude are 8.0 km there.
		{"within 10 km", "wide", shaped(square(-114.95, 44, .05)), Held, "site"},
		{"not within 10 km", "wide", shaped(square(-115, 44, .05)), Clear, ""},
		{"no area at all", "", nil, Unknown, "it has no area"},
		{"an empty area", "", []Area{{}}, Unknown, "neither a polygon nor zones"},
		{"polygon of two points", "", lines([]geom.Coord{{-114, 44}, {-113, 44}}), Unknown, "is no area"},
		{"zone of the site", "", zoned("IDZ901"), Held, "for IDZ901, in which site hut lies"},
		{"zone of the site, lower case", "", zoned(" idz901"), Held, ""},
		{"zone of the target", "", zoned("IDZ902"), Held, "target"},
		{"other zones", "", zoned("IDZ903", "MTZ901"), Clear, ""},
		{"other county", "", zoned("IDC902"), Clear, ""},
		{"county, six digits", "", zoned("016901"), Held, ""},
		{"county, five digits", "", zoned("16901"), Held, ""},
		{"part of the county", "", zoned("316901"), Held, ""},
		{"all of the state", "", zoned("016000"), Held, ""},
		{"other state", "", zoned("030901"), Clear, ""},
		{"zones of a kind that is not listed", "", zoned("AT07"), Unknown, "lists none of their kind"},
		{"polygon away, zone here: the polygon counts", "", []Area{{Polygons: square(-110, 44, .1), Zones: []string{"IDZ901"}}}, Clear, ""},
		{"one area away, one here", "", []Area{{Polygons: square(-110, 44, .1)}, {Zones: []string{"IDZ901"}}}, Held, ""},
	} {
		t.Run(test.name, func(t *testing.T) {
			e := quiet()
			w := flood()
			w.Areas = test.areas
			e.Warnings = []Warning{w}
			programme := p
			switch test.p {
			case "path":
				programme = pathOnly
			case "target":
				programme = targetOnly
			case "wide":
				programme = wide
			}
			if r := of(t, Judge(programme, e, nil), "alarms"); r.Outcome != test.want || !strings.Contains(r.Reason, test.says) {
				t.Errorf("%s: %s\nwant %s: %s", r.Outcome, r.Reason, test.want, test.says)
			}
		})
	}
}

// Across the antimeridian areas go on without a jump.
func TestAreaAcrossAntimeridian(t *testing.T) {
	at := grid.LatLon{LatitudeDeg: 52, LongitudeDeg: 179.9}
	for name, area := range map[string]*geom.MultiPolygon{"folded": geom.NewMultiPolygon(geom.XY).MustSetCoords([][][]geom.Coord{{{{179, 51}, {-179, 51}, {-179, 53}, {179, 53}, {179, 51}}}}),
		"unfolded": square(180, 52, 1)} {
		a, ok := planeAt(at).area(&Area{Polygons: area})
		if !ok || !a.nearSegment(point{}, point{}, 1) {
			t.Errorf("%s: does not hold the place", name)
		}
		b, _ := planeAt(grid.LatLon{LatitudeDeg: 52, LongitudeDeg: -178.9}).area(&Area{Polygons: area})
		if b.nearSegment(point{}, point{}, 1) {
			t.Errorf("%s: holds a place outside", name)
		}
	}
}

// The short way by bounding boxes gives what the long way does.
func TestBoxesChangeNothing(t *testing.T) {
	p := parse(t, warningsOnly)
	random := rand.New(rand.NewPCG(1, 2))
	seen := map[nearness]int{}
	for range 3000 {
		e := quiet()
		if random.IntN(3) == 0 {
			e.Paths = nil
		}
		w := flood()
		ring := make([]geom.Coord, 3+random.IntN(5))
		lon, lat, size := -114.6+4*random.NormFloat64(), 44+3*random.NormFloat64(), math.Exp(random.NormFloat64()-1)
		for k := range ring {
			ring[k] = geom.Coord{lon + size*random.NormFloat64(), lat + size*random.NormFloat64()}
		}
		w.Areas = []Area{{Polygons: geom.NewMultiPolygon(geom.XY).MustSetCoords([][][]geom.Coord{{ring}})}}
		e.Warnings = []Warning{w}
		j := &judge{p: p, e: e}
		place := j.placeOf(&p.Holds[0], &p.Sites[0])
		one := j.activeOf(&p.Holds[0])[0]
		short, _ := place.near(&one)
		one.boxes = make([]*box, 1)
		if long, _ := place.near(&one); long != short {
			t.Fatalf("%v: %v by boxes, %v without", ring, short, long)
		}
		seen[short]++
	}
	if len(seen) != 3 {
		t.Errorf("not all cases came up: %v", seen)
	}
}

// What a warning does, when it counts, and what replaces it.
func TestWarningRules(t *testing.T) {
	p := parse(t, warningsOnly)
	own := parse(t, `
  - {id: alarms, kind: warning, preset: public-warnings, sites: [hut], info_events: ["FF.W"], hold_events: ["Dust Storm Warning"], feeds: [nws, cap]}
`)
	event := func(name string, codes []string, vtec ...string) func(w *Warning) {
		return func(w *Warning) {
			w.Event, w.Codes, w.VTEC = name, codes, nil
			for _, v := range vtec {
				w.VTEC = append(w.VTEC, VTEC{Action: "NEW", Phenomenon: v[:2], Significance: v[3:]})
			}
		}
	}
	for _, test := range []struct {
		name   string
		change func(w *Warning)
		more   func(e *Evidence)
		want   Outcome
		says   string
	}{
		{"as it is", func(w *Warning) {}, nil, Held, "Flash Flood Warning (FF.W) until 2026-01-14 22:00 UTC covers the site hut"},
		{"VTEC before code and name", event("Wind Advisory", []string{"FLA"}, "FL.W"), nil, Held, "FL.W"},
		{"code before name", event("Wind Advisory", []string{"EVI"}), nil, Held, "EVI"},
		{"unknown code, name", event("evacuation  immediate", []string{"XYZ"}), nil, Held, ""},
		// Combinations as api.weather.gov gave them: west of the United States,
		// 2025-12-15 21:55 UTC, and New Mexico, 2023-09-13.
		{"river flood that goes on", event("Flood Warning", []string{"FLS", "FLW"}, "FL.W"), nil, Held, "FL.W"},
		{"the same by radio code alone", event("Flood Warning", []string{"FLS"}), nil, Held, "Flood Warning"},
		{"flash flood that goes on", event("Flash Flood Warning", []string{"FFS", "FFW"}, "FF.W"), nil, Held, ""},
		{"areal flood", event("Flood Warning", []string{"FLW", "FAW"}, "FA.W"), nil, Held, ""},
		{"areal flood watch, whose radio code is that of flash floods", event("Flood Watch", []string{"FFA", "FAA"}, "FA.A"), nil, Review, "FA.A"},
		{"hydrologic outlook", event("Hydrologic Outlook", []string{"NWS", "ESF"}), nil, Review, "ESF"},
		{"wind advisory", event("Wind Advisory", []string{"NWS", "WIY"}), nil, Clear, ""},
		{"air quality", event("Air Quality Alert", []string{"NWS", "AQA"}), nil, Review, "does not name"},
		{"more severe of two", event("x", nil, "WS.W", "BZ.W"), nil, Held, "BZ.W"},
		{"review", event("Winter Storm Warning", nil, "WS.W"), nil, Review, ""},
		{"flood watch", event("Flood Watch", nil, "FA.A"), nil, Review, ""},
		{"flash flood watch: dam, levee or burn scar", event("Flash Flood Watch", nil, "FF.A"), nil, Held, ""},
		{"information", event("Wind Advisory", nil, "WI.Y"), nil, Clear, ""},
		{"unknown kind", event("Plague Of Frogs Warning", nil), nil, Review, "does not name"},
		{"no kind at all", event("", nil), nil, Review, ""},
		{"exercise", func(w *Warning) { w.Status = "Exercise" }, nil, Clear, ""},
		{"test", func(w *Warning) { w.Status = "Test" }, nil, Clear, ""},
		{"no status", func(w *Warning) { w.Status = "" }, nil, Held, ""},
		{"ended", func(w *Warning) { w.Ends, w.Expires = noon, noon }, nil, Clear, ""},
		{"ends in a minute", func(w *Warning) { w.Ends = noon.Add(time.Minute); w.Expires = noon }, nil, Held, ""},
		{"message expired, event goes on", func(w *Warning) { w.Expires = ago(time.Minute) }, nil, Held, ""},
		{"event over, message not", func(w *Warning) { w.Ends = ago(time.Minute) }, nil, Held, ""},
		{"no end", func(w *Warning) { w.Ends, w.Expires = time.Time{}, time.Time{} }, nil, Held, "until further notice"},
		{"ended, but a time could not be read", func(w *Warning) { w.Ends, w.Expires, w.Doubts = ago(time.Hour), ago(time.Hour), []string{"ends"} }, nil, Held, ""},
		{"away, but part of it could not be read", func(w *Warning) { w.Areas, w.Doubts = []Area{{Polygons: square(-110, 40, 1)}}, []string{"polygon 2"} }, nil, Unknown, "polygon 2"},
		{"onset within the lead", func(w *Warning) { w.Onset = noon.Add(6 * time.Hour); w.Ends = noon.Add(9 * time.Hour) }, nil, Held, "from 2026-01-15 01:00 UTC"},
		{"onset after the lead", func(w *Warning) { w.Onset = noon.Add(361 * time.Minute); w.Ends = noon.Add(9 * time.Hour) }, nil, Clear, ""},
		{"no onset", func(w *Warning) { w.Onset = time.Time{} }, nil, Held, ""},
		{"VTEC cancelled", func(w *Warning) { w.VTEC[0].Action = "CAN" }, nil, Clear, ""},
		{"VTEC continued", func(w *Warning) { w.VTEC[0].Action = "CON" }, nil, Held, ""},
		{"VTEC: one upgraded, one new", func(w *Warning) {
			w.VTEC = []VTEC{{"UPG", "BZ", "W", "KBOI", 1}, {"NEW", "WS", "W", "KBOI", 2}}
		}, nil, Review, ""},
		{"cancelled by reference", func(w *Warning) {}, func(e *Evidence) {
			e.Warnings = append(e.Warnings, Warning{ID: "w2", Status: "Actual", Message: "Cancel", Sent: ago(time.Minute), References: []string{"w1"}})
		}, Clear, ""},
		{"cancelled by a test", func(w *Warning) {}, func(e *Evidence) {
			e.Warnings = append(e.Warnings, Warning{ID: "w2", Status: "Test", Message: "Cancel", Sent: ago(time.Minute), References: []string{"w1"}})
		}, Held, ""},
		{"cancelled in the future", func(w *Warning) {}, func(e *Evidence) {
			e.Warnings = append(e.Warnings, Warning{ID: "w2", Status: "Actual", Message: "Cancel", Sent: ago(-time.Hour), References: []string{"w1"}})
		}, Held, ""},
		{"cancelled before it was sent", func(w *Warning) {}, func(e *Evidence) {
			e.Warnings = append(e.Warnings, Warning{ID: "w2", Status: "Actual", Message: "Cancel", Sent: ago(2 * time.Hour), References: []string{"w1"}})
		}, Held, ""},
		{"an error message cancels nothing", func(w *Warning) {}, func(e *Evidence) {
			e.Warnings = append(e.Warnings, Warning{ID: "w2", Status: "Actual", Message: "Error", Sent: ago(time.Minute), References: []string{"w1"}})
		}, Held, ""},
		{"updated, now elsewhere", func(w *Warning) {}, func(e *Evidence) {
			w := flood()
			w.ID, w.Message, w.Sent, w.References, w.Areas = "w2", "Update", ago(time.Minute), []string{"w1"}, []Area{{Polygons: square(-110, 40, 1)}}
			e.Warnings = append(e.Warnings, w)
		}, Clear, ""},
		{"updates that replace each other", func(w *Warning) { w.Message, w.References = "Update", []string{"w1"} }, nil, Held, ""},
		{"list missing", func(w *Warning) { w.Areas = []Area{{Polygons: square(-110, 40, 1)}} }, func(e *Evidence) { e.Feeds = nil }, Unknown, "list of warnings is missing"},
		{"list stale", func(w *Warning) { w.Areas = []Area{{Polygons: square(-110, 40, 1)}} }, func(e *Evidence) { e.Feeds[0].AsOf = ago(21 * time.Minute) }, Unknown, "21 min old, at most 20 min"},
		{"list of the future", func(w *Warning) { w.Areas = []Area{{Polygons: square(-110, 40, 1)}} }, func(e *Evidence) { e.Feeds[0].AsOf = ago(-time.Hour) }, Unknown, "future"},
		{"list has what cannot be read", func(w *Warning) { w.Areas = []Area{{Polygons: square(-110, 40, 1)}} }, func(e *Evidence) { e.Feeds[0].Unreadable = 2 }, Unknown, "2 warnings that cannot be read"},
		{"one of two lists stale", func(w *Warning) { w.Areas = []Area{{Polygons: square(-110, 40, 1)}} }, func(e *Evidence) { e.Feeds = append(e.Feeds, Feed{Name: "cap", AsOf: ago(time.Hour)}) }, Unknown, "cap"},
		{"list stale, warning known", func(w *Warning) {}, func(e *Evidence) { e.Feeds[0].AsOf = ago(time.Hour) }, Held, ""},
		{"path missing, warning in reach", func(w *Warning) { w.Areas = []Area{{Polygons: square(-113.5, 44, .1)}} }, func(e *Evidence) { e.Paths = nil }, Unknown, "path of the plume is missing"},
		{"path stale, warning in reach", func(w *Warning) { w.Areas = []Area{{Polygons: square(-113.5, 44, .1)}} }, func(e *Evidence) { e.Paths[0].Time = ago(2 * time.Hour) }, Unknown, "path of the plume is 2 h old"},
		{"path missing, warning out of reach", func(w *Warning) { w.Areas = []Area{{Polygons: square(-100, 44, .1)}} }, func(e *Evidence) { e.Paths = nil }, Clear, ""},
		{"path missing, one to be looked at in reach", func(w *Warning) {
			event("Winter Storm Warning", nil, "WS.W")(w)
			w.Areas = []Area{{Polygons: square(-113.5, 44, .1)}}
		}, func(e *Evidence) { e.Paths = nil }, Review, "may be near"},
	} {
		t.Run(test.name, func(t *testing.T) {
			e := quiet()
			w := flood()
			test.change(&w)
			e.Warnings = []Warning{w}
			if test.more != nil {
				test.more(&e)
			}
			if r := of(t, Judge(p, e, nil), "alarms"); r.Outcome != test.want || !strings.Contains(r.Reason, test.says) {
				t.Errorf("%s: %s\nwant %s: %s", r.Outcome, r.Reason, test.want, test.says)
			}
		})
	}
	e := quiet()
	e.Warnings = []Warning{flood()}
	if r := of(t, Judge(own, e, nil), "alarms"); r.Outcome != Unknown || !strings.Contains(r.Reason, "list of warnings cap is missing") {
		t.Errorf("a list that the programme names: %s: %s", r.Outcome, r.Reason)
	}
	e.Feeds = append(e.Feeds, Feed{Name: "cap", AsOf: noon})
	if r := of(t, Judge(own, e, nil), "alarms"); r.Outcome != Clear {
		t.Errorf("the programme's own lists come first: %s: %s", r.Outcome, r.Reason)
	}
	event("Dust Storm Warning", nil)(&e.Warnings[0])
	if r := of(t, Judge(own, e, nil), "alarms"); r.Outcome != Held {
		t.Errorf("the programme's own lists come first: %s: %s", r.Outcome, r.Reason)
	}
}
