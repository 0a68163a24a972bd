package level2

import (
	"errors"
	"testing"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

func wantReason(t *testing.T, err, reason error) {
	t.Helper()
	var format *ingest.FormatError
	if !errors.As(err, &format) || !errors.Is(err, reason) {
		t.Errorf("error %v, want a FormatError with %v", err, reason)
	}
}

func TestTruncatedFile(t *testing.T) {
	// 1 509 231 bytes are 620 frames and a part of one.
	v, err := Decode(t.Context(), "KTLX19910720_160529.gz", testfiles.Read(t, "level2/KTLX19910720_160529.gz"), Options{})
	wantReason(t, err, ingest.ErrTruncated)
	if v == nil || v.Complete || v.Radar != "KTLX" {
		t.Fatalf("volume %+v", v)
	}
}
