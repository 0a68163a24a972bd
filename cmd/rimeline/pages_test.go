package main

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"iter"
	"log/slog"
	"net"
	"net/http"
	"net/http/httptest"
	"net/url"
	"regexp"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"rimeline/cmd/internal/clock"
	"rimeline/cmd/internal/pages"
	"rimeline/cmd/internal/pages/invented"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// stillClock stands, until a test moves it.
type stillClock struct {
	clock.Clock
	mutex sync.Mutex
	now   time.Time
}

func (c *stillClock) Now() time.Time {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	return c.now
}

func (c *stillClock) set(now time.Time) {
	c.mutex.Lock()
	defer c.mutex.Unlock()
	c.now = now
}

// pagesNight is an invented night on a bus of its own, and its pages.
type pagesNight struct {
	storm  *invented.Storm
	bus    *bus.Bus
	server *bus.Server
	clock  *stillClock
	signer *alert.Signer
	log    *lockedText
	o      pagesOptions
	pages  http.Handler
	web    *httptest.Server

	mutex sync.Mutex
	acks  []message.Ack
	fail  error
}

// lockedText is a log that several may write.
type lockedText struct {
	mutex sync.Mutex
	text  []byte
}

func (l *lockedText) Write(b []byte) (int, error) {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	l.text = append(l.text, b...)
	return len(b), nil
}

func (l *lockedText) String() string {
	l.mutex.Lock()
	defer l.mutex.Unlock()
	return string(l.text)
}

func newPagesNight(t testing.TB, sites int, change func(*invented.Storm)) *pagesNight {
	t.Helper()
	storm, err := invented.New("larkspur", sites)
	if err != nil {
		t.Fatal(err)
	}
	if change != nil {
		change(storm)
	}
	n := &pagesNight{storm: storm, clock: &stillClock{now: invented.Night}, log: &lockedText{}}
	if n.server, err = bus.Embedded(t.TempDir()); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(n.server.Close)
	if n.bus, err = n.server.Connect(t.Context(), bus.Options{StoreBytes: 1 << 30}); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(n.bus.Close)
	if err := n.bus.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	n.publishAll(t)
	t.Setenv("RIMELINE_TEST_ACK_KEY", "an invented key of some length")
	if n.signer, err = alert.NewSigner(&alert.Acknowledge{URL: "https://seeding.example/ack", SecretEnv: "RIMELINE_TEST_ACK_KEY"}); err != nil {
		t.Fatal(err)
	}
	n.o = pagesOptions{programmes: []*programme.Programme{storm.Programme}, signers: map[string]*alert.Signer{storm.Programme.ID: n.signer},
		publishAck: func(_ context.Context, a message.Ack) error {
			n.mutex.Lock()
			defer n.mutex.Unlock()
			if n.fail == nil {
				n.acks = append(n.acks, a)
			}
			return n.fail
		}}
	n.serve(t)
	return n
}

// serve starts the pages with the options as they are.
func (n *pagesNight) serve(t testing.TB) {
	s := &service{clock: n.clock, bus: n.bus, log: slog.New(slog.NewTextHandler(n.log, nil))}
	n.pages = s.pages(n.o)
	n.web = httptest.NewServer(n.pages)
	t.Cleanup(n.web.Close)
}

func (n *pagesNight) publish(t testing.TB, kind bus.Kind, token string, at time.Time, data any) {
	t.Helper()
	e, err := bus.NewEvent(kind, n.storm.Programme.ID, token, at, data)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := n.bus.Publish(t.Context(), e); err != nil {
		t.Fatal(err)
	}
	if kind.Latest != "" {
		if err := n.bus.PutLatest(t.Context(), e); err != nil {
			t.Fatal(err)
		}
	}
}

func (n *pagesNight) publishAll(t testing.TB) {
	t.Helper()
	for id, a := range n.storm.Scores {
		n.publish(t, bus.Score, id, a.AsOf, a)
	}
	for id, o := range n.storm.Outlooks {
		n.publish(t, bus.Outlook, id, o.IssuedAt, o)
	}
	for id, a := range n.storm.Advices {
		n.publish(t, bus.Advice, id, invented.Night, a)
	}
	n.publish(t, bus.Hold, bus.Whole, n.storm.Holds.At, n.storm.Holds)
	n.publish(t, bus.Conditions, bus.Whole, n.storm.Conditions.AsOf, n.storm.Conditions)
	for _, a := range n.storm.Alerts {
		n.publish(t, bus.Alert, string(a.Kind), a.Raised, a)
	}
	for _, a := range n.storm.Acks {
		n.publish(t, bus.Ack, bus.Whole, a.At, a)
	}
	for _, d := range n.storm.Deliveries {
		n.publish(t, bus.Delivery, d.Route, d.At, d)
	}
}

// response of a page.
type response struct {
	status int
	header http.Header
	body   string
}

func (n *pagesNight) ask(t testing.TB, method, path string, form url.Values, change ...func(*http.Request)) response {
	t.Helper()
	var body io.Reader
	if form != nil {
		body = strings.NewReader(form.Encode())
	}
	r, err := http.NewRequestWithContext(t.Context(), method, n.web.URL+path, body)
	if err != nil {
		t.Fatal(err)
	}
	if form != nil {
		r.Header.Set("Content-Type", "application/x-www-form-urlencoded")
	}
	for _, c := range change {
		c(r)
	}
	client := &http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }, Transport: &http.Transport{DisableCompression: true, DisableKeepAlives: true}}
	got, err := client.Do(r)
	if err != nil {
		t.Fatal(err)
	}
	defer got.Body.Close()
	text, err := io.ReadAll(got.Body)
	if err != nil {
		t.Fatal(err)
	}
	return response{got.StatusCode, got.Header, string(text)}
}

func (n *pagesNight) get(t testing.TB, path string) response {
	t.Helper()
	return n.ask(t, http.MethodGet, path, nil)
}

func (n *pagesNight) recorded() []message.Ack {
	n.mutex.Lock()
	defer n.mutex.Unlock()
	return append([]message.Ack{}, n.acks...)
}

func host(name string) func(*http.Request) { return func(r *http.Request) { r.Host = name } }

func header(name, value string) func(*http.Request) {
	return func(r *http.Request) { r.Header.Set(name, value) }
}

var links = regexp.MustCompile(`href="([^"]*)"`)

// Every link on every page leads somewhere within, whatever page one begins with;
// also where a proxy has put the pages below a path of its own.
func TestPagesLeadSomewhere(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	for _, below := range []string{"", "/winter/larkspur"} {
		proxy := httptest.NewServer(http.StripPrefix(below, n.pages))
		seen, next := map[string]bool{}, []string{below + "/"}
		for len(next) > 0 {
			at := next[0]
			next = next[1:]
			if seen[at] {
				continue
			}
			seen[at] = true
			got, err := http.Get(proxy.URL + at)
			if err != nil {
				t.Fatal(err)
			}
			body, _ := io.ReadAll(got.Body)
			got.Body.Close()
			if got.StatusCode != http.StatusOK {
				t.Errorf("%s: status %d", at, got.StatusCode)
			}
			base, _ := url.Parse(at)
			if !strings.HasPrefix(got.Header.Get("Content-Type"), "text/html") {
				continue
			}
			for _, link := range links.FindAllStringSubmatch(string(body), -1) {
				if strings.HasPrefix(link[1], "#") {
					continue
				}
				to, err := base.Parse(link[1])
				if err != nil || to.Host != "" || !strings.HasPrefix(to.Path, below+"/") {
					t.Fatalf("%s: a link to %s", at, link[1])
				}
				next = append(next, to.Path)
			}
		}
		proxy.Close()
		// The first page, those of the programme, six sites with two files each, the icon.
		if want := 1 + 4 + 3*6 + 1; len(seen) != want {
			t.Errorf("%d pages below %q, want %d: %v", len(seen), below, want, seen)
		}
	}
}

func TestPagesShowTheBus(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	for path, wants := range map[string][]string{
		"/":                        {"All sites", "Saddlehorn Bench", "Ridge wind", "UNANSWERED 15 min", "answered by", "radar", "KXYZ"},
		"/larkspur/":               {"State of the sites", "Tamarack Ridge"},
		"/larkspur/saddlehorn":     {"WINDOW – Saddlehorn Bench", "Before anything else a person must look", "10 units", "saddlehorn.geojson", "model.t04z.f02.grib2"},
		"/larkspur/sites/tamarack": {"HOLD – Tamarack Ridge", "a value below 19 m/s"},
		"/larkspur/moth-hollow":    {"BLIND – Moth Hollow", "77 min ago and counts for nothing"},
		"/larkspur/holds":          {"Judged", "gauge larkspur-bridge", "What models and radar say", "2.2 mm/h"},
		"/larkspur/alerts":         {"The last 4", "503 Service Unavailable", "Imogen Tarn", "duty-mail"},
		"/larkspur/criteria":       {"Suspension criteria", "Signature", "Larkspur Creek"},
	} {
		got := n.get(t, path)
		if got.status != http.StatusOK || got.header.Get("Content-Type") != "text/html; charset=utf-8" {
			t.Errorf("%s: status %d, %s", path, got.status, got.header.Get("Content-Type"))
		}
		for _, want := range wants {
			if !strings.Contains(got.body, want) {
				t.Errorf("%s: %q is missing", path, want)
			}
		}
	}
	if got := n.get(t, "/larkspur"); got.status != http.StatusTemporaryRedirect || got.header.Get("Location") != "larkspur/" {
		t.Errorf("a programme without a slash: %d to %q", got.status, got.header.Get("Location"))
	}
}

// What programs get is what lies on the bus, and GeoJSON as RFC 7946 has it.
func TestPagesForPrograms(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	got := n.get(t, "/larkspur/saddlehorn.json")
	var events siteEvents
	if err := json.Unmarshal([]byte(got.body), &events); err != nil || got.header.Get("Content-Type") != "application/json" {
		t.Fatalf("%v, %s", err, got.header.Get("Content-Type"))
	}
	for what, one := range map[string]struct {
		event *bus.Event
		kind  bus.Kind
		token string
	}{"score": {events.Score, bus.Score, "saddlehorn"}, "outlook": {events.Outlook, bus.Outlook, "saddlehorn"}, "advice": {events.Advice, bus.Advice, "saddlehorn"}, "holds": {events.Holds, bus.Hold, bus.Whole}, "conditions": {events.Conditions, bus.Conditions, bus.Whole}} {
		want, _, err := n.bus.Latest(t.Context(), one.kind, "larkspur", one.token)
		if err != nil || one.event == nil || one.event.ID != want.ID {
			t.Errorf("%s: %v, %v", what, one.event, err)
			continue
		}
		if _, err := message.Decode(*one.event); err != nil {
			t.Errorf("%s: %v", what, err)
		}
	}
	got = n.get(t, "/larkspur/saddlehorn.geojson")
	var geo struct {
		Type     string
		Features []struct {
			ID       string
			Geometry struct{ Type string }
		}
	}
	if err := json.Unmarshal([]byte(got.body), &geo); err != nil || geo.Type != "FeatureCollection" || len(geo.Features) != 5 || got.header.Get("Content-Type") != "application/geo+json" {
		t.Errorf("%v, %+v", err, geo)
	}
	for _, path := range []string{"/larkspur/saddlehorn.xml", "/larkspur/saddlehorn.", "/larkspur/saddlehorn.json.json", "/larkspur/nobody.json", "/larkspur/.json"} {
		if got := n.get(t, path); got.status != http.StatusNotFound {
			t.Errorf("%s: status %d", path, got.status)
		}
	}
}

// What a browser is told about every answer, a good one and a bad one.
func TestPagesHeaders(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	token := n.signer.Token("x", "duty", n.clock.Now())
	for _, path := range []string{"/", "/larkspur/saddlehorn", "/larkspur/saddlehorn.json", "/nowhere", "/ack", "/ack?token=" + token, "/larkspur"} {
		got := n.get(t, path)
		for name, want := range map[string]string{"Content-Security-Policy": pages.Policy, "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer", "Cache-Control": "no-store", "Cross-Origin-Resource-Policy": "same-origin"} {
			if got.header.Get(name) != want {
				t.Errorf("%s: %s is %q", path, name, got.header.Get(name))
			}
		}
		if len(got.header.Values("Set-Cookie")) > 0 || got.header.Get("Access-Control-Allow-Origin") != "" {
			t.Errorf("%s: %v", path, got.header)
		}
	}
	head := n.ask(t, http.MethodHead, "/", nil)
	if head.status != http.StatusOK || head.body != "" || head.header.Get("Content-Length") == "0" {
		t.Errorf("HEAD: %d, %d bytes, length %s", head.status, len(head.body), head.header.Get("Content-Length"))
	}
	if got := n.get(t, "/icon.svg"); got.status != http.StatusOK || got.header.Get("Content-Type") != "image/svg+xml" {
		t.Errorf("icon: %d, %s", got.status, got.header.Get("Content-Type"))
	}
}

// Compressed where that is asked for; never what holds a token beside what others
// choose.
func TestPagesCompression(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	whole := n.get(t, "/larkspur/criteria").body
	got := n.ask(t, http.MethodGet, "/larkspur/criteria", nil, header("Accept-Encoding", "br, gzip;q=0.8"))
	if got.header.Get("Content-Encoding") != "gzip" {
		t.Fatalf("not compressed: %v", got.header)
	}
	z, err := gzip.NewReader(strings.NewReader(got.body))
	if err != nil {
		t.Fatal(err)
	}
	if text, err := io.ReadAll(z); err != nil || string(text) != whole {
		t.Errorf("%v, %d bytes of %d", err, len(text), len(whole))
	}
	for _, path := range []string{"/ack?token=" + n.signer.Token("x", "duty", n.clock.Now()), "/larkspur/criteria"} {
		accept := "gzip"
		if path == "/larkspur/criteria" {
			accept = "br, gzip;q=0"
		}
		if got := n.ask(t, http.MethodGet, path, nil, header("Accept-Encoding", accept)); got.header.Get("Content-Encoding") != "" || !strings.Contains(got.body, "<main") {
			t.Errorf("%s is compressed", path)
		}
	}
}

func TestPagesErrors(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	for _, test := range []struct {
		method, path string
		status       int
		says         string
	}{
		{"GET", "/nowhere", 404, "There is no such page"},
		{"GET", "/nowhere/", 404, "There is no such page"},
		{"GET", "/larkspur/nobody", 404, "There is no such page"},
		{"GET", "/larkspur/saddlehorn/more", 404, "There is no such page"},
		{"GET", "/larkspur/sites/", 404, "There is no such page"},
		{"GET", "/larkspur/sites/nobody", 404, "There is no such page"},
		{"GET", "//", 404, "There is no such page"},
		{"GET", "/../../etc/passwd", 404, "There is no such page"},
		{"GET", "/larkspur/%3Cscript%3Ealert(1)%3C/script%3E", 404, "There is no such page"},
		{"GET", "/ack/", 404, "There is no such page"},
		{"POST", "/", 405, "Nothing is changed here"},
		{"PUT", "/larkspur/saddlehorn", 405, "Nothing is changed here"},
		{"DELETE", "/ack", 405, "Nothing is changed here"},
		{"OPTIONS", "/", 405, "Nothing is changed here"},
		{"TRACE", "/", 405, "Nothing is changed here"},
		{"GET", "/ack", 403, "This is no link of ours"},
	} {
		got := n.ask(t, test.method, test.path, nil)
		if got.status != test.status || !strings.Contains(got.body, test.says) || strings.Contains(got.body, "<script>alert") {
			t.Errorf("%s %s: %d, want %d and %q", test.method, test.path, got.status, test.status, test.says)
		}
		if test.status == 405 && !strings.HasPrefix(got.header.Get("Allow"), "GET, HEAD") {
			t.Errorf("%s %s: allows %q", test.method, test.path, got.header.Get("Allow"))
		}
	}
}

// A site may have the name of a page: it is found all the same.
func TestSiteNamedLikeAPage(t *testing.T) {
	n := newPagesNight(t, 6, func(s *invented.Storm) {
		s.Programme.Sites[4].ID, s.Programme.Sites[4].Name = "holds", "Holds Corner"
		for k := range s.Programme.Holds {
			for i, id := range s.Programme.Holds[k].SiteIDs {
				if id == "tin-kettle" {
					s.Programme.Holds[k].SiteIDs[i] = "holds"
				}
			}
		}
		s.Scores["holds"] = s.Scores["tin-kettle"]
		delete(s.Scores, "tin-kettle")
		delete(s.Outlooks, "tin-kettle")
	})
	if got := n.get(t, "/larkspur/"); !strings.Contains(got.body, `href="../larkspur/sites/holds"`) {
		t.Error("no way to the site")
	}
	if got := n.get(t, "/larkspur/sites/holds"); got.status != http.StatusOK || !strings.Contains(got.body, "Holds Corner") || !strings.Contains(got.body, "Held back by aim") {
		t.Errorf("status %d", got.status)
	}
	if got := n.get(t, "/larkspur/sites/holds.json"); got.status != http.StatusOK {
		t.Errorf("status %d", got.status)
	}
	if got := n.get(t, "/larkspur/holds"); !strings.Contains(got.body, "Every suspension criterion") {
		t.Error("the page of holds is gone")
	}
}

// A page from elsewhere cannot read ours under a name of its own (DNS rebinding).
func TestPagesHosts(t *testing.T) {
	n := newPagesNight(t, 6, func(s *invented.Storm) {
		s.Programme.Alerts = &alert.Config{Link: "https://duty.example/pages", Acknowledge: &alert.Acknowledge{URL: "https://answer.example/ack"}}
	})
	for _, test := range []struct {
		address string
		hosts   []string
		host    string
		want    int
	}{
		{"", nil, "127.0.0.1:9420", 200},
		{"", nil, "evil.example", 421},
		{"127.0.0.1:9420", nil, "localhost:9420", 200},
		{"127.0.0.1:9420", nil, "LOCALHOST.", 200},
		{"127.0.0.1:9420", nil, "[::1]:9420", 200},
		{"127.0.0.1:9420", nil, "duty.example", 200},
		{"127.0.0.1:9420", nil, "answer.example:443", 200},
		{"127.0.0.1:9420", nil, "evil.example:9420", 421},
		{"127.0.0.1:9420", nil, "localhost.evil.example", 421},
		{"127.0.0.1:9420", nil, "127.0.0.1.evil.example", 421},
		{"localhost:9420", nil, "evil.example", 421},
		{"[::1]:9420", []string{"proxy.example"}, "proxy.example", 200},
		{"[::1]:9420", []string{"proxy.example"}, "other.example", 421},
		{"0.0.0.0:9420", nil, "whatever.example", 200},
		{"0.0.0.0:9420", []string{"0.0.0.0"}, "whatever.example", 200},
		{"0.0.0.0:9420", []string{"board.example"}, "board.example", 200},
		{"0.0.0.0:9420", []string{"board.example"}, "evil.example", 421},
		{"board.example:9420", []string{"x.example"}, "board.example:9420", 200},
	} {
		o := n.o
		o.address, o.hosts = test.address, test.hosts
		night := &pagesNight{bus: n.bus, clock: n.clock, log: n.log, o: o}
		night.serve(t)
		if got := night.ask(t, http.MethodGet, "/larkspur/criteria", nil, host(test.host)); got.status != test.want || test.want == 421 && strings.Contains(got.body, "Larkspur") {
			t.Errorf("on %q with %v, %q: status %d, want %d", test.address, test.hosts, test.host, got.status, test.want)
		}
	}
}

func TestAcknowledgeByLink(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	opened := n.storm.Alerts[2]
	link := n.signer.Link(opened.ID, "duty-mail", n.clock.Now())
	u, err := url.Parse(link)
	if err != nil || u.Path != "/ack" {
		t.Fatal(link, err)
	}
	token := u.Query().Get("token")
	form := url.Values{"token": {token}, "name": {"  Imogen\tTarn\u202e "}}

	// Looking, by people or by a scanner of mail, answers nothing.
	for _, method := range []string{http.MethodGet, http.MethodHead, http.MethodGet} {
		got := n.ask(t, method, "/ack?token="+token, nil)
		if got.status != http.StatusOK {
			t.Fatalf("%s: status %d", method, got.status)
		}
		if method == http.MethodGet && (!strings.Contains(got.body, "WINDOW OPEN: Saddlehorn Bench") || strings.Count(got.body, token) != 1 || !strings.Contains(got.body, `method="post"`)) {
			t.Error("the form does not show the alert, or its token twice")
		}
	}
	if acks := n.recorded(); len(acks) != 0 {
		t.Fatalf("looking acknowledged: %+v", acks)
	}

	got := n.ask(t, http.MethodPost, "/ack", form, header("Sec-Fetch-Site", "same-origin"), header("Origin", "null"))
	if got.status != http.StatusOK || !strings.Contains(got.body, "Acknowledged") || !strings.Contains(got.body, "Imogen Tarn") || strings.Contains(got.body, token) {
		t.Errorf("status %d", got.status)
	}
	want := message.Ack{Programme: "larkspur", Alert: opened.ID, By: "Imogen Tarn", At: invented.Night, Token: token, Via: "link"}
	if acks := n.recorded(); len(acks) != 1 || acks[0] != want {
		t.Fatalf("%+v, want %+v", acks, want)
	}
	// Without a name it is the reader of the route; twice is no harm.
	if got := n.ask(t, http.MethodPost, "/ack", url.Values{"token": {token}}); got.status != http.StatusOK || n.recorded()[1].By != "reader of duty-mail" {
		t.Errorf("status %d, %+v", got.status, n.recorded())
	}
	if strings.Contains(n.log.String(), token) {
		t.Error("the token is in the log")
	}
}

func TestAcknowledgeRefused(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	now := n.clock.Now()
	good := n.signer.Token(n.storm.Alerts[1].ID, "duty-mail", now)
	t.Setenv("RIMELINE_TEST_OTHER_KEY", "another invented key of some length")
	stranger, err := alert.NewSigner(&alert.Acknowledge{URL: "https://seeding.example/ack", SecretEnv: "RIMELINE_TEST_OTHER_KEY"})
	if err != nil {
		t.Fatal(err)
	}
	post := func(path string, form url.Values, change ...func(*http.Request)) response {
		return n.ask(t, http.MethodPost, path, form, change...)
	}
	name := "x"
	for what, test := range map[string]struct {
		got    response
		status int
		says   string
	}{
		"no token":                  {post("/ack", url.Values{"name": {name}}), 403, "This is no link of ours"},
		"token in the address only": {post("/ack?token="+good, url.Values{"name": {name}}), 403, "This is no link of ours"},
		"key of another":            {post("/ack", url.Values{"token": {stranger.Token("x", "y", now)}}), 403, "This is no link of ours"},
		"changed":                   {post("/ack", url.Values{"token": {good[:len(good)-2] + "AA"}}), 403, "This is no link of ours"},
		"cut":                       {n.get(t, "/ack?token="+good[:len(good)/2]), 403, "a part of it got lost"},
		"markup":                    {n.get(t, "/ack?token=%22%3E%3Cscript%3E"), 403, "This is no link of ours"},
		"long":                      {n.get(t, "/ack?token="+strings.Repeat("a", 6000)), 403, "This is no link of ours"},
		"expired, looking":          {n.get(t, "/ack?token="+n.signer.Token("x", "y", now.Add(-13*time.Hour))), 410, "This link has expired"},
		"expired":                   {post("/ack", url.Values{"token": {n.signer.Token("x", "y", now.Add(-13*time.Hour))}}), 410, "rimeline ack"},
		"from another site":         {post("/ack", url.Values{"token": {good}}, header("Sec-Fetch-Site", "cross-site")), 403, "sent from another site"},
		"as a file":                 {post("/ack", url.Values{"token": {good}}, header("Content-Type", "multipart/form-data; boundary=x")), 403, "This is no link of ours"},
		"as JSON":                   {post("/ack", url.Values{"token": {good}}, header("Content-Type", "application/json")), 403, "This is no link of ours"},
		"too much":                  {post("/ack", url.Values{"token": {good}, "name": {strings.Repeat("n", maxFormBytes)}}), 413, "Too much"},
		"bad form":                  {post("/ack", url.Values{"token": {good}}, func(r *http.Request) { r.Body, r.ContentLength = io.NopCloser(strings.NewReader("token=%zz")), 9 }), 400, "Not understood"},
	} {
		if test.got.status != test.status || !strings.Contains(test.got.body, test.says) {
			t.Errorf("%s: status %d, want %d and %q", what, test.got.status, test.status, test.says)
		}
		if strings.Contains(test.got.body, good) || strings.Contains(test.got.body, "\"><script>") {
			t.Errorf("%s: the page says too much", what)
		}
	}
	if acks := n.recorded(); len(acks) != 0 {
		t.Fatalf("acknowledged: %+v", acks)
	}
	// What cannot be stored is said, and can be tried again.
	n.mutex.Lock()
	n.fail = errors.New("the bus is away")
	n.mutex.Unlock()
	got := post("/ack", url.Values{"token": {good}, "name": {"Imogen Tarn"}})
	if got.status != http.StatusServiceUnavailable || !strings.Contains(got.body, "nobody knows that you answered") || !strings.Contains(got.body, `value="Imogen Tarn"`) || strings.Contains(got.body, "the bus is away") {
		t.Errorf("status %d", got.status)
	}
	// Without a key, or without anybody who stores, nothing is promised.
	for _, change := range []func(*pagesOptions){func(o *pagesOptions) { o.signers = nil }, func(o *pagesOptions) { o.publishAck = nil }, func(o *pagesOptions) { o.signers = map[string]*alert.Signer{"larkspur": nil} }} {
		night := &pagesNight{bus: n.bus, clock: n.clock, log: n.log, o: n.o}
		change(&night.o)
		night.serve(t)
		if got := night.get(t, "/ack?token="+good); got.status != http.StatusNotFound || !strings.Contains(got.body, "No answers by link") {
			t.Errorf("status %d", got.status)
		}
	}
}

// Programmes that share a key are told apart by the alert.
func TestAcknowledgeOfTwoProgrammes(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	other, err := invented.New("larkspur-north", 6)
	if err != nil {
		t.Fatal(err)
	}
	for _, order := range [][]*programme.Programme{{n.storm.Programme, other.Programme}, {other.Programme, n.storm.Programme}} {
		night := &pagesNight{storm: n.storm, bus: n.bus, clock: n.clock, log: n.log, o: n.o}
		night.o.programmes, night.o.signers = order, map[string]*alert.Signer{"larkspur": n.signer, "larkspur-north": n.signer}
		night.serve(t)
		for _, id := range []string{"larkspur-20260114T050900Z-window-open-0a", "larkspur-north-20260114T050900Z-window-open-0a"} {
			before := len(n.recorded())
			night.ask(t, http.MethodPost, "/ack", url.Values{"token": {n.signer.Token(id, "duty", n.clock.Now())}})
			acks := n.recorded()
			if len(acks) != before+1 || !strings.HasPrefix(id, acks[before].Programme+"-2026") {
				t.Errorf("%s goes to %+v", id, acks[before:])
			}
		}
	}
}

// An acknowledgement that is on the bus shows; one whose token is not good does not.
func TestAcknowledgementsShow(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	opened := n.storm.Alerts[2]
	forged := message.Ack{Programme: "larkspur", Alert: opened.ID, By: "Forged Name", At: invented.Night, Token: "a.b.1.c", Via: "link"}
	elsewhere := message.Ack{Programme: "larkspur", Alert: opened.ID, By: "Wrong Alert", At: invented.Night, Token: n.signer.Token("another", "duty", invented.Night), Via: "link"}
	n.publish(t, bus.Ack, bus.Whole, invented.Night, forged)
	n.publish(t, bus.Ack, bus.Whole, invented.Night, elsewhere)
	got := n.get(t, "/larkspur/alerts")
	if strings.Contains(got.body, "Forged Name") || strings.Contains(got.body, "Wrong Alert") || !strings.Contains(got.body, "Nobody has answered yet") {
		t.Error("an acknowledgement that is none shows")
	}
	right := message.Ack{Programme: "larkspur", Alert: opened.ID, By: "Imogen Tarn", At: invented.Night, Token: n.signer.Token(opened.ID, "duty", invented.Night), Via: "link"}
	n.publish(t, bus.Ack, bus.Whole, invented.Night.Add(time.Second), right)
	time.Sleep(pagesFreshFor + 50*time.Millisecond)
	// It counts for the alert and for its repeat.
	got = n.get(t, "/larkspur/alerts")
	if strings.Contains(got.body, "Nobody has answered yet") || strings.Count(got.body, "Imogen Tarn") != 3 {
		t.Errorf("the acknowledgement does not show: %d", strings.Count(got.body, "Imogen Tarn"))
	}
	if got := n.get(t, "/ack?token="+n.signer.Token(opened.ID, "pager", invented.Night)); !strings.Contains(got.body, "Answered already by") {
		t.Error("the form does not say that it was answered")
	}
}

func TestAcknowledgeRate(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	limited := 0
	for range acksBurst + 10 {
		got := n.get(t, "/ack?token=x")
		if got.status == http.StatusTooManyRequests {
			limited++
			if got.header.Get("Retry-After") == "" || !strings.Contains(got.body, "Too many answers") {
				t.Error("nothing is said of it")
			}
		}
	}
	if limited == 0 || limited > 10 {
		t.Errorf("%d of %d refused", limited, acksBurst+10)
	}
	if got := n.get(t, "/larkspur/"); got.status != http.StatusOK {
		t.Error("other pages are refused, too")
	}
	// Many clients are bounded in memory, and together.
	l, allowed := newAckLimits(), 0
	for k := range 3 * mostAckClients {
		if l.allow(fmt.Sprintf("[2001:db8::%x]:1", k)) {
			allowed++
		}
	}
	if len(l.clients) > mostAckClients || allowed > 3*allAcksBurst {
		t.Errorf("%d clients, %d allowed", len(l.clients), allowed)
	}
}

// fakeBus fails, hangs or gives what a test wants.
type fakeBus struct {
	latest func(ctx context.Context, kind bus.Kind, site string) (bus.Event, bool, error)
	last   func(ctx context.Context, kind bus.Kind) (uint64, error)
	follow func(ctx context.Context, o bus.FollowOptions) iter.Seq2[bus.Stored, error]
}

func (f *fakeBus) Latest(ctx context.Context, kind bus.Kind, _, site string) (bus.Event, bool, error) {
	return f.latest(ctx, kind, site)
}

func (f *fakeBus) LastSequence(ctx context.Context, kind bus.Kind) (uint64, error) {
	return f.last(ctx, kind)
}

func (f *fakeBus) Follow(ctx context.Context, o bus.FollowOptions) iter.Seq2[bus.Stored, error] {
	return f.follow(ctx, o)
}

// serverOn makes pages over a bus of a test's own.
func (n *pagesNight) serverOn(b pagesBus) *pageServer {
	p := &pageServer{o: n.o, now: n.clock.Now, log: slog.New(slog.NewTextHandler(n.log, nil)), gate: make(chan struct{}, pagesAtOnce), acks: newAckLimits(), allowed: []string{"localhost"}}
	p.read = newPageReader(b, n.o, p.log)
	return p
}

func pageOf(p *pageServer, path string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(http.MethodGet, path, nil)
	r.Host = "localhost"
	w := httptest.NewRecorder()
	p.serve(w, r)
	return w
}

// A bus that fails, or does not answer, makes no page look good, and none late.
func TestPagesWithoutABus(t *testing.T) {
	n := newPagesNight(t, 40, nil)
	hang := func(ctx context.Context) error { <-ctx.Done(); return ctx.Err() }
	for name, wait := range map[string]func(ctx context.Context) error{
		"fails": func(context.Context) error { return errors.New("no such stream: secret detail") },
		"hangs": hang,
	} {
		b := &fakeBus{
			latest: func(ctx context.Context, _ bus.Kind, _ string) (bus.Event, bool, error) {
				return bus.Event{}, false, wait(ctx)
			},
			last: func(ctx context.Context, _ bus.Kind) (uint64, error) { return 0, wait(ctx) },
		}
		p := n.serverOn(b)
		p.read.patience = 100 * time.Millisecond
		start := time.Now()
		for path, wants := range map[string][]string{
			"/":                    {"Of 40 sites some newest message could not be read", "The newest judgement of criteria could not be read.", "The record of alerts could not be read.", "Criteria were not judged yet: all count as held."},
			"/larkspur/saddlehorn": {"HOLD – Saddlehorn Bench", "the newest assessment of this site could not be read", "There is no assessment of this site"},
			"/larkspur/holds":      {"cannot be judged", "no judgement of this criterion has come"},
			"/larkspur/alerts":     {"could not be read. That none is listed does not mean that there was none."},
			"/larkspur/criteria":   {"Signature"},
		} {
			got := pageOf(p, path)
			if got.Code != http.StatusOK {
				t.Errorf("%s, %s: status %d", name, path, got.Code)
			}
			for _, want := range wants {
				if !strings.Contains(strings.ToLower(got.Body.String()), strings.ToLower(want)) {
					t.Errorf("%s, %s: %q is missing", name, path, want)
				}
			}
			if strings.Contains(got.Body.String(), "secret detail") {
				t.Errorf("%s, %s: shows an error of the inside", name, path)
			}
		}
		if spent := time.Since(start); spent > 5*time.Second {
			t.Errorf("%s: five pages took %s", name, spent)
		}
		if got := pageOf(p, "/larkspur/saddlehorn.geojson"); got.Code != http.StatusNotFound {
			t.Errorf("%s: GeoJSON of nothing: %d", name, got.Code)
		}
	}
	// The reason is in the log, once.
	if got := strings.Count(n.log.String(), "secret detail"); got == 0 || got > 200 {
		t.Errorf("%d lines of the log name the reason", got)
	}
}

// Messages that are none do not make a site look judged.
func TestPagesOfDamagedMessages(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	b := &fakeBus{
		latest: func(_ context.Context, kind bus.Kind, site string) (bus.Event, bool, error) {
			return bus.Event{ID: "1", Source: "/x", Type: kind.Type, Data: json.RawMessage(`{"state":"window"}`)}, true, nil
		},
		last: func(context.Context, bus.Kind) (uint64, error) { return 0, nil },
	}
	p := n.serverOn(b)
	for path, want := range map[string]string{
		"/larkspur/saddlehorn": "the newest assessment of this site is one that this program cannot read",
		"/larkspur/":           "Of 6 sites some newest message could not be read",
		"/larkspur/holds":      "no judgement of this criterion has come",
	} {
		if got := pageOf(p, path); got.Code != http.StatusOK || !strings.Contains(strings.ToLower(got.Body.String()), strings.ToLower(want)) {
			t.Errorf("%s: status %d, %q is missing", path, got.Code, want)
		}
	}
}

// The end of a stream is read on, from its end, over what is no event; and a stream
// that was made anew, or that lost its end, is no trap.
func TestTailOfAStream(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	var mutex sync.Mutex
	var stored []bus.Stored
	hold := func(f func()) {
		mutex.Lock()
		defer mutex.Unlock()
		f()
	}
	add := func(sequence uint64, id string) bus.Stored {
		e, err := bus.NewEvent(bus.Alert, "larkspur", "window-open", invented.Night, alert.Alert{ID: id, Kind: alert.WindowOpen, Raised: invented.Night, Expires: invented.Night})
		if err != nil {
			t.Fatal(err)
		}
		return bus.Stored{Sequence: sequence, Subject: e.Subject, Event: e}
	}
	var from []uint64
	last := uint64(0)
	b := &fakeBus{
		last: func(_ context.Context, kind bus.Kind) (sequence uint64, err error) {
			hold(func() { sequence = last })
			return sequence, nil
		},
		follow: func(ctx context.Context, o bus.FollowOptions) iter.Seq2[bus.Stored, error] {
			return func(yield func(bus.Stored, error) bool) {
				mutex.Lock()
				list := append([]bus.Stored{}, stored...)
				mutex.Unlock()
				// Since has no fields to be seen: what it begins with is told by what comes first.
				for _, s := range list {
					if o.Since == bus.FromSequence(s.Sequence) {
						hold(func() { from = append(from, s.Sequence) })
					}
				}
				begun := false
				for _, s := range list {
					begun = begun || o.Since == bus.FromSequence(s.Sequence)
					if !begun {
						continue
					}
					var err error
					if s.Event.ID == "" {
						err = errors.New("no event")
					}
					if !yield(s, err) {
						return
					}
				}
				<-ctx.Done()
			}
		},
	}
	r := newPageReader(b, n.o, slog.New(slog.DiscardHandler))
	r.freshFor, r.patience = 0, 50*time.Millisecond
	ids := func() (list string, err error) {
		ctx, cancel := r.reading(t.Context())
		defer cancel()
		items, err := r.alerts.get(ctx, r)
		for _, i := range items {
			list += i.value.ID + " "
		}
		return list, err
	}
	check := func(what, want string, fails bool) {
		t.Helper()
		if got, err := ids(); got != want || (err != nil) != fails {
			t.Errorf("%s: %q, %v; want %q", what, got, err, want)
		}
	}
	check("empty", "", false)
	hold(func() {
		stored, last = []bus.Stored{add(1, "a"), {Sequence: 2, Subject: "rimeline.larkspur.alert.x"}, add(3, "b")}, 3
	})
	check("three, one of them no event", "a b ", false)
	hold(func() { stored, last = append(stored, add(4, "c")), 4 })
	check("one more", "a b c ", false)
	if fmt.Sprint(from) != "[1 4]" {
		t.Errorf("read from %v, want from 1 and then from 4", from)
	}
	hold(func() { last = 5 }) // taken off by hand: it never comes
	check("an end that is not there", "a b c ", true)
	check("an end that is not there", "a b c ", true)
	check("given up", "a b c ", false)
	hold(func() { stored, last = append(stored, add(6, "d")), 6 })
	check("and what follows", "a b c d ", false)
	hold(func() { stored, last = []bus.Stored{add(1, "z")}, 1 })
	check("made anew", "z ", false)
	r.alerts.most = 3
	hold(func() {
		stored, last = nil, 40
		for k := range uint64(40) {
			stored = append(stored, add(k+1, fmt.Sprint(k+1)))
		}
	})
	check("more than is kept", "38 39 40 ", false)
	r.freshFor = time.Hour
	hold(func() { stored, last = append(stored, add(41, "41")), 41 })
	check("within the moment that is shared", "38 39 40 ", false)
}

// No more pages are made at once than is bounded; who waits too long is told.
func TestPagesAreBoundedAtOnce(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	p := n.serverOn(n.bus)
	for range pagesAtOnce {
		p.gate <- struct{}{}
	}
	done := make(chan *httptest.ResponseRecorder)
	go func() { done <- pageOf(p, "/larkspur/criteria") }()
	select {
	case got := <-done:
		if got.Code != http.StatusServiceUnavailable || got.Header().Get("Retry-After") == "" {
			t.Errorf("status %d", got.Code)
		}
	case <-time.After(pagesQueueTime + 10*time.Second):
		t.Fatal("it waits for ever")
	}
	<-p.gate
	if got := pageOf(p, "/larkspur/criteria"); got.Code != http.StatusOK {
		t.Errorf("status %d with room", got.Code)
	}
}

// A page that fails inside says so, and the others go on.
func TestPageThatPanics(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	p := n.serverOn(&fakeBus{latest: func(context.Context, bus.Kind, string) (bus.Event, bool, error) { panic("broken inside") }})
	got := pageOf(p, "/larkspur/saddlehorn?token=very-secret")
	if got.Code != http.StatusInternalServerError || !strings.Contains(got.Body.String(), "This page failed") || strings.Contains(got.Body.String(), "broken inside") {
		t.Errorf("status %d", got.Code)
	}
	if log := n.log.String(); !strings.Contains(log, "broken inside") || strings.Contains(log, "very-secret") {
		t.Errorf("log: %.200s", log)
	}
	if got := pageOf(p, "/larkspur/criteria"); got.Code != http.StatusOK || len(p.gate) != 0 {
		t.Errorf("status %d, %d at the gate", got.Code, len(p.gate))
	}
}

// Many readers at once, while messages come: what each gets is whole, and the newest
// is there in the end.
func TestPagesWhileMessagesCome(t *testing.T) {
	n := newPagesNight(t, 12, nil)
	var group sync.WaitGroup
	stop := make(chan struct{})
	for k := range 6 {
		group.Go(func() {
			paths := []string{"/", "/larkspur/saddlehorn", "/larkspur/holds", "/larkspur/alerts", "/larkspur/saddlehorn.json", "/larkspur/"}
			for i := k; ; i++ {
				select {
				case <-stop:
					return
				default:
				}
				if got := n.get(t, paths[i%len(paths)]); got.status != http.StatusOK || strings.HasPrefix(got.body, "<") && !strings.HasSuffix(strings.TrimSpace(got.body), "</html>") {
					t.Errorf("%s: status %d", paths[i%len(paths)], got.status)
					return
				}
			}
		})
	}
	a := n.storm.Scores["saddlehorn"]
	for k := range 20 {
		a.AsOf = invented.Night.Add(time.Duration(k) * time.Second)
		a = invented.Clone(a)
		score := 60 + float64(k)
		a.Score.Value = &score
		n.publish(t, bus.Score, "saddlehorn", a.AsOf, a)
		n.publish(t, bus.Alert, "window-open", a.AsOf, alert.Alert{ID: fmt.Sprint("more-", k), Kind: alert.WindowOpen, Raised: a.AsOf, Expires: a.AsOf})
	}
	time.Sleep(pagesFreshFor + 50*time.Millisecond)
	if got := n.get(t, "/larkspur/saddlehorn"); !strings.Contains(got.body, `<span class="score num">79</span>`) {
		t.Error("the newest score is not there")
	}
	if got := n.get(t, "/larkspur/alerts"); !strings.Contains(got.body, "alert more-19") || strings.Index(got.body, "alert more-19") > strings.Index(got.body, "alert more-18") {
		t.Error("the newest alert is not there, or not first")
	}
	close(stop)
	group.Wait()
}

// The time of a page is that of the service's clock, also in a rehearsal.
func TestPagesLiveByTheClock(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	n.clock.set(invented.Night.Add(2 * time.Hour))
	n.o.exercise = true
	n.serve(t)
	got := n.get(t, "/larkspur/")
	for _, want := range []string{"EXERCISE. Nothing on this page is real.", "00:42 MST", "2 h 2 min ago", "counts for nothing"} {
		if !strings.Contains(got.body, want) {
			t.Errorf("%q is missing", want)
		}
	}
	if strings.Contains(got.body, `rowof-window"`) {
		t.Error("an old window is still shown as one")
	}
}

func TestServePages(t *testing.T) {
	n := newPagesNight(t, 6, nil)
	s := &service{clock: n.clock, bus: n.bus, log: slog.New(slog.NewTextHandler(n.log, nil))}
	for _, address := range []string{"0.0.0.0:0", ":0", "192.0.2.1:0", "board.example:0", "nonsense", "127.0.0.1"} {
		o := n.o
		o.address = address
		if at, _, err := s.servePages(t.Context(), o, false); err == nil || !strings.Contains(err.Error(), "pages") {
			t.Errorf("%s: serves on %s, %v", address, at, err)
		}
	}
	ctx, cancel := context.WithCancel(t.Context())
	o := n.o
	o.address = "127.0.0.1:0"
	at, done, err := s.servePages(ctx, o, false)
	if err != nil {
		t.Fatal(err)
	}
	got, err := http.Get("http://" + at + "/larkspur/")
	if err != nil {
		t.Fatal(err)
	}
	got.Body.Close()
	if got.StatusCode != http.StatusOK {
		t.Errorf("status %d", got.StatusCode)
	}
	// Headers without end are cut off.
	c, err := net.Dial("tcp", at)
	if err != nil {
		t.Fatal(err)
	}
	defer c.Close()
	fmt.Fprintf(c, "GET / HTTP/1.1\r\nHost: localhost\r\nX: %s\r\n\r\n", strings.Repeat("x", 64<<10))
	if reply, _ := io.ReadAll(c); !strings.Contains(string(reply), "431") {
		t.Errorf("a large header: %.60q", reply)
	}
	cancel()
	select {
	case <-done:
	case <-time.After(10 * time.Second):
		t.Fatal("it does not stop")
	}
	if _, err := net.Dial("tcp", at); err == nil {
		t.Error("it still listens")
	}
}

// So many connections at a time; a further one waits until one is closed.
func TestLimitedListener(t *testing.T) {
	inner, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	l := newLimitedListener(inner, 1)
	accepted := make(chan net.Conn)
	failed := make(chan error, 1)
	go func() {
		for {
			c, err := l.Accept()
			if err != nil {
				failed <- err
				return
			}
			accepted <- c
		}
	}()
	for range 2 {
		c, err := net.Dial("tcp", inner.Addr().String())
		if err != nil {
			t.Fatal(err)
		}
		defer c.Close()
	}
	first := <-accepted
	select {
	case <-accepted:
		t.Fatal("two at a time")
	case <-time.After(100 * time.Millisecond):
	}
	first.Close()
	first.Close() // twice is once
	<-accepted
	// It can be closed while it waits for room.
	l.Close()
	if err := <-failed; !errors.Is(err, net.ErrClosed) {
		t.Error(err)
	}
}

func TestCriteriaHTML(t *testing.T) {
	storm, err := invented.New("larkspur", 6)
	if err != nil {
		t.Fatal(err)
	}
	a, err := criteriaHTML(storm.Programme)
	if err != nil {
		t.Fatal(err)
	}
	b, err := criteriaHTML(storm.Programme)
	if err != nil || string(a) != string(b) {
		t.Error("the same file gives two pages", err)
	}
	for _, want := range []string{"<!DOCTYPE html>", "Larkspur Creek", storm.Programme.SHA256, "Imogen Tarn", "Signature", "@media print"} {
		if !strings.Contains(string(a), want) {
			t.Errorf("%q is missing", want)
		}
	}
}

// Whatever is asked for gets an answer of one of a few kinds, and nothing of what
// was asked comes back as markup.
func FuzzPagesRequest(f *testing.F) {
	n := newPagesNight(f, 6, nil)
	p := n.serverOn(n.bus)
	for _, seed := range [][4]string{{"GET", "/larkspur/saddlehorn", "", "localhost"}, {"GET", "/ack", "token=a.b.c.d", "localhost"}, {"POST", "/ack", "", "[::1]:1"}, {"GET", "/larkspur/sites/saddlehorn.geojson", "", "evil.example"}, {"GET", "//larkspur//", "%", "localhost"}} {
		f.Add(seed[0], seed[1], seed[2], seed[3], "token=x&name=y")
	}
	allowed := map[int]bool{200: true, 307: true, 400: true, 403: true, 404: true, 405: true, 410: true, 413: true, 421: true, 429: true, 503: true}
	f.Fuzz(func(t *testing.T, method, path, query, hostName, body string) {
		r := &http.Request{Method: method, URL: &url.URL{Path: path, RawQuery: query}, Host: hostName, RemoteAddr: "192.0.2.1:1", Header: http.Header{"Content-Type": {"application/x-www-form-urlencoded"}}, Body: io.NopCloser(strings.NewReader(body))}
		w := httptest.NewRecorder()
		p.acks = newAckLimits()
		p.serve(w, r.WithContext(t.Context()))
		if !allowed[w.Code] {
			t.Fatalf("status %d", w.Code)
		}
		page := w.Body.String()
		for _, given := range []string{path, query, hostName, body} {
			if strings.ContainsAny(given, "<>") && len(given) > 8 && strings.Contains(page, given) {
				t.Fatalf("%q comes back as it is", given)
			}
		}
		if strings.HasPrefix(page, "<!DOCTYPE") && (strings.Count(page, "<script") > 1 || !strings.HasSuffix(page, "</html>\n")) {
			t.Fatal("a page that is not whole")
		}
		if n := len(n.recorded()); n > 0 {
			t.Fatal("something was acknowledged")
		}
	})
}

// cpuTime is what this process has worked, the bus in it included; other work on the
// machine does not count.
func cpuTime(b *testing.B) time.Duration {
	b.Helper()
	var used syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &used); err != nil {
		b.Fatal(err)
	}
	return time.Duration(used.Utime.Nano() + used.Stime.Nano())
}

func reportCPU(b *testing.B, before time.Duration) {
	b.ReportMetric(float64(cpuTime(b)-before)/1e6/float64(b.N), "cpu-ms/op")
}

// The newest page of 20 sites, read of the bus anew each time, and within the moment
// that is shared.
func BenchmarkPagesOverview(b *testing.B) {
	for _, sites := range []int{20, 200} {
		n := newPagesNight(b, sites, nil)
		for _, fresh := range []time.Duration{0, time.Hour} {
			p := n.serverOn(n.bus)
			p.read.freshFor = fresh
			name := fmt.Sprintf("%d sites/read anew", sites)
			if fresh > 0 {
				name = fmt.Sprintf("%d sites/shared", sites)
			}
			b.Run(name, func(b *testing.B) {
				b.ReportAllocs()
				defer reportCPU(b, cpuTime(b))
				for b.Loop() {
					if got := pageOf(p, "/"); got.Code != http.StatusOK {
						b.Fatal(got.Code)
					}
				}
			})
		}
	}
}

// The newest page of 20 sites after new assessments of all of them: nothing of what
// was read before helps.
func BenchmarkPagesFirst(b *testing.B) {
	n := newPagesNight(b, 20, nil)
	b.ReportAllocs()
	defer reportCPU(b, cpuTime(b))
	for b.Loop() {
		p := n.serverOn(n.bus)
		if got := pageOf(p, "/"); got.Code != http.StatusOK {
			b.Fatal(got.Code)
		}
	}
}

func BenchmarkPagesEvidence(b *testing.B) {
	n := newPagesNight(b, 20, nil)
	p := n.serverOn(n.bus)
	p.read.freshFor = 0
	b.ReportAllocs()
	defer reportCPU(b, cpuTime(b))
	for b.Loop() {
		if got := pageOf(p, "/larkspur/saddlehorn"); got.Code != http.StatusOK {
			b.Fatal(got.Code)
		}
	}
}
