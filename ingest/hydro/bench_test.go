package hydro

import (
	"testing"
	"time"

	"rimeline/ingest/testfiles"
)

func benchmark(b *testing.B, name string, decode func([]byte) error) {
	text := testfiles.Read(b, "hydro/"+name)
	b.SetBytes(int64(len(text)))
	b.ReportAllocs()
	for b.Loop() {
		if err := decode(text); err != nil {
			b.Fatal(err)
		}
	}
}

func BenchmarkAlerts102(b *testing.B) {
	benchmark(b, "nws.alerts.west.20251215T2155Z.geojson", func(text []byte) error { _, err := DecodeAlerts("bench", text); return err })
}

func BenchmarkStand102(b *testing.B) {
	all, err := DecodeAlerts("bench", testfiles.Read(b, "hydro/nws.alerts.west.20251215T2155Z.geojson"))
	if err != nil {
		b.Fatal(err)
	}
	at := time.Date(2025, 12, 15, 21, 55, 0, 0, time.UTC)
	b.ReportAllocs()
	for b.Loop() {
		Stand(all, at)
	}
}

func BenchmarkCAP(b *testing.B) {
	benchmark(b, "cap12.NWS-IDP-PROD-4412298-3677414.xml", func(text []byte) error { _, err := DecodeAlerts("bench", text); return err })
}

func BenchmarkWaterML(b *testing.B) {
	benchmark(b, "usgs.iv.13206000.20230113.json", func(text []byte) error { _, err := DecodeUSGS("bench", text); return err })
}

func BenchmarkTable(b *testing.B) {
	benchmark(b, "csas.SBSP.1hr.2010-2024.excerpt.csv", func(text []byte) error { _, err := DecodeTable("bench", text, csas); return err })
}
