package grid

import (
	"fmt"
	"strings"
	"testing"
)

// pointsInOrder lists the points of a grid in the order of a message, written
// from the wording of WMO GRIB2 flag table 3.4 and its notes: bit 1, points of
// the first row or column scan in -i direction; bit 2, in +j direction; bit 3,
// adjacent points in j direction are consecutive; bit 4, adjacent rows scan in
// the opposite direction, the first as the other bits say. x and y count east
// and north.
func pointsInOrder(iNegative, jPositive, jConsecutive, alternate bool, ni, nj int) [][2]int {
	var points [][2]int
	x := func(i int) int {
		if iNegative {
			return ni - 1 - i
		}
		return i
	}
	y := func(j int) int {
		if jPositive {
			return j
		}
		return nj - 1 - j
	}
	if jConsecutive {
		for i := 0; i < ni; i++ {
			for j := 0; j < nj; j++ {
				if alternate && i%2 == 1 {
					points = append(points, [2]int{x(i), y(nj - 1 - j)})
				} else {
					points = append(points, [2]int{x(i), y(j)})
				}
			}
		}
		return points
	}
	for j := 0; j < nj; j++ {
		for i := 0; i < ni; i++ {
			if alternate && j%2 == 1 {
				points = append(points, [2]int{x(ni - 1 - i), y(j)})
			} else {
				points = append(points, [2]int{x(i), y(j)})
			}
		}
	}
	return points
}

func TestArrangeEveryMode(t *testing.T) {
	for _, size := range [][2]int{{3, 2}, {2, 3}, {4, 4}, {5, 1}, {1, 5}, {1, 1}, {37, 70}} {
		ni, nj := size[0], size[1]
		for bits := range 16 {
			mode := ScanMode(bits << 4)
			// The value of each point says where it really is.
			var values []float32
			for _, point := range pointsInOrder(bits&8 != 0, bits&4 != 0, bits&2 != 0, bits&1 != 0, ni, nj) {
				values = append(values, float32(1000*point[1]+point[0]))
			}
			if err := mode.Arrange(values, ni, nj); err != nil {
				t.Fatal(err)
			}
			stepI, stepJ := mode.StepSigns()
			for j := range nj {
				for i := range ni {
					x, y := i, j
					if stepI < 0 {
						x = ni - 1 - i
					}
					if stepJ < 0 {
						y = nj - 1 - j
					}
					if got := values[j*ni+i]; got != float32(1000*y+x) {
						t.Fatalf("mode %#02x, %d x %d: (%d, %d) holds the point %v, want %d", uint8(mode), ni, nj, i, j, got, 1000*y+x)
					}
				}
			}
		}
	}
}

func TestArrangeRefuses(t *testing.T) {
	for bit := 5; bit <= 8; bit++ {
		mode := ScanMode(1 << (8 - bit))
		err := mode.Arrange(make([]float32, 6), 3, 2)
		if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("bit %d ", bit)) {
			t.Errorf("mode %#02x: %v", uint8(mode), err)
		}
	}
	for _, size := range [][2]int{{3, 3}, {-3, -2}, {0, 6}, {7, 1}, {1 << 62, 4}, {1 << 32, 1 << 32}} {
		if err := ScanMode(0).Arrange(make([]float32, 6), size[0], size[1]); err == nil {
			t.Errorf("6 values for %v accepted", size)
		}
	}
	if err := ScanMode(0xf0).Arrange(nil, 0, 0); err != nil {
		t.Error(err)
	}
}

func BenchmarkArrange(b *testing.B) {
	const ni, nj = 1799, 1059
	values := make([]float32, ni*nj)
	for _, mode := range []ScanMode{ScanJPositive, ScanAlternate, ScanJConsecutive} {
		b.Run(fmt.Sprintf("%#02x", uint8(mode)), func(b *testing.B) {
			b.SetBytes(4 * ni * nj)
			for b.Loop() {
				if err := mode.Arrange(values, ni, nj); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
