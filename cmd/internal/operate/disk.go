package operate

import (
	"context"
	"fmt"
	"time"

	"golang.org/x/sys/unix"
)

// Space is what a file system has.
type Space struct{ FreeBytes, TotalBytes int64 }

// statfs counts what an ordinary user may still take. A file system without free
// inodes takes no new file, and has no room.
func statfs(path string) (Space, error) {
	var s unix.Statfs_t
	if err := unix.Statfs(path, &s); err != nil {
		return Space{}, fmt.Errorf("room at %s: %w", path, err)
	}
	block := s.Bsize
	if s.Frsize > 0 {
		block = s.Frsize
	}
	space := Space{FreeBytes: int64(s.Bavail) * block, TotalBytes: int64(s.Blocks) * block}
	if s.Files > 0 && s.Ffree == 0 {
		space.FreeBytes = 0
	}
	return space, nil
}

// Free is the room left for this user.
func (d *Data) Free() (int64, error) {
	space, err := d.statfs(d.Root)
	return space.FreeBytes, err
}

// DiskState says what to do about the room that is left.
type DiskState int

// The states, from good to bad.
const (
	DiskOK   DiskState = iota
	DiskLow            // the cache is to shrink
	DiskFull           // nothing new is to be taken in
)

func (s DiskState) String() string { return [...]string{"ok", "low", "full"}[min(max(s, 0), DiskFull)] }

// The limits that hold where none are given. Chosen here: a day's cropped inputs
// of a programme need about a GB.
const (
	DefaultLowBytes  = 2 << 30
	DefaultFullBytes = 512 << 20
)

// leaveShare is how much more than a limit must be free before its state is left.
const leaveShare = 1.25

// DiskReport is one look at the disk.
type DiskReport struct {
	State, Before DiskState
	FreeBytes     int64
	// Err: the room could not be read. State is then DiskFull, since nobody knows
	// that anything can be written.
	Err error
}

// DiskOptions of WatchDisk; zero values stand for the defaults.
type DiskOptions struct {
	// Every is how often to look: 15 s.
	Every time.Duration
	// Below LowBytes the state is low, below FullBytes full; it gets better when
	// a quarter more is free.
	LowBytes, FullBytes int64
	// Changed is called when the state changes, first when it is not ok at the
	// start. Measured is called after every look. Either may be nil.
	Changed, Measured func(DiskReport)
}

// WatchDisk looks at once and then every so often, until the context ends. It
// calls back from its own goroutine; the next look waits for the callback.
func WatchDisk(ctx context.Context, d *Data, o DiskOptions) {
	if o.Every <= 0 {
		o.Every = 15 * time.Second
	}
	ticker := time.NewTicker(o.Every)
	defer ticker.Stop()
	for {
		d.lookAtDisk(o)
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}

func (d *Data) lookAtDisk(o DiskOptions) {
	before := d.Disk().State
	free, err := d.Free()
	report := DiskReport{State: DiskFull, Before: before, FreeBytes: free, Err: err}
	if err == nil {
		report.State = diskState(before, free, o.LowBytes, o.FullBytes)
	}
	d.disk.Store(&report)
	if report.State != before && o.Changed != nil {
		o.Changed(report)
	}
	if o.Measured != nil {
		o.Measured(report)
	}
}

// diskState goes down at once and up with hysteresis.
func diskState(before DiskState, freeBytes, lowBytes, fullBytes int64) DiskState {
	if lowBytes <= 0 {
		lowBytes = DefaultLowBytes
	}
	if fullBytes <= 0 {
		fullBytes = DefaultFullBytes
	}
	lowBytes = max(lowBytes, fullBytes)
	free := float64(freeBytes)
	leave := func(limit int64, state DiskState) bool {
		if before >= state {
			return free >= leaveShare*float64(limit)
		}
		return freeBytes >= limit
	}
	switch {
	case !leave(fullBytes, DiskFull):
		return DiskFull
	case !leave(lowBytes, DiskLow):
		return DiskLow
	}
	return DiskOK
}

// Disk is what WatchDisk saw last; before its first look the state is ok and
// nothing is known to be free.
func (d *Data) Disk() DiskReport {
	if r := d.disk.Load(); r != nil {
		return *r
	}
	return DiskReport{}
}

// DiskCheck is that for /readyz: a full disk is not ready, one that is low says
// so.
func (d *Data) DiskCheck() Check {
	r := d.disk.Load()
	switch {
	case r == nil:
		return Check{Name: "disk", Detail: "not looked at yet"}
	case r.Err != nil:
		return Check{Name: "disk", Detail: r.Err.Error()}
	}
	return Check{Name: "disk", OK: r.State != DiskFull, Detail: fmt.Sprintf("%s, %.1f GB free at %s", r.State, float64(r.FreeBytes)/1e9, d.Root)}
}
