package page

import (
	"context"
	"fmt"
	"net/http"
	"net/http/httptest"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"ebbwatch/agent"
	"ebbwatch/agent/peertest"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/alarms"
)

// evening is the invented plant, stepping once a second until it is told to stand
// still.
type evening struct {
	source
	mu    sync.Mutex // one change at a time
	still atomic.Bool
	down  atomic.Bool // every connection is cut
	told  atomic.Pointer[alarms.ContainerOrder]
}

func (e *evening) change(by func(*agent.Snapshot)) {
	e.mu.Lock()
	defer e.mu.Unlock()
	s := *e.Load()
	s.Figures, s.Conditions = slices.Clone(s.Figures), slices.Clone(s.Conditions)
	s.Steps++
	s.Time, s.Stepped = s.Time.Add(time.Second), time.Now()
	by(&s)
	e.Store(&s)
}

func (e *evening) run(ctx context.Context) {
	for tick := time.NewTicker(time.Second); ; {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			if !e.still.Load() {
				e.change(func(*agent.Snapshot) {})
			}
		}
	}
}

// set moves the gas alarm, with what goes with it.
func (e *evening) set(state alarms.State, ppm float64, by string) {
	e.change(func(s *agent.Snapshot) {
		for i := range s.Figures {
			switch f := &s.Figures[i]; f.Name {
			case "detector.gas-1.concentration", "gas-1-ppm":
				f.Value = ppm
			case "detector.gas-1.level":
				f.Value = 0
				if ppm > 1 {
					f.Value = 2
				}
			}
		}
		c := &s.Conditions[0]
		if c.State == alarms.Normal && state != alarms.Normal {
			c.Episode++
		}
		c.State, c.Value, c.Since, c.AcknowledgedBy = state, &ppm, s.Time, by
		c.What = fmt.Sprintf("Chlorine gas at gas-1 in chlorine-room is %.2f ppm, over the limit of 1.00 ppm.", ppm)
	})
}

// order stands in for the agent.
func (e *evening) order(_ context.Context, o alarms.Order) alarms.Answer {
	a := alarms.Answer{Order: o.ID, Alarm: o.Alarm, Result: alarms.Done}
	switch o.Verb {
	case alarms.Acknowledge:
		e.set(alarms.Acknowledged, 1.3, o.By)
	case alarms.Containers:
		e.told.Store(&o.Container)
	case alarms.ResetLatch:
		e.set(alarms.Normal, 0, "")
	default:
		a.Result, a.Why = alarms.Refused, "the role may not give the order "+string(o.Verb)
	}
	return a
}

func atEvening() *evening {
	s := quiet()
	rate := fig(plant.BankKind, "north", plant.WithdrawalRate, 86*0.45359237/86400, "lb/d")
	s.Figures = append(s.Figures,
		fig(plant.PointKind, "ph-out", plant.ReadingOf, 7.3, "pH"),
		fig(plant.PointKind, "temperature-out", plant.ReadingOf, 9, "degC"),
		fig(plant.PointKind, "plant-flow", plant.ReadingOf, 0.17, "MGD"),
		fig(plant.PointKind, "gas-1-ppm", plant.ReadingOf, 0, "ppm"),
		fig(plant.ContainerKind, "north-1", plant.NetWeight, 29, "lb"),
		fig(plant.BankKind, "north", plant.NetWeight, 29, "lb"), rate,
		fig(plant.BankKind, "north", plant.WithdrawalLimit, 495*0.45359237/86400, "lb/d"),
		fig(plant.BankKind, "north", plant.WithdrawalRatio, 0.17, "1"),
		fig(plant.BankKind, "north", plant.TimeToEmptyStock, 33*3600+20*86400, "h"),
		fig(plant.BankKind, "north", plant.TimeToOrder, -7200, "h"),
		fig(plant.BankKind, "north", plant.Stock, 1814, "lb"),
		fig(plant.BankKind, "north", plant.LossHour, 3*0.45359237/86400, "lb/d"),
		fig(plant.BankKind, "north", plant.LossDay, 2*0.45359237, "lb"),
		fig(plant.BankKind, "north", plant.SmallestLoss, 10*0.45359237/86400, "lb/d"),
		fig(plant.BankKind, "north", plant.LossReportable, 0, "1"),
		fig(plant.SegmentKind, "clearwell", plant.CT, 62, "mg.min/L"),
		fig(plant.SegmentKind, "clearwell", "residual-needed", 0.8, "mg/L"),
		fig(plant.DetectorKind, "gas-1", plant.GasLevel, 0, "1"),
		fig(plant.DetectorKind, "gas-1", plant.Unavailable, 0, "1"),
		fig(plant.InstrumentKind, "north-scales", plant.Lost, 0, "1"),
		fig(plant.LineKind, "line-b", plant.Lost, 0, "1"),
	)
	s.Conditions[0].FirstAction = []string{"Keep everyone out of chlorine-room and upwind of it.", "Start the plant's emergency plan."}
	var e evening
	e.Store(s)
	return &e
}

// TestPageInABrowser goes through an evening: quiet, gas, acknowledged, gone,
// reset, old figures, a lost connection. Rules of axe-core (WCAG 2) hold in each.
// EBBWATCH_PICTURES=FOLDER keeps a picture of each.
func TestPageInABrowser(t *testing.T) {
	for _, size := range []struct {
		name          string
		width, height int
		scheme        string
	}{
		{"phone", 360, 740, "dark"},
		{"desktop", 1280, 900, "light"},
	} {
		t.Run(size.name, func(t *testing.T) {
			b := peertest.NewBrowser(t)
			e := atEvening()
			ctx, stop := context.WithCancel(t.Context())
			var wg sync.WaitGroup
			wg.Go(func() { e.run(ctx) })
			defer wg.Wait()
			defer stop()
			history := NewHistory()
			for i := range 300 {
				at := e.Load().Time.Add(time.Duration(i-300) * time.Minute)
				s := *atEvening().Load()
				s.Time = at
				if i > 100 && i < 140 {
					s.Figures[2] = bad(s.Figures[2], reading.Stale)
				}
				s.Figures[2].Value += float64(i%60) / 100
				history.Observe(&s)
			}
			page := Handler(Options{Snapshot: e.Load, Site: ridge(), History: history, Roles: []Role{{"operator", sum(secret)}}, Orders: e.order})
			srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
				if e.down.Load() {
					panic(http.ErrAbortHandler)
				}
				page.ServeHTTP(w, r)
			}))
			defer srv.Close()
			defer srv.CloseClientConnections()
			looked := func(state string) {
				t.Helper()
				if broken, passed := b.Axe(); len(broken) > 0 || passed < 10 {
					t.Errorf("%s: axe-core passes %d rules and finds\n%s", state, passed, strings.Join(broken, "\n"))
				}
				var width int
				if b.Script("document.documentElement.scrollWidth", &width); width > size.width {
					t.Errorf("%s: the page is %d wide in a window of %d", state, width, size.width)
				}
				if folder := os.Getenv("EBBWATCH_PICTURES"); folder != "" {
					b.Picture(filepath.Join(folder, size.name+"-"+state+".png"), false)
				}
			}

			b.Open(srv.URL, size.width, size.height, size.scheme)
			b.Expect("h1", "All is well: disinfection is at 1.74 times what is required")
			b.Expect("#level", "Normal")
			b.Expect("#no-alarm", "No alarm stands.")
			b.Expect("#banks tbody tr", "north")
			b.Expect("#banks tbody tr", "with all stock 21 days")
			b.Expect("#banks tbody tr", "time to order late by 2 h")
			b.Expect("#banks tbody tr", "A leak under 10.0 lb/d cannot be told from an error of the feed.")
			b.Expect("#segments tbody tr", "chlorine needed 0.80 mg/L")
			b.Expect("#detectors tbody tr", "under level 1")
			b.Expect("#charts .sum", "No usable value for")
			b.Hidden("#old")
			looked("quiet")
			b.Click("#banks button[aria-label='Tell of containers of north']")
			b.Fill("#secret", secret)
			b.Press("#secret", "Enter")
			b.Expect("#box-title", "Tell of containers")
			b.Fill("#serial", "KR-114")
			b.Fill("#tare", "1492 lb")
			looked("container")
			b.Press("#tare", "Enter")
			b.Expect("#banks tbody tr", "Entered.")
			if got := e.told.Load(); got == nil || *got != (alarms.ContainerOrder{Action: "on", Container: "north-1", Serial: "KR-114", Tare: "1492 lb"}) {
				t.Errorf("the page ordered %+v", got)
			}
			b.Click("#enter") // forgets the key

			e.set(alarms.Unacknowledged, 1.3, "")
			b.Expect("h1", "Chlorine gas at gas-1 in chlorine-room is 1.30 ppm")
			b.Expect("#level", "critical alarm, standing, not acknowledged")
			b.Expect("#first", "Do first: Keep everyone out")
			b.Expect("[aria-live=assertive]", "New critical alarm: Chlorine gas at gas-1")
			b.Expect("#standing .actions li:nth-child(2)", "emergency plan")
			b.Expect("#detectors tbody tr", "OVER LEVEL 2")
			b.Expect("title", "ALARM (1) – Kestrel Ridge")
			looked("gas")

			// By keyboard, with a wrong key first.
			acknowledge := "#standing button[aria-label='Acknowledge gas-1-level-2']"
			b.Press(acknowledge, "Enter")
			b.Fill("#secret", "wrong")
			looked("key")
			b.Press("#secret", "Enter")
			b.Expect("#standing .answer", "Refused: role or key is wrong")
			b.Press(acknowledge, "Enter")
			b.Fill("#secret", secret)
			b.Press("#secret", "Enter")
			b.Expect("#standing .facts", "acknowledged by operator")
			b.Expect("#level", "standing, acknowledged")
			b.Hidden(acknowledge)
			var leaks bool
			if b.Script(fmt.Sprintf("document.documentElement.outerHTML.includes(%q) || document.querySelector('#secret').value !== ''", secret), &leaks); leaks {
				t.Error("the page still holds the key where it can be seen")
			}
			looked("acknowledged")

			// What a role may not do is refused in words.
			b.Click("#standing button[aria-label='Shelve gas-1-level-2']")
			b.Fill("#reason", "it is being worked on")
			b.Press("#reason", "Enter")
			b.Expect("#standing .answer", "Refused: the role may not give the order shelve")

			e.set(alarms.LatchedAcknowledged, 0.1, "operator")
			b.Expect("h1", "waits to be reset")
			b.Click("#standing button[aria-label='Reset gas-1-level-2']")
			b.Expect("h1", "All is well")
			b.Expect("[aria-live=assertive]", "No longer standing: gas-1-level-2")
			looked("reset")

			e.change(func(s *agent.Snapshot) {
				for i := range s.Figures {
					if s.Figures[i].Name == "container.north-1.net-weight" {
						s.Figures[i] = bad(s.Figures[i], reading.NoReply)
					}
				}
			})
			b.Expect("#banks .container", "not known (does not answer)")
			if complaints := b.Complaints(); !slices.ContainsFunc(complaints, func(c string) bool { return !strings.Contains(c, "401") && !strings.Contains(c, "409") }) {
				t.Logf("complaints: %q", complaints)
			} else {
				t.Errorf("the browser complains: %q", complaints)
			}

			// Time passes and nothing is evaluated: nothing may look well.
			e.still.Store(true)
			b.Skip(15)
			b.Expect("#old", "OLD DATA. Do not rely on this page now")
			b.Expect("#level", "Old data")
			b.Expect("h1", "Ebbwatch has evaluated nothing for")
			b.Expect("title", "OLD DATA – Kestrel Ridge")
			var well bool
			if b.Script(`/all is well/i.test(document.querySelector('#verdict').innerText)`, &well); well {
				t.Error("a page with old figures says that all is well")
			}
			looked("old")
			e.still.Store(false)
			b.Hidden("#old")
			b.Expect("h1", "All is well")

			e.down.Store(true)
			srv.CloseClientConnections()
			b.Expect("#link", "NOT LIVE")
			b.Expect("h1", "The connection to ebbwatch is lost")
			b.Expect("title", "OLD DATA")
			looked("lost")
			e.down.Store(false)
			b.Skip(4)
			b.Hidden("#old")
			b.Expect("h1", "All is well")
			b.Expect("#link", "live")
		})
	}
}

// TestPageWithoutKeysHasNoButtons: where no role has a key nothing can be ordered.
func TestPageWithoutKeysHasNoButtons(t *testing.T) {
	b := peertest.NewBrowser(t)
	e := atEvening()
	e.set(alarms.Unacknowledged, 1.3, "")
	srv := httptest.NewServer(Handler(Options{Snapshot: e.Load, Site: ridge(), History: NewHistory()}))
	defer srv.Close()
	defer srv.CloseClientConnections()
	b.Open(srv.URL, 1280, 900, "dark")
	b.Expect("#standing h3", "Chlorine gas at gas-1")
	if n := b.Visible("button.order, #enter"); n != 0 {
		t.Errorf("%d buttons for orders are shown", n)
	}
}

// TestPageWithoutStreamsStillFollows: with every stream taken the page asks for
// the snapshot instead.
func TestPageWithoutStreamsStillFollows(t *testing.T) {
	b := peertest.NewBrowser(t)
	e := atEvening()
	s := newServer(Options{Snapshot: e.Load, Site: ridge(), History: NewHistory()})
	s.streams.Store(maxStreams)
	srv := httptest.NewServer(s.handler())
	defer srv.Close()
	defer srv.CloseClientConnections()
	b.Open(srv.URL, 1280, 900, "light")
	b.Expect("#link", "live, every 3 s")
	e.set(alarms.Unacknowledged, 1.3, "")
	b.Skip(4)
	b.Expect("#standing h3", "Chlorine gas at gas-1")
}
