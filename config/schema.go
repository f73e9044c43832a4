package config

import (
	"fmt"
	"slices"
	"strings"

	"ebbwatch/agent/units"
)

// Key is one key that a site file may have.
type Key struct {
	// Path is the key behind those of the blocks around it, joined by points.
	// A * stands for a name that the site chooses.
	Path     string
	Required bool
	// Default is what an absent key means, as it would be written; empty when
	// there is none or when Expects tells it.
	Default string
	// Expects says what belongs there, as words that follow "expected".
	Expects string
}

// The bounds of a site file.
const (
	maxFile  = 1 << 20 // bytes
	maxName  = 64      // letters, digits and hyphens
	maxText  = 200     // characters
	maxPoint = 1 << 16 // addresses in one Modbus table
	maxSpans = 100     // ranges of addresses in one text

	maxPeriods = 5 // different ones of the points of an instrument

	manyFaults = 100 // above, faults come without suggestions
)

const (
	must     = true
	nameRule = "a name of lower-case letters, digits and inner hyphens, at most 64 long"
	onePoint = "the name of a point that measures "

	// What must stand in front of what tells of a serial line.
	serialKinds = "for the kinds rtu and ascii, and for rtu-over-tcp and ascii-over-tcp beside baud, where it is that of the line behind the serial server"
)

// unreadable is what stands at each table.
var unreadable = fmt.Sprintf("at most %d ranges of addresses, such as 100 to 120, 300, that hold no point", maxSpans)

// in lists the units of a dimension behind an example of it.
func in(example string, d units.Dimension) string {
	symbols := units.Symbols(d)
	if len(symbols) == 1 {
		return example
	}
	return fmt.Sprintf("%s (units %s)", example, strings.Join(symbols, ", "))
}

// Keys lists every key that a site file may have, in the order in which a site
// file is best written. The reader knows no other.
func Keys() []Key {
	keys := []Key{
		{"ebbwatch", must, "", "1, the version of the site file"},
		{"site", must, "", nameRule},
		{"title", must, "", "the plant's name for people, on one line"},
		{"time_zone", must, "", "a name from the IANA time zone database such as America/Denver"},
		{"units", false, "us", "us or si"},
		{"state_dir", must, "", "the folder that keeps alarms and events, such as /var/lib/ebbwatch"},
		{"listen", false, "127.0.0.1:9640", "host:port such as 127.0.0.1:9640"},

		{"holidays", false, "", "days on which nobody works besides Saturdays and Sundays, such as 2026-11-26, 2026-12-25, each once"},
	}
	keys = append(keys, brokerKeys()...)
	keys = append(keys, []Key{
		{"lines", must, "", "at least one line by its name"},
		{"lines.*", false, "", "a block with kind, and address or device"},
		{"lines.*.kind", must, "", "tcp, rtu, rtu-over-tcp, ascii or ascii-over-tcp"},
		{"lines.*.address", false, "", "host:port such as 192.0.2.10:502, for the kinds tcp, rtu-over-tcp and ascii-over-tcp only"},
		{"lines.*.device", false, "", "a serial device such as /dev/ttyUSB0, for the kinds rtu and ascii only"},
		{"lines.*.baud", false, "19200", "300, 600, 1200, 2400, 4800, 9600, 19200, 38400, 57600 or 115200; behind a serial server, of the kinds rtu-over-tcp and ascii-over-tcp, it is for the plan alone and has no default"},
		{"lines.*.parity", false, "even", "none, even or odd, " + serialKinds},
		{"lines.*.stop_bits", false, "1", "1 or 2, " + serialKinds},
		{"lines.*.data_bits", false, "7", "7 or 8, for the kind ascii, and for ascii-over-tcp beside baud"},
		{"lines.*.rs485", false, "", "a block with drive, before_send and after_send, for the kinds rtu and ascii only, where the kernel is to switch the device to sending"},
		{"lines.*.rs485.drive", false, "high", "high or low, the level of RTS while sending"},
		{"lines.*.rs485.before_send", false, "0s", "a duration from 0s to 100ms in whole milliseconds"},
		{"lines.*.rs485.after_send", false, "0s", "a duration from 0s to 100ms in whole milliseconds"},
		{"lines.*.timeout", false, "1s", "a duration from 10ms to 60s"},

		{"instruments", must, "", "at least one instrument by its name"},
		{"instruments.*", false, "", "a block with line, unit and points"},
		{"instruments.*.line", must, "", "the name of a line"},
		{"instruments.*.unit", must, "", "a Modbus unit number from 1 to 247; a line of kind tcp also takes 0 and 255"},
		{"instruments.*.every", false, "1s", "a duration from 100ms to 24h"},
		{"instruments.*.stale_after", false, "", "a duration of at least every and at most 7d; absent, the longer of 3 x every and every + 2 x timeout"},
		{"instruments.*.urgent", false, "false", "true or false; one with a detector is urgent in any case"},
		{"instruments.*.unreadable", false, "", "a block with coil, discrete-input, holding-register or input-register, each with the addresses that must not be read"},
		{"instruments.*.unreadable.coil", false, "", unreadable},
		{"instruments.*.unreadable.discrete-input", false, "", unreadable},
		{"instruments.*.unreadable.holding-register", false, "", unreadable},
		{"instruments.*.unreadable.input-register", false, "", unreadable},
		{"instruments.*.points", must, "", "at least one point by its name"},
		{"instruments.*.points.*", false, "", "a block with table, address, type and unit"},
		{"instruments.*.points.*.table", must, "", "coil, discrete-input, holding-register or input-register"},
		{"instruments.*.points.*.address", must, "", "a whole number from 0 to 65535, as it travels on the wire"},
		{"instruments.*.points.*.type", false, "", "int16, uint16, int32, uint32, int64, uint64, float32, float64, bcd16, bcd32 or text on registers (one bit of a register is a uint16 with the key bit); bit, the default, on coils and discrete inputs"},
		{"instruments.*.points.*.order", false, "ABCD", "ABCD, CDAB, BADC or DCBA, on registers only; a text has ABCD or BADC"},
		{"instruments.*.points.*.every", false, "", "a duration from 100ms to 24h; absent, that of the instrument"},
		{"instruments.*.points.*.stale_after", false, "", "a duration of at least every and at most 7d; absent, that of the instrument or, for a point with its own every, the longer of 3 x every and every + 2 x timeout"},
		{"instruments.*.points.*.registers", false, "", "a whole number from 1 to 125, for the type text only"},
		{"instruments.*.points.*.expect", false, "", "the texts that are as they should be, such as OK or READY, each of printable ASCII characters and no longer than the registers, for the type text only"},
		{"instruments.*.points.*.bit", false, "", "a whole number from 0 to 15, with the types int16 and uint16 only"},
		{"instruments.*.points.*.bits", false, "", "two bits, the lower first, such as 4 to 7, of a uint16, uint32 or uint64"},
		{"instruments.*.points.*.no_reading", false, "", "values before scaling, such as 65535, or 65534 or 65535, that the type can hold"},
		{"instruments.*.points.*.scale", false, "1", "a number other than 0"},
		{"instruments.*.points.*.offset", false, "0", "a number"},
		{"instruments.*.points.*.from", false, "", "two values before scaling, the lower first, such as 0 to 27648, together with to, on registers only"},
		{"instruments.*.points.*.current", false, "", "the values before scaling at 4 and at 20 mA, the lower first, such as 4000 to 20000, together with to, on registers only"},
		{"instruments.*.points.*.bands", false, "", "the four currents in mA that end the bands of the loop, such as 3.6, 3.8, 20.5, 21: over 0 and at most 24, each over the one before, the second at most 4 and the third at least 20; together with current"},
		{"instruments.*.points.*.to", false, "", "two different numbers in the point's unit, such as 0 to 10, together with from or current"},
		{"instruments.*.points.*.unit", false, "", "a unit such as mg/L, lb or degF; absent or 1 for a single bit, absent for a text"},
		{"instruments.*.points.*.range", false, "", "two numbers, the lower first, in the point's unit, such as 0 to 8"},
		{"instruments.*.points.*.rate_limit", false, "", "the fastest change that it can show, over 0, such as 0.5 mg/L per min (per s, min, h or d), not of gas in air, which may rise at any speed, nor of a state or a text"},
		{"instruments.*.points.*.stuck_after", false, "", "a duration from 1m to 30d, at least 3 x every, not for a state or a text"},
		{"instruments.*.points.*.stuck_within", false, "", "a difference of 0 or more in a unit of what the point measures, such as 0.01 mg/L, together with stuck_after; absent, 0"},
		{"instruments.*.points.*.status", false, "", "a block of points by name, each with when, quality and means"},
		{"instruments.*.points.*.status.*", false, "", "a block with when, quality and means; its name is that of another point, a state, a number without a unit or a text"},
		{"instruments.*.points.*.status.*.when", false, "1", "a number that the other point can show"},
		{"instruments.*.points.*.status.*.quality", false, "bad", "bad or uncertain"},
		{"instruments.*.points.*.status.*.means", false, "fault", "fault, maintenance or warming-up"},
	}...)
	keys = append(keys, delays("instruments.*.lost")...)

	keys = append(keys,
		Key{"residuals", false, "", "free-chlorine points to watch, by the point's name"},
		Key{"residuals.*", false, "", "a block with place; its name is that of a point that measures concentration in water"},
		Key{"residuals.*.place", must, "", "where it is, for people, on one line"})
	concentration := in("a concentration in water over 0 such as 0.2 mg/L", units.Concentration)
	keys = append(keys, alarm("residuals.*.low", concentration, strings.Replace(concentration, "over 0", "of 0 or more", 1))...)
	keys = append(keys,
		Key{"residuals.*.rule", false, "", "surface-water or ground-water, where the water enters the distribution system: the clocks of its residual and its analyser"},
		Key{"residuals.*.least", false, "", strings.Replace(concentration, " such", ", the State's least residual, for the rule ground-water only, such", 1)})

	const ratio = "a ratio over 0 such as 1 or 95%"
	keys = append(keys,
		Key{"segments", false, "", "disinfection segments by name"},
		Key{"segments.*", false, "", "a block with residual, ph, temperature, flow, volume and baffling_factor"},
		Key{"segments.*.residual", must, "", onePoint + "concentration in water"},
		Key{"segments.*.residual_in", false, "", onePoint + "concentration in water, at the inlet of the segment, together with decay; other than residual"},
		Key{"segments.*.decay", false, "", "the fastest first-order decay of chlorine in the segment, over 0, such as 0.2 per h (per s, min, h or d), together with residual_in"},
		Key{"segments.*.agree_within", false, "0.1 mg/L", in("a difference of concentration in water over 0 such as 0.1 mg/L, together with residual_in", units.Concentration)},
		Key{"segments.*.no_residual_under", false, "0.02 mg/L", in("a concentration in water over 0 such as 0.02 mg/L, under which the analyser of moving water shows no chlorine", units.Concentration)},
		Key{"segments.*.ph", must, "", onePoint + "pH"},
		Key{"segments.*.temperature", must, "", onePoint + "temperature"},
		Key{"segments.*.flow", false, "", "the points that measure the flow out of the segment, joined by +, such as plant-flow or pump-1-flow + pump-2-flow"},
		Key{"segments.*.inflow", false, "", "the points that measure the flow into the segment, joined by +, with a level and in place of flow"},
		Key{"segments.*.level", false, "", onePoint + "length, together with level_full"},
		Key{"segments.*.level_full", false, "", in("a length over 0 such as 12 ft, together with level", units.Length)},
		Key{"segments.*.volume", false, "", in("a volume over 0 such as 150000 gal", units.Volume)},
		Key{"segments.*.length", false, "", in("a length over 0 such as 1900 ft, of a full pipe, together with diameter and in place of volume", units.Length)},
		Key{"segments.*.diameter", false, "", in("a length over 0 such as 2 ft, inside, together with length", units.Length)},
		Key{"segments.*.baffling_factor", must, "", "a number over 0, at most 1"},
		Key{"segments.*.giardia_log", false, "3", "a number from 0 to 10"},
		Key{"segments.*.virus_log", false, "4", "a number from 0 to 10"},
		Key{"segments.*.method", false, "table", "table, interpolate or regression"},
		Key{"segments.*.target", false, "1", ratio})
	const small = "a ratio of 0 or more such as 0.02 or 2%"
	keys = append(keys, alarm("segments.*.inactivation_low", ratio, small)...)
	keys = append(keys, alarm("segments.*.ratio_ahead_low", ratio, small)...)
	keys = append(keys,
		Key{"trains", false, "", "rows of segments that the water passes one after the other, by name"},
		Key{"trains.*", false, "", "a block with segments, and filtration or giardia_log and virus_log"},
		Key{"trains.*.segments", must, "", "names of segments in the order of the water, such as clearwell, transmission, each once"},
		Key{"trains.*.filtration", false, "", "none, conventional, direct, slow-sand or diatomaceous-earth, in place of giardia_log and virus_log; absent as they are, none"},
		Key{"trains.*.giardia_log", false, "", "a number from 0 to 10, together with virus_log"},
		Key{"trains.*.virus_log", false, "", "a number from 0 to 10, together with giardia_log"})
	keys = append(keys, alarm("trains.*.inactivation_low", ratio, small)...)
	keys = append(keys, alarm("trains.*.ratio_ahead_low", ratio, small)...)

	keys = append(keys, supplyKeys(ratio)...)

	keys = append(keys,
		Key{"detectors", false, "", "chlorine detectors by name"},
		Key{"detectors.*", false, "", "a block with room and concentration"},
		Key{"detectors.*.room", must, "", nameRule},
		Key{"detectors.*.concentration", must, "", onePoint + "gas in air, read at least every 10s, for one detector only"})
	for _, level := range []string{"level_1", "level_2"} {
		keys = append(keys, alarm("detectors.*."+level,
			in("a concentration of gas in air over 0 such as 0.5 ppm", units.GasInAir),
			in("a concentration of gas in air of 0 or more, under the limit, such as 0.1 ppm", units.GasInAir))...)
	}
	keys = append(keys, delays("detectors.*.unavailable")...)
	return slices.Concat(keys, airKeys(), alarmKeys(), ruleKeys(), tellingKeys(), httpKeys(), registersKeys(), recordingKeys())
}

// alarm lists the keys of an alarm that has a limit.
func alarm(path, limit, deadband string) []Key {
	keys := []Key{
		{path, false, "", "a block with limit, deadband, on_delay and off_delay"},
		{path + ".limit", false, "", limit},
		{path + ".deadband", false, "", deadband},
	}
	return append(keys, delays(path)[1:]...)
}

// delays lists the keys of an alarm without a limit.
func delays(path string) []Key {
	return []Key{
		{path, false, "", "a block with on_delay and off_delay"},
		{path + ".on_delay", false, "", "a duration from 0s to 24h"},
		{path + ".off_delay", false, "", "a duration from 0s to 24h"},
	}
}
