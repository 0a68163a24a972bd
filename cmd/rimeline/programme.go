package main

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	stores "rimeline/ingest/source"
	"rimeline/seedability"
	"rimeline/seedability/programme"
)

// loadProgramme reads a programme file and the geometry files beside it.
func loadProgramme(path string) (*programme.Programme, error) {
	b, err := readFileBytes(path, maxProgrammeBytes)
	if err != nil {
		return nil, err
	}
	return parseProgramme(path, b, besideFile(path))
}

// besideFile opens what a programme file names, relative to it.
func besideFile(path string) func(name string) ([]byte, error) {
	return func(name string) ([]byte, error) {
		if !filepath.IsAbs(name) {
			name = filepath.Join(filepath.Dir(path), filepath.FromSlash(name))
		}
		return readFileBytes(name, maxProgrammeBytes)
	}
}

func parseProgramme(file string, text []byte, open func(name string) ([]byte, error)) (*programme.Programme, error) {
	p, err := programme.Parse(file, text, open, componentDefaults(), knownSources())
	if err != nil {
		return nil, err
	}
	if err := checkSafetyInputs(p); err != nil {
		return nil, err
	}
	return p, nil
}

// componentDefaults tells the programme file's reader what a score is made of.
func componentDefaults() []programme.ComponentDefault {
	var defaults []programme.ComponentDefault
	for _, criterion := range seedability.DefaultCriteria() {
		row := programme.ComponentDefault{Name: criterion.Name, Unit: criterion.Unit, Weight: criterion.Weight}
		for _, knot := range criterion.Membership {
			row.Knots = append(row.Knots, [2]float64{knot.X, knot.Mu})
		}
		defaults = append(defaults, row)
	}
	return defaults
}

// knownSources lists the public stores that a programme's inputs may name.
func knownSources() []programme.KnownSource {
	var known []programme.KnownSource
	for _, s := range stores.All() {
		known = append(known, programme.KnownSource{Name: s.Name, Kind: s.Kind, Format: sourceFormats[s.Name], NeedsURL: s.Layout == stores.LayoutPage && s.BaseURL == ""})
	}
	return known
}

// sourceFormats are the formats of sources that serve suspension criteria.
var sourceFormats = map[string]string{
	"usgs-iv": programme.FormatUSGS, "usgs-latest": programme.FormatUSGS, "nwps-gauge": programme.FormatNWPSGauge, "nwps-stageflow": programme.FormatStageflow,
	"snotel": programme.FormatSnotel, "gauge-table": programme.FormatTable, "gauge-json": programme.FormatJSON,
	"nws-alerts": programme.FormatAlerts, "cap-feed": programme.FormatAlerts,
	"avalanche-us": programme.FormatMapLayer, "avalanche-json": programme.FormatDanger, "telemetry-json": programme.FormatTelemetry,
}

// maxProgrammeBytes bounds a programme file and each geometry file.
const maxProgrammeBytes = 32 << 20

// readFileBytes reads a regular file whole, up to a ceiling.
func readFileBytes(path string, ceiling int64) ([]byte, error) {
	info, err := os.Stat(path)
	if err != nil {
		return nil, plainPathError(err)
	}
	if info.IsDir() {
		return nil, fmt.Errorf("%s: is a directory", path)
	}
	if info.Size() > ceiling {
		return nil, fmt.Errorf("%s: has %d bytes, at most %d are read", path, info.Size(), ceiling)
	}
	b, err := os.ReadFile(path)
	if err != nil {
		return nil, plainPathError(err)
	}
	return b, nil
}

// plainPathError drops the name of the system call from an error of package os.
func plainPathError(err error) error {
	var path *os.PathError
	if errors.As(err, &path) {
		return fmt.Errorf("%s: %w", path.Path, path.Err)
	}
	return err
}
