package reading

import (
	"math"
	"strings"
	"testing"
)

func TestTheZeroQualityIsBad(t *testing.T) {
	var q Quality
	if q.Usable() || q.String() != "bad" {
		t.Errorf("a quality nobody set is %q, usable %v", q, q.Usable())
	}
}

func TestQualityText(t *testing.T) {
	for _, q := range []Quality{GoodQuality(), UncertainBecause(OverRange), BadBecause(NoReply), BadBecause("exception-2"), {}} {
		back, err := ParseQuality(q.String())
		if err != nil || back != q {
			t.Errorf("%q came back as %q, %v", q, back, err)
		}
	}
	for _, s := range []string{"", "fine", "good:really", "bad:", "uncertain:", "GOOD"} {
		if _, err := ParseQuality(s); err == nil {
			t.Errorf("%q was accepted", s)
		}
	}
}

func TestOnlyAFiniteNumberIsUsable(t *testing.T) {
	g, u, b, none := GoodQuality(), UncertainBecause(OverRange), BadBecause(NoReply), BadBecause(NotANumber)
	for _, tc := range []struct {
		value    float64
		in, want Quality
	}{
		{1, g, g}, {1, u, u}, {math.NaN(), g, none}, {math.Inf(1), u, none}, {math.Inf(-1), g, none}, {math.NaN(), b, b},
	} {
		if got := (Reading{Value: tc.value, Quality: tc.in}).Checked().Quality; got != tc.want {
			t.Errorf("%g %s is %s, expected %s", tc.value, tc.in, got, tc.want)
		}
	}
}

func TestWorst(t *testing.T) {
	g, u, b := GoodQuality(), UncertainBecause(OverRange), BadBecause(NoReply)
	for _, tc := range []struct {
		want Quality
		in   []Quality
	}{
		{g, nil}, {g, []Quality{g, g}}, {u, []Quality{g, u}}, {b, []Quality{u, b, BadBecause(Stale)}},
	} {
		if got := Worst(tc.in...); got != tc.want {
			t.Errorf("the worst of %v is %v, expected %v", tc.in, got, tc.want)
		}
	}
}

func TestEveryReasonIsExplained(t *testing.T) {
	for _, r := range []string{NotYetRead, NoReply, NotConnected, WrongReply, NotANumber, InvalidCode, WordOrder, NoReading, SensorFailure, OutOfRange, OverRange, UnderRange, Stale, Missing, NoFlow, Learning, NotDrawn, OutsideTable, Inconsistent, LineLost, Frozen, Jumped, Fault, Maintenance, WarmingUp, NoStatus, Disagrees, NoResidual, "exception-11"} {
		if text := Explain(r); strings.Contains(text, "("+r+")") || text == "" {
			t.Errorf("%s has no words of its own: %q", r, text)
		}
	}
}

func FuzzParseQuality(f *testing.F) {
	f.Add("good")
	f.Add("bad:no-reply")
	f.Add("uncertain:")
	f.Fuzz(func(t *testing.T, s string) {
		if q, err := ParseQuality(s); err == nil && q.String() != s {
			t.Errorf("%q is read as %q", s, q)
		}
	})
}
