package rehearsal

import (
	"time"

	"rimeline/grid"
)

// RadarVolumes gives the turns of the invented radar as they are before they are
// written: each call one turn, by its start. It may be called from several
// goroutines.
func (s *Scenario) RadarVolumes() func(start time.Time) *grid.Volume {
	scanner := newScanner(s, s.Radar())
	return func(start time.Time) *grid.Volume { return scanner.volume(s, start) }
}
