package message

import "rimeline/seedability"

// Why says in one sentence what decides an assessment: what is missing where the
// site is blind, what suspends it, or what takes most from the score.
func Why(a seedability.Assessment) string {
	switch state, reason := stateOf(a); state {
	case seedability.StateBlind:
		return printable(blindness(a, reason))
	case seedability.StateHold:
		return printable(reason)
	}
	return printable(heldBack(a))
}
