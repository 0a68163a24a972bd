package nowcast

import (
	"errors"
	"math"
	"time"
)

// Growth and decay: smoothed over this radius, held to this rate, faded with
// this time. No source; the time is of the order of the life of a cell.
const (
	tendencyRadiusM = 15e3
	mostDBPerS      = 10.0 / 1800
	tendencyFade    = 20 * time.Minute
)

// tendency in dB/s on the plane of the newer frame, 0 where nothing is known.
func tendency(before, now *Frame, m *Motion) (*Frame, error) {
	if err := before.check(); err != nil {
		return nil, err
	}
	if before.Plane != now.Plane {
		return nil, errors.New("the frame before is on another plane")
	}
	lag := now.Time.Sub(before.Time)
	if lag <= 0 {
		return nil, errors.New("the frame before is not earlier")
	}
	d := newDepartures(now.Plane)
	steps := max(1, min(int(lag/defaultStep), mostSteps))
	for range steps {
		d.goBack(m, lag.Seconds()/float64(steps))
	}
	moved := d.frame(before, now.Time)
	difference, weight := make([]float64, len(now.DBZ)), make([]float64, len(now.DBZ))
	for k, v := range now.DBZ {
		if was := moved.DBZ[k]; v == v && was == was && max(v, was) > now.NoEchoDBZ {
			difference[k], weight[k] = float64(v-was), 1
		}
	}
	radius := max(1, int(tendencyRadiusM/now.SpacingM))
	sum, count := newDisc(difference, now.NI, now.NJ, radius), newDisc(weight, now.NI, now.NJ, radius)
	out := &Frame{Time: now.Time, Plane: now.Plane, DBZ: make([]float32, len(now.DBZ))}
	parallel(now.NJ, func(first, end int) {
		for j := first; j < end; j++ {
			for i := range now.NI {
				if n := count.at(i, j); n > 0.5 {
					rate := sum.at(i, j) / n / lag.Seconds()
					out.DBZ[j*now.NI+i] = float32(max(-mostDBPerS, min(mostDBPerS, rate)))
				}
			}
		}
	})
	return out, nil
}

// grow adds what a fading tendency does to echo until the lead time. No echo
// stays no echo.
func grow(f, trend *Frame, lead time.Duration) {
	fade := tendencyFade.Seconds()
	seconds := float32(fade * (1 - math.Exp(-lead.Seconds()/fade)))
	for k, v := range f.DBZ {
		if rate := trend.DBZ[k]; v > f.NoEchoDBZ && rate == rate {
			f.DBZ[k] = max(f.NoEchoDBZ, v+rate*seconds)
		}
	}
}
