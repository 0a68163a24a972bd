package programme

import (
	_ "embed"
	"encoding/json"
	"reflect"
	"strconv"
	"strings"
)

// Schema is the JSON Schema (draft 2020-12) of a programme file, read as YAML.
// It cannot say what Parse checks beyond single values: references, geometry,
// and values that must be in order.
//
//go:embed programme.schema.json
var Schema []byte

// schemaOfTypes builds the schema from the struct tags; a test holds the
// committed file to it.
func schemaOfTypes() ([]byte, error) {
	root := schemaOf(reflect.TypeFor[Programme](), "")
	root["$schema"] = "https://json-schema.org/draft/2020-12/schema"
	root["$id"] = "urn:rimeline:schema:programme:v1"
	root["title"] = "rimeline programme file"
	b, err := json.MarshalIndent(root, "", "  ")
	return append(b, '\n'), err
}

func schemaOf(t reflect.Type, tag reflect.StructTag) map[string]any {
	s := map[string]any{}
	if doc := tag.Get("doc"); doc != "" {
		s["description"] = doc
	}
	if t == reflect.TypeFor[geometrySource]() {
		s["type"] = "object"
		s["required"] = []string{"type", "coordinates"}
		s["properties"] = map[string]any{
			"type":        map[string]any{"enum": []string{"Polygon", "MultiPolygon"}},
			"coordinates": map[string]any{"type": "array", "minItems": 1},
		}
		return s
	}
	switch t.Kind() {
	case reflect.Pointer:
		return schemaOf(t.Elem(), tag)
	case reflect.Struct:
		properties, required, either := map[string]any{}, []string{}, []any{}
		for _, f := range fieldsOf(t) {
			properties[f.key] = schemaOf(t.FieldByIndex(f.index).Type, f.tag)
			if f.tag.Get("need") == "always" {
				required = append(required, f.key)
			}
			if f.tag.Get("need") == "either" {
				either = append(either, map[string]any{"required": []string{f.key}})
			}
		}
		if len(either) > 0 {
			s["oneOf"] = either
		}
		s["type"], s["properties"], s["additionalProperties"] = "object", properties, false
		if len(required) > 0 {
			s["required"] = required
		}
	case reflect.Map:
		s["type"], s["additionalProperties"] = "object", schemaOf(t.Elem(), "")
	case reflect.Slice:
		s["type"], s["items"] = "array", schemaOf(t.Elem(), itemTag(tag))
		if rule := tag.Get("length"); rule != "" {
			s["minItems"], s["maxItems"] = span(rule)
		}
	case reflect.Array:
		s["type"], s["items"] = "array", schemaOf(t.Elem(), "")
		s["minItems"], s["maxItems"] = t.Len(), t.Len()
	case reflect.String:
		// A station number or a short name of digits is a number to YAML.
		s["type"] = []string{"string", "number"}
		if rule := tag.Get("length"); rule != "" {
			s["minLength"], s["maxLength"] = span(rule)
		}
		if words := tag.Get("one"); words != "" {
			s["enum"] = strings.Split(words, "|")
		}
		if form := tag.Get("form"); form != "" {
			s["pattern"] = textForms[form].String()
		}
	case reflect.Int, reflect.Int64:
		s["type"] = "integer"
	case reflect.Float64:
		s["type"] = "number"
	case reflect.Bool:
		s["type"] = "boolean"
	}
	if rule := tag.Get("range"); rule != "" {
		r := parseRange(rule)
		if r.open {
			s["exclusiveMinimum"] = r.low
		} else {
			s["minimum"] = r.low
		}
		s["maximum"] = r.high
	}
	if text, ok := tag.Lookup("default"); ok && text != "NaN" {
		if number, err := strconv.ParseFloat(text, 64); err == nil {
			s["default"] = number
		} else {
			s["default"] = text
		}
	}
	return s
}
