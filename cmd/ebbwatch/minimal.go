//go:build minimal

package main

// demoCommand is empty in a build with the tag minimal: a small board has no use
// for a simulated plant and its broker.
func demoCommand() []command { return nil }
