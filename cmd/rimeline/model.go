package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
	"rimeline/ingest/mosaic"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
	"rimeline/seedability/radar"
)

// weather is what files of model output and soundings say of the air around some
// places.
type weather struct {
	fields    []*grid.Field
	soundings []sounding.Report
	// volumes of radars, mosaics and cloud tops, with their files.
	volumes  []scanned
	mosaics  []mosaicked
	tops     satellite.CloudTops
	topFiles []readFile
	// modelName is the source of the fields, empty for files that were named.
	modelName string
	// modelFiles hold the fields; soundingFile is the file of each sounding.
	modelFiles   []readFile
	soundingFile []readFile
	// passedOver are files of a folder that are of no kind that is read.
	passedOver []string
	// errs are inputs that could not be read; the rest was.
	errs []error
}

// readFile names a file and its content.
type readFile struct{ path, sha256 string }

// scanned is a radar volume and the file, or the chunks, that it came in.
type scanned struct {
	volume *grid.Volume
	files  []readFile
	// wind over the radar where it has been looked for already, else nil.
	wind *windFound
}

// windFound is what radar.VAD gave; nil where it gave none.
type windFound struct{ *radar.WindProfile }

type mosaicked struct {
	*mosaic.Mosaic
	file readFile
}

// wanted says what is needed of model files.
type wanted struct {
	places  []grid.LatLon
	marginM float64
	// from and to bound the times; one more on either side is kept to
	// interpolate between. Zero for all.
	from, to time.Time
}

// readWeather reads files, and the files of folders (not of folders in them).
// Chunks of one radar volume are put together.
func readWeather(env *environment, paths []string, want wanted) (*weather, error) {
	w := &weather{}
	var files []string
	ofFolder := map[string]bool{}
	for _, path := range paths {
		info, err := os.Stat(path)
		if err != nil {
			w.errs = append(w.errs, plainPathError(err))
			continue
		}
		if !info.IsDir() {
			files = append(files, path)
			continue
		}
		entries, err := os.ReadDir(path)
		if err != nil {
			w.errs = append(w.errs, plainPathError(err))
			continue
		}
		for _, entry := range entries {
			if entry.Type().IsRegular() || entry.Type()&os.ModeSymlink != 0 {
				file := filepath.Join(path, entry.Name())
				files = append(files, file)
				ofFolder[file] = true
			}
		}
	}
	for _, group := range groupInputs(env, files) {
		w.read(env, group, want, ofFolder[group.paths[0]])
		if env.Err() != nil {
			return nil, env.Err()
		}
	}
	w.keepTimes(want)
	return w, env.Err()
}

// read adds one file, or the chunks of one volume. A file of a folder may be of
// any kind; one that was named must be of use.
func (w *weather) read(env *environment, group *inputGroup, want wanted, ofFolder bool) {
	found, err := group.open(env)
	defer found.close()
	path := group.paths[0]
	if err != nil {
		if ofFolder && found.kind == kindUnknown && errors.Is(err, ingest.ErrUnsupported) {
			w.passedOver = append(w.passedOver, path)
			return
		}
		w.errs = append(w.errs, err)
		return
	}
	if found.err != nil {
		w.errs = append(w.errs, found.err)
	}
	var files []readFile
	for _, path := range group.paths {
		digest, err := fileSHA256(path)
		if err != nil {
			w.errs = append(w.errs, err)
			return
		}
		files = append(files, readFile{path, digest})
	}
	switch {
	case found.volume != nil:
		w.volumes = append(w.volumes, scanned{volume: found.volume, files: files})
	case found.soundings != nil:
		for report, err := range found.soundings {
			if err != nil {
				w.errs = append(w.errs, err)
				continue
			}
			w.soundings = append(w.soundings, report)
			w.soundingFile = append(w.soundingFile, files[0])
		}
	case found.netcdf != nil && satellite.Is(found.netcdf):
		w.readCloudTop(env, found, files[0], want)
	case slices.ContainsFunc(found.headers, func(f grid.Field) bool { return mosaic.IsMosaic(&f) }):
		w.readMosaics(env, found, files[0], want)
	case found.field != nil:
		fields, err := readModel(env, found, want)
		if err != nil {
			w.errs = append(w.errs, err)
		}
		if len(fields) == 0 {
			if err == nil && !ofFolder {
				w.errs = append(w.errs, fmt.Errorf("%s: holds no fields of an atmosphere around the places asked for", path))
			}
			return
		}
		w.modelFiles = append(w.modelFiles, files[0])
		w.fields = append(w.fields, fields...)
	}
}

// cloudTopMarginM around the places holds the parallax of any top.
const cloudTopMarginM = 100e3

func (w *weather) readCloudTop(env *environment, found *contents, file readFile, want wanted) {
	granule, err := satellite.Read(env, file.path, found.netcdf, satellite.Options{Places: want.places, MarginM: max(want.marginM, cloudTopMarginM)})
	if err != nil {
		w.errs = append(w.errs, err)
		return
	}
	w.tops.Add(granule)
	w.topFiles = append(w.topFiles, file)
}

func (w *weather) readMosaics(env *environment, found *contents, file readFile, want wanted) {
	for k := range found.headers {
		header := &found.headers[k]
		if _, ok := mosaic.ProductOf(header); !ok {
			continue
		}
		var options fieldOptions
		if len(want.places) > 0 {
			window, _ := header.Grid.WindowOf(want.places, max(want.marginM, bandPlaneKM/2*1000))
			if window.NI <= 0 || window.NJ <= 0 {
				w.errs = append(w.errs, fmt.Errorf("%s: %w", file.path, mosaic.ErrOutside))
				continue
			}
			options.Window = &window
		}
		field, err := found.field(env, k, options)
		if err != nil {
			w.errs = append(w.errs, err)
			continue
		}
		interpreted, err := mosaic.Interpret(file.path, field)
		if err != nil {
			w.errs = append(w.errs, err)
			continue
		}
		w.mosaics = append(w.mosaics, mosaicked{interpreted, file})
	}
}

// readModel decodes the fields that make an atmosphere, in a window around the
// places.
func readModel(env *environment, found *contents, want wanted) ([]*grid.Field, error) {
	windows := windowCache{want: want}
	if found.wrf != nil {
		return found.wrf(env, func(g *grid.Grid) *grid.Window { w, _ := windows.of(g); return w })
	}
	var fields []*grid.Field
	var errs []error
	keep := neededTimes(found.headers, want)
	for k := range found.headers {
		header := &found.headers[k]
		if !grid.ServesAtmosphere(header) || !keep(header.ValidTime) || header.Grid == nil {
			continue
		}
		window, ok := windows.of(header.Grid)
		if !ok {
			continue
		}
		field, err := found.field(env, k, fieldOptions{Window: window})
		if err != nil {
			errs = append(errs, err)
			if env.Err() != nil {
				break
			}
			continue
		}
		fields = append(fields, field)
	}
	return fields, errors.Join(errs...)
}

// windowCache finds the window of each grid once; files repeat theirs.
type windowCache struct {
	want  wanted
	known []knownWindow
}

type knownWindow struct {
	grid   *grid.Grid
	window *grid.Window
	ok     bool
}

// of gives the window of a grid around the places; false where none of them is
// on it.
func (c *windowCache) of(g *grid.Grid) (*grid.Window, bool) {
	for _, k := range c.known {
		if k.grid == g || k.grid.Same(g) {
			return k.window, k.ok
		}
	}
	k := knownWindow{grid: g}
	if len(c.want.places) == 0 {
		k.ok = true
	} else {
		for _, place := range c.want.places {
			if _, _, on := g.Locate(place); on {
				k.ok = true
			}
		}
		if k.ok {
			window, _ := g.WindowOf(c.want.places, c.want.marginM)
			// A box needs two rows and columns.
			window.I0, window.NI = atLeastTwo(window.I0, window.NI, g.NI)
			window.J0, window.NJ = atLeastTwo(window.J0, window.NJ, g.NJ)
			k.window = &window
		}
	}
	c.known = append(c.known, k)
	return k.window, k.ok
}

func atLeastTwo(first, n, of int) (int, int) {
	if n >= 2 || of < 2 {
		return first, n
	}
	return min(first, of-2), 2
}

// neededTimes tells which valid times of a file can matter, so that the others
// are not decoded: those from the last at or before the span to the first at or
// after it. Across files keepTimes does the same.
func neededTimes(headers []grid.Field, want wanted) func(time.Time) bool {
	var times []time.Time
	for k := range headers {
		if grid.ServesAtmosphere(&headers[k]) {
			times = append(times, headers[k].ValidTime)
		}
	}
	return between(times, want)
}

func between(times []time.Time, want wanted) func(time.Time) bool {
	if want.from.IsZero() || len(times) == 0 {
		return func(time.Time) bool { return true }
	}
	slices.SortFunc(times, time.Time.Compare)
	first, last := times[0], times[len(times)-1]
	for _, t := range times {
		if !t.After(want.from) {
			first = t
		}
	}
	for _, t := range slices.Backward(times) {
		if !t.Before(want.to) {
			last = t
		}
	}
	return func(t time.Time) bool { return !t.Before(first) && !t.After(last) }
}

func (w *weather) keepTimes(want wanted) {
	var times []time.Time
	for _, f := range w.fields {
		times = append(times, f.ValidTime)
	}
	keep := between(times, want)
	w.fields = slices.DeleteFunc(w.fields, func(f *grid.Field) bool { return !keep(f.ValidTime) })
}

// modelLabel names the model files for people.
func (w *weather) modelLabel() string {
	switch len(w.modelFiles) {
	case 0:
		return "none"
	case 1:
		return filepath.Base(w.modelFiles[0].path)
	}
	return fmt.Sprintf("%s and %d more files", filepath.Base(w.modelFiles[0].path), len(w.modelFiles)-1)
}

// fileSHA256 digests a file as it lies there, compressed or not.
func fileSHA256(path string) (string, error) {
	file, err := os.Open(path)
	if err != nil {
		return "", plainPathError(err)
	}
	defer file.Close()
	digest := sha256.New()
	if _, err := io.Copy(digest, file); err != nil {
		return "", plainPathError(err)
	}
	return hex.EncodeToString(digest.Sum(nil)), nil
}

// expandPatterns resolves the patterns of a programme file, relative to it.
func expandPatterns(programmeFile string, patterns []string) ([]string, error) {
	var paths []string
	for _, pattern := range patterns {
		if !filepath.IsAbs(pattern) {
			pattern = filepath.Join(filepath.Dir(programmeFile), filepath.FromSlash(pattern))
		}
		matches, err := filepath.Glob(pattern)
		if err != nil {
			return nil, fmt.Errorf("%s: %w", pattern, err)
		}
		if len(matches) == 0 {
			return nil, fmt.Errorf("%s: no such file", pattern)
		}
		paths = append(paths, matches...)
	}
	return paths, nil
}

// wrfReader reads WRF output as an atmosphere needs it; window picks the part of
// the mass grid.
type wrfReader func(ctx context.Context, window func(*grid.Grid) *grid.Window) ([]*grid.Field, error)
