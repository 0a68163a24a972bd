package feed

import (
	"bytes"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"
)

func openCache(t testing.TB, dir string, maxBytes int64) *Cache {
	t.Helper()
	c, err := OpenCache(dir, maxBytes)
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func cached(t testing.TB, cache *Cache) *Client {
	o := quick()
	o.Cache = cache
	return newClient(t, o)
}

// files lists the entries of a cache.
func files(t testing.TB, dir string) []string {
	t.Helper()
	var paths []string
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			paths = append(paths, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return paths
}

func TestCacheAsksWhetherItIsCurrent(t *testing.T) {
	for _, validators := range []string{"both", "ETag", "Last-Modified"} {
		body := bytesOf(1000)
		etag, modified := `"1"`, oldDate
		s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
			if validators != "Last-Modified" {
				w.Header().Set("ETag", etag)
			}
			at, _ := http.ParseTime(modified)
			if validators == "ETag" {
				at = time.Time{}
			}
			http.ServeContent(w, r, "", at, bytes.NewReader(body))
		})
		dir := t.TempDir()
		c := cached(t, openCache(t, dir, 1<<20))
		get := func(fromCache bool, fetched int) {
			t.Helper()
			before := c.Counts().Hosts[s.host()].BytesFetched
			o, err := c.Get(testContext(t), s.URL+"/a", GetOptions{})
			if err != nil || !bytes.Equal(o.Bytes, body) || o.FromCache != fromCache || o.SHA256 != sha256Hex(body) {
				t.Fatalf("%s: %d bytes, from cache %v, want %v; %v", validators, len(o.Bytes), o.FromCache, fromCache, err)
			}
			if n := c.Counts().Hosts[s.host()].BytesFetched - before; n != uint64(fetched) {
				t.Fatalf("%s: %d bytes fetched, want %d", validators, n, fetched)
			}
		}
		get(false, 1000)
		get(true, 0)
		c = cached(t, openCache(t, dir, 1<<20)) // a restart
		get(true, 0)
		body, etag, modified = bytesOf(900), `"2"`, "Thu, 01 Jan 2026 00:01:00 GMT"
		get(false, 900)
		get(true, 0)
		if n := len(files(t, dir)); n != 1 {
			t.Errorf("%s: %d files, want the newer version alone", validators, n)
		}
	}
}

func TestWithoutValidatorNothingIsKept(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { w.Write([]byte("here")) })
	dir := t.TempDir()
	c := cached(t, openCache(t, dir, 1<<20))
	for range 2 {
		if o, err := c.Get(testContext(t), s.URL+"/a", GetOptions{}); err != nil || o.FromCache {
			t.Fatal(o.FromCache, err)
		}
	}
	if f := files(t, dir); len(f) != 0 {
		t.Errorf("files %v", f)
	}
}

func TestNoCache(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, bytesOf(1000)) })
	dir := t.TempDir()
	c := cached(t, openCache(t, dir, 1<<20))
	for range 2 {
		if o, err := c.Get(testContext(t), s.URL+"/a", GetOptions{NoCache: true}); err != nil || o.FromCache {
			t.Fatal(o.FromCache, err)
		}
	}
	if f := files(t, dir); len(f) != 0 {
		t.Errorf("files %v", f)
	}
}

func TestRangesFromCache(t *testing.T) {
	body := bytesOf(10000)
	etag := `"1"`
	var asked []string
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		asked = append(asked, r.Header.Get("Range"))
		serve(w, r, etag, body)
	})
	c := cached(t, openCache(t, t.TempDir(), 1<<20))
	get := func(fromCache bool, wantAsked string, ranges ...Range) {
		t.Helper()
		asked = nil
		o, err := c.GetRanges(testContext(t), s.URL+"/a", ranges, GetOptions{})
		if err != nil {
			t.Fatal(err)
		}
		checkParts(t, o, body)
		if got := strings.Join(asked, " "); got != wantAsked || o.FromCache != fromCache {
			t.Errorf("asked %q, want %q; from cache %v, want %v", got, wantAsked, o.FromCache, fromCache)
		}
	}
	get(false, "bytes=100-199 bytes=300-399", Range{100, 200}, Range{300, 400})
	get(true, "bytes=100-199", Range{100, 200}, Range{300, 400}) // answered with 304
	get(true, "bytes=310-319", Range{310, 320})                  // lies within what is kept
	get(false, "bytes=9000-", Range{300, 400}, Range{9000, -1})  // the new one tells the version, too
	get(true, "bytes=9500-", Range{9500, -1})                    // the length is known
	get(false, "bytes=250-349", Range{250, 350})                 // only partly kept
	etag, body = `"2"`, bytesOf(10000)[:9999]                    // replaced
	get(false, "bytes=100-199 bytes=300-399", Range{100, 200}, Range{300, 400})
	get(false, "bytes=0-9", Range{0, 10}, Range{100, 200})
}

func TestDamagedEntryIsFetchedAgain(t *testing.T) {
	body := bytesOf(100000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, body) })
	for name, damage := range map[string]func(path string, b []byte) error{
		"a bit":  func(path string, b []byte) error { b[len(b)-1] ^= 1; return os.WriteFile(path, b, 0o600) },
		"cut":    func(path string, b []byte) error { return os.WriteFile(path, b[:len(b)/2], 0o600) },
		"longer": func(path string, b []byte) error { return os.WriteFile(path, append(b, 0), 0o600) },
		"empty":  func(path string, b []byte) error { return os.WriteFile(path, nil, 0o600) },
		"header": func(path string, b []byte) error { b[0] = 'x'; return os.WriteFile(path, b, 0o600) },
		"other form": func(path string, b []byte) error {
			return os.WriteFile(path, bytes.Replace(b, []byte(`"form":1`), []byte(`"form":9`), 1), 0o600)
		},
		"gone":          func(path string, b []byte) error { return os.Remove(path) },
		"not readable":  func(path string, b []byte) error { os.Remove(path); return os.Mkdir(path, 0o700) },
		"sparse, large": func(path string, b []byte) error { return os.Truncate(path, 1<<40) },
	} {
		for _, way := range []string{"whole", "ranges"} {
			dir := t.TempDir()
			c := cached(t, openCache(t, dir, 1<<20))
			get := func() (Object, error) {
				if way == "whole" {
					return c.Get(testContext(t), s.URL+"/a", GetOptions{})
				}
				return c.GetRanges(testContext(t), s.URL+"/a", []Range{{10, 20}, {30, -1}}, GetOptions{})
			}
			first, err := get()
			if err != nil {
				t.Fatal(err)
			}
			for _, path := range files(t, dir) {
				b, err := os.ReadFile(path)
				if err != nil {
					t.Fatal(err)
				}
				if err := damage(path, b); err != nil {
					t.Fatal(err)
				}
			}
			second, err := get()
			if err != nil || second.SHA256 != first.SHA256 || sha256Hex(second.Bytes) != first.SHA256 || second.FromCache {
				t.Errorf("%s, %s: from cache %v, %v", name, way, second.FromCache, err)
			}
			if third, err := get(); err != nil || !third.FromCache && name != "not readable" {
				t.Errorf("%s, %s: not kept anew, %v", name, way, err)
			}
		}
	}
}

func TestBudgetDropsWhatWasNotUsedForLongest(t *testing.T) {
	const each = 10000 // on disk 12288: header, and whole blocks
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, bytesOf(each)) })
	dir := t.TempDir()
	cache := openCache(t, dir, 10*12288)
	c := cached(t, cache)
	get := func(i int) bool {
		t.Helper()
		o, err := c.Get(testContext(t), fmt.Sprintf("%s/%d", s.URL, i), GetOptions{})
		if err != nil {
			t.Fatal(err)
		}
		return o.FromCache
	}
	onDisk := func() int64 {
		sum := int64(0)
		for _, path := range files(t, dir) {
			info, err := os.Stat(path)
			if err != nil {
				t.Fatal(err)
			}
			sum += info.Size()
		}
		return sum
	}
	for i := range 10 {
		get(i)
	}
	if !get(0) { // used just now
		t.Fatal("the first was not kept, though all ten fit")
	}
	get(10) // one too many
	if !get(0) {
		t.Error("what was used last is gone")
	}
	if get(1) {
		t.Error("what was not used for longest is still there")
	}
	for i := range 200 {
		get(i)
		if n := onDisk(); n > 10*12288 {
			t.Fatalf("%d bytes on disk, at most %d allowed", n, 10*12288)
		}
	}
	if n := cache.Counts(); n.Evicted < 180 || n.Bytes > 10*12288 {
		t.Errorf("counts %+v", n)
	}
	// A smaller budget at the next start, and what a killed process left behind.
	left := filepath.Join(dir, tempFolder, ".left123")
	if err := os.WriteFile(left, make([]byte, 10), 0o600); err != nil {
		t.Fatal(err)
	}
	os.Chtimes(left, time.Now().Add(-2*tempAge), time.Now().Add(-2*tempAge))
	openCache(t, dir, 3*12288)
	if n := onDisk(); n > 3*12288 {
		t.Errorf("%d bytes on disk after opening with a budget of %d", n, 3*12288)
	}
	if _, err := os.Stat(left); err == nil {
		t.Error("the temporary file is still there")
	}
}

func TestLargerThanTheBudgetIsNotKept(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, bytesOf(100000)) })
	dir := t.TempDir()
	c := cached(t, openCache(t, dir, 50000))
	if _, err := c.Get(testContext(t), s.URL+"/a", GetOptions{}); err != nil {
		t.Fatal(err)
	}
	if f := files(t, dir); len(f) != 0 {
		t.Errorf("files %v", f)
	}
}

func TestOpenCacheRefuses(t *testing.T) {
	if _, err := OpenCache(t.TempDir(), 0); err == nil {
		t.Error("a budget of nothing was taken")
	}
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenCache(file, 1<<20); err == nil {
		t.Error("a file was taken for a folder")
	}
}

// child runs one test of this package in a process of its own.
func child(t *testing.T, test string, env ...string) {
	t.Helper()
	cmd := exec.Command(os.Args[0], "-test.run", "^"+test+"$", "-test.v")
	cmd.Env = append(os.Environ(), env...)
	if out, err := cmd.CombinedOutput(); err != nil || !strings.Contains(string(out), "--- PASS: "+test) {
		t.Errorf("%v\n%s", err, out)
	}
}

// TestFullDisk: in a child, since a limit on file sizes holds for a process. The
// write fails half way, as on a full disk.
func TestFullDisk(t *testing.T) { child(t, "TestFullDiskChild", "FEED_TEST_FULL="+t.TempDir()) }

func TestFullDiskChild(t *testing.T) {
	dir := os.Getenv("FEED_TEST_FULL")
	if dir == "" {
		t.Skip("runs as a child of TestFullDisk")
	}
	signal.Ignore(syscall.SIGXFSZ)
	limit := syscall.Rlimit{Cur: 50000, Max: 50000}
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &limit); err != nil {
		t.Fatal(err)
	}
	body := bytesOf(100000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		serve(w, r, `"1"`, body[:map[bool]int{true: 1000, false: len(body)}[r.URL.Path == "/small"]])
	})
	cache := openCache(t, dir, 1<<20)
	c := cached(t, cache)
	for range 2 {
		o, err := c.Get(testContext(t), s.URL+"/a", GetOptions{})
		if err != nil || !bytes.Equal(o.Bytes, body) || o.FromCache {
			t.Fatalf("%d bytes, from cache %v, %v", len(o.Bytes), o.FromCache, err)
		}
		o, err = c.GetRanges(testContext(t), s.URL+"/a", []Range{{10, 90000}}, GetOptions{})
		if err != nil || o.FromCache {
			t.Fatalf("ranges: from cache %v, %v", o.FromCache, err)
		}
	}
	if f := files(t, dir); len(f) != 0 {
		t.Errorf("left behind: %v", f)
	}
	if n := cache.Counts().Failed; n != 4 {
		t.Errorf("%d entries counted as not written, want 4", n)
	}
	for _, fromCache := range []bool{false, true} { // what fits is kept as ever
		if o, err := c.Get(testContext(t), s.URL+"/small", GetOptions{}); err != nil || o.FromCache != fromCache {
			t.Errorf("small: from cache %v, want %v; %v", o.FromCache, fromCache, err)
		}
	}
}

// TestNoSpaceLeft writes to the device that is always full.
func TestNoSpaceLeft(t *testing.T) {
	if _, err := os.Stat("/dev/full"); err != nil {
		t.Skip("no /dev/full")
	}
	f, err := os.OpenFile("/dev/full", os.O_WRONLY, 0)
	if err != nil {
		t.Skip(err)
	}
	defer f.Close()
	if _, err := f.Write([]byte{1}); err == nil {
		t.Fatal("/dev/full took a byte")
	}
	dir := t.TempDir()
	c := openCache(t, dir, 1<<20)
	// A temporary folder in which nothing can be made.
	if err := os.Remove(filepath.Join(dir, tempFolder)); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("/dev/full", filepath.Join(dir, tempFolder)); err != nil {
		t.Fatal(err)
	}
	c.put("http://a/", validator{etag: `"1"`}, entry{length: 1, total: 1, whole: true, sha256: sha256Hex([]byte{1})}, []byte{1})
	if _, found := c.newest("http://a/"); found || c.Counts().Failed != 1 {
		t.Errorf("kept, or not counted: %+v", c.Counts())
	}
}

// TestTwoProcesses lets a second process work on the folder at the same time.
func TestTwoProcesses(t *testing.T) {
	body := bytesOf(20000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"`+r.URL.Path+`"`, body) })
	dir := t.TempDir()
	var wg sync.WaitGroup
	for range 2 {
		wg.Go(func() { child(t, "TestTwoProcessesChild", "FEED_TEST_SHARED="+dir, "FEED_TEST_STORE="+s.URL) })
	}
	wg.Wait()
	if err := workShared(t, dir, s.URL, body); err != nil {
		t.Error(err)
	}
}

func TestTwoProcessesChild(t *testing.T) {
	dir := os.Getenv("FEED_TEST_SHARED")
	if dir == "" {
		t.Skip("runs as a child of TestTwoProcesses")
	}
	if err := workShared(t, dir, os.Getenv("FEED_TEST_STORE"), bytesOf(20000)); err != nil {
		t.Error(err)
	}
}

// workShared fetches in several goroutines on a cache too small for all of it.
func workShared(t *testing.T, dir, address string, body []byte) error {
	const budget = 200000
	c := cached(t, openCache(t, dir, budget))
	var hits atomic.Int64
	failed := make(chan error, 4)
	for g := range 4 {
		go func() {
			failed <- func() error {
				for i := range 40 {
					at := fmt.Sprintf("%s/%d", address, (i*7+g)%16)
					o, err := c.Get(testContext(t), at, GetOptions{})
					if err != nil || !bytes.Equal(o.Bytes, body) {
						return fmt.Errorf("%s: %d bytes, %w", at, len(o.Bytes), err)
					}
					if o.FromCache {
						hits.Add(1)
					}
					if o, err = c.GetRanges(testContext(t), at, []Range{{int64(i), 1000}, {5000, -1}}, GetOptions{}); err != nil {
						return fmt.Errorf("%s: ranges: %w", at, err)
					}
					if !bytes.Equal(o.Parts[0].Bytes, body[i:1000]) || !bytes.Equal(o.Parts[1].Bytes, body[5000:]) {
						return fmt.Errorf("%s: wrong bytes", at)
					}
				}
				return nil
			}()
		}()
	}
	for range 4 {
		if err := <-failed; err != nil {
			return err
		}
	}
	sum := int64(0)
	for _, path := range entryFiles(dir) {
		if info, err := os.Stat(path); err == nil {
			sum += info.Size()
		}
	}
	// Each process may be a sixteenth and one entry over.
	if sum > budget+3*(budget/16+24576) {
		return fmt.Errorf("%d bytes on disk with a budget of %d", sum, budget)
	}
	if hits.Load() == 0 {
		return fmt.Errorf("nothing was from the cache")
	}
	return nil
}

// entryFiles is files while others write and drop.
func entryFiles(dir string) []string {
	paths, _ := filepath.Glob(filepath.Join(dir, "??", "*", "*"))
	return paths
}
