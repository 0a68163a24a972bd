package main

import (
	"os"

	"rimeline/ingest/eccodes"
	"rimeline/ingest/eccodes/child"
)

// decodeChildCommand is the far end of the pool of decoder processes: this same
// program, started by itself.
type decodeChildCommand struct{}

func (decodeChildCommand) Run(*environment) error {
	return child.ServeChild(os.Stdin, os.Stdout)
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
