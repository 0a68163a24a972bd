package crop

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
)

// different compares to the bit what the members of two values say, and tells
// where the first difference is. Pointers are followed, times are compared as
// instants, unexported members are left out.
func different(a, b reflect.Value, where string) string {
	switch a.Type() {
	case reflect.TypeFor[time.Time]():
		x, y := a.Interface().(time.Time), b.Interface().(time.Time)
		if !x.Equal(y) || x.IsZero() != y.IsZero() {
			return fmt.Sprintf("%s: %v and %v", where, x, y)
		}
		return ""
	case reflect.TypeFor[grid.Projection]():
		x, _ := a.Interface().(grid.Projection)
		y, _ := b.Interface().(grid.Projection)
		p, _ := grid.ParametersOf(x)
		q, _ := grid.ParametersOf(y)
		return different(reflect.ValueOf(&p).Elem(), reflect.ValueOf(&q).Elem(), where)
	}
	if a.Type() != b.Type() {
		return fmt.Sprintf("%s: %v and %v", where, a.Type(), b.Type())
	}
	switch a.Kind() {
	case reflect.Float32:
		if x, y := math.Float32bits(a.Interface().(float32)), math.Float32bits(b.Interface().(float32)); x != y {
			return fmt.Sprintf("%s: bits %08x and %08x", where, x, y)
		}
	case reflect.Float64:
		if x, y := math.Float64bits(a.Float()), math.Float64bits(b.Float()); x != y {
			return fmt.Sprintf("%s: bits %016x and %016x", where, x, y)
		}
	case reflect.Pointer, reflect.Interface:
		if a.IsNil() || b.IsNil() {
			if a.IsNil() != b.IsNil() {
				return fmt.Sprintf("%s: nil and not nil", where)
			}
			return ""
		}
		return different(a.Elem(), b.Elem(), where)
	case reflect.Struct:
		for k := range a.NumField() {
			if f := a.Type().Field(k); f.IsExported() {
				if d := different(a.Field(k), b.Field(k), where+"."+f.Name); d != "" {
					return d
				}
			}
		}
	case reflect.Slice, reflect.Array:
		switch x := a.Interface().(type) { // the long ones, at once
		case []uint8:
			if y := b.Bytes(); (x == nil) == (y == nil) && bytes.Equal(x, y) {
				return ""
			}
		case []float32:
			y := b.Interface().([]float32)
			if (x == nil) == (y == nil) && slices.EqualFunc(x, y, func(p, q float32) bool { return math.Float32bits(p) == math.Float32bits(q) }) {
				return ""
			}
		}
		if a.Len() != b.Len() || a.Kind() == reflect.Slice && a.IsNil() != b.IsNil() {
			return fmt.Sprintf("%s: %d elements and %d", where, a.Len(), b.Len())
		}
		for k := range a.Len() {
			if d := different(a.Index(k), b.Index(k), fmt.Sprintf("%s[%d]", where, k)); d != "" {
				return d
			}
		}
	default:
		if a.Interface() != b.Interface() {
			return fmt.Sprintf("%s: %v and %v", where, a, b)
		}
	}
	return ""
}

func wantSame(t testing.TB, got, want *Crop) {
	t.Helper()
	if d := different(reflect.ValueOf(got), reflect.ValueOf(want), "crop"); d != "" {
		t.Fatalf("came back changed: %s", d)
	}
}

func thereAndBack(t testing.TB, c *Crop) (*Crop, []byte) {
	t.Helper()
	b, err := Encode(c)
	if err != nil {
		t.Fatal(err)
	}
	got, err := Decode("crop", b)
	if err != nil {
		t.Fatal(err)
	}
	wantSame(t, got, c)
	return got, b
}

// fill sets every member that v has, by reflection: what is added to a type of
// the crop and not to its description comes back empty.
func fill(r *rand.Rand, v reflect.Value) {
	switch v.Interface().(type) {
	case time.Time:
		v.Set(reflect.ValueOf(time.Unix(1_790_000_000+r.Int64N(1e8), r.Int64N(1e9)).UTC()))
		return
	}
	switch v.Kind() {
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int64:
		v.SetInt(1 + r.Int64N(100))
	case reflect.Uint8, reflect.Uint16:
		v.SetUint(1 + r.Uint64N(2))
	case reflect.Float32:
		v.Set(reflect.ValueOf(math.Float32frombits(0x7fc00000 | r.Uint32N(1<<20) + 1)).Convert(v.Type()))
	case reflect.Float64:
		v.SetFloat(math.Float64frombits(0x7ff8000000000000 | r.Uint64N(1<<40) + 1))
	case reflect.String:
		v.SetString(fmt.Sprintf("text %d µ", r.IntN(1000)))
	case reflect.Slice:
		v.Set(reflect.MakeSlice(v.Type(), 2, 2))
		for k := range 2 {
			fill(r, v.Index(k))
		}
	case reflect.Array:
		for k := range v.Len() {
			fill(r, v.Index(k))
		}
	case reflect.Pointer:
		v.Set(reflect.New(v.Type().Elem()))
		fill(r, v.Elem())
	case reflect.Struct:
		for k := range v.NumField() {
			if v.Type().Field(k).IsExported() {
				fill(r, v.Field(k))
			}
		}
	case reflect.Interface: // projections are set by hand
	default:
		panic("fill: " + v.Type().String())
	}
}

// full is a crop with something in every member, as consistent as it must be.
func full(r *rand.Rand) *Crop {
	var c Crop
	fill(r, reflect.ValueOf(&c).Elem())
	geometry := func(g *grid.Grid, p grid.Projection) {
		g.NI, g.NJ = 3, 2
		g.Projection = p
		g.Curvilinear.LatitudeDeg, g.Curvilinear.LongitudeDeg = make([]float64, 6), make([]float64, 6)
		for k := range 6 {
			fill(r, reflect.ValueOf(g.Curvilinear.LatitudeDeg).Index(k))
			fill(r, reflect.ValueOf(g.Curvilinear.LongitudeDeg).Index(k))
		}
	}
	floats := func(n int) []float32 {
		xs := make([]float32, n)
		for k := range xs {
			fill(r, reflect.ValueOf(xs).Index(k))
		}
		return xs
	}
	lambert, _ := grid.NewProjection(grid.LambertConformal{Earth: grid.GRS80, StandardParallel1Deg: 38.5, StandardParallel2Deg: 38.25, OriginLatitudeDeg: 37.5, CentralMeridianDeg: -97.5, FalseEastingM: 1, FalseNorthingM: 2})
	geostationary, _ := grid.NewProjection(grid.Geostationary{Earth: grid.GRS80, PerspectivePointHeightM: 35786023, SubSatelliteLongitudeDeg: -137, SweepAxisX: true, FalseEastingM: 1, FalseNorthingM: 2})
	for _, f := range c.Fields {
		geometry(f.Grid, lambert)
		f.Values = floats(6)
	}
	for k, g := range c.CloudTops {
		geometry(g.Grid, geostationary)
		g.Quality, g.QualityFlags = []satellite.Quality{0, 1, 2, 2, 1, 0}, []uint8{0, 1, 255, 3, 4, 5}
		g.Phase, g.TemperatureK, g.HeightM = nil, nil, nil
		switch k {
		case 0:
			g.Phase = []grid.CloudTopPhase{0, 1, 2, 3, 4, 255}
		case 1:
			g.TemperatureK = floats(6)
		}
	}
	third := *c.CloudTops[1]
	third.TemperatureK, third.HeightM = nil, floats(6)
	c.CloudTops = append(c.CloudTops, &third)
	for _, s := range c.Volume.Sweeps {
		for k, m := range s.Moments {
			m.Gates = 50
			for n := range m.Rows {
				row := &m.Rows[n]
				row.Packing.WordBits = []int{8, 16, 32}[(k+n)%3]
				row.Raw = []byte{1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12}
				row.ZeroGates = 3 + k
			}
		}
	}
	return &c
}

// every visits all structs below a value.
func every(v reflect.Value, visit func(reflect.Value)) {
	switch v.Kind() {
	case reflect.Pointer, reflect.Interface:
		if !v.IsNil() {
			every(v.Elem(), visit)
		}
	case reflect.Slice:
		for k := range v.Len() {
			every(v.Index(k), visit)
		}
	case reflect.Struct:
		if _, ok := v.Interface().(time.Time); ok {
			return
		}
		visit(v)
		for k := range v.NumField() {
			if v.Type().Field(k).IsExported() {
				every(v.Field(k), visit)
			}
		}
	}
}

// A member that the description forgets comes back empty and fails here.
func TestEveryMemberComesBack(t *testing.T) {
	for seed := range uint64(20) {
		c := full(rand.New(rand.NewPCG(seed, 1)))
		thereAndBack(t, c)

		// Every member of every type was set in some value of that type.
		set := make(map[string]bool)
		every(reflect.ValueOf(c), func(v reflect.Value) {
			for k := range v.NumField() {
				if f := v.Type().Field(k); f.IsExported() {
					name := v.Type().String() + "." + f.Name
					set[name] = set[name] || !v.Field(k).IsZero()
				}
			}
		})
		for name, ok := range set {
			if !ok {
				t.Errorf("%s is empty everywhere: the test cannot see whether it is kept", name)
			}
		}
		for _, name := range []string{"grid.Field.Values", "grid.Curvilinear.LatitudeDeg", "grid.Packing.Missing", "grid.Radial.Time", "sounding.Level.Suspect", "satellite.Granule.HeightM", "crop.File.ETag"} {
			if !set[name] {
				t.Errorf("%s was not visited", name)
			}
		}
	}
}

func TestEmptyAndNil(t *testing.T) {
	got, b := thereAndBack(t, &Crop{})
	if got.Fields != nil || got.Volume != nil || !got.Fetched.IsZero() {
		t.Errorf("an empty crop came back as %+v", got)
	}
	if len(b) > 200 {
		t.Errorf("an empty crop has %d bytes", len(b))
	}
	thereAndBack(t, &Crop{
		Files: []File{}, Fields: []*grid.Field{{Grid: &grid.Grid{}, Values: []float32{}}, {Grid: &grid.Grid{NI: 7, NJ: 3}}},
		Reports: []sounding.Report{{Levels: []sounding.Level{}, Notes: []string{}}, {}},
		Volume:  &grid.Volume{Notes: []string{}, Sweeps: []*grid.Sweep{{Radials: []grid.Radial{}, Moments: []*grid.Moment{{Rows: []grid.GateRow{}}, {}}}, {}}},
	})
	if _, err := Encode(nil); err == nil {
		t.Error("nil was encoded")
	}
}
