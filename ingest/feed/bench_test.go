package feed

import (
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"testing"
	"time"

	"rimeline/ingest/testfiles"
)

func BenchmarkParseIndex(b *testing.B) {
	text, err := os.ReadFile(testfiles.Path(b, "idx/gfs.20221014.t06z.pgrb2.0p25.f021.idx"))
	if err != nil {
		b.Fatal(err)
	}
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		if index, err := ParseIndex("bench", text); err != nil || len(index) != 743 {
			b.Fatal(err)
		}
	}
}

// BenchmarkRanges fetches a model hour's worth of ranges, 175 messages of 100 MB
// in a file of 140 MB, from a store on this machine. Its floor is in the same
// run: the same bytes in one plain request, read and dropped, read and kept, and
// only copied in memory.
func BenchmarkRanges(b *testing.B) {
	const messages, each, gap = 175, 600000, 200000
	body := make([]byte, messages*(each+gap))
	for i := range body {
		body[i] = byte(i * 7)
	}
	var ranges []Range
	for i := range int64(messages) {
		ranges = append(ranges, Range{i * (each + gap), i*(each+gap) + each})
	}
	at := time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("ETag", `"1"`)
		n := int64(len(body))
		if r.Header.Get("Range") == "" {
			n = messages * each
		}
		http.ServeContent(w, r, "", at, io.NewSectionReader(bytes.NewReader(body), 0, n))
	}))
	defer server.Close()

	fetch := func(b *testing.B, c *Client, gap int64, fromCache bool) {
		b.SetBytes(messages * each)
		b.ReportAllocs()
		for i := 0; b.Loop(); i++ {
			url := server.URL
			if !fromCache {
				url = fmt.Sprintf("%s/%d", server.URL, i)
			}
			o, err := c.GetRanges(b.Context(), url, ranges, GetOptions{JoinGap: gap})
			if err != nil || len(o.Bytes) != messages*each || o.FromCache != fromCache {
				b.Fatal(len(o.Bytes), o.FromCache, err)
			}
		}
	}
	fast := Options{PerHostPerSecond: 1e6}
	b.Run("ranges", func(b *testing.B) { fetch(b, newClient(b, fast), 0, false) })
	b.Run("ranges joined across gaps", func(b *testing.B) { fetch(b, newClient(b, fast), gap, false) })
	b.Run("ranges, kept in the cache", func(b *testing.B) {
		o := fast
		o.Cache = openCache(b, b.TempDir(), 1<<30)
		fetch(b, newClient(b, o), 0, false)
	})
	b.Run("ranges from the cache", func(b *testing.B) {
		o := fast
		o.Cache = openCache(b, b.TempDir(), 1<<30)
		c := newClient(b, o)
		if _, err := c.GetRanges(b.Context(), server.URL, ranges, GetOptions{}); err != nil {
			b.Fatal(err)
		}
		fetch(b, c, 0, true)
	})
	plain := func(b *testing.B, read func(io.Reader) int64) {
		b.SetBytes(messages * each)
		for b.Loop() {
			resp, err := http.Get(server.URL)
			if err != nil {
				b.Fatal(err)
			}
			if n := read(resp.Body); n != messages*each {
				b.Fatal(n)
			}
			resp.Body.Close()
		}
	}
	b.Run("floor: one request, dropped", func(b *testing.B) {
		plain(b, func(r io.Reader) int64 { n, _ := io.Copy(io.Discard, r); return n })
	})
	b.Run("floor: one request, kept", func(b *testing.B) {
		plain(b, func(r io.Reader) int64 { n, _ := io.ReadFull(r, make([]byte, messages*each)); return int64(n) })
	})
	b.Run("floor: copy in memory", func(b *testing.B) {
		b.SetBytes(messages * each)
		for b.Loop() {
			copy(make([]byte, messages*each), body)
		}
	})
	b.Run("floor: SHA-256", func(b *testing.B) {
		b.SetBytes(messages * each)
		for b.Loop() {
			sha256Hex(body[:messages*each])
		}
	})
}
