package hydro

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"time"

	"rimeline/ingest"
)

// ErrMorePages: the file is the first of several pages. What it has is given
// beside this error; it is not all there is.
var ErrMorePages = errors.New("the list goes on on another page")

// DecodeAlerts reads public warnings: GeoJSON of api.weather.gov (a collection
// or one feature) and OASIS Common Alerting Protocol 1.2 or 1.1 XML of any
// issuer, one message or several in an envelope. Both give the same Warning.
//
// A field of a warning that cannot be read is a doubt of that warning, so that
// it counts for the worse and is never left out. An error is returned where the
// file itself breaks its format; warnings beside it are those that could be
// read, and whoever judges must know that there were more. A file without
// warnings is no error.
//
// Errors are *ingest.FormatError, several of them joined; or ErrMorePages in
// one.
func DecodeAlerts(file string, b []byte) ([]Warning, error) {
	c, err := checkSize(file, b)
	if err != nil {
		return nil, err
	}
	start := bytes.TrimLeft(b, "\xef\xbb\xbf \t\r\n")
	switch start[0] {
	case '{':
		return decodeAlertFeatures(c, b)
	case '<':
		return decodeCAP(c, b)
	}
	return nil, c.fail(ingest.ErrUnsupported, 0, "begins with %q, neither JSON nor XML", clip(string(start[:min(len(start), 20)])))
}

func decodeAlertFeatures(c cursor, b []byte) ([]Warning, error) {
	root, err := parseJSON(c, b)
	if err != nil {
		return nil, err
	}
	var features []*node
	switch root.member("type").str() {
	case "FeatureCollection":
		list := root.member("features")
		if list == nil || list.kind != kindArray {
			return nil, c.fail(ingest.ErrCorrupt, root.offset, "a FeatureCollection without features")
		}
		features = list.items
	case "Feature":
		features = []*node{root}
	default:
		return nil, c.fail(ingest.ErrUnsupported, root.offset, "is JSON but no GeoJSON of warnings%s", said(root))
	}
	var out []Warning
	var failed []error
	for _, f := range features {
		props := f.member("properties")
		if props == nil || props.kind != kindObject {
			if len(failed) < 20 {
				failed = append(failed, c.fail(ingest.ErrCorrupt, f.place(root), "a feature has no properties"))
			}
			continue
		}
		out = append(out, alertFeature(f, props))
	}
	if next := root.at("pagination", "next"); next.str() != "" {
		failed = append(failed, c.fail(ErrMorePages, next.offset, "%s", clip(next.str())))
	}
	return out, errors.Join(failed...)
}

func alertFeature(f, p *node) Warning {
	w := Warning{
		Identifier: p.member("id").str(), Sender: p.member("sender").str(), Status: p.member("status").str(),
		MsgType: p.member("messageType").str(), Scope: p.member("scope").str(), Source: p.member("source").str(),
		Note: p.member("note").str(), Codes: p.member("code").strs(),
	}
	when := func(name string) time.Time { return w.time(name, p.member(name).str()) }
	w.Sent = when("sent")
	for _, r := range p.member("references").list() {
		w.References = append(w.References, Reference{Sender: r.member("sender").str(), Identifier: r.member("identifier").str(),
			Sent: w.time("sent of a reference", r.member("sent").str())})
	}
	i := Info{
		Language: p.member("language").str(), Categories: p.member("category").strs(), Event: p.member("event").str(),
		ResponseTypes: p.member("response").strs(), Urgency: p.member("urgency").str(), Severity: p.member("severity").str(),
		Certainty: p.member("certainty").str(), EventCodes: stringLists(p.member("eventCode")),
		Effective: when("effective"), Onset: when("onset"), Expires: when("expires"), Ends: when("ends"),
		SenderName: p.member("senderName").str(), Headline: p.member("headline").str(),
		Description: p.member("description").str(), Instruction: p.member("instruction").str(),
		Web: p.member("web").str(), Contact: p.member("contact").str(), Parameters: stringLists(p.member("parameters")),
	}
	a := Area{Description: p.member("areaDesc").str(), Geocodes: stringLists(p.member("geocode")), AltitudeM: math.NaN(), CeilingM: math.NaN()}
	if len(a.UGC()) == 0 {
		// .../zones/forecast/CAZ071
		for _, zone := range p.member("affectedZones").strs() {
			if at := strings.LastIndexByte(zone, '/'); at >= 0 && at+1 < len(zone) {
				if a.Geocodes == nil {
					a.Geocodes = map[string][]string{}
				}
				a.Geocodes["UGC"] = append(a.Geocodes["UGC"], zone[at+1:])
			}
		}
	}
	var err error
	if a.Polygons, err = multiPolygon(f.member("geometry")); err != nil {
		a.OutlineUnread = true
		w.doubt("geometry: %v", err)
	}
	i.Areas = []Area{a}
	w.complete(&i)
	w.Infos = []Info{i}
	w.completeHead()
	return w
}

// time reads one time of a warning; one that is there but cannot be read is a
// doubt.
func (w *Warning) time(name, text string) time.Time {
	if text == "" {
		return time.Time{}
	}
	t, err := parseRFC3339(text)
	if err != nil {
		w.doubt("%s: %v", name, err)
	}
	return t
}

// stringLists reads an object whose members are strings or lists of them.
func stringLists(n *node) map[string][]string {
	if n == nil || n.kind != kindObject || len(n.names) == 0 {
		return nil
	}
	out := make(map[string][]string, len(n.names))
	for i, name := range n.names {
		if values := n.items[i].strs(); len(values) > 0 {
			out[name] = values
		}
	}
	return out
}
