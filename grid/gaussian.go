package grid

import "math"

// GaussianLatitudesDeg lists the n latitudes of a Gaussian grid from north to
// south: the arcsines of the roots of the Legendre polynomial of degree n
// (GRIB2 template 3.40; n is twice its number of parallels between pole and
// equator). Newton's method from the estimate of Abramowitz and Stegun (1964,
// 22.16.6) reaches rounding. n below 1 or above 10240 (four
// times the finest in use) gives nil.
func GaussianLatitudesDeg(n int) []float64 {
	if n < 1 || n > 10240 {
		return nil
	}
	latitudes := make([]float64, n)
	for k := range n / 2 {
		x := math.Cos(math.Pi * (float64(k) + 0.75) / (float64(n) + 0.5))
		for range 10 {
			previous, value := 1.0, x // P0, P1
			for m := 2; m <= n; m++ {
				previous, value = value, (float64(2*m-1)*x*value-float64(m-1)*previous)/float64(m)
			}
			derivative := float64(n) * (previous - x*value) / (1 - x*x)
			step := value / derivative
			x -= step
			if math.Abs(step) < 1e-15 {
				break
			}
		}
		latitudes[k] = math.Asin(x) / radPerDeg
		latitudes[n-1-k] = -latitudes[k]
	}
	return latitudes // the middle one of an odd number is the equator
}
