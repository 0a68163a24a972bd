package rehearsal

import (
	_ "embed"
	"math"
	"slices"
	"time"

	"rimeline/grid"
)

// Scenario is an invented storm of eight hours over an invented barrier, one
// analytic description of which everything follows that instruments and models
// see of it.
//
// It begins cold, with supercooled cloud on the windward slope, but an inversion
// in the valley keeps the agent down. Warm air comes, and with it a first rain
// band that is liquid and too warm for the agent. A cold front crosses; behind it
// two bands follow whose cloud is supercooled and cold enough. At last a deep
// shield comes over that makes its own ice: there is still liquid below, but
// tops and echo say that nature does the work. Front, bands and shield are lines
// that cross the domain with the wind that carries them, so that sites far
// upwind of the ridge have to release earlier.
//
// The rain of the first band makes a river rise over its banks, and brings a flash
// flood warning for burnt slopes; a site falls silent, and a battery runs down
// (scenario_river.go, scenario_warnings.go, scenario_crew.go; Holds says what that
// suspends).
//
// All of it is invented: none of the numbers here and in scenario_*.go has a
// source; they are what is typical of a winter storm over a range of the
// interior. The air is hydrostatic, its vertical wind follows the terrain, its
// cloud is saturated over water, or over ice where there is no liquid. It has no
// dynamics: nothing here is a forecast of anything.
type Scenario struct {
	start time.Time
	seed  int64

	// Hours at which the lines reach the slope (slopeM): the end of the first
	// cloud, the front, the shield.
	clearingHours, frontHours, shieldHours float64
	bands                                  [3]rainband
	// texture shifts the ripples of echo and cloud.
	texture [3]float64
	// wind multiplies the horizontal wind, and turnDeg turns it clockwise: the
	// error of a forecast; 1 and 0 in truth.
	wind, turnDeg float64
}

// rainband is one of the bands: a strip across the flow, richest in its middle
// and falling off in a line to both sides.
type rainband struct {
	slopeHours    float64 // when its middle reaches the slope
	rampM         float64 // from the middle to nothing
	baseM, depthM float64 // of the droplets where they are deepest
	pathKgPerM2   float64 // of liquid there
	peakDBZ       float64
	echoTopM      float64
}

// RadarSite is the invented radar.
type RadarSite struct {
	ID           string // four letters, the first one X
	Name         string
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
	Name string // for people
	Kind string // one of the constants below
	// From and To as felt over the windward slope; of a band, while it is at least
	// half as strong as in its middle.
	From, To time.Time
	Note     string // what a crew should make of it
}

// Kinds of episode.
const (
	EpisodeInversion = "inversion"
	EpisodeFront     = "front"
	EpisodeWarmBand  = "warm band"
	EpisodeGoodBand  = "good band"
	EpisodeOutage    = "outage"
	EpisodeIcedOver  = "iced over"
	EpisodeSite      = "site" // a site that is not ready
	EpisodeWarning   = "warning"
	EpisodeFlood     = "flood"
)

const (
	scenarioHours                         = 8
	middleLatitudeDeg, middleLongitudeDeg = 44.2, -112.6

	// scenarioFlowDeg is where front and bands move to, and lineSpeedMPerS how fast: the
	// wind at about 3200 m. tilt: the northern ends of the lines come first.
	scenarioFlowDeg = 78.0
	lineSpeedMPerS  = 13.0
	lineTilt        = .06

	// hourM is the way of a line in an hour. The ramps of the good bands are as
	// long, and their middles reach the slope on the hour: between the hourly
	// fields of a model the liquid over the slope is then linear in time, as it
	// is in truth. A band that is narrower than the way it goes between two
	// fields would be lost in a model's hourly output, as it is in nature.
	hourM = lineSpeedMPerS * 3600

	// slopeM is where along the flow plumes are in cloud.
	slopeM = -11e3

	inversionGoneHours = .8
	outageFromHours    = 1.7
	outageMinutes      = 20
)

var flowSin, flowCos = math.Sincos(scenarioFlowDeg * math.Pi / 180)

// NewScenario is the true storm. The seed changes its texture and the errors of
// its forecasts, not its timetable.
func NewScenario(start time.Time, seed int64) *Scenario {
	s := &Scenario{start: start.UTC(), seed: seed, clearingHours: .6, frontHours: 2.5, shieldHours: 7.25, wind: 1,
		bands: [3]rainband{
			{slopeHours: 1.35, rampM: 30e3, baseM: 1700, depthM: 1350, pathKgPerM2: .25, peakDBZ: 27, echoTopM: 4300},
			{slopeHours: 4, rampM: hourM, baseM: 1950, depthM: 1350, pathKgPerM2: .16, peakDBZ: 22, echoTopM: 4600},
			{slopeHours: 6, rampM: hourM, baseM: 1950, depthM: 1450, pathKgPerM2: .18, peakDBZ: 22.5, echoTopM: 4800},
		}}
	for k := range s.texture {
		s.texture[k] = 2 * math.Pi * s.drawn(uint64(k))
	}
	return s
}

// drawn is a number from 0 to 1 that depends on the seed and a name alone
// (splitmix64: Steele, Lea and Flood, 2014, OOPSLA; value from memory).
func (s *Scenario) drawn(name uint64) float64 {
	z := uint64(s.seed)*0x9e3779b97f4a7c15 + (name+1)*0xd1b54a32d192ed03
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return float64((z^z>>31)>>11) / (1 << 53)
}

func (s *Scenario) Start() time.Time     { return s.start }
func (s *Scenario) End() time.Time       { return s.start.Add(scenarioHours * time.Hour) }
func (s *Scenario) StartTime() time.Time { return s.start }

func (s *Scenario) Middle() grid.LatLon {
	return grid.LatLon{LatitudeDeg: middleLatitudeDeg, LongitudeDeg: middleLongitudeDeg}
}

func (s *Scenario) at(hours float64) time.Time {
	return s.start.Add(time.Duration(hours * float64(time.Hour))).Truncate(time.Second)
}

// Outage is when no store answers: between the first band and the front, when
// windows are forecast and none is open, so that it hides no edge of one.
func (s *Scenario) Outage() (from, to time.Time) {
	from = s.at(outageFromHours)
	return from, from.Add(outageMinutes * time.Minute)
}

// passes is when what lies aheadM before a line crosses the slope.
func (s *Scenario) passes(slopeHours, aheadM float64) time.Time {
	return s.at(slopeHours - aheadM/hourM)
}

// Episodes of the storm in their order.
func (s *Scenario) Episodes() []Episode {
	band := func(k int, kind, name, note string) Episode {
		b := &s.bands[k]
		return Episode{Name: name, Kind: kind, From: s.passes(b.slopeHours, b.rampM/2), To: s.passes(b.slopeHours, -b.rampM/2), Note: note}
	}
	from, to := s.Outage()
	all := []Episode{
		{"valley inversion", EpisodeInversion, s.start, s.at(inversionGoneHours), "cold supercooled cloud on the slope, but the agent stays in the valley"},
		band(0, EpisodeWarmBand, "first band, too warm", "liquid, but nothing colder than about -4 °C where a plume can come"),
		{"outage", EpisodeOutage, from, to, "no store answers: what is known grows old"},
		{"cold front", EpisodeFront, s.passes(s.frontHours, frontHalfM), s.passes(s.frontHours, -frontHalfM), "the air turns cold enough"},
		band(1, EpisodeGoodBand, "second band", "supercooled and cold enough"),
		band(2, EpisodeGoodBand, "third band", "supercooled and cold enough, the richest"),
		{"iced over", EpisodeIcedOver, s.passes(s.shieldHours, 0), s.End(), "liquid below, but tops of -35 °C and echo of 30 dBZ and more: nature seeds itself"},
	}
	all = append(all, s.dutyEpisodes()...)
	slices.SortStableFunc(all, func(a, b Episode) int { return a.From.Compare(b.From) })
	return all
}

// onPlane turns a place along and across the flow into one of the plane.
func onPlane(alongM, acrossM float64) (xM, yM float64) {
	return alongM*flowSin - acrossM*flowCos, alongM*flowCos + acrossM*flowSin
}

// Radar of the programme, on a knoll beside the windward slope.
func (s *Scenario) Radar() RadarSite {
	x, y := onPlane(-46e3, -24e3)
	return RadarSite{ID: "XVNT", Name: "Vantry Knoll", Place: PlaneOf(s).Place(x, y), XM: x, YM: y, AltitudeM: s.TerrainM(x, y) + 260, TowerM: 20, NyquistMPerS: 26}
}

// SoundingStations of the programme: one upwind in the valley, one behind the
// barrier.
func (s *Scenario) SoundingStations() []Station {
	station := func(id, wmo, name string, alongM, acrossM float64) Station {
		x, y := onPlane(alongM, acrossM)
		return Station{ID: id, WMO: wmo, Name: name, Place: PlaneOf(s).Place(x, y), XM: x, YM: y, AltitudeM: math.Round(s.TerrainM(x, y))}
	}
	return []Station{
		station("XMHR", "00991", "Marrow Flat", -44e3, 3e3),
		station("XTLW", "00992", "Tallow Bench", 30e3, -8e3),
	}
}

//go:embed programme.yaml
var programmeYAML []byte

// ProgrammeYAML is the invented programme that the storm crosses.
func ProgrammeYAML() []byte { return append([]byte{}, programmeYAML...) }
