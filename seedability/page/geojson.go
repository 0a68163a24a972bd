package page

import (
	"encoding/json"
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

// position rounds to a metre or so, so that the file stays readable.
func position(latitudeDeg, longitudeDeg float64, altitudeM ...float64) []float64 {
	round := func(x, unit float64) float64 { return math.Round(x/unit) * unit }
	p := []float64{roundDigits(longitudeDeg), roundDigits(latitudeDeg)}
	for _, a := range altitudeM {
		p = append(p, round(a, 1))
	}
	return p
}

func roundDigits(deg float64) float64 { return math.Round(deg*1e5) / 1e5 }

// GeoJSON writes the drift path of an assessment: the site, the ensemble-mean
// path with a time for each vertex, where the plume activates, where it lands,
// and the ellipse of the landings.
func GeoJSON(a seedability.Assessment) ([]byte, error) {
	collection := featureCollection{Type: "FeatureCollection"}
	add := func(id, kind string, coordinates any, properties map[string]any) {
		properties["programme"], properties["site"] = a.Programme, a.Site.ID
		properties["release_time"] = a.ReleaseTime
		collection.Features = append(collection.Features, feature{"Feature", id, geometry{kind, coordinates}, properties})
	}
	add("site", "Point", position(a.Site.LatitudeDeg, a.Site.LongitudeDeg, a.Site.AltitudeM), map[string]any{
		"name": a.Site.Name, "state": a.State, "score": a.Score.Value, "confidence": a.Confidence.Value,
	})
	if len(a.Path) > 1 {
		var line [][]float64
		var minutes, temperaturesK, liquids []any
		for _, step := range a.Path {
			line = append(line, position(step.LatitudeDeg, step.LongitudeDeg, step.AltitudeM))
			minutes = append(minutes, step.Minutes)
			temperaturesK = append(temperaturesK, step.AirTemperatureK)
			liquids = append(liquids, step.LiquidKgPerM3)
		}
		add("path", "LineString", line, map[string]any{
			"minutes": minutes, "air_temperature_k": temperaturesK, "cloud_liquid_kg_per_m3": liquids,
		})
	}
	event := func(id string, e *seedability.Event, minutes seedability.Quantiles) {
		if e == nil {
			return
		}
		add(id, "Point", position(e.LatitudeDeg, e.LongitudeDeg, e.AltitudeM), map[string]any{
			"minutes": minutes, "air_temperature_k": e.AirTemperatureK, "distance_m": math.Round(e.DistanceM), "bearing_deg": math.Round(e.BearingDeg),
		})
	}
	event("activation", a.Transport.Activation, a.Transport.ActivationMinutes)
	event("landing", a.Transport.Landing, a.Transport.LandingMinutes)
	if e := a.Transport.LandingEllipse; e != nil {
		add("landing-ellipse", "Polygon", [][][]float64{ellipseRing(*e)}, map[string]any{
			"semi_major_m": math.Round(e.SemiMajorM), "semi_minor_m": math.Round(e.SemiMinorM), "targets": a.Transport.Targets,
		})
	}
	return json.MarshalIndent(collection, "", "  ")
}

// ellipseRing is the ellipse of one standard deviation as a closed,
// counterclockwise ring.
func ellipseRing(e seedability.Ellipse) [][]float64 {
	const n = 48
	centre := grid.LatLon{LatitudeDeg: e.LatitudeDeg, LongitudeDeg: e.LongitudeDeg}
	axis := e.MajorAxisDeg * math.Pi / 180
	ring := make([][]float64, 0, n+1)
	for k := range n {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / n)
		major, minor := e.SemiMajorM*cos/1000, e.SemiMinorM*sin/1000
		east := major*math.Sin(axis) - minor*math.Cos(axis)
		north := major*math.Cos(axis) + minor*math.Sin(axis)
		p := placeAt(centre, east, north)
		ring = append(ring, position(p.LatitudeDeg, p.LongitudeDeg))
	}
	return append(ring, ring[0])
}
