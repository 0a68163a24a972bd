package source

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"

	"rimeline/ingest/feed"
)

// Limits of bulletins.
const (
	maxBulletinBytes = 1 << 20 // a TEMP has some thousand
	// roleGrace: a sounding of which one half is there is announced without the
	// other after so long. The halves are sent some minutes apart.
	roleGrace = 30 * time.Minute
	// bulletinAhead: the nominal hour lies up to an hour after the launch, and
	// clocks differ.
	bulletinAhead = 3 * time.Hour
)

// bulletinsLook follows TEMP bulletins, text files that are named by heading,
// office and station and overwritten by the next ascent. What they hold is
// known from their text: the day and hour behind TTAA and TTBB.
type bulletinsLook struct {
	f        Fetcher
	s        Source
	stations []string // as the need writes them
	roles    []bulletinRole

	files     map[string]*bulletin // newest by key
	ascents   map[string]*ascent   // by object id
	newest    time.Time
	published time.Time
	first     time.Time
	skipped   int
}

type bulletinRole struct {
	name     string // mandatory, significant
	template string
	pattern  *pattern
}

// bulletin is one file as it was last fetched.
type bulletin struct {
	entry   entry
	sha256  string
	station string
	role    string
	at      time.Time // of the sounding, zero: not understood
	part    Part
}

// ascent is a sounding by its parts.
type ascent struct {
	station   string
	at        time.Time
	parts     map[string]*bulletin // by role
	since     time.Time            // poll that met its first part
	announced string               // digests of what was announced
}

func newBulletinsLook(f Fetcher, s Source, stations []string) (*bulletinsLook, error) {
	l := &bulletinsLook{f: f, s: s, stations: stations, files: map[string]*bulletin{}, ascents: map[string]*ascent{}}
	for name, template := range s.Templates {
		p, err := compile(template, nil)
		if err != nil {
			return nil, err
		}
		role, _, _ := strings.Cut(name, " ")
		l.roles = append(l.roles, bulletinRole{role, template, p})
	}
	slices.SortFunc(l.roles, func(a, b bulletinRole) int { return strings.Compare(a.role(), b.role()) })
	return l, nil
}

func (r bulletinRole) role() string { return r.name + r.template }

func (l *bulletinsLook) poll(ctx context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first = now
	}
	var failed error
	listed := map[string]bool{}
	for _, r := range l.roles {
		directory := r.template[:strings.LastIndexByte(r.template, '/')+1]
		if listed[directory] {
			continue
		}
		listed[directory] = true
		entries, err := list(ctx, l.f, l.s, directory, "")
		if err != nil {
			failed = err
			continue
		}
		for _, e := range entries {
			if err := l.look(ctx, e, now); err != nil {
				failed = err
			}
		}
	}
	return l.announce(now), failed
}

// look fetches a file that is wanted and has changed.
func (l *bulletinsLook) look(ctx context.Context, e entry, now time.Time) error {
	station, role := l.whose(e.key)
	if station == "" {
		return nil
	}
	before := l.files[e.key]
	dated := !e.LastModified.IsZero()
	if dated && e.LastModified.Before(now.Add(-l.s.LookBack)) {
		return nil
	}
	if before != nil && dated && before.entry.LastModified.Equal(e.LastModified) && before.entry.Bytes == e.Bytes {
		return nil
	}
	o, err := l.f.Get(ctx, e.URL, feed.GetOptions{MaxBytes: maxBulletinBytes})
	if err != nil {
		if notYet(err) {
			return nil // listed and gone
		}
		return err
	}
	digest := hexDigest(o.Bytes)
	if before != nil && before.sha256 == digest {
		before.entry = e
		return nil
	}
	b := &bulletin{entry: e, sha256: digest, station: station, role: role}
	b.part = Part{URL: e.URL, Bytes: int64(len(o.Bytes)), ETag: o.ETag, LastModified: o.LastModified}
	if b.part.LastModified.IsZero() {
		b.part.LastModified = e.LastModified
	}
	l.files[e.key] = b
	at, ok := bulletinTime(o.Bytes, now)
	if !ok || now.Sub(at) > l.s.LookBack {
		if !ok {
			l.skipped++
		}
		return nil
	}
	b.at = at
	id := l.id(station, at)
	a := l.ascents[id]
	if a == nil {
		a = &ascent{station: station, at: at, parts: map[string]*bulletin{}, since: now}
		l.ascents[id] = a
	}
	a.parts[role] = b
	if at.After(l.newest) {
		l.newest, l.published = at, b.part.LastModified
	}
	return nil
}

func (l *bulletinsLook) id(station string, at time.Time) string {
	return fmt.Sprintf("%s/%s/%s", l.s.Name, station, at.Format("20060102T15Z"))
}

// whose tells which wanted station a file is of, and which part.
func (l *bulletinsLook) whose(key string) (station, role string) {
	for _, r := range l.roles {
		values, ok := r.pattern.read(key)
		if !ok {
			continue
		}
		for _, wanted := range l.stations {
			lower := strings.ToLower(wanted)
			if name := values["xxx"]; name != "" && name == lower[1:] || name == "" && values["cccc"] == lower {
				return strings.ToUpper(wanted), r.name
			}
		}
		return "", ""
	}
	return "", ""
}

// announce gives the soundings that are whole, or have waited long enough, and
// those that have changed since.
func (l *bulletinsLook) announce(now time.Time) []Object {
	var found []Object
	roles := map[string]bool{}
	for _, r := range l.roles {
		roles[r.name] = true
	}
	for id, a := range l.ascents {
		if now.Sub(a.at) > l.s.LookBack+24*time.Hour {
			delete(l.ascents, id)
			continue
		}
		whole := len(a.parts) == len(roles)
		if !whole && now.Sub(a.since) < roleGrace {
			continue
		}
		o := Object{
			Source: l.s.Name, Kind: l.s.Kind, ID: id, Station: a.station,
			ReferenceTime: a.at, ValidTime: a.at, Complete: whole,
		}
		digests := ""
		for _, r := range l.roles {
			b := a.parts[r.name]
			if b == nil || strings.Contains(digests, b.sha256) {
				continue
			}
			digests += b.sha256 + " "
			o.Parts = append(o.Parts, b.part)
			if b.part.LastModified.After(o.Published) {
				o.Published = b.part.LastModified
			}
		}
		if digests == a.announced {
			continue
		}
		a.announced = digests
		found = append(found, o)
	}
	return found
}

func (l *bulletinsLook) state(now time.Time) state {
	st := state{newest: l.newest, skipped: l.skipped, expected: l.first}
	if !l.newest.IsZero() {
		// Nominal hours are 00 and 12 UTC.
		next := l.newest.Truncate(l.s.Cadence).Add(l.s.Cadence)
		st.expected = next.Add(l.s.lag(l.newest, l.published))
	}
	// Stations launch at other hours when a storm is near.
	st.due = earlier(l.s.again(st.expected, now), now.Add(l.s.Patience))
	for _, a := range l.ascents {
		if a.announced == "" {
			st.due = earlier(st.due, now.Add(l.s.Pace))
		}
	}
	return st
}

// Day and hour of a TEMP (WMO-No. 306, FM 35: MiMiMjMj YYGGId; 50 is added to
// the day where winds are in knots).
var tempSection = regexp.MustCompile(`\bTT(?:AA|BB)\s+([0-9]{2})([0-9]{2})[0-9/]\s`)

// bulletinTime reads when a sounding was made: its nominal hour, in the month
// that puts it nearest before now. False where the text is no TEMP.
func bulletinTime(text []byte, now time.Time) (time.Time, bool) {
	m := tempSection.FindSubmatch(text)
	if m == nil {
		return time.Time{}, false
	}
	day, hour := twoDigits(m[1]), twoDigits(m[2])
	if day > 50 {
		day -= 50
	}
	if day < 1 || day > 31 || hour > 23 {
		return time.Time{}, false
	}
	now = now.UTC()
	// The next month too: its first ascents are launched on this one's last day.
	for months := time.Month(1); months >= -2; months-- {
		at := time.Date(now.Year(), now.Month()+months, day, hour, 0, 0, 0, time.UTC)
		if at.Day() == day && !at.After(now.Add(bulletinAhead)) {
			return at, true
		}
	}
	return time.Time{}, false
}

func twoDigits(b []byte) int { return int(b[0]-'0')*10 + int(b[1]-'0') }

func hexDigest(b []byte) string {
	sum := sha256.Sum256(b)
	return hex.EncodeToString(sum[:])
}
