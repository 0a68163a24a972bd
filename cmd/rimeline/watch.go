package main

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"rimeline/seedability/bus"
)

type watchCommand struct {
	Programme []string `sep:"none" placeholder:"FILE" help:"Programme file (YAML); repeat for several."`
	busFlags
	processFlags
	Listen string   `placeholder:"HOST:PORT" help:"Where workers and readers connect to the bus inside this process; left out: any free port of this computer. On this computer the password lies in the data folder (file access); beyond it --server-config is needed."`
	Server string   `name:"server-config" placeholder:"FILE" help:"Configuration of the NATS server inside this process: users, permissions, TLS (see cmd/examples)."`
	Roles  []string `default:"schedule,ingest,assess,alerts" placeholder:"ROLE" help:"What this process does: schedule (look for what is new, judge criteria), ingest (fetch and decode), assess (judge sites), alerts (tell people), archive (nothing but --archive); left out: all of it."`
	pageFlags
	Archive  string `type:"path" placeholder:"DIR" help:"Keep everything that is published in this folder, for evaluation (see rimeline archive); left out: the streams alone keep it."`
	KeepDays int    `name:"keep-days" placeholder:"DAYS" help:"With --archive: take what is archived and older than this out of the streams; left out: they keep it as long as they do anyway."`
	Replicas int    `placeholder:"N" help:"Copies of each stream on the cluster of --nats; 1 if left out, 3 on a cluster of three."`

	Rehearsal bool    `help:"Rehearse: an invented storm from invented stores, on a clock that runs faster."`
	Speed     float64 `default:"60" placeholder:"X" help:"With --rehearsal: how many times faster than life; 0 for as fast as the machine allows."`
	Seed      int64   `default:"1" placeholder:"N" help:"With --rehearsal: texture of the storm, and the errors of its forecasts."`
	Alerts    string  `placeholder:"FILE" help:"With --rehearsal: send its alerts, marked as an exercise, by the routes of this file (YAML, a section alerts as in programme files)."`
}

func (watchCommand) Help() string {
	return `Runs the whole service: fetches radar, models, soundings and satellite scans that the programme files name, keeps every site's score and outlook current, and publishes them on the message bus. Follow it with "rimeline follow", or let other programs read the bus.

Examples:

    rimeline watch --rehearsal                an invented storm of 8 hours in 8 minutes
    rimeline watch --rehearsal --alerts routes.yaml       and see whether alerts arrive
    rimeline watch --programme valley.yaml    with a bus inside the process
    rimeline watch --programme valley.yaml --listen 127.0.0.1:4222
    rimeline watch --programme valley.yaml --nats tls://a:4222,tls://b:4222 --creds worker.creds
    rimeline watch --programme valley.yaml --nats tls://a:4222 --roles archive --archive kept

On SIGTERM it finishes what it has begun; what was acknowledged is on the disk. Several processes may watch the same programme on one bus: one keeps the schedule, another takes over when it dies.

Exit status: 0 stopped as asked, 1 something failed, 2 wrong usage.

Advice only: permit, licensed operator, the maker's instructions and local codes decide. Nothing is sent to hardware.`
}

func (c *watchCommand) Run(env *environment) error {
	if c.Speed < 0 {
		return usageError("--speed must not be negative")
	}
	if c.KeepDays < 0 || c.KeepDays > 0 && c.Archive == "" {
		return usageError("--keep-days is a number of days, and goes with --archive")
	}
	if c.Alerts != "" && !c.Rehearsal {
		return usageError("--alerts is for --rehearsal; otherwise alerts stand in the programme file")
	}
	if err := checkRoles(c.Roles, roleSchedule, roleIngest, roleAssess, roleAlerts, roleArchive); err != nil {
		return err
	}
	if slices.Contains(c.Roles, roleArchive) && c.Archive == "" {
		return usageError("--roles archive needs --archive DIR")
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
	n, err := newNode(env, &c.processFlags, c.Roles, c.Nats, options, bus.ServerOptions{Listen: c.Listen, ConfigFile: c.Server})
	if err != nil {
		return err
	}
	defer n.Close()
	n.pageFlags = &c.pageFlags
	n.archive = archiveOptions{Dir: c.Archive, KeepDays: c.KeepDays, Owned: &n.archiver}
	return stopped(n.run(env, programmes))
}

// checkRoles refuses what is no role, and none.
func checkRoles(given []string, allowed ...string) error {
	if len(given) == 0 {
		return usageError("--roles: name some of " + strings.Join(allowed, ", "))
	}
	for _, role := range given {
		if !slices.Contains(allowed, role) {
			return usageError(fmt.Sprintf("--roles: %q is none of %s", role, strings.Join(allowed, ", ")))
		}
	}
	return nil
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

On the computer of a service with a bus of its own, --user-file is the file "access" in its data folder.

A worker that is killed loses nothing: its jobs go to another after half a minute.`
}

func (c *workCommand) Run(env *environment) error {
	if c.Nats == "" {
		return usageError("--nats URL is needed")
	}
	if err := checkRoles(c.Roles, roleIngest, roleAssess); err != nil {
		return err
	}
	n, err := newNode(env, &c.processFlags, c.Roles, c.Nats, c.busFlags.options(), bus.ServerOptions{})
	if err != nil {
		return err
	}
	defer n.Close()
	return stopped(n.run(env, nil))
}
