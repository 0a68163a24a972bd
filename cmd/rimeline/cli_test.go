package main

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/json"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"rimeline/ingest/testfiles"
	"rimeline/seedability/programme"
)

const (
	stormModel    = "testdata/storm.grib2"
	demoProgramme = "../../testdata/demo/programme.yaml"
	demoSounding  = "../../testdata/sounding/larkmoor.igra2.txt"
)

func content(t testing.TB, path string) []byte {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// write puts bytes into a file of a folder that goes away with the test.
func write(t testing.TB, name string, b []byte) string {
	t.Helper()
	path := filepath.Join(t.TempDir(), name)
	if err := os.WriteFile(path, b, 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func gzipped(t testing.TB, parts ...[]byte) []byte {
	t.Helper()
	var b bytes.Buffer
	for _, part := range parts { // a member each
		w := gzip.NewWriter(&b)
		if _, err := w.Write(part); err != nil {
			t.Fatal(err)
		}
		if err := w.Close(); err != nil {
			t.Fatal(err)
		}
	}
	return b.Bytes()
}

// An invented file against ecCodes 2.28.0:
//
//	grib_get -p count,discipline,parameterCategory,parameterNumber,level,Ni,Nj,min,max,average,numberOfMissing -F %.9g -l 44.02,-114.80,1 FILE
func TestStormAgainstReference(t *testing.T) {
	rows := readReference(t, "testdata/storm.tsv")
	messages := decoded[[]fileObject](t, rimeline(t, "inspect", "--json", stormModel))[0].Messages
	samples := decoded[[]sampleObject](t, rimeline(t, "sample", stormModel, "--at", "44.02,-114.80"))
	if len(messages) != len(rows) || len(samples) != len(rows) {
		t.Fatalf("%d messages and %d samples, want %d", len(messages), len(samples), len(rows))
	}
	for k, row := range rows {
		m, s := messages[k], samples[k]
		if strconv.Itoa(m.Number) != row["number"] || m.Parameter != row["parameter"] || strconv.Itoa(m.NI) != row["ni"] || strconv.Itoa(m.NJ) != row["nj"] || strconv.Itoa(*m.Missing) != row["missing"] {
			t.Errorf("message %s: %+v", row["number"], m)
		}
		if !near(m.Min, row.number(t, "min")) || !near(m.Max, row.number(t, "max")) || m.Mean == nil || math.Abs(*m.Mean-row.number(t, "mean")) > 1e-7*math.Abs(*m.Max) {
			t.Errorf("message %s: min %s max %s mean %s, want %s %s %s", row["number"], text(m.Min), text(m.Max), text(m.Mean), row["min"], row["max"], row["mean"])
		}
		if !near(s.Nearest.Value, row.number(t, "near")) {
			t.Errorf("message %s: nearest %s, want %s", row["number"], text(s.Nearest.Value), row["near"])
		}
		if level := row.number(t, "level"); m.LevelType == "isobaric surface" && (m.Level == nil || *m.Level != 100*level || *m.LevelUnits != "Pa") {
			t.Errorf("message %s: level %s, want %v hPa in Pa", row["number"], text(m.Level), level)
		}
		if m.ReferenceTime == nil || *m.ReferenceTime != "2026-01-14T06:00:00Z" || m.ValidTime == nil || *m.ValidTime != "2026-01-14T08:00:00Z" {
			t.Errorf("message %s: times %v %v", row["number"], m.ReferenceTime, m.ValidTime)
		}
	}
}

// The keys that other programs read, in every object; surfaces without a value
// have level null.
func TestInspectKeys(t *testing.T) {
	var objects []map[string]any
	if err := json.Unmarshal([]byte(rimeline(t, "inspect", "--json", stormModel, demoSounding).stdout), &objects); err != nil {
		t.Fatal(err)
	}
	messages := objects[0]["messages"].([]any)
	surface := false
	for _, m := range messages {
		m := m.(map[string]any)
		for _, key := range []string{"number", "name", "parameter", "level_type", "level", "units", "reference_time", "valid_time", "grid", "ni", "nj", "packing", "min", "max", "mean", "missing"} {
			if _, ok := m[key]; !ok {
				t.Errorf("message without %q: %v", key, m)
			}
		}
		if m["level_type"] == "ground or water surface" {
			surface = true
			if m["level"] != nil {
				t.Errorf("level of the ground: %v, want null", m["level"])
			}
		}
		if !strings.HasPrefix(m["packing"].(string), "5.0") {
			t.Errorf("packing %v", m["packing"])
		}
	}
	if !surface {
		t.Error("no surface field in the example")
	}
	if objects[1]["kind"] != "sounding" {
		t.Errorf("kind %v", objects[1]["kind"])
	}
	for _, key := range []string{"station", "time", "lat", "lon", "height_m", "levels"} {
		if _, ok := objects[1][key]; !ok {
			t.Errorf("sounding without %q", key)
		}
	}
	first := objects[1]["levels"].([]any)[0].(map[string]any)
	// Line 2 of the file, read by hand: 832.00 hPa, 1640 m, -1.1 °C, dew point
	// 0.4 K lower, 180 degrees, 3.1 m/s. IGRA has no station height.
	want := map[string]any{"pressure_pa": 83200., "height_m": 1640., "air_temperature_k": 272.05, "dew_point_k": 271.65, "wind_from_deg": 180., "wind_speed_m_s": 3.1}
	for key, value := range want {
		if first[key] != value {
			t.Errorf("%s: %v, want %v", key, first[key], value)
		}
	}
	if objects[1]["height_m"] != nil || objects[1]["lat"] != 44.1 || objects[1]["lon"] != -114.9 || objects[1]["station"] != "USM00072990" {
		t.Errorf("station: %v", objects[1])
	}
	for _, level := range objects[1]["levels"].([]any) {
		if level := level.(map[string]any); level["height_m"] == 4572. && (level["pressure_pa"] != nil || level["air_temperature_k"] != nil) {
			t.Errorf("a wind level without pressure and temperature: %v, want null", level)
		}
	}
}

// Files that cannot be read give an object with error and status 1, and the
// others are still read.
func TestInspectBadFiles(t *testing.T) {
	model := content(t, stormModel)
	two := append(append([]byte{}, model[:nextMessage(model, 2)]...), model[nextMessage(model, 2):][:100]...)
	for _, test := range []struct {
		name, path, kind, says string
		messages               int
	}{
		{"missing", filepath.Join(t.TempDir(), "absent.grib2"), "unknown", "no such file", 0},
		{"directory", t.TempDir(), "unknown", "is a directory", 0},
		{"empty", write(t, "empty", nil), "unknown", "empty", 0},
		{"text", write(t, "notes.txt", []byte("Dear all,\nthe road to Tin Kettle is closed.\n")), "unknown", "not a kind of file", 0},
		{"truncated", write(t, "cut.grib2", two), "grib2", "message 3: byte", 2},
		{"only a start", write(t, "cut.grib2", model[:60]), "grib2", "message 1: byte", 0},
		{"edition 1", write(t, "old.grib1", append([]byte("GRIB\x00\x00\x1c\x01"), make([]byte, 40)...)), "grib1", "edition 1", 0},
		{"truncated gzip", write(t, "cut.gz", gzipped(t, model)[:len(gzipped(t, model))/2]), "grib2", "gzip ends early", -1},
		{"not gzip after all", write(t, "x.gz", []byte("\x1f\x8bxxxxxxxxxxxxxx")), "unknown", "gzip", 0},
		{"netCDF cut", write(t, "cut.nc", []byte("CDF\x01\x00\x00\x00\x00\x00\x00\x00\x0a\x7f\xff\xff\xff")), "netcdf", "", 0},
		{"HDF5 cut", write(t, "cut.nc", []byte("\x89HDF\r\n\x1a\n\x00\x00")), "netcdf", "", 0},
		{"BUFR cut", write(t, "cut.bufr", []byte("BUFR\x00\x00\xff\x04\x00\x00\x16")), "bufr", "", 0},
	} {
		t.Run(test.name, func(t *testing.T) {
			o := rimeline(t, "inspect", "--json", test.path, stormModel)
			objects := decoded[[]fileObject](t, o)
			if o.status != statusFailed || len(objects) != 2 {
				t.Fatalf("status %d, %d objects", o.status, len(objects))
			}
			bad, good := objects[0], objects[1]
			if bad.File != test.path || bad.Kind != test.kind || bad.Error == "" || !strings.Contains(bad.Error, test.says) {
				t.Errorf("%+v", bad)
			}
			if test.messages >= 0 && len(bad.Messages) != test.messages || test.messages < 0 && len(bad.Messages) == 0 {
				t.Errorf("%d messages, want %d", len(bad.Messages), test.messages)
			}
			if good.Error != "" || len(good.Messages) == 0 {
				t.Errorf("the good file: %d messages, error %q", len(good.Messages), good.Error)
			}
			if !strings.Contains(o.stderr, "rimeline: ") || !strings.Contains(o.stderr, filepath.Base(test.path)) {
				t.Errorf("standard error: %q", o.stderr)
			}
			// For people the same, and no JSON.
			o = rimeline(t, "inspect", test.path, stormModel)
			if o.status != statusFailed || strings.HasPrefix(o.stdout, "[") || !strings.Contains(o.stdout, "geopotential_height") {
				t.Errorf("table: status %d\n%.300s", o.status, o.stdout)
			}
		})
	}
}

// nextMessage is where message n+1 begins.
func nextMessage(b []byte, n int) int {
	at := 0
	for range n {
		at += bytes.Index(b[at:], []byte("7777")) + 4
	}
	return at
}

func TestGzipIsTransparent(t *testing.T) {
	model := content(t, stormModel)
	cut := nextMessage(model, 3)
	plain := decoded[[]fileObject](t, rimeline(t, "inspect", "--json", stormModel))
	for name, b := range map[string][]byte{
		"one member": gzipped(t, model), "two members": gzipped(t, model[:cut], model[cut:]),
	} {
		path := write(t, "model.bin", b) // told by its bytes, not its name
		packed := decoded[[]fileObject](t, rimeline(t, "inspect", "--json", path))
		packed[0].File = plain[0].File
		if a, b := asJSON(t, plain), asJSON(t, packed); a != b {
			t.Errorf("%s: differs from the plain file", name)
		}
	}
	o := rimeline(t, "inspect", "--json", write(t, "ascent.gz", gzipped(t, content(t, demoSounding))))
	if got := decoded[[]fileObject](t, o)[0]; got.Kind != "sounding" || len(got.Levels) != 18 {
		t.Errorf("a sounding in gzip: %s, %d levels", got.Kind, len(got.Levels))
	}
}

func asJSON(t testing.TB, value any) string {
	t.Helper()
	b, err := json.Marshal(value)
	if err != nil {
		t.Fatal(err)
	}
	return string(b)
}

// A file that unfolds beyond the ceiling is refused before it fills the memory.
func TestGunzipCeiling(t *testing.T) {
	path := write(t, "bomb.gz", gzipped(t, make([]byte, 100_000)))
	for ceiling, refused := range map[int64]bool{99_999: true, 100_000: false} {
		file, err := os.Open(path)
		if err != nil {
			t.Fatal(err)
		}
		in := &inputFile{path: path, file: file}
		in.gunzip(in.file, ceiling)
		in.close()
		if (in.err != nil) != refused || refused && in.bytes != nil {
			t.Errorf("ceiling %d: %v, %d bytes", ceiling, in.err, len(in.bytes))
		}
	}
}

func TestSamplePlaces(t *testing.T) {
	for _, test := range []struct {
		arguments []string
		inside    bool
	}{
		{[]string{"--at", "44.0,-114.5"}, true},
		{[]string{"--at", "44.0,245.5"}, true},
		{[]string{"--at=44,-114.5"}, true},
		{[]string{"--at", " 44 , -114.5 "}, true},
		{[]string{"--at", "-33,151"}, false},
		{[]string{"--at=-33,151"}, false},
		{[]string{"--at", "90,0"}, false},
		{[]string{"--at", "44,360"}, false},
	} {
		o := rimeline(t, append([]string{"sample", stormModel}, test.arguments...)...)
		samples := decoded[[]sampleObject](t, o)
		if o.status != statusFine || len(samples) == 0 {
			t.Fatalf("%v: status %d, %d samples: %s", test.arguments, o.status, len(samples), o.stderr)
		}
		s := samples[0]
		if (s.Nearest != nil) != test.inside || (s.Bilinear != nil) != test.inside {
			t.Errorf("%v: nearest %v, bilinear %v", test.arguments, s.Nearest, s.Bilinear)
		}
	}
	var raw []map[string]any
	if err := json.Unmarshal([]byte(rimeline(t, "sample", stormModel, "--at", "0,0").stdout), &raw); err != nil {
		t.Fatal(err)
	}
	for _, key := range []string{"number", "name", "level", "nearest", "bilinear"} {
		if _, ok := raw[0][key]; !ok {
			t.Errorf("sample without %q", key)
		}
	}
}

func TestSampleFailures(t *testing.T) {
	for _, path := range []string{demoSounding, filepath.Join(t.TempDir(), "absent")} {
		o := rimeline(t, "sample", path, "--at", "44,-114.5")
		if o.status != statusFailed || strings.TrimSpace(o.stdout) != "[]" || o.stderr == "" {
			t.Errorf("%s: status %d, %q, %q", path, o.status, o.stdout, o.stderr)
		}
	}
}

// Wrong command lines: status 2, nothing on standard output, the reason and the
// way to help on standard error.
func TestWrongUsage(t *testing.T) {
	for _, test := range []struct {
		arguments []string
		says      string
	}{
		{nil, "expected one of"},
		{[]string{"inspcet"}, "did you mean"},
		{[]string{"inspect"}, "<file>"},
		{[]string{"inspect", "--frobnicate", "x"}, "--frobnicate"},
		{[]string{"sample", stormModel}, "--at"},
		{[]string{"sample", stormModel, "--at"}, "--at"},
		{[]string{"sample", stormModel, "--at", "north"}, "LAT,LON"},
		{[]string{"sample", stormModel, "--at", "44"}, "LAT,LON"},
		{[]string{"sample", stormModel, "--at", "44,-114.5,3"}, "LAT,LON"},
		{[]string{"sample", stormModel, "--at", "NaN,3"}, "latitude"},
		{[]string{"sample", stormModel, "--at", "90.1,0"}, "-90 to 90"},
		{[]string{"sample", stormModel, "--at", "0,361"}, "-180 to 360"},
		{[]string{"sample", stormModel, "--at", "0,-181"}, "-180 to 360"},
		{[]string{"sample", stormModel, stormModel, "--at", "0,0"}, "takes one file"},
		{[]string{"sample", "--json", "--table", stormModel, "--at", "0,0"}, "exclude"},
		{[]string{"check"}, "programme file"},
		{[]string{"check", "--schema", demoProgramme}, "takes no file"},
	} {
		o := rimeline(t, test.arguments...)
		if o.status != statusUsage || o.stdout != "" || !strings.Contains(o.stderr, test.says) || !strings.Contains(o.stderr, `--help" for usage`) {
			t.Errorf("%v: status %d\n%s%s", test.arguments, o.status, o.stdout, o.stderr)
		}
	}
}

func TestHelp(t *testing.T) {
	o := rimeline(t, "--help")
	if o.status != statusFine || o.stderr != "" || strings.Contains(o.stdout, "decode-child") {
		t.Errorf("status %d\n%s%s", o.status, o.stdout, o.stderr)
	}
	for _, command := range []string{"inspect", "sample", "check", "watch", "sources"} {
		if !strings.Contains(o.stdout, "\n  "+command) {
			t.Errorf("help does not list %s:\n%s", command, o.stdout)
		}
		help := rimeline(t, command, "--help").stdout
		for _, words := range []string{"Examples:", "    rimeline " + command, "Exit status: 0", "--json"} {
			if !strings.Contains(help, words) {
				t.Errorf("%s --help does not say %q:\n%s", command, words, help)
			}
		}
		for line := range strings.Lines(help) {
			if n := len([]rune(line)); n > 101 {
				t.Errorf("%s --help has a line of %d characters: %s", command, n, line)
			}
		}
	}
	if o := rimeline(t, "--version"); o.status != statusFine || !strings.HasPrefix(o.stdout, "rimeline ") {
		t.Errorf("version: %+v", o)
	}
}

func TestCheck(t *testing.T) {
	o := rimeline(t, "check", demoProgramme)
	if o.status != statusFine || o.stderr != "" {
		t.Fatalf("status %d: %s", o.status, o.stderr)
	}
	for _, words := range []string{
		"is valid", "saddlehorn", "flare, 16 g in 4 min", "generator, 20 g/h", "1 polygon, 1 hole", "thresholds.window_score",
		"permits", "Flood", "no proof of added snow",
	} {
		if !strings.Contains(o.stdout, words) {
			t.Errorf("does not say %q:\n%s", words, o.stdout)
		}
	}
	var described struct {
		Valid bool `json:"valid"`
		Sites []struct {
			ID        string   `json:"id"`
			AltitudeM *float64 `json:"altitude_m"`
		} `json:"sites"`
	}
	if err := json.Unmarshal([]byte(rimeline(t, "check", "--json", demoProgramme).stdout), &described); err != nil {
		t.Fatal(err)
	}
	if !described.Valid || len(described.Sites) != 3 || described.Sites[0].AltitudeM == nil || described.Sites[2].AltitudeM != nil {
		t.Errorf("%+v", described)
	}
	if o := rimeline(t, "check", "--schema"); o.status != statusFine || o.stdout != string(programme.Schema) {
		t.Errorf("schema: status %d", o.status)
	}
}

func TestCheckRefuses(t *testing.T) {
	text := strings.Replace(string(content(t, demoProgramme)), "    longitude_deg: -114.80", "    longitud_deg: -114.80", 1)
	path := write(t, "programme.yaml", []byte(text))
	line := 1 + strings.Count(text[:strings.Index(text, "longitud_deg")], "\n")
	o := rimeline(t, "check", "--json", path)
	var refused struct {
		Valid    bool               `json:"valid"`
		Problems programme.Problems `json:"problems"`
	}
	if err := json.Unmarshal([]byte(o.stdout), &refused); err != nil {
		t.Fatal(err)
	}
	if o.status != statusFailed || refused.Valid || len(refused.Problems) != 1 || refused.Problems[0].Line != line || refused.Problems[0].Column != 5 {
		t.Errorf("status %d: %+v", o.status, refused)
	}
	place := path + ":" + strconv.Itoa(line) + ":5: sites[1].longitud_deg"
	for _, words := range []string{place, `did you mean "longitude_deg"?`} {
		if !strings.Contains(o.stderr, words) {
			t.Errorf("does not say %q: %s", words, o.stderr)
		}
	}
	if o := rimeline(t, "check", filepath.Join(t.TempDir(), "absent.yaml")); o.status != statusFailed || !strings.Contains(o.stderr, "absent.yaml: no such file") {
		t.Errorf("absent: %+v", o)
	}
}

// Real soundings against the decoded tables that came with them: every level, in
// the order of the file.
func TestInspectBUFRAgainstReference(t *testing.T) {
	for _, table := range testfiles.Glob(t, "reference/others/*.bufr.levels.tsv") {
		name := strings.TrimSuffix(filepath.Base(table), ".levels.tsv")
		t.Run(name, func(t *testing.T) {
			o := rimeline(t, "inspect", "--json", testfiles.Path(t, "bufr/"+name))
			object := decoded[[]fileObject](t, o)[0]
			if o.status != statusFine || object.Kind != "bufr" {
				t.Fatalf("status %d, kind %s: %s", o.status, object.Kind, o.stderr)
			}
			soundings := object.Soundings
			if len(soundings) == 0 {
				soundings = []soundingObject{object.soundingObject}
			}
			k, previous, level := -1, "", 0
			for _, row := range readReference(t, table) {
				if ascent := row["msg"] + "/" + row["subset"]; ascent != previous {
					if k >= 0 && level != len(soundings[k].Levels) {
						t.Errorf("station %s: %d levels, want %d", *soundings[k].Station, len(soundings[k].Levels), level)
					}
					previous, level = ascent, 0
					if k++; k >= len(soundings) {
						t.Fatalf("%d soundings, the reference has more", len(soundings))
					}
					s := soundings[k]
					if s.Station == nil || strings.TrimLeft(*s.Station, "0") != row["wmo"] || s.Time == nil || !strings.HasPrefix(*s.Time, row["time"]) {
						t.Errorf("sounding %d: station %v, time %v, want %s %s", k+1, s.Station, s.Time, row["wmo"], row["time"])
					}
				}
				if level >= len(soundings[k].Levels) {
					t.Fatalf("station %s: fewer levels than the reference", row["wmo"])
				}
				l := soundings[k].Levels[level]
				level++
				for _, pair := range []struct {
					column string
					got    *float64
				}{
					{"pressure_Pa", l.PressurePa}, {"height_gpm", l.HeightM}, {"temperature_K", l.AirTemperatureK},
					{"dewpoint_K", l.DewPointK}, {"wind_dir_deg", l.WindFromDeg}, {"wind_speed_mps", l.WindSpeedMPerS},
				} {
					want, err := strconv.ParseFloat(row[pair.column], 64)
					if missing := err != nil; missing != (pair.got == nil) || !missing && math.Abs(*pair.got-want) > .051 {
						t.Errorf("station %s, level %d, %s: got %s, want %q", row["wmo"], level, pair.column, text(pair.got), row[pair.column])
					}
				}
			}
			if k+1 != len(soundings) {
				t.Errorf("%d soundings, the reference has %d", len(soundings), k+1)
			}
		})
	}
}

// Every real file gives an object; those named are the only ones that fail.
func TestInspectEveryRealSoundingAndNetCDF(t *testing.T) {
	failing := map[string]string{
		"fsl.SAEZ.2021010112.txt":              "truncated", // an excerpt that announces 112 lines
		"igra2.USM00070026-data.txt.zip":       "truncated", // shortened by its source
		"wyoming.BOI.2010120901.nodata.html":   "no sounding",
		"ncss_gfs_0p5_20150612_1200_point.csv": "not a kind of file",
	}
	for _, pattern := range []string{"sounding/*", "bufkit/*", "netcdf/*", "goes/*"} {
		for _, path := range testfiles.Glob(t, pattern) {
			o := rimeline(t, "inspect", "--json", path)
			object := decoded[[]fileObject](t, o)[0]
			says, fails := failing[filepath.Base(path)]
			if (o.status != statusFine) != fails || fails && !strings.Contains(object.Error, says) {
				t.Errorf("%s: status %d, %s", path, o.status, object.Error)
			}
			if !fails && len(object.Messages) == 0 && len(object.Soundings) == 0 && len(object.Levels) == 0 {
				t.Errorf("%s: nothing in it", path)
			}
			if strings.Contains(o.stdout, "NaN") {
				t.Errorf("%s: NaN in JSON", path)
			}
		}
	}
}

// Whatever a file holds, what is printed is JSON and the status says whether
// there was an error.
func TestInspectDamagedFiles(t *testing.T) {
	random := rand.New(rand.NewPCG(7, 11))
	files := []string{stormModel}
	for _, pattern := range []string{"../../testdata/sounding/larkmoor.*", "../../ingest/bufr/testdata/*.bufr"} {
		more, err := filepath.Glob(pattern)
		if err != nil || len(more) == 0 {
			t.Fatalf("%s: %d files, %v", pattern, len(more), err)
		}
		files = append(files, more...)
	}
	for _, path := range files {
		whole := content(t, path)
		for range 20 {
			b := bytes.Clone(whole[:1+random.IntN(len(whole))])
			for range random.IntN(6) {
				b[random.IntN(len(b))] = byte(random.IntN(256))
			}
			o := rimeline(t, "inspect", "--json", write(t, "damaged", b))
			object := decoded[[]fileObject](t, o)[0]
			if o.status > statusFailed || (o.status == statusFailed) != (object.Error != "") {
				t.Errorf("%s: status %d, error %q", path, o.status, object.Error)
			}
		}
	}
}

// After a signal what was printed is still JSON, and the status says that it is
// not all.
func TestInspectStopped(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	var stdout, stderr bytes.Buffer
	status := run(ctx, []string{"inspect", "--json", stormModel, stormModel}, &stdout, &stderr)
	objects := decoded[[]fileObject](t, outcome{status, stdout.String(), stderr.String()})
	if status != statusFailed || len(objects) != 1 || objects[0].Error == "" || !strings.Contains(stderr.String(), "stopped by a signal") {
		t.Errorf("status %d, %d objects, %q", status, len(objects), stderr.String())
	}
}
