// Package crop keeps decoded inputs, cut to what a programme needs, in one
// self-describing file: small enough to travel through a message bus's object
// store, and kept so that an assessment can be computed again to the bit.
//
// Everything comes back as it went in: the bits of every number, payloads of NaN
// included (they tell no echo from not covered, see grid.StateOf), nil and empty
// lists apart. Two things are made uniform: times come back in UTC, and equal
// grids and packings are shared. The same crop gives the same bytes, as long as
// the compressor's version is the same.
//
// The layout is this program's own:
//
//	magic           8 bytes, see below
//	version         4 bytes; all numbers are little-endian
//	sections        4 bytes, their number
//	directory       16 bytes each: kind, bytes stored, bytes uncompressed,
//	                CRC-32C of the bytes stored
//	checksum        4 bytes, CRC-32C of all before
//	sections        one after the other, nothing behind; each one frame of
//	                Zstandard (RFC 8878)
//
// The first section, META, holds everything but the arrays, in the order of
// describe.go. The others, DATA, hold the arrays one after the other, cut every
// MiB. Numbers wider than a byte are shuffled: first the low bytes of all, and so
// on. Fields with few distinct values, as model grids and mosaics that were
// packed to some decimals have, are a list of these values and the number of
// each point in it (see palette.go), in half of the bytes.
//
// Decode refuses what Encode would not have written and never takes more memory
// than MaxBytes and what the lists in META ask for, which MaxMetaBytes bounds.
package crop

import (
	"errors"
	"time"

	"rimeline/grid"
	"rimeline/ingest/satellite"
	"rimeline/ingest/sounding"
)

// Crop is one cropped input: a model hour, a radar volume, a mosaic, soundings or
// a satellite's scan, and where it came from.
type Crop struct {
	// Source is the name of the source ("hrrr"), Kind what it gives ("model"),
	// Object the object of the source that this is, Station the radar or the
	// balloon's station, Product the source's product; empty where there is none.
	Source, Kind, Object, Station, Product string
	// ReferenceTime is the start of the model run; ValidTime the instant that the
	// data hold for; Published when the store says that the object appeared, and
	// Fetched when its last byte was here. Zero where unknown.
	ReferenceTime, ValidTime, Published, Fetched time.Time
	// Files are what it was read from.
	Files []File

	Fields    []*grid.Field // model, mosaic
	Volume    *grid.Volume  // radar, see Thin
	Reports   []sounding.Report
	CloudTops []*satellite.Granule
	// Raw are files kept as they came: readings, warnings, telemetry, which are
	// small, and of which the words of the source may matter later.
	Raw []RawFile
}

// RawFile is one file as it came.
type RawFile struct {
	Name  string
	Bytes []byte
}

// File is one file, or the parts used of one, that a crop was read from.
type File struct {
	Name, URL string
	Bytes     int64
	// SHA256 of the bytes used, in hexadecimal.
	SHA256 string
	// ETag and LastModified as the server gave them, empty and zero where not.
	ETag         string
	LastModified time.Time
}

// What one crop may hold: 1 GiB of arrays, ten whole mosaics of the contiguous
// United States, and 16 MiB of everything else, a hundred times a radar volume's.
const (
	MaxBytes     = 1 << 30
	MaxMetaBytes = 16 << 20
)

// Version is the newest that Encode writes. Decode reads this one and all before.
// A crop without raw files is written as version 1, which knows of none, so that
// programs of before can read it.
const Version = 2

// Encode gives the file of a crop. A crop whose parts contradict each other
// (values that do not fill their grid, rows without radials) is an error, since
// nothing could be computed from it.
func Encode(c *Crop) ([]byte, error) {
	if c == nil {
		return nil, errors.New("crop: nil")
	}
	w := newWriter()
	defer w.release()
	if c.Raw != nil {
		w.version = 2
	}
	describe(w, c)
	return w.file()
}

// Decode is the way back. name is the file's in errors, which are
// *ingest.FormatError: ErrTruncated where bytes are missing at the end,
// ErrUnsupported where a newer version of the program wrote the file, else
// ErrCorrupt.
func Decode(name string, b []byte) (*Crop, error) {
	r, err := newReader(name, b)
	if err != nil {
		return nil, err
	}
	defer r.release()
	c := new(Crop)
	describe(r, c)
	if err := r.finish(); err != nil {
		return nil, err
	}
	return c, nil
}
