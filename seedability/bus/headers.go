package bus

import (
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"mime"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"github.com/nats-io/nats.go"
)

// The binary mode of CloudEvents on NATS, with attributes in headers and the bytes
// of the content as the message, is section 3.1 of the NATS Protocol Binding for
// CloudEvents, version 1.0.3-wip. Version 1.0.2 knew no binary mode, since NATS had
// no headers then.

const (
	headerPrefix  = "ce-"
	headerVersion = headerPrefix + "specversion"
	headerType    = "Content-Type"
	// structuredType begins the Content-Type of a message in structured mode.
	structuredType = "application/cloudevents"
	// maxHeaders of attributes; those of the specification and some extensions.
	maxHeaders = 64
)

// message is an event as it travels.
func (k Kind) message(e Event) (*nats.Msg, error) {
	message := nats.NewMsg(e.Subject)
	if k.ContentType == "" {
		if e.Content != nil {
			return nil, fmt.Errorf("%s: an event with content of type %q, JSON is wanted", e.Subject, e.ContentType)
		}
		encoded, err := json.Marshal(e)
		message.Header.Set(headerType, ContentType)
		message.Data = encoded
		return message, err
	}
	if len(e.Content) == 0 || e.ContentType != k.ContentType {
		return nil, fmt.Errorf("%s: an event with %d bytes of content of type %q, %s is wanted", e.Subject, len(e.Content), e.ContentType, k.ContentType)
	}
	header, err := e.headers()
	message.Header, message.Data = header, e.Content
	return message, err
}

// headers are the attributes of an event in binary mode. The type of the content is
// besides in Content-Type, where readers that know nothing of CloudEvents look.
func (e *Event) headers() (nats.Header, error) {
	if err := e.Validate(); err != nil {
		return nil, err
	}
	header := nats.Header{headerType: {e.ContentType}}
	set := func(name, value string) {
		if value != "" {
			header.Set(headerPrefix+name, percentEncoded(value))
		}
	}
	set("specversion", SpecVersion)
	set("id", e.ID)
	set("source", e.Source)
	set("type", e.Type)
	set("subject", e.Subject)
	if !e.Time.IsZero() {
		set("time", e.Time.UTC().Format(time.RFC3339Nano))
	}
	set("datacontenttype", e.ContentType)
	set("dataschema", e.DataSchema)
	for name, value := range e.Extensions {
		set(name, fmt.Sprint(value)) // text, true or false, whole numbers: as the specification writes them
	}
	return header, nil
}

// eventOfHeaders reads an event in binary mode. Extensions are text: headers carry
// no types.
func eventOfHeaders(header nats.Header, payload []byte) (Event, error) {
	attributes := map[string]string{}
	contentType := ""
	for _, name := range slices.Sorted(maps.Keys(header)) { // so that errors are always the same
		values := header[name]
		lower := strings.ToLower(name)
		if lower == strings.ToLower(headerType) && len(values) > 0 {
			contentType = values[0]
		}
		attribute, ok := strings.CutPrefix(lower, headerPrefix)
		if !ok {
			continue
		}
		if _, twice := attributes[attribute]; twice || len(values) != 1 {
			return Event{}, fmt.Errorf("event attribute %q is given more than once", attribute)
		}
		if len(attributes) == maxHeaders {
			return Event{}, fmt.Errorf("event of more than %d attributes", maxHeaders)
		}
		value, err := headerValue(values[0])
		if err != nil {
			return Event{}, fmt.Errorf("event attribute %q: %w", attribute, err)
		}
		attributes[attribute] = value
	}
	if version := attributes["specversion"]; version != SpecVersion {
		return Event{}, fmt.Errorf("event specversion %q, %q is read", version, SpecVersion)
	}
	e := Event{
		ID: attributes["id"], Source: attributes["source"], Type: attributes["type"], Subject: attributes["subject"], DataSchema: attributes["dataschema"],
	}
	if at := attributes["time"]; at != "" {
		t, err := time.Parse(time.RFC3339Nano, at)
		if err != nil {
			return Event{}, fmt.Errorf("event time %q is not RFC 3339", at)
		}
		e.Time = t.UTC()
	}
	contentType = cmp.Or(attributes["datacontenttype"], contentType)
	switch {
	case contentType != "" && !isJSON(contentType):
		e.ContentType, e.Content = contentType, payload
		if payload == nil {
			e.Content = []byte{}
		}
	case len(payload) > 0:
		e.Data = payload
	}
	for name, value := range attributes {
		if slices.Contains(contextAttributes, name) {
			if name == "data" || name == "data_base64" {
				return Event{}, fmt.Errorf("event attribute %q cannot stand in a header", name)
			}
			continue
		}
		if e.Extensions == nil {
			e.Extensions = map[string]any{}
		}
		e.Extensions[name] = value
	}
	return e, e.Validate()
}

const hexDigits = "0123456789ABCDEF"

// percentEncoded is a value as a header takes it (section 3.1.3.2): space, quote,
// percent, and what is not printable ASCII, as %XX of its UTF-8.
func percentEncoded(value string) string {
	var b strings.Builder
	for _, c := range []byte(strings.ToValidUTF8(value, "\uFFFD")) {
		if c <= ' ' || c >= 0x7f || c == '"' || c == '%' {
			b.WriteByte('%')
			b.WriteByte(hexDigits[c>>4])
			b.WriteByte(hexDigits[c&15])
		} else {
			b.WriteByte(c)
		}
	}
	return b.String()
}

// headerValue undoes it: first double quotes with backslashes in them, then one
// round of percent-decoding, whose result must be UTF-8.
func headerValue(value string) (string, error) {
	value = strings.Trim(value, " \t")
	if strings.HasPrefix(value, `"`) {
		inner, err := unquoted(value)
		if err != nil {
			return "", err
		}
		value = inner
	}
	if !strings.Contains(value, "%") {
		if !utf8.ValidString(value) {
			return "", errors.New("not UTF-8")
		}
		return value, nil
	}
	decoded := make([]byte, 0, len(value))
	for i := 0; i < len(value); i++ {
		if value[i] != '%' {
			decoded = append(decoded, value[i])
			continue
		}
		if i+2 >= len(value) {
			return "", errors.New("% without two digits after it")
		}
		code, err := strconv.ParseUint(value[i+1:i+3], 16, 8)
		if err != nil {
			return "", fmt.Errorf("%q is no byte in percent-encoding", value[i:i+3])
		}
		decoded = append(decoded, byte(code))
		i += 2
	}
	if !utf8.Valid(decoded) {
		return "", errors.New("percent-encoding that is not UTF-8")
	}
	return string(decoded), nil
}

// unquoted is the text of a quoted-string of RFC 7230, section 3.2.6.
func unquoted(value string) (string, error) {
	var b strings.Builder
	for i := 1; i < len(value); i++ {
		switch value[i] {
		case '"':
			if i != len(value)-1 {
				return "", errors.New("text after the closing quote")
			}
			return b.String(), nil
		case '\\':
			if i++; i == len(value) {
				return "", errors.New("no closing quote")
			}
			b.WriteByte(value[i])
		default:
			b.WriteByte(value[i])
		}
	}
	return "", errors.New("no closing quote")
}

// inBinaryMode says how a message travels: Content-Type of structured mode wins
// over headers of attributes.
func inBinaryMode(header nats.Header) bool {
	binary := false
	for name, values := range header {
		switch strings.ToLower(name) {
		case strings.ToLower(headerType):
			if len(values) > 0 && strings.HasPrefix(strings.ToLower(strings.TrimSpace(values[0])), structuredType) {
				return false
			}
		case headerVersion:
			binary = true
		}
	}
	return binary
}

// read puts the event of a stored message into stored. Both modes are read for every
// kind. The event must be of the kind on whose subject it lies, and must not claim
// another subject: the server's permissions go by subjects, and whoever may write to
// one could pass off its message as another otherwise.
func (k Kind) read(stored *Stored, header nats.Header, payload []byte) error {
	var e Event
	var err error
	if inBinaryMode(header) {
		e, err = eventOfHeaders(header, payload)
	} else {
		err = json.Unmarshal(payload, &e)
	}
	if k.Foreign {
		e, err = k.foreign(e, err, stored, payload)
	} else if err == nil {
		err = k.own(&e, stored.Subject)
	}
	if err != nil {
		return fmt.Errorf("stream %s, message %d: %w", k.Stream, stored.Sequence, err)
	}
	stored.Event = e
	return nil
}

// own checks an event of a kind that is not foreign. A newer version of it may lie
// on the stream; who reads the data says so.
func (k Kind) own(e *Event, subject string) error {
	form, _, _ := strings.Cut(k.Type, ".v")
	switch {
	case !strings.HasPrefix(e.Type, form+".v"):
		return fmt.Errorf("an event of type %q on subject %s", e.Type, subject)
	case e.Subject != "" && e.Subject != subject:
		return fmt.Errorf("an event of subject %q on subject %s", e.Subject, subject)
	case k.ContentType == "" && e.ContentType != "", k.ContentType != "" && !sameMedia(e.ContentType, k.ContentType):
		return fmt.Errorf("an event with data of type %q, %s is read", cmp.Or(e.ContentType, dataContentType), cmp.Or(k.ContentType, dataContentType))
	}
	e.Subject = subject
	return nil
}

// sameMedia compares media types without their parameters.
func sameMedia(a, b string) bool {
	one, _, err := mime.ParseMediaType(a)
	other, _, otherErr := mime.ParseMediaType(b)
	return err == nil && otherErr == nil && one == other
}

// typeBefore is the extension that keeps the type of an event of a foreign kind.
const typeBefore = "foreigntype"

// foreign makes an event of what another program put on a subject: what is a
// CloudEvent with JSON keeps its id, source and time.
func (k Kind) foreign(e Event, fault error, stored *Stored, payload []byte) (Event, error) {
	if fault != nil || e.ContentType != "" || e.Data == nil {
		if fault == nil || !json.Valid(payload) {
			return Event{}, errors.New("no JSON")
		}
		programme := ""
		if words := strings.Split(stored.Subject, "."); len(words) == 4 {
			programme = words[1]
		}
		return Event{
			ID: fmt.Sprintf("%s-%d", k.Stream, stored.Sequence), Source: k.source(programme), Type: k.Type, Subject: stored.Subject,
			Time: stored.Time, DataSchema: k.DataSchema, Data: payload,
		}, nil
	}
	if e.Type != k.Type {
		extensions := maps.Clone(e.Extensions)
		if extensions == nil {
			extensions = map[string]any{}
		}
		extensions[typeBefore] = e.Type
		e.Extensions = extensions
	}
	e.Type, e.Subject = k.Type, stored.Subject
	if e.Time.IsZero() {
		e.Time = stored.Time
	}
	return e, nil
}
