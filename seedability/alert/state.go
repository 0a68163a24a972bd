package alert

import (
	"maps"
	"slices"
	"strings"
	"time"
)

// State is all that the engine knows. It is JSON, bounded by the programme, and is
// kept after every step: an engine that goes on from it says what one that never
// stopped would say. The zero State is that of a service that starts for the first
// time.
type State struct {
	Started time.Time `json:"started,omitzero"`
	// Now is the clock of the newest step.
	Now time.Time `json:"now,omitzero"`
	// Thread is the storm that runs, Active when something last happened in it.
	Thread string    `json:"thread,omitempty"`
	Active time.Time `json:"active,omitzero"`
	// Conditions by their key.
	Conditions map[string]Condition `json:"conditions"`
	Sites      map[string]SiteState `json:"sites"`
	// HoldsAt is when outcomes of criteria last came.
	HoldsAt time.Time `json:"holds_at,omitzero"`
	// Open are alerts that wait for an acknowledgement.
	Open []Open `json:"open"`
	// Acked are those of late that were acknowledged.
	Acked []Ack `json:"acked"`
}

// Topic is what a condition is about.
type Topic string

// The topics.
const (
	topicWindow Topic = "window"
	topicAhead  Topic = "ahead"
	topicHold   Topic = "hold"
	topicStale  Topic = "stale"
	topicBlind  Topic = "blind"
	topicFault  Topic = "fault"
)

// Condition is one thing that is so or not so, and what the readers of each rule
// believe of it.
type Condition struct {
	Topic Topic  `json:"topic"`
	ID    string `json:"id"`             // criterion, input, worker, number of a window
	Site  string `json:"site,omitempty"` // empty where it belongs to none
	Name  string `json:"name,omitempty"`
	// Level is 0 where it is not so.
	Level int `json:"level"`
	// Since it has this level; of a hold, since it is on this side of a hold.
	Since time.Time `json:"since"`
	// Began is when it last came into force.
	Began time.Time `json:"began,omitzero"`
	// LastedS is for how many seconds it was in force the last time.
	LastedS float64 `json:"lasted_s,omitempty"`

	// Changed is when the begin of a window ahead was last moved.
	Changed time.Time `json:"changed,omitzero"`

	Start      time.Time `json:"start,omitzero"`
	Best       time.Time `json:"best,omitzero"`
	End        time.Time `json:"end,omitzero"`
	Confidence float64   `json:"confidence,omitempty"`
	Score      float64   `json:"score,omitempty"`
	Reason     string    `json:"reason,omitempty"`
	LiftedBy   string    `json:"lifted_by,omitempty"`
	Lifts      string    `json:"lifts,omitempty"`
	Readiness  bool      `json:"readiness,omitempty"`
	Evidence   []Link    `json:"evidence,omitempty"`

	// Opened: the window that was ahead has become one that is open.
	Opened bool `json:"opened,omitempty"`

	// Beliefs by rule; no entry where nothing was told.
	Beliefs map[string]Belief `json:"beliefs,omitempty"`
}

// Belief is what the readers of a rule were told of a condition.
type Belief struct {
	// Level that they believe; 0 after they were told that it is over.
	Level int       `json:"level"`
	At    time.Time `json:"at"`
	Alert string    `json:"alert"`
	Start time.Time `json:"start,omitzero"`
	End   time.Time `json:"end,omitzero"`
	// Reminded that it begins soon.
	Reminded bool `json:"reminded,omitempty"`
}

// SiteState is the newest assessment of a site.
type SiteState struct {
	At        time.Time `json:"at"`    // by the engine's clock
	AsOf      time.Time `json:"as_of"` // of the assessment
	State     string    `json:"state"`
	Reason    string    `json:"reason,omitempty"`
	OutlookAt time.Time `json:"outlook_at,omitzero"`
	ReleaseAt time.Time `json:"release_at,omitzero"` // end of the newest release that was recorded
}

// Open is an alert that a rule's readers must acknowledge.
type Open struct {
	First   string    `json:"first"`
	Rule    string    `json:"rule"`
	Alert   Alert     `json:"alert"`
	Keys    []string  `json:"keys"` // of its conditions
	Raised  time.Time `json:"raised"`
	Sent    time.Time `json:"sent"`
	Repeats int       `json:"repeats"`
	Level   int       `json:"level"` // of escalation
	Newest  Reference `json:"newest"`
}

// Bounds of the state, far above what a programme of 1000 sites needs in a storm.
const (
	maxConditions   = 20000
	maxOpen         = 200
	maxAcked        = 200
	maxWindowsAhead = 4 // a site
)

func key(topic Topic, id, site string) string { return string(topic) + "|" + id + "|" + site }

// clone copies everything that a step may change.
func (s State) clone() State {
	c := s
	c.Conditions = make(map[string]Condition, len(s.Conditions))
	for k, condition := range s.Conditions {
		condition.Beliefs = maps.Clone(condition.Beliefs)
		c.Conditions[k] = condition
	}
	c.Sites = maps.Clone(s.Sites)
	if c.Sites == nil {
		c.Sites = map[string]SiteState{}
	}
	c.Open, c.Acked = slices.Clone(s.Open), slices.Clone(s.Acked)
	return c
}

// setBack moves what is counted from, so that as much time has passed as had before
// the clock was set back. Moments that people were told stay.
func (s *State) setBack(by time.Duration) {
	for _, moment := range []*time.Time{&s.Started, &s.Active, &s.HoldsAt} {
		shift(moment, by)
	}
	for k, c := range s.Conditions {
		shift(&c.Since, by)
		shift(&c.Changed, by)
		s.Conditions[k] = c
	}
	for id, site := range s.Sites {
		shift(&site.At, by)
		s.Sites[id] = site
	}
	for k := range s.Open {
		shift(&s.Open[k].Raised, by)
		shift(&s.Open[k].Sent, by)
	}
}

// shift moves a moment back; the zero time is none.
func shift(moment *time.Time, by time.Duration) {
	if !moment.IsZero() {
		*moment = moment.Add(-by)
	}
}

// FindOpen gives the alert that waits for an acknowledgement under an id, its own
// or that of a repeat.
func (s State) FindOpen(id string) (Alert, bool) {
	for k := range s.Open {
		if s.Open[k].is(id) {
			return s.Open[k].Alert, true
		}
	}
	return Alert{}, false
}

// Failing says whether a part of the service is known to fail.
func (s State) Failing(worker string) bool {
	return s.Conditions[key(topicFault, worker, "")].Level > 0
}

// is: the id is that of the alert, or of one that repeats it.
func (o *Open) is(id string) bool {
	return id == o.First || strings.HasPrefix(id, o.First+".")
}
