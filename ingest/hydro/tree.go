package hydro

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"strconv"
	"strings"

	"rimeline/ingest"
)

// cursor is what every decoder of this package says its errors with.
type cursor struct {
	file string
	size int64
}

// fail gives an error at a byte of the file.
func (c cursor) fail(reason error, offset int64, format string, args ...any) *ingest.FormatError {
	return &ingest.FormatError{File: c.file, Offset: max(0, min(offset, c.size)), Detail: fmt.Sprintf(format, args...), Err: reason}
}

// checkSize refuses files above the ceiling and empty ones.
func checkSize(file string, b []byte) (cursor, error) {
	c := cursor{file: file, size: int64(len(b))}
	if len(b) > maxFileBytes {
		return c, c.fail(ingest.ErrUnsupported, maxFileBytes, "has %d bytes, at most %d are read", len(b), maxFileBytes)
	}
	if len(bytes.TrimSpace(b)) == 0 {
		return c, c.fail(ingest.ErrTruncated, int64(len(b)), "is empty")
	}
	return c, nil
}

// kind is the JSON type of a node.
type kind uint8

const (
	kindNull kind = iota
	kindBool
	kindNumber
	kindString
	kindArray
	kindObject
)

func (k kind) String() string {
	return [...]string{"null", "true or false", "number", "string", "array", "object"}[k]
}

// node is one JSON value with its place in the file. All methods take a nil
// receiver, which stands for an absent value.
type node struct {
	kind   kind
	truth  bool
	offset int64
	text   string // of a string or number, as written
	names  []string
	items  []*node // of an array, or the values beside names
	index  map[string]int
}

// parseJSON reads one JSON text (RFC 8259) into nodes. Names that repeat in
// one object are refused, since readers differ in which of them they take.
func parseJSON(c cursor, b []byte) (*node, error) {
	skipped := int64(0)
	if bytes.HasPrefix(b, []byte("\xef\xbb\xbf")) {
		b, skipped = b[3:], 3
	}
	decoder := json.NewDecoder(bytes.NewReader(b))
	decoder.UseNumber()
	p := &jsonParser{cursor: c, bytes: b, decoder: decoder, skipped: skipped}
	root, err := p.value(0)
	if err != nil {
		return nil, err
	}
	at := p.start()
	if at < int64(len(b)) {
		return nil, c.fail(ingest.ErrCorrupt, at+skipped, "text after the end of the JSON value")
	}
	return root, nil
}

type jsonParser struct {
	cursor
	bytes   []byte
	decoder *json.Decoder
	skipped int64
	nodes   int
}

// start is the byte at which the next token begins.
func (p *jsonParser) start() int64 {
	at := p.decoder.InputOffset()
	for at < int64(len(p.bytes)) && strings.IndexByte(" \t\r\n,:", p.bytes[at]) >= 0 {
		at++
	}
	return at
}

func (p *jsonParser) token() (json.Token, int64, error) {
	at := p.start()
	token, err := p.decoder.Token()
	if err == nil {
		return token, at + p.skipped, nil
	}
	var syntax *json.SyntaxError
	switch {
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return nil, 0, p.fail(ingest.ErrTruncated, p.size, "the JSON ends too early")
	case errors.As(err, &syntax):
		if strings.Contains(syntax.Error(), "unexpected end") {
			return nil, 0, p.fail(ingest.ErrTruncated, p.size, "the JSON ends too early")
		}
		return nil, 0, p.fail(ingest.ErrCorrupt, at+p.skipped, "is not JSON: %v", err)
	}
	return nil, 0, p.fail(ingest.ErrCorrupt, at+p.skipped, "is not JSON: %v", err)
}

func (p *jsonParser) value(depth int) (*node, error) {
	token, at, err := p.token()
	if err != nil {
		return nil, err
	}
	if p.nodes++; p.nodes > maxNodes {
		return nil, p.fail(ingest.ErrUnsupported, at, "has more than %d values", maxNodes)
	}
	switch t := token.(type) {
	case nil:
		return &node{kind: kindNull, offset: at}, nil
	case bool:
		return &node{kind: kindBool, truth: t, offset: at, text: strconv.FormatBool(t)}, nil
	case json.Number:
		return &node{kind: kindNumber, text: t.String(), offset: at}, nil
	case string:
		return &node{kind: kindString, text: t, offset: at}, nil
	case json.Delim:
		if depth >= maxDepth {
			return nil, p.fail(ingest.ErrUnsupported, at, "nests deeper than %d levels", maxDepth)
		}
		if t == '[' {
			return p.array(at, depth)
		}
		if t == '{' {
			return p.object(at, depth)
		}
	}
	return nil, p.fail(ingest.ErrCorrupt, at, "is not JSON: %v where a value is needed", token)
}

func (p *jsonParser) array(at int64, depth int) (*node, error) {
	n := &node{kind: kindArray, offset: at}
	for p.decoder.More() {
		item, err := p.value(depth + 1)
		if err != nil {
			return nil, err
		}
		n.items = append(n.items, item)
	}
	_, _, err := p.token()
	return n, err
}

func (p *jsonParser) object(at int64, depth int) (*node, error) {
	n := &node{kind: kindObject, offset: at}
	for p.decoder.More() {
		token, nameAt, err := p.token()
		if err != nil {
			return nil, err
		}
		name, isString := token.(string)
		if !isString {
			return nil, p.fail(ingest.ErrCorrupt, nameAt, "is not JSON: the name of a member is no string")
		}
		if n.member(name) != nil {
			return nil, p.fail(ingest.ErrCorrupt, nameAt, "the name %q stands twice in one object (RFC 8259, section 4)", clip(name))
		}
		item, err := p.value(depth + 1)
		if err != nil {
			return nil, err
		}
		n.names = append(n.names, name)
		n.items = append(n.items, item)
		if len(n.names) > 8 {
			if n.index == nil {
				n.index = make(map[string]int)
				for i, known := range n.names {
					n.index[known] = i
				}
			}
			n.index[name] = len(n.names) - 1
		}
	}
	_, _, err := p.token()
	return n, err
}

// member gives the value of a name, nil where there is none.
func (n *node) member(name string) *node {
	if n == nil || n.kind != kindObject {
		return nil
	}
	if n.index != nil {
		if i, ok := n.index[name]; ok {
			return n.items[i]
		}
		return nil
	}
	for i, known := range n.names {
		if known == name {
			return n.items[i]
		}
	}
	return nil
}

// at follows names from object to object.
func (n *node) at(names ...string) *node {
	for _, name := range names {
		n = n.member(name)
	}
	return n
}

// list gives the items of an array, nothing for anything else.
func (n *node) list() []*node {
	if n == nil || n.kind != kindArray {
		return nil
	}
	return n.items
}

// absent says whether the value is missing or null.
func (n *node) absent() bool { return n == nil || n.kind == kindNull }

// str gives a string or the digits of a number, trimmed; "" for anything else.
func (n *node) str() string {
	if n == nil || n.kind != kindString && n.kind != kindNumber {
		return ""
	}
	return strings.TrimSpace(n.text)
}

// strs gives a string as a list of one, or an array of strings.
func (n *node) strs() []string {
	if n == nil {
		return nil
	}
	if n.kind == kindArray {
		var all []string
		for _, item := range n.items {
			if s := item.str(); s != "" {
				all = append(all, s)
			}
		}
		return all
	}
	if s := n.str(); s != "" {
		return []string{s}
	}
	return nil
}

// number gives a number, or a string that holds one.
func (n *node) number() (float64, bool) {
	if n == nil || n.kind != kindString && n.kind != kindNumber {
		return math.NaN(), false
	}
	return parseNumber(n.text)
}

// place is the offset of a value, or that of the one it should stand in.
func (n *node) place(within *node) int64 {
	switch {
	case n != nil:
		return n.offset
	case within != nil:
		return within.offset
	}
	return 0
}

// parseNumber reads a decimal number; infinities, hexadecimal and NaN are none.
func parseNumber(s string) (float64, bool) {
	s = strings.TrimSpace(s)
	if s == "" {
		return math.NaN(), false
	}
	for i := range len(s) {
		if strings.IndexByte("0123456789+-.eE", s[i]) < 0 {
			return math.NaN(), false
		}
	}
	v, err := strconv.ParseFloat(s, 64)
	if err != nil || math.IsInf(v, 0) {
		return math.NaN(), false
	}
	return v, true
}

// clip keeps error texts short.
func clip(s string) string {
	if len(s) > 60 {
		return strings.ToValidUTF8(s[:60], "") + "..."
	}
	return s
}
