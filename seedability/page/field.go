package page

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	"image/color"
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
)

// EchoField is what radar sees around a place, how it moves, and what of it
// comes to the sites.
type EchoField struct {
	Title string
	// Subtitle stands below the title in paler ink.
	Subtitle string
	// Scene gives the field and its objects; its plane is what is drawn.
	Scene *nowcast.Scene
	// Motion is nil where none could be seen; NoMotion then says why.
	Motion   *nowcast.Motion
	NoMotion string
	Sites    []EchoSite
	Targets  []Outline
	// Radar is marked where it has a name.
	Radar     grid.LatLon
	RadarName string
}

// EchoSite is a site, and the zone in which its agent acts.
type EchoSite struct {
	Name  string
	Place grid.LatLon
	// Zone is nil where it is not known.
	Zone *nowcast.Zone
	// Coming says in a few words what comes to the zone, and when.
	Coming string
}

// echoShades tint reflectivity: none below 5 dBZ, then darker. Violet, so that
// echo is not taken for liquid, which radar does not see.
var echoShades = []struct {
	fromDBZ float64
	colour  color.NRGBA
}{
	{5, color.NRGBA{0xf3, 0xef, 0xf8, 0xff}},
	{10, color.NRGBA{0xe6, 0xdd, 0xf1, 0xff}},
	{15, color.NRGBA{0xd3, 0xc3, 0xe7, 0xff}},
	{20, color.NRGBA{0xba, 0xa2, 0xd8, 0xff}},
	{25, color.NRGBA{0x9e, 0x7f, 0xc7, 0xff}},
	{30, color.NRGBA{0x82, 0x5e, 0xb4, 0xff}},
	{35, color.NRGBA{0x67, 0x42, 0x9d, 0xff}},
	{40, color.NRGBA{0x4f, 0x2d, 0x82, 0xff}},
	{45, color.NRGBA{0x3b, 0x1d, 0x66, 0xff}},
	{50, color.NRGBA{0x28, 0x10, 0x4a, 0xff}},
}

var (
	notSeenColour = color.NRGBA{0xe8, 0xe6, 0xe1, 0xff}
	hatchColour   = color.NRGBA{0xcf, 0xca, 0xc0, 0xff}
	arrowColour   = color.NRGBA{0x22, 0x2a, 0x30, 0xd0}
	filledColour  = color.NRGBA{0x6b, 0x74, 0x7c, 0x80}
	haloColour    = color.NRGBA{0xff, 0xff, 0xff, 0xb0}
)

func echoColour(dBZ float32) color.NRGBA {
	if dBZ != dBZ {
		return notSeenColour
	}
	shade := color.NRGBA{0xff, 0xff, 0xff, 0xff}
	for _, s := range echoShades {
		if float64(dBZ) >= s.fromDBZ {
			shade = s.colour
		}
	}
	return shade
}

// Layout of the picture, in points of 1/72 inch at 144 dots an inch.
const (
	fieldWidth  = 600
	fieldHeight = 486
	panelWidth  = 132
	headHeight  = 38
	hatchEvery  = 14 // pixels
	// arrowMinutes of motion is the length of an arrow.
	arrowMinutes = 20
	arrowsAcross = 17
)

// DrawEchoField draws the field as a PNG of 1200 x 972 pixels: reflectivity in
// violet, what was not seen hatched, objects outlined with their numbers, arrows
// of motion, sites, the zones in which their agent acts, and targets.
func DrawEchoField(e EchoField) ([]byte, error) {
	if e.Scene == nil || e.Scene.Frame == nil || e.Scene.Frame.NI < 2 || e.Scene.Frame.NJ < 2 ||
		len(e.Scene.Frame.DBZ) != e.Scene.Frame.NI*e.Scene.Frame.NJ || len(e.Scene.Labels) != len(e.Scene.Frame.DBZ) {
		return nil, errors.New("the picture has no field")
	}
	f := e.Scene.Frame
	half := f.SpacingM / 2
	p := newPlot("")
	p.X.Label.Text, p.Y.Label.Text = "East of the centre (km)", "North of the centre (km)"
	p.X.Min, p.X.Max = (f.WestM-half)/1000, (f.XM(f.NI-1)+half)/1000
	p.Y.Min, p.Y.Max = (f.SouthM-half)/1000, (f.YM(f.NJ-1)+half)/1000
	p.Add(echoLayer{e})

	canvas := vgimg.NewWith(vgimg.UseWH(vg.Points(fieldWidth), vg.Points(fieldHeight)), vgimg.UseDPI(144))
	whole := draw.New(canvas)
	whole.FillPolygon(backgroundColor, []vg.Point{whole.Min, {X: whole.Max.X, Y: whole.Min.Y}, whole.Max, {X: whole.Min.X, Y: whole.Max.Y}})
	style := labelStyle(inkColour)
	style.XAlign, style.YAlign = draw.XLeft, draw.YTop
	style.Font.Size = vg.Points(12)
	left := whole.Min.X + vg.Points(10)
	whole.FillText(style, vg.Point{X: left, Y: whole.Max.Y - vg.Points(7)}, e.Title)
	style.Font.Size, style.Color = vg.Points(8.5), paleInkColour
	whole.FillText(style, vg.Point{X: left, Y: whole.Max.Y - vg.Points(23)}, e.Subtitle)
	p.Draw(draw.Crop(whole, vg.Points(4), -vg.Points(panelWidth), vg.Points(2), -vg.Points(headHeight)))
	e.drawPanel(draw.Crop(whole, vg.Points(fieldWidth-panelWidth+8), -vg.Points(6), vg.Points(8), -vg.Points(headHeight+4)))

	var b bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: canvas}).WriteTo(&b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

// echoLayer draws everything that is inside the axes.
type echoLayer struct{ EchoField }

// Plot implements plot.Plotter.
func (e echoLayer) Plot(c draw.Canvas, p *plot.Plot) {
	trX, trY := p.Transforms(&c)
	f := e.Scene.Frame
	at := func(xM, yM float64) vg.Point { return vg.Point{X: trX(xM / 1000), Y: trY(yM / 1000)} }
	of := func(place grid.LatLon) vg.Point { return at(f.XY(place)) }
	l := &labelling{c: &c}

	e.drawCells(c, p)
	e.drawOutlines(c, at)
	e.drawArrows(c, at, l)
	for _, site := range e.Sites {
		l.reserve(of(site.Place))
	}
	for _, target := range e.Targets {
		e.drawTarget(c, of, target, l)
	}
	for _, site := range e.Sites {
		e.drawSite(c, of, site, l)
	}
	if e.RadarName != "" {
		where := of(e.Radar)
		if c.Contains(where) {
			c.DrawGlyphNoClip(draw.GlyphStyle{Color: inkColour, Radius: vg.Points(4), Shape: draw.PlusGlyph{}}, where)
			l.add(where, e.RadarName, inkColour, vg.Points(5), true)
		}
	}
	// The largest first: what finds no room is in the list beside the picture.
	for k := range e.Scene.Objects {
		o := &e.Scene.Objects[k]
		// On the object where it is larger than its name, else beside it.
		const roomForName = vg.Length(34)
		away := vg.Length(0)
		sw, ne := at(o.WestM, o.SouthM), at(o.EastM, o.NorthM)
		if size := min(ne.X-sw.X, ne.Y-sw.Y); size < roomForName {
			away = max(size/2, 2)
		}
		l.add(at(o.CentroidXM, o.CentroidYM), objectName(o), inkColour, away, o.Band)
	}
	l.draw()
	if onLabels != nil {
		onLabels(l)
	}
	c.StrokeLines(draw.LineStyle{Color: paleInkColour, Width: vg.Points(.6)},
		[]vg.Point{c.Min, {X: c.Max.X, Y: c.Min.Y}, c.Max, {X: c.Min.X, Y: c.Max.Y}, c.Min})
}

// onLabels lets a test see where names went.
var onLabels func(*labelling)

// objectName is short, for the map: bands are few and named, cells are numbers.
func objectName(o *nowcast.Object) string {
	if o.Band {
		return "band " + strconv.Itoa(o.ID)
	}
	return strconv.Itoa(o.ID)
}

// drawCells paints the field pixel by pixel, so that cells have sharp edges.
func (e echoLayer) drawCells(c draw.Canvas, p *plot.Plot) {
	f := e.Scene.Frame
	size := c.Rectangle.Size()
	width, height := int(math.Round(size.X.Dots(144))), int(math.Round(size.Y.Dots(144)))
	if width < 1 || height < 1 {
		return
	}
	img := image.NewNRGBA(image.Rect(0, 0, width, height))
	for row := range height {
		j := min((height-1-row)*f.NJ/height, f.NJ-1)
		for column := range width {
			v := f.DBZ[j*f.NI+min(column*f.NI/width, f.NI-1)]
			shade := echoColour(v)
			if v != v && (row+column)%hatchEvery < 2 {
				shade = hatchColour
			}
			img.SetNRGBA(column, row, shade)
		}
	}
	plotter.NewImage(img, p.X.Min, p.Y.Min, p.X.Max, p.Y.Max).Plot(c, p)
}

// leastHoleCells: smaller holes in an object are not outlined.
const leastHoleCells = 12

func (e echoLayer) drawOutlines(c draw.Canvas, at func(xM, yM float64) vg.Point) {
	for place := range e.Scene.Objects {
		style := draw.LineStyle{Color: inkColour, Width: vg.Points(.6)}
		if e.Scene.Objects[place].Band {
			style.Width = vg.Points(1.3)
		}
		for _, polygon := range polygonsOf(e.Scene, place) {
			for k, ring := range append([][]corner{polygon.outer}, polygon.holes...) {
				if k > 0 && -twiceArea(ring) < 2*leastHoleCells {
					continue
				}
				var line []vg.Point
				for k := 0; k <= len(ring); k++ {
					corner := ring[k%len(ring)]
					line = append(line, at(cornerXM(e.Scene.Frame.Plane, corner), cornerYM(e.Scene.Frame.Plane, corner)))
				}
				c.StrokeLines(style, line)
			}
		}
	}
}

// arrow with a head; none where it would be shorter than its head is wide.
func arrow(c draw.Canvas, style draw.LineStyle, from, to vg.Point) {
	dx, dy := float64(to.X-from.X), float64(to.Y-from.Y)
	length := math.Hypot(dx, dy)
	if !(length > 2.5) {
		return
	}
	head := math.Min(4, length*.45)
	ux, uy := dx/length, dy/length
	c.StrokeLine2(style, from.X, from.Y, to.X, to.Y)
	for _, side := range []float64{-1, 1} {
		c.StrokeLine2(style, to.X, to.Y, to.X-vg.Length(head*(ux+side*.5*uy)), to.Y-vg.Length(head*(uy-side*.5*ux)))
	}
}

func (e echoLayer) drawArrows(c draw.Canvas, at func(xM, yM float64) vg.Point, l *labelling) {
	m := e.Motion
	if m == nil {
		return
	}
	step := max(1, int(math.Round(float64(max(m.NI, m.NJ))/arrowsAcross)))
	for j := 0; j < m.NJ; j += step {
		for i := 0; i < m.NI; i += step {
			k := e.bestVector(i, j, step)
			if k < 0 {
				continue
			}
			xM, yM := m.XM(k%m.NI), m.YM(k/m.NI)
			style := draw.LineStyle{Color: filledColour, Width: vg.Points(.6)}
			if m.Quality[k] > 0 {
				style = draw.LineStyle{Color: arrowColour, Width: vg.Points(.9)}
			}
			const s = arrowMinutes * 60
			to := at(xM+float64(m.EastwardMPerS[k])*s, yM+float64(m.NorthwardMPerS[k])*s)
			if from := at(xM, yM); c.Contains(from) && c.Contains(to) {
				arrow(c, style, from, to)
				l.avoid(from, to)
			}
		}
	}
}

// bestVector of a square of vectors is the one that was seen best, else the
// middle one, which was filled in; -1 where its place was not seen.
func (e echoLayer) bestVector(i0, j0, step int) int {
	m, f := e.Motion, e.Scene.Frame
	i1, j1 := min(i0+step, m.NI), min(j0+step, m.NJ)
	best := (j0+j1)/2*m.NI + (i0+i1)/2
	for j := j0; j < j1; j++ {
		for i := i0; i < i1; i++ {
			if k := j*m.NI + i; m.Quality[k] > m.Quality[best] {
				best = k
			}
		}
	}
	i, j := int(math.Round((m.XM(best%m.NI)-f.WestM)/f.SpacingM)), int(math.Round((m.YM(best/m.NI)-f.SouthM)/f.SpacingM))
	if i < 0 || j < 0 || i >= f.NI || j >= f.NJ || f.DBZ[j*f.NI+i] != f.DBZ[j*f.NI+i] {
		return -1
	}
	return best
}

func (e echoLayer) drawTarget(c draw.Canvas, of func(grid.LatLon) vg.Point, target Outline, l *labelling) {
	var lowest *vg.Point
	for _, ring := range target.Rings {
		var line []vg.Point
		for _, place := range ring {
			line = append(line, of(place))
			if here := &line[len(line)-1]; c.Contains(*here) && (lowest == nil || here.Y < lowest.Y) {
				lowest = here
			}
		}
		if len(line) < 3 {
			continue
		}
		line = append(line, line[0])
		c.StrokeLines(draw.LineStyle{Color: targetColour, Width: vg.Points(1.6)}, c.ClipLinesXY(line)...)
	}
	if lowest != nil {
		l.add(*lowest, target.Name, targetColour, vg.Points(3), true)
	}
}

func (e echoLayer) drawSite(c draw.Canvas, of func(grid.LatLon) vg.Point, site EchoSite, l *labelling) {
	where := of(site.Place)
	if site.Zone != nil {
		centre := of(site.Zone.Place)
		thin := draw.LineStyle{Color: pathColour, Width: vg.Points(.8), Dashes: []vg.Length{vg.Points(3), vg.Points(2)}}
		c.StrokeLines(thin, c.ClipLinesXY([]vg.Point{where, centre})...)
		l.avoid(where, centre)
		x, y := e.Scene.Frame.XY(site.Zone.Place)
		rim := of(e.Scene.Frame.Place(x+site.Zone.RadiusM, y))
		ring := circle(centre, max(rim.X-centre.X, vg.Points(2)))
		c.StrokeLines(draw.LineStyle{Color: pathColour, Width: vg.Points(1)}, c.ClipLinesXY(ring)...)
		for k := 0; k < len(ring); k += 6 {
			l.avoid(ring[k], ring[k])
		}
	}
	if c.Contains(where) {
		c.DrawGlyphNoClip(draw.GlyphStyle{Color: pathColour, Radius: vg.Points(3), Shape: draw.BoxGlyph{}}, where)
		l.add(where, site.Name, pathColour, vg.Points(5), true)
	}
}

func circle(centre vg.Point, radius vg.Length) []vg.Point {
	const n = 48
	var line []vg.Point
	for k := range n + 1 {
		sin, cos := math.Sincos(2 * math.Pi * float64(k) / n)
		line = append(line, vg.Point{X: centre.X + radius*vg.Length(cos), Y: centre.Y + radius*vg.Length(sin)})
	}
	return line
}

// drawPanel is the legend, and what comes to the sites.
func (e EchoField) drawPanel(c draw.Canvas) {
	y := c.Max.Y
	left := c.Min.X
	style := labelStyle(inkColour)
	style.XAlign, style.YAlign = draw.XLeft, draw.YCenter
	style.Font.Size = vg.Points(8)
	heading := style
	heading.Font.Size = vg.Points(9)
	const row, box, gap = vg.Length(13), vg.Length(20), vg.Length(6)
	title := func(text string) {
		y -= row * 1.1
		c.FillText(heading, vg.Point{X: left, Y: y + row/2}, text)
	}
	fill := func(low vg.Length, shade color.Color) {
		c.FillPolygon(shade, []vg.Point{{X: left, Y: low}, {X: left + box, Y: low}, {X: left + box, Y: low + row}, {X: left, Y: low + row}})
	}
	frame := func(low vg.Length) {
		c.StrokeLines(draw.LineStyle{Color: paleInkColour, Width: vg.Points(.4)}, []vg.Point{
			{X: left, Y: low}, {X: left + box, Y: low}, {X: left + box, Y: low + row}, {X: left, Y: low + row}, {X: left, Y: low}})
	}
	entry := func(text string, sample func(middle vg.Length)) {
		y -= row * 1.2
		sample(y + row/2)
		c.FillText(style, vg.Point{X: left + box + gap, Y: y + row/2}, text)
	}

	title("Reflectivity (dBZ)")
	for k := len(echoShades) - 1; k >= 0; k-- {
		y -= row
		fill(y, echoShades[k].colour)
		c.FillText(style, vg.Point{X: left + box + gap, Y: y}, strconv.FormatFloat(echoShades[k].fromDBZ, 'f', 0, 64))
	}
	y -= row * .4
	entry("seen, no echo", func(vg.Length) { frame(y) })
	entry("not seen", func(vg.Length) {
		fill(y, notSeenColour)
		for x := left; x < left+box; x += hatchEvery / 2 {
			low, high := max(x-row/2, left), min(x+row/2, left+box)
			c.StrokeLine2(draw.LineStyle{Color: hatchColour, Width: vg.Points(1)}, low, y+(low-(x-row/2)), high, y+(high-(x-row/2)))
		}
		frame(y)
	})
	y -= row * .5
	line := func(style draw.LineStyle) func(vg.Length) {
		return func(middle vg.Length) { c.StrokeLine2(style, left, middle, left+box, middle) }
	}
	pointer := func(style draw.LineStyle) func(vg.Length) {
		return func(middle vg.Length) {
			arrow(c, style, vg.Point{X: left, Y: middle}, vg.Point{X: left + box, Y: middle})
		}
	}
	entry("band, with its number", line(draw.LineStyle{Color: inkColour, Width: vg.Points(1.3)}))
	entry("cell", line(draw.LineStyle{Color: inkColour, Width: vg.Points(.6)}))
	if e.Motion != nil {
		entry(fmt.Sprintf("way in %d min, seen", arrowMinutes), pointer(draw.LineStyle{Color: arrowColour, Width: vg.Points(.9)}))
		entry("the same, filled in", pointer(draw.LineStyle{Color: filledColour, Width: vg.Points(.6)}))
	}
	if len(e.Sites) > 0 {
		entry("site", func(middle vg.Length) {
			c.DrawGlyphNoClip(draw.GlyphStyle{Color: pathColour, Radius: vg.Points(3), Shape: draw.BoxGlyph{}}, vg.Point{X: left + box/2, Y: middle})
		})
		if e.Motion != nil {
			entry("where its agent acts", func(middle vg.Length) {
				c.StrokeLines(draw.LineStyle{Color: pathColour, Width: vg.Points(1)}, circle(vg.Point{X: left + box/2, Y: middle}, row*.4))
			})
		}
	}
	if len(e.Targets) > 0 {
		entry("target", line(draw.LineStyle{Color: targetColour, Width: vg.Points(1.6)}))
	}
	y -= row * .6
	write := func(style draw.TextStyle, text string) {
		for _, part := range wrapped(style, text, c.Max.X-left) {
			if y -= row * .85; y < c.Min.Y {
				return
			}
			c.FillText(style, vg.Point{X: left, Y: y + row/2}, part)
		}
	}
	if e.Motion == nil && e.NoMotion != "" {
		title("No motion")
		write(style, e.NoMotion)
	}
	if len(e.Sites) > 0 && e.Motion != nil {
		title("What comes (UTC)")
		for _, site := range e.Sites {
			name := style
			name.Color = pathColour
			write(name, site.Name)
			write(style, site.Coming)
			y -= row * .25
		}
	}
}
