package pages

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/programme"
)

// mapFigure is the drift path from above: a square, north up, in the tangent plane
// of the site (good to 1 % within 100 km).
type mapFigure struct {
	Size        int
	Targets     []figureArea
	Corridor    string // points of a polygon
	Path        string // points of a line
	Marks       []figureMark
	Ellipse     string // points of a polygon
	Site        figureMark
	Activation  *figureMark
	Landing     *figureMark
	ScaleX      string // end of the scale's line
	ScaleText   string
	Description string
}

type figureArea struct {
	Path string // SVG path, rings by the even-odd rule
	Name string
	X, Y string // of the name
}

type figureMark struct {
	X, Y string
	Text string
	// Anchor of the text: start or end. LX and LY are where it stands.
	Anchor string
	LX, LY string
}

// Of drawings.
const (
	mapSize      = 480
	mapMargin    = 26
	mostPathStep = 600
	mostVertices = 6000
	labelApart   = 52. // px between names of minutes along a path
)

// steps of the path that lie somewhere, thinned to a bound.
func steps(path []seedability.PathStep) []seedability.PathStep {
	var out []seedability.PathStep
	every := max(1, (len(path)+mostPathStep-1)/mostPathStep)
	for k := range path {
		s := path[k]
		if k%every != 0 && k != len(path)-1 {
			continue
		}
		if !(math.Abs(s.LatitudeDeg) <= 90) || !(math.Abs(s.LongitudeDeg) <= 360) || !(math.Abs(s.AltitudeM) < 6e4) || !(math.Abs(s.Minutes) < 1e5) || !(math.Abs(s.HeightM) < 6e4) {
			continue
		}
		out = append(out, s)
	}
	return out
}

// tangent plane of a site.
type plane struct{ origin grid.LatLon }

func (p plane) km(latitudeDeg, longitudeDeg float64) (east, north float64) {
	const rad = math.Pi / 180
	north = (latitudeDeg - p.origin.LatitudeDeg) * rad * grid.EarthRadiusM / 1000
	middle := (latitudeDeg + p.origin.LatitudeDeg) / 2 * rad
	return grid.NormalLongitudeDeg(longitudeDeg-p.origin.LongitudeDeg) * rad * math.Cos(middle) * grid.EarthRadiusM / 1000, north
}

// farKM: what lies farther from the site is not drawn, or all else would be a dot.
const farKM = 400

func newMapFigure(a *seedability.Assessment, site *programme.Site, targets []*programme.Target) *mapFigure {
	type point struct{ e, n float64 }
	p := plane{site.Place()}
	var minE, maxE, minN, maxN float64
	grow := func(q point) { minE, maxE, minN, maxN = min(minE, q.e), max(maxE, q.e), min(minN, q.n), max(maxN, q.n) }
	near := func(latitudeDeg, longitudeDeg float64) (point, bool) {
		e, n := p.km(latitudeDeg, longitudeDeg)
		return point{e, n}, math.Hypot(e, n) <= farKM
	}
	var path []point
	var minutes, spreadKM []float64
	for _, s := range steps(a.Path) {
		if q, ok := near(s.LatitudeDeg, s.LongitudeDeg); ok {
			path, minutes, spreadKM = append(path, q), append(minutes, s.Minutes), append(spreadKM, math.Min(math.Abs(s.SpreadM)/1000, 50))
			grow(q)
		}
	}
	rings := make([][][]point, len(targets))
	vertices := 0
	for k, t := range targets {
		for i := range t.Area.NumPolygons() {
			polygon := t.Area.Polygon(i)
			for r := range polygon.NumLinearRings() {
				ring := polygon.LinearRing(r).Coords()
				every := max(1, len(ring)*max(len(targets), 1)/mostVertices)
				var points []point
				for v := 0; v < len(ring) && vertices < 4*mostVertices; v += every {
					if q, ok := near(ring[v][1], ring[v][0]); ok {
						points = append(points, q)
						grow(q)
						vertices++
					}
				}
				if len(points) > 2 {
					rings[k] = append(rings[k], points)
				}
			}
		}
	}
	var ellipse []point
	if e := a.Transport.LandingEllipse; e != nil {
		if c, ok := near(e.LatitudeDeg, e.LongitudeDeg); ok && e.SemiMajorM < 2e5 && e.SemiMinorM < 2e5 {
			axis := e.MajorAxisDeg * math.Pi / 180
			for k := range 36 {
				sin, cos := math.Sincos(2 * math.Pi * float64(k) / 36)
				major, minor := e.SemiMajorM*cos/1000, e.SemiMinorM*sin/1000
				q := point{c.e + major*math.Sin(axis) - minor*math.Cos(axis), c.n + major*math.Cos(axis) + minor*math.Sin(axis)}
				ellipse = append(ellipse, q)
				grow(q)
			}
		}
	}
	side := max(maxE-minE, maxN-minN, 4) * 1.04
	middleE, middleN := (minE+maxE)/2, (minN+maxN)/2
	scale := (mapSize - 2*mapMargin) / side
	px := func(q point) (x, y float64) {
		return mapSize/2 + (q.e-middleE)*scale, mapSize/2 - (q.n-middleN)*scale
	}
	join := func(points []point) string {
		var b strings.Builder
		for k, q := range points {
			x, y := px(q)
			if k > 0 {
				b.WriteByte(' ')
			}
			fmt.Fprintf(&b, "%.1f,%.1f", x, y)
		}
		return b.String()
	}
	fig := &mapFigure{Size: mapSize, Ellipse: join(ellipse)}
	for k, t := range targets {
		if len(rings[k]) == 0 {
			continue
		}
		area := figureArea{Name: firstName(t.Name, t.ID)}
		var b strings.Builder
		bottom := point{0, math.Inf(1)}
		var low, high float64 = math.Inf(1), math.Inf(-1)
		for _, ring := range rings[k] {
			for i, q := range ring {
				x, y := px(q)
				letter := "L"
				if i == 0 {
					letter = "M"
				}
				fmt.Fprintf(&b, "%s%.1f %.1f", letter, x, y)
				if q.n < bottom.n {
					bottom = q
				}
				low, high = min(low, x), max(high, x)
			}
			b.WriteByte('Z')
		}
		area.Path = b.String()
		_, y := px(bottom)
		half := 3.6 * float64(len([]rune(area.Name)))
		area.X, area.Y = coordinate(max(half+4, min((low+high)/2, mapSize-half-4))), coordinate(min(y+15, mapSize-6))
		fig.Targets = append(fig.Targets, area)
	}
	// A path to the north-east or south-west leaves room above on the left and below
	// on the right, any other above on the right and below on the left.
	rises := true
	if n := len(path); n > 1 {
		rises = (path[n-1].e-path[0].e)*(path[n-1].n-path[0].n) >= 0
	}
	mark := func(q point, text string, below bool) figureMark {
		x, y := px(q)
		m := figureMark{X: coordinate(x), Y: coordinate(y), Text: text, Anchor: "start", LX: coordinate(x + 9), LY: coordinate(y - 8)}
		if below {
			m.LY = coordinate(y + 18)
		}
		width := 8 * float64(len([]rune(text)))
		if left := rises != below; left && x > width+12 || x+width+12 > mapSize {
			m.Anchor, m.LX = "end", coordinate(x-9)
		}
		return m
	}
	fig.Site = mark(point{}, firstName(site.Name, site.ID), true)
	if len(path) > 1 {
		fig.Path = join(path)
		fig.Corridor = join(corridorKM(len(path), func(k int) (float64, float64) { return path[k].e, path[k].n }, spreadKM, func(e, n float64) point { return point{e, n} }))
		lastX, lastY := px(point{})
		actsX, actsY := math.Inf(1), math.Inf(1)
		if e := a.Transport.Activation; e != nil {
			if q, ok := near(e.LatitudeDeg, e.LongitudeDeg); ok {
				actsX, actsY = px(q)
			}
		}
		for k := range path {
			if minutes[k] <= 0 || math.Mod(minutes[k], 10) != 0 {
				continue
			}
			x, y := px(path[k])
			m := figureMark{X: coordinate(x), Y: coordinate(y)}
			if math.Hypot(x-lastX, y-lastY) >= labelApart && !(math.Hypot(x-actsX, y-actsY) < labelApart/2) && k < len(path)-1 {
				m.Text, lastX, lastY = fmt.Sprintf("%.0f", minutes[k]), x, y
				m.LX, m.LY = coordinate(x), coordinate(y+17)
			}
			if len(fig.Marks) < 60 {
				fig.Marks = append(fig.Marks, m)
			}
		}
	}
	place := func(e *seedability.Event, text string, below bool) *figureMark {
		if e == nil {
			return nil
		}
		q, ok := near(e.LatitudeDeg, e.LongitudeDeg)
		if !ok {
			return nil
		}
		m := mark(q, text, below)
		return &m
	}
	fig.Activation = place(a.Transport.Activation, "agent acts", false)
	fig.Landing = place(a.Transport.Landing, "mean landing", false)
	scaleKM := 1.
	for _, km := range []float64{2, 5, 10, 20, 50, 100} {
		if km*scale <= mapSize*.3 {
			scaleKM = km
		}
	}
	fig.ScaleX, fig.ScaleText = coordinate(14+scaleKM*scale), fmt.Sprintf("%.0f km", scaleKM)
	fig.Description = "The drift path from above, north up."
	if e := a.Transport.Landing; e != nil {
		fig.Description += fmt.Sprintf(" The mean landing lies %s km %s of the site.", digits(e.DistanceM/1000, 0), compass(e.BearingDeg))
	}
	return fig
}

// corridorKM is a band about a line, as wide on both sides as the spread of the
// members: the standard distance over the root of two, which is one standard
// deviation in each direction where the cloud of members is round.
func corridorKM[P any](n int, at func(int) (e, n float64), spread []float64, make_ func(e, n float64) P) []P {
	var left, right []P
	for k := range n {
		e0, n0 := at(max(k-1, 0))
		e1, n1 := at(min(k+1, n-1))
		length := math.Hypot(e1-e0, n1-n0)
		if length == 0 {
			continue
		}
		w := spread[k] / math.Sqrt2
		dE, dN := -(n1-n0)/length*w, (e1-e0)/length*w
		e, north := at(k)
		left, right = append(left, make_(e+dE, north+dN)), append(right, make_(e-dE, north-dN))
	}
	slices.Reverse(right)
	return append(left, right...)
}

// sectionFigure is the air below and about the mean path: distance along the path
// and altitude.
type sectionFigure struct {
	Width, Height int
	Ground        string
	Spread        string
	Path          string
	Wet           []string // lines where the mean path is in supercooled liquid
	Marks         []figureMark
	Isotherms     []figureLevel
	Cloud         *figureCloud
	Beam          *figureLevel
	Targets       []figureStretch
	Activation    *figureMark
	Landing       *figureMark
	X, Y          []figureTick
	Left, Right   string
	Top, Bottom   string
	Description   string
}

type figureLevel struct {
	Y, Text, Class string
	Left           bool // its name stands on the left: on the right it is in the ground
	DX             int  // of the name, from that side
}

type figureCloud struct{ Y, H, Text string }

type figureStretch struct{ X, W, Middle, Name string }

// wetKgPerM3 is the liquid from which the path is drawn as wet: 0.02 g/m3, as in
// the cross-sections of package page.
const wetKgPerM3 = .02e-3

func newSectionFigure(a *seedability.Assessment, targets []*programme.Target) *sectionFigure {
	path := steps(a.Path)
	if len(path) < 2 {
		return nil
	}
	km := make([]float64, len(path))
	low, high := math.Inf(1), math.Inf(-1)
	for k := range path {
		if k > 0 {
			d := grid.DistanceM(at(path[k-1]), at(path[k])) / 1000
			if !(d < farKM) {
				return nil
			}
			km[k] = km[k-1] + d
		}
		low, high = min(low, path[k].AltitudeM-path[k].HeightM), max(high, path[k].AltitudeM+min(math.Abs(path[k].AltitudeSpreadM), 5000))
	}
	whole := km[len(km)-1]
	if whole < .5 || whole > 2*farKM {
		return nil
	}
	isotherm := map[string]float64{}
	for _, name := range []string{"0", "-6", "-10", "-15", "-20"} {
		if altitudeM, ok := a.Levels.IsothermsM[name]; ok && altitudeM > low && altitudeM < high+2500 {
			isotherm[name] = altitudeM
		}
	}
	if zero := a.Levels.FreezingLevelM; zero != nil && *zero > low && *zero < high+2500 {
		isotherm["0"] = *zero
	}
	for _, altitudeM := range isotherm {
		high = max(high, min(altitudeM, high+1200))
	}
	bottom, top := math.Floor((low-120)/100)*100, math.Ceil((high+300)/100)*100
	const width, height, left, right, upper, lower = 760, 400, 62., 748., 16., 342.
	x := func(d float64) float64 { return left + (right-left)*max(0, min(1, d/whole)) }
	y := func(altitudeM float64) float64 {
		return lower - (lower-upper)*max(0, min(1, (altitudeM-bottom)/(top-bottom)))
	}
	fig := &sectionFigure{Width: width, Height: height, Left: coordinate(left), Right: coordinate(right), Top: coordinate(upper), Bottom: coordinate(lower)}
	var ground, line, over, under strings.Builder
	fmt.Fprintf(&ground, "%.1f,%.1f", left, lower)
	for k := range path {
		s := &path[k]
		spread := min(math.Abs(s.AltitudeSpreadM), 5000)
		fmt.Fprintf(&ground, " %.1f,%.1f", x(km[k]), y(s.AltitudeM-s.HeightM))
		fmt.Fprintf(&line, " %.1f,%.1f", x(km[k]), y(s.AltitudeM))
		fmt.Fprintf(&over, " %.1f,%.1f", x(km[k]), y(s.AltitudeM+spread))
		back := &path[len(path)-1-k]
		fmt.Fprintf(&under, " %.1f,%.1f", x(km[len(path)-1-k]), y(max(back.AltitudeM-min(math.Abs(back.AltitudeSpreadM), 5000), back.AltitudeM-back.HeightM)))
	}
	fmt.Fprintf(&ground, " %.1f,%.1f", right, lower)
	fig.Ground, fig.Path, fig.Spread = ground.String(), line.String()[1:], over.String()[1:]+under.String()
	fig.Wet = wetLines(path, km, x, y)
	lastY, lastDX := map[bool]float64{true: math.Inf(1), false: math.Inf(1)}, map[bool]int{}
	groundAtEndM := path[len(path)-1].AltitudeM - path[len(path)-1].HeightM
	for _, name := range []string{"0", "-6", "-10", "-15", "-20"} {
		if altitudeM, ok := isotherm[name]; ok && altitudeM < top {
			class := "isotherm"
			if name == "0" {
				class = "freezing"
			}
			level := figureLevel{Y: coordinate(y(altitudeM)), Text: strings.Replace(name, "-", "−", 1) + " °C", Class: class, Left: altitudeM < groundAtEndM, DX: 6}
			// Names of neighbours stand side by side.
			if math.Abs(y(altitudeM)-lastY[level.Left]) < 16 {
				level.DX += lastDX[level.Left] + 52
			}
			lastY[level.Left], lastDX[level.Left] = y(altitudeM), level.DX
			if !level.Left {
				level.DX = -level.DX
			}
			fig.Isotherms = append(fig.Isotherms, level)
		}
	}
	if base, cloudTop := a.Levels.CloudBaseM, a.Levels.CloudTopM; base != nil && cloudTop != nil && *cloudTop > *base && *base < top && *cloudTop > bottom {
		text := "model cloud, base to top"
		if *cloudTop >= top {
			text = fmt.Sprintf("model cloud, up to %s m", digits(*cloudTop, 0))
		}
		fig.Cloud = &figureCloud{coordinate(y(*cloudTop)), coordinate(y(*base) - y(*cloudTop)), text}
	}
	if r := a.Radar; r != nil && r.LowestBeamM != nil && *r.LowestBeamM > bottom && *r.LowestBeamM < top {
		fig.Beam = &figureLevel{coordinate(y(*r.LowestBeamM)), "lowest radar beam", "beam", true, 120}
	}
	along := func(minutes *float64) (int, bool) {
		if minutes == nil {
			return 0, false
		}
		for k := range path {
			if path[k].Minutes >= *minutes {
				return k, true
			}
		}
		return len(path) - 1, true
	}
	mark := func(k int, altitudeM float64, text string) *figureMark {
		m := &figureMark{X: coordinate(x(km[k])), Y: coordinate(y(altitudeM)), Text: text, Anchor: "start", LX: coordinate(x(km[k]) + 10), LY: coordinate(y(altitudeM) - 9)}
		if x(km[k]) > left+130 {
			m.Anchor, m.LX = "end", coordinate(x(km[k])-10)
		}
		return m
	}
	if k, ok := along(a.Transport.ActivationMinutes.Q50); ok {
		altitudeM := path[k].AltitudeM
		if e := a.Transport.Activation; e != nil && math.Abs(e.AltitudeM) < 6e4 {
			altitudeM = e.AltitudeM
		}
		fig.Activation = mark(k, altitudeM, "agent acts")
	}
	if k, ok := along(a.Transport.LandingMinutes.Q50); ok {
		fig.Landing = mark(k, path[k].AltitudeM-path[k].HeightM, "half have landed")
	}
	lastX, actsX, landsX := x(0), math.Inf(1), math.Inf(1)
	if k, ok := along(a.Transport.ActivationMinutes.Q50); ok {
		actsX = x(km[k])
	}
	if k, ok := along(a.Transport.LandingMinutes.Q50); ok {
		landsX = x(km[k])
	}
	for k := range path {
		if path[k].Minutes <= 0 || math.Mod(path[k].Minutes, 10) != 0 || len(fig.Marks) >= 60 {
			continue
		}
		m := figureMark{X: coordinate(x(km[k])), Y: coordinate(y(path[k].AltitudeM))}
		if x(km[k])-lastX >= labelApart && !(math.Abs(x(km[k])-actsX) < labelApart/2) && !(x(km[k])-landsX < labelApart/2 && landsX-x(km[k]) < 130) && k < len(path)-1 {
			m.Text, lastX = fmt.Sprintf("%.0f min", path[k].Minutes), x(km[k])
			m.LX, m.LY = m.X, coordinate(y(path[k].AltitudeM)+19)
		}
		fig.Marks = append(fig.Marks, m)
	}
	fig.Targets = stretches(path, km, targets, x)
	fig.X, fig.Y = axis(0, whole, x), axis(bottom, top, y)
	fig.Description = fmt.Sprintf("Altitude of the mean path along its %s km, from %s to %s m above sea level.", digits(whole, 0), digits(path[0].AltitudeM, 0), digits(path[len(path)-1].AltitudeM, 0))
	return fig
}

func at(s seedability.PathStep) grid.LatLon {
	return grid.LatLon{LatitudeDeg: s.LatitudeDeg, LongitudeDeg: s.LongitudeDeg}
}

// wetLines are the parts of the path in supercooled liquid.
func wetLines(path []seedability.PathStep, km []float64, x, y func(float64) float64) []string {
	var lines []string
	var line strings.Builder
	points := 0
	end := func() {
		if points > 1 && len(lines) < 50 {
			lines = append(lines, line.String()[1:])
		}
		line.Reset()
		points = 0
	}
	for k := range path {
		s := &path[k]
		if s.LiquidKgPerM3 == nil || *s.LiquidKgPerM3 < wetKgPerM3 || s.AirTemperatureK == nil || *s.AirTemperatureK > 273.15 {
			end()
			continue
		}
		fmt.Fprintf(&line, " %.1f,%.1f", x(km[k]), y(s.AltitudeM))
		points++
	}
	end()
	return lines
}

// stretches of the path that lie over targets.
func stretches(path []seedability.PathStep, km []float64, targets []*programme.Target, x func(float64) float64) []figureStretch {
	var out []figureStretch
	for _, t := range targets {
		open := -1
		for k := range path {
			in := t.Contains(at(path[k]))
			if in && open < 0 {
				open = k
			}
			if open >= 0 && (!in || k == len(path)-1) && len(out) < 20 {
				x0, x1 := x(km[open]), x(km[k])
				if x1-x0 > 2 {
					out = append(out, figureStretch{coordinate(x0), coordinate(x1 - x0), coordinate((x0 + x1) / 2), firstName(t.Name, t.ID)})
				}
				open = -1
			}
		}
	}
	return out
}

// axis has five to ten round numbers.
func axis(low, high float64, at func(float64) float64) []figureTick {
	step := math.Pow(10, math.Floor(math.Log10(high-low)))
	for _, share := range []float64{.1, .2, .5} {
		if (high-low)/(step*share) <= 8 {
			step *= share
			break
		}
	}
	var out []figureTick
	for v := math.Ceil(low/step) * step; v <= high+step*1e-6 && len(out) < 20; v += step {
		decimals := 0
		if step < 1 {
			decimals = 1
		}
		out = append(out, figureTick{At: coordinate(at(v)), Text: digits(v, decimals)})
	}
	return out
}

// notDrawn says what a message lacks for the drawings.
func notDrawn(a *seedability.Assessment) []string {
	var out []string
	path := steps(a.Path)
	switch {
	case len(path) < 2:
		out = append(out, "The message has no path, so there is no drift path and no section.")
	case newSectionFigure(a, nil) == nil:
		out = append(out, "The plume hardly moves, or leaves all bounds: there is no section.")
	}
	return append(out,
		"Messages hold the mean path and its scatter. The landings of single members, the contours of the ground and the liquid water above and below the path are not in them and are not drawn.",
		"Isotherms and cloud are those of the model's column "+firstName(a.Levels.Place, "where the plume is judged")+", drawn level; elsewhere they lie otherwise.")
}
