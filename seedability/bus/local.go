package bus

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"maps"
	"net"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// What a command line asks of a bus: it comes, reads what there is, and goes.

// ConnectWhere is Connect to a server whose address is asked for at every attempt
// (host:port, no TLS): one on this computer that may listen elsewhere after it was
// started again. It fails where the address is not known or no server answers.
func ConnectWhere(ctx context.Context, where func() (string, error), o Options) (*Bus, error) {
	address, err := where()
	if err != nil {
		return nil, err
	}
	secrets, err := o.secrets()
	if err != nil {
		return nil, err
	}
	// The address in the URL is not dialled; a number spares a look-up of the name.
	b, err := connect(ctx, "nats://127.0.0.1:4222", o, append(secrets, nats.SetCustomDialer(dialer(where)))...)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", address, err)
	}
	return b, nil
}

// dialer goes to where the server is now.
type dialer func() (string, error)

func (d dialer) Dial(network, _ string) (net.Conn, error) {
	address, err := d()
	if err != nil {
		return nil, err
	}
	return net.DialTimeout(network, address, 5*time.Second)
}

// ReadSince yields what the stream of a kind holds of a programme and a site (all
// where empty) that was stored at or after a time, by the server's clock, oldest
// first, up to the last message at the time of the call. The zero time: all of it.
// A message that is no event gives an error, and the next one follows; any other
// error ends it. Unlike ReadBack it lets the server send ahead.
func (b *Bus) ReadSince(ctx context.Context, kind Kind, programme, site string, since time.Time) iter.Seq2[Stored, error] {
	return func(yield func(Stored, error) bool) {
		fail := func(err error) {
			yield(Stored{}, fmt.Errorf("stream %s: %w", kind.Stream, err))
		}
		filter, err := FollowOptions{Programme: programme, Site: site}.filter(kind)
		if err != nil {
			fail(err)
			return
		}
		config := jetstream.OrderedConsumerConfig{FilterSubjects: []string{filter}, InactiveThreshold: time.Minute, DeliverPolicy: jetstream.DeliverAllPolicy}
		if !since.IsZero() {
			config.DeliverPolicy, config.OptStartTime = jetstream.DeliverByStartTimePolicy, &since
		}
		var consumer jetstream.Consumer
		err = b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error {
			var err error
			consumer, err = b.js.OrderedConsumer(ctx, kind.Stream, config)
			return err
		})
		if err != nil {
			fail(err)
			return
		}
		left := consumer.CachedInfo().NumPending
		if left == 0 {
			return
		}
		messages, err := consumer.Messages(jetstream.PullMaxMessages(256), jetstream.PullExpiry(10*time.Second), jetstream.PullHeartbeat(2*time.Second))
		if err != nil {
			fail(err)
			return
		}
		defer messages.Stop()
		for ; left > 0; left-- {
			next, cancel := context.WithTimeout(ctx, b.options.ReadyTime)
			message, err := messages.Next(jetstream.NextContext(next))
			cancel()
			if err != nil {
				fail(err)
				return
			}
			meta, err := message.Metadata()
			if err != nil {
				fail(err)
				return
			}
			stored := Stored{Sequence: meta.Sequence.Stream, Time: meta.Timestamp.UTC(), Subject: message.Subject()}
			err = kind.read(&stored, message.Headers(), message.Data())
			if !yield(stored, err) {
				return
			}
			if meta.NumPending == 0 {
				return // also where the stream dropped some of what was counted
			}
		}
	}
}

// Sites lists what the stream of a kind has messages of: by programme, what stands
// in the place of the site, sorted. A programme of its own: that one only.
func (b *Bus) Sites(ctx context.Context, kind Kind, programme string) (map[string][]string, error) {
	filter, err := FollowOptions{Programme: programme}.filter(kind)
	if err != nil {
		return nil, err
	}
	sites := map[string][]string{}
	err = b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, kind.Stream)
		if err != nil {
			return err
		}
		info, err := stream.Info(ctx, jetstream.WithSubjectFilter(filter))
		if err != nil {
			return err
		}
		clear(sites)
		for _, subject := range slices.Sorted(maps.Keys(info.State.Subjects)) {
			if words := strings.Split(subject, "."); len(words) == 4 {
				sites[words[1]] = append(sites[words[1]], words[3])
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("stream %s: %w", kind.Stream, err)
	}
	return sites, nil
}

// ServerTime is the time of the server's clock, by which messages are stored. It
// comes with the state of the stream of a kind.
func (b *Bus) ServerTime(ctx context.Context, kind Kind) (time.Time, error) {
	var at time.Time
	err := b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, kind.Stream)
		if err == nil {
			at = stream.CachedInfo().TimeStamp.UTC()
		}
		return err
	})
	if err == nil && at.IsZero() {
		err = errors.New("the server does not say what time it is")
	}
	if err != nil {
		return time.Time{}, fmt.Errorf("stream %s: %w", kind.Stream, err)
	}
	return at, nil
}
