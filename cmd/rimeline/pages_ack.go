package main

import (
	"context"
	"errors"
	"net"
	"net/http"
	"strings"
	"sync"
	"time"
	"unicode"

	"golang.org/x/time/rate"

	"rimeline/cmd/internal/pages"
	"rimeline/seedability/alert"
	"rimeline/seedability/message"
	"rimeline/seedability/programme"
)

// Of acknowledgements; common practice, no source. A person answers some alerts in a
// row; what asks more often is a machine. Behind a proxy all readers are one.
const (
	acksPerSecond       = 1
	acksBurst           = 30
	allAcksPerSecond    = 10
	allAcksBurst        = 100
	mostAckClients      = 4096
	longestAckName      = 80
	publishAckTime      = 10 * time.Second
	ackHowElse          = "Answer by the link of a newer message, with \"rimeline ack\" on the computer that runs the service, or call whom the message names."
	ackProblemForgotten = "This is no link of ours"
)

// ackLimits bounds how often acknowledgements are asked for.
type ackLimits struct {
	mutex   sync.Mutex
	all     *rate.Limiter
	clients map[string]*rate.Limiter
}

func newAckLimits() *ackLimits {
	return &ackLimits{all: rate.NewLimiter(allAcksPerSecond, allAcksBurst), clients: map[string]*rate.Limiter{}}
}

func (l *ackLimits) allow(remote string) bool {
	client, _, err := net.SplitHostPort(remote)
	if err != nil {
		client = remote
	}
	l.mutex.Lock()
	limiter := l.clients[client]
	if limiter == nil {
		// Forgetting all is simple and bounded; the limit of all together stands.
		if len(l.clients) >= mostAckClients {
			clear(l.clients)
		}
		limiter = rate.NewLimiter(acksPerSecond, acksBurst)
		l.clients[client] = limiter
	}
	l.mutex.Unlock()
	return limiter.Allow() && l.all.Allow()
}

// acknowledge shows an alert and asks (GET), or takes the answer (POST). Nothing is
// acknowledged by GET: mail scanners follow links on their own.
func (p *pageServer) acknowledge(r *http.Request) (a answer, err error) {
	defer func() { a.secret = true }()
	if !p.acks.allow(r.RemoteAddr) {
		a, err = problem(r, http.StatusTooManyRequests, "Too many answers", "Acknowledgements are asked for too often.", "Wait half a minute and try again.")
		a.header = map[string]string{"Retry-After": "30"}
		return a, err
	}
	if r.Method != http.MethodPost {
		token := r.URL.Query().Get("token")
		one, id, to, failed := p.check(token)
		if failed != nil {
			return p.refuse(r, failed)
		}
		b := pages.Board{Now: p.now(), Exercise: p.o.exercise}
		record := p.read.alertRecord(r.Context())
		return html(pages.AckForm("", b, &pages.Programme{File: one}, pages.AckPage{Alert: id, To: to, Token: token, Known: record.find(one.ID, id, p.o.signers[one.ID])}))
	}
	// A browser says where a form was sent from. The token alone is what is needed to
	// answer; this keeps other sites from answering with one that leaked to them.
	if from := r.Header.Get("Sec-Fetch-Site"); from != "" && from != "same-origin" && from != "none" {
		return problem(r, http.StatusForbidden, "Not from there", "The form was sent from another site.", "Open the link of the message and press the button there.")
	}
	r.Body = http.MaxBytesReader(nil, r.Body, maxFormBytes)
	if err := r.ParseForm(); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return problem(r, http.StatusRequestEntityTooLarge, "Too much", "The form holds more than it should.", "Open the link of the message and press the button there.")
		}
		return problem(r, http.StatusBadRequest, "Not understood", "The form could not be read.", "Open the link of the message and press the button there.")
	}
	token := r.PostForm.Get("token") // of the body alone
	one, id, to, failed := p.check(token)
	if failed != nil {
		return p.refuse(r, failed)
	}
	name := ackName(r.PostForm.Get("name"))
	by := name
	if by == "" {
		by = ackName("reader of " + to)
	}
	now := p.now().UTC()
	b := pages.Board{Now: now, Exercise: p.o.exercise}
	record := p.read.alertRecord(r.Context())
	page := pages.AckPage{Alert: id, To: to, Token: token, Name: name, Known: record.find(one.ID, id, p.o.signers[one.ID])}
	storing, cancel := context.WithTimeout(context.WithoutCancel(r.Context()), publishAckTime)
	defer cancel()
	if err := p.o.publishAck(storing, message.Ack{Programme: one.ID, Alert: id, By: by, At: now, Token: token, Via: "link"}); err != nil {
		p.log.Error("an acknowledgement could not be stored", "programme", one.ID, "alert", id, "error", err)
		page.Problem = "It could not be recorded: nobody knows that you answered. Try again; if that fails, answer with \"rimeline ack\" or call."
		a, err := html(pages.AckForm("", b, &pages.Programme{File: one}, page))
		a.status = http.StatusServiceUnavailable
		return a, err
	}
	p.log.Info("alert acknowledged by link", "programme", one.ID, "alert", id, "by", by)
	return html(pages.AckDone("", b, &pages.Programme{File: one}, page, by))
}

// errNoAcks: nothing can be acknowledged here.
var errNoAcks = errors.New("no acknowledgement by link")

// check gives the programme and the alert of a token.
func (p *pageServer) check(token string) (one *programme.Programme, id, to string, err error) {
	if p.o.publishAck == nil {
		return nil, "", "", errNoAcks
	}
	err = errNoAcks
	for _, candidate := range p.o.programmes {
		signer := p.o.signers[candidate.ID]
		if signer == nil {
			continue
		}
		named, told, failed := signer.Check(token, p.now())
		switch {
		case failed == nil:
			// Programmes that share a key are told apart by the id of the alert, which
			// begins with that of its programme.
			if one == nil || belongs(named, candidate.ID) > belongs(named, one.ID) {
				one, id, to = candidate, named, told
			}
		case !errors.Is(err, alert.ErrTokenExpired):
			err = failed
		}
	}
	if one == nil {
		return nil, "", "", err
	}
	return one, id, to, nil
}

// belongs is how much of an alert's id is that of a programme.
func belongs(id, programmeID string) int {
	if strings.HasPrefix(id, programmeID+"-") {
		return len(programmeID)
	}
	return 0
}

func (p *pageServer) refuse(r *http.Request, failed error) (answer, error) {
	switch {
	case errors.Is(failed, errNoAcks):
		return problem(r, http.StatusNotFound, "No answers by link", "No programme that is shown here takes acknowledgements by link.", ackHowElse)
	case errors.Is(failed, alert.ErrTokenExpired):
		return problem(r, http.StatusGone, "This link has expired", "It was good for some hours after its message. The alert may still wait for an answer.", ackHowElse)
	}
	return problem(r, http.StatusForbidden, ackProblemForgotten, "Its token is not one that was made here, or a part of it got lost on its way.", "Open the link from the message itself, as a whole. "+ackHowElse)
}

// ackName is the name of a person in one printable line.
func ackName(text string) string {
	var out []rune
	for _, r := range text {
		switch {
		case len(out) >= longestAckName:
		case unicode.IsPrint(r) && r != unicode.ReplacementChar && r != ' ':
			out = append(out, r)
		case len(out) > 0 && out[len(out)-1] != ' ':
			out = append(out, ' ')
		}
	}
	for len(out) > 0 && out[len(out)-1] == ' ' {
		out = out[:len(out)-1]
	}
	return string(out)
}
