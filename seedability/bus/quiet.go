package bus

import (
	"context"
	"fmt"
	"sync"
)

// published remembers, by stream, the number of the newest message that this
// connection has stored.
type published struct {
	mu   sync.Mutex
	last map[string]uint64
}

func (p *published) note(stream string, sequence uint64) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.last == nil {
		p.last = map[string]uint64{}
	}
	p.last[stream] = max(p.last[stream], sequence)
}

// PublishedSequence is the number, on its stream, of the newest message of a kind
// that was published over this connection, 0 where none was. Unlike LastSequence it
// asks nobody, and knows nothing of other publishers.
func (b *Bus) PublishedSequence(kind Kind) uint64 {
	b.published.mu.Lock()
	defer b.published.mu.Unlock()
	return b.published.last[kind.Stream]
}

// QueueEmpty says that no job waits on a queue and none is with a worker: a job
// leaves its stream when it is settled.
func (b *Bus) QueueEmpty(ctx context.Context, q Queue) (bool, error) {
	if err := q.known(); err != nil {
		return false, err
	}
	empty := false
	err := b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, q.stream())
		if err == nil {
			empty = stream.CachedInfo().State.Msgs == 0
		}
		return err
	})
	if err != nil {
		return false, fmt.Errorf("queue %s: %w", q, err)
	}
	return empty, nil
}
