package archive

import (
	"bytes"
	"fmt"
	"math"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

// ncdump, the reference tool of Unidata (Debian package netcdf-bin), reads the header
// of each netCDF file, and in every variable of one dimension the numbers of the table.
func TestNCDumpReadsTheSame(t *testing.T) {
	ncdump, err := exec.LookPath("ncdump")
	if err != nil {
		t.Skip("ncdump is not there (Debian package netcdf-bin)")
	}
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	inventedNight(t, 20).feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	m := manifestOf(t, a.Reader, "2026-01-14")
	for _, test := range []struct{ table, file string }{{TableScores, scoresNC}, {TablePaths, pathsNC}} {
		path := filepath.Join(dir, invented, m.Day, m.Folder, test.file)
		dump := func(arguments ...string) string {
			var told bytes.Buffer
			command := exec.CommandContext(t.Context(), ncdump, append(arguments, path)...)
			command.Stderr = &told
			out, err := command.Output()
			if err != nil {
				t.Fatalf("ncdump %v: %v\n%s", arguments, err, &told)
			}
			return string(out)
		}
		header := dump("-h")
		for _, want := range []string{":Conventions = \"CF-1.11\"", "sample_dimension = \"obs\"", fmt.Sprintf("obs = %d ;", m.Tables[test.table].Rows)} {
			if !strings.Contains(header, want) {
				t.Errorf("%s: the header lacks %s", test.file, want)
			}
		}
		l := layoutNamed(test.table)
		want := newBlock(l)
		for rows, err := range a.Table(t.Context(), test.table, Query{Programme: invented}) {
			if err != nil {
				t.Fatal(err)
			}
			of := &block{of: l, columns: make([]Column, len(l.headings)), rows: rows.Len}
			for k := range l.headings {
				of.columns[k] = *rows.Column(l.headings[k].name)
			}
			want.append(of)
		}
		compared := 0
		for k := range l.headings {
			h := &l.headings[k]
			if h.parquetOnly || h.of == textColumn || !strings.Contains(header, " "+h.name+"(obs)") {
				continue
			}
			// -p: as many digits as tell all values of either type apart.
			text := dump("-p", "9,17", "-v", h.name)
			_, text, found := strings.Cut(text[strings.Index(text, "data:"):], "\n "+h.name+" = ")
			if !found {
				t.Fatalf("%s: no data of %s", test.file, h.name)
			}
			text, _, _ = strings.Cut(text, ";")
			values := strings.Split(text, ",")
			if len(values) != want.rows {
				t.Fatalf("%s: %d values of %s, want %d", test.file, len(values), h.name, want.rows)
			}
			for n, value := range values {
				value = strings.TrimSpace(value)
				same := false
				switch c := &want.columns[k]; {
				case h.of == floatColumn && (value == "_" || value == "NaNf" || value == "NaN"):
					same = math.IsNaN(c.Floats[n])
				case h.of == floatColumn:
					x, err := strconv.ParseFloat(value, 64)
					same = err == nil && float32(x) == float32(c.Floats[n])
				case value == "_" || value == "NaN":
					same = c.Ints[n] == Missing
				case h.of == timeColumn:
					x, err := strconv.ParseFloat(value, 64)
					same = err == nil && math.Abs(x-float64(c.Ints[n])/1e6) < 1e-6
				default:
					x, err := strconv.ParseInt(strings.TrimSuffix(value, "LL"), 10, 64)
					same = err == nil && x == c.Ints[n]
				}
				if !same {
					t.Fatalf("%s: %s[%d] is %s, the table has another value", test.file, h.name, n, value)
				}
				compared++
			}
		}
		if compared < 8*want.rows {
			t.Errorf("%s: only %d values compared in %d rows", test.file, compared, want.rows)
		}
		t.Logf("%s: %d values are the same", test.file, compared)
	}
}
