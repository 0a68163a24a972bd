package source

import (
	"cmp"
	"context"
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"rimeline/ingest/feed"
)

// lastVolume is the number after which volumes are numbered from 1 again.
const lastVolume = 999

// Limits of following a radar.
const (
	// pieceGrace: a volume whose last piece is there while others are missing
	// is given so long to become whole. Pieces are stored within seconds.
	pieceGrace = 30 * time.Second
	// lostAfter: without any new piece for so long the newest volume is searched
	// anew, since the radar may have skipped numbers. Between two volumes a radar
	// is silent for seconds.
	lostAfter = 6 * time.Minute
	// slowestVolume: one that has just ended is not old, whatever the look back.
	slowestVolume = 20 * time.Minute
	// maxVolumesAPoll bounds one poll after a pause; half an hour has 7.
	maxVolumesAPoll = 60
)

// chunksLook follows the volumes of one radar in a bucket of pieces.
//
// The newest volume is searched once: the numbers that are there are listed,
// and since their times rise from one number to the next, but for the one
// place where the ring closes, bisection finds the newest in ten listings. From
// then on a poll lists what is new of the current volume and, where that is
// over or silent, the beginning of the next number.
type chunksLook struct {
	f       Fetcher
	s       Source
	station string
	pattern *pattern

	current  *volume
	newest   time.Time // start of the newest volume announced
	finished time.Time // when its last piece was stored
	gap      time.Duration
	first    time.Time
	lastNews time.Time
	searched time.Time
	skipped  int
}

// volume is one turn of the radar as far as it is stored.
type volume struct {
	number int
	start  time.Time
	pieces map[int]piece
	last   string // key
}

type piece struct {
	entry
	kind string // S, I, E
}

func newChunksLook(f Fetcher, s Source, station string) (*chunksLook, error) {
	p, err := compile(s.Templates["file"], Values{"station": station})
	if err != nil {
		return nil, err
	}
	return &chunksLook{f: f, s: s, station: station, pattern: p}, nil
}

// end gives the number of the volume's last piece, 0 until that is there.
func (v *volume) end() int {
	for number, p := range v.pieces {
		if p.kind == "E" {
			return number
		}
	}
	return 0
}

// whole tells whether every piece is there.
func (v *volume) whole() bool {
	end := v.end()
	return end > 0 && len(v.pieces) == end
}

// published is when the newest piece was stored.
func (v *volume) published() time.Time {
	var newest time.Time
	for _, p := range v.pieces {
		if p.LastModified.After(newest) {
			newest = p.LastModified
		}
	}
	return newest
}

func (l *chunksLook) poll(ctx context.Context, now time.Time) ([]Object, error) {
	if l.first.IsZero() {
		l.first, l.lastNews = now, now
	}
	if l.current == nil || now.Sub(l.lastNews) > lostAfter && now.Sub(l.searched) > lostAfter {
		if err := l.search(ctx, now); err != nil || l.current == nil {
			return nil, err
		}
	}
	var found []Object
	for range maxVolumesAPoll {
		news, err := l.refresh(ctx, l.current, now)
		if err != nil {
			return found, err
		}
		v := l.current
		over := v.whole() || v.end() > 0 && now.Sub(v.published()) > pieceGrace
		if !over && (news || v.end() > 0) {
			return found, nil // arriving
		}
		next, err := l.list(ctx, v.number%lastVolume+1)
		if err != nil {
			// The volume is over all the same.
			return l.announce(found, v, over, now), err
		}
		begun := next != nil && next.start.After(v.start)
		if begun && !over {
			// Its end may have been stored between the two listings.
			if _, err := l.refresh(ctx, v, now); err != nil {
				return found, err
			}
		}
		found = l.announce(found, v, over || begun, now)
		if !begun {
			return found, nil
		}
		l.current, l.lastNews = next, now
	}
	return found, nil
}

// announce adds a volume that is over, unless that was done before or it is
// older than the look back.
func (l *chunksLook) announce(found []Object, v *volume, over bool, now time.Time) []Object {
	if !over || !v.start.After(l.newest) || len(v.pieces) == 0 {
		return found
	}
	if !l.newest.IsZero() {
		l.gap = v.start.Sub(l.newest)
	}
	l.newest, l.finished = v.start, v.published()
	if now.Sub(v.start) > max(l.s.LookBack, slowestVolume) {
		return found
	}
	o := Object{
		Source: l.s.Name, Kind: l.s.Kind, Station: l.station, ID: fmt.Sprintf("%s/%s/%s", l.s.Name, l.station, stamp(v.start)),
		ReferenceTime: v.start, ValidTime: v.start, Published: l.finished, Complete: v.whole(),
	}
	numbers := make([]int, 0, len(v.pieces))
	for n := range v.pieces {
		numbers = append(numbers, n)
	}
	slices.Sort(numbers)
	for _, n := range numbers {
		o.Parts = append(o.Parts, v.pieces[n].part())
	}
	return append(found, o)
}

// refresh lists what is new of a volume. A remnant of an earlier turn of the
// ring below the same number is left; a later one replaces the volume.
func (l *chunksLook) refresh(ctx context.Context, v *volume, now time.Time) (news bool, err error) {
	entries, err := list(ctx, l.f, l.s, l.prefix(v.number), v.last)
	if err != nil {
		return false, err
	}
	for _, e := range entries {
		news = l.take(v, e) || news
	}
	if news {
		l.lastNews = now
	}
	return news, nil
}

// take puts a piece into its volume.
func (l *chunksLook) take(v *volume, e entry) bool {
	v.last = max(v.last, e.key)
	values, ok := l.pattern.read(e.key)
	at, okTime := values.time()
	number, okNumber := values.number("chunk")
	if !ok || !okTime || !okNumber || number < 1 {
		l.skipped++
		return false
	}
	switch {
	case at.Before(v.start):
		return false
	case at.After(v.start):
		v.start, v.pieces = at, map[int]piece{}
	}
	v.pieces[number] = piece{e, values["part"]}
	return true
}

// list gives the newest volume stored below a number, nil where there is none.
func (l *chunksLook) list(ctx context.Context, number int) (*volume, error) {
	v := &volume{number: number, pieces: map[int]piece{}}
	entries, err := list(ctx, l.f, l.s, l.prefix(number), "")
	if err != nil {
		return nil, err
	}
	for _, e := range entries {
		l.take(v, e)
	}
	if len(v.pieces) == 0 {
		return nil, nil
	}
	return v, nil
}

// prefix of one volume number.
func (l *chunksLook) prefix(number int) string {
	prefix, _ := Expand(l.s.Templates["file"], Values{"station": l.station, "volume": strconv.Itoa(number)})
	return prefix
}

// search finds the newest volume and goes back from it to the first that
// started within the look back.
func (l *chunksLook) search(ctx context.Context, now time.Time) error {
	l.searched = now
	numbers, err := l.numbers(ctx)
	if err != nil || len(numbers) == 0 {
		return err
	}
	have := map[int]*volume{}
	at := func(k int) (*volume, error) {
		if v, ok := have[k]; ok {
			return v, nil
		}
		v, err := l.list(ctx, numbers[k])
		if err == nil {
			if v == nil {
				v = &volume{number: numbers[k], pieces: map[int]piece{}} // deleted meanwhile
			}
			have[k] = v
		}
		return v, err
	}
	first, err := at(0)
	if err != nil {
		return err
	}
	low, high := 0, len(numbers)-1
	for low < high {
		middle := (low + high + 1) / 2
		v, err := at(middle)
		if err != nil {
			return err
		}
		if v.start.Before(first.start) {
			high = middle - 1
		} else {
			low = middle
		}
	}
	newest, err := at(low)
	if err != nil {
		return err
	}
	if len(newest.pieces) == 0 || l.current != nil && !newest.start.After(l.current.start) {
		return nil
	}
	// Back to the first volume that is wanted and was not announced.
	since := now.Add(-l.s.LookBack)
	if l.newest.After(since) {
		since = l.newest.Add(time.Second)
	}
	start := newest
	for k, steps := low, 0; steps < maxVolumesAPoll && start.start.After(since); steps++ {
		k = (k + len(numbers) - 1) % len(numbers)
		before, err := at(k)
		if err != nil {
			return err
		}
		if before.start.Before(since) || !before.start.Before(start.start) || before.number != (start.number+lastVolume-2)%lastVolume+1 {
			break
		}
		start = before
	}
	l.current, l.lastNews = start, now
	return nil
}

// numbers lists the volume numbers that are there, in their order.
func (l *chunksLook) numbers(ctx context.Context) ([]int, error) {
	prefix, _ := Expand(l.s.Templates["file"], Values{"station": l.station})
	listing, err := l.f.ListS3(ctx, l.s.BaseURL, feed.ListQuery{Prefix: prefix, Delimiter: "/", Max: pageKeys})
	if err != nil {
		return nil, err
	}
	var numbers []int
	for _, p := range listing.Prefixes {
		n, err := strconv.Atoi(path.Base(strings.TrimSuffix(p, "/")))
		if err != nil || n < 1 || n > lastVolume {
			l.skipped++
			continue
		}
		numbers = append(numbers, n)
	}
	slices.SortFunc(numbers, func(a, b int) int { return cmp.Compare(a, b) })
	return slices.Compact(numbers), nil
}

func (l *chunksLook) state(now time.Time) state {
	st := state{newest: l.newest, skipped: l.skipped, expected: l.first}
	if !l.newest.IsZero() {
		cadence := l.s.Cadence
		if l.gap > 0 {
			cadence = min(max(l.gap, cadence/2), 2*cadence)
		}
		st.expected = l.newest.Add(cadence + l.s.lag(l.newest, l.finished))
	}
	st.due = l.s.again(st.expected, now)
	return st
}
