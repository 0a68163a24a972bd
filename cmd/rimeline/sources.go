package main

import (
	"bytes"
	"context"

	"rimeline/grid"
	"rimeline/ingest/cfgrid"
	"rimeline/ingest/cfradial"
	"rimeline/ingest/grib"
	"rimeline/ingest/level2"
	"rimeline/ingest/sounding"
)

// kindUnknown is the kind of what no source recognises.
const kindUnknown = "unknown"

const (
	kindLevel2   = "level2"
	kindCfRadial = "cfradial" // inside of netCDF
)

// source is one kind of input file.
type source struct {
	kind string
	// sniff tells the kind by the first bytes, never by a name.
	sniff func(head []byte) bool
	// open finds what the file holds and decodes no values yet.
	open func(env *environment, in *inputFile) (*contents, error)
}

// sources is every kind of input, in the order in which they are tried.
var sources = []source{
	{kind: "netcdf", sniff: cfgrid.IsNetCDF, open: openNetCDF},
	{kind: kindLevel2, sniff: level2.Sniff, open: openLevel2},
	{kind: "grib2", sniff: isMessage("GRIB", 2), open: openGRIB},
	{kind: "grib1", sniff: isMessage("GRIB", 0, 1), open: openGRIB},
	{kind: "bufr", sniff: isMessage("BUFR", 0, 1, 2, 3, 4), open: openBUFR},
	{kind: "sounding", sniff: isSounding, open: openSounding},
}

// isMessage looks for the start of a WMO message of one of the editions, with
// which octet 8 of section 0 tells; a bulletin heading may stand before it.
func isMessage(name string, editions ...byte) func([]byte) bool {
	return func(head []byte) bool {
		at := bytes.Index(head, []byte(name))
		return at >= 0 && at+7 < len(head) && bytes.IndexByte(editions, head[at+7]) >= 0
	}
}

func isSounding(head []byte) bool {
	format := sounding.Sniff(head)
	return format != sounding.FormatUnknown && format != sounding.FormatBUFR
}

func openNetCDF(env *environment, in *inputFile) (*contents, error) {
	file, err := openNetCDFFile(env, in)
	if err != nil {
		return nil, err
	}
	if cfradial.Is(file) {
		defer file.Close()
		volume, err := cfradial.Read(env, in.path, file)
		return &contents{kind: kindCfRadial, volume: volume}, err
	}
	found := &contents{netcdf: file, headers: file.Headers(), release: func() { file.Close() }}
	found.field = func(ctx context.Context, k int, o fieldOptions) (*grid.Field, error) {
		return file.Field(ctx, found.headers[k].Number, cfgrid.Options{Window: o.Window})
	}
	if file.IsWRF() {
		found.wrf = func(ctx context.Context, window func(*grid.Grid) *grid.Window) ([]*grid.Field, error) {
			var o cfgrid.Options
			for k := range found.headers {
				// P and HGT are on the mass points, which windows of WRFFields count.
				if name := found.headers[k].ShortName; name == "P" || name == "HGT" {
					o.Window = window(found.headers[k].Grid)
					break
				}
			}
			return file.WRFFields(ctx, o)
		}
	}
	return found, nil
}

func openGRIB(env *environment, in *inputFile) (*contents, error) {
	b, err := in.all()
	if err != nil {
		return nil, err
	}
	messages, err := grib.Messages(in.path, b)
	found := &contents{err: err}
	for _, message := range messages {
		found.headers = append(found.headers, message.Header())
	}
	found.field = func(ctx context.Context, k int, o fieldOptions) (*grid.Field, error) {
		return messages[k].Field(ctx, grib.Options{Window: o.Window, Values: o.Values, Rare: env.Rare})
	}
	return found, nil
}

func openBUFR(env *environment, in *inputFile) (*contents, error) {
	b, err := in.all()
	if err != nil {
		return nil, err
	}
	reports, err := sounding.DecodeBUFR(env, in.path, b, env.Rare)
	return &contents{soundings: reportSequence(reports), err: err}, nil
}

func openSounding(env *environment, in *inputFile) (*contents, error) {
	b, err := in.all()
	if err != nil {
		return nil, err
	}
	if sounding.Sniff(in.head) == sounding.FormatIGRA2 {
		// A whole station record is one by one, it does not fit in memory.
		return &contents{soundings: sounding.IGRA2(in.path, b)}, nil
	}
	reports, err := sounding.DecodeAt(in.path, b, in.reference)
	return &contents{soundings: reportSequence(reports), err: err}, nil
}

func reportSequence(reports []sounding.Report) func(yield func(sounding.Report, error) bool) {
	return func(yield func(sounding.Report, error) bool) {
		for _, report := range reports {
			if !yield(report, nil) {
				return
			}
		}
	}
}
