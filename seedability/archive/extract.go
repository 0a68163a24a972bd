package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"sort"
	"time"

	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/seedability/bus"
)

// Heading says what a column of a table holds.
type Heading struct {
	Name string
	// Unit in the spelling of UDUNITS-2; empty where there is none.
	Unit string
	// Of the values: Float, Int, Time (Ints of the column) or Text.
	Of ValueType
}

// ValueType of a column.
type ValueType uint8

const (
	Float ValueType = ValueType(floatColumn)
	Int   ValueType = ValueType(intColumn)
	Text  ValueType = ValueType(textColumn)
	Time  ValueType = ValueType(timeColumn)
)

// Headings lists the columns of a table, nil where there is no such table.
func Headings(table string) []Heading {
	l := layoutNamed(table)
	if l == nil {
		return nil
	}
	var all []Heading
	for _, h := range l.headings {
		all = append(all, Heading{h.name, h.unit, ValueType(h.of)})
	}
	return all
}

// Tables lists the names of the tables.
func Tables() []string {
	var names []string
	for _, l := range layouts {
		if l.name != tableIndex {
			names = append(names, l.name)
		}
	}
	return names
}

// Extraction says what is taken out of an archive as it is: every file is compared
// with its manifest before anything of it is given, and the bounds of time cut nothing
// in two. From and To bound the time of what rows belong to: the release of scores and
// paths, the issue of outlooks, else the event.
type Extraction struct {
	Query
	// Damaged hears of a day that cannot be read. An error that it returns ends the
	// extraction; after nil it goes on without that day. Where it is nil the first
	// such day ends it.
	Damaged func(day string, err error) error
	// Progress hears of each day that was read; may be nil.
	Progress func(day string)
}

// An event lies under the day of its own time. What it is about may be some days
// later (a release far ahead), or shortly before (clocks).
const (
	daysAhead  = 3
	daysBehind = 1
)

func (e *Extraction) damaged(day string, err error) error {
	err = fmt.Errorf("archive: %s of %s: %w", day, e.Programme, err)
	if e.Damaged == nil {
		return err
	}
	return e.Damaged(day, err)
}

// eachDay calls f with the days that may have what is asked for, rising. What f returns
// as damage is told, and the next day follows; other errors end it.
func (r *Reader) eachDay(ctx context.Context, e *Extraction, f func(Day) (damage, err error)) error {
	if !programmeForm.MatchString(e.Programme) {
		return fmt.Errorf("archive: %q is no programme", printable(e.Programme))
	}
	entries, err := os.ReadDir(filepath.Join(r.dir, e.Programme))
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("archive: %w", err)
	}
	for _, entry := range entries {
		if err := ctx.Err(); err != nil {
			return err
		}
		name := entry.Name()
		day, err := time.Parse(dayForm, name)
		if err != nil || !entry.IsDir() ||
			!e.From.IsZero() && day.Before(e.From.UTC().Truncate(24*time.Hour).AddDate(0, 0, -daysAhead)) ||
			!e.To.IsZero() && !day.Before(e.To.UTC().AddDate(0, 0, daysBehind)) {
			continue
		}
		// A day without a manifest is damaged: a new one appears whole.
		m, damage := r.manifest(dayKey{e.Programme, name})
		if damage == nil {
			again := r.whileThere(Day{Programme: e.Programme, Day: day, Manifest: m, Folder: filepath.Join(r.dir, e.Programme, name, m.Folder)}, func(d Day) error {
				if damage, err = f(d); errors.Is(damage, os.ErrNotExist) {
					return damage // replaced meanwhile, before anything of it was given, or gone
				}
				return nil
			})
			damage = cmp.Or(again, damage)
		}
		if err != nil {
			return err
		}
		if damage != nil {
			if ctx.Err() != nil {
				return ctx.Err()
			}
			if err := e.damaged(name, damage); err != nil {
				return err
			}
		}
		if e.Progress != nil {
			e.Progress(name)
		}
	}
	return nil
}

// openTables opens and checks tables of a day; nil for one that the day does not have.
func openTables(d Day, tables []*layout) ([]*parquetReader, error) {
	readers := make([]*parquetReader, len(tables))
	for k, l := range tables {
		entry, ok := d.Manifest.file(tableFile(l.name))
		if !ok {
			continue
		}
		path := filepath.Join(d.Folder, entry.Name)
		err := checkFile(path, entry)
		if err == nil {
			readers[k], err = openParquet(path, l)
		}
		if err == nil && readers[k].rows != d.Manifest.Tables[l.name].Rows {
			err = fmt.Errorf("%s: %d rows, the manifest says %d: %w", path, readers[k].rows, d.Manifest.Tables[l.name].Rows, ErrDamaged)
		}
		if err != nil {
			closeAll(readers)
			return nil, err
		}
	}
	return readers, nil
}

func closeAll(readers []*parquetReader) {
	for _, r := range readers {
		if r != nil {
			r.Close()
		}
	}
}

// mostRows are read of a day at a time.
const mostRows = 1 << 14

// rowsOfDay gives rows of all columns, group after group.
func rowsOfDay(ctx context.Context, d Day, from *parquetReader, e *Extraction, yield func(site string, b *block) error) error {
	l := from.of
	for _, g := range d.Manifest.Tables[l.name].Groups {
		if len(e.Sites) > 0 && !slices.Contains(e.Sites, g.Name) {
			continue
		}
		for at := int64(0); at < g.Rows; at += mostRows {
			if err := ctx.Err(); err != nil {
				return err
			}
			b, err := from.read(g.From+at, g.From+min(at+mostRows, g.Rows), l.every())
			if err != nil {
				return err
			}
			if b = b.owned(&e.Query); b.rows == 0 {
				continue
			}
			if err := yield(g.Name, b); err != nil {
				return err
			}
		}
	}
	return nil
}

// owned keeps the rows that belong to something within the query's bounds.
func (b *block) owned(q *Query) *block {
	key := b.columns[b.of.sortBy].Ints
	return b.kept(q, key)
}

// Extract gives the rows of a table, all columns as Headings has them, by days and
// within a day by groups.
func (r *Reader) Extract(ctx context.Context, table string, e Extraction, yield func(Rows) error) error {
	l := layoutNamed(table)
	if l == nil {
		return fmt.Errorf("archive: no table %q", printable(table))
	}
	return r.eachDay(ctx, &e, func(d Day) (damage, err error) {
		readers, damage := openTables(d, []*layout{l})
		if damage != nil || readers[0] == nil {
			return damage, nil
		}
		defer closeAll(readers)
		return nil, rowsOfDay(ctx, d, readers[0], &e, func(site string, b *block) error {
			return yield(Rows{Programme: d.Programme, Day: d.Day, Site: site, Len: b.rows, Columns: b.columns})
		})
	})
}

// ExtractEvents gives the messages of a kind as they came, also as the JSON that lies in
// the archive, which is for the time of the call. A message's time is that of the event,
// or what at says.
func (r *Reader) ExtractEvents(ctx context.Context, kind string, e Extraction, at func(*bus.Stored) time.Time, yield func(s bus.Stored, raw []byte) error) error {
	if at == nil {
		at = func(s *bus.Stored) time.Time {
			if s.Event.Time.IsZero() {
				return s.Time
			}
			return s.Event.Time
		}
	}
	return r.eachDay(ctx, &e, func(d Day) (damage, err error) {
		entry, ok := d.Manifest.file(eventsFile(kind))
		if !ok {
			return nil, nil
		}
		path := filepath.Join(d.Folder, entry.Name)
		if err := checkFile(path, entry); err != nil {
			return err, nil
		}
		opened, err := os.Open(path)
		if err != nil {
			return err, nil
		}
		defer opened.Close()
		var stopped error
		err = readLinesFrom(ctx, path, opened, "", entry.Rows, func(l *line) bool {
			var s bus.Stored
			if s, stopped = l.decode(path); stopped != nil {
				return false
			}
			if len(e.Sites) > 0 {
				if _, site, err := placeOf(s.Subject); err != nil || !slices.Contains(e.Sites, site) {
					return true
				}
			}
			if e.within(at(&s)) {
				stopped = yield(s, l.Event)
			}
			return stopped == nil
		})
		return nil, cmp.Or(stopped, err)
	})
}

// extractGroup: rows of so many are written as one group of rows of a Parquet file.
const extractGroup = 1 << 16

// ExtractParquet writes rows of a table as one Parquet file of the schema that the
// files of days have, with days rising and groups of rows of some ten thousands.
func (r *Reader) ExtractParquet(ctx context.Context, table string, e Extraction, into io.Writer) (rows int64, err error) {
	l := layoutNamed(table)
	if l == nil {
		return 0, fmt.Errorf("archive: no table %q", printable(table))
	}
	defer func() {
		// The library answers some faults by panicking.
		if cause := recover(); cause != nil {
			err = fmt.Errorf("%s: %v", tableFile(table), cause)
		}
	}()
	w := newParquetWriter(l, into)
	missing := ""
	tell := e.Damaged
	if tell != nil {
		e.Damaged = func(day string, err error) error { missing += day + " "; return tell(day, err) }
	}
	pending := 0
	err = r.eachDay(ctx, &e, func(d Day) (damage, err error) {
		readers, damage := openTables(d, []*layout{l})
		if damage != nil || readers[0] == nil {
			return damage, nil
		}
		defer closeAll(readers)
		return nil, rowsOfDay(ctx, d, readers[0], &e, func(site string, b *block) error {
			pending += b.rows
			return w.add(site, b, &pending)
		})
	})
	if err != nil {
		return w.rows.Rows, err
	}
	if missing != "" {
		w.writer.SetKeyValueMetadata("missing_days", missing[:len(missing)-1])
	}
	return w.rows.Rows, w.close()
}

// add a group, and end the group of rows of the file when it has enough.
func (w *parquetWriter) add(site string, b *block, pending *int) error {
	if err := w.group(site, b); err != nil {
		return err
	}
	if *pending < extractGroup {
		return nil
	}
	*pending = 0
	w.pending = 0
	return w.writer.Flush()
}

// NetCDFOptions of an extraction.
type NetCDFOptions struct {
	// OnThread as in Options.
	OnThread func(ctx context.Context, job func() error) error
	// ProgramVersion and Now stand in the history of the file.
	ProgramVersion string
	Now            time.Time
	// Scratch is a folder for what is written on the way; that of the file if empty.
	Scratch string
}

// maxNetCDFRows: a column of them is held in memory, some of them at a time.
const maxNetCDFRows = 20_000_000

// ExtractNetCDF writes the table of scores or of paths as a netCDF file in the layout
// of the files of days, all rows of a site (all steps of a path) together, days rising.
func (r *Reader) ExtractNetCDF(ctx context.Context, table string, e Extraction, path string, o NetCDFOptions) (rows int64, err error) {
	if o.OnThread == nil {
		o.OnThread = onOwnThread
	}
	if o.Scratch == "" {
		o.Scratch = filepath.Dir(path)
	}
	tables := []*layout{layoutNamed(TableScores)}
	switch table {
	case TableScores:
	case TablePaths:
		tables = append(tables, layoutNamed(TablePaths))
	default:
		return 0, fmt.Errorf("archive: the table %q has no form in netCDF", printable(table))
	}
	s := &spool{missing: []string{}}
	defer s.close()
	for _, l := range tables {
		if err := s.begin(o.Scratch, l); err != nil {
			return 0, fmt.Errorf("archive: %w", err)
		}
	}
	tell := e.Damaged
	if tell != nil {
		e.Damaged = func(day string, err error) error { s.missing = append(s.missing, day); return tell(day, err) }
	}
	err = r.eachDay(ctx, &e, func(d Day) (damage, err error) {
		readers, damage := openTables(d, tables)
		if damage != nil {
			return damage, nil
		}
		defer closeAll(readers)
		s.versions = appendOnce(s.versions, d.Manifest.ProgramVersions...)
		s.days++
		if s.institution == "" {
			if entry, ok := d.Manifest.file(scoresNC); ok {
				s.institution = institutionOf(ctx, o.OnThread, filepath.Join(d.Folder, entry.Name))
			}
		}
		for k, from := range readers {
			if from == nil {
				continue
			}
			if err := rowsOfDay(ctx, d, from, &e, s.tables[k].add); err != nil {
				return nil, err
			}
		}
		return nil, nil
	})
	if err != nil {
		return 0, err
	}
	return s.write(ctx, table, &e, path, o)
}

// institutionOf reads the attribute of a file of a day; empty where it cannot.
func institutionOf(ctx context.Context, on onThread, path string) (name string) {
	_ = on(ctx, func() error {
		ds, err := netcdf.OpenFile(path, netcdf.NOWRITE)
		if err != nil {
			return err
		}
		defer ds.Close()
		a := ds.Attr("institution")
		n, err := a.Len()
		if err != nil || n > 10_000 {
			return err
		}
		b := make([]byte, n)
		if err := a.ReadBytes(b); err != nil {
			return err
		}
		name = string(b)
		return nil
	})
	return name
}

// spool holds rows of days in files on the disk, for what is then written site by
// site: the archive itself may change meanwhile.
type spool struct {
	tables      []*spooled
	missing     []string
	versions    []string
	institution string
	days        int
}

// spooled is one table: a Parquet file by days, and where the rows of each group lie.
type spooled struct {
	of       *layout
	file     *os.File
	writer   *parquetWriter
	pending  int
	segments []segment
}

// segment is rows that lie together, here and in the order by groups.
type segment struct {
	group        string
	from, at, to int64 // from here; at to before to in the order by groups
}

func (s *spool) begin(dir string, l *layout) error {
	file, err := os.CreateTemp(dir, ".rimeline-rows-*"+temporary)
	if err != nil {
		return err
	}
	s.tables = append(s.tables, &spooled{of: l, file: file, writer: newParquetWriter(l, file)})
	return nil
}

func (s *spool) close() {
	for _, t := range s.tables {
		t.file.Close()
		os.Remove(t.file.Name())
	}
}

func (t *spooled) add(group string, b *block) error {
	from := t.writer.rows.Rows
	if from+int64(b.rows) > maxNetCDFRows {
		return fmt.Errorf("archive: more than %d rows of %s: netCDF files of so many are not written, take a shorter range or fewer sites", maxNetCDFRows, t.of.name)
	}
	t.segments = append(t.segments, segment{group: group, from: from, to: int64(b.rows)})
	t.pending += b.rows
	return t.writer.add(group, b, &t.pending)
}

// merged ends the writing and gives the rows in the order by groups.
func (t *spooled) merged() (*mergedReader, error) {
	if err := t.writer.close(); err != nil {
		return nil, err
	}
	m := &mergedReader{segments: t.segments, rows: TableRows{Groups: []Group{}}}
	slices.SortStableFunc(m.segments, func(a, b segment) int { return cmp.Compare(a.group, b.group) })
	for k := range m.segments {
		s := &m.segments[k]
		n := s.to
		s.at, s.to = m.rows.Rows, m.rows.Rows+n
		if last := len(m.rows.Groups) - 1; last >= 0 && m.rows.Groups[last].Name == s.group {
			m.rows.Groups[last].Rows += n
		} else {
			m.rows.Groups = append(m.rows.Groups, Group{Name: s.group, From: s.at, Rows: n})
		}
		m.rows.Rows += n
	}
	var err error
	m.parquetReader, err = openParquetGroups(t.file.Name(), t.of, spoolLimits())
	return m, err
}

// mergedReader reads a spooled table as if the rows of each group lay together.
type mergedReader struct {
	*parquetReader
	segments []segment
	rows     TableRows
}

// few segments are read one by one, more of them with all that lies between.
const few = 64

func (m *mergedReader) read(from, to int64, columns []int) (*block, error) {
	first := sort.Search(len(m.segments), func(k int) bool { return m.segments[k].to > from })
	last := sort.Search(len(m.segments), func(k int) bool { return m.segments[k].at >= to })
	if from >= to || first >= last {
		return m.parquetReader.read(0, 0, columns)
	}
	wanted := m.segments[first:last]
	if len(wanted) <= few {
		var all *block
		for _, s := range wanted {
			b, err := m.parquetReader.read(s.from+max(from-s.at, 0), s.from+min(to, s.to)-s.at, columns)
			if err != nil {
				return nil, err
			}
			if all == nil {
				all = b
				continue
			}
			all.append(b)
		}
		return all, nil
	}
	lowest, highest := int64(math.MaxInt64), int64(0)
	for _, s := range wanted {
		lowest, highest = min(lowest, s.from), max(highest, s.from+s.to-s.at)
	}
	b, err := m.parquetReader.read(lowest, highest, columns)
	if err != nil {
		return nil, err
	}
	order := make([]int, 0, to-from)
	for _, s := range wanted {
		for k := max(from, s.at); k < min(to, s.to); k++ {
			order = append(order, int(s.from-lowest+k-s.at))
		}
	}
	for k := range b.columns {
		c := &b.columns[k]
		c.Floats, c.Ints, c.Texts = permuted(c.Floats, order), permuted(c.Ints, order), permuted(c.Texts, order)
	}
	b.rows = len(order)
	return b, nil
}

func (s *spool) write(ctx context.Context, table string, e *Extraction, path string, o NetCDFOptions) (int64, error) {
	var merged []*mergedReader
	defer func() {
		for _, m := range merged {
			m.Close()
		}
	}()
	for _, t := range s.tables {
		m, err := t.merged()
		if m != nil && m.parquetReader != nil {
			merged = append(merged, m)
		}
		if err != nil {
			return 0, fmt.Errorf("archive: %w", err)
		}
	}
	span := "all days"
	clock := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
	switch {
	case !e.From.IsZero() && !e.To.IsZero():
		span = clock(e.From) + " up to " + clock(e.To)
	case !e.From.IsZero():
		span = "from " + clock(e.From)
	case !e.To.IsZero():
		span = "up to " + clock(e.To)
	}
	t := titles{institution: s.institution, source: "rimeline: particle ensemble in model wind, judged by the components of the score"}
	if t.institution == "" {
		t.institution = e.Programme
	}
	if len(s.versions) > 0 {
		t.source = "rimeline " + s.versions[0]
		for _, version := range s.versions[1:] {
			t.source += ", " + version
		}
		t.source += ": particle ensemble in model wind, judged by the components of the score"
	}
	t.history = fmt.Sprintf("%s rimeline %s: taken out of the archive of %s, %d %s", clock(o.Now), o.ProgramVersion, e.Programme, s.days, map[bool]string{true: "day", false: "days"}[s.days == 1])
	if len(s.missing) > 0 {
		t.history += fmt.Sprintf("; missing, since they could not be read: %v", s.missing)
	}
	scores := merged[0]
	if table == TableScores {
		t.title = fmt.Sprintf("Scores of the sites of %s, %s", e.Programme, span)
		return scores.rows.Rows, writeScoresNC(ctx, o.OnThread, path, scores, scores.rows, t)
	}
	paths := merged[1]
	t.title = fmt.Sprintf("Mean drift paths from the sites of %s, %s", e.Programme, span)
	return paths.rows.Rows, writePathsNC(ctx, o.OnThread, path, paths, paths.rows, scores, scores.rows, t)
}
