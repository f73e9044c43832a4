package alarms

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// A person says that a detector is being tested. Its alarms are evaluated and told
// as ever, with a mark on each message, until the test is over; nothing of the
// other detectors changes. What still stands when it is over is told anew without
// the mark, since those who were told of a test may have shrugged.

// of lists the alarms of a detector.
func (e *Evaluator) of(detector string) (as []*alarm) {
	for _, a := range e.alarms {
		if detector != "" && a.Detector == detector {
			as = append(as, a)
		}
	}
	return as
}

// test begins the test of some alarms, or ends it when the order is for no time.
func (e *Evaluator) test(now time.Time, as []*alarm, o *Order) ([]Transition, Result, string) {
	under := func(a *alarm) bool { return !a.testUntil.IsZero() }
	switch {
	case o.For < 0 || o.For > MaxTest:
		return nil, Refused, fmt.Sprintf("a test of %s was asked for: expected at most %s, or 0s to end one", o.For, MaxTest)
	case o.For == 0 && !slices.ContainsFunc(as, under):
		return nil, Already, "no test is under way"
	}
	var out []Transition
	by := ordered(o, Answer{Result: Done})
	for _, a := range as {
		if o.For > 0 {
			a.testUntil, a.testLeft = now.Add(o.For), o.For
			out = append(out, e.write(a, now, TestBegun, a.state(), record, by))
			a.stir()
		} else if under(a) {
			out = append(out, e.endTest(a, now, by))
		}
	}
	return out, Done, ""
}

func (e *Evaluator) endTest(a *alarm, now time.Time, by *Ordered) Transition {
	a.testUntil, a.testLeft = time.Time{}, 0
	a.stir()
	if a.Lingers {
		return e.write(a, now, TestEnded, a.state(), record, by)
	}
	t, _ := e.apply(a, now, evOutlast, TestEnded, by)
	return t
}

// stir makes the conditions of the group anew.
func (a *alarm) stir() {
	if a.group != nil {
		for _, m := range a.group.members {
			m.changed = true
		}
	}
}

// tested puts the other detectors of the group that are being tested before the
// evidence: gas at one of them may be the test gas.
func (a *alarm) tested(evidence string) string {
	if a.group == nil {
		return evidence
	}
	var all []string
	for _, m := range a.group.members {
		if says := m.Detector + " is being tested"; m.Detector != "" && m.Detector != a.Detector && !m.testUntil.IsZero() && !slices.Contains(all, says) {
			all = append(all, says)
		}
	}
	if evidence != "" {
		all = append(all, evidence)
	}
	return strings.Join(all, "; ")
}
