package programme

import (
	"fmt"
	"net/url"
	"slices"
	"strings"

	"rimeline/seedability/alert"
)

// checkAlerts reports what the tags of the section alerts cannot say, at the place
// where it stands.
func (d *decoder) checkAlerts(p *Programme) {
	if p.Alerts == nil {
		return
	}
	var sites []string
	for i := range p.Sites {
		sites = append(sites, p.Sites[i].ID)
	}
	for _, problem := range p.Alerts.Check(sites) {
		d.problemAt(join("alerts", problem.Path), "%s", problem.Message)
	}
}

// AlertConfig is the section alerts, or what stands in its place where the file has
// none: alerts on the message bus alone.
func (p *Programme) AlertConfig() alert.Config {
	if p.Alerts == nil {
		return alert.Default()
	}
	return *p.Alerts
}

// AlertsDescription says who is told what, by which way. It holds no secret and
// nothing that could be one: of an address the host, of a command the program.
type AlertsDescription struct {
	// BusOnly: nobody is told by a route; alerts are on the message bus.
	BusOnly bool               `json:"bus_only"`
	Timing  string             `json:"timing"`
	Rules   []RuleDescription  `json:"rules"`
	Routes  []RouteDescription `json:"routes"`
	// Answers says how alerts are acknowledged.
	Answers string `json:"answers"`
}

// RuleDescription is one rule in words.
type RuleDescription struct {
	ID string `json:"id"`
	// Tells what, Of which sites, By which routes.
	Tells string `json:"tells"`
	Of    string `json:"of"`
	By    string `json:"by"`
	// Unanswered says what happens until somebody acknowledges; Quiet when it waits.
	Unanswered string `json:"unanswered"`
	Quiet      string `json:"quiet"`
}

// RouteDescription is one way of telling people in words.
type RouteDescription struct {
	ID  string `json:"id"`
	Way string `json:"way"`
	// Secrets names where they are read, never what they are.
	Secrets string `json:"secrets"`
}

// kindWords are the kinds of alert as people call them.
var kindWords = map[alert.Kind]string{
	alert.WindowAhead: "windows ahead", alert.WindowOpen: "windows that open", alert.WindowClosing: "windows that close",
	alert.HoldRaised: "holds", alert.HoldLifted: "holds that are lifted", alert.InputsStale: "inputs that are too old",
	alert.ProgrammeBlind: "a programme that cannot be judged", alert.ServiceFault: "faults of the service",
}

func kindsText(kinds []string) string {
	if len(kinds) == 0 {
		return "everything"
	}
	var words []string
	for _, kind := range kinds {
		words = append(words, kindWords[alert.Kind(kind)])
	}
	return strings.Join(words, ", ")
}

// describeAlerts puts the section alerts into words.
func (p *Programme) describeAlerts() AlertsDescription {
	c := p.AlertConfig()
	d := AlertsDescription{BusOnly: true, Rules: []RuleDescription{}, Routes: []RouteDescription{}}
	d.Timing = fmt.Sprintf("A hold is told at once. A window is told up to %s h before it begins, once more %s min before, and its end %s min before; what was told to be over is told again after %s min, a lifted hold after %s min.",
		plain(c.LeadHours), plain(c.RemindMinutes), plain(c.ClosingMinutes), plain(c.SettleMinutes), plain(c.LiftMinutes))
	for i := range c.Rules {
		r := &c.Rules[i]
		d.BusOnly = d.BusOnly && len(r.Routes) == 0 && len(r.Escalation) == 0
		d.Rules = append(d.Rules, describeRule(r))
	}
	for i := range c.Routes {
		d.Routes = append(d.Routes, describeRoute(&c.Routes[i]))
	}
	switch a := c.Acknowledge; {
	case a == nil:
		d.Answers = "Alerts are acknowledged by the command rimeline ack; messages carry no link for it."
	case a.URL == "":
		d.Answers = fmt.Sprintf("Messages carry a link to the service's own page of acknowledgement, good for %s h; links are signed with a key read from %s when the service starts.", plain(a.ExpiresHours), place(a.SecretFile, a.SecretEnv))
	default:
		d.Answers = fmt.Sprintf("Messages carry a link to %s, good for %s h, by which they are acknowledged; links are signed with a key read from %s when the service starts.", hostOf(a.URL), plain(a.ExpiresHours), place(a.SecretFile, a.SecretEnv))
	}
	return d
}

func describeRule(r *alert.Rule) RuleDescription {
	d := RuleDescription{ID: r.ID, Tells: kindsText(r.Kinds), Of: "all sites", By: "the message bus alone"}
	if len(r.Sites) > 0 {
		d.Of = "sites " + strings.Join(r.Sites, ", ")
	}
	if len(r.Routes) > 0 {
		d.By = strings.Join(r.Routes, ", ")
	}
	var limits []string
	if r.ConfidenceMinimum > 0 {
		limits = append(limits, "windows from a confidence of "+plain(r.ConfidenceMinimum))
	}
	if r.LeadHours < 72 {
		limits = append(limits, "windows at most "+plain(r.LeadHours)+" h ahead")
	}
	if r.LeadMinimumMinutes > 0 {
		limits = append(limits, "windows at least "+plain(r.LeadMinimumMinutes)+" min ahead")
	}
	if len(limits) > 0 {
		d.Tells += " (" + strings.Join(limits, "; ") + ")"
	}
	if r.QuietFrom != "" {
		d.Quiet = fmt.Sprintf("%s to %s local time, but for holds", r.QuietFrom, r.QuietTo)
		if len(r.QuietKinds) > 0 {
			d.Quiet += " and " + kindsText(r.QuietKinds)
		}
	}
	var steps []string
	if r.RepeatMinutes > 0 {
		steps = append(steps, fmt.Sprintf("repeated every %s min, %d times at most", plain(r.RepeatMinutes), r.RepeatMost))
	}
	for _, step := range r.Escalation {
		steps = append(steps, fmt.Sprintf("after %s min also by %s", plain(step.AfterMinutes), strings.Join(step.Routes, ", ")))
	}
	if len(steps) > 0 {
		kinds := r.AcknowledgeKinds
		if kinds == nil {
			kinds = alert.AckKinds()
		}
		d.Unanswered = strings.Join(steps, "; ") + " (" + kindsText(kinds) + ")"
	}
	return d
}

func describeRoute(r *alert.RouteSpec) RouteDescription {
	d := RouteDescription{ID: r.ID}
	var secrets []string
	secret := func(what, file, env string) {
		if at := place(file, env); at != "" {
			secrets = append(secrets, what+" from "+at)
		}
	}
	switch r.Kind {
	case "email":
		security := map[string]string{"tls": "encrypted from the first byte", "starttls": "encrypted (STARTTLS)", "plain": "NOT encrypted"}[r.Security]
		if r.Security == "starttls" && r.AllowPlain {
			security = "encrypted where the server offers it"
		}
		d.Way = fmt.Sprintf("mail to %s by %s, %s", strings.Join(r.To, ", "), r.Server, security)
		secret("password", r.PasswordFile, r.PasswordEnv)
	case "webhook":
		d.Way = "signed request to " + hostOf(r.URL)
		if r.URLFile != "" {
			d.Way = "signed request to an address that is secret"
			secret("address", r.URLFile, "")
		}
		if strings.HasPrefix(r.URL, "http:") {
			d.Way += ", NOT encrypted"
		}
		secret("key", r.SecretFile, r.SecretEnv)
	case "command":
		d.Way = fmt.Sprintf("local program %s", r.Command[0])
		if n := len(r.Command) - 1; n > 0 {
			d.Way += fmt.Sprintf(" with %d arguments", n)
		}
	}
	if d.Secrets = strings.Join(secrets, ", "); d.Secrets != "" {
		d.Secrets += ", read when the service starts"
	}
	return d
}

// place says where a secret is read.
func place(file, env string) string {
	switch {
	case file != "":
		return "the file " + file
	case env != "":
		return "the environment (" + env + ")"
	}
	return ""
}

// hostOf is the host of an address; the rest of it may be a secret.
func hostOf(text string) string {
	address, err := url.Parse(text)
	if err != nil {
		return "an address"
	}
	return address.Host
}

// alertRemarks name what would leave people without an alert that they may expect.
func (p *Programme) alertRemarks() []string {
	var remarks []string
	c := p.AlertConfig()
	told, used := map[alert.Kind]bool{}, map[string]bool{}
	answers := false
	for i := range c.Rules {
		r := &c.Rules[i]
		for _, kind := range alert.Kinds {
			if len(r.Routes) > 0 && len(r.Sites) == 0 && (len(r.Kinds) == 0 || slices.Contains(r.Kinds, string(kind))) {
				told[kind] = true
			}
		}
		for _, route := range r.Routes {
			used[route] = true
		}
		for _, step := range r.Escalation {
			for _, route := range step.Routes {
				used[route] = true
			}
		}
		answers = answers || r.RepeatMinutes > 0 || len(r.Escalation) > 0
	}
	if len(c.Routes) > 0 {
		for _, kind := range []alert.Kind{alert.HoldRaised, alert.ProgrammeBlind, alert.ServiceFault} {
			if !told[kind] {
				remarks = append(remarks, fmt.Sprintf("no rule tells of %s at every site by a route: not everybody hears of them.", kindWords[kind]))
			}
		}
	}
	for i := range c.Routes {
		if !used[c.Routes[i].ID] {
			remarks = append(remarks, fmt.Sprintf("no rule uses the route %s, but for faults of other routes.", c.Routes[i].ID))
		}
	}
	if answers && c.Acknowledge == nil {
		remarks = append(remarks, "alerts are repeated until somebody acknowledges, and the section alerts has no acknowledge: messages carry no link for it.")
	}
	return remarks
}
