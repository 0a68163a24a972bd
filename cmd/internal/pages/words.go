package pages

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"
)

// Bounds on what comes from outside, in characters and entries.
const (
	longName   = 100
	longText   = 700
	longList   = 50
	longTable  = 2000
	longSeries = 1000
)

// plain makes text from outside fit for a page: what is not printable (line
// breaks, escape sequences, marks that turn the direction of writing, broken
// UTF-8) becomes a space, and what is longer than most characters is cut.
func plain(text string, most int) string {
	out := make([]rune, 0, min(len(text), most))
	for _, r := range text {
		switch {
		case r == utf8.RuneError || !unicode.IsPrint(r) || r == ' ' || r == 0xFFFC:
			if n := len(out); n == 0 || out[n-1] == ' ' {
				continue
			}
			r = ' '
		}
		if len(out) == most {
			out[most-1] = '…'
			break
		}
		out = append(out, r)
	}
	return strings.TrimRight(string(out), " ")
}

// texts are the first of a list, made plain, without empty ones.
func texts(list []string) []string {
	var out []string
	for _, text := range list {
		if text = plain(text, longText); text != "" && len(out) < longList {
			out = append(out, text)
		}
	}
	return out
}

// first of two texts that is not empty, made plain.
func firstName(name, id string) string {
	if name = plain(name, longName); name != "" {
		return name
	}
	return plain(id, longName)
}

// capital makes a sentence of a reason.
func capital(text string) string {
	r, size := utf8.DecodeRuneInString(text)
	if size == 0 {
		return text
	}
	return string(unicode.ToUpper(r)) + text[size:]
}

// number with so many decimals; a dash where it is not known, and no row of
// digits where it is out of all bounds.
func number(x *float64, decimals int) string {
	if x == nil || math.IsNaN(*x) || math.IsInf(*x, 0) {
		return "–"
	}
	return digits(*x, decimals)
}

func digits(x float64, decimals int) string {
	if math.Abs(x) >= 1e9 {
		return strconv.FormatFloat(x, 'g', 3, 64)
	}
	text := strconv.FormatFloat(x, 'f', decimals, 64)
	if strings.HasPrefix(text, "-") && strings.Trim(text, "-0.") == "" {
		text = text[1:] // no negative zero
	}
	return strings.Replace(text, "-", "−", 1)
}

// threeDigits prints with three digits, and never in powers of ten where it need not.
func threeDigits(x float64) string {
	if x == 0 || math.IsNaN(x) || math.IsInf(x, 0) {
		return digits(x, 0)
	}
	if a := math.Abs(x); a < 1e-6 {
		return strconv.FormatFloat(x, 'g', 3, 64)
	}
	return digits(x, max(0, min(2-int(math.Floor(math.Log10(math.Abs(x)))), 6)))
}

// twoDigits is for what is known no better.
func twoDigits(x float64) string {
	if math.Abs(x) >= 10 || x == 0 {
		return digits(x, 0)
	}
	return digits(x, 1)
}

// percent of a share.
func percent(share float64) string { return digits(100*share, 0) + " %" }

// span is a duration as people say it.
func span(d time.Duration) string {
	d = d.Abs()
	minutes := int((d/time.Second + 30) / 60)
	switch {
	case d < 90*time.Second:
		return fmt.Sprintf("%d s", int(d/time.Second))
	case minutes < 120:
		return fmt.Sprintf("%d min", minutes)
	case minutes < 48*60 && minutes%60 == 0:
		return fmt.Sprintf("%d h", minutes/60)
	case minutes < 10*60:
		return fmt.Sprintf("%d h %d min", minutes/60, minutes%60)
	case minutes < 48*60:
		return fmt.Sprintf("%d h", (minutes+30)/60)
	}
	return fmt.Sprintf("%d days", (minutes+12*60)/(24*60))
}

// instant is a moment as it is shown.
type instant struct {
	ISO string // RFC 3339, for programs
	// Local is the time on the wall of the programme, UTC the other one; UTC is
	// empty where the two are one.
	Local, UTC string
	// Ago is "3 min ago" or "in 2 h".
	Ago string
}

// face shows moments as of one moment, in one zone.
type face struct {
	now  time.Time
	zone *time.Location
}

func newFace(now time.Time, zone *time.Location) face {
	if zone == nil {
		zone = time.UTC
	}
	return face{now.UTC(), zone}
}

// at gives a moment; nil for the zero time.
func (f face) at(t time.Time) *instant {
	if t.IsZero() {
		return nil
	}
	return &instant{ISO: t.UTC().Format(time.RFC3339), Local: f.local(t, true), UTC: f.utc(t), Ago: f.ago(t)}
}

// local is "22:40 MST", with the day where it is not that of now.
func (f face) local(t time.Time, zone bool) string {
	t = t.In(f.zone)
	text := t.Format("15:04") // hours and minutes are enough for all that is shown here
	if !sameDay(t, f.now.In(f.zone)) {
		text = day(t, f.now) + text
	}
	if zone {
		text += " " + zoneName(t)
	}
	return text
}

// utc is "05:40 UTC"; empty where the zone is UTC itself.
func (f face) utc(t time.Time) string {
	if zoneName(t.In(f.zone)) == "UTC" {
		return ""
	}
	t = t.UTC()
	text := t.Format("15:04 UTC")
	if !sameDay(t, f.now) {
		text = day(t, f.now) + text
	}
	return text
}

func sameDay(a, b time.Time) bool { return a.YearDay() == b.YearDay() && a.Year() == b.Year() }

// day before a time of day: the weekday alone where that is plain, the year where
// it is far from now.
func day(t, now time.Time) string {
	switch d := t.Sub(now).Abs(); {
	case d > 180*24*time.Hour:
		return t.Format("2 Jan 2006 ")
	case d > 5*24*time.Hour:
		return t.Format("Mon 2 Jan ")
	}
	return t.Format("Mon ")
}

// zoneName is what people there call it; zones without letters are given by their
// distance from UTC.
func zoneName(t time.Time) string {
	name, _ := t.Zone()
	if name == "" || name[0] == '+' || name[0] == '-' {
		return "UTC" + t.Format("-07:00")
	}
	return name
}

func (f face) ago(t time.Time) string {
	if d := f.now.Sub(t); d >= 0 {
		return span(d) + " ago"
	} else if d < 0 {
		return "in " + span(-d)
	}
	return ""
}

// compass names the nearest of sixteen points.
func compass(deg float64) string {
	points := []string{"N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"}
	turn := math.Mod(deg, 360)
	if math.IsNaN(turn) {
		return "?"
	}
	if turn < 0 {
		turn += 360
	}
	return points[int(turn/22.5+.5)%16]
}

// counted is "1 site", "2 sites".
func counted(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
