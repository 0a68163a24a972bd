package drift

import (
	"fmt"
	"math"
	"time"
)

// Scheme is the way a particle is carried over one time step.
type Scheme int

// Petterssen is x1 = x0 + dt/2 [V(x0, t0) + V(x1, t0+dt)], two iterations after
// a first guess, of second order. RungeKutta4 is the classical scheme of fourth
// order, at four evaluations of the wind instead of three.
const (
	Petterssen Scheme = iota
	RungeKutta4
)

// Nucleation is how agent makes ice once it is in cold enough cloud.
type Nucleation int

// CondensationFreezing is the fast way: the delay falls from 5.8 min at -5 °C
// to 1.4 min at -15.5 °C (see NucleationDelay). ContactFreezing is the slow one
// of plain silver iodide smoke: 10 to 40 min, most often 20.
const (
	CondensationFreezing Nucleation = iota
	ContactFreezing
)

// Options of an ensemble. Start from DefaultOptions; the zero value is not
// usable.
type Options struct {
	Members int
	Seed    uint64
	// MaxDuration is how long a particle is followed from its release.
	MaxDuration time.Duration
	// Step is the longest time step and the spacing of the mean track, at most
	// 60 s. It is divided where the air moves more than MaxCourant of a cell.
	Step       time.Duration
	MaxCourant float64
	Scheme     Scheme
	// Workers is the number of goroutines, GOMAXPROCS where 0.
	Workers int

	Turbulence   Turbulence
	Perturbation Perturbation

	// ActivationWarmestK and ActivationColdestK bound the uniform distribution
	// of activation temperatures.
	ActivationWarmestK, ActivationColdestK float64
	// ActivationLiquidKgPerM3 is the liquid water content that counts as cloud;
	// ActivationHumidity the relative humidity over water that does where the
	// atmosphere has no cloud water.
	ActivationLiquidKgPerM3 float64
	ActivationHumidity      float64
	Nucleation              Nucleation

	// Growth times have a triangular distribution.
	GrowthShortest, GrowthMode, GrowthLongest time.Duration
	// FallSpeedMPerS is the median terminal velocity, FallSpeedFactor its
	// geometric standard deviation; 1.0 snow, 1.5 rimed snow, 2.5 graupel.
	FallSpeedMPerS, FallSpeedFactor float64

	// Crystals are lost once they have sunk SublimationDepthM through air
	// drier than SublimationHumidityIce over ice.
	SublimationHumidityIce, SublimationDepthM float64

	// CrestAltitudeM of the barrier before the target, NaN where not known: a
	// particle that never rose above it and never was activated is trapped.
	CrestAltitudeM float64
}

// Turbulence of the air, beside the motion that the model resolves.
type Turbulence struct {
	// MountainFactor multiplies the turbulent velocities of flat terrain; 0
	// switches turbulence off.
	MountainFactor float64
	// LengthM is the way over which horizontal turbulence forgets.
	LengthM float64
	// MixingDepthM above ground within which the vertical mixes.
	MixingDepthM float64

	// K/U of neutral air, 1/MixingDepthM, 1/(2 LengthM).
	perSpeedM, perDepth, perTwiceLength float64
}

// Perturbation is the error of the wind given to a member, the same all along
// its way.
type Perturbation struct {
	DirectionSDDeg   float64 // standard deviation of direction, degrees
	SpeedSDFraction  float64 // of speed, as a fraction
	UpwardSDFraction float64 // of upward velocity, as a fraction
}

// DefaultOptions of an ensemble: 256 members for two hours.
//
// Common practice, no source: the errors of the wind (about those of a 6-hour
// forecast of the wind at 3 km), activation from -5 to -8 °C, growth of 8 to 30
// minutes and most often 20, snow of 1 m/s, liquid of 0.02 g m-3. The mixing
// depth of 600 m is what flights over a Wyoming range found above its crest.
func DefaultOptions() Options {
	return Options{
		Members: 256, Seed: 1, MaxDuration: 2 * time.Hour, Step: time.Minute, MaxCourant: 0.5,
		Turbulence:         Turbulence{MountainFactor: 1.25, LengthM: 10000, MixingDepthM: 600},
		Perturbation:       Perturbation{DirectionSDDeg: 10, SpeedSDFraction: 0.15, UpwardSDFraction: 0.30},
		ActivationWarmestK: 273.15 - 5, ActivationColdestK: 273.15 - 8,
		ActivationLiquidKgPerM3: 2e-5, ActivationHumidity: 0.98,
		GrowthShortest: 8 * time.Minute, GrowthMode: 20 * time.Minute, GrowthLongest: 30 * time.Minute,
		FallSpeedMPerS: 1.0, FallSpeedFactor: 1.4,
		SublimationHumidityIce: 0.80, SublimationDepthM: 500,
		CrestAltitudeM: math.NaN(),
	}
}

func (o *Options) check() error {
	problem := ""
	switch {
	case o.Members < 1 || o.Members > 1e6:
		problem = fmt.Sprintf("members %d, 1 to 1000000 are possible", o.Members)
	case o.Step < time.Second || o.Step > time.Minute:
		problem = fmt.Sprintf("step %s, 1 s to 1 min are possible", o.Step)
	case o.MaxDuration < o.Step || o.MaxDuration > 48*time.Hour:
		problem = fmt.Sprintf("duration %s, one step to 48 h are possible", o.MaxDuration)
	case !(o.MaxCourant > 0 && o.MaxCourant <= 1):
		problem = fmt.Sprintf("Courant number %g, above 0 to 1 are possible", o.MaxCourant)
	case o.Scheme != Petterssen && o.Scheme != RungeKutta4:
		problem = fmt.Sprintf("scheme %d is none", o.Scheme)
	case o.Nucleation != CondensationFreezing && o.Nucleation != ContactFreezing:
		problem = fmt.Sprintf("nucleation %d is none", o.Nucleation)
	case !(o.ActivationColdestK >= 200 && o.ActivationWarmestK >= o.ActivationColdestK && o.ActivationWarmestK <= 273.15):
		problem = fmt.Sprintf("activation from %g to %g K, 200 K to 273.15 K are possible", o.ActivationColdestK, o.ActivationWarmestK)
	case !(o.GrowthShortest > 0 && o.GrowthMode >= o.GrowthShortest && o.GrowthLongest >= o.GrowthMode):
		problem = fmt.Sprintf("growth times %s, %s, %s do not increase from above 0", o.GrowthShortest, o.GrowthMode, o.GrowthLongest)
	case !(o.FallSpeedMPerS >= initialFallSpeedMPerS && o.FallSpeedFactor >= 1):
		problem = fmt.Sprintf("fall speed %g m/s with factor %g, at least %g m/s and 1 are needed", o.FallSpeedMPerS, o.FallSpeedFactor, initialFallSpeedMPerS)
	case !(o.ActivationLiquidKgPerM3 > 0 && o.ActivationHumidity > 0 && o.SublimationDepthM > 0):
		problem = "activation liquid, activation humidity and sublimation depth must be above 0"
	case !(o.Turbulence.MountainFactor >= 0) || o.Turbulence.MountainFactor > 0 && !(o.Turbulence.LengthM > 0 && o.Turbulence.MixingDepthM > 0):
		problem = "turbulence needs a factor of at least 0, and a length and a depth above 0"
	case !(o.Perturbation.DirectionSDDeg >= 0 && o.Perturbation.SpeedSDFraction >= 0 && o.Perturbation.UpwardSDFraction >= 0):
		problem = "the standard deviations of wind errors must not be negative"
	}
	if problem != "" {
		return fmt.Errorf("drift: %s", problem)
	}
	return nil
}
