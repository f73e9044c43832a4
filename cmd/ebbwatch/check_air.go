package main

import (
	"fmt"
	"io"
	"text/tabwriter"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/journal"
	"ebbwatch/config"
)

// What a notice of gas takes once its value has been read: allowances for a small
// board with a card, each over ten times what was measured on two cores of a
// server (BenchmarkPlantStep 0.04 ms a step, BenchmarkCommit 4 ms, and all of them
// together in TestTripsReachASubscriber). Common practice, no source.
const (
	evaluateAllowance = 50 * time.Millisecond
	publishAllowance  = 50 * time.Millisecond
	// A trip waits for its own commit and at most for three before it: the events
	// and the notices of the step at which the loop is, and an acknowledgement that
	// the broker has just given.
	commits         = 4
	commitAllowance = commits * 125 * time.Millisecond // a disk that works
)

// gasDelay is the worst case from gas at a detector's sensor to the notice
// leaving, in its parts. It counts from the value that the instrument shows: what
// the sensor needs before is T90.
type gasDelay struct {
	detector config.Detector
	line     string
	// polled is how old a value gets at most, with every instrument answering;
	// withDead with one other of the line dead.
	polled, withDead time.Duration
	// onDelay is the longest of its levels.
	onDelay time.Duration
}

// after is the time behind the poll.
func (g gasDelay) after() time.Duration {
	return g.onDelay + evaluateAllowance + commitAllowance + publishAllowance
}

func (g gasDelay) usual() time.Duration { return g.polled + g.after() }
func (g gasDelay) worst() time.Duration { return g.withDead + g.after() }

// hanging is the worst case with a disk that no longer answers on top: one commit
// waits for it, and after that none, of either journal.
func (g gasDelay) hanging() time.Duration { return g.worst() + journal.Patience }

// gasDelays works the delays of all detectors out of the read plan.
func gasDelays(s *config.Site, ways []field.Line) []gasDelay {
	points := map[string]field.PlannedPoint{}
	lineOf := map[string]string{}
	for _, l := range ways {
		for _, r := range field.Plan(l) {
			for _, p := range r.Points {
				points[p.Name], lineOf[p.Name] = p, l.Name
			}
		}
	}
	var out []gasDelay
	for _, d := range s.Detectors {
		p := points[d.Concentration]
		g := gasDelay{detector: d, line: lineOf[d.Concentration], polled: p.Oldest, withDead: p.WithDead}
		levels := []config.AlarmSetting{d.Level1, d.Level2}
		if d.Sensor.Level3 != nil {
			levels = append(levels, *d.Sensor.Level3)
		}
		for _, l := range levels {
			if l.OnDelay != nil {
				g.onDelay = max(g.onDelay, *l.OnDelay)
			}
		}
		out = append(out, g)
	}
	return out
}

// tooLate refuses a site whose gas notices may leave later than it bounds, with
// one dead instrument on the line and a disk that works.
func tooLate(s *config.Site, delays []gasDelay) error {
	var fs config.Faults
	for _, g := range delays {
		if g.worst() <= s.GasNoticeWithin {
			continue
		}
		what := "shorten the period (every) of its instrument, or the timeout of " + g.line
		switch {
		case g.onDelay > 0 && g.worst()-g.onDelay <= s.GasNoticeWithin:
			what = "take the on_delay out of its levels: a trip is told at the first reading"
		case g.withDead > 2*g.polled:
			what = fmt.Sprintf("shorten the timeout of %s, which a dead instrument costs, or give the detector a line of its own", g.line)
		}
		fs = append(fs, config.Fault{
			File: s.File, Line: g.detector.At,
			Found: fmt.Sprintf("up to %s from gas at %s to the notice leaving (poll %s with a dead instrument on %s, on-delay %s, %s to evaluate, commit and publish)",
				took(g.worst()), g.detector.Name, took(g.withDead), g.line, g.onDelay, took(g.after()-g.onDelay)),
			Expected: fmt.Sprintf("at most %s (gas_notice_within): %s", s.GasNoticeWithin, what),
		})
	}
	if len(fs) > 0 {
		return badInput{fs}
	}
	return nil
}

// showGasDelays shows for every detector how long gas takes to become a notice.
func showGasDelays(w io.Writer, s *config.Site, delays []gasDelay) error {
	if len(delays) == 0 {
		return nil
	}
	fmt.Fprintf(w, "From gas at the sensor to the notice leaving for the broker, at most; %s is allowed without T90 (gas_notice_within):\n", s.GasNoticeWithin)
	tw := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	fmt.Fprintln(tw, "DETECTOR\tROOM\tLINE\tPOLL\tWITH A DEAD UNIT\tON-DELAY\tEVALUATE\tCOMMIT\tPUBLISH\tALL WELL\tWITH A DEAD UNIT\tAND A HANGING DISK\tT90 OF THE SENSOR BESIDES")
	for _, g := range delays {
		t90 := "not given"
		if g.detector.Sensor.T90 > 0 {
			t90 = g.detector.Sensor.T90.String()
		}
		fmt.Fprintf(tw, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", g.detector.Name, g.detector.Room, g.line,
			took(g.polled), took(g.withDead), g.onDelay, evaluateAllowance, commitAllowance, publishAllowance,
			took(g.usual()), took(g.worst()), took(g.hanging()), t90)
	}
	if err := tw.Flush(); err != nil {
		return err
	}
	fmt.Fprintln(w, "The bound is for one dead unit on the line; a disk that hangs is a failure on top: it is waited for once, for "+journal.Patience.String()+", and raises journal-failing. A connection that has to be made anew is not counted, nor a second dead unit; with the broker gone, the notice leaves when it is back.")
	fmt.Fprintln(w)
	return nil
}
