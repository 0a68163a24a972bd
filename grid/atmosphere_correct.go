package grid

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"
)

// Observation is a measured profile of wind, of temperature or of both, with
// which a box is corrected.
type Observation struct {
	// Column holds the profile. Of its levels only AltitudeM, the wind (both
	// components; one alone counts as missing) and AirTemperatureK are read; NaN
	// where missing, in any order. All of it counts as measured at Place and
	// Time: the drift of a balloon during its ascent is not followed.
	Column Column
	// Kind is for the sentences: "vad", "sounding".
	Kind string
	// WindErrorMPerS of each component and TemperatureErrorK are standard
	// deviations, of the instrument and of what a point says about a grid cell;
	// those of CorrectionOptions where not above 0.
	WindErrorMPerS, TemperatureErrorK float64
	// Quality of each level, 1 for the errors above, 0.5 for twice them; a level
	// of 0 or NaN is not used. Levels beyond its end have quality 1.
	Quality []float64
}

// CorrectionOptions say how far observations reach. What is not above 0 has the
// value of DefaultCorrectionOptions.
type CorrectionOptions struct {
	// ModelWindErrorMPerS of each component and ModelTemperatureErrorK are the
	// standard deviations of the error of the model.
	ModelWindErrorMPerS, ModelTemperatureErrorK float64
	// WindErrorMPerS and TemperatureErrorK of observations that give none.
	WindErrorMPerS, TemperatureErrorK float64
	// LengthM is L of the weight exp(-d²/(2 L²)) at great-circle distance d.
	LengthM float64
	// An observation counts in full at times up to FullFor from its own, and not
	// at all from NoneAfter on; linearly less between them.
	FullFor, NoneAfter time.Duration
	// OutsideFor is how far from the times of the box an observation may lie. It is
	// compared with the nearest state then, which a front may have changed; and
	// what was observed before a run began is in the run already.
	OutsideFor time.Duration
	// Levels farther apart than GapM are not connected. Beyond the ends of
	// what is covered the correction of the end fades to nothing over FadeM.
	GapM, FadeM float64
	// Limits of the correction of a node of the box.
	MaxWindIncrementMPerS, MaxTemperatureIncrementK float64
	// RefuseWindMPerS and RefuseTemperatureK are the differences from the model
	// above which a level is taken to be wrong.
	RefuseWindMPerS, RefuseTemperatureK float64
}

// DefaultCorrectionOptions is for the mesoscale, in complex terrain.
//
// Common practice, no source, all of them: errors of a short forecast of 3 m/s
// and 1 K; of an observation 2 m/s and 0.7 K, most of it what a point does not
// say about a cell; a length of 60 km; 1 to 3 hours; 15 minutes; the limits.
func DefaultCorrectionOptions() CorrectionOptions {
	return CorrectionOptions{
		ModelWindErrorMPerS: 3, ModelTemperatureErrorK: 1,
		WindErrorMPerS: 2, TemperatureErrorK: 0.7,
		LengthM: 60e3, FullFor: time.Hour, NoneAfter: 3 * time.Hour, OutsideFor: 15 * time.Minute,
		GapM: 1500, FadeM: 500,
		MaxWindIncrementMPerS: 8, MaxTemperatureIncrementK: 3,
		RefuseWindMPerS: 15, RefuseTemperatureK: 6,
	}
}

func (o CorrectionOptions) orDefaults() CorrectionOptions {
	d := DefaultCorrectionOptions()
	for _, v := range []struct {
		value    *float64
		standard float64
	}{
		{&o.ModelWindErrorMPerS, d.ModelWindErrorMPerS}, {&o.ModelTemperatureErrorK, d.ModelTemperatureErrorK},
		{&o.WindErrorMPerS, d.WindErrorMPerS}, {&o.TemperatureErrorK, d.TemperatureErrorK},
		{&o.LengthM, d.LengthM}, {&o.GapM, d.GapM}, {&o.FadeM, d.FadeM},
		{&o.MaxWindIncrementMPerS, d.MaxWindIncrementMPerS}, {&o.MaxTemperatureIncrementK, d.MaxTemperatureIncrementK},
		{&o.RefuseWindMPerS, d.RefuseWindMPerS}, {&o.RefuseTemperatureK, d.RefuseTemperatureK},
	} {
		if !(*v.value > 0 && *v.value <= 1e9) {
			*v.value = v.standard
		}
	}
	if o.FullFor <= 0 {
		o.FullFor = d.FullFor
	}
	if o.OutsideFor <= 0 {
		o.OutsideFor = d.OutsideFor
	}
	if o.NoneAfter <= 0 {
		o.NoneAfter = max(d.NoneAfter, o.FullFor)
	}
	return o
}

// Correction tells what observations did to a box.
type Correction struct {
	// Used and Refused say of each observation, in a sentence, what was taken
	// from it and why the rest was not. One of which only the wind or only the
	// temperature is refused stands in both.
	Used, Refused []string
	// Compared levels of the observations used, and the root mean square of
	// their difference from the model, vector difference for wind, before and
	// after. NaN without levels.
	WindLevels, TemperatureLevels                   int
	RMSWindBeforeMPerS, RMSWindAfterMPerS           float64
	RMSTemperatureBeforeK, RMSTemperatureAfterK     float64
	MaxWindDifferenceMPerS                          float64 // largest one, of what was refused too; 0 without any
	MaxTemperatureDifferenceK                       float64
	MaxWindIncrementMPerS, MaxTemperatureIncrementK float64 // largest change of a node
	// LimitedNodes is how many nodes would have been changed by more than the
	// limits; ChangedNodes how many were changed.
	LimitedNodes, ChangedNodes int
}

// Changed tells whether the box differs from the model's.
func (c *Correction) Changed() bool { return c.ChangedNodes > 0 }

// Corrected returns a box whose wind and temperature are drawn towards
// observations; the receiver stays as it is, and what does not change is shared.
//
// The increment of an observation is its value less that of the box at its own
// place and time, at the altitudes of the box's levels there. Increments are
// spread by optimal interpolation (Gandin 1963, Objective Analysis of
// Meteorological Fields; Daley 1991, Atmospheric Data Analysis, ch. 4), one
// altitude above the geoid at a time:
//
//	x = Σ a_i σ² ρ(x, i),  Σ_j (σ² ρ_ij + S_ij + δ_ij σ_i²) a_j = d_i
//
// with σ the error of the model, σ_i of the observation, and ρ = exp(-d²/(2 L²)),
// the Gaussian of distance that successive correction took up from Cressman
// (1959, Mon. Wea. Rev. 87, 367) with Barnes (1964, J. Appl. Meteor. 3, 396).
// Hence two observations of the same air share one increment; they do not add
// up. S lets an observation lose weight with time and beyond its ends: where it
// alone counts, its weight σ²/(σ² + σ_i²) is multiplied by the fraction f of the
// options, which is what S_ii = (σ² + σ_i²)(1 - f)/f does. That error is the
// model's own drift since then, as a random walk, so that observations of one
// side in time share it: S_ij = min(S_ii, S_jj) ρ_ij. Many old ones do not make
// a fresh one.
//
// By altitude, not by height above ground: it is the free air that observations
// 60 km away speak of. Mountains between them are not seen.
//
// Upward velocity stays, but that the air must follow the ground as in
// BuildAtmosphere: where the box's is the slope's throughout it follows the new
// wind, else the change of U . grad(h) is added in the layer next to the
// ground, linearly less up to 150 m (or the second level).
//
// Pressure stays, cloud and ice too. Specific humidity stays, as an observation
// of temperature knows nothing of it, and relative humidity changes; but air
// cooled to saturation keeps no more vapour than saturation over water holds
// (or than the model held), and in cloud relative humidity is kept instead:
// the droplets that the model sees there would not outlast dry air, nor does
// a warmer cloud rain out. Stability follows from all of that.
//
// Levels above RefuseWindMPerS or RefuseTemperatureK off are passed over, and
// all wind or temperature of an observation where they are more than a fifth
// of its levels: then place, time or unit are likelier to be wrong than the
// model. At most 32 observations are used, the newest.
func (a *Atmosphere) Corrected(observations []Observation, o CorrectionOptions) (*Atmosphere, Correction) {
	o = o.orDefaults()
	var c Correction
	used := a.compare(observations, &o, &c)
	box := *a
	if s := a.spread(used, &o); s != nil {
		s.apply(a, &box, &o, &c)
	}
	c.sumUp(&box, used)
	box.notes = slices.Concat(a.notes, c.notes())
	return &box, c
}

// sumUp compares the observations to the box before and after.
func (c *Correction) sumUp(box *Atmosphere, used []*comparison) {
	rms := func(of func(*comparison) *innovation, levels *int, before, after *float64) {
		sumBefore, sumAfter := 0.0, 0.0
		for _, u := range used {
			n := of(u)
			now := box.profileAt(&u.corners, u.at, n.temperature)
			for _, l := range n.levels {
				model, ok := now.at(l.altitudeM)
				if !ok {
					continue
				}
				*levels++
				sumBefore += l.difference * l.difference
				d := math.Hypot(l.value[0]-model[0], l.value[1]-model[1])
				sumAfter += d * d
			}
		}
		*before, *after = math.Sqrt(sumBefore/float64(*levels)), math.Sqrt(sumAfter/float64(*levels))
	}
	rms(func(u *comparison) *innovation { return &u.wind }, &c.WindLevels, &c.RMSWindBeforeMPerS, &c.RMSWindAfterMPerS)
	rms(func(u *comparison) *innovation { return &u.temperature }, &c.TemperatureLevels, &c.RMSTemperatureBeforeK, &c.RMSTemperatureAfterK)
}

// notes of the corrected box.
func (c *Correction) notes() []string {
	var notes []string
	for _, s := range c.Used {
		notes = append(notes, "corrected by "+s)
	}
	for _, s := range c.Refused {
		notes = append(notes, "not corrected by "+s)
	}
	var sums []string
	if c.WindLevels > 0 {
		sums = append(sums, fmt.Sprintf("wind from %.1f to %.1f m/s", c.RMSWindBeforeMPerS, c.RMSWindAfterMPerS))
	}
	if c.TemperatureLevels > 0 {
		sums = append(sums, fmt.Sprintf("temperature from %.1f to %.1f K", c.RMSTemperatureBeforeK, c.RMSTemperatureAfterK))
	}
	if len(sums) > 0 {
		notes = append(notes, "the correction takes the root mean square difference at the observations: "+strings.Join(sums, ", "))
	}
	if c.TemperatureLevels > 0 && c.MaxTemperatureIncrementK > 0 {
		notes = append(notes, "temperature is corrected at constant specific humidity, in cloud at constant relative humidity")
	}
	return notes
}
