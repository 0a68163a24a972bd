package operate

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

func open(t *testing.T, dir string) *Data {
	t.Helper()
	d, err := OpenData(dir)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Error(err)
		}
	})
	return d
}

func TestOpenData(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "a", "b")
	d := open(t, dir)
	for _, folder := range []string{d.Bus, d.Cache} {
		if info, err := os.Stat(folder); err != nil || !info.IsDir() || info.Mode().Perm() != 0o700 {
			t.Errorf("%s: %v %v", folder, info, err)
		}
	}
	if b, err := os.ReadFile(filepath.Join(dir, "format")); err != nil || string(b) != "1\n" {
		t.Errorf("format %q, %v", b, err)
	}
	// The same process a second time is one too many as well.
	_, err := OpenData(dir)
	var used *InUseError
	if !errors.As(err, &used) || used.PID != os.Getpid() {
		t.Errorf("opened twice: %v", err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Errorf("closed twice: %v", err)
	}
	again := open(t, dir)
	if free, err := again.Free(); err != nil || free <= 0 {
		t.Errorf("free %d, %v", free, err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	if want := []string{"bus", "cache", "format", "lock"}; !slices.Equal(names, want) {
		t.Errorf("holds %v, want %v", names, want)
	}
}

// Two processes: the second is told who the first is; after kill -9 the
// directory is free.
func TestTwoProcesses(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	holder := play(t, "hold:"+dir)
	holder.says(t, "holds "+dir)
	_, err := OpenData(dir)
	var used *InUseError
	host, _ := os.Hostname()
	if !errors.As(err, &used) || used.PID != holder.Process.Pid || used.Host != host {
		t.Fatalf("while process %d holds it: %v", holder.Process.Pid, err)
	}
	if want := fmt.Sprintf("in use by process %d on %s", holder.Process.Pid, host); !strings.Contains(err.Error(), want) {
		t.Errorf("%q does not say %q", err, want)
	}
	second := play(t, "hold:"+dir)
	second.says(t, "error data directory "+dir+" is in use by process")
	if err := holder.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	_ = holder.Wait() // killed
	open(t, dir)
}

func TestOtherDirectoriesAreRefused(t *testing.T) {
	home := t.TempDir()
	if err := os.WriteFile(filepath.Join(home, "letter.txt"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenData(home); err == nil || !strings.Contains(err.Error(), "letter.txt") {
		t.Errorf("a directory with a letter: %v", err)
	}
	if _, err := os.Stat(filepath.Join(home, "lock")); err == nil {
		t.Error("it left a lock in a directory that it refused")
	}
	if _, err := OpenData(filepath.Join(home, "letter.txt")); err == nil {
		t.Error("a file was opened as directory")
	}
	if _, err := OpenData(""); err == nil {
		t.Error("no name was opened")
	}
	// A volume of its own.
	volume := t.TempDir()
	if err := os.Mkdir(filepath.Join(volume, "lost+found"), 0o700); err != nil {
		t.Fatal(err)
	}
	open(t, volume)
	for _, content := range []string{"", "x", "-1", "0", "1 2"} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "format"), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := OpenData(dir); err == nil {
			t.Errorf("format %q was taken", content)
		}
	}
}

func TestFormats(t *testing.T) {
	dir := t.TempDir()
	d, err := openData(dir, 1, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	var done []string
	fail := errors.New("stopped half-way")
	step := func(from int, what string, err error) migration {
		return migration{from, what, func(root string) error {
			if root != dir {
				t.Errorf("root %s", root)
			}
			done = append(done, what)
			return err
		}}
	}
	if _, err := openData(dir, 3, []migration{step(2, "second", fail), step(1, "first", nil)}); !errors.Is(err, fail) {
		t.Fatalf("a step that fails: %v", err)
	}
	// The first step was kept, the second is done again.
	d, err = openData(dir, 3, []migration{step(2, "second", nil), step(1, "first", nil)})
	if err != nil {
		t.Fatal(err)
	}
	if want := []string{"first", "second", "second"}; !slices.Equal(done, want) {
		t.Errorf("steps %v, want %v", done, want)
	}
	if want := []string{"second"}; !slices.Equal(d.Migrated, want) {
		t.Errorf("migrated %v, want %v", d.Migrated, want)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = OpenData(dir)
	var newer *NewerFormatError
	if !errors.As(err, &newer) || newer.Format != 3 || newer.Known != DataFormat {
		t.Errorf("a newer format: %v", err)
	}
	if _, err := openData(dir, 5, nil); err == nil {
		t.Error("format 3 became 5 without a step")
	}
}

func TestReadOnly(t *testing.T) {
	if os.Getuid() == 0 {
		// Root writes everywhere but into the kernel's own file systems.
		if _, err := OpenData("/proc/rimeline"); err == nil {
			t.Error("opened below /proc")
		}
		return
	}
	dir := t.TempDir()
	if err := os.Chmod(dir, 0o500); err != nil {
		t.Fatal(err)
	}
	if _, err := OpenData(dir); err == nil {
		t.Error("opened a directory that cannot be written to")
	}
}

func TestDiskStates(t *testing.T) {
	const low, full = 1000, 100
	for _, test := range []struct {
		before DiskState
		free   int64
		want   DiskState
	}{
		{DiskOK, 1000, DiskOK}, {DiskOK, 999, DiskLow}, {DiskOK, 99, DiskFull},
		{DiskLow, 1249, DiskLow}, {DiskLow, 1250, DiskOK}, {DiskLow, 100, DiskLow}, {DiskLow, 99, DiskFull},
		{DiskFull, 124, DiskFull}, {DiskFull, 125, DiskLow}, {DiskFull, 1249, DiskLow}, {DiskFull, 1250, DiskOK},
		{DiskOK, 0, DiskFull},
	} {
		if got := diskState(test.before, test.free, low, full); got != test.want {
			t.Errorf("%v with %d free: %v, want %v", test.before, test.free, got, test.want)
		}
	}
}

// A disk fills up, cannot be read, and gets room again; the callbacks see each
// change once, and /readyz says so.
func TestFullDisk(t *testing.T) {
	d := open(t, t.TempDir())
	if d.DiskCheck().OK {
		t.Error("ready before anybody looked")
	}
	broken := errors.New("input/output error")
	looks := []struct {
		free int64
		err  error
	}{{5000, nil}, {900, nil}, {0, broken}, {1100, nil}, {50, nil}, {110, nil}, {200, nil}, {2000, nil}}
	k := 0
	d.statfs = func(string) (Space, error) { return Space{FreeBytes: looks[k].free}, looks[k].err }
	ctx, cancel := context.WithCancel(t.Context())
	var changes, ready []string
	var once sync.Once
	WatchDisk(ctx, d, DiskOptions{Every: time.Microsecond, LowBytes: 1000, FullBytes: 100,
		Changed: func(r DiskReport) { changes = append(changes, fmt.Sprintf("%v to %v", r.Before, r.State)) },
		Measured: func(r DiskReport) {
			ready = append(ready, fmt.Sprint(d.DiskCheck().OK))
			if (r.Err != nil) != (looks[k].err != nil) || d.Disk().State != r.State {
				t.Errorf("look %d: %+v", k, r)
			}
			if k++; k == len(looks) {
				once.Do(cancel)
				k--
			}
		}})
	if want := []string{"ok to low", "low to full", "full to low", "low to full", "full to low", "low to ok"}; !slices.Equal(changes, want) {
		t.Errorf("changes %v, want %v", changes, want)
	}
	want := []string{"true", "true", "false", "true", "false", "false", "true", "true"}
	if len(ready) < len(want) || !slices.Equal(ready[:len(want)], want) {
		t.Errorf("ready %v, want %v", ready, want)
	}
}
