package operate

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"
)

// The test binary plays other processes when this is set.
const playVariable = "OPERATE_TEST_PLAY"

func TestMain(m *testing.M) {
	switch part, argument, _ := strings.Cut(os.Getenv(playVariable), ":"); part {
	case "":
		os.Exit(m.Run())
	case "hold": // a data directory, until killed
		d, err := OpenData(argument)
		if err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		fmt.Println("holds", d.Root)
		select {}
	case "shutdown": // "quick" ends when asked, "stuck" does not
		ctx, release := Shutdown(context.Background(), ShutdownOptions{Grace: graceOf(argument), Asked: func() { fmt.Println("asked") }})
		fmt.Println("runs")
		<-ctx.Done()
		fmt.Println("cause:", context.Cause(ctx))
		if argument == "quick" {
			release()
			fmt.Println("done")
			return
		}
		select {}
	}
	os.Exit(99)
}

func graceOf(argument string) time.Duration {
	if argument == "late" {
		return 50 * time.Millisecond
	}
	return time.Minute
}

// player is a process that plays a part.
type player struct {
	*exec.Cmd
	lines *bufio.Scanner
}

func play(t *testing.T, part string) *player {
	t.Helper()
	program, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	p := &player{Cmd: exec.Command(program)}
	p.Env = append(os.Environ(), playVariable+"="+part)
	p.Stderr = os.Stderr
	out, err := p.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	p.lines = bufio.NewScanner(out)
	if err := p.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = p.Process.Kill() // mostly gone already
		_ = p.Wait()
	})
	return p
}

func (p *player) says(t *testing.T, want string) {
	t.Helper()
	if !p.lines.Scan() {
		t.Fatalf("the process said nothing more, want %q", want)
	}
	if got := p.lines.Text(); !strings.HasPrefix(got, want) {
		t.Fatalf("the process said %q, want %q", got, want)
	}
}
