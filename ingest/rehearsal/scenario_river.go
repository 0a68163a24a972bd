package rehearsal

import (
	"math"
	"time"

	"rimeline/grid"
)

// RiverGauge is the invented gauge of the Sallow Fork, one place with the
// identifiers of two services.
type RiverGauge struct {
	LID   string // of the National Water Prediction Service
	USGS  string
	Name  string
	Place grid.LatLon
	// Stages from which the flood categories begin, feet above gauge zero.
	ActionFt, MinorFt, ModerateFt, MajorFt float64
}

// Reservoir is the invented reservoir behind the barrier, whose agency publishes a
// table.
type Reservoir struct {
	ID, Name       string
	CapacityAcreFt float64
}

// RiverGauge of the programme.
func (s *Scenario) RiverGauge() RiverGauge {
	return RiverGauge{LID: "SLWX1", USGS: "00990100", Name: "Sallow Fork below Lantern Burn (invented)",
		Place: grid.LatLon{LatitudeDeg: 44.026, LongitudeDeg: -112.412}, ActionFt: 6, MinorFt: 7.5, ModerateFt: 9.5, MajorFt: 11}
}

// Reservoir of the programme.
func (s *Scenario) Reservoir() Reservoir {
	return Reservoir{ID: "TLW", Name: "Tallow Reservoir (invented)", CapacityAcreFt: 10000}
}

// The river. It rises by the rain of the first band, which is warm, and by the snow
// that this melts; it crests an hour and a half after the band and falls by
// itself. Its fall below the minor category lies between the good bands of the sites
// that it suspends.
const (
	riverBaseFt     = 3.1
	riverRiseFt     = 5.6
	riverFromHours  = .8
	riverCrestHours = 3.05
	riverRoundHours = .35 // of the crest
	riverFallHours  = 2.4
	riverNoiseFt    = .02
)

// flood is the shape of the wave, 0 before it and 1 at the crest.
func flood(hours float64) float64 {
	if hours < riverCrestHours {
		return smooth(hours, riverFromHours, riverCrestHours)
	}
	return math.Exp(-(math.Hypot(hours-riverCrestHours, riverRoundHours) - riverRoundHours) / riverFallHours)
}

func (s *Scenario) hours(at time.Time) float64 { return at.Sub(s.start).Hours() }

// StageFt is the true stage.
func (s *Scenario) StageFt(at time.Time) float64 { return riverBaseFt + riverRiseFt*flood(s.hours(at)) }

// dischargeCFS is an invented rating.
func dischargeCFS(stageFt float64) float64 { return 38 * math.Pow(max(0, stageFt-1.2), 1.9) }

// StorageAcreFt is the true storage of the reservoir: inflow of the storm raises it,
// and it stays below what suspends.
func (s *Scenario) StorageAcreFt(at time.Time) float64 {
	hours := s.hours(at)
	return 9335 + 1.5*max(hours, -48) + 60*smooth(hours, 1, 7)
}

// Names of what is drawn: numbers no other draw has.
const (
	drawnStage = 1 << 40 << iota
	drawnStorage
	drawnBattery
	drawnForecast
	drawnWarning
)

// noise is between -1 and 1, the same for one name and moment.
func (s *Scenario) noise(name uint64, at time.Time) float64 {
	return 2*s.drawn(name+uint64(at.Unix())) - 1
}

// What the services make of it. Their clocks are those of the real ones as far as
// is known: readings every quarter of an hour, sent some minutes later.
const (
	gaugeEvery  = 15 * time.Minute
	usgsAfter   = 7 * time.Minute
	nwpsAfter   = 10 * time.Minute
	issuedAfter = 4 * time.Minute // a forecast is there after its time of issue

	tableEvery = time.Hour
	tableAfter = 20 * time.Minute

	// gaugeHistory is how far back readings go before the storm, with one gap in it.
	gaugeHistory = 36 * time.Hour
	gaugeGap     = -5 * time.Hour
)

func hundredth(v float64) float64 { return math.Round(v*100) / 100 }

// readingFt is what the gauge measures, false where it measured nothing.
func (s *Scenario) readingFt(at time.Time) (float64, bool) {
	if gap := s.start.Add(gaugeGap).Truncate(gaugeEvery); at.Equal(gap) {
		return 0, false
	}
	return hundredth(s.StageFt(at) + riverNoiseFt*s.noise(drawnStage, at)), true
}

// newestReading is the time of the newest reading that is out, with a latency.
func (s *Scenario) newestReading(now time.Time, every, after time.Duration) time.Time {
	return s.seen(now).Add(-after).Truncate(every)
}

// seen is now, but for the outage, in which nothing new can be seen.
func (s *Scenario) seen(now time.Time) time.Time {
	if from, to := s.Outage(); !now.Before(from) && now.Before(to) {
		return from.Add(-time.Nanosecond)
	}
	return now
}

// riverForecast is one forecast of the stage.
type riverForecast struct {
	issued time.Time
	// share of the true rise, lateHours of the crest.
	share, lateHours float64
}

// riverForecasts: before the storm nobody expects a flood; the second is issued when
// the rain of the first band has been measured, and the third after the crest.
func (s *Scenario) riverForecasts() []riverForecast {
	at := func(hours float64) time.Time { return s.at(hours).Truncate(time.Minute) }
	some := func(k uint64) float64 { return s.drawn(drawnForecast + k) }
	return []riverForecast{
		{at(-13), .1 + .1*some(0), 0},
		{at(-4), .18 + .08*some(1), .3},
		{at(1.25), .92 + .05*some(2), .15},
		{at(3.2), .985 + .01*some(3), 0},
	}
}

// stageFt that a forecast gives.
func (f riverForecast) stageFt(s *Scenario, at time.Time) float64 {
	return hundredth(riverBaseFt + riverRiseFt*f.share*flood(s.hours(at)-f.lateHours))
}

// times of a forecast: every hour for half a day, then every six to three days.
func (f riverForecast) times() []time.Time {
	at := f.issued.Truncate(time.Hour).Add(time.Hour)
	var all []time.Time
	for k := range 12 {
		all = append(all, at.Add(time.Duration(k)*time.Hour))
	}
	for k := 1; k <= 10; k++ {
		all = append(all, at.Add(11*time.Hour).Add(time.Duration(k)*6*time.Hour))
	}
	return all
}

// riverForecast is the newest that is out.
func (s *Scenario) riverForecast(now time.Time) riverForecast {
	now = s.seen(now)
	all := s.riverForecasts()
	newest := all[0]
	for _, f := range all {
		if !f.issued.Add(issuedAfter).After(now) {
			newest = f
		}
	}
	return newest
}

// foreseenFt is the highest stage still ahead in the newest forecast, and when.
func (s *Scenario) foreseenFt(now time.Time) (highestFt float64, when time.Time) {
	f := s.riverForecast(now)
	for _, at := range f.times() {
		if stage := f.stageFt(s, at); at.After(s.seen(now)) && (when.IsZero() || stage > highestFt) {
			highestFt, when = stage, at
		}
	}
	return highestFt, when
}

// category is the official word for a stage.
func (g RiverGauge) category(stageFt float64) string {
	switch {
	case stageFt >= g.MajorFt:
		return "major"
	case stageFt >= g.ModerateFt:
		return "moderate"
	case stageFt >= g.MinorFt:
		return "minor"
	case stageFt >= g.ActionFt:
		return "action"
	}
	return "no_flooding"
}
