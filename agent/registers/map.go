package registers

import (
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
)

// Pin gives a figure or an alarm an address for good.
type Pin struct {
	Kind    string // figure or alarm
	Name    string
	Address int // of its first register
}

// The kinds of entry.
const (
	Figure = "figure"
	Alarm  = "alarm"
)

// Map says which registers each figure and alarm has.
type Map struct {
	// LowWordFirst turns the two registers of a value round.
	LowWordFirst bool

	figures, alarms area
}

// area is one kind's part of the map.
type area struct {
	kind            string
	base, size, max int
	names           []string
	slotOf          []int          // by index of the names
	indexOf         []int          // by slot; -1 where nothing is any more
	gone            map[int]string // what was there, by slot
}

func (a *area) index(slot int) int {
	if slot < 0 || slot >= len(a.indexOf) {
		return -1
	}
	return a.indexOf[slot]
}

// end is the address behind the last.
func (a *area) end() int { return a.base + a.size*len(a.indexOf) }

// NewMap gives every figure and alarm its registers: those of pins keep theirs,
// and the others follow the last pinned one, figures in their order and alarms by
// name. Names lie in the order of the snapshots. A pin whose figure or
// alarm is gone keeps its address free. The error names every pin that cannot
// be.
func NewMap(figures, alarmNames []string, pins []Pin) (*Map, error) {
	m := &Map{
		figures: area{kind: Figure, base: figureBase, size: figureSize, max: maxFigures, names: figures},
		alarms:  area{kind: Alarm, base: alarmBase, size: alarmSize, max: maxAlarms, names: alarmNames},
	}
	var errs []error
	for _, p := range pins {
		if p.Kind != Figure && p.Kind != Alarm {
			errs = append(errs, fmt.Errorf("the kind %q of %s, expected %s or %s", p.Kind, p.Name, Figure, Alarm))
		}
	}
	return m, errors.Join(append(errs, m.figures.assign(pins), m.alarms.assign(pins))...)
}

func (a *area) assign(pins []Pin) error {
	var errs []error
	a.slotOf, a.gone = make([]int, len(a.names)), map[int]string{}
	for i := range a.slotOf {
		a.slotOf[i] = -1
	}
	holder := map[int]string{}
	seen := map[string]bool{}
	next := 0
	for _, p := range pins {
		if p.Kind != a.kind {
			continue
		}
		slot := (p.Address - a.base) / a.size
		switch other, taken := holder[slot]; {
		case p.Address < a.base || (p.Address-a.base)%a.size != 0 || slot >= a.max:
			errs = append(errs, fmt.Errorf("address %d of %s %s, expected %d and %d on for each further one, up to %d", p.Address, a.kind, p.Name, a.base, a.size, a.base+a.size*(a.max-1)))
			continue
		case taken:
			errs = append(errs, fmt.Errorf("address %d of %s %s, which %s has too", p.Address, a.kind, p.Name, other))
			continue
		case seen[p.Name]:
			errs = append(errs, fmt.Errorf("%s %s is there twice", a.kind, p.Name))
			continue
		}
		holder[slot], seen[p.Name] = p.Name, true
		next = max(next, slot+1)
		if i := slices.Index(a.names, p.Name); i >= 0 {
			a.slotOf[i] = slot
		} else {
			a.gone[slot] = p.Name
		}
	}
	order := make([]int, len(a.names))
	for i := range order {
		order[i] = i
	}
	if a.kind == Alarm { // whose order in a snapshot is that of their priorities
		slices.SortFunc(order, func(i, j int) int { return strings.Compare(a.names[i], a.names[j]) })
	}
	for _, i := range order {
		if a.slotOf[i] < 0 {
			a.slotOf[i] = next
			next++
		}
	}
	if next > a.max {
		errs = append(errs, fmt.Errorf("%d entries of kind %s, expected at most %d", next, a.kind, a.max))
	}
	a.indexOf = make([]int, next)
	for slot := range a.indexOf {
		a.indexOf[slot] = -1
	}
	for i, slot := range a.slotOf {
		a.indexOf[slot] = i
	}
	return errors.Join(errs...)
}

// has reports whether all of some registers can be read.
func (m *Map) has(address, quantity int) bool {
	within := func(from, to int) bool { return address >= from && address+quantity <= to }
	return within(0, headSize) || within(figureBase, m.figures.end()) || within(alarmBase, m.alarms.end())
}

// hasBits reports whether all of some bits can be read.
func (m *Map) hasBits(address, quantity int) bool {
	return address+quantity <= alarmBits*len(m.alarms.indexOf)
}

// Pins lists every entry with its address, by address, as NewMap takes it back.
// What is gone keeps its pin, so that nothing else ever gets its address.
func (m *Map) Pins() []Pin {
	var pins []Pin
	for _, a := range []*area{&m.figures, &m.alarms} {
		for slot, i := range a.indexOf {
			name := a.gone[slot]
			if i >= 0 {
				name = a.names[i]
			}
			if name != "" {
				pins = append(pins, Pin{a.kind, name, a.base + a.size*slot})
			}
		}
	}
	return pins
}

// Gone reports whether a pin is one whose figure or alarm is no more.
func (m *Map) Gone(p Pin) bool {
	a := &m.figures
	if p.Kind == Alarm {
		a = &m.alarms
	}
	return a.gone[(p.Address-a.base)/a.size] == p.Name
}

// FirstBit is the address of the first bit of the alarm whose registers begin at
// an address.
func FirstBit(address int) int { return (address - alarmBase) / alarmSize * alarmBits }

// header is that of a list of pins.
var header = []string{"kind", "name", "address"}

// ReadPins reads a list of pins: CSV (RFC 4180) with at least the columns kind,
// name and address. Others are passed over. The error tells the line.
func ReadPins(r io.Reader) ([]Pin, error) {
	c := csv.NewReader(r)
	first, err := c.Read()
	if err != nil {
		return nil, fmt.Errorf("line 1: no header, expected the columns kind, name and address: %w", err)
	}
	var at [3]int
	for i, name := range header {
		if at[i] = slices.Index(first, name); at[i] < 0 {
			return nil, fmt.Errorf("line 1: no column %s, expected kind, name and address", name)
		}
	}
	var pins []Pin
	for {
		row, err := c.Read()
		if errors.Is(err, io.EOF) {
			return pins, nil
		}
		if err != nil {
			return nil, err // it names the line
		}
		address, err := strconv.Atoi(row[at[2]])
		if err != nil || address < 0 || address > 0xFFFF {
			line, _ := c.FieldPos(at[2])
			return nil, fmt.Errorf("line %d: address %q, expected a whole number from 0 to 65535", line, row[at[2]])
		}
		pins = append(pins, Pin{row[at[0]], row[at[1]], address})
	}
}
