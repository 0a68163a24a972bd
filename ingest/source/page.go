package source

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"rimeline/ingest/feed"
)

// Limits of pages.
const (
	maxPageBytes   = 4 << 20  // of one answer
	maxAnswerBytes = 16 << 20 // of all pages of one
	maxAnswerPages = 20
	maxAddress     = 8000 // bytes of a URL, which servers limit
	maxURLBytes    = 2000 // of the template of one
	// slowestRetry: a page that does not answer is asked for again at least so
	// often, whatever its pace: readings and warnings that stay away suspend.
	slowestRetry = 5 * time.Minute
	shortestPace = 10 * time.Second
	longestPace  = 24 * time.Hour
	// askTime bounds one answer with all its pages, by the wall; asksAtOnce how
	// many stations of a source wait for theirs.
	askTime    = 2 * time.Minute
	asksAtOnce = 8
)

// pageLook follows an address that always gives what holds now: readings, the
// list of warnings in force. It asks every Need.Every, or Source.Pace.
//
// Every answer is an Object, also one that says that nothing has changed (304)
// or gives the same bytes again: whoever judges counts the age of the list, not
// of what stands in it, and a list that was confirmed a minute ago is a minute
// old. ValidTime is the moment of asking, less the Age of a cache on the way, so
// that a list is never taken for newer than it is.
//
// The bytes are in Object.Answer: asking again later would give others. A
// list that goes on on further pages is followed while these are at the same
// service; where one is missing, what is there is an Object that is not
// Complete, beside the error.
type pageLook struct {
	f       Fetcher
	s       Source
	address string // template
	own     string // where the service itself is, if a mirror is asked
	mirror  string
	known   Values
	stream  string // in object ids
	station string
	every   time.Duration

	first, newest, due time.Time
	failures           int
	err                error // of the last asking
}

// newPageLooks makes a look for every station that needs an address of its own.
func newPageLooks(f Fetcher, s Source, n Need) ([]look, error) {
	every := s.Pace
	if len(n.Files) > 0 {
		reader, ok := f.(FileReader)
		if !ok {
			return nil, fmt.Errorf("source %s: local files cannot be read here", s.Name)
		}
		return []look{&fileLook{f: reader, s: s, label: n.Label, patterns: n.Files, every: every, seen: map[string]seenFile{}}}, nil
	}
	address, own := n.address(s)
	known := Values{"stations": strings.Join(n.Stations, ","), "zones": strings.Join(n.Zones, ","), "areas": strings.Join(n.Areas, ",")}
	stream := n.Label
	if stream == "" {
		stream = streamOf(slices.Concat(n.Stations, n.Zones, n.Areas))
	}
	if !strings.Contains(address, "{station}") {
		station := ""
		if len(n.Stations) == 1 {
			station = n.Stations[0]
		}
		return []look{&pageLook{f: f, s: s, address: address, own: own, mirror: n.BaseURL, known: known, stream: stream, station: station, every: every}}, nil
	}
	var looks []look
	for _, station := range n.Stations {
		name := station
		if n.Label != "" {
			name = n.Label + "/" + station
		}
		looks = append(looks, &pageLook{f: f, s: s, address: address, own: own, mirror: n.BaseURL, known: known.with(Values{"station": station}),
			stream: name, station: station, every: every})
	}
	return looks, nil
}

// streamOf names a page by what it is asked for.
func streamOf(names []string) string {
	switch len(names) {
	case 0:
		return "all"
	case 1, 2, 3:
		return strings.Join(names, "+")
	}
	return fmt.Sprintf("%s+%d", names[0], len(names)-1)
}

// address gives the template of the whole URL. own is the start of the
// service's own URLs where a mirror is asked instead.
func (n Need) address(s Source) (template, own string) {
	if n.URL != "" {
		if n.BaseURL == "" {
			return n.URL, ""
		}
		host, rest := splitURL(n.URL)
		return join(n.BaseURL, strings.TrimLeft(rest, "/")), host
	}
	template = s.Templates["page"]
	if len(n.Areas) > 0 {
		template = s.Templates["areas"]
	}
	if n.BaseURL != "" {
		if official, ok := Find(s.Name); ok {
			own = official.BaseURL
		}
	}
	return join(s.BaseURL, template), own
}

// splitURL cuts a URL behind its host.
func splitURL(text string) (host, rest string) {
	start := strings.Index(text, "://") + len("://")
	if end := strings.IndexAny(text[start:], "/?#"); end >= 0 {
		return text[:start+end], text[start+end:]
	}
	return text, ""
}

func (l *pageLook) poll(ctx context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first = now
	}
	// Another address of the same source may be due more often. A clock that was
	// set back must not stop the asking.
	if now.Before(l.due) && l.due.Sub(now) <= l.longest() {
		return nil, l.err
	}
	o, err := l.ask(ctx, now)
	l.err = err
	if err != nil {
		l.failures++
		l.due = now.Add(min(l.every<<min(l.failures-1, 16), max(l.every, slowestRetry)))
	} else {
		l.failures, l.due = 0, now.Add(l.every)
	}
	if len(o.Parts) == 0 {
		return nil, err
	}
	if o.ValidTime.After(l.newest) {
		l.newest = o.ValidTime
	}
	return []Object{o}, err
}

func (l *pageLook) longest() time.Duration { return max(l.every, slowestRetry) }

// ask fetches an answer with all its pages. Beside an error stands what came
// before it.
func (l *pageLook) ask(ctx context.Context, now time.Time) (Object, error) {
	ctx, cancel := context.WithTimeout(ctx, askTime)
	defer cancel()
	days := Values{"today": now.UTC().Format(time.DateOnly), "since": now.Add(-l.s.LookBack).UTC().Format(time.DateOnly)}
	address, whole := Expand(l.address, l.known.with(days))
	if !whole {
		return Object{}, fmt.Errorf("source %s: the address %s is not whole", l.s.Name, feed.Redact(address))
	}
	o := Object{Source: l.s.Name, Kind: l.s.Kind, ID: fmt.Sprintf("%s/%s/%s", l.s.Name, l.stream, stamp(now)), Station: l.station,
		ReferenceTime: now.UTC(), ValidTime: now.UTC(), Complete: true}
	total := int64(0)
	for address != "" {
		got, err := l.f.Get(ctx, address, feed.GetOptions{MaxBytes: maxPageBytes})
		if err == nil && total+int64(len(got.Bytes)) > maxAnswerBytes {
			err = fmt.Errorf("source %s: its pages have more than %d bytes in all", l.s.Name, maxAnswerBytes)
		}
		var f File
		if err == nil {
			f, err = file(got)
		}
		if err != nil {
			o.Complete = false
			return o, err
		}
		total += int64(len(got.Bytes))
		if at := now.Add(-got.Age).UTC(); at.Before(o.ValidTime) {
			o.ReferenceTime, o.ValidTime = at, at
		}
		if got.LastModified.After(o.Published) {
			o.Published = got.LastModified
		}
		if len(o.Parts) > 0 {
			f.Name = fmt.Sprintf("%s page %d", f.Name, len(o.Parts)+1)
		}
		o.Parts = append(o.Parts, Part{URL: address, Bytes: int64(len(got.Bytes)), ETag: got.ETag, LastModified: got.LastModified})
		o.Answer = append(o.Answer, f)
		next, err := l.next(f.Bytes, address)
		if err == nil && next != "" && (len(o.Parts) == maxAnswerPages || slices.ContainsFunc(o.Parts, func(p Part) bool { return p.URL == next })) {
			err = fmt.Errorf("source %s: its list goes on without end", l.s.Name)
		}
		if err != nil {
			o.Complete = false
			return o, err
		}
		address = next
	}
	return o, nil
}

// next is the address of the page that follows, empty where there is none: the
// member pagination.next of api.weather.gov, the link "next" of OGC API Features.
func (l *pageLook) next(b []byte, address string) (string, error) {
	if !l.s.Pages || !bytes.Contains(b, []byte(`"next"`)) {
		return "", nil
	}
	var answer struct {
		Pagination struct{ Next string }
		Links      []struct{ Rel, Href string }
	}
	if json.Unmarshal(b, &answer) != nil {
		return "", nil // whoever decodes it says what is wrong
	}
	next := answer.Pagination.Next
	for _, link := range answer.Links {
		if link.Rel == "next" {
			next = link.Href
		}
	}
	if next == "" {
		return "", nil
	}
	base, err := url.Parse(address)
	if err != nil {
		return "", fmt.Errorf("source %s: the address is no URL", l.s.Name)
	}
	to, err := base.Parse(next)
	if err != nil || len(next) > maxAddress {
		return "", fmt.Errorf("source %s: its list goes on at something that is no URL", l.s.Name)
	}
	to.User, to.Fragment = nil, ""
	if l.own != "" {
		// The pages of a mirror name the service itself.
		if rest, ok := strings.CutPrefix(to.String(), l.own); ok && strings.HasPrefix(rest, "/") {
			return join(l.mirror, rest[1:]), nil
		}
	}
	if to.Scheme != base.Scheme || to.Host != base.Host {
		return "", fmt.Errorf("source %s: its list goes on at another host, %s", l.s.Name, to.Host)
	}
	return to.String(), nil
}

func (l *pageLook) state(time.Time) state {
	st := state{newest: l.newest, expected: l.first, due: l.due}
	if !l.newest.IsZero() {
		st.expected = l.newest.Add(l.every)
	}
	return st
}

var (
	zonePattern  = regexp.MustCompile(`^[A-Z]{2}[ZC][0-9]{3}$`)
	areaPattern  = regexp.MustCompile(`^[A-Z]{2}$`)
	labelPattern = regexp.MustCompile(`^[A-Za-z0-9._-]{1,64}$`)
	// pagePlaceholders are those that an address of a page may have.
	pagePlaceholders = []string{"station", "stations", "zones", "areas", "today", "since"}
)

// checkPage is Need.Check for what belongs to pages.
func (n Need) checkPage(s Source, bad func(format string, a ...any) error) error {
	if s.Layout != LayoutPage {
		switch {
		case n.URL != "" || len(n.Files) > 0:
			return bad("it has an address of its own, yet a URL or file is given")
		case len(n.Zones) > 0 || len(n.Areas) > 0:
			return bad("it is not divided by zones, yet zones or areas are given")
		case n.Every != 0:
			return bad("it is looked at by its own pace")
		}
		return nil
	}
	switch {
	case s.BaseURL != "" && n.URL != "":
		return bad("it has an address of its own, yet a URL is given; a mirror is named as base URL")
	case s.BaseURL == "" && n.URL == "" && len(n.Files) == 0:
		return bad("say where it is: a URL or a file")
	case n.URL != "" && len(n.Files) > 0:
		return bad("either a URL or files")
	case n.Every != 0 && (n.Every < shortestPace || n.Every > longestPace):
		return bad("asking every %v is not between %v and %v", n.Every, shortestPace, longestPace)
	case n.Label != "" && !labelPattern.MatchString(n.Label):
		return bad("label %q: letters, digits and ._- only", n.Label)
	case len(n.Zones) > 0 && len(n.Areas) > 0:
		return bad("either zones or areas")
	case len(n.Zones) > maxStations*4 || len(n.Areas) > maxStations || len(n.Files) > maxLocalFiles:
		return bad("more than %d zones, %d areas or %d files", maxStations*4, maxStations, maxLocalFiles)
	}
	for k, zone := range n.Zones {
		if !zonePattern.MatchString(zone) {
			return bad("zone %q: two letters, Z or C, three digits, such as IDZ013", zone)
		}
		if slices.Contains(n.Zones[:k], zone) {
			return bad("zone %s is named twice", zone)
		}
	}
	for k, area := range n.Areas {
		if !areaPattern.MatchString(area) {
			return bad("area %q: the two letters of a state", area)
		}
		if slices.Contains(n.Areas[:k], area) {
			return bad("area %s is named twice", area)
		}
	}
	for _, pattern := range n.Files {
		if pattern == "" || strings.ContainsRune(pattern, 0) {
			return bad("file %q is no path", pattern)
		}
	}
	if len(n.Files) > 0 {
		return nil
	}
	if n.URL != "" {
		if err := checkAddress(n.URL); err != nil {
			return bad("%w", err)
		}
	}
	template, _ := n.address(s)
	has := func(name string) bool { return strings.Contains(template, "{"+name+"}") }
	switch {
	case (has("station") || has("stations")) && len(n.Stations) == 0:
		form := s.StationForm
		if form == "" {
			form = "its address has {station}"
		}
		return bad("name at least one station (%s)", form)
	case s.Zones && len(n.Zones) == 0 && len(n.Areas) == 0:
		return bad("name at least one of %s", s.ZoneForm)
	case has("zones") && len(n.Zones) == 0, has("areas") && len(n.Areas) == 0:
		return bad("its address has {zones} or {areas}, yet none are given")
	case !has("zones") && len(n.Zones) > 0, !has("areas") && len(n.Areas) > 0:
		return bad("it is not divided by zones, yet zones or areas are given")
	}
	known := Values{"station": slices.MaxFunc(append([]string{""}, n.Stations...), func(a, b string) int { return len(a) - len(b) }),
		"stations": strings.Join(n.Stations, ","), "zones": strings.Join(n.Zones, ","), "areas": strings.Join(n.Areas, ","),
		"today": time.DateOnly, "since": time.DateOnly}
	if address, _ := Expand(template, known); len(address) > maxAddress {
		return bad("its address has %d bytes, at most %d are sent: name fewer stations or zones", len(address), maxAddress)
	}
	return nil
}

// checkAddress refuses what is no template of a URL of a page. The text is not
// repeated where it may hold a password.
func checkAddress(text string) error {
	if len(text) > maxURLBytes {
		return fmt.Errorf("its URL has %d bytes, at most %d are taken", len(text), maxURLBytes)
	}
	host, _ := splitURL(text)
	u, err := url.Parse(host)
	switch {
	case !strings.Contains(text, "://") || err != nil || u.Scheme != "http" && u.Scheme != "https" || u.Hostname() == "":
		return fmt.Errorf("its URL is not one of an http or https server")
	case u.User != nil:
		return fmt.Errorf("its URL must not hold a password")
	case strings.ContainsAny(text, "#") || strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' }):
		return fmt.Errorf("its URL has a fragment, blanks or other characters that no URL has")
	}
	list, err := tokens(text)
	if err != nil {
		return err
	}
	for _, t := range list {
		if t.name != "" && !slices.Contains(pagePlaceholders, t.name) {
			return fmt.Errorf("template %q: a page knows {%s} only", text, strings.Join(pagePlaceholders, "}, {"))
		}
	}
	whole, _ := Expand(text, Values{"station": "x", "stations": "x", "zones": "x", "areas": "x", "today": "x", "since": "x"})
	if _, err := url.Parse(whole); err != nil {
		return fmt.Errorf("its URL cannot be read")
	}
	return nil
}
