package archive

import (
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"github.com/fhs/go-netcdf/netcdf"
)

// ncInfo is the header of a file, and its values as numbers or texts.
type ncInfo struct {
	globals map[string]any
	vars    map[string]*ncInfoVar
	dims    map[string]uint64
}

type ncInfoVar struct {
	of         netcdf.Type
	dims       []string
	attributes map[string]any
	numbers    []float64
	texts      []string
}

// readNC reads a file by the library, by the names of its dimensions.
func readNC(t *testing.T, path string) *ncInfo {
	t.Helper()
	info := &ncInfo{globals: map[string]any{}, vars: map[string]*ncInfoVar{}, dims: map[string]uint64{}}
	err := onOwnThread(context.Background(), func() error {
		ds, err := netcdf.OpenFile(path, netcdf.NOWRITE)
		if err != nil {
			return err
		}
		defer ds.Close()
		n, err := ds.NAttrs()
		if err != nil {
			return err
		}
		for k := range n {
			a, err := ds.AttrN(k)
			if err != nil {
				return err
			}
			if info.globals[a.Name()], err = attributeOf(a); err != nil {
				return err
			}
		}
		if n, err = ds.NVars(); err != nil {
			return err
		}
		for k := range n {
			v := ds.VarN(k)
			name, err := v.Name()
			if err != nil {
				return err
			}
			one := &ncInfoVar{attributes: map[string]any{}}
			info.vars[name] = one
			if one.of, err = v.Type(); err != nil {
				return err
			}
			dims, err := v.Dims()
			if err != nil {
				return err
			}
			for _, d := range dims {
				dimName, err := d.Name()
				if err != nil {
					return err
				}
				one.dims = append(one.dims, dimName)
				if info.dims[dimName], err = d.Len(); err != nil {
					return err
				}
			}
			attributes, err := v.NAttrs()
			if err != nil {
				return err
			}
			for i := range attributes {
				a, err := v.AttrN(i)
				if err != nil {
					return err
				}
				if one.attributes[a.Name()], err = attributeOf(a); err != nil {
					return fmt.Errorf("%s: %w", name, err)
				}
			}
			if err := one.values(v, dims); err != nil {
				return fmt.Errorf("%s: %w", name, err)
			}
		}
		return nil
	})
	if err != nil {
		t.Fatalf("%s: %v", path, err)
	}
	return info
}

func (one *ncInfoVar) values(v netcdf.Var, dims []netcdf.Dim) error {
	length, err := v.Len()
	if err != nil || length == 0 {
		return err
	}
	switch one.of {
	case netcdf.CHAR:
		b := make([]byte, length)
		if err := v.ReadBytes(b); err != nil {
			return err
		}
		width, err := dims[len(dims)-1].Len()
		if err != nil {
			return err
		}
		for k := uint64(0); k < length; k += width {
			one.texts = append(one.texts, strings.TrimRight(string(b[k:k+width]), "\x00"))
		}
	case netcdf.BYTE:
		b := make([]int8, length)
		err = v.ReadInt8s(b)
		for _, x := range b {
			one.numbers = append(one.numbers, float64(x))
		}
	case netcdf.INT:
		b := make([]int32, length)
		err = v.ReadInt32s(b)
		for _, x := range b {
			one.numbers = append(one.numbers, float64(x))
		}
	case netcdf.INT64:
		b := make([]int64, length)
		err = v.ReadInt64s(b)
		for _, x := range b {
			one.numbers = append(one.numbers, float64(x))
		}
	case netcdf.FLOAT:
		b := make([]float32, length)
		err = v.ReadFloat32s(b)
		for _, x := range b {
			one.numbers = append(one.numbers, float64(x))
		}
	default:
		one.numbers = make([]float64, length)
		err = v.ReadFloat64s(one.numbers)
	}
	return err
}

func attributeOf(a netcdf.Attr) (any, error) {
	n, err := a.Len()
	if err != nil {
		return nil, err
	}
	of, err := a.Type()
	if err != nil {
		return nil, err
	}
	switch of {
	case netcdf.CHAR:
		b := make([]byte, n)
		err = a.ReadBytes(b)
		return string(b), err
	case netcdf.BYTE:
		b := make([]int8, n)
		err = a.ReadInt8s(b)
		return b, err
	case netcdf.FLOAT:
		b := make([]float32, n)
		err = a.ReadFloat32s(b)
		return b, err
	case netcdf.INT64:
		b := make([]int64, n)
		err = a.ReadInt64s(b)
		return b, err
	case netcdf.DOUBLE:
		b := make([]float64, n)
		err = a.ReadFloat64s(b)
		return b, err
	}
	return nil, fmt.Errorf("attribute %s has type %v", a.Name(), of)
}

// standardNames are names of the CF standard name table with their canonical units.
func standardNames(t *testing.T) map[string]string {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", "standard-names.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	names := map[string]string{}
	for _, row := range rows[1:] {
		names[row[0]] = row[1]
	}
	return names
}

// dimensionOf units that the files use, by UDUNITS: what a unit can be converted to.
var dimensionOf = map[string]string{
	"1": "1", "m": "m", "K": "K", "degC": "K", "kg m-2": "kg m-2", "kg m-3": "kg m-3", "min": "s", "s": "s", "degree": "1", "degrees_north": "degree_north", "degrees_east": "degree_east",
	"m s-1": "m s-1", "mm h-1": "m s-1", "mm": "m", "L-1": "m-3", "dBZ": "dBZ", timeUnits: "s",
}

// Rules of the CF Conventions, version 1.11, that can be checked by reading a file.
// The numbers are those of the sections of that document.
func checkCF(t *testing.T, path, featureType, cfRole, instance string) *ncInfo {
	t.Helper()
	info := readNC(t, path)
	fault := func(section, format string, a ...any) {
		t.Helper()
		t.Errorf("%s: CF %s: %s", filepath.Base(path), section, fmt.Sprintf(format, a...))
	}
	text := func(v *ncInfoVar, name string) string { s, _ := v.attributes[name].(string); return s }
	// 2.1 Filename: netCDF files should have the suffix ".nc".
	if filepath.Ext(path) != ".nc" {
		fault("2.1", "name %s", path)
	}
	// 2.6.1: the attribute Conventions names the version; 2.6.2: title, institution,
	// source, history and comment are texts.
	if info.globals["Conventions"] != "CF-1.11" {
		fault("2.6.1", "Conventions %v", info.globals["Conventions"])
	}
	for _, name := range []string{"title", "institution", "source", "history", "comment"} {
		if s, ok := info.globals[name].(string); !ok || s == "" {
			fault("2.6.2", "%s is %v", name, info.globals[name])
		}
	}
	// 9.4: the global attribute featureType.
	if info.globals["featureType"] != featureType {
		fault("9.4", "featureType %v, want %s", info.globals["featureType"], featureType)
	}
	nameForm := regexp.MustCompile(`^[A-Za-z][A-Za-z0-9_]*$`)
	lower := map[string]bool{}
	standard := standardNames(t)
	roles := 0
	counts := 0
	for name, v := range info.vars {
		// 2.2: types; no string is used.
		if !slices.Contains([]netcdf.Type{netcdf.CHAR, netcdf.BYTE, netcdf.INT, netcdf.INT64, netcdf.FLOAT, netcdf.DOUBLE}, v.of) {
			fault("2.2", "%s has type %v", name, v.of)
		}
		// 2.3: names begin with a letter, have letters, digits and underscores, and do
		// not differ by case alone.
		for _, one := range append([]string{name}, v.dims...) {
			if !nameForm.MatchString(one) {
				fault("2.3", "name %q", one)
			}
		}
		if lower[strings.ToLower(name)] {
			fault("2.3", "%s differs from another by case alone", name)
		}
		lower[strings.ToLower(name)] = true
		// 2.4: the dimensions of a variable have different names.
		if len(v.dims) == 2 && v.dims[0] == v.dims[1] {
			fault("2.4", "%s has dimensions %v", name, v.dims)
		}
		// 2.5.1: _FillValue has the type of its variable, and is a scalar.
		if fill, ok := v.attributes["_FillValue"]; ok {
			want := map[netcdf.Type]string{netcdf.FLOAT: "[]float32", netcdf.DOUBLE: "[]float64", netcdf.BYTE: "[]int8", netcdf.INT64: "[]int64"}[v.of]
			if got := fmt.Sprintf("%T", fill); got != want {
				fault("2.5.1", "%s: _FillValue is a %s, the variable %v", name, got, v.of)
			}
		}
		// 3.1: units that UDUNITS knows, for everything that has a dimension; flags,
		// counts and texts have none.
		units, has := v.attributes["units"].(string)
		number := v.of != netcdf.CHAR && v.attributes["flag_values"] == nil && v.attributes["sample_dimension"] == nil
		if number != has {
			fault("3.1", "%s: units %q", name, units)
		}
		if _, known := dimensionOf[units]; has && !known {
			fault("3.1", "%s: units %q are not in the list of this test", name, units)
		}
		// 3.1.2: temperatures say whether they are on a scale or differences.
		if (units == "K" || units == "degC") && text(v, "units_metadata") != "temperature: on_scale" {
			fault("3.1.2", "%s: units_metadata %q", name, text(v, "units_metadata"))
		}
		// 3.2, 3.3: long_name or standard_name; the latter from the table, with units
		// that can be converted to the canonical ones.
		if text(v, "long_name") == "" && text(v, "standard_name") == "" {
			fault("3.2", "%s has no name for people", name)
		}
		if standardName := text(v, "standard_name"); standardName != "" {
			canonical, known := standard[standardName]
			switch {
			case !known:
				fault("3.3", "%s: standard_name %q is not in the table", name, standardName)
			case canonical != "" && dimensionOf[units] != canonical:
				fault("3.3", "%s: units %q of %s, canonical are %q", name, units, standardName, canonical)
			}
		}
		// 3.5: flag_values are of the variable's type and distinct, as many as
		// flag_meanings; values are among them.
		if values, ok := v.attributes["flag_values"].([]int8); ok {
			meanings := strings.Fields(text(v, "flag_meanings"))
			if v.of != netcdf.BYTE || len(values) != len(meanings) || len(slices.Compact(slices.Sorted(slices.Values(values)))) != len(values) {
				fault("3.5", "%s: flags %v, meanings %q", name, values, meanings)
			}
			for _, x := range v.numbers {
				if x != -1 && !slices.Contains(values, int8(x)) {
					fault("3.5", "%s: value %v", name, x)
				}
			}
		}
		// 4.3: a vertical coordinate that is no pressure says where up is.
		if s := text(v, "standard_name"); (s == "altitude" || s == "height") && text(v, "positive") != "up" {
			fault("4.3", "%s: positive %q", name, text(v, "positive"))
		}
		// 4.4, 4.4.1: times have units "... since ..." and a calendar; 4.4.2: leap seconds.
		if strings.Contains(units, " since ") && (text(v, "calendar") != "standard" || text(v, "units_metadata") != "leap_seconds: none") {
			fault("4.4", "%s: calendar %q, units_metadata %q", name, text(v, "calendar"), text(v, "units_metadata"))
		}
		// 5, 9.5: coordinates name variables of the file; data along the rows name
		// time, latitude, longitude and altitude.
		coordinates := strings.Fields(text(v, "coordinates"))
		for _, c := range coordinates {
			if info.vars[c] == nil {
				fault("5", "%s: coordinate %q is no variable", name, c)
			}
		}
		isCoordinate := slices.Contains([]string{"time", "lat", "lon", "alt"}, name)
		if slices.Equal(v.dims, []string{"obs"}) && !isCoordinate {
			for _, want := range []string{"time", "lat", "lon", "alt"} {
				if !slices.Contains(coordinates, want) {
					fault("9.5", "%s: coordinates %q without %s", name, coordinates, want)
				}
			}
		}
		// 9.5: one variable has cf_role, with a value for each feature, each another.
		if role := text(v, "cf_role"); role != "" {
			roles++
			if role != cfRole || v.dims[0] != instance || len(slices.Compact(slices.Sorted(slices.Values(v.texts)))) != len(v.texts) || slices.Contains(v.texts, "") {
				fault("9.5", "%s: cf_role %q, dimensions %v, ids %q", name, role, v.dims, v.texts)
			}
		}
		// 9.3.3: the count variable is of the instance dimension, an integer, names the
		// sample dimension, and sums to its length.
		if sample := text(v, "sample_dimension"); sample != "" {
			counts++
			sum := 0.
			for _, x := range v.numbers {
				sum += x
			}
			if v.of != netcdf.INT || !slices.Equal(v.dims, []string{instance}) || sum != float64(info.dims[sample]) {
				fault("9.3.3", "%s: type %v, dimensions %v, sum %v of %d", name, v.of, v.dims, sum, info.dims[sample])
			}
		}
		// 9.6: coordinates have no missing values.
		for _, x := range v.numbers {
			if isCoordinate && (math.IsNaN(x) || math.Abs(x) > 1e30) {
				fault("9.6", "%s is missing somewhere", name)
				break
			}
		}
	}
	if roles != 1 || counts != 1 {
		fault("9.3.3, 9.5", "%d variables with cf_role, %d with sample_dimension, want one of each", roles, counts)
	}
	// 4.1, 4.2: units of latitude and longitude; 9.1: their dimension is the station of
	// a time series, the row of a trajectory.
	along := map[string]string{"timeSeries": instance, "trajectory": "obs"}[featureType]
	for name, want := range map[string]string{"lat": "degrees_north", "lon": "degrees_east", "alt": "m"} {
		if v := info.vars[name]; text(v, "units") != want || !slices.Equal(v.dims, []string{along}) {
			fault("4.1, 4.2, 9.1", "%s: units %q, dimensions %v", name, text(v, "units"), v.dims)
		}
	}
	if !slices.Equal(info.vars["time"].dims, []string{"obs"}) {
		fault("9.1", "time has dimensions %v", info.vars["time"].dims)
	}
	return info
}

// The files keep the rules of CF, whether compressed or not, and have the numbers of
// the assessments.
func TestNetCDFKeepsToCF(t *testing.T) {
	for _, scores := range []int{3, 400} {
		dir := t.TempDir()
		s := inventedNight(t, scores)
		a := openArchive(t, dir, Options{})
		s.feed(t, a)
		if err := a.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		days, err := a.Days(invented)
		if err != nil {
			t.Fatal(err)
		}
		for _, day := range days {
			if day.Manifest.Tables[TableScores].Rows == 0 {
				continue
			}
			file := checkCF(t, filepath.Join(day.Folder, scoresNC), "timeSeries", "timeseries_id", "station")
			paths := checkCF(t, filepath.Join(day.Folder, pathsNC), "trajectory", "trajectory_id", "trajectory")
			compareNC(t, a.Reader, day, file, paths)
		}
	}
}

// compareNC holds netCDF files to the table of scores, in the precision of float32.
func compareNC(t *testing.T, r *Reader, day Day, file, paths *ncInfo) {
	t.Helper()
	from := 0
	trajectory := 0
	same := func(name string, got, want float64) {
		t.Helper()
		if math.IsNaN(want) != math.IsNaN(got) || !math.IsNaN(want) && float32(want) != float32(got) {
			t.Errorf("%s is %v, the table has %v", name, got, want)
		}
	}
	station := 0
	for rows, err := range r.Scores(t.Context(), Query{Programme: invented}) {
		if err != nil {
			t.Fatal(err)
		}
		if !rows.Day.Equal(day.Day) {
			continue
		}
		if file.vars["station_id"].texts[station] != rows.Site || file.vars["row_size"].numbers[station] != float64(rows.Len) {
			t.Errorf("station %d is %s with %v rows, want %s with %d", station, file.vars["station_id"].texts[station], file.vars["row_size"].numbers[station], rows.Site, rows.Len)
		}
		if rows.Column(siteName).Texts[0] != file.vars["station_name"].texts[station] {
			t.Errorf("station is called %q", file.vars["station_name"].texts[station])
		}
		same("lat", file.vars["lat"].numbers[station], rows.Column(siteLatitude).Floats[0])
		station++
		for k := range rows.Len {
			for c := range rows.Columns {
				column := &rows.Columns[c]
				v := file.vars[column.Name]
				switch h := &scoresLayout.headings[scoresLayout.at(column.Name)]; {
				case h.parquetOnly:
				case v == nil:
					t.Fatalf("%s is not in the file", column.Name)
				case h.of == timeColumn:
					if got := v.numbers[from+k]; math.Abs(got*1e6-float64(column.Ints[k])) > 1 && column.Ints[k] != Missing {
						t.Errorf("%s is %v, the table has %v", column.Name, got, TimeOf(column.Ints[k]))
					}
				case h.of == intColumn:
					same(column.Name, v.numbers[from+k], float64(column.Ints[k]))
				case h.of == textColumn:
					same(column.Name, v.numbers[from+k], float64(slices.Index(h.flags, column.Texts[k])))
				default:
					same(column.Name, v.numbers[from+k], column.Floats[k])
				}
			}
			same("landing", paths.vars["landing_latitude"].numbers[trajectory], rows.Column("landing_latitude").Floats[k])
			same("steps", paths.vars["row_size"].numbers[trajectory], 12)
			trajectory++
		}
		from += rows.Len
	}
	if got := len(paths.vars["trajectory_id"].texts); got != trajectory {
		t.Errorf("%d trajectories, want %d", got, trajectory)
	}
}

var scoresLayout = layoutNamed(TableScores)
