package feed

import (
	"errors"
	"net/http"
	"slices"
	"testing"
	"time"

	"rimeline/ingest"
)

// Pages as common servers write them, made up after their source: Apache 2.4
// mod_autoindex (FancyIndexing, and with HTMLTable and IconsAreLinks), nginx
// ngx_http_autoindex_module, lighttpd mod_dirlisting, Python's http.server.
const (
	apachePage = `<!DOCTYPE HTML PUBLIC "-//W3C//DTD HTML 3.2 Final//EN">
<html><head><title>Index of /soundings</title></head><body><h1>Index of /soundings</h1>
<pre><img src="/icons/blank.gif" alt="Icon "> <a href="?C=N;O=D">Name</a>                    <a href="?C=M;O=A">Last modified</a>      <a href="?C=S;O=A">Size</a>  <a href="?C=D;O=A">Description</a><hr><img src="/icons/back.gif" alt="[PARENTDIR]"> <a href="/">Parent Directory</a>                             -   
<img src="/icons/folder.gif" alt="[DIR]"> <a href="2026/">2026/</a>                   2026-01-02 03:04    -   
<img src="/icons/text.gif" alt="[TXT]"> <a href="sn.0001.txt">sn.0001.txt</a>             2026-01-02 03:04  1.2K  
<img src="/icons/compressed.gif" alt="[   ]"> <a href="a%20b&amp;c.zip">a b&amp;c.zip</a>               2026-01-03 00:00  123M  
<img src="/icons/unknown.gif" alt="[   ]"> <a href="empty">empty</a>                   2026-01-04 05:06    0   
<hr></pre></body></html>`

	apacheTable = `<html><head><title>Index of /x</title></head><body><table>
<tr><th><a href="?C=N;O=D">Name</a></th></tr>
<tr><td valign="top"><a href="sn.0001.txt"><img src="/icons/text.gif" alt="[TXT]"></a></td><td><a href="sn.0001.txt">sn.0001.txt</a></td><td align="right">2026-01-02 03:04  </td><td align="right">987 </td><td>&nbsp;</td></tr>
<tr><td valign="top"><a href='2026/'><img></a></td><td><a href='2026/'>2026/</a></td><td align="right">2026-01-02 03:04  </td><td align="right">  - </td></tr>
</table></body></html>`

	nginxPage = "<html>\r\n<head><title>Index of /data/</title></head>\r\n<body>\r\n<h1>Index of /data/</h1><hr><pre><a href=\"../\">../</a>\r\n" +
		"<a href=\"2026/\">2026/</a>                                  02-Jan-2026 03:04                   -\r\n" +
		"<a href=\"MRMS_PrecipRate_00.00_20260101-000000.grib2.gz\">MRMS_PrecipRate_00.00_20260101-000000.grib2.gz</a>     02-Jan-2026 03:04              417123\r\n" +
		"</pre><hr></body>\r\n</html>\r\n"

	lighttpdPage = `<!DOCTYPE html><html><head><title>Index of /a/</title></head><body><h2>Index of /a/</h2><table><tbody>
<tr class="d"><td class="n"><a href="../">..</a>/</td><td class="m">&nbsp;</td><td class="s">- &nbsp;</td><td class="t">Directory</td></tr>
<tr><td class="n"><a href="b.nc">b.nc</a></td><td class="m">2026-Jan-02 03:04:05</td><td class="s">1.2M</td><td class="t">application/octet-stream</td></tr>
</tbody></table></body></html>`

	pythonPage = `<!DOCTYPE HTML><html lang="en"><head><title>Directory listing for /</title></head><body><h1>Directory listing for /</h1><hr><ul>
<li><a href="2026/">2026/</a></li><li><a href="data.txt">data.txt</a></li></ul><hr></body></html>`
)

func TestParseDirectory(t *testing.T) {
	minute := func(day, hour, m int) time.Time { return time.Date(2026, 1, day, hour, m, 0, 0, time.UTC) }
	const base = "https://store.example.org/x/y/"
	for _, test := range []struct {
		name, page string
		entries    []Entry
		prefixes   []string
	}{
		{"Apache", apachePage, []Entry{
			{Name: "sn.0001.txt", URL: base + "sn.0001.txt", Bytes: 1229, Rounded: true, LastModified: minute(2, 3, 4)},
			{Name: "a b&c.zip", URL: base + "a%20b&c.zip", Bytes: 123 << 20, Rounded: true, LastModified: minute(3, 0, 0)},
			{Name: "empty", URL: base + "empty", LastModified: minute(4, 5, 6)},
		}, []string{"2026/"}},
		{"Apache, table, links twice", apacheTable, []Entry{
			{Name: "sn.0001.txt", URL: base + "sn.0001.txt", Bytes: 987, LastModified: minute(2, 3, 4)},
		}, []string{"2026/"}},
		{"nginx", nginxPage, []Entry{
			{Name: "MRMS_PrecipRate_00.00_20260101-000000.grib2.gz", URL: base + "MRMS_PrecipRate_00.00_20260101-000000.grib2.gz",
				Bytes: 417123, LastModified: minute(2, 3, 4)},
		}, []string{"2026/"}},
		{"lighttpd", lighttpdPage, []Entry{
			{Name: "b.nc", URL: base + "b.nc", Bytes: 1258291, Rounded: true, LastModified: minute(2, 3, 4).Add(5 * time.Second)},
		}, nil},
		{"Python", pythonPage, []Entry{{Name: "data.txt", URL: base + "data.txt", Bytes: -1}}, []string{"2026/"}},
		{"empty folder", "<title>Index of /x/</title><a href=\"../\">../</a>", nil, nil},
		{"links that lead elsewhere", `<title>Index of /</title><a href="http://other.example.org/x/y/a">a</a><a href="/x/a">a</a><a href="b/c">c</a>
			<a href="..%2fd">d</a><a href="mailto:me">me</a><a href="javascript:x()">x</a><a href="#top">top</a><a href="http://%zz">z</a><a href="">e</a>
			<a name="f">f</a><a href="g%00">g</a><a href="%2e%2e">h</a><!-- <a href="i">i</a> --><abbr href="j">j</abbr><a href="//store.example.org/x/y/k">k</a>
			<A CLASS=c HREF=l>l</A><a href="/x/y/m">m</a><a href="./n#part">n</a><a href="o`, []Entry{
			{Name: "k", URL: base + "k", Bytes: -1}, {Name: "l", URL: base + "l", Bytes: -1},
			{Name: "m", URL: base + "m", Bytes: -1}, {Name: "n", URL: base + "n", Bytes: -1},
		}, nil},
		{"odd text beside", `<a href="a">a</a> 2026-13-45 99:99 12.5 <a href="b">b</a> 99999999999999999999 <a href="c">c</a> 3.5T`, []Entry{
			{Name: "a", URL: base + "a", Bytes: 13, Rounded: true}, {Name: "b", URL: base + "b", Bytes: -1},
			{Name: "c", URL: base + "c", Bytes: 3848290697216, Rounded: true},
		}, nil},
	} {
		l, err := parseDirectory("index", mustURL(base+"index.html?C=M"), []byte(test.page))
		if err != nil || !slices.Equal(l.Entries, test.entries) || !slices.Equal(l.Prefixes, test.prefixes) || l.Truncated {
			t.Errorf("%s:\n got %+v\nwant %+v %q\n%v", test.name, l, test.entries, test.prefixes, err)
		}
	}
}

func TestListDirectory(t *testing.T) {
	s := newStore(t, func(n int, w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/moved":
			http.Redirect(w, r, "/x/y/", http.StatusMovedPermanently)
		case "/x/y/":
			w.Write([]byte(nginxPage))
		case "/login":
			w.Write([]byte("<html><title>Please log in</title><a href='https://example.org/'>here</a></html>"))
		case "/garbage":
			w.Write(bytesOf(100000))
		case "/endless":
			for {
				if _, err := w.Write([]byte("<a href='x'>x</a>\n")); err != nil {
					return
				}
			}
		default:
			w.WriteHeader(404)
		}
	})
	o := quick()
	o.MaxBytes = 200000
	c := newClient(t, o)
	// Links count from where the redirect led.
	l, err := c.ListDirectory(testContext(t), s.URL+"/moved")
	if err != nil || len(l.Entries) != 1 || l.Entries[0].URL != s.URL+"/x/y/MRMS_PrecipRate_00.00_20260101-000000.grib2.gz" {
		t.Errorf("%+v, %v", l, err)
	}
	for path, want := range map[string]struct {
		reason error
		status int
	}{
		"/login": {ErrMalformed, 200}, "/garbage": {ErrMalformed, 200}, "/endless": {ErrTooLarge, 200}, "/none": {ErrNotFound, 404},
	} {
		_, err := c.ListDirectory(testContext(t), s.URL+path)
		wantError(t, err, want.reason, want.status)
		if want.reason == ErrMalformed && !errors.Is(err, ingest.ErrCorrupt) {
			t.Errorf("%s: %v does not wrap a *ingest.FormatError", path, err)
		}
	}
	if f := c.Counts().Hosts[s.host()].Failures; f["malformed"] != 2 || f["too large"] != 1 || f["not found"] != 1 {
		t.Errorf("failures %v", f)
	}
}

func TestIndexWithTooManyLinks(t *testing.T) {
	page := []byte("<title>Index of /</title>")
	for range maxIndexLinks + 10 {
		page = append(page, "<a href='x'>"...)
	}
	l, err := parseDirectory("index", mustURL("http://a/"), page)
	if err != nil || !l.Truncated || len(l.Entries) != 1 {
		t.Errorf("%d entries, truncated %v, %v", len(l.Entries), l.Truncated, err)
	}
}
