package cfgrid

import (
	"encoding/csv"
	"errors"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// The point profile against the CSV answer of the same server to the same
// question, an independent decoding.
func TestColumnsAgainstCSV(t *testing.T) {
	listing := csv.NewReader(strings.NewReader(string(testfiles.Read(t, "netcdf/ncss_gfs_0p5_20150612_1200_point.csv"))))
	listing.LazyQuotes = true
	rows, err := listing.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	rows = rows[1:]
	number := func(text string) float64 {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil {
			t.Fatal(err)
		}
		return x
	}
	for _, name := range []string{"netcdf/ncss_gfs_0p5_20150612_1200_point.nc", "netcdf/ncss_gfs_0p5_20150612_1200_point.nc4"} {
		f := openReal(t, name)
		columns, err := f.Columns(t.Context())
		if err != nil {
			t.Fatal(err)
		}
		if len(columns) != 1 || len(columns[0].Levels) != len(rows) {
			t.Fatalf("%s: %d columns", name, len(columns))
		}
		c := columns[0]
		if c.Place.LatitudeDeg != 40 || c.Place.LongitudeDeg != -105 || !c.Time.Equal(time.Date(2015, 6, 12, 15, 0, 0, 0, time.UTC)) {
			t.Errorf("%s: %+v", name, c)
		}
		humidity, err := f.Values(t.Context(), "Relative_humidity_isobaric")
		if err != nil {
			t.Fatal(err)
		}
		for k, row := range rows { // the listing falls, the column rises
			level := c.Levels[len(rows)-1-k]
			if level.PressurePa != number(row[3]) || float32(level.AirTemperatureK) != float32(number(row[4])) {
				t.Errorf("%s level %d: %+v, want %v", name, k, level, row)
			}
			if float32(humidity[k]) != float32(number(row[5])) {
				t.Errorf("%s level %d: humidity %g, want %s", name, k, humidity[k], row[5])
			}
			// Magnus form of WMO-No. 8 (2018), annex 4.B, over water, within 0.05 K of
			// the formula used between -45 and 60 degrees Celsius.
			if celsius := number(row[4]) - 273.15; celsius > -45 {
				gamma := math.Log(number(row[5])/100) + 17.62*celsius/(243.12+celsius)
				want := 243.12*gamma/(17.62-gamma) + 273.15
				if want > 273.15-45 && math.Abs(level.DewPointK-want) > 0.05 {
					t.Errorf("%s level %d: dew point %g, want %g", name, k, level.DewPointK, want)
				}
			}
		}
	}
}

func TestColumnsOfGridsAreRefused(t *testing.T) {
	_, err := openInvented(t, "ensemble.nc4").Columns(t.Context())
	var fe *ingest.FormatError
	if !errors.As(err, &fe) || !errors.Is(err, ingest.ErrUnsupported) {
		t.Error(err)
	}
}
