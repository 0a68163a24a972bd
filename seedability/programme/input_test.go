package programme

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"testing"
)

// safetySources is an invented list of sources for suspension criteria.
var safetySources = append(slices.Clone(sources),
	KnownSource{Name: "rivers", Kind: "gauge", Format: FormatUSGS}, KnownSource{Name: "flood-points", Kind: "gauge", Format: FormatNWPSGauge},
	KnownSource{Name: "snow-stations", Kind: "gauge", Format: FormatSnotel}, KnownSource{Name: "any-table", Kind: "gauge", Format: FormatTable, NeedsURL: true},
	KnownSource{Name: "any-json", Kind: "gauge", Format: FormatJSON, NeedsURL: true}, KnownSource{Name: "alarms", Kind: "warnings", Format: FormatAlerts},
	KnownSource{Name: "any-cap", Kind: "warnings", Format: FormatAlerts, NeedsURL: true}, KnownSource{Name: "danger-map", Kind: "avalanche", Format: FormatMapLayer},
	KnownSource{Name: "any-danger", Kind: "avalanche", Format: FormatDanger, NeedsURL: true}, KnownSource{Name: "crews", Kind: "telemetry", Format: FormatTelemetry, NeedsURL: true})

func openText(name string) ([]byte, error) {
	if name != "normal.csv" {
		return nil, errors.New(name + ": no such file")
	}
	return []byte("day,mm\n12-01,100\n"), nil
}

// withInputs has an input of every kind and format for the criteria of withHolds,
// invented.
var withInputs = withHolds + `inputs:
  - {id: creek, kind: gauge, source: flood-points, gauges: [g1]}
  - id: pond
    kind: gauge
    source: rivers
    gauges: [g2]
    poll_minutes: 10
    suspect: [{gauge: g2, quantity: stage, unit: ft, min: 0, max: 30, max_rise_per_hour: 4, flat_hours: 0}]
  - id: lake
    kind: gauge
    source: any-table
    url: https://water.example/lake.csv?days=2
    table:
      time: [DATE, TIME]
      layout: YYYY-MM-DD HH:mm
      time_zone: "-08:00"
      gauge: l1
      missing: [-9999, "---"]
      values: [{column: STORAGE, quantity: storage, unit: acre-ft, flag_column: Q, codes: {P: provisional, "2": good}}]
  - id: pack
    kind: gauge
    paths: [swe/*.json]
    format: json
    gauges: [s1]
    json:
      - {gauge: id, quantity: snow_water_equivalent, unit: "'in'", time: "data[*].t", layout: unix, value: "data[*].v"}
    normals: [{gauge: s1, file: normal.csv, date: day, value: mm, unit: mm}]
  - {id: other, kind: gauge, source: snow-stations, gauges: ["538:CO:SNTL"], time_zone: "-08:00"}
  - {id: alarms, kind: warnings, source: alarms, zones: [IDZ013, IDC037], feed: nws}
  - {id: province, kind: warnings, paths: [cap.xml]}
  - {id: slides, kind: avalanche, source: danger-map, stations: [XAC], zones: [north], time_zone: UTC}
  - {id: elsewhere, kind: avalanche, source: any-danger, url: "https://danger.example/", danger: {rows: "features[*]", zone: properties.name, level: properties.level}}
  - id: crews
    kind: telemetry
    source: bus
    telemetry: {site: site, time: at, layout: rfc3339, battery: {path: v, unit: V}, faults: [faults]}
  - {id: radar, kind: radar, source: sweeps, stations: [KXYZ]}
  - {id: model, kind: model, source: hill-model}
`

func TestParseInputs(t *testing.T) {
	p, err := Parse("dale.yaml", []byte(withInputs), openText, components, safetySources)
	if err != nil {
		t.Fatal(err)
	}
	formats := map[string]string{}
	for i := range p.Inputs {
		formats[p.Inputs[i].ID] = p.Inputs[i].Format
	}
	want := map[string]string{"creek": FormatNWPSGauge, "pond": FormatUSGS, "lake": FormatTable, "pack": FormatJSON, "other": FormatSnotel, "alarms": FormatAlerts, "province": FormatAlerts,
		"slides": FormatMapLayer, "elsewhere": FormatDanger, "crews": FormatTelemetry, "radar": "", "model": ""}
	if fmt.Sprint(formats) != fmt.Sprint(want) {
		t.Errorf("formats\n%v, want\n%v", formats, want)
	}
	pond, lake, alarms, crews := p.Input("pond"), p.Input("lake"), p.Input("alarms"), p.Input("crews")
	if pond.PollMinutes != 10 || pond.Suspect[0].Max != 30 || pond.Suspect[0].FlatHours != 0 || !math.IsNaN(pond.Suspect[0].MaxFallPerHour) || !math.IsNaN(lake.PollMinutes) {
		t.Errorf("pond %+v", pond)
	}
	if !slices.Equal(lake.Gauges, []string{"l1"}) || lake.Table.Values[0].Codes["2"] != "good" || !slices.Equal(lake.Table.Missing, []string{"-9999", "---"}) || lake.Host() != "water.example" {
		t.Errorf("lake %+v", lake)
	}
	if alarms.Feed != "nws" || p.Input("province").Feed != "province" || crews.Telemetry.Battery.Unit != "V" || crews.Telemetry.SolarA != nil {
		t.Errorf("alarms %+v, crews %+v", alarms, crews)
	}
	if string(p.Input("pack").Normals[0].Text) != "day,mm\n12-01,100\n" || len(p.GeometrySHA256["normal.csv"]) != 64 {
		t.Errorf("normals %+v", p.Input("pack").Normals)
	}
	if p.Input("nothing") != nil || !pond.IsSafety() || p.Input("radar").IsSafety() {
		t.Error("lookup")
	}
	// Whoever looks closer at a mapping finds its place again.
	line := 1 + strings.Count(withInputs[:strings.Index(withInputs, "layout: YYYY")], "\n")
	if got := p.InputProblem("inputs[2].table.layout", "is %s", "odd"); got.Line != line || got.Column != 15 || got.Message != "is odd" || got.File != "dale.yaml" {
		t.Errorf("problem %+v, want line %d, column 15", got, line)
	}
	if got := p.InputProblem("inputs[2].table.comment", "x"); got.Line != line-1 { // begins with its first key
		t.Errorf("problem of what is not there %+v, want the section's line %d", got, line-1)
	}
	d := p.Describe(components)
	if _, err := json.Marshal(d); err != nil {
		t.Error(err)
	}
	for _, in := range d.Inputs {
		if safety := in.FreshHours == nil; safety != p.Input(in.ID).IsSafety() {
			t.Errorf("%s: %+v", in.ID, in)
		}
	}
	if in := d.Inputs[2]; *in.Host != "water.example" || *in.Format != "table" || strings.Contains(fmt.Sprint(d.Remarks), "seems to hold a key") {
		t.Errorf("lake is described as %+v; %q", in, d.Remarks)
	}
	secret := strings.Replace(withInputs, "days=2", "days=2&Token=hush", 1)
	if p, err = Parse("dale.yaml", []byte(secret), openText, components, safetySources); err != nil {
		t.Fatal(err)
	}
	told, _ := json.Marshal(p.Describe(components))
	if !strings.Contains(string(told), "input lake seems to hold a key") || strings.Contains(string(told), "hush") {
		t.Errorf("a key in an address is told as\n%s", told)
	}
}

// Every row is one input that is wrong; the error names its line and helps.
func TestInputsSayWhere(t *testing.T) {
	line := 1 + strings.Count(minimal, "\n") + 1
	const mapping = "telemetry: {site: s, time: t, layout: unix}"
	const table = "table: {time: [t], layout: unix, gauge: a, values: [{column: v, quantity: flow, unit: cfs}]}"
	for _, test := range []struct{ name, input, path, says string }{
		{"key of another kind", "{id: x, kind: gauge, source: rivers, gauges: [a], feed: nws}", ".feed", "does not belong to an input of the kind gauge"},
		{"age of a gauge", "{id: x, kind: gauge, source: rivers, gauges: [a], fresh_hours: 1}", ".fresh_hours", "kind gauge"},
		{"required", "{id: x, kind: warnings, source: alarms, required: true}", ".required", "kind warnings"},
		{"gauges of a model", "{id: x, kind: model, source: hill-model, gauges: [a]}", ".gauges", "kind model"},
		{"address of a model", "{id: x, kind: model, source: hill-model, url: 'https://x/'}", ".url", "kind model"},
		{"pace of a radar", "{id: x, kind: radar, source: sweeps, poll_minutes: 5}", ".poll_minutes", "kind radar"},
		{"no gauges", "{id: x, kind: gauge, source: rivers}", "", "needs the key gauges"},
		{"gauge twice", "{id: x, kind: gauge, source: rivers, gauges: [a, a]}", ".gauges[1]", "listed twice"},
		{"no such source", "{id: x, kind: gauge, source: river, gauges: [a]}", ".source", "no source"},
		{"source of another kind", "{id: x, kind: gauge, source: alarms, gauges: [a]}", ".source", "kind warnings"},
		{"no address", "{id: x, kind: gauge, source: any-table, " + table + "}", "", "needs the key url"},
		{"address too many", "{id: x, kind: gauge, source: rivers, url: 'https://x/', gauges: [a]}", ".url", "address of its own"},
		{"address of a file", "{id: x, kind: telemetry, paths: [a], url: 'https://x/', " + mapping + "}", ".url", "needs a source"},
		{"format of a source", "{id: x, kind: gauge, source: rivers, format: usgs, gauges: [a]}", ".format", "belongs to files"},
		{"no format", "{id: x, kind: gauge, paths: [a], gauges: [a]}", "", "need the key format"},
		{"unknown format", "{id: x, kind: gauge, paths: [a], format: xml, gauges: [a]}", ".format", "usgs, nwps-gauge"},
		{"stage and flow of two", "{id: x, kind: gauge, paths: [a], format: nwps-stageflow, gauges: [a, b]}", "", "one file and one gauge"},
		{"no table", "{id: x, kind: gauge, source: any-table, url: 'https://x/', gauges: [a]}", "", "needs the section table"},
		{"table of the wrong source", "{id: x, kind: gauge, source: rivers, gauges: [a], " + table + "}", ".table", "format usgs"},
		{"table without gauge", "{id: x, kind: gauge, paths: [a], format: table, gauges: [a], table: {time: [t], layout: unix, values: [{column: v, quantity: flow, unit: cfs}]}}", ".table", "gauge or gauge_column"},
		{"gauge of the table is none", "{id: x, kind: gauge, paths: [a], format: table, gauges: [b], " + table + "}", ".table.gauge", "not one of gauges"},
		{"value without unit", "{id: x, kind: gauge, paths: [a], format: table, table: {time: [t], layout: unix, gauge: a, values: [{column: v, quantity: flow}]}}", ".table.values[0]", "without a unit"},
		{"half a condition", "{id: x, kind: gauge, paths: [a], format: table, table: {time: [t], layout: unix, gauge: a, values: [{column: v, quantity: flow, unit: cfs, where_is: a}]}}", ".table.values[0]", "both where_column and where_is"},
		{"quantity", "{id: x, kind: gauge, paths: [a], format: table, table: {time: [t], layout: unix, gauge: a, values: [{column: v, quantity: flaw, unit: cfs}]}}", ".table.values[0].quantity", `did you mean "flow"?`},
		{"snow without a zone", "{id: x, kind: gauge, source: snow-stations, gauges: [a]}", "", "needs the key time_zone"},
		{"zone of a source that needs none", "{id: x, kind: gauge, source: rivers, gauges: [a], time_zone: UTC}", ".time_zone", "format usgs"},
		{"limits of another gauge", "{id: x, kind: gauge, source: rivers, gauges: [a], suspect: [{gauge: b, quantity: stage, unit: ft, max: 3}]}", ".suspect[0].gauge", "none of the gauges"},
		{"limits of no quantity", "{id: x, kind: gauge, source: rivers, gauges: [a], suspect: [{gauge: a, quantity: stag, unit: ft, max: 3}]}", ".suspect[0].quantity", `did you mean "stage"?`},
		{"limits in another unit", "{id: x, kind: gauge, source: rivers, gauges: [a], suspect: [{gauge: a, quantity: stage, unit: cfs, max: 3}]}", ".suspect[0].unit", "no unit of stage"},
		{"limits that cross", "{id: x, kind: gauge, source: rivers, gauges: [a], suspect: [{gauge: a, quantity: stage, unit: ft, min: 3, max: 3}]}", ".suspect[0].min", "below max"},
		{"no limits", "{id: x, kind: gauge, source: rivers, gauges: [a], suspect: [{gauge: a, quantity: stage, unit: ft}]}", ".suspect[0]", "sets no limit"},
		{"limits twice", "{id: x, kind: gauge, source: rivers, gauges: [a], suspect: [{gauge: a, quantity: stage, unit: ft, max: 3}, {gauge: a, quantity: stage, unit: ft, min: 3}]}", ".suspect[1]", "already"},
		{"normal of another gauge", "{id: x, kind: gauge, source: rivers, gauges: [a], normals: [{gauge: b, file: normal.csv, date: d, value: v, unit: mm}]}", ".normals[0].gauge", "none of the gauges"},
		{"normal in another unit", "{id: x, kind: gauge, source: rivers, gauges: [a], normals: [{gauge: a, file: normal.csv, date: d, value: v, unit: cfs}]}", ".normals[0].unit", "depth of water"},
		{"normal that is not there", "{id: x, kind: gauge, source: rivers, gauges: [a], normals: [{gauge: a, file: none.csv, date: d, value: v, unit: mm}]}", ".normals[0].file", "no such file"},
		{"several lists", "{id: x, kind: warnings, paths: [a, b]}", ".paths", "one file"},
		{"a pattern of lists", "{id: x, kind: warnings, paths: ['*.xml']}", ".paths", "one file"},
		{"zones of a file", "{id: x, kind: warnings, paths: [a], zones: [IDZ013]}", ".zones", "asked for it"},
		{"stations of a file", "{id: x, kind: avalanche, paths: [a], stations: [XAC], danger: {zone: z, level: l}}", ".stations", "asked for it"},
		{"danger without level", "{id: x, kind: avalanche, paths: [a], danger: {zone: z}}", ".danger", "needs level, or bands"},
		{"danger with times, no layout", "{id: x, kind: avalanche, paths: [a], danger: {zone: z, level: l, to: t}}", ".danger", "layout"},
		{"danger without mapping", "{id: x, kind: avalanche, paths: [a]}", "", "needs the section danger"},
		{"map without zone", "{id: x, kind: avalanche, source: danger-map, stations: [XAC]}", "", "needs the key time_zone"},
		{"telemetry without mapping", "{id: x, kind: telemetry, source: bus}", "", "needs the section telemetry"},
		{"gauges over the bus", "{id: x, kind: gauge, source: bus, gauges: [a]}", ".source", "bus"},
		{"asking the bus", "{id: x, kind: telemetry, source: bus, poll_minutes: 5, " + mapping + "}", ".poll_minutes", "over the bus"},
		{"mirror of the bus", "{id: x, kind: telemetry, source: bus, base_url: 'https://x/', " + mapping + "}", ".base_url", "over the bus"},
		{"too often", "{id: x, kind: telemetry, source: crews, url: 'https://x/', poll_minutes: 0.1, " + mapping + "}", ".poll_minutes", "0.25 to 1440"},
		{"mapping key", "{id: x, kind: telemetry, source: bus, telemetry: {sitee: s, time: t, layout: unix}}", ".telemetry.sitee", `did you mean "site"?`},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, err := Parse("dale.yaml", []byte(minimal+"inputs:\n  - "+test.input+"\n"), openText, components, safetySources)
			problems, ok := err.(Problems)
			if !ok {
				t.Fatalf("no problem: %v", err)
			}
			for _, problem := range problems {
				if problem.Line == line && problem.Path == "inputs[0]"+test.path && strings.Contains(problem.Message, test.says) {
					return
				}
			}
			t.Errorf("got\n%v\nwant line %d, inputs[0]%s, %q", err, line, test.path, test.says)
		})
	}
	twice := "inputs:\n  - {id: x, kind: warnings, source: alarms, feed: z}\n  - {id: z, kind: warnings, paths: [a]}\n"
	if _, err := Parse("dale.yaml", []byte(minimal+twice), nil, components, safetySources); err == nil || !strings.Contains(err.Error(), "is the feed of inputs[0] already") {
		t.Errorf("a feed twice: %v", err)
	}
	// Names that nobody checks give no format, and nothing is asked of it.
	if _, err := Parse("dale.yaml", []byte(minimal+"inputs: [{id: x, kind: gauge, source: whatever, gauges: [a]}]\n"), nil, components, nil); err != nil {
		t.Error(err)
	}
}

// What a criterion asks for and no input gives is told; dropping any input of a
// programme that has all only ever adds to that.
func TestMissingEvidence(t *testing.T) {
	full, err := Parse("dale.yaml", []byte(withInputs), openText, components, safetySources)
	if err != nil {
		t.Fatal(err)
	}
	if got := full.MissingEvidence(); len(got) > 0 {
		t.Errorf("nothing is missing, yet %q", got)
	}
	serves := map[string]string{"creek": "creek", "pond": "pond", "lake": "lake", "pack": "pack", "alarms": "alarms", "crews": "ready", "radar": "rain", "model": "melt"}
	for i := range full.Inputs {
		fewer := *full
		fewer.Inputs = slices.Delete(slices.Clone(full.Inputs), i, i+1)
		id := full.Inputs[i].ID
		got := strings.Join(fewer.MissingEvidence(), "\n")
		if want := serves[id]; want != "" && !strings.Contains(got, "criterion "+want+" ") || want == "" && got != "" {
			t.Errorf("without %s: %q, want criterion %q", id, got, want)
		}
		for _, sentence := range fewer.MissingEvidence() {
			if !strings.HasSuffix(sentence, "it will be unknown, which counts as held.") {
				t.Errorf("%q", sentence)
			}
		}
	}
	for _, test := range []struct{ name, old, new, want string }{
		{"no feed", "feed: nws", "feed: other", `criterion alarms asks for the list of warnings "nws", which no input gives: it will be unknown, which counts as held.`},
		{"no zone of danger", "zones: [north], time_zone", "zones: [south], time_zone", ""}, // the other input tells no zones
		{"no category", "source: flood-points, gauges: [g1]", "source: rivers, gauges: [g1]", "criterion creek asks for the flood category of gauge g1, which no input gives"},
		{"no such quantity", "quantity: storage, unit: acre-ft, flag", "quantity: elevation, unit: ft, flag", "criterion lake asks for storage of gauge l1, which no input gives"},
		{"forecast of what is only observed", "hold_rise_per_hour: 1", "hold_rise_per_hour: 1, forecast_hours: 6", "criterion pond asks for the forecast of stage of gauge g2"},
		{"unit of another dimension", "quantity: stage, unit: ft, hold_above: 7.5", "quantity: stage, unit: cfs, hold_above: 7.5", "criterion pond asks for stage in cfs, which is given in m and cannot be converted"},
		{"no normal", "    normals: [{gauge: s1, file: normal.csv, date: day, value: mm, unit: mm}]\n", "", "criterion pack asks for snow_water_equivalent_normal_april_1 of gauge s1"},
		{"a zone that nobody asks for", "    longitude_deg: -114.8\n", "    longitude_deg: -114.8\n    zones: [IDZ014]\n", ""},
		{"wind by a station", "hold_above: 20, sector", "hold_above: 20, inputs: [station], sector", "criterion gale asks for wind by station, which no input gives"},
	} {
		if !strings.Contains(withInputs, test.old) {
			t.Fatalf("%s: %q is not there", test.name, test.old)
		}
		p, err := Parse("dale.yaml", []byte(strings.Replace(withInputs, test.old, test.new, 1)), openText, components, safetySources)
		if err != nil {
			t.Fatal(err)
		}
		got := strings.Join(p.MissingEvidence(), "\n")
		if test.want == "" && got != "" || !strings.Contains(got, test.want) {
			t.Errorf("%s: %q, want %q", test.name, got, test.want)
		}
		if got != "" && !strings.Contains(strings.Join(p.Describe(components).Remarks, "\n"), got) {
			t.Errorf("%s: it is no remark", test.name)
		}
	}
	// A zone is missed only where every list is asked by zones.
	text := strings.Replace(strings.Replace(withInputs, "  - {id: province, kind: warnings, paths: [cap.xml]}\n", "", 1), "    longitude_deg: -114.8\n", "    longitude_deg: -114.8\n    zones: [IDZ013, IDZ014, \"016037\"]\n", 1)
	for _, areas := range []bool{false, true} {
		if areas {
			text = strings.Replace(text, "zones: [IDZ013, IDC037], feed", "areas: [ID], feed", 1)
		}
		p, err := Parse("dale.yaml", []byte(text), openText, components, safetySources)
		if err != nil {
			t.Fatal(err)
		}
		want := "site hut lies in zone IDZ014, for which no input asks for warnings: they will not be seen."
		if got := strings.Join(p.MissingEvidence(), "\n"); areas && got != "" || !areas && got != want {
			t.Errorf("areas %v: %q, want %q", areas, got, want)
		}
	}
	// Without any input every criterion that asks for one is named.
	p, err := Parse("dale.yaml", []byte(withHolds), nil, components, sources)
	if err != nil {
		t.Fatal(err)
	}
	got := strings.Join(p.MissingEvidence(), "\n")
	for _, id := range []string{"rain", "creek", "pond", "lake", "pack", "zero", "melt", "alarms", "scar", "gale", "ready", "slide"} {
		if !strings.Contains(got, "criterion "+id+" ") {
			t.Errorf("criterion %s has nothing to be judged by, and nobody is told", id)
		}
	}
	for _, id := range []string{"winter", "clock", "amount", "orders"} {
		if strings.Contains(got, "criterion "+id+" ") {
			t.Errorf("criterion %s needs no input: %s", id, got)
		}
	}
}
