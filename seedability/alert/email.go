package alert

import (
	"bytes"
	"context"
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"fmt"
	"mime"
	"mime/quotedprintable"
	"net"
	"net/mail"
	"net/smtp"
	"net/textproto"
	"os"
	"strings"
	"time"
)

// Attachment is a picture that goes with an alert.
type Attachment struct {
	Name, MediaType string
	Bytes           []byte
}

// maxAttachmentBytes: a larger picture is left out, and the mail goes without.
const maxAttachmentBytes = 4 << 20

// Mail is one message to be sent.
type Mail struct {
	From        mail.Address
	To          []mail.Address
	Alert       Alert
	Message     Message
	Attachments []Attachment
}

// Encode writes a message of RFC 5322 with MIME (RFC 2045 to 2047). Whatever stands
// in the alert, it can neither end a header nor add one: text in headers is cleaned
// and encoded word by word, the body is quoted-printable. The Message-ID is that of
// the alert, so that a mail that is sent twice is one; all alerts of a storm answer
// to the same id and stand in one thread.
func (m Mail) Encode() []byte {
	a := m.Alert.cleaned()
	domain := "rimeline.invalid"
	if _, host, ok := strings.Cut(m.From.Address, "@"); ok && hostForm.MatchString(host) {
		domain = host
	}
	var b bytes.Buffer
	header := func(name, value string) { b.WriteString(name + ": " + value + "\r\n") }
	header("From", addressText(m.From))
	to := make([]string, len(m.To))
	for k := range m.To {
		to[k] = addressText(m.To[k])
	}
	header("To", strings.Join(to, ",\r\n "))
	header("Subject", encodeWords(m.Message.Subject))
	header("Date", a.Raised.UTC().Format("Mon, 02 Jan 2006 15:04:05 +0000"))
	header("Message-ID", messageID("alert", a.ID, domain))
	root := messageID("thread", a.Thread, domain)
	header("In-Reply-To", root)
	header("References", root)
	header("Auto-Submitted", "auto-generated") // RFC 3834: no answers of absence
	if a.Severity == Severe {
		header("Importance", "high") // RFC 2156, 5.3.4
	}
	header("MIME-Version", "1.0")
	body := func() {
		w := quotedprintable.NewWriter(&b)
		_, _ = w.Write([]byte(cleanLines(m.Message.Body)))
		_ = w.Close() // into memory
		b.WriteString("\r\n")
	}
	const plain = "Content-Type: text/plain; charset=utf-8\r\nContent-Transfer-Encoding: quoted-printable\r\n\r\n"
	var attachments []Attachment
	for _, attachment := range m.Attachments {
		if len(attachment.Bytes) > 0 && len(attachment.Bytes) <= maxAttachmentBytes && len(attachments) < 4 {
			attachments = append(attachments, attachment)
		}
	}
	if len(attachments) == 0 {
		b.WriteString(plain)
		body()
		return b.Bytes()
	}
	sum := sha256.Sum256([]byte(a.ID))
	boundary := "=_rimeline_" + hex.EncodeToString(sum[:12]) // =_ cannot stand in quoted-printable or base64
	header("Content-Type", `multipart/mixed; boundary="`+boundary+`"`)
	b.WriteString("\r\n--" + boundary + "\r\n" + plain)
	body()
	for k, attachment := range attachments {
		name := fileName(attachment.Name, k)
		mediaType := "application/octet-stream"
		if attachment.MediaType == "image/png" || attachment.MediaType == "image/jpeg" {
			mediaType = attachment.MediaType
		}
		b.WriteString("--" + boundary + "\r\nContent-Type: " + mediaType + "; name=\"" + name + "\"\r\nContent-Transfer-Encoding: base64\r\nContent-Disposition: attachment; filename=\"" + name + "\"\r\n\r\n")
		text := base64.StdEncoding.EncodeToString(attachment.Bytes)
		for len(text) > 0 {
			n := min(76, len(text))
			b.WriteString(text[:n] + "\r\n")
			text = text[n:]
		}
	}
	b.WriteString("--" + boundary + "--\r\n")
	return b.Bytes()
}

// addressText is an address for a header. Names are made of what is printable.
func addressText(a mail.Address) string {
	a.Name, a.Address = plainWords(clean(a.Name, maxName)), clean(a.Address, 300)
	text := a.String()
	if strings.ContainsFunc(a.Name, func(r rune) bool { return r > 126 }) {
		// The standard library's Q encoding leaves a backslash in a name as it is,
		// which a phrase may not hold (RFC 2047, 5(3)); B has none to leave.
		text = mime.BEncoding.Encode("utf-8", a.Name) + " " + (&mail.Address{Address: a.Address}).String()
	}
	return strings.ReplaceAll(strings.ReplaceAll(text, "\r", ""), "\n", "")
}

// plainWords breaks what would be read as an encoded word of RFC 2047 although it
// is none of ours: a name could carry line breaks past clean in that disguise.
func plainWords(text string) string { return strings.ReplaceAll(text, "=?", "= ?") }

// encodeWords encodes a header's text by RFC 2047, a word a line.
func encodeWords(text string) string {
	return strings.ReplaceAll(mime.QEncoding.Encode("utf-8", plainWords(clean(text, maxSubject))), "?= =?", "?=\r\n =?")
}

// messageID is an id of RFC 5322, 3.6.4. Characters that may not stand there are
// replaced by a digest.
func messageID(what, id, domain string) string {
	safe := strings.Map(func(r rune) rune {
		if r < 128 && (r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_') {
			return r
		}
		return -1
	}, id)
	if len(safe) > 150 || safe != id {
		sum := sha256.Sum256([]byte(id))
		safe = safe[:min(len(safe), 100)] + "-" + hex.EncodeToString(sum[:8])
	}
	return "<" + what + "-" + safe + "@" + domain + ">"
}

// fileName is a name without anything that a reader's computer could take for a path.
func fileName(name string, k int) string {
	safe := strings.Map(func(r rune) rune {
		if r < 128 && (r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' || r == '.') {
			return r
		}
		return -1
	}, name)
	if safe = strings.TrimLeft(safe, "."); safe == "" || len(safe) > 100 {
		return fmt.Sprintf("picture-%d.png", k+1)
	}
	return safe
}

// cleanLines is a body with lines that end in CR LF and hold nothing else that
// steers.
func cleanLines(text string) string {
	lines := strings.Split(text, "\n")
	for k := range lines {
		indent := ""
		if trimmed := strings.TrimLeft(lines[k], " "); len(trimmed) < len(lines[k]) {
			indent = strings.Repeat(" ", min(len(lines[k])-len(trimmed), 20))
		}
		lines[k] = indent + keepSpaces(lines[k][min(len(indent), len(lines[k])):])
	}
	return strings.Join(lines, "\r\n")
}

// keepSpaces replaces what is not printable, and leaves columns as they are.
func keepSpaces(text string) string {
	return strings.Map(func(r rune) rune {
		if r == ' ' || clean(string(r), 2) != "" {
			return r
		}
		return ' '
	}, cut(text, 2000))
}

// ErrPermanent marks a delivery that would fail again however often it is tried.
var ErrPermanent = errors.New("will not be accepted")

func permanent(err error) error { return fmt.Errorf("%w: %w", ErrPermanent, err) }

// emailRoute sends mail over SMTP (RFC 5321).
type emailRoute struct {
	id       string
	server   string
	host     string
	security string
	plain    bool
	user     string
	password Secret
	roots    *x509.CertPool
	from     mail.Address
	to       []mail.Address
	attach   func(context.Context, Alert) []Attachment
}

func newEmail(r RouteSpec) (*emailRoute, error) {
	e := &emailRoute{id: r.ID, server: r.Server, security: r.Security, plain: r.AllowPlain, user: r.User}
	var err error
	if e.host, _, err = net.SplitHostPort(r.Server); err != nil {
		return nil, fmt.Errorf("route %s: server: %w", r.ID, err)
	}
	if r.User != "" {
		if e.password, err = readSecret(r.PasswordFile, r.PasswordEnv); err != nil {
			return nil, fmt.Errorf("route %s: password: %w", r.ID, err)
		}
	}
	if e.roots, err = rootsOf(r.CAFile); err != nil {
		return nil, fmt.Errorf("route %s: %w", r.ID, err)
	}
	from, err := mail.ParseAddress(r.From)
	if err != nil {
		return nil, fmt.Errorf("route %s: from is not a mail address", r.ID)
	}
	e.from = *from
	for _, text := range r.To {
		to, err := mail.ParseAddress(text)
		if err != nil {
			return nil, fmt.Errorf("route %s: to is not a mail address", r.ID)
		}
		e.to = append(e.to, *to)
	}
	return e, nil
}

func rootsOf(file string) (*x509.CertPool, error) {
	if file == "" {
		return nil, nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return nil, err
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(b) {
		return nil, fmt.Errorf("%s holds no certificate", file)
	}
	return pool, nil
}

// Send sends one mail. Nothing is sent in the clear unless that is allowed, and a
// password never.
func (e *emailRoute) Send(ctx context.Context, a Alert, m Message) error {
	letter := Mail{From: e.from, To: e.to, Alert: a, Message: m}
	if e.attach != nil {
		letter.Attachments = e.attach(ctx, a)
	}
	err := e.send(ctx, letter.Encode())
	if err == nil {
		return nil
	}
	var reply *textproto.Error
	if errors.As(err, &reply) && reply.Code >= 500 { // RFC 5321, 4.2.1: a permanent answer
		return permanent(e.safe(err))
	}
	if errors.Is(err, ErrPermanent) {
		return permanent(e.safe(err))
	}
	return e.safe(err)
}

// safe is an error without the password, in whatever form a server gave it back.
func (e *emailRoute) safe(err error) error {
	plainText := "\x00" + e.user + "\x00" + e.password.reveal()
	secrets := []Secret{e.password}
	if e.password.reveal() != "" {
		secrets = append(secrets, NewSecret(base64.StdEncoding.EncodeToString([]byte(plainText))), NewSecret(base64.StdEncoding.EncodeToString([]byte(e.password.reveal()))))
	}
	return errors.New(clean(hide(err.Error(), secrets...), maxReason))
}

func (e *emailRoute) send(ctx context.Context, letter []byte) error {
	config := &tls.Config{ServerName: e.host, RootCAs: e.roots, MinVersion: tls.VersionTLS12}
	connection, err := (&net.Dialer{}).DialContext(ctx, "tcp", e.server)
	if err != nil {
		return err
	}
	defer connection.Close()
	if deadline, ok := ctx.Deadline(); ok {
		if err := connection.SetDeadline(deadline); err != nil {
			return err
		}
	}
	// A cancelled context ends what the connection waits for.
	stop := context.AfterFunc(ctx, func() { _ = connection.SetDeadline(time.Unix(1, 0)) })
	defer stop()
	encrypted := false
	if e.security == "tls" {
		secure := tls.Client(connection, config)
		if err := secure.HandshakeContext(ctx); err != nil {
			return err
		}
		connection, encrypted = secure, true
	}
	client, err := smtp.NewClient(connection, e.host)
	if err != nil {
		return err
	}
	defer client.Close()
	if err := client.Hello("localhost"); err != nil {
		return err
	}
	if e.security == "starttls" {
		if offered, _ := client.Extension("STARTTLS"); offered {
			if err := client.StartTLS(config); err != nil {
				return err
			}
			encrypted = true
		}
	}
	if !encrypted && !e.plain {
		return permanent(errors.New("the mail server offers no encryption, and plain mail is not allowed"))
	}
	if e.user != "" {
		if !encrypted {
			return permanent(errors.New("a password is never sent without encryption"))
		}
		if err := client.Auth(smtp.PlainAuth("", e.user, e.password.reveal(), e.host)); err != nil {
			return err
		}
	}
	if err := client.Mail(e.from.Address); err != nil {
		return err
	}
	for _, to := range e.to {
		if err := client.Rcpt(to.Address); err != nil {
			return err
		}
	}
	w, err := client.Data()
	if err != nil {
		return err
	}
	if _, err := w.Write(letter); err != nil {
		return err
	}
	if err := w.Close(); err != nil { // here the server takes it, or not
		return err
	}
	_ = client.Quit() // it has it
	return nil
}
