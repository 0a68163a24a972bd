package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"syscall"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/seedability/alert"
)

// deadmanFile is the memory of the watch over restarts: what it heard and told, and
// which alerts are still on their way. A disk that fails must not keep an alert from
// going out: then the memory is in this process alone, and that is said.
type deadmanFile struct {
	path string
	lock *os.File
	warn func(format string, arguments ...any)

	mutex   sync.Mutex
	content deadmanContent
	savedAt time.Time
	broken  bool
}

// deadmanContent is the file.
type deadmanContent struct {
	Format int `json:"format"`
	// Ran is when the watch last ran.
	Ran   time.Time          `json:"ran,omitzero"`
	Watch alert.DeadmanState `json:"watch"`
	// Of is where each worker runs, to know its successor by.
	Of map[string]workerPlace `json:"of"`
	// Deliveries by their key; those that are done without their alert.
	Deliveries map[string]alert.Delivery `json:"deliveries"`
}

// workerPlace is where a worker runs and what it does.
type workerPlace struct {
	Host  string   `json:"host"`
	Roles []string `json:"roles"`
}

const (
	deadmanFormat   = 1
	maxDeadmanBytes = 32 << 20
	// keptDeliveries that are done, so that they are not sent again.
	keptDeliveries = 300
)

// openDeadmanFile reads the memory, and keeps others from it. One that cannot be
// read begins anew.
func openDeadmanFile(path string, warn func(string, ...any)) (*deadmanFile, error) {
	f := &deadmanFile{path: path, warn: warn}
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		return nil, fmt.Errorf("--state: %w", plainPathError(err))
	}
	lock, err := os.OpenFile(path+".lock", os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return nil, fmt.Errorf("--state: %w", plainPathError(err))
	}
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		lock.Close()
		return nil, fmt.Errorf("--state: another watch uses %s: give this one a file of its own", path)
	}
	f.lock = lock
	b, err := readFileBytes(path, maxDeadmanBytes)
	if err == nil {
		if err = json.Unmarshal(b, &f.content); err == nil && f.content.Format != deadmanFormat {
			err = fmt.Errorf("it has format %d, %d is read", f.content.Format, deadmanFormat)
		}
	}
	if errors.Is(err, fs.ErrNotExist) {
		err = nil
	}
	if err != nil {
		warn("%s cannot be read, and the watch begins anew: %v", path, err)
		f.content = deadmanContent{}
	}
	f.content.Format = deadmanFormat
	if f.content.Of == nil {
		f.content.Of = map[string]workerPlace{}
	}
	if f.content.Deliveries == nil {
		f.content.Deliveries = map[string]alert.Delivery{}
	}
	return f, nil
}

// Close lets others have the file.
func (f *deadmanFile) Close() { f.lock.Close() }

// fresh: nothing is remembered.
func (f *deadmanFile) fresh() bool { return f.state().Started.IsZero() }

func (f *deadmanFile) state() alert.DeadmanState {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	return f.content.Watch
}

// startAt begins to count silence at a moment.
func (f *deadmanFile) startAt(at time.Time) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	f.content.Watch.Started = at.UTC()
}

// begin notes that the watch runs again. While it did not run it heard nothing, and
// silence counts from now, of each worker too.
func (f *deadmanFile) begin(now time.Time, silence time.Duration) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	s := &f.content.Watch
	if s.Started.IsZero() || now.Sub(f.content.Ran).Abs() <= silence {
		return
	}
	s.Started, s.Workers = now.UTC(), maps.Clone(s.Workers)
	for id, w := range s.Workers {
		if w.Gone.ID == "" {
			w.Last = now.UTC()
			s.Workers[id] = w
		}
	}
}

// shift moves what is remembered by what the clock was moved.
func (f *deadmanFile) shift(jump time.Duration) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	s := &f.content.Watch
	for _, t := range []*time.Time{&s.Started, &s.Told, &s.Since} {
		if !t.IsZero() {
			*t = t.Add(jump)
		}
	}
	s.Workers = maps.Clone(s.Workers)
	for id, w := range s.Workers {
		w.Last = w.Last.Add(jump)
		s.Workers[id] = w
	}
}

// heardOf takes signs of life into the state: all of them, before any is judged by
// the others. A worker that was started again has another name; the one that it
// follows, on the same host with the same roles and not heard since, is not gone.
func (f *deadmanFile) heardOf(said []signOfLife, now time.Time, silence time.Duration) (s alert.DeadmanState, changed bool) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	s = f.content.Watch
	s.Workers = maps.Clone(s.Workers)
	if s.Workers == nil {
		s.Workers = map[string]alert.WorkerSeen{}
	}
	for _, sign := range said {
		if now.Sub(sign.at) >= silence {
			continue
		}
		id := shorten(printable(sign.worker), 60)
		place := workerPlace{shorten(printable(sign.host), 80), slices.Clone(sign.roles[:min(len(sign.roles), 20)])}
		w, known := s.Workers[id]
		if !known {
			changed = true
			for other, seen := range s.Workers {
				was := f.content.Of[other]
				if was.Host == place.Host && slices.Equal(was.Roles, place.Roles) && seen.Last.Before(sign.started.Add(clockJumps)) {
					if seen.Gone.ID != "" {
						w.Gone = seen.Gone
					}
					delete(s.Workers, other)
				}
			}
		}
		if sign.at.After(w.Last) {
			w.Last = sign.at.UTC()
		}
		w.Roles = place.Roles
		s.Workers[id] = w
		f.content.Of[id] = place
	}
	for id := range f.content.Of {
		if _, there := s.Workers[id]; !there {
			delete(f.content.Of, id)
		}
	}
	return s, changed
}

// keep takes the state after a step, and saves it where it matters, else now and
// then.
func (f *deadmanFile) keep(s alert.DeadmanState, now time.Time, matters bool, silence time.Duration) {
	f.mutex.Lock()
	f.content.Watch, f.content.Ran = s, now.UTC()
	f.mutex.Unlock()
	if matters || now.Sub(f.savedAt) > min(silence/4, time.Minute) {
		f.save()
		f.savedAt = now
	}
}

// save writes the file.
func (f *deadmanFile) save() {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	f.write()
}

func (f *deadmanFile) write() {
	b, err := json.Marshal(f.content)
	if err == nil {
		err = renameio.WriteFile(f.path, append(b, '\n'), 0o600)
	}
	switch {
	case err != nil && !f.broken:
		f.warn("the state of the watch cannot be saved, and a restart may tell again what was told: %v", err)
	case err == nil && f.broken:
		f.warn("the state of the watch is saved again")
	}
	f.broken = err != nil
}

// Load gives the deliveries, for package alert.
func (f *deadmanFile) Load(context.Context) ([]alert.Delivery, error) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	var all []alert.Delivery
	for _, key := range slices.Sorted(maps.Keys(f.content.Deliveries)) {
		all = append(all, f.content.Deliveries[key])
	}
	return all, nil
}

// Save keeps a delivery, for package alert.
func (f *deadmanFile) Save(_ context.Context, d alert.Delivery) error {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	f.content.Deliveries[d.Key()] = d
	if len(f.content.Deliveries) > keptDeliveries {
		oldest := ""
		for key, one := range f.content.Deliveries {
			if one.Outcome.Done() && (oldest == "" || one.At.Before(f.content.Deliveries[oldest].At)) {
				oldest = key
			}
		}
		delete(f.content.Deliveries, oldest)
	}
	f.write()
	return nil
}

// waiting are the keys of deliveries that are not done.
func (f *deadmanFile) waiting() (keys []string) {
	f.mutex.Lock()
	defer f.mutex.Unlock()
	for key, d := range f.content.Deliveries {
		if !d.Outcome.Done() {
			keys = append(keys, key)
		}
	}
	return keys
}
