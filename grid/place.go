package grid

import "math"

// EarthRadiusM is the radius of the sphere on which distances and drift are
// computed. Value from memory: the mean radius of the WGS 84 ellipsoid,
// rounded to 1 km; the difference to an ellipsoidal distance is below 0.6 %.
const EarthRadiusM = 6371000.0

// LatLon is a geographic place. North and east are positive. Longitudes may be
// given in any turn (-110 and 250 are the same place); LongitudeDeg as returned
// by this package lies in [-180, 180).
type LatLon struct{ LatitudeDeg, LongitudeDeg float64 }

// Position is a place and its altitude above the geoid (not above ground).
type Position struct {
	LatLon
	AltitudeM float64
}

// Wind is relative to the earth: eastward, northward and upward are positive.
type Wind struct{ EastwardMPerS, NorthwardMPerS, UpwardMPerS float64 }

// NormalLongitudeDeg folds a longitude into [-180, 180).
func NormalLongitudeDeg(longitudeDeg float64) float64 {
	if longitudeDeg >= -180 && longitudeDeg < 180 {
		return longitudeDeg
	}
	folded := math.Mod(longitudeDeg+180, 360)
	if folded < 0 {
		folded += 360
	}
	return folded - 180
}

// DistanceM is the great-circle distance (haversine form, which keeps its
// precision for small distances).
func DistanceM(a, b LatLon) float64 {
	const rad = math.Pi / 180
	sinLat := math.Sin((b.LatitudeDeg - a.LatitudeDeg) * rad / 2)
	sinLon := math.Sin((b.LongitudeDeg - a.LongitudeDeg) * rad / 2)
	h := sinLat*sinLat + math.Cos(a.LatitudeDeg*rad)*math.Cos(b.LatitudeDeg*rad)*sinLon*sinLon
	return 2 * EarthRadiusM * math.Asin(math.Min(1, math.Sqrt(h)))
}
