package profile

import (
	"fmt"
	"math"
)

// Barrier is the ridge that air from the release has to get over.
type Barrier struct {
	CrestAltitudeM float64
	// TowardDeg is the direction from the release square across the barrier,
	// clockwise from north: 90 for a north-south ridge to the east.
	TowardDeg float64
	// ReleaseAltitudeM; NaN for Options.ReleaseAltitudeM.
	ReleaseAltitudeM float64
}

// BarrierFlow is the air between release and crest.
type BarrierFlow struct {
	CrestAltitudeM   Number `json:"crest_altitude_m"`
	ReleaseAltitudeM Number `json:"release_altitude_m"`
	TowardDeg        Number `json:"toward_deg"`
	// Air temperature at both.
	CrestTemperatureK   Number `json:"crest_air_temperature_k"`
	ReleaseTemperatureK Number `json:"release_air_temperature_k"`
	// CoveredShare of the layer (0 to 1) has temperature; below 0.8 nothing else
	// is derived.
	CoveredShare Number `json:"covered_share"`
	// Mean wind of the layer, and its component across the barrier (negative
	// away from it).
	WindSpeedMPerS        Number `json:"wind_speed_m_per_s"`
	WindFromDeg           Number `json:"wind_from_deg"`
	CrossBarrierMPerS     Number `json:"cross_barrier_wind_m_per_s"`
	ReleaseWindSpeedMPerS Number `json:"release_wind_speed_m_per_s"`
	// Squared buoyancy frequencies of the layer: dry, and with the saturated form
	// where humidity over water exceeds 90 %.
	DryPerS2   Number `json:"buoyancy_frequency_squared_dry_per_s2"`
	MoistPerS2 Number `json:"buoyancy_frequency_squared_per_s2"`
	// SaturatedShare of the layer counts as saturated, 0 to 1.
	SaturatedShare Number `json:"saturated_share"`
	// Froude numbers U/(N H), held to 10, which also stands for air that is not
	// stable. Dry is for comparison: in cloud it predicts blocking that does not
	// happen.
	FroudeDry      Number   `json:"froude_dry"`
	Froude         Number   `json:"froude"`
	BulkRichardson Number   `json:"bulk_richardson"`
	Trapping       Trapping `json:"trapping"`
}

// MaximumFroude stands for all larger values and for air that is not stable.
const MaximumFroude = 10.0

// Trapping says whether a plume released near the ground stays below the crest.
type Trapping struct {
	Verdict TrappingVerdict `json:"verdict"`
	// Membership is 0 (trapped) to 1 (over): of the Froude number, and 0 where a
	// reason forbids.
	Membership Number           `json:"membership"`
	Reasons    []TrappingReason `json:"reasons"`
}

// TrappingReason is one argument; Forbids means that it decides by itself.
type TrappingReason struct {
	Text    string `json:"text"`
	Forbids bool   `json:"forbids"`
}

// TrappingVerdict is one of those below.
type TrappingVerdict string

// Verdicts.
const (
	VerdictUnknown  TrappingVerdict = "unknown"
	VerdictTrapped  TrappingVerdict = "trapped"  // a reason forbids
	VerdictDoubtful TrappingVerdict = "doubtful" // Froude number below 0.56
	VerdictLikely   TrappingVerdict = "likely"   // 0.56 to 2: more likely over than not
	VerdictOver     TrappingVerdict = "over"     // 2 and more: nearly certain to go over
)

// Limits of the verdict. Over the Wind River Range the Froude number that best
// separated flow over from flow around was 0.56, and going over was near-certain
// only above 2.0 to 2.5 (thesis on Froude number and blocking, about 2020); the
// others are common practice, no source. Releases in valleys and canyon mouths
// were not carried over the barrier in 4 of 5 tracer flights (Super and Huggins,
// J. Wea. Mod.).
const (
	froudeBlocked        = 0.2
	froudeSeparating     = 0.56
	froudeOver           = 2.0
	trappingInversionM   = 100.0
	trappingThetaKPerM   = 5e-3
	trappingWindMPerS    = 1.0
	leastCovered         = 0.8
	saturatedHalf        = 0.5
	neutralFrequencyPerS = 1e-8 // squared: a period of 17 hours
)

// FroudeMembership grades a Froude number from 0 (blocked) to 1 (over): 0 at
// 0.2, 0.5 at the separating 0.56, 0.9 at 1, 1 from 2; a threshold is not sharp
// in nature.
func FroudeMembership(froude float64) float64 {
	knots := [...][2]float64{{froudeBlocked, 0}, {froudeSeparating, 0.5}, {1, 0.9}, {froudeOver, 1}}
	switch {
	case math.IsNaN(froude):
		return nan
	case froude <= knots[0][0]:
		return 0
	}
	for k := 1; k < len(knots); k++ {
		if low, high := knots[k-1], knots[k]; froude <= high[0] {
			return low[1] + (high[1]-low[1])*(froude-low[0])/(high[0]-low[0])
		}
	}
	return 1
}

// FroudeFlow is what a Froude number is made of.
type FroudeFlow struct {
	CrossBarrierMPerS, FrequencySquaredPerS2, HeightM float64
}

// Froude is U/(N H), at least 0 and at most MaximumFroude: 0 where the wind does
// not blow towards the barrier, the most where the air is not stable.
func (f FroudeFlow) Froude() float64 {
	switch {
	case math.IsNaN(f.CrossBarrierMPerS + f.FrequencySquaredPerS2 + f.HeightM):
		return nan
	case f.CrossBarrierMPerS <= 0:
		return 0
	case f.FrequencySquaredPerS2 <= neutralFrequencyPerS || f.HeightM <= 0:
		return MaximumFroude
	}
	return min(MaximumFroude, f.CrossBarrierMPerS/(math.Sqrt(f.FrequencySquaredPerS2)*f.HeightM))
}

func (d *Derived) deriveBarrier(a *ascent) {
	barrier := a.options.Barrier
	if barrier == nil {
		return
	}
	flow := &BarrierFlow{
		CrestAltitudeM: Number(barrier.CrestAltitudeM), ReleaseAltitudeM: Number(a.releaseM), TowardDeg: Number(barrier.TowardDeg),
		CrestTemperatureK: Number(a.temperature.at(barrier.CrestAltitudeM)), ReleaseTemperatureK: Number(a.temperature.at(a.releaseM)),
		CoveredShare: missing, WindSpeedMPerS: missing, WindFromDeg: missing, CrossBarrierMPerS: missing, ReleaseWindSpeedMPerS: missing,
		DryPerS2: missing, MoistPerS2: missing, SaturatedShare: missing, FroudeDry: missing, Froude: missing, BulkRichardson: missing,
		Trapping: Trapping{Verdict: VerdictUnknown, Membership: missing, Reasons: []TrappingReason{}},
	}
	d.Barrier = flow
	heightM := barrier.CrestAltitudeM - a.releaseM
	switch {
	case math.IsNaN(heightM) || math.IsInf(heightM, 0) || math.IsNaN(barrier.TowardDeg) || math.IsInf(barrier.TowardDeg, 0):
		flow.cannot(d, "flow over the barrier", "the altitude of release or crest, or the direction across, is not known")
		return
	case heightM <= 0:
		flow.Trapping = Trapping{VerdictOver, 1, []TrappingReason{{fmt.Sprintf("the release, at %.0f m, is not below the crest, at %.0f m", a.releaseM, barrier.CrestAltitudeM), false}}}
		return
	}
	flow.wind(a, barrier)
	if !flow.CrossBarrierMPerS.Known() {
		d.lacks("cross-barrier wind", fmt.Sprintf("less than %.0f %% of the layer from release to crest has wind", 100*leastCovered))
	}
	inLayer := a.layer(a.releaseM, barrier.CrestAltitudeM)
	flow.CoveredShare = Number(inLayer.coveredM / heightM)
	if float64(flow.CoveredShare) < leastCovered {
		flow.cannot(d, "stability from release to crest", fmt.Sprintf("only %.0f %% of the layer has temperature and pressure", 100*float64(flow.CoveredShare)))
		flow.judge(a, d.Stability.Inversions, nan)
		return
	}
	flow.DryPerS2, flow.MoistPerS2 = Number(inLayer.dryPerS2), Number(inLayer.moistPerS2)
	flow.SaturatedShare = Number(inLayer.saturatedShare)
	u := float64(flow.CrossBarrierMPerS)
	flow.FroudeDry = Number(FroudeFlow{u, inLayer.dryPerS2, heightM}.Froude())
	flow.Froude = Number(FroudeFlow{u, inLayer.moistPerS2, heightM}.Froude())
	flow.BulkRichardson = Number(a.layerRichardson(barrier.CrestAltitudeM))
	flow.judge(a, d.Stability.Inversions, inLayer.unsaturatedThetaKPerM)
}

func (f *BarrierFlow) cannot(d *Derived, what, why string) {
	d.lacks(what, why)
	f.Trapping.Reasons = append(f.Trapping.Reasons, TrappingReason{what + " is not known: " + why, false})
}

// wind fills the means between release and crest.
func (f *BarrierFlow) wind(a *ascent, barrier *Barrier) {
	u, covered := a.eastward.mean(a.releaseM, barrier.CrestAltitudeM)
	v, _ := a.northward.mean(a.releaseM, barrier.CrestAltitudeM)
	if covered < leastCovered*(barrier.CrestAltitudeM-a.releaseM) || math.IsNaN(u+v) {
		return
	}
	sin, cos := math.Sincos(barrier.TowardDeg * math.Pi / 180)
	f.CrossBarrierMPerS = Number(u*sin + v*cos)
	f.WindSpeedMPerS = Number(math.Hypot(u, v))
	f.WindFromDeg = Number(windFromDeg(u, v))
	f.ReleaseWindSpeedMPerS = Number(math.Hypot(a.eastward.at(a.releaseM), a.northward.at(a.releaseM)))
}

// windFromDeg is the direction that a wind comes from, 0 to 360.
func windFromDeg(eastwardMPerS, northwardMPerS float64) float64 {
	from := math.Atan2(-eastwardMPerS, -northwardMPerS) * 180 / math.Pi
	if from < 0 {
		from += 360
	}
	return from
}

// layerMeans are means by height over a layer.
type layerMeans struct {
	coveredM, dryPerS2, moistPerS2, saturatedShare float64
	// unsaturatedThetaKPerM is dtheta/dz of what is not saturated; NaN where
	// more than half is.
	unsaturatedThetaKPerM float64
}

// layer averages the stability between two altitudes: in each segment between
// levels the saturated form counts where humidity over water exceeds the limit
// of Options, and the dry form elsewhere and where humidity is not known.
func (a *ascent) layer(baseM, topM float64) layerMeans {
	var m layerMeans
	var saturatedM, theta float64
	var lower *level
	for k := range a.levels {
		upper := &a.levels[k]
		if math.IsNaN(upper.pressurePa + upper.temperatureK) {
			continue
		}
		if lower != nil && upper.altitudeM-lower.altitudeM <= a.options.MaximumGapM {
			if depth := min(upper.altitudeM, topM) - max(lower.altitudeM, baseM); depth > 0 {
				dry := dryFrequencyPerS2(lower, upper)
				moist := dry
				humidity, covered := a.humidity.mean(lower.altitudeM, upper.altitudeM)
				if covered > 0 && humidity > a.options.SaturatedHumidity {
					moist = lower.stratification(upper).JustSaturated().SaturatedPerS2()
					saturatedM += depth
				} else {
					theta += depth * (upper.thetaK - lower.thetaK) / (upper.altitudeM - lower.altitudeM)
				}
				m.coveredM += depth
				m.dryPerS2 += depth * dry
				m.moistPerS2 += depth * moist
			}
		}
		lower = upper
	}
	m.unsaturatedThetaKPerM = nan
	if m.coveredM > 0 {
		m.dryPerS2 /= m.coveredM
		m.moistPerS2 /= m.coveredM
		m.saturatedShare = saturatedM / m.coveredM
		if m.saturatedShare < saturatedHalf {
			m.unsaturatedThetaKPerM = theta / (m.coveredM - saturatedM)
		}
	}
	return m
}

// layerRichardson is Ri_b between release and crest; missing where one of them is
// outside the levels.
func (a *ascent) layerRichardson(crestM float64) float64 {
	low, high := a.interpolated(a.releaseM), a.interpolated(crestM)
	return bulkRichardson(&low, &high)
}

// judge gives the verdict with all its reasons.
func (f *BarrierFlow) judge(a *ascent, inversions []Inversion, unsaturatedThetaKPerM float64) {
	t := &f.Trapping
	say := func(forbids bool, format string, arguments ...any) {
		t.Reasons = append(t.Reasons, TrappingReason{fmt.Sprintf(format, arguments...), forbids})
	}
	for _, inversion := range inversions {
		depth := min(inversion.TopAltitudeM, float64(f.CrestAltitudeM)) - max(inversion.BaseAltitudeM, a.releaseM)
		if depth > trappingInversionM {
			say(true, "an inversion %.0f m deep (%.1f K) lies between release and crest, from %.0f m", depth, inversion.StrengthK, max(inversion.BaseAltitudeM, a.releaseM))
		}
	}
	if unsaturatedThetaKPerM > trappingThetaKPerM {
		say(true, "potential temperature rises by %.1f K/km below the crest, more than %.0f", 1000*unsaturatedThetaKPerM, 1000*trappingThetaKPerM)
	}
	if float64(f.ReleaseWindSpeedMPerS) < trappingWindMPerS {
		say(true, "the wind at the release is %.1f m/s, less than %.0f", float64(f.ReleaseWindSpeedMPerS), trappingWindMPerS)
	}
	switch across := float64(f.CrossBarrierMPerS); {
	case across <= 0:
		say(true, "the wind does not blow towards the barrier (%.1f m/s across)", across)
	case across < trappingWindMPerS:
		say(true, "the wind across the barrier is %.1f m/s, less than %.0f", across, trappingWindMPerS)
	}
	froude := float64(f.Froude)
	switch {
	case math.IsNaN(froude):
		say(false, "the Froude number is not known")
	case froude < froudeBlocked:
		say(true, "Froude number %.2f, below %.1f: the air is blocked", froude, froudeBlocked)
	case froude < froudeSeparating:
		say(false, "Froude number %.2f, below %.2f: more likely around than over", froude, froudeSeparating)
	case froude < froudeOver:
		say(false, "Froude number %.2f, above %.2f: more likely over than not", froude, froudeSeparating)
	default:
		say(false, "Froude number %.1f or more: nearly certain to go over", froudeOver)
	}

	t.Membership = Number(FroudeMembership(froude))
	switch {
	case math.IsNaN(froude):
		t.Verdict = VerdictUnknown
	case froude < froudeSeparating:
		t.Verdict = VerdictDoubtful
	case froude < froudeOver:
		t.Verdict = VerdictLikely
	default:
		t.Verdict = VerdictOver
	}
	for _, reason := range t.Reasons {
		if reason.Forbids {
			t.Verdict, t.Membership = VerdictTrapped, 0
		}
	}
}
