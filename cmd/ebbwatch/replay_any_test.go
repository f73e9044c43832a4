package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"path/filepath"
	"testing"
	"time"
	"unsafe"

	"ebbwatch/agent/core"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/recording"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// setAhead is a time as after its wall clock was set ahead by whole seconds. The package
// time has no call that moves one of the two clocks.
func setAhead(t testing.TB, at time.Time, ahead time.Duration) time.Time {
	t.Helper()
	now := at
	inside := (*struct {
		wall uint64 // 1 bit for having a monotonic clock, 33 for seconds, 30 for nanoseconds
		ext  int64
		loc  *time.Location
	})(unsafe.Pointer(&now))
	inside.wall += uint64(int64(ahead/time.Second)) << 30
	if now.Sub(at) != 0 || now.Round(0).Sub(at.Round(0)) != ahead {
		t.Fatalf("%s set ahead by %s is %s: the inside of time.Time is no longer what this test knows", at, ahead, now)
	}
	return now
}

func theSite(t testing.TB, name string) *config.Site {
	t.Helper()
	site, err := replaySite(filepath.Join("..", "..", "testdata", "sites", name))
	if err != nil {
		t.Fatal(err)
	}
	return site
}

// plantLife is readings and orders as nobody would have them: late, bad, absurd, of
// texts and of points that are not there, of every verb, with standstills.
type plantLife struct {
	*rand.Rand
	site   *config.Site
	alarms []alarms.Setting
}

func (l plantLife) readings(now time.Time) (rs []reading.Reading) {
	for _, in := range l.site.Instruments {
		if l.IntN(3) > 0 {
			continue
		}
		for _, p := range in.Points {
			r := reading.Reading{Point: p.Name, Quality: reading.GoodQuality(), Time: now.Add(-time.Duration(l.IntN(3000)) * time.Millisecond)}
			v := 5 * l.Float64()
			if p.Range != nil {
				v = p.Range[0] + (p.Range[1]-p.Range[0])*l.Float64()
			}
			if p.Unit.IsZero() {
				r.Text = []string{"OK", "FAULT", `a "quoted", text`, ""}[l.IntN(4)]
				r.Value = float64(l.IntN(2))
			} else {
				r.Value = p.Unit.SI(float64(float32(v)))
			}
			switch l.IntN(60) {
			case 0:
				r.Quality = reading.BadBecause(reading.NoReply)
			case 1:
				r.Value = math.NaN()
			case 2:
				r.Value = math.Inf(-1)
			case 3:
				r.Quality = reading.UncertainBecause(reading.OverRange)
			case 4:
				r.Time = time.Time{}
			case 5:
				r.Time = r.Time.Add(-time.Hour)
			}
			rs = append(rs, r)
		}
	}
	return rs
}

func (l plantLife) order(n int, now time.Time) alarms.Order {
	verbs := []alarms.Verb{alarms.Acknowledge, alarms.ResetLatch, alarms.Shelve, alarms.Unshelve, alarms.TakeOut, alarms.BringBack,
		alarms.Test, alarms.Note, alarms.GrabSample, alarms.Serviced, alarms.Containers, alarms.Correct, alarms.Refresh, "dance"}
	o := alarms.Order{
		Verb: verbs[l.IntN(len(verbs))], ID: fmt.Sprint("order-", n-l.IntN(2)), By: "operator", Role: []string{"", "operator", "supervisor"}[l.IntN(3)],
		Alarm: l.alarms[l.IntN(len(l.alarms))].Name, Episode: uint64(l.IntN(3)), For: time.Duration(l.IntN(100)) * time.Minute,
		OneShot: l.IntN(4) == 0, Reason: "\"because\", he said,\r\nand left <it> & ✓", IssuedAt: now.Add(-time.Second),
	}
	if o.Verb == alarms.GrabSample {
		o.Alarm, o.Grab = "", alarms.Grab{Point: l.site.Residuals[0].Point, Residual: 3 * l.Float64(), Taken: now.Add(-time.Duration(l.IntN(60)) * time.Minute)}
		if l.IntN(3) == 0 {
			o.Grab.Point = "distribution"
		}
	}
	if o.Verb == alarms.Serviced || o.Verb == alarms.Test && l.IntN(2) == 0 {
		o.Alarm, o.Detector = "", l.site.Detectors[l.IntN(len(l.site.Detectors))].Name
		o.Service = alarms.Service{Work: []string{"calibration", "bump-test"}[l.IntN(2)], Done: now.Add(-time.Hour)}
	}
	if bank := l.site.Banks[l.IntN(len(l.site.Banks))]; o.Verb == alarms.Containers {
		o.Alarm = ""
		o.Container = alarms.ContainerOrder{
			Action: []string{"on", "off", "correct", "received", "stock"}[l.IntN(5)], Bank: bank.Name, Serial: fmt.Sprint("K-", l.IntN(9)), Tare: "1480 lb", Count: 1 + l.IntN(3),
		}
		if l.IntN(2) == 0 {
			o.Container.Container = bank.Containers[l.IntN(len(bank.Containers))].Name
		}
	}
	if l.IntN(10) == 0 {
		o.Refused = "it came too late"
	}
	return o
}

// Whatever the plant sends and people order, over restarts, files that are full or a
// day old and a wall clock that is set: the replay gives it all back. After the clock
// was set the replay goes by the one before, so then only delays are compared.
func TestReplayGivesBackAnything(t *testing.T) {
	for _, tc := range []struct {
		reason string
		site   string
		bytes  int64 // of the recording
		tick   time.Duration
		clock  time.Duration // set ahead in the middle
	}{
		{"every key of a site file", "every-key.yaml", 1 << 30, time.Second, 0},
		{"files that are full", "kestrel-ridge.yaml", 400_000, time.Second, 0},
		{"files that are a day old", "kestrel-ridge.yaml", 1 << 30, 10 * time.Minute, 0},
		{"the clock set an hour ahead", "kestrel-ridge.yaml", 1 << 30, time.Second, time.Hour},
		{"the clock set an hour back", "kestrel-ridge.yaml", 1 << 30, time.Second, -time.Hour},
	} {
		t.Run(tc.reason, func(t *testing.T) {
			site := theSite(t, tc.site)
			p := &replay{site: site}
			if err := p.prepare(); err != nil {
				t.Fatal(err)
			}
			r := rand.New(rand.NewPCG(9, 2))
			life := plantLife{r, site, append(selfAlarms(site, watching{}), p.runs[0].rules...)}
			folder, live := t.TempDir(), &lived{}
			now, ahead := time.Now(), time.Duration(0)
			wall := func() time.Time { return setAhead(t, now, ahead) }
			var checkpoint []byte
			files := 0
			for restart := range 3 {
				rec := recording.Start(recording.Options{Dir: folder, Site: site.Name, Points: recordedPoints(plantSettings(site)), MaxBytes: tc.bytes})
				c, err := newCore(site, plantSettings(site), p.runs[0].rules, watching{})
				if err != nil {
					t.Fatal(err)
				}
				rec.Head(wall(), checkpoint)
				ts, err := c.Restore(checkpoint, wall())
				if err != nil {
					t.Fatal(err)
				}
				live.events(ts)
				own := make([]alarms.Sample, len(selfAlarms(site, watching{})))
				for n := range 300 {
					now = now.Add(tc.tick/2 + time.Duration(r.Int64N(int64(tc.tick))))
					if r.IntN(200) == 0 {
						now = now.Add(15 * time.Minute)
					}
					if n == 150 && restart == 1 {
						ahead += tc.clock
					}
					if rec.Due(wall()) {
						rec.Head(wall(), c.Checkpoint())
						files++
					}
					if r.IntN(10) == 0 {
						o := life.order(n, wall())
						rec.Order(wall(), o)
						ts, _ := c.Order(wall(), o)
						live.events(ts)
						continue
					}
					for i := range own {
						own[i] = core.Failing(nil)
						if r.IntN(100) == 0 {
							own[i] = core.Failing(fmt.Errorf("%d: no, \"never\"", n))
						}
					}
					rs := life.readings(wall())
					rec.Step(wall(), rs, own)
					figures, ts := c.Step(wall(), rs, own)
					live.step(wall(), figures)
					live.events(ts)
				}
				live.conditions, checkpoint = c.Evaluator.Conditions(), c.Checkpoint()
				rec.Close()
				if s := rec.Stats(); s.Dropped > 0 || s.Err != nil {
					t.Fatalf("the recording lacks %d entries: %v", s.Dropped, s.Err)
				}
				now = now.Add(time.Minute)
			}
			again, p := replayed(t, site, folder)
			if r := p.runs[0]; r.missed != 0 || r.runs != 3 {
				t.Errorf("missed %d, runs %d", r.missed, r.runs)
			}
			if tc.bytes == 400_000 && files == 0 || tc.tick > time.Minute && files < 3 {
				t.Errorf("only %d files were begun on the way", files)
			}
			if tc.clock != 0 {
				live.sameButForDays(t, again)
				return
			}
			live.same(t, again)
			if len(live.transitions) < 100 {
				t.Errorf("only %d transitions: the test shows little", len(live.transitions))
			}
		})
	}
}

// sameButForDays compares the alarms that a delay raised and cleared, and the time on
// the clock then.
func (l *lived) sameButForDays(t *testing.T, again *lived) {
	t.Helper()
	delayed := func(l *lived) (out []string) {
		for _, tr := range l.transitions {
			if tr.Cause == alarms.Raised || tr.Cause == alarms.Cleared {
				out = append(out, fmt.Sprintf("%s %s %s", tr.Time.UTC().Format(time.RFC3339Nano), tr.After.Alarm, tr.Cause))
			}
		}
		return out
	}
	a, b := delayed(l), delayed(again)
	if len(a) != len(b) || len(a) < 20 {
		t.Fatalf("%d alarms came and went, %d replayed", len(a), len(b))
	}
	for i := range a {
		if a[i] != b[i] {
			t.Fatalf("%s, replayed %s", a[i], b[i])
		}
	}
}
