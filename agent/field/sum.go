package field

// crcTable has the remainders of CRC-16 with the polynomial 0xA001, lowest bit
// first, for each byte.
var crcTable = func() (t [256]uint16) {
	for i := range t {
		c := uint16(i)
		for range 8 {
			odd := c & 1
			c >>= 1
			if odd == 1 {
				c ^= 0xA001
			}
		}
		t[i] = c
	}
	return t
}()

// crc is the checksum of an RTU frame, sent low byte first: MODBUS over Serial
// Line V1.02, 6.2.2 (from memory).
func crc(frame []byte) uint16 {
	c := uint16(0xFFFF)
	for _, b := range frame {
		c = c>>8 ^ crcTable[byte(c)^b]
	}
	return c
}

// lrc is the checksum of the bytes that an ASCII frame spells: what makes their
// sum 0. MODBUS over Serial Line V1.02, 6.2.1 (from memory).
func lrc(frame []byte) byte {
	var sum byte
	for _, b := range frame {
		sum += b
	}
	return -sum
}
