package main

import (
	"fmt"
	"io"
	"regexp"
	"strings"
)

// writeMan prints the manual in the macros of man(7).
func writeMan(w io.Writer, all []explanation) error {
	var b strings.Builder
	v, _ := build()
	fmt.Fprintf(&b, ".TH EBBWATCH 1 \"\" \"ebbwatch %s\" \"ebbwatch\"\n", roff(v))
	b.WriteString(".SH NAME\nebbwatch \\- watch the chlorine of a drinking\\-water plant\n")
	b.WriteString(".SH SYNOPSIS\n.B ebbwatch\n.I COMMAND\n[flags]\n")
	b.WriteString(".SH DESCRIPTION\n" + roffText("It watches disinfection, supply and leaks: it reads instruments and tells people.\n\n"+caution))
	b.WriteString(".SH COMMANDS\n")
	last := ""
	for _, e := range all {
		if e.words[0] != last || len(e.words) == 1 {
			fmt.Fprintf(&b, ".SS ebbwatch %s\n%s", roff(e.words[0]), roffText(e.help))
		}
		last = e.words[0]
		if len(e.words) > 1 {
			fmt.Fprintf(&b, ".P\n.B ebbwatch %s\n", roff(e.name()))
		}
		for _, f := range e.flags {
			value, about, _ := placeholder(f)
			if f.DefValue != "" && f.DefValue != "false" && f.DefValue != "0" && f.DefValue != "0s" {
				about += "; without it " + f.DefValue
			}
			fmt.Fprintf(&b, ".TP\n.BI \\-\\-%s \" %s\"\n%s", roff(f.Name), roff(value), roffText(about))
		}
	}
	b.WriteString(".SH TASKS\n")
	for _, task := range tasks {
		title, body := taskPage(task)
		fmt.Fprintf(&b, ".SS %s\n%s", roff(title), roffText(body))
	}
	b.WriteString(".SH EXIT STATUS\n" + roffText(exitStatuses))
	b.WriteString(".SH FILES\n.TP\n.I /etc/ebbwatch/site.yaml\nthe site file of the packaged service\n.TP\n.I /var/lib/ebbwatch\nits usual state folder: what must survive a restart\n")
	_, err := io.WriteString(w, b.String())
	return err
}

var numbered = regexp.MustCompile(`^(\d+)\. (.*)$`)

// roffText formats plain text: paragraphs, numbered steps, and what is indented,
// which stays as it is.
func roffText(text string) string {
	var b strings.Builder
	verbatim, empty := false, false
	for _, line := range strings.Split(strings.TrimRight(text, "\n"), "\n") {
		step := numbered.FindStringSubmatch(line)
		inside := strings.HasPrefix(line, "    ") || strings.HasPrefix(line, "  ") && !strings.HasPrefix(line, "   ")
		if line != "" && inside != verbatim {
			if inside {
				b.WriteString(".sp\n.nf\n")
			} else {
				b.WriteString(".fi\n")
			}
			verbatim = inside
		}
		switch {
		case line == "":
			empty = true
			continue
		case step != nil:
			fmt.Fprintf(&b, ".IP %s. 4\n%s\n", step[1], roff(step[2]))
		case inside:
			b.WriteString(roff(line) + "\n")
		default:
			if empty {
				b.WriteString(".P\n")
			}
			b.WriteString(roff(strings.TrimSpace(line)) + "\n")
		}
		empty = false
	}
	if verbatim {
		b.WriteString(".fi\n")
	}
	return b.String()
}

// roff escapes what the formatter would take as its own.
func roff(s string) string {
	s = strings.NewReplacer(`\`, `\e`, `-`, `\-`, `'`, `\(aq`, "`", "", `"`, `\(dq`, "…", "...", "µ", `\(mc`, "³", "3", "·", ".").Replace(s)
	if strings.HasPrefix(s, ".") {
		s = `\&` + s
	}
	return s
}
