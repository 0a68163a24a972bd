package cfgrid

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os/exec"
	"runtime"
	"strings"
	"syscall"
	"time"

	"rimeline/ingest"
)

// Prober opens netCDF-4 files of untrusted origin. It has a child process read
// the whole file first: on about one of 200 to 1000 files with one to three
// damaged bytes libnetcdf 4.9.0 with HDF5 1.10.8 touches memory that is not its
// own, which no Go program survives, or never returns. Only what the child has
// read without harm is opened here, where the library does the same over again.
//
// Classic files need no child: their header is checked before the library
// sees it.
type Prober struct {
	// Command runs the child, which must call ServeProbe on its standard input
	// and output.
	Command []string
	// Time that the child may take, 60 s where 0.
	Time time.Duration
	// MemoryBytes that it may write to (RLIMIT_DATA); where 0, 2 GiB and four times
	// the file, of which the library and the child hold a copy each.
	MemoryBytes uint64
}

// Open is the function Open with the child in front. A child that dies is an
// *ingest.FormatError of reason ingest.ErrDecoderDied; one that cannot be
// started is another error.
func (p Prober) Open(ctx context.Context, file string, b []byte) (*File, error) {
	if _, err := check(file, b, int64(len(b))); err != nil {
		return nil, err
	}
	if !isClassic(b) {
		if err := p.probe(ctx, file, b); err != nil {
			return nil, err
		}
	}
	return Open(file, b)
}

// verdict is the child's answer.
type verdict struct {
	Read   bool   // all of it, without harm
	Detail string // else what is wrong,
	Reason string // by the names of reasons
	Offset int64  // and where
}

var reasons = map[string]error{
	"truncated": ingest.ErrTruncated, "unsupported": ingest.ErrUnsupported, "corrupt": ingest.ErrCorrupt,
}

func (p Prober) probe(ctx context.Context, file string, b []byte) error {
	if len(p.Command) == 0 {
		return errors.New("no command for the child process that reads netCDF-4")
	}
	limit, memory := p.Time, p.MemoryBytes
	if limit <= 0 {
		limit = time.Minute
	}
	if memory == 0 {
		memory = 2<<30 + 4*uint64(len(b))
	}
	late, cancel := context.WithTimeout(ctx, limit)
	defer cancel()
	child := exec.CommandContext(late, p.Command[0], p.Command[1:]...)
	// The child dies with the thread that started it, which waits for it here.
	child.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	runtime.LockOSThread()
	defer runtime.UnlockOSThread()
	head := fmt.Appendf(nil, "%016x%016x", memory, len(b))
	child.Stdin = io.MultiReader(bytes.NewReader(head), bytes.NewReader(b))
	var answer, complaint bytes.Buffer
	child.Stdout, child.Stderr = &capped{&answer, 1 << 16}, &capped{&complaint, 1 << 16}
	err := child.Run()
	var v verdict
	if json.Unmarshal(answer.Bytes(), &v) == nil && err == nil {
		if v.Read {
			return nil
		}
		if reason := reasons[v.Reason]; reason != nil {
			return &ingest.FormatError{File: file, Offset: min(max(v.Offset, 0), int64(len(b))), Detail: v.Detail, Err: reason}
		}
	}
	var exit *exec.ExitError
	switch {
	case ctx.Err() != nil:
		return context.Cause(ctx)
	case late.Err() != nil:
		err = fmt.Errorf("no answer within %v", limit)
	case err != nil && child.ProcessState == nil:
		return fmt.Errorf("starting the process that reads netCDF-4: %w", err)
	case errors.As(err, &exit):
		first, _, _ := strings.Cut(complaint.String(), "\n")
		err = fmt.Errorf("%v, %s", exit.ProcessState, first)
	case err == nil:
		err = errors.New("no verdict")
	}
	return &ingest.FormatError{File: file, Detail: err.Error(), Err: ingest.ErrDecoderDied}
}

// capped keeps the first bytes written and drops the rest.
type capped struct {
	to   *bytes.Buffer
	left int
}

func (c *capped) Write(b []byte) (int, error) {
	kept := b[:min(len(b), c.left)]
	c.left -= len(kept)
	c.to.Write(kept)
	return len(b), nil
}

// ServeProbe is the child: it bounds its own memory, reads a file from in, does
// with it all that a parent may do, and writes its verdict to out.
func ServeProbe(in io.Reader, out io.Writer) error {
	head := make([]byte, 32)
	if _, err := io.ReadFull(in, head); err != nil {
		return err
	}
	var memory, length uint64
	if _, err := fmt.Sscanf(string(head), "%016x%016x", &memory, &length); err != nil {
		return err
	}
	if err := syscall.Setrlimit(syscall.RLIMIT_DATA, &syscall.Rlimit{Cur: memory, Max: memory}); err != nil {
		return err
	}
	if length > memory {
		return fmt.Errorf("a file of %d bytes in %d of memory", length, memory)
	}
	b := make([]byte, length)
	if _, err := io.ReadFull(in, b); err != nil {
		return err
	}
	v := verdict{Read: true}
	if err := readAll(b); err != nil {
		v = verdict{Detail: err.Error(), Reason: "corrupt"}
		var format *ingest.FormatError
		if errors.As(err, &format) {
			v.Detail, v.Offset = format.Detail, format.Offset
		}
		for name, reason := range reasons {
			if errors.Is(err, reason) {
				v.Reason = name
			}
		}
	}
	return json.NewEncoder(out).Encode(v)
}

// readAll opens a file and reads all of its fields and variables. What one
// variable refuses, another may still give, so only opening it can fail.
func readAll(b []byte) error {
	ctx := context.Background()
	f, err := Open("probed", b)
	if err != nil {
		return err
	}
	for n := 1; n <= f.fields; n++ {
		_, _ = f.Field(ctx, n, Options{})
	}
	for _, v := range f.variables {
		switch {
		case !v.isNumeric():
			_, _ = f.Strings(ctx, v.name)
		case f.auxiliary[v]:
			_, _ = f.Values(ctx, v.name)
		}
	}
	return f.Close()
}
