package notify

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ebbwatch/alarms"
)

// message is one MQTT message to be sent.
type message struct {
	topic   string
	qos     byte
	retain  bool
	payload []byte
	// event is the sequence of the event that it tells, 0 for anything else.
	event  uint64
	answer bool
	// probe asks for a sign of the broker, and carries nothing.
	probe bool
	// done gets the outcome when somebody waits for it; it never blocks.
	done chan error
}

// encode marshals a payload of this package, all of which can be marshalled.
func encode(payload any) []byte {
	b, err := json.Marshal(payload)
	if err != nil {
		panic(err)
	}
	return b
}

// level reports whether a name can be one level of a topic (MQTT 3.1.1, 4.7) and
// is fit to be read: no separator, wildcard or control character, at most 64
// bytes.
func level(name string) bool {
	return name != "" && len(name) <= 64 && utf8.ValidString(name) && name[0] != '$' &&
		!strings.ContainsAny(name, "/+#") && !strings.ContainsFunc(name, func(r rune) bool { return !unicode.IsGraphic(r) })
}

type presencePayload struct {
	Online bool         `json:"online"`
	Boot   string       `json:"boot"`
	Since  alarms.Stamp `json:"since"`
}

func (p *Publisher) presence(online bool) message {
	return message{
		topic: p.root + "/presence", qos: 1, retain: true,
		payload: encode(presencePayload{online, p.o.Boot, alarms.Stamp(p.o.Started)}),
	}
}

// Heartbeat tells that the evaluation advances. Its fields are those of the
// agent's.
type Heartbeat struct {
	Sequence uint64
	Time     time.Time
	// LoopAge is the longest time between two steps since the last heartbeat.
	LoopAge time.Duration
	// WorstInstrumentAge is the age of the oldest usable reading.
	WorstInstrumentAge time.Duration
	OutboxDepth        int
	// Clock is "steady" or "stepped".
	Clock string
}

func (p *Publisher) heartbeatMessage(h Heartbeat) message {
	return message{topic: p.root + "/heartbeat", qos: 1, payload: encode(struct {
		Sequence           uint64       `json:"sequence"`
		Time               alarms.Stamp `json:"time"`
		LoopAge            float64      `json:"loop_age_seconds"`
		WorstInstrumentAge float64      `json:"worst_instrument_age_seconds"`
		OutboxDepth        int          `json:"outbox_depth"`
		Clock              string       `json:"clock"`
	}{h.Sequence, alarms.Stamp(h.Time), h.LoopAge.Seconds(), h.WorstInstrumentAge.Seconds(), h.OutboxDepth, h.Clock})}
}

func (p *Publisher) alarmTopic(alarm string) string { return p.root + "/alarm/" + alarm }

type summaryEntry struct {
	Alarm    string          `json:"alarm"`
	Priority alarms.Priority `json:"priority"`
	State    alarms.State    `json:"state"`
	Episode  uint64          `json:"episode"`
	Since    alarms.Stamp    `json:"since"`
	Place    string          `json:"place"`
	What     string          `json:"what"`
	Sequence uint64          `json:"sequence"`
}

// summary lists every alarm that is not normal.
func (p *Publisher) summary(cs []alarms.Condition) message {
	s := struct {
		Time     alarms.Stamp   `json:"time"`
		Sequence uint64         `json:"sequence"`
		Alarms   []summaryEntry `json:"alarms"`
	}{alarms.Stamp(p.o.Now()), 0, []summaryEntry{}}
	for _, c := range cs {
		s.Sequence = max(s.Sequence, c.Sequence)
		if c.State != alarms.Normal {
			s.Alarms = append(s.Alarms, summaryEntry{c.Alarm, c.Priority, c.State, c.Episode, alarms.Stamp(c.Since), c.Place, c.What, c.Sequence})
		}
	}
	return message{topic: p.root + "/summary", qos: 1, retain: true, payload: encode(s)}
}

// eventPayload is a CloudEvents 1.0 event in structured JSON mode. Sequence is
// the attribute of the documented extension of that name, a string that is
// compared as text: hence 20 digits, which hold every uint64.
type eventPayload struct {
	SpecVersion     string       `json:"specversion"`
	ID              string       `json:"id"`
	Source          string       `json:"source"`
	Type            string       `json:"type"`
	Time            alarms.Stamp `json:"time"`
	DataContentType string       `json:"datacontenttype"`
	Subject         string       `json:"subject"`
	Sequence        string       `json:"sequence,omitempty"`
	Data            any          `json:"data"`
}

type eventData struct {
	Time  alarms.Stamp `json:"time"`
	From  alarms.State `json:"from"`
	To    alarms.State `json:"to"`
	Cause alarms.Cause `json:"cause"`

	Annunciate   bool            `json:"annunciate,omitempty"`
	Order        *alarms.Ordered `json:"order,omitempty"`
	LastPriority alarms.Priority `json:"last_priority,omitempty"`
	Record       json.RawMessage `json:"record,omitempty"`
	alarms.Payload
	History     bool `json:"history,omitempty"`
	ClockUnsure bool `json:"clock_unsure,omitempty"`
}

// event makes the message that tells a stored transition.
func (p *Publisher) event(seq uint64, data []byte, t alarms.Transition, history bool) message {
	return message{
		topic: p.root + "/event", qos: 1, event: seq,
		payload: encode(transitionEvent(p.o.Site, p.o.StoreID, seq, data, t, history)),
	}
}

// transitionEvent is the event of a stored transition. Its id is made of the
// store, the sequence and the stored text. The text is in it because a sequence
// comes again when the journal could not be written before a restart, and the
// receiver must not take the new event for a copy of the old one.
func transitionEvent(site, store string, seq uint64, data []byte, t alarms.Transition, history bool) eventPayload {
	sum := sha256.Sum256(data)
	return eventPayload{
		SpecVersion: "1.0", ID: fmt.Sprintf("%s-%d-%x", store, seq, sum[:4]),
		Source: "/ebbwatch/" + site, Type: "ebbwatch.alarm.transition.v1",
		Time: alarms.Stamp(t.Time), DataContentType: "application/json", Subject: t.After.Alarm,
		Sequence: fmt.Sprintf("%020d", seq),
		Data: eventData{
			Time: alarms.Stamp(t.Time), From: t.From, To: t.To, Cause: t.Cause,
			Annunciate: t.Annunciate, Order: t.Order, LastPriority: t.LastPriority, Record: t.Record,
			Payload: t.After.Payload(), History: history, ClockUnsure: t.ClockUnsure,
		},
	}
}

// Figure is one named number at one time, in the unit that people see. Value,
// Low and High are nil when there is none.
type Figure struct {
	Name             string
	Value, Low, High *float64
	Unit             string
	// Quality is good, uncertain:reason or bad:reason. A bad one has no value.
	Quality string
	// Method names how the figure was made where practice knows several ways.
	Method string
	// Time is that of the oldest reading that went in.
	Time time.Time
}

func (p *Publisher) figureMessage(f Figure) message {
	if strings.HasPrefix(f.Quality, "bad") {
		f.Value, f.Low, f.High = nil, nil, nil
	}
	return message{topic: p.root + "/figure/" + f.Name, retain: true, payload: encode(struct {
		Value   *float64     `json:"value"`
		Low     *float64     `json:"low"`
		High    *float64     `json:"high"`
		Unit    string       `json:"unit"`
		Quality string       `json:"quality"`
		Method  string       `json:"method,omitempty"`
		Time    alarms.Stamp `json:"time"`
	}{alarms.Finite(f.Value), alarms.Finite(f.Low), alarms.Finite(f.High), f.Unit, f.Quality, f.Method, alarms.Stamp(f.Time)})}
}
