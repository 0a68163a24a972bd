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
	// Foreign: messages come from other programs and need be no events: any JSON on
	// the subject is given as the data of an event, whose time is then when it was
	// stored. What is an event keeps its id, source and time; its type and subject
	// are always those of the kind and of the bus, so that nobody can pass off one
	// kind of message as another.
	Foreign bool
	// ContentType of messages that are not JSON (Event.Content); they travel in the
	// binary mode of CloudEvents, with the attributes in headers. Empty for JSON.
	ContentType string
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

// Whole stands in the place of the site where a message is about a whole programme.
const Whole = "all"

// Conditions is what models, radar and mosaics say of targets and sites that
// suspension criteria ask for. In the place of the site stands Whole.
var Conditions = Kind{
	Name: "conditions", Type: "rimeline.conditions.v1", DataSchema: "urn:rimeline:schema:conditions:v1",
	Stream: "RIMELINE_CONDITIONS", MaxAge: 60 * 24 * time.Hour, MaxBytes: 256 << 20,
	Latest: "RIMELINE_CONDITIONS_LATEST",
}

// Hold is the outcome of every suspension criterion of a programme at one moment.
// In the place of the site stands Whole.
var Hold = Kind{
	Name: "hold", Type: "rimeline.hold.v1", DataSchema: "urn:rimeline:schema:hold:v1",
	Stream: "RIMELINE_HOLD", MaxAge: 400 * 24 * time.Hour, MaxBytes: 512 << 20,
	Latest: "RIMELINE_HOLD_LATEST",
}

// Order is what a person decided about holds: one was set, or lifted. In the
// place of the site stands "set" or "lift". Orders are only ever added.
var Order = Kind{
	Name: "order", Type: "rimeline.order.v1", DataSchema: "urn:rimeline:schema:order:v1",
	Stream: "RIMELINE_ORDER", MaxAge: 5 * 365 * 24 * time.Hour, MaxBytes: 64 << 20,
}

// Telemetry is what a site says of itself, as its own gateway sends it: any JSON
// that the programme file maps.
var Telemetry = Kind{
	Name: "telemetry", Type: "rimeline.telemetry.v1",
	Stream: "RIMELINE_TELEMETRY", MaxAge: 30 * 24 * time.Hour, MaxBytes: 128 << 20,
	Foreign: true,
}

// Alert is one thing that people are told. In the place of the site stands the
// kind of alert.
var Alert = Kind{
	Name: "alert", Type: "rimeline.alert.v1", DataSchema: "urn:rimeline:schema:alert:v1",
	Stream: "RIMELINE_ALERT", MaxAge: 400 * 24 * time.Hour, MaxBytes: 256 << 20,
}

// CAP is an alert as a message of the Common Alerting Protocol 1.2, in XML. In
// the place of the site stands the kind of alert.
var CAP = Kind{
	Name: "cap", Type: "rimeline.cap.v1", ContentType: "application/cap+xml",
	Stream: "RIMELINE_CAP", MaxAge: 60 * 24 * time.Hour, MaxBytes: 128 << 20,
}

// Ack is the acknowledgement of an alert. In the place of the site stands Whole.
var Ack = Kind{
	Name: "ack", Type: "rimeline.ack.v1", DataSchema: "urn:rimeline:schema:ack:v1",
	Stream: "RIMELINE_ACK", MaxAge: 400 * 24 * time.Hour, MaxBytes: 64 << 20,
}

// Delivery is the record of one alert on one route. In the place of the site
// stands the route.
var Delivery = Kind{
	Name: "delivery", Type: "rimeline.delivery.v1", DataSchema: "urn:rimeline:schema:delivery:v1",
	Stream: "RIMELINE_DELIVERY", MaxAge: 400 * 24 * time.Hour, MaxBytes: 128 << 20,
}

// Advice is a suggestion of when and how much a site might release in a window.
var Advice = Kind{
	Name: "advice", Type: "rimeline.advice.v1", DataSchema: "urn:rimeline:schema:advice:v1",
	Stream: "RIMELINE_ADVICE", MaxAge: 400 * 24 * time.Hour, MaxBytes: 128 << 20,
	Latest: "RIMELINE_ADVICE_LATEST",
}

// Release is the record of what was released at a site. Records are only ever
// added; a correction names the one that it replaces.
var Release = Kind{
	Name: "release", Type: "rimeline.release.v1", DataSchema: "urn:rimeline:schema:release:v1",
	Stream: "RIMELINE_RELEASE", MaxAge: 10 * 365 * 24 * time.Hour, MaxBytes: 64 << 20,
}

// kinds lists every kind of message. A new one is a row here.
var kinds = []Kind{Score, Outlook, Input, Conditions, Hold, Order, Telemetry, Alert, CAP, Ack, Delivery, Advice, Release, Health, DeadLetter}

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

// source is who made an event of this kind.
func (k Kind) source(programme string) string {
	if k.NoProgramme {
		return "/rimeline/" + k.Name
	}
	return "/rimeline/" + programme
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
