// Package bus publishes results to other programs: every message is a CloudEvent
// in JSON on a NATS JetStream stream, and the newest of each site is in a
// key-value bucket besides.
//
// The same code talks to a server in this process and to a cluster elsewhere.
// What is published is acknowledged when the stream has stored it. A publish
// that is not acknowledged in time is sent again under the same message id, and
// the stream drops the repeat (its window is two hours), so nothing is lost and
// nothing is doubled by a dropped connection, a change of leader or a restart.
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
	// CAFile, CertFile and KeyFile are for tls://; the system's authorities.
	CAFile, CertFile, KeyFile string
	// Replicas of streams that have to be made; 1. A single server refuses more.
	Replicas int
	// AttemptTime is how long one publish waits for its acknowledgement; 2 s.
	AttemptTime time.Duration
	// RetryTime is how long a publish is tried again; 1 min. It must stay below
	// the two hours for which streams remember message ids.
	RetryTime time.Duration
	// ReadyTime is how long EnsureStreams waits for a leader; 30 s.
	ReadyTime time.Duration
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
	if o.Name == "" {
		o.Name = "rimeline"
	}
}

// Bus is a connection. Its methods may be called from several goroutines.
type Bus struct {
	connection *nats.Conn
	js         jetstream.JetStream
	options    Options
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

// Connect opens a connection to the server in this process.
func (s *Server) Connect(ctx context.Context, o Options) (*Bus, error) {
	return connect(ctx, "", o, nats.InProcessServer(s.server))
}

func connect(ctx context.Context, address string, o Options, more ...nats.Option) (*Bus, error) {
	o.fill()
	options := append([]nats.Option{
		nats.Name(o.Name), nats.Timeout(5 * time.Second), nats.MaxReconnects(-1), nats.ReconnectWait(250 * time.Millisecond),
		nats.RetryOnFailedConnect(false),
		// Publishes wait for their acknowledgement; buffering them through an
		// outage would only deliver them twice.
		nats.ReconnectBufSize(-1),
	}, more...)
	if deadline, ok := ctx.Deadline(); ok {
		options = append(options, nats.Timeout(max(time.Until(deadline), time.Millisecond)))
	}
	if o.CredentialsFile != "" {
		options = append(options, nats.UserCredentials(o.CredentialsFile))
	}
	if o.CAFile != "" {
		options = append(options, nats.RootCAs(o.CAFile))
	}
	if o.CertFile != "" || o.KeyFile != "" {
		options = append(options, nats.ClientCert(o.CertFile, o.KeyFile))
	}
	if strings.Contains(address, "tls://") {
		options = append(options, nats.Secure(&tls.Config{MinVersion: tls.VersionTLS12}))
	}
	if err := ctx.Err(); err != nil {
		return nil, err
	}
	connection, err := nats.Connect(address, options...)
	if err != nil {
		return nil, err
	}
	js, err := jetstream.New(connection, jetstream.WithDefaultTimeout(o.AttemptTime))
	if err != nil {
		connection.Close()
		return nil, err
	}
	return &Bus{connection: connection, js: js, options: o}, nil
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
	ctx, cancel := context.WithTimeout(ctx, total)
	defer cancel()
	wait := 50 * time.Millisecond
	for {
		attempt, end := context.WithTimeout(ctx, b.options.AttemptTime)
		err := try(attempt)
		end()
		if err == nil || !passing(err) {
			return err
		}
		select {
		case <-ctx.Done():
			return fmt.Errorf("%w (last: %w)", context.Cause(ctx), err)
		case <-time.After(wait):
		}
		wait = min(2*wait, 2*time.Second)
	}
}

// passing says whether an error may go away by itself: no server, no leader, no
// answer in time.
func passing(err error) bool {
	var api *jetstream.APIError
	if errors.As(err, &api) {
		return api.Code == 503 || api.Code == 408
	}
	for _, lasting := range []error{
		nats.ErrConnectionClosed, nats.ErrMaxPayload, nats.ErrAuthorization, nats.ErrPermissionViolation, nats.ErrBadSubject,
		jetstream.ErrConnectionClosed, jetstream.ErrJetStreamNotEnabled, jetstream.ErrJetStreamNotEnabledForAccount,
		context.Canceled,
	} {
		if errors.Is(err, lasting) {
			return false
		}
	}
	return true
}

// EnsureStreams makes the streams and buckets that are not there, and waits for
// a cluster to elect their leaders. One that exists keeps its limits and its
// replicas; only if Options.Replicas asks for more are they raised.
func (b *Bus) EnsureStreams(ctx context.Context) error {
	for _, kind := range kinds {
		if err := b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error { return b.ensure(ctx, kind) }); err != nil {
			return fmt.Errorf("stream %s: %w", kind.Stream, err)
		}
	}
	return nil
}

func (b *Bus) ensure(ctx context.Context, kind Kind) error {
	stream, err := b.js.Stream(ctx, kind.Stream)
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound):
		if _, err := b.js.CreateStream(ctx, kind.streamConfig(max(b.options.Replicas, 1))); err != nil && !errors.Is(err, jetstream.ErrStreamNameAlreadyInUse) {
			return err
		}
	case err != nil:
		return err
	default:
		config := stream.CachedInfo().Config
		if config.Replicas < b.options.Replicas {
			config.Replicas = b.options.Replicas
			if _, err := b.js.UpdateStream(ctx, config); err != nil {
				return err
			}
		}
	}
	if kind.Latest == "" {
		return nil
	}
	_, err = b.js.KeyValue(ctx, kind.Latest)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		_, err = b.js.CreateKeyValue(ctx, jetstream.KeyValueConfig{
			Bucket: kind.Latest, Description: "rimeline: newest " + kind.Name + " of each site, key <programme>.<site>",
			History: 1, Storage: jetstream.FileStorage, Replicas: max(b.options.Replicas, 1),
		})
		if errors.Is(err, jetstream.ErrBucketExists) {
			err = nil
		}
	}
	return err
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
	encoded, err := json.Marshal(e)
	if err != nil {
		return Acknowledgement{}, err
	}
	if limit := b.connection.MaxPayload(); limit > 0 && int64(len(encoded)) > limit {
		return Acknowledgement{}, fmt.Errorf("%s: event of %d bytes, the server takes %d", e.Subject, len(encoded), limit)
	}
	message := nats.NewMsg(e.Subject)
	message.Header.Set("Content-Type", ContentType)
	message.Data = encoded
	var stored *jetstream.PubAck
	err = b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		var err error
		stored, err = b.js.PublishMsg(ctx, message, jetstream.WithMsgID(e.ID), jetstream.WithExpectStream(kind.Stream))
		return err
	})
	if err != nil {
		return Acknowledgement{}, fmt.Errorf("publish to %s: %w", e.Subject, err)
	}
	return Acknowledgement{Stream: stored.Stream, Sequence: stored.Sequence, Duplicate: stored.Duplicate}, nil
}

// PutLatest makes an event the newest of its site, unless the bucket holds one
// of a later time.
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
				if json.Unmarshal(entry.Value(), &present) == nil && present.Time.After(e.Time) {
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
	if err := json.Unmarshal(entry.Value(), &e); err != nil {
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
			if err = json.Unmarshal(message.Data, &stored.Event); err != nil {
				err = fmt.Errorf("stream %s, message %d: %w", kind.Stream, sequence, err)
			}
			if !yield(stored, err) {
				return
			}
		}
	}
}
