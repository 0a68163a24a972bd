package archive

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"strings"
	"time"

	"github.com/klauspost/compress/zstd"

	"rimeline/seedability/bus"
)

// Messages lie as lines of JSON in frames of zstd; a frame ends after so many bytes.
const frameBytes = 1 << 20

// maxLineBytes: a message is at most 1 MiB on the bus, and base64 and the envelope
// come on top.
const maxLineBytes = 4 << 20

// line is one message as it lies in a file.
type line struct {
	Sequence uint64          `json:"sequence"`
	Stored   time.Time       `json:"stored"`
	Event    json.RawMessage `json:"event"`
}

// appendLine writes a message as a line. The event is as its MarshalJSON has it.
func appendLine(into []byte, sequence uint64, stored time.Time, event []byte) []byte {
	into = fmt.Appendf(into, `{"sequence":%d,"stored":%q,"event":`, sequence, stored.UTC().Format(time.RFC3339Nano))
	into = append(into, event...)
	return append(into, '}', '\n')
}

// frames packs lines.
type frames struct {
	raw    []byte // not yet packed
	packed []byte
	rows   int64
}

func (f *frames) add(encoder *zstd.Encoder, sequence uint64, stored time.Time, event []byte) {
	f.raw = appendLine(f.raw, sequence, stored, event)
	f.rows++
	if len(f.raw) >= frameBytes {
		f.pack(encoder)
	}
}

func (f *frames) pack(encoder *zstd.Encoder) {
	if len(f.raw) > 0 {
		f.packed = encoder.EncodeAll(f.raw, f.packed)
		f.raw = f.raw[:0]
	}
}

func newEncoder() (*zstd.Encoder, error) {
	return zstd.NewWriter(nil, zstd.WithEncoderCRC(true), zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedDefault))
}

// eventsFile is the name of the messages of a kind.
func eventsFile(kind string) string { return "events." + kind + ".ndjson.zst" }

func kindOfFile(name string) (string, bool) {
	rest, ok := strings.CutPrefix(name, "events.")
	if !ok {
		return "", false
	}
	return strings.CutSuffix(rest, ".ndjson.zst")
}

// readLines yields the messages of a file that contain a text, as they lie there.
// rows is how many there must be, -1 where that is not known.
func readLines(ctx context.Context, path, having string, rows int64, yield func(*line) bool) error {
	opened, err := os.Open(path)
	if err != nil {
		return err
	}
	defer opened.Close()
	return readLinesFrom(ctx, path, opened, having, rows, yield)
}

func readLinesFrom(ctx context.Context, path string, from io.Reader, having string, rows int64, yield func(*line) bool) error {
	decoder, err := zstd.NewReader(from, zstd.WithDecoderConcurrency(1), zstd.WithDecoderMaxMemory(64<<20), zstd.WithDecoderMaxWindow(32<<20))
	if err != nil {
		return err
	}
	defer decoder.Close()
	scanner := bufio.NewScanner(decoder)
	scanner.Buffer(make([]byte, 64<<10), maxLineBytes)
	n := int64(0)
	for scanner.Scan() {
		if n++; n%256 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		b := scanner.Bytes()
		if having != "" && !bytes.Contains(b, []byte(having)) {
			continue
		}
		var l line
		if err := json.Unmarshal(b, &l); err != nil || l.Event == nil {
			return fmt.Errorf("%s: line %d: no message (%v): %w", path, n, err, ErrDamaged)
		}
		if !yield(&l) {
			return nil
		}
	}
	if err := scanner.Err(); err != nil {
		return fmt.Errorf("%s: after line %d: %w: %w", path, n, err, ErrDamaged)
	}
	if rows >= 0 && n != rows {
		return fmt.Errorf("%s: %d lines, %d were written: %w", path, n, rows, ErrDamaged)
	}
	return nil
}

// decode gives the message of a line.
func (l *line) decode(path string) (bus.Stored, error) {
	s := bus.Stored{Sequence: l.Sequence, Time: l.Stored}
	if err := json.Unmarshal(l.Event, &s.Event); err != nil {
		return s, fmt.Errorf("%s: message %d: %w: %w", path, l.Sequence, err, ErrDamaged)
	}
	s.Subject = s.Event.Subject
	return s, nil
}
