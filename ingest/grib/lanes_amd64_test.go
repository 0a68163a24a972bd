package grib

import "testing"

// What a processor without AVX2 does, and every other kind of processor.
func TestWithoutLanes(t *testing.T) {
	if !haveLanes {
		t.Skip("this processor has none: all tests ran without")
	}
	haveLanes = false
	defer func() { haveLanes = true }()
	complexPackingOfAnyShape(t, 100)
	TestInventedFieldInEveryPacking(t)
}
