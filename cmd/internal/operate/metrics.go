package operate

import (
	"runtime"
	"runtime/debug"
	"sync"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
)

// Metrics are the numbers that tell how the service does, in a registry of their
// own. Labels take few values: those of fixed lists, and of programmes and
// sources the first maxNames; what comes later counts as "other".
type Metrics struct {
	Registry *prometheus.Registry

	inputs         *prometheus.CounterVec
	fetchedBytes   *prometheus.CounterVec
	inputAge       *prometheus.GaugeVec
	jobs           *prometheus.CounterVec
	jobDuration    *prometheus.HistogramVec
	queueWaiting   *prometheus.GaugeVec
	assessments    *prometheus.CounterVec
	publishLatency *prometheus.HistogramVec
	sites          *prometheus.GaugeVec
	clockJumps     *prometheus.CounterVec
	deadLetters    *prometheus.CounterVec
	diskFree       prometheus.Gauge

	sources, programmes names
}

// maxNames bounds the programmes, and the sources, that have series of their own.
const maxNames = 100

// The values of labels. Others count as "other".
var (
	inputOutcomes = []string{"ingested", "unchanged", "absent", "failed", "refused"}
	jobOutcomes   = []string{"done", "failed", "dead", "abandoned"}
	queueNames    = []string{"ingest", "assess"}
	inputKinds    = []string{"model", "radar", "mosaic", "satellite", "sounding", "gauge", "clock"}
	siteStates    = []string{"quiet", "building", "window", "hold", "blind"}
)

const other = "other"

func among(value string, list []string) string {
	for _, known := range list {
		if value == known {
			return value
		}
	}
	return other
}

// names remembers the first maxNames.
type names struct {
	mutex sync.Mutex
	known map[string]bool
}

func (n *names) bounded(name string) string {
	n.mutex.Lock()
	defer n.mutex.Unlock()
	if !n.known[name] {
		if len(n.known) >= maxNames {
			return other
		}
		if n.known == nil {
			n.known = make(map[string]bool)
		}
		n.known[name] = true
	}
	return name
}

func (n *names) forget(name string) {
	n.mutex.Lock()
	defer n.mutex.Unlock()
	delete(n.known, name)
}

// NewMetrics registers everything. version is that of the program.
func NewMetrics(version string) *Metrics {
	m := &Metrics{Registry: prometheus.NewRegistry()}
	counter := func(name, help string, labels ...string) *prometheus.CounterVec {
		v := prometheus.NewCounterVec(prometheus.CounterOpts{Namespace: "rimeline", Name: name, Help: help}, labels)
		m.Registry.MustRegister(v)
		return v
	}
	gauge := func(name, help string, labels ...string) *prometheus.GaugeVec {
		v := prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: "rimeline", Name: name, Help: help}, labels)
		m.Registry.MustRegister(v)
		return v
	}
	histogram := func(name, help string, buckets []float64, labels ...string) *prometheus.HistogramVec {
		v := prometheus.NewHistogramVec(prometheus.HistogramOpts{Namespace: "rimeline", Name: name, Help: help, Buckets: buckets}, labels)
		m.Registry.MustRegister(v)
		return v
	}
	m.inputs = counter("inputs_total", "Objects of a source that were taken in, or not, by outcome.", "source", "outcome")
	m.fetchedBytes = counter("fetched_bytes_total", "Bytes received from a source.", "source")
	m.inputAge = gauge("input_age_seconds", "Age of the newest input that a programme has of a source, by its valid time or the start of its model run.", "programme", "source")
	m.jobs = counter("jobs_total", "Jobs that were worked on, by outcome.", "queue", "outcome")
	m.jobDuration = histogram("job_duration_seconds", "From taking a job to its acknowledgement.",
		[]float64{0.05, 0.1, 0.25, 0.5, 1, 2.5, 5, 10, 25, 60, 120, 300}, "queue", "outcome")
	m.queueWaiting = gauge("queue_waiting_jobs", "Jobs that nobody has taken yet.", "queue")
	m.assessments = counter("assessments_total", "Assessments published, one a site and release time.", "programme")
	m.publishLatency = histogram("score_publish_latency_seconds", "From the last byte of the input that asked for it to the published score.",
		[]float64{0.25, 0.5, 1, 2, 3, 5, 7.5, 10, 15, 30, 60, 120, 300, 900}, "kind")
	m.sites = gauge("sites", "Sites of a programme that are in a state.", "programme", "state")
	m.clockJumps = counter("clock_jumps_total", "Jumps of the machine's clock by more than 2 s.", "direction")
	m.deadLetters = counter("dead_letters_total", "Jobs given up after their last delivery.", "queue")
	free := prometheus.NewGauge(prometheus.GaugeOpts{Namespace: "rimeline", Name: "disk_free_bytes", Help: "Room left for the service where its data directory lies."})
	m.diskFree = free
	build := prometheus.NewGaugeVec(prometheus.GaugeOpts{Namespace: "rimeline", Name: "build_info", Help: "Always 1; the program's version is in the labels."}, []string{"version", "revision", "go_version"})
	build.WithLabelValues(version, revision(), runtime.Version()).Set(1)
	m.Registry.MustRegister(free, build, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))

	// What has no other labels than those of fixed lists is there from the start,
	// so that a rate over its first event is not missed.
	for _, queue := range queueNames {
		for _, outcome := range jobOutcomes {
			m.jobs.WithLabelValues(queue, outcome)
		}
		m.deadLetters.WithLabelValues(queue)
		m.queueWaiting.WithLabelValues(queue)
	}
	for _, direction := range []string{"forward", "back"} {
		m.clockJumps.WithLabelValues(direction)
	}
	return m
}

func revision() string {
	if info, ok := debug.ReadBuildInfo(); ok {
		for _, s := range info.Settings {
			if s.Key == "vcs.revision" {
				return s.Value
			}
		}
	}
	return "unknown"
}

// Input counts an object of a source: "ingested", "unchanged", "absent",
// "failed" or "refused" (damaged, or not read here).
func (m *Metrics) Input(source, outcome string) {
	m.inputs.WithLabelValues(m.sources.bounded(source), among(outcome, inputOutcomes)).Inc()
}

// Fetched counts bytes received.
func (m *Metrics) Fetched(source string, bytes int64) {
	if bytes > 0 {
		m.fetchedBytes.WithLabelValues(m.sources.bounded(source)).Add(float64(bytes))
	}
}

// InputAge sets how old the newest input of a source is.
func (m *Metrics) InputAge(programme, source string, age time.Duration) {
	m.inputAge.WithLabelValues(m.programmes.bounded(programme), m.sources.bounded(source)).Set(age.Seconds())
}

// Job counts a job of "ingest" or "assess" that is "done", has "failed" and will
// be delivered again, is "dead" (given up), or was "abandoned" (shutdown).
func (m *Metrics) Job(queue, outcome string, took time.Duration) {
	queue, outcome = among(queue, queueNames), among(outcome, jobOutcomes)
	m.jobs.WithLabelValues(queue, outcome).Inc()
	m.jobDuration.WithLabelValues(queue, outcome).Observe(took.Seconds())
}

// QueueWaiting sets how many jobs nobody has taken yet.
func (m *Metrics) QueueWaiting(queue string, jobs int) {
	m.queueWaiting.WithLabelValues(among(queue, queueNames)).Set(float64(jobs))
}

// Assessed counts published assessments.
func (m *Metrics) Assessed(programme string, assessments int) {
	if assessments > 0 {
		m.assessments.WithLabelValues(m.programmes.bounded(programme)).Add(float64(assessments))
	}
}

// ScorePublished tells how long it took from the last byte of an input to the
// score: "model", "radar", "mosaic", "satellite", "sounding", "gauge", or
// "clock" for assessments that no input asked for.
func (m *Metrics) ScorePublished(kind string, sinceLastByte time.Duration) {
	m.publishLatency.WithLabelValues(among(kind, inputKinds)).Observe(sinceLastByte.Seconds())
}

// Sites sets how many sites of a programme are in each state; states that are
// not in the map have none.
func (m *Metrics) Sites(programme string, byState map[string]int) {
	programme = m.programmes.bounded(programme)
	for _, state := range siteStates {
		m.sites.WithLabelValues(programme, state).Set(float64(byState[state]))
	}
}

// ForgetProgramme takes the gauges of a programme away, when another process
// has its schedule or it is gone.
func (m *Metrics) ForgetProgramme(programme string) {
	m.inputAge.DeletePartialMatch(prometheus.Labels{"programme": programme})
	m.sites.DeletePartialMatch(prometheus.Labels{"programme": programme})
	m.assessments.DeleteLabelValues(programme)
	m.programmes.forget(programme)
}

// ClockJump counts a jump that WatchClock reported.
func (m *Metrics) ClockJump(jump time.Duration) {
	direction := "forward"
	if jump < 0 {
		direction = "back"
	}
	m.clockJumps.WithLabelValues(direction).Inc()
}

// DeadLetter counts a job given up.
func (m *Metrics) DeadLetter(queue string) {
	m.deadLetters.WithLabelValues(among(queue, queueNames)).Inc()
}

// DiskFree sets the room left.
func (m *Metrics) DiskFree(bytes int64) { m.diskFree.Set(float64(bytes)) }
