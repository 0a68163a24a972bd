package main

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"
	"github.com/fhs/go-netcdf/netcdf"

	"rimeline/ingest/cfgrid"
	"rimeline/seedability"
	"rimeline/seedability/archive"
	"rimeline/seedability/bus"
	evaluation "rimeline/seedability/evaluate/report"
)

// evaluated runs the command on arguments.
func evaluated(t *testing.T, arguments ...string) (outcome, error) {
	t.Helper()
	var command evaluateCommand
	parser, err := kong.New(&command)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := parser.Parse(arguments); err != nil {
		t.Fatal(err)
	}
	var stdout, stderr bytes.Buffer
	err = command.Run(&environment{Context: t.Context(), Stdout: &stdout, Stderr: &stderr})
	return outcome{stdout: stdout.String(), stderr: stderr.String()}, err
}

// evaluatedArchive has four invented assessments and an outlook of them.
func evaluatedArchive(t *testing.T) string {
	t.Helper()
	dir := t.TempDir()
	a, err := archive.Open(dir, archive.Options{OnThread: cfgrid.OnThread, ProgramVersion: "0.0-test"})
	if err != nil {
		t.Fatal(err)
	}
	put := func(kind bus.Kind, sequence uint64, at time.Time, data any) {
		e, err := bus.NewEvent(kind, "foxglove", "hut", at, data)
		if err == nil {
			err = a.Add(t.Context(), kind.Name, sequence, at, e)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	start := time.Date(2026, 1, 14, 6, 0, 0, 0, time.UTC)
	site := seedability.SiteRef{ID: "hut", Name: "Hut", LatitudeDeg: 44, LongitudeDeg: -114, AltitudeM: 1500}
	outlook := seedability.Outlook{Programme: "foxglove", Site: site, IssuedAt: start, From: start, To: start.Add(9 * time.Hour), Releases: []seedability.OutlookRelease{}, Windows: []seedability.Window{}, Gone: []seedability.Window{}, Inputs: []seedability.Input{}, Notes: []string{}, Cautions: []string{}}
	for k, x := range []struct{ foreseen, judged float64 }{{70, 80}, {70, 20}, {30, 80}, {30, 20}} { // hit, false alarm, miss, correct
		at := start.Add(time.Duration(6+k) * time.Hour)
		state := func(score float64) seedability.State {
			if score >= 60 {
				return seedability.StateWindow
			}
			return seedability.StateQuiet
		}
		put(bus.Score, uint64(k+1), at, seedability.Assessment{Programme: "foxglove", Site: site, ReleaseTime: at, AsOf: at, State: state(x.judged), Score: seedability.Score{Value: &x.judged, Components: []seedability.Component{}, Caps: []seedability.Cap{}},
			Path: []seedability.PathStep{}, Bands: []seedability.BandPassage{}, Inputs: []seedability.Input{}, Notes: []string{}, Cautions: []string{}})
		outlook.Releases = append(outlook.Releases, seedability.OutlookRelease{ReleaseTime: at, LeadMinutes: at.Sub(start).Minutes(), Score: &x.foreseen, Confidence: .7, State: state(x.foreseen)})
	}
	put(bus.Outlook, 1, start, outlook)
	if err := errors.Join(a.Flush(t.Context()), a.Close()); err != nil {
		t.Fatal(err)
	}
	return dir
}

func written(t *testing.T, dir, name, text string) string {
	t.Helper()
	path := filepath.Join(dir, name)
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
	return path
}

func TestEvaluate(t *testing.T) {
	from, dir := evaluatedArchive(t), t.TempDir()
	out := filepath.Join(dir, "report")
	gauge := written(t, dir, "gauge.csv", "time,place,quantity,value,unit,minutes\n2026-01-14T13:00:00Z,ridge gauge,precipitation,0.1,in,120\n")
	units := written(t, dir, "units.csv", "target,control,seeded\n410,300,no\n560,420,no\n480,350,no\n545,370,yes\n625,440,yes\n")
	o, err := evaluated(t, "--archive", from, "--out", out, "--observed", gauge, "--place", "ridge gauge=hut", "--units", units, "--control", "control")
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{"4 assessments and 4 outlook releases", "4 pairs", "double ratio", "no proof of an effect", "report.html"} {
		if !strings.Contains(o.stdout, want) {
			t.Errorf("the output lacks %q:\n%s", want, o.stdout)
		}
	}
	var r evaluation.Report
	b, err := os.ReadFile(filepath.Join(out, "report.json"))
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(b, &r); err != nil {
		t.Fatal(err)
	}
	if c := r.Forecast.Comparison.All.Contingency.Table; c.Hits != 1 || c.FalseAlarms != 1 || c.Misses != 1 || c.CorrectNegatives != 1 {
		t.Errorf("table: %+v", c)
	}
	// 12 and 13 UTC lie in the two hours of the gauge, 11 UTC being without.
	if c := r.Observed[0].Now.Contingency.Table; c.Hits != 1 || c.Misses != 1 || r.Observed[0].Now.Contingency.Pairs != 2 {
		t.Errorf("gauge: %+v", c)
	}
	for _, name := range []string{"report.html", "scores.csv", "contingency.csv", "states.csv", "reliability.csv", "roc.csv", "operations.csv", "windows.csv", "releases.csv", "times.csv", "effect.csv", "units.csv", "definitions.csv"} {
		if info, err := os.Stat(filepath.Join(out, name)); err != nil || info.Size() == 0 {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// Nothing is written where observations cannot be used, and what is wrong is said with
// file and line.
func TestEvaluateRefuses(t *testing.T) {
	from, dir := evaluatedArchive(t), t.TempDir()
	bad := written(t, dir, "bad.csv", "time,site,quantity,value,unit,minutes\n2026-01-14T13:00:00,hut,precipitation,1,mm,60\n2026-01-14T13:00:00Z,hut,precipitation,1,furlong,60\n")
	out := filepath.Join(dir, "report")
	_, err := evaluated(t, "--archive", from, "--out", out, "--observed", bad)
	if err == nil || !strings.Contains(err.Error(), bad+":2: time") || !strings.Contains(err.Error(), bad+":3: unit") {
		t.Errorf("got %v", err)
	}
	if _, err := os.Stat(out); err == nil {
		t.Error("a report was written all the same")
	}
	for _, test := range []struct {
		want      string
		arguments []string
	}{
		{"--programme", []string{"--programme", "nettle"}}, {"--from", []string{"--from", "yesterday"}}, {"--from must lie before", []string{"--from", "2026-02-01", "--to", "2026-01-01"}},
		{"no site \"barn\"", []string{"--observed", bad, "--place", "x=barn"}}, {"--place", []string{"--observed", bad, "--place", "x"}}, {"--event", []string{"--observed", bad, "--event", "icing=few"}},
		{"need --units", []string{"--control", "c"}}, {"need --observed", []string{"--place", "a=hut"}}, {"--lag", []string{"--lag", "99h"}},
	} {
		_, err := evaluated(t, append([]string{"--archive", from, "--out", out}, test.arguments...)...)
		var wrong usageError
		if !errors.As(err, &wrong) || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%v: got %v, want %q", test.arguments, err, test.want)
		}
	}
}

// Observations of netCDF: the same layout, time in CF units.
func TestEvaluateNetCDF(t *testing.T) {
	from, dir := evaluatedArchive(t), t.TempDir()
	write := func(name, unit string, mode netcdf.FileMode) string {
		path := filepath.Join(dir, name)
		err := cfgrid.OnThread(t.Context(), func() error {
			f, err := netcdf.CreateFile(path, netcdf.CLOBBER|mode)
			if err != nil {
				return err
			}
			defer f.Close()
			row, err1 := f.AddDim("row", 2)
			length, err2 := f.AddDim("length", 3)
			at, err3 := f.AddVar("time", netcdf.DOUBLE, []netcdf.Dim{row})
			site, err4 := f.AddVar("site", netcdf.CHAR, []netcdf.Dim{row, length})
			liquid, err5 := f.AddVar("lwp", netcdf.DOUBLE, []netcdf.Dim{row})
			if err := errors.Join(err1, err2, err3, err4, err5); err != nil {
				return err
			}
			err = errors.Join(at.Attr("units").WriteBytes([]byte("hours since 2026-01-14 00:00:00")), liquid.Attr("units").WriteBytes([]byte(unit)),
				liquid.Attr("standard_name").WriteBytes([]byte("atmosphere_mass_content_of_cloud_liquid_water")), f.EndDef())
			if err != nil {
				return err
			}
			return errors.Join(at.WriteFloat64s([]float64{12, 13}), site.WriteBytes([]byte("huthut")), liquid.WriteFloat64s([]float64{80, 10}))
		})
		if err != nil {
			t.Fatal(err)
		}
		return path
	}
	for _, mode := range []netcdf.FileMode{0, netcdf.NETCDF4} {
		out := filepath.Join(dir, "report")
		if _, err := evaluated(t, "--archive", from, "--out", out, "--observed", write("lwp.nc", "g m-2", mode)); err != nil {
			t.Fatal(err)
		}
		b, err := os.ReadFile(filepath.Join(out, "report.json"))
		if err != nil {
			t.Fatal(err)
		}
		var r evaluation.Report
		if err := json.Unmarshal(b, &r); err != nil {
			t.Fatal(err)
		}
		// 80 g/m2 is 0.08 kg/m2, above 0.05; 12 UTC was judged a window, 13 UTC not.
		if len(r.Observed) != 1 || r.Observed[0].Quantity != "liquid_water_path" || r.Observed[0].Now.Contingency.Table.Hits != 1 || r.Observed[0].Now.Contingency.Table.CorrectNegatives != 1 {
			t.Errorf("observed: %+v", r.Observed)
		}
	}
	path := write("bad.nc", "K", 0)
	if _, err := evaluated(t, "--archive", from, "--out", filepath.Join(dir, "none"), "--observed", path); err == nil || !strings.Contains(err.Error(), path+": lwp[0]: unit \"K\"") {
		t.Errorf("unit: %v", err)
	}
}
