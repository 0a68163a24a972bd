package bus

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/nats-io/nats.go"
)

// Names of the environment that a connection asks for what no file gives.
const (
	userVariable     = "RIMELINE_NATS_USER"
	passwordVariable = "RIMELINE_NATS_PASSWORD"
	tokenVariable    = "RIMELINE_NATS_TOKEN"
	inboxVariable    = "RIMELINE_NATS_INBOX"
)

// maxSecretBytes is far more than any password or token has.
const maxSecretBytes = 64 << 10

// secrets are the options of a connection that say who connects.
func (o *Options) secrets() ([]nats.Option, error) {
	var options []nats.Option
	prefix := o.InboxPrefix
	if prefix == "" {
		prefix = os.Getenv(inboxVariable)
	}
	if prefix != "" {
		options = append(options, nats.CustomInboxPrefix(prefix))
	}

	named := 0
	for _, file := range []string{o.CredentialsFile, o.NKeyFile, o.UserFile, o.TokenFile} {
		if file != "" {
			named++
		}
	}
	switch {
	case named > 1:
		return nil, errors.New("credentials, nkey, user and token exclude each other: name one file")
	case o.CredentialsFile != "":
		return append(options, nats.UserCredentials(o.CredentialsFile)), nil
	case o.NKeyFile != "":
		option, err := nats.NkeyOptionFromSeed(o.NKeyFile)
		if err != nil {
			return nil, fmt.Errorf("seed of an nkey in %s: %w", o.NKeyFile, err)
		}
		return append(options, option), nil
	case o.UserFile != "":
		if _, _, err := userOfFile(o.UserFile); err != nil {
			return nil, err
		}
		return append(options, nats.UserInfoHandler(func() (string, string) {
			user, password, _ := userOfFile(o.UserFile) // the server refuses what is empty
			return user, password
		})), nil
	case o.TokenFile != "":
		if _, err := lineOfFile(o.TokenFile); err != nil {
			return nil, err
		}
		return append(options, nats.TokenHandler(func() string {
			token, _ := lineOfFile(o.TokenFile) // the server refuses what is empty
			return token
		})), nil
	}

	user, hasUser := os.LookupEnv(userVariable)
	token, hasToken := os.LookupEnv(tokenVariable)
	switch {
	case hasUser && hasToken:
		return nil, fmt.Errorf("%s and %s exclude each other", userVariable, tokenVariable)
	case hasUser:
		return append(options, nats.UserInfo(user, os.Getenv(passwordVariable))), nil
	case hasToken:
		return append(options, nats.Token(token)), nil
	}
	return options, nil
}

// userOfFile reads user:password.
func userOfFile(name string) (user, password string, err error) {
	line, err := lineOfFile(name)
	if err != nil {
		return "", "", err
	}
	user, password, ok := strings.Cut(line, ":")
	if !ok || user == "" {
		return "", "", fmt.Errorf("%s does not hold one line user:password", name)
	}
	return user, password, nil
}

// lineOfFile reads a file of one line. Errors do not quote it.
func lineOfFile(name string) (string, error) {
	info, err := os.Stat(name)
	if err != nil {
		return "", err
	}
	if info.Size() > maxSecretBytes {
		return "", fmt.Errorf("%s is too large for a password or token", name)
	}
	b, err := os.ReadFile(name)
	if err != nil {
		return "", err
	}
	line := strings.TrimRight(string(b), "\r\n")
	if line == "" || strings.ContainsAny(line, "\r\n") {
		return "", fmt.Errorf("%s does not hold one line", name)
	}
	return line, nil
}
