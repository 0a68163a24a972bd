package main

import (
	"encoding/json"
	"reflect"
	"slices"
	"testing"
	"time"

	"rimeline/seedability/hold"
	"rimeline/seedability/message"
)

func TestOrdersToEvidence(t *testing.T) {
	at := func(minute int) time.Time { return time.Date(2026, 2, 3, 18, minute, 0, 0, time.UTC) }
	set := func(id string, minute int) message.Order {
		return message.Order{ID: id, Action: message.OrderSet, At: at(minute), By: "Ada", Role: "forecaster", Reason: "crew on the road", Sites: []string{"saddlehorn"}, Until: at(59)}
	}
	lift := func(what, by string, minute int) message.Order {
		return message.Order{ID: "l" + what + by, Action: message.OrderLift, At: at(minute), By: by, Role: "manager", Reason: "they are back", Lifts: what}
	}
	manual := func(id string, minute int) hold.ManualHold {
		return hold.ManualHold{ID: id, Sites: []string{"saddlehorn"}, By: "Ada", Reason: "crew on the road", Set: at(minute), Until: at(59)}
	}
	lifted := func(m hold.ManualHold, by string, minute int) hold.ManualHold {
		m.LiftedBy, m.LiftedAt = by, at(minute)
		return m
	}
	criterion := func(what, by string, minute int) hold.Lift {
		return hold.Lift{Criterion: what, By: by, Role: "manager", At: at(minute), Reason: "they are back"}
	}
	dateless := lift("a", "Bo", 5)
	dateless.At = time.Time{}
	other := set("a", 2)
	other.By = "Cy"
	others := manual("a", 2)
	others.By = "Cy"
	for name, test := range map[string]struct {
		orders []message.Order
		manual []hold.ManualHold
		lifts  []hold.Lift
	}{
		"none":                          {},
		"set":                           {[]message.Order{set("a", 1)}, []hold.ManualHold{manual("a", 1)}, nil},
		"set and lifted":                {[]message.Order{set("a", 1), set("b", 2), lift("a", "Bo", 3)}, []hold.ManualHold{lifted(manual("a", 1), "Bo", 3), manual("b", 2)}, nil},
		"lifted by its key":             {[]message.Order{set("a", 1), lift("manual/a", "Bo", 3)}, []hold.ManualHold{lifted(manual("a", 1), "Bo", 3)}, nil},
		"set twice is once":             {[]message.Order{set("a", 1), lift("a", "Bo", 3), set("a", 1)}, []hold.ManualHold{lifted(manual("a", 1), "Bo", 3)}, nil},
		"lifted twice: the first":       {[]message.Order{set("a", 1), lift("a", "Bo", 3), lift("a", "Cy", 4)}, []hold.ManualHold{lifted(manual("a", 1), "Bo", 3)}, nil},
		"a lift dated ahead":            {[]message.Order{set("a", 1), lift("a", "Bo", 50), lift("a", "Cy", 4)}, []hold.ManualHold{lifted(manual("a", 1), "Cy", 4)}, nil},
		"lifts of criteria":             {[]message.Order{lift("ridge-wind", "Bo", 3), lift("ridge-wind/saddlehorn", "Bo", 4)}, nil, []hold.Lift{criterion("ridge-wind", "Bo", 3), criterion("ridge-wind/saddlehorn", "Bo", 4)}},
		"a lift of nothing is kept":     {[]message.Order{lift("zz", "Bo", 3)}, nil, []hold.Lift{criterion("zz", "Bo", 3)}},
		"a lift before its hold":        {[]message.Order{lift("a", "Bo", 3), set("a", 1)}, []hold.ManualHold{manual("a", 1)}, []hold.Lift{criterion("a", "Bo", 3)}},
		"a lift without a time":         {[]message.Order{set("a", 1), dateless}, []hold.ManualHold{manual("a", 1)}, nil},
		"one id twice, both in force":   {[]message.Order{set("a", 1), other}, []hold.ManualHold{manual("a", 1), others}, nil},
		"one id twice, one after":       {[]message.Order{set("a", 1), lift("a", "Bo", 3), other}, []hold.ManualHold{lifted(manual("a", 1), "Bo", 3), others}, nil},
		"a site is no manual hold's id": {[]message.Order{set("saddlehorn", 1), lift("ridge-wind/saddlehorn", "Bo", 3)}, []hold.ManualHold{manual("saddlehorn", 1)}, []hold.Lift{criterion("ridge-wind/saddlehorn", "Bo", 3)}},
		"what is not known":             {[]message.Order{{ID: "a", Action: "erase", At: at(1)}}, nil, nil},
	} {
		gotManual, gotLifts := ordersToEvidence(test.orders)
		if !reflect.DeepEqual(gotManual, test.manual) || !reflect.DeepEqual(gotLifts, test.lifts) {
			t.Errorf("%s:\n%+v\n%+v", name, gotManual, gotLifts)
		}
	}
}

// Whatever orders lie on the stream, every hold that was set and not lifted is in
// force, and nothing else is lifted.
func FuzzOrdersToEvidence(f *testing.F) {
	f.Add([]byte(`[{"id":"a","action":"set","at":"2026-02-03T18:01:00Z"},{"id":"l","action":"lift","lifts":"a","at":"2026-02-03T18:02:00Z"}]`))
	f.Add([]byte(`[{"id":"a","action":"lift","lifts":"manual/a","at":"2026-02-03T18:01:00Z"},{"id":"a","action":"set"},{"id":"a","action":"set"},{"id":"","action":"set"},{"action":"lift"}]`))
	f.Add([]byte(`[{"id":"manual/a","action":"set"},{"id":"a","action":"set"},{"action":"lift","lifts":"manual/a","at":"2026-02-03T18:01:00Z"}]`))
	f.Fuzz(func(t *testing.T, b []byte) {
		var orders []message.Order
		if json.Unmarshal(b, &orders) != nil || len(orders) > 1000 {
			return
		}
		manual, lifts := ordersToEvidence(orders)
		sets, liftings := 0, 0
		for k, o := range orders {
			switch o.Action {
			case message.OrderLift:
				liftings++
			case message.OrderSet:
				sets++
				lifted := slices.ContainsFunc(orders[k+1:], func(l message.Order) bool {
					return l.Action == message.OrderLift && !l.At.IsZero() && (l.Lifts == o.ID || l.Lifts == "manual/"+o.ID)
				})
				again := slices.ContainsFunc(orders[:k], func(e message.Order) bool { return e.ID == o.ID && e.Action == o.Action && e.At.Equal(o.At) })
				inForce := slices.ContainsFunc(manual, func(m hold.ManualHold) bool { return m.ID == o.ID && m.LiftedAt.IsZero() })
				if !lifted && !inForce && !again {
					t.Errorf("hold %q was lost in %s", o.ID, b)
				}
			}
		}
		if len(manual) > sets || len(lifts) > liftings {
			t.Errorf("%d holds of %d, %d lifts of %d", len(manual), sets, len(lifts), liftings)
		}
	})
}
