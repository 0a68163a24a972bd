package message

import (
	"testing"

	"rimeline/seedability/bus"
)

// BenchmarkDecode reads the assessment of the slab, a message of the usual size;
// json.Unmarshal alone is the floor.
func BenchmarkDecode(b *testing.B) {
	e, err := bus.NewEvent(bus.Score, "larkspur", "here", night, judged(b)[0])
	if err != nil {
		b.Fatal(err)
	}
	b.Run("Decode", func(b *testing.B) {
		b.SetBytes(int64(len(e.Data)))
		b.ReportAllocs()
		for b.Loop() {
			if _, err := Decode(e); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("Unmarshal", func(b *testing.B) {
		b.SetBytes(int64(len(e.Data)))
		b.ReportAllocs()
		for b.Loop() {
			if _, err := readers[0].read(e.Data); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("Line", func(b *testing.B) {
		b.ReportAllocs()
		for b.Loop() {
			if Line(e) == "" {
				b.Fatal("nothing")
			}
		}
	})
}
