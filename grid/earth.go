package grid

import (
	"errors"
	"fmt"
	"math"
)

// Earth is the figure on which a projection is computed: a sphere where both
// axes are equal, else an ellipsoid flattened at the poles.
type Earth struct{ SemiMajorM, SemiMinorM float64 }

// The figures of WMO GRIB2 code table 3.2 that carry their own size.
var (
	// IAU1965 has the axes that code table 3.2 prints; the flattening of 1/297
	// printed beside them does not follow from them (1/298.25 does) and is not used.
	IAU1965 = Earth{6378160, 6356775}
	// GRS80 is the ellipsoid of IAG 1980, flattening 1/298.257222101.
	GRS80 = Earth{6378137, 6356752.314140356}
	// WGS84 has the flattening 1/298.257223563.
	WGS84 = Earth{6378137, 6356752.314245179}
	// Airy1830 is the ellipsoid of the Ordnance Survey of Great Britain, 1936 datum.
	Airy1830 = Earth{6377563.396, 6356256.909}
)

// ErrNoEarth is returned where a projection needs the size of the earth and the
// file does not give it. Latitude-longitude grids never need it.
var ErrNoEarth = errors.New("the size of the earth is not given")

// Sphere is a round earth.
func Sphere(radiusM float64) Earth { return Earth{radiusM, radiusM} }

// EarthFromGRIB2 returns the figure that a code of WMO GRIB2 code table 3.2
// names. radiusM serves code 1; majorM and minorM serve codes 3 and 7; give NaN
// or 0 for what the message leaves missing. Code 3 counts in kilometres, yet
// messages with metres under that code exist: below 100 000 it is taken as km.
func EarthFromGRIB2(code int, radiusM, majorM, minorM float64) (Earth, error) {
	switch code {
	case 0:
		return Sphere(6367470), nil
	case 1:
		if !(radiusM > 0) {
			return Earth{}, fmt.Errorf("shape of the earth 1 (sphere, radius by producer) without a radius: %w", ErrNoEarth)
		}
		return checkedEarth(code, Sphere(radiusM))
	case 2:
		return IAU1965, nil
	case 3, 7:
		if !(majorM > 0) || !(minorM > 0) {
			return Earth{}, fmt.Errorf("shape of the earth %d (ellipsoid, axes by producer) without both axes: %w", code, ErrNoEarth)
		}
		if code == 3 && majorM < 1e5 && minorM < 1e5 {
			majorM, minorM = majorM*1000, minorM*1000
		}
		return checkedEarth(code, Earth{majorM, minorM})
	case 4:
		return GRS80, nil
	case 5:
		return WGS84, nil
	case 6:
		return Sphere(6371229), nil
	case 8:
		// The projection is on the sphere; that its latitudes are meant on WGS 84
		// moves no grid point.
		return Sphere(6371200), nil
	case 9:
		return Airy1830, nil
	case 11:
		return Sphere(695990000), nil // the sun (Stonyhurst system)
	case 255:
		return Earth{}, fmt.Errorf("shape of the earth is missing (255): %w", ErrNoEarth)
	}
	return Earth{}, fmt.Errorf("shape of the earth %d is not one of 0 to 9 and 11 (code table 3.2)", code)
}

func checkedEarth(code int, earth Earth) (Earth, error) {
	if err := earth.check(); err != nil {
		return Earth{}, fmt.Errorf("shape of the earth %d: %w", code, err)
	}
	return earth, nil
}

// check refuses figures on which the formulas of this package do not hold.
func (e Earth) check() error {
	switch {
	case e == Earth{}:
		return ErrNoEarth
	case !(e.SemiMajorM > 0) || !(e.SemiMinorM > 0) || e.SemiMajorM > 1e12:
		return fmt.Errorf("axes of the earth %g and %g m are no lengths", e.SemiMajorM, e.SemiMinorM)
	case e.SemiMajorM < 1e5:
		return fmt.Errorf("major axis of the earth %g m: kilometres where metres are due", e.SemiMajorM)
	case e.SemiMinorM > e.SemiMajorM:
		return fmt.Errorf("minor axis of the earth %g m exceeds the major axis %g m", e.SemiMinorM, e.SemiMajorM)
	case e.SemiMinorM < 0.9*e.SemiMajorM:
		return fmt.Errorf("axes of the earth %g and %g m: flattened by more than a tenth", e.SemiMajorM, e.SemiMinorM)
	}
	return nil
}

// eccentricity is 0 for a sphere.
func (e Earth) eccentricity() float64 {
	return math.Sqrt((e.SemiMajorM-e.SemiMinorM)*(e.SemiMajorM+e.SemiMinorM)) / e.SemiMajorM
}

const radPerDeg = math.Pi / 180

// parallelRadius is Snyder's m (1987, eq. 14-15): the radius of a parallel over
// the semi-major axis.
func parallelRadius(sinLat, cosLat, eccentricity float64) float64 {
	return cosLat / math.Sqrt(1-eccentricity*eccentricity*sinLat*sinLat)
}

// colatitudeTangent is Snyder's t (1987, eq. 15-9): the tangent of half the
// conformal colatitude, 0 at the north pole, 1 at the equator.
func colatitudeTangent(sinLat, cosLat, eccentricity float64) float64 {
	var t float64
	if sinLat >= 0 {
		t = cosLat / (1 + sinLat)
	} else { // the other form keeps its digits here
		t = (1 - sinLat) / cosLat
	}
	if eccentricity != 0 {
		t *= math.Exp(eccentricity * math.Atanh(eccentricity*sinLat))
	}
	return t
}

// latitudeRad inverts colatitudeTangent: Newton's method on the tangent of the
// latitude (Karney 2011, J. Geodesy 85, 475, eqs. 19 to 21), which reaches
// rounding in two or three steps.
func latitudeRad(t, eccentricity float64) float64 {
	if eccentricity == 0 {
		return math.Pi/2 - 2*math.Atan(t)
	}
	conformal := (1/t - t) / 2
	if math.Abs(conformal) > 1e12 { // within a few micrometres of a pole
		return math.Copysign(math.Pi/2, conformal)
	}
	e2m := 1 - eccentricity*eccentricity
	tangent := conformal / e2m
	for range 6 {
		secant := math.Sqrt(1 + tangent*tangent)
		s := math.Sinh(eccentricity * math.Atanh(eccentricity*tangent/secant))
		got := tangent*math.Sqrt(1+s*s) - s*secant
		step := (conformal - got) / math.Sqrt(1+got*got) * (1 + e2m*tangent*tangent) / (e2m * secant)
		tangent += step
		if math.Abs(step) <= 1e-15*math.Max(1, math.Abs(tangent)) {
			break
		}
	}
	return math.Atan(tangent)
}

// isPlace reports whether p is finite and between the poles.
func isPlace(p LatLon) bool {
	return math.Abs(p.LatitudeDeg) <= 90 && math.Abs(p.LongitudeDeg) < 1e6
}

func finite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}
