//go:build !amd64

package grid

import "unsafe"

func blendMotion(node *float32, strides *[3]int, weight *[8]float32, below, above *[nodeSize]float32) {
	blendAll(node, strides, weight, below, above)
}

func blendAll(node *float32, strides *[3]int, weight *[8]float32, below, above *[nodeSize]float32) {
	reach := strides[0] + strides[1] + strides[2] + 2*nodeSize
	blendGeneric(unsafe.Slice(node, reach), strides, weight, below, above)
}
