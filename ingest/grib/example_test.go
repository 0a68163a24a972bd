package grib_test

import (
	"context"
	"fmt"
	"os"

	"rimeline/grid"
	"rimeline/ingest/grib"
)

func ExampleDecode() {
	// How cold is it above the site? The field is invented: 700 hPa, three hours
	// into the run.
	b, err := os.ReadFile("testdata/packings/second-order.grib2")
	if err != nil {
		fmt.Println(err)
		return
	}
	fields, err := grib.Decode(context.Background(), "second-order.grib2", b, grib.Options{})
	if err != nil {
		fmt.Println(err)
		return
	}
	site := grid.LatLon{LatitudeDeg: 40.3, LongitudeDeg: -106.6}
	for _, f := range fields {
		k, _ := f.Bilinear(site)
		fmt.Printf("%s at %.0f %s, %s: %.1f %s\n", f.StandardName, f.Level.Value, f.Level.Units, f.ValidTime.Format("2006-01-02 15:04"), k, f.Units)
	}
	// Output: air_temperature at 70000 Pa, 2030-01-15 09:00: 261.3 K
}
