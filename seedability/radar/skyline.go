package radar

import (
	"errors"
	"math"
	"sync"

	"rimeline/grid"
)

// Skyline is the ground around a radar, from which the blockage of every beam
// follows. It depends on place and terrain alone: make it once for a radar. It
// may be used from several goroutines.
type Skyline struct {
	antenna      grid.Position
	beamwidthDeg float64
	steps        int
	// groundM is by azimuth, then by distance; NaN where unknown.
	groundM []float32

	mutex sync.Mutex
	// shares by elevation in skylineElevationsPerDeg: cumulative blockage, nil
	// where nothing is hidden.
	shares map[int][]float32
}

// Terrain is asked along 720 directions each 500 m: finer than the beams and
// the terrain of models (3 km and more).
const (
	skylineAzimuthsPerDeg = 2
	skylineAzimuths       = 360 * skylineAzimuthsPerDeg
	skylineStepM          = 500
	skylineMaxRangeM      = 460e3
	// Elevations are told apart by 0.02 degrees.
	skylineElevationsPerDeg = 50
)

// NewSkyline asks the terrain out to a distance, of which at most 460 km count.
// terrain is called from several goroutines.
func NewSkyline(antenna grid.Position, beamwidthDeg, maxRangeM float64, terrain grid.Terrain) (*Skyline, error) {
	switch {
	case !isFinite(antenna.LatitudeDeg, antenna.LongitudeDeg, antenna.AltitudeM) || math.Abs(antenna.LatitudeDeg) > 90:
		return nil, errors.New("the place of the radar is unknown")
	case !(beamwidthDeg > 0 && beamwidthDeg < 90):
		return nil, errors.New("the beam width of the radar is unknown")
	case !(maxRangeM >= skylineStepM):
		return nil, errors.New("no distance to look at")
	case terrain == nil:
		return nil, errors.New("no terrain")
	}
	s := &Skyline{antenna: antenna, beamwidthDeg: beamwidthDeg, steps: int(min(maxRangeM, skylineMaxRangeM) / skylineStepM),
		shares: make(map[int][]float32)}
	s.groundM = make([]float32, skylineAzimuths*s.steps)
	eachRow(skylineAzimuths, 0, func(j int) {
		for k := range s.steps {
			ground, ok := terrain(grid.Destination(antenna.LatLon, float64(j)/skylineAzimuthsPerDeg, skylineStepM*float64(k+1)))
			if !ok {
				ground = math.NaN()
			}
			s.groundM[j*s.steps+k] = float32(ground)
		}
	})
	return s, nil
}

// Blockage is the share of the beam at an elevation that is hidden up to a
// distance along the ground, as grid.Volume.BeamBlockage; beyond the distance of
// the skyline that at its end.
func (s *Skyline) Blockage(azimuthDeg, elevationDeg, groundRangeM float64) float64 {
	if !isFinite(azimuthDeg, elevationDeg, groundRangeM) {
		return math.NaN()
	}
	return s.shareOf(s.at(elevationDeg), azimuthDeg, groundRangeM)
}

func (s *Skyline) shareOf(shares []float32, azimuthDeg, groundRangeM float64) float64 {
	if shares == nil || groundRangeM < skylineStepM/2.0 {
		return 0
	}
	j := int(math.Round(azimuthDeg*skylineAzimuthsPerDeg)) % skylineAzimuths
	if j < 0 {
		j += skylineAzimuths
	}
	k := min(int(math.Round(groundRangeM/skylineStepM))-1, s.steps-1)
	return float64(shares[j*s.steps+max(k, 0)])
}

// at gives the table of an elevation; nil where it is free.
func (s *Skyline) at(elevationDeg float64) []float32 {
	key := int(math.Round(max(-90, min(90, elevationDeg)) * skylineElevationsPerDeg))
	s.mutex.Lock()
	defer s.mutex.Unlock()
	shares, done := s.shares[key]
	if !done {
		shares = s.compute(float64(key) / skylineElevationsPerDeg)
		s.shares[key] = shares
	}
	return shares
}

func (s *Skyline) compute(elevationDeg float64) []float32 {
	altitudeM, halfM := make([]float64, s.steps), make([]float64, s.steps)
	for k := range s.steps {
		slantM, ok := grid.BeamSlantRangeM(skylineStepM*float64(k+1), elevationDeg)
		if !ok {
			altitudeM[k] = math.Inf(1)
			continue
		}
		altitudeM[k] = grid.BeamAltitudeM(s.antenna.AltitudeM, slantM, elevationDeg)
		halfM[k] = grid.BeamHalfWidthM(slantM, s.beamwidthDeg)
	}
	shares := make([]float32, len(s.groundM))
	hidden := false
	for j := range skylineAzimuths {
		most := 0.0
		for k := range s.steps {
			if ground := float64(s.groundM[j*s.steps+k]); ground > altitudeM[k]-halfM[k] { // not NaN
				most = max(most, grid.PartialBeamBlockage(ground-altitudeM[k], halfM[k]))
				hidden = hidden || most > 0
			}
			shares[j*s.steps+k] = float32(most)
		}
	}
	if !hidden {
		return nil
	}
	return shares
}
