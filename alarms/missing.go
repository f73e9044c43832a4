package alarms

// Missing names what an alarm owes a person and its setting leaves out: an alarm
// that nobody can act on is none (ISA-18.2, from memory).
func (s *Setting) Missing() []string {
	var out []string
	for _, part := range []struct {
		name string
		has  bool
	}{
		{"place", s.Place != ""},
		{"subject", s.Subject != ""},
		{"likely causes", len(s.LikelyCause) > 0},
		{"consequence", s.Consequence != ""},
		{"first actions", len(s.FirstAction) > 0},
		{"time to respond", s.RespondWithin > 0},
		{"time to respond beyond its own on-delay", s.RespondWithin == 0 || s.OnDelay < s.RespondWithin},
		{"off-delay or deadband, so that it may chatter", s.OffDelay > 0 || s.Deadband > 0 || s.Latching},
	} {
		if !part.has {
			out = append(out, part.name)
		}
	}
	return out
}
