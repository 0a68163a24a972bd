package main

import (
	"bytes"
	"os"

	"rimeline/ingest/cfgrid"
	"rimeline/ingest/eccodes"
	"rimeline/ingest/eccodes/child"
)

// decodeChildCommand is the far end of the pool of decoder processes: this same
// program, started by itself.
type decodeChildCommand struct{}

func (decodeChildCommand) Run(*environment) error {
	return child.ServeChild(os.Stdin, os.Stdout)
}

// probeChildCommand reads a netCDF-4 file before this program does: a damaged
// one can crash the library, or keep it busy for ever.
type probeChildCommand struct{}

func (probeChildCommand) Run(*environment) error {
	return cfgrid.ServeProbe(os.Stdin, os.Stdout)
}

// maxProbedBytes: larger netCDF-4 files are opened in place and unproved, since
// proving reads them whole. They are model output from a disk, not from a wire.
const maxProbedBytes = 512 << 20

// openNetCDFFile opens a netCDF file, a netCDF-4 one only after a child process
// has read it.
func openNetCDFFile(env *environment, in *inputFile) (*cfgrid.File, error) {
	hdf5 := !bytes.HasPrefix(in.head, []byte("CDF"))
	if in.inPlace && (!hdf5 || in.size > maxProbedBytes) {
		return cfgrid.OpenPath(in.path)
	}
	b, err := in.all()
	if err != nil {
		return nil, err
	}
	if !hdf5 {
		return cfgrid.Open(in.path, b)
	}
	program, err := os.Executable()
	if err != nil {
		return nil, err
	}
	return cfgrid.Prober{Command: []string{program, "probe-child"}}.Open(env, in.path, b)
}

// newRareDecoder makes the pool that decodes rare GRIB packings and BUFR in
// child processes. Nothing is started before it is needed.
func newRareDecoder() (*eccodes.Pool, error) {
	program, err := os.Executable()
	if err != nil {
		return nil, err
	}
	return eccodes.New([]string{program, "decode-child"}, eccodes.Options{}), nil
}
