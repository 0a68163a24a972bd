package sounding

import (
	"fmt"
	"math"
	"strings"

	"rimeline/ingest"
)

// standardLevel is a standard isobaric surface as parts A and C code it.
type standardLevel struct {
	pa   float64
	code string // the two figures before hhh
	id   byte   // Id of section 1, code table 1734: last surface with wind
	// unitM and modulusM: what one of hhh is, and after how many metres the
	// figures repeat.
	unitM, modulusM float64
}

var standardA = []standardLevel{
	{100000, "00", '0', 1, 0},
	{92500, "92", '9', 1, 0},
	{85000, "85", '8', 1, 1000},
	{70000, "70", '7', 1, 1000},
	{50000, "50", '5', 10, 10000},
	{40000, "40", '4', 10, 10000},
	{30000, "30", '3', 10, 10000},
	{25000, "25", '2', 10, 10000},
	{20000, "20", '2', 10, 10000},
	{15000, "15", '1', 10, 10000},
	{10000, "10", '1', 10, 10000},
}

var standardC = []standardLevel{
	{7000, "70", '7', 10, 10000},
	{5000, "50", '5', 10, 10000},
	{3000, "30", '3', 10, 10000},
	{2000, "20", '2', 10, 10000},
	{1000, "10", '1', 10, 10000},
}

// heightM reads hhh. Up to 700 hPa it is in metres without the thousands, from
// 500 hPa on in tens of metres without the ten thousands (FM 35, symbol hhh);
// heights of 1000 hPa below sea level have 500 added. The figures left out are
// those that bring the height nearest to the standard atmosphere's.
func (l standardLevel) heightM(hhh string) float64 {
	n, ok := digits([]byte(hhh))
	if !ok {
		return math.NaN()
	}
	h := float64(n) * l.unitM
	if l.pa == 100000 && h >= 500 {
		return 500 - h
	}
	if l.modulusM == 0 {
		return h
	}
	return h + l.modulusM*math.Round((standardHeightM(l.pa)-h)/l.modulusM)
}

// tempSections reads the sections of the parts of one flight.
type tempSections struct {
	d       *tempDecoder
	r       *Report
	message int
	p       *tempPart
	groups  []group
	levels  []Level

	surfacePa   float64
	surfaceWind *Level // of a PILOT part: no pressure, no height
}

func (s *tempSections) bad(g group, format string, args ...any) {
	s.d.add(s.message, g.offset, ingest.ErrCorrupt, "%s%c%c group %s: %s",
		s.p.kind, s.p.letter, s.p.letter, clip([]byte(g.text)), fmt.Sprintf(format, args...))
}

func (s *tempSections) append(l Level) {
	if len(s.levels) < MaxLevels {
		s.levels = append(s.levels, l)
	} else if len(s.levels) == MaxLevels {
		s.d.add(s.message, s.p.offset, ingest.ErrCorrupt, "more than %d levels", MaxLevels)
	}
}

// take gives the next group, or a missing one at the end.
func (s *tempSections) take() group {
	if len(s.groups) == 0 {
		return group{missingGroup, s.d.end}
	}
	g := s.groups[0]
	s.groups = s.groups[1:]
	return g
}

func (s *tempSections) peek(i int) string {
	if i >= len(s.groups) {
		return ""
	}
	return s.groups[i].text
}

// isSection tells the indicator of a later section: 21212, 31313, 41414, and
// regional and national ones from 51515 to 69696.
func isSection(t string) bool {
	if len(t) != 5 || t[0] != t[2] || t[0] != t[4] || t[1] != t[3] || t[0] == t[1] {
		return false
	}
	return t[0] >= '2' && t[0] <= '4' && t[1] == '1' || (t[0] == '5' || t[0] == '6') && t[1] >= '1' && t[1] <= '9'
}

// temperature reads TTTaDD into a level: whole degrees, tenths whose parity is
// the sign (code table 3931), depression of the dew point (code table 0777).
func (s *tempSections) temperature(l *Level, g group) {
	t := g.text
	tenths, ok := digits([]byte(t[:3]))
	if !ok {
		if t[:3] != "///" {
			s.bad(g, "temperature is not TTTa")
		}
		return
	}
	celsius := float64(tenths) / 10
	if tenths%2 == 1 {
		celsius = -celsius
	}
	l.AirTemperatureK = celsius + zeroCelsiusK
	code, ok := digits([]byte(t[3:]))
	switch {
	case !ok:
		if t[3:] != "//" {
			s.bad(g, "dew-point depression is not DD")
		}
	case code <= 50:
		l.DewPointK = celsius - float64(code)/10 + zeroCelsiusK
	case code >= 56:
		l.DewPointK = celsius - float64(code-50) + zeroCelsiusK
	default:
		s.bad(g, "dew-point depression %d, code figures 51 to 55 are not used", code)
	}
}

// wind reads ddfff: tens of degrees; 500 added to the speed for 5 degrees more.
func (s *tempSections) wind(l *Level, g group) {
	if g.text == missingGroup {
		return
	}
	tens, ok1 := digits([]byte(g.text[:2]))
	speed, ok2 := digits([]byte(g.text[2:]))
	if !ok1 || !ok2 || tens > 36 {
		if !strings.Contains(g.text, "/") {
			s.bad(g, "wind is not ddfff")
		}
		return
	}
	l.WindFromDeg = float64(tens * 10)
	if speed >= 500 {
		l.WindFromDeg += 5
		speed -= 500
	}
	l.WindSpeedMPerS = float64(speed)
	if s.p.knots {
		l.WindSpeedMPerS *= metrePerSecondPerKnot
	}
}

// windLike tells whether a group can be a wind.
func windLike(t string) bool {
	if t == missingGroup {
		return true
	}
	tens, ok := digits([]byte(t[:min(2, len(t))]))
	return len(t) == 5 && (t[:2] == "//" || ok && tens <= 36)
}

// pressurePa reads PPP: whole hPa in parts A and B, with 1000 hPa left out, and
// tenths of hPa in parts C and D.
func (s *tempSections) pressurePa(ppp string) float64 {
	n, ok := digits([]byte(ppp))
	switch {
	case !ok:
		return math.NaN()
	case s.p.letter == 'C' || s.p.letter == 'D':
		return float64(n) * 10
	case n < 100:
		return float64(n+1000) * 100
	}
	return float64(n) * 100
}

// standard reads part A or C: surface, standard surfaces, tropopause, maximum
// wind, and the sections behind.
func (s *tempSections) standard() {
	levels := standardA
	if s.p.letter == 'C' {
		levels = standardC
	}
	if s.p.letter == 'A' && strings.HasPrefix(s.peek(0), "99") {
		g := s.take()
		l := MissingLevel()
		l.Significance = Surface
		l.PressurePa = s.pressurePa(g.text[2:])
		s.surfacePa = l.PressurePa
		s.temperature(&l, s.take())
		if s.windComes(levels, 0, s.p.lastStd != '/') {
			s.wind(&l, s.take())
		}
		if l.PressurePa > 0 {
			s.append(l)
		}
	}
	windsGiven := s.p.lastStd != '/'
	for k := 0; k < len(levels) && len(s.groups) > 0; k++ {
		std := levels[k]
		if !strings.HasPrefix(s.peek(0), std.code) {
			continue // left out, as 925 hPa was before 1992
		}
		g := s.take()
		l := MissingLevel()
		l.Significance = Standard
		l.PressurePa = std.pa
		l.GeopotentialHeightM = std.heightM(g.text[2:])
		if math.IsNaN(l.GeopotentialHeightM) && g.text[2:] != "///" {
			s.bad(g, "height is not hhh")
		}
		if len(s.groups) > 0 {
			s.temperature(&l, s.take())
		}
		if s.windComes(levels, k+1, windsGiven) {
			s.wind(&l, s.take())
		}
		if std.id == s.p.lastStd && !(k+1 < len(levels) && levels[k+1].id == std.id) {
			windsGiven = false
		}
		s.append(l)
	}
	s.special()
	s.trailing()
	if len(s.groups) > 0 {
		s.bad(s.groups[0], "neither a standard surface in order nor a section; %d groups left out", len(s.groups))
	}
}

// windComes decides whether the next group is the wind of the level just read.
// Id of section 1 says so up to a standard surface, but one figure stands for two
// surfaces and stations differ; what follows decides, Id only in doubt.
func (s *tempSections) windComes(levels []standardLevel, next int, expected bool) bool {
	if len(s.groups) == 0 || !windLike(s.peek(0)) {
		return false
	}
	// How well a group fits as the start of what follows a level: the next
	// standard surface fits best. -66 C looks like the indicator of a maximum
	// wind, too.
	fits := func(t string) int {
		switch {
		case t == "" || isSection(t) || next < len(levels) && t[:2] == levels[next].code,
			t == "88999" || t == "77999" || t == "66999":
			return 2
		case t[:2] == "88" || t[:2] == "77" || t[:2] == "66":
			return 1
		}
		return 0
	}
	switch here, after := fits(s.peek(0)), fits(s.peek(1)); {
	case after > here:
		return true
	case here > after:
		return false
	}
	return expected
}

// special reads tropopauses (88) and maximum winds (77, 66) behind the standard
// surfaces.
func (s *tempSections) special() {
	for len(s.groups) > 0 {
		t := s.peek(0)
		switch {
		case t == "88999" || t == "77999" || t == "66999":
			s.take()
		case t[:2] == "88" && t[2:] != "///":
			l := MissingLevel()
			l.Significance = Tropopause
			l.PressurePa = s.pressurePa(s.take().text[2:])
			s.temperature(&l, s.take())
			if next := s.peek(0); next != "" && windLike(next) && !isSection(next) {
				s.wind(&l, s.take())
			}
			s.append(l)
		case (t[:2] == "77" || t[:2] == "66") && t[2:] != "///":
			l := MissingLevel()
			l.Significance = MaximumWind
			if t[:2] == "66" { // still rising at the end of the ascent
				l.Significance |= TopOfSounding
			}
			l.PressurePa = s.pressurePa(s.take().text[2:])
			s.wind(&l, s.take())
			if next := s.peek(0); next != "" && next[0] == '4' && !isSection(next) {
				s.take() // vertical shear 4vbvbvava, not a level
			}
			s.append(l)
		case t == "88///" || t == "77///" || t == "66///":
			s.take()
		default:
			return
		}
	}
}

// significant reads part B or D: levels significant in temperature and humidity
// (nnPPP TTTaDD), then section 21212, significant in wind (nnPPP ddfff).
func (s *tempSections) significant() {
	s.pairs(func(l *Level, g group) { s.temperature(l, g) }, SignificantTemperature)
	if s.peek(0) == "21212" {
		s.take()
		s.pairs(func(l *Level, g group) { s.wind(l, g) }, SignificantWind)
	}
	s.trailing()
	if len(s.groups) > 0 {
		s.bad(s.groups[0], "not the indicator of a section; %d groups left out", len(s.groups))
	}
}

// pairs reads nnPPP and one group of values, nn being 00 for the surface, then
// 11, 22 ... 99, 11 ...
func (s *tempSections) pairs(values func(*Level, group), why Significance) {
	for len(s.groups) > 0 && !isSection(s.peek(0)) {
		g := s.take()
		if g.text[0] != g.text[1] || g.text[0] == '/' {
			s.bad(g, "level number is not 00, 11 ... 99")
			continue
		}
		l := MissingLevel()
		l.Significance = why
		l.PressurePa = s.pressurePa(g.text[2:])
		if g.text[0] == '0' && s.p.letter == 'B' {
			l.Significance |= Surface
			if math.IsNaN(s.surfacePa) {
				s.surfacePa = l.PressurePa
			}
		}
		if len(s.groups) == 0 {
			s.d.add(s.message, min(g.offset, s.d.end), ingest.ErrTruncated, "%s%c%c group %s: no values behind it", s.p.kind, s.p.letter, s.p.letter, clip([]byte(g.text)))
			return
		}
		values(&l, s.take())
		if l.PressurePa > 0 { // else a stratum of missing data: nn/// /////
			s.append(l)
		}
	}
}

// trailing reads sections 31313 and after, up to the end of the part.
func (s *tempSections) trailing() {
	for len(s.groups) > 0 && isSection(s.peek(0)) {
		name := s.take().text
		var inside []group
		for len(s.groups) > 0 && !isSection(s.peek(0)) {
			inside = append(inside, s.take())
		}
		switch name {
		case "31313":
			s.release(inside)
		case "51515":
			s.regional(inside)
		default:
			s.note("section " + name + ":" + joined(inside))
		}
	}
}

const maxNotedGroups = 40

func joined(groups []group) string {
	var b strings.Builder
	for i, g := range groups {
		if i == maxNotedGroups {
			b.WriteString(" ...")
			break
		}
		b.WriteString(" " + g.text)
	}
	return b.String()
}

// note adds a note once; the parts repeat their sections.
func (s *tempSections) note(text string) {
	for _, have := range s.r.Notes {
		if have == text {
			return
		}
	}
	s.r.Notes = append(s.r.Notes, text)
}

// release reads section 31313: srrarasasa, 8GGgg (time of release), 9snTwTwTw.
func (s *tempSections) release(groups []group) {
	for i, g := range groups {
		if i == 0 || g.text[0] != '8' {
			continue
		}
		clock, ok := digits([]byte(g.text[1:]))
		if !ok || clock/100 > 23 || clock%100 > 59 {
			if g.text[1:] != "////" {
				s.bad(g, "release is not 8GGgg")
			}
			return
		}
		if s.r.Time.IsZero() {
			s.note(fmt.Sprintf("released at %02d:%02d UTC", clock/100, clock%100))
		} else {
			s.r.ReleaseTime = nearestClock(s.r.Time, clock/100, clock%100)
		}
		return
	}
}

// regional reads section 51515. Groups 101AA announce what follows them.
func (s *tempSections) regional(groups []group) {
	for i := 0; i < len(groups); {
		head := groups[i]
		i++
		end := i
		for end < len(groups) && !strings.HasPrefix(groups[end].text, "101") {
			end++
		}
		following := groups[i:end]
		i = end
		switch {
		case head.text == "10164" && len(following) > 0:
			// 000II; negative indices have 50 added.
			n, ok := digits([]byte(following[0].text[3:]))
			if !ok {
				s.note("stability index missing")
				break
			}
			if n > 50 {
				n = 50 - n
			}
			s.note(fmt.Sprintf("stability index %d", n))
		case head.text == "10194" && len(following) > 1:
			var low, high Level
			low, high = MissingLevel(), MissingLevel()
			s.wind(&low, following[0])
			s.wind(&high, following[1])
			s.note(fmt.Sprintf("mean wind of the lowest 5000 ft %.0f degrees %.1f m/s, of the next 5000 ft %.0f degrees %.1f m/s",
				low.WindFromDeg, low.WindSpeedMPerS, high.WindFromDeg, high.WindSpeedMPerS))
		case head.text == "10190":
			s.extrapolated(following)
		default:
			s.note("section 51515:" + joined(append([]group{head}, following...)))
		}
	}
}

// extrapolated reads PPhhh: a standard surface just above the end of the ascent.
func (s *tempSections) extrapolated(groups []group) {
	levels := standardA
	if s.p.letter == 'C' {
		levels = standardC
	}
	for _, g := range groups {
		for _, std := range levels {
			if g.text[:2] == std.code {
				l := MissingLevel()
				l.Significance = Standard | Extrapolated
				l.PressurePa = std.pa
				l.GeopotentialHeightM = std.heightM(g.text[2:])
				s.append(l)
			}
		}
	}
}

// pilotStandard reads PILOT parts A and C: winds at standard surfaces (44nPP or
// 55nPP, n winds from surface PP on) and maximum winds.
func (s *tempSections) pilotStandard() {
	levels := standardA
	if s.p.letter == 'C' {
		levels = standardC
	}
	for len(s.groups) > 0 && !isSection(s.peek(0)) {
		g := s.take()
		switch {
		case g.text[:2] == "44" || g.text[:2] == "55":
			count := int(g.text[2] - '0')
			k := 0
			for k < len(levels) && levels[k].code != g.text[3:] {
				k++
			}
			if k == len(levels) || count < 1 || count > 3 {
				s.bad(g, "not 44nPP or 55nPP with a standard surface PP")
				return
			}
			for ; count > 0 && k < len(levels) && len(s.groups) > 0; count-- {
				l := MissingLevel()
				l.Significance = Standard
				l.PressurePa = levels[k].pa
				s.wind(&l, s.take())
				s.append(l)
				k++
			}
		case g.text == "77999" || g.text == "66999":
		case g.text[0] == '7' || g.text[0] == '6':
			l := MissingLevel()
			l.Significance = MaximumWind
			if g.text[0] == '6' {
				l.Significance |= TopOfSounding
			}
			if g.text[1] == g.text[0] {
				l.PressurePa = s.pressurePa(g.text[2:])
			} else if n, ok := digits([]byte(g.text[1:])); ok { // HmHmHmHm, tens of metres
				l.GeopotentialHeightM = float64(n) * 10
			}
			s.wind(&l, s.take())
			if next := s.peek(0); next != "" && next[0] == '4' && next[:2] != "44" && !isSection(next) {
				s.take()
			}
			s.append(l)
		default:
			s.bad(g, "not 44nPP, 55nPP or a maximum wind; %d groups left out", len(s.groups))
			return
		}
	}
	s.trailing()
}

// pilotSignificant reads PILOT parts B and D: 9tuuu or 8tuuu and up to three
// winds at heights, or section 21212 by pressure.
//
// One of the figures t and u is 300 m (indicator 9, or 1 from 100 000 ft up) or
// 500 m (8). Stations of the United States, Mexico and the Caribbean use steps of
// 1000 ft under the indicator 9 (Federal Meteorological Handbook No. 3, appendix
// E): WMO blocks 70, 72, 74, 76 and 78, and 91 in the Pacific. Canada, block 71,
// reports multiples of 300 m.
func (s *tempSections) pilotSignificant() {
	stepM := 300.0
	switch number := s.r.Station.WMONumber; {
	case len(number) < 2:
	case strings.Contains("70 72 74 76 78 91", number[:2]):
		stepM = 304.8
	}
	for len(s.groups) > 0 && !isSection(s.peek(0)) {
		g := s.take()
		unitM, base := stepM, 0
		switch g.text[0] {
		case '9':
		case '1':
			base = 100
		case '8':
			unitM = 500
		default:
			s.bad(g, "not 9tuuu, 1tuuu or 8tuuu; %d groups left out", len(s.groups))
			return
		}
		tens := 0
		if g.text[1] != '/' {
			tens = int(g.text[1] - '0')
		}
		before := byte('0')
		for _, u := range []byte(g.text[2:]) {
			if u == '/' {
				continue
			}
			if len(s.groups) == 0 {
				s.d.add(s.message, g.offset, ingest.ErrTruncated, "%s%c%c group %s: fewer winds than heights", s.p.kind, s.p.letter, s.p.letter, clip([]byte(g.text)))
				return
			}
			if u < before {
				tens++
			}
			before = u
			steps := base + tens*10 + int(u-'0')
			l := MissingLevel()
			s.wind(&l, s.take())
			if steps == 0 {
				l.Significance = Surface
				s.surfaceWind = &l
				continue
			}
			l.Significance = FixedHeight
			l.GeopotentialHeightM = float64(steps) * unitM
			s.append(l)
		}
	}
	if s.peek(0) == "21212" {
		s.take()
		s.pairs(func(l *Level, g group) { s.wind(l, g) }, SignificantWind)
	}
	s.trailing()
}
