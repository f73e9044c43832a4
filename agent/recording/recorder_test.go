package recording

import (
	"fmt"
	"io"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"ebbwatch/agent/peertest"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

var points = Points{
	"flow": units.MustParse("MGD"), "residual": units.MustParse("mg/L"), "room": units.MustParse("degF"), "says": {},
}

// life is what a recording is made of.
type life struct {
	*rand.Rand
	at time.Time
}

func newLife() *life { return &life{rand.New(rand.NewPCG(4, 4)), time.Now()} }

func (l *life) readings() []reading.Reading {
	l.at = l.at.Add(time.Second)
	good := reading.GoodQuality()
	return []reading.Reading{
		{Point: "flow", Value: points["flow"].SI(l.Float64()), Quality: good, Time: l.at},
		{Point: "residual", Value: l.Float64(), Quality: reading.UncertainBecause(reading.Frozen), Time: l.at},
		{Point: "room", Value: points["room"].SI(l.Float64()), Quality: reading.BadBecause(reading.NoReply), Time: l.at},
		{Point: "says", Value: 1, Text: `READY, "set"`, Quality: good, Time: l.at},
	}
}

var well = []alarms.Sample{{Usable: true, Quality: "good"}, {Usable: true, Quality: "good"}}

// step records a step, as the agent does, and returns its time.
func (l *life) step(r *Recorder) time.Time {
	rs := l.readings()
	if r.Due(l.at) {
		r.Head(l.at, nil)
	}
	r.Step(l.at, rs, well)
	return l.at
}

// entries reads everything, and fails the test on what only a file from elsewhere
// may say.
func entries(t testing.TB, f *Files) (out []Entry) {
	t.Helper()
	defer f.Close()
	for {
		e, err := f.Next()
		if err == io.EOF {
			return out
		}
		if err != nil {
			t.Fatal(err)
		}
		kept := *e
		kept.Readings = slices.Clone(e.Readings)
		out = append(out, kept)
	}
}

func open(t testing.TB, path string) *Files {
	t.Helper()
	f, err := Open([]string{path}, points, nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func steps(es []Entry) (n int) {
	for _, e := range es {
		if e.Kind == Step {
			n++
		}
	}
	return n
}

// fileSize is what the files of a folder take.
func fileSize(dir string) (n int64) {
	paths, _ := recorded(dir)
	for _, p := range paths {
		if info, err := os.Stat(p); err == nil {
			n += info.Size()
		}
	}
	return n
}

// However long it records, the files never take more than they may, and the last
// of them are there. A plant that is faster than the disk costs gaps, not room.
func TestBoundedInBytes(t *testing.T) {
	const bound = 2 << 20
	for _, tc := range []struct {
		reason  string
		waiting int64 // bytes
	}{{"a disk that keeps up", 16 << 10}, {"a disk that lags behind", 2 * queueBytes}} {
		t.Run(tc.reason, func(t *testing.T) {
			dir, l := filepath.Join(t.TempDir(), "made", "by", "it"), newLife()
			r := Start(Options{Dir: dir, Site: "x", Points: points, MaxBytes: bound})
			r.Head(l.at, nil)
			for n := range 80_000 {
				l.step(r)
				for r.pending.Load() > tc.waiting {
					time.Sleep(100 * time.Microsecond)
				}
				if n%500 == 0 && fileSize(dir) > bound {
					t.Errorf("after %d steps the files take %d bytes", n, fileSize(dir))
					break
				}
			}
			r.Close()
			s, paths := r.Stats(), len(must(recorded(dir)))
			if s.Err != nil || fileSize(dir) > bound || paths == 0 {
				t.Fatalf("%+v, %d bytes in %d files", s, fileSize(dir), paths)
			}
			es := entries(t, open(t, dir))
			if tc.waiting > queueBytes {
				if s.Dropped == 0 {
					t.Error("nothing was left out: the test shows little")
				}
				return
			}
			if s.Dropped > 0 || fileSize(dir) < bound/2 || paths < shares/2 {
				t.Errorf("%+v, %d bytes in %d files", s, fileSize(dir), paths)
			}
			if last := es[len(es)-1]; last.Kind != Step || last.Time.Sub(r.steady(l.at)) != 0 || steps(es) < 10_000 {
				t.Errorf("%d steps, the last at %s", steps(es), last.Time)
			}
			if es[0].Kind != Begin || es[0].Head.Entry == 0 || !es[0].Head.Boot.Equal(r.boot) {
				t.Errorf("the oldest file that is left begins with %+v", es[0].Head)
			}
		})
	}
}

func must[T any](v T, err error) T {
	if err != nil {
		panic(err)
	}
	return v
}

func TestBoundedInAge(t *testing.T) {
	dir, l := t.TempDir(), newLife()
	old := filepath.Join(dir, "readings-20200101T000000.000Z.csv.gz")
	other := filepath.Join(dir, "notes.txt")
	for _, path := range []string{old, other} {
		if err := os.WriteFile(path, nil, 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, time.Now(), time.Now().Add(-48*time.Hour)); err != nil {
			t.Fatal(err)
		}
	}
	r := Start(Options{Dir: dir, Points: points, MaxBytes: 1 << 24, MaxAge: 36 * time.Hour})
	r.Head(l.at, nil)
	l.step(r)
	r.Close()
	if _, err := os.Stat(old); !os.IsNotExist(err) {
		t.Errorf("an old file is still there: %v", err)
	}
	if _, err := os.Stat(other); err != nil {
		t.Errorf("a file of another name is gone: %v", err)
	}
}

// A file lasts a day of the plant's time.
func TestAFileADay(t *testing.T) {
	dir, l := t.TempDir(), newLife()
	r := Start(Options{Dir: dir, Points: points, MaxBytes: 1 << 24})
	r.Head(l.at, nil)
	for range 100 {
		l.at = l.at.Add(time.Hour)
		l.step(r)
	}
	r.Close()
	es := entries(t, open(t, dir))
	if paths, _ := recorded(dir); len(paths) != 5 || steps(es) != 100 {
		t.Errorf("100 hours: %d files, %d steps", len(paths), steps(es))
	}
}

// A full disk costs a gap, told by the head that follows it, and holds nobody.
func TestFullDisk(t *testing.T) {
	d := peertest.NewDisk(t, 1024)
	l, dir := newLife(), filepath.Join(d.Dir, "recording")
	r := Start(Options{Dir: dir, Points: points, MaxBytes: 1 << 24, flushEvery: time.Millisecond, retryEvery: time.Millisecond})
	r.Head(l.at, nil)
	until := func(what string, holds func() bool) {
		t.Helper()
		for limit := time.Now().Add(20 * time.Second); !holds(); {
			l.step(r)
			time.Sleep(100 * time.Microsecond)
			if time.Now().After(limit) {
				t.Fatalf("waited in vain until %s: %+v", what, r.Stats())
			}
		}
	}
	until("something is written", func() bool { return fileSize(dir) > 100 })
	d.Fill()
	until("the full disk is told of", func() bool { return r.Stats().Err != nil && r.Stats().Dropped > 10 })
	d.Empty()
	until("it writes again", func() bool { return r.Stats().Err == nil })
	for range 10 {
		l.step(r)
	}
	r.Close()
	es := entries(t, open(t, dir))
	gap := uint64(0)
	seen := uint64(0)
	for _, e := range es {
		if e.Kind == Begin {
			gap += e.Head.Entry - seen
			seen = e.Head.Entry
			continue
		}
		seen++
	}
	if gap == 0 || es[len(es)-1].Time.Sub(r.steady(l.at)) != 0 {
		t.Errorf("a gap of %d entries, the last at %s, expected %s", gap, es[len(es)-1].Time, r.steady(l.at))
	}
}

// A disk that no longer answers holds neither the steps nor the end of the daemon,
// and memory stays bounded.
func TestFrozenDisk(t *testing.T) {
	d := peertest.NewFreezer(t)
	l := newLife()
	r := Start(Options{Dir: filepath.Join(d.Dir, "recording"), Points: points, MaxBytes: 1 << 24, flushEvery: time.Millisecond, patience: 10 * time.Millisecond})
	r.Head(l.at, nil)
	thaw := d.Freeze()
	for r.Stats().Dropped < 1000 {
		l.step(r)
	}
	if n := r.pending.Load(); n > queueBytes {
		t.Errorf("%d bytes wait", n)
	}
	r.Close()
	select {
	case <-r.stopped:
		t.Error("the disk was not frozen")
	default:
	}
	thaw()
	<-r.stopped
}

// A power cut leaves a file that ends anywhere: every whole step before is read, and
// the cut is told of.
func TestCutAnywhere(t *testing.T) {
	whole, data := recordedDay(t)
	path := filepath.Join(t.TempDir(), "cut.csv.gz")
	for cut := range len(data) {
		if cut > 100 && cut%17 > 0 && cut < len(data)-20 {
			continue
		}
		if err := os.WriteFile(path, data[:cut], 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := Open([]string{path}, points, nil)
		if err != nil {
			t.Fatalf("cut to %d of %d bytes: %v", cut, len(data), err)
		}
		got := entries(t, f)
		if len(f.Cut()) != 1 {
			t.Fatalf("cut to %d of %d bytes: told of %q", cut, len(data), f.Cut())
		}
		if len(got) > len(whole) || len(got) > 0 && cmp.Diff(whole[:len(got)], got, same) != "" {
			t.Fatalf("cut to %d of %d bytes: %d entries, not the first of %d", cut, len(data), len(got), len(whole))
		}
	}
	if err := os.WriteFile(path, data[:len(data)-1], 0o600); err != nil {
		t.Fatal(err)
	}
	if got := entries(t, open(t, path)); len(got) != len(whole) {
		t.Errorf("without the last byte there are %d entries, expected %d", len(got), len(whole))
	}
}

// A bit that flips is told of, or changes nothing that is read.
func TestEveryDamagedByte(t *testing.T) {
	whole, data := recordedDay(t)
	path := filepath.Join(t.TempDir(), "damaged.csv.gz")
	told := 0
	for i := range data {
		if i > 60 && i%17 > 0 && i < len(data)-20 {
			continue
		}
		spoilt := slices.Clone(data)
		spoilt[i] ^= 1 << (i % 8)
		if err := os.WriteFile(path, spoilt, 0o600); err != nil {
			t.Fatal(err)
		}
		f, err := Open([]string{path}, points, nil)
		if err != nil {
			t.Fatalf("byte %d: %v", i, err)
		}
		got := entries(t, f)
		if len(f.Cut()) > 0 {
			told++
		} else if d := cmp.Diff(whole, got, same); d != "" {
			t.Fatalf("byte %d changes what is read, and nobody is told: %s", i, d)
		}
	}
	if told < len(data)/25 {
		t.Errorf("told of %d damages in %d bytes", told, len(data))
	}
}

var same = cmp.Options{cmp.Comparer(func(a, b units.Unit) bool { return a == b })}

// recordedDay is a small recording: its entries and its bytes.
func recordedDay(t *testing.T) ([]Entry, []byte) {
	t.Helper()
	dir, l := t.TempDir(), newLife()
	r := Start(Options{Dir: dir, Site: "x", Points: points, MaxBytes: 1 << 24, flushEvery: 200 * time.Microsecond})
	r.Head(l.at, []byte(`{"agent_checkpoint":1}`))
	for n := range 40 {
		l.step(r)
		if n%10 == 0 {
			r.Order(l.at, alarms.Order{Verb: alarms.Note, ID: fmt.Sprint(n), By: "operator", Reason: "a \"word\",\nand another", IssuedAt: l.at.UTC()})
		}
		time.Sleep(50 * time.Microsecond) // for some of it to be flushed
	}
	r.Close()
	paths, err := recorded(dir)
	if err != nil || len(paths) != 1 {
		t.Fatalf("files %v: %v", paths, err)
	}
	data, err := os.ReadFile(paths[0])
	if err != nil {
		t.Fatal(err)
	}
	f := open(t, dir)
	es := entries(t, f)
	if len(es) != 45 || len(f.Cut()) > 0 {
		t.Fatalf("%d entries, cut %q", len(es), f.Cut())
	}
	if !strings.Contains(es[2].Order.Reason, "\nand another") {
		t.Fatalf("the order says %q", es[2].Order.Reason)
	}
	return es, data
}

// The cost of recording, to the goroutine that owns the core.
func BenchmarkStep(b *testing.B) {
	l := newLife()
	r := Start(Options{Dir: b.TempDir(), Points: points, MaxBytes: 1 << 24})
	defer r.Close()
	r.Head(l.at, nil)
	b.ReportAllocs()
	for b.Loop() {
		l.step(r)
	}
}
