package page

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/json"
	"maps"
	"math"
	"net/http"
	"net/http/httptest"
	"reflect"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/santhosh-tekuri/jsonschema/v6"
	"pgregory.net/rapid"

	"ebbwatch/agent"
	"ebbwatch/agent/plant"
	"ebbwatch/agent/reading"
	"ebbwatch/agent/units"
	"ebbwatch/alarms"
)

var noon = time.Date(2026, 11, 25, 12, 0, 0, 0, time.UTC)

// fig is a good figure; bad and uncertain change it.
func fig(kind plant.Kind, owner string, q plant.Quantity, si float64, unit string) plant.Figure {
	f := plant.Figure{
		Name: owner, Kind: kind, Owner: owner, Quantity: q, Value: si, Low: math.NaN(), High: math.NaN(),
		Unit: units.MustParse(unit), Quality: reading.GoodQuality(), Time: noon,
	}
	if kind != plant.PointKind {
		f.Name = plant.Name(kind, owner, q)
	}
	return f
}

func bad(f plant.Figure, reason string) plant.Figure {
	f.Quality, f.Detail = reading.BadBecause(reason), reading.Explain(reason)
	return f
}

func uncertain(f plant.Figure, reason string) plant.Figure {
	f.Quality = reading.UncertainBecause(reason)
	return f
}

func cond(name string, p alarms.Priority, s alarms.State) alarms.Condition {
	value, limit := 1.2, 1.0
	return alarms.Condition{
		Alarm: name, Priority: p, State: s, Episode: 2, Since: noon.Add(-time.Minute), Value: &value, Limit: &limit, Unit: "ppm",
		Quality: "good", Place: "chlorine-room", What: "Something at " + name + ".", Consequence: "It gets worse.",
		FirstAction: []string{"Look at " + name + "."}, RespondWithin: "3m0s",
	}
}

// ridge is a small part of the invented plant.
func ridge() Site {
	return Site{
		Name: "kestrel-ridge", Title: "Kestrel Ridge", TimeZone: time.FixedZone("MST", -7*3600),
		Banks:    []Bank{{"north", "chlorine-room", []Container{{"north-1", "north-1-weight", 671, 8, 907}}}},
		Segments: []Segment{{Name: "clearwell", Residual: "residual-out", PH: "ph-out", Temperature: "temperature-out", Flow: "plant-flow"}},
		Trains:   []Train{},
		Rooms:    []Room{{"chlorine-room", []string{"gas-1"}}},
		Lines:    []Line{{"line-b", []Instrument{{"north-scales", []string{"north-1-weight"}}}}},
		Limits:   []Limit{{"north-empty-notice", "bank.north.time-to-empty", true, 48 * 3600}},
	}
}

func quiet() *agent.Snapshot {
	empty := fig(plant.BankKind, "north", plant.TimeToEmpty, 33*3600, "h")
	empty.Low, empty.High = 30*3600, 40*3600
	return &agent.Snapshot{
		Time: noon, Stepped: time.Now(), Steps: 7, Sequence: 3,
		Figures: []plant.Figure{
			fig(plant.PointKind, "north-1-weight", plant.ReadingOf, 700, "lb"),
			fig(plant.PointKind, "residual-out", plant.ReadingOf, 1.4, "mg/L"),
			fig(plant.SegmentKind, "clearwell", plant.InactivationRatio, 1.74, "1"),
			empty,
			fig(plant.DetectorKind, "gas-1", plant.Concentration, 0, "ppm"),
		},
		Conditions: []alarms.Condition{cond("gas-1-level-2", alarms.Critical, alarms.Normal), cond("north-empty-notice", alarms.Low, alarms.Normal)},
	}
}

// source is a snapshot that a test changes.
type source struct{ atomic.Pointer[agent.Snapshot] }

func newSource(s *agent.Snapshot) *source {
	var out source
	out.Store(s)
	return &out
}

func schemas(t testing.TB) (snapshot, change, answer *jsonschema.Schema) {
	t.Helper()
	c := jsonschema.NewCompiler()
	c.AssertFormat()
	compile := func(name string) *jsonschema.Schema {
		s, err := c.Compile("../../testdata/schema/" + name + ".json")
		if err != nil {
			t.Fatal(err)
		}
		return s
	}
	return compile("snapshot"), compile("change"), compile("answer")
}

func validate(s *jsonschema.Schema, doc []byte) error {
	v, err := jsonschema.UnmarshalJSON(bytes.NewReader(doc))
	if err != nil {
		return err
	}
	return s.Validate(v)
}

func get(t testing.TB, h http.Handler, path string, header ...string) *httptest.ResponseRecorder {
	t.Helper()
	r := httptest.NewRequest(http.MethodGet, path, nil)
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	return w
}

func TestSnapshotAsItsSchemaSays(t *testing.T) {
	snapshot, _, _ := schemas(t)
	shelved := quiet()
	until := noon.Add(time.Hour)
	shelved.Conditions[0].State, shelved.Conditions[0].Underlying = alarms.Shelved, alarms.Unacknowledged
	shelved.Conditions[0].ShelvedUntil, shelved.Conditions[0].TestUntil = &until, &until
	broken := quiet()
	broken.Figures[0] = bad(broken.Figures[0], reading.NoReply)
	broken.Figures[4] = uncertain(broken.Figures[4], reading.OverRange)
	broken.Figures[1].Time = time.Time{}
	for _, c := range []struct {
		name string
		s    *agent.Snapshot
	}{
		{"before the first step", &agent.Snapshot{Time: noon, Conditions: quiet().Conditions}},
		{"a quiet plant", quiet()},
		{"values that are bad and uncertain", broken},
		{"an alarm that is withheld", shelved},
	} {
		t.Run(c.name, func(t *testing.T) {
			h := Handler(Options{Snapshot: newSource(c.s).Load, Site: ridge()})
			body := get(t, h, "/v1/snapshot").Body.Bytes()
			if err := validate(snapshot, body); err != nil {
				t.Errorf("%v\n%s", err, body)
			}
			var doc struct{ Figures []map[string]any }
			if err := json.Unmarshal(body, &doc); err != nil {
				t.Fatal(err)
			}
			if len(doc.Figures) != len(c.s.Figures) {
				t.Errorf("%d figures, want %d", len(doc.Figures), len(c.s.Figures))
			}
			for i, f := range doc.Figures {
				if usable := c.s.Figures[i].Quality.Usable(); usable != (f["value"] != nil) {
					t.Errorf("%v: usable is %v and value %v", f["figure"], usable, f["value"])
				}
			}
		})
	}
	// The schema itself can fail: a number that is bad must not stand.
	body := get(t, Handler(Options{Snapshot: newSource(broken).Load, Site: ridge()}), "/v1/snapshot").Body.String()
	if validate(snapshot, []byte(strings.Replace(body, `"value":null`, `"value":1`, 1))) == nil {
		t.Error("the schema lets a bad figure have a value")
	}
}

// TestSnapshotSpeaksTheUnitsOfItsFigures: 671 kg are 1479 lb, 907 kg are 2000 lb
// (1 lb = 0.45359237 kg, international yard and pound agreement of 1959).
func TestSnapshotSpeaksTheUnitsOfItsFigures(t *testing.T) {
	var doc struct {
		Layout struct {
			TimeZone string `json:"time_zone"`
			Banks    []struct {
				Containers []struct{ Tare, Full float64 }
			}
			Limits []struct{ Value float64 }
		}
	}
	body := get(t, Handler(Options{Snapshot: newSource(quiet()).Load, Site: ridge()}), "/v1/snapshot").Body.Bytes()
	if err := json.Unmarshal(body, &doc); err != nil {
		t.Fatal(err)
	}
	c := doc.Layout.Banks[0].Containers[0]
	if math.Abs(c.Tare-671/0.45359237) > 1e-6 || math.Abs(c.Full-907/0.45359237) > 1e-6 || doc.Layout.Limits[0].Value != 48 {
		t.Errorf("tare %v lb, full %v lb, limit %v h", c.Tare, c.Full, doc.Layout.Limits[0].Value)
	}
}

// TestChangesRebuildTheSnapshot: whoever applies the changes has what a new
// snapshot would say.
func TestChangesRebuildTheSnapshot(t *testing.T) {
	_, changes, _ := schemas(t)
	site := ridge()
	rapid.Check(t, func(t *rapid.T) {
		now := &agent.Snapshot{Time: noon, Conditions: quiet().Conditions}
		if rapid.Bool().Draw(t, "started") {
			now = quiet()
		}
		s := newServer(Options{Site: site})
		sent := encode(&site, now)
		figures, conditions := map[string]map[string]any{}, map[string]map[string]any{}
		apply := func(doc []byte) {
			var d struct{ Figures, Alarms []map[string]any }
			if err := json.Unmarshal(doc, &d); err != nil {
				t.Fatal(err)
			}
			take := func(into map[string]map[string]any, entries []map[string]any, name, whole string) {
				for _, e := range entries {
					key := e[name].(string)
					if _, ok := e[whole]; ok {
						into[key] = map[string]any{}
					}
					maps.Copy(into[key], e)
				}
			}
			take(figures, d.Figures, "figure", "quality")
			take(conditions, d.Alarms, "alarm", "state")
		}
		apply(s.whole(sent))
		timed := sent
		for range rapid.IntRange(1, 6).Draw(t, "steps") {
			next := quiet()
			next.Time = now.Time.Add(time.Second)
			for i := range next.Figures {
				f := &next.Figures[i]
				f.Value = rapid.Float64Range(0, 3).Draw(t, "value")
				switch rapid.IntRange(0, 3).Draw(t, "quality") {
				case 0:
					*f = bad(*f, reading.Stale)
				case 1:
					*f = uncertain(*f, reading.Frozen)
				case 2:
					if len(now.Figures) > 0 {
						*f = now.Figures[i]
					}
					f.Time = next.Time
				}
			}
			for i := range next.Conditions {
				value := rapid.Float64Range(0, 3).Draw(t, "value of the alarm")
				if next.Conditions[i].Value = &value; value > 2 {
					next.Conditions[i].Value, next.Conditions[i].What = nil, "Something else."
				}
				next.Conditions[i].State = rapid.SampledFrom([]alarms.State{alarms.Normal, alarms.Unacknowledged, alarms.Acknowledged, alarms.LatchedUnacknowledged, alarms.Shelved}).Draw(t, "state")
			}
			to := encode(&site, next)
			doc := change(sent, to, timed)
			timed = to // the times of all
			if err := validate(changes, doc); err != nil {
				t.Fatalf("%v\n%s", err, doc)
			}
			apply(doc)
			now, sent = next, to
		}
		same := func(got map[string]any, want any) {
			text := must(json.Marshal(want))
			var w map[string]any
			if err := json.Unmarshal(text, &w); err != nil || !reflect.DeepEqual(got, w) {
				t.Fatalf("rebuilt %v, want %s", got, text)
			}
		}
		for i := range sent.Figures {
			same(figures[now.Figures[i].Name], sent.Figures[i])
		}
		for i := range sent.Alarms {
			same(conditions[now.Conditions[i].Alarm], sent.Alarms[i])
		}
		if len(figures) != len(sent.Figures) || len(conditions) != len(sent.Alarms) {
			t.Fatalf("rebuilt %d figures and %d alarms, want %d and %d", len(figures), len(conditions), len(sent.Figures), len(sent.Alarms))
		}
	})
}

func TestVerdict(t *testing.T) {
	with := func(change func(*agent.Snapshot)) *agent.Snapshot {
		s := quiet()
		change(s)
		return s
	}
	for _, c := range []struct {
		name     string
		s        *agent.Snapshot
		level    string
		sentence string // what it must have in it
		first    string
		more     int
	}{
		{"all is well, and how long it lasts in the plant's time", quiet(), well, "All is well: disinfection is at 1.74 times what is required, and the chlorine of bank north lasts until about 14:00 on Thursday, 26 November.", "", 0},
		{"nothing known is not well", &agent.Snapshot{Time: noon, Conditions: quiet().Conditions}, unknown, "not yet read", "", 0},
		{"an instrument not yet read is not well", with(func(s *agent.Snapshot) { s.Figures[0] = bad(s.Figures[0], reading.NotYetRead) }), unknown, "not yet read", "", 0},
		{"an alarm that cannot be judged is not well", with(func(s *agent.Snapshot) { s.Conditions[0].Quality = "bad:no-reply" }), attention, "one alarm cannot be judged: Something at gas-1-level-2.", "by hand", 0},
		{"what needs a longer course comes by itself", with(func(s *agent.Snapshot) { s.Conditions[0].Quality = "bad:learning" }), attention, "one alarm cannot be judged yet: Something at gas-1-level-2.", "by itself", 0},
		{"a value in doubt is not well", with(func(s *agent.Snapshot) { s.Conditions[0].Quality = "uncertain:frozen" }), attention, "in doubt", "", 0},
		{"a bank that is not drawn is well", with(func(s *agent.Snapshot) { s.Conditions[1].Quality = "uncertain:not-drawn" }), well, "All is well", "", 0},
		{"a shelved alarm is not well", with(func(s *agent.Snapshot) { s.Conditions[0].State = alarms.Shelved }), attention, "one alarm is shelved", "Watch by hand", 0},
		{"a shelved alarm that is so says it", with(func(s *agent.Snapshot) {
			s.Conditions[0].State, s.Conditions[0].Underlying = alarms.Shelved, alarms.Unacknowledged
		}), attention, "although it is so: Something at gas-1-level-2.", "Watch by hand", 0},
		{"the more urgent of two", with(func(s *agent.Snapshot) {
			s.Conditions[0].State, s.Conditions[1].State = alarms.Acknowledged, alarms.Unacknowledged
		}), alarming, "Something at gas-1-level-2.", "Look at gas-1-level-2.", 1},
		{"what is so before what has gone", with(func(s *agent.Snapshot) {
			s.Conditions[0].State, s.Conditions[1].State = alarms.LatchedUnacknowledged, alarms.Acknowledged
		}), alarming, "Something at north-empty-notice.", "Look at north-empty-notice.", 1},
		{"one that has gone says so", with(func(s *agent.Snapshot) { s.Conditions[0].State = alarms.ReturnedUnacknowledged }), alarming, "nobody has acknowledged it: Something", "acknowledge it", 0},
		{"a latch waits for a person", with(func(s *agent.Snapshot) { s.Conditions[0].State = alarms.LatchedAcknowledged }), alarming, "waits to be reset: Something", "resets it", 0},
		{"a train owes what its segments do not owe alone", with(func(s *agent.Snapshot) {
			s.Figures = append(s.Figures, fig(plant.SegmentKind, "pipe", plant.InactivationRatio, 0.4, "1"), fig(plant.TrainKind, "main", plant.InactivationRatio, 2.14, "1"))
		}), well, "disinfection is at 1.74 times", "", 0},
		{"samples that nobody entered are no failure", with(func(s *agent.Snapshot) {
			s.Figures = append(s.Figures, bad(fig(plant.DistributionKind, plant.Distribution, plant.AnnualAverage, 0, "mg/L"), reading.Missing))
			s.Conditions = append(s.Conditions, cond("distribution-residual-high", alarms.Low, alarms.Normal))
			s.Conditions[2].Quality = "bad:missing-input"
		}), well, "All is well", "", 0},
		{"what fails otherwise is told", with(func(s *agent.Snapshot) {
			s.Figures = append(s.Figures, bad(fig(plant.DistributionKind, plant.Distribution, plant.AnnualAverage, 0, "mg/L"), reading.Missing))
			s.Conditions[1].Quality = "bad:missing-input"
		}), attention, "one alarm cannot be judged", "by hand", 0},
		{"an alarm goes before what is not yet read", with(func(s *agent.Snapshot) {
			s.Figures[0] = bad(s.Figures[0], reading.NotYetRead)
			s.Conditions[0].State = alarms.Unacknowledged
		}), alarming, "Something at gas-1-level-2.", "Look", 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			site := ridge()
			site.Trains = []Train{{"main", []string{"pipe"}}}
			v := judge(&site, c.s)
			if v.Level != c.level || !strings.Contains(v.Sentence, c.sentence) || !strings.Contains(v.First, c.first) || v.More != c.more || (c.first == "") != (v.First == "") {
				t.Errorf("got %+v", v)
			}
		})
	}
}

func TestAssetsAreGuardedAndSmall(t *testing.T) {
	h := Handler(Options{Snapshot: newSource(quiet()).Load, Site: ridge()})
	size := 0
	for path := range assets {
		path = strings.TrimSuffix(path, "{$}")
		w := get(t, h, path, "Accept-Encoding", "gzip")
		if w.Code != http.StatusOK || w.Body.Len() == 0 || w.Header().Get("Content-Encoding") != "gzip" {
			t.Errorf("%s: %d, %d bytes, %v", path, w.Code, w.Body.Len(), w.Header())
		}
		size += w.Body.Len()
		if csp := w.Header().Get("Content-Security-Policy"); !strings.HasPrefix(csp, "default-src 'none'; ") || strings.Contains(csp, "unsafe") {
			t.Errorf("%s: policy %q", path, csp)
		}
		if again := get(t, h, path, "If-None-Match", w.Header().Get("ETag")); again.Code != http.StatusNotModified {
			t.Errorf("%s: asked again, %d", path, again.Code)
		}
		plain := get(t, h, path).Body.String()
		// Nothing inline that the policy would refuse, nothing from elsewhere.
		for _, forbidden := range []string{"<style", " style=", "innerHTML", "eval(", "https://", "//cdn"} {
			if strings.Contains(plain, forbidden) {
				t.Errorf("%s has %q in it", path, forbidden)
			}
		}
	}
	t.Logf("the page takes %d bytes compressed", size)
	if size > 150_000 {
		t.Errorf("the page takes %d bytes compressed, want at most 150 kB", size)
	}
}

func post(t testing.TB, h http.Handler, body string, header ...string) (*httptest.ResponseRecorder, alarms.Answer) {
	t.Helper()
	r := httptest.NewRequest(http.MethodPost, "/v1/order", strings.NewReader(body))
	r.Header.Set("Content-Type", "application/json")
	for i := 0; i+1 < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, r)
	var a alarms.Answer
	if w.Header().Get("Content-Type") == "application/json" {
		if err := json.Unmarshal(w.Body.Bytes(), &a); err != nil {
			t.Fatalf("%v: %s", err, w.Body)
		}
	}
	return w, a
}

const secret = "a-long-and-random-key-for-the-test"

func sum(key string) [sha256.Size]byte { return sha256.Sum256([]byte(key)) }

func ordered() (http.Handler, *[]alarms.Order) {
	var got []alarms.Order
	return Handler(Options{
		Snapshot: newSource(quiet()).Load, Site: ridge(),
		Roles: []Role{{"operator", sum(secret)}, {"supervisor", sum("another")}},
		Orders: func(_ context.Context, o alarms.Order) alarms.Answer {
			got = append(got, o)
			if o.Alarm == "no-such" {
				return alarms.Answer{Order: o.ID, Alarm: o.Alarm, Result: alarms.Refused, Why: "no alarm is called so"}
			}
			return alarms.Answer{Order: o.ID, Alarm: o.Alarm, Result: alarms.Done}
		},
	}), &got
}

func TestOrders(t *testing.T) {
	_, _, answers := schemas(t)
	const good = `{"order":"o-1","verb":"acknowledge","role":"operator","alarm":"gas-1-level-2","episode":2}`
	key := []string{"Authorization", "Bearer " + secret}
	for _, c := range []struct {
		name   string
		body   string
		header []string
		code   int
		given  bool // whether the agent was asked
	}{
		{"with the role's key", good, key, 200, true},
		{"from the page itself", good, append([]string{"Sec-Fetch-Site", "same-origin"}, key...), 200, true},
		{"for an alarm that is not there", strings.Replace(good, "gas-1-level-2", "no-such", 1), key, 409, true},
		{"without a key", good, nil, 401, false},
		{"with a wrong key", good, []string{"Authorization", "Bearer x"}, 401, false},
		{"with the key of another role", good, []string{"Authorization", "Bearer another"}, 401, false},
		{"from another site's page", good, append([]string{"Sec-Fetch-Site", "cross-site"}, key...), 403, false},
		{"from another origin, by an old browser", good, append([]string{"Origin", "http://elsewhere.example"}, key...), 403, false},
		{"as a form would send it", good, append([]string{"Content-Type", "text/plain"}, key...), 415, false},
		{"that is not JSON", "acknowledge", key, 400, false},
		{"with a field that is not known", `{"order":"o","write_register":1}`, key, 400, false},
		{"with something after it", good + good, key, 400, false},
		{"that is too long", `{"reason":"` + strings.Repeat("x", maxOrder) + `"}`, key, 400, false},
		{"with a name that is a topic", strings.Replace(good, "o-1", "a/#", 1), key, 400, false},
		{"with a tare that is two lines", `{"verb":"container","role":"operator","action":"on","container":"a","tare":"1480\nlb"}`, key, 400, false},
		{"with a time that is none", strings.Replace(good, `"episode":2`, `"for":"soon"`, 1), key, 400, false},
	} {
		t.Run(c.name, func(t *testing.T) {
			h, got := ordered()
			w, a := post(t, h, c.body, c.header...)
			if w.Code != c.code || (len(*got) == 1) != c.given {
				t.Fatalf("%d and %d orders, want %d\n%s", w.Code, len(*got), c.code, w.Body)
			}
			if w.Header().Get("Content-Type") == "application/json" {
				if err := validate(answers, w.Body.Bytes()); err != nil {
					t.Errorf("%v\n%s", err, w.Body)
				}
			}
			if c.code == 200 && a.Result != alarms.Done || c.code != 200 && a.Result == alarms.Done {
				t.Errorf("answered %+v", a)
			}
			if strings.Contains(w.Body.String(), secret) {
				t.Error("the answer has the key in it")
			}
		})
	}
}

func TestOrderIsHandedOnWhole(t *testing.T) {
	h, got := ordered()
	post(t, h, `{"order":"o-2","verb":"shelve","role":"operator","by":"night shift","alarm":"a","episode":4,"for":"30m","reason":"valve is being changed"}`, "Authorization", "Bearer "+secret)
	want := alarms.Order{ID: "o-2", Verb: alarms.Shelve, Role: "operator", By: "night shift", Alarm: "a", Episode: 4, For: 30 * time.Minute, Reason: "valve is being changed", IssuedAt: noon}
	if len(*got) != 1 || (*got)[0] != want {
		t.Errorf("got %+v, want %+v", *got, want)
	}
}

func TestOrderAboutAContainerIsHandedOnWhole(t *testing.T) {
	h, got := ordered()
	post(t, h, `{"order":"o-3","verb":"container","role":"operator","action":"on","container":"north-1","serial":"KR-114","tare":"1492 lb"}`, "Authorization", "Bearer "+secret)
	post(t, h, `{"order":"o-4","verb":"container","role":"operator","action":"received","bank":"north","count":2}`, "Authorization", "Bearer "+secret)
	want := []alarms.ContainerOrder{{Action: "on", Container: "north-1", Serial: "KR-114", Tare: "1492 lb"}, {Action: "received", Bank: "north", Count: 2}}
	if len(*got) != 2 || (*got)[0].Container != want[0] || (*got)[1].Container != want[1] {
		t.Errorf("got %+v, want %+v", *got, want)
	}
}

func TestWithoutRolesThereAreNoOrders(t *testing.T) {
	h := Handler(Options{Snapshot: newSource(quiet()).Load, Site: ridge(), Orders: func(context.Context, alarms.Order) alarms.Answer {
		t.Error("an order was carried out that nobody could have proven")
		return alarms.Answer{}
	}})
	if w, a := post(t, h, `{"verb":"acknowledge"}`); w.Code != 403 || a.Result != alarms.Refused {
		t.Errorf("%d %+v", w.Code, a)
	}
}

// TestWrongKeysAreSlowedDown, and only for the address they come from.
func TestWrongKeysAreSlowedDown(t *testing.T) {
	h, got := ordered()
	const body = `{"verb":"acknowledge","role":"operator","alarm":"gas-1-level-2"}`
	for range maxWrong {
		if w, _ := post(t, h, body, "Authorization", "Bearer guess"); w.Code != 401 {
			t.Fatal(w.Code)
		}
	}
	if w, _ := post(t, h, body, "Authorization", "Bearer "+secret); w.Code != 429 || len(*got) != 0 {
		t.Errorf("after %d wrong keys: %d", maxWrong, w.Code)
	}
	r := httptest.NewRequest(http.MethodPost, "/v1/order", strings.NewReader(body))
	r.RemoteAddr = "192.0.2.77:1"
	r.Header.Set("Content-Type", "application/json")
	r.Header.Set("Authorization", "Bearer "+secret)
	w := httptest.NewRecorder()
	if h.ServeHTTP(w, r); w.Code != 200 {
		t.Errorf("from another address: %d", w.Code)
	}
	var k wrongKeys
	for i := range 3 * maxAddresses {
		k.add(string(rune('a'+i)), noon.Add(time.Duration(i)))
	}
	if len(k.count) > maxAddresses {
		t.Errorf("%d addresses are remembered, want at most %d", len(k.count), maxAddresses)
	}
	for range maxWrong {
		k.add("x", noon)
	}
	if !k.tooMany("x", noon.Add(window-1)) || k.tooMany("x", noon.Add(window)) {
		t.Error("the wait does not end when it should")
	}
}

func FuzzOrder(f *testing.F) {
	f.Add(`{"order":"o-1","verb":"acknowledge","role":"operator","alarm":"gas-1-level-2","episode":2}`)
	f.Add(`{"for":"-1h"}`)
	f.Add(`[`)
	f.Fuzz(func(t *testing.T, text string) {
		var in incoming
		if err := decode(strings.NewReader(text), &in); err != nil {
			return
		}
		if in.period < 0 || len(in.Alarm) > maxName || strings.ContainsAny(in.By, "/+#") {
			t.Errorf("%q gave %+v", text, in)
		}
	})
}
