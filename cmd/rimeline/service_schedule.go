package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"sync"
	"sync/atomic"
	"time"

	stores "rimeline/ingest/source"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// schedule is the one owner of a programme: it looks for new objects at the
// stores, asks for them to be ingested, and asks for assessments when something
// has come that changes them, or when time has passed. It does none of the work.
type schedule struct {
	*service
	programme *programme.Programme
	ref       programmeRef
	needs     map[string]stores.Need

	mutex   sync.Mutex
	arrived []bus.Stored // records not yet taken
	known   map[string]bool
	sources map[string]*message.SourceHealth // by input
	asking  map[string]time.Time             // inputs whose source is being asked, since when
	wake    chan struct{}
	// seen is the number, in the stream of input records, of the last one taken;
	// listenedTo the same of the other kinds.
	seen       atomic.Uint64
	listenedTo seenOf
	// heardMessages of those kinds were not looked at yet.
	heardMessages []heardMessage

	book holdBook

	table *inputTable
	// dirty are sites whose inputs have changed since they were last assessed.
	dirty    map[string]bool
	dirtyDue time.Time
	trigger  string
	lastByte time.Time
	picked   []inputRef // of the last assessment of now
	novel    bool       // a kind of input has come that the last one had none of
	urgent   bool       // sites have come under a hold, or out of one

	lastNow, lastOutlook time.Time
	noticed              time.Time // of the clock, when it was last looked at
	outlookRun           string    // the run of the last outlook
	outlookWanted        time.Time // since when a new run waits
	nowNotBefore         time.Time
}

// Of the rhythm; common practice, no source.
const (
	// settleFor: inputs that come together are judged together. Pictures from
	// above (satellite, mosaic) change a score little, and come often: they may
	// wait, and go with the next radar volume, model hour or sounding.
	settleFor        = 200 * time.Millisecond
	settlePicturesIn = 2*time.Minute + settleFor
	// Stores are looked at on whole seconds, outlooks are asked for beside them:
	// then a rehearsal knows which comes first.
	outlookPhase = 700 * time.Millisecond
	// leastBetween assessments of now, so that inputs that trickle in do not make
	// the row of assessments shorter than weather changes.
	leastBetween = 30 * time.Second
	// soonAfter the last assessment, if what it lacked altogether has come: the
	// first model run or radar volume after a start, for example.
	soonAfter = 5 * time.Second
	// outlookAfter a run is complete.
	outlookAfter = 1100 * time.Millisecond
	// longestSleep makes up for a clock that was moved.
	longestSleep = 30 * time.Second
	// silentFor: a source that is asked and says nothing for so long is in trouble,
	// although whoever asks still waits.
	silentFor = 30 * time.Second
	// nearScore: a site with such a score has something near.
	nearScore = 10.0
	// sitesAJob of an assessment of now, assessmentsAJob of an outlook: a second or
	// so of work, that workers can share.
	sitesAJob       = 25
	assessmentsAJob = 300
)

func (s *service) newSchedule(p *programme.Programme, ref programmeRef) *schedule {
	needs := s.needsOf(p)
	return &schedule{service: s, programme: p, ref: ref, needs: needs, table: newInputTable(p, needs), dirty: map[string]bool{},
		known: map[string]bool{}, sources: map[string]*message.SourceHealth{}, asking: map[string]time.Time{}, wake: make(chan struct{}, 1), listenedTo: newSeenOf(listened...)}
}

// run keeps the schedule until ctx ends. It lives by the service's clock.
func (c *schedule) run(ctx context.Context) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	if err := c.recallHolds(ctx); err != nil {
		return err
	}
	if err := c.recall(ctx); err != nil {
		return err
	}
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	for _, id := range sortedKeys(c.needs) {
		poller, err := stores.NewPoller(localFetcher{c.fetcher}, c.needs[id])
		if err != nil {
			return fmt.Errorf("programme %s, input %s: %w", c.programme.ID, id, err)
		}
		group.Add(1)
		c.clock.Go(func() {
			defer group.Done()
			c.poll(ctx, id, poller)
		})
	}
	beat := func() {}
	if c.heartbeats != nil {
		heart := c.heartbeats.Register("schedule of "+c.programme.ID, 4*longestSleep)
		defer heart.Stop()
		beat = heart.Beat
	}
	c.lastNow = c.clock.Now().Add(-time.Hour) // the first assessment is due
	c.nowNotBefore = c.clock.Now().Add(10*time.Second + settleFor)
	for {
		if err := ctx.Err(); err != nil {
			return err
		}
		beat()
		c.take(ctx)
		c.takeHeard()
		now := c.clock.Now()
		c.notice(now)
		next, err := c.act(ctx, now)
		if err != nil {
			return err
		}
		if err := c.clock.Sleep(ctx, min(max(next.Sub(now), time.Millisecond), longestSleep), c.wake); err != nil {
			return err
		}
	}
}

// notice looks for a clock that was set back: what was planned by the time before
// would wait until that comes again, and the sites would go unjudged.
func (c *schedule) notice(now time.Time) {
	if now.Before(c.noticed.Add(-soonest)) {
		c.log.Warn("the clock was set back; everything is judged anew", "programme", c.programme.ID, "by", c.noticed.Sub(now))
		c.lastNow, c.nowNotBefore, c.dirtyDue = now.Add(-time.Hour), now, now
		if !c.lastOutlook.IsZero() || !c.outlookWanted.IsZero() {
			c.lastOutlook, c.outlookWanted = time.Time{}, now
		}
		c.book.due, c.book.saidAt, c.book.conditionsAsked = now, time.Time{}, time.Time{}
	}
	c.noticed = now
}

// recall reads what has been ingested already, and goes on listening.
func (c *schedule) recall(ctx context.Context) error {
	last, err := c.bus.LastSequence(ctx, bus.Input)
	if err != nil {
		return err
	}
	reached := make(chan error, 1)
	go func() {
		told := false
		tell := func(err error) {
			if !told {
				told = true
				reached <- err
			}
		}
		if last == 0 {
			tell(nil)
		}
		options := bus.FollowOptions{Kinds: []bus.Kind{bus.Input}, Programme: c.programme.ID, Since: bus.FromTime(c.clock.Now().Add(-keepInputsFor))}
		for stored, err := range c.bus.Follow(ctx, options) {
			if err != nil {
				if ctx.Err() == nil {
					c.log.Warn("input records", "programme", c.programme.ID, "error", err)
				}
				continue
			}
			c.mutex.Lock()
			c.arrived = append(c.arrived, stored)
			c.mutex.Unlock()
			select {
			case c.wake <- struct{}{}:
			default:
			}
			if stored.Sequence >= last {
				tell(nil)
			}
		}
		tell(ctx.Err())
	}()
	select {
	case err := <-reached:
		if err != nil {
			return err
		}
	case <-ctx.Done():
		return ctx.Err()
	case <-time.After(5 * time.Second):
		// The newest records are of other programmes, or there are very many: the
		// rest comes while we work.
	}
	c.take(ctx)
	clear(c.dirty)
	return nil
}

// take looks at the records that have come.
func (c *schedule) take(ctx context.Context) {
	c.mutex.Lock()
	arrived := c.arrived
	c.arrived = nil
	c.mutex.Unlock()
	if len(arrived) == 0 {
		return
	}
	now := c.clock.Now()
	changed := map[string]message.Input{}
	for _, stored := range arrived {
		var record message.Input
		if err := json.Unmarshal(stored.Event.Data, &record); err != nil {
			c.log.Warn("an input record cannot be read", "subject", stored.Subject, "error", err)
			continue
		}
		if forCriteria(record.Kind) {
			c.takeReport(ctx, record, now)
		} else {
			c.table.add(record)
		}
		changed[inputKey(record.Source, record.ObjectID)] = record
		c.heard(record)
	}
	c.table.forget(now)
	// A record matters if an assessment of now would be made from it.
	inputs, records := c.table.pick(modeNow, now)
	if !slices.Equal(inputs, c.picked) {
		c.wantConditions(now)
		for _, record := range records {
			if _, isNew := changed[inputKey(record.Source, record.ObjectID)]; isNew {
				c.mark(record, now)
				c.novel = c.novel || !slices.ContainsFunc(c.picked, func(ref inputRef) bool { return ref.Kind == record.Kind })
			}
		}
	}
	if run := c.wholeRun(now); run != "" && run != c.outlookRun && c.outlookWanted.IsZero() {
		c.outlookWanted = now
	}
	c.mutex.Lock()
	for _, record := range changed {
		if forCriteria(record.Kind) {
			continue // each answer is an object of its own
		}
		c.known[versionKey(record.Source, record.ObjectID, record.PublishedTime)] = true
	}
	c.mutex.Unlock()
	c.seen.Store(arrived[len(arrived)-1].Sequence)
}

// mark notes the sites that a record can change.
func (c *schedule) mark(record message.Input, now time.Time) {
	var sites []string
	if record.Domain == nil {
		sites = sitesWithin(c.programme, -90, -180, 90, 180)
	} else {
		d := record.Domain
		sites = sitesWithin(c.programme, d.SouthDeg, d.WestDeg, d.NorthDeg, d.EastDeg)
	}
	if len(sites) == 0 {
		return
	}
	due := now.Add(settleFor)
	if record.Kind == stores.KindSatellite || record.Kind == stores.KindMosaic {
		due = now.Add(settlePicturesIn)
	}
	if len(c.dirty) == 0 || due.Before(c.dirtyDue) {
		c.dirtyDue = due
	}
	for _, id := range sites {
		c.dirty[id] = true
	}
	c.trigger = record.Kind + " " + record.ObjectID
	if record.FetchedTime.After(c.lastByte) {
		c.lastByte = record.FetchedTime
	}
}

// wholeRun names the newest model run that has come whole, empty for none.
func (c *schedule) wholeRun(now time.Time) string {
	for _, need := range c.table.models {
		for _, run := range c.table.runsOf(need, now) {
			if run.complete {
				return need.source + " " + run.reference.Format(time.RFC3339)
			}
		}
	}
	return ""
}

// act does what is due, and tells when something is due next.
func (c *schedule) act(ctx context.Context, now time.Time) (next time.Time, err error) {
	due := c.outlookDue()
	if !due.IsZero() && !due.After(now) {
		if err := c.askOutlook(ctx, now); err != nil {
			return now, err
		}
		// The assessment of now looks at the outlook: let it come first.
		c.nowNotBefore = later(c.nowNotBefore, now.Add(outlookAfter))
		due = c.outlookDue()
	}
	// Holds come before assessments: what is published after a change was judged
	// under it.
	holdsDue, err := c.judgeHolds(ctx, now)
	if err != nil {
		return now, err
	}
	conditionsDue, err := c.askConditions(ctx, now)
	if err != nil {
		return now, err
	}
	nowDue := c.nowDue(ctx, now)
	if !nowDue.After(now) {
		if err := c.askNow(ctx, now); err != nil {
			return now, err
		}
		nowDue = c.nowDue(ctx, now)
	}
	for _, other := range []time.Time{nowDue, holdsDue, conditionsDue} {
		if due.IsZero() || other.Before(due) {
			due = other
		}
	}
	return due, nil
}

func (c *schedule) outlookDue() time.Time {
	every := time.Duration(c.programme.Watch.OutlookMinutes * float64(time.Minute))
	var due time.Time
	if !c.lastOutlook.IsZero() {
		due = c.lastOutlook.Truncate(every).Add(every + outlookPhase)
	}
	if !c.outlookWanted.IsZero() {
		if at := c.outlookWanted.Add(outlookAfter); due.IsZero() || at.Before(due) {
			due = at
		}
	}
	return due
}

func (c *schedule) nowDue(ctx context.Context, now time.Time) time.Time {
	if len(c.programme.Holds) > 0 && c.book.results == nil {
		// Nobody knows yet whether anything forbids a release.
		return c.book.due.Add(settleFor)
	}
	if c.urgent {
		return now
	}
	minutes := func(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }
	due := c.lastNow.Add(minutes(c.programme.Watch.NowMinutes))
	if !due.After(now) && !c.near(ctx) {
		due = c.lastNow.Add(minutes(c.programme.Watch.IdleMinutes))
	}
	if len(c.dirty) > 0 {
		least := leastBetween
		if c.novel {
			least = soonAfter
		}
		if at := later(c.dirtyDue, c.lastNow.Add(least)); at.Before(due) {
			due = at
		}
	}
	return later(due, c.nowNotBefore)
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// near says whether any site has an opportunity now or ahead, a band on its way,
// or cannot be judged.
func (c *schedule) near(ctx context.Context) bool {
	for k := range c.programme.Sites {
		var a struct {
			State seedability.State `json:"state"`
			Score struct {
				Value *float64 `json:"value"`
			} `json:"score"`
			Bands []struct{} `json:"bands"`
		}
		known, err := c.latest(ctx, bus.Score, c.programme.ID, c.programme.Sites[k].ID, &a)
		if err != nil || !known || a.State != seedability.StateQuiet || len(a.Bands) > 0 || a.Score.Value != nil && *a.Score.Value >= nearScore {
			return true
		}
	}
	return false
}

// askNow submits the assessment of release now, of the sites that changed or, when
// time has passed, of all.
func (c *schedule) askNow(ctx context.Context, now time.Time) error {
	inputs, _ := c.table.pick(modeNow, now)
	sites := sitesWithin(c.programme, -90, -180, 90, 180)
	trigger := "time"
	if len(c.dirty) > 0 && now.Sub(c.lastNow) < time.Duration(c.programme.Watch.NowMinutes*float64(time.Minute)) {
		sites = slices.DeleteFunc(sites, func(id string) bool { return !c.dirty[id] })
	}
	if len(c.dirty) > 0 {
		trigger = c.trigger
	}
	job := assessTask{Programme: c.ref, Mode: modeNow, Moment: now, Inputs: inputs, Trigger: trigger, LastByte: c.lastByte}
	if err := c.submitAssess(ctx, job, sites, sitesAJob); err != nil {
		return err
	}
	c.lastNow, c.picked, c.novel, c.urgent, c.lastByte = now, inputs, false, false, time.Time{}
	clear(c.dirty)
	return nil
}

// askOutlook submits the outlook of all sites.
func (c *schedule) askOutlook(ctx context.Context, now time.Time) error {
	inputs, records := c.table.pick(modeOutlook, now)
	run, trigger := c.wholeRun(now), "time"
	var end time.Time
	for _, record := range records {
		if record.Kind == stores.KindModel && record.ValidTime.After(end) {
			end = record.ValidTime
		}
	}
	if run != c.outlookRun {
		trigger = "model run " + run
	}
	c.lastOutlook, c.outlookRun, c.outlookWanted = now, run, time.Time{}
	if end.IsZero() {
		return nil
	}
	releases := int(end.Sub(now).Minutes()/c.programme.Watch.OutlookMinutes) + 1
	sites := sitesWithin(c.programme, -90, -180, 90, 180)
	return c.submitAssess(ctx, assessTask{Programme: c.ref, Mode: modeOutlook, Moment: now, Inputs: inputs, Trigger: trigger}, sites, max(1, assessmentsAJob/max(releases, 1)))
}

// submitAssess cuts a job into parts of some sites each.
func (c *schedule) submitAssess(ctx context.Context, j assessTask, sites []string, each int) error {
	for part := range slices.Chunk(sites, each) {
		j.Sites = part
		data, err := json.Marshal(j)
		if err != nil {
			return err
		}
		id := fmt.Sprintf("%s.%s.%s.%s.%s", c.programme.ID, j.Mode, j.Moment.UTC().Format("20060102T150405.000Z"), part[0], c.ref.Digest[:8])
		if err := c.submit(ctx, bus.Job{ID: id, Queue: bus.QueueAssess, Programme: c.programme.ID, Created: c.clock.Now(), Data: data}); err != nil {
			return err
		}
	}
	return nil
}

// submit puts a job on its queue. A queue that is full is waited for: the work
// that is in it comes first.
func (c *schedule) submit(ctx context.Context, job bus.Job) error {
	_, err := c.bus.Submit(ctx, job)
	if errors.Is(err, bus.ErrFull) {
		c.log.Error("the queue is full, the job is left out", "queue", job.Queue, "job", job.ID)
		return nil
	}
	return err
}

// poll looks for new objects of one input for as long as ctx lasts.
func (c *schedule) poll(ctx context.Context, id string, poller *stores.Poller) {
	failing := false
	// left are objects that could not be asked for: the source does not tell them
	// twice. Of very many the newest are kept.
	var left []stores.Object
	const maxLeft, maxAnswersLeft = 1000, 20
	for ctx.Err() == nil {
		now := c.clock.Now()
		if c.paused() {
			if c.clock.Sleep(ctx, longestSleep, nil) != nil {
				return
			}
			continue
		}
		c.ask(id, now)
		objects, err := poller.Poll(ctx, now)
		if ctx.Err() != nil {
			return
		}
		if (err != nil) != failing {
			failing = err != nil
			if failing {
				c.log.Warn("a source does not answer", "programme", c.programme.ID, "source", c.needs[id].Source, "error", err)
			} else {
				c.log.Info("a source answers again", "programme", c.programme.ID, "source", c.needs[id].Source)
			}
		}
		c.polled(id, poller.Health())
		if len(objects) > 0 {
			switch objects[0].Kind {
			case stores.KindRadar, stores.KindMosaic, stores.KindSatellite:
				// After a pause there are many, and the newest count most.
				slices.Reverse(objects)
			case stores.KindGauge, stores.KindWarnings, stores.KindAvalanche, stores.KindTelemetry:
				slices.Reverse(objects)
				left = left[:min(len(left), maxAnswersLeft)] // each holds its bytes
			}
		}
		left = append(objects, left[:min(len(left), maxLeft)]...)
		for len(left) > 0 {
			if err := c.askIngest(ctx, id, left[0]); err != nil {
				if ctx.Err() == nil {
					c.log.Error("an object could not be asked for, it is tried again", "object", left[0].ID, "error", err)
				}
				break
			}
			left = left[1:]
		}
		now = c.clock.Now()
		next := now.Add(min(max(poller.Next(now).Sub(now), time.Second), 10*time.Minute))
		if c.clock.Sleep(ctx, next.Add(time.Second-1).Truncate(time.Second).Sub(now), nil) != nil {
			return
		}
	}
}

// askIngest submits an object, unless it is here already.
func (c *schedule) askIngest(ctx context.Context, id string, object stores.Object) error {
	c.mutex.Lock()
	known := c.known[versionKey(object.Source, object.ID, object.Published)]
	c.mutex.Unlock()
	if known {
		return nil
	}
	data, err := c.ingestJob(ctx, id, object)
	if err != nil {
		return err
	}
	// An object that was completed or corrected is announced again.
	name := fmt.Sprintf("%s.%s.%s.%d.%d", c.programme.ID, c.ref.Digest[:8], object.ID, len(object.Parts), object.Published.Unix())
	return c.submit(ctx, bus.Job{ID: name, Queue: bus.QueueIngest, Programme: c.programme.ID, Created: c.clock.Now(), Data: data})
}

// versionKey names an object as it was at one time.
func versionKey(sourceName, objectID string, published time.Time) string {
	return inputKey(sourceName, objectID) + " " + published.UTC().Format(time.RFC3339)
}

// ask notes that a source is being asked.
func (c *schedule) ask(id string, now time.Time) {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	c.asking[id] = now
	c.sourceHealth(id)
}

// polled notes how a source does.
func (c *schedule) polled(id string, h stores.Health) {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	delete(c.asking, id)
	s := c.sourceHealth(id)
	s.LastSuccessTime, s.BehindSeconds, s.Error = h.LastSuccess, h.Behind.Seconds(), ""
	if of, ok := stores.Find(s.Source); ok && of.Kind == stores.KindSounding && c.clock.Now().Sub(h.Newest) < ascentAge {
		s.BehindSeconds = 0 // balloons rise when they rise; this one still counts
	}
	if h.LastError != nil {
		s.Error = h.LastError.Error()
	}
	if h.Newest.After(s.NewestTime) {
		s.NewestTime = h.Newest
	}
}

// heard notes what has come of a source.
func (c *schedule) heard(record message.Input) {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	for id, need := range c.needs {
		if id != record.InputID && (record.InputID != "" || need.Source != record.Source) {
			continue
		}
		if s := c.sourceHealth(id); timeOf(record).After(s.NewestTime) {
			s.NewestTime = timeOf(record)
		}
	}
}

func (c *schedule) sourceHealth(id string) *message.SourceHealth {
	s := c.sources[id]
	if s == nil {
		s = &message.SourceHealth{Source: c.needs[id].Source, Programme: c.programme.ID, InputID: id}
		c.sources[id] = s
	}
	return s
}

// noted is, by kind, the number of the last message that was taken note of.
func (c *schedule) noted() map[string]uint64 {
	noted := map[string]uint64{bus.Input.Name: c.seen.Load()}
	for name, seen := range c.listenedTo {
		noted[name] = seen.Load()
	}
	return noted
}

// health lists how the sources of the programme do.
func (c *schedule) health() []message.SourceHealth {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	var all []message.SourceHealth
	for _, name := range sortedKeys(c.sources) {
		all = append(all, *c.sources[name])
	}
	now := c.clock.Now()
	for id, since := range c.asking {
		silent := now.Sub(since)
		if silent < silentFor {
			continue
		}
		for k := range all {
			if all[k].InputID == id {
				all[k].Error = fmt.Sprintf("asked, and no answer for %.0f s", silent.Seconds())
			}
		}
	}
	return all
}
