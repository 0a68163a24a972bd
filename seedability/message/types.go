package message

import (
	"encoding/json"
	"time"
)

// Input is the record of one object of a public store (a model hour, a radar
// volume, a sounding, a picture) that was fetched and used, or that could not be
// used. An assessment names its inputs by file and SHA-256; this says where
// those came from.
type Input struct {
	// Programme for which it was fetched.
	Programme string `json:"programme"`
	// Source is the name of the source, as `rimeline sources` lists it.
	Source string `json:"source"`
	// Kind is model, sounding, radar, mosaic, satellite, gauge, warnings, avalanche
	// or telemetry; others may follow.
	Kind string `json:"kind"`
	// InputID is the input of the programme file for which it was fetched; left
	// out where the record does not say.
	InputID string `json:"input_id,omitempty"`
	// ObjectID names the object within its source.
	ObjectID string `json:"object_id"`
	// Station is the radar or the launch site; left out where there is none.
	Station string `json:"station,omitempty"`
	// Product is what the source calls it; left out where there is one only.
	Product string `json:"product,omitempty"`
	// ReferenceTime is the start of the model run.
	ReferenceTime time.Time `json:"reference_time,omitzero"`
	// ValidTime is the moment that the object describes: of a radar volume its
	// start, of a balloon its release.
	ValidTime time.Time `json:"valid_time,omitzero"`
	// PublishedTime is when the store says that the object was last changed.
	PublishedTime time.Time `json:"published_time,omitzero"`
	// FetchedTime is when the last byte was here.
	FetchedTime time.Time `json:"fetched_time"`
	// Files lists what was fetched, in order.
	Files []InputFile `json:"files"`
	// Crop is the part that was kept; left out where nothing was.
	Crop *Crop `json:"crop,omitempty"`
	// Domain is the box that the object was cropped to; left out where it was
	// kept whole.
	Domain *Box `json:"domain,omitempty"`
	// Notes say what was missing or doubtful, one sentence each.
	Notes []string `json:"notes"`
	// Error says why the object could not be used; left out where it was used.
	Error string `json:"error,omitempty"`
}

// InputFile is one file, or one joined stretch of byte ranges, as it was fetched.
type InputFile struct {
	Name string `json:"name"`
	URL  string `json:"url"`
	// Bytes fetched; less than the file where ranges were asked for.
	Bytes int64 `json:"bytes"`
	// SHA256 of the bytes fetched, 64 hexadecimal digits; left out where the
	// fetch failed.
	SHA256 string `json:"sha256,omitempty"`
	// ETag is the store's validator, with its quotes; no digest of the content.
	ETag string `json:"etag,omitempty"`
	// LastModified is when the store says that the file was last changed.
	LastModified time.Time `json:"last_modified,omitzero"`
}

// Crop is the part of an input that was kept, in the object store of the bus.
type Crop struct {
	// Object is its name there.
	Object string `json:"object"`
	SHA256 string `json:"sha256"`
	Bytes  int64  `json:"bytes"`
}

// Box is a range of latitude and longitude. It crosses the 180th meridian where
// west is greater than east.
type Box struct {
	SouthDeg float64 `json:"south_deg"`
	NorthDeg float64 `json:"north_deg"`
	WestDeg  float64 `json:"west_deg"`
	EastDeg  float64 `json:"east_deg"`
}

// HealthState is how a worker does.
type HealthState string

// The states of a worker.
const (
	HealthOK       HealthState = "ok"       // everything is fetched and judged in time
	HealthDegraded HealthState = "degraded" // something is late or missing, scores are still made
	HealthFailing  HealthState = "failing"  // scores are not made, or cannot be trusted
)

// Health is what a worker says of itself every minute, and at once when its
// state changes. A worker that has said nothing for three minutes is gone.
type Health struct {
	// Worker is the id of the worker: unique among those that run.
	Worker string `json:"worker"`
	Host   string `json:"host"`
	// Roles that the worker has: ingest, assess, schedule; others may follow.
	Roles   []string `json:"roles"`
	Version string   `json:"version"` // of the program
	// StartedTime is when the worker began.
	StartedTime time.Time `json:"started_time"`
	// Time at which this was so.
	Time  time.Time   `json:"time"`
	State HealthState `json:"state"`
	// Reasons say in one sentence each why the state is not ok.
	Reasons []string       `json:"reasons"`
	Sources []SourceHealth `json:"sources"`
	Queues  []QueueHealth  `json:"queues"`
	// Counts since the start of the worker, by name: jobs_done, jobs_failed,
	// events_published and others.
	Counts map[string]int64 `json:"counts"`
}

// SourceHealth is how one source of one programme does.
type SourceHealth struct {
	Source    string `json:"source"`
	Programme string `json:"programme"`
	// InputID is the input of the programme file; left out where one is not told from
	// another.
	InputID string `json:"input_id,omitempty"`
	// NewestTime is the valid time of the newest object (of a model the start of
	// the newest run); left out where none has come yet.
	NewestTime time.Time `json:"newest_time,omitzero"`
	// LastSuccessTime is when the store was last reached and answered well.
	LastSuccessTime time.Time `json:"last_success_time,omitzero"`
	// BehindSeconds is how long ago the next object was due; 0 where none is.
	BehindSeconds float64 `json:"behind_seconds"`
	// Error of the last try; left out where it went well.
	Error string `json:"error,omitempty"`
}

// QueueHealth is the length of one work queue.
type QueueHealth struct {
	Queue string `json:"queue"` // ingest or assess; others may follow
	// Waiting jobs are not yet given to a worker.
	Waiting int64 `json:"waiting"`
	// Running jobs are with a worker.
	Running int64 `json:"running"`
}

// DeadLetter is a job that was given up: it failed as often as it may, or can
// never succeed. It needs a person to look at it.
type DeadLetter struct {
	JobID string `json:"job_id"`
	// Queue on which the job was.
	Queue     string `json:"queue"`
	Programme string `json:"programme"`
	// Deliveries is how often the job was tried.
	Deliveries int `json:"deliveries"`
	// Error of the last try.
	Error string `json:"error"`
	// Worker that gave it up.
	Worker string    `json:"worker"`
	Time   time.Time `json:"time"` // when it was given up
	// Job is the job itself, as it lay on the queue.
	Job json.RawMessage `json:"job"`
}
