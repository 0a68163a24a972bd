// Package bus publishes results to other programs: every message is a CloudEvent
// on a NATS JetStream stream, and the newest of each site is in a key-value bucket
// besides. What is JSON travels whole (structured mode); a kind that is not, such
// as CAP, has its attributes in headers (binary mode).
//
// The same code talks to a server in this process and to a cluster elsewhere.
// What is published is acknowledged when the stream has stored it. A publish
// that is not acknowledged in time is sent again under the same message id, and
// the stream drops the repeat (its window is two hours), so nothing is lost and
// nothing is doubled by a dropped connection, a change of leader or a restart.
//
// Work is shared out by the same means: Submit puts a job on a queue, Work takes
// jobs off it, PutObject and GetObject carry what is too large for a message,
// Acquire makes one of several processes the owner of something, and PutState keeps
// what an owner has to remember.
package bus

import (
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"iter"
	"net/url"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Options of a connection. The zero value of each field takes the default.
type Options struct {
	// Name of this client, as the server shows it; "rimeline".
	Name string
	// CredentialsFile holds user JWT and seed; none.
	CredentialsFile string
	// NKeyFile holds the seed of a user's nkey; none.
	NKeyFile string
	// UserFile holds one line user:password, TokenFile one line with a token;
	// none. Both are read again at every connection, so that a password can be
	// changed while the program runs. Where no file of any kind is named, the
	// environment is asked: RIMELINE_NATS_USER with RIMELINE_NATS_PASSWORD, or
	// RIMELINE_NATS_TOKEN. Secrets are not taken from addresses, since these stand
	// in process lists and logs.
	UserFile, TokenFile string
	// InboxPrefix is where answers arrive; the environment's RIMELINE_NATS_INBOX,
	// else _INBOX. A prefix of its own for each user lets the server keep others
	// from listening.
	InboxPrefix string
	// CAFile, CertFile and KeyFile are for tls://; the system's authorities.
	CAFile, CertFile, KeyFile string
	// Replicas of streams that have to be made; 1. A single server refuses more.
	Replicas int
	// AttemptTime is how long one publish waits for its acknowledgement; 2 s.
	AttemptTime time.Duration
	// RetryTime is how long a publish is tried again; 1 min. It must stay below
	// the two hours for which streams remember message ids.
	RetryTime time.Duration
	// ReadyTime is how long EnsureStreams and EnsureQueues wait for a leader; 30 s.
	ReadyTime time.Duration
	// StoreBytes bounds what streams, queues and buckets that have to be made may
	// hold together, each in proportion; the sum of their own limits, 7.8 GiB. The
	// server sets that much of its store aside, and refuses what does not fit.
	StoreBytes int64
	// InputsAge is how long the object bucket keeps an input, where it has to be
	// made; 2 days. InputsBytes is how much it holds; 2 GiB.
	InputsAge   time.Duration
	InputsBytes int64
	// MaxObjectBytes is the largest object that is put or read; 256 MiB.
	MaxObjectBytes int64
}

func (o *Options) fill() {
	fill := func(d *time.Duration, standard time.Duration) {
		if *d <= 0 {
			*d = standard
		}
	}
	fill(&o.AttemptTime, 2*time.Second)
	fill(&o.RetryTime, time.Minute)
	fill(&o.ReadyTime, 30*time.Second)
	fill(&o.InputsAge, 2*24*time.Hour)
	if o.InputsBytes <= 0 {
		o.InputsBytes = 2 << 30
	}
	if o.MaxObjectBytes <= 0 {
		o.MaxObjectBytes = 256 << 20
	}
	if o.Name == "" {
		o.Name = "rimeline"
	}
}

// Bus is a connection. Its methods may be called from several goroutines.
type Bus struct {
	connection *nats.Conn
	js         jetstream.JetStream
	options    Options
	server     *Server // nil where it is in another process
	// clock is the time since some moment. It is monotonic: setting the
	// computer's clock does not move it.
	clock func() time.Duration
	// refused is the last thing that the server's permissions forbade.
	refused     atomic.Pointer[refusal]
	published   published
	reconnected notice // a lost connection stands again
	forbidden   notice // refused has changed

	mu     sync.Mutex
	inputs *inputsBucket         // once it was found
	leases jetstream.KeyValue    // once it was found
	state  jetstream.Stream      // of the bucket of states, once it was found
	seen   map[string]leaseSight // of leases held by others, by name
}

// refusal is an answer of the server that comes beside the connection: a publish
// that is forbidden is not answered at all.
type refusal struct{ err error }

// notice tells those who ask for it that something happened.
type notice struct {
	mu    sync.Mutex
	calls map[*func()]struct{}
}

// happened calls all that wait for it.
func (s *notice) happened() {
	s.mu.Lock()
	calls := s.calls
	s.calls = nil
	s.mu.Unlock()
	for f := range calls {
		(*f)()
	}
}

// once calls f the next time it happens, unless stop is called before. f must not
// block.
func (s *notice) once(f func()) (stop func()) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.calls == nil {
		s.calls = map[*func()]struct{}{}
	}
	s.calls[&f] = struct{}{}
	return func() {
		s.mu.Lock()
		defer s.mu.Unlock()
		delete(s.calls, &f)
	}
}

// Connect opens a connection to nats://host:port or tls://host:port; several
// addresses of one cluster are separated by commas. It fails where no server
// answers; later losses of the connection are mended in the background.
func Connect(ctx context.Context, address string, o Options) (*Bus, error) {
	for _, one := range strings.Split(address, ",") {
		u, err := url.Parse(strings.TrimSpace(one))
		if err != nil || (u.Scheme != "nats" && u.Scheme != "tls") || u.Host == "" {
			return nil, fmt.Errorf("address %q is not nats://host:port or tls://host:port", redacted(one))
		}
		if u.User != nil {
			return nil, fmt.Errorf("address %s holds a password or token: put it into a file or the environment, where process lists and logs do not show it", redacted(one))
		}
	}
	b, err := connect(ctx, address, o)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", redacted(address), err)
	}
	return b, nil
}

// redacted hides passwords and tokens in addresses.
func redacted(address string) string {
	parts := strings.Split(address, ",")
	for i, one := range parts {
		if scheme, rest, ok := strings.Cut(one, "://"); ok {
			if _, host, ok := strings.Cut(rest, "@"); ok {
				parts[i] = scheme + "://***@" + host
			}
		}
	}
	return strings.Join(parts, ",")
}

// Connect opens a connection to the server in this process. It needs no password.
func (s *Server) Connect(ctx context.Context, o Options) (*Bus, error) {
	s.mu.Lock()
	running := s.server
	s.mu.Unlock()
	if running == nil {
		return nil, errors.New("embedded server: closed")
	}
	if limit := running.JetStreamConfig().MaxStore; o.StoreBytes <= 0 && limit > 0 {
		o.StoreBytes = min(limit/10*9, storeBytes(o))
	}
	b, err := connect(ctx, "", o, append(s.identity(), nats.InProcessServer(s))...)
	if err == nil {
		b.server = s
	}
	return b, err
}

func connect(ctx context.Context, address string, o Options, more ...nats.Option) (*Bus, error) {
	b := &Bus{seen: map[string]leaseSight{}}
	start := time.Now()
	b.clock = func() time.Duration { return time.Since(start) }
	options := []nats.Option{
		nats.Timeout(5 * time.Second), nats.MaxReconnects(-1), nats.ReconnectWait(250 * time.Millisecond),
		nats.RetryOnFailedConnect(false),
		// Publishes wait for their acknowledgement; buffering them through an
		// outage would only deliver them twice.
		nats.ReconnectBufSize(-1),
		// A wrong password may be put right while the program runs.
		nats.IgnoreAuthErrorAbort(),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			if errors.Is(err, nats.ErrPermissionViolation) {
				b.refused.Store(&refusal{err})
				b.forbidden.happened()
			}
		}),
		nats.ReconnectHandler(func(*nats.Conn) { b.reconnected.happened() }),
	}
	if len(more) == 0 { // the server in this process has an identity of its own
		secrets, err := o.secrets()
		if err != nil {
			return nil, err
		}
		options = append(options, secrets...)
	}
	o.fill()
	b.options = o
	options = append(append(options, nats.Name(o.Name)), more...)
	if deadline, ok := ctx.Deadline(); ok {
		options = append(options, nats.Timeout(max(time.Until(deadline), time.Millisecond)))
	}
	if strings.Contains(address, "tls://") {
		options = append(options, nats.Secure(&tls.Config{MinVersion: tls.VersionTLS12}))
	}
	if o.CAFile != "" {
		options = append(options, nats.RootCAs(o.CAFile))
	}
	if o.CertFile != "" || o.KeyFile != "" {
		options = append(options, nats.ClientCert(o.CertFile, o.KeyFile))
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	var err error
	if b.connection, err = nats.Connect(address, options...); err != nil {
		return nil, err
	}
	if b.js, err = jetstream.New(b.connection, jetstream.WithDefaultTimeout(o.AttemptTime)); err != nil {
		b.connection.Close()
		return nil, err
	}
	return b, nil
}

// Connected says whether the connection stands at this moment, and to which
// server of a cluster.
func (b *Bus) Connected() (server string, ok bool) {
	return b.connection.ConnectedServerName(), b.connection.IsConnected()
}

// Close sends what is under way and ends the connection.
func (b *Bus) Close() {
	if b.connection.IsConnected() {
		_ = b.connection.FlushTimeout(b.options.AttemptTime) // nothing more can be done
	}
	b.connection.Close()
}

// retry calls try until it succeeds, fails for good, or the time is up. Waits
// grow from 50 ms to 2 s.
func (b *Bus) retry(ctx context.Context, total time.Duration, try func(context.Context) error) error {
	return b.retryFor(ctx, total, b.options.AttemptTime, try)
}

// retryFor is retry with the time that one attempt may take.
func (b *Bus) retryFor(ctx context.Context, total, each time.Duration, try func(context.Context) error) error {
	ctx, cancel := context.WithTimeout(ctx, total)
	defer cancel()
	wait := 50 * time.Millisecond
	for {
		refused := b.refused.Load()
		attempt, end := context.WithTimeout(ctx, each)
		err := try(attempt)
		end()
		if err == nil {
			return nil
		}
		if full(err) {
			return fmt.Errorf("%w: %w", ErrFull, err)
		}
		if !passing(err) {
			return err
		}
		if now := b.refused.Load(); now != refused {
			return now.err // there will be no other answer
		}
		if b.server != nil {
			if broken := b.server.refusal.Load(); broken != nil {
				return *broken
			}
		}
		select {
		case <-ctx.Done():
			if errors.Is(err, context.DeadlineExceeded) && b.connection.IsConnected() {
				// This is also how a server is silent whose disk is full.
				return fmt.Errorf("%w: connected, but no answer: is there a leader, and room on the server's disk?", context.Cause(ctx))
			}
			return fmt.Errorf("%w (last: %w)", context.Cause(ctx), err)
		case <-time.After(wait):
		}
		wait = min(2*wait, 2*time.Second)
	}
}

// ErrFull: the server has no room for more, by its own limits or those of the
// stream. Nothing was stored. It passes when room is made.
var ErrFull = errors.New("no room on the server")

// Numbers of the server's errors, from server/errors.json of nats-server.
const (
	accountResourcesExceeded = 10002
	insufficientResources    = 10023
	memoryResourcesExceeded  = 10028
	storageResourcesExceeded = 10047
	storeFailed              = 10077
)

// full says whether an error means that a limit is reached. A store that fails
// for another reason (a disk that is full, but also one that is broken) may have
// stored the message all the same, and is tried again.
func full(err error) bool {
	var api *jetstream.APIError
	if !errors.As(err, &api) {
		return false
	}
	switch api.ErrorCode {
	case accountResourcesExceeded, insufficientResources, memoryResourcesExceeded, storageResourcesExceeded:
		return true
	case storeFailed:
		return strings.HasPrefix(api.Description, "maximum ")
	}
	return false
}

// passing says whether an error may go away by itself: no server, no leader, no
// answer in time.
func passing(err error) bool {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		// 10005 (JSClusterNoPeersErr of nats-server): too few nodes are up to place a
		// stream; others may be starting.
		return api.Code == 503 || api.Code == 408 || api.ErrorCode == 10005
	}
	for _, lasting := range []error{
		nats.ErrConnectionClosed, nats.ErrMaxPayload, nats.ErrAuthorization, nats.ErrPermissionViolation, nats.ErrBadSubject,
		jetstream.ErrConnectionClosed, jetstream.ErrJetStreamNotEnabled, jetstream.ErrJetStreamNotEnabledForAccount,
		jetstream.ErrBucketNotFound, ErrNoObject, ErrObjectDamaged, ErrObjectTooLarge, errLasting, context.Canceled,
	} {
		if errors.Is(err, lasting) {
			return false
		}
	}
	return true
}

// errLasting marks errors that trying again does not mend.
var errLasting = errors.New("trying again would not help")

// storeBytes is the sum of the limits of all that EnsureStreams and EnsureQueues make.
func storeBytes(o Options) int64 {
	o.fill()
	sum := o.InputsBytes + int64(len(queues))*queueBytes + stateBytes
	for _, kind := range kinds {
		sum += kind.MaxBytes
	}
	return sum
}

// share is the part of limit that Options.StoreBytes leaves.
func (b *Bus) share(limit int64) int64 {
	if b.options.StoreBytes <= 0 {
		return limit
	}
	return max(int64(float64(limit)*float64(b.options.StoreBytes)/float64(storeBytes(b.options))), 1<<10)
}

// EnsureStreams makes the streams and buckets that are not there, and waits for
// a cluster to elect their leaders. One that exists keeps its limits and its
// replicas; only if Options.Replicas asks for more are they raised.
func (b *Bus) EnsureStreams(ctx context.Context) error {
	for _, kind := range kinds {
		config := kind.streamConfig()
		config.MaxBytes = b.share(config.MaxBytes)
		if err := b.ensureStream(ctx, config); err != nil {
			return err
		}
		if kind.Latest == "" {
			continue
		}
		if err := b.ensureBucket(ctx, kind.Latest, "newest "+kind.Name+" of each site, key <programme>.<site>"); err != nil {
			return err
		}
	}
	return b.ensureState(ctx)
}

// ensureStream makes a stream that is not there, or raises its replicas.
func (b *Bus) ensureStream(ctx context.Context, config jetstream.StreamConfig) error {
	err := b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, config.Name)
		if errors.Is(err, jetstream.ErrStreamNotFound) {
			config.Replicas = max(b.options.Replicas, 1)
			if _, err = b.js.CreateStream(ctx, config); errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
				err = nil // made by another at the same time
			}
			return err
		}
		if err != nil {
			return err
		}
		return b.raise(ctx, stream)
	})
	if err != nil {
		return fmt.Errorf("stream %s: %w", config.Name, err)
	}
	return nil
}

// ensureBucket makes a key-value bucket that is not there, or raises its replicas.
func (b *Bus) ensureBucket(ctx context.Context, name, description string) error {
	err := b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error {
		_, err := b.js.KeyValue(ctx, name)
		if errors.Is(err, jetstream.ErrBucketNotFound) {
			_, err = b.js.CreateKeyValue(ctx, jetstream.KeyValueConfig{
				Bucket: name, Description: "rimeline: " + description,
				History: 1, Storage: jetstream.FileStorage, Replicas: max(b.options.Replicas, 1),
			})
			if errors.Is(err, jetstream.ErrBucketExists) {
				err = nil
			}
			return err
		}
		if err != nil {
			return err
		}
		return b.raiseNamed(ctx, "KV_"+name)
	})
	if err != nil {
		return fmt.Errorf("bucket %s: %w", name, err)
	}
	return nil
}

// raise gives a stream the replicas that the options ask for, if it has fewer.
func (b *Bus) raise(ctx context.Context, stream jetstream.Stream) error {
	config := stream.CachedInfo().Config
	if config.Replicas >= b.options.Replicas {
		return nil
	}
	config.Replicas = b.options.Replicas
	_, err := b.js.UpdateStream(ctx, config)
	return err
}

func (b *Bus) raiseNamed(ctx context.Context, name string) error {
	if b.options.Replicas <= 1 {
		return nil
	}
	stream, err := b.js.Stream(ctx, name)
	if err != nil {
		return err
	}
	return b.raise(ctx, stream)
}

// Acknowledgement says where a message was stored.
type Acknowledgement struct {
	Stream   string
	Sequence uint64
	// Duplicate: the stream had a message of this id already.
	Duplicate bool
}

// Publish stores an event on the stream of its kind, and returns when it is
// stored. It tries again under the same id for Options.RetryTime.
func (b *Bus) Publish(ctx context.Context, e Event) (Acknowledgement, error) {
	kind, err := kindOf(e.Type)
	if err != nil {
		return Acknowledgement{}, err
	}
	message, err := kind.message(e)
	if err != nil {
		return Acknowledgement{}, err
	}
	if limit := b.connection.MaxPayload(); limit > 0 && int64(len(message.Data)) > limit {
		return Acknowledgement{}, fmt.Errorf("%s: event of %d bytes, the server takes %d", e.Subject, len(message.Data), limit)
	}
	var stored *jetstream.PubAck
	err = b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		var err error
		stored, err = b.js.PublishMsg(ctx, message, jetstream.WithMsgID(e.ID), jetstream.WithExpectStream(kind.Stream))
		return err
	})
	if err != nil {
		return Acknowledgement{}, fmt.Errorf("publish to %s: %w", e.Subject, err)
	}
	b.published.note(kind.Stream, stored.Sequence)
	return Acknowledgement{Stream: stored.Stream, Sequence: stored.Sequence, Duplicate: stored.Duplicate}, nil
}

// clockTolerance is how far ahead of this computer's clock an event may be dated
// to count as newer than one of now: clocks differ, and they are set back.
const clockTolerance = 5 * time.Minute

// PutLatest makes an event the newest of its site, unless the bucket holds one of
// a later time. One that is dated ahead of the clock, since that was set back or
// another's is wrong, gives way.
func (b *Bus) PutLatest(ctx context.Context, e Event) error {
	kind, err := kindOf(e.Type)
	if err != nil {
		return err
	}
	key, err := latestKey(kind, e.Subject)
	if err != nil {
		return err
	}
	encoded, err := json.Marshal(e)
	if err != nil {
		return err
	}
	err = b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		bucket, err := b.js.KeyValue(ctx, kind.Latest)
		if err != nil {
			return err
		}
		// Another writer may come between reading and writing: then read again.
		for range 100 {
			entry, err := bucket.Get(ctx, key)
			switch {
			case errors.Is(err, jetstream.ErrKeyNotFound):
				_, err = bucket.Create(ctx, key, encoded)
			case err != nil:
				return err
			default:
				var present Event
				if json.Unmarshal(entry.Value(), &present) == nil && present.Time.After(e.Time) && !present.Time.After(time.Now().Add(clockTolerance)) {
					return nil
				}
				_, err = bucket.Update(ctx, key, encoded, entry.Revision())
			}
			if !errors.Is(err, jetstream.ErrKeyExists) && !errors.Is(err, jetstream.ErrKeyRevisionMismatch) {
				return err
			}
		}
		return fmt.Errorf("key %s changes too fast", key)
	})
	if err != nil {
		return fmt.Errorf("bucket %s: %w", kind.Latest, err)
	}
	return nil
}

// Latest is the newest event of a kind for a site; found is false where there
// is none. In a cluster it may be a moment behind a PutLatest.
func (b *Bus) Latest(ctx context.Context, kind Kind, programme, site string) (e Event, found bool, err error) {
	subject, err := kind.Subject(programme, site)
	if err != nil {
		return Event{}, false, err
	}
	key, err := latestKey(kind, subject)
	if err != nil {
		return Event{}, false, err
	}
	bucket, err := b.js.KeyValue(ctx, kind.Latest)
	if err != nil {
		return Event{}, false, fmt.Errorf("bucket %s: %w", kind.Latest, err)
	}
	entry, err := bucket.Get(ctx, key)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return Event{}, false, nil
	}
	if err != nil {
		return Event{}, false, fmt.Errorf("bucket %s: %w", kind.Latest, err)
	}
	if err = json.Unmarshal(entry.Value(), &e); err == nil {
		err = kind.own(&e, subject)
	}
	if err != nil {
		return Event{}, false, fmt.Errorf("bucket %s, key %s: %w", kind.Latest, key, err)
	}
	return e, true, nil
}

// latestKey is "<programme>.<site>" of the subject of an event.
func latestKey(kind Kind, subject string) (string, error) {
	parts := strings.Split(subject, ".")
	if kind.Latest == "" || len(parts) != 4 || parts[0] != "rimeline" || parts[2] != kind.Name {
		return "", fmt.Errorf("events of kind %q with subject %q have no newest", kind.Name, subject)
	}
	return parts[1] + "." + parts[3], nil
}

// Stored is one message as the stream has it.
type Stored struct {
	Sequence uint64
	Time     time.Time // when it was stored
	Subject  string
	Event    Event
}

// LastSequence is the number of the newest message on the stream of a kind, 0
// where there was none.
func (b *Bus) LastSequence(ctx context.Context, kind Kind) (uint64, error) {
	var last uint64
	err := b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, kind.Stream)
		if err == nil {
			last = stream.CachedInfo().State.LastSeq
		}
		return err
	})
	if err != nil {
		return 0, fmt.Errorf("stream %s: %w", kind.Stream, err)
	}
	return last, nil
}

// LastStored is the last message on the stream of a kind for a site; found is false
// where the stream has none, or one that is no event. Whoever died after Publish and before PutLatest has left
// it there and not in Latest.
func (b *Bus) LastStored(ctx context.Context, kind Kind, programme, site string) (last Stored, found bool, err error) {
	subject, err := kind.Subject(programme, site)
	if err != nil {
		return Stored{}, false, err
	}
	var message *jetstream.RawStreamMsg
	err = b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, kind.Stream)
		if err != nil {
			return err
		}
		message, err = stream.GetLastMsgForSubject(ctx, subject)
		if errors.Is(err, jetstream.ErrMsgNotFound) {
			message, err = nil, nil
		}
		return err
	})
	if err != nil {
		return Stored{}, false, fmt.Errorf("stream %s: %w", kind.Stream, err)
	}
	if message == nil {
		return Stored{}, false, nil
	}
	last = Stored{Sequence: message.Sequence, Time: message.Time.UTC(), Subject: message.Subject}
	return last, kind.read(&last, message.Header, message.Data) == nil, nil
}

// ReadBack yields what the stream of a kind holds, oldest first, up to the last
// message at the time of the call. A message that is no event gives an error,
// and the next one follows; any other error ends it.
func (b *Bus) ReadBack(ctx context.Context, kind Kind) iter.Seq2[Stored, error] {
	return func(yield func(Stored, error) bool) {
		stream, err := b.js.Stream(ctx, kind.Stream)
		if err != nil {
			yield(Stored{}, fmt.Errorf("stream %s: %w", kind.Stream, err))
			return
		}
		state := stream.CachedInfo().State
		for sequence := state.FirstSeq; sequence <= state.LastSeq && state.Msgs > 0; sequence++ {
			// With a subject the server passes over what was deleted.
			message, err := stream.GetMsg(ctx, sequence, jetstream.WithGetMsgSubject(kind.Subjects()))
			if errors.Is(err, jetstream.ErrMsgNotFound) {
				return
			}
			if err != nil {
				yield(Stored{}, fmt.Errorf("stream %s, message %d: %w", kind.Stream, sequence, err))
				return
			}
			sequence = message.Sequence
			if sequence > state.LastSeq {
				return
			}
			stored := Stored{Sequence: sequence, Time: message.Time.UTC(), Subject: message.Subject}
			err = kind.read(&stored, message.Header, message.Data)
			if !yield(stored, err) {
				return
			}
		}
	}
}
