package main

import (
	"context"
	"encoding/binary"
	"io"
	"net"
	"strings"
	"testing"
	"time"

	"ebbwatch/agent/field"
	"ebbwatch/agent/plant"
	"ebbwatch/config"
)

// TestASlowLineOverruns polls an instrument that takes longer for each reply
// than its period: the plant sees it by the times of the readings alone.
func TestASlowLineOverruns(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	const think, period = 150 * time.Millisecond, 100 * time.Millisecond
	go answerLate(l, think)
	path := siteFile(t, func(s string) string {
		return strings.NewReplacer("127.0.0.1:9, timeout: 200ms", l.Addr().String()+", timeout: 2s", "every: 1s", "every: "+period.String()).Replace(s)
	})
	site, err := config.Load(path)
	if err != nil {
		t.Fatal(err)
	}
	core, err := plant.New(plantSettings(site))
	if err != nil {
		t.Fatal(err)
	}
	source, err := field.New(lines(site), field.Options{})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
	defer cancel()
	var pace plant.Figure
	if err := source.Run(ctx, func(b field.Batch) {
		for _, f := range core.Step(b.Readings[0].Time, b.Readings) {
			if f.Name == "line.line-a.pace" && f.Quality.Usable() {
				pace = f
				cancel()
			}
		}
	}); err != nil {
		t.Fatal(err)
	}
	if least := float64(think) / float64(period); pace.Value < least || !strings.Contains(pace.Detail, "analyser, read every ") {
		t.Errorf("the pace is %g, %q, expected at least %g", pace.Value, pace.Detail, least)
	}
}

// answerLate answers each Modbus TCP request for two registers with 1.0 after a
// while.
func answerLate(l net.Listener, think time.Duration) {
	for {
		c, err := l.Accept()
		if err != nil {
			return
		}
		go func() {
			defer c.Close()
			request := make([]byte, 12)
			for {
				if _, err := io.ReadFull(c, request); err != nil {
					return
				}
				<-time.After(think)
				reply := append([]byte{}, request[:8]...)
				binary.BigEndian.PutUint16(reply[4:], 7)
				reply = append(reply, 4, 0x3F, 0x80, 0, 0)
				if _, err := c.Write(reply); err != nil {
					return
				}
			}
		}()
	}
}
