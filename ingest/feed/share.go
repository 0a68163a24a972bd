package feed

import (
	"context"
	"sync"
)

// flights are the calls under way by what they ask for. Callers that ask for the
// same thing wait for one fetch. The fetch has its own context, which ends when
// the last of them has lost patience, so nobody's cancelled context fails
// another's call.
type flights struct {
	mu    sync.Mutex
	byKey map[string]*flight
}

type flight struct {
	waiting int // guarded by flights.mu
	cancel  context.CancelFunc
	done    chan struct{} // closed after result and err are set
	result  any
	err     error
}

// share runs fetch, or joins a call with the same key that is under way.
func share[T any](ctx context.Context, c *Client, key, rawURL string, fetch func(context.Context) (T, error)) (T, error) {
	var none T
	if err := ctx.Err(); err != nil {
		c.count(rawURL, err)
		return none, failure(rawURL, 0, 0, err)
	}
	fs := &c.flights
	fs.mu.Lock()
	f := fs.byKey[key]
	if f != nil {
		f.waiting++
		c.hosts.of(rawURL).shared.Add(1)
	} else {
		own, cancel := context.WithCancel(context.WithoutCancel(ctx))
		f = &flight{waiting: 1, cancel: cancel, done: make(chan struct{})}
		if fs.byKey == nil {
			fs.byKey = map[string]*flight{}
		}
		fs.byKey[key] = f
		go func() {
			result, err := fetch(own)
			if err != nil && own.Err() == nil {
				c.count(rawURL, err)
			}
			fs.mu.Lock()
			f.result, f.err = result, err
			fs.forget(key, f)
			fs.mu.Unlock()
			cancel()
			close(f.done)
		}()
	}
	fs.mu.Unlock()

	select {
	case <-f.done:
		return f.result.(T), f.err
	case <-ctx.Done():
		fs.mu.Lock()
		if f.waiting--; f.waiting == 0 {
			fs.forget(key, f) // whoever comes now starts afresh
			f.cancel()
		}
		fs.mu.Unlock()
		c.count(rawURL, ctx.Err())
		return none, failure(rawURL, 0, 0, ctx.Err())
	}
}

// forget is called with the lock held.
func (fs *flights) forget(key string, f *flight) {
	if fs.byKey[key] == f {
		delete(fs.byKey, key)
	}
}
