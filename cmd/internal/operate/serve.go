package operate

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"strings"
	"time"

	"github.com/prometheus/client_golang/prometheus/promhttp"
)

// DefaultAddress is where metrics and health are served.
const DefaultAddress = "127.0.0.1:9410"

// ServeOptions of Serve; the zero value is for most.
type ServeOptions struct {
	// Heartbeats that /healthz looks at.
	Heartbeats *Heartbeats
	// AnyAddress allows one that other machines reach. Nothing here asks for a
	// password.
	AnyAddress bool
	// Log is told of requests that failed inside; nil for nowhere.
	Log *slog.Logger
	// Stopped is called when the last connection is closed, after the context
	// ended.
	Stopped func()
}

const (
	// readyPatience is how long /readyz waits for its checks, and stopPatience how
	// long connections get to end.
	readyPatience = 3 * time.Second
	stopPatience  = 3 * time.Second
)

// Serve answers on an address ("" for DefaultAddress, port 0 for any free one),
// until the context ends:
//
//	/metrics   for Prometheus
//	/healthz   200 while the process lives and its loops move, else 503
//	/readyz    200 while every check of ready holds, else 503
//
// The latter two give what they looked at as JSON. It returns the address once
// the socket listens. An address beyond this machine is refused unless the
// options ask for it.
func Serve(ctx context.Context, address string, m *Metrics, ready func() []Check, options ...ServeOptions) (string, error) {
	var o ServeOptions
	if len(options) > 0 {
		o = options[0]
	}
	if address == "" {
		address = DefaultAddress
	}
	if !o.AnyAddress {
		if err := loopback(ctx, address); err != nil {
			return "", err
		}
	}
	var listening net.ListenConfig
	listener, err := listening.Listen(ctx, "tcp", address)
	if err != nil {
		return "", fmt.Errorf("metrics and health on %s: %w", address, err)
	}
	log := o.Log
	if log == nil {
		log = slog.New(slog.DiscardHandler)
	}
	errorLog := slog.NewLogLogger(log.Handler(), slog.LevelWarn)
	server := &http.Server{
		Handler:           handler(m, &probe{checks: ready, patience: readyPatience, asking: make(chan struct{}, 1)}, o.Heartbeats, errorLog),
		ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute,
		MaxHeaderBytes: 16 << 10, ErrorLog: errorLog,
	}
	failed := make(chan struct{})
	go func() {
		defer close(failed)
		if err := server.Serve(listener); !errors.Is(err, http.ErrServerClosed) {
			log.Error("metrics and health are no longer served", "error", err)
		}
	}()
	go func() {
		select {
		case <-ctx.Done():
		case <-failed:
		}
		patience, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopPatience)
		defer cancel()
		if server.Shutdown(patience) != nil {
			_ = server.Close() // what is left is told to nobody
		}
		<-failed
		if o.Stopped != nil {
			o.Stopped()
		}
	}()
	return listener.Addr().String(), nil
}

// loopback refuses what others can reach.
func loopback(ctx context.Context, address string) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("metrics and health: address %q: want host:port", address)
	}
	refused := fmt.Errorf("metrics and health on %s would answer other machines, and ask nobody for a password: use an address of this machine such as %s, or allow any address", address, DefaultAddress)
	if host == "" {
		return refused
	}
	if ip := net.ParseIP(host); ip != nil {
		if !ip.IsLoopback() {
			return refused
		}
		return nil
	}
	patience, cancel := context.WithTimeout(ctx, 5*time.Second)
	defer cancel()
	addresses, err := net.DefaultResolver.LookupIPAddr(patience, host)
	if err != nil {
		return fmt.Errorf("metrics and health: %w", err)
	}
	for _, a := range addresses {
		if !a.IP.IsLoopback() {
			return refused
		}
	}
	return nil
}

func handler(m *Metrics, ready *probe, beats *Heartbeats, errorLog promhttp.Logger) http.Handler {
	mux := http.NewServeMux()
	mux.Handle("GET /metrics", promhttp.HandlerFor(m.Registry, promhttp.HandlerOpts{
		ErrorLog: errorLog, ErrorHandling: promhttp.ContinueOnError, MaxRequestsInFlight: 4, Timeout: 10 * time.Second, Registry: m.Registry,
	}))
	mux.HandleFunc("GET /healthz", func(w http.ResponseWriter, r *http.Request) { answer(w, "alive", beats.Checks()) })
	mux.HandleFunc("GET /readyz", func(w http.ResponseWriter, r *http.Request) { answer(w, "ready", ready.ask()) })
	mux.HandleFunc("GET /{$}", func(w http.ResponseWriter, r *http.Request) {
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		_, _ = fmt.Fprintln(w, strings.Join([]string{"/metrics", "/healthz", "/readyz"}, "\n"))
	})
	return mux
}

// answer gives the checks, those that do not hold first.
func answer(w http.ResponseWriter, what string, checks []Check) {
	status, code := what, http.StatusOK
	if !allOK(checks) {
		status, code = "not "+what, http.StatusServiceUnavailable
	}
	sorted := make([]Check, 0, len(checks))
	for _, ok := range []bool{false, true} {
		for _, c := range checks {
			if c.OK == ok {
				c.Detail = Redact(c.Detail)
				sorted = append(sorted, c)
			}
		}
	}
	b, err := json.MarshalIndent(struct {
		Status string  `json:"status"`
		Checks []Check `json:"checks"`
	}{status, sorted}, "", "  ")
	if err != nil {
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(code)
	_, _ = w.Write(append(b, '\n')) // who asked is gone
}

// probe asks for checks, one at a time, and does not wait for ever: a check that
// hangs is one that does not hold.
type probe struct {
	checks   func() []Check
	patience time.Duration
	asking   chan struct{}
}

func (p *probe) ask() []Check {
	if p.checks == nil {
		return []Check{}
	}
	timer := time.NewTimer(p.patience)
	defer timer.Stop()
	late := []Check{{Name: "checks", Detail: fmt.Sprintf("no answer within %s", p.patience)}}
	select {
	case p.asking <- struct{}{}:
	case <-timer.C:
		return late
	}
	answers := make(chan []Check, 1)
	go func() {
		defer func() { <-p.asking }()
		defer func() {
			if x := recover(); x != nil {
				answers <- []Check{{Name: "checks", Detail: fmt.Sprintf("panic: %v", x)}}
			}
		}()
		answers <- p.checks()
	}()
	select {
	case checks := <-answers:
		return checks
	case <-timer.C:
		return late
	}
}
