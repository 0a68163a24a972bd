package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/seedability/alert"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/evaluate/activity"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// reportCommand makes reports for others from the record.
type reportCommand struct {
	Activity reportActivityCommand `cmd:"" help:"Daily log and monthly totals of what was released, as 15 CFR Part 908 or a template asks."`
}

type reportActivityCommand struct {
	Programme string `required:"" placeholder:"FILE" help:"Programme file: sites, targets, time zone."`
	Operator  string `placeholder:"FILE" help:"What only the operator knows: file number, names, addresses, equipment (YAML). Left out: all that is missing."`
	Archive   string `placeholder:"DIR" help:"Read the records from this archive."`
	Releases  string `placeholder:"FILE" help:"Read the records from this file: .csv as of \"release list --csv\", .ndjson as of an archive. Without --archive and --releases they are read from the bus."`
	From      string `required:"" placeholder:"DATE" help:"First local day of the period, such as 2026-01-01."`
	To        string `required:"" placeholder:"DATE" help:"Last local day of the period, included."`
	Kind      string `default:"interim" enum:"interim,final" help:"interim (908.5) or final (908.6)."`
	Template  string `placeholder:"FILE" help:"Fill in this template (Go text/template) too, for another authority: NAME.tmpl becomes NAME."`
	Out       string `required:"" placeholder:"DIR" help:"Folder for the report; made if it is not there."`
	Replace   bool   `help:"Replace files of a report that is in the folder already."`
	dutyFlags
}

func (reportActivityCommand) Help() string {
	return `Writes what a programme released in a period, for the authority that asks: report.html to be printed and signed, and tables as CSV (daily-log, monthly, monthly-detail, fields, missing, corrections).

What counts is the record after corrections. Days are local days of the programme's zone; a release across midnight counts by its share of time. Months without activity are reported with zeros. What neither the record nor the files say stays blank, and is named item by item. Nothing is sent to anybody.

It follows 15 CFR Part 908 (United States); the report says which text was read, and when. For another authority give a template: its data and functions are described with Execute in package rimeline/seedability/evaluate/activity, and --json prints the data.

The operator answers for the report, which is no legal advice: compare it with your own log, the rule in force and the current forms before you sign or file it.

Keys of the operator's file, each of which may be left out:

    noaa_file_number, project, purpose, first_date, last_date, licence, remarks
    operator, sponsor, log_holder, reporting_person:
        name, affiliation, title, phone, street, city, state, zip_code
    target_area, control_area: location, size_sq_mi
    apparatus_description, agents_description, techniques, weather_treated
    safeguards: environmental_impact_statement, forecasts_and_warnings,
        safety_procedures (yes or no)
    apparatus: a list of site, unit, type, make, model, responsible (without a unit:
        all of the site; "rack 1" is also what the record has as "rack 1, no. 4")
    purposes: a list of record (text of the record) and counts_as
        (increase_precipitation, alleviate_hail, fog, other)
    agents: a list of record and counts_as
        (silver_iodide, carbon_dioxide, urea, sodium_chloride, other)

Examples:

    rimeline report activity --programme larkspur.yaml --operator operator.yaml --archive /var/lib/rimeline/archive --from 2026-01-01 --to 2026-12-31 --out report-2026
    rimeline release list --csv > records.csv
    rimeline report activity --programme larkspur.yaml --releases records.csv --kind final --from 2025-11-01 --to 2026-04-15 --template canton.txt.tmpl --out report

Exit status: 0 written, 1 something failed or records were left out (said on standard error; the rest is still written), 2 wrong usage.`
}

const maxOperatorFileBytes = 1 << 20

func (c *reportActivityCommand) Run(env *environment) error {
	from, to, err := c.check()
	if err != nil {
		return err
	}
	p, err := loadProgramme(c.Programme)
	if err != nil {
		return err
	}
	in := activity.Input{Programme: p, From: from, To: to, Kind: c.Kind, Written: time.Now().UTC().Truncate(time.Second), Version: "rimeline " + version()}
	if c.Operator != "" {
		b, err := readFileBytes(c.Operator, maxOperatorFileBytes)
		if err != nil {
			return err
		}
		if in.Operator, err = activity.ParseOperator(c.Operator, b); err != nil {
			return err
		}
	}
	var template []byte
	if c.Template != "" {
		if template, err = readFileBytes(c.Template, activity.MaxTemplateBytes); err != nil {
			return err
		}
	}
	if in.Records, err = c.records(env, p); err != nil {
		return err
	}
	report, err := activity.Build(in)
	if err != nil {
		return err
	}
	page, err := report.HTML()
	if err != nil {
		return err
	}
	files := append(report.CSV(), activity.File{Name: "report.html", Bytes: page})
	if c.Template != "" {
		filled, err := report.Execute(filepath.Base(c.Template), string(template))
		if err != nil {
			return err
		}
		files = append(files, activity.File{Name: c.filledName(), Bytes: filled})
	}
	if err := c.write(files); err != nil {
		return err
	}
	return c.show(env, report, files)
}

// check finds what is wrong with the flags.
func (c *reportActivityCommand) check() (from, to time.Time, err error) {
	for _, flag := range []struct {
		name, text string
		into       *time.Time
	}{{"--from", c.From, &from}, {"--to", c.To, &to}} {
		if *flag.into, err = time.Parse(time.DateOnly, flag.text); err != nil || flag.into.Year() < 1900 || flag.into.Year() > 2200 {
			return from, to, usageError(fmt.Sprintf("%s: %s is no date such as 2026-01-31", flag.name, quoted(flag.text)))
		}
	}
	switch days := int(to.Sub(from).Hours()/24) + 1; {
	case to.Before(from):
		return from, to, usageError("--to lies before --from")
	case days > activity.MaxDays:
		return from, to, usageError(fmt.Sprintf("--from, --to: the period has %d days, at most %d are reported at once", days, activity.MaxDays))
	case c.Archive != "" && c.Releases != "":
		return from, to, usageError("--archive and --releases exclude each other")
	case c.Archive+c.Releases != "" && c.Nats+c.Data+c.Creds+c.NKey+c.User != "":
		return from, to, usageError("--nats, --data and what belongs to them are for records on the bus; --archive and --releases read files")
	case c.Releases != "" && !strings.HasSuffix(c.Releases, ".csv") && !strings.HasSuffix(c.Releases, ".ndjson"):
		return from, to, usageError("--releases: a file that ends in .csv or .ndjson")
	case c.Template != "" && (!strings.HasSuffix(c.Template, ".tmpl") || strings.HasPrefix(c.filledName(), ".") || c.filledName() == ""):
		return from, to, usageError("--template: a file whose name ends in .tmpl, such as canton.txt.tmpl")
	}
	return from, to, nil
}

func (c *reportActivityCommand) filledName() string {
	return strings.TrimSuffix(filepath.Base(c.Template), ".tmpl")
}

// records reads them from where they are.
func (c *reportActivityCommand) records(env *environment, p *programme.Programme) (*activity.Records, error) {
	r := activity.NewRecords(p.ID)
	defer r.Close()
	switch {
	case c.Archive != "":
		return r, c.fromArchive(env, r, p.ID)
	case c.Releases != "":
		b, err := readFileBytes(c.Releases, activity.MaxRecordsBytes)
		if err != nil {
			return nil, err
		}
		if strings.HasSuffix(c.Releases, ".csv") {
			return r, r.ReadCSV(c.Releases, b)
		}
		return r, r.ReadNDJSON(c.Releases, b)
	}
	d, err := c.openDesk(env, p.ID)
	if err != nil {
		return nil, err
	}
	defer d.Close()
	records, err := d.releases()
	if err != nil {
		return nil, err
	}
	for k := range records.valid {
		r.Add(records.valid[k], "record "+printable(records.valid[k].ID))
	}
	for _, left := range records.left {
		r.Leave("bus", left)
	}
	return r, nil
}

// fromArchive reads all records of the programme, not only those of the period: what
// was released in it may have been recorded or corrected later.
func (c *reportActivityCommand) fromArchive(env *environment, r *activity.Records, id string) error {
	reader, err := archive.OpenReader(c.Archive)
	if err != nil {
		return err
	}
	// A day that cannot be read is named below.
	if days, err := reader.Days(id); len(days) == 0 && err == nil {
		programmes, err := reader.Programmes()
		if err != nil {
			return err
		}
		return fmt.Errorf("%s: has no day of the programme %s; it has %s", c.Archive, id, strings.Join(programmes, ", "))
	}
	for event, err := range reader.Events(env, archive.Query{Programme: id}, bus.Release.Name) {
		if err := env.Err(); err != nil {
			return err
		}
		if err != nil {
			r.Leave(c.Archive, oneLine(err))
			continue
		}
		one, err := message.As[alert.Release](event)
		if err != nil {
			r.Leave(c.Archive+": message "+printable(event.ID), err.Error())
			continue
		}
		r.Add(one, c.Archive+": message "+printable(event.ID))
	}
	return nil
}

// write puts the files into the folder. A report that may have been filed is not
// replaced unless that is asked for.
func (c *reportActivityCommand) write(files []activity.File) error {
	names := map[string]bool{}
	for _, f := range files {
		if names[f.Name] {
			return usageError(fmt.Sprintf("--template: %s is a file of the report itself; name the template otherwise", quoted(f.Name)))
		}
		names[f.Name] = true
		if _, err := os.Lstat(filepath.Join(c.Out, f.Name)); err == nil && !c.Replace {
			return fmt.Errorf("%s is there already: nothing was written; take another folder, or --replace", filepath.Join(c.Out, f.Name))
		} else if err != nil && !errors.Is(err, fs.ErrNotExist) {
			return plainPathError(err)
		}
	}
	if err := os.MkdirAll(c.Out, 0o755); err != nil {
		return plainPathError(err)
	}
	for _, f := range files {
		if err := renameio.WriteFile(filepath.Join(c.Out, f.Name), f.Bytes, 0o644); err != nil {
			return plainPathError(err)
		}
	}
	return nil
}

func (c *reportActivityCommand) show(env *environment, r *activity.Report, files []activity.File) error {
	for _, left := range r.Left {
		env.warn("left out: %s", printable(left))
	}
	var end error
	if len(r.Left) > 0 {
		env.warn("records were left out: see section 5 of the report before you sign it")
		end = errReported
	}
	if env.JSON {
		if err := writeJSON(env.Stdout, r); err != nil {
			return err
		}
		return end
	}
	p := &page{w: env.Stdout}
	p.printf("%s (%s): %s report, %s to %s\n", printable(r.Programme), r.ID, r.Kind, r.From, r.To)
	if r.NoActivity() {
		p.printf("No activity in this period; the report says so.\n")
	}
	rows := [][]string{{"MONTH", "DAYS", "HOURS", "GRAMS"}}
	for _, m := range r.Months {
		rows = append(rows, []string{m.Month, fmt.Sprint(m.Days), fmt.Sprintf("%.2f", m.Hours), number(m.Grams)})
	}
	rows = append(rows, []string{"all", fmt.Sprint(r.Total.Days), fmt.Sprintf("%.2f", r.Total.Hours), number(r.Total.Grams)})
	p.table("", rows)
	p.printf("\n%s missing:\n", count(len(r.Missing), "item"))
	for k, m := range r.Missing {
		if k == 15 {
			p.printf("  and %d more, all in missing.csv\n", len(r.Missing)-k)
			break
		}
		p.printf("  %s (%s): %s\n", shorten(printable(m.What), 90), m.Rule, shorten(printable(m.Where), 90))
	}
	p.printf("\n%s in %s:", count(len(files), "file"), c.Out)
	for _, f := range files {
		p.printf(" %s", f.Name)
	}
	p.printf("\n\n")
	p.paragraph("The operator answers for this report, and it is no legal advice. It follows " + r.Edition.Rule + ", read " + r.Edition.Read + ". " + r.Edition.Ask)
	if p.err != nil {
		return p.err
	}
	return end
}
