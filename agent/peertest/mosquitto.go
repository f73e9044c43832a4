package peertest

import (
	"bufio"
	"encoding/json"
	"fmt"
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"
)

// Login is a user of a broker that asks for a password. The zero value is nobody.
type Login struct{ User, Password string }

func (l Login) args() []string {
	if l.User == "" {
		return nil
	}
	return []string{"-u", l.User, "-P", l.Password}
}

// Broker is a mosquitto on loopback. What Keep does not ask for is in memory
// alone.
type Broker struct {
	t     testing.TB
	port  int
	conf  string
	login Login
	cmd   *exec.Cmd
	log   *os.File
}

// Mosquitto starts a broker on a free port until the test ends. With a login
// nobody else gets in.
func Mosquitto(t testing.TB, login Login) *Broker {
	t.Helper()
	Require(t, "mosquitto", "mosquitto_sub", "mosquitto_pub", "mosquitto_passwd")
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	b := &Broker{t: t, port: l.Addr().(*net.TCPAddr).Port, login: login}
	l.Close()
	dir := t.TempDir()
	b.conf = filepath.Join(dir, "mosquitto.conf")
	// Mosquitto started by root would become a user that cannot read the folder.
	conf := fmt.Sprintf("listener %d 127.0.0.1\nuser root\nallow_anonymous %t\n", b.port, login.User == "")
	if login.User != "" {
		passwords := filepath.Join(dir, "passwords")
		out, err := exec.Command(Tool(t, "mosquitto_passwd"), "-c", "-b", passwords, login.User, login.Password).CombinedOutput()
		if err != nil {
			t.Fatalf("mosquitto_passwd: %v: %s", err, out)
		}
		conf += "password_file " + passwords + "\n"
	}
	if err := os.WriteFile(b.conf, []byte(conf), 0o600); err != nil {
		t.Fatal(err)
	}
	if b.log, err = os.Create(filepath.Join(dir, "log")); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		b.Kill()
		if t.Failed() {
			text, _ := os.ReadFile(b.log.Name())
			t.Logf("mosquitto wrote:\n%s", text[max(0, len(text)-4000):])
		}
		b.log.Close()
	})
	b.Start()
	return b
}

// Address is host:port.
func (b *Broker) Address() string { return net.JoinHostPort("127.0.0.1", strconv.Itoa(b.port)) }

// URL is what a site file would name.
func (b *Broker) URL() string { return "tcp://" + b.Address() }

// PID is the broker's process while it runs.
func (b *Broker) PID() int { return b.cmd.Process.Pid }

// Keep lets the broker, once it is started again, write to disk what it holds
// when it is stopped in good order, and hold any number of messages for a
// subscriber that is away.
func (b *Broker) Keep() {
	b.t.Helper()
	b.Stop()
	b.configure("persistence true\npersistence_location " + filepath.Dir(b.conf) + "/\nmax_queued_messages 0\n")
	b.Start()
}

// Admit lets more users in, once the broker is started again, and narrows all of
// them to what an access-control list says.
func (b *Broker) Admit(acl string, logins ...Login) {
	b.t.Helper()
	b.Stop()
	dir := filepath.Dir(b.conf)
	for _, l := range logins {
		if out, err := exec.Command(Tool(b.t, "mosquitto_passwd"), "-b", filepath.Join(dir, "passwords"), l.User, l.Password).CombinedOutput(); err != nil {
			b.t.Fatalf("mosquitto_passwd: %v: %s", err, out)
		}
	}
	file := filepath.Join(dir, "acl")
	if err := os.WriteFile(file, []byte(acl), 0o600); err != nil {
		b.t.Fatal(err)
	}
	b.configure("acl_file " + file + "\n")
	b.Start()
}

// Bridge lets the broker pass on to another what a configuration says, once it is
// started again.
func (b *Broker) Bridge(conf string) {
	b.t.Helper()
	b.Stop()
	b.configure(conf)
	b.Start()
}

// As is the same broker for another user.
func (b *Broker) As(l Login) *Broker {
	other := *b
	other.login = l
	return &other
}

// configure adds to what a broker reads when it starts.
func (b *Broker) configure(lines string) {
	b.t.Helper()
	f, err := os.OpenFile(b.conf, os.O_APPEND|os.O_WRONLY, 0)
	if err != nil {
		b.t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteString(lines); err != nil {
		b.t.Fatal(err)
	}
}

// Start starts a stopped or killed broker on the same port. It answers when Start
// returns.
func (b *Broker) Start() {
	b.t.Helper()
	b.cmd = exec.Command(Tool(b.t, "mosquitto"), "-c", b.conf)
	b.cmd.Stderr = b.log
	if err := b.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	until(b.t, "mosquitto answered", func() bool {
		c, err := net.Dial("tcp", b.Address())
		if err != nil {
			return false
		}
		c.Close()
		return true
	})
}

// Stop ends the broker in good order.
func (b *Broker) Stop() { b.end(syscall.SIGTERM) }

// Kill ends the broker at once, as a power cut would.
func (b *Broker) Kill() { b.end(syscall.SIGKILL) }

func (b *Broker) end(s syscall.Signal) {
	if b.cmd == nil {
		return
	}
	b.cmd.Process.Signal(s)
	b.cmd.Wait() // the error is the signal
	b.cmd = nil
}

// Publish sends one message at QoS 1 through mosquitto_pub.
func (b *Broker) Publish(topic, payload string, retain bool) {
	b.t.Helper()
	args := append([]string{"-p", strconv.Itoa(b.port), "-q", "1", "-t", topic, "-s"}, b.login.args()...)
	if retain {
		args = append(args, "-r")
	}
	cmd := exec.Command(Tool(b.t, "mosquitto_pub"), args...)
	cmd.Stdin = strings.NewReader(payload)
	if out, err := cmd.CombinedOutput(); err != nil {
		b.t.Fatalf("mosquitto_pub: %v: %s", err, out)
	}
}

// Message is what a subscriber got.
type Message struct {
	Topic   string
	QoS     int
	Retain  bool
	Payload string
	// At is when it was read from the subscriber.
	At time.Time
}

// Subscriber is a mosquitto_sub at work.
type Subscriber struct {
	t    testing.TB
	cmd  *exec.Cmd
	done sync.WaitGroup

	mu         sync.Mutex
	subscribed int
	messages   []Message
}

// Subscribe starts a subscriber until the test ends. It is subscribed when
// Subscribe returns, and subscribes again when the broker is back. QoS 0 makes
// the broker hand on a message before it acknowledges it, with nothing kept in
// between.
func (b *Broker) Subscribe(qos int, topics ...string) *Subscriber {
	b.t.Helper()
	return b.subscribe([]string{"-q", strconv.Itoa(qos)}, topics)
}

// SubscribeAs is Subscribe at QoS 1 in a session with a name, in which the broker
// holds what comes while the subscriber is away.
func (b *Broker) SubscribeAs(id string, topics ...string) *Subscriber {
	b.t.Helper()
	return b.subscribe([]string{"-q", "1", "-c", "-i", id}, topics)
}

func (b *Broker) subscribe(session, topics []string) *Subscriber {
	b.t.Helper()
	// Stdbuf makes mosquitto_sub tell at once that it is subscribed.
	args := slices.Concat([]string{"-oL", Tool(b.t, "mosquitto_sub"), "-p", strconv.Itoa(b.port), "-d", "-F", "%j"}, session, b.login.args())
	for _, topic := range topics {
		args = append(args, "-t", topic)
	}
	s := &Subscriber{t: b.t, cmd: exec.Command(Tool(b.t, "stdbuf"), args...)}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		b.t.Fatal(err)
	}
	if err := s.cmd.Start(); err != nil {
		b.t.Fatal(err)
	}
	s.done.Go(func() {
		lines := bufio.NewScanner(out)
		lines.Buffer(nil, 1<<20)
		for lines.Scan() {
			s.take(lines.Text())
		}
	})
	b.t.Cleanup(s.End)
	s.Subscribed(1)
	return s
}

// Subscribed waits until the subscriber has subscribed n times in all. It has
// then read all that a broker that went away in between had sent.
func (s *Subscriber) Subscribed(n int) {
	s.t.Helper()
	until(s.t, fmt.Sprintf("mosquitto_sub was subscribed %d times", n), func() bool {
		s.mu.Lock()
		defer s.mu.Unlock()
		return s.subscribed >= n
	})
}

// take reads one line: a message in JSON, or what the -d option tells.
func (s *Subscriber) take(line string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if strings.HasPrefix(line, "Subscribed ") {
		s.subscribed++
	}
	if !strings.HasPrefix(line, "{") {
		return
	}
	var m struct {
		Topic   string `json:"topic"`
		QoS     int    `json:"qos"`
		Retain  int    `json:"retain"`
		Payload string `json:"payload"`
	}
	if err := json.Unmarshal([]byte(line), &m); err != nil {
		s.t.Errorf("mosquitto_sub wrote %q: %v", line, err)
	}
	s.messages = append(s.messages, Message{m.Topic, m.QoS, m.Retain != 0, m.Payload, time.Now()})
}

// Messages are those that came so far.
func (s *Subscriber) Messages() []Message { return s.Since(0) }

// Since are those that came after the first n.
func (s *Subscriber) Since(n int) []Message {
	s.mu.Lock()
	defer s.mu.Unlock()
	return slices.Clone(s.messages[n:])
}

// Wait returns the first message that fits.
func (s *Subscriber) Wait(what string, fits func(Message) bool) Message {
	s.t.Helper()
	var found Message
	seen := 0
	until(s.t, what, func() bool {
		more := s.Since(seen)
		i := slices.IndexFunc(more, fits)
		if i >= 0 {
			found = more[i]
		}
		seen += len(more)
		return i >= 0
	})
	return found
}

// End stops the subscriber and waits until all it got has been read.
func (s *Subscriber) End() {
	s.cmd.Process.Kill()
	s.done.Wait()
	s.cmd.Wait() // the error is that it was killed
}
