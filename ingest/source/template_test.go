package source

import (
	"fmt"
	"maps"
	"strings"
	"testing"
	"time"
)

// realKeys are names of objects as the stores have or had them.
var realKeys = []struct {
	source, template, key string
	at                    string
	hour                  int
	more                  Values
	origin                string
}{
	{"hrrr", "file", "hrrr.20241001/conus/hrrr.t01z.wrfprsf00.grib2", "2024-10-01T01:00:00Z", 0, nil, "documentation of uwtools, HTTP sources"},
	{"hrrr", "file", "hrrr.20261005/conus/hrrr.t12z.wrfprsf00.grib2", "2026-10-05T12:00:00Z", 0, nil, "public listing of 2026-10-05"},
	{"rap", "file", "rap.20260724/rap.t00z.awp130pgrbf06.grib2", "2026-07-24T00:00:00Z", 6, nil, "public URL of 2026-07-24"},
	{"gfs", "file", "gfs.20221014/00/atmos/gfs.t00z.pgrb2.0p25.f000", "2022-10-14T00:00:00Z", 0, nil, "name of the inventory in the test files, directory from memory"},
	{"rrfs", "file", "rrfs_public/rrfs.20260817/00/rrfs.t00z.prslev.3km.f000.conus.grib2", "2026-08-17T00:00:00Z", 0, nil, "public URL of 2026-08-17"},
	{"rrfs", "surface", "rrfs_public/rrfs.20260817/00/rrfs.t00z.2dfld.3km.f001.conus.grib2", "2026-08-17T00:00:00Z", 1, nil, "public URL of 2026-08-17"},
	{"nexrad", "file", "2026/01/01/KDMX/KDMX20260101_154351_V06", "2026-01-01T15:43:51Z", 0, Values{"station": "KDMX", "vv": "06"}, "test file, directory from memory"},
	{"nexrad", "file", "2024/04/21/TATL/TATL20240421_001129_V08", "2024-04-21T00:11:29Z", 0, Values{"station": "TATL", "vv": "08"}, "test file of a terminal radar"},
	{"nexrad-chunks", "file", "KXXX/185/20260811-225858-049-E", "2026-08-11T22:58:58Z", 0, Values{"station": "KXXX", "volume": "185", "chunk": "049", "part": "E"}, "test files of volume 185, station unknown"},
	{"mrms", "file", "CONUS/MergedReflectivityQCComposite_00.50/20260920/MRMS_MergedReflectivityQCComposite_00.50_20260920-023041.grib2.gz",
		"2026-09-20T02:30:41Z", 0, Values{"product": "MergedReflectivityQCComposite_00.50"}, "public listing of 2026-09-20"},
	{"goes-east", "file", "ABI-L2-ACTPC/2026/216/18/OR_ABI-L2-ACTPC-M6_G19_s20262161801170_e20262161803545_c20262161804390.nc",
		"2026-08-04T18:01:17Z", 0, Values{"product": "ABI-L2-ACTPC"}, "public listing of 2026-08-04"},
	{"goes-west", "file", "ABI-L2-ACHTF/2022/353/22/OR_ABI-L2-ACHTF-M6_G18_s20223532240210_e20223532249518_c20223532252164.nc",
		"2022-12-19T22:40:21Z", 0, Values{"product": "ABI-L2-ACHTF"}, "public URL of 2022-12-19"},
	{"igra", "file", "USM00072572-data-beg2026.txt.zip", "2026-01-01T00:00:00Z", 0, Values{"station": "USM00072572"}, "index of data-y2d in 2026"},
	{"temp-gateway", "mandatory 2", "us/usnu01.tncc..txt", "2026-01-01T00:00:00Z", 0, Values{"ttaaii": "usnu01", "cccc": "tncc"}, "public URL of 2026"},
	{"temp-gateway", "significant 2", "uk/uknu01.tncc..txt", "2026-01-01T00:00:00Z", 0, Values{"ttaaii": "uknu01", "cccc": "tncc"}, "public URL of 2026"},
	{"temp-gateway", "mandatory 1", "us/usus44.kjan.man.jan.txt", "2026-01-01T00:00:00Z", 0, Values{"ttaaii": "usus44", "cccc": "kjan", "xxx": "jan"}, "heading and product name of the test file; order from memory, as in fxus61.kbox.afd.box.txt"},
	{"bufr-gateway", "collection", "sn.0000.bin", "2026-01-01T00:00:00Z", 0, Values{"nnnn": "0000"}, "public URL"},
	{"usgs-iv", "page", "nwis/iv/?format=json&sites=01646500,13206000&parameterCd=00060,00065,00054,00062,62614,62615&period=PT12H&siteStatus=all",
		"2026-01-01T00:00:00Z", 0, Values{"stations": "01646500,13206000"}, "public code asks nwis/iv/?format=json&sites=01646500&parameterCd=00060,00065&siteStatus=all; period from memory"},
	{"usgs-latest", "page", "ogcapi/v0/collections/latest-continuous/items?f=json&limit=1000&monitoring_location_id=USGS-09418500",
		"2026-01-01T00:00:00Z", 0, Values{"station": "09418500"}, "public code asks collections/.../items?monitoring_location_id=USGS-09418500"},
	{"nwps-gauge", "page", "nwps/v1/gauges/MILM8", "2026-01-01T00:00:00Z", 0, Values{"station": "MILM8"}, "public URL, less /stageflow"},
	{"nwps-stageflow", "page", "nwps/v1/gauges/MILM8/stageflow", "2026-01-01T00:00:00Z", 0, Values{"station": "MILM8"}, "public URL"},
	{"nws-alerts", "page", "alerts/active?zone=FLZ112,FLZ134,FLZ230", "2026-01-01T00:00:00Z", 0, Values{"zones": "FLZ112,FLZ134,FLZ230"}, "public code"},
	{"nws-alerts", "areas", "alerts/active?area=MT", "2026-01-01T00:00:00Z", 0, Values{"areas": "MT"}, "name of a public test file"},
	{"avalanche-us", "page", "v2/public/products/map-layer/NWAC", "2026-01-01T00:00:00Z", 0, Values{"station": "NWAC"}, "public code of an avalanche centre"},
}

// TestKeysAreThoseOfTheStores builds and reads real names.
func TestKeysAreThoseOfTheStores(t *testing.T) {
	for _, test := range realKeys {
		s, ok := Find(test.source)
		if !ok {
			t.Fatalf("no source %s", test.source)
		}
		moment := at(test.at)
		template := s.Templates[test.template]
		if !strings.Contains(template, "{*}") {
			key, err := s.Key(test.template, moment, test.hour, test.more)
			if err != nil || key != test.key {
				t.Errorf("%s: built %q, want %q (%s), error %v", test.source, key, test.key, test.origin, err)
			}
		} else if prefix, _ := Expand(template, TimeValues(moment).with(test.more)); len(prefix) < len("ABI-L2-ACTPC/2026/216/18/") || !strings.HasPrefix(test.key, prefix) {
			t.Errorf("%s: prefix %q, want that of %q (%s)", test.source, prefix, test.key, test.origin)
		}
		for _, known := range []Values{nil, test.more} {
			p, err := compile(template, known)
			if err != nil {
				t.Fatal(err)
			}
			values, ok := p.read(test.key)
			if !ok {
				t.Errorf("%s: %q is not read (%s)", test.source, test.key, test.origin)
				continue
			}
			for name, want := range test.more {
				if values[name] != want {
					t.Errorf("%s: %s of %q is %q, want %q", test.source, name, test.key, values[name], want)
				}
			}
			if got, ok := values.time(); values["dd"]+values["doy"] != "" && (!ok || !got.Equal(moment)) {
				t.Errorf("%s: time of %q is %s, want %s", test.source, test.key, got, moment)
			}
		}
	}
}

func TestEveryTemplateIsUnderstood(t *testing.T) {
	for _, s := range All() {
		for name, template := range s.Templates {
			if _, err := compile(template, nil); err != nil {
				t.Errorf("%s %s: %v", s.Name, name, err)
			}
		}
	}
	for _, bad := range []string{"{nothing}", "a/{yyyy", "{}"} {
		if _, err := compile(bad, nil); err == nil {
			t.Errorf("template %q was taken", bad)
		}
		if key, whole := Expand(bad, Values{"yyyy": "2026"}); whole || key != "" {
			t.Errorf("template %q gave %q", bad, key)
		}
	}
}

func TestKeysThatAreRefused(t *testing.T) {
	for _, test := range []struct{ source, template, key, why string }{
		{"nexrad", "file", "2026/01/01/KDMX/KDMX20260101_154351_V06_MDM", "no sweeps"},
		{"nexrad", "file", "2026/01/01/KDMX/KTLX20260101_154351_V06", "two stations"},
		{"nexrad", "file", "2026/01/02/KDMX/KDMX20260101_154351_V06", "two days"},
		{"nexrad-chunks", "file", "KXXX/0/20260811-225858-049-E", "volume 0"},
		{"nexrad-chunks", "file", "KXXX/185/20260811-225858-049-X", "no such kind"},
		{"mrms", "file", "CONUS/A/20260920/MRMS_B_20260920-023041.grib2.gz", "two products"},
	} {
		s, _ := Find(test.source)
		p, err := compile(s.Templates[test.template], nil)
		if err != nil {
			t.Fatal(err)
		}
		if values, ok := p.read(test.key); ok {
			t.Errorf("%q was read as %v: %s", test.key, values, test.why)
		}
	}
	for _, values := range []Values{
		{"yyyy": "2026", "mm": "02", "dd": "29", "hh": "00"},
		{"yyyy": "2026", "mm": "13", "dd": "01"},
		{"yyyy": "2026", "doy": "366"},
		{"yyyy": "2026", "doy": "000"},
		{"yyyy": "2026", "mm": "01", "dd": "01", "hh": "24"},
		{"yyyy": "2026", "mm": "01", "dd": "01", "hh": "23", "nn": "60"},
		{"mm": "01", "dd": "01"},
	} {
		if got, ok := values.time(); ok {
			t.Errorf("%v is the time %s", values, got)
		}
	}
	leap := Values{"yyyy": "2028", "doy": "366"}
	if got, ok := leap.time(); !ok || !got.Equal(at("2028-12-31T00:00:00Z")) {
		t.Errorf("day 366 of 2028 is %s, %v", got, ok)
	}
}

// FuzzKey: whatever a store lists, reading it does not panic, and what is read
// builds the same key again.
func FuzzKey(f *testing.F) {
	type row struct {
		template string
		pattern  *pattern
	}
	var rows []row
	for _, s := range All() {
		for _, template := range s.Templates {
			p, err := compile(template, nil)
			if err != nil {
				f.Fatal(err)
			}
			rows = append(rows, row{template, p})
		}
	}
	for _, test := range realKeys {
		f.Add(test.key)
		f.Add(test.key + ".idx")
		f.Add(strings.ToUpper(test.key))
	}
	f.Add("KXXX/999/20261231-235959-999-E")
	f.Add("2026/02/30/KXXX/KXXX20260230_256161_V06")
	f.Add(strings.Repeat("9", 2000))
	f.Fuzz(func(t *testing.T, key string) {
		for _, r := range rows {
			values, ok := r.pattern.read(key)
			if !ok {
				continue
			}
			before := maps.Clone(values)
			moment, isTime := values.time()
			if isTime {
				if year := moment.Year(); year < 0 || year > 9999 {
					t.Fatalf("%q: year %d", key, year)
				}
			}
			if strings.Contains(r.template, "{*}") {
				continue
			}
			again, whole := Expand(r.template, values)
			if !whole || again != key {
				t.Fatalf("%q was read as %v, which builds %q", key, values, again)
			}
			if isTime {
				if again, _ := Expand(r.template, values.with(TimeValues(moment).only(names(before)...))); again != key {
					t.Fatalf("%q has the time %s, which builds %q", key, moment, again)
				}
			}
		}
		if moment, ok := bulletinTime([]byte(key), at("2026-01-21T12:00:00Z")); ok && moment.After(at("2026-01-21T12:00:00Z").Add(bulletinAhead)) {
			t.Fatalf("a bulletin of %s", moment)
		}
	})
}

func names(v Values) []string {
	var list []string
	for name := range v {
		list = append(list, name)
	}
	return list
}

func BenchmarkReadKey(b *testing.B) {
	s, _ := Find("mrms")
	p, err := compile(s.Templates["file"], Values{"product": "MergedReflectivityQCComposite_00.50"})
	if err != nil {
		b.Fatal(err)
	}
	const key = "CONUS/MergedReflectivityQCComposite_00.50/20260920/MRMS_MergedReflectivityQCComposite_00.50_20260920-023041.grib2.gz"
	b.ReportAllocs()
	for b.Loop() {
		values, ok := p.read(key)
		if _, isTime := values.time(); !ok || !isTime {
			b.Fatal("not read")
		}
	}
}

func ExampleSource_Key() {
	mrms, _ := Find("mrms")
	key, _ := mrms.Key("file", time.Date(2026, 1, 21, 12, 0, 39, 0, time.UTC), 0, Values{"product": "MergedReflectivityQCComposite_00.50"})
	fmt.Println(mrms.BaseURL + "/" + key)
	// Output: https://noaa-mrms-pds.s3.amazonaws.com/CONUS/MergedReflectivityQCComposite_00.50/20260121/MRMS_MergedReflectivityQCComposite_00.50_20260121-120039.grib2.gz
}
