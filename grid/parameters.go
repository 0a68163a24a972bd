package grid

import "fmt"

// ParametersOf gives what a projection of this package was made from, to be kept
// in a file: LatLonProjection, LambertConformal, Mercator, PolarStereographic,
// TransverseMercator, AlbersEqualArea, LambertAzimuthalEqualArea, RotatedLatLon
// or Geostationary, by value. False for nil and for projections from elsewhere.
func ParametersOf(p Projection) (any, bool) {
	switch p := p.(type) {
	case LatLonProjection:
		return p, true
	case *lambertConformal:
		return p.LambertConformal, true
	case *mercator:
		return p.Mercator, true
	case *polarStereographic:
		return p.PolarStereographic, true
	case *transverseMercator:
		return p.TransverseMercator, true
	case *albersEqualArea:
		return p.AlbersEqualArea, true
	case *lambertAzimuthal:
		return p.LambertAzimuthalEqualArea, true
	case *rotatedLatLon:
		return p.RotatedLatLon, true
	case *geostationary:
		return p.Geostationary, true
	}
	return nil, false
}

// NewProjection is the way back from ParametersOf: the projection computes to the
// bit what the first one did.
func NewProjection(parameters any) (Projection, error) {
	switch p := parameters.(type) {
	case LatLonProjection:
		return p, nil
	case LambertConformal:
		return NewLambertConformal(p)
	case Mercator:
		return NewMercator(p)
	case PolarStereographic:
		return NewPolarStereographic(p)
	case TransverseMercator:
		return NewTransverseMercator(p)
	case AlbersEqualArea:
		return NewAlbersEqualArea(p)
	case LambertAzimuthalEqualArea:
		return NewLambertAzimuthalEqualArea(p)
	case RotatedLatLon:
		return NewRotatedLatLon(p)
	case Geostationary:
		return NewGeostationary(p)
	}
	return nil, fmt.Errorf("%T: %w", parameters, ErrUnsupportedProjection)
}
