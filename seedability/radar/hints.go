package radar

import (
	"fmt"
	"math"

	"rimeline/grid"
)

// HintKind is what a hint is about.
type HintKind string

// The kinds.
const (
	HintDendriticGrowth HintKind = "dendritic growth"
	HintRiming          HintKind = "riming"
	HintMelting         HintKind = "melting"
)

// Hint is what dual polarisation suggests about hydrometeors. It is no
// identification: the same signatures have other causes.
type Hint struct {
	Kind           HintKind
	BottomM, TopM  float64
	Text           string
	SupportsLiquid bool // riming needs supercooled droplets
}

// Thresholds of the hints: values from memory, after Kennedy and Rutledge (2011,
// J. Appl. Meteor. Climatol. 50, 844) and Andric et al. (2013, ibid. 52, 682)
// for dendrites, Vogel and Fabry (2018, ibid. 57, 1547) for riming.
const (
	dendriteZDRDB       = 1.0
	dendriteKDPDegPerKm = 0.2
	dendriteWarmK       = 273.15 - 12
	dendriteColdK       = 273.15 - 18
	// rimingRiseDB of reflectivity downward, with ZDR falling by rimingFallDB to
	// below rimingZDRDB.
	rimingRiseDB = 3.0
	rimingFallDB = 0.3
	rimingZDRDB  = 0.3
	// polarimetricDBZ: weaker echo has too noisy a differential reflectivity.
	polarimetricDBZ = 5.0
)

// Hints looks through a column for signatures. temperatureK gives the air at an
// altitude, NaN where unknown; hints that need it are left out then.
func (c Column) Hints(temperatureK func(altitudeM float64) float64) []Hint {
	var hints []Hint
	for _, s := range c {
		if s.Sight != grid.Echo {
			continue
		}
		low, high := s.extent()
		t := temperatureK(s.AltitudeM)
		if s.DifferentialReflectivityDB > dendriteZDRDB && s.SpecificPhaseDegPerKm > dendriteKDPDegPerKm && t <= dendriteWarmK && t >= dendriteColdK {
			hints = append(hints, Hint{Kind: HintDendriticGrowth, BottomM: low, TopM: high,
				Text: fmt.Sprintf("hint: ZDR %.1f dB and KDP %.2f °/km at %.0f °C suggest dendritic growth, natural ice", s.DifferentialReflectivityDB, s.SpecificPhaseDegPerKm, t-273.15)})
		}
		if s.CorrelationCoefficient < brightBandCorrelation && s.ReflectivityDBZ >= 15 && t > 273.15-0.5 && t < 273.15+4 {
			hints = append(hints, Hint{Kind: HintMelting, BottomM: low, TopM: high,
				Text: fmt.Sprintf("hint: correlation %.2f at %.0f °C suggests melting particles", s.CorrelationCoefficient, t-273.15)})
		}
	}
	if hint, found := c.riming(temperatureK); found {
		hints = append(hints, hint)
	}
	return hints
}

// riming looks for differential reflectivity that falls towards 0 while
// reflectivity rises, downward through subfreezing air, in a run of beams.
func (c Column) riming(temperatureK func(altitudeM float64) float64) (Hint, bool) {
	var run []Sample // from above
	check := func() (Hint, bool) {
		if len(run) < 2 {
			return Hint{}, false
		}
		top, bottom := run[0], run[len(run)-1]
		rise := bottom.ReflectivityDBZ - top.ReflectivityDBZ
		fall := top.DifferentialReflectivityDB - bottom.DifferentialReflectivityDB
		if !(rise >= rimingRiseDB && fall >= rimingFallDB && math.Abs(bottom.DifferentialReflectivityDB) <= rimingZDRDB) {
			return Hint{}, false
		}
		return Hint{Kind: HintRiming, BottomM: bottom.AltitudeM, TopM: top.AltitudeM, SupportsLiquid: true,
			Text: fmt.Sprintf("hint: downward from %.0f to %.0f m reflectivity rises by %.0f dB and ZDR falls to %.1f dB, which suggests riming; aggregation looks alike", top.AltitudeM, bottom.AltitudeM, rise, bottom.DifferentialReflectivityDB)}, true
	}
	for k := len(c) - 1; k >= 0; k-- {
		s := c[k]
		usable := s.Sight == grid.Echo && s.ReflectivityDBZ >= polarimetricDBZ && !math.IsNaN(s.DifferentialReflectivityDB) && temperatureK(s.AltitudeM) < 273.15-1
		falls := len(run) == 0 || usable && s.ReflectivityDBZ > run[len(run)-1].ReflectivityDBZ && s.DifferentialReflectivityDB < run[len(run)-1].DifferentialReflectivityDB
		if usable && falls {
			run = append(run, s)
			continue
		}
		if hint, found := check(); found {
			return hint, true
		}
		run = run[:0]
		if usable {
			run = append(run, s)
		}
	}
	return check()
}

// KDPDegPerKm estimates specific differential phase along a radial: half the
// slope of a straight line through window gates of differential phase (Ryzhkov
// and Zrnić 1996, J. Appl. Meteor. 35, 2080, who use 9 gates of 250 m in heavy
// and 25 in light precipitation). Jumps of more than half of foldDeg (180 or
// 360) from gate to gate are undone. Gates with fewer than two thirds of the
// window measured are NaN. dst is used where large enough.
func KDPDegPerKm(differentialPhaseDeg []float32, gateSpacingM float64, window int, foldDeg float64, dst []float64) []float64 {
	n := len(differentialPhaseDeg)
	if cap(dst) < n {
		dst = make([]float64, n)
	}
	dst = dst[:n]
	window = max(window|1, 3)
	unfolded := make([]float64, n)
	last, offset := math.NaN(), 0.0
	for k, x := range differentialPhaseDeg {
		v := float64(x)
		if v == v && last == last && foldDeg > 0 {
			offset = foldDeg * math.Round((last-v)/foldDeg)
		}
		unfolded[k] = v + offset
		if v == v {
			last = unfolded[k]
		}
	}
	half := window / 2
	for k := range dst {
		dst[k] = math.NaN()
		var count, sx, sy, sxx, sxy float64
		for j := max(k-half, 0); j <= min(k+half, n-1); j++ {
			if y := unfolded[j]; y == y {
				x := float64(j - k)
				count, sx, sy, sxx, sxy = count+1, sx+x, sy+y, sxx+x*x, sxy+x*y
			}
		}
		if spread := count*sxx - sx*sx; 3*count >= 2*float64(window) && spread > 0 {
			dst[k] = (count*sxy - sx*sy) / spread / 2 / gateSpacingM * 1000
		}
	}
	return dst
}
