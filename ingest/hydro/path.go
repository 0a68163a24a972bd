package hydro

import (
	"fmt"
	"strconv"
	"strings"
)

// step is one move of a path: to a member, an element, or all of them.
type step struct {
	name  string
	index int
	each  bool // [*] of an array or .* of an object
	byPos bool
}

// path finds values in JSON. The language is small:
//
//	a.b         member b of member a; a["b.c"] where the name has a dot or blank
//	a[0] a[-1]  first and last element
//	a[*]        all elements of an array, or all members of an object
//	'text'      the text itself, whatever the file holds
//	$.a         from the root of the file rather than from the record
//
// A path from the root follows the record's own way as far as both take the
// same steps: with records at $.stations[*].values[*], $.stations[*].name is the
// name of the station to which the value belongs.
type path struct {
	written string
	literal bool
	root    bool
	steps   []step
}

// parsePath reads a path; "" stands for the record itself.
func parsePath(s string) (path, error) {
	p := path{written: s}
	s = strings.TrimSpace(s)
	if len(s) >= 2 && s[0] == '\'' && s[len(s)-1] == '\'' {
		p.literal, p.written = true, s[1:len(s)-1]
		return p, nil
	}
	rest := s
	if after, ok := strings.CutPrefix(rest, "$"); ok {
		p.root, rest = true, after
	}
	bad := func() (path, error) {
		return path{}, fmt.Errorf("path %q: cannot be read at %q", clip(s), clip(rest))
	}
	for first := true; rest != ""; first = false {
		if len(p.steps) >= maxDepth {
			return path{}, fmt.Errorf("path %q has more than %d steps", clip(s), maxDepth)
		}
		if rest[0] == '[' {
			end := strings.IndexByte(rest, ']')
			if strings.HasPrefix(rest, `["`) {
				end = strings.Index(rest, `"]`) + 1
			}
			if end <= 0 {
				return bad()
			}
			inner := rest[1:end]
			switch {
			case inner == "*":
				p.steps = append(p.steps, step{each: true})
			case len(inner) >= 2 && inner[0] == '"':
				p.steps = append(p.steps, step{name: inner[1 : len(inner)-1]})
			default:
				i, err := strconv.Atoi(inner)
				if err != nil {
					return bad()
				}
				p.steps = append(p.steps, step{index: i, byPos: true})
			}
			rest = rest[end+1:]
			continue
		}
		if rest[0] == '.' {
			rest = rest[1:]
		} else if !first || p.root {
			return bad()
		}
		end := strings.IndexAny(rest, ".[")
		if end < 0 {
			end = len(rest)
		}
		if end == 0 {
			return bad()
		}
		if name := rest[:end]; name == "*" {
			p.steps = append(p.steps, step{each: true})
		} else {
			p.steps = append(p.steps, step{name: name})
		}
		rest = rest[end:]
	}
	return p, nil
}

// record is a place that a path led to, with the nodes on the way.
type record struct {
	node *node
	name string  // of the last member taken by [*] of an object
	way  []*node // root first, one more than steps; nil where nobody asks
}

// maxVisits bounds the moves that all paths of one file may take together; a
// path from the root that is asked again for every record could take their
// square.
const maxVisits = 20_000_000

// find gives all places below a node, until visit says no or the budget of
// moves is spent.
func find(from record, steps []step, budget *int, visit func(record) bool) bool {
	if *budget--; *budget < 0 {
		return false
	}
	if len(steps) == 0 {
		return visit(from)
	}
	s, n := steps[0], from.node
	down := func(next *node, name string) bool {
		if next == nil {
			return true
		}
		if name == "" {
			name = from.name
		}
		var way []*node
		if from.way != nil {
			way = append(from.way[:len(from.way):len(from.way)], next)
		}
		return find(record{node: next, name: name, way: way}, steps[1:], budget, visit)
	}
	switch {
	case n == nil:
		return true
	case s.each && (n.kind == kindArray || n.kind == kindObject):
		for i, item := range n.items {
			name := ""
			if n.kind == kindObject {
				name = n.names[i]
			}
			if !down(item, name) {
				return false
			}
		}
		return true
	case s.byPos && n.kind == kindArray:
		i := s.index
		if i < 0 {
			i += len(n.items)
		}
		if i < 0 || i >= len(n.items) {
			return true
		}
		return down(n.items[i], "")
	case s.name != "" || !s.each && !s.byPos:
		return down(n.member(s.name), "")
	}
	return true
}

// all gives what a path selects seen from a record whose own path is rows.
func (p path) all(from record, rows path, budget *int) []*node {
	if p.literal {
		return []*node{{kind: kindString, text: p.written}}
	}
	start, steps := record{node: from.node}, p.steps
	if p.root {
		same := 0
		for same < len(steps) && same < len(rows.steps) && same+1 < len(from.way) && steps[same] == rows.steps[same] {
			same++
		}
		start, steps = record{node: from.way[same]}, steps[same:]
	}
	var out []*node
	find(start, steps, budget, func(r record) bool {
		out = append(out, r.node)
		return len(out) <= maxNodes
	})
	return out
}

// one gives the first thing that a path selects, nil for none or an empty path.
func (p path) one(from record, rows path, budget *int) *node {
	if p.written == "" && !p.literal {
		return nil
	}
	if all := p.all(from, rows, budget); len(all) > 0 {
		return all[0]
	}
	return nil
}

// records gives the places of a file that a path of records selects.
func records(root *node, rows path, budget *int) []record {
	var out []record
	find(record{node: root, way: []*node{root}}, rows.steps, budget, func(r record) bool {
		out = append(out, r)
		return len(out) <= maxNodes
	})
	return out
}
