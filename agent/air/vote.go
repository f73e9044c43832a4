package air

// Channel is what one detector of a room contributes to a vote.
type Channel byte

// The channels. A detector that shows gas calls, whatever else is wrong with it.
const (
	Calls  Channel = 'T' // it shows gas at the level in question
	Clear  Channel = 'N' // it is well and shows none
	Broken Channel = 'B' // it cannot be trusted to see gas
)

// Channel is what the detector contributes to a vote on a level.
func (r Result) Channel(level int) Channel {
	switch {
	case r.Quality.Usable() && r.Level >= level:
		return Calls
	case r.Available:
		return Clear
	default:
		return Broken
	}
}

// Policy is what a broken detector does to a vote. IEC 61511-1, 11.3 (from
// memory) asks that it be stated; which one is the plant's choice.
type Policy string

// The policies, with M of the vote.
const (
	// Trip: a broken detector votes for gas.
	Trip Policy = "trip"
	// DegradeSafe: it leaves the vote, and M falls with it, not under 1.
	DegradeSafe Policy = "degrade-safe"
	// DegradeAvailable: it leaves the vote, and M falls only to those left.
	DegradeAvailable Policy = "degrade-available"
	// Ignore: it votes for clean air.
	Ignore Policy = "ignore"
)

// Outcome is the result of a vote.
type Outcome string

// The outcomes.
const (
	Tripped    Outcome = "trip"
	NotTripped Outcome = "ok"
	// VoteLost: the vote cannot come to a trip any more.
	VoteLost Outcome = "lost"
)

// Vote tells whether m of the channels call. It decides nothing about telling
// people: one calling detector is always told.
func Vote(m int, p Policy, channels []Channel) Outcome {
	calls, broken := 0, 0
	for _, c := range channels {
		switch c {
		case Calls:
			calls++
		case Clear:
		default:
			broken++
		}
	}
	left := len(channels) - broken
	switch p {
	case Trip:
		calls += broken
	case DegradeSafe:
		m = max(1, m-broken)
		if left == 0 { // the limit of the rule: nothing left to vote for clean air
			return Tripped
		}
	case DegradeAvailable:
		m = min(m, left)
		if left == 0 {
			return VoteLost
		}
	default:
		if left < m {
			return VoteLost
		}
	}
	if calls >= m {
		return Tripped
	}
	return NotTripped
}
