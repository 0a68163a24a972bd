package archive

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"testing"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/bus"
)

// Readers beside a writer see a day whole: as many scores as messages, each time, and
// never fewer than before.
func TestReadersBesideAWriter(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	ctx, stop := context.WithCancel(t.Context())
	var group sync.WaitGroup
	for range 2 {
		r, err := OpenReader(dir)
		if err != nil {
			t.Fatal(err)
		}
		group.Go(func() {
			before := 0
			for ctx.Err() == nil {
				scores, messages := 0, 0
				for rows, err := range r.Scores(context.Background(), Query{Programme: invented}, "score") {
					if err != nil {
						t.Errorf("scores: %v", err)
						return
					}
					scores += rows.Len
				}
				for _, err := range r.Events(context.Background(), Query{Programme: invented}, "score") {
					if err != nil {
						t.Errorf("messages: %v", err)
						return
					}
					messages++
				}
				if scores%5 != 0 || messages%5 != 0 || scores < before || messages < scores {
					t.Errorf("%d scores (%d before), then %d messages; they come by five", scores, before, messages)
				}
				before = scores
			}
		})
	}
	s := newStream(t)
	for k := range 60 {
		s.put(bus.Score, "quill", at(k), inventedAssessment(inventedSites[1], at(k), 3))
		g := s.all[k]
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
		if k%5 == 4 {
			if err := a.Flush(t.Context()); err != nil {
				t.Fatal(err)
			}
		}
	}
	stop()
	group.Wait()
}

func TestEventsOfAQuery(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	s := inventedNight(t, 300) // into the next day
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	count := func(q Query, kinds ...string) (n int) {
		t.Helper()
		for e, err := range a.Events(t.Context(), q, kinds...) {
			if err != nil {
				t.Fatal(err)
			}
			if !q.From.IsZero() && e.Time.Before(q.From) || !q.To.IsZero() && !e.Time.Before(q.To) {
				t.Errorf("event of %v for %v to %v", e.Time, q.From, q.To)
			}
			n++
		}
		return n
	}
	for _, test := range []struct {
		q     Query
		kinds []string
		want  int
	}{
		{Query{Programme: invented}, []string{"score"}, 900},
		{Query{Programme: invented, Sites: []string{"quill"}}, nil, 300},
		{Query{Programme: invented, Sites: []string{"quill", "b-3"}, From: at(100), To: at(200)}, []string{"score"}, 40},
		{Query{Programme: invented, From: at(60), To: at(71)}, []string{"score", "release"}, 10},
		{Query{Programme: invented, From: at(1095), To: at(1105)}, nil, 6}, // across midnight
		{Query{Programme: invented}, []string{"no-such-kind"}, 0},
		{Query{Programme: "nobody"}, nil, 0},
	} {
		if got := count(test.q, test.kinds...); got != test.want {
			t.Errorf("%+v %q: %d events, want %d", test.q, test.kinds, got, test.want)
		}
	}
	for _, q := range []Query{{Programme: "../x"}, {Programme: ""}} {
		for _, err := range a.Scores(t.Context(), q) {
			if err == nil {
				t.Errorf("programme %q gave rows", q.Programme)
			}
		}
	}
	for _, err := range a.Scores(t.Context(), Query{Programme: invented}, "no_such_column") {
		if err == nil {
			t.Error("a column that is not there gave rows")
		}
	}
}

// Crops are kept once by content, found by name and digest, and the oldest days go
// first, but for days with a window or a hold.
func TestCropsUnderABudget(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{CropBytes: 1000})
	// Of the second day a window is known, of the others none.
	s := newStream(t)
	for day, state := range []seedability.State{seedability.StateQuiet, seedability.StateWindow, seedability.StateQuiet} {
		assessment := inventedAssessment(inventedSites[1], at(1440*day), 2)
		assessment.State = state
		s.put(bus.Score, "quill", at(1440*day), assessment)
	}
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	crop := func(fill byte) []byte { return bytes.Repeat([]byte{fill}, 300) }
	keep := func(day, name string, content []byte, want error) {
		t.Helper()
		if err := a.KeepCrop(invented, day, name, content); !errors.Is(err, want) {
			t.Errorf("%s of %s: %v, want %v", name, day, err, want)
		}
	}
	names := func() string {
		t.Helper()
		refs, err := a.Crops()
		if err != nil {
			t.Fatal(err)
		}
		var text string
		for _, ref := range refs {
			text += ref.Name + " "
		}
		return text
	}
	keep("2026-01-14", "a", crop('a'), nil)
	keep("2026-01-15", "b", crop('b'), nil)
	keep("2026-01-16", "c", crop('c'), nil)
	keep("2026-01-16", "c", crop('c'), nil) // again
	keep("2026-01-16", "c-too", crop('c'), nil)
	if got := names(); got != "a b c c-too " {
		t.Errorf("kept %s", got)
	}
	keep("2026-01-17", "d", crop('d'), nil) // the oldest day, a, goes
	if got := names(); got != "b c c-too d " {
		t.Errorf("kept %s, want b c c-too d", got)
	}
	keep("2026-01-18", "e", crop('e'), nil) // b is pinned, c goes
	if got := names(); got != "b d e " {
		t.Errorf("kept %s, want b d e", got)
	}
	keep("2026-01-13", "old", crop('o'), ErrBudget) // what is newer does not go for it
	keep("2026-01-18", "large", make([]byte, 2000), ErrBudget)
	if got, err := a.Crop("b"); err != nil || !bytes.Equal(got, crop('b')) {
		t.Errorf("crop b: %q (%v)", got, err)
	}
	if got, err := a.Crop(hexOf(crop('e'))); err != nil || !bytes.Equal(got, crop('e')) {
		t.Errorf("crop e by digest: %q (%v)", got, err)
	}
	if _, err := a.Crop("a"); !errors.Is(err, ErrNoCrop) {
		t.Errorf("crop a: %v, want %v", err, ErrNoCrop)
	}
	for _, bad := range []string{"../x", "2026-1-1"} {
		if err := a.KeepCrop(invented, bad, "x", nil); err == nil {
			t.Errorf("day %q was taken", bad)
		}
	}
	a.Close()
	noProblems(t, dir)
	// What a crash left: a crop that nothing names.
	path := cropPath(dir, hexOf([]byte("left")))
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte("left"), 0o644); err != nil {
		t.Fatal(err)
	}
	a = openArchive(t, dir, Options{CropBytes: 1000})
	noProblems(t, dir)
	if a.crops.bytes != 900 {
		t.Errorf("%d bytes are kept, want 900", a.crops.bytes)
	}
}

// Prune removes the oldest days beyond a budget, but for those with a window, and
// their crops with them; a dry run says the same and leaves all.
func TestPrune(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	s := newStream(t)
	for day := range 5 {
		assessment := inventedAssessment(inventedSites[1], at(1440*day), 2)
		if assessment.State = seedability.StateQuiet; day == 1 {
			assessment.State = seedability.StateWindow
		}
		s.put(bus.Score, "quill", at(1440*day), assessment)
		if err := a.KeepCrop(invented, at(1440*day).Format(dayForm), fmt.Sprint("crop-", day), fmt.Appendf(nil, "content %d", day)); err != nil {
			t.Fatal(err)
		}
	}
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	a.Close()
	rules := PruneRules{CropBytes: -1, DayBytes: 0, KeepDays: 2, Now: at(1440 * 4), DryRun: true}
	want := []string{"larkspur/2026-01-14", "larkspur/2026-01-16", "larkspur/2026-01-14/crop-0", "larkspur/2026-01-16/crop-2"}
	for _, dry := range []bool{true, false} {
		rules.DryRun = dry
		pruned, err := Prune(dir, rules)
		if err != nil {
			t.Fatal(err)
		}
		got := map[string]bool{}
		for _, p := range pruned {
			got[p.Name] = true
		}
		for _, name := range want {
			if !got[name] {
				t.Errorf("dry %v: %s did not go", dry, name)
			}
		}
		if len(pruned) != len(want) {
			t.Errorf("dry %v: %v went, want %v", dry, pruned, want)
		}
		list, err := List(dir)
		if err != nil {
			t.Fatal(err)
		}
		if left := map[bool]int{true: 5, false: 3}[dry]; len(list) != left {
			t.Errorf("dry %v: %d days are left, want %d", dry, len(list), left)
		}
	}
	noProblems(t, dir)
	if pruned, err := Prune(dir, PruneRules{CropBytes: 0, DayBytes: -1, Pinned: true}); err != nil || len(pruned) != 3 {
		t.Errorf("%v went (%v), want three crops", pruned, err)
	}
	noProblems(t, dir)
}

// Damage of one day is told, and the other days are read.
func TestDamagedDayBesideOthers(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	s := newStream(t)
	for day := range 3 {
		s.put(bus.Score, "quill", at(1440*day), inventedAssessment(inventedSites[1], at(1440*day), 2))
	}
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, invented, "2026-01-15", manifestName), []byte("{}"), 0o644); err != nil {
		t.Fatal(err)
	}
	r, err := OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	rows, faults := 0, 0
	for one, err := range r.Scores(t.Context(), Query{Programme: invented}) {
		if err != nil {
			faults++
			if !errors.Is(err, ErrDamaged) {
				t.Errorf("%v, want damage", err)
			}
			continue
		}
		rows += one.Len
	}
	if rows != 2 || faults != 1 {
		t.Errorf("%d rows and %d faults, want 2 and 1", rows, faults)
	}
}

// The interval between writings grows with what they cost.
func TestIntervalGrowsWithCost(t *testing.T) {
	a := openArchive(t, t.TempDir(), Options{Interval: time.Hour})
	a.pending = 1
	for _, test := range []struct {
		since, took time.Duration
		want        bool
	}{
		{59 * time.Minute, 0, false}, {61 * time.Minute, 0, true},
		{61 * time.Minute, 5 * time.Minute, true}, {61 * time.Minute, 7 * time.Minute, false}, {71 * time.Minute, 7 * time.Minute, true},
	} {
		a.flushed, a.took = time.Now().Add(-test.since), test.took
		if got := a.due(); got != test.want {
			t.Errorf("%v after a writing of %v: due %v", test.since, test.took, got)
		}
	}
}

// A day whose manifest is gone is not taken for one that was only begun: nothing of it
// is removed, and nothing is written over it.
func TestDayWithoutManifestIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	s := newStream(t)
	for k := range 2 {
		s.put(bus.Score, "quill", at(k), inventedAssessment(inventedSites[1], at(k), 2))
	}
	add := func(k int) error {
		return a.Add(t.Context(), s.all[k].kind, s.all[k].sequence, s.all[k].stored, s.all[k].event)
	}
	if err := add(0); err != nil {
		t.Fatal(err)
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	a.Close()
	dayDir := filepath.Join(dir, invented, "2026-01-14")
	if err := os.Rename(filepath.Join(dayDir, manifestName), filepath.Join(dir, "elsewhere")); err != nil {
		t.Fatal(err)
	}
	a = openArchive(t, dir, Options{})
	if err := add(1); !errors.Is(err, ErrDamaged) {
		t.Errorf("a message for that day: %v, want %v", err, ErrDamaged)
	}
	if err := os.Rename(filepath.Join(dir, "elsewhere"), filepath.Join(dayDir, manifestName)); err != nil {
		t.Fatal(err)
	}
	if err := add(1); err != nil {
		t.Fatal(err)
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if m := manifestOf(t, a.Reader, "2026-01-14"); m.Events != 2 || a.Positions()["score"] != 2 {
		t.Errorf("%d messages, position %d, want 2 and 2 when the manifest is back", m.Events, a.Positions()["score"])
	}
	noProblems(t, dir)
}

// Pages begin where groups do, so that the rows of one site lie in few of them; each
// column has its pages indexed.
func TestPagesBeginWithGroups(t *testing.T) {
	path := filepath.Join(t.TempDir(), "scores.parquet")
	f, err := os.Create(path)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	w := newParquetWriter(scoresLayout, f)
	for n := range 40 {
		b := newBlock(scoresLayout)
		for k := range 300 {
			assessment := inventedAssessment(inventedSites[1], at(k), 0)
			add(b, scoreColumns, &scoreRow{stamp{site: "quill", sequence: uint64(300*n + k)}, &assessment})
		}
		if err := w.group(fmt.Sprintf("site-%02d", n), b); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.close(); err != nil {
		t.Fatal(err)
	}
	r, err := openParquet(path, scoresLayout)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	for _, chunk := range r.file.RowGroups()[0].ColumnChunks() {
		index, err := chunk.OffsetIndex()
		if err != nil {
			t.Fatal(err)
		}
		if index.NumPages() != 10 { // of four groups each: 1200 rows
			t.Fatalf("column %d has %d pages, want 10", chunk.Column(), index.NumPages())
		}
		for k := range index.NumPages() {
			if index.FirstRowIndex(k) != int64(1200*k) {
				t.Errorf("page %d begins with row %d", k, index.FirstRowIndex(k))
			}
		}
	}
	b, err := r.read(300*17, 300*18, []int{scoresLayout.sequence, scoresLayout.at("state")})
	if err != nil {
		t.Fatal(err)
	}
	if first, last := b.columns[0].Ints[0], b.columns[0].Ints[299]; first != 300*17 || last != 300*18-1 {
		t.Errorf("group 17 has messages %d to %d", first, last)
	}
}
