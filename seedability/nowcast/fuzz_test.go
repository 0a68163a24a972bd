package nowcast

import (
	"encoding/binary"
	"errors"
	"math"
	"testing"
	"time"
)

// fuzzFrame makes a frame of bytes: 255 is not seen.
func fuzzFrame(b []byte, p Plane, at time.Time) *Frame {
	f := &Frame{Time: at, Plane: p, DBZ: make([]float32, p.NI*p.NJ)}
	for k := range f.DBZ {
		v := byte(0)
		if len(b) > 0 {
			v = b[k%len(b)]
		}
		f.DBZ[k] = float32(v) / 4
		if v == 255 {
			f.DBZ[k] = nan32
		}
	}
	return f
}

// Whatever the frames hold, nothing panics, no motion is NaN or beyond the
// search, and what is not seen is never forecast as seen from nothing.
func FuzzNowcast(f *testing.F) {
	f.Add([]byte{1, 2, 3}, []byte{4, 5}, uint8(1), uint8(1), uint16(1000), int16(300))
	f.Add([]byte{255}, []byte{255}, uint8(30), uint8(30), uint16(1000), int16(300))
	f.Add([]byte{0, 0, 80, 160, 80, 0}, []byte{0, 80, 160, 80, 0, 0}, uint8(40), uint8(17), uint16(500), int16(120))
	f.Add([]byte{80}, []byte{81}, uint8(1), uint8(50), uint16(2000), int16(600))
	f.Add([]byte{}, []byte{}, uint8(0), uint8(3), uint16(0), int16(-5))
	f.Fuzz(func(t *testing.T, first, second []byte, ni, nj uint8, spacingM uint16, lagS int16) {
		p := CentredPlane(somewhere, float64(spacingM), 1)
		p.NI, p.NJ = int(ni%48), int(nj%48)
		frames := []*Frame{fuzzFrame(first, p, midnight), fuzzFrame(second, p, midnight.Add(time.Duration(lagS)*time.Second))}
		o := MotionOptions{Method: Method(len(first) % 2)}
		m, err := EstimateMotion(frames, o)
		var none *NoMotionError
		if err != nil && (!errors.As(err, &none) || m != nil || none.Reason == 0) {
			t.Fatalf("motion %v, error %v", m, err)
		}
		if m == nil {
			if p.check() != nil {
				return
			}
			m = uniform(p, 1, float64(lagS)/100, 3)
		}
		for k := range m.EastwardMPerS {
			u, v, sd := float64(m.EastwardMPerS[k]), float64(m.NorthwardMPerS[k]), float64(m.SpreadMPerS[k])
			if !isFinite(u, v, sd) || sd < 0 || math.Hypot(u, v) > 400 {
				t.Fatalf("vector %d: %g %g, spread %g", k, u, v, sd)
			}
		}
		nowcast, err := Advect(frames[1], m, NowcastOptions{Horizon: 15 * time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		low, high := float32(math.Inf(1)), float32(math.Inf(-1))
		for _, v := range frames[1].DBZ {
			if v == v {
				low, high = min(low, v), max(high, v)
			}
		}
		for _, s := range nowcast.Steps {
			probability := s.Probability(20)
			for k, v := range s.Frame.DBZ {
				if v < low-1e-3 || v > high+1e-3 {
					t.Fatalf("forecast %g outside of what there was, %g to %g", v, low, high)
				}
				if q := probability[k]; q < 0 || q > 1.0001 || (q == q) != (v == v) {
					t.Fatalf("probability %g of %g dBZ", q, v)
				}
			}
		}
		scene, err := FindObjects(frames[1], ObjectOptions{LeastAreaM2: 1})
		if err != nil {
			t.Fatal(err)
		}
		area := 0.0
		for _, o := range scene.Objects {
			area += o.AreaM2
			if !isFinite(o.LengthM, o.WidthM, o.OrientationDeg, o.PeakDBZ, o.MeanDBZ, o.CentroidXM) || o.WidthM > o.LengthM+1e-6 {
				t.Fatalf("%+v", o)
			}
		}
		if area > float64(p.NI*p.NJ)*p.SpacingM*p.SpacingM*1.0001 {
			t.Fatal("objects larger than the frame")
		}
		before, err := FindObjects(frames[0], ObjectOptions{LeastAreaM2: 1})
		if err != nil {
			t.Fatal(err)
		}
		if scene, err = Follow(before, scene, m); err != nil {
			t.Fatal(err)
		}
		seen := map[int]bool{}
		for _, o := range scene.Objects {
			if o.ID < 1 || seen[o.ID] {
				t.Fatalf("number %d twice", o.ID)
			}
			seen[o.ID] = true
		}
		zone := Zone{Place: somewhere, RadiusM: float64(binary.LittleEndian.Uint16(append(second, 0, 0)))}
		approach, err := Arrivals(scene, m, zone, ArrivalOptions{Step: 5 * time.Minute, Horizon: time.Hour})
		if err != nil {
			t.Fatal(err)
		}
		for _, a := range approach.Arrivals {
			if a.Probability <= 0 || a.Probability > 1 || a.End.Time.Before(a.Arrival.Time) || a.Arrival.SD < 0 {
				t.Fatalf("%+v", a)
			}
			w := ReleaseWindow(a, Transport{0, time.Duration(ni) * time.Minute, time.Hour * 5}, WindowOptions{})
			if w.State == Unusable || w.State == Open && w.End.Before(w.Start) {
				t.Fatalf("%+v of %+v", w, a)
			}
		}
	})
}
