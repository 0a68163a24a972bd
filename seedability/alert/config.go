package alert

import (
	"fmt"
	"math"
	"net/mail"
	"net/url"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Config is the section alerts of a programme file. The numbers are common
// practice, no source. A zero Config gives alerts on the bus alone; Default gives
// its numbers.
type Config struct {
	GroupSeconds    float64 `yaml:"group_seconds" default:"20" range:"0..300" doc:"Sites whose window opens, shuts or is foreseen within this time of each other are told in one alert. Holds never wait."`
	LeadHours       float64 `yaml:"lead_hours" default:"12" range:"0.25..72" doc:"A window is told ahead from this long before it begins."`
	RemindMinutes   float64 `yaml:"remind_minutes" default:"90" range:"0..720" doc:"A window that was told is told once more this long before it begins. 0: not."`
	ClosingMinutes  float64 `yaml:"closing_minutes" default:"30" range:"0..240" doc:"The end of an open window is told this long before."`
	SettleMinutes   float64 `yaml:"settle_minutes" default:"15" range:"0..120" doc:"What was told to be over must have been back for this long before it is told again, unless it had lasted and been gone for as long before. A change for the worse never waits for this."`
	LiftMinutes     float64 `yaml:"lift_minutes" default:"10" range:"1..1440" doc:"A hold must have been lifted for this long before that is told."`
	WithdrawMinutes float64 `yaml:"withdraw_minutes" default:"30" range:"0..240" doc:"A window ahead must have been gone for this long before it is taken back."`
	ShiftMinutes    float64 `yaml:"shift_minutes" default:"45" range:"5..360" doc:"A window ahead is told again where it begins earlier or later than told by more than this."`
	StaleMinutes    float64 `yaml:"stale_minutes" default:"10" range:"0..240" doc:"Inputs must have been too old for this long before that is told."`
	SilentMinutes   float64 `yaml:"silent_minutes" default:"45" range:"5..240" doc:"A site that was not assessed for this long counts as blind."`
	DriveMinutes    float64 `yaml:"drive_minutes" default:"90" range:"0..720" doc:"Time that a crew needs to a site; an alert of a window ahead says whether it is left."`
	StormGapHours   float64 `yaml:"storm_gap_hours" default:"6" range:"1..48" doc:"Without window or alert for this long a storm is over, and the next alert begins a new thread."`

	Sender  string `yaml:"sender" length:"1..200" doc:"Identifier of the sender in CAP messages, without spaces, such as seeding@example.org. Left out: rimeline-<programme>."`
	Contact string `yaml:"contact" length:"1..200" doc:"Whom to ask: stands in every alert."`
	Link    string `yaml:"link" length:"1..500" doc:"Address (http or https) below which the pages of evidence lie, as <link>/<programme>/<site>."`
	// Hosts to which webhooks may go.
	Hosts       []string     `yaml:"hosts" length:"1..50" doc:"Host names to which webhooks may go. No webhook goes elsewhere, and no redirect is followed."`
	Acknowledge *Acknowledge `yaml:"acknowledge" doc:"Links by which alerts are acknowledged."`
	Routes      []RouteSpec  `yaml:"routes" length:"1..20" doc:"Ways of telling people, beside the message bus."`
	Rules       []Rule       `yaml:"rules" length:"1..20" doc:"Who is told what. Without rules alerts are on the message bus alone."`
}

// Acknowledge is how signed links of acknowledgement are made.
type Acknowledge struct {
	URL          string  `yaml:"url" length:"1..500" doc:"Address (https) of the page of acknowledgement; the token is added as its fragment-free query token=. Left out: the service's own page."`
	SecretFile   string  `yaml:"secret_file" need:"either" length:"1..1000" doc:"File, relative to the programme file, that holds the secret with which links are signed, at least 16 bytes on one line."`
	SecretEnv    string  `yaml:"secret_env" need:"either" length:"1..100" doc:"Environment variable that holds it."`
	ExpiresHours float64 `yaml:"expires_hours" default:"12" range:"0.5..168" doc:"How long a link is good."`
}

// Rule says who is told what.
type Rule struct {
	ID    string   `yaml:"id" need:"always" form:"token" doc:"Short name of the rule."`
	Kinds []string `yaml:"kinds" length:"1..8" doc:"Kinds of alert: window-ahead, window-open, window-closing, hold-raised, hold-lifted, inputs-stale, programme-blind, service-fault. Left out: all."`
	Sites []string `yaml:"sites" length:"1..1000" form:"token" doc:"Only these sites. Left out: all."`

	ConfidenceMinimum  float64 `yaml:"confidence_minimum" default:"0" range:"0..1" doc:"Windows of less confidence are not told."`
	LeadHours          float64 `yaml:"lead_hours" default:"72" range:"0.25..72" doc:"Windows ahead are told from this long before they begin, if that is less than lead_hours of all alerts."`
	LeadMinimumMinutes float64 `yaml:"lead_minimum_minutes" default:"0" range:"0..1440" doc:"A window that begins sooner than this is not told ahead any more."`

	QuietFrom  string   `yaml:"quiet_from" length:"5..5" doc:"Local time HH:MM from which only holds, and kinds of quiet_kinds, are told."`
	QuietTo    string   `yaml:"quiet_to" length:"5..5" doc:"Local time HH:MM at which quiet hours end; what is still true then is told then."`
	QuietKinds []string `yaml:"quiet_kinds" length:"1..8" doc:"Kinds that quiet hours do not delay. hold-raised is always one of them."`

	AcknowledgeKinds []string `yaml:"acknowledge_kinds" length:"1..8" doc:"Kinds that are repeated and escalated until somebody acknowledges. Left out: hold-raised, window-open, programme-blind, service-fault."`
	RepeatMinutes    float64  `yaml:"repeat_minutes" default:"0" range:"0..1440" doc:"What is not acknowledged is repeated at this interval. 0: never."`
	RepeatMost       int      `yaml:"repeat_most" default:"6" range:"1..100" doc:"How often at most."`
	Escalation       []Step   `yaml:"escalation" length:"1..10" doc:"Further routes for what nobody acknowledges."`
	Routes           []string `yaml:"routes" length:"1..20" form:"token" doc:"Routes by which it is told at once. Left out: on the message bus alone."`
}

// Step is one step of escalation.
type Step struct {
	AfterMinutes float64  `yaml:"after_minutes" need:"always" range:"1..1440" doc:"How long nobody has acknowledged."`
	Routes       []string `yaml:"routes" need:"always" length:"1..20" form:"token" doc:"Routes that are told then, beside the earlier ones."`
}

// RouteSpec is one way of telling people. Secrets stand in files or in the
// environment, never here. Paths of files are relative to the programme file.
type RouteSpec struct {
	ID   string `yaml:"id" need:"always" form:"token" doc:"Short name of the route."`
	Kind string `yaml:"kind" need:"always" one:"email|webhook|command" doc:"email over SMTP, webhook (a signed HTTP request), or command (a local program)."`

	Server       string   `yaml:"server" length:"3..300" doc:"Of email: host:port of the mail server."`
	Security     string   `yaml:"security" default:"starttls" one:"starttls|tls|plain" doc:"Of email: starttls, tls from the first byte, or plain (needs allow_plain)."`
	AllowPlain   bool     `yaml:"allow_plain" doc:"Allows mail without encryption (never with a password) and webhooks over http."`
	User         string   `yaml:"user" length:"1..200" doc:"Of email: name at the mail server."`
	PasswordFile string   `yaml:"password_file" length:"1..1000" doc:"Of email: file, relative to the programme file, that holds the password, one line."`
	PasswordEnv  string   `yaml:"password_env" length:"1..100" doc:"Of email: environment variable that holds it."`
	CAFile       string   `yaml:"ca_file" length:"1..1000" doc:"File, relative to the programme file, with certificates (PEM) that are trusted instead of the system's."`
	From         string   `yaml:"from" length:"3..300" doc:"Of email: address of the sender."`
	To           []string `yaml:"to" length:"1..50" doc:"Of email: addresses of the readers."`
	Attach       bool     `yaml:"attach" doc:"Of email: the picture that belongs to the alert is attached where there is one."`

	URL        string `yaml:"url" length:"1..1000" doc:"Of webhook: address; its host must be listed in hosts."`
	URLFile    string `yaml:"url_file" length:"1..1000" doc:"Of webhook: file, relative to the programme file, that holds the address, where the address is itself a secret."`
	SecretFile string `yaml:"secret_file" length:"1..1000" doc:"Of webhook: file, relative to the programme file, that holds the key of the signature, at least 16 bytes on one line."`
	SecretEnv  string `yaml:"secret_env" length:"1..100" doc:"Of webhook: environment variable that holds it."`

	Command []string `yaml:"command" length:"1..50" doc:"Of command: program (absolute path) and arguments. {subject}, {short}, {id}, {kind} and {severity} within an argument are replaced; the alert comes as JSON on standard input. Never through a shell."`

	TimeoutSeconds float64 `yaml:"timeout_seconds" default:"20" range:"1..300" doc:"An attempt that takes longer has failed."`
}

// Default gives the numbers of a Config without rules.
func Default() Config {
	return Config{GroupSeconds: 20, LeadHours: 12, RemindMinutes: 90, ClosingMinutes: 30, SettleMinutes: 15, LiftMinutes: 10,
		WithdrawMinutes: 30, ShiftMinutes: 45, StaleMinutes: 10, SilentMinutes: 45, DriveMinutes: 90, StormGapHours: 6}
}

// DefaultRule gives the numbers of a Rule.
func DefaultRule(id string, routes ...string) Rule {
	return Rule{ID: id, Routes: routes, LeadHours: 72, RepeatMost: 6}
}

// Problem is one thing that is wrong with a Config; Path is as in "rules[0].routes[1]".
type Problem struct{ Path, Message string }

// Error prints both.
func (p Problem) Error() string { return p.Path + ": " + p.Message }

// shells would read an argument as a program.
var shells = []string{"sh", "bash", "dash", "ash", "zsh", "ksh", "mksh", "csh", "tcsh", "fish", "busybox", "env", "xargs", "sudo", "su", "eval"}

var (
	clockForm   = regexp.MustCompile(`^([01][0-9]|2[0-3]):[0-5][0-9]$`)
	envForm     = regexp.MustCompile(`^[A-Za-z_][A-Za-z0-9_]*$`)
	hostForm    = regexp.MustCompile(`^[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?$`)
	senderForm  = regexp.MustCompile(`^[^\s,<&]+$`) // CAP 1.2, 3.2.1
	placeholder = regexp.MustCompile(`\{[a-z_]*\}`)
)

// Check finds what the tags cannot say: references, and keys that do not go
// together. sites are the identifiers of the programme's sites.
func (c *Config) Check(sites []string) []Problem {
	k := checker{}
	names := map[string]bool{}
	for i := range c.Routes {
		path := fmt.Sprintf("routes[%d]", i)
		if names[c.Routes[i].ID] {
			k.add(path+".id", "%q is the id of another route already", c.Routes[i].ID)
		}
		names[c.Routes[i].ID] = true
		k.route(path, &c.Routes[i], c.Hosts)
	}
	rules := map[string]bool{}
	for i := range c.Rules {
		path := fmt.Sprintf("rules[%d]", i)
		if rules[c.Rules[i].ID] {
			k.add(path+".id", "%q is the id of another rule already", c.Rules[i].ID)
		}
		rules[c.Rules[i].ID] = true
		k.rule(path, &c.Rules[i], names, sites)
	}
	if c.Sender != "" && !senderForm.MatchString(c.Sender) {
		k.add("sender", "must not hold spaces, commas, < or &")
	}
	for i, host := range c.Hosts {
		if !hostForm.MatchString(host) {
			k.add(fmt.Sprintf("hosts[%d]", i), "%q is not a host name", host)
		}
	}
	if c.Link != "" {
		k.web("link", c.Link, true)
	}
	if a := c.Acknowledge; a != nil {
		if a.URL != "" {
			k.web("acknowledge.url", a.URL, false)
		}
		k.secret("acknowledge", a.SecretFile, a.SecretEnv, "secret", true)
	}
	return k.problems
}

// Beside gives the configuration with the paths of its files as seen from the
// process that reads them, folder being where the programme file lies. Absolute
// paths stay. Secrets do not travel with a programme over the bus: who reads them
// must run where the files are.
func (c Config) Beside(folder string) Config {
	beside := func(path string) string {
		if path == "" || filepath.IsAbs(path) {
			return path
		}
		return filepath.Join(folder, path)
	}
	c.Routes = slices.Clone(c.Routes)
	for i := range c.Routes {
		r := &c.Routes[i]
		r.PasswordFile, r.CAFile, r.URLFile, r.SecretFile = beside(r.PasswordFile), beside(r.CAFile), beside(r.URLFile), beside(r.SecretFile)
	}
	if c.Acknowledge != nil {
		a := *c.Acknowledge
		a.SecretFile = beside(a.SecretFile)
		c.Acknowledge = &a
	}
	return c
}

type checker struct{ problems []Problem }

func (k *checker) add(path, format string, arguments ...any) {
	k.problems = append(k.problems, Problem{path, fmt.Sprintf(format, arguments...)})
}

func (k *checker) web(path, text string, plain bool) {
	address, err := url.Parse(text)
	switch {
	case err != nil: // the error repeats the text, which may hold a secret
		k.add(path, "is not a URL")
	case address.Scheme != "https" && (!plain || address.Scheme != "http"):
		k.add(path, "must begin with https://")
	case address.Hostname() == "" || address.User != nil || address.Fragment != "":
		k.add(path, "needs a host, and neither user name nor fragment")
	}
}

func (k *checker) secret(path, file, env, name string, needed bool) {
	switch {
	case file != "" && env != "":
		k.add(path+"."+name+"_env", "%s_file is given too; give one of the two", name)
	case needed && file == "" && env == "":
		k.add(path, "needs %s_file or %s_env", name, name)
	case env != "" && !envForm.MatchString(env):
		k.add(path+"."+name+"_env", "is not the name of an environment variable")
	}
}

func (k *checker) route(path string, r *RouteSpec, hosts []string) {
	email, webhook, command := r.Kind == "email", r.Kind == "webhook", r.Kind == "command"
	for _, key := range []struct {
		name  string
		given bool
		fits  bool
	}{
		{"server", r.Server != "", email}, {"user", r.User != "", email}, {"password_file", r.PasswordFile != "", email},
		{"password_env", r.PasswordEnv != "", email}, {"from", r.From != "", email}, {"to", r.To != nil, email}, {"attach", r.Attach, email},
		{"url", r.URL != "", webhook}, {"url_file", r.URLFile != "", webhook}, {"secret_file", r.SecretFile != "", webhook},
		{"secret_env", r.SecretEnv != "", webhook}, {"command", r.Command != nil, command}, {"ca_file", r.CAFile != "", email || webhook},
		{"allow_plain", r.AllowPlain, email || webhook},
	} {
		if key.given && !key.fits {
			k.add(path+"."+key.name, "does not belong to a route of the kind %s", r.Kind)
		}
	}
	switch {
	case email:
		k.email(path, r)
	case webhook:
		k.webhook(path, r, hosts)
	case command:
		k.program(path, r)
	default:
		k.add(path+".kind", "%q is not email, webhook or command", r.Kind)
	}
}

func (k *checker) email(path string, r *RouteSpec) {
	if host, port, ok := strings.Cut(r.Server, ":"); !ok || !hostForm.MatchString(host) || port == "" {
		k.add(path+".server", "must be host:port")
	}
	if _, err := mail.ParseAddress(r.From); err != nil {
		k.add(path+".from", "is not a mail address")
	}
	if len(r.To) == 0 {
		k.add(path+".to", "names nobody")
	}
	for i, to := range r.To {
		if _, err := mail.ParseAddress(to); err != nil {
			k.add(fmt.Sprintf("%s.to[%d]", path, i), "is not a mail address")
		}
	}
	k.secret(path, r.PasswordFile, r.PasswordEnv, "password", r.User != "")
	if r.User == "" && (r.PasswordFile != "" || r.PasswordEnv != "") {
		k.add(path, "has a password and no user")
	}
	if r.Security == "plain" && !r.AllowPlain {
		k.add(path+".security", "plain needs allow_plain: true, and nothing is encrypted then")
	}
	if r.Security == "plain" && r.User != "" {
		k.add(path+".user", "a password is never sent without encryption")
	}
}

func (k *checker) webhook(path string, r *RouteSpec, hosts []string) {
	switch {
	case (r.URL == "") == (r.URLFile == ""):
		k.add(path, "needs one of the keys url, url_file")
	case r.URL != "":
		k.web(path+".url", r.URL, r.AllowPlain)
		if address, err := url.Parse(r.URL); err == nil && !slices.ContainsFunc(hosts, func(h string) bool { return strings.EqualFold(h, address.Hostname()) }) {
			k.add(path+".url", "host %q is not listed in hosts", clean(address.Hostname(), maxName))
		}
	}
	k.secret(path, r.SecretFile, r.SecretEnv, "secret", true)
}

func (k *checker) program(path string, r *RouteSpec) {
	if len(r.Command) == 0 {
		k.add(path+".command", "is missing")
		return
	}
	program := r.Command[0]
	switch {
	case !filepath.IsAbs(program) || strings.Contains(program, "{"):
		k.add(path+".command[0]", "must be the absolute path of a program")
	case slices.Contains(shells, filepath.Base(program)):
		k.add(path+".command[0]", "%s would read arguments as programs; name the program itself", filepath.Base(program))
	}
	for i, argument := range r.Command {
		if strings.ContainsRune(argument, 0) {
			k.add(fmt.Sprintf("%s.command[%d]", path, i), "holds a zero byte")
		}
		for _, name := range placeholder.FindAllString(argument, -1) {
			if !slices.Contains(placeholders, name) {
				k.add(fmt.Sprintf("%s.command[%d]", path, i), "knows no %s; known: %s", name, strings.Join(placeholders, " "))
			}
		}
	}
}

func (k *checker) rule(path string, r *Rule, routes map[string]bool, sites []string) {
	kinds := func(key string, list []string) {
		for i, kind := range list {
			if !slices.Contains(Kinds, Kind(kind)) {
				k.add(fmt.Sprintf("%s.%s[%d]", path, key, i), "%q is not a kind of alert", clean(kind, maxName))
			}
		}
	}
	kinds("kinds", r.Kinds)
	kinds("quiet_kinds", r.QuietKinds)
	kinds("acknowledge_kinds", r.AcknowledgeKinds)
	for i, site := range r.Sites {
		if !slices.Contains(sites, site) {
			k.add(fmt.Sprintf("%s.sites[%d]", path, i), "there is no site %q", clean(site, maxName))
		}
	}
	known := func(key string, list []string) {
		for i, id := range list {
			if !routes[id] {
				k.add(fmt.Sprintf("%s.%s[%d]", path, key, i), "there is no route %q", clean(id, maxName))
			}
		}
	}
	known("routes", r.Routes)
	last := 0.0
	for i, step := range r.Escalation {
		at := fmt.Sprintf("escalation[%d]", i)
		known(at+".routes", step.Routes)
		if step.AfterMinutes <= last {
			k.add(path+"."+at+".after_minutes", "must exceed %g", last)
		}
		last = math.Max(last, step.AfterMinutes)
	}
	for _, quiet := range []struct{ key, value string }{{"quiet_from", r.QuietFrom}, {"quiet_to", r.QuietTo}} {
		if quiet.value != "" && !clockForm.MatchString(quiet.value) {
			k.add(path+"."+quiet.key, "%q is not a time HH:MM", clean(quiet.value, maxName))
		}
	}
	if (r.QuietFrom == "") != (r.QuietTo == "") {
		k.add(path, "quiet hours need quiet_from and quiet_to")
	}
}

// minutes and hours of the file as durations.
func minutes(x float64) time.Duration { return time.Duration(x * float64(time.Minute)) }
func hours(x float64) time.Duration   { return time.Duration(x * float64(time.Hour)) }

// defaultAckKinds are those for which a person must answer.
var defaultAckKinds = []string{string(HoldRaised), string(WindowOpen), string(ProgrammeBlind), string(ServiceFault)}

// AckKinds are the kinds for which a person must answer, where a rule names none.
func AckKinds() []string { return slices.Clone(defaultAckKinds) }

// wants: the rule has something to do with a kind.
func (r *Rule) wants(kind Kind) bool {
	return len(r.Kinds) == 0 || slices.Contains(r.Kinds, string(kind))
}

// wantsSite: of alerts that belong to no site, every rule is a reader.
func (r *Rule) wantsSite(site string) bool {
	return site == "" || len(r.Sites) == 0 || slices.Contains(r.Sites, site)
}

func (r *Rule) acknowledges(kind Kind) bool {
	if r.RepeatMinutes <= 0 && len(r.Escalation) == 0 {
		return false
	}
	if r.AcknowledgeKinds == nil {
		return slices.Contains(defaultAckKinds, string(kind))
	}
	return slices.Contains(r.AcknowledgeKinds, string(kind))
}

// quiet: the rule's readers sleep, and are not woken for this kind. Quiet hours
// are by the clock on the wall of the zone: on the day when clocks go forward they
// are an hour shorter, on the day when they go back an hour longer.
func (r *Rule) quiet(kind Kind, now time.Time, zone *time.Location) bool {
	return kind != HoldRaised && !slices.Contains(r.QuietKinds, string(kind)) && r.sleep(now, zone)
}

// sleep: it is in the quiet hours.
func (r *Rule) sleep(now time.Time, zone *time.Location) bool {
	if r.QuietFrom == "" || r.QuietTo == "" {
		return false
	}
	clock := now.In(zone).Format("15:04")
	if r.QuietFrom <= r.QuietTo {
		return clock >= r.QuietFrom && clock < r.QuietTo
	}
	return clock >= r.QuietFrom || clock < r.QuietTo
}
