package hydro

import (
	"errors"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"rimeline/ingest"
)

// SiteReport is what a site says of itself. NaN and the zero time are unknown.
type SiteReport struct {
	Site            string
	Time            time.Time
	BatteryV        float64
	SolarChargeA    float64
	SolarChargeW    float64
	LastContact     time.Time
	UnitsLeft       float64 // flares, or whatever the programme counts
	AirTemperatureK float64
	Faults          []string
	Notes           []string // what was there but could not be read
}

// TelemetryMapping says where JSON holds the reports of sites; paths as in
// JSONMapping.
type TelemetryMapping struct {
	Rows     string `yaml:"rows" json:"rows,omitempty"`
	Site     string `yaml:"site" json:"site"`
	Time     string `yaml:"time" json:"time"`
	Layout   string `yaml:"layout" json:"layout"` // of Time and LastContact
	TimeZone string `yaml:"time_zone" json:"time_zone,omitempty"`

	Battery     Measured `yaml:"battery" json:"battery"`             // V
	SolarA      Measured `yaml:"solar_current" json:"solar_current"` // A
	SolarW      Measured `yaml:"solar_power" json:"solar_power"`     // W
	Units       string   `yaml:"units_left" json:"units_left,omitempty"`
	Temperature Measured `yaml:"air_temperature" json:"air_temperature"` // degC, K, degF
	LastContact string   `yaml:"last_contact" json:"last_contact,omitempty"`
	// Faults: each path gives a list of texts, a text with commas, an object or
	// member that is true, or a number that is not zero.
	Faults  []string `yaml:"faults" json:"faults,omitempty"`
	Missing []string `yaml:"missing" json:"missing,omitempty"`
}

// Measured is the path of a number and its unit, which is not a path.
type Measured struct {
	Path string `yaml:"path" json:"path,omitempty"`
	Unit string `yaml:"unit" json:"unit,omitempty"`
}

// DecodeTelemetry reads reports of sites from JSON, a file or the data of a bus
// message, as a mapping says. What a report lacks is NaN; what is there but is
// no number is NaN with a note. A report without site or time is an error.
//
// Errors are *ingest.FormatError.
func DecodeTelemetry(file string, b []byte, m TelemetryMapping) ([]SiteReport, error) {
	measured := []struct {
		name, dimension string
		Measured
		to func(*SiteReport) *float64
	}{
		{"battery", "V", m.Battery, func(r *SiteReport) *float64 { return &r.BatteryV }},
		{"solar_current", "A", m.SolarA, func(r *SiteReport) *float64 { return &r.SolarChargeA }},
		{"solar_power", "W", m.SolarW, func(r *SiteReport) *float64 { return &r.SolarChargeW }},
		{"units_left", "count", Measured{m.Units, "count"}, func(r *SiteReport) *float64 { return &r.UnitsLeft }},
		{"air_temperature", "K", m.Temperature, func(r *SiteReport) *float64 { return &r.AirTemperatureK }},
	}
	paths := map[string]string{"site": m.Site, "time": m.Time, "last_contact": m.LastContact}
	for _, each := range measured {
		paths[each.name] = each.Path
	}
	for i, p := range m.Faults {
		paths[fmt.Sprint("fault ", i)] = p
	}
	f, err := openJSON(file, b, m.Rows, paths)
	if err != nil {
		return nil, err
	}
	if m.Site == "" || m.Time == "" {
		return nil, f.broken(errors.New("needs site and time"))
	}
	when, err := newTimes(m.Layout, m.TimeZone)
	if err != nil {
		return nil, f.broken(err)
	}
	units := map[string]unit{}
	for _, each := range measured {
		if each.Path == "" {
			continue
		}
		u, ok := unitOf(each.Unit)
		if !ok || u.dimension != each.dimension {
			return nil, f.broken(fmt.Errorf("%s: %q is no unit that gives %s", each.name, each.Unit, each.dimension))
		}
		units[each.name] = u
	}
	if len(f.records) == 0 {
		return nil, f.fail(ingest.ErrCorrupt, 0, "has no record at %q", m.Rows)
	}
	var out []SiteReport
	for _, rec := range f.records {
		if err := f.spent(rec); err != nil {
			return nil, err
		}
		nan := math.NaN()
		r := SiteReport{Site: f.one(rec, "site").str(), BatteryV: nan, SolarChargeA: nan, SolarChargeW: nan, UnitsLeft: nan, AirTemperatureK: nan}
		if r.Site == "" {
			return nil, f.fail(ingest.ErrCorrupt, rec.node.offset, "a report names no site at %q", m.Site)
		}
		at := f.one(rec, "time")
		if r.Time, err = when.moment(at.str()); err != nil {
			return nil, f.fail(ingest.ErrCorrupt, at.place(rec.node), "site %s: %v", clip(r.Site), err)
		}
		for _, each := range measured {
			if each.Path == "" {
				continue
			}
			var p Point
			jsonValue(f.one(rec, each.name), m.Missing, units[each.name], &p)
			*each.to(&r) = p.Value
			if p.Flags.Has(Unreadable) {
				r.Notes = append(r.Notes, fmt.Sprintf("%s: %q is no number", each.name, clip(p.Code)))
			}
		}
		if n := f.one(rec, "last_contact"); n.str() != "" {
			if r.LastContact, err = when.moment(n.str()); err != nil {
				return nil, f.fail(ingest.ErrCorrupt, n.offset, "site %s: last contact: %v", clip(r.Site), err)
			}
		}
		for i, written := range m.Faults {
			name := written[strings.LastIndexAny(written, ".]")+1:]
			for _, n := range f.all(rec, fmt.Sprint("fault ", i)) {
				r.Faults = append(r.Faults, faults(n, name)...)
			}
		}
		out = append(out, r)
	}
	return out, nil
}

// faults reads fault flags in the shapes that loggers use.
func faults(n *node, name string) []string {
	switch n.kind {
	case kindBool:
		if n.truth {
			return []string{name}
		}
	case kindNumber:
		if v, ok := n.number(); !ok || v != 0 {
			return []string{strings.TrimSpace(name + " " + n.text)}
		}
	case kindString:
		var out []string
		for _, word := range strings.FieldsFunc(n.text, func(r rune) bool { return r == ',' || r == ';' }) {
			word = strings.TrimSpace(word)
			if v, err := strconv.ParseFloat(word, 64); err == nil && v == 0 {
				continue
			}
			switch strings.ToLower(word) {
			case "", "none", "ok", "no", "false":
			default:
				out = append(out, word)
			}
		}
		return out
	case kindArray:
		var out []string
		for _, item := range n.items {
			out = append(out, faults(item, name)...)
		}
		return out
	case kindObject:
		var out []string
		for i, item := range n.items {
			out = append(out, faults(item, n.names[i])...)
		}
		return out
	}
	return nil
}
