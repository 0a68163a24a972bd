package operate

import (
	"context"
	"fmt"
	"log/slog"
	"os"
	"os/signal"
	"sync"
	"syscall"
	"time"
)

// ShutdownOptions of Shutdown; zero values stand for the defaults.
type ShutdownOptions struct {
	// Grace is how long the process may take to finish: 30 s.
	Grace time.Duration
	// Log is told of signals; nil for nowhere.
	Log *slog.Logger
	// Asked is called at the first signal, before the context ends: sd_notify's
	// Stopping, for example.
	Asked func()

	exit func(status int) // os.Exit but in tests
}

// StatusLate is the exit status of a process that was not done when its grace
// was over.
const StatusLate = 3

// SignalError is the cause of a context that a signal ended.
type SignalError struct{ Signal os.Signal }

func (e *SignalError) Error() string { return fmt.Sprintf("asked to stop by %s", e.Signal) }

// Shutdown gives a context that ends at the first SIGTERM or SIGINT, with a
// *SignalError as its cause. The process should then finish what it has begun
// and return. A second signal ends it at once with status 128 and the signal's
// number, as a shell has it, and the end of the grace time with StatusLate.
// release takes the signals back; call it when all is done.
func Shutdown(ctx context.Context, o ShutdownOptions) (stopping context.Context, release func()) {
	if o.Grace <= 0 {
		o.Grace = 30 * time.Second
	}
	if o.exit == nil {
		o.exit = os.Exit
	}
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	stopping, cancel := context.WithCancelCause(ctx)
	signals := make(chan os.Signal, 2)
	signal.Notify(signals, syscall.SIGTERM, syscall.SIGINT)
	released := make(chan struct{})
	go func() {
		var first os.Signal
		select {
		case first = <-signals:
		case <-released:
			return
		}
		log.Info("stopping; a second signal stops at once", "signal", first.String(), "grace", o.Grace)
		if o.Asked != nil {
			o.Asked()
		}
		cancel(&SignalError{first})
		timer := time.NewTimer(o.Grace)
		defer timer.Stop()
		select {
		case second := <-signals:
			log.Warn("stopped at once", "signal", second.String())
			status := 1
			if number, ok := second.(syscall.Signal); ok {
				status = 128 + int(number)
			}
			o.exit(status)
		case <-timer.C:
			log.Error("not done within the grace time; stopped", "grace", o.Grace)
			o.exit(StatusLate)
		case <-released:
		}
	}()
	var once sync.Once
	return stopping, func() {
		once.Do(func() {
			signal.Stop(signals)
			close(released)
			cancel(nil)
		})
	}
}
