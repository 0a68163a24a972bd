package grib

import (
	"errors"
	"fmt"
	"math"
	"sync"

	"rimeline/grid"
	"rimeline/ingest"
)

// geometry is section 3: where the points are, and in which order they come.
type geometry struct {
	points uint32
	ni, nj int // 0 where the grid has no rows and columns
	scan   grid.ScanMode
	grid   *grid.Grid
}

// rearranged says whether the file's order is not that of rows.
func (g *geometry) rearranged() bool {
	return g.ni > 0 && g.scan&(grid.ScanAlternate|grid.ScanJConsecutive) != 0 && g.scan.Refusal() == nil
}

// gridTemplateName is the name of a grid whose positions are not known.
func gridTemplateName(template int) string { return fmt.Sprintf("GRIB2 template 3.%d", template) }

// parseGeometry reads section 3. A template that is not known gives a grid
// without positions, whose values can be decoded all the same.
func parseGeometry(s section, p place) (geometry, error) {
	c := s.from(6, p)
	source := c.uint8("source of grid definition")
	g := geometry{points: c.uint32("number of data points")}
	listOctets := c.uint8("octets of an entry of the list of points a row")
	c.skip(1, "interpretation of the list")
	template := int(c.uint16("grid definition template"))
	if c.err != nil {
		return g, c.err
	}
	g.grid = &grid.Grid{Name: gridTemplateName(template)}
	if source != 0 {
		// Code table 3.0: a grid predetermined by the centre, or none at all.
		g.grid.Name = fmt.Sprintf("GRIB2 grid of code table 3.0, source %d", source)
		return g, nil
	}
	t := gridTemplate{cursor: c, geometry: &g, template: template, quasiRegular: listOctets != 0}
	t.read()
	return g, t.err
}

// gridTemplate reads the template of a section 3, in the order of its octets.
type gridTemplate struct {
	cursor
	*geometry
	template     int
	quasiRegular bool
	columns      uint32 // Ni or Nx, missing32 in quasi-regular grids
	rows         uint32 // Nj or Ny

	// noPositions is why positions are not known, where they should be.
	noPositions error
}

func (t *gridTemplate) read() {
	switch t.template {
	case 0, 1, 2, 3, 40, 41, 42, 43:
		t.latLon()
	case 10:
		t.mercator()
	case 20, 30:
		t.conformal()
	case 12, 31, 90, 110, 140, 32768, 32769:
		// Ni (Nx) and Nj (Ny) stand in their usual octets. In 3.32768 and
		// 3.32769 (NCEP, rotated Arakawa E and B grids) so does the scanning mode.
		t.earth()
		t.size()
		if t.template >= 32768 {
			t.pos = 72 - 1
			t.scan = grid.ScanMode(t.uint8("scanning mode"))
		}
		if uint64(t.columns)*uint64(t.rows) != uint64(t.points) {
			t.ni, t.nj, t.scan = 0, 0, 0
		}
	}
	if t.err != nil {
		return
	}
	if t.noPositions == nil {
		t.noPositions = t.scan.Refusal()
	}
	if t.noPositions != nil {
		t.grid.Name, t.grid.Projection = gridTemplateName(t.template), nil
		t.grid.X, t.grid.Y, t.grid.Cyclic = grid.Axis{}, grid.Axis{}, false
	}
	t.grid.NI, t.grid.NJ = t.ni, t.nj
}

// figure is the shape of the earth, octets 15 to 30.
type figure struct {
	code                    int
	radiusM, majorM, minorM float64
}

func (t *gridTemplate) earth() figure {
	return figure{
		code:    int(t.uint8("shape of the earth")),
		radiusM: t.decimal("radius of the earth"),
		majorM:  t.decimal("major axis of the earth"),
		minorM:  t.decimal("minor axis of the earth"),
	}
}

func (f figure) earth() (grid.Earth, error) {
	return grid.EarthFromGRIB2(f.code, f.radiusM, f.majorM, f.minorM)
}

// size reads columns and rows, octets 31 to 38.
func (t *gridTemplate) size() {
	t.columns, t.rows = t.uint32("number of columns"), t.uint32("number of rows")
	if t.columns != missing32 && t.rows != missing32 && !t.quasiRegular {
		t.ni, t.nj = int(t.columns), int(t.rows)
	}
}

// checkSize holds the counts of columns and rows to that of points. Quasi-regular
// grids (a list of points a row) have rows of different lengths: their values
// are decoded, without rows and positions.
func (t *gridTemplate) checkSize() {
	switch {
	case t.err != nil:
	case t.ni == 0 && t.nj == 0 && (t.quasiRegular || t.columns == missing32 || t.rows == missing32):
		t.noPositions = errors.New("rows of different lengths")
		t.scan = 0
	case uint64(t.columns)*uint64(t.rows) != uint64(t.points):
		t.pos = 30
		t.fail(ingest.ErrCorrupt, "%d columns and %d rows are not the %d points of the section", t.columns, t.rows, t.points)
	}
}

// project sets the projection, and says why there is none.
func (t *gridTemplate) project(projection grid.Projection, err error) {
	if err != nil {
		t.noPositions = err
		return
	}
	t.grid.Projection, t.grid.Name = projection, projection.Name()
}

// Resolution and component flags, flag table 3.3.
const (
	iIncrementGiven  = 0x20
	jIncrementGiven  = 0x10
	componentsOfGrid = 0x08
)

// latLon reads templates 3.0 (latitude/longitude), 3.1 (rotated) and 3.40
// (Gaussian). The stretched ones, 3.2, 3.3 and 3.41 to 3.43, share their first
// octets and are read without positions.
func (t *gridTemplate) latLon() {
	gaussian := t.template >= 40
	t.earth()
	t.size()
	unit := t.angleUnit()
	la1, lo1 := unit.degrees(t.int32("La1")), unit.degrees(t.int32("Lo1"))
	flags := t.uint8("resolution and component flags")
	la2, lo2 := unit.degrees(t.int32("La2")), unit.degrees(t.int32("Lo2"))
	di, dj := t.uint32("Di"), t.uint32("Dj or N")
	t.scan = grid.ScanMode(t.uint8("scanning mode"))
	t.checkSize()
	if t.err != nil || t.noPositions != nil {
		return
	}
	switch t.template {
	case 0, 40:
		t.project(grid.LatLonProjection{}, nil)
	case 1:
		south := unit.degrees(t.int32("latitude of the southern pole"))
		east := unit.degrees(t.int32("longitude of the southern pole"))
		rotation := float64(t.float32("angle of rotation"))
		if t.err != nil {
			return
		}
		t.project(grid.NewRotatedLatLon(grid.RotatedLatLon{SouthPoleLatitudeDeg: south, SouthPoleLongitudeDeg: east, RotationDeg: rotation}))
	default:
		t.noPositions = errors.New("stretched or rotated Gaussian grid")
		return
	}
	if t.noPositions != nil {
		return
	}
	g := t.grid
	g.WindsGridRelative = flags&componentsOfGrid != 0
	signI, signJ := t.scan.StepSigns()

	// Di as a fraction of a circle's span: 0.1666667 degrees 240 times would be
	// off by 8e-6. The end points hold more digits.
	step, given := unit.degrees(int(di)), flags&iIncrementGiven != 0 && di != missing32 && di != 0
	span := math.Mod((lo2-lo1)*signI, 360)
	if span < 0 {
		span += 360
	}
	g.X = evenAxis(lo1, signI, span, t.ni, step, given)
	circle := math.Abs(g.X.Step) * float64(t.ni)
	g.Cyclic = t.ni > 1 && math.Abs(circle-360) < 0.1*math.Abs(g.X.Step)

	if gaussian {
		t.gaussianRows(int(dj), la1, la2, signJ)
		return
	}
	step, given = unit.degrees(int(dj)), flags&jIncrementGiven != 0 && dj != missing32 && dj != 0
	g.Y = evenAxis(la1, signJ, (la2-la1)*signJ, t.nj, step, given)
	// Rows beyond a pole are no places: rounding of microdegrees apart.
	if last := g.Y.Coordinate(float64(t.nj - 1)); t.nj > 0 && (math.Abs(la1) > 90+1e-5 || math.Abs(last) > 90+1e-4) {
		t.noPositions = fmt.Errorf("rows from latitude %g to %g", la1, last)
	}
}

// angleUnit is the unit of the angles of a template, in degrees, as a fraction:
// dividing keeps 25 000 000 microdegrees exactly 25.
type angleUnit struct{ basic, subdivisions float64 }

func (u angleUnit) degrees(n int) float64 { return float64(n) * u.basic / u.subdivisions }

// angleUnit reads the basic angle of the initial production domain and its
// subdivisions; where they are missing or zero, angles are in microdegrees.
func (t *gridTemplate) angleUnit() angleUnit {
	basic, subdivisions := t.uint32("basic angle"), t.uint32("subdivisions of the basic angle")
	if basic == 0 || basic == missing32 || subdivisions == 0 || subdivisions == missing32 {
		return angleUnit{1, 1e6}
	}
	return angleUnit{float64(basic), float64(subdivisions)}
}

// evenAxis has n coordinates from first on. The step comes from the span
// between the first and the last where that agrees with the step given to half
// a step in all, else it is the step given.
func evenAxis(first, sign, span float64, n int, step float64, given bool) grid.Axis {
	exact := step
	if n > 1 && span > 0 {
		fromSpan := span / float64(n-1)
		if !given || math.Abs(fromSpan-step)*float64(n-1) < step/2 {
			exact = fromSpan
		}
	}
	if !(exact > 0) {
		exact = 1 // a single row or column
	}
	return grid.Axis{First: first, Step: sign * exact}
}

// maxGaussianN bounds the latitudes computed for template 3.40; the largest
// Gaussian grids in use have some 4000 parallels between pole and equator.
const maxGaussianN = 5000

// gaussianLatitudes keeps what is costly to compute: a file has hundreds of
// messages on one grid.
var gaussianLatitudes struct {
	sync.Mutex
	n        int
	southing []float64
}

func gaussianLatitudesDeg(n int) []float64 {
	gaussianLatitudes.Lock()
	defer gaussianLatitudes.Unlock()
	if gaussianLatitudes.n != n {
		gaussianLatitudes.n, gaussianLatitudes.southing = n, grid.GaussianLatitudesDeg(2*n)
	}
	return gaussianLatitudes.southing
}

// gaussianRows lists the latitudes of the rows: all 2N, or those from La1 on.
func (t *gridTemplate) gaussianRows(n int, la1, la2, signJ float64) {
	if n < 1 || n > maxGaussianN || t.nj > 2*n {
		t.noPositions = fmt.Errorf("%d rows with %d parallels between pole and equator", t.nj, n)
		return
	}
	all := gaussianLatitudesDeg(n)
	first, miss := 0, math.Inf(1)
	for k, latitude := range all {
		if d := math.Abs(latitude - la1); d < miss {
			first, miss = k, d
		}
	}
	// La1 is rounded to microdegrees, by some producers to millidegrees.
	last := first - int(signJ)*(t.nj-1)
	if miss > 0.01 || last < 0 || last >= len(all) || math.Abs(all[last]-la2) > 0.01 {
		t.noPositions = fmt.Errorf("rows from %g to %g are not those of the Gaussian grid N %d", la1, la2, n)
		return
	}
	if t.nj == 0 {
		return
	}
	at := make([]float64, t.nj)
	for k := range at {
		at[k] = all[first-int(signJ)*k]
	}
	t.grid.Y = grid.Axis{At: at}
}

// mercator reads template 3.10.
func (t *gridTemplate) mercator() {
	f := t.earth()
	t.size()
	la1, lo1 := t.degrees("La1"), t.degrees("Lo1")
	flags := t.uint8("resolution and component flags")
	lad := t.degrees("LaD")
	t.skip(4, "La2")
	lo2 := t.degrees("Lo2")
	t.scan = grid.ScanMode(t.uint8("scanning mode"))
	orientation := t.degrees("orientation of the grid")
	di, dj := t.metres("Di"), t.metres("Dj")
	t.checkSize()
	if t.err != nil || t.noPositions != nil {
		return
	}
	if orientation != 0 {
		t.noPositions = fmt.Errorf("orientation of the grid %g degrees", orientation)
		return
	}
	earth, err := f.earth()
	if err != nil {
		t.noPositions = err
		return
	}
	// With the central meridian in the middle, no column lies beyond the seam.
	west, east := lo1, lo2
	if t.scan&grid.ScanINegative != 0 {
		west, east = lo2, lo1
	}
	span := math.Mod(east-west, 360)
	if span < 0 {
		span += 360
	}
	t.project(grid.NewMercator(grid.Mercator{Earth: earth, TrueScaleLatitudeDeg: lad, CentralMeridianDeg: grid.NormalLongitudeDeg(west + span/2)}))
	// The steps come from Di and Dj, as with the other projections; La2 and Lo2
	// disagree with them by up to a third of a step in files of NOAA.
	t.place(la1, lo1, di, dj)
	t.grid.WindsGridRelative = flags&componentsOfGrid != 0
}

// conformal reads templates 3.20 (polar stereographic) and 3.30 (Lambert).
func (t *gridTemplate) conformal() {
	f := t.earth()
	t.size()
	la1, lo1 := t.degrees("La1"), t.degrees("Lo1")
	flags := t.uint8("resolution and component flags")
	lad, lov := t.degrees("LaD"), t.degrees("LoV")
	dx, dy := t.metres("Dx"), t.metres("Dy")
	centre := t.uint8("projection centre")
	t.scan = grid.ScanMode(t.uint8("scanning mode"))
	var latin1, latin2 float64
	if t.template == 30 {
		latin1, latin2 = t.degrees("Latin1"), t.degrees("Latin2")
		t.skip(8, "southern pole of the projection") // without meaning for the cone used
	}
	t.checkSize()
	if t.err != nil || t.noPositions != nil {
		return
	}
	earth, err := f.earth()
	if err != nil {
		t.noPositions = err
		return
	}
	// Flag table 3.5: bit 1, south pole; bit 2, bi-polar.
	south := centre&0x80 != 0
	switch {
	case centre&0x40 != 0:
		t.noPositions = errors.New("bi-polar projection")
		return
	case t.template == 20:
		t.project(grid.NewPolarStereographic(grid.PolarStereographic{Earth: earth, North: !south, TrueScaleLatitudeDeg: lad, CentralMeridianDeg: lov}))
	default:
		t.project(grid.NewLambertConformal(grid.LambertConformal{Earth: earth, StandardParallel1Deg: latin1, StandardParallel2Deg: latin2, OriginLatitudeDeg: lad, CentralMeridianDeg: lov}))
	}
	t.place(la1, lo1, dx, dy)
	t.grid.WindsGridRelative = flags&componentsOfGrid != 0
}

// place puts the first point where the message says, and steps from there.
func (t *gridTemplate) place(la1, lo1, dx, dy float64) {
	if t.noPositions != nil {
		return
	}
	x, y, ok := t.grid.Projection.Forward(grid.LatLon{LatitudeDeg: la1, LongitudeDeg: lo1})
	if !ok || !(dx > 0) || !(dy > 0) {
		t.noPositions = fmt.Errorf("first point at %g, %g, steps of %g and %g m", la1, lo1, dx, dy)
		return
	}
	signI, signJ := t.scan.StepSigns()
	t.grid.X = grid.Axis{First: x, Step: signI * dx}
	t.grid.Y = grid.Axis{First: y, Step: signJ * dy}
}

// degrees reads an angle in microdegrees, metres a length in millimetres; both
// are divided, so that 25 000 000 is 25 exactly.
func (t *gridTemplate) degrees(name string) float64 { return float64(t.int32(name)) / 1e6 }
func (t *gridTemplate) metres(name string) float64  { return float64(t.uint32(name)) / 1e3 }
