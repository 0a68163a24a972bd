package main

import (
	"fmt"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/seedability/hold"
	"rimeline/seedability/programme"
)

// criteriaFlags of check are for the page of suspension criteria.
type criteriaFlags struct {
	Criteria bool   `help:"Print the suspension criteria of the file instead, with their sources and lines for the licensed manager to sign."`
	HTML     string `name:"html" placeholder:"FILE" help:"With --criteria: write the page as HTML, for a printer."`
}

// criteriaObject is the page for programs.
type criteriaObject struct {
	Valid     bool       `json:"valid"`
	File      string     `json:"file"`
	SHA256    string     `json:"sha256"`
	Programme string     `json:"programme"`
	Name      string     `json:"name"`
	Manager   string     `json:"manager"`
	Licence   string     `json:"licence"`
	PrintedAt time.Time  `json:"printed_at"`
	Criteria  []hold.Row `json:"criteria"`
}

// showCriteria prints the page of criteria. Files that the programme names are not
// part of its digest; they are listed with theirs.
func (f *criteriaFlags) showCriteria(env *environment, p *programme.Programme) error {
	now := time.Now().UTC().Truncate(time.Second)
	if f.HTML != "" {
		page, err := criteriaHTML(p)
		if err != nil {
			return err
		}
		if err := renameio.WriteFile(f.HTML, page, 0o644); err != nil {
			return plainPathError(err)
		}
	}
	if env.JSON {
		return writeJSON(env.Stdout, criteriaObject{true, p.File, p.SHA256, p.ID, p.Name, p.Manager.Name, p.Manager.Licence, now, hold.Rows(p)})
	}
	out := &page{w: env.Stdout}
	if f.HTML != "" {
		criteria := fmt.Sprintf("%d criteria", len(p.Holds))
		if len(p.Holds) == 1 {
			criteria = "1 criterion"
		}
		out.printf("%s: %s of %s.\n", f.HTML, criteria, p.ID)
		return out.err
	}
	for line := range strings.Lines(hold.Describe(p)) {
		out.printf("%s\n", printable(strings.TrimSuffix(line, "\n"))) // the file may hold anything
	}
	for _, name := range sortedKeys(p.GeometrySHA256) {
		out.printf("Geometry %s\nSHA-256 %s\n", printable(name), p.GeometrySHA256[name])
	}
	local := now.In(p.Location)
	out.printf("Printed %s%s by rimeline %s\n", local.Format("2 January 2006 15:04 "), zoneLetters(local), version())
	return out.err
}
