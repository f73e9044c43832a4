//go:build minimal

package main

import (
	"context"
	"net/http"

	"ebbwatch/agent"
	"ebbwatch/alarms"
	"ebbwatch/alarms/notify"
	"ebbwatch/config"
)

// demoCommand is empty in a build with the tag minimal: a small board has no use
// for a simulated plant and its broker.
func demoCommand() []command { return nil }

// openPage has no page to show in such a build, and says so.
func openPage(*config.Site, func() *agent.Snapshot, []notify.Role, func(context.Context, alarms.Order) alarms.Answer) (observe func(*agent.Snapshot), h http.Handler, err error) {
	return func(*agent.Snapshot) {}, http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
		http.Error(w, "this ebbwatch was built without the page: /metrics, /healthz and /readyz are here, alarms go to the broker and to people", http.StatusNotFound)
	}), nil
}
