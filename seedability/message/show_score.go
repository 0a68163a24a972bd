package message

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"rimeline/seedability"
	"rimeline/seedability/bus"
)

// plain are the names of components as people say them, with the unit's place.
var plain = map[string]struct{ name, number string }{
	seedability.ComponentLiquid:           {"liquid water", "%.2f mm"},
	seedability.ComponentTemperature:      {"temperature", "%.1f °C"},
	seedability.ComponentCloudTop:         {"cloud top", "%.0f °C"},
	seedability.ComponentDelivery:         {"lift over the barrier", "Froude number %.2f"},
	seedability.ComponentCrossBarrierWind: {"wind across the ridge", "%.0f m/s"},
	seedability.ComponentCloudDepth:       {"cloud depth", "%.0f m"},
	seedability.ComponentBand:             {"band", "%.2f likely"},
	seedability.ComponentNaturalIce:       {"natural ice", "%.0f dBZ"},
}

// plainName is the name of a component for people.
func plainName(c seedability.Component) string {
	if p, ok := plain[c.Name]; ok {
		return p.name
	}
	return strings.ReplaceAll(c.Name, "-", " ")
}

// plainNumber is its quantity with the unit; empty where it is not known.
func plainNumber(c seedability.Component) string {
	if c.Input == nil {
		return ""
	}
	if p, ok := plain[c.Name]; ok {
		return fmt.Sprintf(p.number, *c.Input)
	}
	number := fmt.Sprintf("%.3g", *c.Input)
	if c.Unit == "1" {
		return number
	}
	return number + " " + c.Unit
}

// stateOf is the state of the site: settled over several assessments where that
// was done, else that of this one.
func stateOf(a seedability.Assessment) (seedability.State, string) {
	if a.Standing != nil && a.Standing.State != "" {
		return a.Standing.State, a.Standing.Reason
	}
	return a.State, a.StateReason
}

func scoreNumber(a seedability.Assessment) string {
	if a.Score.Value == nil {
		return "no score"
	}
	return fmt.Sprintf("score %3.0f", *a.Score.Value)
}

func scoreLine(e bus.Event, a seedability.Assessment) (name, stateText, what string) {
	state, reason := stateOf(a)
	what = fmt.Sprintf("%-9s  sure %.2f  ", scoreNumber(a), a.Confidence.Value)
	if a.ReleaseTime.Sub(e.Time).Abs().Minutes() >= 1 {
		what += "release " + clock(a.ReleaseTime, e.Time) + ": "
	}
	switch state {
	case seedability.StateBlind:
		what += blindness(a, reason)
	case seedability.StateHold:
		what += reason
	case seedability.StateBuilding:
		what += reason
	default:
		what += heldBack(a)
	}
	return firstOf(a.Site.Name, a.Site.ID), string(state), what
}

// blindness says what is missing.
func blindness(a seedability.Assessment, reason string) string {
	if a.Score.Value != nil {
		if len(a.Confidence.Reasons) > 0 {
			reason += "; " + strings.Join(a.Confidence.Reasons, "; ")
		}
		return reason
	}
	for _, c := range a.Score.Components {
		if c.Value == nil && (c.Name == seedability.ComponentLiquid || c.Name == seedability.ComponentTemperature) {
			return plainName(c) + " is not known: " + c.Reason
		}
	}
	return reason
}

// heldBack names what takes most from the score, S = 100 sqrt(O P): of the
// components each takes its weight times the logarithm of its membership from
// ln O, a cap what lies above it, and the share that lands in the target counts
// like O. What takes less than one hundredth is not worth a word.
func heldBack(a seedability.Assessment) string {
	const worthAWord = .02 // of ln(O P), so about one point of a hundred
	most, text, sum := worthAWord, "nothing holds it back", 0.0
	weigh := func(loss float64, words func() string) {
		if loss > most {
			most, text = loss, "held back by "+words()
		}
	}
	for _, c := range a.Score.Components {
		if c.Value == nil || c.Weight <= 0 {
			continue
		}
		loss := math.Inf(1)
		if *c.Value > 0 {
			loss = -c.Weight * math.Log(*c.Value)
		}
		sum += loss
		weigh(loss, func() string {
			return strings.TrimSuffix(fmt.Sprintf("%s, %s: %s", plainName(c), plainNumber(c), c.Reason), ": ")
		})
	}
	for _, limit := range a.Score.Caps {
		if limit.Limit > 0 {
			weigh(-math.Log(limit.Limit)-sum, func() string { return "the dose: " + limit.Reason })
		} else {
			weigh(math.Inf(1), func() string { return "the dose: " + limit.Reason })
		}
	}
	if p := a.Score.TargetProbability; p != nil {
		weigh(-math.Log(*p), func() string { return "aim: " + aim(a) })
	}
	return text
}

// aim says where the ice falls.
func aim(a seedability.Assessment) string {
	if len(a.Transport.Targets) == 0 {
		return fmt.Sprintf("%.0f %% lands in a target", 100**a.Score.TargetProbability)
	}
	var texts []string
	landed := false
	for _, target := range a.Transport.Targets {
		text := fmt.Sprintf("%.0f %% lands in %s", 100*target.Probability, firstOf(target.Name, target.ID))
		// Where most of what landed elsewhere lies.
		elsewhere := []struct {
			members int
			where   string
		}{{target.Short, "short of it"}, {target.Past, "past it"}, {target.Beside, "beside it"}}
		slices.SortStableFunc(elsewhere, func(x, y struct {
			members int
			where   string
		}) int {
			return y.members - x.members
		})
		landed = landed || target.Inside+target.Short+target.Past+target.Beside > 0
		if m := elsewhere[0]; a.Transport.Members > 0 && 10*m.members > a.Transport.Members {
			text += fmt.Sprintf(", %.0f %% %s", 100*float64(m.members)/float64(a.Transport.Members), m.where)
		}
		texts = append(texts, text)
	}
	if fate, members := worstFate(a); members > 0 && (!landed || 2*members > a.Transport.Members) {
		if words, ok := fates[fate]; ok {
			fate = words
		}
		texts = append(texts, fmt.Sprintf("%.0f %% %s", 100*float64(members)/float64(max(a.Transport.Members, 1)), fate))
	}
	return strings.Join(texts, "; ")
}

// fates in other words, where those of the message need explaining.
var fates = map[string]string{
	"left the domain at its side": "leaves the area of the model",
	"left the domain at its top":  "leaves the model at its top",
	"ran out of time":             "is not down in time",
	"stayed too warm":             "stays too warm",
	"found no liquid":             "finds no liquid water",
	"trapped":                     "is trapped below the crest",
	"sublimated":                  "sublimates on its way down",
}

// worstFate is the most frequent reason why members did not land.
func worstFate(a seedability.Assessment) (fate string, members int) {
	for name, n := range a.Transport.Fates {
		if name != "landed" && (n > members || n == members && name < fate) {
			fate, members = name, n
		}
	}
	return fate, members
}

// minutes are the quantiles of a time after release.
func minutes(q seedability.Quantiles) string {
	if q.Q50 == nil {
		return ""
	}
	if q.Q10 == nil || q.Q90 == nil {
		return fmt.Sprintf("after %.0f min", *q.Q50)
	}
	return fmt.Sprintf("after %.0f min (%.0f to %.0f)", *q.Q50, *q.Q10, *q.Q90)
}

func scoreText(e bus.Event, a seedability.Assessment) []string {
	p := &paper{}
	state, reason := stateOf(a)
	score := "no score"
	if a.Score.Value != nil {
		score = fmt.Sprintf("score %.0f of 100", *a.Score.Value)
	}
	p.line("%s: %s, %s, sure %.2f", firstOf(a.Site.Name, a.Site.ID), state, score, a.Confidence.Value)
	p.row("judged", fmt.Sprintf("%s for release at %s UTC, programme %s", stamp(e.Time), clock(a.ReleaseTime, e.Time), a.Programme))
	if a.Standing != nil && !a.Standing.Since.IsZero() {
		since := fmt.Sprintf("%s since %s UTC", state, clock(a.Standing.Since, e.Time))
		if a.Standing.Before != "" {
			since += fmt.Sprintf(", %s before", a.Standing.Before)
		}
		reason = since + ": " + reason
	}
	p.row("why", reason)
	for _, c := range a.Score.Components {
		if c.Value == nil {
			p.row(plainName(c), "not known: "+c.Reason)
			continue
		}
		p.row(plainName(c), strings.TrimSuffix(fmt.Sprintf("%s, worth %.2f: %s", plainNumber(c), *c.Value, c.Reason), ": "))
	}
	for _, limit := range a.Score.Caps {
		p.row("dose", fmt.Sprintf("%s; the opportunity is held to %.1f", limit.Reason, limit.Limit))
	}
	if a.Score.TargetProbability != nil {
		p.row("aim", aim(a))
	}
	if text := minutes(a.Transport.ActivationMinutes); text != "" {
		p.row("agent acts", text)
	}
	if text := minutes(a.Transport.LandingMinutes); text != "" {
		if l := a.Transport.Landing; l != nil {
			text += fmt.Sprintf(", %.0f km %s of the site", l.DistanceM/1000, compass(l.BearingDeg))
		}
		p.row("ice lands", text)
	}
	for _, text := range a.Transport.Trapped {
		p.row("trapped", text)
	}
	for _, b := range a.Bands {
		p.row(fmt.Sprintf("%s %d", b.Kind, b.ID), bandText(b, e))
	}
	for _, text := range a.Confidence.Reasons {
		p.row("how sure", text)
	}
	for _, text := range a.Notes {
		p.row("note", text)
	}
	for _, text := range a.Cautions {
		p.row("caution", text)
	}
	return p.lines
}

func bandText(b seedability.BandPassage, e bus.Event) string {
	text := fmt.Sprintf("over the zone %s to %s UTC, strongest %s with %.0f dBZ, %.0f %% likely",
		clock(b.Arrival.Time, e.Time), clock(b.End.Time, e.Time), clock(b.Peak.Time, e.Time), b.PeakDBZ, 100*b.Probability)
	if r := b.Release; r.Start != nil && r.Best != nil && r.End != nil {
		return text + fmt.Sprintf("; to meet it release %s to %s UTC, best %s", clock(*r.Start, e.Time), clock(*r.End, e.Time), clock(*r.Best, e.Time))
	}
	return text + "; release to meet it: " + b.Release.State
}
