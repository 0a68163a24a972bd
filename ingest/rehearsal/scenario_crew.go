package rehearsal

import (
	"math"
	"time"

	"rimeline/grid"
)

// CrewSite is one site of the invented programme as its telemetry shows it.
type CrewSite struct {
	ID    string
	Place grid.LatLon
	// UnitsAre is what is counted: flares, or hours of solution.
	UnitsAre string

	batteryV, fallsVPerHour float64 // at the start of the storm
	units                   float64 // before the crew has used any
	work                    [][2]float64
	silent                  [2]float64 // hours between which the link is down
}

// The sites. Panels lie under snow and cloud from the evening before the storm to
// its end, so all batteries fall; one of them, old or badly charged, four times as
// fast. Crews burn flares and run generators while their site has a window and
// nothing suspends it; the hours are those of the windows, rounded.
var crewSites = []CrewSite{
	{ID: "marrow-flat", Place: grid.LatLon{LatitudeDeg: 44.1788, LongitudeDeg: -113.0940}, UnitsAre: "hours", batteryV: 12.74, fallsVPerHour: .028, units: 64, work: [][2]float64{{2.6, 3.65}, {4.5, 5.75}}},
	{ID: "cold-anvil", Place: grid.LatLon{LatitudeDeg: 44.0566, LongitudeDeg: -112.9927}, UnitsAre: "hours", batteryV: 12.69, fallsVPerHour: .031, units: 51, work: [][2]float64{{4.7, 5.9}}},
	{ID: "quillback", Place: grid.LatLon{LatitudeDeg: 44.2507, LongitudeDeg: -112.9875}, UnitsAre: "hours", batteryV: 12.81, fallsVPerHour: .026, units: 72, work: [][2]float64{{2.9, 4}, {4.8, 6.05}}},
	{ID: "three-kilns", Place: grid.LatLon{LatitudeDeg: 44.1284, LongitudeDeg: -112.8863}, UnitsAre: "hours", batteryV: 12.66, fallsVPerHour: .033, units: 38, work: [][2]float64{{5.05, 6.2}},
		silent: [2]float64{1. / 3, 1./3 + 50./60}},
	{ID: "hobnail", Place: grid.LatLon{LatitudeDeg: 44.2327, LongitudeDeg: -112.8664}, UnitsAre: "flares", batteryV: 12.72, fallsVPerHour: .030, units: 24, work: [][2]float64{{3.25, 4.2}, {5.15, 6.3}}},
	{ID: "salt-lantern", Place: grid.LatLon{LatitudeDeg: 44.0616, LongitudeDeg: -112.7830}, UnitsAre: "flares", batteryV: 12.30, fallsVPerHour: .120, units: 20, work: [][2]float64{{5.25, 5.8}}},
}

const (
	// flareMinutes from one flare to the next.
	flareMinutes  = 8
	batteryNoiseV = .004
	// nightHours before the storm batteries fall at no more than nightVPerHour.
	nightVPerHour = .05

	reportEvery = 5 * time.Minute
	reportAfter = 20 * time.Second
)

// CrewSites in the order of the programme file.
func (s *Scenario) CrewSites() []CrewSite { return append([]CrewSite{}, crewSites...) }

// SiteState is what a site knows of itself.
type SiteState struct {
	Time            time.Time
	BatteryV        float64
	UnitsLeft       float64
	AirTemperatureK float64
}

// SiteAt is the state of a site when it measures.
func (s *Scenario) SiteAt(site CrewSite, at time.Time) SiteState {
	hours := s.hours(at)
	volts := site.batteryV - site.fallsVPerHour*hours
	if hours < 0 {
		volts = site.batteryV - min(nightVPerHour, site.fallsVPerHour)*hours
	}
	var index uint64
	for k := range crewSites {
		if crewSites[k].ID == site.ID {
			index = uint64(k) << 34
		}
	}
	state := SiteState{Time: at, BatteryV: hundredth(volts + batteryNoiseV*s.noise(drawnBattery+index, at)), UnitsLeft: site.units}
	for _, stretch := range site.work {
		worked := min(max(0, hours-stretch[0]), stretch[1]-stretch[0])
		if site.UnitsAre == "flares" {
			if worked > 0 {
				state.UnitsLeft -= 1 + math.Floor(worked*60/flareMinutes)
			}
			continue
		}
		state.UnitsLeft = math.Round((state.UnitsLeft-worked)*100) / 100
	}
	x, y := PlaneOf(s).XY(site.Place)
	const sensorM = 2
	state.AirTemperatureK = math.Round(s.At(x, y, s.TerrainM(x, y)+sensorM, hours).AirTemperatureK*10) / 10
	return state
}

// newestReport is the time of a site's newest report that is out: one in five
// minutes, none while its link is down.
func (s *Scenario) newestReport(site CrewSite, now time.Time) time.Time {
	at := s.newestReading(now, reportEvery, reportAfter)
	for hours := s.hours(at); hours >= site.silent[0] && hours < site.silent[1]; hours = s.hours(at) {
		at = at.Add(-reportEvery)
	}
	return at
}
