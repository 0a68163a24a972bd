package grib

import (
	"context"
	"math/rand/v2"
	"os"
	"testing"

	"rimeline/grid"
)

// seeds are the small files of testdata, and messages that no encoder writes.
func seeds(f *testing.F) {
	for _, path := range inventedFiles(f) {
		b, err := os.ReadFile(path)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(b)
	}
	r := rand.New(rand.NewPCG(7, 7))
	for range 20 {
		numbers, shape := randomShape(r)
		if section5, section7, ok := complexOf(numbers, shape); ok && len(numbers) < 4000 {
			f.Add(messageOf(0, identificationOf(), gridOf(len(numbers), 1), productOf(0, 0), section5, noBitmap, section7))
		}
	}
}

// FuzzMessages: whatever the bytes, descriptions come out whole or an error
// names its place.
func FuzzMessages(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		messages, err := Messages("fuzz", b)
		placed(t, err, len(b))
		if len(messages) == 0 && err == nil {
			t.Fatal("neither message nor error")
		}
		last := 0
		for _, m := range messages {
			h := m.Header()
			if h.Number <= last || h.Grid == nil || h.Parameter == "" || h.LongName == "" {
				t.Fatalf("header %+v after number %d", h, last)
			}
			last = h.Number
			if g := h.Grid; g.NI*g.NJ != 0 && g.NI*g.NJ != m.Points() {
				t.Fatalf("%d x %d of %d points", g.NI, g.NJ, m.Points())
			}
		}
	})
}

// FuzzDecode: values fill their grid, a window of a field equals that part of
// the whole.
func FuzzDecode(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, b []byte) {
		const ceiling = 1 << 18
		fields, err := Decode(context.Background(), "fuzz", b, Options{MaxPoints: ceiling})
		placed(t, err, len(b))
		for _, field := range fields {
			consistent(t, field)
		}
		if len(fields) == 0 || fields[0].Grid.NI < 2 || fields[0].Grid.NJ < 2 {
			return
		}
		messages, _ := Messages("fuzz", b)
		for _, m := range messages {
			if m.Number() == fields[0].Number {
				g := fields[0].Grid
				checkWindow(t, m, fields[0], grid.Window{I0: g.NI / 2, J0: g.NJ / 2, NI: g.NI - g.NI/2, NJ: 1})
			}
		}
	})
}
