package message

import (
	"encoding/json"
	"errors"
	"io/fs"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"unicode"
	"unicode/utf8"

	"rimeline/seedability"
	"rimeline/seedability/bus"
)

func TestDecodeRefuses(t *testing.T) {
	good := inventedEvent(t, bus.Health)
	deep := strings.Repeat("[", MaxDepth) + strings.Repeat("]", MaxDepth)
	for _, test := range []struct {
		name, eventType, data string
		want                  error
		says                  string
	}{
		{"newer version", "rimeline.health.v2", string(good.Data), ErrNewerVersion, "version 2, this program reads up to version 1: update it"},
		{"much newer version", "rimeline.dead-letter.v417", "{}", ErrNewerVersion, "version 417"},
		{"older version", "rimeline.health.v0", "{}", ErrUnknownType, "no message of rimeline"},
		{"unknown message", "rimeline.moon.v1", "{}", ErrUnknownType, "knows no such message"},
		{"someone else's", "org.example.health", "{}", ErrUnknownType, "no message of rimeline"},
		{"no type", "", "{}", ErrUnknownType, "no message of rimeline"},
		{"control characters", "rimeline.health.v1\x1b[2J", "{}", ErrUnknownType, "no message of rimeline"},
		{"too large", good.Type, `{"worker":"` + strings.Repeat("x", MaxDataBytes) + `"}`, ErrTooLarge, "1048576 are read"},
		{"too deep", good.Type, `{"a":` + deep + `}`, ErrTooDeep, "more than 32"},
		{"hopelessly deep", good.Type, strings.Repeat("[", 200_000), ErrTooDeep, "byte 32: more than 32"},
		{"no data", good.Type, "", ErrMalformed, "no JSON object"},
		{"cut off", good.Type, string(good.Data[:40]), ErrMalformed, "unexpected end"},
		{"text without end", good.Type, `{"a":"\`, ErrMalformed, "byte 7"},
		{"two objects", good.Type, string(good.Data) + "{}", ErrMalformed, "after top-level value"},
		{"null", good.Type, "null", ErrMalformed, "no JSON object"},
		{"a list", good.Type, "[{}]", ErrMalformed, "no JSON object"},
		{"text", good.Type, `"{}"`, ErrMalformed, "no JSON object"},
		{"lacking", good.Type, `{"worker":"w"}`, ErrMalformed, "without host, roles, version, started_time, time, state, reasons, sources, queues, counts"},
		{"lacking at the top", good.Type, strings.Replace(string(good.Data), `"host":"north"`, `"x":{"host":"north"}`, 1), ErrMalformed, "without host"},
		{"name in a value", good.Type, strings.Replace(string(good.Data), `"host":"north"`, `"x":"host"`, 1), ErrMalformed, "without host"},
		{"wrong kind", good.Type, strings.Replace(string(good.Data), `"waiting":12`, `"waiting":"12"`, 1), ErrMalformed, "waiting is a JSON string"},
		{"wrong time", good.Type, strings.Replace(string(good.Data), `"time":"2026-01-14T`, `"time":"2026-13-14T`, 1), ErrMalformed, "2026-13-14"},
		{"too large a number", good.Type, strings.Replace(string(good.Data), `1320`, `1e999`, 1), ErrMalformed, "1e999"},
	} {
		if test.want == ErrMalformed && strings.Contains(test.name, " ") && test.data == string(good.Data) {
			t.Fatalf("%s: nothing was changed", test.name)
		}
		data, err := Decode(bus.Event{Type: test.eventType, Data: json.RawMessage(test.data)})
		var typed *Error
		if !errors.Is(err, test.want) || !errors.As(err, &typed) || data != nil {
			t.Errorf("%s: got %v, %.80v; want %v", test.name, data, err, test.want)
			continue
		}
		if !strings.Contains(err.Error(), test.says) {
			t.Errorf("%s: %.300q does not say %q", test.name, err, test.says)
		}
		if strings.ContainsFunc(err.Error(), unicode.IsControl) {
			t.Errorf("%s: control characters in %q", test.name, err)
		}
	}
}

// The deepest that is read, and the largest.
func TestDecodeAtItsLimits(t *testing.T) {
	good := inventedEvent(t, bus.DeadLetter)
	deep := strings.Repeat("[", MaxDepth-1) + strings.Repeat("]", MaxDepth-1)
	good.Data = json.RawMessage(strings.Replace(string(good.Data), `{"object":"XLRK20260114_053600_V06"}`, deep, 1))
	letter, err := As[DeadLetter](good)
	if err != nil || string(letter.Job) != deep {
		t.Errorf("job %s, %v", letter.Job, err)
	}
	padding := MaxDataBytes - len(good.Data)
	good.Data = append(good.Data[:len(good.Data)-1:len(good.Data)-1], []byte(strings.Repeat(" ", padding)+"}")...)
	if _, err := Decode(good); err != nil || len(good.Data) != MaxDataBytes {
		t.Errorf("%d bytes: %v", len(good.Data), err)
	}
}

// A name may be written with escapes, and lists in names' places fool nobody.
func TestScan(t *testing.T) {
	for _, test := range []struct {
		data      string
		names     string
		deepAt    int
		isObject  bool
		maximum   int
		wantCause string
	}{
		{data: `{"a":1,"b":{"c":2},"d":[{"e":1}]}`, names: "a b d", deepAt: -1, isObject: true, maximum: 3},
		{data: "{\"a\" \n: \"b\", \"\\u0063\":\"\\\"x\\\\\"}", names: "a c", deepAt: -1, isObject: true, maximum: 1},
		{data: `["a",{"b":1}]`, deepAt: -1, maximum: 2},
		{data: `[[["["]]]`, deepAt: 2, maximum: 2},
		{data: `"{[[["`, deepAt: -1, maximum: 1},
	} {
		var names []string
		deepAt, isObject := scan([]byte(test.data), test.maximum, func(name string) { names = append(names, name) })
		if strings.Join(names, " ") != test.names || deepAt != test.deepAt || isObject != test.isObject {
			t.Errorf("%s: names %v, too deep at %d, object %v", test.data, names, deepAt, isObject)
		}
	}
}

func TestAs(t *testing.T) {
	e := inventedEvent(t, bus.Score)
	if a, err := As[seedability.Assessment](e); err != nil || a.Site.Name != "Saddlehorn Bench" {
		t.Errorf("%v, %v", a.Site, err)
	}
	if _, err := As[Input](e); !errors.Is(err, ErrUnknownType) || !strings.Contains(err.Error(), "seedability.Assessment") {
		t.Errorf("a score as an input: %v", err)
	}
	e.Type = "rimeline.score.v9"
	if _, err := As[seedability.Assessment](e); !errors.Is(err, ErrNewerVersion) {
		t.Errorf("a newer score: %v", err)
	}
}

// ofOthers are the kinds whose data have no schema of ours.
var ofOthers = map[string]bool{"telemetry": true, "cap": true}

func TestSchemas(t *testing.T) {
	names, err := fs.Glob(Schemas(), "*.json")
	if err != nil || len(names) != len(bus.Kinds())-len(ofOthers)+1 {
		t.Errorf("%v, %v", names, err)
	}
	for _, kind := range bus.Kinds() {
		if ofOthers[kind.Name] {
			if kind.DataSchema != "" {
				t.Errorf("%s has a schema", kind.Name)
			}
			continue
		}
		b, ok := Schema(kind.DataSchema)
		if !ok || !strings.Contains(string(b), `"$id": "`+kind.DataSchema+`"`) {
			t.Errorf("schema %s: %v", kind.DataSchema, ok)
		}
	}
	for _, id := range []string{"", "urn:rimeline:schema:", "urn:rimeline:schema:score", "urn:rimeline:schema:score:v2", "urn:rimeline:schema:../x:v1", "urn:rimeline:schema::v1"} {
		if _, ok := Schema(id); ok {
			t.Errorf("a schema %q", id)
		}
	}
}

func FuzzDecode(f *testing.F) {
	for _, kind := range bus.Kinds() {
		e := inventedEvent(f, kind)
		f.Add(kind.Type, slices.Concat([]byte(e.Data), e.Content)) // one of the two
	}
	f.Fuzz(func(t *testing.T, eventType string, data []byte) {
		e := bus.Event{Type: eventType, Subject: "rimeline.larkspur.score.x", Time: night, Data: data}
		if eventType == bus.CAP.Type {
			e.Data, e.Content = nil, data
		}
		// Whatever comes, it is shown on one line that fits and harms no terminal.
		line := Line(e)
		if strings.ContainsFunc(line, func(r rune) bool { return !unicode.IsPrint(r) }) || utf8.RuneCountInString(line) > lineColumns {
			t.Fatalf("line %q", line)
		}
		lines := Text(e)
		if len(lines) == 0 {
			t.Fatal("no text")
		}
		for _, l := range lines {
			if strings.ContainsFunc(l, func(r rune) bool { return !unicode.IsPrint(r) }) {
				t.Fatalf("text %q", l)
			}
		}
		got, err := Decode(e)
		var typed *Error
		if err != nil {
			if !errors.As(err, &typed) || typed.Offset < 0 || typed.Offset > int64(len(data)) || got != nil {
				t.Fatalf("%v with error %v", got, err)
			}
			return
		}
		if text, ok := got.(CAPText); ok {
			if string(text) != string(data) {
				t.Fatalf("%q became %q", data, text)
			}
			return
		}
		// What was read can be written and read again, and is the same then.
		first, err := json.Marshal(got)
		if err != nil {
			t.Fatalf("read, but cannot be written: %v", err)
		}
		if len(first) > MaxDataBytes {
			return // zero values that were left out are written
		}
		e.Data = first
		again, err := Decode(e)
		if err != nil {
			t.Fatalf("written, but cannot be read: %v\n%s", err, first)
		}
		second, err := json.Marshal(again)
		if err != nil || string(second) != string(first) {
			t.Fatalf("%v\n%s\n%s", err, first, second)
		}
	})
}

func TestSavedSeeds(t *testing.T) {
	saved, err := filepath.Glob("testdata/fuzz/FuzzDecode/*")
	if err != nil || len(saved) < len(bus.Kinds()) {
		t.Errorf("%d seeds are saved, %v", len(saved), err)
	}
}
