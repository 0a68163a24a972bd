package main

import (
	"bufio"
	"encoding/json"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sys/unix"

	"rimeline/seedability/hindcast"
)

// hindcastStateName is the file that remembers hours for a run that goes on. Each line
// is a checksum and the hours of one release with the digest of all that they were
// judged from; what no longer fits is judged again, so the file needs no head.
const hindcastStateName = "hours.state"

// maxStateLine: the hours of a thousand sites.
const maxStateLine = 4 << 20

// rememberedHours is one line.
type rememberedHours struct {
	Digest string          `json:"digest"`
	Hours  []hindcast.Hour `json:"hours"`
}

// hindcastState is that file.
type hindcastState struct {
	path  string
	file  *os.File
	w     *bufio.Writer
	known map[string][]hindcast.Hour // by digest and release
}

func newStateWriter(into io.Writer) *bufio.Writer { return bufio.NewWriterSize(into, 1<<16) }

func stateKey(digest string, release time.Time) string {
	return digest + " " + strconv.FormatInt(release.Unix(), 10)
}

var stateTable = crc32.MakeTable(crc32.Castagnoli)

// openHindcastState reads what is there. What was not written to its end (the line in
// which the program died) is cut off.
func openHindcastState(path string) (*hindcastState, error) {
	file, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o644)
	if err != nil {
		return nil, plainPathError(err)
	}
	if err := unix.Flock(int(file.Fd()), unix.LOCK_EX|unix.LOCK_NB); err != nil {
		file.Close()
		return nil, fmt.Errorf("%s: another hindcast works in this folder", path)
	}
	s := &hindcastState{path: path, file: file, known: map[string][]hindcast.Hour{}}
	good, err := s.read(file)
	if err == nil {
		err = file.Truncate(good)
	}
	if err == nil {
		_, err = file.Seek(good, io.SeekStart)
	}
	if err != nil {
		file.Close()
		return nil, plainPathError(err)
	}
	s.w = newStateWriter(file)
	return s, nil
}

// read takes all whole lines and says where they end.
func (s *hindcastState) read(from io.Reader) (good int64, err error) {
	r := bufio.NewReaderSize(from, 1<<16)
	total := 0
	for n := 1; ; n++ {
		line, err := readStateLine(r)
		if errors.Is(err, io.EOF) {
			return good, nil // without its end, or nothing
		}
		if err != nil {
			return good, fmt.Errorf("%s: line %d: %w", s.path, n, err)
		}
		hours, err := parseStateLine(line)
		if err != nil {
			return good, fmt.Errorf("%s: line %d is damaged (%w): remove the file, and all is judged again", s.path, n, err)
		}
		if total += len(hours.Hours); total > 2*maxHindcastHours {
			return good, fmt.Errorf("%s: more than %d hours", s.path, 2*maxHindcastHours)
		}
		s.known[stateKey(hours.Digest, hours.Hours[0].Time)] = hours.Hours
		good += int64(len(line)) + 1
	}
}

// readStateLine gives a line without its end, io.EOF for one that has none.
func readStateLine(r *bufio.Reader) ([]byte, error) {
	var line []byte
	for {
		part, err := r.ReadSlice('\n')
		line = append(line, part...)
		switch {
		case err == nil:
			return line[:len(line)-1], nil
		case !errors.Is(err, bufio.ErrBufferFull):
			return nil, err
		case len(line) > maxStateLine:
			return nil, fmt.Errorf("longer than %d bytes", maxStateLine)
		}
	}
}

func parseStateLine(line []byte) (*rememberedHours, error) {
	sum, text, ok := strings.Cut(string(line), " ")
	if !ok || len(sum) != 8 {
		return nil, errors.New("no checksum")
	}
	want, err := strconv.ParseUint(sum, 16, 32)
	if err != nil || crc32.Checksum([]byte(text), stateTable) != uint32(want) {
		return nil, errors.New("the checksum is another")
	}
	var hours rememberedHours
	if err := json.Unmarshal([]byte(text), &hours); err != nil {
		return nil, err
	}
	if len(hours.Hours) == 0 || hours.Digest == "" {
		return nil, errors.New("no hours")
	}
	for k := range hours.Hours {
		if !hours.Hours[k].Time.Equal(hours.Hours[0].Time) {
			return nil, errors.New("hours of several releases")
		}
	}
	return &hours, nil
}

// have gives the hours of a release that were judged from the same.
func (s *hindcastState) have(digest string, release time.Time, sites int) ([]hindcast.Hour, bool) {
	hours, ok := s.known[stateKey(digest, release)]
	return hours, ok && len(hours) == sites
}

func (s *hindcastState) add(digest string, hours []hindcast.Hour) error {
	if len(hours) == 0 {
		return nil
	}
	text, err := json.Marshal(rememberedHours{digest, hours})
	if err != nil {
		return err
	}
	_, err = fmt.Fprintf(s.w, "%08x %s\n", crc32.Checksum(text, stateTable), text)
	return err
}

// flush forces what was added to the disk.
func (s *hindcastState) flush() error {
	err := s.w.Flush()
	if err == nil {
		err = s.file.Sync()
	}
	return plainPathError(err)
}

func (s *hindcastState) close() { s.file.Close() }
