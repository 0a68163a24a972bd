// Package testfiles finds the real public files that some tests read. They are
// not part of the repository; a test that needs one is skipped where it is
// absent.
package testfiles

import (
	"os"
	"path/filepath"
	"runtime"
	"testing"
)

// Root is the folder of real files: RIMELINE_TESTFILES where set, else
// shared/data beside the checkout. It is empty where neither exists.
func Root() string {
	if root := os.Getenv("RIMELINE_TESTFILES"); root != "" {
		return root
	}
	_, here, _, ok := runtime.Caller(0)
	if !ok {
		return ""
	}
	root := filepath.Join(filepath.Dir(here), "..", "..", "..", "shared", "data")
	if _, err := os.Stat(root); err != nil {
		return ""
	}
	return root
}

// Path gives the path of one real file, and skips the test where it is absent.
func Path(t testing.TB, name string) string {
	t.Helper()
	root := Root()
	if root == "" {
		t.Skipf("real file %s: the folder of real files is not here (set RIMELINE_TESTFILES)", name)
	}
	path := filepath.Join(root, filepath.FromSlash(name))
	if _, err := os.Stat(path); err != nil {
		t.Skipf("real file %s is absent", name)
	}
	return path
}

// Read gives the bytes of one real file, and skips the test where it is absent.
func Read(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(Path(t, name))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// Glob lists the real files that match, and skips the test where there are none.
func Glob(t testing.TB, pattern string) []string {
	t.Helper()
	root := Root()
	if root == "" {
		t.Skipf("real files %s: the folder of real files is not here (set RIMELINE_TESTFILES)", pattern)
	}
	paths, err := filepath.Glob(filepath.Join(root, filepath.FromSlash(pattern)))
	if err != nil {
		t.Fatal(err)
	}
	if len(paths) == 0 {
		t.Skipf("no real files match %s", pattern)
	}
	return paths
}
