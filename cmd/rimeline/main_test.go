package main

import (
	"bytes"
	"context"
	"encoding/json"
	"os"
	"testing"
)

// TestMain lets the test binary be the child processes that this program starts
// of itself.
func TestMain(m *testing.M) {
	if len(os.Args) == 2 && (os.Args[1] == "decode-child" || os.Args[1] == "probe-child") {
		os.Exit(run(context.Background(), os.Args[1:], os.Stdout, os.Stderr))
	}
	if os.Getenv(playProgram) != "" {
		play()
	}
	os.Exit(m.Run())
}

// outcome is what one run of the program leaves.
type outcome struct {
	status         int
	stdout, stderr string
}

func rimeline(t testing.TB, arguments ...string) outcome {
	t.Helper()
	var stdout, stderr bytes.Buffer
	status := run(t.Context(), arguments, &stdout, &stderr)
	return outcome{status, stdout.String(), stderr.String()}
}

// decoded reads what a run printed as JSON.
func decoded[T any](t testing.TB, o outcome) T {
	t.Helper()
	var value T
	decoder := json.NewDecoder(bytes.NewReader([]byte(o.stdout)))
	decoder.DisallowUnknownFields()
	if err := decoder.Decode(&value); err != nil {
		t.Fatalf("standard output is not the JSON expected: %v\n%.2000s\n%s", err, o.stdout, o.stderr)
	}
	return value
}
