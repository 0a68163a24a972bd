package nowcast_test

import (
	"errors"
	"fmt"
	"math"
	"time"

	"rimeline/grid"
	"rimeline/seedability/nowcast"
)

// band is an invented snow band, 40 by 12 km, that moves east by 15 m/s.
func band(at time.Time, minute float64) *nowcast.Frame {
	crest := grid.LatLon{LatitudeDeg: 39, LongitudeDeg: -106.5}
	f := &nowcast.Frame{Time: at, Plane: nowcast.CentredPlane(crest, 1000, 201), NoEchoDBZ: 0}
	f.DBZ = make([]float32, f.NI*f.NJ)
	for j := range f.NJ {
		for i := range f.NI {
			x, y := (f.XM(i)+50e3-900*minute)/1000, f.YM(j)/1000
			texture := 3 * math.Sin(x/2) * math.Cos(y/3)
			if math.Abs(x) < 6 && math.Abs(y) < 20 {
				f.DBZ[j*f.NI+i] = float32(27 + texture)
			}
		}
	}
	return f
}

func Example() {
	start := time.Date(2026, 1, 15, 3, 0, 0, 0, time.UTC)
	frames := []*nowcast.Frame{band(start.Add(-10*time.Minute), -10), band(start, 0)}

	motion, err := nowcast.EstimateMotion(frames, nowcast.DefaultMotionOptions())
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Printf("%.1f m/s towards %.0f degrees\n", motion.Mean.SpeedMPerS(), motion.Mean.TowardsDeg())

	scene, _ := nowcast.FindObjects(frames[1], nowcast.DefaultObjectOptions())
	zone := nowcast.Zone{Place: frames[1].Origin, RadiusM: 3000}
	approach, _ := nowcast.Arrivals(scene, motion, zone, nowcast.ArrivalOptions{})
	for _, a := range approach.Arrivals {
		fmt.Printf("band %v: arrives %s, peak %.0f dBZ, ends %s\n", a.Object.Band, a.Arrival.Time.Format("15:04"), a.PeakDBZ, a.End.Time.Format("15:04"))
		// The agent needs half an hour to get there, give or take some minutes.
		window := nowcast.ReleaseWindow(a, nowcast.Transport{Q10: 26 * time.Minute, Q50: 30 * time.Minute, Q90: 36 * time.Minute}, nowcast.WindowOptions{NotBefore: start})
		fmt.Printf("release %s to %s, best %s\n", window.Start.Format("15:04"), window.End.Format("15:04"), window.Best.Format("15:04"))
	}
	// Output:
	// 15.0 m/s towards 90 degrees
	// band true: arrives 03:46, peak 30 dBZ, ends 04:05
	// release 03:16 to 03:34, best 03:22
}

// A gap in the radar's data is no reason to guess.
func ExampleNoMotionError() {
	start := time.Date(2026, 1, 15, 3, 0, 0, 0, time.UTC)
	_, err := nowcast.EstimateMotion([]*nowcast.Frame{band(start.Add(-40*time.Minute), -40), band(start, 0)}, nowcast.DefaultMotionOptions())
	var none *nowcast.NoMotionError
	if errors.As(err, &none) {
		fmt.Println(none.Reason == nowcast.TooFarApart)
	}
	fmt.Println(err)
	// Output:
	// true
	// no motion: frames too far apart: 40m0s between the last two frames, at most 15m0s are comparable
}
