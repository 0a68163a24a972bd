package report

import (
	"bytes"
	"fmt"
	"html"
	"html/template"
	"image/color"
	"math"
	"regexp"
	"strings"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"rimeline/seedability/evaluate"
)

// Pictures are drawn in colours that stand for variables of the page's style, so that
// one drawing serves light, dark and paper.
var (
	inkColour   = color.NRGBA{1, 1, 1, 255}
	softColour  = color.NRGBA{2, 2, 2, 255}
	lineColour  = color.NRGBA{3, 3, 3, 255}
	paintOne    = color.NRGBA{4, 4, 4, 255}
	paintTwo    = color.NRGBA{5, 5, 5, 255}
	paintThree  = color.NRGBA{6, 6, 6, 255}
	paintFour   = color.NRGBA{7, 7, 7, 255}
	shadeColour = color.NRGBA{8, 8, 8, 255}
)

var colourNames = strings.NewReplacer(
	"#010101", "var(--ink)", "#020202", "var(--soft)", "#030303", "var(--line)",
	"#040404", "var(--one)", "#050505", "var(--two)", "#060606", "var(--three)", "#070707", "var(--four)", "#080808", "var(--shade)")

// figureOf a page: a drawing with its words.
type figureOf struct {
	Title   string
	Alt     string
	Drawing template.HTML
	Small   bool
}

var (
	svgHead   = regexp.MustCompile(`(?s)^.*?<svg [^>]*viewBox="([^"]*)"[^>]*>`)
	svgFamily = regexp.MustCompile(`font-family:[^;"]*;font-variant:[^;"]*;`)
)

func newPlot(x, y string) *plot.Plot {
	p := plot.New()
	p.BackgroundColor = nil
	p.X.Label.Text, p.Y.Label.Text = x, y
	p.Legend.TextStyle.Font.Variant, p.Legend.TextStyle.Font.Size, p.Legend.TextStyle.Color = "Sans", vg.Points(9), inkColour
	p.Legend.Top, p.Legend.Padding, p.Legend.ThumbnailWidth = true, vg.Points(2), vg.Points(16)
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		axis.Label.TextStyle.Font.Variant, axis.Tick.Label.Font.Variant = "Sans", "Sans"
		axis.Label.TextStyle.Font.Size, axis.Tick.Label.Font.Size = vg.Points(9.5), vg.Points(9)
		axis.Color, axis.Tick.Color = lineColour, lineColour
		axis.Label.TextStyle.Color, axis.Tick.Label.Color = softColour, softColour
		axis.Label.Padding = vg.Points(4)
		axis.Tick.Marker = plainTicks{}
		axis.LineStyle.Width, axis.Tick.LineStyle.Width = vg.Points(.8), vg.Points(.8)
	}
	return p
}

// inline draws a plot as SVG for the page. title and alt are read out to who cannot see.
func inline(p *plot.Plot, id, title, alt string, width, height vg.Length) (figureOf, error) {
	canvas := vgsvg.New(width, height)
	// A margin, since labels of ticks reach beyond their axis.
	p.Draw(draw.Crop(draw.New(canvas), 0, -vg.Points(10), 0, -vg.Points(4)))
	var raw bytes.Buffer
	if _, err := canvas.WriteTo(&raw); err != nil {
		return figureOf{}, err
	}
	text := raw.String()
	box := svgHead.FindStringSubmatch(text)
	if box == nil {
		return figureOf{}, fmt.Errorf("picture %s: no drawing was made", id)
	}
	head := fmt.Sprintf(`<svg viewBox="%s" role="img" aria-labelledby="%s-t %s-d" style="max-width:%.0fpx"><title id="%s-t">%s</title><desc id="%s-d">%s</desc>`,
		box[1], id, id, 1.6*width.Points(), id, html.EscapeString(title), id, html.EscapeString(alt))
	text = head + text[len(box[0]):]
	text = svgFamily.ReplaceAllString(colourNames.Replace(text), "")
	return figureOf{Title: title, Alt: alt, Drawing: template.HTML(text)}, nil // every text in it was escaped, by the library and above
}

// bars are values with intervals at places along the axis.
type bars struct {
	plotter.XYs
	plotter.YErrors
}

// measured adds one row of values as points with bars, joined by a line.
func measured(p *plot.Plot, name string, paint color.Color, shape draw.GlyphDrawer, dashes []vg.Length, offset float64, values []evaluate.Value, intervals []evaluate.Interval) error {
	var b bars
	for k, v := range values {
		if !v.Known() {
			continue
		}
		y := v.Float()
		b.XYs = append(b.XYs, plotter.XY{X: float64(k) + offset, Y: y})
		low, high := 0., 0.
		if k < len(intervals) && intervals[k].Known() {
			low, high = min(float64(intervals[k].Low)-y, 0), max(float64(intervals[k].High)-y, 0)
		}
		b.YErrors = append(b.YErrors, struct{ Low, High float64 }{low, high})
	}
	if len(b.XYs) == 0 {
		return nil
	}
	line, points, err := plotter.NewLinePoints(b.XYs)
	if err != nil {
		return err
	}
	line.Color, line.Width, line.Dashes = paint, vg.Points(1.2), dashes
	points.Color, points.Shape, points.Radius = paint, shape, vg.Points(2.8)
	errors, err := plotter.NewYErrorBars(b)
	if err != nil {
		return err
	}
	errors.Color, errors.Width, errors.CapWidth = paint, vg.Points(1), vg.Points(4)
	p.Add(line, errors, points)
	p.Legend.Add(name, line, points)
	return nil
}

// plainTicks are the default ones without noughts at the end.
type plainTicks struct{}

func (plainTicks) Ticks(low, high float64) []plot.Tick {
	ticks := plot.DefaultTicks{}.Ticks(low, high)
	for k := range ticks {
		if ticks[k].Label != "" {
			ticks[k].Label = fmt.Sprintf("%.6g", ticks[k].Value)
		}
	}
	return ticks
}

// fifths are the ticks of axes from 0 to 1.
var fifths = plot.ConstantTicks{{Value: 0, Label: "0"}, {Value: .2, Label: "0.2"}, {Value: .4, Label: "0.4"}, {Value: .6, Label: "0.6"}, {Value: .8, Label: "0.8"}, {Value: 1, Label: "1"}}

func grid(p *plot.Plot) {
	g := plotter.NewGrid()
	g.Horizontal.Color, g.Horizontal.Width = lineColour, vg.Points(.4)
	g.Vertical.Width = 0
	p.Add(g)
}

// curve is a row of numbers of a picture by lead.
type curve struct {
	name      string
	values    []evaluate.Value
	intervals []evaluate.Interval
}

// leads draws curves over lead bins.
func leads(id, title, axis string, names []string, low, high float64, curves ...curve) (figureOf, error) {
	p := newPlot("lead time", axis)
	grid(p)
	p.NominalX(names...)
	p.X.Tick.Label.Font.Variant, p.X.Tick.Label.Font.Size, p.X.Tick.Label.Color = "Sans", vg.Points(9), softColour
	p.X.Color, p.X.LineStyle.Width = lineColour, vg.Points(.8)
	paints := []color.Color{paintOne, paintTwo, paintThree, paintFour}
	shapes := []draw.GlyphDrawer{draw.CircleGlyph{}, draw.BoxGlyph{}, draw.TriangleGlyph{}, draw.PyramidGlyph{}}
	dashes := [][]vg.Length{nil, {vg.Points(5), vg.Points(3)}, {vg.Points(1.5), vg.Points(2.5)}, {vg.Points(7), vg.Points(2), vg.Points(1), vg.Points(2)}}
	var said []string
	for k, c := range curves {
		if err := measured(p, c.name, paints[k%4], shapes[k%4], dashes[k%4], .08*(float64(k)-float64(len(curves)-1)/2), c.values, c.intervals); err != nil {
			return figureOf{}, err
		}
		first, last := "", ""
		for i, v := range c.values {
			if v.Known() {
				if first == "" {
					first = fmt.Sprintf("%.3g at %s", v.Float(), names[i])
				}
				last = fmt.Sprintf("%.3g at %s", v.Float(), names[i])
			}
		}
		switch {
		case first == "":
			said = append(said, c.name+" has no value")
		case first == last:
			said = append(said, c.name+" "+first)
		default:
			said = append(said, fmt.Sprintf("%s goes from %s to %s", c.name, first, last))
		}
	}
	p.X.Min, p.X.Max = -.5, float64(len(names))-.5
	if !math.IsNaN(low) {
		p.Y.Min = low
	}
	if !math.IsNaN(high) {
		p.Y.Max = high
	}
	if low == 0 && high == 1 {
		p.Y.Tick.Marker = fifths
	}
	// Room above for the legend.
	p.Y.Max += .22 * (p.Y.Max - p.Y.Min)
	p.Legend.Left = true
	return inline(p, id, title, strings.Join(said, "; ")+". Numbers are in the table below.", vg.Points(520), vg.Points(250))
}

// diagram draws a reliability diagram.
func diagram(id, title string, r *evaluate.Reliability) (figureOf, error) {
	p := newPlot("mean forecast, score / 100", "observed frequency")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, 1, 0, 1
	p.X.Tick.Marker, p.Y.Tick.Marker = fifths, fifths
	if err := diagonal(p); err != nil {
		return figureOf{}, err
	}
	base := "not defined"
	if r.BaseRate.Known() {
		b := r.BaseRate.Float()
		base = fmt.Sprintf("%.3g", b)
		line, err := plotter.NewLine(plotter.XYs{{X: 0, Y: b}, {X: 1, Y: b}})
		if err != nil {
			return figureOf{}, err
		}
		line.Color, line.Width, line.Dashes = softColour, vg.Points(.7), []vg.Length{vg.Points(2), vg.Points(2)}
		p.Add(line)
	}
	var b bars
	var bar bars
	var said []string
	for _, bin := range r.Bins {
		if bin.Sparse || !bin.ObservedFrequency.Known() {
			continue
		}
		x, y := bin.MeanForecast.Float(), bin.ObservedFrequency.Float()
		b.XYs = append(b.XYs, plotter.XY{X: x, Y: y})
		said = append(said, fmt.Sprintf("forecast %.2f seen %.2f (%d)", x, y, bin.Count))
		if bin.Consistency.Known() {
			middle := (float64(bin.Consistency.Low) + float64(bin.Consistency.High)) / 2
			half := float64(bin.Consistency.High) - middle
			bar.XYs = append(bar.XYs, plotter.XY{X: x, Y: middle})
			bar.YErrors = append(bar.YErrors, struct{ Low, High float64 }{-half, half})
		}
	}
	if len(bar.XYs) > 0 {
		e, err := plotter.NewYErrorBars(bar)
		if err != nil {
			return figureOf{}, err
		}
		e.Color, e.Width, e.CapWidth = shadeColour, vg.Points(5), 0
		p.Add(e)
	}
	if len(b.XYs) > 0 {
		line, points, err := plotter.NewLinePoints(b.XYs)
		if err != nil {
			return figureOf{}, err
		}
		line.Color, line.Width = paintOne, vg.Points(1.2)
		points.Color, points.Shape, points.Radius = paintOne, draw.CircleGlyph{}, vg.Points(3)
		p.Add(line, points)
	}
	alt := "No bin has enough forecasts."
	if len(said) > 0 {
		alt = strings.Join(said, "; ") + ". Base rate " + base + "."
	}
	f, err := inline(p, id, title, alt, vg.Points(230), vg.Points(230))
	f.Small = true
	return f, err
}

func diagonal(p *plot.Plot) error {
	line, err := plotter.NewLine(plotter.XYs{{X: 0, Y: 0}, {X: 1, Y: 1}})
	if err != nil {
		return err
	}
	line.Color, line.Width = lineColour, vg.Points(.8)
	p.Add(line)
	return nil
}

// rocCurve draws POD against POFD.
func rocCurve(id, title string, r *evaluate.ROC) (figureOf, error) {
	p := newPlot("false detection, POFD", "detection, POD")
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = 0, 1, 0, 1
	p.X.Tick.Marker, p.Y.Tick.Marker = fifths, fifths
	if err := diagonal(p); err != nil {
		return figureOf{}, err
	}
	if len(r.Points) > 1 {
		var xy plotter.XYs
		for _, at := range r.Points {
			xy = append(xy, plotter.XY{X: at.POFD, Y: at.POD})
		}
		line, err := plotter.NewLine(xy)
		if err != nil {
			return figureOf{}, err
		}
		line.Color, line.Width = paintTwo, vg.Points(1.4)
		p.Add(line)
	}
	f, err := inline(p, id, title, fmt.Sprintf("ROC area %s from %d events and %d other cases.", r.Area, r.Events, r.NonEvents), vg.Points(230), vg.Points(230))
	f.Small = true
	return f, err
}

// maxBars of sites in one picture.
const maxBars = 40

// siteBars draws used, missed and held minutes, a bar a site.
func siteBars(sites []evaluate.Operation) (figureOf, error) {
	sites = sites[:min(len(sites), maxBars)]
	p := newPlot("hours of window", "")
	n := len(sites)
	names := make([]string, n)
	rows := [3]plotter.Values{}
	var total [3]float64
	for k := range sites {
		o := &sites[n-1-k] // the first on top
		names[k] = o.Site
		for i, minutes := range []float64{o.UsedMinutes, o.MissedMinutes, o.HeldMinutes} {
			rows[i] = append(rows[i], minutes/60)
			total[i] += minutes / 60
		}
	}
	var below *plotter.BarChart
	for i, what := range []struct {
		name  string
		paint color.Color
	}{{"used", paintThree}, {"missed", paintTwo}, {"held", shadeColour}} {
		b, err := plotter.NewBarChart(rows[i], vg.Points(9))
		if err != nil {
			return figureOf{}, err
		}
		b.Horizontal, b.Color, b.LineStyle.Width = true, what.paint, 0
		if below != nil {
			b.StackOn(below)
		}
		below = b
		p.Add(b)
		p.Legend.Add(what.name, b)
	}
	p.NominalY(names...)
	p.Y.Tick.Label.Font.Variant, p.Y.Tick.Label.Font.Size, p.Y.Tick.Label.Color = "Sans", vg.Points(9), softColour
	p.Y.Tick.Label.XAlign = draw.XRight
	p.X.Min = 0
	p.Y.Min, p.Y.Max = -.6, float64(n)-.4+2.8
	p.Legend.Left = true
	return inline(p, "site-bars", "What became of the windows, by site", fmt.Sprintf("%d sites together: %.1f h used, %.1f h missed, %.1f h held. Numbers are in the table below.", n, total[0], total[1], total[2]), vg.Points(520), vg.Points(95+15*float64(n)))
}

// limits draws shares that keep limits.
func limits(id, title, axis string, within []evaluate.WithinMinutes, words string) (figureOf, error) {
	p := newPlot(axis, "share")
	grid(p)
	var names, said []string
	var values plotter.Values
	for _, w := range within {
		names = append(names, fmt.Sprintf("%.4g", w.Minutes))
		x := 0.
		if w.Share.Known() {
			x = w.Share.Float()
		}
		values = append(values, x)
		said = append(said, fmt.Sprintf("%.4g min: %s", w.Minutes, w.Share))
	}
	b, err := plotter.NewBarChart(values, vg.Points(16))
	if err != nil {
		return figureOf{}, err
	}
	b.Color, b.LineStyle.Width = paintOne, 0
	p.Add(b)
	p.NominalX(names...)
	p.X.Tick.Label.Font.Variant, p.X.Tick.Label.Font.Size, p.X.Tick.Label.Color = "Sans", vg.Points(9), softColour
	p.Y.Min, p.Y.Max = 0, 1
	p.Y.Tick.Marker = fifths
	return inline(p, id, title, words+" "+strings.Join(said, "; ")+".", vg.Points(300), vg.Points(200))
}

// scatter draws target against control with the line of unseeded units.
func scatter(e *Effect) (figureOf, error) {
	p := newPlot("control: "+strings.Join(e.Controls, ", "), "target: "+e.Target)
	grid(p)
	var sets [2]plotter.XYs
	low, high := math.Inf(1), math.Inf(-1)
	for _, u := range e.Units {
		x, known := 0., u.Target.Known()
		for _, c := range u.Controls {
			known = known && c.Known()
			x += float64(c) / float64(len(u.Controls))
		}
		if !known {
			continue
		}
		k := 0
		if u.Seeded {
			k = 1
		}
		sets[k] = append(sets[k], plotter.XY{X: x, Y: float64(u.Target)})
		low, high = min(low, x), max(high, x)
	}
	if r := e.Regression; r != nil && len(e.Controls) == 1 && len(r.Coefficients) == 2 && r.Coefficients[0].Estimate.Known() && low < high {
		a, b := r.Coefficients[0].Estimate.Float(), r.Coefficients[1].Estimate.Float()
		line, err := plotter.NewLine(plotter.XYs{{X: low, Y: a + b*low}, {X: high, Y: a + b*high}})
		if err != nil {
			return figureOf{}, err
		}
		line.Color, line.Width = softColour, vg.Points(1)
		p.Add(line)
		p.Legend.Add("fit to unseeded", line)
	}
	for k, what := range []struct {
		name  string
		paint color.Color
		shape draw.GlyphDrawer
	}{{"unseeded", paintOne, draw.RingGlyph{}}, {"seeded", paintTwo, draw.CircleGlyph{}}} {
		if len(sets[k]) == 0 {
			continue
		}
		s, err := plotter.NewScatter(sets[k])
		if err != nil {
			return figureOf{}, err
		}
		s.Color, s.Shape, s.Radius = what.paint, what.shape, vg.Points(3.2)
		p.Add(s)
		p.Legend.Add(what.name, s)
	}
	p.Legend.Left = true
	alt := fmt.Sprintf("%d unseeded and %d seeded units.", len(sets[0]), len(sets[1]))
	if e.Regression != nil {
		alt += " " + e.Regression.String() + "."
	}
	return inline(p, "effect-scatter", "Target against control", alt, vg.Points(380), vg.Points(280))
}

// ratios draws the ratios with their intervals about 1.
func ratios(e *Effect) (figureOf, error) {
	p := newPlot("ratio, 1 is no difference", "")
	var names, said []string
	var xs plotter.XYs
	var spans []struct{ Low, High float64 }
	add := func(name string, v evaluate.Value, i evaluate.Interval) {
		said = append(said, fmt.Sprintf("%s %s, %s", name, v, i))
		names = append(names, name)
		if !v.Known() {
			return
		}
		x := v.Float()
		xs = append(xs, plotter.XY{X: x, Y: float64(len(names) - 1)})
		one := struct{ Low, High float64 }{}
		if i.Known() {
			one.Low, one.High = min(float64(i.Low)-x, 0), max(float64(i.High)-x, 0)
		}
		spans = append(spans, one)
	}
	boot := func(b *evaluate.Estimate) evaluate.Interval { i, _ := b.Recommended(); return i }
	add("single ratio", e.Single.Ratio, boot(&e.Single.Bootstrap))
	if e.Double != nil {
		add("double ratio", e.Double.Ratio, boot(&e.Double.Bootstrap))
	}
	if e.Regression != nil {
		add("regression", e.Regression.Ratio, boot(&e.Regression.Bootstrap))
	}
	if len(xs) > 0 {
		points, err := plotter.NewScatter(xs)
		if err != nil {
			return figureOf{}, err
		}
		points.Color, points.Shape, points.Radius = paintTwo, draw.CircleGlyph{}, vg.Points(3.5)
		bar, err := plotter.NewXErrorBars(struct {
			plotter.XYs
			plotter.XErrors
		}{xs, spans})
		if err != nil {
			return figureOf{}, err
		}
		bar.Color, bar.Width, bar.CapWidth = paintTwo, vg.Points(1.2), vg.Points(6)
		p.Add(bar, points)
	}
	one, err := plotter.NewLine(plotter.XYs{{X: 1, Y: -.6}, {X: 1, Y: float64(len(names)) - .4}})
	if err != nil {
		return figureOf{}, err
	}
	one.Color, one.Width, one.Dashes = inkColour, vg.Points(.8), []vg.Length{vg.Points(3), vg.Points(3)}
	p.Add(one)
	p.NominalY(names...)
	p.Y.Tick.Label.Font.Variant, p.Y.Tick.Label.Font.Size, p.Y.Tick.Label.Color = "Sans", vg.Points(9), softColour
	p.Y.Min, p.Y.Max = -.6, float64(len(names))-.4
	wide := max(.02, .1*(p.X.Max-p.X.Min))
	p.X.Min, p.X.Max = p.X.Min-wide, p.X.Max+wide
	return inline(p, "effect-ratios", "Ratios; bars are bootstrap intervals, where there are units enough", strings.Join(said, "; ")+".", vg.Points(380), vg.Points(150))
}
