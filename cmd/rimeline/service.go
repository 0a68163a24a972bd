package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path"
	"slices"
	"strings"
	"sync"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/operate"
	"rimeline/grid"
	"rimeline/ingest/eccodes"
	stores "rimeline/ingest/source"
	"rimeline/seedability/bus"
	"rimeline/seedability/programme"
	"rimeline/seedability/radar"
)

// service is one process of the watch: whatever roles it has, they share this.
type service struct {
	clock   clock.Clock
	bus     *bus.Bus
	fetcher stores.Fetcher
	rare    *eccodes.Pool
	log     *slog.Logger
	metrics *operate.Metrics
	// heartbeats of loops that must not stand still; nil for none.
	heartbeats *operate.Heartbeats
	// worker is this process's name on the bus, unique among those that run.
	worker  string
	started time.Time
	// mirrors replace the base URLs of sources, by name; nil for none.
	mirrors map[string]string
	// paused is set while the disk is full: nothing is fetched then.
	paused func() bool
	// rehearsed: the clock is not the wall's.
	rehearsed bool
	owned     owned
	keepers   alertKeepers
	archiver  archiveKeepers
	// objects reads crops from elsewhere than the bus, by name, and newest the newest
	// message of a site; nil for the bus.
	objects func(ctx context.Context, name string) ([]byte, error)
	newest  func(kind bus.Kind, site string) (data []byte, known bool)

	bundles    remembered[*programme.Programme]
	crops      remembered[*decodedCrop]
	judgements remembered[*judgement]
	airs       remembered[*grid.Atmosphere]
	pictures   remembered[picture]
	gridders   remembered[*radar.Gridder]

	counts counts
}

// What a worker remembers between jobs: bytes of decoded data, and numbers of what
// is small or shares those.
const (
	cropMemoryBytes  = 512 << 20
	airMemoryBytes   = 1 << 30
	judgementsBytes  = 1 << 30 // of boxes drawn towards observations
	picturesInMind   = 256
	griddersInMind   = 32
	programmesInMind = 256
)

func newService(s *service) *service {
	s.started = s.clock.Now()
	s.crops.limit, s.airs.limit = cropMemoryBytes, airMemoryBytes
	s.judgements.limit, s.pictures.limit, s.gridders.limit, s.bundles.limit = judgementsBytes, picturesInMind, griddersInMind, programmesInMind
	if s.paused == nil {
		s.paused = func() bool { return false }
	}
	return s
}

// environment for the readers of files, which knows of no terminal.
func (s *service) environment(ctx context.Context) *environment {
	return &environment{Context: ctx, Stdout: io.Discard, Stderr: io.Discard, Rare: s.rare}
}

// programmeRef names one version of a programme file on the bus.
type programmeRef struct {
	ID     string `json:"id"`
	Digest string `json:"digest"` // SHA-256 of the bundle
}

// bundle is a programme file with the geometry files that it names, as it
// travels to workers elsewhere.
type bundle struct {
	File     string            `json:"file"`
	YAML     string            `json:"yaml"`
	Geometry map[string]string `json:"geometry"`
}

// bundleOf reads a programme file and everything that it names.
func bundleOf(file string) (*programme.Programme, bundle, error) {
	b := bundle{File: path.Base(file), Geometry: map[string]string{}}
	text, err := readFileBytes(file, maxProgrammeBytes)
	if err != nil {
		return nil, b, err
	}
	b.YAML = string(text)
	open := besideFile(file)
	p, err := parseProgramme(file, text, func(name string) ([]byte, error) {
		content, err := open(name)
		if err == nil {
			b.Geometry[name] = string(content)
		}
		return content, err
	})
	return p, b, err
}

// parse reads the programme of a bundle.
func (b bundle) parse() (*programme.Programme, error) {
	return parseProgramme(b.File, []byte(b.YAML), func(name string) ([]byte, error) {
		content, ok := b.Geometry[name]
		if !ok {
			return nil, fmt.Errorf("%s: not in the bundle of %s", name, b.File)
		}
		return []byte(content), nil
	})
}

// bundleObject is where a bundle lies in the bus's object store.
func bundleObject(digest string) string { return "programmes/" + digest }

// publishProgramme puts a programme where workers find it.
func (s *service) publishProgramme(ctx context.Context, p *programme.Programme, b bundle) (programmeRef, error) {
	encoded, err := json.Marshal(b)
	if err != nil {
		return programmeRef{}, err
	}
	ref := programmeRef{ID: p.ID, Digest: hexDigest(encoded)}
	if err := s.bus.PutObject(ctx, bundleObject(ref.Digest), encoded, nil); err != nil {
		return ref, err
	}
	return ref, s.bus.PutObject(ctx, newestBundleObject(p.ID), encoded, nil) // for commands of people
}

func hexDigest(b []byte) string {
	digest := sha256.Sum256(b)
	return hex.EncodeToString(digest[:])
}

// programme that a job names.
func (s *service) programme(ctx context.Context, ref programmeRef) (*programme.Programme, error) {
	return s.bundles.get(ctx, ref.Digest, func() (*programme.Programme, int64, error) {
		encoded, err := s.object(ctx, bundleObject(ref.Digest))
		if err != nil {
			return nil, 0, err
		}
		var b bundle
		if err := json.Unmarshal(encoded, &b); err != nil {
			return nil, 0, bus.Permanent(fmt.Errorf("bundle %s: %w", ref.Digest, err))
		}
		p, err := b.parse()
		if err != nil {
			return nil, 0, bus.Permanent(err)
		}
		return p, 1, nil
	})
}

// domainOf is what inputs are cropped to: sites and targets, and how far around.
func domainOf(p *programme.Programme) (places []grid.LatLon, marginM float64) {
	for k := range p.Sites {
		places = append(places, p.Sites[k].Place())
	}
	south, west, north, east := p.Bounds()
	for _, corner := range [][2]float64{{south, west}, {south, east}, {north, west}, {north, east}} {
		places = append(places, grid.LatLon{LatitudeDeg: corner[0], LongitudeDeg: corner[1]})
	}
	return append(places, burntCorners(p)...), domainMarginM
}

// burntCorners are those of the boxes around burnt areas, over which criteria ask for
// the weather.
func burntCorners(p *programme.Programme) (places []grid.LatLon) {
	for k := range p.Holds {
		if area := p.Holds[k].Area; area != nil {
			b := area.Bounds()
			for _, corner := range [][2]float64{{b.Min(1), b.Min(0)}, {b.Min(1), b.Max(0)}, {b.Max(1), b.Min(0)}, {b.Max(1), b.Max(0)}} {
				places = append(places, grid.LatLon{LatitudeDeg: corner[0], LongitudeDeg: corner[1]})
			}
		}
	}
	return places
}

// forCriteria: inputs of this kind are what suspension criteria are judged by.
func forCriteria(kind string) bool {
	switch kind {
	case stores.KindGauge, stores.KindWarnings, stores.KindAvalanche, stores.KindTelemetry:
		return true
	}
	return false
}

// needsOf lists what a programme wants of public stores.
func (s *service) needsOf(p *programme.Programme) map[string]stores.Need {
	places, _ := domainOf(p)
	needs := map[string]stores.Need{}
	for k := range p.Inputs {
		input := &p.Inputs[k]
		if forCriteria(input.Kind) {
			if need, ok := pageNeed(p, input, s.mirrors); ok {
				needs[input.ID] = need
			}
			continue
		}
		if input.Source == "" {
			continue
		}
		need := stores.Need{Source: input.Source, BaseURL: input.BaseURL, Stations: input.Stations, Products: input.Products, Places: places}
		if input.ForecastHours > 0 {
			need.ForecastHours = int(input.ForecastHours + .5)
		}
		if mirror, ok := s.mirrors[input.Source]; ok && need.BaseURL == "" {
			need.BaseURL = mirror
		}
		needs[input.ID] = need
	}
	return needs
}

// counts are what a worker says of itself in its health messages.
type counts struct {
	mutex sync.Mutex
	of    map[string]int64
}

func (c *counts) add(name string, n int64) {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	if c.of == nil {
		c.of = map[string]int64{}
	}
	c.of[name] += n
}

func (c *counts) all() map[string]int64 {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	all := make(map[string]int64, len(c.of))
	for name, n := range c.of {
		all[name] = n
	}
	return all
}

// remembered keeps results by name up to a sum of costs; the one not used for
// the longest time goes first. Those who ask for one that is being made wait for it.
type remembered[T any] struct {
	limit int64

	mutex   sync.Mutex
	entries map[string]*entry[T]
	cost    int64
	tick    int64
}

type entry[T any] struct {
	done  chan struct{}
	value T
	err   error
	cost  int64
	used  int64
}

// get gives what is remembered under a name, or makes it.
func (r *remembered[T]) get(ctx context.Context, name string, make_ func() (T, int64, error)) (T, error) {
	for {
		r.mutex.Lock()
		if r.entries == nil {
			r.entries = map[string]*entry[T]{}
		}
		r.tick++
		if e, ok := r.entries[name]; ok {
			e.used = r.tick
			r.mutex.Unlock()
			select {
			case <-e.done:
			case <-ctx.Done():
				var none T
				return none, ctx.Err()
			}
			if e.err != nil && errors.Is(e.err, context.Canceled) && ctx.Err() == nil {
				continue // who made it was called off, not we
			}
			return e.value, e.err
		}
		e := &entry[T]{done: make(chan struct{}), used: r.tick}
		r.entries[name] = e
		r.mutex.Unlock()

		func() {
			defer func() {
				if cause := recover(); cause != nil {
					e.err = fmt.Errorf("panic: %v", cause)
					r.finish(name, e)
					panic(cause)
				}
			}()
			e.value, e.cost, e.err = make_()
		}()
		r.finish(name, e)
		return e.value, e.err
	}
}

func (r *remembered[T]) finish(name string, e *entry[T]) {
	r.mutex.Lock()
	defer r.mutex.Unlock()
	if e.err != nil {
		delete(r.entries, name)
	} else {
		r.cost += e.cost
		for r.cost > r.limit && len(r.entries) > 1 {
			oldest := ""
			for other, o := range r.entries {
				select {
				case <-o.done:
				default:
					continue // still being made
				}
				if oldest == "" || o.used < r.entries[oldest].used {
					oldest = other
				}
			}
			if oldest == "" {
				break
			}
			r.cost -= r.entries[oldest].cost
			delete(r.entries, oldest)
		}
	}
	close(e.done)
}

// sitesWithin lists the sites of a programme that lie in a box; all without a box.
func sitesWithin(p *programme.Programme, south, west, north, east float64) []string {
	var ids []string
	for k := range p.Sites {
		site := &p.Sites[k]
		if site.LatitudeDeg >= south && site.LatitudeDeg <= north && site.LongitudeDeg >= west && site.LongitudeDeg <= east {
			ids = append(ids, site.ID)
		}
	}
	return ids
}

// cropName is where the crop of an object lies in the bus's object store.
func cropName(programmeID, kind, objectID, digest string) string {
	return strings.Join([]string{programmeID, kind, objectID, digest[:12]}, "/")
}

func sortedKeys[V any](m map[string]V) []string {
	var keys []string
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
