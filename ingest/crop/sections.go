package crop

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"sync"

	"github.com/klauspost/compress/zstd"

	"rimeline/ingest"
)

// magic begins with a byte that no text begins with, and holds the ends of lines
// that a transfer as text would change.
const magic = "\x8arime\r\n\x1a"

const (
	kindMeta = 'M' | 'E'<<8 | 'T'<<16 | 'A'<<24
	kindData = 'D' | 'A'<<8 | 'T'<<16 | 'A'<<24

	headBytes  = len(magic) + 8
	entryBytes = 16
	sumBytes   = 4

	// blockBytes is how much of the arrays a DATA section holds, uncompressed.
	blockBytes = 1 << 20
)

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// section is one entry of the directory.
type section struct {
	kind, stored, raw, sum uint32
	offset                 int
}

// writeFile puts directory and stored sections together.
func writeFile(version int, directory []section, stored []byte) []byte {
	out := make([]byte, 0, headBytes+entryBytes*len(directory)+sumBytes+len(stored))
	out = append(out, magic...)
	out = binary.LittleEndian.AppendUint32(out, uint32(version))
	out = binary.LittleEndian.AppendUint32(out, uint32(len(directory)))
	for _, s := range directory {
		for _, n := range [...]uint32{s.kind, s.stored, s.raw, s.sum} {
			out = binary.LittleEndian.AppendUint32(out, n)
		}
	}
	out = binary.LittleEndian.AppendUint32(out, crc32.Checksum(out, castagnoli))
	return append(out, stored...)
}

// readDirectory checks everything that can be checked without decompressing.
func readDirectory(name string, b []byte) (version int, sections []section, err error) {
	fail := func(offset int, reason error, format string, args ...any) (int, []section, error) {
		return 0, nil, &ingest.FormatError{File: name, Offset: int64(min(offset, len(b))), Detail: fmt.Sprintf(format, args...), Err: reason}
	}
	if n := min(len(b), len(magic)); string(b[:n]) != magic[:n] {
		return fail(0, ingest.ErrCorrupt, "not a crop: it begins with %q", b[:n])
	}
	if len(b) < headBytes {
		return fail(len(b), ingest.ErrTruncated, "%d bytes, the head alone has %d", len(b), headBytes)
	}
	stated := binary.LittleEndian.Uint32(b[len(magic):])
	if stated > Version {
		return fail(len(magic), ingest.ErrUnsupported, "version %d of the layout, written by a newer rimeline; this one reads up to %d", stated, Version)
	} else if stated < 1 {
		return fail(len(magic), ingest.ErrCorrupt, "version 0 of the layout")
	}
	n := binary.LittleEndian.Uint32(b[len(magic)+4:])
	if n > MaxBytes/blockBytes+1 {
		return fail(len(magic)+4, ingest.ErrCorrupt, "%d sections, at most %d", n, MaxBytes/blockBytes+1)
	}
	if n < 1 {
		return fail(len(magic)+4, ingest.ErrCorrupt, "no sections")
	}
	end := headBytes + entryBytes*int(n)
	if len(b) < end+sumBytes {
		return fail(len(b), ingest.ErrTruncated, "directory of %d sections needs %d bytes, %d left", n, end+sumBytes-headBytes, len(b)-headBytes)
	}
	if got, want := crc32.Checksum(b[:end], castagnoli), binary.LittleEndian.Uint32(b[end:]); got != want {
		return fail(end, ingest.ErrCorrupt, "checksum of the directory %08x, want %08x", got, want)
	}
	sections = make([]section, n)
	offset := end + sumBytes
	for k := range sections {
		entry := b[headBytes+entryBytes*k:]
		s := section{binary.LittleEndian.Uint32(entry), binary.LittleEndian.Uint32(entry[4:]), binary.LittleEndian.Uint32(entry[8:]), binary.LittleEndian.Uint32(entry[12:]), offset}
		kind, most := uint32(kindData), uint32(blockBytes)
		if k == 0 {
			kind, most = kindMeta, MaxMetaBytes
		}
		at := headBytes + entryBytes*k
		switch {
		case s.kind != kind:
			return fail(at, ingest.ErrCorrupt, "section %d is of kind %08x, want %08x", k, s.kind, kind)
		case s.raw < 1 || s.raw > most:
			return fail(at+8, ingest.ErrCorrupt, "section %d has %d bytes uncompressed, want 1 to %d", k, s.raw, most)
		case k > 0 && k < len(sections)-1 && s.raw != blockBytes:
			return fail(at+8, ingest.ErrCorrupt, "section %d has %d bytes uncompressed, only the last may have less than %d", k, s.raw, blockBytes)
		case uint64(s.stored) > uint64(len(b)-offset):
			return fail(len(b), ingest.ErrTruncated, "section %d needs %d bytes, %d left", k, s.stored, len(b)-offset)
		}
		offset += int(s.stored)
		sections[k] = s
	}
	if offset != len(b) {
		return fail(offset, ingest.ErrCorrupt, "%d bytes behind the last section", len(b)-offset)
	}
	for k, s := range sections {
		if got := crc32.Checksum(b[s.offset:s.offset+int(s.stored)], castagnoli); got != s.sum {
			return fail(s.offset, ingest.ErrCorrupt, "checksum of section %d %08x, want %08x", k, got, s.sum)
		}
	}
	return int(stated), sections, nil
}

// Encoders and decoders of Zstandard hold some megabytes each. Their own
// checksum is left out: the directory has one.
var (
	encoders = sync.Pool{New: func() any {
		e, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithEncoderLevel(zstd.SpeedDefault),
			zstd.WithWindowSize(blockBytes), zstd.WithEncoderCRC(false), zstd.WithSingleSegment(true))
		if err != nil {
			panic(err) // the options are constants
		}
		return e
	}}
	decoders = sync.Pool{New: func() any {
		d, err := zstd.NewReader(nil, zstd.WithDecoderConcurrency(1), zstd.WithDecodeAllCapLimit(true),
			zstd.WithDecoderMaxMemory(MaxMetaBytes), zstd.WithDecoderMaxWindow(MaxMetaBytes))
		if err != nil {
			panic(err) // the options are constants
		}
		return d
	}}
)

// inflate decompresses a section into dst, whose capacity it does not pass.
func inflate(d *zstd.Decoder, b []byte, s section, dst []byte) ([]byte, error) {
	stored := b[s.offset : s.offset+int(s.stored)]
	var h zstd.Header
	if err := h.Decode(stored); err != nil {
		return nil, err
	}
	if h.Skippable || !h.HasFCS || h.FrameContentSize != uint64(s.raw) {
		return nil, fmt.Errorf("its frame has another length than the directory's %d", s.raw)
	}
	out, err := d.DecodeAll(stored, dst[:0:s.raw])
	if err == nil && len(out) != int(s.raw) {
		err = fmt.Errorf("%d bytes uncompressed, want %d", len(out), s.raw)
	}
	return out, err
}
