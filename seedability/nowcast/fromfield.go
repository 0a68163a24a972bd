package nowcast

import (
	"fmt"
	"math"

	"rimeline/grid"
)

// Codes tells the special values of a mosaic apart.
type Codes struct {
	// NotSeen are values that mean no coverage or no data, NoEcho values that
	// mean seen and empty.
	NotSeen, NoEcho []float32
	// NoEchoDBZ is what a frame holds instead of the NoEcho codes, and the
	// floor of all its values.
	NoEchoDBZ float32
	// ReflectivityDBZ converts values of a field that is not in dBZ, such as
	// a precipitation rate; nil for fields in dBZ.
	ReflectivityDBZ func(value float32) float32
}

// finestSamples bounds the samples taken along one side of a cell.
const finestSamples = 16

// FromField lays a field, such as a mosaic on latitudes and longitudes, on a
// square of n x n cells about a centre. Cells about as large as those of the
// field take the nearest value. Larger ones take the mean, as Z in mm⁶ m⁻³, of
// evenly spread samples, and are not seen where less than half of them are.
// Cells off the field are not seen.
func FromField(f *grid.Field, centre grid.LatLon, spacingM float64, n int, codes Codes) (*Frame, error) {
	plane := CentredPlane(centre, spacingM, n)
	if err := plane.check(); err != nil {
		return nil, err
	}
	if f == nil || f.Grid == nil || f.Grid.NI < 1 || f.Grid.NJ < 1 {
		return nil, fmt.Errorf("the field has no rows and columns")
	}
	if !isFinite(float64(codes.NoEchoDBZ)) {
		return nil, fmt.Errorf("the value of no echo is not a number")
	}
	samples := 1
	dxM, dyM := f.Grid.SpacingM(centre)
	if sourceM := max(dxM, dyM); sourceM > 0 { // not NaN
		samples = int(max(1, min(finestSamples, math.Round(spacingM/sourceM))))
	}
	frame := &Frame{Time: f.ValidTime, Plane: plane, DBZ: make([]float32, n*n), NoEchoDBZ: codes.NoEchoDBZ}
	for j := range n {
		for i := range n {
			var sum float64
			seen := 0
			for b := range samples {
				for a := range samples {
					x := plane.XM(i) + spacingM*((float64(a)+0.5)/float64(samples)-0.5)
					y := plane.YM(j) + spacingM*((float64(b)+0.5)/float64(samples)-0.5)
					dBZ := codes.at(f, plane.Place(x, y))
					if dBZ != dBZ {
						continue
					}
					seen++
					if samples == 1 {
						frame.DBZ[j*n+i] = dBZ
					} else if dBZ > codes.NoEchoDBZ {
						sum += math.Pow(10, float64(dBZ)/10)
					}
				}
			}
			switch {
			case 2*seen < samples*samples || seen == 0:
				frame.DBZ[j*n+i] = nan32
			case samples > 1:
				frame.DBZ[j*n+i] = max(codes.NoEchoDBZ, float32(10*math.Log10(sum/float64(seen))))
			}
		}
	}
	return frame, nil
}

// at is the nearest value of the field, in dBZ; NaN where not seen.
func (c *Codes) at(f *grid.Field, place grid.LatLon) float32 {
	i, j, ok := f.Grid.Locate(place)
	if !ok {
		return nan32
	}
	column := int(math.Round(i))
	if column == f.Grid.NI { // cyclic
		column = 0
	}
	return c.dBZ(f.At(column, int(math.Round(j))))
}

func (c *Codes) dBZ(value float32) float32 {
	for _, code := range c.NotSeen {
		if value == code {
			return nan32
		}
	}
	for _, code := range c.NoEcho {
		if value == code {
			return c.NoEchoDBZ
		}
	}
	if c.ReflectivityDBZ != nil {
		value = c.ReflectivityDBZ(value)
	}
	if math.IsInf(float64(value), 1) {
		return nan32
	}
	return max(value, c.NoEchoDBZ) // NaN stays NaN
}

// ReflectivityFromRateDBZ inverts R = (Z/a)^(1/b), R in mm/h and Z in mm⁶ m⁻³:
// a = 200 and b = 1.6 after Marshall and Palmer (1948, J. Meteor. 5, 165). It
// is minus infinity for no precipitation and NaN for a negative rate.
func ReflectivityFromRateDBZ(rateMMPerH, a, b float64) float64 {
	return 10*math.Log10(a) + 10*b*math.Log10(rateMMPerH)
}
