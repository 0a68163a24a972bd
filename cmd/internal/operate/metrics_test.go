package operate

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus/testutil"
)

// metricsOf every kind, once.
func used() *Metrics {
	m := NewMetrics("1.2.3")
	m.Input("hrrr", "ingested")
	m.Fetched("hrrr", 1000)
	m.InputAge("demo", "hrrr", 90*time.Second)
	m.Job("ingest", "done", 2*time.Second)
	m.QueueWaiting("assess", 7)
	m.Assessed("demo", 4)
	m.ScorePublished("radar", 2500*time.Millisecond)
	m.Sites("demo", map[string]int{"quiet": 3, "window": 1})
	m.ClockJump(-5 * time.Second)
	m.DeadLetter("ingest")
	m.DiskFree(12345)
	return m
}

// All that is ours, and what one use of each says. Names and units as the
// Prometheus documentation asks ("Metric and label naming").
func TestMetricsAreAllListed(t *testing.T) {
	m := used()
	families, err := m.Registry.Gather()
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, f := range families {
		if !strings.HasPrefix(f.GetName(), "rimeline_") {
			continue
		}
		var labels []string
		for _, l := range f.GetMetric()[0].GetLabel() {
			labels = append(labels, l.GetName())
		}
		if f.GetHelp() == "" {
			t.Errorf("%s has no help", f.GetName())
		}
		got = append(got, fmt.Sprintf("%s %s %s", f.GetName(), strings.ToLower(f.GetType().String()), strings.Join(labels, ",")))
	}
	want := []string{
		"rimeline_assessments_total counter programme",
		"rimeline_build_info gauge go_version,revision,version",
		"rimeline_clock_jumps_total counter direction",
		"rimeline_dead_letters_total counter queue",
		"rimeline_disk_free_bytes gauge ",
		"rimeline_fetched_bytes_total counter source",
		"rimeline_input_age_seconds gauge programme,source",
		"rimeline_inputs_total counter outcome,source",
		"rimeline_job_duration_seconds histogram outcome,queue",
		"rimeline_jobs_total counter outcome,queue",
		"rimeline_queue_waiting_jobs gauge queue",
		"rimeline_score_publish_latency_seconds histogram kind",
		"rimeline_sites gauge programme,state",
	}
	if !slices.Equal(got, want) {
		t.Errorf("got\n%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	for _, name := range []string{"go_goroutines", "process_open_fds"} {
		if n, err := testutil.GatherAndCount(m.Registry, name); err != nil || n != 1 {
			t.Errorf("%s: %d series, %v", name, n, err)
		}
	}
	problems, err := testutil.GatherAndLint(m.Registry)
	if err != nil {
		t.Fatal(err)
	}
	for _, p := range problems {
		if strings.HasPrefix(p.Metric, "rimeline_") {
			t.Errorf("lint: %s: %s", p.Metric, p.Text)
		}
	}
}

func TestMetricValues(t *testing.T) {
	m := used()
	m.Job("ingest", "failed", time.Second)
	m.ClockJump(time.Minute)
	if err := testutil.GatherAndCompare(m.Registry, strings.NewReader(`
# HELP rimeline_sites Sites of a programme that are in a state.
# TYPE rimeline_sites gauge
rimeline_sites{programme="demo",state="blind"} 0
rimeline_sites{programme="demo",state="building"} 0
rimeline_sites{programme="demo",state="hold"} 0
rimeline_sites{programme="demo",state="quiet"} 3
rimeline_sites{programme="demo",state="window"} 1
# HELP rimeline_clock_jumps_total Jumps of the machine's clock by more than 2 s.
# TYPE rimeline_clock_jumps_total counter
rimeline_clock_jumps_total{direction="back"} 1
rimeline_clock_jumps_total{direction="forward"} 1
# HELP rimeline_input_age_seconds Age of the newest input that a programme has of a source, by its valid time or the start of its model run.
# TYPE rimeline_input_age_seconds gauge
rimeline_input_age_seconds{programme="demo",source="hrrr"} 90
# HELP rimeline_fetched_bytes_total Bytes received from a source.
# TYPE rimeline_fetched_bytes_total counter
rimeline_fetched_bytes_total{source="hrrr"} 1000
`), "rimeline_sites", "rimeline_clock_jumps_total", "rimeline_input_age_seconds", "rimeline_fetched_bytes_total"); err != nil {
		t.Error(err)
	}
	m.ForgetProgramme("demo")
	if n, err := testutil.GatherAndCount(m.Registry, "rimeline_sites", "rimeline_input_age_seconds"); err != nil || n != 0 {
		t.Errorf("%d gauges of a forgotten programme (%v)", n, err)
	}
}

func TestLabelsAreBounded(t *testing.T) {
	m := NewMetrics("1.2.3")
	for k := range 10_000 {
		name := fmt.Sprint("n", k)
		m.Input(name, name)
		m.Job(name, name, 0)
		m.ScorePublished(name, 0)
		m.DeadLetter(name)
		m.Sites(name, map[string]int{name: 1})
		m.InputAge(name, "hrrr", 0)
	}
	n, err := testutil.GatherAndCount(m.Registry)
	if err != nil {
		t.Fatal(err)
	}
	if most := 1000; n > most {
		t.Errorf("%d series, at most %d", n, most)
	}
}
