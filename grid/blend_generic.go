package grid

// blendGeneric is what the assembly computes, for other processors and as its
// test. The conversions keep products from being fused with sums, so that the
// same inputs give the same bytes everywhere.
func blendGeneric(hot []float32, strides *[3]int, weight *[8]float32, below, above *[nodeSize]float32) {
	var sums [2][2 * nodeSize]float32 // of even and of odd columns
	for n := range 8 {
		start := n&1*strides[0] + n>>1&1*strides[1] + n>>2*strides[2]
		node := (*[2 * nodeSize]float32)(hot[start:])
		for q := range node {
			sums[n%2][q] += float32(weight[n] * node[q])
		}
	}
	for q := range nodeSize {
		below[q] = sums[0][q] + sums[1][q]
		above[q] = sums[0][nodeSize+q] + sums[1][nodeSize+q]
	}
}
