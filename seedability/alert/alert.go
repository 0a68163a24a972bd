package alert

import (
	"time"

	"rimeline/seedability"
)

// Kind is what an alert is about.
type Kind string

// The kinds of alert.
const (
	WindowAhead    Kind = "window-ahead"    // the outlook has a window; with its lead
	WindowOpen     Kind = "window-open"     // agent released now is expected to work
	WindowClosing  Kind = "window-closing"  // a window that was told ends soon, or has ended
	HoldRaised     Kind = "hold-raised"     // a criterion suspends seeding, or cannot be judged
	HoldLifted     Kind = "hold-lifted"     // a criterion that was told no longer suspends
	InputsStale    Kind = "inputs-stale"    // inputs are too old
	ProgrammeBlind Kind = "programme-blind" // no site can be judged
	ServiceFault   Kind = "service-fault"   // the service, or a way of telling people, fails
)

// Kinds lists every kind, the most urgent first; alerts of one step come in this
// order.
var Kinds = []Kind{HoldRaised, ProgrammeBlind, ServiceFault, WindowClosing, WindowOpen, WindowAhead, InputsStale, HoldLifted}

// Change says how an alert differs from what its readers were told before.
type Change string

// The changes.
const (
	ChangeNew          Change = "new"          // nothing was told before
	ChangeWorse        Change = "worse"        // it was told, and has become worse
	ChangeLater        Change = "later"        // a window ahead lies later than told
	ChangeSoon         Change = "soon"         // a window ahead that was told begins soon
	ChangeOver         Change = "over"         // what was told is no longer so
	ChangeLowered      Change = "lowered"      // a hold has become a review
	ChangeRepeat       Change = "repeat"       // nobody has acknowledged it
	ChangeEscalated    Change = "escalated"    // nobody has acknowledged it: others are told
	ChangeAcknowledged Change = "acknowledged" // somebody has: those who were called in know
)

// Severity of an alert, in the words of CAP 1.2.
type Severity string

// The severities in use.
const (
	Severe   Severity = "severe"
	Moderate Severity = "moderate"
	Minor    Severity = "minor"
)

// Alert is one thing that people are told. Times are in UTC.
type Alert struct {
	// ID is the same however often the alert is made from the same state.
	ID string `json:"id"`
	// Thread is the same for all alerts of one storm.
	Thread string `json:"thread"`
	Kind   Kind   `json:"kind"`
	Change Change `json:"change"`
	// Level of a hold: review, unknown or held; empty for other kinds.
	Level    string   `json:"level,omitempty"`
	Severity Severity `json:"severity"`
	// Exercise: a rehearsal, nothing of it is real.
	Exercise      bool      `json:"exercise"`
	Programme     string    `json:"programme"`
	ProgrammeName string    `json:"programme_name"`
	Sites         []SiteRef `json:"sites"`
	Raised        time.Time `json:"raised"`
	// Expires is when it is no longer worth telling.
	Expires time.Time `json:"expires"`
	// Start, Best and End of the windows of all Sites together, or when a hold,
	// a fault or the age of an input began; left out where there is none.
	Start time.Time `json:"start,omitzero"`
	Best  time.Time `json:"best,omitzero"`
	End   time.Time `json:"end,omitzero"`
	// Subject is the criterion, the inputs or the part of the service that the
	// alert is about; empty for windows.
	Subject string `json:"subject,omitempty"`
	// Reasons say why, Certainty how sure it is, Stoppers what could stop it.
	Reasons   []string `json:"reasons"`
	Certainty string   `json:"certainty,omitempty"`
	Stoppers  []string `json:"stoppers,omitempty"`
	// Confidence and Score are the lowest confidence and the highest score of Sites.
	Confidence *float64 `json:"confidence,omitempty"`
	Score      *float64 `json:"score,omitempty"`
	// LiftedBy says who may lift a hold, Lifts what would.
	LiftedBy string `json:"lifted_by,omitempty"`
	Lifts    string `json:"lifts,omitempty"`
	Evidence []Link `json:"evidence"`
	// Advice is in one line for each site of a window what might be released there;
	// a suggestion, never a command.
	Advice  []string `json:"advice,omitempty"`
	Caution string   `json:"caution"`
	// Supersedes are alerts that this one replaces.
	Supersedes []Reference `json:"supersedes,omitempty"`
	// Rules by which it is told, and Routes by which it goes out; without any it
	// is on the bus alone.
	Rules  []string `json:"rules"`
	Routes []string `json:"routes"`
	// NeedsAck: it is repeated until somebody acknowledges it. First is the alert
	// that it repeats, and what is acknowledged.
	NeedsAck bool   `json:"needs_ack"`
	First    string `json:"first,omitempty"`
	// Escalation counts the steps of the rule that were taken, 0 at first;
	// UnansweredS is for how many seconds nobody has acknowledged.
	Escalation  int    `json:"escalation"`
	UnansweredS int    `json:"unanswered_s,omitempty"`
	AckBy       string `json:"ack_by,omitempty"`
	Contact     string `json:"contact,omitempty"`
}

// SiteRef is a site as an alert names it.
type SiteRef struct {
	ID           string  `json:"id"`
	Name         string  `json:"name"`
	LatitudeDeg  float64 `json:"latitude_deg"`
	LongitudeDeg float64 `json:"longitude_deg"`
	// Start and End of the window of this site.
	Start time.Time `json:"start,omitzero"`
	End   time.Time `json:"end,omitzero"`
	// NotReady says why the site could not release, Held what suspends it; empty
	// where nothing is known.
	NotReady string `json:"not_ready,omitempty"`
	Held     string `json:"held,omitempty"`
}

// Reference names an earlier alert.
type Reference struct {
	ID     string    `json:"id"`
	Raised time.Time `json:"raised"`
}

// Link is evidence: an address, or the name of a picture.
type Link struct {
	Title string `json:"title"`
	URL   string `json:"url"`
}

// Caution goes with every alert.
const Caution = "Advice only. The permit, the licensed operator and local code decide; a person gives the order. Flares and generators are pyrotechnic and chemical devices: keep clear, keep the fire precautions."

// Programme is what alerts need to know of a programme.
type Programme struct {
	ID, Name string
	Sites    []Site
	Targets  []Target
	// Zone in which people live; UTC where nil.
	Zone *time.Location
	// Exercise marks everything as a rehearsal.
	Exercise bool
	// ProgramVersion goes into CAP.
	ProgramVersion string
}

// Site is a place of release.
type Site struct {
	ID, Name                  string
	LatitudeDeg, LongitudeDeg float64
}

// Target is an area; Rings are closed, [longitude, latitude], the first of each
// polygon its outline.
type Target struct {
	ID, Name string
	Outlines [][][2]float64
}

// Input is one thing that the engine learns: exactly one field is set, or none,
// which is a tick of the clock.
type Input struct {
	// Assessment of a site for release now, with its Standing.
	Assessment *seedability.Assessment
	Outlook    *seedability.Outlook
	Holds      *Holds
	Health     *Health
	Ack        *Ack
	Release    *Release
}

// Outcome of a criterion.
type Outcome string

// The outcomes; unknown counts as held.
const (
	OutcomeClear   Outcome = "clear"
	OutcomeReview  Outcome = "review"
	OutcomeHeld    Outcome = "held"
	OutcomeUnknown Outcome = "unknown"
)

// level orders outcomes; what is not one of the four is unknown.
func (o Outcome) level() int {
	switch o {
	case OutcomeClear:
		return levelClear
	case OutcomeReview:
		return levelReview
	case OutcomeHeld:
		return levelHeld
	}
	return levelUnknown
}

// Levels of a condition. Of conditions other than holds, one is in force.
const (
	levelClear = iota
	levelReview
	levelUnknown
	levelHeld
)

var levelNames = [...]string{"clear", "review", "unknown", "held"}

// Holds are outcomes of criteria. Those that are not named stay as they were; but
// after a Complete list, criteria that it does not name are no longer criteria.
type Holds struct {
	At       time.Time `json:"at"`
	Complete bool      `json:"complete"`
	Holds    []Hold    `json:"holds"`
}

// Hold is the outcome of one criterion for some sites.
type Hold struct {
	// Criterion is its identifier; of one that is judged for each site or target, one
	// that tells these apart. Name is what people call it: what has the same name is
	// told together.
	Criterion string   `json:"criterion"`
	Name      string   `json:"name"`
	Sites     []string `json:"sites"` // empty: all
	Outcome   Outcome  `json:"outcome"`
	Reason    string   `json:"reason"`
	// Readiness: the criterion is about the site itself (battery, link, units
	// left) and not about the weather. Such a site is named while a window is
	// still ahead, when there is time to drive there.
	Readiness bool   `json:"readiness"`
	LiftedBy  string `json:"lifted_by"`
	Lifts     string `json:"lifts"`
	Evidence  []Link `json:"evidence"`
}

// Health is what one worker says of itself, and which inputs of this programme it
// finds too old.
type Health struct {
	Worker string      `json:"worker"`
	At     time.Time   `json:"at"`
	State  HealthState `json:"state"`
	// Reasons why it is not ok.
	Reasons []string `json:"reasons"`
	// Stale is every input of the programme that is too old; nil where this
	// worker does not know.
	Stale []StaleInput `json:"stale"`
}

// HealthState is how a worker does.
type HealthState string

// The states of a worker.
const (
	HealthOK       HealthState = "ok"
	HealthDegraded HealthState = "degraded"
	HealthFailing  HealthState = "failing"
	HealthGone     HealthState = "gone" // it stopped saying anything
)

// StaleInput is an input that is too old.
type StaleInput struct {
	ID     string    `json:"id"`
	Newest time.Time `json:"newest,omitzero"` // zero: none has come
	Reason string    `json:"reason"`
}

// Ack is an acknowledgement: somebody has read an alert and takes care of it.
type Ack struct {
	// Alert that is acknowledged, or one that repeats it.
	Alert string    `json:"alert"`
	By    string    `json:"by"`
	At    time.Time `json:"at"`
}
