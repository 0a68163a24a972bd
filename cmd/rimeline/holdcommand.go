package main

import (
	"cmp"
	"context"
	"crypto/rand"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// holdCommand is what persons do about holds.
type holdCommand struct {
	Set  holdSetCommand  `cmd:"" help:"Suspend releases: of the whole programme, or of some sites or targets."`
	Lift holdLiftCommand `cmd:"" help:"Lift a hold: one that a person set, or one of a criterion whose cause is gone."`
	List holdListCommand `cmd:"" help:"Show every criterion as it was judged last, and the holds that persons set."`
}

// orderWait is how long a command waits for the service to judge an order; common
// practice, no source.
const orderWait = 10 * time.Second

// tellThem goes with what a person decided.
const tellThem = "Nothing is sent to hardware, and nobody at a site is told by this: tell them. Permit, licensed operator, local code and any order of an authority prevail."

// person is who gives an order.
type person struct {
	By     string `required:"" placeholder:"NAME" help:"Who decides: the name that stands in the record."`
	Role   string `placeholder:"ROLE" help:"In which role, as the programme file names those who may lift (may_lift)."`
	Reason string `required:"" placeholder:"TEXT" help:"Why, in one line."`
}

func (p *person) check() (err error) {
	if p.By, err = plainText("--by", p.By, mostName, true); err != nil {
		return err
	}
	if p.Role, err = plainText("--role", p.Role, mostName, false); err != nil {
		return err
	}
	p.Reason, err = plainText("--reason", p.Reason, mostReason, true)
	return err
}

// who is the person for people.
func who(by, role string) string {
	if role == "" {
		return printable(by)
	}
	return printable(by) + " (" + printable(role) + ")"
}

type holdSetCommand struct {
	Programme string   `placeholder:"ID" help:"Of which programme; left out: the only one on the bus."`
	Site      []string `placeholder:"ID" help:"Only releases of this site; repeat for several. Left out: of every site."`
	Target    []string `placeholder:"ID" help:"Only releases for this target; repeat for several. Left out: for every target."`
	person
	Until string        `placeholder:"TIME" xor:"end" help:"When it ends by itself: 18:30 or \"2026-02-03 18:30\" in the programme's zone, or 2026-02-04T01:30:00Z."`
	For   time.Duration `placeholder:"6h" xor:"end" help:"For how long from now. Without --until or --for it lasts until it is lifted."`
	dutyFlags
}

func (holdSetCommand) Help() string {
	return `Records that a person suspends releases, and waits up to 10 s until the service has judged it: from then on the sites are on hold, and alerts go out. The record is kept and cannot be changed; lifting is a record of its own. The same command within a minute is recognised and recorded once.

Examples:

    rimeline hold set --by "Ada Quist" --reason "crew on the road below Saddlehorn"
    rimeline hold set --by "Ada Quist" --reason "rack is serviced" --site saddlehorn --for 3h
    rimeline hold set --by "Ada Quist" --reason "order of the county" --until "2026-02-04 06:00" --json

Exit status: 0 recorded and in force, 1 not recorded, or recorded and not judged in time (said on standard error), 2 wrong usage.

` + tellThem
}

// orderOutcome is what came of an order, for programs.
type orderOutcome struct {
	Programme string `json:"programme"`
	// Order that was given; of one that was recorded before, that one.
	Order message.Order `json:"order"`
	// Recorded now; false where it was so before.
	Recorded bool `json:"recorded"`
	// Effect is in_force, lifted, standing (a lift that lifts nothing: see results),
	// or waiting (the service has not judged it).
	Effect string `json:"effect"`
	// JudgedAt and Results are of the newest judgement, as far as it is about the order.
	JudgedAt time.Time     `json:"judged_at,omitzero"`
	Results  []hold.Result `json:"results"`
	Notes    []string      `json:"notes"`
}

// Effects of an order.
const (
	effectInForce  = "in_force"
	effectLifted   = "lifted"
	effectStanding = "standing"
	effectWaiting  = "waiting"
)

// longestHold bounds the end of a hold, against slips of the pen.
const longestHold = 366 * 24 * time.Hour

func (c *holdSetCommand) Run(env *environment) error {
	if err := c.check(); err != nil {
		return err
	}
	if c.For < 0 {
		return usageError("--for must be above 0")
	}
	d, err := c.openDesk(env, c.Programme)
	if err != nil {
		return err
	}
	defer d.Close()
	order, err := c.order(d)
	if err != nil {
		return err
	}
	orders, err := d.orders()
	if err != nil {
		return err
	}
	before, err := d.LastSequence(env, bus.Hold)
	if err != nil {
		return err
	}
	outcome := orderOutcome{Programme: d.id, Order: order, Results: []hold.Result{}, Notes: d.remarks()}
	if earlier := sameOrder(orders, order); earlier != nil {
		outcome.Order = *earlier
	} else {
		if err := d.give(order); err != nil {
			return err
		}
		outcome.Recorded = true
	}
	if !env.JSON {
		c.sayRecorded(env, d, &outcome)
	}
	ours := func(h *message.Holds) (results []hold.Result) {
		for _, r := range h.Results {
			if r.Kind == hold.KindManual && strings.HasSuffix(r.Key, "/"+outcome.Order.ID) {
				results = append(results, r)
			}
		}
		return results
	}
	newest, seen, err := d.awaitHolds(before, true, func(h *message.Holds) bool { return len(ours(h)) > 0 })
	if err != nil {
		return err
	}
	outcome.Effect = effectWaiting
	if newest != nil {
		outcome.JudgedAt, outcome.Results = newest.At, append(outcome.Results, ours(newest)...)
	}
	if seen {
		outcome.Effect = effectInForce
	}
	return c.report(env, d, &outcome)
}

// order is what the flags say.
func (c *holdSetCommand) order(d *desk) (message.Order, error) {
	var none message.Order
	if err := tokens("--site", c.Site, d.sites); err != nil {
		return none, err
	}
	if d.file == nil && len(c.Target) > 0 {
		d.notes = append(d.notes, "The targets of the programme are not known here: a wrong name holds nothing.")
	}
	if err := tokens("--target", c.Target, d.targets()); err != nil {
		return none, err
	}
	if d.sites == nil && len(c.Site) > 0 {
		d.notes = append(d.notes, "The sites of the programme are not known here: a wrong name holds nothing.")
	}
	order := message.Order{ID: newOrderID(), Programme: d.id, Action: message.OrderSet, At: d.now().Truncate(time.Second), By: c.By, Role: c.Role, Reason: c.Reason,
		Sites: c.Site, Targets: c.Target}
	switch {
	case c.For > 0:
		order.Until = order.At.Add(c.For)
	case c.Until != "":
		var err error
		if order.Until, err = d.moment("--until", c.Until, true); err != nil {
			return none, err
		}
	}
	if !order.Until.IsZero() && (!order.Until.After(order.At) || order.Until.After(order.At.Add(longestHold))) {
		return none, usageError(fmt.Sprintf("the hold would end at %s: an end lies ahead, within 366 days; without one it lasts until it is lifted", d.both(order.Until)))
	}
	return order, nil
}

// newOrderID is short enough to be typed, and unique by chance: 50 bits.
func newOrderID() string {
	return strings.ToLower(rand.Text()[:10])
}

// sameOrder finds an order that says the same and is at most a minute old: the
// command was given twice.
func sameOrder(orders []message.Order, o message.Order) *message.Order {
	manual, _ := ordersToEvidence(orders)
	for k := range orders {
		e := &orders[k]
		inForce := slices.ContainsFunc(manual, func(m hold.ManualHold) bool { return m.ID == e.ID && m.LiftedAt.IsZero() })
		if e.Action == o.Action && inForce && o.At.Sub(e.At).Abs() <= time.Minute && e.By == o.By && e.Role == o.Role && e.Reason == o.Reason &&
			slices.Equal(e.Sites, o.Sites) && slices.Equal(e.Targets, o.Targets) && e.Until.IsZero() == o.Until.IsZero() && e.Until.Sub(o.Until).Abs() <= time.Minute {
			return e
		}
	}
	return nil
}

// orders of the programme, in the order of the stream. One that cannot be read
// counts as the service counts it.
func (d *desk) orders() ([]message.Order, error) {
	orders := []message.Order{}
	for stored, err := range d.ReadSince(d.env, bus.Order, d.id, "", time.Time{}) {
		if err != nil && stored.Sequence == 0 {
			return nil, err
		}
		o, unread := message.As[message.Order](stored.Event)
		if err != nil || unread != nil {
			o = unreadableOrder(d.id, stored.Sequence, stored.Time)
		}
		orders = append(orders, o)
	}
	return orders, nil
}

// give records an order.
func (d *desk) give(o message.Order) error {
	event, err := bus.NewEvent(bus.Order, d.id, string(o.Action), o.At, o)
	if err != nil {
		return err
	}
	if _, err := d.Publish(d.env, event); err != nil {
		return fmt.Errorf("NOT recorded, or not known to be: %w; try again", err)
	}
	return nil
}

// holds is the newest judgement; nil where there is none.
func (d *desk) holds() (*message.Holds, error) {
	event, found, err := d.Latest(d.env, bus.Hold, d.id, bus.Whole)
	if err != nil || !found {
		return nil, err
	}
	h, err := message.As[message.Holds](event)
	if err != nil {
		return nil, fmt.Errorf("newest judgement of the criteria: %w", err)
	}
	return &h, nil
}

// awaitHolds waits for a judgement that is what is waited for, of those stored after
// message before, and of the newest there is where that may be it. It gives the
// newest when the time is up.
func (d *desk) awaitHolds(before uint64, present bool, enough func(*message.Holds) bool) (newest *message.Holds, seen bool, err error) {
	if newest, err = d.holds(); err != nil {
		return nil, false, err
	}
	if present && newest != nil && enough(newest) {
		return newest, true, nil
	}
	waiting, cancel := context.WithTimeout(d.env, orderWait)
	defer cancel()
	for stored, err := range d.Follow(waiting, bus.FollowOptions{Kinds: []bus.Kind{bus.Hold}, Programme: d.id, Since: bus.FromSequence(before + 1)}) {
		var h message.Holds
		if err == nil {
			h, err = message.As[message.Holds](stored.Event)
		}
		if err != nil {
			if stored.Sequence == 0 && waiting.Err() == nil {
				return newest, false, err
			}
			continue
		}
		newest = &h
		if enough(newest) {
			return newest, true, nil
		}
	}
	return newest, false, d.env.Err()
}

// scope is what a result or an order of the programme holds.
func (d *desk) scope(sites, targets []string) string {
	all := func(named, there []string) bool {
		return len(there) > 0 && !slices.ContainsFunc(there, func(id string) bool { return !slices.Contains(named, id) })
	}
	if d.file != nil && all(sites, d.sites) {
		sites = nil
	}
	if all(targets, d.targets()) {
		targets = nil
	}
	return scope(sites, targets)
}

// targets of the programme; nil where they are not known.
func (d *desk) targets() (ids []string) {
	if d.file != nil {
		for k := range d.file.Targets {
			ids = append(ids, d.file.Targets[k].ID)
		}
	}
	return ids
}

func scope(sites, targets []string) string {
	text := "every release"
	if len(sites) > 0 {
		text = "releases of " + printable(strings.Join(sites, ", "))
	}
	if len(targets) > 0 {
		text += " for " + printable(strings.Join(targets, ", "))
	}
	return text
}

func (d *desk) until(t time.Time) string {
	if t.IsZero() {
		return "it is lifted"
	}
	return d.both(t)
}

func (c *holdSetCommand) sayRecorded(env *environment, d *desk, o *orderOutcome) {
	p := &page{w: env.Stdout}
	verb := "Recorded"
	if !o.Recorded {
		verb = "Recorded already, a moment ago"
	}
	p.printf("%s: hold %s of %s.\n", verb, o.Order.ID, d.name())
	p.rows([2]string{"holds", d.scope(o.Order.Sites, o.Order.Targets)}, [2]string{"from", d.both(o.Order.At)}, [2]string{"until", d.until(o.Order.Until)},
		[2]string{"by", who(o.Order.By, o.Order.Role)}, [2]string{"reason", o.Order.Reason})
	d.sayNotes(p, o.Notes)
	p.printf("Waiting up to %.0f s for the service to judge it.\n", orderWait.Seconds())
}

func (d *desk) sayNotes(p *page, notes []string) {
	for _, note := range notes {
		p.printf("Note: %s\n", printable(note))
	}
}

func (c *holdSetCommand) report(env *environment, d *desk, o *orderOutcome) error {
	if env.JSON {
		if err := writeJSON(env.Stdout, o); err != nil {
			return err
		}
	}
	if o.Effect == effectWaiting {
		env.warn("hold %s is recorded, and not yet in force: %s", o.Order.ID, d.whenSeen())
		return errReported
	}
	if env.JSON {
		return nil
	}
	p := &page{w: env.Stdout}
	p.printf("In force since %s.\n", d.both(o.Results[0].Since))
	p.printf("To lift it: rimeline hold lift %s --programme %s --by NAME --reason TEXT\n\n", o.Order.ID, d.id)
	p.paragraph(tellThem)
	return p.err
}

// whenSeen says when the service will judge what was recorded.
func (d *desk) whenSeen() string {
	if !d.alive() {
		return fmt.Sprintf("no service has said anything for %.0f min; it counts when one runs and judges %s. Until then nothing of this program suspends anything: tell people yourself", silentAfter.Minutes(), d.id)
	}
	return fmt.Sprintf("the service runs and has not judged it within %.0f s; it looks again within 5 min, and \"rimeline hold list --programme %s\" shows it then", orderWait.Seconds(), d.id)
}

type holdLiftCommand struct {
	What      string `arg:"" name:"what" help:"Id of a hold that a person set; or a criterion, or its key (criterion/site), as \"hold list\" shows it."`
	Programme string `placeholder:"ID" help:"Of which programme; left out: the only one on the bus."`
	person
	dutyFlags
}

func (holdLiftCommand) Help() string {
	return `Records that a person lifts a hold, and waits up to 10 s until the service has judged it. A hold of a criterion is lifted only when its cause is gone, and by those whom the programme file names (may_lift); --by or --role must be one of them. While the cause stands the lift is recorded and lifts nothing: give it again later.

Examples:

    rimeline hold lift k7m2q9xd4p --by "Ada Quist" --reason "crew is back"
    rimeline hold lift ridge-wind/saddlehorn --by "Ada Quist" --role "duty forecaster" --reason "gusts are over"

Exit status: 0 lifted, 1 not lifted (said on standard error), 2 wrong usage.

` + tellThem
}

func (c *holdLiftCommand) Run(env *environment) error {
	if err := c.check(); err != nil {
		return err
	}
	what, err := plainText("WHAT", c.What, 200, true)
	if err != nil {
		return err
	}
	d, err := c.openDesk(env, c.Programme)
	if err != nil {
		return err
	}
	defer d.Close()
	orders, err := d.orders()
	if err != nil {
		return err
	}
	newest, err := d.holds()
	if err != nil {
		return err
	}
	lift, err := d.find(what, orders, newest)
	if err != nil {
		return err
	}
	o := orderOutcome{Programme: d.id, Results: []hold.Result{}, Notes: d.remarks(),
		Order: message.Order{ID: newOrderID(), Programme: d.id, Action: message.OrderLift, At: d.now().Truncate(time.Second), By: c.By, Role: c.Role, Reason: c.Reason, Lifts: lift.what}}
	if lift.over != "" {
		return c.reportOver(env, d, lift, &o)
	}
	before, err := d.LastSequence(env, bus.Hold)
	if err != nil {
		return err
	}
	if err := d.give(o.Order); err != nil {
		return err
	}
	o.Recorded = true
	if !env.JSON {
		p := &page{w: env.Stdout}
		p.printf("Recorded: lift of %s of %s.\n", lift.name(), d.name())
		p.rows([2]string{"by", who(c.By, c.Role)}, [2]string{"reason", c.Reason}, [2]string{"at", d.both(o.Order.At)})
		d.sayNotes(p, o.Notes)
		p.printf("Waiting up to %.0f s for the service to judge it.\n", orderWait.Seconds())
	}
	newest, seen, err := d.awaitHolds(before, false, func(h *message.Holds) bool {
		results := lift.results(h)
		// A judgement of before the lift may still be on its way.
		return !holding(results) || !lift.manual && !h.At.Before(o.Order.At)
	})
	if err != nil {
		return err
	}
	o.Effect = effectWaiting
	if newest != nil {
		o.JudgedAt, o.Results = newest.At, append(o.Results, lift.results(newest)...)
		// A judgement that changes nothing may not be published before some minutes.
		stands := slices.ContainsFunc(o.Results, func(r hold.Result) bool {
			return r.Outcome != hold.Clear && (r.Condition != hold.Clear || !mayLift(&r, c.By, c.Role))
		})
		switch {
		case seen && !holding(o.Results):
			o.Effect = effectLifted
		case seen, !lift.manual && stands && holding(o.Results):
			o.Effect = effectStanding
		}
	}
	return c.report(env, d, lift, &o)
}

// lifting is what a lift is for.
type lifting struct {
	// what stands in the order.
	what string
	// manual: it is a hold that a person set; its result's key ends in its id.
	manual bool
	// over says why there is nothing to lift.
	over string
}

func (l *lifting) name() string {
	if l.manual {
		return "hold " + l.what
	}
	return printable(l.what)
}

// results of a judgement that the lift is for.
func (l *lifting) results(h *message.Holds) (results []hold.Result) {
	for _, r := range h.Results {
		if l.manual && r.Kind == hold.KindManual && strings.HasSuffix(r.Key, "/"+l.what) || !l.manual && (r.Key == l.what || r.Criterion == l.what) {
			results = append(results, r)
		}
	}
	return results
}

// holding: one of the results is more than clear.
func holding(results []hold.Result) bool {
	return slices.ContainsFunc(results, func(r hold.Result) bool { return r.Outcome != hold.Clear })
}

// find tells what a lift is for, or what there is to lift.
func (d *desk) find(what string, orders []message.Order, newest *message.Holds) (*lifting, error) {
	manual, _ := ordersToEvidence(orders)
	last := what[strings.LastIndex(what, "/")+1:]
	for _, m := range manual {
		l := &lifting{what: m.ID, manual: true}
		if what != m.ID && (last != m.ID || newest == nil || !slices.ContainsFunc(l.results(newest), func(r hold.Result) bool { return r.Key == what })) {
			continue
		}
		switch {
		case !m.LiftedAt.IsZero():
			l.over = fmt.Sprintf("it was lifted by %s at %s", printable(m.LiftedBy), d.both(m.LiftedAt))
		case !m.Until.IsZero() && !m.Until.After(d.now()):
			l.over = "it ended at " + d.both(m.Until)
		}
		return l, nil
	}
	l := &lifting{what: what}
	var names []string
	for _, m := range manual {
		if m.LiftedAt.IsZero() && (m.Until.IsZero() || m.Until.After(d.now())) {
			names = append(names, m.ID)
		}
	}
	there := false
	if newest != nil {
		if of := l.results(newest); len(of) > 0 && !slices.ContainsFunc(of, func(r hold.Result) bool { return r.Kind != hold.KindManual || strings.Contains(what, "/") }) {
			return nil, fmt.Errorf("%s is all holds that persons set; name one: %s", printable(what), cmp.Or(strings.Join(names, ", "), "there are none"))
		}
		for _, r := range newest.Results {
			if r.Outcome != hold.Clear && r.Kind != hold.KindManual {
				names = append(names, r.Key)
			}
		}
		if there = len(l.results(newest)) > 0; there && !holding(l.results(newest)) {
			l.over = "it is clear"
		}
	}
	if d.file != nil && !there {
		for k := range d.file.Holds {
			there = there || d.file.Holds[k].ID == what
		}
	}
	if !there && newest == nil && d.file == nil {
		d.notes = append(d.notes, "No criterion was judged yet, so that nobody can say whether there is one of this name.")
		there = true
	}
	if there {
		return l, nil
	}
	if len(names) == 0 {
		return nil, fmt.Errorf("there is no hold %s, and nothing else to lift", quoted(what))
	}
	return nil, fmt.Errorf("there is no hold %s; there are %s", quoted(what), printable(strings.Join(names, ", ")))
}

// reportOver: nothing was recorded, since there is nothing to lift.
func (c *holdLiftCommand) reportOver(env *environment, d *desk, l *lifting, o *orderOutcome) error {
	o.Effect = effectLifted
	o.Notes = append(o.Notes, "Nothing to lift: "+l.over+".")
	if env.JSON {
		return writeJSON(env.Stdout, o)
	}
	p := &page{w: env.Stdout}
	p.printf("Nothing to lift, and nothing recorded: %s of %s: %s.\n", l.name(), d.name(), l.over)
	return p.err
}

func (c *holdLiftCommand) report(env *environment, d *desk, l *lifting, o *orderOutcome) error {
	if env.JSON {
		if err := writeJSON(env.Stdout, o); err != nil {
			return err
		}
	}
	switch o.Effect {
	case effectWaiting:
		env.warn("the lift of %s is recorded, and not yet judged: %s", l.name(), d.whenSeen())
		return errReported
	case effectStanding:
		for _, r := range o.Results {
			if r.Outcome != hold.Clear {
				env.warn("%s is NOT lifted: %s", printable(r.Key), notLifted(&r, o.Order.By, o.Order.Role))
			}
		}
		env.warn("the lift is on record; give it again when this has changed")
		return errReported
	}
	if env.JSON {
		return nil
	}
	p := &page{w: env.Stdout}
	p.printf("Lifted, judged at %s.\n", d.both(o.JudgedAt))
	if newest, err := d.holds(); err == nil && newest != nil {
		if left := countOutcomes(newest.Results); left.suspend > 0 {
			p.printf("Others still suspend: %s. See \"rimeline hold list --programme %s\".\n", left, d.id)
		}
	}
	p.printf("\n")
	p.paragraph(tellThem)
	return p.err
}

// mayLift: the person is one of those who may lift a result, as it names them.
func mayLift(r *hold.Result, by, role string) bool {
	for _, who := range strings.Split(strings.TrimSuffix(r.WhoMayLift, " (lifts by itself)"), ", ") {
		if who = strings.TrimSpace(who); who != "" && (strings.EqualFold(who, by) || strings.EqualFold(who, role)) {
			return true
		}
	}
	return false
}

// notLifted says why a result stands although it was lifted.
func notLifted(r *hold.Result, by, role string) string {
	reason := printable(r.Reason)
	switch {
	case r.Condition == hold.Unknown:
		return "it cannot be judged whether its cause is gone: " + reason
	case r.Condition != hold.Clear:
		return "its cause stands: " + reason
	}
	return fmt.Sprintf("its cause is gone, and it may be lifted by %s; this was %s", printable(r.WhoMayLift), who(by, role))
}

type holdListCommand struct {
	Programme string `placeholder:"ID" help:"Of which programme; left out: the only one on the bus."`
	All       bool   `help:"Also every hold that was ever set or lifted by a person."`
	dutyFlags
}

func (holdListCommand) Help() string {
	return `Shows the outcome of every suspension criterion as the service judged it last, the worst first: since when, why, who may lift it and what would; and the holds that persons set.

held, unknown (cannot be judged, and counts as held) and review (a person must look first) stand before clear.

Examples:

    rimeline hold list
    rimeline hold list --all --programme valley
    rimeline hold list --json | jq '.results[] | select(.outcome != "clear") | .key'

Exit status: 0 shown, 1 nothing can be shown, 2 wrong usage.`
}

// holdList is what is known of the holds of a programme.
type holdList struct {
	Programme string `json:"programme"`
	// JudgedAt is left out where nothing was judged yet.
	JudgedAt time.Time       `json:"judged_at,omitzero"`
	Trigger  string          `json:"trigger,omitempty"`
	Results  []hold.Result   `json:"results"`
	Orders   []message.Order `json:"orders"`
	Notes    []string        `json:"notes"`
}

// oldJudgement: from this age on a judgement that is clear counts as unknown, as in
// package hold; one that is late by half of that is worth a word.
const oldJudgement = 15 * time.Minute

func (c *holdListCommand) Run(env *environment) error {
	d, err := c.openDesk(env, c.Programme)
	if err != nil {
		return err
	}
	defer d.Close()
	newest, err := d.holds()
	if err != nil {
		return err
	}
	orders, err := d.orders()
	if err != nil {
		return err
	}
	list := holdList{Programme: d.id, Results: []hold.Result{}, Orders: []message.Order{}, Notes: d.remarks()}
	if newest != nil {
		list.JudgedAt, list.Trigger, list.Results = newest.At, newest.Trigger, append(list.Results, newest.Results...)
		slices.SortStableFunc(list.Results, func(a, b hold.Result) int { return urgency(a.Outcome) - urgency(b.Outcome) })
	}
	if c.All {
		list.Orders = orders
	}
	list.Notes = append(list.Notes, d.notJudged(newest, orders)...)
	if env.JSON {
		return writeJSON(env.Stdout, list)
	}
	return c.show(env, d, &list, newest != nil)
}

// notJudged says what the judgement does not tell: that it is old, or missing, or
// that a hold in force is not in it yet.
func (d *desk) notJudged(newest *message.Holds, orders []message.Order) (notes []string) {
	var waiting []string
	manual, _ := ordersToEvidence(orders)
	for _, m := range manual {
		l := lifting{what: m.ID, manual: true}
		if m.LiftedAt.IsZero() && (m.Until.IsZero() || m.Until.After(d.now())) && (newest == nil || len(l.results(newest)) == 0) {
			waiting = append(waiting, m.ID)
		}
	}
	switch {
	case newest == nil:
		notes = append(notes, "No criterion of this programme was judged yet: nothing here says that seeding is allowed.")
	case d.now().Sub(newest.At) > oldJudgement:
		notes = append(notes, fmt.Sprintf("The last judgement is %s: what it calls clear is no longer known to be so.", strings.TrimSuffix(ago(d.now().Sub(newest.At)), " ago")+" old"))
	}
	if !d.alive() {
		notes = append(notes, fmt.Sprintf("No service has said anything for %.0f min: nothing is judged now.", silentAfter.Minutes()))
	}
	if len(waiting) > 0 {
		notes = append(notes, "Set by a person and not judged yet: "+strings.Join(waiting, ", ")+".")
	}
	return notes
}

// urgency orders outcomes for people, the worst first.
func urgency(o hold.Outcome) int {
	switch o {
	case hold.Held:
		return 0
	case hold.Review:
		return 2
	case hold.Clear:
		return 3
	}
	return 1
}

// outcomeCount counts results.
type outcomeCount struct{ suspend, review, clear int }

func countOutcomes(results []hold.Result) (n outcomeCount) {
	for _, r := range results {
		switch {
		case r.Outcome.Holds():
			n.suspend++
		case r.Outcome == hold.Review:
			n.review++
		default:
			n.clear++
		}
	}
	return n
}

func (n outcomeCount) String() string {
	return fmt.Sprintf("%d suspend, %d call for a look, %d are clear", n.suspend, n.review, n.clear)
}

func (c *holdListCommand) show(env *environment, d *desk, list *holdList, judged bool) error {
	p := &page{w: env.Stdout}
	p.printf("%s\n", d.name())
	if judged {
		p.printf("Judged %s, %s (%s): %s.\n", d.both(list.JudgedAt), ago(d.now().Sub(list.JudgedAt)), printable(list.Trigger), countOutcomes(list.Results))
	}
	d.sayNotes(p, list.Notes)
	var clear []string
	for k := range list.Results {
		r := &list.Results[k]
		if r.Outcome == hold.Clear {
			clear = append(clear, r.Key)
			continue
		}
		mark := "!"
		if r.Outcome == hold.Review {
			mark = "?"
		}
		heading := printable(r.Key)
		if r.Name != "" && r.Name != r.Criterion && r.Name != r.Kind {
			heading += ", " + printable(r.Name)
		}
		p.printf("\n%s %-8s %s\n", mark, strings.ToUpper(printable(string(r.Outcome))), heading)
		p.rows([2]string{"since", d.both(r.Since)}, [2]string{"concerns", d.scope(r.Sites, r.Targets)}, [2]string{"reason", r.Reason},
			[2]string{"who lifts", r.WhoMayLift}, [2]string{"what lifts", r.WhatWouldLift})
	}
	if len(clear) > 0 {
		p.printf("\n  CLEAR\n")
		p.rows([2]string{"", strings.Join(clear, ", ")})
	}
	if c.All {
		d.showOrders(p, list.Orders)
	}
	p.printf("\n")
	p.paragraph("These are the criteria of the programme file and no more: permit, licensed operator, local code and any order of an authority prevail.")
	return p.err
}

// showOrders is the history of what persons set and lifted, oldest first.
func (d *desk) showOrders(p *page, orders []message.Order) {
	if len(orders) == 0 {
		p.printf("\nNo person has set or lifted a hold.\n")
		return
	}
	manual, _ := ordersToEvidence(orders)
	p.printf("\nSet and lifted by persons, oldest first\n")
	for _, o := range orders {
		what, state := "lift of "+o.Lifts, ""
		if o.Action == message.OrderSet {
			what = "hold " + o.ID + " on " + d.scope(o.Sites, o.Targets)
			state = "in force until " + d.until(o.Until)
			for _, m := range manual {
				switch {
				case m.ID != o.ID:
				case !m.LiftedAt.IsZero():
					state = fmt.Sprintf("lifted by %s at %s", m.LiftedBy, d.both(m.LiftedAt))
				case !m.Until.IsZero() && !m.Until.After(d.now()):
					state = "ended at " + d.both(m.Until)
				}
			}
		}
		p.printf("\n  %s  %s\n", d.both(o.At), printable(what))
		p.rows([2]string{"state", state}, [2]string{"by", who(o.By, o.Role)}, [2]string{"reason", o.Reason})
	}
}
