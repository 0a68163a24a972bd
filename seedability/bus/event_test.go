package bus

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
)

var releaseTime = time.Date(2026, 1, 14, 8, 0, 0, 0, time.UTC)

func event(t testing.TB, site string, at time.Time, data any) Event {
	t.Helper()
	e, err := NewEvent(Score, "larkspur", site, at, data)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func envelopeSchema(t testing.TB) *jsonschema.Schema {
	t.Helper()
	document, err := jsonschema.UnmarshalJSON(bytes.NewReader(EventSchema))
	if err != nil {
		t.Fatal(err)
	}
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	if err := compiler.AddResource("urn:rimeline:schema:event:v1", document); err != nil {
		t.Fatal(err)
	}
	schema, err := compiler.Compile("urn:rimeline:schema:event:v1")
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

func validate(t testing.TB, schema *jsonschema.Schema, b []byte) error {
	t.Helper()
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%v: %s", err, b)
	}
	return schema.Validate(value)
}

func TestEventAgainstSchema(t *testing.T) {
	schema := envelopeSchema(t)
	e := event(t, "saddlehorn", releaseTime, map[string]any{"score": 69.78})
	e.Extensions = map[string]any{"traceparent": "00-ab", "urgent": true, "sequence": 3}
	b, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	if err := validate(t, schema, b); err != nil {
		t.Errorf("%v\n%s", err, b)
	}
	// The schema must be able to refuse.
	for _, change := range [][2]string{
		{`"specversion":"1.0"`, `"specversion":"0.3"`}, {`"id":"`, `"id":"","x":"`}, {`"time":"2026`, `"time":"x2026`},
		{`"subject":"rimeline.larkspur.score`, `"subject":"rimeline.>.score`}, {`"data":`, `"Data":`},
	} {
		broken := strings.Replace(string(b), change[0], change[1], 1)
		if broken == string(b) {
			t.Fatalf("%q is not in %s", change[0], b)
		}
		if validate(t, schema, []byte(broken)) == nil {
			t.Errorf("the schema accepts %s", change[1])
		}
	}
}

func TestEventBytesAreFixed(t *testing.T) {
	e := event(t, "saddlehorn", releaseTime, struct {
		Score float64 `json:"score"`
	}{69.78})
	e.Extensions = map[string]any{"zeta": "z", "alpha": "a", "b": 1, "c": 2, "d": 3, "e": 4}
	got, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	want := `{"specversion":"1.0","id":"` + e.ID + `","source":"/rimeline/larkspur","type":"rimeline.score.v1",` +
		`"subject":"rimeline.larkspur.score.saddlehorn","time":"2026-01-14T08:00:00Z","datacontenttype":"application/json",` +
		`"dataschema":"urn:rimeline:schema:score:v1","alpha":"a","b":1,"c":2,"d":3,"e":4,"zeta":"z","data":{"score":69.78}}`
	if string(got) != want {
		t.Errorf("got  %s\nwant %s", got, want)
	}
}

func TestEventID(t *testing.T) {
	a := event(t, "saddlehorn", releaseTime, 1)
	if b := event(t, "saddlehorn", releaseTime, 1); a.ID != b.ID {
		t.Error("the same result has two ids")
	}
	for name, b := range map[string]Event{
		"site": event(t, "tin-kettle", releaseTime, 1),
		"time": event(t, "saddlehorn", releaseTime.Add(time.Second), 1),
		"data": event(t, "saddlehorn", releaseTime, 2),
	} {
		if a.ID == b.ID {
			t.Errorf("another %s has the same id", name)
		}
	}
}

func TestEventRoundTrip(t *testing.T) {
	e := event(t, "saddlehorn", releaseTime.Add(123456789*time.Nanosecond), []int{1, 2})
	e.Extensions = map[string]any{"flag": false, "number": int32(-7), "word": "x"}
	b, err := json.Marshal(e)
	if err != nil {
		t.Fatal(err)
	}
	var back Event
	if err := json.Unmarshal(b, &back); err != nil {
		t.Fatal(err)
	}
	if fmt.Sprint(back) != fmt.Sprint(e) {
		t.Errorf("got  %v\nwant %v", back, e)
	}
}

// What the specification, version 1.0.2, section 3, does not allow.
func TestEventRefused(t *testing.T) {
	for _, text := range []string{
		`{"id":"1","source":"/x","type":"t"}`,                                                                       // no specversion
		`{"specversion":"0.3","id":"1","source":"/x","type":"t"}`,                                                   // an older one
		`{"specversion":"1.0","source":"/x","type":"t"}`,                                                            // no id
		`{"specversion":"1.0","id":"","source":"/x","type":"t"}`,                                                    // empty id
		`{"specversion":"1.0","id":"1","type":"t"}`,                                                                 // no source
		`{"specversion":"1.0","id":"1","source":"/x"}`,                                                              // no type
		`{"specversion":"1.0","id":1,"source":"/x","type":"t"}`,                                                     // id not text
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","time":"14 Jan"}`,                                   // time
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","Bad":"x"}`,                                         // capital in a name
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","list":[1]}`,                                        // value of another type
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","big":4294967296}`,                                  // beyond 32 bits
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","dataschema":"relative"}`,                           // must be absolute
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","datacontenttype":"plain/"}`,                        // no media type
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","data_base64":"AA=="}`,                              // JSON is meant, and is none
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","data":1,"data_base64":"MQ=="}`,                     // both
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","datacontenttype":"text/plain","data":{}}`,          // no text
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","datacontenttype":"text/plain","data":null}`,        // no text
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","datacontenttype":"text/plain","data_base64":"a"}`,  // no base64
		`{"specversion":"1.0","id":"1","source":"/x","type":"t","datacontenttype":"text/plain","data_base64":null}`, // no base64
		`[]`, `null0`,
	} {
		var e Event
		if err := json.Unmarshal([]byte(text), &e); err == nil {
			t.Errorf("accepted: %s", text)
		}
	}
	if _, err := NewEvent(Score, "lark.spur", "a", releaseTime, 1); err == nil {
		t.Error("a programme with a dot is accepted in a subject")
	}
	if _, err := NewEvent(Score, "larkspur", "*", releaseTime, 1); err == nil {
		t.Error("a wildcard is accepted as a site")
	}
	if _, err := NewEvent(Score, "larkspur", "a", releaseTime, func() {}); err == nil {
		t.Error("data without JSON are accepted")
	}
}

func FuzzEvent(f *testing.F) {
	e := event(f, "saddlehorn", releaseTime, map[string]int{"a": 1})
	e.Extensions = map[string]any{"word": "x", "n": 3}
	b, err := json.Marshal(e)
	if err != nil {
		f.Fatal(err)
	}
	f.Add(b)
	f.Add([]byte(`{"specversion":"1.0","id":"1","source":"/x","type":"t","data":null,"time":"9999-12-31T23:59:60Z"}`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var e Event
		if json.Unmarshal(b, &e) != nil {
			return
		}
		again, err := json.Marshal(e)
		if err != nil {
			t.Fatalf("read, but cannot be written: %v", err)
		}
		var back Event
		if err := json.Unmarshal(again, &back); err != nil {
			t.Fatalf("written, but cannot be read: %v\n%s", err, again)
		}
		if back.ID != e.ID || back.Type != e.Type || !back.Time.Equal(e.Time) {
			t.Fatalf("%v became %v", e, back)
		}
	})
}
