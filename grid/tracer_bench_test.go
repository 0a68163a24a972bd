package grid

import (
	"math"
	"testing"
	"time"
)

// testGrid is a geographic grid around 40 N, 107 W.
func testGrid(ni, nj int, stepDeg float64) *Grid {
	return &Grid{
		Name: "latitude_longitude", Projection: LatLonProjection{}, NI: ni, NJ: nj,
		X: Axis{First: -107 - stepDeg*float64(ni-1)/2, Step: stepDeg},
		Y: Axis{First: 40 - stepDeg*float64(nj-1)/2, Step: stepDeg},
	}
}

func hours(n int) []time.Time {
	var times []time.Time
	for k := range n {
		times = append(times, time.Date(2030, 1, 10, k, 0, 0, 0, time.UTC))
	}
	return times
}

// layered is air at rest or in uniform motion with a constant lapse rate.
func layered(wind Wind, lapseKPerM float64) func(Position, float64, time.Time) State {
	return func(p Position, _ float64, _ time.Time) State {
		return State{
			Wind:            wind,
			AirTemperatureK: 283 - lapseKPerM*p.AltitudeM, PressurePa: 101325 * math.Exp(-p.AltitudeM/8000),
			SpecificHumidity: 0.003, CloudLiquidKgPerKg: 2e-4,
		}
	}
}

func benchmarkBox(b *testing.B) *Atmosphere {
	a, err := NewAtmosphere(Analytic{
		Grid: testGrid(121, 121, 0.03), Times: hours(5), HeightsM: DefaultHeightsM[:25],
		TerrainAltitudeM: func(p LatLon) float64 { return 2000 + 500*math.Sin(20*p.LatitudeDeg) },
		StateAt:          layered(Wind{10, 3, 0.2}, 0.006),
	})
	if err != nil {
		b.Fatal(err)
	}
	return a
}

func BenchmarkTracerVelocity(b *testing.B) {
	tracer := benchmarkBox(b).Tracer()
	x := 60.0
	for b.Loop() {
		dx, _, _, ok := tracer.Velocity(x, 60.3, 3000, 5000)
		if !ok {
			b.Fatal("outside")
		}
		if x += dx; x > 100 {
			x = 20
		}
	}
}

func BenchmarkTracerAir(b *testing.B) {
	tracer := benchmarkBox(b).Tracer()
	x := 60.0
	var air Air
	for b.Loop() {
		if !tracer.Air(x, 60.3, 3000, 5000, &air) {
			b.Fatal("outside")
		}
		if x += air.XPerS; x > 100 {
			x = 20
		}
	}
}
