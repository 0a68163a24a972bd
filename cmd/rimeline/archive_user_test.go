package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rimeline/cmd/internal/clock"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// The user "archive" of the sample configuration may do all that the archive's keeper
// does, from the first message to the trimming of streams, and can say nothing in the
// place of others.
func TestArchiveByUserOfTheSampleConfiguration(t *testing.T) {
	users := sampleUsers(t)
	server, err := bus.EmbeddedWith(t.TempDir(), bus.ServerOptions{ConfigFile: filepath.Join(users, "nats-users.conf"), Listen: "127.0.0.1:0", MaxStoreBytes: 1 << 30})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	all, err := server.Connect(t.Context(), bus.Options{StoreBytes: 512 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(all.Close)
	if err := all.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := all.EnsureQueues(t.Context()); err != nil {
		t.Fatal(err)
	}
	connect := func(attempt time.Duration) *bus.Bus {
		b, err := bus.Connect(t.Context(), server.Address(), bus.Options{NKeyFile: filepath.Join(users, "archive.nk"), InboxPrefix: "_INBOX_archive", AttemptTime: attempt})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(b.Close)
		return b
	}
	own, hasty := connect(0), connect(150*time.Millisecond) // what is forbidden is not answered

	// One message of each kind, and an input whose crop is in the object store.
	content := []byte("the part of a model that was kept")
	object := cropName("larkspur", "model", "m.t04z", hexDigest(content))
	if err := all.PutObject(t.Context(), object, content, nil); err != nil {
		t.Fatal(err)
	}
	now := time.Now().UTC().Truncate(time.Second)
	publish := func(b *bus.Bus, kind bus.Kind) error {
		var e bus.Event
		var err error
		switch {
		case kind.ContentType != "":
			e, err = bus.NewContentEvent(kind, "larkspur", "hut", now, []byte("<alert/>"))
		case kind.Name == bus.Input.Name:
			e, err = bus.NewEvent(kind, "larkspur", "model", now, message.Input{Programme: "larkspur", Source: "hourly-model", Kind: "model", ObjectID: "m.t04z", FetchedTime: now, Files: []message.InputFile{}, Notes: []string{},
				Crop: &message.Crop{Object: object, SHA256: hexDigest(content), Bytes: int64(len(content))}})
		default: // the archive keeps what it cannot read too
			e, err = bus.NewEvent(kind, "larkspur", "hut", now, json.RawMessage(`{}`))
		}
		if err == nil {
			_, err = b.Publish(t.Context(), e)
		}
		return err
	}
	for _, kind := range bus.Kinds() {
		if err := publish(all, kind); err != nil {
			t.Fatalf("%s: %v", kind.Name, err)
		}
	}
	r := &alertRig{t: t, bus: own, programme: alertsProgramme(t, alertsYAML, nil), log: &lockedBuffer{}}
	r.service = r.newService(clock.Wall{})
	dir := filepath.Join(t.TempDir(), "archive")
	k, stop := startArchive(t, r, archiveOptions{Dir: dir, KeepDays: 1})
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	if err := k.Drain(ctx); err != nil {
		t.Fatalf("%v\n%s", err, r.log)
	}
	k.options.KeepDays = -1 // as if a day had passed
	k.trim(t.Context())
	if reasons := k.troubles(); len(reasons) > 0 {
		t.Errorf("in trouble: %q", reasons)
	}
	trimmed := map[string]bool{}
	for _, kind := range trimmedKinds {
		trimmed[kind.Name] = true
	}
	for _, kind := range bus.Kinds() {
		want := uint64(1)
		if trimmed[kind.Name] {
			want = 0
		}
		if first := firstOf(t, all, kind); first != want {
			t.Errorf("the stream of %s begins with %d after trimming, want %d", kind.Name, first, want)
		}
		if kind.Name == bus.Health.Name {
			continue // it says how it does
		}
		if err := publish(hasty, kind); !errors.Is(err, nats.ErrPermissionViolation) {
			t.Errorf("it may publish %s: %v", kind.Name, err)
		}
	}
	stop()
	// The program itself, with that role alone.
	if o := rimeline(t, "watch", "--programme", r.programme.File, "--roles", "archive"); o.status != statusUsage || !strings.Contains(o.stderr, "--archive DIR") {
		t.Errorf("without a folder: status %d, %s", o.status, o.stderr)
	}
	if err := os.WriteFile(r.programme.File, []byte(alertsYAML+"  - {id: hourly-model, kind: model, source: hrrr}\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := publish(all, bus.Ack); err != nil {
		t.Fatal(err)
	}
	t.Setenv("RIMELINE_NATS_INBOX", "_INBOX_archive")
	p := start(t, "archive", "watch", "--programme", r.programme.File, "--nats", server.Address(), "--nkey", filepath.Join(users, "archive.nk"), "--roles", "archive", "--archive", dir, "--data", t.TempDir(), "--metrics", "none")
	until(t, 30*time.Second, "its health is published", func() bool {
		p.alive(t)
		last, err := all.LastSequence(t.Context(), bus.Health)
		return err == nil && last > 1
	})
	until(t, 30*time.Second, "the archive is taken", func() bool { p.alive(t); return strings.Contains(p.log.String(), "archive taken") })
	p.stop(t)
	if strings.Contains(p.log.String(), "ermission") {
		t.Errorf("the program is refused something:\n%s", p.log)
	}
	for _, line := range strings.Split(r.log.String(), "\n") {
		if strings.Contains(line, "level=ERROR") || strings.Contains(line, "ermission") {
			t.Error(line)
		}
	}

	reader, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	archived := 0
	for _, programme := range []string{"larkspur", "_service"} {
		for _, err := range reader.Events(t.Context(), archive.Query{Programme: programme}) {
			if err != nil {
				t.Fatal(err)
			}
			archived++
		}
	}
	if want := len(bus.Kinds()) + 1; archived < want || archived > want+1 { // the last health may have come before the end
		t.Errorf("%d messages in the archive, want %d", archived, want)
	}
	if got, err := reader.Crop(object); err != nil || !bytes.Equal(got, content) {
		t.Errorf("crop %q (%v)", got, err)
	}
}
