package main

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"rimeline/ingest/feed"
	stores "rimeline/ingest/source"
)

type sourcesCommand struct {
	Name  []string `arg:"" optional:"" help:"Only these sources; all if left out."`
	Probe bool     `help:"Try each: one or a few small requests over the network."`
}

func (sourcesCommand) Help() string {
	return `Lists the public stores that a programme's inputs may name, and what each gives. With --probe it asks each of them for its newest object.

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
	BaseURL        string            `json:"base_url"`
	Templates      map[string]string `json:"templates"`
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
				ForecastHours: s.ForecastHours, Stations: s.StationForm, Products: s.Products, Probe: probes[k]})
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
		p.printf("  %-14s %s: %s\n", s.Name, s.Title, s.Gives)
		facts := []string{fmt.Sprintf("every %s", spanText(s.Cadence)), fmt.Sprintf("about %s late", spanText(s.Latency))}
		if s.ForecastHours > 0 {
			facts = append(facts, fmt.Sprintf("%d hours ahead unless forecast_hours says otherwise", s.ForecastHours))
		}
		if s.Stations {
			facts = append(facts, "needs stations: "+s.StationForm)
		}
		if len(s.Products) > 0 {
			facts = append(facts, "products "+strings.Join(s.Products, ", "))
		}
		p.printf("  %-14s %s\n", "", strings.Join(facts, "; "))
		p.printf("  %-14s %s, %s\n", "", s.Provider, s.BaseURL)
		if s.Note != "" {
			p.printf("  %-14s Note: %s\n", "", s.Note)
		}
		if r := probes[k]; r != nil {
			verdict := "answers"
			if !r.OK {
				verdict = "FAILS"
			}
			p.printf("  %-14s %s: %s (%.0f ms)\n", "", verdict, firstNonEmpty(r.Error, r.Detail), r.TookMS)
		}
	}
	p.printf("\n")
}

func firstNonEmpty(a, b string) string {
	if a != "" {
		return a
	}
	return b
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
