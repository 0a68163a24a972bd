package drift

import (
	"math"
	"time"

	"rimeline/grid"
)

// air is what a particle reads, in the coordinates of a plane (steps of it a
// second) and in seconds: grid.Tracer, or any Flow behind tangentAir.
type air interface {
	Velocity(x, y, altitudeM, seconds float64) (xPerS, yPerS, upwardMPerS float64, ok bool)
	Air(x, y, altitudeM, seconds float64, into *grid.Air) bool
	TerrainAltitudeM(x, y float64) (float64, bool)
}

// medium is the atmosphere of a run: how to read it, its plane and its clock.
type medium struct {
	newAir      func() air
	plane       func(grid.LatLon) (x, y float64, ok bool)
	place       func(x, y float64) (grid.LatLon, bool)
	metric      func(x, y float64) grid.Metric
	origin      time.Time
	first, last float64 // seconds after origin
	cloudWater  bool
}

func (m *medium) time(seconds float64) time.Time {
	return m.origin.Add(time.Duration(math.Round(seconds*1000)) * time.Millisecond).UTC()
}

// box is a Flow with a fast reader: grid.Atmosphere.
type box interface {
	Tracer() *grid.Tracer
	Plane(grid.LatLon) (x, y float64, ok bool)
	PlaceAt(x, y float64) (grid.LatLon, bool)
	MetricAt(x, y float64) grid.Metric
	Times() []time.Time
	TimeRange() (first, last time.Time)
	HasCloudWater() bool
}

func newMedium(flow Flow, around grid.LatLon) medium {
	if b, ok := flow.(box); ok {
		origin := b.Times()[0]
		first, last := b.TimeRange()
		return medium{
			newAir: func() air { return b.Tracer() },
			plane:  b.Plane, place: b.PlaceAt, metric: b.MetricAt, origin: origin,
			first: first.Sub(origin).Seconds(), last: last.Sub(origin).Seconds(),
			cloudWater: b.HasCloudWater(),
		}
	}
	p := planeAround(around)
	origin := time.Unix(0, 0).UTC()
	return medium{
		newAir: func() air { return &tangentAir{flow, p, origin} },
		plane: func(at grid.LatLon) (x, y float64, ok bool) {
			x, y, ok = p.plane(at)
			return x / unitM, y / unitM, ok
		},
		place: func(x, y float64) (grid.LatLon, bool) { return p.place(x*unitM, y*unitM) },
		metric: func(x, y float64) grid.Metric {
			at, _ := p.place(x*unitM, y*unitM)
			stretch := p.stretch(at.LatitudeDeg)
			return grid.Metric{IPerEastM: stretch / unitM, JPerNorthM: 1 / unitM, EastMPerI: unitM / stretch, NorthMPerJ: unitM}
		},
		origin: origin,
		first:  math.Inf(-1), last: math.Inf(1), cloudWater: true,
	}
}

const rad = math.Pi / 180

// unitM is the step of the plane of a Flow that has no cells: what its Courant
// number is counted in.
const unitM = 10e3

// tangentPlane serves a Flow that is not a box: x is metres east along the
// parallel of its middle, y metres north.
type tangentPlane struct {
	middle grid.LatLon
	cosine float64
}

func (p tangentPlane) plane(at grid.LatLon) (x, y float64, ok bool) {
	x = grid.EarthRadiusM * rad * p.cosine * grid.NormalLongitudeDeg(at.LongitudeDeg-p.middle.LongitudeDeg)
	return x, grid.EarthRadiusM * rad * (at.LatitudeDeg - p.middle.LatitudeDeg), p.cosine > 0.01
}

func (p tangentPlane) place(x, y float64) (grid.LatLon, bool) {
	at := grid.LatLon{
		LatitudeDeg:  p.middle.LatitudeDeg + y/(grid.EarthRadiusM*rad),
		LongitudeDeg: grid.NormalLongitudeDeg(p.middle.LongitudeDeg + x/(grid.EarthRadiusM*rad*p.cosine)),
	}
	return at, math.Abs(at.LatitudeDeg) < 89.9
}

// stretch is how many metres of x a metre of ground along the parallel is.
func (p tangentPlane) stretch(latitudeDeg float64) float64 {
	return p.cosine / math.Cos(latitudeDeg*rad)
}

// tangentAir reads a Flow on a tangent plane.
type tangentAir struct {
	flow   Flow
	plane  tangentPlane
	origin time.Time
}

func (t *tangentAir) at(seconds float64) time.Time {
	return t.origin.Add(time.Duration(math.Round(seconds * 1e9)))
}

func (t *tangentAir) Velocity(x, y, altitudeM, seconds float64) (xPerS, yPerS, upwardMPerS float64, ok bool) {
	place, ok := t.plane.place(x*unitM, y*unitM)
	if !ok {
		return 0, 0, 0, false
	}
	wind, ok := t.flow.WindAt(grid.Position{LatLon: place, AltitudeM: altitudeM}, t.at(seconds))
	return wind.EastwardMPerS * t.plane.stretch(place.LatitudeDeg) / unitM, wind.NorthwardMPerS / unitM, wind.UpwardMPerS, ok
}

func (t *tangentAir) Air(x, y, altitudeM, seconds float64, into *grid.Air) bool {
	place, ok := t.plane.place(x*unitM, y*unitM)
	if !ok {
		return false
	}
	terrainM, ok := t.flow.TerrainAltitudeM(place)
	if !ok {
		return false
	}
	s, ok := t.flow.StateAt(grid.Position{LatLon: place, AltitudeM: altitudeM}, t.at(seconds))
	if !ok {
		return false
	}
	u, v := s.EastwardMPerS*t.plane.stretch(place.LatitudeDeg)/unitM, s.NorthwardMPerS/unitM
	heightM := altitudeM - terrainM
	*into = grid.Air{
		XPerS: u, YPerS: v, UpwardMPerS: s.UpwardMPerS, TerrainAltitudeM: terrainM, HeightAboveGroundM: heightM,
		AirTemperatureK: s.AirTemperatureK, PressurePa: s.PressurePa, SpecificHumidity: s.SpecificHumidity,
		CloudLiquidKgPerKg: s.CloudLiquidKgPerKg, StabilityPerS2: s.StabilityPerS2,
		Below:         grid.AirOnLevel{HeightAboveGroundM: heightM - 0.5, XPerS: u, YPerS: v, StabilityPerS2: s.StabilityPerS2},
		PerThicknessM: 1,
		Above:         grid.AirOnLevel{HeightAboveGroundM: heightM + 0.5, XPerS: u, YPerS: v, StabilityPerS2: s.StabilityPerS2},
	}
	return true
}

func (t *tangentAir) TerrainAltitudeM(x, y float64) (float64, bool) {
	place, ok := t.plane.place(x*unitM, y*unitM)
	if !ok {
		return math.NaN(), false
	}
	return t.flow.TerrainAltitudeM(place)
}
