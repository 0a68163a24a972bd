package level2

import (
	"math"
	"testing"
	"time"

	"rimeline/ingest/testfiles"
)

// Single real messages, as far as another decoder recorded what it read in them
// (danielway/nexrad, snapshots of its message tests, MIT licence).
func realMessage(t *testing.T, name string) *record {
	t.Helper()
	r := readMessages(place{file: name, record: 1}, testfiles.Read(t, "level2/messages/"+name))
	if len(r.errs) > 0 {
		t.Fatal(r.errs)
	}
	return r
}

func TestMessage31AsRecorded(t *testing.T) {
	r := realMessage(t, "digital_radar_data_full.bin")
	if len(r.radials) != 1 {
		t.Fatalf("%d radials", len(r.radials))
	}
	one := r.radials[0]
	when := time.Date(1970, 1, 1, 0, 0, 0, 0, time.UTC).AddDate(0, 0, 19057-1).Add(84204299 * time.Millisecond)
	if one.icao != "KDMX" || !one.time.Equal(when) || one.azimuthNumber != 1 || one.azimuthDeg != 155.22308 || one.spacingDeg != 0.5 ||
		one.status != statusStartVolume || one.elevationNumber != 1 || one.elevationDeg != 0.6097412 || one.vcp != 212 || len(one.moments) != 5 {
		t.Errorf("%+v", one)
	}
	s := r.metadata.site
	if s.latitudeDeg != 41.7312 || s.longitudeDeg != -93.72287 || s.siteHeightM != 299 || s.feedhornHeightM != 34 {
		t.Errorf("%+v", s)
	}
}

func TestMessage1AsRecorded(t *testing.T) {
	r := realMessage(t, "digital_radar_data_legacy.bin")
	if len(r.radials) != 1 {
		t.Fatalf("%d radials", len(r.radials))
	}
	one := r.radials[0]
	if !one.time.Equal(time.UnixMilli(1104538053477)) || one.azimuthNumber != 1 || math.Abs(float64(one.azimuthDeg)-21.92871) > 1e-5 ||
		one.status != statusStartVolume || one.elevationNumber != 1 || math.Abs(float64(one.elevationDeg)-0.57128906) > 1e-7 {
		t.Errorf("%+v", one)
	}
	// The first gates: below threshold twice, then -14.5, -19.5 and -13.5 dBZ.
	raw := one.moments[0].raw
	for gate, want := range []float64{-14.5, -19.5, -13.5} {
		if got := (float64(raw[gate+2]) - 66) / 2; got != want {
			t.Errorf("gate %d: %g, want %g", gate+2, got, want)
		}
	}
	if raw[0] != 0 || raw[1] != 0 {
		t.Errorf("first gates %v", raw[:2])
	}
}

// A coverage pattern with supplemental low cuts: the lowest three elevations come
// again after the eleventh cut.
func TestMessage5AsRecorded(t *testing.T) {
	m := realMessage(t, "volume_coverage_pattern.bin").metadata
	codes := []float64{88, 88, 160, 160, 240, 240, 328, 440, 568, 728, 928, 88, 88, 160, 160, 240, 240, 1168, 1456, 1824, 2272, 2840, 3552}
	if m.vcp != 212 || len(m.targetsDeg) != len(codes) {
		t.Fatalf("pattern %d of %d cuts", m.vcp, len(m.targetsDeg))
	}
	for k, code := range codes {
		if want := code * 180 / 32768; m.targetsDeg[k] != want {
			t.Errorf("cut %d: %g degrees, want %g", k+1, m.targetsDeg[k], want)
		}
	}
}

func TestMessages2And18(t *testing.T) {
	if build := realMessage(t, "rda_status_data.bin").metadata.build; build != 20.1 {
		t.Errorf("build %g", build)
	}
	// The place of the radar as in its message 31. This build leaves the beam
	// width out; that of 2016 has 0.9 degrees (see TestRealPlaces).
	a := realMessage(t, "rda_adaptation_data.bin").metadata.adaptation
	if math.Abs(a.latitudeDeg-41.7312) > 1e-3 || math.Abs(a.longitudeDeg+93.7229) > 1e-3 {
		t.Errorf("%+v", a)
	}
}

// Messages that are not needed are stepped over.
func TestOtherMessages(t *testing.T) {
	for _, path := range testfiles.Glob(t, "level2/messages/*.bin") {
		b := testfiles.Read(t, path[len(testfiles.Root())+1:])
		if r := readMessages(place{file: path}, b); len(r.errs) > 0 {
			t.Errorf("%s: %v", path, r.errs)
		}
	}
}
