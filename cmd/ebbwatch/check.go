package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/plant"
	"ebbwatch/alarms"
	"ebbwatch/alarms/guidance"
)

const checkUsage = `ebbwatch check reads a site file, lists every fault in it, and shows what would be
read and watched, and when each alarm would speak.

  ebbwatch check --site site.yaml
  ebbwatch check --site site.yaml --registers csv > registers.csv

--registers prints the map of the register server alone, as csv, which the key
registers.map takes to pin the addresses, or as markdown.

  ebbwatch check --first-actions en > first-actions.txt

prints the words of what to do first at a gas alarm, which the key first_actions
takes once the site has made them its own; check shows them with each alarm.
`

func runCheck(_ context.Context, args []string, stdout, _ io.Writer) error {
	fs := flags("check")
	siteFile := fs.String("site", "", "the site `file`")
	form := fs.String("registers", "", "print the register map: csv or markdown")
	language := fs.String("first-actions", "", "print the words of what to do first, to start a file of your own: en")
	if err := parse(fs, checkUsage, args, stdout); err != nil {
		return err
	}
	switch *language {
	case "":
	case guidance.Default().Language:
		_, err := io.WriteString(stdout, guidance.English())
		return err
	default:
		return badInput{fmt.Errorf("--first-actions %s, expected %s", *language, guidance.Default().Language)}
	}
	if *form != "" && *form != "csv" && *form != "markdown" {
		return badInput{fmt.Errorf("--registers %s, expected csv or markdown", *form)}
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
	words, err := firstWords(site)
	if err != nil {
		return err
	}
	rules := alarmSettings(site, words)
	if _, err := alarms.New(rules, core.Names()); err != nil {
		return badInput{err}
	}
	ways := lines(site)
	if _, err := field.New(ways, field.Options{}); err != nil {
		return badInput{err}
	}
	delays := gasDelays(site, ways)
	if err := tooLate(site, delays); err != nil {
		return err
	}
	if *form != "" || site.Registers != nil {
		names := make([]string, len(rules))
		for i := range rules {
			names[i] = rules[i].Name
		}
		m, free, err := registerMap(site, core, names)
		if errors.Is(err, os.ErrPermission) && *form == "" { // whoever checks need not be whoever runs
			defer fmt.Fprintf(stdout, "\nThe addresses of registers cannot be shown: %v.\n", err)
		} else if err != nil {
			return err
		}
		if *form != "" {
			return showRegisterMap(stdout, *form, core, rules, m)
		}
		if path, own := mapFile(site); own && free > 0 {
			defer fmt.Fprintf(stdout, "\n%d figures and alarms get their registers when ebbwatch next starts, which keeps them in %s.\n", free, path)
		} else if free > 0 {
			defer fmt.Fprintf(stdout, "\n%d figures and alarms have no pinned registers: a change of the site file may move them. Write them down with --registers csv.\n", free)
		}
	}
	fmt.Fprintf(stdout, "%s: site %s is in order: %d lines, %d instruments, %d points, %d figures, %d alarms\n\n",
		site.File, site.Name, len(site.Lines), len(site.Instruments), len(settings.Points), len(core.Names()), len(rules))
	if err := showLines(stdout, ways); err != nil {
		return err
	}
	if err := showGasDelays(stdout, site, delays); err != nil {
		return err
	}
	if err := showBanks(stdout, settings); err != nil {
		return err
	}
	if err := showAlarms(stdout, rules); err != nil {
		return err
	}
	if err := showBroker(stdout, site.MQTT, time.Now()); err != nil {
		return err
	}
	if err := showHTTP(stdout, site, time.Now()); err != nil {
		return err
	}
	return showPeople(stdout, site)
}

// showLines shows the requests by which each line is read, how much of the line
// they take and how old each value gets at most, just before the next: while
// every unit answers, and while one other does not.
func showLines(w io.Writer, ways []field.Line) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, l := range ways {
		load := field.LoadOf(l)
		fmt.Fprintf(tw, "%s, %s through %s: all is read once in %s, which is %.0f %% of the shortest period; in use for %.0f %% of the time\n",
			l.Name, l.Kind, or(l.Device, l.Address), took(load.Cycle), 100*load.Peak, 100*load.Mean)
		if load.Mean > 1 {
			fmt.Fprintln(tw, "That is more than it can do: polls will be left out. Lengthen periods, or raise the baud rate.")
		}
		if len(l.Instruments) > 0 {
			fmt.Fprintf(tw, "A unit that does not answer holds the line for %s at a time; after a few attempts for at most %.0f %% of the time.\n", took(load.Dead), 100*load.DeadShare)
		}
		requests := field.Plan(l)
		if i := slices.IndexFunc(requests, func(r field.PlannedRequest) bool { return r.Within > 0 }); i >= 0 {
			r := requests[i]
			fmt.Fprintf(tw, "Every %s unless %s: when the points of %s are due too, the requests every %s read both.\n", r.Every, r.Within, r.Within, r.Within)
		}
		fmt.Fprintln(tw, "INSTRUMENT\tMODBUS UNIT\tEVERY\tTABLE\tADDRESSES\tBYTES\tON THE WIRE\tASSUMED WAIT\tOF THE LINE\tOLDEST\tWITH A DEAD UNIT\tPOINTS")
		for _, r := range requests {
			name := r.Instrument
			if r.Urgent {
				name += " (goes first)"
			}
			every := r.Every.String()
			if r.Within > 0 {
				every += " unless " + r.Within.String()
			}
			oldest, withDead, points := ages(r.Points)
			fmt.Fprintf(tw, "%s\t%d\t%s\t%s\t%d+%d\t%d+%d\t%s\t%s\t%.1f %%\t%s\t%s\t%s\n", name, r.Unit, every, r.Table, r.Address, r.Quantity,
				r.RequestBytes, r.ReplyBytes, took(r.Wire), took(r.Think), 100*r.Share(), oldest, withDead, points)
		}
		fmt.Fprintln(tw)
	}
	return tw.Flush()
}

// ages shows how old the values of a request get, and their names, each with its
// own age where they differ.
func ages(points []field.PlannedPoint) (oldest, withDead, names string) {
	show := func(d time.Duration) string { return d.Round(time.Millisecond).String() }
	first, last := points[0], points[0]
	for _, p := range points {
		if p.Oldest < first.Oldest {
			first = p
		}
		if p.Oldest > last.Oldest {
			last = p
		}
	}
	oldest, withDead = show(last.Oldest), show(last.WithDead)
	if first.Oldest != last.Oldest {
		oldest = show(first.Oldest) + " to " + oldest
		withDead = show(first.WithDead) + " to " + withDead
	}
	var all []string
	for _, p := range points {
		name := p.Name
		if first.Oldest != last.Oldest {
			name += " (" + show(p.Oldest) + ")"
		}
		all = append(all, name)
	}
	return oldest, withDead, strings.Join(all, ", ")
}
