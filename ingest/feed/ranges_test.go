package feed

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"net/http"
	"reflect"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

func TestJoinRanges(t *testing.T) {
	for _, test := range []struct {
		in   []Range
		gap  int64
		want []Range
	}{
		{[]Range{{10, 20}}, 0, []Range{{10, 20}}},
		{[]Range{{20, 30}, {10, 20}}, 0, []Range{{10, 30}}},
		{[]Range{{10, 20}, {21, 30}}, 0, []Range{{10, 20}, {21, 30}}},
		{[]Range{{10, 20}, {21, 30}}, 1, []Range{{10, 30}}},
		{[]Range{{10, 50}, {20, 30}, {45, 60}}, 0, []Range{{10, 60}}},
		{[]Range{{10, -1}, {0, 5}, {20, 30}}, 0, []Range{{0, 5}, {10, -1}}},
		{[]Range{{10, 20}, {15, -1}}, 0, []Range{{10, -1}}},
	} {
		given := slices.Clone(test.in)
		got, err := joinRanges(test.in, test.gap)
		if err != nil || !reflect.DeepEqual(got, test.want) || !reflect.DeepEqual(test.in, given) {
			t.Errorf("%v, gap %d: %v, %v, want %v", given, test.gap, got, err, test.want)
		}
	}
	for _, in := range [][]Range{nil, {{-1, 5}}, {{5, 5}}, {{5, 4}}, {{5, -2}}} {
		if got, err := joinRanges(in, 0); err == nil {
			t.Errorf("%v: %v, want an error", in, got)
		}
	}
}

func checkParts(t *testing.T, o Object, body []byte) {
	t.Helper()
	var all []byte
	last := int64(-1)
	for _, p := range o.Parts {
		if p.Offset <= last || int64(len(p.Bytes)) != p.Length || !bytes.Equal(p.Bytes, body[p.Offset:p.Offset+p.Length]) {
			t.Fatalf("part at %d of %d bytes, behind one that ends at %d: wrong", p.Offset, p.Length, last)
		}
		last = p.Offset + p.Length
		all = append(all, p.Bytes...)
	}
	if !bytes.Equal(all, o.Bytes) || o.SHA256 != sha256Hex(all) {
		t.Fatalf("the parts are not the object's bytes")
	}
}

func TestRangesInAsFewRequestsAsAllowed(t *testing.T) {
	body := bytesOf(10000)
	var mu sync.Mutex
	var asked []string
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		asked = append(asked, r.Header.Get("Range")+" "+r.Header.Get("If-Range"))
		mu.Unlock()
		serve(w, r, `"1"`, body)
	})
	c := newClient(t, quick())
	ranges := []Range{{9000, -1}, {300, 400}, {100, 200}, {200, 300}, {450, 500}}
	for _, test := range []struct {
		gap  int64
		want []string
	}{
		{0, []string{"bytes=100-399 ", `bytes=450-499 "1"`, `bytes=9000-9999 "1"`}},
		{50, []string{"bytes=100-499 ", `bytes=9000-9999 "1"`}},
		{1 << 20, []string{"bytes=100- "}},
	} {
		asked = nil
		o, err := c.GetRanges(testContext(t), s.URL+"/a", ranges, GetOptions{JoinGap: test.gap})
		if err != nil {
			t.Fatal(err)
		}
		checkParts(t, o, body)
		if len(o.Parts) != 3 || o.Parts[0].Length != 300 || o.Parts[2].Length != 1000 {
			t.Errorf("gap %d: parts %v, want 100 to 400, 450 to 500, 9000 to 10000", test.gap, o.Parts)
		}
		slices.Sort(asked[1:])
		if !slices.Equal(asked, test.want) {
			t.Errorf("gap %d: asked %q, want %q", test.gap, asked, test.want)
		}
	}
}

// TestRangesLikeSlices compares with slices of the same bytes, over random
// ranges, gaps and states of the cache.
func TestRangesLikeSlices(t *testing.T) {
	body := bytesOf(5000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, body) })
	o := quick()
	var err error
	if o.Cache, err = OpenCache(t.TempDir(), 20<<20); err != nil {
		t.Fatal(err)
	}
	c := newClient(t, o)
	random := rand.New(rand.NewPCG(7, 7))
	for round := range 200 {
		var ranges []Range
		for range 1 + random.IntN(6) {
			from := random.Int64N(4999)
			to := min(5000, from+1+random.Int64N(300))
			if random.IntN(20) == 0 {
				to = -1
			}
			ranges = append(ranges, Range{from, to})
		}
		o, err := c.GetRanges(testContext(t), fmt.Sprintf("%s/%d", s.URL, round%8), ranges, GetOptions{JoinGap: random.Int64N(300)})
		if err != nil {
			t.Fatalf("%v: %v", ranges, err)
		}
		checkParts(t, o, body)
		for _, r := range ranges {
			end := r.End
			if end < 0 {
				end = 5000
			}
			if !slices.ContainsFunc(o.Parts, func(p Part) bool { return p.Offset <= r.Offset && end <= p.Offset+p.Length }) {
				t.Fatalf("%v is not within the parts", r)
			}
		}
	}
	if c.Counts().Hosts[s.host()].BytesFromCache == 0 {
		t.Error("nothing was from the cache")
	}
}

func TestLongRangesAreSplit(t *testing.T) {
	body := make([]byte, 2*pieceBytes+1000)
	copy(body[pieceBytes-4:], "boundary")
	copy(body[2*pieceBytes:], bytesOf(1000))
	var mu sync.Mutex
	var asked []string
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		mu.Lock()
		asked = append(asked, r.Header.Get("Range"))
		mu.Unlock()
		w.Header().Set("ETag", `"1"`)
		http.ServeContent(w, r, "", time.Time{}, bytes.NewReader(body))
	})
	o, err := newClient(t, quick()).GetRanges(testContext(t), s.URL+"/a", []Range{{0, int64(len(body))}}, GetOptions{})
	if err != nil || !bytes.Equal(o.Bytes, body) || len(o.Parts) != 1 {
		t.Fatalf("%d bytes in %d parts, %v", len(o.Bytes), len(o.Parts), err)
	}
	slices.Sort(asked)
	if want := []string{"bytes=0-16777215", "bytes=16777216-33554431", "bytes=33554432-33555431"}; !slices.Equal(asked, want) {
		t.Errorf("asked %q, want %q", asked, want)
	}
}

func TestBrokenRangeIsResumed(t *testing.T) {
	body := bytesOf(100000)
	var mu sync.Mutex
	broken := map[string]bool{}
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		asked := r.Header.Get("Range")
		mu.Lock()
		first := !broken[asked] && (asked == "bytes=0-19999" || asked == "bytes=50000-99999")
		broken[asked] = true
		mu.Unlock()
		if first {
			var from, last int
			fmt.Sscanf(asked, "bytes=%d-%d", &from, &last)
			w.Header().Set("ETag", `"1"`)
			w.Header().Set("Content-Range", fmt.Sprintf("bytes %d-%d/100000", from, last))
			w.Header().Set("Content-Length", fmt.Sprint(last+1-from))
			breakOff(w, 206, body[from:from+7000])
		}
		serve(w, r, `"1"`, body)
	})
	o, err := newClient(t, quick()).GetRanges(testContext(t), s.URL+"/a", []Range{{0, 20000}, {50000, -1}}, GetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	checkParts(t, o, body)
	if !broken["bytes=7000-19999"] || !broken["bytes=57000-99999"] {
		t.Errorf("asked %v, want both resumed at the byte where they broke", broken)
	}
}

func TestObjectChangesBetweenRanges(t *testing.T) {
	body := bytesOf(10000)
	for name, answer := range map[string]func(w http.ResponseWriter, r *http.Request){
		"If-Range obeyed, 200": func(w http.ResponseWriter, r *http.Request) { serve(w, r, `"2"`, body) },
		"If-Range ignored":     func(w http.ResponseWriter, r *http.Request) { r.Header.Del("If-Range"); serve(w, r, `"2"`, body) },
		"same ETag, longer": func(w http.ResponseWriter, r *http.Request) {
			serve(w, r, `"1"`, append(slices.Clone(body), 1))
		},
		"same ETag, later": func(w http.ResponseWriter, r *http.Request) {
			r.Header.Del("If-Range")
			w.Header().Set("ETag", `"1"`)
			http.ServeContent(w, r, "", time.Date(2026, 1, 1, 0, 0, 1, 0, time.UTC), bytes.NewReader(body))
		},
	} {
		s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
			if n == 1 {
				serve(w, r, `"1"`, body)
				return
			}
			answer(w, r)
		})
		_, err := newClient(t, quick()).GetRanges(testContext(t), s.URL+"/a", []Range{{0, 100}, {200, 300}}, GetOptions{})
		if e := wantError(t, err, ErrChanged, map[bool]int{true: 200, false: 206}[name == "If-Range obeyed, 200"]); e.Attempts != 1 {
			t.Errorf("%s: %d attempts, want 1", name, e.Attempts)
		}
	}
}

func TestRangeAnswersThatAreWrong(t *testing.T) {
	partial := func(contentRange string, n int) func(w http.ResponseWriter) {
		return func(w http.ResponseWriter) {
			w.Header().Set("ETag", `"1"`)
			if contentRange != "" {
				w.Header().Set("Content-Range", contentRange)
			}
			w.WriteHeader(206)
			w.Write(make([]byte, n))
		}
	}
	refuse := func(contentRange string) func(w http.ResponseWriter) {
		return func(w http.ResponseWriter) {
			if contentRange != "" {
				w.Header().Set("Content-Range", contentRange)
			}
			w.WriteHeader(416)
		}
	}
	for _, test := range []struct {
		name     string
		answer   func(w http.ResponseWriter)
		reason   error
		status   int
		requests int64
	}{
		{"200 instead of 206", func(w http.ResponseWriter) { w.Write(make([]byte, 1000)) }, ErrChanged, 200, 1},
		{"no Content-Range", partial("", 100), ErrMalformed, 206, 1},
		{"other unit", partial("lines 100-199/1000", 100), ErrMalformed, 206, 1},
		{"other place", partial("bytes 101-200/1000", 100), ErrMalformed, 206, 1},
		{"too much", partial("bytes 100-200/1000", 101), ErrMalformed, 206, 1},
		{"backwards", partial("bytes 100-99/1000", 0), ErrMalformed, 206, 1},
		{"beyond its own length", partial("bytes 100-199/150", 100), ErrMalformed, 206, 1},
		{"huge numbers", partial("bytes 100-99999999999999999999/1000", 100), ErrMalformed, 206, 1},
		{"signs", partial("bytes +100-199/1000", 100), ErrMalformed, 206, 1},
		{"length of something else", func(w http.ResponseWriter) {
			w.Header().Set("Content-Length", "50")
			partial("bytes 100-199/1000", 50)(w)
		}, ErrMalformed, 206, 1},
		{"longer than it says", func(w http.ResponseWriter) {
			w.Header().Set("Content-Range", "bytes 100-199/1000")
			w.WriteHeader(206)
			w.(http.Flusher).Flush() // chunked
			w.Write(make([]byte, 101))
		}, ErrMalformed, 206, 1},
		{"object ends within the range", partial("bytes 100-149/150", 50), ErrChanged, 206, 1},
		{"object ends before the range", refuse("bytes */100"), ErrChanged, 416, 1},
		{"416 without a length", refuse(""), ErrChanged, 416, 1},
		{"416 although it is there", refuse("bytes */1000"), ErrUnavailable, 416, 3},
		{"404", func(w http.ResponseWriter) { w.WriteHeader(404) }, ErrNotFound, 404, 1},
		{"503", func(w http.ResponseWriter) { w.WriteHeader(503) }, ErrUnavailable, 503, 3},
	} {
		s := newStore(t, func(_ int, w http.ResponseWriter, _ *http.Request) { test.answer(w) })
		_, err := newClient(t, quick()).GetRanges(testContext(t), s.URL+"/a", []Range{{100, 200}}, GetOptions{})
		t.Log(test.name, "->", err)
		wantError(t, err, test.reason, test.status)
		if n := s.requests.Load(); n != test.requests {
			t.Errorf("%s: %d requests, want %d", test.name, n, test.requests)
		}
	}
}

func TestRangeInSmallerPieces(t *testing.T) {
	body := bytesOf(1000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		var from, last int
		fmt.Sscanf(r.Header.Get("Range"), "bytes=%d-%d", &from, &last)
		last = min(last, from+99) // a store may send less than it was asked for
		w.Header().Set("ETag", `"1"`)
		w.Header().Set("Content-Range", fmt.Sprintf("bytes %d-%d/1000", from, last))
		w.WriteHeader(206)
		w.Write(body[from : last+1])
	})
	o, err := newClient(t, quick()).GetRanges(testContext(t), s.URL+"/a", []Range{{100, 350}}, GetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	checkParts(t, o, body)
}

func TestOpenRangeNeedsTheLength(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Range", "bytes 100-199/*")
		w.WriteHeader(206)
		w.Write(make([]byte, 100))
	})
	c := newClient(t, quick())
	_, err := c.GetRanges(testContext(t), s.URL+"/a", []Range{{100, -1}}, GetOptions{})
	wantError(t, err, ErrMalformed, 206)
	o, err := c.GetRanges(testContext(t), s.URL+"/a", []Range{{100, 200}}, GetOptions{})
	if err != nil || len(o.Bytes) != 100 {
		t.Errorf("a closed range without the length: %d bytes, %v", len(o.Bytes), err)
	}
}

func TestRangesTooLarge(t *testing.T) {
	body := bytesOf(10000)
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, body) })
	c := newClient(t, quick())
	for _, test := range []struct {
		ranges   []Range
		requests int64
	}{
		{[]Range{{0, 600}, {700, 1101}}, 0},
		{[]Range{{0, 1 << 60}, {1 << 60, 1 << 61}, {1<<61 + 1, 1<<62 + 1}}, 0},
		{[]Range{{0, 10}, {9000, -1}}, 1}, // only the store knows
	} {
		before := s.requests.Load()
		_, err := c.GetRanges(testContext(t), s.URL+"/a", test.ranges, GetOptions{MaxBytes: 1000})
		wantError(t, err, ErrTooLarge, map[bool]int{true: 206}[test.requests > 0])
		if n := s.requests.Load() - before; n != test.requests {
			t.Errorf("%v: %d requests, want %d", test.ranges, n, test.requests)
		}
	}
	if o, err := c.GetRanges(testContext(t), s.URL+"/a", []Range{{0, 600}, {9600, -1}}, GetOptions{MaxBytes: 1000}); err != nil || len(o.Bytes) != 1000 {
		t.Errorf("exactly the maximum: %d bytes, %v", len(o.Bytes), err)
	}
}

func TestNoRanges(t *testing.T) {
	_, err := newClient(t, quick()).GetRanges(testContext(t), "http://127.0.0.1/a", nil, GetOptions{})
	wantError(t, err, ErrRefused, 0)
	if !strings.Contains(err.Error(), "no ranges") {
		t.Error(err)
	}
}
