package bus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Trim removes from the stream of a kind what both has a number up to upTo and was
// stored before a time, by the server's clock. It is for whoever has these messages
// safe elsewhere. It gives how many went.
func (b *Bus) Trim(ctx context.Context, kind Kind, upTo uint64, before time.Time) (removed uint64, err error) {
	err = b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, kind.Stream)
		if err != nil {
			return err
		}
		state := stream.CachedInfo().State
		if state.Msgs == 0 || upTo < state.FirstSeq || !state.FirstTime.Before(before) {
			return nil
		}
		first, err := firstSince(ctx, stream, before)
		if err != nil {
			return err
		}
		if first == 0 {
			first = state.LastSeq + 1 // all is older
		}
		if first = min(first, upTo+1); first <= state.FirstSeq {
			return nil
		}
		if err := stream.Purge(ctx, jetstream.WithPurgeSequence(first)); err != nil {
			return err
		}
		after, err := stream.Info(ctx)
		if err != nil {
			return err
		}
		// What came meanwhile counts with the messages that are there.
		removed = state.Msgs + (after.State.LastSeq - state.LastSeq) - after.State.Msgs
		return nil
	})
	if err != nil {
		return 0, fmt.Errorf("stream %s: %w", kind.Stream, err)
	}
	return removed, nil
}

// StreamMade is when the stream of a kind was made. Numbers of messages are those of one
// stream: made anew it counts from 1 again.
func (b *Bus) StreamMade(ctx context.Context, kind Kind) (time.Time, error) {
	var made time.Time
	err := b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, kind.Stream)
		if err == nil {
			made = stream.CachedInfo().Created.UTC()
		}
		return err
	})
	if err != nil {
		return time.Time{}, fmt.Errorf("stream %s: %w", kind.Stream, err)
	}
	return made, nil
}

// firstSince is the number of the first message that was stored at a time or later,
// 0 where there is none.
func firstSince(ctx context.Context, stream jetstream.Stream, at time.Time) (uint64, error) {
	consumer, err := stream.CreateConsumer(ctx, jetstream.ConsumerConfig{DeliverPolicy: jetstream.DeliverByStartTimePolicy, OptStartTime: &at,
		AckPolicy: jetstream.AckNonePolicy, HeadersOnly: true, InactiveThreshold: 10 * time.Second, MemoryStorage: true})
	if err != nil {
		return 0, err
	}
	info := consumer.CachedInfo()
	defer func() {
		// One that cannot be removed now is by its inactivity.
		_ = stream.DeleteConsumer(context.WithoutCancel(ctx), info.Name)
	}()
	if info.NumPending == 0 {
		return 0, nil
	}
	batch, err := consumer.Fetch(1, jetstream.FetchMaxWait(2*time.Second))
	if err != nil {
		return 0, err
	}
	if message, came := <-batch.Messages(); came {
		meta, err := message.Metadata()
		if err != nil {
			return 0, err
		}
		return meta.Sequence.Stream, nil
	}
	if err := batch.Error(); err != nil {
		return 0, err
	}
	return 0, errors.New("no message came, though some are there")
}
