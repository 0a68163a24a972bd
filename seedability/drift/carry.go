package drift

import "math"

// motion is the wind as one member feels it: turned and stretched in the plane,
// and sinking with the crystal.
type motion struct {
	// What a plane velocity is multiplied with.
	xx, xy, yx, yy float64
	upward         float64 // factor of the air's upward velocity
	fallMPerS      float64 // of the crystal through the air
}

func (m *motion) apply(x, y, w float64) (float64, float64, float64) {
	return m.xx*x + m.xy*y, m.yx*x + m.yy*y, m.upward*w - m.fallMPerS
}

// point in the plane, with altitude.
type point struct{ x, y, z float64 }

func (p point) moved(u, v, w, dt float64) point {
	return point{p.x + u*dt, p.y + v*dt, p.z + w*dt}
}

// carryPetterssen moves a particle over dt. u, v, w is its velocity where it
// is. False where the air was left on the way; the point is then a straight
// guess.
func carryPetterssen(a air, m *motion, p point, seconds, dt, u, v, w float64) (point, bool) {
	next := p.moved(u, v, w, dt)
	for range 2 {
		u1, v1, w1, ok := a.Velocity(next.x, next.y, next.z, seconds+dt)
		if !ok {
			return next, false
		}
		u1, v1, w1 = m.apply(u1, v1, w1)
		next = p.moved(u+u1, v+v1, w+w1, dt/2)
	}
	return next, true
}

// carryRungeKutta4 does the same with the classical scheme of fourth order.
func carryRungeKutta4(a air, m *motion, p point, seconds, dt, u, v, w float64) (point, bool) {
	sumU, sumV, sumW := u, v, w
	next := p
	for _, stage := range [...]struct{ ahead, weight float64 }{{0.5, 2}, {0.5, 2}, {1, 1}} {
		next = p.moved(u, v, w, stage.ahead*dt)
		var ok bool
		if u, v, w, ok = a.Velocity(next.x, next.y, next.z, seconds+stage.ahead*dt); !ok {
			return next, false
		}
		u, v, w = m.apply(u, v, w)
		sumU, sumV, sumW = sumU+stage.weight*u, sumV+stage.weight*v, sumW+stage.weight*w
	}
	return p.moved(sumU, sumV, sumW, dt/6), true
}

// courant is the number of cells the air moves in dt, the largest of the three
// directions. Levels thinner than 100 m count as 100 m: near the ground they
// follow it, and so does the air.
func courant(u, v, w, thicknessM, dt float64) float64 {
	return dt * max(math.Abs(u), math.Abs(v), math.Abs(w)/max(thicknessM, 100))
}
