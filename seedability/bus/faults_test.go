package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os/signal"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"golang.org/x/sys/unix"
)

// workChild owns a lease and takes jobs; a job "fatal" it publishes for and then
// never ends.
func workChild(values []string) error {
	ctx := context.Background()
	b, err := Connect(ctx, values[0], Options{})
	if err != nil {
		return err
	}
	l, err := b.Acquire(ctx, "schedule.larkspur", "child", 2*time.Second)
	if err != nil {
		return err
	}
	go func() { fmt.Println("lease", l.Keep(ctx)) }()
	go func() {
		fmt.Println(b.Work(ctx, QueueAssess, WorkOptions{AckWait: time.Second}, func(ctx context.Context, j Job, delivery int) error {
			err := publishResult(ctx, b, j)
			fmt.Println("published", j.ID, l.Token(), err)
			if j.ID == "fatal" {
				select {}
			}
			return err
		}))
	}()
	return nil
}

// publishResult is what a handler does: an event whose id comes from the job.
func publishResult(ctx context.Context, b *Bus, j Job) error {
	e, err := NewEvent(Score, j.Programme, "saddlehorn", j.Created, j.ID)
	if err != nil {
		return err
	}
	_, err = b.Publish(ctx, e)
	return err
}

// results counts what was published, by job.
func results(t testing.TB, b *Bus) map[string]int {
	t.Helper()
	count := map[string]int{}
	for _, stored := range readBack(t, b) {
		var id string
		if err := json.Unmarshal(stored.Event.Data, &id); err != nil {
			t.Fatal(err)
		}
		count[id]++
	}
	return count
}

// once checks that every job has one result.
func once(t testing.TB, b *Bus, jobs int) {
	t.Helper()
	got := results(t, b)
	if len(got) != jobs {
		t.Errorf("results of %d jobs, want %d", len(got), jobs)
	}
	for id, n := range got {
		if n != 1 {
			t.Errorf("job %s has %d results", id, n)
		}
	}
}

// A worker is killed in the middle of a job, after it has published: another does
// the job again, nothing is published twice, and another owns its lease.
func TestWorkerKilled(t *testing.T) {
	t.Parallel() // it mostly waits
	dir, port := t.TempDir(), freePort(t)
	c := startChild(t, dir, port)
	b, err := Connect(t.Context(), c.address, Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, ensure := range []func(context.Context) error{b.EnsureStreams, b.EnsureQueues} {
		if err := ensure(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	victim := startRole(t, "worker", c.address)
	submit(t, b, job("harmless", 1))
	submit(t, b, job("fatal", 1))
	var token uint64
	for _, id := range []string{"harmless", "fatal"} {
		line, err := victim.lines.ReadString('\n')
		if _, scanErr := fmt.Sscanf(line, "published "+id+" %d <nil>\n", &token); err != nil || scanErr != nil {
			t.Fatalf("worker: %q %v %v", line, err, scanErr)
		}
	}
	if _, err := b.Acquire(t.Context(), "schedule.larkspur", "parent", 2*time.Second); !errors.Is(err, ErrHeld) {
		t.Errorf("the lease of a living worker: %v", err)
	}
	eventually(t, "the harmless job is off the queue", func() bool { s := queueState(t, b); return s.Waiting == 0 && s.Running == 1 })
	victim.kill()

	var mu sync.Mutex
	done := map[string]int{}
	w := startWork(t, b, WorkOptions{}, func(ctx context.Context, j Job, delivery int) error {
		mu.Lock()
		done[j.ID] = delivery
		mu.Unlock()
		return publishResult(ctx, b, j)
	})
	l, err := b.AcquireWait(t.Context(), "schedule.larkspur", "parent", 2*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	if l.Token() <= token {
		t.Errorf("token %d after %d", l.Token(), token)
	}
	eventually(t, "the job is done again", func() bool { return w.count(WorkDone) == 1 })
	mu.Lock()
	if len(done) != 1 || done["fatal"] != 2 {
		t.Errorf("done by the other worker, by delivery: %v", done)
	}
	mu.Unlock()
	once(t, b, 2)
	if state := queueState(t, b); state != (QueueState{}) {
		t.Errorf("left: %+v", state)
	}
}

// load submits and works off jobs until it is told to stop, and does not return
// before every job that was taken is done.
type load struct {
	worker *testWorker
	stop   func()
	jobs   int
}

// more waits until n more jobs are done.
func (l *load) more(t testing.TB, n int) {
	t.Helper()
	n += l.worker.count(WorkDone)
	eventually(t, "jobs are done", func() bool { return l.worker.count(WorkDone) >= n })
}

func startLoad(t testing.TB, submitter, worker *Bus, o WorkOptions) *load {
	l := &load{}
	w := startWork(t, worker, o, func(ctx context.Context, j Job, _ int) error { return publishResult(ctx, worker, j) })
	l.worker = w
	ctx, cancel := context.WithCancel(t.Context())
	submitted := make(chan struct{})
	go func() {
		defer close(submitted)
		for ; ctx.Err() == nil; l.jobs++ {
			if _, err := submitter.Submit(t.Context(), job(fmt.Sprint("job-", l.jobs), nil)); err != nil {
				t.Errorf("job %d: %v", l.jobs, err)
				return
			}
			time.Sleep(2 * time.Millisecond)
		}
	}()
	l.stop = func() {
		t.Helper()
		cancel()
		<-submitted
		// The server may count a moment behind, so two looks have to agree.
		empty := 0
		eventually(t, "all jobs are done", func() bool {
			s, err := submitter.QueueState(t.Context(), QueueAssess)
			if err == nil && s.Waiting == 0 && s.Running == 0 {
				empty++
			}
			return empty >= 2
		})
		w.stop()
		if n := w.count(WorkDead); n > 0 {
			t.Errorf("%d jobs were buried", n)
		}
	}
	return l
}

// The server is killed and started again while jobs are submitted and done, and a
// lease is kept: no job is lost, none has two results, nothing that was
// acknowledged is gone.
func TestServerKilledUnderLoad(t *testing.T) {
	t.Parallel() // it mostly waits
	dir, port := t.TempDir(), freePort(t)
	c := startChild(t, dir, port)
	connect := func() *Bus {
		b, err := Connect(t.Context(), c.address, Options{AttemptTime: 300 * time.Millisecond})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(b.Close)
		return b
	}
	submitter, worker := connect(), connect()
	for _, ensure := range []func(context.Context) error{submitter.EnsureStreams, submitter.EnsureQueues} {
		if err := ensure(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	lease, err := submitter.Acquire(t.Context(), "schedule.larkspur", "lodge", 20*time.Second)
	if err != nil {
		t.Fatal(err)
	}
	keeping, end := context.WithCancel(t.Context())
	kept := make(chan error, 1)
	go func() { kept <- lease.Keep(keeping) }()

	l := startLoad(t, submitter, worker, WorkOptions{Concurrency: 4, AckWait: time.Second})
	for range 3 {
		l.more(t, 40)
		c.kill()
		c = startChild(t, dir, port)
	}
	l.more(t, 40)
	l.stop()
	t.Logf("%d jobs", l.jobs)
	once(t, submitter, l.jobs)
	end()
	if err := <-kept; err != nil || isLost(lease) {
		t.Errorf("lease: %v", err)
	}
	if err := lease.Renew(t.Context()); err != nil {
		t.Errorf("lease: %v", err)
	}
}

// diskChild fills a disk: no file may grow beyond a size. What it finds wrong it
// returns.
func diskChild(values []string) error {
	signal.Ignore(syscall.SIGXFSZ) // then it is an error of the write
	limit := func(most uint64) error {
		return syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: most, Max: unix.RLIM_INFINITY})
	}
	s, err := EmbeddedWith(values[0], ServerOptions{Listen: "127.0.0.1:0"})
	if err != nil {
		return err
	}
	ctx, o := context.Background(), Options{AttemptTime: 300 * time.Millisecond, RetryTime: time.Second}
	b, err := s.Connect(ctx, o)
	if err != nil {
		return err
	}
	far, err := Connect(ctx, s.Address(), o)
	if err != nil {
		return err
	}
	if err := b.EnsureStreams(ctx); err != nil {
		return err
	}
	data := func(k int) string { return fmt.Sprintf("%04d%s", k, noiseText(8<<10)) }
	put := func(b *Bus, data string) error {
		e, err := NewEvent(Score, "larkspur", "saddlehorn", releaseTime, data)
		if err != nil {
			return err
		}
		_, err = b.Publish(ctx, e)
		return err
	}
	if err := limit(256 << 10); err != nil {
		return err
	}
	stored := 0
	for ; err == nil && stored < 1000; stored++ {
		err = put(b, data(stored))
	}
	stored-- // the last failed
	if stored < 10 || !errors.Is(err, ErrStoreBroken) || !strings.Contains(err.Error(), "file too large") {
		return fmt.Errorf("after %d messages: %w", stored, err)
	}
	if err := s.Healthy(); !errors.Is(err, ErrStoreBroken) {
		return fmt.Errorf("healthy: %w", err)
	}
	// Another process only meets silence, and is told what that may mean.
	if err := put(far, "far"); !errors.Is(err, context.DeadlineExceeded) || !strings.Contains(err.Error(), "disk") {
		return fmt.Errorf("from another process: %w", err)
	}
	if err := limit(unix.RLIM_INFINITY); err != nil {
		return err
	}
	if err := s.Restart(); err != nil {
		return err
	}
	if err := s.Healthy(); err != nil {
		return fmt.Errorf("after the restart: %w", err)
	}
	for _, one := range []*Bus{b, far} { // the same connections
		one.options.RetryTime = time.Minute
		if err := put(one, "room"+one.options.Name); err != nil {
			return fmt.Errorf("with room again: %w", err)
		}
		one.options.Name += "-far"
	}
	n := 0
	for message, err := range b.ReadBack(ctx, Score) {
		if err != nil {
			return err
		}
		var got string
		if err := json.Unmarshal(message.Event.Data, &got); err != nil {
			return err
		}
		if n < stored && got != data(n) {
			return fmt.Errorf("message %d holds %.20s", n, got)
		}
		n++
	}
	// The one that failed may have been written and not acknowledged.
	if n < stored+1 || n > stored+3 {
		return fmt.Errorf("%d messages, %d were acknowledged", n, stored+1)
	}
	return nil
}

// A disk that is full: publishing fails with the reason, nothing that was
// acknowledged is lost, and when there is room a restart within the process mends
// it for the connections that stand.
func TestDiskFull(t *testing.T) {
	t.Parallel()
	startRole(t, "disk", t.TempDir())
}

// noiseText does not compress well.
func noiseText(n int) []byte {
	const digits = "0123456789abcdef"
	text := noise(n)
	for k, b := range text {
		text[k] = digits[b&15]
	}
	return text
}

// The server's own limit is reached: it is said, and passes when room is made.
func TestStoreLimit(t *testing.T) {
	t.Parallel() // it mostly waits
	s, err := EmbeddedWith(t.TempDir(), ServerOptions{MaxStoreBytes: 16 << 20})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b, err := s.Connect(t.Context(), Options{RetryTime: 2 * time.Second})
	if err != nil {
		t.Fatal(err)
	}
	defer b.Close()
	for _, ensure := range []func(context.Context) error{b.EnsureStreams, b.EnsureQueues} {
		if err := ensure(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	// Streams of events let the oldest go, so publishing always succeeds.
	for k := range 250 {
		publish(t, b, event(t, "saddlehorn", releaseTime, fmt.Sprint(k, string(noiseText(32<<10)))))
	}
	all := readBack(t, b)
	if len(all) == 250 || len(all) < 50 {
		t.Errorf("%d messages are kept of 250, the limit is %d bytes", len(all), b.share(Score.MaxBytes))
	}
	// The object bucket does not: it refuses.
	n := 0
	for ; err == nil && n < 100; n++ {
		err = b.PutObject(t.Context(), fmt.Sprint("crop-", n), noise(1<<20), nil)
	}
	if !errors.Is(err, ErrFull) {
		t.Fatalf("after %d objects: %v", n, err)
	}
	if err := b.DeleteObject(t.Context(), "crop-0"); err != nil {
		t.Fatal(err)
	}
	if err := b.PutObject(t.Context(), "crop-new", noise(1<<20), nil); err != nil {
		t.Errorf("with room again: %v", err)
	}
	if err := s.Healthy(); err != nil {
		t.Error(err)
	}
}

// nodeChild is a node of a cluster by the sample configuration: folder of the
// configuration, number of the node, folder of the store, port for clients, and
// the three ports of the routes.
func nodeChild(values []string) error {
	config, number, store, port, routes := values[0], values[1], values[2], values[3], values[4:]
	options, err := server.ProcessConfigFile(filepath.Join(config, "nats-node"+number+".conf"))
	if err != nil {
		return err
	}
	// Only addresses are others than in the sample.
	n, err := strconv.Atoi(number)
	if err != nil {
		return err
	}
	options.HTTPHost, options.HTTPPort = "", 0
	options.Host, options.Cluster.Host = "127.0.0.1", "127.0.0.1"
	if options.Port, err = strconv.Atoi(port); err != nil {
		return err
	}
	if options.Cluster.Port, err = strconv.Atoi(routes[n-1]); err != nil {
		return err
	}
	var addresses []string
	for _, port := range routes {
		addresses = append(addresses, "tls://127.0.0.1:"+port)
	}
	options.Routes = server.RoutesFromStr(strings.Join(addresses, ","))
	_, err = embedded(store, options, nil)
	return err
}

// Three servers by the sample configuration, each a process, with three replicas
// of everything. One is killed under load, started again, and then another.
func TestClusterNodeKilledUnderLoad(t *testing.T) {
	t.Parallel() // it mostly waits
	config := sampleServer(t)
	routes := []string{freePort(t), freePort(t), freePort(t)}
	nodes, ports, stores := make([]*child, 3), make([]string, 3), make([]string, 3)
	var addresses []string
	for k := range nodes {
		ports[k], stores[k] = freePort(t), t.TempDir()
		addresses = append(addresses, "tls://127.0.0.1:"+ports[k])
	}
	start := func(k int) *child {
		return startRole(t, "node", append([]string{config, fmt.Sprint(k + 1), stores[k], ports[k]}, routes...)...)
	}
	var group sync.WaitGroup
	for k := range nodes {
		group.Go(func() { nodes[k] = start(k) })
	}
	group.Wait()
	if t.Failed() {
		return
	}
	all := strings.Join(addresses, ",")
	o := Options{Replicas: 3, AttemptTime: time.Second}
	setup := as(t, config, all, "setup", o)
	for _, ensure := range []func(context.Context) error{setup.EnsureStreams, setup.EnsureQueues} {
		if err := ensure(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	// Jobs that were with a node when it died come again sooner.
	consumer, err := setup.js.Consumer(t.Context(), QueueAssess.stream(), queueConsumer)
	if err != nil {
		t.Fatal(err)
	}
	faster := consumer.CachedInfo().Config
	faster.AckWait = 2 * time.Second
	if _, err := setup.js.UpdateConsumer(t.Context(), QueueAssess.stream(), faster); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{Score.Stream, QueueAssess.stream(), "KV_" + leaseBucket, "OBJ_" + inputsName, "KV_" + Score.Latest} {
		stream, err := setup.js.Stream(t.Context(), name)
		if err != nil {
			t.Fatal(err)
		}
		if got := stream.CachedInfo().Config.Replicas; got != 3 {
			t.Errorf("%s has %d replicas", name, got)
		}
	}
	submitter, worker, reader := as(t, config, all, "worker", o), as(t, config, all, "worker", o), as(t, config, all, "reader", o)
	if err := submitter.PutObject(t.Context(), "crop", noise(1<<20), nil); err != nil {
		t.Fatal(err)
	}
	lease, err := submitter.Acquire(t.Context(), "programme.larkspur", "lodge", time.Minute)
	if err != nil {
		t.Fatal(err)
	}
	keeping, end := context.WithCancel(t.Context())
	kept := make(chan error, 1)
	go func() { kept <- lease.Keep(keeping) }()
	l := startLoad(t, submitter, worker, WorkOptions{Concurrency: 4})
	began := time.Now()
	step := func(what string) { t.Logf("%5.1f s: %s", time.Since(began).Seconds(), what) }

	leader := func(name string) int {
		node := -1
		eventually(t, "a leader of "+name, func() bool {
			stream, err := setup.js.Stream(t.Context(), name)
			if err != nil {
				return false
			}
			if cluster := stream.CachedInfo().Cluster; cluster != nil {
				_, _ = fmt.Sscanf(cluster.Leader, "rimeline-%d", &node)
			}
			return node > 0
		})
		return node - 1
	}
	for _, name := range []string{Score.Stream, QueueAssess.stream()} { // one after the other
		l.more(t, 100)
		k := leader(name)
		nodes[k].kill()
		step(fmt.Sprintf("node %d, which leads %s, is killed", k+1, name))
		eventually(t, "another leader", func() bool { now := leader(name); return now != k })
		step("another leads")
		l.more(t, 100) // on two nodes
		nodes[k] = start(k)
		// Wait until it is one of three again, as an administrator does.
		eventually(t, "the node is current again", func() bool {
			for _, name := range []string{Score.Stream, QueueAssess.stream()} {
				stream, err := setup.js.Stream(t.Context(), name)
				if err != nil || stream.CachedInfo().Cluster == nil || len(stream.CachedInfo().Cluster.Replicas) != 2 {
					return false
				}
				for _, replica := range stream.CachedInfo().Cluster.Replicas {
					if !replica.Current || replica.Offline {
						return false
					}
				}
			}
			return true
		})
		step("the node is back")
	}
	l.stop()
	step(fmt.Sprintf("%d jobs are done", l.jobs))
	end()
	if err := <-kept; err != nil || isLost(lease) {
		t.Errorf("lease: %v", err)
	}
	once(t, reader, l.jobs)
	n := 0
	ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
	defer cancel()
	for _, err := range reader.Follow(ctx, FollowOptions{Kinds: []Kind{Score}, Since: FromAll}) {
		if err != nil {
			t.Fatal(err)
		}
		if n++; n == l.jobs {
			break
		}
	}
	if n != l.jobs {
		t.Errorf("%d results follow, want %d", n, l.jobs)
	}
	if got, err := reader.GetObject(t.Context(), "crop"); err != nil || len(got) != 1<<20 {
		t.Errorf("object: %d bytes, %v", len(got), err)
	}
}
