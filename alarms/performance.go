package alarms

import "time"

type performance struct{}
type storedHealth struct{}
type alarmHealth struct{}

func (*performance) pass(*Evaluator, time.Time, time.Duration) {}
func (*performance) note(*alarm, *Transition)                  {}
func (*performance) stored() *storedHealth                     { return nil }
func (*performance) restore(*storedHealth)                     {}
func (*alarmHealth) stored() *alarmHealth                      { return nil }
func (*alarmHealth) restore(*alarmHealth)                      {}
