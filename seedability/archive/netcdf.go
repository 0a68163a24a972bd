package archive

import (
	"context"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/fhs/go-netcdf/netcdf"
)

// Conventions of the netCDF files.
const conventions = "CF-1.11"

// timeUnits of every time; a value is exact to well below a microsecond.
const timeUnits = "seconds since 1970-01-01 00:00:00"

// leapSeconds are not counted, as in POSIX (CF section 4.4.2).
const leapSeconds = "leap_seconds: none"

// onThread runs a job on the one thread that may enter the netCDF library.
type onThread func(ctx context.Context, job func() error) error

// ncFile writes one netCDF-4 file. The first error stays.
type ncFile struct {
	ctx  context.Context
	on   onThread
	path string
	ds   netcdf.Dataset
	vars []*ncVar
	err  error
	// packed: variables are compressed; of a few rows the index of the chunks would
	// take more room than the values (4 kB a variable).
	packed bool
}

// packFrom so many rows on.
const packFrom = 1024

// ncVar is a variable with a checksum of what was written to it.
type ncVar struct {
	name string
	of   netcdf.Type
	dims []netcdf.Dim
	n    int
	sum  uint32
	v    netcdf.Var
}

func createNC(ctx context.Context, on onThread, path string, rows int64) *ncFile {
	f := &ncFile{ctx: ctx, on: on, path: path, packed: rows >= packFrom}
	f.do(func() (err error) {
		f.ds, err = netcdf.CreateFile(path, netcdf.NETCDF4|netcdf.NOCLOBBER)
		return err
	})
	return f
}

// do runs a job on the library's thread unless something failed before.
func (f *ncFile) do(job func() error) {
	if f.err != nil {
		return
	}
	if err := f.on(f.ctx, job); err != nil {
		f.err = fmt.Errorf("%s: %w", f.path, err)
	}
}

func (f *ncFile) dim(name string, n int) (d netcdf.Dim) {
	f.do(func() (err error) {
		d, err = f.ds.AddDim(name, uint64(n))
		return err
	})
	return d
}

// attributes of a variable or of the file: names and values in turn.
func (f *ncFile) attributes(of func(name string) netcdf.Attr, pairs ...any) {
	f.do(func() error {
		for k := 0; k+1 < len(pairs); k += 2 {
			a := of(pairs[k].(string))
			var err error
			switch value := pairs[k+1].(type) {
			case string:
				if value == "" {
					continue
				}
				err = a.WriteBytes([]byte(value))
			case float64:
				err = a.WriteFloat64s([]float64{value})
			case float32:
				err = a.WriteFloat32s([]float32{value})
			case int64:
				err = a.WriteInt64s([]int64{value})
			case []int8:
				err = a.WriteInt8s(value)
			}
			if err != nil {
				return fmt.Errorf("attribute %v: %w", pairs[k], err)
			}
		}
		return nil
	})
}

func (f *ncFile) variable(name string, of netcdf.Type, dims []netcdf.Dim, pairs ...any) *ncVar {
	v := &ncVar{name: name, of: of, dims: dims}
	f.do(func() (err error) {
		if v.v, err = f.ds.AddVar(name, of, dims); err != nil {
			return fmt.Errorf("variable %s: %w", name, err)
		}
		if !f.packed {
			return nil
		}
		return v.v.SetCompression(of != netcdf.CHAR && of != netcdf.BYTE, true, 4)
	})
	f.attributes(func(a string) netcdf.Attr { return v.v.Attr(a) }, pairs...)
	f.vars = append(f.vars, v)
	return v
}

func (f *ncFile) endDefinitions() { f.do(func() error { return f.ds.EndDef() }) }

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// checksum of values as they stand in memory.
func checksum(values any) uint32 {
	sum := uint32(0)
	var buf [8]byte
	switch values := values.(type) {
	case []byte:
		return crc32.Checksum(values, castagnoli)
	case []int8:
		for _, x := range values {
			buf[0] = byte(x)
			sum = crc32.Update(sum, castagnoli, buf[:1])
		}
	case []int32:
		for _, x := range values {
			binary.LittleEndian.PutUint32(buf[:], uint32(x))
			sum = crc32.Update(sum, castagnoli, buf[:4])
		}
	case []int64:
		for _, x := range values {
			binary.LittleEndian.PutUint64(buf[:], uint64(x))
			sum = crc32.Update(sum, castagnoli, buf[:])
		}
	case []float32:
		for _, x := range values {
			binary.LittleEndian.PutUint32(buf[:], math.Float32bits(x))
			sum = crc32.Update(sum, castagnoli, buf[:4])
		}
	case []float64:
		for _, x := range values {
			binary.LittleEndian.PutUint64(buf[:], math.Float64bits(x))
			sum = crc32.Update(sum, castagnoli, buf[:])
		}
	}
	return sum
}

func empty(values any) bool {
	switch values := values.(type) {
	case []byte:
		return len(values) == 0
	case []int8:
		return len(values) == 0
	case []int32:
		return len(values) == 0
	case []int64:
		return len(values) == 0
	case []float32:
		return len(values) == 0
	case []float64:
		return len(values) == 0
	}
	return false
}

// write all values of a variable.
func (f *ncFile) write(v *ncVar, values any) {
	f.do(func() (err error) {
		if empty(values) {
			return nil // the library's binding wants at least one value
		}
		switch values := values.(type) {
		case []byte:
			v.n, err = len(values), v.v.WriteBytes(values)
		case []int8:
			v.n, err = len(values), v.v.WriteInt8s(values)
		case []int32:
			v.n, err = len(values), v.v.WriteInt32s(values)
		case []int64:
			v.n, err = len(values), v.v.WriteInt64s(values)
		case []float32:
			v.n, err = len(values), v.v.WriteFloat32s(values)
		case []float64:
			v.n, err = len(values), v.v.WriteFloat64s(values)
		default:
			err = fmt.Errorf("values of type %T", values)
		}
		if err != nil {
			err = fmt.Errorf("variable %s: %w", v.name, err)
		}
		return err
	})
	v.sum = checksum(values)
}

func (f *ncFile) close() error {
	open := f.ds
	if f.err == nil {
		f.do(func() error { return f.ds.Close() })
	} else if open != 0 {
		_ = f.on(context.WithoutCancel(f.ctx), func() error { return open.Close() }) // the first error counts
	}
	return f.err
}

// readBack opens the file again and compares every value with what was written.
func (f *ncFile) readBack() error {
	var ds netcdf.Dataset
	f.do(func() (err error) { ds, err = netcdf.OpenFile(f.path, netcdf.NOWRITE); return err })
	if f.err != nil {
		return f.err
	}
	for _, v := range f.vars {
		if v.n == 0 {
			continue
		}
		f.do(func() error {
			again, err := ds.Var(v.name)
			if err != nil {
				return fmt.Errorf("variable %s: %w", v.name, err)
			}
			var values any
			switch v.of {
			case netcdf.CHAR:
				b := make([]byte, v.n)
				values, err = b, again.ReadBytes(b)
			case netcdf.BYTE:
				b := make([]int8, v.n)
				values, err = b, again.ReadInt8s(b)
			case netcdf.INT:
				b := make([]int32, v.n)
				values, err = b, again.ReadInt32s(b)
			case netcdf.INT64:
				b := make([]int64, v.n)
				values, err = b, again.ReadInt64s(b)
			case netcdf.FLOAT:
				b := make([]float32, v.n)
				values, err = b, again.ReadFloat32s(b)
			default:
				b := make([]float64, v.n)
				values, err = b, again.ReadFloat64s(b)
			}
			if err != nil {
				return fmt.Errorf("variable %s: %w", v.name, err)
			}
			if sum := checksum(values); sum != v.sum {
				return fmt.Errorf("variable %s: values have checksum %08x, %08x was written: %w", v.name, sum, v.sum, ErrDamaged)
			}
			return nil
		})
	}
	err := f.err
	if closing := f.on(context.WithoutCancel(f.ctx), func() error { return ds.Close() }); err == nil {
		err = closing
	}
	return err
}

// titles of a programme's files.
type titles struct {
	title, institution, source, history string
}

func (f *ncFile) globals(featureType string, t titles, more ...any) {
	pairs := []any{"Conventions", conventions, "featureType", featureType, "title", t.title, "institution", t.institution, "source", t.source, "history", t.history,
		"comment", "Advice to people on duty, who decide; the permit, the licensed operator and local codes prevail. Scores say how plausible it is that seeding works; they are no proof of added snow."}
	f.attributes(func(name string) netcdf.Attr { return f.ds.Attr(name) }, append(pairs, more...)...)
}

// chars lays texts out in rows of equal length.
func chars(texts []string, width int) []byte {
	b := make([]byte, len(texts)*width)
	for k, text := range texts {
		copy(b[k*width:(k+1)*width], text)
	}
	return b
}

func widest(texts []string) int {
	most := 1
	for _, text := range texts {
		most = max(most, len(text))
	}
	return most
}

// seconds since 1970; NaN where the time is missing.
func secondsOf(us []int64) []float64 {
	s := make([]float64, len(us))
	for k, t := range us {
		if s[k] = float64(t) / 1e6; t == Missing {
			s[k] = math.NaN()
		}
	}
	return s
}

func float32s(values []float64) []float32 {
	into := make([]float32, len(values))
	for k, x := range values {
		into[k] = float32(x)
	}
	return into
}

// missing of a float variable.
var missing32, missing64 = float32(math.NaN()), math.NaN()

// define a data variable of a column; nil where netCDF files leave the column out.
func (f *ncFile) define(h *heading, dims []netcdf.Dim, coordinates string) *ncVar {
	about := []any{"standard_name", h.standardName, "long_name", h.longName}
	rest := []any{"coordinates", coordinates, "comment", h.comment}
	switch {
	case h.parquetOnly:
		return nil
	case h.of == timeColumn:
		return f.variable(h.name, netcdf.DOUBLE, dims, append(append(about, "units", timeUnits, "calendar", "standard", "units_metadata", leapSeconds, "_FillValue", missing64), rest...)...)
	case h.of == intColumn:
		return f.variable(h.name, netcdf.INT64, dims, append(append(about, "units", h.unit, "_FillValue", int64(Missing)), rest...)...)
	case h.of == textColumn && h.flags != nil:
		values := make([]int8, len(h.flags))
		for k := range values {
			values[k] = int8(k)
		}
		return f.variable(h.name, netcdf.BYTE, dims, append(append(about, "flag_values", values, "flag_meanings", strings.Join(h.flags, " "), "_FillValue", []int8{-1}), rest...)...)
	case h.of == textColumn:
		return nil
	}
	pairs := append(about, "units", h.unit, "_FillValue", missing32)
	if h.standardName == "altitude" || h.standardName == "height" {
		pairs = append(pairs, "positive", "up")
	}
	if h.unit == "K" || h.unit == "degC" {
		pairs = append(pairs, "units_metadata", "temperature: on_scale")
	}
	return f.variable(h.name, netcdf.FLOAT, dims, append(pairs, rest...)...)
}

// column writes the values of a column.
func (f *ncFile) column(v *ncVar, h *heading, c *Column) {
	switch {
	case h.of == timeColumn:
		f.write(v, secondsOf(c.Ints))
	case h.of == intColumn:
		f.write(v, c.Ints)
	case h.of == textColumn:
		flags := make([]int8, len(c.Texts))
		for k, text := range c.Texts {
			flags[k] = int8(slices.Index(h.flags, text)) // -1, which is missing, for words that are new
		}
		f.write(v, flags)
	default:
		f.write(v, float32s(c.Floats))
	}
}

// rowReader reads rows of one table: of a day, or of many days in the order by groups.
type rowReader interface {
	layout() *layout
	name() string
	read(from, to int64, columns []int) (*block, error)
}

// stationsOf reads the newest name and place of each site.
func stationsOf(scores rowReader, rows TableRows) (ids, names []string, latitude, longitude, altitude []float64, err error) {
	l := scores.layout()
	for _, g := range rows.Groups {
		last, err := scores.read(g.From+g.Rows-1, g.From+g.Rows, []int{l.at(siteName), l.at(siteLatitude), l.at(siteLongitude), l.at(siteAltitude)})
		if err != nil {
			return nil, nil, nil, nil, nil, err
		}
		ids, names = append(ids, g.Name), append(names, last.columns[0].Texts[0])
		latitude, longitude, altitude = append(latitude, last.columns[1].Floats[0]), append(longitude, last.columns[2].Floats[0]), append(altitude, last.columns[3].Floats[0])
	}
	return ids, names, latitude, longitude, altitude, nil
}

// writeScoresNC writes the table of scores as time series of stations, and reads it
// back.
func writeScoresNC(ctx context.Context, on onThread, path string, scores rowReader, rows TableRows, t titles) error {
	ids, names, latitude, longitude, altitude, err := stationsOf(scores, rows)
	if err != nil {
		return err
	}
	sizes := make([]int32, len(rows.Groups))
	for k, g := range rows.Groups {
		sizes[k] = int32(g.Rows)
	}
	f := createNC(ctx, on, path, rows.Rows)
	station, obs := f.dim("station", len(ids)), f.dim("obs", int(rows.Rows))
	idWidth, nameWidth := f.dim("station_id_strlen", widest(ids)), f.dim("station_name_strlen", widest(names))
	one := []netcdf.Dim{station}
	idVar := f.variable("station_id", netcdf.CHAR, []netcdf.Dim{station, idWidth}, "cf_role", "timeseries_id", "standard_name", "platform_id", "long_name", "identifier of the site")
	nameVar := f.variable("station_name", netcdf.CHAR, []netcdf.Dim{station, nameWidth}, "standard_name", "platform_name", "long_name", "name of the site", "_Encoding", "utf-8")
	latVar := f.variable("lat", netcdf.DOUBLE, one, "standard_name", "latitude", "long_name", "latitude of the site", "units", "degrees_north")
	lonVar := f.variable("lon", netcdf.DOUBLE, one, "standard_name", "longitude", "long_name", "longitude of the site", "units", "degrees_east")
	altVar := f.variable("alt", netcdf.DOUBLE, one, "standard_name", "altitude", "long_name", "altitude of the release point above the geoid", "units", "m", "positive", "up")
	sizeVar := f.variable("row_size", netcdf.INT, one, "long_name", "number of assessments of this site", "sample_dimension", "obs")
	vars := map[int]*ncVar{}
	l := scores.layout()
	for k := range l.headings {
		h := &l.headings[k]
		if h.name == "time" {
			vars[k] = f.variable("time", netcdf.DOUBLE, []netcdf.Dim{obs}, "standard_name", "time", "long_name", h.longName, "units", timeUnits, "calendar", "standard", "units_metadata", leapSeconds)
		} else if v := f.define(h, []netcdf.Dim{obs}, "time lat lon alt station_id"); v != nil {
			vars[k] = v
		}
	}
	f.globals("timeSeries", t)
	f.endDefinitions()
	f.write(idVar, chars(ids, widest(ids)))
	f.write(nameVar, chars(names, widest(names)))
	f.write(latVar, latitude)
	f.write(lonVar, longitude)
	f.write(altVar, altitude)
	f.write(sizeVar, sizes)
	for k := range l.headings {
		if v := vars[k]; v != nil && f.err == nil {
			b, err := scores.read(0, rows.Rows, []int{k})
			if err != nil {
				f.err = err
				break
			}
			f.column(v, &l.headings[k], &b.columns[0])
		}
	}
	if err := f.close(); err != nil {
		return err
	}
	return f.readBack()
}

// writePathsNC writes the table of paths as trajectories, with the landing points of
// the table of scores, and reads it back.
func writePathsNC(ctx context.Context, on onThread, path string, paths rowReader, pathRows TableRows, scores rowReader, scoreRows TableRows, t titles) error {
	trajectories, err := trajectoriesOf(paths, pathRows, scores, scoreRows)
	if err != nil {
		return err
	}
	f := createNC(ctx, on, path, pathRows.Rows)
	one, obs := f.dim("trajectory", len(trajectories.ids)), f.dim("obs", int(pathRows.Rows))
	width, siteWidth := f.dim("trajectory_id_strlen", widest(trajectories.ids)), f.dim("site_strlen", widest(trajectories.sites))
	dims := []netcdf.Dim{one}
	idVar := f.variable("trajectory_id", netcdf.CHAR, []netcdf.Dim{one, width}, "cf_role", "trajectory_id", "long_name", "site, time of release, number of the message")
	siteVar := f.variable("site", netcdf.CHAR, []netcdf.Dim{one, siteWidth}, "standard_name", "platform_id", "long_name", "identifier of the site")
	sizeVar := f.variable("row_size", netcdf.INT, dims, "long_name", "number of steps of this trajectory", "sample_dimension", "obs")
	releaseVar := f.variable("release_time", netcdf.DOUBLE, dims, "long_name", "time of release", "units", timeUnits, "calendar", "standard", "units_metadata", leapSeconds)
	var landings []*ncVar
	for _, number := range trajectories.columns {
		landings = append(landings, f.define(&scores.layout().headings[number], dims, ""))
	}
	vars := map[int]*ncVar{}
	l := paths.layout()
	for k := range l.headings {
		h := &l.headings[k]
		switch h.name {
		case "time":
			vars[k] = f.variable("time", netcdf.DOUBLE, []netcdf.Dim{obs}, "standard_name", "time", "long_name", h.longName, "units", timeUnits, "calendar", "standard", "units_metadata", leapSeconds)
		case "latitude", "longitude":
			vars[k] = f.variable(h.name[:3], netcdf.DOUBLE, []netcdf.Dim{obs}, "standard_name", h.standardName, "long_name", h.longName, "units", h.unit)
		case "altitude":
			vars[k] = f.variable("alt", netcdf.DOUBLE, []netcdf.Dim{obs}, "standard_name", "altitude", "long_name", h.longName, "units", "m", "positive", "up")
		case "release_time", "sequence":
		default:
			if v := f.define(h, []netcdf.Dim{obs}, "time lat lon alt trajectory_id"); v != nil {
				vars[k] = v
			}
		}
	}
	f.globals("trajectory", t)
	f.endDefinitions()
	f.write(idVar, chars(trajectories.ids, widest(trajectories.ids)))
	f.write(siteVar, chars(trajectories.sites, widest(trajectories.sites)))
	f.write(sizeVar, trajectories.sizes)
	f.write(releaseVar, secondsOf(trajectories.releases))
	for k, number := range trajectories.columns {
		f.column(landings[k], &scores.layout().headings[number], &trajectories.landings[k])
	}
	for k := range l.headings {
		v := vars[k]
		if v == nil || f.err != nil {
			continue
		}
		b, err := paths.read(0, pathRows.Rows, []int{k})
		switch {
		case err != nil:
			f.err = err
		case v.of == netcdf.DOUBLE && l.headings[k].of == floatColumn:
			f.write(v, b.columns[0].Floats)
		default:
			f.column(v, &l.headings[k], &b.columns[0])
		}
	}
	if err := f.close(); err != nil {
		return err
	}
	return f.readBack()
}

// trajectories of a day, in the order of the table of paths.
type trajectories struct {
	ids, sites []string
	sizes      []int32
	releases   []int64
	columns    []int // of the table of scores
	landings   []Column
}

// landingColumns go with each trajectory.
var landingColumns = []string{"landing_time", "landing_latitude", "landing_longitude", "landing_altitude", "landing_semi_major", "landing_semi_minor", "landing_major_axis",
	"activation_time", "activation_latitude", "activation_longitude", "activation_altitude"}

func trajectoriesOf(paths rowReader, pathRows TableRows, scores rowReader, scoreRows TableRows) (*trajectories, error) {
	t := &trajectories{}
	for _, name := range landingColumns {
		t.columns = append(t.columns, scores.layout().at(name))
		t.landings = append(t.landings, Column{Name: name})
	}
	for _, g := range pathRows.Groups {
		b, err := paths.read(g.From, g.From+g.Rows, []int{paths.layout().at("release_time"), paths.layout().at("sequence")})
		if err != nil {
			return nil, err
		}
		of, ok := scoreRows.group(g.Name)
		if !ok {
			return nil, fmt.Errorf("%s: paths of %s without scores: %w", paths.name(), printable(g.Name), ErrDamaged)
		}
		s, err := scores.read(of.From, of.From+of.Rows, append([]int{scores.layout().sequence}, t.columns...))
		if err != nil {
			return nil, err
		}
		at := map[int64]int{}
		for k, sequence := range s.columns[0].Ints {
			at[sequence] = k
		}
		release, sequence := b.columns[0].Ints, b.columns[1].Ints
		for k := range release {
			if k > 0 && release[k] == release[k-1] && sequence[k] == sequence[k-1] {
				t.sizes[len(t.sizes)-1]++
				continue
			}
			t.ids = append(t.ids, fmt.Sprintf("%s %s %d", g.Name, TimeOf(release[k]).Format(time.RFC3339), sequence[k]))
			t.sites, t.sizes, t.releases = append(t.sites, g.Name), append(t.sizes, 1), append(t.releases, release[k])
			row, ok := at[sequence[k]]
			if !ok {
				return nil, fmt.Errorf("%s: path of message %d without score: %w", paths.name(), sequence[k], ErrDamaged)
			}
			for i := range t.landings {
				from, into := &s.columns[i+1], &t.landings[i]
				if from.Ints != nil {
					into.Ints = append(into.Ints, from.Ints[row])
				} else {
					into.Floats = append(into.Floats, from.Floats[row])
				}
			}
		}
	}
	return t, nil
}
