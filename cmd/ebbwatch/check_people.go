package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/alarms"
	"ebbwatch/config"
)

// showPeople shows who is told of the alarms of each priority, and when, and
// says what no person is told of.
func showPeople(w io.Writer, site *config.Site) error {
	if site.Escalation == nil {
		_, err := fmt.Fprintln(w, "\nNobody is told by mail or webhook: alarms go to the broker and to /metrics only. To tell people, add people and escalation.")
		return err
	}
	fmt.Fprintln(w)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "PRIORITY\tTOLD\tAGAIN")
	for _, p := range alarms.Priorities {
		i := slices.IndexFunc(site.Escalation.Plans, func(plan config.Plan) bool { return plan.Priority == string(p) })
		if i < 0 {
			fmt.Fprintf(tw, "%s\tnobody\t\n", p)
			continue
		}
		plan := site.Escalation.Plans[i]
		var turns []string
		for _, t := range plan.Tell {
			turns = append(turns, turn(site, t))
		}
		again := "never"
		if plan.Repeat > 0 {
			again = "every " + plan.Repeat.String() + " until a person acknowledges"
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\n", p, strings.Join(turns, ", "), again)
	}
	if q := site.Escalation.Quiet; q != nil {
		fmt.Fprintf(tw, "\nLow alarms wait from %s to %s.\n", timeOfDay(q[0]), timeOfDay(q[1]))
	}
	return tw.Flush()
}

// turn says when a person is told, and how.
func turn(site *config.Site, t config.Turn) string {
	var ways []string
	for _, a := range addressees(site) {
		if a.person == t.Person {
			ways = append(ways, a.Channel)
		}
	}
	when := "at once"
	if t.After > 0 {
		when = "after " + t.After.String()
	}
	return fmt.Sprintf("%s %s (%s)", t.Person, when, strings.Join(ways, ", "))
}

func timeOfDay(d time.Duration) string {
	return fmt.Sprintf("%02d:%02d", int(d.Hours()), int(d.Minutes())%60)
}
