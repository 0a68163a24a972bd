package operate

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"
)

// unit reads a unit file: key=value below [Section], comments, no continuations.
func unit(t *testing.T, text string) map[string][]string {
	t.Helper()
	settings, section := make(map[string][]string), ""
	for k, line := range strings.Split(text, "\n") {
		switch key, value, ok := strings.Cut(line, "="); {
		case line == "" || line[0] == '#' || line[0] == ';':
		case line[0] == '[' && strings.HasSuffix(line, "]"):
			section = line[1 : len(line)-1]
		case ok && section != "" && !strings.ContainsAny(key, " \t"):
			settings[section+"."+key] = append(settings[section+"."+key], value)
		default:
			t.Errorf("line %d: %q", k+1, line)
		}
	}
	return settings
}

func seconds(t *testing.T, settings map[string][]string, key string) time.Duration {
	t.Helper()
	d, err := time.ParseDuration(strings.Join(settings[key], "") + "s")
	if err != nil {
		t.Errorf("%s: %v", key, err)
	}
	return d
}

func TestUnitFile(t *testing.T) {
	b, err := os.ReadFile("../../examples/rimeline.service")
	if err != nil {
		t.Fatal(err)
	}
	settings := unit(t, string(b))
	for key, want := range map[string]string{
		"Service.Type": "notify", "Service.Restart": "on-failure", "Service.DynamicUser": "yes", "Service.StateDirectory": "rimeline",
		"Service.ProtectSystem": "strict", "Service.NoNewPrivileges": "yes", "Service.CapabilityBoundingSet": "", "Install.WantedBy": "multi-user.target",
	} {
		if got := settings[key]; !slices.Equal(got, []string{want}) {
			t.Errorf("%s=%q, want %q", key, got, want)
		}
	}
	start := strings.Fields(strings.Join(settings["Service.ExecStart"], ""))
	if !slices.Contains(start, "/var/lib/"+settings["Service.StateDirectory"][0]) {
		t.Errorf("ExecStart %q does not use the state directory", start)
	}
	// The service's own grace is over before systemd kills it.
	if stop := seconds(t, settings, "Service.TimeoutStopSec"); stop < 35*time.Second {
		t.Errorf("TimeoutStopSec %v: Shutdown may take 30 s", stop)
	}
	if watchdog := seconds(t, settings, "Service.WatchdogSec"); watchdog < 10*time.Second {
		t.Errorf("WatchdogSec %v", watchdog)
	}

	analyze, err := exec.LookPath("systemd-analyze")
	if err != nil {
		t.Skip("systemd-analyze is not installed: the unit was only parsed")
	}
	// The program is hardly installed where this runs.
	copied := filepath.Join(t.TempDir(), "rimeline.service")
	if err := os.WriteFile(copied, []byte(strings.ReplaceAll(string(b), start[0], "/bin/true")), 0o600); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command(analyze, "verify", "--man=no", copied).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("systemd-analyze verify: %v: %s", err, out)
	}
}

// instructions of a container file, continued lines joined.
func instructions(text string) [][2]string {
	var out [][2]string
	for _, line := range strings.Split(strings.ReplaceAll(text, "\\\n", " "), "\n") {
		if line = strings.TrimSpace(line); line != "" && line[0] != '#' {
			name, rest, _ := strings.Cut(line, " ")
			out = append(out, [2]string{name, strings.TrimSpace(rest)})
		}
	}
	return out
}

func TestContainerFile(t *testing.T) {
	b, err := os.ReadFile("../../examples/Containerfile")
	if err != nil {
		t.Fatal(err)
	}
	known := []string{"FROM", "RUN", "WORKDIR", "COPY", "USER", "VOLUME", "HEALTHCHECK", "STOPSIGNAL", "ENTRYPOINT", "CMD"}
	last, stages := make(map[string]string), 0
	for _, i := range instructions(string(b)) {
		if !slices.Contains(known, i[0]) {
			t.Errorf("instruction %q", i)
		}
		if i[0] == "FROM" {
			stages++
			clear(last)
		}
		last[i[0]] = i[1]
	}
	if stages != 2 || last["USER"] != "10001:10001" || last["VOLUME"] != "/data" || last["STOPSIGNAL"] != "SIGTERM" {
		t.Errorf("%d stages, the last with %v", stages, last)
	}
	var command []string
	if err := json.Unmarshal([]byte(last["CMD"]), &command); err != nil || !slices.Contains(command, "/data") {
		t.Errorf("CMD %q: %v", last["CMD"], err)
	}

	// The health check is run as it stands, but for the port.
	_, check, ok := strings.Cut(last["HEALTHCHECK"], "CMD ")
	var health []string
	if err := json.Unmarshal([]byte(check), &health); !ok || err != nil {
		t.Fatalf("HEALTHCHECK %q: %v", last["HEALTHCHECK"], err)
	}
	here := strings.Replace(DefaultAddress, ":", "/", 1)
	if !strings.Contains(health[2], here) {
		t.Fatalf("%q does not ask %s", health, DefaultAddress)
	}
	if _, err := exec.LookPath(health[0]); err != nil {
		t.Skip(err)
	}
	var passed atomic.Int64 // nanoseconds
	began := time.Now()
	beats := &Heartbeats{now: func() time.Time { return began.Add(time.Duration(passed.Load())) }}
	beats.Register("schedule", time.Minute)
	address, err := Serve(t.Context(), "127.0.0.1:0", NewMetrics(""), nil, ServeOptions{Heartbeats: beats})
	if err != nil {
		t.Fatal(err)
	}
	run := func() ([]byte, error) {
		return exec.CommandContext(t.Context(), health[0], health[1], strings.ReplaceAll(health[2], here, strings.Replace(address, ":", "/", 1))).CombinedOutput()
	}
	if out, err := run(); err != nil {
		t.Errorf("healthy: %v: %s", err, out)
	}
	passed.Add(int64(time.Hour))
	if out, err := run(); err == nil {
		t.Errorf("not healthy, and the check says so not: %s", out)
	}
}
