package cfgrid

import (
	"encoding/csv"
	"math"
	"os"
	"strconv"
	"testing"

	"rimeline/grid"
	"rimeline/ingest/testfiles"
)

// Pixels of real files on the fixed grid, whose axes are packed scanning angles,
// against places computed with the formulas of the GOES-R Product Definition and
// Users' Guide by another program.
func TestFixedGridPixels(t *testing.T) {
	for _, name := range []string{
		"OR_GLM-L2-GLMC-M3_G16_s20181830433000_e20181830434000_c20191931535490.nc",
		"OR_GLM-L2-GLMM1-M3_G16_s20181830433000_e20181830434000_c20191931535550.nc",
	} {
		g := openReal(t, "goes/"+name).Headers()[0].Grid
		if _, is := grid.SatelliteView(g.Projection); !is {
			t.Fatalf("%s: projection %v", name, g.Projection)
		}
		table, err := os.Open(testfiles.Path(t, "reference/others/"+name+".points.tsv"))
		if err != nil {
			t.Fatal(err)
		}
		defer table.Close()
		r := csv.NewReader(table)
		r.Comma = '\t'
		records, err := r.ReadAll()
		if err != nil {
			t.Fatal(err)
		}
		off := 0
		for _, record := range records[1:] { // j, i, x, y, latitude, longitude
			j, _ := strconv.Atoi(record[0])
			i, _ := strconv.Atoi(record[1])
			p, ok := g.LatLonAt(float64(i), float64(j))
			if record[4] == "off" {
				off++
				if ok {
					t.Errorf("%s: pixel %d, %d is %v, and ought to miss the earth", name, i, j, p)
				}
				continue
			}
			lat, _ := strconv.ParseFloat(record[4], 64)
			lon, _ := strconv.ParseFloat(record[5], 64)
			if !ok || math.Abs(p.LatitudeDeg-lat) > 6e-7 || math.Abs(p.LongitudeDeg-lon) > 6e-7 {
				t.Errorf("%s: pixel %d, %d is %v, reference %v, %v", name, i, j, p, lat, lon)
			}
			if gi, gj, ok := g.Locate(p); !ok || math.Abs(gi-float64(i)) > 1e-5 || math.Abs(gj-float64(j)) > 1e-5 {
				t.Errorf("%s: %v located at %v, %v, %v instead of %d, %d", name, p, gi, gj, ok, i, j)
			}
		}
		if len(records) != 26 || off > 1 {
			t.Errorf("%s: %d records, %d off the earth", name, len(records), off)
		}
	}
}

func TestAngleUnits(t *testing.T) {
	for units, want := range map[string]float64{"rad": 1, "radian": 1, " Radians": 1, "microradian": 1e-6, "degrees": math.Pi / 180} {
		if got, known := angleFactor(units); !known || got != want {
			t.Errorf("%q: %v, %v", units, got, known)
		}
	}
	if _, known := angleFactor("furlong"); known {
		t.Error("furlong is an angle")
	}
}
