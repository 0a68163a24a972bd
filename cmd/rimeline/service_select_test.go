package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	stores "rimeline/ingest/source"
	"rimeline/seedability/message"
)

var noon = time.Date(2026, 2, 3, 12, 0, 0, 0, time.UTC)

// records makes the table of a programme that drifts for two hours.
func tableOf(t *testing.T, records ...message.Input) *inputTable {
	t.Helper()
	p, err := parseProgramme("vantry.yaml", rehearsalText(), nil)
	if err != nil {
		t.Fatal(err)
	}
	table := newInputTable(p, (&service{}).needsOf(p))
	for _, r := range records {
		table.add(r)
	}
	return table
}

func modelHours(run time.Time, hours ...int) []message.Input {
	var all []message.Input
	for _, h := range hours {
		id := fmt.Sprintf("hrrr/%s/f%03d", run.Format("20060102T15Z"), h)
		all = append(all, message.Input{Source: "hrrr", Kind: stores.KindModel, ObjectID: id, ReferenceTime: run, ValidTime: run.Add(time.Duration(h) * time.Hour), Crop: &message.Crop{Object: id}})
	}
	return all
}

func pictureOf(kind, source, station, product string, at time.Time) message.Input {
	id := source + "/" + station + product + at.Format("150405")
	return message.Input{Source: source, Kind: kind, ObjectID: id, Station: station, Product: product, ValidTime: at, Crop: &message.Crop{Object: id}}
}

func through(n int) []int {
	var hours []int
	for h := range n + 1 {
		hours = append(hours, h)
	}
	return hours
}

func picked(inputs []inputRef, kind string) string {
	var names []string
	for _, i := range inputs {
		if i.Kind == kind {
			names = append(names, strings.TrimPrefix(strings.TrimPrefix(i.Object, "hrrr/20260203T"), "nexrad-chunks/"))
		}
	}
	return strings.Join(names, " ")
}

// While a run is arriving, the release now takes it as soon as it covers the
// drift, and the outlook takes the newest that is whole.
func TestPickRun(t *testing.T) {
	hours := newInputTableHours(t)
	old, fresh := noon.Add(-2*time.Hour), noon.Add(-time.Hour)
	for _, test := range []struct {
		name         string
		records      []message.Input
		now, outlook string
	}{
		{"nothing", nil, "", ""},
		{"old run whole, new one just begun", append(modelHours(old, through(hours)...), modelHours(fresh, 0, 1, 2)...),
			"10Z/f001 10Z/f002 10Z/f003 10Z/f004", "10Z/f001"},
		{"new run covers two hours from now", append(modelHours(old, through(hours)...), modelHours(fresh, 0, 1, 2, 3)...),
			"11Z/f000 11Z/f001 11Z/f002 11Z/f003", "10Z/f001"},
		{"new run whole", append(modelHours(old, through(hours)...), modelHours(fresh, through(hours)...)...),
			"11Z/f000 11Z/f001 11Z/f002 11Z/f003", "11Z/f000"},
		{"only a part of one run", modelHours(fresh, 0, 1, 2), "11Z/f000 11Z/f001 11Z/f002", "11Z/f000"},
		{"a run that begins later", modelHours(noon.Add(time.Hour), through(hours)...), "", ""},
		{"a run of yesterday", modelHours(noon.Add(-24*time.Hour), through(hours)...), "", ""},
	} {
		table := tableOf(t, test.records...)
		now, _ := table.pick(modeNow, noon)
		if got := picked(now, stores.KindModel); got != test.now {
			t.Errorf("%s: now from %q, want %q", test.name, got, test.now)
		}
		ahead, _ := table.pick(modeOutlook, noon)
		if got := strings.Fields(picked(ahead, stores.KindModel) + " "); (len(got) == 0) != (test.outlook == "") || len(got) > 0 && got[0] != test.outlook {
			t.Errorf("%s: outlook from %q, want it to begin with %q", test.name, got, test.outlook)
		}
	}
}

func newInputTableHours(t *testing.T) int { return tableOf(t).models[0].forecastHours }

// Of pictures the newest few count, none too old, and none from the future.
func TestPickPictures(t *testing.T) {
	var records []message.Input
	for _, minutes := range []int{-60, -21, -16, -11, -6, -1, 4, 9} {
		records = append(records, pictureOf(stores.KindRadar, "nexrad-chunks", "XVNT", "", noon.Add(time.Duration(minutes)*time.Minute)))
	}
	records = append(records,
		pictureOf(stores.KindSatellite, "goes-west", "", "ABI-L2-ACTPC", noon.Add(-20*time.Minute)),
		pictureOf(stores.KindSatellite, "goes-west", "", "ABI-L2-ACTPC", noon.Add(-10*time.Minute)),
		pictureOf(stores.KindSatellite, "goes-west", "", "ABI-L2-ACHTF", noon.Add(-30*time.Minute)))
	unusable := pictureOf(stores.KindRadar, "nexrad-chunks", "XVNT", "", noon)
	unusable.Crop, unusable.Error = nil, "damaged"
	slices.Reverse(records) // the order of arrival does not matter
	table := tableOf(t, append(records, unusable)...)
	inputs, _ := table.pick(modeNow, noon)
	if got, want := picked(inputs, stores.KindRadar), "XVNT115400 XVNT115900 XVNT120400"; got != want {
		t.Errorf("radar %q, want %q", got, want)
	}
	if got, want := picked(inputs, stores.KindSatellite), "goes-west/ABI-L2-ACHTF113000 goes-west/ABI-L2-ACTPC115000"; got != want {
		t.Errorf("satellite %q, want %q", got, want)
	}
	table.forget(noon.Add(keepInputsFor))
	if n := len(table.byKey); n != 2 { // the two of the future
		t.Errorf("%d records after their time", n)
	}
}

// What is asked for twice at a time is made once; errors are not remembered; the
// oldest goes when the limit is passed.
func TestRemembered(t *testing.T) {
	r := remembered[int]{limit: 3}
	var made atomic.Int32
	slow := func() (int, int64, error) {
		time.Sleep(20 * time.Millisecond)
		return int(made.Add(1)), 1, nil
	}
	var group sync.WaitGroup
	for range 10 {
		group.Go(func() {
			if v, err := r.get(t.Context(), "a", slow); v != 1 || err != nil {
				t.Errorf("%d, %v", v, err)
			}
		})
	}
	group.Wait()
	fails := errors.New("not now")
	if _, err := r.get(t.Context(), "b", func() (int, int64, error) { return 0, 1, fails }); !errors.Is(err, fails) {
		t.Error(err)
	}
	if v, err := r.get(t.Context(), "b", slow); v != 2 || err != nil {
		t.Errorf("after an error: %d, %v", v, err)
	}
	for _, name := range []string{"c", "a", "d"} { // b is the least used
		if _, err := r.get(t.Context(), name, slow); err != nil {
			t.Fatal(err)
		}
	}
	before := made.Load()
	for name, again := range map[string]int32{"a": 0, "b": 1} {
		if _, err := r.get(t.Context(), name, slow); err != nil {
			t.Fatal(err)
		}
		if got := made.Load() - before; got != again {
			t.Errorf("%s was made %d times again, want %d", name, got, again)
		}
		before = made.Load()
	}

	// Who waits is not called off with the one who makes.
	ctx, cancel := context.WithCancel(t.Context())
	begun := make(chan struct{})
	go r.get(ctx, "e", func() (int, int64, error) { //nolint:errcheck // the other call is looked at
		close(begun)
		<-ctx.Done()
		return 0, 0, ctx.Err()
	})
	<-begun
	time.AfterFunc(10*time.Millisecond, cancel)
	if _, err := r.get(t.Context(), "e", slow); err != nil {
		t.Errorf("waited for one that was called off: %v", err)
	}
}

// A clock that is set back does not leave the sites unjudged until it has caught
// up, and what was published ahead of it does not stand in the way.
func TestClockSetBack(t *testing.T) {
	table := tableOf(t)
	s := &service{clock: clock.NewStepped(noon, 0), log: slog.New(slog.DiscardHandler)}
	c := s.newSchedule(table.programme, programmeRef{})
	c.notice(noon.Add(2 * time.Hour))
	c.lastNow, c.lastOutlook, c.nowNotBefore = noon.Add(2*time.Hour), noon.Add(2*time.Hour), noon.Add(2*time.Hour)
	c.dirty["hobnail"], c.dirtyDue = true, noon.Add(2*time.Hour)

	c.notice(noon.Add(2*time.Hour - time.Second)) // clocks are adjusted all the time
	if !c.lastNow.Equal(noon.Add(2 * time.Hour)) {
		t.Error("a second is no reason to begin anew")
	}
	c.notice(noon)
	idle := time.Duration(c.programme.Watch.IdleMinutes * float64(time.Minute))
	for what, due := range map[string]time.Time{"assessment": c.lastNow.Add(idle), "trigger": c.dirtyDue, "start": c.nowNotBefore} {
		if due.After(noon) {
			t.Errorf("the next %s is due at %v, the clock shows %v", what, due, noon)
		}
	}
	if due := c.outlookDue(); due.IsZero() || due.After(noon.Add(outlookAfter)) {
		t.Errorf("the next outlook is due at %v, the clock shows %v", due, noon)
	}
	for _, test := range []struct {
		published, moment time.Duration
		want              bool
	}{{0, 0, true}, {time.Minute, 0, true}, {-time.Minute, 0, false}, {2 * time.Hour, 0, false}} {
		if got := s.supersedes(noon.Add(test.published), noon.Add(test.moment)); got != test.want {
			t.Errorf("published %v from now, moment %v: superseded %v", test.published, test.moment, got)
		}
	}
}
