package activity

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/seedability/alert"
)

// Bounds of a file of records.
const (
	MaxRecordsBytes = 256 << 20
	maxRecords      = 500_000
	maxLeft         = 200
	maxLineBytes    = 1 << 20
)

// Records are the records of one programme that are fit to count: those that were
// corrected are among them (alert.InForce leaves them out).
type Records struct {
	Valid []alert.Release
	// CorrectedBy gives for the id of a record the one that replaces it.
	CorrectedBy map[string]string
	// Left out: what was read and is no record, a sentence each; LeftCount of them.
	Left      []string
	LeftCount int

	programme string
	known     map[string]int       // where in Valid
	waiting   map[string][]waiting // corrections of what did not come yet, by its id
	waits     int
	full      bool
}

type waiting struct {
	release alert.Release
	where   string
}

// NewRecords is empty; programme is the id of the one whose records are taken.
func NewRecords(programme string) *Records {
	return &Records{CorrectedBy: map[string]string{}, programme: programme, known: map[string]int{}, waiting: map[string][]waiting{}}
}

// Leave notes that something that should be a record is none.
func (r *Records) Leave(where, why string) {
	r.LeftCount++
	if len(r.Left) < maxLeft {
		r.Left = append(r.Left, clean(where+": "+why, most))
	}
}

// Add takes a record; where says in words where it stands. One that comes twice
// counts once; of two that correct the same, or have the same id, the first counts,
// as in alert.CheckRelease. A correction may come before what it corrects.
func (r *Records) Add(one alert.Release, where string) {
	alone := one
	if alone.Corrects != "" && alone.Grams == 0 {
		alone.Grams = 1 // a correction may say that nothing was released
	}
	alone.Corrects = ""
	if _, err := alert.CheckRelease(nil, alone, r.programme, []string{one.Site}, one.At); err != nil {
		r.Leave(where, err.Error())
		return
	}
	if one.Corrects != "" && clean(one.Corrects, 100) != one.Corrects {
		r.Leave(where, "corrects: at most 100 printable characters on one line")
		return
	}
	if _, there := r.known[one.Corrects]; one.Corrects != "" && !there {
		if !r.room(where) {
			return
		}
		r.waits++
		r.waiting[one.Corrects] = append(r.waiting[one.Corrects], waiting{one, where})
		return
	}
	r.add(one, where)
}

func (r *Records) room(where string) bool {
	if len(r.known)+r.waits < maxRecords {
		return true
	}
	if !r.full {
		r.full = true
		r.Leave(where, fmt.Sprintf("more than %d records; the rest is left out", maxRecords))
	}
	return false
}

func (r *Records) add(one alert.Release, where string) {
	queue := []waiting{{one, where}}
	for len(queue) > 0 {
		w := queue[0]
		queue = queue[1:]
		id := w.release.ID
		at, there := r.known[id]
		switch {
		case there:
			if !same(r.Valid[at], w.release) {
				r.Leave(w.where, fmt.Sprintf("%q is recorded already, with other values; the first counts", id))
			}
			continue
		case w.release.Corrects != "" && r.CorrectedBy[w.release.Corrects] != "":
			r.Leave(w.where, fmt.Sprintf("%s corrects %s, which %s corrects already: it does not count", id, w.release.Corrects, r.CorrectedBy[w.release.Corrects]))
			continue
		case !r.room(w.where):
			continue
		}
		r.known[id] = len(r.Valid)
		if w.release.Corrects != "" {
			r.CorrectedBy[w.release.Corrects] = id
		}
		r.Valid = append(r.Valid, w.release)
		r.waits -= len(r.waiting[id])
		queue = append(queue, r.waiting[id]...)
		delete(r.waiting, id)
	}
}

func same(a, b alert.Release) bool {
	for _, x := range []*alert.Release{&a, &b} {
		x.At, x.Start, x.End = time.Time{}, x.Start.UTC(), x.End.UTC()
	}
	return a == b
}

// Close ends the adding: corrections of what never came do not count, and are named.
func (r *Records) Close() {
	var late []waiting
	for _, list := range r.waiting {
		late = append(late, list...)
	}
	slices.SortFunc(late, func(a, b waiting) int {
		return strings.Compare(a.release.ID+"\x00"+a.where, b.release.ID+"\x00"+b.where)
	})
	for _, w := range late {
		r.Leave(w.where, fmt.Sprintf("%[1]s corrects %[2]s, which is not there: it does not count, nor does %[2]s", w.release.ID, w.release.Corrects))
	}
	clear(r.waiting)
}

// ReadNDJSON takes records from JSON lines: a record a line, as the archive keeps
// them in releases.ndjson. A line that is no record is left out and named; the error
// is that the file as a whole is not of this kind.
func (r *Records) ReadNDJSON(file string, b []byte) error {
	if len(b) > MaxRecordsBytes {
		return fmt.Errorf("%s: has %d bytes, at most %d are read", file, len(b), MaxRecordsBytes)
	}
	lines, good := 0, 0
	for number := 1; len(b) > 0; number++ {
		var line []byte
		line, b, _ = bytes.Cut(b, []byte("\n"))
		if line = bytes.TrimSpace(line); len(line) == 0 {
			continue
		}
		lines++
		where := fmt.Sprintf("%s: line %d", file, number)
		if len(line) > maxLineBytes {
			r.Leave(where, fmt.Sprintf("has %d bytes, at most %d are read", len(line), maxLineBytes))
			continue
		}
		one, err := decodeRelease(line)
		if err != nil {
			r.Leave(where, err.Error())
			continue
		}
		good++
		r.Add(one, where)
	}
	if lines > 0 && good == 0 {
		return fmt.Errorf("%s: none of %d lines is the JSON of a release", file, lines)
	}
	return nil
}

func decodeRelease(line []byte) (one alert.Release, err error) {
	decoder := json.NewDecoder(bytes.NewReader(line))
	decoder.DisallowUnknownFields()
	// What lists add to a record.
	var row struct {
		alert.Release
		CorrectedBy string `json:"corrected_by"`
		Counts      bool   `json:"counts"`
	}
	if err := decoder.Decode(&row); err != nil {
		return one, fmt.Errorf("no release in JSON: %w", err)
	}
	if _, err := decoder.Token(); !errors.Is(err, io.EOF) {
		return one, errors.New("more than one value on a line")
	}
	return row.Release, nil
}

// Columns of a CSV of records, as "rimeline release list --csv" writes it.
var needed = []string{"id", "recorded_utc", "who", "programme", "site", "unit", "start_utc", "end_utc", "agent", "grams", "purpose", "corrects"}

// ReadCSV takes records from a CSV with a header (RFC 4180). Columns may be in any
// order; corrected_by and counts are not believed but worked out anew.
func (r *Records) ReadCSV(file string, b []byte) error {
	if len(b) > MaxRecordsBytes {
		return fmt.Errorf("%s: has %d bytes, at most %d are read", file, len(b), MaxRecordsBytes)
	}
	reader := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b, []byte("\ufeff"))))
	header, err := reader.Read()
	if err != nil {
		return fmt.Errorf("%s: no header of a CSV: %w", file, err)
	}
	at := map[string]int{}
	for k, name := range header {
		switch _, twice := at[name]; {
		case twice:
			return fmt.Errorf("%s: line 1: the column %q is there twice", file, clean(name, 40))
		case !slices.Contains(needed, name) && name != "corrected_by" && name != "counts":
			return fmt.Errorf("%s: line 1: there is no column %q; known are %s", file, clean(name, 40), strings.Join(needed, ", "))
		}
		at[name] = k
	}
	for _, name := range needed {
		if _, ok := at[name]; !ok {
			return fmt.Errorf("%s: line 1: the column %s is missing", file, name)
		}
	}
	for {
		row, err := reader.Read()
		if errors.Is(err, io.EOF) {
			return nil
		}
		var parse *csv.ParseError
		if errors.As(err, &parse) && errors.Is(err, csv.ErrFieldCount) {
			r.Leave(fmt.Sprintf("%s: line %d", file, parse.StartLine), fmt.Sprintf("has %d columns, the header %d", len(row), len(header)))
			continue
		}
		if err != nil {
			return fmt.Errorf("%s: %w", file, err) // quotes are broken: what follows cannot be trusted
		}
		line, _ := reader.FieldPos(0)
		where := fmt.Sprintf("%s: line %d", file, line)
		one, err := releaseOfRow(func(name string) string { return bare(row[at[name]]) })
		if err != nil {
			r.Leave(where, err.Error())
			continue
		}
		r.Add(one, where)
	}
}

// bare takes off the apostrophe that keeps a spreadsheet from reading a formula. A
// text that began so itself loses its own where the writer did not double it.
func bare(cell string) string {
	if rest, ok := strings.CutPrefix(cell, "'"); ok && guarded(rest) {
		return rest
	}
	return cell
}

func releaseOfRow(cell func(name string) string) (one alert.Release, err error) {
	one = alert.Release{ID: cell("id"), Who: cell("who"), Programme: cell("programme"), Site: cell("site"), Unit: cell("unit"), Agent: cell("agent"), Purpose: cell("purpose"), Corrects: cell("corrects")}
	for _, c := range []struct {
		name string
		into *time.Time
	}{{"recorded_utc", &one.At}, {"start_utc", &one.Start}, {"end_utc", &one.End}} {
		if *c.into, err = time.Parse(time.RFC3339, cell(c.name)); err != nil {
			return one, fmt.Errorf("%s: %q is no time such as 2026-02-04T01:30:00Z", c.name, clean(cell(c.name), 40))
		}
	}
	if one.Grams, err = strconv.ParseFloat(cell("grams"), 64); err != nil {
		return one, fmt.Errorf("grams: %q is no number", clean(cell("grams"), 40))
	}
	return one, nil
}
