package sounding_test

import (
	"fmt"
	"os"
	"time"

	"rimeline/ingest/sounding"
)

// A TEMP bulletin says day and hour; the time at which it came in tells month
// and year.
func ExampleDecodeTEMP() {
	b, err := os.ReadFile("../../testdata/sounding/larkmoor.temp.txt")
	if err != nil {
		fmt.Println(err)
		return
	}
	received := time.Date(2021, 1, 14, 12, 40, 0, 0, time.UTC)
	reports, err := sounding.DecodeTEMP("larkmoor.temp.txt", b, received)
	if err != nil {
		fmt.Println(err)
		return
	}
	r := reports[0]
	fmt.Printf("%s at %s, released %s\n", r.Station.WMONumber, r.Time.Format(time.RFC3339), r.ReleaseTime.Format("15:04"))
	for _, l := range r.Levels {
		if l.Significance&sounding.Standard != 0 && l.PressurePa == 70000 {
			fmt.Printf("700 hPa: %.0f m, %.1f C, wind from %.0f at %.1f m/s\n",
				l.GeopotentialHeightM, l.AirTemperatureK-273.15, l.WindFromDeg, l.WindSpeedMPerS)
		}
	}
	// Output:
	// 72990 at 2021-01-14T12:00:00Z, released 11:06
	// 700 hPa: 2999 m, -8.7 C, wind from 235 at 17.5 m/s
}

// A column has one level a pressure, sorted, with the heights that significant
// levels of a TEMP do not carry, and without the levels under the ground.
func ExampleReport_Column() {
	b, err := os.ReadFile("../../testdata/sounding/larkmoor.temp.txt")
	if err != nil {
		fmt.Println(err)
		return
	}
	reports, err := sounding.Decode("larkmoor.temp.txt", b)
	if err != nil {
		fmt.Println(err)
		return
	}
	column := reports[0].Column()
	for _, l := range column.Levels[:4] {
		fmt.Printf("%.0f hPa %.0f m %.1f C\n", l.PressurePa/100, l.AltitudeM, l.AirTemperatureK-273.15)
	}
	// Output:
	// 832 hPa 1640 m -1.1 C
	// 800 hPa 1952 m -2.9 C
	// 770 hPa 2254 m -4.7 C
	// 740 hPa 2566 m -6.3 C
}
