package message

import (
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
)

// reader reads the data of one kind of message.
type reader struct {
	kind     bus.Kind
	data     reflect.Type
	required []string // names that every message has at the top
	any      bool     // any JSON will do, not only an object
	read     func([]byte) (any, error)
}

func reading[T any](kind bus.Kind) reader {
	return reader{kind: kind, data: reflect.TypeFor[T](), required: requiredNames(reflect.TypeFor[T]()), read: func(b []byte) (any, error) {
		var data T
		err := json.Unmarshal(b, &data)
		return data, err
	}}
}

// readingAny is the reader of a kind whose data others define: they come as they are.
func readingAny(kind bus.Kind) reader {
	return reader{kind: kind, data: reflect.TypeFor[json.RawMessage](), any: true, read: func(b []byte) (any, error) {
		var data json.RawMessage
		err := json.Unmarshal(b, &data)
		return data, err
	}}
}

// CAPText is a message of the Common Alerting Protocol 1.2, in XML.
type CAPText string

// readingText is the reader of a kind whose content is text and not JSON.
func readingText[T ~string](kind bus.Kind) reader {
	return reader{kind: kind, data: reflect.TypeFor[T](), read: func(b []byte) (any, error) {
		if !utf8.Valid(b) {
			return nil, errors.New("content is not UTF-8")
		}
		return T(b), nil
	}}
}

// readers lists every kind of message with the type of its data. A new kind is a
// row here.
var readers = []reader{
	reading[seedability.Assessment](bus.Score),
	reading[seedability.Outlook](bus.Outlook),
	reading[Input](bus.Input),
	reading[Conditions](bus.Conditions),
	reading[Holds](bus.Hold),
	reading[Order](bus.Order),
	readingAny(bus.Telemetry),
	reading[alert.Alert](bus.Alert),
	readingText[CAPText](bus.CAP),
	reading[Ack](bus.Ack),
	reading[alert.Delivery](bus.Delivery),
	reading[alert.Advice](bus.Advice),
	reading[alert.Release](bus.Release),
	reading[Health](bus.Health),
	reading[DeadLetter](bus.DeadLetter),
}

// Ceilings of what Decode reads.
const (
	// MaxDataBytes of one message: the payload that a NATS server takes unless
	// it is told otherwise.
	MaxDataBytes = 1 << 20
	// MaxDepth of objects and lists within each other.
	MaxDepth = 32
)

// Why an event was not read; see Error.
var (
	ErrUnknownType  = errors.New("unknown type of message")
	ErrNewerVersion = errors.New("newer version of the message")
	ErrTooLarge     = errors.New("message too large")
	ErrTooDeep      = errors.New("message nested too deep")
	ErrMalformed    = errors.New("message does not fit its type")
)

// Error says why the data of an event were not read.
type Error struct {
	Type   string // of the event
	Offset int64  // byte of the data; 0 where no place can be named
	Detail string
	Err    error // one of the five above
}

func (e *Error) Error() string {
	place := ""
	if e.Offset > 0 {
		place = fmt.Sprintf("byte %d: ", e.Offset)
	}
	return fmt.Sprintf("%s: %s%s: %v", printable(e.Type), place, printable(e.Detail), e.Err)
}

func (e *Error) Unwrap() error { return e.Err }

// Decode gives the data of an event by its type: a seedability.Assessment for a
// score, a seedability.Outlook, an Input, Conditions, Holds for a hold, an Order, an
// alert.Alert, an Ack, an alert.Delivery, an alert.Advice, an alert.Release, a Health
// or a DeadLetter (values, not pointers). Two kinds are no types of ours: telemetry
// is a json.RawMessage, any JSON that the programme file maps, and CAP is a CAPText.
//
// What it does not know in the data it ignores; what must be there at the top level
// and is not is an error. It does not check ranges: the schemas do. Every error is an
// *Error.
func Decode(e bus.Event) (any, error) {
	fail := func(offset int64, reason error, format string, arguments ...any) (any, error) {
		return nil, &Error{Type: e.Type, Offset: offset, Detail: fmt.Sprintf(format, arguments...), Err: reason}
	}
	k := slices.IndexFunc(readers, func(r reader) bool { return r.kind.Type == e.Type })
	if k < 0 {
		detail, reason := unknown(e.Type)
		return fail(0, reason, "%s", detail)
	}
	if size := max(len(e.Data), len(e.Content)); size > MaxDataBytes {
		return fail(MaxDataBytes, ErrTooLarge, "data of %d bytes, %d are read", size, MaxDataBytes)
	}
	if readers[k].kind.ContentType != "" {
		if len(e.Content) == 0 {
			return fail(0, ErrMalformed, "no content")
		}
		data, err := readers[k].read(e.Content)
		if err != nil {
			return fail(0, ErrMalformed, "%v", err)
		}
		return data, nil
	}
	missing := slices.Clone(readers[k].required)
	deepAt, isObject := scan(e.Data, MaxDepth, func(name string) {
		missing = slices.DeleteFunc(missing, func(m string) bool { return m == name })
	})
	switch {
	case deepAt >= 0:
		return fail(int64(deepAt), ErrTooDeep, "more than %d objects and lists within each other", MaxDepth)
	case !isObject && !readers[k].any:
		return fail(0, ErrMalformed, "data are no JSON object")
	}
	data, err := readers[k].read(e.Data)
	var syntax *json.SyntaxError
	var mistyped *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		return fail(syntax.Offset, ErrMalformed, "%v", err)
	case errors.As(err, &mistyped):
		return fail(mistyped.Offset, ErrMalformed, "%s is a JSON %s, which cannot be a %s", mistyped.Field, mistyped.Value, mistyped.Type)
	case err != nil:
		return fail(0, ErrMalformed, "%v", err)
	case len(missing) > 0:
		return fail(0, ErrMalformed, "without %s", strings.Join(missing, ", "))
	}
	return data, nil
}

// As is Decode for a caller who knows what comes.
func As[T any](e bus.Event) (T, error) {
	data, err := Decode(e)
	if err != nil {
		var none T
		return none, err
	}
	typed, ok := data.(T)
	if !ok {
		return typed, &Error{Type: e.Type, Detail: fmt.Sprintf("data are a %T, a %T was asked for", data, typed), Err: ErrUnknownType}
	}
	return typed, nil
}

var typeForm = regexp.MustCompile(`^(rimeline\.[a-z][a-z-]*)\.v([1-9][0-9]{0,5})$`)

// unknown tells a newer version of a known message from an unknown message.
func unknown(eventType string) (detail string, reason error) {
	parts := typeForm.FindStringSubmatch(eventType)
	if parts == nil {
		return "no message of rimeline", ErrUnknownType
	}
	for _, r := range readers {
		known := typeForm.FindStringSubmatch(r.kind.Type)
		if known == nil || known[1] != parts[1] {
			continue
		}
		theirs, _ := strconv.Atoi(parts[2]) // at most six digits, as matched
		ours, _ := strconv.Atoi(known[2])
		if theirs > ours {
			return fmt.Sprintf("version %d, this program reads up to version %d: update it", theirs, ours), ErrNewerVersion
		}
		return fmt.Sprintf("version %d, this program reads version %d", theirs, ours), ErrUnknownType
	}
	return "this program knows no such message", ErrUnknownType
}

// requiredNames lists the JSON names of the fields that are always written.
func requiredNames(t reflect.Type) (names []string) {
	for k := range t.NumField() {
		name, options, _ := strings.Cut(t.Field(k).Tag.Get("json"), ",")
		if name != "-" && name != "" && !strings.Contains(options, "omit") {
			names = append(names, name)
		}
	}
	return names
}

// scan walks JSON without recursion. It calls member for every name of the
// outermost object, and gives the offset of the first bracket that is deeper
// than maximum, or -1. In what is no JSON it goes no further than the end.
func scan(b []byte, maximum int, member func(name string)) (deepAt int, isObject bool) {
	depth := 0
	for i := 0; i < len(b); i++ {
		switch b[i] {
		case '{', '[':
			if depth++; depth > maximum {
				return i, isObject
			}
			isObject = isObject || depth == 1 && b[i] == '{'
		case '}', ']':
			depth--
		case '"':
			from := i
			for i++; i < len(b) && b[i] != '"'; i++ {
				if b[i] == '\\' {
					i++
				}
			}
			if depth != 1 || !isObject {
				continue
			}
			// Only a name is followed by a colon.
			after := i + 1
			for after < len(b) && strings.IndexByte(" \t\r\n", b[after]) >= 0 {
				after++
			}
			var name string
			if after < len(b) && b[after] == ':' && json.Unmarshal(b[from:i+1], &name) == nil {
				member(name)
			}
		}
	}
	return -1, isObject
}
