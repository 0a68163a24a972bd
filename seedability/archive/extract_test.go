package archive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"rimeline/seedability/bus"
)

// extractedArchive has assessments of two days and messages of every other kind.
func extractedArchive(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	inventedNight(t, 226).feed(t, a) // 05:40 to 00:25 of the next day
	if err := errors.Join(a.Flush(t.Context()), a.Close()); err != nil {
		t.Fatal(err)
	}
	return dir
}

func reader(t *testing.T, dir string) *Reader {
	t.Helper()
	r, err := OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

// tableRows puts what Extract gives into one block.
func tableRows(t *testing.T, r *Reader, table string, e Extraction) (*block, []string) {
	t.Helper()
	all := newBlock(layoutNamed(table))
	var groups []string
	if err := r.Extract(t.Context(), table, e, func(rows Rows) error {
		all.append(&block{of: all.of, columns: rows.Columns, rows: rows.Len})
		for range rows.Len {
			groups = append(groups, rows.Site)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	return all, groups
}

func sameBlocks(t *testing.T, what string, got, want *block) {
	t.Helper()
	if got.rows != want.rows {
		t.Fatalf("%s: %d rows, want %d", what, got.rows, want.rows)
	}
	for k := range want.columns {
		g, w := &got.columns[k], &want.columns[k]
		same := slices.Equal(g.Ints, w.Ints) && slices.Equal(g.Texts, w.Texts) &&
			slices.EqualFunc(g.Floats, w.Floats, func(a, b float64) bool { return a == b || math.IsNaN(a) && math.IsNaN(b) })
		if !same {
			t.Errorf("%s: column %s differs", what, w.Name)
		}
	}
}

// What is extracted is what Table gives of all days, cut at the bounds, which cut no
// path in two.
func TestExtract(t *testing.T) {
	dir := extractedArchive(t)
	r := reader(t, dir)
	for _, table := range Tables() {
		of := Query{Programme: invented}
		if table == TableHealth {
			of.Programme = serviceName
		}
		got, _ := tableRows(t, r, table, Extraction{Query: of})
		want := newBlock(layoutNamed(table))
		for rows, err := range r.Table(t.Context(), table, of, ColumnNames(table)...) {
			if err != nil {
				t.Fatal(err)
			}
			one := &block{of: want.of, rows: rows.Len}
			for _, name := range ColumnNames(table) {
				one.columns = append(one.columns, *rows.Column(name))
			}
			want.append(one)
		}
		sameBlocks(t, table, got, want)
		if got.rows == 0 {
			t.Errorf("%s: no rows: no test", table)
		}
	}
	// 10:00 is included, 10:30 is not; the paths go on for an hour after their release.
	from, to := at(260), at(290)
	scores, _ := tableRows(t, r, TableScores, Extraction{Query: Query{Programme: invented, From: from, To: to}})
	paths, _ := tableRows(t, r, TablePaths, Extraction{Query: Query{Programme: invented, From: from, To: to}})
	if scores.rows != 6*3 || paths.rows != 6*3*12 {
		t.Errorf("%d scores and %d steps of paths, want 18 and 216", scores.rows, paths.rows)
	}
	for _, us := range scores.columns[scores.of.timeAt].Ints {
		if us := TimeOf(us); us.Before(from) || !us.Before(to) {
			t.Errorf("score of %v", us)
		}
	}
	// Across midnight, of one site.
	night := Query{Programme: invented, Sites: []string{"quill"}, From: at(1090), To: at(1110)}
	if b, groups := tableRows(t, r, TableScores, Extraction{Query: night}); b.rows != 4 || slices.ContainsFunc(groups, func(g string) bool { return g != "quill" }) {
		t.Errorf("across midnight: %d rows of %v", b.rows, groups)
	}
	n := 0
	if err := r.ExtractEvents(t.Context(), "score", Extraction{Query: night}, nil, func(bus.Stored, []byte) error { n++; return nil }); err != nil || n != 4 {
		t.Errorf("across midnight: %d messages, %v", n, err)
	}
}

// Damage is named by its day, and nothing of that day is given.
func TestExtractFromDamage(t *testing.T) {
	dir := extractedArchive(t)
	r := reader(t, dir)
	days, err := r.Days(invented)
	if err != nil || len(days) != 2 {
		t.Fatal(days, err)
	}
	whole, _ := tableRows(t, r, TableScores, Extraction{Query: Query{Programme: invented}})
	for name, harm := range map[string]func(){
		"a flipped byte": func() {
			path := filepath.Join(days[0].Folder, tableFile(TableScores))
			b, err := os.ReadFile(path)
			if err != nil {
				t.Fatal(err)
			}
			b[len(b)/2] ^= 4
			if err := os.WriteFile(path, b, 0o644); err != nil {
				t.Fatal(err)
			}
		},
		"no manifest": func() {
			if err := os.Remove(filepath.Join(filepath.Dir(days[0].Folder), manifestName)); err != nil {
				t.Fatal(err)
			}
		},
	} {
		harm()
		err := reader(t, dir).Extract(t.Context(), TableScores, Extraction{Query: Query{Programme: invented}}, func(rows Rows) error {
			t.Errorf("%s: %d rows of %v were given", name, rows.Len, rows.Day)
			return nil
		})
		if err == nil || !strings.Contains(err.Error(), "2026-01-14 of larkspur") {
			t.Errorf("%s: %v", name, err)
		}
		var told []string
		e := Extraction{Query: Query{Programme: invented}, Damaged: func(day string, err error) error { told = append(told, day); return nil }}
		rest, _ := tableRows(t, reader(t, dir), TableScores, e)
		if !slices.Equal(told, []string{"2026-01-14"}) || rest.rows == 0 || rest.rows >= whole.rows {
			t.Errorf("%s: %d of %d rows, told %v", name, rest.rows, whole.rows, told)
		}
		// A file says for itself what it lacks.
		var b bytes.Buffer
		if _, err := reader(t, dir).ExtractParquet(t.Context(), TableScores, e, &b); err != nil {
			t.Fatal(err)
		}
		f, err := parquet.OpenFile(bytes.NewReader(b.Bytes()), int64(b.Len()))
		if err != nil {
			t.Fatal(err)
		}
		if days, ok := f.Lookup("missing_days"); !ok || days != "2026-01-14" {
			t.Errorf("%s: missing_days %q", name, days)
		}
	}
}

func TestExtractParquet(t *testing.T) {
	r := reader(t, extractedArchive(t))
	for _, table := range []string{TableScores, TablePaths, TableHolds} {
		path := filepath.Join(t.TempDir(), table+".parquet")
		f, err := os.Create(path)
		if err != nil {
			t.Fatal(err)
		}
		defer f.Close()
		e := Extraction{Query: Query{Programme: invented, From: at(60)}}
		if table == TableHolds {
			e.From = time.Time{}
		}
		rows, err := r.ExtractParquet(t.Context(), table, e, f)
		if err != nil {
			t.Fatal(err)
		}
		want, _ := tableRows(t, r, table, e)
		again, err := openParquetGroups(path, layoutNamed(table), tableLimits())
		if err != nil {
			t.Fatal(err)
		}
		defer again.Close()
		got, err := again.read(0, rows, again.of.every())
		if err != nil {
			t.Fatal(err)
		}
		sameBlocks(t, table, got, want)
	}
}

// Several groups of rows of a file are read as one table.
func TestParquetGroups(t *testing.T) {
	path := filepath.Join(t.TempDir(), "x.parquet")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	l := layoutNamed(TablePaths)
	w := newParquetWriter(l, f)
	want := newBlock(l)
	for k := range 7 {
		b := newBlock(l)
		for n := range 100 * (k + 1) {
			a := inventedAssessment(inventedSites[0], at(k), 1)
			a.Path[0].Minutes = float64(n)
			add(b, pathColumns, &pathRow{stamp{"quill", uint64(n), "id", at(k)}, &a, &a.Path[0]})
		}
		pending := extractGroup
		if k%3 == 0 {
			pending = 0
		}
		if err := w.add("quill", b, &pending); err != nil {
			t.Fatal(err)
		}
		want.append(b)
	}
	if err := w.close(); err != nil {
		t.Fatal(err)
	}
	r, err := openParquetGroups(path, l, tableLimits())
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if n := len(r.file.RowGroups()); n != 5 {
		t.Errorf("%d groups", n)
	}
	if _, err := openParquet(path, l); !errors.Is(err, ErrDamaged) {
		t.Errorf("a file of a day with several groups: %v", err)
	}
	for _, span := range [][2]int64{{0, 2800}, {0, 1}, {2799, 2800}, {90, 1100}, {300, 600}, {5, 5}} {
		got, err := r.read(span[0], span[1], l.every())
		if err != nil {
			t.Fatal(span, err)
		}
		sameBlocks(t, fmt.Sprint(span), got, want.slice(int(span[0]), int(span[1])))
	}
}

// The netCDF file of several days has the layout of those of one day, by the rules of
// CF-1.11, and the values of the table.
func TestExtractNetCDF(t *testing.T) {
	dir := extractedArchive(t)
	r := reader(t, dir)
	for name, q := range map[string]Query{
		"all":   {Programme: invented},
		"part":  {Programme: invented, From: at(1000), To: at(1200), Sites: []string{"quill", "saddlehorn"}},
		"empty": {Programme: invented, From: at(-1000), To: at(-900)},
	} {
		out := t.TempDir()
		e := Extraction{Query: q}
		for _, table := range []string{TableScores, TablePaths} {
			rows, err := r.ExtractNetCDF(t.Context(), table, e, filepath.Join(out, table+".nc"), NetCDFOptions{ProgramVersion: "0.0-test", Now: night})
			if err != nil {
				t.Fatalf("%s: %s: %v", name, table, err)
			}
			if want, _ := tableRows(t, r, table, e); rows != int64(want.rows) {
				t.Errorf("%s: %s: %d rows, want %d", name, table, rows, want.rows)
			}
		}
		scores := checkCF(t, filepath.Join(out, "scores.nc"), "timeSeries", "timeseries_id", "station")
		paths := checkCF(t, filepath.Join(out, "paths.nc"), "trajectory", "trajectory_id", "trajectory")
		if scores.globals["institution"] != "Larkspur Water Users" && name != "empty" {
			t.Errorf("institution %q", scores.globals["institution"])
		}
		table, groups := tableRows(t, r, TableScores, e)
		holdToTable(t, name, scores, table, groups)
		// Of the steps, those of a site one path after the other, releases rising.
		steps, _ := tableRows(t, r, TablePaths, e)
		if got := len(paths.vars["alt"].numbers); got != steps.rows {
			t.Errorf("%s: %d steps, want %d", name, got, steps.rows)
		}
		sum := func(values []float64) (s float64) {
			for _, x := range values {
				s += x
			}
			return s
		}
		if got, want := sum(paths.vars["alt"].numbers), sum(steps.columns[steps.of.at("altitude")].Floats); got != want {
			t.Errorf("%s: altitudes sum to %v, want %v", name, got, want)
		}
		first := 0
		for k, id := range paths.vars["trajectory_id"].texts {
			site, rest, _ := strings.Cut(id, " ")
			release, _, _ := strings.Cut(rest, " ")
			begin, err := time.Parse(time.RFC3339, release)
			if err != nil || site != paths.vars["site"].texts[k] || paths.vars["row_size"].numbers[k] != 12 {
				t.Fatalf("%s: trajectory %q of %q with %v steps", name, id, paths.vars["site"].texts[k], paths.vars["row_size"].numbers[k])
			}
			for n := range 12 {
				if want := float64(begin.Add(time.Duration(5*n) * time.Minute).Unix()); paths.vars["time"].numbers[first+n] != want {
					t.Fatalf("%s: %s: step %d at %v, want %v", name, id, n, paths.vars["time"].numbers[first+n], want)
				}
			}
			first += 12
		}
	}
	// Nothing is left in the folder beside the files.
	out := t.TempDir()
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := r.ExtractNetCDF(ctx, TableScores, Extraction{Query: Query{Programme: invented}}, filepath.Join(out, "x.nc"), NetCDFOptions{}); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
	if left, err := os.ReadDir(out); err != nil || len(left) > 0 {
		t.Errorf("left: %v %v", left, err)
	}
	if _, err := r.ExtractNetCDF(t.Context(), TableHolds, Extraction{Query: Query{Programme: invented}}, filepath.Join(out, "x.nc"), NetCDFOptions{}); err == nil {
		t.Error("holds in netCDF")
	}
}

// holdToTable compares a file of scores with rows of the table, site by site.
func holdToTable(t *testing.T, what string, file *ncInfo, table *block, groups []string) {
	t.Helper()
	from := 0
	for s, site := range file.vars["station_id"].texts {
		var rows []int
		for k, group := range groups {
			if group == site {
				rows = append(rows, k)
			}
		}
		if n := file.vars["row_size"].numbers[s]; n != float64(len(rows)) {
			t.Fatalf("%s: %s has %v rows, want %d", what, site, n, len(rows))
		}
		for c := range table.columns {
			h := &table.of.headings[c]
			v := file.vars[h.name]
			if h.parquetOnly {
				continue
			}
			for n, k := range rows {
				got := v.numbers[from+n]
				var want float64
				switch h.of {
				case timeColumn:
					want = float64(table.columns[c].Ints[k]) / 1e6
				case intColumn:
					want = float64(table.columns[c].Ints[k])
				case textColumn:
					want = float64(slices.Index(h.flags, table.columns[c].Texts[k]))
				default:
					want = float64(float32(table.columns[c].Floats[k]))
				}
				if got != want && !(math.IsNaN(got) && math.IsNaN(want)) {
					t.Fatalf("%s: %s of %s, row %d: %v, want %v", what, h.name, site, n, got, want)
				}
			}
		}
		from += len(rows)
	}
	if from != table.rows {
		t.Errorf("%s: stations have %d rows, want %d", what, from, table.rows)
	}
}
