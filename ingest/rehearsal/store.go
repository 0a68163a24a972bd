package rehearsal

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"net/http"
	"slices"
	"strings"
	"time"
)

// StoreOptions of a Store. Zero values take the default given.
type StoreOptions struct {
	// Scenario is needed.
	Scenario *Scenario
	// Now is the rehearsal's clock; default time.Now.
	Now func() time.Time
	// Points and SpacingM of the model's square grid; default 61 and 3000 m.
	Points   int
	SpacingM float64
	// RadiusM is how far mosaics and satellite look around the middle of the
	// domain; default 110 km.
	RadiusM float64
	// MaxBytes of what is kept after it was made; default 256 MB.
	MaxBytes int64
}

// Store is an http.Handler that publishes what the public stores would while the
// scenario's storm goes by: buckets with S3's interface for models, radars,
// mosaics and satellites, directories for soundings, pages for gauges, warnings and
// the programme's sites. Each object appears on the rehearsal's clock when the real
// one would, and is made when it is first asked for, always of the same bytes.
// During the outage every answer is 503.
//
// The schedule of buckets and directories ends an hour after the scenario; pages go
// on.
type Store struct {
	scenario  *Scenario
	now       func() time.Time
	model     modelGrid
	radar     *scanner
	mosaic    mosaicGrid
	satellite satelliteView
	vault     *vault
	shelves   map[string]*shelf
}

// NewStore prepares a Store, which listens nowhere by itself.
func NewStore(o StoreOptions) (*Store, error) {
	if o.Scenario == nil {
		return nil, errors.New("a store needs a scenario")
	}
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Points == 0 {
		o.Points = 61
	}
	if o.SpacingM == 0 {
		o.SpacingM = 3000
	}
	if o.RadiusM == 0 {
		o.RadiusM = 110e3
	}
	if o.MaxBytes == 0 {
		o.MaxBytes = 256 << 20
	}
	if o.Points < 2 || o.Points > 2000 || !(o.SpacingM > 0) || !(o.RadiusM > 0) || o.RadiusM > 300e3 {
		return nil, fmt.Errorf("a model of %d points every %g m, a radius of %g m: not to be had", o.Points, o.SpacingM, o.RadiusM)
	}
	plane := PlaneOf(o.Scenario)
	s := &Store{scenario: o.Scenario, now: o.Now, vault: newVault(o.MaxBytes),
		model: newModelGrid(plane, o.Points, o.SpacingM), radar: newScanner(o.Scenario, o.Scenario.Radar()), mosaic: newMosaicGrid(plane, o.RadiusM)}
	var err error
	if s.satellite, err = newSatelliteView(plane, o.RadiusM); err != nil {
		return nil, err
	}
	s.shelves = s.schedule()
	return s, nil
}

// BaseURLs are where each source is found when the Store is served at a root
// such as http://127.0.0.1:8080.
func (s *Store) BaseURLs(root string) map[string]string {
	root = strings.TrimRight(root, "/")
	urls := map[string]string{}
	for name, bucket := range sourceBuckets {
		urls[name] = root + "/" + bucket
	}
	for name, host := range pageHosts {
		urls[name] = root + "/" + host
	}
	return urls
}

var sourceBuckets = map[string]string{
	"hrrr": bucketHRRR, "nexrad": bucketNEXRAD, "nexrad-chunks": bucketChunks, "mrms": bucketMRMS, "goes-west": bucketGOES,
	"temp-gateway": gatewayTEMP, "bufr-gateway": gatewayBUFR,
}

// Published is one object of the schedule.
type Published struct {
	Source string // as in BaseURLs
	Key    string // below the base URL
	At     time.Time
}

// Schedule lists what appears from a time up to, not including, another, in the
// order in which it appears. A sounding's bulletin is listed once for each time
// it is overwritten, and so are the pages of gauges, warnings and sites.
func (s *Store) Schedule(from, to time.Time) []Published {
	var all []Published
	for name, bucket := range sourceBuckets {
		shelf, prefix := s.shelves[bucket], ""
		if shelf == nil {
			shelf, prefix = s.shelves[""], bucket+"/"
		}
		for _, o := range shelf.objects {
			key, ok := strings.CutPrefix(o.key, prefix)
			if bulletin := strings.HasPrefix(o.key, gatewayBUFR); ok && bulletin == (name == "bufr-gateway") && !o.published.Before(from) && o.published.Before(to) {
				all = append(all, Published{name, key, o.published})
			}
		}
	}
	for name, key := range s.pageKeys() {
		for _, at := range s.pageSchedule(name, from, to) {
			all = append(all, Published{name, key, at})
		}
	}
	slices.SortFunc(all, func(a, b Published) int {
		return cmp.Or(a.At.Compare(b.At), cmp.Compare(a.Source, b.Source), cmp.Compare(a.Key, b.Key))
	})
	return all
}

// Prepare makes objects ahead of their publication, by so much of the
// rehearsal's time, until the context ends, so that whoever asks for them does
// not wait. It uses one core and rests when there is nothing to do.
func (s *Store) Prepare(ctx context.Context, ahead time.Duration) {
	var all []object
	for _, shelf := range s.shelves {
		all = append(all, shelf.objects...)
	}
	slices.SortStableFunc(all, func(a, b object) int {
		return cmp.Or(a.published.Compare(b.published), cmp.Compare(a.key, b.key))
	})
	// What is long published is made when somebody asks.
	past := s.now().Add(-ahead)
	next, _ := slices.BinarySearchFunc(all, past, func(o object, at time.Time) int { return o.published.Compare(at) })
	rest := time.NewTicker(100 * time.Millisecond)
	defer rest.Stop()
	for next < len(all) {
		if all[next].published.After(s.now().Add(ahead)) {
			select {
			case <-ctx.Done():
				return
			case <-rest.C:
			}
			continue
		}
		if ctx.Err() != nil {
			return
		}
		if b := all[next].batch; !s.vault.made(b) {
			_, _ = s.vault.get(b) // whoever asks for it sees the error
		}
		next++
	}
}

// etag names a version; it is no digest of the bytes, as those of objects
// uploaded in parts are not.
func (s *Store) etag(bucket string, o object) string {
	sum := sha256.Sum256(fmt.Appendf(nil, "%d %s %d %gx%d %s/%s %s", s.scenario.seed, s.scenario.start.Format(time.RFC3339), len(hrrrMessages),
		s.model.spacingM, s.model.n, bucket, o.key, o.published.Format(time.RFC3339Nano)))
	return `"` + hex.EncodeToString(sum[:16]) + `-1"`
}

func (s *Store) length(o object) (int64, error) {
	if o.bytes >= 0 {
		return o.bytes, nil
	}
	return s.vault.length(o.batch, o.part)
}

// ServeHTTP answers GET and HEAD.
func (s *Store) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	now := s.now().UTC()
	w.Header().Set("Date", now.Format(http.TimeFormat))
	bucket, key, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	isPage := slices.Contains([]string{hostUSGS, hostNWPS, hostWarnings, hostTable, hostCrew}, bucket)
	from, to := s.scenario.Outage()
	away := !now.Before(from) && now.Before(to)
	if isPage && away {
		refusePage(w, r, bucket, http.StatusServiceUnavailable, "the service is not available")
		return
	}
	if away {
		s3Error(w, r, http.StatusServiceUnavailable, "SlowDown", "Please reduce your request rate.")
		return
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		s3Error(w, r, http.StatusForbidden, "AccessDenied", "Access Denied")
		return
	}
	if isPage {
		s.servePage(w, r, bucket, key, now)
		return
	}
	shelf, ok := s.shelves[bucket]
	if bucket == "" || !ok {
		s.serveDirectory(w, r, now)
		return
	}
	if key == "" {
		s.serveBucket(w, r, bucket, shelf, now)
		return
	}
	o, ok := shelf.find(key, now)
	if !ok {
		s3Error(w, r, http.StatusNotFound, "NoSuchKey", "The specified key does not exist.")
		return
	}
	w.Header().Set("Content-Type", "binary/octet-stream")
	s.serveObject(w, r, o)
}

// serveObject leaves ranges and conditions to net/http.
func (s *Store) serveObject(w http.ResponseWriter, r *http.Request, o object) {
	length, err := s.length(o)
	if err != nil {
		s3Error(w, r, http.StatusInternalServerError, "InternalError", err.Error())
		return
	}
	w.Header().Set("ETag", o.etag)
	w.Header().Set("Accept-Ranges", "bytes")
	http.ServeContent(w, r, "", o.published, &content{store: s, object: o, length: length})
}

// content is an object that is made when its first byte is read.
type content struct {
	store  *Store
	object object
	length int64
	at     int64
	b      []byte
}

func (c *content) Seek(offset int64, whence int) (int64, error) {
	switch whence {
	case io.SeekCurrent:
		offset += c.at
	case io.SeekEnd:
		offset += c.length
	}
	if offset < 0 {
		return 0, errors.New("before the first byte")
	}
	c.at = offset
	return offset, nil
}

func (c *content) Read(p []byte) (int, error) {
	if c.b == nil {
		parts, err := c.store.vault.get(c.object.batch)
		if err != nil {
			return 0, err
		}
		c.b = parts[c.object.part]
	}
	if c.at >= int64(len(c.b)) {
		return 0, io.EOF
	}
	n := copy(p, c.b[c.at:])
	c.at += int64(n)
	return n, nil
}
