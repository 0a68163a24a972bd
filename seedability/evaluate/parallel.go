package evaluate

import (
	"math/rand/v2"
	"runtime"
	"sync"
	"sync/atomic"
)

// replicateSource gives the random numbers of one replicate. They depend on the
// seed and the replicate alone, so that it does not matter which goroutine draws
// them. The multiplier spreads neighbouring numbers over the whole state
// (Steele et al. 2014, SplitMix).
func replicateSource(seed uint64, replicate int) *rand.PCG {
	z := (uint64(replicate) + 1) * 0x9e3779b97f4a7c15
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return rand.NewPCG(seed, z^z>>31)
}

// chunk is how many replicates a worker takes at a time.
const chunk = 64

// inParallel calls work for stretches of 0 to n, on so many goroutines (all
// processors where 0). work must write to its own places only.
func inParallel(n, workers int, work func(from, to int)) {
	if workers <= 0 {
		workers = runtime.GOMAXPROCS(0)
	}
	workers = min(workers, (n+chunk-1)/chunk)
	if workers <= 1 {
		work(0, n)
		return
	}
	var next atomic.Int64
	var group sync.WaitGroup
	for range workers {
		group.Go(func() {
			for {
				from := int(next.Add(chunk)) - chunk
				if from >= n {
					return
				}
				work(from, min(from+chunk, n))
			}
		})
	}
	group.Wait()
}
