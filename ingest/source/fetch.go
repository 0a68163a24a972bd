package source

import (
	"bytes"
	"compress/gzip"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"

	"rimeline/ingest"
	"rimeline/ingest/feed"
)

// Fetched is an object as decoders take it.
type Fetched struct {
	// Files to decode. A model hour is one, the wanted GRIB messages one after
	// the other; a volume in pieces is one each, in order; a file that is stored
	// as .gz is given unfolded.
	Files []File
	// Stored is what was read at the store, for the record: of a model hour its
	// files, of which parts were read.
	Stored []Stored
	// Missing names wanted quantities that a model file does not have, those of
	// pressure levels if they are on none.
	Missing []string
	// FromCache tells that nothing was transferred.
	FromCache bool
}

// File is one file to decode.
type File struct {
	Name  string // base name, without .gz
	URL   string
	Bytes []byte
	// SHA256 of what was stored, before unfolding; of a model hour, of Bytes.
	SHA256       string
	ETag         string
	LastModified time.Time
}

// Stored is what was read of one file at the store.
type Stored struct {
	URL          string
	Bytes        int64
	SHA256       string
	ETag         string
	LastModified time.Time
}

// Limits of what is fetched.
const (
	maxIndexBytes  = 4 << 20   // GFS: 50 kB
	maxModelBytes  = 1 << 30   // an hour of HRRR: some 150 MB
	maxPieceBytes  = 64 << 20  // volumes up to 20 MB, pieces 0.5 MB
	maxSceneBytes  = 256 << 20 // a full disk of temperature: 30 MB
	maxSoundBytes  = 64 << 20
	maxUnfolded    = 256 << 20
	joinGapBytes   = 64 << 10
	fetchesAtOnce  = 8
	changeAttempts = 3
)

// Fetch brings an object. Of a model hour only the messages that the source's
// Quantities name are read, by byte ranges of the index; an index that does not
// fit its file (replaced between the two requests) is read again, up to three
// times. An object whose content is another one by now gives ErrReplaced. A page
// that has its Answer is not asked again; without it, as after a journey as JSON,
// it is, and may give what is newer than the object says.
func Fetch(ctx context.Context, f Fetcher, o Object, n Need) (Fetched, error) {
	if len(o.Answer) > 0 {
		return answered(o), nil // whatever the need says: it was asked already
	}
	s, err := n.resolved()
	if err != nil {
		return Fetched{}, err
	}
	if o.Source != s.Name || len(o.Parts) == 0 {
		return Fetched{}, fmt.Errorf("object %s of source %q with %d parts was asked of source %s", o.ID, o.Source, len(o.Parts), s.Name)
	}
	if s.Layout == LayoutRuns {
		return fetchHour(ctx, f, o, s)
	}
	limit := int64(maxPieceBytes)
	switch s.Layout {
	case LayoutBulletins:
		limit = maxBulletinBytes
	case LayoutPage:
		limit = maxPageBytes
		for _, part := range o.Parts {
			if strings.HasPrefix(part.URL, localScheme) {
				return Fetched{}, fmt.Errorf("object %s is a local file, whose bytes did not come along", o.ID)
			}
		}
	case LayoutCollection, LayoutFiles:
		limit = maxSoundBytes
	case LayoutTimes:
		if s.Kind == KindSatellite {
			limit = maxSceneBytes
		}
	}
	out := Fetched{Files: make([]File, len(o.Parts)), Stored: make([]Stored, len(o.Parts)), FromCache: true}
	cached := make([]bool, len(o.Parts))
	group, groupCtx := errgroup.WithContext(ctx)
	group.SetLimit(fetchesAtOnce)
	for k, part := range o.Parts {
		group.Go(func() error {
			got, err := f.Get(groupCtx, part.URL, feed.GetOptions{MaxBytes: limit})
			if err != nil {
				return err
			}
			cached[k] = got.FromCache
			out.Stored[k] = stored(got)
			out.Files[k], err = file(got)
			return err
		})
	}
	if err := group.Wait(); err != nil {
		return Fetched{}, err
	}
	out.FromCache = !slices.Contains(cached, false)
	if s.Layout == LayoutBulletins {
		for _, file := range out.Files {
			if at, ok := bulletinTime(file.Bytes, o.ReferenceTime.Add(12*time.Hour)); !ok || !at.Equal(o.ReferenceTime) {
				return Fetched{}, fmt.Errorf("%s: the bulletin of %s: %w", file.URL, o.ReferenceTime.Format(time.RFC3339), ErrReplaced)
			}
		}
	}
	return out, nil
}

// answered gives what was there when the object was announced.
func answered(o Object) Fetched {
	out := Fetched{Files: o.Answer}
	for _, f := range o.Answer {
		out.Stored = append(out.Stored, Stored{URL: f.URL, Bytes: int64(len(f.Bytes)), SHA256: f.SHA256, ETag: f.ETag, LastModified: f.LastModified})
	}
	return out
}

func stored(o feed.Object) Stored {
	return Stored{URL: o.URL, Bytes: int64(len(o.Bytes)), SHA256: o.SHA256, ETag: o.ETag, LastModified: o.LastModified}
}

// file unfolds what is stored as .gz, and leaves the rest as it is.
func file(o feed.Object) (File, error) {
	out := File{Name: baseName(o.URL), URL: o.URL, Bytes: o.Bytes, SHA256: o.SHA256, ETag: o.ETag, LastModified: o.LastModified}
	unfolded, isGzip := strings.CutSuffix(out.Name, ".gz")
	if !isGzip {
		return out, nil
	}
	out.Name = unfolded
	var err error
	out.Bytes, err = gunzip(baseName(o.URL), o.Bytes, maxUnfolded)
	return out, err
}

// gunzip unfolds bytes of any number of gzip members (RFC 1952).
func gunzip(name string, b []byte, limit int64) ([]byte, error) {
	fail := func(offset int64, detail string, err error) ([]byte, error) {
		return nil, &ingest.FormatError{File: name, Offset: offset, Detail: detail, Err: err}
	}
	r, err := gzip.NewReader(bytes.NewReader(b))
	if err != nil {
		if errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF) {
			return fail(0, "gzip ends early", ingest.ErrTruncated)
		}
		return fail(0, "gzip: "+err.Error(), ingest.ErrCorrupt)
	}
	var out bytes.Buffer
	n, err := io.Copy(&out, io.LimitReader(r, limit+1))
	switch {
	case n > limit:
		return fail(n, fmt.Sprintf("gzip unfolds to more than %d bytes", limit), ingest.ErrCorrupt)
	case errors.Is(err, io.ErrUnexpectedEOF):
		return fail(n, "gzip ends early", ingest.ErrTruncated)
	case err != nil:
		return fail(n, "gzip: "+err.Error(), ingest.ErrCorrupt)
	}
	return out.Bytes(), nil
}

// baseName is the last piece of a URL's path.
func baseName(url string) string {
	url, _, _ = strings.Cut(url, "?")
	return path.Base(url)
}

// fetchHour brings the wanted messages of a model hour.
func fetchHour(ctx context.Context, f Fetcher, o Object, s Source) (Fetched, error) {
	out := Fetched{FromCache: true}
	var messages []byte
	got := map[string]bool{}
	for _, part := range o.Parts {
		object, err := fetchMessages(ctx, f, o, part, s.Quantities, got)
		if err != nil {
			return Fetched{}, err
		}
		out.FromCache = out.FromCache && object.FromCache
		out.Stored = append(out.Stored, stored(object))
		if messages == nil {
			messages = slices.Clip(object.Bytes) // shared: appending copies
		} else {
			messages = append(messages, object.Bytes...)
		}
	}
	for _, names := range slices.Concat(s.Quantities.Isobaric, s.Quantities.Single) {
		if !slices.ContainsFunc(names, func(name string) bool { return got[name] }) {
			out.Missing = append(out.Missing, names[0])
		}
	}
	first := out.Stored[0]
	digest := first.SHA256
	if len(out.Stored) > 1 {
		digest = hexDigest(messages)
	}
	out.Files = []File{{
		Name: baseName(first.URL), URL: first.URL, Bytes: messages, SHA256: digest,
		ETag: first.ETag, LastModified: first.LastModified,
	}}
	return out, nil
}

// fetchMessages reads index and messages of one file until they fit.
func fetchMessages(ctx context.Context, f Fetcher, o Object, part Part, q Quantities, got map[string]bool) (feed.Object, error) {
	var last error
	for attempt := range changeAttempts {
		index, err := f.Get(ctx, part.IndexURL, feed.GetOptions{MaxBytes: maxIndexBytes, NoCache: attempt > 0})
		if err != nil {
			return feed.Object{}, err
		}
		ranges, names, err := wantedRanges(baseName(part.IndexURL), index.Bytes, o, q)
		if err != nil {
			return feed.Object{}, err
		}
		object, err := f.GetRanges(ctx, part.URL, ranges, feed.GetOptions{MaxBytes: maxModelBytes, JoinGap: joinGapBytes})
		if err == nil {
			err = feed.CheckGRIB(baseName(part.URL), object)
		}
		switch {
		case err == nil:
			for _, name := range names {
				got[name] = true
			}
			return object, nil
		case ctx.Err() != nil || !errors.Is(err, feed.ErrChanged) && !errors.As(err, new(*ingest.FormatError)):
			return feed.Object{}, err
		}
		last = err
	}
	return feed.Object{}, last
}

// wantedRanges reads an index, makes sure that it is that of the object, and
// gives the bytes of the wanted messages and the names of what they hold.
func wantedRanges(file string, b []byte, o Object, q Quantities) ([]feed.Range, []string, error) {
	index, err := feed.ParseIndex(file, b)
	if err != nil {
		return nil, nil, err
	}
	ahead := o.ValidTime.Sub(o.ReferenceTime)
	for _, e := range index {
		if !e.Reference.Equal(o.ReferenceTime) {
			return nil, nil, &ingest.FormatError{File: file, Message: e.Number, Err: ingest.ErrCorrupt,
				Detail: fmt.Sprintf("is of the run of %s, not of %s", e.Reference.Format(time.RFC3339), o.ReferenceTime.Format(time.RFC3339))}
		}
	}
	wanted := q.wanted(index, ahead)
	if len(wanted) == 0 {
		return nil, nil, &ingest.FormatError{File: file, Err: ingest.ErrUnsupported,
			Detail: fmt.Sprintf("none of %d fields is wanted at %v ahead", len(index), ahead)}
	}
	ranges := index.Ranges(func(e feed.IndexEntry) bool { return wanted[place(e)] != "" })
	var names []string
	for _, name := range wanted {
		names = append(names, name)
	}
	slices.Sort(names)
	return ranges, slices.Compact(names), nil
}

// place is the number of a field in an index.
func place(e feed.IndexEntry) [2]int { return [2]int{e.Number, e.Sub} }

// wanted gives the fields of an index that the quantities name, so far ahead,
// with the names by which they were found.
func (q Quantities) wanted(index feed.Index, ahead time.Duration) map[[2]int]string {
	isWanted := func(e feed.IndexEntry) bool {
		at, ok := lead(e.Forecast)
		return ok && at == ahead && e.Rest == ""
	}
	have := map[string]bool{} // name:level
	for _, e := range index {
		have[e.Variable+":"+e.Level] = have[e.Variable+":"+e.Level] || isWanted(e)
	}
	found := map[[2]int]string{}
	for _, e := range index {
		if !isWanted(e) {
			continue
		}
		name := e.Variable + ":" + e.Level
		if slices.Contains(q.Optional, name) || isFirst(q.Single, name, have, "") {
			found[place(e)] = name
		}
		if hPa, ok := isobar(e.Level); ok && hPa >= q.TopHPa && hPa <= q.BottomHPa && isFirst(q.Isobaric, e.Variable, have, ":"+e.Level) {
			found[place(e)] = e.Variable
		}
	}
	return found
}

// isFirst tells whether a name is the first in one of the lists that is there
// with that ending.
func isFirst(lists [][]string, name string, have map[string]bool, ending string) bool {
	for _, list := range lists {
		first := slices.IndexFunc(list, func(one string) bool { return have[one+ending] })
		if first >= 0 && list[first] == name {
			return true
		}
	}
	return false
}

// isobar reads a level such as "850 mb"; layers and heights are none.
func isobar(level string) (hPa float64, ok bool) {
	number, ok := strings.CutSuffix(level, " mb")
	if !ok {
		return 0, false
	}
	hPa, err := strconv.ParseFloat(number, 64)
	return hPa, err == nil && hPa > 0
}

// lead reads how far ahead a field is: "anl", "3 hour fcst"; means, maxima and
// sums have none.
func lead(forecast string) (time.Duration, bool) {
	if forecast == "anl" {
		return 0, true
	}
	words := strings.Fields(forecast)
	if len(words) != 3 || words[2] != "fcst" {
		return 0, false
	}
	n, err := strconv.Atoi(words[0])
	if err != nil || n < 0 || n > 10000 {
		return 0, false
	}
	switch words[1] {
	case "hour":
		return time.Duration(n) * time.Hour, true
	case "min":
		return time.Duration(n) * time.Minute, true
	}
	return 0, false
}
