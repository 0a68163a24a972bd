package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/rehearsal"
	"rimeline/ingest/testfiles"
)

// The invented band of these tests: 80 km from south to north, 20 dBZ at 8 km to
// either side of its middle, which moves due east. Ripples along it show motion
// along it; there are none about its middle, where times are worked out by hand.
const (
	bandSpeedMPerS = 14.0
	bandHalfM      = 8000.0
	bandStartM     = -30000.0 // its middle at bandNewest
)

var bandNewest = time.Date(2026, 1, 14, 6, 10, 0, 0, time.UTC)

func bandDBZ(xM, yM float64, at time.Time) float64 {
	d := (xM - bandStartM - bandSpeedMPerS*at.Sub(bandNewest).Seconds()) / bandHalfM
	ripple := 4 * math.Sin(2*math.Pi*yM/13000) * (1 - math.Exp(-math.Pow(yM/12000, 4)))
	ends := 30 * math.Max(0, math.Abs(yM)-35000) / 5000
	return 35 - 15*d*d + ripple - ends
}

// bandVolume is one sweep, all of it seen at one moment.
func bandVolume(radar string, at time.Time) *grid.Volume {
	const gates, gateM = 200, 500.0
	v := &grid.Volume{Radar: radar, Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: 44, LongitudeDeg: -114.5}, AltitudeM: 2030},
		TowerHeightM: 30, Time: at, VolumeCoveragePattern: 35}
	s := &grid.Sweep{Number: 1, ElevationDeg: 0.5}
	m := &grid.Moment{Name: grid.MomentReflectivity, FirstGateM: 500, GateSpacingM: gateM, Gates: gates}
	packing := &grid.Packing{WordBits: 8, Factor: 0.5, Addend: -33}
	for azimuth := range 360 {
		sin, cos := math.Sincos((float64(azimuth) + .5) * math.Pi / 180)
		raw := make([]byte, gates)
		for gate := range raw {
			r := grid.BeamGroundRangeM(500+gateM*float64(gate), 0.5)
			if dBZ := bandDBZ(r*sin, r*cos, at); dBZ > 0 {
				raw[gate] = byte(math.Round((dBZ + 33) / 0.5))
			}
		}
		s.Radials = append(s.Radials, grid.Radial{AzimuthDeg: float32(azimuth) + .5, ElevationDeg: 0.5, SpacingDeg: 1, UnambiguousRangeM: 150e3, NyquistVelocityMPerS: 26, Time: at})
		m.Rows = append(m.Rows, grid.GateRow{Raw: raw, Packing: packing})
	}
	s.Moments = []*grid.Moment{m}
	v.Sweeps = []*grid.Sweep{s}
	return v
}

// bandFiles writes volumes before the newest by so many minutes each.
func bandFiles(t *testing.T, radar string, minutesBefore ...float64) []string {
	t.Helper()
	var files []string
	for _, minutes := range minutesBefore {
		at := bandNewest.Add(-time.Duration(minutes * float64(time.Minute)))
		b, err := rehearsal.Level2{Volume: bandVolume(radar, at)}.File()
		if err != nil {
			t.Fatal(err)
		}
		files = append(files, write(t, radar+at.Format("20060102_150405"), b))
	}
	return files
}

const degreesPerKM = 360 / (2 * math.Pi * grid.EarthRadiusM / 1000)

// bandProgramme has one site, 5 km west of the radar.
func bandProgramme(t *testing.T) string {
	lon := -114.5 - 5*degreesPerKM/math.Cos(44*math.Pi/180)
	return write(t, "programme.yaml", fmt.Appendf(nil, `id: larkspur
name: Larkspur Valley (invented)
timezone: America/Boise
sites:
  - id: tin-kettle
    name: Tin Kettle Flat
    latitude_deg: 44
    longitude_deg: %.6f
    altitude_m: 1300
    targets: [quill-creek]
    agent: {kind: generator, rate_g_per_h: 20, yield_table: contact}
targets:
  - id: quill-creek
    name: Quill Creek
    geometry: {type: Polygon, coordinates: [[[-114.2, 43.9], [-114.0, 43.9], [-114.0, 44.1], [-114.2, 44.1], [-114.2, 43.9]]]}
yield_tables:
  - id: contact
    source: invented
    points: [{temperature_degc: -6, crystals_per_g: 1.8e11}, {temperature_degc: -20, crystals_per_g: 9e13}]
`, lon))
}

// Times by hand: distance over speed.
func TestBandsOfAnInventedBand(t *testing.T) {
	out := t.TempDir()
	arguments := append([]string{"bands", "--programme", bandProgramme(t), "--size", "200", "--radius", "2", "--out", out}, bandFiles(t, "XMPL", 5, 0, 10)...) // not in order
	for _, method := range []string{"flow", "correlation"} {
		o := rimeline(t, append(arguments, "--json", "--method", method)...)
		if o.status != statusFine || o.stderr != "" {
			t.Fatalf("status %d, %s", o.status, o.stderr)
		}
		r := decoded[bandsReport](t, o)
		if len(r.Frames) != 3 || !r.Frames[2].Time.Equal(bandNewest) || !r.Frames[0].Time.Equal(bandNewest.Add(-10*time.Minute)) {
			t.Fatalf("frames %+v", r.Frames)
		}
		// A circle of 100 km in a square of 200: pi/4, but for the corners.
		if got := r.Frames[2].SeenShare; math.Abs(got-math.Pi/4) > .02 {
			t.Errorf("%g of the square seen, want pi/4", got)
		}
		if len(r.Objects) != 1 || r.Motion == nil || r.NoMotion != nil {
			t.Fatalf("%d objects, motion %+v, no motion %+v", len(r.Objects), r.Motion, r.NoMotion)
		}
		b := r.Objects[0]
		if b.Kind != "band" || math.Abs(b.LengthM-80e3) > 15e3 || math.Abs(math.Mod(b.OrientationDeg+90, 180)-90) > 5 || b.Trend == nil || b.Motion == nil {
			t.Fatalf("%s: %+v", method, b)
		}
		// The held-to values of motion: 1 m/s and 5 degrees.
		if math.Abs(b.Motion.SpeedMPerS-bandSpeedMPerS) > 1 || math.Abs(b.Motion.TowardsDeg-90) > 5 {
			t.Errorf("%s: %g m/s towards %g, want %g towards 90", method, b.Motion.SpeedMPerS, b.Motion.TowardsDeg, bandSpeedMPerS)
		}
		if len(r.Sites) != 1 || r.Sites[0].Zone == nil || len(r.Sites[0].Bands) != 1 {
			t.Fatalf("%s: sites %+v", method, r.Sites)
		}
		site := r.Sites[0]
		zoneM := -5000 + bandSpeedMPerS*30*60 // 30 min downwind of the site
		if got := site.Zone.DistanceM; math.Abs(got-bandSpeedMPerS*1800) > 1800 || math.Abs(site.Zone.BearingDeg-90) > 5 {
			t.Errorf("zone %g m in %g degrees", got, site.Zone.BearingDeg)
		}
		p := site.Bands[0]
		minutes := func(fromM, toM float64) float64 { return (toM - fromM) / bandSpeedMPerS / 60 }
		for _, x := range []struct {
			name      string
			got       time.Time
			wantAfter float64
		}{
			{"arrival", p.Arrival.Time, minutes(bandStartM+bandHalfM, zoneM-2000)},
			{"peak", p.Peak.Time, minutes(bandStartM, zoneM)},
			{"end", p.End.Time, minutes(bandStartM-bandHalfM, zoneM+2000)},
			{"best release", *p.Release.Best, minutes(bandStartM, zoneM) - 30},
		} {
			// 1 m/s of 14 is 4 min of the hour.
			if got := x.got.Sub(bandNewest).Minutes(); math.Abs(got-x.wantAfter) > 4 {
				t.Errorf("%s: %s after %.1f min, want %.1f", method, x.name, got, x.wantAfter)
			}
		}
		if p.Release.State != "open" || !p.Release.Start.Before(*p.Release.Best) || !p.Release.Best.Before(*p.Release.End) || p.Probability < .9 {
			t.Errorf("release %+v", p.Release)
		}
	}

	text := rimeline(t, arguments...)
	for _, want := range []string{"radar XMPL", "band", "towards", "km/h", "Tin Kettle Flat: its agent acts", "MST", "best ", "Without a model", "droplets"} {
		if !strings.Contains(text.stdout, want) {
			t.Errorf("the page lacks %q:\n%s", want, text.stdout)
		}
	}
	if strings.Contains(text.stdout, "NaN") {
		t.Errorf("NaN on the page:\n%s", text.stdout)
	}
	stem := filepath.Join(out, "bands.XMPL.20260114T0610Z")
	if _, err := png.Decode(bytes.NewReader(content(t, stem+".png"))); err != nil {
		t.Error(err)
	}
	checkBandsGeoJSON(t, content(t, stem+".geojson"), map[string]string{"object-1": "Polygon", "motion-1": "LineString", "site-tin-kettle": "Point", "zone-tin-kettle": "Polygon"})
}

// RFC 7946: rings closed, outer ones counterclockwise, holes clockwise (3.1.6).
func checkBandsGeoJSON(t *testing.T, b []byte, want map[string]string) {
	t.Helper()
	var got struct {
		Type     string
		Features []struct {
			Type, ID string
			Geometry struct {
				Type        string
				Coordinates json.RawMessage
			}
			Properties map[string]any
		}
	}
	if err := json.Unmarshal(b, &got); err != nil || got.Type != "FeatureCollection" {
		t.Fatalf("%v, %q", err, got.Type)
	}
	for _, f := range got.Features {
		if kind, ok := want[f.ID]; ok && kind != f.Geometry.Type {
			t.Errorf("%s is a %s, want %s", f.ID, f.Geometry.Type, kind)
		}
		delete(want, f.ID)
		var polygons [][][][2]float64
		switch f.Geometry.Type {
		case "Polygon":
			polygons = make([][][][2]float64, 1)
			if err := json.Unmarshal(f.Geometry.Coordinates, &polygons[0]); err != nil {
				t.Fatal(err)
			}
		case "MultiPolygon":
			if err := json.Unmarshal(f.Geometry.Coordinates, &polygons); err != nil {
				t.Fatal(err)
			}
		}
		for _, rings := range polygons {
			for k, ring := range rings {
				area := 0.0
				for n := 1; n < len(ring); n++ {
					area += (ring[n-1][0]-ring[0][0])*(ring[n][1]-ring[0][1]) - (ring[n][0]-ring[0][0])*(ring[n-1][1]-ring[0][1])
				}
				if len(ring) < 4 || ring[0] != ring[len(ring)-1] || (area > 0) != (k == 0) {
					t.Fatalf("%s: ring %d of %d positions, twice the area %g", f.ID, k, len(ring), area)
				}
			}
		}
	}
	for id := range want {
		t.Errorf("no feature %s", id)
	}
}

// The keys that other programs read.
func TestBandsKeys(t *testing.T) {
	var o map[string]any
	run := rimeline(t, append([]string{"bands", "--json", "--size", "120", "--programme", bandProgramme(t)}, bandFiles(t, "XMPL", 5, 0)...)...)
	if err := json.Unmarshal([]byte(run.stdout), &o); err != nil {
		t.Fatal(err, run.stderr)
	}
	has := func(name string, value any, keys ...string) map[string]any {
		m, ok := value.(map[string]any)
		if !ok {
			t.Fatalf("%s: %v", name, value)
		}
		for _, key := range keys {
			if _, ok := m[key]; !ok {
				t.Errorf("%s has no %q: %v", name, key, m)
			}
		}
		return m
	}
	has("output", o, "source", "frames", "motion", "no_motion", "objects", "sites", "notes")
	has("source", o["source"], "kind", "name", "lat", "lon", "size_m", "spacing_m", "threshold_dbz")
	has("frame", o["frames"].([]any)[0], "time", "files", "complete", "seen_share")
	has("motion", o["motion"], "method", "earlier", "later", "speed_m_s", "towards_deg")
	object := has("object", o["objects"].([]any)[0], "id", "kind", "area_m2", "length_m", "orientation_deg", "peak_dbz", "lat", "lon", "distance_m", "bearing_deg", "motion", "trend", "cut")
	has("motion of the object", object["motion"], "speed_m_s", "towards_deg", "sd_m_s")
	site := has("site", o["sites"].([]any)[0], "id", "name", "zone", "known_until", "complete", "bands")
	has("zone", site["zone"], "lat", "lon", "radius_m", "transport_minutes")
}

// Without motion there is a reason and no vector, and the objects all the same.
func TestBandsWithoutMotion(t *testing.T) {
	programme := bandProgramme(t)
	for _, test := range []struct {
		minutes []float64
		reason  string
	}{
		{[]float64{0}, "too few frames"},
		{[]float64{40, 0}, "frames too far apart"},
	} {
		files := bandFiles(t, "XMPL", test.minutes...)
		o := rimeline(t, append([]string{"bands", "--json", "--size", "120", "--programme", programme}, files...)...)
		r := decoded[bandsReport](t, o)
		if o.status != statusFine || r.Motion != nil || r.NoMotion == nil || r.NoMotion.Reason != test.reason {
			t.Errorf("status %d, %+v, %+v; want %q", o.status, r.Motion, r.NoMotion, test.reason)
		}
		if len(r.Objects) != 1 || r.Objects[0].Motion != nil || r.Objects[0].Trend != nil || r.Sites[0].Zone != nil || len(r.Sites[0].Bands) != 0 {
			t.Errorf("objects %+v, sites %+v", r.Objects, r.Sites)
		}
		text := rimeline(t, append([]string{"bands", "--size", "120", "--programme", programme, "--out", t.TempDir()}, files...)...)
		if text.status != statusFine || !strings.Contains(text.stdout, "no motion: "+test.reason) || !strings.Contains(text.stdout, "not known without motion") {
			t.Errorf("status %d: %s%s", text.status, text.stdout, text.stderr)
		}
	}
}

// What is not seen is never no echo: a site out of sight is told that nothing is
// known, and one in sight until when it is.
func TestBandsNotSeen(t *testing.T) {
	files := bandFiles(t, "XMPL", 5, 0)
	// 60 km further east than the radar reaches.
	b := bytes.ReplaceAll(content(t, bandProgramme(t)), []byte("longitude_deg: -114.56"), []byte("longitude_deg: -112.50"))
	o := rimeline(t, append([]string{"bands", "--at", "44,-114.5", "--size", "200", "--programme", write(t, "far.yaml", b)}, files...)...)
	if o.status != statusFine || !strings.Contains(o.stdout, "not seen: nothing is known of what comes") || strings.Contains(o.stdout, "nothing comes") {
		t.Errorf("status %d: %s%s", o.status, o.stdout, o.stderr)
	}
	// The echo-free air behind the band comes from where the radar sees, for a while.
	o = rimeline(t, append([]string{"bands", "--json", "--threshold", "60", "--at", "44,-114.5", "--size", "200", "--programme", bandProgramme(t), "--horizon", "240"}, files...)...)
	r := decoded[bandsReport](t, o)
	zoneM := -5000 + bandSpeedMPerS*1800
	want := (zoneM + 100e3) / bandSpeedMPerS / 60 // what left the rim of 100 km
	if s := r.Sites[0]; s.Complete || math.Abs(s.KnownUntil.Sub(bandNewest).Minutes()-want) > 12 {
		t.Errorf("known until %v (%v), want %.0f min after %v", s.KnownUntil, s.Complete, want, bandNewest)
	}
}

func TestBandsOfSeveralRadars(t *testing.T) {
	files := append(bandFiles(t, "XMPL", 5, 0), bandFiles(t, "XOTH", 10, 5, 0)...)
	o := rimeline(t, append([]string{"bands", "--json", "--size", "120"}, files...)...)
	r := decoded[bandsReport](t, o)
	if r.Source.Name != "XOTH" || len(r.Frames) != 3 || !strings.Contains(strings.Join(r.Notes, " "), "Left out: radar XMPL (2 pictures)") {
		t.Errorf("%+v, %d frames, notes %q", r.Source, len(r.Frames), r.Notes)
	}
	// The same volume twice.
	demo := []string{"../../testdata/demo/radar.XLRK20260114_075600_V06", "../../testdata/demo/radar.XLRK20260114_075000_V06", "../../testdata/demo/radar.XLRK20260114_075600_V06"}
	r = decoded[bandsReport](t, rimeline(t, append([]string{"bands", "--json", "--size", "120"}, demo...)...))
	if len(r.Frames) != 2 || r.Motion == nil || !strings.Contains(strings.Join(r.Notes, " "), "1 picture of a time that was there already") {
		t.Errorf("%d frames, notes %q", len(r.Frames), r.Notes)
	}
}

// The isotherm of a sounding: the demonstration's ascent has -6 C at 2190 m
// (see TestProfileOfSounding), and at a constant altitude the picture is the same.
func TestBandsOnAnIsotherm(t *testing.T) {
	files := []string{"../../testdata/demo/radar.XLRK20260114_075000_V06", "../../testdata/demo/radar.XLRK20260114_075600_V06"}
	at := func(arguments ...string) bandsReport {
		return decoded[bandsReport](t, rimeline(t, append(append([]string{"bands", "--json", "--size", "160"}, arguments...), files...)...))
	}
	isotherm, altitude := at("--isotherm=-6", "--temperatures", profiledSounding), at("--height", "2190")
	if !strings.Contains(isotherm.Source.Shows, "-6 °C in the sounding XXM00000001, 2190 m above sea level") {
		t.Errorf("shows %q", isotherm.Source.Shows)
	}
	if len(isotherm.Objects) == 0 || isotherm.Objects[0].AreaM2 != altitude.Objects[0].AreaM2 || isotherm.Frames[1].SeenShare != altitude.Frames[1].SeenShare {
		t.Errorf("isotherm %+v, altitude %+v", isotherm.Objects, altitude.Objects)
	}
	// At 2190 m less is seen than in all beams; with the model's ground still less.
	composite, blocked := at(), at("--height", "2190", "--temperatures", "../../testdata/demo/model.20260114.t06z.f02.grib2")
	if !(composite.Frames[1].SeenShare > altitude.Frames[1].SeenShare && altitude.Frames[1].SeenShare > blocked.Frames[1].SeenShare) {
		t.Errorf("seen: all beams %g, 2190 m %g, above the model's ground %g", composite.Frames[1].SeenShare, altitude.Frames[1].SeenShare, blocked.Frames[1].SeenShare)
	}
}

func TestHighestCrossing(t *testing.T) {
	column := grid.Column{}
	for _, level := range [][2]float64{{1000, 275}, {1500, 271}, {2000, 274}, {2500, math.NaN()}, {3000, 268}} {
		column.Levels = append(column.Levels, grid.ColumnLevel{AltitudeM: level[0], AirTemperatureK: level[1]})
	}
	// From 274 K at 2000 m to 268 K at 3000 m: 272 K a third of the way.
	if got, ok := highestCrossingM(column, 272); !ok || math.Abs(got-2000-1000.0/3) > 1e-9 {
		t.Errorf("272 K at %g m, %v", got, ok)
	}
	if _, ok := highestCrossingM(column, 260); ok {
		t.Error("a temperature that is not reached was found")
	}
}

func TestBandsUsage(t *testing.T) {
	file := bandFiles(t, "XMPL", 0)[0]
	for _, arguments := range [][]string{
		{}, {file, "--size", "10"}, {file, "--threshold", "90"}, {file, "--horizon", "5"}, {file, "--radius", "60"}, {file, "--transport", "20,30"},
		{file, "--transport", "30,20,45"}, {file, "--method", "guess"}, {file, "--at", "north"}, {file, "--isotherm=-10"}, {file, "--height", "3000", "--isotherm=-10"},
		{file, "--height=-5"}, {file, "--as-of", "noon"},
	} {
		if o := rimeline(t, append([]string{"bands"}, arguments...)...); o.status != statusUsage || o.stdout != "" || !strings.Contains(o.stderr, "bands --help") {
			t.Errorf("%q: status %d, %q %q, want %d and where help is", arguments, o.status, o.stdout, o.stderr, statusUsage)
		}
	}
	for _, test := range []struct{ file, want string }{
		{"nosuch", "nosuch: no such file"},
		{profiledSounding, "is of kind sounding; bands are found in radar volumes and in mosaics"},
		{stormModel, "is of kind grib2; bands are found"},
	} {
		if o := rimeline(t, "bands", test.file); o.status != statusFailed || !strings.Contains(o.stderr, test.want) {
			t.Errorf("%s: status %d, %q, want %q", test.file, o.status, o.stderr, test.want)
		}
		// The others are still read.
		if o := rimeline(t, "bands", "--json", "--size", "120", test.file, file); o.status != statusFailed || !strings.Contains(o.stderr, test.want) || len(decoded[bandsReport](t, o).Frames) != 1 {
			t.Errorf("%s and a volume: status %d, %q", test.file, o.status, o.stderr)
		}
	}
}

func TestBandsOfRealMosaics(t *testing.T) {
	files := testfiles.Glob(t, "mrms/MRMS_PrecipRate_00.00_20190610-00*.grib2")
	if len(files) != 6 {
		t.Skipf("%d frames of six are here", len(files))
	}
	if o := rimeline(t, "bands", files[0]); o.status != statusUsage || !strings.Contains(o.stderr, "--at LAT,LON") {
		t.Errorf("a mosaic without a centre: status %d, %q", o.status, o.stderr)
	}
	if o := rimeline(t, "bands", files[0], "--at=45.5,-84.5", "--height", "3000"); o.status != statusUsage {
		t.Errorf("a mosaic cut at a height: status %d, %q", o.status, o.stderr)
	}
	if o := rimeline(t, "bands", files[0], "--at", "48,10"); o.status != statusFailed || !strings.Contains(o.stderr, "does not reach") {
		t.Errorf("a mosaic of another continent: status %d, %q", o.status, o.stderr)
	}
	out := t.TempDir()
	o := rimeline(t, append([]string{"bands", "--json", "--at=45.5,-84.5", "--size", "200", "--out", out, files[3]}, files...)...)
	r := decoded[bandsReport](t, o)
	if o.status != statusFine || len(r.Frames) != 6 || r.Motion == nil || r.Source.Kind != "mosaic" || r.Source.Name != "PrecipRate" {
		t.Fatalf("status %d, %s: %d frames, %+v", o.status, o.stderr, len(r.Frames), r.Source)
	}
	// pysteps' field over the region moves to the north-north-east as well: see the
	// skill test of package nowcast, which scores both.
	if !(r.Motion.SpeedMPerS > 5 && r.Motion.SpeedMPerS < 25 && r.Motion.TowardsDeg > 0 && r.Motion.TowardsDeg < 60) {
		t.Errorf("motion %+v", r.Motion)
	}
	features := map[string]string{}
	for _, o := range r.Objects {
		features[fmt.Sprintf("motion-%d", o.ID)] = "LineString"
	}
	checkBandsGeoJSON(t, content(t, filepath.Join(out, "bands.PrecipRate.20190610T0020Z.geojson")), features)
	if _, err := os.Stat(filepath.Join(out, "bands.PrecipRate.20190610T0020Z.png")); err != nil {
		t.Error(err)
	}
}

func TestBandsOfRealChunks(t *testing.T) {
	chunks := testfiles.Glob(t, "level2/chunks-185/*")
	o := rimeline(t, append([]string{"bands", "--json", "--size", "200"}, chunks...)...)
	r := decoded[bandsReport](t, o)
	if o.status != statusFine || len(r.Frames) != 1 || len(r.Frames[0].Files) != len(chunks) || r.Source.Name != "TORD" {
		t.Fatalf("status %d, %s: %d frames, %+v", o.status, o.stderr, len(r.Frames), r.Source)
	}
	if r.Motion != nil || r.NoMotion == nil || r.NoMotion.Reason != "too few frames" || len(r.Objects) == 0 {
		t.Errorf("motion %+v, %+v, %d objects", r.Motion, r.NoMotion, len(r.Objects))
	}
}
