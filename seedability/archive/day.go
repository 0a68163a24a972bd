package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"rimeline/seedability/message"
)

// dayWriter writes one generation of a day.
type dayWriter struct {
	a      *Archive
	d      *openDay
	oldDir string // folder of the generation before; empty for none
	newDir string // unfinished
	m      *Manifest
}

// rewrite writes a day whole: what it had, and what waits. Only when all of it was
// read back does the manifest name it.
func (a *Archive) rewrite(ctx context.Context, d *openDay) (err error) {
	if err := ctx.Err(); err != nil {
		return err
	}
	// A day that is written for the first time appears whole, with its manifest: a day
	// without one is damaged, and nobody has to guess whether it was only begun.
	dayDir, first := a.dayDir(d.key), d.manifest == nil
	if first {
		dayDir = filepath.Join(a.dir, d.key.programme, unfinishedBefore+d.key.day)
		if err := os.RemoveAll(dayDir); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
		defer func() {
			if err != nil {
				os.RemoveAll(dayDir) // to make room; what remains is removed by Open
			}
		}()
	}
	if err := makeDirs(a.dir, dayDir); err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	w := &dayWriter{a: a, d: d, m: &Manifest{Version: FormatVersion, Programme: d.key.programme, Day: d.key.day, Generation: 1,
		Streams: map[string]Stream{}, Tables: map[string]TableRows{}, Files: []File{}, ProgramVersions: []string{}, ProgrammeDigests: []string{}}}
	old := d.manifest
	if old != nil {
		w.oldDir = filepath.Join(dayDir, old.Folder)
		w.m.Generation = old.Generation + 1
		w.m.ProgramVersions, w.m.ProgrammeDigests = slices.Clone(old.ProgramVersions), slices.Clone(old.ProgrammeDigests)
		w.m.Unread, w.m.Notes, w.m.Pinned = old.Unread, slices.Clone(old.Notes), slices.Clone(old.Pinned)
	}
	w.m.Folder = folderOf(w.m.Generation)
	w.newDir = filepath.Join(dayDir, unfinishedBefore+w.m.Folder)
	folder := filepath.Join(dayDir, w.m.Folder)
	for _, left := range []string{w.newDir, folder} {
		if err := os.RemoveAll(left); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	defer func() {
		if err != nil {
			os.RemoveAll(w.newDir) // to make room; what remains is removed by Open
			os.RemoveAll(folder)
		}
	}()
	if err := os.Mkdir(w.newDir, 0o755); err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	if err := w.write(ctx); err != nil {
		return fmt.Errorf("archive: %s of %s: %w", d.key.day, d.key.programme, err)
	}
	for _, step := range []func() error{
		func() error { return syncDir(w.newDir) },
		func() error { return os.Rename(w.newDir, folder) },
		func() error { return syncDir(dayDir) },
		func() error { return checkFiles(ctx, folder, w.m) },
		func() error {
			if err := w.m.check(d.key.programme, d.key.day); err != nil {
				return fmt.Errorf("manifest that nobody could read: %w", err)
			}
			content, err := seal(w.m)
			if err != nil {
				return err
			}
			if len(content) > maxSealedBytes {
				return fmt.Errorf("manifest of %d bytes", len(content))
			}
			return writeWhole(filepath.Join(dayDir, manifestName), content)
		},
		func() error {
			if !first {
				return nil
			}
			if err := os.Rename(dayDir, a.dayDir(d.key)); err != nil {
				return err
			}
			return syncDir(filepath.Dir(dayDir))
		},
	} {
		if err := step(); err != nil {
			// A rename whose force to the disk failed may have happened.
			if m, readErr := readManifest(a.dayDir(d.key), d.key.programme, d.key.day); readErr == nil && m.Generation == w.m.Generation {
				break
			}
			return fmt.Errorf("archive: %w", err)
		}
	}
	d.manifest = w.m
	d.clear()
	if old != nil {
		// Nobody needs it any more; what cannot be removed now is removed by Open.
		_ = os.RemoveAll(w.oldDir)
	}
	return nil
}

func appendOnce(list []string, more ...string) []string {
	for _, text := range more {
		if text != "" && !slices.Contains(list, text) && len(list) < 100 {
			list = append(list, text)
		}
	}
	return list
}

func (w *dayWriter) write(ctx context.Context) error {
	o := &w.a.options
	of := o.Programmes[w.d.key.programme]
	w.m.Written = o.Now().UTC().Truncate(time.Second)
	w.m.ProgramVersions = appendOnce(w.m.ProgramVersions, o.ProgramVersion)
	w.m.ProgrammeDigests = appendOnce(w.m.ProgrammeDigests, of.Digest)
	w.m.Unread += w.d.unread
	w.m.Notes = appendOnce(w.m.Notes, slices.Sorted(maps.Keys(w.d.notes))...)
	w.m.Pinned = appendOnce(w.m.Pinned, slices.Sorted(maps.Keys(w.d.pinned))...)
	if err := w.events(ctx); err != nil {
		return err
	}
	if err := w.jsonLines(ctx); err != nil {
		return err
	}
	for _, l := range layouts {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := w.table(l); err != nil {
			return err
		}
	}
	if err := w.digests(); err != nil {
		return err
	}
	return w.netCDF(ctx)
}

// writing is a file that is being written, with its digest.
type writing struct {
	file   *os.File
	digest hash.Hash
	bytes  int64
}

func (w *dayWriter) create(name string) (*writing, error) {
	file, err := os.OpenFile(filepath.Join(w.newDir, name), os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	return &writing{file: file, digest: sha256.New()}, err
}

func (f *writing) Write(b []byte) (int, error) {
	n, err := f.file.Write(b)
	f.digest.Write(b[:n])
	f.bytes += int64(n)
	return n, err
}

// finish forces a file to the disk and notes it in the manifest.
func (w *dayWriter) finish(f *writing, entry File) error {
	err := f.file.Sync()
	if closing := f.file.Close(); err == nil {
		err = closing
	}
	entry.Bytes, entry.SHA256 = f.bytes, hex.EncodeToString(f.digest.Sum(nil))
	w.m.Files = append(w.m.Files, entry)
	return err
}

// old is the entry and the path of a file of the generation before.
func (w *dayWriter) old(name string) (File, string, bool) {
	if w.d.manifest == nil {
		return File{}, "", false
	}
	entry, ok := w.d.manifest.file(name)
	return entry, filepath.Join(w.oldDir, name), ok
}

// extend writes a file that has what it had before, whose digest is checked on the
// way so that damage is not carried on, and more.
func (w *dayWriter) extend(ctx context.Context, name string, more []byte, rows int64) error {
	f, err := w.create(name)
	if err != nil {
		return err
	}
	defer f.file.Close()
	entry, path, ok := w.old(name)
	if ok {
		before, err := os.Open(path)
		if err != nil {
			return err
		}
		defer before.Close()
		if _, err := io.CopyBuffer(f, contextReader{ctx, before}, make([]byte, 1<<20)); err != nil {
			return err
		}
		if found := hex.EncodeToString(f.digest.Sum(nil)); found != entry.SHA256 {
			return fmt.Errorf("%s: SHA-256 is %s, the manifest says %s: %w", path, found, entry.SHA256, ErrDamaged)
		}
	}
	if _, err := f.Write(more); err != nil {
		return err
	}
	return w.finish(f, File{Name: name, Rows: entry.Rows + rows})
}

type contextReader struct {
	ctx context.Context
	io.Reader
}

func (r contextReader) Read(b []byte) (int, error) {
	if err := r.ctx.Err(); err != nil {
		return 0, err
	}
	return r.Reader.Read(b)
}

func (w *dayWriter) events(ctx context.Context) error {
	kinds := map[string]bool{}
	if w.d.manifest != nil {
		for _, f := range w.d.manifest.Files {
			if kind, ok := kindOfFile(f.Name); ok {
				kinds[kind] = true
			}
		}
	}
	for kind := range w.d.frames {
		kinds[kind] = true
	}
	for _, kind := range slices.Sorted(maps.Keys(kinds)) {
		f := w.d.frames[kind]
		if f == nil {
			f = &frames{}
		}
		f.pack(w.a.encoder)
		if err := w.extend(ctx, eventsFile(kind), f.packed, f.rows); err != nil {
			return err
		}
	}
	return nil
}

func linesFile(table string) string { return table + ".ndjson" }

func (w *dayWriter) jsonLines(ctx context.Context) error {
	for _, table := range slices.Sorted(maps.Values(lineKinds)) {
		l := w.d.lines[table]
		if _, _, ok := w.old(linesFile(table)); !ok && l == nil {
			continue
		}
		if l == nil {
			l = &lines{}
		}
		if err := w.extend(ctx, linesFile(table), l.b, l.rows); err != nil {
			return err
		}
	}
	return nil
}

// appendCompact adds JSON as one line.
func appendCompact(into []byte, data json.RawMessage) ([]byte, error) {
	b := bytes.NewBuffer(into)
	if err := json.Compact(b, data); err != nil {
		return into, err
	}
	b.WriteByte('\n')
	return b.Bytes(), nil
}

func tableFile(table string) string { return table + ".parquet" }

// table writes a table: group after group, the rows before and those that wait.
func (w *dayWriter) table(l *layout) (err error) {
	pending := w.d.tables[l.name]
	var before TableRows
	var reader *parquetReader
	if entry, path, ok := w.old(tableFile(l.name)); ok {
		if err := checkFile(path, entry); err != nil {
			return err
		}
		if reader, err = openParquet(path, l); err != nil {
			return err
		}
		defer reader.Close()
		if before = w.d.manifest.Tables[l.name]; before.Rows != reader.rows {
			return fmt.Errorf("%s: %d rows, the manifest says %d: %w", path, reader.rows, before.Rows, ErrDamaged)
		}
	}
	groups := map[string]Group{}
	for _, g := range before.Groups {
		groups[g.Name] = g
	}
	for name := range pending {
		if _, ok := groups[name]; !ok {
			groups[name] = Group{}
		}
	}
	if len(groups) == 0 {
		return nil
	}
	f, err := w.create(tableFile(l.name))
	if err != nil {
		return err
	}
	defer f.file.Close()
	p := newParquetWriter(l, f)
	defer func() {
		// The library answers some faults by panicking; a day must not end the program.
		if cause := recover(); cause != nil {
			err = fmt.Errorf("%s: %v", tableFile(l.name), cause)
		}
	}()
	sum := newStreamSum(w, l)
	for _, name := range slices.Sorted(maps.Keys(groups)) {
		g := groups[name]
		b := newBlock(l)
		if g.Rows > 0 {
			if b, err = reader.read(g.From, g.From+g.Rows, l.every()); err != nil {
				return err
			}
		}
		if more := pending[name]; more != nil {
			b.append(more)
		}
		b.sort()
		if err := p.group(name, b); err != nil {
			return fmt.Errorf("%s: %w", tableFile(l.name), err)
		}
		sum.group(name, b)
	}
	if err := p.close(); err != nil {
		return fmt.Errorf("%s: %w", tableFile(l.name), err)
	}
	entry := File{Name: tableFile(l.name), Rows: p.rows.Rows}
	entry.First, entry.Last = p.span()
	if entry.FooterBytes, entry.FooterSHA256, err = footerOf(f.file.Name()); err != nil {
		return err
	}
	w.m.Tables[l.name] = p.rows
	return w.finish(f, entry)
}

// streamSum sums the index up for the manifest.
type streamSum struct {
	w  *dayWriter
	on bool
}

func newStreamSum(w *dayWriter, l *layout) streamSum { return streamSum{w, l.name == tableIndex} }

func (s streamSum) group(kind string, b *block) {
	if !s.on {
		return
	}
	column := b.columns[b.of.sequence].Ints
	sequences := make([]uint64, len(column))
	for k, sequence := range column {
		sequences[k] = uint64(sequence)
	}
	slices.Sort(sequences)
	s.w.m.Streams[kind] = streamOf(sequences)
	s.w.m.Events += len(sequences)
	times := b.columns[b.of.at("time")].Ints
	first, last := int64(Missing), int64(Missing)
	for _, t := range times {
		if t == Missing {
			continue
		}
		if first == Missing || t < first {
			first = t
		}
		last = max(last, t)
	}
	for k := range s.w.m.Files {
		if s.w.m.Files[k].Name == eventsFile(kind) {
			s.w.m.Files[k].First, s.w.m.Files[k].Last = TimeOf(first), TimeOf(last)
		}
	}
}

// Digests are what an input was, and whether its crop is kept; digests.json.
type Digests struct {
	Inputs []InputDigest `json:"inputs"`
}

// InputDigest is one input by its content.
type InputDigest struct {
	Source   string   `json:"source"`
	ObjectID string   `json:"object_id"`
	SHA256   []string `json:"sha256"` // of the files fetched, in their order
	Crop     string   `json:"crop_sha256,omitempty"`
}

const digestsName = "digests.json"

func (w *dayWriter) digests() error {
	rows := w.m.Tables[TableInputs]
	digests := Digests{Inputs: []InputDigest{}}
	if rows.Rows > 0 {
		l := layoutNamed(TableInputs)
		r, err := openParquet(filepath.Join(w.newDir, tableFile(TableInputs)), l)
		if err != nil {
			return err
		}
		defer r.Close()
		for _, g := range rows.Groups {
			b, err := r.read(g.From, g.From+g.Rows, []int{l.at("data_json")})
			if err != nil {
				return err
			}
			for _, text := range b.columns[0].Texts {
				var in message.Input
				if err := json.Unmarshal([]byte(text), &in); err != nil {
					continue // it was read when it came; the events have it
				}
				one := InputDigest{Source: in.Source, ObjectID: in.ObjectID, SHA256: []string{}}
				for _, file := range in.Files {
					one.SHA256 = append(one.SHA256, file.SHA256)
				}
				if in.Crop != nil {
					one.Crop = in.Crop.SHA256
				}
				digests.Inputs = append(digests.Inputs, one)
			}
		}
	}
	content, err := json.Marshal(digests)
	if err != nil {
		return err
	}
	f, err := w.create(digestsName)
	if err != nil {
		return err
	}
	defer f.file.Close()
	if _, err := f.Write(append(content, '\n')); err != nil {
		return err
	}
	return w.finish(f, File{Name: digestsName, Rows: int64(len(digests.Inputs))})
}

const (
	scoresNC = "scores.nc"
	pathsNC  = "paths.nc"
)

func (w *dayWriter) netCDF(ctx context.Context) error {
	rows := w.m.Tables[TableScores]
	if rows.Rows == 0 {
		return nil
	}
	scores, err := openParquet(filepath.Join(w.newDir, tableFile(TableScores)), layoutNamed(TableScores))
	if err != nil {
		return err
	}
	defer scores.Close()
	o := &w.a.options
	of := o.Programmes[w.d.key.programme]
	name := of.Name
	if name == "" {
		name = w.d.key.programme
	}
	institution := of.Institution
	if institution == "" {
		institution = name
	}
	t := titles{institution: institution, source: "rimeline " + o.ProgramVersion + ": particle ensemble in model wind, judged by the components of the score",
		history: fmt.Sprintf("%s rimeline %s: written from %d messages (writing %d of this day)", w.m.Written.Format(time.RFC3339), o.ProgramVersion, w.m.Events, w.m.Generation)}
	t.title = fmt.Sprintf("Scores of the sites of %s, %s", name, w.d.key.day)
	if err := writeScoresNC(ctx, o.OnThread, filepath.Join(w.newDir, scoresNC), scores, rows, t); err != nil {
		return err
	}
	scoresFile, _ := w.m.file(tableFile(TableScores))
	if err := w.adopt(scoresNC, rows.Rows, scoresFile); err != nil {
		return err
	}
	paths := w.m.Tables[TablePaths]
	if paths.Rows > 0 {
		reader, err := openParquet(filepath.Join(w.newDir, tableFile(TablePaths)), layoutNamed(TablePaths))
		if err != nil {
			return err
		}
		defer reader.Close()
		t.title = fmt.Sprintf("Mean drift paths from the sites of %s, %s", name, w.d.key.day)
		if err := writePathsNC(ctx, o.OnThread, filepath.Join(w.newDir, pathsNC), reader, paths, scores, rows, t); err != nil {
			return err
		}
		pathsFile, _ := w.m.file(tableFile(TablePaths))
		if err := w.adopt(pathsNC, paths.Rows, pathsFile); err != nil {
			return err
		}
	}
	bytes := int64(0)
	for _, f := range w.m.Files {
		if strings.HasPrefix(f.Name, TableScores) || strings.HasPrefix(f.Name, TablePaths) || f.Name == eventsFile("score") {
			bytes += f.Bytes
		}
	}
	w.m.AssessmentBytes = float64(bytes) / float64(rows.Rows)
	return nil
}

// adopt forces a file that a library wrote to the disk, and notes it.
func (w *dayWriter) adopt(name string, rows int64, like File) error {
	path := filepath.Join(w.newDir, name)
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := f.Sync(); err != nil {
		return err
	}
	digest := sha256.New()
	n, err := io.Copy(digest, f)
	if err != nil {
		return err
	}
	w.m.Files = append(w.m.Files, File{Name: name, Bytes: n, SHA256: hex.EncodeToString(digest.Sum(nil)), Rows: rows, First: like.First, Last: like.Last})
	return nil
}

// checkFiles reads every file of a manifest, past the memory that the system keeps of
// it where it can, and compares.
func checkFiles(ctx context.Context, folder string, m *Manifest) error {
	for _, entry := range m.Files {
		if err := ctx.Err(); err != nil {
			return err
		}
		if err := checkFile(filepath.Join(folder, entry.Name), entry); err != nil {
			return err
		}
	}
	return nil
}

// checkFile compares a file with what the manifest says of it.
func checkFile(path string, entry File) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	_ = unix.Fadvise(int(f.Fd()), 0, 0, unix.FADV_DONTNEED) // a hint
	digest := sha256.New()
	n, err := io.CopyBuffer(digest, onlyReader{f}, make([]byte, 1<<20))
	if err != nil {
		return err
	}
	if n != entry.Bytes {
		return fmt.Errorf("%s: %d bytes, the manifest says %d: %w", path, n, entry.Bytes, ErrDamaged)
	}
	if found := hex.EncodeToString(digest.Sum(nil)); found != entry.SHA256 {
		return fmt.Errorf("%s: SHA-256 is %s, the manifest says %s: %w", path, found, entry.SHA256, ErrDamaged)
	}
	return nil
}

type onlyReader struct{ io.Reader }

// writeWhole writes a file that appears whole or not at all, also after a power cut.
func writeWhole(path string, content []byte) error {
	temporary := path + temporary
	if err := os.Remove(temporary); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	f, err := os.OpenFile(temporary, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	if closing := f.Close(); err == nil {
		err = closing
	}
	if err == nil {
		err = os.Rename(temporary, path)
	}
	if err != nil {
		os.Remove(temporary)
		return err
	}
	return syncDir(filepath.Dir(path))
}

// syncDir forces the names in a folder to the disk.
func syncDir(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer f.Close()
	return f.Sync()
}

// makeDirs makes a folder below another, with the names of all in between forced to
// the disk.
func makeDirs(top, dir string) error {
	relative, err := filepath.Rel(top, dir)
	if err != nil {
		return err
	}
	at := top
	for _, name := range strings.Split(relative, string(filepath.Separator)) {
		parent := at
		at = filepath.Join(at, name)
		err := os.Mkdir(at, 0o755)
		if errors.Is(err, os.ErrExist) {
			continue
		}
		if err == nil {
			err = syncDir(parent)
		}
		if err != nil {
			return err
		}
	}
	return nil
}
