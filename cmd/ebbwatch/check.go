package main

import (
	"context"
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

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
	fmt.Fprintln(tw, "\nALARM\tPRIORITY\tWATCHES\tSPEAKS\tON-DELAY\tOFF-DELAY\tLATCHES")
	for _, r := range rules {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%v\n", r.Name, r.Priority, r.Input, r.Speaks(), r.OnDelay, r.OffDelay, r.Latching)
	}
	return tw.Flush()
}

// showLines shows what is read on each line, and how often.
func showLines(w io.Writer, ways []field.Line) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "LINE\tKIND\tTHROUGH\tINSTRUMENT\tMODBUS UNIT\tEVERY\tPOINTS")
	for _, l := range ways {
		for _, in := range l.Instruments {
			var points []string
			for _, p := range in.Points {
				points = append(points, p.Name)
			}
			fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%d\t%s\t%s\n", l.Name, l.Kind, or(l.Device, l.Address), in.Name, in.Unit, in.Every, strings.Join(points, ", "))
		}
	}
	return tw.Flush()
}
