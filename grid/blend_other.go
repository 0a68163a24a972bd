//go:build !amd64

package grid

const vectors = false

func blendMotion(*float32, *cell) {}
func blendAll(*float32, *cell)    {}
