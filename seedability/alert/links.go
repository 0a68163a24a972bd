package alert

import (
	"net/url"
	"strings"
)

// links are the pages of evidence of a site.
func (e *Engine) links(site string) []Link {
	if e.config.Link == "" {
		return nil
	}
	return []Link{{Title: "evidence of " + site, URL: strings.TrimRight(e.config.Link, "/") + "/" + url.PathEscape(e.programme.ID) + "/" + url.PathEscape(site)}}
}

// cleanLinks keeps links to the web that hold nothing but printable ASCII.
func cleanLinks(links []Link) []Link {
	var kept []Link
	for _, link := range links {
		address, err := url.Parse(link.URL)
		if err != nil || address.Scheme != "https" && address.Scheme != "http" || address.User != nil || address.Hostname() == "" || len(link.URL) > 500 || len(kept) >= 5 {
			continue
		}
		if text := address.String(); !strings.ContainsFunc(text, func(r rune) bool { return r <= ' ' || r > '~' || r == '<' || r == '>' || r == '"' }) {
			kept = append(kept, Link{Title: clean(link.Title, maxName), URL: text})
		}
	}
	return kept
}
