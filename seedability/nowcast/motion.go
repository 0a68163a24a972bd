package nowcast

import (
	"fmt"
	"math"
	"time"
)

// Method is a way to see motion in two frames.
type Method int

// The methods.
const (
	// LucasKanade is dense pyramidal optical flow (Lucas and Kanade 1981, IJCAI,
	// 674; coarse to fine and iterated as in Bouguet 2000).
	LucasKanade Method = iota
	// CrossCorrelation tracks boxes by their correlation, coarse to fine (TREC;
	// Rinehart and Garvey 1978, Nature 273, 287).
	CrossCorrelation
)

// String names the method.
func (m Method) String() string {
	switch m {
	case LucasKanade:
		return "optical flow"
	case CrossCorrelation:
		return "cross-correlation"
	}
	return fmt.Sprintf("method %d", int(m))
}

// Reason says why there is no motion.
type Reason int

// The reasons.
const (
	TooFewFrames     Reason = iota + 1
	BadFrame                // geometry and values do not fit together
	DifferentPlanes         // frames on different grids
	TimesOutOfOrder         // a frame is not later than the one before it
	TooFarApart             // a gap in time before the newest frame
	TooCloseTogether        // no time for echo to move by a part of a cell
	NotSeen                 // hardly any cell was seen in both frames
	NoEcho                  // hardly any echo
	NotRenewed              // the newest frame repeats an older one
	NotCoherent             // echo is there, but does not look alike in both frames
)

// String says it in words.
func (r Reason) String() string {
	switch r {
	case TooFewFrames:
		return "too few frames"
	case BadFrame:
		return "unusable frame"
	case DifferentPlanes:
		return "frames on different grids"
	case TimesOutOfOrder:
		return "frames out of order"
	case TooFarApart:
		return "frames too far apart"
	case TooCloseTogether:
		return "frames too close together"
	case NotSeen:
		return "not seen"
	case NoEcho:
		return "no echo"
	case NotRenewed:
		return "frame not renewed"
	case NotCoherent:
		return "echo not coherent"
	}
	return fmt.Sprintf("reason %d", int(r))
}

// NoMotionError is returned instead of a motion that cannot be trusted.
type NoMotionError struct {
	Reason Reason
	Detail string
}

// Error is reason and detail.
func (e *NoMotionError) Error() string { return "no motion: " + e.Reason.String() + ": " + e.Detail }

func noMotion(reason Reason, format string, args ...any) *NoMotionError {
	return &NoMotionError{Reason: reason, Detail: fmt.Sprintf(format, args...)}
}

// MotionOptions of EstimateMotion. DefaultMotionOptions gives useful ones; a
// number that is zero or not valid is replaced by its default.
type MotionOptions struct {
	Method Method
	// LongestLag is the most time between the newest frame and the one that it
	// is compared with. Operational volumes take 4 to 10 min.
	LongestLag time.Duration
	// SpacingM is the distance of the vectors, BoxM the side of the box that
	// each is judged by (Rinehart and Garvey: 7 to 15 km).
	SpacingM, BoxM float64
	// SmoothM is the standard deviation of the window over which optical flow
	// is pooled, and of the weights with which accepted vectors spread.
	SmoothM float64
	// FastestMPerS bounds the search.
	FastestMPerS float64
	// EchoDBZ and EchoShare: a box needs this share of its cells above EchoDBZ.
	EchoDBZ, EchoShare float64
	// LeastCorrelation is Pearson's r between the box and where it came from.
	LeastCorrelation float64
}

// DefaultMotionOptions are common practice; no source for the numbers beyond
// those named in MotionOptions.
func DefaultMotionOptions() MotionOptions {
	return MotionOptions{
		LongestLag: 15 * time.Minute, SpacingM: 8000, BoxM: 15000, SmoothM: 12000,
		FastestMPerS: 40, EchoDBZ: 5, EchoShare: 0.3, LeastCorrelation: 0.6,
	}
}

func (o MotionOptions) valid() MotionOptions {
	d := DefaultMotionOptions()
	set := func(value *float64, byDefault float64) {
		if !(*value > 0) || math.IsInf(*value, 0) {
			*value = byDefault
		}
	}
	set(&o.SpacingM, d.SpacingM)
	set(&o.BoxM, d.BoxM)
	set(&o.SmoothM, d.SmoothM)
	set(&o.FastestMPerS, d.FastestMPerS)
	set(&o.EchoDBZ, d.EchoDBZ)
	set(&o.EchoShare, d.EchoShare)
	set(&o.LeastCorrelation, d.LeastCorrelation)
	if o.LongestLag <= 0 {
		o.LongestLag = d.LongestLag
	}
	return o
}

// Vector of motion, relative to the earth.
type Vector struct{ EastwardMPerS, NorthwardMPerS float64 }

// SpeedMPerS is the length of the vector.
func (v Vector) SpeedMPerS() float64 { return math.Hypot(v.EastwardMPerS, v.NorthwardMPerS) }

// TowardsDeg is the direction in which echo moves, clockwise from north.
func (v Vector) TowardsDeg() float64 {
	deg := math.Atan2(v.EastwardMPerS, v.NorthwardMPerS) / radPerDeg
	if deg < 0 {
		deg += 360
	}
	return deg
}

// Motion is a dense field of vectors.
type Motion struct {
	// Plane of the vectors, coarser than that of the frames, same origin.
	Plane
	Method Method
	// Earlier and Later are the times of the oldest and the newest frame used.
	Earlier, Later time.Time
	// EastwardMPerS and NorthwardMPerS are never NaN: where no vector was
	// accepted they are filled from those around.
	EastwardMPerS, NorthwardMPerS []float32
	// Quality is Pearson's r of an accepted vector, 0 where it was filled.
	Quality []float32
	// SpreadMPerS is one standard deviation of each component: how far
	// box-by-box correlation scatters about the field.
	SpreadMPerS []float32
	// Mean over the accepted vectors, Accepted their number.
	Mean     Vector
	Accepted int
}

// At is the motion at x, y: bilinear between vectors, that of the nearest edge
// outside.
func (m *Motion) At(xM, yM float64) Vector {
	k, a, b, c, d := m.corners((xM-m.WestM)/m.SpacingM, (yM-m.SouthM)/m.SpacingM)
	east, north := m.EastwardMPerS, m.NorthwardMPerS
	di, dj := min(1, m.NI-1), m.NI*min(1, m.NJ-1)
	return Vector{
		EastwardMPerS:  float64(a*east[k] + b*east[k+di] + c*east[k+dj] + d*east[k+di+dj]),
		NorthwardMPerS: float64(a*north[k] + b*north[k+di] + c*north[k+dj] + d*north[k+di+dj]),
	}
}

// SpreadAt is the standard deviation of each component at x, y.
func (m *Motion) SpreadAt(xM, yM float64) float64 {
	k, a, b, c, d := m.corners((xM-m.WestM)/m.SpacingM, (yM-m.SouthM)/m.SpacingM)
	di, dj := min(1, m.NI-1), m.NI*min(1, m.NJ-1)
	return float64(a*m.SpreadMPerS[k] + b*m.SpreadMPerS[k+di] + c*m.SpreadMPerS[k+dj] + d*m.SpreadMPerS[k+di+dj])
}

// corners gives the first of the four vectors around a fractional index, held
// inside the plane, and their weights.
func (p *Plane) corners(fi, fj float64) (k int, a, b, c, d float32) {
	fi = max(0, min(fi, float64(p.NI-1))) // NaN becomes NaN
	fj = max(0, min(fj, float64(p.NJ-1)))
	if fi != fi || fj != fj {
		return 0, nan32, 0, 0, 0
	}
	i, j := min(int(fi), max(p.NI-2, 0)), min(int(fj), max(p.NJ-2, 0))
	s, t := float32(fi-float64(i)), float32(fj-float64(j))
	return j*p.NI + i, (1 - s) * (1 - t), s * (1 - t), (1 - s) * t, s * t
}

// Least shares of a frame that must be seen, and of what is seen that must be
// echo, before motion is looked for. The second is 5 km across on 460 x 460 km.
const (
	leastSeen = 0.02
	leastEcho = 1e-4
)

// EstimateMotion finds the motion of echo from frames in order of time. The
// newest is compared with the one or two before it that are no more than
// LongestLag older. The error is always a *NoMotionError: where motion cannot
// be seen there is no vector.
func EstimateMotion(frames []*Frame, options MotionOptions) (*Motion, error) {
	o := options.valid()
	earlier, newest, reason := usable(frames, o)
	if reason != nil {
		return nil, reason
	}
	pairs := make([]*pyramid, len(earlier))
	to := newPyramid(newest, o)
	lattice := latticeOf(newest.Plane, o)
	for k, f := range earlier {
		kept, share := renewed(f, newest, lattice, o)
		if share < renewedLeast && k == 0 {
			return nil, noMotion(NotRenewed, "%.0f %% of the echo is the same to the bit as %v before", 100*(1-share), newest.Time.Sub(f.Time))
		}
		pairs[k] = newPyramid(kept, o)
	}
	lags := make([]float64, len(earlier))
	for k, f := range earlier {
		lags[k] = newest.Time.Sub(f.Time).Seconds()
	}
	correlated := trec(pairs[0], to, lags[0], lattice, o)
	var raw *vectors
	if o.Method == CrossCorrelation {
		raw = correlated
	} else {
		raw = opticalFlow(pairs, to, lags, lattice, o)
		judge(raw, pairs[0], to, lags[0], lattice, o)
	}
	rejectOutliers(raw, lattice)
	if raw.accepted() == 0 {
		return nil, noMotion(NotCoherent, "of %d places none has %.0f %% of its box above %g dBZ and correlates by %g with the frame %v before",
			len(raw.u), 100*o.EchoShare, o.EchoDBZ, o.LeastCorrelation, newest.Time.Sub(earlier[0].Time))
	}
	m := &Motion{Plane: lattice, Method: o.Method, Earlier: earlier[len(earlier)-1].Time, Later: newest.Time}
	m.fill(raw, o)
	if o.Method != CrossCorrelation {
		rejectOutliers(correlated, lattice)
	}
	m.spread(correlated, o)
	return m, nil
}

// usable picks the frames to compare, the nearest in time first.
func usable(frames []*Frame, o MotionOptions) (earlier []*Frame, newest *Frame, reason *NoMotionError) {
	if len(frames) < 2 {
		return nil, nil, noMotion(TooFewFrames, "%d given, two are needed", len(frames))
	}
	for k, f := range frames {
		if err := f.check(); err != nil {
			return nil, nil, noMotion(BadFrame, "frame %d of %d: %v", k+1, len(frames), err)
		}
		if f.Plane != frames[0].Plane {
			return nil, nil, noMotion(DifferentPlanes, "frame %d of %d has another plane than the first", k+1, len(frames))
		}
		if k > 0 && !f.Time.After(frames[k-1].Time) {
			return nil, nil, noMotion(TimesOutOfOrder, "frame %d (%s) is not later than the one before (%s)", k+1,
				f.Time.UTC().Format(time.RFC3339), frames[k-1].Time.UTC().Format(time.RFC3339))
		}
	}
	newest = frames[len(frames)-1]
	for k := len(frames) - 2; k >= 0; k-- {
		if newest.Time.Sub(frames[k].Time) <= o.LongestLag {
			earlier = append(earlier, frames[k])
		}
	}
	if len(earlier) == 0 {
		return nil, nil, noMotion(TooFarApart, "%v between the last two frames, at most %v are comparable",
			newest.Time.Sub(frames[len(frames)-2].Time), o.LongestLag)
	}
	earlier = pickLags(earlier, newest)
	// Echo at the fastest must move by a tenth of a cell, or nothing is seen.
	lag := newest.Time.Sub(earlier[0].Time)
	if lag.Seconds()*o.FastestMPerS < newest.SpacingM/10 {
		return nil, nil, noMotion(TooCloseTogether, "%v between frames of %g m", lag, newest.SpacingM)
	}
	for _, f := range []*Frame{newest, earlier[0]} {
		seen, echo := 0, 0
		for _, v := range f.DBZ {
			if v == v {
				seen++
				if float64(v) > o.EchoDBZ {
					echo++
				}
			}
		}
		at := f.Time.UTC().Format(time.RFC3339)
		if float64(seen) < leastSeen*float64(len(f.DBZ)) || seen == 0 {
			return nil, nil, noMotion(NotSeen, "%d of %d cells seen at %s", seen, len(f.DBZ), at)
		}
		if float64(echo) < leastEcho*float64(seen) || echo == 0 {
			return nil, nil, noMotion(NoEcho, "%d of %d cells above %g dBZ at %s", echo, seen, o.EchoDBZ, at)
		}
	}
	return earlier, newest, nil
}

// bestLag: long enough for motion to stand out of the cells, short enough for
// echo to stay alike (common practice: 5 to 10 min).
const bestLag = 10 * time.Minute

// pickLags takes the frame nearest to bestLag before the newest, and the next
// older one where there is one.
func pickLags(earlier []*Frame, newest *Frame) []*Frame {
	best := 0
	for k, f := range earlier {
		if (newest.Time.Sub(f.Time) - bestLag).Abs() < (newest.Time.Sub(earlier[best].Time) - bestLag).Abs() {
			best = k
		}
	}
	return earlier[best:min(best+2, len(earlier))]
}

// latticeOf spreads the places of vectors over a frame.
func latticeOf(p Plane, o MotionOptions) Plane {
	step := max(1, int(math.Round(min(o.SpacingM/p.SpacingM, float64(max(p.NI, p.NJ))))))
	ni, nj := max(1, (p.NI+step-1)/step), max(1, (p.NJ+step-1)/step)
	// Vector (i, j) belongs to the cells i*step ... i*step+step-1.
	middle := p.SpacingM * float64(step-1) / 2
	return Plane{Origin: p.Origin, SpacingM: p.SpacingM * float64(step), NI: ni, NJ: nj, WestM: p.WestM + middle, SouthM: p.SouthM + middle}
}
