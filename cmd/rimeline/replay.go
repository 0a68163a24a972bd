package main

import (
	"bufio"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"path/filepath"
	"runtime"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/google/renameio/v2"

	"rimeline/cmd/internal/clock"
	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// replayCommand makes scores and outlooks again from an archive.
type replayCommand struct {
	Archive     string `required:"" type:"existingdir" placeholder:"DIR" help:"Folder of the archive."`
	From        string `placeholder:"TIME" help:"First moment: 2026-01-14 or 2026-01-14T05:00Z; left out: the beginning."`
	To          string `placeholder:"TIME" help:"Moments before this; left out: the end."`
	Programme   string `type:"existingfile" placeholder:"FILE" help:"Judge by this programme file; left out: by the file that was in force."`
	ProgrammeID string `name:"programme-id" placeholder:"ID" help:"Of which programme, where the archive has several."`
	Against     string `enum:"archive,none" default:"archive" placeholder:"WHAT" help:"archive: compare with what was published. none: only write --out."`
	Holds       string `enum:"auto,archive,again" default:"auto" placeholder:"WHICH" help:"archive: holds as they were judged. again: judge the criteria again. auto: again where --programme has other criteria."`
	Out         string `type:"path" placeholder:"FILE" help:"Write what was made as CloudEvents, one a line."`
	Workers     int    `default:"0" placeholder:"N" help:"How many jobs at once; the result does not depend on it. 0: one for each processor."`
}

func (replayCommand) Help() string {
	return `Makes every archived score and outlook again from the crops that it names, by the same code as the service, and compares them byte by byte. The same program with the same programme file gives the same bytes. With another one the differences are told in hours by site, and as windows gained, lost and moved.

Moments are those of the archive. Holds are as they were judged then, unless another programme file has other criteria, inputs of criteria, sites or targets: then the criteria are judged again from the archived messages, at the moments of the scores.

Examples:

    rimeline replay --archive archive --from 2026-01-14 --to 2026-01-15
    rimeline replay --archive archive --from 2026-01-14T05:00Z --to 2026-01-14T11:00Z --programme changed.yaml
    rimeline replay --archive archive --against none --out again.ndjson

Exit status: 0 all is equal, 1 something differs, could not be made again or could not be read, or there was nothing, 2 wrong usage.`
}

func (c *replayCommand) Run(env *environment) error {
	from, err := dayOrTime("--from", c.From)
	if err != nil {
		return err
	}
	to, err := dayOrTime("--to", c.To)
	if err != nil {
		return err
	}
	switch {
	case !from.IsZero() && !to.IsZero() && !from.Before(to):
		return usageError("--from must lie before --to")
	case c.Workers < 0 || c.Workers > 1000:
		return usageError("--workers: 0 to 1000")
	case c.Against == "none" && c.Out == "":
		return usageError("--against none: without --out nothing would be told")
	}
	reader, err := archive.OpenReader(c.Archive)
	if err != nil {
		return err
	}
	r := &replay{reader: reader, from: from, to: to, workers: c.Workers, again: c.Holds == "again", mayAgain: c.Holds == "auto", result: replayResult{Archive: c.Archive, ProgramVersion: version()}}
	if r.workers == 0 {
		r.workers = runtime.GOMAXPROCS(0)
	}
	wanted := c.ProgrammeID
	if c.Programme != "" {
		p, b, err := bundleOf(c.Programme)
		if err != nil {
			return err
		}
		if wanted != "" && wanted != p.ID {
			return usageError(fmt.Sprintf("--programme-id: %s is of the programme %s", c.Programme, p.ID))
		}
		wanted = p.ID
		encoded, err := json.Marshal(b)
		if err != nil {
			return err
		}
		r.result.ProgrammeFile = c.Programme
		r.other, r.otherRef = p, programmeRef{ID: p.ID, Digest: hexDigest(encoded)}
	}
	if r.result.Programme, err = replayedProgramme(reader, wanted); err != nil {
		return err
	}
	if isTerminal(env.Stderr) {
		r.progress = env.Stderr
	}
	var out *renameio.PendingFile
	if c.Out != "" {
		if out, err = renameio.NewPendingFile(c.Out, renameio.WithPermissions(0o644)); err != nil {
			return plainPathError(err)
		}
		defer out.Cleanup()
		buffered := bufio.NewWriter(out)
		r.out = buffered
		defer func() { r.out = nil }()
	}
	if err := r.run(env); err != nil {
		return err
	}
	if out != nil {
		if err := r.out.Flush(); err != nil {
			return fmt.Errorf("%s: %w", c.Out, err)
		}
		if err := out.CloseAtomicallyReplace(); err != nil {
			return fmt.Errorf("%s: %w", c.Out, err)
		}
		r.result.Out = filepath.Clean(c.Out)
	}
	r.result.Compared = c.Against == "archive"
	if env.JSON {
		err = writeJSON(env.Stdout, r.result)
	} else {
		err = r.result.write(env.Stdout)
	}
	if err == nil && !r.result.fine() {
		err = errReported
	}
	return err
}

// replayedProgramme is the programme that was named, or the only one in the archive.
func replayedProgramme(reader *archive.Reader, named string) (string, error) {
	all, err := reader.Programmes()
	if err != nil {
		return "", err
	}
	all = slices.DeleteFunc(all, func(name string) bool { return strings.HasPrefix(name, "_") })
	switch {
	case slices.Contains(all, named):
		return named, nil
	case len(all) == 0:
		return "", errors.New("the archive has no programme yet: there is nothing to replay")
	case named != "":
		return "", fmt.Errorf("the archive has no programme %q; it has %s", named, strings.Join(all, ", "))
	case len(all) == 1:
		return all[0], nil
	}
	return "", usageError("--programme-id is needed: the archive has " + strings.Join(all, ", "))
}

// replay makes the messages of a stretch of time again. They are read in the order in
// which they were stored, judged by several workers (the long part, which needs no
// memory), and settled one after the other, each after what was made of the one that
// its basis names. So the result does not depend on the number of workers.
type replay struct {
	reader   *archive.Reader
	from, to time.Time
	workers  int
	other    *programme.Programme // by which to judge; nil: as archived
	otherRef programmeRef
	again    bool          // criteria are judged again
	mayAgain bool          // where they differ
	out      *bufio.Writer // nil for none
	progress io.Writer     // nil for none

	service     *service
	mutex       sync.Mutex
	crops       map[string]string // SHA-256 by name
	listed      time.Time         // when they were looked for
	result      replayResult
	differ      map[string]*replayDifference
	failed      map[string]*replayFailure
	sites       map[string]*replayedSite
	holds       *replayHolds       // nil where holds are taken as archived
	asked       map[time.Time]bool // moments at which new sites have been judged; see fresh
	digest      string             // of the programme file of the last message
	firstDigest string             // and of the first
	told        time.Time
	made        int
}

// replayMessage is one message to be made again.
type replayMessage struct {
	kind     bus.Kind
	site     string
	at       time.Time
	archived json.RawMessage // nil where the archive has none: a site of another programme file
	was      replayedData
	// Of the judgement: one of the assessments, or why there is none.
	assessments []seedability.Assessment
	conditions  *message.Conditions
	limits      seedability.Limits
	err         error
}

// replayedData is what of a message replay must know.
type replayedData struct {
	AsOf     time.Time             `json:"as_of"`
	IssuedAt time.Time             `json:"issued_at"`
	Site     seedability.SiteRef   `json:"site"`
	State    seedability.State     `json:"state"`
	Holds    []seedability.HoldRef `json:"holds"`
	Standing *seedability.Standing `json:"standing"`
	Basis    *seedability.Basis    `json:"basis"`
	// Inputs of conditions are names of crops; those of others are not looked at.
	Inputs json.RawMessage `json:"inputs"`
}

// replayBatch is messages of one kind, moment and crops: one job.
type replayBatch struct {
	mode     assessMode
	at       time.Time
	basis    *seedability.Basis
	messages []*replayMessage
	done     chan struct{}
}

// replayedSite is what is known of a site while it is replayed.
type replayedSite struct {
	name string // as it was published last
	// Of the last few moments, what was made, or what was published where it could not
	// be made again.
	scores   []lastScore
	outlooks []*seedability.Outlook
	rows     []replayedRow
	// What was made last, where criteria are judged again.
	newestScore, newestOutlook []byte
}

// replayedRow is the state of a site from a moment on; empty where it is not known.
type replayedRow struct {
	at        time.Time
	then, now seedability.State
}

const (
	// replayRemembers so many messages of a site; what goes before one is nearly always
	// the last.
	replayRemembers = 16
	// replayOutlooksAJob bounds what is held of judged releases.
	replayOutlooksAJob = 4
)

// errNotAgain: there is nothing from which a message could be made.
type errNotAgain string

func (e errNotAgain) Error() string { return string(e) }

func (r *replay) run(env *environment) error {
	r.differ, r.failed, r.sites, r.asked = map[string]*replayDifference{}, map[string]*replayFailure{}, map[string]*replayedSite{}, map[time.Time]bool{}
	r.service = newService(&service{clock: clock.Wall{}, log: slog.New(slog.DiscardHandler), rare: env.Rare, worker: "replay", objects: r.object, newest: r.newest})
	if err := r.listCrops(); err != nil {
		return err
	}
	if err := r.versions(); err != nil {
		r.problem(err)
	}
	if err := r.decideHolds(env); err != nil {
		return err
	}
	if r.holds != nil {
		defer r.holds.stop()
	}

	ctx, cancel := context.WithCancel(env)
	defer cancel()
	var group sync.WaitGroup
	defer group.Wait()
	defer cancel()
	// Both hold the same batches: one in order, one for whoever is free.
	ordered, jobs := make(chan *replayBatch, 2*r.workers), make(chan *replayBatch, 2*r.workers)
	problems := make(chan error, 100)
	group.Go(func() {
		defer close(ordered)
		defer close(jobs)
		r.read(ctx, func(b *replayBatch) bool {
			for _, to := range []chan *replayBatch{ordered, jobs} {
				select {
				case to <- b:
				case <-ctx.Done():
					return false
				}
			}
			return true
		}, func(err error) {
			select {
			case problems <- err:
			default: // of a hundred damaged days the first tell enough
			}
		})
	})
	for range r.workers {
		group.Go(func() {
			for b := range jobs {
				r.judge(ctx, b)
				close(b.done)
			}
		})
	}
	for b := range ordered {
		select {
		case <-b.done:
		case <-ctx.Done():
			return ctx.Err()
		}
		for _, m := range b.messages {
			if err := r.settle(ctx, b, m); err != nil {
				return err
			}
		}
		r.tell(b.at)
	}
	if r.progress != nil {
		fmt.Fprintf(r.progress, "\r%*s\r", 60, "")
	}
	if err := ctx.Err(); err != nil {
		return err
	}
	for len(problems) > 0 {
		r.problem(<-problems)
	}
	r.finish()
	return nil
}

func (r *replay) problem(err error) { r.result.Problems = append(r.result.Problems, err.Error()) }

// tell says how far it is, at most once a second.
func (r *replay) tell(at time.Time) {
	if r.progress != nil && time.Since(r.told) > time.Second {
		r.told = time.Now()
		fmt.Fprintf(r.progress, "\r%d messages, %s UTC ", r.made, at.UTC().Format("2 Jan 2006 15:04"))
	}
}

// versions notes which programs made what is replayed.
func (r *replay) versions() error {
	days, err := r.reader.Days(r.result.Programme)
	for _, day := range days {
		if !r.from.IsZero() && !day.Day.AddDate(0, 0, 1).After(r.from) || !r.to.IsZero() && !day.Day.Before(r.to) {
			continue
		}
		for _, v := range day.Manifest.ProgramVersions {
			if !slices.Contains(r.result.ArchivedBy, v) {
				r.result.ArchivedBy = append(r.result.ArchivedBy, v)
			}
		}
	}
	return err
}

// listCrops finds out what is kept.
func (r *replay) listCrops() error {
	refs, err := r.reader.Crops()
	if err != nil {
		return err
	}
	r.crops, r.listed = map[string]string{}, time.Now()
	for _, ref := range refs {
		// One name is one content: it ends with the digest.
		if ref.Programme == r.result.Programme && strings.HasPrefix(ref.SHA256, digestIn(ref.Name)) {
			r.crops[ref.Name] = ref.SHA256
		}
	}
	return nil
}

// listAgain: what is not there may have come since, where the service writes the
// archive.
const listAgain = 10 * time.Second

// digestOf is the SHA-256 of what lies under a name, empty where nothing does.
func (r *replay) digestOf(name string) (string, error) {
	r.mutex.Lock()
	defer r.mutex.Unlock()
	if r.crops[name] == "" && time.Since(r.listed) > listAgain {
		if err := r.listCrops(); err != nil {
			return "", err
		}
	}
	return r.crops[name], nil
}

// object reads a crop, or a programme file, from the archive.
//
// Each kept crop is checked against its SHA-256 when it is read.
func (r *replay) object(_ context.Context, name string) ([]byte, error) {
	digest, err := r.digestOf(name)
	if err != nil {
		return nil, err
	}
	if digest == "" {
		return nil, errNotAgain(objectInWords(name) + " was pruned, or never kept")
	}
	content, err := r.reader.Crop(digest)
	switch {
	case errors.Is(err, archive.ErrNoCrop):
		return nil, errNotAgain(objectInWords(name) + " is gone from the archive's folder crops")
	case err != nil:
		return nil, errNotAgain(objectInWords(name) + " cannot be used: " + err.Error())
	}
	return content, nil
}

// reasons names all crops of a job that cannot be had, not only the first that was met.
func (r *replay) reasons(ctx context.Context, crops []string, met error) error {
	var again errNotAgain
	if !errors.As(met, &again) {
		return met
	}
	var all errReasons
	for _, name := range crops {
		if _, err := r.object(ctx, name); err != nil {
			all = append(all, err.Error())
		}
	}
	if len(all) == 0 {
		return met
	}
	return all
}

// errReasons are several reasons why a message cannot be made again, each told by
// itself.
type errReasons []string

func (e errReasons) Error() string { return strings.Join(e, "; ") }

// objectInWords names what lies under a name for people.
func objectInWords(name string) string {
	parts := strings.Split(name, "/")
	if len(parts) < 4 {
		return "the programme file " + name
	}
	return "the " + parts[1] + " crop " + strings.Join(parts[2:], "/")
}

// read gives the messages as batches, in the order in which they were stored.
func (r *replay) read(ctx context.Context, give func(*replayBatch) bool, problem func(error)) {
	var open *replayBatch
	name := ""
	flush := func() bool {
		b := open
		open = nil
		return b == nil || give(b)
	}
	kinds := []string{bus.Score.Name, bus.Outlook.Name}
	if r.again {
		kinds = append(kinds, bus.Conditions.Name)
	}
	for stored, err := range r.reader.Stored(ctx, archive.Query{Programme: r.result.Programme, From: r.from, To: r.to}, kinds...) {
		if ctx.Err() != nil {
			return
		}
		if err != nil {
			problem(err)
			continue
		}
		m, mode, err := readReplayMessage(&stored)
		if err != nil {
			problem(err)
			continue
		}
		key, most := "", sitesAJob
		if m.err == nil {
			key = fmt.Sprint(mode, m.at.UnixNano(), m.was.Basis.Programme, m.was.Basis.Crops)
		}
		if mode == modeOutlook {
			most = replayOutlooksAJob
		}
		if open != nil && (key == "" || key != name || len(open.messages) >= most) && !flush() {
			return
		}
		if open == nil {
			open, name = &replayBatch{mode: mode, at: m.at, basis: m.was.Basis, done: make(chan struct{})}, key
			open.messages = r.fresh(open)
		}
		open.messages = append(open.messages, m)
	}
	flush()
}

// readReplayMessage decodes what replay needs of a message. One without a basis is
// marked as not to be made.
func readReplayMessage(stored *bus.Stored) (*replayMessage, assessMode, error) {
	parts := strings.Split(stored.Subject, ".")
	m := &replayMessage{kind: bus.Score, site: parts[len(parts)-1], archived: stored.Event.Data}
	if err := json.Unmarshal(stored.Event.Data, &m.was); err != nil {
		return nil, "", fmt.Errorf("%s of %s: %w", stored.Subject, stored.Event.Time.Format(time.RFC3339), err)
	}
	m.at = m.was.AsOf
	mode := modeNow
	switch stored.Event.Type {
	case bus.Outlook.Type:
		m.kind, m.at, mode = bus.Outlook, m.was.IssuedAt, modeOutlook
	case bus.Conditions.Type:
		m.kind, mode = bus.Conditions, modeConditions
		m.was.Basis = &seedability.Basis{} // by whatever file judges
		if err := json.Unmarshal(m.was.Inputs, &m.was.Basis.Crops); err != nil {
			return nil, "", fmt.Errorf("%s of %s: inputs: %w", stored.Subject, stored.Event.Time.Format(time.RFC3339), err)
		}
	}
	m.was.Inputs = nil
	if m.was.Basis == nil {
		m.err = errNotAgain("made by a program that did not yet say from what it was made")
	}
	return m, mode, nil
}

// fresh lists, at the first batch of a moment, the sites that another programme file
// has and the archived one had not: they are judged at the same moments, from the same
// crops.
func (r *replay) fresh(b *replayBatch) (messages []*replayMessage) {
	if r.other == nil || b.basis == nil || b.mode == modeConditions {
		return nil
	}
	key := b.at
	if b.mode == modeOutlook {
		key = key.Add(1) // apart from the scores of the moment
	}
	if r.asked[key] {
		return nil
	}
	r.asked[key] = true
	then, _, err := r.programmeOf(context.Background(), b.basis.Programme, true)
	if err != nil {
		return nil
	}
	for k := range r.other.Sites {
		if id := r.other.Sites[k].ID; then.Site(id) == nil {
			m := &replayMessage{kind: bus.Score, site: id, at: b.at, was: replayedData{Basis: b.basis}}
			if b.mode == modeOutlook {
				m.kind = bus.Outlook
			}
			messages = append(messages, m)
		}
	}
	return messages
}

// programmeOf is the programme by which to judge, or the one that was in force.
func (r *replay) programmeOf(ctx context.Context, digest string, inForce bool) (*programme.Programme, programmeRef, error) {
	if r.other != nil && !inForce {
		return r.other, r.otherRef, nil
	}
	if digest == r.otherRef.Digest {
		return r.other, r.otherRef, nil
	}
	ref := programmeRef{ID: r.result.Programme, Digest: digest}
	p, err := r.service.programme(ctx, ref)
	return p, ref, err
}

// judge does the long part of a job.
func (r *replay) judge(ctx context.Context, b *replayBatch) {
	fail := func(err error) {
		for _, m := range b.messages {
			m.err = cmpErr(m.err, err)
		}
	}
	if b.basis == nil {
		return
	}
	digest := b.basis.Programme
	if b.mode == modeConditions {
		digest = r.firstDigest
	}
	p, ref, err := r.programmeOf(ctx, digest, false)
	if err != nil {
		fail(err)
		return
	}
	j := assessTask{Programme: ref, Mode: b.mode, Moment: b.at}
	for _, name := range b.basis.Crops {
		parts := strings.SplitN(name, "/", 3)
		if len(parts) < 3 {
			fail(errNotAgain(fmt.Sprintf("%q is no name of a crop", name)))
			return
		}
		j.Inputs = append(j.Inputs, inputRef{Kind: parts[1], Object: name})
	}
	of, err := r.service.judgementOf(ctx, p, &j)
	if err != nil {
		fail(r.reasons(ctx, b.basis.Crops, err))
		return
	}
	for _, m := range b.messages {
		site := p.Site(m.site)
		switch {
		case m.err != nil:
		case b.mode == modeConditions:
			var found *foundConditions
			if found, m.err = of.conditionsAt(m.at, r.service.cellMemory(ctx, of, ref.Digest)); m.err == nil {
				made := found.message(p.ID, m.at, b.basis.Crops)
				m.conditions = &made
			}
		case site == nil:
			m.err = errNoSite
		case b.mode == modeNow:
			var a seedability.Assessment
			a, m.err = judgeNow(ctx, of, site, m.at)
			m.assessments, m.limits = []seedability.Assessment{a}, of.method.Limits
		case of.lacks != "":
			m.err = errNotMade(of.lacks)
		default:
			m.assessments, m.err = judgeAhead(ctx, of, site, m.at)
			if m.limits = of.method.Limits; m.err == nil && len(m.assessments) == 0 {
				m.err = errNotMade("the model run has ended")
			}
		}
	}
}

// errNoSite: the other programme file has no such site.
var errNoSite = errors.New("no such site")

// errNotMade: by this program and programme file no message is made.
type errNotMade string

func (e errNotMade) Error() string { return string(e) }

func cmpErr(a, b error) error {
	if a != nil {
		return a
	}
	return b
}

func (r *replay) site(id string) *replayedSite {
	s := r.sites[id]
	if s == nil {
		s = &replayedSite{}
		r.sites[id] = s
	}
	return s
}

// settle does the short part of a message, and compares.
func (r *replay) settle(ctx context.Context, b *replayBatch, m *replayMessage) error {
	r.made++
	if m.kind.Name == bus.Conditions.Name {
		return r.settleConditions(m)
	}
	s, counts := r.site(m.site), r.result.of(m.kind)
	if counts.First.IsZero() || m.at.Before(counts.First) {
		counts.First = m.at
	}
	counts.Last = later(counts.Last, m.at)
	if m.archived != nil {
		counts.Archived++
		s.name = m.was.Site.Name
		if b.basis != nil {
			r.digest = b.basis.Programme
		}
	}
	if ctx.Err() != nil {
		return ctx.Err()
	}
	row := replayedRow{at: m.at, then: m.was.State}
	var event bus.Event
	err := m.err
	if err == nil {
		event, row.now, err = r.messageOf(ctx, b, s, m)
	}
	var notMade errNotMade
	switch {
	case ctx.Err() != nil:
		return ctx.Err()
	case errors.Is(err, errNoSite):
		// Told as a site that only the archive has.
		counts.NoSite++
	case errors.As(err, &notMade):
		if m.archived != nil {
			counts.Differ++
			r.difference(m, "the whole message", "published", "not made: "+notMade.Error())
		}
	case err != nil:
		counts.NotMade++
		r.failure(m, err)
		row = replayedRow{at: m.at}
		// What follows is settled after what was published.
		if err := r.remember(s, m.kind, m.archived); err != nil {
			return err
		}
	default:
		if err := r.remember(s, m.kind, event.Data); err != nil {
			return err
		}
		if r.out != nil {
			encoded, err := event.MarshalJSON()
			if err == nil {
				_, err = r.out.Write(append(encoded, '\n'))
			}
			if err != nil {
				return err
			}
		}
		switch {
		case m.archived == nil:
			counts.New++
		case string(event.Data) == string(m.archived):
			counts.Equal++
		default:
			counts.Differ++
			d, err := firstDifferent(m.archived, event.Data)
			if err != nil {
				return fmt.Errorf("%s %s of %s: %w", m.kind.Name, m.site, m.at.Format(time.RFC3339), err)
			}
			r.difference(m, d.field, d.then, d.now)
		}
	}
	if m.kind.Name == bus.Score.Name {
		s.rows = append(s.rows, row)
	}
	return nil
}

// messageOf makes the message of what was judged.
func (r *replay) messageOf(ctx context.Context, b *replayBatch, s *replayedSite, m *replayMessage) (bus.Event, seedability.State, error) {
	basis := m.was.Basis
	if m.archived == nil { // after the last that was made of this site
		own := *basis
		own.Programme, own.ScoreAsOf, own.OutlookIssuedAt = r.otherRef.Digest, time.Time{}, time.Time{}
		if n := len(s.scores); n > 0 && m.kind.Name == bus.Score.Name {
			own.ScoreAsOf = s.scores[n-1].AsOf
		}
		if n := len(s.outlooks); n > 0 {
			own.OutlookIssuedAt = s.outlooks[n-1].IssuedAt
		}
		basis = &own
	}
	outlook, err := r.outlookAt(ctx, s, m.site, basis.OutlookIssuedAt)
	if err != nil {
		return bus.Event{}, "", err
	}
	if m.kind.Name == bus.Outlook.Name {
		o, err := outlookOf(m.assessments, outlook, m.limits, basis)
		if err != nil {
			return bus.Event{}, "", err
		}
		event, err := bus.NewEvent(m.kind, o.Programme, m.site, o.IssuedAt, o)
		return event, "", err
	}
	before, err := r.standingAt(ctx, s, m.site, basis.ScoreAsOf)
	if err != nil {
		return bus.Event{}, "", err
	}
	results := resultsOf(m.was.Holds, m.site)
	if r.holds != nil {
		var at time.Time // of a site that the archive has not, that of the others
		for _, other := range b.messages {
			if m.archived == nil || other == m {
				at = later(at, judgedAt(other.was.Holds))
			}
		}
		if at.IsZero() || at.After(m.at) {
			at = m.at
		}
		if results, err = r.holds.at(ctx, at); err != nil {
			return bus.Event{}, "", err
		}
	}
	a := settleNow(m.assessments[0], results, before, outlook, m.limits, basis)
	event, err := bus.NewEvent(m.kind, a.Programme, m.site, a.AsOf, a)
	return event, a.State, err
}

// decideHolds finds out whether criteria are judged again, and begins with it.
func (r *replay) decideHolds(ctx context.Context) error {
	if !r.again && (!r.mayAgain || r.other == nil) {
		return nil
	}
	for event, err := range r.reader.Events(ctx, archive.Query{Programme: r.result.Programme, From: r.from, To: r.to}, bus.Score.Name) {
		if err != nil {
			return err
		}
		var was replayedData
		if err := json.Unmarshal(event.Data, &was); err != nil || was.Basis == nil {
			continue
		}
		r.firstDigest = was.Basis.Programme
		if !r.again {
			then, _, err := r.programmeOf(ctx, was.Basis.Programme, true)
			if err != nil {
				r.result.Notes = append(r.result.Notes, fmt.Sprintf("Holds are judged again, since it is not known whether the criteria are the same: %v.", err))
			}
			if r.again = err != nil || criteriaDiffer(then, r.other); !r.again {
				return nil
			}
		}
		p, ref, err := r.programmeOf(ctx, was.Basis.Programme, false)
		if err != nil {
			return err
		}
		r.result.Notes = append(r.result.Notes, "Criteria were judged again from the archived messages of gauges, warnings, sites, persons and the weather, at the moments of the archived scores; the service itself would have judged at once when something changed.")
		r.holds, err = r.judgeHoldsAgain(ctx, p, ref, was.AsOf)
		return err
	}
	r.again = false // there is no score to judge them for
	return nil
}

// settleConditions takes the weather over targets and sites that was found out again.
// Where that failed the archived one stands.
func (r *replay) settleConditions(m *replayMessage) error {
	if m.err != nil {
		r.failure(m, m.err)
		r.result.Conditions.NotMade++
		return nil
	}
	event, err := bus.NewEvent(m.kind, r.result.Programme, bus.Whole, m.at, m.conditions)
	if err != nil {
		return err
	}
	r.result.Conditions.Archived++
	if string(event.Data) == string(m.archived) {
		r.result.Conditions.Equal++
	} else {
		r.result.Conditions.Differ++
	}
	var made message.Conditions // as the service reads it
	if err := json.Unmarshal(event.Data, &made); err != nil {
		return err
	}
	r.holds.conditions[made.AsOf] = made
	return nil
}

// resultsOf are the results of criteria from which an assessment's Holds were made.
// hold.Apply puts all that concern a site there, with what it needs of them.
func resultsOf(holds []seedability.HoldRef, site string) (results []hold.Result) {
	for _, h := range holds {
		results = append(results, hold.Result{Criterion: h.Criterion, Kind: h.Kind, Outcome: hold.Outcome(h.Outcome), Reason: h.Reason, Since: h.Since, At: h.At,
			WhoMayLift: h.WhoMayLift, WhatWouldLift: h.WhatWouldLift, Sites: []string{site}})
	}
	return results
}

// remember keeps what was made of a site last. It is decoded from the bytes, as the
// service reads it.
func (r *replay) remember(s *replayedSite, kind bus.Kind, data []byte) error {
	if data == nil {
		return nil
	}
	if r.again {
		if kind.Name == bus.Outlook.Name {
			s.newestOutlook = data
		} else {
			s.newestScore = data
		}
	}
	if kind.Name == bus.Outlook.Name {
		o := &seedability.Outlook{}
		if err := json.Unmarshal(data, o); err != nil {
			return err
		}
		s.outlooks = append(s.outlooks, o)
		s.outlooks = s.outlooks[max(0, len(s.outlooks)-replayRemembers):]
		return nil
	}
	var last lastScore
	if err := json.Unmarshal(data, &last); err != nil {
		return err
	}
	s.scores = append(s.scores, last)
	s.scores = s.scores[max(0, len(s.scores)-replayRemembers):]
	return nil
}

// standingAt is that of the score of a moment: made before, or archived.
func (r *replay) standingAt(ctx context.Context, s *replayedSite, site string, at time.Time) (*seedability.Standing, error) {
	if at.IsZero() {
		return nil, nil
	}
	for _, score := range slices.Backward(s.scores) {
		if score.AsOf.Equal(at) {
			return score.Standing, nil
		}
	}
	data, err := r.archivedAt(ctx, bus.Score, site, at)
	if err != nil {
		return nil, err
	}
	if err := r.remember(s, bus.Score, data); err != nil {
		return nil, err
	}
	return s.scores[len(s.scores)-1].Standing, nil
}

// outlookAt is the outlook of a moment: made before, or archived.
func (r *replay) outlookAt(ctx context.Context, s *replayedSite, site string, at time.Time) (*seedability.Outlook, error) {
	if at.IsZero() {
		return nil, nil
	}
	for _, o := range slices.Backward(s.outlooks) {
		if o.IssuedAt.Equal(at) {
			return o, nil
		}
	}
	data, err := r.archivedAt(ctx, bus.Outlook, site, at)
	if err != nil {
		return nil, err
	}
	if err := r.remember(s, bus.Outlook, data); err != nil {
		return nil, err
	}
	return s.outlooks[len(s.outlooks)-1], nil
}

// archivedAt is what was published of a site at a moment: before the stretch that is
// replayed, for the most part.
func (r *replay) archivedAt(ctx context.Context, kind bus.Kind, site string, at time.Time) ([]byte, error) {
	for event, err := range r.reader.Events(ctx, archive.Query{Programme: r.result.Programme, Sites: []string{site}, From: at, To: at.Add(1)}, kind.Name) {
		if err != nil {
			return nil, err
		}
		return event.Data, nil
	}
	return nil, errNotAgain(fmt.Sprintf("the %s of %s UTC that goes before it is not in the archive", kind.Name, at.UTC().Format("2 Jan 2006 15:04:05")))
}

// finish sums up what was made.
func (r *replay) finish() {
	res := &r.result
	for _, key := range sortedKeys(r.differ) {
		res.Differences = append(res.Differences, *r.differ[key])
	}
	slices.SortStableFunc(res.Differences, func(a, b replayDifference) int { return b.Messages - a.Messages })
	for _, key := range sortedKeys(r.failed) {
		res.NotMade = append(res.NotMade, *r.failed[key])
	}
	slices.SortStableFunc(res.NotMade, func(a, b replayFailure) int { return a.First.Compare(b.First) })
	var order *programme.Programme
	if r.digest != "" {
		order, _, _ = r.programmeOf(context.Background(), r.digest, false) // without it sites stand by their ids
	}
	res.sum(r, order)
}
