package bus

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Since is where following begins. The zero value is FromNow.
type Since struct {
	all      bool
	sequence uint64
	at       time.Time
}

// FromNow begins with what is stored after the following began.
var FromNow = Since{}

// FromAll begins with the oldest message that the stream still has.
var FromAll = Since{all: true}

// FromSequence begins with the message of this number. Streams count each for
// itself, so this goes with one kind only.
func FromSequence(sequence uint64) Since { return Since{sequence: max(sequence, 1)} }

// FromTime begins with what was stored at or after a time, by the server's clock.
func FromTime(at time.Time) Since { return Since{at: at} }

// FollowOptions say what is followed.
type FollowOptions struct {
	Kinds           []Kind // all if empty
	Programme, Site string // all if empty
	Since           Since
}

// filter is the subject that is followed.
func (o FollowOptions) filter(kind Kind) (string, error) {
	programme, site := "*", "*"
	for _, one := range []struct {
		given string
		into  *string
	}{{o.Programme, &programme}, {o.Site, &site}} {
		if one.given == "" {
			continue
		}
		if !token.MatchString(one.given) {
			return "", fmt.Errorf("%q cannot stand in a subject: 1 to 64 letters, digits, - or _", one.given)
		}
		*one.into = one.given
	}
	return kind.subject(programme, site), nil
}

// Follow yields messages as they are stored, each once and those of one kind in
// their order, until ctx ends. Lost connections and changes of leader are mended,
// and what was stored meanwhile follows. A message that is no event gives an
// error, and the next one follows; any other error (no such stream, no right to
// read it) ends it.
func (b *Bus) Follow(ctx context.Context, o FollowOptions) iter.Seq2[Stored, error] {
	return func(yield func(Stored, error) bool) {
		followed := o.Kinds
		if len(followed) == 0 {
			followed = kinds
		}
		if o.Since.sequence > 0 && len(followed) != 1 {
			yield(Stored{}, errors.New("a sequence to follow from goes with one kind of message"))
			return
		}
		ctx, cancel := context.WithCancel(ctx)
		defer cancel()
		messages := make(chan followItem)
		for _, kind := range followed {
			f := &follower{bus: b, kind: kind, out: messages}
			var err error
			if f.filter, err = o.filter(kind); err == nil {
				err = f.begin(ctx, o.Since)
			}
			if err != nil {
				if ctx.Err() == nil {
					yield(Stored{}, fmt.Errorf("stream %s: %w", kind.Stream, err))
				}
				return
			}
			go f.run(ctx)
		}
		for {
			select {
			case <-ctx.Done():
				return
			case m := <-messages:
				if ctx.Err() != nil || !yield(m.stored, m.err) || m.last {
					return
				}
			}
		}
	}
}

type followItem struct {
	stored Stored
	err    error
	last   bool // nothing follows
}

type follower struct {
	bus    *Bus
	kind   Kind
	filter string
	next   uint64    // the sequence to go on with
	at     time.Time // instead of next at first, if not zero
	out    chan<- followItem
}

// begin turns Since into a sequence, so that what is stored from here on is not
// missed, whatever happens to the connection.
func (f *follower) begin(ctx context.Context, since Since) error {
	switch {
	case since.all:
		f.next = 1
	case since.sequence > 0:
		f.next = since.sequence
	case !since.at.IsZero():
		f.next, f.at = 1, since.at
	}
	return f.bus.retry(ctx, f.bus.options.ReadyTime, func(ctx context.Context) error {
		stream, err := f.bus.js.Stream(ctx, f.kind.Stream)
		if err == nil && f.next == 0 {
			f.next = stream.CachedInfo().State.LastSeq + 1
		}
		return err
	})
}

// run sends what the stream has and gets. An ordered consumer resumes by itself;
// where it gives up, or the connection was lost, another takes its place.
func (f *follower) run(ctx context.Context) {
	wait := 50 * time.Millisecond
	for ctx.Err() == nil {
		before := f.next
		err := f.consume(ctx)
		if err != nil && !passing(err) {
			select {
			case f.out <- followItem{err: fmt.Errorf("stream %s: %w", f.kind.Stream, err), last: true}:
			case <-ctx.Done():
			}
			return
		}
		if f.next > before {
			wait = 50 * time.Millisecond
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, 2*time.Second)
	}
}

func (f *follower) consume(ctx context.Context) error {
	refused := f.bus.refused.Load()
	config := jetstream.OrderedConsumerConfig{FilterSubjects: []string{f.filter}, InactiveThreshold: time.Minute}
	if f.at.IsZero() {
		attempt, end := context.WithTimeout(ctx, f.bus.options.AttemptTime)
		stream, err := f.bus.js.Stream(attempt, f.kind.Stream)
		end()
		if err != nil {
			return err
		}
		if last := stream.CachedInfo().State.LastSeq; f.next > last+1 {
			f.next = 1 // the stream was made anew: all of it is unseen
		}
		config.DeliverPolicy, config.OptStartSeq = jetstream.DeliverByStartSequencePolicy, f.next
	} else {
		config.DeliverPolicy, config.OptStartTime = jetstream.DeliverByStartTimePolicy, &f.at
	}
	attempt, end := context.WithTimeout(ctx, f.bus.options.AttemptTime)
	consumer, err := f.bus.js.OrderedConsumer(attempt, f.kind.Stream, config)
	end()
	if now := f.bus.refused.Load(); err != nil && now != refused {
		return now.err
	}
	if err != nil {
		return err
	}
	messages, err := consumer.Messages(jetstream.PullMaxMessages(256), jetstream.PullExpiry(10*time.Second), jetstream.PullHeartbeat(2*time.Second))
	if err != nil {
		return err
	}
	defer messages.Stop()
	defer context.AfterFunc(ctx, messages.Stop)()
	defer f.bus.reconnected.once(messages.Stop)()
	for {
		message, err := messages.Next()
		if errors.Is(err, jetstream.ErrMsgIteratorClosed) {
			return nil
		}
		if err != nil {
			return err
		}
		meta, err := message.Metadata()
		if err != nil {
			return err
		}
		m := followItem{stored: Stored{Sequence: meta.Sequence.Stream, Time: meta.Timestamp.UTC(), Subject: message.Subject()}}
		m.err = f.kind.read(&m.stored, message.Headers(), message.Data())
		select {
		case f.out <- m:
			f.next, f.at = m.stored.Sequence+1, time.Time{}
		case <-ctx.Done():
			return nil
		}
	}
}
