package crop

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rimeline/grid"
)

// ThinOptions say what of a radar volume is needed.
type ThinOptions struct {
	// Places and MarginM: the directions and ranges of circles around places are
	// kept. Without places, and where the place of the radar is unknown, every
	// direction and range is.
	Places  []grid.LatLon
	MarginM float64
	// Moments are kept besides reflectivity and velocity; nil for those that the
	// radar column, the search for bands and the wind profile take: differential
	// reflectivity, differential phase and correlation coefficient.
	Moments []string
}

const (
	// windRangeM is kept of the velocity in every direction: the ring of 60 km in
	// which the wind profile is fitted (velocity-azimuth display), and a gate more.
	windRangeM = 61e3
	// alongM is kept beyond what is needed: averages over cells and the slope of
	// the differential phase (25 gates) reach along the beam.
	alongM = 10e3
	// acrossRadials is kept to both sides: what lies between two radials is
	// interpolated.
	acrossRadials = 2
)

// Thin leaves out of a volume what nobody will look at: moments, gates farther
// than any place, and directions in which there is none. What remains is
// bit-equal, shares its gates with v, and keeps its place: sweeps, radials and
// rows keep their numbers, rows are shorter or lack the moment, and Moment.Gates
// stays that of the radar, so that cuts are ranked by their range as before.
// What was left out reads as out of range or not covered, never as no echo.
// Notes say what was done. v itself is not changed.
func Thin(v *grid.Volume, o ThinOptions) *grid.Volume {
	if v == nil {
		return nil
	}
	moments := o.Moments
	if moments == nil {
		moments = []string{grid.MomentDifferentialReflect, grid.MomentDifferentialPhase, grid.MomentCorrelationCoefficient}
	}
	moments = append([]string{grid.MomentReflectivity, grid.MomentVelocity}, moments...)
	reach := reachOf(v.Antenna.LatLon, o)

	out := &grid.Volume{
		Radar: v.Radar, Antenna: v.Antenna, TowerHeightM: v.TowerHeightM, BeamwidthDeg: v.BeamwidthDeg, Time: v.Time,
		VolumeCoveragePattern: v.VolumeCoveragePattern, Complete: v.Complete, Notes: slices.Clone(v.Notes),
		Sweeps: make([]*grid.Sweep, len(v.Sweeps)),
	}
	var left []string
	for k, s := range v.Sweeps {
		if s == nil {
			continue
		}
		thin := &grid.Sweep{
			Number: s.Number, Mode: s.Mode, ElevationDeg: s.ElevationDeg, TargetElevationDeg: s.TargetElevationDeg,
			Start: s.Start, End: s.End, NyquistVelocityMPerS: s.NyquistVelocityMPerS, UnambiguousRangeM: s.UnambiguousRangeM,
			Complete: s.Complete, Radials: slices.Clone(s.Radials),
		}
		var farM []float64 // slant range needed, by radial
		if reach != nil {
			farM = make([]float64, len(s.Radials))
			for r := range s.Radials {
				farM[r] = reach.slantM(s, r)
			}
		}
		for _, m := range s.Moments {
			if !slices.Contains(moments, m.Name) {
				if !slices.Contains(left, m.Name) {
					left = append(left, m.Name)
				}
				continue
			}
			thin.Moments = append(thin.Moments, thinMoment(m, farM))
		}
		out.Sweeps[k] = thin
	}
	note := func(format string, args ...any) {
		if text := fmt.Sprintf("left out of this copy: "+format, args...); !slices.Contains(out.Notes, text) {
			out.Notes = append(out.Notes, text)
		}
	}
	if len(left) > 0 {
		note("moments %s", strings.Join(left, ", "))
	}
	if reach != nil {
		note("gates farther than %.0f km or more than %.0f km off the places", math.Ceil(reach.farthestM/1000), math.Ceil(reach.marginM/1000))
	}
	return out
}

// thinMoment cuts each row at its radial's range.
func thinMoment(m *grid.Moment, farM []float64) *grid.Moment {
	thin := &grid.Moment{
		Name: m.Name, StandardName: m.StandardName, Units: m.Units, FieldName: m.FieldName,
		FirstGateM: m.FirstGateM, GateSpacingM: m.GateSpacingM, Gates: m.Gates, Rows: slices.Clone(m.Rows),
	}
	if farM == nil || !(m.GateSpacingM > 0) || math.IsInf(m.GateSpacingM, 0) || math.IsNaN(m.FirstGateM) {
		return thin
	}
	for k := range thin.Rows {
		row := &thin.Rows[k]
		if k >= len(farM) || row.Gates() == 0 {
			continue
		}
		needM := farM[k]
		if m.Name == grid.MomentVelocity {
			needM = max(needM, windRangeM)
		}
		gates := math.Ceil((needM-m.FirstGateM)/m.GateSpacingM) + 1
		if needM == 0 || gates < 1 {
			*row = grid.GateRow{}
			continue
		}
		if gates >= float64(row.Gates()) {
			continue
		}
		bytes := row.Packing.WordBits / 8
		stored := min(len(row.Raw)/bytes, int(gates))
		row.Raw, row.ZeroGates = row.Raw[:stored*bytes:stored*bytes], min(max(row.ZeroGates, 0), int(gates)-stored)
	}
	return thin
}

// reach is what of a radar's surroundings is needed.
type reach struct {
	marginM   float64
	farthestM float64 // from the radar, over ground
	sectors   []sector
}

// sector of directions, over ground as far as farM. halfDeg of 180 is all around.
type sector struct{ azimuthDeg, halfDeg, farM float64 }

// reachOf is nil where all is needed.
func reachOf(antenna grid.LatLon, o ThinOptions) *reach {
	if len(o.Places) == 0 || !(math.Abs(antenna.LatitudeDeg) <= 90) || math.IsNaN(antenna.LongitudeDeg) || math.IsInf(antenna.LongitudeDeg, 0) {
		return nil
	}
	r := &reach{marginM: o.MarginM}
	if !(r.marginM >= 0) {
		r.marginM = 0
	}
	if math.IsInf(r.marginM, 1) {
		return nil
	}
	for _, place := range o.Places {
		distanceM := grid.DistanceM(antenna, place)
		if !(distanceM >= 0) { // nowhere
			continue
		}
		s := sector{azimuthDeg: grid.AzimuthDeg(antenna, place), halfDeg: 180, farM: distanceM + r.marginM + alongM}
		// The tangents of the circle, on the sphere.
		if d, m := distanceM/grid.EarthRadiusM, r.marginM/grid.EarthRadiusM; m < d && d+m < math.Pi/2 {
			s.halfDeg = math.Asin(math.Sin(m)/math.Sin(d)) * 180 / math.Pi
		}
		r.sectors, r.farthestM = append(r.sectors, s), max(r.farthestM, s.farM)
	}
	if len(r.sectors) == 0 {
		return nil
	}
	return r
}

// slantM is how far along a radial gates are needed; 0 for none.
func (r *reach) slantM(s *grid.Sweep, radial int) float64 {
	x := &s.Radials[radial]
	besideDeg := acrossRadials * max(float64(x.SpacingDeg), 0)
	if besideDeg == 0 || math.IsNaN(besideDeg) {
		besideDeg = acrossRadials
	}
	groundM := 0.0
	for _, sector := range r.sectors {
		offDeg := math.Abs(math.Remainder(float64(x.AzimuthDeg)-sector.azimuthDeg, 360))
		if !(offDeg > sector.halfDeg+besideDeg) { // a radial without a direction is kept
			groundM = max(groundM, sector.farM)
		}
	}
	if groundM == 0 {
		return 0
	}
	slantM := 0.0
	for _, elevationDeg := range [...]float64{float64(x.ElevationDeg), s.ElevationDeg} {
		if math.IsNaN(elevationDeg) {
			continue
		}
		m, ok := grid.BeamSlantRangeM(groundM, elevationDeg)
		if !ok {
			return math.Inf(1)
		}
		slantM = max(slantM, m)
	}
	if slantM == 0 {
		return math.Inf(1) // no elevation is known
	}
	return slantM
}
