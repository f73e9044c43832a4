package page

import (
	"time"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/units"
)

// Site is what does not change while the daemon runs: how the plant's parts
// belong together. Names are those of the site file.
type Site struct {
	Name, Title string
	// TimeZone is that of the plant, in which the page gives every time.
	TimeZone *time.Location
	Banks    []Bank
	Segments []Segment
	Trains   []Train
	Rooms    []Room
	Lines    []Line
	Limits   []Limit
}

// Bank is a set of containers on one header.
type Bank struct {
	Name, Place string
	Containers  []Container
}

// Container stands on a scale. Weight is the point of the scale.
type Container struct {
	Name, Weight string
	// Tare is its empty weight, Heel what stays in it, Full what a new one holds.
	Tare, Heel, Full units.Kilograms
}

// Segment is a place where chlorine and time disinfect, with its points. Level
// is empty when the volume is constant.
type Segment struct {
	Name        string `json:"segment"`
	Residual    string `json:"residual"`
	PH          string `json:"ph"`
	Temperature string `json:"temperature"`
	Flow        string `json:"flow"`
	Level       string `json:"level,omitempty"`
}

// Train is a row of segments that the water passes one after the other.
type Train struct {
	Name     string   `json:"train"`
	Segments []string `json:"segments"`
}

// Room is a room with gas detectors.
type Room struct {
	Name      string   `json:"room"`
	Detectors []string `json:"detectors"`
}

// Line is a cable with its instruments.
type Line struct {
	Name        string       `json:"line"`
	Instruments []Instrument `json:"instruments"`
}

// Instrument measures points.
type Instrument struct {
	Name   string   `json:"instrument"`
	Points []string `json:"points"`
}

// Limit is the limit of an alarm, in the SI unit of its figure. Low is one that
// the figure must not fall under.
type Limit struct {
	Alarm, Figure string
	Low           bool
	Value         float64
}

// layout is a Site as JSON. Its numbers are in the units of the figures that they
// belong to; null while those are not known.
type layout struct {
	TimeZone string      `json:"time_zone"`
	Banks    []bankJSON  `json:"banks"`
	Segments []Segment   `json:"segments"`
	Trains   []Train     `json:"trains"`
	Rooms    []Room      `json:"rooms"`
	Lines    []Line      `json:"lines"`
	Limits   []limitJSON `json:"limits"`
	Roles    []string    `json:"roles"`
}

type bankJSON struct {
	Bank       string          `json:"bank"`
	Place      string          `json:"place"`
	Containers []containerJSON `json:"containers"`
}

type containerJSON struct {
	Container string   `json:"container"`
	Weight    string   `json:"weight"`
	Tare      *float64 `json:"tare"`
	Heel      *float64 `json:"heel"`
	Full      *float64 `json:"full"`
}

type limitJSON struct {
	Alarm  string   `json:"alarm"`
	Figure string   `json:"figure"`
	Side   string   `json:"side"`
	Value  *float64 `json:"value"`
}

// layoutOf writes a site in the units of its figures.
func layoutOf(s *Site, figures []plant.Figure, roles []Role) layout {
	unit := make(map[string]units.Unit, len(figures))
	for i := range figures {
		unit[figures[i].Name] = figures[i].Unit
	}
	shown := func(figure string, si float64) *float64 {
		u, ok := unit[figure]
		if !ok {
			return nil
		}
		v := u.FromSI(si)
		return &v
	}
	out := layout{
		TimeZone: s.zone().String(), Banks: []bankJSON{}, Limits: []limitJSON{}, Roles: []string{},
		Segments: append([]Segment{}, s.Segments...), Trains: append([]Train{}, s.Trains...), Rooms: append([]Room{}, s.Rooms...), Lines: append([]Line{}, s.Lines...),
	}
	for _, b := range s.Banks {
		bank := bankJSON{b.Name, b.Place, []containerJSON{}}
		for _, c := range b.Containers {
			in := plant.Name(plant.ContainerKind, c.Name, plant.NetWeight) // whose unit is that of what is shown
			if _, ok := unit[in]; !ok {
				in = c.Weight
			}
			bank.Containers = append(bank.Containers, containerJSON{c.Name, c.Weight, shown(in, float64(c.Tare)), shown(in, float64(c.Heel)), shown(in, float64(c.Full))})
		}
		out.Banks = append(out.Banks, bank)
	}
	for _, l := range s.Limits {
		side := "high"
		if l.Low {
			side = "low"
		}
		out.Limits = append(out.Limits, limitJSON{l.Alarm, l.Figure, side, shown(l.Figure, l.Value)})
	}
	for _, r := range roles {
		out.Roles = append(out.Roles, r.Name)
	}
	return out
}

func (s *Site) zone() *time.Location {
	if s.TimeZone == nil {
		return time.UTC
	}
	return s.TimeZone
}
