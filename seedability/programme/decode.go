package programme

import (
	"fmt"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Problem is one thing that is wrong with a programme file.
type Problem struct {
	File string `json:"file"`
	// Line and Column count from 1; zero where the file has no such place.
	Line   int `json:"line"`
	Column int `json:"column"`
	// Path of the value, such as "sites[0].latitude_deg"; empty for the file.
	Path    string `json:"path"`
	Message string `json:"message"`
}

// Error prints file, line, column, path and message on one line.
func (p Problem) Error() string {
	place := p.File
	if p.Line > 0 {
		place += fmt.Sprintf(":%d:%d", p.Line, p.Column)
	}
	if p.Path != "" {
		place += ": " + p.Path
	}
	return place + ": " + p.Message
}

// Problems is everything that is wrong with a programme file, in the order of
// its lines. Parse returns it as its error.
type Problems []Problem

// Error prints one problem a line.
func (p Problems) Error() string {
	lines := make([]string, len(p))
	for i := range p {
		lines[i] = p[i].Error()
	}
	return strings.Join(lines, "\n")
}

// Limits on the size of a file: a programme of 1000 sites and 100 targets of
// 1000 points stays far below them.
const (
	maxFileBytes    = 16 << 20
	maxProblems     = 50
	maxDecodedNodes = 4_000_000
	maxDepth        = 32
)

// decoder fills the structs of this package from a syntax tree, by their tags:
//
//	yaml     key; "-" for fields that the file does not have
//	need     "always" where the key must be there; "either" where exactly one of
//	         the keys of the group that have this tag must
//	default  value where it is not ("NaN": not given)
//	range    "low..high" in the unit of the file, "(low.." where low itself is out
//	length   of text or list
//	form     "token": safe in a subject and a file name; or another of textForms
//	one      "a|b": one of these words
//	unit     "degc": degrees Celsius in the file, kelvin in the struct
//	doc      one sentence for the schema
type decoder struct {
	file     string
	problems Problems
	places   map[string]*token.Token // of every value, by its path
	nodes    map[string]ast.Node     // of the geometries, by their path
	count    int
}

var tokenForm = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$`)

// textForms are what the tag form asks of a text; formRules say it to people.
var textForms = map[string]*regexp.Regexp{
	"token":    tokenForm,
	"monthday": regexp.MustCompile(`^(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$`),
	"date":     regexp.MustCompile(`^[12][0-9]{3}-(0[1-9]|1[0-2])-(0[1-9]|[12][0-9]|3[01])$`),
	"clock":    regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]$`),
}

var formRules = map[string]string{
	"monthday": "a month and day such as 11-01",
	"date":     "a date such as 2025-08-31",
	"clock":    "a time of day such as 06:30, 00:00 to 23:59",
}

const tokenRule = "1 to 64 letters, digits, - or _, beginning with a letter or digit"

func (d *decoder) problem(at *token.Token, path, format string, arguments ...any) {
	p := Problem{File: d.file, Path: path, Message: fmt.Sprintf(format, arguments...)}
	if at != nil && at.Position != nil {
		p.Line, p.Column = at.Position.Line, at.Position.Column
	}
	d.problems = append(d.problems, p)
}

// problemAt reports at the place where the value of path stands in the file, or
// the nearest enclosing value.
func (d *decoder) problemAt(path, format string, arguments ...any) {
	at, where := d.places[path], path
	for at == nil && where != "" {
		where = where[:max(strings.LastIndexAny(where, ".["), 0)]
		at = d.places[where]
	}
	d.problem(at, path, format, arguments...)
}

// document parses the YAML and decodes its one document.
func (d *decoder) document(b []byte, into reflect.Value) {
	if len(b) > maxFileBytes {
		d.problem(nil, "", "the file has %d bytes, at most %d are allowed", len(b), maxFileBytes)
		return
	}
	if depth := nestingDepth(b); depth > maxFlowDepth {
		d.problem(nil, "", "brackets nest %d deep, at most %d are allowed", depth, maxFlowDepth)
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
	var bodies []ast.Node
	for _, document := range file.Docs {
		if document.Body != nil {
			if _, comment := document.Body.(*ast.CommentGroupNode); !comment {
				bodies = append(bodies, document.Body)
			}
		}
	}
	switch len(bodies) {
	case 0:
		d.problem(nil, "", "the file is empty")
	case 1:
		d.value(bodies[0], into, "", "", 0)
	default:
		d.problem(firstToken(bodies[1]), "", "a second YAML document begins here, one is allowed")
	}
}

// pairs gives the keys and values of a mapping; ok is false for other nodes.
func pairs(node ast.Node) (_ []*ast.MappingValueNode, ok bool) {
	switch n := node.(type) {
	case *ast.MappingNode:
		return n.Values, true
	case *ast.MappingValueNode:
		return []*ast.MappingValueNode{n}, true
	}
	return nil, false
}

// firstToken is where a node begins; a mapping's own token is its first colon.
func firstToken(node ast.Node) *token.Token {
	if list, ok := pairs(node); ok && len(list) > 0 {
		return list[0].Key.GetToken()
	}
	return node.GetToken()
}

// kindOf names a node in the words of a person who writes the file.
func kindOf(node ast.Node) string {
	switch node.(type) {
	case *ast.MappingNode, *ast.MappingValueNode:
		return "a group of keys"
	case *ast.SequenceNode:
		return "a list"
	case *ast.NullNode:
		return "nothing"
	case *ast.BoolNode:
		return "true or false"
	case *ast.IntegerNode, *ast.FloatNode, *ast.InfinityNode, *ast.NanNode:
		return "a number"
	case *ast.StringNode, *ast.LiteralNode:
		return "text"
	case *ast.AnchorNode, *ast.AliasNode, *ast.MergeKeyNode:
		return "a YAML anchor or alias, which programme files do not use"
	case *ast.TagNode:
		return "a YAML tag, which programme files do not use"
	}
	return "something else"
}

func (d *decoder) value(node ast.Node, into reflect.Value, path string, tag reflect.StructTag, depth int) {
	if d.count++; d.count > maxDecodedNodes || depth > maxDepth {
		if d.count == maxDecodedNodes+1 || depth > maxDepth {
			d.problem(firstToken(node), path, "the file is too large or too deeply nested")
		}
		return
	}
	d.places[path] = firstToken(node)
	if into.Type() == reflect.TypeFor[geometrySource]() {
		d.nodes[path] = node
		into.Field(0).SetBool(true)
		return
	}
	switch into.Kind() {
	case reflect.Pointer:
		into.Set(reflect.New(into.Type().Elem()))
		d.value(node, into.Elem(), path, tag, depth)
	case reflect.Struct:
		d.group(node, into, path, depth)
	case reflect.Map:
		d.named(node, into, path, depth)
	case reflect.Slice, reflect.Array:
		d.list(node, into, path, tag, depth)
	case reflect.String:
		d.text(node, into, path, tag)
	case reflect.Int, reflect.Int64, reflect.Float64:
		d.number(node, into, path, tag)
	case reflect.Bool:
		yes, ok := node.(*ast.BoolNode)
		if !ok {
			d.problem(firstToken(node), path, "is %s, true or false is needed", kindOf(node))
			return
		}
		into.SetBool(yes.Value)
	default:
		panic("programme: no rule for a field of type " + into.Type().String())
	}
}

// join appends a key to a path.
func join(path, key string) string {
	if path == "" {
		return key
	}
	return path + "." + key
}

// group decodes a mapping into a struct, and fills in the defaults.
func (d *decoder) group(node ast.Node, into reflect.Value, path string, depth int) {
	setDefaults(into)
	list, ok := pairs(node)
	if !ok {
		d.problem(node.GetToken(), path, "is %s, a group of keys is needed", kindOf(node))
		return
	}
	fields := fieldsOf(into.Type())
	var keys []string
	for _, f := range fields {
		keys = append(keys, f.key)
	}
	seen, meant := map[string]bool{}, map[string]bool{}
	for _, pair := range list {
		key := pair.Key.GetToken().Value
		if merge, isMerge := pair.Key.(*ast.MergeKeyNode); isMerge {
			d.problem(merge.GetToken(), path, "is %s", kindOf(merge))
			continue
		}
		if seen[key] {
			d.problem(pair.Key.GetToken(), join(path, key), "key given twice")
			continue
		}
		seen[key] = true
		index := slices.Index(keys, key)
		if index < 0 {
			meant[nearest(key, keys)] = true
			d.problem(pair.Key.GetToken(), join(path, key), "unknown key%s", suggestion(key, keys))
			continue
		}
		f := fields[index]
		if _, null := pair.Value.(*ast.NullNode); null {
			d.problem(pair.Key.GetToken(), join(path, key), "has no value; leave the key out to take the default")
			continue
		}
		d.value(pair.Value, into.FieldByIndex(f.index), join(path, key), f.tag, depth+1)
	}
	for _, f := range fields {
		if f.tag.Get("need") == "always" && !seen[f.key] && !meant[f.key] {
			d.problem(firstToken(node), path, "key %q is missing: %s", f.key, f.tag.Get("doc"))
		}
	}
	d.eitherOf(node, fields, path, seen, meant)
}

// eitherOf checks that exactly one of the keys tagged so was given.
func (d *decoder) eitherOf(node ast.Node, fields []field, path string, seen, meant map[string]bool) {
	var keys, given []string
	for _, f := range fields {
		if f.tag.Get("need") != "either" {
			continue
		}
		keys = append(keys, f.key)
		if seen[f.key] || meant[f.key] {
			given = append(given, f.key)
		}
	}
	switch {
	case len(keys) > 0 && len(given) == 0:
		d.problem(firstToken(node), path, "needs one of the keys %s", strings.Join(keys, ", "))
	case len(given) > 1:
		last := given[len(given)-1]
		d.problemAt(join(path, last), "key %s is given too; give one of the two", given[0])
	}
}

// named decodes a mapping whose keys are names that the file chooses.
func (d *decoder) named(node ast.Node, into reflect.Value, path string, depth int) {
	list, ok := pairs(node)
	if !ok {
		d.problem(node.GetToken(), path, "is %s, a group of names is needed", kindOf(node))
		return
	}
	into.Set(reflect.MakeMap(into.Type()))
	for _, pair := range list {
		key := pair.Key.GetToken().Value
		item := reflect.New(into.Type().Elem()).Elem()
		d.value(pair.Value, item, join(path, key), "", depth+1)
		d.places[join(path, key)] = pair.Key.GetToken()
		into.SetMapIndex(reflect.ValueOf(key), item)
	}
}

func (d *decoder) list(node ast.Node, into reflect.Value, path string, tag reflect.StructTag, depth int) {
	sequence, ok := node.(*ast.SequenceNode)
	if !ok {
		d.problem(firstToken(node), path, "is %s, a list is needed", kindOf(node))
		return
	}
	n := len(sequence.Values)
	if into.Kind() == reflect.Array {
		if n != into.Len() {
			d.problem(node.GetToken(), path, "has %d values, %d are needed", n, into.Len())
			return
		}
	} else {
		if low, high := span(tag.Get("length")); n < low || n > high {
			d.problem(node.GetToken(), path, "has %d entries, allowed are %s", n, tag.Get("length"))
			return
		}
		into.Set(reflect.MakeSlice(into.Type(), n, n))
	}
	for i, value := range sequence.Values {
		d.value(value, into.Index(i), fmt.Sprintf("%s[%d]", path, i), itemTag(tag), depth+1)
	}
}

// itemTag is what a list's tag says about each entry.
func itemTag(tag reflect.StructTag) reflect.StructTag {
	return reflect.StructTag(fmt.Sprintf("form:%q", tag.Get("form")))
}

func (d *decoder) text(node ast.Node, into reflect.Value, path string, tag reflect.StructTag) {
	var value string
	switch n := node.(type) {
	case *ast.StringNode:
		value = n.Value
	case *ast.LiteralNode:
		value = strings.TrimRight(n.Value.Value, "\n")
	case *ast.IntegerNode, *ast.FloatNode: // a station number
		value = n.GetToken().Value
	default:
		d.problem(firstToken(node), path, "is %s, text is needed", kindOf(node))
		return
	}
	low, high := span(tag.Get("length"))
	switch {
	case tag.Get("form") == "token" && !tokenForm.MatchString(value):
		d.problem(node.GetToken(), path, "%q is not a short name: %s", value, tokenRule)
	case tag.Get("form") != "" && !textForms[tag.Get("form")].MatchString(value):
		d.problem(node.GetToken(), path, "%q is not %s", value, formRules[tag.Get("form")])
	case tag.Get("one") != "" && !slices.Contains(strings.Split(tag.Get("one"), "|"), value):
		words := strings.Split(tag.Get("one"), "|")
		d.problem(node.GetToken(), path, "%q is not one of %s%s", value, strings.Join(words, ", "), suggestion(value, words))
	case len(value) < low || len(value) > high:
		d.problem(node.GetToken(), path, "has %d bytes, allowed are %s", len(value), tag.Get("length"))
	case strings.TrimSpace(value) == "":
		d.problem(node.GetToken(), path, "is empty")
	}
	into.SetString(value)
}

func (d *decoder) number(node ast.Node, into reflect.Value, path string, tag reflect.StructTag) {
	text := ""
	switch n := node.(type) {
	case *ast.IntegerNode, *ast.FloatNode:
		text = n.GetToken().Value
	case *ast.StringNode:
		// The YAML parser takes "1e14" for text; its core schema (YAML 1.2.2,
		// section 10.3.2) says it is a number. Text in quotes stays text.
		if n.GetToken().Type == token.StringType {
			text = n.Value
		}
	}
	value, err := strconv.ParseFloat(text, 64)
	if err != nil || math.IsNaN(value) || math.IsInf(value, 0) {
		if text == "" {
			d.problem(firstToken(node), path, "is %s, a number is needed", kindOf(node))
		} else {
			d.problem(node.GetToken(), path, "%q is not a number", text)
		}
		return
	}
	whole := into.Kind() != reflect.Float64
	if whole && value != math.Trunc(value) {
		d.problem(node.GetToken(), path, "%s is not a whole number", text)
		return
	}
	if rule := tag.Get("range"); rule != "" && !parseRange(rule).holds(value) {
		d.problem(node.GetToken(), path, "%s is outside the allowed range %s", text, parseRange(rule))
		return
	}
	setNumber(into, value, tag)
}

// setNumber stores a value given in the unit of the file.
func setNumber(into reflect.Value, value float64, tag reflect.StructTag) {
	if tag.Get("unit") == "degc" {
		value += freezingK
	}
	if into.Kind() == reflect.Float64 {
		into.SetFloat(value)
	} else {
		into.SetInt(int64(value))
	}
}

// freezingK is 0 °C.
const freezingK = 273.15

// setDefaults fills a struct, and the structs in it, with the defaults of its tags.
func setDefaults(into reflect.Value) {
	for _, f := range fieldsOf(into.Type()) {
		field := into.FieldByIndex(f.index)
		text, given := f.tag.Lookup("default")
		switch {
		case field.Kind() == reflect.Struct && field.Type() != reflect.TypeFor[geometrySource]():
			setDefaults(field)
		case given && field.Kind() == reflect.String:
			field.SetString(text)
		case given:
			value, err := strconv.ParseFloat(text, 64)
			if err != nil {
				panic("programme: default of " + f.key + ": " + err.Error())
			}
			setNumber(field, value, f.tag)
		}
	}
}

// field is one key of a struct.
type field struct {
	key   string
	tag   reflect.StructTag
	index []int
}

// fieldsOf lists the keys of a struct in the order of its declaration.
func fieldsOf(t reflect.Type) []field {
	var fields []field
	for i := range t.NumField() {
		f := t.Field(i)
		if key := f.Tag.Get("yaml"); key != "" && key != "-" {
			fields = append(fields, field{key, f.Tag, f.Index})
		}
	}
	return fields
}

// numberRange is "low..high"; with a leading parenthesis low itself is out.
type numberRange struct {
	low, high float64
	open      bool
	text      string
}

func parseRange(rule string) numberRange {
	rest, open := strings.CutPrefix(rule, "(")
	lowText, highText, _ := strings.Cut(rest, "..")
	low, errLow := strconv.ParseFloat(lowText, 64)
	high, errHigh := strconv.ParseFloat(highText, 64)
	if errLow != nil || errHigh != nil {
		panic("programme: range " + rule)
	}
	text := lowText + " to " + highText
	if open {
		text = "above " + lowText + ", up to " + highText
	}
	return numberRange{low, high, open, text}
}

func (r numberRange) holds(value float64) bool {
	return value >= r.low && value <= r.high && !(r.open && value == r.low)
}

func (r numberRange) String() string { return r.text }

// span reads "low..high" for lengths; no rule is any length.
func span(rule string) (low, high int) {
	if rule == "" {
		return 0, math.MaxInt
	}
	r := parseRange(rule)
	return int(r.low), int(r.high)
}

// suggestion names the word that was probably meant, or all words where none is near.
func suggestion(given string, words []string) string {
	if best := nearest(given, words); best != "" {
		return fmt.Sprintf("; did you mean %q?", best)
	}
	return "; known here: " + strings.Join(words, ", ")
}

// nearest is the word of the smallest Levenshtein distance; empty where more
// than half of its letters would have to change.
func nearest(given string, words []string) string {
	best, bestDistance := "", math.MaxInt
	for _, word := range words {
		if distance := editDistance(strings.ToLower(given), word); distance < bestDistance {
			best, bestDistance = word, distance
		}
	}
	if bestDistance > max(len(given), len(best))/2 {
		return ""
	}
	return best
}

// editDistance is the Levenshtein distance (Levenshtein 1966) by the row method.
func editDistance(a, b string) int {
	if len(a) > 200 {
		a = a[:200]
	}
	row := make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		diagonal := row[0]
		row[0] = i + 1
		for j := range len(b) {
			cost := 1
			if a[i] == b[j] {
				cost = 0
			}
			diagonal, row[j+1] = row[j+1], min(row[j+1]+1, row[j]+1, diagonal+cost)
		}
	}
	return row[len(b)]
}

// maxFlowDepth bounds how deep brackets and list marks may nest before the
// YAML parser, which recurses, sees the file.
const maxFlowDepth = 200

// nestingDepth is an upper bound of how deep a YAML parser recurses because of
// brackets and of list marks on one line. It does not tell text from structure,
// so brackets that are never closed in comments count too.
func nestingDepth(b []byte) int {
	deepest, depth, marks, lineStart := 0, 0, 0, true
	for i, c := range b {
		switch c {
		case '[', '{':
			depth++
			deepest = max(deepest, depth)
		case ']', '}':
			depth = max(depth-1, 0)
		case '\n':
			marks, lineStart = 0, true
			continue
		case ' ', '\t':
			continue
		}
		if lineStart && (c == '-' || c == '?' || c == '!' || c == '&') {
			if i+1 < len(b) && (b[i+1] == ' ' || c == '!' || c == '&') {
				marks++
				deepest = max(deepest, marks)
			}
		} else if marks == 0 {
			lineStart = false
		}
	}
	return deepest
}
