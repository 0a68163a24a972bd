package hydro

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"time"

	"rimeline/ingest"
)

// JSONMapping says where any JSON file holds the values of gauges. All but
// Rows, Layout, Zone, Quantity, Missing, Codes and Forecast are paths, see the
// package's path language; a constant is written 'in quotes'.
//
//	a.b  a[0]  a[*]  a["b.c"]  'text'  $.from.the[*].root
type JSONMapping struct {
	Rows string `yaml:"rows" json:"rows,omitempty"` // path of the records; "": the file is one record

	Gauge     string   `yaml:"gauge" json:"gauge"`
	Name      string   `yaml:"name" json:"name,omitempty"`
	Latitude  string   `yaml:"latitude" json:"latitude,omitempty"`
	Longitude string   `yaml:"longitude" json:"longitude,omitempty"`
	Quantity  Quantity `yaml:"quantity" json:"quantity"`
	Unit      string   `yaml:"unit" json:"unit"`
	Datum     string   `yaml:"datum" json:"datum,omitempty"`

	// Time and Value may select several values of a record, as many of one as
	// of the other: files that keep times and values in two lists.
	Time   string `yaml:"time" json:"time"`
	Layout string `yaml:"layout" json:"layout"`
	Zone   string `yaml:"zone" json:"zone,omitempty"`
	Value  string `yaml:"value" json:"value"`

	Flag  string            `yaml:"flag" json:"flag,omitempty"`
	Codes map[string]string `yaml:"codes" json:"codes,omitempty"` // see ValueColumn

	// Where keeps only records in which a path gives the text WhereIs.
	Where   string `yaml:"where" json:"where,omitempty"`
	WhereIs string `yaml:"where_is" json:"where_is,omitempty"`

	Issued   string   `yaml:"issued" json:"issued,omitempty"` // RFC 3339
	Missing  []string `yaml:"missing" json:"missing,omitempty"`
	Forecast bool     `yaml:"forecast" json:"forecast,omitempty"`
}

// mapped is a JSON file made ready for a mapping: its records and paths.
type mapped struct {
	cursor
	rows    path
	records []record
	paths   map[string]path
	budget  int // moves that paths may still take
}

// openJSON parses a file and the paths that a mapping names.
func openJSON(file string, b []byte, rows string, paths map[string]string) (*mapped, error) {
	c, err := checkSize(file, b)
	if err != nil {
		return nil, err
	}
	m := &mapped{cursor: c, paths: map[string]path{}, budget: maxVisits}
	if m.rows, err = parsePath(rows); err != nil {
		return nil, m.broken(err)
	}
	for name, text := range paths {
		p, err := parsePath(text)
		if err != nil {
			return nil, m.broken(fmt.Errorf("%s: %w", name, err))
		}
		m.paths[name] = p
	}
	root, err := parseJSON(c, b)
	if err != nil {
		return nil, err
	}
	m.records = records(root, m.rows, &m.budget)
	if len(m.records) > maxNodes {
		return nil, c.fail(ingest.ErrUnsupported, 0, "has more than %d records", maxNodes)
	}
	return m, nil
}

func (m *mapped) broken(err error) error {
	return m.fail(ingest.ErrUnsupported, 0, "mapping: %v", err)
}

// spent refuses a file in which the paths took too many moves.
func (m *mapped) spent(r record) error {
	if m.budget < 0 {
		return m.fail(ingest.ErrUnsupported, r.node.place(nil), "needs more than %d moves for the paths of its mapping", maxVisits)
	}
	return nil
}

// one is the first value of a named path.
func (m *mapped) one(r record, name string) *node { return m.paths[name].one(r, m.rows, &m.budget) }

// all are the values of a named path, none for an empty path.
func (m *mapped) all(r record, name string) []*node {
	p := m.paths[name]
	if p.written == "" && !p.literal {
		return nil
	}
	return p.all(r, m.rows, &m.budget)
}

// times reads times by a layout and zone.
type times struct {
	layout
	in *time.Location
}

func newTimes(text, zoneName string) (times, error) {
	l, err := parseLayout(text, 1)
	if err != nil {
		return times{}, err
	}
	t := times{layout: l, in: time.UTC}
	if !l.zoned {
		if t.in, err = zone(zoneName); err != nil {
			return times{}, err
		}
	}
	return t, nil
}

// moment reads one time that stands alone; a doubtful local time is the
// earlier of what it may be.
func (t times) moment(text string) (time.Time, error) {
	wall, moment, err := t.read([]string{text})
	if err != nil || !moment.IsZero() {
		return moment, err
	}
	first, _, _ := instants(wall, t.in)
	return first, nil
}

// DecodeJSON reads any JSON as a JSONMapping says: replies of reservoir
// services, of the NRCS AWDB (SNOTEL), gauges of other agencies. One Series for
// each gauge, unit and datum, values in the unit of the quantity.
//
// A value that is null, absent or a missing code gives NaN with Missing, one
// that is no number NaN with Unreadable, noted. A path that selects no record, a
// time that does not fit, and a unit that is none of the quantity are errors.
//
// Errors are *ingest.FormatError; those of the mapping itself have offset 0 and
// begin with "mapping".
func DecodeJSON(file string, b []byte, m JSONMapping) ([]Series, error) {
	f, err := openJSON(file, b, m.Rows, map[string]string{"gauge": m.Gauge, "name": m.Name, "latitude": m.Latitude, "longitude": m.Longitude,
		"unit": m.Unit, "datum": m.Datum, "time": m.Time, "value": m.Value, "flag": m.Flag, "where": m.Where, "issued": m.Issued})
	if err != nil {
		return nil, err
	}
	if m.Gauge == "" || m.Quantity == "" || m.Unit == "" || m.Time == "" || m.Value == "" {
		return nil, f.broken(errors.New("needs gauge, quantity, unit, time and value"))
	}
	when, err := newTimes(m.Layout, m.Zone)
	if err != nil {
		return nil, f.broken(err)
	}
	codes, err := readCodes(m.Codes)
	if err != nil {
		return nil, f.broken(err)
	}
	if len(f.records) == 0 {
		return nil, f.fail(ingest.ErrCorrupt, 0, "has no record at %q", m.Rows)
	}
	var all collector
	local := map[string]bool{}
	kept := 0
	for _, r := range f.records {
		if m.Where != "" && f.one(r, "where").str() != m.WhereIs {
			continue
		}
		kept++
		if err := f.spent(r); err != nil {
			return nil, err
		}
		gauge := f.one(r, "gauge").str()
		if gauge == "" {
			return nil, f.fail(ingest.ErrCorrupt, r.node.offset, "a record names no gauge at %q", m.Gauge)
		}
		written := f.one(r, "unit")
		u, ok := converter(m.Quantity, written.str())
		if !ok || written.str() == "" {
			return nil, f.fail(ingest.ErrCorrupt, written.place(r.node), "%q is no unit of %s", clip(written.str()), m.Quantity)
		}
		atTimes, atValues, atFlags := f.all(r, "time"), f.all(r, "value"), f.all(r, "flag")
		if len(atTimes) != len(atValues) && len(atTimes) == 1 && len(atValues) == 0 {
			atValues = []*node{nil} // a record without its value
		}
		if len(atTimes) != len(atValues) {
			return nil, f.fail(ingest.ErrCorrupt, r.node.offset, "a record has %d times and %d values", len(atTimes), len(atValues))
		}
		if len(atFlags) != len(atValues) {
			atFlags = nil
		}
		datum := f.one(r, "datum").str()
		key := fmt.Sprint(gauge, "\x00", written.str(), "\x00", datum)
		s := all.get(key, func() Series {
			s := Series{Gauge: gauge, Name: f.one(r, "name").str(), Place: nowhere(), Quantity: m.Quantity, Unit: m.Quantity.Unit(),
				SourceUnit: written.str(), Datum: datum, Observed: !m.Forecast}
			if s.Unit == "" {
				s.Unit = s.SourceUnit
			}
			latitude, ok1 := f.one(r, "latitude").number()
			longitude, ok2 := f.one(r, "longitude").number()
			if ok1 && ok2 {
				s.Place, _ = placeAt(latitude, longitude)
			}
			if issued := f.one(r, "issued").str(); issued != "" {
				t, err := parseRFC3339(issued)
				if err != nil {
					s.note("issued: %v", err)
				}
				s.Issued = t
			}
			return s
		})
		for i, at := range atTimes {
			if all.points++; all.points > maxPoints {
				return nil, f.fail(ingest.ErrUnsupported, at.place(r.node), "has more than %d values", maxPoints)
			}
			wall, moment, err := when.read([]string{at.str()})
			if err != nil {
				return nil, f.fail(ingest.ErrCorrupt, at.place(r.node), "%v", err)
			}
			p := Point{Time: moment}
			if moment.IsZero() {
				p.Time, local[key] = wall.Time, true
			}
			if when.day {
				p.Flags |= DateOnly
			}
			if atFlags != nil && atFlags[i].str() != "" {
				p.flag(atFlags[i].str(), codes)
			}
			jsonValue(atValues[i], m.Missing, u, &p)
			if p.Flags.Has(Unreadable) {
				s.note("byte %d: %q is neither a number nor a missing code", atValues[i].place(at), clip(atValues[i].str()))
			}
			s.Points = append(s.Points, p)
		}
	}
	if kept == 0 {
		return nil, f.fail(ingest.ErrCorrupt, 0, "has no record where %s is %q", m.Where, m.WhereIs)
	}
	if m := f.records[len(f.records)-1]; f.spent(m) != nil {
		return nil, f.spent(m)
	}
	for key := range local {
		settle(all.byKey[key], when.in)
	}
	return all.done(), nil
}

// jsonValue reads a number, a string with one, or null.
func jsonValue(n *node, missing []string, u unit, p *Point) {
	if n.absent() {
		p.Value, p.Flags = math.NaN(), p.Flags|Missing
		return
	}
	if n.kind != kindNumber && n.kind != kindString {
		p.Value, p.Flags, p.Code = math.NaN(), p.Flags|Missing|Unreadable, n.kind.String()
		return
	}
	cellValue(n.text, missing, false, "", u, p)
}

// whole reads a whole number.
func whole(n *node) (int, bool) {
	v, err := strconv.Atoi(n.str())
	if err != nil {
		f, ok := n.number()
		if !ok || f != math.Trunc(f) || math.Abs(f) > 1e9 {
			return 0, false
		}
		return int(f), true
	}
	return v, true
}
