package cfgrid

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/grid"
	"rimeline/ingest"
)

// maxFields bounds the slices of one file.
const maxFields = 1 << 20

// layout tells how the variables of a file come apart into fields.
type layout struct {
	sources     []*source // in file order
	fields      int
	coordinates map[*variable]*coordinate // read so far
	auxiliary   map[*variable]bool        // coordinates, bounds and the like: no fields
	notes       map[*variable][]string
	grids       map[gridKey]*grid.Grid
	wrf         *wrfMap
}

// coordinate is a coordinate variable with all its values.
type coordinate struct {
	v        *variable // nil where only the dimension's name is known
	name     string
	role     role
	dims     []*dimension
	values   []float64
	instants []time.Time // of times and reference times
	// bounds holds two values for each, nil where the file gives none.
	bounds        []float64
	boundInstants []time.Time
}

// at gives the place in values for an index along each dimension of a variable.
func (c *coordinate) at(v *variable, index []uint64) int {
	k := uint64(0)
	for _, d := range c.dims {
		k = k*d.length + index[indexOfDim(v.dims, d)]
	}
	return int(k)
}

// source is a variable that gives fields.
type source struct {
	v     *variable
	first int // number of its first field
	count int
	// x and y are the places of the horizontal dimensions; -1 where the variable
	// is not gridded and gives one field without rows and columns.
	x, y  int
	outer []int // places of the other dimensions: member, times, level, unknown
	grid  *grid.Grid
	// moving holds the grid for each index of dimension timeDim, for WRF domains
	// that move; nil for all others.
	moving  []*grid.Grid
	timeDim int

	time, reference, period, level, member *coordinate
	levelDim                               int         // place of the level dimension, -1
	validTimes                             []time.Time // two for each index of outer[0], see gfeTimes
}

// dimNamed gives the place of an outer dimension by name, -1 where it has none.
func (s *source) dimNamed(name string) int {
	for _, i := range s.outer {
		if s.v.dims[i].name == name {
			return i
		}
	}
	return -1
}

// gridAt gives the grid of the slice with these indices.
func (s *source) gridAt(index []uint64) *grid.Grid {
	if s.moving == nil {
		return s.grid
	}
	return s.moving[index[s.timeDim]]
}

func (f *File) note(v *variable, format string, values ...any) {
	text := fmt.Sprintf(format, values...)
	if !slices.Contains(f.notes[v], text) {
		f.notes[v] = append(f.notes[v], text)
	}
}

// lay finds coordinates, grids and fields. It runs on the library's thread.
func (f *File) lay(ctx context.Context) error {
	f.coordinates = map[*variable]*coordinate{}
	f.auxiliary = map[*variable]bool{}
	f.notes = map[*variable][]string{}
	f.grids = map[gridKey]*grid.Grid{}
	f.markAuxiliary()
	var err error
	if f.wrf, err = f.findWRF(ctx); err != nil {
		return err
	}
	for _, v := range f.variables {
		if f.auxiliary[v] || !v.isNumeric() {
			continue
		}
		s, err := f.sourceOf(ctx, v)
		if err != nil {
			return err
		}
		s.first = f.fields + 1
		f.fields += s.count
		if f.fields > maxFields {
			return f.error(ingest.ErrUnsupported, "more than %d slices", maxFields)
		}
		f.sources = append(f.sources, s)
	}
	return nil
}

// lookup finds a variable by name as seen from a group: there, then outwards
// (CF 2.7.1).
func (f *File) lookup(from *variable, name string) *variable {
	prefix := from.prefix
	for {
		if v := f.byName[prefix+name]; v != nil {
			return v
		}
		if prefix == "" {
			return nil
		}
		prefix = prefix[:strings.LastIndexByte(prefix[:len(prefix)-1], '/')+1]
	}
}

// markAuxiliary finds the variables that only describe others.
func (f *File) markAuxiliary() {
	for _, v := range f.variables {
		if len(v.dims) == 1 && v.dims[0].name == v.shortName() {
			f.auxiliary[v] = true
		}
		for _, list := range []string{"coordinates", "bounds", "climatology", "grid_mapping"} {
			for _, name := range strings.Fields(strings.ReplaceAll(v.text(list), ":", " ")) {
				if aux := f.lookup(v, name); aux != nil && aux != v {
					f.auxiliary[aux] = true
				}
			}
		}
		if v.text("grid_mapping_name") != "" {
			f.auxiliary[v] = true
		}
		if navigation := v.text("navigation"); navigation != "" { // names a dimension, see nuwgGrid
			for _, n := range f.variables {
				if len(n.dims) > 0 && n.dims[0].name == navigation {
					f.auxiliary[n] = true
				}
			}
		}
		// Places and times that no coordinates attribute names.
		switch roleOf(v) {
		case roleLatitude, roleLongitude, roleTime, roleReference:
			f.auxiliary[v] = true
		}
	}
}

// named lists the auxiliary coordinates that a variable names itself.
func (f *File) named(v *variable) []*variable {
	var list []*variable
	for _, name := range strings.Fields(v.text("coordinates")) {
		if aux := f.lookup(v, name); aux != nil && aux != v && aux.isNumeric() {
			list = append(list, aux)
		}
	}
	return list
}

// dimensionCoordinate finds the variable with the name of a dimension, nil where
// there is none.
func (f *File) dimensionCoordinate(v *variable, d *dimension) *variable {
	c := f.lookup(v, d.name)
	if c == nil || len(c.dims) != 1 || c.dims[0] != d || !c.isNumeric() {
		return nil
	}
	return c
}

func (f *File) sourceOf(ctx context.Context, v *variable) (*source, error) {
	s := &source{v: v, x: -1, y: -1, levelDim: -1}
	if v.points == 0 {
		f.note(v, "no values")
		return s, nil
	}
	roles := make([]role, len(v.dims))
	for i, d := range v.dims {
		if c := f.dimensionCoordinate(v, d); c != nil {
			roles[i] = roleOf(c)
		} else {
			roles[i] = roleByName[strings.ToLower(d.name)]
		}
	}
	latitude, longitude := f.places(v)
	f.findHorizontal(s, roles, latitude, longitude)
	if s.x < 0 {
		s.count = 1
		return s, nil
	}
	s.count = 1
	for i, d := range v.dims {
		if i == s.x || i == s.y {
			continue
		}
		s.outer = append(s.outer, i)
		if uint64(s.count)*min(d.length, maxFields+1) > maxFields {
			return nil, f.error(ingest.ErrUnsupported, "%s has more than %d slices", v.name, maxFields)
		}
		s.count *= int(d.length)
	}
	// Numbering: member, then run, time and period, then level, then the rest.
	rank := map[role]int{roleMember: 0, roleReference: 1, roleTime: 2, rolePeriod: 3, roleLevel: 4, roleNone: 5}
	slices.SortStableFunc(s.outer, func(a, b int) int { return rank[roles[a]] - rank[roles[b]] })
	if err := f.findCoordinates(ctx, s, roles); err != nil {
		return nil, err
	}
	var err error
	if s.grid, err = f.gridOf(ctx, s, latitude, longitude, 0); err != nil || f.wrf == nil || !f.wrf.moves {
		return s, err
	}
	if s.timeDim = s.dimNamed("Time"); s.timeDim >= 0 {
		for time := range v.dims[s.timeDim].length {
			g, err := f.gridOf(ctx, s, latitude, longitude, int(time))
			if err != nil {
				return nil, err
			}
			s.moving = append(s.moving, g)
		}
	}
	return s, nil
}

// findHorizontal sets the places of the horizontal dimensions: by coordinate
// variables, by two-dimensional latitude and longitude, or by name.
func (f *File) findHorizontal(s *source, roles []role, latitude, longitude *variable) {
	x, y := -1, -1
	for i, r := range roles {
		switch r { // the last of several: it varies fastest
		case roleX, roleLongitude:
			x = i
		case roleY, roleLatitude:
			y = i
		}
	}
	if (x < 0 || y < 0) && latitude != nil && longitude != nil {
		rows, columns := horizontalDims(latitude)
		y, x = indexOfDim(s.v.dims, rows), indexOfDim(s.v.dims, columns)
	}
	if x < 0 || y < 0 || x == y {
		return
	}
	s.x, s.y = x, y
}

// horizontalDims are the last two dimensions of a latitude.
func horizontalDims(latitude *variable) (rows, columns *dimension) {
	n := len(latitude.dims)
	return latitude.dims[n-2], latitude.dims[n-1]
}

// places finds two-dimensional latitude and longitude on dimensions of v: named
// by v, else the first of the file that fit. Leading dimensions are allowed, as
// in WRF output, which writes them at every time.
func (f *File) places(v *variable) (latitude, longitude *variable) {
	fits := func(c *variable) bool {
		return c.isNumeric() && c.points > 0 && len(c.dims) >= 2 && c.onlyDims(v.dims)
	}
	for _, list := range [][]*variable{f.named(v), f.variables} {
		for _, c := range list {
			if !fits(c) {
				continue
			}
			switch roleOf(c) {
			case roleLatitude:
				if latitude == nil {
					latitude = c
				}
			case roleLongitude:
				if longitude == nil {
					longitude = c
				}
			}
		}
		if latitude != nil && longitude != nil && slices.Equal(latitude.dims, longitude.dims) {
			return latitude, longitude
		}
		latitude, longitude = nil, nil
	}
	return nil, nil
}

// findCoordinates sets times, level and member of a source.
func (f *File) findCoordinates(ctx context.Context, s *source, roles []role) error {
	var outer []*dimension
	for _, i := range s.outer {
		outer = append(outer, s.v.dims[i])
	}
	take := func(c *variable) error {
		r := roleOf(c)
		place := map[role]**coordinate{
			roleTime: &s.time, roleReference: &s.reference, rolePeriod: &s.period,
			roleLevel: &s.level, roleMember: &s.member,
		}[r]
		if place == nil || *place != nil || !c.onlyDims(outer) {
			return nil
		}
		read, err := f.coordinateOf(ctx, c, r)
		*place = read
		return err
	}
	for _, i := range s.outer {
		if c := f.dimensionCoordinate(s.v, s.v.dims[i]); c != nil {
			if err := take(c); err != nil {
				return err
			}
		}
	}
	for _, c := range f.named(s.v) {
		if err := take(c); err != nil {
			return err
		}
	}
	// Times that nothing names: on a dimension of the variable, or the run of the
	// whole file.
	for _, c := range f.variables {
		if !c.isNumeric() || !c.onlyDims(outer) {
			continue
		}
		if r := roleOf(c); r == roleReference || r == roleTime && len(c.dims) > 0 {
			if err := take(c); err != nil {
				return err
			}
		}
	}
	for _, i := range s.outer {
		d := s.v.dims[i]
		switch {
		case roles[i] == roleLevel && s.levelDim < 0:
			s.levelDim = i
			if s.level == nil {
				s.level = &coordinate{name: d.name, role: roleLevel, dims: []*dimension{d}}
			}
		case roles[i] == roleMember && s.member == nil:
			s.member = &coordinate{name: d.name, role: roleMember, dims: []*dimension{d}}
		}
	}
	if f.wrf != nil {
		if times := f.wrf.timesFor(outer); times != nil {
			s.time = times // exact, where XTIME is float32
		}
	}
	return f.gfeTimes(s)
}

// gfeTimes reads the attribute validTimes of the United States weather service's
// forecast grids: begin and end of each slice in Unix seconds.
func (f *File) gfeTimes(s *source) error {
	pairs := s.v.attributes["validTimes"].numbers
	if s.time != nil || len(s.outer) != 1 || uint64(len(pairs)) != 2*s.v.dims[s.outer[0]].length {
		return nil
	}
	for _, p := range pairs {
		s.validTimes = append(s.validTimes, timeAxis{unitS: 1}.at(p))
	}
	return nil
}

// coordinateOf reads a coordinate variable once.
func (f *File) coordinateOf(ctx context.Context, v *variable, r role) (*coordinate, error) {
	if c := f.coordinates[v]; c != nil {
		return c, nil
	}
	c := &coordinate{v: v, name: v.shortName(), role: r, dims: v.dims}
	start, count := wholeOf(v)
	var err error
	if c.values, err = f.read64(ctx, v, start, count); err != nil {
		return nil, err
	}
	c.bounds = f.boundsOf(ctx, v)
	if r == roleTime || r == roleReference {
		axis, err := parseTimeAxis(v.text("units"), v.text("calendar"))
		if err != nil {
			f.note(v, "times are not given: %v", err)
		}
		for _, x := range c.values {
			c.instants = append(c.instants, axis.at(x))
		}
		for _, x := range c.bounds {
			c.boundInstants = append(c.boundInstants, axis.at(x))
		}
	}
	f.coordinates[v] = c
	return c, nil
}

// boundsOf reads the bounds of a coordinate; they are in its units (CF 7.1).
// Bounds that do not fit are left out with a note.
func (f *File) boundsOf(ctx context.Context, v *variable) []float64 {
	name := v.text("bounds")
	if name == "" {
		return nil
	}
	b := f.lookup(v, name)
	if b == nil || !b.isNumeric() || b.points != 2*v.points || len(b.dims) != len(v.dims)+1 {
		f.note(v, "bounds %s are not there, or not two a value", name)
		return nil
	}
	start, count := wholeOf(b)
	values, err := f.read64(ctx, b, start, count)
	if err != nil {
		f.note(v, "bounds: %v", err)
		return nil
	}
	return values
}

// gridKey: fields with these in common share a grid.
type gridKey struct {
	x, y                *dimension
	mapping             *variable
	latitude, longitude *variable
	time                int // of a WRF domain that moves, else 0
}

// gridOf gives the grid of a source. What the file does not tell leaves the
// projection nil, with a note; only reading errors of axes are errors.
func (f *File) gridOf(ctx context.Context, s *source, latitude, longitude *variable, time int) (*grid.Grid, error) {
	v := s.v
	key := gridKey{x: v.dims[s.x], y: v.dims[s.y], mapping: f.mappingOf(v), latitude: latitude, longitude: longitude, time: time}
	if g := f.grids[key]; g != nil {
		return g, nil
	}
	g := &grid.Grid{NI: int(key.x.length), NJ: int(key.y.length)}
	g.X, g.Y = grid.Axis{Step: 1}, grid.Axis{Step: 1}
	f.grids[key] = g
	if err := f.readable(v, key.x.length*key.y.length); err != nil {
		// Fields will say it again; the header must not allocate for it.
		f.note(v, "%v", err)
		return g, nil
	}
	if f.wrf != nil && f.wrf.place(g, key) {
		return g, nil
	}
	if f.nuwgGrid(ctx, v, g) {
		return g, nil
	}
	x, y := f.dimensionCoordinate(v, key.x), f.dimensionCoordinate(v, key.y)
	if x == nil || y == nil {
		f.curvilinear(ctx, v, g, key)
		return g, nil
	}
	var err error
	if g.X, err = f.axisOf(ctx, x); err != nil {
		return nil, err
	}
	if g.Y, err = f.axisOf(ctx, y); err != nil {
		return nil, err
	}
	if roleOf(x) == roleLongitude && roleOf(y) == roleLatitude {
		g.Projection = grid.LatLonProjection{}
		g.Name = g.Projection.Name()
		g.Cyclic = isCyclic(g.X, g.NI)
		return g, nil
	}
	if key.mapping != nil {
		g.Name = key.mapping.text("grid_mapping_name")
		projection, err := grid.ProjectionFromCF(key.mapping.values())
		if err == nil {
			g.Projection, g.Name = projection, projection.Name()
			if err := f.scaleAxes(g, x, y); err != nil {
				f.note(v, "%v", err)
				g.Projection = nil
			}
			return g, nil
		}
		f.note(v, "grid mapping %s: %v", key.mapping.name, err)
	}
	f.curvilinear(ctx, v, g, key)
	return g, nil
}

// mappingOf finds the grid mapping of a variable; in the extended form
// "crs: x y" (CF 5.6) the first.
func (f *File) mappingOf(v *variable) *variable {
	words := strings.Fields(v.text("grid_mapping"))
	if len(words) == 0 {
		return nil
	}
	name, _, _ := strings.Cut(words[0], ":")
	return f.lookup(v, name)
}

// values gives all attributes as Go values: string, float64 or []float64.
func (v *variable) values() map[string]any {
	all := map[string]any{}
	for name, a := range v.attributes {
		switch {
		case a.kind == netcdf.CHAR || a.kind == netcdf.STRING:
			all[name] = a.text
		case len(a.numbers) == 1:
			all[name] = a.numbers[0]
		case len(a.numbers) > 1:
			all[name] = a.numbers
		}
	}
	return all
}

// curvilinear reads two-dimensional places, where there are any.
func (f *File) curvilinear(ctx context.Context, v *variable, g *grid.Grid, key gridKey) {
	latitude, longitude := key.latitude, key.longitude
	if latitude == nil || longitude == nil {
		return
	}
	lat, err := f.plane(ctx, latitude, key.time)
	if err != nil {
		f.note(v, "%v", err)
		return
	}
	lon, err := f.plane(ctx, longitude, key.time)
	if err != nil {
		f.note(v, "%v", err)
		return
	}
	if len(lat) != g.NI*g.NJ || len(lon) != len(lat) {
		f.note(v, "%d latitudes and %d longitudes for %d x %d points", len(lat), len(lon), g.NI, g.NJ)
		return
	}
	if rows, columns := horizontalDims(latitude); rows.length != uint64(g.NJ) || columns.length != uint64(g.NI) {
		f.note(v, "latitudes are on other rows and columns")
		return
	}
	if strings.HasPrefix(latitude.text("units"), "rad") {
		for i := range lat {
			lat[i], lon[i] = lat[i]*180/math.Pi, lon[i]*180/math.Pi
		}
	}
	g.Curvilinear = &grid.Curvilinear{LatitudeDeg: lat, LongitudeDeg: lon}
	g.X, g.Y = grid.Axis{Step: 1}, grid.Axis{Step: 1} // positions are by index
}

// plane reads a horizontal slice of a variable, of the first dimension the one at
// time, where it has that.
func (f *File) plane(ctx context.Context, v *variable, time int) ([]float64, error) {
	start, count := wholeOf(v)
	for i := range len(count) - 2 {
		if i == 0 {
			start[0] = min(uint64(time), count[0]-1)
		}
		count[i] = 1
	}
	return f.read64(ctx, v, start, count)
}
