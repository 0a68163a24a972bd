package liquid

import "math"

// Level is one level of a sounding, as cloud is read from it.
type Level struct {
	AltitudeM, AirTemperatureK float64
	// Relative humidities are 1 at saturation, NaN where not known.
	RelativeHumidityWater, RelativeHumidityIce float64
}

// humidity is what the cloud rules look at: over water from 0 degrees Celsius
// up, over ice below.
func (l Level) humidity() float64 {
	if l.AirTemperatureK >= meltingPointK {
		return l.RelativeHumidityWater
	}
	return l.RelativeHumidityIce
}

// Rule finds cloud layers in relative humidity, with hysteresis: a layer is
// wherever the humidity is at least Minimum, provided that it reaches Maximum
// somewhere inside. Both depend on the height above ground.
type Rule struct {
	Name, Source     string
	Minimum, Maximum HeightTable
	// Jump is how much the humidity must change across base and top (over
	// jumpDistanceM to either side); 0 for no such condition. A base on the
	// ground and a top at the end of the sounding are exempt.
	Jump float64
	// Between is the humidity above which two layers are one; nil where only
	// the distance MergeM decides.
	Between HeightTable
	MergeM  float64
	// ThinnestM is the least thickness of a layer.
	ThinnestM HeightTable
}

// jumpDistanceM: the original rule compares neighbouring levels of coarse
// reports; with the fine levels of today a jump needs a distance (common
// practice, no source).
const jumpDistanceM = 300.0

// HeightTable is a value by height above ground, linear between its rows of
// (height in m, value) and constant outside.
type HeightTable [][2]float64

// At is the value at a height above ground.
func (h HeightTable) At(heightM float64) float64 {
	if len(h) == 0 || math.IsNaN(heightM) {
		return nan
	}
	if heightM <= h[0][0] {
		return h[0][1]
	}
	for k := 1; k < len(h); k++ {
		if low, high := h[k-1], h[k]; heightM <= high[0] {
			return low[1] + (high[1]-low[1])*(heightM-low[0])/(high[0]-low[0])
		}
	}
	return h[len(h)-1][1]
}

// WangRossow is the rule of Wang and Rossow (1995, J. Appl. Meteor. 34,
// 2243-2258): 84 % at base and top, 87 % inside, jumps of 3 %. (Jump from
// memory. Their rule for bases below 500 m, which drops them, is left out: on a
// mountain these are the clouds that count.)
func WangRossow() Rule {
	return Rule{
		Name: "wang-rossow-1995", Source: "Wang and Rossow (1995, J. Appl. Meteor. 34, 2243)",
		Minimum: HeightTable{{0, 0.84}}, Maximum: HeightTable{{0, 0.87}}, Jump: 0.03,
	}
}

// Zhang is the rule of Zhang et al. (2010, J. Geophys. Res. 115, D00K30), whose
// thresholds fall with height. Values from memory, except the minimum of 92 %
// at the ground.
func Zhang() Rule {
	return Rule{
		Name: "zhang-2010", Source: "Zhang et al. (2010, J. Geophys. Res. 115, D00K30)",
		Minimum:   HeightTable{{0, 0.92}, {2000, 0.90}, {6000, 0.88}, {12000, 0.75}},
		Maximum:   HeightTable{{0, 0.95}, {2000, 0.93}, {6000, 0.90}, {12000, 0.80}},
		Between:   HeightTable{{0, 0.84}, {2000, 0.82}, {2001, 0.80}, {6000, 0.78}, {12000, 0.70}},
		MergeM:    300,
		ThinnestM: HeightTable{{2000, 30.5}, {2001, 61}},
	}
}

// Layer is one cloud layer.
type Layer struct {
	Interval
	BaseTemperatureK, TopTemperatureK float64
	MaximumHumidity                   float64 // over water or ice, as the rule looks at it
	// OnGround: the sounding starts inside the layer. Open: it ends inside.
	OnGround, Open bool
}

// Layers finds the cloud layers of a sounding. Levels rise strictly in
// altitude; heights above ground are counted from surfaceAltitudeM (the lowest
// level where it is NaN). Base and top are interpolated to where the humidity
// crosses the minimum.
func (r Rule) Layers(levels []Level, surfaceAltitudeM float64) []Layer {
	known := make([]Level, 0, len(levels))
	for _, level := range levels {
		if !math.IsNaN(level.AltitudeM + level.AirTemperatureK + level.humidity()) {
			known = append(known, level)
		}
	}
	if len(known) < 2 {
		return nil
	}
	if math.IsNaN(surfaceAltitudeM) {
		surfaceAltitudeM = known[0].AltitudeM
	}
	altitudes, excess := make([]float64, len(known)), make([]float64, len(known))
	for k, level := range known {
		altitudes[k] = level.AltitudeM
		excess[k] = level.humidity() - r.Minimum.At(level.AltitudeM-surfaceAltitudeM)
	}
	moist := r.merge(Where(altitudes, MaximumGapM, excess), known, surfaceAltitudeM)
	var found []Layer
	for _, interval := range moist {
		layer := describe(known, interval)
		if r.cloudy(layer, known, surfaceAltitudeM) {
			found = append(found, layer)
		}
	}
	return found
}

// merge joins layers that lie close together, or between which the air stays
// moist.
func (r Rule) merge(intervals []Interval, known []Level, surfaceAltitudeM float64) []Interval {
	var merged []Interval
	for _, next := range intervals {
		if n := len(merged); n > 0 {
			last := &merged[n-1]
			gap := Interval{last.TopAltitudeM, next.BaseAltitudeM}
			if gap.DepthM() < r.MergeM || r.Between != nil && gap.DepthM() <= MaximumGapM && r.moistBetween(gap, known, surfaceAltitudeM) {
				last.TopAltitudeM = next.TopAltitudeM
				continue
			}
		}
		merged = append(merged, next)
	}
	return merged
}

func (r Rule) moistBetween(gap Interval, known []Level, surfaceAltitudeM float64) bool {
	for _, level := range known {
		if level.AltitudeM > gap.BaseAltitudeM && level.AltitudeM < gap.TopAltitudeM &&
			!(level.humidity() > r.Between.At(level.AltitudeM-surfaceAltitudeM)) {
			return false
		}
	}
	return true
}

func (r Rule) cloudy(layer Layer, known []Level, surfaceAltitudeM float64) bool {
	if r.ThinnestM != nil && layer.DepthM() < r.ThinnestM.At(layer.BaseAltitudeM-surfaceAltitudeM) {
		return false
	}
	reached := false
	for _, level := range known {
		if level.AltitudeM >= layer.BaseAltitudeM && level.AltitudeM <= layer.TopAltitudeM &&
			level.humidity() >= r.Maximum.At(level.AltitudeM-surfaceAltitudeM) {
			reached = true
		}
	}
	if !reached {
		return false
	}
	if r.Jump == 0 {
		return true
	}
	return (layer.OnGround || jump(known, layer.BaseAltitudeM, +1) >= r.Jump) &&
		(layer.Open || jump(known, layer.TopAltitudeM, -1) >= r.Jump)
}

// jump is the highest humidity just inside an edge less the lowest just
// outside; inside is +1 where it lies above the edge.
func jump(known []Level, edgeM, inside float64) float64 {
	within, without := humidityAt(known, edgeM), humidityAt(known, edgeM)
	for _, level := range known {
		switch distance := (level.AltitudeM - edgeM) * inside; {
		case distance >= 0 && distance <= jumpDistanceM:
			within = max(within, level.humidity())
		case distance < 0 && distance >= -jumpDistanceM:
			without = min(without, level.humidity())
		}
	}
	// Coarse levels: the neighbours, however far.
	for k := 1; k < len(known); k++ {
		if below, above := known[k-1], known[k]; below.AltitudeM <= edgeM && above.AltitudeM >= edgeM {
			if inside < 0 {
				below, above = above, below
			}
			within, without = max(within, above.humidity()), min(without, below.humidity())
		}
	}
	return within - without
}

func humidityAt(known []Level, altitudeM float64) float64 {
	return interpolate(known, altitudeM, Level.humidity)
}

func describe(known []Level, interval Interval) Layer {
	layer := Layer{Interval: interval, MaximumHumidity: nan}
	temperature := func(l Level) float64 { return l.AirTemperatureK }
	layer.BaseTemperatureK = interpolate(known, interval.BaseAltitudeM, temperature)
	layer.TopTemperatureK = interpolate(known, interval.TopAltitudeM, temperature)
	layer.OnGround = interval.BaseAltitudeM <= known[0].AltitudeM
	layer.Open = interval.TopAltitudeM >= known[len(known)-1].AltitudeM
	for _, level := range known {
		if level.AltitudeM >= interval.BaseAltitudeM && level.AltitudeM <= interval.TopAltitudeM &&
			!(level.humidity() <= layer.MaximumHumidity) {
			layer.MaximumHumidity = level.humidity()
		}
	}
	return layer
}

// interpolate is linear in altitude between levels without missing values.
func interpolate(known []Level, altitudeM float64, value func(Level) float64) float64 {
	for k, level := range known {
		switch {
		case level.AltitudeM == altitudeM:
			return value(level)
		case level.AltitudeM > altitudeM:
			if k == 0 {
				return nan
			}
			below := known[k-1]
			f := (altitudeM - below.AltitudeM) / (level.AltitudeM - below.AltitudeM)
			return value(below) + f*(value(level)-value(below))
		}
	}
	return nan
}

// Humidities over water from which supercooled liquid is read off a sounding,
// and the least thickness of a layer of it (common practice, no source).
const (
	LikelyHumidity     = 0.95
	PossibleHumidity   = 0.90
	ThinnestLiquidM    = 300.0
	coldestSupercooled = 248.15
)

// SupercooledLayers finds where supercooled liquid may be: relative humidity
// over water of at least minimumHumidity (LikelyHumidity or PossibleHumidity),
// between 0 and -25 degrees Celsius, at least 300 m thick. Possible layers
// include the likely ones.
func SupercooledLayers(levels []Level, minimumHumidity float64) []Layer {
	known := make([]Level, 0, len(levels))
	var altitudes, humid, cold, warm []float64
	for _, level := range levels {
		if math.IsNaN(level.AltitudeM + level.AirTemperatureK + level.RelativeHumidityWater) {
			continue
		}
		level.RelativeHumidityIce = level.RelativeHumidityWater // humidity over water throughout
		known = append(known, level)
		altitudes = append(altitudes, level.AltitudeM)
		humid = append(humid, level.RelativeHumidityWater-minimumHumidity)
		cold = append(cold, meltingPointK-level.AirTemperatureK)
		warm = append(warm, level.AirTemperatureK-coldestSupercooled)
	}
	var found []Layer
	for _, interval := range Where(altitudes, MaximumGapM, humid, cold, warm) {
		if interval.DepthM() >= ThinnestLiquidM {
			found = append(found, describe(known, interval))
		}
	}
	return found
}
