package main

import (
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// board is the running table of a programme's sites for people. On a terminal it
// stays in place and is redrawn, with what happens scrolling above it; elsewhere
// it is printed every so often, between the lines of what happens.
type board struct {
	out       io.Writer
	terminal  bool
	width     int
	programme *programme.Programme
	title     string
	// every so much of the programme's time the table is printed, not on a terminal.
	every time.Duration

	mutex   sync.Mutex
	rows    map[string]*boardRow
	now     time.Time
	printed time.Time
	lines   int // of the table that stands on the terminal
	health  message.HealthState
}

// boardRow is one site.
type boardRow struct {
	assessment *seedability.Assessment
	outlook    *seedability.Outlook
}

func newBoard(out io.Writer, p *programme.Programme, title string) *board {
	b := &board{out: out, programme: p, title: title, every: 30 * time.Minute, rows: map[string]*boardRow{}, width: 150}
	b.terminal = isTerminal(out)
	if b.terminal {
		b.width = terminalWidth(b.width)
	}
	b.health = message.HealthOK
	for k := range p.Sites {
		b.rows[p.Sites[k].ID] = &boardRow{}
	}
	return b
}

// isTerminal: a character device, such as a terminal.
func isTerminal(w io.Writer) bool {
	file, ok := w.(*os.File)
	if !ok || os.Getenv("TERM") == "dumb" {
		return false
	}
	info, err := file.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0 && os.Getenv("TERM") != ""
}

// take shows an event.
func (b *board) take(e bus.Event) {
	b.mutex.Lock()
	defer b.mutex.Unlock()
	if e.Time.After(b.now) {
		b.now = e.Time
	}
	switch e.Type {
	case bus.Score.Type:
		var a seedability.Assessment
		if json.Unmarshal(e.Data, &a) != nil || b.rows[a.Site.ID] == nil {
			return
		}
		row := b.rows[a.Site.ID]
		before := seedability.State("")
		if row.assessment != nil {
			before = row.assessment.State
		}
		row.assessment = &a
		if a.State != before {
			b.happened(changeText(before, &a, b.programme.Location))
		}
	case bus.Outlook.Type:
		var o seedability.Outlook
		if json.Unmarshal(e.Data, &o) != nil || b.rows[o.Site.ID] == nil {
			return
		}
		row := b.rows[o.Site.ID]
		newRun := row.outlook == nil || !row.outlook.ModelReferenceTime.Equal(o.ModelReferenceTime)
		row.outlook = &o
		if newRun && len(o.Windows) > 0 {
			b.happened(fmt.Sprintf("%s  %-22s %s run: %s", o.IssuedAt.Format("15:04"), o.Site.Name, o.ModelReferenceTime.Format("15 UTC"), strings.Join(firstTwo(o.Sentences()), "; ")))
		}
	case bus.DeadLetter.Type:
		b.happened(message.Line(e))
	case bus.Alert.Type:
		if a, err := message.As[alert.Alert](e); err == nil {
			b.happened(alertText(&a, b.programme.Location))
		}
	case bus.Health.Type:
		if h, err := message.As[message.Health](e); err == nil && h.State != b.health {
			b.health = h.State
			b.happened(message.Line(e))
		}
	}
	if b.terminal {
		b.redraw()
	} else if b.printed.IsZero() || b.now.Sub(b.printed) >= b.every {
		if b.complete() {
			b.printed = b.now.Truncate(b.every)
			b.print(b.table())
		}
	}
}

func firstTwo(lines []string) []string { return lines[:min(2, len(lines))] }

// complete: every site has been assessed once.
func (b *board) complete() bool {
	for _, row := range b.rows {
		if row.assessment == nil {
			return false
		}
	}
	return true
}

// changeText says how the state of a site changed.
func changeText(before seedability.State, a *seedability.Assessment, zone *time.Location) string {
	change := string(a.State)
	if before != "" {
		change = string(before) + " → " + string(a.State)
	}
	return fmt.Sprintf("%s  %-22s %-20s %s", a.AsOf.Format("15:04"), a.Site.Name, change, message.Why(*a))
}

// alertText says in a line what people are told.
func alertText(a *alert.Alert, zone *time.Location) string {
	text := strings.TrimPrefix(alert.Text(*a, zone).Subject, "EXERCISE ")
	if len(a.Reasons) > 0 {
		text += ": " + strings.Join(a.Reasons, "; ")
	}
	return fmt.Sprintf("%s  %-22s %s", a.Raised.Format("15:04"), "- people are told -", text)
}

// happened prints a line above the table.
func (b *board) happened(line string) {
	b.erase()
	b.print([]string{shorten(line, b.width)})
}

func (b *board) print(lines []string) {
	for _, line := range lines {
		fmt.Fprintln(b.out, strings.TrimRight(line, " "))
	}
}

// erase takes the table off the terminal.
func (b *board) erase() {
	if b.terminal && b.lines > 0 {
		fmt.Fprintf(b.out, "\x1b[%dA\x1b[J", b.lines)
		b.lines = 0
	}
}

func (b *board) redraw() {
	b.erase()
	lines := b.table()
	b.print(lines)
	b.lines = len(lines)
}

// table is a header and a line a site.
func (b *board) table() []string {
	local := b.now.In(b.programme.Location)
	lines := []string{"", fmt.Sprintf("%s   %s   %s", b.now.Format("Mon 2 Jan 15:04 UTC"), local.Format("15:04 MST"), b.title),
		fmt.Sprintf("  %-22s  %-8s  %5s  %4s  %6s  %-28s  %s", "SITE", "STATE", "SCORE", "SURE", "TARGET", "WINDOW AHEAD (UTC)", "WHY")}
	for k := range b.programme.Sites {
		lines = append(lines, b.line(&b.programme.Sites[k]))
	}
	return append(lines, "")
}

// line is one site's.
func (b *board) line(site *programme.Site) string {
	row := b.rows[site.ID]
	state, score, sure, target, why := "-", "-", "-", "-", "not yet judged"
	if a := row.assessment; a != nil {
		state, why = string(a.State), message.Why(*a)
		sure = fmt.Sprintf("%.2f", a.Confidence.Value)
		score, target = dash(a.Score.Value, "%.0f"), "-"
		if p := a.Score.TargetProbability; p != nil {
			target = fmt.Sprintf("%.0f %%", 100**p)
		}
	}
	text := fmt.Sprintf("%-22s  %-8s  %5s  %4s  %6s  %-28s  %s", shorten(site.Name, 22), state, score, sure, target, b.ahead(row), why)
	return markOf(state) + " " + shorten(text, b.width-2)
}

// markOf makes the state findable down the left edge without colour.
func markOf(state string) string {
	switch seedability.State(state) {
	case seedability.StateWindow:
		return ">"
	case seedability.StateBlind:
		return "!"
	case seedability.StateHold:
		return "x"
	}
	return " "
}

// ahead is the next window of the outlook that is not over.
func (b *board) ahead(row *boardRow) string {
	if row.outlook == nil {
		return "no outlook yet"
	}
	for _, w := range row.outlook.Windows {
		if w.End.After(b.now) {
			return fmt.Sprintf("%s-%s best %s (%.0f)", w.Start.Format("15:04"), w.End.Format("15:04"), w.Best.Format("15:04"), w.PeakScore)
		}
	}
	return "none"
}

// shorten cuts a line to a width, in characters.
func shorten(text string, width int) string {
	if utf8.RuneCountInString(text) <= width {
		return text
	}
	return strings.TrimRight(string([]rune(text)[:max(width-1, 0)]), " ,;:") + "…"
}
