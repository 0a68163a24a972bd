package page

import (
	"encoding/json"
	"fmt"
	"maps"
	"time"

	"gonum.org/v1/plot/vg"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
)

// EchoFeatures are echo objects, where they go and whom they meet.
type EchoFeatures struct {
	Scene *nowcast.Scene
	// Motion is nil where none could be seen.
	Motion *nowcast.Motion
	// Objects are the properties of the scene's objects, in its order.
	Objects []map[string]any
	Sites   []SiteFeature
	// Ahead is how far objects are carried along the motion.
	Ahead time.Duration
}

// SiteFeature is a site with what comes to the zone in which its agent acts.
type SiteFeature struct {
	ID         string
	Place      grid.LatLon
	Zone       *nowcast.Zone
	Properties map[string]any
}

// motionEvery is the time between the positions of a motion line.
const motionEvery = 10 * time.Minute

// BandsGeoJSON writes an outline for each object (a Polygon, or a MultiPolygon
// where its parts touch by corners alone), the way that its centroid goes as a
// LineString with a time for each position, sites as points and their zones as
// polygons (RFC 7946). Objects do not cross the antimeridian.
func BandsGeoJSON(e EchoFeatures) ([]byte, error) {
	if e.Scene == nil || e.Scene.Frame == nil || len(e.Objects) != len(e.Scene.Objects) {
		return nil, fmt.Errorf("%d properties for the objects of the scene", len(e.Objects))
	}
	collection := featureCollection{Type: "FeatureCollection", Features: []feature{}}
	add := func(id, kind string, coordinates any, properties map[string]any) {
		collection.Features = append(collection.Features, feature{"Feature", id, geometry{kind, coordinates}, properties})
	}
	with := func(properties map[string]any, feature string) map[string]any {
		out := maps.Clone(properties)
		if out == nil {
			out = map[string]any{}
		}
		out["feature"] = feature
		return out
	}
	for place := range e.Scene.Objects {
		o := &e.Scene.Objects[place]
		var polygons [][][][]float64
		for _, p := range polygonsOf(e.Scene, place) {
			rings := [][][]float64{e.ring(p.outer)}
			for _, hole := range p.holes {
				rings = append(rings, e.ring(hole))
			}
			polygons = append(polygons, rings)
		}
		id := fmt.Sprintf("object-%d", o.ID)
		switch len(polygons) {
		case 0:
		case 1:
			add(id, "Polygon", polygons[0], with(e.Objects[place], "object"))
		default:
			add(id, "MultiPolygon", polygons, with(e.Objects[place], "object"))
		}
		if e.Motion != nil {
			line, times := e.way(o)
			add(fmt.Sprintf("motion-%d", o.ID), "LineString", line, map[string]any{"feature": "motion", "object": o.ID, "times": times})
		}
	}
	for _, site := range e.Sites {
		add("site-"+site.ID, "Point", position(site.Place.LatitudeDeg, site.Place.LongitudeDeg), with(site.Properties, "site"))
		if site.Zone != nil && site.Zone.RadiusM > 0 {
			add("zone-"+site.ID, "Polygon", [][][]float64{e.zoneRing(*site.Zone)}, map[string]any{"feature": "zone", "site": site.ID, "radius_m": site.Zone.RadiusM})
		}
	}
	return json.MarshalIndent(collection, "", "  ")
}

func (e EchoFeatures) positionOf(xM, yM float64) []float64 {
	p := e.Scene.Frame.Place(xM, yM)
	return position(p.LatitudeDeg, p.LongitudeDeg)
}

// ring closes a ring and gives it positions.
func (e EchoFeatures) ring(corners []corner) [][]float64 {
	var ring [][]float64
	for _, c := range corners {
		ring = append(ring, e.positionOf(cornerXM(e.Scene.Frame.Plane, c), cornerYM(e.Scene.Frame.Plane, c)))
	}
	return append(ring, ring[0])
}

// way carries the centroid of an object along the motion.
func (e EchoFeatures) way(o *nowcast.Object) (line [][]float64, times []time.Time) {
	x, y := o.CentroidXM, o.CentroidYM
	for ahead := time.Duration(0); ; ahead += motionEvery {
		line, times = append(line, e.positionOf(x, y)), append(times, e.Scene.Frame.Time.Add(ahead))
		if ahead > 0 && ahead+motionEvery > e.Ahead {
			return line, times
		}
		x, y = Carry(e.Motion, x, y, motionEvery)
	}
}

// Carry moves a point along a motion that stays as it is, by the midpoint
// method in steps of a minute.
func Carry(m *nowcast.Motion, xM, yM float64, ahead time.Duration) (float64, float64) {
	steps := max(1, int(ahead/time.Minute))
	dt := ahead.Seconds() / float64(steps)
	for range steps {
		v := m.At(xM, yM)
		v = m.At(xM+v.EastwardMPerS*dt/2, yM+v.NorthwardMPerS*dt/2)
		xM, yM = xM+v.EastwardMPerS*dt, yM+v.NorthwardMPerS*dt
	}
	return xM, yM
}

func (e EchoFeatures) zoneRing(zone nowcast.Zone) [][]float64 {
	x, y := e.Scene.Frame.XY(zone.Place)
	var ring [][]float64
	for _, p := range circle(vg.Point{}, 1) {
		ring = append(ring, e.positionOf(x+zone.RadiusM*float64(p.X), y+zone.RadiusM*float64(p.Y)))
	}
	ring[len(ring)-1] = ring[0]
	return ring
}
