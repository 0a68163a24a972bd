package hydro

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"math"
	"strings"
	"unicode/utf8"

	"github.com/twpayne/go-geom"

	"rimeline/grid"
	"rimeline/ingest"
)

// Namespaces of the Common Alerting Protocol. 1.1 has the elements of 1.2 that
// are read here, with a narrower list of response types.
const (
	cap12 = "urn:oasis:names:tc:emergency:cap:1.2"
	cap11 = "urn:oasis:names:tc:emergency:cap:1.1"
)

// element is one XML element with its place.
type element struct {
	space, name string
	offset      int64
	text        string
	children    []*element
}

// first is the text of the first child of a name, trimmed.
func (e *element) first(name string) string {
	for _, child := range e.children {
		if child.name == name {
			return child.text
		}
	}
	return ""
}

// every gives the texts of all children of a name that have one.
func (e *element) every(name string) []string {
	var out []string
	for _, child := range e.children {
		if child.name == name && child.text != "" {
			out = append(out, child.text)
		}
	}
	return out
}

// pairs gives valueName and value of all children of a name.
func (e *element) pairs(name string) map[string][]string {
	var out map[string][]string
	for _, child := range e.children {
		key, value := child.first("valueName"), child.first("value")
		if child.name != name || key == "" || value == "" {
			continue
		}
		if out == nil {
			out = map[string][]string{}
		}
		out[key] = append(out[key], value)
	}
	return out
}

// parseXML reads XML into elements, at most maxNodes of them and maxDepth deep.
// A document type declaration is refused, and with it every entity but the five
// of XML itself; CAP 1.2, section 3.3.1, is UTF-8 or UTF-16, the latter is not
// read.
func parseXML(c cursor, b []byte) (*element, error) {
	if !utf8.Valid(b) {
		return nil, c.fail(ingest.ErrUnsupported, 0, "is not UTF-8")
	}
	decoder := xml.NewDecoder(bytes.NewReader(b))
	decoder.CharsetReader = func(charset string, input io.Reader) (io.Reader, error) {
		if strings.EqualFold(charset, "us-ascii") {
			return input, nil
		}
		return nil, fmt.Errorf("encoding %q is not read", clip(charset))
	}
	var root *element
	var open []*element
	var texts []*strings.Builder
	count := 0
	for {
		at := decoder.InputOffset()
		token, err := decoder.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			var syntax *xml.SyntaxError
			if errors.As(err, &syntax) && strings.Contains(syntax.Msg, "unexpected EOF") {
				return nil, c.fail(ingest.ErrTruncated, c.size, "the XML ends too early")
			}
			return nil, c.fail(ingest.ErrCorrupt, decoder.InputOffset(), "is not XML: %s", clip(err.Error()))
		}
		switch t := token.(type) {
		case xml.Directive:
			return nil, c.fail(ingest.ErrUnsupported, at, "has a document type declaration, which no warning needs")
		case xml.StartElement:
			if count++; count > maxNodes {
				return nil, c.fail(ingest.ErrUnsupported, at, "has more than %d elements", maxNodes)
			}
			if len(open) >= maxDepth {
				return nil, c.fail(ingest.ErrUnsupported, at, "nests deeper than %d elements", maxDepth)
			}
			e := &element{space: t.Name.Space, name: t.Name.Local, offset: at}
			switch {
			case len(open) > 0:
				parent := open[len(open)-1]
				parent.children = append(parent.children, e)
			case root != nil:
				return nil, c.fail(ingest.ErrCorrupt, at, "has a second root element")
			default:
				root = e
			}
			open, texts = append(open, e), append(texts, &strings.Builder{})
		case xml.EndElement:
			last := len(open) - 1
			open[last].text = strings.TrimSpace(texts[last].String())
			open, texts = open[:last], texts[:last]
		case xml.CharData:
			if last := len(texts) - 1; last >= 0 {
				texts[last].Write(t)
			}
		}
	}
	if root == nil {
		return nil, c.fail(ingest.ErrTruncated, c.size, "has no element")
	}
	return root, nil
}

// decodeCAP reads one CAP message, or all in an envelope such as EDXL-DE.
func decodeCAP(c cursor, b []byte) ([]Warning, error) {
	root, err := parseXML(c, b)
	if err != nil {
		return nil, err
	}
	var out []Warning
	var failed []error
	var walk func(e *element)
	walk = func(e *element) {
		if e.name == "alert" && (e.space == cap12 || e.space == cap11) {
			out = append(out, alertElement(e))
			return
		}
		if e.name == "alert" {
			if len(failed) < 20 {
				failed = append(failed, c.fail(ingest.ErrUnsupported, e.offset, "alert in the namespace %q, neither CAP 1.2 nor 1.1", clip(e.space)))
			}
			return
		}
		for _, child := range e.children {
			walk(child)
		}
	}
	walk(root)
	if len(out) == 0 && len(failed) == 0 {
		return nil, c.fail(ingest.ErrUnsupported, root.offset, "is XML with root %q and no CAP alert in it; a feed that only links to alerts is not read", clip(root.name))
	}
	return out, errors.Join(failed...)
}

func alertElement(e *element) Warning {
	w := Warning{
		Identifier: e.first("identifier"), Sender: e.first("sender"), Status: e.first("status"), MsgType: e.first("msgType"),
		Scope: e.first("scope"), Source: e.first("source"), Note: e.first("note"), Codes: e.every("code"), Incidents: e.first("incidents"),
	}
	w.Sent = w.time("sent", e.first("sent"))
	for _, triple := range strings.Fields(e.first("references")) {
		// sender,identifier,sent; an identifier has no comma (section 3.2.1).
		parts := strings.Split(triple, ",")
		if len(parts) != 3 {
			w.doubt("reference %q is not sender,identifier,sent", clip(triple))
			continue
		}
		w.References = append(w.References, Reference{Sender: parts[0], Identifier: parts[1], Sent: w.time("sent of a reference", parts[2])})
	}
	for _, child := range e.children {
		if child.name == "info" {
			w.Infos = append(w.Infos, w.info(child))
		}
	}
	w.completeHead()
	return w
}

func (w *Warning) info(e *element) Info {
	i := Info{
		Language: e.first("language"), Categories: e.every("category"), Event: e.first("event"), ResponseTypes: e.every("responseType"),
		Urgency: e.first("urgency"), Severity: e.first("severity"), Certainty: e.first("certainty"), Audience: e.first("audience"),
		EventCodes: e.pairs("eventCode"),
		Effective:  w.time("effective", e.first("effective")), Onset: w.time("onset", e.first("onset")), Expires: w.time("expires", e.first("expires")),
		SenderName: e.first("senderName"), Headline: e.first("headline"), Description: e.first("description"), Instruction: e.first("instruction"),
		Web: e.first("web"), Contact: e.first("contact"), Parameters: e.pairs("parameter"),
	}
	for _, child := range e.children {
		if child.name == "area" {
			i.Areas = append(i.Areas, w.area(child))
		}
	}
	w.complete(&i)
	return i
}

func (w *Warning) area(e *element) Area {
	a := Area{Description: e.first("areaDesc"), Geocodes: e.pairs("geocode"), AltitudeM: math.NaN(), CeilingM: math.NaN()}
	for _, text := range e.every("polygon") {
		polygon, err := capPolygon(text)
		if err == nil {
			if a.Polygons == nil {
				a.Polygons = geom.NewMultiPolygon(geom.XY)
			}
			err = a.Polygons.Push(polygon)
		}
		if err != nil {
			a.OutlineUnread = true
			w.doubt("polygon: %v", err)
		}
	}
	for _, text := range e.every("circle") {
		circle, err := capCircle(text)
		if err != nil {
			a.OutlineUnread = true
			w.doubt("circle: %v", err)
			continue
		}
		a.Circles = append(a.Circles, circle)
	}
	for _, each := range []struct {
		name string
		to   *float64
	}{{"altitude", &a.AltitudeM}, {"ceiling", &a.CeilingM}} {
		if text := e.first(each.name); text != "" {
			v, ok := parseNumber(text)
			if !ok {
				w.doubt("%s %q is no number", each.name, clip(text))
			}
			*each.to = v * metresPerFoot // feet above mean sea level, section 3.2.4
		}
	}
	return a
}

// capPolygon reads "lat,lon lat,lon ...", section 3.2.4: four or more pairs in
// WGS 84, the last the same as the first.
func capPolygon(text string) (*geom.Polygon, error) {
	var ring []geom.Coord
	for _, pair := range strings.Fields(text) {
		p, err := latLon(pair)
		if err != nil {
			return nil, err
		}
		ring = append(ring, geom.Coord{p.LongitudeDeg, p.LatitudeDeg})
	}
	ring, err := closedRing(ring)
	if err != nil {
		return nil, err
	}
	return geom.NewPolygon(geom.XY).SetCoords([][]geom.Coord{ring})
}

// capCircle reads "lat,lon radius", the radius in kilometres.
func capCircle(text string) (Circle, error) {
	parts := strings.Fields(text)
	if len(parts) != 2 {
		return Circle{}, fmt.Errorf("%q is not lat,lon radius", clip(text))
	}
	p, err := latLon(parts[0])
	if err != nil {
		return Circle{}, err
	}
	radiusKM, ok := parseNumber(parts[1])
	if !ok || radiusKM < 0 {
		return Circle{}, fmt.Errorf("radius %q", clip(parts[1]))
	}
	return Circle{Centre: p, RadiusM: radiusKM * 1000}, nil
}

func latLon(pair string) (grid.LatLon, error) {
	a, b, ok := strings.Cut(pair, ",")
	latitude, ok1 := parseNumber(a)
	longitude, ok2 := parseNumber(b)
	if !ok || !ok1 || !ok2 || math.Abs(latitude) > 90 || math.Abs(longitude) > 180 {
		return grid.LatLon{}, fmt.Errorf("%q is no pair lat,lon", clip(pair))
	}
	return grid.LatLon{LatitudeDeg: latitude, LongitudeDeg: longitude}, nil
}
