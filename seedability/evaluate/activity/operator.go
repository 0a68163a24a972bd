package activity

import (
	"fmt"
	"reflect"
	"slices"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Operator is what an authority asks and neither programme file nor record has: a
// small YAML file, each key of which may be left out. What is left out is missing in
// the report, and named there.
type Operator struct {
	NOAAFileNumber string `yaml:"noaa_file_number" json:"noaa_file_number"` // given by the administrator after the initial report
	Project        string `yaml:"project" json:"project"`                   // designation used by the operator
	Purpose        string `yaml:"purpose" json:"purpose"`                   // of the project
	FirstDate      string `yaml:"first_date" json:"first_date" form:"date"` // of activity, as planned
	LastDate       string `yaml:"last_date" json:"last_date" form:"date"`   // expected
	Licence        string `yaml:"licence" json:"licence"`                   // number of the licence or permit; left out: that of the programme's manager

	Operator  Person `yaml:"operator" json:"operator"`
	Sponsor   Person `yaml:"sponsor" json:"sponsor"`
	LogHolder Person `yaml:"log_holder" json:"log_holder"` // from whom log books may be obtained
	Reporting Person `yaml:"reporting_person" json:"reporting_person"`

	TargetArea  Area `yaml:"target_area" json:"target_area"`
	ControlArea Area `yaml:"control_area" json:"control_area"`

	ApparatusDescription string `yaml:"apparatus_description" json:"apparatus_description"`
	AgentsDescription    string `yaml:"agents_description" json:"agents_description"`
	Techniques           string `yaml:"techniques" json:"techniques"`
	WeatherTreated       string `yaml:"weather_treated" json:"weather_treated"`
	Remarks              string `yaml:"remarks" json:"remarks"`

	Safeguards Safeguards `yaml:"safeguards" json:"safeguards"`

	Apparatus []Apparatus `yaml:"apparatus" json:"apparatus"`
	// Purposes and Agents say which column of the form a text of the record belongs
	// to; the text is compared letter by letter.
	Purposes []Assigned `yaml:"purposes" json:"purposes" of:"purposes"`
	Agents   []Assigned `yaml:"agents" json:"agents" of:"substances"`
}

// Person is a person or a body with an address.
type Person struct {
	Name        string `yaml:"name" json:"name"`
	Affiliation string `yaml:"affiliation" json:"affiliation"`
	Title       string `yaml:"title" json:"title"` // official title
	Phone       string `yaml:"phone" json:"phone"`
	Street      string `yaml:"street" json:"street"`
	City        string `yaml:"city" json:"city"`
	State       string `yaml:"state" json:"state"`
	ZIPCode     string `yaml:"zip_code" json:"zip_code"`
}

// Area describes a target or control area in words.
type Area struct {
	Location string `yaml:"location" json:"location"`
	SizeSqMi string `yaml:"size_sq_mi" json:"size_sq_mi"` // of the target: left out, worked out from the programme file
}

// Safeguards are the questions of 908.4(a)(8), yes or no.
type Safeguards struct {
	ImpactStatement      string `yaml:"environmental_impact_statement" json:"environmental_impact_statement" form:"yesno"`
	ForecastsAndWarnings string `yaml:"forecasts_and_warnings" json:"forecasts_and_warnings" form:"yesno"`
	SafetyProcedures     string `yaml:"safety_procedures" json:"safety_procedures" form:"yesno"`
}

// Apparatus describes a unit, or all units of a site where it names none. "rack 1"
// describes also what the record has as "rack 1, no. 4".
type Apparatus struct {
	Site        string `yaml:"site" json:"site" form:"needed"`
	Unit        string `yaml:"unit" json:"unit"`
	Type        string `yaml:"type" json:"type"` // left out: the kind that the programme file gives the site
	Make        string `yaml:"make" json:"make"`
	Model       string `yaml:"model" json:"model"`
	Responsible string `yaml:"responsible" json:"responsible"` // name and address
}

// Assigned says what a text of the record counts as.
type Assigned struct {
	Record   string `yaml:"record" json:"record" form:"needed"`
	CountsAs string `yaml:"counts_as" json:"counts_as" form:"one"`
}

const (
	maxOperatorBytes = 256 << 10
	maxListed        = 1000
	maxProblems      = 50
	deepest          = 20
)

// Problems are all that is wrong with an operator's file, a line each.
type Problems []string

func (p Problems) Error() string { return strings.Join(p, "\n") }

type operatorDecoder struct {
	file     string
	problems Problems
}

func (d *operatorDecoder) problem(at *token.Token, key, format string, arguments ...any) {
	if len(d.problems) >= maxProblems {
		return
	}
	place := d.file
	if at != nil && at.Position != nil {
		place += fmt.Sprintf(":%d:%d", at.Position.Line, at.Position.Column)
	}
	if key != "" {
		place += ": " + key
	}
	d.problems = append(d.problems, place+": "+clean(fmt.Sprintf(format, arguments...), most))
}

// ParseOperator reads an operator's file strictly: a key that is not known, one that
// is there twice, a value of the wrong form is an error with line and column. The
// error is of type Problems.
func ParseOperator(file string, b []byte) (*Operator, error) {
	d := &operatorDecoder{file: file}
	o := &Operator{}
	d.document(b, o)
	if len(d.problems) > 0 {
		return nil, d.problems
	}
	return o, nil
}

func (d *operatorDecoder) document(b []byte, o *Operator) {
	if len(b) > maxOperatorBytes {
		d.problem(nil, "", "has %d bytes, at most %d are read", len(b), maxOperatorBytes)
		return
	}
	if !utf8.Valid(b) {
		d.problem(nil, "", "is not UTF-8")
		return
	}
	if depth := bracketDepth(b); depth > deepest {
		d.problem(nil, "", "brackets nest %d deep, at most %d are allowed", depth, deepest)
		return
	}
	file, err := parser.ParseBytes(b, 0)
	if err != nil {
		if detailed, ok := err.(yaml.Error); ok {
			d.problem(detailed.GetToken(), "", "%s", detailed.GetMessage())
		} else {
			d.problem(nil, "", "%v", err)
		}
		return
	}
	documents := 0
	for _, document := range file.Docs {
		if document.Body == nil {
			continue
		}
		if _, comment := document.Body.(*ast.CommentGroupNode); comment {
			continue
		}
		if documents++; documents > 1 {
			d.problem(document.Body.GetToken(), "", "a second YAML document begins here, one is allowed")
			return
		}
		d.group(document.Body, reflect.ValueOf(o).Elem(), "", "")
	}
	if documents == 0 {
		d.problem(nil, "", "the file is empty")
	}
}

// bracketDepth is how deep flow collections nest at most; quotes are not looked at,
// so that it may be too large, never too small.
func bracketDepth(b []byte) int {
	depth, deepest := 0, 0
	for _, c := range b {
		switch c {
		case '[', '{':
			depth++
			deepest = max(deepest, depth)
		case ']', '}':
			depth = max(depth-1, 0)
		}
	}
	return deepest
}

func pairsOf(node ast.Node) ([]*ast.MappingValueNode, bool) {
	switch n := node.(type) {
	case *ast.MappingNode:
		return n.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}, true
	}
	return nil, false
}

// group reads keys into a struct; of is which list assignments are of.
func (d *operatorDecoder) group(node ast.Node, into reflect.Value, path, of string) {
	pairs, ok := pairsOf(node)
	if !ok {
		d.problem(node.GetToken(), strings.TrimSuffix(path, "."), "a group of keys belongs here")
		return
	}
	fields := map[string]int{}
	var names []string
	for k := range into.NumField() {
		name := into.Type().Field(k).Tag.Get("yaml")
		fields[name], names = k, append(names, name)
	}
	seen := map[string]bool{}
	for _, pair := range pairs {
		key, ok := pair.Key.(*ast.StringNode)
		if !ok {
			d.problem(pair.Key.GetToken(), strings.TrimSuffix(path, "."), "is no key: known are %s", strings.Join(names, ", "))
			continue
		}
		k, known := fields[key.Value]
		switch {
		case !known:
			d.problem(key.GetToken(), path+clean(key.Value, 60), "there is no such key: known are %s", strings.Join(names, ", "))
			continue
		case seen[key.Value]:
			d.problem(key.GetToken(), path+key.Value, "is there twice")
			continue
		}
		seen[key.Value] = true
		field, full := into.Type().Field(k), path+key.Value
		switch value := into.Field(k); value.Kind() {
		case reflect.String:
			value.SetString(d.text(pair.Value, full, field.Tag.Get("form"), of))
		case reflect.Struct:
			d.group(pair.Value, value, full+".", "")
		case reflect.Slice:
			d.list(pair.Value, value, full, field.Tag.Get("of"))
		}
	}
	for k := range into.NumField() {
		form := into.Type().Field(k).Tag.Get("form")
		if (form == "needed" || form == "one") && !seen[names[k]] {
			d.problem(node.GetToken(), path+names[k], "is missing")
		}
	}
}

func (d *operatorDecoder) list(node ast.Node, into reflect.Value, path, of string) {
	sequence, ok := node.(*ast.SequenceNode)
	if !ok {
		d.problem(node.GetToken(), path, "a list belongs here, each entry after a dash")
		return
	}
	if len(sequence.Values) > maxListed {
		d.problem(node.GetToken(), path, "has %d entries, at most %d are allowed", len(sequence.Values), maxListed)
		return
	}
	seen := map[string]bool{}
	for k, entry := range sequence.Values {
		value := reflect.New(into.Type().Elem()).Elem()
		d.group(entry, value, fmt.Sprintf("%s[%d].", path, k), of)
		id := value.Field(0).String() // what the entry is about
		if a, ok := value.Interface().(Apparatus); ok {
			id += "\x00" + a.Unit
		}
		if seen[id] {
			d.problem(entry.GetToken(), fmt.Sprintf("%s[%d]", path, k), "says again what is said above of %q", strings.ReplaceAll(id, "\x00", " "))
		}
		seen[id] = true
		into.Set(reflect.Append(into, value))
	}
}

// text reads one line of text. Numbers are taken as they are written: a ZIP code
// keeps its zeros.
func (d *operatorDecoder) text(node ast.Node, path, form, of string) string {
	var text string
	switch n := node.(type) {
	case *ast.StringNode:
		text = n.Value
	case *ast.LiteralNode:
		text = strings.TrimRight(n.Value.Value, "\n")
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		text = n.GetToken().Value
	case *ast.NullNode:
		d.problem(node.GetToken(), path, "has no value: leave the key out if it is not known")
		return ""
	default:
		d.problem(node.GetToken(), path, "one line of text belongs here")
		return ""
	}
	allowed := purposes
	if of == "substances" {
		allowed = substances
	}
	switch {
	case strings.TrimSpace(text) == "":
		d.problem(node.GetToken(), path, "is empty: leave the key out if it is not known")
	case utf8.RuneCountInString(text) > most || strings.ContainsFunc(text, func(r rune) bool { return !unicode.IsPrint(r) || r == 0xFFFC || r == utf8.RuneError }):
		d.problem(node.GetToken(), path, "at most %d printable characters on one line", most)
	case form == "date" && !isDate(text):
		d.problem(node.GetToken(), path, "%q is no date such as 2026-01-31", text)
	case form == "yesno" && text != "yes" && text != "no":
		d.problem(node.GetToken(), path, "%q: yes or no", text)
	case form == "one" && !slices.Contains(allowed, text):
		d.problem(node.GetToken(), path, "%q is none of %s", text, strings.Join(allowed, ", "))
	default:
		return strings.TrimSpace(text)
	}
	return ""
}

func isDate(text string) bool {
	t, err := time.Parse(time.DateOnly, text)
	return err == nil && t.Year() >= 1900 && t.Year() <= 2200
}
