package notify

import (
	"context"
	"errors"
)

// Notify publishes a notice for a person to …/notice/{person}, and returns nil
// once the broker has acknowledged it. Without a connection it fails at once: the
// caller's outbox holds the notice.
func (p *Publisher) Notify(ctx context.Context, person string, body []byte) error {
	if !level(person) {
		return errors.New("the person's name cannot be part of a topic")
	}
	done := make(chan error, 1)
	p.mu.Lock()
	if !p.status.Connected {
		p.mu.Unlock()
		return errors.New("the broker is not connected")
	}
	p.notices = append(p.notices, message{topic: p.root + "/notice/" + person, qos: 1, payload: body, done: done})
	p.mu.Unlock()
	p.nudge()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

// fail tells those who wait for an acknowledgement that none will come.
func fail(ms []message) {
	for _, m := range ms {
		if m.done != nil {
			m.done <- errors.New("the connection to the broker was lost before it acknowledged the notice")
		}
	}
}
