package archive

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"
	"golang.org/x/sys/unix"

	"rimeline/seedability/bus"
)

// Programme is what files say of the programme they belong to.
type Programme struct {
	Name        string
	Institution string
	// Digest is the SHA-256 of the programme file in force, in hexadecimal digits.
	Digest string
}

// Options of an archive. The zero value of each field takes the default.
type Options struct {
	// OnThread runs a job on the one thread of the process that may enter the netCDF
	// library. Where others in the process use the library it must be theirs; a
	// thread of this package.
	OnThread func(ctx context.Context, job func() error) error
	// ProgramVersion stands in the files.
	ProgramVersion string
	// Programmes by id, for titles; one that is not there is called by its id.
	Programmes map[string]Programme
	// PendingBytes of messages may wait in memory for their day to be written; 64 MiB.
	PendingBytes int64
	// Interval is how often open days are written at least apart; 1 min, but for the
	// first writing, which may be due after 5 s. Where writing takes longer than a
	// tenth of the time it becomes rarer.
	Interval time.Duration
	// CropBytes is how much kept crops may take; 20 GiB.
	CropBytes int64
	// Now is for the time of writing that files name; the wall's.
	Now func() time.Time
	// OnWrite hears of each day that was written, or could not be. It must not block.
	OnWrite func(Written)
}

// Written is one writing of a day.
type Written struct {
	Programme, Day string
	Generation     uint64
	Events         int
	Bytes          int64
	Took           time.Duration
	Err            error
}

var ownThread = sync.OnceValue(func() chan func() {
	jobs := make(chan func())
	go func() {
		runtime.LockOSThread() // never unlocked: HDF5 keeps state by thread
		for job := range jobs {
			job()
		}
	}()
	return jobs
})

func onOwnThread(ctx context.Context, job func() error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	done := make(chan error)
	ownThread() <- func() { done <- job() }
	return <-done
}

func (o *Options) fill() {
	if o.OnThread == nil {
		o.OnThread = onOwnThread
	}
	if o.PendingBytes <= 0 {
		o.PendingBytes = 64 << 20
	}
	if o.Interval <= 0 {
		o.Interval = time.Minute
	}
	if o.CropBytes <= 0 {
		o.CropBytes = 20 << 30
	}
	if o.Now == nil {
		o.Now = func() time.Time { return time.Now().UTC() }
	}
	if o.OnWrite == nil {
		o.OnWrite = func(Written) {}
	}
	if o.ProgramVersion == "" {
		o.ProgramVersion = "unknown"
	}
}

// Archive is an archive that is written. All of a Reader's methods work on it too;
// they see what is in verified files.
type Archive struct {
	*Reader
	options Options
	lock    *os.File
	encoder *zstd.Encoder

	mutex     sync.Mutex
	days      map[dayKey]*openDay
	positions map[string]uint64    // safe in verified files
	made      map[string]time.Time // the streams of the positions, by kind
	remade    bool                 // not yet written
	seen      map[string]uint64    // taken, by kind
	pending   int64                // bytes that wait
	flushed   time.Time
	took      time.Duration
	tick      uint64
	closed    bool
	crops     cropShelf
}

type dayKey struct{ programme, day string }

// openDay is a day that messages came for.
type openDay struct {
	key      dayKey
	manifest *Manifest // nil where there is no day yet
	keys     map[[16]byte]struct{}
	used     uint64

	// What waits to be written.
	frames  map[string]*frames           // by kind
	lines   map[string]*lines            // by table
	tables  map[string]map[string]*block // by table and group
	events  int
	first   map[string]uint64 // smallest sequence that waits, by kind
	unread  int
	notes   map[string]bool
	pinned  map[string]bool
	pending int64
}

// lines of data that wait, for one file of JSON lines.
type lines struct {
	b    []byte
	rows int64
}

// firstWriting is how soon the first writing may be due, so that a program that dies
// again and again within the interval archives all the same.
const firstWriting = 5 * time.Second

// daysInMind: of more days the ids of messages are forgotten, and read again if they
// are needed.
const daysInMind = 4

// ErrRefused: a message can never be archived, as it is no event of rimeline's or
// larger than any on the bus. It was not taken; see Skip.
var ErrRefused = errors.New("message that cannot be archived")

// ErrLocked: another process writes the archive.
var ErrLocked = errors.New("another process writes this archive")

// Open opens an archive for writing, and makes it if it is not there. One process
// may do so at a time, by a lock on the file "lock". What a process that died left
// unfinished is removed.
func Open(dir string, o Options) (*Archive, error) {
	o.fill()
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	lock, err := lockOf(dir)
	if err != nil {
		return nil, err
	}
	a := &Archive{options: o, lock: lock, days: map[dayKey]*openDay{}, positions: map[string]uint64{},
		flushed: time.Now().Add(firstWriting - max(o.Interval, firstWriting))}
	if err := a.open(dir); err != nil {
		lock.Close()
		return nil, err
	}
	return a, nil
}

func lockOf(dir string) (*os.File, error) {
	path := filepath.Join(dir, lockName)
	lock, err := os.OpenFile(path, os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	// Who only asks whether there is a writer has it for a moment.
	for try := 0; ; try++ {
		err = unix.Flock(int(lock.Fd()), unix.LOCK_EX|unix.LOCK_NB)
		if !errors.Is(err, unix.EWOULDBLOCK) || try == 10 {
			break
		}
		time.Sleep(20 * time.Millisecond)
	}
	if err != nil {
		lock.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return nil, fmt.Errorf("%s: %w", path, ErrLocked)
		}
		return nil, fmt.Errorf("%s: %w", path, err)
	}
	return lock, nil
}

func (a *Archive) open(dir string) (err error) {
	if _, err := os.Stat(filepath.Join(dir, formatName)); errors.Is(err, os.ErrNotExist) {
		content, err := seal(format{Format: "rimeline archive", Version: FormatVersion, Program: a.options.ProgramVersion})
		if err == nil {
			err = writeWhole(filepath.Join(dir, formatName), content)
		}
		if err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	if a.Reader, err = OpenReader(dir); err != nil {
		return err
	}
	// Without positions all is asked for again, and what the days have is dropped.
	var known positions
	err = readSealed(filepath.Join(dir, positionsName), &known)
	if err != nil && !errors.Is(err, os.ErrNotExist) && !errors.Is(err, ErrDamaged) {
		return fmt.Errorf("archive: %w", err)
	}
	if err == nil && known.Positions != nil {
		a.positions = known.Positions
	}
	if a.made = known.Made; err != nil || a.made == nil {
		a.made = map[string]time.Time{}
	}
	a.seen = maps.Clone(a.positions)
	if a.encoder, err = newEncoder(); err != nil {
		return err
	}
	if err := a.removeLeftovers(); err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	return a.crops.open(dir, a.options.CropBytes)
}

// removeLeftovers removes what a process that died had begun, and what it had not
// come to remove. Folders of a day whose manifest cannot be read are left alone.
func (a *Archive) removeLeftovers() error {
	for _, name := range []string{formatName, positionsName} {
		if err := os.Remove(filepath.Join(a.dir, name+temporary)); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	programmes, err := a.Programmes()
	if err != nil {
		return err
	}
	for _, programme := range programmes {
		folders, err := os.ReadDir(filepath.Join(a.dir, programme))
		if err != nil {
			return err
		}
		for _, folder := range folders {
			dayDir := filepath.Join(a.dir, programme, folder.Name())
			if strings.HasPrefix(folder.Name(), goneBefore) || strings.HasPrefix(folder.Name(), unfinishedBefore) {
				if err := os.RemoveAll(dayDir); err != nil {
					return err
				}
				continue
			}
			if !isDay(folder.Name()) {
				continue
			}
			m, err := readManifest(dayDir, programme, folder.Name())
			if err != nil {
				continue // Verify names it
			}
			inside, err := os.ReadDir(dayDir)
			if err != nil {
				return err
			}
			for _, entry := range inside {
				name := entry.Name()
				old := folderForm.MatchString(name) && name != m.Folder
				if old || strings.HasPrefix(name, unfinishedBefore) || name == manifestName+temporary {
					if err := os.RemoveAll(filepath.Join(dayDir, name)); err != nil {
						return err
					}
				}
			}
		}
	}
	return nil
}

// Names of what is not, or no longer, part of the archive.
const (
	unfinishedBefore = ".new-"
	goneBefore       = ".gone-"
	// temporary ends the name of a file that is to replace another.
	temporary = ".new"
)

var kindForm = regexp.MustCompile(`^[a-z][a-z-]{0,40}$`)

// Add takes one message of a kind (its name), with its number in the stream and when
// it was stored. It lies in memory until its day is written, which Add does itself
// when it is time for it, or when too much waits; until then the stream must keep it
// (Positions). Messages of a kind come in the order of their numbers; one that the
// archive has is dropped. An error of writing does not lose the message: it waits.
func (a *Archive) Add(ctx context.Context, kind string, sequence uint64, stored time.Time, e bus.Event) error {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	if a.closed {
		return os.ErrClosed
	}
	if err := a.take(kind, sequence, stored, &e); err != nil {
		return fmt.Errorf("archive: %s, message %d: %w", kind, sequence, err)
	}
	if a.pending >= a.options.PendingBytes || a.due() {
		return a.flush(ctx)
	}
	return nil
}

// Skip says that a message is not to be archived (of a programme that is not kept) or
// cannot be (no event), so that Positions goes past it.
func (a *Archive) Skip(kind string, sequence uint64) {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	a.seen[kind] = sequence
}

// encodeEvent gives an event in JSON in one line, with its data byte for byte.
func encodeEvent(e *bus.Event) ([]byte, error) {
	if e.Data == nil {
		return json.Marshal(e)
	}
	if !json.Valid(e.Data) {
		return nil, errors.New("event data is not JSON")
	}
	envelope := *e
	envelope.Data = nil
	head, err := json.Marshal(envelope)
	if err != nil {
		return nil, err
	}
	head = head[:len(head)-1]
	// Blanks around a value are no part of it (RFC 8259, section 2).
	data := bytes.Trim(e.Data, " \t\r\n")
	if bytes.ContainsAny(data, "\r\n") {
		// JSON Event Format 1.0.2, section 3.1.1: data in base64 stand for the same.
		coded, err := json.Marshal(data)
		return append(append(append(head, `,"data_base64":`...), coded...), '}'), err
	}
	return append(append(append(head, `,"data":`...), data...), '}'), nil
}

// clocksOff: a site's gateway whose clock is further off than this dates nothing.
const clocksOff = 31 * 24 * time.Hour

// dayOf an event is that of its time, or of its storing where it has none that can be:
// a gateway with a wrong clock must not make days at will.
func dayOf(kind string, e *bus.Event, stored time.Time) string {
	at := e.Time.UTC()
	wrong := kind == bus.Telemetry.Name && at.Sub(stored).Abs() > clocksOff
	if wrong || at.Year() < 1900 || at.Year() > 2200 {
		at = stored.UTC()
	}
	return at.Format(dayForm)
}

func (a *Archive) take(kind string, sequence uint64, stored time.Time, e *bus.Event) error {
	if !kindForm.MatchString(kind) {
		return fmt.Errorf("%q is no kind of message: %w", printable(kind), ErrRefused)
	}
	programme, site, err := placeOf(e.Subject)
	if err != nil {
		return fmt.Errorf("%w: %w", err, ErrRefused)
	}
	encoded, err := encodeEvent(e)
	if err != nil {
		return fmt.Errorf("%w: %w", err, ErrRefused)
	}
	if len(encoded) > maxLineBytes-1024 {
		return fmt.Errorf("%d bytes, at most %d are kept: %w", len(encoded), maxLineBytes-1024, ErrRefused)
	}
	d, err := a.day(dayKey{programme, dayOf(kind, e, stored)})
	if err != nil {
		return err
	}
	digest := sha256.Sum256(encoded)
	var key [16]byte
	copy(key[:], digest[:])
	if _, known := d.keys[key]; known {
		a.seen[kind] = max(a.seen[kind], sequence)
		return nil
	}
	d.keys[key] = struct{}{}
	a.seen[kind] = sequence // below the one before: the stream was made anew
	if least, ok := d.first[kind]; !ok || sequence < least {
		d.first[kind] = sequence
	}
	before := d.pending
	f := d.frames[kind]
	if f == nil {
		f = &frames{}
		d.frames[kind] = f
	}
	held := len(f.raw) + len(f.packed)
	f.add(a.encoder, sequence, stored, encoded)
	d.pending += int64(len(f.raw) + len(f.packed) - held)
	d.events++
	index := d.block(tableIndex, kind)
	d.pending += 100 + add(index, indexColumns, &indexRow{kind: kind, subject: e.Subject, id: e.ID, key: hex.EncodeToString(key[:]), sequence: sequence, stored: stored, at: e.Time})
	if table, ok := lineKinds[kind]; ok && e.Data != nil {
		l := d.lines[table]
		if l == nil {
			l = &lines{}
			d.lines[table] = l
		}
		l.b, err = appendCompact(l.b, e.Data)
		if err != nil {
			return err
		}
		l.rows++
		d.pending += int64(len(e.Data))
	}
	size, pinned, err := rowsOf(e, stamp{site: site, sequence: sequence, id: e.ID, at: e.Time}, d.block)
	if err != nil {
		d.unread++
		if len(d.notes) < 20 {
			d.notes[fmt.Sprintf("%s: %v", kind, err)] = true
		}
	}
	if pinned != "" {
		d.pinned[pinned] = true
	}
	d.pending += size
	a.pending += d.pending - before
	return nil
}

func (d *openDay) block(table, group string) *block {
	of := d.tables[table]
	if of == nil {
		of = map[string]*block{}
		d.tables[table] = of
	}
	b := of[group]
	if b == nil {
		b = newBlock(layoutNamed(table))
		of[group] = b
	}
	return b
}

func (d *openDay) clear() {
	d.frames, d.lines, d.tables = map[string]*frames{}, map[string]*lines{}, map[string]map[string]*block{}
	d.events, d.unread, d.pending = 0, 0, 0
	d.first, d.notes, d.pinned = map[string]uint64{}, map[string]bool{}, map[string]bool{}
}

// day opens a day: what it has is read from its index.
func (a *Archive) day(key dayKey) (*openDay, error) {
	a.tick++
	if d := a.days[key]; d != nil {
		d.used = a.tick
		return d, nil
	}
	a.forgetDays()
	d := &openDay{key: key, keys: map[[16]byte]struct{}{}, used: a.tick}
	d.clear()
	m, err := readManifest(a.dayDir(key), key.programme, key.day)
	if errors.Is(err, os.ErrNotExist) {
		// A day has a manifest from its first moment on.
		if info, statErr := os.Stat(a.dayDir(key)); statErr == nil && info.IsDir() {
			return nil, fmt.Errorf("%s: the day is there without its manifest: %w", a.dayDir(key), ErrDamaged)
		}
	}
	switch {
	case errors.Is(err, os.ErrNotExist):
	case err != nil && !errors.Is(err, ErrDamaged) && !isFolder(a.dayDir(key)):
		// Something else stands there: writing says so.
	case err != nil:
		return nil, err
	default:
		d.manifest = m
		if err := d.readKeys(filepath.Join(a.dayDir(key), m.Folder, tableIndex+".parquet")); err != nil {
			return nil, err
		}
	}
	a.days[key] = d
	return d, nil
}

func (d *openDay) readKeys(path string) error {
	l := layoutNamed(tableIndex)
	entry, ok := d.manifest.file(tableFile(tableIndex))
	if !ok {
		return fmt.Errorf("%s: the manifest does not name it: %w", path, ErrDamaged)
	}
	if err := checkFooter(path, entry); err != nil {
		return err
	}
	r, err := openParquet(path, l)
	if err != nil {
		return err
	}
	defer r.Close()
	if r.rows != int64(d.manifest.Events) {
		return fmt.Errorf("%s: %d messages, the manifest says %d: %w", path, r.rows, d.manifest.Events, ErrDamaged)
	}
	b, err := r.read(0, r.rows, []int{l.at("key")})
	if err != nil {
		return err
	}
	for _, text := range b.columns[0].Texts {
		var key [16]byte
		if n, err := hex.Decode(key[:], []byte(text[:min(len(text), 32)])); err != nil || n != 16 {
			return fmt.Errorf("%s: key %q: %w", path, printable(text), ErrDamaged)
		}
		d.keys[key] = struct{}{}
	}
	return nil
}

// forgetDays lets go of the days not used for the longest time that have nothing
// to be written.
func (a *Archive) forgetDays() {
	for len(a.days) >= daysInMind {
		var oldest *openDay
		for _, d := range a.days {
			if d.events == 0 && (oldest == nil || d.used < oldest.used) {
				oldest = d
			}
		}
		if oldest == nil {
			return
		}
		delete(a.days, oldest.key)
	}
}

func (a *Archive) dayDir(key dayKey) string { return filepath.Join(a.dir, key.programme, key.day) }

// due: it is time to write.
func (a *Archive) due() bool {
	return a.pending > 0 && time.Since(a.flushed) >= max(a.options.Interval, 10*a.took)
}

// FlushDue is Flush where it is time for it; for whoever has nothing to add.
func (a *Archive) FlushDue(ctx context.Context) error {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	if a.closed || !a.due() {
		return nil
	}
	return a.flush(ctx)
}

// Flush writes every day that has gained messages. A day that could not be written
// keeps them, and the others are written all the same.
func (a *Archive) Flush(ctx context.Context) error {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	if a.closed {
		return os.ErrClosed
	}
	return a.flush(ctx)
}

func (a *Archive) flush(ctx context.Context) error {
	begun := time.Now()
	var keys []dayKey
	for key, d := range a.days {
		if d.events > 0 {
			keys = append(keys, key)
		}
	}
	slices.SortFunc(keys, func(x, y dayKey) int { return strings.Compare(x.day+x.programme, y.day+y.programme) })
	var failed []error
	for _, key := range keys {
		d := a.days[key]
		from, pending := time.Now(), d.pending
		err := a.rewrite(ctx, d)
		report := Written{Programme: key.programme, Day: key.day, Took: time.Since(from), Err: err}
		if err != nil {
			failed = append(failed, err)
		} else {
			a.pending -= pending
			report.Generation, report.Events = d.manifest.Generation, d.manifest.Events
			for _, f := range d.manifest.Files {
				report.Bytes += f.Bytes
			}
		}
		a.options.OnWrite(report)
	}
	a.flushed, a.took = time.Now(), time.Since(begun)
	if err := a.keepPositions(); err != nil {
		failed = append(failed, err)
	}
	a.forgetDays()
	return errors.Join(failed...)
}

// StreamMade says when the stream of a kind was made; before its first message is given.
// Where it is another stream than that of the positions, its messages are all unseen:
// Positions begins anew.
func (a *Archive) StreamMade(kind string, made time.Time) {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	made = made.UTC()
	if before, known := a.made[kind]; known && !before.Equal(made) {
		delete(a.positions, kind)
		delete(a.seen, kind)
	}
	if !a.made[kind].Equal(made) {
		a.made[kind] = made
		a.remade = true
	}
}

// keepPositions writes up to where each stream lies in verified files: everything
// that was taken, but for what still waits.
func (a *Archive) keepPositions() error {
	safe := maps.Clone(a.seen)
	for _, d := range a.days {
		for kind, sequence := range d.first {
			safe[kind] = min(safe[kind], sequence-1)
		}
	}
	if maps.Equal(safe, a.positions) && !a.remade {
		return nil
	}
	content, err := seal(positions{safe, a.made})
	if err == nil {
		err = writeWhole(filepath.Join(a.dir, positionsName), content)
	}
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	a.positions, a.remade = safe, false
	return nil
}

// Positions is, by kind, the number of the message up to which all lie in verified
// files. Whoever feeds the archive begins with the one after it.
func (a *Archive) Positions() map[string]uint64 {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	return maps.Clone(a.positions)
}

// Taken is, by kind, the number of the last message that was taken, written or not.
func (a *Archive) Taken() map[string]uint64 {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	return maps.Clone(a.seen)
}

// Close gives the lock back. What was not flushed is dropped: the streams have it.
func (a *Archive) Close() error {
	a.mutex.Lock()
	defer a.mutex.Unlock()
	if a.closed {
		return nil
	}
	a.closed = true
	return errors.Join(a.encoder.Close(), a.lock.Close())
}

func isFolder(path string) bool {
	info, err := os.Stat(path)
	return err == nil && info.IsDir()
}

func isDay(name string) bool {
	_, err := time.Parse(dayForm, name)
	return err == nil
}
