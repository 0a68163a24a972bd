package source

import (
	"bytes"
	"compress/gzip"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/feed"
	"rimeline/ingest/testfiles"
)

// message is the frame of a GRIB2 message: sections 0 and 8 around text.
func message(text string) []byte {
	b := append([]byte("GRIB\x00\x00\x00\x02"), make([]byte, 8)...)
	b = append(b, text...)
	for len(b) < 60 {
		b = append(b, ' ')
	}
	b = append(b, "7777"...)
	binary.BigEndian.PutUint64(b[8:], uint64(len(b)))
	return b
}

// modelFile makes a file of messages and its index in the form of wgrib2.
func modelFile(reference time.Time, fields []string) (file, index []byte) {
	for k, f := range fields {
		index = fmt.Appendf(index, "%d:%d:d=%s:%s:\n", k+1, len(file), reference.Format("2006010215"), f)
		file = append(file, message(f)...)
	}
	return file, index
}

func TestFetchAModelHour(t *testing.T) {
	reference := at("2026-01-21T12:00:00Z")
	file, index := modelFile(reference, []string{
		"REFC:entire atmosphere:3 hour fcst",
		"HGT:225 mb:3 hour fcst",
		"HGT:250 mb:3 hour fcst",
		"TMP:250 mb:3 hour fcst",
		"RH:250 mb:3 hour fcst",
		"SPFH:250 mb:3 hour fcst",
		"DZDT:250 mb:3 hour fcst",
		"CIMIXR:250 mb:3 hour fcst",
		"RH:1000 mb:3 hour fcst",
		"TMP:1013.2 mb:3 hour fcst",
		"TMP:1000-975 mb:3 hour fcst",
		"UGRD:1000 mb:2-3 hour ave fcst",
		"UGRD:1000 mb:3 hour fcst",
		"HGT:surface:3 hour fcst",
		"TMP:surface:3 hour fcst",
		"TMP:2 m above ground:3 hour fcst",
		"PRES:surface:0-3 hour max fcst",
	})
	st := newStore(t, at("2026-01-21T14:00:00Z"))
	s, _ := Find("hrrr")
	key, err := s.Key("file", reference, 3, nil)
	if err != nil {
		t.Fatal(err)
	}
	st.put(key, at("2026-01-21T13:00:00Z"), file)
	st.put(key+".idx", at("2026-01-21T13:00:00Z"), index)
	n := Need{Source: "hrrr", BaseURL: st.URL, ForecastHours: 3}
	f := follow(t, st, n)
	objects := f.poll(st.now)
	wantIDs(t, ids(objects), []string{"hrrr/20260121T12Z/f003"})

	got, err := Fetch(context.Background(), st.client(), objects[0], n)
	if err != nil {
		t.Fatal(err)
	}
	var want []byte
	for _, text := range []string{
		"HGT:250 mb:3 hour fcst", "TMP:250 mb:3 hour fcst", "SPFH:250 mb:3 hour fcst", "CIMIXR:250 mb:3 hour fcst",
		"RH:1000 mb:3 hour fcst", "UGRD:1000 mb:3 hour fcst", "HGT:surface:3 hour fcst", "TMP:2 m above ground:3 hour fcst",
	} {
		want = append(want, message(text)...)
	}
	if len(got.Files) != 1 || !bytes.Equal(got.Files[0].Bytes, want) {
		t.Fatalf("got %q\nwant %q", got.Files[0].Bytes, want)
	}
	if file := got.Files[0]; file.SHA256 != hexDigest(want) || file.Name != "hrrr.t12z.wrfprsf03.grib2" || file.ETag == "" || !file.LastModified.Equal(at("2026-01-21T13:00:00Z")) {
		t.Errorf("file %s %s %s %s", file.Name, file.SHA256, file.ETag, file.LastModified)
	}
	if wantMissing := []string{"VGRD", "VVEL", "CLMR", "RWMR", "SNMR", "GRLE", "PRES:surface",
		"SPFH:2 m above ground", "UGRD:10 m above ground", "VGRD:10 m above ground"}; !slices.Equal(got.Missing, wantMissing) {
		t.Errorf("missing %v, want %v", got.Missing, wantMissing)
	}
	if len(got.Stored) != 1 || got.Stored[0].Bytes != int64(len(want)) || got.Stored[0].SHA256 != hexDigest(want) {
		t.Errorf("stored %+v", got.Stored)
	}
}

// TestFetchAnHourOfTwoFiles: messages of both, one after the other.
func TestFetchAnHourOfTwoFiles(t *testing.T) {
	reference := at("2026-01-21T12:00:00Z")
	levels, levelsIndex := modelFile(reference, []string{"TMP:500 mb:anl", "TMP:surface:anl"})
	ground, groundIndex := modelFile(reference, []string{"TMP:surface:anl", "HGT:surface:anl"})
	st := newStore(t, at("2026-01-21T14:00:00Z"))
	st.put("a", reference, levels)
	st.put("a.idx", reference, levelsIndex)
	st.put("b", reference, ground)
	st.put("b.idx", reference, groundIndex)
	o := Object{Source: "rrfs", ReferenceTime: reference, ValidTime: reference, Parts: []Part{
		{URL: st.URL + "/a", IndexURL: st.URL + "/a.idx"}, {URL: st.URL + "/b", IndexURL: st.URL + "/b.idx"}}}
	got, err := Fetch(context.Background(), st.client(), o, Need{Source: "rrfs", BaseURL: st.URL})
	if err != nil {
		t.Fatal(err)
	}
	want := slices.Concat(message("TMP:500 mb:anl"), message("HGT:surface:anl"))
	if len(got.Files) != 1 || !bytes.Equal(got.Files[0].Bytes, want) || got.Files[0].SHA256 != hexDigest(want) || len(got.Stored) != 2 {
		t.Errorf("%d files, %q, want %q", len(got.Files), got.Files[0].Bytes, want)
	}
}

// TestIndexAndFileThatDoNotFit: read again, then given up.
func TestIndexAndFileThatDoNotFit(t *testing.T) {
	reference := at("2026-01-21T12:00:00Z")
	fields := []string{"TMP:250 mb:anl", "HGT:250 mb:anl"}
	file, index := modelFile(reference, fields)
	other := slices.Concat(message("something in front"), file)
	o := Object{Source: "hrrr", ReferenceTime: reference, ValidTime: reference}
	for _, test := range []struct {
		name        string
		file, index []byte
		want        error
		requests    int
	}{
		{"it fits", file, index, nil, 2},
		{"another version of the file", append([]byte("xx"), file...), index, ingest.ErrCorrupt, 6},
		{"a file that is cut", file[:len(file)-70], index, ingest.ErrTruncated, 6},
		{"the index of another run", file, bytes.ReplaceAll(index, []byte("2026012112"), []byte("2026012111")), ingest.ErrCorrupt, 1},
		{"the index of another hour", file, bytes.ReplaceAll(index, []byte(":anl"), []byte(":1 hour fcst")), ingest.ErrUnsupported, 1},
		{"an index that is cut", file, index[:20], ingest.ErrTruncated, 1},
		{"no index", file, nil, ingest.ErrTruncated, 1},
		{"messages moved", other, index, nil, 2}, // whole messages of another kind: the decoder sees what they are
	} {
		t.Run(test.name, func(t *testing.T) {
			st := newStore(t, at("2026-01-21T14:00:00Z"))
			st.put("a", reference, test.file)
			st.put("a.idx", reference, test.index)
			o.Parts = []Part{{URL: st.URL + "/a", IndexURL: st.URL + "/a.idx"}}
			_, err := Fetch(context.Background(), st.client(), o, Need{Source: "hrrr", BaseURL: st.URL})
			if !errors.Is(err, test.want) || test.want == nil && err != nil && test.name != "messages moved" {
				t.Errorf("error %v, want %v", err, test.want)
			}
			if n := st.asked(); n > test.requests {
				t.Errorf("%d requests, want at most %d", n, test.requests)
			}
		})
	}
	st := newStore(t, at("2026-01-21T14:00:00Z"))
	o.Parts = []Part{{URL: st.URL + "/gone", IndexURL: st.URL + "/gone.idx"}}
	if _, err := Fetch(context.Background(), st.client(), o, Need{Source: "hrrr"}); !errors.Is(err, feed.ErrNotFound) {
		t.Errorf("error %v, want ErrNotFound", err)
	}
	for _, bad := range []Object{{Source: "rap", Parts: o.Parts}, {Source: "hrrr"}} {
		if _, err := Fetch(context.Background(), st.client(), bad, Need{Source: "hrrr"}); err == nil {
			t.Errorf("object %+v was fetched", bad)
		}
	}
}

// TestWhatIsWantedOfRealIndexes counts by awk over the same files, on levels
// from 250 to 1000 mb. Of rates of precipitation the one of the instant is wanted,
// not the mean that stands beside it.
func TestWhatIsWantedOfRealIndexes(t *testing.T) {
	for _, test := range []struct {
		file, source string
		reference    string
		hours        int
		fields       int
		ranges       int // messages; RAP has wind components in one
		names        string
	}{
		{"idx/gfs.20221014.t00z.pgrb2.0p25.f000.idx", "gfs", "2022-10-14T00:00:00Z", 0, 18*11 + 9, 18*11 + 9,
			"CLWMR GRLE HGT ICMR RWMR SNMR SPFH TMP UGRD VGRD VVEL"},
		{"idx/gfs.20221014.t06z.pgrb2.0p25.f021.idx", "gfs", "2022-10-14T06:00:00Z", 21, 18*11 + 9, 18*11 + 9,
			"CLWMR GRLE HGT ICMR RWMR SNMR SPFH TMP UGRD VGRD VVEL"},
		{"idx/rap.20231201.t00z.awp130pgrbf00.grib2.idx", "rap", "2023-12-01T00:00:00Z", 0, 31*6 + 9, 31*5 + 7,
			"HGT RH TMP UGRD VGRD VVEL"},
	} {
		b := testfiles.Read(t, test.file)
		s, _ := Find(test.source)
		reference := at(test.reference)
		o := Object{ReferenceTime: reference, ValidTime: reference.Add(time.Duration(test.hours) * time.Hour)}
		ranges, names, err := wantedRanges(test.file, b, o, s.Quantities)
		if err != nil {
			t.Errorf("%s: %v", test.file, err)
			continue
		}
		index, err := feed.ParseIndex(test.file, b)
		if err != nil {
			t.Fatal(err)
		}
		fields := len(s.Quantities.wanted(index, o.ValidTime.Sub(o.ReferenceTime)))
		names = slices.DeleteFunc(names, func(name string) bool { return strings.Contains(name, ":") }) // near and at the ground
		if fields != test.fields || len(ranges) != test.ranges || strings.Join(names, " ") != test.names {
			t.Errorf("%s: %d fields in %d ranges, %v; want %d in %d, %s", test.file, fields, len(ranges), names, test.fields, test.ranges, test.names)
		}
	}
}

func TestFetchUnfolds(t *testing.T) {
	zip := func(b []byte) []byte {
		var out bytes.Buffer
		w := gzip.NewWriter(&out)
		_, _ = w.Write(b)
		_ = w.Close()
		return out.Bytes()
	}
	text := bytes.Repeat([]byte("GRIB"), 1000)
	stored := zip(text)
	st := newStore(t, at("2026-01-21T12:00:00Z"))
	s, _ := Find("mrms")
	key, err := s.Key("file", at("2026-01-21T11:58:00Z"), 0, Values{"product": s.Products[0]})
	if err != nil {
		t.Fatal(err)
	}
	st.put(key, at("2026-01-21T11:59:30Z"), stored)
	n := Need{Source: "mrms", BaseURL: st.URL}
	objects := follow(t, st, n).poll(st.now)
	if len(objects) != 1 {
		t.Fatalf("objects %v", ids(objects))
	}
	got, err := Fetch(context.Background(), st.client(), objects[0], n)
	if err != nil {
		t.Fatal(err)
	}
	file := got.Files[0]
	if !bytes.Equal(file.Bytes, text) || file.SHA256 != hexDigest(stored) || file.Name != "MRMS_MergedReflectivityQCComposite_00.50_20260121-115800.grib2" {
		t.Errorf("%d bytes, digest %s, name %s", len(file.Bytes), file.SHA256, file.Name)
	}
	if b, err := gunzip("two.gz", slices.Concat(stored, stored), 1<<20); err != nil || len(b) != 8000 {
		t.Errorf("two members: %d bytes, %v", len(b), err)
	}
	for _, test := range []struct {
		name string
		b    []byte
		want error
	}{
		{"cut", stored[:len(stored)-9], ingest.ErrTruncated},
		{"empty", nil, ingest.ErrTruncated},
		{"no gzip", []byte("GRIB at once, no gzip"), ingest.ErrCorrupt},
		{"a bomb", zip(make([]byte, 1<<20+1)), ingest.ErrCorrupt},
		{"damaged", append(slices.Clone(stored[:len(stored)-8]), 1, 2, 3, 4, 5, 6, 7, 8), ingest.ErrCorrupt},
	} {
		_, err := gunzip(test.name, test.b, 1<<20)
		var fe *ingest.FormatError
		if !errors.As(err, &fe) || !errors.Is(err, test.want) {
			t.Errorf("%s: error %v, want %v", test.name, err, test.want)
		}
	}
}

// TestFetchAVolumeInPieces reads the real one, in the order of its pieces.
func TestFetchAVolumeInPieces(t *testing.T) {
	st := newStore(t, at("2026-08-11T23:05:00Z"))
	var want []byte
	paths := testfiles.Glob(t, "level2/chunks-185/*")
	for _, path := range paths {
		name := path[strings.LastIndexByte(path, '/')+1:]
		b := testfiles.Read(t, "level2/chunks-185/"+name)
		st.put("XVAL/185/"+name, at("2026-08-11T23:04:00Z"), b)
		want = append(want, b...)
	}
	n := Need{Source: "nexrad-chunks", Stations: []string{"XVAL"}, BaseURL: st.URL}
	objects := follow(t, st, n).poll(st.now)
	wantIDs(t, ids(objects), []string{"nexrad-chunks/XVAL/20260811T225858Z"})
	if !objects[0].Complete || len(objects[0].Parts) != 49 {
		t.Fatalf("%d pieces, complete %v", len(objects[0].Parts), objects[0].Complete)
	}
	got, err := Fetch(context.Background(), st.client(), objects[0], n)
	if err != nil {
		t.Fatal(err)
	}
	var whole []byte
	for _, file := range got.Files {
		whole = append(whole, file.Bytes...)
	}
	if len(got.Files) != 49 || !bytes.Equal(whole, want) {
		t.Errorf("%d files, %d bytes, want 49, %d", len(got.Files), len(whole), len(want))
	}
}

func TestProbe(t *testing.T) {
	now := at("2026-01-21T13:30:00Z")
	for _, s := range All() {
		if s.Layout == LayoutPage {
			continue // see TestProbePage
		}
		t.Run(s.Name, func(t *testing.T) {
			st := newStore(t, now)
			s.BaseURL = st.URL
			if r := Probe(context.Background(), st.client(), s, now); r.OK || r.Err == nil || r.Detail == "" {
				t.Errorf("an empty store: %+v", r)
			}
			switch s.Layout {
			case LayoutRuns:
				putHour(t, st, s.Name, s.runAtOrBefore(now.Add(-s.Latency)), 0, now.Add(-time.Minute))
			case LayoutTimes:
				known := Values{"station": s.ProbeStation, "vv": "06", "t": "6", "*": "0"}
				if len(s.Products) > 0 {
					known["product"] = s.Products[0]
				}
				key, err := s.Key("file", now.Add(-10*time.Minute), 0, known)
				if err != nil {
					t.Fatal(err)
				}
				st.put(key, now.Add(-5*time.Minute), []byte("x"))
			case LayoutChunks:
				turn{12, now.Add(-8 * time.Minute).Format(time.RFC3339), 3, nil, false}.put(st, s.ProbeStation)
			case LayoutBulletins:
				for _, name := range []string{"us/usus45.kboi.man.boi.txt", "um/umus45.kboi.sgl.boi.txt", "uk/ukxx01.xxcc..txt"} {
					st.put(name, now.Add(-time.Hour), []byte("x"))
				}
			case LayoutCollection:
				st.put("sn.0001.bin", now.Add(-time.Hour), []byte("x"))
			case LayoutFiles:
				key, err := s.Key("file", now, 0, Values{"station": s.ProbeStation})
				if err != nil {
					t.Fatal(err)
				}
				st.put(key, now.Add(-time.Hour), []byte("x"))
			}
			st.asked()
			r := Probe(context.Background(), st.client(), s, now)
			if !r.OK || r.Err != nil || r.Newest.IsZero() || r.Took <= 0 || now.Sub(r.Newest) > 8*time.Hour {
				t.Errorf("%+v", r)
			}
			if n := st.asked(); n > 8 {
				t.Errorf("%d requests", n)
			}
			if stale := Probe(context.Background(), st.client(), s, now.Add(80*24*time.Hour)); stale.OK {
				t.Errorf("a store that has stood still for 80 days: %+v", stale)
			}
			st.refusing(func(*http.Request) int { return http.StatusInternalServerError })
			if r := Probe(context.Background(), st.client(), s, now); r.OK || !errors.Is(r.Err, feed.ErrUnavailable) {
				t.Errorf("a broken store: %+v", r)
			}
		})
	}
}

// BenchmarkFetchModelHour reads 347 messages of 300 kB, about what an hour of
// HRRR is, by byte ranges from a store on this machine.
func BenchmarkFetchModelHour(b *testing.B) {
	reference := at("2026-01-21T12:00:00Z")
	var fields []string
	for hPa := 1000; hPa >= 250; hPa -= 25 {
		for _, name := range []string{"HGT", "TMP", "RH", "DPT", "SPFH", "VVEL", "UGRD", "VGRD", "ABSV", "CLMR", "CIMIXR", "RWMR", "SNMR", "GRLE"} {
			fields = append(fields, fmt.Sprintf("%s:%d mb:anl", name, hPa))
		}
	}
	for _, name := range []string{"HGT:surface", "PRES:surface", "TMP:2 m above ground", "SPFH:2 m above ground", "UGRD:10 m above ground", "VGRD:10 m above ground"} {
		fields = append(fields, name+":anl")
	}
	var file, index []byte
	for k, f := range fields {
		index = fmt.Appendf(index, "%d:%d:d=%s:%s:\n", k+1, len(file), reference.Format("2006010215"), f)
		file = append(file, message(f+strings.Repeat(" ", 300_000))...)
	}
	st := newStore(b, at("2026-01-21T14:00:00Z"))
	st.put("a", reference, file)
	st.put("a.idx", reference, index)
	o := Object{Source: "hrrr", ReferenceTime: reference, ValidTime: reference,
		Parts: []Part{{URL: st.URL + "/a", IndexURL: st.URL + "/a.idx"}}}
	client := st.client()
	b.ReportAllocs()
	for b.Loop() {
		got, err := Fetch(context.Background(), client, o, Need{Source: "hrrr", BaseURL: st.URL})
		if err != nil {
			b.Fatal(err)
		}
		b.SetBytes(int64(len(got.Files[0].Bytes)))
	}
}
