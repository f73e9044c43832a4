package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/reading"
)

var errStopped = errors.New("stopped before all was read")

// again calls once at each tick until the limit, the end of ctx, which is how a
// person stops it, or an error.
func again(ctx context.Context, every, limit time.Duration, once func(context.Context) error) error {
	tick := time.NewTicker(every)
	defer tick.Stop()
	var end <-chan time.Time
	if limit > 0 {
		end = time.After(limit)
	}
	for {
		if err := once(ctx); err != nil {
			if ctx.Err() != nil {
				return nil
			}
			return err
		}
		select {
		case <-ctx.Done():
			return nil
		case <-end:
			return nil
		case <-tick.C:
		}
	}
}

// tally is what became of a request in all passes.
type tally struct {
	reads, errors, notGood, changes int
	why                             map[string]int // qualities that are not good
	quickest, slowest, sum          time.Duration
	last                            []byte
	values                          span
}

// add reports which of the bytes are others than before; nil when none.
func (t *tally) add(s field.Sample) (before []byte) {
	t.reads++
	if t.reads == 1 || s.Took < t.quickest {
		t.quickest = s.Took
	}
	t.slowest = max(t.slowest, s.Took)
	t.sum += s.Took
	if s.Err != nil {
		t.errors++
	}
	if s.Quality.Level != reading.Good {
		t.notGood++
		if t.why == nil {
			t.why = map[string]int{}
		}
		t.why[s.Quality.String()]++
	}
	if s.Data == nil {
		return nil
	}
	if t.last != nil && !bytes.Equal(t.last, s.Data) {
		t.changes++
		before = t.last
	}
	t.last = s.Data
	return before
}

func (t *tally) mean() time.Duration { return t.sum / time.Duration(max(1, t.reads)) }

// reasons names the qualities that were not good, with their number.
func (t *tally) reasons() string {
	var all []string
	for _, q := range slices.Sorted(maps.Keys(t.why)) {
		all = append(all, fmt.Sprintf("%s %d", q, t.why[q]))
	}
	return strings.Join(all, ", ")
}

// timingJSON is the count and timing of a request in all passes.
type timingJSON struct {
	Reads    int            `json:"reads"`
	Errors   int            `json:"errors"`
	NotGood  int            `json:"not_good"`
	Why      map[string]int `json:"why,omitempty"`
	Changes  int            `json:"changes"`
	Quickest float64        `json:"quickest_ms"`
	Mean     float64        `json:"mean_ms"`
	Slowest  float64        `json:"slowest_ms"`
}

func (t *tally) json() timingJSON {
	return timingJSON{t.reads, t.errors, t.notGood, t.why, t.changes, milliseconds(t.quickest), milliseconds(t.mean()), milliseconds(t.slowest)}
}

// span is the least and the highest of some values.
type span struct {
	n              int
	least, highest float64
}

func (s *span) add(v float64) {
	if s.n == 0 {
		s.least, s.highest = v, v
	}
	s.least, s.highest, s.n = min(s.least, v), max(s.highest, v), s.n+1
}
