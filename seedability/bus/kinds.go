package bus

import (
	"fmt"
	"regexp"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Kind is one kind of message: what it is called in events, under which subject
// it travels, and where it is kept.
type Kind struct {
	Name string // third token of the subject: rimeline.<programme>.<name>.<site>
	// NoProgramme: messages belong to no programme, and the subject is
	// rimeline.<name>.<site>.
	NoProgramme bool
	// Type of the CloudEvent. It ends in the version of the data: data that old
	// readers would misread gets a new type.
	Type       string
	DataSchema string
	Stream     string
	// MaxAge and MaxBytes bound what the stream keeps; the oldest goes first.
	MaxAge   time.Duration
	MaxBytes int64
	// Latest is the key-value bucket of the newest message of each site; empty
	// where there is none.
	Latest string
}

// Score is the assessment of one site for one release time.
var Score = Kind{
	Name: "score", Type: "rimeline.score.v1", DataSchema: "urn:rimeline:schema:score:v1",
	Stream: "RIMELINE_SCORE", MaxAge: 400 * 24 * time.Hour, MaxBytes: 2 << 30,
	Latest: "RIMELINE_SCORE_LATEST",
}

// Outlook is the row of assessments of one site from now to the end of the
// newest model run, with its windows.
var Outlook = Kind{
	Name: "outlook", Type: "rimeline.outlook.v1", DataSchema: "urn:rimeline:schema:outlook:v1",
	Stream: "RIMELINE_OUTLOOK", MaxAge: 60 * 24 * time.Hour, MaxBytes: 1 << 30,
	Latest: "RIMELINE_OUTLOOK_LATEST",
}

// Input is the record of one object that was fetched. In the place of the site
// stands the kind of input.
var Input = Kind{
	Name: "input", Type: "rimeline.input.v1", DataSchema: "urn:rimeline:schema:input:v1",
	Stream: "RIMELINE_INPUT", MaxAge: 60 * 24 * time.Hour, MaxBytes: 256 << 20,
}

// Health is what a worker says of itself. In the place of the site stands the
// worker.
var Health = Kind{
	Name: "health", NoProgramme: true, Type: "rimeline.health.v1", DataSchema: "urn:rimeline:schema:health:v1",
	Stream: "RIMELINE_HEALTH", MaxAge: 2 * 24 * time.Hour, MaxBytes: 64 << 20,
}

// DeadLetter is a job that was given up. In the place of the site stands the
// queue.
var DeadLetter = Kind{
	Name: "dead-letter", Type: "rimeline.dead-letter.v1", DataSchema: "urn:rimeline:schema:dead-letter:v1",
	Stream: "RIMELINE_DEAD_LETTER", MaxAge: 90 * 24 * time.Hour, MaxBytes: 128 << 20,
}

// kinds lists every kind of message. A new one is a row here.
var kinds = []Kind{Score, Outlook, Input, Health, DeadLetter}

// Kinds lists every kind of message.
func Kinds() []Kind { return slices.Clone(kinds) }

// duplicateWindow is how long a stream remembers message ids. It must exceed
// the longest outage over which a publisher retries.
const duplicateWindow = 2 * time.Hour

var token = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$`)

// Subject is where messages of this kind for one site go. For a kind without
// programme, programme is not looked at.
func (k Kind) Subject(programme, site string) (string, error) {
	names := []string{programme, site}
	if k.NoProgramme {
		names = names[1:]
	}
	for _, name := range names {
		if !token.MatchString(name) {
			return "", fmt.Errorf("%q cannot stand in a subject: 1 to 64 letters, digits, - or _", name)
		}
	}
	return k.subject(programme, site), nil
}

func (k Kind) subject(programme, site string) string {
	if k.NoProgramme {
		return "rimeline." + k.Name + "." + site
	}
	return "rimeline." + programme + "." + k.Name + "." + site
}

// Subjects is the pattern of all messages of this kind.
func (k Kind) Subjects() string { return k.subject("*", "*") }

// kindOf finds the kind of an event.
func kindOf(eventType string) (Kind, error) {
	for _, k := range kinds {
		if k.Type == eventType {
			return k, nil
		}
	}
	return Kind{}, fmt.Errorf("no stream for events of type %q", eventType)
}

func (k Kind) streamConfig() jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: k.Stream, Description: "rimeline: " + k.Name, Subjects: []string{k.Subjects()},
		Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardOld, Storage: jetstream.FileStorage,
		MaxAge: k.MaxAge, MaxBytes: k.MaxBytes, Duplicates: duplicateWindow, Compression: jetstream.S2Compression,
		AllowDirect: true,
	}
}
