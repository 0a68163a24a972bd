package bus

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	_ "embed"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"mime"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Event is a CloudEvent, version 1.0.2 of the specification. In JSON it is written
// as the CloudEvents JSON Event Format 1.0.2 has it. It carries either Data, which
// is JSON, or Content, which is anything else.
type Event struct {
	ID     string // unique in Source; also the message id by which the bus drops repeats
	Source string // URI reference of who made it
	Type   string // "rimeline.score.v1": what it is, with the version of its data
	// Subject is the subject on the bus, which names programme and site.
	Subject    string
	Time       time.Time // when it happened, UTC
	DataSchema string    // URI of the JSON Schema of Data
	Data       json.RawMessage
	// Content is what a message of a kind with a ContentType carries; Data is nil
	// then. ContentType is its media type, and empty where there is Data.
	Content     []byte
	ContentType string
	// Extensions are further attributes, of lower-case letters and digits;
	// values are strings, booleans or whole numbers of 32 bits.
	Extensions map[string]any
}

// SpecVersion is the version of CloudEvents that Event follows.
const SpecVersion = "1.0"

// ContentType of an event in structured mode.
const ContentType = "application/cloudevents+json"

// dataContentType of Event.Data.
const dataContentType = "application/json"

// NewEvent makes the event of one kind for a site. at is when it happened; data
// is anything that encodes to JSON. The id is the SHA-256 of type, subject, time
// and data, so that the same result has the same id however often it is computed.
func NewEvent(kind Kind, programme, site string, at time.Time, data any) (Event, error) {
	e, err := emptyEvent(kind, programme, site, at)
	if err != nil {
		return Event{}, err
	}
	if kind.ContentType != "" {
		return Event{}, fmt.Errorf("%s carries %s, not JSON", e.Subject, kind.ContentType)
	}
	if e.Data, err = json.Marshal(data); err != nil {
		return Event{}, fmt.Errorf("data of %s: %w", e.Subject, err)
	}
	e.ID = e.idOf(e.Data)
	return e, e.Validate()
}

// NewContentEvent is NewEvent for a kind whose messages are not JSON. The content
// is not copied.
func NewContentEvent(kind Kind, programme, site string, at time.Time, content []byte) (Event, error) {
	e, err := emptyEvent(kind, programme, site, at)
	if err != nil {
		return Event{}, err
	}
	switch {
	case kind.ContentType == "":
		return Event{}, fmt.Errorf("%s carries JSON, not other content", e.Subject)
	case len(content) == 0:
		return Event{}, fmt.Errorf("%s: no content", e.Subject)
	}
	e.Content, e.ContentType = content, kind.ContentType
	e.ID = e.idOf(content)
	return e, e.Validate()
}

func emptyEvent(kind Kind, programme, site string, at time.Time) (Event, error) {
	subject, err := kind.Subject(programme, site)
	if err != nil {
		return Event{}, err
	}
	return Event{Source: kind.source(programme), Type: kind.Type, Subject: subject, Time: at.UTC(), DataSchema: kind.DataSchema}, nil
}

func (e *Event) idOf(data []byte) string {
	digest := sha256.New()
	fmt.Fprintf(digest, "%s\n%s\n%s\n%s\n", e.Type, e.Subject, e.Time.Format(time.RFC3339Nano), data)
	return hex.EncodeToString(digest.Sum(nil)[:16])
}

var extensionName = regexp.MustCompile(`^[a-z0-9]{1,20}$`)

// contextAttributes are the names that extensions must not take.
var contextAttributes = []string{"specversion", "id", "source", "type", "subject", "time", "datacontenttype", "dataschema", "data", "data_base64"}

// Validate names the first rule of the specification, section 3, that the event breaks.
func (e *Event) Validate() error {
	switch {
	case e.ID == "":
		return errors.New("event without id")
	case e.Source == "":
		return errors.New("event without source")
	case e.Type == "":
		return errors.New("event without type")
	}
	if _, err := url.Parse(e.Source); err != nil {
		return fmt.Errorf("event source %q is not a URI reference", e.Source)
	}
	if e.DataSchema != "" {
		if u, err := url.Parse(e.DataSchema); err != nil || u.Scheme == "" {
			return fmt.Errorf("event dataschema %q is not an absolute URI", e.DataSchema)
		}
	}
	for name, value := range e.Extensions {
		if !extensionName.MatchString(name) {
			return fmt.Errorf("event attribute %q: names are 1 to 20 lower-case letters and digits", name)
		}
		if slices.Contains(contextAttributes, name) {
			return fmt.Errorf("event attribute %q is not an extension", name)
		}
		switch value.(type) {
		case string, bool, int32, int, int64:
		default:
			return fmt.Errorf("event attribute %q has a value of type %T; text, true or false, and whole numbers are allowed", name, value)
		}
	}
	switch {
	case e.Data != nil && !json.Valid(e.Data):
		return errors.New("event data is not JSON")
	case e.Data != nil && e.Content != nil:
		return errors.New("event with both data and content")
	case e.Content != nil && e.ContentType == "":
		return errors.New("event content without its type")
	case e.ContentType == "":
		return nil
	case e.Data != nil:
		return errors.New("event data with a type of content: they are JSON")
	}
	if _, _, err := mime.ParseMediaType(e.ContentType); err != nil || isJSON(e.ContentType) {
		return fmt.Errorf("event content of type %q: a media type other than JSON is wanted", e.ContentType)
	}
	return nil
}

// isJSON says whether a media type means JSON: its subtype is json or ends in
// +json (CloudEvents JSON Event Format 1.0.2, section 3.1).
func isJSON(contentType string) bool {
	media, _, err := mime.ParseMediaType(contentType)
	return err == nil && (strings.HasSuffix(media, "/json") || strings.HasSuffix(media, "+json"))
}

// MarshalJSON writes the attributes in a fixed order, extensions by name, so
// that the same event has the same bytes.
func (e Event) MarshalJSON() ([]byte, error) {
	if err := e.Validate(); err != nil {
		return nil, err
	}
	var b bytes.Buffer
	add := func(name string, value any) error {
		encoded, err := json.Marshal(value)
		if err != nil {
			return err
		}
		if b.Len() > 1 {
			b.WriteByte(',')
		}
		fmt.Fprintf(&b, "%q:%s", name, encoded)
		return nil
	}
	b.WriteByte('{')
	attributes := []struct {
		name  string
		value any
		given bool
	}{
		{"specversion", SpecVersion, true},
		{"id", e.ID, true},
		{"source", e.Source, true},
		{"type", e.Type, true},
		{"subject", e.Subject, e.Subject != ""},
		{"time", e.Time.UTC().Format(time.RFC3339Nano), !e.Time.IsZero()},
		{"datacontenttype", cmp.Or(e.ContentType, dataContentType), e.Data != nil || e.ContentType != ""},
		{"dataschema", e.DataSchema, e.DataSchema != ""},
	}
	for _, a := range attributes {
		if a.given {
			if err := add(a.name, a.value); err != nil {
				return nil, err
			}
		}
	}
	for _, name := range slices.Sorted(maps.Keys(e.Extensions)) {
		if err := add(name, e.Extensions[name]); err != nil {
			return nil, err
		}
	}
	if e.Data != nil {
		if err := add("data", e.Data); err != nil {
			return nil, err
		}
	}
	if e.Content != nil {
		if err := add("data_base64", e.Content); err != nil {
			return nil, err
		}
	}
	b.WriteByte('}')
	return b.Bytes(), nil
}

// UnmarshalJSON reads an event in JSON format and validates it.
func (e *Event) UnmarshalJSON(b []byte) error {
	var attributes map[string]json.RawMessage
	if err := json.Unmarshal(b, &attributes); err != nil {
		return fmt.Errorf("event: %w", err)
	}
	*e = Event{}
	text := func(name string) (value string, err error) {
		raw, ok := attributes[name]
		if !ok || string(raw) == "null" {
			return "", nil
		}
		if err := json.Unmarshal(raw, &value); err != nil {
			return "", fmt.Errorf("event attribute %q is not text", name)
		}
		return value, nil
	}
	var version, contentType, at string
	for name, into := range map[string]*string{
		"specversion": &version, "id": &e.ID, "source": &e.Source, "type": &e.Type, "subject": &e.Subject,
		"time": &at, "datacontenttype": &contentType, "dataschema": &e.DataSchema,
	} {
		value, err := text(name)
		if err != nil {
			return err
		}
		*into = value
	}
	if version != SpecVersion {
		return fmt.Errorf("event specversion %q, %q is read", version, SpecVersion)
	}
	if contentType != "" && !isJSON(contentType) {
		e.ContentType = contentType
	}
	if at != "" {
		t, err := time.Parse(time.RFC3339Nano, at)
		if err != nil {
			return fmt.Errorf("event time %q is not RFC 3339", at)
		}
		e.Time = t.UTC()
	}
	if err := e.readData(attributes["data"], attributes["data_base64"]); err != nil {
		return err
	}
	for name, raw := range attributes {
		if slices.Contains(contextAttributes, name) || string(raw) == "null" {
			continue
		}
		var value any
		decoder := json.NewDecoder(bytes.NewReader(raw))
		decoder.UseNumber()
		if err := decoder.Decode(&value); err != nil {
			return fmt.Errorf("event attribute %q: %w", name, err)
		}
		if number, ok := value.(json.Number); ok {
			whole, err := number.Int64()
			if err != nil || whole != int64(int32(whole)) {
				return fmt.Errorf("event attribute %q: %s is not a whole number of 32 bits", name, number)
			}
			value = int32(whole)
		}
		if e.Extensions == nil {
			e.Extensions = map[string]any{}
		}
		e.Extensions[name] = value
	}
	return e.Validate()
}

// readData takes the data of an event in JSON format (section 3.1): data as it
// stands where it is JSON, the text of data where it is not, or what data_base64
// decodes to.
func (e *Event) readData(data, base64 json.RawMessage) error {
	switch {
	case data != nil && base64 != nil:
		return errors.New("event with both data and data_base64")
	case base64 != nil:
		var content []byte
		if string(base64) == "null" || json.Unmarshal(base64, &content) != nil {
			return errors.New("event data_base64 is not text in base64")
		}
		if content == nil {
			content = []byte{}
		}
		if e.ContentType == "" {
			e.Data = content
		} else {
			e.Content = content
		}
	case data != nil && e.ContentType != "":
		var text string
		if string(data) == "null" || json.Unmarshal(data, &text) != nil {
			return fmt.Errorf("event data of type %s are not text", e.ContentType)
		}
		e.Content = []byte(text)
	default:
		e.Data = data
	}
	return nil
}

// EventSchema is the JSON Schema (draft 2020-12) of the envelope of every message.
//
//go:embed event.schema.json
var EventSchema []byte
