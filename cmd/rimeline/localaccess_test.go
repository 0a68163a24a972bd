package main

import (
	"context"
	"encoding/json"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"rimeline/seedability/bus"
)

// A service with a bus of its own is found by its data folder, lets in who may read
// the access file, and nobody else.
func TestLocalAccess(t *testing.T) {
	s := openService(t)
	path := filepath.Join(s.data, accessFile)
	info, err := os.Stat(path)
	if err != nil || info.Mode().Perm() != 0o600 {
		t.Errorf("%v %v", info, err)
	}
	line := string(content(t, path))
	user, password, _ := strings.Cut(strings.TrimSpace(line), ":")
	if user != localUser || len(password) < 40 {
		t.Errorf("access file %q", line)
	}
	var address localAddress
	if err := json.Unmarshal(content(t, filepath.Join(s.data, addressFile)), &address); err != nil || !strings.HasPrefix(address.Address, "nats://127.0.0.1:") || address.OwnUsers {
		t.Errorf("%+v %v", address, err)
	}
	if text := string(content(t, filepath.Join(s.data, addressFile))); strings.Contains(text, password) {
		t.Error("the address file holds the password")
	}
	for name, options := range map[string][]nats.Option{
		"nobody":         nil,
		"wrong password": {nats.UserInfo(localUser, "guess")},
		"other user":     {nats.UserInfo("admin", password)},
	} {
		if c, err := nats.Connect(address.Address, options...); err == nil {
			c.Close()
			t.Errorf("%s was let in", name)
		}
	}
	// Other programs may be given the file.
	connection, err := bus.Connect(t.Context(), address.Address, bus.Options{UserFile: path})
	if err != nil {
		t.Fatal(err)
	}
	connection.Close()
	got := rimeline(t, "follow", "--nats", address.Address, "--since", "1h")
	expect(t, "without a password", got, statusFailed, "leave --nats out, and name its data folder with --data")
	s.put(bus.Order, "set", time.Now(), map[string]any{})
	for _, got := range []outcome{s.at("hold", "list"), s.at("hold", "set", "--by", "Ada", "--reason", "x", "--site", "a b"), got} {
		if strings.Contains(got.stdout+got.stderr, password) {
			t.Errorf("the password was printed: %+v", got)
		}
	}
	s.end()
	for _, name := range []string{accessFile, addressFile} {
		if _, err := os.Stat(filepath.Join(s.data, name)); !os.IsNotExist(err) {
			t.Errorf("%s after the end: %v", name, err)
		}
	}
	// Anew at each start.
	again := openServiceIn(t, s.data, bus.ServerOptions{})
	if now := string(content(t, path)); now == line {
		t.Error("the password of the last time")
	}
	expect(t, "again", again.at("hold", "list"), statusFine, "dale")
}

// Without --data the usual folders are looked into; what is there is said, and what
// to do.
func TestLocalAccessIsFound(t *testing.T) {
	home, system := t.TempDir(), t.TempDir()
	t.Setenv("STATE_DIRECTORY", "")
	t.Setenv("XDG_STATE_HOME", home)
	defer func(before string) { systemFolder = before }(systemFolder)
	systemFolder = system
	usual := filepath.Join(home, "rimeline")
	const todo = "start one (rimeline watch), name its folder with --data DIR, or name the bus with --nats URL"
	expect(t, "absent", rimeline(t, "hold", "list"), statusFailed, "no service with a bus of its own runs with the data folder "+usual, todo)
	expect(t, "absent folder", rimeline(t, "ack", "--data", filepath.Join(home, "none"), "--by", "Ada"), statusFailed, "no service with a bus of its own runs", todo)
	expect(t, "a file", rimeline(t, "hold", "list", "--data", write(t, "file", []byte("x"))), statusFailed, "no service with a bus of its own runs", todo)

	s := openServiceIn(t, system, bus.ServerOptions{})
	s.put(bus.Order, "set", time.Now(), map[string]any{})
	expect(t, "of the service manager", rimeline(t, "hold", "list"), statusFine, "dale")
	if err := os.MkdirAll(usual, 0o755); err != nil {
		t.Fatal(err)
	}
	own := openServiceIn(t, usual, bus.ServerOptions{})
	own.put(bus.Score, "hut", time.Now(), map[string]any{})
	own.put(bus.Order, "set", time.Now(), map[string]any{})
	expect(t, "ours before that", rimeline(t, "hold", "list", "--all"), statusFine, "dale")
	own.end()
	s.end()
	expect(t, "ended", rimeline(t, "hold", "list"), statusFailed, todo)

	// Killed: the files stay, the port is dead.
	for name, text := range map[string]string{accessFile: "local:x\n", addressFile: `{"address":"nats://127.0.0.1:1"}`} {
		if err := os.WriteFile(filepath.Join(usual, name), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	expect(t, "killed", rimeline(t, "hold", "list"), statusFailed, "the service with the data folder "+usual, "did it end without putting its things away?")
	for text, says := range map[string]string{
		`{"address":"nats://10.1.2.3:4222"}`:                  "does not name an address of this computer",
		`{"address":"tls://127.0.0.1:4222","own_users":true}`: "has users of its own (--server-config): connect with --nats tls://127.0.0.1:4222 and --creds",
		`{}`:                              "does not say where a service listens",
		strings.Repeat("x", 5000):         "at most 4096 are read",
		`{"address":"nats://\u001b[31m"}`: "does not name an address",
	} {
		if err := os.WriteFile(filepath.Join(usual, addressFile), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		expect(t, text, rimeline(t, "hold", "list"), statusFailed, says)
	}
	if os.Getuid() != 0 { // who may read everything
		if err := os.Chmod(filepath.Join(usual, addressFile), 0); err != nil {
			t.Fatal(err)
		}
		expect(t, "of another", rimeline(t, "hold", "list"), statusFailed, "not yours to read")
	}
	expect(t, "secrets without an address", rimeline(t, "hold", "list", "--user-file", "x"), statusUsage, "need --nats URL")
	expect(t, "elsewhere", rimeline(t, "hold", "list", "--nats", "nats://127.0.0.1:1"), statusFailed, "127.0.0.1:1")
}

// Where the server has users of its own nothing is made, and it is said where it is.
func TestLocalAccessOfServerWithUsers(t *testing.T) {
	data := t.TempDir()
	config := write(t, "users.conf", []byte(`accounts { A { jetstream: enabled, users: [ {user: ann, password: "sesame"} ] } }`+"\n"))
	if err := os.WriteFile(filepath.Join(data, accessFile), []byte("local:old\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s := openServiceIn(t, data, bus.ServerOptions{ConfigFile: config, Listen: "127.0.0.1:0"})
	if _, err := os.Stat(filepath.Join(data, accessFile)); !os.IsNotExist(err) {
		t.Errorf("access file: %v", err)
	}
	expect(t, "own users", s.at("hold", "list"), statusFailed, "users of its own (--server-config)", "--nats nats://127.0.0.1:")
	a, err := readLocalAddress(data)
	if err != nil {
		t.Fatal(err)
	}
	s.put(bus.Order, "set", time.Now(), map[string]any{})
	expect(t, "as told", rimeline(t, "hold", "list", "--nats", a.Address, "--user-file", write(t, "user", []byte("ann:sesame\n"))), statusFine, "dale")
	s.end()
	if _, err := os.Stat(filepath.Join(data, addressFile)); !os.IsNotExist(err) {
		t.Errorf("address after the end: %v", err)
	}

	// To be reached from elsewhere it needs users; the generated one is not for that.
	o := bus.ServerOptions{Listen: "0.0.0.0:0"}
	access, err := openLocalAccess(t.TempDir(), &o)
	if err != nil || o.UserFile != "" {
		t.Errorf("%+v %v", o, err)
	}
	defer access.Close()
	if server, err := bus.EmbeddedWith(t.TempDir(), o); err == nil {
		server.Close()
		t.Error("a bus for everybody was opened")
	}
}

// Who follows a service finds it again after a restart, at another port and with
// another password.
func TestLocalAccessAfterRestart(t *testing.T) {
	s := openService(t)
	ctx, stop := context.WithCancel(t.Context())
	reader := &lines{}
	done := make(chan int, 1)
	go func() {
		done <- run(ctx, []string{"follow", "--kind", "ack", "--json", "--since", "1h", "--data", s.data}, reader, reader)
	}()
	ack := func(s *aService, by string) {
		s.put(bus.Ack, bus.Whole, time.Now(), map[string]any{"programme": "dale", "alert": "a", "by": by, "at": time.Now().UTC()})
	}
	ack(s, "before")
	until(t, 10*time.Second, "the first", func() bool { return strings.Contains(reader.String(), "before") })
	s.end()
	time.Sleep(time.Second) // it tries meanwhile
	again := openServiceIn(t, s.data, bus.ServerOptions{})
	ack(again, "after")
	t.Logf("found again after %v", until(t, 30*time.Second, "what came after the restart", func() bool { return strings.Contains(reader.String(), `"by":"after"`) }))
	stop()
	if status := <-done; status != statusFine || strings.Count(reader.String(), "before") != 1 {
		t.Errorf("status %d:\n%s", status, reader)
	}
}
