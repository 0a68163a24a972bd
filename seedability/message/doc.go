// Package message describes every message on the bus: the types of their data,
// the JSON Schemas that other programs hold them to, the AsyncAPI document that
// says where each travels, the reader that turns an event back into its type,
// and the words in which an event is shown to people.
//
// A message is a CloudEvent (package bus) whose type ends in the version of its
// data. Within a version, data only ever gain optional fields: a reader ignores
// what it does not know, a field that was there stays, with its type and
// meaning. What cannot keep that promise becomes a new version, beside the old.
//
// Two kinds have no schema here. Telemetry comes from gateways of sites and is any
// JSON that the programme file maps; CAP is XML, defined by its own standard, and
// travels in the binary mode of CloudEvents.
//
// The documents in schema and asyncapi.json are generated from the Go types and
// from the kinds of package bus; tests hold them to each other, and to a list of
// what is published (testdata/published.txt). Schemas are JSON Schema 2020-12
// (Wright, Andrews, Hutton and Dennis 2022), the document is AsyncAPI 3.0.0.
package message

//go:generate go test -run TestCommitted . -update
