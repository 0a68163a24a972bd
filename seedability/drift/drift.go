// Package drift follows agent from a site through the air to where the ice
// that it makes falls: a Lagrangian ensemble of particles.
//
// A particle is first a parcel of air. It rises a little with the heat of its
// burner (Briggs 1969, stable rise), is carried by the wind of the model and
// mixed by turbulence that stability damps. At the first point that is colder
// than its activation temperature and holds supercooled liquid it is
// activated; after a nucleation delay an ice crystal grows, ever faster
// falling, and at last falls at its terminal velocity until it meets the
// ground. Each particle ends with a fate, and fates sum to the members.
//
// Members differ in the moment of release, in the error of the wind that they
// are given, in activation temperature, growth time and fall speed. All of it
// is drawn from a fixed seed, one stream of random numbers a member: the same
// inputs give the same bytes, on any number of cores.
//
// The scheme of motion is Petterssen's (1940), two iterations, second order in
// the time step; Runge and Kutta's of fourth order on request. Turbulence is a
// velocity with a memory in the horizontal (Taylor 1921) and a well-mixed
// random displacement in the vertical; see turbulence.go for how its numbers
// follow from Briggs (1973) and from tracer plumes over mountains.
//
// Not counted: the loss of agent that meets the ground before it is ice,
// its ageing, aggregation and riming (only as the choice of fall speed), and
// any effect of the particles on the air.
package drift

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"sync"
	"sync/atomic"
	"time"

	"rimeline/grid"
)

// Flow is all that a particle asks of the atmosphere. Altitudes are above the
// geoid; each reports false outside the domain.
//
// A Flow that can also give a fast reader (Tracer, as grid.Atmosphere does) is
// read by that.
type Flow interface {
	WindAt(p grid.Position, at time.Time) (grid.Wind, bool)
	StateAt(p grid.Position, at time.Time) (grid.State, bool)
	TerrainAltitudeM(p grid.LatLon) (float64, bool)
}

// Release is agent let go at one site.
type Release struct {
	// Site names it in results; it changes nothing.
	Site  string
	Place grid.LatLon
	// HeightAboveGroundM of the flare or the generator's mouth.
	HeightAboveGroundM float64
	// AltitudeM of the site's ground, 0 or NaN where not known. A site above
	// the model's smoothed terrain is released at its own altitude, one below
	// it at the model's ground.
	AltitudeM float64
	Start     time.Time
	// Burn is how long agent is released; members leave evenly over it.
	Burn time.Duration
	// HeatReleaseW of the burner, for the plume's rise.
	HeatReleaseW float64
}

// ErrNoRelease: the site is outside the atmosphere in space or time.
var ErrNoRelease = errors.New("release outside the atmosphere")

// Run follows the members of one release.
func Run(ctx context.Context, flow Flow, release Release, options Options) (Ensemble, error) {
	ensembles, err := RunAll(ctx, flow, []Release{release}, options)
	if err != nil {
		return Ensemble{}, err
	}
	return ensembles[0], nil
}

// RunAll follows the members of many releases through one atmosphere, on all
// cores. The results are those of Run for each. A release outside the
// atmosphere is an error that wraps ErrNoRelease and names the site; a
// cancelled context ends the work early with its error.
func RunAll(ctx context.Context, flow Flow, releases []Release, options Options) ([]Ensemble, error) {
	if err := options.check(); err != nil {
		return nil, err
	}
	options.Turbulence.prepare()
	jobs := make([]job, len(releases))
	for k, release := range releases {
		medium := newMedium(flow, release.Place)
		if err := jobs[k].open(medium, release, &options); err != nil {
			return nil, err
		}
	}

	// A task is some members of one release: whole releases where there are
	// many, pieces where there are few. Results do not depend on the cut.
	workers := options.Workers
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	pieces := 1
	if len(jobs) < 4*workers {
		pieces = min(4*workers, options.Members)
	}
	tasks := len(jobs) * pieces
	var next atomic.Int64
	var group sync.WaitGroup
	for range min(workers, max(tasks, 1)) {
		group.Go(func() {
			w := newWorker(&options, groupSize)
			for n := int(next.Add(1)) - 1; n < tasks; n = int(next.Add(1)) - 1 {
				j, piece := &jobs[n/pieces], n%pieces
				j.once.Do(j.allocate)
				first, last := piece*options.Members/pieces, (piece+1)*options.Members/pieces
				w.follow(ctx, j, first, last)
				if ctx.Err() != nil {
					return
				}
				if int(j.done.Add(1)) == pieces {
					j.close()
				}
			}
		})
	}
	group.Wait()
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("drift: %w", context.Cause(ctx))
	}
	ensembles := make([]Ensemble, len(jobs))
	for k := range jobs {
		ensembles[k] = jobs[k].ensemble
	}
	return ensembles, nil
}

// job is one release on its way.
type job struct {
	medium  medium
	release Release
	options *Options
	metric  grid.Metric
	x, y    float64
	start   float64 // seconds in the medium's time
	stepS   float64

	once     sync.Once
	done     atomic.Int64
	records  int
	tracks   []trackSample // members x records
	pooled   *[]trackSample
	lengths  []int // records of each member
	ensemble Ensemble
}

func (j *job) open(m medium, release Release, options *Options) error {
	j.medium, j.release, j.options, j.stepS = m, release, options, options.Step.Seconds()
	name := release.Site
	if name == "" {
		name = fmt.Sprintf("%.4f, %.4f", release.Place.LatitudeDeg, release.Place.LongitudeDeg)
	}
	if release.Burn < 0 || !(release.HeightAboveGroundM >= 0) || !(release.HeatReleaseW >= 0) {
		return fmt.Errorf("drift: site %s: burn time, height and heat must not be negative", name)
	}
	var ok bool
	if j.x, j.y, ok = m.plane(release.Place); !ok {
		return fmt.Errorf("drift: site %s: %w: its place is not in the box", name, ErrNoRelease)
	}
	j.start = release.Start.Sub(m.origin).Seconds()
	if end := j.start + release.Burn.Seconds(); !(j.start >= m.first && end <= m.last) {
		return fmt.Errorf("drift: site %s: %w: released %s for %s, while the atmosphere is given from %s to %s", name, ErrNoRelease,
			release.Start.UTC().Format(time.RFC3339), release.Burn,
			m.time(m.first).Format(time.RFC3339), m.time(m.last).Format(time.RFC3339))
	}
	j.metric = m.metric(j.x, j.y)
	if _, ok := m.newAir().TerrainAltitudeM(j.x, j.y); !ok {
		return fmt.Errorf("drift: site %s: %w: no values there", name, ErrNoRelease)
	}
	return nil
}

func (j *job) allocate() {
	n := j.options.Members
	j.records = int(j.options.MaxDuration/j.options.Step) + 1
	j.pooled, _ = trackPool.Get().(*[]trackSample)
	if j.pooled == nil || len(*j.pooled) < n*j.records {
		tracks := make([]trackSample, n*j.records)
		j.pooled = &tracks
	}
	j.tracks = *j.pooled
	j.lengths = make([]int, n)
	j.ensemble = Ensemble{Release: j.release, Seed: j.options.Seed, Members: make([]Member, n)}
}

// close makes statistics of the tracks, in the order of the members, and lets
// the tracks go.
func (j *job) close() {
	j.ensemble.Track = j.meanTrack()
	trackPool.Put(j.pooled)
	j.tracks, j.pooled, j.lengths = nil, nil, nil
}

// trackPool keeps the tracks of one release for the next.
var trackPool sync.Pool
