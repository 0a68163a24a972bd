package programme

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml/ast"
	"github.com/twpayne/go-geom"
	"github.com/twpayne/go-geom/encoding/geojson"
)

// Ceilings of one target's geometry; a watershed of 30 m detail stays below.
const (
	maxVertices  = 100_000
	maxGeometryB = 32 << 20
	maxExtentKM  = 500
)

// placedError is an error in a geometry with the indices of the position.
type placedError struct {
	where   []int // polygon, ring, vertex, as far as they are known
	message string
}

func (e placedError) Error() string {
	words := []string{"polygon", "ring", "position"}
	var parts []string
	for i, index := range e.where {
		parts = append(parts, fmt.Sprintf("%s %d", words[i], index+1))
	}
	if len(parts) == 0 {
		return e.message
	}
	return strings.Join(parts, ", ") + ": " + e.message
}

// readGeometry takes a GeoJSON geometry, a Feature, or a FeatureCollection of
// one feature, and gives its polygons.
func readGeometry(b []byte) (*geom.MultiPolygon, error) {
	if len(b) > maxGeometryB {
		return nil, fmt.Errorf("has %d bytes, at most %d are allowed", len(b), maxGeometryB)
	}
	var head struct {
		Type        string            `json:"type"`
		Geometry    json.RawMessage   `json:"geometry"`
		Features    []json.RawMessage `json:"features"`
		Coordinates json.RawMessage   `json:"coordinates"`
	}
	if err := json.Unmarshal(b, &head); err != nil {
		var syntax *json.SyntaxError
		if errors.As(err, &syntax) {
			return nil, fmt.Errorf("is not JSON: byte %d: %v", syntax.Offset, err)
		}
		return nil, fmt.Errorf("is not GeoJSON: %v", err)
	}
	switch head.Type {
	case "FeatureCollection":
		if len(head.Features) != 1 {
			return nil, fmt.Errorf("has %d features, one is needed", len(head.Features))
		}
		if !bytes.Contains(head.Features[0], []byte("geometry")) {
			return nil, errors.New("its feature has no geometry")
		}
		return readGeometry(head.Features[0])
	case "Feature":
		if len(head.Geometry) == 0 || string(head.Geometry) == "null" {
			return nil, errors.New("its feature has no geometry")
		}
		return readGeometry(head.Geometry)
	case "Polygon", "MultiPolygon":
	case "":
		return nil, errors.New(`is not GeoJSON: it has no "type"`)
	default:
		return nil, fmt.Errorf("is a GeoJSON %s, a Polygon or MultiPolygon is needed", head.Type)
	}
	if err := checkCoordinates(head.Type, head.Coordinates); err != nil {
		return nil, err
	}
	var decoded geom.T
	if err := geojson.Unmarshal(b, &decoded); err != nil {
		return nil, fmt.Errorf("is not GeoJSON: %v", err)
	}
	area := geom.NewMultiPolygon(geom.XY)
	switch shape := decoded.(type) {
	case *geom.Polygon:
		if err := pushXY(area, shape); err != nil {
			return nil, err
		}
	case *geom.MultiPolygon:
		for i := range shape.NumPolygons() {
			if err := pushXY(area, shape.Polygon(i)); err != nil {
				return nil, err
			}
		}
	}
	return area, checkArea(area)
}

// checkCoordinates looks at the nesting and size of the coordinates before the
// geometry library builds arrays from them.
func checkCoordinates(kind string, raw json.RawMessage) error {
	var polygons [][][][]float64
	var err error
	if kind == "Polygon" {
		polygons = make([][][][]float64, 1)
		err = json.Unmarshal(raw, &polygons[0])
	} else {
		err = json.Unmarshal(raw, &polygons)
	}
	if err != nil || len(raw) == 0 {
		return fmt.Errorf("coordinates of a %s are lists of rings of positions [longitude, latitude]", kind)
	}
	vertices := 0
	for i, polygon := range polygons {
		if len(polygon) == 0 {
			return placedError{[]int{i}, "has no ring"}
		}
		for k, ring := range polygon {
			if vertices += len(ring); vertices > maxVertices {
				return fmt.Errorf("has more than %d positions", maxVertices)
			}
			if len(ring) < 4 {
				return placedError{[]int{i, k}, fmt.Sprintf("has %d positions, a closed ring needs at least 4", len(ring))}
			}
			for n, position := range ring {
				if len(position) < 2 || len(position) > 3 {
					return placedError{[]int{i, k, n}, fmt.Sprintf("has %d numbers, needs [longitude, latitude]", len(position))}
				}
				lon, lat := position[0], position[1]
				switch {
				case math.Abs(lat) > 85 && math.Abs(lat) <= 180 && math.Abs(lon) <= 85:
					return placedError{[]int{i, k, n}, fmt.Sprintf("latitude %v is outside -85 to 85; GeoJSON positions are [longitude, latitude], are they swapped?", lat)}
				case !(math.Abs(lat) <= 85):
					return placedError{[]int{i, k, n}, fmt.Sprintf("latitude %v is outside -85 to 85", lat)}
				case !(math.Abs(lon) <= 180):
					return placedError{[]int{i, k, n}, fmt.Sprintf("longitude %v is outside -180 to 180", lon)}
				}
			}
			first, last := ring[0], ring[len(ring)-1]
			if first[0] != last[0] || first[1] != last[1] {
				return placedError{[]int{i, k, len(ring) - 1}, fmt.Sprintf("ring is not closed: its last position %v must repeat its first %v", last[:2], first[:2])}
			}
		}
	}
	if len(polygons) == 0 {
		return errors.New("has no polygon")
	}
	return nil
}

// pushXY appends a polygon without the altitudes it may carry, outer ring
// counter-clockwise and holes clockwise (RFC 7946, section 3.1.6).
func pushXY(area *geom.MultiPolygon, polygon *geom.Polygon) error {
	flat := geom.NewPolygon(geom.XY)
	for k := range polygon.NumLinearRings() {
		var ring []geom.Coord
		for _, c := range polygon.LinearRing(k).Coords() {
			ring = append(ring, geom.Coord{c[0], c[1]})
		}
		if (planeArea(ring) > 0) != (k == 0) {
			slices.Reverse(ring)
		}
		coords, err := geom.NewLinearRing(geom.XY).SetCoords(ring)
		if err != nil {
			return err
		}
		if err := flat.Push(coords); err != nil {
			return err
		}
	}
	return area.Push(flat)
}

// planeArea is twice the signed area in degrees, positive counter-clockwise.
func planeArea(ring []geom.Coord) float64 {
	sum := 0.0
	for k := 1; k < len(ring); k++ {
		a, b := ring[k-1], ring[k]
		sum += (a[0]-ring[0][0])*(b[1]-ring[0][1]) - (b[0]-ring[0][0])*(a[1]-ring[0][1])
	}
	return sum
}

// checkArea refuses geometries for which inside has no clear meaning.
func checkArea(area *geom.MultiPolygon) error {
	bounds := area.Bounds()
	midLatitude := (bounds.Min(1) + bounds.Max(1)) / 2
	if bounds.Max(0)-bounds.Min(0) > 180 {
		return errors.New("spans more than 180 degrees of longitude: areas across the antimeridian are not supported")
	}
	const kmPerDegree = 111.195 // of a great circle on the sphere of 6371 km
	widthKM := (bounds.Max(0) - bounds.Min(0)) * kmPerDegree * math.Cos(midLatitude*math.Pi/180)
	heightKM := (bounds.Max(1) - bounds.Min(1)) * kmPerDegree
	if math.Max(widthKM, heightKM) > maxExtentKM {
		return fmt.Errorf("is %.0f km wide and %.0f km high, at most %d km are allowed", widthKM, heightKM, maxExtentKM)
	}
	if err := checkCrossings(area); err != nil {
		return err
	}
	for i := range area.NumPolygons() {
		polygon := area.Polygon(i)
		outer := polygon.LinearRing(0).Coords()
		for k := range polygon.NumLinearRings() {
			ring := polygon.LinearRing(k).Coords()
			if planeArea(ring) == 0 {
				return placedError{[]int{i, k}, "ring encloses no area"}
			}
			if k > 0 && !ringInside(ring, outer) {
				return placedError{[]int{i, k}, "hole does not lie inside the outer ring"}
			}
		}
	}
	return nil
}

// ringInside tests by the first vertex of a ring that is not on the other's edge;
// crossings are found apart.
func ringInside(ring, outer []geom.Coord) bool {
	for _, c := range ring {
		inside, edge := false, false
		for k := 1; k < len(outer); k++ {
			a, b := outer[k-1], outer[k]
			if turn(a, b, c) == 0 && between(a, b, c) {
				edge = true
				break
			}
			if (a[1] > c[1]) != (b[1] > c[1]) && c[0] < a[0]+(c[1]-a[1])/(b[1]-a[1])*(b[0]-a[0]) {
				inside = !inside
			}
		}
		if !edge {
			return inside
		}
	}
	return true
}

// edge is one side of a ring.
type edge struct {
	polygon, ring, index int
	rim                  int // edges of its ring
	a, b                 geom.Coord
}

// checkCrossings finds the first two edges of the geometry that meet other than
// at a common vertex of neighbours, by a sweep over longitude: edges are sorted
// by their west end and compared with those that reach as far east. Rings may
// touch each other at single points (RFC 7946 leaves that to OGC 06-103r4,
// which allows it), a ring may not touch itself.
func checkCrossings(area *geom.MultiPolygon) error {
	var edges []edge
	for i := range area.NumPolygons() {
		polygon := area.Polygon(i)
		for k := range polygon.NumLinearRings() {
			ring := polygon.LinearRing(k).Coords()
			for n := 1; n < len(ring); n++ {
				if ring[n-1][0] == ring[n][0] && ring[n-1][1] == ring[n][1] {
					return placedError{[]int{i, k, n}, "position repeats the one before it"}
				}
				edges = append(edges, edge{i, k, n - 1, len(ring) - 1, ring[n-1], ring[n]})
			}
		}
	}
	west := func(e edge) float64 { return math.Min(e.a[0], e.b[0]) }
	slices.SortFunc(edges, func(p, q edge) int {
		switch {
		case west(p) < west(q):
			return -1
		case west(p) > west(q):
			return 1
		}
		return 0
	})
	comparisons := 0
	var open []edge
	for _, e := range edges {
		kept := open[:0]
		for _, o := range open {
			if math.Max(o.a[0], o.b[0]) < west(e) {
				continue
			}
			kept = append(kept, o)
			// Long edges in a fine geometry are rare; a shape that keeps
			// thousands open at every step is not a watershed.
			if comparisons++; comparisons > 200_000_000 {
				return errors.New("is too intricate to be checked for crossing edges")
			}
			if math.Max(o.a[1], o.b[1]) < math.Min(e.a[1], e.b[1]) || math.Min(o.a[1], o.b[1]) > math.Max(e.a[1], e.b[1]) {
				continue
			}
			if meets(o, e) {
				return placedError{[]int{e.polygon, e.ring, e.index}, fmt.Sprintf(
					"edge from [%s] to [%s] crosses or touches the edge from [%s] to [%s]", degrees(e.a), degrees(e.b), degrees(o.a), degrees(o.b))}
			}
		}
		open = append(kept, e)
	}
	return nil
}

func degrees(c geom.Coord) string {
	return strconv.FormatFloat(c[0], 'f', -1, 64) + ", " + strconv.FormatFloat(c[1], 'f', -1, 64)
}

// turn is positive where c lies left of the line from a to b.
func turn(a, b, c geom.Coord) float64 {
	return (b[0]-a[0])*(c[1]-a[1]) - (c[0]-a[0])*(b[1]-a[1])
}

func between(a, b, c geom.Coord) bool {
	return math.Min(a[0], b[0]) <= c[0] && c[0] <= math.Max(a[0], b[0]) &&
		math.Min(a[1], b[1]) <= c[1] && c[1] <= math.Max(a[1], b[1])
}

// meets reports a forbidden contact of two edges.
func meets(p, q edge) bool {
	sameRing := p.polygon == q.polygon && p.ring == q.ring
	t1, t2 := turn(p.a, p.b, q.a), turn(p.a, p.b, q.b)
	t3, t4 := turn(q.a, q.b, p.a), turn(q.a, q.b, p.b)
	if t1 == 0 && t2 == 0 {
		// On one line: an overlap of more than a point is always wrong.
		return overlaps(p, q)
	}
	if (t1 > 0) != (t2 > 0) && (t3 > 0) != (t4 > 0) && t1 != 0 && t2 != 0 && t3 != 0 && t4 != 0 {
		return true // a crossing inside both edges
	}
	touch := t1 == 0 && between(p.a, p.b, q.a) || t2 == 0 && between(p.a, p.b, q.b) ||
		t3 == 0 && between(q.a, q.b, p.a) || t4 == 0 && between(q.a, q.b, p.b)
	if !touch || !sameRing {
		return false
	}
	step := (p.index - q.index + p.rim) % p.rim
	return step != 1 && step != p.rim-1
}

// overlaps: two edges on one line share more than a point.
func overlaps(p, q edge) bool {
	axis := 0
	if math.Abs(p.b[1]-p.a[1]) > math.Abs(p.b[0]-p.a[0]) {
		axis = 1
	}
	low := math.Max(math.Min(p.a[axis], p.b[axis]), math.Min(q.a[axis], q.b[axis]))
	high := math.Min(math.Max(p.a[axis], p.b[axis]), math.Max(q.a[axis], q.b[axis]))
	return high > low
}

// jsonOf writes a YAML node as JSON, so that an inline geometry takes the same
// way as a file.
func jsonOf(node ast.Node) ([]byte, error) {
	var b bytes.Buffer
	err := writeJSON(&b, node, 0)
	return b.Bytes(), err
}

func writeJSON(b *bytes.Buffer, node ast.Node, depth int) error {
	if depth > maxDepth {
		return errors.New("is too deeply nested")
	}
	if list, ok := pairs(node); ok {
		b.WriteByte('{')
		for i, pair := range list {
			if i > 0 {
				b.WriteByte(',')
			}
			key, err := json.Marshal(pair.Key.GetToken().Value)
			if err != nil {
				return err
			}
			b.Write(key)
			b.WriteByte(':')
			if err := writeJSON(b, pair.Value, depth+1); err != nil {
				return err
			}
		}
		b.WriteByte('}')
		return nil
	}
	switch n := node.(type) {
	case *ast.SequenceNode:
		b.WriteByte('[')
		for i, value := range n.Values {
			if i > 0 {
				b.WriteByte(',')
			}
			if err := writeJSON(b, value, depth+1); err != nil {
				return err
			}
		}
		b.WriteByte(']')
	case *ast.IntegerNode, *ast.FloatNode:
		number, err := strconv.ParseFloat(n.GetToken().Value, 64)
		if err != nil || math.IsNaN(number) || math.IsInf(number, 0) {
			return fmt.Errorf("line %d: %q is not a number", n.GetToken().Position.Line, n.GetToken().Value)
		}
		b.WriteString(strconv.FormatFloat(number, 'g', -1, 64))
	case *ast.StringNode:
		text, err := json.Marshal(n.Value)
		if err != nil {
			return err
		}
		b.Write(text)
	default:
		return fmt.Errorf("line %d: is %s, which a GeoJSON geometry does not hold here", node.GetToken().Position.Line, kindOf(node))
	}
	return nil
}

// positionNode finds the node of a position, ring or polygon of an inline
// geometry, for the line number of an error; nil where it cannot be found.
func positionNode(geometry ast.Node, where []int) ast.Node {
	list, _ := pairs(geometry)
	kind, at := "", ast.Node(nil)
	for _, pair := range list {
		switch pair.Key.GetToken().Value {
		case "type":
			kind = pair.Value.GetToken().Value
		case "coordinates":
			at = pair.Value
		}
	}
	if kind == "Polygon" && len(where) > 0 {
		where = where[1:]
	}
	for _, index := range where {
		sequence, ok := at.(*ast.SequenceNode)
		if !ok || index >= len(sequence.Values) {
			break
		}
		at = sequence.Values[index]
	}
	return at
}
