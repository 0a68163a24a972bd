package bus

import (
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
)

// Server is a NATS server in this process. It keeps its streams in files and
// forces every write to the disk before it acknowledges (SyncAlways): by default
// the server syncs every two minutes, and a power cut would lose what was
// acknowledged since. That costs about 0.2 ms a message.
type Server struct {
	dir     string
	lock    *os.File
	options *server.Options
	onLog   func(string)
	// key lets this process in where the server asks others for a password.
	key    nkeys.KeyPair
	public string

	mu      sync.Mutex
	server  *server.Server        // nil after Close
	refusal atomic.Pointer[error] // why it stores no more
}

// ServerOptions of a server in this process. The zero value listens on no port.
type ServerOptions struct {
	// Listen is host:port where other processes may connect; nowhere. Port 0 takes
	// a free one, see Server.Address. Beyond this computer it needs users: a
	// UserFile, or a ConfigFile that names some.
	Listen string
	// ConfigFile is a configuration of nats-server, for users, permissions and TLS.
	// Where streams are kept and that every write is forced to the disk is set here
	// whatever it says; Listen, if given, goes before its addresses. Without Listen
	// its addresses are used.
	ConfigFile string
	// UserFile holds one line user:password, who may do everything.
	UserFile string
	// CertFile and KeyFile make others connect by TLS; CAFile besides asks them
	// for a certificate of that authority.
	CertFile, KeyFile, CAFile string
	// MaxMemoryBytes and MaxStoreBytes bound what streams take of memory and disk;
	// three quarters of what is free when the server starts.
	MaxMemoryBytes, MaxStoreBytes int64
	// OnLog hears the warnings and errors of the server. It must not block.
	OnLog func(text string)
}

// errInUse: two servers on one folder would damage each other's streams.
var errInUse = errors.New("another process keeps its streams there")

// Embedded starts a server that keeps its streams below dir, which is made
// where absent, and listens on no port. Close it, or the folder stays locked.
func Embedded(dir string) (*Server, error) { return EmbeddedWith(dir, ServerOptions{}) }

// EmbeddedWith is Embedded with options.
func EmbeddedWith(dir string, o ServerOptions) (*Server, error) {
	options, err := o.server()
	if err != nil {
		return nil, fmt.Errorf("embedded server in %s: %w", dir, err)
	}
	return embedded(dir, options, o.OnLog)
}

// server is what the options mean to nats-server.
func (o ServerOptions) server() (*server.Options, error) {
	options := &server.Options{DontListen: true}
	if o.ConfigFile != "" {
		var err error
		if options, err = server.ProcessConfigFile(o.ConfigFile); err != nil {
			return nil, err
		}
	}
	if o.MaxMemoryBytes > 0 {
		options.JetStreamMaxMemory = o.MaxMemoryBytes
	}
	if o.MaxStoreBytes > 0 {
		options.JetStreamMaxStore = o.MaxStoreBytes
	}
	if o.UserFile != "" {
		user, password, err := userOfFile(o.UserFile)
		if err != nil {
			return nil, err
		}
		options.Users = append(options.Users, &server.User{Username: user, Password: password})
	}
	if o.CertFile != "" || o.KeyFile != "" {
		var err error
		options.TLSConfig, err = server.GenTLSConfig(&server.TLSConfigOpts{
			CertFile: o.CertFile, KeyFile: o.KeyFile, CaFile: o.CAFile, Verify: o.CAFile != "",
		})
		if err != nil {
			return nil, err
		}
		options.TLSConfig.MinVersion = tls.VersionTLS12
		options.TLS, options.TLSVerify, options.TLSTimeout = true, o.CAFile != "", 5
	}
	if o.Listen == "" {
		return options, nil
	}
	host, port, err := net.SplitHostPort(o.Listen)
	if err != nil {
		return nil, fmt.Errorf("listen address %q is not host:port", o.Listen)
	}
	number, err := strconv.ParseUint(port, 10, 16)
	if err != nil {
		return nil, fmt.Errorf("listen address %q has no port", o.Listen)
	}
	options.DontListen, options.Host, options.Port = false, host, int(number)
	if number == 0 {
		options.Port = server.RANDOM_PORT
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) && !asksForUsers(options) {
		return nil, fmt.Errorf("%s can be reached from other computers: users are needed, from a file user:password or a server configuration", o.Listen)
	}
	return options, nil
}

func asksForUsers(o *server.Options) bool {
	return len(o.Users) > 0 || len(o.Nkeys) > 0 || o.Username != "" || o.Authorization != "" || len(o.TrustedOperators) > 0
}

func embedded(dir string, options *server.Options, onLog func(string)) (*Server, error) {
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
	if options.ServerName == "" {
		options.ServerName = "rimeline"
	}
	options.JetStream, options.StoreDir, options.SyncAlways = true, dir, true
	options.NoSigs, options.NoLog = true, true
	if onLog == nil {
		onLog = func(string) {}
	}
	s := &Server{dir: dir, lock: lock, options: options, onLog: onLog}
	if err = s.identify(options); err == nil {
		err = s.start()
	}
	if err != nil {
		lock.Close()
		return nil, fmt.Errorf("embedded server in %s: %w", dir, err)
	}
	return s, nil
}

// start starts the server itself. s.mu is held, or s not yet shared.
func (s *Server) start() error {
	started, err := server.NewServer(s.options)
	if err != nil {
		return err
	}
	s.refusal.Store(nil)
	started.SetLogger(serverLog{s}, false, false)
	started.Start()
	if !started.ReadyForConnections(20*time.Second) || !started.JetStreamEnabled() {
		started.Shutdown()
		started.WaitForShutdown()
		return errors.New("it is not ready: is the folder writable, the disk full, the port free?")
	}
	s.server = started
	if address, ok := started.Addr().(*net.TCPAddr); ok {
		s.options.Port = address.Port // the same after a Restart
	}
	return nil
}

// ErrStoreBroken: a write of the server to its files failed, and it stores nothing
// more until it is started again.
var ErrStoreBroken = errors.New("the server's files cannot be written")

// serverLog hears what the server says. That a write failed it tells nowhere
// else: publishers get no answer.
type serverLog struct{ of *Server }

func (l serverLog) Errorf(format string, v ...any) {
	text := fmt.Sprintf(format, v...)
	for _, sign := range []string{"critical write error", "Critical write error", "will be DISABLED", "disabling JetStream"} {
		if strings.Contains(text, sign) {
			err := fmt.Errorf("%w: %s", ErrStoreBroken, text)
			l.of.refusal.CompareAndSwap(nil, &err)
		}
	}
	l.of.onLog(text)
}

func (l serverLog) Warnf(format string, v ...any)  { l.Errorf(format, v...) }
func (l serverLog) Fatalf(format string, v ...any) { l.Errorf(format, v...) }
func (l serverLog) Noticef(string, ...any)         {}
func (l serverLog) Debugf(string, ...any)          {}
func (l serverLog) Tracef(string, ...any)          {}

// Healthy is nil while the server can store. After a write failed, for a full disk
// above all, the server refuses further writes to that stream, also when there is
// room again: make room, then Restart.
func (s *Server) Healthy() error {
	if err := s.refusal.Load(); err != nil {
		return *err
	}
	s.mu.Lock()
	running := s.server
	s.mu.Unlock()
	if running == nil {
		return errors.New("embedded server: closed")
	}
	if status := running.Healthz(&server.HealthzOptions{}); status.Status != "ok" {
		return fmt.Errorf("embedded server: %s", status.Error)
	}
	return nil
}

// Restart stops the server and starts it again on the same folder and port, which
// mends what Healthy told once its reason is gone. Connections to it stand again
// by themselves, and what is under way is tried again.
func (s *Server) Restart() error {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.server == nil {
		return errors.New("embedded server: closed")
	}
	s.server.Shutdown()
	s.server.WaitForShutdown()
	if err := s.start(); err != nil {
		err = fmt.Errorf("embedded server in %s: %w", s.dir, err)
		s.refusal.Store(&err)
		return err
	}
	return nil
}

// InProcessConn is a connection to the server as it is now; nats.go calls it.
func (s *Server) InProcessConn() (net.Conn, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.server == nil {
		return nil, errors.New("embedded server: closed")
	}
	return s.server.InProcessConn()
}

// identify adds a user for this process, whose key never leaves it, to a server
// that asks for users: in the account of the first user that is not the system's.
func (s *Server) identify(options *server.Options) error {
	if options.Username != "" || options.Authorization != "" {
		return errors.New("one user or token for all is not supported here: name users in the configuration")
	}
	if len(options.Users) == 0 && len(options.Nkeys) == 0 {
		return nil
	}
	var err error
	if s.key, err = nkeys.CreateUser(); err != nil {
		return err
	}
	if s.public, err = s.key.PublicKey(); err != nil {
		return err
	}
	var account *server.Account
	choose := func(a *server.Account) {
		if account == nil && a != nil && a.GetName() != options.SystemAccount {
			account = a
		}
	}
	for _, user := range options.Nkeys {
		choose(user.Account)
	}
	for _, user := range options.Users {
		choose(user.Account)
	}
	options.Nkeys = append(options.Nkeys, &server.NkeyUser{Nkey: s.public, Account: account})
	return nil
}

// identity is how this process shows who it is.
func (s *Server) identity() []nats.Option {
	if s.key == nil {
		return nil
	}
	return []nats.Option{nats.Nkey(s.public, s.key.Sign)}
}

// Address is where other processes connect, empty where the server does not listen.
func (s *Server) Address() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.server == nil {
		return ""
	}
	address := s.server.Addr()
	if address == nil {
		return ""
	}
	scheme := "nats"
	if s.options.TLSConfig != nil {
		scheme = "tls"
	}
	return scheme + "://" + address.String()
}

// Close stops the server after its files are complete. A second Close does nothing.
func (s *Server) Close() {
	if s == nil {
		return
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.server == nil {
		return
	}
	s.server.Shutdown()
	s.server.WaitForShutdown()
	s.lock.Close()
	s.server = nil
}
