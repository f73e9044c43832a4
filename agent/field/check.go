package field

import (
	"errors"
	"fmt"
	"math"
	"net"
	"slices"
	"time"
)

var (
	kinds  = []Kind{TCP, RTU, RTUOverTCP, ASCII, ASCIIOverTCP}
	bauds  = []int{300, 600, 1200, 1800, 2400, 4800, 9600, 19200, 38400, 57600, 115200}
	tables = []Table{Coil, DiscreteInput, HoldingRegister, InputRegister}
	orders = []string{"", "ABCD", "CDAB", "BADC", "DCBA"}
)

// longestRTS is the longest that Linux holds RTS before or after sending: its
// drivers/tty/serial/serial_core.c (from memory) shortens what is longer.
const longestRTS = 100 * time.Millisecond

// check returns every reason for which the lines cannot be read rightly.
func check(lines []Line) error {
	var errs []error
	names := map[string]bool{}
	for _, l := range lines {
		fault := func(format string, args ...any) {
			errs = append(errs, fmt.Errorf("line "+l.Name+": "+format, args...))
		}
		if names[l.Name] {
			fault("there are two lines of this name")
		}
		names[l.Name] = true
		l.check(fault)
		units := map[byte]bool{}
		for _, in := range l.Instruments {
			fault := func(format string, args ...any) { fault("instrument "+in.Name+": "+format, args...) }
			if units[in.Unit] {
				fault("another instrument on the line has unit %d", in.Unit)
			}
			units[in.Unit] = true
			in.check(l, fault)
		}
	}
	return errors.Join(errs...)
}

type faults func(format string, args ...any)

func (l Line) check(fault faults) {
	if l.Timeout <= 0 {
		fault("timeout %v, expected more than 0", l.Timeout)
	}
	switch {
	case l.Kind.serial():
		l.checkDevice(fault)
	case !slices.Contains(kinds, l.Kind):
		fault("kind %q, expected tcp, rtu, rtu-over-tcp, ascii or ascii-over-tcp", l.Kind)
	default:
		if l.RS485 != nil {
			fault("rs485 on a line of kind %s, expected on rtu and ascii alone", l.Kind)
		}
		if _, _, err := net.SplitHostPort(l.Address); err != nil {
			fault("address %q, expected host:port", l.Address)
		}
	}
}

func (l Line) checkDevice(fault faults) {
	if l.Device == "" {
		fault("no device, expected one such as /dev/ttyUSB0")
	}
	if !slices.Contains(bauds, l.Baud) {
		fault("%d baud, expected one of %v", l.Baud, bauds)
	}
	if !slices.Contains([]string{"none", "even", "odd"}, l.Parity) {
		fault("parity %q, expected none, even or odd", l.Parity)
	}
	if l.StopBits != 1 && l.StopBits != 2 {
		fault("%d stop bits, expected 1 or 2", l.StopBits)
	}
	switch {
	case l.Kind == ASCII && l.DataBits != 7 && l.DataBits != 8:
		fault("%d data bits, expected 7 or 8", l.DataBits)
	case l.Kind == RTU && l.DataBits != 0 && l.DataBits != 8:
		fault("%d data bits, expected 8 on a line of kind rtu", l.DataBits)
	}
	if l.RS485 == nil {
		return
	}
	for _, d := range [2]time.Duration{l.RS485.BeforeSend, l.RS485.AfterSend} {
		if d < 0 || d > longestRTS || d%time.Millisecond != 0 {
			fault("RTS is to be held for %v, expected 0 to %d whole milliseconds", d, longestRTS.Milliseconds())
		}
	}
}

func (in Instrument) check(l Line, fault faults) {
	if l.Kind != TCP && (in.Unit < 1 || in.Unit > 247) {
		fault("unit %d, expected 1 to 247 on a serial line", in.Unit)
	}
	if in.Every <= 0 {
		fault("every %v, expected more than 0", in.Every)
	}
	if len(in.Points) == 0 {
		fault("no points")
	}
	if n := len(in.periods()); n > mostPeriods {
		fault("its points have %d different periods, expected at most %d", n, mostPeriods)
	}
	sound := true
	for _, p := range in.Points {
		if err := p.check(); err != nil {
			fault("point %s: %w", p.Name, err)
			sound = false
		}
	}
	for _, s := range in.Unreadable {
		if !slices.Contains(tables, s.Table) || s.From > s.To {
			fault("unreadable %s %d to %d, expected a table, one of %v, and its addresses from low to high", s.Table, s.From, s.To, tables)
		}
		for _, p := range in.Points {
			if p.Table == s.Table && p.Address <= s.To && int(p.Address)+p.size() > int(s.From) {
				fault("point %s lies in %s %d to %d, which is marked unreadable", p.Name, s.Table, s.From, s.To)
			}
		}
	}
	if !l.Kind.serial() || l.Baud <= 0 || !sound {
		return
	}
	c := costOf(l)
	for _, b := range plan(in.Points, c, in.barriers()) {
		if t := c.wire(b) - c.turns; t > l.Timeout {
			fault("%s take %s on the wire at %d baud, longer than the timeout of %s: lengthen timeout", b.name(), milliseconds(t), l.Baud, milliseconds(l.Timeout))
		}
	}
}

func (p Point) check() error {
	switch n := p.size(); {
	case p.Every < 0:
		return fmt.Errorf("every %v, expected more than 0", p.Every)
	case !slices.Contains(tables, p.Table):
		return fmt.Errorf("table %q, expected one of %v", p.Table, tables)
	case p.Type != "text" && p.Registers != 0:
		return fmt.Errorf("%d registers for a %s, expected none: its type says how many", p.Registers, p.Type)
	case p.Type == "text" && (n < 1 || n > maxRegisters):
		return fmt.Errorf("%d registers for a text, expected 1 to %d", n, maxRegisters)
	case n == 0, p.bits() != (p.Type == "bit"):
		return fmt.Errorf("type %q does not go with a %s", p.Type, p.Table)
	case int(p.Address)+n > 1<<16:
		return fmt.Errorf("address %d, expected at most %d for its type", p.Address, 1<<16-n)
	case !slices.Contains(orders, p.Order):
		return fmt.Errorf("order %q, expected ABCD, CDAB, BADC or DCBA", p.Order)
	case p.Bit != nil && (p.bits() || p.Type == "text" || n != 1 || *p.Bit < 0 || *p.Bit > 15):
		return fmt.Errorf("bit %d of a %s, expected 0 to 15 of one register", *p.Bit, p.Type)
	case p.Bits != nil && (p.Bit != nil || p.Type[0] != 'u' || p.Bits[0] < 0 || p.Bits[0] >= p.Bits[1] || p.Bits[1] >= 16*n):
		return fmt.Errorf("bits %d to %d of a %s, expected a lower and a higher one of an unsigned integer", p.Bits[0], p.Bits[1], p.Type)
	case p.Current != nil && (p.bits() || p.Type == "text" || p.Bit != nil || p.Bits != nil || !ascending(*p.Current)):
		return fmt.Errorf("current %v to %v, expected the lower value at 4 mA and the higher at 20 mA, of whole registers with a number", p.Current[0], p.Current[1])
	case !finite(p.Scale) || p.Scale == 0 || !finite(p.Offset):
		return fmt.Errorf("scale %v and offset %v, expected numbers, the scale not 0", p.Scale, p.Offset)
	case p.Unit.IsZero():
		return errors.New("no unit")
	case p.Range != nil && !ascending(*p.Range):
		return fmt.Errorf("range %v to %v, expected a lower and a higher number", p.Range[0], p.Range[1])
	}
	return p.checkValues()
}

func ascending(r [2]float64) bool { return finite(r[0]) && finite(r[1]) && r[0] < r[1] }

func finite(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
