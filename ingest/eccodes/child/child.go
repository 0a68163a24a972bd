// Package child is the far end of package eccodes: a process that does nothing
// but decode messages with ecCodes, and that may die of any of them.
//
// The program's hidden subcommand for the child, and tests, are the only
// importers: what imports this package links ecCodes.
package child

import (
	"bufio"
	"encoding/binary"
	"errors"
	"fmt"
	"io"

	"rimeline/ingest/eccodes/internal/frame"
	"rimeline/ingest/eccodes/lib"
)

// MaxMessageBytes is the longest message accepted. FM 92 GRIB allows any; the
// longest in operational use is far below.
const MaxMessageBytes = 256 << 20

// keepValues is the largest buffer kept from one message to the next.
const keepValues = 4 << 20

// ServeChild answers requests from stdin on stdout, one at a time, until stdin
// ends. An error means that the other side broke the protocol or went away.
//
// It changes how this process dies: a fatal signal ends it at once. The process
// that started it bounds memory and time, see package eccodes.
func ServeChild(stdin io.Reader, stdout io.Writer) error {
	lib.DefaultSignals()
	in := bufio.NewReaderSize(stdin, 64<<10)
	var decoder lib.Decoder
	defer decoder.Free()
	for {
		header, err := frame.ReadHeader(in)
		if err == io.EOF {
			return nil
		}
		if err != nil {
			return err
		}
		message, err := frame.ReadPayload(in, header, MaxMessageBytes)
		if err != nil {
			return err
		}
		switch header.Kind {
		case frame.DecodeGRIB:
			if len(message) < 8 {
				return frame.ErrProtocol
			}
			var values []float64
			want := binary.LittleEndian.Uint64(message)
			decoder.MaxValues = int(max(1, min(want, lib.DefaultMaxValues)))
			values, err = decoder.Decode(message[8:])
			if err == nil && uint64(len(values)) != want {
				err = fmt.Errorf("%d values, section 3 announces %d", len(values), want)
			}
			if err == nil {
				if err = frame.WriteValues(stdout, values); err != nil {
					return err
				}
				if len(values) > keepValues {
					decoder.Free()
				}
				continue
			}
		case frame.DecodeBUFR:
			decoded, failed := lib.DecodeBUFR(message, frame.MaxElements)
			if err = failed; err == nil {
				if err = frame.Write(stdout, frame.Subsets, frame.AppendDecoded(nil, decoded)); err != nil {
					return err
				}
				continue
			}
		default:
			return frame.ErrProtocol
		}
		reason := frame.Corrupt
		var failure *lib.Error
		if errors.As(err, &failure) && failure.Unsupported() {
			reason = frame.Unsupported
		}
		if err := frame.Write(stdout, frame.Failure, frame.AppendFailure(nil, reason, err.Error())); err != nil {
			return err
		}
	}
}
