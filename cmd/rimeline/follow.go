package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"rimeline/seedability"
	"rimeline/seedability/bus"
	"rimeline/seedability/message"
	drawing "rimeline/seedability/page"
)

type followCommand struct {
	dutyFlags
	Programme string        `placeholder:"ID" help:"Only this programme."`
	Site      string        `placeholder:"ID" help:"Only this site."`
	Kind      []string      `placeholder:"KIND" help:"Only these kinds of message: score, outlook, input, health, dead-letter. Left out: scores, outlooks and troubles."`
	Since     time.Duration `placeholder:"6h" help:"Begin with what was stored so long ago; left out: what comes from now on."`
	Full      bool          `help:"Print every message in full, with its reasons and cautions." xor:"form"`
	GeoJSON   bool          `name:"geojson" help:"Print scores and outlooks as GeoJSON, one feature collection a line: drift path, landing ellipse, windows." xor:"form"`
}

func (followCommand) Help() string {
	return `Prints what the service publishes, as it comes, one line a message, until Ctrl-C.

Examples:

    rimeline follow --nats nats://127.0.0.1:4222
    rimeline follow --site hobnail --since 6h --full
    rimeline follow --kind input --kind health
    rimeline follow --json | jq -c .data.state
    rimeline follow --site hobnail --geojson > path.geojsonl

With --json it prints the CloudEvents, one a line.

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
	options := bus.FollowOptions{Kinds: kinds, Programme: c.Programme, Site: c.Site}
	if c.Since > 0 {
		options.Since = bus.FromTime(time.Now().Add(-c.Since))
	}
	if c.Site != "" && len(c.Kind) == 0 {
		options.Kinds = []bus.Kind{bus.Score, bus.Outlook}
	}
	encoder := json.NewEncoder(env.Stdout)
	healthy := map[string]message.HealthState{}
	for stored, err := range connection.Follow(env, options) {
		if err != nil {
			if env.Err() != nil {
				return nil
			}
			env.warn("%v", err)
			continue
		}
		if env.JSON {
			if err := encoder.Encode(stored.Event); err != nil {
				return err
			}
			continue
		}
		if c.GeoJSON {
			if err := printGeoJSON(env, stored.Event); err != nil {
				return err
			}
			continue
		}
		if len(c.Kind) == 0 && stored.Event.Type == bus.Health.Type {
			// Of health only what changes is worth a line, unless it was asked for.
			h, err := message.As[message.Health](stored.Event)
			before, known := healthy[h.Worker]
			healthy[h.Worker] = h.State
			if err == nil && (h.State == before || !known && h.State == message.HealthOK) {
				continue
			}
		}
		if c.Full {
			_, err = fmt.Fprintf(env.Stdout, "%s\n\n", strings.Join(message.Text(stored.Event), "\n"))
		} else {
			_, err = fmt.Fprintln(env.Stdout, message.Line(stored.Event))
		}
		if err != nil {
			return err
		}
	}
	return nil
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

// kindsNamed finds kinds of messages by their names.
func kindsNamed(names []string) ([]bus.Kind, error) {
	if len(names) == 0 {
		return []bus.Kind{bus.Score, bus.Outlook, bus.DeadLetter, bus.Health}, nil
	}
	var kinds []bus.Kind
	var there []string
	for _, kind := range bus.Kinds() {
		there = append(there, kind.Name)
	}
	for _, name := range names {
		found := false
		for _, kind := range bus.Kinds() {
			if kind.Name == name {
				kinds, found = append(kinds, kind), true
			}
		}
		if !found {
			return nil, usageError(fmt.Sprintf("--kind: there is no kind %q; there are %s", name, strings.Join(there, ", ")))
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
