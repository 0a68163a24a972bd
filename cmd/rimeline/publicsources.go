package main

import (
	"cmp"
	"fmt"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"rimeline/ingest/feed"
	stores "rimeline/ingest/source"
)

type sourcesCommand struct {
	Name  []string `arg:"" optional:"" help:"Only these sources; all if left out."`
	Probe bool     `help:"Try each: one or a few small requests over the network."`
}

func (sourcesCommand) Help() string {
	return `Lists the public stores that a programme's inputs may name, and what each gives; those of gauges, warnings, avalanche danger and telemetry serve suspension criteria. With --probe it asks each of them for its newest object.

Examples:

    rimeline sources
    rimeline sources hrrr nexrad-chunks --probe
    rimeline sources --json

Exit status: 0 all is well, 1 a store that was tried does not answer, 2 wrong usage.`
}

// sourceObject is one source as --json prints it.
type sourceObject struct {
	Name           string            `json:"name"`
	Kind           string            `json:"kind"`
	Title          string            `json:"title"`
	Gives          string            `json:"gives"`
	Note           string            `json:"note,omitempty"`
	Provider       string            `json:"provider"`
	Attribution    string            `json:"attribution"`
	BaseURL        string            `json:"base_url,omitempty"` // none: the programme file says where
	Templates      map[string]string `json:"templates,omitempty"`
	PollMinutes    float64           `json:"poll_minutes,omitempty"` // of pages
	Zones          string            `json:"zones,omitempty"`
	CadenceMinutes float64           `json:"cadence_minutes"`
	LatencyMinutes float64           `json:"latency_minutes"`
	ForecastHours  int               `json:"forecast_hours,omitempty"`
	Stations       string            `json:"stations,omitempty"`
	Products       []string          `json:"products,omitempty"`
	Probe          *probeObject      `json:"probe,omitempty"`
}

type probeObject struct {
	OK     bool      `json:"ok"`
	Detail string    `json:"detail"`
	Newest time.Time `json:"newest,omitzero"`
	TookMS float64   `json:"took_ms"`
	Error  string    `json:"error,omitempty"`
}

func (c *sourcesCommand) Run(env *environment) error {
	wanted := stores.All()
	if len(c.Name) > 0 {
		wanted = nil
		for _, name := range c.Name {
			s, ok := stores.Find(name)
			if !ok {
				return usageError(fmt.Sprintf("there is no source %q; there are %s", name, strings.Join(stores.Names(), ", ")))
			}
			wanted = append(wanted, s)
		}
	}
	probes := make([]*probeObject, len(wanted))
	failed := false
	if c.Probe {
		client := feed.New(feed.Options{UserAgent: userAgent(), Attempts: 2, StallTime: 15 * time.Second, AttemptTime: 30 * time.Second})
		var group sync.WaitGroup
		for k, s := range wanted {
			group.Go(func() {
				r := stores.Probe(env, client, s, time.Now())
				probes[k] = &probeObject{OK: r.OK, Detail: r.Detail, Newest: r.Newest, TookMS: float64(r.Took.Microseconds()) / 1000}
				if r.Err != nil {
					probes[k].Error = r.Err.Error()
				}
			})
		}
		group.Wait()
		for _, p := range probes {
			failed = failed || !p.OK
		}
	}
	var err error
	if env.JSON {
		objects := []sourceObject{}
		for k, s := range wanted {
			objects = append(objects, sourceObject{Name: s.Name, Kind: s.Kind, Title: s.Title, Gives: s.Gives, Note: s.Note, Provider: s.Provider,
				Attribution: s.Attribution, BaseURL: s.BaseURL, Templates: s.Templates, CadenceMinutes: s.Cadence.Minutes(), LatencyMinutes: s.Latency.Minutes(),
				ForecastHours: s.ForecastHours, Stations: s.StationForm, Zones: s.ZoneForm, Products: s.Products, PollMinutes: pagePace(s).Minutes(), Probe: probes[k]})
		}
		err = writeJSON(env.Stdout, objects)
	} else {
		printSources(&page{w: env.Stdout}, wanted, probes)
	}
	if err == nil && failed {
		return errReported
	}
	return err
}

func printSources(p *page, wanted []stores.Source, probes []*probeObject) {
	kind := ""
	for k, s := range wanted {
		if s.Kind != kind {
			kind = s.Kind
			p.printf("\n%s\n", strings.ToUpper(kind))
		}
		facts := []string{fmt.Sprintf("every %s", spanText(s.Cadence)), fmt.Sprintf("about %s after its time", spanText(s.Latency))}
		if pace := pagePace(s); pace > 0 {
			facts = []string{fmt.Sprintf("asked every %s unless poll_minutes says otherwise", spanText(pace))}
		}
		if s.ForecastHours > 0 {
			facts = append(facts, fmt.Sprintf("%d hours ahead unless forecast_hours says otherwise", s.ForecastHours))
		}
		if s.Stations {
			facts = append(facts, "needs "+stationsKey(s)+": "+s.StationForm)
		}
		if s.Zones {
			facts = append(facts, "needs "+s.ZoneForm)
		}
		if len(s.Products) > 0 {
			facts = append(facts, "products "+strings.Join(s.Products, ", "))
		}
		p.hanging(s.Name, s.Title)
		p.hanging("", s.Gives)
		p.hanging("", strings.ToUpper(facts[0][:1])+strings.Join(facts, "; ")[1:]+".")
		if s.BaseURL != "" {
			p.hanging("", s.Provider+", "+s.BaseURL)
		} else {
			p.hanging("", "The programme file says where it is, by url or paths.")
		}
		if s.Note != "" {
			p.hanging("", "Note: "+s.Note)
		}
		if r := probes[k]; r != nil {
			verdict := "Answers"
			if !r.OK {
				verdict = "FAILS"
			}
			p.hanging("", fmt.Sprintf("%s: %s (%.0f ms)", verdict, cmp.Or(r.Error, r.Detail), r.TookMS))
		}
	}
	p.printf("\n")
}

// pagePace is how often a page is asked for, 0 for other sources.
func pagePace(s stores.Source) time.Duration {
	if s.Layout == stores.LayoutPage {
		return s.Pace
	}
	return 0
}

// stationsKey is the key by which a programme file names the stations of a source.
func stationsKey(s stores.Source) string {
	if s.Kind == stores.KindGauge {
		return "gauges"
	}
	return "stations"
}

// hanging wraps text in a column beside a name.
func (p *page) hanging(name, text string) {
	const column, width = 16, 100
	line := fmt.Sprintf("  %-13s ", name)
	empty := true
	for _, word := range strings.Fields(text) {
		if !empty && utf8.RuneCountInString(line)+1+utf8.RuneCountInString(word) > width {
			p.printf("%s\n", line)
			line, empty = strings.Repeat(" ", column), true
		}
		if !empty {
			line += " "
		}
		line, empty = line+word, false
	}
	p.printf("%s\n", strings.TrimRight(line, " "))
}

// spanText is a duration as people say it.
func spanText(d time.Duration) string {
	switch {
	case d >= 2*time.Hour && d%time.Hour == 0:
		return fmt.Sprintf("%.0f h", d.Hours())
	case d >= time.Minute:
		return fmt.Sprintf("%.0f min", d.Minutes())
	}
	return fmt.Sprintf("%.0f s", d.Seconds())
}

// userAgent is what stores see of us.
func userAgent() string { return "rimeline (" + version() + ")" }
