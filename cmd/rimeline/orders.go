package main

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"

	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

// ordersToEvidence turns the orders of a programme, in the order in which the
// stream has them, into what criteria are judged by. A set is a manual hold. A lift
// of a manual hold (by its id, or by the key that its result has unless the programme
// file names its criterion otherwise) ends those of this id that came before it; any
// other lift is that of a criterion, and one of an unknown id is kept as such, where
// it lifts nothing. What cannot be understood lifts nothing either: two holds of one
// id are both in force, a lift without a time is none.
func ordersToEvidence(orders []message.Order) (manual []hold.ManualHold, lifts []hold.Lift) {
	byID := map[string][]int{} // places in manual
	for _, o := range orders {
		switch o.Action {
		case message.OrderSet:
			m := hold.ManualHold{ID: o.ID, Sites: o.Sites, Targets: o.Targets, By: o.By, Reason: o.Reason, Set: o.At, Until: o.Until}
			if !slices.ContainsFunc(byID[o.ID], func(k int) bool { return sameHold(manual[k], m) }) {
				byID[o.ID] = append(byID[o.ID], len(manual))
				manual = append(manual, m)
			}
		case message.OrderLift:
			if o.At.IsZero() {
				continue
			}
			places := byID[o.Lifts]
			if id, isKey := strings.CutPrefix(o.Lifts, hold.KindManual+"/"); isKey && places == nil {
				places = byID[id]
			}
			for _, k := range places {
				// One that was dated ahead by a wrong clock must not keep a good one out.
				if m := &manual[k]; m.LiftedAt.IsZero() || o.At.Before(m.LiftedAt) {
					m.LiftedAt, m.LiftedBy = o.At, o.By
				}
			}
			if places == nil {
				lifts = append(lifts, hold.Lift{Criterion: o.Lifts, By: o.By, Role: o.Role, At: o.At, Reason: o.Reason})
			}
		}
	}
	return manual, lifts
}

// unreadableOrder stands for an order that cannot be read: somebody wanted something,
// and until a person has looked it counts as a hold of everything.
func unreadableOrder(programme string, sequence uint64, at time.Time) message.Order {
	return message.Order{ID: fmt.Sprintf("unreadable-%d", sequence), Programme: programme, Action: message.OrderSet, At: at, By: "unknown",
		Reason: "an order about holds was stored that cannot be read"}
}

// sameHold: the same order, lifted since or not.
func sameHold(a, b hold.ManualHold) bool {
	a.LiftedAt, a.LiftedBy = b.LiftedAt, b.LiftedBy
	return reflect.DeepEqual(a, b)
}
