package programme

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/goccy/go-yaml"
	"github.com/santhosh-tekuri/jsonschema/v6"
)

// components is an invented list of what a score is made of.
var components = []ComponentDefault{
	{Name: "liquid", Unit: "mm", Knots: [][2]float64{{.02, 0}, {.2, 1}}, Weight: .6},
	{Name: "cross-barrier-wind", Unit: "m/s", Knots: [][2]float64{{2, 0}, {8, 1}}, Weight: .4},
}

// sources is an invented list of public stores.
var sources = []KnownSource{{Name: "hill-model", Kind: "model"}, {Name: "far-model", Kind: "model"}, {Name: "sweeps", Kind: "radar"}, {Name: "anything"}}

const demoDir = "../../testdata/demo"

func openIn(dir string) func(string) ([]byte, error) {
	return func(name string) ([]byte, error) { return os.ReadFile(filepath.Join(dir, name)) }
}

func demo(t testing.TB) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(demoDir, "programme.yaml"))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

func TestParseDemo(t *testing.T) {
	p, err := Parse("programme.yaml", demo(t), openIn(demoDir), components, sources)
	if err != nil {
		t.Fatal(err)
	}
	if len(p.Sites) != 3 || len(p.Targets) != 2 || len(p.YieldTables) != 2 {
		t.Fatalf("%d sites, %d targets, %d yield tables", len(p.Sites), len(p.Targets), len(p.YieldTables))
	}
	saddlehorn, hollow := p.Site("saddlehorn"), p.Site("moth-hollow")
	// 16 g in 4 min, 25 g in an hour.
	if got, want := saddlehorn.Agent.RateGPerS(), 16.0/240; math.Abs(got-want) > 1e-15 {
		t.Errorf("flare: %v g/s, want %v", got, want)
	}
	if got, want := hollow.Agent.RateGPerS(), 25.0/3600; math.Abs(got-want) > 1e-15 {
		t.Errorf("generator: %v g/s, want %v", got, want)
	}
	if !math.IsNaN(hollow.AltitudeM) || hollow.ReleaseHeightM != 2 {
		t.Errorf("altitude %v, release height %v, want none and the default 2", hollow.AltitudeM, hollow.ReleaseHeightM)
	}
	if got := p.BarrierOf(hollow).TowardDeg; got != 90 {
		t.Errorf("barrier of the site's own: toward %v, want 90", got)
	}
	if got := p.BarrierOf(saddlehorn).TowardDeg; got != 80 {
		t.Errorf("barrier of the programme: toward %v, want 80", got)
	}
	if got := len(p.TargetsOf(p.Site("tin-kettle"))); got != 2 {
		t.Errorf("a site without targets serves %d, want all 2", got)
	}
	if got := p.YieldTable("contact").Points[0].AirTemperatureK; math.Abs(got-267.15) > 1e-9 {
		t.Errorf("-6 °C became %v K", got)
	}
	if got := p.Ensemble.OnsetWarmestK; math.Abs(got-268.15) > 1e-9 {
		t.Errorf("default onset -5 °C became %v K", got)
	}
	if p.Ensemble.Members != 200 || p.Ensemble.GrowthMinutes.Likely != 20 || p.Thresholds.Hysteresis != 5 {
		t.Errorf("ensemble %+v, thresholds %+v", p.Ensemble, p.Thresholds)
	}
	south, west, north, east := p.Bounds()
	if south != 43.86 || north != 44.27 || west != -114.80 || east != -114.28 {
		t.Errorf("bounds %v %v %v %v", south, west, north, east)
	}
}

// minimal is a small valid file; tests break one line of it. Lines are counted
// from 1, as editors do.
const minimal = `id: dale
name: Dale
sites:
  - id: hut
    name: Hut
    latitude_deg: 44
    longitude_deg: -114.8
    agent: {kind: generator, rate_g_per_h: 20, yield_table: slow}
targets:
  - id: basin
    name: Basin
    geometry:
      type: Polygon
      coordinates:
        - - [-114.6, 43.9]
          - [-114.4, 43.9]
          - [-114.4, 44.1]
          - [-114.6, 44.1]
          - [-114.6, 43.9]
yield_tables:
  - id: slow
    source: invented
    points:
      - {temperature_degc: -6, crystals_per_g: 2.0e10}
      - {temperature_degc: -20, crystals_per_g: 3.0e15}
`

func TestParseMinimal(t *testing.T) {
	p, err := Parse("dale.yaml", []byte(minimal), nil, components, sources)
	if err != nil {
		t.Fatal(err)
	}
	if p.Timezone != "UTC" || p.Releases.Count != 1 || p.Ensemble.Members != 100 {
		t.Errorf("defaults not filled in: %+v", p)
	}
}

const withSources = minimal + `inputs:
  - id: m
    kind: model
    source: hill-model
    base_url: http://localhost:8080/mirror
    products: [wrfprs, wrfsfc_00.50]
    forecast_hours: 18
    required: true
  - {id: r, kind: radar, source: sweeps, stations: [KXYZ]}
  - {id: f, kind: sounding, paths: [a]}
watch: {now_minutes: 2, idle_minutes: 30}
`

func TestParseSources(t *testing.T) {
	p, err := Parse("dale.yaml", []byte(withSources), nil, components, sources)
	if err != nil {
		t.Fatal(err)
	}
	m := p.Inputs[0]
	if m.Source != "hill-model" || m.BaseURL != "http://localhost:8080/mirror" || len(m.Products) != 2 || m.Products[1] != "wrfsfc_00.50" ||
		m.ForecastHours != 18 || !m.Required || m.Paths != nil || m.FreshHours != 3 {
		t.Errorf("model input %+v", m)
	}
	if r := p.Inputs[1]; r.Required || !math.IsNaN(r.ForecastHours) || len(r.Stations) != 1 {
		t.Errorf("radar input %+v", r)
	}
	if want := (Watch{NowMinutes: 2, OutlookMinutes: 15, IdleMinutes: 30}); p.Watch != want {
		t.Errorf("watch %+v, want %+v", p.Watch, want)
	}
	d := p.Describe(components)
	if in := d.Inputs[0]; in.Source == nil || *in.Source != "hill-model" || *in.BaseURL != m.BaseURL || *in.ForecastHours != 18 || !in.Required || in.Paths == nil {
		t.Errorf("described as %+v", in)
	}
	if in := d.Inputs[2]; in.Source != nil || in.BaseURL != nil || in.ForecastHours != nil || in.Required || in.Products == nil {
		t.Errorf("described as %+v", in)
	}
	if got, want := fmt.Sprint(d.Changes), "[{watch.now_minutes 2 5} {watch.idle_minutes 30 15}]"; got != want || d.Watch.IdleMinutes != 30 {
		t.Errorf("changes %s, want %s", got, want)
	}
	if _, err := Parse("dale.yaml", []byte(strings.ReplaceAll(withSources, "hill-model", "no-such")), nil, components, nil); err != nil {
		t.Errorf("without a list of sources any name is taken: %v", err)
	}
}

// Every row breaks the minimal file in one place; the error must name that line
// and column, and help.
func TestParseSaysWhere(t *testing.T) {
	for _, test := range []struct {
		name, old, new string
		line, column   int
		path           string
		says           []string
	}{
		{"unknown key", "    latitude_deg: 44", "    lattitude_deg: 44", 6, 5, "sites[0].lattitude_deg", []string{"unknown key", `did you mean "latitude_deg"?`}},
		{"unknown key, case", "id: dale", "ID: dale", 1, 1, "ID", []string{`did you mean "id"?`}},
		{"unknown key, nothing near", "name: Dale", "name: Dale\nzebra_crossing: dale", 3, 1, "zebra_crossing", []string{"known here: id, name"}},
		{"unknown key in a flow group", "rate_g_per_h: 20", "rate_g_per_hour: 20", 8, 30, "sites[0].agent.rate_g_per_hour", []string{`"rate_g_per_h"`}},
		{"key missing", "    name: Hut\n", "", 4, 5, "sites[0]", []string{`key "name" is missing`}},
		{"duplicate key", "name: Dale", "name: Dale\nname: Glen", 3, 1, "", []string{"already defined"}},
		{"above range", "latitude_deg: 44", "latitude_deg: 144", 6, 19, "sites[0].latitude_deg", []string{"144", "-85 to 85"}},
		{"open end of range", "crystals_per_g: 2.0e10", "crystals_per_g: 0", 24, 48, "yield_tables[0].points[0].crystals_per_g", []string{"above 0, up to 1e18"}},
		{"not a number", "latitude_deg: 44", "latitude_deg: forty", 6, 19, "sites[0].latitude_deg", []string{`"forty" is not a number`}},
		{"quoted number", "latitude_deg: 44", `latitude_deg: "44"`, 6, 19, "sites[0].latitude_deg", []string{"is text, a number is needed"}},
		{"infinite", "latitude_deg: 44", "latitude_deg: .inf", 6, 19, "sites[0].latitude_deg", []string{"number"}},
		{"empty value", "latitude_deg: 44", "latitude_deg:", 6, 5, "sites[0].latitude_deg", []string{"has no value"}},
		{"not whole", "name: Dale", "name: Dale\nensemble: {members: 10.5}", 3, 21, "ensemble.members", []string{"whole number"}},
		{"unsafe id", "id: dale", "id: dale.x", 1, 5, "id", []string{"short name"}},
		{"wildcard id", "id: dale", `id: ">"`, 1, 5, "id", []string{"short name"}},
		{"list instead of group", "agent: {kind: generator, rate_g_per_h: 20, yield_table: slow}", "agent: [1]", 8, 12, "sites[0].agent", []string{"is a list, a group of keys is needed"}},
		{"group instead of list", "  - id: slow\n    source: invented\n    points:\n      - {temperature_degc: -6, crystals_per_g: 2.0e10}\n      - {temperature_degc: -20, crystals_per_g: 3.0e15}\n", "  id: slow\n", 21, 3, "yield_tables", []string{"a list is needed"}},
		{"kind", "kind: generator", "kind: generater", 8, 19, "sites[0].agent.kind", []string{"flare, generator", `did you mean "generator"?`}},
		{"generator without rate", "rate_g_per_h: 20, ", "", 8, 13, "sites[0].agent", []string{"a generator needs the key rate_g_per_h"}},
		{"flare with rate", "kind: generator", "kind: flare, amount_g: 16, burn_minutes: 4", 8, 71, "sites[0].agent.rate_g_per_h", []string{"does not belong to a flare"}},
		{"no such table", "yield_table: slow", "yield_table: slwo", 8, 61, "sites[0].agent.yield_table", []string{`did you mean "slow"?`}},
		{"no such target", "    agent:", "    targets: [basim]\n    agent:", 8, 15, "sites[0].targets[0]", []string{`did you mean "basin"?`}},
		{"temperatures rise", "temperature_degc: -20", "temperature_degc: -2", 25, 28, "yield_tables[0].points[1].temperature_degc", []string{"warmest first"}},
		{"time zone", "name: Dale", "name: Dale\ntimezone: Mars/Olympus", 3, 11, "timezone", []string{"IANA"}},
		{"crest below site", "name: Dale", "name: Dale\nbarrier: {crest_altitude_m: 1, toward_deg: 90}", 9, 5, "", nil},
		{"ring open", "          - [-114.6, 43.9]\nyield", "          - [-114.6, 43.95]\nyield", 19, 13, "targets[0].geometry", []string{"not closed", "must repeat"}},
		{"swapped", "          - [-114.4, 44.1]", "          - [44.1, -114.4]", 17, 13, "targets[0].geometry", []string{"swapped?"}},
		{"bow tie", "          - [-114.4, 44.1]\n          - [-114.6, 44.1]", "          - [-114.6, 44.1]\n          - [-114.4, 44.1]", 0, 0, "targets[0].geometry", []string{"crosses or touches the edge"}},
		{"not a polygon", "type: Polygon", "type: Point", 13, 7, "targets[0].geometry", []string{"Point", "Polygon or MultiPolygon is needed"}},
		{"no geometry", minimal[strings.Index(minimal, "    geometry"):strings.Index(minimal, "yield_tables")], "", 10, 5, "targets[0]", []string{"needs a geometry"}},
		{"longitude sign", "longitude_deg: -114.8", "longitude_deg: 114.8", 4, 5, "sites[0]", []string{"km from the target", "sign of its longitude"}},
		{"no such component", "name: Dale", "name: Dale\nthresholds: {components: {liqid: {weight: 0.5}}}", 3, 27, "thresholds.components.liqid", []string{`did you mean "liquid"?`}},
		{"knots without unit", "name: Dale", "name: Dale\nthresholds: {components: {liquid: {knots: [[0, 0], [1, 1]]}}}", 3, 27, "thresholds.components.liquid", []string{"unit: mm"}},
		{"wrong unit", "name: Dale", "name: Dale\nthresholds: {components: {liquid: {unit: cm, knots: [[0, 0], [1, 1]]}}}", 3, 42, "thresholds.components.liquid.unit", []string{"mm"}},
		{"knots fall", "name: Dale", "name: Dale\nthresholds: {components: {liquid: {unit: mm, knots: [[1, 0], [1, 1]]}}}", 3, 62, "thresholds.components.liquid.knots[1]", []string{"does not exceed"}},
		{"membership", "name: Dale", "name: Dale\nthresholds: {components: {liquid: {unit: mm, knots: [[0, 0], [1, 1.1]]}}}", 3, 62, "thresholds.components.liquid.knots[1]", []string{"0 to 1"}},
		{"all weights zero", "name: Dale", "name: Dale\nthresholds: {components: {liquid: {weight: 0}, cross-barrier-wind: {weight: 0}}}", 3, 27, "thresholds.components", []string{"all weights are zero"}},
		{"onset order", "name: Dale", "name: Dale\nensemble: {onset_warmest_degc: -9}", 3, 12, "ensemble.onset_coldest_degc", []string{"warmer"}},
		{"growth order", "name: Dale", "name: Dale\nensemble: {growth_minutes: {shortest: 25}}", 3, 29, "ensemble.growth_minutes", []string{"must rise"}},
		{"never a window", "name: Dale", "name: Dale\nthresholds: {window_score: 98}", 3, 14, "thresholds", []string{"no window could open"}},
		{"input ages", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, paths: [a], fresh_hours: 13, maximum_age_hours: 12}]", 3, 56, "inputs[0].fresh_hours", []string{"exceeds"}},
		{"stations of a model", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, paths: [a], stations: [72681]}]", 3, 53, "inputs[0].stations", []string{"soundings, and to a source of radar data, only"}},
		{"stations of radar files", "name: Dale", "name: Dale\ninputs: [{id: r, kind: radar, paths: [a], stations: [KXYZ]}]", 3, 53, "inputs[0].stations", []string{"source of radar data"}},
		{"neither paths nor source", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model}]", 3, 11, "inputs[0]", []string{"needs one of the keys paths, source"}},
		{"paths and source", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, paths: [a], source: hill-model}]", 3, 51, "inputs[0].source", []string{"key paths is given too"}},
		{"paths misspelt", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, path: [a]}]", 3, 31, "inputs[0].path", []string{`did you mean "paths"?`}},
		{"no such source", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: hill-modle}]", 3, 39, "inputs[0].source", []string{`there is no source "hill-modle"`, "known here: hill-model, far-model, sweeps, anything"}},
		{"source of another kind", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: sweeps}]", 3, 39, "inputs[0].source", []string{"kind radar, not model"}},
		{"source is no token", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: a/b}]", 3, 39, "inputs[0].source", []string{"not a short name"}},
		{"base URL of files", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, paths: [a], base_url: 'https://m.example/'}]", 3, 53, "inputs[0].base_url", []string{"with a source only"}},
		{"scheme", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, base_url: 'ftp://m.example/'}]", 3, 59, "inputs[0].base_url", []string{`"ftp" is not http or https`}},
		{"no host", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, base_url: 'https:///x'}]", 3, 59, "inputs[0].base_url", []string{"no host"}},
		{"password", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, base_url: 'https://a:b@m.example/'}]", 3, 59, "inputs[0].base_url", []string{"user name or password"}},
		{"query", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, base_url: 'https://m.example/?a=b'}]", 3, 59, "inputs[0].base_url", []string{"query"}},
		{"no URL", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, base_url: 'https://m.example:x/'}]", 3, 59, "inputs[0].base_url", []string{"not a URL"}},
		{"products of files", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, paths: [a], products: [b]}]", 3, 53, "inputs[0].products", []string{"with a source only"}},
		{"product twice", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, products: [b, b]}]", 3, 63, "inputs[0].products[1]", []string{"listed twice"}},
		{"product with a space", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, products: [b c]}]", 3, 60, "inputs[0].products[0]", []string{"without spaces"}},
		{"hours of a radar", "name: Dale", "name: Dale\ninputs: [{id: m, kind: radar, source: sweeps, forecast_hours: 3}]", 3, 63, "inputs[0].forecast_hours", []string{"models only"}},
		{"hours out of range", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, forecast_hours: 400}]", 3, 65, "inputs[0].forecast_hours", []string{"above 0, up to 384"}},
		{"required is no word", "name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, required: maybe}]", 3, 59, "inputs[0].required", []string{"is text, true or false is needed"}},
		{"too often", "name: Dale", "name: Dale\nwatch: {now_minutes: 0.5}", 3, 22, "watch.now_minutes", []string{"1 to 60"}},
		{"too coarse", "name: Dale", "name: Dale\nwatch: {outlook_minutes: 180}", 3, 26, "watch.outlook_minutes", []string{"5 to 120"}},
		{"idle too often", "name: Dale", "name: Dale\nwatch: {now_minutes: 10, idle_minutes: 6}", 3, 40, "watch.idle_minutes", []string{"6 is shorter than now_minutes 10"}},
		{"anchor", "name: Dale", "name: &n Dale", 2, 7, "name", []string{"anchor"}},
		{"second document", "name: Dale", "name: Dale\n---\nid: x", 4, 1, "", []string{"second YAML document"}},
		{"not YAML", "name: Dale", "name: [Dale", 3, 1, "", nil},
	} {
		t.Run(test.name, func(t *testing.T) {
			text := strings.Replace(minimal, test.old, test.new, 1)
			if text == minimal {
				t.Fatal("the test changes nothing")
			}
			if test.name == "crest below site" {
				text = strings.Replace(text, "    longitude_deg: -114.8", "    longitude_deg: -114.8\n    altitude_m: 1500", 1)
				test.line, test.column, test.path = 9, 17, "sites[0].altitude_m"
			}
			_, err := Parse("dale.yaml", []byte(text), nil, components, sources)
			var problems Problems
			if !errors.As(err, &problems) {
				t.Fatalf("accepted, or an error of another type: %v", err)
			}
			if len(problems) != 1 {
				t.Fatalf("%d problems, want one:\n%v", len(problems), err)
			}
			got := problems[0]
			if got.Path != test.path || test.line != 0 && (got.Line != test.line || got.Column != test.column) {
				t.Errorf("got %v, want line %d, column %d, path %q", got, test.line, test.column, test.path)
			}
			for _, words := range test.says {
				if !strings.Contains(got.Message, words) {
					t.Errorf("%q does not say %q", got.Message, words)
				}
			}
			if prefix := fmt.Sprintf("dale.yaml:%d:%d: ", got.Line, got.Column); !strings.HasPrefix(err.Error(), prefix) {
				t.Errorf("%q does not begin with %q", err, prefix)
			}
		})
	}
}

func TestParseReportsAllProblems(t *testing.T) {
	text := strings.NewReplacer("latitude_deg: 44", "latitude_deg: 444", "kind: generator", "kind: candle", "temperature_degc: -20", "temperature_degc: -200").Replace(minimal)
	_, err := Parse("dale.yaml", []byte(text), nil, components, sources)
	var problems Problems
	if !errors.As(err, &problems) || len(problems) != 3 {
		t.Fatalf("want three problems, got:\n%v", err)
	}
	if problems[0].Line != 6 || problems[1].Line != 8 || problems[2].Line != 25 {
		t.Errorf("not in the order of lines:\n%v", err)
	}
}

func TestParseGeometryFile(t *testing.T) {
	start, end := strings.Index(minimal, "    geometry:"), strings.Index(minimal, "yield_tables:")
	text := []byte(minimal[:start] + "    file: basin.geojson\n" + minimal[end:])
	square := `{"type":"Polygon","coordinates":[[[-114.6,43.9],[-114.4,43.9],[-114.4,44.1],[-114.6,44.1],[-114.6,43.9]]]}`
	for _, test := range []struct{ name, content, says string }{
		{"geometry", square, ""},
		{"feature", `{"type":"Feature","properties":null,"geometry":` + square + `}`, ""},
		{"collection of one", `{"type":"FeatureCollection","features":[{"type":"Feature","geometry":` + square + `}]}`, ""},
		{"altitudes", strings.ReplaceAll(square, "]", ",1500]")[:0] + strings.ReplaceAll(strings.ReplaceAll(square, "43.9]", "43.9,1500]"), "44.1]", "44.1,1500]"), ""},
		{"collection of two", `{"type":"FeatureCollection","features":[{"type":"Feature","geometry":` + square + `},{"type":"Feature","geometry":` + square + `}]}`, "2 features, one is needed"},
		{"point", `{"type":"Point","coordinates":[1,2]}`, "Polygon or MultiPolygon is needed"},
		{"no JSON", `{"type":`, "is not JSON"},
		{"text", `hello`, "is not JSON"},
		{"null geometry", `{"type":"Feature","geometry":null}`, "no geometry"},
		{"empty", `{"type":"Polygon","coordinates":[]}`, "has no ring"},
		{"no parts", `{"type":"MultiPolygon","coordinates":[]}`, "has no polygon"},
		{"flat", `{"type":"Polygon","coordinates":[1,2]}`, "lists of rings"},
		{"huge", `{"type":"Polygon","coordinates":[[[-120,40],[-110,40],[-110,50],[-120,50],[-120,40]]]}`, "at most 500 km"},
		{"antimeridian", `{"type":"Polygon","coordinates":[[[179,44],[-179,44],[-179,45],[179,45],[179,44]]]}`, "antimeridian"},
		{"no area", `{"type":"Polygon","coordinates":[[[-114.6,43.9],[-114.5,43.9],[-114.4,43.9],[-114.6,43.9]]]}`, "touches the edge"},
	} {
		t.Run(test.name, func(t *testing.T) {
			p, err := Parse("dale.yaml", text, func(name string) ([]byte, error) {
				if name != "basin.geojson" {
					t.Errorf("opened %q", name)
				}
				return []byte(test.content), nil
			}, components, sources)
			if test.says == "" {
				if err != nil {
					t.Fatal(err)
				}
				if p.GeometrySHA256["basin.geojson"] == "" {
					t.Error("no digest of the geometry file")
				}
				return
			}
			if err == nil || !strings.Contains(err.Error(), test.says) || !strings.Contains(err.Error(), "basin.geojson") {
				t.Errorf("got %v, want %q and the file's name", err, test.says)
			}
		})
	}
	if _, err := Parse("dale.yaml", text, openIn(t.TempDir()), components, sources); err == nil || !strings.Contains(err.Error(), "targets[0].file") {
		t.Errorf("absent file: %v", err)
	}
}

// The committed schema is what the struct tags say, and accepts and refuses what
// the parser does, as far as single values go.
func TestSchema(t *testing.T) {
	want, err := schemaOfTypes()
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(Schema, want) {
		t.Errorf("programme.schema.json differs from the types; it should read:\n%s", want)
	}
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(Schema))
	if err != nil {
		t.Fatal(err)
	}
	compiler := jsonschema.NewCompiler()
	if err := compiler.AddResource("programme", document); err != nil {
		t.Fatal(err)
	}
	schema, err := compiler.Compile("programme")
	if err != nil {
		t.Fatal(err)
	}
	validate := func(text []byte) error {
		asJSON, err := yaml.YAMLToJSON(text)
		if err != nil {
			t.Fatal(err)
		}
		value, err := jsonschema.UnmarshalJSON(bytes.NewReader(asJSON))
		if err != nil {
			t.Fatal(err)
		}
		return schema.Validate(value)
	}
	for name, text := range map[string][]byte{"demo": demo(t), "minimal": []byte(minimal), "sources": []byte(withSources), "holds": []byte(withHolds), "inputs": []byte(withInputs)} {
		if err := validate(text); err != nil {
			t.Errorf("%s: %v", name, err)
		}
	}
	for _, change := range [][2]string{
		{"latitude_deg: 44", "lattitude_deg: 44"}, {"latitude_deg: 44", "latitude_deg: 144"},
		{"kind: generator", "kind: candle"}, {"id: dale", "id: a.b"}, {"name: Dale\n", ""},
		{"crystals_per_g: 2.0e10", "crystals_per_g: 0"},
		{"name: Dale", "name: Dale\ninputs: [{id: m, kind: model}]"},
		{"name: Dale", "name: Dale\ninputs: [{id: m, kind: model, paths: [a], source: anything}]"},
		{"name: Dale", "name: Dale\ninputs: [{id: m, kind: model, source: anything, required: 1}]"},
		{"name: Dale", "name: Dale\nwatch: {idle_minutes: 0}"},
		{"name: Dale", "name: Dale\ninputs: [{id: x, kind: gauge, paths: [a], format: xml, gauges: [a]}]"},
		{"name: Dale", "name: Dale\ninputs: [{id: x, kind: telemetry, paths: [a], telemetry: {site: s, time: t}}]"},
		{"name: Dale", "name: Dale\nholds: [{id: x, kind: wind, source: s, hold_above: 1, lift: never}]"},
		{"name: Dale", "name: Dale\nholds: [{id: x, kind: hours, source: s, from_time: 5am, to_time: '22:00'}]"},
	} {
		text := strings.Replace(minimal, change[0], change[1], 1)
		if validate([]byte(text)) == nil {
			t.Errorf("the schema accepts %q", change[1])
		}
		if _, err := Parse("x", []byte(text), nil, components, sources); err == nil {
			t.Errorf("the parser accepts %q", change[1])
		}
	}
}

func TestChangesFromDefault(t *testing.T) {
	p, err := Parse("programme.yaml", demo(t), openIn(demoDir), components, sources)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]string{}
	for _, change := range p.Describe(components).Changes {
		got[change.Path] = change.Value + " for " + change.Default
	}
	want := map[string]string{
		"releases.count": "4 for 1", "ensemble.members": "200 for 100", "ensemble.seed": "20260214 for 1",
		"thresholds.window_score":                        "55 for 60",
		"thresholds.components.cross-barrier-wind.knots": "3:0 6:0.5 9:1 20:1 25:0.7 35:0 m/s for 2:0 8:1 m/s",
	}
	if fmt.Sprint(got) != fmt.Sprint(want) {
		t.Errorf("got  %v\nwant %v", got, want)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(minimal))
	f.Add(demo(f))
	f.Add([]byte(withSources))
	f.Add([]byte(withHolds))
	f.Add([]byte(withInputs))
	f.Add([]byte("a: &x [*x]\n"))
	f.Add([]byte("{{{{[[[[: : : -"))
	f.Add([]byte("? - - - - : 1\n<<: {a: b}\n!!map x: |\n  1\n"))
	f.Add([]byte(strings.Replace(minimal, "[-114.4, 44.1]", "[1e999, {a: [1]}]", 1)))
	f.Fuzz(func(t *testing.T, b []byte) {
		p, err := Parse("fuzz", b, openText, components, safetySources)
		var problems Problems
		switch {
		case err == nil && p == nil:
			t.Fatal("neither programme nor error")
		case err != nil && (!errors.As(err, &problems) || len(problems) == 0):
			t.Fatalf("error of another type: %v", err)
		}
		for _, problem := range problems {
			if problem.Line < 0 || problem.Line > bytes.Count(b, []byte("\n"))+bytes.Count(b, []byte("\r"))+2 {
				t.Fatalf("line %d of a file with fewer: %v", problem.Line, problem)
			}
		}
		if p != nil {
			if _, err := json.Marshal(p.Describe(components)); err != nil {
				t.Fatal(err)
			}
			for i := range p.Targets {
				if area := p.Targets[i].AreaM2(); !(area > 0) {
					t.Fatalf("area %v", area)
				}
			}
		}
	})
}
