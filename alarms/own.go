package alarms

import "time"

// The catalogue of what ebbwatch says of its own telling. Each way out is told of
// over the others.

// BrokerFailing is the MQTT broker when events no longer reach it. The on-delay
// is common practice, no source.
func BrokerFailing(input string) Setting {
	return Setting{
		Name: "mqtt-failing", Kind: StateOn, Input: input, OnDelay: time.Minute, OffDelay: 10 * time.Second,
		Priority: High, Place: "ebbwatch", Subject: "The way to the MQTT broker",
		ShelveMax: 8 * time.Hour,
		LikelyCause: []string{
			"The broker or its machine is down.",
			"The network between is cut, or a password or certificate was changed.",
		},
		Consequence: "Whoever is told over MQTT hears nothing, and nobody can acknowledge there; events wait.",
		FirstAction: []string{
			"Watch the plant by other means until it is back, gas detectors first.",
			"Check the broker, its machine and the network between; the log of ebbwatch says what fails.",
		},
		RespondWithin: 15 * time.Minute,
	}
}

// NoticesFailing is a person who is not reached, by mail or webhook. The on-delay
// is common practice, no source.
func NoticesFailing(input string) Setting {
	return Setting{
		Name: "notices-failing", Kind: StateOn, Input: input, OnDelay: 2 * time.Minute, OffDelay: 10 * time.Second,
		Priority: High, Place: "ebbwatch", Subject: "The telling of people",
		ShelveMax: 8 * time.Hour,
		LikelyCause: []string{
			"The mail or web server is down, or refuses.",
			"A password, certificate or address was changed.",
			"The way to the outside is cut.",
		},
		Consequence: "Somebody who should be told of an alarm has not been.",
		FirstAction: []string{
			"Call those on duty yourself until it works.",
			"Check the mail server or web server that the message names, its address, its password and the way there.",
		},
		RespondWithin: 15 * time.Minute,
	}
}
