package nowcast

import (
	"errors"
	"fmt"
	"math"
	"time"

	"rimeline/grid"
)

// maxCells is the ceiling on the cells of a frame: a continent at 1 km.
const maxCells = 32 << 20

// Plane is a regular grid in metres about an origin: x east, y north, in the
// azimuthal equidistant projection on the sphere of grid.EarthRadiusM, so that
// distances and bearings from the origin (a radar, a site) are true. Row 0 is
// the southernmost. Two planes are the same where they compare equal.
type Plane struct {
	Origin   grid.LatLon
	SpacingM float64
	NI, NJ   int
	// WestM and SouthM are x and y of the centre of the cell (0, 0).
	WestM, SouthM float64
}

// CentredPlane is a square of n x n cells with the origin in its middle.
func CentredPlane(origin grid.LatLon, spacingM float64, n int) Plane {
	first := -spacingM * float64(n-1) / 2
	return Plane{Origin: origin, SpacingM: spacingM, NI: n, NJ: n, WestM: first, SouthM: first}
}

// XM and YM are the coordinates of the centres of column i and row j.
func (p Plane) XM(i int) float64 { return p.WestM + float64(i)*p.SpacingM }

// YM is the coordinate of the centres of row j.
func (p Plane) YM(j int) float64 { return p.SouthM + float64(j)*p.SpacingM }

// XY projects a place (Snyder 1987, USGS Professional Paper 1395, eqs. 22-4,
// 22-5 and 25-2, in the haversine form that keeps its digits near the origin).
// It is NaN for what is no place.
func (p Plane) XY(place grid.LatLon) (xM, yM float64) {
	sinLat0, cosLat0 := math.Sincos(p.Origin.LatitudeDeg * radPerDeg)
	sinLat, cosLat := math.Sincos(place.LatitudeDeg * radPerDeg)
	sinLon, cosLon := math.Sincos((place.LongitudeDeg - p.Origin.LongitudeDeg) * radPerDeg)
	east := cosLat * sinLon
	north := cosLat0*sinLat - sinLat0*cosLat*cosLon
	c := grid.DistanceM(p.Origin, place) / grid.EarthRadiusM
	sinC := math.Hypot(east, north)
	if sinC == 0 {
		if c > 1 { // the antipode has no direction
			return math.NaN(), math.NaN()
		}
		return 0, 0
	}
	k := grid.EarthRadiusM * c / sinC
	return k * east, k * north
}

// Place is the inverse of XY (Snyder eqs. 20-14, 20-15).
func (p Plane) Place(xM, yM float64) grid.LatLon {
	rho := math.Hypot(xM, yM)
	if rho == 0 {
		return grid.LatLon{LatitudeDeg: p.Origin.LatitudeDeg, LongitudeDeg: grid.NormalLongitudeDeg(p.Origin.LongitudeDeg)}
	}
	sinLat0, cosLat0 := math.Sincos(p.Origin.LatitudeDeg * radPerDeg)
	sinC, cosC := math.Sincos(rho / grid.EarthRadiusM)
	latitude := math.Asin(max(-1, min(1, cosC*sinLat0+yM*sinC*cosLat0/rho)))
	longitude := math.Atan2(xM*sinC, rho*cosLat0*cosC-yM*sinLat0*sinC)
	return grid.LatLon{LatitudeDeg: latitude / radPerDeg, LongitudeDeg: grid.NormalLongitudeDeg(p.Origin.LongitudeDeg + longitude/radPerDeg)}
}

const radPerDeg = math.Pi / 180

func (p Plane) check() error {
	switch {
	case !(p.SpacingM > 0) || math.IsInf(p.SpacingM, 0):
		return fmt.Errorf("spacing %g m is no length", p.SpacingM)
	case p.NI < 1 || p.NJ < 1 || p.NI > maxCells || p.NJ > maxCells/p.NI:
		return fmt.Errorf("%d columns and %d rows: want at least one each and at most %d cells", p.NI, p.NJ, maxCells)
	case !isFinite(p.WestM, p.SouthM, p.Origin.LatitudeDeg, p.Origin.LongitudeDeg) || math.Abs(p.Origin.LatitudeDeg) > 90:
		return errors.New("origin or corner is not a place")
	}
	return nil
}

// Frame is what was seen at one moment.
type Frame struct {
	Time time.Time
	Plane
	// DBZ is reflectivity, i (east) fastest: cell (i, j) is at j*NI+i. NaN is
	// not seen: no coverage, beam blocked or overshooting. It never means no
	// echo, which is NoEchoDBZ or less.
	DBZ []float32
	// NoEchoDBZ is the low value of cells that were seen and empty.
	NoEchoDBZ float32
}

func (f *Frame) check() error {
	if f == nil {
		return errors.New("no frame")
	}
	if err := f.Plane.check(); err != nil {
		return err
	}
	if len(f.DBZ) != f.NI*f.NJ {
		return fmt.Errorf("%d values for %d columns and %d rows", len(f.DBZ), f.NI, f.NJ)
	}
	if !isFinite(float64(f.NoEchoDBZ)) {
		return errors.New("the value of no echo is not a number")
	}
	return nil
}

func isFinite(values ...float64) bool {
	for _, v := range values {
		if math.IsNaN(v) || math.IsInf(v, 0) {
			return false
		}
	}
	return true
}

var nan32 = float32(math.NaN())
