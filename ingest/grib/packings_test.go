package grib

import (
	"context"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/testfiles"
)

// The small files of testdata/packings hold one invented field, encoded by
// ecCodes in all packings, scanning modes and grids (testdata/make_packings.py).
const (
	inventedNI = 24
	inventedNJ = 15
)

// inventedK is the field before packing, as the script computes it.
func inventedK(i, j int) float64 {
	return 263.15 + 8*math.Sin(float64(i)/5)*math.Cos(float64(j)/4) + 0.05*float64(i%3)
}

func inventedFiles(t testing.TB) []string {
	t.Helper()
	paths, err := filepath.Glob("testdata/packings/*.grib2")
	if err != nil || len(paths) < 40 {
		t.Fatalf("%d files in testdata/packings: %v", len(paths), err)
	}
	return paths
}

func openInvented(t testing.TB, path string) *Message {
	t.Helper()
	b, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	messages, err := Messages(filepath.Base(path), b)
	if err != nil || len(messages) != 1 {
		t.Fatalf("%d messages, %v", len(messages), err)
	}
	return messages[0]
}

func TestInventedFieldInEveryPacking(t *testing.T) {
	for _, path := range inventedFiles(t) {
		name := strings.TrimSuffix(filepath.Base(path), ".grib2")
		t.Run(name, func(t *testing.T) {
			m := openInvented(t, path)
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			oracle, err := lib.DecodeGRIB(b)
			if err != nil {
				t.Fatal(err)
			}
			field, err := m.Field(context.Background(), Options{Rare: inProcess{}})
			if err != nil {
				t.Fatal(err)
			}
			if field.Grid.NI != inventedNI || field.Grid.NJ != inventedNJ || len(field.Values) != inventedNI*inventedNJ {
				t.Fatalf("%d values on %d x %d", len(field.Values), field.Grid.NI, field.Grid.NJ)
			}
			// Half a step of the packing, of at least 16 K over all its numbers.
			var r representation
			if r, err = parseRepresentation(m.sections.representation, m.place); err != nil {
				t.Fatal(err)
			}
			tolK := 0.5*r.scaling.binary*r.scaling.decimal + 1e-4
			if r.template == 4 {
				tolK = 2e-5
			}
			for k := range oracle {
				i, j := rawToRows(k, inventedNI, inventedNJ, m.geometry.scan)
				got, want := field.At(i, j), float32(oracle[k])
				if math.Float32bits(got) != math.Float32bits(want) && (got == got || want == want) {
					t.Fatalf("point %d: %v, ecCodes has %v", k, got, want)
				}
				// The script numbers points in the order of the message.
				value := inventedK(k%inventedNI, k/inventedNI)
				switch {
				case strings.Contains(name, "bitmap") && (k%7 == 3 || k >= 60 && k < 90):
					if got == got {
						t.Fatalf("point %d: %v, want missing", k, got)
					}
				case name == "constant":
					if got != 271.25 {
						t.Fatalf("point %d: %v, want 271.25", k, got)
					}
				case strings.HasPrefix(name, "png-"):
					value = inventedK(k%inventedNI, 0)
					fallthrough
				default:
					if math.Abs(float64(got)-value) > tolK {
						t.Fatalf("point %d: %v, want %v within %v (half a step)", k, got, value, tolK)
					}
				}
			}
			checkWindows(t, m, rand.New(rand.NewPCG(1, 2)))
		})
	}
}

// Positions follow from flag table 3.4: the first point is that of octets 47 to
// 54, and rows and columns run where the flags say.
func TestScanningModes(t *testing.T) {
	for _, mode := range []string{"10", "20", "30", "40", "50", "60", "70", "80", "c0", "f0"} {
		m := openInvented(t, "testdata/packings/scanning-"+mode+".grib2")
		scan := m.geometry.scan
		for _, k := range []int{0, 1, 23, 24, 47, 100, 359} {
			i, j := rawToRows(k, inventedNI, inventedNJ, scan)
			want := grid.LatLon{LatitudeDeg: 42.5 - 0.25*float64(j), LongitudeDeg: -110 + 0.25*float64(i)}
			if scan&0x40 != 0 {
				want.LatitudeDeg = 39 + 0.25*float64(j)
			}
			if scan&0x80 != 0 {
				want.LongitudeDeg = -104.25 - 0.25*float64(i)
			}
			if got, ok := m.header.Grid.LatLonAt(float64(i), float64(j)); !ok || math.Abs(got.LatitudeDeg-want.LatitudeDeg) > 1e-9 || math.Abs(got.LongitudeDeg-want.LongitudeDeg) > 1e-9 {
				t.Errorf("scanning mode 0x%s: point %d at %v, want %v", mode, k, got, want)
			}
		}
	}
}

// checkWindows decodes some windows and compares them with the whole field.
func checkWindows(t *testing.T, m *Message, r *rand.Rand) {
	t.Helper()
	whole, err := m.Field(context.Background(), Options{Rare: inProcess{}})
	if err != nil {
		t.Fatal(err)
	}
	g := whole.Grid
	if g.NI == 0 || g.NJ == 0 {
		return
	}
	for range 6 {
		w := grid.Window{I0: r.IntN(g.NI), J0: r.IntN(g.NJ)}
		w.NI, w.NJ = 1+r.IntN(g.NI-w.I0), 1+r.IntN(g.NJ-w.J0)
		checkWindow(t, m, whole, w)
	}
	checkWindow(t, m, whole, grid.Window{NI: g.NI, NJ: 1 + r.IntN(g.NJ)})
	checkWindow(t, m, whole, grid.Window{I0: g.NI - 1, J0: g.NJ - 1, NI: 1, NJ: 1})
	if g.Cyclic {
		checkWindow(t, m, whole, grid.Window{I0: g.NI - 3, J0: g.NJ / 2, NI: 7, NJ: 2})
	}
}

func checkWindow(t *testing.T, m *Message, whole *grid.Field, w grid.Window) {
	t.Helper()
	part, err := m.Field(context.Background(), Options{Window: &w, Rare: inProcess{}})
	if err != nil {
		t.Fatalf("%v: %v", w, err)
	}
	if part.Grid.NI != w.NI || part.Grid.NJ != w.NJ || len(part.Values) != w.NI*w.NJ {
		t.Fatalf("%v: %d values on %d x %d", w, len(part.Values), part.Grid.NI, part.Grid.NJ)
	}
	for j := range w.NJ {
		for i := range w.NI {
			got, want := part.At(i, j), whole.At((w.I0+i)%whole.Grid.NI, w.J0+j)
			if math.Float32bits(got) != math.Float32bits(want) {
				t.Fatalf("%s: window %v: (%d, %d) is %v, want %v", m.place.file, w, i, j, got, want)
			}
		}
	}
	if part.Grid.Projection == nil {
		return
	}
	got, _ := part.Grid.LatLonAt(float64(w.NI-1), float64(w.NJ-1))
	want, _ := whole.Grid.LatLonAt(float64((w.I0+w.NI-1)%whole.Grid.NI), float64(w.J0+w.NJ-1))
	if math.Abs(got.LatitudeDeg-want.LatitudeDeg) > 1e-9 || math.Abs(grid.NormalLongitudeDeg(got.LongitudeDeg-want.LongitudeDeg)) > 1e-9 {
		t.Fatalf("%s: window %v ends at %v, want %v", m.place.file, w, got, want)
	}
}

func TestWindowsOfRealFields(t *testing.T) {
	for _, name := range []string{
		"grib2/hrrr.20230722.t06z.wrfsfcf01-TMP.grib2", "grib2/hrrr.20230722.t06z.wrfsfcf01-UGRD10m.grib2",
		"grib2/gfs.20260605.t12z.f023.pv-tmp-missing.grib2", "grib2/stage4.20220810.04z.01h.grib2",
		"grib2/ndfd.20231102.minrh.grib2", "grib2/ecmwf.aifs-single.20260310.t12z.t500.grib2",
		"grib2/cosmo-eu.20100329.rotated_ll.5x5.grib2",
	} {
		messages, err := Messages(name, testfiles.Read(t, name))
		if err != nil {
			t.Fatal(err)
		}
		checkWindows(t, messages[0], rand.New(rand.NewPCG(3, 4)))
	}
}

func TestWindowOffTheGrid(t *testing.T) {
	m := openInvented(t, "testdata/packings/simple.grib2")
	for _, w := range []grid.Window{
		{I0: 0, J0: 0, NI: 25, NJ: 1}, {I0: -1, J0: 0, NI: 2, NJ: 2}, {I0: 0, J0: 14, NI: 1, NJ: 2}, {}, {I0: 23, J0: 0, NI: math.MaxInt, NJ: 1},
	} {
		if _, err := m.Field(context.Background(), Options{Window: &w}); !errors.Is(err, ErrWindow) {
			t.Errorf("window %v: %v, want ErrWindow", w, err)
		}
	}
}

// Without a RareDecoder the template is named.
func TestRarePackingWithoutDecoder(t *testing.T) {
	for name, template := range map[string]string{"jpeg": "5.40", "ccsds": "5.42"} {
		m := openInvented(t, "testdata/packings/"+name+".grib2")
		_, err := m.Field(context.Background(), Options{})
		if !errors.Is(err, ingest.ErrUnsupported) || !strings.Contains(err.Error(), template) {
			t.Errorf("%s: %v, want unsupported template %s", name, err, template)
		}
	}
}

type failing struct{ err error }

func (f failing) DecodeValues(context.Context, []byte) ([]float64, error) { return nil, f.err }

type short struct{}

func (short) DecodeValues(context.Context, []byte) ([]float64, error) { return make([]float64, 7), nil }

// What the RareDecoder says keeps its reason and gets a place in the file.
func TestRareDecoderFails(t *testing.T) {
	m := openInvented(t, "testdata/packings/ccsds.grib2")
	for _, test := range []struct {
		rare RareDecoder
		want error
	}{
		{failing{ingest.ErrDecoderDied}, ingest.ErrDecoderDied},
		{failing{errors.New("anything")}, ingest.ErrCorrupt},
		{failing{&ingest.FormatError{Detail: "x", Err: ingest.ErrDecoderDied}}, ingest.ErrDecoderDied},
		{short{}, ingest.ErrCorrupt},
	} {
		_, err := m.Field(context.Background(), Options{Rare: test.rare})
		var place *ingest.FormatError
		if !errors.Is(err, test.want) || !errors.As(err, &place) || place.Message != 1 || place.File != "ccsds.grib2" || place.Offset == 0 {
			t.Errorf("%v: %v, want %v with its place", test.rare, err, test.want)
		}
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := m.Field(ctx, Options{Rare: inProcess{}}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}
