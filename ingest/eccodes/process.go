package eccodes

import (
	"bufio"
	"errors"
	"fmt"
	"io"
	"os"
	"os/exec"
	"strings"
	"sync"
	"syscall"
	"time"
	"unicode"

	"golang.org/x/sys/unix"

	"rimeline/ingest"
	"rimeline/ingest/eccodes/internal/frame"
)

// process is one child. One goroutine at a time asks it; kill and stop may be
// called from any.
type process struct {
	command *exec.Cmd
	stdin   *os.File // our ends of its pipes
	stdout  *os.File
	in      *bufio.Reader
	stderr  *tail
	timer   *time.Timer // while idle
	exited  chan struct{}
	waited  error
	once    sync.Once
}

// pipeBytes is asked of the kernel for each pipe; the default, 64 KiB, costs a
// switch of processes 16 times as often.
const pipeBytes = 1 << 20

// start runs a child and sets its bounds before it has anything to read.
func start(command []string, options Options) (*process, error) {
	c := &process{command: exec.Command(command[0], command[1:]...), stderr: &tail{}, exited: make(chan struct{})}
	theirIn, ourIn, err := os.Pipe()
	if err != nil {
		return nil, err
	}
	ourOut, theirOut, err := os.Pipe()
	if err != nil {
		theirIn.Close()
		ourIn.Close()
		return nil, err
	}
	for _, f := range []*os.File{ourIn, ourOut} {
		if raw, err := f.SyscallConn(); err == nil {
			// Without the larger pipe it is only slower.
			_ = raw.Control(func(fd uintptr) { _, _ = unix.FcntlInt(fd, unix.F_SETPIPE_SZ, pipeBytes) })
		}
	}
	c.stdin, c.stdout, c.in = ourIn, ourOut, bufio.NewReaderSize(ourOut, 64<<10)
	c.command.Stdin, c.command.Stdout, c.command.Stderr = theirIn, theirOut, c.stderr
	c.command.Env = append(environment(), options.Env...)
	c.command.SysProcAttr = &syscall.SysProcAttr{Pdeathsig: syscall.SIGKILL}
	c.command.WaitDelay = time.Second
	err = c.command.Start()
	theirIn.Close()
	theirOut.Close()
	if err != nil {
		ourIn.Close()
		ourOut.Close()
		return nil, err
	}
	// Before Wait, so that the number is still that of the child even if it has
	// ended already, which the first message will find out.
	bounds := boundMemory(c.command.Process.Pid, options.MemoryBytes)
	go func() {
		c.waited = c.command.Wait()
		close(c.exited)
	}()
	if bounds != nil {
		c.kill()
		return nil, fmt.Errorf("bounding it: %w (%s)", bounds, c.stop())
	}
	return c, nil
}

// environment is what a child gets to know of the program's own: no more than
// the libraries need, for the child reads bytes from strangers.
func environment() []string {
	env := []string{"GOMAXPROCS=1"} // it decodes one message at a time
	for _, v := range os.Environ() {
		if strings.HasPrefix(v, "ECCODES_") || strings.HasPrefix(v, "LD_LIBRARY_PATH=") || strings.HasPrefix(v, "GOCOVERDIR=") {
			env = append(env, v)
		}
	}
	return env
}

// boundMemory bounds what the process may write to, in memory and to files.
func boundMemory(pid int, bytes uint64) error {
	for _, bound := range []struct {
		resource int
		most     uint64
	}{{unix.RLIMIT_DATA, bytes}, {unix.RLIMIT_CORE, 0}, {unix.RLIMIT_FSIZE, 0}} {
		err := unix.Prlimit(pid, bound.resource, &unix.Rlimit{Cur: bound.most, Max: bound.most}, nil)
		if err != nil && err != unix.ESRCH {
			return err
		}
	}
	return nil
}

// ask sends one request. The first result is what the child says of the
// message; the second, that the child itself failed.
func (c *process) ask(kind frame.Kind, request [][]byte, read func(io.Reader, frame.Header) error) (failure, err error) {
	if err := frame.Write(c.stdin, kind, request...); err != nil {
		return nil, err
	}
	h, err := frame.ReadHeader(c.in)
	if err != nil {
		return nil, err
	}
	if h.Kind != frame.Failure {
		return nil, read(c.in, h)
	}
	payload, err := frame.ReadPayload(c.in, h, 2000)
	if err != nil {
		return nil, err
	}
	reason, text, err := frame.ParseFailure(payload)
	if err != nil {
		return nil, err
	}
	if said := c.stderr.last(); said != "" && !strings.Contains(text, said) {
		text += "; " + said
	}
	failed := &ingest.FormatError{Detail: text, Err: ingest.ErrCorrupt}
	if reason == frame.Unsupported {
		failed.Err = ingest.ErrUnsupported
	}
	return failed, nil
}

// kill ends the child at once; who waits for its answer sees the pipe close.
func (c *process) kill() {
	_ = c.command.Process.Kill()
}

// dead says that the child has ended.
func (c *process) dead() bool {
	select {
	case <-c.exited:
		return true
	default:
		return false
	}
}

// stop ends the child if it has not ended, waits for it and says how it ended.
// An idle child sees its input close and leaves by itself; after a moment, and
// when it is at work, it is killed.
func (c *process) stop() string {
	c.once.Do(func() {
		c.stdin.Close()
		select {
		case <-c.exited:
		case <-time.After(500 * time.Millisecond):
			c.kill()
			<-c.exited
		}
		c.stdout.Close()
	})
	<-c.exited
	var exit *exec.ExitError
	switch state := c.command.ProcessState; {
	case state == nil:
		return fmt.Sprintf("ended: %v", c.waited)
	case errors.As(c.waited, &exit):
		return exit.ProcessState.String() // "signal: aborted", "exit status 2"
	default:
		return state.String()
	}
}

// tail keeps the end of what a child writes to its standard error.
type tail struct {
	mu sync.Mutex
	b  []byte
}

// tailBytes is kept; a child can write without end.
const tailBytes = 4 << 10

func (t *tail) Write(b []byte) (int, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	n := len(b)
	if len(b) > tailBytes {
		b = b[len(b)-tailBytes:]
	}
	if over := len(t.b) + len(b) - tailBytes; over > 0 {
		t.b = append(t.b[:0], t.b[over:]...)
	}
	t.b = append(t.b, b...)
	return n, nil
}

func (t *tail) reset() {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.b = t.b[:0]
}

// last is the last line with anything in it, at most 300 bytes of it.
func (t *tail) last() string {
	t.mu.Lock()
	defer t.mu.Unlock()
	lines := strings.Split(strings.TrimSpace(string(t.b)), "\n")
	line := strings.Join(strings.Fields(lines[len(lines)-1]), " ")
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return -1
	}, line[:min(len(line), 300)])
}
