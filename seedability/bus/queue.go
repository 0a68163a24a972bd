package bus

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// Queue is a work queue: each job on it is done by one worker, and is gone when
// it is done.
type Queue string

// The queues.
const (
	// QueueIngest: one object of a public store is to be fetched and cropped.
	QueueIngest Queue = "ingest"
	// QueueAssess: the sites of one programme are to be judged.
	QueueAssess Queue = "assess"
	// QueueConditions: what the weather does over sites and targets is to be found
	// out, for suspension criteria. It is a queue of its own, so that a hold does not
	// wait behind assessments. Its name must be that of no kind of message, whose
	// subjects would be the same.
	QueueConditions Queue = "weather"
)

var queues = []Queue{QueueIngest, QueueAssess, QueueConditions}

// Queues lists every queue.
func Queues() []Queue { return slices.Clone(queues) }

const (
	// queueAge is how long a job may wait. Weather of the day before yesterday
	// needs no worker any more; QueueState.Oldest shows what is coming.
	queueAge = 2 * 24 * time.Hour
	// queueBytes is what one queue holds, some 100,000 jobs.
	queueBytes = 128 << 20
	// queueConsumer is the one durable consumer of a queue, from which all workers
	// fetch: a work queue admits no second.
	queueConsumer = "workers"
	// ackWait is how long the server waits for a sign of life of a job.
	ackWait = 30 * time.Second
	// deadLetterBytes is left free in a message, so that a job still fits into its
	// dead letter.
	deadLetterBytes = 64 << 10
)

func (q Queue) stream() string { return "RIMELINE_JOBS_" + strings.ToUpper(string(q)) }

func (q Queue) subject(programme string) string {
	return "rimeline.jobs." + string(q) + "." + programme
}

// known refuses queues that are not listed.
func (q Queue) known() error {
	for _, one := range queues {
		if q == one {
			return nil
		}
	}
	return fmt.Errorf("no queue %q", string(q))
}

// Job is one piece of work.
type Job struct {
	// ID of the job on its queue, 1 to 200 characters without spaces. A job whose
	// id was submitted before, within two hours, is dropped. After a restart of the
	// server only jobs that still wait or run are remembered.
	ID        string          `json:"id"`
	Queue     Queue           `json:"queue"`
	Programme string          `json:"programme"`
	Created   time.Time       `json:"created"` // UTC; the time of Submit if zero
	Data      json.RawMessage `json:"data,omitempty"`
}

func (j *Job) validate() error {
	if err := j.Queue.known(); err != nil {
		return err
	}
	if j.ID == "" || len(j.ID) > 200 || strings.ContainsFunc(j.ID, func(r rune) bool { return r <= ' ' || r >= 0x7f }) {
		return fmt.Errorf("job id %q is not 1 to 200 printable ASCII characters without spaces", j.ID)
	}
	if !token.MatchString(j.Programme) {
		return fmt.Errorf("job %s: programme %q cannot stand in a subject: 1 to 64 letters, digits, - or _", j.ID, j.Programme)
	}
	return nil
}

// EnsureQueues makes the work queues, the bucket of input objects and the bucket
// of leases that are not there, and waits for a cluster to elect their leaders.
// What exists keeps its limits; replicas are raised as by EnsureStreams.
//
// A queue that is full refuses further jobs: Submit fails with ErrFull. A job
// that no worker has taken for two days is removed.
func (b *Bus) EnsureQueues(ctx context.Context) error {
	for _, q := range queues {
		err := b.ensureStream(ctx, jetstream.StreamConfig{
			Name: q.stream(), Description: "rimeline: jobs to " + string(q), Subjects: []string{q.subject("*")},
			Retention: jetstream.WorkQueuePolicy, Discard: jetstream.DiscardNew, Storage: jetstream.FileStorage,
			MaxAge: queueAge, MaxBytes: b.share(queueBytes), Duplicates: duplicateWindow, AllowDirect: true,
		})
		if err != nil {
			return err
		}
		if err := b.ensureConsumer(ctx, q); err != nil {
			return err
		}
	}
	if err := b.ensureBucket(ctx, leaseBucket, "who owns what, for how long"); err != nil {
		return err
	}
	return b.ensureInputs(ctx)
}

func (b *Bus) ensureConsumer(ctx context.Context, q Queue) error {
	err := b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) error {
		_, err := b.js.Consumer(ctx, q.stream(), queueConsumer)
		if !errors.Is(err, jetstream.ErrConsumerNotFound) {
			return err
		}
		// Deliveries are counted by the workers, which bury what fails too often: a
		// job that the server gave up would lie in the queue unseen.
		_, err = b.js.CreateConsumer(ctx, q.stream(), jetstream.ConsumerConfig{
			Durable: queueConsumer, AckPolicy: jetstream.AckExplicitPolicy, AckWait: ackWait,
			MaxDeliver: -1, MaxAckPending: 10000, MaxWaiting: 4096,
		})
		if errors.Is(err, jetstream.ErrConsumerExists) {
			err = nil
		}
		return err
	})
	if err != nil {
		return fmt.Errorf("consumer of %s: %w", q.stream(), err)
	}
	return nil
}

// Submit puts a job on its queue, and returns when it is stored. It tries again
// under the same id for Options.RetryTime. duplicate says that the queue had a
// job of this id already. Where the queue is full the error is ErrFull, and the
// job is not stored.
func (b *Bus) Submit(ctx context.Context, j Job) (duplicate bool, err error) {
	if err := j.validate(); err != nil {
		return false, err
	}
	if j.Created.IsZero() {
		j.Created = time.Now()
	}
	j.Created = j.Created.UTC()
	encoded, err := json.Marshal(j)
	if err != nil {
		return false, fmt.Errorf("job %s: %w", j.ID, err)
	}
	if limit := b.connection.MaxPayload(); limit > 0 && int64(len(encoded)) > limit-deadLetterBytes {
		return false, fmt.Errorf("job %s has %d bytes, the server takes %d: put what is large into the object store", j.ID, len(encoded), limit-deadLetterBytes)
	}
	message := nats.NewMsg(j.Queue.subject(j.Programme))
	message.Data = encoded
	err = b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stored, err := b.js.PublishMsg(ctx, message, jetstream.WithMsgID(j.ID), jetstream.WithExpectStream(j.Queue.stream()))
		if err == nil {
			duplicate = stored.Duplicate
		}
		return err
	})
	if err != nil {
		return false, fmt.Errorf("job %s to queue %s: %w", j.ID, j.Queue, err)
	}
	return duplicate, nil
}

// QueueState is the length of a queue at one moment.
type QueueState struct {
	Waiting uint64 // not yet given to a worker
	Running uint64 // with a worker, or waiting to be tried again
	// Redelivered is how many of the running jobs were given out more than once.
	Redelivered uint64
	Bytes       uint64
	Oldest      time.Time // when the oldest job was stored; zero if there is none
}

// QueueState tells how a queue does.
func (b *Bus) QueueState(ctx context.Context, q Queue) (QueueState, error) {
	if err := q.known(); err != nil {
		return QueueState{}, err
	}
	var state QueueState
	err := b.retry(ctx, b.options.RetryTime, func(ctx context.Context) error {
		stream, err := b.js.Stream(ctx, q.stream())
		if err != nil {
			return err
		}
		consumer, err := b.js.Consumer(ctx, q.stream(), queueConsumer)
		if err != nil {
			return err
		}
		info, held := consumer.CachedInfo(), stream.CachedInfo().State
		state = QueueState{
			Waiting: info.NumPending, Running: uint64(info.NumAckPending), Redelivered: uint64(info.NumRedelivered),
			Bytes: held.Bytes,
		}
		if held.Msgs > 0 {
			state.Oldest = held.FirstTime.UTC()
		}
		return nil
	})
	if err != nil {
		return QueueState{}, fmt.Errorf("queue %s: %w", q, err)
	}
	return state, nil
}
