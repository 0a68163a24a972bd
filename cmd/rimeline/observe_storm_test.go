package main

import (
	"fmt"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"rimeline/ingest/rehearsal"
	"rimeline/ingest/testfiles"
	"rimeline/seedability"
)

// The middle of the storm, so placed that its activation zone lies under the
// supercooled part of the scene (testdata/satellite/cloudtops.py: 44.20 to 45.00
// N, 115.5 to 114.3 W, with ice north of 44.40).
const cloudLat, cloudLon = 44.30, -114.98

// The invented storm moved under the invented satellite scene: a supercooled top
// decides the cloud-top component, and the same scene an hour and a half later
// does not count.
func TestAssessReadsCloudTops(t *testing.T) {
	storm := rehearsal.Storm{Start: time.Date(2026, 1, 14, 10, 0, 0, 0, time.UTC), LatitudeDeg: cloudLat, LongitudeDeg: cloudLon}
	inputs := stormFiles(t, storm)
	tops, err := filepath.Glob("../../testdata/satellite/OR_ABI-L2-*.nc")
	if err != nil || len(tops) != 3 {
		t.Fatal(tops, err)
	}
	programme := underStorm(t, storm)
	arguments := append([]string{"--programme", programme, "--releases", "2", "--every", "90m", "--release", "2026-01-14T12:08:00Z", "--input"}, append(inputs, tops...)...)
	all := assessed(t, arguments...)
	now, later := all[0], all[1]
	if now.Satellite == nil || now.Satellite.Phase != "supercooled" || !strings.Contains(now.Satellite.Says, "supercooled") {
		t.Fatalf("satellite %+v, notes %q", now.Satellite, now.Notes)
	}
	for _, c := range now.Score.Components {
		if c.Name == seedability.ComponentCloudTop && !strings.Contains(c.Reason, "supercooled") {
			t.Errorf("cloud top from %q", c.Reason)
		}
	}
	if later.Satellite != nil {
		t.Error("a scene of an hour and a half ago counts")
	}
}

// underStorm is a programme of one site on the windward side of an invented storm.
func underStorm(t *testing.T, storm rehearsal.Storm) string {
	t.Helper()
	return write(t, "p.yaml", fmt.Appendf(nil, `
id: under
name: Invented site in the invented storm
barrier: {crest_altitude_m: 2780, toward_deg: 80}
sites:
  - id: one
    name: One
    latitude_deg: %g
    longitude_deg: %g
    agent: {kind: generator, rate_g_per_h: 20, yield_table: t}
targets:
  - id: t
    name: T
    geometry: {type: Polygon, coordinates: [[[%[3]g,%[5]g],[%[4]g,%[5]g],[%[4]g,%[6]g],[%[3]g,%[6]g],[%[3]g,%[5]g]]]}
yield_tables:
  - {id: t, source: invented, points: [{temperature_degc: -6, crystals_per_g: 1.8e11}, {temperature_degc: -20, crystals_per_g: 9.0e13}]}
`, storm.LatitudeDeg-.02, storm.LongitudeDeg-.28, storm.LongitudeDeg-.1, storm.LongitudeDeg+.5, storm.LatitudeDeg-.4, storm.LatitudeDeg+.4))
}

// stormFiles writes six hours of the storm's model run.
func stormFiles(t *testing.T, storm rehearsal.Storm) []string {
	t.Helper()
	var files []string
	for hour := range 6 {
		files = append(files, write(t, fmt.Sprintf("f%02d.grib2", hour), storm.ModelFile(31, 4000, hour*60)))
	}
	return files
}

// The invented storm under six real frames of a national mosaic, in Texas: what
// the mosaic saw must enter as bands and as the rate over the landing.
func TestAssessReadsRealMosaics(t *testing.T) {
	mosaics := testfiles.Glob(t, "mrms/MRMS_PrecipRate_00.00_20190610-*.grib2")
	storm := rehearsal.Storm{Start: time.Date(2019, 6, 9, 22, 0, 0, 0, time.UTC), LatitudeDeg: 30.4, LongitudeDeg: -97.0}
	arguments := append([]string{"--programme", underStorm(t, storm), "--releases", "1", "--release", "2019-06-10T00:22:00Z", "--input"}, append(stormFiles(t, storm), mosaics...)...)
	a := assessed(t, arguments...)[0]
	sense(t, a)
	kinds := map[string]int{}
	for _, input := range a.Inputs {
		kinds[input.Kind]++
	}
	if kinds["bands"] != 1 || kinds["mosaic"] == 0 || a.TargetRate == nil {
		t.Errorf("inputs %v, rate %+v; want bands and the mosaic's rate", kinds, a.TargetRate)
	}
	for _, c := range a.Score.Components {
		if c.Name == seedability.ComponentBand && (c.Input == nil || !strings.Contains(c.Reason, "PrecipRate")) {
			t.Errorf("band: %s, %q", text(c.Input), c.Reason)
		}
	}
}
