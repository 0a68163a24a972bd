package cfgrid

import (
	"context"
	"fmt"
	"math"
	"sort"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
)

// Options for reading fields.
type Options struct {
	// Window limits the fields to a rectangle of columns and rows, which must
	// lie on the grid; nil reads all. Variables without grid are read whole.
	Window *grid.Window
}

// maxDecodedPoints bounds what Decode and WRFFields hold at once: 2 GiB.
const maxDecodedPoints = 1 << 29

// Decode reads all fields of a netCDF file given as bytes. Errors are
// *ingest.FormatError or of the context. Files with more than 2^29 points in all
// are refused: read their fields one by one, or windows of them.
func Decode(ctx context.Context, file string, b []byte, o Options) ([]*grid.Field, error) {
	f, err := Open(file, b)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	var fields []*grid.Field
	points := 0
	for n := 1; n <= f.fields; n++ {
		field, err := f.Field(ctx, n, o)
		if err != nil {
			return nil, err
		}
		if points += len(field.Values); points > maxDecodedPoints {
			return nil, f.error(ingest.ErrUnsupported, "more than %d points at once", maxDecodedPoints)
		}
		fields = append(fields, field)
	}
	return fields, nil
}

// Len is the number of fields in the file.
func (f *File) Len() int { return f.fields }

// Headers lists all fields without their values, numbered from 1: variables in
// file order, then member, time and level. A variable without rows and columns
// gives one field with NI = NJ = 0. Text gives none.
func (f *File) Headers() []grid.Field {
	headers := make([]grid.Field, 0, f.fields)
	for _, s := range f.sources {
		for k := range s.count {
			headers = append(headers, f.header(s, k))
		}
	}
	return headers
}

// sourceAt finds the variable of a field and the field's place in it.
func (f *File) sourceAt(n int) (s *source, k int, err error) {
	if n < 1 || n > f.fields {
		return nil, 0, fmt.Errorf("%s: field %d of %d", f.name, n, f.fields)
	}
	i := sort.Search(len(f.sources), func(i int) bool { return f.sources[i].first+f.sources[i].count > n })
	return f.sources[i], n - f.sources[i].first, nil
}

// Field reads one field by its number. Errors are *ingest.FormatError or of the
// context; a number or window that the file does not have is another error.
func (f *File) Field(ctx context.Context, n int, o Options) (*grid.Field, error) {
	s, k, err := f.sourceAt(n)
	if err != nil {
		return nil, err
	}
	field := f.header(s, k)
	start, count := wholeOf(s.v)
	if s.x >= 0 {
		for i, at := range s.index(k) {
			start[i], count[i] = at, 1
		}
		count[s.y], count[s.x] = uint64(field.Grid.NJ), uint64(field.Grid.NI)
	}
	var columns []piece
	if o.Window != nil && s.x >= 0 {
		w := *o.Window
		if field.Grid, err = field.Grid.Crop(w); err != nil {
			return nil, fmt.Errorf("%s: %s: %w", f.name, s.v.name, err)
		}
		start[s.y], count[s.y] = uint64(w.J0), uint64(w.NJ)
		columns = pieces(w, int(s.v.dims[s.x].length))
	} else if s.x >= 0 {
		columns = []piece{{0, field.Grid.NI}}
	}
	err = f.do(ctx, func() error {
		if s.x < 0 {
			field.Values, err = f.read32(ctx, s.v, start, count)
			return err
		}
		if len(columns) > 1 {
			field.Values = make([]float32, 0, field.Grid.NI*field.Grid.NJ)
		}
		at := 0
		for _, c := range columns {
			start[s.x], count[s.x] = uint64(c.first), uint64(c.n)
			values, err := f.read32(ctx, s.v, start, count)
			if err != nil {
				return err
			}
			if s.x < s.y {
				values = transposed(values, c.n, field.Grid.NJ)
			}
			if len(columns) == 1 {
				field.Values = values
				return nil
			}
			field.Values = field.Values[:cap(field.Values)]
			for j := range field.Grid.NJ {
				copy(field.Values[j*field.Grid.NI+at:], values[j*c.n:(j+1)*c.n])
			}
			at += c.n
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	return &field, nil
}

// piece is a run of columns as the file has them.
type piece struct{ first, n int }

// pieces cuts a window that passes the last column of a cyclic grid in two.
func pieces(w grid.Window, columns int) []piece {
	if w.I0+w.NI <= columns {
		return []piece{{w.I0, w.NI}}
	}
	return []piece{{w.I0, columns - w.I0}, {0, w.I0 + w.NI - columns}}
}

// transposed turns values with y fastest into values with x fastest.
func transposed(values []float32, ni, nj int) []float32 {
	out := make([]float32, len(values))
	for i := range ni {
		for j := range nj {
			out[j*ni+i] = values[i*nj+j]
		}
	}
	return out
}

// index gives, for the k-th slice of a variable, the index along each of its
// dimensions; 0 along the horizontal ones.
func (s *source) index(k int) []uint64 {
	index := make([]uint64, len(s.v.dims))
	rest := uint64(k)
	for i := len(s.outer) - 1; i >= 0; i-- {
		n := s.v.dims[s.outer[i]].length
		index[s.outer[i]] = rest % n
		rest /= n
	}
	return index
}

// noGrid serves variables that are not gridded.
var noGrid = &grid.Grid{}

func (f *File) header(s *source, k int) grid.Field {
	v := s.v
	field := grid.Field{
		Number:       s.first + k,
		StandardName: standardName(v),
		ShortName:    v.shortName(),
		LongName:     v.text("long_name"),
		Parameter:    v.name,
		Units:        v.text("units"),
		Level:        noLevel(v),
		Member:       -1,
		Packing:      f.packing(v),
		Grid:         noGrid,
	}
	for _, attribute := range []string{"description", "descriptiveName"} { // WRF; GFE
		if field.LongName == "" {
			field.LongName = v.text(attribute)
		}
	}
	if s.x < 0 {
		return field
	}
	index := s.index(k)
	field.Grid = s.gridAt(index)
	if s.member != nil {
		field.Member = s.member.memberAt(v, index)
	}
	f.setTimes(&field, s, index)
	if s.level != nil {
		field.Level = s.level.levelAt(v, index)
	}
	for _, i := range s.outer { // dimensions that say nothing about time or level
		if !s.explains(i) && v.dims[i].length > 1 {
			field.LongName = strings.TrimSpace(fmt.Sprintf("%s [%s %d]", field.LongName, v.dims[i].name, index[i]))
		}
	}
	return field
}

// explains reports whether a coordinate covers dimension i.
func (s *source) explains(i int) bool {
	if s.validTimes != nil {
		return true
	}
	for _, c := range []*coordinate{s.time, s.reference, s.period, s.level, s.member} {
		if c != nil && indexOfDim(c.dims, s.v.dims[i]) >= 0 {
			return true
		}
	}
	return false
}

func (f *File) packing(v *variable) string {
	text := f.format + " " + typeName(v.kind)
	if v.unpack.scaled {
		text += " packed"
	}
	if v.deflate > 0 {
		text += fmt.Sprintf(", deflate %d", v.deflate)
	}
	return text
}

func (c *coordinate) memberAt(v *variable, index []uint64) int {
	k := c.at(v, index)
	if k < len(c.values) {
		if m := c.values[k]; m == math.Trunc(m) && math.Abs(m) < 1e6 {
			return int(m)
		}
	}
	return k
}

func (c *coordinate) levelAt(v *variable, index []uint64) grid.Level {
	k := c.at(v, index)
	level := grid.Level{Type: c.name, Code: -1, Value: math.NaN(), SecondCode: -1, SecondValue: math.NaN()}
	if c.v == nil {
		// A dimension without coordinates: its index, 0 for the first.
		level.Value, level.Units = float64(k), "1"
		return level
	}
	if name := standardName(c.v); name != "" {
		level.Type = name
	}
	level.Units = c.v.text("units")
	if k < len(c.values) {
		level.Value = c.values[k]
	}
	if 2*k+1 < len(c.bounds) {
		level.Value, level.SecondValue = c.bounds[2*k], c.bounds[2*k+1]
	}
	return level
}

// noLevel is the level of a variable without vertical coordinate. Files made of
// GRIB name it in an attribute.
func noLevel(v *variable) grid.Level {
	level := grid.Level{Code: -1, Value: math.NaN(), SecondCode: -1, SecondValue: math.NaN()}
	for _, name := range []string{"Grib2_Level_Type", "Grib1_Level_Desc", "GRIB_level_type_name", "level", "levels"} {
		if t := v.text(name); t != "" {
			level.Type = t
			break
		}
	}
	return level
}

func (f *File) setTimes(field *grid.Field, s *source, index []uint64) {
	v := s.v
	instant := func(c *coordinate) (time.Time, int) {
		if c == nil {
			return time.Time{}, 0
		}
		k := c.at(v, index)
		if k >= len(c.instants) {
			return time.Time{}, k
		}
		return c.instants[k], k
	}
	field.ReferenceTime, _ = instant(s.reference)
	if field.ReferenceTime.IsZero() && s.time != nil && s.time.v != nil {
		field.ReferenceTime = f.referenceOf(s.time.v)
	}
	if field.ReferenceTime.IsZero() && f.wrf != nil {
		field.ReferenceTime = f.wrf.referenceRun
	}
	if s.validTimes != nil {
		k := index[s.outer[0]]
		field.ValidTime = s.validTimes[2*k+1]
		if begin := s.validTimes[2*k]; begin.Before(field.ValidTime) {
			field.IntervalStart = begin
		}
		return
	}
	valid, k := instant(s.time)
	if s.time == nil && s.period != nil && !field.ReferenceTime.IsZero() {
		if unitS, known := timeUnitS(s.period.v.text("units")); known {
			at := timeAxis{sinceS: field.ReferenceTime.Unix(), sinceNano: int64(field.ReferenceTime.Nanosecond()), unitS: unitS}
			valid = at.at(s.period.values[s.period.at(v, index)])
		}
	}
	field.ValidTime = valid
	method := cellMethod(v, s)
	field.CellMethod = method
	if s.time == nil || 2*k+1 >= len(s.time.boundInstants) {
		return
	}
	begin, end := s.time.boundInstants[2*k], s.time.boundInstants[2*k+1]
	if end.Before(begin) {
		begin, end = end, begin
	}
	// Without cell_methods an extensive quantity is a sum, and an intensive one
	// holds at the instant (CF 7.3).
	amount := strings.HasSuffix(field.StandardName, "_amount")
	if begin.Before(end) && method != "point" && (method != "" || amount) {
		field.IntervalStart, field.ValidTime = begin, end
		if method == "" {
			field.CellMethod = "sum"
		}
	}
	if method == "point" {
		field.CellMethod = ""
	}
}

// referenceOf reads the run's start as wgrib2 writes it: seconds since 1970 in
// an attribute of time.
func (f *File) referenceOf(coordinate *variable) (reference time.Time) {
	if seconds, has := coordinate.number("reference_time"); has && isTimeUnits(coordinate.text("units")) {
		return timeAxis{unitS: 1}.at(seconds)
	}
	return reference
}

// cellMethod gives the method over time, else over area (CF 7.3):
// "time: mean", "time: lat: maximum (comment)", "area: mean where land".
func cellMethod(v *variable, s *source) string {
	over := map[string]bool{"time": true, "Time": true}
	if s.time != nil {
		over[s.time.name] = true
		for _, d := range s.time.dims {
			over[d.name] = true
		}
	}
	area, named, nextIsMethod := "", []string(nil), false
	for _, word := range strings.Fields(v.text("cell_methods")) {
		if name, isName := strings.CutSuffix(word, ":"); isName {
			if !nextIsMethod {
				named = nil
			}
			named, nextIsMethod = append(named, name), true
			continue
		}
		if !nextIsMethod {
			continue // a comment, or "where", "over"
		}
		nextIsMethod = false
		for _, name := range named {
			if over[name] {
				return word
			}
			if name == "area" {
				area = word
			}
		}
	}
	return area
}
