package frame

import (
	"bytes"
	"errors"
	"io"
	"math"
	"os"
	"reflect"
	"runtime"
	"testing"

	"rimeline/ingest/bufr"
	"rimeline/ingest/eccodes/lib"
)

func TestRoundTrip(t *testing.T) {
	var wire bytes.Buffer
	values := []float64{0, -1.5, math.Inf(1), math.NaN(), math.MaxFloat64}
	if err := WriteValues(&wire, values); err != nil {
		t.Fatal(err)
	}
	if err := Write(&wire, DecodeGRIB, []byte("GR"), nil, []byte("IB")); err != nil {
		t.Fatal(err)
	}
	if err := Write(&wire, Failure, AppendFailure(nil, Unsupported, "why")); err != nil {
		t.Fatal(err)
	}
	h, err := ReadHeader(&wire)
	if err != nil || h.Kind != Values {
		t.Fatal(h, err)
	}
	got, err := ReadValues(&wire, h, len(values))
	if err != nil || !bytes.Equal(Bytes(got), Bytes(values)) {
		t.Errorf("values %v, %v", got, err)
	}
	if h, err = ReadHeader(&wire); err != nil || h.Kind != DecodeGRIB {
		t.Fatal(h, err)
	}
	if payload, err := ReadPayload(&wire, h, 4); err != nil || string(payload) != "GRIB" {
		t.Errorf("payload %q, %v", payload, err)
	}
	if h, err = ReadHeader(&wire); err != nil {
		t.Fatal(err)
	}
	payload, err := ReadPayload(&wire, h, 100)
	if err != nil {
		t.Fatal(err)
	}
	if reason, text, err := ParseFailure(payload); reason != Unsupported || text != "why" || err != nil {
		t.Errorf("failure %d %q %v", reason, text, err)
	}
	if _, err = ReadHeader(&wire); err != io.EOF {
		t.Errorf("after the last frame: %v, want io.EOF", err)
	}
}

// A header that claims 2^63 bytes costs no more than the first piece, whatever
// is allowed.
func TestHugeClaimAllocatesLittle(t *testing.T) {
	h := Header{Kind: Subsets, Length: 1 << 40}
	if _, err := ReadPayload(bytes.NewReader(nil), h, 1<<30); !errors.Is(err, ErrProtocol) {
		t.Errorf("over the limit: %v", err)
	}
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	if _, err := ReadPayload(bytes.NewReader(make([]byte, 10)), h, 1<<41); err != io.ErrUnexpectedEOF {
		t.Errorf("10 bytes of many: %v", err)
	}
	runtime.ReadMemStats(&after)
	allocated := after.TotalAlloc - before.TotalAlloc
	if allocated > 2*firstPiece {
		t.Errorf("%d bytes allocated for 10 that came", allocated)
	}
}

func decoded(t testing.TB, name string) bufr.Decoded {
	b, err := os.ReadFile("../../../bufr/testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	d, err := lib.DecodeBUFR(b, 0)
	if err != nil {
		t.Fatal(err)
	}
	return d
}

func TestDecodedRoundTrip(t *testing.T) {
	for _, name := range []string{"two-subsets.bufr", "three-subsets-compressed.bufr"} {
		want := decoded(t, name)
		want.Subsets[0][3].AttributeOf = 2
		got, err := ParseDecoded(AppendDecoded(nil, want))
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range []bufr.Decoded{got, want} { // DeepEqual finds NaN different from itself
			for _, elements := range d.Subsets {
				for i := range elements {
					if math.IsNaN(elements[i].Value) {
						elements[i].Value = -1e100
					}
				}
			}
		}
		if !reflect.DeepEqual(got, want) {
			t.Errorf("%s: changed on the way", name)
		}
	}
}

// Cut anywhere, the reply is refused.
func TestParseDecodedTruncated(t *testing.T) {
	whole := AppendDecoded(nil, decoded(t, "two-subsets.bufr"))
	for n := range whole {
		if _, err := ParseDecoded(whole[:n]); !errors.Is(err, ErrProtocol) {
			t.Fatalf("%d of %d bytes: %v", n, len(whole), err)
		}
	}
	if _, err := ParseDecoded(append(whole, 0)); !errors.Is(err, ErrProtocol) {
		t.Errorf("one byte too many: %v", err)
	}
}

func FuzzReadFrame(f *testing.F) {
	frame := func(kind Kind, payload []byte) []byte {
		var b bytes.Buffer
		_ = Write(&b, kind, payload)
		return b.Bytes()
	}
	f.Add(frame(Values, make([]byte, 16)))
	f.Add(frame(Failure, AppendFailure(nil, Corrupt, "reason")))
	f.Add(frame(Subsets, AppendDecoded(nil, decoded(f, "two-subsets.bufr"))))
	f.Add(frame(DecodeGRIB, nil))
	f.Add([]byte("RLF1\x03\x00\x00\x00\xff\xff\xff\xff\xff\xff\xff\xff\x00\x00\x00\x00"))
	f.Fuzz(func(t *testing.T, b []byte) {
		const limit = 1 << 20
		r := bytes.NewReader(b)
		for {
			h, err := ReadHeader(r)
			if err != nil {
				return
			}
			if h.Kind == Values {
				if values, err := ReadValues(r, h, 2); (err == nil) != (len(values) == 2) {
					t.Fatalf("%d values, %v", len(values), err)
				} else if err != nil {
					return
				}
				continue
			}
			payload, err := ReadPayload(r, h, limit)
			if err != nil {
				return
			}
			if uint64(len(payload)) != h.Length || len(payload) > limit {
				t.Fatalf("%d bytes, the header says %d", len(payload), h.Length)
			}
			if d, err := ParseDecoded(payload); err == nil {
				d.MarkReplications()
				again, err := ParseDecoded(AppendDecoded(nil, d))
				if err != nil || len(again.Subsets) != len(d.Subsets) {
					t.Fatalf("what was parsed cannot be sent again: %v", err)
				}
			}
			_, _, _ = ParseFailure(payload)
		}
	})
}

func FuzzParseDecoded(f *testing.F) {
	f.Add(AppendDecoded(nil, decoded(f, "two-subsets.bufr")))
	f.Add(AppendDecoded(nil, decoded(f, "three-subsets-compressed.bufr")))
	f.Add([]byte{0, 0, 0})
	f.Add([]byte{1, 1, 1, 1, 0, 0, 0, 1, 1, 0, 2, 1, 2, 3, 4, 5, 6, 7, 8})
	f.Fuzz(func(t *testing.T, b []byte) {
		d, err := ParseDecoded(b)
		if err != nil {
			return
		}
		d.MarkReplications()
		for _, elements := range d.Subsets {
			for i, e := range elements {
				if e.Key == nil || e.AttributeOf >= i || e.Descriptor > 399999 {
					t.Fatalf("element %d: %+v", i, e)
				}
			}
		}
	})
}
