package nowcast

import (
	"math"
	"testing"
	"time"
)

func findAll(t *testing.T, f *Frame, o ObjectOptions) *Scene {
	t.Helper()
	s, err := FindObjects(f, o)
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// inBox: inside of a rectangle turned so that its length bears bearingDeg.
func inBox(x, y, cx, cy, length, width, bearingDeg float64) bool {
	sin, cos := math.Sincos(bearingDeg * radPerDeg)
	along, across := (x-cx)*sin+(y-cy)*cos, (x-cx)*cos-(y-cy)*sin
	return math.Abs(along) <= length/2 && math.Abs(across) <= width/2
}

func TestRectanglesAreMeasured(t *testing.T) {
	for _, bearing := range []float64{0, 30, 45, 90, 120, 179} {
		f := frameOf(160, midnight, func(x, y float64) float64 {
			if inBox(x, y, 10.2, -4.3, 60, 12, bearing) {
				return 25 + (x-10.2)/10
			}
			return 0
		})
		s := findAll(t, f, DefaultObjectOptions())
		if len(s.Objects) != 1 {
			t.Fatalf("%g degrees: %d objects", bearing, len(s.Objects))
		}
		o := s.Objects[0]
		// The staircase of 1 km cells moves sides by less than one.
		if math.Abs(o.LengthM-60e3) > 1000 || math.Abs(o.WidthM-12e3) > 1000 || math.Abs(o.AreaM2-720e6) > 40e6 {
			t.Errorf("%g degrees: %.0f by %.0f m, %.0f km², want 60 by 12 km within 1, 720 km² within 40", bearing, o.LengthM, o.WidthM, o.AreaM2/1e6)
		}
		off := math.Abs(o.OrientationDeg - bearing)
		if min(off, 180-off) > 1 || o.OrientationDeg < 0 || o.OrientationDeg >= 180 {
			t.Errorf("bears %g, want %g within 1", o.OrientationDeg, bearing)
		}
		if math.Hypot(o.CentroidXM-10.2e3, o.CentroidYM+4.3e3) > 400 {
			t.Errorf("centroid %g %g", o.CentroidXM, o.CentroidYM)
		}
		if !o.Band || o.Cut || o.ID != 1 {
			t.Errorf("band %v, cut %v, number %d", o.Band, o.Cut, o.ID)
		}
		if x, y := f.XY(o.Centroid); math.Hypot(x-o.CentroidXM, y-o.CentroidYM) > 0.01 {
			t.Error("the centroid is in two places")
		}
		if want := 25 + (o.PeakXM/1000-10.2)/10; math.Abs(o.PeakDBZ-want) > 1e-5 || o.PeakXM > o.EastM || o.PeakDBZ < o.MeanDBZ {
			t.Errorf("peak %g dBZ at x %g, mean %g", o.PeakDBZ, o.PeakXM, o.MeanDBZ)
		}
	}
}

// An ellipse has the second moments of a rectangle with sides of √3/2 of its axes.
func TestEllipseIsNoBand(t *testing.T) {
	f := frameOf(100, midnight, func(x, y float64) float64 {
		if x*x/400+y*y/100 <= 1 {
			return 30
		}
		return 0
	})
	o := findAll(t, f, DefaultObjectOptions()).Objects[0]
	if math.Abs(o.LengthM-40e3*math.Sqrt(3)/2) > 500 || math.Abs(o.WidthM-20e3*math.Sqrt(3)/2) > 500 {
		t.Errorf("%g by %g m", o.LengthM, o.WidthM)
	}
	if o.Band || math.Abs(o.Aspect()-2) > 0.05 || math.Abs(o.MeanDBZ-30) > 1e-6 {
		t.Errorf("band %v, aspect %g, mean %g dBZ", o.Band, o.Aspect(), o.MeanDBZ)
	}
}

func TestConnectedBySidesAndCorners(t *testing.T) {
	picture := []string{ // north at the top
		"##......##",
		"##......##",
		"..##......",
		"..##....?#",
		"........##",
		"#...#.....",
		"##.##.....",
		".###......",
		".......#..",
		"......#...",
	}
	f := frameOf(10, midnight, func(x, y float64) float64 {
		switch picture[int(4.5-y)][int(x+4.5)] {
		case '#':
			return 20
		case '?':
			return math.NaN()
		}
		return 19.9
	})
	s := findAll(t, f, ObjectOptions{LeastAreaM2: 1})
	var cells []float64
	for _, o := range s.Objects {
		cells = append(cells, o.AreaM2/1e6)
		if !o.Cut && o.AreaM2 != 9e6 {
			t.Errorf("%g km² at the edge is not cut", o.AreaM2/1e6)
		}
	}
	if len(cells) != 5 || cells[0] != 9 || cells[1] != 8 || cells[2] != 4 || cells[3] != 3 || cells[4] != 2 {
		t.Errorf("areas %v, want 9 (a U), 8 and 2 (by corners), 4 and 3", cells)
	}
	count := map[int32]int{}
	for _, label := range s.Labels {
		count[label]++
	}
	if count[1] != 9 || count[2] != 8 || count[3] != 4 || count[4] != 3 || count[5] != 2 || count[0] != 74 {
		t.Errorf("labels %v", count)
	}
	if s := findAll(t, f, ObjectOptions{LeastAreaM2: 4e6}); len(s.Objects) != 3 {
		t.Errorf("%d objects of 4 km²", len(s.Objects))
	}
}

func TestNotSeenCutsAnObject(t *testing.T) {
	f := frameOf(60, midnight, func(x, y float64) float64 {
		switch {
		case x > 5:
			return math.NaN()
		case math.Abs(y) < 5 && x > -20:
			return 30
		}
		return 0
	})
	if o := findAll(t, f, DefaultObjectOptions()).Objects[0]; !o.Cut {
		t.Error("an object at the edge of what was seen is not cut")
	}
}

// rain of rectangles that move by 0.6 km a minute eastward.
func drifting(minute float64, parts ...[4]float64) *Frame {
	return frameOf(200, midnight.Add(time.Duration(minute)*time.Minute), func(x, y float64) float64 {
		for k, p := range parts {
			if inBox(x-0.6*minute, y, p[0], p[1], p[2], p[3], 0) {
				return 25 + float64(k)
			}
		}
		return 0
	})
}

func TestIdentityIsKept(t *testing.T) {
	// Two bands 12 km apart move 12 km: each arrives where the other was.
	west, east := [4]float64{-30, 0, 60, 8}, [4]float64{-18, 0, 40, 8}
	before, now := findAll(t, drifting(0, west, east), DefaultObjectOptions()), findAll(t, drifting(20, west, east), DefaultObjectOptions())
	before.Objects[0].ID, before.Objects[1].ID = 7, 4
	before.next = 9
	m := uniform(now.Frame.Plane, 1, 10, 0)
	got, err := Follow(before, now, m)
	if err != nil {
		t.Fatal(err)
	}
	for k, want := range []int{7, 4} {
		o := got.Objects[k]
		if o.ID != want || o.Trend == nil {
			t.Fatalf("object %d is number %d, want %d", k, o.ID, want)
		}
		if v := o.Trend.Motion; math.Abs(v.EastwardMPerS-10) > 0.1 || math.Abs(v.NorthwardMPerS) > 0.1 || o.Trend.AreaM2PerS != 0 || !o.Trend.FirstSeen.Equal(midnight) {
			t.Errorf("trend %+v, want 10 m/s eastward and no growth", *o.Trend)
		}
	}
	// Not moving, the overlap is with the wrong one.
	if wrong, _ := Follow(before, now, uniform(now.Frame.Plane, 1, 0, 0)); wrong.Objects[1].ID == 4 {
		t.Error("identity does not depend on the motion")
	}
	fresh, err := Follow(before, now, nil)
	if err != nil || fresh.Objects[0].ID != 9 || fresh.Objects[1].ID != 10 || fresh.next != 11 {
		t.Errorf("without motion: %v, numbers %d and %d", err, fresh.Objects[0].ID, fresh.Objects[1].ID)
	}
	if now.Objects[0].ID != 1 || now.Objects[0].Trend != nil {
		t.Error("the scene given was changed")
	}
	if _, err := Follow(nil, now, m); err == nil {
		t.Error("no scene before: no error")
	}
}

func TestTrendSplitAndMerge(t *testing.T) {
	whole := findAll(t, drifting(0, [4]float64{0, 0, 60, 10}), DefaultObjectOptions())
	parts := findAll(t, drifting(10, [4]float64{0, 15, 28, 10}, [4]float64{0, -16, 22, 10}), DefaultObjectOptions())
	m := uniform(whole.Frame.Plane, 1, 10, 0)
	split, err := Follow(whole, parts, m)
	if err != nil {
		t.Fatal(err)
	}
	if len(split.Objects) != 2 || split.Objects[0].ID != 1 || split.Objects[1].ID != 2 || split.Objects[1].SplitFrom != 1 || split.Objects[1].Trend != nil {
		t.Fatalf("split: %+v", split.Objects)
	}
	// 600 to 280 km² in 600 s.
	if got := split.Objects[0].Trend.AreaM2PerS; math.Abs(got+320e6/600) > 40e6/600 {
		t.Errorf("area changes by %g m²/s, want %g within a row of cells", got, -320e6/600)
	}
	again := findAll(t, drifting(20, [4]float64{0, 0, 60, 10}), DefaultObjectOptions())
	merged, err := Follow(split, again, m)
	if err != nil {
		t.Fatal(err)
	}
	o := merged.Objects[0]
	if o.ID != 1 || len(o.Merged) != 1 || o.Merged[0] != 2 || !o.Trend.FirstSeen.Equal(midnight) || !o.Trend.Since.Equal(midnight.Add(10*time.Minute)) {
		t.Errorf("merged: number %d, took in %v, trend %+v", o.ID, o.Merged, o.Trend)
	}
	if o.Trend.PeakDBPerS != 25.0/600-26.0/600 && o.Trend.PeakDBPerS != 0 {
		t.Errorf("peak changes by %g dB/s", o.Trend.PeakDBPerS)
	}
	// A number is never given twice.
	if merged.next != 3 {
		t.Errorf("next number %d", merged.next)
	}
}
