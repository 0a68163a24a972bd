// Package source holds the public stores that the program reads, as plain data,
// and finds out when each of them has something new.
//
// A store is a Source: where it is, how its keys are built (Templates), how
// often and how late its objects appear. A Need says which part of it somebody
// wants. A Poller, made of the two, lists what has appeared since it last
// looked, and says when looking again is worth it. Fetch then brings one such
// Object as bytes. Nothing here decodes data.
//
// Objects are announced when they are whole: a model hour when file and index
// are both there, a radar volume when its last piece is, a sounding when its
// mandatory and significant levels are. What does not become whole is announced
// after a while as it is, with Complete false.
//
// Layouts follow the stores' public listings as other open programs use them;
// where none could be seen the table says "from memory".
package source

import (
	"context"
	"errors"
	"slices"
	"time"

	"rimeline/ingest/feed"
)

// Fetcher is all that this package asks of the network. feed.Client is one.
type Fetcher interface {
	// Get fetches a whole object.
	Get(ctx context.Context, url string, o feed.GetOptions) (feed.Object, error)
	// GetRanges fetches parts of an object, in order.
	GetRanges(ctx context.Context, url string, ranges []feed.Range, o feed.GetOptions) (feed.Object, error)
	// Head asks for size and validators.
	Head(ctx context.Context, url string) (feed.Head, error)
	// ListS3 lists a bucket by ListObjectsV2.
	ListS3(ctx context.Context, bucketURL string, q feed.ListQuery) (feed.Listing, error)
	// ListDirectory reads a web server's directory page.
	ListDirectory(ctx context.Context, url string) (feed.Listing, error)
}

// Kind is what a source gives.
const (
	KindModel     = "model"
	KindSounding  = "sounding"
	KindRadar     = "radar"
	KindMosaic    = "mosaic"
	KindSatellite = "satellite"
	// KindGauge: readings of rivers, reservoirs and snow stations.
	KindGauge = "gauge"
	// KindWarnings: lists of public warnings.
	KindWarnings = "warnings"
	// KindAvalanche: avalanche danger by zone.
	KindAvalanche = "avalanche"
	// KindTelemetry: what the programme's own sites say of themselves.
	KindTelemetry = "telemetry"
)

// Layout is how a store is laid out, which decides how it is polled.
type Layout string

// The layouts.
const (
	// LayoutRuns: the hours of a model run below one prefix.
	LayoutRuns Layout = "runs"
	// LayoutTimes: files named by time below a prefix of a day or an hour.
	LayoutTimes Layout = "times"
	// LayoutChunks: pieces of radar volumes below numbers that wrap.
	LayoutChunks Layout = "chunks"
	// LayoutBulletins: text files of a directory, each overwritten in place.
	LayoutBulletins Layout = "bulletins"
	// LayoutCollection: binary files of a directory, named by a number that
	// wraps, or by station and time.
	LayoutCollection Layout = "collection"
	// LayoutFiles: one growing file a station.
	LayoutFiles Layout = "files"
	// LayoutPage: one address that always gives what holds now, see pageLook.
	LayoutPage Layout = "page"
)

// Listing is how the content of a store is listed.
const (
	ListingS3        = "s3"        // ListObjectsV2
	ListingDirectory = "directory" // a page with links
)

// Run is one part of a model's schedule.
type Run struct {
	// Hours of the day, UTC, at which such runs start.
	Hours []int
	// Steps are the forecast hours: from the last one's end to To, every Every.
	Steps []Step
}

// Step is a stretch of forecast hours, both in hours.
type Step struct{ To, Every int }

// ForecastHours are the hours that the run gives, 0 first.
func (r Run) ForecastHours() []int {
	hours := []int{0}
	for _, s := range r.Steps {
		for h := hours[len(hours)-1] + s.Every; s.Every > 0 && h <= s.To; h += s.Every {
			hours = append(hours, h)
		}
	}
	return hours
}

// Source is one public store. All of it is plain data.
type Source struct {
	// Name is what programme files and commands call it.
	Name string
	Kind string // KindModel, ...
	// Title, Gives (one sentence), Provider and Attribution are for people.
	Title, Gives, Provider, Attribution string
	// Note is what people should know before they rely on it, or empty.
	Note string
	// BaseURL is empty where the Need must say where the page is.
	BaseURL string
	Layout  Layout
	// Listing is ListingS3 or ListingDirectory.
	Listing string
	// Templates of keys below BaseURL, see Expand. "file" is the object itself,
	// "index" what is put behind a key to get its GRIB index; "page" and, where
	// areas are asked for instead of zones, "areas" are the addresses of a page.
	Templates map[string]string
	// Cadence is the usual time between objects, Latency from an object's
	// reference time to its publication.
	Cadence, Latency time.Duration
	// Pace is the shortest time between two looks, Patience the longest; a page is
	// asked every Pace.
	Pace, Patience time.Duration
	// LookBack is how far the first look goes back unless the Need says more.
	LookBack time.Duration
	// Runs is the schedule of a model, else empty.
	Runs []Run
	// ForecastHours is how far ahead of a run is taken where the Need is silent.
	ForecastHours int
	// Quantities and Levels of a model that the program uses.
	Quantities Quantities
	// Stations tells whether a Need must name some; StationForm says how.
	Stations    bool
	StationForm string
	// StationPattern is what a station of a page matches, empty for letters and
	// digits alone.
	StationPattern string
	// Pages tells whether a page may name another on which it goes on.
	Pages bool
	// Zones tells whether a Need must name zones or areas; ZoneForm says how.
	Zones    bool
	ZoneForm string
	// Products that can be asked for are free; these are taken without a wish.
	Products []string
	// ProbeStation is used by Probe, for sources with stations; an area for those
	// with zones.
	ProbeStation string
}

// Quantities are the messages of a model file that are wanted, by the short
// names of its index.
type Quantities struct {
	// Isobaric: on pressure levels from TopHPa to BottomHPa. Of each inner list
	// the first name that the file has on that level is taken.
	Isobaric          [][]string
	TopHPa, BottomHPa float64
	// Single are fields of one level, as name and level of the index
	// ("HGT:surface"), again the first that the file has of each inner list.
	Single [][]string
	// Optional are such fields that not every file has.
	Optional []string
}

// All gives every source, in the order in which they are shown.
func All() []Source {
	all := make([]Source, len(sources))
	for k, s := range sources {
		all[k] = s.clone()
	}
	return all
}

// Find gives the source of a name.
func Find(name string) (Source, bool) {
	for _, s := range sources {
		if s.Name == name {
			return s.clone(), true
		}
	}
	return Source{}, false
}

// Names of all sources.
func Names() []string {
	names := make([]string, len(sources))
	for k, s := range sources {
		names[k] = s.Name
	}
	return names
}

// clone makes a copy that shares nothing that could be changed.
func (s Source) clone() Source {
	templates := make(map[string]string, len(s.Templates))
	for k, v := range s.Templates {
		templates[k] = v
	}
	s.Templates = templates
	runs := make([]Run, len(s.Runs))
	for k, r := range s.Runs {
		runs[k] = Run{Hours: slices.Clone(r.Hours), Steps: slices.Clone(r.Steps)}
	}
	s.Runs = runs
	s.Quantities.Isobaric = cloneLists(s.Quantities.Isobaric)
	s.Quantities.Single = cloneLists(s.Quantities.Single)
	s.Quantities.Optional = slices.Clone(s.Quantities.Optional)
	s.Products = slices.Clone(s.Products)
	return s
}

func cloneLists(lists [][]string) [][]string {
	out := make([][]string, len(lists))
	for k, list := range lists {
		out[k] = slices.Clone(list)
	}
	return out
}

// run gives the part of the schedule of an hour of the day, false where no run
// starts then.
func (s Source) run(hour int) (Run, bool) {
	for _, r := range s.Runs {
		if slices.Contains(r.Hours, hour) {
			return r, true
		}
	}
	return Run{}, false
}

// longestHours is the last forecast hour of the longest run.
func (s Source) longestHours() int {
	longest := 0
	for _, r := range s.Runs {
		hours := r.ForecastHours()
		longest = max(longest, hours[len(hours)-1])
	}
	return longest
}

// runAtOrBefore is the newest scheduled reference time not after a moment.
func (s Source) runAtOrBefore(at time.Time) time.Time {
	at = at.UTC().Truncate(time.Hour)
	for range 48 {
		if _, ok := s.run(at.Hour()); ok {
			return at
		}
		at = at.Add(-time.Hour)
	}
	return at
}

// runAfter is the first scheduled reference time after a moment.
func (s Source) runAfter(at time.Time) time.Time {
	at = at.UTC().Truncate(time.Hour).Add(time.Hour)
	for range 48 {
		if _, ok := s.run(at.Hour()); ok {
			return at
		}
		at = at.Add(time.Hour)
	}
	return at
}

// Object is one thing of a source: a model hour, a volume, a sounding. It is
// plain data and travels as JSON.
type Object struct {
	Source string `json:"source"`
	Kind   string `json:"kind"`
	// ID names the thing, whatever mirror it comes from:
	// "hrrr/20260121T12Z/f003", "nexrad-chunks/XVAL/20260121T120512Z".
	ID      string `json:"id"`
	Station string `json:"station,omitempty"`
	Product string `json:"product,omitempty"`
	// ReferenceTime is the start of the run, of the volume, of the scan;
	// ValidTime that for which it holds.
	ReferenceTime time.Time `json:"reference_time"`
	ValidTime     time.Time `json:"valid_time"`
	// Published is when its newest part was stored, zero where unknown.
	Published time.Time `json:"published,omitzero"`
	Parts     []Part    `json:"parts"`
	// IndexURL is the index of the first part, empty where there is none.
	IndexURL string `json:"index_url,omitempty"`
	// Complete is false where parts are missing that will hardly come.
	Complete bool `json:"complete"`
	// Answer is what a page or local file gave when it was looked at, a File for
	// each of Parts. It does not travel as JSON.
	Answer []File `json:"-"`
}

// Part is one file of an Object.
type Part struct {
	URL          string    `json:"url"`
	Bytes        int64     `json:"bytes,omitempty"`
	ETag         string    `json:"etag,omitempty"`
	LastModified time.Time `json:"last_modified,omitzero"`
	IndexURL     string    `json:"index_url,omitempty"`
}

// ErrReplaced: a part holds something else now than when the object was
// announced, as when a bulletin was overwritten. The new content is announced
// as an object of its own.
var ErrReplaced = errors.New("replaced by something newer")
