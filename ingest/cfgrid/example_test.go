package cfgrid_test

import (
	"context"
	"fmt"
	"os"

	"rimeline/ingest/cfgrid"
)

// The temperature of an invented ensemble on 500 hPa: which slice is it, and how
// much of the grid has a value?
func ExampleOpen() {
	b, err := os.ReadFile("../../testdata/netcdf/ensemble.nc4")
	if err != nil {
		panic(err)
	}
	f, err := cfgrid.Open("ensemble.nc4", b)
	if err != nil {
		panic(err)
	}
	defer f.Close()
	for _, h := range f.Headers() {
		if h.StandardName != "air_temperature" || h.Level.Value != 500 || h.Member != 9 {
			continue
		}
		field, err := f.Field(context.Background(), h.Number, cfgrid.Options{})
		if err != nil {
			panic(err)
		}
		present := 0
		for _, v := range field.Values {
			if v == v { // missing is NaN
				present++
			}
		}
		fmt.Printf("%s member %d %s: %d of %d points\n", h.ShortName, h.Member, h.ValidTime.Format("2 Jan 15:04"), present, len(field.Values))
	}
	// Output:
	// t member 9 14 Jan 06:00: 20 of 20 points
	// t member 9 14 Jan 09:00: 19 of 20 points
}
