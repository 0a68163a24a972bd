package pages

import (
	"math"
	"strings"
	"time"

	"rimeline/seedability/hold"
	"rimeline/seedability/programme"
)

// holdsPage is every criterion of a programme as of now.
type holdsPage struct {
	head
	Counts   []stateCount
	Criteria []criterionView
	More     int
	Says     string
	At       *instant
	Trigger  string
	Air      *airView
}

// criterionView is one outcome with everything that belongs to it.
type criterionView struct {
	Key, Name, Kind string
	Sign            sign
	Outcome         string
	// Condition is what the inputs alone say, where that differs.
	Condition string
	Concerns  string
	Reason    string
	Since, At *instant
	LiftsAt   *instant
	WhoMay    string
	WhatWould string
	LiftedBy  string
	Source    string
	Inputs    []holdInput
	Review    bool // it never suspends, unless it cannot be judged
}

type holdInput struct {
	Name, State, Value string
	Time               *instant
	Age, Most          string
	Good               bool
}

// Holds is the page of all criteria of a programme.
func Holds(root string, b Board, p *Programme) ([]byte, error) {
	f := newFace(b.Now, p.File.Location)
	v := holdsPage{head: p.head(root, b, "Holds", "holds"), Says: p.criteriaAge(f)}
	v.Renew = true
	results := worstFirst(p.resultsAt(b.Now))
	counts := map[string]int{}
	for _, r := range results {
		counts[signOfOutcome(r.Outcome).Name]++
	}
	for _, o := range []hold.Outcome{hold.Held, hold.Unknown, hold.Review, hold.Clear} {
		if s := signOfOutcome(o); counts[s.Name] > 0 {
			v.Counts = append(v.Counts, stateCount{Sign: s, Count: counts[s.Name]})
		}
	}
	for _, r := range results {
		if len(v.Criteria) >= 500 {
			v.More++
			continue
		}
		v.Criteria = append(v.Criteria, p.criterion(r, f))
	}
	if p.Holds != nil {
		v.At, v.Trigger = f.at(p.Holds.At), plain(p.Holds.Trigger, 200)
	}
	v.Air = p.air(f)
	return write("holds", v)
}

func (p *Programme) criterion(r hold.Result, f face) criterionView {
	v := criterionView{Key: plain(r.Key, 200), Name: firstName(r.Name, r.Criterion), Kind: strings.ReplaceAll(plain(r.Kind, longName), "_", " "), Sign: signOfOutcome(r.Outcome),
		Outcome: plain(string(r.Outcome), longName), Concerns: p.concerns(r), Reason: capital(plain(r.Reason, longText)), Since: f.at(r.Since), At: f.at(r.At), LiftsAt: f.at(r.LiftsAt),
		WhoMay: plain(r.WhoMayLift, longText), WhatWould: plain(r.WhatWouldLift, longText), LiftedBy: plain(r.LiftedBy, longName), Source: plain(r.Source, longText), Review: r.ReviewOnly}
	if r.Condition != r.Outcome && r.Condition != "" {
		v.Condition = signOfOutcome(r.Condition).Word
	}
	for _, in := range r.Inputs[:min(len(r.Inputs), longList)] {
		row := holdInput{Name: plain(in.Name, 200), State: plain(in.State, longName), Good: in.State == "used", Time: f.at(in.Time)}
		if in.Value != nil && !math.IsInf(*in.Value, 0) && (row.Good || in.Unit != "") {
			row.Value = strings.TrimSpace(threeDigits(*in.Value) + " " + plain(in.Unit, 40))
		}
		if !in.Time.IsZero() {
			row.Age = f.ago(in.Time)
			// What was recent enough when it was judged may be too old by now.
			if most := minutes(in.MaximumMinutes); most > 0 && row.Good && f.now.Sub(in.Time) > most {
				row.State, row.Good = "stale by now", false
			}
		}
		if in.MaximumMinutes > 0 {
			row.Most = "at most " + span(minutes(in.MaximumMinutes))
		}
		v.Inputs = append(v.Inputs, row)
	}
	return v
}

// minutes as a duration; 0 for what is none.
func minutes(x float64) time.Duration {
	if !(x > 0) || x > 1e7 {
		return 0
	}
	return time.Duration(x * float64(time.Minute))
}

// criteriaPage is the printable page of criteria.
type criteriaPage struct {
	head
	ID, File, SHA256 string
	Zone             string
	Rows             []numberedRow
	Manager, Licence string
}

type numberedRow struct {
	Number int
	hold.Row
}

// Criteria is the page of criteria of a programme file, to be printed and signed.
// alone leaves out what leads to other pages, for a file that lies somewhere.
func Criteria(root string, p *programme.Programme, exercise, alone bool) ([]byte, error) {
	name := firstName(p.Name, p.ID)
	v := criteriaPage{head: head{Title: "Suspension criteria – " + name, Root: root, Exercise: exercise, Programme: p.ID, ProgrammeName: name, Here: "criteria", Alone: alone},
		ID: p.ID, File: plain(p.File, 200), SHA256: p.SHA256, Zone: plain(p.Timezone, longName),
		Manager: plain(p.Manager.Name, 200), Licence: plain(p.Manager.Licence, 200)}
	for k, r := range hold.Rows(p) {
		for _, text := range []*string{&r.Criterion, &r.Name, &r.Kind, &r.Sites, &r.Targets, &r.Suspends, &r.Reviews, &r.JudgedBy, &r.Lifts, &r.Source, &r.Note} {
			*text = plain(*text, 20000)
		}
		r.Kind = strings.ReplaceAll(r.Kind, "_", " ")
		v.Rows = append(v.Rows, numberedRow{k + 1, r})
	}
	return write("criteria", v)
}
