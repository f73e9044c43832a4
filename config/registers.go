package config

// Registers is the Modbus TCP server for the plant's own system.
type Registers struct {
	// Listen is host:port.
	Listen string
	// WordOrder is high-first or low-first: which register of a value comes first.
	WordOrder string
	// Map is the file that pins addresses; empty when there is none.
	Map string
	At  int
}

// registersKeys lists the keys of the register server.
func registersKeys() []Key {
	return []Key{
		{"registers", false, "", "a block with listen, word_order and map"},
		{"registers.listen", must, "", "host:port such as 127.0.0.1:1502"},
		{"registers.word_order", false, "high-first", "high-first or low-first: which of a value's two registers comes first"},
		{"registers.map", false, "", "a file, its path relative to the site file, that pins addresses; ebbwatch check --registers writes it"},
	}
}

func (r *siteReader) registers(v value) *Registers {
	b, ok := v.block()
	if !ok {
		return nil
	}
	s := &Registers{At: v.line, WordOrder: "high-first"}
	b.get("listen").listen(&s.Listen)
	oneOf(b.get("word_order"), &s.WordOrder, "high-first", "low-first")
	if b.get("map").text(&s.Map) {
		s.Map = r.beside(s.Map)
	}
	return s
}
