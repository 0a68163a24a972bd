package main

import (
	"log/slog"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/grid"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/nowcast"
)

// A worker that died after it had published and before the message was made the newest:
// the job that comes back publishes no second one of that moment, also where an outlook
// has come meanwhile, and makes the first the newest.
func TestJobThatComesBackPublishesOnce(t *testing.T) {
	p := alertsProgramme(t, alertsYAML, nil)
	r := newAlertRig(t, p, alertsStart)
	moment := stormAt(0, 10, 0)
	for _, mode := range []assessMode{modeNow, modeOutlook} {
		kind, data := bus.Score, any(seedability.Assessment{Programme: p.ID, AsOf: moment})
		if mode == modeOutlook {
			kind, data = bus.Outlook, seedability.Outlook{Programme: p.ID, IssuedAt: moment}
		}
		event, err := bus.NewEvent(kind, p.ID, "saddlehorn", moment, data)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := r.bus.Publish(t.Context(), event); err != nil {
			t.Fatal(err)
		}
		for _, test := range []struct {
			site   string
			moment time.Time
			want   bool
		}{{"saddlehorn", moment.Add(-time.Minute), false}, {"saddlehorn", moment.Add(time.Minute), false}, {"quillback", moment, false}, {"saddlehorn", moment, true}} {
			done, err := r.service.doneBefore(t.Context(), p.ID, test.site, &assessTask{Mode: mode, Moment: test.moment})
			if err != nil || done != test.want {
				t.Errorf("%s, %s at %s: done %v, %v", mode, test.site, test.moment.Format(time.TimeOnly), done, err)
			}
			newest, known, err := r.bus.Latest(t.Context(), kind, p.ID, test.site)
			if err != nil || known != test.want || known && newest.ID != event.ID {
				t.Errorf("%s, %s: the newest is %v %s, %v", mode, test.site, known, newest.ID, err)
			}
		}
	}
}

// A picture is remembered by the content of its volume and by its surface: two volumes
// of one radar and time, of which the first was not whole, are two pictures.
func TestPicturesAreRememberedByContent(t *testing.T) {
	s := newService(&service{clock: clock.Wall{}, log: slog.New(slog.DiscardHandler)})
	j := &judgement{frames: s.frameMemory(t.Context(), "programme")}
	volume := &grid.Volume{Radar: "XVNT", Time: alertsStart}
	laid := 0
	lay := func(label, path, sha256 string) *nowcast.Frame {
		frame, err := j.frameOnce(scanned{volume: volume, files: []readFile{{path, sha256}}}, label, func() (*nowcast.Frame, error) {
			laid++
			return &nowcast.Frame{}, nil
		})
		if err != nil {
			t.Fatal(err)
		}
		return frame
	}
	first := lay("at 2500 m", "chunks", "aa")
	if again := lay("at 2500 m", "chunks", "aa"); again != first || laid != 1 {
		t.Errorf("the same volume is laid %d times", laid)
	}
	lay("at 2500 m", "chunks", "bb")
	lay("at 2501 m", "chunks", "aa")
	lay("at 2500 m", "crop/1", "")
	lay("at 2500 m", "crop/2", "")
	if laid != 5 {
		t.Errorf("%d pictures of five contents and surfaces", laid)
	}
}
