package plant

import (
	"math"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// Quantity says what a figure measures.
type Quantity string

// The quantities of the figures that the plant makes from readings.
const (
	ReadingOf         Quantity = "reading"
	T10               Quantity = "t10"
	CT                Quantity = "ct"
	CTRequiredGiardia Quantity = "ct-required-giardia"
	CTRequiredVirus   Quantity = "ct-required-virus"
	InactivationRatio Quantity = "inactivation-ratio"
	GiardiaLog        Quantity = "giardia-log"
	VirusLog          Quantity = "virus-log"
	T10Static         Quantity = "t10-static"
	T10Entry          Quantity = "t10-entry"
	T10Inflow         Quantity = "t10-inflow"
	ResidualNeeded    Quantity = "residual-needed"
	FlowGreatest      Quantity = "flow-greatest"
	RatioAhead        Quantity = "ratio-ahead"
	RatioAheadIn      Quantity = "ratio-ahead-in"
	GiardiaLogOwed    Quantity = "giardia-log-owed"
	VirusLogOwed      Quantity = "virus-log-owed"
	// Those of the day so far, each by the rolling and by the clock hour where an
	// hour is its measure.
	DayRatio          Quantity = "day-ratio"
	DayRatioClockHour Quantity = "day-ratio-clock-hour"
	DayRatioExtremes  Quantity = "day-ratio-extremes"
	DayLowestRatio    Quantity = "day-lowest-ratio"
	DayLowestResidual Quantity = "day-lowest-residual"
	DayPeakFlow       Quantity = "day-peak-flow"
	DayPeakFlowClock  Quantity = "day-peak-flow-clock-hour"
	DayCovered        Quantity = "day-covered"
	UnderResidual     Quantity = "under-residual"
	UnderResidualLeft Quantity = "under-residual-left"
	GrabSampleDue     Quantity = "grab-sample-due"
	AnalyserBackIn    Quantity = "analyser-back-in"
	AnnualAverage     Quantity = "annual-average"
	NetWeight         Quantity = "net-weight"
	WithdrawalRate    Quantity = "withdrawal-rate"
	WithdrawalLimit   Quantity = "withdrawal-limit"
	WithdrawalRatio   Quantity = "withdrawal-ratio"
	TimeToEmpty       Quantity = "time-to-empty"
	RateQuarter       Quantity = "withdrawal-rate-quarter"
	RateDay           Quantity = "withdrawal-rate-day"
	Headroom          Quantity = "withdrawal-headroom"
	PeakDemand        Quantity = "peak-demand"
	ContainersNeeded  Quantity = "containers-needed"
	// ContainersNeededPeak is for the greatest hour of the coming day.
	ContainersNeededPeak Quantity = "containers-needed-peak"
	LowestRoom           Quantity = "lowest-room-temperature"
	FrostFrom            Quantity = "frost-from"
	LiquidEnd            Quantity = "time-to-liquid-end"
	TimeToEmptyStandby   Quantity = "time-to-empty-standby"
	TimeToEmptyStock     Quantity = "time-to-empty-stock"
	Stock                Quantity = "stock"
	TimeToOrder          Quantity = "time-to-order"
	ExpectedRate         Quantity = "expected-rate"
	LossHour             Quantity = "unaccounted-hour"
	LossDay              Quantity = "unaccounted-day"
	SmallestLoss         Quantity = "smallest-loss"
	Unaccounted          Quantity = "unaccounted"
	LossReportable       Quantity = "loss-reportable"
	FeedLost             Quantity = "feed-lost"
	Overdrawn            Quantity = "overdrawn"
	ScaleStuck           Quantity = "scale-stuck"
	WeightMoved          Quantity = "weight-moved"
	ContainerOff         Quantity = "container-off"
	TareDoubtful         Quantity = "tare-doubtful"
	ChangeoverUnstaffed  Quantity = "changeover-unstaffed"
	HeaderLow            Quantity = "header-low"
	Concentration        Quantity = "concentration"
	GasLevel             Quantity = "level"
	Unavailable          Quantity = "unavailable"
	Lost                 Quantity = "lost"
	Doubtful             Quantity = "doubtful"
	Pace                 Quantity = "pace"
)

// Kind says what a figure belongs to.
type Kind string

// The kinds of owner.
const (
	PointKind        Kind = "point"
	SegmentKind      Kind = "segment"
	TrainKind        Kind = "train"
	EntryKind        Kind = "entry"
	DistributionKind Kind = "distribution"
	BankKind         Kind = "bank"
	ContainerKind    Kind = "container"
	DetectorKind     Kind = "detector"
	InstrumentKind   Kind = "instrument"
	LineKind         Kind = "line"
)

// Figure is one named number with all that a reader needs to trust it.
type Figure struct {
	// Name is unique: the point's name, or kind.owner.quantity.
	Name     string
	Kind     Kind
	Owner    string
	Quantity Quantity
	// Value, Low and High are in the SI unit of Unit's dimension. Value means
	// nothing when Quality is bad. Low and High bound it with 90 % probability;
	// they are NaN when there is no interval.
	Value, Low, High float64
	// Unit is the unit in which people see the figure.
	Unit    units.Unit
	Quality reading.Quality
	// Time is that of the oldest reading that went in.
	Time time.Time
	// Method names how the figure was made where practice knows several ways.
	Method string
	// Detail completes a sentence: what a state figure found, or why the figure
	// is not usable.
	Detail string
	// Evidence tells what else speaks for or against what the figure says, and Vote
	// how the detectors of its room stand; empty when there is nothing to tell.
	Evidence, Vote string
	// First is what a person should try first, by what a state figure found.
	First string
}

// Shown returns the value in the figure's own unit. It is only for a figure
// whose quality is usable.
func (f *Figure) Shown() float64 { return f.Unit.FromSI(f.Value) }

// Interval returns Low and High in the figure's own unit, and whether there is
// an interval.
func (f *Figure) Interval() (low, high float64, ok bool) {
	if math.IsNaN(f.Low) || math.IsNaN(f.High) {
		return 0, 0, false
	}
	return f.Unit.FromSI(f.Low), f.Unit.FromSI(f.High), true
}

// Name gives the name of a figure that is not a plain point.
func Name(k Kind, owner string, q Quantity) string {
	return string(k) + "." + owner + "." + string(q)
}
