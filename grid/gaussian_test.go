package grid

import (
	"math"
	"strconv"
	"testing"
)

// testdata/proj/gaussian.tsv: numpy 2.4.6, polynomial.legendre.leggauss.
func TestGaussianLatitudes(t *testing.T) {
	names, rows := readTable(t, "../testdata/proj/gaussian.tsv")
	want := map[int][]float64{}
	for k, name := range names {
		n, err := strconv.Atoi(name)
		if err != nil {
			t.Fatal(err)
		}
		want[n] = append(want[n], rows[k][0])
	}
	for n, latitudes := range want {
		got := GaussianLatitudesDeg(n)
		if len(got) != n {
			t.Fatalf("%d latitudes, want %d", len(got), n)
		}
		for k := range got {
			if math.Abs(got[k]-latitudes[k]) > 1e-10 {
				t.Errorf("n = %d: latitude %d is %.11f, want %.11f", n, k, got[k], latitudes[k])
			}
		}
	}
	for _, n := range []int{0, -1, 1 << 40} {
		if got := GaussianLatitudesDeg(n); got != nil {
			t.Errorf("n = %d: %d latitudes", n, len(got))
		}
	}
}
