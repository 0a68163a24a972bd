package source

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

// FileReader is a Fetcher that can look at local files too.
type FileReader interface {
	// ReadFile gives the content of a file, which must not have more than limit
	// bytes, and when it was last changed.
	ReadFile(path string, limit int64) (b []byte, modified time.Time, err error)
	// Glob lists the files that a pattern matches, sorted.
	Glob(pattern string) ([]string, error)
}

const maxLocalFiles = 200 // of one need

// localScheme begins the addresses of local files in records; their folder is
// nobody's business.
const localScheme = "file:"

// fileLook follows local files that some other program writes. A file that was
// written again is an Object, also where its content is the same: its time of
// change says up to when it holds. One that nobody touches grows old.
type fileLook struct {
	f        FileReader
	s        Source
	label    string
	patterns []string
	every    time.Duration

	seen               map[string]seenFile
	first, newest, due time.Time
}

type seenFile struct {
	modified time.Time
	sha256   string
}

func (l *fileLook) poll(_ context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first = now
	}
	l.due = now.Add(l.every)
	paths, several, err := l.paths()
	failed := []error{err}
	still := map[string]seenFile{}
	var found []Object
	for _, path := range paths {
		b, modified, err := l.f.ReadFile(path, maxPageBytes)
		if err != nil {
			failed = append(failed, err)
			if before, ok := l.seen[path]; ok {
				still[path] = before
			}
			continue
		}
		is := seenFile{modified.UTC(), hexDigest(b)}
		still[path] = is
		if before, ok := l.seen[path]; ok && before == is {
			continue
		}
		found = append(found, l.object(path, several, b, is, now))
	}
	l.seen = still
	return found, errors.Join(failed...)
}

// paths are the files of all patterns. several tells that there may be more than
// one, so that each must be named.
func (l *fileLook) paths() (paths []string, several bool, err error) {
	var failed []error
	several = len(l.patterns) > 1
	for _, pattern := range l.patterns {
		if !strings.ContainsAny(pattern, `*?[\`) {
			paths = append(paths, pattern)
			continue
		}
		several = true
		matches, err := l.f.Glob(pattern)
		switch {
		case err != nil:
			failed = append(failed, err)
		case len(matches) == 0:
			failed = append(failed, fmt.Errorf("%s: no file matches: %w", pattern, fs.ErrNotExist))
		}
		paths = append(paths, matches...)
	}
	slices.Sort(paths)
	paths = slices.Compact(paths)
	if len(paths) > maxLocalFiles {
		failed = append(failed, fmt.Errorf("source %s: %d files match, the first %d are read", l.s.Name, len(paths), maxLocalFiles))
		paths = paths[:maxLocalFiles]
	}
	return paths, several, errors.Join(failed...)
}

func (l *fileLook) object(path string, several bool, b []byte, is seenFile, now time.Time) Object {
	name := filepath.Base(path)
	at := is.modified
	if at.After(now) {
		at = now.UTC() // its clock is ahead, or ours was set back
	}
	if at.After(l.newest) {
		l.newest = at
	}
	stream, station := l.label, ""
	if stream == "" || several {
		station = plainName(name)
		stream = strings.TrimPrefix(stream+"/"+station, "/")
	}
	if !several {
		station = ""
	}
	return Object{
		Source: l.s.Name, Kind: l.s.Kind, Station: station,
		ID:            fmt.Sprintf("%s/%s/%s-%s", l.s.Name, stream, is.modified.Format("20060102T150405.000Z"), is.sha256[:8]),
		ReferenceTime: at, ValidTime: at, Published: is.modified, Complete: true,
		Parts:  []Part{{URL: localScheme + name, Bytes: int64(len(b)), LastModified: is.modified}},
		Answer: []File{{Name: name, URL: localScheme + name, Bytes: b, SHA256: is.sha256, LastModified: is.modified}},
	}
}

// plainName makes a name fit for object ids.
func plainName(name string) string {
	if len(name) > 64 {
		name = name[:64]
	}
	return strings.Map(func(r rune) rune {
		if strings.ContainsRune(productBytes, r) {
			return r
		}
		return '_'
	}, name)
}

func (l *fileLook) state(time.Time) state {
	st := state{newest: l.newest, expected: l.first, due: l.due}
	if !l.newest.IsZero() {
		st.expected = l.newest.Add(l.s.Cadence + l.s.Latency)
	}
	return st
}
