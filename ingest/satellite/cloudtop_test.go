package satellite

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/cfgrid"
	"rimeline/ingest/testfiles"
)

func granulePath(product string) string {
	return filepath.Join("..", "..", "testdata", "satellite", "OR_ABI-L2-"+product+"C-M6_G18_s20260141201177_e20260141203550_c20260141205102.nc")
}

func granule(t testing.TB, product string, o Options) *Granule {
	t.Helper()
	b, err := os.ReadFile(granulePath(product))
	if err != nil {
		t.Fatal(err)
	}
	g, err := Decode(t.Context(), product+".nc", b, o)
	if err != nil {
		t.Fatal(err)
	}
	return g
}

func scene(t testing.TB, products ...string) (c CloudTops) {
	t.Helper()
	for _, product := range products {
		c.Add(granule(t, product, Options{}))
	}
	return c
}

func TestGranules(t *testing.T) {
	start := time.Date(2026, 1, 14, 12, 1, 17, 700e6, time.UTC)
	phase := granule(t, "ACTP", Options{})
	if phase.Product != CloudTopPhase || phase.Platform != "G18" || phase.Scene != "CONUS" || !phase.Start.Equal(start) || !phase.End.Equal(start.Add(157300*time.Millisecond)) {
		t.Errorf("%+v", phase)
	}
	// As the picture that testdata/satellite/cloudtops.py prints of every other row.
	for _, test := range []struct {
		i, j    int
		want    grid.CloudTopPhase
		quality Quality
		flags   uint8
	}{
		{2, 0, grid.NoCloudTopPhase, NoRetrieval, 255},
		{3, 0, grid.ClearSky, Good, 0},
		{12, 6, grid.SupercooledLiquid, Good, 0},
		{28, 14, grid.IcePhase, Good, 0},
		{45, 22, grid.MixedPhase, Degraded, 5},
		{59, 36, grid.LiquidWater, Good, 0},
		{59, 39, grid.UnknownPhase, Degraded, 33},
	} {
		k := test.j*phase.Grid.NI + test.i
		if phase.Phase[k] != test.want || phase.Quality[k] != test.quality || phase.QualityFlags[k] != test.flags {
			t.Errorf("pixel %d, %d: %v, %v, flags %d, want %v, %v, %d", test.i, test.j, phase.Phase[k], phase.Quality[k], phase.QualityFlags[k], test.want, test.quality, test.flags)
		}
	}
	temperature := granule(t, "ACHT", Options{})
	k := 14*60 + 28
	if got := temperature.TemperatureK[k]; math.Abs(float64(got)-226) > 0.001 || temperature.Quality[k] != Good {
		t.Errorf("temperature of the ice top %v, %v", got, temperature.Quality[k])
	}
	k = 36*60 + 59 // the liquid's flag is 1, marginal
	if got := temperature.TemperatureK[k]; math.Abs(float64(got)-275.5) > 0.001 || temperature.Quality[k] != Degraded {
		t.Errorf("temperature of the liquid top %v, %v", got, temperature.Quality[k])
	}
	if k = 10; temperature.TemperatureK[k] == temperature.TemperatureK[k] || temperature.Quality[k] != NoRetrieval {
		t.Errorf("temperature of clear sky %v, %v", temperature.TemperatureK[k], temperature.Quality[k])
	}
	height := granule(t, "ACHA", Options{})
	if height.Grid.NI != 12 || height.Grid.NJ != 8 {
		t.Errorf("height on %d x %d", height.Grid.NI, height.Grid.NJ)
	}
	k = 2*12 + 5
	if got := height.HeightM[k]; math.Abs(float64(got)-9200) > 0.16 || height.Quality[k] != Good { // half a step of the packing
		t.Errorf("height of the ice top %v, %v", got, height.Quality[k])
	}
	// 4 lies outside the file's own valid_range of the flag.
	if k = 7*12 + 11; height.Quality[k] != NoRetrieval || height.QualityFlags[k] != 255 {
		t.Errorf("flag outside its range: %v, %d", height.Quality[k], height.QualityFlags[k])
	}
}

// True places of the invented clouds, in testdata/satellite/cloudtops.py. Their
// pixels were found there by other code.
func TestAboveFindsTheCloudAbove(t *testing.T) {
	tops := scene(t, "ACTP", "ACHT", "ACHA")
	look := Look{GroundAltitudeM: 1500, AssumedTopM: math.NaN()}
	for _, test := range []struct {
		south, north, west, east float64 // of the cloud, less a pixel
		phase                    grid.CloudTopPhase
		temperatureK, heightM    float64
	}{
		{44.43, 44.77, -115.21, -114.99, grid.IcePhase, 226, 9200},
		{44.28, 44.60, -114.76, -114.54, grid.MixedPhase, 254.5, 5400},
		{44.23, 44.36, -115.46, -114.90, grid.SupercooledLiquid, 263, 3600},
		{44.08, 44.13, -114.72, -114.46, grid.LiquidWater, 275.5, 2300},
	} {
		n, wrongHeight := 0, 0
		for lat := test.south; lat <= test.north; lat += 0.02 {
			for lon := test.west; lon <= test.east; lon += 0.03 {
				p := grid.LatLon{LatitudeDeg: lat, LongitudeDeg: lon}
				top, ok := tops.Above(p, look)
				n++
				if !ok {
					// Heights come in pixels of 10 km, which near an edge are a neighbour's.
					wrongHeight++
					continue
				}
				if !(math.Abs(top.HeightM-test.heightM) <= 0.2) {
					wrongHeight++
					continue
				}
				if top.Phase != test.phase || math.Abs(top.TemperatureK-test.temperatureK) > 0.01 {
					t.Errorf("%v: %+v, want %v", p, top, test.phase)
				}
				zenith := math.Tan(top.ZenithAngleDeg * math.Pi / 180)
				if want := test.heightM * zenith; math.Abs(top.ParallaxM-want) > 0.02*want {
					t.Errorf("%v: parallax %.0f m, flat earth %.0f m", p, top.ParallaxM, want)
				}
				if top.OffM > 2600 {
					t.Errorf("%v: found a cloud %.0f m off", p, top.OffM)
				}
			}
		}
		if n < 20 || wrongHeight > n/4 {
			t.Errorf("%v: at %d of %d places another height", test.phase, wrongHeight, n)
		}
	}
	clear := grid.LatLon{LatitudeDeg: 44.08, LongitudeDeg: -115.2}
	if top, ok := tops.Above(clear, look); !ok || top.Phase != grid.ClearSky || !math.IsNaN(top.HeightM) || !math.IsNaN(top.TemperatureK) || top.WithoutParallax {
		t.Errorf("clear sky: %+v, %v", top, ok)
	}
}

// Without the correction the pixel of the place shows another cloud.
func TestParallaxMatters(t *testing.T) {
	tops := scene(t, "ACTP", "ACHT", "ACHA")
	site := grid.LatLon{LatitudeDeg: 44.45, LongitudeDeg: -115.2} // under the south-western corner of the ice
	i, j, _, _ := tops.Phase.Grid.Nearest(site)
	if naive := tops.Phase.Phase[j*tops.Phase.Grid.NI+i]; naive != grid.SupercooledLiquid {
		t.Fatalf("the pixel of the site shows %v", naive)
	}
	look := Look{GroundAltitudeM: 1500, AssumedTopM: math.NaN()}
	if top, ok := tops.Above(site, look); !ok || top.Phase != grid.IcePhase {
		t.Errorf("above the site: %+v, %v", top, ok)
	}
	if other, ok := scene(t, "ACTP", "ACHA").Above(site, look); !ok || other.Phase != grid.IcePhase {
		t.Errorf("above the site, without temperatures: %+v, %v", other, ok)
	}
	// North-east of the ice, its slanted view hides the supercooled top below.
	hidden := grid.LatLon{LatitudeDeg: 44.66, LongitudeDeg: -114.92}
	if top, ok := tops.Above(hidden, look); ok {
		t.Errorf("behind the ice: %+v", top)
	}
	// Without heights a top may be assumed, and else the correction is missed and said to be.
	phase := scene(t, "ACTP")
	if top, ok := phase.Above(site, Look{GroundAltitudeM: 1500, AssumedTopM: 9200}); !ok || top.Phase != grid.IcePhase || !top.HeightAssumed || top.WithoutParallax {
		t.Errorf("with an assumed top: %+v, %v", top, ok)
	}
	if top, ok := phase.Above(site, look); !ok || top.Phase != grid.SupercooledLiquid || !top.WithoutParallax || top.HeightAssumed {
		t.Errorf("without any height: %+v, %v", top, ok)
	}
}

func TestAboveWhereNothingIsSeen(t *testing.T) {
	tops := scene(t, "ACTP", "ACHT", "ACHA")
	for _, p := range []grid.LatLon{{LatitudeDeg: 40, LongitudeDeg: -100}, {LatitudeDeg: 0, LongitudeDeg: 60}, {LatitudeDeg: math.NaN()}, {LatitudeDeg: 90}} {
		if top, ok := tops.Above(p, Look{AssumedTopM: math.NaN()}); ok {
			t.Errorf("%v: %+v", p, top)
		}
	}
	if top, ok := (CloudTops{}).Above(grid.LatLon{LatitudeDeg: 44.5, LongitudeDeg: -115}, Look{}); ok {
		t.Errorf("no granules: %+v", top)
	}
	top := Top{End: time.Date(2026, 1, 14, 12, 3, 55, 0, time.UTC)}
	if got := top.Age(time.Date(2026, 1, 14, 12, 10, 0, 0, time.UTC)); got != 365*time.Second {
		t.Errorf("age %v", got)
	}
}

func TestWindowKeepsPlaces(t *testing.T) {
	site := grid.LatLon{LatitudeDeg: 44.45, LongitudeDeg: -115.2}
	small := granule(t, "ACTP", Options{Places: []grid.LatLon{site}, MarginM: 30e3})
	if small.Grid.NI >= 60 || len(small.Phase) != small.Grid.NI*small.Grid.NJ || len(small.Quality) != len(small.Phase) {
		t.Fatalf("%d x %d, %d phases", small.Grid.NI, small.Grid.NJ, len(small.Phase))
	}
	whole := granule(t, "ACTP", Options{})
	i, j, _, _ := small.Grid.Nearest(site)
	wi, wj, _, _ := whole.Grid.Nearest(site)
	if small.Phase[j*small.Grid.NI+i] != whole.Phase[wj*60+wi] {
		t.Error("the window shows another pixel")
	}
}

func TestQualityWords(t *testing.T) {
	// The two sets of words that files of Cloud Top Height and Pressure have had.
	old := newQualityReader(nil, []float64{0, 1, 2, 3, 4, 5, 6}, "good_quality_qf invalid_due_to_not_geolocated_qf invalid_due_to_LZA_threshold_exceeded_qf invalid_due_to_bad_or_missing_brightness_temp_data_qf invalid_due_to_clear_or_probably_clear_sky_qf invalid_due_to_unknown_cloud_type_qf invalid_due_to_nonconvergent_retrieval_qf")
	for flag := range 7 {
		_, got := old.read(float32(flag))
		if want := map[bool]Quality{true: Good, false: NoRetrieval}[flag == 0]; got != want {
			t.Errorf("flag %d: %v", flag, got)
		}
	}
	recent := newQualityReader(nil, []float64{0, 1, 2, 3, 4}, "good_quality_qf marginal_quality_qf retrieval_attempted_qf bad_quality_qf opaque_retrieval_qf")
	for flag, want := range []Quality{Good, Degraded, NoRetrieval, NoRetrieval, Degraded, NoRetrieval} {
		if _, got := recent.read(float32(flag)); got != want {
			t.Errorf("flag %d: %v, want %v", flag, got, want)
		}
	}
	bare := newQualityReader(nil, nil, "")
	for flag, want := range map[float32]Quality{0: Good, 1: NoRetrieval, 255: NoRetrieval, -1: NoRetrieval, 0.5: NoRetrieval, float32(math.NaN()): NoRetrieval} {
		if _, got := bare.read(flag); got != want {
			t.Errorf("without words, flag %v: %v", flag, got)
		}
	}
}

func TestRefusesOtherFiles(t *testing.T) {
	var formatError *ingest.FormatError
	b, err := os.ReadFile("../../testdata/netcdf/ensemble.nc4")
	if err != nil {
		t.Fatal(err)
	}
	if g, err := Decode(t.Context(), "ensemble.nc4", b, Options{}); !errors.As(err, &formatError) || !errors.Is(err, ingest.ErrUnsupported) {
		t.Errorf("another file: %v, %v", g, err)
	}
	if g, err := Decode(t.Context(), "garbage", []byte("CDF\x01"), Options{}); !errors.As(err, &formatError) {
		t.Errorf("garbage: %v, %v", g, err)
	}
	if g, err := Decode(t.Context(), "lightning.nc", testfiles.Read(t, "goes/OR_GLM-L2-GLMM1-M3_G16_s20181830433000_e20181830434000_c20191931535550.nc"), Options{}); !errors.Is(err, ingest.ErrUnsupported) {
		t.Errorf("lightning: %v, %v", g, err)
	}
}

func TestIs(t *testing.T) {
	for path, want := range map[string]bool{granulePath("ACHA"): true, "../../testdata/netcdf/ensemble.nc4": false} {
		f, err := cfgrid.OpenPath(path)
		if err != nil {
			t.Fatal(err)
		}
		if got := Is(f); got != want {
			t.Errorf("%s: %v", path, got)
		}
		f.Close()
	}
}

func BenchmarkAbove(b *testing.B) {
	tops := scene(b, "ACTP", "ACHT", "ACHA")
	p := grid.LatLon{LatitudeDeg: 44.45, LongitudeDeg: -115.2}
	for b.Loop() {
		tops.Above(p, Look{GroundAltitudeM: 1500, AssumedTopM: math.NaN()})
	}
}

func ExampleCloudTops_Above() {
	var tops CloudTops
	for _, product := range []string{"ACTP", "ACHT", "ACHA"} {
		b, err := os.ReadFile(granulePath(product))
		if err != nil {
			fmt.Println(err)
			return
		}
		g, err := Decode(context.Background(), product, b, Options{})
		if err != nil {
			fmt.Println(err)
			return
		}
		tops.Add(g)
	}
	// Ice on top says nothing about the water below.
	top, _ := tops.Above(grid.LatLon{LatitudeDeg: 44.5, LongitudeDeg: -115.1}, Look{GroundAltitudeM: 1500})
	fmt.Printf("%v at %.0f m, %.0f K, seen %.0f km away\n", top.Phase, top.HeightM, top.TemperatureK, top.ParallaxM/1000)
	// Output: ice at 9200 m, 226 K, seen 14 km away
}
