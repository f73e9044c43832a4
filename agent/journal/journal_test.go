package journal

import (
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

func mustOpen(t testing.TB, dir string, o Options) *Journal {
	t.Helper()
	j, err := Open(dir, o)
	if err != nil {
		t.Fatal(err)
	}
	return j
}

func batch(first uint64, n int) [][]byte {
	out := make([][]byte, n)
	for i := range out {
		out[i] = fmt.Appendf(nil, "event %d", first+uint64(i))
	}
	return out
}

// held lists the sequences that After gives, and fails on data that is not the
// event's own.
func held(t interface{ Fatalf(string, ...any) }, j *Journal, seq uint64, limit int) []uint64 {
	var out []uint64
	err := j.After(seq, limit, func(seq uint64, data []byte) bool {
		if want := fmt.Sprintf("event %d", seq); string(data) != want {
			t.Fatalf("event %d holds %q, want %q", seq, data, want)
		}
		out = append(out, seq)
		return true
	})
	if err != nil {
		t.Fatalf("after %d: %v", seq, err)
	}
	return out
}

// model is the journal as plain slices. Disk is what a crash would leave.
type model struct {
	keep, queue   int
	disk, pending []uint64
	last, dropped uint64
	acked         map[string]uint64
	checkpoint    string
	failing       bool

	saved struct {
		last       uint64
		acked      map[string]uint64
		checkpoint string
	}
}

func (m *model) told() uint64 {
	seq := m.last
	for _, a := range m.acked {
		seq = min(seq, a)
	}
	return seq
}

func (m *model) commit(n int, checkpoint string, works bool) {
	for range n {
		m.last++
		if len(m.pending) == m.queue {
			m.dropped++
			if m.pending[0] > m.told() {
				continue
			}
			m.pending = m.pending[1:]
		}
		m.pending = append(m.pending, m.last)
	}
	m.checkpoint = checkpoint
	m.save(works)
}

func (m *model) save(works bool) {
	m.failing = !works
	if !works {
		return
	}
	m.disk = append(m.disk, m.pending...)
	m.pending = nil
	for len(m.disk) > 0 {
		span := int(m.last - m.disk[0] + 1)
		untold := m.disk[0] > m.told()
		if span <= m.keep || untold && span <= 2*m.keep {
			break
		}
		if untold {
			m.dropped++
		}
		m.disk = m.disk[1:]
	}
	m.saved.last, m.saved.checkpoint = m.last, m.checkpoint
	m.saved.acked = maps.Clone(m.acked)
}

func (m *model) crash() {
	m.pending, m.dropped = nil, 0
	m.last, m.checkpoint = m.saved.last, m.saved.checkpoint
	m.acked = maps.Clone(m.saved.acked)
}

func (m *model) after(seq uint64, limit int) []uint64 {
	var out []uint64
	for _, s := range slices.Concat(m.disk, m.pending) {
		if s > seq && len(out) < limit {
			out = append(out, s)
		}
	}
	return out
}

// The journal behaves as a slice of events would, through restarts and through
// times when its folder is gone.
func TestAgainstModel(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		root, err := os.MkdirTemp("", "journal")
		if err != nil {
			t.Fatal(err)
		}
		defer os.RemoveAll(root)
		dir, away := filepath.Join(root, "state"), filepath.Join(root, "away")
		o := Options{
			Receivers: []string{"mqtt", "mail"},
			Keep:      rapid.IntRange(1, 12).Draw(t, "keep"),
			Queue:     rapid.IntRange(1, 6).Draw(t, "queue"),
		}
		m := model{keep: o.Keep, queue: o.Queue, acked: map[string]uint64{"mqtt": 0, "mail": 0}}
		j, err := Open(dir, o)
		if err != nil {
			t.Fatal(err)
		}
		m.save(true)
		id, boots, gone := j.ID(), map[string]bool{j.Boot(): true}, false
		move := func(from, to string) {
			if err := os.Rename(from, to); err != nil {
				t.Fatal(err)
			}
			gone = !gone
		}
		closeIt := func() {
			if err := j.Close(); err != nil != (gone && m.failing) {
				t.Fatalf("close with the folder gone %v, failing %v: %v", gone, m.failing, err)
			}
			if m.failing {
				m.save(!gone)
			}
		}
		reopen := func() {
			closeIt()
			if gone {
				move(away, dir)
			}
			m.crash()
			if j, err = Open(dir, o); err != nil {
				t.Fatal(err)
			}
			m.save(true)
			if j.ID() != id || boots[j.Boot()] || j.Lost() != "" {
				t.Fatalf("reopened as id %s (was %s), boot %s, lost %q", j.ID(), id, j.Boot(), j.Lost())
			}
			boots[j.Boot()] = true
		}
		t.Repeat(map[string]func(*rapid.T){
			"commit": func(t *rapid.T) {
				n := rapid.IntRange(0, 5).Draw(t, "events")
				m.commit(n, fmt.Sprintf("after %d", m.last+uint64(n)), !gone)
				err := j.Commit(m.last-uint64(n)+1, batch(m.last-uint64(n)+1, n), []byte(m.checkpoint))
				if err != nil != gone {
					t.Fatalf("commit with the folder gone %v: %v", gone, err)
				}
			},
			"ack": func(t *rapid.T) {
				r := rapid.SampledFrom(o.Receivers).Draw(t, "receiver")
				seq := rapid.Uint64Range(0, m.last).Draw(t, "sequence")
				err := j.Ack(r, seq)
				if seq <= m.acked[r] {
					if err != nil {
						t.Fatalf("ack again: %v", err)
					}
					return
				}
				m.acked[r] = seq
				m.save(!gone)
				if err != nil != gone {
					t.Fatalf("ack with the folder gone %v: %v", gone, err)
				}
			},
			"after": func(t *rapid.T) {
				seq := rapid.Uint64Range(0, m.last+2).Draw(t, "sequence")
				limit := rapid.IntRange(0, 10).Draw(t, "limit")
				if d := cmp.Diff(m.after(seq, limit), held(t, j, seq, limit)); d != "" {
					t.Fatalf("after %d, at most %d (-want +got):\n%s", seq, limit, d)
				}
			},
			"folder": func(*rapid.T) {
				if gone {
					move(away, dir)
				} else {
					move(dir, away)
				}
			},
			"reopen": func(*rapid.T) { reopen() },
			"": func(t *rapid.T) {
				if err := j.Health(); err != nil != m.failing {
					t.Fatalf("health %v while failing is %v", err, m.failing)
				}
				if d := cmp.Diff(m.after(0, 1000), held(t, j, 0, 1000)); d != "" {
					t.Fatalf("all events (-want +got):\n%s", d)
				}
				cp, _ := j.Checkpoint()
				if string(cp) != m.checkpoint || j.LastSequence() != m.last || j.Dropped() != m.dropped {
					t.Fatalf("checkpoint %q last %d dropped %d, want %q %d %d", cp, j.LastSequence(), j.Dropped(), m.checkpoint, m.last, m.dropped)
				}
				for r, want := range m.acked {
					if got, err := j.Acked(r); got != want || err != nil {
						t.Fatalf("%s has acknowledged %d (%v), want %d", r, got, err, want)
					}
				}
			},
		})
		closeIt()
	})
}

func TestCommitRefusesEventsThatDoNotFollow(t *testing.T) {
	j := mustOpen(t, t.TempDir(), Options{Receivers: []string{"mqtt"}})
	defer j.Close()
	if err := j.Commit(1, batch(1, 3), []byte("three")); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		reason string
		first  uint64
	}{
		{"a gap", 5}, {"a repetition", 3}, {"a start from nothing", 0},
	} {
		if err := j.Commit(c.first, batch(c.first, 2), []byte("wrong")); err == nil {
			t.Errorf("%s: sequence %d was taken after 3", c.reason, c.first)
		}
	}
	if cp, _ := j.Checkpoint(); string(cp) != "three" || j.LastSequence() != 3 {
		t.Errorf("a refused commit left checkpoint %q, last %d", cp, j.LastSequence())
	}
	if err := j.Ack("mqtt", 4); err == nil {
		t.Error("an event that does not exist was acknowledged")
	}
	if err := j.Ack("fax", 1); err == nil {
		t.Error("an unknown receiver acknowledged")
	}
	if _, err := j.Acked("fax"); err == nil {
		t.Error("an unknown receiver has acknowledged")
	}
}

// A receiver that is named later is not told the past, and one that is no longer
// named holds nothing back.
func TestReceiversChange(t *testing.T) {
	dir := t.TempDir()
	open := func(receivers ...string) *Journal {
		return mustOpen(t, dir, Options{Keep: 4, Receivers: receivers})
	}
	j := open("mail")
	j.Commit(1, batch(1, 6), nil)
	if got := j.Depth(); got != 6 {
		t.Errorf("depth %d with 6 events untold, want 6", got)
	}
	j.Close()
	j = open("mqtt")
	if got, _ := j.Acked("mqtt"); got != 6 || j.Depth() != 0 {
		t.Errorf("a new receiver starts at %d with depth %d, want 6 and 0", got, j.Depth())
	}
	j.Commit(7, batch(7, 1), nil)
	if got := held(t, j, 0, 100); !slices.Equal(got, []uint64{4, 5, 6, 7}) {
		t.Errorf("held %v, want the last 4: nobody waits for the others", got)
	}
	if j.Dropped() != 0 {
		t.Errorf("%d dropped, want 0", j.Dropped())
	}
	j.Close()
	j = open("mail", "mqtt")
	defer j.Close()
	if got, _ := j.Acked("mail"); got != 7 {
		t.Errorf("a forgotten receiver came back at %d, want 7", got)
	}
}

func TestVisitMayStopAndCallBack(t *testing.T) {
	j := mustOpen(t, t.TempDir(), Options{Receivers: []string{"mqtt"}})
	defer j.Close()
	j.Commit(1, batch(1, 5), nil)
	var seen []uint64
	j.After(0, 10, func(seq uint64, _ []byte) bool {
		seen = append(seen, seq)
		if err := j.Ack("mqtt", seq); err != nil {
			t.Error(err)
		}
		return seq < 3
	})
	if !slices.Equal(seen, []uint64{1, 2, 3}) {
		t.Errorf("visited %v, want 1 2 3", seen)
	}
}

// Folders that cannot be used give a sentence that tells what to do.
func TestOpenErrors(t *testing.T) {
	root := t.TempDir()
	file := filepath.Join(root, "file")
	if err := os.WriteFile(file, []byte("not a folder"), 0o600); err != nil {
		t.Fatal(err)
	}
	occupied := filepath.Join(root, "occupied")
	if err := os.MkdirAll(filepath.Join(occupied, fileName), 0o750); err != nil {
		t.Fatal(err)
	}
	const hint = ": name another folder in state_dir"
	for _, c := range []struct {
		reason, dir, want string
	}{
		{"the folder is a file", file, "journal folder " + file + " cannot be used: mkdir " + file + ": not a directory" + hint},
		{"the folder lies under a file", file + "/state", "journal folder " + file + "/state cannot be used: mkdir " + file + ": not a directory" + hint},
		{"the file's name is taken by a folder", occupied, "journal folder " + occupied + " cannot be used: open " + occupied + "/journal.db: is a directory" + hint},
	} {
		j, err := Open(c.dir, Options{})
		if err == nil {
			j.Close()
			t.Errorf("%s: opened", c.reason)
		} else if err.Error() != c.want {
			t.Errorf("%s:\ngot  %v\nwant %s", c.reason, err, c.want)
		}
	}
}

func TestOpenMakesAPrivateFolder(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "var", "lib", "ebbwatch")
	j := mustOpen(t, dir, Options{})
	defer j.Close()
	for path, want := range map[string]os.FileMode{dir: 0o750, filepath.Join(dir, fileName): 0o600} {
		info, err := os.Stat(path)
		if err != nil {
			t.Fatal(err)
		}
		if got := info.Mode().Perm(); got&^want != 0 {
			t.Errorf("%s has mode %o, want at most %o", path, got, want)
		}
	}
}

// A file from a later version is left alone: putting it aside would lose it.
func TestNewerFormatIsRefused(t *testing.T) {
	dir := t.TempDir()
	j := mustOpen(t, dir, Options{})
	j.state.Format = format + 1
	if err := j.Commit(1, batch(1, 1), nil); err != nil {
		t.Fatal(err)
	}
	j.Close()
	_, err := Open(dir, Options{})
	if err == nil || !strings.Contains(err.Error(), "was written by a newer ebbwatch") {
		t.Errorf("got %v", err)
	}
}

func BenchmarkCommit(b *testing.B) {
	j := mustOpen(b, b.TempDir(), Options{Receivers: []string{"mqtt"}})
	defer j.Close()
	data, checkpoint := make([]byte, 1500), make([]byte, 8000)
	b.ReportAllocs()
	for b.Loop() {
		if err := j.Commit(j.LastSequence()+1, [][]byte{data}, checkpoint); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkOpenFull reads a journal with as many events as it keeps.
func BenchmarkOpenFull(b *testing.B) {
	dir := b.TempDir()
	j := mustOpen(b, dir, Options{})
	data := make([]byte, 1500)
	for range 100 {
		events := slices.Repeat([][]byte{data}, 1000)
		if err := j.Commit(j.LastSequence()+1, events, nil); err != nil {
			b.Fatal(err)
		}
	}
	j.Close()
	if info, err := os.Stat(filepath.Join(dir, fileName)); err == nil {
		b.ReportMetric(float64(info.Size())/1e6, "MB")
	}
	b.ReportAllocs()
	for b.Loop() {
		mustOpen(b, dir, Options{}).Close()
	}
}
