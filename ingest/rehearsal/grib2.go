package rehearsal

import (
	"encoding/binary"
	"math"
	"time"
)

// The GRIB2 writer knows just what the rehearsal needs: grid template 3.30
// (Lambert conformal), product template 4.0, data template 5.0 (simple
// packing). WMO-No. 306, Vol. I.2, FM 92 GRIB edition 2.

// lambert is a Lambert conformal grid tangent at its middle latitude, on a
// sphere of 6 371 229 m (code table 3.2, value 6), winds along the grid.
type lambert struct {
	n             int
	spacingM      float64
	latitudeDeg   float64
	longitudeDeg  float64
	sinLat0, rhoM float64
	scaleF        float64
}

const gribEarthM = 6371229.0

func newLambert(n int, spacingM, latitudeDeg, longitudeDeg float64) lambert {
	g := lambert{n: n, spacingM: spacingM, latitudeDeg: latitudeDeg, longitudeDeg: longitudeDeg}
	phi := latitudeDeg * math.Pi / 180
	g.sinLat0 = math.Sin(phi)
	g.scaleF = math.Cos(phi) * math.Pow(math.Tan(math.Pi/4+phi/2), g.sinLat0) / g.sinLat0
	g.rhoM = gribEarthM * g.scaleF / math.Pow(math.Tan(math.Pi/4+phi/2), g.sinLat0)
	return g
}

// xy is the plane position of a grid point, the middle of the grid at (0, 0).
func (g lambert) xy(i, j int) (xM, yM float64) {
	half := float64(g.n-1) / 2
	return (float64(i) - half) * g.spacingM, (float64(j) - half) * g.spacingM
}

// place inverts the projection: Snyder, USGS Professional Paper 1395 (1987),
// equations 14-11, 14-9 and 15-5.
func (g lambert) place(xM, yM float64) (latitudeDeg, longitudeDeg float64) {
	dy := g.rhoM - yM
	rho := math.Hypot(xM, dy)
	latitudeDeg = 2*math.Atan(math.Pow(gribEarthM*g.scaleF/rho, 1/g.sinLat0))*180/math.Pi - 90
	return latitudeDeg, g.longitudeDeg + math.Atan2(xM, dy)/g.sinLat0*180/math.Pi
}

// quantity is one GRIB2 parameter, its numbers and its precision.
type quantity struct {
	category, number byte
	decimalScale     int
	surface          byte    // code table 4.5
	level            float64 // in the unit of the surface
}

func signMagnitude16(v int) uint16 {
	if v < 0 {
		return 0x8000 | uint16(-v)
	}
	return uint16(v)
}

func signMagnitude32(v int64) uint32 {
	if v < 0 {
		return 0x80000000 | uint32(-v)
	}
	return uint32(v)
}

// message writes one field as a whole GRIB2 message.
func message(g lambert, q quantity, reference time.Time, forecastMinutes int, values []float64) []byte {
	u8 := func(b []byte, v ...byte) []byte { return append(b, v...) }
	u16, u32 := binary.BigEndian.AppendUint16, binary.BigEndian.AppendUint32

	// Section 1: centre 255 (missing: nobody real made this), tables version 28,
	// forecast, test products.
	var s1 []byte
	s1 = u16(s1, 255)
	s1 = u16(s1, 0)
	s1 = u8(s1, 28, 0, 1)
	s1 = u16(s1, uint16(reference.Year()))
	s1 = u8(s1, byte(reference.Month()), byte(reference.Day()), byte(reference.Hour()), byte(reference.Minute()), byte(reference.Second()))
	s1 = u8(s1, 1, 1)

	x0, y0 := g.xy(0, 0)
	lat0, lon0 := g.place(x0, y0)
	s3 := lambertSection(g.n, g.spacingM, lat0, lon0, g.latitudeDeg, g.longitudeDeg)

	// Section 4, template 4.0.
	var s4 []byte
	s4 = u16(s4, 0)
	s4 = u16(s4, 0)
	s4 = u8(s4, q.category, q.number, 2, 0, 0)
	s4 = u16(s4, 0)
	s4 = u8(s4, 0, 0) // unit: minute
	s4 = u32(s4, uint32(forecastMinutes))
	s4 = u8(s4, q.surface)
	if q.surface == 1 {
		s4 = u8(s4, 0)
		s4 = u32(s4, 0)
	} else {
		s4 = u8(s4, 0)
		s4 = u32(s4, uint32(math.Round(q.level)))
	}
	s4 = u8(s4, 255, 255)
	s4 = u32(s4, 0xffffffff)

	// Sections 5 and 7, template 5.0: Y = (R + X) / 10^D with whole steps X.
	scale := math.Pow(10, float64(q.decimalScale))
	low, high := math.Inf(1), math.Inf(-1)
	for _, v := range values {
		low, high = math.Min(low, math.Round(v*scale)), math.Max(high, math.Round(v*scale))
	}
	reference32 := float32(low)
	bits := 0
	for span := uint64(high - float64(reference32)); span > 0; span >>= 1 {
		bits++
	}
	if bits == 0 {
		// Readers differ on whether R of a constant field is scaled by 10^D:
		// with D = 0 they agree.
		q.decimalScale, reference32 = 0, float32(low/scale)
	}
	var s5 []byte
	s5 = u32(s5, uint32(len(values)))
	s5 = u16(s5, 0)
	s5 = u32(s5, math.Float32bits(reference32))
	s5 = u16(s5, 0)
	s5 = u16(s5, signMagnitude16(q.decimalScale))
	s5 = u8(s5, byte(bits), 0)

	data := make([]byte, (len(values)*bits+7)/8)
	at := 0
	for _, v := range values {
		x := uint64(math.Round(v*scale) - float64(reference32))
		for b := bits - 1; b >= 0; b-- {
			if x>>b&1 == 1 {
				data[at/8] |= 0x80 >> (at % 8)
			}
			at++
		}
	}

	return gribMessage(0, s1, s3, s4, s5, data)
}

// pressureLevelsHPa of the rehearsal's model files.
var pressureLevelsHPa = []int{875, 850, 825, 800, 775, 750, 725, 700, 675, 650, 625, 600, 550, 500, 450, 400}

// ModelFile writes one forecast hour of the storm as a file of GRIB2 messages
// on pressure levels and at the surface: HGT, TMP, SPFH, CLWMR, UGRD, VGRD,
// VVEL, and surface height and pressure. points is the number of rows and
// columns, spacingM their distance.
func (s Storm) ModelFile(points int, spacingM float64, forecastMinutes int) []byte {
	g := newLambert(points, spacingM, s.LatitudeDeg, s.LongitudeDeg)
	hours := float64(forecastMinutes) / 60
	fill := func(f func(xM, yM float64) float64) []float64 {
		values := make([]float64, 0, points*points)
		for j := range points {
			for i := range points {
				values = append(values, f(g.xy(i, j)))
			}
		}
		return values
	}
	var file []byte
	add := func(q quantity, f func(xM, yM float64) float64) {
		file = append(file, message(g, q, s.Start, forecastMinutes, fill(f))...)
	}
	for _, hPa := range pressureLevelsHPa {
		pa := float64(hPa) * 100
		altitudeM := altitudeOfPressureM(pa, hours)
		level := func(category, number byte, decimalScale int, pick func(Air) float64) {
			add(quantity{category, number, decimalScale, 100, pa}, func(xM, yM float64) float64 {
				return pick(s.At(xM, yM, altitudeM, hours))
			})
		}
		level(3, 5, 1, func(Air) float64 { return altitudeM })
		level(0, 0, 2, func(a Air) float64 { return a.AirTemperatureK })
		level(1, 0, 6, func(a Air) float64 { return a.SpecificHumidity })
		level(1, 22, 6, func(a Air) float64 { return a.CloudLiquidKgPerKg })
		level(2, 2, 1, func(a Air) float64 { return a.EastwardMPerS })
		level(2, 3, 1, func(a Air) float64 { return a.NorthwardMPerS })
		level(2, 8, 2, func(a Air) float64 {
			// omega = -w rho g, for dry air to the formula's accuracy.
			return -a.UpwardMPerS * a.PressurePa / (gasConstantDryAir * a.AirTemperatureK) * gravityMPerS2
		})
	}
	add(quantity{3, 5, 1, 1, 0}, s.TerrainM)
	add(quantity{3, 0, -1, 1, 0}, func(xM, yM float64) float64 { return pressurePa(s.TerrainM(xM, yM), hours) })
	return file
}
