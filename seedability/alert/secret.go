package alert

import (
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"strconv"
	"strings"
	"time"
)

// Secret is a password, a key or an address that must not be seen. Whatever
// prints, logs or encodes it gets the word secret instead, or, where package fmt
// may not call its methods (a field that is not exported), the place of a pointer.
type Secret struct{ text *string }

// NewSecret keeps a text secret.
func NewSecret(text string) Secret { return Secret{&text} }

// reveal is for those who send it to where it belongs.
func (s Secret) reveal() string {
	if s.text == nil {
		return ""
	}
	return *s.text
}

const hidden = "[secret]"

// String says nothing of it.
func (s Secret) String() string { return hidden }

// GoString says nothing of it.
func (s Secret) GoString() string { return hidden }

// Format says nothing of it, with any verb.
func (s Secret) Format(f fmt.State, _ rune) { _, _ = f.Write([]byte(hidden)) }

// LogValue says nothing of it.
func (s Secret) LogValue() slog.Value { return slog.StringValue(hidden) }

// MarshalText says nothing of it.
func (s Secret) MarshalText() ([]byte, error) { return []byte(hidden), nil }

// maxSecretBytes is far more than a password or key has; leastKeyBytes is less
// than a key that signs should have (128 bits; NIST SP 800-107 r1, 5.3.2, asks for
// 112).
const (
	maxSecretBytes = 4096
	leastKeyBytes  = 16
)

// readSecret takes a secret from a file of one line or from the environment.
// Errors name the place, never what stands there.
func readSecret(file, env string) (Secret, error) {
	text := ""
	switch {
	case file != "":
		info, err := os.Stat(file)
		if err != nil {
			return Secret{}, err
		}
		if info.IsDir() || info.Size() > maxSecretBytes {
			return Secret{}, fmt.Errorf("%s is no file of one short line", file)
		}
		b, err := os.ReadFile(file)
		if err != nil {
			return Secret{}, err
		}
		text = strings.TrimRight(string(b), "\r\n")
	case env != "":
		value, there := os.LookupEnv(env)
		if !there {
			return Secret{}, fmt.Errorf("the environment has no %s", env)
		}
		text = value
	default:
		return Secret{}, errors.New("no file and no environment variable is named")
	}
	if text == "" || len(text) > maxSecretBytes || strings.ContainsAny(text, "\r\n\x00") {
		return Secret{}, fmt.Errorf("%s does not hold one line", file+env)
	}
	return NewSecret(text), nil
}

// readKey takes a secret that signs.
func readKey(file, env string) (Secret, error) {
	key, err := readSecret(file, env)
	if err == nil && len(key.reveal()) < leastKeyBytes {
		return Secret{}, fmt.Errorf("the key in %s has less than %d bytes", file+env, leastKeyBytes)
	}
	return key, err
}

// hide takes secrets out of a text, such as an error of a library.
func hide(text string, secrets ...Secret) string {
	for _, s := range secrets {
		if s.reveal() != "" {
			text = strings.ReplaceAll(text, s.reveal(), hidden)
		}
	}
	return text
}

// sign is HMAC-SHA256 (RFC 2104) over parts whose borders are part of what is
// signed.
func (s Secret) sign(parts ...string) []byte {
	mac := hmac.New(sha256.New, []byte(s.reveal()))
	for _, part := range parts {
		fmt.Fprintf(mac, "%d:%s", len(part), part)
	}
	return mac.Sum(nil)
}

// Signer makes and checks the tokens by which alerts are acknowledged.
type Signer struct {
	key     Secret
	url     string
	expires time.Duration
}

// NewSigner reads the key; nil where the configuration has no acknowledgement.
func NewSigner(a *Acknowledge) (*Signer, error) {
	if a == nil {
		return nil, nil
	}
	key, err := readKey(a.SecretFile, a.SecretEnv)
	if err != nil {
		return nil, fmt.Errorf("key of acknowledgements: %w", err)
	}
	expires := hours(a.ExpiresHours)
	if expires <= 0 {
		expires = 12 * time.Hour
	}
	return &Signer{key, a.URL, expires}, nil
}

// Errors of tokens.
var (
	ErrToken        = errors.New("this is no token of ours")
	ErrTokenExpired = errors.New("the link has expired")
)

const tokenPurpose = "rimeline acknowledge 1"

// Token is good for one alert, for as long as the signer says from now on. It may
// be used again: an acknowledgement twice is one. to says who was told, and comes
// back when the token is checked.
func (s *Signer) Token(alert, to string, now time.Time) string {
	until := strconv.FormatInt(now.Add(s.expires).Unix(), 10)
	mac := s.key.sign(tokenPurpose, alert, to, until)
	encode := base64.RawURLEncoding.EncodeToString
	return encode([]byte(alert)) + "." + encode([]byte(to)) + "." + until + "." + encode(mac)
}

// Link is the page of acknowledgement of an alert. The page must ask for a press
// of a button (POST): mail scanners follow links on their own. Empty where the
// address of the page is not known: such a signer checks tokens and makes none that
// anybody could use.
func (s *Signer) Link(alert, to string, now time.Time) string {
	if s.url == "" {
		return ""
	}
	separator := "?"
	if strings.Contains(s.url, "?") {
		separator = "&"
	}
	return s.url + separator + "token=" + s.Token(alert, to, now)
}

// Check gives the alert of a token and who was told.
func (s *Signer) Check(token string, now time.Time) (alert, to string, err error) {
	if len(token) > 2000 {
		return "", "", ErrToken
	}
	parts := strings.Split(token, ".")
	if len(parts) != 4 {
		return "", "", ErrToken
	}
	var decoded [3][]byte
	for k, part := range []string{parts[0], parts[1], parts[3]} {
		if decoded[k], err = base64.RawURLEncoding.Strict().DecodeString(part); err != nil {
			return "", "", ErrToken
		}
	}
	alert, to = string(decoded[0]), string(decoded[1])
	if !hmac.Equal(decoded[2], s.key.sign(tokenPurpose, alert, to, parts[2])) {
		return "", "", ErrToken
	}
	until, err := strconv.ParseInt(parts[2], 10, 64)
	if err != nil {
		return "", "", ErrToken
	}
	if now.Unix() > until {
		return "", "", ErrTokenExpired
	}
	return alert, to, nil
}

// mac is HMAC-SHA256 (RFC 2104) over the parts as they follow each other.
func (s Secret) mac(parts ...[]byte) []byte {
	mac := hmac.New(sha256.New, []byte(s.reveal()))
	for _, part := range parts {
		mac.Write(part)
	}
	return mac.Sum(nil)
}

func equalMAC(a, b []byte) bool { return hmac.Equal(a, b) }
