package rehearsal

import (
	"math"
	"time"

	"rimeline/grid"
)

// The invented radar: on a knoll upwind of the barrier.
const (
	radarXM, radarYM     = -52000.0, -22000.0
	radarAltitudeM       = 1720.0
	radarTowerM          = 20.0
	radarBeamwidthDeg    = 0.95
	radarFirstGateM      = 2125.0
	radarGateSpacingM    = 500.0
	radarGates           = 280 // 142 km
	radarNyquistMPerS    = 26.0
	bandSpeedMPerS       = 13.0
	bandHalfWidthM       = 6500.0
	bandPeakDBZ          = 27.0
	bandLengthM          = 75000.0
	snowfallTopM         = 5200.0
	radarSecondsAnElevat = 22
)

var radarElevationsDeg = []float64{0.5, 1.3, 2.4, 4.0, 6.0, 8.5, 12.5}

// ReflectivityDBZ is what a radar of 10 cm sees of the storm's snow: light snow
// over the barrier, and the richer band that crosses it. NaN where there is none
// worth an echo.
func (s Storm) ReflectivityDBZ(xM, yM, altitudeM, hours float64) float64 {
	if altitudeM < s.TerrainM(xM, yM)-300 || altitudeM > snowfallTopM {
		return math.NaN()
	}
	a, c := along(xM, yM)
	// The band stands across the flow, a little turned, and reaches the crest at
	// its hour.
	front := a - .18*c - (hours-bandPeakHours)*3600*bandSpeedMPerS
	ends := math.Exp(-math.Pow(c/bandLengthM, 4))
	ripple := 2.5*math.Sin(c/7300+front/9100) + 1.5*math.Cos(c/3100)
	strength := math.Exp(-(front/bandHalfWidthM)*(front/bandHalfWidthM)) * ends
	z := math.Pow(10, (bandPeakDBZ+ripple)/10) * strength
	z += math.Pow(10, .3) // a thin veil of snow everywhere
	z += math.Pow(10, .9) * math.Exp(-((a+1000)/14000)*((a+1000)/14000))
	// Snow grows on its way down.
	dBZ := 10*math.Log10(z) - 4.2*math.Max(0, altitudeM-2600)/1000
	if dBZ < -8 {
		return math.NaN()
	}
	return dBZ
}

// RadarVolume is one turn of the invented radar, with reflectivity and radial
// velocity, started at a time.
func (s Storm) RadarVolume(start time.Time) *grid.Volume {
	g := newLambert(3, 1000, s.LatitudeDeg, s.LongitudeDeg)
	latitudeDeg, longitudeDeg := g.place(radarXM, radarYM)
	v := &grid.Volume{
		Radar: "XLRK", Antenna: grid.Position{LatLon: grid.LatLon{LatitudeDeg: latitudeDeg, LongitudeDeg: longitudeDeg}, AltitudeM: radarAltitudeM + radarTowerM},
		TowerHeightM: radarTowerM, BeamwidthDeg: radarBeamwidthDeg, Time: start.UTC(), VolumeCoveragePattern: 215, Complete: true,
	}
	reflectivity := &grid.Packing{WordBits: 8, Factor: .5, Addend: -33, RangeFolded: 1, Missing: grid.NoCode}
	velocity := &grid.Packing{WordBits: 8, Factor: .5, Addend: -64.5, RangeFolded: 1, Missing: grid.NoCode}
	code := func(value, factor, addend float64) byte {
		return byte(min(max(math.Round((value-addend)/factor), 2), 255))
	}
	for k, elevationDeg := range radarElevationsDeg {
		begin := start.Add(time.Duration(k*radarSecondsAnElevat) * time.Second)
		sweep := &grid.Sweep{Number: k + 1, ElevationDeg: elevationDeg, TargetElevationDeg: elevationDeg, Complete: true, Start: begin,
			NyquistVelocityMPerS: radarNyquistMPerS, UnambiguousRangeM: 150e3}
		ref := &grid.Moment{Name: grid.MomentReflectivity, FirstGateM: radarFirstGateM, GateSpacingM: radarGateSpacingM, Gates: radarGates}
		vel := &grid.Moment{Name: grid.MomentVelocity, FirstGateM: radarFirstGateM, GateSpacingM: radarGateSpacingM, Gates: radarGates}
		sweep.Moments = []*grid.Moment{ref, vel}
		sinE, cosE := math.Sincos(elevationDeg * math.Pi / 180)
		for n := range 360 {
			azimuthDeg := float64(n) + .5
			at := begin.Add(time.Duration(n) * radarSecondsAnElevat * time.Second / 360)
			sweep.End = at
			sweep.Radials = append(sweep.Radials, grid.Radial{AzimuthDeg: float32(azimuthDeg), ElevationDeg: float32(elevationDeg), SpacingDeg: 1,
				NyquistVelocityMPerS: radarNyquistMPerS, UnambiguousRangeM: 150e3, Time: at})
			hours := at.Sub(s.Start).Hours()
			sinA, cosA := math.Sincos(azimuthDeg * math.Pi / 180)
			rows := [2][]byte{make([]byte, radarGates), make([]byte, radarGates)}
			for gate := range radarGates {
				rangeM := radarFirstGateM + float64(gate)*radarGateSpacingM
				altitudeM := grid.BeamAltitudeM(v.Antenna.AltitudeM, rangeM, elevationDeg)
				ground := grid.BeamGroundRangeM(rangeM, elevationDeg)
				x, y := radarXM+ground*sinA, radarYM+ground*cosA
				dBZ := s.ReflectivityDBZ(x, y, altitudeM, hours)
				// What a radar of this kind can just see, 0 dBZ at 100 km.
				if math.IsNaN(dBZ) || dBZ < 20*math.Log10(rangeM/100e3) {
					continue
				}
				rows[0][gate] = code(dBZ, reflectivity.Factor, reflectivity.Addend)
				air := s.At(x, y, altitudeM, hours)
				away := (air.EastwardMPerS*sinA+air.NorthwardMPerS*cosA)*cosE + (air.UpwardMPerS-1)*sinE
				folded := away - 2*radarNyquistMPerS*math.Round(away/(2*radarNyquistMPerS))
				rows[1][gate] = code(folded, velocity.Factor, velocity.Addend)
			}
			ref.Rows = append(ref.Rows, grid.GateRow{Raw: rows[0], Packing: reflectivity})
			vel.Rows = append(vel.Rows, grid.GateRow{Raw: rows[1], Packing: velocity})
		}
		v.Sweeps = append(v.Sweeps, sweep)
	}
	return v
}
