package archive

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
)

// Kept crops lie by their content below crops/<first two digits>/<SHA-256>; what
// each was called, and of which day it is, in crops/refs/<programme>/<day>/.
const refsName = "refs"

// ErrBudget: there is no room for a crop, since what is kept is pinned or newer.
var ErrBudget = errors.New("the budget of crops is used up")

// ErrNoCrop: a crop is not kept, or no longer.
var ErrNoCrop = errors.New("no such crop is kept")

// maxCropBytes of one crop: the largest object that the bus takes.
const maxCropBytes = 256 << 20

// CropRef names a kept crop.
type CropRef struct {
	Programme string `json:"programme"`
	Day       string `json:"day"`
	Name      string `json:"name"`
	SHA256    string `json:"sha256"`
	Bytes     int64  `json:"bytes"`
}

// cropShelf is what the writer knows of kept crops.
type cropShelf struct {
	mutex  sync.Mutex
	dir    string
	budget int64
	bytes  int64
	refs   map[string][]CropRef // by SHA-256
}

func cropPath(dir, digest string) string {
	return filepath.Join(dir, cropsName, digest[:2], digest)
}

func refPath(dir string, ref CropRef) string {
	return filepath.Join(dir, cropsName, refsName, ref.Programme, ref.Day, hexOf([]byte(ref.Name))[:32]+".json")
}

// readRefs reads what is kept; refs that cannot be read are told one by one.
func readRefs(dir string, each func(path string, ref CropRef, err error)) error {
	top := filepath.Join(dir, cropsName, refsName)
	err := filepath.WalkDir(top, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() || !strings.HasSuffix(path, ".json") {
			return err
		}
		var ref CropRef
		err = readSealed(path, &ref)
		if err == nil && (!digestForm.MatchString(ref.SHA256) || !programmeForm.MatchString(ref.Programme) || !isDay(ref.Day) || ref.Bytes < 0 || refPath(dir, ref) != path) {
			err = fmt.Errorf("%s: names what it cannot be: %w", path, ErrDamaged)
		}
		each(path, ref, err)
		return nil
	})
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	return err
}

func (s *cropShelf) open(dir string, budget int64) error {
	s.dir, s.budget, s.refs = dir, budget, map[string][]CropRef{}
	err := readRefs(dir, func(_ string, ref CropRef, err error) {
		if err == nil { // Verify names the others
			s.note(ref)
		}
	})
	if err != nil {
		return err
	}
	err = filepath.WalkDir(filepath.Join(dir, cropsName, refsName), func(path string, entry fs.DirEntry, err error) error {
		if err == nil && !entry.IsDir() && strings.HasSuffix(path, temporary) {
			return os.Remove(path)
		}
		return err
	})
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	// A process that died between crop and ref, or between their removals, left crops
	// that nobody names.
	top := filepath.Join(dir, cropsName)
	shelves, err := os.ReadDir(top)
	if err != nil {
		if errors.Is(err, os.ErrNotExist) {
			return nil
		}
		return err
	}
	for _, shelf := range shelves {
		if len(shelf.Name()) != 2 || !shelf.IsDir() {
			continue
		}
		crops, err := os.ReadDir(filepath.Join(top, shelf.Name()))
		if err != nil {
			return err
		}
		for _, crop := range crops {
			if len(s.refs[crop.Name()]) == 0 {
				if err := os.Remove(filepath.Join(top, shelf.Name(), crop.Name())); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

func (s *cropShelf) note(ref CropRef) {
	if len(s.refs[ref.SHA256]) == 0 {
		s.bytes += ref.Bytes
	}
	s.refs[ref.SHA256] = append(s.refs[ref.SHA256], ref)
}

// KeepCrop keeps a crop of an input of a day (YYYY-MM-DD) under its name. Where it
// does not fit the budget the oldest days go first, but for days with a window or a
// hold; if those alone fill it the error is ErrBudget. A crop of the same content is
// kept once.
func (a *Archive) KeepCrop(programme, day, name string, content []byte) error {
	ref := CropRef{Programme: programme, Day: day, Name: name, SHA256: hexOf(content), Bytes: int64(len(content))}
	switch {
	case !programmeForm.MatchString(programme), !isDay(day), name == "", len(name) > 1000:
		return fmt.Errorf("archive: crop %q of programme %q and day %q: no names that can be kept", printable(name), printable(programme), printable(day))
	case len(content) > maxCropBytes:
		return fmt.Errorf("archive: crop %s: %d bytes, at most %d are kept", printable(name), len(content), maxCropBytes)
	}
	s := &a.crops
	s.mutex.Lock()
	defer s.mutex.Unlock()
	for _, known := range s.refs[ref.SHA256] {
		if known.Name == name && known.Programme == programme && known.Day == day {
			return nil
		}
	}
	if len(s.refs[ref.SHA256]) == 0 {
		if err := a.makeRoom(ref); err != nil {
			return fmt.Errorf("archive: crop %s, %d bytes: %w", printable(name), len(content), err)
		}
		path := cropPath(s.dir, ref.SHA256)
		if err := makeDirs(s.dir, filepath.Dir(path)); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
		if err := writeWhole(path, content); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	path := refPath(s.dir, ref)
	var old CropRef
	replaced := readSealed(path, &old) == nil
	encoded, err := seal(ref)
	if err == nil {
		err = makeDirs(s.dir, filepath.Dir(path))
	}
	if err == nil {
		err = writeWhole(path, encoded)
	}
	if err != nil {
		return fmt.Errorf("archive: %w", err)
	}
	if replaced {
		if err := s.forget(old); err != nil {
			return fmt.Errorf("archive: %w", err)
		}
	}
	s.note(ref)
	return nil
}

// forget takes a name off; the crop goes with its last one.
func (s *cropShelf) forget(ref CropRef) error {
	rest := slices.DeleteFunc(slices.Clone(s.refs[ref.SHA256]), func(other CropRef) bool { return other == ref })
	if len(rest) > 0 {
		s.refs[ref.SHA256] = rest
		return nil
	}
	if _, known := s.refs[ref.SHA256]; known {
		delete(s.refs, ref.SHA256)
		s.bytes -= ref.Bytes
	}
	if err := os.Remove(cropPath(s.dir, ref.SHA256)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return nil
}

// makeRoom removes crops of the oldest unpinned days until one more fits.
func (a *Archive) makeRoom(for_ CropRef) error {
	s := &a.crops
	if s.bytes+for_.Bytes <= s.budget {
		return nil
	}
	if for_.Bytes > s.budget {
		return ErrBudget
	}
	for _, ref := range a.removable(s.refs) {
		if s.bytes+for_.Bytes <= s.budget {
			return nil
		}
		if ref.Day >= for_.Day {
			break // not for what is older
		}
		if err := s.remove(ref); err != nil {
			return err
		}
	}
	if s.bytes+for_.Bytes > s.budget {
		return ErrBudget
	}
	return nil
}

func (s *cropShelf) remove(ref CropRef) error {
	if err := os.Remove(refPath(s.dir, ref)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return err
	}
	return s.forget(ref)
}

// removable lists crops of days without window and hold, the oldest first. A day
// whose manifest cannot be read counts as pinned.
func (r *Reader) removable(refs map[string][]CropRef) []CropRef {
	pinned := map[dayKey]bool{}
	var list []CropRef
	for _, of := range refs {
		for _, ref := range of {
			key := dayKey{ref.Programme, ref.Day}
			is, known := pinned[key]
			if !known {
				m, err := r.manifest(key)
				is = err != nil && !errors.Is(err, os.ErrNotExist) || err == nil && len(m.Pinned) > 0
				pinned[key] = is
			}
			if !is {
				list = append(list, ref)
			}
		}
	}
	slices.SortFunc(list, func(a, b CropRef) int {
		return strings.Compare(a.Day+"/"+a.Programme+"/"+a.Name, b.Day+"/"+b.Programme+"/"+b.Name)
	})
	return list
}

// Crop gives a kept crop by its SHA-256, or by the name under which it was kept (the
// newest of that name). Its content is checked.
func (r *Reader) Crop(nameOrDigest string) ([]byte, error) {
	digest := nameOrDigest
	if !digestForm.MatchString(digest) {
		var newest CropRef
		err := readRefs(r.dir, func(_ string, ref CropRef, err error) {
			if err == nil && ref.Name == nameOrDigest && ref.Day >= newest.Day {
				newest = ref
			}
		})
		if err != nil {
			return nil, fmt.Errorf("archive: %w", err)
		}
		if digest = newest.SHA256; digest == "" {
			return nil, fmt.Errorf("archive: %s: %w", printable(nameOrDigest), ErrNoCrop)
		}
	}
	path := cropPath(r.dir, digest)
	content, err := readBounded(path, maxCropBytes)
	if errors.Is(err, os.ErrNotExist) {
		return nil, fmt.Errorf("archive: %s: %w", printable(nameOrDigest), ErrNoCrop)
	}
	if err != nil {
		return nil, fmt.Errorf("archive: %w", err)
	}
	if found := hexOf(content); found != digest {
		return nil, fmt.Errorf("%s: SHA-256 of its content is %s: %w", path, found, ErrDamaged)
	}
	return content, nil
}

// Crops lists what is kept, by day and name.
func (r *Reader) Crops() ([]CropRef, error) {
	var refs []CropRef
	err := readRefs(r.dir, func(_ string, ref CropRef, err error) {
		if err == nil {
			refs = append(refs, ref)
		}
	})
	slices.SortFunc(refs, func(a, b CropRef) int {
		return strings.Compare(a.Day+"/"+a.Programme+"/"+a.Name, b.Day+"/"+b.Programme+"/"+b.Name)
	})
	return refs, err
}
