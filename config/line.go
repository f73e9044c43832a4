package config

import (
	"fmt"
	"slices"
	"time"
)

func (r *siteReader) line(name string, v value) Line {
	r.alarmName(v, name+"-lost")
	r.alarmName(v, name+"-overrun")
	l := Line{Name: name, At: v.line}
	b, ok := v.block()
	if ok && oneOf(b.get("kind"), &l.Kind, TCP, RTU, RTUOverTCP, ASCII, ASCIIOverTCP) {
		r.reach(b, &l)
	}
	b.get("timeout").duration(&l.Timeout, 10*time.Millisecond, time.Minute)
	r.lines[name] = l
	r.lineNames = append(r.lineNames, name)
	return l
}

// reach reads how a line reaches its instruments. Two masters on one serial
// line would take each other's replies, so a device, and the serial server in
// its place, belong to one line.
func (r *siteReader) reach(b block, l *Line) {
	needs, other := "address", []string{"device", "rs485"}
	switch {
	case l.Kind.serial():
		needs, other = "device", []string{"address"}
	case l.Kind == TCP:
		other = append(other, "baud", "parity", "stop_bits", "data_bits")
	}
	if l.Kind == RTU || l.Kind == RTUOverTCP { // whose characters have 8 bits
		other = append(other, "data_bits")
	}
	for _, k := range other {
		if v := b.get(k); b.has(k) {
			v.fault(v.line, fmt.Sprintf("%s on a line of kind %s", v.path, l.Kind), v.keys[v.key].Expects)
		}
	}
	way := b.get(needs)
	if !b.has(needs) {
		way.fault(b.line, fmt.Sprintf("no %s in %s", needs, b.path), way.keys[way.key].Expects)
	}
	if l.Kind.serial() {
		if way.text(&l.Device) {
			r.once(way, "the device "+l.Device)
		}
		l.RS485 = b.get("rs485").rs485()
	} else if way.address(&l.Address) && l.Kind.served() {
		r.once(way, "the serial server "+l.Address)
	}
	if l.Kind != TCP {
		l.readCharacters(b)
	}
}

// readCharacters reads the form of the characters on a serial line. Behind a
// serial server it is known only when the file tells the speed.
func (l *Line) readCharacters(b block) {
	if l.Kind.served() && !b.has("baud") {
		for _, k := range []string{"parity", "stop_bits", "data_bits"} {
			if v := b.get(k); b.has(k) && (k != "data_bits" || l.Kind == ASCIIOverTCP) {
				v.fault(v.line, fmt.Sprintf("%s without baud in %s", k, b.path), v.keys[v.key].Expects)
			}
		}
		return
	}
	b.get("baud").whole(&l.Baud, func(n int) bool {
		return slices.Contains([]int{300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600, 115200}, n)
	})
	oneOf(b.get("parity"), &l.Parity, "none", "even", "odd")
	b.get("stop_bits").whole(&l.StopBits, between(1, 2))
	l.DataBits = 8
	if l.Kind == ASCII || l.Kind == ASCIIOverTCP {
		b.get("data_bits").whole(&l.DataBits, between(7, 8))
	}
}

func (v value) rs485() *RS485 {
	b, ok := v.block()
	if !ok {
		return nil
	}
	var drive string
	oneOf(b.get("drive"), &drive, "high", "low")
	s := &RS485{SendLow: drive == "low"}
	hold := func(name string, dst *time.Duration) {
		v := b.get(name)
		if v.duration(dst, 0, 100*time.Millisecond) && *dst%time.Millisecond != 0 {
			v.bad(show(v.node.Value))
		}
	}
	hold("before_send", &s.BeforeSend)
	hold("after_send", &s.AfterSend)
	return s
}
