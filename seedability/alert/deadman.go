package alert

import (
	"context"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
)

// Beat is a sign of life of one worker of the service.
type Beat struct {
	Worker string
	Roles  []string
	// Time is when the worker said it. A beat that is older than the silence that is
	// allowed (replayed from a store) is no sign of life.
	Time  time.Time
	State HealthState
}

// Deadman says when the service falls silent. It runs on another machine than the
// service, and follows its health over the bus.
type Deadman struct {
	// Programme names itself in alerts; without sites.
	Programme Programme
	// Silence after which a worker is gone; three minutes where zero.
	Silence time.Duration
	// Repeat while all are silent; half an hour where zero.
	Repeat time.Duration
	// Routes by which alerts go out.
	Routes []string
}

// DeadmanState is what the watch remembers; JSON, bounded.
type DeadmanState struct {
	Started time.Time             `json:"started,omitzero"`
	Workers map[string]WorkerSeen `json:"workers"`
	// Silent is the alert that all are silent, empty while one is not.
	Silent   Reference `json:"silent,omitzero"`
	Told     time.Time `json:"told,omitzero"`
	Since    time.Time `json:"since,omitzero"`
	Repeated int       `json:"repeated,omitempty"`
}

// WorkerSeen is one worker.
type WorkerSeen struct {
	Last  time.Time `json:"last"` // when its newest beat came
	Roles []string  `json:"roles,omitempty"`
	Gone  Reference `json:"gone,omitzero"`
}

// maxWorkers bounds the memory; the ones that were silent longest go first.
const maxWorkers = 500

func (d *Deadman) silence() time.Duration {
	if d.Silence <= 0 {
		return 3 * time.Minute
	}
	return d.Silence
}

// Step takes a beat, or nil for the clock alone. It is pure. Silence counts by the
// clock of the watcher from when a beat came, and from its own start: a service
// that was never heard is silent too.
func (d *Deadman) Step(s DeadmanState, beat *Beat, now time.Time) (DeadmanState, []Alert) {
	now = now.UTC().Truncate(time.Millisecond)
	s.Workers = maps.Clone(s.Workers)
	if s.Workers == nil {
		s.Workers = map[string]WorkerSeen{}
	}
	if s.Started.IsZero() || now.Before(s.Started) {
		s.Started = now
	}
	var alerts []Alert
	if beat != nil && now.Sub(beat.Time) < d.silence() {
		id := clean(beat.Worker, maxName)
		w := s.Workers[id]
		if w.Gone.ID != "" {
			a := d.alert(now, ChangeOver, "worker "+id, "worker", id, now.Format(time.RFC3339Nano))
			a.Supersedes, a.Severity = []Reference{w.Gone}, Minor
			if s.Silent.ID == "" {
				alerts = append(alerts, a)
			}
		}
		s.Workers[id] = WorkerSeen{Last: now, Roles: cleanAll(beat.Roles, 40)}
		d.bound(&s)
	}
	newest, alive := s.Started, 0
	for _, w := range s.Workers {
		if w.Last.After(now) { // the clock was set back
			w.Last = now
		}
		if w.Last.After(newest) {
			newest = w.Last
		}
		if now.Sub(w.Last) < d.silence() {
			alive++
		}
	}
	switch {
	case now.Sub(newest) >= d.silence():
		alerts = append(alerts, d.allSilent(&s, newest, now)...)
	case s.Silent.ID != "" && alive > 0:
		a := d.alert(now, ChangeOver, "the service", "silent", s.Silent.ID)
		a.Supersedes, a.Severity, a.Start = []Reference{s.Silent}, Minor, s.Since
		s.Silent, s.Told, s.Since, s.Repeated = Reference{}, time.Time{}, time.Time{}, 0
		alerts = append(alerts, a)
		fallthrough
	case s.Silent.ID == "":
		alerts = append(alerts, d.oneSilent(&s, now)...)
	}
	return s, alerts
}

// allSilent tells that nobody is heard, and repeats it.
func (d *Deadman) allSilent(s *DeadmanState, newest, now time.Time) []Alert {
	repeat := d.Repeat
	if repeat <= 0 {
		repeat = 30 * time.Minute
	}
	reason := "no sign of life since " + newest.UTC().Format("2 Jan 15:04:05") + " UTC"
	if len(s.Workers) == 0 {
		reason = "no sign of life since this watch began, " + newest.UTC().Format("2 Jan 15:04:05") + " UTC"
	}
	reasons := []string{reason, "the machine, the service, the message bus or the way to it may be down: no alert of the service would come now"}
	switch {
	case s.Silent.ID == "":
		a := d.alert(now, ChangeNew, "the service is silent", "silent", newest.Format(time.RFC3339Nano))
		a.Reasons, a.Start, a.Severity = reasons, newest, Severe
		s.Silent, s.Told, s.Since, s.Repeated = Reference{a.ID, now}, now, newest, 0
		return []Alert{a}
	case now.Sub(s.Told) >= repeat:
		s.Repeated++
		a := d.alert(now, ChangeRepeat, "the service is silent", "silent", s.Silent.ID, fmt.Sprint(s.Repeated))
		a.Reasons, a.Start, a.Severity, a.First, a.Supersedes = reasons, s.Since, Severe, s.Silent.ID, []Reference{s.Silent}
		s.Told = now
		return []Alert{a}
	}
	return nil
}

// oneSilent tells of workers that are gone while others are not.
func (d *Deadman) oneSilent(s *DeadmanState, now time.Time) []Alert {
	var alerts []Alert
	for _, id := range slices.Sorted(maps.Keys(s.Workers)) {
		w := s.Workers[id]
		if now.Sub(w.Last) < d.silence() {
			continue
		}
		if now.Sub(w.Last) > 24*time.Hour { // it will not come back under this name
			delete(s.Workers, id)
			continue
		}
		if w.Gone.ID != "" {
			continue
		}
		a := d.alert(now, ChangeNew, "worker "+id, "worker", id, w.Last.Format(time.RFC3339Nano))
		a.Start, a.Reasons = w.Last, []string{clean("no sign of life of "+id+" since "+w.Last.UTC().Format("15:04:05")+" UTC; others are alive", maxReason)}
		if len(w.Roles) > 0 {
			a.Reasons = append(a.Reasons, "it had the roles "+strings.Join(w.Roles, ", "))
		}
		w.Gone = Reference{a.ID, now}
		s.Workers[id] = w
		alerts = append(alerts, a)
	}
	return alerts
}

func (d *Deadman) bound(s *DeadmanState) {
	for len(s.Workers) > maxWorkers {
		oldest := ""
		for _, id := range slices.Sorted(maps.Keys(s.Workers)) {
			if oldest == "" || s.Workers[id].Last.Before(s.Workers[oldest].Last) {
				oldest = id
			}
		}
		delete(s.Workers, oldest)
	}
}

func (d *Deadman) alert(now time.Time, change Change, subject string, parts ...string) Alert {
	p := d.Programme
	return Alert{ID: idOf(p.ID, ServiceFault, now, append([]string{"deadman", string(change)}, parts...)...), Thread: p.ID + "-deadman", Kind: ServiceFault, Change: change,
		Severity: Moderate, Exercise: p.Exercise, Programme: p.ID, ProgrammeName: clean(p.Name, maxName), Sites: []SiteRef{}, Raised: now, Expires: now.Add(12 * time.Hour),
		Subject: subject, Reasons: []string{}, Evidence: []Link{}, Caution: Caution, Rules: []string{}, Routes: slices.Clone(d.Routes)}
}

// Watch runs the steps: beats come from the channel, which may close; emit gets the
// alerts. It ends with ctx.
func (d *Deadman) Watch(ctx context.Context, clock Clock, beats <-chan Beat, emit func(Alert)) error {
	wake := make(chan struct{}, 1)
	arrived := make(chan Beat, 1000)
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case beat, open := <-beats:
				if !open {
					return // silence from now on
				}
				select {
				case arrived <- beat:
				case <-ctx.Done():
					return
				}
				select {
				case wake <- struct{}{}:
				default:
				}
			}
		}
	}()
	var s DeadmanState
	for {
		var alerts []Alert
		select {
		case beat := <-arrived:
			s, alerts = d.Step(s, &beat, clock.Now())
		default:
			s, alerts = d.Step(s, nil, clock.Now())
			if len(alerts) == 0 {
				if err := clock.Sleep(ctx, d.silence()/20, wake); err != nil {
					return err
				}
			}
		}
		for _, a := range alerts {
			emit(a)
		}
		if err := ctx.Err(); err != nil {
			return err
		}
	}
}
