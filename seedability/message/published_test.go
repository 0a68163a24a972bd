package message

import (
	"flag"
	"fmt"
	"os"
	"slices"
	"strings"
	"testing"
)

var publish = flag.Bool("publish", false, "add new fields to the list of what is published")

const publishedFile = "testdata/published.txt"

// statements lists what the schemas promise, one field a line:
//
//	score.v1 Score.value required number|null
//
// The type is that of the schema; a reference is the name of its definition; an
// enumeration has its values. Ranges and texts are no part of the promise.
func statements(t testing.TB) (lines []string) {
	t.Helper()
	for _, r := range readers {
		if r.kind.DataSchema == "" {
			continue
		}
		schema := schemaOf(t, r)
		file, _ := schemaFile(r.kind.DataSchema)
		kind := strings.TrimSuffix(file, ".json")
		add := func(name string, structure object) {
			if values, ok := structure.get("enum").([]string); ok {
				lines = append(lines, fmt.Sprintf("%s %s enum %s", kind, name, strings.Join(values, ",")))
				return
			}
			properties, ok := structure.get("properties").(object)
			if !ok {
				lines = append(lines, fmt.Sprintf("%s %s is %s", kind, name, typeText(structure)))
				return
			}
			for _, p := range properties {
				need := "optional"
				if slices.Contains(structure.get("required").([]string), p.name) {
					need = "required"
				}
				lines = append(lines, fmt.Sprintf("%s %s.%s %s %s", kind, name, p.name, need, typeText(p.value.(object))))
			}
		}
		add(r.data.Name(), schema)
		if defs, ok := schema.get("$defs").(object); ok {
			for _, d := range defs {
				add(d.name, d.value.(object))
			}
		}
	}
	slices.Sort(lines)
	return lines
}

// typeText is the type of a schema in one word.
func typeText(schema object) string {
	if ref, ok := schema.get("$ref").(string); ok {
		return strings.TrimPrefix(ref, "#/$defs/")
	}
	if either, ok := schema.get("anyOf").([]any); ok {
		var parts []string
		for _, one := range either {
			parts = append(parts, typeText(one.(object)))
		}
		return strings.Join(parts, "|")
	}
	text := "any"
	switch kind := schema.get("type").(type) {
	case string:
		text = kind
	case []string:
		text = strings.Join(kind, "|")
	}
	for _, inner := range []string{"items", "additionalProperties"} {
		if of, ok := schema.get(inner).(object); ok {
			text += "<" + typeText(of) + ">"
		}
	}
	if format, ok := schema.get("format").(string); ok {
		text += "(" + format + ")"
	}
	if values, ok := schema.get("enum").([]string); ok {
		text += "(" + strings.Join(values, ",") + ")"
	}
	return text
}

// broken says what of the published list does not hold any more, and which new
// fields old messages would lack. The rule of a version that is published:
//
//   - A field stays, with its name, its type, its values, and whether it is
//     required. Also a type may not gain null, nor an enumeration a value: readers
//     of the day of publication would stumble over them.
//   - New fields are optional: messages that are stored already lack them, so
//     their Go field is written with omitempty or omitzero.
//   - Anything else is a new version: a new type of event (rimeline.score.v2) on
//     a new schema, beside the old.
func broken(published, present []string) (faults, fresh []string) {
	objects := map[string]bool{}
	for _, line := range published {
		if !slices.Contains(present, line) {
			faults = append(faults, fmt.Sprintf("published, and not so any more: %s", line))
		}
		objects[objectOf(line)] = true
	}
	for _, line := range present {
		if slices.Contains(published, line) {
			continue
		}
		fresh = append(fresh, line)
		if objects[objectOf(line)] && strings.Contains(line, " required ") {
			faults = append(faults, fmt.Sprintf("new and required, which stored messages cannot fulfil (omitempty or omitzero makes it optional): %s", line))
		}
	}
	return faults, fresh
}

// objectOf is kind and type of a line: "score.v1 Score".
func objectOf(line string) string {
	kind, rest, _ := strings.Cut(line, " ")
	name, _, _ := strings.Cut(rest, ".")
	return kind + " " + name
}

func TestPublishedStays(t *testing.T) {
	b, err := os.ReadFile(publishedFile)
	if err != nil && !*publish {
		t.Fatal(err)
	}
	var published []string
	for line := range strings.Lines(string(b)) {
		if line = strings.TrimSpace(line); line != "" && !strings.HasPrefix(line, "#") {
			published = append(published, line)
		}
	}
	faults, fresh := broken(published, statements(t))
	for _, fault := range faults {
		t.Error(fault)
	}
	switch {
	case len(faults) > 0 || len(fresh) == 0:
	case *publish:
		all := append(published, fresh...)
		slices.Sort(all)
		text := "# What the messages promise: fields are added here (go test -run Published -publish ./seedability/message)\n" +
			"# and never changed or taken away by hand; published_test.go has the rule.\n" + strings.Join(all, "\n") + "\n"
		if err := os.WriteFile(publishedFile, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	default:
		t.Errorf("new, and not in %s yet; go test -run Published -publish ./seedability/message adds it:\n%s", publishedFile, strings.Join(fresh, "\n"))
	}
}

func TestPublishedRule(t *testing.T) {
	published := []string{"score.v1 Score.value required number|null", "score.v1 State enum quiet,window", "score.v1 Score.lead optional number"}
	change := func(old, with string) []string {
		present := slices.Clone(published)
		for k := range present {
			present[k] = strings.Replace(present[k], old, with, 1)
		}
		return present
	}
	for _, test := range []struct {
		name    string
		present []string
		faults  int
		fresh   int
	}{
		{"nothing changed", published, 0, 0},
		{"an optional field more", append(slices.Clone(published), "score.v1 Score.trend optional number"), 0, 1},
		{"a required field more", append(slices.Clone(published), "score.v1 Score.trend required number"), 1, 1},
		{"a required field of a new object", append(slices.Clone(published), "score.v1 Score.trend optional Trend", "score.v1 Trend.slope required number"), 0, 2},
		{"a field gone", published[1:], 1, 0},
		{"a field renamed", change("value", "points"), 2, 1},
		{"another type", change("number|null", "string"), 2, 1},
		{"not required any more", change(" required ", " optional "), 1, 1},
		{"a value more", change("quiet,window", "quiet,window,hold"), 1, 1},
	} {
		faults, fresh := broken(published, test.present)
		if len(faults) != test.faults || len(fresh) != test.fresh {
			t.Errorf("%s: faults %q, new %q; want %d and %d", test.name, faults, fresh, test.faults, test.fresh)
		}
	}
}
