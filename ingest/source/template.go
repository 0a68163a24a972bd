package source

import (
	"fmt"
	"maps"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// Values fill the placeholders of a template by their names.
type Values map[string]string

// placeholders are the names that templates may use, with what each matches in
// a key. Those of time are filled by TimeValues.
var placeholders = map[string]string{
	"yyyy": `[0-9]{4}`, "mm": `[0-9]{2}`, "dd": `[0-9]{2}`, "doy": `[0-9]{3}`,
	"hh": `[0-9]{2}`, "nn": `[0-9]{2}`, "ss": `[0-9]{2}`, // nn: minute
	"ff": `[0-9]{2}`, "fff": `[0-9]{3}`, // forecast hour
	"station": `[A-Za-z0-9]+`, "product": `[A-Za-z0-9._+-]+`,
	"volume": `[1-9][0-9]{0,2}`, "chunk": `[0-9]{3}`, "part": `[SIE]`,
	"ttaaii": `[a-z]{4}[0-9]{2}`, "cccc": `[a-z0-9]{4}`, "xxx": `[a-z0-9]{3}`,
	"vv": `[0-9]{2}`, "t": `[0-9]`, "nnnn": `[0-9]{4}`,
	// Of pages: all stations, zones or areas with commas between, and days of UTC:
	// that of the poll, and that of the look back before it.
	"stations": `[A-Za-z0-9:._,-]+`, "zones": `[A-Z0-9,]+`, "areas": `[A-Z,]+`,
	"today": `[0-9]{4}-[0-9]{2}-[0-9]{2}`, "since": `[0-9]{4}-[0-9]{2}-[0-9]{2}`,
	"*": `[^/]*`,
}

// anything of a key is dropped by the parser when the key is longer; S3 keys
// have at most 1024 bytes.
const maxKeyBytes = 1024

// TimeValues are the placeholders of a time.
func TimeValues(at time.Time) Values {
	at = at.UTC()
	return Values{
		"yyyy": fmt.Sprintf("%04d", at.Year()), "mm": fmt.Sprintf("%02d", int(at.Month())), "dd": fmt.Sprintf("%02d", at.Day()),
		"doy": fmt.Sprintf("%03d", at.YearDay()),
		"hh":  fmt.Sprintf("%02d", at.Hour()), "nn": fmt.Sprintf("%02d", at.Minute()), "ss": fmt.Sprintf("%02d", at.Second()),
	}
}

// hourValues are the placeholders of a forecast hour.
func hourValues(hour int) Values {
	return Values{"ff": fmt.Sprintf("%02d", hour), "fff": fmt.Sprintf("%03d", hour)}
}

// with adds values to a copy; the later ones win.
func (v Values) with(more ...Values) Values {
	all := maps.Clone(v)
	if all == nil {
		all = Values{}
	}
	for _, m := range more {
		maps.Copy(all, m)
	}
	return all
}

// only keeps some names.
func (v Values) only(names ...string) Values {
	kept := Values{}
	for _, name := range names {
		if value, ok := v[name]; ok {
			kept[name] = value
		}
	}
	return kept
}

// token is a piece of a template: literal text, or the name of a placeholder.
type token struct{ literal, name string }

// tokens splits a template; unknown names and open braces are errors.
func tokens(template string) ([]token, error) {
	var found []token
	for rest := template; rest != ""; {
		open := strings.IndexByte(rest, '{')
		if open < 0 {
			return append(found, token{literal: rest}), nil
		}
		if open > 0 {
			found = append(found, token{literal: rest[:open]})
		}
		name, after, ok := strings.Cut(rest[open+1:], "}")
		if _, known := placeholders[name]; !ok || !known {
			return nil, fmt.Errorf("template %q: %q is no placeholder", template, rest[open:])
		}
		found = append(found, token{name: name})
		rest = after
	}
	return found, nil
}

// Expand fills a template. Where a value is missing it stops and gives what
// stands before, the prefix of all keys that the values allow; whole is then
// false. A template with an unknown placeholder gives nothing.
func Expand(template string, values Values) (key string, whole bool) {
	list, err := tokens(template)
	if err != nil {
		return "", false
	}
	var b strings.Builder
	for _, t := range list {
		if t.name == "" {
			b.WriteString(t.literal)
			continue
		}
		value, ok := values[t.name]
		if !ok {
			return b.String(), false
		}
		b.WriteString(value)
	}
	return b.String(), true
}

// pattern reads keys that were built from a template.
type pattern struct {
	known  Values
	match  *regexp.Regexp
	groups []string // name of each group
}

// compile makes the pattern of a template of which some values are known.
func compile(template string, known Values) (*pattern, error) {
	list, err := tokens(template)
	if err != nil {
		return nil, err
	}
	p := &pattern{known: known}
	var b strings.Builder
	b.WriteString(`\A`)
	for _, t := range list {
		switch value, ok := known[t.name]; {
		case t.name == "":
			b.WriteString(regexp.QuoteMeta(t.literal))
		case ok:
			b.WriteString(regexp.QuoteMeta(value))
		case t.name == "*":
			b.WriteString(placeholders[t.name])
		default:
			b.WriteString("(" + placeholders[t.name] + ")")
			p.groups = append(p.groups, t.name)
		}
	}
	b.WriteString(`\z`)
	p.match, err = regexp.Compile(b.String())
	return p, err
}

// read gives the values of a key, the known ones included; false where the key
// is not of the template, or says different things in two places.
func (p *pattern) read(key string) (Values, bool) {
	if len(key) > maxKeyBytes {
		return nil, false
	}
	found := p.match.FindStringSubmatch(key)
	if found == nil {
		return nil, false
	}
	values := maps.Clone(p.known)
	if values == nil {
		values = Values{}
	}
	for k, name := range p.groups {
		if before, ok := values[name]; ok && before != found[k+1] {
			return nil, false
		}
		values[name] = found[k+1]
	}
	return values, true
}

// number reads a placeholder of digits.
func (v Values) number(name string) (int, bool) {
	n, err := strconv.Atoi(v[name])
	return n, err == nil
}

// time reads the time of a key: a day, or a day of the year, and what else of
// the clock is given. False where a number is out of its range.
func (v Values) time() (time.Time, bool) {
	year, ok := v.number("yyyy")
	if !ok {
		return time.Time{}, false
	}
	month, day := time.January, 1
	if n, ok := v.number("doy"); ok {
		day = n
	} else {
		m, okMonth := v.number("mm")
		d, okDay := v.number("dd")
		if !okMonth || !okDay {
			return time.Time{}, false
		}
		month, day = time.Month(m), d
	}
	hour, _ := v.number("hh")
	minute, _ := v.number("nn")
	second, _ := v.number("ss")
	at := time.Date(year, month, day, hour, minute, second, 0, time.UTC)
	for name, value := range TimeValues(at) {
		if given, ok := v[name]; ok && given != value {
			return time.Time{}, false // 31 February, second 60
		}
	}
	return at, true
}

// Key builds the key of an object below the base URL, for stores that are laid
// out as this one. name is that of a template, hour a forecast hour.
func (s Source) Key(name string, at time.Time, hour int, more Values) (string, error) {
	template, ok := s.Templates[name]
	if !ok {
		return "", fmt.Errorf("source %s has no template %q", s.Name, name)
	}
	key, whole := Expand(template, TimeValues(at).with(hourValues(hour), more))
	if !whole {
		return "", fmt.Errorf("source %s: %q needs more than a time: %q was built", s.Name, template, key)
	}
	return key, nil
}

// stamp prints a time in object ids.
func stamp(at time.Time) string { return at.UTC().Format("20060102T150405Z") }

// join puts a key below a base URL.
func join(base, key string) string { return strings.TrimRight(base, "/") + "/" + key }
