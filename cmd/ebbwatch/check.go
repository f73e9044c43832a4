package main

import (
	"context"
	"fmt"
	"io"
	"text/tabwriter"

	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
)

const checkUsage = `ebbwatch check reads a site file, lists every fault in it, and shows what would be
watched and when each alarm would speak.

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
	fmt.Fprintf(stdout, "%s: site %s is in order: %d lines, %d instruments, %d points, %d figures, %d alarms\n\n",
		site.File, site.Name, len(site.Lines), len(site.Instruments), len(settings.Points), len(core.Names()), len(rules))
	tw := tabwriter.NewWriter(stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "ALARM\tPRIORITY\tWATCHES\tSPEAKS\tON-DELAY\tOFF-DELAY\tLATCHES")
	for _, r := range rules {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%v\n", r.Name, r.Priority, r.Input, r.Speaks(), r.OnDelay, r.OffDelay, r.Latching)
	}
	return tw.Flush()
}
