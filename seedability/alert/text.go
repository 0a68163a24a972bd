package alert

import (
	"fmt"
	"strings"
	"time"
	"unicode/utf8"
)

// Message is an alert in words.
type Message struct {
	Subject string `json:"subject"` // at most 78 characters (RFC 5322, 2.1.1)
	Short   string `json:"short"`   // at most 160, for a pager
	Body    string `json:"body"`    // lines of text
}

// Bounds of a message, in characters. A short message of GSM 03.38 holds 160.
const (
	maxSubject   = 78
	maxShort     = 160
	shortCaution = " Advice only: permit and operator decide."
)

// Text says an alert so that a tired person understands it: what to do first, then
// where, when, why, how sure, what could stop it, and the caution. Times are local
// and in UTC. Everything from outside is cleaned once more here, so that an alert
// that was made elsewhere cannot break a line either.
func Text(a Alert, zone *time.Location) Message {
	if zone == nil {
		zone = time.UTC
	}
	a = a.cleaned()
	w := words{&a, zone}
	what, tail := w.what(), ""
	sites := w.siteNames()
	if when := w.when(); when != "" {
		tail = ", " + when
	}
	prefix := ""
	if a.Exercise {
		prefix = "EXERCISE "
	}
	switch {
	case a.Change == ChangeAcknowledged:
		prefix += "Taken by " + cut(a.AckBy, 16) + ": "
	case a.UnansweredS > 0:
		prefix += fmt.Sprintf("UNANSWERED %s: ", duration(time.Duration(a.UnansweredS)*time.Second))
	}
	// A name of blanks leaves two in a row, which a mail header does not keep.
	m := Message{Subject: strings.Join(strings.Fields(fit(prefix+what, sites, tail, maxSubject)), " ")}
	short := fit(prefix+what, sites, tail, maxShort-utf8.RuneCountInString(shortCaution)-1)
	if why := w.shortWhy(); why != "" {
		if left := maxShort - utf8.RuneCountInString(shortCaution) - utf8.RuneCountInString(short) - 3; left > 20 {
			short += ". " + cut(why, left)
		}
	}
	m.Short = strings.TrimRight(short, ".") + "." + shortCaution
	m.Body = w.body(m.Subject)
	return m
}

// cleaned is the alert with everything printable and bounded.
func (a Alert) cleaned() Alert {
	sites := make([]SiteRef, len(a.Sites))
	for k, site := range a.Sites {
		site.ID, site.Name, site.NotReady, site.Held = clean(site.ID, 64), clean(site.Name, maxName), clean(site.NotReady, 200), clean(site.Held, 200)
		if site.Name == "" {
			site.Name = site.ID
		}
		sites[k] = site
	}
	a.Sites = sites
	a.ID, a.Thread, a.First = clean(a.ID, 300), clean(a.Thread, 200), clean(a.First, 300)
	a.Programme, a.ProgrammeName, a.Subject = clean(a.Programme, 64), clean(a.ProgrammeName, maxName), clean(a.Subject, maxName)
	a.Reasons, a.Stoppers, a.Advice = cleanAll(a.Reasons, maxReason), cleanAll(a.Stoppers, maxReason), cleanAll(a.Advice, maxReason)
	a.Certainty, a.LiftedBy, a.Lifts = clean(a.Certainty, 200), clean(a.LiftedBy, maxName), clean(a.Lifts, maxReason)
	a.Caution, a.AckBy, a.Contact, a.Level = clean(a.Caution, 600), clean(a.AckBy, maxName), clean(a.Contact, 200), clean(a.Level, 20)
	a.Evidence = cleanLinks(a.Evidence)
	if a.Caution == "" {
		a.Caution = Caution
	}
	return a
}

// fit puts what, the names of sites and a tail into most characters: first fewer
// sites are named, then names are cut, then the tail is lost.
func fit(what string, names []string, tail string, most int) string {
	count := utf8.RuneCountInString
	if len(names) == 0 {
		if text := what + tail; count(text) <= most {
			return text
		}
		return cut(what, most)
	}
	for _, end := range []string{tail, ""} {
		left := most - count(what) - 2 - count(end)
		for named := min(len(names), 3); named >= 1; named-- {
			list := strings.Join(names[:named], ", ")
			if rest := len(names) - named; rest > 0 {
				list += fmt.Sprintf(" +%d", rest)
			}
			if count(list) <= left {
				return what + ": " + list + end
			}
		}
		more := ""
		if len(names) > 1 {
			more = fmt.Sprintf(" +%d", len(names)-1)
		}
		if left-count(more) >= 8 {
			return what + ": " + cut(names[0], left-count(more)) + more + end
		}
	}
	return cut(what, most)
}

type words struct {
	a    *Alert
	zone *time.Location
}

// siteNames are the names of sites. Where a lifted hold leaves some under another,
// these are named: who reads no further must not take them for free.
func (w words) siteNames() []string {
	var names []string
	switch w.a.Kind {
	case InputsStale, ServiceFault:
		return nil
	}
	still := w.a.Kind == HoldLifted && w.a.Change == ChangeOver && w.stillHeld() > 0
	for _, site := range w.a.Sites {
		if still && site.Held == "" && site.NotReady == "" {
			continue
		}
		names = append(names, site.Name)
	}
	return names
}

// what is the first thing to be read: what is so, and what to do.
func (w words) what() string {
	a := w.a
	subject := func(most int) string {
		if a.Subject == "" {
			return ""
		}
		return " (" + cut(a.Subject, most) + ")"
	}
	switch over := a.Change == ChangeOver; {
	case a.Kind == WindowOpen:
		return "WINDOW OPEN"
	case a.Kind == WindowClosing && over:
		return "Window CLOSED"
	case a.Kind == WindowClosing:
		return "Window closing"
	case a.Kind == WindowAhead && over:
		return "Window WITHDRAWN"
	case a.Kind == WindowAhead && a.Change == ChangeWorse:
		return "Window ahead, EARLIER"
	case a.Kind == WindowAhead && a.Change == ChangeLater:
		return "Window ahead, later"
	case a.Kind == WindowAhead && a.Change == ChangeSoon:
		return "Window SOON"
	case a.Kind == WindowAhead:
		return "Window ahead"
	case a.Kind == HoldRaised && a.Level == "review":
		return "REVIEW before seeding" + subject(24)
	case a.Kind == HoldRaised && a.Level == "unknown":
		return "HOLD, do not seed" + subject(20) + ", cannot be judged"
	case a.Kind == HoldRaised:
		return "HOLD, do not seed" + subject(24)
	case a.Kind == HoldLifted && a.Change == ChangeLowered:
		return "Hold now REVIEW" + subject(24)
	case a.Kind == HoldLifted && w.stillHeld() > 0:
		return "Lifted" + subject(24) + ", STILL HELD"
	case a.Kind == HoldLifted:
		return "Hold lifted" + subject(24)
	case a.Kind == InputsStale && over:
		return "Inputs back" + subject(40)
	case a.Kind == InputsStale:
		return "Inputs too old" + subject(40)
	case a.Kind == ProgrammeBlind && over:
		return "Sees again"
	case a.Kind == ProgrammeBlind:
		return "BLIND, no site can be judged"
	case a.Kind == ServiceFault && over:
		return "Service works again" + subject(30)
	case a.Kind == ServiceFault:
		return "SERVICE FAULT" + subject(40)
	}
	return cut(clean(string(a.Kind), 40), 40)
}

func (w words) stillHeld() int {
	n := 0
	for _, site := range w.a.Sites {
		if site.Held != "" || site.NotReady != "" {
			n++
		}
	}
	return n
}

// when is the time that matters most, local.
func (w words) when() string {
	a := w.a
	switch {
	case a.Change == ChangeOver || a.Change == ChangeAcknowledged:
		return ""
	case a.Kind == WindowAhead:
		return w.span(a.Start, a.End) + w.in(a.Start)
	case (a.Kind == WindowOpen || a.Kind == WindowClosing) && !a.End.IsZero():
		return "until " + w.clock(a.End)
	case a.Kind == InputsStale || a.Kind == ProgrammeBlind || a.Kind == ServiceFault:
		if !a.Start.IsZero() {
			return "since " + w.clock(a.Start)
		}
	}
	return ""
}

// in is how long it is until then.
func (w words) in(at time.Time) string {
	if left := at.Sub(w.a.Raised); left >= time.Minute {
		return " (in " + duration(left) + ")"
	}
	return ""
}

func duration(d time.Duration) string {
	switch d = d.Round(time.Minute); {
	case d < 2*time.Hour:
		return fmt.Sprintf("%d min", int(d/time.Minute))
	case d < 10*time.Hour && d%time.Hour >= 15*time.Minute && d%time.Hour < 45*time.Minute:
		return fmt.Sprintf("%d.5 h", int(d/time.Hour))
	}
	return fmt.Sprintf("%d h", int((d+30*time.Minute)/time.Hour))
}

// clock is a local time with its zone, and the day where it is not that of the alert.
func (w words) clock(at time.Time) string {
	local, raised := at.In(w.zone), w.a.Raised.In(w.zone)
	if local.YearDay() != raised.YearDay() || local.Year() != raised.Year() {
		return local.Format("Mon 15:04 ") + zoneName(local)
	}
	return local.Format("15:04 ") + zoneName(local)
}

// zoneName is what people there call it. Zones without letters are given by their
// distance from UTC.
func zoneName(at time.Time) string {
	name, _ := at.Zone()
	if name == "" || name[0] == '+' || name[0] == '-' {
		return "UTC" + at.Format("-07:00")
	}
	return name
}

// span is two local times. The zone stands at the first too where clocks change
// between them.
func (w words) span(start, end time.Time) string {
	if end.IsZero() || !end.After(start) {
		return "from " + w.clock(start)
	}
	from, to := w.clock(start), w.clock(end)
	if zoneName(start.In(w.zone)) == zoneName(end.In(w.zone)) {
		from = strings.TrimSuffix(from, " "+zoneName(start.In(w.zone)))
		if a, b := start.In(w.zone), end.In(w.zone); a.YearDay() == b.YearDay() && a.Year() == b.Year() && len(to) > 4 && from[0] > '9' {
			to = to[4:] // the day was said already
		}
	}
	return from + "-" + to
}

// both is a time, local and in UTC.
func (w words) both(at time.Time) string {
	local := at.In(w.zone)
	if zoneName(local) == "UTC" {
		return at.UTC().Format("Mon 2 Jan 15:04 UTC")
	}
	return local.Format("Mon 2 Jan 15:04 ") + zoneName(local) + at.UTC().Format(" (2 Jan 15:04 UTC)")
}

// shortWhy is the most useful half sentence for a pager.
func (w words) shortWhy() string {
	a := w.a
	switch {
	case a.Kind == WindowAhead || a.Kind == WindowOpen:
		for _, site := range a.Sites {
			if site.NotReady != "" {
				return "NOT READY: " + site.Name
			}
		}
		if a.Change != ChangeOver && a.Certainty != "" {
			return a.Certainty
		}
	}
	if len(a.Reasons) > 0 {
		return a.Reasons[0]
	}
	return ""
}

// body is the alert in lines.
func (w words) body(subject string) string {
	a := w.a
	var b strings.Builder
	line := func(name, format string, arguments ...any) {
		if name != "" {
			fmt.Fprintf(&b, "%-9s ", name+":")
		}
		fmt.Fprintf(&b, format, arguments...)
		b.WriteByte('\n')
	}
	if a.Exercise {
		line("", "THIS IS AN EXERCISE. Nothing of it is real.")
	}
	line("", "%s", subject)
	line("", "")
	line("What", "%s", w.sentence())
	if a.Change == ChangeAcknowledged {
		line("", "%s takes care of it. Nobody else needs to.", a.AckBy)
	}
	w.bodySites(line)
	w.bodyTimes(line)
	for _, reason := range a.Reasons {
		line("Why", "%s", reason)
	}
	if a.Certainty != "" {
		line("How sure", "%s", a.Certainty)
	}
	w.bodyStops(line)
	for _, suggestion := range a.Advice {
		line("Suggests", "%s", suggestion)
	}
	for _, link := range a.Evidence {
		line("See", "%s: %s", link.Title, link.URL)
	}
	if a.Contact != "" {
		line("Ask", "%s", a.Contact)
	}
	line("", "")
	line("", "%s", a.Caution)
	line("", "")
	line("", "%s, alert %s, %s", strings.TrimSpace(a.ProgrammeName+" ("+a.Programme+")"), a.ID, w.both(a.Raised))
	return b.String()
}

type printer func(name, format string, arguments ...any)

// listed is how many sites a body names one by one.
const listed = 40

func (w words) bodySites(line printer) {
	a := w.a
	for k, site := range a.Sites {
		if k == listed {
			line("", "          and %d more sites", len(a.Sites)-listed)
			break
		}
		text := site.Name
		if a.Kind == WindowAhead && a.Change != ChangeOver && !site.Start.IsZero() {
			text += ", " + w.span(site.Start, site.End)
		} else if (a.Kind == WindowOpen || a.Kind == WindowClosing && a.Change != ChangeOver) && !site.End.IsZero() {
			text += ", until " + w.clock(site.End)
		}
		if site.NotReady != "" {
			text += "; NOT READY: " + site.NotReady
		}
		if site.Held != "" {
			still := "; HELD: "
			if a.Kind == HoldLifted {
				still = "; STILL HELD: "
			}
			text += still + site.Held
		}
		line("Site", "%s", text)
	}
}

func (w words) bodyTimes(line printer) {
	a := w.a
	switch {
	case a.Change == ChangeOver || a.Change == ChangeLowered:
	case a.Kind == WindowAhead:
		line("From", "%s%s", w.both(a.Start), w.in(a.Start))
		if !a.Best.IsZero() {
			line("Best", "%s", w.both(a.Best))
		}
		if !a.End.IsZero() {
			line("Until", "%s", w.both(a.End))
		}
	case a.Kind == WindowOpen || a.Kind == WindowClosing:
		if !a.Start.IsZero() {
			line("Since", "%s", w.both(a.Start))
		}
		if !a.End.IsZero() {
			line("Until", "%s", w.both(a.End))
		} else {
			line("Until", "not seen yet")
		}
	case !a.Start.IsZero():
		line("Since", "%s", w.both(a.Start))
	}
}

func (w words) bodyStops(line printer) {
	a := w.a
	for _, stopper := range a.Stoppers {
		line("Stops it", "%s", stopper)
	}
	if a.Kind == HoldRaised {
		if a.Lifts != "" {
			line("Lifts it", "%s", a.Lifts)
		}
		if a.LiftedBy != "" {
			line("Who may", "%s", a.LiftedBy)
		}
	}
	if (a.Kind == WindowAhead || a.Kind == WindowOpen) && a.Change != ChangeOver {
		line("Stops it", "any hold, an order of the licensed operator, or doubt")
	}
}

// sentence says in one sentence what is so.
func (w words) sentence() string {
	a := w.a
	switch over := a.Change == ChangeOver; {
	case a.Kind == WindowOpen:
		return "agent released now is expected to work."
	case a.Kind == WindowClosing && over:
		return "agent released now is no longer expected to work."
	case a.Kind == WindowClosing && a.Change == ChangeWorse:
		return "the window ends earlier than was told."
	case a.Kind == WindowClosing:
		return "the window ends soon."
	case a.Kind == WindowAhead && over:
		return "the window that was foreseen is not expected any more."
	case a.Kind == WindowAhead && a.Change == ChangeWorse:
		return "the window is now foreseen earlier: there is less time than was told."
	case a.Kind == WindowAhead && a.Change == ChangeLater:
		return "the window is now foreseen later than was told."
	case a.Kind == WindowAhead && a.Change == ChangeSoon:
		return "a window that was told begins soon. It is not open yet."
	case a.Kind == WindowAhead:
		return "a window is foreseen. It is not open yet."
	case a.Kind == HoldRaised && a.Level == "review":
		return "a criterion asks for a review: the person in charge judges before any release."
	case a.Kind == HoldRaised && a.Level == "unknown":
		return "seeding is suspended, since a criterion cannot be judged. Release nothing."
	case a.Kind == HoldRaised:
		return "seeding is suspended. Release nothing."
	case a.Kind == HoldLifted && a.Change == ChangeLowered:
		return "the criterion no longer suspends, but asks for a review before any release."
	case a.Kind == HoldLifted && w.stillHeld() > 0:
		return fmt.Sprintf("this criterion no longer suspends, but %d of %d sites are STILL HELD or not ready.", w.stillHeld(), len(a.Sites))
	case a.Kind == HoldLifted:
		return "this criterion no longer suspends. That alone opens no window."
	case a.Kind == InputsStale && over:
		return "the inputs are fresh again."
	case a.Kind == InputsStale:
		return "inputs are too old; scores are less sure, or cannot be made."
	case a.Kind == ProgrammeBlind && over:
		return "sites can be judged again."
	case a.Kind == ProgrammeBlind:
		return "no site can be judged. Blind is not quiet: look for yourself."
	case a.Kind == ServiceFault && over:
		return "this part of the service works again."
	}
	return "a part of the service fails; alerts may be missing."
}

// WithAck adds the link by which the alert is acknowledged.
func (m Message) WithAck(link string) Message {
	if link != "" {
		head, rest, _ := strings.Cut(m.Body, "\n\n")
		m.Body = head + "\n\nAnswer:   " + link + "\n" + rest
	}
	return m
}
