package export

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/twpayne/go-geom"
	"github.com/twpayne/go-geom/encoding/geojson"

	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// An invented programme in an invented night; nothing here is real.

const invented = "larkspur"

var night = time.Date(2026, 1, 14, 22, 0, 0, 0, time.UTC)

func at(minutes int) time.Time  { return night.Add(time.Duration(minutes) * time.Minute) }
func number(x float64) *float64 { return &x }

var sites = []seedability.SiteRef{
	{ID: "quill", Name: `=HYPERLINK("x") Quill Créek`, LatitudeDeg: 44.31, LongitudeDeg: -114.62, AltitudeM: 1720},
	{ID: "saddlehorn", Name: "Saddlehorn, \"upper\"\nBench", LatitudeDeg: 44.02, LongitudeDeg: -114.8, AltitudeM: 1366},
}

func assessment(site seedability.SiteRef, when time.Time) seedability.Assessment {
	x := float64(when.Minute()%60) / 60
	a := seedability.Assessment{Programme: invented, Site: site, ReleaseTime: when, AsOf: when, State: seedability.StateQuiet, StateReason: "-1 point; @ the edge",
		Score: seedability.Score{Value: number(100 * x), Opportunity: number(x), TargetProbability: number(x / 3), Components: []seedability.Component{}, Caps: []seedability.Cap{}, KnownWeight: .9},
		Transport: seedability.Transport{Members: 100, Fates: map[string]int{}, Landing: &seedability.Event{LatitudeDeg: 44.1, LongitudeDeg: -114.2, AltitudeM: 2300}, Activation: &seedability.Event{LatitudeDeg: 44.05, LongitudeDeg: -114.5, AltitudeM: 2600},
			LandingMinutes: seedability.Quantiles{Q50: number(44)}, LandingEllipse: &seedability.Ellipse{LatitudeDeg: 44.1, LongitudeDeg: -114.2, SemiMajorM: 5000, SemiMinorM: 2000, MajorAxisDeg: 72},
			Targets: []seedability.TargetResult{{ID: "basin", Name: "Basin", Probability: x}}, Trapped: []string{}},
		Liquid: seedability.Liquid{Estimates: []seedability.LiquidEstimate{}}, Bands: []seedability.BandPassage{}, Inputs: []seedability.Input{}, Notes: []string{}, Cautions: []string{}}
	for k := range 4 {
		a.Path = append(a.Path, seedability.PathStep{Minutes: float64(10 * k), LatitudeDeg: site.LatitudeDeg + .02*float64(k), LongitudeDeg: site.LongitudeDeg + .1*float64(k), AltitudeM: 1800 + 200*float64(k), Members: 100, AirTemperatureK: number(270 - float64(k))})
	}
	return a
}

// archived has two sites every ten minutes across midnight, an outlook, an order and
// telemetry.
func archived(t *testing.T) (*archive.Reader, string) {
	t.Helper()
	dir := t.TempDir()
	a, err := archive.Open(dir, archive.Options{})
	if err != nil {
		t.Fatal(err)
	}
	sequences := map[string]uint64{}
	event := func(kind bus.Kind, when time.Time, e bus.Event, err error) {
		t.Helper()
		sequences[kind.Name]++
		if err == nil {
			err = a.Add(t.Context(), kind.Name, sequences[kind.Name], when, e)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	put := func(kind bus.Kind, site string, when time.Time, data any) {
		t.Helper()
		e, err := bus.NewEvent(kind, invented, site, when, data)
		event(kind, when, e, err)
	}
	for k := range 24 {
		for _, site := range sites {
			put(bus.Score, site.ID, at(10*k), assessment(site, at(10*k)))
		}
	}
	w := seedability.Window{Start: at(60), Best: at(80), End: at(100), Releases: 3, PeakScore: 71, Confidence: .7, Targets: []seedability.WindowTarget{}}
	put(bus.Outlook, "quill", at(0), seedability.Outlook{Programme: invented, Site: sites[0], IssuedAt: at(0), From: at(0), To: at(600), Windows: []seedability.Window{w, w}, Gone: []seedability.Window{w},
		Releases: []seedability.OutlookRelease{{ReleaseTime: at(600), LeadMinutes: 600, Score: number(3), Confidence: .5, State: seedability.StateQuiet}}, Inputs: []seedability.Input{}, Notes: []string{}, Cautions: []string{}})
	put(bus.Order, "set", at(5), message.Order{ID: "o-1", Programme: invented, Action: message.OrderSet, At: at(5), By: "Imogen Tarn", Reason: "=1+1\r\nsearch party", Sites: []string{"quill"}})
	subject, err := bus.Telemetry.Subject(invented, "quill")
	event(bus.Telemetry, at(6), bus.Event{ID: "gateway", Source: "/gateway/7", Type: bus.Telemetry.Type, Subject: subject, Time: at(6), Data: json.RawMessage("{\n \"battery_v\": 1.24e1,\r\n \"note\": \"<ice> & \\\"rime\\\"\"}")}, err)
	if err := errors.Join(a.Flush(t.Context()), a.Close()); err != nil {
		t.Fatal(err)
	}
	r, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	return r, dir
}

func source(r *archive.Reader) *Source { return &Source{Reader: r, Programmes: []string{invented}} }

// A CSV read by encoding/csv has the values of the archive, in every table.
func TestCSV(t *testing.T) {
	r, _ := archived(t)
	for _, table := range archive.Tables() {
		s := source(r)
		if table == archive.TableScores {
			s.From, s.To, s.Sites = at(100), at(150), []string{"saddlehorn"}
		}
		var b bytes.Buffer
		rows, err := CSV(t.Context(), s, table, &b)
		if err != nil {
			t.Fatal(err)
		}
		records, err := csv.NewReader(bytes.NewReader(b.Bytes())).ReadAll()
		if err != nil {
			t.Fatalf("%s: %v", table, err)
		}
		if int64(len(records)-1) != rows {
			t.Errorf("%s: %d records, %d were counted", table, len(records)-1, rows)
		}
		headings := archive.Headings(table)
		for k, h := range headings {
			if got := records[0][k+1]; got != Title(h) || len(records[0]) != len(headings)+1 {
				t.Errorf("%s: column %d is called %s", table, k+1, got)
			}
		}
		next := 1
		err = r.Extract(t.Context(), table, s.Extraction(invented), func(rows archive.Rows) error {
			for k := range rows.Len {
				record := records[next]
				next++
				if record[0] != invented {
					t.Errorf("%s: programme %q", table, record[0])
				}
				for c, h := range headings {
					holdToColumn(t, table, record[c+1], h, &rows.Columns[c], k)
				}
			}
			return nil
		})
		if err != nil || next != len(records) {
			t.Errorf("%s: %d of %d records, %v", table, next, len(records), err)
		}
		switch table {
		case archive.TableScores:
			if rows != 5 || !strings.Contains(b.String(), "\r\n") {
				t.Errorf("%d scores", rows)
			}
		case archive.TableOrders, archive.TableTelemetry:
			if rows != 1 {
				t.Errorf("%d %s", rows, table)
			}
		}
	}
}

func holdToColumn(t *testing.T, table, cell string, h archive.Heading, c *archive.Column, k int) {
	t.Helper()
	fault := func(want any) { t.Helper(); t.Errorf("%s: %s is %q, want %v", table, h.Name, cell, want) }
	switch h.Of {
	case archive.Float:
		x, err := strconv.ParseFloat(cell, 64)
		if math.IsNaN(c.Floats[k]) != (cell == "") || cell != "" && (err != nil || x != c.Floats[k]) {
			fault(c.Floats[k])
		}
	case archive.Int:
		x, err := strconv.ParseInt(cell, 10, 64)
		if (c.Ints[k] == archive.Missing) != (cell == "") || cell != "" && (err != nil || x != c.Ints[k]) {
			fault(c.Ints[k])
		}
	case archive.Time:
		x, err := time.Parse(time.RFC3339, cell)
		if (c.Ints[k] == archive.Missing) != (cell == "") || cell != "" && (err != nil || x.UnixMicro() != c.Ints[k] || !strings.HasSuffix(cell, "Z")) {
			fault(archive.TimeOf(c.Ints[k]))
		}
	default:
		if risky(cell) {
			fault("no formula")
		}
		want := c.Texts[k]
		if isJSON(h) {
			var got, wanted any
			if want != "" && (json.Unmarshal([]byte(cell), &got) != nil || json.Unmarshal([]byte(want), &wanted) != nil) {
				fault(want)
			}
			a, _ := json.Marshal(got)
			b, _ := json.Marshal(wanted)
			if !bytes.Equal(a, b) {
				fault(want)
			}
			return
		}
		// encoding/csv reads a line end in quotes as a line feed.
		if Bare(cell) != strings.ReplaceAll(want, "\r\n", "\n") {
			fault(want)
		}
	}
}

func TestWithoutJSON(t *testing.T) {
	r, _ := archived(t)
	s := source(r)
	s.NoJSON = true
	var table, map_ bytes.Buffer
	if _, err := CSV(t.Context(), s, archive.TableScores, &table); err != nil {
		t.Fatal(err)
	}
	if _, err := GeoJSON(t.Context(), s, archive.TableScores, &map_); err != nil {
		t.Fatal(err)
	}
	head, _, _ := strings.Cut(table.String(), "\r\n")
	if strings.Contains(head, "json") || !strings.HasSuffix(head, "site_altitude_m") || strings.Contains(map_.String(), "basin") {
		t.Errorf("JSON is left: %s", head)
	}
	if records, err := csv.NewReader(&table).ReadAll(); err != nil || len(records) != 49 {
		t.Errorf("%d records, %v", len(records), err)
	}
}

// Every unit that is not 1 can be read from the name of its column.
func TestTitles(t *testing.T) {
	for _, table := range archive.Tables() {
		seen := map[string]bool{"programme": true}
		for _, h := range archive.Headings(table) {
			title := Title(h)
			if seen[title] {
				t.Errorf("%s: two columns %s", table, title)
			}
			seen[title] = true
			if _, known := unitWords[h.Unit]; h.Unit != "" && h.Unit != "1" && !known {
				t.Errorf("%s: %s: unit %q has no word", table, h.Name, h.Unit)
			}
		}
	}
	for _, test := range []struct {
		h    archive.Heading
		want string
	}{
		{archive.Heading{Name: "score", Unit: "1"}, "score"},
		{archive.Heading{Name: "landing_altitude", Unit: "m"}, "landing_altitude_m"},
		{archive.Heading{Name: "cloud_top_air_temperature", Unit: "K"}, "cloud_top_air_temperature_k"},
		{archive.Heading{Name: "activation_minutes_q50", Unit: "min"}, "activation_minutes_q50"},
		{archive.Heading{Name: "crystals_per_litre", Unit: "L-1"}, "crystals_per_litre"},
		{archive.Heading{Name: "grams", Unit: "g"}, "grams"},
		{archive.Heading{Name: "x", Unit: "W m-2"}, "x_w_m_2"},
	} {
		if got := Title(test.h); got != test.want {
			t.Errorf("%+v: %s, want %s", test.h, got, test.want)
		}
	}
}

// Cells are no formulas (CWE-1236; characters as in OWASP, CSV Injection), and what
// they were can be had again.
func FuzzCell(f *testing.F) {
	for _, text := range []string{"", "plain", "=1+1", "'=1", "''=1", "'it is", " -2", "\t", "a,b\"c\r\nd", "＝x", "\xff=", "\u2028+"} {
		f.Add(text)
	}
	f.Fuzz(func(t *testing.T, text string) {
		line := append(append([]byte("x,"), appendCell(nil, text)...), ",y\r\n"...)
		records, err := csv.NewReader(bytes.NewReader(line)).ReadAll()
		if err != nil || len(records) != 1 || len(records[0]) != 3 {
			t.Fatalf("%q: %q, %v", line, records, err)
		}
		got := records[0][1]
		if risky(got) {
			t.Errorf("%q became the cell %q", text, got)
		}
		// A lone carriage return is kept; before a line feed the reader drops it.
		if Bare(got) != strings.ReplaceAll(text, "\r\n", "\n") {
			t.Errorf("%q came back as %q", text, Bare(got))
		}
	})
}

// GeoJSON is read by the geometry library's own decoder, and has the archive's values.
func TestGeoJSON(t *testing.T) {
	r, _ := archived(t)
	read := func(s *Source, table string) *geojson.FeatureCollection {
		t.Helper()
		var b bytes.Buffer
		n, err := GeoJSON(t.Context(), s, table, &b)
		if err != nil {
			t.Fatal(err)
		}
		var c geojson.FeatureCollection
		if err := json.Unmarshal(b.Bytes(), &c); err != nil {
			t.Fatalf("%s: %v\n%s", table, err, b.String())
		}
		ids := map[string]bool{}
		for _, f := range c.Features {
			if ids[f.ID] || f.Properties["feature"] == nil || f.Properties["programme"] != invented {
				t.Errorf("%s: feature %q: %v", table, f.ID, f.Properties)
			}
			ids[f.ID] = true
		}
		if int64(len(c.Features)) != n {
			t.Errorf("%s: %d features, %d were counted", table, len(c.Features), n)
		}
		return &c
	}

	s := source(r)
	s.From, s.To = at(60), at(90)
	k := 0
	scores := read(s, archive.TableScores)
	if err := r.Extract(t.Context(), archive.TableScores, s.Extraction(invented), func(rows archive.Rows) error {
		for row := range rows.Len {
			f := scores.Features[k]
			k++
			want := geom.Coord{rows.Column("site_longitude").Floats[row], rows.Column("site_latitude").Floats[row], rows.Column("site_altitude").Floats[row]}
			if got := f.Geometry.(*geom.Point).Coords(); !slices.Equal(got, want) || f.ID != rows.Column("event_id").Texts[row] {
				t.Errorf("%s at %v, want %v", f.ID, got, want)
			}
			for n, h := range archive.Headings(archive.TableScores) {
				if strings.HasPrefix(h.Name, "site_l") || h.Name == "site_altitude" || h.Name == "event_id" {
					continue
				}
				c := &rows.Columns[n]
				var want any
				switch {
				case h.Of == archive.Float && !math.IsNaN(c.Floats[row]):
					want = c.Floats[row]
				case h.Of == archive.Int:
					want = float64(c.Ints[row])
				case h.Of == archive.Time && c.Ints[row] != archive.Missing:
					want = archive.TimeOf(c.Ints[row]).Format(time.RFC3339)
				case isJSON(h) && c.Texts[row] != "":
					if err := json.Unmarshal([]byte(c.Texts[row]), &want); err != nil {
						t.Fatal(err)
					}
				case h.Of == archive.Text && c.Texts[row] != "":
					want = c.Texts[row]
				}
				got, there := f.Properties[strings.TrimSuffix(Title(h), "_json")]
				a, _ := json.Marshal(got)
				b, _ := json.Marshal(want)
				if !there || !bytes.Equal(a, b) {
					t.Errorf("%s: %s is %s, want %s", f.ID, h.Name, a, b)
				}
			}
		}
		return nil
	}); err != nil || k != 6 || len(scores.Features) != 6 {
		t.Errorf("%d of %d scores, %v", k, len(scores.Features), err)
	}

	// The path of a release in the range is whole, and that before it is not there.
	paths := read(s, archive.TablePaths)
	of := map[string]int{}
	for _, f := range paths.Features {
		of[f.Properties["feature"].(string)]++
		switch g := f.Geometry.(type) {
		case *geom.LineString:
			first, last := g.Coord(0), g.Coord(3)
			if g.NumCoords() != 4 || first[2] != 1800 || last[2] != 2400 {
				t.Errorf("path %v", g.Coords())
			}
		case *geom.Polygon:
			// Counterclockwise by section 3.1.6: a positive area. Of an ellipse pi a b.
			sum, ring := 0.0, g.Coords()[0]
			for n := range len(ring) - 1 {
				sum += ring[n][0]*ring[n+1][1] - ring[n+1][0]*ring[n][1]
			}
			degM := math.Pi / 180 * 6371229
			if area := sum / 2 * degM * degM * math.Cos(44.1*math.Pi/180); math.Abs(area/(math.Pi*5000*2000)-1) > .01 {
				t.Errorf("ellipse of %.0f m2, want %.0f", area, math.Pi*5000*2000)
			}
		}
	}
	if want := 6; of["path"] != want || of["activation"] != want || of["landing"] != want || of["landing-ellipse"] != want || len(of) != 4 {
		t.Errorf("features of paths: %v, want %d of each", of, want)
	}

	s = source(r)
	outlooks := read(s, archive.TableOutlooks)
	of = map[string]int{}
	for _, f := range outlooks.Features {
		of[f.Properties["feature"].(string)]++
	}
	if of["site"] != 1 || of["window"] != 2 || of["gone"] != 1 {
		t.Errorf("features of outlooks: %v", of)
	}
	s.From = at(1000)
	if c := read(s, archive.TableScores); len(c.Features) != 0 {
		t.Errorf("an empty range has %d features", len(c.Features))
	}
}

// Messages are what was archived, and one that cannot be drawn is told.
func TestMessages(t *testing.T) {
	r, dir := archived(t)
	s := source(r)
	s.From, s.To, s.Sites = at(60), at(90), []string{"quill"}
	var b bytes.Buffer
	n, err := NDJSON(t.Context(), s, "score", &b)
	if err != nil || n != 3 {
		t.Fatal(n, err)
	}
	k := 0
	for stored, err := range r.Stored(t.Context(), archive.Query{Programme: invented, Sites: s.Sites, From: s.From, To: s.To}, "score") {
		if err != nil {
			t.Fatal(err)
		}
		var e bus.Event
		if err := json.Unmarshal(bytes.Split(b.Bytes(), []byte("\n"))[k], &e); err != nil {
			t.Fatal(err)
		}
		if k++; e.ID != stored.Event.ID || !bytes.Equal(e.Data, stored.Event.Data) {
			t.Errorf("message %d: %s, want %s", k, e.Data, stored.Event.Data)
		}
	}
	if k != 3 {
		t.Errorf("%d messages, want 3", k)
	}
	// A day with a flipped byte is told, and the rest is written only if that is allowed.
	days, err := r.Days(invented)
	if err != nil || len(days) != 2 {
		t.Fatal(days, err)
	}
	path := filepath.Join(days[0].Folder, "events.score.ndjson.zst")
	content, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	content[len(content)/3] ^= 1
	if err := os.WriteFile(path, content, 0o644); err != nil {
		t.Fatal(err)
	}
	if r, err = archive.OpenReader(dir); err != nil {
		t.Fatal(err)
	}
	if _, err := NDJSON(t.Context(), source(r), "score", &b); !errors.Is(err, archive.ErrDamaged) || !strings.Contains(err.Error(), "2026-01-14") {
		t.Errorf("damage: %v", err)
	}
	var told []string
	s = source(r)
	s.Problem = func(programme, what string, err error) error {
		told = append(told, programme+" "+what)
		return nil
	}
	if n, err := NDJSON(t.Context(), s, "score", &b); err != nil || n != 24 || !slices.Equal(told, []string{"larkspur 2026-01-14"}) {
		t.Errorf("%d messages, told %q, %v", n, told, err)
	}
}

func TestKindsAndTables(t *testing.T) {
	for _, table := range archive.Tables() {
		kind, ok := KindOf(table)
		if ok == (table == archive.TablePaths) {
			t.Errorf("%s: kind %q", table, kind.Name)
		}
		if ok && TableOf(kind.Name) != table {
			t.Errorf("%s: table %s", kind.Name, TableOf(kind.Name))
		}
	}
	if !OfSites(archive.TableScores) || OfSites(archive.TableAlerts) {
		t.Error("which tables are of sites")
	}
}
