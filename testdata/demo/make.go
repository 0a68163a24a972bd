// Command make writes the example input: an invented storm over an invented
// barrier, as GRIB2 model files an hour apart, one radiosonde ascent and four radar
// volumes.
//
// Run it from the top of the repository: go run ./testdata/demo
package main

import (
	"fmt"
	"log"
	"os"
	"path/filepath"
	"time"

	"rimeline/ingest/rehearsal"
)

func main() {
	storm := rehearsal.Storm{
		Start:       time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC),
		LatitudeDeg: 44.0, LongitudeDeg: -114.5,
	}
	write := func(name string, b []byte) {
		if err := os.WriteFile(filepath.Join("testdata", "demo", name), b, 0o644); err != nil {
			log.Fatal(err)
		}
		fmt.Printf("%s: %d bytes\n", name, len(b))
	}
	for hour := range 6 {
		write(fmt.Sprintf("model.20260114.t06z.f%02d.grib2", hour), storm.ModelFile(31, 4000, hour*60))
	}
	// Two radar volumes before each hour in which the band is near.
	for _, minutes := range []int{114, 120, 174, 180} {
		at := storm.Start.Add(time.Duration(minutes)*time.Minute - 4*time.Minute)
		b, err := rehearsal.Level2{Volume: storm.RadarVolume(at)}.File()
		if err != nil {
			log.Fatal(err)
		}
		write(fmt.Sprintf("radar.XLRK%s_V06", at.Format("20060102_150405")), b)
	}
	write("sounding.20260114.t08z.txt", storm.SoundingFile("XXM00000001", -34000, -6000, 2))
}
