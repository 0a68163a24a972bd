package report

import (
	"fmt"
	"math"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/evaluate"
)

// Report is everything that was found; the JSON file has it as it is.
type Report struct {
	Programme      string    `json:"programme"`
	From           time.Time `json:"from,omitzero"`
	To             time.Time `json:"to,omitzero"`
	Made           time.Time `json:"made,omitzero"`
	ProgramVersion string    `json:"program_version,omitempty"`
	// Assessments and OutlookReleases that were read, over Days days of the archive.
	Assessments     int64 `json:"assessments"`
	OutlookReleases int64 `json:"outlook_releases"`
	Days            int   `json:"days"`
	// Problems: what could not be read. Numbers are then of less than there is.
	Problems []string `json:"problems"`
	// Notes say what was left out and why.
	Notes      []string    `json:"notes"`
	Forecast   Forecast    `json:"forecast"`
	Observed   []Observed  `json:"observed"`
	Effect     *Effect     `json:"effect,omitempty"`
	Operations Operations  `json:"operations"`
	Settings   []Setting   `json:"settings"`
	Glossary   []Explained `json:"definitions"`
}

// Setting is one choice that numbers depend on.
type Setting struct {
	Name  string `json:"name"`
	Value string `json:"value"`
	Why   string `json:"why"`
}

// Explained is a definition with its formula and source.
type Explained struct {
	Key     string `json:"key"`
	Name    string `json:"name"`
	Formula string `json:"formula"`
	Range   string `json:"range"`
	Chance  string `json:"without_skill"`
	Source  string `json:"source"`
}

// Forecast compares outlooks with the assessments that were made later.
type Forecast struct {
	Compared   string                    `json:"compared"`
	Pairs      evaluate.PairCounts       `json:"pairs"`
	Ignored    int64                     `json:"ignored_assessments"`
	Comparison evaluate.ComparisonResult `json:"comparison"`
	Lagged     []Lagged                  `json:"lagged_ensembles"`
}

// Lagged is the CRPS of the scores that several outlooks gave for one release time.
type Lagged struct {
	Lead     string              `json:"lead"`
	CRPS     evaluate.CRPSResult `json:"crps"`
	Interval evaluate.Estimate   `json:"interval"`
	Days     int                 `json:"days"`
}

// Operations compares windows with releases, holds, alerts and acknowledgements.
type Operations struct {
	Compared string               `json:"compared"`
	Total    evaluate.Operation   `json:"total"`
	Sites    []evaluate.Operation `json:"sites"`
	// States are the minutes that each site stood in each state.
	States   []StateMinutes `json:"states"`
	Windows  []WindowRecord `json:"windows"`
	Releases []ReleaseMark  `json:"releases"`
	// Lead is how long before a window opened it was told of.
	Lead evaluate.LeadTimes `json:"lead"`
	// Announced is how many windows were told of ahead, site by site, and NotCome how
	// many of them had no window within three hours.
	Announced int                       `json:"announced"`
	NotCome   int                       `json:"not_come"`
	Acks      evaluate.Acknowledgements `json:"acknowledgements"`
	AcksBy    []AcksOfKind              `json:"acknowledgements_by_kind"`
	Exercises int                       `json:"exercise_alerts"`
	Cautions  []string                  `json:"cautions"`
	Why       string                    `json:"why,omitempty"`
}

// AcksOfKind are the acknowledgements of one kind of alert.
type AcksOfKind struct {
	Kind string                    `json:"kind"`
	Acks evaluate.Acknowledgements `json:"acknowledgements"`
}

// StateMinutes are the minutes in each state, as the scores say.
type StateMinutes struct {
	Site    string                        `json:"site"`
	Minutes map[seedability.State]float64 `json:"minutes"`
	// Unknown minutes lie between scores that are too far apart to say.
	Unknown float64 `json:"unknown"`
	Scores  int64   `json:"scores"`
}

// WindowRecord is one window and what became of it.
type WindowRecord struct {
	Site    string    `json:"site"`
	Start   time.Time `json:"start"`
	End     time.Time `json:"end"`
	Minutes float64   `json:"minutes"`
	Held    float64   `json:"held_minutes"`
	Used    float64   `json:"used_minutes"`
	Missed  float64   `json:"missed_minutes"`
}

// ReleaseMark is one release and how much of it lay outside windows or in holds.
type ReleaseMark struct {
	ID      string    `json:"id"`
	Site    string    `json:"site"`
	Unit    string    `json:"unit"`
	Who     string    `json:"who"`
	Start   time.Time `json:"start"`
	End     time.Time `json:"end"`
	Grams   float64   `json:"grams"`
	Outside float64   `json:"outside_minutes"`
	Held    float64   `json:"held_minutes"`
	// Holds that stood then, each with its reason.
	Holds []string `json:"holds"`
}

// Options say what is read and how it is compared.
type Options struct {
	Programme string
	// From is included, To is not; zero for no bound. They bound release times.
	From, To time.Time
	Pairs    evaluate.PairOptions
	// WindowScore above 0 decides what a window is, in place of the state.
	WindowScore float64
	// HeldScore: under a hold a score from here on counts as a window that was
	// suspended; 60.
	HeldScore   float64
	DayBoundary time.Duration
	Bootstrap   evaluate.BootstrapOptions
	// Observations to compare with; nil for none.
	Observations *Observations
	// Lag after the release at which an observation counts.
	Lag time.Duration
	// Gap between scores from which on nobody knows what was between; 30 minutes.
	Gap time.Duration
	// Made and ProgramVersion stand in the report.
	Made           time.Time
	ProgramVersion string
}

func (o *Options) defaults() error {
	if o.Pairs.Tolerance == 0 {
		o.Pairs.Tolerance = 10 * time.Minute
	}
	if o.Pairs.JudgedWithin == 0 {
		o.Pairs.JudgedWithin = 30 * time.Minute
	}
	if o.Pairs.LeadEdges == nil {
		o.Pairs.LeadEdges = evaluate.DefaultLeadEdges
	}
	if o.HeldScore == 0 {
		o.HeldScore = seedability.DefaultLimits().WindowScore
	}
	if o.DayBoundary == 0 {
		o.DayBoundary = 12 * time.Hour
	}
	if o.Gap == 0 {
		o.Gap = seedability.DefaultLongestGap
	}
	switch {
	case !o.From.IsZero() && !o.To.IsZero() && !o.From.Before(o.To):
		return fmt.Errorf("the period from %s to %s is empty", clock(o.From), clock(o.To))
	case o.Pairs.LeadEdges[len(o.Pairs.LeadEdges)-1] > maxLead:
		return fmt.Errorf("lead times above %s are not compared", maxLead)
	case o.Pairs.Tolerance > time.Hour || o.Pairs.Tolerance < 0 || o.Pairs.JudgedWithin > 12*time.Hour:
		return fmt.Errorf("release times may differ by up to an hour, assessments may lie up to 12 hours from their release")
	case o.Lag < -24*time.Hour || o.Lag > 24*time.Hour:
		return fmt.Errorf("a lag of %s is outside -24 to 24 hours", o.Lag)
	case o.Gap < 0 || o.Gap > 24*time.Hour:
		return fmt.Errorf("a gap of %s between scores is outside 0 to 24 hours", o.Gap)
	}
	return nil
}

// Bounds of what is held.
const (
	maxLead       = 10 * 24 * time.Hour
	maxJudgedHeld = 8_000_000 // assessments at a time, some 100 bytes each
	maxSpans      = 2_000_000
	maxRecords    = 1_000_000 // releases, alerts, acknowledgements, of each
	maxProblems   = 20
)

func clock(t time.Time) string { return t.UTC().Format("2006-01-02 15:04 UTC") }

func (r *Report) problem(err error) {
	switch n := len(r.Problems); {
	case n < maxProblems:
		r.Problems = append(r.Problems, err.Error())
	case n == maxProblems:
		r.Problems = append(r.Problems, "and more, not listed")
	}
}

func (r *Report) note(format string, arguments ...any) {
	r.Notes = append(r.Notes, fmt.Sprintf(format, arguments...))
}

func nan() float64 { return math.NaN() }
