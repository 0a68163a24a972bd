package operate

import (
	"regexp"
	"strings"
)

// hidden stands where a secret was.
const hidden = "[hidden]"

// secretWords are parts of keys whose values are not written. "seed" is not among
// them, since that of a rehearsal is wanted; seeds of nkeys are known by their form.
var secretWords = []string{
	"password", "passwd", "passphrase", "secret", "token", "credential", "authorization", "cookie",
	"apikey", "privatekey", "accesskey", "signature", "nkey", "jwt",
}

func looksSecret(key string) bool {
	key = strings.NewReplacer("_", "", "-", "", ".", "", " ", "").Replace(strings.ToLower(key))
	for _, word := range secretWords {
		if strings.Contains(key, word) {
			return true
		}
	}
	return false
}

var (
	// userinfo of a URL (RFC 3986, 3.2.1), as far as the last @ of the authority;
	// without a colon it may be a token.
	userinfo = regexp.MustCompile(`([A-Za-z][A-Za-z0-9+.-]*://)[^\s/?#]*@`)
	// query is one parameter of a URL, or a form.
	query = regexp.MustCompile(`([?&;])([^\s=&;#?]+)=([^\s&;#"']+)`)
	// said is name=value or name: value in text.
	said = regexp.MustCompile(`(?i)\b([a-z_-]*(?:password|passwd|passphrase|secret|token|api[_-]?key|signature))("?\s*[=:]\s*"?)([^\s"',;&#]+)`)
	// bearer is what an Authorization header holds (RFC 7617 and 6750).
	bearer = regexp.MustCompile(`(?i)\b(bearer|basic)\s+[A-Za-z0-9._~+/=-]{8,}`)
	// seed of an nkey: S, the kind, and base32.
	nkeySeed = regexp.MustCompile(`\bS[A-Z][A-Z2-7]{54,60}\b`)
	// token in three parts of base64, as credentials files hold.
	webToken = regexp.MustCompile(`\beyJ[A-Za-z0-9_-]{10,}\.[A-Za-z0-9_-]+\.[A-Za-z0-9_-]+`)
)

// Redact takes credentials out of a text: those in URLs, before the host and in
// parameters named like secrets, those of HTTP authorisation, seeds of nkeys and
// web tokens.
func Redact(s string) string {
	if strings.Contains(s, "://") {
		s = userinfo.ReplaceAllString(s, "${1}"+hidden+"@")
	}
	if strings.ContainsAny(s, "?&;") {
		s = query.ReplaceAllStringFunc(s, func(parameter string) string {
			parts := query.FindStringSubmatch(parameter)
			if name := strings.ToLower(parts[2]); looksSecret(name) || name == "sig" || name == "key" || name == "auth" {
				return parts[1] + parts[2] + "=" + hidden
			}
			return parameter
		})
	}
	if strings.ContainsAny(s, "=:") {
		s = said.ReplaceAllString(s, "${1}${2}"+hidden)
	}
	s = bearer.ReplaceAllString(s, "${1} "+hidden)
	s = nkeySeed.ReplaceAllString(s, hidden)
	return webToken.ReplaceAllString(s, hidden)
}
