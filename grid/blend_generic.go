package grid

// blendGeneric is what the assembly computes, for other processors and as its
// test. The conversions keep products from being fused with sums, so that the
// same inputs give the same bytes everywhere.
func blendGeneric(hot []float32, at *[8]int, weight *[8]float32, below, above *[nodeSize]float32) {
	*below, *above = [nodeSize]float32{}, [nodeSize]float32{}
	for n, start := range at {
		node := (*[2 * nodeSize]float32)(hot[start:])
		for q := range nodeSize {
			below[q] += float32(weight[n] * node[q])
			above[q] += float32(weight[n] * node[nodeSize+q])
		}
	}
}
