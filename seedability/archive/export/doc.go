// Package export writes what an archive has in forms that other programs read: CSV
// (RFC 4180), GeoJSON (RFC 7946) and messages as JSON lines. Parquet and netCDF are
// written by package archive itself, in the layout of its own files.
//
// All of it streams, day by day. Nothing that was asked for is left out without a
// word: a day that cannot be read, or a message that a newer program wrote, goes to
// Source.Problem, which decides whether the rest is written.
package export

import (
	"context"
	"fmt"
	"slices"
	"time"

	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
)

// Source is what is written.
type Source struct {
	Reader     *archive.Reader
	Programmes []string
	Sites      []string // all if empty
	// From is included, To is not; zero for no bound. See archive.Extraction.
	From, To time.Time
	// NoJSON leaves out columns that hold JSON.
	NoJSON bool
	// Problem hears of what cannot be given. An error that it returns ends the
	// writing. Nil: the first problem ends it.
	Problem  func(programme, what string, err error) error
	Progress func(day string) // may be nil
}

// Extraction of one of the programmes.
func (s *Source) Extraction(programme string) archive.Extraction {
	e := archive.Extraction{Query: archive.Query{Programme: programme, Sites: s.Sites, From: s.From, To: s.To}, Progress: s.Progress}
	if s.Problem != nil {
		e.Damaged = func(day string, err error) error { return s.Problem(programme, day, err) }
	}
	return e
}

func (s *Source) problem(programme, what string, err error) error {
	err = fmt.Errorf("%s: %w", what, err)
	if s.Problem == nil {
		return err
	}
	return s.Problem(programme, what, err)
}

// KindOf is the kind of message that a table is made of; false for paths, which are
// part of scores.
func KindOf(table string) (bus.Kind, bool) {
	for _, kind := range bus.Kinds() {
		if TableOf(kind.Name) == table {
			return kind, true
		}
	}
	return bus.Kind{}, false
}

// TableOf is the table of a kind of message; its own name where there is none.
func TableOf(kind string) string {
	tables := archive.Tables()
	for _, name := range []string{kind, kind + "s"} {
		if slices.Contains(tables, name) {
			return name
		}
	}
	if kind == bus.Delivery.Name {
		return archive.TableDeliveries
	}
	return kind
}

// OfSites says whether the rows of a table (messages of a kind) belong to sites.
func OfSites(table string) bool {
	if headings := archive.Headings(table); len(headings) > 0 {
		return headings[0].Name == "site"
	}
	return false
}

// columnsOf a table that are written, by their numbers.
func (s *Source) columnsOf(headings []archive.Heading) (numbers []int) {
	for k, h := range headings {
		if !s.NoJSON || !isJSON(h) {
			numbers = append(numbers, k)
		}
	}
	return numbers
}

// each calls f with the rows of a table of every programme.
func (s *Source) each(ctx context.Context, table string, f func(archive.Rows) error) error {
	for _, programme := range s.Programmes {
		if err := s.Reader.Extract(ctx, table, s.Extraction(programme), f); err != nil {
			return err
		}
	}
	return nil
}
