//go:build !amd64

package grib

const haveLanes = false

func unpackLanes(dst *int32, data *byte, pos uint64, references, widths, lengths *uint32, groups int, bias int32, lanes *[208]lane) {
	panic("no lanes here")
}

func scaleLanes(dst *float32, src *int32, eights int, binary, reference, decimal float64) {
	panic("no lanes here")
}
