package archive

import (
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/bus"
)

// What comes back is what was given, byte for byte, of every kind, in the order in
// which it was stored.
func TestEventsComeBackAsTheyCame(t *testing.T) {
	dir := t.TempDir()
	s := inventedNight(t, 6)
	a := openArchive(t, dir, Options{})
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	noProblems(t, dir)
	want := map[string][]given{}
	for _, g := range s.all {
		want[g.kind] = append(want[g.kind], g)
	}
	var got int
	for _, programme := range []string{invented, serviceName} {
		var before time.Time
		for stored, err := range a.Stored(t.Context(), Query{Programme: programme}) {
			if err != nil {
				t.Fatal(err)
			}
			if stored.Time.Before(before) {
				t.Errorf("message stored at %v after one of %v", stored.Time, before)
			}
			before = stored.Time
			kind := ""
			for _, k := range bus.Kinds() {
				if k.Type == stored.Event.Type {
					kind = k.Name
				}
			}
			if len(want[kind]) == 0 {
				t.Fatalf("%s came back once too often", kind)
			}
			first := want[kind][0]
			want[kind] = want[kind][1:]
			if stored.Sequence != first.sequence || !stored.Time.Equal(first.stored) || !reflect.DeepEqual(stored.Event, first.event) {
				t.Errorf("%s %d came back as %d %v\n%+v\nwant\n%+v", kind, first.sequence, stored.Sequence, stored.Time, stored.Event, first.event)
			}
			got++
		}
	}
	if got != len(s.all) {
		t.Errorf("%d messages came back of %d", got, len(s.all))
	}
	for kind, next := range s.next {
		if a.Positions()[kind] != next {
			t.Errorf("position of %s is %d, want %d", kind, a.Positions()[kind], next)
		}
	}
}

// The table of scores has each number of each assessment.
func TestScoresComeBack(t *testing.T) {
	dir := t.TempDir()
	s := inventedNight(t, 20)
	a := openArchive(t, dir, Options{})
	// In three writings, so that rows are merged.
	third := len(s.all) / 3
	for k, g := range s.all {
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
		if k == third || k == 2*third {
			if err := a.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	want := map[string][]seedability.Assessment{}
	for _, g := range s.all {
		if g.kind == "score" {
			var one seedability.Assessment
			if err := json.Unmarshal(g.event.Data, &one); err != nil {
				t.Fatal(err)
			}
			want[one.Site.ID] = append(want[one.Site.ID], one)
		}
	}
	r, err := OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	same := func(name string, got float64, want *float64) {
		t.Helper()
		if want == nil != math.IsNaN(got) || want != nil && *want != got {
			t.Errorf("%s is %v, want %v", name, got, want)
		}
	}
	sites := 0
	for rows, err := range r.Scores(t.Context(), Query{Programme: invented}) {
		if err != nil {
			t.Fatal(err)
		}
		sites++
		of := want[rows.Site]
		if rows.Len != len(of) {
			t.Fatalf("%s has %d rows, want %d", rows.Site, rows.Len, len(of))
		}
		for k := range of {
			w := &of[k]
			if at := TimeOf(rows.Column("time").Ints[k]); !at.Equal(w.ReleaseTime) {
				t.Errorf("%s row %d is of %v, want %v", rows.Site, k, at, w.ReleaseTime)
			}
			if state := rows.Column("state").Texts[k]; state != string(w.State) {
				t.Errorf("state %q, want %q", state, w.State)
			}
			same("score", rows.Column("score").Floats[k], w.Score.Value)
			same("component_liquid", rows.Column("component_liquid").Floats[k], w.Score.Components[0].Value)
			same("component_band", rows.Column("component_band").Floats[k], nil)
			minus10 := w.Levels.IsothermsM["-10"]
			same("isotherm", rows.Column("isotherm_minus_10_altitude").Floats[k], &minus10)
			same("no isotherm", rows.Column("isotherm_minus_20_altitude").Floats[k], nil)
			same("activation temperature", rows.Column("activation_air_temperature").Floats[k], w.Transport.Activation.AirTemperatureK)
			same("landing temperature", rows.Column("landing_air_temperature").Floats[k], nil)
			same("liquid", rows.Column("supercooled_liquid_water_path").Floats[k], w.Liquid.UsedKgPerM2)
			wantAt := w.ReleaseTime.Add(time.Duration(*w.Transport.LandingMinutes.Q50 * float64(time.Minute)))
			if at := TimeOf(rows.Column("landing_time").Ints[k]); at.Sub(wantAt).Abs() > time.Microsecond {
				t.Errorf("landing at %v, want %v", at, wantAt)
			}
		}
	}
	if sites != len(inventedSites) {
		t.Errorf("%d sites, want %d", sites, len(inventedSites))
	}
	// One site and a part of the time, some columns.
	n := 0
	for rows, err := range r.Scores(t.Context(), Query{Programme: invented, Sites: []string{"quill"}, From: at(10), To: at(30)}, "score") {
		if err != nil {
			t.Fatal(err)
		}
		if rows.Site != "quill" || len(rows.Columns) != 2 {
			t.Errorf("rows of %s in %d columns", rows.Site, len(rows.Columns))
		}
		n += rows.Len
	}
	if n != 4 {
		t.Errorf("%d rows from 10 to 30 min, want 4 (10, 15, 20, 25)", n)
	}
	n = 0
	for rows, err := range r.Table(t.Context(), TablePaths, Query{Programme: invented}, "latitude", "cloud_liquid") {
		if err != nil {
			t.Fatal(err)
		}
		n += rows.Len
		same("cloud liquid at the start", rows.Column("cloud_liquid").Floats[0], nil)
	}
	if n != 12*20*len(inventedSites) {
		t.Errorf("%d steps of paths, want %d", n, 12*20*len(inventedSites))
	}
	for rows, err := range r.OutlookReleases(t.Context(), Query{Programme: invented}) {
		if err != nil {
			t.Fatal(err)
		}
		if rows.Len != 2 {
			t.Errorf("%d releases of the outlook, want 2", rows.Len)
		}
		same("score of a blind release", rows.Column("score").Floats[1], nil)
	}
}

// The same message again, under the same or another number, in the same or a later
// writing, after closing: it is there once.
func TestRepeatsAreDropped(t *testing.T) {
	dir := t.TempDir()
	s := inventedNight(t, 2)
	a := openArchive(t, dir, Options{})
	s.feed(t, a)
	for _, g := range s.all[:3] {
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	generation := manifestOf(t, a.Reader, "2026-01-14").Generation
	g := s.all[0]
	if err := a.Add(t.Context(), g.kind, s.next["score"]+1, g.stored, g.event); err != nil {
		t.Fatal(err)
	}
	a.Close()
	a = openArchive(t, dir, Options{})
	s.next["score"]++ // the repeat has a number of its own
	for _, g := range s.all {
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	m := manifestOf(t, a.Reader, "2026-01-14")
	if m.Generation != generation {
		t.Errorf("repeats made writing %d of %d", m.Generation, generation)
	}
	if want := len(s.all) - 1; m.Events != want { // health lies elsewhere
		t.Errorf("%d messages, want %d", m.Events, want)
	}
}

// A stream that was made anew counts from 1 again: its messages are others.
func TestStreamMadeAnew(t *testing.T) {
	a := openArchive(t, t.TempDir(), Options{})
	s := newStream(t)
	for k := range 4 {
		s.put(bus.Score, "quill", at(k), inventedAssessment(inventedSites[1], at(k), 2))
	}
	for k, g := range s.all {
		if err := a.Add(t.Context(), g.kind, uint64(k%2)+1, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
		if k == 1 || k == 2 {
			if err := a.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
			if want := uint64(2 - k/2); a.Positions()["score"] != want {
				t.Errorf("after %d messages the position is %d, want %d", k+1, a.Positions()["score"], want)
			}
		}
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if m := manifestOf(t, a.Reader, "2026-01-14"); m.Events != 4 {
		t.Errorf("%d messages, want 4", m.Events)
	}
}

// Positions are those of one stream, also after closing; of another they begin anew.
func TestPositionsOfAStream(t *testing.T) {
	dir := t.TempDir()
	s := newStream(t)
	s.put(bus.Score, "quill", at(0), inventedAssessment(inventedSites[1], at(0), 2))
	for _, test := range []struct {
		made time.Time
		want uint64 // position that is found
	}{{at(-9), 0}, {at(-9), 1}, {at(-9).In(time.FixedZone("", 3600)), 1}, {at(-8), 0}, {at(-8), 1}, {at(-9), 0}} {
		a := openArchive(t, dir, Options{})
		a.StreamMade("score", test.made)
		if got := a.Positions()["score"]; got != test.want {
			t.Errorf("stream of %v: position %d, want %d", test.made, got, test.want)
		}
		s.feed(t, a)
		if err := a.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
		a.Close()
	}
	noProblems(t, dir)
}

// Late messages reopen the day; a day is that of the event, not of its storing.
func TestLateMessagesReopenTheDay(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	s := newStream(t)
	put := func(k int, when time.Time) {
		s.put(bus.Score, "quill", when, inventedAssessment(inventedSites[1], when, 3))
		g := s.all[len(s.all)-1]
		if err := a.Add(t.Context(), g.kind, g.sequence, at(20000+k), g.event); err != nil {
			t.Fatal(err)
		}
		if err := a.Flush(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	for day := range 8 { // more days than are kept in mind
		put(day, at(1440*day))
	}
	put(9, at(7))
	if m := manifestOf(t, a.Reader, "2026-01-14"); m.Generation != 2 || m.Events != 2 || m.Tables[TableScores].Rows != 2 {
		t.Errorf("the first day has writing %d with %d messages and %d scores, want 2, 2, 2", m.Generation, m.Events, m.Tables[TableScores].Rows)
	}
	days, err := a.Days(invented)
	if err != nil || len(days) != 8 {
		t.Fatalf("%d days (%v), want 8", len(days), err)
	}
	entries, err := os.ReadDir(filepath.Dir(days[0].Folder))
	if err != nil || len(entries) != 2 {
		t.Errorf("the first day's folder has %d entries (%v), want manifest and one writing", len(entries), err)
	}
	noProblems(t, dir)
}

func manifestOf(t testing.TB, r *Reader, day string) *Manifest {
	t.Helper()
	m, err := r.manifest(dayKey{invented, day})
	if err != nil {
		t.Fatal(err)
	}
	return m
}

// One writer; readers beside it.
func TestOneWriter(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrLocked) {
		t.Errorf("a second writer got %v, want %v", err, ErrLocked)
	}
	if _, err := OpenReader(dir); err != nil {
		t.Error(err)
	}
	a.Close()
	openArchive(t, dir, Options{})
	if _, err := OpenReader(t.TempDir()); err == nil {
		t.Error("an empty folder passed for an archive")
	}
}

// What conditions found out is a row each, with the place it is of; health is a row a
// message.
func TestConditionsAndHealth(t *testing.T) {
	a := openArchive(t, t.TempDir(), Options{})
	inventedNight(t, 1).feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	got := func(table, programme string, columns ...string) string {
		t.Helper()
		var lines []string
		for rows, err := range a.Table(t.Context(), table, Query{Programme: programme}, columns...) {
			if err != nil {
				t.Fatal(err)
			}
			for k := range rows.Len {
				line := rows.Site
				for _, name := range columns {
					switch c := rows.Column(name); {
					case c.Floats != nil:
						line += fmt.Sprint(" ", c.Floats[k])
					case c.Ints != nil:
						line += TimeOf(c.Ints[k]).Format(" 15:04")
					default:
						line += " " + c.Texts[k]
					}
				}
				lines = append(lines, line)
			}
		}
		slices.Sort(lines)
		return strings.Join(lines, "\n")
	}
	want := "quill wind station NaN NaN 11.5 255 05:34\n" +
		"upper-larkspur freezing_level sounding NaN 1830 NaN NaN 03:00\n" +
		"upper-larkspur precipitation forecast NaN NaN NaN NaN 06:40\n" +
		"upper-larkspur precipitation radar 2.4 NaN NaN NaN 05:36"
	if rows := got(TableConditions, invented, "quantity", "from", "precipitation_mm_per_h", "freezing_level_altitude_m", "wind_speed_m_per_s", "wind_from_deg", "valid_time"); rows != want {
		t.Errorf("conditions:\n%s\nwant\n%s", rows, want)
	}
	if rows, want := got(TableHealth, serviceName, "host", "version", "state", "started_time"), "north-1 north 0.4.0 ok 19:40"; rows != want {
		t.Errorf("health: %q, want %q", rows, want)
	}
}

// A message whose data this program cannot read is kept all the same, and counted.
func TestUnreadableDataAreKept(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	subject, err := bus.Score.Subject(invented, "quill")
	if err != nil {
		t.Fatal(err)
	}
	newer := bus.Event{ID: "x", Source: "/rimeline/larkspur", Type: "rimeline.score.v7", Subject: subject, Time: at(0), Data: json.RawMessage(`{"verdict":"good"}`)}
	if err := a.Add(t.Context(), "score", 1, at(1), newer); err != nil {
		t.Fatal(err)
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	m := manifestOf(t, a.Reader, "2026-01-14")
	if m.Unread != 1 || len(m.Notes) != 1 || m.Events != 1 {
		t.Errorf("unread %d, notes %q, messages %d", m.Unread, m.Notes, m.Events)
	}
	for e, err := range a.Events(t.Context(), Query{Programme: invented}) {
		if err != nil || !reflect.DeepEqual(e, newer) {
			t.Errorf("came back as %+v (%v)", e, err)
		}
	}
	noProblems(t, dir)
}

// An event without a time, or a gateway's with a wrong clock, lies on the day of its
// storing, and so does one of a year that cannot be.
func TestDayOfAnEvent(t *testing.T) {
	stored := at(0)
	for _, test := range []struct {
		kind string
		when time.Time
		want string
	}{
		{"score", at(-3000), "2026-01-12"},
		{"score", at(-600000), "2024-11-23"}, // a rehearsal has its own time
		{"telemetry", at(-3000), "2026-01-12"},
		{"telemetry", at(-600000), "2026-01-14"},
		{"telemetry", time.Unix(0, 0), "2026-01-14"},
		{"score", time.Time{}, "2026-01-14"},
		{"score", time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC), "2026-01-14"},
		{"score", time.Date(2026, 1, 14, 23, 30, 0, 0, time.FixedZone("", -3600)), "2026-01-15"},
	} {
		if got := dayOf(test.kind, &bus.Event{Time: test.when}, stored); got != test.want {
			t.Errorf("%s of %v lies on %s, want %s", test.kind, test.when, got, test.want)
		}
	}
}

// A day that cannot be written keeps its messages and holds its position back; others
// go on.
func TestPositionWaitsForFailedDay(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	s := newStream(t)
	for k := range 4 {
		when := at(1440 * (k % 2))
		s.put(bus.Score, "quill", when, inventedAssessment(inventedSites[1], when.Add(time.Duration(k)*time.Second), 3))
	}
	// A file stands where the folder of the second day has to be.
	if err := os.MkdirAll(filepath.Join(dir, invented), 0o755); err != nil {
		t.Fatal(err)
	}
	blocked := filepath.Join(dir, invented, "2026-01-15")
	for k, g := range s.all {
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
		if k == 1 {
			if err := os.WriteFile(blocked, nil, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	if err := a.Flush(t.Context()); err == nil {
		t.Fatal("no error for a day that cannot be written")
	}
	if got := a.Positions()["score"]; got != 1 {
		t.Errorf("position %d, want 1: message 2 is not written", got)
	}
	if m := manifestOf(t, a.Reader, "2026-01-14"); m.Events != 2 {
		t.Errorf("the other day has %d messages, want 2", m.Events)
	}
	if err := os.Remove(blocked); err != nil {
		t.Fatal(err)
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := a.Positions()["score"]; got != 4 {
		t.Errorf("position %d, want 4", got)
	}
	noProblems(t, dir)
}
