package message

import (
	"fmt"
	"strings"
	"time"
)

// titled puts the kind of an input before its station or source, once.
func (m Input) title() string {
	name := firstOf(m.Station, m.Source)
	if m.Kind == "" || strings.EqualFold(m.Kind, name) {
		return name
	}
	return m.Kind + " " + name
}

// age is how old the input was when it was here: a model run since its start,
// all other since what it shows. False where it carries no time.
func (m Input) age() (time.Duration, bool) {
	from := m.ValidTime
	if !m.ReferenceTime.IsZero() {
		from = m.ReferenceTime
	}
	return m.FetchedTime.Sub(from), !from.IsZero()
}

// of says which run or moment it is.
func (m Input) of() string {
	switch {
	case !m.ReferenceTime.IsZero() && !m.ValidTime.IsZero():
		return fmt.Sprintf("run of %s for %s UTC", clock(m.ReferenceTime, m.FetchedTime), clock(m.ValidTime, m.FetchedTime))
	case !m.ReferenceTime.IsZero():
		return fmt.Sprintf("run of %s UTC", clock(m.ReferenceTime, m.FetchedTime))
	case !m.ValidTime.IsZero():
		return fmt.Sprintf("of %s UTC", clock(m.ValidTime, m.FetchedTime))
	}
	return "of a time not known"
}

func (m Input) bytes() (n int64) {
	for _, f := range m.Files {
		n += f.Bytes
	}
	return n
}

func inputLine(m Input) (name, state, what string) {
	what = m.of()
	if age, ok := m.age(); ok && age >= 0 {
		what += fmt.Sprintf(", %s old", span(age))
	} else if ok {
		what += fmt.Sprintf(", %s in the future: a clock is wrong", span(age))
	}
	if m.Error != "" {
		return m.title(), "not used", what + ": " + m.Error
	}
	if n := m.bytes(); n > 0 {
		what += ", " + bytesText(n)
	}
	if len(m.Notes) > 0 {
		what += "; " + strings.Join(m.Notes, "; ")
	}
	return m.title(), "arrived", what
}

func inputText(m Input) []string {
	_, state, what := inputLine(Input{ReferenceTime: m.ReferenceTime, ValidTime: m.ValidTime, FetchedTime: m.FetchedTime, Files: m.Files})
	if m.Error != "" {
		state = "not used"
	}
	p := &paper{}
	p.line("%s: %s, %s", m.title(), state, what)
	p.row("why", m.Error)
	p.row("fetched", fmt.Sprintf("%s from %s, for programme %s", stamp(m.FetchedTime), m.Source, m.Programme))
	if !m.PublishedTime.IsZero() {
		p.row("published", fmt.Sprintf("%s UTC, %s before it was here", clock(m.PublishedTime, m.FetchedTime), span(m.FetchedTime.Sub(m.PublishedTime))))
	}
	p.row("product", m.Product)
	for _, f := range m.Files {
		p.row("file", fmt.Sprintf("%s, %s", firstOf(f.Name, f.URL), bytesText(f.Bytes)))
	}
	if m.Crop != nil {
		p.row("kept", bytesText(m.Crop.Bytes))
	}
	for _, text := range m.Notes {
		p.row("note", text)
	}
	return p.lines
}

// trouble lists what is wrong with a worker, one sentence each.
func (m Health) trouble() (texts []string) {
	texts = append(texts, m.Reasons...)
	for _, s := range m.Sources {
		if text := s.trouble(m.Time); text != "" {
			texts = append(texts, fmt.Sprintf("%s for %s %s", s.Source, s.Programme, text))
		}
	}
	return texts
}

func (s SourceHealth) trouble(now time.Time) string {
	var texts []string
	switch {
	case s.BehindSeconds > 0:
		texts = append(texts, fmt.Sprintf("is %s late", span(time.Duration(min(s.BehindSeconds, 1e9)*float64(time.Second)))))
	case s.NewestTime.IsZero() && s.Error != "":
		texts = append(texts, "has given nothing yet")
	}
	if s.Error != "" {
		texts = append(texts, "does not answer well: "+s.Error)
	}
	return strings.Join(texts, ", ")
}

func (m Health) work() string {
	var waiting, running int64
	for _, q := range m.Queues {
		waiting, running = waiting+max(q.Waiting, 0), running+max(q.Running, 0)
	}
	return fmt.Sprintf("%s running, %d waiting", counted(running, "job"), waiting)
}

func healthLine(m Health) (name, state, what string) {
	trouble := m.trouble()
	if len(trouble) == 0 {
		return "worker " + m.Worker, string(m.State), m.work()
	}
	return "worker " + m.Worker, string(m.State), strings.Join(trouble, "; ") + "; " + m.work()
}

func healthText(m Health) []string {
	p := &paper{}
	p.line("worker %s: %s at %s", m.Worker, m.State, stamp(m.Time))
	for _, text := range m.Reasons {
		p.row("why", text)
	}
	p.row("runs", fmt.Sprintf("version %s on %s for %s, as %s", firstOf(m.Version, "not known"), firstOf(m.Host, "a host not known"), span(m.Time.Sub(m.StartedTime)), firstOf(strings.Join(m.Roles, " and "), "nothing")))
	for _, q := range m.Queues {
		p.row(q.Queue+" jobs", fmt.Sprintf("%d running, %d waiting", q.Running, q.Waiting))
	}
	for _, s := range m.Sources {
		text := firstOf(s.trouble(m.Time), "in time")
		if !s.NewestTime.IsZero() {
			text += fmt.Sprintf("; newest of %s UTC", clock(s.NewestTime, m.Time))
		}
		if !s.LastSuccessTime.IsZero() {
			text += fmt.Sprintf("; last reached %s UTC", clock(s.LastSuccessTime, m.Time))
		}
		p.row(s.Source, "for "+s.Programme+": "+text)
	}
	return p.lines
}

func deadLetterLine(m DeadLetter) (name, state, what string) {
	return m.Programme, "given up", fmt.Sprintf("%s job, after %s: %s", m.Queue, tries(m.Deliveries), firstOf(m.Error, "no reason known"))
}

func tries(n int) string {
	if n == 1 {
		return "1 try"
	}
	return fmt.Sprintf("%d tries", n)
}

func deadLetterText(m DeadLetter) []string {
	p := &paper{}
	p.line("%s: %s job given up at %s", m.Programme, m.Queue, stamp(m.Time))
	p.row("why", firstOf(m.Error, "no reason known"))
	p.row("tried", fmt.Sprintf("%s, last by worker %s", tries(m.Deliveries), m.Worker))
	p.row("job", m.JobID)
	p.row("", cut(printable(string(m.Job)), 400))
	p.row("what now", "nobody tries it again: look at the reason")
	return p.lines
}
