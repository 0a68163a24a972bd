package nowcast

import (
	"math"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
)

var (
	somewhere = grid.LatLon{LatitudeDeg: 39, LongitudeDeg: -106.5}
	midnight  = time.Date(2026, 1, 15, 0, 0, 0, 0, time.UTC)
)

// frame of n x n cells of 1 km from a function of x and y in km.
func frameOf(n int, at time.Time, dBZ func(x, y float64) float64) *Frame {
	f := &Frame{Time: at, Plane: CentredPlane(somewhere, 1000, n), DBZ: make([]float32, n*n)}
	for j := range n {
		for i := range n {
			f.DBZ[j*n+i] = float32(dBZ(f.XM(i)/1000, f.YM(j)/1000))
		}
	}
	return f
}

// blobs are the invented echo of testdata/nowcast/make.py: the value at a place
// is that of where its air was at minute 0, so the motion is known exactly.
func blobs(kind string, minutes float64) func(x, y float64) float64 {
	type blob struct{ x, y, size, height float64 }
	part := func(v float64) float64 { return v - math.Floor(v) }
	all := make([]blob, 260)
	for k := range all {
		n := float64(k + 1)
		all[k] = blob{760 * (part(0.7548776662466927*n) - 0.5), 760 * (part(0.5698402909980532*n) - 0.5),
			4 + 10*part(0.6180339887498949*n), 20 + 25*part(0.4142135623730951*n)}
		if kind == "growing" {
			all[k].height *= 1 + 0.35*math.Sin(2*math.Pi*(minutes/300+part(0.3027756377319946*n)))
		}
	}
	t := minutes * 60
	return func(x, y float64) float64 {
		switch kind {
		case "rotated":
			sin, cos := math.Sincos(2 * math.Pi * minutes / (20 * 60))
			x, y = x*cos+y*sin, -x*sin+y*cos
		case "deformed":
			x, y = (x-0.008*t)*math.Exp(-3e-5*t), (y-0.005*t)*math.Exp(3e-5*t)
		case "east10": // 10 km in 10 min
			x -= t / 60
		default:
			x, y = x-0.014*t, y-0.006*t
		}
		total := -10.0
		for _, b := range all {
			if dx, dy := x-b.x, y-b.y; dx*dx+dy*dy < 40*b.size*b.size {
				total += b.height * math.Exp(-(dx*dx+dy*dy)/(2*b.size*b.size))
			}
		}
		return math.Min(math.Max(total, 0), 60)
	}
}

func inventedFrame(n int, kind string, minutes float64) *Frame {
	return frameOf(n, midnight.Add(time.Duration(minutes*float64(time.Minute))), blobs(kind, minutes))
}

// steady is a motion known everywhere, one vector a cell.
func steady(p Plane, spread float64, motion func(xM, yM float64) Vector) *Motion {
	n := p.NI * p.NJ
	m := &Motion{Plane: p, EastwardMPerS: make([]float32, n), NorthwardMPerS: make([]float32, n), Quality: make([]float32, n), SpreadMPerS: make([]float32, n), Accepted: n}
	for j := range p.NJ {
		for i := range p.NI {
			v := motion(p.XM(i), p.YM(j))
			k := j*p.NI + i
			m.EastwardMPerS[k], m.NorthwardMPerS[k], m.Quality[k], m.SpreadMPerS[k] = float32(v.EastwardMPerS), float32(v.NorthwardMPerS), 1, float32(spread)
		}
	}
	return m
}

func uniform(p Plane, spread, east, north float64) *Motion {
	return steady(p, spread, func(_, _ float64) Vector { return Vector{east, north} })
}

// score gives the critical success index at 20 dBZ and the mean absolute error
// in dB over cells seen in both.
func score(forecast, observed *Frame) (csi, mae float64) {
	var hits, either, n float64
	for k, f := range forecast.DBZ {
		o := observed.DBZ[k]
		if f != f || o != o {
			continue
		}
		n++
		mae += math.Abs(float64(f - o))
		if f >= 20 || o >= 20 {
			either++
			if f >= 20 && o >= 20 {
				hits++
			}
		}
	}
	return hits / either, mae / n
}

// table reads a golden table of testdata/nowcast, by column name.
func table(t testing.TB, name string) []map[string]string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("..", "..", "testdata", "nowcast", name))
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSpace(string(b)), "\n")
	header := strings.Split(lines[0], "\t")
	var rows []map[string]string
	for _, line := range lines[1:] {
		row := map[string]string{}
		for k, cell := range strings.Split(line, "\t") {
			if k < len(header) {
				row[header[k]] = cell
			} else {
				row[header[len(header)-1]] += "\t" + cell
			}
		}
		rows = append(rows, row)
	}
	return rows
}

func number(t testing.TB, cell string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(cell, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}
