package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"
	"text/tabwriter"

	stores "rimeline/ingest/source"
	"rimeline/seedability/programme"
)

type checkCommand struct {
	File   string `arg:"" optional:"" name:"file" help:"Programme file (YAML)."`
	Schema bool   `help:"Print the JSON Schema of programme files instead."`
	criteriaFlags
}

func (checkCommand) Help() string {
	return `Reads the programme file and the geometry files that it names, reports every mistake with line and column, and otherwise says what an assessment would do: sites and what they burn, how far and in which direction their targets lie, the ensemble, and every threshold that differs from its default. It reads no weather data.

Examples:

    rimeline check testdata/demo/programme.yaml
    rimeline check --json valley.yaml
    rimeline check --criteria valley.yaml           the page that the licensed manager signs
    rimeline check --criteria --html page.html valley.yaml
    rimeline check --schema > programme.schema.json

Exit status: 0 the file is valid, 1 it is not or cannot be read, 2 wrong usage.`
}

func (c *checkCommand) Run(env *environment) error {
	if c.Schema {
		if c.Criteria || c.HTML != "" {
			return usageError("--schema and --criteria exclude each other")
		}
		if c.File != "" {
			return usageError("--schema prints the schema of every programme file; it takes no file")
		}
		_, err := env.Stdout.Write(programme.Schema)
		return err
	}
	if c.HTML != "" && !c.Criteria {
		return usageError("--html goes with --criteria")
	}
	if c.File == "" {
		return usageError("expected a programme file")
	}
	loaded, err := loadProgramme(c.File)
	if err != nil {
		return c.refuse(env, err)
	}
	if c.Criteria {
		return c.showCriteria(env, loaded)
	}
	described := loaded.Describe(componentDefaults())
	if env.JSON {
		return writeJSON(env.Stdout, struct {
			Valid bool `json:"valid"`
			programme.Description
		}{true, described})
	}
	return printDescription(env.Stdout, &described)
}

// refuse reports what is wrong with the file.
func (c *checkCommand) refuse(env *environment, err error) error {
	var problems programme.Problems
	if !errors.As(err, &problems) {
		problems = programme.Problems{{File: c.File, Message: strings.TrimPrefix(err.Error(), c.File+": ")}}
	}
	for _, problem := range problems {
		env.warn("%v", problem)
	}
	if env.JSON {
		if err := writeJSON(env.Stdout, struct {
			Valid    bool               `json:"valid"`
			File     string             `json:"file"`
			Problems programme.Problems `json:"problems"`
		}{false, c.File, problems}); err != nil {
			return err
		}
	}
	return errReported
}

// writeJSON prints one value, indented, with a line end.
func writeJSON(w io.Writer, value any) error {
	encoder := json.NewEncoder(w)
	encoder.SetIndent("", "  ")
	encoder.SetEscapeHTML(false)
	return encoder.Encode(value)
}

// page writes text for people and keeps the first error.
type page struct {
	w   io.Writer
	err error
}

func (p *page) printf(format string, arguments ...any) {
	if p.err == nil {
		_, p.err = fmt.Fprintf(p.w, format, arguments...)
	}
}

// table aligns rows of cells, under a heading where there is one.
func (p *page) table(heading string, rows [][]string) {
	if heading != "" {
		p.printf("\n%s\n", heading)
	}
	aligned := tabwriter.NewWriter(p.w, 0, 0, 2, ' ', 0)
	for _, row := range rows {
		cells := make([]string, len(row))
		for k, cell := range row {
			// One line and no tabs, whatever a file's own text holds.
			if cells[k] = strings.Join(strings.Fields(cell), " "); cells[k] == "" {
				cells[k] = "-"
			}
		}
		if p.err == nil {
			_, p.err = fmt.Fprintln(aligned, "  "+strings.Join(cells, "\t"))
		}
	}
	if err := aligned.Flush(); p.err == nil {
		p.err = err
	}
}

// paragraph wraps text to a width that a terminal has, behind a dash.
func (p *page) paragraph(text string) {
	const width = 96
	line := "  -"
	for _, word := range strings.Fields(text) {
		if len(line)+1+len(word) > width {
			p.printf("%s\n", line)
			line = "   "
		}
		line += " " + word
	}
	p.printf("%s\n", line)
}

func printDescription(w io.Writer, d *programme.Description) error {
	p := &page{w: w}
	p.printf("%s is valid.\n\n", d.File)
	p.printf("%s: %s\n", d.ID, d.Name)
	p.printf("Times for people in %s. File SHA-256 %.16s.\n", d.Timezone, d.SHA256)

	rows := [][]string{{"SITE", "NAME", "PLACE", "GROUND", "RELEASE", "BURNS", "YIELD", "BARRIER"}}
	for _, site := range d.Sites {
		ground, barrier := "from model", "none"
		if site.AltitudeM != nil {
			ground = metres(*site.AltitudeM)
		}
		if site.CrestAltitudeM != nil {
			barrier = fmt.Sprintf("%s, toward %s", metres(*site.CrestAltitudeM), direction(*site.TowardDeg))
		}
		burns := fmt.Sprintf("%s, %s g/h", site.AgentKind, number(site.RateGPerH))
		if site.AmountG != nil {
			burns = fmt.Sprintf("%s, %s g in %s min", site.AgentKind, number(*site.AmountG), number(*site.BurnMinutes))
		}
		rows = append(rows, []string{
			site.ID, site.Name, latLon(site.LatitudeDeg, site.LongitudeDeg), ground,
			"+" + metres(site.ReleaseHeightM), burns, site.YieldTable, barrier,
		})
	}
	p.table("Sites", rows)

	rows = [][]string{{"TARGET", "NAME", "AREA", "CENTRE", "SHAPE"}}
	for _, target := range d.Targets {
		rows = append(rows, []string{
			target.ID, target.Name, fmt.Sprintf("%.1f km²", target.AreaKM2), latLon(target.CentreLat, target.CentreLon),
			count(target.Polygons, "polygon") + ", " + count(target.Holes, "hole"),
		})
	}
	p.table("Targets", rows)

	rows = [][]string{{"FROM", "TO", "NEAREST EDGE", "CENTRE", "DIRECTION"}}
	for _, site := range d.Sites {
		for _, served := range site.Targets {
			rows = append(rows, []string{
				site.ID, served.ID, kilometres(served.DistanceM), kilometres(served.CentreM), direction(served.BearingDeg),
			})
		}
	}
	p.table("Which site serves which target", rows)

	rows = [][]string{{"YIELD", "CRYSTALS A GRAM", "NUCLEATION", "SOURCE"}}
	for _, table := range d.YieldTables {
		nucleation := "by temperature"
		if table.NucleationMinutes != nil {
			nucleation = number(*table.NucleationMinutes) + " min"
		}
		rows = append(rows, []string{
			table.ID,
			fmt.Sprintf("%.1e at %s °C to %.1e at %s °C", table.WarmestPerG, number(table.WarmestDegC), table.ColdestPerG, number(table.ColdestDegC)),
			nucleation, table.Source,
		})
	}
	p.table("Yield tables", rows)

	printInputs(p, d.Inputs)

	printAlerts(p, &d.Alerts)

	p.printf("\nWhat an assessment does\n")
	if d.Releases.Count == 1 {
		p.paragraph("It judges one release time for each site.")
	} else {
		p.paragraph(fmt.Sprintf("It judges %d release times for each site, %s minutes apart.", d.Releases.Count, number(d.Releases.SpacingMinutes)))
	}
	e := d.Ensemble
	p.paragraph(fmt.Sprintf("It follows %d particles from each release for at most %s minutes, with errors of the wind drawn from seed %d: direction %s degrees, speed %s %%, vertical velocity %s %% (one standard deviation).",
		e.Members, number(e.LongestDriftMinutes), e.Seed, number(e.DirectionSDDeg), number(100*e.SpeedSDFraction), number(100*e.VerticalSDFraction)))
	p.paragraph(fmt.Sprintf("Agent begins to act between %s and %s °C where there are supercooled droplets; ice grows for %s to %s minutes, mostly %s, and falls at about %s m/s (spread factor %s).",
		number(e.OnsetWarmestDegC), number(e.OnsetColdestDegC), number(e.GrowthShortest), number(e.GrowthLongest), number(e.GrowthLikely), number(e.FallSpeedMPerS), number(e.FallSpeedFactor)))
	t := d.Thresholds
	p.paragraph(fmt.Sprintf("A site is in its window from a score of %s (a shut window opens at %s, after %s in a row), and blind below a confidence of %s.",
		number(t.WindowScore), number(t.WindowScore+t.Hysteresis), count(t.ConsecutiveScores, "assessment"), number(t.ConfidenceMinimum)))

	p.paragraph(fmt.Sprintf("The service judges a release at the present moment at least every %s minutes while an opportunity is near, every %s minutes otherwise, and in its outlook one release every %s minutes.",
		number(d.Watch.NowMinutes), number(d.Watch.IdleMinutes), number(d.Watch.OutlookMinutes)))

	if len(d.Changes) == 0 {
		p.printf("\nEvery threshold and ensemble value is the default.\n")
	} else {
		rows = [][]string{{"VALUE", "HERE", "DEFAULT"}}
		for _, change := range d.Changes {
			rows = append(rows, []string{change.Path, change.Value, change.Default})
		}
		p.table("Set otherwise than the default", rows)
	}
	if len(d.Remarks) > 0 {
		p.printf("\nRemarks\n")
		for _, remark := range d.Remarks {
			p.paragraph(remark)
		}
	}
	p.printf("\nCautions\n")
	for _, caution := range d.Cautions {
		p.paragraph(caution)
	}
	return p.err
}

// printInputs lists what assessments are made from, and what suspension criteria
// ask for.
func printInputs(p *page, inputs []programme.InputDescription) {
	weather := [][]string{{"INPUT", "KIND", "FULL UNTIL", "NOTHING FROM", "FROM"}}
	safety := [][]string{{"INPUT", "KIND", "GIVES", "ASKED FOR", "FROM"}}
	for _, input := range inputs {
		kind := input.Kind
		if input.FreshHours == nil || input.MaximumAgeHours == nil {
			safety = append(safety, []string{input.ID, kind, inputGives(input), inputPace(input), inputOrigin(input)})
			continue
		}
		if input.Required {
			kind += ", required"
		}
		weather = append(weather, []string{input.ID, kind, ageText(*input.FreshHours), ageText(*input.MaximumAgeHours), inputOrigin(input)})
	}
	if len(weather) > 1 {
		p.table("Inputs", weather)
	}
	if len(safety) > 1 {
		p.table("Inputs of the suspension criteria", safety)
	}
}

// inputGives says what an input of suspension criteria is asked for.
func inputGives(input programme.InputDescription) string {
	switch {
	case len(input.Gauges) > 0:
		return "gauges " + strings.Join(input.Gauges, ", ")
	case input.Feed != nil && len(input.Zones) > 0:
		return fmt.Sprintf("list %s of zones %s", *input.Feed, strings.Join(input.Zones, ", "))
	case input.Feed != nil && len(input.Areas) > 0:
		return fmt.Sprintf("list %s of %s", *input.Feed, strings.Join(input.Areas, ", "))
	case input.Feed != nil:
		return "list " + *input.Feed
	case len(input.Zones) > 0:
		return "zones " + strings.Join(input.Zones, ", ")
	case input.Kind == stores.KindTelemetry:
		return "reports of the sites"
	}
	return "all zones"
}

// inputPace says how often an input of suspension criteria is asked for.
func inputPace(input programme.InputDescription) string {
	if input.PollMinutes != nil {
		return "every " + number(*input.PollMinutes) + " min"
	}
	if input.Source != nil {
		if *input.Source == programme.SourceBus {
			return "never: it comes by itself"
		}
		if s, ok := stores.Find(*input.Source); ok {
			return "every " + spanText(s.Pace)
		}
	}
	return "when it changes"
}

// inputOrigin says where an input comes from.
func inputOrigin(input programme.InputDescription) string {
	origin := strings.Join(input.Paths, " ")
	if input.Source != nil {
		origin = "public store " + *input.Source
		switch {
		case *input.Source == programme.SourceBus:
			origin = "messages on the bus"
		case input.Host != nil:
			origin = *input.Source + " at " + *input.Host
		}
		if input.BaseURL != nil {
			origin += " at " + *input.BaseURL
		}
	}
	var only []string
	if len(input.Products) > 0 {
		only = append(only, "products "+strings.Join(input.Products, ", "))
	}
	if input.ForecastHours != nil {
		only = append(only, number(*input.ForecastHours)+" h from the start of a run")
	}
	if len(input.Stations) > 0 {
		only = append(only, "stations "+strings.Join(input.Stations, ", "))
	}
	if len(only) > 0 {
		origin += " (" + strings.Join(only, "; ") + ")"
	}
	return origin
}

// number prints a value with at most three decimals and no trailing zeros.
func number(value float64) string {
	return strconv.FormatFloat(math.Round(value*1000)/1000, 'f', -1, 64)
}

// ageText prints an age in hours, or in minutes where it is less than one.
func ageText(hours float64) string {
	if hours < 1 {
		return number(math.Round(hours*60)) + " min old"
	}
	return number(hours) + " h old"
}

func metres(value float64) string { return number(math.Round(value)) + " m" }

func kilometres(valueM float64) string { return strconv.FormatFloat(valueM/1000, 'f', 1, 64) + " km" }

// direction prints degrees with the name of the compass point.
func direction(deg float64) string {
	return fmt.Sprintf("%s° (%s)", number(math.Round(deg)), compass(deg))
}

// compass names the nearest of sixteen points; deg is at least 0.
func compass(deg float64) string {
	points := []string{"N", "NNE", "NE", "ENE", "E", "ESE", "SE", "SSE", "S", "SSW", "SW", "WSW", "W", "WNW", "NW", "NNW"}
	return points[int(math.Mod(deg/22.5+.5, 16))]
}

// latLon prints a place with hemispheres.
func latLon(latitudeDeg, longitudeDeg float64) string {
	northSouth, eastWest := "N", "E"
	if latitudeDeg < 0 {
		northSouth = "S"
	}
	if longitudeDeg < 0 {
		eastWest = "W"
	}
	return fmt.Sprintf("%.4f %s %.4f %s", math.Abs(latitudeDeg), northSouth, math.Abs(longitudeDeg), eastWest)
}

// count prints a number with its noun: "1 hole", "2 holes".
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return fmt.Sprintf("%d %ss", n, noun)
}
