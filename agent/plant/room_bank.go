package plant

import (
	"fmt"
	"math"
	"strings"

	"ebbwatch/agent/supply"
)

// roomBank is a bank that stands where detectors watch: the point of its header
// and its figures, none where the site file does not tell enough for them.
type roomBank struct {
	name                         string
	header                       int
	rate, expected, lost, noFeed int
}

// says tells how the bank stands, for people who were told of gas beside it.
func (b *roomBank) says(p *Plant, out []Figure) string {
	text := "what bank " + b.name + " draws is not known"
	if f := &out[b.rate]; f.Quality.Usable() {
		text = "bank " + b.name + " draws " + amount(f.Unit, f.Value)
	}
	if b.expected != none && out[b.expected].Quality.Usable() {
		f := &out[b.expected]
		text += ", its feed takes " + amount(f.Unit, f.Value)
	}
	if b.noFeed != none && out[b.noFeed].Quality.Usable() && out[b.noFeed].Value != 0 {
		text += ", it gives no chlorine although it should"
	}
	if b.header != none {
		if r := p.reading(b.header); r.Quality.Usable() {
			text += ", its header is at " + amount(pressure, r.Value)
		} else {
			text += ", its header is not known"
		}
	}
	return text
}

// reportable is the quantity of a release that has to be reported, in words.
const reportable = "the reportable quantity, 10 lb (4.5 kg) in 24 h by 40 CFR 302.4,"

// lost compares what the banks of the room may have lost in 24 h beside what was
// fed with the quantity that has to be reported.
func (m *room) lost(out []Figure) string {
	var least, most float64 // kg
	var unknown []string
	unit := out[m.banks[0].rate].Unit
	for i := range m.banks {
		b := &m.banks[i]
		if b.lost == none || !out[b.lost].Quality.Usable() {
			unknown = append(unknown, b.name)
			continue
		}
		f := &out[b.lost]
		low, high := f.Low, f.High
		if math.IsNaN(low) || math.IsNaN(high) {
			low, high = f.Value, f.Value
		}
		least, most, unit = least+max(0, low), most+max(0, high), f.Unit
	}
	switch {
	case least >= float64(supply.ReportableQuantity):
		return fmt.Sprintf("%s is reached: %s or more has gone that no feed explains", reportable, amount(unit, least))
	case most >= float64(supply.ReportableQuantity):
		return fmt.Sprintf("%s may be reached: up to %s has gone that no feed explains", reportable, amount(unit, most))
	case len(unknown) > 0:
		return fmt.Sprintf("%s may be reached: what bank %s lost beside its feed is not known", reportable, strings.Join(unknown, " and "))
	default:
		return fmt.Sprintf("%s is not reached by weight so far: up to %s has gone that no feed explains", reportable, amount(unit, most))
	}
}
