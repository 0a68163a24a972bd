package bus

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"runtime/debug"
	"strings"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// WorkOptions of Work. The zero value of each field takes the default.
type WorkOptions struct {
	// Worker is the name that stands in dead letters; host and process number.
	Worker string
	// Concurrency is how many jobs are done at once; 1.
	Concurrency int
	// AckWait is how long the server waits for a sign of life of a job before it
	// gives it to another worker; what the queue has, which is 30 s at first. Given
	// here it is changed for all workers of the queue.
	AckWait time.Duration
	// Beat is how often a job in hand shows a sign of life; 10 s, and never more
	// than a third of AckWait.
	Beat time.Duration
	// MaxDeliver is how often a job may be tried; 5.
	MaxDeliver int
	// Backoff is how long a job waits after the given delivery failed; 1 s, then
	// four times as long each time, to 2 min.
	Backoff func(delivery int) time.Duration
	// Grace is how long jobs in hand may go on when Work is to end; 10 s.
	Grace time.Duration
	// JobTime is how long a handler may take before its context ends; 15 min.
	JobTime time.Duration
	// OnEvent hears what happens, for logs and metrics. It is called from several
	// goroutines and must not block.
	OnEvent func(WorkEvent)
}

func (o *WorkOptions) fill() {
	fill := func(d *time.Duration, standard time.Duration) {
		if *d <= 0 {
			*d = standard
		}
	}
	fill(&o.Beat, 10*time.Second)
	fill(&o.Grace, 10*time.Second)
	fill(&o.JobTime, 15*time.Minute)
	if o.Concurrency <= 0 {
		o.Concurrency = 1
	}
	if o.MaxDeliver <= 0 {
		o.MaxDeliver = 5
	}
	if o.Backoff == nil {
		o.Backoff = func(delivery int) time.Duration {
			return min(time.Second<<(2*min(max(delivery, 1)-1, 10)), 2*time.Minute)
		}
	}
	if o.OnEvent == nil {
		o.OnEvent = func(WorkEvent) {}
	}
	if o.Worker == "" {
		host, _ := os.Hostname() // without a name the number has to do
		o.Worker = fmt.Sprintf("%s-%d", host, os.Getpid())
	}
}

// WorkStage is what happened to a job.
type WorkStage string

// The stages.
const (
	WorkStarted     WorkStage = "started"     // first delivery, the handler runs
	WorkRedelivered WorkStage = "redelivered" // a later delivery, the handler runs
	WorkDone        WorkStage = "done"        // the handler succeeded and the queue knows it
	WorkFailed      WorkStage = "failed"      // tried again after Delay
	WorkReturned    WorkStage = "returned"    // given back unfinished, because Work ends
	WorkUnsettled   WorkStage = "unsettled"   // its end did not reach the server: it comes again
	WorkDead        WorkStage = "dead"        // given up, a dead letter is stored
)

// WorkEvent is one thing that happened to a job.
type WorkEvent struct {
	Stage    WorkStage
	Queue    Queue
	Job      Job
	Delivery int
	// Waited is the time from the storing of the job to this delivery, by the
	// clocks of server and worker.
	Waited  time.Duration
	Elapsed time.Duration // since this delivery
	Delay   time.Duration // until it is tried again
	Err     error
}

// Permanent marks an error of a handler that trying again would not mend: the job
// becomes a dead letter at once.
func Permanent(err error) error {
	if err == nil {
		return nil
	}
	return permanentError{err}
}

type permanentError struct{ error }

func (e permanentError) Unwrap() error { return e.error }

// Work takes jobs off a queue and gives each to handle, until ctx ends; then it
// waits Options.Grace for those in hand, gives back what is not finished, and
// returns nil. It returns an error where the queue is not there or forbidden.
//
// A job whose handler returns nil is taken off the queue, and the server confirms
// it. An error puts it back for later; Permanent(err), or an error at the last
// delivery, makes it a dead letter, which is stored before the job is taken off.
// A panic is an error with its stack. While a handler runs the job shows signs of
// life; one whose worker is killed is given to another after AckWait, and one that
// killed a worker at every delivery becomes a dead letter at the next.
//
// A handler may run twice for one job: when the connection is lost for longer
// than AckWait, another worker gets it, and when the server dies it may not know
// yet that the job is done. What a handler publishes must therefore have ids that
// come from its content, as NewEvent makes them; the streams drop the second.
func (b *Bus) Work(ctx context.Context, q Queue, o WorkOptions, handle func(ctx context.Context, j Job, delivery int) error) error {
	if err := q.known(); err != nil {
		return err
	}
	o.fill()
	w := &worker{bus: b, queue: q, options: o, handle: handle, hand: map[string]*inHand{}}
	err := b.retry(ctx, b.options.ReadyTime, func(ctx context.Context) (err error) {
		if w.consumer, err = b.js.Consumer(ctx, q.stream(), queueConsumer); err != nil {
			return err
		}
		config := w.consumer.CachedInfo().Config
		if o.AckWait > 0 && config.AckWait != o.AckWait {
			config.AckWait = o.AckWait
			w.consumer, err = b.js.UpdateConsumer(ctx, q.stream(), config)
		}
		return err
	})
	if err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return fmt.Errorf("queue %s: %w", q, err)
	}
	w.ackWait = w.consumer.CachedInfo().Config.AckWait
	w.options.Beat = min(o.Beat, w.ackWait/3)

	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	var group sync.WaitGroup
	for range o.Concurrency {
		group.Go(func() {
			if err := w.loop(ctx); err != nil {
				cancel(fmt.Errorf("queue %s: %w", q, err))
			}
		})
	}
	group.Wait()
	if err := context.Cause(ctx); !errors.Is(err, context.Canceled) && !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return nil
}

type worker struct {
	bus      *Bus
	queue    Queue
	options  WorkOptions
	consumer jetstream.Consumer
	ackWait  time.Duration
	handle   func(ctx context.Context, j Job, delivery int) error

	mu   sync.Mutex
	hand map[string]*inHand // by stored sequence and job id
}

// inHand is a job whose handler runs, or has succeeded without the server knowing.
// A delivery that comes meanwhile is the one to answer; it is not run again.
type inHand struct {
	mu      sync.Mutex
	message jetstream.Msg
}

func (h *inHand) newest() jetstream.Msg {
	h.mu.Lock()
	defer h.mu.Unlock()
	return h.message
}

// take says whether a delivery is to be run.
func (w *worker) take(key string, message jetstream.Msg) (*inHand, bool) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if h := w.hand[key]; h != nil {
		h.mu.Lock()
		h.message = message
		h.mu.Unlock()
		return h, false
	}
	h := &inHand{message: message}
	w.hand[key] = h
	return h, true
}

func (w *worker) release(key string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	delete(w.hand, key)
}

// pullTime is how long one request for a job lies at the server. Heartbeats tell
// when the server has forgotten it.
const pullTime, pullHeartbeat = 10 * time.Second, 2 * time.Second

// loop does one job after the other. Jobs are fetched singly, when there is a
// hand for them: one fetched ahead would age while others could do it.
func (w *worker) loop(ctx context.Context) error {
	wait := 50 * time.Millisecond
	for ctx.Err() == nil {
		message, err := w.next(ctx)
		if message != nil {
			w.run(ctx, message)
			wait = 50 * time.Millisecond
			continue
		}
		if err == nil {
			continue
		}
		if !passing(err) {
			return err
		}
		select {
		case <-ctx.Done():
		case <-time.After(wait):
		}
		wait = min(2*wait, 2*time.Second)
		// Is there a queue at all? Between two leaders it may seem not.
		if errors.Is(err, nats.ErrNoResponders) || errors.Is(err, jetstream.ErrConsumerDeleted) {
			err := w.bus.retry(ctx, w.bus.options.ReadyTime, func(ctx context.Context) error {
				_, err := w.bus.js.Consumer(ctx, w.queue.stream(), queueConsumer)
				return err
			})
			if err != nil && !passing(err) && !errors.Is(err, context.Canceled) {
				return err
			}
		}
	}
	return nil
}

// next waits for a job; nil without an error where none came.
func (w *worker) next(ctx context.Context) (jetstream.Msg, error) {
	refused := w.bus.refused.Load()
	pull, cancel := context.WithTimeout(ctx, pullTime)
	defer cancel()
	// A server that was started again does not know this request.
	defer w.bus.reconnected.once(cancel)()
	// One that is forbidden is not answered.
	defer w.bus.forbidden.once(cancel)()
	batch, err := w.consumer.Fetch(1, jetstream.FetchContext(pull), jetstream.FetchHeartbeat(pullHeartbeat))
	if err != nil {
		return nil, err
	}
	// A job that the server sent in the moment of the cancel is lost to this
	// worker; the server gives it out again after AckWait.
	message := <-batch.Messages()
	if message != nil {
		return message, nil
	}
	now := w.bus.refused.Load()
	if now != refused && strings.Contains(now.err.Error(), "CONSUMER.MSG.NEXT."+w.queue.stream()) {
		return nil, now.err
	}
	err = batch.Error()
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) {
		return nil, nil
	}
	return nil, err
}

// run does one delivery of a job to its end.
func (w *worker) run(ctx context.Context, message jetstream.Msg) {
	start := time.Now()
	meta, err := message.Metadata()
	if err != nil {
		return // no message of a queue: nothing to answer
	}
	delivery := int(min(meta.NumDelivered, 1<<30))
	event := WorkEvent{Queue: w.queue, Delivery: delivery, Waited: max(start.Sub(meta.Timestamp), 0)}
	tell := func(stage WorkStage, err error, delay time.Duration) {
		event.Stage, event.Err, event.Delay, event.Elapsed = stage, err, delay, time.Since(start)
		w.options.OnEvent(event)
	}

	job, err := w.decode(message)
	event.Job = job
	key := fmt.Sprintf("%d/%s", meta.Sequence.Stream, job.ID)
	h, first := w.take(key, message)
	if !first {
		return
	}
	defer w.release(key)

	switch {
	case err != nil: // cannot be read, now or ever
		err = Permanent(err)
	case delivery > w.options.MaxDeliver:
		err = Permanent(fmt.Errorf("delivered %d times and never finished: its workers died or lost touch", delivery-1))
	default:
		stage := WorkStarted
		if delivery > 1 {
			stage = WorkRedelivered
		}
		tell(stage, nil, 0)
		var finished bool
		if err, finished = w.call(ctx, h, job, delivery); !finished {
			_ = h.newest().Nak() // if it is lost, AckWait does the same
			tell(WorkReturned, err, 0)
			return
		}
	}

	var permanent permanentError
	switch {
	case err == nil:
		if err := w.settle(ctx, h, "+ACK"); err != nil {
			tell(WorkUnsettled, err, 0)
			return
		}
		tell(WorkDone, nil, 0)
	case errors.As(err, &permanent) || delivery >= w.options.MaxDeliver:
		letterErr := w.bury(ctx, job, message, meta, delivery, err)
		if letterErr != nil { // better an undead job than a lost one
			delay := w.options.Backoff(delivery)
			_ = h.newest().NakWithDelay(delay)
			tell(WorkFailed, fmt.Errorf("%w; dead letter: %w", err, letterErr), delay)
			return
		}
		if settleErr := w.settle(ctx, h, "+TERM"); settleErr != nil {
			tell(WorkUnsettled, settleErr, 0) // its dead letter has an id: the next is a repeat
			return
		}
		tell(WorkDead, err, 0)
	default:
		delay := w.options.Backoff(delivery)
		_ = h.newest().NakWithDelay(delay) // if it is lost, AckWait does nearly the same
		tell(WorkFailed, err, delay)
	}
}

func (w *worker) decode(message jetstream.Msg) (Job, error) {
	var job Job
	if err := json.Unmarshal(message.Data(), &job); err != nil {
		return Job{Queue: w.queue}, fmt.Errorf("this is no job: %w", err)
	}
	if err := job.validate(); err != nil {
		return job, err
	}
	if job.Queue != w.queue {
		return job, fmt.Errorf("a job for queue %s on queue %s", job.Queue, w.queue)
	}
	return job, nil
}

// call runs the handler, with signs of life, to its end or to the end of the
// grace time after ctx. finished is false where Work ended first.
func (w *worker) call(ctx context.Context, h *inHand, job Job, delivery int) (err error, finished bool) {
	handling, cancel := context.WithTimeout(context.WithoutCancel(ctx), w.options.JobTime)
	defer cancel()
	result := make(chan error, 1)
	go func() {
		defer func() {
			if p := recover(); p != nil {
				result <- fmt.Errorf("panic: %v\n%s", p, debug.Stack())
			}
		}()
		result <- w.handle(handling, job, delivery)
	}()
	beat := time.NewTicker(w.options.Beat)
	defer beat.Stop()
	ending := ctx.Done()
	var grace, last <-chan time.Time
	for {
		select {
		case err := <-result:
			if err != nil && grace == nil && last != nil {
				return err, false // stopped by us: no failure of its own
			}
			return err, true
		case <-beat.C:
			_ = h.newest().InProgress() // lost ones are made up for by the next
		case <-ending:
			ending, grace = nil, time.After(w.options.Grace)
		case <-grace:
			cancel()
			grace, last = nil, time.After(w.options.Grace/4+time.Millisecond)
		case <-last:
			return errors.New("the handler does not end with its context"), false
		}
	}
}

// settle tells the server how a job ended, and returns when the server has
// confirmed it. The answer goes out under the newest delivery: after a restart
// the server may have to deliver again before it accepts any.
func (w *worker) settle(ctx context.Context, h *inHand, answer string) error {
	total := w.bus.options.RetryTime
	if ctx.Err() != nil {
		total = w.options.Grace
	}
	return w.bus.retry(context.WithoutCancel(ctx), total, func(ctx context.Context) error {
		_, err := w.bus.connection.RequestWithContext(ctx, h.newest().Reply(), []byte(answer))
		return err
	})
}

// deadLetter is the data of a dead letter. Package message has it for readers.
type deadLetter struct {
	JobID      string          `json:"job_id"`
	Queue      Queue           `json:"queue"`
	Programme  string          `json:"programme"`
	Deliveries int             `json:"deliveries"`
	Error      string          `json:"error"`
	Worker     string          `json:"worker"`
	Time       time.Time       `json:"time"`
	Job        json.RawMessage `json:"job"`
}

// maxLetterError bounds the text of an error in a dead letter; stacks are long.
const maxLetterError = 8 << 10

// bury stores the dead letter of a job. Its id comes from the stored job, so that
// two workers that give up the same job write one.
func (w *worker) bury(ctx context.Context, job Job, message jetstream.Msg, meta *jetstream.MsgMetadata, delivery int, cause error) error {
	programme := job.Programme
	if !token.MatchString(programme) { // what cannot be read still has a subject
		programme = message.Subject()[strings.LastIndexByte(message.Subject(), '.')+1:]
		if !token.MatchString(programme) {
			programme = "unknown"
		}
	}
	content := json.RawMessage(message.Data())
	if !json.Valid(content) {
		text, err := json.Marshal(string(content[:min(len(content), maxLetterError)]))
		if err != nil {
			return err
		}
		content = text
	}
	text := cause.Error()
	text = strings.ToValidUTF8(text[:min(len(text), maxLetterError)], "")
	now := time.Now().UTC()
	e, err := NewEvent(DeadLetter, programme, string(w.queue), now, deadLetter{
		JobID: job.ID, Queue: w.queue, Programme: programme, Deliveries: delivery,
		Error: text, Worker: w.options.Worker, Time: now, Job: content,
	})
	if err != nil {
		return err
	}
	digest := sha256.Sum256(fmt.Appendf(nil, "dead-letter\n%s\n%d\n%d\n%s", w.queue, meta.Sequence.Stream, meta.Timestamp.UnixNano(), job.ID))
	e.ID = hex.EncodeToString(digest[:16])
	_, err = w.bus.Publish(context.WithoutCancel(ctx), e)
	return err
}
