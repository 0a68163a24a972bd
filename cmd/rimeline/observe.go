package main

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"path/filepath"
	"slices"
	"time"

	"rimeline/grid"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/satellite"
	"rimeline/seedability"
	"rimeline/seedability/nowcast"
	"rimeline/seedability/profile"
	"rimeline/seedability/radar"
)

// evidenceFiles names files as assessments do.
func evidenceFiles(files ...readFile) []seedability.File {
	var named []seedability.File
	for _, f := range files {
		named = append(named, seedability.File{Name: filepath.Base(f.path), SHA256: f.sha256})
	}
	return named
}

// observe carries radar, mosaics and cloud tops into the evidence.
func (j *judgement) observe() {
	for _, s := range j.weather.volumes {
		scan := seedability.RadarScan{Volume: s.volume, Files: evidenceFiles(s.files...)}
		if s.wind == nil {
			s.wind = findWind(s.volume)
		}
		scan.Wind = s.wind.WindProfile
		j.evidence.Radars = append(j.evidence.Radars, scan)
	}
	for _, m := range j.weather.mosaics {
		var kind seedability.MosaicKind
		switch m.Product.Quantity {
		case mosaic.CompositeReflectivity:
			kind = seedability.MosaicReflectivity
		case mosaic.IsothermalReflectivity:
			kind = seedability.MosaicAtIsotherm
		case mosaic.PrecipitationRate:
			kind = seedability.MosaicPrecipitationRate
		default:
			continue
		}
		j.evidence.Mosaics = append(j.evidence.Mosaics, seedability.Mosaic{
			Label: m.Product.Name, Kind: kind, Time: m.Time, Files: evidenceFiles(m.file), Around: largestAround(m.Mosaic),
		})
	}
	// The newest first: it is the one that is used.
	slices.SortStableFunc(j.evidence.Mosaics, func(a, b seedability.Mosaic) int { return b.Time.Compare(a.Time) })
	if tops := j.weather.tops; tops.Phase != nil || tops.Temperature != nil || tops.Height != nil {
		j.evidence.CloudTops = cloudTopsOf(tops, j.weather.topFiles)
	}
}

func findWind(volume *grid.Volume) *windFound {
	wind, err := radar.VAD(volume, radar.VADOptions{})
	if err != nil {
		return &windFound{}
	}
	return &windFound{&wind}
}

// largestAround asks a mosaic as an assessment does.
func largestAround(m *mosaic.Mosaic) func(grid.LatLon, float64) (float64, grid.GateState) {
	return func(place grid.LatLon, radiusM float64) (float64, grid.GateState) {
		switch c := m.Around(place, radiusM); {
		case c.Measured > 0:
			return c.Max, grid.Measured
		case c.NoEcho > 0 && c.NoEcho >= c.NotCovered:
			return math.NaN(), grid.BelowThreshold
		}
		return math.NaN(), grid.NotCovered
	}
}

func cloudTopsOf(tops satellite.CloudTops, files []readFile) *seedability.CloudTops {
	c := &seedability.CloudTops{Files: evidenceFiles(files...)}
	for _, g := range []*satellite.Granule{tops.Phase, tops.Temperature, tops.Height} {
		if g != nil && g.End.After(c.End) {
			c.End, c.Label = g.End, g.Platform+" "+g.Scene
		}
	}
	c.Above = func(place grid.LatLon, groundAltitudeM, assumedTopM float64) (seedability.CloudTop, bool) {
		top, ok := tops.Above(place, satellite.Look{GroundAltitudeM: groundAltitudeM, AssumedTopM: assumedTopM})
		if !ok {
			return seedability.CloudTop{}, false
		}
		return seedability.CloudTop{Phase: top.Phase, AirTemperatureK: top.TemperatureK, AltitudeM: top.HeightM, ParallaxM: top.ParallaxM,
			Good: top.PhaseQuality == satellite.Good && top.TemperatureQuality == satellite.Good && !top.WithoutParallax}, true
	}
	return c
}

// bandFrames are the radar pictures in which bands are followed.
type bandFrames struct {
	label  string
	frames []*nowcast.Frame // by time
	files  [][]readFile
	// found caches the watch for the newest frame of that index.
	found map[int]*seedability.BandWatch
	err   error
}

const (
	// bandPlaneKM is the side of the picture about the sites: what moves at 25
	// m/s is seen two hours ahead.
	bandPlaneKM = 400
	bandCellM   = 1000.0
	// bandIsothermK: bands are followed where agent works.
	bandIsothermK = 263.15
)

// frameBands lays the volumes of the radar that has most of them, or else the
// mosaics, on a plane about the sites.
func (j *judgement) frameBands() *bandFrames {
	b := &bandFrames{found: map[int]*seedability.BandWatch{}}
	plane := nowcast.CentredPlane(j.middle(), bandCellM, bandPlaneKM)
	byRadar := map[string][]scanned{}
	best := ""
	for _, s := range j.weather.volumes {
		byRadar[s.volume.Radar] = append(byRadar[s.volume.Radar], s)
	}
	for name, scans := range byRadar {
		if best == "" || len(scans) > len(byRadar[best]) || len(scans) == len(byRadar[best]) && name < best {
			best = name
		}
	}
	if scans := byRadar[best]; len(scans) > 1 {
		b.err = b.fromRadar(scans, plane, j)
		return b
	}
	for _, quantity := range []mosaic.Quantity{mosaic.IsothermalReflectivity, mosaic.CompositeReflectivity, mosaic.PrecipitationRate} {
		var row []mosaicked
		for _, m := range j.weather.mosaics {
			if m.Product.Quantity == quantity && (len(row) == 0 || m.Product.Name == row[0].Product.Name) {
				row = append(row, m)
			}
		}
		if len(row) > 1 {
			b.err = b.fromMosaics(row, plane)
			return b
		}
	}
	return nil
}

// middle of the sites and targets.
func (j *judgement) middle() grid.LatLon {
	south, west, north, east := j.programme.Bounds()
	return grid.LatLon{LatitudeDeg: (south + north) / 2, LongitudeDeg: (west + east) / 2}
}

func (b *bandFrames) fromRadar(scans []scanned, plane nowcast.Plane, j *judgement) error {
	slices.SortStableFunc(scans, func(a, c scanned) int { return a.volume.Time.Compare(c.volume.Time) })
	first := scans[0].volume
	makeGridder := func() (*radar.Gridder, error) {
		// A radar without beam width or above the model's terrain has no skyline.
		skyline, err := radar.NewSkyline(first.Antenna, first.BeamwidthDeg, 230e3, j.evidence.Atmosphere.TerrainAltitudeM)
		if err != nil {
			skyline = nil
		}
		return radar.NewGridder(first.Antenna, plane, skyline)
	}
	if j.gridders != nil {
		fresh := makeGridder
		makeGridder = func() (*radar.Gridder, error) { return j.gridders(first, fresh) }
	}
	gridder, err := makeGridder()
	if err != nil {
		return fmt.Errorf("radar %s: %w", first.Radar, err)
	}
	surface, where := j.bandSurface()
	b.label = fmt.Sprintf("radar %s %s", first.Radar, where)
	for _, s := range scans {
		frame, err := j.frameOnce(s, b.label, func() (*nowcast.Frame, error) {
			gridded, err := gridder.Grid(s.volume, grid.MomentReflectivity, surface, radar.GridOptions{})
			if err != nil {
				return nil, fmt.Errorf("radar %s: %w", first.Radar, err)
			}
			return gridded.Frame()
		})
		if err != nil {
			return err
		}
		if n := len(b.frames); n > 0 && !frame.Time.After(b.frames[n-1].Time) {
			continue // the same volume again
		}
		b.frames, b.files = append(b.frames, frame), append(b.files, s.files)
	}
	return nil
}

// frameOnce lays a volume on the plane, unless that was done before.
func (j *judgement) frameOnce(s scanned, label string, lay func() (*nowcast.Frame, error)) (*nowcast.Frame, error) {
	if j.frames == nil {
		return lay()
	}
	// By the content of the volume and all of its surface: who asked first must not
	// decide what others see.
	for _, file := range s.files {
		label += " " + cmp.Or(file.sha256, file.path)
	}
	return j.frames(s.volume, label, lay)
}

// bandSurface is the altitude of -10 °C over the first site, in whole metres, as its
// words say it; or else all beams.
func (j *judgement) bandSurface() (radar.Surface, string) {
	first, _ := j.evidence.Atmosphere.TimeRange()
	if column, ok := j.evidence.Atmosphere.ColumnAt(j.sites[0].Place(), first); ok {
		if isotherm, ok := profile.Derive(column, profile.DefaultOptions()).Isotherm(bandIsothermK); ok && isotherm.HighestAltitudeM.Known() {
			altitudeM := math.Round(float64(isotherm.HighestAltitudeM))
			return radar.ConstantAltitude(altitudeM), fmt.Sprintf("at -10 °C (%.0f m)", altitudeM)
		}
	}
	return radar.Composite(), "largest of all beams"
}

func (b *bandFrames) fromMosaics(row []mosaicked, plane nowcast.Plane) error {
	slices.SortStableFunc(row, func(a, c mosaicked) int { return a.Time.Compare(c.Time) })
	b.label = "mosaic " + row[0].Product.Name
	for _, m := range row {
		// A copy: the mosaic itself goes on to serve the assessment.
		field, copied := *m.Field, *m.Mosaic
		field.Values = slices.Clone(field.Values)
		copied.Field = &field
		frame, err := frameOfMosaic(&copied, plane)
		if err != nil {
			return fmt.Errorf("%s: %w", m.file.path, err)
		}
		frame.Time = m.Time
		if n := len(b.frames); n > 0 && !frame.Time.After(b.frames[n-1].Time) {
			continue
		}
		b.frames, b.files = append(b.frames, frame), append(b.files, []readFile{m.file})
	}
	return nil
}

// at is what could be seen of bands at a moment: from frames up to then.
func (b *bandFrames) at(moment time.Time) *seedability.BandWatch {
	newest := -1
	for k, frame := range b.frames {
		if !frame.Time.After(moment) {
			newest = k
		}
	}
	if newest < 0 {
		return nil
	}
	if w := b.found[newest]; w != nil {
		return w
	}
	w := &seedability.BandWatch{Label: b.label}
	b.found[newest] = w
	oldest := max(0, newest-2)
	for k := oldest; k <= newest; k++ {
		w.Files = append(w.Files, evidenceFiles(b.files[k]...)...)
	}
	scene, err := nowcast.FindObjects(b.frames[newest], nowcast.DefaultObjectOptions())
	if err != nil {
		w.NoMotion = err.Error()
		return w
	}
	w.Scene = scene
	motion, err := nowcast.EstimateMotion(b.frames[oldest:newest+1], nowcast.DefaultMotionOptions())
	if err != nil {
		var none *nowcast.NoMotionError
		if errors.As(err, &none) {
			w.NoMotion = none.Error()
		} else {
			w.NoMotion = err.Error()
		}
		return w
	}
	w.Motion = motion
	return w
}
