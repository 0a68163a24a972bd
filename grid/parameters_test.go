package grid

import (
	"errors"
	"reflect"
	"testing"
)

func TestProjectionsFromTheirParameters(t *testing.T) {
	place := LatLon{44.25, -114.5}
	for _, want := range []any{
		LatLonProjection{},
		LambertConformal{Earth: WGS84, StandardParallel1Deg: 30, StandardParallel2Deg: 60, OriginLatitudeDeg: 38.5, CentralMeridianDeg: -97.5, FalseEastingM: 1, FalseNorthingM: 2},
		Mercator{Earth: WGS84, TrueScaleLatitudeDeg: 20, CentralMeridianDeg: -100, FalseEastingM: 1, FalseNorthingM: 2},
		Mercator{Earth: WGS84, ScaleFactor: 0.97, CentralMeridianDeg: -100},
		PolarStereographic{Earth: WGS84, North: true, TrueScaleLatitudeDeg: 60, CentralMeridianDeg: -105, FalseEastingM: 1, FalseNorthingM: 2},
		TransverseMercator{Earth: WGS84, OriginLatitudeDeg: 40, CentralMeridianDeg: -111, ScaleFactor: 0.9996, FalseEastingM: 5e5, FalseNorthingM: 2},
		AlbersEqualArea{Earth: GRS80, StandardParallel1Deg: 29.5, StandardParallel2Deg: 45.5, OriginLatitudeDeg: 23, CentralMeridianDeg: -96, FalseEastingM: 1, FalseNorthingM: 2},
		LambertAzimuthalEqualArea{Earth: GRS80, OriginLatitudeDeg: 45, CentralMeridianDeg: -100, FalseEastingM: 1, FalseNorthingM: 2},
		RotatedLatLon{SouthPoleLatitudeDeg: -36.1, SouthPoleLongitudeDeg: 245.3, RotationDeg: 3},
		Geostationary{Earth: GRS80, PerspectivePointHeightM: 35786023, SubSatelliteLongitudeDeg: -137, SweepAxisX: true, FalseEastingM: 1, FalseNorthingM: 2},
	} {
		first, err := NewProjection(want)
		if err != nil {
			t.Fatal(err)
		}
		got, ok := ParametersOf(first)
		if !ok || !reflect.DeepEqual(got, want) {
			t.Errorf("%T: parameters %+v, want %+v", want, got, want)
		}
		second, err := NewProjection(got)
		if err != nil {
			t.Fatal(err)
		}
		x1, y1, _ := first.Forward(place)
		if x2, y2, ok := second.Forward(place); !ok || x1 != x2 || y1 != y2 {
			t.Errorf("%T: (%v, %v), then (%v, %v)", want, x1, y1, x2, y2)
		}
	}
	if _, ok := ParametersOf(nil); ok {
		t.Error("no projection has parameters")
	}
	if _, err := NewProjection(3); !errors.Is(err, ErrUnsupportedProjection) {
		t.Errorf("a number as parameters: %v", err)
	}
}
