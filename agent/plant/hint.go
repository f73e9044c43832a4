package plant

import (
	"fmt"
	"strings"

	"ebbwatch/agent/reading"
)

// hint is what to try first on an instrument with points that are bad for a
// reason. Neighbours tells that others on its line answer.
func (l *line) hint(reason string, it *instrument, neighbours bool) string {
	switch reason {
	case reading.NotConnected:
		return l.reachHint()
	case reading.NoReply:
		return l.silenceHint(it, neighbours)
	case reading.WrongReply:
		if l.Serial {
			return fmt.Sprintf("Look for a second instrument with unit number %d and for another master on %s; then for noise: termination at both ends, shield, distance from motor cables.", it.Unit, l.Name)
		}
		return fmt.Sprintf("See whether two devices share the address %s, and whether the gateway there gives up later than the time-out of %s.", l.Address, l.Name)
	case reading.Stale:
		return l.staleHint()
	}
	if code, ok := strings.CutPrefix(reason, reading.Exception+"-"); ok {
		return exceptionHint(code, it)
	}
	return pointHint(reason)
}

// reachHint is for a line that cannot be opened.
func (l *line) reachHint() string {
	switch {
	case l.Device != "":
		return fmt.Sprintf("See whether the adapter is plugged in and the device %s is there; if it is, whether ebbwatch may open it and no other program holds it.", l.Device)
	case l.Address != "":
		return fmt.Sprintf("See whether what answers at %s has power and network; if it has, whether the port is right and no other client holds its only connection.", l.Address)
	default:
		return "See whether " + l.Name + " has its adapter or its network."
	}
}

// staleHint is for when the polling itself gives nothing, not even a failure.
func (l *line) staleHint() string {
	return "No reading came in time, neither a good nor a bad one: see whether " + l.Name + " keeps its pace and what the log of ebbwatch says, then start it anew."
}

// silenceHint is for an instrument that does not answer on a line that is open.
func (l *line) silenceHint(it *instrument, neighbours bool) string {
	switch {
	case it.silent == "":
		return "It answers for its other points: see whether the time-out of " + l.Name + " is too short for this one, and whether the wire is noisy."
	case l.Serial && neighbours:
		return fmt.Sprintf("Others on %s answer, so look at this one: is its power on, are wires A and B tight and not swapped, is its unit number %d?", l.Name, it.Unit)
	case l.Serial:
		return fmt.Sprintf("Is its power on? Are wires A and B tight and not swapped? Then compare its unit number (%d), baud rate and parity with the site file.", it.Unit)
	case neighbours:
		return fmt.Sprintf("Others on %s answer, so look at this one: is its power on, is its wire to the gateway well, is its unit number %d?", l.Name, it.Unit)
	default:
		return fmt.Sprintf("The connection of %s stands, but unit %d does not answer: is its power on, is its unit number right, is the wire behind a gateway well?", l.Name, it.Unit)
	}
}

// lostHint is for a line on which no instrument can be reached.
func (l *line) lostHint() string {
	switch {
	case l.silent == reading.NotConnected:
		return l.reachHint()
	case l.silent == reading.Stale:
		return l.staleHint()
	case l.Serial && l.Device == "":
		return fmt.Sprintf("The serial server at %s is reached, its instruments are not: check the wire behind it and their power; one swapped or shorted pair silences all. Then its baud rate and parity.", l.Address)
	case l.Serial:
		return fmt.Sprintf("The device %s is open, so check the wire and the power of the instruments: one swapped or shorted pair silences all. Then baud rate and parity.", l.Device)
	default:
		return fmt.Sprintf("The connection of %s stands, but nothing behind it answers: check the gateway's other side and the power of the instruments.", l.Name)
	}
}

// exceptionHint goes by the exception codes of the Modbus Application Protocol
// 1.1b3, section 7 (from memory).
func exceptionHint(code string, it *instrument) string {
	switch code {
	case "1", "2", "3":
		return "The instrument answers, but does not have what is asked of it: compare the points of " + it.Name + " with its list of registers. Was it replaced, or its firmware changed?"
	case "5", "6":
		return "The instrument answers that it is busy: see whether another program asks it too, and read it less often."
	case "10":
		return fmt.Sprintf("The gateway answers, but has no way to unit %d: check the gateway's settings.", it.Unit)
	case "11":
		return fmt.Sprintf("The gateway answers, the instrument behind it does not: check its power, the wire from the gateway and its unit number, %d.", it.Unit)
	default:
		return "The instrument answers, but reports a failure: look at its display and do as its manual says."
	}
}

// pointHint is for an instrument that answers, with a value that is bad or
// doubtful.
func pointHint(reason string) string {
	switch reason {
	case reading.SensorFailure:
		return "The line and the instrument are well, its sensor is not: look for a broken or shorted wire of the current loop and at the transmitter's power."
	case reading.NoReading, reading.NotANumber:
		return "The line is well, the instrument has no value: look at its display, its sensor and its sample."
	case reading.InvalidCode:
		return "The line is well: compare type and address of the point with the instrument's list of registers."
	case reading.WordOrder:
		return "The line is well: change the order of the point in the site file, then test the detector with gas; until then nobody sees gas there."
	case reading.OutOfRange:
		return "The line is well: compare with the display and a measurement by hand. If the value is true, the range in the site file is too narrow; if not, the sensor has failed or the type is wrong."
	case reading.Fault:
		return "The line is well: read the fault at the instrument's display and do as its manual says."
	case reading.Maintenance:
		return "Find out who works on it. If nobody does, end its maintenance mode."
	case reading.WarmingUp:
		return "Give it the time that its manual names; if it does not end, look at its display."
	case reading.Frozen:
		return "Compare with a measurement by hand; then look for what holds the value: no sample flow, a stuck float, a sensor in its cap, an output on hold."
	case reading.Disagrees:
		return "Measure both by hand: one of the two analysers is wrong, or the water takes another way than the site file says."
	case reading.NoResidual:
		return "Measure by hand, now: if there is chlorine, the analyser gets no sample or its reagent or sensor has failed; if there is none, the feed has stopped."
	case reading.Jumped:
		return "Compare with a measurement by hand; then look for a loose contact, air in the sample, or someone at the instrument."
	default:
		return "Compare with the instrument's display and a measurement by hand."
	}
}
