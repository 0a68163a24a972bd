package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"os"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/operate"
	"rimeline/ingest/feed"
	stores "rimeline/ingest/source"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// processFlags are common to watch and work.
type processFlags struct {
	Data       string `placeholder:"DIR" help:"Where streams and fetched files are kept; left out: $STATE_DIRECTORY, or rimeline below the user's state folder."`
	Workers    int    `placeholder:"N" help:"How many jobs of a kind at once; one a processor core if left out."`
	CacheMB    int    `name:"cache-mb" default:"2000" placeholder:"MB" help:"How much of what was fetched is kept on disk; 0 for nothing."`
	Metrics    string `default:"127.0.0.1:9410" placeholder:"HOST:PORT" help:"Where /metrics, /healthz and /readyz are served, on this computer; \"none\" for nowhere."`
	AnyMetrics bool   `name:"metrics-for-all" help:"Let --metrics be reached from other computers."`
	Verbose    bool   `short:"v" help:"Log every input and job."`
}

// node is one process of the service.
type node struct {
	*service
	flags      *processFlags
	data       *operate.Data
	server     *bus.Server // nil where the bus is elsewhere
	heartbeats *operate.Heartbeats
	notifier   *operate.Notifier
	full       atomic.Bool
	roles      []string
	pageFlags  *pageFlags // nil for no pages
	archive    archiveOptions
	close      []func()
}

// Of the disk; common practice, no source.
const (
	diskLowBytes  = 2 << 30
	diskFullBytes = 512 << 20
)

// dataFolder is where a process keeps its state unless it is told.
func (f *processFlags) dataFolder() (string, error) {
	if f.Data != "" {
		return f.Data, nil
	}
	if folder := os.Getenv("STATE_DIRECTORY"); folder != "" { // of systemd
		return strings.Split(folder, ":")[0], nil
	}
	if folder := os.Getenv("XDG_STATE_HOME"); folder != "" {
		return filepath.Join(folder, "rimeline"), nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("--data: %w", err)
	}
	return filepath.Join(home, ".local", "state", "rimeline"), nil
}

func (f *processFlags) workers() int {
	if f.Workers > 0 {
		return f.Workers
	}
	return runtime.GOMAXPROCS(0)
}

func (f *processFlags) logger(env *environment) *slog.Logger {
	level := slog.LevelInfo
	if f.Verbose {
		level = slog.LevelDebug
	}
	return operate.Logger(env.Stderr, isTerminal(env.Stderr), level)
}

// newNode opens the data folder, joins or starts the bus, and makes the service.
// address is empty for a bus of this process.
func newNode(env *environment, f *processFlags, roles []string, address string, options bus.Options, own bus.ServerOptions) (n *node, err error) {
	n = &node{flags: f, roles: roles, heartbeats: &operate.Heartbeats{}, notifier: operate.NewNotifier()}
	made := n
	defer func() {
		if err != nil {
			made.Close()
		}
	}()
	log := f.logger(env)
	folder, err := f.dataFolder()
	if err != nil {
		return nil, err
	}
	if n.data, err = operate.OpenData(folder); err != nil {
		return nil, err
	}
	n.close = append(n.close, func() { n.data.Close() })
	for _, done := range n.data.Migrated {
		log.Info("data folder", "done", done)
	}
	worker := workerName()
	options.Name = "rimeline " + worker
	var connection *bus.Bus
	if address == "" {
		if options.StoreBytes, err = storeBytes(n.data); err != nil {
			return nil, err
		}
		own.MaxStoreBytes = options.StoreBytes + options.StoreBytes/4
		access, err := openLocalAccess(n.data.Root, &own)
		if err != nil {
			return nil, err
		}
		n.close = append(n.close, access.Close)
		if n.server, err = bus.EmbeddedWith(n.data.Bus, own); err != nil {
			return nil, err
		}
		n.close = append(n.close, n.server.Close)
		if connection, err = n.server.Connect(env, options); err != nil {
			return nil, err
		}
		if at := n.server.Address(); at != "" {
			log.Info("the bus listens", "address", at)
		}
		if err := access.announce(n.server.Address()); err != nil {
			return nil, err
		}
	} else if connection, err = bus.Connect(env, address, options); err != nil {
		return nil, err
	}
	n.close = append(n.close, connection.Close)
	if err := connection.EnsureStreams(env); err != nil {
		return nil, err
	}
	if err := connection.EnsureQueues(env); err != nil {
		return nil, err
	}
	var cache *feed.Cache
	if f.CacheMB > 0 && slices.Contains(roles, roleIngest) {
		if cache, err = feed.OpenCache(n.data.Cache, int64(f.CacheMB)<<20); err != nil {
			return nil, err
		}
	}
	client := feed.New(feed.Options{UserAgent: userAgent(), Cache: cache})
	n.close = append(n.close, client.CloseIdleConnections)
	metrics := operate.NewMetrics(version())
	n.service = newService(&service{
		clock: clock.Wall{}, bus: connection, fetcher: client, rare: env.Rare, log: log, metrics: metrics, worker: worker,
		paused: n.full.Load, heartbeats: n.heartbeats,
	})
	return n, nil
}

// storeBytes is what the streams may take of the disk: their usual sizes, or half
// of what is free where that is less.
func storeBytes(data *operate.Data) (int64, error) {
	const usual = 6 << 30
	free, err := data.Free()
	if err != nil {
		return 0, err
	}
	return min(usual, free/2), nil
}

// Close ends everything, last made first.
func (n *node) Close() {
	for _, end := range slices.Backward(n.close) {
		end()
	}
	n.close = nil
}

// owning is a programme whose schedule a process may keep.
type owning struct {
	programme *programme.Programme
	bundle    bundle
}

// run does what the roles ask for until ctx ends.
func (n *node) run(ctx context.Context, programmes []owning) error {
	stopping, release := operate.Shutdown(ctx, operate.ShutdownOptions{Log: n.log, Asked: func() { _ = n.notifier.Stopping() }})
	defer release()
	running, cancel := context.WithCancel(stopping)
	defer cancel()
	var group sync.WaitGroup
	failed := make(chan error, 1)
	start := func(what string, work func(context.Context) error) {
		group.Go(func() {
			if err := work(running); err != nil && running.Err() == nil {
				select {
				case failed <- fmt.Errorf("%s: %w", what, err):
				default:
				}
				cancel()
			}
		})
	}
	if slices.Contains(n.roles, roleIngest) {
		start("ingest", func(ctx context.Context) error { return n.workOn(ctx, bus.QueueIngest, n.flags.workers()) })
	}
	if slices.Contains(n.roles, roleAssess) {
		start("assess", func(ctx context.Context) error { return n.workOn(ctx, bus.QueueAssess, n.flags.workers()) })
		start("conditions", func(ctx context.Context) error { return n.workOn(ctx, bus.QueueConditions, 1) })
	}
	pagesURL, pagesDone, err := n.startPages(running, programmes)
	if err != nil {
		cancel()
		group.Wait()
		return err
	}
	for _, o := range programmes {
		if !slices.Contains(n.roles, roleAlerts) {
			break
		}
		// A secret that is missing is told now and not in the first storm.
		if _, err := n.newAlertKeeper(o.programme, alertKeeperOptions{Routes: true, PagesURL: pagesURL}); err != nil {
			cancel()
			group.Wait()
			return err
		}
	}
	if n.archive.Dir != "" {
		var all []*programme.Programme
		for _, o := range programmes {
			all = append(all, o.programme)
		}
		start("archive", func(ctx context.Context) error { return n.keepArchive(ctx, n.archive, all...) })
	}
	for _, o := range programmes {
		if slices.Contains(n.roles, roleSchedule) {
			start("programme "+o.programme.ID, func(ctx context.Context) error { return n.own(ctx, o.programme, o.bundle) })
		}
		if slices.Contains(n.roles, roleAlerts) {
			start("alerts of "+o.programme.ID, func(ctx context.Context) error {
				return n.ownAlerts(ctx, o.programme, alertKeeperOptions{Routes: true, PagesURL: pagesURL, Owned: &n.keepers})
			})
		}
	}
	group.Go(func() { n.sayHealth(running, n.roles) })
	group.Go(func() {
		operate.WatchClock(running, time.Second, func(jump time.Duration) {
			n.metrics.ClockJump(jump)
			n.log.Warn("the clock of this computer was moved; ages of inputs count by the new time", "by", jump)
		})
	})
	group.Go(func() {
		operate.WatchDisk(running, n.data, operate.DiskOptions{LowBytes: diskLowBytes, FullBytes: diskFullBytes,
			Changed: n.diskChanged, Measured: func(r operate.DiskReport) { n.metrics.DiskFree(r.FreeBytes) }})
	})
	if n.flags.Metrics != "none" {
		at, err := operate.Serve(running, n.flags.Metrics, n.metrics, n.ready, operate.ServeOptions{Heartbeats: n.heartbeats, AnyAddress: n.flags.AnyMetrics, Log: n.log})
		if err != nil {
			cancel()
			group.Wait()
			return fmt.Errorf("%w (--metrics none for nowhere)", err)
		}
		n.log.Info("metrics and health", "address", at)
	}
	if n.server != nil {
		group.Go(func() { n.mendServer(running) })
	}
	group.Go(func() { n.measure(running) })
	n.log.Info("running", "version", version(), "worker", n.worker, "roles", strings.Join(n.roles, ","), "data", n.data.Root)
	if err := n.notifier.Ready(); err != nil {
		n.log.Warn("the service manager was not told", "error", err)
	}
	group.Go(func() { n.notifier.Watchdog(running, n.heartbeats.Alive) })
	<-running.Done()
	group.Wait()
	<-pagesDone
	select {
	case err := <-failed:
		return err
	default:
	}
	n.log.Info("stopped, nothing is lost")
	return nil
}

// pageFlags say where pages are served.
type pageFlags struct {
	Pages    string `default:"127.0.0.1:9420" placeholder:"HOST:PORT" help:"Where the pages of sites, holds and alerts are served, on this computer; left out: 127.0.0.1:9420; \"none\" for nowhere."`
	AnyPages bool   `name:"pages-for-all" help:"Let --pages be reached from other computers. They ask nobody for a password: better a proxy that does."`
	PagesURL string `name:"pages-url" placeholder:"URL" help:"Address under which people reach the pages, for the links in alerts; left out: that of --pages."`
}

// startPages serves the pages of the programmes, and gives their address for links.
func (n *node) startPages(ctx context.Context, programmes []owning) (link string, done <-chan struct{}, err error) {
	never := make(chan struct{})
	close(never)
	if n.pageFlags == nil || len(programmes) == 0 || slices.Equal(n.roles, []string{roleArchive}) {
		return "", never, nil
	}
	link = strings.TrimRight(n.pageFlags.PagesURL, "/")
	if n.pageFlags.Pages == "none" {
		return link, never, nil
	}
	if link == "" {
		link = "http://" + n.pageFlags.Pages
	}
	o := pagesOptions{address: n.pageFlags.Pages, signers: map[string]*alert.Signer{}, publishAck: n.publishAck}
	for _, one := range programmes {
		o.programmes = append(o.programmes, one.programme)
		if slices.Contains(n.roles, roleAlerts) {
			if o.signers[one.programme.ID], err = alertSigner(one.programme, link); err != nil {
				return "", never, fmt.Errorf("%s: alerts: %w", one.programme.File, err)
			}
		}
	}
	if u, err := url.Parse(link); err == nil && u.Host != "" {
		o.hosts = append(o.hosts, u.Hostname())
	}
	at, done, err := n.servePages(ctx, o, n.pageFlags.AnyPages)
	if err != nil {
		return "", never, fmt.Errorf("%w (--pages none for nowhere)", err)
	}
	n.log.Info("pages", "address", "http://"+at)
	if n.pageFlags.PagesURL == "" {
		link = "http://" + at
	}
	return link, done, nil
}

// publishAck stores an acknowledgement that came by a page.
func (s *service) publishAck(ctx context.Context, a message.Ack) error {
	event, err := bus.NewEvent(bus.Ack, a.Programme, bus.Whole, a.At, a)
	if err != nil {
		return err
	}
	_, err = s.bus.Publish(ctx, event)
	return err
}

// mendServer starts the server in this process again after it could not write,
// once there is room: it refuses to store anything more until then.
func (n *node) mendServer(ctx context.Context) {
	said := false
	for n.clock.Sleep(ctx, 5*time.Second, nil) == nil {
		err := n.server.Healthy()
		if err == nil {
			said = false
			continue
		}
		if !said {
			n.log.Error("the bus cannot store", "error", err)
			said = true
		}
		if n.full.Load() || !errors.Is(err, bus.ErrStoreBroken) {
			continue
		}
		if err := n.server.Restart(); err != nil {
			n.log.Error("the bus could not be started again", "error", err)
			continue
		}
		n.log.Warn("the bus was started again and stores")
	}
}

// measure sets the gauges that nobody else sets.
func (n *node) measure(ctx context.Context) {
	for {
		for _, q := range bus.Queues() {
			if state, err := n.bus.QueueState(ctx, q); err == nil {
				n.metrics.QueueWaiting(string(q), int(state.Waiting))
			}
		}
		for _, c := range n.owned.all() {
			for _, source := range c.health() {
				if !source.NewestTime.IsZero() {
					n.metrics.InputAge(source.Programme, source.Source, n.clock.Now().Sub(source.NewestTime))
				}
			}
			states := map[string]int{}
			for k := range c.programme.Sites {
				var a struct {
					State string `json:"state"`
				}
				if known, err := n.latest(ctx, bus.Score, c.programme.ID, c.programme.Sites[k].ID, &a); err == nil && known {
					states[a.State]++
				}
			}
			n.metrics.Sites(c.programme.ID, states)
		}
		if n.clock.Sleep(ctx, 15*time.Second, nil) != nil {
			return
		}
	}
}

func (n *node) diskChanged(r operate.DiskReport) {
	n.full.Store(r.State == operate.DiskFull)
	switch r.State {
	case operate.DiskFull:
		n.log.Error("the disk is full: nothing is fetched until there is room", "free_bytes", r.FreeBytes)
	case operate.DiskLow:
		n.log.Warn("the disk is filling up", "free_bytes", r.FreeBytes)
	default:
		n.log.Info("there is room on the disk again", "free_bytes", r.FreeBytes)
	}
}

// ready lists what must hold for the process to be of use.
func (n *node) ready() []operate.Check {
	ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
	defer cancel()
	checks := []operate.Check{n.data.DiskCheck()}
	if n.server != nil {
		check := operate.Check{Name: "bus in this process", OK: true, Detail: "stores"}
		if err := n.server.Healthy(); err != nil {
			check.OK, check.Detail = false, err.Error()
		}
		checks = append(checks, check)
	}
	for _, q := range bus.Queues() {
		state, err := n.bus.QueueState(ctx, q)
		check := operate.Check{Name: "queue " + string(q), OK: err == nil, Detail: fmt.Sprintf("%d waiting, %d running", state.Waiting, state.Running)}
		if err != nil {
			check.Detail = err.Error()
		}
		checks = append(checks, check)
	}
	for _, c := range n.owned.all() {
		for _, source := range c.health() {
			check := operate.Check{Name: "source " + source.Source + " of " + source.Programme, OK: !source.LastSuccessTime.IsZero(), Detail: "no answer yet"}
			if check.OK {
				check.Detail = "last answered " + source.LastSuccessTime.Format(time.RFC3339)
			}
			checks = append(checks, check)
		}
	}
	return checks
}

// readProgrammes reads the files, and holds their sources against what there is.
func readProgrammes(env *environment, files []string) ([]owning, error) {
	var all []owning
	seen := map[string]string{}
	for _, file := range files {
		p, b, err := bundleOf(file)
		if err != nil {
			return nil, err
		}
		if other, twice := seen[p.ID]; twice {
			return nil, fmt.Errorf("%s and %s both describe programme %s", other, file, p.ID)
		}
		seen[p.ID] = file
		model := false
		for id, need := range (&service{}).needsOf(p) {
			if err := need.Check(); err != nil {
				return nil, fmt.Errorf("%s: input %s: %w", file, id, err)
			}
			if s, ok := stores.Find(need.Source); ok && s.Kind == stores.KindModel {
				model = true
			}
		}
		for _, input := range p.Inputs {
			if len(input.Paths) > 0 && !forCriteria(input.Kind) {
				env.warn("%s: input %s names files; the service takes sources only, and leaves it out", file, input.ID)
			}
		}
		for _, missing := range p.MissingEvidence() {
			env.warn("%s: %s", file, missing)
		}
		if !model {
			return nil, fmt.Errorf("%s: no input takes a model from a source (source: hrrr, for example; \"rimeline sources\" lists them)", file)
		}
		all = append(all, owning{p, b})
	}
	return all, nil
}
