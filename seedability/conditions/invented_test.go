package conditions

import (
	"bufio"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/twpayne/go-geom"
	"github.com/twpayne/go-geom/encoding/wkt"

	"rimeline/grid"
	"rimeline/seedability/radar"
)

// golden reads a table of testdata/conditions without its head.
func golden(t testing.TB, name string) [][]string {
	t.Helper()
	f, err := os.Open(filepath.Join("..", "..", "testdata", "conditions", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	var rows [][]string
	lines := bufio.NewScanner(f)
	for lines.Scan() {
		rows = append(rows, strings.Split(lines.Text(), "\t"))
	}
	return rows[1:]
}

func number(t testing.TB, text string) float64 {
	t.Helper()
	value, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatal(err)
	}
	return value
}

// polygonsOf reads well-known text.
func polygonsOf(t testing.TB, text string) *geom.MultiPolygon {
	t.Helper()
	g, err := wkt.Unmarshal(text)
	if err != nil {
		t.Fatal(err)
	}
	switch g := g.(type) {
	case *geom.MultiPolygon:
		return g
	case *geom.Polygon:
		all := geom.NewMultiPolygon(geom.XY)
		if err := all.Push(g); err != nil {
			t.Fatal(err)
		}
		return all
	}
	t.Fatalf("%T", g)
	return nil
}

func areaOf(t testing.TB, id, text string) *Area {
	t.Helper()
	a, err := NewArea(id, polygonsOf(t, text))
	if err != nil {
		t.Fatal(err)
	}
	return &a
}

// basin is an invented target about 24 km by 22 km with a hole.
const basin = "POLYGON ((-112.70 44.10, -112.40 44.10, -112.40 44.30, -112.70 44.30, -112.70 44.10), (-112.60 44.16, -112.60 44.22, -112.52 44.22, -112.52 44.16, -112.60 44.16))"

var noon = time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC)

// air of tests: its ground, its temperature by altitude, and what else is wanted.
type invented struct {
	groundM  func(grid.LatLon) float64
	airK     func(p grid.Position, at time.Time) float64
	relative float64 // humidity over water
	state    func(s *grid.State, p grid.Position, at time.Time)
	rate     func(p grid.LatLon, at time.Time) float64
	hours    []float64
}

// linear is air of one temperature at sea level that falls by 6.5 K/km.
func linear(seaLevelK float64) func(grid.Position, time.Time) float64 {
	return func(p grid.Position, _ time.Time) float64 { return seaLevelK - .0065*p.AltitudeM }
}

func latLonGrid(south, west float64, ni, nj int, stepDeg float64) *grid.Grid {
	return &grid.Grid{Name: "invented", NI: ni, NJ: nj, Projection: grid.LatLonProjection{},
		X: grid.Axis{First: west, Step: stepDeg}, Y: grid.Axis{First: south, Step: stepDeg}}
}

func (in invented) atmosphere(t testing.TB) *grid.Atmosphere {
	t.Helper()
	if in.groundM == nil {
		in.groundM = func(grid.LatLon) float64 { return 1500 }
	}
	if in.relative == 0 {
		in.relative = 1
	}
	if in.hours == nil {
		in.hours = []float64{-1, 1}
	}
	var times []time.Time
	for _, h := range in.hours {
		times = append(times, noon.Add(time.Duration(h*float64(time.Hour))))
	}
	a, err := grid.NewAtmosphere(grid.Analytic{Grid: latLonGrid(43.5, -113.5, 41, 33, .05), Times: times, TerrainAltitudeM: in.groundM, PrecipitationKgPerM2S: in.rate,
		StateAt: func(p grid.Position, _ float64, at time.Time) grid.State {
			s := grid.State{AirTemperatureK: in.airK(p, at), PressurePa: 101325 * math.Exp(-p.AltitudeM/8000)}
			// Bolton (1980) is near enough for invented air.
			c := s.AirTemperatureK - 273.15
			e := in.relative * 611.2 * math.Exp(17.67*c/(c+243.5))
			s.SpecificHumidity = .622 * e / (s.PressurePa - .378*e)
			if in.state != nil {
				in.state(&s, p, at)
			}
			return s
		}})
	if err != nil {
		t.Fatal(err)
	}
	return a
}

// lookOf makes a look of what each cell shows.
func lookOf(a *Area, of func(grid.LatLon) radar.NearGround) Look {
	look := Look{Radar: "XTST"}
	for _, c := range a.Cells {
		n := of(c.Place)
		if n.HalfWidthM == 0 {
			n.HalfWidthM = 200
		}
		if n.Time.IsZero() && n.Sight.Seen() {
			n.Time = noon
		}
		look.Near = append(look.Near, n)
	}
	return look
}

func echoAt(dBZ, altitudeM float64) func(grid.LatLon) radar.NearGround {
	return func(grid.LatLon) radar.NearGround {
		return radar.NearGround{Sight: grid.Echo, ReflectivityDBZ: dBZ, AltitudeM: altitudeM, GroundKnown: true}
	}
}

func near(t *testing.T, what string, got, want, tolerance float64, source string) {
	t.Helper()
	if !(math.Abs(got-want) <= tolerance) {
		t.Errorf("%s: got %.6g, want %.6g ± %g (%s)", what, got, want, tolerance, source)
	}
}
