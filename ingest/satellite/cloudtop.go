// Package satellite reads cloud tops of the GOES-R series' imager: the level 2
// products Cloud Top Phase (ACTP), Cloud Top Temperature (ACHT) and Cloud Top
// Height (ACHA) in netCDF-4, as the GOES-R Product Definition and Users' Guide,
// volume 5, describes them, and finds the top above a place.
//
// A pixel on the fixed grid shows what its line of sight meets first, not what is
// above its place on the ground: at the satellite zenith angles of mountain
// country, 50 to 65 degrees, a top at 9 km appears 10 to 20 km behind the place
// that it is above. CloudTops.Above undoes that.
//
// Phase and temperature come on the grid of 2 km, height on one of 10 km (4 km
// in the mesoscale sectors); each keeps its own grid and quality flags. The
// products know the highest layer only.
package satellite

import (
	"context"
	"fmt"
	"math"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/cfgrid"
)

// Product is one of the products read here.
type Product string

// The products, by their names in files.
const (
	CloudTopPhase       Product = "ACTP"
	CloudTopTemperature Product = "ACHT"
	CloudTopHeight      Product = "ACHA"
)

// products name the variable that each product's files have.
var products = []struct {
	product  Product
	variable string
}{
	{CloudTopPhase, "Phase"},
	{CloudTopTemperature, "TEMP"},
	{CloudTopHeight, "HT"},
}

// Quality is what the data quality flag of a pixel says.
type Quality uint8

const (
	// NoRetrieval: no flag, or one of a pixel without a usable value.
	NoRetrieval Quality = iota
	// Degraded: there is a value, of less than full quality.
	Degraded
	// Good quality.
	Good
)

func (q Quality) String() string {
	return [...]string{"no retrieval", "degraded", "good"}[min(q, Good)]
}

// Granule is one product at one time.
type Granule struct {
	Product  Product
	File     string
	Platform string // "G18"
	Scene    string // "CONUS"
	// Start and End of the scan, zero where the file does not say.
	Start, End time.Time
	Grid       *grid.Grid
	// One of these is set. Values without a retrieval are NoCloudTopPhase or NaN.
	Phase        []grid.CloudTopPhase
	TemperatureK []float32
	HeightM      []float32 // above the geoid
	Quality      []Quality
	// QualityFlags are the flags as stored, 255 where missing.
	QualityFlags []uint8

	parallax grid.Parallax
}

// Prepare readies a granule that was put together from its fields, as a file of
// this program's own is read, for CloudTops; Decode and Read have done it. Its
// grid must be a geostationary view.
func (g *Granule) Prepare() error {
	if g.Grid == nil {
		return fmt.Errorf("%s: no grid", g.Product)
	}
	parallax, err := grid.NewParallax(g.Grid.Projection)
	if err != nil {
		return fmt.Errorf("%s: its grid is no geostationary view: %w", g.Product, err)
	}
	g.parallax = parallax
	return nil
}

// Is tells whether a netCDF file holds one of the products.
func Is(f *cfgrid.File) bool { _, _, err := productOf("", f); return err == nil }

func productOf(file string, f *cfgrid.File) (Product, int, error) {
	hasFlags := false
	for _, v := range f.Variables() {
		hasFlags = hasFlags || v.Name == "DQF" && v.Fields == 1
	}
	for _, p := range products {
		for _, v := range f.Variables() {
			if v.Name == p.variable && v.Fields == 1 && hasFlags {
				return p.product, v.FirstField, nil
			}
		}
	}
	return "", 0, &ingest.FormatError{File: file, Detail: "no variable Phase, TEMP or HT on a grid, with DQF beside it", Err: ingest.ErrUnsupported}
}

// Options of reading.
type Options struct {
	// Places and MarginM limit what is kept to the pixels around places. The
	// margin should hold the parallax, see CloudTops; the whole is kept without
	// places, or where none of them is in the scene.
	Places  []grid.LatLon
	MarginM float64
}

// Decode reads a file given as bytes. Files of untrusted origin belong to
// cfgrid.Prober and Read. Errors are *ingest.FormatError or of the context.
func Decode(ctx context.Context, file string, b []byte, o Options) (*Granule, error) {
	f, err := cfgrid.Open(file, b)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Read(ctx, file, f, o)
}

// Read reads one of the products from an open file. Files that are none of them
// are an *ingest.FormatError of reason ingest.ErrUnsupported.
func Read(ctx context.Context, file string, f *cfgrid.File, o Options) (*Granule, error) {
	product, number, err := productOf(file, f)
	if err != nil {
		return nil, err
	}
	g := &Granule{Product: product, File: file, Platform: f.Text("", "platform_ID"), Scene: f.Text("", "scene_id")}
	g.Start, g.End = coverage(f)
	headers := f.Headers()
	whole := headers[number-1].Grid
	if g.parallax, err = grid.NewParallax(whole.Projection); err != nil {
		return nil, &ingest.FormatError{File: file, Detail: fmt.Sprintf("%s: its grid is no geostationary view", product), Err: ingest.ErrCorrupt}
	}
	if g.Start.IsZero() {
		g.Start = headers[number-1].ValidTime
		g.End = g.Start
	}
	var options cfgrid.Options
	if w, _ := whole.WindowOf(o.Places, o.MarginM); w.NI > 0 && w.NJ > 0 {
		options.Window = &w
	}
	values, err := f.Field(ctx, number, options)
	if err != nil {
		return nil, err
	}
	flags, err := flagsOf(ctx, file, f, headers, whole, options)
	if err != nil {
		return nil, err
	}
	g.Grid = values.Grid
	reader := newQualityReader(f.Numbers("DQF", "flag_masks"), f.Numbers("DQF", "flag_values"), f.Text("DQF", "flag_meanings"))
	g.QualityFlags = make([]uint8, len(flags.Values))
	g.Quality = make([]Quality, len(flags.Values))
	for k, flag := range flags.Values {
		g.QualityFlags[k], g.Quality[k] = reader.read(flag)
	}
	switch product {
	case CloudTopPhase:
		g.Phase = make([]grid.CloudTopPhase, len(values.Values))
		for k, v := range values.Values {
			g.Phase[k] = grid.NoCloudTopPhase
			if v >= 0 && v <= float32(grid.UnknownPhase) && v == float32(math.Trunc(float64(v))) {
				g.Phase[k] = grid.CloudTopPhase(v)
			}
		}
	case CloudTopTemperature:
		if values.Units != "K" {
			return nil, &ingest.FormatError{File: file, Detail: fmt.Sprintf("TEMP in %q, not K", values.Units), Err: ingest.ErrCorrupt}
		}
		g.TemperatureK = values.Values
	case CloudTopHeight:
		if values.Units != "m" {
			return nil, &ingest.FormatError{File: file, Detail: fmt.Sprintf("HT in %q, not m", values.Units), Err: ingest.ErrCorrupt}
		}
		g.HeightM = values.Values
	}
	for k := range g.Quality { // a flag cannot make a value
		missing := g.Phase != nil && g.Phase[k] == grid.NoCloudTopPhase ||
			g.TemperatureK != nil && g.TemperatureK[k] != g.TemperatureK[k] ||
			g.HeightM != nil && g.HeightM[k] != g.HeightM[k]
		if missing {
			g.Quality[k] = NoRetrieval
		}
	}
	return g, nil
}

func flagsOf(ctx context.Context, file string, f *cfgrid.File, headers []grid.Field, whole *grid.Grid, o cfgrid.Options) (*grid.Field, error) {
	for _, h := range headers {
		if h.Parameter != "DQF" {
			continue
		}
		if !h.Grid.Same(whole) {
			return nil, &ingest.FormatError{File: file, Detail: "DQF is on another grid than the product", Err: ingest.ErrCorrupt}
		}
		return f.Field(ctx, h.Number, o)
	}
	return nil, &ingest.FormatError{File: file, Detail: "no DQF", Err: ingest.ErrCorrupt} // productOf saw one
}

func coverage(f *cfgrid.File) (start, end time.Time) {
	instant := func(attribute string) time.Time {
		t, err := time.Parse(time.RFC3339, f.Text("", attribute))
		if err != nil {
			return time.Time{} // absent or odd: told by a zero time
		}
		return t.UTC()
	}
	start, end = instant("time_coverage_start"), instant("time_coverage_end")
	if end.Before(start) {
		end = start
	}
	return start, end
}

// qualityReader turns flags into quality by the words that the file itself
// gives them.
type qualityReader struct{ quality [256]Quality }

// newQualityReader reads the flag attributes (CF 3.5). Flags of Cloud Top Phase
// are masks, of which the first pair is the overall quality; those of the others
// are one number. What the words do not tell counts as no retrieval. Files
// without words follow the guide: 0 is good.
func newQualityReader(masks, values []float64, meanings string) qualityReader {
	var r qualityReader
	words := strings.Fields(meanings)
	if len(words) == 0 || len(values) != len(words) {
		r.quality[0] = Good
		return r
	}
	if len(masks) == len(words) {
		for flag := range r.quality[:255] { // 255 is the fill value
			for k, word := range words {
				if strings.HasPrefix(word, "overall_") && flag&int(masks[k]) == int(values[k]) {
					r.quality[flag] = qualityWord(word)
				}
			}
		}
		return r
	}
	for k, word := range words {
		if v := values[k]; v >= 0 && v < 255 && v == math.Trunc(v) {
			r.quality[int(v)] = qualityWord(word)
		}
	}
	return r
}

func qualityWord(word string) Quality {
	switch {
	case strings.Contains(word, "invalid"), strings.HasPrefix(word, "bad_"), strings.HasPrefix(word, "retrieval_attempted"):
		return NoRetrieval
	case strings.Contains(word, "good_quality"):
		return Good
	case strings.Contains(word, "degraded"), strings.HasPrefix(word, "marginal_"), strings.HasPrefix(word, "opaque_"):
		return Degraded
	}
	return NoRetrieval
}

func (r *qualityReader) read(flag float32) (uint8, Quality) {
	if !(flag >= 0 && flag < 255) || flag != float32(math.Trunc(float64(flag))) {
		return 255, NoRetrieval
	}
	return uint8(flag), r.quality[uint8(flag)]
}
