package alert

import (
	"bufio"
	"context"
	"crypto/tls"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"errors"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"
)

// mailServer is an SMTP server (RFC 5321) on the loopback that can misbehave.
type mailServer struct {
	listener net.Listener
	config   *tls.Config
	// implicit TLS; starttls is offered; replies replace the answer to a command;
	// dieAt is the command at which the connection is cut; slowAt the one that gets
	// no answer.
	implicit, starttls bool
	replies            map[string]string
	dieAt, slowAt      string

	mutex    sync.Mutex
	letters  []string
	commands []string
	secure   []bool // whether each letter came encrypted
}

func certificate(t testing.TB) (*tls.Config, string) {
	t.Helper()
	s := httptest.NewTLSServer(http.NotFoundHandler())
	defer s.Close()
	file := filepath.Join(t.TempDir(), "ca.pem")
	if err := os.WriteFile(file, pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: s.Certificate().Raw}), 0o600); err != nil {
		t.Fatal(err)
	}
	return &tls.Config{Certificates: s.TLS.Certificates}, file
}

func (s *mailServer) start(t testing.TB) string {
	t.Helper()
	var err error
	if s.listener, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { s.listener.Close() })
	go func() {
		for {
			connection, err := s.listener.Accept()
			if err != nil {
				return
			}
			go s.serve(connection)
		}
	}()
	return s.listener.Addr().String()
}

func (s *mailServer) serve(connection net.Conn) {
	defer connection.Close()
	_ = connection.SetDeadline(time.Now().Add(10 * time.Second))
	encrypted := s.implicit
	if s.implicit {
		connection = tls.Server(connection, s.config)
	}
	in := bufio.NewReader(connection)
	say := func(text string) { _, _ = io.WriteString(connection, text+"\r\n") }
	if s.slowAt == "greeting" {
		_, _ = in.ReadString('\n')
		return
	}
	say("220 mail.larkspur.example")
	for {
		text, err := in.ReadString('\n')
		if err != nil {
			return
		}
		verb := strings.ToUpper(strings.Fields(text + " x")[0])
		s.mutex.Lock()
		s.commands = append(s.commands, strings.TrimSpace(text))
		s.mutex.Unlock()
		if verb == s.dieAt {
			return
		}
		if verb == s.slowAt {
			_, _ = in.ReadString('\n')
			return
		}
		if reply, ok := s.replies[verb]; ok {
			say(reply)
			continue
		}
		switch verb {
		case "EHLO":
			if s.starttls && !encrypted {
				say("250-mail\r\n250-STARTTLS\r\n250 8BITMIME")
			} else {
				say("250-mail\r\n250 AUTH PLAIN")
			}
		case "STARTTLS":
			say("220 go ahead")
			connection = tls.Server(connection, s.config)
			in, encrypted = bufio.NewReader(connection), true
		case "AUTH":
			if text, _ := base64.StdEncoding.DecodeString(strings.Fields(text)[2]); string(text) == "\x00duty\x00the password" {
				say("235 welcome")
			} else {
				say("535 no: " + strings.TrimSpace(string(text)))
			}
		case "DATA":
			say("354 go on")
			var letter strings.Builder
			for {
				text, err := in.ReadString('\n')
				if err != nil {
					return
				}
				if s.dieAt == "LETTER" {
					return
				}
				if text == ".\r\n" {
					break
				}
				letter.WriteString(strings.TrimPrefix(text, "."))
			}
			if s.dieAt == "TAKEN" {
				return
			}
			s.mutex.Lock()
			s.letters, s.secure = append(s.letters, letter.String()), append(s.secure, encrypted)
			s.mutex.Unlock()
			say("250 taken")
		case "QUIT":
			say("221 bye")
			return
		default:
			say("250 fine")
		}
	}
}

func secretFile(t testing.TB, text string) string {
	t.Helper()
	file := filepath.Join(t.TempDir(), "secret")
	if err := os.WriteFile(file, []byte(text+"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	return file
}

func anAlert(t testing.TB) Alert {
	t.Helper()
	e := engine(t, dutyConfig())
	_, alerts := e.Step(State{}, holds(criterion("creek", OutcomeHeld, "saddlehorn")), at(0, 0))
	return alerts[0]
}

func TestEmailRoute(t *testing.T) {
	config, ca := certificate(t)
	a := anAlert(t)
	for _, test := range []struct {
		name      string
		server    *mailServer
		security  string
		plain     bool
		user      string
		password  string
		delivered bool
		permanent bool
	}{
		{"starttls and password", &mailServer{starttls: true}, "starttls", false, "duty", "the password", true, false},
		{"tls", &mailServer{implicit: true}, "tls", false, "duty", "the password", true, false},
		{"no encryption offered", &mailServer{}, "starttls", false, "", "", false, true},
		{"no encryption, allowed", &mailServer{}, "starttls", true, "", "", true, false},
		{"plain, allowed", &mailServer{starttls: true}, "plain", true, "", "", true, false},
		{"password in the clear", &mailServer{}, "starttls", true, "duty", "the password", false, true},
		{"wrong password", &mailServer{starttls: true}, "starttls", false, "duty", "another password", false, true},
		{"reader unknown", &mailServer{starttls: true, replies: map[string]string{"RCPT": "550 no such reader"}}, "starttls", false, "", "", false, true},
		{"try later", &mailServer{starttls: true, replies: map[string]string{"MAIL": "451 later"}}, "starttls", false, "", "", false, false},
		{"dies at once", &mailServer{starttls: true, dieAt: "EHLO"}, "starttls", false, "", "", false, false},
		{"dies in the letter", &mailServer{starttls: true, dieAt: "LETTER"}, "starttls", false, "", "", false, false},
		{"dies before it takes it", &mailServer{starttls: true, dieAt: "TAKEN"}, "starttls", false, "", "", false, false},
		{"slow to greet", &mailServer{slowAt: "greeting"}, "starttls", true, "", "", false, false},
		{"slow to take", &mailServer{starttls: true, slowAt: "RCPT"}, "starttls", false, "", "", false, false},
	} {
		t.Run(test.name, func(t *testing.T) {
			t.Parallel()
			test.server.config = config
			spec := RouteSpec{ID: "desk", Kind: "email", Server: test.server.start(t), Security: test.security, AllowPlain: test.plain, CAFile: ca,
				From: "Seeding <seeding@larkspur.example>", To: []string{"duty@larkspur.example", "Chief <chief@larkspur.example>"}}
			if test.user != "" {
				spec.User, spec.PasswordFile = test.user, secretFile(t, test.password)
			}
			route, err := newEmail(spec)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithTimeout(context.Background(), 2*time.Second)
			defer cancel()
			err = route.Send(ctx, a, Text(a, denver))
			if (err == nil) != test.delivered || errors.Is(err, ErrPermanent) != test.permanent {
				t.Errorf("%v, want delivered %v, permanent %v", err, test.delivered, test.permanent)
			}
			if err != nil && test.password != "" && (strings.Contains(err.Error(), test.password) || strings.Contains(err.Error(), base64.StdEncoding.EncodeToString([]byte(test.password)))) {
				t.Errorf("the password is in the error %v", err)
			}
			test.server.mutex.Lock()
			defer test.server.mutex.Unlock()
			if !test.delivered {
				if len(test.server.letters) != 0 {
					t.Errorf("%d letters were taken", len(test.server.letters))
				}
				return
			}
			if len(test.server.letters) != 1 || !strings.Contains(test.server.letters[0], "HOLD, do not seed") || test.server.secure[0] != !test.plain {
				t.Errorf("letters %q, encrypted %v", test.server.letters, test.server.secure)
			}
			if !slices.Contains(test.server.commands, "RCPT TO:<chief@larkspur.example>") {
				t.Errorf("commands %q", test.server.commands)
			}
		})
	}
	// A certificate of nobody that is trusted: nothing is sent.
	s := &mailServer{starttls: true, config: config}
	route, err := newEmail(RouteSpec{ID: "desk", Server: s.start(t), Security: "starttls", From: "a@b.example", To: []string{"c@d.example"}})
	if err != nil {
		t.Fatal(err)
	}
	if err := route.Send(context.Background(), a, Text(a, denver)); err == nil || len(s.letters) > 0 {
		t.Errorf("sent to a server that is not who it says: %v", err)
	}
}

func TestWebhookRoute(t *testing.T) {
	a := anAlert(t)
	m := Text(a, denver)
	key := "0123456789abcdef-key"
	var mutex sync.Mutex
	var bodies []string
	var headers []http.Header
	elsewhere := httptest.NewServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) {
		mutex.Lock()
		defer mutex.Unlock()
		bodies = append(bodies, "elsewhere")
	}))
	defer elsewhere.Close()
	server := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		mutex.Lock()
		bodies, headers = append(bodies, string(body)), append(headers, r.Header.Clone())
		mutex.Unlock()
		switch r.URL.Path {
		case "/redirect":
			http.Redirect(w, r, elsewhere.URL, http.StatusTemporaryRedirect)
		case "/busy":
			w.WriteHeader(http.StatusServiceUnavailable)
		case "/many":
			w.WriteHeader(http.StatusTooManyRequests)
		case "/gone":
			w.WriteHeader(http.StatusGone)
		case "/dies":
			connection, _, _ := w.(http.Hijacker).Hijack()
			_, _ = io.WriteString(connection, "HTTP/1.1 200 OK\r\nContent-Len")
			connection.Close()
		case "/slow":
			select {
			case <-r.Context().Done():
			case <-time.After(3 * time.Second):
			}
		case "/endless":
			for k := 0; k < 1000; k++ {
				if _, err := w.Write(make([]byte, 64<<10)); err != nil {
					return
				}
			}
		}
	}))
	defer server.Close()
	hosts := []string{"127.0.0.1"}
	for _, test := range []struct {
		path                 string
		delivered, permanent bool
	}{{"/ok", true, false}, {"/endless", true, false}, {"/redirect", false, true}, {"/busy", false, false}, {"/many", false, false}, {"/gone", false, true}, {"/dies", false, false}, {"/slow", false, false}} {
		bodies, headers = nil, nil
		route, err := newWebhook(RouteSpec{ID: "hook", URLFile: secretFile(t, server.URL+test.path+"?k=hidden-part"), AllowPlain: true, SecretFile: secretFile(t, key)}, hosts)
		if err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(context.Background(), 500*time.Millisecond)
		err = route.Send(ctx, a, m)
		cancel()
		if (err == nil) != test.delivered || errors.Is(err, ErrPermanent) != test.permanent {
			t.Errorf("%s: %v, want delivered %v, permanent %v", test.path, err, test.delivered, test.permanent)
		}
		if err != nil && (strings.Contains(err.Error(), "hidden-part") || strings.Contains(err.Error(), key)) {
			t.Errorf("a secret is in the error %v", err)
		}
		mutex.Lock()
		if len(bodies) != 1 {
			t.Errorf("%s: %d requests, %q", test.path, len(bodies), bodies)
		} else {
			h := headers[0]
			if err := VerifyWebhook(NewSecret(key), h.Get(TimestampHeader), h.Get(SignatureHeader), []byte(bodies[0]), time.Now(), time.Minute); err != nil {
				t.Error(err)
			}
			if err := VerifyWebhook(NewSecret(key), h.Get(TimestampHeader), h.Get(SignatureHeader), []byte(bodies[0]+" "), time.Now(), time.Minute); err == nil {
				t.Error("a changed body is taken")
			}
			if err := VerifyWebhook(NewSecret(key), h.Get(TimestampHeader), h.Get(SignatureHeader), []byte(bodies[0]), time.Now().Add(time.Hour), time.Minute); err == nil {
				t.Error("an old timestamp is taken")
			}
			if h.Get("Idempotency-Key") != `"`+a.ID+`"` {
				t.Errorf("idempotency key %s", h.Get("Idempotency-Key"))
			}
			var posted Posted
			if err := json.Unmarshal([]byte(bodies[0]), &posted); err != nil || posted.Alert.ID != a.ID || posted.Message.Subject != m.Subject {
				t.Errorf("posted %+v, %v", posted, err)
			}
		}
		mutex.Unlock()
	}
	for name, spec := range map[string]RouteSpec{
		"another host":   {URL: "https://elsewhere.example/x"},
		"user in it":     {URL: "https://a:b@127.0.0.1/x"},
		"http":           {URL: "http://127.0.0.1/x"},
		"file":           {URL: "file:///etc/passwd"},
		"host as a tail": {URL: "https://127.0.0.1.evil.example/"},
	} {
		spec.SecretFile = secretFile(t, key)
		if _, err := newWebhook(spec, hosts); err == nil {
			t.Errorf("%s: taken", name)
		}
	}
	if _, err := newWebhook(RouteSpec{URL: server.URL, AllowPlain: true, SecretFile: secretFile(t, "short")}, hosts); err == nil {
		t.Error("a short key is taken")
	}
}

// HMAC-SHA256 test case 2 of RFC 4231: key "Jefe", data "what do ya want for
// nothing?".
func TestSignatureIsHMAC(t *testing.T) {
	got := NewSecret("Jefe").mac([]byte("what do ya want "), []byte("for nothing?"))
	const want = "5bdcc146bf60754e6a042426089575c75a003f089d2739839dec58b964ec3843"
	if !equalHex(want, got) {
		t.Errorf("%x, want %s", got, want)
	}
}

func TestCommandRoute(t *testing.T) {
	t.Setenv("RIMELINE_NATS_PASSWORD", "never to be seen")
	a := anAlert(t)
	a.Sites[0].Name = `$(touch x); "quoted" 'and' \ more`
	m := Text(a, denver)
	script := func(text string) string {
		file := filepath.Join(t.TempDir(), "program")
		if err := os.WriteFile(file, []byte("#!/bin/sh\n"+text), 0o700); err != nil {
			t.Fatal(err)
		}
		return file
	}
	out := filepath.Join(t.TempDir(), "out")
	route := newCommand(RouteSpec{Command: []string{script(`{ for a in "$@"; do echo "<$a>"; done; env; pwd; cat; } > ` + out), "--say", "{short}", "{id} of {kind}"}})
	if err := route.Send(context.Background(), a, m); err != nil {
		t.Fatal(err)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatal(err)
	}
	text := string(b)
	for _, want := range []string{"<--say>\n", "<" + m.Short + ">\n", "<" + a.ID + " of hold-raised>\n", `"alert":{"id":"` + a.ID} {
		if !strings.Contains(text, want) {
			t.Errorf("no %q in\n%s", want, text)
		}
	}
	if strings.Contains(text, "never to be seen") {
		t.Error("the environment carries a secret")
	}
	for name, test := range map[string]struct {
		program string
		want    string
	}{
		"fails":             {"echo broken >&2; exit 3", "exit status 3: broken"},
		"talks much":        {"yes | head -c 1000000; exit 1", "exit status 1"},
		"never ends":        {"sleep 60 & sleep 60", "did not end in time"},
		"reads not":         {"exit 0", ""},
		"leaves one behind": {"sleep 60 & exit 0", ""},
	} {
		ctx, cancel := context.WithTimeout(context.Background(), 700*time.Millisecond)
		begun := time.Now()
		err := newCommand(RouteSpec{Command: []string{script(test.program)}}).Send(ctx, a, m)
		cancel()
		if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want) || len(err.Error()) > 500) {
			t.Errorf("%s: %v, want %q", name, err, test.want)
		}
		if time.Since(begun) > 20*time.Second {
			t.Errorf("%s: its children were waited for", name)
		}
	}
	if err := newCommand(RouteSpec{Command: []string{"/no/such/program"}}).Send(context.Background(), a, m); !errors.Is(err, ErrPermanent) {
		t.Errorf("a program that is not there: %v", err)
	}
}
