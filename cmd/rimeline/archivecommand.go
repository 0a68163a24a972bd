package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"rimeline/seedability/archive"
)

// archiveCommand looks after the folder in which the service keeps what it said.
type archiveCommand struct {
	List   archiveListCommand   `cmd:"" help:"Show the days of an archive."`
	Verify archiveVerifyCommand `cmd:"" help:"Read every file of an archive and compare it with what was written."`
	Prune  archivePruneCommand  `cmd:"" help:"Remove what goes beyond a budget, oldest first."`
}

type archiveListCommand struct {
	Archive string `required:"" type:"existingdir" placeholder:"DIR" help:"Folder of the archive."`
}

func (archiveListCommand) Help() string {
	return `Shows each day: messages, assessments, room, and why its crops are kept (window, hold).

Examples:

    rimeline archive list --archive /var/lib/rimeline/archive
    rimeline --json archive list --archive /var/lib/rimeline/archive

Exit status: 0 shown, 1 a day could not be read, 2 wrong usage.`
}

func (c *archiveListCommand) Run(env *environment) error {
	list, err := archive.List(c.Archive)
	if list == nil && err != nil {
		return err
	}
	if env.JSON {
		if list == nil {
			list = []archive.Listed{}
		}
		if failed := writeJSON(env.Stdout, list); failed != nil {
			return failed
		}
		return err
	}
	t := tabwriter.NewWriter(env.Stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(t, "programme\tday\tmessages\tassessments\troom\tcrops\tnot read\tkept for")
	var bytes, crops int64
	for _, l := range list {
		fmt.Fprintf(t, "%s\t%s\t%d\t%d\t%s\t%s\t%d\t%s\n", l.Programme, l.Day, l.Events, l.Assessments, roomOf(l.Bytes), roomOf(l.CropBytes), l.Unread, strings.Join(l.Pinned, ", "))
		bytes, crops = bytes+l.Bytes, crops+l.CropBytes
	}
	if failed := t.Flush(); failed != nil {
		return failed
	}
	if len(list) == 0 {
		fmt.Fprintln(env.Stdout, "The archive has no day yet.")
	} else {
		fmt.Fprintf(env.Stdout, "%d days, %s; crops %s\n", len(list), roomOf(bytes), roomOf(crops))
	}
	return err
}

// roomOf says a number of bytes for people.
func roomOf(bytes int64) string {
	switch {
	case bytes >= 10<<30:
		return fmt.Sprintf("%.1f GiB", float64(bytes)/(1<<30))
	case bytes >= 10<<20:
		return fmt.Sprintf("%.1f MiB", float64(bytes)/(1<<20))
	}
	return fmt.Sprintf("%.1f KiB", float64(bytes)/(1<<10))
}

type archiveVerifyCommand struct {
	Archive string `required:"" type:"existingdir" placeholder:"DIR" help:"Folder of the archive."`
}

func (archiveVerifyCommand) Help() string {
	return `Reads all files and names each that is missing, extra, truncated or changed, with what was expected and what was found. It may run beside the service.

Examples:

    rimeline archive verify --archive /var/lib/rimeline/archive

Exit status: 0 all is as it was written, 1 something is not, or could not be read, 2 wrong usage.`
}

func (c *archiveVerifyCommand) Run(env *environment) error {
	var last archive.Progress
	problems, err := archive.Verify(env.Context, c.Archive, func(p archive.Progress) { last = p })
	if err != nil {
		return err
	}
	if env.JSON {
		if problems == nil {
			problems = []archive.Problem{}
		}
		if err := writeJSON(env.Stdout, struct {
			Days     int               `json:"days"`
			Bytes    int64             `json:"bytes"`
			Problems []archive.Problem `json:"problems"`
		}{last.Of, last.Bytes, problems}); err != nil {
			return err
		}
	} else {
		for _, p := range problems {
			fmt.Fprintln(env.Stdout, p)
		}
		if len(problems) == 0 {
			fmt.Fprintf(env.Stdout, "%d days, %s read: all is as it was written.\n", last.Of, roomOf(last.Bytes))
		} else {
			fmt.Fprintf(env.Stdout, "%d days, %s read: %d problems.\n", last.Of, roomOf(last.Bytes), len(problems))
		}
	}
	if len(problems) > 0 {
		return errReported
	}
	return nil
}

type archivePruneCommand struct {
	Archive  string  `required:"" type:"existingdir" placeholder:"DIR" help:"Folder of the archive."`
	CropGB   float64 `name:"crop-gb" default:"-1" placeholder:"GB" help:"How much kept crops may take; left out: they stay."`
	DayGB    float64 `name:"day-gb" default:"-1" placeholder:"GB" help:"How much days may take; left out: they stay."`
	KeepDays int     `name:"keep-days" default:"400" placeholder:"N" help:"Days younger than this stay."`
	Pinned   bool    `help:"Take days with a window, a hold, an order or a release too."`
	DryRun   bool    `name:"dry-run" help:"Say what would go, and leave it."`
}

func (archivePruneCommand) Help() string {
	return `Removes kept crops, and whole days, beyond a budget, the oldest first. Crops of days with a window or a hold stay, and so do days with one of these, an order or a release, unless --pinned is given. Permits may ask that records are kept for years: what is removed here is gone.

The service must not be running on this archive, except with --dry-run.

Examples:

    rimeline archive prune --archive /var/lib/rimeline/archive --crop-gb 50 --dry-run
    rimeline archive prune --archive /var/lib/rimeline/archive --day-gb 200 --keep-days 1000

Exit status: 0 done, 1 not all could be done, 2 wrong usage.`
}

func (c *archivePruneCommand) Run(env *environment) error {
	if c.CropGB < 0 && c.DayGB < 0 {
		return usageError("--crop-gb or --day-gb: nothing is removed without a budget")
	}
	if c.KeepDays < 0 || c.KeepDays > 100_000 || c.CropGB > 1e9 || c.DayGB > 1e9 {
		return usageError("--keep-days, --crop-gb, --day-gb: out of range")
	}
	rules := archive.PruneRules{CropBytes: -1, DayBytes: -1, KeepDays: c.KeepDays, Pinned: c.Pinned, DryRun: c.DryRun}
	if c.CropGB >= 0 {
		rules.CropBytes = int64(c.CropGB * 1e9)
	}
	if c.DayGB >= 0 {
		rules.DayBytes = int64(c.DayGB * 1e9)
	}
	pruned, err := archive.Prune(c.Archive, rules)
	if env.JSON {
		if pruned == nil {
			pruned = []archive.Pruned{}
		}
		if failed := writeJSON(env.Stdout, pruned); failed != nil {
			return failed
		}
		return err
	}
	verb := "removed"
	if c.DryRun {
		verb = "would be removed"
	}
	bytes := int64(0)
	for _, p := range pruned {
		fmt.Fprintf(env.Stdout, "%s %s, %s, %s\n", p.What, p.Name, roomOf(p.Bytes), verb)
		bytes += p.Bytes
	}
	fmt.Fprintf(env.Stdout, "%d in all, %s, %s.\n", len(pruned), roomOf(bytes), verb)
	return err
}
