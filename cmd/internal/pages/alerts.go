package pages

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"rimeline/seedability/alert"
)

// alertsPage is the last alerts of a programme.
type alertsPage struct {
	head
	Alerts []alertLine
	Read   bool
	Shown  int
}

// alertLine is one alert.
type alertLine struct {
	ID      string
	Subject string
	Kind    string
	Sign    sign
	Raised  *instant
	Sites   []siteLink
	More    int
	Reasons []string
	// Certainty, Stoppers, LiftedBy and Lifts as the alert has them.
	Certainty       string
	Stoppers        []string
	LiftedBy, Lifts string
	Acks            []ackLine
	// Asks is set while nobody has answered an alert that asks for it.
	Asks       bool
	Deliveries []deliveryLine
	Note       string
}

type siteLink struct{ Href, Name string }

type ackLine struct {
	By, Via string
	At      *instant
}

type deliveryLine struct {
	Route, Outcome string
	Bad            bool
	At             *instant
	Error          string
}

// Alerts is the page of the last alerts of a programme.
func Alerts(root string, b Board, p *Programme) ([]byte, error) {
	f := newFace(b.Now, p.File.Location)
	v := alertsPage{head: p.head(root, b, "Alerts", "alerts"), Read: p.AlertsRead}
	v.Renew = true
	for k := range p.Alerts[:min(len(p.Alerts), 100)] {
		line := p.alertLine(&p.Alerts[k], f)
		for i := range line.Sites {
			line.Sites[i].Href = root + p.File.ID + "/" + line.Sites[i].Href
		}
		v.Alerts = append(v.Alerts, line)
	}
	v.Shown = len(v.Alerts)
	return write("alerts", v)
}

// head of a page of the programme.
func (p *Programme) head(root string, b Board, title, here string) head {
	name := firstName(p.File.Name, p.File.ID)
	return head{Title: title + " – " + name, Root: root, Exercise: b.Exercise, Now: newFace(b.Now, p.File.Location).at(b.Now),
		Programme: p.File.ID, ProgrammeName: name, Here: here}
}

func alertSign(a *alert.Alert) sign {
	over := a.Change == alert.ChangeOver
	switch {
	case a.Change == alert.ChangeAcknowledged:
		return sign{"clear", "taken"}
	case a.Kind == alert.HoldLifted && a.Change == alert.ChangeLowered:
		return sign{"review", "review"}
	case a.Kind == alert.HoldLifted && slices.ContainsFunc(a.Sites, func(s alert.SiteRef) bool { return s.Held != "" || s.NotReady != "" }):
		return sign{"hold", "still held"}
	case a.Kind == alert.HoldLifted:
		return sign{"clear", "lifted"}
	case a.Kind == alert.HoldRaised && a.Level == "review":
		return sign{"review", "review"}
	case a.Kind == alert.HoldRaised:
		return sign{"hold", "hold"}
	case over && (a.Kind == alert.WindowClosing || a.Kind == alert.WindowAhead || a.Kind == alert.WindowOpen):
		return sign{"quiet", "over"} // an end of a chance is no good news
	case over:
		return sign{"clear", "over"}
	case a.Kind == alert.ProgrammeBlind:
		return sign{"blind", "blind"}
	case a.Kind == alert.WindowOpen:
		return sign{"window", "window"}
	case a.Kind == alert.WindowAhead:
		return sign{"building", "ahead"}
	case a.Kind == alert.WindowClosing:
		return sign{"review", "closing"}
	}
	return sign{"unknown", "fault"}
}

func (p *Programme) alertLine(r *Alert, f face) alertLine {
	a := &r.Alert
	line := alertLine{ID: plain(a.ID, 300), Subject: plain(alert.Text(*a, p.File.Location).Subject, longText), Kind: strings.ReplaceAll(plain(string(a.Kind), longName), "-", " "),
		Sign: alertSign(a), Raised: f.at(a.Raised), Reasons: texts(a.Reasons), Certainty: plain(a.Certainty, longText), Stoppers: texts(a.Stoppers),
		LiftedBy: plain(a.LiftedBy, longText), Lifts: plain(a.Lifts, longText)}
	for _, s := range a.Sites {
		if p.File.Site(s.ID) == nil {
			continue
		}
		if len(line.Sites) >= 20 {
			line.More++
			continue
		}
		line.Sites = append(line.Sites, siteLink{sitePath(s.ID), p.siteName(s.ID)})
	}
	for _, k := range r.Acks[:min(len(r.Acks), longList)] {
		line.Acks = append(line.Acks, ackLine{By: firstName(k.By, "somebody"), Via: plain(k.Via, longName), At: f.at(k.At)})
	}
	line.Asks = a.NeedsAck && len(r.Acks) == 0 && a.AckBy == "" && a.Expires.After(f.now)
	for k := range r.Deliveries[:min(len(r.Deliveries), longList)] {
		d := &r.Deliveries[k]
		line.Deliveries = append(line.Deliveries, deliveryLine{Route: plain(d.Route, longName), Outcome: plain(string(d.Outcome), longName),
			Bad: d.Outcome != alert.DeliveryDelivered && d.Outcome != alert.DeliveryPending, At: f.at(d.At), Error: plain(d.Error, 300)})
	}
	if a.UnansweredS > 0 {
		line.Note = fmt.Sprintf("repeated, step %d of escalation", a.Escalation)
	}
	return line
}

// AckPage is what the form of acknowledgement shows.
type AckPage struct {
	// Alert that is asked about, by its id; Known is nil where it is no longer among
	// those that are kept at hand.
	Alert string
	Known *Alert
	// To is who was told.
	To string
	// Token goes into the form and nowhere else.
	Token string
	// Name and Problem are of a form that was sent and not taken.
	Name, Problem string
}

type ackView struct {
	head
	Alert   string
	To      string
	Token   string
	Name    string
	Problem string
	Line    *alertLine
	Short   string
	By      string
	At      *instant
}

// AckForm asks whether an alert shall be acknowledged.
func AckForm(root string, b Board, p *Programme, a AckPage) ([]byte, error) {
	v := p.ackView(root, b, "Acknowledge an alert", a)
	// A token is letters, digits and these; anything else is none.
	if strings.Trim(v.Token, "ABCDEFGHIJKLMNOPQRSTUVWXYZabcdefghijklmnopqrstuvwxyz0123456789-_.") != "" {
		v.Token = ""
	}
	return write("acknowledge", v)
}

// AckDone says that an alert was acknowledged.
func AckDone(root string, b Board, p *Programme, a AckPage, by string) ([]byte, error) {
	v := p.ackView(root, b, "Acknowledged", a)
	v.Token = ""
	v.By, v.At = plain(by, longName), newFace(b.Now, p.File.Location).at(b.Now)
	return write("acknowledged", v)
}

func (p *Programme) ackView(root string, b Board, title string, a AckPage) ackView {
	f := newFace(b.Now, p.File.Location)
	v := ackView{head: p.head(root, b, title, ""), Alert: plain(a.Alert, 300), To: plain(a.To, longName), Token: a.Token, Name: plain(a.Name, longName), Problem: plain(a.Problem, longText)}
	if a.Known != nil {
		line := p.alertLine(a.Known, f)
		for i := range line.Sites {
			line.Sites[i].Href = root + p.File.ID + "/" + line.Sites[i].Href
		}
		v.Line, v.Short = &line, line.Subject
	}
	v.Short = cmp.Or(v.Short, "Alert "+v.Alert)
	return v
}

// Problem is a page that says what went wrong, and what to do.
type problemView struct {
	head
	What string
	Do   string
}

// ProblemPage says in a sentence what went wrong, and in another what to do.
func ProblemPage(root, title, what, do string) ([]byte, error) {
	return write("problem", problemView{head: head{Title: plain(title, longText), Root: root}, What: plain(what, longText), Do: plain(do, longText)})
}
