package hold

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/programme"
)

// KindManual is the kind, and for want of one in the programme file the
// criterion, of holds that a person sets.
const KindManual = "manual"

// manual gives a result for each manual hold in force, and one, clear or unknown,
// for the record itself. A hold that was in force and is no longer in the record,
// before its end, cannot be judged: records only grow.
func (j *judge) manual(before map[string]*Result) (results []Result) {
	h := &programme.Hold{ID: KindManual, Name: KindManual, Kind: KindManual, MayLift: []string{programme.DefaultMayLift}, MaximumAgeHours: 1, Source: "decision of a person"}
	for i := range j.p.Holds {
		if j.p.Holds[i].Kind == KindManual {
			h = &j.p.Holds[i]
		}
	}
	record := func(outcome Outcome, reason, state string) Result {
		in := Input{Name: "record of manual holds", State: state, Time: j.e.ManualAsOf.UTC(), MaximumMinutes: h.MaximumAgeHours * 60}
		if !j.e.ManualAsOf.IsZero() {
			in.AgeMinutes = minutes(j.e.At.Sub(j.e.ManualAsOf))
		}
		r := j.result(h, subject{key: h.ID, verdict: verdict{outcome, reason, "a record that can be read", []Input{in}}})
		if outcome != Clear {
			r.WhatWouldLift = "a record that can be read"
		}
		if old := before[h.ID]; old != nil && old.Outcome == outcome && !old.Since.After(j.e.At) {
			r.Since = old.Since
		}
		return r
	}
	seen := map[string]bool{}
	for i := range j.e.Manual {
		m := &j.e.Manual[i]
		key := h.ID + "/" + m.ID
		seen[key] = true
		lifted := !m.LiftedAt.IsZero() && !m.LiftedAt.After(j.e.At.Add(skew))
		over := !m.Until.IsZero() && !m.Until.After(j.e.At)
		if lifted || over {
			continue
		}
		until := "until it is lifted"
		if !m.Until.IsZero() {
			until = "until " + clock(m.Until)
		}
		r := j.result(h, subject{key, m.Sites, m.Targets, verdict{Held, fmt.Sprintf("set by %s at %s, %s: %s", m.By, clock(m.Set), until, m.Reason), "", nil}})
		r.Since, r.LiftsAt = m.Set.UTC(), m.Until
		r.WhoMayLift = strings.Join(h.MayLift, ", ")
		r.WhatWouldLift = "rimeline hold lift " + m.ID
		if !m.Until.IsZero() {
			r.WhatWouldLift += ", or its end at " + clock(m.Until)
		}
		results = append(results, r)
	}
	for key, old := range before {
		lost := old.Kind == KindManual && strings.HasPrefix(key, h.ID+"/") && !seen[key]
		if !lost || !old.LiftsAt.IsZero() && !old.LiftsAt.After(j.e.At) {
			continue
		}
		gone := *old
		gone.At, gone.Outcome, gone.Condition = j.e.At, Unknown, Unknown
		if !strings.HasPrefix(gone.Reason, lostPrefix) {
			gone.Reason = lostPrefix + gone.Reason
		}
		results = append(results, gone)
	}
	slices.SortFunc(results, func(a, b Result) int { return strings.Compare(a.Key, b.Key) })
	switch state, why := j.timely(j.e.ManualAsOf, time.Duration(h.MaximumAgeHours*float64(time.Hour))); {
	case j.e.At.IsZero():
		return append(results, record(Unknown, "the moment of judgement is not known", "missing"))
	case state == "missing":
		return append(results, record(Unknown, "the record of manual holds is missing", state))
	case state != "":
		return append(results, record(Unknown, "the record of manual holds "+why, state))
	}
	return append(results, record(Clear, fmt.Sprintf("%d manual holds in force", len(results)), "used"))
}

const lostPrefix = "no longer in the record, which only grows: "
