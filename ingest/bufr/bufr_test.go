package bufr_test

import (
	"os"
	"strings"
	"testing"

	"rimeline/ingest/bufr"
	"rimeline/ingest/eccodes/lib"
)

// Subsets made with ecCodes' own encoder (see testdata/README.md of the
// repository): compressed, all have two levels; uncompressed, one and three.
func TestSubsetsAndReplications(t *testing.T) {
	for _, test := range []struct {
		file   string
		levels []int
	}{
		{"three-subsets-compressed.bufr", []int{2, 2, 2}},
		{"two-subsets.bufr", []int{1, 3}},
	} {
		b, err := os.ReadFile("testdata/" + test.file)
		if err != nil {
			t.Fatal(err)
		}
		d, err := lib.DecodeBUFR(b, 0)
		if err != nil {
			t.Fatal(err)
		}
		if !d.MarkReplications() {
			t.Errorf("%s: elements and template do not fit", test.file)
		}
		if len(d.Subsets) != len(test.levels) {
			t.Fatalf("%s: %d subsets, want %d", test.file, len(d.Subsets), len(test.levels))
		}
		for s, elements := range d.Subsets {
			levels, pressures := 0, 0
			for _, e := range elements {
				switch e.Name {
				case "blockNumber":
					if e.Descriptor != 1001 || e.Value != float64(10+s) || e.Units != "Numeric" || e.Block != 0 {
						t.Errorf("%s, subset %d: %+v", test.file, s, e)
					}
				case "radiosondeSerialNumber":
					if want := "AB" + string(rune('0'+s)); !e.IsText || e.Text != want {
						t.Errorf("%s, subset %d: serial number %q, want %q", test.file, s, e.Text, want)
					}
				case "pressure":
					pressures++
					want := float64(100000 - 10*(pressures-1) - s)
					if e.Value != want || e.Repetition != pressures || e.Block != 1 {
						t.Errorf("%s, subset %d, level %d: %v Pa in block %d, repetition %d, want %v", test.file, s, pressures, e.Value, e.Block, e.Repetition, want)
					}
				case "windSpeed":
					if !e.Missing() {
						t.Errorf("%s: wind speed %v, none was encoded", test.file, e.Value)
					}
				}
				levels = max(levels, e.Repetition)
			}
			if levels != test.levels[s] || pressures != levels {
				t.Errorf("%s, subset %d: %d levels with %d pressures, want %d", test.file, s, levels, pressures, test.levels[s])
			}
		}
	}
}

// The ceiling counts the elements of all subsets: 3 x 78 in this message.
func TestCeilingOfElements(t *testing.T) {
	b, err := os.ReadFile("testdata/three-subsets-compressed.bufr")
	if err != nil {
		t.Fatal(err)
	}
	d, err := lib.DecodeBUFR(b, 0)
	if err != nil {
		t.Fatal(err)
	}
	n := 3 * len(d.Subsets[0])
	if _, err := lib.DecodeBUFR(b, n); err != nil {
		t.Errorf("%d elements allowed: %v", n, err)
	}
	if _, err := lib.DecodeBUFR(b, n-1); err == nil || !strings.Contains(err.Error(), "ceiling") {
		t.Errorf("%d elements allowed: %v", n-1, err)
	}
}

// Replications by hand: 1 01 002 fixed, 1 02 000 delayed with a nested one.
func TestMarkReplications(t *testing.T) {
	key := func(d bufr.Descriptor) *bufr.Key { return &bufr.Key{Descriptor: d} }
	element := func(d bufr.Descriptor, v float64) bufr.Element {
		return bufr.Element{Key: key(d), Value: v, AttributeOf: -1}
	}
	d := bufr.Decoded{
		Expanded: []bufr.Descriptor{1001, 101002, 2001, 104000, 31001, 7004, 101000, 31001, 12101, 5001},
		Subsets: [][]bufr.Element{{
			element(1001, 1), element(2001, 1), element(2001, 2),
			element(31001, 2),
			element(7004, 1), element(31001, 2), element(12101, 1), element(12101, 2),
			element(7004, 2), element(31001, 0),
			element(5001, 1),
		}},
	}
	if !d.MarkReplications() {
		t.Error("elements and template do not fit")
	}
	want := [][2]int{{0, 0}, {1, 1}, {1, 2}, {0, 0}, {2, 1}, {2, 1}, {3, 1}, {3, 2}, {2, 2}, {2, 2}, {0, 0}}
	for i, e := range d.Subsets[0] {
		if got := [2]int{e.Block, e.Repetition}; got != want[i] {
			t.Errorf("element %d, %v: block and repetition %v, want %v", i, e.Descriptor, got, want[i])
		}
	}
	d.Expanded[0] = 1002
	if d.MarkReplications() {
		t.Error("another template fits as well")
	}
}
