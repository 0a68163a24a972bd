package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"rimeline/ingest/cfgrid"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Of the archive; common practice, no source.
const (
	// roleArchive keeps what is published in a folder. Its lease has the same name.
	roleArchive = "archive"
	// trimEvery is how often streams are relieved of what is archived.
	trimEvery = time.Hour
	// archiveAgain: after a failure the same message is tried again.
	archiveAgain = 10 * time.Second
)

// archiveLook is how often the keeper looks whether days are to be written, archiveEvery
// how often they are written at least apart. Shorter in a test that kills often.
var archiveLook, archiveEvery = 5 * time.Second, time.Minute

// trimmedKinds are taken out of their streams when they are archived and old enough.
// Orders, releases, acknowledgements, alerts and holds are not: the service itself
// reads them back, some for years, and they are few.
var trimmedKinds = []bus.Kind{bus.Score, bus.Outlook, bus.Input, bus.Conditions, bus.Telemetry, bus.CAP, bus.Delivery, bus.Health}

// archiveOptions are what an archive keeper works with.
type archiveOptions struct {
	// Dir is the archive's folder.
	Dir string
	// KeepDays is how long streams keep what is archived; 0: as long as they do anyway.
	KeepDays int
	// CropBytes is how much kept crops may take; 0 for the archive's own default.
	CropBytes int64
	// Owned gets the keeper while it runs; may be nil.
	Owned *archiveKeepers
}

// archiveKeeper follows everything that is published and archives it.
type archiveKeeper struct {
	*service
	options    archiveOptions
	archive    *archive.Archive
	programmes []string
	trouble    keeperTrouble
	named      keptNames
}

// archiveKeepers is the keeper that runs in this process.
type archiveKeepers struct {
	mutex sync.Mutex
	is    *archiveKeeper
}

func (o *archiveKeepers) set(k *archiveKeeper) {
	if o == nil {
		return
	}
	o.mutex.Lock()
	defer o.mutex.Unlock()
	o.is = k
}

// get is the keeper, nil where another process or nobody has the archive.
func (o *archiveKeepers) get() *archiveKeeper {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	return o.is
}

// keepArchive archives what is published of programmes (of all, if none is named)
// whenever no other process does, until ctx ends. What was taken is written before it
// returns.
func (s *service) keepArchive(ctx context.Context, o archiveOptions, programmes ...*programme.Programme) error {
	var last error
	err := s.whileAlone(ctx, tenure{roleArchive, "archive", []any{"folder", o.Dir}, func(within context.Context, _ *bus.Lease) error {
		err := s.archiveInto(within, o, programmes)
		if ctx.Err() != nil {
			last = err // what was taken last could not be written
		}
		return err
	}})
	return cmp.Or(err, last)
}

func (s *service) archiveInto(ctx context.Context, o archiveOptions, programmes []*programme.Programme) (err error) {
	k := &archiveKeeper{service: s, options: o}
	options := archive.Options{OnThread: cfgrid.OnThread, ProgramVersion: version(), CropBytes: o.CropBytes, Interval: archiveEvery, OnWrite: k.written, Programmes: map[string]archive.Programme{}}
	for _, p := range programmes {
		k.programmes = append(k.programmes, p.ID)
		of := archive.Programme{Name: p.Name, Institution: p.Name}
		if text, err := readFileBytes(p.File, maxProgrammeBytes); err == nil {
			of.Digest = hexDigest(text)
		}
		options.Programmes[p.ID] = of
	}
	// The lock on the folder stands behind the lease: whoever lost the one without
	// knowing it still has the other.
	if k.archive, err = archive.Open(o.Dir, options); err != nil {
		return err
	}
	defer func() {
		if closing := k.archive.Close(); err == nil {
			err = closing
		}
	}()
	return k.run(ctx)
}

// written logs what became of a day.
func (k *archiveKeeper) written(w archive.Written) {
	k.trouble.set("day "+w.Day+" of "+w.Programme, w.Err)
	if w.Err != nil {
		k.log.Error("a day could not be archived, its messages wait", "programme", w.Programme, "day", w.Day, "error", w.Err)
		return
	}
	k.log.Info("archived", "programme", w.Programme, "day", w.Day, "writing", w.Generation, "messages", w.Events, "bytes", w.Bytes, "took", w.Took)
	k.counts.add("days_archived", 1)
}

// run archives until ctx ends, and writes what was taken before it returns.
func (k *archiveKeeper) run(ctx context.Context) error {
	var group sync.WaitGroup
	for _, kind := range bus.Kinds() {
		group.Go(func() { k.follow(ctx, kind) })
	}
	k.options.Owned.set(k)
	defer k.options.Owned.set(nil)
	beat := func() {}
	if k.heartbeats != nil {
		heart := k.heartbeats.Register("archive", 10*time.Minute) // a day of many sites takes a while
		defer heart.Stop()
		beat = heart.Beat
	}
	trimmed := time.Now()
	look := time.NewTicker(archiveLook)
	defer look.Stop()
	for ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-look.C:
			beat()
			// written tells of a day that fails; everything else is told here.
			k.note("writing", k.archive.FlushDue(ctx))
			if k.options.KeepDays > 0 && time.Since(trimmed) >= trimEvery {
				trimmed = time.Now()
				k.trim(ctx)
			}
		}
	}
	group.Wait()
	ending, end := context.WithTimeout(context.WithoutCancel(ctx), 2*time.Minute)
	defer end()
	if err := k.archive.Flush(ending); err != nil {
		return fmt.Errorf("what was taken last is not archived; it is taken again from the streams: %w", err)
	}
	return nil
}

// note remembers a failure for the health of the worker, and logs its beginning.
func (k *archiveKeeper) note(what string, err error) {
	if errors.Is(err, context.Canceled) {
		return
	}
	if k.trouble.set(what, err) && err != nil {
		k.log.Error("archive: "+what, "error", err)
	}
}

// follow archives the messages of one kind from where verified files end; from the first
// where the stream is another than the one that was archived.
func (k *archiveKeeper) follow(ctx context.Context, kind bus.Kind) {
	for {
		made, err := k.bus.StreamMade(ctx, kind)
		if ctx.Err() != nil {
			return
		}
		k.note("stream of "+kind.Name, err)
		if err == nil {
			k.archive.StreamMade(kind.Name, made)
			break
		}
		select {
		case <-ctx.Done():
			return
		case <-time.After(archiveAgain):
		}
	}
	from := k.archive.Positions()[kind.Name] + 1
	for ctx.Err() == nil {
		for stored, err := range k.bus.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{kind}, Since: bus.FromSequence(from)}) {
			switch {
			case err != nil && stored.Sequence == 0:
				k.note("stream of "+kind.Name, err)
			case err != nil:
				k.log.Warn("no event, not archived", "kind", kind.Name, "sequence", stored.Sequence, "error", err)
				k.archive.Skip(kind.Name, stored.Sequence)
				from = stored.Sequence + 1
			default:
				k.note("stream of "+kind.Name, nil)
				if !k.add(ctx, kind, &stored) {
					return
				}
				from = stored.Sequence + 1
			}
		}
		select {
		case <-ctx.Done():
		case <-time.After(time.Second):
		}
	}
}

// add archives one message; it is false where ctx ended before that was done. While
// the archive cannot take it, nothing more of the kind is read: the stream has it.
func (k *archiveKeeper) add(ctx context.Context, kind bus.Kind, stored *bus.Stored) bool {
	if !k.keeps(kind, stored.Subject) {
		k.archive.Skip(kind.Name, stored.Sequence)
		return true
	}
	switch kind.Name {
	case bus.Input.Name:
		k.keepCrop(ctx, stored)
	case bus.Score.Name, bus.Outlook.Name:
		k.keepBasis(ctx, stored)
	}
	for {
		err := k.archive.Add(ctx, kind.Name, stored.Sequence, stored.Time, stored.Event)
		if errors.Is(err, archive.ErrRefused) {
			k.log.Error("not archived", "kind", kind.Name, "sequence", stored.Sequence, "error", err)
			k.archive.Skip(kind.Name, stored.Sequence)
			return true
		}
		k.note("taking "+kind.Name, err)
		if err == nil {
			return true
		}
		select {
		case <-ctx.Done():
			return false
		case <-time.After(archiveAgain):
		}
	}
}

// keeps: a message belongs to a programme that is archived, or to none.
func (k *archiveKeeper) keeps(kind bus.Kind, subject string) bool {
	if len(k.programmes) == 0 || kind.NoProgramme {
		return true
	}
	return slices.ContainsFunc(k.programmes, func(id string) bool {
		prefix := "rimeline." + id + "."
		return len(subject) > len(prefix) && subject[:len(prefix)] == prefix
	})
}

// keepCrop keeps the crop that an input record names, while the object store has it.
func (k *archiveKeeper) keepCrop(ctx context.Context, stored *bus.Stored) {
	record, err := message.As[message.Input](stored.Event)
	if err != nil || record.Crop == nil {
		return
	}
	day := stored.Event.Time.UTC().Format(time.DateOnly)
	content, err := k.bus.GetObject(ctx, record.Crop.Object)
	if err == nil && hexDigest(content) != record.Crop.SHA256 {
		err = fmt.Errorf("SHA-256 is %s, the record says %s", hexDigest(content), record.Crop.SHA256)
	}
	if err == nil {
		err = k.archive.KeepCrop(record.Programme, day, record.Crop.Object, content)
	}
	switch {
	case ctx.Err() != nil:
	case errors.Is(err, archive.ErrBudget):
		k.note("crops", err)
	case err != nil:
		k.log.Warn("crop not kept", "object", record.Crop.Object, "error", err)
		k.counts.add("crops_not_kept", 1)
	default:
		k.note("crops", nil)
		k.named.done(keptKey(record.Programme, day, record.Crop.Object))
		k.counts.add("crops_kept", 1)
	}
}

// trim relieves streams of what lies in verified files and is old enough.
func (k *archiveKeeper) trim(ctx context.Context) {
	before := time.Now().Add(-time.Duration(k.options.KeepDays) * 24 * time.Hour)
	positions := k.archive.Positions()
	for _, kind := range trimmedKinds {
		removed, err := k.bus.Trim(ctx, kind, positions[kind.Name], before)
		k.note("trimming "+kind.Name, err)
		if removed > 0 {
			k.log.Info("archived messages taken off the stream", "kind", kind.Name, "messages", removed)
		}
	}
}

// Drain waits until everything that is published by now is in verified files.
func (k *archiveKeeper) Drain(ctx context.Context) error {
	for _, kind := range bus.Kinds() {
		last, err := k.bus.LastSequence(ctx, kind)
		if err != nil {
			return err
		}
		for k.archive.Taken()[kind.Name] < last {
			select {
			case <-ctx.Done():
				return fmt.Errorf("archive: %s is taken up to message %d of %d: %w", kind.Name, k.archive.Taken()[kind.Name], last, ctx.Err())
			case <-time.After(20 * time.Millisecond):
			}
		}
	}
	return k.archive.Flush(ctx)
}

// troubles says in a sentence each what keeps the archive from its work, for the
// health of the worker.
func (k *archiveKeeper) troubles() []string {
	var reasons []string
	for _, reason := range k.trouble.reasons() {
		reasons = append(reasons, "archive: "+reason)
	}
	return reasons
}
