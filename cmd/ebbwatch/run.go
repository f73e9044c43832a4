package main

import (
	"context"
	"errors"
	"io"
	"log/slog"
	"os"
	"runtime/debug"
	"time"

	"ebbwatch/config"
)

const runUsage = `ebbwatch run watches the plant that a site file describes, until it is stopped.

  ebbwatch run --site /etc/ebbwatch/site.yaml
`

// startedAfter is when everything that only the start needs has been done.
const startedAfter = 30 * time.Second

func runDaemon(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := flags("run")
	siteFile := fs.String("site", "", "the site `file`")
	if err := parse(fs, runUsage, args, stdout); err != nil {
		return err
	}
	site, err := loadSite(*siteFile, "run")
	if err != nil {
		return err
	}
	clock := steadyClock{host: time.Now}
	w := watching{log: slog.New(slog.NewTextHandler(stderr, nil)), now: clock.now}
	if os.Getenv("GOGC") == "" {
		debug.SetGCPercent(40) // processor time is plenty on a small board, memory is not
	}
	// The start needs more memory than all that follows: hand it back.
	defer time.AfterFunc(startedAfter, debug.FreeOSMemory).Stop()
	if limit := memoryLimit(os.DirFS("/")); limit > 0 && os.Getenv("GOMEMLIMIT") == "" {
		debug.SetMemoryLimit(limit)
	}
	above, err := newSupervisor(os.Getenv, os.Getpid())
	if err != nil {
		return badInput{err}
	}
	if above != nil {
		w.onStep = above.step
		defer context.AfterFunc(ctx, above.stopping)()
	}
	return watch(ctx, site, w)
}

// loadSite reads the site file that a flag names.
func loadSite(path, command string) (*config.Site, error) {
	if path == "" {
		return nil, badInput{errors.New("which plant? give a site file with --site FILE; ebbwatch " + command + " --help shows an example")}
	}
	site, err := config.Load(path)
	if err != nil {
		var faults config.Faults
		if errors.As(err, &faults) {
			return nil, faults
		}
		return nil, badInput{err}
	}
	if err := unknownAlarms(site); err != nil {
		return nil, err
	}
	return site, nil
}
