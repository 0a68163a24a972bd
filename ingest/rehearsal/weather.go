package rehearsal

import (
	"math"
	"time"

	"rimeline/grid"
)

// Weather is what the writers ask of an invented storm. Distances are on a plane
// whose origin is the middle of the domain, x to the east and y to the north
// (PlaneOf says where that is on the earth); hours count from StartTime. Altitudes
// are above the geoid.
type Weather interface {
	StartTime() time.Time
	// Middle of the domain.
	Middle() grid.LatLon
	// TerrainM is the ground's altitude.
	TerrainM(xM, yM float64) float64
	At(xM, yM, altitudeM, hours float64) Air
	// ReflectivityDBZ is NaN where there is no echo.
	ReflectivityDBZ(xM, yM, altitudeM, hours float64) float64
	// CloudTop is what a satellite sees from straight above.
	CloudTop(xM, yM, hours float64) CloudTop
	// AltitudeOfPressureM is the altitude of a pressure surface.
	AltitudeOfPressureM(xM, yM, pressurePa, hours float64) float64
}

// CloudPhase of a cloud top.
type CloudPhase uint8

const (
	ClearSky          CloudPhase = iota
	LiquidWater                  // warmer than freezing
	SupercooledLiquid            // colder than freezing, droplets at the top
	MixedPhase
	Ice
)

// CloudTop is the top of the highest cloud in a column; temperature and altitude
// are NaN under a clear sky.
type CloudTop struct {
	Phase           CloudPhase
	AirTemperatureK float64
	AltitudeM       float64
}

// Plane carries places on the plane to the earth and back: Lambert conformal,
// tangent at the middle of the domain, on the sphere that the model files state.
type Plane struct{ lambert }

// PlaneOf a storm's domain.
func PlaneOf(w Weather) Plane {
	middle := w.Middle()
	return Plane{newLambert(3, 1000, middle.LatitudeDeg, middle.LongitudeDeg)}
}

// Place of a point of the plane.
func (p Plane) Place(xM, yM float64) grid.LatLon {
	latitudeDeg, longitudeDeg := p.place(xM, yM)
	return grid.LatLon{LatitudeDeg: latitudeDeg, LongitudeDeg: longitudeDeg}
}

// XY of a place: Snyder, USGS Professional Paper 1395 (1987), equations 15-1,
// 15-2, 14-1 and 14-2.
func (p Plane) XY(at grid.LatLon) (xM, yM float64) {
	phi := at.LatitudeDeg * math.Pi / 180
	rho := gribEarthM * p.scaleF / math.Pow(math.Tan(math.Pi/4+phi/2), p.sinLat0)
	sin, cos := math.Sincos(p.sinLat0 * math.Remainder(at.LongitudeDeg-p.longitudeDeg, 360) * math.Pi / 180)
	return rho * sin, p.rhoM - rho*cos
}

// StartTime, Middle, CloudTop and AltitudeOfPressureM make the storm of the small
// example a Weather.
func (s Storm) StartTime() time.Time { return s.Start }

func (s Storm) Middle() grid.LatLon {
	return grid.LatLon{LatitudeDeg: s.LatitudeDeg, LongitudeDeg: s.LongitudeDeg}
}

func (s Storm) AltitudeOfPressureM(_, _, pressurePa, hours float64) float64 {
	return altitudeOfPressureM(pressurePa, hours)
}

// CloudTop of the highest liquid; there is no ice cloud in this storm.
func (s Storm) CloudTop(xM, yM, hours float64) CloudTop {
	const stepM = 50.0
	top := cloudTopM + 500*band(hours)
	for altitudeM := top; altitudeM > cloudBaseM-150; altitudeM -= stepM {
		if s.At(xM, yM, altitudeM, hours).CloudLiquidKgPerKg <= 0 {
			continue
		}
		k := temperatureK(altitudeM, hours)
		phase := SupercooledLiquid
		if k > 273.15 {
			phase = LiquidWater
		}
		return CloudTop{phase, k, altitudeM}
	}
	return CloudTop{ClearSky, math.NaN(), math.NaN()}
}
