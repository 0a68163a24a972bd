package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/operate"
	"rimeline/ingest/feed"
	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/programme"
)

// stormBegins is when the invented storm begins: a date of its own, so that a
// seed gives the same messages whenever it is rehearsed.
var stormBegins = time.Date(2026, 2, 3, 14, 0, 0, 0, time.UTC)

// rehearsalHost is where the invented stores seem to be. Names that end in
// .invalid exist nowhere (RFC 2606); what is sent there does not leave the process.
const rehearsalHost = "stores.invalid"

// rehearsalStoreBytes is what the streams of one storm may take.
const rehearsalStoreBytes = 1 << 30

// rehearsalRun is one rehearsal: the storm, its stores, and a service that watches
// them by the storm's own clock.
type rehearsalRun struct {
	scenario  *rehearsal.Scenario
	programme *programme.Programme
	bundle    bundle
	alerts    alertKeeperOptions
	archive   archiveOptions
	clock     *clock.Stepped
	service   *service
	server    *bus.Server
	roles     []string
	until     time.Time // the end of the storm, or earlier
	close     []func()
}

// rehearsalOptions of a run.
type rehearsalOptions struct {
	seed   int64
	speed  float64 // 0: as fast as the machine allows
	data   string  // folder of the bus
	log    *slog.Logger
	listen string
	// at is where in the storm the clock begins, points the side of the model's
	// grid; for measurements. yaml is another programme file.
	at     time.Duration
	points int
	yaml   string
	// access lets commands on this computer in. routes is a file with the section
	// alerts by which alerts are really sent; empty: they stay on the bus.
	access bool
	routes string
	// archive is the folder to which all is archived; empty: none.
	archive string
}

// newRehearsal sets the storm, the stores, the bus and the service up.
func newRehearsal(env *environment, o rehearsalOptions) (r *rehearsalRun, err error) {
	r = &rehearsalRun{scenario: rehearsal.NewScenario(stormBegins, o.seed), roles: []string{roleSchedule, roleIngest, roleAssess, roleAlerts},
		alerts: alertKeeperOptions{Exercise: true}, archive: archiveOptions{Dir: o.archive}}
	began := r
	defer func() {
		if err != nil {
			began.Close()
		}
	}()
	r.until = r.scenario.End()
	r.bundle = bundle{File: "vantry.yaml", YAML: string(rehearsal.ProgrammeDutyYAML())}
	if o.yaml != "" {
		r.bundle.YAML = o.yaml
	}
	if o.routes != "" {
		if r.bundle.YAML, err = withAlerts(r.bundle.YAML, o.routes); err != nil {
			return nil, err
		}
		// Files that the section names lie beside its own.
		r.bundle.File, r.alerts.Routes = filepath.Join(filepath.Dir(o.routes), r.bundle.File), true
	}
	if r.programme, err = r.bundle.parse(); err != nil {
		return nil, err
	}
	r.clock = clock.NewStepped(r.scenario.Start().Add(o.at), o.speed)
	store, err := rehearsal.NewStore(rehearsal.StoreOptions{Scenario: r.scenario, Now: r.clock.Now, Points: o.points})
	if err != nil {
		return nil, err
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	server := &http.Server{Handler: store, ReadHeaderTimeout: 10 * time.Second, ErrorLog: slog.NewLogLogger(o.log.Handler(), slog.LevelDebug)}
	go server.Serve(listener) //nolint:errcheck // ends with Close
	r.close = append(r.close, func() { server.Close() })
	preparing, stop := context.WithCancel(env)
	r.close = append(r.close, stop)
	go store.Prepare(preparing, 30*time.Minute)

	own := bus.ServerOptions{Listen: o.listen, MaxStoreBytes: 2 * rehearsalStoreBytes}
	if o.access {
		access, err := openLocalAccess(o.data, &own)
		if err != nil {
			return nil, err
		}
		r.close = append(r.close, access.Close)
		defer func() {
			if err == nil {
				err = access.announce(began.server.Address())
			}
		}()
	}
	busServer, err := bus.EmbeddedWith(o.data, own)
	if err != nil {
		return nil, err
	}
	r.server = busServer
	r.close = append(r.close, busServer.Close)
	connection, err := busServer.Connect(env, bus.Options{StoreBytes: rehearsalStoreBytes})
	if err != nil {
		return nil, err
	}
	r.close = append(r.close, connection.Close)
	if err := connection.EnsureStreams(env); err != nil {
		return nil, err
	}
	if err := connection.EnsureQueues(env); err != nil {
		return nil, err
	}
	dialer := &net.Dialer{Timeout: 5 * time.Second}
	transport := &http.Transport{
		DisableCompression: true, MaxIdleConnsPerHost: 16,
		DialContext: func(ctx context.Context, network, address string) (net.Conn, error) {
			if host, _, _ := net.SplitHostPort(address); host != rehearsalHost {
				return nil, fmt.Errorf("a rehearsal does not go to %s", address)
			}
			return dialer.DialContext(ctx, "tcp", listener.Addr().String())
		},
	}
	r.close = append(r.close, transport.CloseIdleConnections)
	client := feed.New(feed.Options{
		Transport: transport, Now: r.clock.Now, PerHost: 16, PerHostPerSecond: 100000,
		// The store answers at once or not at all, and its clock does not wait for us.
		Attempts: 2, FirstWait: time.Millisecond, LongestWait: time.Millisecond, LongestRetryAfter: time.Millisecond,
	})
	r.service = newService(&service{
		clock: r.clock, bus: connection, fetcher: client, rare: env.Rare, log: o.log, metrics: operate.NewMetrics(version()), worker: "rehearsal",
		mirrors: store.BaseURLs("http://" + rehearsalHost), rehearsed: true,
	})
	return r, nil
}

// Close ends everything, last made first.
func (r *rehearsalRun) Close() {
	for _, end := range slices.Backward(r.close) {
		end()
	}
	r.close = nil
}

// run lets the storm pass.
func (r *rehearsalRun) run(ctx context.Context, workers int) error {
	ctx, cancel := context.WithCancel(ctx)
	var group sync.WaitGroup
	failed := make(chan error, 4)
	start := func(work func() error) {
		group.Go(func() {
			if err := work(); err != nil && ctx.Err() == nil {
				failed <- err
				cancel()
			}
		})
	}
	start(func() error { return r.service.workOn(ctx, bus.QueueIngest, workers) })
	start(func() error { return r.service.workOn(ctx, bus.QueueAssess, workers) })
	start(func() error { return r.service.workOn(ctx, bus.QueueConditions, 1) })
	start(func() error { return r.service.own(ctx, r.programme, r.bundle) })
	start(func() error {
		o := r.alerts
		o.Owned = &r.service.keepers
		return r.service.ownAlerts(ctx, r.programme, o)
	})
	if r.archive.Dir != "" {
		o := r.archive
		o.Owned = &r.service.archiver
		start(func() error { return r.service.keepArchive(ctx, o, r.programme) })
	}
	health := make(chan struct{})
	r.clock.Go(func() {
		defer close(health)
		r.service.sayHealth(ctx, r.roles)
	})
	err := r.clock.Run(ctx, r.until, func(ctx context.Context) bool {
		return len(r.service.owned.all()) == 1 && len(r.service.keepers.all()) == 1 && r.service.quiet(ctx)
	})
	var drained error
	if keeper := r.service.archiver.get(); keeper != nil && err == nil {
		drained = keeper.Drain(ctx)
	}
	cancel()
	group.Wait()
	<-health
	if drained != nil {
		return fmt.Errorf("archive: %w", drained)
	}
	select {
	case err := <-failed:
		return err
	default:
	}
	return err
}

// rehearse is watch --rehearsal.
func (c *watchCommand) rehearse(env *environment) error {
	data := c.Data
	if data == "" {
		folder, err := os.MkdirTemp("", "rimeline-rehearsal-")
		if err != nil {
			return err
		}
		defer os.RemoveAll(folder)
		data = folder
	}
	level := slog.LevelError
	if c.Verbose {
		level = slog.LevelInfo
	}
	r, err := newRehearsal(env, rehearsalOptions{
		seed: c.Seed, speed: c.Speed, data: data, listen: c.Listen, access: true, routes: c.Alerts, archive: c.Archive, log: operate.Logger(env.Stderr, isTerminal(env.Stderr), level),
	})
	if err != nil {
		return err
	}
	defer r.Close()
	if err := c.servePages(env, r); err != nil {
		return err
	}
	c.introduce(env, r, data)

	watching, stop := context.WithCancel(env)
	defer stop()
	var shown sync.WaitGroup
	view := newBoard(env.Stdout, r.programme, fmt.Sprintf("rehearsal of an invented storm, speed %s", speedText(c.Speed)))
	shown.Go(func() {
		for stored, err := range r.service.bus.Follow(watching, bus.FollowOptions{Kinds: []bus.Kind{bus.Score, bus.Outlook, bus.Alert, bus.DeadLetter, bus.Health}, Since: bus.FromAll}) {
			if err != nil {
				if watching.Err() == nil {
					env.warn("%v", err)
				}
				continue
			}
			if env.JSON {
				_ = json.NewEncoder(env.Stdout).Encode(stored.Event) // the reader has gone
				continue
			}
			view.take(stored.Event)
		}
	})
	err = r.run(env, c.workers())
	if err == nil {
		time.Sleep(300 * time.Millisecond) // the last messages are on their way to the board
	}
	stop()
	shown.Wait()
	if err != nil && !errors.Is(err, context.Canceled) {
		return err
	}
	if env.JSON {
		return nil
	}
	// What has been published so far can be compared even where it was stopped.
	return r.summarise(context.WithoutCancel(env), env)
}

func speedText(speed float64) string {
	if speed == 0 {
		return "as fast as it goes"
	}
	return fmt.Sprintf("%g", speed)
}

// servePages serves the pages of the rehearsal. That something else has the address
// is no reason not to rehearse.
func (c *watchCommand) servePages(env *environment, r *rehearsalRun) error {
	if c.Pages == "none" {
		return nil
	}
	link := strings.TrimRight(c.PagesURL, "/")
	o := pagesOptions{programmes: []*programme.Programme{r.programme}, exercise: true, publishAck: r.service.publishAck, address: c.Pages, signers: map[string]*alert.Signer{}}
	if r.alerts.Routes {
		base := link
		if base == "" {
			base = "http://" + c.Pages
		}
		signer, err := alertSigner(r.programme, base)
		if err != nil {
			return err
		}
		o.signers[r.programme.ID] = signer
	}
	if u, err := url.Parse(link); err == nil && u.Host != "" {
		o.hosts = append(o.hosts, u.Hostname())
	}
	ctx, stop := context.WithCancel(env)
	at, done, err := r.service.servePages(ctx, o, c.AnyPages)
	if err != nil {
		stop()
		env.warn("no pages: %v", err)
		return nil
	}
	r.close = append(r.close, func() { stop(); <-done })
	if r.alerts.PagesURL = link; link == "" {
		r.alerts.PagesURL = "http://" + at
	}
	return nil
}

// withAlerts puts the section alerts of a file in the place of a programme's own.
func withAlerts(programmeYAML, file string) (string, error) {
	text, err := readFileBytes(file, maxProgrammeBytes)
	if err != nil {
		return "", err
	}
	of := func(text string) (section, rest string) {
		var within bool
		var in, out strings.Builder
		for line := range strings.Lines(text) {
			if line[0] != ' ' && line[0] != '#' && line[0] != '\n' && line[0] != '\r' && line[0] != '-' {
				within = strings.HasPrefix(line, "alerts:")
			}
			if within {
				in.WriteString(line)
			} else {
				out.WriteString(line)
			}
		}
		return in.String(), out.String()
	}
	section, _ := of(string(text))
	if section == "" {
		return "", fmt.Errorf("%s: has no section alerts", file)
	}
	_, rest := of(programmeYAML)
	return strings.TrimRight(rest, "\n") + "\n\n" + section, nil
}

// introduce says what is going to be seen.
func (c *watchCommand) introduce(env *environment, r *rehearsalRun, data string) {
	if env.JSON {
		return
	}
	p := &page{w: env.Stdout}
	p.printf("%s\n", r.programme.Name)
	p.printf("An invented storm of %.0f hours, from %s, over invented places; nothing leaves this computer.\n",
		r.scenario.End().Sub(r.scenario.Start()).Hours(), r.scenario.Start().Format("2 Jan 2006 15:04 UTC"))
	p.printf("The stores, the formats, the bus and the judgement are those of the real service; only clock and weather are not.\n\n")
	if r.alerts.PagesURL != "" {
		p.printf("Pages of sites, holds and alerts: %s\n", r.alerts.PagesURL)
	}
	p.printf("Take part from another terminal: rimeline hold list --data %s (also hold set, hold lift, ack, release add, follow).\n\n", data)
	p.printf("  > window   agent released now is expected to work      x hold    a criterion suspends seeding, or cannot be judged\n")
	p.printf("    building an opportunity is forecast                  ! blind   inputs too old or missing to judge\n")
	p.printf("    quiet    none in sight\n\n")
	p.printf("Advice for people on duty: permit, licensed operator and local codes decide. Press Ctrl-C for the summary.\n\n")
}

// publishedState is the state of a site from a moment on.
type publishedState struct {
	at    time.Time
	state seedability.State
}

// published reads back what was said of each site, by time.
func (r *rehearsalRun) published(ctx context.Context) (map[string][]publishedState, error) {
	states := map[string][]publishedState{}
	for stored, err := range r.service.bus.ReadBack(ctx, bus.Score) {
		if err != nil {
			return nil, err
		}
		var a seedability.Assessment
		if err := json.Unmarshal(stored.Event.Data, &a); err != nil {
			return nil, err
		}
		states[a.Site.ID] = append(states[a.Site.ID], publishedState{a.AsOf, a.State})
	}
	for _, row := range states {
		slices.SortStableFunc(row, func(a, b publishedState) int { return a.at.Compare(b.at) })
	}
	return states, nil
}

// stretch of time in one state.
type stretch struct{ from, to time.Time }

func (s stretch) minutes() float64 { return s.to.Sub(s.from).Minutes() }

// stretches lists when a site was in a state; the last lasts to the end.
func stretches(row []publishedState, state seedability.State, end time.Time) []stretch {
	var found []stretch
	for k := 0; k < len(row); k++ {
		if row[k].state != state {
			continue
		}
		from := row[k].at
		for k+1 < len(row) && row[k+1].state == state {
			k++
		}
		to := end
		if k+1 < len(row) {
			to = row[k+1].at
		}
		found = append(found, stretch{from, to})
	}
	return found
}

// overlapWith is the time that two stretches share.
func (s stretch) overlapWith(o stretch) time.Duration {
	from, to := later(s.from, o.from), s.to
	if o.to.Before(to) {
		to = o.to
	}
	return max(to.Sub(from), 0)
}

// summarise compares what was published with what the storm held.
func (r *rehearsalRun) summarise(ctx context.Context, env *environment) error {
	states, err := r.published(ctx)
	if err != nil {
		return err
	}
	end := r.clock.Now()
	p := &page{w: env.Stdout}
	p.printf("\nWhat was known in truth, and what was published, %s to %s UTC\n\n", r.scenario.Start().Format("15:04"), end.Format("15:04"))
	rows := [][]string{{"SITE", "TRUE WINDOW, HOLDS TAKEN OUT", "PUBLISHED", "OPENED", "CLOSED", "OF IT"}}
	missed, false_ := 0, 0.0
	truths := truthOf(r.scenario, r.programme)
	for _, truth := range truths {
		name, told := r.programme.Site(truth.site).Name, false
		windows := stretches(states[truth.site], seedability.StateWindow, end)
		used := make([]bool, len(windows))
		for _, w := range truth.windows {
			if w.open.After(end.Add(15 * time.Minute)) {
				continue
			}
			whole := stretch{w.open, w.close}
			allowed := r.allowedOf(truth.site, w)
			if len(allowed) == 0 {
				rows = append(rows, []string{name, span(whole), "suspended: " + r.heldText(truth.site, whole), "", "", ""})
				told = true
			}
			for _, true_ := range allowed {
				row := []string{name, span(true_), "none", "", "missed", ""}
				var shared time.Duration
				for k, published := range windows {
					if o := published.overlapWith(true_); o > 0 {
						if shared == 0 {
							row[2], row[3] = span(published), lateness(published.from.Sub(true_.from))
						} else {
							row[2] += ", " + span(published)
						}
						row[4] = lateness(published.to.Sub(true_.to))
						used[k] = true
						shared += o
					}
				}
				if shared == 0 {
					missed++
				} else {
					row[5] = fmt.Sprintf("%.0f %%", 100*shared.Minutes()/true_.minutes())
				}
				rows = append(rows, row)
				told = true
			}
		}
		for k, published := range windows {
			if !used[k] {
				rows = append(rows, []string{name, "none", span(published), "", "a false window", ""})
				false_ += published.minutes()
				told = true
			}
		}
		if !told {
			rows = append(rows, []string{name, "none", "none", "", "", ""})
		}
	}
	p.table("", rows)
	if err := r.summariseHolds(ctx, p, end); err != nil {
		return err
	}
	p.printf("\n")
	for _, e := range r.scenario.Episodes() {
		if e.From.After(end) {
			continue
		}
		p.printf("  %s  %s. %s\n", span(stretch{e.From, e.To}), strings.ToUpper(e.Name[:1])+e.Name[1:], r.heardOf(e, states, end))
	}
	p.printf("\n  %s missed, %.0f minutes of windows that were none.\n", count(missed, "window"), false_)
	return nil
}

func span(s stretch) string { return s.from.Format("15:04") + "-" + s.to.Format("15:04") }

// heardOf says what was published during an episode of the storm.
func (r *rehearsalRun) heardOf(e rehearsal.Episode, states map[string][]publishedState, end time.Time) string {
	within := stretch{e.From, e.To}
	share := map[seedability.State]float64{}
	total := 0.0
	for _, row := range states {
		for _, state := range []seedability.State{seedability.StateWindow, seedability.StateHold, seedability.StateBlind, seedability.StateBuilding, seedability.StateQuiet} {
			for _, s := range stretches(row, state, end) {
				minutes := s.overlapWith(within).Minutes()
				share[state] += minutes
				total += minutes
			}
		}
	}
	if total == 0 {
		return "Nothing was published."
	}
	var parts []string
	for _, state := range []seedability.State{seedability.StateWindow, seedability.StateBuilding, seedability.StateQuiet, seedability.StateHold, seedability.StateBlind} {
		if percent := 100 * share[state] / total; percent >= .5 {
			parts = append(parts, fmt.Sprintf("%s %.0f %%", state, percent))
		}
	}
	return "Published: " + strings.Join(parts, ", ") + "."
}
