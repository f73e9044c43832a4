package main

import (
	"math"
	"syscall"
	"testing"
	"time"

	"ebbwatch/agent/peertest"
)

// The worst of the day, read from an analyser that nobody here wrote, stands
// after the daemon has been stopped and started, and the metrics show it.
func TestTheDayOutlivesTheProcess(t *testing.T) {
	peers := startPeers(t)
	set := func(residual float32) {
		w := float32Words(residual)
		peers.analysers.Set(2, peertest.Holdings, 0, w[1], w[0])
	}
	site, binary := peers.site(t, 100*time.Millisecond, "quiet-river"), buildBinary(t)
	first, address, log := startBinary(t, binary, site)
	day := func(address, name string) float64 {
		v, ok := metric(get(t, "http://"+address+"/metrics").body, "ebbwatch_segment_day_"+name)
		if !ok {
			return math.NaN()
		}
		return v
	}
	const residual, ratio, covered = `lowest_residual_mg_per_litre{segment="clearwell"}`, `inactivation_ratio{by="lowest",segment="clearwell"}`, `covered_ratio{segment="clearwell"}`
	began := time.Now().UTC().YearDay()
	eventually(t, "the day begins", func() bool { return day(address, residual) == 1.25 })
	set(0.5)
	eventually(t, "the day has its worst", func() bool { return day(address, residual) == 0.5 })
	set(1.25)
	eventually(t, "the residual is back", func() bool {
		v, _ := metric(get(t, "http://"+address+"/metrics").body, `ebbwatch_reading{point="residual-out",unit="mg/L"}`)
		return v == 1.25
	})
	worst, seen := day(address, ratio), day(address, covered)
	if err := first.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	if err := first.Wait(); err != nil {
		t.Fatalf("SIGTERM: %v\n%s", err, log.String())
	}
	_, address, _ = startBinary(t, binary, site)
	eventually(t, "the second run reads", func() bool { return !math.IsNaN(day(address, residual)) && day(address, covered) > 0 })
	got, lowest, after := day(address, residual), day(address, ratio), day(address, covered)
	if time.Now().UTC().YearDay() != began {
		t.Skip("midnight came between")
	}
	if got != 0.5 || lowest != worst || !(after >= seen) || !(worst > 0) {
		t.Errorf("after the restart the day's lowest are %g mg/L and the ratio %g with %g covered; before it 0.5, %g and %g", got, lowest, after, worst, seen)
	}
}
