package sounding

import (
	"fmt"
	"math"
	"strings"
	"time"

	"rimeline/ingest"
)

// DecodeTEMP reads WMO alphanumeric upper-air bulletins: FM 35 TEMP (TTAA to
// TTDD), FM 36 TEMP SHIP (UU), FM 37 TEMP DROP (XX), FM 38 TEMP MOBIL (II), and
// the winds of FM 32 PILOT (PP), FM 33 PILOT SHIP (QQ) and FM 34 PILOT MOBIL
// (EE), as in WMO-No. 306, Manual on Codes, volume I.1, part A. Bulletin
// headings and text between reports are passed over; a file may hold many
// stations. The parts of one station and time become one report, merged by
// pressure.
//
// A bulletin gives day of the month and hour only. The report's time is the
// latest such moment that is not more than 12 hours after reference (bulletins
// go out before their nominal hour). With a zero reference Time stays zero, a
// note says so, and DayOfMonth and HourUTC hold what is known.
//
// Regional section 51515: the groups 101AA of the Americas (Federal
// Meteorological Handbook No. 3, appendix E) for the stability index (10164),
// mean winds (10194) and extrapolated heights (10190) are read, the first two
// into Notes. Section 31313 gives the release; 41414 (cloud), other 101AA
// groups and national sections are kept as text in Notes.
func DecodeTEMP(file string, b []byte, reference time.Time) ([]Report, error) {
	d := tempDecoder{problems: problems{file: file}, end: len(b), byKey: map[string]*tempFlight{}}
	d.split(b)
	var reports []Report
	for _, flight := range d.flights {
		reports = append(reports, d.report(flight, reference))
	}
	if len(reports) == 0 && len(d.list) == 0 {
		d.add(1, len(b), ingest.ErrTruncated, "no part of a TEMP or PILOT report")
	}
	return reports, d.err()
}

// group is one five-character group and where it stands.
type group struct {
	text   string
	offset int
}

const missingGroup = "/////"

// tempPart is one part (A to D) of one report as sent.
type tempPart struct {
	kind    string // TT, UU, XX, II, PP, QQ, EE
	letter  byte   // A, B, C, D
	offset  int
	knots   bool
	lastStd byte    // Id: the last standard level with wind; a4 in parts B and D
	groups  []group // behind section 1
	nilled  bool
}

// tempFlight is all that was sent of one station and time.
type tempFlight struct {
	message   int
	station   Station
	day, hour int
	parts     map[string]*tempPart // by marker, "TTAA"
	order     []string
	notes     []string
}

type tempDecoder struct {
	problems
	end     int
	flights []*tempFlight
	byKey   map[string]*tempFlight
}

func tempMarker(word []byte) bool {
	if len(word) != 4 || word[2] != word[3] || word[2] < 'A' || word[2] > 'D' {
		return false
	}
	switch string(word[:2]) {
	case "TT", "UU", "XX", "II", "PP", "QQ", "EE":
		return true
	}
	return false
}

// mobile parts carry a call sign (but for XX) and the position.
func (p *tempPart) mobile() bool { return p.kind != "TT" && p.kind != "PP" }

func (p *tempPart) pilot() bool { return p.kind == "PP" || p.kind == "QQ" || p.kind == "EE" }

// split cuts the text into parts and hands each to its flight.
func (d *tempDecoder) split(b []byte) {
	text := string(b) // groups are slices of it
	var current *tempPart
	var words []group // of the current part, from the first behind the marker
	finish := func() {
		if current != nil {
			d.part(current, words)
		}
		current, words = nil, nil
	}
	for pos := 0; pos < len(b); {
		for pos < len(b) && b[pos] <= ' ' {
			pos++
		}
		start := pos
		for pos < len(b) && b[pos] > ' ' && b[pos] != '=' {
			pos++
		}
		word := b[start:pos]
		ends := pos < len(b) && b[pos] == '='
		if ends {
			pos++
		}
		switch {
		case len(word) == 0:
		case tempMarker(word):
			// Some bulletins repeat the station number before the marker of the
			// next part: not a group of this one.
			if next := stationAfter(b[pos:]); len(words) > 2 && next != "" && words[len(words)-1].text == next {
				words = words[:len(words)-1]
			}
			finish()
			current = &tempPart{kind: string(word[:2]), letter: word[2], offset: start}
			words = make([]group, 0, 64)
		case current == nil:
		case string(word) == "NIL":
			current.nilled = true
		case isGroup(word):
			if len(words) >= 6*MaxLevels {
				d.add(len(d.flights)+1, start, ingest.ErrCorrupt, "more than %d groups in one part", 6*MaxLevels)
				return
			}
			g := group{text[start:pos], start}
			if ends {
				g.text = text[start : pos-1]
			}
			if len(word) != 5 && !(current.mobile() && len(words) == 0) {
				reason := ingest.ErrCorrupt
				if pos == len(b) && !ends {
					reason = ingest.ErrTruncated
				}
				d.add(len(d.flights)+1, start, reason, "group %s has %d characters, not 5", clip(word), len(word))
				g.text = missingGroup
			}
			words = append(words, g)
		case current.mobile() && len(words) == 0 && len(word) <= 9:
			words = append(words, group{string(word), start}) // call sign
		default:
			finish() // a heading or other text
		}
		if ends {
			finish()
		}
	}
	finish()
}

func isGroup(word []byte) bool {
	for _, c := range word {
		if (c < '0' || c > '9') && c != '/' {
			return false
		}
	}
	return len(word) <= 9
}

// stationAfter gives the second word: the station number behind YYGGId.
func stationAfter(b []byte) string {
	words := [2][]byte{}
	n := 0
	for pos := 0; pos < len(b) && n < 2; n++ {
		for pos < len(b) && b[pos] <= ' ' {
			pos++
		}
		start := pos
		for pos < len(b) && b[pos] > ' ' && pos-start < 6 {
			pos++
		}
		words[n] = b[start:pos]
	}
	if len(words[1]) != 5 {
		return ""
	}
	return string(words[1])
}

// part reads section 1 and files the part under its flight.
func (d *tempDecoder) part(p *tempPart, words []group) {
	bad := func(offset int, format string, args ...any) {
		reason := ingest.ErrCorrupt
		if len(words) < 2 && p.offset > d.end-40 {
			reason = ingest.ErrTruncated
		}
		d.add(len(d.flights)+1, offset, reason, "%s%c%c: %s", p.kind, p.letter, p.letter, fmt.Sprintf(format, args...))
	}
	take := func() (group, bool) {
		if len(words) == 0 {
			return group{}, false
		}
		g := words[0]
		words = words[1:]
		return g, true
	}
	station := unknownStation()
	if p.mobile() && p.kind != "XX" {
		g, ok := take()
		if !ok {
			bad(p.offset, "no call sign")
			return
		}
		station.Identifier = g.text
	}
	date, ok := take()
	if !ok || len(date.text) != 5 {
		bad(p.offset, "no group YYGGI")
		return
	}
	day, ok1 := digits([]byte(date.text[:2]))
	hour, ok2 := digits([]byte(date.text[2:4]))
	if day > 50 {
		p.knots = true
		day -= 50
	}
	if !ok1 || !ok2 || day < 1 || day > 31 || hour > 23 {
		bad(date.offset, "%s is not YYGGI: day 1 to 31 (or 50 more for knots), hour 0 to 23", clip([]byte(date.text)))
		return
	}
	p.lastStd = date.text[4]
	if p.mobile() {
		ok := false
		if words, ok = tempPosition(&station, p.kind, words); !ok {
			bad(date.offset, "no position 99LLL QLLLL after the time")
			return
		}
		if station.Identifier == "" {
			station.Identifier = fmt.Sprintf("drop %.1f %.1f", station.Place.LatitudeDeg, station.Place.LongitudeDeg)
		}
	} else {
		g, ok := take()
		if !ok || wmoNumber(g.text) == "" {
			bad(date.offset, "no station number IIiii after the time")
			return
		}
		station.Identifier, station.WMONumber = g.text, g.text
	}
	p.groups = words

	key := fmt.Sprintf("%s %d %d", station.Identifier, day, hour)
	flight := d.byKey[key]
	if flight == nil {
		if len(d.flights) >= MaxReports {
			bad(p.offset, "more than %d reports", MaxReports)
			return
		}
		flight = &tempFlight{message: len(d.flights) + 1, station: station, day: day, hour: hour, parts: map[string]*tempPart{}}
		d.byKey[key] = flight
		d.flights = append(d.flights, flight)
	}
	marker := fmt.Sprintf("%s%c%c", p.kind, p.letter, p.letter)
	if before := flight.parts[marker]; before != nil {
		if len(before.groups) > 0 && (p.nilled || len(p.groups) == 0) {
			return // a NIL after the report says nothing new
		}
		flight.notes = append(flight.notes, marker+" was sent more than once, the last is used")
	} else {
		flight.order = append(flight.order, marker)
	}
	flight.parts[marker] = p
}

// tempPosition reads 99LaLaLa QcLoLoLoLo MMMULaULo, and h0h0h0h0im of mobile land
// stations. Quadrant of the globe: code table 3333.
func tempPosition(s *Station, kind string, words []group) ([]group, bool) {
	if len(words) < 3 || !strings.HasPrefix(words[0].text, "99") {
		return words, false
	}
	latitude, ok1 := digits([]byte(words[0].text[2:]))
	longitude, ok2 := digits([]byte(words[1].text[1:]))
	if !ok1 || !ok2 {
		return words, false
	}
	latitudeDeg, longitudeDeg := float64(latitude)/10, float64(longitude)/10
	switch words[1].text[0] {
	case '1':
	case '3':
		latitudeDeg = -latitudeDeg
	case '5':
		latitudeDeg, longitudeDeg = -latitudeDeg, -longitudeDeg
	case '7':
		longitudeDeg = -longitudeDeg
	default:
		return words, false
	}
	s.Place = placeIn(latitudeDeg, longitudeDeg)
	words = words[3:]
	if (kind == "II" || kind == "EE") && len(words) > 0 {
		// Code table 1845: 1 to 4 metres, 5 to 8 feet.
		height, ok := digits([]byte(words[0].text[:4]))
		unit := words[0].text[4]
		switch {
		case ok && unit >= '1' && unit <= '4':
			s.AltitudeM = float64(height)
		case ok && unit >= '5' && unit <= '8':
			s.AltitudeM = float64(height) * 0.3048
		}
		words = words[1:]
	}
	return words, true
}

// report assembles the parts of one flight.
func (d *tempDecoder) report(f *tempFlight, reference time.Time) Report {
	r := Report{Format: FormatTEMP, Station: f.station, DayOfMonth: f.day, HourUTC: f.hour, Notes: f.notes}
	if reference.IsZero() {
		r.Notes = append(r.Notes, fmt.Sprintf("month and year unknown: day %d, %02d UTC", f.day, f.hour))
	} else if t, ok := latestDay(f.day, f.hour, reference.Add(12*time.Hour)); ok {
		r.Time = t
	} else {
		r.Notes = append(r.Notes, fmt.Sprintf("no day %d in the months before %s", f.day, reference.UTC().Format(time.RFC3339)))
	}
	s := tempSections{d: d, r: &r, message: f.message, surfacePa: math.NaN()}
	// Part A first: it knows the surface pressure.
	for _, letter := range "ABCD" {
		for _, marker := range f.order {
			p := f.parts[marker]
			if rune(p.letter) != letter {
				continue
			}
			if p.nilled {
				r.Notes = append(r.Notes, marker+" NIL")
			}
			s.p, s.groups = p, p.groups
			switch {
			case p.pilot() && (letter == 'A' || letter == 'C'):
				s.pilotStandard()
			case p.pilot():
				s.pilotSignificant()
			case letter == 'A' || letter == 'C':
				s.standard()
			default:
				s.significant()
			}
		}
	}
	r.Levels = s.merged()
	r.doubt()
	return r
}

// latestDay gives the last moment not after limit that has this day and hour.
func latestDay(day, hour int, limit time.Time) (time.Time, bool) {
	limit = limit.UTC()
	for back := range 3 {
		t, ok := validTime(limit.Year(), int(limit.Month()), day, hour, 0)
		if back > 0 {
			first := time.Date(limit.Year(), limit.Month()-time.Month(back), 1, 0, 0, 0, 0, time.UTC)
			t, ok = validTime(first.Year(), int(first.Month()), day, hour, 0)
		}
		if ok && !t.After(limit) {
			return t, true
		}
	}
	return time.Time{}, false
}

// merged joins the levels of all parts and sorts them by falling pressure;
// winds known by height alone follow, sorted by height.
func (s *tempSections) merged() []Level {
	var withPressure, byHeight []Level
	for _, l := range s.levels {
		if l.PressurePa > 0 {
			// A standard surface with height alone, at or below the station's
			// pressure, is under the ground.
			if l.PressurePa >= s.surfacePa && l.Significance&Surface == 0 && math.IsNaN(l.AirTemperatureK) && math.IsNaN(l.WindSpeedMPerS) {
				l.Significance |= Extrapolated
			}
			withPressure = append(withPressure, l)
		} else {
			byHeight = append(byHeight, l)
		}
	}
	levels := mergeByPressure(withPressure)
	if s.surfaceWind != nil {
		placed := false
		for i := range levels {
			if levels[i].Significance&Surface != 0 {
				levels[i].fillFrom(s.surfaceWind)
				placed = true
			}
		}
		if !placed {
			byHeight = append(byHeight, *s.surfaceWind)
		}
	}
	return append(levels, byHeight...)
}
