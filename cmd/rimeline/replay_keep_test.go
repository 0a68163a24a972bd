package main

import (
	"bytes"
	"context"
	"path/filepath"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// A day with a window keeps all that its scores name: the programme file, and a crop
// that was fetched the day before, also when the day before loses its crops. What
// belongs to the day before alone goes.
func TestArchiveKeepsWhatScoresName(t *testing.T) {
	r := newAlertRig(t, alertsProgramme(t, alertsYAML+alertsBusRules, nil), alertsStart)
	dir := filepath.Join(t.TempDir(), "archive")
	put := func(name func(digest string) string, content []byte) string {
		t.Helper()
		object := name(hexDigest(content))
		if err := r.bus.PutObject(t.Context(), object, content, nil); err != nil {
			t.Fatal(err)
		}
		return object
	}
	publish := func(kind bus.Kind, site string, at time.Time, data any) {
		t.Helper()
		e, err := bus.NewEvent(kind, "larkspur", site, at, data)
		if err == nil {
			_, err = r.bus.Publish(t.Context(), e)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	crop := func(id string) func(string) string {
		return func(digest string) string { return cropName("larkspur", "model", id, digest) }
	}
	before, night := alertsStart.AddDate(0, 0, -1), alertsStart
	file, used, unused := []byte(`{"file":"larkspur.yaml"}`), []byte("the run of the evening"), []byte("an hour that nobody asked for")
	bundle := put(bundleObject, file)
	basis := &seedability.Basis{Programme: hexDigest(file), Crops: []string{put(crop("m.t23z"), used), "larkspur/model/m.t22z/0123456789ab"}}
	other := put(crop("m.t21z"), unused)
	for object, content := range map[string][]byte{basis.Crops[0]: used, other: unused} {
		publish(bus.Input, "model", before, message.Input{Programme: "larkspur", Source: "hourly-model", Kind: "model", ObjectID: object, FetchedTime: before,
			Files: []message.InputFile{}, Notes: []string{}, Crop: &message.Crop{Object: object, SHA256: hexDigest(content), Bytes: int64(len(content))}})
	}
	for minute := range 3 { // what is not there, the last of the crops, is no reason to stop
		at := night.Add(time.Duration(minute) * time.Minute)
		publish(bus.Score, "hut", at, seedability.Assessment{Programme: "larkspur", Site: seedability.SiteRef{ID: "hut"}, AsOf: at, ReleaseTime: at, State: seedability.StateWindow, Basis: basis})
	}
	k, stop := startArchive(t, r, archiveOptions{Dir: dir})
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	if err := k.Drain(ctx); err != nil {
		t.Fatalf("%v\n%s", err, r.log)
	}
	stop()
	reader, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	days := func() map[string]string {
		t.Helper()
		refs, err := reader.Crops()
		if err != nil {
			t.Fatal(err)
		}
		of := map[string]string{}
		for _, ref := range refs {
			of[ref.Name] += ref.Day + " "
		}
		return of
	}
	first, second := before.Format(time.DateOnly)+" ", night.Format(time.DateOnly)+" "
	if got := days(); len(got) != 3 || got[basis.Crops[0]] != first+second || got[bundle] != second || got[other] != first {
		t.Errorf("kept %v", got)
	}
	if _, err := archive.Prune(dir, archive.PruneRules{CropBytes: 0, DayBytes: -1}); err != nil {
		t.Fatal(err)
	}
	if got := days(); len(got) != 2 || got[basis.Crops[0]] != second || got[bundle] != second {
		t.Errorf("after crops were pruned %v is kept", got)
	}
	if content, err := reader.Crop(basis.Crops[0]); err != nil || !bytes.Equal(content, used) {
		t.Errorf("crop %q (%v)", content, err)
	}
	if problems, err := archive.Verify(t.Context(), dir, nil); err != nil || len(problems) > 0 {
		t.Errorf("problems %v (%v)", problems, err)
	}
}
