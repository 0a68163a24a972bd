package crop

import (
	"crypto/sha256"
	"fmt"
	"math"

	"rimeline/grid"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
)

// describe is the layout of META and the order of the arrays. A member that is
// added to one of these types is added at the end of its function, for files of
// a new Version only; a test fails where one is forgotten.
func describe(c *coder, x *Crop) {
	texts(c, &x.Source, &x.Kind, &x.Object, &x.Station, &x.Product)
	c.instants(&x.ReferenceTime, &x.ValidTime, &x.Published, &x.Fetched)
	list(c, "file", &x.Files, 7, func(f *File) {
		texts(c, &f.Name, &f.URL, &f.SHA256, &f.ETag)
		c.int64(&f.Bytes)
		c.time(&f.LastModified)
	})
	describeGrids(c, x)
	pointed(c, "field", &x.Fields, 32, c.field)
	hasVolume := x.Volume != nil
	if c.bool(&hasVolume); hasVolume {
		if !c.writing {
			x.Volume = new(grid.Volume)
		}
		c.volume(x.Volume)
	}
	list(c, "report", &x.Reports, 32, c.report)
	pointed(c, "granule", &x.CloudTops, 12, c.granule)
	if c.version >= 2 {
		list(c, "raw file", &x.Raw, 2, func(f *RawFile) {
			c.text(&f.Name)
			c.bytes(&f.Bytes)
		})
		if x.Raw == nil {
			c.fail("a file of version %d without raw files", c.version)
		}
	}
}

// describeGrids puts the different grids in front; fields then name theirs by
// number.
func describeGrids(c *coder, x *Crop) {
	if c.writing {
		byContent := make(map[[sha256.Size]byte]int)
		gather := func(g *grid.Grid) {
			if g == nil || c.err != nil {
				return
			}
			if _, known := c.gridOf[g]; known {
				return
			}
			content := digest(g)
			if _, known := byContent[content]; !known {
				c.grids = append(c.grids, g)
				byContent[content] = len(c.grids)
			}
			c.gridOf[g] = byContent[content]
		}
		for _, f := range x.Fields {
			if f != nil {
				gather(f.Grid)
			}
		}
		for _, g := range x.CloudTops {
			if g != nil {
				gather(g.Grid)
			}
		}
	}
	pointed(c, "grid", &c.grids, 40, c.grid)
}

// digest of what a grid's description writes.
func digest(g *grid.Grid) [sha256.Size]byte {
	c := &coder{writing: true}
	h := sha256.New()
	lists := [][]float64{g.X.At, g.Y.At}
	c.meta = append(c.meta, b2n(g.Curvilinear != nil))
	if g.Curvilinear != nil {
		lists = append(lists, g.Curvilinear.LatitudeDeg, g.Curvilinear.LongitudeDeg)
	}
	for _, list := range lists {
		n := uint64(len(list))
		c.count(&n)
		c.meta = append(c.meta, b2n(list == nil))
		for k := range list {
			if c.float64(&list[k]); len(c.meta) > 1<<14 {
				h.Write(c.meta)
				c.meta = c.meta[:0]
			}
		}
	}
	c.gridHead(g)
	h.Write(c.meta)
	return [sha256.Size]byte(h.Sum(nil))
}

func b2n(b bool) byte {
	if b {
		return 1
	}
	return 0
}

// maxPoints bounds a grid: 32 times the mosaic of the contiguous United States.
const maxPoints = MaxBytes

func (c *coder) grid(g *grid.Grid) {
	c.gridHead(g)
	c.doubles(&g.X.At)
	c.doubles(&g.Y.At)
	curvilinear := g.Curvilinear != nil
	if c.bool(&curvilinear); curvilinear {
		if !c.writing {
			g.Curvilinear = new(grid.Curvilinear)
		}
		c.doubles(&g.Curvilinear.LatitudeDeg)
		c.doubles(&g.Curvilinear.LongitudeDeg)
		if n := len(g.Curvilinear.LatitudeDeg); n != len(g.Curvilinear.LongitudeDeg) || !fills(n, g) {
			c.fail("%d latitudes and %d longitudes for %d columns and %d rows", n, len(g.Curvilinear.LongitudeDeg), g.NI, g.NJ)
		}
	}
}

// gridHead is a grid without its lists.
func (c *coder) gridHead(g *grid.Grid) {
	c.text(&g.Name)
	c.size("columns", &g.NI, maxPoints)
	c.size("rows", &g.NJ, maxPoints)
	if g.NI > 0 && g.NJ > maxPoints/g.NI {
		c.fail("%d columns and %d rows", g.NI, g.NJ)
	}
	c.float64s(&g.X.First, &g.X.Step, &g.Y.First, &g.Y.Step)
	c.bool(&g.Cyclic)
	c.bool(&g.WindsGridRelative)
	c.projection(&g.Projection)
}

// fills tells whether n values are one for each point.
func fills(n int, g *grid.Grid) bool {
	return g.NI > 0 && g.NJ > 0 && n%g.NI == 0 && n/g.NI == g.NJ
}

func (c *coder) projection(p *grid.Projection) {
	name := ""
	var parameters any
	if c.writing && *p != nil {
		var ok bool
		if parameters, ok = grid.ParametersOf(*p); !ok {
			c.fail("projection %s is not one of package grid", (*p).Name())
			return
		}
		name = (*p).Name()
	}
	if c.text(&name); name == "" {
		return
	}
	if parameters = c.parameters(name, parameters); c.writing || c.err != nil {
		return
	}
	var err error
	if *p, err = grid.NewProjection(parameters); err != nil {
		c.fail("%v", err)
	}
}

// parameters go by the CF name of their projection.
func (c *coder) parameters(name string, parameters any) any {
	switch name {
	case "latitude_longitude":
		return grid.LatLonProjection{}
	case "lambert_conformal_conic":
		p, _ := parameters.(grid.LambertConformal)
		c.earth(&p.Earth)
		c.float64s(&p.StandardParallel1Deg, &p.StandardParallel2Deg, &p.OriginLatitudeDeg, &p.CentralMeridianDeg, &p.FalseEastingM, &p.FalseNorthingM)
		return p
	case "mercator":
		p, _ := parameters.(grid.Mercator)
		c.earth(&p.Earth)
		c.float64s(&p.TrueScaleLatitudeDeg, &p.ScaleFactor, &p.CentralMeridianDeg, &p.FalseEastingM, &p.FalseNorthingM)
		return p
	case "polar_stereographic":
		p, _ := parameters.(grid.PolarStereographic)
		c.earth(&p.Earth)
		c.bool(&p.North)
		c.float64s(&p.TrueScaleLatitudeDeg, &p.ScaleFactor, &p.CentralMeridianDeg, &p.FalseEastingM, &p.FalseNorthingM)
		return p
	case "transverse_mercator":
		p, _ := parameters.(grid.TransverseMercator)
		c.earth(&p.Earth)
		c.float64s(&p.OriginLatitudeDeg, &p.CentralMeridianDeg, &p.ScaleFactor, &p.FalseEastingM, &p.FalseNorthingM)
		return p
	case "albers_conical_equal_area":
		p, _ := parameters.(grid.AlbersEqualArea)
		c.earth(&p.Earth)
		c.float64s(&p.StandardParallel1Deg, &p.StandardParallel2Deg, &p.OriginLatitudeDeg, &p.CentralMeridianDeg, &p.FalseEastingM, &p.FalseNorthingM)
		return p
	case "lambert_azimuthal_equal_area":
		p, _ := parameters.(grid.LambertAzimuthalEqualArea)
		c.earth(&p.Earth)
		c.float64s(&p.OriginLatitudeDeg, &p.CentralMeridianDeg, &p.FalseEastingM, &p.FalseNorthingM)
		return p
	case "rotated_latitude_longitude":
		p, _ := parameters.(grid.RotatedLatLon)
		c.float64s(&p.SouthPoleLatitudeDeg, &p.SouthPoleLongitudeDeg, &p.RotationDeg)
		return p
	case "geostationary":
		p, _ := parameters.(grid.Geostationary)
		c.earth(&p.Earth)
		c.float64s(&p.PerspectivePointHeightM, &p.SubSatelliteLongitudeDeg)
		c.bool(&p.SweepAxisX)
		c.float64s(&p.FalseEastingM, &p.FalseNorthingM)
		return p
	}
	c.fail("unknown projection %q", name)
	return nil
}

func (c *coder) earth(e *grid.Earth) { c.float64s(&e.SemiMajorM, &e.SemiMinorM) }

// gridNumber shares grids, 0 is none.
func (c *coder) gridNumber(g **grid.Grid) {
	number := uint64(0)
	if c.writing && *g != nil {
		number = uint64(c.gridOf[*g])
	}
	c.count(&number)
	if c.writing || c.err != nil {
		return
	}
	if number > uint64(len(c.grids)) {
		c.fail("grid %d of %d", number, len(c.grids))
		return
	}
	*g = nil
	if number > 0 {
		*g = c.grids[number-1]
	}
}

func (c *coder) field(f *grid.Field) {
	c.int(&f.Number)
	texts(c, &f.StandardName, &f.ShortName, &f.LongName, &f.Parameter, &f.Units, &f.CellMethod, &f.Packing, &f.Level.Type, &f.Level.Units)
	c.int(&f.Level.Code)
	c.int(&f.Level.SecondCode)
	c.float64s(&f.Level.Value, &f.Level.SecondValue)
	c.instants(&f.ReferenceTime, &f.ValidTime, &f.IntervalStart)
	c.int(&f.Member)
	if c.gridNumber(&f.Grid); f.Grid == nil {
		c.fail("no grid")
		return
	}
	c.floats(&f.Values, f.Grid.NI)
	// Without rows and columns there may be any number; a header alone has none.
	if n := len(f.Values); n > 0 && (f.Grid.NI != 0 || f.Grid.NJ != 0) && !fills(n, f.Grid) {
		c.fail("%d values for %d columns and %d rows", n, f.Grid.NI, f.Grid.NJ)
	}
}

func (c *coder) report(r *sounding.Report) {
	texts(c, &r.Format)
	texts(c, &r.Station.Identifier, &r.Station.WMONumber, &r.Station.WIGOS, &r.Station.Name)
	c.float64s(&r.Station.Place.LatitudeDeg, &r.Station.Place.LongitudeDeg, &r.Station.AltitudeM)
	c.instants(&r.Time, &r.ReleaseTime, &r.RunTime)
	c.int(&r.DayOfMonth)
	c.int(&r.HourUTC)
	c.levels(&r.Levels)
	list(c, "note", &r.Notes, 1, c.text)
}

// levelNumbers are the columns that the levels of a report are kept in.
func levelNumbers(l *sounding.Level) [13]*float64 {
	return [...]*float64{
		&l.PressurePa, &l.GeopotentialHeightM, &l.AirTemperatureK, &l.DewPointK, &l.RelativeHumidity,
		&l.WindFromDeg, &l.WindSpeedMPerS, &l.UpwardMPerS, &l.OmegaPaPerS, &l.CloudFraction,
		&l.ElapsedS, &l.LatitudeDisplacementDeg, &l.LongitudeDisplacementDeg,
	}
}

func (c *coder) levels(levels *[]sounding.Level) {
	const width = 13*8 + 2*2
	n, isNil := c.array(len(*levels), *levels == nil, width, width)
	if c.err != nil {
		return
	}
	if !c.writing {
		if *levels = nil; !isNil {
			*levels = make([]sounding.Level, n)
		}
	}
	// The columns of a report are one array, so that each byte of a number has a
	// long run.
	raw := make([]byte, 13*8*n)
	each := func(do func(k, column int, at []byte)) {
		for column := range 13 {
			for k := range n {
				do(k, column, raw[8*(column*n+k):])
			}
		}
	}
	if c.writing {
		each(func(k, column int, at []byte) { putDouble(at, *levelNumbers(&(*levels)[k])[column]) })
	}
	if c.words(raw, 8); c.err != nil {
		return
	}
	if !c.writing {
		each(func(k, column int, at []byte) { *levelNumbers(&(*levels)[k])[column] = double(at) })
	}
	flags(c, n, func(k int) *sounding.Significance { return &(*levels)[k].Significance })
	flags(c, n, func(k int) *sounding.Suspect { return &(*levels)[k].Suspect })
}

func (c *coder) granule(g *satellite.Granule) {
	texts(c, &g.Product)
	texts(c, &g.File, &g.Platform, &g.Scene)
	c.instants(&g.Start, &g.End)
	if c.gridNumber(&g.Grid); g.Grid == nil {
		c.fail("no grid")
		return
	}
	bytesOf(c, &g.Phase)
	c.floats(&g.TemperatureK, g.Grid.NI)
	c.floats(&g.HeightM, g.Grid.NI)
	bytesOf(c, &g.Quality)
	c.bytes(&g.QualityFlags)
	set := 0
	for _, n := range [...]int{len(g.Phase), len(g.TemperatureK), len(g.HeightM), len(g.Quality), len(g.QualityFlags)} {
		if n > 0 {
			set++
		}
		if n > 0 && !fills(n, g.Grid) {
			c.fail("%d values for %d columns and %d rows", n, g.Grid.NI, g.Grid.NJ)
		}
	}
	if set != 3 || len(g.Quality) == 0 || len(g.QualityFlags) == 0 {
		c.fail("a granule has one quantity, its quality and its flags")
	}
	for _, q := range g.Quality {
		if q > satellite.Good {
			c.fail("quality %d", q)
			break
		}
	}
	if c.err != nil {
		return
	}
	if c.writing {
		if _, err := grid.NewParallax(g.Grid.Projection); err != nil {
			c.fail("%v", err)
		}
		return
	}
	if err := g.Prepare(); err != nil {
		c.fail("%v", err)
	}
}

func putDouble(b []byte, x float64) {
	bits := math.Float64bits(x)
	for k := range 8 {
		b[k] = byte(bits >> (8 * k))
	}
}

func double(b []byte) float64 {
	var bits uint64
	for k := range 8 {
		bits |= uint64(b[k]) << (8 * k)
	}
	return math.Float64frombits(bits)
}

// within names a place for errors and takes it back.
func (c *coder) within(format string, args ...any) func() {
	outer := c.where
	c.where = fmt.Sprintf(format, args...)
	if outer != "" {
		c.where = outer + ": " + c.where
	}
	return func() { c.where = outer }
}
