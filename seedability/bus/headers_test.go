package bus

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/nats-io/nats.go"
)

const inventedCAP = `<?xml version="1.0" encoding="UTF-8"?><alert xmlns="urn:oasis:names:tc:emergency:cap:1.2"><identifier>é</identifier></alert>`

func capEvent(t testing.TB) Event {
	t.Helper()
	e, err := NewContentEvent(CAP, "larkspur", "hold-raised", releaseTime, []byte(inventedCAP))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// A client that knows nothing of rimeline finds the attributes where the NATS Protocol
// Binding for CloudEvents 1.0.3-wip, section 3.1, has them, and the XML as it is.
func TestBinaryModeByAnotherClient(t *testing.T) {
	s, err := EmbeddedWith(t.TempDir(), ServerOptions{Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	b, err := s.Connect(t.Context(), Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(b.Close)
	if err := b.EnsureStreams(t.Context()); err != nil {
		t.Fatal(err)
	}
	client, err := nats.Connect(s.Address())
	if err != nil {
		t.Fatal(err)
	}
	defer client.Close()
	subscription, err := client.SubscribeSync("rimeline.*.cap.*")
	if err != nil {
		t.Fatal(err)
	}
	if err := client.Flush(); err != nil {
		t.Fatal(err)
	}
	e := capEvent(t)
	e.Extensions = map[string]any{"note": "Euro € 😀", "urgent": true, "count": int32(-7)}
	publish(t, b, e)
	message, err := subscription.NextMsg(5 * time.Second)
	if err != nil {
		t.Fatal(err)
	}
	got := maps.Clone(message.Header)
	for name := range got {
		if strings.HasPrefix(name, "Nats-") {
			delete(got, name)
		}
	}
	want := nats.Header{
		"Content-Type": {"application/cap+xml"}, "ce-specversion": {"1.0"}, "ce-id": {e.ID}, "ce-source": {"/rimeline/larkspur"}, "ce-type": {"rimeline.cap.v1"},
		"ce-subject": {"rimeline.larkspur.cap.hold-raised"}, "ce-time": {"2026-01-14T08:00:00Z"}, "ce-datacontenttype": {"application/cap+xml"},
		"ce-note": {"Euro%20%E2%82%AC%20%F0%9F%98%80"}, "ce-urgent": {"true"}, "ce-count": {"-7"},
	}
	if !reflect.DeepEqual(got, want) || message.Header.Get("Nats-Msg-Id") != e.ID {
		t.Errorf("headers\ngot  %v\nwant %v", got, want)
	}
	if string(message.Data) != inventedCAP {
		t.Errorf("payload %q", message.Data)
	}
}

// Values of the binding, 1.0.3-wip, section 3.1.3.2, and of RFC 7230, section 3.2.6.
func TestHeaderValues(t *testing.T) {
	for _, test := range []struct{ value, encoded, source string }{
		{"Euro € 😀", "Euro%20%E2%82%AC%20%F0%9F%98%80", "the binding's example"},
		{`a"b%c`, "a%22b%25c", "double quote and percent are encoded"},
		{"!~", "!~", "U+0021 to U+007E are not"},
		{"\x7f\u0080\n", "%7F%C2%80%0A", "controls are"},
		{"", "", "nothing"},
	} {
		if got := percentEncoded(test.value); got != test.encoded {
			t.Errorf("%q: got %s, want %s (%s)", test.value, got, test.encoded, test.source)
		}
		if got, err := headerValue(test.encoded); err != nil || got != test.value {
			t.Errorf("%s: got %q, %v, want %q (%s)", test.encoded, got, err, test.value, test.source)
		}
	}
	for _, test := range []struct{ encoded, value string }{
		{"%e2%82%ac", "€"}, {"%41b", "Ab"}, {" padded\t", "padded"}, {`"quoted \"x\" \\ y"`, `quoted "x" \ y`}, {`"%41"`, "A"}, {"%2541", "%41"}, {"€", "€"}, {`a"b`, `a"b`},
	} {
		if got, err := headerValue(test.encoded); err != nil || got != test.value {
			t.Errorf("%s: got %q, %v, want %q", test.encoded, got, err, test.value)
		}
	}
	for _, encoded := range []string{"%C0%A0", "%ff", "%", "%4", "a%zz", "%+1", `"open`, `"`, `"a" b`, `"\`, "\xff"} {
		if got, err := headerValue(encoded); err == nil {
			t.Errorf("%q is read as %q", encoded, got)
		}
	}
}

// The example of the binding, section 3.1.4, and what must be told apart.
func TestEventOfHeaders(t *testing.T) {
	example := nats.Header{
		"ce-specversion": {"1.0"}, "ce-type": {"com.example.someevent"}, "ce-time": {"2018-04-05T03:56:24Z"}, "ce-id": {"1234-1234-1234"},
		"ce-source": {"/mycontext/subcontext"}, "ce-datacontenttype": {"application/json"},
	}
	change := func(changes ...string) nats.Header {
		header := maps.Clone(example)
		for k := 0; k < len(changes); k += 2 {
			delete(header, changes[k])
			if changes[k+1] != "" {
				header[changes[k]] = []string{changes[k+1]}
			}
		}
		return header
	}
	e, err := eventOfHeaders(example, []byte(`{"a":1}`))
	if err != nil || e.ID != "1234-1234-1234" || e.Source != "/mycontext/subcontext" || e.Type != "com.example.someevent" || string(e.Data) != `{"a":1}` || e.Content != nil ||
		!e.Time.Equal(time.Date(2018, 4, 5, 3, 56, 24, 0, time.UTC)) {
		t.Errorf("%+v, %v", e, err)
	}
	// Names are case-insensitive; the type of the content may stand in Content-Type.
	upper := nats.Header{}
	for name, values := range change("ce-datacontenttype", "", "Content-Type", "text/plain; charset=utf-8") {
		upper[strings.ToUpper(name)] = values
	}
	if e, err = eventOfHeaders(upper, []byte("snow")); err != nil || string(e.Content) != "snow" || e.ContentType != "text/plain; charset=utf-8" || e.Data != nil {
		t.Errorf("%+v, %v", e, err)
	}
	if e, err = eventOfHeaders(change("ce-traceparent", "00-ab"), nil); err != nil || e.Extensions["traceparent"] != "00-ab" || e.Data != nil {
		t.Errorf("%+v, %v", e, err)
	}
	many := maps.Clone(example)
	for k := range maxHeaders {
		many[fmt.Sprintf("ce-x%d", k)] = []string{"1"}
	}
	for name, test := range map[string]struct {
		header  nats.Header
		payload string
	}{
		"no version": {change("ce-specversion", ""), "1"}, "another version": {change("ce-specversion", "0.3"), "1"}, "no id": {change("ce-id", ""), "1"},
		"no source": {change("ce-source", ""), "1"}, "no type": {change("ce-type", ""), "1"}, "time": {change("ce-time", "5 April"), "1"},
		"twice": {change("CE-ID", "other"), "1"}, "several values": {nats.Header{"ce-specversion": {"1.0", "1.0"}}, "1"}, "encoding": {change("ce-note", "%C0%A0"), "1"},
		"name": {change("ce-a-b", "1"), "1"}, "no name": {change("ce-", "1"), "1"}, "data in a header": {change("ce-data", "1"), "1"}, "no JSON": {example, "{"},
		"content type": {change("ce-datacontenttype", "a b"), "1"}, "too many": {many, "1"}, "none": {nil, "1"},
	} {
		if e, err := eventOfHeaders(test.header, []byte(test.payload)); err == nil {
			t.Errorf("%s: %+v", name, e)
		}
	}
	for _, test := range []struct {
		header nats.Header
		want   bool
	}{
		{nil, false}, {nats.Header{"CE-SpecVersion": {"1.0"}}, true}, {nats.Header{"ce-id": {"1"}}, false}, {nats.Header{"ce-specversion": {"1.0"}, "content-type": {"application/json"}}, true},
		{nats.Header{"ce-specversion": {"1.0"}, "content-type": {"Application/CloudEvents+json; charset=utf-8"}}, false}, {nats.Header{"Content-Type": {}}, false},
	} {
		if got := inBinaryMode(test.header); got != test.want {
			t.Errorf("%v: binary %v", test.header, got)
		}
	}
}

// Content in the JSON format: data_base64 for bytes, data for text (CloudEvents JSON
// Event Format 1.0.2, section 3.1).
func TestContentInJSON(t *testing.T) {
	e := capEvent(t)
	b, err := json.Marshal(e)
	if err != nil || !strings.Contains(string(b), `"datacontenttype":"application/cap+xml"`) || !strings.Contains(string(b), `"data_base64":"PD94bWwg`) || strings.Contains(string(b), `"data":`) {
		t.Errorf("%s, %v", b, err)
	}
	var back Event
	if err := json.Unmarshal(b, &back); err != nil || fmt.Sprint(back) != fmt.Sprint(e) {
		t.Errorf("%v, %v", back, err)
	}
	for _, test := range []struct{ data, content, asJSON string }{
		// The first three are examples of section 3.2, shortened.
		{`"datacontenttype":"application/xml","data":"<much wow=\"xml\"/>"`, `<much wow="xml"/>`, ""},
		{`"datacontenttype":"application/vnd.apache.thrift.binary","data_base64":"aGk="`, "hi", ""},
		{`"datacontenttype":"application/json","data":{"appinfoA":"abc"}`, "", `{"appinfoA":"abc"}`},
		{`"datacontenttype":"application/geo+json","data_base64":"e30="`, "", `{}`},
		{`"data_base64":"MQ=="`, "", `1`},
		{`"datacontenttype":"text/plain","data_base64":""`, "", ""},
	} {
		var e Event
		err := json.Unmarshal([]byte(`{"specversion":"1.0","id":"1","source":"/x","type":"t",`+test.data+`}`), &e)
		if err != nil || string(e.Content) != test.content || string(e.Data) != test.asJSON {
			t.Errorf("%s: %+v, %v", test.data, e, err)
		}
	}
}

func TestNewContentEvent(t *testing.T) {
	a, b := capEvent(t), capEvent(t)
	if a.ID != b.ID || len(a.ID) != 32 {
		t.Errorf("ids %s and %s of the same content", a.ID, b.ID)
	}
	other, err := NewContentEvent(CAP, "larkspur", "hold-raised", releaseTime, []byte(inventedCAP+"\n"))
	if err != nil || other.ID == a.ID {
		t.Errorf("other content: %s, %v", other.ID, err)
	}
	for name, f := range map[string]func() (Event, error){
		"content for JSON": func() (Event, error) { return NewContentEvent(Score, "larkspur", "a", releaseTime, []byte("1")) },
		"no content":       func() (Event, error) { return NewContentEvent(CAP, "larkspur", "a", releaseTime, nil) },
		"wildcard":         func() (Event, error) { return NewContentEvent(CAP, "larkspur", "*", releaseTime, []byte("1")) },
		"JSON for content": func() (Event, error) { return NewEvent(CAP, "larkspur", "a", releaseTime, 1) },
	} {
		if e, err := f(); err == nil {
			t.Errorf("%s: %+v", name, e)
		}
	}
	_, bus := open(t, t.TempDir())
	wrong := map[string]Event{"without content": a, "of another type": a, "with data": a, "JSON kind with content": event(t, "saddlehorn", releaseTime, 1)}
	change := func(name string, f func(*Event)) {
		e := wrong[name]
		f(&e)
		wrong[name] = e
	}
	change("without content", func(e *Event) { e.Content = nil })
	change("of another type", func(e *Event) { e.ContentType = "text/plain" })
	change("with data", func(e *Event) { e.Data = json.RawMessage("1") })
	change("JSON kind with content", func(e *Event) { e.Data, e.Content, e.ContentType = nil, []byte("x"), "text/plain" })
	for name, e := range wrong {
		if _, err := bus.Publish(t.Context(), e); err == nil {
			t.Errorf("published: an event %s", name)
		}
	}
	large, err := NewContentEvent(CAP, "larkspur", "a", releaseTime, make([]byte, 1<<20+1))
	if err != nil {
		t.Fatal(err)
	}
	if _, err := bus.Publish(t.Context(), large); err == nil || !strings.Contains(err.Error(), "the server takes 1048576") {
		t.Errorf("too large: %v", err)
	}
	large.Content = large.Content[:1<<20-10] // fits, but not with its headers
	start := time.Now()
	if _, err := bus.Publish(t.Context(), large); err == nil || time.Since(start) > 10*time.Second {
		t.Errorf("too large with headers: %v after %v", err, time.Since(start))
	}
}

// What is published of every kind is read back and followed as it was, also after
// the server was started again.
func TestEveryKindRoundTrip(t *testing.T) {
	dir := t.TempDir()
	s, b := open(t, dir)
	want := map[string]Event{}
	for _, kind := range Kinds() {
		e := kindMessage(t, kind, "saddlehorn")
		want[kind.Name] = e
		publish(t, b, e)
		if again := publish(t, b, e); !again.Duplicate {
			t.Errorf("%s: a repeat is stored twice", kind.Name)
		}
	}
	check := func(when string) {
		for _, kind := range Kinds() {
			n := 0
			for stored, err := range b.ReadBack(t.Context(), kind) {
				if err != nil || !reflect.DeepEqual(stored.Event, want[kind.Name]) || stored.Subject != want[kind.Name].Subject {
					t.Errorf("%s: %s read back as %+v, %v; want %+v", when, kind.Name, stored, err, want[kind.Name])
				}
				n++
			}
			followed, faults := follow(t, b, FollowOptions{Kinds: []Kind{kind}, Since: FromAll}, 1)
			if n != 1 || faults != nil || !reflect.DeepEqual(followed[0].Event, want[kind.Name]) {
				t.Errorf("%s: %s: %d read back, followed %+v %v", when, kind.Name, n, followed, faults)
			}
			for stored, err := range b.ReadSince(t.Context(), kind, "", "", time.Time{}) {
				if err != nil || !reflect.DeepEqual(stored.Event, want[kind.Name]) {
					t.Errorf("%s: %s since: %+v, %v", when, kind.Name, stored, err)
				}
			}
			if kind.Latest == "" {
				continue
			}
			if err := b.PutLatest(t.Context(), want[kind.Name]); err != nil {
				t.Error(err)
			}
			if e, found, err := b.Latest(t.Context(), kind, "larkspur", "saddlehorn"); err != nil || !found || !reflect.DeepEqual(e, want[kind.Name]) {
				t.Errorf("%s: newest %s: %+v, %v, %v", when, kind.Name, e, found, err)
			}
		}
	}
	check("at once")
	b.Close()
	s.Close()
	_, b = open(t, dir)
	check("after a restart")
}

// What a gateway puts on the subject of telemetry: JSON as it likes, events, garbage.
func TestForeign(t *testing.T) {
	_, b := open(t, t.TempDir())
	const subject = "rimeline.larkspur.telemetry.saddlehorn"
	example := `{"specversion":"1.0","id":"g-17","source":"/gateway/4","type":"com.example.report","subject":"elsewhere","time":"2026-01-14T05:36:00Z","data":{"battery_v":12.4}}`
	binary := nats.Header{"ce-specversion": {"1.0"}, "ce-id": {"g-18"}, "ce-source": {"/gateway/4"}, "ce-type": {"rimeline.hold.v1"}, "ce-time": {"2026-01-14T05:37:00Z"}}
	broken := maps.Clone(binary)
	broken["ce-time"] = []string{"noon"}
	bareTime := time.Date(1, 1, 1, 0, 0, 0, 0, time.UTC)
	eventTime := time.Date(2026, 1, 14, 5, 36, 0, 0, time.UTC)
	messages := []struct {
		name, payload string
		header        nats.Header
		data, id      string // empty data: it is no JSON
		at            time.Time
		kept          any // the type before
	}{
		{name: "an object", payload: `{"battery_v":12.4}`, data: `{"battery_v":12.4}`},
		{name: "no JSON", payload: `battery 12.4`},
		{name: "a number", payload: ` 12.4 `, data: ` 12.4 `},
		{name: "nothing", payload: ``},
		{name: "an event", payload: example, data: `{"battery_v":12.4}`, id: "g-17", at: eventTime, kept: "com.example.report"},
		{name: "an event by its header", payload: example, header: nats.Header{"Content-Type": {ContentType}}, data: `{"battery_v":12.4}`, id: "g-17", at: eventTime, kept: "com.example.report"},
		{name: "cut off", payload: example[:90]},
		{name: "binary", payload: `{"battery_v":12.5}`, header: binary, data: `{"battery_v":12.5}`, id: "g-18", at: eventTime.Add(time.Minute), kept: "rimeline.hold.v1"},
		{name: "broken headers", payload: `{"battery_v":12.6}`, header: broken, data: `{"battery_v":12.6}`},
		{name: "no event of this version", payload: `{"specversion":"0.3","id":"1","data":{}}`, data: `{"specversion":"0.3","id":"1","data":{}}`},
		{name: "bytes", payload: "\x00\x01\xff"},
		{name: "text in an event", payload: `{"specversion":"1.0","id":"1","source":"/x","type":"t","datacontenttype":"text/plain","data":"x"}`},
		{name: "an event without data", payload: `{"specversion":"1.0","id":"1","source":"/x","type":"t"}`},
		{name: "two values", payload: `{} {}`},
		{name: "very deep", payload: strings.Repeat("[", 200_000) + strings.Repeat("]", 200_000)},
		{name: "null", payload: `null`, data: `null`},
		{name: "the last", payload: `{"battery_v":11.9}`, data: `{"battery_v":11.9}`},
	}
	for _, m := range messages {
		if _, err := b.js.PublishMsg(t.Context(), &nats.Msg{Subject: subject, Header: m.header, Data: []byte(m.payload)}); err != nil {
			t.Fatal(err)
		}
	}
	n := 0
	for stored, err := range b.ReadBack(t.Context(), Telemetry) {
		m := messages[n]
		n++
		if stored.Sequence != uint64(n) || stored.Subject != subject {
			t.Errorf("%s: %+v", m.name, stored)
		}
		if m.data == "" {
			if err == nil || !strings.Contains(err.Error(), fmt.Sprintf("message %d: no JSON", n)) || stored.Event.Data != nil {
				t.Errorf("%s: %+v, %v", m.name, stored.Event, err)
			}
			continue
		}
		want := Event{ID: m.id, Source: "/gateway/4", Type: Telemetry.Type, Subject: subject, Time: m.at, Data: json.RawMessage(m.data)}
		if m.id == "" {
			want.ID, want.Source, want.Time = fmt.Sprintf("RIMELINE_TELEMETRY-%d", n), "/rimeline/larkspur", stored.Time
		}
		if m.kept != nil {
			want.Extensions = map[string]any{typeBefore: m.kept}
		}
		if err != nil || !reflect.DeepEqual(stored.Event, want) || !stored.Event.Time.After(bareTime) {
			t.Errorf("%s: got %+v, %v\nwant %+v", m.name, stored.Event, err, want)
		}
		if err := stored.Event.Validate(); err != nil {
			t.Errorf("%s: %v", m.name, err)
		}
	}
	if n != len(messages) {
		t.Errorf("%d messages read back, want %d", n, len(messages))
	}
	good := 0
	for _, m := range messages {
		if m.data != "" {
			good++
		}
	}
	followed, faults := follow(t, b, FollowOptions{Kinds: []Kind{Telemetry}, Since: FromAll}, good)
	if len(faults) != len(messages)-good || string(followed[good-1].Event.Data) != `{"battery_v":11.9}` {
		t.Errorf("followed %d with %d faults", len(followed), len(faults))
	}
	// A rehearsal's gateway publishes events, whose time is the storm's.
	e := kindEvent(t, Telemetry, "larkspur", "saddlehorn", map[string]int{"flares": 3})
	publish(t, b, e)
	followed, _ = follow(t, b, FollowOptions{Kinds: []Kind{Telemetry}, Since: FromSequence(uint64(len(messages) + 1))}, 1)
	if !reflect.DeepEqual(followed[0].Event, e) {
		t.Errorf("%+v, want %+v", followed[0].Event, e)
	}
}

// Permissions go by subjects, so no message passes for one of another kind, of
// another programme, or of another site.
func TestNobodyPassesForAnother(t *testing.T) {
	_, b := open(t, t.TempDir())
	put := func(subject string, header nats.Header, payload []byte) {
		t.Helper()
		if _, err := b.js.PublishMsg(t.Context(), &nats.Msg{Subject: subject, Header: header, Data: payload}); err != nil {
			t.Fatal(err)
		}
	}
	ack := kindEvent(t, Ack, "larkspur", Whole, map[string]string{"alert": "x"})
	hold := kindEvent(t, Hold, "larkspur", Whole, map[string]string{"programme": "larkspur"})
	elsewhere := kindEvent(t, Ack, "columbine", Whole, 1)
	newer, bare := ack, ack
	newer.Type, bare.Subject = "rimeline.ack.v2", ""
	capMessage := capEvent(t)
	cap, err := capMessage.headers()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range []struct {
		header  nats.Header
		payload []byte
		want    string // of the fault; empty: it is read
	}{
		{nil, mustMarshal(t, hold), `an event of type "rimeline.hold.v1" on subject rimeline.larkspur.ack.all`},
		{nil, mustMarshal(t, elsewhere), `an event of subject "rimeline.columbine.ack.all" on subject rimeline.larkspur.ack.all`},
		{cap, []byte(inventedCAP), `type "rimeline.cap.v1"`},
		{nil, mustMarshal(t, newer), ""},
		{nil, mustMarshal(t, bare), ""},
		{nats.Header{"ce-specversion": {"1.0"}, "ce-id": {"1"}, "ce-source": {"/x"}, "ce-type": {"rimeline.ack.v1"}}, []byte(`{"alert":"x"}`), ""},
		{nats.Header{"ce-specversion": {"1.0"}, "ce-id": {"1"}, "ce-source": {"/x"}, "ce-type": {"rimeline.ack.v1"}, "Content-Type": {"text/plain"}}, []byte("x"), `data of type "text/plain", application/json is read`},
	} {
		before, err := b.LastSequence(t.Context(), Ack)
		if err != nil {
			t.Fatal(err)
		}
		put("rimeline.larkspur.ack.all", m.header, m.payload)
		for stored, err := range b.ReadBack(t.Context(), Ack) {
			if stored.Sequence <= before {
				continue
			}
			if m.want == "" && (err != nil || stored.Event.Subject != "rimeline.larkspur.ack.all") || m.want != "" && (err == nil || !strings.Contains(err.Error(), m.want)) {
				t.Errorf("%s: %+v, %v; want %q", m.payload, stored.Event, err, m.want)
			}
		}
	}
	for _, m := range []struct{ contentType, payload string }{{"text/plain", "x"}, {"application/json", "{}"}, {"", ""}} {
		header := maps.Clone(cap)
		header["ce-datacontenttype"], header["Content-Type"] = []string{m.contentType}, []string{m.contentType}
		put("rimeline.larkspur.cap.hold-raised", header, []byte(m.payload))
	}
	put("rimeline.larkspur.cap.hold-raised", nil, mustMarshal(t, capEvent(t))) // structured
	var read []string
	for stored, err := range b.ReadBack(t.Context(), CAP) {
		read = append(read, fmt.Sprint(err == nil, len(stored.Event.Content)))
	}
	if want := []string{"false 0", "false 0", "false 0", fmt.Sprint("true ", len(inventedCAP))}; !slices.Equal(read, want) {
		t.Errorf("CAP read %v, want %v", read, want)
	}
	// Nor in the bucket of the newest.
	bucket, err := b.js.KeyValue(t.Context(), Hold.Latest)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := bucket.Put(t.Context(), "larkspur.all", mustMarshal(t, ack)); err != nil {
		t.Fatal(err)
	}
	if e, found, err := b.Latest(t.Context(), Hold, "larkspur", Whole); err == nil || found {
		t.Errorf("the newest hold is %+v", e)
	}
	if err := b.PutLatest(t.Context(), hold); err != nil {
		t.Fatal(err)
	}
	if e, found, err := b.Latest(t.Context(), Hold, "larkspur", Whole); err != nil || !found || e.ID != hold.ID {
		t.Errorf("%+v, %v, %v", e, found, err)
	}
}

// headerLines makes headers of lines "name: value".
func headerLines(text string) nats.Header {
	header := nats.Header{}
	for line := range strings.Lines(text) {
		name, value, _ := strings.Cut(strings.TrimRight(line, "\n"), ":")
		header[name] = append(header[name], value)
	}
	return header
}

// FuzzRead: whatever lies on a stream, reading it gives a valid event or an error,
// and an event in binary mode is the same after it was written again.
func FuzzRead(f *testing.F) {
	full := "ce-specversion: 1.0\nce-id: 1\nce-source: /x\nce-type: rimeline.cap.v1\nce-time: 2026-01-14T08:00:00Z\nContent-Type: application/cap+xml\nce-note: Euro%20%E2%82%AC"
	f.Add(full, []byte(inventedCAP))
	f.Add(strings.Replace(full, "Euro", `"a\"b`, 1), []byte("x"))
	f.Add("ce-specversion: 1.0\nce-id: %31\nce-source: /x\nce-type: t", []byte(`{"a":1}`))
	f.Add("Content-Type: application/cloudevents+json\nce-specversion: 1.0", []byte(`{"specversion":"1.0","id":"1","source":"/x","type":"t","data":1}`))
	f.Add("", []byte(`{"battery_v":12.4}`))
	f.Add("ce-specversion: %zz", []byte("\xff"))
	f.Fuzz(func(t *testing.T, lines string, payload []byte) {
		header := headerLines(lines)
		for _, kind := range []Kind{CAP, Telemetry, Score} {
			stored := Stored{Sequence: 7, Time: releaseTime, Subject: kind.subject("larkspur", "saddlehorn")}
			err := kind.read(&stored, header, payload)
			e := stored.Event
			if err != nil {
				if !strings.Contains(err.Error(), kind.Stream+", message 7: ") || e.ID != "" || e.Data != nil {
					t.Fatalf("%s: %v with %+v", kind.Name, err, e)
				}
				if kind.Foreign && len(lines) == 0 && json.Valid(payload) && !bytes.Contains(payload, []byte("specversion")) {
					t.Fatalf("JSON is refused: %v", err)
				}
				continue
			}
			if err := e.Validate(); err != nil || e.Subject != stored.Subject || (kind.ContentType == "") == (e.Content != nil) || !strings.HasPrefix(e.Type, "rimeline."+kind.Name+".v") {
				t.Fatalf("%s: %+v, %v", kind.Name, e, err)
			}
			if kind.Foreign && (e.Type != kind.Type || e.Time.IsZero() || !json.Valid(e.Data)) {
				t.Fatalf("%+v", e)
			}
			if _, err := e.MarshalJSON(); err != nil && e.Time.Year() < 10000 {
				t.Fatalf("%s: read, but cannot be written: %v", kind.Name, err)
			}
			if kind.ContentType == "" {
				continue
			}
			again, err := e.headers()
			if err != nil {
				t.Fatal(err)
			}
			back, err := eventOfHeaders(again, e.Content)
			texts := maps.Clone(e.Extensions) // headers carry no types
			for name, value := range texts {
				texts[name] = fmt.Sprint(value)
			}
			for name, value := range texts {
				if value == "" {
					delete(texts, name) // an attribute is not empty
				}
			}
			if len(texts) == 0 {
				texts = nil
			}
			e.Extensions = texts
			if err != nil || !reflect.DeepEqual(back, e) {
				t.Fatalf("got  %+v, %v\nwant %+v", back, err, e)
			}
		}
	})
}

func FuzzHeaderValue(f *testing.F) {
	for _, seed := range []string{"Euro € 😀", "%41", `"a\"b"`, `"`, "%C0%A0", " x ", "%%%"} {
		f.Add(seed)
	}
	f.Fuzz(func(t *testing.T, value string) {
		encoded := percentEncoded(value)
		for _, c := range []byte(encoded) {
			if c <= ' ' || c >= 0x7f || c == '"' {
				t.Fatalf("%q in a header", encoded)
			}
		}
		if back, err := headerValue(encoded); utf8.ValidString(value) && (err != nil || back != value) {
			t.Fatalf("%q came back as %q, %v", value, back, err)
		}
		if got, err := headerValue(value); err == nil && !utf8.ValidString(got) {
			t.Fatalf("%q is read as %q", value, got)
		}
	})
}
