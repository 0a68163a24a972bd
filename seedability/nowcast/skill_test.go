package nowcast

import (
	"bytes"
	"context"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/grib"
	"rimeline/ingest/testfiles"
)

// mosaic decodes one precipitation-rate mosaic. Its codes, as they stand in the
// data: -3 no coverage, 0 no precipitation.
func mosaic(t testing.TB, at string) *grid.Field {
	t.Helper()
	name := "mrms/MRMS_PrecipRate_00.00_20190610-" + at + ".grib2"
	fields, err := grib.Decode(context.Background(), name, testfiles.Read(t, name), grib.Options{})
	if err != nil || len(fields) != 1 {
		t.Fatalf("%s: %d fields, %v", name, len(fields), err)
	}
	return fields[0]
}

var rateCodes = Codes{
	NotSeen: []float32{-3}, NoEcho: []float32{0},
	ReflectivityDBZ: func(rate float32) float32 { return float32(ReflectivityFromRateDBZ(float64(rate), 200, 1.6)) },
}

func advected(t testing.TB, frames []*Frame, lead time.Duration, method Method) *Frame {
	t.Helper()
	o := DefaultMotionOptions()
	o.Method = method
	m, err := EstimateMotion(frames, o)
	if err != nil {
		t.Fatal(err)
	}
	nowcast, err := Advect(frames[len(frames)-1], m, NowcastOptions{Step: lead, Horizon: lead})
	if err != nil {
		t.Fatal(err)
	}
	return nowcast.Steps[0].Frame
}

// repeated is the share of the echo of a frame that is the same to the bit in
// another.
func repeated(f, other *Frame) float64 {
	same, all := 0, 0
	for k, v := range f.DBZ {
		if v >= 20 {
			all++
			if v == other.DBZ[k] {
				same++
			}
		}
	}
	return float64(same) / float64(all)
}

// Persistence and pysteps (Lucas-Kanade with its defaults, then its
// semi-Lagrangian extrapolation) were scored on the same frames by
// testdata/nowcast/make.py.
func TestMosaicsBeatPersistenceAndPysteps(t *testing.T) {
	skipShort(t)
	rows := table(t, "mrms.tsv")
	fields := map[string]*grid.Field{}
	for _, at := range []string{"000000", "000400", "000600", "001000", "002000"} {
		fields[at] = mosaic(t, at)
	}
	frames := map[string]*Frame{}
	at := func(row map[string]string, at string) *Frame {
		key := row["region"] + at
		if frames[key] == nil {
			f, err := FromField(fields[at], grid.LatLon{LatitudeDeg: number(t, row["lat"]), LongitudeDeg: number(t, row["lon"])}, 1000, 460, rateCodes)
			if err != nil {
				t.Fatal(err)
			}
			frames[key] = f
		}
		return frames[key]
	}
	type scores struct{ csi, mae float64 }
	type sums struct {
		persistence, flow, correlation, pysteps scores
		regions                                 float64
	}
	byLead, report := map[string]*sums{}, &bytes.Buffer{}
	for _, row := range rows {
		var known []*Frame
		for _, time := range strings.Split(row["known"], ",") {
			known = append(known, at(row, time))
		}
		newest, observed := known[len(known)-1], at(row, row["target"])
		lead := observed.Time.Sub(newest.Time)
		if lead.Minutes() != number(t, row["lead_min"]) {
			t.Fatalf("lead %v, want %s min", lead, row["lead_min"])
		}
		cells, notSeen := 0.0, 0.0
		for _, v := range observed.DBZ {
			if v >= 20 {
				cells++
			}
			if v != v {
				notSeen++
			}
		}
		if want := number(t, row["cells_20dbz"]); math.Abs(cells-want) > 10 || notSeen != number(t, row["cells_not_seen"]) {
			t.Errorf("%s %s: %g cells of 20 dBZ, %g not seen; the reference has %s (within 10, places half way between two points) and %s",
				row["region"], row["target"], cells, notSeen, row["cells_20dbz"], row["cells_not_seen"])
		}
		var got sums
		got.persistence.csi, got.persistence.mae = score(newest, observed)
		if math.Abs(got.persistence.csi-number(t, row["persistence_csi"])) > 2e-4 || math.Abs(got.persistence.mae-number(t, row["persistence_mae"])) > 1e-3 {
			t.Errorf("%s: persistence %.4f %.4f, the reference has %s %s", row["region"], got.persistence.csi, got.persistence.mae, row["persistence_csi"], row["persistence_mae"])
		}
		got.flow.csi, got.flow.mae = score(advected(t, known, lead, LucasKanade), observed)
		got.correlation.csi, got.correlation.mae = score(advected(t, known, lead, CrossCorrelation), observed)
		got.pysteps = scores{number(t, row["pysteps_csi"]), number(t, row["pysteps_mae"])}
		stale := repeated(observed, newest)
		fmt.Fprintf(report, "%-12s %2.0f min: CSI, MAE dB: persistence %.4f %.3f, optical flow %.4f %.3f, correlation %.4f %.3f, pysteps %.4f %.3f; %.0f %% of the echo repeated\n",
			row["region"], lead.Minutes(), got.persistence.csi, got.persistence.mae, got.flow.csi, got.flow.mae, got.correlation.csi, got.correlation.mae, got.pysteps.csi, got.pysteps.mae, 100*stale)
		// Where the mosaic shows the very same volume of a radar again,
		// persistence is right by construction.
		if stale < 0.25 && !(got.flow.csi > got.persistence.csi && got.flow.mae < got.persistence.mae) {
			t.Errorf("%s %v: CSI %.4f and MAE %.4f do not beat persistence, %.4f and %.4f", row["region"], lead, got.flow.csi, got.flow.mae, got.persistence.csi, got.persistence.mae)
		}
		sum := byLead[row["lead_min"]]
		if sum == nil {
			sum = &sums{}
			byLead[row["lead_min"]] = sum
		}
		sum.regions++
		for _, pair := range [][2]*scores{{&sum.persistence, &got.persistence}, {&sum.flow, &got.flow}, {&sum.correlation, &got.correlation}, {&sum.pysteps, &got.pysteps}} {
			pair[0].csi += pair[1].csi
			pair[0].mae += pair[1].mae
		}
	}
	for _, lead := range []string{"4", "10", "14", "16"} {
		s := byLead[lead]
		for _, one := range []*scores{&s.persistence, &s.flow, &s.correlation, &s.pysteps} {
			one.csi /= s.regions
			one.mae /= s.regions
		}
		fmt.Fprintf(report, "mean of %.0f    %2s min: CSI, MAE dB: persistence %.4f %.3f, optical flow %.4f %.3f, correlation %.4f %.3f, pysteps %.4f %.3f\n",
			s.regions, lead, s.persistence.csi, s.persistence.mae, s.flow.csi, s.flow.mae, s.correlation.csi, s.correlation.mae, s.pysteps.csi, s.pysteps.mae)
		if s.flow.csi < s.pysteps.csi || s.flow.mae > s.pysteps.mae {
			t.Errorf("%s min: mean CSI %.4f and MAE %.4f are worse than those of pysteps, %.4f and %.4f", lead, s.flow.csi, s.flow.mae, s.pysteps.csi, s.pysteps.mae)
		}
		// The default method is the one with more skill.
		if s.flow.csi < s.correlation.csi || s.flow.mae > s.correlation.mae {
			t.Errorf("%s min: cross-correlation is better, CSI %.4f and MAE %.4f against %.4f and %.4f", lead, s.correlation.csi, s.correlation.mae, s.flow.csi, s.flow.mae)
		}
	}
	t.Logf("\n%s", report)
}

func TestInventedBeatPersistenceAndPysteps(t *testing.T) {
	skipShort(t)
	report := &bytes.Buffer{}
	seen := map[string][]*Frame{}
	for _, row := range table(t, "synthetic.tsv") {
		kind, lead := row["kind"], number(t, row["lead_min"])
		if seen[kind] == nil {
			for _, minute := range []float64{-10, -5, 0} {
				seen[kind] = append(seen[kind], inventedFrame(460, kind, minute))
			}
		}
		observed := inventedFrame(460, kind, lead)
		csi, mae := score(seen[kind][2], observed)
		wantCSI, wantMAE := number(t, row["persistence_csi"]), number(t, row["persistence_mae"])
		if math.Abs(csi-wantCSI) > 1e-3 || math.Abs(mae-wantMAE) > 1e-3 {
			t.Errorf("%s %g min: persistence %.4f %.4f, the reference has %.4f %.4f: not the same field", kind, lead, csi, mae, wantCSI, wantMAE)
		}
		ahead := time.Duration(lead) * time.Minute
		flowCSI, flowMAE := score(advected(t, seen[kind], ahead, LucasKanade), observed)
		corrCSI, corrMAE := score(advected(t, seen[kind], ahead, CrossCorrelation), observed)
		theirCSI, theirMAE := number(t, row["pysteps_csi"]), number(t, row["pysteps_mae"])
		fmt.Fprintf(report, "%-8s %2.0f min: CSI, MAE dB: persistence %.4f %.3f, optical flow %.4f %.3f, correlation %.4f %.3f, pysteps %.4f %.3f\n",
			kind, lead, csi, mae, flowCSI, flowMAE, corrCSI, corrMAE, theirCSI, theirMAE)
		if !(flowCSI > csi && flowMAE < mae) {
			t.Errorf("%s %g min: CSI %.4f and MAE %.4f do not beat persistence, %.4f and %.4f", kind, lead, flowCSI, flowMAE, csi, mae)
		}
		if flowCSI < theirCSI || flowMAE > theirMAE {
			t.Errorf("%s %g min: CSI %.4f and MAE %.4f are worse than those of pysteps, %.4f and %.4f", kind, lead, flowCSI, flowMAE, theirCSI, theirMAE)
		}
	}
	t.Logf("\n%s", report)
}

// The spread is to stand for how much motion will have changed: here between
// the first ten minutes and the next, over six regions.
func TestSpreadIsAsLargeAsMotionChanges(t *testing.T) {
	skipShort(t)
	fields := []*grid.Field{mosaic(t, "000000"), mosaic(t, "001000"), mosaic(t, "002000")}
	var ratios []float64
	done := map[string]bool{}
	for _, row := range table(t, "mrms.tsv") {
		if done[row["region"]] {
			continue
		}
		done[row["region"]] = true
		var frames []*Frame
		for _, field := range fields {
			f, err := FromField(field, grid.LatLon{LatitudeDeg: number(t, row["lat"]), LongitudeDeg: number(t, row["lon"])}, 1000, 460, rateCodes)
			if err != nil {
				t.Fatal(err)
			}
			frames = append(frames, f)
		}
		first, err := EstimateMotion(frames[:2], DefaultMotionOptions())
		if err != nil {
			t.Fatal(err)
		}
		second, err := EstimateMotion(frames[1:], DefaultMotionOptions())
		if err != nil {
			t.Fatal(err)
		}
		change, spread, n := 0.0, 0.0, 0.0
		for k := range first.Quality {
			if first.Quality[k] > 0 && second.Quality[k] > 0 {
				du, dv := float64(first.EastwardMPerS[k]-second.EastwardMPerS[k]), float64(first.NorthwardMPerS[k]-second.NorthwardMPerS[k])
				change, n = change+(du*du+dv*dv)/2, n+1
				spread += float64(first.SpreadMPerS[k] * first.SpreadMPerS[k])
			}
		}
		t.Logf("%-12s a component changes by %.2f m/s rms, the spread is %.2f m/s, %.0f vectors", row["region"], math.Sqrt(change/n), math.Sqrt(spread/n), n)
		ratios = append(ratios, math.Sqrt(change/spread))
	}
	if middle := median(ratios); middle < 0.6 || middle > 1.5 {
		t.Errorf("change over spread, middle of %d regions: %.2f, want near 1 (0.6 to 1.5)", len(ratios), middle)
	}
}

// skipShort leaves the measuring of skill out of runs under the race detector,
// where it takes minutes and finds nothing that the other tests do not.
func skipShort(t *testing.T) {
	t.Helper()
	if testing.Short() {
		t.Skip("measures skill, not concurrency")
	}
}
