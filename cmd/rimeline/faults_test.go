package main

import (
	"context"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"net/http"
	"os"
	"path"
	"regexp"
	"strconv"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sync/errgroup"
	"golang.org/x/sys/unix"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// The service as processes of the real program, on the real clock, which are
// killed, starved and cut off. They mostly wait, so several run at once whatever
// the number of cores; the longest begin first.
func TestFaults(t *testing.T) {
	if testing.Short() {
		t.Skip("starts processes and takes two minutes: not in short mode")
	}
	t.Parallel() // it mostly waits
	tests := []struct {
		name string
		run  func(*testing.T)
	}{
		{"StoresFail", storesFail}, {"InputsGrowOld", inputsGrowOld}, {"ServiceKilled", serviceKilled},
		{"StartsStopsAndGoesOn", startsStopsAndGoesOn}, {"WorkerKilled", workerKilled}, {"DiskFull", diskFull}, {"ScheduleTakenOver", scheduleTakenOver},
	}
	var group errgroup.Group
	group.SetLimit(6)
	for _, test := range tests {
		group.Go(func() error {
			t.Run(test.name, test.run)
			return nil
		})
	}
	_ = group.Wait() // no test returns an error
}

// The service starts, judges every site, tells operators how it does, ends when it
// is asked to, and goes on from there when it is started again.
func startsStopsAndGoesOn(t *testing.T) {
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

// takenOverWithin: after so long a programme must have another schedule.
const takenOverWithin = 25 * time.Second

// The service is killed with the bus inside it, in the middle of its work. Started
// again on the same folder it takes the schedule up when the dead one's lease is
// over, and nothing that was acknowledged is gone.
func serviceKilled(t *testing.T) {
	g := newGate(t, nil, nil)
	const id, sites = "larkspur", 120
	file := programmeOptions{id: id, sites: sites}.write(t, g)
	address, data := freeAddress(t), t.TempDir()
	begin := func() *program {
		return start(t, "watch", "watch", "--programme", file, "--data", data, "--listen", address, "--metrics", "none")
	}
	began := time.Now()
	p := begin()
	b := connected(t, p, address)
	// What the test has seen on the bus was acknowledged. The first scores are there
	// and the last are not: jobs are in hand.
	var before history
	until(t, 60*time.Second, "first scores", func() bool {
		before = scoresOf(t.Context(), b, id)
		return before.count() > 0
	})
	p.kill()
	t.Logf("killed %.1f s after the start, with %d of %d scores", time.Since(began).Seconds(), before.count(), sites)

	again := time.Now()
	p = begin()
	b = connected(t, p, address)
	nothingLost(t, before, scoresOf(t.Context(), b, id))
	took := until(t, 60*time.Second, "the schedule is taken again", func() bool { return strings.Contains(p.log.String(), "schedule taken") })
	if since := time.Since(again); since > takenOverWithin {
		t.Errorf("the schedule was taken up %v after the restart", since)
	}
	t.Logf("schedule taken %.1f s after the bus was up", took.Seconds())
	until(t, 90*time.Second, "every site is judged again", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, again) })
	t.Logf("every site judged %.1f s after the restart", time.Since(again).Seconds())
	// Jobs that the dead process had in hand come back after half a minute.
	until(t, 90*time.Second, "every job is done", func() bool {
		state, err := b.QueueState(t.Context(), bus.QueueAssess)
		return err == nil && state.Waiting+state.Running == 0
	})
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
func scheduleTakenOver(t *testing.T) {
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
	if took > takenOverWithin {
		t.Errorf("taken over after %v", took)
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
func workerKilled(t *testing.T) {
	g := newGate(t, nil, nil)
	const id, sites = "larkspur", 120
	// A model alone: nothing that comes meanwhile asks for further judgements.
	file := programmeOptions{id: id, sites: sites, sources: []string{"hrrr"}}.write(t, g)
	address := freeAddress(t)
	watch := start(t, "watch", "watch", "--programme", file, "--data", t.TempDir(), "--listen", address, "--metrics", "none", "--workers", "1", "--verbose")
	b := connected(t, watch, address)
	worker := start(t, "worker", "work", "--nats", "nats://"+address, "--user-file", watch.access(), "--roles", "assess,ingest", "--data", t.TempDir(), "--metrics", "none", "--workers", "2", "--verbose")
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
		same := 0
		for look := 0; look < 75 && same < 15; look++ {
			time.Sleep(200 * time.Millisecond)
			state, err := b.QueueState(t.Context(), bus.QueueAssess)
			if err != nil || state.Waiting > 0 || int(state.Running) != inHand {
				inHand, same = int(state.Running), 0
				continue
			}
			same++
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
	moments := map[time.Time]map[string]bool{}
	for site, row := range h {
		for _, s := range row {
			if moments[s.asOf] == nil {
				moments[s.asOf] = map[string]bool{}
			}
			moments[s.asOf][site] = true
		}
	}
	for moment, done := range moments {
		for site := range h {
			// A job that comes back when a later moment is published has nothing to add.
			if !done[site] && moment.Before(killed) && !h.newest(site).asOf.After(moment) {
				t.Errorf("%s has no score of %v", site, moment)
			}
		}
		t.Logf("%v: scores of %d sites", moment.Format(time.TimeOnly), len(done))
	}
	outlooks := map[string]bool{}
	for stored, err := range b.ReadBack(t.Context(), bus.Outlook) {
		if err != nil {
			t.Fatal(err)
		}
		outlooks[stored.Subject] = true
	}
	if len(outlooks) != sites {
		t.Errorf("outlooks of %d sites, want %d", len(outlooks), sites)
	}
	t.Logf("outlooks of %d sites", len(outlooks))
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
	trouble bool // health says that the source is
	letters bool // jobs are given up at once, since trying again would not mend it
	mends   bool // as soon as the store answers well again, without newer objects
}{
	{"not-found", status(http.StatusNotFound), true, false, true},
	{"forbidden", status(http.StatusForbidden), true, false, true},
	{"unavailable", status(http.StatusServiceUnavailable), true, false, true},
	{"hangs", func(w http.ResponseWriter, r *http.Request, _ http.Handler) bool {
		<-r.Context().Done()
		return true
	}, true, false, true},
	{nobody, nil, true, false, false},
	{"half", onObjects(func(w http.ResponseWriter, r *http.Request, store http.Handler) {
		half := &halfWriter{ResponseWriter: w}
		store.ServeHTTP(half, r)
		panic(http.ErrAbortHandler)
	}), false, false, true},
	{"garbage", onObjects(func(w http.ResponseWriter, r *http.Request, store http.Handler) {
		store.ServeHTTP(&garbler{ResponseWriter: w, random: rand.NewPCG(1, 2)}, r)
	}), false, true, false},
	{"endless", onObjects(func(w http.ResponseWriter, r *http.Request, _ http.Handler) {
		junk := make([]byte, 64<<10)
		for {
			if _, err := w.Write(junk); err != nil {
				return
			}
		}
	}), false, true, false},
}

// nobody listens at the address of a store.
const nobody = "nobody"

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
func storesFail(t *testing.T) {
	const sites = 2
	address, metrics := freeAddress(t), freeAddress(t)
	arguments := []string{"watch", "--data", t.TempDir(), "--listen", address, "--metrics", metrics, "--workers", "4"}
	var gates []*gate
	for _, f := range storeFaults {
		g := newGate(t, nil, f.answer)
		gates = append(gates, g)
		arguments = append(arguments, "--programme", programmeOptions{id: f.name, sites: sites}.write(t, g))
		if f.name == nobody {
			g.Close()
		}
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
	until(t, 60*time.Second, "/readyz and health name every source in trouble", func() bool {
		code, body := probe(metrics, "/readyz")
		troubled := troubles(t, b)
		for _, f := range storeFaults {
			if f.trouble && !(strings.Contains(body, "of "+f.name+`"`) && troubled[f.name]) {
				return false
			}
		}
		return code == http.StatusServiceUnavailable
	})
	t.Logf("every source in trouble is named %.1f s after the start", time.Since(began).Seconds())
	if code, body := probe(metrics, "/healthz"); code != http.StatusOK {
		t.Errorf("/healthz: %d %s", code, body)
	}
	for k, f := range storeFaults {
		if f.mends {
			gates[k].fault.Store(nil)
			gates[k].CloseClientConnections()
		}
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
	for _, f := range storeFaults {
		if f.letters {
			until(t, 60*time.Second, "dead letters: "+f.name, func() bool { return len(deadLettersOf(t.Context(), b, f.name)) > 0 })
		}
	}
	for _, f := range storeFaults {
		letters := deadLettersOf(t.Context(), b, f.name)
		if !f.letters && len(letters) > 0 {
			t.Errorf("%s: jobs were given up: %v", f.name, letters)
		}
		for site, row := range scoresOf(t.Context(), b, f.name) {
			for _, s := range row {
				if (s.asOf.Before(mended) || !f.mends) && s.state != seedability.StateBlind {
					t.Errorf("%s: %s is %s at %v without a store", f.name, site, s.state, s.asOf)
				}
			}
		}
	}
	// Four exchanges a host, each of up to 64 MB in a buffer that has just doubled,
	// beside what the service takes anyway.
	if peak := peakMemory(t, p); peak > 2<<30 {
		t.Errorf("the process took %d MB", peak>>20)
	} else {
		t.Logf("the process took at most %d MB", peak>>20)
	}
	p.stop(t)
}

// troubles lists the programmes of which some worker's health has said that a
// source is in trouble.
func troubles(t *testing.T, b *bus.Bus) map[string]bool {
	t.Helper()
	troubled := map[string]bool{}
	for stored, err := range b.ReadBack(t.Context(), bus.Health) {
		if err != nil {
			return nil // a slow moment: the caller asks again
		}
		h, err := message.As[message.Health](stored.Event)
		if err != nil {
			t.Fatal(err)
		}
		for _, source := range h.Sources {
			if source.Error != "" && h.State == message.HealthDegraded {
				troubled[source.Programme] = true
			}
		}
	}
	return troubled
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
func inputsGrowOld(t *testing.T) {
	const id, sites, volumeEvery = "larkspur", 2, 5 * time.Minute
	scenario := stormOfNow()
	began := time.Now()
	// The store stands still at a moment that leaves the next volume to be there when
	// it goes on.
	stands := began.Add(-volumeEvery)
	var goesOn atomic.Bool
	store, err := rehearsal.NewStore(rehearsal.StoreOptions{Scenario: scenario, Now: func() time.Time {
		if goesOn.Load() {
			return time.Now()
		}
		return stands
	}})
	if err != nil {
		t.Fatal(err)
	}
	var newest time.Time
	for _, o := range store.Schedule(scenario.Start(), stands) {
		if o.Source == "nexrad-chunks" && strings.HasSuffix(o.Key, "-E") {
			stamp := path.Base(o.Key)[:len("20060102-150405")]
			if newest, err = time.Parse("20060102-150405", stamp); err != nil {
				t.Fatal(err)
			}
		}
	}
	const lasts = 35 * time.Second // until the newest volume is too old
	maximum := began.Add(lasts).Sub(newest).Hours()
	// The radar's archive has nothing before it goes on; it is looked at more often
	// than the pieces of a radar that is late.
	g := newGate(t, store, func(w http.ResponseWriter, r *http.Request, _ http.Handler) bool {
		if goesOn.Load() || r.URL.Path != "/unidata-nexrad-level2" && r.URL.Path != "/unidata-nexrad-level2/" {
			return false
		}
		_, _ = io.WriteString(w, `<?xml version="1.0"?><ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/"><IsTruncated>false</IsTruncated></ListBucketResult>`)
		return true
	})
	file := programmeOptions{id: id, sites: sites, change: func(p map[string]any) {
		for _, one := range p["inputs"].([]any) {
			if input := one.(map[string]any); input["kind"] == "radar" {
				input["maximum_age_hours"], input["fresh_hours"] = maximum, maximum-.01
				whole := maps.Clone(input)
				whole["id"], whole["source"], whole["base_url"] = "archive", "nexrad", store.BaseURLs(g.URL)["nexrad"]
				p["inputs"] = append(p["inputs"].([]any), whole)
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
	goesOn.Store(true)
	mended := time.Now()
	until(t, 4*time.Minute, "every site is judged again", func() bool { return scoresOf(t.Context(), b, id).allJudged(sites, mended) })
	t.Logf("judged again %.1f s after the store went on", time.Since(mended).Seconds())
	for site, row := range scoresOf(t.Context(), b, id) {
		for _, s := range row {
			// What a site is before and after depends on where in the band the minute
			// of this test lies; without a radar picture that counts it is blind.
			if s.asOf.After(began.Add(lasts)) && s.asOf.Before(mended) && s.state != seedability.StateBlind {
				t.Errorf("%s is %s at %v, with a radar that is too old: %s", site, s.state, s.asOf, s.reason)
			}
		}
	}
}

// A disk without room for what the bus stores: the process stays, /readyz says 503
// and why, and with room again it goes on by itself.
func diskFull(t *testing.T) {
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
