package operate

import (
	"context"
	"errors"
	"net"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"
)

func (p *player) ends(t *testing.T, want int) {
	t.Helper()
	_ = p.Wait() // a status other than 0 is an error there
	if got := p.ProcessState.ExitCode(); got != want {
		t.Errorf("exit status %d, want %d (%v)", got, want, p.ProcessState)
	}
}

func TestShutdown(t *testing.T) {
	for _, test := range []struct {
		part    string
		signals []syscall.Signal
		status  int
	}{
		{"quick", []syscall.Signal{syscall.SIGTERM}, 0},
		{"quick", []syscall.Signal{syscall.SIGINT}, 0},
		{"stuck", []syscall.Signal{syscall.SIGTERM, syscall.SIGTERM}, 128 + 15},
		{"stuck", []syscall.Signal{syscall.SIGTERM, syscall.SIGINT}, 128 + 2},
		{"late", []syscall.Signal{syscall.SIGTERM}, StatusLate},
	} {
		p := play(t, "shutdown:"+test.part)
		p.says(t, "runs")
		for k, s := range test.signals {
			if err := p.Process.Signal(s); err != nil {
				t.Fatal(err)
			}
			if k > 0 {
				continue
			}
			p.says(t, "asked")
			p.says(t, "cause: asked to stop by "+s.String())
		}
		if test.status == 0 {
			p.says(t, "done")
		}
		p.ends(t, test.status)
	}
}

func TestShutdownWithoutSignal(t *testing.T) {
	parent, cancel := context.WithCancel(t.Context())
	ctx, release := Shutdown(parent, ShutdownOptions{exit: func(status int) { t.Errorf("exit with %d", status) }})
	defer release()
	cancel()
	<-ctx.Done()
	var s *SignalError
	if errors.As(context.Cause(ctx), &s) {
		t.Errorf("cause %v without a signal", s)
	}
	release()
	release()
}

func TestNotifier(t *testing.T) {
	path := filepath.Join(t.TempDir(), "notify")
	socket, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: path, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer socket.Close()
	hears := func(want string) {
		t.Helper()
		b := make([]byte, 1000)
		if err := socket.SetReadDeadline(time.Now().Add(10 * time.Second)); err != nil {
			t.Fatal(err)
		}
		n, err := socket.Read(b)
		if err != nil || string(b[:n]) != want {
			t.Errorf("heard %q, %v, want %q", b[:n], err, want)
		}
	}
	t.Setenv("NOTIFY_SOCKET", path)
	t.Setenv("WATCHDOG_USEC", "20000")
	t.Setenv("WATCHDOG_PID", "")
	n := NewNotifier()
	for _, test := range []struct {
		send func() error
		want string
	}{{n.Ready, "READY=1"}, {func() error { return n.Status("two\nlines") }, `STATUS=two\nlines`}, {n.Stopping, "STOPPING=1"}} {
		if err := test.send(); err != nil {
			t.Error(err)
		}
		hears(test.want)
	}
	ctx, cancel := context.WithCancel(t.Context())
	asked := 0
	done := make(chan struct{})
	go func() {
		defer close(done)
		n.Watchdog(ctx, func() bool { asked++; return asked != 2 }) // once silent
	}()
	hears("WATCHDOG=1")
	hears("WATCHDOG=1")
	cancel()
	<-done
	if asked < 3 {
		t.Errorf("heard two beats after asking %d times, of which one was silent", asked)
	}

	t.Setenv("WATCHDOG_PID", "1")
	if other := NewNotifier(); other.watchdog != 0 {
		t.Error("took another process's watchdog")
	}
	if err := os.Unsetenv("NOTIFY_SOCKET"); err != nil {
		t.Fatal(err)
	}
	if err := NewNotifier().Ready(); err != nil {
		t.Errorf("nobody listens: %v", err)
	}
	(&Notifier{watchdog: time.Second}).Watchdog(t.Context(), nil) // returns at once
}
