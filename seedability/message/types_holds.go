package message

import (
	"time"

	"rimeline/seedability/hold"
)

// Holds is the outcome of every suspension criterion of a programme, and of every
// manual hold, at one moment. It is published when an outcome changes, and every
// few minutes besides.
type Holds struct {
	Programme string    `json:"programme"`
	At        time.Time `json:"at"`
	// Results in the order of the programme file, manual holds last.
	Results []hold.Result `json:"results"`
	// Trigger is what caused the judgement, for people.
	Trigger string `json:"trigger"`
	// UnitsLeft at sites that report it; a site that does not is left out.
	UnitsLeft []SiteUnits `json:"units_left,omitempty"`
}

// SiteUnits is what a site has left by its newest report that says so.
type SiteUnits struct {
	Site string `json:"site"`
	// UnitsLeft is flares, or hours of solution of a generator.
	UnitsLeft float64 `json:"units_left"`
	// At is the time of the report.
	At time.Time `json:"at"`
}

// OrderAction is what an order does.
type OrderAction string

// The actions.
const (
	OrderSet  OrderAction = "set"  // a manual hold
	OrderLift OrderAction = "lift" // of a manual hold, or of a criterion whose cause is gone
)

// Order is what a person decided about holds.
type Order struct {
	// ID of the order, unique in the programme; of a set, that of the manual hold.
	ID        string      `json:"id"`
	Programme string      `json:"programme"`
	Action    OrderAction `json:"action"`
	At        time.Time   `json:"at"`
	By        string      `json:"by"`
	// Role of the person, as programme files name those who may lift.
	Role   string `json:"role,omitempty"`
	Reason string `json:"reason"`
	// Sites and Targets of a manual hold; empty: all.
	Sites   []string `json:"sites,omitempty"`
	Targets []string `json:"targets,omitempty"`
	// Until a manual hold lasts; left out: until it is lifted.
	Until time.Time `json:"until,omitzero"`
	// Lifts is what a lift is for: the id of a manual hold, of a criterion, or the
	// key of one result of it.
	Lifts string `json:"lifts,omitempty"`
}

// Ack is the acknowledgement of an alert: somebody has read it and takes care.
type Ack struct {
	Programme string `json:"programme"`
	// Alert that is acknowledged, or one that repeats it.
	Alert string    `json:"alert"`
	By    string    `json:"by"`
	At    time.Time `json:"at"`
	// Token of the signed link, where it came by one; it is checked then.
	Token string `json:"token,omitempty"`
	// Via is how it came: command, link, bus.
	Via string `json:"via,omitempty"`
}
