// Package bufr finds WMO FM 94 BUFR messages in the bytes of a file and holds
// what a decoder makes of them.
//
// FM 94 BUFR is defined in WMO No. 306, Manual on Codes, Volume I.2; editions 2,
// 3 and 4 are read here. A message describes its own data section by a list of
// descriptors F XX YYY: F 0 is an element of Table B, F 1 a replication, F 2 an
// operator of Table C, F 3 a sequence of Table D. This package reads sections
// 0, 1 and 3 itself, so that a damaged length is refused before anything else
// sees it. Expanding the descriptors and unpacking section 4 need the tables of
// every version and are left to ecCodes in its child process (package eccodes),
// which fills Decoded.
package bufr

import (
	"fmt"
	"math"
)

// Descriptor is F XX YYY as the decimal number FXXYYY: 0 12 101 is 12101.
type Descriptor uint32

// String prints the descriptor as the manual does, "0 12 101".
func (d Descriptor) String() string {
	return fmt.Sprintf("%d %02d %03d", d/100000, d/1000%100, d%1000)
}

// F is 0 for an element, 1 replication, 2 operator, 3 sequence.
func (d Descriptor) F() int { return int(d / 100000) }

// X is the class of an element, or how many descriptors are replicated.
func (d Descriptor) X() int { return int(d / 1000 % 100) }

// Y is the element within the class, or how often to replicate (0: delayed).
func (d Descriptor) Y() int { return int(d % 1000) }

// Decoded is the data section of one message.
type Decoded struct {
	// Expanded is the template with all sequences expanded and all replications
	// and operators kept. The XX of a replication counts expanded descriptors.
	Expanded []Descriptor
	// Subsets hold the elements in the order of the data section. Compressed
	// messages are unfolded: every subset stands alone.
	Subsets [][]Element
}

// Key is what all values of one element share.
type Key struct {
	Descriptor Descriptor
	Name       string // ecCodes' key, "airTemperature"
	Units      string // Table B's, "K", "CODE TABLE", "CCITT IA5"
	IsText     bool
}

// Element is one value of a subset.
type Element struct {
	*Key
	Value float64 // NaN where missing, or where the element is text
	Text  string  // without trailing blanks; empty where missing
	// AttributeOf is the index, in the same subset, of the element that this
	// value says something about (quality information, 2 22 000, and the like);
	// -1 for an element of its own.
	AttributeOf int
	// Block numbers the replication that holds the element, 1 for the first of
	// the template, and Repetition its turn, from 1. Both are 0 outside
	// replications. Of nested replications the innermost counts.
	Block, Repetition int
}

// Missing says that the element has no value.
func (e Element) Missing() bool {
	if e.IsText {
		return e.Text == ""
	}
	return math.IsNaN(e.Value)
}

// MarkReplications fills Block and Repetition of every element by walking the
// expanded template and the elements side by side. It reports false, and leaves
// the rest unmarked, where the two part: what follows an operator such as 2 22
// 000 is attached to earlier elements and no longer stands in order. Operators
// are no elements; the characters that 2 05 YYY puts in are not kept.
func (d *Decoded) MarkReplications() bool {
	whole := true
	for _, elements := range d.Subsets {
		w := walk{elements: elements}
		whole = w.run(d.Expanded, 0, 0) && whole
	}
	return whole
}

type walk struct {
	elements []Element
	at       int
	blocks   int
	depth    int
}

// maxReplicationDepth: operational templates nest replications twice.
const maxReplicationDepth = 8

// next consumes the element that must come now.
func (w *walk) next(want Descriptor, block, repetition int) (float64, bool) {
	for w.at < len(w.elements) && w.elements[w.at].AttributeOf >= 0 {
		w.at++
	}
	if w.at >= len(w.elements) || w.elements[w.at].Descriptor != want {
		return 0, false
	}
	e := &w.elements[w.at]
	e.Block, e.Repetition = block, repetition
	w.at++
	return e.Value, true
}

func (w *walk) run(template []Descriptor, block, repetition int) bool {
	for i := 0; i < len(template); i++ {
		switch d := template[i]; d.F() {
		case 0:
			if _, ok := w.next(d, block, repetition); !ok {
				return false
			}
		case 1:
			times := float64(d.Y())
			if d.Y() == 0 {
				i++
				if i >= len(template) {
					return false
				}
				var ok bool
				if times, ok = w.next(template[i], block, repetition); !ok {
					return false
				}
			}
			if i+1+d.X() > len(template) || w.depth == maxReplicationDepth {
				return false
			}
			group := template[i+1 : i+1+d.X()]
			i += d.X()
			w.blocks++
			inner := w.blocks
			w.depth++
			for k := 1; float64(k) <= times; k++ {
				before := w.at
				w.blocks = inner
				if !w.run(group, inner, k) || w.at == before {
					return false
				}
			}
			w.depth--
		case 2: // no element
		default:
			return false
		}
	}
	return true
}
