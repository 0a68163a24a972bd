package hydro_test

import (
	"fmt"
	"math"
	"time"

	"rimeline/ingest/hydro"
)

// A reservoir's storage from an agency's table, doubted once it is three days
// old.
func ExampleDecodeTable() {
	table := []byte("station,date,storage_af\nLRK,2026-01-14,\"12,500\"\nLRK,2026-01-15,---\n")
	all, err := hydro.DecodeTable("larkmoor.csv", table, hydro.Mapping{
		Time: []string{"date"}, Layout: "YYYY-MM-DD", Zone: "America/Boise", GaugeColumn: "station", Thousands: ",",
		Values: []hydro.ValueColumn{{Column: "storage_af", Quantity: hydro.ReservoirStorage, Unit: "acre-feet"}},
	})
	if err != nil {
		fmt.Println(err)
		return
	}
	latest, _ := all[0].Latest()
	fmt.Printf("%s %.3g %s at %s\n", all[0].Gauge, latest.Value, all[0].Unit, latest.Time.Format(time.RFC3339))
	now := time.Date(2026, 1, 17, 12, 0, 0, 0, time.UTC)
	for _, d := range hydro.Suspect(all[0], hydro.DefaultSuspectOptions(hydro.ReservoirStorage, now)) {
		fmt.Println(d.Kind+":", d.Reason)
	}
	// Output:
	// LRK 1.54e+07 m3 at 2026-01-14T07:00:00Z
	// no value: has no value since 2026-01-15T07:00:00Z
	// stale: its newest value is 77h0m0s old, at most 48h0m0s is allowed
}

// The snow load at which a permit suspends seeding, in the middle of January.
func ExampleCurve_At() {
	limit, _ := hydro.NewCurve("permit", hydro.SWEPercentOfNormal, []hydro.Knot{
		{Month: time.December, Day: 1, Value: 175}, {Month: time.January, Day: 1, Value: 175}, {Month: time.February, Day: 1, Value: 160}}, true)
	fmt.Printf("%.1f %%\n", limit.At(time.Date(2026, 1, 16, 0, 0, 0, 0, time.UTC)))
	fmt.Println(math.IsNaN(limit.At(time.Date(2026, 7, 1, 0, 0, 0, 0, time.UTC))))
	// Output:
	// 167.7 %
	// true
}
