package message

import (
	"encoding/xml"
	"fmt"
	"regexp"
	"strings"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
)

// alertLine begins with the subject of the alert as it goes out to people.
func alertLine(m alert.Alert) (name, state, what string) {
	what = alert.Text(m, time.UTC).Subject
	switch {
	case m.AckBy != "":
		what += "; taken by " + m.AckBy
	case m.NeedsAck:
		what += "; waits for an answer"
	}
	if len(m.Reasons) > 0 {
		what += ": " + strings.Join(m.Reasons, "; ")
	}
	return firstOf(m.Programme, m.ProgrammeName), "alert", what
}

// labelled is a line of an alert's text that begins with a label.
var labelled = regexp.MustCompile(`^([A-Z][a-z]+(?: [a-z]+)?): +(.*)$`)

func alertText(m alert.Alert) []string {
	p := &paper{}
	for line := range strings.Lines(alert.Text(m, time.UTC).Body) {
		line = strings.TrimSpace(line)
		switch parts := labelled.FindStringSubmatch(line); {
		case parts != nil:
			p.row(strings.ToLower(parts[1]), parts[2])
		case line == m.Caution || line == alert.Caution:
			p.row("caution", line)
		case line != "":
			p.line("%s", line)
		}
	}
	routes := "the message bus only"
	if len(m.Routes) > 0 {
		routes = strings.Join(m.Routes, ", ")
	}
	p.row("goes to", routes)
	if m.NeedsAck && m.AckBy == "" {
		p.row("answer", "it is repeated until somebody acknowledges it; its id is "+m.ID)
	}
	return p.lines
}

// capView is what is shown of a CAP message.
type capView struct {
	Identifier string `xml:"identifier"`
	Status     string `xml:"status"`
	MsgType    string `xml:"msgType"`
	Info       []struct {
		Headline    string `xml:"headline"`
		Description string `xml:"description"`
		Instruction string `xml:"instruction"`
		Expires     string `xml:"expires"`
	} `xml:"info"`
}

func readCAP(m CAPText) (v capView, err error) { return v, xml.Unmarshal([]byte(m), &v) }

func capLine(e bus.Event, m CAPText) (name, state, what string) {
	name = firstOf(programmeOf(e), lastWord(e))
	v, err := readCAP(m)
	if err != nil {
		return name, "cap", "no XML: " + err.Error()
	}
	what = firstOf(v.Status, "no status") + ", " + firstOf(v.MsgType, "no type") + ", " + firstOf(v.Identifier, "no identifier")
	if len(v.Info) > 0 {
		what += ": " + v.Info[0].Headline
	}
	return name, "cap", what
}

func capText(e bus.Event, m CAPText) []string {
	p := &paper{}
	v, err := readCAP(m)
	if err != nil {
		p.line("%s: CAP message of %s that is no XML", e.Subject, stamp(e.Time))
		p.row("why", err.Error())
		return p.lines
	}
	p.line("%s: CAP message of %s, %s, %s", firstOf(v.Identifier, e.Subject), stamp(e.Time), firstOf(v.Status, "no status"), firstOf(v.MsgType, "no type"))
	for k, info := range v.Info {
		if k == mostRows {
			break
		}
		p.row("headline", info.Headline)
		p.row("expires", info.Expires)
		p.row("description", cut(info.Description, 2000))
		p.row("instruction", cut(info.Instruction, 2000))
	}
	p.row("size", bytesText(int64(len(m))))
	return p.lines
}

// ackLine and ackText leave the token out: it is a key.
func ackLine(m Ack) (name, state, what string) {
	what = fmt.Sprintf("alert %s is taken by %s", firstOf(m.Alert, "without id"), firstOf(m.By, "somebody without a name"))
	if m.Via != "" {
		what += ", by " + m.Via
	}
	return m.Programme, "answered", what
}

func ackText(m Ack) []string {
	p := &paper{}
	p.line("%s: alert answered at %s", m.Programme, stamp(m.At))
	p.row("by", firstOf(m.By, "somebody without a name"))
	p.row("alert", m.Alert)
	p.row("came by", m.Via)
	return p.lines
}

func deliveryLine(m alert.Delivery) (name, state, what string) {
	what = fmt.Sprintf("alert %s, %s", m.AlertID, tries(m.Attempt))
	if m.Error != "" {
		what += ": " + m.Error
	}
	if !m.Next.IsZero() && !m.Outcome.Done() {
		what += fmt.Sprintf("; again at %s UTC", clock(m.Next, m.At))
	}
	return "route " + m.Route, firstOf(string(m.Outcome), "unknown"), what
}

func deliveryText(e bus.Event, m alert.Delivery) []string {
	p := &paper{}
	p.line("route %s: %s at %s, programme %s", m.Route, firstOf(string(m.Outcome), "unknown"), stamp(m.At), programmeOf(e))
	p.row("why", m.Error)
	p.row("alert", m.AlertID)
	p.row("tried", tries(m.Attempt))
	switch {
	case m.Outcome == alert.DeliveryRefused || m.Outcome == alert.DeliveryExpired:
		p.row("what now", "nobody was told by this route, and it is not tried again")
	case !m.Next.IsZero():
		p.row("what now", fmt.Sprintf("it is tried again at %s UTC", clock(m.Next, m.At)))
	}
	return p.lines
}

// seconds is a length of time that came from outside.
func seconds(s float64) string {
	return span(time.Duration(min(max(s, 0), 1e9) * float64(time.Second)))
}

// about is a number with a digit behind the point where it is small.
func about(x float64) string {
	if x < 9.95 {
		return fmt.Sprintf("%.1f", x)
	}
	return fmt.Sprintf("%.0f", x)
}

// adviceUnits is how much, and how often.
func adviceUnits(m alert.Advice) string {
	text := about(m.GramsTotal) + " g"
	if m.SpacingS <= 0 {
		return text + " without a break"
	}
	text += " in " + counted(int64(m.Units), "unit")
	if m.AtOnce > 1 {
		text += fmt.Sprintf(", %d together", m.AtOnce)
	}
	if m.Units > m.AtOnce {
		text += ", every " + seconds(m.SpacingS)
	}
	return text
}

func adviceLine(e bus.Event, m alert.Advice) (name, state, what string) {
	if m.Withheld {
		return m.Site, "no advice", firstOf(strings.Join(m.Reasons, "; "), "no reason known")
	}
	what = fmt.Sprintf("a release %s to %s UTC might do: %s", clock(m.ReleaseStart, e.Time), clock(m.ReleaseEnd, e.Time), adviceUnits(m))
	if m.CrystalsPerLitre != nil {
		what += fmt.Sprintf(", about %s crystals per litre", about(*m.CrystalsPerLitre))
	}
	return m.Site, "advice", what + "; the operator decides"
}

func adviceText(e bus.Event, m alert.Advice) []string {
	p := &paper{}
	if m.Withheld {
		p.line("%s: no advice at %s, programme %s", m.Site, stamp(e.Time), m.Programme)
	} else {
		p.line("%s: advice of %s, programme %s", m.Site, stamp(e.Time), m.Programme)
		p.row("release", fmt.Sprintf("%s to %s UTC", clock(m.ReleaseStart, e.Time), clock(m.ReleaseEnd, e.Time)))
		p.row("how much", adviceUnits(m))
		dose := "not known"
		if m.CrystalsPerLitre != nil {
			dose = fmt.Sprintf("about %s crystals per litre where the agent acts", about(*m.CrystalsPerLitre))
		}
		p.row("makes", dose)
	}
	for _, text := range m.Reasons {
		p.row("why", text)
	}
	for _, text := range m.Limits {
		p.row("limit", text)
	}
	p.row("caution", firstOf(m.Caution, alert.AdviceCaution))
	return p.lines
}

// amount is what was released.
func amount(m alert.Release) string {
	if m.Grams == 0 && m.Corrects != "" {
		return "nothing was released"
	}
	text := fmt.Sprintf("%s g of %s", about(m.Grams), firstOf(m.Agent, "an agent not named"))
	if m.Unit != "" {
		text += " from " + m.Unit
	}
	return text
}

func releaseLine(m alert.Release) (name, state, what string) {
	state = "released"
	what = fmt.Sprintf("%s to %s UTC, %s, recorded by %s", clock(m.Start, m.At), clock(m.End, m.At), amount(m), firstOf(m.Who, "somebody without a name"))
	if m.Corrects != "" {
		state, what = "corrected", what+", in place of "+m.Corrects
	}
	if m.Purpose != "" {
		what += ": " + m.Purpose
	}
	return m.Site, state, what
}

func releaseText(m alert.Release) []string {
	p := &paper{}
	p.line("%s: release recorded at %s, programme %s", m.Site, stamp(m.At), m.Programme)
	p.row("from", fmt.Sprintf("%s to %s UTC, %s", clock(m.Start, m.At), clock(m.End, m.At), span(m.End.Sub(m.Start))))
	p.row("how much", amount(m))
	p.row("purpose", m.Purpose)
	p.row("recorded by", firstOf(m.Who, "somebody without a name"))
	p.row("record", m.ID)
	if m.Corrects != "" {
		p.row("in place of", m.Corrects)
	}
	return p.lines
}
