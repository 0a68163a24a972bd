package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/goccy/go-yaml"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/bus"
)

// playProgram in the environment makes this test binary the program itself, with
// its arguments, its signals and its exit status.
const playProgram = "RIMELINE_TEST_PROGRAM"

// play is the program. A write beyond RLIMIT_FSIZE is an error of that write, as
// on a full disk, and not the end of the process.
func play() {
	signal.Ignore(syscall.SIGXFSZ)
	main()
}

// program is a process of the real program.
type program struct {
	*exec.Cmd
	name string
	log  *programLog
	done chan struct{} // closed when it has ended
}

// programLog is what a process writes.
type programLog struct {
	mutex sync.Mutex
	text  bytes.Buffer
}

func (l *programLog) Write(b []byte) (int, error) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return l.text.Write(b)
}

func (l *programLog) String() string {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return l.text.String()
}

// start runs the program; it is killed at the end of the test if not before.
func start(t *testing.T, name string, arguments ...string) *program {
	t.Helper()
	executable, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	if arguments[0] == "watch" {
		arguments = append(slices.Clone(arguments), "--pages", "none") // several run at once
	}
	p := &program{Cmd: exec.Command(executable, arguments...), name: name, log: &programLog{}, done: make(chan struct{})}
	p.Env = append(os.Environ(), playProgram+"=1")
	p.Stdout, p.Stderr = p.log, p.log
	if err := p.Cmd.Start(); err != nil {
		t.Fatal(err)
	}
	go func() {
		_ = p.Wait() // its status is in ProcessState
		close(p.done)
	}()
	t.Cleanup(func() {
		p.kill()
		if t.Failed() {
			lines := strings.Split(strings.TrimSpace(p.log.String()), "\n")
			t.Logf("the end of what %s wrote:\n%s", p.name, strings.Join(lines[max(0, len(lines)-40):], "\n"))
		}
	})
	return p
}

// access is the file with the password of a program with a bus of its own; empty
// for none.
func (p *program) access() string {
	if p == nil {
		return ""
	}
	k := slices.Index(p.Args, "--data")
	return filepath.Join(p.Args[k+1], accessFile)
}

// kill is kill -9.
func (p *program) kill() {
	_ = p.Process.Kill() // it may have ended already
	<-p.done
}

// stop asks for an end, and checks that it comes in time and is a good one.
func (p *program) stop(t *testing.T) {
	t.Helper()
	began := time.Now()
	if err := p.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	select {
	case <-p.done:
	case <-time.After(30 * time.Second):
		t.Fatalf("%s did not end within 30 s of SIGTERM", p.name)
	}
	if status := p.ProcessState.ExitCode(); status != 0 {
		t.Errorf("%s ended with status %d after SIGTERM", p.name, status)
	}
	t.Logf("%s ended %.1f s after SIGTERM", p.name, time.Since(began).Seconds())
}

// alive fails the test where the process has ended by itself.
func (p *program) alive(t *testing.T) {
	t.Helper()
	select {
	case <-p.done:
		t.Fatalf("%s ended by itself: %v", p.name, p.ProcessState)
	default:
	}
}

// until waits for something, at most so long.
func until(t *testing.T, within time.Duration, what string, true_ func() bool) time.Duration {
	t.Helper()
	began := time.Now()
	for {
		if true_() {
			return time.Since(began)
		}
		if time.Since(began) > within {
			t.Fatalf("not within %v: %s", within, what)
		}
		time.Sleep(200 * time.Millisecond)
	}
}

// lastPort is the one that was given last; processes that test at the same time begin
// elsewhere.
var lastPort atomic.Int64

func init() { lastPort.Store(int64(os.Getpid())) }

// freeAddress is one where nobody listens. Its port lies below those that the system
// gives to whoever asks for any (from 32768 on), so that nobody gets it by chance until
// it is used.
func freeAddress(t *testing.T) string {
	t.Helper()
	for range 1000 {
		address := fmt.Sprintf("127.0.0.1:%d", 20000+lastPort.Add(1)%6000)
		listener, err := net.Listen("tcp", address)
		if err != nil {
			continue // used
		}
		listener.Close()
		return address
	}
	t.Fatal("no port is free")
	return ""
}

// connected waits for a bus and connects to it.
func connected(t *testing.T, p *program, address string) *bus.Bus {
	t.Helper()
	var connection *bus.Bus
	until(t, 30*time.Second, "the bus answers", func() bool {
		if p != nil {
			p.alive(t)
		}
		b, err := bus.Connect(t.Context(), "nats://"+address, bus.Options{AttemptTime: 10 * time.Second, UserFile: p.access()})
		if err != nil {
			return false
		}
		// The port is open before the streams are there.
		for _, kind := range []bus.Kind{bus.Score, bus.DeadLetter} {
			if _, err := b.LastSequence(t.Context(), kind); err != nil {
				b.Close()
				return false
			}
		}
		connection = b
		return true
	})
	t.Cleanup(connection.Close)
	return connection
}

// sharedStorm is now in its second good band. Its store keeps what it has made for
// all tests.
var sharedStorm = sync.OnceValues(func() (*rehearsal.Store, error) {
	return rehearsal.NewStore(rehearsal.StoreOptions{Scenario: stormOfNow()})
})

var stormOfNow = sync.OnceValue(func() *rehearsal.Scenario {
	return rehearsal.NewScenario(time.Now().Add(-230*time.Minute), 1)
})

// gate stands before a store, and may do to requests what it likes.
type gate struct {
	*httptest.Server
	store *rehearsal.Store
	fault atomic.Pointer[fault]
}

// fault answers in the place of a store; false leaves it to the store.
type fault func(w http.ResponseWriter, r *http.Request, store http.Handler) (answered bool)

// newGate serves a store, at first with a fault, nil for none.
func newGate(t *testing.T, store *rehearsal.Store, first fault) *gate {
	t.Helper()
	if store == nil {
		var err error
		if store, err = sharedStorm(); err != nil {
			t.Fatal(err)
		}
	}
	g := &gate{store: store}
	if first != nil {
		g.fault.Store(&first)
	}
	g.Server = httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if f := g.fault.Load(); f != nil && (*f)(w, r, store) {
			return
		}
		store.ServeHTTP(w, r)
	}))
	t.Cleanup(func() {
		g.CloseClientConnections()
		g.Close()
	})
	return g
}

// programmeOptions of an invented programme for a test.
type programmeOptions struct {
	id      string
	sources []string // of those of the rehearsal; model and radar if empty
	sites   int      // how many, spread around those of the rehearsal; 3 if zero
	change  func(programme map[string]any)
}

// write makes a programme file whose inputs come from a store behind a gate.
func (o programmeOptions) write(t *testing.T, g *gate) string {
	t.Helper()
	var p map[string]any
	if err := yaml.Unmarshal(rehearsal.ProgrammeYAML(), &p); err != nil {
		t.Fatal(err)
	}
	if o.sources == nil {
		o.sources = []string{"hrrr", "nexrad-chunks"}
	}
	urls := g.store.BaseURLs(g.URL)
	var inputs []any
	for _, name := range o.sources {
		for _, one := range p["inputs"].([]any) {
			if input := one.(map[string]any); input["source"] == name {
				input["base_url"] = urls[name]
				if name == "hrrr" {
					input["forecast_hours"] = 4 // what a judgement of the present needs
				}
				inputs = append(inputs, input)
			}
		}
	}
	if len(inputs) != len(o.sources) {
		t.Fatalf("the rehearsal has not all sources of %v", o.sources)
	}
	known := p["sites"].([]any)
	if o.sites == 0 {
		o.sites = 3
	}
	var sites []any
	for k := range o.sites {
		site := map[string]any{}
		for name, value := range known[k%len(known)].(map[string]any) {
			site[name] = value
		}
		if n := k / len(known); n > 0 {
			site["id"] = fmt.Sprintf("%s-%d", site["id"], n)
			site["latitude_deg"] = site["latitude_deg"].(float64) + .004*float64(n)
		}
		sites = append(sites, site)
	}
	p["id"], p["inputs"], p["sites"] = o.id, inputs, sites
	p["ensemble"] = map[string]any{"members": 20, "seed": 1, "longest_drift_minutes": 120}
	p["watch"] = map[string]any{"now_minutes": 1, "idle_minutes": 1}
	if o.change != nil {
		o.change(p)
	}
	text, err := yaml.Marshal(p)
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), o.id+".yaml")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

// score is what tests look at.
type score struct {
	sequence uint64
	id       string
	asOf     time.Time
	state    seedability.State
	reason   string
}

// history is everything that has been published for a programme.
type history map[string][]score // by site

// newest of a site; the zero score where there is none.
func (h history) newest(site string) score {
	row := h[site]
	if len(row) == 0 {
		return score{}
	}
	return row[len(row)-1]
}

// count of all scores.
func (h history) count() (n int) {
	for _, row := range h {
		n += len(row)
	}
	return n
}

// scoresOf reads back the scores of a programme. An error of the bus (it may be
// down at the moment) gives none.
func scoresOf(ctx context.Context, b *bus.Bus, programmeID string) history {
	patience, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	h := history{}
	for stored, err := range b.ReadBack(patience, bus.Score) {
		if err != nil {
			return history{}
		}
		var a seedability.Assessment
		if json.Unmarshal(stored.Event.Data, &a) != nil || a.Programme != programmeID {
			continue
		}
		h[a.Site.ID] = append(h[a.Site.ID], score{stored.Sequence, stored.Event.ID, a.AsOf, a.State, a.StateReason})
	}
	return h
}

// allJudged says whether every site has a score that is newer than a moment, and
// not blind.
func (h history) allJudged(sites int, after time.Time) bool {
	return h.all(sites, after, func(s score) bool { return s.state != seedability.StateBlind })
}

func (h history) all(sites int, after time.Time, fits func(score) bool) bool {
	n := 0
	for site := range h {
		if s := h.newest(site); s.asOf.After(after) && fits(s) {
			n++
		}
	}
	return n == sites
}

// nothingTwice checks all streams: no event is stored twice, the moments of each
// site's scores rise, and the newest of each site is that of the stream.
func nothingTwice(t *testing.T, b *bus.Bus, programmeID string) {
	t.Helper()
	ids := map[string]string{}
	for _, kind := range []bus.Kind{bus.Score, bus.Outlook, bus.Input} {
		for stored, err := range b.ReadBack(t.Context(), kind) {
			if err != nil {
				t.Fatal(err)
			}
			if first, twice := ids[stored.Event.ID]; twice {
				t.Errorf("%s: event %s is stored twice, first as %s", stored.Subject, stored.Event.ID, first)
			}
			ids[stored.Event.ID] = fmt.Sprintf("%s %d", stored.Subject, stored.Sequence)
		}
	}
	for site, row := range scoresOf(t.Context(), b, programmeID) {
		for k := 1; k < len(row); k++ {
			if !row[k].asOf.After(row[k-1].asOf) {
				t.Errorf("%s: a score of %v stands after one of %v", site, row[k].asOf, row[k-1].asOf)
			}
		}
		event, found, err := b.Latest(t.Context(), bus.Score, programmeID, site)
		if err != nil || !found {
			t.Errorf("%s: newest score: found %v, %v", site, found, err)
			continue
		}
		// One may have come between the two looks.
		if last := row[len(row)-1]; event.Time.Before(last.asOf) {
			t.Errorf("%s: the newest score is of %v, the stream has one of %v", site, event.Time, last.asOf)
		}
	}
}

// nothingLost checks that what was read before is still there as it was.
func nothingLost(t *testing.T, before, after history) {
	t.Helper()
	for site, row := range before {
		for k, s := range row {
			if k >= len(after[site]) || after[site][k] != s {
				t.Errorf("%s: score %d of %v is lost or changed", site, s.sequence, s.asOf)
			}
		}
	}
}

// probe asks one of the addresses for operators.
func probe(metricsAddress, path string) (status int, body string) {
	client := http.Client{Timeout: 10 * time.Second}
	answer, err := client.Get("http://" + metricsAddress + path)
	if err != nil {
		return 0, err.Error()
	}
	defer answer.Body.Close()
	b, err := io.ReadAll(io.LimitReader(answer.Body, 1<<20))
	if err != nil && !errors.Is(err, io.EOF) {
		return 0, err.Error()
	}
	return answer.StatusCode, string(b)
}
