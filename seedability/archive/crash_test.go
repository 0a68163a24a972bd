package archive

import (
	"bufio"
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"rimeline/seedability/bus"
)

// childFolder in the environment makes this test binary a writer that a test kills.
const childFolder = "RIMELINE_TEST_ARCHIVE"

// childLimited marks the process of TestFullDisk.
const childLimited = "RIMELINE_TEST_ARCHIVE_LIMITED"

func TestMain(m *testing.M) {
	if dir := os.Getenv(childFolder); dir != "" {
		if err := writeForever(dir); err != nil {
			fmt.Println("failed", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// crashMessage is the n-th message of an endless stream: three days in turn, one site.
func crashMessage(n uint64) (bus.Event, error) {
	when := at(int(n%3)*1440 + int(n%600))
	a := inventedAssessment(inventedSites[n%3], when, 3)
	a.StateReason = fmt.Sprintf("message %d", n)
	return bus.NewEvent(bus.Score, invented, a.Site.ID, when, a)
}

// writeForever feeds an archive from its position on, and says after each writing up
// to where all is safe.
func writeForever(dir string) error {
	a, err := Open(dir, Options{ProgramVersion: "0.0-test"})
	if err != nil {
		return err
	}
	fmt.Println("ready", a.Positions()["score"])
	for n := a.Positions()["score"] + 1; ; n++ {
		e, err := crashMessage(n)
		if err != nil {
			return err
		}
		if err := a.Add(context.Background(), "score", n, at(int(n)), e); err != nil {
			return err
		}
		if n%5 == 0 {
			content := fmt.Appendf(nil, "crop of %d", n/10)
			if err := a.KeepCrop(invented, "2026-01-14", fmt.Sprint("crop-", n/10), content); err != nil {
				return err
			}
			if err := a.Flush(context.Background()); err != nil {
				return err
			}
			fmt.Println("safe", a.Positions()["score"])
		}
	}
}

// killsNamed in the environment is how often a writer is killed.
const killsNamed = "RIMELINE_TEST_KILLS"

// A writer is killed at any moment, again and again: 20 times in 7 s, or as often as
// RIMELINE_TEST_KILLS says (200 take 70 s). What it said is safe is there, once, and
// every file is as a manifest says.
func TestKilledAtAnyMoment(t *testing.T) {
	kills := 20
	if text := os.Getenv(killsNamed); text != "" {
		var err error
		if kills, err = strconv.Atoi(text); err != nil || kills < 1 {
			t.Fatalf("%s is %q, want a number of kills", killsNamed, text)
		}
	}
	dir := t.TempDir()
	random := rand.New(rand.NewPCG(1, 2))
	safe := uint64(0)
	for kill := range kills {
		child := exec.Command(os.Args[0])
		child.Env = append(os.Environ(), childFolder+"="+dir)
		child.Stderr = os.Stderr
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		var timer *time.Timer
		for lines.Scan() {
			word, number, _ := strings.Cut(lines.Text(), " ")
			n, err := strconv.ParseUint(number, 10, 64)
			switch {
			case word != "ready" && word != "safe" || err != nil:
				t.Errorf("child: %s", lines.Text())
			case word == "ready" && n < safe:
				t.Errorf("kill %d: begins at %d, %d was safe", kill, n, safe)
			}
			if word == "ready" {
				// Killed somewhere in its first writings.
				timer = time.AfterFunc(time.Duration(random.Int64N(int64(600*time.Millisecond))), func() { _ = child.Process.Kill() })
			}
			safe = max(safe, n)
		}
		_ = child.Wait() // killed
		if timer == nil {
			t.Fatal("the child never began")
		}
		timer.Stop()
		if kill%50 != 49 && kill != kills-1 {
			continue
		}
		// As it lies there after the kill, for whoever reads it; what was begun may lie
		// beside.
		problems, err := Verify(t.Context(), dir, nil)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range problems {
			if p.What != "extra" {
				t.Errorf("kill %d: %v", kill, p)
			}
		}
	}
	a := openArchive(t, dir, Options{})
	noProblems(t, dir)
	seen := map[uint64]int{}
	for s, err := range a.Stored(t.Context(), Query{Programme: invented}) {
		if err != nil {
			t.Fatal(err)
		}
		want, err := crashMessage(s.Sequence)
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(s.Event, want) {
			t.Fatalf("message %d came back as another", s.Sequence)
		}
		seen[s.Sequence]++
	}
	for n := uint64(1); n <= safe; n++ {
		if seen[n] != 1 {
			t.Errorf("message %d of %d that were safe is there %d times", n, safe, seen[n])
		}
	}
	rows := 0
	for r, err := range a.Scores(t.Context(), Query{Programme: invented}, "score") {
		if err != nil {
			t.Fatal(err)
		}
		rows += r.Len
	}
	if rows != len(seen) {
		t.Errorf("%d scores for %d messages", rows, len(seen))
	}
	t.Logf("%d kills, %d messages safe, %d there", kills, safe, len(seen))
}

// A full disk: nothing is lost, nothing is half there, and all is written when there
// is room again.
//
// The limit on the size of files is of a whole process, and the test's own log would
// feel it: a child does the work.
func TestFullDisk(t *testing.T) {
	if os.Getenv(childLimited) == "" {
		child := exec.Command(os.Args[0], "-test.run=^TestFullDisk$", "-test.v")
		child.Env = append(os.Environ(), childLimited+"=1")
		out, err := child.CombinedOutput()
		switch {
		case err != nil:
			t.Errorf("%v\n%s", err, out)
		case strings.Contains(string(out), "--- SKIP"):
			t.Skipf("%s", out)
		case !strings.Contains(string(out), "--- PASS: TestFullDisk"):
			t.Errorf("the child did nothing:\n%s", out)
		}
		return
	}
	dir := t.TempDir()
	a := openArchive(t, dir, Options{})
	s := newStream(t)
	for k := range 200 {
		s.put(bus.Score, "quill", at(k), inventedAssessment(inventedSites[1], at(k), 20))
	}
	for _, g := range s.all[:20] {
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	for _, g := range s.all[20:] {
		if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
			t.Fatal(err)
		}
	}
	// A file that grows beyond this fails as on a full disk; the signal that would
	// come besides is not wanted.
	limited := func(bytes uint64, f func()) {
		t.Helper()
		var before unix.Rlimit
		if err := unix.Getrlimit(unix.RLIMIT_FSIZE, &before); err != nil {
			t.Fatal(err)
		}
		if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: bytes, Max: before.Max}); err != nil {
			t.Skipf("the size of files cannot be limited here: %v", err)
		}
		defer func() {
			if err := unix.Setrlimit(unix.RLIMIT_FSIZE, &before); err != nil {
				t.Fatal(err)
			}
		}()
		f()
	}
	for _, bytes := range []uint64{0, 1000, 8000, 30_000} {
		limited(bytes, func() {
			if err := a.Flush(t.Context()); err == nil {
				t.Errorf("no error with files of at most %d bytes", bytes)
			}
			if got := a.Positions()["score"]; got != 20 {
				t.Errorf("position %d with files of at most %d bytes, want 20", got, bytes)
			}
		})
		noProblems(t, dir)
		if m := manifestOf(t, a.Reader, "2026-01-14"); m.Events != 20 || m.Generation != 1 {
			t.Errorf("writing %d with %d messages, want the one before", m.Generation, m.Events)
		}
	}
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if m := manifestOf(t, a.Reader, "2026-01-14"); m.Events != 200 || a.Positions()["score"] != 200 {
		t.Errorf("%d messages, position %d, want 200 when there is room again", m.Events, a.Positions()["score"])
	}
	noProblems(t, dir)
}

// A flipped byte, a missing, a cut and a strange file of every kind are named, with
// what is expected and found.
func TestVerifyNamesEveryDamage(t *testing.T) {
	dir := t.TempDir()
	s := inventedNight(t, 3)
	a := openArchive(t, dir, Options{})
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.KeepCrop(invented, "2026-01-14", "crop-1", []byte("what was kept of an input")); err != nil {
		t.Fatal(err)
	}
	a.Close()
	noProblems(t, dir)
	var files []string
	err := filepath.WalkDir(dir, func(path string, entry os.DirEntry, err error) error {
		if err == nil && !entry.IsDir() && entry.Name() != lockName {
			files = append(files, path)
		}
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	// Every kind of file of the layout is among them.
	wanted := []string{formatName, positionsName, cropsName + "/" + refsName + "/", cropsName + "/" + hexOf([]byte("what was kept of an input"))[:2] + "/",
		manifestName, scoresNC, pathsNC, digestsName}
	for _, kind := range bus.Kinds() {
		wanted = append(wanted, "/"+eventsFile(kind.Name))
	}
	for _, l := range layouts {
		wanted = append(wanted, "/"+tableFile(l.name))
	}
	for _, table := range lineKinds {
		wanted = append(wanted, "/"+linesFile(table))
	}
	for _, name := range wanted {
		if !slices.ContainsFunc(files, func(path string) bool { return strings.Contains(path, name) }) {
			t.Errorf("the archive has no %s", name)
		}
	}
	random := rand.New(rand.NewPCG(3, 4))
	named := func(path, damage string, whats ...string) {
		t.Helper()
		problems, err := Verify(t.Context(), dir, nil)
		if err != nil {
			t.Errorf("%s %s: %v", path, damage, err)
			return
		}
		relative, err := filepath.Rel(dir, path)
		if err != nil {
			t.Fatal(err)
		}
		for _, p := range problems {
			if p.File == relative {
				for _, what := range whats {
					if p.What == what {
						return
					}
				}
			}
		}
		t.Errorf("%s %s: problems %v", relative, damage, problems)
	}
	for _, path := range files {
		content, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		restore := func() {
			if err := os.WriteFile(path, content, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		for range 3 {
			flipped := append([]byte{}, content...)
			at := random.IntN(len(flipped))
			flipped[at] ^= 1 << random.IntN(8)
			if err := os.WriteFile(path, flipped, 0o644); err != nil {
				t.Fatal(err)
			}
			named(path, fmt.Sprintf("with byte %d flipped", at), "changed", "damaged")
		}
		if err := os.WriteFile(path, content[:len(content)-1], 0o644); err != nil {
			t.Fatal(err)
		}
		named(path, "cut by one byte", "truncated", "damaged")
		restore()
		if filepath.Base(path) == formatName || filepath.Base(path) == positionsName || strings.Contains(path, refsName) {
			continue // without format.json it is no archive, the others may be missing
		}
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
		named(path, "removed", "missing")
		restore()
		if strange := path + ".strange"; !strings.HasSuffix(path, manifestName) {
			if err := os.WriteFile(strange, content, 0o644); err != nil {
				t.Fatal(err)
			}
			named(strange, "added", "extra")
			if err := os.Remove(strange); err != nil {
				t.Fatal(err)
			}
		}
	}
	noProblems(t, dir)
}

// A flipped byte in a file is either told by whoever reads it, with the file's name, or
// changes nothing of what is read: never is it taken for data. Every message, row and
// crop is read after 12 flips in each file, 200 with RIMELINE_TEST_FLIPS=200.
func TestFlippedByteIsNoData(t *testing.T) {
	flips := 12
	if text := os.Getenv("RIMELINE_TEST_FLIPS"); text != "" {
		var err error
		if flips, err = strconv.Atoi(text); err != nil {
			t.Fatal(err)
		}
	}
	dir := t.TempDir()
	s := inventedNight(t, 3)
	a := openArchive(t, dir, Options{})
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	if err := a.KeepCrop(invented, "2026-01-14", "crop-1", []byte("what was kept of an input")); err != nil {
		t.Fatal(err)
	}
	a.Close()
	// all of what a file holds, as text.
	read := func(name string) (string, error) {
		r, err := OpenReader(dir)
		if err != nil {
			return "", err
		}
		var b strings.Builder
		q := Query{Programme: invented}
		if strings.Contains(name, bus.Health.Name) || strings.Contains(name, "_service") {
			q.Programme = serviceName
		}
		if table, ok := strings.CutSuffix(filepath.Base(name), ".parquet"); ok {
			if table == tableIndex { // for the writer alone, which reads the keys
				m, err := r.manifest(dayKey{q.Programme, "2026-01-14"})
				if err != nil {
					return "", err
				}
				d := &openDay{manifest: m, keys: map[[16]byte]struct{}{}}
				err = d.readKeys(name)
				fmt.Fprint(&b, d.keys)
				return b.String(), err
			}
			for rows, err := range r.Table(t.Context(), table, q) {
				if err != nil {
					return "", err
				}
				fmt.Fprint(&b, rows)
			}
			return b.String(), nil
		}
		if kind, ok := kindOfFile(filepath.Base(name)); ok {
			for stored, err := range r.Stored(t.Context(), q, kind) {
				if err != nil {
					return "", err
				}
				fmt.Fprintf(&b, "%d %v %v %s\n", stored.Sequence, stored.Time, stored.Event, stored.Event.Data)
			}
			return b.String(), nil
		}
		if strings.Contains(name, cropsName) {
			content, err := r.Crop("crop-1")
			return string(content), err
		}
		for _, programme := range []string{invented, serviceName} {
			days, err := r.Days(programme)
			if err != nil {
				return "", err
			}
			for _, day := range days {
				fmt.Fprint(&b, asJSON(day.Manifest))
			}
		}
		return b.String(), nil
	}
	random := rand.New(rand.NewPCG(11, 12))
	told, harmless := 0, 0
	err := filepath.WalkDir(dir, func(path string, entry os.DirEntry, err error) error {
		// Nobody reads netCDF and lines of JSON back; digests neither. Without positions
		// all is asked for again.
		if err != nil || entry.IsDir() || slices.Contains([]string{".nc", ".ndjson"}, filepath.Ext(path)) || slices.Contains([]string{lockName, digestsName, positionsName}, entry.Name()) {
			return err
		}
		content, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		want, err := read(path)
		if err != nil || want == "" {
			t.Errorf("%s: read as %q, %v", path, want, err)
		}
		for range flips {
			flipped := slices.Clone(content)
			at := random.IntN(len(flipped))
			flipped[at] ^= 1 << random.IntN(8)
			if err := os.WriteFile(path, flipped, 0o644); err != nil {
				return err
			}
			switch got, err := read(path); {
			case err != nil && !strings.Contains(err.Error(), filepath.Base(path)) && !strings.Contains(err.Error(), "crop"):
				t.Errorf("%s: byte %d: the error does not name the file: %v", path, at, err)
			case err != nil:
				told++
			case got != want:
				t.Errorf("%s: a flip in byte %d of %d is read as data", path, at, len(content))
			default:
				harmless++
			}
		}
		return os.WriteFile(path, content, 0o644)
	})
	if err != nil {
		t.Fatal(err)
	}
	noProblems(t, dir)
	t.Logf("%d flips told by readers, %d without effect on what is read (Verify names those too)", told, harmless)
}

// Damage of a day is not carried on into its next writing, of whatever file that is
// read for it; netCDF and digests are made anew from these.
func TestDamageIsNotCarriedOn(t *testing.T) {
	names := []string{}
	for _, l := range layouts {
		if l.name != TableHealth { // lies with another day
			names = append(names, tableFile(l.name))
		}
	}
	for _, kind := range bus.Kinds() {
		if !kind.NoProgramme {
			names = append(names, eventsFile(kind.Name))
		}
	}
	for _, table := range lineKinds {
		names = append(names, linesFile(table))
	}
	dir := t.TempDir()
	s := inventedNight(t, 3)
	a := openArchive(t, dir, Options{})
	s.feed(t, a)
	if err := a.Flush(t.Context()); err != nil {
		t.Fatal(err)
	}
	before, m := a.Positions()["score"], manifestOf(t, a.Reader, "2026-01-14")
	s.put(bus.Score, "quill", at(77), inventedAssessment(inventedSites[1], at(77), 3))
	g := s.all[len(s.all)-1]
	if err := a.Add(t.Context(), g.kind, g.sequence, g.stored, g.event); err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		path := filepath.Join(dir, invented, "2026-01-14", m.Folder, name)
		content, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		flip := func() {
			content[len(content)/2] ^= 4
			if err := os.WriteFile(path, content, 0o644); err != nil {
				t.Fatal(err)
			}
		}
		flip()
		if err := a.Flush(t.Context()); !errors.Is(err, ErrDamaged) || !strings.Contains(err.Error(), name) {
			t.Errorf("%s: %v, want an error that names it", name, err)
		}
		if a.Positions()["score"] != before {
			t.Errorf("%s: the position went on", name)
		}
		flip()
	}
	if err := a.Flush(t.Context()); err != nil || a.Positions()["score"] != g.sequence {
		t.Errorf("mended, and still %v", err)
	}
	noProblems(t, dir)
}
