package bus

import (
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/nats-io/nuid"
)

// State is what a role remembers: one value under a key, that whoever has the role
// next goes on with. The bucket is a key-value bucket of NATS whose values are
// compressed (zstd). A value that does not fit a message lies in parts; they are
// stored first, and the value then names them in one message, so that a reader sees
// all of the old value or all of the new one.

const (
	stateBucket  = "RIMELINE_STATE"
	stateStream  = "KV_" + stateBucket
	stateSubject = "$KV." + stateBucket + "."
	// statePart begins the subjects of parts: <key>.<id of the value>.<number>
	// follows. No key begins with an underscore.
	statePart = stateSubject + "_part."
	// stateBytes is what the bucket holds.
	stateBytes = 256 << 20
	// orphanAge is after which time a part that no value names is removed: whoever
	// put it there is gone. A put takes some minutes at most.
	orphanAge = time.Hour

	stateID, stateParts, stateSize, stateDigest = "Rimeline-Id", "Rimeline-Parts", "Rimeline-Size", "Rimeline-Digest"
)

// MaxStateBytes is the largest value of PutState.
const MaxStateBytes = 16 << 20

var (
	stateKey       = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_=-]{0,127}(\.[A-Za-z0-9_=-]{1,128}){0,7}$`)
	stateKeyPrefix = regexp.MustCompile(`^([A-Za-z0-9][A-Za-z0-9_=.-]*)?$`)
)

func keyOfState(key string) error {
	if !stateKey.MatchString(key) {
		return fmt.Errorf("state key %.200q is not one to eight words of letters, digits, -, _ or = with dots between", key)
	}
	return nil
}

// Both may be used by several goroutines at once.
var (
	stateEncoder = sync.OnceValues(func() (*zstd.Encoder, error) { return zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1)) })
	stateDecoder = sync.OnceValues(func() (*zstd.Decoder, error) {
		return zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(MaxStateBytes))
	})
)

func (b *Bus) ensureState(ctx context.Context) error {
	return b.ensureStream(ctx, jetstream.StreamConfig{
		Name: stateStream, Description: "rimeline: what roles remember", Subjects: []string{stateSubject + ">"},
		MaxMsgsPerSubject: 1, MaxBytes: b.share(stateBytes), Discard: jetstream.DiscardNew, Storage: jetstream.FileStorage,
		AllowRollup: true, DenyDelete: true,
		// No direct reads: they may be answered by a node of the cluster that is
		// behind, and who takes a role over would begin with an old state.
	})
}

// stateStore finds the stream of the bucket, once.
func (b *Bus) stateStore(ctx context.Context) (jetstream.Stream, error) {
	b.mu.Lock()
	known := b.state
	b.mu.Unlock()
	if known != nil {
		return known, nil
	}
	ctx, end := context.WithTimeout(ctx, b.options.AttemptTime)
	defer end()
	known, err := b.js.Stream(ctx, stateStream)
	if err != nil {
		return nil, err
	}
	b.mu.Lock()
	defer b.mu.Unlock()
	b.state = known
	return known, nil
}

// stateValue is the message under a key.
type stateValue struct {
	sequence uint64 // 0 where there is none
	id       string
	parts    int // 0: payload is all of it
	size     int
	digest   string
	payload  []byte
}

// stateOf reads the message under a key. Its numbers are claims.
func (b *Bus) stateOf(ctx context.Context, stream jetstream.Stream, key string) (stateValue, error) {
	ctx, end := context.WithTimeout(ctx, b.options.AttemptTime)
	defer end()
	message, err := stream.GetLastMsgForSubject(ctx, stateSubject+key)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return stateValue{}, nil
	}
	if err != nil {
		return stateValue{}, err
	}
	v := stateValue{sequence: message.Sequence, id: message.Header.Get(stateID), digest: message.Header.Get(stateDigest), payload: message.Data}
	parts, partsErr := strconv.ParseUint(message.Header.Get(stateParts), 10, 16)
	size, sizeErr := strconv.ParseUint(message.Header.Get(stateSize), 10, 31)
	if v.id == "" || strings.ContainsAny(v.id, ".*> \t") || partsErr != nil || sizeErr != nil || size > MaxStateBytes || parts > MaxStateBytes/chunkBytes+1 {
		return v, fmt.Errorf("%w: it was not written by rimeline", ErrObjectDamaged)
	}
	v.parts, v.size = int(parts), int(size)
	return v, nil
}

func partsSubject(key, id string) string { return statePart + key + "." + id + "." }

// PutState stores a value of up to 16 MiB under a key, in place of what is there. It
// is safe when PutState returns. Of several at the same time one stays, whole. A
// bucket that is full refuses it with ErrFull, and keeps what is there.
func (b *Bus) PutState(ctx context.Context, key string, value []byte) error {
	if err := keyOfState(key); err != nil {
		return err
	}
	if len(value) > MaxStateBytes {
		return fmt.Errorf("state %s: %w: %d bytes, at most %d", key, ErrObjectTooLarge, len(value), MaxStateBytes)
	}
	encoder, err := stateEncoder()
	if err != nil {
		return fmt.Errorf("state %s: %w", key, err)
	}
	put := statePut{key: key, id: nuid.Next(), size: len(value), digest: digestOf(value), encoded: encoder.EncodeAll(value, nil)}
	each := b.transferTime(int64(len(put.encoded)))
	err = b.retryFor(ctx, b.options.RetryTime+each, each, func(ctx context.Context) error {
		stream, err := b.stateStore(ctx)
		if err != nil {
			return err
		}
		return b.putState(ctx, stream, &put)
	})
	if err != nil {
		if put.stored && !put.named {
			b.purgeState(ctx, partsSubject(key, put.id)+">")
		}
		return fmt.Errorf("state %s: %w", key, err)
	}
	return nil
}

// statePut is one call of PutState on its way.
type statePut struct {
	key, id, digest string
	size            int
	encoded         []byte
	stored          bool // parts may be there
	named           bool // the message that names them may be there
	// replaced are the ids of values in parts that it may have taken the place of.
	replaced []string
}

// putState tries once. The value is written by compare-and-set on what was there, so
// that exactly the parts of what it replaces can be removed.
func (b *Bus) putState(ctx context.Context, stream jetstream.Stream, put *statePut) error {
	// Another writer may come between reading and writing: then begin again, with
	// the parts too, since others may have cleared away what nobody named.
	for range 100 {
		present, err := b.stateOf(ctx, stream, put.key)
		if err != nil && !errors.Is(err, ErrObjectDamaged) { // what is damaged is replaced
			return err
		}
		if present.id == put.id { // an earlier attempt, of which no answer came
			b.settleState(ctx, stream, put)
			return nil
		}
		message := nats.NewMsg(stateSubject + put.key)
		parts := 0
		if len(put.encoded) <= chunkBytes {
			message.Data = put.encoded
		} else if parts, err = b.putParts(ctx, put); err != nil {
			return err
		}
		message.Header = nats.Header{
			stateID: {put.id}, stateParts: {strconv.Itoa(parts)}, stateSize: {strconv.Itoa(put.size)}, stateDigest: {put.digest},
		}
		put.named = true
		if present.parts > 0 {
			put.replaced = append(put.replaced, present.id)
		}
		attempt, end := context.WithTimeout(ctx, b.options.AttemptTime)
		_, err = b.js.PublishMsg(attempt, message, jetstream.WithExpectStream(stateStream), jetstream.WithExpectLastSequencePerSubject(present.sequence))
		end()
		if wrongSequence(err) {
			continue
		}
		if err != nil {
			return err
		}
		b.settleState(ctx, stream, put)
		return nil
	}
	return fmt.Errorf("%w: it changes too fast", errLasting)
}

// settleState removes what a put has taken the place of.
func (b *Bus) settleState(ctx context.Context, stream jetstream.Stream, put *statePut) {
	for _, id := range put.replaced {
		b.purgeState(ctx, partsSubject(put.key, id)+">")
	}
	if put.stored {
		b.tidyState(ctx, stream, put.key, orphanAge)
	}
}

// putParts stores the parts of a value.
func (b *Bus) putParts(ctx context.Context, put *statePut) (n int, err error) {
	put.stored = true
	var acknowledgements []jetstream.PubAckFuture
	for part := range slices.Chunk(put.encoded, chunkBytes) {
		acknowledgement, err := b.js.PublishMsgAsync(&nats.Msg{Subject: partsSubject(put.key, put.id) + strconv.Itoa(n), Data: part})
		if err != nil {
			return 0, err
		}
		acknowledgements = append(acknowledgements, acknowledgement)
		n++
	}
	for _, acknowledgement := range acknowledgements {
		select {
		case <-acknowledgement.Ok():
		case err := <-acknowledgement.Err():
			return 0, err
		case <-ctx.Done():
			return 0, ctx.Err()
		}
	}
	return n, nil
}

// wrongSequence: another message came under the subject. 10071 is
// JSStreamWrongLastSequenceErrF of nats-server, 10164 its twin without the number.
func wrongSequence(err error) bool {
	var api *jetstream.APIError
	return errors.As(err, &api) && (api.ErrorCode == 10071 || api.ErrorCode == 10164)
}

// purgeState removes messages of the bucket, as far as that is possible now; what
// stays is removed by tidyState some time.
func (b *Bus) purgeState(ctx context.Context, subject string) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), b.options.AttemptTime)
	defer cancel()
	if stream, err := b.stateStore(ctx); err == nil {
		_ = stream.Purge(ctx, jetstream.WithPurgeSubject(subject))
	}
}

// tidyState removes parts of a key that no value names and that are older than age:
// what is young may belong to a put that is under way.
func (b *Bus) tidyState(ctx context.Context, stream jetstream.Stream, key string, age time.Duration) {
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), b.options.AttemptTime)
	defer cancel()
	present, err := b.stateOf(ctx, stream, key)
	if err != nil {
		return
	}
	info, err := stream.Info(ctx, jetstream.WithSubjectFilter(statePart+key+".>"))
	if err != nil {
		return
	}
	seen := map[string]bool{present.id: true}
	for subject := range info.State.Subjects {
		id, number, ok := strings.Cut(strings.TrimPrefix(subject, statePart+key+"."), ".")
		if !ok || strings.Contains(number, ".") || seen[id] { // a longer key, or known
			continue
		}
		seen[id] = true
		if message, err := stream.GetLastMsgForSubject(ctx, subject); err == nil && info.TimeStamp.Sub(message.Time) > age {
			b.purgeState(ctx, partsSubject(key, id)+">")
		}
	}
}

// GetState is the value under a key; found is false where there is none.
func (b *Bus) GetState(ctx context.Context, key string) (value []byte, found bool, err error) {
	if err := keyOfState(key); err != nil {
		return nil, false, err
	}
	each := b.transferTime(MaxStateBytes)
	err = b.retryFor(ctx, b.options.RetryTime+each, each, func(ctx context.Context) error {
		stream, err := b.stateStore(ctx)
		if err != nil {
			return err
		}
		for before := uint64(0); ; {
			present, err := b.stateOf(ctx, stream, key)
			if found = present.sequence > 0; err != nil || !found {
				return err
			}
			value, err = b.wholeState(ctx, stream, key, present)
			if !errors.Is(err, ErrObjectDamaged) || present.sequence == before {
				return err
			}
			before = present.sequence // replaced while it was read, unless it is still the same
		}
	})
	if err != nil {
		return nil, false, fmt.Errorf("state %s: %w", key, err)
	}
	return value, found, nil
}

// wholeState gathers the parts of a value and holds it to its SHA-256.
func (b *Bus) wholeState(ctx context.Context, stream jetstream.Stream, key string, v stateValue) ([]byte, error) {
	encoded := v.payload
	for n := range v.parts {
		attempt, end := context.WithTimeout(ctx, b.options.AttemptTime)
		message, err := stream.GetLastMsgForSubject(attempt, partsSubject(key, v.id)+strconv.Itoa(n))
		end()
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			return nil, fmt.Errorf("%w: part %d of %d is not there", ErrObjectDamaged, n+1, v.parts)
		}
		if err != nil {
			return nil, err
		}
		encoded = append(encoded, message.Data...)
	}
	decoder, err := stateDecoder()
	if err != nil {
		return nil, err
	}
	value, err := decoder.DecodeAll(encoded, make([]byte, 0, v.size))
	if err != nil {
		return nil, fmt.Errorf("%w: %w", ErrObjectDamaged, err)
	}
	if got := digestOf(value); got != v.digest || len(value) != v.size {
		return nil, fmt.Errorf("%w: %d bytes of %s, %d of %s were put", ErrObjectDamaged, len(value), got, v.size, v.digest)
	}
	return value, nil
}

// DeleteState removes a key; one that is not there is no error.
func (b *Bus) DeleteState(ctx context.Context, key string) error {
	if err := keyOfState(key); err != nil {
		return err
	}
	err := b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stream, err := b.stateStore(ctx)
		if err != nil {
			return err
		}
		present, err := b.stateOf(ctx, stream, key)
		if err != nil && !errors.Is(err, ErrObjectDamaged) {
			return err
		}
		if present.sequence == 0 {
			return nil
		}
		// Not the deletion of key-value buckets: that would leave a message for
		// every key that ever was.
		if err := stream.Purge(ctx, jetstream.WithPurgeSubject(stateSubject+key)); err != nil {
			return err
		}
		if present.parts > 0 {
			b.purgeState(ctx, partsSubject(key, present.id)+">")
		}
		return nil
	})
	if err != nil {
		return fmt.Errorf("state %s: %w", key, err)
	}
	return nil
}

// ListState lists the keys that begin with a prefix, by name; all where it is empty.
func (b *Bus) ListState(ctx context.Context, prefix string) ([]string, error) {
	if len(prefix) > 1024 || !stateKeyPrefix.MatchString(prefix) {
		return nil, fmt.Errorf("prefix %.200q begins no state key", prefix)
	}
	filter := stateSubject + prefix[:strings.LastIndexByte(prefix, '.')+1] + ">" // whole words
	if strings.Contains(filter, "..") {
		return nil, fmt.Errorf("prefix %.200q begins no state key", prefix)
	}
	var keys []string
	err := b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		keys = []string{}
		stream, err := b.stateStore(ctx)
		if err != nil {
			return err
		}
		info, err := stream.Info(ctx, jetstream.WithSubjectFilter(filter))
		if err != nil {
			return err
		}
		for subject := range info.State.Subjects {
			if key := strings.TrimPrefix(subject, stateSubject); strings.HasPrefix(key, prefix) && stateKey.MatchString(key) {
				keys = append(keys, key)
			}
		}
		return nil
	})
	if err != nil {
		return nil, fmt.Errorf("bucket %s: %w", stateBucket, err)
	}
	slices.Sort(keys)
	return keys, nil
}
