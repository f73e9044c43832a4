// Package demo is a simulated plant behind real protocols, for trying the daemon
// on one machine alone: the physics of Kestrel Ridge, its instruments behind
// Modbus TCP, Modbus RTU on a pseudo-terminal and RTU over TCP, an MQTT broker
// inside the process, and an on-call person who answers alarms over it.
//
// The plant is a function of a seed and of simulated time, and tells the story of
// one day. It is invented; nothing here is a model of a real plant.
package demo

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"time"
)

// MaxSpeed is the greatest speed: a day in a minute.
const MaxSpeed = 1440

// Options say how a demo runs. Only Dir must be given.
type Options struct {
	// Seed decides all randomness: the same seed gives the same plant.
	Seed uint64
	// Speed is simulated seconds per real second, 1 to MaxSpeed; 0 means 1.
	Speed float64
	// Start is the simulated time at the start, when it is 05:00 in the story.
	// The zero time means 05:00 of today at the plant, in America/Denver.
	Start time.Time
	// Log gets what the on-call person does; nil means no log.
	Log *slog.Logger
	// Dir is an existing folder for the daemon's state.
	Dir string
	// Addresses to listen on, host:port on loopback. Empty means 127.0.0.1 and a
	// free port. Listen is only passed on: it is the daemon's own.
	LineAAddress, LineCAddress, BrokerAddress, Listen string
}

// Demo is a running simulation.
type Demo struct {
	start   time.Time
	clock   fastClock
	site    []byte
	broker  *broker
	tables  [lines]*unitTable
	cancel  context.CancelFunc
	running sync.WaitGroup

	mu          sync.Mutex // guards what follows
	plant       *plant
	state       Truth
	instruments *instruments
	silenced    map[byte]bool
	frozen      map[string]bool
}

// Start opens the lines and the broker, calls the on-call person, and starts the
// simulated clock. It returns when a client can connect to everything. The demo
// runs until ctx ends or Close is called.
func Start(ctx context.Context, o Options) (_ *Demo, err error) {
	if err := o.fill(); err != nil {
		return nil, fmt.Errorf("demo: %w", err)
	}
	ctx, cancel := context.WithCancel(ctx)
	d := &Demo{
		cancel: cancel, plant: newPlant(o.Seed),
		silenced: map[byte]bool{}, frozen: map[string]bool{},
	}
	defer func() {
		if err != nil {
			d.Close()
			err = fmt.Errorf("demo: %w", err)
		}
	}()
	d.state = d.plant.truth()
	d.instruments = newInstruments(o.Seed, &d.state)
	for i, unitsHere := range unitsOfLine {
		t := &unitTable{images: map[byte]*image{}}
		for _, u := range unitsHere {
			t.images[u] = newImage()
		}
		d.tables[i] = t
	}
	d.publish()

	a, err := d.listen(ctx, "line-a", o.LineAAddress, d.tables[lineA].serveTCP)
	if err != nil {
		return nil, err
	}
	term, err := openTerminal()
	if err != nil {
		return nil, err
	}
	d.running.Go(func() { attend(ctx, term, d.tables[lineB].serveRTU) })
	c, err := d.listen(ctx, "line-c", o.LineCAddress, d.tables[lineC].serveRTU)
	if err != nil {
		return nil, err
	}
	d.broker, err = openBroker(o.BrokerAddress)
	if err != nil {
		return nil, err
	}
	d.running.Go(func() { <-ctx.Done(); d.broker.close() })
	ph, err := callPerson(ctx, d.broker.address, mqttRoot, o.Log)
	if err != nil {
		return nil, err
	}
	d.site, err = renderSite(siteValues{
		StateDir: filepath.Join(o.Dir, "state"), Listen: o.Listen, Broker: "tcp://" + d.broker.address,
		LineA: a, LineB: term.device, LineC: c,
	}, o.Speed)
	if err != nil {
		ph.hangUp()
		return nil, err
	}
	// Adding to now keeps its monotonic clock reading, which In would take away:
	// so the zone stays the local one.
	now := time.Now()
	d.start = now.Add(o.Start.Sub(now))
	d.clock = fastClock{speed: o.Speed, simulated: d.start, real: now}
	d.running.Go(func() { d.run(ctx) })
	d.running.Go(func() { ph.live(ctx, d.Now, o.Speed) })
	return d, nil
}

// fill checks the options and fills in what was left out.
func (o *Options) fill() error {
	if o.Speed == 0 {
		o.Speed = 1
	}
	if !(o.Speed >= 1 && o.Speed <= MaxSpeed) {
		return fmt.Errorf("the speed is %v, expected 1 to %d", o.Speed, MaxSpeed)
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	if o.Start.IsZero() {
		zone, err := time.LoadLocation("America/Denver")
		if err != nil {
			return fmt.Errorf("the plant's time zone is not known on this machine, install its time zone data: %w", err)
		}
		y, m, day := time.Now().In(zone).Date()
		o.Start = time.Date(y, m, day, dayBegins, 0, 0, 0, zone)
	}
	if info, err := os.Stat(o.Dir); o.Dir == "" || err != nil || !info.IsDir() {
		return fmt.Errorf("the folder for the state is %q, expected one that exists", o.Dir)
	}
	if err := os.MkdirAll(filepath.Join(o.Dir, "state"), 0o700); err != nil {
		return fmt.Errorf("no folder for the state: %w", err)
	}
	for _, a := range []*string{&o.LineAAddress, &o.LineCAddress, &o.BrokerAddress} {
		if *a == "" {
			*a = "127.0.0.1:0"
		}
		host, _, err := net.SplitHostPort(*a)
		if err != nil {
			return fmt.Errorf("the address %q is not host:port: %w", *a, err)
		}
		// The lines and the broker ask for no password.
		if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return fmt.Errorf("the address %q is not on loopback, expected 127.0.0.1:port", *a)
		}
	}
	if o.Listen == "" {
		o.Listen = "127.0.0.1:0"
	}
	return nil
}

// listen opens a line on TCP and serves it; it returns the line's address.
func (d *Demo) listen(ctx context.Context, line, address string, serve func(stream)) (string, error) {
	l, err := net.Listen("tcp", address)
	if err != nil {
		return "", cannotListen(line, address, err)
	}
	d.running.Go(func() { listen(ctx, l, serve) })
	return l.Addr().String(), nil
}

func cannotListen(who, address string, err error) error {
	hint := "choose another address"
	if errors.Is(err, syscall.EADDRINUSE) {
		hint = "another program has that port: stop it, or choose another port"
	}
	return fmt.Errorf("%s cannot listen on %s, %s: %w", who, address, hint, err)
}

// Now is the simulated time, in the local zone. It carries a monotonic clock
// reading, so differences are safe against a stepped wall clock.
func (d *Demo) Now() time.Time { return d.clock.now() }

// SiteYAML is the site file for this demo.
func (d *Demo) SiteYAML() []byte { return d.site }

// BrokerAddr is where the broker listens, host:port.
func (d *Demo) BrokerAddr() string { return d.broker.address }

// Truth is the plant's true state after the last step.
func (d *Demo) Truth() Truth {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.state
}

// Silence makes a Modbus unit answer nothing, or answer again; besides what the
// story does to it.
func (d *Demo) Silence(unit byte, on bool) {
	d.mu.Lock()
	d.silenced[unit] = on
	d.mu.Unlock()
	d.publish()
}

// Freeze makes a point keep what it shows, or follow again; besides what the
// story does to it.
func (d *Demo) Freeze(point string, on bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.frozen[point] = on
}

// Close ends the demo and waits until everything has ended.
func (d *Demo) Close() {
	d.cancel()
	d.running.Wait()
}

// Wait blocks until the demo has ended.
func (d *Demo) Wait() { d.running.Wait() }

// run advances the plant with the simulated clock.
func (d *Demo) run(ctx context.Context) {
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-tick.C:
			d.advance(d.clock.tick().Sub(d.start))
			d.publish()
		}
	}
}

// advance steps the plant and its instruments up to a simulated time since the
// start, at most an hour of it, so that no reader waits long.
func (d *Demo) advance(until time.Duration) {
	d.mu.Lock()
	defer d.mu.Unlock()
	for n := 0; n < 3600 && d.state.Elapsed+stepSeconds*time.Second <= until; n++ {
		d.plant.step()
		d.state = d.plant.truth()
		d.instruments.step(&d.state, d.isFrozen)
	}
}

func (d *Demo) isFrozen(point string) bool {
	return d.frozen[point] || point == frozenPoint && d.state.Elapsed >= since(frozenBegins) && d.state.Elapsed < since(frozenEnds)
}

// publish puts what the instruments show into their registers.
func (d *Demo) publish() {
	d.mu.Lock()
	defer d.mu.Unlock()
	for i, t := range d.tables {
		d.instruments.fill(t)
		t.mu.Lock()
		for _, u := range unitsOfLine[i] {
			lost := u == lostUnit && d.state.Elapsed >= since(lostBegins) && d.state.Elapsed < since(lostEnds)
			t.images[u].silent = d.silenced[u] || lost
		}
		t.mu.Unlock()
	}
}
