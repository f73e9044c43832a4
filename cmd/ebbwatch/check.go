package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
)

const checkUsage = `ebbwatch check reads a site file, lists every fault in it, and shows what would be
read and watched, and when each alarm would speak.

  ebbwatch check --site site.yaml
`

func runCheck(_ context.Context, args []string, stdout, _ io.Writer) error {
	fs := flags("check")
	siteFile := fs.String("site", "", "the site file")
	if err := parse(fs, checkUsage, args, stdout); err != nil {
		return err
	}
	site, err := loadSite(*siteFile, "check")
	if err != nil {
		return err
	}
	settings := plantSettings(site)
	core, err := plant.New(settings)
	if err != nil {
		return badInput{err}
	}
	rules := alarmSettings(site)
	if _, err := alarms.New(rules, core.Names()); err != nil {
		return badInput{err}
	}
	ways := lines(site)
	if _, err := field.New(ways, field.Options{}); err != nil {
		return badInput{err}
	}
	fmt.Fprintf(stdout, "%s: site %s is in order: %d lines, %d instruments, %d points, %d figures, %d alarms\n\n",
		site.File, site.Name, len(site.Lines), len(site.Instruments), len(settings.Points), len(core.Names()), len(rules))
	if err := showLines(stdout, ways); err != nil {
		return err
	}
	tw := tabwriter.NewWriter(stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "ALARM\tPRIORITY\tWATCHES\tSPEAKS\tON-DELAY\tOFF-DELAY\tLATCHES")
	for _, r := range rules {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%v\n", r.Name, r.Priority, r.Input, r.Speaks(), r.OnDelay, r.OffDelay, r.Latching)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	return showPeople(stdout, site)
}

// showLines shows the requests by which each line is read, how much of the line
// they take and how old a value gets at most while every unit answers. A line
// that cannot do all polls within its shortest period has no such bound.
func showLines(w io.Writer, ways []field.Line) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, l := range ways {
		requests := field.Plan(l)
		load := field.LoadOf(requests)
		fmt.Fprintf(tw, "%s, %s through %s: all is read once in %s, which is %.0f %% of the shortest period; in use for %.0f %% of the time\n",
			l.Name, l.Kind, or(l.Device, l.Address), took(load.Cycle), 100*load.Peak, 100*load.Mean)
		fmt.Fprintln(tw, "INSTRUMENT\tMODBUS UNIT\tEVERY\tTABLE\tADDRESSES\tBYTES\tON THE WIRE\tASSUMED WAIT\tOLDEST\tPOINTS")
		for _, r := range requests {
			oldest := "no bound"
			if load.Peak <= 1 {
				oldest = (r.Every + load.Cycle).Round(time.Millisecond).String()
			}
			fmt.Fprintf(tw, "%s\t%d\t%s\t%s\t%d+%d\t%d+%d\t%s\t%s\t%s\t%s\n", r.Instrument, r.Unit, r.Every, r.Table, r.Address, r.Quantity,
				r.RequestBytes, r.ReplyBytes, took(r.Wire), took(r.Think), oldest, strings.Join(r.Points, ", "))
		}
		fmt.Fprintln(tw)
	}
	return tw.Flush()
}
