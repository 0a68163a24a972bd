package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/seedability/hindcast"
)

// hindcastCommand assesses every hour of a past season from model files.
type hindcastCommand struct {
	Programme  string        `required:"" placeholder:"FILE" help:"Programme file (YAML): sites, those that are only thought of too, targets, criteria."`
	Models     []string      `required:"" sep:"none" placeholder:"DIR" help:"Folder of model files, with the folders in it; may be given several times."`
	From       string        `placeholder:"TIME" help:"From this release on, which is included: 2026-01-01 or 2026-01-01T12:00Z; left out: the first model state."`
	To         string        `placeholder:"TIME" help:"Up to this time, which is not included; left out: the last model state."`
	Every      time.Duration `default:"1h" placeholder:"1h" help:"From one release to the next; each stands for so much time."`
	Gap        time.Duration `default:"3h" placeholder:"3h" help:"Longest time between two model states that is interpolated across; hours in longer gaps are missing."`
	Site       []string      `placeholder:"ID" help:"Only these sites."`
	Member     *int          `placeholder:"N" help:"Member of an ensemble model; needed where the files hold several."`
	AsAnalysis bool          `name:"as-analysis" help:"Take every state as an analysis, whatever its lead: for reanalyses and continuous runs."`
	Out        string        `placeholder:"DIR" help:"Folder for tables and JSON, and for what is needed to go on after an interruption; made if it is not there."`
}

func (hindcastCommand) Help() string {
	return `Says for each site and month in how many hours release there would have been worth it, by model output of past seasons, to judge where a site is worth building. Every hour is judged by the code and the criteria by which the service judges; soundings, radar and satellite take no part, and what the programme file requires of them is not asked for.

Of each valid time the run with the shortest lead is taken (the analysis, where there is one), and the model counts as old as that lead, which costs confidence; with --as-analysis it does not. A release needs model states until its ice has landed. Hours that cannot be judged are counted and named, and are no part of any share.

With --out a run that was stopped goes on where it was: hours are taken over whose programme file, program and model files (path, size, time of change) are the same. The folder gets report.txt, hindcast.json, months.csv, hours-of-day.csv, hours.csv (each hour of each site) and not-judged.csv.

Files: GRIB2, netCDF and WRF output, as "rimeline assess" reads them, of one model. A file that cannot be read is told, and the rest is done.

Examples:

    rimeline hindcast --programme sites.yaml --models hrrr/2025 --models hrrr/2026 --out hindcast
    rimeline hindcast --programme sites.yaml --models wrf/ --every 3h --as-analysis
    rimeline --json hindcast --programme sites.yaml --models reanalysis/ --gap 6h

Exit status: 0 done, 1 a file could not be read or nothing could be judged (said on standard error; the rest is done), 2 wrong usage.

` + hindcast.Caution
}

func (c *hindcastCommand) Run(env *environment) error {
	from, err := dayOrTime("--from", c.From)
	if err != nil {
		return err
	}
	to, err := dayOrTime("--to", c.To)
	if err != nil {
		return err
	}
	switch {
	case !from.IsZero() && !to.IsZero() && !from.Before(to):
		return usageError("--from must lie before --to")
	case c.Every < time.Minute || c.Every > 24*time.Hour:
		return usageError("--every: 1m to 24h")
	case c.Gap < time.Minute || c.Gap > 12*time.Hour:
		return usageError("--gap: 1m to 12h")
	}
	for _, dir := range c.Models {
		if info, err := os.Stat(dir); err != nil {
			return plainPathError(err)
		} else if !info.IsDir() {
			return usageError("--models: " + dir + " is no folder")
		}
	}
	p, err := loadProgramme(c.Programme)
	if err != nil {
		return err
	}
	j := &hindcastJob{hindcastCommand: c, env: env, judgement: judgement{programme: p, method: methodOf(p)}, from: from, to: to, started: time.Now()}
	if err := j.pickSites(); err != nil {
		return err
	}
	j.withoutObservations()
	if c.Out != "" {
		if err := os.MkdirAll(c.Out, 0o755); err != nil {
			return plainPathError(err)
		}
		if j.state, err = openHindcastState(filepath.Join(c.Out, hindcastStateName)); err != nil {
			return err
		}
		defer j.state.close()
	}
	if err := j.scan(); err != nil {
		return err
	}
	if err := j.judge(); err != nil {
		return err
	}
	return j.finish()
}

// hindcastJob is one run of the command.
type hindcastJob struct {
	*hindcastCommand
	judgement
	env      *environment
	from, to time.Time
	started  time.Time
	state    *hindcastState // nil without --out
	// required kinds of input that are not asked for here.
	required []string

	files  modelFiles
	loader stateLoader
	hours  []hindcast.Hour
	// taken over from an earlier run, assessed now, and the time that took.
	taken, assessed int
	judging         time.Duration
	shown           time.Time
	failed          []string
	failures        int
}

func (j *hindcastJob) pickSites() error {
	if len(j.Site) == 0 {
		for k := range j.programme.Sites {
			j.sites = append(j.sites, &j.programme.Sites[k])
		}
		return nil
	}
	for _, id := range j.Site {
		site := j.programme.Site(id)
		if site == nil {
			return usageError(fmt.Sprintf("--site: programme %s has no site %q", j.programme.ID, id))
		}
		j.sites = append(j.sites, site)
	}
	return nil
}

// withoutObservations takes away what is required of inputs that a hindcast does not
// have; the model stays required.
func (j *hindcastJob) withoutObservations() {
	var kept []string
	for _, kind := range j.method.Required {
		if kind == "model" {
			kept = append(kept, kind)
		} else {
			j.required = append(j.required, kind)
		}
	}
	j.method.Required = kept
	j.method.Drift.Workers = 1 // sites and hours are judged side by side
}

// wanted is the part of the model's area that plumes can reach.
func (j *hindcastJob) wanted() wanted {
	var places []grid.LatLon
	for _, site := range j.sites {
		places = append(places, site.Place())
	}
	south, west, north, east := j.programme.Bounds()
	for _, corner := range [][2]float64{{south, west}, {south, east}, {north, west}, {north, east}} {
		places = append(places, grid.LatLon{LatitudeDeg: corner[0], LongitudeDeg: corner[1]})
	}
	return wanted{places: places, marginM: domainMarginM}
}

// mostFailures are told one by one.
const mostFailures = 100

// fail counts what could not be read, and tells it.
func (j *hindcastJob) fail(err error) {
	j.failures++
	if len(j.failed) < mostFailures {
		text := oneLine(err)
		j.failed = append(j.failed, text)
		j.env.warn("%s", text)
	}
}

// progress goes to a terminal alone.
func (j *hindcastJob) progress(format string, arguments ...any) {
	if isTerminal(j.env.Stderr) && time.Since(j.shown) > 500*time.Millisecond {
		j.shown = time.Now()
		fmt.Fprintf(j.env.Stderr, "\r\x1b[K"+format, arguments...)
	}
}

func (j *hindcastJob) endProgress() {
	if isTerminal(j.env.Stderr) {
		fmt.Fprint(j.env.Stderr, "\r\x1b[K")
	}
}

// finish sums up, writes and shows.
func (j *hindcastJob) finish() error {
	j.endProgress()
	report, err := j.report()
	if err != nil {
		return err
	}
	if j.Out != "" {
		if err := j.writeReport(report); err != nil {
			return err
		}
	}
	if j.env.JSON {
		err = writeJSON(j.env.Stdout, report)
	} else {
		err = showHindcast(j.env.Stdout, report)
		if err == nil && j.Out != "" {
			fmt.Fprintf(j.env.Stdout, "\nWritten: %s\n", filepath.Join(j.Out, "report.txt"))
		}
	}
	if err != nil {
		return err
	}
	judged := 0.0
	for _, row := range report.Sites {
		judged += row.Judged
	}
	switch {
	case judged == 0:
		return errors.New("no hour of any site could be judged: see why above")
	case j.failures > 0:
		j.env.warn("%s could not be read; the rest was done", count(j.failures, "file or model state"))
		return errReported
	}
	return nil
}

// hindcastReport is the result with what it was made from.
type hindcastReport struct {
	Programme string          `json:"programme"`
	Name      string          `json:"name"`
	Timezone  string          `json:"timezone"`
	SiteNames []hindcast.Site `json:"site_names"`
	// From is the first release, To lies after the last one.
	From         time.Time `json:"from"`
	To           time.Time `json:"to"`
	EveryMinutes float64   `json:"every_minutes"`
	GapMinutes   float64   `json:"gap_minutes"`
	AsAnalysis   bool      `json:"as_analysis"`
	// WindowScore with MinimumConfidence is what an hour must reach.
	WindowScore       float64 `json:"window_score"`
	MinimumConfidence float64 `json:"minimum_confidence"`
	// NotAsked are kinds of input that the programme file requires in service.
	NotAsked []string `json:"required_but_not_asked"`
	Model    struct {
		Grid   string `json:"grid"`
		Files  int    `json:"files"`
		States int    `json:"states"`
		// PassedOver are files without fields of an atmosphere around the sites.
		PassedOver   int     `json:"files_passed_over"`
		MeanLeadHour float64 `json:"mean_lead_hours"`
	} `json:"model"`
	ProgramVersion  string   `json:"program_version"`
	ProgrammeSHA256 string   `json:"programme_sha256"`
	Notes           []string `json:"notes"`
	Failures        int      `json:"failures"`
	Failed          []string `json:"failed"`
	// Taken over from an earlier run, and Assessed in this one.
	Taken    int     `json:"hours_taken_over"`
	Assessed int     `json:"hours_assessed"`
	Seconds  float64 `json:"seconds"`
	*hindcast.Climate
}

func (j *hindcastJob) report() (*hindcastReport, error) {
	r := &hindcastReport{Programme: j.programme.ID, Name: j.programme.Name, Timezone: j.programme.Location.String(), From: j.from, To: j.to,
		EveryMinutes: j.Every.Minutes(), GapMinutes: j.Gap.Minutes(), AsAnalysis: j.AsAnalysis, WindowScore: j.method.Limits.WindowScore, MinimumConfidence: j.method.Limits.MinimumConfidence,
		NotAsked: append([]string{}, j.required...), ProgramVersion: version(), ProgrammeSHA256: j.programme.SHA256, Notes: append([]string{}, j.loader.notes...), Failures: j.failures, Failed: append([]string{}, j.failed...),
		Taken: j.taken, Assessed: j.assessed, Seconds: time.Since(j.started).Seconds()}
	r.Model.Grid, r.Model.Files, r.Model.States, r.Model.PassedOver = j.files.grid, len(j.files.files), len(j.files.times), j.files.passedOver
	var sites []hindcast.Site
	for _, site := range j.sites {
		sites = append(sites, hindcast.Site{ID: site.ID, Name: site.Name})
	}
	r.SiteNames = sites
	lead, n := 0.0, 0
	for k := range j.hours {
		if h := &j.hours[k]; h.Outcome != hindcast.Missing {
			lead, n = lead+h.LeadHours, n+1
		}
	}
	if n > 0 {
		r.Model.MeanLeadHour = lead / float64(n)
	}
	var err error
	r.Climate, err = hindcast.Climatology(sites, j.hours, hindcast.Options{Location: j.programme.Location, Every: j.Every})
	return r, err
}

// siteNames of a report by id.
func (r *hindcastReport) name(id string) string {
	for _, s := range r.SiteNames {
		if s.ID == id && s.Name != "" {
			return s.Name
		}
	}
	return id
}

// keyOf is what results of an hour depend on beside the model states: see states.
func (j *hindcastJob) keyOf() string {
	member := "any"
	if j.Member != nil {
		member = fmt.Sprint(*j.Member)
	}
	return strings.Join([]string{version(), j.programme.SHA256, fmt.Sprint(j.programme.GeometrySHA256), member, j.Gap.String(), fmt.Sprint(j.AsAnalysis, j.siteKey())}, "\n")
}

// siteKey: the box of air is cut out around all sites of a run.
func (j *hindcastJob) siteKey() []string {
	var ids []string
	for _, s := range j.sites {
		ids = append(ids, s.ID)
	}
	return ids
}
