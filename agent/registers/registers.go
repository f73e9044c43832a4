// Package registers serves the figures and alarms of a site as Modbus registers
// to the plant's own system, over Modbus TCP. It can only be read: every function
// but 1 to 4 is refused, and nothing that a client sends changes anything.
//
// Addresses are those on the wire. Input registers (function 4) and holding
// registers (3) are the same; so are discrete inputs (2) and coils (1).
//
//	registers
//	0          version of this map, 1
//	1          heartbeat: counts the seconds in which the evaluation advanced
//	2          seconds since the evaluation last advanced
//	3          1 while events can be remembered, else 0
//	4 to 7     alarms active: critical, high, medium, low
//	8 to 11    alarms unacknowledged: critical, high, medium, low
//	12, 13     number of figures, of alarms
//	100 on     a figure in 4: value as float32 in 2, quality, age in s
//	30000 on   an alarm in 2: state, priority
//
//	bits
//	0 on       an alarm in 4: active, unacknowledged, latched, hidden
//
// A value that is not usable is not a number, whatever it was before. The low
// byte of a quality is 0 bad, 1 uncertain, 2 good; its high byte is the reason,
// by Reasons. An age over 65534 s, or one of a figure that never was, is 65535.
// States are 0 normal, 1 unacknowledged, 2 acknowledged, 3 returned to normal
// unacknowledged, 4 latched unacknowledged, 5 latched acknowledged, 6 shelved,
// 7 suppressed by design, 8 out of service. Priorities are 4 critical, 3 high,
// 2 medium, 1 low. The address of an alarm's first bit is twice the distance of
// its state register from 30000.
//
// Between the first and the last figure or alarm every address can be read;
// what nothing has any more reads as a bad figure or a normal alarm. Other
// addresses are refused with exception 2.
package registers

import (
	"encoding/binary"
	"math"
	"strings"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// Where the parts of the map begin, how many registers each entry has, and how
// many entries there may be.
const (
	mapVersion = 1
	headSize   = 14

	figureBase, figureSize, maxFigures = 100, 4, 7000
	alarmBase, alarmSize, maxAlarms    = 30000, 2, 16000
	alarmBits                          = 4
)

const noAge = 0xFFFF

// Reasons numbers the reasons for a quality that is not good, from 1. It only
// ever grows at its end. A reason that it does not have is 255.
var Reasons = []string{
	reading.NotYetRead, reading.NoReply, reading.NotConnected, reading.WrongReply, reading.Exception,
	reading.NotANumber, reading.InvalidCode, reading.NoReading, reading.SensorFailure, reading.OutOfRange,
	reading.OverRange, reading.UnderRange, reading.Stale, reading.Missing, reading.NoFlow,
	reading.Learning, reading.NotDrawn, reading.OutsideTable, reading.Inconsistent, reading.LineLost,
	reading.Frozen, reading.Jumped, reading.Fault, reading.Maintenance, reading.WarmingUp,
	reading.NoStatus, reading.Disagrees, reading.NoResidual, reading.WordOrder, reading.NotEvaporated,
}

const otherReason = 255

// states are the register values of an alarm's states.
var states = map[alarms.State]uint16{
	alarms.Normal: 0, alarms.Unacknowledged: 1, alarms.Acknowledged: 2, alarms.ReturnedUnacknowledged: 3,
	alarms.LatchedUnacknowledged: 4, alarms.LatchedAcknowledged: 5,
	alarms.Shelved: 6, alarms.Suppressed: 7, alarms.OutOfService: 8,
}

// image answers reads of one snapshot.
type image struct {
	m        *Map
	s        *agent.Snapshot
	now      time.Time // for ages
	standing time.Duration
	started  time.Time
}

// register is one input register; the address must be one that the map has.
func (im *image) register(address int) uint16 {
	switch {
	case address < headSize:
		return im.head(address)
	case address < alarmBase:
		slot, at := (address-figureBase)/figureSize, (address-figureBase)%figureSize
		return im.figure(slot, at)
	default:
		slot, at := (address-alarmBase)/alarmSize, (address-alarmBase)%alarmSize
		c := im.alarm(slot)
		switch {
		case c == nil:
			return 0
		case at == 0:
			return states[c.State]
		default:
			return uint16(c.Priority.Rank())
		}
	}
}

func (im *image) head(address int) uint16 {
	count := func(p alarms.Priority, of func(alarms.State) bool) (n uint16) {
		for i := range im.s.Conditions {
			if c := &im.s.Conditions[i]; c.Priority == p && of(c.State) {
				n++
			}
		}
		return n
	}
	switch address {
	case 0:
		return mapVersion
	case 1:
		return uint16(max(0, int64(im.s.Stepped.Sub(im.started)/time.Second)))
	case 2:
		return seconds(im.standing)
	case 3:
		if im.s.StoreError == nil {
			return 1
		}
		return 0
	case 12:
		return uint16(len(im.s.Figures))
	case 13:
		return uint16(len(im.s.Conditions))
	}
	if address < 8 {
		return count(alarms.Priorities[address-4], alarms.State.Active)
	}
	return count(alarms.Priorities[address-8], alarms.State.Unanswered)
}

// figure is one of the registers of the figure that has a slot.
func (im *image) figure(slot, at int) uint16 {
	var f *plant.Figure
	if i := im.m.figures.index(slot); i >= 0 && i < len(im.s.Figures) {
		f = &im.s.Figures[i]
	}
	switch at {
	case 2:
		if f == nil {
			return 0
		}
		return quality(f.Quality)
	case 3:
		if f == nil || f.Time.IsZero() {
			return noAge
		}
		return seconds(im.now.Sub(f.Time))
	}
	value := float32(math.NaN())
	if f != nil && f.Quality.Usable() {
		value = float32(f.Shown())
	}
	var b [4]byte
	binary.BigEndian.PutUint32(b[:], math.Float32bits(value))
	if (at == 0) != im.m.LowWordFirst {
		return binary.BigEndian.Uint16(b[:])
	}
	return binary.BigEndian.Uint16(b[2:])
}

func (im *image) alarm(slot int) *alarms.Condition {
	if i := im.m.alarms.index(slot); i >= 0 && i < len(im.s.Conditions) {
		return &im.s.Conditions[i]
	}
	return nil
}

// bit is one discrete input.
func (im *image) bit(address int) bool {
	c := im.alarm(address / alarmBits)
	if c == nil {
		return false
	}
	switch address % alarmBits {
	case 0:
		return c.State.Active()
	case 1:
		return c.State.Unanswered()
	case 2:
		return c.State == alarms.LatchedUnacknowledged || c.State == alarms.LatchedAcknowledged
	default:
		return states[c.State] >= 6
	}
}

// quality is the register of a quality.
func quality(q reading.Quality) uint16 {
	level := uint16(q.Level) // bad, uncertain, good from 0
	if q.Level == reading.Good || q.Reason == "" {
		return level
	}
	for i, r := range Reasons {
		if q.Reason == r || r == reading.Exception && strings.HasPrefix(q.Reason, r) {
			return level | uint16(i+1)<<8
		}
	}
	return level | otherReason<<8
}

func seconds(d time.Duration) uint16 { return uint16(min(max(0, int64(d/time.Second)), noAge)) }
