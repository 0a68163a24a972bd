package operate

import (
	"context"
	"fmt"
	"net"
	"os"
	"strconv"
	"time"
)

// Notifier tells systemd how the service does, by the protocol of sd_notify(3).
// Where nobody listens (no NOTIFY_SOCKET) it does nothing.
type Notifier struct {
	socket   string
	watchdog time.Duration
}

// NewNotifier reads NOTIFY_SOCKET, WATCHDOG_USEC and WATCHDOG_PID.
func NewNotifier() *Notifier {
	n := &Notifier{socket: os.Getenv("NOTIFY_SOCKET")}
	usec, err := strconv.ParseInt(os.Getenv("WATCHDOG_USEC"), 10, 64)
	pid := os.Getenv("WATCHDOG_PID")
	if err == nil && usec > 0 && usec < 1<<50 && (pid == "" || pid == strconv.Itoa(os.Getpid())) {
		n.watchdog = time.Duration(usec) * time.Microsecond
	}
	return n
}

func (n *Notifier) send(state string) error {
	if n.socket == "" {
		return nil
	}
	// A leading @ is an abstract socket, for net as for systemd.
	conn, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: n.socket, Net: "unixgram"})
	if err != nil {
		return fmt.Errorf("sd_notify: %w", err)
	}
	defer conn.Close()
	if _, err := conn.Write([]byte(state)); err != nil {
		return fmt.Errorf("sd_notify: %w", err)
	}
	return nil
}

// Ready says that the service has started.
func (n *Notifier) Ready() error { return n.send("READY=1") }

// Stopping says that it is on its way down.
func (n *Notifier) Stopping() error { return n.send("STOPPING=1") }

// Status is one line for systemctl status.
func (n *Notifier) Status(text string) error { return n.send("STATUS=" + oneLine(text)) }

// Watchdog says twice as often as systemd wants to hear it that the service
// lives, as long as alive is true, and returns when the context ends; at once
// where no watchdog is asked for. After that, or with alive false, systemd
// restarts the service: give it a context that outlasts the shutdown.
func (n *Notifier) Watchdog(ctx context.Context, alive func() bool) {
	if n.watchdog <= 0 || n.socket == "" {
		return
	}
	ticker := time.NewTicker(n.watchdog / 2)
	defer ticker.Stop()
	for {
		if alive() {
			_ = n.send("WATCHDOG=1") // not heard is what the watchdog is for
		}
		select {
		case <-ctx.Done():
			return
		case <-ticker.C:
		}
	}
}
