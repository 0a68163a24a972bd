package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Of commands for people on duty; common practice, no source.
const (
	// silentAfter: a worker says how it does every minute.
	silentAfter = 3 * time.Minute
	// clocksApart: a service whose clock differs by more lives by a time of its own.
	clocksApart = 5 * time.Minute
)

// newestBundleObject is where the newest file of a programme lies in the bus's
// object store, for those who know its id only.
func newestBundleObject(id string) string { return "programmes/newest/" + id }

// desk is what a command of a person on duty knows of the service: its bus, the
// programme that is meant, and the time by the service's clock.
type desk struct {
	*bus.Bus
	env *environment
	// id of the programme; file is nil where the bus does not have its file.
	id   string
	file *programme.Programme
	// zone for people; UTC where it is not known.
	zone *time.Location
	// sites of the programme, nil where they are not known.
	sites []string
	// ahead is by how much the service's clock is ahead of ours, where it lives by a
	// time of its own (a rehearsal), else zero.
	ahead time.Duration
	// heard is when the service last said anything, by our clock; zero: not of late.
	heard time.Time
	// notes for people: what could not be known.
	notes []string
}

// openDesk connects, and finds the programme: the named one, or the only one.
func (f *dutyFlags) openDesk(env *environment, id string) (*desk, error) {
	return f.openDeskFor(env, id, true)
}

// openDeskFor is openDesk where all programmes will do unless one is needed: the id
// is empty then.
func (f *dutyFlags) openDeskFor(env *environment, id string, one bool) (*desk, error) {
	if id != "" && !isToken(id) {
		return nil, usageError(fmt.Sprintf("--programme: %s is not the id of a programme", quoted(id)))
	}
	connection, err := f.connect(env)
	if err != nil {
		return nil, err
	}
	d := &desk{Bus: connection, env: env, id: id, zone: time.UTC}
	if err := d.prepare(one); err != nil {
		connection.Close()
		return nil, err
	}
	return d, nil
}

func (d *desk) prepare(one bool) error {
	watched, err := d.listen()
	if err != nil {
		return err
	}
	known := map[string][]string{} // programmes with their sites
	for _, kind := range []bus.Kind{bus.Score, bus.Hold, bus.Order, bus.Release} {
		sites, err := d.Sites(d.env, kind, "")
		if err != nil {
			return err
		}
		for id, names := range sites {
			if kind.Name != bus.Score.Name {
				names = nil
			}
			known[id] = append(known[id], names...)
		}
	}
	choose := watched
	if len(choose) == 0 {
		choose = slices.Sorted(maps.Keys(known))
	}
	for _, id := range watched {
		known[id] = append(known[id], []string{}...)
	}
	switch {
	case d.id == "" && len(choose) == 1:
		d.id = choose[0]
	case d.id == "" && !one:
		return nil
	case d.id == "" && len(choose) == 0:
		return errors.New("no programme is known on this bus yet: name it with --programme ID")
	case d.id == "":
		return usageError(fmt.Sprintf("several programmes are on this bus (%s): name one with --programme ID", strings.Join(choose, ", ")))
	case len(known) > 0 && !slices.Contains(slices.Collect(maps.Keys(known)), d.id):
		return fmt.Errorf("there is no programme %s on this bus; there are %s", d.id, strings.Join(slices.Sorted(maps.Keys(known)), ", "))
	}
	d.sites = known[d.id]
	d.readFile()
	return nil
}

// listen hears what workers said of late: which programmes they watch, and what
// time it is there.
func (d *desk) listen() (watched []string, err error) {
	server, err := d.ServerTime(d.env, bus.Health)
	if err != nil {
		return nil, fmt.Errorf("%w (has a service ever run on this bus?)", err)
	}
	ours := time.Now()
	for stored, err := range d.ReadSince(d.env, bus.Health, "", "", server.Add(-silentAfter)) {
		if err != nil {
			if stored.Sequence == 0 {
				return nil, err
			}
			continue
		}
		h, err := message.As[message.Health](stored.Event)
		if err != nil {
			continue
		}
		d.heard = ours.Add(stored.Time.Sub(server))
		d.ahead = 0
		if ahead := h.Time.Sub(stored.Time); ahead.Abs() > clocksApart {
			d.ahead = h.Time.Sub(d.heard)
		}
		for _, source := range h.Sources {
			if isToken(source.Programme) && !slices.Contains(watched, source.Programme) {
				watched = append(watched, source.Programme)
			}
		}
	}
	slices.Sort(watched)
	return watched, nil
}

// readFile takes the programme's file from the bus, where it is there.
func (d *desk) readFile() {
	encoded, err := d.GetObject(d.env, newestBundleObject(d.id))
	var b bundle
	if err == nil {
		err = json.Unmarshal(encoded, &b)
	}
	if err == nil {
		d.file, err = b.parse()
	}
	if err == nil && d.file.ID != d.id {
		err = fmt.Errorf("it is of %s", d.file.ID)
	}
	if err != nil {
		d.file = nil
		d.notes = append(d.notes, "The programme's file is not on the bus: times are in UTC.")
		return
	}
	d.zone, d.sites = d.file.Location, nil
	for k := range d.file.Sites {
		d.sites = append(d.sites, d.file.Sites[k].ID)
	}
}

// now is the present by the service's clock.
func (d *desk) now() time.Time { return time.Now().Add(d.ahead).UTC() }

// alive: the service has said something of late.
func (d *desk) alive() bool { return !d.heard.IsZero() }

// name of the programme for people.
func (d *desk) name() string {
	if d.file != nil {
		return fmt.Sprintf("%s (%s)", printable(d.file.Name), d.id)
	}
	return d.id
}

// remarks are the notes, and that the service lives by another time.
func (d *desk) remarks() []string {
	notes := fewer(slices.Clone(d.notes))
	if d.ahead != 0 {
		notes = append(notes, fmt.Sprintf("The service's clock shows %s; times count by it.", d.both(d.now())))
	}
	return notes
}

// fewer keeps what somebody reads.
func fewer(notes []string) []string {
	const most = 20
	if n := len(notes) - most; n > 0 {
		notes = append(slices.Clone(notes[:most]), fmt.Sprintf("And %d more like these.", n))
	}
	return notes
}

// both is a time for people, local and in UTC.
func (d *desk) both(t time.Time) string { return localAndUTC(t, d.zone) }

func localAndUTC(t time.Time, zone *time.Location) string {
	local, utc := t.In(zone), t.UTC()
	name := zoneLetters(local)
	switch {
	case name == "UTC":
		return utc.Format("2 Jan 15:04 UTC")
	case local.Day() != utc.Day():
		return local.Format("2 Jan 15:04 ") + name + utc.Format(" (2 Jan 15:04 UTC)")
	}
	return local.Format("2 Jan 15:04 ") + name + utc.Format(" (15:04 UTC)")
}

// zoneLetters is MST, or UTC-03:00 for zones without letters.
func zoneLetters(local time.Time) string {
	name := local.Format("MST")
	if strings.ContainsAny(name, "+-0123456789") {
		return local.Format("UTC-07:00")
	}
	return name
}

// ago is how long a moment is past, for people.
func ago(d time.Duration) string {
	switch {
	case d < 0:
		return "just now"
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", d.Hours())
	}
	return fmt.Sprintf("%.0f days ago", d.Hours()/24)
}

// moment reads a time as people write it: RFC 3339, "2026-02-03 18:30" or "18:30",
// both in the programme's zone, or "now". A time of day is the next one after now
// where ahead, else the last one before.
func (d *desk) moment(flag, text string, ahead bool) (time.Time, error) {
	return momentIn(flag, text, d.zone, d.now(), ahead)
}

func momentIn(flag, text string, zone *time.Location, now time.Time, ahead bool) (time.Time, error) {
	refuse := func(format string, arguments ...any) (time.Time, error) {
		return time.Time{}, usageError(fmt.Sprintf("%s: %s: %s", flag, quoted(text), fmt.Sprintf(format, arguments...)))
	}
	if text == "now" {
		return now.UTC().Truncate(time.Second), nil
	}
	if t, err := time.Parse(time.RFC3339, text); err == nil {
		return t.UTC(), nil
	}
	local := func(year int, month time.Month, day, hour, minute int) (time.Time, error) {
		t := time.Date(year, month, day, hour, minute, 0, 0, zone)
		if t.Hour() != hour || t.Minute() != minute {
			return refuse("clocks in %s go forward then, and there is no such time", zone)
		}
		for _, other := range []time.Time{t.Add(-time.Hour), t.Add(time.Hour)} {
			if other.Hour() == hour && other.Minute() == minute {
				return refuse("clocks in %s go back then, and there are two such times; give it as %s or %s", zone, min(t.UTC().Format(time.RFC3339), other.UTC().Format(time.RFC3339)), max(t.UTC().Format(time.RFC3339), other.UTC().Format(time.RFC3339)))
			}
		}
		return t.UTC(), nil
	}
	for _, form := range []string{"2006-01-02 15:04", "2006-01-02T15:04"} {
		if t, err := time.Parse(form, text); err == nil {
			return local(t.Year(), t.Month(), t.Day(), t.Hour(), t.Minute())
		}
	}
	t, err := time.Parse("15:04", text)
	if err != nil {
		return refuse("is no time: 18:30, \"2026-02-03 18:30\" (both in %s), 2026-02-04T01:30:00Z or now", zone)
	}
	today := now.In(zone)
	at, err := local(today.Year(), today.Month(), today.Day(), t.Hour(), t.Minute())
	switch {
	case err == nil && ahead && !at.After(now):
		return local(today.Year(), today.Month(), today.Day()+1, t.Hour(), t.Minute())
	case err == nil && !ahead && at.After(now):
		return local(today.Year(), today.Month(), today.Day()-1, t.Hour(), t.Minute())
	}
	return at, err
}

// isToken: the text can be an id in subjects and files.
func isToken(text string) bool {
	_, err := bus.Score.Subject(text, text)
	return err == nil
}

// tokens checks ids that were given, and that the programme has them where that is
// known; nothing is held by a wrong name.
func tokens(flag string, given, known []string) error {
	seen := map[string]bool{}
	for _, id := range given {
		switch {
		case !isToken(id):
			return usageError(fmt.Sprintf("%s: %s is not an id", flag, quoted(id)))
		case seen[id]:
			return usageError(fmt.Sprintf("%s: %s is named twice", flag, id))
		case known != nil && !slices.Contains(known, id):
			return usageError(fmt.Sprintf("%s: the programme has no %s; it has %s", flag, id, strings.Join(known, ", ")))
		}
		seen[id] = true
	}
	return nil
}

// plainText checks a text of a person: one line of printable characters. It stands
// in alerts, pages and records for years.
func plainText(flag, text string, most int, needed bool) (string, error) {
	trimmed := strings.TrimSpace(text)
	switch {
	case needed && trimmed == "":
		return "", usageError(flag + ": is empty")
	case strings.ContainsRune(text, utf8.RuneError): // also what the parser of flags makes of it
		return "", usageError(flag + ": is not UTF-8")
	case utf8.RuneCountInString(trimmed) > most:
		return "", usageError(fmt.Sprintf("%s: has %d characters, at most %d are kept", flag, utf8.RuneCountInString(trimmed), most))
	}
	for _, r := range trimmed {
		if !unicode.IsPrint(r) {
			return "", usageError(fmt.Sprintf("%s: %U is not printable; one line of plain text is wanted", flag, r))
		}
	}
	return trimmed, nil
}

// Lengths of what people write, in characters; those of alert.CheckRelease where
// that checks them too.
const (
	mostName   = 80
	mostReason = 300
)

// printable makes text from a message fit for a terminal.
func printable(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsPrint(r) {
			return r
		}
		return ' '
	}, text)
}

// quoted shows a text that was given, safe and short.
func quoted(text string) string { return fmt.Sprintf("%q", shorten(printable(text), 60)) }

// rows prints labelled text below each other, broken at words.
func (p *page) rows(pairs ...[2]string) {
	const indent, width = 14, 98
	for _, pair := range pairs {
		words := strings.Fields(printable(pair[1]))
		if len(words) == 0 {
			continue
		}
		line := fmt.Sprintf("  %-*s", indent-2, pair[0])
		length, empty := indent, true
		for _, word := range words {
			n := utf8.RuneCountInString(word)
			if !empty && length+1+n > width {
				p.printf("%s\n", strings.TrimRight(line, " "))
				line, length, empty = strings.Repeat(" ", indent), indent, true
			}
			if !empty {
				line, length = line+" ", length+1
			}
			line, length, empty = line+word, length+n, false
		}
		p.printf("%s\n", line)
	}
}
