package plant

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/reading"
)

// judge tells whether a whole line is lost: it has several instruments and none
// can be reached, or the line itself cannot be opened. One alarm then speaks for
// all of them.
func (l *line) judge(p *Plant) {
	l.answers, l.silent = 0, ""
	for _, i := range l.instruments {
		it := &p.instruments[i]
		it.silent = it.silence(p)
		switch {
		case it.silent == "":
			l.answers++
		case l.silent == "", l.silent == reading.Stale, it.silent == reading.NotConnected:
			l.silent = it.silent
		}
	}
	l.lost = l.answers == 0 && (l.silent == reading.NotConnected || len(l.instruments) > 1)
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

// step gives a line its figures.
func (l *line) step(p *Plant, w *writer) {
	f := w.next(reading.GoodQuality(), p.oldest(l.points...))
	if l.lost {
		f.Value, f.Detail, f.First = 1, l.found(p), l.lostHint()
	}
	l.stepPace(p, w)
}

// found tells what a lost line takes with it, and since when.
func (l *line) found(p *Plant) string {
	how := "is open, but nothing on it answers"
	switch l.silent {
	case reading.NotConnected:
		how = "cannot be opened"
	case reading.Stale:
		how = "has given no reading for too long"
	}
	var names []string
	left := mostNamed
	for _, i := range l.instruments {
		it := &p.instruments[i]
		var points []string
		for _, j := range it.points[:min(left, len(it.points))] {
			points = append(points, p.points[j].Name)
		}
		left -= len(points)
		switch {
		case len(points) == 0:
			names = append(names, it.Name)
		case len(points) < len(it.points):
			names = append(names, fmt.Sprintf("%s (%s and %d more)", it.Name, strings.Join(points, ", "), len(it.points)-len(points)))
		default:
			names = append(names, fmt.Sprintf("%s (%s)", it.Name, strings.Join(points, ", ")))
		}
	}
	n := len(l.points)
	return fmt.Sprintf("%s: %d %s not read, of %s; %s", how, n, plural(n, "point is", "points are"), strings.Join(names, ", "), p.lastWell(l.points...))
}

// mostNamed bounds how many points the sentence about a line names: more, and
// nobody reads to its end.
const mostNamed = 24

// step tells whether an instrument is lost: any of its points is bad. A point
// that has not been read yet is given its time. While the whole line is lost the
// line's figures speak, and the instrument's own are not known.
func (it *instrument) step(p *Plant, w *writer) {
	l, at := &p.lines[it.line], p.oldest(it.points...)
	if l.lost {
		w.next(reading.BadBecause(reading.LineLost), at)
		w.next(reading.BadBecause(reading.LineLost), at)
		return
	}
	bad := it.pointsThat(p, func(q reading.Quality) bool { return !q.Usable() && q.Reason != reading.NotYetRead })
	f := w.next(reading.GoodQuality(), at)
	if len(bad) > 0 {
		worst := &p.points[bad[0]]
		reason := worst.current.Quality.Reason
		f.Value, f.Detail = 1, reading.Explain(reason)
		if len(bad) < len(it.points) {
			f.Detail = fmt.Sprintf("is only partly usable, %d of its %d points %s not: %s %s", len(bad), len(it.points), plural(len(bad), "is", "are"), worst.Name, f.Detail)
		}
		f.Detail += "; " + p.lastWell(bad...)
		f.First = l.hint(reason, it, l.answers > 0 && it.silent != "")
	}
	it.stepDoubtful(p, w, at)
}

// stepDoubtful tells whether any point of an instrument has a value that its
// sensor or the instrument itself casts doubt on. While a point is bad, its
// doubt is not known.
func (it *instrument) stepDoubtful(p *Plant, w *writer, at time.Time) {
	doubtful := it.pointsThat(p, func(q reading.Quality) bool { return q.Level == reading.Uncertain && castsDoubt(q.Reason) })
	unknown := it.pointsThat(p, func(q reading.Quality) bool { return !q.Usable() })
	if len(doubtful) == 0 && len(unknown) > 0 {
		w.next(p.points[unknown[0]].current.Quality, at)
		return
	}
	f := w.next(reading.GoodQuality(), at)
	if len(doubtful) == 0 {
		return
	}
	f.Value, f.Detail = 1, "answers, but is not to be trusted fully"
	f.First = pointHint(p.points[doubtful[0]].current.Quality.Reason)
	for len(doubtful) > 0 {
		reason := p.points[doubtful[0]].current.Quality.Reason
		var names []string
		doubtful = slices.DeleteFunc(doubtful, func(i int) bool {
			same := p.points[i].current.Quality.Reason == reason
			if same {
				names = append(names, p.points[i].Name)
			}
			return same
		})
		f.Detail += fmt.Sprintf("; it %s (%s)", reading.Explain(reason), strings.Join(names, ", "))
	}
}

// castsDoubt reports whether an uncertain value may be a wrong one. A value over
// or under its range, or one still learned, is what it says it is.
func castsDoubt(reason string) bool {
	switch reason {
	case reading.Frozen, reading.Jumped, reading.Disagrees, reading.NoResidual, reading.Fault, reading.Maintenance, reading.WarmingUp:
		return true
	}
	return false
}

// pointsThat picks those of an instrument's points whose quality fits.
func (it *instrument) pointsThat(p *Plant, fits func(reading.Quality) bool) []int {
	var out []int
	for _, i := range it.points {
		if fits(p.points[i].current.Quality) {
			out = append(out, i)
		}
	}
	return out
}

// lastWell tells when any of some points was last read well. The words stay the
// same while none is.
func (p *Plant) lastWell(points ...int) string {
	var last time.Time
	for _, i := range points {
		if at := p.points[i].goodAt; at.After(last) {
			last = at
		}
	}
	if last.IsZero() {
		return "not read well since ebbwatch started"
	}
	return "last read well on " + last.In(p.zone).Format("2 January at 15:04:05 MST")
}

func plural(n int, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}
