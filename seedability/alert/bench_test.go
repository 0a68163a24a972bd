package alert

import (
	"fmt"
	"testing"
	"time"

	"rimeline/seedability"
)

// A batch of scores of many sites in a storm, with one rule and a criterion of each
// site that calls for a look: one Steps, and when the next is due.
func BenchmarkSteps(b *testing.B) {
	for _, n := range []int{20, 300} {
		b.Run(fmt.Sprintf("%d sites", n), func(b *testing.B) {
			p := larkspur
			p.Sites = nil
			var held Holds
			var inputs []Input
			for k := range n {
				id := fmt.Sprintf("site-%d", k)
				p.Sites = append(p.Sites, Site{ID: id, Name: id, LatitudeDeg: 44, LongitudeDeg: -114})
				held.Holds = append(held.Holds, Hold{Criterion: "battery/" + id, Name: "battery", Sites: []string{id}, Outcome: OutcomeReview, Readiness: true})
				w := window(at(2, 0), at(3, 0), at(4, 0))
				inputs = append(inputs, seen(id, seedability.StateWindow, 70, .6, at(0, 5), nil), expects(id, at(0, 5), w))
			}
			e, err := New(dutyConfig(), p)
			if err != nil {
				b.Fatal(err)
			}
			s, _ := e.Steps(State{}, append([]Input{{Holds: &held}}, inputs...), at(0, 5))
			var scores []Input
			for k := 0; k < len(inputs); k += 2 {
				scores = append(scores, inputs[k])
			}
			now := at(0, 6)
			for b.Loop() {
				now = now.Add(time.Second)
				s, _ = e.Steps(s, scores, now)
				if e.Next(s).IsZero() {
					b.Fatal("nothing is due")
				}
			}
		})
	}
}
