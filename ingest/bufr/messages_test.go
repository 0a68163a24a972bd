package bufr_test

import (
	"bytes"
	"errors"
	"os"
	"slices"
	"testing"

	"rimeline/ingest"
	"rimeline/ingest/bufr"
	"rimeline/ingest/testfiles"
)

// Headers as bufr_ls -p edition,bufrHeaderCentre,dataCategory,... of ecCodes
// 2.28.0 prints them.
func TestMessagesOfRealFiles(t *testing.T) {
	for _, test := range []struct {
		file                                string
		messages, edition, centre, category int
		subCategory, masterTableVersion     int
		descriptors                         []bufr.Descriptor
	}{
		{"IUSD40_OKLI.11520.20071120.309052.bufr", 4, 3, 89, 2, 0, 12, []bufr.Descriptor{309052}},
		{"IUSK73_AMMC.94461.20160218.309052.bufr", 1, 4, 1, 2, 4, 18, []bufr.Descriptor{309052, 1081, 1082, 2067, 2095, 2096, 2097, 2017, 2191, 25061, 205060}},
		{"pilo_91.us.20121031.t00z.bufr", 17, 3, 98, 2, 91, 13, nil},
		{"temp.20081208.t12z.western-us.bufr", 18, 3, 98, 2, 101, 13, nil},
		{"temp_101.alaska.20121030.t00z.bufr", 4, 3, 98, 2, 101, 13, nil},
		{"temp_hires.10954.20250223.t1045z.309057.bufr", 1, 3, 98, 2, 109, 31, []bufr.Descriptor{309057, 5001, 6001, 7001}},
		{"temp_small.20081208.t12z.bufr", 7, 3, 98, 2, 101, 13, []bufr.Descriptor{309007, 222000, 101000, 31002, 31031, 1031, 1032, 101000, 31002, 33007}},
	} {
		messages, errs := bufr.Messages(test.file, testfiles.Read(t, "bufr/"+test.file))
		if len(errs) > 0 || len(messages) != test.messages {
			t.Errorf("%s: %d messages, want %d, errors %v", test.file, len(messages), test.messages, errs)
			continue
		}
		m := messages[0]
		got := []int{m.Edition, m.Centre, m.Category, m.SubCategory, m.MasterTableVersion, m.Subsets}
		want := []int{test.edition, test.centre, test.category, test.subCategory, test.masterTableVersion, 1}
		if !slices.Equal(got, want) || m.Compressed {
			t.Errorf("%s: edition, centre, category, subcategory, table version, subsets %v, want %v", test.file, got, want)
		}
		if test.descriptors != nil && !slices.Equal(m.Descriptors, test.descriptors) {
			t.Errorf("%s: descriptors %v, want %v", test.file, m.Descriptors, test.descriptors)
		}
	}
}

func small(t testing.TB) []byte {
	b, err := os.ReadFile("testdata/two-subsets.bufr")
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// One byte wrong in each of the places that decide where a section ends.
func TestDamagedHeaders(t *testing.T) {
	good := small(t)
	section3 := 8 + 22
	section4 := section3 + int(good[section3+2])
	for _, test := range []struct {
		name   string
		change func([]byte) []byte
		offset int
		want   error
	}{
		{"empty", func([]byte) []byte { return nil }, 0, ingest.ErrTruncated},
		{"no message", func([]byte) []byte { return []byte("nothing here") }, 0, ingest.ErrCorrupt},
		{"ends in section 0", func(b []byte) []byte { return b[:6] }, 6, ingest.ErrTruncated},
		{"ends in section 4", func(b []byte) []byte { return b[:len(b)-10] }, 4, ingest.ErrTruncated},
		{"edition 1", func(b []byte) []byte { b[7] = 1; return b }, 7, ingest.ErrUnsupported},
		{"edition 5", func(b []byte) []byte { b[7] = 5; return b }, 7, ingest.ErrCorrupt},
		{"tiny length", func(b []byte) []byte { b[4], b[5], b[6] = 0, 0, 9; return b }, 4, ingest.ErrCorrupt},
		{"length off by one", func(b []byte) []byte { b[6]--; return b }, len(good) - 5, ingest.ErrCorrupt},
		{"no 7777", func(b []byte) []byte { b[len(b)-1] = '8'; return b }, len(good) - 4, ingest.ErrCorrupt},
		{"section 1 too short", func(b []byte) []byte { b[10] = 21; return b }, 8, ingest.ErrCorrupt},
		{"section 1 too long", func(b []byte) []byte { b[8] = 1; return b }, 8, ingest.ErrCorrupt},
		{"section 3 too long", func(b []byte) []byte { b[section3] = 1; return b }, section3, ingest.ErrCorrupt},
		{"no descriptors", func(b []byte) []byte { b[section3+2] = 7; return b }, section3, ingest.ErrCorrupt},
		{"no subsets", func(b []byte) []byte { b[section3+4], b[section3+5] = 0, 0; return b }, section3 + 4, ingest.ErrCorrupt},
		{"section 4 too long", func(b []byte) []byte { b[section4] = 1; return b }, section4, ingest.ErrCorrupt},
		{"section 4 too short", func(b []byte) []byte { b[section4+2]--; return b }, section4, ingest.ErrCorrupt},
	} {
		b := test.change(bytes.Clone(good))
		messages, errs := bufr.Messages("f.bufr", b)
		if len(messages) != 0 || len(errs) != 1 {
			t.Errorf("%s: %d messages, errors %v", test.name, len(messages), errs)
			continue
		}
		var placed *ingest.FormatError
		if !errors.As(errs[0], &placed) || !errors.Is(errs[0], test.want) || placed.Offset != int64(test.offset) || placed.File != "f.bufr" {
			t.Errorf("%s: %v, want %v at byte %d", test.name, errs[0], test.want, test.offset)
		}
	}
	if messages, errs := bufr.Messages("f.bufr", good); len(messages) != 1 || errs != nil {
		t.Errorf("undamaged: %d messages, %v", len(messages), errs)
	}
}

// A message behind a bulletin heading and behind a damaged one is found, and
// both keep their numbers.
func TestMessagesAmongOtherBytes(t *testing.T) {
	good := small(t)
	var b []byte
	b = append(b, "\x01\r\r\n123\r\r\nIUSD40 OKLI 201200\r\r\n"...)
	broken := len(b)
	b = append(b, good[:50]...)
	b = append(b, "\r\r\n\x03"...)
	whole := len(b)
	b = append(b, good...)
	messages, errs := bufr.Messages("f", b)
	if len(messages) != 1 || messages[0].Number != 2 || messages[0].Offset != int64(whole) || !bytes.Equal(messages[0].Bytes, good) {
		t.Fatalf("messages %+v", messages)
	}
	var placed *ingest.FormatError
	if len(errs) != 1 || !errors.As(errs[0], &placed) || placed.Message != 1 || placed.Offset < int64(broken) {
		t.Errorf("errors %v", errs)
	}
}

// A message of edition 2, laid out by hand after the manual, with an optional
// section 2; edition 3 has the centre split into subcentre and centre.
func TestEditions2And3(t *testing.T) {
	section1 := []byte{0, 0, 18, 0, 0, 58, 0, 0x80, 2, 101, 13, 0, 8, 12, 8, 12, 0, 0}
	section2 := []byte{0, 0, 6, 0, 1, 2}
	section3 := []byte{0, 0, 10, 0, 0, 1, 0x80, 0xC9, 0x07, 0}
	section4 := []byte{0, 0, 6, 0, 0, 0}
	for edition, centre := range map[byte]int{2: 58, 3: 58} {
		b := []byte{'B', 'U', 'F', 'R', 0, 0, 0, edition}
		for _, s := range [][]byte{section1, section2, section3, section4, []byte("7777")} {
			b = append(b, s...)
		}
		b[6] = byte(len(b))
		messages, errs := bufr.Messages("f", b)
		if len(errs) > 0 {
			t.Fatalf("edition %d: %v", edition, errs)
		}
		m := messages[0]
		if m.Centre != centre || m.Category != 2 || m.SubCategory != 101 || m.MasterTableVersion != 13 || !slices.Equal(m.Descriptors, []bufr.Descriptor{309007}) {
			t.Errorf("edition %d: %+v", edition, m)
		}
	}
}

func TestDescriptor(t *testing.T) {
	d := bufr.Descriptor(309052)
	if d.F() != 3 || d.X() != 9 || d.Y() != 52 || d.String() != "3 09 052" {
		t.Errorf("%d %d %d %s", d.F(), d.X(), d.Y(), d)
	}
}

func FuzzMessages(f *testing.F) {
	good := small(f)
	f.Add(good)
	f.Add(good[:60])
	f.Add(append(bytes.Clone(good[:60]), good...))
	compressed, err := os.ReadFile("testdata/three-subsets-compressed.bufr")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(append(compressed, good...))
	f.Add([]byte("BUFR"))
	f.Fuzz(func(t *testing.T, b []byte) {
		messages, errs := bufr.Messages("fuzz", b)
		if len(messages)+len(errs) == 0 {
			t.Fatal("neither a message nor an error")
		}
		for _, err := range errs {
			var placed *ingest.FormatError
			if !errors.As(err, &placed) || placed.Offset < 0 || placed.Offset > int64(len(b)) || placed.File != "fuzz" {
				t.Fatalf("error without a place in the file: %v", err)
			}
		}
		last := int64(0)
		for _, m := range messages {
			if m.Offset < last || m.Subsets < 1 || len(m.Descriptors) == 0 || !bytes.HasSuffix(m.Bytes, []byte("7777")) ||
				!bytes.Equal(b[m.Offset:m.Offset+int64(len(m.Bytes))], m.Bytes) {
				t.Fatalf("message %d at %d with %d descriptors", m.Number, m.Offset, len(m.Descriptors))
			}
			last = m.Offset + int64(len(m.Bytes))
		}
	})
}
