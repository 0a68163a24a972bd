// Package ingest holds what all decoders share: how an error names its place
// in a file, and a guess of what kind of file some bytes are.
//
// Decoders live one directory down, take bytes and return values of package
// grid. They never open files and never use the network.
package ingest

import (
	"errors"
	"fmt"
	"strings"
)

// The reasons why some bytes were not decoded. Test for them with errors.Is;
// each asks the caller for a different thing.
var (
	// ErrTruncated: the bytes end too early. Fetch again.
	ErrTruncated = errors.New("truncated")
	// ErrUnsupported: valid as far as can be told, but this program does not
	// read it. Skip it, count it, carry on.
	ErrUnsupported = errors.New("valid, not supported")
	// ErrCorrupt: the bytes break their own format. Reject them.
	ErrCorrupt = errors.New("breaks its own format")
	// ErrDecoderDied: the child process that decodes rare packings crashed, ran
	// out of its memory or out of its time on this one message.
	ErrDecoderDied = errors.New("decoder process died")
)

// FormatError says where a file departs from its format.
type FormatError struct {
	File    string // base name, path as given, or URL
	Message int    // 1 for the first; 0 where the format has none
	Offset  int64  // byte of File, after decompression
	Detail  string // field, value, and what the standard allows
	Err     error  // one of the reasons above
}

// Error prints file, message, offset, detail and reason on one line.
func (e *FormatError) Error() string {
	var b strings.Builder
	b.WriteString(e.File)
	if e.Message > 0 {
		fmt.Fprintf(&b, ": message %d", e.Message)
	}
	fmt.Fprintf(&b, ": byte %d", e.Offset)
	if e.Detail != "" {
		b.WriteString(": " + e.Detail)
	}
	if e.Err != nil {
		b.WriteString(": " + e.Err.Error())
	}
	return b.String()
}

// Unwrap gives the reason.
func (e *FormatError) Unwrap() error { return e.Err }
