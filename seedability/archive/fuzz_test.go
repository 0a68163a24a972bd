package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	"testing"
	"time"
	"unicode/utf8"

	"rimeline/seedability/bus"
	"rimeline/seedability/message"
)

// A manifest from outside is refused as damaged, or one that says what can be.
func FuzzManifest(f *testing.F) {
	good, err := seal(Manifest{Version: 1, Programme: invented, Day: "2026-01-14", Generation: 1, Folder: "g000001", Files: []File{{Name: "scores.parquet", SHA256: digestA, Rows: 3}},
		Streams: map[string]Stream{"score": {First: 1, Last: 3, Count: 3}}, Tables: map[string]TableRows{"scores": {Rows: 3, Groups: []Group{{"quill", 0, 3}}}}})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add([]byte(sealBefore))
	f.Add([]byte(`{"sha256":"` + digestA + `","content":{}}` + "\n"))
	for _, content := range []string{`{"version":1,"programme":"larkspur","day":"2026-01-14","folder":"../../x"}`,
		`{"version":1,"programme":"larkspur","day":"2026-01-14","folder":"g000001","files":[{"name":"../../etc","sha256":"` + digestA + `"}]}`,
		`{"version":1,"programme":"larkspur","day":"2026-01-14","folder":"g000001","tables":{"scores":{"rows":-1,"groups":[{"name":"a","from":0,"rows":9223372036854775807}]}}}`} {
		f.Add([]byte(content))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, content := range [][]byte{b, []byte(sealBefore + hexOf(b) + sealBetween + string(b) + sealAfter)} {
			var m Manifest
			if err := unseal("fuzz", content, &m); err != nil {
				if !errors.Is(err, ErrDamaged) {
					t.Fatalf("%v is no damage", err)
				}
				continue
			}
			if m.check(invented, "2026-01-14") != nil {
				continue
			}
			for _, file := range m.Files {
				if path := filepath.Join("day", m.Folder, file.Name); filepath.Dir(path) != filepath.Join("day", m.Folder) {
					t.Fatalf("file %q lies outside", file.Name)
				}
			}
			for _, table := range m.Tables {
				for _, g := range table.Groups {
					if g.From < 0 || g.Rows < 0 || g.From+g.Rows > table.Rows {
						t.Fatalf("group %+v of %d rows", g, table.Rows)
					}
				}
			}
		}
	})
}

// A table from outside is an error of damage, or gives as many rows as it says, from the
// first on and from the middle; and takes little memory.
func FuzzParquet(f *testing.F) {
	l := layoutNamed(TableOrders)
	var good bytes.Buffer
	w := newParquetWriter(l, &good)
	b := newBlock(l)
	for k := range 5 {
		add(b, orderColumns, &dataRow[*message.Order]{stamp: stamp{site: "set", sequence: uint64(k), id: "x", at: at(k)}, of: &message.Order{ID: "o", By: "Imogen Tarn", At: at(k)}, data: json.RawMessage(`{}`)})
	}
	if err := w.group("set", b); err != nil {
		f.Fatal(err)
	}
	if err := w.close(); err != nil {
		f.Fatal(err)
	}
	f.Add(good.Bytes())
	for _, cut := range []int{4, 100, good.Len() / 2, good.Len() - 9} {
		f.Add(good.Bytes()[:cut])
		flipped := bytes.Clone(good.Bytes())
		flipped[cut] ^= 0x10
		f.Add(flipped)
	}
	dir := f.TempDir()
	f.Fuzz(func(t *testing.T, content []byte) {
		if len(content) > 1<<20 {
			return
		}
		path := filepath.Join(dir, "fuzz.parquet")
		if err := os.WriteFile(path, content, 0o644); err != nil {
			t.Fatal(err)
		}
		defer debug.SetMemoryLimit(debug.SetMemoryLimit(256 << 20))
		defer func() {
			var m runtime.MemStats
			if runtime.ReadMemStats(&m); m.HeapSys > 512<<20 {
				t.Fatalf("the heap grew to %d bytes", m.HeapSys)
			}
		}()
		r, err := openOneGroup(path, l, tableLimits())
		if err != nil {
			if !errors.Is(err, ErrDamaged) {
				t.Fatalf("%v is no damage", err)
			}
			return
		}
		defer r.Close()
		rows := min(r.rows, 10_000)
		b, err := r.read(0, rows, l.every())
		if err != nil {
			if !errors.Is(err, ErrDamaged) {
				t.Fatalf("%v is no damage", err)
			}
			return
		}
		for k := range b.columns {
			if n := len(b.columns[k].Floats) + len(b.columns[k].Ints) + len(b.columns[k].Texts); n != int(rows) {
				t.Fatalf("column %s has %d values in %d rows", b.columns[k].Name, n, rows)
			}
		}
		if _, err := r.read(rows/2, rows, l.every()); err != nil && !errors.Is(err, ErrDamaged) {
			t.Fatalf("%v is no damage", err)
		}
	})
}

// Messages of a file from outside are an error of damage, or events.
func FuzzEvents(f *testing.F) {
	encoder, err := newEncoder()
	if err != nil {
		f.Fatal(err)
	}
	event := []byte(`{"specversion":"1.0","id":"x","source":"/x","type":"rimeline.score.v1","subject":"rimeline.larkspur.score.quill","data":{"a": 1}}`)
	whole := encoder.EncodeAll(appendLine(nil, 7, at(0), event), nil)
	f.Add(whole)
	f.Add(whole[:len(whole)-3])
	f.Add(encoder.EncodeAll([]byte("{}\n\n[]\n"), whole))
	f.Add(encoder.EncodeAll(bytes.Repeat([]byte{'a'}, 1<<20), nil))
	f.Fuzz(func(t *testing.T, b []byte) {
		for _, content := range [][]byte{b, encoder.EncodeAll(b, nil)} {
			err := readLinesFrom(context.Background(), "fuzz", bytes.NewReader(content), "", -1, func(l *line) bool {
				s, err := l.decode("fuzz")
				if err != nil {
					if !errors.Is(err, ErrDamaged) {
						t.Fatalf("%v is no damage", err)
					}
					return true
				}
				if err := s.Event.Validate(); err != nil {
					t.Fatalf("an event that is none: %v", err)
				}
				return true
			})
			if err != nil && !errors.Is(err, ErrDamaged) {
				t.Fatalf("%v is no damage", err)
			}
		}
	})
}

// Whatever data a message has, they come back byte for byte, but for blanks around
// them, which are no part of a JSON value (RFC 8259, section 2).
func FuzzDataComeBack(f *testing.F) {
	f.Add([]byte(`{"a": 1}`), "x", int64(0))
	f.Add([]byte("[1,\r\n2]"), "\u2028<&", int64(-1))
	f.Fuzz(func(t *testing.T, data []byte, id string, ns int64) {
		e := bus.Event{ID: id, Source: "/gateway", Type: bus.Telemetry.Type, Subject: "rimeline.larkspur.telemetry.quill", Time: time.Unix(0, ns).UTC(), Data: data}
		encoded, err := encodeEvent(&e)
		if err != nil {
			return // no event
		}
		if bytes.ContainsAny(encoded, "\r\n") {
			t.Fatalf("more than one line: %q", encoded)
		}
		var got bus.Event
		if err := json.Unmarshal(encoded, &got); err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(got.Data, bytes.Trim(data, " \t\r\n")) || utf8.ValidString(id) && got.ID != id || !got.Time.Equal(e.Time) {
			t.Fatalf("%q came back as %q", data, got.Data)
		}
	})
}
