package main

import (
	"bytes"
	"cmp"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/programme"
)

// replayResult is what a replay found.
type replayResult struct {
	Programme string `json:"programme"`
	Archive   string `json:"archive"`
	// Compared with the archive; otherwise all was only written to Out.
	Compared bool   `json:"compared"`
	Out      string `json:"out,omitempty"`
	// ProgramVersion replayed what the programs ArchivedBy made.
	ProgramVersion string   `json:"program_version"`
	ArchivedBy     []string `json:"archived_by"`
	// ProgrammeFile is by which file was judged; empty: the archived ones.
	ProgrammeFile string       `json:"programme_file,omitempty"`
	Scores        replayCounts `json:"scores"`
	Outlooks      replayCounts `json:"outlooks"`
	// Conditions that were made again for the criteria; the archived ones stand where
	// that could not be done.
	Conditions  replayCounts       `json:"conditions,omitzero"`
	Differences []replayDifference `json:"differences"`
	NotMade     []replayFailure    `json:"not_made"`
	// Problems are parts of the archive that could not be read.
	Problems []string     `json:"problems"`
	Sites    []replaySite `json:"sites"`
	Notes    []string     `json:"notes"`
}

// replayCounts of one kind of message.
type replayCounts struct {
	Archived int `json:"archived"`
	Equal    int `json:"equal"`
	Differ   int `json:"differ"`
	NotMade  int `json:"not_made"`
	// NoSite: the other programme file has no such site. New: the archive had none.
	NoSite int       `json:"no_site"`
	New    int       `json:"new"`
	First  time.Time `json:"first,omitzero"`
	Last   time.Time `json:"last,omitzero"`
}

// replayDifference is messages that differ first in the same field.
type replayDifference struct {
	Kind     string    `json:"kind"`
	Field    string    `json:"field"`
	Messages int       `json:"messages"`
	Site     string    `json:"first_site"`
	First    time.Time `json:"first"`
	Then     string    `json:"then"`
	Now      string    `json:"now"`
}

// replayFailure is messages that could not be made again for the same reason. One that
// lacks several crops is counted with each.
type replayFailure struct {
	Reason     string    `json:"reason"`
	Scores     int       `json:"scores"`
	Outlooks   int       `json:"outlooks"`
	Conditions int       `json:"conditions,omitempty"`
	Site       string    `json:"first_site"`
	First      time.Time `json:"first"`
}

// replaySite compares the states of one site. Minutes and windows are of the time in
// which both are known, and where a site is only in one of two programme files, of
// that one.
type replaySite struct {
	ID   string `json:"id"`
	Name string `json:"name"`
	// Only in: archive or programme; empty: in both.
	Only string `json:"only,omitempty"`
	// Minutes by state.
	Then map[seedability.State]float64 `json:"then_minutes"`
	Now  map[seedability.State]float64 `json:"now_minutes"`
	// UnknownMinutes could not be made again.
	UnknownMinutes float64        `json:"unknown_minutes"`
	Windows        []replayWindow `json:"windows"`
}

// replayWindow is a window as it was published and as it is found now; those that
// overlap are one row. Change is equal, gained, lost, or moved.
type replayWindow struct {
	Then   []replaySpan `json:"then"`
	Now    []replaySpan `json:"now"`
	Change string       `json:"change"`
}

// replaySpan is from a moment until another. Open: the end of what was replayed cuts
// it off.
type replaySpan struct {
	From time.Time `json:"from"`
	To   time.Time `json:"to"`
	Open bool      `json:"open,omitempty"`
}

func (res *replayResult) of(kind bus.Kind) *replayCounts {
	if kind.Name == bus.Outlook.Name {
		return &res.Outlooks
	}
	return &res.Scores
}

// fine: all is as it was published, or where nothing is compared, all was made. Where
// there was nothing, nothing is shown to be equal.
func (res *replayResult) fine() bool {
	s, o := &res.Scores, &res.Outlooks
	whole := len(res.Problems) == 0 && s.NotMade+o.NotMade == 0 && s.Archived+o.Archived > 0
	return whole && (!res.Compared || s.Differ+o.Differ+s.NoSite+o.NoSite+s.New+o.New == 0)
}

func (r *replay) difference(m *replayMessage, field, then, now string) {
	d := r.differ[m.kind.Name+" "+field]
	if d == nil {
		d = &replayDifference{Kind: m.kind.Name, Field: field, Site: m.site, First: m.at, Then: then, Now: now}
		r.differ[m.kind.Name+" "+field] = d
	}
	d.Messages++
}

// mostReplayReasons: beyond so many different reasons the rest is told as one.
const mostReplayReasons = 200

func (r *replay) failure(m *replayMessage, err error) {
	reasons := errReasons{err.Error()}
	errors.As(err, &reasons)
	for _, reason := range reasons {
		f := r.failed[reason]
		if f == nil && len(r.failed) >= mostReplayReasons {
			reason = "other reasons"
			f = r.failed[reason]
		}
		if f == nil {
			f = &replayFailure{Reason: reason, Site: m.site, First: m.at}
			r.failed[reason] = f
		}
		switch m.kind.Name {
		case bus.Outlook.Name:
			f.Outlooks++
		case bus.Conditions.Name:
			f.Conditions++
		default:
			f.Scores++
		}
	}
}

// sum compares the states of sites, in the order of a programme file; the others come
// after them.
func (res *replayResult) sum(r *replay, order *programme.Programme) {
	longest := seedability.DefaultLongestGap
	end := res.Scores.Last
	var ids []string
	if order != nil {
		ids = sitesWithin(order, -90, -180, 90, 180)
	}
	for _, id := range sortedKeys(r.sites) {
		if !slices.Contains(ids, id) {
			ids = append(ids, id)
		}
	}
	for _, id := range ids {
		if r.sites[id] == nil {
			continue
		}
		s := r.sites[id]
		if len(s.rows) == 0 {
			continue
		}
		site := replaySite{ID: id, Name: cmp.Or(s.name, id), Then: map[seedability.State]float64{}, Now: map[seedability.State]float64{}, Windows: []replayWindow{}}
		if r.other != nil {
			if of := r.other.Site(id); of == nil {
				site.Only = "archive"
			} else if s.name == "" {
				site.Name = of.Name
			}
		}
		slices.SortStableFunc(s.rows, func(a, b replayedRow) int { return a.at.Compare(b.at) })
		var then, now []replaySpan
		known := false
		for k, row := range s.rows {
			to := end
			if k+1 < len(s.rows) {
				to = s.rows[k+1].at
			}
			cut := !to.Before(end)
			if to.Sub(row.at) > longest {
				to, cut = row.at.Add(longest), false
			}
			minutes := to.Sub(row.at).Minutes()
			if row.then == "" && row.now == "" {
				site.UnknownMinutes += minutes
				continue
			}
			if row.then != "" {
				known = true
				site.Then[row.then] += minutes
				then = extend(then, row.then, row.at, to, cut)
			}
			if row.now != "" {
				site.Now[row.now] += minutes
				now = extend(now, row.now, row.at, to, cut)
			}
		}
		if !known && site.Only == "" && site.UnknownMinutes == 0 {
			site.Only = "programme"
		}
		site.Windows = pairWindows(then, now)
		res.Sites = append(res.Sites, site)
	}
	for _, list := range []*[]string{&res.ArchivedBy, &res.Problems, &res.Notes} {
		if *list == nil {
			*list = []string{}
		}
	}
	if res.Differences == nil {
		res.Differences = []replayDifference{}
	}
	if res.NotMade == nil {
		res.NotMade = []replayFailure{}
	}
	if res.Sites == nil {
		res.Sites = []replaySite{}
	}
}

// extend adds a piece of time to the windows, where it is one.
func extend(windows []replaySpan, state seedability.State, from, to time.Time, cut bool) []replaySpan {
	if state != seedability.StateWindow {
		return windows
	}
	if n := len(windows); n > 0 && windows[n-1].To.Equal(from) {
		windows[n-1].To, windows[n-1].Open = to, cut
		return windows
	}
	return append(windows, replaySpan{from, to, cut})
}

// pairWindows puts windows that overlap side by side.
func pairWindows(then, now []replaySpan) []replayWindow {
	rows := []replayWindow{}
	for len(then) > 0 || len(now) > 0 {
		row := replayWindow{Then: []replaySpan{}, Now: []replaySpan{}}
		var end time.Time
		open := false
		take := func(into *[]replaySpan, from []replaySpan) []replaySpan {
			*into, end, open = append(*into, from[0]), later(end, from[0].To), open || from[0].Open
			return from[1:]
		}
		// What begins where an open window is cut off overlaps it.
		within := func(spans []replaySpan) bool {
			return len(spans) > 0 && (spans[0].From.Before(end) || open && spans[0].From.Equal(end))
		}
		if len(then) > 0 && (len(now) == 0 || !now[0].From.Before(then[0].From)) {
			then = take(&row.Then, then)
		} else {
			now = take(&row.Now, now)
		}
		for {
			if within(then) {
				then = take(&row.Then, then)
			} else if within(now) {
				now = take(&row.Now, now)
			} else {
				break
			}
		}
		switch {
		case len(row.Then) == 0:
			row.Change = "gained"
		case len(row.Now) == 0:
			row.Change = "lost"
		case slices.Equal(row.Then, row.Now):
			row.Change = "equal"
		default:
			row.Change = "moved"
		}
		rows = append(rows, row)
	}
	return rows
}

// write tells people.
func (res *replayResult) write(w io.Writer) error {
	p := &page{w: w}
	s, o := &res.Scores, &res.Outlooks
	first, last := s.First, later(s.Last, o.Last)
	if first.IsZero() || !o.First.IsZero() && o.First.Before(first) {
		first = o.First
	}
	if s.Archived+o.Archived == 0 {
		p.printf("%s: the archive has no score and no outlook of that time.\n", res.Programme)
		res.writeProblems(p)
		return p.err
	}
	p.printf("Replay of %s, %s to %s UTC\n", res.Programme, first.Format("2 Jan 2006 15:04"), last.Format("2 Jan 2006 15:04"))
	if len(res.ArchivedBy) != 1 || res.ArchivedBy[0] != res.ProgramVersion {
		p.printf("Made by version %s, now judged by version %s.\n", cmp.Or(strings.Join(res.ArchivedBy, ", "), "unknown"), res.ProgramVersion)
	}
	if res.ProgrammeFile != "" {
		p.printf("Judged by the programme file %s.\n", res.ProgrammeFile)
	}
	p.printf("\n")
	res.writeCounts(p, "score", s)
	res.writeCounts(p, "outlook", o)
	if res.fine() && res.Compared {
		p.printf("\nEverything is as it was published, to the byte.\n")
	}
	res.writeProblems(p)
	switch {
	case !res.Compared || res.fine():
	case s.Differ+o.Differ+s.NoSite+o.NoSite+s.New+o.New == 0:
		if s.Equal+o.Equal > 0 {
			p.printf("\nAll that could be made again is as it was published, to the byte.\n")
		}
	default:
		res.writeHours(p)
		res.writeWindows(p)
		res.writeDifferences(p)
	}
	for k, note := range res.Notes {
		if k == 0 {
			p.printf("\n")
		}
		p.paragraph(note)
	}
	if res.Out != "" {
		p.printf("\nWritten: %s\n", res.Out)
	}
	return p.err
}

func (res *replayResult) writeCounts(p *page, noun string, c *replayCounts) {
	if !res.Compared {
		p.printf("  %s made again", count(c.Archived-c.NotMade-c.NoSite, noun))
	} else {
		p.printf("  %s: %d equal to the byte", count(c.Archived, noun), c.Equal)
	}
	for _, part := range []struct {
		n    int
		text string
		only bool
	}{{c.Differ, "%d different", true}, {c.NotMade, "%d could not be made again", false}, {c.NoSite, "%d of sites that the programme file has not", true}, {c.New, "%d more of sites that the archive has not", false}} {
		if part.n > 0 && (res.Compared || !part.only) {
			p.printf(", "+part.text, part.n)
		}
	}
	p.printf("\n")
}

func (res *replayResult) writeProblems(p *page) {
	if len(res.NotMade) > 0 {
		p.printf("\nCOULD NOT BE MADE AGAIN\n")
		for _, f := range res.NotMade {
			var parts []string
			if f.Scores > 0 {
				parts = append(parts, count(f.Scores, "score"))
			}
			if f.Outlooks > 0 {
				parts = append(parts, count(f.Outlooks, "outlook"))
			}
			if f.Conditions > 0 {
				parts = append(parts, count(f.Conditions, "look")+" at the weather over targets")
			}
			p.paragraph(fmt.Sprintf("%s, first of %s %s UTC: %s", strings.Join(parts, " and "), f.Site, f.First.Format("2 Jan 15:04:05"), printable(f.Reason)))
		}
	}
	if len(res.Problems) > 0 {
		p.printf("\nCOULD NOT BE READ\n")
		for _, problem := range res.Problems {
			p.paragraph(printable(problem))
		}
	}
}

func (res *replayResult) writeDifferences(p *page) {
	if len(res.Differences) == 0 {
		return
	}
	rows := [][]string{{"DIFFERENT FIRST IN", "MESSAGES", "FOR EXAMPLE", "THEN", "NOW"}}
	for k, d := range res.Differences {
		if k == 12 {
			rows = append(rows, []string{fmt.Sprintf("and %d more fields", len(res.Differences)-k)})
			break
		}
		rows = append(rows, []string{d.Kind + " " + d.Field, fmt.Sprint(d.Messages), d.Site + " " + d.First.Format("2 Jan 15:04:05"), shortened(d.Then), shortened(d.Now)})
	}
	p.printf("\n")
	p.table("", rows)
}

// shortened text for a cell.
func shortened(text string) string {
	const most = 40
	runes := []rune(printable(text))
	if len(runes) > most {
		return string(runes[:most-3]) + "..."
	}
	return string(runes)
}

func (res *replayResult) writeHours(p *page) {
	states := []seedability.State{seedability.StateWindow, seedability.StateBuilding, seedability.StateQuiet, seedability.StateHold, seedability.StateBlind}
	rows := [][]string{{"HOURS OF", "WINDOW", "BUILDING", "QUIET", "HOLD", "BLIND"}}
	all := replaySite{Name: "sites in both", Then: map[seedability.State]float64{}, Now: map[seedability.State]float64{}}
	both, noted := 0, false
	for _, site := range res.Sites {
		noted = noted || site.Only != "" || site.UnknownMinutes > 0
		if site.Only == "" {
			both++
			for _, state := range states {
				all.Then[state] += site.Then[state]
				all.Now[state] += site.Now[state]
			}
		}
	}
	if noted {
		rows[0] = append(rows[0], "NOTE")
	}
	if both == len(res.Sites) {
		all.Name = "all sites"
	}
	sites := res.Sites
	if both > 1 {
		sites = append(slices.Clone(sites), all)
	}
	for _, site := range sites {
		row := []string{site.Name}
		for _, state := range states {
			then, now := hoursText(site.Then[state]), hoursText(site.Now[state])
			switch {
			case site.Only == "archive":
				row = append(row, then)
			case site.Only == "programme":
				row = append(row, now)
			case then == now:
				row = append(row, then)
			default:
				row = append(row, then+" > "+now)
			}
		}
		note := ""
		switch {
		case site.Only == "archive":
			note = "only in the archive"
		case site.Only == "programme":
			note = "only in the programme file"
		case site.UnknownMinutes > 0:
			note = hoursText(site.UnknownMinutes) + " not made again"
		}
		if noted {
			row = append(row, note)
		}
		rows = append(rows, row)
	}
	p.printf("\n")
	p.table("", rows)
	p.printf("  Hours and minutes; then > now where that differs.\n")
}

func hoursText(minutes float64) string {
	m := int(minutes + .5)
	if m == 0 {
		return "-"
	}
	return fmt.Sprintf("%d:%02d", m/60, m%60)
}

func (res *replayResult) writeWindows(p *page) {
	rows := [][]string{{"WINDOW", "THEN", "NOW", "CHANGE"}}
	equal := 0
	for _, site := range res.Sites {
		for _, w := range site.Windows {
			if w.Change == "equal" {
				equal++
				continue
			}
			change := movedText(w)
			if site.Only != "" {
				change = "" // said above
			}
			rows = append(rows, []string{site.Name, spansText(w.Then), spansText(w.Now), change})
		}
	}
	if len(rows) > 1 {
		p.printf("\n")
		p.table("", rows)
	} else if equal > 0 {
		p.printf("\nNo window was gained, lost or moved.\n")
	}
	if equal > 0 && len(rows) > 1 {
		p.printf("  %s the same.\n", count(equal, "more window"))
	}
}

func spansText(spans []replaySpan) string {
	var parts []string
	day := ""
	for _, s := range spans {
		text := s.From.Format("15:04") + "-" + s.To.Format("15:04")
		if s.Open {
			text = "from " + s.From.Format("15:04")
		}
		if of := s.From.Format("2 Jan "); of != day {
			day, text = of, of+text
		}
		parts = append(parts, text)
	}
	return cmp.Or(strings.Join(parts, ", "), "none")
}

// movedText says how a window moved: its first opening and its last end.
func movedText(w replayWindow) string {
	if w.Change != "moved" {
		return w.Change
	}
	a, b := w.Then[len(w.Then)-1], w.Now[len(w.Now)-1]
	var parts []string
	edge := func(what string, d time.Duration) {
		switch m := int(d.Round(time.Minute).Minutes()); {
		case m > 0:
			parts = append(parts, fmt.Sprintf("%s %d min later", what, m))
		case m < 0:
			parts = append(parts, fmt.Sprintf("%s %d min earlier", what, -m))
		}
	}
	edge("opens", w.Now[0].From.Sub(w.Then[0].From))
	edge("ends", b.To.Sub(a.To))
	if was, is := len(w.Then), len(w.Now); was != is {
		parts = append(parts, fmt.Sprintf("%d in the place of %d", is, was))
	}
	return cmp.Or(strings.Join(parts, ", "), "less than a minute")
}

// differentAt is where two messages differ first.
type differentAt struct{ field, then, now string }

// firstDifferent walks two JSON texts side by side, in the order of the first. Numbers
// of members of lists are left out of the field's name, so that the same field of
// several messages has one name.
func firstDifferent(then, now []byte) (differentAt, error) {
	a, err := readOrdered(then)
	if err != nil {
		return differentAt{}, err
	}
	b, err := readOrdered(now)
	if err != nil {
		return differentAt{}, err
	}
	if d, differs := a.differs(b, ""); differs {
		return d, nil
	}
	return differentAt{"the way it is written", fmt.Sprintf("%d bytes", len(then)), fmt.Sprintf("%d bytes", len(now))}, nil
}

// ordered is a JSON value whose members stand in their order.
type ordered struct {
	text    string // of a plain value, as JSON
	names   []string
	members []*ordered
	kind    byte // { [ or 0
}

func readOrdered(text []byte) (*ordered, error) {
	d := json.NewDecoder(bytes.NewReader(text))
	d.UseNumber()
	return nextOrdered(d, 0)
}

func nextOrdered(d *json.Decoder, depth int) (*ordered, error) {
	if depth > 100 {
		return nil, errors.New("JSON is nested deeper than 100 levels")
	}
	token, err := d.Token()
	if err != nil {
		return nil, err
	}
	delimiter, is := token.(json.Delim)
	if !is {
		text, err := json.Marshal(token)
		return &ordered{text: string(text)}, err
	}
	o := &ordered{kind: byte(delimiter)}
	for d.More() {
		if delimiter == '{' {
			name, err := d.Token()
			if err != nil {
				return nil, err
			}
			o.names = append(o.names, fmt.Sprint(name))
		}
		member, err := nextOrdered(d, depth+1)
		if err != nil {
			return nil, err
		}
		o.members = append(o.members, member)
	}
	_, err = d.Token()
	return o, err
}

// differs finds the first difference to another value.
func (o *ordered) differs(other *ordered, path string) (differentAt, bool) {
	if o.kind != other.kind || o.kind == 0 {
		return differentAt{cmp.Or(path, "the whole message"), o.short(), other.short()}, o.kind != other.kind || o.text != other.text
	}
	if o.kind == '[' {
		for k := range min(len(o.members), len(other.members)) {
			if d, differs := o.members[k].differs(other.members[k], path+"[]"); differs {
				return d, true
			}
		}
		return differentAt{"number of " + path, fmt.Sprint(len(o.members)), fmt.Sprint(len(other.members))}, len(o.members) != len(other.members)
	}
	join := func(name string) string { return strings.TrimPrefix(path+"."+name, ".") }
	for k, name := range o.names {
		n := slices.Index(other.names, name)
		if n < 0 {
			return differentAt{join(name), o.members[k].short(), "left out"}, true
		}
		if d, differs := o.members[k].differs(other.members[n], join(name)); differs {
			return d, true
		}
	}
	for k, name := range other.names {
		if !slices.Contains(o.names, name) {
			return differentAt{join(name), "left out", other.members[k].short()}, true
		}
	}
	return differentAt{}, false
}

func (o *ordered) short() string {
	switch o.kind {
	case '{':
		return fmt.Sprintf("{%d fields}", len(o.names))
	case '[':
		return fmt.Sprintf("[%d]", len(o.members))
	}
	return o.text
}
