package grib

import "golang.org/x/sys/cpu"

// haveLanes: eight numbers at a time can be unpacked and scaled (AVX2).
var haveLanes = cpu.X86.HasAVX2

// unpackLanes unpacks groups of numbers of at most maxLaneWidth bits, the first
// of which begin at bit pos of data, to dst: to each number the reference of its
// group and the bias are added. It reads up to laneOverread octets from the
// beginning of the last group or past its end, whichever is further, and writes
// up to laneOverrun numbers past the last one.
//
//go:noescape
func unpackLanes(dst *int32, data *byte, pos uint64, references, widths, lengths *uint32, groups int, bias int32, lanes *[208]lane)

// scaleLanes turns eights x 8 numbers into values.
//
//go:noescape
func scaleLanes(dst *float32, src *int32, eights int, binary, reference, decimal float64)
