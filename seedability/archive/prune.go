package archive

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

func digestOfReader(r io.Reader) (string, error) {
	digest := sha256.New()
	if _, err := io.CopyBuffer(digest, onlyReader{r}, make([]byte, 1<<20)); err != nil {
		return "", err
	}
	return hex.EncodeToString(digest.Sum(nil)), nil
}

// Listed is one day in short.
type Listed struct {
	Programme   string   `json:"programme"`
	Day         string   `json:"day"`
	Events      int      `json:"events"`
	Assessments int64    `json:"assessments"`
	Bytes       int64    `json:"bytes"`
	CropBytes   int64    `json:"crop_bytes"`
	Unread      int      `json:"unread"`
	Pinned      []string `json:"pinned"`
	Folder      string   `json:"folder"`
}

// List sums an archive up, a row a day. A day that cannot be read gives an error
// beside the others.
func List(dir string) ([]Listed, error) {
	r, err := OpenReader(dir)
	if err != nil {
		return nil, err
	}
	return r.list()
}

func (r *Reader) list() ([]Listed, error) {
	crops, err := r.Crops()
	if err != nil {
		return nil, err
	}
	cropBytes := map[dayKey]int64{}
	for _, ref := range crops {
		cropBytes[dayKey{ref.Programme, ref.Day}] += ref.Bytes
	}
	programmes, err := r.Programmes()
	if err != nil {
		return nil, err
	}
	var list []Listed
	var failed error
	for _, programme := range programmes {
		days, err := r.Days(programme)
		if err != nil {
			failed = err
		}
		for _, d := range days {
			l := Listed{Programme: programme, Day: d.Manifest.Day, Events: d.Manifest.Events, Assessments: d.Manifest.Tables[TableScores].Rows,
				Unread: d.Manifest.Unread, Pinned: append([]string{}, d.Manifest.Pinned...), Folder: d.Folder, CropBytes: cropBytes[dayKey{programme, d.Manifest.Day}]}
			for _, f := range d.Manifest.Files {
				l.Bytes += f.Bytes
			}
			list = append(list, l)
		}
	}
	return list, failed
}

// PruneRules say what may go. Nothing goes that is not asked for.
type PruneRules struct {
	// CropBytes is how much kept crops may take; negative: as much as they do. Crops
	// of days with a window or a hold stay, unless Pinned.
	CropBytes int64
	// DayBytes is how much days may take in all; negative: as much as they do. The
	// oldest go first, with their crops, but never those of the last KeepDays, nor
	// days with a window or a hold, a release or an order, unless Pinned.
	DayBytes int64
	KeepDays int
	Pinned   bool
	// DryRun: say what would go, and leave it.
	DryRun bool
	Now    time.Time // the present if zero
}

// Pruned is one thing that went, or would.
type Pruned struct {
	What  string `json:"what"` // day or crop
	Name  string `json:"name"`
	Bytes int64  `json:"bytes"`
}

// Prune removes what goes beyond a budget. It needs the lock, unless it only says
// what would go.
func Prune(dir string, rules PruneRules) ([]Pruned, error) {
	if rules.Now.IsZero() {
		rules.Now = time.Now()
	}
	r, err := OpenReader(dir)
	if err != nil {
		return nil, err
	}
	if !rules.DryRun {
		lock, err := lockOf(dir)
		if err != nil {
			return nil, err
		}
		defer lock.Close()
	}
	var pruned []Pruned
	gone := map[dayKey]bool{}
	if rules.DayBytes >= 0 {
		if pruned, err = r.pruneDays(rules, gone); err != nil {
			return pruned, err
		}
	}
	more, err := r.pruneCrops(rules, gone)
	return append(pruned, more...), err
}

// keepsAlways: a day with one of these is kept like one with a hold: records of what
// people did.
var keepsAlways = []string{TableReleases, TableOrders}

func (r *Reader) pruneDays(rules PruneRules, gone map[dayKey]bool) ([]Pruned, error) {
	list, err := r.list()
	if err != nil {
		return nil, err // a day that cannot be read is no day to decide about
	}
	total := int64(0)
	for _, l := range list {
		total += l.Bytes
	}
	slices.SortFunc(list, func(a, b Listed) int { return strings.Compare(a.Day+a.Programme, b.Day+b.Programme) })
	newest := rules.Now.UTC().AddDate(0, 0, -rules.KeepDays).Format(dayForm)
	var pruned []Pruned
	for _, l := range list {
		if total <= rules.DayBytes || rules.KeepDays > 0 && l.Day > newest {
			break
		}
		m, err := r.manifest(dayKey{l.Programme, l.Day})
		if err != nil {
			return pruned, err
		}
		pinned := len(l.Pinned) > 0 || slices.ContainsFunc(keepsAlways, func(table string) bool { return m.Tables[table].Rows > 0 })
		if pinned && !rules.Pinned {
			continue
		}
		gone[dayKey{l.Programme, l.Day}] = true
		pruned = append(pruned, Pruned{"day", l.Programme + "/" + l.Day, l.Bytes})
		total -= l.Bytes
		if rules.DryRun {
			continue
		}
		from := filepath.Join(r.dir, l.Programme, l.Day)
		to := filepath.Join(r.dir, l.Programme, goneBefore+l.Day)
		if err := os.RemoveAll(to); err != nil {
			return pruned, err
		}
		// The day goes at once; whatever ends this now, Open removes the rest.
		if err := os.Rename(from, to); err != nil {
			return pruned, err
		}
		if err := syncDir(filepath.Dir(from)); err != nil {
			return pruned, err
		}
		if err := os.RemoveAll(to); err != nil {
			return pruned, err
		}
	}
	return pruned, nil
}

func (r *Reader) pruneCrops(rules PruneRules, gone map[dayKey]bool) ([]Pruned, error) {
	shelf := cropShelf{dir: r.dir, refs: map[string][]CropRef{}}
	if err := readRefs(r.dir, func(_ string, ref CropRef, err error) {
		if err == nil {
			shelf.note(ref)
		}
	}); err != nil {
		return nil, err
	}
	var candidates []CropRef
	for _, refs := range shelf.refs {
		for _, ref := range refs {
			if gone[dayKey{ref.Programme, ref.Day}] {
				candidates = append(candidates, ref)
			}
		}
	}
	must := len(candidates)
	if rules.CropBytes >= 0 {
		rest := r.removable(shelf.refs)
		if rules.Pinned {
			rest = nil
			for _, refs := range shelf.refs {
				rest = append(rest, refs...)
			}
			slices.SortFunc(rest, func(a, b CropRef) int { return strings.Compare(a.Day+a.Name, b.Day+b.Name) })
		}
		for _, ref := range rest {
			if !gone[dayKey{ref.Programme, ref.Day}] {
				candidates = append(candidates, ref)
			}
		}
	}
	var pruned []Pruned
	for k, ref := range candidates {
		if k >= must && shelf.bytes <= rules.CropBytes {
			break
		}
		before := shelf.bytes
		if rules.DryRun {
			shelf.unname(ref)
		} else if err := shelf.remove(ref); err != nil {
			return pruned, fmt.Errorf("archive: %w", err)
		}
		pruned = append(pruned, Pruned{"crop", ref.Programme + "/" + ref.Day + "/" + ref.Name, before - shelf.bytes})
	}
	return pruned, nil
}

// unname is remove without touching the disk.
func (s *cropShelf) unname(ref CropRef) {
	rest := slices.DeleteFunc(slices.Clone(s.refs[ref.SHA256]), func(other CropRef) bool { return other == ref })
	if s.refs[ref.SHA256] = rest; len(rest) == 0 {
		delete(s.refs, ref.SHA256)
		s.bytes -= ref.Bytes
	}
}
