package conditions

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/seedability/hold"
	"rimeline/seedability/radar"
)

// MaxBeamHeightM above ground is how high the middle of a beam may pass over a
// square that counts as seen: rain and snow of winter storms grow and evaporate
// below it, and shallow ones lie under it (common practice, no source; coverage of
// radars is commonly drawn 1, 2 and 3 km above ground).
const MaxBeamHeightM = 2000

// Ceilings are the altitudes up to which beams count, one for each cell of an area,
// NaN where the ground is not known.
func Ceilings(a *Area, air *Air) []float64 {
	ceilings := make([]float64, len(a.Cells))
	for k := range ceilings {
		ceilings[k] = air.groundM(a.Cells[k].Place) + MaxBeamHeightM
	}
	return ceilings
}

// Look is what one volume of a radar says near the ground over the cells of an area.
type Look struct {
	Radar string
	Near  []radar.NearGround // as many as the area has cells
}

// RadarPrecipitation is the rate over an area as radars see it. Of several looks
// each square takes the lowest beam among those of which the ground on the way is
// known; where it is known of none, the strongest echo. Time is the oldest of what
// was used. False where no square was seen; the sentence says then why, and else
// what is doubtful, and is empty for nothing.
func RadarPrecipitation(a *Area, looks []Look, air *Air, at time.Time) (p hold.Precipitation, note string, ok bool) {
	t := newTally()
	why := map[grid.Sight]float64{}
	var unknownGround, inMelting, highestM float64
	var wettest phase
	for k := range a.Cells {
		cell := &a.Cells[k]
		n, reason := pick(looks, k)
		if n == nil {
			t.notSeen(cell.AreaM2)
			why[reason] += cell.AreaM2
			continue
		}
		if !n.GroundKnown {
			unknownGround += cell.AreaM2
		}
		highestM = math.Max(highestM, n.AltitudeM-air.groundM(cell.Place))
		mmPerH := 0.0
		if n.Sight == grid.Echo {
			in := phaseOf(n.AltitudeM, n.HalfWidthM, air.freezingLevelM(cell.Place, at))
			mmPerH = in.mmPerH(n.ReflectivityDBZ)
			if mmPerH >= CountingMMPerH && in == melting {
				inMelting += cell.AreaM2
			}
			if !(mmPerH <= t.highest) {
				wettest = in
			}
		}
		t.add(cell.AreaM2, mmPerH, n.Time, func() float64 { return air.liquidShareAt(cell.Place, at) })
	}
	p, ok = t.precipitation(a.ID, "radar")
	var parts []string
	if share := 1 - p.CoveredShare; !ok || share > .005 {
		parts = append(parts, percent(share)+" is not seen ("+reasons(why, a.AreaM2)+")")
	}
	if ok && p.MMPerH >= CountingMMPerH && wettest == melting {
		parts = append(parts, "the highest rate is from a beam that may be in melting snow and is rather too high")
	} else if share := inMelting / a.AreaM2; share > .1 {
		parts = append(parts, "over "+percent(share)+" the beam may be in melting snow, which makes rates too high")
	}
	if share := unknownGround / a.AreaM2; share > .005 {
		parts = append(parts, "for "+percent(share)+" the ground on the way from the radar is not known, and a ridge there may hide echo")
	}
	if len(parts) > 0 {
		note = fmt.Sprintf("Radar over %s: %s.", a.ID, strings.Join(parts, "; "))
	}
	return p, note, ok
}

// pick gives the reading of a cell that counts; nil with the reason that tells most.
func pick(looks []Look, k int) (best *radar.NearGround, reason grid.Sight) {
	reason = grid.OutsideRange
	for i := range looks {
		n := &looks[i].Near[k]
		switch {
		case !n.Sight.Seen():
			if i == 0 || reason == grid.OutsideRange {
				reason = n.Sight
			}
		case best == nil || n.GroundKnown && !best.GroundKnown:
			best = n
		case n.GroundKnown != best.GroundKnown:
		case n.GroundKnown && n.AltitudeM < best.AltitudeM:
			best = n
		case !n.GroundKnown && n.Sight == grid.Echo && !(n.ReflectivityDBZ <= best.ReflectivityDBZ):
			best = n
		}
	}
	return best, reason
}

// reasons lists why parts were not seen.
func reasons(why map[grid.Sight]float64, areaM2 float64) string {
	var parts []string
	for _, of := range []struct {
		sight grid.Sight
		text  string
	}{
		{grid.Overshot, fmt.Sprintf("no beam within %.0f m above ground", float64(MaxBeamHeightM))}, {grid.Blocked, "hidden by terrain"},
		{grid.OutsideRange, "out of range"}, {grid.NoRadial, "no radial"}, {grid.AboveScan, "above the scan"}, {grid.Folded, "range folded"},
		{radar.NotMeteorological, "echo of the ground or of birds"}, {radar.NoSurface, "the ground is not known there"},
	} {
		if area := why[of.sight]; area > 0 {
			parts = append(parts, fmt.Sprintf("%s: %s", of.text, percent(area/areaM2)))
		}
	}
	if len(parts) == 0 {
		return "no radar looked"
	}
	return strings.Join(parts, ", ")
}

// MosaicKind is what a mosaic gives.
type MosaicKind uint8

// The kinds of which a rate at the ground can be made.
const (
	MosaicRate         MosaicKind = iota // mm/h
	MosaicReflectivity                   // dBZ near the ground
)

// Mosaic is a field put together of many radars. Its values that are no measurement
// are NaN of a state: grid.BelowThreshold where radars saw no echo, grid.NotCovered
// where nothing is known.
type Mosaic struct {
	Label string
	Kind  MosaicKind
	Time  time.Time
	Field *grid.Field
	// Quality, where it is there, is the mosaic's own index of how well radars see
	// the ground, 0 to 1: a point of less than LeastQuality was not seen.
	Quality *grid.Field
}

// LeastQuality of a point of a mosaic: the index of the Multi-Radar/Multi-Sensor
// System falls to 0 where every beam is blocked or far above the ground (value from
// memory: Zhang et al. 2016, Bull. Amer. Meteor. Soc. 97, 621); a little more than
// that is asked (common practice, no source).
const LeastQuality = 0.1

// MosaicPrecipitation is the rate over an area in a mosaic: every point whose square
// meets the area, with its share. The mean over a point's square is the mosaic's
// own. Where the mosaic gives reflectivity, nobody knows how high the beam was, and
// the greater rate of rain and snow is taken. False where nothing is known.
func MosaicPrecipitation(a *Area, m Mosaic, air *Air, at time.Time) (p hold.Precipitation, note string, ok bool) {
	t := newTally()
	add := func(area float64, place grid.LatLon, value float32, poor bool) {
		state := grid.StateOf(value)
		if poor || state != grid.Measured && state != grid.BelowThreshold || value < 0 && m.Kind == MosaicRate {
			t.notSeen(area)
			return
		}
		mmPerH := 0.0
		if state == grid.Measured {
			if mmPerH = float64(value); m.Kind == MosaicReflectivity {
				mmPerH = melting.mmPerH(mmPerH)
			}
		}
		t.add(area, mmPerH, m.Time, func() float64 { return air.liquidShareAt(place, at) })
	}
	poor := func(place grid.LatLon) bool {
		if m.Quality == nil {
			return false
		}
		s, on := m.Quality.Nearest(place)
		return !on || !(m.Quality.At(s.I, s.J) >= LeastQuality)
	}
	if points, whole := a.on(m.Field.Grid); whole {
		for _, point := range points {
			add(point.weight, point.place, m.Field.At(point.i, point.j), poor(point.place))
		}
	} else { // the area reaches beyond the mosaic
		for _, cell := range a.Cells {
			s, on := m.Field.Nearest(cell.Place)
			if !on {
				t.notSeen(cell.AreaM2)
				continue
			}
			add(cell.AreaM2, cell.Place, m.Field.At(s.I, s.J), poor(cell.Place))
		}
	}
	p, ok = t.precipitation(a.ID, "mosaic")
	var parts []string
	if share := 1 - p.CoveredShare; !ok || share > .005 {
		parts = append(parts, percent(share)+" is not covered")
	}
	if ok && m.Kind == MosaicReflectivity {
		parts = append(parts, "rates are made of reflectivity, of rain or snow the greater")
	}
	if len(parts) > 0 {
		note = fmt.Sprintf("Mosaic %s over %s: %s.", m.Label, a.ID, strings.Join(parts, "; "))
	}
	return p, note, ok
}
