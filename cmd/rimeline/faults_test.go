package main

import (
	"context"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// The service starts, judges every site, tells operators how it does, ends when it
// is asked to, and goes on from there when it is started again.
func TestServiceStartsStopsAndGoesOn(t *testing.T) {
	withProcesses(t)
	g := newGate(t, nil, nil)
	const id, sites = "larkspur", 6
	file := programmeOptions{id: id, sites: sites, sources: []string{"hrrr", "nexrad-chunks", "mrms", "goes-west", "temp-gateway", "bufr-gateway"}}.write(t, g)
	address, metrics, data := freeAddress(t), freeAddress(t), t.TempDir()
	begin := func() *program {
		return start(t, "watch", "watch", "--programme", file, "--data", data, "--listen", address, "--metrics", metrics)
	}
	began := time.Now()
	p := begin()
	b := connected(t, p, address)
	until(t, 60*time.Second, "a first score of every site", func() bool { return len(scoresOf(t.Context(), b, id)) == sites })
	t.Logf("first score of every site %.1f s after the start", time.Since(began).Seconds())
	until(t, 60*time.Second, "every site is judged", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, began) })
	t.Logf("every site judged %.1f s after the start", time.Since(began).Seconds())
	until(t, 30*time.Second, "/readyz says 200", func() bool { status, _ := probe(metrics, "/readyz"); return status == 200 })
	if status, body := probe(metrics, "/healthz"); status != 200 {
		t.Errorf("/healthz: %d %s", status, body)
	}
	until(t, 30*time.Second, "/metrics has every number", func() bool {
		_, body := probe(metrics, "/metrics")
		for _, want := range []string{
			`rimeline_assessments_total{programme="larkspur"} `, `rimeline_inputs_total{outcome="ingested",source="hrrr"} `,
			`rimeline_inputs_total{outcome="ingested",source="nexrad-chunks"} `, `rimeline_fetched_bytes_total{source="hrrr"} `,
			`rimeline_jobs_total{outcome="done",queue="assess"} `, `rimeline_queue_waiting_jobs{queue="ingest"} 0`,
			`rimeline_dead_letters_total{queue="ingest"} 0`, `rimeline_dead_letters_total{queue="assess"} 0`,
			`rimeline_input_age_seconds{programme="larkspur",source="hrrr"} `, `rimeline_sites{programme="larkspur",state="blind"} 0`,
			`rimeline_score_publish_latency_seconds_count`, `rimeline_disk_free_bytes `, `rimeline_build_info{`, `process_resident_memory_bytes `,
		} {
			if !strings.Contains(body, want) {
				return false
			}
		}
		return true
	})

	before := scoresOf(t.Context(), b, id)
	p.stop(t)
	again := time.Now()
	p = begin()
	b = connected(t, p, address)
	if after := scoresOf(t.Context(), b, id); after.count() < before.count() {
		t.Errorf("%d scores after the restart, %d before", after.count(), before.count())
	}
	until(t, 60*time.Second, "every site is judged again", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, again) })
	t.Logf("every site judged %.1f s after the restart", time.Since(again).Seconds())
	nothingLost(t, before, scoresOf(t.Context(), b, id))
	nothingTwice(t, b, id)
	p.stop(t)
}

// The service is killed with the bus inside it, in the middle of its work. Started
// again on the same folder it takes the schedule up when the dead one's lease is
// over, and nothing that was acknowledged is gone.
func TestServiceKilled(t *testing.T) {
	withProcesses(t)
	g := newGate(t, nil, nil)
	const id, sites = "larkspur", 12
	file := programmeOptions{id: id, sites: sites}.write(t, g)
	address, data := freeAddress(t), t.TempDir()
	begin := func() *program {
		return start(t, "watch", "watch", "--programme", file, "--data", data, "--listen", address, "--metrics", "none")
	}
	began := time.Now()
	p := begin()
	b := connected(t, p, address)
	// What the test has seen on the bus was acknowledged. Jobs run at that moment.
	var before history
	until(t, 60*time.Second, "scores while jobs run", func() bool {
		state, err := b.QueueState(t.Context(), bus.QueueAssess)
		if err != nil || state.Running == 0 {
			return false
		}
		before = scoresOf(t.Context(), b, id)
		return before.count() > 0
	})
	p.kill()
	t.Logf("killed %.1f s after the start, with %d scores", time.Since(began).Seconds(), before.count())

	again := time.Now()
	p = begin()
	b = connected(t, p, address)
	nothingLost(t, before, scoresOf(t.Context(), b, id))
	took := until(t, 60*time.Second, "the schedule is taken again", func() bool { return strings.Contains(p.log.String(), "schedule taken") })
	if since := time.Since(again); since > leaseTime+10*time.Second {
		t.Errorf("the schedule was taken up %v after the restart, its lease lasts %v", since, leaseTime)
	}
	t.Logf("schedule taken %.1f s after the bus was up", took.Seconds())
	until(t, 90*time.Second, "every site is judged again", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, again) })
	t.Logf("every site judged %.1f s after the restart", time.Since(again).Seconds())
	nothingLost(t, before, scoresOf(t.Context(), b, id))
	nothingTwice(t, b, id)
	noDeadLetters(t, b)
}

func noDeadLetters(t *testing.T, b *bus.Bus) {
	t.Helper()
	for stored, err := range b.ReadBack(t.Context(), bus.DeadLetter) {
		if err != nil {
			t.Fatal(err)
		}
		letter, err := message.As[message.DeadLetter](stored.Event)
		t.Errorf("job %s was given up: %s (%v)", letter.JobID, letter.Error, err)
	}
}

// External bus, two processes that could keep the schedule: one does, and when it
// is killed the other takes over and scores go on.
func TestScheduleTakenOver(t *testing.T) {
	withProcesses(t)
	g := newGate(t, nil, nil)
	const id, sites = "larkspur", 3
	server, err := bus.EmbeddedWith(t.TempDir(), bus.ServerOptions{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	file := programmeOptions{id: id, sites: sites}.write(t, g)
	begin := func(name string) *program {
		return start(t, name, "watch", "--programme", file, "--data", t.TempDir(), "--nats", server.Address(), "--metrics", "none")
	}
	processes := []*program{begin("first"), begin("second")}
	b := connected(t, nil, strings.TrimPrefix(server.Address(), "nats://"))
	owns := func(p *program) bool { return strings.Contains(p.log.String(), "schedule taken") }
	until(t, 60*time.Second, "a first score of every site", func() bool { return len(scoresOf(t.Context(), b, id)) == sites })
	if owns(processes[0]) == owns(processes[1]) {
		t.Fatalf("schedule taken by the first: %v, by the second: %v", owns(processes[0]), owns(processes[1]))
	}
	owner, other := processes[0], processes[1]
	if owns(other) {
		owner, other = other, owner
	}
	owner.kill()
	killed := time.Now()
	until(t, 60*time.Second, "the other takes the schedule over", func() bool { return owns(other) })
	took := time.Since(killed)
	if took > leaseTime+10*time.Second {
		t.Errorf("taken over after %v, the lease lasts %v", took, leaseTime)
	}
	t.Logf("taken over %.1f s after the owner was killed", took.Seconds())
	until(t, 90*time.Second, "every site is judged again", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, killed) })
	t.Logf("every site judged %.1f s after the owner was killed", time.Since(killed).Seconds())
	nothingTwice(t, b, id)
	other.stop(t)
}

// jobStarted finds in a log the jobs of the assess queue that a process began.
var jobStarted = regexp.MustCompile(`(?:msg=job|"msg":"job") ?,?"?(?:queue)?[=":]+assess"?,? ?"?id[=":]+([^" ]+)`)

// A worker that joined over the network is killed while it has jobs: they are done
// by others, every site has its score of every moment, and nothing stands twice.
func TestWorkerProcessKilled(t *testing.T) {
	withProcesses(t)
	g := newGate(t, nil, nil)
	const id, sites = "larkspur", 120
	file := programmeOptions{id: id, sites: sites}.write(t, g)
	address := freeAddress(t)
	watch := start(t, "watch", "watch", "--programme", file, "--data", t.TempDir(), "--listen", address, "--metrics", "none", "--workers", "1", "--verbose")
	b := connected(t, watch, address)
	worker := start(t, "worker", "work", "--nats", "nats://"+address, "--roles", "assess,ingest", "--data", t.TempDir(), "--metrics", "none", "--workers", "2", "--verbose")
	holds := func() []string {
		var jobs []string
		for _, match := range jobStarted.FindAllStringSubmatch(worker.log.String(), -1) {
			jobs = append(jobs, match[1])
		}
		return jobs
	}
	// Stopped, not yet killed, it can end no job any more; then one can see what it
	// has in hand.
	var inHand int
	until(t, 90*time.Second, "the worker has a job in hand", func() bool {
		worker.alive(t)
		if len(holds()) == 0 {
			return false
		}
		if state, err := b.QueueState(t.Context(), bus.QueueAssess); err != nil || state.Running < 2 {
			return false
		}
		if err := worker.Process.Signal(unix.SIGSTOP); err != nil {
			t.Fatal(err)
		}
		// The jobs of the other are done within seconds; what stays is the worker's.
		for range 40 {
			time.Sleep(200 * time.Millisecond)
			state, err := b.QueueState(t.Context(), bus.QueueAssess)
			if err == nil && state.Waiting == 0 && state.Running <= 2 {
				inHand = int(state.Running)
				if inHand > 0 && state.Redelivered == 0 {
					break
				}
			}
		}
		if inHand > 0 {
			return true
		}
		if err := worker.Process.Signal(unix.SIGCONT); err != nil {
			t.Fatal(err)
		}
		return false
	})
	worker.kill()
	killed := time.Now()
	t.Logf("killed with %d jobs in hand, after it had begun %d", inHand, len(holds()))
	until(t, 90*time.Second, "its jobs are taken up again", func() bool {
		return strings.Count(watch.log.String(), "job taken up again") >= inHand
	})
	t.Logf("taken up again %.1f s after the worker was killed", time.Since(killed).Seconds())
	until(t, 90*time.Second, "every job is done", func() bool {
		state, err := b.QueueState(t.Context(), bus.QueueAssess)
		return err == nil && state.Waiting+state.Running == 0
	})
	h := scoresOf(t.Context(), b, id)
	moments := map[time.Time]int{}
	for _, row := range h {
		for _, s := range row {
			moments[s.asOf]++
		}
	}
	for moment, n := range moments {
		// A job that came back after a later moment was published has nothing to add.
		if n != sites && !moment.After(killed) {
			t.Logf("%v: scores of %d sites", moment, n)
		}
	}
	if len(h) != sites {
		t.Errorf("scores of %d sites, want %d", len(h), sites)
	}
	nothingTwice(t, b, id)
	noDeadLetters(t, b)
	watch.stop(t)
}

// storeFaults are ways in which a store may fail. Listings come as they should
// where only objects are at fault.
var storeFaults = []struct {
	name    string
	answer  fault
	letters bool // jobs are given up at once, since trying again would not mend it
	mends   bool // as soon as the store answers well again, without newer objects
}{
	{"not-found", status(http.StatusNotFound), false, true},
	{"forbidden", status(http.StatusForbidden), false, true},
	{"unavailable", status(http.StatusServiceUnavailable), false, true},
	{"hangs", func(w http.ResponseWriter, r *http.Request, _ http.Handler) bool {
		<-r.Context().Done()
		return true
	}, false, false},
	{"half", onObjects(func(w http.ResponseWriter, r *http.Request, store http.Handler) {
		half := &halfWriter{ResponseWriter: w}
		store.ServeHTTP(half, r)
		panic(http.ErrAbortHandler)
	}), false, true},
	{"garbage", onObjects(func(w http.ResponseWriter, r *http.Request, store http.Handler) {
		store.ServeHTTP(&garbler{ResponseWriter: w, random: rand.NewPCG(1, 2)}, r)
	}), true, false},
	{"endless", onObjects(func(w http.ResponseWriter, r *http.Request, _ http.Handler) {
		junk := make([]byte, 64<<10)
		for {
			if _, err := w.Write(junk); err != nil {
				return
			}
		}
	}), true, false},
}

func status(code int) fault {
	return func(w http.ResponseWriter, r *http.Request, _ http.Handler) bool {
		http.Error(w, http.StatusText(code), code)
		return true
	}
}

// onObjects leaves listings of buckets to the store.
func onObjects(answer func(w http.ResponseWriter, r *http.Request, store http.Handler)) fault {
	return func(w http.ResponseWriter, r *http.Request, store http.Handler) bool {
		if r.URL.Query().Has("list-type") || r.Method == http.MethodHead {
			return false
		}
		answer(w, r, store)
		return true
	}
}

// halfWriter lets half of the announced bytes through.
type halfWriter struct {
	http.ResponseWriter
	left int64
}

func (h *halfWriter) WriteHeader(code int) {
	length, _ := strconv.ParseInt(h.Header().Get("Content-Length"), 10, 64)
	h.left = length / 2
	h.ResponseWriter.WriteHeader(code)
}

func (h *halfWriter) Write(b []byte) (int, error) {
	n := min(int64(len(b)), h.left)
	h.left -= n
	if n > 0 {
		if _, err := h.ResponseWriter.Write(b[:n]); err != nil {
			return 0, err
		}
	}
	return len(b), nil
}

// garbler puts random bytes in the place of those of the store.
type garbler struct {
	http.ResponseWriter
	random *rand.PCG
}

func (g *garbler) Write(b []byte) (int, error) {
	junk := make([]byte, len(b))
	for k := range junk {
		junk[k] = byte(g.random.Uint64())
	}
	return g.ResponseWriter.Write(junk)
}

// Stores that fail in every way, one a programme, all watched by one process: it
// stays up and says what is wrong, every site is published blind within a minute,
// none as quiet, and sites are judged when the store answers again.
func TestStoresFail(t *testing.T) {
	withProcesses(t)
	const sites = 2
	address, metrics := freeAddress(t), freeAddress(t)
	arguments := []string{"watch", "--data", t.TempDir(), "--listen", address, "--metrics", metrics, "--workers", "4"}
	var gates []*gate
	for _, f := range storeFaults {
		g := newGate(t, nil, f.answer)
		gates = append(gates, g)
		arguments = append(arguments, "--programme", programmeOptions{id: f.name, sites: sites}.write(t, g))
	}
	began := time.Now()
	p := start(t, "watch", arguments...)
	b := connected(t, p, address)
	for _, f := range storeFaults {
		until(t, time.Minute-time.Since(began), "blind: "+f.name, func() bool {
			p.alive(t)
			return len(scoresOf(t.Context(), b, f.name)) == sites
		})
	}
	t.Logf("every site of every programme is published blind %.1f s after the start", time.Since(began).Seconds())
	for _, f := range storeFaults {
		if f.letters {
			until(t, 60*time.Second, "dead letters: "+f.name, func() bool { return len(deadLettersOf(t.Context(), b, f.name)) > 0 })
		}
	}
	// The first to fail altogether are those that answer: not ready, but alive.
	until(t, 30*time.Second, "/readyz names the sources", func() bool {
		code, body := probe(metrics, "/readyz")
		return code == http.StatusServiceUnavailable && strings.Contains(body, "of not-found") && strings.Contains(body, "of unavailable")
	})
	if code, body := probe(metrics, "/healthz"); code != http.StatusOK {
		t.Errorf("/healthz: %d %s", code, body)
	}
	for _, g := range gates {
		g.fault.Store(nil)
		g.CloseClientConnections()
	}
	mended := time.Now()
	for _, f := range storeFaults {
		if f.mends {
			until(t, 4*time.Minute, "judged again: "+f.name, func() bool {
				p.alive(t)
				return scoresOf(t.Context(), b, f.name).allJudged(sites, mended)
			})
			t.Logf("%s: judged %.1f s after the store answers", f.name, time.Since(mended).Seconds())
		}
	}
	degraded := map[string]bool{}
	for stored, err := range b.ReadBack(t.Context(), bus.Health) {
		if err != nil {
			t.Fatal(err)
		}
		h, err := message.As[message.Health](stored.Event)
		if err != nil {
			t.Fatal(err)
		}
		for _, source := range h.Sources {
			if source.Error != "" && h.State != message.HealthOK {
				degraded[source.Programme] = true
			}
		}
	}
	for _, f := range storeFaults {
		if f.mends && f.name != "half" && !degraded[f.name] {
			t.Errorf("%s: no health message says so", f.name)
		}
		letters := deadLettersOf(t.Context(), b, f.name)
		if !f.letters && len(letters) > 0 {
			t.Errorf("%s: jobs were given up: %v", f.name, letters)
		}
		for site, row := range scoresOf(t.Context(), b, f.name) {
			for _, s := range row {
				if s.asOf.Before(mended) && s.state != seedability.StateBlind {
					t.Errorf("%s: %s is %s at %v without a store", f.name, site, s.state, s.asOf)
				}
			}
		}
	}
	if peak := peakMemory(t, p); peak > 1500<<20 {
		t.Errorf("the process took %d MB", peak>>20)
	} else {
		t.Logf("the process took at most %d MB", peak>>20)
	}
	p.stop(t)
}

func deadLettersOf(ctx context.Context, b *bus.Bus, programmeID string) (errors []string) {
	for stored, err := range b.ReadBack(ctx, bus.DeadLetter) {
		if err != nil {
			return nil
		}
		if letter, err := message.As[message.DeadLetter](stored.Event); err == nil && letter.Programme == programmeID {
			errors = append(errors, letter.JobID+": "+letter.Error)
		}
	}
	return errors
}

// peakMemory is the most resident memory that a process had, in bytes.
func peakMemory(t *testing.T, p *program) int64 {
	t.Helper()
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", p.Process.Pid))
	if err != nil {
		t.Skip("no /proc here: ", err)
	}
	for line := range strings.Lines(string(text)) {
		if rest, ok := strings.CutPrefix(line, "VmHWM:"); ok {
			kilobytes, err := strconv.ParseInt(strings.Fields(rest)[0], 10, 64)
			if err != nil {
				t.Fatal(err)
			}
			return kilobytes << 10
		}
	}
	t.Fatal("no VmHWM in /proc")
	return 0
}

// A store that goes on answering and has nothing new: sites whose required radar
// gets too old become blind, never quiet, and are judged again when the store
// catches up.
func TestInputsGrowOld(t *testing.T) {
	withProcesses(t)
	const id, sites, volumeEvery = "larkspur", 2, 5 * time.Minute
	scenario := stormOfNow()
	var behind atomic.Int64 // nanoseconds
	store, err := rehearsal.NewStore(rehearsal.StoreOptions{Scenario: scenario, Now: func() time.Time { return time.Now().Add(-time.Duration(behind.Load())) }})
	if err != nil {
		t.Fatal(err)
	}
	// The store stands still at the last moment before the newest volume but one
	// was whole, so that two more are there when it catches up.
	behind.Store(int64(2 * volumeEvery))
	var newest time.Time
	for _, o := range store.Schedule(scenario.Start(), time.Now().Add(-time.Duration(behind.Load()))) {
		if o.Source == "nexrad-chunks" && strings.HasSuffix(o.Key, "-E") {
			newest = o.At.Add(-volumeEvery) // about its beginning, which is its time
		}
	}
	began := time.Now()
	const lasts = 50 * time.Second
	maximum := began.Add(lasts).Sub(newest).Hours()
	g := newGate(t, store, nil)
	file := programmeOptions{id: id, sites: sites, change: func(p map[string]any) {
		for _, one := range p["inputs"].([]any) {
			if input := one.(map[string]any); input["kind"] == "radar" {
				input["maximum_age_hours"], input["fresh_hours"] = maximum, maximum-.01
			}
		}
	}}.write(t, g)
	address := freeAddress(t)
	p := start(t, "watch", "watch", "--programme", file, "--data", t.TempDir(), "--listen", address, "--metrics", "none")
	b := connected(t, p, address)
	until(t, 60*time.Second, "every site is judged", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, began) })
	judged := time.Now()
	t.Logf("judged %.1f s after the start", time.Since(began).Seconds())
	until(t, 3*time.Minute, "every site is blind", func() bool {
		return scoresOf(t.Context(), b, id).all(sites, judged, func(s score) bool { return s.state == seedability.StateBlind })
	})
	t.Logf("blind %.1f s after the start", time.Since(began).Seconds())
	behind.Store(0)
	mended := time.Now()
	until(t, 4*time.Minute, "every site is judged again", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, mended) })
	t.Logf("judged again %.1f s after the store caught up", time.Since(mended).Seconds())
	for site, row := range scoresOf(t.Context(), b, id) {
		for _, s := range row {
			if s.state == seedability.StateQuiet {
				t.Errorf("%s is quiet at %v, in the middle of a good band: %s", site, s.asOf, s.reason)
			}
		}
	}
}

// A disk without room for what the bus stores: the process stays, /readyz says 503
// and why, and with room again it goes on by itself.
func TestServiceDiskFull(t *testing.T) {
	withProcesses(t)
	g := newGate(t, nil, nil)
	const id, sites = "larkspur", 3
	file := programmeOptions{id: id, sites: sites}.write(t, g)
	address, metrics := freeAddress(t), freeAddress(t)
	p := start(t, "watch", "watch", "--programme", file, "--data", t.TempDir(), "--listen", address, "--metrics", metrics)
	b := connected(t, p, address)
	until(t, 60*time.Second, "a first score of every site", func() bool { return len(scoresOf(t.Context(), b, id)) == sites })
	until(t, 30*time.Second, "/readyz says 200", func() bool { code, _ := probe(metrics, "/readyz"); return code == http.StatusOK })
	before := scoresOf(t.Context(), b, id)

	// No file may grow any more: to every write it is as if the disk were full.
	limit := func(most uint64) {
		t.Helper()
		if err := unix.Prlimit(p.Process.Pid, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: most, Max: unix.RLIM_INFINITY}, nil); err != nil {
			t.Fatal(err)
		}
	}
	limit(0)
	full := time.Now()
	until(t, 90*time.Second, "/readyz says 503, and why", func() bool {
		p.alive(t)
		code, body := probe(metrics, "/readyz")
		return code == http.StatusServiceUnavailable && strings.Contains(body, "cannot be written")
	})
	t.Logf("/readyz said 503 %.1f s after the disk was full", time.Since(full).Seconds())
	if code, body := probe(metrics, "/healthz"); code != http.StatusOK {
		t.Errorf("/healthz: %d %s", code, body)
	}
	limit(unix.RLIM_INFINITY)
	room := time.Now()
	until(t, 90*time.Second, "/readyz says 200 again", func() bool {
		p.alive(t)
		code, _ := probe(metrics, "/readyz")
		return code == http.StatusOK
	})
	t.Logf("/readyz said 200 %.1f s after there was room", time.Since(room).Seconds())
	until(t, 2*time.Minute, "every site has a new score", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, room) })
	t.Logf("every site judged %.1f s after there was room", time.Since(room).Seconds())
	nothingLost(t, before, scoresOf(t.Context(), b, id))
	nothingTwice(t, b, id)
	p.stop(t)
}
