package hold

import (
	"slices"
	"time"
)

// Outcome of a criterion.
type Outcome string

// The outcomes; unknown counts as held.
const (
	Clear   Outcome = "clear"
	Review  Outcome = "review" // a person must look before any release
	Held    Outcome = "held"
	Unknown Outcome = "unknown" // cannot be judged
)

// rank orders outcomes by how much they ask for. What is none of the four ranks
// as unknown.
func (o Outcome) rank() int {
	switch o {
	case Clear:
		return 0
	case Review:
		return 1
	case Held:
		return 3
	}
	return 2
}

// Holds reports whether the outcome suspends seeding.
func (o Outcome) Holds() bool { return o.rank() >= Unknown.rank() }

// Result is the outcome of one criterion for one site, one target, or all of its
// sites and targets.
type Result struct {
	// Key tells results apart: the criterion, and the site or target where the
	// criterion is judged for each ("ridge-wind/saddlehorn").
	Key       string  `json:"key"`
	Criterion string  `json:"criterion"`
	Name      string  `json:"name"`
	Kind      string  `json:"kind"`
	Outcome   Outcome `json:"outcome"`
	// Condition is what the inputs alone say at At. Outcome may be worse, where a
	// hold has not been lifted yet.
	Condition Outcome `json:"condition"`
	// Sites and Targets that it suspends; empty: all. A release is concerned that
	// is of one of the sites and for one of the targets.
	Sites   []string `json:"sites"`
	Targets []string `json:"targets"`
	// Since is when Outcome began, At the moment of judgement.
	Since time.Time `json:"since"`
	At    time.Time `json:"at"`
	// Reason is one sentence with value, limit, unit, age and gauge.
	Reason        string `json:"reason"`
	WhoMayLift    string `json:"who_may_lift,omitempty"`
	WhatWouldLift string `json:"what_would_lift,omitempty"`
	// Source of the limits.
	Source string `json:"source"`
	// ReviewOnly: the criterion never suspends, unless it cannot be judged.
	ReviewOnly bool `json:"review_only,omitempty"`
	// Readiness: it is about the site itself, not about the weather.
	Readiness bool    `json:"readiness,omitempty"`
	Inputs    []Input `json:"inputs"`
	// LiftsAt is when it lifts by itself if the cause stays away, or when a manual
	// hold ends.
	LiftsAt time.Time `json:"lifts_at,omitzero"`
	// LiftedBy is who lifted it, where the outcome of this judgement is a lift.
	LiftedBy string `json:"lifted_by,omitempty"`

	// Memory for the next judgement. EasedSince is since when Condition has been
	// less than Outcome without interruption; LastKnown the last Condition that
	// was not unknown.
	EasedSince time.Time `json:"eased_since,omitzero"`
	LastKnown  Outcome   `json:"last_known,omitempty"`
}

// Input is one thing that a criterion was judged by, or should have been.
type Input struct {
	Name string `json:"name"`
	// State is used, or why it could not be: missing, stale, future, suspect,
	// unit, datum, incomplete.
	State string `json:"state"`
	// Value in Unit, as it was given; null where it is no number.
	Value *float64 `json:"value"`
	Unit  string   `json:"unit,omitempty"`
	// Time of the input, zero where there is none; AgeMinutes at the moment of
	// judgement, and from which age on it cannot be judged.
	Time           time.Time `json:"time,omitzero"`
	AgeMinutes     float64   `json:"age_minutes"`
	MaximumMinutes float64   `json:"maximum_age_minutes"`
}

// ForSite picks the results that concern a release of a site for some of its
// targets (none named: any), the worst first, and says whether it is held, and
// whether a person must look. Results that name neither sites nor targets
// concern every release.
func ForSite(results []Result, site string, targets []string) (held, review bool, by []Result) {
	for _, r := range results {
		if len(r.Sites) > 0 && !slices.Contains(r.Sites, site) {
			continue
		}
		if len(r.Targets) > 0 && len(targets) > 0 && !slices.ContainsFunc(targets, func(id string) bool { return slices.Contains(r.Targets, id) }) {
			continue
		}
		held = held || r.Outcome.Holds()
		review = review || r.Outcome == Review
		by = append(by, r)
	}
	slices.SortStableFunc(by, func(a, b Result) int { return b.Outcome.rank() - a.Outcome.rank() })
	return held, review, by
}
