package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"sync"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
)

// keptNames is what the keeper knows to be in the archive of the inputs that messages
// name, by programme and day.
type keptNames struct {
	mutex sync.Mutex
	tries map[string]int
}

const (
	// mostKeptNames: beyond so many all are looked at anew.
	mostKeptNames = 100_000
	// keepTries: an input that could not be kept is not tried for ever; each of the
	// sites names it again.
	keepTries = 3
)

// wanted says whether a name is to be kept, and counts the try.
func (n *keptNames) wanted(key string) bool {
	n.mutex.Lock()
	defer n.mutex.Unlock()
	if n.tries == nil || len(n.tries) > mostKeptNames {
		n.tries = map[string]int{}
	}
	n.tries[key]++
	return n.tries[key] <= keepTries
}

// done: the name is kept.
func (n *keptNames) done(key string) {
	n.wanted(key)
	n.mutex.Lock()
	defer n.mutex.Unlock()
	n.tries[key] = keepTries
}

func keptKey(programme, day, name string) string { return programme + " " + day + " " + name }

// keepBasis keeps what a score or an outlook names, under the day of the message: the
// programme file as workers got it, and crops that were fetched the day before, such
// as a model run of the evening. So a day that is kept for its window or hold keeps
// all that its messages were made from, whatever becomes of the day before.
func (k *archiveKeeper) keepBasis(ctx context.Context, stored *bus.Stored) {
	var of struct {
		Programme string             `json:"programme"`
		Basis     *seedability.Basis `json:"basis"`
	}
	if err := json.Unmarshal(stored.Event.Data, &of); err != nil || of.Basis == nil {
		return // of an older program, or no score: nothing is named
	}
	day := stored.Event.Time.UTC().Format(time.DateOnly)
	for _, name := range append([]string{bundleObject(of.Basis.Programme)}, of.Basis.Crops...) {
		key := keptKey(of.Programme, day, name)
		if !k.named.wanted(key) {
			continue
		}
		content, err := k.bus.GetObject(ctx, name)
		if digest := hexDigest(content); err == nil && !strings.HasPrefix(digest, digestIn(name)) {
			err = fmt.Errorf("its content has the SHA-256 %s", digest)
		}
		if err == nil {
			err = k.archive.KeepCrop(of.Programme, day, name, content)
		}
		switch {
		case ctx.Err() != nil:
			return
		case errors.Is(err, archive.ErrBudget):
			k.note("crops", err)
		case err != nil:
			k.log.Warn("what a message was made from is not kept", "object", name, "subject", stored.Subject, "error", err)
			k.counts.add("crops_not_kept", 1)
		default:
			k.named.done(key)
		}
	}
}

// digestIn is the beginning of the SHA-256 with which a name ends.
func digestIn(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }
