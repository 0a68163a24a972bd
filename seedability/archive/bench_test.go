package archive

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"rimeline/seedability"
	"rimeline/seedability/bus"
)

// messagesOf a day: sites are judged every five minutes.
func manySites(n int) []seedability.SiteRef {
	sites := make([]seedability.SiteRef, n)
	for k := range sites {
		sites[k] = seedability.SiteRef{ID: fmt.Sprintf("site-%03d", k), Name: fmt.Sprintf("Bench %d", k), LatitudeDeg: 43 + .01*float64(k), LongitudeDeg: -115 + .01*float64(k), AltitudeM: 1400 + float64(k)}
	}
	return sites
}

// BenchmarkAdd archives half a day of 48 sites, 37 steps of path in each assessment,
// everything included: decoding, tables, netCDF, compression, forcing to the disk,
// reading back. With -cpu 1 it is what one core does. Numbers have noise in all their
// digits, so that they compress no better than real ones.
func BenchmarkAdd(b *testing.B) {
	sites := manySites(48)
	random := rand.New(rand.NewPCG(5, 6))
	var events []bus.Event
	size := 0
	for k := range 48 * 144 {
		site := sites[k%len(sites)]
		when := night.Truncate(24 * time.Hour).Add(time.Duration(k/len(sites)) * 5 * time.Minute)
		a := inventedAssessment(site, when, 37)
		noise := func(x *float64) { *x *= 1 + .01*random.NormFloat64() }
		for i := range a.Path {
			s := &a.Path[i]
			for _, x := range []*float64{&s.LatitudeDeg, &s.LongitudeDeg, &s.AltitudeM, &s.HeightM, s.AirTemperatureK, &s.SpreadM, &s.AltitudeSpreadM, s.LiquidPathKgPerM2} {
				noise(x)
			}
		}
		for i := range a.Score.Components {
			if c := &a.Score.Components[i]; c.Input != nil {
				noise(c.Input)
				noise(c.Value)
			}
		}
		for _, x := range []*float64{a.Score.Value, a.Score.Opportunity, a.Score.TargetProbability, &a.Confidence.Value, &a.Transport.Activation.LatitudeDeg, &a.Transport.Activation.LongitudeDeg, &a.Transport.Activation.AltitudeM,
			&a.Transport.Landing.LatitudeDeg, &a.Transport.Landing.LongitudeDeg, &a.Transport.Landing.AltitudeM, a.Levels.CloudBaseM, a.Levels.CloudTopM, a.Levels.CloudTopK} {
			noise(x)
		}
		e, err := bus.NewEvent(bus.Score, invented, site.ID, when, a)
		if err != nil {
			b.Fatal(err)
		}
		events = append(events, e)
		size += len(e.Data)
	}
	b.SetBytes(int64(size))
	b.ReportAllocs()
	used := processorTime(b)
	for b.Loop() {
		a, err := Open(b.TempDir(), Options{Programmes: map[string]Programme{invented: {Name: "Larkspur"}}})
		if err != nil {
			b.Fatal(err)
		}
		for k, e := range events {
			if err := a.Add(b.Context(), "score", uint64(k)+1, e.Time, e); err != nil {
				b.Fatal(err)
			}
		}
		if err := a.Flush(b.Context()); err != nil {
			b.Fatal(err)
		}
		m := manifestOf(b, a.Reader, "2026-01-14")
		b.ReportMetric(m.AssessmentBytes, "bytes/assessment")
		b.ReportMetric(float64(m.Generation), "writings")
		a.Close()
	}
	// On a machine that others use too the time of the processor says more than that
	// of the clock.
	b.ReportMetric(float64(b.N*len(events))/(processorTime(b)-used).Seconds(), "assessments/processor-s")
	b.ReportMetric(float64(b.N*len(events))/b.Elapsed().Seconds(), "assessments/s")
	b.ReportMetric(float64(size/len(events)), "JSON-bytes/assessment")
}

// processorTime that this process has used.
func processorTime(b *testing.B) time.Duration {
	b.Helper()
	var u unix.Rusage
	if err := unix.Getrusage(unix.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}

// season names a folder for two seasons of 180 days, made where they are not there, in
// some minutes: "scores" of 200 sites with an assessment every five minutes, 10.4
// million, and "outlooks" of 20 sites with the same and an outlook of 104 releases
// every hour, 1.04 million assessments and 8.99 million releases. The second is what
// "rimeline evaluate" is timed on: time rimeline evaluate --archive $SEASON/outlooks.
const season = "RIMELINE_TEST_SEASON"

// inventedSeason is how a site's weather goes: storms of some hours, every few days.
type inventedSeason struct {
	random *rand.Rand
	storm  float64
}

// next is the score after five minutes.
func (s *inventedSeason) next() float64 {
	s.storm += .02*(-.8-s.storm) + .12*s.random.NormFloat64()
	return 100 / (1 + math.Exp(-2.5*s.storm))
}

func stateOf(score float64) seedability.State {
	switch {
	case score >= 60:
		return seedability.StateWindow
	case score >= 30:
		return seedability.StateBuilding
	}
	return seedability.StateQuiet
}

// seasonArchive writes the tables of a season without the messages, which take most of
// the time and are not read here.
func seasonArchive(b *testing.B, name string) *Reader {
	b.Helper()
	dir := os.Getenv(season)
	if dir == "" {
		b.Skipf("%s names no folder for seasons of 10 million assessments (some GB)", season)
	}
	dir = filepath.Join(dir, name)
	const perDay, releases = 288, 104
	days := 180
	if text := os.Getenv(season + "_DAYS"); text != "" {
		var err error
		if days, err = strconv.Atoi(text); err != nil {
			b.Fatal(err)
		}
	}
	sites := manySites(200)
	if name == "outlooks" {
		sites = sites[:20]
	}
	begin := time.Date(2025, 10, 1, 0, 0, 0, 0, time.UTC)
	last := begin.AddDate(0, 0, days-1).Format(dayForm)
	if _, err := os.Stat(filepath.Join(dir, invented, last, manifestName)); err != nil {
		a := openArchive(b, dir, Options{})
		from := time.Now()
		weather := make([]inventedSeason, len(sites))
		for k := range weather {
			weather[k].random = rand.New(rand.NewPCG(9, uint64(k)))
		}
		outlooks := uint64(0)
		for day := range days {
			at := begin.AddDate(0, 0, day)
			d, err := a.day(dayKey{invented, at.Format(dayForm)})
			if err != nil {
				b.Fatal(err)
			}
			for k, site := range sites {
				block := d.block(TableScores, site.ID)
				for n := range perDay {
					when := at.Add(time.Duration(n) * 5 * time.Minute)
					assessment := inventedAssessment(site, when, 0)
					score := weather[k].next()
					assessment.Score.Value, assessment.State = &score, stateOf(score)
					assessment.Standing.State = assessment.State
					sequence := uint64(day*perDay*len(sites) + n*len(sites) + k + 1)
					add(block, scoreColumns, &scoreRow{stamp{site: site.ID, sequence: sequence, id: fmt.Sprintf("%016x", sequence), at: when}, &assessment})
					if name != "outlooks" || n%12 != 0 {
						continue
					}
					// What is foreseen fades into noise with its lead.
					outlooks++
					o := seedability.Outlook{Programme: invented, Site: site, IssuedAt: when, ModelReferenceTime: when.Add(-100 * time.Minute)}
					for release := range releases {
						lead := 10 * float64(release+1)
						x := math.Max(0, math.Min(100, score+lead/12*weather[k].random.NormFloat64()))
						o.Releases = append(o.Releases, seedability.OutlookRelease{ReleaseTime: when.Add(time.Duration(lead) * time.Minute), LeadMinutes: lead, Score: &x, Opportunity: number(x / 100), TargetProbability: number(.7),
							Confidence: .8 - lead/4000, State: stateOf(x), ActivationMinutes: number(18 + x/50), LandingMinutes: number(44 + x/30)})
					}
					s := stamp{site: site.ID, sequence: outlooks, id: fmt.Sprintf("%016x", outlooks), at: when}
					of := d.block(TableOutlooks, site.ID)
					for r := range o.Releases {
						add(of, outlookColumns, &outlookRow{s, &o, &o.Releases[r]})
					}
				}
			}
			d.events = perDay * len(sites)
			d.block(tableIndex, "score") // a day without one is none
			if err := a.rewrite(b.Context(), d); err != nil {
				b.Fatal(err)
			}
			delete(a.days, d.key)
		}
		b.Logf("season written in %v", time.Since(from))
		a.Close()
	}
	r, err := OpenReader(dir)
	if err != nil {
		b.Fatal(err)
	}
	return r
}

// BenchmarkOneSiteSeason reads two columns of one site over a season, of assessments
// and of what outlooks said.
func BenchmarkOneSiteSeason(b *testing.B) {
	query := Query{Programme: invented, Sites: []string{"site-007"}}
	for _, test := range []struct{ season, table string }{{"scores", TableScores}, {"outlooks", TableScores}, {"outlooks", TableOutlooks}} {
		b.Run(test.table+"-of-"+test.season, func(b *testing.B) {
			r := seasonArchive(b, test.season)
			for b.Loop() {
				clear(r.manifests) // as a new process
				rows := 0
				for one, err := range r.Table(b.Context(), test.table, query, "score", "confidence") {
					if err != nil {
						b.Fatal(err)
					}
					rows += one.Len
				}
				b.ReportMetric(float64(rows), "rows")
			}
		})
	}
}

// BenchmarkWholeSeason reads the score of every site.
func BenchmarkWholeSeason(b *testing.B) {
	r := seasonArchive(b, "scores")
	for b.Loop() {
		clear(r.manifests)
		rows, sum := 0, 0.
		for one, err := range r.Scores(b.Context(), Query{Programme: invented}, "score", "confidence", "state") {
			if err != nil {
				b.Fatal(err)
			}
			rows += one.Len
			for _, x := range one.Column("score").Floats {
				sum += x
			}
		}
		b.ReportMetric(float64(rows), "rows")
	}
}
