package cfgrid

import (
	"context"
	"runtime"
	"sync"
)

// jobs reach the one thread that may enter the netCDF library.
var jobs = make(chan func())

var startThread = sync.OnceFunc(func() {
	go func() {
		// Never unlocked: HDF5 switches its error printing off by thread.
		runtime.LockOSThread()
		for job := range jobs {
			job()
		}
	}()
})

// OnThread runs a job on the one thread that may enter the netCDF library, for
// those who write files. See onThread.
func OnThread(ctx context.Context, job func() error) error { return onThread(ctx, job) }

// onThread runs a job on the library's thread and waits for its end. A context
// that ends while the thread is busy with other jobs ends the waiting; a job
// that has begun is not interrupted.
func onThread(ctx context.Context, job func() error) error {
	if err := ctx.Err(); err != nil {
		return err
	}
	startThread()
	var err error
	done := make(chan any, 1)
	select {
	case <-ctx.Done():
		return ctx.Err()
	case jobs <- func() {
		defer func() { done <- recover() }()
		err = job()
	}:
	}
	if p := <-done; p != nil {
		panic(p) // in the goroutine that asked, not on the shared thread
	}
	return err
}
