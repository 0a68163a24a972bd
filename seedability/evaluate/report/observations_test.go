package report

import (
	"bytes"
	"fmt"
	"math"
	"runtime"
	"runtime/debug"
	"strings"
	"testing"
	"time"

	"github.com/parquet-go/parquet-go"

	"rimeline/seedability/evaluate"
)

func observations(t testing.TB) *Observations {
	t.Helper()
	o, err := NewObservations([]string{"hut"}, nil, on(23, 0))
	if err != nil {
		t.Fatal(err)
	}
	return o
}

// A row that cannot be used is told with file and line.
func TestRefusedRows(t *testing.T) {
	head := "time,site,quantity,value,unit,minutes\n"
	for _, test := range []struct{ text, want string }{
		{"", "a.csv:1: the file is empty"},
		{"time;site;quantity;value;unit\n", "a.csv:1: there is no column \"time\"; columns are separated by commas"},
		{"time,site,value,unit\n", "a.csv:1: there is no column \"quantity\""},
		{"time,time,quantity,value,unit\n", "a.csv:1: column time is there twice"},
		{head + "2026-01-14T05:00:00,hut,icing,1,1,60\n", "a.csv:2: time: \"2026-01-14T05:00:00\" has no zone"},
		{head + "14.01.2026 05:00,hut,icing,1,1,60\n", "a.csv:2: time: \"14.01.2026 05:00\" is no time"},
		{head + "2026-01-15T05:00:00Z,hut,icing,1,1,60\n", "a.csv:2: time 2026-01-15 05:00 UTC lies in the future"},
		{head + "0026-01-15T05:00:00Z,hut,icing,1,1,60\n", "a.csv:2: time 0026-01-15 05:00 UTC is before 1900"},
		{head + "2026-01-14T05:00:00Z,hut,icing,1,1,60\n2026-01-14T06:00:00Z,hut,precipitation,1,inches,60\n", "a.csv:3: unit \"inches\" of precipitation is not one of mm, cm, in"},
		{head + "2026-01-14T05:00:00Z,hut,rain,1,mm,60\n", "a.csv:2: quantity \"rain\" is not one of precipitation"},
		{head + "2026-01-14T05:00:00Z,hut,precipitation,1,mm,\n", "a.csv:2: precipitation is over a period"},
		{head + "2026-01-14T05:00:00Z,hut,snow_water_equivalent,1,mm,60\n", "a.csv:2: snow_water_equivalent is what lies there at a time"},
		{head + "2026-01-14T05:00:00Z,hut,precipitation,-9999,mm,60\n", "a.csv:2: precipitation of -9999 mm is outside 0 to 500; leave a missing value empty"},
		{head + "2026-01-14T05:00:00Z,hut,precipitation,\"1,5\",mm,60\n", "a.csv:2: value: \"1,5\" is no number"},
		{head + "2026-01-14T05:00:00Z,hut,icing,1,1,-5\n", "a.csv:2: minutes \"-5\""},
		{head + "2026-01-14T05:00:00Z,,icing,1,1,60\n", "a.csv:2: neither site nor place"},
		{head + "2026-01-14T05:00:00Z,hut,icing,1,1\n", "a.csv:2: 5 columns, the first line has 6"},
		{head + "2026-01-14T05:00:00Z,hut,\"icing,1,1,60\n", "a.csv:2: "},
		{head + "2026-01-14T05:00:00Z,hut,icing,1,1,60\n2026-01-14T05:00:00Z,hut,icing,2,1,60\n", "a.csv:3: icing at 2026-01-14 05:00 UTC is 2, but a.csv:2 says 1"},
	} {
		o := observations(t)
		err := o.ReadCSV("a.csv", strings.NewReader(test.text))
		if err == nil {
			err = o.Close()
		}
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("%q: got %v, want %q", test.text, err, test.want)
		}
	}
	// Errors of one file are told up to a bound.
	o := observations(t)
	if err := o.ReadCSV("a.csv", strings.NewReader(head+strings.Repeat("x,hut,icing,1,1,60\n", 1000))); err == nil || strings.Count(err.Error(), "\n") != maxRowErrors-1 {
		t.Errorf("%v", err)
	}
}

// Units come out as those of the quantity. Factors: 1 in = 25.4 mm exactly (ISO 80000-3);
// 1 kg/m2 of water is 1 mm at 1000 kg/m3.
func TestUnits(t *testing.T) {
	for _, test := range []struct {
		quantity, unit, minutes string
		given, want             float64
	}{
		{"precipitation", "in", "60", .1, 2.54}, {"precipitation", "kg m-2", "60", 2, 2}, {"lwe_thickness_of_precipitation_amount", "m", "60", .003, 3},
		{"precipitation_rate", "m s-1", "", 1e-6, 3.6}, {"liquid_water_path", "g m-2", "", 80, .08}, {"liquid_water_path", "mm", "", .08, .08},
	} {
		o := observations(t)
		if err := o.ReadCSV("a.csv", strings.NewReader(fmt.Sprintf("time,site,quantity,value,unit,minutes\n2026-01-14T05:00Z,hut,%s,%v,%s,%s\n", test.quantity, test.given, test.unit, test.minutes))); err != nil {
			t.Error(err)
			continue
		}
		if got := o.all()[0].at[0].value; math.Abs(got-test.want) > 1e-12 {
			t.Errorf("%v %s: got %v, want %v", test.given, test.unit, got, test.want)
		}
	}
}

// A snow pillow counts by its rise, and not over gaps.
func TestPillow(t *testing.T) {
	o := observations(t)
	if err := o.ReadCSV("a.csv", strings.NewReader(`time,site,quantity,value,unit
2026-01-10T00:00:00Z,hut,snow_water_equivalent,100,mm
2026-01-10T02:00:00Z,hut,snow_water_equivalent,103,mm
2026-01-10T01:00:00Z,hut,snow_water_equivalent,,mm
2026-01-10T03:00:00Z,hut,snow_water_equivalent,102.5,mm
2026-01-12T03:00:00Z,hut,snow_water_equivalent,120,mm
`)); err != nil {
		t.Fatal(err)
	}
	if err := o.Close(); err != nil {
		t.Fatal(err)
	}
	at := o.all()[0].at
	if len(at) != 2 || at[0].value != 3 || at[0].end-at[0].start != 7200 || at[1].value != -.5 || o.unrated != 1 {
		t.Errorf("%+v, %d over gaps", at, o.unrated)
	}
}

func TestFind(t *testing.T) {
	s := &series{at: []observed{{start: 0, end: 3600, value: 1}, {start: 3600, end: 7200, value: 2}, {start: 9000, end: 9000, value: 3}}}
	for _, test := range []struct{ at, want int64 }{{0, 0}, {1, 1}, {3600, 1}, {3601, 2}, {7200, 2}, {7201, 0}, {8400, 3}, {9600, 3}, {9601, 0}} {
		got := int64(0)
		if x, ok := s.find(test.at, 600); ok {
			got = int64(x.value)
		}
		if got != test.want {
			t.Errorf("at %d: got %d, want %d", test.at, got, test.want)
		}
	}
}

func TestParquet(t *testing.T) {
	type row struct {
		Time     time.Time `parquet:"time,timestamp(microsecond)"`
		Site     string    `parquet:"site"`
		Quantity string    `parquet:"quantity"`
		Value    *float64  `parquet:"value,optional"`
		Unit     string    `parquet:"unit"`
		Minutes  int32     `parquet:"minutes"`
	}
	x := 2.
	write := func(rows any) []byte {
		var b bytes.Buffer
		var err error
		switch rows := rows.(type) {
		case []row:
			err = parquet.Write(&b, rows)
		case []struct {
			Time     time.Time `parquet:"time,timestamp(microsecond:local)"`
			Quantity string    `parquet:"quantity"`
			Value    float64   `parquet:"value"`
			Unit     string    `parquet:"unit"`
		}:
			err = parquet.Write(&b, rows)
		}
		if err != nil {
			t.Fatal(err)
		}
		return b.Bytes()
	}
	b := write([]row{{on(5, 0), "hut", "icing", &x, "1", 60}, {on(6, 0), "hut", "icing", nil, "1", 60}})
	o := observations(t)
	if err := o.ReadParquet("a.parquet", bytes.NewReader(b), int64(len(b))); err != nil {
		t.Fatal(err)
	}
	at := o.all()[0].at
	if len(at) != 2 || at[0].end != on(5, 0).Unix() || at[0].end-at[0].start != 3600 || at[0].value != 2 || !math.IsNaN(at[1].value) {
		t.Errorf("%+v", at)
	}
	b = write([]row{{on(5, 0), "hut", "icing", &x, "1", 60}, {on(6, 0), "hut", "icing", &x, "mm", 60}})
	if err := observations(t).ReadParquet("a.parquet", bytes.NewReader(b), int64(len(b))); err == nil || !strings.Contains(err.Error(), "a.parquet: row 2: unit \"mm\"") {
		t.Errorf("unit: %v", err)
	}
	b = write([]struct {
		Time     time.Time `parquet:"time,timestamp(microsecond:local)"`
		Quantity string    `parquet:"quantity"`
		Value    float64   `parquet:"value"`
		Unit     string    `parquet:"unit"`
	}{{on(5, 0), "icing", 1, "1"}})
	if err := observations(t).ReadParquet("a.parquet", bytes.NewReader(b), int64(len(b))); err == nil || !strings.Contains(err.Error(), "no zone") {
		t.Errorf("zone: %v", err)
	}
	for n := range len(b) {
		if n%7 == 0 {
			if err := observations(t).ReadParquet("a.parquet", bytes.NewReader(b[:n]), int64(n)); err == nil {
				t.Errorf("%d of %d bytes were taken", n, len(b))
			}
		}
	}
}

// Ten unseeded and four seeded seasons, and what follows, computed apart from this
// program in double precision: a 6.3542, b 1.33073, R 1.0682, single ratio 1.1032,
// double ratio 1.0678.
const worked = `season,control,target,seeded
1,300,410,no
2,420,560,no
3,350,480,no
4,510,690,no
5,280,375,no
6,460,600,no
7,390,540,no
8,330,440,no
9,480,655,no
10,400,530,no
11,370,545,yes
12,440,625,yes
13,310,455,yes
14,500,705,yes
`

func TestEffect(t *testing.T) {
	u, err := ReadUnits("u.csv", strings.NewReader(worked), EffectColumns{Name: "season", Target: "target", Seeded: "seeded", Controls: []string{"control"}})
	if err != nil {
		t.Fatal(err)
	}
	e, err := NewEffect(u, evaluate.Design{Comparisons: 3}, evaluate.BootstrapOptions{MinimumBlocks: 4})
	if err != nil {
		t.Fatal(err)
	}
	for _, x := range []struct {
		what           string
		got, want, tol float64
	}{
		{"a", e.Regression.Coefficients[0].Estimate.Float(), 6.3542, 5e-5}, {"b", e.Regression.Coefficients[1].Estimate.Float(), 1.33073, 5e-6}, {"R", e.Regression.Ratio.Float(), 1.0682, 5e-5},
		{"single ratio", e.Single.Ratio.Float(), 1.1032, 5e-5}, {"double ratio", e.Double.Ratio.Float(), 1.0678, 5e-5},
		// 14 choose 4 ways; the observed one is among them.
		{"ways", float64(e.Permutation.Tried), 1001, 0}, {"Bonferroni", e.Bonferroni.Float(), 3 * e.Permutation.P.Float(), 1e-12},
	} {
		if math.Abs(x.got-x.want) > x.tol {
			t.Errorf("%s: got %v, want %v ± %v", x.what, x.got, x.want, x.tol)
		}
	}
	if len(e.Cautions) < 8 || e.Cautions[0] != evaluate.CautionNotRandomised {
		t.Errorf("cautions: %v", e.Cautions)
	}
	if names := e.predicted(); len(names) != 4 || names[0] != "11" {
		t.Errorf("seeded units: %v", names)
	}
	for _, test := range []struct{ text, want string }{
		{"season,control,target,seeded\n1,300,410,maybe\n", `u.csv:2: seeded: "maybe" is neither yes nor no`},
		{"season,control,target,seeded\n1,300,410,no\n2,-1,410,no\n", "u.csv:3: control: an amount of -1 is less than nought"},
		{"season,control,target,seeded\n1,300,4 10,no\n", `u.csv:2: target: "4 10" is no number`},
		{"season,target,seeded\n1,410,no\n", `u.csv:1: there is no column "control"`},
	} {
		_, err := ReadUnits("u.csv", strings.NewReader(test.text), EffectColumns{Target: "target", Seeded: "seeded", Controls: []string{"control"}})
		if err == nil || !strings.Contains(err.Error(), test.want) {
			t.Errorf("got %v, want %q", err, test.want)
		}
	}
}

func FuzzCSV(f *testing.F) {
	f.Add("time,site,quantity,value,unit,minutes\n2026-01-14T05:00:00Z,hut,icing,1,1,60\n")
	f.Add("time,place,quantity,value,unit\n2026-01-14T05:00:00+01:00,x,snow_water_equivalent,1e3,mm\n")
	f.Fuzz(func(t *testing.T, text string) {
		o := observations(t)
		err := o.ReadCSV("fuzz", strings.NewReader(text))
		if err != nil && !strings.HasPrefix(err.Error(), "fuzz:") {
			t.Errorf("error without a place: %v", err)
		}
		if err := o.Close(); err != nil && !strings.HasPrefix(err.Error(), "fuzz:") {
			t.Errorf("error without a place: %v", err)
		}
		for _, s := range o.all() {
			q := &Quantities[s.quantity]
			for _, x := range s.at {
				if x.end < x.start || !q.Cumulative && !math.IsNaN(x.value) && (x.value < q.Low || x.value > q.High) {
					t.Errorf("%s: %+v", q.Name, x)
				}
			}
		}
	})
}

func FuzzUnits(f *testing.F) {
	f.Add(worked)
	f.Fuzz(func(t *testing.T, text string) {
		u, err := ReadUnits("fuzz", strings.NewReader(text), EffectColumns{Name: "season", Target: "target", Seeded: "seeded", Controls: []string{"control"}})
		if err != nil {
			if !strings.HasPrefix(err.Error(), "fuzz:") {
				t.Errorf("error without a place: %v", err)
			}
			return
		}
		if len(u.Seeded) > 200 {
			return
		}
		if _, err := NewEffect(u, evaluate.Design{}, evaluate.BootstrapOptions{Replicates: 50}); err != nil {
			t.Error(err)
		}
	})
}

// Columns that nobody asked for are left alone, lists too; damage is named by its place.
func TestParquetOfOthers(t *testing.T) {
	type row struct {
		Time     time.Time `parquet:"time,timestamp(microsecond)"`
		Quantity string    `parquet:"quantity,dict"`
		Value    float64   `parquet:"value"`
		Unit     string    `parquet:"unit,dict"`
		Site     string    `parquet:"site,dict"`
		Minutes  int32     `parquet:"minutes"`
		Extra    []int64   `parquet:"extra"`
	}
	rows := make([]row, 1000)
	for k := range rows {
		rows[k] = row{time.Date(2026, 1, 14, 0, k, 0, 0, time.UTC), "icing", float64(k % 2), "1", "hut", 1, make([]int64, k%9)}
	}
	var into bytes.Buffer
	w := parquet.NewGenericWriter[row](&into, parquet.MaxRowsPerRowGroup(300), parquet.PageBufferSize(512))
	if _, err := w.Write(rows); err != nil {
		t.Fatal(err)
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	o := observations(t)
	if err := o.ReadParquet("a.parquet", bytes.NewReader(into.Bytes()), int64(into.Len())); err != nil || o.rows != len(rows) {
		t.Fatalf("%d rows: %v", o.rows, err)
	}
	damaged := bytes.Clone(into.Bytes())
	damaged[7] = 0xFF // uncompressed_page_size of the first page, which is of time
	err := observations(t).ReadParquet("a.parquet", bytes.NewReader(damaged), int64(len(damaged)))
	if err == nil || !strings.Contains(err.Error(), "a.parquet: row group 0, column time: page 0 at byte 4: ") {
		t.Errorf("%v", err)
	}
}

func FuzzParquet(f *testing.F) {
	type row struct {
		Time     string  `parquet:"time"`
		Site     string  `parquet:"site"`
		Quantity string  `parquet:"quantity"`
		Value    float64 `parquet:"value"`
		Unit     string  `parquet:"unit"`
		Minutes  string  `parquet:"minutes"`
	}
	var b bytes.Buffer
	if err := parquet.Write(&b, []row{{"2026-01-14T05:00:00Z", "hut", "icing", 1, "1", "60"}}); err != nil {
		f.Fatal(err)
	}
	f.Add(b.Bytes())
	f.Fuzz(func(t *testing.T, b []byte) {
		if len(b) > 1<<20 {
			return
		}
		defer debug.SetMemoryLimit(debug.SetMemoryLimit(256 << 20))
		defer func() {
			var m runtime.MemStats
			if runtime.ReadMemStats(&m); m.HeapSys > 512<<20 {
				t.Errorf("the heap grew to %d bytes", m.HeapSys)
			}
		}()
		o := observations(t)
		if err := o.ReadParquet("fuzz", bytes.NewReader(b), int64(len(b))); err != nil && !strings.HasPrefix(err.Error(), "fuzz:") {
			t.Errorf("error without a place: %v", err)
		}
	})
}
