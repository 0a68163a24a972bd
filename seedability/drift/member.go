package drift

import (
	"fmt"
	"math"
	"math/rand/v2"
	"time"

	"rimeline/grid"
)

// Fate is how a particle ended.
type Fate int

// The fates. Landed is the only good one.
const (
	Landed       Fate = iota
	TooWarm           // never activated: nowhere cold enough
	NoLiquid          // never activated: no supercooled liquid where it was cold enough
	Trapped           // never activated, and never above the crest
	Sublimated        // its ice sank through too deep a layer of dry air
	LeftSide          // left the domain at its side, or met missing values
	LeftTop           // left it at its top
	RanOutOfTime      // was activated but not down in time, or the atmosphere ended in time
	fates
)

var fateWords = [fates]string{
	"landed", "stayed too warm", "found no liquid", "trapped", "sublimated",
	"left the domain at its side", "left the domain at its top", "ran out of time",
}

// String is the fate in words.
func (f Fate) String() string {
	if f < 0 || f >= fates {
		return fmt.Sprintf("fate %d", int(f))
	}
	return fateWords[f]
}

// MarshalText is String.
func (f Fate) MarshalText() ([]byte, error) { return []byte(f.String()), nil }

// UnmarshalText reads what MarshalText wrote.
func (f *Fate) UnmarshalText(text []byte) error {
	for k, word := range fateWords {
		if word == string(text) {
			*f = Fate(k)
			return nil
		}
	}
	return fmt.Errorf("%q is no fate", text)
}

// Fates lists all of them, in the order of their numbers.
func Fates() []Fate {
	all := make([]Fate, fates)
	for k := range all {
		all[k] = Fate(k)
	}
	return all
}

// Event is a moment on a particle's way.
type Event struct {
	Time               time.Time
	Place              grid.LatLon
	AltitudeM          float64
	HeightAboveGroundM float64
	AirTemperatureK    float64
	LiquidKgPerM3      float64 // liquid water content; 0 where the atmosphere has none
}

// Member is one particle of an ensemble.
type Member struct {
	Released time.Time
	Draw     Draw

	// Activation holds where Activated.
	Activated       bool
	Activation      Event
	NucleationDelay time.Duration

	Fate Fate
	// End is the landing, or where the particle was last.
	End Event

	HighestAltitudeM float64
	ColdestK         float64
	// LiquidExposureKgSPerM3 is liquid water content integrated over the time
	// below 0 °C.
	LiquidExposureKgSPerM3 float64
	// Steps of time that were computed.
	Steps int
}

// Draw is what chance gave a member.
type Draw struct {
	DirectionDeg           float64 // wind turned clockwise by this
	SpeedFactor            float64
	UpwardFactor           float64
	ActivationTemperatureK float64
	GrowthTime             time.Duration
	FallSpeedMPerS         float64
	// contactS is the delay of contact freezing, used where that is chosen.
	contactS float64
}

// draw takes a member's numbers from its stream, always in the same order.
func draw(random *rand.Rand, o *Options) Draw {
	d := Draw{
		DirectionDeg: o.Perturbation.DirectionSDDeg * random.NormFloat64(),
		// Factors are cut off where they would reverse a motion.
		SpeedFactor:            math.Max(1+o.Perturbation.SpeedSDFraction*random.NormFloat64(), 0.1),
		UpwardFactor:           math.Max(1+o.Perturbation.UpwardSDFraction*random.NormFloat64(), 0),
		ActivationTemperatureK: o.ActivationColdestK + (o.ActivationWarmestK-o.ActivationColdestK)*random.Float64(),
	}
	growthS := triangular(random.Float64(), o.GrowthShortest.Seconds(), o.GrowthMode.Seconds(), o.GrowthLongest.Seconds())
	d.GrowthTime = time.Duration(growthS * float64(time.Second)).Round(time.Millisecond)
	d.FallSpeedMPerS = math.Max(o.FallSpeedMPerS*math.Exp(math.Log(o.FallSpeedFactor)*random.NormFloat64()), initialFallSpeedMPerS)
	d.contactS = triangular(random.Float64(), contactShortestS, contactModeS, contactLongestS)
	return d
}

// triangular is the quantile function of the triangular distribution.
func triangular(p, low, mode, high float64) float64 {
	if high <= low {
		return low
	}
	if split := (mode - low) / (high - low); p < split {
		return low + math.Sqrt(p*(high-low)*(mode-low))
	}
	return high - math.Sqrt((1-p)*(high-low)*(high-mode))
}
