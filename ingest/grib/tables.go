package grib

import (
	_ "embed"
	"fmt"
	"strconv"
	"strings"
	"sync"
)

// The code tables are data, not code: made by tables_generate.go, except for
// standardnames.tsv, which is kept by hand.

//go:embed codetables.tsv
var codeTablesTSV string

//go:embed parameters.tsv
var parametersTSV string

//go:embed standardnames.tsv
var standardNamesTSV string

// parameterNumber is discipline (code table 0.0), category (4.1) and number
// (4.2).
type parameterNumber struct{ discipline, category, number uint8 }

func (n parameterNumber) String() string {
	return fmt.Sprintf("%d.%d.%d", n.discipline, n.category, n.number)
}

// local says whether any of the numbers is reserved for local use.
func (n parameterNumber) local() bool {
	return n.discipline >= 192 || n.category >= 192 || n.number >= 192
}

type parameterRow struct{ abbreviation, name, units string }

type codeEntry struct{ meaning, units string }

type codeKey struct {
	centre int
	table  string
	code   int
}

type parameterKey struct {
	centre int
	parameterNumber
}

const anySurface = -1

type standardNameKey struct {
	parameterKey
	surface int
}

type tableSet struct {
	codes         map[codeKey]codeEntry
	parameters    map[parameterKey]parameterRow
	standardNames map[standardNameKey]string
}

// codeTables reads the tables when they are first needed, once.
var codeTables = sync.OnceValue(func() tableSet {
	t := tableSet{
		codes:         map[codeKey]codeEntry{},
		parameters:    map[parameterKey]parameterRow{},
		standardNames: map[standardNameKey]string{},
	}
	for f := range rows(codeTablesTSV, 5) {
		t.codes[codeKey{integer(f[0]), f[1], integer(f[2])}] = codeEntry{f[3], f[4]}
	}
	for f := range rows(parametersTSV, 5) {
		t.parameters[parameterKey{integer(f[0]), parameterOf(f[1])}] = parameterRow{f[2], f[3], f[4]}
	}
	for f := range rows(standardNamesTSV, 4) {
		surface := anySurface
		if f[2] != "-" {
			surface = integer(f[2])
		}
		t.standardNames[standardNameKey{parameterKey{integer(f[0]), parameterOf(f[1])}, surface}] = f[3]
	}
	return t
})

// rows yields the lines of a table, split into fields. A line that does not fit
// is a mistake in this package, and a test finds it.
func rows(tsv string, fields int) func(yield func([]string) bool) {
	return func(yield func([]string) bool) {
		for line := range strings.Lines(tsv) {
			line = strings.TrimSuffix(line, "\n")
			if line == "" || strings.HasPrefix(line, "#") {
				continue
			}
			f := strings.Split(line, "\t")
			if len(f) != fields {
				panic(fmt.Sprintf("table row %q has %d fields, not %d", line, len(f), fields))
			}
			if !yield(f) {
				return
			}
		}
	}
}

func integer(s string) int {
	n, err := strconv.Atoi(s)
	if err != nil {
		panic(err)
	}
	return n
}

func parameterOf(s string) parameterNumber {
	var n parameterNumber
	for k, part := range strings.Split(s, ".") {
		*[]*uint8{&n.discipline, &n.category, &n.number}[k] = uint8(integer(part))
	}
	return n
}

// Centres of common code table C-11 whose local tables are here, and those that
// use the tables of another.
const (
	centreWMO  = 0
	centreNCEP = 7
)

// localTables lists whose local entries a centre uses, the first that has an
// entry counting.
func localTables(centre int) []int {
	switch centre {
	case 8: // NWS Telecommunications Gateway: the forecast database, then NCEP
		return []int{8, centreNCEP}
	case 9, 59: // NWS field stations, NOAA Forecast Systems Laboratory
		return []int{centreNCEP}
	}
	return []int{centre}
}

func lookUpParameter(centre int, n parameterNumber) parameterRow {
	t := codeTables()
	if n.local() {
		for _, c := range localTables(centre) {
			if row, ok := t.parameters[parameterKey{c, n}]; ok {
				return row
			}
		}
		return parameterRow{}
	}
	return t.parameters[parameterKey{centreWMO, n}]
}

func lookUpCode(centre int, table string, code int) (codeEntry, bool) {
	t := codeTables()
	if code >= 192 {
		for _, c := range localTables(centre) {
			if e, ok := t.codes[codeKey{c, table, code}]; ok {
				return e, true
			}
		}
	}
	e, ok := t.codes[codeKey{centreWMO, table, code}]
	return e, ok
}

// standardName is the CF standard name of a parameter on a surface (code table
// 4.5), empty where there is none for it.
func standardName(centre int, n parameterNumber, surface int) string {
	t := codeTables()
	centres := []int{centreWMO}
	if n.local() {
		centres = localTables(centre)
	}
	for _, c := range centres {
		key := parameterKey{c, n}
		if name, ok := t.standardNames[standardNameKey{key, surface}]; ok {
			return name
		}
		if name, ok := t.standardNames[standardNameKey{key, anySurface}]; ok {
			return name
		}
	}
	return ""
}
