package page

import (
	"image/color"

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
