package message

import (
	"cmp"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
)

// gravity orders outcomes, the gravest last. What is none of the four cannot be
// judged.
func gravity(o hold.Outcome) int {
	switch o {
	case hold.Clear:
		return 0
	case hold.Review:
		return 1
	case hold.Held:
		return 3
	}
	return 2
}

// gravest are the results with the gravest first.
func (m Holds) gravest() []hold.Result {
	results := slices.Clone(m.Results)
	slices.SortStableFunc(results, func(a, b hold.Result) int { return gravity(b.Outcome) - gravity(a.Outcome) })
	return results
}

// outcomeWord is the outcome for people; unknown counts as held, and says so.
func outcomeWord(o hold.Outcome) string {
	switch gravity(o) {
	case 0:
		return "clear"
	case 1:
		return "review"
	case 3:
		return "held"
	}
	return "unknown"
}

// tally is "1 held, 1 unknown, 5 clear".
func (m Holds) tally() string {
	var n [4]int
	for _, r := range m.Results {
		n[gravity(r.Outcome)]++
	}
	switch {
	case len(m.Results) == 0:
		return "no criteria"
	case n[0] == 1 && len(m.Results) == 1:
		return "the one criterion is clear"
	case n[0] == len(m.Results):
		return fmt.Sprintf("all %d criteria are clear", n[0])
	}
	var parts []string
	for _, k := range []int{3, 2, 1, 0} {
		if n[k] > 0 {
			parts = append(parts, fmt.Sprintf("%d %s", n[k], [...]string{"clear", "review", "unknown", "held"}[k]))
		}
	}
	return strings.Join(parts, ", ")
}

// state is the gravest outcome.
func (m Holds) state() string {
	worst := hold.Clear
	for _, r := range m.Results {
		if gravity(r.Outcome) > gravity(worst) {
			worst = r.Outcome
		}
	}
	return outcomeWord(worst)
}

// where says which sites and targets a result concerns; empty for all.
func where(sites, targets []string) string {
	var parts []string
	if len(sites) > 0 {
		parts = append(parts, strings.Join(sites, ", "))
	}
	if len(targets) > 0 {
		parts = append(parts, "for "+strings.Join(targets, ", "))
	}
	return strings.Join(parts, " ")
}

// resultName is what people call a result, with where it holds.
func resultName(r hold.Result) string {
	name := firstOf(r.Name, r.Criterion, r.Key)
	if place := where(r.Sites, r.Targets); place != "" {
		name += " (" + place + ")"
	}
	return name
}

// mostNames of one outcome in a line.
const mostNames = 3

// names are the results by outcome, the gravest first: "held Flood stage, unknown
// Wind at the site (saddlehorn); 5 of 7 clear".
func (m Holds) names() string {
	var parts []string
	clear := 0
	for _, outcome := range []hold.Outcome{hold.Held, hold.Unknown, hold.Review} {
		var names []string
		more := 0
		for _, r := range m.Results {
			if gravity(r.Outcome) != gravity(outcome) {
				continue
			}
			if len(names) < mostNames {
				names = append(names, resultName(r))
			} else {
				more++
			}
		}
		if more > 0 {
			names = append(names, fmt.Sprintf("%d more", more))
		}
		if len(names) > 0 {
			parts = append(parts, outcomeWord(outcome)+" "+strings.Join(names, ", "))
		}
	}
	for _, r := range m.Results {
		if gravity(r.Outcome) == 0 {
			clear++
		}
	}
	if len(parts) == 0 {
		return m.tally()
	}
	return fmt.Sprintf("%s; %d of %d clear", strings.Join(parts, ", "), clear, len(m.Results))
}

// holdLine names what holds before it says why, since a line may be cut.
func holdLine(m Holds) (name, state, what string) {
	var reasons []string
	for _, r := range m.gravest() {
		if gravity(r.Outcome) > 0 {
			reasons = append(reasons, firstOf(r.Reason, "no reason known"))
		}
	}
	what = m.names()
	if len(reasons) > 0 {
		what += ": " + strings.Join(reasons, "; ")
	}
	return m.Programme, m.state(), what
}

func holdText(m Holds) []string {
	p := &paper{}
	at := stamp(m.At)
	head := "clear at " + at
	switch gravity(hold.Outcome(m.state())) {
	case 3:
		head = "HELD at " + at
	case 2:
		head = "HELD at " + at + ", since a criterion cannot be judged"
	case 1:
		head = "review before any release, at " + at
	}
	p.line("%s: %s; %s", m.Programme, head, m.tally())
	for _, r := range m.gravest() {
		text := outcomeWord(r.Outcome)
		if !r.Since.IsZero() {
			text += fmt.Sprintf(" since %s UTC", clock(r.Since, m.At))
		}
		if place := where(r.Sites, r.Targets); place != "" {
			text += ", " + place
		}
		p.row(firstOf(r.Name, r.Criterion, r.Key), text+": "+firstOf(r.Reason, "no reason known"))
		if gravity(r.Outcome) == 0 {
			if r.LiftedBy != "" {
				p.row("", "lifted by "+r.LiftedBy)
			}
			continue
		}
		if gravity(r.Condition) < gravity(r.Outcome) && r.Condition != "" {
			gone := "its cause is gone"
			if !r.EasedSince.IsZero() {
				gone += fmt.Sprintf(" since %s UTC", clock(r.EasedSince, m.At))
			}
			p.row("", gone)
		}
		if !r.LiftsAt.IsZero() {
			p.row("", fmt.Sprintf("lifts by itself at %s UTC, if nothing new comes", clock(r.LiftsAt, m.At)))
		}
		if r.WhatWouldLift != "" {
			p.row("", "what would lift it: "+r.WhatWouldLift)
		}
		if r.WhoMayLift != "" {
			p.row("", "who may lift it: "+r.WhoMayLift)
		}
		if r.Key != "" {
			p.row("", "its key: "+r.Key)
		}
	}
	p.row("judged because", m.Trigger)
	if gravity(hold.Outcome(m.state())) >= gravity(hold.Unknown) {
		p.row("caution", "what cannot be judged counts as held; release nothing that is held")
	}
	return p.lines
}

// person is who decided, with the role.
func person(by, role string) string {
	by = firstOf(by, "somebody without a name")
	if role != "" {
		return fmt.Sprintf("%s (%s)", by, role)
	}
	return by
}

func (m Order) state() string {
	switch m.Action {
	case OrderSet:
		return "hold set"
	case OrderLift:
		return "lifted"
	}
	return string(m.Action)
}

// what is what the order is about.
func (m Order) what(against time.Time) string {
	if m.Action == OrderLift {
		return firstOf(m.Lifts, "nothing that is named")
	}
	text := firstOf(where(m.Sites, m.Targets), "all sites and targets")
	if m.Until.IsZero() {
		return text + " until it is lifted"
	}
	return text + fmt.Sprintf(" until %s UTC", clock(m.Until, against))
}

func orderLine(m Order) (name, state, what string) {
	return m.Programme, m.state(), fmt.Sprintf("%s, by %s: %s", m.what(m.At), person(m.By, m.Role), firstOf(m.Reason, "no reason given"))
}

func orderText(m Order) []string {
	p := &paper{}
	switch m.Action {
	case OrderSet:
		p.line("%s: hold set at %s by %s", m.Programme, stamp(m.At), person(m.By, m.Role))
		p.row("suspends", m.what(m.At))
	case OrderLift:
		p.line("%s: hold lifted at %s by %s", m.Programme, stamp(m.At), person(m.By, m.Role))
		p.row("lifts", m.what(m.At))
	default:
		p.line("%s: order %q at %s by %s", m.Programme, m.Action, stamp(m.At), person(m.By, m.Role))
		p.row("of", m.what(m.At))
	}
	p.row("why", firstOf(m.Reason, "no reason given"))
	p.row("order", m.ID)
	if m.Action == OrderLift {
		p.row("caution", "a lift counts only where its person may lift this criterion and its cause is gone")
	}
	return p.lines
}

// extreme is the entry with the largest number; false where none is known.
func extreme[T any](list []T, number func(T) *float64) (most T, found bool) {
	for _, one := range list {
		if x := number(one); x != nil && (!found || *x > *number(most)) {
			most, found = one, true
		}
	}
	return most, found
}

// from is "radar of 05:36", or "forecast for 08:00".
func from(name string, at, against time.Time, issued time.Time) string {
	word := " of "
	if !issued.IsZero() {
		word = " for "
	}
	if at.IsZero() {
		return name
	}
	return name + word + clock(at, against)
}

func (c Conditions) texts() []string {
	var texts []string
	if p, ok := extreme(c.Precipitation, func(p Precipitation) *float64 { return p.MMPerH }); ok {
		text := fmt.Sprintf("precipitation up to %.1f mm/h over %s (%s)", *p.MMPerH, p.Place, from(p.From, p.Time, c.AsOf, p.Issued))
		if p.LiquidShare != nil {
			text += fmt.Sprintf(", %.0f %% rain", 100**p.LiquidShare)
		}
		texts = append(texts, text)
	}
	if l, ok := extreme(c.FreezingLevels, func(l FreezingLevel) *float64 { return l.AltitudeM }); ok {
		texts = append(texts, fmt.Sprintf("0 °C up to %.0f m over %s (%s)", *l.AltitudeM, l.Target, from(l.From, l.Time, c.AsOf, l.Issued)))
	}
	strongest := func(w Wind) *float64 {
		if w.GustMPerS != nil {
			return w.GustMPerS
		}
		return w.SpeedMPerS
	}
	if w, ok := extreme(c.Winds, strongest); ok {
		texts = append(texts, fmt.Sprintf("wind at %s %s (%s)", w.Site, windText(w), from(w.From, w.Time, c.AsOf, w.Issued)))
	}
	return texts
}

func windText(w Wind) string {
	var parts []string
	if w.SpeedMPerS != nil {
		parts = append(parts, fmt.Sprintf("%.0f m/s", *w.SpeedMPerS))
	}
	if w.GustMPerS != nil {
		parts = append(parts, fmt.Sprintf("gusts %.0f m/s", *w.GustMPerS))
	}
	if len(parts) == 0 {
		return "not known"
	}
	if w.FromDeg != nil {
		parts = append(parts, "from the "+compass(*w.FromDeg))
	}
	return strings.Join(parts, ", ")
}

func conditionsLine(m Conditions) (name, state, what string) {
	texts := append(m.texts(), m.Notes...)
	if len(texts) == 0 {
		texts = []string{"nothing could be found out"}
	}
	return m.Programme, "conditions", strings.Join(texts, "; ")
}

// mostRows of one list in a text; forecasts are long.
const mostRows = 40

func conditionsText(m Conditions) []string {
	p := &paper{}
	p.line("%s: conditions as of %s", m.Programme, stamp(m.AsOf))
	rows := 0
	row := func(label, number, source string, at, issued time.Time, suspect []string) {
		if rows++; rows > mostRows {
			return
		}
		text := number + ", " + from(source, at, m.AsOf, issued)
		if len(suspect) > 0 {
			text += "; suspect: " + strings.Join(suspect, "; ")
		}
		p.row(label, text)
	}
	end := func() {
		if rows > mostRows {
			p.row("", fmt.Sprintf("and %d more", rows-mostRows))
		}
		rows = 0
	}
	for _, x := range m.Precipitation {
		text := "precipitation not known"
		if x.MMPerH != nil {
			text = fmt.Sprintf("%.1f mm/h", *x.MMPerH)
		}
		if x.LiquidShare != nil {
			text += fmt.Sprintf(", %.0f %% rain", 100**x.LiquidShare)
		}
		if x.CoveredShare != nil && *x.CoveredShare < .995 {
			text += fmt.Sprintf(", %.0f %% of it seen", 100**x.CoveredShare)
		}
		row(x.Place, text, x.From, x.Time, x.Issued, x.Suspect)
	}
	end()
	for _, x := range m.FreezingLevels {
		text := "0 °C not known"
		if x.AltitudeM != nil {
			text = fmt.Sprintf("0 °C at %.0f m", *x.AltitudeM)
		}
		row(x.Target, text, x.From, x.Time, x.Issued, x.Suspect)
	}
	end()
	for _, x := range m.Winds {
		row(x.Site, "wind "+windText(x), x.From, x.Time, x.Issued, x.Suspect)
	}
	end()
	for _, text := range m.Notes {
		p.row("note", text)
	}
	return p.lines
}

// lastWord is what stands in the place of the site in the subject of an event.
func lastWord(e bus.Event) string { return e.Subject[strings.LastIndexByte(e.Subject, '.')+1:] }

// programmeOf is the programme in the subject of an event; empty where it has none.
func programmeOf(e bus.Event) string {
	if words := strings.Split(e.Subject, "."); len(words) == 4 {
		return words[1]
	}
	return ""
}

// compact is JSON without line breaks and spaces.
func compact(b json.RawMessage) string {
	var value any
	if json.Unmarshal(b, &value) != nil {
		return string(b)
	}
	if text, ok := value.(string); ok {
		return text
	}
	encoded, err := json.Marshal(value)
	if err != nil {
		return string(b)
	}
	return string(encoded)
}

func telemetryLine(e bus.Event, m json.RawMessage) (name, state, what string) {
	return lastWord(e), "telemetry", cut(compact(m), lineColumns)
}

func telemetryText(e bus.Event, m json.RawMessage) []string {
	p := &paper{}
	p.line("site %s: telemetry of %s, programme %s", lastWord(e), stamp(e.Time), programmeOf(e))
	var members map[string]json.RawMessage
	if json.Unmarshal(m, &members) != nil || len(members) == 0 {
		p.row("says", cut(compact(m), 400))
		return p.lines
	}
	names := make([]string, 0, len(members))
	for name := range members {
		names = append(names, name)
	}
	slices.SortFunc(names, func(a, b string) int {
		return cmp.Or(strings.Compare(strings.ToLower(a), strings.ToLower(b)), strings.Compare(a, b))
	})
	for k, name := range names {
		if k == mostRows {
			p.row("", fmt.Sprintf("and %d more", len(names)-mostRows))
			break
		}
		p.row(name, cut(compact(members[name]), 400))
	}
	return p.lines
}
