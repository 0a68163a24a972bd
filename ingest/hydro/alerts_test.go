package hydro

import (
	"bytes"
	"encoding/json"
	"encoding/xml"
	"fmt"
	"math"
	"os"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

func positions(i Info) int {
	n := 0
	for _, a := range i.Areas {
		if a.Polygons != nil {
			n += a.Polygons.NumCoords()
		}
	}
	return n
}

// The golden table holds what a Python script with no part of this package read
// off the real files: testdata/golden.py.
func TestRealAlerts(t *testing.T) {
	decoded := map[string]map[string]Warning{}
	rows := map[string]int{}
	for _, want := range golden(t, "alerts.tsv") {
		name := want["file"]
		if decoded[name] == nil {
			all, err := DecodeAlerts(name, testfiles.Read(t, "hydro/"+name))
			if err != nil {
				t.Fatal(err)
			}
			decoded[name] = map[string]Warning{}
			for _, w := range all {
				decoded[name][w.Identifier] = w
			}
		}
		rows[name]++
		w, ok := decoded[name][want["identifier"]]
		if !ok || len(w.Infos) != 1 || len(w.Infos[0].Areas) != 1 {
			t.Errorf("%s: %s is missing", name, want["identifier"])
			continue
		}
		i := w.Infos[0]
		texts := map[string]string{
			"sender": w.Sender, "status": w.Status, "msgType": w.MsgType, "event": i.Event, "references": fmt.Sprint(len(w.References)),
			"vtec": dash(strings.Join(i.Parameters["VTEC"], " ")), "ugc": dash(strings.Join(i.Areas[0].UGC(), " ")), "same": dash(strings.Join(i.Areas[0].SAME(), " ")),
			"positions": fmt.Sprint(positions(i)), "description_bytes": fmt.Sprint(len(i.Description)),
		}
		for key, got := range texts {
			if got != want[key] {
				t.Errorf("%s %s: %s %q, want %q", name, w.Identifier, key, got, want[key])
			}
		}
		for key, got := range map[string]time.Time{"sent": w.Sent, "onset": i.Onset, "expires": i.Expires, "ends": i.Ends} {
			if !got.Equal(utc(t, want[key])) {
				t.Errorf("%s %s: %s %s, want %s", name, w.Identifier, key, got, want[key])
			}
		}
		if len(w.Doubts) != 0 {
			t.Errorf("%s %s: doubts %q", name, w.Identifier, w.Doubts)
		}
		for _, r := range w.References {
			if r.Sender == "" || r.Identifier == "" || r.Sent.IsZero() {
				t.Errorf("%s %s: reference %+v", name, w.Identifier, r)
			}
		}
		if want["vtec"] != "-" && len(i.VTEC) != 1 || want["vtec"] == "-" && len(i.VTEC) != 0 {
			t.Errorf("%s %s: %d VTEC from %q", name, w.Identifier, len(i.VTEC), want["vtec"])
		}
	}
	for name, all := range decoded {
		if len(all) != rows[name] {
			t.Errorf("%s: %d warnings, want %d", name, len(all), rows[name])
		}
	}
}

func dash(s string) string {
	if s == "" {
		return "-"
	}
	return s
}

// What the two real CAP files have that the table does not.
func TestRealCAP(t *testing.T) {
	all, err := DecodeAlerts("cap12", testfiles.Read(t, "hydro/cap12.NWS-IDP-PROD-4412298-3677414.xml"))
	if err != nil || len(all) != 1 {
		t.Fatal(len(all), err)
	}
	w := all[0]
	i := w.Infos[0]
	if w.Scope != "Public" || !slices.Equal(w.Codes, []string{"IPAWSv1.0"}) || i.Language != "en-US" || i.SenderName != "NWS Lake Charles LA" || i.Web != "http://www.weather.gov" ||
		!slices.Equal(i.Categories, []string{"Met"}) || !slices.Equal(i.ResponseTypes, []string{"Avoid"}) || i.Urgency != "Immediate" || i.Severity != "Extreme" || i.Certainty != "Likely" {
		t.Errorf("got %+v", w)
	}
	if w.References[7] != (Reference{"w-nws.webmaster@noaa.gov", "NWS-IDP-PROD-4411932-3677173", time.Date(2020, 8, 26, 3, 5, 0, 0, time.UTC)}) {
		t.Errorf("last reference %+v", w.References[7])
	}
	if !reflect.DeepEqual(i.EventCodes, map[string][]string{"SAME": {"HUW"}, "NationalWeatherService": {"HUW"}}) || !slices.Equal(i.Parameters["BLOCKCHANNEL"], []string{"EAS", "NWEM", "CMAS"}) {
		t.Errorf("codes %v, parameters %v", i.EventCodes, i.Parameters)
	}
	if !i.UntilFurtherNotice || !i.Ends.IsZero() {
		t.Error("000000T0000Z is not until further notice")
	}
	a := i.Areas[0]
	if a.Description != "Acadia" || a.Polygons.NumPolygons() != 2 || a.Polygons.Polygon(0).NumCoords() != 4 || a.Unbounded() {
		t.Errorf("area %+v", a)
	}
	if c := a.Polygons.Polygon(1).LinearRing(0).Coord(0); c[0] != -92.619 || c[1] != 30.094 {
		t.Errorf("first position %v, want longitude -92.619, latitude 30.094", c)
	}
	all, err = DecodeAlerts("cap11", testfiles.Read(t, "hydro/cap11.KSEW.WinterStormWarning.20170303.xml"))
	if err != nil || len(all) != 1 {
		t.Fatal(len(all), err)
	}
	i = all[0].Infos[0]
	if i.Areas[0].Polygons != nil || !slices.Equal(i.Areas[0].Geocodes["FIPS6"], []string{"053033", "053053", "053061", "053067"}) || i.Areas[0].Unbounded() {
		t.Errorf("the empty polygon and the FIPS6 codes give %+v", i.Areas[0])
	}
	if _, ok := i.Parameters["WMOHEADER"]; ok || i.Parameters["UGC"][0] != "WAZ568" {
		t.Errorf("parameters %v", i.Parameters)
	}
	want := VTEC{Class: "O", Action: "CON", Office: "KSEW", Phenomenon: "WS", Significance: "W", Number: 7, Ends: time.Date(2017, 3, 4, 8, 0, 0, 0, time.UTC)}
	if len(i.VTEC) != 1 || i.VTEC[0] != want {
		t.Errorf("VTEC %+v, want %+v", i.VTEC, want)
	}
}

// The times of this file are strings such as "date:now -3564 seconds": none is
// read as a time, all are told, and the warnings stay.
func TestBadTimes(t *testing.T) {
	all, err := DecodeAlerts("bad", testfiles.Read(t, "hydro/nws.alerts.MT.20240305.bad-times.geojson"))
	if err != nil || len(all) != 2 {
		t.Fatal(len(all), err)
	}
	for _, w := range all {
		i := w.Infos[0]
		for name, at := range map[string]time.Time{"sent": w.Sent, "effective": i.Effective, "onset": i.Onset, "expires": i.Expires, "reference": w.References[0].Sent} {
			if !at.IsZero() {
				t.Errorf("%s read as %s", name, at)
			}
		}
		for _, word := range []string{"sent: ", "effective: ", "onset: ", "expires: ", "ends: ", "sent of a reference: "} {
			if !hasNote(w.Doubts, word+`"date:now`) {
				t.Errorf("no doubt of %q in %q", word, w.Doubts)
			}
		}
		// The VTEC and eventEndingTime still say when the event ends.
		if want := time.Date(2024, 3, 6, 12, 0, 0, 0, time.UTC); !i.Ends.Equal(want) {
			t.Errorf("ends %s, want %s", i.Ends, want)
		}
	}
	if got := Current(all, time.Date(2024, 3, 5, 1, 0, 0, 0, time.UTC)); len(got) != 2 || len(got[0].Doubts) == 0 {
		t.Errorf("%d of them are current", len(got))
	}
	// Without VTEC no end is known, and they stand for ever, with a doubt.
	text := strings.ReplaceAll(string(testfiles.Read(t, "hydro/nws.alerts.MT.20240305.bad-times.geojson")), `"VTEC"`, `"X"`)
	text = strings.ReplaceAll(text, `"eventEndingTime"`, `"Y"`)
	all, err = DecodeAlerts("bad", []byte(text))
	if err != nil {
		t.Fatal(err)
	}
	if got := Current(all, time.Date(2034, 3, 5, 1, 0, 0, 0, time.UTC)); len(got) != 2 || !hasNote(got[0].Doubts, "neither when it ends") {
		t.Errorf("%d of them are current: %q", len(got), got[0].Doubts)
	}
}

// The examples of CAP 1.2, appendix A.1 to A.4; values read off their text.
func TestOASISExamples(t *testing.T) {
	read := func(name string) Warning {
		t.Helper()
		b, err := os.ReadFile("testdata/cap/" + name + ".xml")
		if err != nil {
			t.Fatal(err)
		}
		all, err := DecodeAlerts(name, b)
		if err != nil || len(all) != 1 {
			t.Fatal(len(all), err)
		}
		if len(all[0].Doubts) != 0 {
			t.Errorf("%s: doubts %q", name, all[0].Doubts)
		}
		return all[0]
	}
	w := read("a1")
	if w.Identifier != "43b080713727" || !w.Sent.Equal(time.Date(2003, 4, 2, 19, 39, 1, 0, time.UTC)) || w.Infos[0].Parameters["HSAS"][0] != "ORANGE" || !w.Infos[0].Areas[0].Unbounded() {
		t.Errorf("A.1: %+v", w)
	}
	w = read("a2")
	i := w.Infos[0]
	if i.Event != "SEVERE THUNDERSTORM" || i.EventCodes["SAME"][0] != "SVR" || !i.Expires.Equal(time.Date(2003, 6, 17, 23, 0, 0, 0, time.UTC)) ||
		!slices.Equal(i.Areas[0].SAME(), []string{"006109", "006009", "006003"}) || i.Contact != "BARUFFALDI/JUSKIE" {
		t.Errorf("A.2: %+v", w)
	}
	want := []geom.Coord{{-120.14, 38.47}, {-119.95, 38.34}, {-119.74, 38.52}, {-119.89, 38.62}, {-120.14, 38.47}}
	if got := i.Areas[0].Polygons.Polygon(0).LinearRing(0).Coords(); !reflect.DeepEqual(got, want) {
		t.Errorf("A.2: polygon %v, want %v", got, want)
	}
	// No onset, no effective: the event begins when the message is sent, and
	// ends when it expires, at that moment itself.
	if begins := w.Begins(i); !begins.Equal(w.Sent) {
		t.Errorf("A.2 begins %s", begins)
	}
	if n := len(Current([]Warning{w}, i.Expires.Add(-time.Second))); n != 1 {
		t.Errorf("A.2 a second before its end: %d", n)
	}
	if n := len(Current([]Warning{w}, i.Expires)); n != 0 {
		t.Errorf("A.2 at its end: %d", n)
	}
	w = read("a3")
	if w.References[0] != (Reference{"trinet@caltech.edu", "TRI13970876.1", time.Date(2003, 6, 12, 3, 30, 0, 0, time.UTC)}) || w.Infos[0].Parameters["Depth"][0] != "11.8 mi." {
		t.Errorf("A.3: %+v", w)
	}
	if c := w.Infos[0].Areas[0].Circles; len(c) != 1 || c[0].Centre.LatitudeDeg != 32.9525 || c[0].Centre.LongitudeDeg != -115.5527 || c[0].RadiusM != 0 {
		t.Errorf("A.3: circles %+v", c)
	}
	w = read("a4")
	if len(w.Infos) != 2 || w.Infos[0].Language != "en-US" || w.Infos[1].Language != "es-US" || w.Infos[1].Event != "Abducción de Niño" || w.Source != "SW" {
		t.Errorf("A.4: %+v", w)
	}
	if es := w.In("es"); len(es) != 1 || es[0].Headline != "Alerta Amber en el condado de Los Ángeles" {
		t.Errorf("A.4 in Spanish: %+v", es)
	}
	if fr := w.In("fr-CA"); len(fr) != 2 {
		t.Errorf("A.4 in French: %d infos, want all of them", len(fr))
	}
}

// twin writes a feature of api.weather.gov as the CAP message that the NWS sends
// beside it: elements and order of CAP 1.2, section 3.1, parameters, event codes
// and one area as in a real message of the NWS (cap12.NWS-IDP-PROD...). It works
// on plain maps and shares nothing with the decoder.
func twin(feature map[string]any) []byte {
	p := feature["properties"].(map[string]any)
	var b bytes.Buffer
	put := func(name string, value any) {
		if s, ok := value.(string); ok {
			b.WriteString("<" + name + ">")
			_ = xml.EscapeText(&b, []byte(s))
			b.WriteString("</" + name + ">\n")
		}
	}
	pairs := func(name string, table any) {
		m, _ := table.(map[string]any)
		for key, values := range m {
			for _, v := range values.([]any) {
				b.WriteString("<" + name + ">")
				put("valueName", key)
				put("value", v)
				b.WriteString("</" + name + ">\n")
			}
		}
	}
	b.WriteString("<?xml version='1.0' encoding='UTF-8'?>\n<alert xmlns='urn:oasis:names:tc:emergency:cap:1.2'>\n")
	for _, names := range [][2]string{{"identifier", "id"}, {"sender", "sender"}, {"sent", "sent"}, {"status", "status"}, {"msgType", "messageType"}, {"scope", "scope"}, {"code", "code"}} {
		put(names[0], p[names[1]])
	}
	var references []string
	for _, r := range p["references"].([]any) {
		m := r.(map[string]any)
		references = append(references, m["sender"].(string)+","+m["identifier"].(string)+","+m["sent"].(string))
	}
	if len(references) > 0 {
		put("references", strings.Join(references, " "))
	}
	b.WriteString("<info>\n")
	for _, names := range [][2]string{{"language", "language"}, {"category", "category"}, {"event", "event"}, {"responseType", "response"}, {"urgency", "urgency"}, {"severity", "severity"}, {"certainty", "certainty"}} {
		put(names[0], p[names[1]])
	}
	pairs("eventCode", p["eventCode"])
	for _, name := range []string{"effective", "onset", "expires", "senderName", "headline", "description", "instruction", "web"} {
		put(name, p[name])
	}
	pairs("parameter", p["parameters"])
	b.WriteString("<area>\n")
	put("areaDesc", p["areaDesc"])
	if g, ok := feature["geometry"].(map[string]any); ok {
		for _, ring := range g["coordinates"].([]any) {
			var text []string
			for _, c := range ring.([]any) {
				at := c.([]any)
				text = append(text, fmt.Sprintf("%v,%v", at[1], at[0]))
			}
			put("polygon", strings.Join(text, " "))
		}
	}
	pairs("geocode", p["geocode"])
	b.WriteString("</area>\n</info>\n</alert>\n")
	return b.Bytes()
}

// comparable leaves out NaN and the geometry's inner state.
func comparable(w Warning) string {
	for n := range w.Infos {
		for k := range w.Infos[n].Areas {
			a := &w.Infos[n].Areas[k]
			if !math.IsNaN(a.AltitudeM) || !math.IsNaN(a.CeilingM) {
				return "altitude"
			}
			a.AltitudeM, a.CeilingM = 0, 0
		}
	}
	b, err := json.Marshal(struct {
		Warning
		Coordinates [][][]geom.Coord
	}{w, coordinates(w)})
	if err != nil {
		panic(err)
	}
	return string(b)
}

func coordinates(w Warning) [][][]geom.Coord {
	var out [][][]geom.Coord
	for n := range w.Infos {
		for k := range w.Infos[n].Areas {
			if m := w.Infos[n].Areas[k].Polygons; m != nil {
				out = append(out, m.Coords()...)
			}
			w.Infos[n].Areas[k].Polygons = nil
		}
	}
	return out
}

// Every real warning, as JSON and as its CAP twin, gives the same Warning.
func TestCAPAgreesWithJSON(t *testing.T) {
	compared, polygons, references := 0, 0, 0
	for _, path := range testfiles.Glob(t, "hydro/nws.alert*.geojson") {
		if strings.Contains(path, "bad-times") {
			continue
		}
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		var file struct {
			Features []map[string]any `json:"features"`
		}
		d := json.NewDecoder(bytes.NewReader(b))
		d.UseNumber()
		if err := d.Decode(&file); err != nil {
			t.Fatal(err)
		}
		all, err := DecodeAlerts(path, b)
		if err != nil || len(all) != len(file.Features) {
			t.Fatalf("%s: %d warnings of %d, %v", path, len(all), len(file.Features), err)
		}
		for n, feature := range file.Features {
			text := twin(feature)
			other, err := DecodeAlerts("twin", text)
			if err != nil || len(other) != 1 {
				t.Fatalf("%s %d: %d, %v\n%s", path, n, len(other), err, text)
			}
			compared++
			references += len(all[n].References)
			if all[n].Infos[0].Areas[0].Polygons != nil {
				polygons++
			}
			if got, want := comparable(other[0]), comparable(all[n]); got != want {
				t.Errorf("%s %d:\nCAP  %s\nJSON %s", path, n, got, want)
			}
		}
	}
	t.Logf("%d warnings compared, %d with polygons, %d references", compared, polygons, references)
	if compared < 100 || polygons < 10 || references < 10 {
		t.Errorf("only %d warnings compared, %d with polygons, %d references", compared, polygons, references)
	}
}

func TestCAPRefuses(t *testing.T) {
	plain := func(body string) string {
		return `<alert xmlns="urn:oasis:names:tc:emergency:cap:1.2">` + body + `</alert>`
	}
	for _, test := range []struct {
		name, text string
		reason     error
		word       string
	}{
		{"entities", `<!DOCTYPE a [<!ENTITY a "aaaaaaaaaa"><!ENTITY b "&a;&a;&a;&a;">]>` + plain("<identifier>&b;</identifier>"), ingest.ErrUnsupported, "document type"},
		{"external entity", `<!DOCTYPE a SYSTEM "file:///etc/passwd">` + plain(""), ingest.ErrUnsupported, "document type"},
		{"unknown entity", plain("<identifier>&x;</identifier>"), ingest.ErrCorrupt, "not XML"},
		{"depth", strings.Repeat("<a>", 1000) + strings.Repeat("</a>", 1000), ingest.ErrUnsupported, "deeper"},
		{"cut", plain("<identifier>x")[:70], ingest.ErrTruncated, "too early"},
		{"tags", plain("<a></b>"), ingest.ErrCorrupt, "not XML"},
		{"CAP 1.0", `<alert xmlns="http://www.incident.com/cap/1.0"></alert>`, ingest.ErrUnsupported, "cap/1.0"},
		{"index", `<feed xmlns="http://www.w3.org/2005/Atom"><entry/></feed>`, ingest.ErrUnsupported, "no CAP alert"},
		{"latin", "<?xml version='1.0' encoding='ISO-8859-1'?>" + plain(""), ingest.ErrCorrupt, "ISO-8859-1"},
		{"bytes", plain("<identifier>\xff</identifier>"), ingest.ErrUnsupported, "UTF-8"},
		{"two roots", plain("") + plain(""), ingest.ErrCorrupt, "second root"},
		{"problem", `{"type":"https://api.weather.gov/problems/x","title":"Unexpected Problem","status":500}`, ingest.ErrUnsupported, "Unexpected Problem"},
		{"text", "no alerts", ingest.ErrUnsupported, "neither"},
	} {
		_, err := DecodeAlerts(test.name, []byte(test.text))
		refused(t, err, test.reason, test.word)
	}
	all, err := DecodeAlerts("empty", []byte(`{"type":"FeatureCollection","features":[]}`))
	if err != nil || len(all) != 0 {
		t.Errorf("an empty list: %d, %v", len(all), err)
	}
	_, err = DecodeAlerts("page", []byte(`{"type":"FeatureCollection","features":[],"pagination":{"next":"https://x/?cursor=1"}}`))
	refused(t, err, ErrMorePages, "cursor")
	// One broken feature does not take the others with it.
	all, err = DecodeAlerts("part", []byte(`{"type":"FeatureCollection","features":[{"type":"Feature"},{"type":"Feature","properties":{"id":"x"}}]}`))
	if len(all) != 1 || all[0].Identifier != "x" || len(all[0].Doubts) == 0 {
		t.Errorf("%+v", all)
	}
	refused(t, err, ingest.ErrCorrupt, "no properties")
}

// What can be wrong within a message is told, and the message stays.
func TestCAPDoubts(t *testing.T) {
	b, err := os.ReadFile("testdata/cap/a2.xml")
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	for _, test := range []struct{ old, new, doubt string }{
		{"<sent>2003-06-17T14:57:00-07:00", "<sent>2003-06-17T14:57:00", "sent: time \"2003-06-17T14:57:00\" has no zone"},
		{"<status>Actual", "<status>actual", "status \"actual\" is none of CAP 1.2"},
		{"<msgType>Alert", "<msgType>Warn", "msgType \"Warn\""},
		{"<severity>Severe", "<severity>Bad", "severity \"Bad\""},
		{"38.47,-120.14</polygon>", "38.48,-120.14</polygon>", "polygon: a ring does not end where it begins"},
		{"38.34,-119.95 38.52,-119.74 ", "", "polygon: a ring has 3 positions"},
		{"38.34,-119.95", "38.34", "is no pair lat,lon"},
		{"38.34,-119.95", "98.34,-119.95", "is no pair lat,lon"},
		{"<identifier>KSTO1055887203", "<identifier>", "no identifier"},
		{"<event>SEVERE THUNDERSTORM", "<event>", "no event"},
		{"<contact>", "<parameter><valueName>VTEC</valueName><value>/O.NEW.KSTO.SV.W.0001/</value></parameter><contact>", "VTEC: "},
		{"<scope>", "<references>a,b</references><scope>", "reference \"a,b\""},
	} {
		if !strings.Contains(text, test.old) {
			t.Fatalf("%q is not in the example", test.old)
		}
		all, err := DecodeAlerts("f", []byte(strings.Replace(text, test.old, test.new, 1)))
		if err != nil || len(all) != 1 || !hasNote(all[0].Doubts, test.doubt) {
			t.Errorf("%q for %q: %v, %+v; want the doubt %q", test.new, test.old, err, all, test.doubt)
			continue
		}
		if strings.Contains(test.doubt, "ring") || strings.Contains(test.doubt, "pair") {
			if a := all[0].Infos[0].Areas[0]; !a.OutlineUnread || !a.Unbounded() {
				t.Errorf("%q: the area counts as known", test.new)
			}
		}
		// It still stands.
		if len(Current(all, time.Date(2003, 6, 17, 22, 30, 0, 0, time.UTC))) != 1 {
			t.Errorf("%q: is not current", test.new)
		}
	}
	two := strings.Replace(text, "</info>", "<area><areaDesc>x</areaDesc><circle>38.5,-120 12.5</circle><altitude>5000</altitude><ceiling>8000</ceiling></area></info>", 1)
	all, err := DecodeAlerts("f", []byte("<e:EDXL xmlns:e='x'><e:content>"+two[strings.Index(two, "<alert"):]+"</e:content></e:EDXL>"))
	if err != nil || len(all) != 1 || len(all[0].Infos[0].Areas) != 2 {
		t.Fatalf("in an envelope: %v, %+v", err, all)
	}
	if a := all[0].Infos[0].Areas[1]; a.Circles[0].RadiusM != 12500 || a.AltitudeM != 1524 || a.CeilingM != 2438.4 {
		t.Errorf("area %+v, want 12.5 km, 5000 ft and 8000 ft", a)
	}
}

func TestGeometry(t *testing.T) {
	feature := func(g string) Warning {
		t.Helper()
		all, err := DecodeAlerts("f", []byte(`{"type":"Feature","geometry":`+g+`,"properties":{"id":"x","affectedZones":["https://api.weather.gov/zones/forecast/CAZ071"]}}`))
		if err != nil || len(all) != 1 {
			t.Fatal(len(all), err)
		}
		return all[0]
	}
	ring := `[[0,0],[4,0],[4,4],[0,4],[0,0]]`
	hole := `[[1,1],[1,2],[2,2],[2,1],[1,1]]`
	w := feature(`{"type":"Polygon","coordinates":[` + ring + `,` + hole + `]}`)
	if a := w.Infos[0].Areas[0]; a.Polygons.NumPolygons() != 1 || a.Polygons.Polygon(0).NumLinearRings() != 2 || a.UGC()[0] != "CAZ071" {
		t.Errorf("polygon with a hole: %+v", a)
	}
	w = feature(`{"type":"GeometryCollection","geometries":[{"type":"Polygon","coordinates":[` + ring + `]},{"type":"MultiPolygon","coordinates":[[` + ring + `],[` + hole + `]]}]}`)
	if n := w.Infos[0].Areas[0].Polygons.NumPolygons(); n != 3 {
		t.Errorf("collection: %d polygons, want 3", n)
	}
	for _, bad := range []string{`{"type":"Point","coordinates":[0,0]}`, `{"type":"Polygon","coordinates":[[[0,0],[1,1],[0,0]]]}`, `{"type":"Polygon","coordinates":[[[0,0],[4,0],[4,4],[0,400],[0,0]]]}`,
		`{"type":"Polygon","coordinates":[]}`, `{"type":"Polygon"}`, `{"type":"MultiPolygon","coordinates":[]}`, `7`, `{"type":"Polygon","coordinates":[[["a",0],[4,0],[4,4],[0,0]]]}`} {
		if w := feature(bad); !w.Infos[0].Areas[0].OutlineUnread || !hasNote(w.Doubts, "geometry") {
			t.Errorf("%s: %+v", bad, w)
		}
	}
}

// Strings from NWS Instruction 10-1703 and the VTEC pages of the NWS
// (weather.gov/bmx/vtec).
func TestVTEC(t *testing.T) {
	at := func(y int, m time.Month, d, h, min int) time.Time { return time.Date(y, m, d, h, min, 0, 0, time.UTC) }
	for _, test := range []struct {
		text, source string
		want         []VTEC
	}{
		{"/O.NEW.KBMX.SV.A.0002.051013T1424Z-051013T1700Z/", "weather.gov/bmx/vtec", []VTEC{{"O", "NEW", "KBMX", "SV", "A", 2, at(2005, 10, 13, 14, 24), at(2005, 10, 13, 17, 0)}}},
		{"/O.CAN.KBMX.TO.A.0002.000000T0000Z-051013T1700Z/", "weather.gov/bmx/vtec", []VTEC{{"O", "CAN", "KBMX", "TO", "A", 2, time.Time{}, at(2005, 10, 13, 17, 0)}}},
		{"/O.UPG.KSLC.WS.A.0001.260115T0000Z-260116T0000Z/\n/O.NEW.KSLC.WS.W.0003.260115T0000Z-260116T0600Z/", "invented, pair of NWSI 10-1703, 3.1", []VTEC{
			{"O", "UPG", "KSLC", "WS", "A", 1, at(2026, 1, 15, 0, 0), at(2026, 1, 16, 0, 0)}, {"O", "NEW", "KSLC", "WS", "W", 3, at(2026, 1, 15, 0, 0), at(2026, 1, 16, 6, 0)}}},
	} {
		got, _, err := ParseVTEC(test.text)
		if err != nil || !slices.Equal(got, test.want) {
			t.Errorf("%s (%s): got %+v, %v", test.text, test.source, got, err)
		}
	}
	primary, hydro, err := ParseVTEC("/O.NEW.KPQR.FL.W.0007.260115T1200Z-000000T0000Z/\n/LRKO3.2.RS.260115T1500Z.260116T0000Z.000000T0000Z.NO/")
	want := HVTEC{"LRKO3", "2", "RS", at(2026, 1, 15, 15, 0), at(2026, 1, 16, 0, 0), time.Time{}, "NO"}
	if err != nil || len(primary) != 1 || len(hydro) != 1 || hydro[0] != want {
		t.Errorf("got %+v %+v %v, want %+v", primary, hydro, err, want)
	}
	if primary[0].Event() != "KPQR.FL.W.0007" {
		t.Errorf("event %q", primary[0].Event())
	}
	_, hydro, err = ParseVTEC("/00000.0.ER.000000T0000Z.000000T0000Z.000000T0000Z.OO/")
	if err != nil || hydro[0] != (HVTEC{"", "0", "ER", time.Time{}, time.Time{}, time.Time{}, "OO"}) {
		t.Errorf("got %+v %v", hydro, err)
	}
	for _, bad := range []string{"", "//", "/Q.NEW.KBMX.SV.A.0002.051013T1424Z-051013T1700Z/", "/O.XXX.KBMX.SV.A.0002.051013T1424Z-051013T1700Z/", "/O.NEW.KBMX.SV.A.0002.051313T1424Z-051013T1700Z/",
		"/O.NEW.KBMX.SV.A.002.051013T1424Z-051013T1700Z/", "/O.NEW.KBMX.SV.A.0002.051013T1424Z/", "/LRKO3.9.RS.260115T1500Z.260116T0000Z.000000T0000Z.NO/"} {
		if got, _, err := ParseVTEC(bad); err == nil {
			t.Errorf("%q passes: %+v", bad, got)
		}
	}
}
