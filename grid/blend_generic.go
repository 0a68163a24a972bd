package grid

// blendGeneric is what the assembly computes, for other processors and as its
// test: the weighted sums of the eight columns of a cell, on the level at hand
// and on the one above it, and the interpolation between the two. The
// conversions keep products from being fused with sums, so that the same inputs
// give the same bytes everywhere.
func blendGeneric(hot []float32, c *cell) {
	both := float32(c.x * c.y)
	weight := [4]float32{1 - c.x - (c.y - both), c.x - both, c.y - both, both}
	var sums [2][2 * nodeSize]float32 // of even and of odd columns
	for n := range 8 {
		w := float32(weight[n%4] * c.later)
		if n < 4 {
			w = weight[n] - w
		}
		start := n&1*c.strides[0] + n>>1&1*c.strides[1] + n>>2*c.strides[2]
		node, sum := (*[2 * nodeSize]float32)(hot[start:]), &sums[n%2]
		if n < 2 {
			for q := range node {
				sum[q] = w * node[q]
			}
			continue
		}
		for q := range node {
			sum[q] += float32(w * node[q])
		}
	}
	for q := range nodeSize {
		c.below[q] = sums[0][q] + sums[1][q]
		c.above[q] = sums[0][nodeSize+q] + sums[1][nodeSize+q]
		c.between[q] = c.below[q] + float32(c.upper*(c.above[q]-c.below[q]))
	}
}
