package operate

import (
	"context"
	"encoding/json"
	"fmt"
	"io"
	"log/slog"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode"
	"unicode/utf8"
)

// Logger writes for people where w is a terminal: the time of day in UTC, the
// level where it is not info, the message and its attributes, with a line of its
// own where a new day begins. Elsewhere it writes one JSON object a line, with
// durations in seconds and times in UTC.
//
// Values whose key looks like that of a secret are replaced, and so are
// credentials in URLs, wherever they stand (see redact.go).
func Logger(w io.Writer, terminal bool, level slog.Leveler) *slog.Logger {
	if terminal {
		return slog.New(&peopleHandler{level: level, out: &peopleOutput{w: w}})
	}
	return slog.New(slog.NewJSONHandler(w, &slog.HandlerOptions{Level: level, ReplaceAttr: func(groups []string, a slog.Attr) slog.Attr {
		if len(groups) == 0 && a.Key == slog.TimeKey && a.Value.Kind() == slog.KindTime {
			return slog.String(a.Key, a.Value.Time().UTC().Format("2006-01-02T15:04:05.000Z"))
		}
		if len(groups) == 0 && a.Key == slog.LevelKey {
			return a
		}
		return redactedAttr(groups, a)
	}}))
}

// redactedAttr is an attribute without its secrets, its value one that JSON knows.
func redactedAttr(groups []string, a slog.Attr) slog.Attr {
	secret := looksSecret(a.Key)
	for _, g := range groups {
		secret = secret || looksSecret(g)
	}
	if secret {
		return slog.String(a.Key, hidden)
	}
	switch v := a.Value; v.Kind() {
	case slog.KindString:
		return slog.String(a.Key, Redact(v.String()))
	case slog.KindDuration:
		return slog.Float64(a.Key, v.Duration().Seconds())
	case slog.KindTime:
		return slog.String(a.Key, v.Time().UTC().Format(time.RFC3339Nano))
	case slog.KindAny:
		return slog.Any(a.Key, redactedAny(v.Any()))
	}
	return a
}

// redactedAny goes through what JSON makes of a value.
func redactedAny(x any) any {
	switch x := x.(type) {
	case nil:
		return nil
	case error:
		return Redact(errorText(x))
	case fmt.Stringer:
		return Redact(stringerText(x))
	case []byte:
		return fmt.Sprintf("%d bytes", len(x))
	}
	b, err := json.Marshal(x)
	if err != nil {
		return Redact(fmt.Sprintf("%+v", x))
	}
	var plain any
	decoder := json.NewDecoder(strings.NewReader(string(b)))
	decoder.UseNumber()
	if decoder.Decode(&plain) != nil {
		return Redact(string(b))
	}
	return redactedJSON(plain)
}

func redactedJSON(x any) any {
	switch x := x.(type) {
	case string:
		return Redact(x)
	case []any:
		for k := range x {
			x[k] = redactedJSON(x[k])
		}
	case map[string]any:
		for k, v := range x {
			if looksSecret(k) {
				x[k] = hidden
			} else {
				x[k] = redactedJSON(v)
			}
		}
	}
	return x
}

// errorText and stringerText survive nil pointers of types with methods.
func errorText(err error) (text string) {
	defer func() {
		if recover() != nil {
			text = fmt.Sprintf("%T that cannot be printed", err)
		}
	}()
	return err.Error()
}

func stringerText(s fmt.Stringer) (text string) {
	defer func() {
		if recover() != nil {
			text = fmt.Sprintf("%T that cannot be printed", s)
		}
	}()
	return s.String()
}

// peopleHandler writes lines for people.
type peopleHandler struct {
	level  slog.Leveler
	out    *peopleOutput
	groups []string
	// written are the attributes of WithAttrs, as they will stand in each line.
	written string
}

type peopleOutput struct {
	mutex sync.Mutex
	w     io.Writer
	day   string
}

func (h *peopleHandler) Enabled(_ context.Context, level slog.Level) bool {
	least := slog.LevelInfo
	if h.level != nil {
		least = h.level.Level()
	}
	return level >= least
}

func (h *peopleHandler) WithAttrs(attrs []slog.Attr) slog.Handler {
	var b strings.Builder
	for _, a := range attrs {
		appendAttr(&b, h.groups, a)
	}
	with := *h
	with.written += b.String()
	return &with
}

func (h *peopleHandler) WithGroup(name string) slog.Handler {
	if name == "" {
		return h
	}
	with := *h
	with.groups = append(with.groups[:len(with.groups):len(with.groups)], name)
	return &with
}

// messageWidth aligns the attributes of short messages.
const messageWidth = 36

func (h *peopleHandler) Handle(_ context.Context, r slog.Record) error {
	at := r.Time.UTC()
	if r.Time.IsZero() {
		at = time.Now().UTC()
	}
	level := ""
	switch {
	case r.Level >= slog.LevelError:
		level = "ERROR"
	case r.Level >= slog.LevelWarn:
		level = "WARN"
	case r.Level < slog.LevelInfo:
		level = "DEBUG"
	}
	message := oneLine(Redact(r.Message))
	var attrs strings.Builder
	attrs.WriteString(h.written)
	r.Attrs(func(a slog.Attr) bool {
		appendAttr(&attrs, h.groups, a)
		return true
	})
	line := fmt.Sprintf("%s %-5s %s", at.Format("15:04:05"), level, message)
	if attrs.Len() > 0 {
		line += strings.Repeat(" ", max(0, messageWidth-utf8.RuneCountInString(message))) + attrs.String()
	}
	day := at.Format("2006-01-02")

	h.out.mutex.Lock()
	defer h.out.mutex.Unlock()
	if day != h.out.day {
		h.out.day = day
		line = "-- " + day + " UTC\n" + line
	}
	_, err := io.WriteString(h.out.w, line+"\n")
	return err
}

func appendAttr(b *strings.Builder, groups []string, a slog.Attr) {
	a.Value = a.Value.Resolve()
	if a.Value.Kind() == slog.KindGroup {
		inner := groups
		if a.Key != "" {
			inner = append(groups[:len(groups):len(groups)], a.Key)
		}
		for _, member := range a.Value.Group() {
			appendAttr(b, inner, member)
		}
		return
	}
	if a.Key == "" && a.Value.Kind() == slog.KindAny && a.Value.Any() == nil {
		return // the zero Attr
	}
	b.WriteByte(' ')
	for _, g := range groups {
		b.WriteString(oneLine(g) + ".")
	}
	b.WriteString(oneLine(a.Key) + "=" + valueText(groups, a))
}

// valueText is short: durations and times without digits that nobody reads.
func valueText(groups []string, a slog.Attr) string {
	secret := redactedAttr(groups, slog.String(a.Key, ""))
	if secret.Value.String() == hidden {
		return hidden
	}
	text := ""
	switch v := a.Value; v.Kind() {
	case slog.KindDuration:
		return shortDuration(v.Duration())
	case slog.KindTime:
		return v.Time().UTC().Format("2006-01-02T15:04:05Z")
	case slog.KindFloat64:
		return strconv.FormatFloat(v.Float64(), 'g', 6, 64)
	case slog.KindAny:
		switch x := redactedAny(v.Any()).(type) {
		case string:
			text = x
		default:
			b, err := json.Marshal(x)
			if err != nil {
				return strconv.Quote(err.Error())
			}
			return string(b)
		}
	default:
		text = Redact(v.String())
	}
	if text == "" || strings.ContainsFunc(text, func(r rune) bool { return unicode.IsSpace(r) || !unicode.IsPrint(r) || r == '"' || r == '=' }) {
		return strconv.Quote(text)
	}
	return text
}

func shortDuration(d time.Duration) string {
	for _, unit := range [...]time.Duration{time.Minute, time.Second, time.Millisecond, time.Microsecond} {
		if d >= unit || d <= -unit {
			return d.Round(unit / 100).String()
		}
	}
	return d.String()
}

// oneLine keeps what others wrote from making lines, or moving the cursor.
func oneLine(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return !unicode.IsPrint(r) }) {
		return s
	}
	quoted := strconv.Quote(s)
	return strings.ReplaceAll(quoted[1:len(quoted)-1], `\"`, `"`)
}
