package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

type deadmanCommand struct {
	Programme string        `placeholder:"FILE" help:"Programme file (YAML): its name and time zone, and the routes by which it tells faults of the service (alerts)."`
	Exec      string        `placeholder:"COMMAND" help:"Run this for every alert: the absolute path of a program and its arguments, separated by spaces, without a shell. {subject}, {short}, {id}, {kind} and {severity} are replaced; the alert comes as JSON on standard input."`
	Silence   time.Duration `default:"3m" placeholder:"3m" help:"How long nothing may be heard. A worker says how it does every minute."`
	Repeat    time.Duration `default:"30m" placeholder:"30m" help:"How often it is told again while the service stays silent."`
	State     string        `placeholder:"FILE" help:"What was told already, so that a restart does not tell it again; left out: deadman.json in $STATE_DIRECTORY, or in rimeline-deadman below the user's state folder."`
	Once      bool          `help:"Look once and end, for a scheduler such as cron; status 1 while the service is silent."`
	dutyFlags
}

func (deadmanCommand) Help() string {
	return `Tells people when the service falls silent. No alert of the service can tell that it has died: run this on another computer, with ways to people of its own. It listens for the signs of life that every worker gives each minute, and alerts when none came for --silence, also when it is the bus or the way to it that is down; when one worker of several is gone; and when they are back. Quiet hours of the programme file do not delay it; where the silence is not over when it is told again, the routes of escalation are told too.

Examples:

    rimeline deadman --nats tls://a:4222,tls://b:4222 --creds reader.creds --programme valley.yaml
    rimeline deadman --nats nats://10.0.0.5:4222 --user-file reader --exec "/usr/local/bin/page {short}"
    rimeline deadman --nats nats://10.0.0.5:4222 --once --state /var/lib/rimeline-deadman/valley.json

With --json it prints the alerts, one a line.

Exit status: 0 stopped as asked (with --once: the service lives), 1 something failed (with --once: or the service is silent), 2 wrong usage.`
}

// Of the watch; common practice, no source.
const (
	// healthPeriod is how often a worker says how it does.
	healthPeriod = time.Minute
	// knockEvery is how long to wait before the bus is tried again.
	knockEvery = 5 * time.Second
	// firstHearing is how long the watch waits at its start for what the bus has.
	firstHearing = 20 * time.Second
	// onceDelivers is how long --once waits for alerts to go out; what has not then
	// goes out at the next look.
	onceDelivers = time.Minute
	// clockJumps: a clock that moved so much further than time has passed was set, or
	// the computer slept; nobody was silent for that.
	clockJumps = 20 * time.Second
)

// signOfLife is what was heard of a worker.
type signOfLife struct {
	worker, host string
	roles        []string
	started      time.Time
	at           time.Time // by our clock
}

// deadmanWatch is the watch while it runs.
type deadmanWatch struct {
	env     *environment
	join    func(context.Context) (*bus.Bus, error)
	deadman alert.Deadman
	// later are routes that are told when it is told again.
	later     []string
	zone      *time.Location
	file      *deadmanFile
	deliverer *alert.Deliverer // nil where there is no route
	// stepped is the clock of the newest step, passed the time by a clock that nobody
	// sets, since the watch began.
	stepped time.Time
	passed  time.Duration

	heard   chan []signOfLife
	ready   chan struct{} // closed when what the bus has was heard, or cannot be
	trouble chan error    // of the bus; nil: it is reached
	now     error         // the present trouble
	// connection, while there is one; it may be lost all the same.
	connection atomic.Pointer[bus.Bus]
	// unheard: there is no memory, and nothing of late on the bus.
	unheard bool

	mutex sync.Mutex
	tried map[string]bool // deliveries that were tried by this process
}

func (c *deadmanCommand) Run(env *environment) error {
	if c.Silence <= 0 || c.Repeat <= 0 {
		return usageError("--silence and --repeat must be above 0")
	}
	if err := c.fit(); err != nil {
		return err
	}
	if c.Silence < 2*healthPeriod {
		env.warn("--silence %v: a worker says how it does every minute, so that less than 2m gives false alarms", c.Silence)
	}
	if c.Nats == "" {
		env.warn("without --nats this watches the service on this computer; when the computer dies, nobody will tell")
	}
	w := &deadmanWatch{env: env, tried: map[string]bool{}, zone: time.UTC, heard: make(chan []signOfLife, 16), ready: make(chan struct{}), trouble: make(chan error, 16),
		deadman: alert.Deadman{Programme: alert.Programme{ID: "rimeline", Name: "rimeline", Zone: time.UTC, ProgramVersion: version()}, Silence: c.Silence, Repeat: c.Repeat}}
	w.join = func(ctx context.Context) (*bus.Bus, error) {
		within := *env
		within.Context = ctx
		return c.connect(&within)
	}
	config, err := c.config(w)
	if err != nil {
		return err
	}
	path, err := c.stateFile()
	if err != nil {
		return err
	}
	if w.file, err = openDeadmanFile(path, env.warn); err != nil {
		return err
	}
	defer w.file.Close()
	if err := w.openRoutes(config); err != nil {
		return err
	}
	if c.Once {
		return w.once()
	}
	return w.watch()
}

// stateFile is where the watch remembers what it told.
func (c *deadmanCommand) stateFile() (string, error) {
	if c.State != "" {
		return c.State, nil
	}
	if folder := os.Getenv("STATE_DIRECTORY"); folder != "" {
		return filepath.Join(strings.Split(folder, ":")[0], "deadman.json"), nil
	}
	folder := os.Getenv("XDG_STATE_HOME")
	if folder == "" {
		home, err := os.UserHomeDir()
		if err != nil {
			return "", fmt.Errorf("--state: %w", err)
		}
		folder = filepath.Join(home, ".local", "state")
	}
	return filepath.Join(folder, "rimeline-deadman", "deadman.json"), nil
}

// execRoute is the id of the route of --exec.
const execRoute = "exec"

// config is the routes by which the watch tells: those of the programme's rules for
// faults of the service, and that of --exec.
func (c *deadmanCommand) config(w *deadmanWatch) (alert.Config, error) {
	var config alert.Config
	if c.Programme != "" {
		p, err := loadProgramme(c.Programme)
		if err != nil {
			return config, err
		}
		config = p.AlertConfig().Beside(filepath.Dir(c.Programme))
		w.zone = p.Location
		w.deadman.Programme.ID, w.deadman.Programme.Name, w.deadman.Programme.Zone = p.ID, p.Name, p.Location
		for k := range config.Rules {
			rule := &config.Rules[k]
			if len(rule.Kinds) > 0 && !slices.Contains(rule.Kinds, string(alert.ServiceFault)) {
				continue
			}
			w.deadman.Routes = append(w.deadman.Routes, rule.Routes...)
			for _, step := range rule.Escalation {
				w.later = append(w.later, step.Routes...)
			}
		}
	}
	if c.Exec != "" {
		command := alert.RouteSpec{ID: execRoute, Kind: "command", Command: strings.Fields(c.Exec), TimeoutSeconds: 60}
		check := alert.Default()
		check.Routes = []alert.RouteSpec{command}
		for _, problem := range check.Check(nil) {
			return config, usageError("--exec: " + strings.TrimPrefix(problem.Error(), "routes[0]."))
		}
		for slices.ContainsFunc(config.Routes, func(r alert.RouteSpec) bool { return r.ID == command.ID }) {
			command.ID += "-"
		}
		config.Routes = append(config.Routes, command)
		w.deadman.Routes = append(w.deadman.Routes, command.ID)
	}
	slices.Sort(w.deadman.Routes)
	slices.Sort(w.later)
	w.deadman.Routes, w.later = slices.Compact(w.deadman.Routes), slices.Compact(w.later)
	return config, nil
}

// openRoutes opens the routes. One that cannot be opened must not silence the
// others.
func (w *deadmanWatch) openRoutes(config alert.Config) error {
	routes, timeouts := map[string]alert.Route{}, map[string]time.Duration{}
	wanted := 0
	for _, spec := range config.Routes {
		if !slices.Contains(w.deadman.Routes, spec.ID) && !slices.Contains(w.later, spec.ID) {
			continue
		}
		wanted++
		one := config
		one.Routes = []alert.RouteSpec{spec}
		opened, limits, err := alert.Routes(one, nil)
		if err != nil {
			w.env.warn("route %s cannot be used: %v", spec.ID, err)
			continue
		}
		routes[spec.ID], timeouts[spec.ID] = opened[spec.ID], limits[spec.ID]
	}
	there := func(id string) bool { return routes[id] == nil }
	w.deadman.Routes, w.later = slices.DeleteFunc(w.deadman.Routes, there), slices.DeleteFunc(w.later, there)
	switch {
	case wanted > 0 && len(w.deadman.Routes) == 0:
		return errors.New("none of the routes can be used: nobody would be told")
	case wanted == 0:
		w.env.warn("no route tells of faults of the service (--programme, --exec): alerts are printed here and nowhere else")
		return nil
	}
	var err error
	w.deliverer, err = alert.NewDeliverer(w.env, alert.DelivererOptions{Routes: routes, Timeouts: timeouts, Store: w.file, Clock: clock.Wall{}, Zone: w.zone,
		Programme: w.deadman.Programme, Publish: w.say, Recorded: w.sayDelivery})
	return err
}

// say prints an alert.
func (w *deadmanWatch) say(a alert.Alert) {
	if w.env.JSON {
		_ = json.NewEncoder(w.env.Stdout).Encode(a) // the reader has gone
		return
	}
	p := &page{w: w.env.Stdout}
	p.printf("%s  %s\n", localAndUTC(a.Raised, w.zone), printable(alert.Text(a, w.zone).Subject))
	for _, reason := range a.Reasons {
		p.rows([2]string{"", reason})
	}
}

// sayDelivery tells what came of an alert on a route.
func (w *deadmanWatch) sayDelivery(d alert.Delivery) {
	switch {
	case d.Outcome == alert.DeliveryPending:
		return
	case d.Outcome == alert.DeliveryDelivered && !w.env.JSON:
		fmt.Fprintf(w.env.Stdout, "              told by %s\n", printable(d.Route))
	case d.Outcome == alert.DeliveryRetrying:
		w.env.warn("route %s, attempt %d: %s; it is tried again", printable(d.Route), d.Attempt, printable(d.Error))
	case d.Outcome.Done() && d.Outcome != alert.DeliveryDelivered:
		w.env.warn("route %s: %s: %s", printable(d.Route), d.Outcome, printable(d.Error))
	}
	w.mutex.Lock()
	defer w.mutex.Unlock()
	w.tried[d.Key()] = true
}

// listen keeps an ear on the bus until ctx ends, whatever happens to the bus.
func (w *deadmanWatch) listen(ctx context.Context, follow bool) {
	first := true
	heardAll := func() {
		if first {
			close(w.ready)
			first = false
		}
	}
	for ctx.Err() == nil {
		err := w.hear(ctx, follow, heardAll)
		if ctx.Err() != nil {
			return
		}
		if !follow && err == nil {
			return
		}
		select {
		case w.trouble <- err:
		case <-ctx.Done():
			return
		}
		heardAll()
		if !follow {
			return
		}
		select {
		case <-ctx.Done():
		case <-time.After(min(knockEvery, w.deadman.Silence/4)):
		}
	}
}

// hear connects, takes what workers said of late, and follows what they say.
func (w *deadmanWatch) hear(ctx context.Context, follow bool, heardAll func()) error {
	b, err := w.join(ctx)
	if err != nil {
		return err
	}
	defer b.Close()
	w.connection.Store(b)
	defer w.connection.Store(nil)
	server, err := b.ServerTime(ctx, bus.Health)
	if err != nil {
		return err
	}
	var said []signOfLife
	for stored, err := range b.ReadSince(ctx, bus.Health, "", "", server.Add(-w.deadman.Silence)) {
		if err != nil && stored.Sequence == 0 {
			return err
		}
		if sign, ok := signOf(stored, server, time.Now()); ok {
			said = append(said, sign)
		}
	}
	if !w.pass(ctx, said) {
		return ctx.Err()
	}
	select {
	case w.trouble <- nil:
	case <-ctx.Done():
		return ctx.Err()
	}
	heardAll()
	if !follow {
		return nil
	}
	// A connection that is lost is mended by the bus; what was said meanwhile follows,
	// and is as old as the server's clock says.
	for stored, err := range b.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{bus.Health}, Since: bus.FromTime(server)}) {
		if err != nil {
			if stored.Sequence == 0 {
				return err
			}
			continue
		}
		server, err := b.ServerTime(ctx, bus.Health)
		if err != nil {
			return err
		}
		if sign, ok := signOf(stored, server, time.Now()); ok && !w.pass(ctx, []signOfLife{sign}) {
			return ctx.Err()
		}
	}
	return errors.New("the bus says nothing more")
}

// pass hands what was heard to the watch.
func (w *deadmanWatch) pass(ctx context.Context, said []signOfLife) bool {
	select {
	case w.heard <- said:
		return true
	case <-ctx.Done():
		return false
	}
}

// signOf reads a sign of life. How old it is, is told by the server's clock alone:
// that of the worker, or ours, may be wrong.
func signOf(stored bus.Stored, server, now time.Time) (signOfLife, bool) {
	h, err := message.As[message.Health](stored.Event)
	if err != nil || h.Worker == "" {
		return signOfLife{}, false
	}
	at := now.Add(min(stored.Time.Sub(server), 0))
	return signOfLife{h.Worker, h.Host, h.Roles, at.Add(-h.Time.Sub(h.StartedTime)), at}, true
}

// watch runs until it is told to end.
func (w *deadmanWatch) watch() error {
	ctx, cancel := context.WithCancel(w.env)
	defer cancel()
	if w.deliverer != nil {
		delivered := make(chan struct{})
		go func() {
			defer close(delivered)
			_ = w.deliverer.Run(ctx) // what is not done stays in the state file
		}()
		defer func() { cancel(); <-delivered }()
	}
	if !w.env.JSON {
		how := "to this screen only"
		if len(w.deadman.Routes) > 0 {
			how = "by " + strings.Join(w.deadman.Routes, ", ")
		}
		fmt.Fprintf(w.env.Stdout, "Watching for signs of life of the service. After %v of silence people are told, %s. State: %s\n", w.deadman.Silence, how, w.file.path)
	}
	now := time.Now()
	w.file.begin(now, w.deadman.Silence)
	go w.listen(ctx, true)
	tick := time.NewTicker(max(w.deadman.Silence/20, 10*time.Millisecond))
	defer tick.Stop()
	hearing := time.After(firstHearing)
	ready := w.ready
	for {
		var said []signOfLife
		select {
		case <-ctx.Done():
			w.file.save()
			return nil
		case err := <-w.trouble:
			w.sayTrouble(err)
			continue
		case said = <-w.heard:
			w.settle(ctx, &said)
		case <-ready:
			ready = nil
			w.settle(ctx, &said)
		case <-hearing:
			ready = nil
		case <-tick.C:
			if ready != nil {
				continue // what the bus has is not yet heard
			}
		}
		w.step(said, time.Now(), time.Since(now))
	}
}

// settle takes what comes together with what was heard: after an outage signs of all
// workers come one by one, and none is gone for coming second.
func (w *deadmanWatch) settle(ctx context.Context, said *[]signOfLife) {
	quiet := time.NewTimer(min(time.Second, w.deadman.Silence/20))
	defer quiet.Stop()
	for {
		select {
		case more := <-w.heard:
			*said = append(*said, more...)
		case <-quiet.C:
			return
		case <-ctx.Done():
			return
		}
	}
}

// sayTrouble tells when the bus cannot be reached, and when it can again.
func (w *deadmanWatch) sayTrouble(err error) {
	switch {
	case err != nil && (w.now == nil || w.now.Error() != err.Error()):
		w.env.warn("the bus cannot be heard: %v", err)
	case err == nil && w.now != nil:
		w.env.warn("the bus is heard again")
	}
	w.now = err
}

// step lets the watch know what was heard, what time it is, and how much time has
// passed since it began by a clock that nobody sets; and tells what follows.
func (w *deadmanWatch) step(said []signOfLife, now time.Time, passed time.Duration) {
	now = now.Round(0) // by the clock on the wall
	if jump := now.Sub(w.stepped) - (passed - w.passed); !w.stepped.IsZero() && jump.Abs() > clockJumps {
		w.env.warn("the clock of this computer moved by %v, or it slept", jump.Round(time.Second))
		w.file.shift(jump)
		for k := range said {
			said[k].at = now
		}
	}
	w.stepped, w.passed = now, passed
	state, changed := w.file.heardOf(said, now, w.deadman.Silence)
	var alerts []alert.Alert
	for k, sign := range said {
		if slices.ContainsFunc(said[k+1:], func(later signOfLife) bool { return later.worker == sign.worker }) {
			continue
		}
		var more []alert.Alert
		state, more = w.deadman.Step(state, &alert.Beat{Worker: sign.worker, Roles: sign.roles, Time: sign.at}, now)
		alerts = append(alerts, more...)
	}
	if len(said) == 0 {
		state, alerts = w.deadman.Step(state, nil, now)
	}
	w.tell(alerts)
	w.file.keep(state, now, changed || len(alerts) > 0, w.deadman.Silence)
}

// tell prints alerts and sends them.
func (w *deadmanWatch) tell(alerts []alert.Alert) {
	for _, a := range alerts {
		if a.Change == alert.ChangeRepeat {
			for _, route := range w.later {
				if !slices.Contains(a.Routes, route) {
					a.Routes = append(a.Routes, route)
				}
			}
		}
		if w.unheard && len(a.Reasons) > 0 {
			a.Reasons[0] = fmt.Sprintf("no sign of life in the last %v", w.deadman.Silence)
		}
		if a.Change != alert.ChangeOver {
			if b := w.connection.Load(); w.now != nil {
				a.Reasons = append(a.Reasons, "from here the bus cannot be heard: "+shorten(printable(w.now.Error()), 300))
			} else if b != nil {
				if _, connected := b.Connected(); !connected {
					a.Reasons = append(a.Reasons, "from here the bus cannot be reached: the connection is lost")
				}
			}
		}
		w.say(a)
		if w.deliverer == nil {
			continue
		}
		if err := w.deliverer.Submit(context.WithoutCancel(w.env), a); err != nil {
			w.env.warn("%v", err)
		}
	}
}

// once looks once.
func (w *deadmanWatch) once() error {
	ctx, cancel := context.WithTimeout(w.env, firstHearing)
	defer cancel()
	go w.listen(ctx, false)
	var said []signOfLife
	for ready := false; !ready; {
		select {
		case more := <-w.heard:
			said = append(said, more...)
		case err := <-w.trouble:
			w.now = err
		case <-w.ready:
			ready = true
		case <-ctx.Done():
			w.now, ready = fmt.Errorf("no answer within %v", firstHearing), true
		}
	}
	if w.env.Err() != nil {
		return w.env.Err()
	}
	for more := true; more; { // what came just before
		select {
		case list := <-w.heard:
			said = append(said, list...)
		case err := <-w.trouble:
			w.now = err
		default:
			more = false
		}
	}
	now := time.Now()
	if w.file.fresh() {
		// Without memory only what the bus has of late is known.
		w.file.startAt(now.Add(-w.deadman.Silence - time.Second))
		w.unheard = len(said) == 0
	}
	w.step(said, now, 0)
	w.step(nil, now, 0)
	w.deliverAll()
	w.file.save()
	state := w.file.state()
	newest := time.Time{}
	alive := 0
	for _, worker := range state.Workers {
		if worker.Last.After(newest) {
			newest = worker.Last
		}
		if now.Sub(worker.Last) < w.deadman.Silence {
			alive++
		}
	}
	if w.now != nil {
		w.env.warn("the bus cannot be heard: %v", w.now)
	}
	if state.Silent.ID != "" {
		w.env.warn("the service is SILENT")
		return errReported
	}
	switch {
	case w.env.JSON:
	case alive == 0:
		fmt.Fprintf(w.env.Stdout, "Nothing is heard, and not for so long yet that people are told: that is after %v.\n", w.deadman.Silence)
	default:
		fmt.Fprintf(w.env.Stdout, "The service lives: %s, last sign of life %s.\n", count(alive, "worker"), ago(now.Sub(newest)))
	}
	return nil
}

// deliverAll tries every alert that waits, once.
func (w *deadmanWatch) deliverAll() {
	waiting := w.file.waiting()
	if w.deliverer == nil || len(waiting) == 0 {
		return
	}
	ctx, cancel := context.WithTimeout(w.env, onceDelivers)
	defer cancel()
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = w.deliverer.Run(ctx) // what is not done stays in the state file
	}()
	untried := func() bool {
		w.mutex.Lock()
		defer w.mutex.Unlock()
		return slices.ContainsFunc(waiting, func(key string) bool { return !w.tried[key] })
	}
	for untried() && ctx.Err() == nil {
		select {
		case <-ctx.Done():
		case <-time.After(50 * time.Millisecond):
		}
	}
	cancel()
	<-done
}
