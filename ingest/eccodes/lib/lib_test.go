package lib

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"rimeline/ingest/testfiles"
)

// singleFields cuts a file into messages of one field each: where sections 2
// to 7 repeat (WMO No. 306, Vol. I.2, FM 92, regulation 92.1), each field gets
// the sections in force when its section 7 comes.
func singleFields(b []byte) (messages [][]byte) {
	for {
		start := bytes.Index(b, []byte("GRIB"))
		if start < 0 || len(b)-start < 16 {
			return messages
		}
		b = b[start:]
		length := binary.BigEndian.Uint64(b[8:])
		if length > uint64(len(b)) {
			return messages
		}
		var sections [8][]byte
		for rest := b[16 : length-4]; len(rest) >= 5; {
			n, number := binary.BigEndian.Uint32(rest), rest[4]
			bitmap := sections[6]
			sections[number], rest = rest[:n], rest[n:]
			if number == 6 && sections[6][5] == 254 { // as defined before
				sections[6] = bitmap
			}
			if number == 7 {
				m := append([]byte{}, b[:16]...)
				for _, s := range sections[1:] {
					m = append(m, s...)
				}
				m = append(m, "7777"...)
				binary.BigEndian.PutUint64(m[8:], uint64(len(m)))
				messages = append(messages, m)
			}
		}
		b = b[length:]
	}
}

// Every field in the packings that this binding is there for, against the
// tables of minimum, maximum, mean and missing points that the tool grib_get
// of ecCodes 2.28.0 made, and against single values in them.
func TestDecodeGRIBAgainstReferenceTables(t *testing.T) {
	var d Decoder
	defer d.Free()
	fields := map[string]int{}
	for _, path := range testfiles.Glob(t, "grib2/*.grib2") {
		name := filepath.Base(path)
		rows := strings.Split(strings.TrimSpace(string(testfiles.Read(t, "reference/"+name+".tsv"))), "\n")
		column := map[string]int{}
		for i, title := range strings.Split(rows[0], "\t") {
			column[title] = i
		}
		rows = rows[1:]
		if packing := strings.Split(rows[0], "\t")[column["drt"]]; packing != "40" && packing != "42" {
			continue
		}
		messages := singleFields(testfiles.Read(t, "grib2/"+name))
		if len(messages) != len(rows) {
			t.Errorf("%s: %d fields, %d in the table", name, len(messages), len(rows))
			continue
		}
		for i, row := range rows {
			cells := strings.Split(row, "\t")
			cell := func(title string) float64 {
				v, err := strconv.ParseFloat(cells[column[title]], 64)
				if err != nil {
					return math.NaN()
				}
				return v
			}
			values, err := d.Decode(messages[i])
			if err != nil {
				t.Errorf("%s: field %d: %v", name, i+1, err)
				continue
			}
			fields[cells[column["drt"]]]++
			low, high, sum, missing := math.Inf(1), math.Inf(-1), 0.0, 0
			for _, v := range values {
				if math.IsNaN(v) {
					missing++
					continue
				}
				low, high, sum = min(low, v), max(high, v), sum+v
			}
			mean := sum / float64(len(values)-missing)
			if got, want := len(values), int(cell("npoints")); got != want {
				t.Errorf("%s: field %d: %d points, want %d", name, i+1, got, want)
			}
			if want := int(cell("missing")); missing != want {
				t.Errorf("%s: field %d: %d missing, want %d", name, i+1, missing, want)
			}
			for title, got := range map[string]float64{"min": low, "max": high, "average": mean} {
				want := cell(title)
				// The sum is taken in another order than in the table.
				if missing < len(values) && !(math.Abs(got-want) <= 1e-9*max(math.Abs(low), math.Abs(high))) {
					t.Errorf("%s: field %d: %s %v, want %v", name, i+1, title, got, want)
				}
			}
			for _, k := range []string{"0", "1", "2", "3", "4"} {
				at := int(cell("i" + k))
				got, want := values[at], cell("value"+k)
				if got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
					t.Errorf("%s: field %d: value %d is %v, want %v", name, i+1, at, got, want)
				}
			}
		}
	}
	t.Logf("fields a packing: %v", fields)
	if fields["40"] < 300 || fields["42"] < 10 {
		t.Errorf("fields a packing: %v, want at least 300 of 5.40 and 10 of 5.42", fields)
	}
}

func TestCeilingOfValues(t *testing.T) {
	message := testfiles.Read(t, "grib2/ecmwf.aifs-single.20260310.t12z.t500.grib2") // 1440 x 721
	d := Decoder{MaxValues: 1440*721 - 1}
	defer d.Free()
	if _, err := d.Decode(message); !errors.Is(err, ErrTooLarge) {
		t.Errorf("one value too many: %v, want ErrTooLarge", err)
	}
	d.MaxValues++
	if _, err := d.Decode(message); err != nil {
		t.Errorf("as many values as allowed: %v", err)
	}
}

func TestNotGRIB(t *testing.T) {
	for _, b := range []string{"", "GRIB", "BUFR" + strings.Repeat("x", 100), "GRIB" + strings.Repeat("\x00", 100)} {
		if values, err := DecodeGRIB([]byte(b)); err == nil {
			t.Errorf("%.20q decoded to %d values", b, len(values))
		}
	}
}

func BenchmarkDecodeCCSDS(b *testing.B) {
	message := testfiles.Read(b, "grib2/ecmwf.aifs-single.20260310.t12z.t500.grib2")
	var d Decoder
	defer d.Free()
	b.SetBytes(int64(len(message)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := d.Decode(message); err != nil {
			b.Fatal(err)
		}
	}
}
