package eccodes

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"rimeline/ingest/eccodes/child"
	"rimeline/ingest/eccodes/internal/frame"
)

// The tests start this test binary again as the child; the variable says what
// kind of child to be.
const roleVariable = "RIMELINE_TEST_DECODER"

func TestMain(m *testing.M) {
	role := os.Getenv(roleVariable)
	if role == "" {
		os.Exit(m.Run())
	}
	os.Exit(play(role))
}

// play is a child: the real one, or one that misbehaves.
func play(role string) int {
	if role == "decoder" {
		if err := child.ServeChild(os.Stdin, os.Stdout); err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		return 0
	}
	if role == "parent" {
		self, err := os.Executable()
		if err != nil {
			return 1
		}
		p := New([]string{self}, Options{Env: []string{roleVariable + "=spins"}})
		go func() {
			for len(childrenOf(os.Getpid())) == 0 {
				time.Sleep(10 * time.Millisecond)
			}
			time.Sleep(100 * time.Millisecond) // until it spins
			fmt.Println(childrenOf(os.Getpid())[0])
		}()
		_, err = p.DecodeValues(context.Background(), aMessage())
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	if role == "exits at once" {
		return 3
	}
	h, err := frame.ReadHeader(os.Stdin)
	if err != nil {
		return 0
	}
	if _, err := frame.ReadPayload(os.Stdin, h, 1<<30); err != nil {
		return 1
	}
	switch role {
	case "hangs":
		time.Sleep(time.Hour)
	case "spins":
		for time.Now().Year() > 0 {
		}
	case "noisy":
		line := bytes.Repeat([]byte("x"), 1000)
		for range 10000 {
			fmt.Fprintf(os.Stderr, "%s\n", line)
		}
		fmt.Fprintf(os.Stderr, "assertion failed: \x1b[31mfoo.c:12\n\n")
		return 7
	case "takes memory":
		var hold [][]byte
		for {
			b := make([]byte, 16<<20)
			for i := 0; i < len(b); i += 4096 {
				b[i] = 1
			}
			hold = append(hold, b)
			if len(hold) > 512 { // 8 GiB: not bounded at all
				return 0
			}
		}
	case "replies too much":
		_ = frame.Write(os.Stdout, frame.Values, make([]byte, 80))
		_, _ = io.Copy(io.Discard, os.Stdin)
	case "replies no end":
		_, _ = os.Stdout.Write([]byte("RLF1\x03\x00\x00\x00\xff\xff\xff\xff\xff\xff\xff\x7f\x00\x00\x00\x00"))
		for {
			if _, err := os.Stdout.Write(make([]byte, 1<<16)); err != nil {
				return 0
			}
		}
	case "replies half":
		_, _ = os.Stdout.Write([]byte("RLF1\x03\x00\x00\x00\x50\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00half"))
	case "replies garbage":
		_, _ = os.Stdout.Write(bytes.Repeat([]byte("garbage "), 100))
	case "wrong checksum":
		_, _ = os.Stdout.Write([]byte("RLF1\x03\x00\x00\x00\x50\x00\x00\x00\x00\x00\x00\x00\x00\x00\x00\x01" + strings.Repeat("eightyte", 10)))
	}
	return 0
}

func pool(t testing.TB, role string, options Options) *Pool {
	t.Helper()
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	options.Env = append(options.Env, roleVariable+"="+role)
	p := New([]string{self}, options)
	t.Cleanup(func() { p.Close() })
	return p
}

// childrenOf gives the numbers of the process's children, zombies included.
func childrenOf(parent int) (pids []int) {
	stats, _ := filepath.Glob("/proc/[0-9]*/stat")
	for _, path := range stats {
		b, err := os.ReadFile(path)
		if err != nil {
			continue
		}
		_, rest, _ := strings.Cut(string(b), ") ")
		fields := strings.Fields(rest)
		if len(fields) > 1 && fields[1] == strconv.Itoa(parent) {
			if pid, err := strconv.Atoi(filepath.Base(filepath.Dir(path))); err == nil {
				pids = append(pids, pid)
			}
		}
	}
	return pids
}
