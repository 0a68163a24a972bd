package activity

import "time"

// startOfDay is the first moment of a local day. Where clocks skip midnight, or show
// it twice, time.Date may give another.
func startOfDay(year int, month time.Month, day int, zone *time.Location) time.Time {
	want := time.Date(year, month, day, 0, 0, 0, 0, time.UTC)
	t := time.Date(want.Year(), want.Month(), want.Day(), 0, 0, 0, 0, zone)
	if dateOf(t).Before(want) { // in the gap, before it
		_, end := t.ZoneBounds()
		return end
	}
	if start, _ := t.ZoneBounds(); !start.IsZero() {
		_, now := t.Zone()
		_, before := start.Add(-time.Second).Zone()
		// The same hour by the clock before the change, if that was on this day too.
		if earlier := t.Add(time.Duration(now-before) * time.Second); earlier.Before(start) && !dateOf(earlier).Before(want) {
			return earlier
		}
		if start.Before(t) && !dateOf(start).Before(want) { // after the gap
			return start
		}
	}
	return t
}

// dateOf is a moment's local date, as midnight UTC.
func dateOf(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, time.UTC)
}

// span is a stretch of time; to is not part of it.
type span struct{ from, to time.Time }

func (s span) within(o span) span {
	if o.from.After(s.from) {
		s.from = o.from
	}
	if o.to.Before(s.to) {
		s.to = o.to
	}
	if !s.to.After(s.from) {
		return span{}
	}
	return s
}

func (s span) length() time.Duration { return s.to.Sub(s.from) }

// days of a zone, from the day of one date to that of another, both included.
func daysBetween(from, to time.Time, zone *time.Location) []span {
	var days []span
	start := startOfDay(from.Year(), from.Month(), from.Day(), zone)
	for d := from; !d.After(to); d = d.AddDate(0, 0, 1) {
		next := d.AddDate(0, 0, 1)
		end := startOfDay(next.Year(), next.Month(), next.Day(), zone)
		days = append(days, span{start, end})
		start = end
	}
	return days
}
