package feed

import (
	"bytes"
	"context"
	"html"
	"math"
	"net/url"
	"regexp"
	"strconv"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rimeline/ingest"
)

// ListDirectory reads the HTML index of a folder as Apache, nginx, lighttpd and
// other common servers write it: every link that leads one level down is an
// entry, or a prefix where it ends with a slash. Sizes and times stand in the
// text behind the link, where they are shown at all. The URL should end with a
// slash.
func (c *Client) ListDirectory(ctx context.Context, rawURL string) (Listing, error) {
	return share(ctx, c, "directory "+rawURL, rawURL, func(ctx context.Context) (Listing, error) {
		b, m, err := c.page(ctx, rawURL, maxDirectoryBytes)
		if err != nil {
			return Listing{}, err
		}
		l, err := parseDirectory("index", m.final, b)
		if err != nil {
			return Listing{}, malformed(rawURL, err)
		}
		return l, nil
	})
}

const (
	maxIndexLinks  = 200000
	maxNameBytes   = 1024 // of a file in an index
	maxBesideBytes = 1024 // looked at behind a link for size and time
)

// A full HTML parser would do more than is needed: indexes are flat, and only
// links and the text between them count.
var (
	anchorStart = regexp.MustCompile(`(?i)<a\s`)
	hrefValue   = regexp.MustCompile(`(?is)\shref\s*=\s*("[^"]*"|'[^']*'|[^\s"'>]+)`)
	anyTag      = regexp.MustCompile(`(?s)<[^>]*>`)
	comment     = regexp.MustCompile(`(?s)<!--.*?-->`)
	indexTitle  = regexp.MustCompile(`(?i)<(?:title|h1)[^>]*>\s*(?:index of|directory listing)`)
)

// parseDirectory reads an index that was found at base. Errors are
// *ingest.FormatError.
func parseDirectory(file string, base *url.URL, b []byte) (Listing, error) {
	fail := func(offset int, detail string) (Listing, error) {
		return Listing{}, &ingest.FormatError{File: file, Offset: int64(offset), Detail: detail, Err: ingest.ErrCorrupt}
	}
	if !utf8.Valid(b) {
		b = bytes.ToValidUTF8(b, []byte("\uFFFD"))
	}
	page := comment.ReplaceAll(b, nil)
	titled := indexTitle.Match(page)

	folder := *base
	folder.RawQuery, folder.Fragment, folder.RawFragment = "", "", ""
	if i := strings.LastIndexByte(folder.Path, '/'); i >= 0 {
		folder.Path, folder.RawPath = folder.Path[:i+1], ""
	} else {
		folder.Path = "/"
	}

	var out Listing
	files := map[string]int{} // by name, index in Entries
	folders := map[string]bool{}
	next := anchorStart.FindIndex(page)
	for n := 0; next != nil; n++ {
		if n == maxIndexLinks {
			out.Truncated = true
			break
		}
		link := page[next[0]:]
		page = page[next[1]:]
		next = anchorStart.FindIndex(page)
		if next != nil {
			link = link[:len(link)-len(page)+next[0]]
		}
		closing := bytes.IndexByte(link, '>')
		if closing < 0 {
			continue
		}
		href := hrefValue.FindSubmatch(link[:closing])
		if href == nil {
			continue
		}
		name, at, ok := below(&folder, html.UnescapeString(strings.Trim(string(href[1]), `"'`)))
		if !ok {
			continue
		}
		if strings.HasSuffix(name, "/") {
			if !folders[name] {
				folders[name] = true
				out.Prefixes = append(out.Prefixes, name)
			}
			continue
		}
		beside := link[closing+1:]
		if i := bytes.Index(bytes.ToLower(beside[:min(len(beside), 2*maxNameBytes)]), []byte("</a")); i >= 0 {
			beside = beside[i:]
		}
		beside = beside[:min(len(beside), maxBesideBytes)]
		e := Entry{Name: name, URL: at, Bytes: -1}
		readBeside(&e, html.UnescapeString(string(anyTag.ReplaceAll(beside, []byte(" ")))))
		if known, seen := files[name]; seen {
			// An icon and a name may both be links; the second has the text.
			if e.Bytes >= 0 || !e.LastModified.IsZero() {
				out.Entries[known] = e
			}
			continue
		}
		files[name] = len(out.Entries)
		out.Entries = append(out.Entries, e)
	}
	if len(out.Entries)+len(out.Prefixes) == 0 && !titled {
		return fail(0, "no links below the folder, and no title of an index")
	}
	return out, nil
}

// below resolves a link, and gives the name and address of what lies directly in
// the folder.
func below(folder *url.URL, href string) (name, at string, ok bool) {
	link, err := url.Parse(strings.TrimSpace(href))
	if err != nil || link.RawQuery != "" || link.ForceQuery || link.Opaque != "" {
		return "", "", false // orders of sorting are queries
	}
	u := folder.ResolveReference(link)
	u.Fragment, u.RawFragment = "", ""
	name, inside := strings.CutPrefix(u.Path, folder.Path)
	if u.Scheme != folder.Scheme || u.Host != folder.Host || !inside {
		return "", "", false
	}
	u.User = folder.User
	plain := strings.TrimSuffix(name, "/")
	if plain == "" || plain == "." || plain == ".." || len(plain) > maxNameBytes ||
		strings.ContainsFunc(plain, func(r rune) bool { return r == '/' || r == '\\' || r == utf8.RuneError || unicode.IsControl(r) }) {
		return "", "", false
	}
	return name, u.String(), true
}

// indexTimes are the ways in which servers show a time: Apache, nginx, lighttpd
// and Apache before 2.4.
var indexTimes = []struct {
	form   *regexp.Regexp
	layout string
}{
	{regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}:\d{2}\b`), "2006-01-02 15:04:05"},
	{regexp.MustCompile(`\b\d{4}-\d{2}-\d{2}[ T]\d{2}:\d{2}\b`), "2006-01-02 15:04"},
	{regexp.MustCompile(`\b\d{4}-[A-Z][a-z]{2}-\d{2} \d{2}:\d{2}:\d{2}\b`), "2006-Jan-02 15:04:05"},
	{regexp.MustCompile(`\b\d{2}-[A-Z][a-z]{2}-\d{4} \d{2}:\d{2}:\d{2}\b`), "02-Jan-2006 15:04:05"},
	{regexp.MustCompile(`\b\d{2}-[A-Z][a-z]{2}-\d{4} \d{2}:\d{2}\b`), "02-Jan-2006 15:04"},
}

// indexSize is a whole number of bytes, or a rounded one with a unit of 1024.
var indexSize = regexp.MustCompile(`^([0-9]{1,18}|[0-9]{1,4}\.[0-9]{1,2})([KMGT]?)(?:i?B)?$`)

// readBeside takes time and size from the text behind a link.
func readBeside(e *Entry, text string) {
	for _, t := range indexTimes {
		at := t.form.FindStringIndex(text)
		if at == nil {
			continue
		}
		when, err := time.Parse(t.layout, strings.Replace(text[at[0]:at[1]], "T", " ", 1))
		if err != nil {
			continue
		}
		e.LastModified = when
		text = text[:at[0]] + " " + text[at[1]:]
		break
	}
	for _, field := range strings.Fields(text) {
		m := indexSize.FindStringSubmatch(field)
		if m == nil {
			continue
		}
		value, err := strconv.ParseFloat(m[1], 64)
		if err != nil {
			continue
		}
		e.Rounded = m[2] != "" || strings.Contains(m[1], ".")
		if !e.Rounded {
			e.Bytes, _ = strconv.ParseInt(m[1], 10, 64)
			return
		}
		e.Bytes = int64(math.Round(value * math.Pow(1024, float64(strings.Index("BKMGT", m[2])))))
		return
	}
}
