package main

import (
	"context"
	"fmt"
	"os"
	"slices"
	"sync"
	"time"

	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Roles of a worker.
const (
	roleIngest   = "ingest"
	roleAssess   = "assess"
	roleSchedule = "schedule"
	roleAlerts   = "alerts"
)

// leaseTime: a schedule whose owner died is taken over after so long. Shorter in a
// test that kills often.
var leaseTime = 15 * time.Second

// Of the process; common practice, no source.
const (
	// healthEvery is how often a worker says how it does, healthLook how often it
	// looks whether that has changed.
	healthEvery = time.Minute
	healthLook  = 5 * time.Second
	// refreshProgramme keeps the bundle from growing old in the object store.
	refreshProgramme = 6 * time.Hour
	// behindIsLate: a source that is so much later than usual makes a worker
	// degraded.
	behindIsLate = 30 * time.Minute
)

// owned is what a process knows of the schedules it may keep.
type owned struct {
	mutex     sync.Mutex
	schedules map[string]*schedule // by programme, while they are ours
}

func (o *owned) set(id string, c *schedule) {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	if o.schedules == nil {
		o.schedules = map[string]*schedule{}
	}
	if c == nil {
		delete(o.schedules, id)
		return
	}
	o.schedules[id] = c
}

func (o *owned) all() []*schedule {
	o.mutex.Lock()
	defer o.mutex.Unlock()
	var all []*schedule
	for _, id := range sortedKeys(o.schedules) {
		all = append(all, o.schedules[id])
	}
	return all
}

// workerName is unique among processes that run.
func workerName() string {
	host, err := os.Hostname()
	if err != nil || host == "" {
		host = "worker"
	}
	name := []byte(fmt.Sprintf("%s-%d", host, os.Getpid()))
	for k, b := range name {
		letter := b >= 'a' && b <= 'z' || b >= 'A' && b <= 'Z' || b >= '0' && b <= '9' || b == '-' || b == '_'
		if !letter {
			name[k] = '-'
		}
	}
	if len(name) > 60 {
		name = name[len(name)-60:]
	}
	return string(name)
}

// workOn does jobs of a queue until ctx ends.
func (s *service) workOn(ctx context.Context, q bus.Queue, concurrency int) error {
	handle := s.ingest
	switch q {
	case bus.QueueAssess:
		handle = s.assess
	case bus.QueueConditions:
		handle = s.conditions
	}
	return s.bus.Work(ctx, q, bus.WorkOptions{Worker: s.worker, Concurrency: concurrency, OnEvent: s.onWork}, handle)
}

// onWork counts and logs what happens to jobs.
func (s *service) onWork(e bus.WorkEvent) {
	queue := string(e.Queue)
	switch e.Stage {
	case bus.WorkStarted:
		s.log.Debug("job", "queue", queue, "id", e.Job.ID, "waited", e.Waited)
	case bus.WorkRedelivered:
		s.log.Warn("job taken up again", "queue", queue, "id", e.Job.ID, "delivery", e.Delivery)
	case bus.WorkDone:
		s.metrics.Job(queue, "done", e.Elapsed)
		s.counts.add("jobs_done", 1)
	case bus.WorkFailed:
		s.metrics.Job(queue, "failed", e.Elapsed)
		s.counts.add("jobs_failed", 1)
		s.log.Warn("job failed, it is tried again", "queue", queue, "id", e.Job.ID, "delivery", e.Delivery, "after", e.Delay, "error", e.Err)
	case bus.WorkDead:
		s.metrics.Job(queue, "dead", e.Elapsed)
		s.metrics.DeadLetter(queue)
		s.counts.add("jobs_given_up", 1)
		s.log.Error("job given up; its dead letter says why", "queue", queue, "id", e.Job.ID, "error", e.Err)
	case bus.WorkReturned, bus.WorkUnsettled:
		s.metrics.Job(queue, "abandoned", e.Elapsed)
	}
}

// own keeps a programme's schedule whenever no other process does, until ctx
// ends.
func (s *service) own(ctx context.Context, p *programme.Programme, b bundle) error {
	return s.whileAlone(ctx, tenure{"programme." + p.ID, "schedule", []any{"programme", p.ID}, func(ctx context.Context, _ *bus.Lease) error {
		return s.keepSchedule(ctx, p, b)
	}})
}

func (s *service) keepSchedule(ctx context.Context, p *programme.Programme, b bundle) error {
	ref, err := s.publishProgramme(ctx, p, b)
	if err != nil {
		return err
	}
	var group sync.WaitGroup
	defer group.Wait()
	within, cancel := context.WithCancel(ctx)
	defer cancel()
	group.Go(func() {
		for {
			select {
			case <-within.Done():
				return
			case <-time.After(refreshProgramme):
			}
			if _, err := s.publishProgramme(within, p, b); err != nil && within.Err() == nil {
				s.log.Warn("the programme's file could not be kept on the bus", "programme", p.ID, "error", err)
			}
		}
	})
	c := s.newSchedule(p, ref)
	defer s.owned.set(p.ID, nil)
	done := make(chan error, 1)
	s.clock.Go(func() {
		s.owned.set(p.ID, c)
		done <- c.run(within)
	})
	return <-done
}

// sayHealth publishes how the worker does, every minute and when its state or
// the sources in trouble change, until ctx ends.
func (s *service) sayHealth(ctx context.Context, roles []string) {
	look := healthLook
	if s.rehearsed {
		look = healthEvery // each look is a step of the clock
	}
	var before message.HealthState
	var said time.Time
	var troubled []string
	for ctx.Err() == nil {
		h := s.health(ctx, roles)
		var trouble []string
		for _, source := range h.Sources {
			if source.Error != "" {
				trouble = append(trouble, source.Programme+" "+source.Source)
			}
		}
		if h.State == before && slices.Equal(trouble, troubled) && h.Time.Sub(said).Abs() < healthEvery {
			if s.clock.Sleep(ctx, look, nil) != nil {
				return
			}
			continue
		}
		said, troubled = h.Time, trouble
		if h.State != before {
			before = h.State
			if h.State == message.HealthOK {
				s.log.Info("healthy")
			} else {
				s.log.Warn("not healthy", "state", h.State, "reasons", h.Reasons)
			}
		}
		event, err := bus.NewEvent(bus.Health, "", s.worker, h.Time, h)
		if err == nil {
			_, err = s.bus.Publish(ctx, event)
		}
		if err != nil && ctx.Err() == nil {
			s.log.Error("health could not be published", "error", err)
		}
		if s.clock.Sleep(ctx, look, nil) != nil {
			return
		}
	}
}

// health is how the worker does at this moment.
func (s *service) health(ctx context.Context, roles []string) message.Health {
	host, _ := os.Hostname() // empty says as much as there is to say
	h := message.Health{Worker: s.worker, Host: host, Roles: roles, Version: version(), StartedTime: s.started, Time: s.clock.Now(),
		State: message.HealthOK, Reasons: []string{}, Sources: []message.SourceHealth{}, Queues: []message.QueueHealth{}, Counts: s.counts.all()}
	worse := func(state message.HealthState, format string, a ...any) {
		if h.State != message.HealthFailing {
			h.State = state
		}
		h.Reasons = append(h.Reasons, fmt.Sprintf(format, a...))
	}
	for _, c := range s.owned.all() {
		for _, source := range c.health() {
			h.Sources = append(h.Sources, source)
			switch {
			case source.Error != "":
				worse(message.HealthDegraded, "source %s of programme %s: %s", source.Source, source.Programme, source.Error)
			case time.Duration(source.BehindSeconds*float64(time.Second)) > behindIsLate:
				worse(message.HealthDegraded, "source %s of programme %s is %.0f min late", source.Source, source.Programme, source.BehindSeconds/60)
			}
		}
	}
	for _, q := range bus.Queues() {
		state, err := s.bus.QueueState(ctx, q)
		if err != nil {
			worse(message.HealthFailing, "queue %s: %v", q, err)
			continue
		}
		h.Queues = append(h.Queues, message.QueueHealth{Queue: string(q), Waiting: int64(state.Waiting), Running: int64(state.Running)})
		if !state.Oldest.IsZero() && time.Since(state.Oldest) > 5*time.Minute && !s.rehearsed {
			worse(message.HealthDegraded, "the oldest job of queue %s waits for %.0f min", q, time.Since(state.Oldest).Minutes())
		}
	}
	for _, k := range s.keepers.all() {
		for _, trouble := range k.troubles() {
			worse(message.HealthDegraded, "alerts of programme %s: %s", k.programme.ID, trouble)
		}
	}
	if k := s.archiver.get(); k != nil {
		for _, trouble := range k.trouble.reasons() {
			worse(message.HealthDegraded, "archive: %s", trouble)
		}
	}
	if s.paused() {
		worse(message.HealthFailing, "the disk is full: nothing is fetched")
	}
	slices.Sort(h.Reasons)
	return h
}

// quiet says that nothing is left to be done for the present moment: no job
// waits or runs, and every input record has been taken note of.
func (s *service) quiet(ctx context.Context) bool {
	noted := func(seen map[string]uint64) bool {
		for _, kind := range bus.Kinds() {
			if taken, follows := seen[kind.Name]; follows && taken < s.bus.PublishedSequence(kind) {
				return false
			}
		}
		return true
	}
	all := func() bool {
		for _, c := range s.owned.all() {
			if !noted(c.noted()) {
				return false
			}
		}
		for _, k := range s.keepers.all() {
			if !noted(k.seen()) {
				return false
			}
		}
		return true
	}
	if !all() {
		return false
	}
	for _, q := range bus.Queues() {
		if empty, err := s.bus.QueueEmpty(ctx, q); err != nil || !empty {
			return false
		}
	}
	return all() // what the last job published
}
