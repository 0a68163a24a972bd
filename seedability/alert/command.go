package alert

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os/exec"
	"strings"
	"syscall"
	"time"
)

// placeholders of an argument of a command.
var placeholders = []string{"{subject}", "{short}", "{id}", "{kind}", "{severity}"}

// maxOutputBytes of a command that are kept for the record.
const maxOutputBytes = 4096

// commandRoute runs a local program. It gets arguments, never a line that a shell
// would read; the alert as JSON on its standard input; and an environment without
// anything of this process's, so that no secret is in it.
type commandRoute struct {
	id      string
	command []string
}

func newCommand(r RouteSpec) *commandRoute {
	return &commandRoute{r.ID, r.Command}
}

// Send runs the program and waits for its end. What it says is kept only of a
// failure, in part. When the deadline passes the program and all that it started in
// its group are killed.
func (c *commandRoute) Send(ctx context.Context, a Alert, m Message) error {
	input, err := json.Marshal(Posted{a, m})
	if err != nil {
		return permanent(err)
	}
	a = a.cleaned()
	replace := strings.NewReplacer("{subject}", m.Subject, "{short}", m.Short, "{id}", a.ID, "{kind}", clean(string(a.Kind), 40), "{severity}", clean(string(a.Severity), 40))
	arguments := make([]string, 0, len(c.command)-1)
	for _, argument := range c.command[1:] {
		arguments = append(arguments, replace.Replace(argument))
	}
	command := exec.CommandContext(ctx, c.command[0], arguments...)
	command.Dir, command.Env = "/", []string{"PATH=/usr/local/bin:/usr/bin:/bin", "LANG=C.UTF-8"}
	command.Stdin = bytes.NewReader(input)
	output := &firstBytes{most: maxOutputBytes}
	command.Stdout, command.Stderr = output, output
	command.SysProcAttr = &syscall.SysProcAttr{Setpgid: true}
	command.Cancel = func() error { return syscall.Kill(-command.Process.Pid, syscall.SIGKILL) }
	command.WaitDelay = 250 * time.Millisecond // for output of what it left behind
	if err := command.Start(); err != nil {
		return permanent(err)
	}
	err = command.Wait()
	// What it left behind in its group ends with it.
	_ = syscall.Kill(-command.Process.Pid, syscall.SIGKILL)
	switch {
	case err == nil:
		return nil
	case ctx.Err() != nil:
		return fmt.Errorf("the command did not end in time: %w", ctx.Err())
	case errors.Is(err, exec.ErrWaitDelay): // it ended well, something held its output open
		return nil
	}
	if said := clean(output.String(), 200); said != "" {
		return fmt.Errorf("%w: %s", err, said)
	}
	return err
}

// firstBytes keeps the first bytes of what is written, and takes all.
type firstBytes struct {
	bytes.Buffer
	most int
}

func (f *firstBytes) Write(b []byte) (int, error) {
	if left := f.most - f.Len(); left > 0 {
		f.Buffer.Write(b[:min(left, len(b))])
	}
	return len(b), nil
}
