// Package eccodes decodes, through ecCodes of ECMWF in child processes, what
// this program does not decode itself: FM 92 GRIB2 in rare packings (data
// representation templates 5.40 JPEG 2000, 5.42 CCSDS and others) and the data
// section of FM 94 BUFR (both WMO No. 306, Volume I.2).
//
// Children, because one to three damaged bytes in sections 1 to 6 of a message
// make ecCodes 2.28 call abort, or touch memory that is not its own, in up to
// one of eight cases; in the same process that would end the program. A child
// is bounded: in memory by the kernel, in time by a deadline a message, in
// output by what the message itself announces and a ceiling. When it dies, the
// message it worked on fails with ingest.ErrDecoderDied, and the next message
// gets a new child. It dies with the program, and after a while without work.
//
// Linux only: it relies on prlimit and on the parent-death signal.
package eccodes

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"sync"
	"time"

	"rimeline/ingest"
	"rimeline/ingest/bufr"
	"rimeline/ingest/eccodes/internal/frame"
)

// Options bound the children. The zero value of each field takes the default.
type Options struct {
	Children     int           // at work at once; 2, or 1 on a single core
	MessageTime  time.Duration // wall time for one message; 30 s
	IdleTime     time.Duration // after which a child without work is stopped; 30 s
	MemoryBytes  uint64        // writable memory of one child (RLIMIT_DATA); 1.5 GiB
	MessageBytes int           // longest message taken; 128 MiB
	Values       int           // most grid points of one field; 64 Mi
	ReplyBytes   uint64        // longest BUFR reply; 64 MiB
	Env          []string      // environment of the children, beside ecCodes' own variables
}

func (o *Options) fillIn() {
	if o.Children <= 0 {
		o.Children = min(2, runtime.GOMAXPROCS(0))
	}
	if o.MessageTime <= 0 {
		o.MessageTime = 30 * time.Second
	}
	if o.IdleTime <= 0 {
		o.IdleTime = 30 * time.Second
	}
	if o.MemoryBytes == 0 {
		// 64 Mi points are 512 MiB of values, and JPEG 2000 holds them as
		// integers twice beside.
		o.MemoryBytes = 3 << 29
	}
	if o.MessageBytes <= 0 {
		o.MessageBytes = 128 << 20
	}
	if o.Values <= 0 {
		o.Values = 64 << 20
	}
	if o.ReplyBytes == 0 {
		o.ReplyBytes = 64 << 20
	}
}

// ErrClosed: the pool was closed before or while it worked on the message.
var ErrClosed = errors.New("pool of decoder processes is closed")

// Pool runs the children. Its methods may be called from several goroutines.
type Pool struct {
	command []string
	options Options

	places  chan struct{} // one token a child at work
	context context.Context
	close   context.CancelFunc
	working sync.WaitGroup // calls and idle timers

	mu       sync.Mutex
	closed   bool
	idle     []*process
	spawning chan func() // runs on the spawner's thread; nil before the first child
	spawner  chan struct{}
}

// New makes a pool whose children run command, which must call
// child.ServeChild on its standard input and output. Nothing is started before
// the first message. Close it after use.
func New(command []string, options Options) *Pool {
	options.fillIn()
	p := &Pool{command: command, options: options, places: make(chan struct{}, options.Children)}
	p.context, p.close = context.WithCancel(context.Background())
	return p
}

// Close stops all children, also those at work, whose messages fail with
// ErrClosed, and waits until nothing of them is left.
func (p *Pool) Close() error {
	p.mu.Lock()
	p.closed = true
	idle := p.idle
	p.idle = nil
	p.mu.Unlock()
	p.close()
	for _, c := range idle {
		if c.timer.Stop() {
			p.working.Done()
		}
		c.stop()
	}
	p.working.Wait()
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.spawning != nil {
		close(p.spawning)
		<-p.spawner
		p.spawning = nil
	}
	return nil
}

// DecodeValues decodes a GRIB2 message that holds one field. The values stand
// in the order of the file, in the unit of the GRIB2 tables, NaN where missing.
//
// What is wrong with the message is a *ingest.FormatError without File and
// Message, which only the caller knows; its Offset counts from the start of the
// message. Other errors: the context's own, ErrClosed, or that no child could
// be started.
func (p *Pool) DecodeValues(ctx context.Context, message []byte) ([]float64, error) {
	points, err := p.points(message)
	if err != nil {
		return nil, err
	}
	var values []float64
	request := [][]byte{binary.LittleEndian.AppendUint64(nil, uint64(points)), message}
	err = p.exchange(ctx, frame.DecodeGRIB, request, func(r io.Reader, h frame.Header) (err error) {
		if h.Kind != frame.Values {
			return fmt.Errorf("reply of kind %d: %w", h.Kind, frame.ErrProtocol)
		}
		values, err = frame.ReadValues(r, h, points)
		return err
	})
	if err != nil {
		return nil, err
	}
	return values, nil
}

// DecodeBUFR unpacks one BUFR message, replications marked. Errors are those of
// DecodeValues.
func (p *Pool) DecodeBUFR(ctx context.Context, message []byte) (bufr.Decoded, error) {
	if err := p.short(message); err != nil {
		return bufr.Decoded{}, err
	}
	if _, errs := bufr.Messages("", message); len(errs) > 0 {
		return bufr.Decoded{}, errs[0]
	}
	var decoded bufr.Decoded
	err := p.exchange(ctx, frame.DecodeBUFR, [][]byte{message}, func(r io.Reader, h frame.Header) error {
		if h.Kind != frame.Subsets {
			return fmt.Errorf("reply of kind %d: %w", h.Kind, frame.ErrProtocol)
		}
		payload, err := frame.ReadPayload(r, h, p.options.ReplyBytes)
		if err != nil {
			return err
		}
		decoded, err = frame.ParseDecoded(payload)
		return err
	})
	if err != nil {
		return bufr.Decoded{}, err
	}
	decoded.MarkReplications()
	return decoded, nil
}

// exchange sends one request and reads the reply with read. A child that does
// anything but answer is put down, and the message fails.
func (p *Pool) exchange(ctx context.Context, kind frame.Kind, request [][]byte, read func(io.Reader, frame.Header) error) error {
	p.mu.Lock()
	if p.closed {
		p.mu.Unlock()
		return ErrClosed
	}
	p.working.Add(1)
	p.mu.Unlock()
	defer p.working.Done()

	select {
	case p.places <- struct{}{}:
		defer func() { <-p.places }()
	case <-ctx.Done():
		return context.Cause(ctx)
	case <-p.context.Done():
		return ErrClosed
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	c, err := p.child()
	if err != nil {
		return err
	}

	late, cancel := context.WithTimeout(ctx, p.options.MessageTime)
	defer cancel()
	kill := func() { c.kill() }
	disarmLate := context.AfterFunc(late, kill)
	disarmClose := context.AfterFunc(p.context, kill)

	c.stderr.reset()
	failure, err := c.ask(kind, request, read)
	notLate, notClosed := disarmLate(), disarmClose()
	if err == nil && notLate && notClosed {
		p.rest(c)
		return failure
	}

	if errors.Is(err, frame.ErrProtocol) {
		c.kill()
	}
	end := c.stop()
	if err == nil { // answered just before it was killed
		return failure
	}
	switch {
	case p.context.Err() != nil:
		return ErrClosed
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case late.Err() != nil:
		end = fmt.Sprintf("killed: no answer within %v", p.options.MessageTime)
	case errors.Is(err, frame.ErrProtocol):
		end = "killed: " + err.Error()
	}
	if said := c.stderr.last(); said != "" {
		end += "; it said: " + said
	}
	return &ingest.FormatError{Detail: end, Err: ingest.ErrDecoderDied}
}

// child gives an idle child or starts one.
func (p *Pool) child() (*process, error) {
	for {
		p.mu.Lock()
		if n := len(p.idle); n > 0 {
			c := p.idle[n-1]
			p.idle = p.idle[:n-1]
			p.mu.Unlock()
			if c.timer.Stop() {
				p.working.Done()
			}
			if c.dead() { // killed from outside while idle: no message's fault
				c.stop()
				continue
			}
			return c, nil
		}
		if p.spawning == nil {
			p.spawning, p.spawner = make(chan func()), make(chan struct{})
			go spawn(p.spawning, p.spawner)
		}
		spawning := p.spawning
		p.mu.Unlock()

		var c *process
		var err error
		done := make(chan struct{})
		spawning <- func() {
			c, err = start(p.command, p.options)
			close(done)
		}
		<-done
		if err != nil {
			return nil, fmt.Errorf("starting a decoder process: %w", err)
		}
		return c, nil
	}
}

// spawn starts the children. The parent-death signal is sent when the thread
// ends that started the child, not the process, so this thread stays.
func spawn(work <-chan func(), done chan<- struct{}) {
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	defer close(done)
	for start := range work {
		start()
	}
}

// rest puts c among the idle children until the idle time is over.
func (p *Pool) rest(c *process) {
	p.mu.Lock()
	if p.closed {
		p.mu.Unlock()
		c.stop()
		return
	}
	defer p.mu.Unlock()
	p.working.Add(1)
	c.timer = time.AfterFunc(p.options.IdleTime, func() {
		defer p.working.Done()
		p.mu.Lock()
		at := slices.Index(p.idle, c)
		if at >= 0 {
			p.idle = slices.Delete(p.idle, at, at+1)
		}
		p.mu.Unlock()
		if at >= 0 {
			c.stop()
		}
	})
	p.idle = append(p.idle, c)
}

// short refuses messages of impossible lengths.
func (p *Pool) short(message []byte) error {
	if len(message) > p.options.MessageBytes {
		return &ingest.FormatError{Detail: fmt.Sprintf("message of %d bytes, at most %d are accepted", len(message), p.options.MessageBytes), Err: ingest.ErrUnsupported}
	}
	return nil
}

// points reads how many grid points the message announces: section 3, octets 7
// to 10 (FM 92 GRIB edition 2). The reply must have exactly as many values.
func (p *Pool) points(message []byte) (int, error) {
	if err := p.short(message); err != nil {
		return 0, err
	}
	fail := func(at int, reason error, format string, args ...any) (int, error) {
		return 0, &ingest.FormatError{Offset: int64(at), Detail: fmt.Sprintf(format, args...), Err: reason}
	}
	if len(message) < 16+5 {
		return fail(len(message), ingest.ErrTruncated, "GRIB message of %d bytes", len(message))
	}
	if string(message[:4]) != "GRIB" {
		return fail(0, ingest.ErrCorrupt, "starts with %q, not GRIB", message[:4])
	}
	if message[7] != 2 {
		return fail(7, ingest.ErrUnsupported, "GRIB edition %d", message[7])
	}
	if length := binary.BigEndian.Uint64(message[8:]); length != uint64(len(message)) {
		return fail(8, ingest.ErrCorrupt, "length of message %d, it has %d bytes", length, len(message))
	}
	for at := 16; len(message)-at >= 5; {
		length, number := binary.BigEndian.Uint32(message[at:]), message[at+4]
		if length < 5 || uint64(length) > uint64(len(message)-at) {
			return fail(at, ingest.ErrCorrupt, "length of section %d is %d, %d bytes left", number, length, len(message)-at)
		}
		if number == 3 {
			if length < 14 {
				return fail(at, ingest.ErrCorrupt, "length of section 3 is %d, at least 14", length)
			}
			points := binary.BigEndian.Uint32(message[at+6:])
			if uint64(points) > uint64(p.options.Values) {
				return fail(at+6, ingest.ErrUnsupported, "%d grid points, at most %d are accepted", points, p.options.Values)
			}
			return int(points), nil
		}
		at += int(length)
	}
	return fail(len(message), ingest.ErrCorrupt, "no section 3")
}
