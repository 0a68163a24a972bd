package rehearsal

import (
	_ "embed"
	"time"

	"rimeline/grid"
)

// Scenario is an invented storm of eight hours.
type Scenario struct {
	start time.Time
	seed  int64
	Storm
}

// RadarSite is the invented radar.
type RadarSite struct {
	ID           string // four letters, the first one X
	Place        grid.LatLon
	XM, YM       float64
	AltitudeM    float64 // of the ground
	TowerM       float64 // from there to the antenna
	NyquistMPerS float64
}

// Station is an invented place from which soundings rise.
type Station struct {
	ID, WMO, Name string
	Place         grid.LatLon
	XM, YM        float64
	AltitudeM     float64
}

// Episode is one chapter of the storm.
type Episode struct {
	Name     string // "warm band"
	Kind     string
	From, To time.Time
	Note     string
}

// Kinds of episode.
const (
	EpisodeInversion = "inversion"
	EpisodeFront     = "front"
	EpisodeWarmBand  = "warm band"
	EpisodeGoodBand  = "good band"
	EpisodeOutage    = "outage"
	EpisodeIcedOver  = "iced over"
)

const (
	scenarioHours                         = 8
	middleLatitudeDeg, middleLongitudeDeg = 44.2, -112.6
)

// NewScenario is the true storm.
func NewScenario(start time.Time, seed int64) *Scenario {
	return &Scenario{start: start.UTC(), seed: seed, Storm: Storm{Start: start.UTC(), LatitudeDeg: middleLatitudeDeg, LongitudeDeg: middleLongitudeDeg}}
}

func (s *Scenario) Start() time.Time { return s.start }
func (s *Scenario) End() time.Time   { return s.start.Add(scenarioHours * time.Hour) }

// Forecast is what the model run started at a time believes.
func (s *Scenario) Forecast(run time.Time) Weather { return s }

// Outage is when no store answers.
func (s *Scenario) Outage() (from, to time.Time) {
	return s.start.Add(4 * time.Hour), s.start.Add(4*time.Hour + 20*time.Minute)
}

// Episodes of the storm in their order.
func (s *Scenario) Episodes() []Episode {
	from, to := s.Outage()
	return []Episode{{Name: "outage", Kind: EpisodeOutage, From: from, To: to, Note: "no store answers"}}
}

// Radar of the programme.
func (s *Scenario) Radar() RadarSite {
	place := PlaneOf(s).Place(radarXM, radarYM)
	return RadarSite{ID: "XVNT", Place: place, XM: radarXM, YM: radarYM, AltitudeM: radarAltitudeM, TowerM: radarTowerM, NyquistMPerS: radarNyquistMPerS}
}

// SoundingStations of the programme.
func (s *Scenario) SoundingStations() []Station {
	x, y := -45e3, 5e3
	return []Station{{ID: "XHC", WMO: "00999", Name: "Harrow Creek", Place: PlaneOf(s).Place(x, y), XM: x, YM: y, AltitudeM: s.TerrainM(x, y)}}
}

//go:embed programme.yaml
var programmeYAML []byte

// ProgrammeYAML is the invented programme that the storm crosses.
func ProgrammeYAML() []byte { return append([]byte{}, programmeYAML...) }
