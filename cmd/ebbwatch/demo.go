//go:build !minimal

package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"path/filepath"
	"time"

	"ebbwatch/agent/demo"
	"ebbwatch/config"
)

const demoUsage = `ebbwatch demo watches the simulated plant Kestrel Ridge on this machine alone:
simulated instruments answer over real Modbus TCP, RTU on a pseudo-terminal and
RTU over TCP, a broker runs inside the process, and the very agent of ebbwatch run
polls them. One simulated day, from five in the morning, tells one story.

  ebbwatch demo --speed 120 --for 12m

--record keeps what was read, with its site file, in a folder that ebbwatch replay
takes:

  ebbwatch demo --speed 600 --for 115s --record day
  ebbwatch replay --site day/site.yaml --readings day
`

// firstLook is how soon after the start the figures are printed first.
const firstLook = 2 * time.Second

func demoCommand() []command {
	return []command{{"demo", "watch a simulated plant on this machine alone", demoUsage, runDemo}}
}

func runDemo(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := flags("demo")
	speed := fs.Float64("speed", 120, "simulated seconds in a real second, 1 to 1440")
	seed := fs.Uint64("seed", 1, "seed of all randomness: the same seed gives the same plant")
	limit := fs.Duration("for", 0, "stop after this real time, such as 5m (0: run until interrupted)")
	listen := fs.String("listen", "127.0.0.1:9640", "address of the HTTP server")
	broker := fs.String("broker", "127.0.0.1:1884", "address of the broker inside the process")
	record := fs.String("record", "", "record into this `folder`, which is made, for ebbwatch replay")
	verbose := fs.Bool("verbose", false, "show the log as well")
	if err := parse(fs, demoUsage, args, stdout); err != nil {
		return err
	}
	if !(*speed >= 1 && *speed <= 1440) {
		return badInput{fmt.Errorf("--speed %g: expected 1 to 1440", *speed)}
	}
	if *limit < 0 {
		return badInput{errors.New("--for must not be negative")}
	}
	if *limit > 0 {
		var cancel context.CancelFunc
		ctx, cancel = context.WithTimeout(ctx, *limit)
		defer cancel()
	}
	log := slog.New(slog.DiscardHandler)
	if *verbose {
		log = slog.New(slog.NewTextHandler(stderr, nil))
	}
	dir, err := os.MkdirTemp("", "ebbwatch-demo-")
	if err != nil {
		return fmt.Errorf("make a folder for the demo's journal: %w", err)
	}
	defer os.RemoveAll(dir)

	plant, err := demo.Start(ctx, demo.Options{
		Seed: *seed, Speed: *speed, Dir: dir, Log: log, Listen: *listen, BrokerAddress: *broker,
	})
	if err != nil {
		return badInput{err}
	}
	defer plant.Close()
	site, err := config.Parse("demo site", plant.SiteYAML(), config.ParseOptions{})
	if err != nil {
		return fmt.Errorf("the demo's own site file has a fault: %w", err)
	}
	if *record != "" {
		if err := recordDemo(*record, site, plant.SiteYAML()); err != nil {
			return badInput{err}
		}
	}
	n := &narrator{out: stdout, site: site, every: time.Duration(10 * *speed * float64(time.Second))}
	n.next = plant.Now().Add(time.Duration(float64(firstLook) * *speed))
	err = watch(ctx, site, watching{
		log: log, now: plant.Now, speed: *speed, onStep: n.step, recording: *record,
		ready: func(http string) { introduce(stdout, *speed, http, plant.BrokerAddr(), site.Name) },
	})
	if errors.Is(context.Cause(ctx), context.DeadlineExceeded) {
		fmt.Fprintf(stdout, "stopped after %s, as asked\n", *limit)
	}
	return err
}

// introduce tells where to look.
func introduce(w io.Writer, speed float64, http, broker, site string) {
	fmt.Fprintf(w, `Kestrel Ridge, an invented plant, simulated %gx faster than real time. Nothing leaves this machine.

  browser      http://%[2]s/
  scraper      http://%[2]s/metrics
  MQTT client  tcp://%[3]s, topics ebbwatch/v1/%[4]s/#

It informs; it is not a safety system. Stop it with Ctrl-C.

`, speed, http, broker, site)
}

// recordDemo lets the demo be recorded, with its site file beside the recording.
func recordDemo(folder string, site *config.Site, text []byte) error {
	if err := os.MkdirAll(folder, 0o755); err != nil {
		return err
	}
	site.Recording = &config.Recording{MaxBytes: 1_000_000_000}
	return os.WriteFile(filepath.Join(folder, "site.yaml"), text, 0o644)
}
