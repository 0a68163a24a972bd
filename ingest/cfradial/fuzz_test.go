package cfradial

import (
	"bytes"
	"errors"
	"math"
	"os"
	"testing"

	"rimeline/grid"
	"rimeline/ingest"
)

// Classic files only: damaged HDF5 belongs to a child process (package cfgrid).
func FuzzDecode(f *testing.F) {
	b, err := os.ReadFile("../../testdata/cfradial/ragged.cdf1.nc")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add(b[:len(b)/2])
	f.Fuzz(func(t *testing.T, b []byte) {
		if !bytes.HasPrefix(b, []byte("CDF")) {
			t.Skip()
		}
		v, err := Decode(t.Context(), "fuzz", b)
		var formatError *ingest.FormatError
		if err != nil {
			if !errors.As(err, &formatError) || formatError.Offset < 0 || formatError.Offset > int64(len(b)) {
				t.Fatalf("error without a place in the file: %v", err)
			}
			return
		}
		checkVolume(t, v)
	})
}

func checkVolume(t *testing.T, v *grid.Volume) {
	for _, sweep := range v.Sweeps {
		if len(sweep.Radials) == 0 || sweep.End.Before(sweep.Start) {
			t.Fatalf("sweep %+v", sweep)
		}
		for _, radial := range sweep.Radials {
			if a := float64(radial.AzimuthDeg); !math.IsNaN(a) && !(a >= 0 && a < 360) {
				t.Fatalf("azimuth %v", a)
			}
		}
		sweep.Nearest(123)
		for _, m := range sweep.Moments {
			s := m.Statistics()
			if s.Valid+s.NotCovered != m.Gates*len(m.Rows) || len(m.Rows) != len(sweep.Radials) || !(m.GateSpacingM > 0) {
				t.Fatalf("moment %s: %+v of %d gates and %d rows", m.Name, s, m.Gates, len(m.Rows))
			}
		}
	}
}

// Every seventh byte of the classic file set to another value: the data part
// holds the indices of sweeps and rays.
func TestDamagedBytes(t *testing.T) {
	whole, err := os.ReadFile("../../testdata/cfradial/ragged.cdf1.nc")
	if err != nil {
		t.Fatal(err)
	}
	failed := 0
	for at := 0; at < len(whole); at += 7 {
		b := bytes.Clone(whole)
		b[at] = []byte{0x00, 0x7f, 0xff, 0x01}[at/7%4]
		v, err := Decode(t.Context(), "damaged", b)
		var formatError *ingest.FormatError
		if err != nil {
			if failed++; !errors.As(err, &formatError) {
				t.Fatalf("byte %d: %v", at, err)
			}
			continue
		}
		checkVolume(t, v)
	}
	if failed < 50 {
		t.Errorf("only %d damaged files failed", failed)
	}
}

func TestClassicIsTheSame(t *testing.T) {
	b, err := os.ReadFile("../../testdata/cfradial/ragged.cdf1.nc")
	if err != nil {
		t.Fatal(err)
	}
	classic, err := Decode(t.Context(), "ragged.cdf1.nc", b)
	if err != nil {
		t.Fatal(err)
	}
	other := decode(t, "ragged.nc")
	for s, sweep := range other.Sweeps {
		for k, m := range sweep.Moments {
			if got := classic.Sweeps[s].Moments[k]; got.Statistics() != m.Statistics() || got.Name != m.Name {
				t.Errorf("sweep %d %s: %+v, %+v", s, m.Name, got.Statistics(), m.Statistics())
			}
		}
	}
}
