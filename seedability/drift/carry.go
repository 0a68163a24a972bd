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

// leg is one time step of a particle's way through the air.
type leg struct {
	motion  motion
	from    point
	u, v, w float64 // velocity of the particle there
	startS  float64
	dt      float64
	at      point // where it is after the step, as far as that is known
	// left: it left the domain on the way; at is then a straight guess.
	left bool
}

// guess goes straight on.
func (l *leg) guess() { l.at, l.left = l.from.moved(l.u, l.v, l.w, l.dt), false }

// correct makes a guess better by Petterssen's scheme.
func (l *leg) correct(a air) {
	if l.left {
		return
	}
	u, v, w, ok := a.Velocity(l.at.x, l.at.y, l.at.z, l.startS+l.dt)
	if !ok {
		l.left = true
		return
	}
	u, v, w = l.motion.apply(u, v, w)
	l.at = l.from.moved(l.u+u, l.v+v, l.w+w, l.dt/2)
}

// corrections of the first guess that a step takes.
const corrections = 2

// rungeKutta4 does a step with the classical scheme of fourth order.
func (l *leg) rungeKutta4(a air) {
	u, v, w := l.u, l.v, l.w
	sumU, sumV, sumW := u, v, w
	for _, stage := range [...]struct{ ahead, weight float64 }{{0.5, 2}, {0.5, 2}, {1, 1}} {
		l.at = l.from.moved(u, v, w, stage.ahead*l.dt)
		var ok bool
		if u, v, w, ok = a.Velocity(l.at.x, l.at.y, l.at.z, l.startS+stage.ahead*l.dt); !ok {
			l.left = true
			return
		}
		u, v, w = l.motion.apply(u, v, w)
		sumU, sumV, sumW = sumU+stage.weight*u, sumV+stage.weight*v, sumW+stage.weight*w
	}
	l.at, l.left = l.from.moved(sumU, sumV, sumW, l.dt/6), false
}

// courant is the number of cells the air moves in dt, the largest of the three
// directions. Levels thinner than 100 m count as 100 m: near the ground they
// follow it, and so does the air.
func courant(u, v, w, thicknessM, dt float64) float64 {
	return dt * max(math.Abs(u), math.Abs(v), math.Abs(w)/max(thicknessM, 100))
}
