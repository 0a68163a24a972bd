package rehearsal

import (
	"fmt"
	"math"
	"strings"
)

// Bulletins of FM 35 TEMP (WMO-No. 306, Manual on Codes, volume I.1), as the
// offices of the United States send them: part A by the heading USUS, part B by
// UMUS, winds in knots.

// mandatory is the bulletin with part A: the standard isobaric surfaces.
func (a ascent) mandatory() []byte {
	groups := []string{"TTAA", a.dayHour("2"), a.station.WMO}
	if top := a.standard[len(a.standard)-1]; top.hPa > 250 {
		groups[1] = a.dayHour(fmt.Sprint(top.hPa / 100))
	}
	ground := a.levels[0]
	groups = append(groups, fmt.Sprintf("99%03d", wholeHPa(ground)%1000), temperatureGroup(ground), windGroup(ground))
	for _, s := range a.standard {
		height := heightCode(s.hPa, s.heightM)
		if s.level == nil { // below the ground: height alone
			groups = append(groups, height, "/////", "/////")
			continue
		}
		groups = append(groups, height, temperatureGroup(*s.level), windGroup(*s.level))
	}
	groups = append(groups, "88999", "77999")
	return a.bulletin("USUS46", "MAN", groups)
}

// significantLevels is the bulletin with part B: levels significant in
// temperature and humidity, and those significant in wind (section 21212), and
// the time of release (section 31313).
func (a ascent) significantLevels() []byte {
	groups := []string{"TTBB", a.dayHour("0"), a.station.WMO}
	pairs := func(levels []ascentLevel, value func(ascentLevel) string) {
		before, n := math.Inf(1), 0
		for _, l := range levels {
			hPa := wholeHPa(l)
			if float64(hPa) >= before { // nothing is said twice of one whole hPa
				continue
			}
			number := 0
			if n > 0 {
				number = (n-1)%9*11 + 11
			}
			groups = append(groups, fmt.Sprintf("%02d%03d", number, hPa%1000), value(l))
			before, n = float64(hPa), n+1
		}
	}
	pairs(a.significant(offTemperature), temperatureGroup)
	groups = append(groups, "21212")
	pairs(a.significant(offWind), windGroup)
	groups = append(groups, "31313", "05102", a.release.Format("81504"))
	return a.bulletin("UMUS46", "SGL", groups)
}

// dayHour is YYGGId: 50 more than the day for knots.
func (a ascent) dayHour(id string) string {
	return fmt.Sprintf("%02d%02d%s", a.nominal.Day()+50, a.nominal.Hour(), id)
}

func (a ascent) bulletin(heading, kind string, groups []string) []byte {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %s %s\n%s%s\n", heading, a.station.office(), a.nominal.Format("021504"), kind, a.station.office()[1:])
	line := 0
	for _, g := range groups {
		if line > 0 && line+1+len(g) > 69 {
			b.WriteByte('\n')
			line = 0
		}
		if line > 0 {
			b.WriteByte(' ')
			line++
		}
		b.WriteString(g)
		line += len(g)
	}
	b.WriteString("=\n")
	return []byte(b.String())
}

// office is the four letters of the heading: a station of three letters has a K
// in front of it.
func (s Station) office() string {
	if len(s.ID) == 3 {
		return "K" + s.ID
	}
	return s.ID
}

func wholeHPa(l ascentLevel) int { return int(math.Round(l.pressurePa / 100)) }

// heightCode is the surface's figures and hhh: metres without the thousands up
// to 700 hPa, tens of metres without the ten thousands above, and 500 added
// below sea level.
func heightCode(hPa int, heightM float64) string {
	code := hPa / 10
	if hPa == 1000 {
		code = 0
	}
	h := int(math.Round(heightM))
	switch {
	case hPa == 1000 && h < 0:
		h = 500 - h
	case hPa <= 500:
		h = int(math.Round(heightM/10)) % 1000
	}
	return fmt.Sprintf("%02d%03d", code, h%1000)
}

// temperatureGroup is TTTaDD: the last figure of the temperature is even where
// it is not below zero, odd where it is (code table 3931); DD is the depression
// of the dew point, tenths up to 5.0 K and then whole degrees and 50 (code table
// 0777).
func temperatureGroup(l ascentLevel) string {
	celsius := l.airTemperatureK - 273.15
	tenths := int(math.Abs(celsius) * 10)
	if negative := celsius < 0; negative != (tenths%2 == 1) {
		tenths++
		// Of the two neighbours with the right parity the nearer one.
		if down := float64(tenths - 2); down >= 0 && math.Abs(celsius)*10-down < float64(tenths)-math.Abs(celsius)*10 {
			tenths -= 2
		}
	}
	depression := math.Max(l.airTemperatureK-l.dewPointK, 0)
	code := int(math.Round(depression * 10))
	if code > 50 {
		code = min(max(int(math.Round(depression))+50, 56), 99)
	}
	return fmt.Sprintf("%03d%02d", tenths, code)
}

// windGroup is ddfff in knots: direction to 5 degrees, of which the odd 5 are
// 500 added to the speed.
func windGroup(l ascentLevel) string {
	knots := int(math.Round(l.windSpeedMPerS * 3600 / 1852))
	if knots == 0 {
		return "00000"
	}
	five := int(math.Round(l.windFromDeg/5)) % 72
	if five == 0 {
		five = 72
	}
	return fmt.Sprintf("%02d%03d", five/2, knots+500*(five%2))
}
