package satellite

import (
	"math"
	"time"

	"rimeline/grid"
)

// CloudTops are the granules of one scan; any may be nil. Height is what the
// parallax is computed with.
type CloudTops struct{ Phase, Temperature, Height *Granule }

// Add puts a granule in its place, in front of what was there.
func (c *CloudTops) Add(g *Granule) {
	switch g.Product {
	case CloudTopPhase:
		c.Phase = g
	case CloudTopTemperature:
		c.Temperature = g
	case CloudTopHeight:
		c.Height = g
	}
}

// Look says how to look for the top above a place.
type Look struct {
	// GroundAltitudeM is where a clear pixel is seen.
	GroundAltitudeM float64
	// AssumedTopM is the cloud-top altitude where no height was retrieved: from a
	// temperature and the model's column, say. NaN: such pixels are taken as if
	// at the ground, without parallax, and the Top says so.
	AssumedTopM float64
}

// Top is the highest cloud layer above a place, as the satellite saw it.
type Top struct {
	// Phase is NoCloudTopPhase where none was retrieved.
	Phase grid.CloudTopPhase
	// TemperatureK and HeightM are NaN where there is no cloud, or no retrieval.
	TemperatureK, HeightM                           float64
	PhaseQuality, TemperatureQuality, HeightQuality Quality
	// Pixel is the place on the ground that the pixel appears at, ParallaxM how
	// far that is from the place under the top, and OffM how far the place under
	// the top is from the one asked for.
	Pixel           grid.LatLon
	ParallaxM, OffM float64
	// HeightAssumed: the parallax was computed with Look.AssumedTopM;
	// WithoutParallax: with no height at all.
	HeightAssumed, WithoutParallax bool
	// ZenithAngleDeg of the satellite. Retrievals are quantitative up to about 70
	// degrees (GOES-R user guide, quantitative_local_zenith_angle).
	ZenithAngleDeg float64
	// Start and End of the scan.
	Start, End time.Time
}

// Age is how long before an instant the scan ended.
func (t Top) Age(at time.Time) time.Duration { return at.Sub(t.End) }

// highestTopM bounds the search for pixels: overshooting tops of the tropics
// reach 20 km (common practice, no source).
const highestTopM = 20e3

// Above finds the top above a place. Candidates are the pixels along the line on
// which tops above it appear, from the place itself away from the satellite. One
// counts if a top of its height above the place would be seen in that very
// pixel; of several the highest does, as it covers the others. Beside an edge,
// where no pixel fits so, one that misses by a quarter of its width does. Above
// reports false where the scene does not cover the place, or where all pixels
// that could show it show something else nearer to the satellite: the top above
// it is not seen.
func (c CloudTops) Above(place grid.LatLon, look Look) (Top, bool) {
	base := c.Phase
	for _, g := range []*Granule{c.Temperature, c.Height} {
		if base == nil {
			base = g
		}
	}
	if base == nil {
		return Top{}, false
	}
	if math.IsNaN(look.GroundAltitudeM) {
		look.GroundAltitudeM = 0
	}
	zenith, seen := base.parallax.ZenithAngleDeg(place)
	dx, dy := base.Grid.SpacingM(place)
	if !seen || !(dx > 0) || !(dy > 0) {
		return Top{}, false
	}
	reachM := highestTopM * math.Tan(zenith*math.Pi/180)
	steps := 3 * int(math.Ceil(math.Min(math.Max(reachM/math.Min(dx, dy), 1), 200))) // no pixel on the way is missed
	const within, beside = 0.5 + 1e-6, 0.75
	best, found, bestHeightM, bestMiss := Top{}, false, 0.0, math.Inf(1)
	lastI, lastJ := -1, -1
	for step := range steps + 1 {
		heightM := look.GroundAltitudeM + (highestTopM-look.GroundAltitudeM)*float64(step)/float64(steps)
		i, j, ok := base.seenIn(place, heightM)
		pi, pj := int(math.Round(i)), int(math.Round(j))
		if !ok || pi == lastI && pj == lastJ || pi < 0 || pj < 0 || pi >= base.Grid.NI || pj >= base.Grid.NJ {
			continue
		}
		lastI, lastJ = pi, pj
		top, heightM := c.pixel(base, pi, pj, look)
		if i, j, ok = base.seenIn(place, heightM); !ok {
			continue
		}
		miss := math.Max(math.Abs(i-float64(pi)), math.Abs(j-float64(pj)))
		better := miss < bestMiss
		if miss <= within && bestMiss <= within {
			better = heightM > bestHeightM
		}
		if miss > beside || !better {
			continue
		}
		under, ok := base.parallax.Correct(top.Pixel, heightM)
		if !ok {
			continue
		}
		top.OffM, top.ParallaxM = grid.DistanceM(place, under), grid.DistanceM(top.Pixel, under)
		top.ZenithAngleDeg = zenith
		best, found, bestHeightM, bestMiss = top, true, heightM, miss
	}
	return best, found
}

// seenIn is the column and row, with fractions, in which a top above a place
// appears.
func (g *Granule) seenIn(place grid.LatLon, heightM float64) (i, j float64, ok bool) {
	apparent, ok := g.parallax.Apparent(place, heightM)
	if !ok {
		return 0, 0, false
	}
	return g.Grid.Locate(apparent)
}

// pixel gathers what the granules say of a pixel of base, and the height that
// its parallax is computed with.
func (c CloudTops) pixel(base *Granule, i, j int, look Look) (Top, float64) {
	top := Top{Phase: grid.NoCloudTopPhase, TemperatureK: math.NaN(), HeightM: math.NaN(), Start: base.Start, End: base.End}
	top.Pixel, _ = base.Grid.LatLonAt(float64(i), float64(j))
	at := func(g *Granule) (int, bool) {
		if g == base {
			return j*g.Grid.NI + i, true
		}
		if g == nil {
			return 0, false
		}
		gi, gj, _, ok := g.Grid.Nearest(top.Pixel)
		return gj*g.Grid.NI + gi, ok
	}
	if k, ok := at(c.Phase); ok {
		top.Phase, top.PhaseQuality = c.Phase.Phase[k], c.Phase.Quality[k]
	}
	if k, ok := at(c.Temperature); ok && c.Temperature.Quality[k] != NoRetrieval {
		top.TemperatureK, top.TemperatureQuality = float64(c.Temperature.TemperatureK[k]), c.Temperature.Quality[k]
	}
	if k, ok := at(c.Height); ok {
		top.HeightM, top.HeightQuality = c.heightOf(&top, k)
	}
	switch {
	case top.Phase == grid.ClearSky:
		// The height's pixel is five times as wide and may hold a neighbour's cloud.
		top.TemperatureK, top.HeightM = math.NaN(), math.NaN()
		top.TemperatureQuality, top.HeightQuality = NoRetrieval, NoRetrieval
		return top, look.GroundAltitudeM
	case !math.IsNaN(top.HeightM):
		return top, top.HeightM
	case !math.IsNaN(look.AssumedTopM):
		top.HeightAssumed = true
		return top, look.AssumedTopM
	}
	top.WithoutParallax = true
	return top, look.GroundAltitudeM
}

// likenessK is how far in temperature two pixels of one cloud may be apart: 5 K
// are 800 m of height at 6.5 K/km (common practice, no source).
const likenessK = 5

// heightOf gives a pixel of phase or temperature its height. Height comes in
// wider pixels, of which one at the edge of a cloud speaks of the neighbour: the
// height of pixel k is taken where the temperature or, without temperatures, the
// phase at its centre is like the pixel's own; else that of the likest of its
// eight neighbours, as of degraded quality.
func (c CloudTops) heightOf(top *Top, k int) (float64, Quality) {
	g := c.Height
	heightM, quality := math.NaN(), NoRetrieval
	least := math.Inf(1)
	ki, kj := k%g.Grid.NI, k/g.Grid.NI
	try := func(i, j int) bool {
		if i < 0 || j < 0 || i >= g.Grid.NI || j >= g.Grid.NJ || g.Quality[j*g.Grid.NI+i] == NoRetrieval {
			return false
		}
		unlike := c.unlikeness(top, i, j)
		if unlike < least {
			n := j*g.Grid.NI + i
			heightM, quality, least = float64(g.HeightM[n]), g.Quality[n], unlike
		}
		return unlike <= likenessK
	}
	if try(ki, kj) {
		return heightM, quality
	}
	for j := kj - 1; j <= kj+1; j++ {
		for i := ki - 1; i <= ki+1; i++ {
			try(i, j)
		}
	}
	if quality == Good {
		quality = Degraded
	}
	return heightM, quality
}

// unlikeness of a pixel of height and one of phase and temperature, in kelvin.
// Another phase counts for two likenesses.
func (c CloudTops) unlikeness(top *Top, i, j int) float64 {
	centre, ok := c.Height.Grid.LatLonAt(float64(i), float64(j))
	if !ok {
		return math.Inf(1)
	}
	unlike := 0.0
	if g := c.Temperature; g != nil && !math.IsNaN(top.TemperatureK) {
		if ti, tj, _, ok := g.Grid.Nearest(centre); ok && g.Quality[tj*g.Grid.NI+ti] != NoRetrieval {
			return math.Abs(float64(g.TemperatureK[tj*g.Grid.NI+ti]) - top.TemperatureK)
		}
	}
	if g := c.Phase; g != nil && top.Phase != grid.NoCloudTopPhase {
		if pi, pj, _, ok := g.Grid.Nearest(centre); ok && g.Phase[pj*g.Grid.NI+pi] != top.Phase {
			unlike = 2 * likenessK
		}
	}
	return unlike
}
