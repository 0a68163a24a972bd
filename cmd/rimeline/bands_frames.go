package main

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"rimeline/grid"
	"rimeline/ingest/mosaic"
	"rimeline/seedability/nowcast"
	"rimeline/seedability/radar"
)

// echoFrame is one picture of a row, and the files it comes from.
type echoFrame struct {
	*nowcast.Frame
	files []string
	// stamp is the time by which pictures are told apart: of a volume its start.
	stamp time.Time
	// complete is false for a volume that is still arriving.
	complete bool
}

// seenShare is how much of the picture was seen.
func (f *echoFrame) seenShare() float64 {
	seen := 0
	for _, v := range f.DBZ {
		if v == v {
			seen++
		}
	}
	return float64(seen) / float64(len(f.DBZ))
}

// echoSeries is a row of pictures of one radar, or of one product of a mosaic.
type echoSeries struct {
	kind string // "radar" or "mosaic"
	// name tells one series from another, what says more of it.
	name, what string
	frames     []*echoFrame
	antenna    *grid.Position // of a radar
	notes      []string
	gridder    *radar.Gridder
	surface    radar.Surface
	// skyline: blockage by terrain is known.
	skyline bool
}

// echoReader lays volumes and mosaics on planes around a centre.
type echoReader struct {
	env *environment
	// centre is nil for volumes around their own radar.
	centre *grid.LatLon
	sideKM int
	// volumesOnly: what was asked for makes no sense for mosaics.
	volumesOnly bool
	// cut says where volumes are cut and what terrain is in the way of the beams.
	// It is asked once for a radar, so that only echo moves between its volumes.
	cut    func(v *grid.Volume, plane nowcast.Plane) (volumeCut, error)
	series []*echoSeries
	errs   []error
}

// volumeCut is how the volumes of a radar are laid on a plane.
type volumeCut struct {
	surface radar.Surface
	// what the surface is, for people.
	what string
	// terrain is nil where it is not known.
	terrain grid.Terrain
}

// skylineReachM: terrain further off hides nothing of the air below 5 km.
const skylineReachM = 230e3

const cellM = 1000

// rateA and rateB of Z = a R^b turn a mosaic's rate back into reflectivity.
var rateA, rateB = radar.MarshallPalmer.A, radar.MarshallPalmer.B

// read takes in files; chunks of one volume go together.
func (r *echoReader) read(paths []string) error {
	for _, group := range groupInputs(r.env, paths) {
		if r.env.Err() != nil {
			return r.env.Err()
		}
		found, err := group.open(r.env)
		if err == nil {
			err = r.take(group, found)
		}
		found.close()
		var wrong usageError
		if errors.As(err, &wrong) {
			return wrong
		}
		if err = joinErrors(err, found.err); err != nil {
			r.errs = append(r.errs, err)
		}
	}
	return r.env.Err()
}

func (r *echoReader) take(group *inputGroup, found *contents) error {
	switch {
	case found.volume != nil:
		return r.takeVolume(group.paths, found.volume)
	case found.field != nil && slices.ContainsFunc(found.headers, func(h grid.Field) bool { return mosaic.IsMosaic(&h) }):
		return r.takeMosaics(group.paths[0], found)
	}
	return fmt.Errorf("%s: is of kind %s; bands are found in radar volumes and in mosaics of reflectivity or precipitation rate", group.paths[0], found.kind)
}

func (r *echoReader) seriesOf(kind, name string) *echoSeries {
	for _, s := range r.series {
		if s.kind == kind && s.name == name {
			return s
		}
	}
	s := &echoSeries{kind: kind, name: name}
	r.series = append(r.series, s)
	return s
}

func (r *echoReader) takeVolume(paths []string, v *grid.Volume) error {
	file := paths[0]
	if !slices.ContainsFunc(v.Sweeps, func(s *grid.Sweep) bool { return s.Moment(grid.MomentReflectivity) != nil }) {
		return fmt.Errorf("%s: the volume has no reflectivity", file)
	}
	name := v.Radar
	if name == "" {
		name = fmt.Sprintf("at %s", latLon(v.Antenna.LatitudeDeg, v.Antenna.LongitudeDeg))
	}
	s := r.seriesOf("radar", name)
	if s.gridder == nil {
		if err := r.begin(s, v); err != nil {
			r.series = slices.DeleteFunc(r.series, func(other *echoSeries) bool { return other == s })
			return fmt.Errorf("%s: %w", file, err)
		}
	}
	gridded, err := s.gridder.Grid(v, grid.MomentReflectivity, s.surface, radar.GridOptions{})
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	frame, err := gridded.Frame()
	if err != nil {
		return fmt.Errorf("%s: %w", file, err)
	}
	s.frames = append(s.frames, &echoFrame{Frame: frame, files: paths, stamp: v.Time, complete: v.Complete})
	return nil
}

// begin prepares a plane, a surface and a skyline for a radar.
func (r *echoReader) begin(s *echoSeries, v *grid.Volume) error {
	plane := nowcast.CentredPlane(v.Antenna.LatLon, cellM, r.sideKM)
	if r.centre != nil {
		plane = nowcast.CentredPlane(*r.centre, cellM, r.sideKM)
	}
	cut, err := r.cut(v, plane)
	if err != nil {
		return err
	}
	var skyline *radar.Skyline
	if cut.terrain != nil {
		// Without a beam width nothing is known of blockage.
		if skyline, err = radar.NewSkyline(v.Antenna, v.BeamwidthDeg, skylineReachM, cut.terrain); err != nil {
			skyline = nil
		}
	}
	if s.gridder, err = radar.NewGridder(v.Antenna, plane, skyline); err != nil {
		return err
	}
	s.surface, s.what, s.antenna, s.skyline = cut.surface, cut.what, &v.Antenna, skyline != nil
	return nil
}

func (r *echoReader) takeMosaics(file string, found *contents) error {
	if r.centre == nil {
		return usageError("a mosaic needs a centre: --at LAT,LON, or the sites of a --programme")
	}
	if r.volumesOnly {
		return usageError("--height, --isotherm and --temperatures serve radar volumes; a mosaic has its level in its file")
	}
	plane := nowcast.CentredPlane(*r.centre, cellM, r.sideKM)
	var errs []error
	taken := 0
	for k := range found.headers {
		header := &found.headers[k]
		product, known := mosaic.ProductOf(header)
		if !known || !showsEcho(product.Quantity) || header.Grid == nil {
			continue
		}
		taken++
		window, ok := windowAround(header.Grid, plane)
		if !ok {
			errs = append(errs, fmt.Errorf("%s: the mosaic does not reach the %d km around %s", file, r.sideKM, latLon(r.centre.LatitudeDeg, r.centre.LongitudeDeg)))
			continue
		}
		field, err := found.field(r.env, k, fieldOptions{Window: &window})
		if err != nil {
			errs = append(errs, err)
			continue
		}
		m, err := mosaic.Interpret(file, field)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		frame, err := frameOfMosaic(m, plane)
		if err != nil {
			errs = append(errs, fmt.Errorf("%s: %w", file, err))
			continue
		}
		name := product.Name
		if product.Quantity == mosaic.ReflectivityAtAltitude {
			name += fmt.Sprintf(" at %g %s", header.Level.Value, header.Level.Units)
		}
		s := r.seriesOf("mosaic", name)
		s.what = product.Quantity.String()
		if product.Quantity == mosaic.PrecipitationRate {
			s.what = fmt.Sprintf("%s, as reflectivity by Z = %g R^%g", s.what, rateA, rateB)
		}
		s.frames = append(s.frames, &echoFrame{Frame: frame, files: []string{file}, stamp: frame.Time, complete: true})
	}
	if taken == 0 {
		errs = append(errs, fmt.Errorf("%s: is a mosaic, but not of reflectivity or precipitation rate", file))
	}
	return joinErrors(errs...)
}

func showsEcho(q mosaic.Quantity) bool {
	switch q {
	case mosaic.CompositeReflectivity, mosaic.BaseReflectivity, mosaic.SeamlessHybridReflectivity, mosaic.IsothermalReflectivity,
		mosaic.ReflectivityAtAltitude, mosaic.PrecipitationRate:
		return true
	}
	return false
}

// windowAround is the part of a grid below a plane; false where there is none.
func windowAround(g *grid.Grid, plane nowcast.Plane) (grid.Window, bool) {
	var places []grid.LatLon
	half := plane.SpacingM * float64(plane.NI) / 2
	for _, x := range []float64{-1, 0, 1} {
		for _, y := range []float64{-1, 0, 1} {
			places = append(places, plane.Place(x*half, y*half))
		}
	}
	// Between corners, parallels bend by less than this within 1000 km, but for
	// places off the grid: half the side holds what reaches from the others.
	const bendM = 15e3
	margin := bendM
	for _, place := range places {
		if _, _, on := g.Locate(place); !on {
			margin = half + bendM
		}
	}
	window, _ := g.WindowOf(places, margin)
	return window, window.NI > 0 && window.NJ > 0
}

// noRateDBZ stands for no precipitation: 0.036 mm/h, less than mosaics tell from none.
const noRateDBZ = 0

// frameOfMosaic lays an interpreted mosaic on a plane.
func frameOfMosaic(m *mosaic.Mosaic, plane nowcast.Plane) (*nowcast.Frame, error) {
	codes := nowcast.Codes{NoEchoDBZ: radar.GridNoEchoDBZ}
	if m.Product.Quantity == mosaic.PrecipitationRate {
		codes.NoEchoDBZ = noRateDBZ
		codes.ReflectivityDBZ = func(rate float32) float32 {
			return float32(nowcast.ReflectivityFromRateDBZ(float64(rate), rateA, rateB))
		}
	} else {
		// A frame knows NaN as not seen alone: no echo gets its value here.
		for k, v := range m.Field.Values {
			if grid.StateOf(v) == grid.BelowThreshold {
				m.Field.Values[k] = radar.GridNoEchoDBZ
			}
		}
	}
	return nowcast.FromField(m.Field, plane.Origin, plane.SpacingM, plane.NI, codes)
}

// pick takes the series with the most pictures, of those the newest, in order
// of time and each picture once. The others are named in its notes.
func (r *echoReader) pick() *echoSeries {
	for _, s := range r.series {
		s.tidy()
	}
	if len(r.series) == 0 {
		return nil
	}
	best := r.series[0]
	for _, s := range r.series[1:] {
		if len(s.frames) > len(best.frames) || len(s.frames) == len(best.frames) && s.newest().Time.After(best.newest().Time) {
			best = s
		}
	}
	for _, s := range r.series {
		if s != best {
			best.notes = append(best.notes, fmt.Sprintf("Left out: %s %s (%s). One radar or product is followed at a time, the one with the most pictures; name its files alone to see another.",
				s.kind, s.name, count(len(s.frames), "picture")))
		}
	}
	return best
}

func (s *echoSeries) newest() *echoFrame { return s.frames[len(s.frames)-1] }

// tidy sorts by time. Of pictures of the same time one stays: the complete one,
// else the one that shows more.
func (s *echoSeries) tidy() {
	slices.SortStableFunc(s.frames, func(a, b *echoFrame) int {
		if c := a.stamp.Compare(b.stamp); c != 0 {
			return c
		}
		if a.complete != b.complete {
			return cmp.Compare(b2i(b.complete), b2i(a.complete))
		}
		return cmp.Compare(b.seenShare(), a.seenShare())
	})
	kept := s.frames[:0]
	twice := 0
	for _, f := range s.frames {
		if len(kept) > 0 && (f.stamp.Equal(kept[len(kept)-1].stamp) || !f.Time.After(kept[len(kept)-1].Time)) {
			twice++
			continue
		}
		kept = append(kept, f)
	}
	s.frames = kept
	if twice > 0 {
		s.notes = append(s.notes, fmt.Sprintf("%s of a time that was there already left out.", count(twice, "picture")))
	}
}

func b2i(b bool) int {
	if b {
		return 1
	}
	return 0
}

// followEvery is the time over which objects are followed and their trend is
// taken, as near as the pictures allow: of 2 min it would be noise.
const followEvery = 10 * time.Minute

// mostFollowed bounds how many steps back objects are followed.
const mostFollowed = 6

// watch finds the objects of the newest picture, the motion, and follows the
// objects through the pictures before. The motion is nil where none can be seen,
// and reason then says why.
func (s *echoSeries) watch(objects nowcast.ObjectOptions, options nowcast.MotionOptions) (scene *nowcast.Scene, motion *nowcast.Motion, reason *nowcast.NoMotionError, err error) {
	var frames []*nowcast.Frame
	for _, f := range s.frames {
		frames = append(frames, f.Frame)
	}
	motion, err = nowcast.EstimateMotion(frames, options)
	if err != nil && !errors.As(err, &reason) {
		return nil, nil, nil, err
	}
	longest := options.LongestLag
	if longest <= 0 {
		longest = nowcast.DefaultMotionOptions().LongestLag
	}
	chain := []*nowcast.Frame{frames[len(frames)-1]}
	for at := len(frames) - 1; motion != nil && len(chain) <= mostFollowed; {
		best := -1
		for k := at - 1; k >= 0; k-- {
			lag := frames[at].Time.Sub(frames[k].Time)
			if lag > longest {
				break
			}
			if best < 0 || (lag-followEvery).Abs() < (frames[at].Time.Sub(frames[best].Time)-followEvery).Abs() {
				best = k
			}
		}
		if best < 0 {
			break
		}
		chain, at = append(chain, frames[best]), best
	}
	for k := len(chain) - 1; k >= 0; k-- {
		now, err := nowcast.FindObjects(chain[k], objects)
		if err != nil {
			return nil, nil, nil, err
		}
		if scene != nil {
			if now, err = nowcast.Follow(scene, now, motion); err != nil {
				return nil, nil, nil, err
			}
		}
		scene = now
	}
	return scene, motion, reason, nil
}
