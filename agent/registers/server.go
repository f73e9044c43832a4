package registers

import (
	"context"
	"encoding/binary"
	"errors"
	"io"
	"log/slog"
	"net"
	"sync"
	"sync/atomic"
	"time"

	"ebbwatch/agent"
)

// The bounds of the server (own choice).
const (
	maxClients = 128
	// An unfinished request, or a client that reads no replies, is cut off after
	// this.
	frameTimeout = 5 * time.Second
)

// Of the MODBUS Application Protocol Specification V1.1b3 and of the MODBUS
// Messaging on TCP/IP Implementation Guide V1.0b (clauses from memory).
const (
	readCoils, readInputs = 1, 4
	readDiscretes         = 2
	exceptionFlag         = 0x80

	illegalFunction = 1
	illegalAddress  = 2
	illegalValue    = 3

	maxBits, maxRegisters = 2000, 125

	headerSize        = 7   // transaction, protocol, length, unit
	maxPDU            = 253 // 4.1
	leastLen, mostLen = 2, 1 + maxPDU
)

// Options are the parts of a server. Map and Snapshot are required.
type Options struct {
	Map *Map
	// Snapshot returns what holds now.
	Snapshot func() *agent.Snapshot
	// Now gives the time for ages, that of the snapshots; nil takes time.Now.
	Now func() time.Time
	Log *slog.Logger
}

// Server answers reads of the map. Every unit number is answered alike.
type Server struct {
	o       Options
	started time.Time

	mu      sync.Mutex
	clients map[net.Conn]*client

	served, refused, evicted atomic.Uint64
}

type client struct{ lastRequest time.Time }

// New makes a server that does not listen yet.
func New(o Options) *Server {
	if o.Now == nil {
		o.Now = time.Now
	}
	if o.Log == nil {
		o.Log = slog.New(slog.DiscardHandler)
	}
	return &Server{o: o, started: time.Now(), clients: map[net.Conn]*client{}}
}

// Stats is the work of a server since the start.
type Stats struct {
	Clients int
	// Served counts requests answered, Refused those among them answered with an
	// exception; Evicted the clients that made room for others.
	Served, Refused, Evicted uint64
}

// Stats may be called at any time from any goroutine.
func (s *Server) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	return Stats{len(s.clients), s.served.Load(), s.refused.Load(), s.evicted.Load()}
}

// Serve answers clients until ctx ends, then closes their connections and the
// listener. When all places are taken the client that has been silent the
// longest makes room for a new one.
func (s *Server) Serve(ctx context.Context, l net.Listener) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	defer context.AfterFunc(ctx, func() {
		l.Close()
		s.mu.Lock()
		defer s.mu.Unlock()
		for c := range s.clients {
			c.Close()
		}
	})()
	for {
		conn, err := l.Accept()
		if errors.Is(err, net.ErrClosed) {
			return nil
		}
		if err != nil {
			// Out of file descriptors, most likely: the next one may do better.
			select {
			case <-ctx.Done():
			case <-time.After(100 * time.Millisecond):
			}
			continue
		}
		s.admit(ctx, conn)
		wg.Go(func() {
			defer s.leave(conn)
			s.attend(conn)
		})
	}
}

func (s *Server) admit(ctx context.Context, conn net.Conn) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if len(s.clients) >= maxClients {
		var idle net.Conn
		for c, at := range s.clients {
			if idle == nil || at.lastRequest.Before(s.clients[idle].lastRequest) {
				idle = c
			}
		}
		idle.Close()
		delete(s.clients, idle)
		s.evicted.Add(1)
		s.o.Log.Warn("the register server is full: the client that was silent the longest was closed", "client", idle.RemoteAddr().String(), "clients", maxClients)
	}
	s.clients[conn] = &client{time.Now()}
	if ctx.Err() != nil {
		conn.Close()
	}
}

func (s *Server) leave(conn net.Conn) {
	conn.Close()
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.clients, conn)
}

// attend answers one client until its connection ends or sends what is no
// Modbus TCP.
func (s *Server) attend(conn net.Conn) {
	var frame, reply [headerSize + maxPDU]byte
	for {
		if conn.SetDeadline(time.Time{}) != nil {
			return
		}
		if _, err := io.ReadFull(conn, frame[:1]); err != nil {
			return
		}
		if conn.SetDeadline(time.Now().Add(frameTimeout)) != nil {
			return
		}
		if _, err := io.ReadFull(conn, frame[1:headerSize]); err != nil {
			return
		}
		length := int(binary.BigEndian.Uint16(frame[4:]))
		if binary.BigEndian.Uint16(frame[2:]) != 0 || length < leastLen || length > mostLen {
			return
		}
		pdu := frame[headerSize : headerSize+length-1]
		if _, err := io.ReadFull(conn, pdu); err != nil {
			return
		}
		s.mu.Lock()
		if c := s.clients[conn]; c != nil {
			c.lastRequest = time.Now()
		}
		s.mu.Unlock()
		answer := s.respond(reply[:headerSize], pdu)
		copy(answer, frame[:4])
		binary.BigEndian.PutUint16(answer[4:], uint16(len(answer)-headerSize+1))
		answer[6] = frame[6]
		if _, err := conn.Write(answer); err != nil {
			return
		}
	}
}

// respond appends the answer to a request PDU. The order of the checks is that of
// the specification's state diagrams: function, quantity, address.
func (s *Server) respond(to, pdu []byte) []byte {
	s.served.Add(1)
	function := pdu[0]
	refuse := func(code byte) []byte {
		s.refused.Add(1)
		return append(to, function|exceptionFlag, code)
	}
	if function < readCoils || function > readInputs {
		return refuse(illegalFunction)
	}
	if len(pdu) != 5 {
		return refuse(illegalValue)
	}
	address, quantity := int(binary.BigEndian.Uint16(pdu[1:])), int(binary.BigEndian.Uint16(pdu[3:]))
	bits := function <= readDiscretes
	most, has := maxRegisters, s.o.Map.has
	if bits {
		most, has = maxBits, s.o.Map.hasBits
	}
	switch {
	case quantity < 1 || quantity > most:
		return refuse(illegalValue)
	case !has(address, quantity):
		return refuse(illegalAddress)
	}
	snapshot := s.o.Snapshot()
	im := image{m: s.o.Map, s: snapshot, now: s.o.Now(), standing: time.Since(snapshot.Stepped), started: s.started}
	if !bits {
		to = append(to, function, byte(2*quantity))
		for i := range quantity {
			to = binary.BigEndian.AppendUint16(to, im.register(address+i))
		}
		return to
	}
	to = append(to, function, byte((quantity+7)/8))
	for i := range quantity {
		if i%8 == 0 {
			to = append(to, 0)
		}
		if im.bit(address + i) {
			to[len(to)-1] |= 1 << (i % 8)
		}
	}
	return to
}
