package message

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"io"
	"maps"
	"os"
	"path"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"

	"rimeline/seedability/bus"
)

// words about each kind of message, for the document.
var words = map[string]struct{ title, channel, last, lastText string }{
	"score":       {"Score", "The assessment of one site for one release time, with every reason. At least every five minutes while anything is near.", "site", "Id of the site."},
	"outlook":     {"Outlook", "Release times from now to the end of the newest model run, with the windows in them and how they moved.", "site", "Id of the site."},
	"input":       {"Input record", "One object of a public store that was fetched, with what it was and how old.", "input", "Kind of input: model, sounding, radar, mosaic, satellite, gauge, warnings, avalanche, telemetry; others may follow."},
	"conditions":  {"Conditions", "What models, radar and mosaics say of the targets and sites that suspension criteria ask for.", "scope", "The word all: it is about the whole programme."},
	"hold":        {"Holds", "The outcome of every suspension criterion of a programme and of every manual hold. When an outcome changes, and every few minutes besides. Unknown counts as held.", "scope", "The word all: it is about the whole programme."},
	"order":       {"Order", "What a person decided about holds: one was set, or lifted. Orders are only ever added.", "action", "What it does: set or lift."},
	"telemetry":   {"Telemetry", "What a site says of itself, as its own gateway sends it: any JSON, which the programme file maps. It need be no CloudEvent; one that is keeps its id, source and time.", "site", "Id of the site."},
	"alert":       {"Alert", "One thing that people are told, with its reasons.", "kind", "Kind of alert: window-ahead, window-open, window-closing, hold-raised, hold-lifted, inputs-stale, programme-blind, service-fault; others may follow."},
	"cap":         {"CAP message", "An alert as a message of the Common Alerting Protocol 1.2, in XML. It travels in the binary mode of CloudEvents: attributes in headers, the XML as it is.", "kind", "Kind of alert, as of the channel alert."},
	"ack":         {"Acknowledgement", "Somebody has read an alert and takes care of it.", "scope", "The word all: it is about the whole programme."},
	"delivery":    {"Delivery", "How one alert fared on one route.", "route", "Id of the route."},
	"advice":      {"Advice", "A suggestion of when and how much a site might release in a window. Never a command: a licensed operator decides.", "site", "Id of the site."},
	"release":     {"Release record", "What was released at a site, as a person recorded it afterwards. Records are only ever added; a correction names the one that it replaces.", "site", "Id of the site."},
	"health":      {"Health", "What a worker says of itself every minute, and at once when its state changes.", "worker", "Id of the worker."},
	"dead-letter": {"Dead letter", "A job that was given up and needs a person to look at it.", "queue", "Name of the queue: ingest, assess, weather; others may follow."},
}

// address is the subject of a kind with its parameters in braces.
func address(kind bus.Kind) string {
	subject := strings.Replace(kind.Subjects(), ".*", ".{programme}", 1)
	if kind.NoProgramme {
		subject = kind.Subjects()
	}
	return strings.Replace(subject, "*", "{"+words[kind.Name].last+"}", 1)
}

// asyncAPI is the document of everything on the bus.
func asyncAPI(t testing.TB) object {
	t.Helper()
	var channels, operations, messages, schemas object
	schemas = append(schemas, member{"event", inDocument(ordered(t, bus.EventSchema).(object), "event")})
	ref := func(parts ...string) object { return object{{"$ref", "#/" + strings.Join(parts, "/")}} }
	for _, r := range readers {
		kind, w := r.kind, words[r.kind.Name]
		if w.title == "" {
			t.Fatalf("no words about %q", kind.Name)
		}
		parameters := object{}
		if !kind.NoProgramme {
			parameters = append(parameters, member{"programme", object{{"description", "Id of the programme, as in its file."}, {"examples", []string{"larkspur"}}, {"x-pattern", namePattern}}})
		}
		parameters = append(parameters, member{w.last, object{{"description", w.lastText}, {"examples", []string{lastToken[kind.Name]}}, {"x-pattern", namePattern}}})
		channels = append(channels, member{kind.Name, object{
			{"address", address(kind)},
			{"title", w.title},
			{"description", w.channel},
			{"messages", object{{kind.Name, ref("components", "messages", kind.Name)}}},
			{"parameters", parameters},
			{"x-jetstream", object{
				{"stream", kind.Stream}, {"subjects", []string{kind.Subjects()}}, {"storage", "file"}, {"retention", "limits"}, {"discard", "old"},
				{"max_age_seconds", int64(kind.MaxAge.Seconds())}, {"max_bytes", kind.MaxBytes},
			}},
		}})
		action, title, text := "send", "Publish: ", "rimeline publishes to the stream and waits until the message is stored; others subscribe, or read the stream "+kind.Stream+"."
		if kind.Foreign {
			action, title, text = "receive", "Follow: ", "Others publish, best by JetStream, so that they hear that the message is stored; rimeline reads the stream "+kind.Stream+"."
		}
		operations = append(operations, member{action + "-" + kind.Name, object{
			{"action", action}, {"channel", ref("channels", kind.Name)}, {"title", title + w.title},
			{"description", text},
			{"messages", []any{ref("channels", kind.Name, "messages", kind.Name)}},
		}})
		if kind.Latest != "" {
			latest := kind.Name + "-latest"
			channels = append(channels, member{latest, object{
				{"address", "$KV." + kind.Latest + ".{programme}.{" + w.last + "}"},
				{"title", w.title + ", newest of each " + w.last},
				{"description", "The key-value bucket " + kind.Latest + ": key <programme>.<" + w.last + ">, value the newest message. Read it with the key-value interface of a NATS client, to know at once how things stand; then follow the changes."},
				{"messages", object{{latest, ref("components", "messages", latest)}}},
				{"parameters", parameters},
				{"x-jetstream", object{{"bucket", kind.Latest}, {"history", 1}, {"storage", "file"}}},
			}})
			operations = append(operations, member{"send-" + latest, object{
				{"action", "send"}, {"channel", ref("channels", latest)}, {"title", "Keep newest: " + w.title},
				{"description", "rimeline replaces the value unless the bucket holds one of a later time."},
				{"messages", []any{ref("channels", latest, "messages", latest)}},
			}})
		}

		if kind.DataSchema == "" {
			message, schema := foreignMessage(t, kind)
			messages, schemas = append(messages, member{kind.Name, message}), append(schemas, member{kind.Name, schema})
			continue
		}
		message := object{
			{"name", kind.Type}, {"title", w.title}, {"description", w.channel}, {"contentType", bus.ContentType},
			{"headers", ref("components", "schemas", "headers")},
			{"payload", ref("components", "schemas", kind.Name+"-event")},
		}
		e := inventedEvent(t, kind)
		encoded, err := json.Marshal(e)
		if err != nil {
			t.Fatal(err)
		}
		messages = append(messages, member{kind.Name, append(message, member{"examples", []any{object{
			{"name", "invented"}, {"summary", Line(e)},
			{"headers", object{{"Nats-Msg-Id", e.ID}, {"Content-Type", bus.ContentType}}},
			{"payload", ordered(t, encoded)},
		}}})})
		if kind.Latest != "" {
			messages = append(messages, member{kind.Name + "-latest", object{
				{"name", kind.Type}, {"title", w.title}, {"contentType", bus.ContentType}, {"payload", ref("components", "schemas", kind.Name+"-event")},
			}})
		}

		schemas = append(schemas, member{kind.Name + "-event", object{
			{"title", "Event of " + kind.Type},
			{"allOf", []any{ref("components", "schemas", "event"), object{
				{"type", "object"},
				{"properties", object{
					{"type", object{{"const", kind.Type}}},
					{"dataschema", object{{"const", kind.DataSchema}}},
					{"data", ref("components", "schemas", kind.Name)},
				}},
			}}},
		}})
		schema := schemaOf(t, r)
		schemas = append(schemas, member{kind.Name, inDocument(schema, kind.Name)})
		if defs, ok := schema.get("$defs").(object); ok {
			for _, d := range defs {
				schemas = append(schemas, member{kind.Name + "-" + d.name, inDocument(d.value.(object), kind.Name)})
			}
		}
	}
	schemas = append(schemas, member{"headers", object{
		{"type", "object"}, {"required", []string{"Nats-Msg-Id", "Content-Type"}},
		{"properties", object{
			{"Nats-Msg-Id", object{{"type", "string"}, {"minLength", 1}, {"description", "The id of the event. The stream drops a message whose id it has seen within two hours."}}},
			{"Content-Type", object{{"const", bus.ContentType}}},
			{"Nats-Expected-Stream", object{{"type", "string"}, {"description", "The stream that the publisher means."}}},
		}},
	}})

	schemas = append(schemas, member{"cap-headers", object{
		{"type", "object"}, {"required", []string{"Content-Type", "ce-specversion", "ce-id", "ce-source", "ce-type", "ce-subject", "ce-time", "ce-datacontenttype"}},
		{"description", "The attributes of the event (NATS Protocol Binding for CloudEvents 1.0.3, section 3.1, binary mode). Space, double quote, % and what is not printable ASCII is percent-encoded."},
		{"properties", object{
			{"Nats-Msg-Id", object{{"type", "string"}, {"minLength", 1}, {"description", "The id of the event."}}},
			{"Content-Type", object{{"const", bus.CAP.ContentType}}},
			{"ce-specversion", object{{"const", bus.SpecVersion}}},
			{"ce-id", object{{"type", "string"}, {"minLength", 1}}},
			{"ce-source", object{{"type", "string"}, {"minLength", 1}}},
			{"ce-type", object{{"const", bus.CAP.Type}}},
			{"ce-subject", object{{"type", "string"}}},
			{"ce-time", object{{"type", "string"}, {"format", "date-time"}}},
			{"ce-datacontenttype", object{{"const", bus.CAP.ContentType}}},
		}},
	}})

	const local, cluster = "local", "cluster"
	return object{
		{"asyncapi", "3.0.0"},
		{"id", "urn:rimeline"},
		{"info", object{
			{"title", "rimeline on the bus"},
			{"version", "1.0.0"},
			{"description", "What rimeline publishes on NATS JetStream: scores and outlooks of seeding sites, conditions, holds and orders, alerts and what became of them, advice, records of releases and of inputs, health of workers, jobs that were given up.\n\n" +
				"Every message is a CloudEvent 1.0 in JSON (structured mode; CAP in binary mode, telemetry in any JSON) whose type ends in the version of its data. Within a version data only gain optional fields: ignore what you do not know, and take null for an empty list. " +
				"Times are RFC 3339 in UTC, units stand at the end of names, altitude is above the geoid, height above ground.\n\n" +
				"Advice for people: nothing on the bus commands hardware, and no message may be taken for an order to release agent."},
			{"license", object{{"name", "Apache-2.0"}, {"url", "https://www.apache.org/licenses/LICENSE-2.0"}}},
		}},
		{"defaultContentType", bus.ContentType},
		{"servers", object{
			{local, object{{"host", "127.0.0.1:4222"}, {"protocol", "nats"}, {"description", "A NATS server with JetStream on the same machine."}}},
			{cluster, object{
				{"host", "{host}:4222"}, {"protocol", "nats"}, {"description", "A cluster over TLS (tls://), users by credentials file."},
				{"variables", object{{"host", object{{"description", "Any node of the cluster."}, {"default", "nats.example.org"}}}}},
				{"security", []any{ref("components", "securitySchemes", "credentials")}},
			}},
		}},
		{"channels", channels},
		{"operations", operations},
		{"components", object{
			{"messages", messages},
			{"schemas", schemas},
			{"securitySchemes", object{{"credentials", object{{"type", "asymmetricEncryption"}, {"description", "NATS user JWT and nkey seed, in a credentials file."}}}}},
		}},
	}
}

// foreignMessage is the message of a kind whose data have no schema of ours.
func foreignMessage(t testing.TB, kind bus.Kind) (message, schema object) {
	t.Helper()
	e, w := inventedEvent(t, kind), words[kind.Name]
	ref := func(name string) object { return object{{"$ref", "#/components/schemas/" + name}} }
	message = object{{"name", kind.Type}, {"title", w.title}, {"description", w.channel}}
	if kind.Foreign {
		message = append(message, member{"contentType", "application/json"}, member{"payload", ref(kind.Name)}, member{"examples", []any{object{
			{"name", "invented"}, {"summary", Line(e)}, {"payload", ordered(t, e.Data)},
		}}})
		return message, object{{"title", w.title}, {"description", "Any JSON; the keys are for the programme file to map."}}
	}
	headers := object{{"Nats-Msg-Id", e.ID}}
	for _, name := range slices.Sorted(maps.Keys(binaryHeaders(e))) {
		headers = append(headers, member{name, binaryHeaders(e)[name]})
	}
	message = append(message, member{"contentType", kind.ContentType}, member{"headers", ref(kind.Name + "-headers")}, member{"payload", ref(kind.Name)}, member{"examples", []any{object{
		{"name", "invented"}, {"summary", Line(e)}, {"headers", headers}, {"payload", string(e.Content)},
	}}})
	return message, object{{"title", w.title}, {"type", "string"}, {"description", "XML of the namespace urn:oasis:names:tc:emergency:cap:1.2."}}
}

// binaryHeaders are the headers of an event in binary mode whose attributes need no
// encoding. TestOnTheBus holds them to those on a server.
func binaryHeaders(e bus.Event) map[string]string {
	return map[string]string{
		"Content-Type": e.ContentType, "ce-specversion": bus.SpecVersion, "ce-id": e.ID, "ce-source": e.Source, "ce-type": e.Type, "ce-subject": e.Subject,
		"ce-time": e.Time.Format(time.RFC3339Nano), "ce-datacontenttype": e.ContentType,
	}
}

// namePattern is what may stand in a subject for a name, as package bus has it.
const namePattern = `^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$`

// inDocument is a schema as it stands in the document: definitions beside it,
// and its id as an extension, since $id would change what references mean.
func inDocument(schema object, prefix string) object {
	var walk func(any) any
	walk = func(value any) any {
		switch v := value.(type) {
		case object:
			changed := object{}
			for _, m := range v {
				if text, ok := m.value.(string); ok && m.name == "$ref" {
					m.value = strings.Replace(text, "#/$defs/", "#/components/schemas/"+prefix+"-", 1)
				}
				changed = append(changed, member{m.name, walk(m.value)})
			}
			return changed
		case []any:
			changed := []any{}
			for _, one := range v {
				changed = append(changed, walk(one))
			}
			return changed
		}
		return value
	}
	changed := object{}
	for _, m := range schema {
		switch m.name {
		case "$schema", "$defs":
		case "$id":
			changed = append(changed, member{"x-schema-id", m.value})
		default:
			changed = append(changed, member{m.name, walk(m.value)})
		}
	}
	return changed
}

// ordered reads JSON with its members in their order.
func ordered(t testing.TB, b []byte) any {
	t.Helper()
	decoder := json.NewDecoder(bytes.NewReader(b))
	decoder.UseNumber()
	var value func() any
	next := func() json.Token {
		token, err := decoder.Token()
		if err != nil {
			t.Fatal(err)
		}
		return token
	}
	value = func() any {
		switch token := next(); token {
		case json.Delim('{'):
			o := object{}
			for decoder.More() {
				name := next().(string)
				o = append(o, member{name, value()})
			}
			next()
			return o
		case json.Delim('['):
			list := []any{}
			for decoder.More() {
				list = append(list, value())
			}
			next()
			return list
		default:
			return token
		}
	}
	return value()
}

// officialSchema is the JSON Schema of AsyncAPI 3.0.0, schemas/3.0.0.json of
// @asyncapi/specs 6.11.1 (Apache-2.0, see testdata/README.md). The document was
// also read once by @asyncapi/parser 3.6.6, which besides the schema checks
// references, parameters and examples; it found nothing but that version 3.1.0
// of AsyncAPI exists:
//
//	const {Parser} = require('@asyncapi/parser')
//	new Parser().parse(fs.readFileSync('asyncapi.json', 'utf8')).then(r => console.log(r.diagnostics))
func officialSchema(t *testing.T) *jsonschema.Schema {
	t.Helper()
	file, err := os.Open("testdata/asyncapi-3.0.0.json.gz")
	if err != nil {
		t.Fatal(err)
	}
	defer file.Close()
	unpacked, err := gzip.NewReader(file)
	if err != nil {
		t.Fatal(err)
	}
	b, err := io.ReadAll(unpacked)
	if err != nil {
		t.Fatal(err)
	}
	return compile(t, "http://asyncapi.com/definitions/3.0.0/asyncapi.json", map[string][]byte{"http://asyncapi.com/definitions/3.0.0/asyncapi.json": b})
}

func TestAsyncAPIAgainstOfficialSchema(t *testing.T) {
	schema := officialSchema(t)
	if err := schema.Validate(parsed(t, AsyncAPI)); err != nil {
		t.Error(err)
	}
	for _, change := range [][2]string{
		{`"asyncapi": "3.0.0"`, `"asyncapi": "2.6.0"`}, {`"action": "send"`, `"action": "publish"`}, {`"address"`, `"adress"`}, {`"protocol"`, `"protokoll"`},
	} {
		if schema.Validate(parsed(t, replaced(t, AsyncAPI, change[0], change[1]))) == nil {
			t.Errorf("the official schema accepts %s", change[1])
		}
	}
}

// document is what a reader of the document sees.
type document struct {
	Channels map[string]struct {
		Address    string
		Messages   map[string]map[string]string
		Parameters map[string]any
		JetStream  struct {
			Stream        string
			Bucket        string
			Subjects      []string
			MaxAgeSeconds int64 `json:"max_age_seconds"`
			MaxBytes      int64 `json:"max_bytes"`
		} `json:"x-jetstream"`
	}
	Operations map[string]struct {
		Action  string
		Channel map[string]string
	}
	Components struct {
		Messages map[string]struct {
			Name     string
			Examples []struct {
				Headers map[string]string
				Payload json.RawMessage
			}
		}
	}
}

func readDocument(t *testing.T) (d document) {
	t.Helper()
	if err := json.Unmarshal(AsyncAPI, &d); err != nil {
		t.Fatal(err)
	}
	return d
}

// Every kind of message on the bus has its channel, and no other is described.
func TestChannelsAreTheKindsOfTheBus(t *testing.T) {
	d := readDocument(t)
	described := 0
	for _, kind := range bus.Kinds() {
		channel, ok := d.Channels[kind.Name]
		if !ok {
			t.Errorf("no channel for %s", kind.Name)
			continue
		}
		described++
		last := lastToken[kind.Name]
		subject, err := kind.Subject("larkspur", last)
		if err != nil {
			t.Fatal(err)
		}
		filled := fill(channel.Address, map[string]string{"programme": "larkspur", "site": last, "input": last, "worker": last, "queue": last, "scope": last, "action": last, "kind": last, "route": last})
		if filled != subject {
			t.Errorf("%s: address %s is filled to %s, the bus publishes on %s", kind.Name, channel.Address, filled, subject)
		}
		if !matches(channel.JetStream.Subjects[0], subject) || channel.JetStream.Subjects[0] != kind.Subjects() {
			t.Errorf("%s: stream takes %v, the bus publishes on %s", kind.Name, channel.JetStream.Subjects, subject)
		}
		if j := channel.JetStream; j.Stream != kind.Stream || j.MaxBytes != kind.MaxBytes || j.MaxAgeSeconds != int64(kind.MaxAge.Seconds()) {
			t.Errorf("%s: %+v is not the stream of %+v", kind.Name, j, kind)
		}
		for name := range channel.Parameters {
			if !strings.Contains(channel.Address, "{"+name+"}") {
				t.Errorf("%s: parameter %s is not in %s", kind.Name, name, channel.Address)
			}
		}
		if n := strings.Count(channel.Address, "{"); n != len(channel.Parameters) {
			t.Errorf("%s: %d parameters for %s", kind.Name, len(channel.Parameters), channel.Address)
		}
		action := "send"
		if kind.Foreign {
			action = "receive"
		}
		if operation := d.Operations[action+"-"+kind.Name]; operation.Action != action || path.Base(operation.Channel["$ref"]) != kind.Name {
			t.Errorf("%s: operation %+v", kind.Name, operation)
		}
		if kind.Latest != "" {
			latest := d.Channels[kind.Name+"-latest"]
			described++
			if want := "$KV." + kind.Latest + ".larkspur." + last; fill(latest.Address, map[string]string{"programme": "larkspur", "site": last, "scope": last}) != want || latest.JetStream.Bucket != kind.Latest {
				t.Errorf("%s: newest on %s, want %s", kind.Name, latest.Address, want)
			}
		}
		if got := d.Components.Messages[kind.Name].Name; got != kind.Type {
			t.Errorf("%s: message %q, want %q", kind.Name, got, kind.Type)
		}
	}
	if described != len(d.Channels) {
		t.Errorf("%d channels, the bus has %d", len(d.Channels), described)
	}
	// The reader knows them all too.
	if len(readers) != len(bus.Kinds()) {
		t.Errorf("%d kinds are read, the bus has %d", len(readers), len(bus.Kinds()))
	}
	for k, kind := range bus.Kinds() {
		if k < len(readers) && readers[k].kind != kind {
			t.Errorf("reader %d is of %s, the bus has %s there", k, readers[k].kind.Name, kind.Name)
		}
	}
}

func fill(address string, values map[string]string) string {
	for name, value := range values {
		address = strings.ReplaceAll(address, "{"+name+"}", value)
	}
	return address
}

// matches says whether a NATS pattern takes a subject: * is one token.
func matches(pattern, subject string) bool {
	p, s := strings.Split(pattern, "."), strings.Split(subject, ".")
	if len(p) != len(s) {
		return false
	}
	for k := range p {
		if p[k] != "*" && p[k] != s[k] {
			return false
		}
	}
	return true
}

// Each example fits the payload that the document itself describes (read as
// draft-07, the base of AsyncAPI's schemas), the envelope, and the schema that
// its dataschema names; and the reader reads it.
func TestExamples(t *testing.T) {
	d := readDocument(t)
	for _, kind := range bus.Kinds() {
		examples := d.Components.Messages[kind.Name].Examples
		if len(examples) == 0 {
			t.Errorf("%s: no example", kind.Name)
		}
		if ofOthers[kind.Name] {
			continue // TestForeignExamples
		}
		inDocument := compile(t, "urn:document#/components/schemas/"+kind.Name+"-event", map[string][]byte{"urn:document": replaced(t, AsyncAPI, `{`, `{"$schema": "http://json-schema.org/draft-07/schema#",`)})
		headers := compile(t, "urn:document#/components/schemas/headers", map[string][]byte{"urn:document": AsyncAPI})
		for _, example := range examples {
			if err := inDocument.Validate(parsed(t, example.Payload)); err != nil {
				t.Errorf("%s: %v", kind.Name, err)
			}
			name, isThere := map[string]string{"health": "worker", "delivery": "alert_id"}[kind.Name]
			if !isThere {
				name = "programme"
			}
			broken := replaced(t, example.Payload, `"`+name+`":`, `"x":`)
			if inDocument.Validate(parsed(t, broken)) == nil {
				t.Errorf("%s: the document accepts an event without %s", kind.Name, name)
			}
			if err := headers.Validate(parsed(t, pretty(t, example.Headers))); err != nil {
				t.Errorf("%s: %v", kind.Name, err)
			}
			validateEvent(t, example.Payload)
			var e bus.Event
			if err := json.Unmarshal(example.Payload, &e); err != nil {
				t.Fatal(err)
			}
			if subject, err := kind.Subject("larkspur", lastToken[kind.Name]); err != nil || e.Subject != subject || e.ID != example.Headers["Nats-Msg-Id"] {
				t.Errorf("%s: subject %s, id %s, headers %v; want subject %s", kind.Name, e.Subject, e.ID, example.Headers, subject)
			}
			if _, err := Decode(e); err != nil {
				t.Error(err)
			}
		}
	}
}

// The examples of the kinds that are not ours.
func TestForeignExamples(t *testing.T) {
	d := readDocument(t)
	message := d.Components.Messages["cap"]
	headers := compile(t, "urn:document#/components/schemas/cap-headers", map[string][]byte{"urn:document": AsyncAPI})
	for _, example := range message.Examples {
		if err := headers.Validate(parsed(t, pretty(t, example.Headers))); err != nil {
			t.Error(err)
		}
		example.Headers["ce-specversion"] = "0.3"
		if headers.Validate(parsed(t, pretty(t, example.Headers))) == nil {
			t.Error("the document accepts another version of CloudEvents")
		}
		var text string
		if err := json.Unmarshal(example.Payload, &text); err != nil || text != string(inventedEvent(t, bus.CAP).Content) {
			t.Errorf("CAP example: %v", err)
		}
	}
	for _, example := range d.Components.Messages["telemetry"].Examples {
		if compact(example.Payload) != compact(inventedEvent(t, bus.Telemetry).Data) || example.Headers != nil {
			t.Errorf("telemetry example: %s", example.Payload)
		}
	}
	if len(message.Examples) != 1 || len(d.Components.Messages["telemetry"].Examples) != 1 {
		t.Error("no examples")
	}
}

func replaced(t testing.TB, b []byte, old, with string) []byte {
	t.Helper()
	if !bytes.Contains(b, []byte(old)) {
		t.Fatalf("%q is not in %.200s", old, b)
	}
	return bytes.Replace(b, []byte(old), []byte(with), 1)
}

func parsed(t testing.TB, b []byte) any {
	t.Helper()
	value, err := jsonschema.UnmarshalJSON(bytes.NewReader(b))
	if err != nil {
		t.Fatalf("%v: %.300s", err, b)
	}
	return value
}

// compile makes a schema of documents by their ids.
func compile(t testing.TB, id string, documents map[string][]byte) *jsonschema.Schema {
	t.Helper()
	compiler := jsonschema.NewCompiler()
	compiler.AssertFormat()
	for name, b := range documents {
		if err := compiler.AddResource(name, parsed(t, b)); err != nil {
			t.Fatal(err)
		}
	}
	schema, err := compiler.Compile(id)
	if err != nil {
		t.Fatal(err)
	}
	return schema
}

// dataSchema is a published schema by its id.
func dataSchema(t testing.TB, id string) *jsonschema.Schema {
	t.Helper()
	b, ok := Schema(id)
	if !ok {
		t.Fatalf("no schema %s", id)
	}
	return compile(t, id, map[string][]byte{id: b})
}

// validateEvent holds an encoded event to the envelope and its data to the
// schema that it names.
func validateEvent(t testing.TB, encoded []byte) {
	t.Helper()
	if err := dataSchema(t, "urn:rimeline:schema:event:v1").Validate(parsed(t, encoded)); err != nil {
		t.Errorf("envelope: %v", err)
	}
	var e bus.Event
	if err := json.Unmarshal(encoded, &e); err != nil {
		t.Fatal(err)
	}
	if err := dataSchema(t, e.DataSchema).Validate(parsed(t, e.Data)); err != nil {
		t.Errorf("%s: %v", e.Type, err)
	}
}
