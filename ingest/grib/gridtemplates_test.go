package grib

import (
	"context"
	"encoding/binary"
	"errors"
	"math"
	"strings"
	"testing"

	"rimeline/grid"
	"rimeline/ingest"
)

// setOctets overwrites octets of a section, counted from 1 as in the standard.
func setOctets(s []byte, octet int, v uint32) { binary.BigEndian.PutUint32(s[octet-1:], v) }

func openGrid(t *testing.T, section3 []byte, points int) (*grid.Field, error) {
	t.Helper()
	b := messageOf(0, identificationOf(), section3, productOf(2, 2), simpleOf(points, 5, 0, 0, 0), noBitmap, sectionOf(7))
	fields, err := Decode(context.Background(), "grid", b, Options{})
	if err != nil {
		placed(t, err, len(b))
		return nil, err
	}
	return fields[0], nil
}

func at(t *testing.T, f *grid.Field, i, j int, latitudeDeg, longitudeDeg, tolDeg float64) {
	t.Helper()
	got, ok := f.Grid.LatLonAt(float64(i), float64(j))
	if !ok || math.Abs(got.LatitudeDeg-latitudeDeg) > tolDeg || math.Abs(grid.NormalLongitudeDeg(got.LongitudeDeg-longitudeDeg)) > tolDeg {
		t.Errorf("(%d, %d) at %v (%v), want %v, %v", i, j, got, ok, latitudeDeg, longitudeDeg)
	}
}

// Template 3.0 as gridOf makes it: 30 N 250 E, 0.1 degrees to the north and
// east; octets as WMO-No. 306 lists them.
func TestLatLonTemplate(t *testing.T) {
	plain, err := openGrid(t, gridOf(11, 6), 66)
	if err != nil {
		t.Fatal(err)
	}
	at(t, plain, 10, 5, 30.5, 251, 1e-9)
	if plain.Grid.Cyclic || plain.Grid.WindsGridRelative {
		t.Errorf("%+v", plain.Grid)
	}

	// Di and Dj missing, their bits of flag table 3.3 cleared.
	section3 := gridOf(11, 6)
	section3[55-1] = 0
	setOctets(section3, 64, missing32)
	setOctets(section3, 68, missing32)
	f, err := openGrid(t, section3, 66)
	if err != nil {
		t.Fatal(err)
	}
	at(t, f, 10, 5, 30.5, 251, 1e-9)

	// La2 and Lo2 wrong: the increments given count.
	section3 = gridOf(11, 6)
	setOctets(section3, 56, 77_000_000)
	setOctets(section3, 60, 290_000_000)
	if f, err = openGrid(t, section3, 66); err != nil {
		t.Fatal(err)
	}
	at(t, f, 10, 5, 30.5, 251, 1e-9)

	// Increments rounded to microdegrees: the end points hold the sixth digit.
	section3 = gridOf(241, 2)
	setOctets(section3, 60, 290_000_000)
	setOctets(section3, 64, 166_667)
	if f, err = openGrid(t, section3, 482); err != nil {
		t.Fatal(err)
	}
	at(t, f, 240, 0, 30, 290, 1e-9)

	// Angles in units of 1/1000 degree: basic angle 1, 1000 subdivisions.
	section3 = gridOf(11, 6)
	setOctets(section3, 39, 1)
	setOctets(section3, 43, 1000)
	for octet, v := range map[int]uint32{47: 30_000, 51: 250_000, 56: 30_500, 60: 251_000, 64: 100, 68: 100} {
		setOctets(section3, octet, v)
	}
	if f, err = openGrid(t, section3, 66); err != nil {
		t.Fatal(err)
	}
	at(t, f, 10, 5, 30.5, 251, 1e-9)

	// A whole circle, and one column less.
	section3 = gridOf(3600, 2)
	if f, err = openGrid(t, section3, 7200); err != nil || !f.Grid.Cyclic {
		t.Errorf("3600 columns of 0.1 degrees are a circle: %v, %v", f.Grid.Cyclic, err)
	}
	if f, err = openGrid(t, gridOf(3599, 2), 7198); err != nil || f.Grid.Cyclic {
		t.Errorf("3599 columns of 0.1 degrees are none: %v, %v", f.Grid.Cyclic, err)
	}

	// Winds along the grid: bit 5 of flag table 3.3.
	section3 = gridOf(11, 6)
	section3[55-1] |= 0x08
	if f, err = openGrid(t, section3, 66); err != nil || !f.Grid.WindsGridRelative {
		t.Errorf("winds relative to the grid: %v", err)
	}

	// Rows beyond the pole: values without positions.
	section3 = gridOf(11, 6)
	setOctets(section3, 47, 91_000_000)
	setOctets(section3, 56, 91_500_000)
	if f, err = openGrid(t, section3, 66); err != nil || f.Grid.Projection != nil || f.Grid.NI != 11 || f.Grid.Name != "GRIB2 template 3.0" {
		t.Errorf("rows from 91 N: %+v, %v", f, err)
	}
}

// The first latitudes of the Gaussian grid with 32 parallels between pole and
// equator (N32, T42 models). Values from memory: 87.8638, 85.0965, 82.3129.
func TestGaussianTemplate(t *testing.T) {
	gaussian := func(nj int, la1, la2 int) []byte {
		s := gridOf(128, nj)
		s[14-1] = 40
		setOctets(s, 47, uint32(la1))
		setOctets(s, 51, 0)
		setOctets(s, 56, 0x80000000|uint32(-la2))
		if la2 >= 0 {
			setOctets(s, 56, uint32(la2))
		}
		setOctets(s, 60, 357_187_500)
		setOctets(s, 64, 2_812_500)
		setOctets(s, 68, 32)
		s[72-1] = 0 // rows from the north
		return s
	}
	f, err := openGrid(t, gaussian(64, 87_863_799, -87_863_799), 128*64)
	if err != nil {
		t.Fatal(err)
	}
	for j, latitude := range []float64{87.8638, 85.0965, 82.3129} {
		at(t, f, 0, j, latitude, 0, 1e-4)
		at(t, f, 64, 63-j, -latitude, 180, 1e-4)
	}
	if !f.Grid.Cyclic {
		t.Error("not a whole circle")
	}
	// Part of it: the second to the third row.
	if f, err = openGrid(t, gaussian(2, 85_096_527, 82_312_913), 256); err != nil {
		t.Fatal(err)
	}
	at(t, f, 0, 1, 82.3129, 0, 1e-4)
	// Rows that are not of this grid.
	if f, err = openGrid(t, gaussian(2, 86_000_000, 83_000_000), 256); err != nil || f.Grid.Projection != nil {
		t.Errorf("rows at 86 and 83 N are not of N32: %+v, %v", f, err)
	}
}

func TestGridsWithoutPositions(t *testing.T) {
	// Quasi-regular: 3 rows of 4, 5 and 6 points listed behind the template.
	quasi := gridClaiming(15, missing32, 3)
	quasi = append(quasi, 0, 4, 0, 5, 0, 6)
	binary.BigEndian.PutUint32(quasi, uint32(len(quasi)))
	quasi[11-1], quasi[12-1] = 2, 1

	staggered := gridOf(11, 6)
	staggered[72-1] |= 0x08

	unknown := gridOf(11, 6)
	unknown[13-1], unknown[14-1] = 0x7f, 0xff

	predetermined := gridOf(11, 6)
	predetermined[6-1] = 1

	arakawa := gridOf(11, 6)
	binary.BigEndian.PutUint16(arakawa[13-1:], 32769)

	stretched := gridOf(11, 6)
	stretched[14-1] = 2

	for _, test := range []struct {
		name       string
		section3   []byte
		points, ni int
		want       string
	}{
		{"quasi-regular", quasi, 15, 0, "GRIB2 template 3.0"},
		{"staggered", staggered, 66, 11, "GRIB2 template 3.0"},
		{"unknown", unknown, 66, 0, "GRIB2 template 3.32767"},
		{"predetermined", predetermined, 66, 0, "source 1"},
		{"Arakawa", arakawa, 66, 11, "GRIB2 template 3.32769"},
		{"stretched", stretched, 66, 11, "GRIB2 template 3.2"},
	} {
		f, err := openGrid(t, test.section3, test.points)
		if err != nil {
			t.Errorf("%s: %v", test.name, err)
			continue
		}
		if f.Grid.Projection != nil || f.Grid.NI != test.ni || !strings.Contains(f.Grid.Name, test.want) || len(f.Values) != test.points {
			t.Errorf("%s: %d values on %+v, want %d on %q, %d columns", test.name, len(f.Values), f.Grid, test.points, test.want, test.ni)
		}
	}
}

// Section 3 cut short names the octet that is missing.
func TestShortGridSection(t *testing.T) {
	full := gridOf(11, 6)
	for n := 5; n < len(full); n++ {
		section3 := append([]byte(nil), full[:n]...)
		binary.BigEndian.PutUint32(section3, uint32(n))
		if _, err := openGrid(t, section3, 66); !errors.Is(err, ingest.ErrCorrupt) || !strings.Contains(err.Error(), "left in its section") {
			t.Fatalf("%d octets: %v", n, err)
		}
	}
}
