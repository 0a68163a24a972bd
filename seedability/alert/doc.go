// Package alert decides who is told what, and when, says it in words, and brings
// it to them.
//
// The idea: for every condition (a window at a site, a criterion that suspends, an
// input, the service) the engine keeps the truth, and for every rule what its
// readers believe, which is what they were last told. An alert goes to those who
// believe otherwise. Everything else follows from that: a repeat tells nobody
// anything new, so it is not sent; a condition that trembles is told once; quiet
// hours end with what is true then and not with a pile of what was; and after a
// restart nothing is said twice.
//
// The two directions differ. A change for the worse (a hold, a window that shuts)
// is told at once, a hold in the very step that learns of it, whatever the hour. A
// change for the better must last before it is believed.
//
// Engine.Step is a pure function of state, input and clock. Text and CAP put an
// alert into words; a Deliverer brings it to people at least once, through
// restarts; a Deadman says when the service itself has fallen silent. Advise and
// the record of releases stand beside them.
//
// Nothing here is a command: a person gives the order, within the permit.
package alert
