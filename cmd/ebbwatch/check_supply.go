package main

import (
	"fmt"
	"io"
	"strings"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
)

// showBanks prints what each bank can give, and what its balance can see.
func showBanks(w io.Writer, s plant.Settings) error {
	for _, b := range s.Banks {
		if _, err := fmt.Fprintf(w, "\nBank %s: %s.\n", b.Name, strings.Join(bankFacts(b, s.Shown), "; ")); err != nil {
			return err
		}
	}
	return nil
}

// bankFacts are what follows from the settings of a bank.
func bankFacts(b plant.Bank, shown plant.Shown) []string {
	flow := func(v units.KilogramsPerSecond) string {
		return fmt.Sprintf("%.4g %s", shown.MassFlow.FromSI(float64(v)), shown.MassFlow)
	}
	var facts, groups []string
	kinds := map[string][]supply.Kind{}
	for _, c := range b.Settings.Containers {
		if len(kinds[c.Group]) == 0 {
			groups = append(groups, c.Group)
		}
		for range max(1, c.Count) {
			kinds[c.Group] = append(kinds[c.Group], b.Settings.KindOf(c.Kind))
		}
	}
	for i, g := range groups {
		duty := "drawn first"
		if i > 0 {
			duty = "standing by"
		}
		limit, _ := supply.Limit(kinds[g], nil, b.Settings.Header)
		facts = append(facts, fmt.Sprintf("%s %s, up to %s", howMany(len(kinds[g])), duty, flow(limit)))
	}
	first := kinds[groups[0]]
	limit, _ := supply.Limit(first, nil, b.Settings.Header)
	switch {
	case b.Settings.Liquid:
		facts = []string{"chlorine is drawn as liquid, so that the evaporator sets the limit"}
	case b.RoomTemperature == "":
		facts = append(facts, "the room is not measured, so that a cool one lowers the limit unseen")
	default:
		if t, ok := supply.LowestRoom(first, limit, b.Settings.Header); ok {
			facts = append(facts, fmt.Sprintf("for that the room must be at %.0f degF or over", units.MustParse("degF").FromSI(float64(t))))
		}
	}
	if !b.Fed() {
		return append(facts, "nothing tells the feed, so that neither lost chlorine nor lost feed is told of")
	}
	trust := b.Settings.FeedError
	return append(facts, fmt.Sprintf("the feed is known to %.2g %%, so that at %s a leak under %s cannot be told from an error of the feed", trust*100, flow(limit), flow(limit*units.KilogramsPerSecond(trust))))
}

func howMany(n int) string {
	if n == 1 {
		return "one container"
	}
	return fmt.Sprintf("%d containers", n)
}
