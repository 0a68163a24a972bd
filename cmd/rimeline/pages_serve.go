package main

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"sync"
	"time"
)

// Of the socket; common practice, no source.
const (
	pagesConnections = 200
	pagesStopTime    = 3 * time.Second
)

// servePages answers on o.address until ctx ends, and gives the address once the
// socket listens (port 0 is any free one). Pages ask nobody for a password, so an
// address beyond this computer is refused unless anyAddress is set: reach them
// through a proxy that knows its readers. done closes when nothing is answered any more.
func (s *service) servePages(ctx context.Context, o pagesOptions, anyAddress bool) (address string, done <-chan struct{}, err error) {
	host, _, err := net.SplitHostPort(o.address)
	if err != nil {
		return "", nil, fmt.Errorf("pages: address %q: want host:port", o.address)
	}
	if ip := net.ParseIP(host); !anyAddress && host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return "", nil, fmt.Errorf("pages on %s would answer other computers, and ask nobody for a password: use an address of this computer such as 127.0.0.1:9420 with a proxy in front, or allow any address", o.address)
	}
	var listening net.ListenConfig
	listener, err := listening.Listen(ctx, "tcp", o.address)
	if err != nil {
		return "", nil, fmt.Errorf("pages on %s: %w", o.address, err)
	}
	server := &http.Server{
		Handler: s.pages(o), ReadHeaderTimeout: 5 * time.Second, ReadTimeout: 10 * time.Second, WriteTimeout: 30 * time.Second, IdleTimeout: time.Minute,
		MaxHeaderBytes: pagesHeaderBytes, ErrorLog: slog.NewLogLogger(s.log.Handler(), slog.LevelDebug),
	}
	failed, ended := make(chan struct{}), make(chan struct{})
	go func() {
		defer close(failed)
		if err := server.Serve(newLimitedListener(listener, pagesConnections)); !errors.Is(err, http.ErrServerClosed) {
			s.log.Error("pages are no longer served", "error", err)
		}
	}()
	go func() {
		defer close(ended)
		select {
		case <-ctx.Done():
		case <-failed:
		}
		patience, cancel := context.WithTimeout(context.WithoutCancel(ctx), pagesStopTime)
		defer cancel()
		if server.Shutdown(patience) != nil {
			_ = server.Close() // what is left is told to nobody
		}
		<-failed
	}()
	return listener.Addr().String(), ended, nil
}

// limitedListener has so many connections at a time; further ones wait.
type limitedListener struct {
	net.Listener
	free   chan struct{}
	closed chan struct{}
	once   sync.Once
}

func newLimitedListener(l net.Listener, most int) *limitedListener {
	return &limitedListener{Listener: l, free: make(chan struct{}, most), closed: make(chan struct{})}
}

// Accept waits for room, then for a connection.
func (l *limitedListener) Accept() (net.Conn, error) {
	select {
	case l.free <- struct{}{}:
	case <-l.closed:
		return nil, net.ErrClosed
	}
	c, err := l.Listener.Accept()
	if err != nil {
		<-l.free
		return nil, err
	}
	return &limitedConnection{Conn: c, release: func() { <-l.free }}, nil
}

// Close ends a wait for room, too.
func (l *limitedListener) Close() error {
	l.once.Do(func() { close(l.closed) })
	return l.Listener.Close()
}

type limitedConnection struct {
	net.Conn
	once    sync.Once
	release func()
}

// Close makes room for another.
func (c *limitedConnection) Close() error {
	err := c.Conn.Close()
	c.once.Do(c.release)
	return err
}
