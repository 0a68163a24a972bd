package main

import (
	"bytes"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/seedability/archive"
	"rimeline/seedability/evaluate"
	evaluation "rimeline/seedability/evaluate/report"
)

// evaluateCommand says how good scores, outlooks and operations were.
type evaluateCommand struct {
	Archive   string `required:"" type:"existingdir" placeholder:"DIR" help:"Folder of the archive."`
	Programme string `placeholder:"ID" help:"Of which programme; left out: the only one in the archive."`
	From      string `placeholder:"TIME" help:"First release time: 2026-01-01 or 2026-01-01T12:00Z; left out: the beginning."`
	To        string `placeholder:"TIME" help:"Release times before this; left out: the end."`
	Out       string `required:"" type:"path" placeholder:"DIR" help:"Folder for the report, its tables and JSON; made if it is not there."`

	Observed []string          `sep:"none" placeholder:"FILE" help:"Observations to compare with: CSV, Parquet or netCDF; may be given several times."`
	Place    []string          `sep:"none" placeholder:"PLACE=SITE,SITE" help:"Sites that a place of the observations is compared with."`
	Event    map[string]string `placeholder:"QUANTITY=VALUE" help:"From which value on an observation is an event."`
	Lag      time.Duration     `default:"0" placeholder:"DURATION" help:"How long after the release an observation counts, such as 45m for what lands."`

	Units       string   `type:"existingfile" placeholder:"FILE" help:"CSV of seasons or storms with amounts of target and controls, for an effect of seeding."`
	Target      string   `default:"target" placeholder:"COLUMN" help:"Column of the target's amounts."`
	Control     []string `placeholder:"COLUMN" help:"Columns of the controls' amounts."`
	Seeded      string   `default:"seeded" placeholder:"COLUMN" help:"Column with yes or no."`
	UnitName    string   `name:"unit-name" placeholder:"COLUMN" help:"Column with the name of each unit."`
	Block       string   `placeholder:"COLUMN" help:"Column with the block within which it was drawn by lot what to seed."`
	Randomised  bool     `help:"What to seed was drawn by lot, within the blocks."`
	Predeclared bool     `help:"Target, controls and method were written down before the data were seen."`
	Comparisons int      `placeholder:"N" help:"How many comparisons were made in all, this one included."`

	WindowScore float64 `name:"window-score" placeholder:"SCORE" help:"Take a score from here on as a window, whatever the state."`
	Replicates  int     `default:"2000" placeholder:"N" help:"Resampled sets for intervals."`
	Seed        uint64  `default:"1" placeholder:"N" help:"Of what is drawn by chance; the same seed gives the same report."`
}

func (evaluateCommand) Help() string {
	return `Compares outlooks with the assessments made later and with observations, says what seasons or storms tell of an effect of seeding, and what was made of windows, alerts and holds. Writes report.html (one file, to be read anywhere and printed), report.json and CSV tables.

Observations: columns time, site or place, quantity, value, unit, minutes, in any order. time is in RFC 3339 with its zone, at the end of the period that minutes says; without minutes it is a moment. A missing value is left empty. Quantities and units: ` + quantityHelp() + `. netCDF: one dimension, time and a text variable site or place, minutes where there is a period, and a variable with units for each quantity, under its name or CF standard name.

Every file of observations is read whole before anything is compared; a row that cannot be used is told with file and line, and nothing is written.

Examples:

    rimeline evaluate --archive archive --from 2025-11-01 --to 2026-04-16 --out season
    rimeline evaluate --archive archive --observed gauges.csv --observed icing.csv --place "ridge gauge=hut,barn" --lag 45m --out season
    rimeline evaluate --archive archive --units seasons.csv --target upper --control north --control south --out season

Exit status: 0 written, 1 not all could be read (the report says what) or nothing was written, 2 wrong usage.

None of these numbers is a proof that seeding worked or did not.`
}

func quantityHelp() string {
	var all []string
	for k := range evaluation.Quantities {
		q := &evaluation.Quantities[k]
		all = append(all, fmt.Sprintf("%s (%s)", q.Name, q.UnitNames()))
	}
	return strings.Join(all, "; ")
}

func (c *evaluateCommand) Run(env *environment) error {
	o := evaluation.Options{Programme: c.Programme, WindowScore: c.WindowScore, Lag: c.Lag, Made: time.Now().UTC().Truncate(time.Second), ProgramVersion: version(),
		Bootstrap: evaluate.BootstrapOptions{Replicates: c.Replicates, Seed: c.Seed}}
	var err error
	if o.From, err = dayOrTime("--from", c.From); err != nil {
		return err
	}
	if o.To, err = dayOrTime("--to", c.To); err != nil {
		return err
	}
	switch {
	case c.Replicates < 100 || c.Replicates > 100_000:
		return usageError("--replicates: 100 to 100000")
	case !(c.WindowScore >= 0 && c.WindowScore <= 100):
		return usageError("--window-score: 0 to 100")
	case c.Comparisons < 0:
		return usageError("--comparisons: 1 or more")
	case c.Units == "" && (len(c.Control) > 0 || c.Randomised || c.Predeclared || c.Block != "" || c.UnitName != ""):
		return usageError("--control, --block, --unit-name, --randomised and --predeclared need --units")
	case len(c.Observed) == 0 && (len(c.Place) > 0 || len(c.Event) > 0):
		return usageError("--place and --event need --observed")
	case !o.From.IsZero() && !o.To.IsZero() && !o.From.Before(o.To):
		return usageError("--from must lie before --to")
	case o.Lag < -24*time.Hour || o.Lag > 24*time.Hour:
		return usageError("--lag: -24h to 24h")
	}
	reader, err := archive.OpenReader(c.Archive)
	if err != nil {
		return err
	}
	if o.Programme, err = onlyProgramme(reader, c.Programme); err != nil {
		return err
	}
	if len(c.Observed) > 0 {
		if o.Observations, err = c.observations(env, reader, o.Programme); err != nil {
			return err
		}
	}
	effect, err := c.effect(o.Bootstrap)
	if err != nil {
		return err
	}
	r, err := evaluation.Gather(env, reader, o)
	if err != nil {
		return err
	}
	r.Effect = effect
	if err := writeReport(c.Out, r); err != nil {
		return err
	}
	if env.JSON {
		if err := r.WriteJSON(env.Stdout); err != nil {
			return err
		}
	} else {
		for _, line := range r.Lines() {
			fmt.Fprintln(env.Stdout, line)
		}
		fmt.Fprintf(env.Stdout, "Written: %s\n", filepath.Join(c.Out, "report.html"))
	}
	for _, problem := range r.Problems {
		env.warn("%s", problem)
	}
	if len(r.Problems) > 0 {
		return errReported
	}
	return nil
}

// dayOrTime reads a day, which begins at 00 UTC, or a time with its zone.
func dayOrTime(flag, text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	for _, form := range []string{time.DateOnly, time.RFC3339, "2006-01-02T15:04Z07:00"} {
		if t, err := time.Parse(form, text); err == nil {
			return t.UTC(), nil
		}
	}
	return time.Time{}, usageError(fmt.Sprintf("%s: %q is neither a day such as 2026-01-14 nor a time such as 2026-01-14T05:00Z", flag, text))
}

// onlyProgramme is the programme that was named, or the only one there is.
func onlyProgramme(reader *archive.Reader, named string) (string, error) {
	all, err := reader.Programmes()
	if err != nil {
		return "", err
	}
	all = slices.DeleteFunc(all, func(name string) bool { return strings.HasPrefix(name, "_") })
	switch {
	case named != "" && slices.Contains(all, named):
		return named, nil
	case named != "" && len(all) == 0:
		return named, nil // an archive without days gives a report that says so
	case named != "":
		return "", usageError(fmt.Sprintf("--programme: the archive has no %q; it has %s", named, strings.Join(all, ", ")))
	case len(all) == 1:
		return all[0], nil
	case len(all) == 0:
		return "", errors.New("the archive has no programme yet: there is nothing to evaluate")
	}
	return "", usageError("--programme is needed: the archive has " + strings.Join(all, ", "))
}

// sitesOf lists the sites that have scores or outlooks.
func sitesOf(reader *archive.Reader, programme string) ([]string, error) {
	days, err := reader.Days(programme)
	var sites []string
	seen := map[string]bool{}
	for _, day := range days {
		for _, table := range []string{archive.TableScores, archive.TableOutlooks} {
			for _, group := range day.Manifest.Tables[table].Groups {
				if !seen[group.Name] {
					seen[group.Name] = true
					sites = append(sites, group.Name)
				}
			}
		}
	}
	slices.Sort(sites)
	if len(sites) > 0 {
		err = nil // days that cannot be read are told by the report
	}
	return sites, err
}

func (c *evaluateCommand) observations(env *environment, reader *archive.Reader, programme string) (*evaluation.Observations, error) {
	sites, err := sitesOf(reader, programme)
	if err != nil {
		return nil, err
	}
	places := map[string][]string{}
	for _, text := range c.Place {
		place, list, ok := strings.Cut(text, "=")
		if !ok || place == "" || list == "" {
			return nil, usageError(fmt.Sprintf("--place: %q is not as PLACE=SITE,SITE", text))
		}
		for _, site := range strings.Split(list, ",") {
			if site = strings.TrimSpace(site); !slices.Contains(places[place], site) {
				places[place] = append(places[place], site)
			}
		}
	}
	observations, err := evaluation.NewObservations(sites, places, time.Now())
	if err != nil {
		return nil, usageError("--place: " + err.Error())
	}
	thresholds := map[string]float64{}
	for name, text := range c.Event {
		x, err := strconv.ParseFloat(text, 64)
		if err != nil || math.IsNaN(x) {
			return nil, usageError(fmt.Sprintf("--event: %q is no number", text))
		}
		thresholds[name] = x
	}
	if err := observations.Events(thresholds); err != nil {
		return nil, usageError("--event: " + err.Error())
	}
	var failed []error
	for _, path := range c.Observed {
		if err := readObservations(env, observations, path); err != nil {
			failed = append(failed, err)
		}
	}
	if err := errors.Join(failed...); err != nil {
		return nil, err
	}
	return observations, observations.Close()
}

func (c *evaluateCommand) effect(b evaluate.BootstrapOptions) (*evaluation.Effect, error) {
	if c.Units == "" {
		return nil, nil
	}
	file, err := os.Open(c.Units)
	if err != nil {
		return nil, plainPathError(err)
	}
	defer file.Close()
	units, err := evaluation.ReadUnits(c.Units, file, evaluation.EffectColumns{Name: c.UnitName, Target: c.Target, Seeded: c.Seeded, Block: c.Block, Controls: c.Control})
	if err != nil {
		return nil, err
	}
	return evaluation.NewEffect(units, evaluate.Design{Randomised: c.Randomised, Predeclared: c.Predeclared, Comparisons: c.Comparisons}, b)
}

// writeReport writes all files of a report, each whole or not at all.
func writeReport(dir string, r *evaluation.Report) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return plainPathError(err)
	}
	write := func(name string, f func(io.Writer) error) error {
		var content bytes.Buffer
		if err := f(&content); err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		return renameio.WriteFile(filepath.Join(dir, name), content.Bytes(), 0o644)
	}
	tables := r.Tables()
	for k := range tables {
		if err := write(tables[k].Name, tables[k].Write); err != nil {
			return err
		}
	}
	if err := write("report.json", r.WriteJSON); err != nil {
		return err
	}
	return write("report.html", r.WriteHTML)
}

// readObservations reads one file, by what it holds.
func readObservations(env *environment, into *evaluation.Observations, path string) error {
	in, err := openInput(path)
	if err != nil {
		return err
	}
	defer in.close()
	if in.err != nil {
		return in.err
	}
	switch {
	case bytes.HasPrefix(in.head, []byte("PAR1")):
		if in.inPlace {
			return into.ReadParquet(path, in.file, in.size)
		}
		return into.ReadParquet(path, bytes.NewReader(in.bytes), int64(len(in.bytes)))
	case isNetCDFHead(in.head):
		return readNetCDFObservations(env, into, in)
	case in.inPlace:
		return into.ReadCSV(path, io.NewSectionReader(in.file, 0, in.size))
	}
	return into.ReadCSV(path, bytes.NewReader(in.bytes))
}
