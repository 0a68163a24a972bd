package main

import (
	"math"
	"strings"
	"testing"

	"rimeline/ingest/testfiles"
)

type volumeFileObject struct {
	File  string `json:"file"`
	Kind  string `json:"kind"`
	Error string `json:"error"`
	volumeObject
}

// Every real file gives a volume with sweeps; ingest/cfradial compares the values.
func TestInspectEveryRealCfRadial(t *testing.T) {
	for _, path := range testfiles.Glob(t, "cfradial/*") {
		o := rimeline(t, "inspect", "--json", path)
		object := decoded[[]volumeFileObject](t, o)[0]
		if o.status != statusFine || object.Kind != "cfradial" || len(object.Sweeps) == 0 || len(object.Sweeps[0].Moments) == 0 || object.Lat == nil {
			t.Errorf("%s: status %d, %+v", path, o.status, object)
		}
		if text := rimeline(t, "inspect", path); text.status != statusFine || !strings.Contains(text.stdout, "sweep") {
			t.Errorf("%s: %+v", path, text)
		}
	}
}

// A netCDF file that holds a radar volume is one: what testdata/cfradial/invented.py
// wrote, and Py-ART's statistics of it (ingest/cfradial/testdata/golden.tsv).
func TestInspectCfRadial(t *testing.T) {
	got := decoded[[]volumeFileObject](t, rimeline(t, "inspect", "--json", "../../testdata/cfradial/ragged.nc", "../../testdata/cfradial/ragged.cdf1.nc"))
	if len(got) != 2 {
		t.Fatalf("%d objects", len(got))
	}
	for _, v := range got {
		if v.Kind != "cfradial" || v.Station == nil || *v.Station != "LARKSPUR" || !v.Complete || v.Pattern != nil || len(v.Sweeps) != 3 ||
			*v.Lat != 44.25 || *v.Lon != -114.5 || *v.HeightM != 2310.5 || *v.Time != "2026-01-14T09:30:00Z" {
			t.Fatalf("%+v", v)
		}
		second := v.Sweeps[1]
		ref := second.Moments["REF"]
		if second.Number != 2 || second.Radials != 24 || *second.ElevationDeg != 1.5 || *second.StartTime != "2026-01-14T09:30:06Z" ||
			ref.Gates != 25 || *ref.FirstGateM != 125 || *ref.GateSpacingM != 250 || ref.Valid != 496 || *ref.Min != 0.5 || *ref.Max != 47.5 ||
			math.Abs(*ref.Mean-24.4495968) > 1e-6 || ref.Field != "DBZ" || ref.BelowThreshold != 0 {
			t.Errorf("%+v, %+v", second, ref)
		}
		if v.Sweeps[2].Mode != "rhi" || v.Sweeps[2].TargetDeg != nil {
			t.Errorf("%+v", v.Sweeps[2])
		}
	}
	gates := decoded[[]gateObject](t, rimeline(t, "sample", "--at", "44.29,-114.5", "../../testdata/cfradial/ragged.nc"))
	for _, g := range gates {
		if g.Moment == "REF" && g.Number == 1 && (g.State != "echo" || g.Value == nil || g.HeightM == nil || math.Abs(*g.HeightM-2350) > 5) {
			t.Errorf("north of the radar: %+v", g)
		}
	}
	if len(gates) < 4 {
		t.Errorf("%d gates", len(gates))
	}
}

// Codes of a mosaic are named, and nothing is interpolated from them.
func TestSampleMosaic(t *testing.T) {
	for _, test := range []struct {
		file, at, state string
		value           float64
	}{
		// Values of wgrib2 and ecCodes: -99 is no echo, -999 and -3 no coverage.
		{"mrms/MRMS_ReflectivityAtLowestAltitude_00.50_20230406-120039.grib2.gz", "39,-106", "no echo", -99},
		{"mrms/MRMS_ReflectivityAtLowestAltitude_00.50_20230406-120039.grib2.gz", "54.9,-129.9", "not covered", -999},
		{"mrms/MRMS_PrecipFlag_00.00_20260219-042400.grib2.gz", "46.245,-129.995", "measured", 0},
		{"mrms/MRMS_PrecipFlag_00.00_20260219-042400.grib2.gz", "28.745,-129.995", "not covered", -3},
	} {
		got := decoded[[]sampleObject](t, rimeline(t, "sample", "--at", test.at, testfiles.Path(t, test.file)))
		if len(got) != 1 || got[0].State != test.state || got[0].Nearest == nil || *got[0].Nearest.Value != test.value || (got[0].Bilinear != nil) != (test.state == "measured") {
			t.Errorf("%s at %s: %+v, want %s", test.file, test.at, got, test.state)
		}
	}
}
