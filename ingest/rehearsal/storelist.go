package rehearsal

import (
	"cmp"
	"encoding/base64"
	"encoding/xml"
	"fmt"
	"html"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

const s3Namespace = "http://s3.amazonaws.com/doc/2006-03-01/"

type s3Listing struct {
	XMLName               xml.Name   `xml:"ListBucketResult"`
	Namespace             string     `xml:"xmlns,attr"`
	Name                  string     `xml:"Name"`
	Prefix                string     `xml:"Prefix"`
	Delimiter             string     `xml:"Delimiter,omitempty"`
	StartAfter            string     `xml:"StartAfter,omitempty"`
	ContinuationToken     string     `xml:"ContinuationToken,omitempty"`
	NextContinuationToken string     `xml:"NextContinuationToken,omitempty"`
	EncodingType          string     `xml:"EncodingType,omitempty"`
	KeyCount              int        `xml:"KeyCount"`
	MaxKeys               int        `xml:"MaxKeys"`
	IsTruncated           bool       `xml:"IsTruncated"`
	Contents              []s3Object `xml:"Contents"`
	CommonPrefixes        []s3Prefix `xml:"CommonPrefixes"`
}

type s3Object struct {
	Key          string
	LastModified string
	ETag         string
	Size         int64
	StorageClass string
}

type s3Prefix struct{ Prefix string }

// serveBucket is ListObjectsV2 (Amazon S3 API reference).
func (s *Store) serveBucket(w http.ResponseWriter, r *http.Request, bucket string, shelf *shelf, now time.Time) {
	q := r.URL.Query()
	if q.Get("list-type") != "2" {
		s3Error(w, r, http.StatusNotImplemented, "NotImplemented", "Only ListObjectsV2 (list-type=2) is implemented.")
		return
	}
	list := s3Listing{Namespace: s3Namespace, Name: bucket, Prefix: q.Get("prefix"), Delimiter: q.Get("delimiter"), StartAfter: q.Get("start-after"),
		ContinuationToken: q.Get("continuation-token"), EncodingType: q.Get("encoding-type"), MaxKeys: 1000}
	if text := q.Get("max-keys"); text != "" {
		n, err := strconv.Atoi(text)
		if err != nil || n < 0 {
			s3Error(w, r, http.StatusBadRequest, "InvalidArgument", "Provided max-keys not an integer or within integer range")
			return
		}
		list.MaxKeys = min(n, 1000)
	}
	if list.EncodingType != "" && list.EncodingType != "url" {
		s3Error(w, r, http.StatusBadRequest, "InvalidArgument", "Invalid Encoding Method specified in Request")
		return
	}
	after := list.StartAfter
	if list.ContinuationToken != "" {
		token, err := base64.URLEncoding.DecodeString(list.ContinuationToken)
		if err != nil {
			s3Error(w, r, http.StatusBadRequest, "InvalidArgument", "The continuation token provided is incorrect")
			return
		}
		after = string(token)
	}
	name := func(key string) string {
		if list.EncodingType == "url" {
			return strings.ReplaceAll(url.QueryEscape(key), "%2F", "/")
		}
		return key
	}
	last := ""
	for _, o := range shelf.visible(list.Prefix, now) {
		entry, isPrefix := o.key, false
		if list.Delimiter != "" {
			if at := strings.Index(o.key[len(list.Prefix):], list.Delimiter); at >= 0 {
				entry, isPrefix = o.key[:len(list.Prefix)+at+len(list.Delimiter)], true
			}
		}
		if entry <= after || entry == last {
			continue
		}
		if list.KeyCount == list.MaxKeys {
			if list.IsTruncated = list.MaxKeys > 0; list.IsTruncated {
				list.NextContinuationToken = base64.URLEncoding.EncodeToString([]byte(last))
			}
			break
		}
		list.KeyCount++
		last = entry
		if isPrefix {
			list.CommonPrefixes = append(list.CommonPrefixes, s3Prefix{name(entry)})
			continue
		}
		length, err := s.length(o)
		if err != nil {
			s3Error(w, r, http.StatusInternalServerError, "InternalError", err.Error())
			return
		}
		list.Contents = append(list.Contents, s3Object{name(o.key), o.published.UTC().Format("2006-01-02T15:04:05.000Z"), o.etag, length, "STANDARD"})
	}
	list.Prefix, list.StartAfter, list.Delimiter = name(list.Prefix), name(list.StartAfter), name(list.Delimiter)
	writeXML(w, r, http.StatusOK, list)
}

type s3Failure struct {
	XMLName xml.Name `xml:"Error"`
	Code    string
	Message string
	Key     string `xml:",omitempty"`
}

func s3Error(w http.ResponseWriter, r *http.Request, status int, code, message string) {
	failure := s3Failure{Code: code, Message: message}
	if code == "NoSuchKey" {
		_, failure.Key, _ = strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	}
	writeXML(w, r, status, failure)
}

func writeXML(w http.ResponseWriter, r *http.Request, status int, answer any) {
	b, err := xml.Marshal(answer)
	if err != nil { // no value here can cause it
		http.Error(w, err.Error(), http.StatusInternalServerError)
		return
	}
	b = append([]byte(xml.Header), b...)
	w.Header().Set("Content-Type", "application/xml")
	w.Header().Set("Content-Length", strconv.Itoa(len(b)))
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		_, _ = w.Write(b)
	}
}

// serveDirectory serves files, and indexes in the table form of Apache's
// mod_autoindex.
func (s *Store) serveDirectory(w http.ResponseWriter, r *http.Request, now time.Time) {
	shelf := s.shelves[""]
	name := strings.TrimPrefix(r.URL.Path, "/")
	if o, ok := shelf.find(name, now); ok {
		w.Header().Set("Content-Type", "application/octet-stream")
		if strings.HasSuffix(name, ".txt") {
			w.Header().Set("Content-Type", "text/plain")
		}
		s.serveObject(w, r, o)
		return
	}
	prefix := strings.TrimRight(name, "/")
	if prefix != "" {
		prefix += "/"
	}
	type entry struct {
		name     string
		modified time.Time
		size     string
	}
	entries := map[string]entry{}
	for _, o := range shelf.visible(prefix, now) {
		rest := o.key[len(prefix):]
		e := entry{name: rest, modified: o.published}
		if below, _, isDirectory := strings.Cut(rest, "/"); isDirectory {
			e.name, e.size = below+"/", "  - "
			if known := entries[e.name]; known.modified.After(e.modified) {
				e.modified = known.modified
			}
		} else {
			length, err := s.length(o)
			if err != nil {
				http.Error(w, err.Error(), http.StatusInternalServerError)
				return
			}
			e.size = shortSize(length)
		}
		entries[e.name] = e
	}
	if len(entries) == 0 {
		http.Error(w, "404 Not Found", http.StatusNotFound)
		return
	}
	if !strings.HasSuffix(r.URL.Path, "/") {
		http.Redirect(w, r, r.URL.Path+"/", http.StatusMovedPermanently)
		return
	}
	sorted := make([]entry, 0, len(entries))
	for _, e := range entries {
		sorted = append(sorted, e)
	}
	slices.SortFunc(sorted, func(a, b entry) int { return cmp.Compare(a.name, b.name) })
	var page strings.Builder
	title := html.EscapeString("Index of " + strings.TrimRight(r.URL.Path, "/"))
	fmt.Fprintf(&page, "<!DOCTYPE HTML PUBLIC \"-//W3C//DTD HTML 3.2 Final//EN\">\n<html>\n <head>\n  <title>%s</title>\n </head>\n <body>\n<h1>%s</h1>\n", title, title)
	page.WriteString("  <table>\n   <tr><th><a href=\"?C=N;O=D\">Name</a></th><th><a href=\"?C=M;O=A\">Last modified</a></th><th><a href=\"?C=S;O=A\">Size</a></th></tr>\n   <tr><th colspan=\"3\"><hr></th></tr>\n")
	if prefix != "" {
		parent, _, _ := cutLast(strings.TrimRight(r.URL.Path, "/"))
		fmt.Fprintf(&page, "<tr><td><a href=\"%s/\">Parent Directory</a></td><td>&nbsp;</td><td align=\"right\">  - </td></tr>\n", html.EscapeString(parent))
	}
	for _, e := range sorted {
		fmt.Fprintf(&page, "<tr><td><a href=\"%s\">%s</a></td><td align=\"right\">%s  </td><td align=\"right\">%s</td></tr>\n",
			html.EscapeString((&url.URL{Path: e.name}).EscapedPath()), html.EscapeString(e.name), e.modified.UTC().Format("2006-01-02 15:04"), e.size)
	}
	page.WriteString("   <tr><th colspan=\"3\"><hr></th></tr>\n</table>\n</body></html>\n")
	w.Header().Set("Content-Type", "text/html;charset=UTF-8")
	w.Header().Set("Content-Length", strconv.Itoa(page.Len()))
	if r.Method != http.MethodHead {
		_, _ = w.Write([]byte(page.String()))
	}
}

func cutLast(text string) (before, after string, found bool) {
	at := strings.LastIndexByte(text, '/')
	if at < 0 {
		return text, "", false
	}
	return text[:at], text[at+1:], true
}

// shortSize rounds as mod_autoindex does.
func shortSize(bytes int64) string {
	switch {
	case bytes < 1000:
		return strconv.FormatInt(bytes, 10)
	case bytes < 10<<10:
		return fmt.Sprintf("%.1fK", float64(bytes)/(1<<10))
	case bytes < 1000<<10:
		return fmt.Sprintf("%.0fK", float64(bytes)/(1<<10))
	}
	return fmt.Sprintf("%.1fM", float64(bytes)/(1<<20))
}
