package rehearsal

import (
	"math"
	"time"

	"rimeline/grid"
)

// The invented radar of a scenario scans like a radar in a mountain winter:
// seven elevations in four minutes and a half, gates of a kilometre.
const (
	scanPeriod         = 5 * time.Minute
	scanSweep          = 38 * time.Second
	scanGates          = 118 // to 119 km
	scanGateM          = 1000.0
	scanFirstGateM     = 2125.0
	scanRadials        = 360
	scanPattern        = 215
	scanBeamwidthDeg   = 0.95
	scanUnambiguousM   = 150e3
	scanFallMPerS      = 1.0
	scanRecordRadials  = 120
	scanMostEchoM      = 12000.0 // there is no echo higher up
	scanNoiseAt100KmDB = 0.0     // what it can just see there, dBZ
)

// scanner is a radar with everything that does not change from turn to turn.
type scanner struct {
	site   RadarSite
	sweeps []scanGeometry
}

type scanGeometry struct {
	elevationDeg     float64
	sin, cos         float64
	gates            int // as far as there can be echo
	groundM, aboveM  []float64
	leastDBZ         []float64
	lossDB           [][]float32 // by radial, then gate: of the terrain; infinite where it hides everything
	azimuthSin       []float64   // true azimuth
	azimuthCos       []float64
	planeSin         []float64 // azimuth on the plane
	planeCos         []float64
	turnSin, turnCos float64
}

// newScanner follows each ray over the ground once: the share of the beam that
// terrain has cut off between antenna and gate, for a beam of 4/3 earth radius
// (grid.BeamAltitudeM, grid.PartialBeamBlockage).
func newScanner(w Weather, site RadarSite) *scanner {
	plane := PlaneOf(w)
	turnSin, turnCos := math.Sincos(plane.convergenceRad(site.Place.LongitudeDeg))
	antennaM := site.AltitudeM + site.TowerM
	s := &scanner{site: site}
	x0, y0 := site.XM, site.YM
	for _, elevationDeg := range radarElevationsDeg {
		g := scanGeometry{elevationDeg: elevationDeg, turnSin: turnSin, turnCos: turnCos}
		g.sin, g.cos = math.Sincos(elevationDeg * math.Pi / 180)
		for gate := range scanGates {
			rangeM := scanFirstGateM + float64(gate)*scanGateM
			above := grid.BeamAltitudeM(antennaM, rangeM, elevationDeg)
			if above > scanMostEchoM {
				break
			}
			g.groundM = append(g.groundM, grid.BeamGroundRangeM(rangeM, elevationDeg))
			g.aboveM = append(g.aboveM, above)
			g.leastDBZ = append(g.leastDBZ, scanNoiseAt100KmDB+20*math.Log10(rangeM/100e3))
			g.gates++
		}
		for n := range scanRadials {
			sin, cos := math.Sincos(azimuthOfDeg(n) * math.Pi / 180)
			g.azimuthSin, g.azimuthCos = append(g.azimuthSin, sin), append(g.azimuthCos, cos)
			// True north leans to the left of the plane's y axis by the convergence.
			planeSin, planeCos := sin*turnCos-cos*turnSin, cos*turnCos+sin*turnSin
			g.planeSin, g.planeCos = append(g.planeSin, planeSin), append(g.planeCos, planeCos)
			loss := make([]float32, g.gates)
			blocked := 0.0
			for gate := range loss {
				x, y := x0+g.groundM[gate]*planeSin, y0+g.groundM[gate]*planeCos
				rangeM := scanFirstGateM + float64(gate)*scanGateM
				blocked = math.Max(blocked, grid.PartialBeamBlockage(w.TerrainM(x, y)-g.aboveM[gate], grid.BeamHalfWidthM(rangeM, scanBeamwidthDeg)))
				loss[gate] = float32(math.Inf(1))
				if blocked < .999 {
					loss[gate] = float32(-10 * math.Log10(1-blocked))
				}
			}
			g.lossDB = append(g.lossDB, loss)
		}
		s.sweeps = append(s.sweeps, g)
	}
	return s
}

func azimuthOfDeg(radial int) float64 { return float64(radial) + .5 }

// radialTime is when the last radial of a record was measured.
func radialTime(start time.Time, sweep, radial int) time.Time {
	return start.Add(time.Duration(sweep)*scanSweep + time.Duration(radial)*scanSweep/scanRadials)
}

// volume is one turn: reflectivity in steps of 0.5 dBZ and radial velocity, away
// positive, folded at the Nyquist velocity, in steps of 0.5 m/s.
func (s *scanner) volume(w Weather, start time.Time) *grid.Volume {
	start = start.UTC()
	nyquist := s.site.NyquistMPerS
	v := &grid.Volume{
		Radar: s.site.ID, Antenna: grid.Position{LatLon: s.site.Place, AltitudeM: s.site.AltitudeM + s.site.TowerM},
		TowerHeightM: s.site.TowerM, BeamwidthDeg: scanBeamwidthDeg, Time: start, VolumeCoveragePattern: scanPattern, Complete: true,
	}
	reflectivity := &grid.Packing{WordBits: 8, Factor: .5, Addend: -33, RangeFolded: 1, Missing: grid.NoCode}
	velocity := &grid.Packing{WordBits: 8, Factor: .5, Addend: -64.5, RangeFolded: 1, Missing: grid.NoCode}
	for k := range s.sweeps {
		g := &s.sweeps[k]
		sweep := &grid.Sweep{Number: k + 1, ElevationDeg: g.elevationDeg, TargetElevationDeg: g.elevationDeg, Complete: true, Start: radialTime(start, k, 0),
			NyquistVelocityMPerS: nyquist, UnambiguousRangeM: scanUnambiguousM}
		ref := &grid.Moment{Name: grid.MomentReflectivity, FirstGateM: scanFirstGateM, GateSpacingM: scanGateM, Gates: scanGates}
		vel := &grid.Moment{Name: grid.MomentVelocity, FirstGateM: scanFirstGateM, GateSpacingM: scanGateM, Gates: scanGates}
		sweep.Moments = []*grid.Moment{ref, vel}
		for n := range scanRadials {
			at := radialTime(start, k, n)
			sweep.End = at
			sweep.Radials = append(sweep.Radials, grid.Radial{AzimuthDeg: float32(azimuthOfDeg(n)), ElevationDeg: float32(g.elevationDeg), SpacingDeg: 1,
				NyquistVelocityMPerS: float32(nyquist), UnambiguousRangeM: scanUnambiguousM, Time: at})
			hours := at.Sub(w.StartTime()).Hours()
			// Gates further out are below threshold, which is 0.
			rows := make([]byte, 2*scanGates)
			dBZs, speeds := rows[:scanGates:scanGates], rows[scanGates:]
			for gate := range g.gates {
				loss := float64(g.lossDB[n][gate])
				if math.IsInf(loss, 1) {
					break // and everything behind
				}
				x, y := s.site.XM+g.groundM[gate]*g.planeSin[n], s.site.YM+g.groundM[gate]*g.planeCos[n]
				dBZ := w.ReflectivityDBZ(x, y, g.aboveM[gate], hours) - loss
				if !(dBZ >= g.leastDBZ[gate]) {
					continue
				}
				dBZs[gate] = codeOf(dBZ, reflectivity)
				air := w.At(x, y, g.aboveM[gate], hours)
				away := (air.EastwardMPerS*g.planeSin[n]+air.NorthwardMPerS*g.planeCos[n])*g.cos + (air.UpwardMPerS-scanFallMPerS)*g.sin
				speeds[gate] = codeOf(away-2*nyquist*math.Round(away/(2*nyquist)), velocity)
			}
			ref.Rows = append(ref.Rows, grid.GateRow{Raw: dBZs, Packing: reflectivity})
			vel.Rows = append(vel.Rows, grid.GateRow{Raw: speeds, Packing: velocity})
		}
		v.Sweeps = append(v.Sweeps, sweep)
	}
	return v
}

// codeOf a value: 0 is below threshold and 1 range folded.
func codeOf(value float64, p *grid.Packing) byte {
	return byte(min(max(math.Round((value-p.Addend)/p.Factor), 2), 255))
}
