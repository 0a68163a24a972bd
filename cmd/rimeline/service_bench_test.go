package main

import (
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/ingest/rehearsal"
	stores "rimeline/ingest/source"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// load is a service at one moment of the invented storm, with many programmes.
type load struct {
	*rehearsalRun
	moment     time.Time
	programmes []owning
	refs       []programmeRef
	tables     []*inputTable
}

// manySites is the rehearsal's programme with other sites: so many, spread over
// the slope that its own stand on.
func manySites(tb testing.TB, id string, sites int, seed uint64) owning {
	tb.Helper()
	text := string(rehearsal.ProgrammeYAML())
	from, to := strings.Index(text, "\nsites:"), strings.Index(text, "\n# From the upper windward slope")
	if from < 0 || to < from {
		tb.Fatal("the programme of the rehearsal has another form")
	}
	random := rand.New(rand.NewPCG(seed, 1))
	var list strings.Builder
	list.WriteString("\nsites:\n")
	for k := range sites {
		fmt.Fprintf(&list, "  - {id: s%04d, name: Site %d, latitude_deg: %.4f, longitude_deg: %.4f, release_height_m: 4, agent: {kind: generator, rate_g_per_h: 30, yield_table: swift}}\n",
			k, k+1, 44.06+.19*random.Float64(), -113.09+.33*random.Float64())
	}
	text = strings.Replace(text[:from]+list.String()+text[to:], "\nid: vantry\n", "\nid: "+id+"\n", 1)
	b := bundle{File: id + ".yaml", YAML: text}
	p, err := b.parse()
	if err != nil {
		tb.Fatal(err)
	}
	return owning{p, b}
}

// newLoad sets the service up in the second good band and takes in what is there,
// once for each programme.
func newLoad(tb testing.TB, programmes, sitesEach int, points int) *load {
	tb.Helper()
	rare, err := newRareDecoder()
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(func() { rare.Close() })
	env := &environment{Context: tb.Context(), Stdout: tb.Output(), Stderr: tb.Output(), Rare: rare}
	r, err := newRehearsal(env, rehearsalOptions{seed: 1, data: tb.TempDir(), log: slog.New(slog.DiscardHandler), at: 3*time.Hour + 20*time.Minute, points: points})
	if err != nil {
		tb.Fatal(err)
	}
	tb.Cleanup(r.Close)
	l := &load{rehearsalRun: r, moment: r.clock.Now()}
	for k := range programmes {
		o := manySites(tb, fmt.Sprintf("valley-%d", k+1), sitesEach, uint64(k))
		ref, err := r.service.publishProgramme(tb.Context(), o.programme, o.bundle)
		if err != nil {
			tb.Fatal(err)
		}
		l.programmes, l.refs = append(l.programmes, o), append(l.refs, ref)
		l.tables = append(l.tables, newInputTable(o.programme, r.service.needsOf(o.programme)))
	}
	return l
}

// objects lists what the stores have for a programme.
func (l *load) objects(tb testing.TB, k int, kinds ...string) []ingestTask {
	tb.Helper()
	var tasks []ingestTask
	needs := l.service.needsOf(l.programmes[k].programme)
	for _, id := range sortedKeys(needs) {
		if s, _ := stores.Find(needs[id].Source); len(kinds) > 0 && !slices.Contains(kinds, s.Kind) {
			continue
		}
		poller, err := stores.NewPoller(l.service.fetcher, needs[id])
		if err != nil {
			tb.Fatal(err)
		}
		found, err := poller.Poll(tb.Context(), l.moment)
		if err != nil {
			tb.Fatal(err)
		}
		for _, object := range found {
			tasks = append(tasks, ingestTask{Programme: l.refs[k], Need: needs[id], Object: object})
		}
	}
	return tasks
}

func (l *load) ingestAll(tb testing.TB, tasks []ingestTask) {
	tb.Helper()
	for _, task := range tasks {
		data, err := json.Marshal(task)
		if err != nil {
			tb.Fatal(err)
		}
		if err := l.service.ingest(tb.Context(), bus.Job{ID: "x", Data: data}, 1); err != nil {
			tb.Fatal(err)
		}
	}
}

// know reads the records back into the tables.
func (l *load) know(tb testing.TB) {
	tb.Helper()
	for stored, err := range l.service.bus.ReadBack(tb.Context(), bus.Input) {
		if err != nil {
			tb.Fatal(err)
		}
		record, err := message.As[message.Input](stored.Event)
		if err != nil {
			tb.Fatal(err)
		}
		for k, o := range l.programmes {
			if o.programme.ID == record.Programme {
				l.tables[k].add(record)
			}
		}
	}
}

// askNow submits what a schedule submits for a release now.
func (l *load) askNow(tb testing.TB, round int) (sites int) {
	tb.Helper()
	for k, o := range l.programmes {
		c := l.service.newSchedule(o.programme, l.refs[k])
		inputs, _ := l.tables[k].pick(modeNow, l.moment)
		ids := sitesWithin(o.programme, -90, -180, 90, 180)
		moment := l.moment.Add(time.Duration(round) * time.Second)
		if err := c.submitAssess(tb.Context(), assessTask{Programme: l.refs[k], Mode: modeNow, Moment: moment, Inputs: inputs, Trigger: "radar"}, ids, sitesAJob); err != nil {
			tb.Fatal(err)
		}
		sites += len(ids)
	}
	return sites
}

// latencies waits for so many scores beyond a sequence and tells how long after a
// moment each was stored.
func (l *load) latencies(tb testing.TB, after uint64, scores int, since time.Time) []time.Duration {
	tb.Helper()
	var took []time.Duration
	for stored, err := range l.service.bus.Follow(tb.Context(), bus.FollowOptions{Kinds: []bus.Kind{bus.Score}, Since: bus.FromSequence(after + 1)}) {
		if err != nil {
			tb.Fatal(err)
		}
		took = append(took, stored.Time.Sub(since))
		if len(took) == scores {
			break
		}
	}
	slices.Sort(took)
	return took
}

// Sites in programmes of 100, all judged at one moment, from the arrival of a
// radar volume to the last published score. One worker has one core, two have two.
func BenchmarkSites(b *testing.B) {
	for _, test := range []struct{ sites, workers int }{{500, 1}, {500, 2}, {2000, 2}, {4000, 2}, {8000, 2}, {16000, 2}} {
		b.Run(fmt.Sprintf("sites=%d/workers=%d", test.sites, test.workers), func(b *testing.B) {
			defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(test.workers))
			l := newLoad(b, test.sites/100, 100, 0)
			// All programmes use the crops of the first, whose domain is theirs: what is
			// measured is judging and publishing.
			l.ingestAll(b, l.objects(b, 0))
			l.know(b)
			for k := range l.tables {
				l.tables[k].byKey = l.tables[0].byKey
			}
			ctx, stop := context.WithCancel(b.Context())
			defer stop()
			go l.service.workOn(ctx, bus.QueueAssess, test.workers) //nolint:errcheck // ends with ctx
			var all []time.Duration
			var spent time.Duration
			round, scores := 0, 0
			for b.Loop() {
				last, err := l.service.bus.LastSequence(b.Context(), bus.Score)
				if err != nil {
					b.Fatal(err)
				}
				began := time.Now()
				n := l.askNow(b, round)
				took := l.latencies(b, last, n, began)
				spent += time.Since(began)
				all, scores, round = append(all, took...), scores+n, round+1
			}
			slices.Sort(all)
			var memory runtime.MemStats
			runtime.ReadMemStats(&memory)
			b.ReportMetric(float64(scores)/spent.Seconds(), "scores/s")
			b.ReportMetric(all[len(all)/2].Seconds(), "p50-s")
			b.ReportMetric(all[len(all)*99/100].Seconds(), "p99-s")
			b.ReportMetric(float64(memory.HeapInuse)/1e6, "heap-MB")
		})
	}
}

// A model hour, about 100 MB through byte ranges from a local store, to the
// published scores of 20 sites.
func BenchmarkModelHourToScores(b *testing.B) {
	benchmarkArrival(b, stores.KindModel, 520)
}

// A radar volume in pieces to the published scores of 20 sites.
func BenchmarkRadarVolumeToScores(b *testing.B) {
	benchmarkArrival(b, stores.KindRadar, 0)
}

// benchmarkArrival takes in everything but the newest object of a kind, and
// measures from there.
func benchmarkArrival(b *testing.B, kind string, points int) {
	l := newLoad(b, 1, 20, points)
	tasks := slices.DeleteFunc(l.objects(b, 0), func(task ingestTask) bool {
		// Of the model only the run that a release now is judged by: its hours take
		// long to make.
		run := l.moment.Truncate(time.Hour).Add(-time.Hour)
		ahead := task.Object.ValidTime.Sub(l.moment)
		return task.Object.Kind == stores.KindModel && (!task.Object.ReferenceTime.Equal(run) || ahead < -2*time.Hour || ahead > 3*time.Hour)
	})
	at := -1
	for k, task := range tasks {
		if task.Object.Kind == kind && task.Object.Complete && (at < 0 || !task.Object.ValidTime.Before(tasks[at].Object.ValidTime)) && task.Object.ValidTime.Before(l.moment.Add(2*time.Hour)) {
			at = k
		}
	}
	if at < 0 {
		b.Fatalf("no object of kind %s", kind)
	}
	newest := tasks[at]
	l.ingestAll(b, slices.Delete(slices.Clone(tasks), at, at+1))
	round := 0
	old := l.service
	for b.Loop() {
		// A service that remembers nothing of the iteration before.
		l.service = newService(&service{clock: old.clock, bus: old.bus, fetcher: old.fetcher, rare: old.rare, log: old.log, metrics: old.metrics,
			worker: old.worker, mirrors: old.mirrors, rehearsed: true})
		ctx, stop := context.WithCancel(b.Context())
		go l.service.workOn(ctx, bus.QueueAssess, 2) //nolint:errcheck // ends with ctx
		last, err := l.service.bus.LastSequence(b.Context(), bus.Score)
		if err != nil {
			b.Fatal(err)
		}
		began := time.Now()
		l.ingestAll(b, []ingestTask{newest})
		l.know(b)
		n := l.askNow(b, round)
		took := l.latencies(b, last, n, began)
		b.ReportMetric(took[len(took)-1].Seconds(), "s-to-last-score")
		round++
		stop()
	}
	var bytes int64
	for _, part := range newest.Object.Parts {
		bytes += part.Bytes
	}
	b.ReportMetric(float64(bytes)/1e6, "MB-stored")
}
