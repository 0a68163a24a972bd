package grid

import "golang.org/x/sys/cpu"

// vectors tells whether the assembly can be used: AVX, which processors have
// had since about 2011. Without it blendGeneric does the same.
var vectors = cpu.X86.HasAVX

// The particle loop spends much of its time in these sums. Written in Go they
// take some 120 ns, one number at a time; four or eight at a time about 10.

// blendMotion does for the first four numbers of the nodes of a cell what
// blendGeneric does, as far as between. node is that of the first column; the
// caller has checked that all of the cell exists.
//
//go:noescape
func blendMotion(node *float32, c *cell)

// blendAll does all of it.
//
//go:noescape
func blendAll(node *float32, c *cell)
