package main

import (
	"bytes"
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"text/tabwriter"

	"ebbwatch/agent/plant"
	"ebbwatch/agent/registers"
	"ebbwatch/alarms"
	"ebbwatch/config"
)

// ownAlarms are those that ebbwatch may have about itself, by the way it tells.
// All have registers, so that a map does not depend on which are there.
var ownAlarms = []alarms.Setting{
	alarms.MemoryFailing(""), alarms.MemoryLost(""), alarms.BrokerFailing(""), alarms.NoticesFailing(""), alarms.RecordFailing(""),
}

// ownMap is the file in the folder of the journal that pins the addresses of a
// site which names no other.
const ownMap = "registers.csv"

// mapFile is where a site's pins are, and whether ebbwatch keeps them itself.
func mapFile(site *config.Site) (path string, own bool) {
	if site.Registers != nil && site.Registers.Map != "" {
		return site.Registers.Map, false
	}
	return filepath.Join(site.StateDir, ownMap), true
}

// registerMap is the map of a site: its pins, and after them what they do not
// have. Free counts the entries without a pin. Alarm names lie in the order of
// the snapshots.
func registerMap(site *config.Site, core *plant.Plant, alarmNames []string) (m *registers.Map, free int, err error) {
	var pins []registers.Pin
	path, own := mapFile(site)
	f, err := os.Open(path)
	switch {
	case err == nil:
		defer f.Close()
		if pins, err = registers.ReadPins(f); err != nil {
			return nil, 0, mapError(path, err)
		}
	case !own || !errors.Is(err, fs.ErrNotExist):
		return nil, 0, mapError(path, err)
	}
	for _, own := range ownAlarms {
		if !slices.Contains(alarmNames, own.Name) {
			alarmNames = append(alarmNames, own.Name)
		}
	}
	if m, err = registers.NewMap(core.Names(), alarmNames, pins); err != nil {
		return nil, 0, mapError(path, err)
	}
	m.LowWordFirst = site.Registers != nil && site.Registers.WordOrder == "low-first"
	return m, len(m.Pins()) - len(pins), nil
}

// keepPins writes down what has no pin yet, all at once or not at all.
func keepPins(path string, m *registers.Map) error {
	var text bytes.Buffer
	c := csv.NewWriter(&text)
	_ = c.Write([]string{"kind", "name", "address"}) // a buffer takes everything
	for _, p := range m.Pins() {
		_ = c.Write([]string{p.Kind, p.Name, fmt.Sprint(p.Address)})
	}
	c.Flush()
	f, err := os.CreateTemp(filepath.Dir(path), ownMap+".*")
	if err != nil {
		return err
	}
	defer os.Remove(f.Name()) // gone once it is renamed
	_, err = f.Write(text.Bytes())
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return err
	}
	return os.Rename(f.Name(), path)
}

func mapError(file string, err error) error {
	if errors.Is(err, fs.ErrNotExist) {
		err = errors.New("the file does not exist: make it with ebbwatch check --registers csv, or take the key map out")
	}
	return badInput{fmt.Errorf("register map %s: %w", file, err)}
}

// serveRegisters opens the register server of a site. It gives what runs it.
func serveRegisters(site *config.Site, core *plant.Plant, conditions []alarms.Condition, o registers.Options) (func(context.Context) error, error) {
	names := make([]string, len(conditions))
	for i := range conditions {
		names[i] = conditions[i].Alarm
	}
	m, free, err := registerMap(site, core, names)
	path, own := mapFile(site)
	if err != nil && own {
		// Watching goes before registers, and no registers before moved ones.
		o.Log.Error("NO REGISTERS ARE SERVED: their addresses are not known; mend the file, or take it away and look at every address anew", "error", err)
		return func(ctx context.Context) error { <-ctx.Done(); return nil }, nil
	}
	if err != nil {
		return nil, err
	}
	if own && free > 0 {
		if err := keepPins(path, m); err != nil {
			o.Log.Warn("addresses of registers cannot be written down: a change of the site file may move them", "registers", free, "error", err)
		}
	} else if free > 0 {
		o.Log.Warn("registers have no pin: a change of the site file may move them; write them down with ebbwatch check --registers csv", "registers", free)
	}
	l, err := net.Listen("tcp", site.Registers.Listen)
	if err != nil {
		return nil, badInput{fmt.Errorf("cannot listen on %s: %w: stop the program that holds this port, or choose another in registers.listen", site.Registers.Listen, err)}
	}
	o.Log.Info("serving registers", "modbus", l.Addr().String())
	o.Map = m
	server := registers.New(o)
	return func(ctx context.Context) error { return server.Serve(ctx, l) }, nil
}

// showRegisterMap prints the map of a site as CSV, which the key registers.map
// takes, or as a Markdown table.
func showRegisterMap(w io.Writer, form string, core *plant.Plant, rules []alarms.Setting, m *registers.Map) error {
	unit := map[string]string{}
	for _, f := range core.Figures() {
		unit[f.Name] = f.Unit.Symbol
	}
	priority := map[string]string{}
	for _, a := range append(ownAlarms, rules...) {
		priority[a.Name] = string(a.Priority)
	}
	row := func(p registers.Pin) []string {
		if m.Gone(p) {
			return []string{p.Kind, p.Name, fmt.Sprint(p.Address), "", "", "no longer there; kept free"}
		}
		if p.Kind == registers.Figure {
			return []string{p.Kind, p.Name, fmt.Sprint(p.Address), "4", unit[p.Name], "float32 value in 2, quality, age in s"}
		}
		return []string{p.Kind, p.Name, fmt.Sprint(p.Address), "2", "", priority[p.Name] + "; state, priority; bits from " + fmt.Sprint(registers.FirstBit(p.Address))}
	}
	head := []string{"kind", "name", "address", "registers", "unit", "holds"}
	if form == "csv" {
		c := csv.NewWriter(w)
		_ = c.Write(head) // Flush tells of an error
		for _, p := range m.Pins() {
			_ = c.Write(row(p))
		}
		c.Flush()
		return c.Error()
	}
	tw := tabwriter.NewWriter(w, 0, 0, 1, ' ', 0)
	line := func(cells []string) { fmt.Fprintln(tw, "| "+strings.Join(cells, "\t| ")+"\t|") }
	line(head)
	line([]string{"---", "---", "---:", "---:", "---", "---"})
	for _, p := range m.Pins() {
		line(row(p))
	}
	return tw.Flush()
}
