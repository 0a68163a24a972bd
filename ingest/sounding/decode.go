package sounding

import (
	"bytes"
	"fmt"
	"regexp"
	"time"

	"rimeline/ingest"
)

// ErrNoSounding is the reason of a reply that is well formed and says that
// there is no sounding. It is a kind of ingest.ErrUnsupported: skip it, count
// it, ask for another time.
var ErrNoSounding = fmt.Errorf("no sounding in this reply: %w", ingest.ErrUnsupported)

// sniffBytes is how far Sniff looks.
const sniffBytes = 64 << 10

var (
	sniffIGRA = regexp.MustCompile(`(?m)^#[A-Z]{2}[A-Z0-9]{9} \d{4} \d\d \d\d `)
	sniffFSL  = regexp.MustCompile(`(?m)^ *(?:254|RAOB|AMDAR) +\d{1,2} +\d{1,2} +[A-Za-z]{3} +\d{4}[ \r]*$`)
	sniffTEMP = regexp.MustCompile(`(?:^|[\s=])(?:TT|UU|XX|II|PP|QQ|EE)(?:AA|BB|CC|DD)\s`)
	sniffList = regexp.MustCompile(`(?m)^ +PRES +HGHT +TEMP`)
	sniffHTML = regexp.MustCompile(`(?i)<html|<body|<pre>`)
)

// Sniff guesses the format from the first bytes, never from a name. Text of no
// known form and binary data are FormatUnknown.
func Sniff(b []byte) Format {
	head := b[:min(len(b), sniffBytes)]
	trimmed := bytes.TrimLeft(head, " \t\r\n\x00\x01\xef\xbb\xbf")
	switch {
	case bytes.HasPrefix(head, []byte("PK\x03\x04")):
		return FormatIGRA2
	case bytes.HasPrefix(trimmed, []byte("BUFR")):
		return FormatBUFR
	case bytes.HasPrefix(trimmed, []byte("{")):
		if bytes.Contains(head, []byte(`"profile`)) {
			return FormatJSON
		}
		return FormatUnknown
	case sniffIGRA.Match(head):
		return FormatIGRA2
	case bytes.Contains(head, []byte("%RAW%")), bytes.HasPrefix(trimmed, []byte("%TITLE%")):
		return FormatRaw
	case bytes.Contains(head, []byte("SNPARM")):
		return FormatBUFKIT
	case bytes.HasPrefix(trimmed, []byte("time,longitude,latitude,")), bytes.Contains(firstLine(trimmed), []byte("pressure_")):
		return FormatCSV
	case sniffList.Match(head), sniffHTML.Match(head):
		return FormatList
	case sniffFSL.Match(head):
		return FormatFSL
	case sniffTEMP.Match(head):
		return FormatTEMP
	case bytes.Contains(head, []byte("BUFR")): // behind a bulletin heading
		return FormatBUFR
	}
	return FormatUnknown
}

func firstLine(b []byte) []byte {
	l := lines{b: b}
	line, _, _ := l.next()
	return line
}

// Decode reads every report of a file, in whichever text format it is (BUFR
// needs a table-driven decoder beside it: DecodeBUFR). The reports
// that could be read are returned together with the errors (joined, each an
// *ingest.FormatError) of what could not. A TEMP bulletin read this way has no
// month and year, so its Time stays zero; DecodeAt can place it.
func Decode(file string, b []byte) ([]Report, error) { return DecodeAt(file, b, time.Time{}) }

// DecodeAt is Decode with a reference time, which gives a TEMP bulletin its
// month and year (see DecodeTEMP). Other formats ignore it.
func DecodeAt(file string, b []byte, reference time.Time) ([]Report, error) {
	switch Sniff(b) {
	case FormatTEMP:
		return DecodeTEMP(file, b, reference)
	case FormatFSL:
		return DecodeFSL(file, b)
	case FormatIGRA2:
		return DecodeIGRA2(file, b)
	case FormatList:
		return DecodeList(file, b)
	case FormatCSV:
		return DecodeCSV(file, b)
	case FormatJSON:
		return DecodeJSON(file, b)
	case FormatRaw:
		return DecodeRaw(file, b)
	case FormatBUFKIT:
		return DecodeBUFKIT(file, b)
	case FormatBUFR:
		return nil, &ingest.FormatError{File: file, Detail: "BUFR needs a table-driven decoder: use DecodeBUFR", Err: ingest.ErrUnsupported}
	}
	reason, detail := ingest.ErrUnsupported, "not a sounding format that this program reads"
	if len(bytes.TrimSpace(b)) == 0 {
		reason, detail = ingest.ErrTruncated, "the file is empty"
	}
	return nil, &ingest.FormatError{File: file, Detail: detail, Err: reason}
}
