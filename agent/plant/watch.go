package plant

import (
	"strings"
	"time"

	"ebbwatch/agent/reading"
)

// judge tells whether a whole line is lost: it has several instruments and none
// can be reached, or the line itself cannot be opened. One alarm then speaks for
// all of them.
func (l *line) judge(p *Plant) {
	l.lost = true
	unreachable := false
	for _, i := range l.instruments {
		it := &p.instruments[i]
		it.silent = it.silence(p)
		l.lost = l.lost && it.silent != ""
		unreachable = unreachable || it.silent == reading.NotConnected
	}
	l.lost = l.lost && (unreachable || len(l.instruments) > 1)
	for _, i := range l.instruments {
		p.instruments[i].lineLost = l.lost
	}
}

// silence is the reason when none of an instrument's points can be reached.
func (it *instrument) silence(p *Plant) string {
	reason := ""
	for _, i := range it.points {
		q := p.points[i].current.Quality
		switch {
		case q.Usable():
			return ""
		case q.Reason == reading.NoReply, q.Reason == reading.NotConnected, q.Reason == reading.Stale:
			reason = q.Reason
		default:
			return ""
		}
	}
	return reason
}

// step gives a line its figure.
func (l *line) step(p *Plant, w *writer) {
	var at time.Time
	var names []string
	for _, i := range l.instruments {
		it := &p.instruments[i]
		names = append(names, it.Name)
		if t := p.oldest(it.points...); at.IsZero() || t.Before(at) {
			at = t
		}
	}
	f := w.next(reading.GoodQuality(), at)
	if l.lost {
		f.Value, f.Detail = 1, "reaches none of its instruments: "+strings.Join(names, ", ")
	}
}

// step tells whether an instrument is lost: any of its points is bad. A point
// that has not been read yet is given its time. While the whole line is lost the
// line's figure speaks, and the instrument's own is not known.
func (it *instrument) step(p *Plant, w *writer) {
	at := p.oldest(it.points...)
	if it.lineLost {
		w.next(reading.BadBecause(reading.LineLost), at)
		return
	}
	f := w.next(reading.GoodQuality(), at)
	var worst *point
	lost := 0
	for _, i := range it.points {
		pt := &p.points[i]
		if pt.current.Quality.Usable() || pt.current.Quality.Reason == reading.NotYetRead {
			continue
		}
		lost++
		if worst == nil {
			worst = pt
		}
	}
	if worst == nil {
		return
	}
	f.Value = 1
	f.Detail = reading.Explain(worst.current.Quality.Reason)
	if lost < len(it.points) {
		f.Detail = "is only partly usable: point " + worst.Name + " " + f.Detail
	}
}
