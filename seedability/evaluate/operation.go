package evaluate

import (
	"fmt"
	"time"
)

// SiteRecord is what happened at one site in a period.
type SiteRecord struct {
	Site   string
	Period Span
	// Windows that were offered: the site's state was window.
	Windows []Span
	// Releases of agent, from ignition to burn-out, of all units of the site.
	Releases []Span
	// Holds: stretches in which seeding was suspended.
	Holds []Span
}

// Operation says what was made of the windows of a site. Minutes in which several
// windows, releases or holds overlap count once. In every case
//
//	Offered = Held + Used + Missed
type Operation struct {
	Site   string `json:"site"`
	Period Span   `json:"period"`
	// Windows, Releases and Holds that reach into the period; Invalid ones have no
	// start, or end before it, and are left out.
	Windows  int `json:"windows"`
	Releases int `json:"releases"`
	Holds    int `json:"holds"`
	Invalid  int `json:"invalid"`

	OfferedMinutes float64 `json:"offered_minutes"`
	// HeldMinutes of the windows lay in a hold.
	HeldMinutes float64 `json:"held_minutes"`
	// UsedMinutes of the windows had a release and no hold; MissedMinutes neither.
	UsedMinutes   float64 `json:"used_minutes"`
	MissedMinutes float64 `json:"missed_minutes"`
	// UsedShare is Used/(Used + Missed).
	UsedShare Value `json:"used_share"`
	// WindowsUsed had at least one such release, of the WindowsOpen that were not
	// held throughout.
	WindowsUsed int `json:"windows_used"`
	WindowsOpen int `json:"windows_open"`

	ReleaseMinutes float64 `json:"release_minutes"`
	// OutsideMinutes of release lay in no window, HoldReleaseMinutes in a hold; a
	// minute may be both.
	OutsideMinutes     float64 `json:"outside_minutes"`
	HoldReleaseMinutes float64 `json:"hold_release_minutes"`
	// ReleasesOutside have a part in no window, ReleasesInHold a part in a hold.
	// The latter call for an explanation, each one.
	ReleasesOutside int `json:"releases_outside"`
	ReleasesInHold  int `json:"releases_in_hold"`
}

// Operate compares windows with releases and holds.
func Operate(record SiteRecord) (Operation, error) {
	o := Operation{Site: record.Site, Period: Span{record.Period.Start.UTC(), record.Period.End.UTC()}}
	if o.Period.badPeriod() {
		o.Period = Span{}
		return o, fmt.Errorf("operation of site %q: period %s to %s is empty, open or longer than 100 years",
			record.Site, record.Period.Start.Format(time.RFC3339), record.Period.End.Format(time.RFC3339))
	}
	windows, bad1 := join(record.Windows, o.Period)
	releases, bad2 := join(record.Releases, o.Period)
	holds, bad3 := join(record.Holds, o.Period)
	o.Invalid = bad1 + bad2 + bad3
	open := windows.without(holds)
	used := open.and(releases)
	o.OfferedMinutes = windows.minutes()
	o.HeldMinutes = windows.and(holds).minutes()
	o.UsedMinutes = used.minutes()
	o.MissedMinutes = open.without(releases).minutes()
	o.ReleaseMinutes = releases.minutes()
	o.OutsideMinutes = releases.without(windows).minutes()
	o.HoldReleaseMinutes = releases.and(holds).minutes()
	each(record.Windows, o.Period, func(s Span) {
		o.Windows++
		if open.touches(s) {
			o.WindowsOpen++
		}
		if used.touches(s) {
			o.WindowsUsed++
		}
	})
	outside := releases.without(windows)
	each(record.Releases, o.Period, func(s Span) {
		o.Releases++
		if outside.touches(s) {
			o.ReleasesOutside++
		}
		if holds.touches(s) {
			o.ReleasesInHold++
		}
	})
	each(record.Holds, o.Period, func(Span) { o.Holds++ })
	o.share()
	return o, nil
}

// each calls f for the part in the period of each span that has one.
func each(all []Span, period Span, f func(Span)) {
	for _, s := range all {
		if !s.valid() {
			continue
		}
		if s, ok := s.cut(period); ok {
			f(s)
		}
	}
}

func (o *Operation) share() {
	o.UsedShare = quotient(o.UsedMinutes, o.UsedMinutes+o.MissedMinutes, "no window was open without a hold")
}

// TotalOperation adds up sites. The period is from the first start to the last end.
func TotalOperation(all []Operation) Operation {
	t := Operation{Site: fmt.Sprintf("%d sites", len(all))}
	for i, o := range all {
		if i == 0 || o.Period.Start.Before(t.Period.Start) {
			t.Period.Start = o.Period.Start
		}
		if i == 0 || o.Period.End.After(t.Period.End) {
			t.Period.End = o.Period.End
		}
		t.Windows += o.Windows
		t.Releases += o.Releases
		t.Holds += o.Holds
		t.Invalid += o.Invalid
		t.OfferedMinutes += o.OfferedMinutes
		t.HeldMinutes += o.HeldMinutes
		t.UsedMinutes += o.UsedMinutes
		t.MissedMinutes += o.MissedMinutes
		t.WindowsUsed += o.WindowsUsed
		t.WindowsOpen += o.WindowsOpen
		t.ReleaseMinutes += o.ReleaseMinutes
		t.OutsideMinutes += o.OutsideMinutes
		t.HoldReleaseMinutes += o.HoldReleaseMinutes
		t.ReleasesOutside += o.ReleasesOutside
		t.ReleasesInHold += o.ReleasesInHold
	}
	t.share()
	return t
}

func (o Operation) String() string {
	s := fmt.Sprintf("%s: %d windows offered %.0f min: %.0f held, %.0f used, %.0f missed; %d releases of %.0f min, %d of them with %.0f min outside windows",
		o.Site, o.Windows, o.OfferedMinutes, o.HeldMinutes, o.UsedMinutes, o.MissedMinutes, o.Releases, o.ReleaseMinutes, o.ReleasesOutside, o.OutsideMinutes)
	if o.ReleasesInHold > 0 {
		s += fmt.Sprintf("; %d RELEASES WITH %.0f MIN DURING A HOLD", o.ReleasesInHold, o.HoldReleaseMinutes)
	}
	return s
}

// Announced is an event and when it was first told of, zero for never.
type Announced struct {
	Start     time.Time
	Announced time.Time
}

// LeadTimes is the distribution of how long before its start an event was told of.
type LeadTimes struct {
	// Minutes of those that were announced, negative for afterwards.
	Minutes Distribution `json:"minutes"`
	// Unannounced were never told of; Late after they had begun.
	Unannounced int64 `json:"unannounced"`
	Late        int64 `json:"late"`
	// Within are shares of all events that were told of at least so long before.
	Within []WithinMinutes `json:"within"`
}

// WithinMinutes is the share of all cases that keep a limit.
type WithinMinutes struct {
	Minutes float64 `json:"minutes"`
	Share   Value   `json:"share"`
}

// leadLimits and delayLimits are round numbers to count by; common practice, no source.
var (
	leadLimits  = []float64{15, 30, 60, 180, 360, 720, 1440}
	delayLimits = []float64{1, 5, 10, 15, 30, 60}
)

// LeadTimesOf counts events; one without a start is invalid.
func LeadTimesOf(events []Announced) LeadTimes {
	var l LeadTimes
	var invalid int64
	minutes := make([]float64, 0, len(events))
	for _, e := range events {
		switch {
		case e.Start.IsZero():
			invalid++
		case e.Announced.IsZero():
			l.Unannounced++
		default:
			m := e.Start.Sub(e.Announced).Minutes()
			minutes = append(minutes, m)
			if m < 0 {
				l.Late++
			}
		}
	}
	l.Minutes = Distribute(minutes)
	l.Minutes.Counts.Invalid += invalid
	for _, limit := range leadLimits {
		kept := 0.0
		for _, m := range minutes {
			if m >= limit {
				kept++
			}
		}
		l.Within = append(l.Within, WithinMinutes{limit, quotient(kept, float64(len(minutes))+float64(l.Unannounced), "no events")})
	}
	return l
}

func (l LeadTimes) String() string {
	return fmt.Sprintf("lead time in minutes: %s; %d told of after their start, %d never", l.Minutes, l.Late, l.Unannounced)
}

// Raised is an alert and when somebody acknowledged it, zero for never.
type Raised struct {
	Raised       time.Time
	Acknowledged time.Time
}

// Acknowledgements is the distribution of the time until alerts were acknowledged.
type Acknowledgements struct {
	// Minutes of those that were. The unanswered are not in its quantiles, so that
	// with many of them these look too good: read Within.
	Minutes    Distribution `json:"minutes"`
	Unanswered int64        `json:"unanswered"`
	// Within are shares of all alerts, the unanswered too.
	Within []WithinMinutes `json:"within"`
}

// AcknowledgementsOf counts alerts; one without a time, or acknowledged before it
// was raised, is invalid.
func AcknowledgementsOf(alerts []Raised) Acknowledgements {
	var a Acknowledgements
	var invalid int64
	minutes := make([]float64, 0, len(alerts))
	for _, e := range alerts {
		switch {
		case e.Raised.IsZero() || !e.Acknowledged.IsZero() && e.Acknowledged.Before(e.Raised):
			invalid++
		case e.Acknowledged.IsZero():
			a.Unanswered++
		default:
			minutes = append(minutes, e.Acknowledged.Sub(e.Raised).Minutes())
		}
	}
	a.Minutes = Distribute(minutes)
	a.Minutes.Counts.Invalid += invalid
	for _, limit := range delayLimits {
		kept := 0.0
		for _, m := range minutes {
			if m <= limit {
				kept++
			}
		}
		a.Within = append(a.Within, WithinMinutes{limit, quotient(kept, float64(len(minutes))+float64(a.Unanswered), "no alerts")})
	}
	return a
}

func (a Acknowledgements) String() string {
	return fmt.Sprintf("acknowledged after minutes: %s; %d unanswered", a.Minutes, a.Unanswered)
}
