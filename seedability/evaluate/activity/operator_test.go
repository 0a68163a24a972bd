package activity

import (
	"reflect"
	"strings"
	"testing"
	"unicode"
)

func TestOperator(t *testing.T) {
	o := operator(t)
	// ZIP codes keep their zeros, folded text is one line, yes and no are words.
	if o.Operator.ZIPCode != "00042" || o.ApparatusDescription != "Flare racks and an acetone generator on the ground" || o.Safeguards.ImpactStatement != "no" || o.Safeguards.SafetyProcedures != "yes" ||
		o.FirstDate != "2025-11-01" || len(o.Apparatus) != 3 || o.Apparatus[2].Unit != "generator 1" || o.Agents[1].CountsAs != SilverIodide || o.ControlArea.SizeSqMi != "0" {
		t.Errorf("%+v", o)
	}
	// The example fills every key but remarks.
	v := reflect.ValueOf(*o)
	for k := range v.NumField() {
		if name := v.Type().Field(k).Name; v.Field(k).IsZero() != (name == "Remarks") {
			t.Errorf("%s: %v", name, v.Field(k))
		}
	}
}

func TestBadOperators(t *testing.T) {
	for text, want := range map[string]string{
		"":                                       "o.yaml: the file is empty",
		"nam: x":                                 "o.yaml:1:1: nam: there is no such key: known are noaa_file_number",
		"project: a\nproject: b":                 "o.yaml:2:1",
		"operator: x":                            "o.yaml:1:11: operator: a group of keys belongs here",
		"operator:\n  nme: x":                    "o.yaml:2:3: operator.nme: there is no such key",
		"project: [a]":                           "project: one line of text",
		"project: ":                              "project: has no value",
		"project: ''":                            "project: is empty",
		"project: \"a\\nb\"":                     "project: at most 500 printable characters on one line",
		"project: \"a\\u202eb\"":                 "project: at most 500",
		"first_date: 2026-02-30":                 `first_date: "2026-02-30" is no date`,
		"safeguards: {safety_procedures: maybe}": `"maybe": yes or no`,
		"agents: {a: b}":                         "agents: a list belongs here",
		"agents: [{record: a, counts_as: gold}]": `"gold" is none of silver_iodide`,
		"purposes: [{record: a, counts_as: urea}]":                              `"urea" is none of increase_precipitation`,
		"agents: [{record: a}]":                                                 "agents[0].counts_as: is missing",
		"apparatus: [{make: a}]":                                                "apparatus[0].site: is missing",
		"agents: [{record: a, counts_as: urea}, {record: a, counts_as: other}]": "agents[1]: says again",
		"a: &x 1\nb: *x":                                                        "there is no such key",
		"project: &x a\nremarks: *x":                                            "one line of text belongs here",
		"project: a\n---\nproject: b":                                           "a second YAML document",
		strings.Repeat("[", 100):                                                "brackets nest 100 deep",
		"project: \xff":                                                         "is not UTF-8",
		"? [a]\n: b":                                                            "o.yaml",
		strings.Repeat("x: 1\n", 100_000):                                       "has 500000 bytes",
		"project: !!binary aGVsbG8=":                                            "project",
		"<<: {project: a}":                                                      "is no key",
	} {
		_, err := ParseOperator("o.yaml", []byte(text))
		if err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("%.60q: %v, want %s", text, err, want)
		}
	}
	// All mistakes at once.
	_, err := ParseOperator("o.yaml", []byte("nam: x\nfirst_date: soon\n"))
	if p, ok := err.(Problems); !ok || len(p) != 2 {
		t.Errorf("%v", err)
	}
}

// FuzzOperator: a file is read, or refused with the file's name; what is read are
// lines of printable text.
func FuzzOperator(f *testing.F) {
	f.Add(read(f, "testdata/operator.yaml"))
	f.Add([]byte("project: >\n  a\n  b\nagents: [{record: a, counts_as: urea}]\n"))
	f.Add([]byte("apparatus:\n- site: 'a'\n- {site: b, unit: \"c\"}\n"))
	f.Add([]byte("project: &a x\nremarks: *a\n<<: *a\n"))
	f.Fuzz(func(t *testing.T, b []byte) {
		o, err := ParseOperator("fuzz.yaml", b)
		if err != nil {
			for _, p := range err.(Problems) {
				if !strings.HasPrefix(p, "fuzz.yaml") {
					t.Fatalf("problem without a place: %q", p)
				}
			}
			return
		}
		var check func(v reflect.Value)
		check = func(v reflect.Value) {
			switch v.Kind() {
			case reflect.String:
				if len([]rune(v.String())) > most || strings.ContainsFunc(v.String(), func(r rune) bool { return !unicode.IsPrint(r) }) {
					t.Fatalf("%q", v.String())
				}
			case reflect.Struct:
				for k := range v.NumField() {
					check(v.Field(k))
				}
			case reflect.Slice:
				for k := range v.Len() {
					check(v.Index(k))
				}
			}
		}
		check(reflect.ValueOf(*o))
	})
}
