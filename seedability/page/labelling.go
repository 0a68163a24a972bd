package page

import (
	"image/color"
	"math"
	"strings"

	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
)

// labelling finds room for names on a crowded map: each goes to the first place
// near its point where it covers no other name. A name that must be there goes
// further out, with a line to its point; others are left out.
type labelling struct {
	c     *draw.Canvas
	taken []vg.Rectangle
	names []placedName
	// marks are what names should rather not cover.
	marks []vg.Point
}

type placedName struct {
	text     string
	colour   color.Color
	box      vg.Rectangle
	from, to vg.Point
	leader   bool
}

// avoid notes a line that names should not cover.
func (l *labelling) avoid(from, to vg.Point) {
	l.marks = append(l.marks, from, to, vg.Point{X: (from.X + to.X) / 2, Y: (from.Y + to.Y) / 2})
}

// Room around a name, and the white rim that keeps it readable on any ground.
const (
	namePadding = vg.Length(1.5)
	haloWidth   = vg.Length(1.1)
	haloSteps   = 12
)

// longestName is cut, in characters: the full one is in the text.
const longestName = 30

// add places a name beside a point, at a distance from it; 0 puts it on the
// point itself. needed names are always placed, if further out.
func (l *labelling) add(at vg.Point, text string, colour color.Color, away vg.Length, needed bool) {
	if letters := []rune(text); len(letters) > longestName {
		text = strings.TrimRight(string(letters[:longestName-1]), " ,;") + "…"
	}
	style := labelStyle(colour)
	size := style.Rectangle(text).Size()
	w, h := size.X+2*namePadding, style.Height(text)+2*namePadding
	box := func(dx, dy float64, reach vg.Length) vg.Rectangle {
		x := at.X + vg.Length(dx)*(reach+w/2)
		y := at.Y + vg.Length(dy)*(reach+h/2)
		return vg.Rectangle{Min: vg.Point{X: x - w/2, Y: y - h/2}, Max: vg.Point{X: x + w/2, Y: y + h/2}}
	}
	directions := [][2]float64{{0, 1}, {0, -1}, {1, 0}, {-1, 0}, {.8, .8}, {-.8, .8}, {.8, -.8}, {-.8, -.8}}
	reaches := []vg.Length{away}
	if needed {
		for k := 1; k <= 12; k++ {
			reaches = append(reaches, away+vg.Length(k)*8)
		}
	}
	best, bestCost, far := vg.Rectangle{}, math.MaxInt, false
	if away == 0 {
		directions = append([][2]float64{{0, 0}}, directions...)
	}
	for n, reach := range reaches {
		for k, d := range directions {
			b := box(d[0], d[1], reach)
			if !l.free(b) {
				continue
			}
			cost := 10*n + k
			for _, mark := range l.marks {
				if holds(b, mark) {
					cost += 4
				}
			}
			if cost < bestCost {
				best, bestCost, far = b, cost, n > 1
			}
		}
	}
	if bestCost == math.MaxInt {
		return
	}
	l.taken = append(l.taken, best)
	middle := vg.Point{X: (best.Min.X + best.Max.X) / 2, Y: (best.Min.Y + best.Max.Y) / 2}
	l.names = append(l.names, placedName{text, colour, best, at, middle, far})
}

// reserve keeps names off a mark.
func (l *labelling) reserve(at vg.Point) {
	const half = 3.5
	l.taken = append(l.taken, vg.Rectangle{Min: vg.Point{X: at.X - half, Y: at.Y - half}, Max: vg.Point{X: at.X + half, Y: at.Y + half}})
}

func holds(b vg.Rectangle, p vg.Point) bool {
	return p.X > b.Min.X && p.X < b.Max.X && p.Y > b.Min.Y && p.Y < b.Max.Y
}

func (l *labelling) free(b vg.Rectangle) bool {
	if b.Min.X < l.c.Min.X || b.Min.Y < l.c.Min.Y || b.Max.X > l.c.Max.X || b.Max.Y > l.c.Max.Y {
		return false
	}
	for _, other := range l.taken {
		if b.Min.X < other.Max.X && other.Min.X < b.Max.X && b.Min.Y < other.Max.Y && other.Min.Y < b.Max.Y {
			return false
		}
	}
	return true
}

// draw writes all names, the lines to their points first.
func (l *labelling) draw() {
	for _, n := range l.names {
		if n.leader {
			l.c.StrokeLine2(draw.LineStyle{Color: n.colour, Width: vg.Points(.5)}, n.from.X, n.from.Y, n.to.X, n.to.Y)
		}
	}
	for _, n := range l.names {
		style := labelStyle(haloColour)
		style.XAlign, style.YAlign = draw.XCenter, draw.YCenter
		for k := range haloSteps {
			sin, cos := math.Sincos(2 * math.Pi * float64(k) / haloSteps)
			l.c.FillText(style, vg.Point{X: n.to.X + haloWidth*vg.Length(cos), Y: n.to.Y + haloWidth*vg.Length(sin)}, n.text)
		}
		style.Color = n.colour
		l.c.FillText(style, n.to, n.text)
	}
}

// wrapped breaks a text into lines that fit a width.
func wrapped(style draw.TextStyle, text string, width vg.Length) []string {
	var lines []string
	line := ""
	for _, word := range strings.Fields(text) {
		longer := strings.TrimSpace(line + " " + word)
		if line != "" && style.Width(longer) > width {
			lines = append(lines, line)
			longer = word
		}
		line = longer
	}
	return append(lines, line)
}
