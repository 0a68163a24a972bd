package level2

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"hash/maphash"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/grid"
	"rimeline/ingest"
)

// Chunk is one piece of a volume as the radar sends it out.
type Chunk struct {
	Name  string // as stored: 20260811-225858-002-I; only its ending is read
	Bytes []byte
}

// ErrOtherVolume is the reason why a chunk was not taken: it is of another radar
// or of another turn of this one.
var ErrOtherVolume = errors.New("belongs to another volume")

// maxVolumeDuration: the slowest coverage patterns take 10 minutes.
const maxVolumeDuration = 20 * time.Minute

// Assembler puts chunks of one volume together, which may come in any order,
// twice, or not at all. Their order is taken from the radials, not from names.
// It is not safe for use by several goroutines at once.
type Assembler struct {
	file    string
	options Options
	seed    maphash.Seed
	have    map[uint64]bool
	header  volumeHeader
	stamp   string // the name of the volume in names of chunks
	numbers map[int]bool
	last    int // number of the chunk that ends the volume, 0 until it is there
	records []*record
	bytes   int
	errs    errorList
	radar   string
	first   time.Time // of any radial
}

// NewAssembler makes an empty one. Options.OnSweep is not used.
func NewAssembler(o Options) *Assembler {
	o.OnSweep = nil
	return &Assembler{options: o, seed: maphash.MakeSeed(), have: map[uint64]bool{}, numbers: map[int]bool{}}
}

// chunkName reads 20260811-225858-002-I: volume, number, kind.
func chunkName(name string) (stamp string, number int, kind string, ok bool) {
	part := strings.Split(path.Base(name), "-")
	if len(part) != 4 || len(part[3]) != 1 {
		return "", 0, "", false
	}
	number, err := strconv.Atoi(part[2])
	return part[0] + "-" + part[1], number, part[3], err == nil && number > 0 && number < 10000
}

// Add takes in one chunk and unfolds it. A chunk that is there already is passed
// over. A chunk of another volume is refused with ErrOtherVolume and changes
// nothing; of a damaged one the rest is kept, and the damage is returned here
// and again by Volume.
func (a *Assembler) Add(ctx context.Context, chunk Chunk) error {
	b := chunk.Bytes
	sum := maphash.Bytes(a.seed, b)
	if a.have[sum] {
		return nil
	}
	if !Sniff(b) {
		return &ingest.FormatError{File: chunk.Name, Detail: "begins with neither a volume header nor a bzip2 record", Err: ingest.ErrCorrupt}
	}
	var header volumeHeader
	at := 0
	if hasVolumeHeader(b) {
		var err error
		if header, err = readVolumeHeader(place{file: chunk.Name}, b); err != nil {
			return err
		}
		at = volumeHeaderBytes
	}
	stamp, number, kind, named := chunkName(chunk.Name)
	if named && a.stamp != "" && stamp != a.stamp {
		return a.otherVolume(chunk, "name of the volume %s, not %s", stamp, a.stamp)
	}
	pieces, splitErrs := splitRecords(chunk.Name, b, at)
	var errs errorList
	errs.add(splitErrs...)
	var records []*record
	err := readPieces(ctx, pieces, a.options, func(r *record) bool {
		errs.add(r.errs...)
		records = append(records, r)
		return true
	})
	if err != nil {
		return err
	}
	if err := a.check(chunk, header, records); err != nil {
		return err
	}
	size := 0
	for _, r := range records {
		size += r.size
	}
	if a.bytes+size > maxInflatedBytes {
		return &ingest.FormatError{File: chunk.Name, Detail: fmt.Sprintf("the volume unfolds to more than %d bytes", maxInflatedBytes), Err: ingest.ErrUnsupported}
	}
	a.bytes += size
	a.have[sum] = true
	if a.file == "" {
		a.file = chunk.Name
	}
	if at > 0 && a.header.version == "" {
		a.header = header
	}
	if named {
		a.stamp = stamp
		a.numbers[number] = true
		if kind == "E" {
			a.last = number
		}
	}
	for _, r := range records {
		if len(r.radials) > 0 && a.first.IsZero() {
			a.first = r.radials[0].time
		}
		if len(r.radials) > 0 && a.radar == "" {
			a.radar = r.radials[0].icao
		}
	}
	if a.radar == "" {
		a.radar = header.icao
	}
	a.records = append(a.records, records...)
	a.errs.add(errs.errs...)
	a.errs.more += errs.more
	return errs.join()
}

func (a *Assembler) otherVolume(chunk Chunk, format string, args ...any) error {
	return &ingest.FormatError{File: chunk.Name, Detail: fmt.Sprintf(format, args...), Err: ErrOtherVolume}
}

func (a *Assembler) check(chunk Chunk, header volumeHeader, records []*record) error {
	if header.icao != "" && a.radar != "" && header.icao != a.radar {
		return a.otherVolume(chunk, "radar %s, not %s", header.icao, a.radar)
	}
	if header.version != "" && a.header.version != "" && header != a.header {
		return a.otherVolume(chunk, "begins another volume")
	}
	if !header.start.IsZero() && !a.first.IsZero() && header.start.Sub(a.first).Abs() > maxVolumeDuration {
		return a.otherVolume(chunk, "begins at %s, radials are of %s", header.start.Format(time.RFC3339), a.first.Format(time.RFC3339))
	}
	for _, r := range records {
		if !r.status.IsZero() && !a.first.IsZero() && r.status.Sub(a.first).Abs() > maxVolumeDuration {
			return a.otherVolume(chunk, "messages of %s, radials of %s", r.status.Format(time.RFC3339), a.first.Format(time.RFC3339))
		}
		if len(r.radials) == 0 {
			continue
		}
		first := &r.radials[0]
		switch {
		case a.radar != "" && first.icao != "" && first.icao != a.radar:
			return a.otherVolume(chunk, "radar %s, not %s", first.icao, a.radar)
		case !a.first.IsZero() && first.time.Sub(a.first).Abs() > maxVolumeDuration,
			!a.header.start.IsZero() && first.time.Sub(a.header.start).Abs() > maxVolumeDuration:
			return a.otherVolume(chunk, "radials of %s", first.time.Format(time.RFC3339))
		}
		for _, other := range a.records {
			if len(other.radials) == 0 {
				continue
			}
			same := &other.radials[0]
			if same.elevationNumber == first.elevationNumber && same.azimuthNumber == first.azimuthNumber && same.time.Sub(first.time).Abs() > time.Second {
				return a.otherVolume(chunk, "elevation number %d, azimuth number %d is there already, of %s", first.elevationNumber, first.azimuthNumber, same.time.Format(time.RFC3339))
			}
		}
	}
	return nil
}

// Missing lists the numbers of chunks that are not there, as far as names tell:
// up to the last one where that is there, else up to the highest number.
func (a *Assembler) Missing() []int {
	last := a.last
	for number := range a.numbers {
		last = max(last, number)
	}
	var missing []int
	for number := 1; number <= last; number++ {
		if !a.numbers[number] {
			missing = append(missing, number)
		}
	}
	return missing
}

// Volume gives what has come so far: the sweeps in the order of the radar, the
// one that is under way as far as it goes. It may be called after every chunk;
// each call makes a new volume over the same gates. The error tells what was
// damaged; the volume is nil where nothing has come.
func (a *Assembler) Volume() (*grid.Volume, error) {
	if len(a.have) == 0 {
		return nil, &ingest.FormatError{File: a.file, Detail: "no chunk has come", Err: ingest.ErrTruncated}
	}
	records := slices.Clone(a.records)
	slices.SortStableFunc(records, func(x, y *record) int {
		return cmp.Or(cmp.Compare(x.firstElevation(), y.firstElevation()), cmp.Compare(x.firstAzimuth(), y.firstAzimuth()))
	})
	b := newVolumeBuilder(a.file)
	b.header = a.header
	b.skipRepeated = true
	for _, r := range records {
		b.add(r)
	}
	if missing := a.Missing(); len(missing) > 0 {
		b.note("chunks missing: %s", numberRanges(missing))
	}
	v := b.finish()
	if v.Radar == "" {
		v.Radar = a.radar
	}
	errs := errorList{slices.Clone(a.errs.errs), a.errs.more}
	return v, errs.join()
}

func (r *record) firstElevation() int {
	if len(r.radials) == 0 {
		return 0
	}
	return r.radials[0].elevationNumber
}

func (r *record) firstAzimuth() int {
	if len(r.radials) == 0 {
		return 0
	}
	return r.radials[0].azimuthNumber
}

// numberRanges prints 3, 5-7.
func numberRanges(numbers []int) string {
	var text bytes.Buffer
	for k := 0; k < len(numbers); k++ {
		from := k
		for k+1 < len(numbers) && numbers[k+1] == numbers[k]+1 {
			k++
		}
		if from > 0 {
			text.WriteString(", ")
		}
		fmt.Fprint(&text, numbers[from])
		if k > from {
			fmt.Fprintf(&text, "-%d", numbers[k])
		}
	}
	return text.String()
}

// DecodeChunks puts the chunks of one volume together. Damage and chunks of
// another volume are told in the error, beside the volume of the others.
func DecodeChunks(ctx context.Context, chunks []Chunk, o Options) (*grid.Volume, error) {
	a := NewAssembler(o)
	var refused errorList
	for _, chunk := range chunks {
		err := a.Add(ctx, chunk)
		if ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if err != nil && !a.have[maphash.Bytes(a.seed, chunk.Bytes)] {
			refused.add(err)
		}
	}
	v, err := a.Volume()
	if err != nil {
		refused.add(err)
	}
	return v, refused.join()
}
