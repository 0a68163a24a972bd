package rehearsal

import (
	"encoding/binary"
	"fmt"
	"math"
	"strings"
	"time"
)

// The grid of the High-Resolution Rapid Refresh is tangent at 38.5 N, along 97.5
// W; winds are along it (section 3 of its public files).
const (
	hrrrParallelDeg = 38.5
	hrrrMeridianDeg = -97.5
)

// hrrrLevelsHPa in the order of the files, from above. The real ones reach to 50
// hPa.
var hrrrLevelsHPa = func() (levels []int) {
	for hPa := 400; hPa <= 1000; hPa += 25 {
		levels = append(levels, hPa)
	}
	return levels
}()

// hrrrMessage is one message as the inventory names it and section 4 codes it.
type hrrrMessage struct {
	variable         string // wgrib2's abbreviation
	category, number byte
	surface          byte    // code table 4.5
	level            float64 // in the surface's unit
	levelName        string
}

// Numbers of GRIB2 code table 4.2. Not all of them are of use to anybody here:
// real files are longer than what is read of them.
var hrrrOnLevels = []hrrrMessage{
	{variable: "HGT", category: 3, number: 5}, {variable: "TMP", category: 0, number: 0}, {variable: "RH", category: 1, number: 1},
	{variable: "DPT", category: 0, number: 6}, {variable: "SPFH", category: 1, number: 0}, {variable: "VVEL", category: 2, number: 8},
	{variable: "UGRD", category: 2, number: 2}, {variable: "VGRD", category: 2, number: 3}, {variable: "ABSV", category: 2, number: 10},
	{variable: "CLMR", category: 1, number: 22}, {variable: "CIMIXR", category: 1, number: 82}, {variable: "RWMR", category: 1, number: 24},
	{variable: "SNMR", category: 1, number: 25}, {variable: "GRLE", category: 1, number: 32},
}

var hrrrOnSurfaces = []hrrrMessage{
	{"REFC", 16, 5, 10, 0, "entire atmosphere"},
	{"GUST", 2, 22, 1, 0, "surface"},
	{"PRES", 3, 0, 1, 0, "surface"},
	{"HGT", 3, 5, 1, 0, "surface"},
	{"TMP", 0, 0, 1, 0, "surface"},
	{"TMP", 0, 0, 103, 2, "2 m above ground"},
	{"DPT", 0, 6, 103, 2, "2 m above ground"},
	{"UGRD", 2, 2, 103, 10, "10 m above ground"},
	{"VGRD", 2, 3, 103, 10, "10 m above ground"},
}

// hrrrMessages lists all messages of a file in their order.
var hrrrMessages = func() (messages []hrrrMessage) {
	for _, hPa := range hrrrLevelsHPa {
		for _, m := range hrrrOnLevels {
			m.surface, m.level, m.levelName = 100, float64(hPa)*100, fmt.Sprintf("%d mb", hPa)
			messages = append(messages, m)
		}
	}
	return append(messages, hrrrOnSurfaces...)
}()

// modelGrid is a square on HRRR's projection around the middle of a domain.
type modelGrid struct {
	n        int
	spacingM float64
	section3 []byte
	points   []modelPoint // rows from the south
}

// modelPoint is a point of the grid: where it is on the storm's plane, and the
// turn from the plane's axes to the grid's.
type modelPoint struct{ xM, yM, cos, sin float64 }

func newModelGrid(plane Plane, n int, spacingM float64) modelGrid {
	cone := Plane{newLambert(3, 1000, hrrrParallelDeg, hrrrMeridianDeg)}
	centreX, centreY := cone.XY(plane.Place(0, 0))
	g := modelGrid{n: n, spacingM: spacingM, points: make([]modelPoint, 0, n*n)}
	half := float64(n-1) / 2
	for j := range n {
		for i := range n {
			at := cone.Place(centreX+(float64(i)-half)*spacingM, centreY+(float64(j)-half)*spacingM)
			if i == 0 && j == 0 {
				g.section3 = lambertSection(n, spacingM, at.LatitudeDeg, at.LongitudeDeg, hrrrParallelDeg, hrrrMeridianDeg)
			}
			x, y := plane.XY(at)
			turn := plane.convergenceRad(at.LongitudeDeg) - cone.convergenceRad(at.LongitudeDeg)
			sin, cos := math.Sincos(turn)
			g.points = append(g.points, modelPoint{x, y, cos, sin})
		}
	}
	return g
}

// convergenceRad is how far true north leans to the left of the plane's y axis.
func (p Plane) convergenceRad(longitudeDeg float64) float64 {
	return p.sinLat0 * math.Remainder(longitudeDeg-p.longitudeDeg, 360) * math.Pi / 180
}

// hrrrSection1 of a run. The centre is 255, missing: nobody real made this.
func hrrrSection1(run time.Time) []byte {
	s1 := []byte{0, 255, 0, 0, 2, 1, 1}
	s1 = binary.BigEndian.AppendUint16(s1, uint16(run.Year()))
	return append(s1, byte(run.Month()), byte(run.Day()), byte(run.Hour()), 0, 0, 0, 1)
}

func (m hrrrMessage) section4(forecastHour int) []byte {
	s4 := []byte{0, 0, 0, 0, m.category, m.number, 2, 0, 83, 0, 0, 0, 1}
	s4 = binary.BigEndian.AppendUint32(s4, uint32(forecastHour))
	s4 = append(s4, m.surface, 0)
	s4 = binary.BigEndian.AppendUint32(s4, uint32(m.level))
	s4 = append(s4, 255, 0)
	return binary.BigEndian.AppendUint32(s4, 0)
}

// messageBytes is the same for all messages of a grid.
func (g modelGrid) messageBytes() int {
	s5, s7 := wordsSections5And7(make([]float64, len(g.points)))
	return gribMessageBytes(hrrrSection1(time.Unix(0, 0)), g.section3, hrrrMessages[0].section4(0), s5, s7)
}

// fileBytes is the length of any of its files.
func (g modelGrid) fileBytes() int { return g.messageBytes() * len(hrrrMessages) }

// inventory is the .idx file: number, offset, reference time, variable, level and
// forecast of each message, as wgrib2 -s prints them.
func (g modelGrid) inventory(run time.Time, forecastHour int) []byte {
	forecast := "anl"
	if forecastHour > 0 {
		forecast = fmt.Sprintf("%d hour fcst", forecastHour)
	}
	each := g.messageBytes()
	var b strings.Builder
	for k, m := range hrrrMessages {
		fmt.Fprintf(&b, "%d:%d:d=%s:%s:%s:%s:\n", k+1, k*each, run.Format("2006010215"), m.variable, m.levelName, forecast)
	}
	return []byte(b.String())
}

// file is one forecast hour of a run. hours of the weather count from its
// StartTime, whatever the run.
func (g modelGrid) file(w Weather, run time.Time, forecastHour int) []byte {
	hours := run.Add(time.Duration(forecastHour) * time.Hour).Sub(w.StartTime()).Hours()
	run = run.UTC()
	s1 := hrrrSection1(run)
	out := make([]byte, 0, g.fileBytes())
	add := func(m hrrrMessage, values []float64) {
		s5, s7 := wordsSections5And7(values)
		out = append(out, gribMessage(0, s1, g.section3, m.section4(forecastHour), s5, s7)...)
	}
	fields := make([][]float64, len(hrrrOnLevels))
	for k := range fields {
		fields[k] = make([]float64, len(g.points))
	}
	coriolisPerS := 2 * 7.292115e-5 * math.Sin(w.Middle().LatitudeDeg*math.Pi/180)
	next := 0
	for _, hPa := range hrrrLevelsHPa {
		pa := float64(hPa) * 100
		for k, p := range g.points {
			altitudeM := w.AltitudeOfPressureM(p.xM, p.yM, pa, hours)
			a := w.At(p.xM, p.yM, altitudeM, hours)
			along, up := a.EastwardMPerS*p.cos+a.NorthwardMPerS*p.sin, a.NorthwardMPerS*p.cos-a.EastwardMPerS*p.sin
			fields[0][k] = altitudeM
			fields[1][k] = a.AirTemperatureK
			fields[2][k] = a.RelativeHumidityPct
			fields[3][k] = dewPointOf(a)
			fields[4][k] = a.SpecificHumidity
			// omega = -w rho g, for dry air to the formula's accuracy.
			fields[5][k] = -a.UpwardMPerS * a.PressurePa / (gasConstantDryAir * a.AirTemperatureK) * gravityMPerS2
			fields[6][k], fields[7][k] = along, up
			fields[8][k] = coriolisPerS
			fields[9][k], fields[10][k], fields[12][k] = a.CloudLiquidKgPerKg, a.CloudIceKgPerKg, a.SnowKgPerKg
			fields[11][k], fields[13][k] = 0, 0 // neither rain nor graupel
		}
		for k := range fields {
			add(hrrrMessages[next], fields[k])
			next++
		}
	}
	fields = make([][]float64, len(hrrrOnSurfaces))
	for k := range fields {
		fields[k] = make([]float64, len(g.points))
	}
	for k, p := range g.points {
		groundM := w.TerrainM(p.xM, p.yM)
		ground, low, wind := w.At(p.xM, p.yM, groundM, hours), w.At(p.xM, p.yM, groundM+2, hours), w.At(p.xM, p.yM, groundM+10, hours)
		composite := -10.0 // what the model writes where there is no echo
		for _, altitudeM := range compositeAltitudesM {
			if dBZ := w.ReflectivityDBZ(p.xM, p.yM, altitudeM, hours); dBZ > composite {
				composite = dBZ
			}
		}
		for f, v := range [...]float64{
			composite, 1.4 * math.Hypot(wind.EastwardMPerS, wind.NorthwardMPerS), ground.PressurePa, groundM, ground.AirTemperatureK,
			low.AirTemperatureK, dewPointOf(low),
			wind.EastwardMPerS*p.cos + wind.NorthwardMPerS*p.sin, wind.NorthwardMPerS*p.cos - wind.EastwardMPerS*p.sin,
		} {
			fields[f][k] = v
		}
	}
	for k := range fields {
		add(hrrrOnSurfaces[k], fields[k])
	}
	return out
}

// vapourPa of air: e from q and p.
func vapourPa(a Air) float64 {
	return a.SpecificHumidity * a.PressurePa / (.62199 + .37801*a.SpecificHumidity)
}

// dewPointOf air, K; nothing is drier than 1 mPa here.
func dewPointOf(a Air) float64 { return 273.15 + dewPointC(math.Max(vapourPa(a), 1e-3)) }
