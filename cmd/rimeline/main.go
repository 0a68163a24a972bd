// Command rimeline judges, for every ground site of a winter cloud-seeding
// programme, whether agent released at a given time reaches supercooled liquid
// water at the right temperature and whether the ice it makes lands in the
// target. It advises people; it decides nothing and commands nothing.
//
// Each subcommand is a file of this package and holds wiring only: files are
// opened here, decoded by packages below ingest, judged by packages below
// seedability.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/signal"
	"runtime/debug"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"rimeline/ingest/eccodes"
)

// Exit statuses, the same for every subcommand.
const (
	statusFine   = 0
	statusFailed = 1 // something failed, or an input is bad; the rest was still done
	statusUsage  = 2 // the command line itself is wrong
)

// commandLine is the list of subcommands, in the order in which help shows them.
type commandLine struct {
	JSON    bool             `help:"Print JSON instead of a table for people."`
	Version kong.VersionFlag `help:"Print the version and stop."`

	Watch    watchCommand    `cmd:"" help:"Watch the stores, and keep every site's score and outlook current."`
	Work     workCommand     `cmd:"" help:"Add a worker to a service that runs elsewhere."`
	Follow   followCommand   `cmd:"" help:"Print what the service publishes."`
	Hold     holdCommand     `cmd:"" help:"Show holds, set one, lift one."`
	Ack      ackCommand      `cmd:"" help:"Acknowledge alerts, or list those that wait for it."`
	Release  releaseCommand  `cmd:"" help:"Record what was released, list and sum the records."`
	Deadman  deadmanCommand  `cmd:"" help:"Tell people when the service itself falls silent; for another computer."`
	Archive  archiveCommand  `cmd:"" help:"Look after the archive of what was published."`
	Replay   replayCommand   `cmd:"" help:"Make archived scores and outlooks again, and say what differs."`
	Evaluate evaluateCommand `cmd:"" help:"Say how good scores, outlooks and operations were, from the archive and observations."`
	Report   reportCommand   `cmd:"" help:"Make reports of what was released, for authorities."`
	Export   exportCommand   `cmd:"" help:"Write a range of the archive as CSV, GeoJSON, netCDF, Parquet or JSON lines."`
	Sources  sourcesCommand  `cmd:"" help:"List the public stores that can be watched, and try them."`
	Assess   assessCommand   `cmd:"" help:"Judge when release at each site works, from model output and soundings."`
	Hindcast hindcastCommand `cmd:"" help:"Count the hours that were worth seeding at each site, from model files of past seasons."`
	Inspect  inspectCommand  `cmd:"" help:"Show what files hold."`
	Sample   sampleCommand   `cmd:"" help:"Give the values of a gridded file at a place."`
	Profile  profileCommand  `cmd:"" help:"Give the derived levels of a sounding or a model column."`
	Bands    bandsCommand    `cmd:"" help:"Follow bands and cells in radar pictures, and say when to release for them."`
	Check    checkCommand    `cmd:"" help:"Validate a programme file and say in plain words what it will do."`

	DecodeChild decodeChildCommand `cmd:"" hidden:"" help:"Decode messages for a parent process, on standard input and output."`
	ProbeChild  probeChildCommand  `cmd:"" hidden:"" help:"Read a netCDF-4 file for a parent process, on standard input and output."`
}

const description = `Judges when and where ground-based seeding in winter storms can work: reads model grids and soundings, follows the agent from each site to where its ice would land, and scores it. Advice for people on duty; it decides nothing.

Exit status: 0 all went well, 1 something failed or an input is bad (said on standard error; the rest is still done), 2 wrong usage.`

// environment is what a subcommand may use of the world.
type environment struct {
	context.Context
	Stdout, Stderr io.Writer
	JSON           bool
	// Rare decodes rare GRIB packings and BUFR in child processes.
	Rare *eccodes.Pool
}

// warn writes one line to standard error.
func (e *environment) warn(format string, arguments ...any) {
	fmt.Fprintf(e.Stderr, "rimeline: "+format+"\n", arguments...)
}

// usageError is a command line that parses but makes no sense: exit status 2.
type usageError string

func (e usageError) Error() string { return string(e) }

// errReported ends a subcommand with status 1 after it has said everything itself.
var errReported = errors.New("failed, and said so")

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	status := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(status)
}

// exitStatus leaves run from inside the parser (after --help and --version).
type exitStatus int

// run is the whole program; tests call it in their own process.
func run(ctx context.Context, arguments []string, stdout, stderr io.Writer) (status int) {
	defer func() {
		if cause := recover(); cause != nil {
			code, asked := cause.(exitStatus)
			if !asked {
				panic(cause)
			}
			status = int(code)
		}
	}()
	env := &environment{Context: ctx, Stdout: stdout, Stderr: stderr}

	var line commandLine
	parser, err := kong.New(&line,
		kong.Name("rimeline"),
		kong.Description(description),
		kong.Vars{"version": "rimeline " + version(), "kinds": kindNames()},
		kong.Writers(stdout, stderr),
		kong.Exit(func(code int) { panic(exitStatus(code)) }),
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, WrapUpperBound: 100, NoExpandSubcommands: true}),
		// "--at -33,151" has a value that looks like a flag.
		kong.WithHyphenPrefixedParameters(true),
	)
	if err != nil {
		env.warn("%v", err) // a mistake in the struct tags, found by every test
		return statusFailed
	}
	parsed, err := parser.Parse(spreadInputs(arguments))
	if err != nil {
		var where *kong.ParseError
		if errors.As(err, &where) {
			parsed = where.Context
		}
		return env.wrongUsage(parsed, err)
	}
	env.JSON = line.JSON
	if env.Rare, err = newRareDecoder(); err != nil {
		env.warn("%v", err)
		return statusFailed
	}
	defer env.Rare.Close()

	var wrong usageError
	switch err := parsed.Run(env); {
	case err == nil:
		return statusFine
	case errors.As(err, &wrong):
		return env.wrongUsage(parsed, wrong)
	case errors.Is(err, errReported):
		return statusFailed
	case errors.Is(err, context.Canceled) && ctx.Err() != nil:
		env.warn("stopped by a signal before the end")
		return statusFailed
	default:
		env.warn("%v", err)
		return statusFailed
	}
}

// spreadInputs gives each of several files after one --input a flag of its own,
// so that "--input *.grib2" is what it looks like.
func spreadInputs(arguments []string) []string {
	var spread []string
	after := false
	for k, argument := range arguments {
		switch {
		case argument == "--":
			return append(spread, arguments[k:]...)
		case argument == "--input":
			after = true
			if k == len(arguments)-1 || strings.HasPrefix(arguments[k+1], "-") {
				spread = append(spread, argument) // the parser says what is missing
			}
			continue
		case strings.HasPrefix(argument, "-"):
			after = false
		}
		if after {
			argument = "--input=" + argument
		}
		spread = append(spread, argument)
	}
	return spread
}

// wrongUsage says what is wrong with the command line and where help is.
func (e *environment) wrongUsage(parsed *kong.Context, err error) int {
	e.warn("%v", err)
	command := "rimeline"
	if parsed != nil && parsed.Selected() != nil {
		command = parsed.Selected().FullPath()
	}
	fmt.Fprintf(e.Stderr, "Run \"%s --help\" for usage and examples.\n", command)
	return statusUsage
}

// version names the build: the module version, or the revision it was built from.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	for _, setting := range info.Settings {
		if setting.Key == "vcs.revision" && len(setting.Value) >= 12 {
			return info.Main.Version + " " + setting.Value[:12]
		}
	}
	return info.Main.Version
}
