package main

import (
	"errors"
	"fmt"

	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
)

// calcFeed finds the third of flow, dose and feed; the chlorine for a volume that
// is dosed once; or the third of dose, demand and residual.
func calcFeed(c *calculation) func() error {
	flow := c.quantity("flow", "MGD", "", "flow of water")
	dose := c.quantity("dose", "mg/L", "", "chlorine dose")
	feed := c.quantity("feed", "lb/d", "", "chlorine feed rate")
	residual := c.quantity("residual", "mg/L", "", "residual after contact, for the demand")
	demand := c.quantity("demand", "mg/L", "", "chlorine demand, with --residual in place of --dose")
	volume := c.quantity("volume", "gal", "", "volume that is dosed once, in place of --flow")
	return func() error {
		given := 0
		for _, b := range []bound{over(flow, 0, 1e5), over(dose, 0, 1000), over(feed, 0, 1e6), from(residual, 0, 1000), from(demand, 0, 1000), over(volume, 0, 1e10)} {
			if !b.q.isGiven() {
				continue
			}
			if err := need(b); err != nil {
				return err
			}
		}
		if demand.isGiven() {
			if dose.isGiven() || !residual.isGiven() {
				return errors.New("give --demand with --residual, and no --dose: the dose is their sum")
			}
			dose.value = demand.value + residual.value
			if dose.value <= 0 {
				return errors.New("--demand and --residual are both 0: expected one over 0")
			}
			c.formula = append(c.formula, "dose = demand + residual")
		}
		dosed := dose.isGiven() || demand.isGiven()
		for _, is := range []bool{flow.isGiven(), dosed, feed.isGiven()} {
			if is {
				given++
			}
		}
		c.sources = []string{"arithmetic; the same sum with 8.34 stands in every operator's handbook (common practice)"}
		c.method = "exact units: 8.3454 lb in a million gallons for each mg/L, where the trade's rule of thumb has 8.34"
		switch {
		case volume.isGiven():
			if !dosed || flow.isGiven() || feed.isGiven() {
				return errors.New("give --volume with a dose, and neither --flow nor --feed")
			}
			c.result("chlorine", volume.value*dose.value/1000, "lb", "kg")
			c.formula = append(c.formula, "chlorine = volume x dose")
		case given == 1 && dosed && residual.isGiven(): // dose and demand alone
			c.method = "the difference"
		case given != 2:
			return errors.New("give two of --flow, --dose and --feed; or --volume and --dose; or --dose and --residual")
		default:
			switch {
			case !feed.isGiven():
				feed.value = float64(supply.FeedRate(units.CubicMetresPerSecond(flow.value), units.MilligramsPerLitre(dose.value)))
			case !dosed:
				dose.value = float64(supply.Dose(units.KilogramsPerSecond(feed.value), units.CubicMetresPerSecond(flow.value)))
			default:
				flow.value = feed.value / dose.value * 1000
			}
			c.result("feed_rate", feed.value, "lb/d", "kg/d")
			c.result("flow", flow.value, "MGD", "m3/d")
			c.formula = append(c.formula, "feed = flow x dose")
		}
		c.result("dose", dose.value, "mg/L", "mg/L")
		if residual.isGiven() {
			if residual.value > dose.value {
				return fmt.Errorf("--residual %s is more than the dose of %.3g mg/L", residual.text, dose.value)
			}
			c.result("demand", dose.value-residual.value, "mg/L", "mg/L")
			c.formula = append(c.formula, "demand = dose - residual")
		}
		return nil
	}
}
