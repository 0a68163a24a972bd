package alert

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"
)

// Headers of a webhook beside Content-Type and Idempotency-Key. The signature is
// the HMAC-SHA256 (RFC 2104), in hexadecimal, of the timestamp, a line feed and the
// body. A receiver refuses a timestamp that is more than some minutes off: every
// attempt is signed anew.
const (
	TimestampHeader = "Rimeline-Timestamp" // seconds since 1970 UTC
	SignatureHeader = "Rimeline-Signature"
)

// Posted is the body of a webhook.
type Posted struct {
	Alert   Alert   `json:"alert"`
	Message Message `json:"message"`
}

// VerifyWebhook says whether a body with its timestamp and signature comes from
// who knows the key, and not long ago. It is here for receivers and tests.
func VerifyWebhook(key Secret, timestamp, signature string, body []byte, now time.Time, most time.Duration) error {
	seconds, err := strconv.ParseInt(timestamp, 10, 64)
	if err != nil {
		return errors.New("the timestamp is no number")
	}
	if now.Sub(time.Unix(seconds, 0)).Abs() > most {
		return errors.New("the timestamp is too far off")
	}
	if !equalHex(signature, key.webhook(timestamp, body)) {
		return errors.New("the signature is wrong")
	}
	return nil
}

// webhookRoute posts alerts to one address.
type webhookRoute struct {
	id      string
	address Secret
	hosts   []string
	plain   bool
	key     Secret
	client  *http.Client
	now     func() time.Time
}

func newWebhook(r RouteSpec, hosts []string) (*webhookRoute, error) {
	w := &webhookRoute{id: r.ID, hosts: hosts, plain: r.AllowPlain, address: NewSecret(r.URL), now: time.Now}
	var err error
	if r.URLFile != "" {
		if w.address, err = readSecret(r.URLFile, ""); err != nil {
			return nil, fmt.Errorf("route %s: address: %w", r.ID, err)
		}
	}
	if err := w.allowed(); err != nil {
		return nil, fmt.Errorf("route %s: %w", r.ID, err)
	}
	if w.key, err = readKey(r.SecretFile, r.SecretEnv); err != nil {
		return nil, fmt.Errorf("route %s: %w", r.ID, err)
	}
	roots, err := rootsOf(r.CAFile)
	if err != nil {
		return nil, fmt.Errorf("route %s: %w", r.ID, err)
	}
	w.client = &http.Client{
		// No proxy of the environment: alerts go where the file says.
		Transport: &http.Transport{Proxy: nil, TLSClientConfig: &tls.Config{RootCAs: roots, MinVersion: tls.VersionTLS12}, DialContext: (&net.Dialer{Timeout: 10 * time.Second}).DialContext,
			TLSHandshakeTimeout: 10 * time.Second, ForceAttemptHTTP2: true, MaxResponseHeaderBytes: 64 << 10, IdleConnTimeout: time.Minute},
		// A redirect is an answer that is not 2xx, whatever it points to.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
	return w, nil
}

// allowed checks the address before every request. Errors do not repeat it.
func (w *webhookRoute) allowed() error {
	address, err := url.Parse(w.address.reveal())
	switch {
	case err != nil || address.User != nil || address.Hostname() == "":
		return errors.New("the address is not a URL of a host")
	case address.Scheme != "https" && (address.Scheme != "http" || !w.plain):
		return errors.New("the address must begin with https://")
	case !slices.ContainsFunc(w.hosts, func(h string) bool { return strings.EqualFold(h, address.Hostname()) }):
		return errors.New("the host of the address is not listed in hosts")
	}
	return nil
}

// Send posts one alert.
func (w *webhookRoute) Send(ctx context.Context, a Alert, m Message) error {
	if err := w.allowed(); err != nil {
		return permanent(err)
	}
	body, err := json.Marshal(Posted{a, m})
	if err != nil {
		return permanent(err)
	}
	request, err := http.NewRequestWithContext(ctx, http.MethodPost, w.address.reveal(), bytes.NewReader(body))
	if err != nil {
		return permanent(errors.New("the address is not a URL"))
	}
	timestamp := strconv.FormatInt(w.now().Unix(), 10)
	request.Header.Set("Content-Type", "application/json")
	request.Header.Set("User-Agent", "rimeline")
	request.Header.Set("Idempotency-Key", strconv.QuoteToASCII(clean(a.ID, 300)))
	request.Header.Set(TimestampHeader, timestamp)
	request.Header.Set(SignatureHeader, hex.EncodeToString(w.key.webhook(timestamp, body)))
	response, err := w.client.Do(request)
	if err != nil {
		// The client's error names the address, which may be a secret.
		var failed *url.Error
		if errors.As(err, &failed) {
			err = failed.Err
		}
		return errors.New(clean(hide(err.Error(), w.address, w.key), maxReason))
	}
	defer response.Body.Close()
	// Read so that the connection can be used again, but not without bound.
	_, _ = io.Copy(io.Discard, io.LimitReader(response.Body, 64<<10))
	switch code := response.StatusCode; {
	case code >= 200 && code < 300:
		return nil
	case code == http.StatusRequestTimeout || code == http.StatusTooEarly || code == http.StatusTooManyRequests || code >= 500:
		return fmt.Errorf("the answer is %d", code)
	default: // RFC 9110, 15.4 and 15.5: sending it again does not help
		return permanent(fmt.Errorf("the answer is %d", response.StatusCode))
	}
}

func (s Secret) webhook(timestamp string, body []byte) []byte {
	return s.mac([]byte(timestamp), []byte("\n"), body)
}

func equalHex(text string, mac []byte) bool {
	got, err := hex.DecodeString(text)
	return err == nil && equalMAC(got, mac)
}
