package main

import (
	"compress/gzip"
	"context"
	"encoding/json"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/url"
	"runtime/debug"
	"slices"
	"strings"
	"time"

	"rimeline/cmd/internal/pages"
	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	drawing "rimeline/seedability/page"
	"rimeline/seedability/programme"
)

// pagesOptions of the pages that people open from an alert.
type pagesOptions struct {
	programmes []*programme.Programme
	// signers check the tokens of acknowledgement, by programme; nil, or without a
	// programme, for none.
	signers map[string]*alert.Signer
	// exercise marks every page as one of a rehearsal.
	exercise bool
	// publishAck stores an acknowledgement; it returns when it is safe. Nil for none.
	publishAck func(ctx context.Context, a message.Ack) error
	// address is where the pages are served. On an address of this computer (and on
	// none) requests must name this computer, or one of hosts, as their host:
	// otherwise a page from elsewhere could read ours under a name of its own (DNS
	// rebinding).
	address string
	// hosts are further names, such as that of a proxy in front. Those of alerts.link
	// and alerts.acknowledge.url of the programmes are added.
	hosts []string
}

// Of pages; common practice, no source. What is read of the bus is shared by all
// who ask within a second.
const (
	pagesAtOnce      = 16
	pagesQueueTime   = 2 * time.Second
	pageTime         = 15 * time.Second
	pagesFreshFor    = time.Second
	pagesReadTime    = 4 * time.Second
	pagesReadAtOnce  = 8
	maxFormBytes     = 8 << 10
	compressedFrom   = 1 << 10
	pagesHeaderBytes = 16 << 10
)

// pageServer answers requests for pages.
type pageServer struct {
	o       pagesOptions
	now     func() time.Time
	log     *slog.Logger
	read    *pageReader
	gate    chan struct{}
	allowed []string // hosts; nil for any
	acks    *ackLimits
}

// pages gives the pages of programmes, from the newest messages on the bus.
func (s *service) pages(o pagesOptions) http.Handler {
	p := &pageServer{o: o, now: s.clock.Now, log: s.log, gate: make(chan struct{}, pagesAtOnce), acks: newAckLimits()}
	if p.log == nil {
		p.log = slog.New(slog.DiscardHandler)
	}
	p.read = newPageReader(s.bus, o, p.log)
	p.allowed = allowedHosts(o)
	return http.HandlerFunc(p.serve)
}

// criteriaHTML is the page of criteria of a programme as a file of its own.
func criteriaHTML(p *programme.Programme) ([]byte, error) { return pages.Criteria("", p, false, true) }

// allowedHosts are the names by which pages may be asked for, in lower case; nil
// where an address beyond this computer leaves them open.
func allowedHosts(o pagesOptions) []string {
	var hosts []string
	add := func(host string) {
		// Numbers are allowed always: an address such as 0.0.0.0 names nobody.
		if host = strings.ToLower(strings.TrimSuffix(host, ".")); host != "" && net.ParseIP(host) == nil && !slices.Contains(hosts, host) {
			hosts = append(hosts, host)
		}
	}
	for _, host := range o.hosts {
		add(host)
	}
	open := false
	if o.address != "" {
		host, _, err := net.SplitHostPort(o.address)
		ip := net.ParseIP(host)
		local := err == nil && (host == "localhost" || ip != nil && ip.IsLoopback())
		open = !local && len(hosts) == 0
		add(host)
	}
	if open {
		return nil
	}
	for _, p := range o.programmes {
		if p.Alerts == nil {
			continue
		}
		links := []string{p.Alerts.Link}
		if p.Alerts.Acknowledge != nil {
			links = append(links, p.Alerts.Acknowledge.URL)
		}
		for _, link := range links {
			if u, err := url.Parse(link); err == nil {
				add(u.Hostname())
			}
		}
	}
	add("localhost")
	return hosts
}

// hostAllowed says whether a request may name this host. A number is no name that
// somebody else could point at us.
func (p *pageServer) hostAllowed(given string) bool {
	if p.allowed == nil {
		return true
	}
	host := given
	if h, _, err := net.SplitHostPort(given); err == nil {
		host = h
	}
	host = strings.ToLower(strings.TrimSuffix(strings.Trim(host, "[]"), "."))
	return net.ParseIP(host) != nil || slices.Contains(p.allowed, host)
}

// answer is what goes out.
type answer struct {
	status      int
	body        []byte
	contentType string
	// secret: it holds a token, and must not be compressed beside what others choose.
	secret bool
	header map[string]string
}

func html(body []byte, err error) (answer, error) {
	return answer{status: http.StatusOK, body: body, contentType: "text/html; charset=utf-8"}, err
}

// problem makes a page of what went wrong.
func problem(r *http.Request, status int, title, what, do string) (answer, error) {
	body, err := pages.ProblemPage(pages.Root(r.URL.Path), title, what, do)
	a, err := html(body, err)
	a.status = status
	return a, err
}

func (p *pageServer) serve(w http.ResponseWriter, r *http.Request) {
	h := w.Header()
	for name, value := range map[string]string{
		"Content-Security-Policy": pages.Policy, "X-Content-Type-Options": "nosniff", "X-Frame-Options": "DENY", "Referrer-Policy": "no-referrer",
		"Cache-Control": "no-store", "Cross-Origin-Opener-Policy": "same-origin", "Cross-Origin-Resource-Policy": "same-origin",
		"Permissions-Policy": "camera=(), geolocation=(), microphone=()", "X-Robots-Tag": "noindex, nofollow",
	} {
		h.Set(name, value)
	}
	ctx, cancel := context.WithTimeout(r.Context(), pageTime)
	defer cancel()
	r = r.WithContext(ctx)
	defer func() {
		if cause := recover(); cause != nil {
			if cause == http.ErrAbortHandler {
				panic(cause)
			}
			// The path alone: a query may hold a token.
			p.log.Error("a page failed", "path", r.URL.Path, "cause", fmt.Sprint(cause), "stack", string(debug.Stack()))
			a, err := problem(r, http.StatusInternalServerError, "This page failed", "The program made a mistake. It is in its log.", "Look for yourself; the rest of the pages may work.")
			p.send(w, r, a, err)
		}
	}()
	a, err := p.answer(r)
	p.send(w, r, a, err)
}

// send writes an answer.
func (p *pageServer) send(w http.ResponseWriter, r *http.Request, a answer, err error) {
	if err != nil {
		p.log.Error("a page could not be made", "path", r.URL.Path, "error", err)
		http.Error(w, "This page could not be made; the reason is in the log of the program. Look for yourself.", http.StatusInternalServerError)
		return
	}
	for name, value := range a.header {
		w.Header().Set(name, value)
	}
	if a.contentType != "" {
		w.Header().Set("Content-Type", a.contentType)
	}
	w.Header().Set("Vary", "Accept-Encoding")
	if len(a.body) >= compressedFrom && !a.secret && r.Method != http.MethodHead && acceptsGzip(r) {
		w.Header().Set("Content-Encoding", "gzip")
		w.WriteHeader(a.status)
		z, err := gzip.NewWriterLevel(w, gzip.BestSpeed)
		if err != nil {
			return
		}
		if _, err = z.Write(a.body); err == nil {
			_ = z.Close() // who asked is gone
		}
		return
	}
	w.Header().Set("Content-Length", fmt.Sprint(len(a.body)))
	w.WriteHeader(a.status)
	_, _ = w.Write(a.body) // who asked is gone
}

func acceptsGzip(r *http.Request) bool {
	for part := range strings.SplitSeq(r.Header.Get("Accept-Encoding"), ",") {
		name, parameters, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.EqualFold(strings.TrimSpace(name), "gzip") {
			q := strings.ReplaceAll(parameters, " ", "")
			return q != "q=0" && !strings.HasPrefix(q, "q=0.000") && q != "q=0.0" && q != "q=0.00"
		}
	}
	return false
}

// answer finds the page.
func (p *pageServer) answer(r *http.Request) (answer, error) {
	if !p.hostAllowed(r.Host) {
		return problem(r, http.StatusMisdirectedRequest, "Not under this name", "These pages are not served under the name by which they were asked for.", "Use the address in the programme file, or the number of this computer.")
	}
	ack := r.URL.Path == "/ack"
	methods := "GET, HEAD"
	if ack {
		methods = "GET, HEAD, POST"
	}
	if r.Method != http.MethodGet && r.Method != http.MethodHead && !(ack && r.Method == http.MethodPost) {
		a, err := problem(r, http.StatusMethodNotAllowed, "Nothing is changed here", "This page can only be read.", "")
		a.header = map[string]string{"Allow": methods}
		return a, err
	}
	// What is read and made at once is bounded.
	wait := time.NewTimer(pagesQueueTime)
	defer wait.Stop()
	select {
	case p.gate <- struct{}{}:
		defer func() { <-p.gate }()
	case <-wait.C:
		return p.busy(r)
	case <-r.Context().Done():
		return p.busy(r)
	}
	if ack {
		return p.acknowledge(r)
	}
	return p.page(r)
}

func (p *pageServer) busy(r *http.Request) (answer, error) {
	a, err := problem(r, http.StatusServiceUnavailable, "Too many readers", "More pages are asked for than are made at once.", "Try again in some seconds.")
	a.header = map[string]string{"Retry-After": "5"}
	return a, err
}

// page answers a request that changes nothing.
func (p *pageServer) page(r *http.Request) (answer, error) {
	root, parts := pages.Root(r.URL.Path), strings.Split(strings.TrimPrefix(r.URL.Path, "/"), "/")
	if len(parts) == 1 && (parts[0] == "icon.svg" || parts[0] == "favicon.ico") {
		return answer{status: http.StatusOK, body: pages.Icon, contentType: "image/svg+xml", header: map[string]string{"Cache-Control": "max-age=86400"}}, nil
	}
	if len(parts) == 1 && parts[0] == "" {
		return html(pages.Overview(root, p.read.board(r.Context(), p.now(), p.o.programmes), ""))
	}
	k := slices.IndexFunc(p.o.programmes, func(one *programme.Programme) bool { return one.ID == parts[0] })
	if k < 0 {
		return p.nothing(r)
	}
	one := p.o.programmes[k]
	if len(parts) == 1 { // a page of the programme has a slash at its end
		return answer{status: http.StatusTemporaryRedirect, header: map[string]string{"Location": one.ID + "/"}}, nil
	}
	byList := len(parts) == 3 && parts[1] == "sites" // any site, whatever its name
	name := parts[len(parts)-1]
	switch {
	case len(parts) > 2 && !byList:
		return p.nothing(r)
	case byList:
		return p.site(r, root, one, name)
	case name == "":
		return html(pages.Overview(root, p.read.board(r.Context(), p.now(), p.o.programmes[k:k+1]), one.ID))
	case name == "criteria":
		return html(pages.Criteria(root, one, p.o.exercise, false))
	case name == "holds":
		b := p.read.board(r.Context(), p.now(), nil)
		return html(pages.Holds(root, b, p.read.criteria(r.Context(), one)))
	case name == "alerts":
		b := p.read.board(r.Context(), p.now(), nil)
		return html(pages.Alerts(root, b, p.read.withAlerts(r.Context(), one)))
	}
	return p.site(r, root, one, name)
}

func (p *pageServer) nothing(r *http.Request) (answer, error) {
	return problem(r, http.StatusNotFound, "There is no such page", "No programme or site of this name is shown here.", "It may have been renamed, or be watched by another process.")
}

// site answers with the evidence of a site, or with what programs want of it.
func (p *pageServer) site(r *http.Request, root string, one *programme.Programme, name string) (answer, error) {
	id, form, _ := strings.Cut(name, ".")
	if one.Site(id) == nil || form != "" && form != "json" && form != "geojson" || strings.HasSuffix(name, ".") {
		return p.nothing(r)
	}
	now := p.now()
	view, events := p.read.site(r.Context(), one, id)
	switch form {
	case "json":
		body, err := json.MarshalIndent(events, "", "  ")
		return answer{status: http.StatusOK, body: append(body, '\n'), contentType: "application/json"}, err
	case "geojson":
		var a *seedability.Assessment
		for _, s := range view.Sites {
			a = s.Score
		}
		if a == nil {
			return problem(r, http.StatusNotFound, "No drift path", "There is no assessment of this site that can be read.", "")
		}
		body, err := drawing.GeoJSON(*a)
		if err != nil {
			p.log.Warn("a drift path cannot be written as GeoJSON", "programme", one.ID, "site", id, "error", err)
			return problem(r, http.StatusNotFound, "No drift path", "The newest assessment of this site names a place that is none.", "")
		}
		return answer{status: http.StatusOK, body: body, contentType: "application/geo+json"}, nil
	}
	body, known, err := pages.Evidence(root, pages.Board{Now: now, Exercise: p.o.exercise}, view, id)
	if err == nil && !known {
		return p.nothing(r)
	}
	return html(body, err)
}

// siteEvents are the newest messages about a site, as they lie on the bus.
type siteEvents struct {
	Score      *bus.Event `json:"score"`
	Outlook    *bus.Event `json:"outlook"`
	Advice     *bus.Event `json:"advice"`
	Holds      *bus.Event `json:"holds"`
	Conditions *bus.Event `json:"conditions"`
}
