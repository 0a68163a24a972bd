package message

import (
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode/utf8"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
)

// Columns of a line, in characters.
const (
	nameColumns  = 22
	stateColumns = 10
	lineColumns  = 180
	textColumns  = 100
)

// Line is an event in one line for people: the time (UTC) at which it happened,
// the site, how it stands, how sure that is, and what decides it. Names and
// states stand in columns, so that lines below each other can be read down. It
// has at most 180 characters and no other than printable ones; what is longer
// ends in "…", and Text has all of it.
func Line(e bus.Event) string {
	name, state, what := summary(e)
	line := fmt.Sprintf("%s  %s  %s  %s", stamp(e.Time), column(name, nameColumns), column(state, stateColumns), printable(what))
	return cut(strings.TrimRight(line, " "), lineColumns)
}

// Text is an event in full for people, line by line, without line ends.
func Text(e bus.Event) []string {
	data, err := Decode(e)
	if err != nil {
		p := &paper{}
		p.line("%s: message of %s cannot be read", e.Subject, stamp(e.Time))
		p.row("why", err.Error())
		return p.lines
	}
	switch m := data.(type) {
	case seedability.Assessment:
		return scoreText(e, m)
	case seedability.Outlook:
		return outlookText(m)
	case Input:
		return inputText(m)
	case Conditions:
		return conditionsText(m)
	case Holds:
		return holdText(m)
	case Order:
		return orderText(m)
	case json.RawMessage:
		return telemetryText(e, m)
	case alert.Alert:
		return alertText(m)
	case CAPText:
		return capText(e, m)
	case Ack:
		return ackText(m)
	case alert.Delivery:
		return deliveryText(e, m)
	case alert.Advice:
		return adviceText(e, m)
	case alert.Release:
		return releaseText(m)
	case Health:
		return healthText(m)
	case DeadLetter:
		return deadLetterText(m)
	}
	return []string{Line(e)}
}

// stamp is a time in 16 characters.
func stamp(t time.Time) string {
	if t.IsZero() {
		return "time not known  "
	}
	return t.UTC().Format("02 Jan 15:04 UTC")
}

// summary gives the three parts of a line after its time.
func summary(e bus.Event) (name, state, what string) {
	data, err := Decode(e)
	if err != nil {
		return e.Subject, "unreadable", err.Error()
	}
	switch m := data.(type) {
	case seedability.Assessment:
		return scoreLine(e, m)
	case seedability.Outlook:
		return outlookLine(m)
	case Input:
		return inputLine(m)
	case Conditions:
		return conditionsLine(m)
	case Holds:
		return holdLine(m)
	case Order:
		return orderLine(m)
	case json.RawMessage:
		return telemetryLine(e, m)
	case alert.Alert:
		return alertLine(m)
	case CAPText:
		return capLine(e, m)
	case Ack:
		return ackLine(m)
	case alert.Delivery:
		return deliveryLine(m)
	case alert.Advice:
		return adviceLine(e, m)
	case alert.Release:
		return releaseLine(m)
	case Health:
		return healthLine(m)
	case DeadLetter:
		return deadLetterLine(m)
	}
	return e.Subject, "", e.Type
}

// column is text in exactly so many characters.
func column(text string, width int) string {
	text = cut(printable(text), width)
	return text + strings.Repeat(" ", width-utf8.RuneCountInString(text))
}

// cut shortens text to so many characters, the last one "…".
func cut(text string, width int) string {
	if utf8.RuneCountInString(text) <= width {
		return text
	}
	return strings.TrimRight(string([]rune(text)[:width-1]), " ,;:") + "…"
}

// paper collects the lines of a text.
type paper struct{ lines []string }

func (p *paper) line(format string, arguments ...any) {
	p.lines = append(p.lines, strings.TrimRight(printable(fmt.Sprintf(format, arguments...)), " "))
}

// row is a label and text beside it, broken at words. Nothing is written where
// there is no text.
func (p *paper) row(label, text string) {
	const indent = 2 + nameColumns + 2
	line := "  " + column(label, nameColumns) + "  "
	length, empty := indent, true
	for _, word := range strings.Fields(printable(text)) {
		n := utf8.RuneCountInString(word)
		if !empty && length+1+n > textColumns {
			p.lines = append(p.lines, line)
			line, length, empty = strings.Repeat(" ", indent), indent, true
		}
		if !empty {
			line, length = line+" ", length+1
		}
		line, length, empty = line+word, length+n, false
	}
	if !empty {
		p.lines = append(p.lines, line)
	}
}

// span is a length of time as people say it.
func span(d time.Duration) string {
	d = d.Abs()
	switch {
	case d < 90*time.Second:
		return fmt.Sprintf("%.0f s", d.Seconds())
	case d < 100*time.Minute:
		return fmt.Sprintf("%.0f min", d.Minutes())
	case d < 48*time.Hour:
		d = d.Round(time.Minute)
		return fmt.Sprintf("%d h %02d min", int(d.Hours()), int(d.Minutes())%60)
	}
	return fmt.Sprintf("%.0f days", d.Hours()/24)
}

// clock is a time of day, with its date where that is not the date of the moment
// it is read against.
func clock(t, against time.Time) string {
	t, against = t.UTC(), against.UTC()
	if t.YearDay() == against.YearDay() && t.Year() == against.Year() {
		return t.Format("15:04")
	}
	return t.Format("2 Jan 15:04")
}

// bytesText is a size in powers of ten.
func bytesText(n int64) string {
	switch {
	case n < 1000:
		return fmt.Sprintf("%d bytes", n)
	case n < 999_500:
		return fmt.Sprintf("%.0f kB", float64(n)/1e3)
	case n < 999_950_000:
		return fmt.Sprintf("%.1f MB", float64(n)/1e6)
	}
	return fmt.Sprintf("%.1f GB", float64(n)/1e9)
}

// counted is a number of things: "1 job", "3 jobs".
func counted(n int64, thing string) string {
	if n == 1 {
		return "1 " + thing
	}
	return fmt.Sprintf("%d %ss", n, thing)
}

// firstOf is the first text that is not empty.
func firstOf(texts ...string) string {
	for _, text := range texts {
		if text != "" {
			return text
		}
	}
	return ""
}

// compass names a direction by one of eight points.
func compass(deg float64) string {
	points := [...]string{"north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"}
	turn := math.Mod(math.Mod(deg, 360)+360, 360)
	if math.IsNaN(turn) {
		return "nowhere"
	}
	return points[int(math.Round(turn/45))%8]
}
