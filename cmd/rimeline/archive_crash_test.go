package main

import (
	"context"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"os"
	"path/filepath"
	"reflect"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/operate"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

const (
	// killsNamed in the environment is how often the rehearsal is killed.
	killsNamed = "RIMELINE_TEST_KILLS"
	// hurried in the environment makes a process of this test binary take leases of the
	// dead over soon, and archive without waiting, so that much happens between kills.
	hurried = "RIMELINE_TEST_HURRIED"
)

func init() {
	if os.Getenv(hurried) != "" {
		leaseTime, archiveLook, archiveEvery = 1500*time.Millisecond, 100*time.Millisecond, 300*time.Millisecond
	}
}

// The rehearsal, with the bus and the archive's writer in it, and a gateway that sends
// to it, is killed at random moments and started again on the same folders: 3 times in half a minute, or as often
// as RIMELINE_TEST_KILLS says (200 take half an hour). Then every message that
// the streams have is in the archive once and as it came, and the archive is as its
// manifests say.
func TestArchiveOfAKilledRehearsal(t *testing.T) {
	if testing.Short() {
		t.Skip("starts and kills processes for half a minute: not in short mode")
	}
	kills := 3
	if text := os.Getenv(killsNamed); text != "" {
		var err error
		if kills, err = strconv.Atoi(text); err != nil || kills < 1 {
			t.Fatalf("%s is %q, want a number of kills", killsNamed, text)
		}
	}
	t.Setenv(hurried, "1")
	random := rand.New(rand.NewPCG(7, uint64(kills)))
	// New folders every so often: the day of a storm that is rehearsed for ever would
	// take ever longer to write.
	const perFolder = 10
	var all crashCount
	for begun := 0; begun < kills; begun += perFolder {
		all.add(killRehearsal(t, random, min(perFolder, kills-begun)))
		if t.Failed() {
			return
		}
	}
	t.Logf("%d kills, %d of them after the archive was taken, %d with a day unfinished: %v", kills, all.taken, all.unfinished, all)
}

// crashCount is what the kills have met.
type crashCount struct {
	taken, unfinished      int
	stored, before, scores int // messages, those archived before the last start, scores of them
	repeated               int // messages that stand in a stream more than once
	crops                  int
	acknowledged           int // messages whose sender was told so
}

func (c *crashCount) add(o crashCount) {
	c.taken, c.unfinished, c.stored, c.before = c.taken+o.taken, c.unfinished+o.unfinished, c.stored+o.stored, c.before+o.before
	c.scores, c.repeated, c.crops, c.acknowledged = c.scores+o.scores, c.repeated+o.repeated, c.crops+o.crops, c.acknowledged+o.acknowledged
}

func (c crashCount) String() string {
	return fmt.Sprintf("%d messages stored (%d scores, %d again; %d acknowledged to the test's gateway), %d of them archived when the last was killed; %d crops",
		c.stored, c.scores, c.repeated, c.acknowledged, c.before, c.crops)
}

func killRehearsal(t *testing.T, random *rand.Rand, kills int) (count crashCount) {
	t.Helper()
	top := t.TempDir()
	defer os.RemoveAll(top) // many folders would fill a small disk
	data, dir := filepath.Join(top, "data"), filepath.Join(top, "archive")
	acknowledged := &seenNumbers{of: map[string]uint64{}, ids: map[string]bool{}}
	for kill := range kills {
		// A storm that is rehearsed again says much of it again.
		seed := 1 + kill%4
		p := start(t, fmt.Sprintf("rehearsal %d", kill), "watch", "--rehearsal", "--speed", "0", "--seed", fmt.Sprint(seed), "--archive", dir, "--data", data, "--workers", "2", "--verbose")
		ctx, cancel := context.WithCancel(t.Context())
		defer cancel()
		var looking sync.WaitGroup
		looking.Go(func() { beGateway(ctx, data, acknowledged) })
		switch {
		case kill == 0:
			// Days with scores take longest to write: the first storm gets as far as that.
			until(t, 2*time.Minute, "first scores", func() bool { p.alive(t); return acknowledged.get(bus.Score.Name) > 0 })
		case kill%4 == 2: // also before it says anything
		default:
			until(t, time.Minute, "the archive is taken", func() bool { p.alive(t); return strings.Contains(p.log.String(), "archive taken") })
		}
		time.Sleep(time.Duration(random.Int64N(int64(4 * time.Second))))
		p.alive(t)
		if kill%2 == 1 {
			// Every other kill falls into a writing, if one comes soon.
			for wait := 0; wait < 400 && !unfinishedDays(t, dir); wait++ {
				time.Sleep(5 * time.Millisecond)
			}
			time.Sleep(time.Duration(random.Int64N(int64(100 * time.Millisecond))))
		}
		p.kill()
		cancel()
		looking.Wait()
		if strings.Contains(p.log.String(), "archive taken") {
			count.taken++
		}
		if unfinishedDays(t, dir) {
			count.unfinished++
		}
		if kill%5 != 4 && kill != kills-1 {
			continue
		}
		if _, err := os.Stat(filepath.Join(dir, "format.json")); err != nil {
			continue // killed before the archive was there
		}
		// As it lies there after the kill; what was begun may lie beside.
		problems, err := archive.Verify(t.Context(), dir, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range problems {
			if p.What != "extra" {
				t.Errorf("kill %d: %v", kill, p)
			}
		}
	}

	count.acknowledged = len(acknowledged.ids)
	before := archivedMessages(t, dir)
	server, err := bus.Embedded(data)
	if err != nil {
		t.Fatal(err)
	}
	defer server.Close()
	b, err := server.Connect(t.Context(), bus.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	positions := archiveAll(t, b, dir)
	after := archivedMessages(t, dir)
	problems, err := archive.Verify(t.Context(), dir, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		t.Errorf("verify: %v", p)
	}
	reader, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range bus.Kinds() {
		// Of a message that stands in a stream twice, the archive has the first.
		again := map[string]bool{}
		last := uint64(0)
		for stored, err := range b.ReadSince(t.Context(), kind, "", "", time.Time{}) {
			if err != nil {
				t.Fatalf("%s: %v", kind.Name, err)
			}
			if stored.Sequence != last+1 {
				t.Errorf("%s: message %d follows %d", kind.Name, stored.Sequence, last)
			}
			last = stored.Sequence
			count.stored++
			got := after[kind.Name][stored.Sequence]
			identity := messageIdentity(&stored)
			delete(acknowledged.ids, stored.Event.ID)
			if len(got) == 0 && again[identity] {
				count.repeated++
				continue
			}
			again[identity] = true
			if len(got) != 1 {
				t.Errorf("%s, message %d is in the archive %d times", kind.Name, stored.Sequence, len(got))
				continue
			}
			if s := got[0]; !reflect.DeepEqual(s.Event, stored.Event) || !s.Time.Equal(stored.Time) {
				t.Errorf("%s, message %d came back as another", kind.Name, stored.Sequence)
			}
			switch {
			case len(before[kind.Name][stored.Sequence]) == 1:
				count.before++
			case stored.Sequence <= positions[kind.Name]:
				t.Errorf("%s, message %d was not in the archive, which said %d", kind.Name, stored.Sequence, positions[kind.Name])
			}
			switch kind.Name {
			case bus.Score.Name:
				count.scores++
			case bus.Input.Name:
				record, err := message.As[message.Input](stored.Event)
				if err != nil {
					t.Fatal(err)
				}
				if record.Crop == nil {
					continue
				}
				count.crops++
				if content, err := reader.Crop(record.Crop.SHA256); err != nil || hexDigest(content) != record.Crop.SHA256 {
					t.Errorf("crop %s of input %d: %v", record.Crop.Object, stored.Sequence, err)
				}
			}
		}
		if seen := acknowledged.get(kind.Name); last < seen {
			t.Errorf("%s: the stream ends with %d, message %d was acknowledged", kind.Name, last, seen)
		}
		for sequence := range after[kind.Name] {
			if sequence > last {
				t.Errorf("%s: the archive has message %d, the stream ends with %d", kind.Name, sequence, last)
			}
		}
	}
	if len(acknowledged.ids) > 0 {
		t.Errorf("%d messages were acknowledged and are in no stream", len(acknowledged.ids))
	}
	rows := 0
	for r, err := range reader.Scores(t.Context(), archive.Query{Programme: "vantry"}, "score") {
		if err != nil {
			t.Fatal(err)
		}
		rows += r.Len
	}
	if rows != count.scores {
		t.Errorf("%d rows of scores for %d messages", rows, count.scores)
	}
	t.Logf("%d kills: %v", kills, count)
	return count
}

// messageIdentity is the same for messages of which an archive keeps one.
func messageIdentity(s *bus.Stored) string {
	return fmt.Sprintf("%s %s %s", s.Event.ID, s.Event.Time, s.Event.Data)
}

// seenNumbers are the last message of each kind that a reader saw, and the telemetry
// that was acknowledged, by its id.
type seenNumbers struct {
	mutex sync.Mutex
	of    map[string]uint64
	ids   map[string]bool
}

func (s *seenNumbers) add(kind string, sequence uint64) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.of[kind] = max(s.of[kind], sequence)
}

func (s *seenNumbers) get(kind string) uint64 {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	return s.of[kind]
}

// beGateway publishes telemetry to a rehearsal, some 50 messages a second, and notes
// what was acknowledged, and the last message of each kind that the streams have, until
// ctx ends.
func beGateway(ctx context.Context, data string, seen *seenNumbers) {
	var b *bus.Bus
	for b == nil {
		if ctx.Err() != nil {
			return
		}
		time.Sleep(50 * time.Millisecond)
		at, err := readLocalAddress(data)
		if err != nil {
			continue // it has not begun
		}
		// The address may be that of the one before.
		b, _ = bus.Connect(ctx, at.Address, bus.Options{AttemptTime: time.Second, RetryTime: time.Second, UserFile: filepath.Join(data, accessFile)})
	}
	defer b.Close()
	for n := 0; ctx.Err() == nil; n++ {
		e, err := bus.NewEvent(bus.Telemetry, "vantry", "gateway", time.Now(), map[string]any{"n": n, "note": strings.Repeat("rime ", 40)})
		if err == nil {
			_, err = b.Publish(ctx, e)
		}
		if err == nil {
			seen.mutex.Lock()
			seen.ids[e.ID] = true
			seen.mutex.Unlock()
		}
		if n%10 == 0 {
			for _, kind := range bus.Kinds() {
				if sequence, err := b.LastSequence(ctx, kind); err == nil {
					seen.add(kind.Name, sequence)
				}
			}
		}
		time.Sleep(20 * time.Millisecond)
	}
}

// unfinishedDays: the writer was killed in a writing.
func unfinishedDays(t *testing.T, dir string) bool {
	t.Helper()
	for _, pattern := range []string{"*/.*", "*/*/.*", "*/*/*.new", "*.new"} {
		found, err := filepath.Glob(filepath.Join(dir, pattern))
		if err != nil {
			t.Fatal(err)
		}
		if len(found) > 0 {
			return true
		}
	}
	// A new folder that the manifest does not name yet, or an old one that it no
	// longer names.
	folders, err := filepath.Glob(filepath.Join(dir, "*", "*", "g*"))
	if err != nil {
		t.Fatal(err)
	}
	days := map[string]bool{}
	for _, folder := range folders {
		days[filepath.Dir(folder)] = true
	}
	return len(folders) > len(days)
}

// archivedMessages are all that an archive has, by kind and number in the stream.
func archivedMessages(t *testing.T, dir string) map[string]map[uint64][]bus.Stored {
	t.Helper()
	of := map[string]map[uint64][]bus.Stored{}
	if _, err := os.Stat(filepath.Join(dir, "format.json")); err != nil {
		return of
	}
	r, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	programmes, err := r.Programmes()
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range bus.Kinds() {
		of[kind.Name] = map[uint64][]bus.Stored{}
		for _, programme := range programmes {
			for s, err := range r.Stored(t.Context(), archive.Query{Programme: programme}, kind.Name) {
				if err != nil {
					t.Fatal(err)
				}
				of[kind.Name][s.Sequence] = append(of[kind.Name][s.Sequence], s)
			}
		}
	}
	return of
}

// archiveAll lets a keeper archive what the streams have, and gives the positions that
// it found.
func archiveAll(t *testing.T, b *bus.Bus, dir string) map[string]uint64 {
	t.Helper()
	a, err := archive.Open(dir, archive.Options{})
	if err != nil {
		t.Fatal(err)
	}
	positions := a.Positions()
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	log := &programLog{}
	s := newService(&service{clock: clock.Wall{}, bus: b, log: slog.New(slog.NewTextHandler(log, nil)), metrics: operate.NewMetrics(version()), worker: "after the storm"})
	ctx, cancel := context.WithCancel(t.Context())
	defer cancel()
	o := archiveOptions{Dir: dir, Owned: &archiveKeepers{}}
	done := make(chan error, 1)
	go func() { done <- s.keepArchive(ctx, o) }()
	var k *archiveKeeper
	until(t, 2*time.Minute, "the archive is kept", func() bool { k = o.Owned.get(); return k != nil })
	draining, end := context.WithTimeout(ctx, 2*time.Minute)
	defer end()
	if err := k.Drain(draining); err != nil {
		t.Fatalf("%v\n%s", err, log)
	}
	cancel()
	if err := <-done; err != nil {
		t.Fatal(err)
	}
	return positions
}
