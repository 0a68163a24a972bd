//go:build !amd64

package grid

import "unsafe"

func blendMotion(hot *float32, at *[8]int, weight *[8]float32, below, above *[nodeSize]float32) {
	blendGeneric(unsafe.Slice(hot, at[7]+2*nodeSize), at, weight, below, above)
}

func blendAll(hot *float32, at *[8]int, weight *[8]float32, below, above *[nodeSize]float32) {
	blendGeneric(unsafe.Slice(hot, at[7]+2*nodeSize), at, weight, below, above)
}
