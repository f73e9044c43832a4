package field

import (
	"encoding/binary"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
)

// qualities is the readings of a batch in short.
func qualities(b Batch) string {
	var s []string
	for _, r := range b.Readings {
		s = append(s, r.Quality.String())
	}
	return strings.Join(s, " ")
}

// refusing is a device that gives an exception for any read that touches one of
// the addresses.
func refusing(f *fake, code byte, addresses ...uint16) func(int, []byte) []act {
	return func(n int, q []byte) []act {
		pdu := f.pdu(q)
		from, quantity := binary.BigEndian.Uint16(pdu[1:]), binary.BigEndian.Uint16(pdu[3:])
		for _, a := range addresses {
			if a >= from && a < from+quantity {
				return []act{{bytes: f.frame(q, pdu[0]|0x80, code)}}
			}
		}
		return []act{{bytes: f.honest(q)}}
	}
}

func TestMergedReadThatIsRefused(t *testing.T) {
	for _, c := range []struct {
		reason   string
		code     byte
		holes    []uint16
		points   []uint16
		want     string
		requests []int // in the first polls
	}{
		{"a hole between two points: apart once it was found twice", 2, []uint16{5}, []uint16{4, 6}, "good good", []int{3, 3, 2}},
		{"another code for the same", 3, []uint16{5}, []uint16{4, 6}, "good good", []int{3, 3, 2}},
		{"one point that does not exist", 2, []uint16{6}, []uint16{4, 5, 6}, "good good bad:exception-2", []int{5, 5, 2}},
		{"one in the middle that does not exist", 2, []uint16{5}, []uint16{4, 5, 6, 7}, "good bad:exception-2 good good", []int{5, 5, 3}},
		{"a point and a hole, found one after the other", 2, []uint16{2, 5}, []uint16{0, 2, 3, 8, 9, 10}, "good bad:exception-2 good good good good", []int{7, 7, 7, 7, 4}},
		{"none exists: merging was not the reason", 2, []uint16{4, 6}, []uint16{4, 6}, "bad:exception-2 bad:exception-2", []int{3, 1, 1}},
		{"a table that does not exist cannot be helped", 1, []uint16{4, 6}, []uint16{4, 6}, "bad:exception-1 bad:exception-1", []int{1, 1, 1}},
		{"a busy device is not asked more", 6, []uint16{4, 6}, []uint16{4, 6}, "bad:exception-6 bad:exception-6", []int{1, 1, 1}},
		{"a second block is read though the first is refused", 2, []uint16{4}, []uint16{4, 200}, "bad:exception-2 good", []int{2, 2, 2}},
		{"a gateway that gets no answer ends the poll", 11, []uint16{4}, []uint16{4, 200}, "bad:exception-11 bad:exception-11", []int{1, 1, 0}},
	} {
		t.Run(c.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := &fake{}
				f.script = refusing(f, c.code, c.holes...)
				l := f.line(instrument("north", 11, time.Second, c.points...))
				_, batches := f.start(t, l, Options{})
				before := 0
				for i, want := range c.requests {
					b := <-batches
					rightOrBad(t, l, b)
					if got := qualities(b); got != c.want {
						t.Errorf("poll %d: %s, expected %s", i+1, got, c.want)
					}
					now := len(f.asked(11))
					if now-before != want {
						t.Errorf("poll %d took %d requests, expected %d", i+1, now-before, want)
					}
					before = now
				}
			})
		})
	}
}

// TestRefusalPasses: one refusal teaches nothing, and what two taught is
// forgotten after a day.
func TestRefusalPasses(t *testing.T) {
	for _, c := range []struct {
		reason   string
		refused  []int // requests
		requests func(poll int) int
	}{
		{"once", []int{1}, func(poll int) int { return map[bool]int{true: 3, false: 1}[poll == 0] }},
		{"twice with a good one between", []int{1, 5}, func(poll int) int { return []int{3, 1, 3, 1}[min(poll, 3)] }},
		{"twice in a row", []int{1, 4}, func(poll int) int {
			switch {
			case poll < 2:
				return 3
			case poll < 26: // until a day after the second
				return 2
			default:
				return 1
			}
		}},
	} {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{}
			f.script = func(n int, q []byte) []act {
				if slices.Contains(c.refused, n) {
					return []act{{bytes: f.frame(q, 0x83, 4)}}
				}
				return []act{{bytes: f.honest(q)}}
			}
			_, batches := f.start(t, f.line(instrument("north", 11, time.Hour, 4, 6)), Options{})
			for poll, before := 0, 0; poll < 30; poll++ {
				if got := qualities(<-batches); got != "good good" {
					t.Errorf("%s, poll %d: %s", c.reason, poll+1, got)
				}
				now := len(f.asked(11))
				if now-before != c.requests(poll) {
					t.Errorf("%s: poll %d took %d requests, expected %d", c.reason, poll+1, now-before, c.requests(poll))
				}
				before = now
			}
		})
	}
}

// TestWhatWasReadIsKept: when a later request fails, the values of the earlier
// ones are still true.
func TestWhatWasReadIsKept(t *testing.T) {
	both(t, func(t *testing.T, f *fake) {
		f.script = func(n int, q []byte) []act {
			if n == 2 {
				return nil
			}
			return []act{{bytes: f.honest(q)}}
		}
		l := f.line(instrument("north", 11, time.Second, 0, 200, 201))
		_, batches := f.start(t, l, Options{})
		if got := qualities(<-batches); got != "good bad:no-reply bad:no-reply" {
			t.Error(got)
		}
		if got := qualities(<-batches); got != "good good good" {
			t.Error(got)
		}
	})
}

func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		f.script = func(n int, q []byte) []act {
			return []act{{after: 20 * time.Millisecond, bytes: f.honest(q)}}
		}
		l := f.line(instrument("fast", 1, 200*time.Millisecond, 0), instrument("slow", 2, time.Second, 0), instrument("slowest", 3, 10*time.Second, 0))
		field, batches := f.start(t, l, Options{})
		begin := time.Now()
		last, count := map[string]time.Time{}, map[string]int{}
		for time.Since(begin) < time.Minute {
			b := <-batches
			if b.Err != nil || b.Took != 20*time.Millisecond {
				t.Errorf("%+v", b)
			}
			now := b.Readings[0].Time
			if before, ok := last["slow"]; ok && b.Instrument == "slow" && now.Sub(before) > time.Second+40*time.Millisecond {
				t.Errorf("it was read after %v", now.Sub(before))
			}
			last[b.Instrument] = now
			count[b.Instrument]++
			if count[b.Instrument] == 1 && now.Sub(begin) > 1100*time.Millisecond {
				t.Errorf("%s was first read after %v", b.Instrument, now.Sub(begin))
			}
		}
		if count["fast"] < 299 || count["slow"] < 59 || count["slowest"] < 6 {
			t.Errorf("polls in a minute: %v", count)
		}
		if s := field.Stats()[0]; s.Overruns != 0 || s.Cycle != 60*time.Millisecond || s.Line != "line-b" {
			t.Errorf("%+v", s)
		}
	})
}

func TestOverrun(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		f.script = func(n int, q []byte) []act {
			return []act{{after: 250 * time.Millisecond, bytes: f.honest(q)}}
		}
		l := f.line(instrument("fast", 1, 100*time.Millisecond, 0), instrument("slow", 2, time.Second, 0))
		field, batches := f.start(t, l, Options{})
		count := map[string]int{}
		for begin := time.Now(); time.Since(begin) < time.Minute; {
			count[(<-batches).Instrument]++
		}
		// 240 transactions fit into a minute. The slow one gets its share.
		if count["slow"] < 55 || count["fast"]+count["slow"] < 200 {
			t.Errorf("polls in a minute: %v", count)
		}
		if n := field.Stats()[0].Overruns; n < 350 {
			t.Errorf("%d polls left out", n)
		}
	})
}

// TestUrgentFirst: on a line that is behind, detectors keep their pace and the
// others still have their turn.
func TestUrgentFirst(t *testing.T) {
	gas := instrument("gas", 9, time.Second, 0)
	gas.Points[0].KeepOverRange = true
	urgent := instrument("urgent", 9, time.Second, 0)
	urgent.Urgent = true
	for _, last := range []Instrument{gas, urgent} {
		synctest.Test(t, func(t *testing.T) {
			f := &fake{}
			f.script = func(n int, q []byte) []act {
				return []act{{after: 240 * time.Millisecond, bytes: f.honest(q)}}
			}
			var all []Instrument
			for u := range byte(8) {
				all = append(all, instrument(fmt.Sprint("scales-", u), 1+u, time.Second, 0))
			}
			l := f.line(append(all, last)...)
			_, batches := f.start(t, l, Options{})
			count, longest := map[string]int{}, time.Duration(0)
			before, begin := time.Now(), time.Now()
			for time.Since(begin) < 10*time.Minute {
				b := <-batches
				count[b.Instrument]++
				if now := b.Readings[0].Time; b.Instrument == last.Name {
					longest, before = max(longest, now.Sub(before)), now
				}
			}
			// 2,500 requests fit, 5,400 fall due.
			if n := count[last.Name]; n < 590 || longest > 1500*time.Millisecond {
				t.Errorf("%s: %d polls in 600 s, the longest wait was %v", last.Name, n, longest)
			}
			for _, in := range all {
				if n := count[in.Name]; n < 200 {
					t.Errorf("%s: %d polls in 600 s", in.Name, n)
				}
			}
		})
	}
}

func TestNext(t *testing.T) {
	now := time.Date(2001, 2, 3, 4, 5, 6, 0, time.UTC)
	in := func(name string, urgent bool, due time.Duration, round uint64) *unit {
		return &unit{Instrument: Instrument{Name: name, Urgent: urgent}, due: now.Add(due), round: round}
	}
	for _, c := range []struct {
		reason string
		units  []*unit
		want   string
	}{
		{"the one that is due first", []*unit{in("a", false, -1, 7), in("b", false, -2, 7)}, "b"},
		{"an urgent one before it", []*unit{in("a", true, -1, 7), in("b", false, -2, 7)}, "a"},
		{"of two urgent ones the one that is due first", []*unit{in("a", true, -1, 7), in("b", true, -2, 7)}, "b"},
		{"not while it is not due", []*unit{in("a", true, 1, 7), in("b", false, -2, 7)}, "b"},
		{"whoever comes first when none is due", []*unit{in("a", true, 2, 7), in("b", false, 1, 7)}, "b"},
		{"an urgent one that went in this round has no preference", []*unit{in("a", true, -1, 8), in("b", false, -2, 7)}, "b"},
		{"but its turn", []*unit{in("a", true, -2, 8), in("b", false, -1, 7)}, "a"},
		{"behind one that did not", []*unit{in("a", true, -2, 8), in("b", true, -1, 7)}, "b"},
	} {
		if got := next(c.units, now, 8); got.Name != c.want {
			t.Errorf("%s: %s, expected %s", c.reason, got.Name, c.want)
		}
	}
}

// TestSpread: instruments of one period are read at even distances, not one
// right after the other.
func TestSpread(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		var all []Instrument
		for u := range byte(5) {
			all = append(all, instrument(fmt.Sprint("scales-", u), 1+u, 10*time.Second, 0))
		}
		begin := time.Now()
		_, batches := f.start(t, f.line(all...), Options{})
		last := map[string]time.Time{}
		for i := range 100 {
			b := <-batches
			now := b.Readings[0].Time
			if at := now.Sub(begin); i < 5 && at > time.Second {
				t.Errorf("%s is first read after %v", b.Instrument, at)
			} else if i >= 10 && at%(2*time.Second) != 0 {
				t.Errorf("%s is read at %v", b.Instrument, at)
			}
			if before, ok := last[b.Instrument]; ok && now.Sub(before) > 10*time.Second {
				t.Errorf("%s is read after %v", b.Instrument, now.Sub(before))
			}
			last[b.Instrument] = now
		}
	})
}

// TestStampedByNow: readings carry the clock of the options.
func TestStampedByNow(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		f := &fake{}
		at := time.Date(2001, 2, 3, 4, 5, 6, 0, time.UTC)
		_, batches := f.start(t, f.line(instrument("north", 11, time.Second, 0)), Options{Now: func() time.Time { return at }})
		if got := (<-batches).Readings[0].Time; !got.Equal(at) {
			t.Error(got)
		}
	})
}

// TestSentences: whoever reads an error must know what was found and what to do.
func TestSentences(t *testing.T) {
	wet := func(l *Line) {
		p := &l.Instruments[0].Points[0]
		p.Unit, p.Range = units.MustParse("lb"), &[2]float64{-20, 6000}
	}
	for _, c := range []struct {
		reason string
		rtu    bool
		change func(*Line)
		script func(f *fake, q []byte) []act
		refuse error
		want   string
	}{
		{
			"no answer on a wire", true, nil, func(*fake, []byte) []act { return nil }, nil,
			"line-b: instrument north-scales (unit 11) did not answer within 500 ms: check power, wiring, unit number, baud rate and parity",
		},
		{
			"no answer on a network", false, nil, func(*fake, []byte) []act { return nil }, nil,
			"line-b: instrument north-scales (unit 11) did not answer within 500 ms: check power, network and unit number",
		},
		{
			"no device", true, nil, nil, fmt.Errorf("no such file or directory"),
			"line-b: cannot use /dev/ttyUSB0: no such file or directory: check that the adapter is plugged in and the user may read it (group dialout)",
		},
		{
			"no server", false, nil, nil, fmt.Errorf("connection refused"),
			"line-b: cannot reach 192.0.2.1:502: connection refused: check that the device is on, that address and port are right, and that it takes one more connection",
		},
		{
			"hung up", false, nil, func(*fake, []byte) []act { return []act{{close: true}} }, nil,
			"line-b: cannot reach 192.0.2.1:502: it closed without an answer: check that the device is on, that address and port are right, and that it takes one more connection",
		},
		{
			"wrong unit", true, nil, func(f *fake, q []byte) []act { return []act{{bytes: rtu(12, 3, 2, 0, 0)}} }, nil,
			"line-b: instrument north-scales (unit 11) sent a reply that does not fit the request for holding register 7: unit 12, expected 11: check that no other unit has its number and that nothing else talks on the line",
		},
		{
			"exception", false, nil, func(f *fake, q []byte) []act { return []act{{bytes: f.frame(q, 0x83, 2)}} }, nil,
			"line-b: instrument north-scales (unit 11) refuses to read holding register 7 with exception 2 (illegal data address): check address, table and type of the points",
		},
		{
			"out of range", false, wet, func(f *fake, q []byte) []act { return []act{{bytes: f.frame(q, 3, 2, 0xFF, 0xFF)}} }, nil,
			"line-b: instrument north-scales (unit 11): point north-scales-a sends a value outside its range (65535, range -20 to 6000 lb): check the sensor, then type, order and scale in the site file",
		},
	} {
		t.Run(c.reason, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				f := &fake{rtu: c.rtu, refuse: func() error { return c.refuse }}
				if c.script != nil {
					f.script = func(n int, q []byte) []act { return c.script(f, q) }
				}
				l := f.line(instrument("north-scales", 11, time.Second, 7))
				if c.change != nil {
					c.change(&l)
				}
				_, batches := f.start(t, l, Options{})
				if err := (<-batches).Err; err == nil || err.Error() != c.want {
					t.Errorf("\n%v\nexpected\n%s", err, c.want)
				}
			})
		})
	}
}

// TestErrorKinds: the kinds are a closed set that is there from the start.
func TestErrorKinds(t *testing.T) {
	f := &fake{}
	field, err := New([]Line{f.line(instrument("north", 11, time.Second, 0))}, Options{})
	if err != nil {
		t.Fatal(err)
	}
	want := []string{reading.Exception, reading.NoReply, reading.NotConnected, reading.WrongReply}
	if got := slices.Sorted(maps.Keys(field.Stats()[0].Errors)); !slices.Equal(got, want) {
		t.Errorf("%v, expected %v", got, want)
	}
}

func TestNewRefuses(t *testing.T) {
	base := func() []Line {
		f := &fake{rtu: true}
		return []Line{f.line(instrument("north", 11, time.Second, 7))}
	}
	if _, err := New(base(), Options{}); err != nil {
		t.Fatal(err)
	}
	point := func(change func(*Point)) func([]Line) []Line {
		return func(l []Line) []Line { change(&l[0].Instruments[0].Points[0]); return l }
	}
	line := func(change func(*Line)) func([]Line) []Line {
		return func(l []Line) []Line { change(&l[0]); return l }
	}
	for _, c := range []struct {
		change func([]Line) []Line
		want   string
	}{
		{line(func(l *Line) { l.Kind = "udp" }), `kind "udp", expected tcp, rtu, rtu-over-tcp, ascii or ascii-over-tcp`},
		{line(func(l *Line) { l.Timeout = 0 }), "timeout 0s, expected more than 0"},
		{line(func(l *Line) { l.Device = "" }), "no device"},
		{line(func(l *Line) { l.Baud = 9601 }), "9601 baud, expected one of"},
		{line(func(l *Line) { l.Parity = "mark" }), `parity "mark", expected none, even or odd`},
		{line(func(l *Line) { l.StopBits = 0 }), "0 stop bits, expected 1 or 2"},
		{line(func(l *Line) { l.DataBits = 7 }), "7 data bits, expected 8 on a line of kind rtu"},
		{line(func(l *Line) { l.Kind = ASCII }), "0 data bits, expected 7 or 8"},
		{line(func(l *Line) { l.Kind, l.Device = ASCII, "" }), "no device"},
		{line(func(l *Line) { l.Kind, l.Address = ASCIIOverTCP, "nowhere" }), `address "nowhere", expected host:port`},
		{line(func(l *Line) { l.RS485 = &RS485{BeforeSend: -time.Millisecond} }), "RTS is to be held for -1ms, expected 0 to 100 whole milliseconds"},
		{line(func(l *Line) { l.RS485 = &RS485{AfterSend: 1500 * time.Microsecond} }), "RTS is to be held for 1.5ms, expected 0 to 100 whole milliseconds"},
		{line(func(l *Line) { l.RS485 = &RS485{AfterSend: time.Second} }), "RTS is to be held for 1s, expected 0 to 100 whole milliseconds"},
		{line(func(l *Line) { l.Kind, l.DataBits, l.Baud, l.Timeout = ASCII, 7, 300, time.Second }), "holding register 7 take 1066 ms on the wire at 300 baud"},
		{line(func(l *Line) { l.Kind, l.Address, l.RS485 = RTUOverTCP, "192.0.2.1:502", &RS485{} }), "rs485 on a line of kind rtu-over-tcp, expected on rtu and ascii alone"},
		{line(func(l *Line) { l.Kind, l.Address = TCP, "192.0.2.1" }), `address "192.0.2.1", expected host:port`},
		{line(func(l *Line) { l.Instruments[0].Unit = 0 }), "unit 0, expected 1 to 247"},
		{line(func(l *Line) { l.Instruments[0].Every = 0 }), "every 0s, expected more than 0"},
		{line(func(l *Line) { l.Instruments[0].Points = nil }), "no points"},
		{point(func(p *Point) { p.Every = -1 }), "every -1ns, expected more than 0"},
		{line(func(l *Line) {
			in := &l.Instruments[0]
			for i := range 6 {
				p := in.Points[0]
				p.Every = time.Duration(1+i) * time.Second
				in.Points = append(in.Points, p)
			}
		}), "its points have 6 different periods, expected at most 5"},
		{line(func(l *Line) { l.Instruments = append(l.Instruments, l.Instruments[0]) }), "another instrument on the line has unit 11"},
		{line(func(l *Line) { l.Instruments[0].Unreadable = []Span{{"register", 1, 2}} }), "unreadable register 1 to 2, expected a table"},
		{line(func(l *Line) { l.Instruments[0].Unreadable = []Span{{HoldingRegister, 2, 1}} }), "unreadable holding-register 2 to 1, expected a table"},
		{line(func(l *Line) { l.Instruments[0].Unreadable = []Span{{HoldingRegister, 7, 9}} }), "point north-a lies in holding-register 7 to 9, which is marked unreadable"},
		{line(func(l *Line) { l.Baud, l.Timeout = 1200, 100*time.Millisecond }), "holding register 7 take 137 ms on the wire at 1200 baud, longer than the timeout of 100 ms: lengthen timeout"},
		{func(l []Line) []Line { return append(l, l[0]) }, "there are two lines of this name"},
		{point(func(p *Point) { p.Table = "register" }), `table "register", expected one of`},
		{point(func(p *Point) { p.Type = "int24" }), `type "int24" does not go with a holding-register`},
		{point(func(p *Point) { p.Type = "bit" }), `type "bit" does not go with a holding-register`},
		{point(func(p *Point) { p.Table = Coil }), `type "uint16" does not go with a coil`},
		{point(func(p *Point) { p.Address, p.Type = 65535, "int32" }), "address 65535, expected at most 65534"},
		{point(func(p *Point) { p.Order = "ACBD" }), `order "ACBD", expected ABCD, CDAB, BADC or DCBA`},
		{point(func(p *Point) { p.Bit = new(16) }), "bit 16 of a uint16, expected 0 to 15 of one register"},
		{point(func(p *Point) { p.Bit = new(-1) }), "bit -1 of a uint16"},
		{point(func(p *Point) { p.Bit, p.Type = new(3), "int32" }), "bit 3 of a int32"},
		{point(func(p *Point) { p.Scale = 0 }), "scale 0 and offset 0"},
		{point(func(p *Point) { p.Unit = units.Unit{} }), "no unit"},
		{point(func(p *Point) { p.Range = &[2]float64{5, 5} }), "range 5 to 5"},
	} {
		_, err := New(c.change(base()), Options{})
		if err == nil || !strings.Contains(err.Error(), c.want) || !strings.HasPrefix(err.Error(), "line line-b: ") {
			t.Errorf("error %v, expected %s", err, c.want)
		}
	}
}
