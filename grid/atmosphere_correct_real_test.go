package grid_test

import (
	"encoding/csv"
	"math"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/grid"
	"rimeline/ingest/cfgrid"
	"rimeline/ingest/testfiles"
)

// TestCorrectedRealModel: model output over Tibet, 30 km, corrected by one of
// its own columns, as computed from the file by other means (p = P + PB, T = (T +
// 300) (p/1e5)^(2/7), height = (PH + PHB)/9.81), with 1.5 K added, and a wind
// profile 4 m/s more eastward and 3 m/s less northward than the box's.
func TestCorrectedRealModel(t *testing.T) {
	const name = "wrfout.tibet.20050921.allvars.nc"
	path := testfiles.Path(t, "netcdf/"+name)
	reader := csv.NewReader(strings.NewReader(string(testfiles.Read(t, "reference/others/"+name+".columns.tsv"))))
	reader.Comma = '\t'
	rows, err := reader.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2005, 9, 21, 9, 0, 0, 0, time.UTC)
	column := func(j, i string) (c grid.Column) {
		c.Time = at
		for _, row := range rows[1:] {
			number := func(k int) float64 {
				x, err := strconv.ParseFloat(row[k], 64)
				if err != nil {
					t.Fatal(err)
				}
				return x
			}
			if row[1] != "2005-09-21_09:00:00" || row[2] != j || row[3] != i {
				continue
			}
			c.Place = grid.LatLon{LatitudeDeg: number(5), LongitudeDeg: number(6)}
			level := grid.MissingLevel()
			level.AltitudeM, level.AirTemperatureK = number(9+1), number(9)
			c.Levels = append(c.Levels, level)
		}
		return c
	}
	file, err := cfgrid.OpenPath(path)
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	fields, err := file.WRFFields(t.Context(), cfgrid.Options{})
	if err != nil {
		t.Fatal(err)
	}
	model, err := grid.BuildAtmosphere(fields, grid.AtmosphereOptions{})
	if err != nil {
		t.Fatal(err)
	}

	sounding := grid.Observation{Kind: "sounding", Column: column("4", "5")}
	lowestM := sounding.Column.Levels[0].AltitudeM
	for k := range sounding.Column.Levels {
		sounding.Column.Levels[k].AirTemperatureK += 1.5
	}
	own, ok := model.ColumnAt(sounding.Column.Place, at)
	if !ok {
		t.Fatal("no column")
	}
	for k := range own.Levels {
		own.Levels[k].EastwardMPerS += 4
		own.Levels[k].NorthwardMPerS -= 3
		own.Levels[k].AirTemperatureK = math.NaN()
	}
	box, c := model.Corrected([]grid.Observation{sounding, {Kind: "vad", Column: own}}, grid.CorrectionOptions{})
	if len(c.Used) != 2 || len(c.Refused) != 0 {
		t.Fatalf("used %q, refused %q", c.Used, c.Refused)
	}
	// Between the file's levels and the box's bent profiles lose some tenths K.
	within := func(what string, got, want, tolerance float64) {
		t.Helper()
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s: got %.4g, want %.4g ± %g", what, got, want, tolerance)
		}
	}
	within("temperature before", c.RMSTemperatureBeforeK, 1.5, 0.1)
	within("temperature after, 1.5 (1 - 1/1.49)", c.RMSTemperatureAfterK, 0.493, 0.1)
	within("wind before", c.RMSWindBeforeMPerS, 5, 1e-6)
	within("wind after, 5 (1 - 9/13)", c.RMSWindAfterMPerS, 1.538, 0.01)

	// At another column of the table, by its distance.
	other := column("2", "6")
	rho := math.Exp(-0.5 * math.Pow(grid.DistanceM(sounding.Column.Place, other.Place)/60e3, 2))
	compared := 0
	for _, level := range other.Levels {
		before, ok := model.StateAt(grid.Position{LatLon: other.Place, AltitudeM: level.AltitudeM}, at)
		after, ok2 := box.StateAt(grid.Position{LatLon: other.Place, AltitudeM: level.AltitudeM}, at)
		if !ok || !ok2 || level.AltitudeM < lowestM+100 || level.AltitudeM > lowestM+11000 {
			continue
		}
		compared++
		within("the model beside the table", before.AirTemperatureK, level.AirTemperatureK, 0.6)
		within("temperature increment", after.AirTemperatureK-before.AirTemperatureK, 1.5/1.49*rho, 0.25*rho)
		within("eastward increment", after.EastwardMPerS-before.EastwardMPerS, 4*9.0/13*rho, 0.02)
		within("northward increment", after.NorthwardMPerS-before.NorthwardMPerS, -3*9.0/13*rho, 0.02)
		if !(after.SpecificHumidity > 0 && after.SpecificHumidity <= before.SpecificHumidity*1.2) || !(math.Abs(after.StabilityPerS2) < 0.01) {
			t.Errorf("at %.0f m: %+v", level.AltitudeM, after)
		}
	}
	if compared < 10 {
		t.Errorf("only %d levels compared", compared)
	}
	// Six hours before nothing is known, so nothing changes.
	then := at.Add(-6 * time.Hour)
	p := grid.Position{LatLon: sounding.Column.Place, AltitudeM: lowestM + 3000}
	before, _ := model.StateAt(p, then)
	if after, ok := box.StateAt(p, then); !ok || after != before {
		t.Errorf("at %s: %+v, was %+v", then, after, before)
	}
}
