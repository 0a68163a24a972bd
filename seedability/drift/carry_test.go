package drift

import (
	"math"
	"testing"

	"rimeline/grid"
)

// vortex turns like a solid body once in six hours.
type vortex struct{ angularPerS float64 }

func (v vortex) Velocity(x, y, _, _ float64) (float64, float64, float64, bool) {
	return -v.angularPerS * y, v.angularPerS * x, 0, true
}
func (vortex) Air(float64, float64, float64, float64, *grid.Air) bool { return false }
func (vortex) TerrainAltitudeM(float64, float64) (float64, bool)      { return 0, true }

func carryPetterssen(a air, m *motion, p point, seconds, dt, u, v, w float64) (point, bool) {
	l := leg{motion: *m, from: p, u: u, v: v, w: w, startS: seconds, dt: dt}
	l.guess()
	for range corrections {
		l.correct(a)
	}
	return l.at, !l.left
}

func carryRungeKutta4(a air, m *motion, p point, seconds, dt, u, v, w float64) (point, bool) {
	l := leg{motion: *m, from: p, u: u, v: v, w: w, startS: seconds, dt: dt}
	l.rungeKutta4(a)
	return l.at, !l.left
}

// turnError carries a particle once round, 20 km from the middle, and returns
// how far from its start it ends.
func turnError(carry func(air, *motion, point, float64, float64, float64, float64, float64) (point, bool), dt float64) float64 {
	v := vortex{2 * math.Pi / 21600}
	still := motion{xx: 1, yy: 1, upward: 1}
	p := point{x: 20000}
	for n := range int(math.Round(21600 / dt)) {
		u, w, _, _ := v.Velocity(p.x, p.y, 0, 0)
		p, _ = carry(v, &still, p, float64(n)*dt, dt, u, w, 0)
	}
	return math.Hypot(p.x-20000, p.y)
}

// TestOrderOfTheSchemes: the error of one turn in solid-body rotation, computed
// outside of this program from the schemes' formulas, and its growth by 2^2 and
// 2^4 when the step doubles, which theory promises.
func TestOrderOfTheSchemes(t *testing.T) {
	for _, test := range []struct {
		name               string
		carry              func(air, *motion, point, float64, float64, float64, float64, float64) (point, bool)
		at60, at120, at300 float64
		ratio              float64
	}{
		{"Petterssen", carryPetterssen, 3.19, 12.8, 79.9, 4},
		{"Runge-Kutta", carryRungeKutta4, 9.7e-5, 1.6e-3, 0.061, 16},
	} {
		for _, c := range []struct{ dt, want float64 }{{60, test.at60}, {120, test.at120}, {300, test.at300}} {
			if got := turnError(test.carry, c.dt); math.Abs(got-c.want) > 0.035*c.want {
				t.Errorf("%s, dt %g s: error %.4g m, want %.4g m ± 3.5 %% (two digits are known)", test.name, c.dt, got, c.want)
			}
		}
		if got := turnError(test.carry, 120) / turnError(test.carry, 60); math.Abs(got-test.ratio) > 0.05*test.ratio {
			t.Errorf("%s: doubling the step multiplies the error by %.3f, want %g ± 5 %% (theory)", test.name, got, test.ratio)
		}
	}
}
