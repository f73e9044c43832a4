package mail

import (
	"bytes"
	"encoding/base64"
	"fmt"
	"mime/quotedprintable"
	"net/mail"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"ebbwatch/alarms"
	"ebbwatch/alarms/escalation"
)

// late is the age over which a message says that it could not be sent before.
const late = 2 * time.Minute

// message writes a notice as RFC 5322 has it. Its id is the notice's, and it
// refers to the first one of its thread, so that a mail program shows them
// together.
func (s *Sender) message(to string, n *escalation.Notice) []byte {
	now := s.o.Now()
	var b bytes.Buffer
	header := func(name, value string) { fmt.Fprintf(&b, "%s: %s\r\n", name, value) }
	from := mail.Address{Name: s.o.Name, Address: s.o.From}
	header("From", from.String())
	header("To", (&mail.Address{Address: to}).String())
	header("Subject", encoded(n.Subject))
	header("Date", now.Format(time.RFC1123Z))
	header("Message-ID", s.id(n.ID))
	if n.First != "" {
		header("In-Reply-To", s.id(n.First))
		header("References", s.id(n.First))
	}
	header("Auto-Submitted", "auto-generated") // RFC 3834: no machine may answer
	if urgent(n) {
		header("Importance", "high")
	}
	header("MIME-Version", "1.0")
	header("Content-Type", "text/plain; charset=utf-8")
	header("Content-Transfer-Encoding", "quoted-printable")
	b.WriteString("\r\n")
	w := quotedprintable.NewWriter(&b)
	if age := now.Sub(n.Time); age > late {
		fmt.Fprintf(w, "THIS NOTICE IS LATE. It was made %s ago and could not be sent before. Look at how things stand now.\n\n", age.Round(time.Minute))
	}
	w.Write([]byte(n.Body)) // a buffer takes all
	w.Close()
	return b.Bytes()
}

func urgent(n *escalation.Notice) bool {
	c := &n.Condition
	return c.State.Unanswered() && (c.Priority == alarms.Critical || c.Priority == alarms.High)
}

func (s *Sender) id(notice string) string { return "<" + notice + "@" + s.domain + ">" }

// wordBytes is how much text one encoded word holds: with "Subject: " before it
// the line stays within 78 characters.
const wordBytes = 42

// encoded is a header's text: as it is when it is all ASCII, otherwise in encoded
// words (RFC 2047, 2), one in a line, none of which breaks a character.
func encoded(text string) string {
	text = strings.Map(func(r rune) rune {
		if r == '\r' || r == '\n' {
			return ' '
		}
		return r
	}, text)
	if !strings.ContainsFunc(text, func(r rune) bool { return r > unicode.MaxASCII }) {
		return text
	}
	var words []string
	var word []byte
	for _, r := range text {
		if len(word)+utf8.RuneLen(r) > wordBytes {
			words, word = append(words, encodedWord(word)), nil
		}
		word = utf8.AppendRune(word, r)
	}
	return strings.Join(append(words, encodedWord(word)), "\r\n ")
}

func encodedWord(text []byte) string {
	return "=?utf-8?b?" + base64.StdEncoding.EncodeToString(text) + "?="
}
