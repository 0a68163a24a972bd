package rehearsal

import (
	"encoding/json"
	"math"
	"time"
)

// The page of the sites' telemetry: a layout of the programme's own.
type crewList struct {
	Programme string       `json:"programme"`
	Note      string       `json:"note"`
	Sites     []crewReport `json:"sites"`
}

type crewReport struct {
	Site        string      `json:"site"`
	Time        string      `json:"time"`
	LastContact string      `json:"last_contact"`
	Battery     crewBattery `json:"battery"`
	Burner      crewBurner  `json:"burner"`
	AirDegC     number      `json:"air_temperature_degc"`
	Faults      []string    `json:"faults"`
}

type crewBattery struct {
	Volts       number `json:"volts"`
	SolarAmpere number `json:"solar_amperes"`
}

type crewBurner struct {
	UnitsLeft number `json:"units_left"`
	UnitsAre  string `json:"units_are"`
}

// crewPage is what the programme's base station has of its sites: of each the last
// report that came through.
func (s *Scenario) crewPage(now time.Time) ([]byte, error) {
	page := crewList{Programme: "vantry", Note: "an invented storm of a rehearsal"}
	for _, site := range crewSites {
		at := s.newestReport(site, now)
		state := s.SiteAt(site, at)
		page.Sites = append(page.Sites, crewReport{Site: site.ID, Time: zulu(at), LastContact: zulu(at),
			Battery: crewBattery{number(state.BatteryV), 0}, Burner: crewBurner{number(state.UnitsLeft), site.UnitsAre},
			AirDegC: number(math.Round((state.AirTemperatureK-273.15)*10) / 10), Faults: []string{}})
	}
	return json.MarshalIndent(page, "", "  ")
}
