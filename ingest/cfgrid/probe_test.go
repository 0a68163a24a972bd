package cfgrid

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"testing"
	"time"

	"rimeline/ingest"
)

// The test binary is its own child.
func TestMain(m *testing.M) {
	switch os.Getenv("CFGRID_TEST_CHILD") {
	case "probe":
		if err := ServeProbe(os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		os.Exit(0)
	case "sleep":
		time.Sleep(time.Minute)
	case "babble":
		fmt.Println(`{"Read": tr`)
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func prober(t *testing.T, play string) Prober {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	t.Setenv("CFGRID_TEST_CHILD", play)
	return Prober{Command: []string{self}}
}

func damaged(whole []byte, seed uint64) []byte {
	r := rand.New(rand.NewPCG(seed, 1))
	b := append([]byte(nil), whole...)
	for range 1 + r.IntN(3) {
		b[r.IntN(len(b))] = byte(r.UintN(256))
	}
	return b
}

// Damaged netCDF-4 files kill at most the child. Files that the child reads, the
// parent reads too.
func TestDamagedNetCDF4KillsOnlyTheChild(t *testing.T) {
	p := prober(t, "probe")
	p.Time = 3 * time.Second // of damaged file 81 HDF5 makes an endless loop
	whole := invented(t, "ensemble.nc4")
	read, refused, died := 0, 0, 0
	for seed := range uint64(102) {
		if seed == 101 {
			seed = 241 // kills HDF5 1.10.8
		}
		f, err := p.Open(t.Context(), "damaged", damaged(whole, seed))
		if err != nil {
			checkError(t, "damaged", err, len(whole))
			if refused++; errors.Is(err, ingest.ErrDecoderDied) {
				died++
				t.Log(seed, err)
			}
			continue
		}
		read++
		for n := 1; n <= f.Len(); n++ {
			if _, err := f.Field(t.Context(), n, Options{}); err != nil {
				checkError(t, "damaged", err, len(whole))
			}
		}
		if err := f.Close(); err != nil {
			checkError(t, "damaged", err, len(whole))
		}
	}
	t.Logf("%d read, %d refused, of these %d by the child's death", read, refused, died)
	if read == 0 || refused == 0 {
		t.Error("nothing was tested")
	}
}

// Damaged classic files go to the library without a child.
func TestDamagedClassic(t *testing.T) {
	for _, name := range classicNames {
		whole := invented(t, name)
		for seed := range uint64(1500) {
			if _, err := Decode(t.Context(), name, damaged(whole, seed), Options{}); err != nil {
				checkError(t, name, err, len(whole))
			}
		}
	}
}

func TestProberReadsWhatIsWhole(t *testing.T) {
	p := prober(t, "probe")
	for _, name := range []string{"ensemble.nc4", "transposed.cdf1.nc", "huge.nc4"} {
		f, err := p.Open(t.Context(), name, invented(t, name))
		if err != nil {
			t.Fatal(err)
		}
		if f.Len() == 0 {
			t.Errorf("%s has no fields", name)
		}
		if err := f.Close(); err != nil {
			t.Error(err)
		}
	}
}

func TestChildrenThatMisbehave(t *testing.T) {
	whole := invented(t, "ensemble.nc4")
	p := prober(t, "sleep")
	p.Time = 300 * time.Millisecond
	if _, err := p.Open(t.Context(), "x", whole); !errors.Is(err, ingest.ErrDecoderDied) {
		t.Errorf("too late: %v", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 100*time.Millisecond)
	defer cancel()
	if _, err := p.Open(ctx, "x", whole); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("cancelled: %v", err)
	}
	if _, err := prober(t, "babble").Open(t.Context(), "x", whole); !errors.Is(err, ingest.ErrDecoderDied) {
		t.Errorf("babble: %v", err)
	}
	p = prober(t, "probe")
	p.MemoryBytes = 1 << 20
	if _, err := p.Open(t.Context(), "x", whole); !errors.Is(err, ingest.ErrDecoderDied) {
		t.Errorf("out of memory: %v", err)
	}
	if _, err := (Prober{Command: []string{"/no/such/program"}}).Open(t.Context(), "x", whole); err == nil || errors.Is(err, ingest.ErrDecoderDied) {
		t.Errorf("no program: %v", err)
	}
	if _, err := (Prober{}).Open(t.Context(), "x", whole); err == nil {
		t.Error("no command was taken")
	}
}
