package alarms

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

// The closed forms of delays and deadband for independent samples: raise after n
// in a row over the limit, clear after m in a row under limit − deadband.
// Source: renewal form of Xu, Wang, Izadi, Chen, IEEE T-ASE 9(2) 296-307, 2012,
// and Adnan, Izadi, Chen, J. Process Control 21(9) 1318-1331, 2011 (from memory;
// derived again for these vectors).

// run is the mean number of samples until k in a row, each with probability p.
func run(p float64, k int) float64 {
	return (1 - math.Pow(p, float64(k))) / ((1 - p) * math.Pow(p, float64(k)))
}

// above is the probability that a normal value of mean mu and spread 1 is over x.
func above(x, mu float64) float64 { return 0.5 * math.Erfc((x-mu)/math.Sqrt2) }

// batches is how many means make a standard error. Samples in alarm follow each
// other, so that a binomial error would be too small.
const batches = 50

// within fails when the mean of batch means is over four standard errors from
// what is expected.
func within(t *testing.T, what string, means [batches]float64, want float64) {
	t.Helper()
	var mean, square float64
	for _, m := range means {
		mean += m / batches
		square += m * m / batches
	}
	tolerance := 4 * math.Sqrt((square-mean*mean)/(batches-1))
	if tolerance == 0 || math.Abs(mean-want) > tolerance {
		t.Errorf("%s: %.5f, expected %.5f within %.5f", what, mean, want, tolerance)
	}
}

// TestFalseAlarmRates takes noise about a normal mean (0, false alarms) and an
// abnormal one (2, missed alarms) through high, low and deviation alarms: the
// share of time in alarm, and how often people are called.
func TestFalseAlarmRates(t *testing.T) {
	for _, tc := range []struct {
		mu       float64
		n, m     int
		deadband float64
		// inAlarm is the share as published, to pin the closed form itself.
		inAlarm float64
	}{
		{0, 1, 1, 0, 0.15865525}, {0, 2, 1, 0, 0.02517149}, {0, 3, 1, 0, 0.00399359},
		{0, 1, 3, 0, 0.40444488}, {0, 3, 3, 0, 0.01423416},
		{0, 1, 1, 1, 0.24087753}, {0, 2, 2, 0.5, 0.07137104}, {0, 3, 2, 1, 0.01983918},
		{2, 1, 1, 0, 1 - 0.15865525}, {2, 3, 1, 0, 1 - 0.40444488}, {2, 3, 3, 0, 1 - 0.01423416},
	} {
		raise, clear := run(above(1, tc.mu), tc.n), run(1-above(1-tc.deadband, tc.mu), tc.m)
		share, calls := clear/(raise+clear), 1/(raise+clear)
		if math.Abs(share-tc.inAlarm) > 1e-7 {
			t.Errorf("the closed form for %+v is %.8f", tc, share)
		}
		delays := func(s *Setting) {
			s.Limit, s.Deadband = 1, tc.deadband
			s.OnDelay, s.OffDelay = time.Duration(tc.n-1)*time.Second, time.Duration(tc.m-1)*time.Second
		}
		for kind, sample := range map[Kind]func(float64) (x, y Sample){
			HighLimit: func(v float64) (x, y Sample) { return good(v), good(0) },
			LowLimit:  func(v float64) (x, y Sample) { return good(2 - v), good(0) }, // its mirror about the limit
			Deviation: func(v float64) (x, y Sample) { return good(max(v, 0)), good(0) },
		} {
			if kind == Deviation && tc.deadband >= 1 {
				continue // a deviation is never under zero
			}
			a := high(func(s *Setting) {
				delays(s)
				if s.Kind = kind; kind == Deviation {
					s.Other = "y"
				}
			})
			e, err := New([]Setting{a}, []string{"x", "y"})
			if err != nil {
				t.Fatal(err)
			}
			r := rand.New(rand.NewPCG(7, uint64(tc.n*10+tc.m)))
			const size = 4000
			var in, told [batches]float64
			now, samples := t0, make([]Sample, 2)
			for b := range batches {
				for range size {
					now = now.Add(time.Second)
					samples[0], samples[1] = sample(tc.mu + r.NormFloat64())
					for _, tr := range e.Step(now, samples) {
						told[b] += bit(tr.Annunciate) / size
					}
					in[b] += bit(e.byName["a"].active) / size
				}
			}
			within(t, string(kind)+": share in alarm", in, share)
			within(t, string(kind)+": calls per sample", told, calls)
		}
	}
}

// TestDetectionDelay takes the mean delay after the first abnormal sample from a
// cleared counter: the mean run length less one.
func TestDetectionDelay(t *testing.T) {
	q := above(1, 2)
	if want := run(q, 3) - 1; math.Abs(want-3.280386) > 1e-6 {
		t.Fatalf("the closed form is %.6f, published 3.280386", want)
	}
	e := evaluator(t, high(func(s *Setting) { s.Limit, s.Deadband, s.OnDelay = 1, 0, 2*time.Second }))
	r := rand.New(rand.NewPCG(11, 3))
	var means [batches]float64
	now := t0
	for b := range batches {
		const size = 400
		for range size {
			for delay := 0; ; delay++ {
				now = now.Add(time.Second)
				if ts := e.Step(now, []Sample{good(2 + r.NormFloat64())}); len(ts) > 0 {
					means[b] += float64(delay) / size
					break
				}
			}
			now = now.Add(time.Second)
			e.Step(now, []Sample{good(-9)})
		}
	}
	within(t, "samples from the first abnormal one to the alarm", means, 3.280386)
}

// TestOnDelayByTheClock: at a scan of h an on-delay of T takes ceil(T/h)+1 samples.
func TestOnDelayByTheClock(t *testing.T) {
	for _, h := range []time.Duration{time.Second, 700 * time.Millisecond, 2 * time.Second, 3 * time.Second} {
		for _, delay := range []time.Duration{0, time.Second, 5 * time.Second, 6 * time.Second} {
			e := evaluator(t, high(func(s *Setting) { s.OnDelay = delay }))
			n, now := 0, t0
			for len(e.Step(now, []Sample{good(20)})) == 0 {
				n++
				now = now.Add(h)
			}
			if want := int(math.Ceil(delay.Seconds()/h.Seconds())) + 1; n+1 != want {
				t.Errorf("scan %s, on-delay %s: %d samples, expected %d", h, delay, n+1, want)
			}
		}
	}
}
