// Package hold judges the suspension criteria of a programme: whether rivers,
// reservoirs, snow, warnings, avalanche danger, precipitation, the state of the
// sites, the calendar, the permit's amounts or a person forbid to seed.
//
// The idea: every criterion fails closed. What is missing, too old, of the
// future, suspect or in a unit that cannot be converted cannot be judged, and
// what cannot be judged counts as held. A criterion acts at once on the way up;
// on the way down it waits: values must come back by a step (hysteresis, the two
// thresholds of Schmitt 1938, J. Sci. Instrum. 15, 24, value from memory), the
// cause must be gone for a time without interruption, and, unless the programme
// says otherwise, a person lifts the hold.
//
// Everything here is a pure function of its arguments: no files, no network, no
// clock. What was judged before (previous) is all the memory there is; whoever
// calls Judge keeps it.
//
// The numbers are those of the programme. Presets of public rules, with their
// sources, are in package programme.
package hold
