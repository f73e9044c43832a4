package recording

import (
	"encoding/json"
	"math"
	"strconv"
	"strings"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

const lineEnd = "\r\n"

// appendReading appends the row of a reading. Unit is that of its point.
func appendReading(b []byte, at time.Time, r *reading.Reading, unit units.Unit) []byte {
	b = append(appendTime(b, at), ',')
	b = append(append(b, r.Point...), ',')
	if r.Quality.Usable() || r.Value != 0 {
		v := r.Value
		if !unit.IsZero() && !math.IsNaN(v) && !math.IsInf(v, 0) {
			v = unit.Exactly(v)
		}
		b = strconv.AppendFloat(b, v, 'g', -1, 64)
	}
	b = append(appendText(append(b, ','), r.Quality.String()), ',')
	return append(appendText(b, r.Text), lineEnd...)
}

// appendStep appends the row that ends a step.
func appendStep(b []byte, at time.Time) []byte {
	return append(appendTime(b, at), ",,,,"+lineEnd...)
}

// appendEntry appends a row without a point, or nothing of what no JSON can hold.
func appendEntry(b []byte, at time.Time, e entry) []byte {
	text, err := json.Marshal(e)
	if err != nil {
		return b
	}
	b = append(appendTime(b, at), ",,,,"...)
	return append(appendText(b, string(text)), lineEnd...)
}

// appendTime writes a time to the nanosecond.
func appendTime(b []byte, t time.Time) []byte { return t.AppendFormat(b, time.RFC3339Nano) }

// appendText quotes a text where RFC 4180 asks for it (section 2, rules 6 and 7).
func appendText(b []byte, s string) []byte {
	if !strings.ContainsAny(s, ",\"\r\n") {
		return append(b, s...)
	}
	b = append(b, '"')
	b = append(b, strings.ReplaceAll(s, `"`, `""`)...)
	return append(b, '"')
}
