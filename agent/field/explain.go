package field

import (
	"fmt"
	"strconv"
	"strings"
	"time"

	"ebbwatch/agent/reading"

	"github.com/goburrow/modbus"
)

// explain turns the error of a request into a sentence for a person: what was
// found, and what to do.
func (w *worker) explain(u *unit, b block, err error) *failure {
	f := &failure{reason: reasonOf(err)}
	who := fmt.Sprintf("%s: instrument %s (unit %d)", w.line.Name, u.Name, u.Unit)
	switch f.reason {
	case reading.NotConnected:
		f.err = w.explainLine(err)
	case reading.NoReply:
		f.err = fmt.Errorf("%s did not answer within %s: check %s", who, milliseconds(w.line.Timeout), w.wiring())
	case reading.WrongReply:
		f.err = fmt.Errorf("%s sent a reply that does not fit the request for %s: %w: check that no other unit has its number and that nothing else talks on the line", who, b.name(), err)
	default:
		code, _ := exceptionCode(err)
		means, do := exceptionWords(code)
		f.err = &refusal{fmt.Sprintf("%s refuses to read %s with exception %d (%s): %s", who, b.name(), code, means, do), err}
	}
	return f
}

// refusal is an exception reply in words.
type refusal struct {
	text string
	err  error
}

func (r *refusal) Error() string { return r.text }
func (r *refusal) Unwrap() error { return r.err }

func (w *worker) explainLine(err error) error {
	if w.line.Kind.serial() {
		return fmt.Errorf("%s: cannot use %s: %w: check that the adapter is plugged in and the user may read it (group dialout)", w.line.Name, w.line.Device, err)
	}
	return fmt.Errorf("%s: cannot reach %s: %w: check that the device is on, that address and port are right, and that it takes one more connection", w.line.Name, w.line.Address, err)
}

// wiring is what to check when there is no answer.
func (w *worker) wiring() string {
	switch w.line.Kind {
	case RTU:
		return "power, wiring, unit number, baud rate and parity"
	case ASCII:
		return "power, wiring, unit number, baud rate, data bits and parity"
	case RTUOverTCP, ASCIIOverTCP:
		return "power, wiring, unit number, and the baud rate of the serial server"
	default:
		return "power, network and unit number"
	}
}

// exceptionWords gives the meaning of an exception code by the MODBUS
// Application Protocol Specification V1.1b3, section 7 (from memory), and what to do.
func exceptionWords(code byte) (means, do string) {
	switch code {
	case modbus.ExceptionCodeIllegalFunction:
		return "illegal function", "it does not have this table, check the table of the points"
	case modbus.ExceptionCodeIllegalDataAddress:
		return "illegal data address", "check address, table and type of the points"
	case modbus.ExceptionCodeIllegalDataValue:
		return "illegal data value", "check address, table and type of the points"
	case modbus.ExceptionCodeServerDeviceFailure:
		return "server device failure", "look at the instrument itself"
	case modbus.ExceptionCodeAcknowledge, modbus.ExceptionCodeServerDeviceBusy:
		return "busy", "poll it less often if this stays"
	case modbus.ExceptionCodeGatewayPathUnavailable:
		return "gateway path unavailable", "check the settings of the gateway"
	case modbus.ExceptionCodeGatewayTargetDeviceFailedToRespond:
		return "gateway target device failed to respond", "check power, wiring, unit number and baud rate behind the gateway"
	default:
		return "not known", "look it up in the manual of the instrument"
	}
}

// explainPoints says which points have values that are bad in themselves; nil
// when none has.
func (w *worker) explainPoints(u *unit, readings []reading.Reading) error {
	var what []string
	for i, r := range readings {
		if r.Quality.Usable() {
			continue
		}
		text := "point " + r.Point + " " + reading.Explain(r.Quality.Reason)
		if p := u.now.points[i]; r.Quality.Reason == reading.OutOfRange {
			text += fmt.Sprintf(" (%s, range %s to %s %s)", number(p.Unit.FromSI(r.Value)), number(p.Range[0]), number(p.Range[1]), p.Unit)
		}
		what = append(what, text)
	}
	if what == nil {
		return nil
	}
	return fmt.Errorf("%s: instrument %s (unit %d): %s: check the sensor, then type, order and scale in the site file", w.line.Name, u.Name, u.Unit, strings.Join(what, ", "))
}

func number(v float64) string { return strconv.FormatFloat(v, 'g', 6, 64) }

func milliseconds(d time.Duration) string { return fmt.Sprintf("%d ms", d.Milliseconds()) }

// name tells a person which addresses a block has.
func (b block) name() string {
	name := strings.ReplaceAll(string(b.table), "-", " ")
	if b.quantity == 1 {
		return fmt.Sprintf("%s %d", name, b.address)
	}
	return fmt.Sprintf("%ss %d to %d", name, b.address, int(b.address)+b.quantity-1)
}
