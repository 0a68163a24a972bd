package operate

import (
	"context"
	"encoding/json"
	"io"
	"net"
	"net/http"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

func get(t *testing.T, url string) (int, string) {
	t.Helper()
	response, err := http.Get(url)
	if err != nil {
		t.Fatal(err)
	}
	defer response.Body.Close()
	b, err := io.ReadAll(response.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response.StatusCode, string(b)
}

type reply struct {
	Status string
	Checks []Check
}

func wantReply(t *testing.T, url string, code int, status string) reply {
	t.Helper()
	got, body := get(t, url)
	var r reply
	if err := json.Unmarshal([]byte(body), &r); err != nil {
		t.Fatalf("%v: %s", err, body)
	}
	if got != code || r.Status != status {
		t.Errorf("%s: %d %q, want %d %q: %s", url, got, r.Status, code, status, body)
	}
	return r
}

// Readiness goes away and comes back with what it rests on.
func TestReadiness(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	stopped := make(chan struct{})
	var connected atomic.Bool
	address, err := Serve(ctx, "127.0.0.1:0", used(), func() []Check {
		return []Check{{Name: "streams", OK: true}, {Name: "bus", OK: connected.Load(), Detail: "nats://u:opensesame@h"}}
	}, ServeOptions{Stopped: func() { close(stopped) }})
	if err != nil {
		t.Fatal(err)
	}
	url := "http://" + address
	r := wantReply(t, url+"/readyz", 503, "not ready")
	if len(r.Checks) != 2 || r.Checks[0].Name != "bus" || strings.Contains(r.Checks[0].Detail, "opensesame") {
		t.Errorf("checks %+v, want the one that fails first, without its password", r.Checks)
	}
	wantReply(t, url+"/healthz", 200, "alive")
	connected.Store(true)
	wantReply(t, url+"/readyz", 200, "ready")
	connected.Store(false)
	wantReply(t, url+"/readyz", 503, "not ready")

	code, body := get(t, url+"/metrics")
	if code != 200 || !strings.Contains(body, `rimeline_sites{programme="demo",state="window"} 1`) || !strings.Contains(body, `version="1.2.3"`) {
		t.Errorf("metrics: %d %.300s", code, body)
	}
	if code, _ := get(t, url+"/elsewhere"); code != 404 {
		t.Errorf("/elsewhere: %d", code)
	}
	response, err := http.Post(url+"/readyz", "text/plain", nil)
	if err != nil {
		t.Fatal(err)
	}
	if response.Body.Close(); response.StatusCode != 405 {
		t.Errorf("POST: %d", response.StatusCode)
	}
	cancel()
	select {
	case <-stopped:
	case <-time.After(10 * time.Second):
		t.Fatal("it serves on after its context ended")
	}
	if conn, err := net.Dial("tcp", address); err == nil {
		conn.Close()
		t.Error("the address still answers")
	}
}

func TestHeartbeats(t *testing.T) {
	var passed atomic.Int64 // nanoseconds
	began := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	beats := &Heartbeats{now: func() time.Time { return began.Add(time.Duration(passed.Load())) }}
	schedule, worker := beats.Register("schedule", time.Minute), beats.Register("worker", time.Hour)
	address, err := Serve(t.Context(), "localhost:0", NewMetrics(""), nil, ServeOptions{Heartbeats: beats})
	if err != nil {
		t.Fatal(err)
	}
	url := "http://" + address + "/healthz"
	wantReply(t, url, 200, "alive")
	passed.Add(int64(2 * time.Minute))
	if r := wantReply(t, url, 503, "not alive"); r.Checks[0].Name != "schedule" || r.Checks[0].Detail != "silent for 2m0s, at most 1m0s" || !r.Checks[1].OK {
		t.Errorf("checks %+v", r.Checks)
	}
	schedule.Beat()
	wantReply(t, url, 200, "alive")
	passed.Add(int64(2 * time.Hour))
	schedule.Beat()
	wantReply(t, url, 503, "not alive")
	worker.Stop()
	if wantReply(t, url, 200, "alive"); !beats.Alive() {
		t.Error("not alive after the silent one was stopped")
	}
	wantReply(t, "http://"+address+"/readyz", 200, "ready") // nothing was asked for
}

// A check that hangs, or panics, is one that does not hold; those who ask get an
// answer.
func TestChecksThatHang(t *testing.T) {
	hang := make(chan struct{})
	asked := atomic.Int32{}
	p := &probe{patience: 20 * time.Millisecond, asking: make(chan struct{}, 1), checks: func() []Check {
		if asked.Add(1) == 1 {
			<-hang
		}
		return []Check{{Name: "bus", OK: true}}
	}}
	for range 3 {
		if got := p.ask(); allOK(got) || got[0].Detail != "no answer within 20ms" {
			t.Errorf("%+v", got)
		}
	}
	if n := asked.Load(); n != 1 {
		t.Errorf("%d calls hang at once", n)
	}
	close(hang)
	deadline := time.Now().Add(10 * time.Second)
	for !allOK(p.ask()) {
		if time.Now().After(deadline) {
			t.Fatal("does not come back")
		}
	}
	p.checks = func() []Check { panic("oh") }
	if got := p.ask(); allOK(got) || got[0].Detail != "panic: oh" {
		t.Errorf("%+v", got)
	}
}

func TestOnlyThisMachine(t *testing.T) {
	for _, address := range []string{":0", "0.0.0.0:0", "[::]:0", "192.0.2.1:9410", "9410"} {
		if got, err := Serve(t.Context(), address, NewMetrics(""), nil); err == nil {
			t.Errorf("%s: serves on %s", address, got)
		}
	}
	if _, err := Serve(t.Context(), "0.0.0.0:0", NewMetrics(""), nil, ServeOptions{AnyAddress: true}); err != nil {
		t.Errorf("asked for any address: %v", err)
	}
	address, err := Serve(t.Context(), "127.0.0.1:0", NewMetrics(""), nil)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Serve(t.Context(), address, NewMetrics(""), nil); err == nil || !strings.Contains(err.Error(), address) {
		t.Errorf("an address in use: %v", err)
	}
}
