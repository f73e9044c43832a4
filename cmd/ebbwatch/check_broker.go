package main

import (
	"crypto/x509"
	"encoding/pem"
	"fmt"
	"io"
	"strings"
	"time"

	"ebbwatch/alarms/notify"
	"ebbwatch/config"
)

// showBroker shows where the alarms go, how soon a dead way there is noticed, and
// what it costs.
func showBroker(w io.Writer, m *config.MQTT, now time.Time) error {
	if m == nil {
		return nil
	}
	text := "\nThe alarms go to the broker " + m.Brokers[0]
	if rest := m.Brokers[1:]; len(rest) > 0 {
		text += ", and when it fails to " + strings.Join(rest, ", then ")
	}
	text += fmt.Sprintf(". A way there that carries nothing any more is noticed within %s.\n", notify.LostWithin)
	if m.PerDay > 0 {
		text += fmt.Sprintf("A quiet day sends and receives at most %d MB: figures and values become rarer as they become more.\n", m.PerDay/1e6)
	} else {
		text += "Figures go every 5 s, whatever that comes to: mqtt.per_day bounds it.\n"
	}
	if block, _ := pem.Decode(m.Certificate); block != nil {
		cert, err := x509.ParseCertificate(block.Bytes)
		if err != nil {
			return badInput{fmt.Errorf("the certificate of mqtt.certificate_file: %w", err)}
		}
		text += "The broker is shown " + validity(cert, now, "NO BROKER WILL TAKE IT") + ".\n"
	}
	_, err := io.WriteString(w, text)
	return err
}
