package evaluate

import (
	"fmt"

	"gonum.org/v1/gonum/mat"
)

// fit is y = b0 + sum of b x by least squares. Controls are centred and scaled
// first, so that rainfall sums of thousands and their small differences keep their
// digits.
type fit struct {
	n, degreesOfFreedom int
	meanY               float64
	meanX, scaleX       []float64
	slope               []float64  // for scaled controls
	inverse             *mat.Dense // (Z'Z)^-1 of scaled controls; nil without any
	sse, sst            float64    // sums of squares about the line and about the mean
}

// leastSquares needs more rows than coefficients, and controls that are not
// combinations of each other.
func leastSquares(y []float64, xs [][]float64) (fit, error) {
	f := fit{n: len(y), degreesOfFreedom: len(y) - 1 - len(xs)}
	p := len(xs)
	if f.degreesOfFreedom < 1 {
		return f, fmt.Errorf("%d units are too few for %d coefficients", f.n, p+1)
	}
	n := float64(f.n)
	for i, v := range y {
		f.meanY += (v - f.meanY) / float64(i+1)
	}
	z := mat.NewDense(f.n, max(p, 1), nil)
	for j, x := range xs {
		mean := 0.0
		for i, v := range x {
			mean += (v - mean) / float64(i+1)
		}
		var squares float64
		for _, v := range x {
			squares += (v - mean) * (v - mean)
		}
		scale := sqrt(squares / n)
		if !(scale > 1e-12*mean) || !finite(scale) {
			return f, fmt.Errorf("control %d is the same in all unseeded units", j+1)
		}
		f.meanX, f.scaleX = append(f.meanX, mean), append(f.scaleX, scale)
		for i, v := range x {
			z.Set(i, j, (v-mean)/scale)
		}
	}
	residual := make([]float64, f.n)
	for i, v := range y {
		residual[i] = v - f.meanY
		f.sst += residual[i] * residual[i]
	}
	if p > 0 {
		var qr mat.QR
		qr.Factorize(z)
		var r mat.Dense
		qr.RTo(&r)
		triangle := mat.NewTriDense(p, mat.Upper, nil)
		var largest float64
		for i := range p {
			largest = max(largest, abs(r.At(i, i)))
			for j := i; j < p; j++ {
				triangle.SetTri(i, j, r.At(i, j))
			}
		}
		for i := range p {
			// Scaled controls have columns of length sqrt(n); what is left of one after
			// the others are taken out must stand above rounding.
			if !(abs(r.At(i, i)) > 1e-9*largest) {
				return f, fmt.Errorf("control %d is a combination of the others in unseeded units", i+1)
			}
		}
		var slope mat.Dense
		if err := qr.SolveTo(&slope, false, mat.NewDense(f.n, 1, append([]float64(nil), residual...))); err != nil {
			return f, fmt.Errorf("controls are combinations of each other: %w", err)
		}
		var inverse mat.TriDense
		if err := inverse.InverseTri(triangle); err != nil {
			return f, fmt.Errorf("controls are combinations of each other: %w", err)
		}
		f.inverse = mat.NewDense(p, p, nil)
		f.inverse.Mul(&inverse, inverse.T())
		f.slope = make([]float64, p)
		for j := range p {
			f.slope[j] = slope.At(j, 0)
			for i := range residual {
				residual[i] -= f.slope[j] * z.At(i, j)
			}
		}
	}
	for _, e := range residual {
		f.sse += e * e
	}
	if !finite(f.sse, f.sst, f.meanY) {
		return f, fmt.Errorf("the amounts are too large to compute with")
	}
	return f, nil
}

// scaled gives the controls of one unit as the fit has them.
func (f *fit) scaled(x []float64) []float64 {
	z := make([]float64, len(x))
	for j, v := range x {
		z[j] = (v - f.meanX[j]) / f.scaleX[j]
	}
	return z
}

// predict y for scaled controls.
func (f *fit) predict(z []float64) float64 {
	y := f.meanY
	for j, v := range z {
		y += f.slope[j] * v
	}
	return y
}

// quadratic is a^2/n + z'(Z'Z)^-1 z: the variance of a times the mean plus the
// slopes times z, over that of one deviation.
func (f *fit) quadratic(a float64, z []float64) float64 {
	q := a * a / float64(f.n)
	for i, u := range z {
		for j, v := range z {
			q += u * v * f.inverse.At(i, j)
		}
	}
	return q
}

// variance of one deviation from the line.
func (f *fit) variance() float64 { return f.sse / float64(f.degreesOfFreedom) }
