//go:build !minimal

package main

import (
	"crypto/sha256"
	"path/filepath"
	"slices"
	"testing"

	"ebbwatch/agent/page"
	"ebbwatch/agent/plant"
	"ebbwatch/alarms/notify"
	"ebbwatch/config"
)

// TestPageKnowsThePlant: every name that the page is given is one of a figure or an
// alarm, and no part of the site is left out.
func TestPageKnowsThePlant(t *testing.T) {
	for _, name := range []string{"minimal", "kestrel-ridge", "every-key"} {
		t.Run(name, func(t *testing.T) {
			site, err := config.Load(filepath.Join("..", "..", "testdata", "sites", name+".yaml"))
			if err != nil {
				t.Fatal(err)
			}
			core, err := plant.New(plantSettings(site))
			if err != nil {
				t.Fatal(err)
			}
			figures := core.Names()
			shown := pageSite(site)
			isFigure := func(of, name string) {
				if !slices.Contains(figures, name) {
					t.Errorf("%s: no figure is called %q", of, name)
				}
			}
			containers, detectors, points := 0, 0, 0
			for _, b := range shown.Banks {
				isFigure(b.Name, plant.Name(plant.BankKind, b.Name, plant.TimeToEmpty))
				for _, c := range b.Containers {
					containers++
					isFigure(c.Name, c.Weight)
					if c.Full <= c.Heel || c.Full <= 0 {
						t.Errorf("container %s holds %v kg full and keeps %v kg", c.Name, c.Full, c.Heel)
					}
				}
			}
			for _, s := range shown.Segments {
				for _, p := range []string{s.Residual, s.PH, s.Temperature} {
					isFigure(s.Name, p)
				}
				if s.Flow != "" { // the sum of several outlets has no figure
					isFigure(s.Name, s.Flow)
				}
			}
			for _, tr := range shown.Trains {
				isFigure(tr.Name, plant.Name(plant.TrainKind, tr.Name, plant.InactivationRatio))
				for _, g := range tr.Segments {
					isFigure(tr.Name, plant.Name(plant.SegmentKind, g, plant.CT))
				}
			}
			if len(shown.Trains) != len(site.Trains) {
				t.Errorf("%d trains are shown, want %d", len(shown.Trains), len(site.Trains))
			}
			for _, r := range shown.Rooms {
				for _, d := range r.Detectors {
					detectors++
					isFigure(r.Name, plant.Name(plant.DetectorKind, d, plant.GasLevel))
				}
			}
			for _, l := range shown.Lines {
				isFigure(l.Name, plant.Name(plant.LineKind, l.Name, plant.Lost))
				for _, in := range l.Instruments {
					isFigure(in.Name, plant.Name(plant.InstrumentKind, in.Name, plant.Lost))
					for _, p := range in.Points {
						points++
						isFigure(in.Name, p)
					}
				}
			}
			for _, l := range shown.Limits {
				isFigure(l.Alarm, l.Figure)
			}
			wantContainers, wantPoints := 0, 0
			for _, b := range site.Banks {
				wantContainers += len(b.Containers)
			}
			for _, in := range site.Instruments {
				wantPoints += len(in.Points)
			}
			if containers != wantContainers || detectors != len(site.Detectors) || points != wantPoints || len(shown.Segments) != len(site.Segments) {
				t.Errorf("the page has %d containers, %d detectors, %d points, %d segments; the site %d, %d, %d, %d",
					containers, detectors, points, len(shown.Segments), wantContainers, len(site.Detectors), wantPoints, len(site.Segments))
			}
		})
	}
}

// TestPageHoldsNoKey: the page is given what proves a key, never the key.
func TestPageHoldsNoKey(t *testing.T) {
	got := pageRoles([]notify.Role{{Name: "operator", Key: []byte("a-key")}})
	if want := (page.Role{Name: "operator", KeySum: sha256.Sum256([]byte("a-key"))}); len(got) != 1 || got[0] != want {
		t.Errorf("got %v, want %v", got, want)
	}
}
