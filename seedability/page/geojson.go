package page

import (
	"encoding/json"
	"fmt"
	"math"

	"rimeline/grid"
	"rimeline/seedability"
)

// The GeoJSON objects of RFC 7946 that a drift path needs. Positions are
// [longitude, latitude, altitude in metres above the geoid].
type featureCollection struct {
	Type     string    `json:"type"`
	Features []feature `json:"features"`
}

type feature struct {
	Type       string         `json:"type"`
	ID         string         `json:"id"`
	Geometry   geometry       `json:"geometry"`
	Properties map[string]any `json:"properties"`
}

type geometry struct {
	Type        string `json:"type"`
	Coordinates any    `json:"coordinates"`
}

// position rounds to about a metre (RFC 7946, section 11.2: no more digits than
// are known). An altitude that is not known is left out.
func position(latitudeDeg, longitudeDeg float64, altitudeM ...float64) []float64 {
	p := []float64{roundDigits(longitudeDeg), roundDigits(latitudeDeg)}
	for _, a := range altitudeM {
		if !math.IsNaN(a) && !math.IsInf(a, 0) {
			p = append(p, math.Round(a)+0)
		}
	}
	return p
}

// roundDigits never gives a negative zero.
func roundDigits(deg float64) float64 { return math.Round(deg*1e5)/1e5 + 0 }

// checkPlace: JSON has no numbers beyond the finite, GeoJSON no places beyond
// the poles.
func checkPlace(what string, latitudeDeg, longitudeDeg float64) error {
	if !(math.Abs(latitudeDeg) <= 90) || !(math.Abs(longitudeDeg) <= 360) {
		return fmt.Errorf("%s: latitude %v, longitude %v is no place", what, latitudeDeg, longitudeDeg)
	}
	return nil
}

// pointAt is the position of a point, its longitude within -180..180.
func pointAt(latitudeDeg, longitudeDeg, altitudeM float64) []float64 {
	if math.Abs(longitudeDeg) > 180 {
		longitudeDeg = grid.NormalLongitudeDeg(longitudeDeg)
	}
	return position(latitudeDeg, longitudeDeg, altitudeM)
}

// GeoJSON writes the drift path of an assessment as a FeatureCollection of RFC
// 7946: the site, the ensemble-mean path with a time for each vertex, where the
// plume activates, where it lands, and the ellipse of the landings. A path or
// ellipse across the antimeridian is cut there (section 3.1.9) and becomes a
// MultiLineString, of which the properties have a list for each part, or a
// MultiPolygon. The error is set where a place is none.
func GeoJSON(a seedability.Assessment) ([]byte, error) {
	collection := featureCollection{Type: "FeatureCollection"}
	add := func(id, kind string, coordinates any, properties map[string]any) {
		properties["programme"], properties["site"] = a.Programme, a.Site.ID
		properties["release_time"] = a.ReleaseTime
		collection.Features = append(collection.Features, feature{"Feature", id, geometry{kind, coordinates}, properties})
	}
	if err := checkPlace("site", a.Site.LatitudeDeg, a.Site.LongitudeDeg); err != nil {
		return nil, err
	}
	site := map[string]any{"name": a.Site.Name, "state": a.State, "score": a.Score.Value, "confidence": a.Confidence.Value}
	if a.Standing != nil {
		site["standing"] = a.Standing
	}
	add("site", "Point", pointAt(a.Site.LatitudeDeg, a.Site.LongitudeDeg, a.Site.AltitudeM), site)
	if len(a.Path) > 1 {
		kind, coordinates, properties, err := pathLine(a.Path)
		if err != nil {
			return nil, err
		}
		add("path", kind, coordinates, properties)
	}
	for _, event := range []struct {
		id      string
		event   *seedability.Event
		minutes seedability.Quantiles
	}{{"activation", a.Transport.Activation, a.Transport.ActivationMinutes}, {"landing", a.Transport.Landing, a.Transport.LandingMinutes}} {
		e := event.event
		if e == nil {
			continue
		}
		if err := checkPlace(event.id, e.LatitudeDeg, e.LongitudeDeg); err != nil {
			return nil, err
		}
		add(event.id, "Point", pointAt(e.LatitudeDeg, e.LongitudeDeg, e.AltitudeM), map[string]any{
			"minutes": event.minutes, "air_temperature_k": e.AirTemperatureK, "distance_m": math.Round(e.DistanceM), "bearing_deg": math.Round(e.BearingDeg),
		})
	}
	if e := a.Transport.LandingEllipse; e != nil {
		kind, coordinates, err := ellipsePolygon(*e)
		if err != nil {
			return nil, err
		}
		add("landing-ellipse", kind, coordinates, map[string]any{
			"semi_major_m": math.Round(e.SemiMajorM), "semi_minor_m": math.Round(e.SemiMinorM), "targets": a.Transport.Targets,
		})
	}
	return json.MarshalIndent(collection, "", "  ")
}

// pathLine is the mean path, with what is known at each of its vertices.
func pathLine(path []seedability.PathStep) (kind string, coordinates any, properties map[string]any, err error) {
	places := make([]grid.LatLon, len(path))
	for k, step := range path {
		if err := checkPlace(fmt.Sprintf("path after %g min", step.Minutes), step.LatitudeDeg, step.LongitudeDeg); err != nil {
			return "", nil, nil, err
		}
		places[k] = grid.LatLon{LatitudeDeg: step.LatitudeDeg, LongitudeDeg: step.LongitudeDeg}
	}
	var lines [][][]float64
	var minutes, temperaturesK, liquids [][]any
	for _, part := range cutLine(places) {
		var line [][]float64
		var m, t, l []any
		for _, point := range part {
			k := min(int(point.at), len(path)-1)
			here, next, share := &path[k], &path[min(k+1, len(path)-1)], point.at-float64(k)
			line = append(line, position(point.latitudeDeg, point.longitudeDeg, between(here.AltitudeM, next.AltitudeM, share)))
			m = append(m, between(here.Minutes, next.Minutes, share))
			t = append(t, betweenKnown(here.AirTemperatureK, next.AirTemperatureK, share))
			l = append(l, betweenKnown(here.LiquidKgPerM3, next.LiquidKgPerM3, share))
		}
		lines, minutes, temperaturesK, liquids = append(lines, line), append(minutes, m), append(temperaturesK, t), append(liquids, l)
	}
	if len(lines) == 1 {
		return "LineString", lines[0], map[string]any{"minutes": minutes[0], "air_temperature_k": temperaturesK[0], "cloud_liquid_kg_per_m3": liquids[0]}, nil
	}
	return "MultiLineString", lines, map[string]any{"minutes": minutes, "air_temperature_k": temperaturesK, "cloud_liquid_kg_per_m3": liquids}, nil
}

// between two values, to a thousandth; exactly the first where share is zero.
func between(a, b, share float64) float64 {
	if share == 0 {
		return a
	}
	return math.Round((a+(b-a)*share)*1000) / 1000
}

func betweenKnown(a, b *float64, share float64) *float64 {
	if share == 0 {
		return a
	}
	if a == nil || b == nil {
		return nil
	}
	value := *a + (*b-*a)*share
	return &value
}

// ellipsePolygon is the ellipse of one standard deviation as closed,
// counterclockwise rings (RFC 7946, section 3.1.6).
func ellipsePolygon(e seedability.Ellipse) (kind string, coordinates any, err error) {
	const n = 48
	if err := checkPlace("landing ellipse", e.LatitudeDeg, e.LongitudeDeg); err != nil {
		return "", nil, err
	}
	centre := grid.LatLon{LatitudeDeg: e.LatitudeDeg, LongitudeDeg: e.LongitudeDeg}
	axis := e.MajorAxisDeg * math.Pi / 180
	outline := make([]grid.LatLon, 0, n+1)
	for k := range n {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / n)
		major, minor := e.SemiMajorM*cos/1000, e.SemiMinorM*sin/1000
		east := major*math.Sin(axis) - minor*math.Cos(axis)
		north := major*math.Cos(axis) + minor*math.Sin(axis)
		p := placeAt(centre, east, north)
		if err := checkPlace("landing ellipse", p.LatitudeDeg, p.LongitudeDeg); err != nil {
			return "", nil, err
		}
		outline = append(outline, p)
	}
	rings, err := cutRing(append(outline, outline[0]))
	if err != nil {
		return "", nil, fmt.Errorf("landing ellipse: %w", err)
	}
	var polygons [][][][]float64
	for _, ring := range rings {
		var positions [][]float64
		for _, p := range ring {
			positions = append(positions, position(p.LatitudeDeg, p.LongitudeDeg))
		}
		polygons = append(polygons, [][][]float64{positions})
	}
	if len(polygons) == 1 {
		return "Polygon", polygons[0], nil
	}
	return "MultiPolygon", polygons, nil
}

// OutlookGeoJSON writes an outlook as a FeatureCollection of points at the site:
// the site with its standing, each window (ids window-1, window-2, ...) and each
// window that is gone (gone-1, ...), with their times as properties.
func OutlookGeoJSON(o seedability.Outlook) ([]byte, error) {
	if err := checkPlace("site", o.Site.LatitudeDeg, o.Site.LongitudeDeg); err != nil {
		return nil, err
	}
	collection := featureCollection{Type: "FeatureCollection"}
	add := func(id, kind string, properties map[string]any) {
		properties["feature"], properties["programme"], properties["site"], properties["issued_at"] = kind, o.Programme, o.Site.ID, o.IssuedAt
		at := pointAt(o.Site.LatitudeDeg, o.Site.LongitudeDeg, o.Site.AltitudeM)
		collection.Features = append(collection.Features, feature{"Feature", id, geometry{"Point", at}, properties})
	}
	site := map[string]any{"name": o.Site.Name, "from": o.From, "to": o.To, "text": o.Sentences()}
	if !o.ModelReferenceTime.IsZero() {
		site["model_reference_time"] = o.ModelReferenceTime
	}
	if o.Standing != nil {
		site["standing"] = o.Standing
	}
	add("site", "site", site)
	for _, list := range []struct {
		kind    string
		windows []seedability.Window
	}{{"window", o.Windows}, {"gone", o.Gone}} {
		for k, w := range list.windows {
			properties := map[string]any{
				"start": w.Start, "best": w.Best, "end": w.End, "starts_before": w.StartsBefore, "ends_after": w.EndsAfter,
				"peak_score": w.PeakScore, "confidence": w.Confidence, "targets": w.Targets, "releases": w.Releases, "new": w.New,
			}
			if w.Moved != nil {
				properties["moved"] = w.Moved
			}
			add(fmt.Sprintf("%s-%d", list.kind, k+1), list.kind, properties)
		}
	}
	return json.MarshalIndent(collection, "", "  ")
}
