// Package page draws what a forecaster looks at: the drift path on a map, and
// the air above the path as a cross-section.
//
// Pictures show supercooled liquid as a blue tint, isotherms as labelled lines
// and the ensemble's mean path with its spread. They are drawn with gonum/plot.
package page

import (
	"bytes"
	"errors"
	"fmt"
	"image/color"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgimg"
)

// Section is the air above a drift path: values on a grid of distances along
// the path (columns) and altitudes (rows).
type Section struct {
	Title string
	// DistanceKM and AltitudeM are the grid's axes, increasing, two at least.
	DistanceKM, AltitudeM []float64
	// AirTemperatureC and LiquidGPerM3 hold a value for each [altitude][distance];
	// NaN below ground and outside the model.
	AirTemperatureC, LiquidGPerM3 [][]float64
	// TerrainM is the ground below each distance.
	TerrainM []float64
	// Path is the ensemble mean, with the altitudes between which two thirds of
	// the members are.
	Path []SectionPoint
	// Activation and Landing are medians; NaN where no member got there.
	ActivationKM, ActivationM, LandingKM float64
	// Targets are the stretches of the path that lie over a target.
	Targets []Stretch
}

// SectionPoint is one time of the mean path.
type SectionPoint struct {
	DistanceKM, AltitudeM, LowM, HighM float64
	Minutes                            float64
}

// Stretch is a part of the path by distance.
type Stretch struct {
	Name           string
	FromKM, UpToKM float64
}

var (
	inkColour       = color.NRGBA{0x22, 0x2a, 0x30, 0xff}
	paleInkColour   = color.NRGBA{0x6b, 0x74, 0x7c, 0xff}
	groundColour    = color.NRGBA{0xb9, 0xb2, 0xa3, 0xff}
	pathColour      = color.NRGBA{0xb3, 0x3a, 0x1e, 0xff}
	spreadColour    = color.NRGBA{0xb3, 0x3a, 0x1e, 0x2c}
	targetColour    = color.NRGBA{0x2c, 0x6e, 0x49, 0xff}
	warmColour      = color.NRGBA{0xa0, 0x60, 0x10, 0xff}
	isothermColour  = color.NRGBA{0x4a, 0x55, 0x60, 0xff}
	missedColour    = color.NRGBA{0x6b, 0x74, 0x7c, 0xb0}
	contourColour   = color.NRGBA{0xa5, 0x9c, 0x8a, 0xff}
	backgroundColor = color.White
)

// liquidShades is the tint of supercooled liquid: none below 0.02 g/m3, then
// darker to 0.4 g/m3 and more.
var liquidShades = []struct {
	fromGPerM3 float64
	colour     color.NRGBA
}{
	{.02, color.NRGBA{0xe4, 0xf0, 0xf7, 0xff}},
	{.05, color.NRGBA{0xc6, 0xdf, 0xee, 0xff}},
	{.10, color.NRGBA{0x9c, 0xc7, 0xe2, 0xff}},
	{.20, color.NRGBA{0x68, 0xa6, 0xd0, 0xff}},
	{.40, color.NRGBA{0x36, 0x7d, 0xb5, 0xff}},
}

func liquidColour(gPerM3 float64) (color.NRGBA, bool) {
	shade, ok := color.NRGBA{}, false
	for _, s := range liquidShades {
		if gPerM3 >= s.fromGPerM3 {
			shade, ok = s.colour, true
		}
	}
	return shade, ok
}

// lattice serves plotter.Contour.
type lattice struct {
	x, y   []float64
	values [][]float64
}

func (l lattice) Dims() (c, r int)   { return len(l.x), len(l.y) }
func (l lattice) X(c int) float64    { return l.x[c] }
func (l lattice) Y(r int) float64    { return l.y[r] }
func (l lattice) Z(c, r int) float64 { return l.values[r][c] }

func newPlot(title string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = backgroundColor
	p.Title.Text = title
	p.Title.TextStyle.Font.Size = vg.Points(12)
	p.Title.TextStyle.Color = inkColour
	p.Title.TextStyle.Font.Variant = "Sans"
	p.Title.Padding = vg.Points(6)
	p.Legend.TextStyle.Font.Variant = "Sans"
	p.Legend.TextStyle.Font.Size = vg.Points(8)
	p.Legend.TextStyle.Color = inkColour
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.Label.TextStyle.Font.Variant, axis.Tick.Label.Font.Variant = "Sans", "Sans"
		axis.Tick.Marker = roundTicks{}
		axis.Color, axis.Label.TextStyle.Color, axis.Tick.Label.Color, axis.Tick.Color = inkColour, inkColour, inkColour, inkColour
		axis.Label.TextStyle.Font.Size = vg.Points(10)
		axis.Tick.Label.Font.Size = vg.Points(9)
		axis.Padding = 0
	}
	return p
}

func render(p *plot.Plot, width, height vg.Length) ([]byte, error) {
	canvas := vgimg.NewWith(vgimg.UseWH(width, height), vgimg.UseDPI(144))
	p.Draw(draw.New(canvas))
	var b bytes.Buffer
	if _, err := (vgimg.PngCanvas{Canvas: canvas}).WriteTo(&b); err != nil {
		return nil, err
	}
	return b.Bytes(), nil
}

func labelStyle(colour color.Color) text.Style {
	sans := font.From(plot.DefaultFont, vg.Points(9))
	sans.Variant = "Sans"
	return text.Style{Color: colour, Font: sans, Handler: plot.DefaultTextHandler,
		XAlign: draw.XCenter, YAlign: draw.YBottom}
}

// labels is plotter.Labels with one style.
func labels(p *plot.Plot, style text.Style, at plotter.XYs, texts []string) error {
	l, err := plotter.NewLabels(plotter.XYLabels{XYs: at, Labels: texts})
	if err != nil {
		return err
	}
	for k := range l.TextStyle {
		l.TextStyle[k] = style
	}
	p.Add(l)
	return nil
}

func (s Section) validate() error {
	switch {
	case len(s.DistanceKM) < 2 || len(s.AltitudeM) < 2:
		return errors.New("a section needs two distances and two altitudes at least")
	case len(s.AirTemperatureC) != len(s.AltitudeM) || len(s.LiquidGPerM3) != len(s.AltitudeM):
		return errors.New("a section needs one row of values for each altitude")
	case len(s.TerrainM) != len(s.DistanceKM):
		return errors.New("a section needs the terrain at each distance")
	}
	for k := range s.AltitudeM {
		if len(s.AirTemperatureC[k]) != len(s.DistanceKM) || len(s.LiquidGPerM3[k]) != len(s.DistanceKM) {
			return fmt.Errorf("row %d of the section has not one value for each distance", k)
		}
	}
	return nil
}

// tiles paints the liquid, each grid box around its point.
type tiles struct{ Section }

func (t tiles) Plot(c draw.Canvas, p *plot.Plot) {
	trX, trY := p.Transforms(&c)
	edges := func(at []float64, k int) (low, high float64) {
		low, high = at[k], at[k]
		if k > 0 {
			low = (at[k-1] + at[k]) / 2
		}
		if k < len(at)-1 {
			high = (at[k] + at[k+1]) / 2
		}
		return low, high
	}
	for k := range t.AltitudeM {
		low, high := edges(t.AltitudeM, k)
		for i := range t.DistanceKM {
			shade, ok := liquidColour(t.LiquidGPerM3[k][i])
			if !ok || t.AirTemperatureC[k][i] > 0 {
				continue
			}
			left, right := edges(t.DistanceKM, i)
			// A hair of overlap hides the seams between boxes.
			const hair = vg.Length(.3)
			x0, x1, y0, y1 := trX(left), min(trX(right)+hair, c.Max.X), trY(low), min(trY(high)+hair, c.Max.Y)
			c.FillPolygon(shade, []vg.Point{{X: x0, Y: y0}, {X: x1, Y: y0}, {X: x1, Y: y1}, {X: x0, Y: y1}})
		}
	}
}

// isothermsC are the temperatures at which lines are drawn.
var isothermsC = []float64{0, -5, -6, -10, -15, -20}

// DrawSection draws the cross-section as a PNG of 1600 x 900 pixels.
func DrawSection(s Section) ([]byte, error) {
	if err := s.validate(); err != nil {
		return nil, err
	}
	p := newPlot(s.Title)
	p.X.Label.Text, p.Y.Label.Text = "Distance along the drift path (km)", "Altitude (m)"
	p.X.Min, p.X.Max = s.DistanceKM[0], s.DistanceKM[len(s.DistanceKM)-1]
	p.Y.Min, p.Y.Max = s.AltitudeM[0], s.AltitudeM[len(s.AltitudeM)-1]
	p.Add(tiles{s})

	// Isotherms by crossing in each column, so that no line runs below ground.
	for _, isothermC := range isothermsC {
		lines := s.isotherm(isothermC)
		for n, line := range lines {
			l, err := plotter.NewLine(line)
			if err != nil {
				return nil, err
			}
			l.Color, l.Width = isothermColour, vg.Points(.8)
			if isothermC == 0 {
				l.Color, l.Width = warmColour, vg.Points(1.2)
			}
			if isothermC == -6 {
				l.Dashes = []vg.Length{vg.Points(4), vg.Points(3)}
			}
			p.Add(l)
			if n > 0 || isothermC == -5 { // -6 °C is too near for two labels
				continue
			}
			style := labelStyle(l.Color)
			style.XAlign, style.YAlign = draw.XLeft, draw.YBottom
			if err := labels(p, style, plotter.XYs{line[0]}, []string{fmt.Sprintf(" %.0f °C", isothermC)}); err != nil {
				return nil, err
			}
		}
	}

	ground := plotter.XYs{{X: p.X.Min, Y: p.Y.Min}}
	for i, terrainM := range s.TerrainM {
		ground = append(ground, plotter.XY{X: s.DistanceKM[i], Y: math.Max(terrainM, p.Y.Min)})
	}
	ground = append(ground, plotter.XY{X: p.X.Max, Y: p.Y.Min})
	polygon, err := plotter.NewPolygon(ground)
	if err != nil {
		return nil, err
	}
	polygon.Color, polygon.LineStyle.Color, polygon.LineStyle.Width = groundColour, paleInkColour, vg.Points(.8)
	p.Add(polygon)

	for _, target := range s.Targets {
		l, err := plotter.NewLine(plotter.XYs{{X: target.FromKM, Y: p.Y.Min}, {X: target.UpToKM, Y: p.Y.Min}})
		if err != nil {
			return nil, err
		}
		l.Color, l.Width = targetColour, vg.Points(7)
		p.Add(l)
		style := labelStyle(targetColour)
		middle := plotter.XY{X: (target.FromKM + target.UpToKM) / 2, Y: p.Y.Min + (p.Y.Max-p.Y.Min)*.015}
		if err := labels(p, style, plotter.XYs{middle}, []string{target.Name}); err != nil {
			return nil, err
		}
	}

	if len(s.Path) > 1 {
		var band, mean plotter.XYs
		for _, point := range s.Path {
			band = append(band, plotter.XY{X: point.DistanceKM, Y: point.HighM})
			mean = append(mean, plotter.XY{X: point.DistanceKM, Y: point.AltitudeM})
		}
		for k := len(s.Path) - 1; k >= 0; k-- {
			// Members that are on the ground are not below it.
			low := math.Max(s.Path[k].LowM, math.Min(s.terrainAt(s.Path[k].DistanceKM), s.Path[k].AltitudeM))
			band = append(band, plotter.XY{X: s.Path[k].DistanceKM, Y: low})
		}
		spread, err := plotter.NewPolygon(band)
		if err != nil {
			return nil, err
		}
		spread.Color, spread.LineStyle.Width = spreadColour, 0
		line, err := plotter.NewLine(mean)
		if err != nil {
			return nil, err
		}
		line.Color, line.Width = pathColour, vg.Points(2)
		p.Add(spread, line)
		var at plotter.XYs
		var texts []string
		for _, point := range s.Path {
			if point.Minutes > 0 && math.Mod(point.Minutes, 10) == 0 {
				at = append(at, plotter.XY{X: point.DistanceKM, Y: point.AltitudeM})
				texts = append(texts, fmt.Sprintf("%.0f min", point.Minutes))
			}
		}
		if len(at) > 0 {
			marks, err := plotter.NewScatter(at)
			if err != nil {
				return nil, err
			}
			marks.GlyphStyle = draw.GlyphStyle{Color: pathColour, Radius: vg.Points(2.5), Shape: draw.CircleGlyph{}}
			p.Add(marks)
			style := labelStyle(pathColour)
			style.XAlign, style.YAlign = draw.XLeft, draw.YTop
			for k := range at {
				at[k].X += (p.X.Max - p.X.Min) * .004
				at[k].Y -= (p.Y.Max - p.Y.Min) * .008
			}
			if err := labels(p, style, at, texts); err != nil {
				return nil, err
			}
		}
	}
	if !math.IsNaN(s.ActivationKM) && !math.IsNaN(s.ActivationM) {
		if err := mark(p, s.ActivationKM, s.ActivationM, "activation ", draw.RingGlyph{}, draw.XRight, draw.YBottom); err != nil {
			return nil, err
		}
	}
	if !math.IsNaN(s.LandingKM) {
		if err := mark(p, s.LandingKM, s.terrainAt(s.LandingKM), "half have landed", draw.PyramidGlyph{}, draw.XCenter, draw.YTop); err != nil {
			return nil, err
		}
	}
	for _, shade := range liquidShades {
		p.Legend.Add(fmt.Sprintf("liquid from %.2f g/m³", shade.fromGPerM3), swatch{shade.colour})
	}
	p.Legend.Top, p.Legend.Left = true, true
	return render(p, 8*100*vg.Points(.72), 4.5*100*vg.Points(.72))
}

// mark sets a glyph with its name above or below.
func mark(p *plot.Plot, x, y float64, name string, shape draw.GlyphDrawer, across text.XAlignment, up text.YAlignment) error {
	colour := pathColour
	scatter, err := plotter.NewScatter(plotter.XYs{{X: x, Y: y}})
	if err != nil {
		return err
	}
	scatter.GlyphStyle = draw.GlyphStyle{Color: colour, Radius: vg.Points(4.5), Shape: shape}
	p.Add(scatter)
	style := labelStyle(colour)
	style.XAlign, style.YAlign = across, up
	offset := (p.Y.Max - p.Y.Min) * .018
	if up == draw.YTop {
		offset = -offset
	}
	return labels(p, style, plotter.XYs{{X: x, Y: y + offset}}, []string{name})
}

// swatch is a filled box in the legend.
type swatch struct{ colour color.Color }

func (s swatch) Thumbnail(c *draw.Canvas) {
	c.FillPolygon(s.colour, []vg.Point{{X: c.Min.X, Y: c.Min.Y}, {X: c.Max.X, Y: c.Min.Y}, {X: c.Max.X, Y: c.Max.Y}, {X: c.Min.X, Y: c.Max.Y}})
}

// isotherm follows the lowest crossing of a temperature from warm to cold,
// column by column; a column without one ends the line.
func (s Section) isotherm(temperatureC float64) []plotter.XYs {
	var lines []plotter.XYs
	var line plotter.XYs
	for i := range s.DistanceKM {
		at := math.NaN()
		for k := 1; k < len(s.AltitudeM); k++ {
			low, high := s.AirTemperatureC[k-1][i], s.AirTemperatureC[k][i]
			if low >= temperatureC && high < temperatureC {
				at = s.AltitudeM[k-1] + (s.AltitudeM[k]-s.AltitudeM[k-1])*(low-temperatureC)/(low-high)
				break
			}
		}
		if math.IsNaN(at) {
			if len(line) > 1 {
				lines = append(lines, line)
			}
			line = nil
			continue
		}
		line = append(line, plotter.XY{X: s.DistanceKM[i], Y: at})
	}
	if len(line) > 1 {
		lines = append(lines, line)
	}
	return lines
}

func (s Section) terrainAt(distanceKM float64) float64 {
	n := len(s.DistanceKM)
	for i := 1; i < n; i++ {
		if distanceKM <= s.DistanceKM[i] {
			f := (distanceKM - s.DistanceKM[i-1]) / (s.DistanceKM[i] - s.DistanceKM[i-1])
			return s.TerrainM[i-1] + f*(s.TerrainM[i]-s.TerrainM[i-1])
		}
	}
	return s.TerrainM[n-1]
}
