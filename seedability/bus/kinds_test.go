package bus

import (
	"strings"
	"testing"
)

// kindMessage is a message of any kind.
func kindMessage(t testing.TB, kind Kind, site string) Event {
	t.Helper()
	if kind.ContentType == "" {
		return kindEvent(t, kind, "larkspur", site, map[string]int{"a": 1})
	}
	e, err := NewContentEvent(kind, "larkspur", site, releaseTime, []byte("<a/>"))
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// Every kind makes events that the published schema admits, on a subject that its
// own stream takes and no other.
func TestKinds(t *testing.T) {
	schema := envelopeSchema(t)
	want := map[string]struct{ subject, source, pattern string }{
		"score":       {"rimeline.larkspur.score.saddlehorn", "/rimeline/larkspur", "rimeline.*.score.*"},
		"outlook":     {"rimeline.larkspur.outlook.saddlehorn", "/rimeline/larkspur", "rimeline.*.outlook.*"},
		"input":       {"rimeline.larkspur.input.saddlehorn", "/rimeline/larkspur", "rimeline.*.input.*"},
		"health":      {"rimeline.health.saddlehorn", "/rimeline/health", "rimeline.health.*"},
		"dead-letter": {"rimeline.larkspur.dead-letter.saddlehorn", "/rimeline/larkspur", "rimeline.*.dead-letter.*"},
	}
	for _, name := range []string{"conditions", "hold", "order", "telemetry", "alert", "cap", "ack", "delivery", "advice", "release"} {
		want[name] = struct{ subject, source, pattern string }{"rimeline.larkspur." + name + ".saddlehorn", "/rimeline/larkspur", "rimeline.*." + name + ".*"}
	}
	if len(Kinds()) != len(want) {
		t.Errorf("%d kinds, %d are held to here", len(Kinds()), len(want))
	}
	b := openAll(t) // no subject of a queue is one of a kind
	for _, kind := range Kinds() {
		e := kindMessage(t, kind, "saddlehorn")
		w := want[kind.Name]
		if e.Subject != w.subject || e.Source != w.source || kind.Subjects() != w.pattern || e.Type != "rimeline."+kind.Name+".v1" {
			t.Errorf("%s: %+v, pattern %s", kind.Name, e, kind.Subjects())
		}
		// The envelope is promised where there is a schema of the data.
		if err := validate(t, schema, mustMarshal(t, e)); (err == nil) != (kind.DataSchema != "") {
			t.Errorf("%s: %v", kind.Name, err)
		}
		if ack := publish(t, b, e); ack.Stream != kind.Stream || ack.Sequence != 1 {
			t.Errorf("%s: stored as %+v", kind.Name, ack)
		}
		if _, err := kind.Subject("larkspur", "a.b"); err == nil {
			t.Errorf("%s: a site with a dot is taken", kind.Name)
		}
		if _, err := kind.Subject("lark spur", "a"); (err == nil) != kind.NoProgramme {
			t.Errorf("%s: programme with a space: %v", kind.Name, err)
		}
		if strings.Contains(kind.Stream, "-") {
			t.Errorf("%s: stream %s", kind.Name, kind.Stream)
		}
	}
}
