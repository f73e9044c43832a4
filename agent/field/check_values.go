package field

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"strings"
)

// checkValues tells of bands, of values without a reading and of texts that do
// not go with p's type. The rest of p has been checked.
func (p Point) checkValues() error {
	return cmp.Or(p.checkBands(), p.checkNoReading(), p.checkText())
}

func (p Point) checkBands() error {
	b := p.Bands
	switch {
	case b == nil:
		return nil
	case p.Current == nil:
		return errors.New("bands without a current, expected none")
	// What measures 4 to 20 mA has both in its band; an open loop, of 0 mA, has failed.
	case !(0 <= b[0] && b[0] <= b[1] && b[1] <= 4 && 20 <= b[2] && b[2] <= b[3] && finite(b[3])):
		return fmt.Errorf("bands %v mA, expected four currents, none lower than the one before: failed up to the first, of 0 or more; measuring from the second, at most 4, to the third, at least 20; failed from the fourth", *b)
	}
	return nil
}

// checkNoReading refuses a value that could never arrive: no reading would pass
// for one. A number that is not finite is bad in any case.
func (p Point) checkNoReading() error {
	low, high := p.limits()
	for _, none := range p.NoReading {
		switch {
		case p.Type == "text":
			return fmt.Errorf("no reading %v of a text, expected none", none)
		case !(none >= low && none <= high) || none != math.Trunc(none) && !strings.HasPrefix(p.Type, "float"):
			return fmt.Errorf("no reading %v of a %s, expected a value that it can send, from %v to %v before scaling", none, p.Type, low, high)
		}
	}
	return nil
}

// limits are the least and the highest value before scaling.
func (p Point) limits() (low, high float64) {
	width := 16 * p.size()
	switch {
	case p.bits() || p.Bit != nil:
		return 0, 1
	case p.Bits != nil:
		return 0, math.Exp2(float64(p.Bits[1]-p.Bits[0]+1)) - 1
	case p.Type[0] == 'u':
		return 0, math.Exp2(float64(width)) - 1
	case p.Type[0] == 'i':
		return -math.Exp2(float64(width - 1)), math.Exp2(float64(width-1)) - 1
	case strings.HasPrefix(p.Type, "bcd"):
		return 0, math.Pow10(width/4) - 1
	case p.Type == "float32":
		return -math.MaxFloat32, math.MaxFloat32
	default:
		return -math.MaxFloat64, math.MaxFloat64
	}
}

func (p Point) checkText() error {
	switch {
	case p.Type != "text" && p.Expect != nil:
		return fmt.Errorf("expect of a %s, expected a text", p.Type)
	case p.Type != "text":
		return nil
	case p.Range != nil:
		return errors.New("range of a text, expected none")
	case p.Order != "" && p.Order != "ABCD" && p.Order != "BADC":
		return fmt.Errorf("order %s of a text, expected ABCD, or BADC where the two characters of each register are swapped", p.Order)
	}
	for _, e := range p.Expect {
		if text, ok := (Point{}).characters([]byte(e), nil); !ok || string(text) != e || len(e) > 2*p.Registers {
			return fmt.Errorf("expect %q, expected at most %d printable characters of ASCII and no space at the end, two for each of %d registers", e, 2*p.Registers, p.Registers)
		}
	}
	return nil
}
