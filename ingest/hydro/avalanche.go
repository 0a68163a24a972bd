package hydro

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"github.com/twpayne/go-geom"

	"rimeline/ingest"
)

// Danger is the avalanche danger of one zone over one period, on the five
// levels that the North American public avalanche danger scale (Statham and
// others, 2010) and the European scale share: 1 low, 2 moderate, 3
// considerable, 4 high, 5 extreme (very high). 0 is no rating.
type Danger struct {
	Zone, Name string
	Level      int // of the zone as the source gives it, else the highest of Bands
	Bands      []Band
	From, To   time.Time          // zero unknown
	Area       *geom.MultiPolygon // nil where the source has none
	Notes      []string
}

// Band is the danger in one band of elevation.
type Band struct {
	Name  string // "alpine", "treeline", "below treeline", as the mapping says
	Level int    // 0 no rating
}

// Highest is the highest level of the zone and its bands; known is false where
// any of them has no rating, since that one may be higher.
func (d Danger) Highest() (level int, known bool) {
	level, known = d.Level, d.Level > 0
	for _, b := range d.Bands {
		level = max(level, b.Level)
		known = known && b.Level > 0
	}
	return level, known
}

// DangerMapping says where JSON or GeoJSON holds avalanche danger; paths as in
// JSONMapping.
type DangerMapping struct {
	Rows     string        `yaml:"rows" json:"rows,omitempty"` // "features[*]"
	Zone     string        `yaml:"zone" json:"zone"`
	Name     string        `yaml:"name" json:"name,omitempty"`
	Level    string        `yaml:"level" json:"level,omitempty"` // number 1 to 5, or a word of the scale
	Bands    []BandMapping `yaml:"bands" json:"bands,omitempty"`
	From     string        `yaml:"from" json:"from,omitempty"`
	To       string        `yaml:"to" json:"to,omitempty"`
	Layout   string        `yaml:"layout" json:"layout,omitempty"` // of From and To
	TimeZone string        `yaml:"time_zone" json:"time_zone,omitempty"`
	Geometry string        `yaml:"geometry" json:"geometry,omitempty"` // "geometry"
}

// BandMapping is one band of elevation.
type BandMapping struct {
	Name  string `yaml:"name" json:"name"` // itself, no path
	Level string `yaml:"level" json:"level"`
}

// dangerWords are the levels in words.
var dangerWords = map[string]int{
	"low": 1, "moderate": 2, "considerable": 3, "high": 4, "extreme": 5, "very high": 5, "very_high": 5, "veryhigh": 5,
	"no rating": 0, "no_rating": 0, "norating": 0, "none": 0, "no_snow": 0, "no snow": 0, "n/a": 0, "": 0,
}

// dangerLevel reads 3, "3", "Considerable" or "3 - Considerable". Numbers
// outside 1 to 5 are no rating; text that is none of the scale is an error.
func dangerLevel(n *node) (int, error) {
	if n.absent() {
		return 0, nil
	}
	if v, ok := whole(n); ok {
		if v < 1 || v > 5 {
			return 0, nil
		}
		return v, nil
	}
	text := strings.ToLower(n.str())
	if level, ok := dangerWords[text]; ok && n.kind == kindString {
		return level, nil
	}
	number, word, _ := strings.Cut(text, " ")
	level, ok := dangerWords[strings.Trim(word, " -:()")]
	if digit := strings.Trim(number, ":-"); ok && len(digit) == 1 && digit[0] >= '0' && digit[0] <= '5' && int(digit[0]-'0') == level {
		return level, nil
	}
	return 0, fmt.Errorf("%q is no level of the avalanche danger scale", clip(n.text))
}

// DecodeAvalanche reads avalanche danger by zone from JSON or GeoJSON as a
// mapping says. A level of 0, below 1 or above 5 is no rating; what is no level
// of the scale at all, a time that does not fit and a geometry that is no area
// are errors.
//
// Errors are *ingest.FormatError.
func DecodeAvalanche(file string, b []byte, m DangerMapping) ([]Danger, error) {
	paths := map[string]string{"zone": m.Zone, "name": m.Name, "level": m.Level, "from": m.From, "to": m.To, "geometry": m.Geometry}
	for i, band := range m.Bands {
		paths[fmt.Sprint("band ", i)] = band.Level
	}
	f, err := openJSON(file, b, m.Rows, paths)
	if err != nil {
		return nil, err
	}
	if m.Zone == "" || m.Level == "" && len(m.Bands) == 0 {
		return nil, f.broken(errors.New("needs zone, and level or bands"))
	}
	var when times
	if m.From != "" || m.To != "" {
		if when, err = newTimes(m.Layout, m.TimeZone); err != nil {
			return nil, f.broken(err)
		}
	}
	if len(f.records) == 0 {
		return nil, f.fail(ingest.ErrCorrupt, 0, "has no record at %q", m.Rows)
	}
	var out []Danger
	for _, r := range f.records {
		if err := f.spent(r); err != nil {
			return nil, err
		}
		d := Danger{Zone: f.one(r, "zone").str(), Name: f.one(r, "name").str()}
		if d.Zone == "" {
			return nil, f.fail(ingest.ErrCorrupt, r.node.offset, "a record names no zone at %q", m.Zone)
		}
		level := func(name string) (int, error) {
			n := f.one(r, name)
			v, err := dangerLevel(n)
			if err != nil {
				return 0, f.fail(ingest.ErrCorrupt, n.place(r.node), "zone %s: %v", clip(d.Zone), err)
			}
			return v, nil
		}
		if d.Level, err = level("level"); err != nil {
			return nil, err
		}
		for i, band := range m.Bands {
			v, err := level(fmt.Sprint("band ", i))
			if err != nil {
				return nil, err
			}
			d.Bands = append(d.Bands, Band{Name: band.Name, Level: v})
			if m.Level == "" {
				d.Level = max(d.Level, v)
			}
		}
		for _, each := range []struct {
			name string
			to   *time.Time
		}{{"from", &d.From}, {"to", &d.To}} {
			n := f.one(r, each.name)
			if n.str() == "" {
				continue
			}
			if *each.to, err = when.moment(n.str()); err != nil {
				return nil, f.fail(ingest.ErrCorrupt, n.offset, "zone %s: %s: %v", clip(d.Zone), each.name, err)
			}
		}
		if d.To.IsZero() {
			d.Notes = append(d.Notes, "says not until when it holds")
		} else if !d.From.IsZero() && d.To.Before(d.From) {
			return nil, f.fail(ingest.ErrCorrupt, r.node.offset, "zone %s ends before it begins", clip(d.Zone))
		}
		if n := f.one(r, "geometry"); n != nil {
			if d.Area, err = multiPolygon(n); err != nil {
				return nil, f.fail(ingest.ErrCorrupt, n.offset, "zone %s: %v", clip(d.Zone), err)
			}
		}
		out = append(out, d)
	}
	return out, nil
}
