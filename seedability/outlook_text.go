package seedability

import (
	"fmt"
	"math"
	"strings"
	"time"
)

// Text says in one line a sentence what the outlook holds, times in UTC.
func (o Outlook) Text() string { return strings.Join(o.Sentences(), "\n") }

// Sentences says what the outlook holds: first the windows in order, or that
// there is none; then windows that are gone and what could not be judged.
func (o Outlook) Sentences() []string {
	var lines []string
	for k := range o.Windows {
		lines = append(lines, o.windowText(&o.Windows[k]))
	}
	judged, blind, held := 0, 0, 0
	var best *OutlookRelease
	for k := range o.Releases {
		switch r := &o.Releases[k]; {
		case r.State == StateBlind:
			blind++
		case r.State == StateHold:
			held++
		default:
			if judged++; best == nil || *r.Score > *best.Score {
				best = r
			}
		}
	}
	switch {
	case len(o.Windows) > 0:
	case judged == 0 && held == 0:
		lines = append(lines, fmt.Sprintf("blind: no release up to %s UTC can be judged", o.clock(o.To)))
	case judged == 0:
		lines = append(lines, fmt.Sprintf("no release up to %s UTC is free of holds and judged", o.clock(o.To)))
	default:
		lines = append(lines, fmt.Sprintf("no window up to %s UTC; the highest score is %.0f, at %s", o.clock(o.To), *best.Score, o.clock(best.ReleaseTime)))
	}
	for k := range o.Gone {
		line := fmt.Sprintf("the window %s UTC is gone", o.span(o.Gone[k].Start, o.Gone[k].End))
		if !o.SinceRun.IsZero() {
			line = fmt.Sprintf("the window %s UTC of %s is gone", o.span(o.Gone[k].Start, o.Gone[k].End), o.run(o.SinceRun))
		}
		lines = append(lines, line)
	}
	for _, row := range []struct {
		n    int
		text string
	}{{blind, "cannot be judged"}, {held, "lie under a hold"}} {
		if row.n > 0 && row.n < len(o.Releases) {
			lines = append(lines, fmt.Sprintf("%d of %d release times %s", row.n, len(o.Releases), row.text))
		}
	}
	return lines
}

// windowText is "window 14:10-15:25 UTC, best 14:45 (score 78, confidence 0.71),
// 12 min later than the 11 UTC run said".
func (o *Outlook) windowText(w *Window) string {
	line := "window " + w.times(o.IssuedAt)
	if w.Releases == 1 && !w.StartsBefore && !w.EndsAfter {
		line += " (one release time alone)"
	}
	line += fmt.Sprintf(", best %s (score %.0f, confidence %.2f)", clockBeside(w.Best, w.Start), w.PeakScore, w.Confidence)
	switch {
	case w.Moved != nil:
		if move := w.Moved.text(); move != "" {
			line += ", " + fmt.Sprintf(move, o.run(w.Moved.SinceRun))
		}
	case w.New && !o.SinceRun.IsZero():
		line += ", not in " + o.run(o.SinceRun)
	}
	return line
}

// text is a format with a place for the name of the run; empty where no edge can
// be compared. The best time stands for the window, else its start, else its end.
func (m *Move) text() string {
	for _, edge := range []struct {
		minutes *float64
		what    string
	}{{m.BestMinutes, ""}, {m.StartMinutes, "starting "}, {m.EndMinutes, "ending "}} {
		if edge.minutes == nil {
			continue
		}
		minutes := math.Round(*edge.minutes)
		switch {
		case minutes > 0:
			return fmt.Sprintf("%s%.0f min later than %%s said", edge.what, minutes)
		case minutes < 0:
			return fmt.Sprintf("%s%.0f min earlier than %%s said", edge.what, -minutes)
		}
		return edge.what + "as %s said"
	}
	return ""
}

// times is "14:10-15:25 UTC", with words where the span of the outlook or a
// blind release cuts an edge off.
func (w *Window) times(beside time.Time) string {
	start, end := clockBeside(w.Start, beside), clockBeside(w.End, w.Start)
	openStart, openEnd := w.StartsBefore || w.AfterBlind, w.EndsAfter || w.BeforeBlind
	switch {
	case openStart && openEnd:
		return fmt.Sprintf("%s or before to %s UTC or after", start, end)
	case openStart:
		return fmt.Sprintf("%s or before to %s UTC", start, end)
	case openEnd:
		return fmt.Sprintf("%s to %s UTC or after", start, end)
	}
	return fmt.Sprintf("%s-%s UTC", start, end)
}

// sentence says of a window ahead what a standing needs.
func (w *Window) sentence(moment time.Time) string {
	verb := "opens"
	if !w.Start.After(moment) {
		verb = "is open"
	}
	return fmt.Sprintf("in the outlook a window %s %s, best %s", verb, w.times(moment), clockBeside(w.Best, moment))
}

// run names a model run by its hour.
func (o *Outlook) run(reference time.Time) string {
	reference = reference.UTC()
	if reference.IsZero() {
		return "the outlook before"
	}
	format := "15 UTC"
	if reference.Minute() != 0 {
		format = "15:04 UTC"
	}
	if o.IssuedAt.Sub(reference).Abs() >= 24*time.Hour {
		format = "2 Jan " + format
	}
	return "the " + reference.Format(format) + " run"
}

func (o *Outlook) clock(t time.Time) string { return clockBeside(t, o.IssuedAt) }

func (o *Outlook) span(start, end time.Time) string {
	return o.clock(start) + "-" + clockBeside(end, start)
}

// clockBeside is a time of day, with the date where it is not that of the time
// it stands beside.
func clockBeside(t, beside time.Time) string {
	t, beside = t.UTC(), beside.UTC()
	if t.YearDay() == beside.YearDay() && t.Year() == beside.Year() {
		return t.Format("15:04")
	}
	return t.Format("2 Jan 15:04")
}
