package rehearsal

import (
	"container/list"
	"fmt"
	"sync"
)

// vault keeps the newest batches, up to a number of bytes, and the lengths of
// all that were ever made. Several who ask for one batch wait for the same work.
type vault struct {
	budget int64

	mu      sync.Mutex
	used    int64
	held    map[*batch]*list.Element // of *heldBatch
	recent  list.List                // newest first
	lengths map[*batch][]int64
}

type heldBatch struct {
	of    *batch
	ready chan struct{}
	parts [][]byte
	err   error
	bytes int64
}

func newVault(budget int64) *vault {
	return &vault{budget: budget, held: map[*batch]*list.Element{}, lengths: map[*batch][]int64{}}
}

// get gives the parts of a batch, which nobody may change.
func (v *vault) get(b *batch) ([][]byte, error) {
	v.mu.Lock()
	if element, ok := v.held[b]; ok {
		v.recent.MoveToFront(element)
		v.mu.Unlock()
		held := element.Value.(*heldBatch)
		<-held.ready
		return held.parts, held.err
	}
	held := &heldBatch{of: b, ready: make(chan struct{})}
	v.held[b] = v.recent.PushFront(held)
	v.mu.Unlock()

	func() {
		held.err = fmt.Errorf("%s: its writer gave up", b.name) // unless it returns
		defer func() {
			if held.err != nil { // the next one tries again
				v.mu.Lock()
				v.drop(held)
				v.mu.Unlock()
			}
			close(held.ready)
		}()
		held.parts, held.err = b.make()
	}()
	if held.err != nil {
		return nil, held.err
	}

	v.mu.Lock()
	defer v.mu.Unlock()
	var lengths []int64
	for _, part := range held.parts {
		held.bytes += int64(len(part))
		lengths = append(lengths, int64(len(part)))
	}
	v.lengths[b] = lengths
	v.used += held.bytes
	for element := v.recent.Back(); element != nil && v.used > v.budget; {
		before := element.Prev()
		if old := element.Value.(*heldBatch); old != held && old.bytes > 0 {
			v.drop(old)
		}
		element = before
	}
	return held.parts, nil
}

func (v *vault) drop(held *heldBatch) {
	if element, ok := v.held[held.of]; ok && element.Value == held {
		v.recent.Remove(element)
		delete(v.held, held.of)
		v.used -= held.bytes
	}
}

// length of a part, making it where that was never done.
func (v *vault) length(b *batch, part int) (int64, error) {
	v.mu.Lock()
	lengths, ok := v.lengths[b]
	v.mu.Unlock()
	if !ok {
		parts, err := v.get(b)
		if err != nil {
			return 0, err
		}
		return int64(len(parts[part])), nil
	}
	return lengths[part], nil
}

// made tells whether asking for the batch would find it.
func (v *vault) made(b *batch) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	_, ok := v.held[b]
	return ok
}
