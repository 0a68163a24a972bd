package feed_test

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing/fstest"

	"rimeline/ingest/feed"
)

// An inventory tells where in a model file the fields lie that matter for icing.
// U and V of a level share one message, so one range brings both.
func ExampleParseIndex() {
	index, err := feed.ParseIndex("model.idx", []byte(
		"1:0:d=2026010112:HGT:700 mb:2 hour fcst:\n"+
			"2:61200:d=2026010112:TMP:700 mb:2 hour fcst:\n"+
			"3.1:98000:d=2026010112:UGRD:700 mb:2 hour fcst:\n"+
			"3.2:98000:d=2026010112:VGRD:700 mb:2 hour fcst:\n"+
			"4:171000:d=2026010112:CLWMR:700 mb:2 hour fcst:\n"))
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, r := range index.Ranges(func(e feed.IndexEntry) bool { return e.Variable != "HGT" && e.Variable != "TMP" }) {
		fmt.Println(r.Offset, r.End)
	}
	// Output:
	// 98000 171000
	// 171000 -1
}

// Two ranges that touch come in one request and are one part.
func ExampleClient_GetRanges() {
	store := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("ETag", `"1"`)
		http.ServeFileFS(w, r, exampleStore, "model.txt")
	}))
	defer store.Close()
	client := feed.New(feed.Options{})
	o, err := client.GetRanges(context.Background(), store.URL, []feed.Range{{Offset: 12, End: -1}, {Offset: 0, End: 3}, {Offset: 3, End: 6}}, feed.GetOptions{})
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range o.Parts {
		fmt.Printf("%d bytes from %d: %s\n", p.Length, p.Offset, p.Bytes)
	}
	host := client.Counts().Hosts[strings.TrimPrefix(store.URL, "http://")]
	fmt.Println(host.Requests, "requests,", host.BytesFetched, "bytes")
	// Output:
	// 6 bytes from 0: superc
	// 6 bytes from 12: liquid
	// 2 requests, 12 bytes
}

var exampleStore = fstest.MapFS{"model.txt": {Data: []byte("supercooled liquid")}}
