package rehearsal

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"image"
	"image/color"
	"image/png"
	"math"
	"time"
)

// compositeAltitudesM are where a composite looks for the largest echo.
var compositeAltitudesM = []float64{1500, 2000, 2500, 3000, 3500, 4000, 5000, 6000, 7000, 8000}

// mosaicGrid is a cut out of the grid of the Multi-Radar/Multi-Sensor System:
// points every 0.01 degrees at 54.995 N and 129.995 W less whole steps, rows from
// the north (section 3 of its public files).
type mosaicGrid struct {
	ni, nj       int
	north, west  float64 // of the first point
	section3     []byte
	xM, yM       []float64
	covered      []bool
	coverRadiusM float64
}

const (
	mosaicStepDeg  = 0.01
	mosaicNorthDeg = 54.995
	mosaicWestDeg  = -129.995
	// codes of the tables of the system for reflectivity
	mosaicNoEcho, mosaicNoCoverage = -99.0, -999.0
	mosaicReference                = -9990.0 // over 10^1
)

// newMosaicGrid covers a circle around the middle of the domain; what its
// rectangle has outside of the circle is not covered.
func newMosaicGrid(plane Plane, radiusM float64) mosaicGrid {
	middle := plane.Place(0, 0)
	latitudes := radiusM / 111.2e3
	longitudes := latitudes / math.Cos(middle.LatitudeDeg*math.Pi/180)
	j0, j1 := math.Floor((mosaicNorthDeg-middle.LatitudeDeg-latitudes)/mosaicStepDeg), math.Ceil((mosaicNorthDeg-middle.LatitudeDeg+latitudes)/mosaicStepDeg)
	i0, i1 := math.Floor((middle.LongitudeDeg-longitudes-mosaicWestDeg)/mosaicStepDeg), math.Ceil((middle.LongitudeDeg+longitudes-mosaicWestDeg)/mosaicStepDeg)
	g := mosaicGrid{ni: int(i1-i0) + 1, nj: int(j1-j0) + 1, north: mosaicNorthDeg - j0*mosaicStepDeg, west: mosaicWestDeg + i0*mosaicStepDeg, coverRadiusM: radiusM}
	for j := range g.nj {
		for i := range g.ni {
			at := middle
			at.LatitudeDeg, at.LongitudeDeg = g.north-float64(j)*mosaicStepDeg, g.west+float64(i)*mosaicStepDeg
			x, y := plane.XY(at)
			g.xM, g.yM = append(g.xM, x), append(g.yM, y)
			g.covered = append(g.covered, math.Hypot(x, y) <= radiusM)
		}
	}
	u32 := binary.BigEndian.AppendUint32
	s3 := u32([]byte{0}, uint32(g.ni*g.nj))
	s3 = append(s3, 0, 0, 0, 0, 2, 1) // template 3.0, earth of IAU 1965
	s3 = append(u32(s3, 6367470), 1)
	s3 = append(u32(s3, 6378160), 1)
	s3 = u32(s3, 6356775)
	s3 = u32(u32(s3, uint32(g.ni)), uint32(g.nj))
	s3 = u32(u32(s3, 1), 1000000)
	s3 = u32(u32(s3, microDeg(g.north)), microDeg(g.west+360))
	s3 = append(s3, 48)
	s3 = u32(u32(s3, microDeg(g.north-float64(g.nj-1)*mosaicStepDeg)), microDeg(g.west+360+float64(g.ni-1)*mosaicStepDeg))
	s3 = u32(u32(s3, 10000), 10000)
	g.section3 = append(s3, 0)
	return g
}

// composite is the largest reflectivity above each point, with the codes.
func (g mosaicGrid) composite(w Weather, at time.Time) []float64 {
	hours := at.Sub(w.StartTime()).Hours()
	values := make([]float64, g.ni*g.nj)
	for k := range values {
		if values[k] = mosaicNoCoverage; !g.covered[k] {
			continue
		}
		values[k] = mosaicNoEcho
		for _, altitudeM := range compositeAltitudesM {
			if dBZ := w.ReflectivityDBZ(g.xM[k], g.yM[k], altitudeM, hours); dBZ > values[k] {
				values[k] = dBZ
			}
		}
	}
	return values
}

// file is the MergedReflectivityQCComposite of a time, gzip around it as it is
// published: discipline 209, template 5.41 (PNG of 16 bits) in steps of 0.1 dBZ.
func (g mosaicGrid) file(w Weather, at time.Time) ([]byte, error) {
	at = at.UTC()
	picture := image.NewGray16(image.Rect(0, 0, g.ni, g.nj))
	for k, v := range g.composite(w, at) {
		picture.SetGray16(k%g.ni, k/g.ni, color.Gray16{Y: uint16(math.Round(v*10) - mosaicReference)})
	}
	var packed bytes.Buffer
	encoder := png.Encoder{CompressionLevel: png.BestSpeed}
	if err := encoder.Encode(&packed, picture); err != nil {
		return nil, err
	}
	// Local tables, observation time; centre missing; test products.
	s1 := []byte{0, 255, 0, 0, 255, 1, 3}
	s1 = binary.BigEndian.AppendUint16(s1, uint16(at.Year()))
	s1 = append(s1, byte(at.Month()), byte(at.Day()), byte(at.Hour()), byte(at.Minute()), byte(at.Second()), 1, 7)
	s4 := []byte{0, 0, 0, 0, 10, 0, 8, 0, 97, 0, 0, 0, 0, 0, 0, 0, 0, 102, 0, 0, 0, 500 >> 8, 500 & 0xff, 255, 1, 0, 0, 0, 0}
	s5 := binary.BigEndian.AppendUint32(nil, uint32(g.ni*g.nj))
	s5 = binary.BigEndian.AppendUint16(s5, 41)
	s5 = binary.BigEndian.AppendUint32(s5, math.Float32bits(mosaicReference))
	s5 = append(s5, 0, 0, 0, 1, 16, 0)
	var out bytes.Buffer
	z, err := gzip.NewWriterLevel(&out, gzip.BestSpeed)
	if err != nil {
		return nil, err
	}
	if _, err = z.Write(gribMessage(209, s1, g.section3, s4, s5, packed.Bytes())); err == nil {
		err = z.Close()
	}
	return out.Bytes(), err
}
