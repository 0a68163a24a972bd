package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"iter"
	"slices"
	"strings"
	"sync"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/alert"
	"rimeline/seedability/bus"
	"rimeline/seedability/hold"
	"rimeline/seedability/message"
	drawing "rimeline/seedability/page"
)

type followCommand struct {
	Programme string        `placeholder:"ID" help:"Only this programme."`
	Site      string        `placeholder:"ID" help:"Only this site, with the holds and alerts of its programme that concern it."`
	Kind      []string      `placeholder:"KIND" help:"Only these kinds of message: ${kinds}. Left out: scores, outlooks, changes of holds, alerts and troubles."`
	Since     time.Duration `placeholder:"6h" help:"Begin with what was stored so long ago; left out: what comes from now on."`
	Full      bool          `help:"Print every message in full, with its reasons and cautions." xor:"form"`
	GeoJSON   bool          `name:"geojson" help:"Print scores and outlooks as GeoJSON, one feature collection a line: drift path, landing ellipse, windows." xor:"form"`
	dutyFlags
}

func (followCommand) Help() string {
	return `Prints what the service publishes, as it comes, one line a message, until Ctrl-C.

Examples:

    rimeline follow
    rimeline follow --nats nats://10.0.0.5:4222 --user-file reader
    rimeline follow --site hobnail --since 6h --full
    rimeline follow --kind input --kind health
    rimeline follow --json | jq -c .data.state
    rimeline follow --site hobnail --geojson > path.geojsonl

Holds come as one message for all criteria of a programme; a line is printed when an outcome changes, and with --site only of what concerns that site. With --kind hold every message is printed.

With --json it prints every CloudEvent, one a line, as it is.

Advice only: permit, licensed operator, the maker's instructions and local codes decide.`
}

func (c *followCommand) Run(env *environment) error {
	kinds, err := kindsNamed(c.Kind)
	if err != nil {
		return err
	}
	connection, err := c.connect(env)
	if err != nil {
		return err
	}
	defer connection.Close()
	since := bus.FromNow
	if c.Since > 0 {
		since = bus.FromTime(time.Now().Add(-c.Since))
	}
	f := &follower{followCommand: c, env: env, encoder: json.NewEncoder(env.Stdout), healthy: map[string]message.HealthState{}, outcomes: map[string]map[string]hold.Outcome{}}
	for stored, err := range c.merged(env, connection, kinds, since) {
		if err != nil {
			if env.Err() != nil {
				return nil
			}
			env.warn("%v", err)
			continue
		}
		if err := f.print(stored.Event); err != nil {
			return err
		}
	}
	return nil
}

// merged follows the kinds that were asked for. Where a site was named, holds and
// alerts are followed of all: what stands in the place of the site is another thing
// there.
func (c *followCommand) merged(env *environment, connection *bus.Bus, kinds []bus.Kind, since bus.Since) iter.Seq2[bus.Stored, error] {
	options := bus.FollowOptions{Kinds: kinds, Programme: c.Programme, Site: c.Site, Since: since}
	if c.Site == "" {
		return connection.Follow(env, options)
	}
	wide := options
	wide.Site, wide.Kinds, options.Kinds = "", nil, nil
	for _, kind := range kinds {
		switch {
		case kind.Name == bus.Hold.Name || kind.Name == bus.Alert.Name:
			wide.Kinds = append(wide.Kinds, kind)
		case len(c.Kind) == 0 && (kind.Name == bus.Health.Name || kind.Name == bus.DeadLetter.Name):
			// of no site
		default:
			options.Kinds = append(options.Kinds, kind)
		}
	}
	switch {
	case len(wide.Kinds) == 0:
		return connection.Follow(env, options)
	case len(options.Kinds) == 0:
		return connection.Follow(env, wide)
	}
	return func(yield func(bus.Stored, error) bool) {
		ctx, cancel := context.WithCancel(env)
		defer cancel()
		type item struct {
			stored bus.Stored
			err    error
		}
		items := make(chan item)
		var group sync.WaitGroup
		for _, one := range []bus.FollowOptions{options, wide} {
			group.Go(func() {
				for stored, err := range connection.Follow(ctx, one) {
					select {
					case items <- item{stored, err}:
					case <-ctx.Done():
						return
					}
				}
			})
		}
		go func() { group.Wait(); close(items) }()
		for one := range items {
			if !yield(one.stored, one.err) {
				return
			}
		}
	}
}

// follower prints what is followed.
type follower struct {
	*followCommand
	env     *environment
	encoder *json.Encoder
	healthy map[string]message.HealthState
	// outcomes of the criteria of each programme, as they were printed last.
	outcomes map[string]map[string]hold.Outcome
}

func (f *follower) print(event bus.Event) error {
	shown, wanted := f.pick(event)
	switch {
	case !wanted:
		return nil
	case f.env.JSON:
		return f.encoder.Encode(event)
	case f.GeoJSON:
		return printGeoJSON(f.env, event)
	case f.Full:
		_, err := fmt.Fprintf(f.env.Stdout, "%s\n\n", strings.Join(message.Text(shown), "\n"))
		return err
	}
	_, err := fmt.Fprintln(f.env.Stdout, message.Line(shown))
	return err
}

// pick says whether an event is printed, and with what of it.
func (f *follower) pick(event bus.Event) (shown bus.Event, wanted bool) {
	all := len(f.Kind) > 0 || f.env.JSON
	switch event.Type {
	case bus.Health.Type:
		h, err := message.As[message.Health](event)
		if all || err != nil {
			return event, true
		}
		// Of health only what changes is worth a line, unless it was asked for.
		before, known := f.healthy[h.Worker]
		f.healthy[h.Worker] = h.State
		return event, h.State != before && (known || h.State != message.HealthOK)
	case bus.Hold.Type:
		h, err := message.As[message.Holds](event)
		if err != nil {
			return event, true
		}
		return f.pickHolds(event, h, all)
	case bus.Alert.Type:
		a, err := message.As[alert.Alert](event)
		concerns := len(a.Sites) == 0 || slices.ContainsFunc(a.Sites, func(s alert.SiteRef) bool { return s.ID == f.Site })
		return event, err != nil || f.Site == "" || concerns
	}
	return event, true
}

// pickHolds takes of a judgement what concerns the site, and says whether any of its
// outcomes differs from what was printed.
func (f *follower) pickHolds(event bus.Event, h message.Holds, all bool) (bus.Event, bool) {
	if f.Site != "" {
		var concerned []hold.Result
		for _, r := range h.Results {
			if len(r.Sites) == 0 || slices.Contains(r.Sites, f.Site) {
				concerned = append(concerned, r)
			}
		}
		h.Results = append([]hold.Result{}, concerned...)
		if data, err := json.Marshal(h); err == nil {
			event.Data = data
		}
	}
	before, known := f.outcomes[h.Programme]
	now := map[string]hold.Outcome{}
	changed := false
	for _, r := range h.Results {
		now[r.Key] = r.Outcome
		was, there := before[r.Key]
		if !there {
			was = hold.Clear // a manual hold that is set; at first, what is not clear
		}
		changed = changed || was != r.Outcome
	}
	for key, was := range before { // a manual hold that was lifted
		if _, there := now[key]; !there && was != hold.Clear {
			changed = true
		}
	}
	if len(f.outcomes) < 1000 || known { // programmes, as many as anybody has
		f.outcomes[h.Programme] = now
	}
	return event, all || changed
}

// printGeoJSON prints the places of a score or an outlook on one line; of others
// nothing.
func printGeoJSON(env *environment, event bus.Event) error {
	data, err := message.Decode(event)
	if err != nil {
		env.warn("%s: %v", event.Subject, err)
		return nil
	}
	var places []byte
	switch m := data.(type) {
	case seedability.Assessment:
		places, err = drawing.GeoJSON(m)
	case seedability.Outlook:
		places, err = drawing.OutlookGeoJSON(m)
	default:
		return nil
	}
	if err != nil {
		env.warn("%s: %v", event.Subject, err)
		return nil
	}
	var line bytes.Buffer
	if err := json.Compact(&line, places); err != nil {
		return err
	}
	line.WriteByte('\n')
	_, err = line.WriteTo(env.Stdout)
	return err
}

// kindNames lists every kind of message.
func kindNames() string {
	var names []string
	for _, kind := range bus.Kinds() {
		names = append(names, kind.Name)
	}
	return strings.Join(names, ", ")
}

// kindsNamed finds kinds of messages by their names.
func kindsNamed(names []string) ([]bus.Kind, error) {
	if len(names) == 0 {
		return []bus.Kind{bus.Score, bus.Outlook, bus.Hold, bus.Alert, bus.DeadLetter, bus.Health}, nil
	}
	var kinds []bus.Kind
	for _, name := range names {
		found := false
		for _, kind := range bus.Kinds() {
			if kind.Name == name {
				kinds, found = append(kinds, kind), true
			}
		}
		if !found {
			return nil, usageError(fmt.Sprintf("--kind: there is no kind %q; there are %s", name, kindNames()))
		}
	}
	return kinds, nil
}

// busFlags say where the bus is and who we are there. Secrets come from files or
// the environment only.
type busFlags struct {
	Nats  string `placeholder:"URL" help:"Bus: nats://host:4222 or tls://host:4222, several of a cluster separated by commas."`
	Creds string `placeholder:"FILE" help:"NATS credentials file (user JWT and seed)."`
	NKey  string `name:"nkey" placeholder:"FILE" help:"File with the seed of an nkey."`
	User  string `name:"user-file" placeholder:"FILE" help:"File with one line user:password. Else RIMELINE_NATS_USER and RIMELINE_NATS_PASSWORD, or RIMELINE_NATS_TOKEN, of the environment."`
	CA    string `name:"ca" placeholder:"FILE" help:"Certificate authority for tls://; left out: the system's."`
	Cert  string `placeholder:"FILE" help:"Certificate of this client."`
	Key   string `placeholder:"FILE" help:"Key of this client's certificate."`
}

func (f *busFlags) options() bus.Options {
	return bus.Options{CredentialsFile: f.Creds, NKeyFile: f.NKey, UserFile: f.User, CAFile: f.CA, CertFile: f.Cert, KeyFile: f.Key}
}
