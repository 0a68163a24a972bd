package rehearsal

import (
	"encoding/csv"
	"math"
	"os"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"rimeline/grid"
)

// otherFiles writes the small storm, which does not change, in every format.
func otherFiles(t *testing.T) (files map[string][]byte, storm Storm, at time.Time) {
	t.Helper()
	storm = Storm{Start: time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC), LatitudeDeg: 44.0, LongitudeDeg: -114.5}
	at = storm.Start.Add(150 * time.Minute)
	plane := PlaneOf(storm)
	files = map[string][]byte{"model": newModelGrid(plane, 9, 14e3).file(storm, storm.Start, 2)}
	keep := func(name string) func([]byte, error) {
		return func(b []byte, err error) {
			if err != nil {
				t.Fatal(err)
			}
			files[name] = b
		}
	}
	keep("mosaic.gz")(newMosaicGrid(plane, 60e3).file(storm, at))
	view, err := newSatelliteView(plane, 25e3)
	if err != nil {
		t.Fatal(err)
	}
	keep("height.nc")(view.file(storm, satelliteProducts[1], at))
	x, y := -52000.0, -22000.0
	site := RadarSite{ID: "XLRK", Place: plane.Place(x, y), XM: x, YM: y, AltitudeM: 1720, TowerM: 20, NyquistMPerS: 26}
	keep("radar")(Level2{Volume: newScanner(storm, site).volume(storm, at), RadialsInRecord: scanRecordRadials}.File())
	files["balloon"] = newAscent(storm, otherStation(plane), at.Truncate(time.Hour)).bufr()
	return files, storm, at
}

func otherStation(plane Plane) Station {
	return Station{ID: "XLRK", WMO: "00997", Place: plane.Place(-34000, -6000), XM: -34000, YM: -6000}
}

// What ecCodes, netCDF4 with PROJ, and Py-ART read in the files is the storm at
// the places where these readers say that it is (testdata/others.py).
func TestOtherReaders(t *testing.T) {
	files, storm, at := otherFiles(t)
	if folder := os.Getenv("REHEARSAL_FILES"); folder != "" {
		for name, b := range files {
			if err := os.WriteFile(filepath.Join(folder, name), b, 0o644); err != nil {
				t.Fatal(err)
			}
		}
	}
	f, err := os.Open(filepath.Join("testdata", "others.tsv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comma = '\t'
	records, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	plane := PlaneOf(storm)
	counts := map[string]int{}
	for _, record := range records[1:] {
		var n [7]float64
		for k := range n {
			if n[k], err = strconv.ParseFloat(record[k+1], 64); err != nil {
				t.Fatal(err)
			}
		}
		what, number, column, row, place, vertical, got := record[0], n[0], n[1], n[2], grid.LatLon{LatitudeDeg: n[3], LongitudeDeg: n[4]}, n[5], n[6]
		x, y := plane.XY(place)
		counts[what]++
		var want, tolerance float64
		switch what {
		case "model 0.3.5", "model 0.0.0", "model 0.1.0", "model 0.1.1", "model 0.1.22", "model 0.2.8", "model 0.3.0":
			const hours = 2
			altitudeM := storm.TerrainM(x, y)
			if vertical > 0 {
				altitudeM = storm.AltitudeOfPressureM(x, y, vertical, hours)
			}
			air := storm.At(x, y, altitudeM, hours)
			// Steps are 1/32768 of the field's range or less; places are in microdegrees.
			switch what {
			case "model 0.3.5":
				want, tolerance = altitudeM, .05
			case "model 0.0.0":
				want, tolerance = air.AirTemperatureK, .001
			case "model 0.1.0":
				want, tolerance = air.SpecificHumidity, 1e-7
			case "model 0.1.1":
				want, tolerance = air.RelativeHumidityPct, .01
			case "model 0.1.22":
				want, tolerance = air.CloudLiquidKgPerKg, 2e-8
			case "model 0.2.8":
				want, tolerance = -air.UpwardMPerS*air.PressurePa/(gasConstantDryAir*air.AirTemperatureK)*gravityMPerS2, .001
			case "model 0.3.0":
				want, tolerance = air.PressurePa, .6
			}
		case "mosaic":
			tolerance = .0501
			want = -99
			for _, altitudeM := range []float64{1500, 2000, 2500, 3000, 3500, 4000, 5000, 6000, 7000, 8000} {
				if dBZ := storm.ReflectivityDBZ(x, y, altitudeM, at.Sub(storm.Start).Hours()); dBZ > want {
					want = dBZ
				}
			}
			if math.Hypot(x, y) > 60e3 {
				want = -999
			}
		case "balloon pressure", "balloon temperature", "balloon wind speed":
			release := at.Truncate(time.Hour).Add(-45 * time.Minute)
			air := storm.At(x, y, vertical, release.Sub(storm.Start).Hours()+number/3600)
			switch what {
			case "balloon pressure": // 10 Pa, and half a metre
				want, tolerance = air.PressurePa, 5+7
			case "balloon temperature":
				want, tolerance = air.AirTemperatureK, .01
			default:
				want, tolerance = math.Hypot(air.EastwardMPerS, air.NorthwardMPerS), .06
			}
		case "satellite HT":
			// The nearest of the tops every kilometre, and lines of sight every 200 m.
			want, tolerance = storm.CloudTop(x, y, at.Add(78*time.Second).Sub(storm.Start).Hours()).AltitudeM, 250
		case "radar reflectivity", "radar velocity":
			measured := at.Add(time.Duration(number)*scanSweep + time.Duration(row)*scanSweep/scanRadials)
			hours := measured.Sub(storm.Start).Hours()
			if blocked(storm, plane, row, column, int(number)) {
				continue
			}
			if what == "radar reflectivity" {
				// Half a step; the reader's angles are in steps of 0.0055 degrees, 15 m at
				// 150 km, and its beam bends over another earth.
				want, tolerance = storm.ReflectivityDBZ(x, y, vertical, hours), .25+.15
				break
			}
			air := storm.At(x, y, vertical, hours)
			antenna := plane.Place(-52000, -22000)
			east, north := eastAndNorth(plane, place, air.EastwardMPerS, air.NorthwardMPerS)
			back := grid.AzimuthDeg(place, antenna) * math.Pi / 180
			sinE, cosE := math.Sincos(radarElevationsDeg[int(number)] * math.Pi / 180)
			want, tolerance = -(east*math.Sin(back)+north*math.Cos(back))*cosE+(air.UpwardMPerS-1)*sinE, .25+.15
			got += 52 * math.Round((want-got)/52)
		default:
			continue // winds are along the grid; others are of no use to anybody
		}
		if !(math.Abs(got-want) <= tolerance) {
			t.Errorf("%s %g, (%g, %g) at %v, %g: %g, want %g within %g", what, number, column, row, place, vertical, got, want, tolerance)
		}
	}
	for what, least := range map[string]int{"model 0.0.0": 12, "model 0.3.5": 16, "mosaic": 40, "balloon pressure": 12, "satellite HT": 10, "radar reflectivity": 60, "radar velocity": 60} {
		if counts[what] < least {
			t.Errorf("%d rows of %s", counts[what], what)
		}
	}
}

// blocked tells whether terrain reaches into the beam before a gate.
func blocked(storm Storm, plane Plane, ray, gate float64, sweep int) bool {
	antenna := plane.Place(-52000, -22000)
	for rangeM := scanFirstGateM; rangeM <= scanFirstGateM+gate*scanGateM; rangeM += 500 {
		x, y := plane.XY(grid.Destination(antenna, ray+.5, grid.BeamGroundRangeM(rangeM, radarElevationsDeg[sweep])))
		bottomM := grid.BeamAltitudeM(1740, rangeM, radarElevationsDeg[sweep]) - 1.1*grid.BeamHalfWidthM(rangeM, scanBeamwidthDeg)
		if storm.TerrainM(x, y) > bottomM {
			return true
		}
	}
	return false
}
