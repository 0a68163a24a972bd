package page

import (
	"errors"
	"fmt"
	"math"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/palette"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"rimeline/grid"
)

// Map is the drift path seen from above, around the site.
type Map struct {
	Title string
	Site  grid.LatLon
	// SiteName stands beside the site's mark.
	SiteName string
	Path     []MapPoint
	// Landings are the places where members' ice reaches the ground.
	Landings []grid.LatLon
	Targets  []Outline
	// TerrainM gives the ground's altitude; nil draws no contours. It reports
	// false outside the model.
	TerrainM func(grid.LatLon) (float64, bool)
}

// MapPoint is one time of the ensemble-mean path.
type MapPoint struct {
	Place   grid.LatLon
	Minutes float64
}

// Outline is a target: outer rings and holes alike are drawn as lines.
type Outline struct {
	Name     string
	Rings    [][]grid.LatLon
	Contains func(grid.LatLon) bool
}

// kmFrom gives kilometres east and north of the origin on the local tangent
// plane, good to 1 % within 100 km.
func kmFrom(origin, p grid.LatLon) (eastKM, northKM float64) {
	const rad = math.Pi / 180
	northKM = (p.LatitudeDeg - origin.LatitudeDeg) * rad * grid.EarthRadiusM / 1000
	middle := (p.LatitudeDeg + origin.LatitudeDeg) / 2 * rad
	eastKM = grid.NormalLongitudeDeg(p.LongitudeDeg-origin.LongitudeDeg) * rad * math.Cos(middle) * grid.EarthRadiusM / 1000
	return eastKM, northKM
}

func placeAt(origin grid.LatLon, eastKM, northKM float64) grid.LatLon {
	const rad = math.Pi / 180
	latitudeDeg := origin.LatitudeDeg + northKM*1000/grid.EarthRadiusM/rad
	middle := (latitudeDeg + origin.LatitudeDeg) / 2 * rad
	return grid.LatLon{LatitudeDeg: latitudeDeg,
		LongitudeDeg: grid.NormalLongitudeDeg(origin.LongitudeDeg + eastKM*1000/grid.EarthRadiusM/rad/math.Cos(middle))}
}

// extent is the square, in km, that shows everything with a margin.
func (m Map) extent() (minE, maxE, minN, maxN float64) {
	grow := func(p grid.LatLon) {
		e, n := kmFrom(m.Site, p)
		minE, maxE = math.Min(minE, e), math.Max(maxE, e)
		minN, maxN = math.Min(minN, n), math.Max(maxN, n)
	}
	for _, point := range m.Path {
		grow(point.Place)
	}
	for _, target := range m.Targets {
		for _, ring := range target.Rings {
			for _, p := range ring {
				grow(p)
			}
		}
	}
	for _, p := range m.Landings {
		grow(p)
	}
	side := math.Max(math.Max(maxE-minE, maxN-minN)*1.18, 4)
	middleE, middleN := (minE+maxE)/2, (minN+maxN)/2
	return middleE - side/2, middleE + side/2, middleN - side/2, middleN + side/2
}

// DrawMap draws the map as a PNG of about 1200 x 1200 pixels.
func DrawMap(m Map) ([]byte, error) {
	if math.IsNaN(m.Site.LatitudeDeg) || math.IsNaN(m.Site.LongitudeDeg) {
		return nil, errors.New("the map's site has no position")
	}
	p := newPlot(m.Title)
	p.X.Label.Text, p.Y.Label.Text = "East of the site (km)", "North of the site (km)"
	minE, maxE, minN, maxN := m.extent()
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = minE, maxE, minN, maxN
	if m.TerrainM != nil {
		m.addTerrain(p)
	}
	for _, target := range m.Targets {
		if err := m.addTarget(p, target); err != nil {
			return nil, err
		}
	}
	if err := m.addLandings(p); err != nil {
		return nil, err
	}
	if err := m.addPath(p); err != nil {
		return nil, err
	}
	p.Add(paper{})
	if err := mark(p, 0, 0, m.SiteName, draw.BoxGlyph{}, draw.XCenter, draw.YBottom); err != nil {
		return nil, err
	}
	p.X.Min, p.X.Max, p.Y.Min, p.Y.Max = minE, maxE, minN, maxN
	p.Legend.Top = true
	p.Legend.XOffs, p.Legend.YOffs = -vg.Points(4), -vg.Points(3)
	return render(p, 6*100*vg.Points(.72)+vg.Points(20), 6*100*vg.Points(.72)+vg.Points(20))
}

func (m Map) addTerrain(p *plot.Plot) {
	const n = 60
	l := lattice{x: make([]float64, n), y: make([]float64, n), values: make([][]float64, n)}
	low, high := math.Inf(1), math.Inf(-1)
	for k := range n {
		f := float64(k) / (n - 1)
		l.x[k], l.y[k] = p.X.Min+f*(p.X.Max-p.X.Min), p.Y.Min+f*(p.Y.Max-p.Y.Min)
	}
	for r := range n {
		l.values[r] = make([]float64, n)
		for c := range n {
			altitudeM, ok := m.TerrainM(placeAt(m.Site, l.x[c], l.y[r]))
			if !ok {
				altitudeM = math.NaN()
			} else {
				low, high = math.Min(low, altitudeM), math.Max(high, altitudeM)
			}
			l.values[r][c] = altitudeM
		}
	}
	step := 100.0
	for (high-low)/step > 12 {
		step *= 2
	}
	var levels []float64
	for altitudeM := math.Ceil(low/step) * step; altitudeM <= high; altitudeM += step {
		levels = append(levels, altitudeM)
	}
	// Fewer than two contours are no picture of the ground.
	if len(levels) < 2 {
		return
	}
	contour := plotter.NewContour(l, levels, palette.Palette(flat{}))
	contour.LineStyles[0].Width = vg.Points(.5)
	p.Add(contour)
	p.Legend.Add(fmt.Sprintf("ground, every %.0f m", step), lineSample{contourColour, .7})
}

func (m Map) addTarget(p *plot.Plot, target Outline) error {
	labelled := false
	for _, ring := range target.Rings {
		var at plotter.XYs
		lowest := plotter.XY{Y: math.Inf(1)}
		for _, place := range ring {
			e, n := kmFrom(m.Site, place)
			at = append(at, plotter.XY{X: e, Y: n})
			if n < lowest.Y {
				lowest = at[len(at)-1]
			}
		}
		if len(at) < 3 {
			continue
		}
		if at[0] != at[len(at)-1] {
			at = append(at, at[0])
		}
		line, err := plotter.NewLine(at)
		if err != nil {
			return err
		}
		line.Color, line.Width = targetColour, vg.Points(1.6)
		p.Add(line)
		if !labelled {
			labelled = true
			style := labelStyle(targetColour)
			style.YAlign = draw.YTop
			lowest.Y -= (p.Y.Max - p.Y.Min) * .008
			if err := labels(p, style, plotter.XYs{lowest}, []string{target.Name}); err != nil {
				return err
			}
		}
	}
	return nil
}

func (m Map) addLandings(p *plot.Plot) error {
	var inside, outside plotter.XYs
	for _, landing := range m.Landings {
		e, n := kmFrom(m.Site, landing)
		hit := false
		for _, target := range m.Targets {
			hit = hit || target.Contains != nil && target.Contains(landing)
		}
		if hit {
			inside = append(inside, plotter.XY{X: e, Y: n})
		} else {
			outside = append(outside, plotter.XY{X: e, Y: n})
		}
	}
	for _, group := range []struct {
		at    plotter.XYs
		style draw.GlyphStyle
		name  string
	}{
		{outside, draw.GlyphStyle{Color: missedColour, Radius: vg.Points(2), Shape: draw.CrossGlyph{}}, "member lands outside"},
		{inside, draw.GlyphStyle{Color: targetColour, Radius: vg.Points(1.8), Shape: draw.CircleGlyph{}}, "member lands in the target"},
	} {
		if len(group.at) == 0 {
			continue
		}
		scatter, err := plotter.NewScatter(group.at)
		if err != nil {
			return err
		}
		scatter.GlyphStyle = group.style
		p.Add(scatter)
		p.Legend.Add(fmt.Sprintf("%s (%d)", group.name, len(group.at)), scatter)
	}
	return nil
}

func (m Map) addPath(p *plot.Plot) error {
	if len(m.Path) < 2 {
		return nil
	}
	var at, tens plotter.XYs
	var texts []string
	for _, point := range m.Path {
		e, n := kmFrom(m.Site, point.Place)
		at = append(at, plotter.XY{X: e, Y: n})
		if point.Minutes > 0 && math.Mod(point.Minutes, 10) == 0 {
			tens = append(tens, plotter.XY{X: e, Y: n})
			texts = append(texts, fmt.Sprintf("%.0f min", point.Minutes))
		}
	}
	line, err := plotter.NewLine(at)
	if err != nil {
		return err
	}
	line.Color, line.Width = pathColour, vg.Points(2)
	p.Add(line)
	p.Legend.Add("mean drift path", line)
	if len(tens) == 0 {
		return nil
	}
	marks, err := plotter.NewScatter(tens)
	if err != nil {
		return err
	}
	marks.GlyphStyle = draw.GlyphStyle{Color: pathColour, Radius: vg.Points(2.5), Shape: draw.CircleGlyph{}}
	p.Add(marks)
	style := labelStyle(pathColour)
	style.YAlign = draw.YTop
	return labels(p, style, tens, texts)
}
