package feed

import (
	"bytes"
	"errors"
	"os"
	"strings"
	"testing"

	"rimeline/ingest"
	"rimeline/ingest/testfiles"
)

// placed holds an error to its promise: a place within the bytes.
func placed(t *testing.T, err error, n int) {
	t.Helper()
	var fe *ingest.FormatError
	if !errors.As(err, &fe) || fe.Offset < 0 || fe.Offset > int64(n) || fe.Detail == "" || fe.Err == nil {
		t.Fatalf("error without a place in the text: %v", err)
	}
}

func FuzzIndex(f *testing.F) {
	f.Add([]byte("1:0:d=2023120100:REFC:entire atmosphere:anl:\n2.1:66170:d=2023120100:UGRD:100 mb:anl:\n2.2:66170:d=2023120100:VGRD:100 mb:anl:ENS=+1\n"))
	f.Add([]byte("1:0:d=202312010015:TMP:PV=-2e-06 (Km^2/kg/s) surface:0-6 hour acc fcst:\r\n\n"))
	if root := testfiles.Root(); root != "" {
		if b, err := os.ReadFile(root + "/idx/gfswave.20230823.t18z.atlocn.0p16.f001.grib2.idx"); err == nil {
			f.Add(b)
		}
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		index, err := ParseIndex("fuzz", b)
		if err != nil {
			placed(t, err, len(b))
			return
		}
		if len(index) == 0 || len(index) > bytes.Count(b, []byte{'\n'})+1 {
			t.Fatalf("%d entries of %d bytes", len(index), len(b))
		}
		last := index[len(index)-1]
		for i, e := range index {
			if e.Offset < 0 || e.Number < 1 || e.Variable == "" || (e.End == -1) != (e.Offset == last.Offset) || e.End != -1 && e.End <= e.Offset {
				t.Fatalf("entry %d: %+v", i, e)
			}
		}
		ranges := index.Ranges(func(IndexEntry) bool { return true })
		joined, err := joinRanges(ranges, 0)
		if err != nil || len(joined) != 1 || joined[0] != (Range{index[0].Offset, -1}) {
			t.Fatalf("all messages are %v, %v, want one range to the end", joined, err)
		}
	})
}

func FuzzListS3(f *testing.F) {
	f.Add([]byte(`<?xml version="1.0" encoding="UTF-8"?><ListBucketResult xmlns="http://s3.amazonaws.com/doc/2006-03-01/"><Name>winter</Name><Prefix>2026/</Prefix><KeyCount>2</KeyCount><MaxKeys>1000</MaxKeys><IsTruncated>true</IsTruncated><NextContinuationToken>t&amp;k</NextContinuationToken><Contents><Key>2026/a&lt;b</Key><LastModified>2026-01-02T03:04:05.000Z</LastModified><ETag>&quot;abc-7&quot;</ETag><Size>123</Size><StorageClass>STANDARD</StorageClass></Contents><CommonPrefixes><Prefix>2026/01/</Prefix></CommonPrefixes></ListBucketResult>`))
	f.Add([]byte(`<Error><Code>AccessDenied</Code></Error>`))
	f.Add([]byte(`<ListBucketResult><Contents><Key>a</Key><Size>-1</Size></Contents>`))
	f.Fuzz(func(t *testing.T, b []byte) {
		page, err := parseListS3("fuzz", b)
		if err != nil {
			placed(t, err, len(b))
			return
		}
		if n := len(page.names()); n > 10*listPageKeys || n > len(b) {
			t.Fatalf("%d names of %d bytes", n, len(b))
		}
		bucket := mustURL("https://winter.example.org/b/")
		for _, o := range page.Contents {
			at := mustURL(objectURL(bucket, o.Key))
			if o.Size < 0 || at.Path != "/b/"+o.Key || at.Host != bucket.Host || at.RawQuery != "" || at.Fragment != "" {
				t.Fatalf("object %+v is at %s", o, at)
			}
		}
	})
}

func FuzzListDirectory(f *testing.F) {
	for _, page := range []string{apachePage, apacheTable, nginxPage, lighttpdPage, pythonPage, "<a href=//x/y>", "<a\thref='a&#47;b'>"} {
		f.Add([]byte(page))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		base := mustURL("https://store.example.org/x/y/?C=M")
		l, err := parseDirectory("fuzz", base, b)
		if err != nil {
			placed(t, err, len(b))
			return
		}
		if n := len(l.Entries) + len(l.Prefixes); n > len(b) {
			t.Fatalf("%d links in %d bytes", n, len(b))
		}
		for _, e := range l.Entries {
			at := mustURL(e.URL)
			if at.Host != base.Host || at.Scheme != base.Scheme || at.Path != "/x/y/"+e.Name || strings.ContainsAny(e.Name, "/\\\x00") ||
				e.Name == ".." || e.Bytes < -1 || at.RawQuery != "" {
				t.Fatalf("entry %+v", e)
			}
		}
		for _, p := range l.Prefixes {
			if strings.Count(p, "/") != 1 || !strings.HasSuffix(p, "/") || p == "../" {
				t.Fatalf("prefix %q", p)
			}
		}
	})
}
