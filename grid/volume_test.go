package grid

import (
	"math"
	"testing"
)

// Words, codes and ends of rows, each width against the formula by hand.
func TestMomentRow(t *testing.T) {
	eight := &Packing{WordBits: 8, Factor: 0.5, Addend: -33, BelowThreshold: 0, RangeFolded: 1, Missing: NoCode}
	sixteen := &Packing{WordBits: 16, Signed: true, Factor: 0.01, Addend: 0, BelowThreshold: NoCode, RangeFolded: NoCode, Missing: -32768}
	float := &Packing{WordBits: 32, Float: true, Factor: 1, BelowThreshold: NoCode, RangeFolded: NoCode, Missing: -9999}
	bits := func(values ...float32) []byte {
		var b []byte
		for _, v := range values {
			u := math.Float32bits(v)
			b = append(b, byte(u>>24), byte(u>>16), byte(u>>8), byte(u))
		}
		return b
	}
	m := &Moment{Gates: 10, FirstGateM: 2125, GateSpacingM: 250, Rows: []GateRow{
		{Raw: []byte{0, 1, 2, 66, 255, 0, 0, 0, 0, 1}, Packing: eight},
		{Raw: []byte{0x80, 0, 0xff, 0x9c, 0, 100, 0, 0}, Packing: sixteen},
		{Raw: bits(-9999, float32(math.NaN()), 12.5), Packing: float},
		{},
		{Raw: []byte{70}, ZeroGates: 3, Packing: eight},
	}}
	type want struct {
		value float64
		state GateState
	}
	for radial, wants := range [][]want{
		{{0, BelowThreshold}, {0, RangeFolded}, {-32, Measured}, {0, Measured}, {94.5, Measured}, {0, BelowThreshold}, {0, BelowThreshold}, {0, BelowThreshold}, {0, BelowThreshold}, {0, RangeFolded}},
		{{0, NotCovered}, {-1, Measured}, {1, Measured}, {0, Measured}, {0, NotCovered}},
		{{0, NotCovered}, {0, NotCovered}, {12.5, Measured}, {0, NotCovered}},
		{{0, NotCovered}},
		{{2, Measured}, {0, BelowThreshold}, {0, BelowThreshold}, {0, BelowThreshold}},
	} {
		row := m.Row(radial, nil)
		if len(row) != 10 {
			t.Fatalf("radial %d: %d gates", radial, len(row))
		}
		for gate, w := range wants {
			for _, got := range []float32{row[gate], m.At(radial, gate)} {
				if StateOf(got) != w.state || w.state == Measured && math.Abs(float64(got)-w.value) > 1e-6 {
					t.Errorf("radial %d gate %d: %g (%v), want %g (%v)", radial, gate, got, StateOf(got), w.value, w.state)
				}
			}
		}
		for gate := len(wants); gate < 10; gate++ {
			if radial > 0 && StateOf(row[gate]) != NotCovered {
				t.Errorf("radial %d gate %d: %v behind the end", radial, gate, StateOf(row[gate]))
			}
		}
	}
	s := m.Statistics()
	if s.Valid != 8 || s.BelowThreshold != 8 || s.RangeFolded != 2 || s.NotCovered != 32 || s.Min != -32 || s.Max != 94.5 || math.Abs(s.Mean-77.0/8) > 1e-6 {
		t.Errorf("statistics %+v", s)
	}
	if gate, ok := m.GateAt(2249); !ok || gate != 0 {
		t.Errorf("gate at 2249 m: %d, %v", gate, ok)
	}
	if gate, ok := m.GateAt(2251); !ok || gate != 1 {
		t.Errorf("gate at 2251 m: %d, %v", gate, ok)
	}
	for _, rangeM := range []float64{1999, 2125 + 9.6*250, math.NaN()} {
		if gate, ok := m.GateAt(rangeM); ok {
			t.Errorf("gate at %g m: %d", rangeM, gate)
		}
	}
}

func TestNearestRadial(t *testing.T) {
	s := &Sweep{}
	for _, azimuth := range []float32{350.25, 350.75, 359.9, 0.4, 1.4, 10} { // a sweep begins anywhere
		s.Radials = append(s.Radials, Radial{AzimuthDeg: azimuth, SpacingDeg: 1})
	}
	s.Radials[0].SpacingDeg, s.Radials[1].SpacingDeg = 0.5, 0.5
	for _, test := range []struct {
		azimuthDeg float64
		radial     int
		ok         bool
	}{
		{350.4, 0, true}, {350.6, 1, true}, {351.2, 1, false}, {-0.2, 2, true}, {0.1, 2, true}, {0.2, 3, true}, {361.1, 4, true}, {5, 4, false}, {9.5, 5, true}, {10.7, 5, true}, {10.8, 5, false},
	} {
		radial, ok := s.Nearest(test.azimuthDeg)
		if ok != test.ok || ok && radial != test.radial {
			t.Errorf("azimuth %g: radial %d, %v; want %d, %v", test.azimuthDeg, radial, ok, test.radial, test.ok)
		}
	}
	if _, ok := (&Sweep{}).Nearest(0); ok {
		t.Error("a sweep without radials covers nothing")
	}
}
