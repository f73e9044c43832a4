package notify

import (
	"encoding/json"
	"fmt"

	"ebbwatch/alarms"
	"ebbwatch/alarms/escalation"
)

// noticeData is a notice with the contract's times.
type noticeData struct {
	escalation.Notice
	Time      alarms.Stamp   `json:"time"`
	Condition alarms.Payload `json:"condition"`
}

// TransitionEvent writes a stored transition as the CloudEvents object that goes
// to …/event, for receivers other than the broker. History says that it was held
// back.
func TransitionEvent(site, store string, seq uint64, data []byte, history func(alarms.Transition) bool) (id string, body []byte, err error) {
	var t alarms.Transition
	if err := json.Unmarshal(data, &t); err != nil {
		return "", nil, err
	}
	if t.Sequence != seq {
		return "", nil, fmt.Errorf("event %d says that it is %d", seq, t.Sequence)
	}
	e := transitionEvent(site, store, seq, data, t, history(t))
	return e.ID, encode(e), nil
}

// NoticeEvent writes a notice as a CloudEvents object.
func NoticeEvent(site string, n escalation.Notice) (id string, body []byte) {
	return n.ID, encode(eventPayload{
		SpecVersion: "1.0", ID: n.ID, Source: "/ebbwatch/" + site, Type: "ebbwatch.alarm.notice.v1",
		Time: alarms.Stamp(n.Time), DataContentType: "application/json", Subject: n.Condition.Alarm,
		Data: noticeData{n, alarms.Stamp(n.Time), n.Condition.Payload()},
	})
}
