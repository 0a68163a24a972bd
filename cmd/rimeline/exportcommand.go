package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/ingest/cfgrid"
	"rimeline/seedability/archive"
	"rimeline/seedability/archive/export"
	"rimeline/seedability/bus"
)

// exportCommand takes a range out of an archive for other programs.
type exportCommand struct {
	Archive   string   `required:"" type:"existingdir" placeholder:"DIR" help:"Folder of the archive."`
	Programme []string `placeholder:"ID" help:"Only these programmes; left out: all. netCDF and Parquet hold one."`
	Site      []string `placeholder:"ID" help:"Only these sites."`
	From      string   `placeholder:"TIME" help:"From this time on, which is included: 2026-01-01 or 2026-01-01T12:00Z; left out: the beginning."`
	To        string   `placeholder:"TIME" help:"Up to this time, which is not included; left out: the end."`
	Kind      string   `required:"" placeholder:"KIND" help:"What is exported: one of the kinds listed above."`
	Format    string   `required:"" enum:"csv,geojson,netcdf,parquet,ndjson" placeholder:"FORMAT" help:"csv, geojson, netcdf, parquet or ndjson."`
	Out       string   `required:"" placeholder:"FILE" help:"File to write, replaced when the new one is whole; - for standard output."`
	NoJSON    bool     `name:"no-json" help:"csv and geojson: leave out the columns that hold JSON (targets, inputs, data), which are the most of a file."`
	Partial   bool     `help:"Go on without days that cannot be read. Left out: the first one ends it and nothing is written."`
}

func (exportCommand) Help() string {
	return `Writes a range of the archive as one file. Times are UTC. The range is from <= time < to, where the time of scores and paths is that of the release, of outlooks that of their issue, else that of the message: a path is whole or not there, and a range may end in the middle of a day.

Kinds: ` + strings.Join(archive.Tables(), ", ") + `; as ndjson also ` + strings.Join(untabled(), ", ") + `.

Formats:

    csv      RFC 4180, a row a record, units in the names of columns; missing is empty
             (text that a spreadsheet takes for a formula has an apostrophe in front)
    geojson  RFC 7946: scores (points), paths (line, activation, landing, ellipse of
             landings) and outlooks (a point for each outlook and each window)
    netcdf   CF-1.11: scores (time series) and paths (trajectories), one programme
    parquet  the tables of the archive, one programme
    ndjson   the messages as they came, a CloudEvent a line; of paths see scores

Every file of a day is compared with its checksum before it is read. A day that cannot be read is named.

Examples:

    rimeline export --archive DIR --kind scores --format csv --from 2025-11-01 --out scores.csv
    rimeline export --archive DIR --kind paths --format geojson --from 2026-01-14T05:00Z \
        --to 2026-01-14T09:00Z --site hobnail --out storm.geojson
    rimeline export --archive DIR --kind scores --format netcdf --out scores.nc
    rimeline export --archive DIR --kind alerts --format ndjson --out - | jq -c .data

Exit status: 0 written, 1 nothing was written or, with --partial, not all could be read (said on standard error), 2 wrong usage.

Scores are advice to people on duty, and no proof that seeding works.`
}

// untabled are kinds of message that have no table.
func untabled() []string {
	var names []string
	for _, kind := range bus.Kinds() {
		if !slices.Contains(archive.Tables(), export.TableOf(kind.Name)) {
			names = append(names, kind.Name)
		}
	}
	return names
}

// exportSummary is what an export tells.
type exportSummary struct {
	File       string   `json:"file"`
	Kind       string   `json:"kind"`
	Format     string   `json:"format"`
	Programmes []string `json:"programmes"`
	// Rows, or features, or messages.
	Rows    int64    `json:"rows"`
	Of      string   `json:"of"`
	Bytes   int64    `json:"bytes"`
	Missing []string `json:"missing"`
}

const formatNetCDF, formatParquet, formatCSV, formatGeoJSON, formatNDJSON = "netcdf", "parquet", "csv", "geojson", "ndjson"

func (c *exportCommand) Run(env *environment) error {
	from, err := dayOrTime("--from", c.From)
	if err != nil {
		return err
	}
	to, err := dayOrTime("--to", c.To)
	if err != nil {
		return err
	}
	if !from.IsZero() && !to.IsZero() && !from.Before(to) {
		return usageError("--from must lie before --to")
	}
	table := export.TableOf(c.Kind)
	if err := c.check(table); err != nil {
		return err
	}
	reader, err := archive.OpenReader(c.Archive)
	if err != nil {
		return err
	}
	source := &export.Source{Reader: reader, Sites: c.Site, From: from, To: to, NoJSON: c.NoJSON}
	if source.Programmes, err = c.programmes(reader); err != nil {
		return err
	}
	if err := c.checkSites(reader, table, source.Programmes); err != nil {
		return err
	}
	summary := exportSummary{File: c.Out, Kind: table, Format: c.Format, Programmes: source.Programmes, Missing: []string{}}
	source.Problem = func(programme, what string, err error) error {
		if !c.Partial {
			return err
		}
		env.warn("%s", oneLine(err))
		summary.Missing = append(summary.Missing, programme+" "+what)
		return nil
	}
	shown := time.Now()
	source.Progress = func(day string) {
		if isTerminal(env.Stderr) && time.Since(shown) > 500*time.Millisecond {
			shown = time.Now()
			fmt.Fprintf(env.Stderr, "\r%s ", day)
		}
	}
	err = c.write(env, source, &summary)
	if isTerminal(env.Stderr) {
		fmt.Fprintf(env.Stderr, "\r           \r")
	}
	if err != nil {
		if errors.Is(err, archive.ErrDamaged) || errors.Is(err, os.ErrNotExist) {
			return fmt.Errorf("%w (nothing was written; --partial goes on without such days)", err)
		}
		return err
	}
	return c.show(env, &summary)
}

// check finds what is wrong with kind and format.
func (c *exportCommand) check(table string) error {
	_, message := export.KindOf(table)
	tabled := slices.Contains(archive.Tables(), table)
	switch {
	case !message && !tabled:
		return usageError(fmt.Sprintf("--kind: there is no %s; there are %s, and as ndjson %s", quoted(c.Kind), strings.Join(archive.Tables(), ", "), strings.Join(untabled(), ", ")))
	case c.Format == formatNDJSON && !message:
		return usageError("--kind " + c.Kind + ": its messages are those of scores")
	case c.Format != formatNDJSON && !tabled:
		return usageError("--kind " + c.Kind + ": there is no table of it, only messages: take --format ndjson")
	case c.Format == formatGeoJSON && !slices.Contains(export.Mapped, table):
		return usageError("--format geojson: of " + strings.Join(export.Mapped, ", ") + "; " + table + " have no places")
	case c.Format == formatNetCDF && table != archive.TableScores && table != archive.TablePaths:
		return usageError("--format netcdf: of scores and paths; take csv or parquet for " + table)
	case c.Format == formatNetCDF && c.Out == "-":
		return usageError("--out: a netCDF file cannot go to standard output")
	case c.NoJSON && c.Format != formatCSV && c.Format != formatGeoJSON:
		return usageError("--no-json is for csv and geojson")
	case len(c.Site) > 0 && !export.OfSites(table):
		return usageError("--site: " + table + " are of no single site")
	}
	if c.Out == "-" {
		return nil
	}
	// What lies in the archive's folder and is not of it is a fault for "archive verify".
	folder, err := filepath.EvalSymlinks(filepath.Dir(c.Out))
	if err != nil {
		return plainPathError(err)
	}
	if folder, err = filepath.Abs(folder); err != nil {
		return err
	}
	of, err := filepath.EvalSymlinks(c.Archive)
	if err != nil {
		return plainPathError(err)
	}
	if of, err = filepath.Abs(of); err != nil {
		return err
	}
	if relative, err := filepath.Rel(of, folder); err == nil && relative != ".." && !strings.HasPrefix(relative, ".."+string(filepath.Separator)) {
		return usageError("--out: " + c.Out + " lies in the archive itself")
	}
	if info, err := os.Stat(c.Out); err == nil && !info.Mode().IsRegular() {
		return usageError("--out: " + c.Out + " is there and is no regular file")
	}
	return nil
}

func (c *exportCommand) programmes(reader *archive.Reader) ([]string, error) {
	all, err := reader.Programmes()
	if err != nil {
		return nil, err
	}
	for _, name := range c.Programme {
		if !slices.Contains(all, name) {
			return nil, usageError(fmt.Sprintf("--programme: the archive has no %s; it has %s", quoted(name), strings.Join(all, ", ")))
		}
	}
	if len(c.Programme) > 0 {
		all = slices.Compact(slices.Sorted(slices.Values(c.Programme)))
	} else {
		// "_service" has what belongs to no programme.
		kind, ok := export.KindOf(export.TableOf(c.Kind))
		all = slices.DeleteFunc(all, func(name string) bool { return strings.HasPrefix(name, "_") != (ok && kind.NoProgramme) })
	}
	if c.Format != formatNetCDF && c.Format != formatParquet {
		return all, nil
	}
	if len(all) > 1 {
		return nil, usageError("--programme: a file of this format holds one; the archive has " + strings.Join(all, ", "))
	}
	if len(all) == 0 {
		return nil, errors.New("the archive has no programme yet: there is nothing to export")
	}
	return all, nil
}

// checkSites: a site that was never in the archive is a slip of the pen.
func (c *exportCommand) checkSites(reader *archive.Reader, table string, programmes []string) error {
	if len(c.Site) == 0 || !slices.Contains([]string{archive.TableScores, archive.TablePaths, archive.TableOutlooks}, table) {
		return nil
	}
	var known []string
	for _, programme := range programmes {
		sites, err := sitesOf(reader, programme)
		if err != nil {
			return nil // a day that cannot be read is told when it is exported
		}
		known = append(known, sites...)
	}
	for _, site := range c.Site {
		if len(known) > 0 && !slices.Contains(known, site) {
			return usageError(fmt.Sprintf("--site: the archive has no %s; it has %s", quoted(site), strings.Join(known, ", ")))
		}
	}
	return nil
}

// write writes the file, which appears whole or not at all.
func (c *exportCommand) write(env *environment, source *export.Source, summary *exportSummary) (err error) {
	summary.Of = "rows"
	stream := func(into io.Writer) (err error) {
		switch c.Format {
		case formatCSV:
			summary.Rows, err = export.CSV(env, source, summary.Kind, into)
		case formatGeoJSON:
			summary.Of = "features"
			summary.Rows, err = export.GeoJSON(env, source, summary.Kind, into)
		case formatNDJSON:
			summary.Of = "messages"
			kind, _ := export.KindOf(summary.Kind)
			summary.Rows, err = export.NDJSON(env, source, kind.Name, into)
		case formatParquet:
			summary.Rows, err = source.Reader.ExtractParquet(env, summary.Kind, source.Extraction(source.Programmes[0]), into)
		}
		return err
	}
	if c.Out == "-" {
		counting := &countingWriter{into: env.Stdout}
		err = stream(counting)
		summary.Bytes = counting.n
		return err
	}
	if c.Format == formatNetCDF {
		err = c.writeNetCDF(env, source, summary)
	} else {
		err = writeWholeFile(c.Out, stream)
	}
	if err != nil {
		return err
	}
	info, err := os.Stat(c.Out)
	if err != nil {
		return plainPathError(err)
	}
	summary.Bytes = info.Size()
	return nil
}

type countingWriter struct {
	into io.Writer
	n    int64
}

func (w *countingWriter) Write(b []byte) (int, error) {
	n, err := w.into.Write(b)
	w.n += int64(n)
	return n, err
}

// writeWholeFile writes a file that appears whole or not at all, also after a power cut.
func writeWholeFile(path string, write func(io.Writer) error) error {
	pending, err := renameio.NewPendingFile(path, renameio.WithTempDir(filepath.Dir(path)), renameio.WithStaticPermissions(0o644))
	if err != nil {
		return plainPathError(err)
	}
	defer pending.Cleanup() // nothing to do once it was replaced
	if err := write(pending); err != nil {
		return err
	}
	if err := pending.CloseAtomicallyReplace(); err != nil { // forces it to the disk first
		return plainPathError(err)
	}
	return syncFolder(filepath.Dir(path))
}

func syncFolder(dir string) error {
	f, err := os.Open(dir)
	if err != nil {
		return plainPathError(err)
	}
	defer f.Close()
	return f.Sync()
}

func (c *exportCommand) writeNetCDF(env *environment, source *export.Source, summary *exportSummary) error {
	scratch, err := os.MkdirTemp(filepath.Dir(c.Out), ".rimeline-export-*")
	if err != nil {
		return plainPathError(err)
	}
	defer os.RemoveAll(scratch)
	path := filepath.Join(scratch, "whole.nc")
	summary.Rows, err = source.Reader.ExtractNetCDF(env, summary.Kind, source.Extraction(source.Programmes[0]), path,
		archive.NetCDFOptions{OnThread: cfgrid.OnThread, ProgramVersion: version(), Now: time.Now().UTC().Truncate(time.Second)})
	if err != nil {
		return err
	}
	written, err := os.Open(path)
	if err != nil {
		return plainPathError(err)
	}
	defer written.Close()
	if err := errors.Join(written.Sync(), os.Rename(path, c.Out)); err != nil {
		return plainPathError(err)
	}
	return syncFolder(filepath.Dir(c.Out))
}

func (c *exportCommand) show(env *environment, s *exportSummary) error {
	if c.Out != "-" {
		if env.JSON {
			if err := writeJSON(env.Stdout, s); err != nil {
				return err
			}
		} else {
			of := s.Of
			if s.Rows == 1 {
				of = strings.TrimSuffix(of, "s")
			}
			fmt.Fprintf(env.Stdout, "Written: %s: %d %s of %s of %s, %s\n", c.Out, s.Rows, of, s.Kind, strings.Join(s.Programmes, ", "), roomOf(s.Bytes))
		}
	}
	if s.Rows == 0 && len(s.Missing) == 0 {
		env.warn("the archive has no %s in this range: the file has none", s.Kind)
	}
	if len(s.Missing) > 0 {
		env.warn("not all could be read; what is missing in the file: %s", strings.Join(s.Missing, "; "))
		return errReported
	}
	return nil
}
