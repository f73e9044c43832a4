package field

import "fmt"

// Characters of an ASCII frame: MODBUS over Serial Line V1.02, 2.5.2 (from
// memory).
const (
	asciiStart = 1 // a colon
	asciiEnd   = 2 // carriage return, line feed
	asciiLRC   = 1 // bytes
)

// fitASCII is the fit of Modbus ASCII. Two characters, 0 to 9 and capital A to F
// as the specification has it, spell a byte. It checks these and the LRC once
// the frame is whole.
func fitASCII(request, got []byte) (int, error) {
	if len(got) > 0 && got[0] != ':' {
		return 0, wrongReply(fmt.Sprintf("it begins with byte %02X, expected a colon", got[0]))
	}
	if len(got) < asciiStart+2*(rtuHeader+2) {
		return 0, nil
	}
	var ask [rtuHeader + 5]byte
	var head [rtuHeader + 2]byte
	if err := unspell(ask[:], request[asciiStart:]); err != nil {
		return 0, err
	}
	if err := unspell(head[:], got[asciiStart:]); err != nil {
		return 0, err
	}
	if head[0] != ask[0] {
		return 0, wrongUnit(head[0], ask[0])
	}
	pdu, err := fitPDU(ask[rtuHeader:], head[rtuHeader:])
	if err != nil {
		return 0, err
	}
	bytes := rtuHeader + pdu + asciiLRC
	size := asciiStart + 2*bytes + asciiEnd
	if len(got) != size {
		return size, nil
	}
	var frame [maxFrame]byte
	if err := unspell(frame[:bytes], got[asciiStart:]); err != nil {
		return 0, err
	}
	if end := got[size-asciiEnd:]; end[0] != '\r' || end[1] != '\n' {
		return 0, wrongReply(fmt.Sprintf("it ends with bytes % X, expected carriage return and line feed", end))
	}
	if lrc(frame[:bytes]) != 0 {
		return 0, wrongSum
	}
	return size, nil
}

// pduASCII puts the bytes of the PDU of a reply that fits in place of what
// spelled them. That they are spelled rightly was checked.
func pduASCII(reply []byte) []byte {
	pdu := reply[:(len(reply)-asciiStart-asciiEnd)/2-rtuHeader-asciiLRC]
	unspell(pdu, reply[asciiStart+2*rtuHeader:])
	return pdu
}

// functionASCII is the function code that a request has, 0 when none is spelled.
func functionASCII(request []byte) byte {
	var function [1]byte
	if unspell(function[:], request[asciiStart+2*rtuHeader:]) != nil {
		return 0
	}
	return function[0]
}

// unspell fills to with the bytes that characters spell. It may be done in place.
func unspell(to, characters []byte) error {
	for i := range to {
		high, ok := digit(characters[2*i])
		low, ok2 := digit(characters[2*i+1])
		if !ok || !ok2 {
			return wrongReply(fmt.Sprintf("byte %d is spelled %q, expected two of 0 to 9 and A to F", i+1, characters[2*i:2*i+2]))
		}
		to[i] = high<<4 | low
	}
	return nil
}

// digit is the value of a hexadecimal digit.
func digit(c byte) (byte, bool) {
	switch {
	case c >= '0' && c <= '9':
		return c - '0', true
	case c >= 'A' && c <= 'F':
		return c - 'A' + 10, true
	}
	return 0, false
}
