package grid

import "fmt"

// ScanMode is the scanning mode of a GRIB2 grid: the eight bits of flag table
// 3.4, bit 1 being the highest.
type ScanMode uint8

// The bits of flag table 3.4.
const (
	ScanINegative     ScanMode = 1 << 7 // bit 1: points of a row scan in -i (-x) direction
	ScanJPositive     ScanMode = 1 << 6 // bit 2: rows scan in +j (+y) direction
	ScanJConsecutive  ScanMode = 1 << 5 // bit 3: adjacent points in j (y) direction are consecutive
	ScanAlternate     ScanMode = 1 << 4 // bit 4: adjacent rows scan in opposite directions
	ScanOddRowOffset  ScanMode = 1 << 3 // bit 5: odd rows are offset by half a step in i
	ScanEvenRowOffset ScanMode = 1 << 2 // bit 6: even rows are offset by half a step in i
	ScanJOffset       ScanMode = 1 << 1 // bit 7: points are offset by half a step in j
	ScanShortRows     ScanMode = 1 << 0 // bit 8: offset rows and columns have one point less
)

// Refusal is an error naming the first staggering bit (5 to 8) that is set;
// grids of such points have no rows and columns in the sense of Grid.
func (m ScanMode) Refusal() error {
	for _, staggering := range []struct {
		flag ScanMode
		bit  int
		text string
	}{
		{ScanOddRowOffset, 5, "points of odd rows offset by half a step in i"},
		{ScanEvenRowOffset, 6, "points of even rows offset by half a step in i"},
		{ScanJOffset, 7, "points offset by half a step in j"},
		{ScanShortRows, 8, "one point less in offset rows or columns"},
	} {
		if m&staggering.flag != 0 {
			return fmt.Errorf("scanning mode %#02x: bit %d (%s) is not supported", uint8(m), staggering.bit, staggering.text)
		}
	}
	return nil
}

// StepSigns are the signs of X.Step and Y.Step of the grid: the directions in
// which the first row and the first column run.
func (m ScanMode) StepSigns() (i, j float64) {
	i, j = 1, -1
	if m&ScanINegative != 0 {
		i = -1
	}
	if m&ScanJPositive != 0 {
		j = 1
	}
	return i, j
}

// Arrange puts values from the order of the message into rows, in place: (i, j)
// comes to j*ni+i, i and j counted in the direction of the first row and the
// first column. Where j is consecutive, the lines of bit 4 are columns.
func (m ScanMode) Arrange(values []float32, ni, nj int) error {
	if err := m.Refusal(); err != nil {
		return err
	}
	if ni < 0 || nj < 0 || (ni > 0 && nj > len(values)/ni) || ni*nj != len(values) {
		return fmt.Errorf("scanning mode %#02x: %d values for %d columns and %d rows", uint8(m), len(values), ni, nj)
	}
	if ni == 0 || nj == 0 {
		return nil
	}
	line := ni
	if m&ScanJConsecutive != 0 {
		line = nj
	}
	if m&ScanAlternate != 0 {
		for start := line; start < len(values); start += 2 * line {
			reverse(values[start : start+line])
		}
	}
	if m&ScanJConsecutive != 0 {
		transpose(values, ni, nj)
	}
	return nil
}

func reverse(line []float32) {
	for a, b := 0, len(line)-1; a < b; a, b = a+1, b-1 {
		line[a], line[b] = line[b], line[a]
	}
}

// transpose turns columns of nj values into rows of ni values, in blocks that
// fit the cache.
func transpose(values []float32, ni, nj int) {
	if ni == 1 || nj == 1 {
		return
	}
	const block = 32
	columns := append([]float32(nil), values...)
	for j0 := 0; j0 < nj; j0 += block {
		for i0 := 0; i0 < ni; i0 += block {
			for j := j0; j < min(j0+block, nj); j++ {
				for i := i0; i < min(i0+block, ni); i++ {
					values[j*ni+i] = columns[i*nj+j]
				}
			}
		}
	}
}
