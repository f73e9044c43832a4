// Package config turns a site file into a checked Site, or into every fault in
// it with file, line, what was found and what is expected.
package config

import (
	"fmt"
	"time"

	"ebbwatch/agent/units"
)

// Site is a plant as its site file describes it. All values are in SI units;
// every reference has been resolved; every name is unique in its kind.
type Site struct {
	// File is the path the site was read from, for messages.
	File string
	// Name is the short name used in topics: lower-case letters, digits, hyphens.
	Name string
	// Title is the name for people.
	Title string
	// TimeZone decides where a regulatory day begins.
	TimeZone *time.Location
	// Display chooses the units of figures shown to people.
	Display UnitSystem
	// StateDir is the folder of the journal.
	StateDir string
	// Listen is the address of the HTTP server, host:port.
	Listen string
	// HTTP is how the page and the metrics are served.
	HTTP HTTP
	// Holidays are the days on which nobody works, at midnight UTC.
	Holidays []time.Time
	// Staffed are the times of day between which somebody is on the site, on working
	// days or every day; nil for always.
	Staffed         *[2]time.Duration
	StaffedEveryDay bool
	// ContainerKinds are the site's own.
	ContainerKinds []ContainerKind
	// MQTT is nil when the site publishes nothing.
	MQTT *MQTT
	// Registers is nil when there is no register server.
	Registers *Registers
	// Recording is nil when readings are not recorded.
	Recording *Recording

	Lines       []Line
	Instruments []Instrument
	Residuals   []Residual
	Segments    []Segment
	Trains      []Train
	Banks       []Bank
	Detectors   []Detector
	Rooms       []Room
	// GasNoticeWithin bounds the time from gas at a sensor, its T90 aside, to the
	// notice leaving.
	GasNoticeWithin time.Duration
	// FirstActions is the file with the site's own words of what to do first; empty
	// when those that ebbwatch brings are used.
	FirstActions string
	// Alarms are those that the site adds to the catalogue.
	Alarms     []Alarm
	AlarmRules []AlarmRule

	// Mail is nil when nobody is told by mail, Escalation when nobody is told.
	Mail       *Mail
	Webhooks   []Webhook
	People     []Person
	Escalation *Escalation
	// Roles are empty when orders need no proof.
	Roles []Role
}

// UnitSystem is the family of units that figures are shown in.
type UnitSystem string

// The two families.
const (
	US UnitSystem = "us"
	SI UnitSystem = "si"
)

// Secret is text that never shows in logs or printed settings.
type Secret string

// Format answers every verb, also those that do not fit a text.
func (Secret) Format(f fmt.State, _ rune) { fmt.Fprint(f, "(secret)") }
func (Secret) String() string             { return "(secret)" }
func (Secret) GoString() string           { return "(secret)" }

// MarshalText keeps a secret out of JSON and YAML.
func (Secret) MarshalText() ([]byte, error) { return []byte("(secret)"), nil }

// Reveal returns the text itself, for the one place that needs it.
func (s Secret) Reveal() string { return string(s) }

// LineKind is how Modbus frames travel on a line.
type LineKind string

// The kinds of line.
const (
	TCP        LineKind = "tcp"          // Modbus TCP
	RTU        LineKind = "rtu"          // RTU on a serial device
	RTUOverTCP LineKind = "rtu-over-tcp" // RTU frames through a serial server
	// ASCII frames, on a serial device or through a serial server.
	ASCII        LineKind = "ascii"
	ASCIIOverTCP LineKind = "ascii-over-tcp"
)

// serial tells whether the kind is that of a serial device of this machine.
func (k LineKind) serial() bool { return k == RTU || k == ASCII }

// served tells whether the kind goes through a serial server.
func (k LineKind) served() bool { return k == RTUOverTCP || k == ASCIIOverTCP }

// Line is a way to reach instruments.
type Line struct {
	Name string
	Kind LineKind
	// Address is host:port, for the kinds that go over TCP.
	Address string
	// Device is the serial device, for the others.
	Device string
	// Baud and what follows it are those of the device. Behind a serial server
	// they are its own, all zero when the file does not tell them.
	Baud     int
	Parity   string // none, even, odd
	StopBits int
	DataBits int // 8 for RTU
	// RS485 is nil when the adapter itself switches between sending and
	// receiving.
	RS485 *RS485
	// Timeout bounds one whole transaction.
	Timeout time.Duration
	At      int
}

// RS485 is how the kernel switches a serial device to sending.
type RS485 struct {
	// SendLow sets RTS low while sending, not high.
	SendLow bool
	// BeforeSend and AfterSend are how long RTS is held before the first and
	// after the last character.
	BeforeSend, AfterSend time.Duration
}

// Instrument is one Modbus unit on a line.
type Instrument struct {
	Name  string
	Line  string
	Unit  byte
	Every time.Duration
	// StaleAfter is the age at which a value is no longer used.
	StaleAfter time.Duration
	// Urgent instruments are read first when several are due.
	Urgent bool
	// Unreadable has the addresses that no request may touch.
	Unreadable []Span
	Points     []Point
	// Lost adjusts the alarm for an instrument that is lost or bad.
	Lost AlarmSetting
	At   int
}

// Table is one of the four Modbus tables.
type Table string

// The four tables of the Modbus specification.
const (
	Coil            Table = "coil"
	DiscreteInput   Table = "discrete-input"
	HoldingRegister Table = "holding-register"
	InputRegister   Table = "input-register"
)

// Span is a run of addresses of one table, From and To included.
type Span struct {
	Table    Table
	From, To uint16
}

// Point is one measured value of an instrument.
type Point struct {
	Name    string
	Table   Table
	Address uint16
	// Every and StaleAfter are those of the instrument, or the point's own.
	Every, StaleAfter time.Duration
	// Type is bit, int16, uint16, int32, uint32, int64, uint64, float32, float64,
	// bcd16, bcd32 or text.
	Type string
	// Registers is how many a text takes.
	Registers int
	// Expect has the texts that are as they should be; without any, each is.
	Expect []string
	// Order is ABCD, CDAB, BADC or DCBA: the order in which the bytes of a
	// 32-bit value arrive; 64-bit values are ordered alike.
	Order string
	// Bit picks one bit of a register, 0 the lowest; nil for a whole value.
	Bit *int
	// Bits picks a field of bits, the first to the last of them; nil for a
	// whole value.
	Bits *[2]int
	// NoReading are the raw values that say that there is no reading.
	NoReading []float64
	// Current is the raw values at 4 and at 20 mA; nil when there is no loop.
	Current *[2]float64
	// Bands are the currents, in mA, that end the bands of the loop, as
	// field.Point describes; nil for those of NAMUR NE 43.
	Bands *[4]float64
	// Scale and Offset make the engineering value: raw*Scale + Offset, in Unit.
	// They also stand for scaling by two points.
	Scale, Offset float64
	Unit          units.Unit
	// Range is the instrument's range in Unit, that of the loop when there is
	// one, nil when the file gives none.
	Range *[2]float64
	// RateLimit is the fastest change that the point can show, in SI units a
	// second; 0 for none.
	RateLimit float64
	// StuckAfter is how long a live sensor may stay within StuckWithin, in SI
	// units, of one value; 0 for ever.
	StuckAfter  time.Duration
	StuckWithin float64
	// Status are the points that tell how far this one can be trusted.
	Status []Status
	At     int
}

// Status lowers the quality of a point while another has a certain value.
type Status struct {
	// Point is the other, When its value, in SI units.
	Point string
	When  float64
	// Quality is bad or uncertain, Means fault, maintenance or warming-up.
	Quality, Means string
}

// AlarmSetting adjusts one alarm; what is nil keeps the catalogue's value.
// Limit and Deadband are in SI units.
type AlarmSetting struct {
	Limit    *float64
	Deadband *float64
	OnDelay  *time.Duration
	OffDelay *time.Duration
}

// Residual is a free-chlorine analyser with a low alarm.
type Residual struct {
	// Point is the point that measures it, and the residual's name.
	Point string
	// Place says where, for people.
	Place string
	Low   AlarmSetting
	// Rule is that of an entry point, surface-water or ground-water, else empty;
	// Least is the least residual that the State sets for ground water.
	Rule  string
	Least units.MilligramsPerLitre
	At    int
}

// Segment is a disinfection segment: one place where chlorine and time act.
type Segment struct {
	Name string
	// Points. Level is empty when the volume is constant.
	Residual, PH, Temperature, Level string
	// Flow are the points whose sum is the flow out, or Inflow those of the flow in
	// where that alone is measured.
	Flow, Inflow []string
	// ResidualIn is the point of the residual at the inlet, empty where none is
	// compared. Decay is the fastest, a second; AgreeWithin, in mg/L, what two
	// analysers may differ by besides.
	ResidualIn         string
	Decay, AgreeWithin float64
	// NoResidualUnder is the residual under which the analyser of moving water shows
	// none.
	NoResidualUnder units.MilligramsPerLitre
	// Volume is that of the full segment, or the constant one; a pipe's is worked
	// from length and diameter.
	Volume units.CubicMetres
	// LevelFull is the level at which Volume is reached, for straight walls.
	LevelFull units.Metres
	// BafflingFactor is T10/T, over 0 to 1.
	BafflingFactor float64
	// GiardiaLog and VirusLog are the log inactivation that disinfection owes.
	GiardiaLog, VirusLog float64
	// Method is table, interpolate or regression.
	Method string
	// Target is the ratio that the looks ahead aim at.
	Target                         float64
	InactivationLow, RatioAheadLow AlarmSetting
	At                             int
}

// Train is a row of segments that the water passes one after the other.
type Train struct {
	Name     string
	Segments []string
	// Filtration tells what disinfection owes; it is empty where GiardiaLog and
	// VirusLog do.
	Filtration                     string
	GiardiaLog, VirusLog           float64
	InactivationLow, RatioAheadLow AlarmSetting
	At                             int
}

// Detector is a chlorine gas detector.
type Detector struct {
	Name string
	Room string
	// Concentration is the point that measures gas, in ppm.
	Concentration  string
	Level1, Level2 AlarmSetting
	Unavailable    AlarmSetting
	Sensor         Sensor
	At             int
}
