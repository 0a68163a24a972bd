package main

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

type ackCommand struct {
	Alert     string `arg:"" optional:"" name:"alert-id" help:"Alert that is acknowledged: its id, or the end of it. Left out: the open ones are listed."`
	By        string `placeholder:"NAME" help:"Who has read it and takes care; needed to acknowledge."`
	All       bool   `help:"Acknowledge every open alert."`
	Programme string `placeholder:"ID" help:"Only alerts of this programme."`
	dutyFlags
}

func (ackCommand) Help() string {
	return `Acknowledges an alert: a person has read it and takes care. It is then no longer repeated, and nobody else is called in for it. What the alert is about stays as it is: a hold stays a hold. Without an id it lists the alerts of the last 24 h that wait for an acknowledgement.

Examples:

    rimeline ack
    rimeline ack 5e1a90b2c37d --by "Ada Quist"
    rimeline ack --all --by "Ada Quist" --json

Exit status: 0 acknowledged or listed, 1 there is no such alert, or it could not be recorded, 2 wrong usage.`
}

// openSince: alerts that are older are no longer asked for.
const openSince = 24 * time.Hour

// alertsOf is what was told of late, and what of it waits.
type alertsOf struct {
	byID map[string]*alert.Alert
	// newest of each alert and its repeats, by the id of the first; in order.
	newest map[string]*alert.Alert
	order  []string
	acks   map[string]message.Ack // by the id of the first
	over   map[string]bool        // replaced by later ones, or over
}

// keyOf is the id by which an alert and its repeats are acknowledged.
func keyOf(a *alert.Alert) string { return cmp.Or(a.First, a.ID) }

// recentAlerts reads alerts and acknowledgements of the last day, of the programme
// or of all.
func (d *desk) recentAlerts() (*alertsOf, error) {
	now, err := d.ServerTime(d.env, bus.Alert)
	if err != nil {
		return nil, err
	}
	since := now.Add(-openSince)
	l := &alertsOf{byID: map[string]*alert.Alert{}, newest: map[string]*alert.Alert{}, acks: map[string]message.Ack{}, over: map[string]bool{}}
	replacedAt := map[string]map[string]bool{} // sites of which an alert was replaced
	for stored, err := range d.ReadSince(d.env, bus.Alert, d.id, "", since) {
		if err != nil && stored.Sequence == 0 {
			return nil, err
		}
		a, err := message.As[alert.Alert](stored.Event)
		if err != nil || a.ID == "" || !isToken(a.Programme) || !strings.HasPrefix(stored.Subject, "rimeline."+a.Programme+".") {
			continue // not one of ours: nobody waits for an answer to it
		}
		key := keyOf(&a)
		if l.newest[key] == nil {
			l.order = append(l.order, key)
		}
		l.byID[a.ID], l.newest[key] = &a, &a
		ends := a.Change == alert.ChangeOver || a.Change == alert.ChangeLowered || a.Kind == alert.WindowClosing
		if !ends && !a.NeedsAck {
			continue
		}
		for _, before := range a.Supersedes {
			old := l.byID[before.ID]
			if old == nil || keyOf(old) == key {
				continue
			}
			// It may tell of some of its sites only; the others still wait.
			k := keyOf(old)
			if replacedAt[k] == nil {
				replacedAt[k] = map[string]bool{}
			}
			for _, site := range a.Sites {
				replacedAt[k][site.ID] = true
			}
			l.over[k] = l.over[k] || len(a.Sites) == 0 || len(old.Sites) > 0 && !slices.ContainsFunc(old.Sites, func(s alert.SiteRef) bool { return !replacedAt[k][s.ID] })
		}
	}
	for stored, err := range d.ReadSince(d.env, bus.Ack, d.id, "", since) {
		if err != nil && stored.Sequence == 0 {
			return nil, err
		}
		ack, err := message.As[message.Ack](stored.Event)
		if err != nil {
			continue
		}
		key := ack.Alert
		if a := l.byID[key]; a != nil {
			key = keyOf(a)
		}
		if a := l.newest[key]; a == nil || a.Programme != ack.Programme {
			continue
		}
		if _, first := l.acks[key]; !first {
			l.acks[key] = ack
		}
	}
	return l, nil
}

// open are the alerts that wait for an acknowledgement, oldest first.
func (l *alertsOf) open() []*alert.Alert {
	var open []*alert.Alert
	for _, key := range l.order {
		_, acked := l.acks[key]
		if a := l.newest[key]; a.NeedsAck && !acked && !l.over[key] {
			open = append(open, a)
		}
	}
	return open
}

// first is the alert that another repeats, where it is known.
func (l *alertsOf) first(a *alert.Alert) *alert.Alert {
	if first := l.byID[keyOf(a)]; first != nil {
		return first
	}
	return a
}

// find gives the alert of an id, or of the end of one.
func (l *alertsOf) find(id string) (*alert.Alert, error) {
	if a := l.byID[id]; a != nil {
		return l.newest[keyOf(a)], nil
	}
	found := map[string]*alert.Alert{}
	for _, a := range l.byID {
		if len(id) >= 6 && strings.HasSuffix(a.ID, id) {
			found[keyOf(a)] = l.newest[keyOf(a)]
		}
	}
	switch len(found) {
	case 1:
		for _, a := range found {
			return a, nil
		}
	case 0:
		return nil, fmt.Errorf("there is no alert %s of the last %.0f h", quoted(id), openSince.Hours())
	}
	return nil, fmt.Errorf("several alerts end in %s: %s", quoted(id), printable(strings.Join(slices.Sorted(maps.Keys(found)), ", ")))
}

// openAlerts is the list for programs.
type openAlerts struct {
	Open  []*alert.Alert `json:"open"`
	Notes []string       `json:"notes"`
}

// acknowledged is what a command did, for programs.
type acknowledged struct {
	// Acknowledged now, and Already before, by whoever it was.
	Acknowledged []message.Ack `json:"acknowledged"`
	Already      []message.Ack `json:"already"`
}

func (c *ackCommand) Run(env *environment) error {
	acknowledges := c.Alert != "" || c.All
	if c.Alert != "" && c.All {
		return usageError("--all is for every open alert; leave the id out")
	}
	if acknowledges && c.By == "" {
		return usageError("--by NAME is needed: who takes care")
	}
	by, err := plainText("--by", c.By, mostName, acknowledges)
	if err != nil {
		return err
	}
	id, err := plainText("ALERT-ID", c.Alert, 300, false)
	if err != nil {
		return err
	}
	d, err := c.openDeskFor(env, c.Programme, false)
	if err != nil {
		return err
	}
	defer d.Close()
	alerts, err := d.recentAlerts()
	if err != nil {
		return err
	}
	if !acknowledges {
		return c.list(env, d, alerts)
	}
	chosen := alerts.open()
	if id != "" {
		a, err := alerts.find(id)
		if err != nil {
			return err
		}
		chosen = []*alert.Alert{a}
	}
	return c.acknowledge(env, d, alerts, chosen, by)
}

// acknowledge records that somebody takes care.
func (c *ackCommand) acknowledge(env *environment, d *desk, alerts *alertsOf, chosen []*alert.Alert, by string) error {
	done := acknowledged{Acknowledged: []message.Ack{}, Already: []message.Ack{}}
	p := &page{w: env.Stdout}
	say := func(format string, arguments ...any) {
		if !env.JSON {
			p.printf(format, arguments...)
		}
	}
	var failed error
	for _, a := range chosen {
		what := printable(alert.Text(*alerts.first(a), d.zone).Subject)
		if before, acked := alerts.acks[keyOf(a)]; acked {
			done.Already = append(done.Already, before)
			say("Acknowledged already, by %s at %s: %s\n", printable(before.By), d.both(before.At), what)
			continue
		}
		ack := message.Ack{Programme: a.Programme, Alert: keyOf(a), By: by, At: d.now().Truncate(time.Second), Via: "command"}
		event, err := bus.NewEvent(bus.Ack, a.Programme, bus.Whole, ack.At, ack)
		if err == nil {
			_, err = d.Publish(env, event)
		}
		if err != nil {
			failed = errors.Join(failed, fmt.Errorf("%s: NOT acknowledged, or not known to be: %w", printable(keyOf(a)), err))
			continue
		}
		done.Acknowledged = append(done.Acknowledged, ack)
		say("Acknowledged by %s: %s\n", by, what)
		if !a.NeedsAck {
			say("Nobody waited for that: this alert asks for no acknowledgement.\n")
		}
	}
	switch {
	case len(chosen) == 0:
		say("No alert waits for an acknowledgement.\n")
	case len(done.Acknowledged) > 0:
		say("\n")
		if !env.JSON {
			p.paragraph("It is no longer repeated, and nobody else is called in. What it is about stays as it is: a hold stays until it is lifted.")
		}
	}
	if env.JSON {
		p.err = writeJSON(env.Stdout, done)
	}
	return errors.Join(failed, p.err)
}

func (c *ackCommand) list(env *environment, d *desk, alerts *alertsOf) error {
	open := openAlerts{Open: append([]*alert.Alert{}, alerts.open()...), Notes: []string{}}
	if d.id != "" {
		open.Notes = append(open.Notes, d.remarks()...)
	}
	if env.JSON {
		return writeJSON(env.Stdout, open)
	}
	p := &page{w: env.Stdout}
	d.sayNotes(p, open.Notes)
	switch len(open.Open) {
	case 0:
		p.printf("No alert of the last %.0f h waits for an acknowledgement.\n", openSince.Hours())
	case 1:
		p.printf("1 alert waits for an acknowledgement.\n")
	default:
		p.printf("%d alerts wait for an acknowledgement, oldest first.\n", len(open.Open))
	}
	for _, a := range open.Open {
		mark, first := "!", alerts.first(a)
		if a.Severity != alert.Severe {
			mark = "?"
		}
		text := alert.Text(*first, d.zone)
		p.printf("\n%s %s\n", mark, printable(text.Subject))
		waits := "raised " + d.both(first.Raised) + ", " + ago(d.now().Sub(first.Raised))
		if a.UnansweredS > 0 {
			waits += fmt.Sprintf(", told again %s", d.both(a.Raised))
		}
		if a.Escalation > 0 {
			waits += ", others are called in"
		}
		p.rows([2]string{"since", waits}, [2]string{"why", strings.Join(a.Reasons, "; ")}, [2]string{"take it", fmt.Sprintf("rimeline ack %s --by NAME", shortID(keyOf(a)))}, [2]string{"id", keyOf(a)})
	}
	return p.err
}

// shortID is enough of an id to be found by.
func shortID(id string) string {
	if end := id[strings.LastIndex(id, "-")+1:]; len(end) >= 6 {
		return printable(end)
	}
	return printable(id)
}
