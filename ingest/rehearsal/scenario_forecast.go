package rehearsal

import (
	"math"
	"time"
)

// Errors of the forecasts, invented: minutes by which a run that starts an hour
// before the storm is late or early, and what is left of that in each later run.
const (
	firstRunMinutes = 25.0
	lastRunMinutes  = 1.5
	runsForget      = .95 // per hour
	firstRunHours   = -1.0
)

// runErrorMinutes is the size of the timing error of the run that starts at an
// hour: 25 min an hour before the storm and earlier, 11 at its start, 5.5, 3.2
// and 2.2 one, two and three hours later, never below 1.5.
func runErrorMinutes(runHours float64) float64 {
	since := math.Max(0, runHours-firstRunHours)
	return lastRunMinutes + (firstRunMinutes-lastRunMinutes)*math.Exp(-runsForget*since)
}

// Forecast is what the model run started at a time believes: front, bands and
// shield too early or too late, bands too rich or too poor, the wind off in speed
// and direction, by errors that the seed draws and that shrink from run to run.
// What the run believes is a Weather with the storm's own start and hours.
func (s *Scenario) Forecast(run time.Time) Weather {
	f := *s
	size := runErrorMinutes(run.Sub(s.start).Hours())
	// One direction for each thing, the same for all runs, and half of its size
	// drawn anew with each run.
	wave := uint64(run.Unix())
	offset := func(name uint64) float64 {
		sign := 1.0
		if s.drawn(100+name) < .5 {
			sign = -1
		}
		return sign * (.75 + .25*s.drawn(name*0x9e37+wave))
	}
	f.frontHours += offset(1) * size / 60
	f.shieldHours += offset(2) * size / 60
	share := size / firstRunMinutes
	for k := range f.bands {
		name := uint64(10 * (k + 1))
		f.bands[k].slopeHours += offset(name) * size / 60
		f.bands[k].pathKgPerM2 *= 1 + .25*share*offset(name+1)
	}
	f.wind = 1 + .05*share*offset(3)
	f.turnDeg = 4 * share * offset(4)
	return &f
}
