package main

import (
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/bus"
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
