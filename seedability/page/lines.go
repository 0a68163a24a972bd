package page

import (
	"image/color"
	"math"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// flat is the palette of the terrain contours: one colour.
type flat struct{}

func (flat) Colors() []color.Color { return []color.Color{contourColour, contourColour} }

// lineSample is a line in the legend.
type lineSample struct {
	colour color.Color
	points float64
}

func (l lineSample) Thumbnail(c *draw.Canvas) {
	y := (c.Min.Y + c.Max.Y) / 2
	c.StrokeLine2(draw.LineStyle{Color: l.colour, Width: vg.Points(l.points)}, c.Min.X, y, c.Max.X, y)
}

// paper is a pale ground for the legend in the upper right corner.
type paper struct{}

func (paper) Plot(c draw.Canvas, _ *plot.Plot) {
	left, bottom := c.Max.X-vg.Points(168), c.Max.Y-vg.Points(50)
	c.FillPolygon(color.NRGBA{0xff, 0xff, 0xff, 0xe6}, []vg.Point{{X: left, Y: bottom}, {X: c.Max.X, Y: bottom}, {X: c.Max.X, Y: c.Max.Y}, {X: left, Y: c.Max.Y}})
}

// roundTicks puts five to ten labels on round numbers.
type roundTicks struct{}

func (roundTicks) Ticks(low, high float64) []plot.Tick {
	if !(high > low) || math.IsInf(high-low, 0) {
		return nil
	}
	step := math.Pow(10, math.Floor(math.Log10(high-low)))
	for _, divide := range []float64{1, 2, 2.5} {
		if (high-low)/(step/divide) >= 4 {
			step /= divide
			break
		}
	}
	var ticks []plot.Tick
	for k := math.Ceil(low / step); k*step <= high; k++ {
		ticks = append(ticks, plot.Tick{Value: k * step, Label: strconv.FormatFloat(k*step+0, 'g', 6, 64)}) // + 0: no "-0"
	}
	return ticks
}
