package rehearsal

import (
	"fmt"
	"testing"
	"time"
)

var stormStart = time.Date(2026, 2, 3, 6, 0, 0, 0, time.UTC)

func BenchmarkScenarioReflectivity(b *testing.B) {
	s := NewScenario(stormStart, 1)
	sum, k := 0.0, 0
	for b.Loop() {
		k++
		sum += s.ReflectivityDBZ(float64(k%97)*2e3-90e3, float64(k%89)*2e3-80e3, 1500+float64(k%41)*100, float64(k%7)+.3)
	}
	_ = sum
}

func BenchmarkScenarioAt(b *testing.B) {
	s := NewScenario(stormStart, 1)
	sum, k := 0.0, 0
	for b.Loop() {
		k++
		sum += s.At(float64(k%97)*2e3-90e3, float64(k%89)*2e3-80e3, 1500+float64(k%41)*100, float64(k%7)+.3).PressurePa
	}
	_ = sum
}

func TestX(t *testing.T) {
	s := NewScenario(stormStart, 1)
	for _, e := range s.Episodes() {
		fmt.Println(e.Name, e.From.Format("15:04"), e.To.Format("15:04"))
	}
	for _, ac := range [][2]float64{{-39, 6}, {-34, -9}, {-29, 12}, {-24, -3}, {-19, 8}, {-15.5, -12}} {
		x, y := onPlane(ac[0]*1e3, ac[1]*1e3)
		p := PlaneOf(s).Place(x, y)
		fmt.Printf("%.4f %.4f %.0f\n", p.LatitudeDeg, p.LongitudeDeg, s.TerrainM(x, y))
	}
	for _, poly := range [][][2]float64{{{-3, 0}, {-3, 29}, {24, 29}, {31, 20}, {31, 0}, {-3, 0}}, {{-3, -29}, {-3, 0}, {31, 0}, {31, -22}, {20, -29}, {-3, -29}}} {
		for _, ac := range poly {
			x, y := onPlane(ac[0]*1e3, ac[1]*1e3)
			p := PlaneOf(s).Place(x, y)
			fmt.Printf("[%.3f, %.3f], ", p.LongitudeDeg, p.LatitudeDeg)
		}
		fmt.Println()
	}
	for r := -1.0; r < 7; r++ {
		fmt.Println(r, runErrorMinutes(r))
	}
}
