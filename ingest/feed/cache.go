package feed

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"
)

// Cache keeps what was fetched on disk, by URL, validator and range, within a
// budget of bytes; what was not used for the longest time goes first. It never
// decides that a copy is current: the store is always asked.
//
// The truth is in the folder alone, so that it survives a restart and that
// several processes may share it; each then keeps the budget to within a
// sixteenth of its own writes. Files appear whole, each with its SHA-256, which
// is verified on reading: a damaged file is dropped, and its bytes are fetched
// again. Where nothing can be written, nothing is kept, and that is all.
//
// A file lies at aa/bb.../VALIDATOR-OFFSET-LENGTH-KIND, where aabb... is the
// hash of the URL, which may hold a secret and is not written down. One line of
// JSON stands before the bytes.
type Cache struct {
	dir string
	max int64

	mu    sync.Mutex
	used  int64 // at the last look, and own writes since
	since int64 // own writes since the last look

	dropped, failed, evicted atomic.Uint64
}

// CacheCounts are the counters of a Cache since it was opened.
type CacheCounts struct {
	Bytes   int64  // on disk, as far as known
	Damaged uint64 // entries dropped because their bytes were not those that were kept
	Failed  uint64 // entries that could not be written
	Evicted uint64 // entries that went for the budget
}

const (
	cacheForm      = 1       // of the header line; others are dropped
	maxHeaderBytes = 4 << 10 // of it
	blockBytes     = 4 << 10 // what a small file takes on disk
	tempFolder     = "tmp"
	tempAge        = time.Hour // a temporary file this old was left behind
)

// entry is one kept file.
type entry struct {
	path string
	validator
	offset, length, total int64
	whole                 bool
	sha256                string
	version               string // of the name: hash of the validator
}

// header is the first line of a file.
type header struct {
	Form         int       `json:"form"`
	ETag         string    `json:"etag"`
	LastModified time.Time `json:"last_modified"`
	IfRange      string    `json:"if_range"`
	Total        int64     `json:"total"`
	SHA256       string    `json:"sha256"`
}

// OpenCache opens the folder, and makes it where it is not there. It may hold
// maxBytes; nothing else may lie in it.
func OpenCache(dir string, maxBytes int64) (*Cache, error) {
	if maxBytes <= 0 {
		return nil, fmt.Errorf("cache %s: budget of %d bytes", dir, maxBytes)
	}
	if err := os.MkdirAll(filepath.Join(dir, tempFolder), 0o755); err != nil {
		return nil, fmt.Errorf("cache: %w", err)
	}
	c := &Cache{dir: dir, max: maxBytes}
	c.mu.Lock()
	defer c.mu.Unlock()
	if err := c.look(); err != nil {
		return nil, fmt.Errorf("cache: %w", err)
	}
	return c, nil
}

// Counts gives a copy of the counters.
func (c *Cache) Counts() CacheCounts {
	if c == nil {
		return CacheCounts{}
	}
	c.mu.Lock()
	used := c.used
	c.mu.Unlock()
	return CacheCounts{Bytes: used, Damaged: c.dropped.Load(), Failed: c.failed.Load(), Evicted: c.evicted.Load()}
}

func (c *Cache) folder(rawURL string) string {
	sum := sha256.Sum256([]byte(rawURL))
	name := hex.EncodeToString(sum[:20])
	return filepath.Join(c.dir, name[:2], name[2:])
}

func (v validator) version() string {
	sum := sha256.Sum256([]byte(v.etag + "\n" + v.lastModified.UTC().Format(time.RFC3339)))
	return hex.EncodeToString(sum[:8])
}

func (e entry) name() string {
	kind := "part"
	if e.whole {
		kind = "whole"
	}
	return fmt.Sprintf("%s-%d-%d-%s", e.version, e.offset, e.length, kind)
}

func parseName(name string) (e entry, ok bool) {
	fields := strings.Split(name, "-")
	if len(fields) != 4 || fields[3] != "part" && fields[3] != "whole" {
		return entry{}, false
	}
	offset, err1 := parseCount(fields[1])
	length, err2 := parseCount(fields[2])
	if err1 != nil || err2 != nil {
		return entry{}, false
	}
	return entry{version: fields[0], offset: offset, length: length, total: -1, whole: fields[3] == "whole"}, true
}

// list gives the entries of a URL, the newest first, without their headers.
func (c *Cache) list(rawURL string) []entry {
	if c == nil {
		return nil
	}
	folder := c.folder(rawURL)
	files, _ := os.ReadDir(folder)
	var entries []entry
	var times []time.Time
	for _, f := range files {
		e, ok := parseName(f.Name())
		info, err := f.Info()
		if !ok || err != nil {
			continue
		}
		e.path = filepath.Join(folder, f.Name())
		at, _ := slices.BinarySearchFunc(times, info.ModTime(), func(a, b time.Time) int { return b.Compare(a) })
		times = slices.Insert(times, at, info.ModTime())
		entries = slices.Insert(entries, at, e)
	}
	return entries
}

// newest gives the newest whole copy of a URL.
func (c *Cache) newest(rawURL string) (entry, bool) {
	for _, e := range c.list(rawURL) {
		if e.whole && c.readHeader(&e) == nil {
			return e, true
		}
	}
	return entry{}, false
}

// version is what is kept of one version of an object.
type version struct {
	validator
	total   int64
	entries []entry
}

// latest gives what is kept of the version that was kept last.
func (c *Cache) latest(rawURL string) version {
	var v version
	for _, e := range c.list(rawURL) {
		if len(v.entries) == 0 {
			if c.readHeader(&e) != nil {
				continue
			}
			v.validator, v.total = e.validator, e.total
		} else if e.version != v.entries[0].version {
			continue
		}
		v.entries = append(v.entries, e)
	}
	return v
}

// covering gives the smallest entry that holds the whole range, or nil.
func (v version) covering(r Range) *entry {
	end := r.End
	if end < 0 {
		if end = v.total; end < 0 {
			return nil
		}
	}
	var best *entry
	for i := range v.entries {
		e := &v.entries[i]
		if e.offset <= r.Offset && end <= e.offset+e.length && (best == nil || e.length < best.length) {
			best = e
		}
	}
	return best
}

// readHeader fills an entry from its file.
func (c *Cache) readHeader(e *entry) error {
	f, err := os.Open(e.path)
	if err != nil {
		return err
	}
	defer f.Close()
	line := make([]byte, maxHeaderBytes)
	n, err := io.ReadFull(f, line)
	if err != nil && err != io.ErrUnexpectedEOF {
		c.drop(*e)
		return err
	}
	if _, err := parseHeader(e, line[:n]); err != nil {
		c.drop(*e)
		return err
	}
	return nil
}

// parseHeader fills an entry from the beginning of its file, and gives the bytes
// behind the header.
func parseHeader(e *entry, b []byte) ([]byte, error) {
	line, _, found := bytes.Cut(b[:min(len(b), maxHeaderBytes)], []byte{'\n'})
	if !found {
		return nil, errors.New("no header line")
	}
	var h header
	if err := json.Unmarshal(line, &h); err != nil {
		return nil, err
	}
	if h.Form != cacheForm {
		return nil, fmt.Errorf("form %d, want %d", h.Form, cacheForm)
	}
	e.validator = validator{etag: h.ETag, lastModified: h.LastModified, ifRange: h.IfRange}
	e.total, e.sha256 = h.Total, h.SHA256
	return b[len(line)+1:], nil
}

// read gives the bytes of an entry after comparing them with their SHA-256, and
// notes that they were used. They go into room where that has the right length,
// else into memory of their own. What is damaged is dropped.
func (c *Cache) read(e entry, room []byte) ([]byte, error) {
	f, err := os.Open(e.path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	damaged := func(detail string) ([]byte, error) {
		c.drop(e)
		return nil, fmt.Errorf("cache: %s: %s", filepath.Base(e.path), detail)
	}
	line := make([]byte, maxHeaderBytes)
	n, err := io.ReadFull(f, line)
	if err != nil && err != io.ErrUnexpectedEOF {
		return damaged(err.Error())
	}
	first, err := parseHeader(&e, line[:n])
	if err != nil {
		return damaged(err.Error())
	}
	// The name tells the length, so a file that has grown is not even read.
	if size := info.Size() - int64(n-len(first)); size != e.length {
		return damaged(fmt.Sprintf("%d bytes, the name says %d", size, e.length))
	}
	if int64(len(room)) != e.length {
		room = make([]byte, e.length)
	}
	if _, err := io.ReadFull(f, room[copy(room, first):]); err != nil {
		return damaged(err.Error())
	}
	if sha256Hex(room) != e.sha256 {
		return damaged("not the bytes that were kept")
	}
	now := time.Now()
	os.Chtimes(e.path, now, now) // fails where another process dropped it; then that is so
	return room, nil
}

func (c *Cache) drop(e entry) {
	if os.Remove(e.path) == nil {
		c.dropped.Add(1)
	}
}

// put keeps the bytes of one version of a URL. Without a validator there would
// be no asking whether they are current.
func (c *Cache) put(rawURL string, v validator, e entry, b []byte) {
	if c == nil || v.empty() || int64(len(b)) > c.max {
		return
	}
	e.validator, e.version = v, v.version()
	folder := c.folder(rawURL)
	e.path = filepath.Join(folder, e.name())
	line, err := json.Marshal(header{Form: cacheForm, ETag: v.etag, LastModified: v.lastModified, IfRange: v.ifRange,
		Total: e.total, SHA256: e.sha256})
	if err != nil || len(line) >= maxHeaderBytes {
		return
	}
	line = append(line, '\n')
	err = c.write(e.path, line, b)
	if errors.Is(err, fs.ErrNotExist) {
		err = c.write(e.path, line, b) // the folder was emptied and removed meanwhile
	}
	if err != nil {
		c.failed.Add(1)
		return
	}
	size := onDisk(int64(len(line) + len(b)))
	c.mu.Lock()
	defer c.mu.Unlock()
	c.used += size
	c.since += size
	if c.used > c.max || c.since > c.max/16 {
		c.look() // an error leaves the estimate as it is
	}
}

// only drops what is kept of other versions of a URL.
func (c *Cache) only(rawURL string, v validator) {
	if c == nil || v.empty() {
		return
	}
	folder, version := c.folder(rawURL), v.version()
	names, _ := os.ReadDir(folder)
	for _, f := range names {
		if e, ok := parseName(f.Name()); ok && e.version != version {
			os.Remove(filepath.Join(folder, f.Name()))
		}
	}
}

// write makes a file appear whole. It does not wait for the disk: that costs
// more than fetching does, and what a power cut leaves unfinished fails its
// SHA-256.
func (c *Cache) write(path string, parts ...[]byte) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Join(c.dir, tempFolder), "")
	if err != nil {
		return err
	}
	for _, p := range parts {
		if err == nil {
			_, err = f.Write(p)
		}
	}
	if closing := f.Close(); err == nil {
		err = closing
	}
	if err == nil {
		err = os.Rename(f.Name(), path)
	}
	if err != nil {
		os.Remove(f.Name())
	}
	return err
}

// onDisk rounds up to blocks, so that many small files count for what they take.
func onDisk(n int64) int64 { return (n + blockBytes - 1) / blockBytes * blockBytes }

// look goes through the folder, counts, and drops the entries that were not used
// for the longest time until the budget has a sixteenth to spare. It is called
// with the lock held.
func (c *Cache) look() error {
	type file struct {
		path string
		size int64
		used time.Time
	}
	var files []file
	var folders []string
	sum := int64(0)
	temp := filepath.Join(c.dir, tempFolder)
	err := filepath.WalkDir(c.dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			if path == c.dir {
				return err
			}
			return nil // gone meanwhile, or not ours to read
		}
		if d.IsDir() {
			if path != c.dir && path != temp {
				folders = append(folders, path)
			}
			return nil
		}
		info, err := d.Info()
		if err != nil || !info.Mode().IsRegular() {
			return nil
		}
		if filepath.Dir(path) == temp {
			if time.Since(info.ModTime()) > tempAge {
				os.Remove(path)
			}
			return nil
		}
		if _, ok := parseName(d.Name()); !ok {
			return nil
		}
		files = append(files, file{path, onDisk(info.Size()), info.ModTime()})
		sum += onDisk(info.Size())
		return nil
	})
	if err != nil {
		return err
	}
	if sum > c.max {
		slices.SortFunc(files, func(a, b file) int { return a.used.Compare(b.used) })
		for _, f := range files {
			if sum <= c.max-c.max/16 {
				break
			}
			if err := os.Remove(f.path); err == nil || errors.Is(err, fs.ErrNotExist) {
				sum -= f.size
				c.evicted.Add(1)
			}
		}
		slices.Reverse(folders) // the inner ones first
		for _, folder := range folders {
			os.Remove(folder) // where it is empty
		}
	}
	c.used, c.since = sum, 0
	return nil
}
