package operate

import (
	"bufio"
	"bytes"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"github.com/google/renameio/v2"
	"golang.org/x/sys/unix"
)

// DataFormat is the layout of the data directory that this program writes:
//
//	format   the number of the layout
//	lock     locked while a process uses the directory, and who it is
//	bus/     the message server's own files
//	cache/   what was fetched; may be deleted at any time
const DataFormat = 1

// migrations lead from one format to the next, in order; each must bear being
// stopped half-way and done again. There is none yet: format 1 is the first.
var migrations []migration

type migration struct {
	from int // to from+1
	what string
	do   func(root string) error
}

const (
	formatFile = "format"
	lockFile   = "lock"
	busFolder  = "bus"
	cacheDir   = "cache"
)

// Data is the directory that a service keeps its state in, locked for this
// process.
type Data struct {
	// Root is the directory, Bus and Cache are folders in it.
	Root, Bus, Cache string
	// Migrated says in words what was done to a directory of an older format.
	Migrated []string

	lock   *os.File
	statfs func(path string) (Space, error)
	disk   atomic.Pointer[DiskReport]
}

// InUseError says who has the directory.
type InUseError struct {
	Root string
	// PID and Host are 0 and empty where the holder could not say so.
	PID  int
	Host string
}

func (e *InUseError) Error() string {
	if e.PID == 0 {
		return fmt.Sprintf("data directory %s is in use by another process", e.Root)
	}
	return fmt.Sprintf("data directory %s is in use by process %d on %s: stop that one first, or give this one a directory of its own", e.Root, e.PID, e.Host)
}

// NewerFormatError says that a newer program wrote the directory.
type NewerFormatError struct {
	Root          string
	Format, Known int
}

func (e *NewerFormatError) Error() string {
	return fmt.Sprintf("data directory %s has format %d, written by a newer rimeline; this one knows formats up to %d: run the newer program, or use another directory", e.Root, e.Format, e.Known)
}

// OpenData makes the directory where there is none, brings an older format up to
// date, checks that it can be written to, and locks it until Close. A directory
// that holds other things is refused, since it was hardly meant. Errors are
// *InUseError, *NewerFormatError, or of the file system.
func OpenData(dir string) (*Data, error) { return openData(dir, DataFormat, migrations) }

func openData(dir string, format int, steps []migration) (*Data, error) {
	if dir == "" {
		return nil, errors.New("no data directory is named")
	}
	root, err := filepath.Abs(dir)
	if err != nil {
		return nil, fmt.Errorf("data directory %s: %w", dir, err)
	}
	if err := makeDir(root); err != nil {
		return nil, fmt.Errorf("data directory %s: %w", root, err)
	}
	d := &Data{Root: root, Bus: filepath.Join(root, busFolder), Cache: filepath.Join(root, cacheDir), statfs: statfs}
	found, err := readFormat(root)
	if err != nil {
		return nil, err
	}
	if found > format {
		return nil, &NewerFormatError{Root: root, Format: found, Known: format}
	}
	if err := d.acquire(); err != nil {
		return nil, err
	}
	if err := d.prepare(format, steps); err != nil {
		return nil, errors.Join(err, d.Close())
	}
	return d, nil
}

// prepare runs with the lock held.
func (d *Data) prepare(format int, steps []migration) error {
	found, err := readFormat(d.Root) // another process may have migrated it meanwhile
	if err != nil {
		return err
	}
	if found > format {
		return &NewerFormatError{Root: d.Root, Format: found, Known: format}
	}
	// A full disk is for WatchDisk to tell: the service starts, says so and waits.
	if err := writable(d.Root); err != nil && (found == 0 || !errors.Is(err, unix.ENOSPC) && !errors.Is(err, unix.EDQUOT)) {
		return fmt.Errorf("data directory %s cannot be written to: %w", d.Root, err)
	}
	for found > 0 && found < format {
		step := -1
		for k := range steps {
			if steps[k].from == found {
				step = k
			}
		}
		if step < 0 {
			return fmt.Errorf("data directory %s has format %d, from which this program knows no way to format %d", d.Root, found, format)
		}
		if err := steps[step].do(d.Root); err != nil {
			return fmt.Errorf("data directory %s, from format %d to %d (%s): %w", d.Root, found, found+1, steps[step].what, err)
		}
		found++
		if err := d.writeFormat(found); err != nil {
			return err
		}
		d.Migrated = append(d.Migrated, steps[step].what)
	}
	for _, folder := range []string{d.Bus, d.Cache} {
		if err := makeDir(folder); err != nil {
			return fmt.Errorf("data directory %s: %w", d.Root, err)
		}
	}
	if found == 0 {
		return d.writeFormat(format)
	}
	return nil
}

// makeDir leaves what is there as it is.
func makeDir(path string) error {
	if info, err := os.Stat(path); err == nil {
		if !info.IsDir() {
			return errors.New("is not a directory")
		}
		return nil
	}
	if err := os.MkdirAll(path, 0o700); err != nil {
		return err
	}
	return syncDir(filepath.Dir(path))
}

// readFormat is 0 for a directory that is new. lost+found is what a file system
// of its own begins with.
func readFormat(root string) (int, error) {
	b, err := readAtMost(filepath.Join(root, formatFile), 100)
	if errors.Is(err, fs.ErrNotExist) {
		entries, err := os.ReadDir(root)
		if err != nil {
			return 0, fmt.Errorf("data directory %s: %w", root, err)
		}
		for _, e := range entries {
			switch name := e.Name(); {
			case name == lockFile, name == busFolder, name == cacheDir, name == "lost+found", strings.HasPrefix(name, probePrefix), strings.HasPrefix(name, "."+formatFile):
			default:
				return 0, fmt.Errorf("data directory %s holds %s and no file %q: it is not one of rimeline's, and not empty", root, name, formatFile)
			}
		}
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("data directory %s: %w", root, err)
	}
	format, err := strconv.Atoi(strings.TrimSpace(string(b)))
	if err != nil || format < 1 {
		return 0, fmt.Errorf("data directory %s: its file %q says %q, want a number above 0", root, formatFile, b)
	}
	return format, nil
}

func readAtMost(path string, most int64) ([]byte, error) {
	f, err := os.Open(path)
	if err != nil {
		return nil, err
	}
	b, err := io.ReadAll(io.LimitReader(f, most))
	return b, errors.Join(err, f.Close())
}

func (d *Data) writeFormat(format int) error {
	return d.WriteFile(formatFile, []byte(strconv.Itoa(format)+"\n"))
}

// WriteFile puts a file below Root that is there as a whole or not at all, and
// that a power cut after the return does not take away.
func (d *Data) WriteFile(name string, b []byte) error {
	path := filepath.Join(d.Root, name)
	// renameio forces the content to disk, not the directory's entry.
	if err := renameio.WriteFile(path, b, 0o600); err != nil {
		return fmt.Errorf("data directory: %w", err)
	}
	return syncDir(filepath.Dir(path))
}

// syncDir makes new names in a directory last.
func syncDir(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	err = f.Sync()
	if errors.Is(err, unix.EINVAL) || errors.Is(err, unix.ENOTSUP) { // some file systems have nothing to sync
		err = nil
	}
	return errors.Join(err, f.Close())
}

const probePrefix = ".rimeline-probe-"

// writable tries it, since permissions alone do not tell of file systems that
// are mounted for reading, or full.
func writable(root string) error {
	f, err := os.CreateTemp(root, probePrefix)
	if err != nil {
		return err
	}
	_, err = f.Write([]byte("x"))
	return errors.Join(err, f.Sync(), f.Close(), os.Remove(f.Name()))
}

// acquire locks the directory. The lock is the kernel's: it goes with the
// process, however that ends. The file stays, and says who has it.
func (d *Data) acquire() error {
	path := filepath.Join(d.Root, lockFile)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return fmt.Errorf("data directory %s cannot be locked: %w", d.Root, err)
	}
	if err := unix.Flock(int(f.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		defer f.Close()
		if errors.Is(err, unix.EWOULDBLOCK) {
			return inUse(d.Root, path)
		}
		return fmt.Errorf("data directory %s cannot be locked: %w", d.Root, err)
	}
	host, _ := os.Hostname() // empty is printed as such
	content := fmt.Sprintf("pid %d\nhost %s\nsince %s\n", os.Getpid(), host, time.Now().UTC().Format(time.RFC3339))
	// On a full disk the lock holds all the same, it only does not say whose.
	if f.Truncate(0) == nil {
		_, _ = f.WriteAt([]byte(content), 0)
	}
	d.lock = f
	return nil
}

// inUse reads who has the lock; a holder that has just begun may not have
// written it yet.
func inUse(root, path string) error {
	e := &InUseError{Root: root}
	for range 20 {
		b, err := readAtMost(path, 1000)
		if err != nil {
			return e
		}
		lines := bufio.NewScanner(bytes.NewReader(b))
		for lines.Scan() {
			switch key, value, _ := strings.Cut(lines.Text(), " "); key {
			case "pid":
				e.PID, _ = strconv.Atoi(value) // 0 is said as unknown
			case "host":
				e.Host = value
			}
		}
		if e.PID != 0 && e.Host != "" {
			return e
		}
		time.Sleep(10 * time.Millisecond)
	}
	return e
}

// Close gives the directory up.
func (d *Data) Close() error {
	if d.lock == nil {
		return nil
	}
	f := d.lock
	d.lock = nil
	_ = f.Truncate(0) // nobody holds it
	return f.Close()
}
