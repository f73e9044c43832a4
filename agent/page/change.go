package page

import (
	"encoding/json"
	"reflect"

	"ebbwatch/alarms"
)

// delta is what of a snapshot has changed. An entry that has a quality or a state
// is whole and takes the place of the one before; any other has what changed.
type delta struct {
	head
	Figures []any `json:"figures"`
	Alarms  []any `json:"alarms"`
}

// figureNews is a figure of which only numbers changed.
type figureNews struct {
	Figure string        `json:"figure"`
	Value  *float64      `json:"value,omitempty"`
	Low    *float64      `json:"low,omitempty"`
	High   *float64      `json:"high,omitempty"`
	Time   *alarms.Stamp `json:"time,omitempty"`
}

// alarmNews is an alarm of which only the value changed, and its words with it.
type alarmNews struct {
	Alarm string   `json:"alarm"`
	Value *float64 `json:"value,omitempty"`
	What  string   `json:"what,omitempty"`
}

// change is the document of what differs between two snapshots of one site. The
// time of a figure that is otherwise as it was differs with every reading; it is
// told now and then, as what has passed since timed, nil for not now.
func change(from, to, timed *encoded) []byte {
	d := delta{to.now(), []any{}, []any{}}
	for i := range to.Figures {
		var before, at *figure
		if i < len(from.Figures) {
			before = &from.Figures[i]
		}
		if timed != nil && i < len(timed.Figures) {
			at = &timed.Figures[i]
		}
		if news := figureChange(before, &to.Figures[i], at); news != nil {
			d.Figures = append(d.Figures, news)
		}
	}
	for i := range to.Alarms {
		var before *alarms.Payload
		if i < len(from.Alarms) {
			before = &from.Alarms[i]
		}
		if news := alarmChange(before, &to.Alarms[i]); news != nil {
			d.Alarms = append(d.Alarms, news)
		}
	}
	if timed != nil {
		d.Performance = performanceOf(&to.of.Performance)
	}
	return must(json.Marshal(d))
}

func figureChange(from, to, timed *figure) any {
	if from == nil {
		return to
	}
	rest := *from
	rest.Value, rest.Low, rest.High, rest.Time = to.Value, to.Low, to.High, to.Time
	none := func(v *float64) bool { return v == nil }
	if rest != *to || none(from.Value) != none(to.Value) || none(from.Low) != none(to.Low) || none(from.High) != none(to.High) {
		return to
	}
	news := figureNews{Figure: to.Figure, Value: moved(from.Value, to.Value), Low: moved(from.Low, to.Low), High: moved(from.High, to.High)}
	if timed != nil && timed.Time != to.Time {
		news.Time = &to.Time
	}
	if news == (figureNews{Figure: to.Figure}) {
		return nil
	}
	return news
}

func alarmChange(from, to *alarms.Payload) any {
	if from == nil {
		return to
	}
	rest := *from
	rest.Value, rest.Condition.Value, rest.What = to.Value, to.Condition.Value, to.What
	if (from.Value == nil) != (to.Value == nil) || !reflect.DeepEqual(&rest, to) {
		return to
	}
	news := alarmNews{Alarm: to.Alarm, Value: moved(from.Value, to.Value)}
	if from.What != to.What {
		news.What = to.What
	}
	if news == (alarmNews{Alarm: to.Alarm}) {
		return nil
	}
	return news
}

// moved is a number that is another than before, nil otherwise.
func moved(from, to *float64) *float64 {
	if to == nil || from != nil && *from == *to {
		return nil
	}
	return to
}
