package archive

import (
	"context"
	"encoding/hex"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"golang.org/x/sys/unix"
)

// Problem is one thing in an archive that is not as it was written.
type Problem struct {
	// File, from the archive's folder on.
	File string `json:"file"`
	// What is wrong: missing, extra, truncated, changed, unreadable, damaged.
	What string `json:"what"`
	// Expected and Found, where there are such.
	Expected string `json:"expected,omitempty"`
	Found    string `json:"found,omitempty"`
}

func (p Problem) String() string {
	text := p.File + ": " + p.What
	if p.Expected != "" || p.Found != "" {
		text += ": expected " + p.Expected + ", found " + p.Found
	}
	return text
}

// Progress of Verify.
type Progress struct {
	Programme, Day string
	Days, Of       int
	Bytes          int64
}

// verifier collects problems.
type verifier struct {
	ctx      context.Context
	dir      string
	problems []Problem
	bytes    int64
}

func (v *verifier) add(path, what, expected, found string) {
	if relative, err := filepath.Rel(v.dir, path); err == nil {
		path = relative
	}
	v.problems = append(v.problems, Problem{path, what, expected, found})
}

// Verify reads every file of an archive and compares it with what the manifests say;
// the content of tables and messages is read too. progress may be nil. What a writer
// has in hand at this moment is left out.
func Verify(ctx context.Context, dir string, progress func(Progress)) ([]Problem, error) {
	v := &verifier{ctx: ctx, dir: dir}
	r, err := OpenReader(dir)
	if err != nil {
		if errors.Is(err, ErrDamaged) {
			v.add(filepath.Join(dir, formatName), "damaged", "", err.Error())
			return v.problems, nil
		}
		return nil, err
	}
	var known positions
	if err := readSealed(filepath.Join(dir, positionsName), &known); err != nil && !errors.Is(err, os.ErrNotExist) {
		v.add(filepath.Join(dir, positionsName), "damaged", "", err.Error())
	}
	programmes, err := r.Programmes()
	if err != nil {
		return nil, err
	}
	if entries, err := os.ReadDir(dir); err == nil {
		for _, entry := range entries {
			known := slices.Contains([]string{formatName, positionsName, positionsName + temporary, lockName, cropsName}, entry.Name()) || slices.Contains(programmes, entry.Name())
			if !known {
				v.add(filepath.Join(dir, entry.Name()), "extra", "", "")
			}
		}
	}
	type dayAt struct{ programme, name string }
	var days []dayAt
	for _, programme := range programmes {
		entries, err := os.ReadDir(filepath.Join(dir, programme))
		if err != nil {
			return v.problems, err
		}
		for _, entry := range entries {
			switch name := entry.Name(); {
			case strings.HasPrefix(name, goneBefore), strings.HasPrefix(name, unfinishedBefore):
				if !v.locked() {
					v.add(filepath.Join(dir, programme, name), "extra", "", "")
				}
			case !entry.IsDir() || !isDay(name):
				v.add(filepath.Join(dir, programme, name), "extra", "", "")
			default:
				days = append(days, dayAt{programme, name})
			}
		}
	}
	for k, d := range days {
		if err := ctx.Err(); err != nil {
			return v.problems, err
		}
		v.day(r, d.programme, d.name)
		if progress != nil {
			progress(Progress{Programme: d.programme, Day: d.name, Days: k + 1, Of: len(days), Bytes: v.bytes})
		}
	}
	v.crops()
	return v.problems, ctx.Err()
}

// day verifies a day; again where it was replaced meanwhile.
func (v *verifier) day(r *Reader, programme, name string) {
	dayDir := filepath.Join(v.dir, programme, name)
	for try := 0; ; try++ {
		before := len(v.problems)
		m, err := readManifest(dayDir, programme, name)
		if err != nil {
			what := "unreadable"
			switch {
			case errors.Is(err, os.ErrNotExist):
				what = "missing"
			case errors.Is(err, ErrDamaged):
				what = "damaged"
			}
			v.add(filepath.Join(dayDir, manifestName), what, "", err.Error())
			return
		}
		v.files(dayDir, m)
		again, err := readManifest(dayDir, programme, name)
		if len(v.problems) > before && try < 5 && err == nil && again.Generation != m.Generation {
			v.problems = v.problems[:before]
			continue
		}
		return
	}
}

// locked: somebody writes the archive, and what is unfinished may be in hand.
func (v *verifier) locked() bool {
	f, err := os.Open(filepath.Join(v.dir, lockName))
	if err != nil {
		return false
	}
	defer f.Close()
	return errors.Is(unix.Flock(int(f.Fd()), unix.LOCK_SH|unix.LOCK_NB), unix.EWOULDBLOCK)
}

func (v *verifier) files(dayDir string, m *Manifest) {
	folder := filepath.Join(dayDir, m.Folder)
	for _, entry := range m.Files {
		path := filepath.Join(folder, entry.Name)
		info, err := os.Stat(path)
		switch {
		case errors.Is(err, os.ErrNotExist):
			v.add(path, "missing", fmt.Sprintf("%d bytes", entry.Bytes), "nothing")
			continue
		case err != nil:
			v.add(path, "unreadable", "", err.Error())
			continue
		case info.Size() != entry.Bytes:
			what := "changed"
			if info.Size() < entry.Bytes {
				what = "truncated"
			}
			v.add(path, what, fmt.Sprintf("%d bytes", entry.Bytes), fmt.Sprintf("%d bytes", info.Size()))
			continue
		}
		v.bytes += entry.Bytes
		found, err := digestOfFile(path)
		if err != nil {
			v.add(path, "unreadable", "", err.Error())
			continue
		}
		if found != entry.SHA256 {
			v.add(path, "changed", "SHA-256 "+entry.SHA256, "SHA-256 "+found)
			continue
		}
		v.content(path, entry, m)
	}
	v.extras(dayDir, m)
}

// content reads what a file says, beyond that its bytes are those that were written.
func (v *verifier) content(path string, entry File, m *Manifest) {
	if _, ok := kindOfFile(entry.Name); ok {
		err := readLines(v.ctx, path, "", entry.Rows, func(l *line) bool { return true })
		if err != nil && v.ctx.Err() == nil {
			v.add(path, "unreadable", "", err.Error())
		}
		return
	}
	table, ok := strings.CutSuffix(entry.Name, ".parquet")
	l := layoutNamed(table)
	if !ok || l == nil {
		return
	}
	r, err := openParquet(path, l)
	if err != nil {
		v.add(path, "unreadable", "", err.Error())
		return
	}
	defer r.Close()
	if rows := m.Tables[table].Rows; r.rows != rows || r.rows != entry.Rows {
		v.add(path, "damaged", fmt.Sprintf("%d rows", rows), fmt.Sprintf("%d rows", r.rows))
		return
	}
	if table != tableIndex {
		return
	}
	b, err := r.read(0, r.rows, []int{l.at("key"), l.sequence})
	if err != nil {
		v.add(path, "unreadable", "", err.Error())
		return
	}
	seen := map[string]bool{}
	for k, key := range b.columns[0].Texts {
		if seen[key] {
			v.add(path, "damaged", "each message once", fmt.Sprintf("message %d twice", b.columns[1].Ints[k]))
		}
		if raw, err := hex.DecodeString(key); err != nil || len(raw) != 16 {
			v.add(path, "damaged", "a key of 32 hexadecimal digits", printable(key))
		}
		seen[key] = true
	}
}

// extras are files that nothing names.
func (v *verifier) extras(dayDir string, m *Manifest) {
	entries, err := os.ReadDir(dayDir)
	if err != nil {
		v.add(dayDir, "unreadable", "", err.Error())
		return
	}
	locked := v.locked()
	for _, entry := range entries {
		name := entry.Name()
		writing := strings.HasPrefix(name, unfinishedBefore) || folderForm.MatchString(name) || name == manifestName+temporary
		if name != manifestName && name != m.Folder && !(locked && writing) {
			v.add(filepath.Join(dayDir, name), "extra", "", "")
		}
	}
	inside, err := os.ReadDir(filepath.Join(dayDir, m.Folder))
	if err != nil {
		v.add(filepath.Join(dayDir, m.Folder), "unreadable", "", err.Error())
		return
	}
	for _, entry := range inside {
		if _, ok := m.file(entry.Name()); !ok {
			v.add(filepath.Join(dayDir, m.Folder, entry.Name()), "extra", "", "")
		}
	}
}

func (v *verifier) crops() {
	named := map[string]int64{}
	err := readRefs(v.dir, func(path string, ref CropRef, err error) {
		if err != nil {
			v.add(path, "damaged", "", err.Error())
			return
		}
		named[ref.SHA256] = ref.Bytes
	})
	if err != nil {
		v.add(filepath.Join(v.dir, cropsName), "unreadable", "", err.Error())
	}
	for digest, bytes := range named {
		path := cropPath(v.dir, digest)
		info, err := os.Stat(path)
		switch {
		case errors.Is(err, os.ErrNotExist):
			v.add(path, "missing", fmt.Sprintf("%d bytes", bytes), "nothing")
			continue
		case err != nil:
			v.add(path, "unreadable", "", err.Error())
			continue
		case info.Size() < bytes:
			v.add(path, "truncated", fmt.Sprintf("%d bytes", bytes), fmt.Sprintf("%d bytes", info.Size()))
			continue
		}
		v.bytes += bytes
		if found, err := digestOfFile(path); err != nil {
			v.add(path, "unreadable", "", err.Error())
		} else if found != digest {
			v.add(path, "changed", "SHA-256 "+digest, "SHA-256 "+found)
		}
	}
	top := filepath.Join(v.dir, cropsName)
	locked := v.locked()
	err = filepath.WalkDir(top, func(path string, entry fs.DirEntry, err error) error {
		if err != nil || entry.IsDir() {
			return err
		}
		relative, err := filepath.Rel(top, path)
		if err != nil {
			return err
		}
		if strings.HasPrefix(relative, refsName+string(filepath.Separator)) {
			if !strings.HasSuffix(path, ".json") && !locked {
				v.add(path, "extra", "", "")
			}
			return nil
		}
		if _, ok := named[filepath.Base(path)]; !ok && !locked {
			v.add(path, "extra", "", "")
		}
		return nil
	})
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		v.add(top, "unreadable", "", err.Error())
	}
}

func digestOfFile(path string) (string, error) {
	f, err := os.Open(path)
	if err != nil {
		return "", err
	}
	defer f.Close()
	return digestOfReader(f)
}
