package message

import (
	"embed"
	"io/fs"
	"strings"
)

//go:embed schema/*.json
var schemaFiles embed.FS

// AsyncAPI is the AsyncAPI 3.0 document of everything on the bus, in JSON.
//
//go:embed asyncapi.json
var AsyncAPI []byte

// Schemas holds the JSON Schemas: "score.v1.json" and so on for the data of each
// kind, and "event.v1.json" for the envelope of all.
func Schemas() fs.FS {
	folder, err := fs.Sub(schemaFiles, "schema")
	if err != nil {
		panic(err) // the folder's name is a constant and valid
	}
	return folder
}

// Schema is the JSON Schema with an $id, as events name it in dataschema; false
// where there is none.
func Schema(id string) ([]byte, bool) {
	name, ok := schemaFile(id)
	if !ok {
		return nil, false
	}
	b, err := fs.ReadFile(Schemas(), name)
	return b, err == nil
}

// schemaFile names the file of a schema: "urn:rimeline:schema:score:v1" lies in
// "score.v1.json".
func schemaFile(id string) (string, bool) {
	rest, ok := strings.CutPrefix(id, "urn:rimeline:schema:")
	name, version, split := strings.Cut(rest, ":")
	return name + "." + version + ".json", ok && split && name != "" && version != ""
}
