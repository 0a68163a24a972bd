package grid

import (
	"math"
	"time"
)

// fillRates takes over one time of the source's rate of precipitation.
func (b *builder) fillRates(t int) {
	r := b.source.byTime[t][key{precipitationRate, stratum{kind: surfaceLevel}}]
	if r == nil {
		return
	}
	columns := b.ni * b.nj
	if b.rates == nil {
		b.rates = make([]float32, columns*len(b.times))
		for k := range b.rates {
			b.rates[k] = float32(math.NaN())
		}
	}
	for column := range columns {
		// Packing may leave a little less than nothing.
		b.rates[t*columns+column] = float32(math.Max(r.value(b.at(column)), 0))
	}
}

// PrecipitationRateAt is the source's own rate of precipitation at the ground,
// rain and snow together, kg m-2 s-1 (millimetres of liquid water a second),
// linear in place and time between its instantaneous values: of a shower between
// two times of the source it knows nothing. False outside the box, and where the
// source gives none.
func (a *Atmosphere) PrecipitationRateAt(p LatLon, at time.Time) (kgPerM2S float64, ok bool) {
	if a.rates == nil {
		return math.NaN(), false
	}
	x, y, ok := a.Plane(p)
	if !ok {
		return math.NaN(), false
	}
	t, later, ok := a.moment(at)
	if !ok {
		return math.NaN(), false
	}
	c, columns := a.corners(x, y), a.ni*a.nj
	for _, state := range []struct {
		t      int
		weight float64
	}{{t, 1 - later}, {t + 1, later}} {
		if state.weight > 0 {
			kgPerM2S += state.weight * c.blend(a.rates[state.t*columns:(state.t+1)*columns])
		}
	}
	return kgPerM2S, !math.IsNaN(kgPerM2S)
}

// HasPrecipitationRate tells whether the source gave the rate of precipitation at
// any time.
func (a *Atmosphere) HasPrecipitationRate() bool { return a.rates != nil }

// HasRainAndSnow tells whether the source gave the mass of rain and of snow on its
// levels. Where it gave one of them alone, the other is 0 in a State, and nothing
// can be said about what falls.
func (a *Atmosphere) HasRainAndSnow() bool { return a.hasRainSnow }
