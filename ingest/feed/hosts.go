package feed

import (
	"context"
	"maps"
	"net/url"
	"sync"
	"sync/atomic"

	"golang.org/x/time/rate"
)

// maxHosts bounds what is kept by host; the hosts beyond share one row. A
// programme's sources are some tens.
const (
	maxHosts  = 256
	otherHost = "other"
)

// hosts holds limits and counters of every host that was asked.
type hosts struct {
	perHost   int
	perSecond float64

	mu     sync.Mutex
	byName map[string]*host
}

type host struct {
	slots   chan struct{} // one element an exchange under way
	limiter *rate.Limiter

	requests, retries, fetched, fromCache, shared atomic.Uint64

	mu       sync.Mutex
	failures map[string]uint64
}

// of gives the row of the URL's host.
func (h *hosts) of(rawURL string) *host {
	name := otherHost
	if u, err := url.Parse(rawURL); err == nil && u.Host != "" {
		name = u.Host
	}
	return h.named(name)
}

func (h *hosts) named(name string) *host {
	h.mu.Lock()
	defer h.mu.Unlock()
	if found := h.byName[name]; found != nil {
		return found
	}
	if h.byName == nil {
		h.byName = map[string]*host{}
	}
	if len(h.byName) >= maxHosts {
		name = otherHost
		if found := h.byName[name]; found != nil {
			return found
		}
	}
	made := &host{
		slots:    make(chan struct{}, h.perHost),
		limiter:  rate.NewLimiter(rate.Limit(h.perSecond), max(1, int(2*h.perSecond))),
		failures: map[string]uint64{},
	}
	h.byName[name] = made
	return made
}

// enter waits for a free slot and for the rate limit; leave gives the slot back.
func (h *host) enter(ctx context.Context) error {
	select {
	case h.slots <- struct{}{}:
	case <-ctx.Done():
		return ctx.Err()
	}
	if err := h.limiter.Wait(ctx); err != nil {
		h.leave()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		return context.DeadlineExceeded // the wait would be longer than the context lives
	}
	h.requests.Add(1)
	return nil
}

func (h *host) leave() { <-h.slots }

func (h *host) failed(kind string) {
	h.mu.Lock()
	defer h.mu.Unlock()
	h.failures[kind]++
}

// HostCounts are the counters of one host since the Client was made.
type HostCounts struct {
	Requests       uint64 // sent, retries and redirects included
	Retries        uint64 // further attempts after one that failed
	BytesFetched   uint64 // of bodies, received
	BytesFromCache uint64 // given out instead of fetching
	Shared         uint64 // calls that were given the result of another caller's fetch
	// Failures by reason: "not found", "forbidden", "changed", "too large",
	// "unavailable", "malformed", "refused", "cancelled", "deadline".
	Failures map[string]uint64
}

// Counts are the counters of a Client by host, as in a URL with the port if it
// has one.
type Counts struct {
	Hosts map[string]HostCounts
	Cache CacheCounts
}

// Counts gives a copy of the counters.
func (c *Client) Counts() Counts {
	out := Counts{Hosts: map[string]HostCounts{}, Cache: c.opt.Cache.Counts()}
	c.hosts.mu.Lock()
	byName := maps.Clone(c.hosts.byName)
	c.hosts.mu.Unlock()
	for name, h := range byName {
		h.mu.Lock()
		failures := maps.Clone(h.failures)
		h.mu.Unlock()
		out.Hosts[name] = HostCounts{
			Requests: h.requests.Load(), Retries: h.retries.Load(), BytesFetched: h.fetched.Load(),
			BytesFromCache: h.fromCache.Load(), Shared: h.shared.Load(), Failures: failures,
		}
	}
	return out
}
