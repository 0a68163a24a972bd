package main

import (
	"context"
	"errors"
	"sync"
	"time"

	"rimeline/seedability/bus"
)

// tenure is something that one process at a time does.
type tenure struct {
	lease string // name of the lease
	what  string // it is called in the log
	about []any  // attributes of the log
	// do it until ctx ends, which it does when the lease is lost.
	do func(ctx context.Context, lease *bus.Lease) error
}

// After a failure it is taken up again: soon, and later each time where it fails
// at once. Common practice, no source.
const (
	tenureAgain      = time.Second
	tenureAgainMost  = time.Minute
	tenureWentWell   = 2 * time.Minute
	giveBackLeaseFor = 5 * time.Second
)

// whileAlone does something whenever no other process does, until ctx ends.
func (s *service) whileAlone(ctx context.Context, t tenure) error {
	wait := tenureAgain
	for {
		lease, err := s.bus.AcquireWait(ctx, t.lease, s.worker, leaseTime)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil {
			return err
		}
		s.log.Info(t.what+" taken", append(t.about, "turn", lease.Token())...)
		taken := time.Now()
		err = s.under(ctx, lease, t)
		if ctx.Err() != nil {
			return nil
		}
		if err != nil && !errors.Is(err, context.Canceled) && !errors.Is(err, bus.ErrLost) {
			s.log.Error(t.what+" failed, to be taken up again", append(t.about, "error", err)...)
		}
		if time.Since(taken) > tenureWentWell {
			wait = tenureAgain
		}
		select {
		case <-ctx.Done():
			return nil
		case <-time.After(wait):
		}
		wait = min(2*wait, tenureAgainMost)
	}
}

// under does it as long as the lease is kept, and gives the lease back.
func (s *service) under(ctx context.Context, lease *bus.Lease, t tenure) error {
	within, cancel := context.WithCancel(ctx)
	defer cancel()
	var group sync.WaitGroup
	defer group.Wait()
	group.Go(func() {
		defer cancel()
		if err := lease.Keep(within); err != nil {
			s.log.Warn(t.what+" lost to another", append(t.about, "error", err)...)
		}
	})
	defer func() {
		cancel()
		ending, end := context.WithTimeout(context.WithoutCancel(ctx), giveBackLeaseFor)
		defer end()
		if err := lease.Release(ending); err != nil {
			s.log.Warn(t.what+" not given back", append(t.about, "error", err)...)
		}
	}()
	return t.do(within, lease)
}
