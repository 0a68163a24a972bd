package cfgrid

import (
	"context"
	"slices"
	"time"

	"rimeline/ingest"
)

// Dimension of a variable.
type Dimension struct {
	Name   string
	Length int
}

// Variable describes one array of a file.
type Variable struct {
	Name         string // with its groups: "group/name"
	Type         string // "short", "float", "string", "user-defined type" ...
	Dimensions   []Dimension
	StandardName string
	LongName     string
	Units        string
	// Fields that it gives, and the number of the first; 0 for coordinates,
	// bounds, grid mappings and text.
	FirstField, Fields int
	// VerticalFormula is the attribute formula_terms of its vertical coordinate
	// (CF 4.3.3). It is not evaluated: levels keep the coordinate's own value.
	VerticalFormula string
	// Notes say what could not be told of it, in words.
	Notes []string
}

// Format names the kind of netCDF file: "netCDF classic", "netCDF-4", ...
func (f *File) Format() string { return f.format }

// Variables lists all arrays in file order.
func (f *File) Variables() []Variable {
	var list []Variable
	for _, v := range f.variables {
		one := Variable{
			Name: v.name, Type: typeName(v.kind), StandardName: standardName(v),
			LongName: v.text("long_name"), Units: v.text("units"),
			Notes: slices.Clone(f.notes[v]),
		}
		for _, d := range v.dims {
			one.Dimensions = append(one.Dimensions, Dimension{d.name, int(d.length)})
		}
		for _, s := range f.sources {
			if s.v != v || s.count == 0 {
				continue
			}
			one.FirstField, one.Fields = s.first, s.count
			if s.level != nil && s.level.v != nil {
				one.VerticalFormula = s.level.v.text("formula_terms")
			}
			for _, c := range []*coordinate{s.time, s.reference} {
				if c != nil && c.v != nil {
					one.Notes = append(one.Notes, f.notes[c.v]...)
				}
			}
		}
		list = append(list, one)
	}
	return list
}

// Text gives a text attribute of a variable, or of the whole file where variable
// is empty; empty where there is none.
func (f *File) Text(variable, attribute string) string {
	v := f.attributes
	if variable != "" {
		v = f.byName[variable]
	}
	if v == nil {
		return ""
	}
	return v.text(attribute)
}

// Values reads a whole numeric variable, unpacked, in file order (the last
// dimension fastest); missing values are NaN. Coordinates keep their units.
func (f *File) Values(ctx context.Context, variable string) (values []float64, err error) {
	v := f.byName[variable]
	if v == nil || !v.isNumeric() {
		return nil, f.error(ingest.ErrUnsupported, "no numeric variable %q", variable)
	}
	start, count := wholeOf(v)
	err = f.do(ctx, func() error {
		values, err = f.read64(ctx, v, start, count)
		return err
	})
	return values, err
}

// Strings reads a whole variable of text: one string for each index of all
// dimensions but, for characters, the last.
func (f *File) Strings(ctx context.Context, variable string) (texts []string, err error) {
	v := f.byName[variable]
	if v == nil {
		return nil, f.error(ingest.ErrUnsupported, "no variable %q", variable)
	}
	err = f.do(ctx, func() error {
		texts, err = f.readText(v)
		return err
	})
	return texts, err
}

// Numbers gives a numeric attribute of a variable, or of the whole file where
// variable is empty; nil where there is none.
func (f *File) Numbers(variable, attribute string) []float64 {
	v := f.attributes
	if variable != "" {
		v = f.byName[variable]
	}
	if v == nil {
		return nil
	}
	return slices.Clone(v.attributes[attribute].numbers)
}

// Values32 is Values rounded to float32, in half the memory.
func (f *File) Values32(ctx context.Context, variable string) (values []float32, err error) {
	v := f.byName[variable]
	if v == nil || !v.isNumeric() {
		return nil, f.error(ingest.ErrUnsupported, "no numeric variable %q", variable)
	}
	start, count := wholeOf(v)
	err = f.do(ctx, func() error {
		values, err = f.read32(ctx, v, start, count)
		return err
	})
	return values, err
}

// Times reads a whole numeric variable whose units are "UNIT since TIME".
// Missing ones are zero.
func (f *File) Times(ctx context.Context, variable string) ([]time.Time, error) {
	v := f.byName[variable]
	if v == nil {
		return nil, f.error(ingest.ErrUnsupported, "no variable %q", variable)
	}
	axis, err := parseTimeAxis(v.text("units"), v.text("calendar"))
	if err != nil {
		return nil, f.error(ingest.ErrUnsupported, "%s: %v", variable, err)
	}
	values, err := f.Values(ctx, variable)
	if err != nil {
		return nil, err
	}
	times := make([]time.Time, len(values))
	for k, x := range values {
		times[k] = axis.at(x)
	}
	return times, nil
}
