package main

import (
	"errors"
	"fmt"
	"math"

	"ebbwatch/agent/contact"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/supply"
	"ebbwatch/agent/units"
)

// calcCT is CT, what is required, and the credit it earns.
func calcCT(c *calculation) func() error {
	residual := c.quantity("residual", "mg/L", "", "free chlorine at the end of the segment")
	ph := c.quantity("ph", "pH", "", "pH there")
	temp := c.quantity("temp", "degC", "", "water temperature there")
	flow := c.quantity("flow", "gpm", "", "peak hourly flow")
	volume := c.quantity("volume", "gal", "", "volume at the lowest operating level")
	baffling := c.quantity("baffling", "1", "", "baffling factor T10/T")
	t10 := c.quantity("time", "min", "", "contact time T10, in place of flow, volume and baffling")
	length := c.quantity("length", "ft", "", "length of a full pipe, with --diameter in place of volume")
	diameter := c.quantity("diameter", "ft", "", "inner diameter of the pipe")
	filtration := c.fs.String("filtration", string(contact.Unfiltered), "none, conventional, direct, slow-sand or diatomaceous-earth: what is left of 3 log Giardia and 4 log virus is owed")
	giardia := c.quantity("log-giardia", "1", "", "log inactivation of Giardia that is owed, in place of filtration's")
	virus := c.quantity("log-virus", "1", "", "log inactivation of viruses that is owed, in place of filtration's")
	method := c.fs.String("method", string(contact.Table), "table, interpolate or regression")
	return func() error {
		if err := need(from(residual, 0, 20), from(ph, 0, 14), from(temp, -5, 60)); err != nil {
			return err
		}
		kind := contact.Filtration(*filtration)
		owedGiardia, owedVirus, known := kind.LeftToDisinfection()
		if !known {
			return fmt.Errorf("--filtration %q: expected none, conventional, direct, slow-sand or diatomaceous-earth", *filtration)
		}
		for _, l := range []struct {
			q    *quantity
			owed *float64
		}{{giardia, &owedGiardia}, {virus, &owedVirus}} {
			if !l.q.isGiven() {
				continue
			}
			if kind != contact.Unfiltered {
				return fmt.Errorf("give --filtration or --%s, not both", l.q.name)
			}
			if err := need(over(l.q, 0, 10)); err != nil {
				return err
			}
			*l.owed = l.q.value
		}
		switch {
		case t10.isGiven() && (flow.isGiven() || volume.isGiven() || length.isGiven() || diameter.isGiven() || baffling.isGiven()):
			return errors.New("give --time, or --flow, --volume and --baffling, not both")
		case t10.isGiven():
			if err := need(over(t10, 0, 1e6)); err != nil {
				return err
			}
		case volume.isGiven() && (length.isGiven() || diameter.isGiven()):
			return errors.New("give --volume, or --length and --diameter, not both")
		default:
			bounds, water := []bound{over(flow, 0, 1e7), over(volume, 0, 1e10), over(baffling, 0, 1)}, volume.value
			if length.isGiven() || diameter.isGiven() {
				bounds = []bound{over(flow, 0, 1e7), over(length, 0, 1e6), over(diameter, 0, 100), over(baffling, 0, 1)}
				water = math.Pi / 4 * diameter.value * diameter.value * length.value
				c.formula = append(c.formula, "volume = pi/4 x diameter^2 x length")
			}
			if err := need(bounds...); err != nil {
				return err
			}
			t10.value = baffling.value * water / flow.value
			c.formula = append(c.formula, "T10 = baffling factor x volume / flow")
		}
		m := contact.Method(*method)
		if m != contact.Table && m != contact.Linear && m != contact.Regression {
			return fmt.Errorf("--method %q: expected table, interpolate or regression", *method)
		}
		c.method = string(m)
		chlorine, celsius, acidity := units.MilligramsPerLitre(residual.value), units.Celsius(temp.value), units.PH(ph.value)
		required, q := contact.RequiredGiardia(owedGiardia, chlorine, celsius, acidity, m)
		three, _ := contact.RequiredGiardia(3, chlorine, celsius, acidity, m)
		viruses, qv := contact.RequiredVirus(owedVirus, celsius, acidity)
		four, _ := contact.RequiredVirus(4, celsius, acidity)
		if worst := reading.Worst(q, qv); !worst.Usable() {
			return fmt.Errorf("pH %g %s: ask the State, it is not extrapolated here", ph.value, reading.Explain(worst.Reason))
		} else if worst.Level != reading.Good {
			c.method += ", uncertain: residual or pH outside the table"
		}
		ct := residual.value * t10.value / 60
		c.result("t10", t10.value, "min", "min")
		c.result("ct_calculated", ct, "mg.min/L", "mg.min/L")
		c.result("ct_required_giardia", float64(required), "mg.min/L", "mg.min/L")
		c.result("ct_required_giardia_3log", float64(three), "mg.min/L", "mg.min/L")
		c.result("ct_required_virus", float64(viruses), "mg.min/L", "mg.min/L")
		c.result("giardia_log_owed", owedGiardia, "1", "1")
		c.result("virus_log_owed", owedVirus, "1", "1")
		c.result("inactivation_ratio", min(ct/float64(required), ct/float64(viruses)), "1", "1")
		c.result("giardia_log", 3*ct/float64(three), "1", "1")
		c.result("virus_log", 4*ct/float64(four), "1", "1")
		c.result("giardia_inactivated", contact.Inactivated(3*ct/float64(three)), "%", "%")
		c.result("virus_inactivated", contact.Inactivated(4*ct/float64(four)), "%", "%")
		c.result("hypochlorous_acid", contact.HypochlorousShare(celsius, acidity), "%", "%")
		c.formula = append(c.formula, "CT = residual x T10", "log Giardia = 3 x CT / CT(3 log), log virus = 4 x CT / CT(4 log)", "ratio = the lower of CT / required CT", "inactivated = 100 - 100 / 10^log",
			"hypochlorous acid = share of the free chlorine, for information: the tables hold the effect of pH already")
		c.sources = []string{"40 CFR 141.74(b)(3)(v), Tables 1.1 to 1.6 (Giardia, free chlorine; from memory)", "SWTR Guidance Manual 1991, Table E-7 (viruses; from memory)", "Morris, J. Phys. Chem. 70, 1966 (hypochlorous acid; from memory)"}
		if kind != contact.Unfiltered {
			c.formula = append(c.formula, kind.Explain())
		}
		if m == contact.Regression {
			c.sources = append(c.sources, "Smith, Clark, Pierce, Regli, Aqua 44(5), 1995 (from memory)")
		}
		return nil
	}
}

// calcLimit is what containers can give off as gas.
func calcLimit(c *calculation) func() error {
	container := c.fs.String("container", "", "ton, cylinder-150 or cylinder-100")
	room := c.quantity("room", "degF", "", "room temperature; without it the nominal limit")
	header := c.quantity("header", "psig", "", "lowest header pressure that the regulator needs")
	count := c.quantity("count", "1", "1", "containers on the header")
	rate := c.quantity("rate", "lb/d", "", "withdrawal that is wanted")
	return func() error {
		k, err := supply.KindByName(*container)
		if err != nil {
			return fmt.Errorf("--container: %w", err)
		}
		if err := need(from(count, 1, 1000)); err != nil {
			return err
		}
		if count.value != math.Trunc(count.value) {
			return fmt.Errorf("--count %s: expected a whole number", count.text)
		}
		pressure := k.Header
		if header.isGiven() {
			if err := need(from(header, 0, 300)); err != nil {
				return err
			}
			pressure = units.Pascals(header.value)
		}
		var celsius *units.Celsius
		if room.isGiven() {
			if err := need(from(room, -60, 160)); err != nil {
				return err
			}
			t := units.Celsius(room.value)
			celsius = &t
		}
		one, _ := supply.Limit([]supply.Kind{k}, celsius, pressure)
		kinds := make([]supply.Kind, int(count.value))
		for i := range kinds {
			kinds[i] = k
		}
		limit, m := supply.Limit(kinds, celsius, pressure)
		c.method = string(m)
		c.result("withdrawal_limit", float64(limit), "lb/d", "kg/d")
		c.result("threshold_temperature", float64(supply.SaturationTemperature(pressure)), "degF", "degC")
		if rate.isGiven() {
			if err := need(over(rate, 0, 1e6)); err != nil {
				return err
			}
			if one <= 0 {
				return fmt.Errorf("in a room at or under %.0f degF no number of containers gives off gas at this header pressure: warm the room, or lower the pressure that the regulator needs", units.MustParse("degF").FromSI(float64(supply.SaturationTemperature(pressure))))
			}
			c.result("containers_needed", math.Ceil(rate.value/float64(one)-1e-9), "1", "1")
			c.formula = append(c.formula, "containers = wanted rate / limit of one, rounded up")
			if t, ok := supply.LowestRoom(kinds, units.KilogramsPerSecond(rate.value), pressure); ok {
				c.result("lowest_room_temperature", float64(t), "degF", "degC")
				c.formula = append(c.formula, "lowest room = threshold + wanted rate / sum of F")
			}
		}
		c.formula = append(c.formula, "limit = the lower of nominal and F x (room - threshold), for each container; threshold = boiling point of chlorine at the header pressure")
		c.sources = []string{
			"nominal 400 lb/d a ton container, 40 lb/d a 150-lb cylinder: common practice, no source; F = 8 and 1 lb/d for each degF: from memory",
			"vapour pressure: Thol, Herrig, Span, Lemmon, AIChE Journal 2021",
		}
		return nil
	}
}

// calcEmpty is how long the chlorine lasts.
func calcEmpty(c *calculation) func() error {
	gross := c.quantity("gross", "lb", "", "weight on the scale")
	tare := c.quantity("tare", "lb", "", "stamped empty weight")
	net := c.quantity("net", "lb", "", "chlorine in the container, in place of gross and tare")
	heel := c.quantity("heel", "lb", "0 lb", "what cannot be drawn as gas")
	rate := c.quantity("rate", "lb/d", "", "withdrawal rate")
	stock := c.quantity("stock", "lb", "", "full containers in store, for the days of supply")
	return func() error {
		if net.isGiven() == (gross.isGiven() || tare.isGiven()) {
			return errors.New("give --net, or --gross and --tare")
		}
		if !net.isGiven() {
			if err := need(from(gross, 0, 1e6), from(tare, 0, 1e6)); err != nil {
				return err
			}
			if gross.value < tare.value {
				return fmt.Errorf("--gross %s is less than --tare %s: is it the right container?", gross.text, tare.text)
			}
			net.value = gross.value - tare.value
			c.formula = append(c.formula, "net = gross - tare")
		} else if err := need(from(net, 0, 1e6)); err != nil {
			return err
		}
		if err := need(from(heel, 0, 1e6), over(rate, 0, 1e6)); err != nil {
			return err
		}
		usable := max(0, net.value-heel.value)
		c.result("time_to_empty", usable/rate.value, "h", "h")
		c.formula = append(c.formula, "time to empty = (net - heel) / rate")
		if stock.isGiven() {
			if err := need(from(stock, 0, 1e8)); err != nil {
				return err
			}
			c.formula = append(c.formula, "days of supply = (net - heel + stock) / rate")
		}
		c.result("days_of_supply", (usable+stock.value)/rate.value, "d", "d")
		c.method = "present rate held, heel left in"
		c.sources = []string{"arithmetic (common practice, no source)"}
		return nil
	}
}
