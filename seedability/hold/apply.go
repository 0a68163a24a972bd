package hold

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"rimeline/seedability"
)

// resultAge is how old a judgement may be, seen from the assessment, before
// nobody knows whether it still holds; common practice, no source.
const resultAge = 30 * time.Minute

// Apply sets what the criteria say of a release onto its assessment: the state is
// a hold where one of them is held or unknown, a review becomes a note, Holds
// lists them all, and the caution that they are not evaluated gives way to what
// was. The score stays. It comes before seedability.Settle. Results judged more
// than half an hour before the assessment are unknown by then. Without any
// result that concerns the release the assessment is returned as it came.
func Apply(a seedability.Assessment, results []Result) seedability.Assessment {
	var targets []string
	for _, target := range a.Transport.Targets {
		targets = append(targets, target.ID)
	}
	current := slices.Clone(results)
	for k := range current {
		if age := a.AsOf.Sub(current[k].At); age > resultAge && !current[k].Outcome.Holds() {
			current[k].Outcome = Unknown
			current[k].Reason = fmt.Sprintf("judged %s ago, and not since: %s", span(age), current[k].Reason)
			current[k].WhatWouldLift = "a new judgement"
		}
	}
	held, review, by := ForSite(current, a.Site.ID, targets)
	if len(by) == 0 {
		return a
	}
	a.Holds = make([]seedability.HoldRef, 0, len(by))
	var holding, reviewing, clear []string
	for _, r := range by {
		a.Holds = append(a.Holds, seedability.HoldRef{Criterion: r.Criterion, Kind: r.Kind, Outcome: string(r.Outcome), Reason: r.Reason, Since: r.Since, At: r.At,
			WhoMayLift: r.WhoMayLift, WhatWouldLift: r.WhatWouldLift})
		text := r.Criterion + ": " + r.Reason
		switch {
		case r.Outcome == Held:
			holding = append(holding, text)
		case r.Outcome.Holds():
			holding = append(holding, r.Criterion+" cannot be judged: "+r.Reason)
		case r.Outcome == Review:
			reviewing = append(reviewing, text)
		default:
			if !slices.Contains(clear, r.Criterion) {
				clear = append(clear, r.Criterion)
			}
		}
	}
	if held {
		a.State, a.StateReason = seedability.StateHold, holding[0]
		if n := len(holding); n > 1 {
			a.StateReason += fmt.Sprintf("; and %d more", n-1)
		}
	}
	a.Notes = slices.Clone(a.Notes)
	if review {
		for _, text := range reviewing {
			a.Notes = append(a.Notes, "a person must look before any release: "+text)
		}
	}
	evaluated := fmt.Sprintf("Suspension criteria of the programme file, judged at %s: %d suspend, %d call for a look, clear are %s. They are no more than what the file says; the permit and any order of an authority prevail.",
		clock(by[0].At), len(holding), len(reviewing), listed(clear))
	a.Cautions = slices.Clone(a.Cautions)
	if k := slices.Index(a.Cautions, seedability.CautionHolds); k >= 0 {
		a.Cautions[k] = evaluated
	} else {
		a.Cautions = append(a.Cautions, evaluated)
	}
	return a
}

func listed(names []string) string {
	if len(names) == 0 {
		return "none"
	}
	return strings.Join(names, ", ")
}
