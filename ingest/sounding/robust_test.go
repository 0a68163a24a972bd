package sounding

import (
	"bytes"
	"errors"
	"math/rand"
	"runtime"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
)

// decoders is every text decoder by the name of its fuzz target.
var decoders = map[string]func(string, []byte) ([]Report, error){
	"temp": func(file string, b []byte) ([]Report, error) {
		return DecodeTEMP(file, b, time.Date(2021, 1, 20, 0, 0, 0, 0, time.UTC))
	},
	"fsl": DecodeFSL, "igra2": DecodeIGRA2, "list": DecodeList, "csv": DecodeCSV, "json": DecodeJSON,
	"raw": DecodeRaw, "buf": DecodeBUFKIT, "any": Decode,
}

// Every prefix of every example, through its own decoder and through Decode.
// Whatever comes back has no more levels than the whole.
func TestTruncatedAtEveryByte(t *testing.T) {
	for _, name := range inventedNames {
		whole := invented(t, name)
		reports, err := Decode(name, whole)
		if err != nil {
			t.Fatal(err)
		}
		levels := 0
		for _, r := range reports {
			levels += len(r.Levels)
		}
		for n := range whole {
			for _, decode := range []func(string, []byte) ([]Report, error){Decode, decoders[strings.Split(name, ".")[1]]} {
				reports, err := decode(name, whole[:n])
				checkDecoded(t, whole[:n], reports, err)
				got := 0
				for _, r := range reports {
					got += len(r.Levels)
				}
				if got > levels {
					t.Fatalf("%s cut at %d: %d levels, the whole has %d", name, n, got, levels)
				}
			}
		}
	}
}

// Nothing but the last level is lost by a cut, where the format tells of the cut
// it is told.
func TestCutIsNamedTruncated(t *testing.T) {
	for _, name := range []string{"larkmoor.fsl.txt", "larkmoor.igra2.txt", "larkmoor.list.html", "larkmoor.json", "larkmoor.raw.txt"} {
		whole := invented(t, name)
		for _, n := range []int{len(whole) / 2, len(whole) * 2 / 3, len(whole) * 3 / 4} {
			reports, err := Decode(name, whole[:n])
			if !errors.Is(err, ingest.ErrTruncated) {
				t.Errorf("%s cut at %d: %v", name, n, err)
			}
			if len(reports) != 1 || len(reports[0].Levels) < 3 {
				t.Errorf("%s cut at %d: %d reports", name, n, len(reports))
			}
		}
	}
}

func TestFlippedBytes(t *testing.T) {
	random := rand.New(rand.NewSource(1))
	for _, name := range inventedNames {
		whole := invented(t, name)
		for range 300 {
			b := bytes.Clone(whole)
			for range 1 + random.Intn(8) {
				b[random.Intn(len(b))] = byte(random.Intn(256))
			}
			for _, decode := range []func(string, []byte) ([]Report, error){Decode, decoders[strings.Split(name, ".")[1]]} {
				reports, err := decode(name, b)
				checkDecoded(t, b, reports, err)
			}
		}
	}
}

// Empty, binary, endless and enormous input, and every example in every other
// format's decoder.
func TestWrongInput(t *testing.T) {
	inputs := map[string][]byte{
		"empty":      {},
		"blank":      []byte(" \r\n\r\n"),
		"NUL":        make([]byte, 100000),
		"0xff":       bytes.Repeat([]byte{0xff}, 100000),
		"one line":   bytes.Repeat([]byte("9"), 3<<20),
		"one word":   append([]byte("TTAA "), bytes.Repeat([]byte("/"), 3<<20)...),
		"spaces":     bytes.Repeat([]byte(" "), 3<<20),
		"groups":     append([]byte("TTBB 64128 72990 "), bytes.Repeat([]byte("11800 02903 "), 200000)...),
		"parts":      bytes.Repeat([]byte("TTAA 64121 72990 99900 00000 18010 "), 20000),
		"commas":     append([]byte("pressure_hPa"), bytes.Repeat([]byte(","), 1<<20)...),
		"names":      append([]byte("SNPARM = PRES"), bytes.Repeat([]byte(";X"), 1<<20)...),
		"list names": append([]byte("  PRES  HGHT  TEMP"), bytes.Repeat([]byte(" X"), 1<<20)...),
		"igra":       append([]byte("#USM00072990 2021 01 14 12 1106 9999 invented invented  441000 -1149000\n"), bytes.Repeat([]byte("x"), 1<<20)...),
		"json":       append([]byte(`{"profiles":[`), bytes.Repeat([]byte(`{"profile":[{}]},`), 50000)...),
		"titles":     bytes.Repeat([]byte("%TITLE%\n A 210114/1200\n%RAW%\n"), 20000),
		"BUFR":       []byte("BUFR\x00\x00\x00\x04"),
	}
	for _, name := range inventedNames {
		inputs[name] = invented(t, name)
		inputs[name+" with NUL"] = bytes.ReplaceAll(invented(t, name), []byte(" "), []byte{0})
	}
	for name, b := range inputs {
		for kind, decode := range decoders {
			reports, err := decode(name, b)
			if len(reports) > 1000 {
				reports = reports[:1000]
			}
			if t.Failed() {
				return
			}
			checkDecoded(t, b, reports, err)
			_ = kind
		}
	}
	for _, name := range []string{"empty", "NUL", "0xff", "spaces", "BUFR"} {
		if reports, err := Decode(name, inputs[name]); err == nil || len(reports) != 0 {
			t.Errorf("%s: %d reports, %v", name, len(reports), err)
		}
	}
	if _, err := Decode("empty", nil); !errors.Is(err, ingest.ErrTruncated) {
		t.Errorf("empty: %v", err)
	}
}

// Ceilings: a report of 20 000 levels is read, one of more is refused with what
// was read before.
func TestCeilingOfLevels(t *testing.T) {
	row := " 700.00, 2999.00, -8.70, -9.10, 235.00, 34.00\n"
	text := "%TITLE%\n LKM 210114/1200\n%RAW%\n" + strings.Repeat(row, MaxLevels)
	if _, err := Decode("raw", []byte(text+"%END%\n")); err != nil {
		t.Errorf("%d levels: %v", MaxLevels, err)
	}
	if _, err := Decode("raw", []byte(text+row+"%END%\n")); !errors.Is(err, ingest.ErrCorrupt) {
		t.Errorf("%d levels: %v", MaxLevels+1, err)
	}
}

// A header that claims many levels does not make us allocate for them.
func TestClaimsDoNotAllocate(t *testing.T) {
	text := []byte(strings.Repeat("#USM00072990 2021 01 14 12 1106 9999 invented invented  441000 -1149000\n", 2000))
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	reports, err := DecodeIGRA2("igra", text)
	runtime.ReadMemStats(&after)
	if err == nil || len(reports) != 0 {
		t.Errorf("%d reports, %v", len(reports), err)
	}
	if used := after.TotalAlloc - before.TotalAlloc; used > 1000*uint64(len(text)) {
		t.Errorf("%d bytes allocated for %d bytes of headers", used, len(text))
	}
}

// The error list is bounded; the count goes on.
func TestErrorsAreBounded(t *testing.T) {
	text := "%TITLE%\n LKM 210114/1200\n%RAW%\n" + strings.Repeat("nonsense\n", 5000) + "%END%\n"
	_, err := DecodeRaw("raw", []byte(text))
	if got := len(formatErrors(t, err)); got != maxProblems {
		t.Errorf("%d errors, want %d", got, maxProblems)
	}
	if err == nil || !strings.Contains(err.Error(), "4900 more errors") {
		t.Errorf("%.200v", err)
	}
}
