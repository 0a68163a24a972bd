package bus

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
)

// Server is a NATS server in this process that listens on no port. It keeps its
// streams in files and forces every write to the disk before it acknowledges
// (SyncAlways): by default the server syncs every two minutes, and a power cut
// would lose what was acknowledged since. That costs about 0.2 ms a message.
type Server struct {
	server *server.Server
	lock   *os.File
}

// errInUse: two servers on one folder would damage each other's streams.
var errInUse = errors.New("another process keeps its streams there")

// Embedded starts a server that keeps its streams below dir, which is made
// where absent. Close it, or the folder stays locked.
func Embedded(dir string) (*Server, error) {
	return embedded(dir, func(o *server.Options) { o.DontListen = true })
}

func embedded(dir string, change func(*server.Options)) (*Server, error) {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	lock, err := os.OpenFile(filepath.Join(dir, "lock"), os.O_CREATE|os.O_RDWR, 0o644)
	if err != nil {
		return nil, err
	}
	if err := syscall.Flock(int(lock.Fd()), syscall.LOCK_EX|syscall.LOCK_NB); err != nil {
		lock.Close()
		return nil, fmt.Errorf("embedded server in %s: %w", dir, errInUse)
	}
	options := &server.Options{
		ServerName: "rimeline", JetStream: true, StoreDir: dir, SyncAlways: true, NoSigs: true, NoLog: true,
	}
	change(options)
	s, err := server.NewServer(options)
	if err != nil {
		lock.Close()
		return nil, fmt.Errorf("embedded server in %s: %w", dir, err)
	}
	s.Start()
	if !s.ReadyForConnections(20*time.Second) || !s.JetStreamEnabled() {
		s.Shutdown()
		s.WaitForShutdown()
		lock.Close()
		return nil, fmt.Errorf("embedded server in %s is not ready: is the folder writable, the disk full?", dir)
	}
	return &Server{server: s, lock: lock}, nil
}

// Close stops the server after its files are complete. A second Close does nothing.
func (s *Server) Close() {
	if s == nil || s.server == nil {
		return
	}
	s.server.Shutdown()
	s.server.WaitForShutdown()
	s.lock.Close()
	s.server = nil
}
