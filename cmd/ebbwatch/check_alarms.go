package main

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
	"time"

	"ebbwatch/alarms"
)

// showAlarms lists every alarm as it applies to the site: first when each speaks,
// then what it tells, and what is missing.
func showAlarms(w io.Writer, rules []alarms.Setting) error {
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "ALARM\tPRIORITY\tWATCHES\tSPEAKS\tON-DELAY\tOFF-DELAY\tLATCHES\tSHELVED AT MOST\tAGAIN AFTER\tRESPOND WITHIN")
	for _, r := range rules {
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%v\t%s\t%s\t%s\n", r.Name, r.Priority, r.Input, r.Speaks(), r.OnDelay, r.OffDelay, r.Latching,
			orNever(r.ShelveMax), orNever(r.ReAlarm), r.RespondWithin)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	for i := range rules {
		r := &rules[i]
		fmt.Fprintf(w, "\n%s, at %s\n", r.Name, r.Place)
		list := func(head string, texts ...string) {
			for i, t := range texts {
				if i > 0 {
					head = ""
				}
				fmt.Fprintf(w, "  %-14s %s\n", head, t)
			}
		}
		if r.Source != "" {
			list("limit from", r.Source)
		}
		list("likely cause", r.LikelyCause...)
		list("consequence", r.Consequence)
		list("do first", r.FirstAction...)
		if r.AtTest != "" {
			list("while tested", r.AtTest)
		}
		if missing := r.Missing(); len(missing) > 0 {
			list("MISSING", strings.Join(missing, ", "))
		}
	}
	fmt.Fprintln(w)
	return nil
}

func orNever(d time.Duration) string {
	if d == 0 {
		return "never"
	}
	return d.String()
}
