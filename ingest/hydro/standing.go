package hydro

import (
	"reflect"
	"slices"
	"strings"
	"time"
)

// clockTolerance is how far ahead of ours the clock of an issuer may be before
// its messages are held to come from the future. Common practice, no source.
const clockTolerance = 10 * time.Minute

// Standing sorts warnings by what counts at a moment. Every warning that went
// in comes out in exactly one list, so that they can be counted.
type Standing struct {
	// Current are messages that stand, in force or still to begin, with those of
	// their infos that have not ended.
	Current    []Warning
	Superseded []Warning // by a later Update, or a later product of the same VTEC event
	Cancelled  []Warning // by a Cancel, or VTEC CAN or UPG
	Ended      []Warning // the event, or the message where no event end is known
	NotActual  []Warning // Test, Exercise, Draft, System, and VTEC of class T
	Notices    []Warning // Cancel, Ack, Error and routine (ROU) messages themselves
	Repeated   []Warning // the same message again
}

// Current gives the warnings that stand at a moment: not superseded, not
// cancelled, not ended, Actual. Those that have not yet begun are among them,
// see Warning.Begins. See Stand for the rules.
func Current(warnings []Warning, at time.Time) []Warning { return Stand(warnings, at).Current }

// Stand sorts warnings by what counts at a moment.
//
// Status: only Actual counts. A status that cannot be read counts as Actual.
//
// References (CAP 1.2, section 3.2.1): an Actual Update or Cancel takes the
// place of the messages it references. A reference holds only where sender,
// identifier and time of sending all agree, the sender is the same as that of
// the Update or Cancel, and this was sent neither before the referenced message
// nor after the moment (with 10 minutes of tolerance). Where that cannot be
// told, or where the later messages leave out zones of the old one, the old
// message stands, with a doubt.
//
// VTEC (NWS Instruction 10-1703): a later Actual message of the same sender
// that names all event keys of an earlier one, within a year of it, and all its
// zones, takes its place: a product may be missed, or its references. An info
// whose codes are all CAN or UPG announces an end and is no event. EXP says that
// an event will end when it was to end, so its end time holds.
//
// Times: the event ends as Info.EndsAt says; at that very moment it has ended. A
// message without any end stands, with a doubt. So does an event until further
// notice whose message has expired: the next product is overdue, not the event
// over. A message from the future stands, with a doubt.
func Stand(warnings []Warning, at time.Time) Standing {
	var s Standing
	var live []Warning
	for _, w := range warnings {
		w.Doubts = slices.Clone(w.Doubts)
		switch {
		case notActual(w):
			s.NotActual = append(s.NotActual, w)
		default:
			live = append(live, w)
		}
	}
	live, s.Repeated = unrepeated(live)

	superseded, cancelled := replaced(live, at)
	for i, w := range live {
		switch {
		case w.MsgType == MsgCancel, w.MsgType == MsgAck, w.MsgType == MsgError:
			s.Notices = append(s.Notices, w)
			continue
		case cancelled[i]:
			s.Cancelled = append(s.Cancelled, w)
			continue
		case superseded[i]:
			s.Superseded = append(s.Superseded, w)
			continue
		}
		kept, reason := standingInfos(&w, at)
		switch {
		case len(kept) > 0 || len(w.Infos) == 0:
			w.Infos = kept
			if w.Sent.After(at.Add(clockTolerance)) {
				w.doubt("was sent at %s, which is still to come", w.Sent.Format(time.RFC3339))
			}
			s.Current = append(s.Current, w)
		case reason == "routine":
			s.Notices = append(s.Notices, w)
		case reason == "cancelled":
			s.Cancelled = append(s.Cancelled, w)
		default:
			s.Ended = append(s.Ended, w)
		}
	}
	return s
}

// notActual says whether a message is not about the real world.
func notActual(w Warning) bool {
	switch w.Status {
	case "Test", "Exercise", "Draft", "System":
		return true
	}
	codes, tests := 0, 0
	for _, i := range w.Infos {
		for _, v := range i.VTEC {
			codes++
			if v.Class == "T" {
				tests++
			}
		}
	}
	return codes > 0 && tests == codes
}

// key is the extended message identifier of CAP 1.2, section 3.2.1.
type messageKey struct {
	sender, identifier string
	sent               int64 // Unix seconds, since sources round differently
}

func keyOf(sender, identifier string, sent time.Time) messageKey {
	k := messageKey{sender: sender, identifier: identifier}
	if !sent.IsZero() {
		k.sent = sent.Unix()
	}
	return k
}

// unrepeated takes out messages that are the same as one before, to the word.
func unrepeated(warnings []Warning) (once, again []Warning) {
	seen := map[messageKey][]int{}
	for _, w := range warnings {
		k := keyOf(w.Sender, w.Identifier, w.Sent)
		same := false
		if w.Identifier != "" {
			for n, i := range seen[k] {
				if n >= 8 {
					break
				}
				same = same || sameWarning(once[i], w)
			}
		}
		if same {
			again = append(again, w)
			continue
		}
		seen[k] = append(seen[k], len(once))
		once = append(once, w)
	}
	return once, again
}

// sameWarning compares what is said, leaving out numbers that may be NaN.
func sameWarning(a, b Warning) bool {
	strip := func(w Warning) Warning {
		w.Infos = slices.Clone(w.Infos)
		for i := range w.Infos {
			w.Infos[i].Areas = slices.Clone(w.Infos[i].Areas)
			for k := range w.Infos[i].Areas {
				w.Infos[i].Areas[k].AltitudeM, w.Infos[i].Areas[k].CeilingM = 0, 0
			}
		}
		return w
	}
	return reflect.DeepEqual(strip(a), strip(b))
}

// replaced finds the messages whose place a later one has taken.
func replaced(live []Warning, at time.Time) (superseded, cancelled []bool) {
	superseded, cancelled = make([]bool, len(live)), make([]bool, len(live))
	byKey := map[messageKey][]int{}
	byEvent := map[string][]int{}
	for i, w := range live {
		byKey[keyOf(w.Sender, w.Identifier, w.Sent)] = append(byKey[keyOf(w.Sender, w.Identifier, w.Sent)], i)
		for event := range events(w) {
			byEvent[event] = append(byEvent[event], i)
		}
	}
	claims := make([]claim, len(live))
	for _, w := range live {
		if w.Status != StatusActual || w.MsgType != MsgUpdate && w.MsgType != MsgCancel || w.Sent.IsZero() || w.Sent.After(at.Add(clockTolerance)) {
			continue
		}
		for _, r := range w.References {
			if r.Sender != w.Sender || r.Sent.IsZero() {
				continue
			}
			for _, old := range byKey[keyOf(r.Sender, r.Identifier, r.Sent)] {
				if o := live[old]; !o.Sent.After(w.Sent) && o.Identifier != w.Identifier {
					claims[old].add(w)
				}
			}
		}
	}
	for i := range claims {
		if !claims[i].made {
			continue
		}
		if left := claims[i].left(live[i]); len(left) > 0 {
			live[i].doubt("was updated or cancelled for some of its zones; no message has come for %s", clip(strings.Join(left, " ")))
			continue
		}
		superseded[i], cancelled[i] = claims[i].update, !claims[i].update
	}
	for i, w := range live {
		if superseded[i] || cancelled[i] || w.Sent.IsZero() {
			continue
		}
		own := events(w)
		if len(own) == 0 {
			continue
		}
		for event := range own {
			for _, next := range newest(live, byEvent[event], w) {
				n := live[next]
				if next == i || !coversEvent(n, w, own, at) {
					continue
				}
				if allEnding(n) {
					cancelled[i] = true
				} else {
					superseded[i] = true
				}
			}
			break // any one key leads to all candidates, since all are needed
		}
	}
	return superseded, cancelled
}

// claim is what later messages say that reference an earlier one.
type claim struct {
	made, update, everywhere bool
	zones                    map[string]bool
}

func (c *claim) add(w Warning) {
	c.made, c.update = true, c.update || w.MsgType == MsgUpdate
	zones := w.zones()
	c.everywhere = c.everywhere || len(zones) == 0
	if c.zones == nil {
		c.zones = map[string]bool{}
	}
	for _, z := range zones {
		c.zones[z] = true
	}
}

// left are the zones of the earlier message that no later one speaks of. The
// NWS cancels part of an area by one message and goes on in the rest by
// another, both with the same references; where only one of them has come, the
// rest of the old message must stand.
func (c *claim) left(old Warning) []string {
	if c.everywhere {
		return nil
	}
	var left []string
	for _, z := range old.zones() {
		if !c.zones[z] {
			left = append(left, z)
		}
	}
	return left
}

// newest gives the candidates sent after a message, at most the last 64: an
// event of months has a product every few hours, and one is enough.
func newest(live []Warning, candidates []int, w Warning) []int {
	var later []int
	for _, c := range slices.Backward(candidates) {
		if live[c].Sent.After(w.Sent) {
			later = append(later, c)
			if len(later) >= 64 {
				break
			}
		}
	}
	return later
}

// events are the VTEC event keys of a message.
func events(w Warning) map[string]bool {
	out := map[string]bool{}
	for _, i := range w.Infos {
		for _, v := range i.VTEC {
			if v.Action != "ROU" && v.Class != "T" {
				out[v.Event()] = true
			}
		}
	}
	return out
}

// coversEvent says whether a later message is about all that an earlier one is.
func coversEvent(n, w Warning, own map[string]bool, at time.Time) bool {
	if n.Status != StatusActual || n.MsgType == MsgAck || n.MsgType == MsgError || n.Sender != w.Sender ||
		n.Sent.After(at.Add(clockTolerance)) || n.Sent.Sub(w.Sent) > 300*24*time.Hour {
		return false
	}
	theirs := events(n)
	for event := range own {
		if !theirs[event] {
			return false
		}
	}
	zones := n.zones()
	all := w.zones()
	for _, z := range all {
		if _, found := slices.BinarySearch(zones, z); !found {
			return false
		}
	}
	return len(all) > 0
}

// allEnding says whether every code of a message takes an event away.
func allEnding(w Warning) bool {
	for _, i := range w.Infos {
		for _, v := range i.VTEC {
			if v.Action != "CAN" && v.Action != "UPG" {
				return false
			}
		}
	}
	return true
}

// standingInfos are the infos of a message that have not ended, and why not
// where there are none.
func standingInfos(w *Warning, at time.Time) (kept []Info, reason string) {
	for _, i := range w.Infos {
		ending, routine := 0, 0
		for _, v := range i.VTEC {
			switch v.Action {
			case "CAN", "UPG":
				ending++
			case "ROU":
				routine++
			}
		}
		if n := len(i.VTEC); n > 0 && ending == n {
			reason = "cancelled"
			continue
		} else if n > 0 && routine == n {
			reason = "routine"
			continue
		}
		end, known := i.EndsAt()
		switch {
		case known && !at.Before(end):
			reason = "ended"
			continue
		case i.UntilFurtherNotice && !i.Expires.IsZero() && !at.Before(i.Expires):
			w.doubt("is until further notice, but the message expired at %s and no other has come", i.Expires.Format(time.RFC3339))
		case !known && !i.UntilFurtherNotice:
			w.doubt("says neither when it ends nor when it expires")
		}
		kept = append(kept, i)
	}
	return kept, reason
}
