package archive

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"
)

// FormatVersion is the version of the layout that this program writes and reads.
const FormatVersion = 1

// Names in the archive's folder.
const (
	formatName    = "format.json"
	positionsName = "positions.json"
	lockName      = "lock"
	cropsName     = "crops"
	manifestName  = "manifest.json"
	// serviceName holds messages of no programme; no programme can be called so.
	serviceName = "_service"
	dayForm     = "2006-01-02"
)

// Ceilings of what is read.
const (
	maxSealedBytes = 64 << 20
	maxFiles       = 200
	maxRanges      = 1000
	maxGroups      = 100_000
	maxFooterBytes = 16 << 20
)

// ErrDamaged: a file of the archive is not what was written.
var ErrDamaged = errors.New("damaged")

// format is the content of format.json.
type format struct {
	Format  string `json:"format"`
	Version int    `json:"version"`
	Program string `json:"program"`
}

// positions is the content of positions.json.
type positions struct {
	// Positions are, by kind, the number of the message up to which all lie in verified
	// files; Made is when the stream was made that counts so.
	Positions map[string]uint64    `json:"positions"`
	Made      map[string]time.Time `json:"made"`
}

// Manifest says what a day has. It is replaced whole when the day changes.
type Manifest struct {
	Version    int    `json:"version"`
	Programme  string `json:"programme"`
	Day        string `json:"day"`
	Generation uint64 `json:"generation"`
	// Folder with the files, beside the manifest.
	Folder string `json:"folder"`
	// Written when; ProgramVersions wrote or made what the day has, in the order in
	// which they came, and ProgrammeDigests are the programme files in force (SHA-256).
	Written          time.Time `json:"written"`
	ProgramVersions  []string  `json:"program_versions"`
	ProgrammeDigests []string  `json:"programme_digests"`
	Files            []File    `json:"files"`
	// Streams by kind of message.
	Streams map[string]Stream `json:"streams"`
	// Tables by name, each with the rows of its groups (sites, for most).
	Tables map[string]TableRows `json:"tables"`
	// Events in all; Unread of them are in no table, for the reasons in Notes: the
	// message is newer than this program, or not what its type says.
	Events int      `json:"events"`
	Unread int      `json:"unread"`
	Notes  []string `json:"notes,omitempty"`
	// Pinned says why crops of the day are kept before those of other days: a window,
	// a hold.
	Pinned []string `json:"pinned,omitempty"`
	// AssessmentBytes is how much room the day takes for each assessment.
	AssessmentBytes float64 `json:"bytes_per_assessment,omitempty"`
}

// File is one file of a day.
type File struct {
	Name   string `json:"name"`
	Bytes  int64  `json:"bytes"`
	SHA256 string `json:"sha256"`
	Rows   int64  `json:"rows"`
	// First and Last time of its rows; left out where they have none.
	First time.Time `json:"first,omitzero"`
	Last  time.Time `json:"last,omitzero"`
	// FooterBytes at the end of a Parquet file say what lies where. They are compared
	// before anything is read by them; pages have sums of their own.
	FooterBytes  int64  `json:"footer_bytes,omitempty"`
	FooterSHA256 string `json:"footer_sha256,omitempty"`
}

// Stream is which messages of one kind a day has. What is missing between First and
// Last lies in other days or programmes, or was never seen; over all days of all
// programmes Gaps says what the archive lacks.
type Stream struct {
	First uint64 `json:"first"`
	Last  uint64 `json:"last"`
	Count int    `json:"count"`
	// Ranges of sequences, each first and last, rising; only the first thousand.
	Ranges [][2]uint64 `json:"ranges"`
	// More ranges follow that are not listed.
	More int `json:"more,omitempty"`
}

// TableRows is where the rows of each group of a table are.
type TableRows struct {
	Rows   int64   `json:"rows"`
	Groups []Group `json:"groups"`
}

// Group is the rows of one site (or kind, or route), which lie together.
type Group struct {
	Name string `json:"name"`
	From int64  `json:"from"`
	Rows int64  `json:"rows"`
}

func (t TableRows) group(name string) (Group, bool) {
	for _, g := range t.Groups {
		if g.Name == name {
			return g, true
		}
	}
	return Group{}, false
}

func (m *Manifest) file(name string) (File, bool) {
	for _, f := range m.Files {
		if f.Name == name {
			return f, true
		}
	}
	return File{}, false
}

// A sealed file is JSON: an object of the digest of its content, and the content.
const (
	sealBefore  = `{"sha256":"`
	sealBetween = `","content":`
	sealAfter   = "}\n"
)

// seal encodes a value with its digest in front.
func seal(value any) ([]byte, error) {
	content, err := json.Marshal(value)
	if err != nil {
		return nil, err
	}
	return []byte(sealBefore + hexOf(content) + sealBetween + string(content) + sealAfter), nil
}

// unseal checks the digest of a sealed file, byte for byte, and decodes its content.
func unseal(name string, b []byte, into any) error {
	rest, ok := bytes.CutPrefix(b, []byte(sealBefore))
	if !ok || len(rest) < 2*sha256.Size+len(sealBetween)+len(sealAfter) {
		return fmt.Errorf("%s: byte 0: no sealed file, or cut off after %d bytes: %w", name, len(b), ErrDamaged)
	}
	digest, rest := string(rest[:2*sha256.Size]), rest[2*sha256.Size:]
	content, before := bytes.CutPrefix(rest, []byte(sealBetween))
	content, after := bytes.CutSuffix(content, []byte(sealAfter))
	if !before || !after {
		return fmt.Errorf("%s: no sealed file, or cut off after %d bytes: %w", name, len(b), ErrDamaged)
	}
	if found := hexOf(content); found != digest {
		return fmt.Errorf("%s: SHA-256 of its content is %s, it says %s: %w", name, found, printable(digest), ErrDamaged)
	}
	if err := json.Unmarshal(content, into); err != nil {
		return fmt.Errorf("%s: %w: %w", name, err, ErrDamaged)
	}
	return nil
}

// readSealed reads a sealed file of bounded size.
func readSealed(path string, into any) error {
	b, err := readBounded(path, maxSealedBytes)
	if err != nil {
		return err
	}
	return unseal(path, b, into)
}

func readBounded(path string, most int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, err
	}
	if info.Size() > most || !info.Mode().IsRegular() {
		return nil, fmt.Errorf("%s: %d bytes, at most %d of a regular file are read: %w", path, info.Size(), most, ErrDamaged)
	}
	return os.ReadFile(path)
}

// programmeForm is how programmes are called; other folders are none of ours.
var programmeForm = regexp.MustCompile(`^([A-Za-z0-9][A-Za-z0-9_-]{0,63}|` + serviceName + `)$`)

var (
	fileForm   = regexp.MustCompile(`^[a-z][a-z0-9._-]{0,100}$`)
	folderForm = regexp.MustCompile(`^g[0-9]{6,18}$`)
	digestForm = regexp.MustCompile(`^[0-9a-f]{64}$`)
)

func folderOf(generation uint64) string { return fmt.Sprintf("g%06d", generation) }

// check names the first thing that no manifest of ours could say.
func (m *Manifest) check(programme, day string) error {
	switch {
	case m.Version != FormatVersion:
		return fmt.Errorf("version %d, this program reads version %d", m.Version, FormatVersion)
	case m.Programme != programme || m.Day != day:
		return fmt.Errorf("it is of programme %q and day %q", printable(m.Programme), printable(m.Day))
	case !folderForm.MatchString(m.Folder):
		return fmt.Errorf("folder %q", printable(m.Folder))
	case len(m.Files) > maxFiles:
		return fmt.Errorf("%d files, at most %d", len(m.Files), maxFiles)
	}
	seen := map[string]bool{}
	for _, f := range m.Files {
		if !fileForm.MatchString(f.Name) || !digestForm.MatchString(f.SHA256) || f.Bytes < 0 || f.Rows < 0 || seen[f.Name] {
			return fmt.Errorf("file %q: its name, size, digest or number of rows cannot be", printable(f.Name))
		}
		if f.FooterSHA256 != "" && (!digestForm.MatchString(f.FooterSHA256) || f.FooterBytes < 8 || f.FooterBytes > min(f.Bytes, maxFooterBytes)) {
			return fmt.Errorf("file %q: its footer of %d bytes cannot be", printable(f.Name), f.FooterBytes)
		}
		seen[f.Name] = true
	}
	for name, t := range m.Tables {
		next := int64(0)
		if len(t.Groups) > maxGroups {
			return fmt.Errorf("table %s: %d groups", printable(name), len(t.Groups))
		}
		for _, g := range t.Groups {
			if g.From != next || g.Rows < 0 || g.Rows > t.Rows-next {
				return fmt.Errorf("table %s: rows of %q", printable(name), printable(g.Name))
			}
			next += g.Rows
		}
		if next != t.Rows {
			return fmt.Errorf("table %s: %d rows, its groups have %d", printable(name), t.Rows, next)
		}
	}
	for kind, s := range m.Streams {
		if s.Count < 0 || s.First > s.Last {
			return fmt.Errorf("stream %s", printable(kind))
		}
	}
	return nil
}

// readManifest reads the manifest of a day's folder.
func readManifest(dayDir, programme, day string) (*Manifest, error) {
	path := filepath.Join(dayDir, manifestName)
	m := &Manifest{}
	if err := readSealed(path, m); err != nil {
		return nil, err
	}
	if err := m.check(programme, day); err != nil {
		return nil, fmt.Errorf("%s: %w: %w", path, err, ErrDamaged)
	}
	return m, nil
}

// streamOf sums sequences up; they are sorted in place.
func streamOf(sequences []uint64) Stream {
	s := Stream{Count: len(sequences), Ranges: [][2]uint64{}}
	if len(sequences) == 0 {
		return s
	}
	s.First, s.Last = sequences[0], sequences[len(sequences)-1]
	from := sequences[0]
	for k, sequence := range sequences {
		if k+1 < len(sequences) && sequences[k+1] <= sequence+1 {
			continue
		}
		if len(s.Ranges) < maxRanges {
			s.Ranges = append(s.Ranges, [2]uint64{from, sequence})
		} else {
			s.More++
		}
		if k+1 < len(sequences) {
			from = sequences[k+1]
		}
	}
	return s
}

func hexOf(b []byte) string {
	digest := sha256.Sum256(b)
	return hex.EncodeToString(digest[:])
}

// printable makes text from outside fit for a message.
func printable(text string) string {
	quoted := strconv.QuoteToASCII(text)
	quoted = quoted[1 : len(quoted)-1]
	if len(quoted) > 100 {
		quoted = quoted[:100] + "..."
	}
	return quoted
}

// placeOf splits a subject: rimeline.<programme>.<kind>.<site>, or
// rimeline.<kind>.<site> for kinds of no programme.
func placeOf(subject string) (programme, site string, err error) {
	words := strings.Split(subject, ".")
	switch {
	case len(words) == 4 && words[0] == "rimeline" && programmeForm.MatchString(words[1]):
		return words[1], words[3], nil
	case len(words) == 3 && words[0] == "rimeline":
		return serviceName, words[2], nil
	}
	return "", "", fmt.Errorf("subject %q is none of rimeline's", printable(subject))
}
