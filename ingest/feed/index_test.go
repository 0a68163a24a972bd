package feed

import (
	"bytes"
	"encoding/binary"
	"errors"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

func TestParseIndexLine(t *testing.T) {
	// Lines of NOAA's published inventories, and one with an ensemble member in
	// the form of the wgrib2 documentation ("-s" inventory).
	b := "1:0:d=2023120100:REFC:entire atmosphere:anl:\n" +
		"2:66170:d=202312010015:TMP:700 mb:15 min fcst:\r\n" +
		"3.1:90000:d=2023120100:UGRD:100 mb:anl:\n" +
		"3.2:90000:d=2023120100:VGRD:100 mb:anl:\n" +
		"4:95000:d=2023120100:var discipline=0 center=7 local_table=1 parmcat=16 parm=201:PV=-2e-06 (Km^2/kg/s) surface:0-6 hour acc fcst:ENS=+1:prob >0.5\n\n"
	index, err := ParseIndex("a.idx", []byte(b))
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2023, 12, 1, 0, 0, 0, 0, time.UTC)
	want := Index{
		{1, 0, 0, 66170, at, "REFC", "entire atmosphere", "anl", ""},
		{2, 0, 66170, 90000, at.Add(15 * time.Minute), "TMP", "700 mb", "15 min fcst", ""},
		{3, 1, 90000, 95000, at, "UGRD", "100 mb", "anl", ""},
		{3, 2, 90000, 95000, at, "VGRD", "100 mb", "anl", ""},
		{4, 0, 95000, -1, at, "var discipline=0 center=7 local_table=1 parmcat=16 parm=201", "PV=-2e-06 (Km^2/kg/s) surface", "0-6 hour acc fcst", "ENS=+1:prob >0.5"},
	}
	if len(index) != len(want) {
		t.Fatalf("%d entries, want %d", len(index), len(want))
	}
	for i := range want {
		if index[i] != want[i] {
			t.Errorf("entry %d: %+v, want %+v", i, index[i], want[i])
		}
	}
	ranges := index.Ranges(func(e IndexEntry) bool { return e.Variable != "TMP" })
	if len(ranges) != 3 || ranges[0] != (Range{0, 66170}) || ranges[1] != (Range{90000, 95000}) || ranges[2] != (Range{95000, -1}) {
		t.Errorf("ranges %v, want one a message", ranges)
	}
}

func TestParseIndexErrors(t *testing.T) {
	const line = "1:0:d=2023120100:REFC:entire atmosphere:anl:\n"
	for _, test := range []struct {
		text    string
		message int
		offset  int64
		reason  error
	}{
		{"", 0, 0, ingest.ErrTruncated},
		{"\n\n", 0, 2, ingest.ErrTruncated},
		{line[:len(line)-2], 1, 43, ingest.ErrTruncated},
		{line + "2:100:d=20231", 2, 58, ingest.ErrTruncated},
		{line[:20] + "\n", 1, 20, ingest.ErrCorrupt},
		{"<html><body>not here</body></html>\n", 1, 34, ingest.ErrCorrupt},
		{"0" + line[1:], 1, 0, ingest.ErrCorrupt},
		{"-1" + line[1:], 1, 0, ingest.ErrCorrupt},
		{"1.0" + line[1:], 1, 0, ingest.ErrCorrupt},
		{"99999999999" + line[1:], 1, 0, ingest.ErrCorrupt},
		{"1:-5" + line[3:], 1, 2, ingest.ErrCorrupt},
		{"1:99999999999999999999" + line[3:], 1, 2, ingest.ErrCorrupt},
		{"1:0:2023120100:REFC:a:anl:\n", 1, 4, ingest.ErrCorrupt},
		{"1:0:d=2023123200:REFC:a:anl:\n", 1, 4, ingest.ErrCorrupt},
		{"1:0:d=2023022900:REFC:a:anl:\n", 1, 4, ingest.ErrCorrupt},
		{"1:0:d=2023120124:REFC:a:anl:\n", 1, 4, ingest.ErrCorrupt},
		{"1:0:d=20231201:REFC:a:anl:\n", 1, 4, ingest.ErrCorrupt},
		{"1:0:d=2023120100::a:anl:\n", 1, 17, ingest.ErrCorrupt},
		{line + line, 2, 45, ingest.ErrCorrupt},
		{line + "2:0:d=2023120100:REFC:a:anl:\n", 2, 45, ingest.ErrCorrupt},
		{line + "1:9:d=2023120100:REFC:a:anl:\n", 2, 45, ingest.ErrCorrupt},
		{"1.1" + line[1:] + "1.3" + line[1:], 2, 47, ingest.ErrCorrupt},
		{"1.1" + line[1:] + "1.2:7" + line[3:], 2, 47, ingest.ErrCorrupt},
		{line + "\n" + "2:9:d=2023120100:REFC:a:anl:\n", 2, 45, ingest.ErrCorrupt}, // a blank line within
	} {
		index, err := ParseIndex("a.idx", []byte(test.text))
		var fe *ingest.FormatError
		if !errors.As(err, &fe) {
			t.Errorf("%q: %v, %v, want a *ingest.FormatError", test.text, index, err)
			continue
		}
		if fe.Message != test.message || fe.Offset != test.offset || !errors.Is(err, test.reason) {
			t.Errorf("%q: %v, want message %d, byte %d, %v", test.text, err, test.message, test.offset, test.reason)
		}
	}
}

// TestRealInventories parses every real inventory that is at hand. How many
// entries it has is known from its line ends, and each line must come back from
// the parts.
func TestRealInventories(t *testing.T) {
	for _, path := range testfiles.Glob(t, "idx/*.idx") {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Base(path)
		index, err := ParseIndex(name, b)
		if err != nil {
			t.Error(err)
			continue
		}
		lines := strings.Split(strings.TrimSuffix(string(b), "\n"), "\n")
		if len(index) != len(lines) {
			t.Errorf("%s: %d entries, the file has %d lines", name, len(index), len(lines))
			continue
		}
		for i, e := range index {
			number := strconv.Itoa(e.Number)
			if e.Sub > 0 {
				number += "." + strconv.Itoa(e.Sub)
			}
			again := strings.Join([]string{number, strconv.FormatInt(e.Offset, 10), e.Reference.Format("d=2006010215"),
				e.Variable, e.Level, e.Forecast, e.Rest}, ":")
			if strings.TrimSuffix(lines[i], ":") != strings.TrimSuffix(again, ":") {
				t.Errorf("%s: line %d is %q, read as %q", name, i+1, lines[i], again)
			}
			switch {
			case e.End == -1 && e.Number != index[len(index)-1].Number:
				t.Errorf("%s: entry %d has no end", name, i+1)
			case e.End != -1 && e.End <= e.Offset:
				t.Errorf("%s: entry %d from %d to %d", name, i+1, e.Offset, e.End)
			}
		}
		t.Logf("%s: %d entries, %d messages", name, len(index), index[len(index)-1].Number)
	}
}

// TestInventoryAgainstItsFile compares a real inventory with the message lengths
// of the real file beside it, and fetches the file through it.
func TestInventoryAgainstItsFile(t *testing.T) {
	b := testfiles.Read(t, "grib2/gfswave.20230823.t18z.atlocn.0p16.f001.grib2")
	index, err := ParseIndex("idx", testfiles.Read(t, "idx/gfswave.20230823.t18z.atlocn.0p16.f001.grib2.idx"))
	if err != nil {
		t.Fatal(err)
	}
	at := int64(0)
	for i, e := range index {
		if e.Offset != at || string(b[at:at+4]) != "GRIB" {
			t.Fatalf("entry %d at %d, the message before ends at %d", i, e.Offset, at)
		}
		at += int64(binary.BigEndian.Uint64(b[at+8:]))
		if end := e.End; end != at && !(end == -1 && i == len(index)-1 && at == int64(len(b))) {
			t.Fatalf("entry %d ends at %d, its message at %d", i, end, at)
		}
	}

	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) { serve(w, r, `"1"`, b) })
	c := newClient(t, quick())
	for _, gap := range []int64{0, 50000} {
		o, err := c.GetRanges(testContext(t), s.URL+"/a", index.Ranges(func(e IndexEntry) bool {
			return e.Variable == "UGRD" || e.Variable == "VGRD" || e.Variable == "SWDIR"
		}), GetOptions{JoinGap: gap})
		if err != nil {
			t.Fatal(err)
		}
		checkParts(t, o, b)
		if err := CheckGRIB("a", o); err != nil {
			t.Error(err)
		}
		if n := bytes.Count(o.Bytes, []byte("GRIB")); n < 5 {
			t.Errorf("%d messages, want two of wind and three of swell", n)
		}
	}
	// The inventory of another version of the file.
	for i := range index {
		index[i].Offset++
		if index[i].End > 0 {
			index[i].End++
		}
	}
	o, err := c.GetRanges(testContext(t), s.URL+"/a", index.Ranges(func(e IndexEntry) bool { return e.Number == 3 }), GetOptions{})
	if err != nil {
		t.Fatal(err)
	}
	if err := CheckGRIB("a", o); !errors.Is(err, ingest.ErrCorrupt) {
		t.Errorf("messages cut at wrong places pass: %v", err)
	}
}

// message is a GRIB message in all that CheckGRIB looks at.
func message(n int) []byte {
	b := make([]byte, n)
	copy(b, "GRIB")
	b[7] = 2
	binary.BigEndian.PutUint64(b[8:], uint64(n))
	copy(b[n-4:], "7777")
	return b
}

func TestCheckGRIB(t *testing.T) {
	change := func(b []byte, at int, to byte) []byte { b[at] = to; return b }
	for _, test := range []struct {
		name   string
		b      []byte
		offset int64 // within the part
		reason error
	}{
		{"one", message(50), 0, nil},
		{"two", append(message(50), message(60)...), 0, nil},
		{"nothing", nil, 0, ingest.ErrTruncated},
		{"cut", message(50)[:49], 8, ingest.ErrTruncated},
		{"cut in its header", message(50)[:15], 0, ingest.ErrTruncated},
		{"second cut", append(message(50), message(60)[:59]...), 58, ingest.ErrTruncated},
		{"bytes behind", append(message(50), make([]byte, 20)...), 50, ingest.ErrCorrupt},
		{"edition 1", change(message(50), 7, 1), 7, ingest.ErrUnsupported},
		{"no GRIB", change(message(50), 1, 'X'), 0, ingest.ErrCorrupt},
		{"no 7777", change(message(50), 48, '8'), 46, ingest.ErrCorrupt},
		{"too short to be one", message(40), 8, ingest.ErrCorrupt},
		{"huge length", change(message(50), 8, 0xff), 8, ingest.ErrTruncated},
		{"HTML", []byte("<html><body>please log in</body></html>"), 0, ingest.ErrCorrupt},
	} {
		err := CheckGRIB("a", Object{Parts: []Part{{Offset: 7, Length: 45, Bytes: message(45)}, {Offset: 1000, Length: int64(len(test.b)), Bytes: test.b}}})
		if test.reason == nil {
			if err != nil {
				t.Errorf("%s: %v", test.name, err)
			}
			continue
		}
		var fe *ingest.FormatError
		if !errors.As(err, &fe) || !errors.Is(err, test.reason) || fe.Offset != 1000+test.offset {
			t.Errorf("%s: %v, want %v at byte %d", test.name, err, test.reason, 1000+test.offset)
		}
	}
	if err := CheckGRIB("a", Object{Bytes: message(50)}); err != nil {
		t.Errorf("a whole object: %v", err)
	}
	if err := CheckGRIB("a", Object{}); !errors.Is(err, ingest.ErrTruncated) {
		t.Errorf("an empty object: %v", err)
	}
}

// TestRealMessages: every real file passes but those in which other bytes stand
// between the messages. No inventory leads to such bytes.
func TestRealMessages(t *testing.T) {
	other := map[string]string{
		"era5.20210801.t12z.2t.alternate-scanning.grib2":    "zeros behind",
		"gefs.20041209.t12z.f072.2p5deg.jpeg.grib2":         "bytes between messages",
		"gfs.20230510.t18z.cfrzr_and_cprat.grib2":           "zeros between messages",
		"mrf_flux.20040229.t12z.jpeg.grib2":                 "bytes between messages",
		"ndfd.20100125.maxt.complex.grib2":                  "bulletin heading",
		"ndfd.20231102.minrh.grib2":                         "bulletin heading",
		"ndfd_pr.20110929.temp.grib2":                       "bulletin heading",
		"ndfd.20231130.waveh.mercator.grib2":                "bulletin end",
		"wpc_qpf.20220809.t12z.f168.06h.2p5km.grib2":        "bulletin heading",
		"hrrr.20230914.t11z.wrfsfcf12.truncated-2MiB.grib2": "cut",
	}
	checked := 0
	for _, path := range testfiles.Glob(t, "grib2/*.grib2") {
		b, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Base(path)
		err = CheckGRIB(name, Object{Bytes: b})
		if why := other[name]; (err != nil) != (why != "") {
			t.Errorf("%s: %v; bytes of another kind: %q", name, err, why)
		}
		if err == nil {
			checked++
		}
	}
	t.Logf("%d whole files", checked)
}
