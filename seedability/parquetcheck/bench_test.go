package parquetcheck

import (
	"bytes"
	"math"
	"testing"

	"github.com/parquet-go/parquet-go"
	"github.com/parquet-go/parquet-go/compress"
)

// A table of ten million cells: 1 250 000 rows of 8 columns.
func BenchmarkTenMillionCells(b *testing.B) {
	type row struct {
		Time, Count    int64
		A, B, C        *float64
		D              float64
		Site, Quantity string `parquet:",dict"`
	}
	for _, c := range []struct {
		name  string
		codec compress.Codec
	}{{"zstd", &parquet.Zstd}, {"snappy", &parquet.Snappy}} {
		var into bytes.Buffer
		w := parquet.NewGenericWriter[row](&into, parquet.Compression(c.codec))
		rows := make([]row, 1250)
		for k := range 1_250_000 {
			x := math.Sin(float64(k) / 100)
			r := row{Time: int64(k) * 600, Count: int64(k % 77), A: &x, D: x * 3, Site: []string{"quill", "hut", "ridge"}[k%3], Quantity: "snow"}
			if k%5 > 0 {
				r.B = &x
			}
			if rows[k%len(rows)] = r; k%len(rows) == len(rows)-1 {
				if _, err := w.Write(rows); err != nil {
					b.Fatal(err)
				}
			}
		}
		if err := w.Close(); err != nil {
			b.Fatal(err)
		}
		file := into.Bytes()
		for _, only := range []bool{false, true} {
			name := c.name
			l := Default()
			if l.HeadersOnly = only; only {
				name += " headers"
			}
			b.Run(name, func(b *testing.B) {
				b.ReportAllocs()
				b.SetBytes(int64(len(file)))
				for b.Loop() {
					if err := Check(bytes.NewReader(file), int64(len(file)), l); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
		b.Run(c.name+" read", func(b *testing.B) {
			for b.Loop() {
				if n, err := readAll(file, nil); err != nil || n != 10_000_000 {
					b.Fatal(n, err)
				}
			}
		})
	}
}
