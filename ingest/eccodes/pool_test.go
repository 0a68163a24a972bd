package eccodes

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"reflect"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/bufr"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/testfiles"
)

// aMessage is complete enough to reach a child: 10 grid points.
func aMessage() []byte {
	b := append([]byte("GRIB\x00\x00\x00\x02"), make([]byte, 8)...)
	b = append(b, 0, 0, 0, 14, 3, 0, 0, 0, 0, 10, 0, 0, 0, 0)
	b = append(b, "7777"...)
	binary.BigEndian.PutUint64(b[8:], uint64(len(b)))
	return b
}

// The child gives what the library gives in this process, bit for bit, and
// missing values stay NaN.
func TestDecodeValuesEqualsLibrary(t *testing.T) {
	p := pool(t, "decoder", Options{})
	for _, name := range []string{
		"ecmwf.aifs-single.20260310.t12z.t500", // 5.42
		"meteofrance.arome.20260413.t21z.tcdc", // 5.42, bitmap
		"cmc.20101106.t00z.tmp925.pdt1",        // 5.40
		"mrf_flux.20040229.t12z.jpeg",          // 5.40
	} {
		message := testfiles.Read(t, "grib2/"+name+".grib2")
		message = message[:binary.BigEndian.Uint64(message[8:])]
		want, err := lib.DecodeGRIB(message)
		if err != nil {
			t.Fatal(err)
		}
		got, err := p.DecodeValues(t.Context(), message)
		if err != nil {
			t.Fatal(err)
		}
		if !slices.EqualFunc(got, want, func(a, b float64) bool { return math.Float64bits(a) == math.Float64bits(b) }) {
			t.Errorf("%s: values differ from the library's", name)
		}
	}
}

// What the child makes of BUFR arrives whole, replications marked.
func TestDecodeBUFREqualsLibrary(t *testing.T) {
	p := pool(t, "decoder", Options{})
	messages := [][]byte{}
	for _, name := range []string{"two-subsets.bufr", "three-subsets-compressed.bufr"} {
		b, err := os.ReadFile("../bufr/testdata/" + name)
		if err != nil {
			t.Fatal(err)
		}
		messages = append(messages, b)
	}
	for _, path := range testfiles.Glob(t, "bufr/*.bufr") {
		found, errs := bufr.Messages(path, testfiles.Read(t, "bufr/"+filepath.Base(path)))
		if len(errs) > 0 {
			t.Fatal(errs)
		}
		for _, m := range found {
			messages = append(messages, m.Bytes)
		}
	}
	for i, message := range messages {
		want, err := lib.DecodeBUFR(message, 0)
		if err != nil {
			t.Fatal(err)
		}
		want.MarkReplications()
		got, err := p.DecodeBUFR(t.Context(), message)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range []bufr.Decoded{got, want} { // DeepEqual finds NaN different from itself
			for _, elements := range d.Subsets {
				for k := range elements {
					if math.IsNaN(elements[k].Value) {
						elements[k].Value = -1e100
					}
				}
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("message %d differs from the library's", i+1)
		}
	}
}

// Bytes changed in sections 1 to 4 of BUFR: elements, or an error with a place.
func TestDamagedBUFR(t *testing.T) {
	p := pool(t, "decoder", Options{MessageTime: 5 * time.Second})
	good, err := os.ReadFile("../bufr/testdata/two-subsets.bufr")
	if err != nil {
		t.Fatal(err)
	}
	reasons := map[string]int{}
	for seed := range uint64(300) {
		r := rand.New(rand.NewPCG(seed, 94))
		b := slices.Clone(good)
		for range 1 + r.IntN(3) {
			b[8+r.IntN(len(b)-12)] ^= byte(1 + r.IntN(255))
		}
		decoded, err := p.DecodeBUFR(t.Context(), b)
		var placed *ingest.FormatError
		switch {
		case err == nil && len(decoded.Subsets) == 0:
			t.Errorf("seed %d: neither subsets nor error", seed)
		case err == nil:
			reasons["decoded"]++
		case !errors.As(err, &placed):
			t.Errorf("seed %d: %v, want a FormatError", seed, err)
		default:
			reasons[placed.Err.Error()]++
		}
	}
	t.Logf("%v", reasons)
	if reasons["decoded"] == 0 || len(reasons) < 2 {
		t.Errorf("outcomes %v", reasons)
	}
}

func TestMisbehavingChildren(t *testing.T) {
	for _, test := range []struct {
		role    string
		options Options
		want    string // in the error's detail
	}{
		{"exits at once", Options{}, "exit status 3"},
		{"hangs", Options{MessageTime: 200 * time.Millisecond}, "no answer within 200ms"},
		{"spins", Options{MessageTime: 200 * time.Millisecond}, "no answer within 200ms"},
		{"noisy", Options{}, "exit status 7; it said: assertion failed: [31mfoo.c:12"},
		{"takes memory", Options{MemoryBytes: 256 << 20}, "exit status"}, // the Go runtime gives up
		{"replies too much", Options{Values: 10}, ""},
		{"replies no end", Options{}, "breaks the protocol"},
		{"replies half", Options{}, "exit status 0"},
		{"replies garbage", Options{}, "breaks the protocol"},
		{"wrong checksum", Options{}, "checksum"},
	} {
		t.Run(test.role, func(t *testing.T) {
			p := pool(t, test.role, test.options)
			for range 2 { // the second gets a new child
				values, err := p.DecodeValues(t.Context(), aMessage())
				if test.role == "replies too much" { // 10 values were announced, and 10 came
					if len(values) != 10 || err != nil {
						t.Fatalf("%d values, %v", len(values), err)
					}
					return
				}
				var placed *ingest.FormatError
				if !errors.As(err, &placed) || !errors.Is(err, ingest.ErrDecoderDied) {
					t.Fatalf("%v, want ErrDecoderDied in a FormatError", err)
				}
				if !strings.Contains(placed.Detail, test.want) {
					t.Errorf("detail %q, want %q in it", placed.Detail, test.want)
				}
			}
		})
	}
}

// A reply with another number of values than the message announces is refused
// before memory is taken for it.
func TestOversizedReply(t *testing.T) {
	p := pool(t, "replies too much", Options{})
	message := aMessage()
	message[25] = 9 // octet 10 of section 3: 9 points, the child sends 10
	_, err := p.DecodeValues(t.Context(), message)
	if !errors.Is(err, ingest.ErrDecoderDied) || !strings.Contains(err.Error(), "payload of 80 bytes, 9 values need 72") {
		t.Errorf("got %v", err)
	}
}

func TestMessagesRefusedWithoutAChild(t *testing.T) {
	p := New([]string{filepath.Join(t.TempDir(), "no such command")}, Options{MessageBytes: 1000, Values: 10})
	defer p.Close()
	change := func(f func([]byte)) []byte {
		b := aMessage()
		f(b)
		return b
	}
	for _, test := range []struct {
		name    string
		message []byte
		offset  int64
		want    error
	}{
		{"empty", nil, 0, ingest.ErrTruncated},
		{"short", []byte("GRIB"), 4, ingest.ErrTruncated},
		{"too long", make([]byte, 1001), 0, ingest.ErrUnsupported},
		{"other magic", change(func(b []byte) { b[0] = 'B' }), 0, ingest.ErrCorrupt},
		{"edition 1", change(func(b []byte) { b[7] = 1 }), 7, ingest.ErrUnsupported},
		{"wrong length", change(func(b []byte) { b[15]++ }), 8, ingest.ErrCorrupt},
		{"too many points", change(func(b []byte) { b[22] = 0xFF }), 22, ingest.ErrUnsupported},
		{"section of 4 bytes", change(func(b []byte) { b[19] = 4 }), 16, ingest.ErrCorrupt},
		{"section too long", change(func(b []byte) { b[16] = 0xFF }), 16, ingest.ErrCorrupt},
		{"no section 3", change(func(b []byte) { b[20] = 4 }), 34, ingest.ErrCorrupt},
	} {
		_, err := p.DecodeValues(t.Context(), test.message)
		var placed *ingest.FormatError
		if !errors.As(err, &placed) || !errors.Is(err, test.want) || placed.Offset != test.offset {
			t.Errorf("%s: %v, want %v at byte %d", test.name, err, test.want, test.offset)
		}
	}
	if _, err := p.DecodeBUFR(t.Context(), []byte("BUFR")); !errors.Is(err, ingest.ErrTruncated) {
		t.Errorf("short BUFR: %v, want ErrTruncated", err)
	}
	if _, err := p.DecodeValues(t.Context(), aMessage()); err == nil || errors.Is(err, ingest.ErrDecoderDied) {
		t.Errorf("a command that is not there: %v, want an error that blames no message", err)
	}
}

// Every way in which a child is killed while it works, and that nothing stays.
func TestKilledAtWork(t *testing.T) {
	t.Run("from outside", func(t *testing.T) {
		p := pool(t, "hangs", Options{})
		go func() {
			pids := children(t, 1)
			_ = syscall.Kill(pids[0], syscall.SIGKILL)
		}()
		_, err := p.DecodeValues(t.Context(), aMessage())
		if !errors.Is(err, ingest.ErrDecoderDied) || !strings.Contains(err.Error(), "signal: killed") {
			t.Errorf("got %v", err)
		}
	})
	t.Run("caller gave up", func(t *testing.T) {
		p := pool(t, "hangs", Options{})
		ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
		defer cancel()
		_, err := p.DecodeValues(ctx, aMessage())
		if !errors.Is(err, context.DeadlineExceeded) || errors.Is(err, ingest.ErrDecoderDied) {
			t.Errorf("got %v, want the context's error", err)
		}
	})
	t.Run("closed", func(t *testing.T) {
		p := pool(t, "hangs", Options{})
		go func() {
			children(t, 1)
			p.Close()
		}()
		if _, err := p.DecodeValues(t.Context(), aMessage()); !errors.Is(err, ErrClosed) {
			t.Errorf("got %v, want ErrClosed", err)
		}
		if _, err := p.DecodeValues(t.Context(), aMessage()); !errors.Is(err, ErrClosed) {
			t.Errorf("after Close: got %v, want ErrClosed", err)
		}
	})
	children(t, 0)
}

// children waits until this process has n children, zombies included, and
// gives their numbers.
func children(t *testing.T, n int) []int {
	t.Helper()
	var pids []int
	for range 500 {
		pids = childrenOf(os.Getpid())
		if len(pids) == n {
			return pids
		}
		time.Sleep(10 * time.Millisecond)
	}
	t.Errorf("%d children %v, want %d", len(pids), pids, n)
	return append(pids, make([]int, n)...)
}

// A child without work goes after the idle time; the next message starts one.
func TestIdleChildStops(t *testing.T) {
	message := testfiles.Read(t, "grib2/sref.20090125.t21z.u10m.pdt2.grib2")
	p := pool(t, "decoder", Options{IdleTime: 100 * time.Millisecond})
	for range 2 {
		if _, err := p.DecodeValues(t.Context(), message); err != nil {
			t.Fatal(err)
		}
		children(t, 1)
		children(t, 0)
	}
}

func TestKilledWhileIdleIsNoMessagesFault(t *testing.T) {
	message := testfiles.Read(t, "grib2/sref.20090125.t21z.u10m.pdt2.grib2")
	p := pool(t, "decoder", Options{})
	if _, err := p.DecodeValues(t.Context(), message); err != nil {
		t.Fatal(err)
	}
	_ = syscall.Kill(children(t, 1)[0], syscall.SIGKILL)
	children(t, 0)
	if _, err := p.DecodeValues(t.Context(), message); err != nil {
		t.Errorf("after an idle child was killed: %v", err)
	}
}

// Two children serve many callers at once; afterwards no goroutine, no open
// file and no process is left.
func TestConcurrentUseLeavesNothing(t *testing.T) {
	message := testfiles.Read(t, "grib2/sref.20090125.t21z.u10m.pdt2.grib2")
	want, err := lib.DecodeGRIB(message)
	if err != nil {
		t.Fatal(err)
	}
	damaged := damage(testfiles.Read(t, "grib2/aqm.20240516.t12z.o3.hi-mercator.grib2"), 1)
	goroutines, files := runtime.NumGoroutine(), openFiles(t)

	p := pool(t, "decoder", Options{Children: 2})
	var callers sync.WaitGroup
	for i := range 8 {
		callers.Go(func() {
			for k := range 10 {
				if i == 0 && k%3 == 0 {
					if _, err := p.DecodeValues(t.Context(), damaged); err == nil {
						t.Error("the damaged message was decoded")
					}
				}
				got, err := p.DecodeValues(t.Context(), message)
				if err != nil || !slices.Equal(got, want) {
					t.Errorf("caller %d, message %d: %v", i, k, err)
				}
			}
		})
	}
	callers.Wait()
	p.Close()
	children(t, 0)
	for range 200 {
		if runtime.NumGoroutine() <= goroutines {
			break
		}
		time.Sleep(10 * time.Millisecond)
	}
	if n := runtime.NumGoroutine(); n > goroutines {
		stacks := make([]byte, 1<<16)
		t.Errorf("%d goroutines, %d before:\n%s", n, goroutines, stacks[:runtime.Stack(stacks, true)])
	}
	if n := openFiles(t); n > files {
		t.Errorf("%d open files, %d before", n, files)
	}
}

func openFiles(t *testing.T) int {
	entries, err := os.ReadDir("/proc/self/fd")
	if err != nil {
		t.Fatal(err)
	}
	return len(entries)
}

// The child goes with the program, even when that is killed, and even when the
// child is lost in an endless loop.
func TestOrphansDie(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	parent := exec.Command(self)
	parent.Env = append(os.Environ(), roleVariable+"=parent")
	out, err := parent.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := parent.Start(); err != nil {
		t.Fatal(err)
	}
	line := make([]byte, 20)
	n, _ := out.Read(line) // number of the grandchild
	var grandchild int
	if grandchild, err = strconv.Atoi(strings.TrimSpace(string(line[:n]))); err != nil {
		t.Fatal(err)
	}
	_ = parent.Process.Kill()
	_ = parent.Wait()
	for range 500 {
		b, err := os.ReadFile("/proc/" + strconv.Itoa(grandchild) + "/stat")
		if err != nil || strings.Contains(string(b), ") Z ") { // left to whoever reaps orphans here
			return
		}
		time.Sleep(10 * time.Millisecond)
	}
	_ = syscall.Kill(grandchild, syscall.SIGKILL)
	t.Errorf("process %d outlived the program", grandchild)
}

func BenchmarkDecodeValuesCCSDS(b *testing.B) {
	message := testfiles.Read(b, "grib2/ecmwf.aifs-single.20260310.t12z.t500.grib2")
	p := pool(b, "decoder", Options{})
	b.SetBytes(int64(len(message)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.DecodeValues(b.Context(), message); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDecodeBUFR(b *testing.B) {
	messages, _ := bufr.Messages("", testfiles.Read(b, "bufr/temp_hires.10954.20250223.t1045z.309057.bufr"))
	p := pool(b, "decoder", Options{})
	b.SetBytes(int64(len(messages[0].Bytes)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := p.DecodeBUFR(b.Context(), messages[0].Bytes); err != nil {
			b.Fatal(err)
		}
	}
}
