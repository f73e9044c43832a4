package demo

import (
	"fmt"
	"log/slog"

	mqtt "github.com/mochi-mqtt/server/v2"
	"github.com/mochi-mqtt/server/v2/listeners"
	"github.com/mochi-mqtt/server/v2/packets"
)

// broker is an MQTT broker inside the process.
type broker struct {
	server  *mqtt.Server
	address string
}

// everyone lets any client in, to all topics. The broker listens on loopback.
type everyone struct{ mqtt.HookBase }

func (*everyone) ID() string { return "everyone" }

func (*everyone) Provides(b byte) bool {
	return b == mqtt.OnConnectAuthenticate || b == mqtt.OnACLCheck
}

func (*everyone) OnConnectAuthenticate(*mqtt.Client, packets.Packet) bool { return true }

func (*everyone) OnACLCheck(*mqtt.Client, string, bool) bool { return true }

// openBroker listens on an address and serves.
func openBroker(address string) (*broker, error) {
	s := mqtt.New(&mqtt.Options{Logger: slog.New(slog.DiscardHandler)})
	if err := s.AddHook(new(everyone), nil); err != nil {
		return nil, fmt.Errorf("the broker cannot be set up: %w", err)
	}
	l := listeners.NewTCP(listeners.Config{ID: "loopback", Type: listeners.TypeTCP, Address: address})
	if err := s.AddListener(l); err != nil {
		s.Close()
		return nil, cannotListen("the broker", address, err)
	}
	if err := s.Serve(); err != nil {
		s.Close()
		return nil, fmt.Errorf("the broker cannot serve: %w", err)
	}
	return &broker{s, l.Address()}, nil
}

func (b *broker) close() { b.server.Close() }
