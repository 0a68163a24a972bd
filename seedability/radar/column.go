package radar

import (
	"cmp"
	"math"
	"slices"

	"rimeline/grid"
)

// Sample is one beam over a place. What was not seen has a Sight that says why,
// and takes part in nothing but coverage.
type Sample struct {
	AltitudeM  float64 // of the centre of the beam, above sea level
	HalfWidthM float64 // to the half-power points; 0 or NaN where unknown
	Sight      grid.Sight
	// ReflectivityDBZ counts where the sight is grid.Echo.
	ReflectivityDBZ float64
	// Dual polarisation, NaN where not measured.
	DifferentialReflectivityDB float64
	SpecificPhaseDegPerKm      float64
	CorrelationCoefficient     float64
}

// Column is what a radar saw over a place, lowest beam first.
type Column []Sample

// ColumnOf joins the columns of several moments of one volume, sample by sample
// of the reflectivity; moments that a volume does not have may be empty columns.
// Gates of another moment count where they are of the same sweep, or within a
// tenth of the beam's half-width: split cuts measure them apart.
func ColumnOf(reflectivity, differentialReflectivity, specificPhase, correlation grid.RadarColumn) Column {
	var column Column
	for _, g := range reflectivity.Gates {
		if math.IsNaN(g.AltitudeM) {
			continue
		}
		column = append(column, Sample{
			AltitudeM: g.AltitudeM, HalfWidthM: g.HalfWidthM, Sight: g.Sight, ReflectivityDBZ: float64(g.Value),
			DifferentialReflectivityDB: besides(differentialReflectivity, g),
			SpecificPhaseDegPerKm:      besides(specificPhase, g),
			CorrelationCoefficient:     besides(correlation, g),
		})
	}
	return column.sorted()
}

func besides(c grid.RadarColumn, g grid.ColumnGate) float64 {
	value := math.NaN()
	for _, other := range c.Gates {
		if other.Sight != grid.Echo {
			continue
		}
		if other.Sweep == g.Sweep {
			return float64(other.Value)
		}
		if math.Abs(other.AltitudeM-g.AltitudeM) <= 0.1*g.HalfWidthM { // false for NaN
			value = float64(other.Value)
		}
	}
	return value
}

func (c Column) sorted() Column {
	slices.SortStableFunc(c, func(a, b Sample) int { return cmp.Compare(a.AltitudeM, b.AltitudeM) })
	return c
}

// extent of the beam, of which at least a metre.
func (s Sample) extent() (lowM, highM float64) {
	half := s.HalfWidthM
	if !(half > 0.5) {
		half = 0.5
	}
	return s.AltitudeM - half, s.AltitudeM + half
}

// z is the reflectivity in mm6 m-3, 0 for no echo.
func (s Sample) z() float64 {
	if s.Sight == grid.Echo {
		return LinearZ(s.ReflectivityDBZ)
	}
	return 0
}

// LayerMaximum is the strongest echo of a layer.
type LayerMaximum struct {
	// Sight is grid.Echo with a maximum, grid.NoEcho where the layer was seen and
	// empty, else why it was not seen.
	Sight grid.Sight
	// ReflectivityDBZ and AltitudeM of the maximum, NaN without echo.
	ReflectivityDBZ, AltitudeM float64
	// SeenShare of the layer's depth lies within beams that saw, 0 to 1.
	SeenShare float64
}

// Maximum finds the strongest echo between two altitudes, of the seeded layer or
// between two isotherms. A beam counts where its centre is in the layer, or the
// layer lies within the beam. Without echo, a layer of which less than half was
// seen is not called empty: the sight is then the reason why.
func (c Column) Maximum(bottomM, topM float64) LayerMaximum {
	m := LayerMaximum{Sight: grid.OutsideRange, ReflectivityDBZ: math.NaN(), AltitudeM: math.NaN(), SeenShare: c.SeenShare(bottomM, topM)}
	seenEmpty := false
	lowest, highest := math.Inf(1), math.Inf(-1)
	for _, s := range c {
		low, high := s.extent()
		lowest, highest = math.Min(lowest, low), math.Max(highest, high)
		inside := s.AltitudeM >= bottomM && s.AltitudeM <= topM || low <= bottomM && high >= topM
		if !inside {
			continue
		}
		switch s.Sight {
		case grid.Echo:
			if m.Sight != grid.Echo || s.ReflectivityDBZ > m.ReflectivityDBZ {
				m.Sight, m.ReflectivityDBZ, m.AltitudeM = grid.Echo, s.ReflectivityDBZ, s.AltitudeM
			}
		case grid.NoEcho:
			seenEmpty = true
		default:
			if m.Sight != grid.Echo {
				m.Sight = s.Sight
			}
		}
	}
	switch {
	case m.Sight == grid.Echo:
	case seenEmpty && m.SeenShare >= enoughSeen:
		m.Sight = grid.NoEcho
	case len(c) > 0 && topM < lowest:
		m.Sight = grid.Overshot
	case len(c) > 0 && bottomM > highest:
		m.Sight = grid.AboveScan
	case m.Sight == grid.OutsideRange && len(c) > 0:
		m.Sight = grid.NoRadial
	}
	return m
}

// enoughSeen of a layer to call it empty: common practice, no source.
const enoughSeen = 0.5

// SeenShare is how much of a layer's depth lies within beams that saw, between
// their half-power points, 0 to 1; NaN for no layer.
func (c Column) SeenShare(bottomM, topM float64) float64 {
	if !(topM > bottomM) {
		return math.NaN()
	}
	seen, upTo := 0.0, bottomM
	for _, s := range c { // sorted by centre; widths grow slowly with range
		if !s.Sight.Seen() {
			continue
		}
		low, high := s.extent()
		low, high = math.Max(low, upTo), math.Min(high, topM)
		if high > low {
			seen += high - low
			upTo = high
		}
	}
	return seen / (topM - bottomM)
}

// At gives the sample whose beam holds an altitude, that with the nearest
// centre; false where no beam does.
func (c Column) At(altitudeM float64) (Sample, bool) {
	best, found := Sample{}, false
	for _, s := range c {
		low, high := s.extent()
		if !(altitudeM >= low && altitudeM <= high) {
			continue
		}
		if !found || math.Abs(s.AltitudeM-altitudeM) < math.Abs(best.AltitudeM-altitudeM) {
			best, found = s, true
		}
	}
	return best, found
}

// IsothermSample is the reflectivity at a temperature.
type IsothermSample struct {
	TemperatureK, AltitudeM float64 // altitude NaN where the isotherm is not there
	Sight                   grid.Sight
	ReflectivityDBZ         float64 // NaN unless Sight is grid.Echo
}

// Profile samples the column at isotherms, whose altitudes a function gives, NaN
// where the air has none.
func (c Column) Profile(temperaturesK []float64, altitudeM func(temperatureK float64) float64) []IsothermSample {
	profile := make([]IsothermSample, len(temperaturesK))
	for k, t := range temperaturesK {
		p := IsothermSample{TemperatureK: t, AltitudeM: altitudeM(t), Sight: grid.NoRadial, ReflectivityDBZ: math.NaN()}
		if s, within := c.At(p.AltitudeM); within {
			p.Sight = s.Sight
			if s.Sight == grid.Echo {
				p.ReflectivityDBZ = s.ReflectivityDBZ
			}
		}
		profile[k] = p
	}
	return profile
}

// EchoTop is the highest altitude with at least a threshold of reflectivity.
type EchoTop struct {
	// Sight is grid.Echo where there is a top, grid.NoEcho where the column was
	// seen and nowhere reaches the threshold, else the reason.
	Sight        grid.Sight
	AltitudeM    float64 // NaN unless Sight is grid.Echo
	TemperatureK float64 // NaN where not known
	// AtLeast: no beam saw above; the top may be higher.
	AtLeast bool
}

// EchoTopDBZ is the usual threshold of echo tops.
const EchoTopDBZ = 18.0

// noEchoDBZ stands for no echo in the interpolation to an echo top, after
// Lakshmanan et al. (2013, Wea. Forecasting 28, 780; value from memory).
const noEchoDBZ = -14.0

// Top finds the echo top: between the highest beam that reaches the threshold
// and the next above that saw, linearly in dBZ (Lakshmanan et al. 2013, with
// altitudes for their elevations). temperatureK may be nil.
func (c Column) Top(thresholdDBZ float64, temperatureK func(altitudeM float64) float64) EchoTop {
	top := EchoTop{Sight: grid.NoRadial, AltitudeM: math.NaN(), TemperatureK: math.NaN()}
	at := -1
	seen := false
	for k, s := range c {
		seen = seen || s.Sight.Seen()
		if s.Sight == grid.Echo && s.ReflectivityDBZ >= thresholdDBZ {
			at = k
		}
	}
	if at < 0 {
		if seen {
			top.Sight = grid.NoEcho
		} else if len(c) > 0 {
			top.Sight = c[0].Sight
		}
		return top
	}
	top.Sight, top.AltitudeM, top.AtLeast = grid.Echo, c[at].AltitudeM, true
	for _, above := range c[at+1:] {
		if !above.Sight.Seen() || above.AltitudeM <= c[at].AltitudeM {
			continue
		}
		weaker := noEchoDBZ
		if above.Sight == grid.Echo {
			weaker = above.ReflectivityDBZ
		}
		weaker = math.Min(weaker, thresholdDBZ)
		share := 0.0
		if fall := c[at].ReflectivityDBZ - weaker; fall > 0 {
			share = (c[at].ReflectivityDBZ - thresholdDBZ) / fall
		}
		top.AltitudeM, top.AtLeast = c[at].AltitudeM+share*(above.AltitudeM-c[at].AltitudeM), false
		break
	}
	if temperatureK != nil {
		top.TemperatureK = temperatureK(top.AltitudeM)
	}
	return top
}

// ColdTopK: an 18 dBZ echo top colder than this lowers seedability, as the cloud
// glaciates by itself (common practice, no source).
const ColdTopK = 273.15 - 25
