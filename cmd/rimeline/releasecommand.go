package main

import (
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// releaseCommand is the record of what was really released.
type releaseCommand struct {
	Add   releaseAddCommand   `cmd:"" help:"Record what was released at a site, or correct a record."`
	List  releaseListCommand  `cmd:"" help:"Show the records, as a table, JSON or CSV."`
	Total releaseTotalCommand `cmd:"" help:"Sum what was released on the local day and in the season."`
}

// releaseCaution goes with every record.
const releaseCaution = "A record of what people did: nothing was commanded, and nothing is sent to hardware. It does not replace the records that the permit asks for. Flares and generators are pyrotechnic and chemical devices: the maker's instructions, the permit, the licensed operator and local code decide."

type releaseAddCommand struct {
	Programme string  `placeholder:"ID" help:"Of which programme; left out: the only one on the bus."`
	Site      string  `required:"" placeholder:"ID" help:"Site at which it was released."`
	Unit      string  `placeholder:"TEXT" help:"Which unit: rack and number of the flare, or the generator. Needed to tell two alike apart."`
	Start     string  `required:"" placeholder:"TIME" help:"When it began: 18:30 or \"2026-02-03 18:30\" in the programme's zone, 2026-02-04T01:30:00Z, or now."`
	End       string  `required:"" placeholder:"TIME" help:"When it ended; as --start. A time of day is the first after that."`
	Agent     string  `required:"" placeholder:"TEXT" help:"What was burnt: the maker's name and type."`
	Grams     float64 `required:"" placeholder:"G" help:"Grams of silver iodide (or other ice-forming substance), not the mass of the flare. 0 in a correction: nothing was released."`
	Purpose   string  `required:"" placeholder:"TEXT" help:"What for: seeding, test burn."`
	Who       string  `required:"" placeholder:"NAME" help:"Who records it."`
	Corrects  string  `placeholder:"ID" help:"Record that this one replaces."`
	dutyFlags
}

func (releaseAddCommand) Help() string {
	return `Records what was released. Records are only ever added: a wrong one is corrected by a new one that names it (--corrects) and says how it really was. Limits of amounts count by these records, and a release during a hold raises an alert. The same command again is recognised and recorded once.

Examples:

    rimeline release add --site hut --unit "rack 1, no. 4" --start 18:05 --end 18:09 --agent "contact, 16 g" --grams 16 --purpose seeding --who "Ada Quist"
    rimeline release add --site barn --start "2026-02-03 17:00" --end "2026-02-03 19:30" --agent acetone --grams 50 --purpose seeding --who "Ada Quist"
    rimeline release add --corrects 3f0a91c2d4 --site hut --start 18:05 --end 18:09 --agent "contact, 16 g" --grams 0 --purpose "did not light" --who "Ada Quist"

Exit status: 0 recorded (or was so before), 1 not recorded, 2 wrong usage.

` + releaseCaution
}

// releaseOutcome is what came of a record, for programs.
type releaseOutcome struct {
	Release alert.Release `json:"release"`
	// Recorded now; false where it was so before.
	Recorded bool     `json:"recorded"`
	DayG     float64  `json:"day_g"`
	SeasonG  float64  `json:"season_g"`
	Notes    []string `json:"notes"`
	Caution  string   `json:"caution"`
}

func (c *releaseAddCommand) Run(env *environment) error {
	for _, text := range []struct {
		flag   string
		text   *string
		most   int
		needed bool
	}{{"--unit", &c.Unit, mostName, false}, {"--agent", &c.Agent, mostName, true}, {"--purpose", &c.Purpose, 200, true}, {"--who", &c.Who, mostName, true}, {"--corrects", &c.Corrects, 100, false}} {
		var err error
		if *text.text, err = plainText(text.flag, *text.text, text.most, text.needed); err != nil {
			return err
		}
	}
	d, err := c.openDesk(env, c.Programme)
	if err != nil {
		return err
	}
	defer d.Close()
	if len(d.sites) == 0 {
		return fmt.Errorf("the sites of %s are not known on this bus yet, and a record of a wrong site would count for nothing", d.id)
	}
	if err := tokens("--site", []string{c.Site}, d.sites); err != nil {
		return err
	}
	now := d.now()
	r := alert.Release{At: now.Truncate(time.Second), Who: c.Who, Programme: d.id, Site: c.Site, Unit: c.Unit, Agent: c.Agent, Grams: c.Grams, Purpose: c.Purpose, Corrects: c.Corrects}
	if r.Start, err = d.moment("--start", c.Start, false); err != nil {
		return err
	}
	// A time of day is the next one after the beginning.
	if r.End, err = momentIn("--end", c.End, d.zone, r.Start, true); c.End == "now" {
		r.End, err = r.At, nil
	}
	if err != nil {
		return err
	}
	if r.End.After(now.Add(clocksApart)) {
		return usageError(fmt.Sprintf("--end: %s lies in the future: only what was released is recorded", d.both(r.End)))
	}
	r.ID = releaseID(&r)
	records, err := d.releases()
	if err != nil {
		return err
	}
	known, err := alert.CheckRelease(records.valid, r, d.id, d.sites, now)
	if err == nil && !known {
		err = records.alike(&r, d)
	}
	if err != nil {
		return fmt.Errorf("NOT recorded: %w", err)
	}
	if !known {
		if err := d.record(r); err != nil {
			return err
		}
		if records, err = d.releases(); err != nil {
			return fmt.Errorf("recorded as %s, but the records could not be read back: %w", r.ID, err)
		}
	}
	recorded := records.find(r.ID)
	if recorded == nil {
		return fmt.Errorf("%s lies on the record and does not count: somebody else corrected %s at the same moment; see \"rimeline release list\"", r.ID, printable(r.Corrects))
	}
	season, notes := d.season("")
	totals := alert.TotalsAt(records.valid, now, d.zone, season.month, season.day)
	o := releaseOutcome{Release: *recorded, Recorded: !known, DayG: totals.DayG, SeasonG: totals.SeasonG, Notes: append(d.remarks(), notes...), Caution: releaseCaution}
	if by := records.corrected[r.ID]; by != "" {
		o.Notes = append(o.Notes, "It was corrected since, by "+by+".")
	}
	return c.report(env, d, &o, season)
}

// releaseID is the same for the same record, so that it may be sent again. It is
// short enough to be typed.
func releaseID(r *alert.Release) string {
	sum := sha256.New()
	for _, part := range []string{r.Programme, r.Site, r.Unit, r.Start.UTC().Format(time.RFC3339Nano), r.End.UTC().Format(time.RFC3339Nano), r.Agent, strconv.FormatFloat(r.Grams, 'g', -1, 64), r.Purpose, r.Who, r.Corrects} {
		fmt.Fprintf(sum, "%d:%s", len(part), part)
	}
	return hex.EncodeToString(sum.Sum(nil)[:6])
}

// record publishes a release. The id of the event is that of the record: the stream
// keeps one of them if it comes twice.
func (d *desk) record(r alert.Release) error {
	event, err := bus.NewEvent(bus.Release, d.id, r.Site, r.At, r)
	if err != nil {
		return err
	}
	event.ID = "release-" + d.id + "-" + r.ID
	if _, err := d.Publish(d.env, event); err != nil {
		return fmt.Errorf("NOT recorded, or not known to be: %w; give the same command again, it is recorded once", err)
	}
	return nil
}

// releaseRecords are the records of a programme.
type releaseRecords struct {
	// valid are those that count, or counted until they were corrected, in the order
	// in which they were added.
	valid []alert.Release
	// corrected gives for a record the one that corrects it.
	corrected map[string]string
	// left out: what lies on the stream and is no record, one sentence each.
	left []string
}

func (r *releaseRecords) find(id string) *alert.Release {
	for k := range r.valid {
		if r.valid[k].ID == id {
			return &r.valid[k]
		}
	}
	return nil
}

// alike refuses what was recorded before by another hand: the same unit cannot burn
// twice at a time.
func (r *releaseRecords) alike(n *alert.Release, d *desk) error {
	for _, old := range alert.InForce(r.valid) {
		if old.ID == n.Corrects || old.Site != n.Site || old.Unit != n.Unit || !old.Start.Before(n.End) || !n.Start.Before(old.End) {
			continue
		}
		which := "this unit"
		if n.Unit == "" {
			which = "a unit without a name"
		}
		return fmt.Errorf("%s already recorded that %s released %g g at %s from %s to %s (%s): correct that with --corrects %s, or tell the units apart with --unit",
			printable(old.Who), which, old.Grams, old.Site, d.both(old.Start), d.both(old.End), old.ID, old.ID)
	}
	return nil
}

// releases reads the records of the programme. Sites need not be of the programme
// any more; what came second under an id, or corrects nothing, or what is corrected
// already, is no record, as in alert.CheckRelease.
func (d *desk) releases() (*releaseRecords, error) {
	r := &releaseRecords{corrected: map[string]string{}}
	seen := map[string]bool{}
	for stored, err := range d.ReadSince(d.env, bus.Release, d.id, "", time.Time{}) {
		if err != nil && stored.Sequence == 0 {
			return nil, err
		}
		one, err := message.As[alert.Release](stored.Event)
		if err == nil {
			_, err = alert.CheckRelease(nil, uncorrecting(one), d.id, []string{one.Site}, one.At)
		}
		switch {
		case err != nil:
			r.left = append(r.left, fmt.Sprintf("Message %d is no record: %s.", stored.Sequence, printable(err.Error())))
		case seen[one.ID]:
			// Sent twice, or another with an id that is taken: the first counts.
		case one.Corrects != "" && !seen[one.Corrects]:
			r.left = append(r.left, fmt.Sprintf("%s corrects %s, which is not there: it does not count.", one.ID, printable(one.Corrects)))
		case one.Corrects != "" && r.corrected[one.Corrects] != "":
			r.left = append(r.left, fmt.Sprintf("%s corrects %s, which %s corrects already: it does not count.", one.ID, one.Corrects, r.corrected[one.Corrects]))
		default:
			seen[one.ID] = true
			if one.Corrects != "" {
				r.corrected[one.Corrects] = one.ID
			}
			r.valid = append(r.valid, one)
		}
	}
	return r, nil
}

// uncorrecting is a record whose own values are checked, not what it corrects.
func uncorrecting(r alert.Release) alert.Release {
	if r.Corrects != "" && r.Grams == 0 {
		r.Grams = 1
	}
	r.Corrects = ""
	return r
}

// seasonStart is the day of the year on which the season begins.
type seasonStart struct {
	month time.Month
	day   int
}

func (s seasonStart) String() string { return fmt.Sprintf("%d %s", s.day, s.month) }

// season is when sums begin: as given, or as the limits of the programme file say,
// or 1 November (common practice, no source).
func (d *desk) season(given string) (seasonStart, []string) {
	if t, err := time.Parse("01-02", given); err == nil {
		return seasonStart{t.Month(), t.Day()}, nil
	}
	if d.file != nil {
		for k := range d.file.Holds {
			h := &d.file.Holds[k]
			if t, err := time.Parse("01-02", h.FromDate); err == nil && h.Kind == "agent_limit" {
				return seasonStart{t.Month(), t.Day()}, nil
			}
		}
	}
	return seasonStart{time.November, 1}, []string{"No limit of the programme file says when the season begins: it is summed from 1 November."}
}

// grams for people.
func grams(g float64) string { return number(g) + " g" }

func (c *releaseAddCommand) report(env *environment, d *desk, o *releaseOutcome, season seasonStart) error {
	if env.JSON {
		return writeJSON(env.Stdout, o)
	}
	p := &page{w: env.Stdout}
	r := &o.Release
	verb := "Recorded"
	if !o.Recorded {
		verb = "Recorded already"
	}
	p.printf("%s: release %s of %s.\n", verb, r.ID, d.name())
	p.rows([2]string{"site", r.Site}, [2]string{"unit", r.Unit}, [2]string{"from", d.both(r.Start)}, [2]string{"to", d.both(r.End)},
		[2]string{"amount", fmt.Sprintf("%s in %s, %s", grams(r.Grams), minutesText(r.End.Sub(r.Start)), r.Agent)}, [2]string{"purpose", r.Purpose},
		[2]string{"recorded", "by " + r.Who + " at " + d.both(r.At)}, [2]string{"corrects", r.Corrects},
		[2]string{"sums", fmt.Sprintf("%s on this local day, %s since %s, all sites", grams(o.DayG), grams(o.SeasonG), season)})
	d.sayNotes(p, o.Notes)
	p.printf("If this is wrong: rimeline release add --corrects %s ... with the right values.\n\n", r.ID)
	p.paragraph(releaseCaution)
	return p.err
}

func minutesText(d time.Duration) string { return number(math.Round(d.Minutes()*10)/10) + " min" }

type releaseListCommand struct {
	Programme string `placeholder:"ID" help:"Of which programme; left out: the only one on the bus."`
	Since     string `placeholder:"TIME" help:"Only releases that ended after this: 24h or 30d ago, 2026-02-01, or a time as of \"release add\". Left out: all."`
	CSV       bool   `name:"csv" help:"Print CSV (RFC 4180) for spreadsheets; times in UTC. Text that a spreadsheet would take for a formula gets an apostrophe."`
	dutyFlags
}

func (releaseListCommand) Help() string {
	return `Shows the records of what was released, in the order in which they were added. One that was corrected stays on the list, and does not count.

Examples:

    rimeline release list --since 24h
    rimeline release list --since 2026-02-01 --csv > february.csv
    rimeline release list --json | jq '.releases[] | select(.counts) | .grams'

Exit status: 0 shown, 1 the records cannot be read, 2 wrong usage.`
}

// releaseRow is one record, for programs.
type releaseRow struct {
	alert.Release
	// CorrectedBy is the record that replaces this one.
	CorrectedBy string `json:"corrected_by,omitempty"`
	// Counts towards the sums.
	Counts bool `json:"counts"`
}

type releaseList struct {
	Programme string       `json:"programme"`
	Releases  []releaseRow `json:"releases"`
	Notes     []string     `json:"notes"`
}

func (c *releaseListCommand) Run(env *environment) error {
	if c.CSV && env.JSON {
		return usageError("--csv and --json exclude each other")
	}
	d, err := c.openDesk(env, c.Programme)
	if err != nil {
		return err
	}
	defer d.Close()
	since, err := d.since(c.Since)
	if err != nil {
		return err
	}
	records, err := d.releases()
	if err != nil {
		return err
	}
	list := releaseList{Programme: d.id, Releases: []releaseRow{}, Notes: append(d.remarks(), fewer(records.left)...)}
	for _, r := range records.valid {
		if r.End.After(since) {
			by := records.corrected[r.ID]
			list.Releases = append(list.Releases, releaseRow{r, by, by == "" && r.Grams > 0})
		}
	}
	switch {
	case env.JSON:
		return writeJSON(env.Stdout, list)
	case c.CSV:
		for _, note := range list.Notes {
			env.warn("%s", note)
		}
		return writeReleases(env, list.Releases)
	}
	return c.show(env, d, &list)
}

// since reads how far back a list goes.
func (d *desk) since(text string) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if days, ok := strings.CutSuffix(text, "d"); ok {
		if n, err := strconv.ParseUint(days, 10, 16); err == nil {
			return d.now().AddDate(0, 0, -int(n)), nil
		}
	}
	if ago, err := time.ParseDuration(text); err == nil && ago >= 0 {
		return d.now().Add(-ago), nil
	}
	if t, err := time.ParseInLocation(time.DateOnly, text, d.zone); err == nil {
		return t, nil
	}
	return d.moment("--since", text, false)
}

func (c *releaseListCommand) show(env *environment, d *desk, list *releaseList) error {
	p := &page{w: env.Stdout}
	p.printf("%s: %s\n", d.name(), count(len(list.Releases), "record"))
	d.sayNotes(p, list.Notes)
	if len(list.Releases) == 0 {
		return p.err
	}
	rows := [][]string{{"ID", "SITE", "UNIT", "FROM", "TO", "GRAMS", "AGENT", "PURPOSE", "BY", "REMARK"}}
	for _, r := range list.Releases {
		var remarks []string
		if r.Corrects != "" {
			remarks = append(remarks, "corrects "+r.Corrects)
		}
		if r.CorrectedBy != "" {
			remarks = append(remarks, "DOES NOT COUNT, corrected by "+r.CorrectedBy)
		}
		cells := []string{r.ID, r.Site, r.Unit, d.both(r.Start), d.both(r.End), number(r.Grams), r.Agent, r.Purpose, r.Who, strings.Join(remarks, "; ")}
		for k := range cells {
			cells[k] = shorten(printable(cells[k]), 60)
		}
		rows = append(rows, cells)
	}
	p.table("", rows)
	return p.err
}

// writeReleases writes records as CSV.
func writeReleases(env *environment, rows []releaseRow) error {
	w := csv.NewWriter(env.Stdout)
	_ = w.Write([]string{"id", "recorded_utc", "who", "programme", "site", "unit", "start_utc", "end_utc", "agent", "grams", "purpose", "corrects", "corrected_by", "counts"}) // w.Error tells
	for _, r := range rows {
		at := func(t time.Time) string { return t.UTC().Format(time.RFC3339) }
		row := []string{r.ID, at(r.At), r.Who, r.Programme, r.Site, r.Unit, at(r.Start), at(r.End), r.Agent, strconv.FormatFloat(r.Grams, 'f', -1, 64), r.Purpose, r.Corrects, r.CorrectedBy, strconv.FormatBool(r.Counts)}
		for k := range row {
			row[k] = noFormula(printable(row[k]))
		}
		_ = w.Write(row)
	}
	w.Flush()
	return w.Error()
}

// noFormula keeps a spreadsheet from working out what somebody wrote: it takes text
// that begins so for a formula (CWE-1236).
func noFormula(text string) string {
	if text != "" && strings.ContainsRune("=+-@", rune(text[0])) {
		return "'" + text
	}
	return text
}

type releaseTotalCommand struct {
	Programme string `placeholder:"ID" help:"Of which programme; left out: the only one on the bus."`
	Season    string `placeholder:"MM-DD" help:"First day of the season; left out: as the limits of the programme file say, else 11-01."`
	dutyFlags
}

func (releaseTotalCommand) Help() string {
	return `Sums the records by site: what was released on the present local day, and since the first day of the season. A release across midnight counts by its share of time. Limits of the programme file stand beside the sums; whether they suspend is judged by the service ("rimeline hold list").

Examples:

    rimeline release total
    rimeline release total --season 10-15 --json

Exit status: 0 shown, 1 the records cannot be read, 2 wrong usage.`
}

// releaseTotals are sums, for programs.
type releaseTotals struct {
	Programme string             `json:"programme"`
	At        time.Time          `json:"at"`
	Timezone  string             `json:"timezone"`
	Day       string             `json:"day"`    // local
	Season    string             `json:"season"` // its first day, MM-DD
	DayG      float64            `json:"day_g"`
	SeasonG   float64            `json:"season_g"`
	Sites     []releaseSiteTotal `json:"sites"`
	Limits    []string           `json:"limits"`
	Notes     []string           `json:"notes"`
}

type releaseSiteTotal struct {
	Site    string  `json:"site"`
	DayG    float64 `json:"day_g"`
	SeasonG float64 `json:"season_g"`
}

func (c *releaseTotalCommand) Run(env *environment) error {
	if _, err := time.Parse("01-02", c.Season); c.Season != "" && err != nil {
		return usageError(fmt.Sprintf("--season: %s is no month and day such as 11-01", quoted(c.Season)))
	}
	d, err := c.openDesk(env, c.Programme)
	if err != nil {
		return err
	}
	defer d.Close()
	records, err := d.releases()
	if err != nil {
		return err
	}
	now := d.now()
	season, notes := d.season(c.Season)
	totals := alert.TotalsAt(records.valid, now, d.zone, season.month, season.day)
	sums := releaseTotals{Programme: d.id, At: now.Truncate(time.Second), Timezone: d.zone.String(), Day: now.In(d.zone).Format(time.DateOnly), Season: fmt.Sprintf("%02d-%02d", season.month, season.day),
		DayG: totals.DayG, SeasonG: totals.SeasonG, Sites: []releaseSiteTotal{}, Limits: []string{}, Notes: append(append(d.remarks(), notes...), fewer(records.left)...)}
	names := slices.Clone(d.sites)
	for site := range totals.SiteSeasonG {
		if !slices.Contains(names, site) {
			names = append(names, site)
		}
	}
	slices.Sort(names)
	for _, site := range slices.Compact(names) {
		sums.Sites = append(sums.Sites, releaseSiteTotal{site, totals.SiteDayG[site], totals.SiteSeasonG[site]})
	}
	if d.file != nil {
		for k := range d.file.Holds {
			h := &d.file.Holds[k]
			if h.Kind != "agent_limit" {
				continue
			}
			var limits []string
			if !math.IsNaN(h.DailyG) {
				limits = append(limits, grams(h.DailyG)+" a local day")
			}
			if !math.IsNaN(h.SeasonG) {
				limits = append(limits, fmt.Sprintf("%s a season from %s", grams(h.SeasonG), h.FromDate))
			}
			sums.Limits = append(sums.Limits, fmt.Sprintf("%s: %s, for each %s", h.ID, strings.Join(limits, ", "), h.Per))
		}
	}
	if env.JSON {
		return writeJSON(env.Stdout, sums)
	}
	return c.show(env, d, &sums, season)
}

func (c *releaseTotalCommand) show(env *environment, d *desk, sums *releaseTotals, season seasonStart) error {
	p := &page{w: env.Stdout}
	p.printf("%s: released by the records, until %s\n", d.name(), d.both(sums.At))
	d.sayNotes(p, sums.Notes)
	rows := [][]string{{"SITE", "TODAY", "SINCE " + strings.ToUpper(season.String())}}
	for _, site := range sums.Sites {
		rows = append(rows, []string{printable(site.Site), grams(site.DayG), grams(site.SeasonG)})
	}
	rows = append(rows, []string{"all", grams(sums.DayG), grams(sums.SeasonG)})
	p.table("", rows)
	if len(sums.Limits) > 0 {
		p.printf("\nLimits of the programme file\n")
		for _, limit := range sums.Limits {
			p.paragraph(limit)
		}
	}
	p.printf("\n")
	p.paragraph("Today is the local day in " + sums.Timezone + ". These records do not replace those that the permit asks for.")
	return p.err
}
