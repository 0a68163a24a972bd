package main

import (
	"reflect"
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
