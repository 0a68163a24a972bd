package pages

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/hold"
)

// overview is the page of all sites.
type overview struct {
	head
	Programmes []programmeView
}

// programmeView is one programme on it.
type programmeView struct {
	ID, Name string
	// Href is the way to its pages, with a slash at its end.
	Href     string
	Counts   []stateCount
	Holds    []holdLine
	Held     bool // one of them at least suspends, and does not only ask for a look
	More     int  // holds that are not listed
	Criteria string
	Sites    []siteRow
	Alerts   []alertLine
	AlertsOK bool
	Inputs   []inputRow
	Problems []string
}

type stateCount struct {
	Sign  sign
	Count int
	Sites string
}

type siteRow struct {
	ID, Name string
	Href     string
	Sign     sign
	Since    *instant
	Reason   string
	// Score is a number, or a dash; Filled is it once more, for a bar.
	Score  string
	Filled string
	Sure   string
	Window *windowView
	// Held and Review name the criteria.
	Held, Review string
	Judged       *instant
	Old          bool
}

// windowView is a window as it is shown.
type windowView struct {
	Start, Best, End *instant
	// OpenStart and OpenEnd: it may have begun earlier, or end later.
	OpenStart, OpenEnd bool
	// But says why it is none for the site now; empty where nothing does.
	But string
	// Says is "45 min left" of an open one, or "in 2 h".
	Says        string
	Open        bool
	Score, Sure string
	Text        string
	Targets     []string
}

func windowViewOf(w *seedability.Window, f face) *windowView {
	if w == nil {
		return nil
	}
	v := &windowView{Start: f.at(w.Start), Best: f.at(w.Best), End: f.at(w.End), OpenStart: w.StartsBefore || w.AfterBlind, OpenEnd: w.EndsAfter || w.BeforeBlind,
		Score: digits(w.PeakScore, 0), Sure: digits(w.Confidence, 2)}
	switch {
	case !w.End.After(f.now):
		v.Says = "over"
	case !w.Start.After(f.now), v.OpenStart && w.Start.Sub(f.now) < time.Hour:
		// The first release that was judged is in it already.
		v.Open, v.Says = true, span(w.End.Sub(f.now))+" left"
	default:
		v.Says = "in " + span(w.Start.Sub(f.now))
	}
	for _, t := range w.Targets[:min(len(w.Targets), longList)] {
		v.Targets = append(v.Targets, fmt.Sprintf("%s %s", percent(t.Probability), firstName(t.Name, t.ID)))
	}
	return v
}

// window of a site as its verdict lets it be: the outlook may not know yet of a hold.
func (v *verdict) window(w *seedability.Window, f face) *windowView {
	view := windowViewOf(w, f)
	if view != nil && v.State == seedability.StateHold {
		view.But = "on hold"
	}
	if view != nil && v.State == seedability.StateBlind {
		view.But = "blind now"
	}
	return view
}

// holdLine is one criterion that holds, in short.
type holdLine struct {
	Sign     sign
	Name     string
	Reason   string
	Concerns string
	Since    *instant
}

// inputRow is one thing that assessments were made from.
type inputRow struct {
	Kind, Label string
	Time        *instant
	Age         string
	Word        string
	Good        bool
	// Files with their digests, on the page of evidence.
	Files []fileRow
}

type fileRow struct{ Name, SHA256 string }

// Overview is the page of all sites of the board's programmes. only is the id of
// the one programme that it shows; empty for all.
func Overview(root string, b Board, only string) ([]byte, error) {
	v := overview{head: head{Title: "All sites", Root: root, Renew: true, Exercise: b.Exercise, Now: newFace(b.Now, zoneOf(b)).at(b.Now)}}
	urgent := 0
	for _, p := range b.Programmes {
		if only != "" && p.File.ID != only {
			continue
		}
		view := p.overview(root, b.Now)
		for _, c := range view.Counts {
			if c.Sign.Name == string(seedability.StateWindow) {
				urgent += c.Count
			}
		}
		v.Programmes = append(v.Programmes, view)
		if only != "" {
			v.Title, v.head.Programme, v.ProgrammeName, v.Here = firstName(p.File.Name, p.File.ID), p.File.ID, firstName(p.File.Name, p.File.ID), "sites"
		}
	}
	if urgent > 0 {
		v.Title = counted(urgent, "window") + " open – " + v.Title
	}
	return write("overview", v)
}

// zoneOf is the zone in which the whole page tells the time: that of its programmes,
// if they live in one.
func zoneOf(b Board) *time.Location {
	var zone *time.Location
	for _, p := range b.Programmes {
		if zone != nil && p.File.Location != nil && p.File.Location.String() != zone.String() {
			return time.UTC
		}
		zone = p.File.Location
	}
	return zone
}

func (p *Programme) overview(root string, now time.Time) programmeView {
	f := newFace(now, p.File.Location)
	v := programmeView{ID: p.File.ID, Name: firstName(p.File.Name, p.File.ID), Href: root + p.File.ID + "/", Problems: texts(p.Problems), AlertsOK: p.AlertsRead}
	results := p.resultsAt(now)
	v.Criteria = p.criteriaAge(f)
	for _, r := range worstFirst(results) {
		if r.Outcome == hold.Clear {
			continue
		}
		v.Held = v.Held || r.Outcome.Holds()
		if len(v.Holds) >= 12 {
			v.More++
			continue
		}
		v.Holds = append(v.Holds, holdLine{Sign: signOfOutcome(r.Outcome), Name: firstName(r.Name, r.Criterion), Reason: capital(plain(r.Reason, longText)), Concerns: p.concerns(r), Since: f.at(r.Since)})
	}
	names := map[string][]string{}
	for _, s := range p.Sites {
		row := p.siteRow(s, results, f)
		row.Href = v.Href + sitePath(s.ID)
		v.Sites = append(v.Sites, row)
		names[row.Sign.Name] = append(names[row.Sign.Name], row.Name)
	}
	for _, state := range []seedability.State{seedability.StateWindow, seedability.StateBuilding, seedability.StateHold, seedability.StateBlind, seedability.StateQuiet} {
		if list := names[string(state)]; len(list) > 0 {
			c := stateCount{Sign: signOf(state), Count: len(list), Sites: strings.Join(list[:min(len(list), 6)], ", ")}
			if n := len(list); n > 6 {
				c.Sites += fmt.Sprintf(" and %d more", n-6)
			}
			v.Counts = append(v.Counts, c)
		}
	}
	for k := range p.Alerts[:min(len(p.Alerts), 5)] {
		v.Alerts = append(v.Alerts, p.alertLine(&p.Alerts[k], f))
	}
	v.Inputs = p.inputs(f)
	return v
}

// reserved names of pages below a programme; a site of such a name is found below
// sites/, as every site is.
var reserved = []string{"holds", "alerts", "criteria", "sites"}

// sitePath is the way from the pages of a programme to a site.
func sitePath(id string) string {
	if slices.Contains(reserved, id) {
		return "sites/" + id
	}
	return id
}

// criteriaAge says when the criteria were judged; empty where that is no long ago.
func (p *Programme) criteriaAge(f face) string {
	switch {
	case len(p.File.Holds) == 0 && (p.Holds == nil || len(p.Holds.Results) == 0):
		return "The programme file names no criteria: nothing suspends seeding but what a person sets. Check them by hand before any release."
	case p.Holds == nil:
		return "Criteria were not judged yet: all count as held."
	case f.now.Sub(p.Holds.At) > judgementStands:
		return fmt.Sprintf("Criteria were judged last %s: what was clear then cannot be relied on.", f.ago(p.Holds.At))
	}
	return ""
}

// concerns names the sites and targets of a criterion.
func (p *Programme) concerns(r hold.Result) string {
	name := func(ids []string, all int, find func(string) string, noun string) string {
		if len(ids) == 0 || len(ids) == all {
			return "all " + noun + "s"
		}
		var names []string
		for _, id := range ids[:min(len(ids), 6)] {
			names = append(names, find(id))
		}
		if n := len(ids); n > 6 {
			names = append(names, fmt.Sprintf("%d more", n-6))
		}
		return strings.Join(names, ", ")
	}
	sites := name(r.Sites, len(p.File.Sites), p.siteName, "site")
	targets := name(r.Targets, len(p.File.Targets), p.targetName, "target")
	if targets == "all targets" {
		return sites
	}
	return sites + ", for " + targets
}

func (p *Programme) siteName(id string) string {
	if s := p.File.Site(id); s != nil {
		return firstName(s.Name, id)
	}
	return plain(id, longName)
}

func (p *Programme) targetName(id string) string {
	if t := p.File.Target(id); t != nil {
		return firstName(t.Name, id)
	}
	return plain(id, longName)
}

func (p *Programme) siteRow(s *Site, results []hold.Result, f face) siteRow {
	v := p.verdictOf(s, results, f.now)
	if v.State == seedability.StateQuiet && v.Why != "" {
		v.Reason = v.Why // the score is in the column beside it
	}
	row := siteRow{ID: s.ID, Name: p.siteName(s.ID), Sign: signOf(v.State), Since: f.at(v.Since), Reason: capital(plain(v.Reason, 300)), Score: "–", Sure: "–",
		Held: named(v.Held, 3), Review: named(v.Review, 2), Old: v.Old != "", Window: v.window(windowOf(s, f.now), f)}
	if a := s.Score; a != nil {
		row.Judged = f.at(a.AsOf)
		// What counts for nothing is not shown as if it did.
		if a.Score.Value != nil && v.Old == "" {
			row.Score, row.Filled = digits(*a.Score.Value, 0), bar(*a.Score.Value/100)
		}
		if v.Old == "" {
			row.Sure = digits(a.Confidence.Value, 2)
		}
	}
	return row
}

// bar is the width of a bar of a hundred.
func bar(share float64) string {
	return fmt.Sprintf("%.1f", 100*max(0, min(share, 1)))
}

// named lists criteria, most of them at most.
func named(results []hold.Result, most int) string {
	var names []string
	for _, r := range results {
		if name := firstName(r.Name, r.Criterion); !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	if n := len(names); n > most {
		names = append(names[:most], fmt.Sprintf("%d more", n-most))
	}
	return strings.Join(names, ", ")
}

// inputs lists what the newest assessments of all sites were made from, the newest
// of each kind and label, kinds of the file of which none was used, and when
// criteria and outlooks were made.
func (p *Programme) inputs(f face) []inputRow {
	type used struct {
		kind, label string
		at          time.Time
	}
	var all []used
	add := func(kind, label string, at time.Time) {
		for k := range all {
			if all[k].kind == kind && all[k].label == label {
				if at.After(all[k].at) {
					all[k].at = at
				}
				return
			}
		}
		if len(all) < longList {
			all = append(all, used{kind, label, at})
		}
	}
	var outlook time.Time
	for _, s := range p.Sites {
		if s.Score != nil {
			for _, in := range s.Score.Inputs[:min(len(s.Score.Inputs), longList)] {
				add(in.Kind, in.Label, in.ReferenceTime)
			}
		}
		if s.Outlook != nil && s.Outlook.IssuedAt.After(outlook) {
			outlook = s.Outlook.IssuedAt
		}
	}
	slices.SortStableFunc(all, func(a, b used) int {
		return cmp.Or(cmp.Compare(kindRank(a.kind), kindRank(b.kind)), b.at.Compare(a.at), cmp.Compare(a.label, b.label))
	})
	var rows []inputRow
	seen := map[string]int{}
	for _, in := range all {
		// Many soundings or volumes of the past say nothing beside the newest.
		if seen[in.kind]++; seen[in.kind] > 4 {
			continue
		}
		rows = append(rows, p.inputRow(in.kind, in.label, in.at, f))
	}
	for _, input := range p.File.Inputs {
		// What criteria live by is no part of assessments; its age stands with the holds.
		if seen[input.Kind] == 0 && !input.IsSafety() {
			seen[input.Kind]++
			rows = append(rows, inputRow{Kind: plain(input.Kind, longName), Label: "none in the newest assessments", Word: "missing"})
		}
	}
	made := func(what string, at time.Time, most time.Duration) {
		row := inputRow{Kind: what, Label: "made here", Word: "missing"}
		if !at.IsZero() {
			row.Time, row.Age, row.Word, row.Good = f.at(at), f.ago(at), "fresh", true
			if f.now.Sub(at) > most || at.Sub(f.now) > clocksDiffer {
				row.Word, row.Good = "too old", false
			}
		}
		rows = append(rows, row)
	}
	made("outlook", outlook, 3*time.Hour)
	if len(p.File.Holds) > 0 || p.Holds != nil {
		at := time.Time{}
		if p.Holds != nil {
			at = p.Holds.At
		}
		made("criteria", at, judgementStands)
	}
	if p.Conditions != nil {
		made("conditions", p.Conditions.AsOf, judgementStands)
	}
	return rows
}

func kindRank(kind string) int {
	k := slices.Index([]string{"model", "radar", "mosaic", "bands", "satellite", "sounding"}, kind)
	if k < 0 {
		return 9
	}
	return k
}

func (p *Programme) inputRow(kind, label string, at time.Time, f face) inputRow {
	row := inputRow{Kind: plain(kind, longName), Label: plain(label, 200), Time: f.at(at), Good: true}
	if !at.IsZero() {
		row.Age = f.ago(at)
		row.Word, row.Good = p.freshness(kind, f.now.Sub(at))
	}
	return row
}
