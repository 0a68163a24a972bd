package sounding

import (
	"bytes"
	"testing"
	"time"
)

// Each decoder has a fuzz target; the seeds are the invented ascents and the
// damaged ones under testdata/fuzz. What must hold for every input stands in
// checkDecoded.
func fuzzWith(f *testing.F, names []string, decode func(string, []byte) ([]Report, error)) {
	for _, name := range names {
		f.Add(invented(f, name))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		if bytes.HasPrefix(b, []byte("PK")) {
			return // offsets are those of the unfolded text, see FuzzIGRA2Zip
		}
		reports, err := decode("fuzz", b)
		checkDecoded(t, b, reports, err)
	})
}

func FuzzTEMP(f *testing.F)   { fuzzWith(f, []string{"larkmoor.temp.txt"}, decoders["temp"]) }
func FuzzFSL(f *testing.F)    { fuzzWith(f, []string{"larkmoor.fsl.txt"}, DecodeFSL) }
func FuzzIGRA2(f *testing.F)  { fuzzWith(f, []string{"larkmoor.igra2.txt"}, DecodeIGRA2) }
func FuzzList(f *testing.F)   { fuzzWith(f, []string{"larkmoor.list.html"}, DecodeList) }
func FuzzCSV(f *testing.F)    { fuzzWith(f, []string{"larkmoor.csv"}, DecodeCSV) }
func FuzzJSON(f *testing.F)   { fuzzWith(f, []string{"larkmoor.json"}, DecodeJSON) }
func FuzzRaw(f *testing.F)    { fuzzWith(f, []string{"larkmoor.raw.txt"}, DecodeRaw) }
func FuzzBUFKIT(f *testing.F) { fuzzWith(f, []string{"larkmoor.buf"}, DecodeBUFKIT) }
func FuzzDecode(f *testing.F) { fuzzWith(f, inventedNames, Decode) }

func FuzzBUFKITSurface(f *testing.F) {
	f.Add(invented(f, "larkmoor.buf"))
	f.Fuzz(func(t *testing.T, b []byte) {
		series, err := BUFKITSurface("fuzz", b)
		for _, fe := range formatErrors(t, err) {
			if fe.Offset < 0 || fe.Offset > int64(len(b)) {
				t.Fatalf("place outside the file: %v", fe)
			}
		}
		for _, row := range series.Rows {
			if len(row.Values) != len(series.Names) && err == nil {
				t.Fatalf("%d values, %d names", len(row.Values), len(series.Names))
			}
		}
	})
}

// FuzzIGRA2Zip: whatever the archive says, memory stays within the ceiling.
func FuzzIGRA2Zip(f *testing.F) {
	f.Add(zipped(f, "a.txt", invented(f, "larkmoor.igra2.txt")))
	f.Fuzz(func(t *testing.T, b []byte) {
		reports, err := DecodeIGRA2("fuzz", b)
		if err != nil && len(formatErrors(t, err)) == 0 {
			t.Fatalf("error without a place: %v", err)
		}
		for _, r := range reports {
			r.Column()
		}
	})
}

func benchmark(b *testing.B, text []byte, decode func(string, []byte) ([]Report, error)) {
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		if _, err := decode("bench", text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkDecodeIGRA2(b *testing.B) {
	text := bytes.Repeat(invented(b, "larkmoor.igra2.txt"), 1000)
	benchmark(b, text, func(file string, text []byte) ([]Report, error) {
		for _, err := range IGRA2(file, text) { // one by one, as a long record is read
			if err != nil {
				return nil, err
			}
		}
		return nil, nil
	})
}

func BenchmarkDecodeTEMP(b *testing.B) {
	var text []byte
	for n := range 200 {
		one := bytes.ReplaceAll(invented(b, "larkmoor.temp.txt"), []byte("72990"), []byte{'7', '2', byte('0' + n/100), byte('0' + n/10%10), byte('0' + n%10)})
		text = append(text, one...)
	}
	benchmark(b, text, func(file string, text []byte) ([]Report, error) {
		return DecodeTEMP(file, text, time.Date(2021, 1, 20, 0, 0, 0, 0, time.UTC))
	})
}

func BenchmarkDecodeJSON(b *testing.B) {
	one := bytes.TrimSpace(invented(b, "larkmoor.json"))
	profile := one[bytes.IndexByte(one, '[')+1 : bytes.LastIndexByte(one, ']')]
	text := append([]byte(`{"profiles": [`), profile...)
	for range 500 {
		text = append(append(text, ", "...), profile...)
	}
	benchmark(b, append(text, "]}"...), DecodeJSON)
}

func BenchmarkDecodeList(b *testing.B) {
	benchmark(b, invented(b, "larkmoor.list.html"), DecodeList)
}

func BenchmarkDecodeBUFKIT(b *testing.B) {
	benchmark(b, invented(b, "larkmoor.buf"), DecodeBUFKIT)
}

func BenchmarkColumn(b *testing.B) {
	reports, err := Decode("temp", invented(b, "larkmoor.temp.txt"))
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	for b.Loop() {
		reports[0].Column()
	}
}
