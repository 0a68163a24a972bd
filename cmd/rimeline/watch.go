package main

import (
	"context"
	"errors"
	"fmt"

	"rimeline/seedability/bus"
)

type watchCommand struct {
	Programme []string `sep:"none" placeholder:"FILE" help:"Programme file (YAML); repeat for several."`
	busFlags
	processFlags
	Listen   string `placeholder:"HOST:PORT" help:"Let workers and readers connect to the bus inside this process. Beyond this computer it needs --server-config."`
	Server   string `name:"server-config" placeholder:"FILE" help:"Configuration of the NATS server inside this process: users, permissions, TLS (see cmd/examples)."`
	Replicas int    `placeholder:"N" help:"Copies of each stream on the cluster of --nats; 1 if left out, 3 on a cluster of three."`

	Rehearsal bool    `help:"Rehearse: an invented storm from invented stores, on a clock that runs faster."`
	Speed     float64 `default:"60" placeholder:"X" help:"With --rehearsal: how many times faster than life; 0 for as fast as the machine allows."`
	Seed      int64   `default:"1" placeholder:"N" help:"With --rehearsal: texture of the storm, and the errors of its forecasts."`
}

func (watchCommand) Help() string {
	return `Runs the whole service: fetches radar, models, soundings and satellite scans that the programme files name, keeps every site's score and outlook current, and publishes them on the message bus. Follow it with "rimeline follow", or let other programs read the bus.

Examples:

    rimeline watch --rehearsal                an invented storm of 8 hours in 8 minutes
    rimeline watch --programme valley.yaml    with a bus inside the process
    rimeline watch --programme valley.yaml --listen 127.0.0.1:4222
    rimeline watch --programme valley.yaml --nats tls://a:4222,tls://b:4222 --creds worker.creds

On SIGTERM it finishes what it has begun; what was acknowledged is on the disk. Several processes may watch the same programme on one bus: one keeps the schedule, another takes over when it dies.

Exit status: 0 stopped as asked, 1 something failed, 2 wrong usage.

Advice only: permit, licensed operator, the maker's instructions and local codes decide. Nothing is sent to hardware.`
}

func (c *watchCommand) Run(env *environment) error {
	if c.Speed < 0 {
		return usageError("--speed must not be negative")
	}
	if c.Rehearsal {
		if len(c.Programme) > 0 || c.Nats != "" {
			return usageError("--rehearsal brings its own programme and its own bus")
		}
		return c.rehearse(env)
	}
	if len(c.Programme) == 0 {
		return usageError("--programme FILE is needed; to see the service at work, try --rehearsal")
	}
	if c.Nats != "" && (c.Listen != "" || c.Server != "") {
		return usageError("--listen and --server-config are for the bus inside this process, --nats for one elsewhere")
	}
	programmes, err := readProgrammes(env, c.Programme)
	if err != nil {
		return err
	}
	options := c.busFlags.options()
	options.Replicas = c.Replicas
	n, err := newNode(env, &c.processFlags, []string{roleSchedule, roleIngest, roleAssess}, c.Nats, options, bus.ServerOptions{Listen: c.Listen, ConfigFile: c.Server})
	if err != nil {
		return err
	}
	defer n.Close()
	return stopped(n.run(env, programmes))
}

// stopped: an end that was asked for is no failure.
func stopped(err error) error {
	if errors.Is(err, context.Canceled) {
		return nil
	}
	return err
}

type workCommand struct {
	busFlags
	processFlags
	Roles []string `default:"ingest,assess" placeholder:"ROLE" help:"ingest (fetch and decode), assess (judge), or both."`
}

func (workCommand) Help() string {
	return `Adds a worker to a service that runs elsewhere: it takes jobs from the bus, and needs nothing but the bus and, for ingest, the public stores.

Examples:

    rimeline work --nats nats://10.0.0.5:4222 --creds worker.creds
    rimeline work --nats tls://a:4222,tls://b:4222 --roles assess --workers 8 --data /var/tmp/rimeline

A worker that is killed loses nothing: its jobs go to another after half a minute.`
}

func (c *workCommand) Run(env *environment) error {
	if c.Nats == "" {
		return usageError("--nats URL is needed")
	}
	if len(c.Roles) == 0 {
		return usageError("--roles: name ingest, assess or both")
	}
	for _, role := range c.Roles {
		if role != roleIngest && role != roleAssess {
			return usageError(fmt.Sprintf("--roles: %q is neither ingest nor assess", role))
		}
	}
	n, err := newNode(env, &c.processFlags, c.Roles, c.Nats, c.busFlags.options(), bus.ServerOptions{})
	if err != nil {
		return err
	}
	defer n.Close()
	return stopped(n.run(env, nil))
}
