package main

import (
	"context"
	"encoding/json"
	"math"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// daleProgramme is invented; nothing of it is real.
const daleProgramme = `id: dale
name: Dale winter programme (invented)
timezone: America/Denver
manager: {name: Imogen Tarn, licence: WM-0000}
sites:
  - id: hut
    name: Hut
    latitude_deg: 44
    longitude_deg: -114.8
    agent: {kind: flare, amount_g: 16, burn_minutes: 4, yield_table: slow}
  - id: barn
    name: Barn
    latitude_deg: 44.05
    longitude_deg: -114.85
    agent: {kind: generator, rate_g_per_h: 20, yield_table: slow}
targets:
  - id: basin
    name: Basin
    geometry:
      type: Polygon
      coordinates:
        - [[-114.6, 43.9], [-114.4, 43.9], [-114.4, 44.1], [-114.6, 44.1], [-114.6, 43.9]]
yield_tables:
  - id: slow
    source: invented
    points:
      - {temperature_degc: -6, crystals_per_g: 2.0e10}
      - {temperature_degc: -20, crystals_per_g: 3.0e15}
holds:
  - {id: gale, name: Gale at the hut, kind: wind, hold_above: 20, inputs: [station], sites: [hut], may_lift: [duty forecaster], source: invented}
  - {id: amount, kind: agent_limit, daily_g: 200, season_g: 3000, from_date: "10-15", source: invented}
  - {id: clock, kind: hours, from_time: "00:00", to_time: "23:59", source: invented}
`

// aService is what commands find: a bus of its own on this computer, that may be
// reached from its data folder, and who judges orders on it.
type aService struct {
	*bus.Bus
	t         testing.TB
	data      string
	programme *programme.Programme
	end       func()

	mutex     sync.Mutex
	gustMPerS float64
	previous  []hold.Result
}

// openService starts the bus, without anybody who judges.
func openService(t testing.TB) *aService {
	t.Helper()
	return openServiceIn(t, t.TempDir(), bus.ServerOptions{})
}

func openServiceIn(t testing.TB, data string, o bus.ServerOptions) *aService {
	t.Helper()
	access, err := openLocalAccess(data, &o)
	if err != nil {
		t.Fatal(err)
	}
	server, err := bus.EmbeddedWith(filepath.Join(data, "bus"), o)
	if err != nil {
		t.Fatal(err)
	}
	if err := access.announce(server.Address()); err != nil {
		t.Fatal(err)
	}
	connection, err := server.Connect(t.Context(), bus.Options{StoreBytes: 64 << 20})
	if err != nil {
		t.Fatal(err)
	}
	if err := connection.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	s := &aService{Bus: connection, t: t, data: data}
	var once sync.Once
	s.end = func() {
		once.Do(func() {
			connection.Close()
			server.Close()
			access.Close()
		})
	}
	t.Cleanup(s.end)
	if s.programme, err = parseProgramme("dale.yaml", []byte(daleProgramme), nil); err != nil {
		t.Fatal(err)
	}
	return s
}

// publishFile puts the programme where commands find it.
func (s *aService) publishFile() {
	s.t.Helper()
	if err := s.EnsureQueues(s.t.Context()); err != nil { // makes the object store too
		s.t.Fatal(err)
	}
	encoded, err := json.Marshal(bundle{File: "dale.yaml", YAML: daleProgramme})
	if err == nil {
		err = s.PutObject(s.t.Context(), newestBundleObject("dale"), encoded, nil)
	}
	if err != nil {
		s.t.Fatal(err)
	}
}

// put publishes an event, and makes it the newest where its kind has one.
func (s *aService) put(kind bus.Kind, site string, at time.Time, data any) {
	s.t.Helper()
	event, err := bus.NewEvent(kind, "dale", site, at, data)
	if err == nil {
		_, err = s.Publish(s.t.Context(), event)
	}
	if err == nil && kind.Latest != "" {
		err = s.PutLatest(s.t.Context(), event)
	}
	if err != nil && s.t.Context().Err() == nil {
		s.t.Error(err)
	}
}

// beat says that a worker lives, by a clock that is so much ahead.
func (s *aService) beat(worker string, ahead time.Duration) {
	s.t.Helper()
	now := time.Now().Add(ahead).UTC()
	s.put(bus.Health, worker, now, message.Health{Worker: worker, Host: "lodge", Roles: []string{roleSchedule, roleAssess}, StartedTime: now, Time: now, State: message.HealthOK,
		Reasons: []string{}, Sources: []message.SourceHealth{{Source: "hrrr", Programme: "dale"}}, Queues: []message.QueueHealth{}, Counts: map[string]int64{}})
}

// judge judges the criteria once, by what persons ordered and the gust at the hut.
func (s *aService) judge(at time.Time) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	var orders []message.Order
	for stored, err := range s.ReadBack(s.t.Context(), bus.Order) {
		o, unread := message.As[message.Order](stored.Event)
		if err != nil || unread != nil {
			o = unreadableOrder("dale", stored.Sequence, stored.Time)
		}
		orders = append(orders, o)
	}
	e := hold.Evidence{At: at, ManualAsOf: at}
	e.Manual, e.Lifts = ordersToEvidence(orders)
	e.Winds = []hold.Wind{{Site: "hut", From: "station", SpeedMPerS: s.gustMPerS, GustMPerS: math.NaN(), FromDeg: 250, Time: at}}
	day := at.In(s.programme.Location).Format(time.DateOnly)
	for _, site := range s.programme.Sites {
		e.Released = append(e.Released, hold.Released{Site: site.ID, Day: day, AsOf: at})
	}
	s.previous = hold.Judge(s.programme, e, s.previous)
	s.put(bus.Hold, bus.Whole, at, message.Holds{Programme: "dale", At: at, Results: s.previous, Trigger: "order"})
}

// gust sets the wind at the hut.
func (s *aService) gust(mPerS float64) {
	s.mutex.Lock()
	defer s.mutex.Unlock()
	s.gustMPerS = mPerS
}

// work judges whenever an order comes, until the test ends. ahead is by how much its
// clock is ahead.
func (s *aService) work(ahead time.Duration) {
	s.t.Helper()
	ctx, cancel := context.WithCancel(s.t.Context())
	done := make(chan struct{})
	s.t.Cleanup(func() { cancel(); <-done })
	began := make(chan struct{})
	s.beat("lodge-1", ahead)
	s.judge(time.Now().Add(ahead).UTC())
	since, err := s.LastSequence(ctx, bus.Order)
	if err != nil {
		s.t.Fatal(err)
	}
	go func() {
		defer close(done)
		close(began)
		for _, err := range s.Follow(ctx, bus.FollowOptions{Kinds: []bus.Kind{bus.Order}, Since: bus.FromSequence(since + 1)}) {
			if err == nil {
				s.judge(time.Now().Add(ahead).UTC())
			}
		}
	}()
	<-began
}

// at runs a command against the service.
func (s *aService) at(arguments ...string) outcome {
	s.t.Helper()
	return rimeline(s.t, append(arguments, "--data", s.data)...)
}

// expect checks status and words; hostile text never reaches the terminal.
func expect(t testing.TB, what string, got outcome, status int, words ...string) {
	t.Helper()
	all := got.stdout + got.stderr
	if got.status != status {
		t.Errorf("%s: status %d, want %d:\n%s", what, got.status, status, all)
	}
	for _, word := range words {
		if !strings.Contains(strings.Join(strings.Fields(all), " "), word) {
			t.Errorf("%s: does not say %q:\n%s", what, word, all)
		}
	}
	if strings.ContainsAny(all, "\x1b\x07\r\u202e") {
		t.Errorf("%s: what is not printable came through: %q", what, all)
	}
}

// lines is what a command prints while it runs.
type lines = programLog

func jsonInto(b []byte, value any) error { return json.Unmarshal(b, value) }

// Times as people write them, on days when clocks change: in Denver they go forward
// on 8 March 2026 at 02:00 MST and back on 1 November 2026 at 02:00 MDT (tz database,
// rules of the United States since 2007).
func TestMomentIn(t *testing.T) {
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range []struct {
		text  string
		now   string
		ahead bool
		want  string // RFC 3339, or part of the error
	}{
		{"now", "2026-02-04T01:00:00Z", true, "2026-02-04T01:00:00Z"},
		{"2026-02-04T01:30:00Z", "2026-02-04T01:00:00Z", true, "2026-02-04T01:30:00Z"},
		{"2026-02-03T18:30:00-07:00", "2026-02-04T01:00:00Z", true, "2026-02-04T01:30:00Z"},
		{"2026-02-03 18:30", "2026-02-04T01:00:00Z", true, "2026-02-04T01:30:00Z"},
		{"2026-02-03T18:30", "2026-02-04T01:00:00Z", true, "2026-02-04T01:30:00Z"},
		{"18:30", "2026-02-04T01:00:00Z", true, "2026-02-04T01:30:00Z"}, // it is 18:00
		{"17:30", "2026-02-04T01:00:00Z", true, "2026-02-05T00:30:00Z"},
		{"18:00", "2026-02-04T01:00:00Z", true, "2026-02-05T01:00:00Z"},
		{"17:30", "2026-02-04T01:00:00Z", false, "2026-02-04T00:30:00Z"},
		{"18:30", "2026-02-04T01:00:00Z", false, "2026-02-03T01:30:00Z"},
		{"18:00", "2026-02-04T01:00:00Z", false, "2026-02-04T01:00:00Z"},
		{"2026-03-08 02:30", "2026-02-04T01:00:00Z", true, "there is no such time"},
		{"2026-03-08 03:30", "2026-02-04T01:00:00Z", true, "2026-03-08T09:30:00Z"},
		{"02:30", "2026-03-08T08:00:00Z", true, "there is no such time"}, // it is 01:00
		{"12:00", "2026-03-08T08:00:00Z", true, "2026-03-08T18:00:00Z"},
		{"2026-11-01 01:30", "2026-02-04T01:00:00Z", true, "2026-11-01T07:30:00Z or 2026-11-01T08:30:00Z"},
		{"2026-11-01 02:30", "2026-02-04T01:00:00Z", true, "2026-11-01T09:30:00Z"},
		{"2026-11-01 00:30", "2026-02-04T01:00:00Z", true, "2026-11-01T06:30:00Z"},
		{"24:00", "2026-02-04T01:00:00Z", true, "is no time"},
		{"6pm", "2026-02-04T01:00:00Z", true, "is no time"},
		{"", "2026-02-04T01:00:00Z", true, "is no time"},
		{"2026-02-30 18:30", "2026-02-04T01:00:00Z", true, "is no time"},
	} {
		now, err := time.Parse(time.RFC3339, test.now)
		if err != nil {
			t.Fatal(err)
		}
		got, err := momentIn("--until", test.text, denver, now, test.ahead)
		if err != nil && !strings.Contains(err.Error(), test.want) || err == nil && got.Format(time.RFC3339) != test.want {
			t.Errorf("%q at %s: %v %v, want %s", test.text, test.now, got, err, test.want)
		}
	}
}

func TestLocalAndUTC(t *testing.T) {
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		t.Fatal(err)
	}
	plain, err := time.LoadLocation("America/Argentina/Mendoza") // has no letters
	if err != nil {
		t.Fatal(err)
	}
	at := time.Date(2026, 2, 4, 1, 30, 0, 0, time.UTC)
	for _, test := range []struct {
		at   time.Time
		zone *time.Location
		want string
	}{
		{at, denver, "3 Feb 18:30 MST (4 Feb 01:30 UTC)"},
		{at.Add(12 * time.Hour), denver, "4 Feb 06:30 MST (13:30 UTC)"},
		{at, time.UTC, "4 Feb 01:30 UTC"},
		{at, plain, "3 Feb 22:30 UTC-03:00 (4 Feb 01:30 UTC)"},
	} {
		if got := localAndUTC(test.at, test.zone); got != test.want {
			t.Errorf("%q, want %q", got, test.want)
		}
	}
}

// Every command of people on duty says how it is used, with examples, in lines that
// fit a terminal.
func TestHelpOfDutyCommands(t *testing.T) {
	for _, command := range []string{"hold set", "hold lift", "hold list", "ack", "release add", "release list", "release total", "deadman", "follow"} {
		words := append(strings.Fields(command), "--help")
		o := rimeline(t, words...)
		want := []string{"Examples:", "    rimeline " + command, "--json", "--data"}
		if command != "follow" {
			want = append(want, "Exit status: 0")
		}
		expect(t, command, outcome{o.status, o.stdout, ""}, statusFine)
		for _, word := range want {
			if !strings.Contains(o.stdout, word) {
				t.Errorf("%s --help does not say %q:\n%s", command, word, o.stdout)
			}
		}
		for line := range strings.Lines(o.stdout) {
			// Examples are to be copied, and are not broken.
			if n := len([]rune(line)); n > 101 && !strings.HasPrefix(line, "    rimeline ") && !strings.HasPrefix(line, "Usage: ") {
				t.Errorf("%s --help has a line of %d characters: %s", command, n, line)
			}
		}
	}
	top := rimeline(t, "--help").stdout
	for _, command := range []string{"hold", "ack", "release", "deadman"} {
		if !strings.Contains(top, "\n  "+command) {
			t.Errorf("help does not list %s:\n%s", command, top)
		}
	}
}

// Whatever a person writes for a time is a time or an error that says so.
func FuzzMomentIn(f *testing.F) {
	for _, text := range []string{"now", "18:30", "2026-02-03 18:30", "2026-02-03T18:30", "2026-02-04T01:30:00Z", "24:00", "2026-03-08 02:30", "2026-11-01 01:30", "9999-12-31 23:59", "0000-01-01 00:00", "\x1b[2J", "２０:３０"} {
		f.Add(text, int64(1770166800), true)
	}
	denver, err := time.LoadLocation("America/Denver")
	if err != nil {
		f.Fatal(err)
	}
	f.Fuzz(func(t *testing.T, text string, seconds int64, ahead bool) {
		now := time.Unix(seconds%(1<<34), 0).UTC()
		at, err := momentIn("--until", text, denver, now, ahead)
		if err != nil {
			if message := err.Error(); !strings.HasPrefix(message, "--until: ") || strings.ContainsAny(message, "\x1b\n\r\u202e") || len(message) > 600 {
				t.Errorf("%q: %q", text, message)
			}
			return
		}
		if at.Location() != time.UTC {
			t.Errorf("%q: %v is not in UTC", text, at)
		}
		if _, err := time.Parse("15:04", text); err == nil {
			if local := at.In(denver).Format("15:04"); local != text && "0"+text != local {
				t.Errorf("%q became %s", text, local)
			}
			if ahead && !at.After(now) || !ahead && at.After(now) || at.Sub(now).Abs() > 26*time.Hour {
				t.Errorf("%q at %v, ahead %v: %v", text, now, ahead, at)
			}
		}
	})
}
