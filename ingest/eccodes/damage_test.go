package eccodes

import (
	"bytes"
	"encoding/binary"
	"errors"
	"math/rand/v2"
	"rimeline/ingest"
	"rimeline/ingest/eccodes/lib"
	"rimeline/ingest/testfiles"
	"slices"
	"strings"
	"testing"
)

// damage changes one to three bytes in sections 1 to 6 of a GRIB2 message.
func damage(message []byte, seed uint64) []byte {
	end := 16
	for message[end+4] != 7 {
		end += int(binary.BigEndian.Uint32(message[end:]))
	}
	r := rand.New(rand.NewPCG(seed, 92))
	b := bytes.Clone(message)
	for range 1 + r.IntN(3) {
		b[16+r.IntN(end-16)] ^= byte(1 + r.IntN(255))
	}
	return b
}

// ecCodes 2.28 dies of these seeds; a later version may only complain.
var deadly = []struct {
	name  string
	seeds []uint64
}{
	{"aqm.20240516.t12z.o3.hi-mercator", []uint64{1, 18, 29, 47, 61, 64}},
	{"hrrr.20260301.t00z.wrfprsf00-template8", []uint64{1, 18, 29}},
	{"gdas.20230111.t12z.pgrb2.0p25.f000.msg13", []uint64{1, 4, 46}},
}

func TestDamagedMessagesKillOnlyTheChild(t *testing.T) {
	p := pool(t, "decoder", Options{Children: 1})
	whole := testfiles.Read(t, "grib2/sref.20090125.t21z.u10m.pdt2.grib2")
	want, err := p.DecodeValues(t.Context(), whole)
	if err != nil {
		t.Fatal(err)
	}
	deaths := map[string]int{}
	for _, d := range deadly {
		message := testfiles.Read(t, "grib2/"+d.name+".grib2")
		for _, seed := range d.seeds {
			_, err := p.DecodeValues(t.Context(), damage(message, seed))
			var placed *ingest.FormatError
			if !errors.As(err, &placed) {
				t.Errorf("%s, seed %d: %v, want a FormatError", d.name, seed, err)
				continue
			}
			if errors.Is(err, ingest.ErrDecoderDied) {
				for _, signal := range []string{"aborted", "segmentation fault"} {
					if strings.Contains(placed.Detail, "signal: "+signal) {
						deaths[signal]++
					}
				}
				if strings.Contains(placed.Detail, "aborted") && !strings.Contains(placed.Detail, "assertion failed") {
					t.Errorf("%s, seed %d: %q does not tell the last words", d.name, seed, placed.Detail)
				}
			}
			// The next message must not notice.
			got, err := p.DecodeValues(t.Context(), whole)
			if err != nil || !slices.Equal(got, want) {
				t.Fatalf("%s, seed %d: the good message after it: %v", d.name, seed, err)
			}
		}
	}
	t.Logf("deaths: %v", deaths)
	if lib.Version() == 22800 && (deaths["aborted"] < 5 || deaths["segmentation fault"] < 2) {
		t.Errorf("deaths %v, want at least 5 by abort and 2 by segmentation fault", deaths)
	}
}

// Whatever the damage: values as many as announced, or an error with a place.
func TestDamagedMessages(t *testing.T) {
	p := pool(t, "decoder", Options{})
	for _, name := range []string{"sref.20090125.t21z.u10m.pdt2", "cmc.20101106.t00z.tmp925.pdt1", "meteofrance.arome.20260413.t21z.tcdc"} {
		message := testfiles.Read(t, "grib2/"+name+".grib2")
		failed := 0
		for seed := range uint64(60) {
			values, err := p.DecodeValues(t.Context(), damage(message, seed))
			var placed *ingest.FormatError
			switch {
			case err == nil && len(values) == 0:
				t.Errorf("%s, seed %d: neither values nor error", name, seed)
			case err != nil && !errors.As(err, &placed):
				t.Errorf("%s, seed %d: %v, want a FormatError", name, seed, err)
			case err != nil:
				failed++
			}
		}
		if failed == 0 {
			t.Errorf("%s: no damage was noticed", name)
		}
	}
}
