package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"

	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// startArchive keeps an archive until the test or the caller ends it.
func startArchive(t *testing.T, r *alertRig, o archiveOptions) (k *archiveKeeper, stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan error, 1)
	o.Owned = &archiveKeepers{}
	go func() { done <- r.service.keepArchive(ctx, o, r.programme) }()
	ended := false
	stop = func() {
		if ended {
			return
		}
		ended = true
		cancel()
		if err := <-done; err != nil {
			t.Errorf("archive: %v", err)
		}
	}
	t.Cleanup(stop)
	eventually(t, "the archive is kept", func() bool { k = o.Owned.get(); return k != nil })
	return k, stop
}

func publishOrder(t *testing.T, r *alertRig, programme, id string, at time.Time) {
	t.Helper()
	e, err := bus.NewEvent(bus.Order, programme, "set", at, message.Order{ID: id, Programme: programme, Action: message.OrderSet, At: at, By: "Imogen Tarn", Reason: "invented"})
	if err == nil {
		_, err = r.bus.Publish(t.Context(), e)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// What is published is archived once, with the crops that input records name; a
// second keeper goes on where the first left off; streams lose only what is archived
// and old.
func TestArchiveFollowsTheBus(t *testing.T) {
	r := newAlertRig(t, alertsProgramme(t, alertsYAML+alertsBusRules, nil), alertsStart)
	dir := filepath.Join(t.TempDir(), "archive")
	content := []byte("the part of a model that was kept")
	object := cropName("larkspur", "model", "m.t04z", hexDigest(content))
	if err := r.bus.PutObject(t.Context(), object, content, nil); err != nil {
		t.Fatal(err)
	}
	input := func(k int) {
		at := alertsStart.Add(time.Duration(k) * time.Minute)
		e, err := bus.NewEvent(bus.Input, "larkspur", "model", at, message.Input{Programme: "larkspur", Source: "hourly-model", Kind: "model", ObjectID: "m.t04z", FetchedTime: at,
			Files: []message.InputFile{}, Notes: []string{}, Crop: &message.Crop{Object: object, SHA256: hexDigest(content), Bytes: int64(len(content))}})
		if err == nil {
			_, err = r.bus.Publish(t.Context(), e)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	input(0)
	publishOrder(t, r, "larkspur", "o-1", alertsStart)
	publishOrder(t, r, "elsewhere", "o-2", alertsStart) // a programme that is not archived
	k, stop := startArchive(t, r, archiveOptions{Dir: dir})
	drain := func(k *archiveKeeper) {
		t.Helper()
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		defer cancel()
		if err := k.Drain(ctx); err != nil {
			t.Fatalf("%v\n%s", err, r.log)
		}
	}
	drain(k)
	if got := k.archive.Positions(); got["input"] != 1 || got["order"] != 2 {
		t.Errorf("positions %v, want input 1, order 2", got)
	}
	if got, err := k.archive.Crop(object); err != nil || !bytes.Equal(got, content) {
		t.Errorf("crop %q (%v)", got, err)
	}
	if reasons := k.troubles(); len(reasons) > 0 {
		t.Errorf("in trouble: %q", reasons)
	}
	k.note("crops", archive.ErrBudget)
	if reasons := k.troubles(); len(reasons) != 1 || !strings.Contains(reasons[0], "crops") {
		t.Errorf("a failure is told as %q", reasons)
	}
	stop()

	input(1)
	publishOrder(t, r, "larkspur", "o-3", alertsStart.Add(time.Hour))
	k, stop = startArchive(t, r, archiveOptions{Dir: dir, KeepDays: 1})
	drain(k)
	k.trim(t.Context())
	if first := firstOf(t, r.bus, bus.Input); first != 1 {
		t.Errorf("the stream of inputs begins with %d: what is not a day old is gone", first)
	}
	k.options.KeepDays = -1 // as if a day had passed
	k.trim(t.Context())
	if first := firstOf(t, r.bus, bus.Input); first != 0 {
		t.Errorf("the stream of inputs still has message %d", first)
	}
	if first := firstOf(t, r.bus, bus.Order); first != 1 {
		t.Errorf("the stream of orders begins with %d; the service reads it back", first)
	}
	stop()

	reader, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	programmes, err := reader.Programmes()
	if err != nil || len(programmes) != 1 || programmes[0] != "larkspur" {
		t.Errorf("programmes %q (%v), want larkspur alone", programmes, err)
	}
	var orders []string
	for e, err := range reader.Events(t.Context(), archive.Query{Programme: "larkspur"}, "order") {
		if err != nil {
			t.Fatal(err)
		}
		o, err := message.As[message.Order](e)
		if err != nil {
			t.Fatal(err)
		}
		orders = append(orders, o.ID)
	}
	if strings.Join(orders, " ") != "o-1 o-3" {
		t.Errorf("orders %q, want o-1 o-3", orders)
	}
	if problems, err := archive.Verify(t.Context(), dir, nil); err != nil || len(problems) > 0 {
		t.Errorf("problems %v (%v)", problems, err)
	}
}

// A bus that was made anew counts from 1 again. What it has is archived from its first
// message on, however far the archive had come with the one before, and nothing that is
// not archived is trimmed.
func TestArchiveOfAnotherBus(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	for round, orders := range []int{3, 5} { // the second has more than were archived of the first
		r := newAlertRig(t, alertsProgramme(t, alertsYAML+alertsBusRules, nil), alertsStart)
		for n := range orders {
			publishOrder(t, r, "larkspur", fmt.Sprintf("o-%d-%d", round, n), alertsStart)
			publishAckOf(t, r, fmt.Sprintf("a-%d-%d", round, n))
		}
		k, stop := startArchive(t, r, archiveOptions{Dir: dir, KeepDays: 1})
		ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
		eventually(t, "it is archived", func() bool {
			return k.archive.Taken()["order"] == uint64(orders) && k.archive.Taken()["ack"] == uint64(orders) && k.Drain(ctx) == nil
		})
		if got := k.archive.Positions(); got["order"] != uint64(orders) || got["ack"] != uint64(orders) {
			t.Errorf("bus %d: positions %v, want %d", round+1, got, orders)
		}
		cancel()
		stop()
	}
	reader, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	for _, kind := range []string{"order", "ack"} {
		n := 0
		for _, err := range reader.Events(t.Context(), archive.Query{Programme: "larkspur"}, kind) {
			if err != nil {
				t.Fatal(err)
			}
			n++
		}
		if n != 3+5 {
			t.Errorf("%d messages of %s, want 8", n, kind)
		}
	}
}

func publishAckOf(t *testing.T, r *alertRig, alert string) {
	t.Helper()
	e, err := bus.NewEvent(bus.Ack, "larkspur", bus.Whole, alertsStart, message.Ack{Programme: "larkspur", Alert: alert, By: "Piet Holm", At: alertsStart})
	if err == nil {
		_, err = r.bus.Publish(t.Context(), e)
	}
	if err != nil {
		t.Fatal(err)
	}
}

// firstOf is the first message that a stream has, 0 for none.
func firstOf(t *testing.T, b *bus.Bus, kind bus.Kind) uint64 {
	t.Helper()
	for stored, err := range b.ReadBack(t.Context(), kind) {
		if err != nil {
			t.Fatal(err)
		}
		return stored.Sequence
	}
	return 0
}

// archiveRun runs "archive ..." as the program would.
func archiveRun(t *testing.T, asJSON bool, arguments ...string) (string, error) {
	t.Helper()
	var line struct {
		Archive archiveCommand `cmd:""`
	}
	parser, err := kong.New(&line)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := parser.Parse(append([]string{"archive"}, arguments...))
	if err != nil {
		return "", err
	}
	var out bytes.Buffer
	err = parsed.Run(&environment{Context: t.Context(), Stdout: &out, Stderr: &out, JSON: asJSON})
	return out.String(), err
}

func TestArchiveCommands(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "archive")
	a, err := archive.Open(dir, archive.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for day := range 3 {
		at := alertsStart.AddDate(0, 0, day)
		e, err := bus.NewEvent(bus.Ack, "larkspur", bus.Whole, at, message.Ack{Programme: "larkspur", Alert: "a-1", By: "Piet Holm", At: at})
		if err != nil {
			t.Fatal(err)
		}
		if err := a.Add(t.Context(), "ack", uint64(day)+1, at, e); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.KeepCrop("larkspur", "2026-01-14", "crop-1", make([]byte, 2000)); err != nil {
		t.Fatal(err)
	}
	if _, err := archiveRun(t, false, "prune", "--archive", dir, "--day-gb", "0", "--keep-days", "0"); err == nil {
		t.Error("pruned beside a writer")
	}
	if err := a.Close(); err != nil {
		t.Fatal(err)
	}
	out, err := archiveRun(t, false, "list", "--archive", dir)
	if err != nil || !strings.Contains(out, "2026-01-16") || !strings.Contains(out, "3 days") {
		t.Errorf("list (%v):\n%s", err, out)
	}
	var list []archive.Listed
	out, err = archiveRun(t, true, "list", "--archive", dir)
	if err != nil || json.Unmarshal([]byte(out), &list) != nil || len(list) != 3 || list[0].CropBytes != 2000 {
		t.Errorf("list as JSON (%v):\n%s", err, out)
	}
	if out, err = archiveRun(t, false, "verify", "--archive", dir); err != nil || !strings.Contains(out, "all is as it was written") {
		t.Errorf("verify (%v):\n%s", err, out)
	}
	if _, err = archiveRun(t, false, "prune", "--archive", dir); err == nil {
		t.Error("pruned without a budget")
	}
	out, err = archiveRun(t, false, "prune", "--archive", dir, "--day-gb", "0", "--keep-days", "0", "--dry-run")
	if err != nil || !strings.Contains(out, "4 in all") {
		t.Errorf("dry run (%v):\n%s", err, out)
	}
	if out, err = archiveRun(t, false, "prune", "--archive", dir, "--crop-gb", "0"); err != nil || !strings.Contains(out, "crop-1") {
		t.Errorf("prune of crops (%v):\n%s", err, out)
	}
	name := filepath.Join(list[1].Folder, "acks.parquet")
	if err := os.Truncate(name, 100); err != nil {
		t.Fatal(err)
	}
	out, err = archiveRun(t, false, "verify", "--archive", dir)
	if err == nil || !strings.Contains(out, "acks.parquet: truncated") {
		t.Errorf("verify of a truncated file (%v):\n%s", err, out)
	}
}
