package alert

import (
	"encoding/xml"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// schema reads the OASIS schema of CAP 1.2, as it is committed in testdata, and
// holds documents to it: sequences, occurrences, enumerations, patterns and the
// built-in types that it uses. TestSchemaReader holds this reader to lxml 6.1.3 by
// a table of verdicts.
type schema struct{ elements map[string]*node }

// node is an XML element.
type node struct {
	XMLName  xml.Name
	Attrs    []xml.Attr `xml:",any,attr"`
	Children []*node    `xml:",any"`
	Text     string     `xml:",chardata"`
}

const xsd = "http://www.w3.org/2001/XMLSchema"

func (n *node) attr(name string) string {
	for _, a := range n.Attrs {
		if a.Name.Local == name && a.Name.Space == "" {
			return a.Value
		}
	}
	return ""
}

func (n *node) child(name string) *node {
	for _, c := range n.Children {
		if c.XMLName.Space == xsd && c.XMLName.Local == name {
			return c
		}
	}
	return nil
}

func readSchema(t testing.TB) *schema {
	t.Helper()
	b, err := os.ReadFile("testdata/CAP-v1.2.xsd")
	if err != nil {
		t.Fatal(err)
	}
	var root node
	if err := xml.Unmarshal(b, &root); err != nil {
		t.Fatal(err)
	}
	s := &schema{map[string]*node{}}
	for _, c := range root.Children {
		s.elements[c.attr("name")] = c
	}
	return s
}

// parseStrict reads a whole document, and nothing behind it.
func parseStrict(b []byte) (*node, error) {
	d := xml.NewDecoder(strings.NewReader(string(b)))
	var n node
	if err := d.Decode(&n); err != nil {
		return nil, err
	}
	for {
		token, err := d.Token()
		if err == io.EOF {
			return &n, nil
		}
		if text, ok := token.(xml.CharData); err != nil || !ok || strings.TrimSpace(string(text)) != "" {
			return nil, fmt.Errorf("something behind the document: %v %v", token, err)
		}
	}
}

func (s *schema) validate(b []byte) error {
	n, err := parseStrict(b)
	if err != nil {
		return err
	}
	if n.XMLName.Local != "alert" {
		return fmt.Errorf("root is %s", n.XMLName.Local)
	}
	return s.element(n, s.elements["alert"])
}

func (s *schema) element(n, declared *node) error {
	if n.XMLName.Space != CAPNamespace {
		return fmt.Errorf("%s is in the namespace %q", n.XMLName.Local, n.XMLName.Space)
	}
	if complexType := declared.child("complexType"); complexType != nil {
		if strings.TrimSpace(n.Text) != "" {
			return fmt.Errorf("%s holds text", n.XMLName.Local)
		}
		return s.sequence(n, complexType.child("sequence"))
	}
	if len(n.Children) > 0 {
		return fmt.Errorf("%s holds elements", n.XMLName.Local)
	}
	base, patterns, words := declared.attr("type"), []string{}, []string{}
	if simple := declared.child("simpleType"); simple != nil {
		restriction := simple.child("restriction")
		base = restriction.attr("base")
		for _, facet := range restriction.Children {
			if facet.XMLName.Local == "pattern" {
				patterns = append(patterns, facet.attr("value"))
			} else {
				words = append(words, facet.attr("value"))
			}
		}
	}
	if len(words) > 0 && !slices.Contains(words, n.Text) {
		return fmt.Errorf("%s %q is not one of %v", n.XMLName.Local, n.Text, words)
	}
	for _, pattern := range patterns {
		if !regexp.MustCompile("^(?:" + pattern + ")$").MatchString(n.Text) {
			return fmt.Errorf("%s %q is not of the form %s", n.XMLName.Local, n.Text, pattern)
		}
	}
	return builtIn(n, base)
}

var languageForm = regexp.MustCompile(`^[a-zA-Z]{1,8}(-[a-zA-Z0-9]{1,8})*$`) // XML Schema 1.0 part 2, 3.3.3

func builtIn(n *node, base string) error {
	ok := true
	switch strings.TrimPrefix(base, "xs:") {
	case "string", "anyURI":
	case "dateTime":
		_, err := time.Parse("2006-01-02T15:04:05-07:00", n.Text)
		ok = err == nil
	case "language":
		ok = languageForm.MatchString(n.Text)
	case "integer":
		_, err := strconv.ParseInt(n.Text, 10, 64)
		ok = err == nil
	case "decimal":
		_, err := strconv.ParseFloat(n.Text, 64)
		ok = err == nil && !strings.ContainsAny(n.Text, "eEnNiI")
	default:
		return fmt.Errorf("no rule for the type %q of %s", base, n.XMLName.Local)
	}
	if !ok {
		return fmt.Errorf("%s %q is not of the type %s", n.XMLName.Local, n.Text, base)
	}
	return nil
}

func (s *schema) sequence(n, sequence *node) error {
	rest := n.Children
	for _, declared := range sequence.Children {
		least, most := 1, 1
		if text := declared.attr("minOccurs"); text != "" {
			least, _ = strconv.Atoi(text)
		}
		if text := declared.attr("maxOccurs"); text == "unbounded" {
			most = 1 << 30
		}
		if declared.XMLName.Local == "any" {
			continue // a signature, which we do not write
		}
		name := declared.attr("name")
		if reference := strings.TrimPrefix(declared.attr("ref"), "cap:"); reference != "" {
			name, declared = reference, s.elements[reference]
		}
		count := 0
		for len(rest) > 0 && rest[0].XMLName.Local == name && count < most {
			if err := s.element(rest[0], declared); err != nil {
				return err
			}
			rest, count = rest[1:], count+1
		}
		if count < least {
			return fmt.Errorf("%s lacks %s", n.XMLName.Local, name)
		}
	}
	if len(rest) > 0 {
		return fmt.Errorf("%s has no place for %s there", n.XMLName.Local, rest[0].XMLName.Local)
	}
	return nil
}

// capVerdicts are changes to a valid message; whether lxml 6.1.3 (libxml2 2.14.6)
// with this schema takes the changed message is in valid.
var capVerdicts = []struct {
	name, old, new string
	valid          bool
}{
	{"unchanged", "", "", true},
	{"status", "<status>Actual<", "<status>actual<", false},
	{"exercise", "<status>Actual<", "<status>Exercise<", true},
	{"Z for UTC", "-00:00</sent>", "Z</sent>", false},
	{"fraction of a second", "-00:00</sent>", ".5-00:00</sent>", false},
	{"no sender", "<sender>rimeline-larkspur</sender>", "", false},
	{"two scopes", "<scope>Restricted</scope>", "<scope>Restricted</scope><scope>Private</scope>", false},
	{"order", "<status>Actual</status><msgType>Alert</msgType>", "<msgType>Alert</msgType><status>Actual</status>", false},
	{"two categories", "<category>Met</category>", "<category>Met</category><category>Safety</category>", true},
	{"no category", "<category>Met</category>", "", false},
	{"urgency", "<urgency>Immediate<", "<urgency>Now<", false},
	{"language", "<language>en-US<", "<language>English (US)<", false},
	{"month 13", "<sent>2026-01", "<sent>2026-13", false},
	{"value without name", "<valueName>rimeline.kind</valueName>", "", false},
	{"no namespace", ` xmlns="urn:oasis:names:tc:emergency:cap:1.2"`, "", false},
	{"empty headline", "<headline>", "<headline></headline><!-- -->\n<headline>", false},
}

func TestSchemaReader(t *testing.T) {
	s := readSchema(t)
	e := engine(t, dutyConfig())
	_, alerts := e.Step(State{}, holds(criterion("creek", OutcomeHeld, "saddlehorn")), at(0, 0))
	b, err := CAP(alerts[0], larkspur, "")
	if err != nil {
		t.Fatal(err)
	}
	for _, test := range capVerdicts {
		text := strings.Replace(string(b), test.old, test.new, 1)
		if test.old != "" && text == string(b) {
			t.Errorf("%s: nothing to change", test.name)
		}
		if folder := os.Getenv("CAP_OUT"); folder != "" {
			name := folder + "/" + strings.ReplaceAll(test.name, " ", "-") + "." + strconv.FormatBool(test.valid) + ".xml"
			if err := os.WriteFile(name, []byte(text), 0o644); err != nil {
				t.Fatal(err)
			}
		}
		if err := s.validate([]byte(text)); (err == nil) != test.valid {
			t.Errorf("%s: %v, want valid %v", test.name, err, test.valid)
		}
	}
}
