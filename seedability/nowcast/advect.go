package nowcast

import (
	"errors"
	"fmt"
	"time"
)

// NowcastOptions of Advect.
type NowcastOptions struct {
	// Step and Horizon of the forecast times: 5 min and 120 min where zero.
	Step, Horizon time.Duration
	// Before, where given, is a frame that came before the one advected. Growth
	// and decay since then, smoothed, go on and fade. Off by default: over
	// storms of an hour or less they are mostly noise.
	Before *Frame
}

const (
	defaultStep    = 5 * time.Minute
	defaultHorizon = 120 * time.Minute
	mostSteps      = 1440
	// mostForecastCells are 1 GiB.
	mostForecastCells = 1 << 28
)

// Nowcast is a row of forecast frames.
type Nowcast struct {
	Issued time.Time // of the frame that was advected
	Steps  []Step
}

// Step is the forecast for one lead time.
type Step struct {
	Lead  time.Duration
	Frame *Frame
	// NeighbourhoodM is the diameter within which echo of this lead may be.
	NeighbourhoodM float64
}

// neighbourhoodMPerS: the scale up to which details are lost grows with lead
// time by 1 km a minute (value from memory: Germann and Zawadzki 2004, J. Appl.
// Meteor. 43, 74, optimum of the local Lagrangian method).
const neighbourhoodMPerS = 1000.0 / 60

// Advect moves a frame with a motion that stays as it is: backward
// semi-Lagrangian, each step of the frame itself, so that nothing is smoothed
// twice. Cells whose air comes from outside the frame, or from what was not
// seen, are not seen.
func Advect(f *Frame, m *Motion, o NowcastOptions) (*Nowcast, error) {
	if err := f.check(); err != nil {
		return nil, err
	}
	if err := m.check(f.Plane); err != nil {
		return nil, err
	}
	if o.Step <= 0 {
		o.Step = defaultStep
	}
	if o.Horizon <= 0 {
		o.Horizon = defaultHorizon
	}
	if steps := o.Horizon / o.Step; steps > mostSteps || int(steps) > mostForecastCells/len(f.DBZ) {
		return nil, fmt.Errorf("%v in steps of %v for %d cells: more than %d steps or %d cells in all", o.Horizon, o.Step, len(f.DBZ), mostSteps, mostForecastCells)
	}
	var trend *Frame
	if o.Before != nil {
		var err error
		if trend, err = tendency(o.Before, f, m); err != nil {
			return nil, err
		}
	}
	out := &Nowcast{Issued: f.Time}
	d := newDepartures(f.Plane)
	for lead := o.Step; lead <= o.Horizon; lead += o.Step {
		d.goBack(m, o.Step.Seconds())
		step := Step{Lead: lead, Frame: d.frame(f, f.Time.Add(lead)), NeighbourhoodM: neighbourhoodMPerS * lead.Seconds()}
		if trend != nil {
			grow(step.Frame, d.frame(trend, step.Frame.Time), lead)
		}
		out.Steps = append(out.Steps, step)
	}
	return out, nil
}

// check that the motion can move what lies on a plane.
func (m *Motion) check(p Plane) error {
	if m == nil {
		return errors.New("no motion")
	}
	if err := m.Plane.check(); err != nil {
		return fmt.Errorf("motion: %w", err)
	}
	n := m.NI * m.NJ
	if len(m.EastwardMPerS) != n || len(m.NorthwardMPerS) != n || len(m.SpreadMPerS) != n || len(m.Quality) != n {
		return fmt.Errorf("motion: not %d values each for %d columns and %d rows", n, m.NI, m.NJ)
	}
	if m.Origin != p.Origin {
		return errors.New("the motion has another origin than the frame")
	}
	return nil
}

// departures are, for each cell, where its air was at the start: by how many
// cells west and south.
type departures struct {
	Plane
	dx, dy []float32
}

func newDepartures(p Plane) *departures {
	return &departures{p, make([]float32, p.NI*p.NJ), make([]float32, p.NI*p.NJ)}
}

// goBack follows the air one step further back: the displacement over the step
// is the motion at its own middle, found in two iterations (Robert 1981,
// Atmos.-Ocean 19, 35).
func (d *departures) goBack(m *Motion, stepS float64) {
	perMS := float32(stepS / d.SpacingM)
	// From cells of the frame to places of the lattice.
	scale := float32(d.SpacingM / m.SpacingM)
	offX, offY := float32((d.WestM-m.WestM)/m.SpacingM), float32((d.SouthM-m.SouthM)/m.SpacingM)
	di, dj := min(1, m.NI-1), m.NI*min(1, m.NJ-1)
	lastI, lastJ := float32(m.NI-1), float32(m.NJ-1)
	mostI, mostJ := max(m.NI-2, 0), max(m.NJ-2, 0)
	at := func(x, y float32) (u, v float32) {
		x, y = max(0, min(x*scale+offX, lastI)), max(0, min(y*scale+offY, lastJ))
		i, j := min(int(x), mostI), min(int(y), mostJ)
		s, t := x-float32(i), y-float32(j)
		k := j*m.NI + i
		a, b, c, e := (1-s)*(1-t), s*(1-t), (1-s)*t, s*t
		return a*m.EastwardMPerS[k] + b*m.EastwardMPerS[k+di] + c*m.EastwardMPerS[k+dj] + e*m.EastwardMPerS[k+di+dj],
			a*m.NorthwardMPerS[k] + b*m.NorthwardMPerS[k+di] + c*m.NorthwardMPerS[k+dj] + e*m.NorthwardMPerS[k+di+dj]
	}
	parallel(d.NJ, func(first, end int) {
		for j := first; j < end; j++ {
			for i := range d.NI {
				k := j*d.NI + i
				x, y := float32(i)-d.dx[k], float32(j)-d.dy[k]
				u, v := at(x, y)
				for range 2 {
					u, v = at(x-u*perMS/2, y-v*perMS/2)
				}
				d.dx[k] += u * perMS
				d.dy[k] += v * perMS
			}
		}
	})
}

// frame samples at the departure points, bilinearly between the seen cells;
// not seen where those weigh less than half.
func (d *departures) frame(f *Frame, at time.Time) *Frame {
	out := &Frame{Time: at, Plane: f.Plane, DBZ: make([]float32, len(f.DBZ)), NoEchoDBZ: f.NoEchoDBZ}
	parallel(d.NJ, func(first, end int) {
		for j := first; j < end; j++ {
			for i := range d.NI {
				k := j*d.NI + i
				out.DBZ[k] = f.sample(float32(i)-d.dx[k], float32(j)-d.dy[k])
			}
		}
	})
	return out
}

// sample interpolates at a fractional cell; NaN off the frame and where cells
// that were seen weigh less than half.
func (f *Frame) sample(x, y float32) float32 {
	if !(x >= -0.5 && y >= -0.5 && x <= float32(f.NI)-0.5 && y <= float32(f.NJ)-0.5) {
		return nan32
	}
	x, y = max(0, min(x, float32(f.NI-1))), max(0, min(y, float32(f.NJ-1)))
	i, j := min(int(x), max(f.NI-2, 0)), min(int(y), max(f.NJ-2, 0))
	s, t := x-float32(i), y-float32(j)
	k := j*f.NI + i
	di, dj := min(1, f.NI-1), f.NI*min(1, f.NJ-1)
	a, b, c, d := f.DBZ[k], f.DBZ[k+di], f.DBZ[k+dj], f.DBZ[k+di+dj]
	south, north := a+s*(b-a), c+s*(d-c)
	if value := south + t*(north-south); value == value {
		return value
	}
	var sum, weight float32
	for n, w := range [4]float32{(1 - s) * (1 - t), s * (1 - t), (1 - s) * t, s * t} {
		if v := [4]float32{a, b, c, d}[n]; v == v {
			sum += w * v
			weight += w
		}
	}
	if weight < 0.5 {
		return nan32
	}
	return sum / weight
}
