package bus

import (
	"fmt"
	"regexp"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// Kind is one kind of message: what it is called in events, under which subject
// it travels, and where it is kept.
type Kind struct {
	Name string // third token of the subject: rimeline.<programme>.<name>.<site>
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

// kinds lists every kind of message. A new one is a row here.
var kinds = []Kind{Score}

// duplicateWindow is how long a stream remembers message ids. It must exceed
// the longest outage over which a publisher retries.
const duplicateWindow = 2 * time.Hour

var token = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9_-]{0,63}$`)

// Subject is where messages of this kind for one site go.
func (k Kind) Subject(programme, site string) (string, error) {
	for _, name := range []string{programme, site} {
		if !token.MatchString(name) {
			return "", fmt.Errorf("%q cannot stand in a subject: 1 to 64 letters, digits, - or _", name)
		}
	}
	return "rimeline." + programme + "." + k.Name + "." + site, nil
}

// Subjects is the pattern of all messages of this kind.
func (k Kind) Subjects() string { return "rimeline.*." + k.Name + ".*" }

// kindOf finds the kind of an event.
func kindOf(eventType string) (Kind, error) {
	for _, k := range kinds {
		if k.Type == eventType {
			return k, nil
		}
	}
	return Kind{}, fmt.Errorf("no stream for events of type %q", eventType)
}

func (k Kind) streamConfig(replicas int) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name: k.Stream, Description: "rimeline: " + k.Name, Subjects: []string{k.Subjects()},
		Retention: jetstream.LimitsPolicy, Discard: jetstream.DiscardOld, Storage: jetstream.FileStorage,
		MaxAge: k.MaxAge, MaxBytes: k.MaxBytes, Duplicates: duplicateWindow, Replicas: replicas, Compression: jetstream.S2Compression,
		AllowDirect: true,
	}
}
