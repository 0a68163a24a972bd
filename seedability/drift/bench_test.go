package drift

import (
	"context"
	"fmt"
	"math"
	"runtime"
	"syscall"
	"testing"
	"time"

	"rimeline/grid"
)

var noon = time.Date(2030, 1, 10, 12, 0, 0, 0, time.UTC)

// around is a geographic grid of ni x nj columns around 40 N, 107 W.
func around(ni, nj int, stepDeg float64) *grid.Grid {
	return &grid.Grid{
		Name: "latitude_longitude", Projection: grid.LatLonProjection{}, NI: ni, NJ: nj,
		X: grid.Axis{First: -107 - stepDeg*float64(ni-1)/2, Step: stepDeg},
		Y: grid.Axis{First: 40 - stepDeg*float64(nj-1)/2, Step: stepDeg},
	}
}

func hourly(n int) []time.Time {
	var times []time.Time
	for k := range n {
		times = append(times, noon.Add(time.Duration(k)*time.Hour))
	}
	return times
}

// storm is a moist winter flow over a ridge in a box as operations would have
// it: 121 x 121 columns of 3 km, 25 levels, 5 hours.
func storm(b testing.TB) *grid.Atmosphere {
	ridge := func(p grid.LatLon) float64 {
		x := (p.LongitudeDeg + 106.5) * 85
		return 2000 + 1000*math.Exp(-x*x/200)
	}
	heights := []float64{10, 40, 80, 130, 200, 300, 400, 500, 600, 750, 900, 1100, 1300, 1500, 1750,
		2000, 2300, 2600, 3000, 3500, 4000, 5000, 6500, 8000, 10000}
	a, err := grid.NewAtmosphere(grid.Analytic{
		Grid: around(121, 121, 0.03), Times: hourly(5), HeightsM: heights, TerrainAltitudeM: ridge,
		StateAt: func(p grid.Position, heightM float64, at time.Time) grid.State {
			u := 4 + 12*(1-math.Exp(-heightM/400)) + at.Sub(noon).Hours()
			slope := (ridge(grid.LatLon{LongitudeDeg: p.LongitudeDeg + 0.01}) - ridge(grid.LatLon{LongitudeDeg: p.LongitudeDeg - 0.01})) / (0.02 * 85000)
			s := grid.State{
				Wind:            grid.Wind{EastwardMPerS: u, NorthwardMPerS: 3, UpwardMPerS: u * slope * math.Exp(-heightM/2000)},
				AirTemperatureK: 281 - 0.006*p.AltitudeM, PressurePa: 101325 * math.Exp(-p.AltitudeM/8000), SpecificHumidity: 0.003,
			}
			if p.AltitudeM > 2500 && p.AltitudeM < 4500 {
				s.CloudLiquidKgPerKg = 2e-4
			}
			return s
		},
	})
	if err != nil {
		b.Fatal(err)
	}
	return a
}

func sites(n int) []Release {
	var releases []Release
	for k := range n {
		releases = append(releases, Release{
			Site:  fmt.Sprint("site ", k),
			Place: grid.LatLon{LatitudeDeg: 39.2 + 0.016*float64(k), LongitudeDeg: -107.6 + 0.01*float64(k%30)},
			Start: noon.Add(time.Duration(k) * time.Minute), Burn: 4 * time.Minute, HeatReleaseW: 3000, HeightAboveGroundM: 6,
		})
	}
	return releases
}

// BenchmarkParticleStep gives the time of one step of one particle, all in:
// state, three winds, turbulence, stages and the mean track.
func BenchmarkParticleStep(b *testing.B) {
	for _, workers := range []int{1, 2} {
		b.Run(fmt.Sprintf("workers=%d", workers), func(b *testing.B) {
			if workers > runtime.GOMAXPROCS(0) {
				b.Skip("not that many cores")
			}
			atmosphere := storm(b)
			options := DefaultOptions()
			options.MaxDuration, options.Workers = 75*time.Minute, workers
			releases := sites(16)
			steps := 0
			b.ReportAllocs()
			before := processorTime()
			for b.Loop() {
				ensembles, err := RunAll(context.Background(), atmosphere, releases, options)
				if err != nil {
					b.Fatal(err)
				}
				for k := range ensembles {
					for m := range ensembles[k].Members {
						steps += ensembles[k].Members[m].Steps
					}
				}
			}
			b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(steps), "ns/step")
			// Of all cores together: what a busy machine leaves comparable.
			b.ReportMetric(float64((processorTime()-before).Nanoseconds())/float64(steps), "cpu-ns/step")
		})
	}
}

func processorTime() time.Duration {
	var usage syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &usage); err != nil {
		return 0
	}
	return time.Duration(usage.Utime.Nano())
}

// Benchmark100Sites is a whole programme at once: 100 sites, 256 particles, 75
// minutes.
func Benchmark100Sites(b *testing.B) {
	atmosphere := storm(b)
	options := DefaultOptions()
	options.MaxDuration = 75 * time.Minute
	releases := sites(100)
	b.ReportAllocs()
	for b.Loop() {
		if _, err := RunAll(context.Background(), atmosphere, releases, options); err != nil {
			b.Fatal(err)
		}
	}
	b.ReportMetric(float64(atmosphere.MemoryBytes())/1e6, "MB-box")
}
