package feed

import (
	"bytes"
	"fmt"
	"net/http/httptest"
	"slices"
	"testing"

	"github.com/johannesboyne/gofakes3"
	"github.com/johannesboyne/gofakes3/backend/s3mem"
)

// fakeS3 is an independent implementation of the S3 interface.
func fakeS3(t testing.TB, objects map[string][]byte) string {
	t.Helper()
	backend := s3mem.New()
	if err := backend.CreateBucket("winter"); err != nil {
		t.Fatal(err)
	}
	for key, b := range objects {
		if _, err := backend.PutObject("winter", key, map[string]string{}, bytes.NewReader(b), int64(len(b)), nil); err != nil {
			t.Fatal(err)
		}
	}
	server := httptest.NewServer(gofakes3.New(backend).Server())
	t.Cleanup(server.Close)
	return server.URL + "/winter"
}

func TestListS3AgainstIndependentServer(t *testing.T) {
	objects := map[string][]byte{"readme + notes.txt": []byte("x")}
	for hour := range 24 {
		for _, kind := range []string{"prs", "sfc"} {
			objects[fmt.Sprintf("2026/01/01/run.t%02dz.%s.grib2", hour, kind)] = bytesOf(100 + hour)
		}
	}
	bucket := fakeS3(t, objects)
	c := newClient(t, quick())
	ctx := context1(t)

	var keys []string
	for key := range objects {
		keys = append(keys, key)
	}
	slices.Sort(keys)

	l, err := c.ListS3(ctx, bucket, ListQuery{})
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range l.Entries {
		got = append(got, e.Name)
		if e.Bytes != int64(len(objects[e.Name])) || e.LastModified.IsZero() || e.ETag == "" {
			t.Errorf("%+v, want %d bytes, a time and an ETag", e, len(objects[e.Name]))
		}
		o, err := c.Get(ctx, e.URL, GetOptions{})
		if err != nil || !bytes.Equal(o.Bytes, objects[e.Name]) || o.ETag != e.ETag {
			t.Errorf("%s: %v, %d bytes, ETag %s, want those of %+v", e.URL, err, len(o.Bytes), o.ETag, e)
		}
	}
	if !slices.Equal(got, keys) || l.Truncated {
		t.Errorf("keys %q, truncated %v, want %q", got, l.Truncated, keys)
	}

	l, err = c.ListS3(ctx, bucket, ListQuery{Delimiter: "/"})
	if err != nil || len(l.Entries) != 1 || !slices.Equal(l.Prefixes, []string{"2026/"}) {
		t.Errorf("%+v, %v, want the readme and the prefix 2026/", l, err)
	}
	l, err = c.ListS3(ctx, bucket, ListQuery{Prefix: "2026/01/01/run.t1", Max: 7})
	if err != nil || len(l.Entries) != 7 || !l.Truncated {
		t.Errorf("%+v, %v, want 7 entries and more to come", l, err)
	}
	next, err := c.ListS3(ctx, bucket, ListQuery{Prefix: "2026/01/01/run.t1", StartAfter: l.Entries[6].Name})
	if err != nil || len(next.Entries) != 13 || next.Truncated || next.Entries[0].Name != "2026/01/01/run.t13z.sfc.grib2" {
		t.Errorf("%+v, %v, want the other 13 of 20", next, err)
	}
	l, err = c.ListS3(ctx, bucket, ListQuery{Prefix: "2027/"})
	if err != nil || len(l.Entries)+len(l.Prefixes) != 0 {
		t.Errorf("%+v, %v, want nothing", l, err)
	}
}

func TestListS3FollowsPages(t *testing.T) {
	objects := map[string][]byte{}
	for i := range 2300 {
		objects[fmt.Sprintf("chunk/%05d", i)] = []byte{1}
	}
	bucket := fakeS3(t, objects)
	c := newClient(t, quick())
	l, err := c.ListS3(context1(t), bucket, ListQuery{Prefix: "chunk/"})
	if err != nil || len(l.Entries) != 2300 || l.Truncated {
		t.Fatalf("%d entries, truncated %v, %v, want 2300 over three pages", len(l.Entries), l.Truncated, err)
	}
	l, err = c.ListS3(context1(t), bucket, ListQuery{Prefix: "chunk/", Max: 1500})
	if err != nil || len(l.Entries) != 1500 || !l.Truncated {
		t.Fatalf("%d entries, truncated %v, %v, want 1500 and more to come", len(l.Entries), l.Truncated, err)
	}
}

func TestIndependentServerConditionsAndRanges(t *testing.T) {
	body := bytesOf(100000)
	bucket := fakeS3(t, map[string][]byte{"a.grib2": body})
	o := quick()
	cache, err := OpenCache(t.TempDir(), 1<<20)
	if err != nil {
		t.Fatal(err)
	}
	o.Cache = cache
	c := newClient(t, o)
	for round, fromCache := range []bool{false, true} {
		got, err := c.Get(context1(t), bucket+"/a.grib2", GetOptions{})
		if err != nil || !bytes.Equal(got.Bytes, body) || got.FromCache != fromCache || got.SHA256 != sha256Hex(body) {
			t.Fatalf("round %d: %v, %d bytes, from cache %v", round, err, len(got.Bytes), got.FromCache)
		}
	}
	got, err := c.GetRanges(context1(t), bucket+"/a.grib2", []Range{{500, 600}, {10, 20}, {99000, -1}}, GetOptions{NoCache: true})
	if err != nil || len(got.Parts) != 3 {
		t.Fatalf("%v, %+v", err, got.Parts)
	}
	for _, p := range got.Parts {
		if !bytes.Equal(p.Bytes, body[p.Offset:p.Offset+p.Length]) {
			t.Errorf("part at %d: wrong bytes", p.Offset)
		}
	}
	h, err := c.Head(context1(t), bucket+"/a.grib2")
	if err != nil || h.Bytes != 100000 || h.ETag != got.ETag || h.ETag == "" {
		t.Errorf("head %+v, %v", h, err)
	}
	_, err = c.Get(context1(t), bucket+"/b.grib2", GetOptions{})
	wantError(t, err, ErrNotFound, 404)
	t.Log(err)
}
