package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"

	"rimeline/ingest/rehearsal"
	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
)

// replayRun runs "replay ..." as the program would.
func replayRun(t *testing.T, arguments ...string) (string, replayResult, error) {
	t.Helper()
	var line struct {
		Replay replayCommand `cmd:""`
	}
	parser, err := kong.New(&line)
	if err != nil {
		t.Fatal(err)
	}
	parsed, err := parser.Parse(append([]string{"replay"}, arguments...))
	if err != nil {
		t.Fatal(err)
	}
	var out, encoded bytes.Buffer
	err = parsed.Run(&environment{Context: t.Context(), Stdout: &encoded, Stderr: t.Output(), JSON: true})
	var result replayResult
	if encoded.Len() > 0 {
		if err := json.Unmarshal(encoded.Bytes(), &result); err != nil {
			t.Fatal(err)
		}
		if err := result.write(&out); err != nil {
			t.Fatal(err)
		}
	}
	return out.String(), result, err
}

// replayProgramme is the rehearsal's, with few members and outlooks: what is replayed
// is the same, and less of it.
func replayProgramme(change ...string) string {
	text := strings.Replace(string(rehearsal.ProgrammeDutyYAML()), "members: 100", "members: 25", 1)
	text += "\nwatch: {outlook_minutes: 60}\n"
	return strings.NewReplacer(change...).Replace(text)
}

// rehearsedArchive is the archive of 24 minutes of the storm, in which a window opens and
// holds stand. The service is ended in the middle and started again on its own data.
func rehearsedArchive(t *testing.T) string {
	t.Helper()
	dir, data := filepath.Join(t.TempDir(), "archive"), t.TempDir()
	env := testEnvironment(t)
	for _, part := range [][2]time.Duration{{134 * time.Minute, 146 * time.Minute}, {147 * time.Minute, 158 * time.Minute}} {
		r, err := newRehearsal(env, rehearsalOptions{seed: 1, data: data, archive: dir, yaml: replayProgramme(), at: part[0], log: slog.New(slog.DiscardHandler)})
		if err != nil {
			t.Fatal(err)
		}
		r.until = r.scenario.Start().Add(part[1])
		err = r.run(t.Context(), 2)
		r.Close()
		if err != nil {
			t.Fatal(err)
		}
	}
	return dir
}

// copied is another folder with the same archive.
func copied(t *testing.T, dir string) string {
	t.Helper()
	to := filepath.Join(t.TempDir(), "elsewhere")
	if err := os.CopyFS(to, os.DirFS(dir)); err != nil {
		t.Fatal(err)
	}
	return to
}

func TestReplay(t *testing.T) {
	if testing.Short() {
		t.Skip("takes most of a minute: not in short mode")
	}
	t.Parallel() // much of it is waiting
	dir := rehearsedArchive(t)
	reader, err := archive.OpenReader(dir)
	if err != nil {
		t.Fatal(err)
	}
	var scores []seedability.Assessment
	outlooks := 0
	for event, err := range reader.Events(t.Context(), archive.Query{Programme: "vantry"}, "score", "outlook") {
		if err != nil {
			t.Fatal(err)
		}
		if event.Type == bus.Outlook.Type {
			outlooks++
			continue
		}
		var a seedability.Assessment
		if err := json.Unmarshal(event.Data, &a); err != nil {
			t.Fatal(err)
		}
		scores = append(scores, a)
	}
	states := map[seedability.State]int{}
	for _, a := range scores {
		states[a.State]++
	}
	t.Logf("%d scores (%v), %d outlooks", len(scores), states, outlooks)
	if states[seedability.StateWindow] < 3 || states[seedability.StateHold] < 3 || outlooks < 6 {
		t.Fatalf("%d scores in states %v and %d outlooks are too little to replay", len(scores), states, outlooks)
	}

	t.Run("equal", func(t *testing.T) {
		one, two := filepath.Join(t.TempDir(), "one.ndjson"), filepath.Join(t.TempDir(), "two.ndjson")
		text, result, err := replayRun(t, "--archive", dir, "--workers", "1", "--out", one)
		if err != nil || result.Scores.Equal != len(scores) || result.Outlooks.Equal != outlooks || !strings.Contains(text, "to the byte") {
			t.Errorf("one worker (%v):\n%s", err, text)
		}
		again := copied(t, dir)
		text, result, err = replayRun(t, "--archive", again, "--workers", "2", "--out", two)
		if err != nil || result.Scores.Equal != len(scores) || result.Outlooks.Equal != outlooks {
			t.Errorf("two workers, another folder (%v):\n%s", err, text)
		}
		a, err := os.ReadFile(one)
		if err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(two)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(a, b) || bytes.Count(a, []byte("\n")) != len(scores)+outlooks {
			t.Errorf("one worker writes %d bytes in %d lines, two in another folder %d bytes", len(a), bytes.Count(a, []byte("\n")), len(b))
		}
	})

	// With a limit that no score reaches there is no window now. What was published is
	// counted here from the messages themselves.
	t.Run("threshold", func(t *testing.T) {
		changed := filepath.Join(t.TempDir(), "changed.yaml")
		if err := os.WriteFile(changed, []byte(replayProgramme("barrier:\n", "thresholds: {window_score: 95, hysteresis: 5}\n\nbarrier:\n")), 0o600); err != nil {
			t.Fatal(err)
		}
		from := stormBegins.Add(140 * time.Minute)
		text, result, err := replayRun(t, "--archive", dir, "--programme", changed, "--from", from.Format(time.RFC3339))
		if err == nil || result.Scores.NotMade+result.Outlooks.NotMade > 0 || result.Scores.Differ == 0 {
			t.Errorf("(%v)\n%s", err, text)
		}
		t.Logf("\n%s", text)
		rows := map[string][]publishedState{}
		var end time.Time
		for _, a := range scores {
			if *a.Score.Value >= 95 {
				t.Fatalf("%s %s has the score %v", a.Site.ID, a.AsOf, *a.Score.Value)
			}
			if !a.AsOf.Before(from) {
				rows[a.Site.ID] = append(rows[a.Site.ID], publishedState{a.AsOf, a.State})
				end = later(end, a.AsOf)
			}
		}
		lost := 0
		for _, site := range result.Sites {
			want := stretches(rows[site.ID], seedability.StateWindow, end)
			minutes := 0.0
			for _, s := range want {
				minutes += s.minutes()
			}
			if diff := site.Then[seedability.StateWindow] - minutes; diff > .01 || diff < -.01 || site.Now[seedability.StateWindow] != 0 || site.Only != "" {
				t.Errorf("%s: a window for %.2f min then and %.2f now, want %.2f and 0", site.ID, site.Then[seedability.StateWindow], site.Now[seedability.StateWindow], minutes)
			}
			if len(site.Windows) != len(want) {
				t.Errorf("%s: windows %+v, published were %v", site.ID, site.Windows, want)
				continue
			}
			for k, w := range site.Windows {
				lost++
				if w.Change != "lost" || len(w.Then) != 1 || !w.Then[0].From.Equal(want[k].from) {
					t.Errorf("%s: window %+v, published was %v", site.ID, w, want[k])
				}
			}
		}
		if lost == 0 || !strings.Contains(text, "lost") {
			t.Error("no window is lost")
		}
	})

	// Criteria that do not name a site any more do not suspend it. They are judged again
	// from the archived messages, and for all other sites that gives what was published,
	// to the byte.
	t.Run("criteria", func(t *testing.T) {
		changed := filepath.Join(t.TempDir(), "changed.yaml")
		if err := os.WriteFile(changed, []byte(replayProgramme("sites: [cold-anvil, three-kilns, salt-lantern]", "sites: [cold-anvil, three-kilns]")), 0o600); err != nil {
			t.Fatal(err)
		}
		text, result, err := replayRun(t, "--archive", dir, "--programme", changed)
		if err == nil || result.Scores.NotMade+result.Outlooks.NotMade > 0 {
			t.Errorf("(%v)\n%s", err, text)
		}
		t.Logf("\n%s", text)
		changedSite := 0
		for _, a := range scores {
			if a.Site.ID == "salt-lantern" {
				changedSite++
			}
		}
		if s := result.Scores; s.Differ == 0 || s.Differ > changedSite || s.Equal < len(scores)-changedSite || result.Outlooks.Equal != outlooks {
			t.Errorf("scores %+v, outlooks %+v: only those of salt-lantern, %d, may differ", s, result.Outlooks, changedSite)
		}
		if c := result.Conditions; c.Archived < 3 || c.Equal != c.Archived {
			t.Errorf("conditions %+v, want all equal", c)
		}
		for _, site := range result.Sites {
			then, now := site.Then[seedability.StateHold], site.Now[seedability.StateHold]
			if less := now < then-5; less != (site.ID == "salt-lantern") || now > then {
				t.Errorf("%s: held for %.1f min then, %.1f now", site.ID, then, now)
			}
		}
	})

	// A crop that was pruned, one whose file is gone and one with a flipped byte are named,
	// with as many messages as name them; all others are made, and are equal.
	t.Run("damaged", func(t *testing.T) {
		from := stormBegins.Add(142 * time.Minute)
		hurt := copied(t, dir)
		names := map[string]int{} // radar volumes, and how many scores are made from them
		for _, a := range scores {
			for _, name := range a.Basis.Crops {
				if !a.AsOf.Before(from) && strings.HasPrefix(name, "vantry/radar/") {
					names[name]++
				}
			}
		}
		newest := sortedKeys(names)
		if len(newest) < 3 {
			t.Fatalf("radar volumes %v, three are needed", newest)
		}
		newest = newest[len(newest)-3:]
		refs, err := reader.Crops()
		if err != nil {
			t.Fatal(err)
		}
		file := func(name string) string {
			k := slices.IndexFunc(refs, func(ref archive.CropRef) bool { return ref.Name == name })
			if k < 0 {
				t.Fatalf("%s is not in the archive", name)
			}
			return filepath.Join(hurt, "crops", refs[k].SHA256[:2], refs[k].SHA256)
		}
		pruned, err := filepath.Glob(filepath.Join(hurt, "crops", "refs", "vantry", "*", hexDigest([]byte(newest[2]))[:32]+".json"))
		if err != nil || len(pruned) != 1 {
			t.Fatalf("refs of %s: %v (%v)", newest[2], pruned, err)
		}
		content, err := os.ReadFile(file(newest[0]))
		if err != nil {
			t.Fatal(err)
		}
		content[len(content)/2] ^= 4
		for _, err := range []error{os.Remove(pruned[0]), os.Remove(file(newest[1])), os.WriteFile(file(newest[0]), content, 0o600)} {
			if err != nil {
				t.Fatal(err)
			}
		}
		text, result, err := replayRun(t, "--archive", hurt, "--from", from.Format(time.RFC3339))
		if err == nil {
			t.Error("all was made again")
		}
		t.Logf("\n%s", text)
		for n, why := range []string{"SHA-256", "is gone", "was pruned"} {
			k := slices.IndexFunc(result.NotMade, func(f replayFailure) bool {
				return strings.Contains(f.Reason, strings.TrimPrefix(newest[n], "vantry/radar/"))
			})
			if k < 0 || !strings.Contains(result.NotMade[k].Reason, why) || result.NotMade[k].Scores != names[newest[n]] {
				t.Errorf("%+v: none says of %s that it %s, with %d scores", result.NotMade, newest[n], why, names[newest[n]])
			}
		}
		affected, whole := 0, 0
		for _, a := range scores {
			switch {
			case a.AsOf.Before(from):
			case slices.ContainsFunc(a.Basis.Crops, func(name string) bool { return slices.Contains(newest, name) }):
				affected++
			default:
				whole++
			}
		}
		if s := result.Scores; s.NotMade != affected || s.Equal != whole || s.Differ != 0 {
			t.Errorf("scores %+v, want %d that cannot be made and %d equal", s, affected, whole)
		}
	})

	// What is not there is said.
	for _, arguments := range [][]string{
		{"--archive", dir, "--from", "2026-02-04", "--to", "2026-02-03"},
		{"--archive", dir, "--against", "none"},
		{"--archive", dir, "--programme-id", "elsewhere"},
		{"--archive", dir, "--from", "2026-02-04"}, // nothing is not equal
		{"--archive", t.TempDir()},
	} {
		if _, _, err := replayRun(t, arguments...); err == nil {
			t.Errorf("%q is done", arguments)
		}
	}
}

// Fields are named as a reader would look for them, whatever the order of what was
// added since.
func TestFirstDifferent(t *testing.T) {
	for _, c := range []struct{ then, now, field, was, is string }{
		{`{"a":1,"b":{"c":[1,2]}}`, `{"a":1,"b":{"c":[1,3]}}`, "b.c[]", "2", "3"},
		{`{"a":1,"b":{"c":[1,2]}}`, `{"a":1,"b":{"c":[1,2,3]}}`, "number of b.c", "2", "3"},
		{`{"a":1}`, `{"b":2,"a":1}`, "b", "left out", "2"},
		{`{"a":{"x":1}}`, `{"b":2}`, "a", "{1 fields}", "left out"},
		{`{"a":[{"s":"x"}]}`, `{"a":[{"s":null}]}`, "a[].s", `"x"`, "null"},
		{`{"a":1.0}`, `{"a":1}`, "a", "1.0", "1"},
		{`[1]`, `{}`, "the whole message", "[1]", "{0 fields}"},
		{`{"a":1,"b":2}`, `{"b":2,"a":1}`, "the way it is written", "13 bytes", "13 bytes"},
	} {
		got, err := firstDifferent([]byte(c.then), []byte(c.now))
		if want := (differentAt{c.field, c.was, c.is}); err != nil || got != want {
			t.Errorf("%s and %s: %+v (%v), want %+v", c.then, c.now, got, err, want)
		}
	}
	for _, broken := range []string{``, `{"a":`, strings.Repeat(`[`, 1000)} {
		if _, err := firstDifferent([]byte(broken), []byte(`1`)); err == nil {
			t.Errorf("%.20q is read", broken)
		}
	}
}

// Windows that overlap are one row.
func TestPairWindows(t *testing.T) {
	at := func(minute int) time.Time { return stormBegins.Add(time.Duration(minute) * time.Minute) }
	spans := func(minutes ...int) (list []replaySpan) {
		for k := 0; k < len(minutes); k += 2 {
			list = append(list, replaySpan{From: at(minutes[k]), To: at(minutes[k+1])})
		}
		return list
	}
	for _, c := range []struct {
		then, now []replaySpan
		want      string
	}{
		{spans(0, 10), spans(0, 10), "1-1 equal"},
		{spans(0, 10), spans(2, 10), "1-1 moved"},
		{spans(0, 10), spans(10, 20), "1-0 lost, 0-1 gained"},
		{spans(0, 10, 20, 30), spans(5, 25), "2-1 moved"},
		{spans(5, 25), spans(0, 10, 20, 30), "1-2 moved"},
		{spans(0, 10, 40, 50), spans(20, 30), "1-0 lost, 0-1 gained, 1-0 lost"},
		{nil, spans(0, 1, 2, 3), "0-1 gained, 0-1 gained"},
		{nil, nil, ""},
		{[]replaySpan{{From: at(0), To: at(10), Open: true}}, []replaySpan{{From: at(10), To: at(10), Open: true}}, "1-1 moved"},
	} {
		var parts []string
		for _, w := range pairWindows(c.then, c.now) {
			parts = append(parts, fmt.Sprintf("%d-%d %s", len(w.Then), len(w.Now), w.Change))
		}
		if got := strings.Join(parts, ", "); got != c.want {
			t.Errorf("%v and %v: %s, want %s", c.then, c.now, got, c.want)
		}
	}
}
