package archive

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"rimeline/seedability/bus"
)

// Reader reads an archive, also beside a process that writes it. It is for several
// goroutines at once.
type Reader struct {
	dir string

	mutex     sync.Mutex
	manifests map[dayKey]knownManifest
}

// knownManifest is remembered as long as the file is the same.
type knownManifest struct {
	info fs.FileInfo
	m    *Manifest
}

// OpenReader opens an archive for reading.
func OpenReader(dir string) (*Reader, error) {
	var f format
	if err := readSealed(filepath.Join(dir, formatName), &f); err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("%s: no archive: it has no %s", dir, formatName)
		}
		return nil, fmt.Errorf("archive: %w", err)
	}
	if f.Version != FormatVersion {
		return nil, fmt.Errorf("%s: archive of version %d, this program reads version %d", dir, f.Version, FormatVersion)
	}
	return &Reader{dir: dir, manifests: map[dayKey]knownManifest{}}, nil
}

// Programmes lists the programmes that have days, rising. Messages of no programme
// are under "_service".
func (r *Reader) Programmes() ([]string, error) {
	entries, err := os.ReadDir(r.dir)
	if err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	var names []string
	for _, entry := range entries {
		if entry.IsDir() && entry.Name() != cropsName && programmeForm.MatchString(entry.Name()) {
			names = append(names, entry.Name())
		}
	}
	return names, nil
}

// Day is one day of a programme.
type Day struct {
	Programme string
	Day       time.Time // 00 UTC
	Manifest  *Manifest
	// Folder is where its files are now; it is replaced when the day gains messages.
	Folder string
}

// Days lists the days of a programme, rising. A day whose manifest cannot be read
// gives an error that names it, beside the others.
func (r *Reader) Days(programme string) ([]Day, error) { return r.days(programme, "", "") }

// days from one to another, both included; all where they are empty.
func (r *Reader) days(programme, from, to string) ([]Day, error) {
	if !programmeForm.MatchString(programme) {
		return nil, fmt.Errorf("archive: %q is no programme", printable(programme))
	}
	entries, err := os.ReadDir(filepath.Join(r.dir, programme))
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil, nil
		}
		return nil, fmt.Errorf("archive: %w", err)
	}
	var days []Day
	var failed []error
	for _, entry := range entries {
		name := entry.Name()
		day, err := time.Parse(dayForm, name)
		if err != nil || !entry.IsDir() || from != "" && name < from || to != "" && name > to {
			continue
		}
		m, err := r.manifest(dayKey{programme, name})
		if errors.Is(err, os.ErrNotExist) {
			continue // being written for the first time
		}
		if err != nil {
			failed = append(failed, fmt.Errorf("archive: %w", err))
			continue
		}
		days = append(days, Day{Programme: programme, Day: day, Manifest: m, Folder: filepath.Join(r.dir, programme, name, m.Folder)})
	}
	return days, errors.Join(failed...)
}

func (r *Reader) manifest(key dayKey) (*Manifest, error) {
	dayDir := filepath.Join(r.dir, key.programme, key.day)
	info, err := os.Stat(filepath.Join(dayDir, manifestName))
	if err != nil {
		return nil, err
	}
	r.mutex.Lock()
	known, ok := r.manifests[key]
	r.mutex.Unlock()
	if ok && os.SameFile(known.info, info) && known.info.ModTime().Equal(info.ModTime()) && known.info.Size() == info.Size() {
		return known.m, nil
	}
	m, err := readManifest(dayDir, key.programme, key.day)
	if err != nil {
		return nil, err
	}
	r.mutex.Lock()
	defer r.mutex.Unlock()
	if len(r.manifests) >= 1000 {
		clear(r.manifests)
	}
	r.manifests[key] = knownManifest{info, m}
	return m, nil
}

// whileThere calls f with a day, again where the day was replaced meanwhile and
// f had given nothing yet.
func (r *Reader) whileThere(d Day, f func(Day) error) error {
	for try := 0; ; try++ {
		err := f(d)
		if !errors.Is(err, os.ErrNotExist) || try == 20 {
			return err
		}
		m, readErr := r.manifest(dayKey{d.Programme, d.Day.Format(dayForm)})
		if readErr != nil {
			return readErr
		}
		if m.Generation == d.Manifest.Generation {
			return err
		}
		d.Manifest, d.Folder = m, filepath.Join(filepath.Dir(d.Folder), m.Folder)
	}
}

// Query says what is read.
type Query struct {
	Programme string
	Sites     []string // all if empty
	// From and To bound the time of rows or events: From included, To not. Zero for
	// no bound.
	From, To time.Time
}

// within: the time lies in the query's bounds.
func (q *Query) within(t time.Time) bool {
	return (q.From.IsZero() || !t.Before(q.From)) && (q.To.IsZero() || t.Before(q.To))
}

// Rows are rows of a table, by columns: those of one site (or kind, or route) of one
// day, sorted by time.
type Rows struct {
	Programme string
	Day       time.Time
	Site      string
	Len       int
	Columns   []Column
}

// ScoreRows are rows of the table of scores.
type ScoreRows = Rows

// Column of a name; nil where it was not asked for.
func (r *Rows) Column(name string) *Column {
	for k := range r.Columns {
		if r.Columns[k].Name == name {
			return &r.Columns[k]
		}
	}
	return nil
}

// ColumnNames lists the columns of a table, nil where there is no such table.
func ColumnNames(table string) []string {
	l := layoutNamed(table)
	if l == nil {
		return nil
	}
	var names []string
	for _, h := range l.headings {
		names = append(names, h.name)
	}
	return names
}

// Scores yields assessments, by days and within a day by sites. Columns are as
// ColumnNames(TableScores) has them, all if none is named; "time" is always there.
func (r *Reader) Scores(ctx context.Context, q Query, columns ...string) iter.Seq2[ScoreRows, error] {
	return r.Table(ctx, TableScores, q, columns...)
}

// OutlookReleases yields the releases of outlooks.
func (r *Reader) OutlookReleases(ctx context.Context, q Query, columns ...string) iter.Seq2[Rows, error] {
	return r.Table(ctx, TableOutlooks, q, columns...)
}

// Table yields rows of a table. An error ends a day; the days after it follow.
func (r *Reader) Table(ctx context.Context, table string, q Query, columns ...string) iter.Seq2[Rows, error] {
	return func(yield func(Rows, error) bool) {
		l := layoutNamed(table)
		if l == nil {
			yield(Rows{}, fmt.Errorf("archive: no table %q", printable(table)))
			return
		}
		numbers := []int{l.timeAt}
		if len(columns) == 0 {
			columns = ColumnNames(table)
		}
		for _, name := range columns {
			number := l.at(name)
			if number < 0 {
				yield(Rows{}, fmt.Errorf("archive: table %s has no column %q", table, printable(name)))
				return
			}
			if !slices.Contains(numbers, number) {
				numbers = append(numbers, number)
			}
		}
		days, err := r.days(q.Programme, "", "")
		if err != nil && !yield(Rows{}, err) {
			return
		}
		for _, day := range days {
			if ctx.Err() != nil {
				yield(Rows{}, ctx.Err())
				return
			}
			more := true
			err := r.whileThere(day, func(d Day) error {
				return tableOfDay(d, l, &q, numbers, func(rows Rows) bool { more = yield(rows, nil); return more })
			})
			if !more || err != nil && !yield(Rows{}, fmt.Errorf("archive: %w", err)) {
				return
			}
		}
	}
}

func tableOfDay(d Day, l *layout, q *Query, numbers []int, yield func(Rows) bool) error {
	entry, ok := d.Manifest.file(tableFile(l.name))
	if !ok || !entry.First.IsZero() && (!q.To.IsZero() && !entry.First.Before(q.To) || !q.From.IsZero() && entry.Last.Before(q.From)) {
		return nil
	}
	groups := d.Manifest.Tables[l.name].Groups
	if len(q.Sites) > 0 {
		var wanted []Group
		for _, g := range groups {
			if slices.Contains(q.Sites, g.Name) {
				wanted = append(wanted, g)
			}
		}
		if groups = wanted; len(groups) == 0 {
			return nil
		}
	}
	path := filepath.Join(d.Folder, entry.Name)
	if err := checkFooter(path, entry); err != nil {
		return err
	}
	file, err := openParquet(path, l)
	if err != nil {
		return err
	}
	defer file.Close()
	if rows := d.Manifest.Tables[l.name].Rows; file.rows != rows {
		return fmt.Errorf("%s: %d rows, the manifest says %d: %w", file.path, file.rows, rows, ErrDamaged)
	}
	// Neighbours are read together: each reading finds its page anew.
	for len(groups) > 0 {
		n, rows := 1, groups[0].Rows
		for n < len(groups) && groups[n].From == groups[0].From+rows && rows+groups[n].Rows <= 1<<17 {
			rows += groups[n].Rows
			n++
		}
		b, err := file.read(groups[0].From, groups[0].From+rows, numbers)
		if err != nil {
			return err
		}
		for _, g := range groups[:n] {
			from := int(g.From - groups[0].From)
			part := b.slice(from, from+int(g.Rows)).within(q)
			if part.rows > 0 && !yield(Rows{Programme: d.Programme, Day: d.Day, Site: g.Name, Len: part.rows, Columns: part.columns}) {
				return nil
			}
		}
		groups = groups[n:]
	}
	return nil
}

func part[V any](values []V, from, to int) []V {
	if values == nil {
		return nil
	}
	return values[from:to:to]
}

func (b *block) slice(from, to int) *block {
	s := &block{of: b.of, rows: to - from}
	for _, c := range b.columns {
		s.columns = append(s.columns, Column{Name: c.Name, Floats: part(c.Floats, from, to), Ints: part(c.Ints, from, to), Texts: part(c.Texts, from, to)})
	}
	return s
}

// within keeps the rows whose time, the first column, lies in the query's bounds.
func (b *block) within(q *Query) *block { return b.kept(q, b.columns[0].Ints) }

// kept are the rows whose time, one for each row, lies in the query's bounds.
func (b *block) kept(q *Query, times []int64) *block {
	if q.From.IsZero() && q.To.IsZero() {
		return b
	}
	var keep []int
	for k, t := range times {
		if t != Missing && q.within(TimeOf(t)) {
			keep = append(keep, k)
		}
	}
	if len(keep) == b.rows {
		return b
	}
	s := &block{of: b.of, rows: len(keep)}
	for _, c := range b.columns {
		s.columns = append(s.columns, Column{Name: c.Name, Floats: permuted(c.Floats, keep), Ints: permuted(c.Ints, keep), Texts: permuted(c.Texts, keep)})
	}
	return s
}

// Events yields messages as they came, days rising and within a day as they were
// stored. Kinds are names of kinds, all if none is given. A query's time is that of
// the event.
func (r *Reader) Events(ctx context.Context, q Query, kinds ...string) iter.Seq2[bus.Event, error] {
	return func(yield func(bus.Event, error) bool) {
		for s, err := range r.Stored(ctx, q, kinds...) {
			if !yield(s.Event, err) {
				return
			}
		}
	}
}

// Stored is Events with the number and the time of storing.
func (r *Reader) Stored(ctx context.Context, q Query, kinds ...string) iter.Seq2[bus.Stored, error] {
	return func(yield func(bus.Stored, error) bool) {
		from, to := "", ""
		// An event without a time lies on the day of its storing.
		if !q.From.IsZero() {
			from = q.From.UTC().Format(dayForm)
		}
		if !q.To.IsZero() {
			to = q.To.UTC().Format(dayForm)
		}
		days, err := r.days(q.Programme, from, to)
		if err != nil && !yield(bus.Stored{}, err) {
			return
		}
		for _, day := range days {
			more, given := true, false
			err := r.whileThere(day, func(d Day) error {
				if given {
					return fmt.Errorf("%s: the day was replaced twice while it was read; read it again", d.Folder)
				}
				return eventsOfDay(ctx, d, &q, kinds, func(s bus.Stored, err error) bool { given = true; more = yield(s, err); return more })
			})
			if !more || err != nil && !yield(bus.Stored{}, fmt.Errorf("archive: %w", err)) {
				return
			}
		}
	}
}

// eventsOfDay merges the files of kinds by the time of storing. All files are opened
// before the first message is given, so that a day that is replaced is read to its end.
func eventsOfDay(ctx context.Context, d Day, q *Query, kinds []string, yield func(bus.Stored, error) bool) error {
	type source struct {
		path string
		next func() (bus.Stored, error, bool)
		head bus.Stored
	}
	var sources []*source
	for _, entry := range d.Manifest.Files {
		kind, ok := kindOfFile(entry.Name)
		if !ok || len(kinds) > 0 && !slices.Contains(kinds, kind) {
			continue
		}
		path := filepath.Join(d.Folder, entry.Name)
		opened, err := os.Open(path)
		if err != nil {
			return err
		}
		defer opened.Close()
		next, stop := iter.Pull2(eventsOfFile(ctx, path, opened, entry.Rows, q))
		defer stop()
		sources = append(sources, &source{path: path, next: next})
	}
	advance := func(s *source) (ok, more bool) {
		stored, err, ok := s.next()
		if err != nil {
			return false, yield(bus.Stored{}, err)
		}
		s.head = stored
		return ok, true
	}
	var live []*source
	for _, s := range sources {
		ok, more := advance(s)
		if !more {
			return nil
		}
		if ok {
			live = append(live, s)
		}
	}
	for len(live) > 0 {
		first := 0
		for k := range live {
			if cmp.Or(live[k].head.Time.Compare(live[first].head.Time)) < 0 {
				first = k
			}
		}
		if !yield(live[first].head, nil) {
			return nil
		}
		ok, more := advance(live[first])
		if !more {
			return nil
		}
		if !ok {
			live = slices.Delete(live, first, first+1)
		}
	}
	return nil
}

// eventsOfFile yields what a query asks for of one file.
func eventsOfFile(ctx context.Context, path string, opened *os.File, rows int64, q *Query) iter.Seq2[bus.Stored, error] {
	return func(yield func(bus.Stored, error) bool) {
		having := ""
		if len(q.Sites) == 1 {
			having = "." + q.Sites[0] + `"` // ends the subject
		}
		err := readLinesFrom(ctx, path, opened, having, rows, func(l *line) bool {
			s, err := l.decode(path)
			if err != nil {
				return yield(bus.Stored{}, err)
			}
			if len(q.Sites) > 0 {
				_, site, err := placeOf(s.Subject)
				if err != nil || !slices.Contains(q.Sites, site) {
					return true
				}
			}
			at := s.Event.Time
			if at.IsZero() {
				at = s.Time
			}
			return !q.within(at) || yield(s, nil)
		})
		if err != nil {
			yield(bus.Stored{}, err)
		}
	}
}
