package alarms

// group joins alarms of one event. Which of them came first stays marked until
// all of the group are normal again, acknowledged too.
type group struct {
	name    string
	members []*alarm
	// raised are those that were raised and shown in the present step.
	raised []*alarm
	// decided: the first one is known.
	decided bool
}

func (e *Evaluator) join(a *alarm) {
	for _, g := range e.groups {
		if g.name == a.Group {
			a.group = g
			g.members = append(g.members, a)
			return
		}
	}
	a.group = &group{name: a.Group, members: []*alarm{a}}
	e.groups = append(e.groups, a.group)
}

// firstOut marks the first alarm of each group, in the transitions of the step
// too. Several in one step are a tie: which one led is not guessed.
func (e *Evaluator) firstOut(ts []Transition) {
	for _, g := range e.groups {
		if len(g.raised) > 0 && !g.decided {
			for _, a := range g.raised {
				a.firstOut, a.tie, a.changed = true, len(g.raised) > 1, true
				for i := range ts {
					if ts[i].After.Alarm == a.Name {
						ts[i].After.FirstOut, ts[i].After.FirstOutTie = true, a.tie
					}
				}
			}
			g.decided = true
		}
		g.raised = g.raised[:0]
		if g.decided && g.quiet() {
			g.decided = false
			for _, a := range g.members {
				if a.firstOut {
					a.firstOut, a.tie, a.changed = false, false, true
				}
			}
		}
	}
}

// quiet reports whether all of the group that people see is normal.
func (g *group) quiet() bool {
	for _, a := range g.members {
		if !a.hidden() && a.core() != Normal {
			return false
		}
	}
	return true
}
