package main

import (
	"os/exec"
	"strings"
	"testing"
)

// Imports point one way: the command knows all, ingest and seedability know the
// grid and never each other, the grid knows nobody. The ecCodes binding, which
// a damaged message can crash, is linked only where the child process starts.
func TestImportsPointOneWay(t *testing.T) {
	out, err := exec.Command("go", "list", "-f", `{{.ImportPath}}{{range .Imports}} {{.}}{{end}}`, "rimeline/...").Output()
	if err != nil {
		t.Fatalf("go list: %v", err)
	}
	under := func(path, folder string) bool {
		return path == "rimeline/"+folder || strings.HasPrefix(path, "rimeline/"+folder+"/")
	}
	packages := 0
	for line := range strings.Lines(string(out)) {
		words := strings.Fields(line)
		if len(words) == 0 {
			continue
		}
		from := words[0]
		packages++
		for _, to := range words[1:] {
			switch {
			case under(from, "grid") && strings.HasPrefix(to, "rimeline/"),
				under(from, "ingest") && (under(to, "seedability") || under(to, "cmd")),
				under(from, "seedability") && (under(to, "ingest") || under(to, "cmd")):
				t.Errorf("%s imports %s", from, to)
			case to == "rimeline/ingest/eccodes/lib" && from != "rimeline/ingest/eccodes/child" && !strings.HasPrefix(from, "rimeline/ingest/eccodes/"):
				t.Errorf("%s imports %s: a damaged message would kill this process; use the child", from, to)
			}
		}
	}
	if packages < 10 {
		t.Fatalf("go list named only %d packages", packages)
	}
}
