package main

import (
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
)

// maxModelFiles that are looked at.
const maxModelFiles = 1_000_000

// modelFile is one file, as it was when it was looked at.
type modelFile struct {
	path     string
	size     int64
	modified time.Time
}

// modelState is one valid time of one run.
type modelState struct {
	reference, valid time.Time
	files            []int // that hold fields of it
	levels           bool  // it has temperature on levels
}

func (s *modelState) lead() time.Duration { return s.valid.Sub(s.reference) }

// modelFiles are the states that files hold.
type modelFiles struct {
	files []modelFile
	// times with a state, rising, each with its states, the shortest lead first.
	times  []time.Time
	states [][]*modelState
	// still are states without temperature on levels that are no valid time of their own:
	// terrain, most of all. They are given to every box.
	still      []*modelState
	grid       string // of the temperature
	passedOver int
}

// scan looks at every file and finds the states.
func (j *hindcastJob) scan() error {
	paths, err := j.list()
	if err != nil {
		return err
	}
	type key struct{ reference, valid int64 }
	states := map[key]*modelState{}
	grids := map[string]int{}
	windows := &windowCache{want: j.wanted()}
	// Of all that is asked for, only places of release must be on the grid.
	windows.want.places = windows.want.places[:len(j.sites)]
	f := &j.files
	for n, path := range paths {
		if err := j.env.Err(); err != nil {
			return err
		}
		j.progress("looking at file %d of %d", n+1, len(paths))
		found, info, err := j.headersOf(path)
		if err != nil {
			j.fail(err)
			continue
		}
		number := -1
		for _, h := range found {
			if _, ok := windows.of(h.grid); !ok {
				continue
			}
			if number < 0 {
				number = len(f.files)
				f.files = append(f.files, modelFile{path, info.Size(), info.ModTime()})
			}
			k := key{h.reference.UnixNano(), h.valid.UnixNano()}
			s := states[k]
			if s == nil {
				s = &modelState{reference: h.reference, valid: h.valid}
				states[k] = s
			}
			if !slices.Contains(s.files, number) {
				s.files = append(s.files, number)
			}
			if h.levels {
				s.levels = true
				grids[fmt.Sprintf("%s, %d x %d", h.grid.Name, h.grid.NI, h.grid.NJ)]++
			}
		}
		if number < 0 {
			f.passedOver++
		}
	}
	j.endProgress()
	if len(grids) > 1 {
		var names []string
		for name, n := range grids {
			names = append(names, fmt.Sprintf("%s (%d)", name, n))
		}
		slices.Sort(names)
		return usageError("--models: the folders hold several models, or one on several grids: " + strings.Join(names, "; ") + "; give those of one")
	}
	for name := range grids {
		f.grid = name
	}
	byTime := map[int64][]*modelState{}
	for _, s := range states {
		if s.levels {
			byTime[s.valid.UnixNano()] = append(byTime[s.valid.UnixNano()], s)
		}
	}
	for _, s := range states {
		if !s.levels && byTime[s.valid.UnixNano()] == nil && len(f.still) < 4 {
			f.still = append(f.still, s)
		}
	}
	for valid := range byTime {
		f.times = append(f.times, time.Unix(0, valid).UTC())
	}
	slices.SortFunc(f.times, time.Time.Compare)
	for _, t := range f.times {
		at := byTime[t.UnixNano()]
		slices.SortFunc(at, func(a, b *modelState) int { return cmp.Compare(a.lead(), b.lead()) })
		f.states = append(f.states, at)
	}
	if len(f.times) == 0 {
		return fmt.Errorf("no model fields around the sites in %s (%d files looked at, %d could not be read)", strings.Join(j.Models, ", "), len(paths), j.failures)
	}
	return nil
}

// list walks the folders.
func (j *hindcastJob) list() ([]string, error) {
	var paths []string
	for _, dir := range j.Models {
		err := filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
			if err != nil {
				j.fail(plainPathError(err))
				return nil
			}
			if err := j.env.Err(); err != nil {
				return err
			}
			if strings.HasPrefix(entry.Name(), ".") && path != dir {
				if entry.IsDir() {
					return filepath.SkipDir
				}
				return nil
			}
			if entry.Type().IsRegular() || entry.Type()&os.ModeSymlink != 0 {
				if len(paths) >= maxModelFiles {
					return fmt.Errorf("%s: more than %d files", dir, maxModelFiles)
				}
				paths = append(paths, path)
			}
			return nil
		})
		if err != nil {
			return nil, err
		}
	}
	slices.Sort(paths)
	return slices.Compact(paths), nil
}

// stateHeader is one field that is of use.
type stateHeader struct {
	reference, valid time.Time
	grid             *grid.Grid
	levels           bool
}

// headersOf a file; none where it is of another kind.
func (j *hindcastJob) headersOf(path string) (headers []stateHeader, info fs.FileInfo, err error) {
	if info, err = os.Stat(path); err != nil {
		return nil, nil, plainPathError(err)
	}
	if !info.Mode().IsRegular() {
		return nil, info, nil
	}
	found, err := openContents(j.env, path)
	defer found.close()
	if err != nil {
		if found.kind == kindUnknown && errors.Is(err, ingest.ErrUnsupported) {
			return nil, info, nil
		}
		return nil, info, err
	}
	if found.err != nil {
		j.fail(found.err) // what came before is used
	}
	if found.field == nil {
		return nil, info, nil
	}
	seen := map[stateHeader]bool{}
	for k := range found.headers {
		f := &found.headers[k]
		h := stateHeader{f.ReferenceTime, f.ValidTime, f.Grid, f.StandardName == "air_temperature" && f.Level.Code != 103 && f.Level.Code != 1 && !strings.Contains(f.Level.Type, "height")}
		if found.wrf != nil {
			// P and T of WRF stand for all that is made of its file.
			if f.ShortName != "T" && f.ShortName != "P" {
				continue
			}
			h.levels = true
		} else if !grid.ServesAtmosphere(f) {
			continue
		}
		if f.Grid == nil || f.ValidTime.IsZero() {
			continue
		}
		if h.reference.IsZero() {
			h.reference = h.valid // nobody says when the run began: an analysis
		}
		if !seen[h] {
			seen[h] = true
			headers = append(headers, h)
		}
	}
	return headers, info, nil
}

// stateLoader decodes states, each once while it is needed.
type stateLoader struct {
	job *hindcastJob
	// fields of states in mind by valid time; nil for one that cannot be used.
	known map[int64]*loadedState
	// ahead are states that came with a file that is read whole (WRF).
	ahead  map[*modelState][]*grid.Field
	open   []openModelFile
	still  []*grid.Field
	ready  bool
	notes  []string
	ground *grid.Field // terrain of the first state that has it
}

type loadedState struct {
	state  *modelState
	fields []*grid.Field
	bytes  int64
}

type openModelFile struct {
	number int
	found  *contents
	size   int64
}

// Files that are kept open: a file may hold a month, of one quantity.
const (
	maxOpenModelFiles = 8
	maxOpenModelBytes = 2 << 30
)

func (l *stateLoader) contents(number int) (*contents, error) {
	for k, o := range l.open {
		if o.number == number {
			l.open = append(slices.Delete(l.open, k, k+1), o) // the last used at the end
			return o.found, nil
		}
	}
	file := &l.job.files.files[number]
	info, err := os.Stat(file.path)
	if err != nil {
		return nil, plainPathError(err)
	}
	if info.Size() != file.size || !info.ModTime().Equal(file.modified) {
		return nil, fmt.Errorf("%s: was changed while it was in use", file.path)
	}
	total := file.size
	for _, o := range l.open {
		total += o.size
	}
	for len(l.open) > 0 && (len(l.open) >= maxOpenModelFiles || total > maxOpenModelBytes) {
		total -= l.open[0].size
		l.open[0].found.close()
		l.open = slices.Delete(l.open, 0, 1)
	}
	found, err := openContents(l.job.env, file.path)
	if err != nil {
		found.close()
		return nil, err
	}
	l.open = append(l.open, openModelFile{number, found, file.size})
	return found, nil
}

func (l *stateLoader) close() {
	for _, o := range l.open {
		o.found.close()
	}
	l.open = nil
}

// at gives the fields of a time: of the state with the shortest lead that can be read.
func (l *stateLoader) at(number int) *loadedState {
	f := &l.job.files
	valid := f.times[number].UnixNano()
	if known, ok := l.known[valid]; ok {
		return known
	}
	if l.known == nil {
		l.known, l.ahead = map[int64]*loadedState{}, map[*modelState][]*grid.Field{}
	}
	l.known[valid] = nil
	for _, s := range f.states[number] {
		fields, err := l.read(s)
		if err == nil {
			err = l.usable(s, fields)
		}
		if l.job.env.Err() != nil {
			return nil
		}
		if err != nil {
			l.job.fail(fmt.Errorf("%s of the run of %s: %w", s.valid.Format("2006-01-02T15:04Z"), s.reference.UTC().Format("2006-01-02T15:04Z"), err))
			continue
		}
		loaded := &loadedState{state: s, fields: fields}
		for _, field := range fields {
			loaded.bytes += int64(4 * len(field.Values))
			if l.ground == nil && isTerrain(field) {
				l.ground = field
			}
		}
		l.known[valid] = loaded
		break
	}
	return l.known[valid]
}

func isTerrain(f *grid.Field) bool {
	return f.StandardName == "surface_altitude" || f.Level.Code == 1 && strings.HasPrefix(f.StandardName, "geopotential")
}

// usable builds a box of one state alone, a coarse one: what it lacks is told of it,
// and not of all hours of a stretch.
func (l *stateLoader) usable(s *modelState, fields []*grid.Field) error {
	sites := l.job.sitesOn(fields)
	if len(sites) == 0 {
		return nil // told where the stretch is judged
	}
	_, err := grid.BuildAtmosphere(l.complete(fields), grid.AtmosphereOptions{Domain: sites[:1], MarginM: 1, HeightsM: []float64{10, 1000}, HoldFor: time.Hour, Member: l.job.Member})
	return err
}

// complete adds what belongs to no time.
func (l *stateLoader) complete(fields []*grid.Field) []*grid.Field {
	all := append(slices.Clone(fields), l.still...)
	if l.ground != nil && !slices.ContainsFunc(all, isTerrain) {
		all = append(all, l.ground)
	}
	return all
}

// forget what lies before a time.
func (l *stateLoader) forget(before time.Time) {
	for valid := range l.known {
		if valid < before.UnixNano() {
			delete(l.known, valid)
		}
	}
	for s := range l.ahead {
		if s.valid.Before(before) {
			delete(l.ahead, s)
		}
	}
}

// prepare reads what belongs to no time.
func (l *stateLoader) prepare(j *hindcastJob) {
	if l.ready {
		return
	}
	l.job, l.ready = j, true
	for _, s := range j.files.still {
		fields, err := l.read(s)
		if err != nil {
			j.fail(err)
			continue
		}
		l.still = append(l.still, fields...)
	}
	for k := range j.files.states {
		if s := j.files.states[k][0]; s.reference.Equal(s.valid) {
			return
		}
	}
	l.notes = append(l.notes, "no analysis is among the files: all states are forecasts")
}

// read decodes the fields of a state around the sites.
func (l *stateLoader) read(s *modelState) ([]*grid.Field, error) {
	if fields, ok := l.ahead[s]; ok {
		delete(l.ahead, s)
		return fields, nil
	}
	windows := windowCache{want: l.job.wanted()}
	var fields []*grid.Field
	for _, number := range s.files {
		found, err := l.contents(number)
		if err != nil {
			return nil, err
		}
		if found.wrf != nil {
			all, err := found.wrf(l.job.env, func(g *grid.Grid) *grid.Window { w, _ := windows.of(g); return w })
			if err != nil {
				return nil, err
			}
			fields = append(fields, l.share(s, number, all)...)
			continue
		}
		for k := range found.headers {
			h := &found.headers[k]
			if h.Grid == nil || !h.ValidTime.Equal(s.valid) || !grid.ServesAtmosphere(h) || !h.ReferenceTime.Equal(s.reference) && !(h.ReferenceTime.IsZero() && s.lead() == 0) {
				continue
			}
			window, ok := windows.of(h.Grid)
			if !ok {
				continue
			}
			field, err := found.field(l.job.env, k, fieldOptions{Window: window})
			if err != nil {
				return nil, err
			}
			fields = append(fields, l.dated(field, s))
		}
		if l.job.env.Err() != nil {
			return nil, l.job.env.Err()
		}
	}
	return fields, nil
}

// dated gives a field of a run without a beginning that of an analysis, and any where
// that is asked for.
func (l *stateLoader) dated(f *grid.Field, s *modelState) *grid.Field {
	if f.ReferenceTime.IsZero() {
		f.ReferenceTime = s.reference
	}
	if l.job.AsAnalysis {
		f.ReferenceTime = f.ValidTime
	}
	return f
}

// share gives the fields of one state of a file that is read whole, and keeps those of
// the others for which this file is the first choice.
func (l *stateLoader) share(of *modelState, number int, all []*grid.Field) (own []*grid.Field) {
	f := &l.job.files
	for _, field := range all {
		if field.ValidTime.Equal(of.valid) {
			own = append(own, l.dated(field, of))
			continue
		}
		k, ok := slices.BinarySearchFunc(f.times, field.ValidTime, time.Time.Compare)
		if !ok || !field.ValidTime.After(of.valid) {
			continue
		}
		if s := f.states[k][0]; slices.Equal(s.files, []int{number}) {
			l.ahead[s] = append(l.ahead[s], l.dated(field, s))
		}
	}
	return own
}

// digest of the files that states were read from.
func (f *modelFiles) digest(key string, numbers []int) string {
	d := sha256.New()
	fmt.Fprintln(d, key)
	write := func(s *modelState) {
		fmt.Fprintln(d, s.valid.UnixNano(), s.reference.UnixNano())
		for _, n := range s.files {
			file := &f.files[n]
			fmt.Fprintf(d, "%q %d %d\n", file.path, file.size, file.modified.UnixNano())
		}
	}
	for _, n := range numbers {
		for _, s := range f.states[n] {
			write(s)
		}
	}
	for _, s := range f.still {
		write(s)
	}
	return hex.EncodeToString(d.Sum(nil)[:12])
}
