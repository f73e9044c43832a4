package alarms

import (
	"fmt"
	"slices"
)

// Role is what a group of people may order. That who asks has the role is proven
// before the order comes here.
type Role struct {
	Name string
	// May are the verbs; a note and a refresh are free to everyone.
	May []Verb
	// Priorities are those of the alarms; empty for all.
	Priorities []Priority
	// Safety: the role may also withhold alarms that guard life.
	Safety bool
}

// Permit sets the roles of the site. Without any, everyone may order anything
// but to withhold an alarm that guards life.
func (e *Evaluator) Permit(roles []Role) error {
	by := make(map[string]Role, len(roles))
	for _, r := range roles {
		switch _, twice := by[r.Name]; {
		case r.Name == "":
			return fmt.Errorf("a role has no name")
		case twice:
			return fmt.Errorf("two roles are called %s", r.Name)
		}
		for _, v := range r.May {
			if !slices.Contains(verbs, v) {
				return fmt.Errorf("role %s: the verb %q is not known: expected one of %v", r.Name, v, verbs)
			}
		}
		for _, p := range r.Priorities {
			if p.Rank() == 0 {
				return fmt.Errorf("role %s: priority %q is not critical, high, medium or low", r.Name, p)
			}
		}
		by[r.Name] = r
	}
	e.roles = by
	return nil
}

// permit tells why an order is not permitted, empty when it is.
func (e *Evaluator) permit(a *alarm, o *Order) string {
	if o.Verb == Note || o.Verb == Refresh {
		return ""
	}
	r, known := e.roles[o.Role]
	who := fmt.Sprintf("role %q", o.Role)
	if o.Role == "" {
		who = "an order without a role"
	}
	withholds := o.Verb == Shelve || o.Verb == TakeOut
	switch {
	case len(e.roles) > 0 && !known && o.Role == "":
		return "the order proves no role, and the site asks for one"
	case len(e.roles) > 0 && !known:
		return fmt.Sprintf("no role is called %q", o.Role)
	case known && !slices.Contains(r.May, o.Verb):
		return fmt.Sprintf("%s may not %s", who, o.Verb)
	case known && len(r.Priorities) > 0 && a != nil && !slices.Contains(r.Priorities, a.Priority):
		return fmt.Sprintf("%s may give no orders about %s alarms", who, a.Priority)
	case withholds && a.Safety && !(known && r.Safety):
		return fmt.Sprintf("%s may not withhold an alarm that guards life", who)
	}
	return ""
}
