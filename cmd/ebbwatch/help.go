package main

import (
	"context"
	"embed"
	"errors"
	"flag"
	"fmt"
	"io"
	"strings"
)

const helpUsage = `ebbwatch help explains a command, or a task from the day of a plant, step by step.

  ebbwatch help check
  ebbwatch help power-cut

Without a word it lists both. --man prints the whole manual as a page for man(1),
--completion what lets a shell complete commands and flags.

  ebbwatch help --man > ebbwatch.1
  ebbwatch help --completion bash > /etc/bash_completion.d/ebbwatch
`

// manual holds the pages of the tasks.
//
//go:embed manual
var manual embed.FS

// tasks are the words for the pages, in the order of a plant's life.
var tasks = [...]string{"line", "container", "tuning", "detector-test", "handover", "trip", "report", "power-cut"}

// taskPage is the text of a task, "" when there is none. Its first line is the title.
func taskPage(task string) (title, body string) {
	b, err := manual.ReadFile("manual/" + task + ".md")
	if err != nil {
		return "", ""
	}
	title, body, _ = strings.Cut(string(b), "\n")
	return strings.TrimPrefix(title, "# "), strings.TrimLeft(body, "\n")
}

func runHelp(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	fs := flags("help")
	man := fs.Bool("man", false, "print the manual for man(1)")
	shell := fs.String("completion", "", "print the completion for a `shell`: bash, zsh or fish")
	if err := parseWords(fs, helpUsage, args, stdout); err != nil {
		return err
	}
	switch write := completion(*shell); {
	case *shell != "" && write == nil:
		return badInput{fmt.Errorf("--completion %q: expected bash, zsh or fish", *shell)}
	case *shell != "":
		return write(stdout, explained())
	case *man:
		return writeMan(stdout, explained())
	case fs.NArg() == 0:
		usage(stdout)
		return nil
	}
	word := strings.Join(fs.Args(), " ")
	if title, body := taskPage(word); title != "" {
		_, err := fmt.Fprintf(stdout, "%s\n\n%s", title, body)
		return err
	}
	for _, c := range commands() {
		if c.name == fs.Arg(0) {
			return c.run(ctx, append(fs.Args()[1:], "--help"), stdout, stderr)
		}
	}
	return badInput{fmt.Errorf("there is no command and no task %q; ebbwatch help lists them", word)}
}

// explanation is a command with its flags, for whoever writes of all commands.
type explanation struct {
	words []string // the command, and the word behind it where it needs one
	short string
	help  string
	flags []*flag.Flag
}

// name is the words of the command.
func (e explanation) name() string { return strings.Join(e.words, " ") }

// explained asks every command for its help, so that nothing is written twice.
func explained() []explanation {
	var out []explanation
	ask := func(c command, more ...string) {
		var a asked
		err := c.run(context.Background(), append(more, "--help"), &a, io.Discard)
		if !errors.Is(err, flag.ErrHelp) || a.flags == nil {
			panic(fmt.Sprintf("ebbwatch %s does not explain itself: %v", c.name, err))
		}
		e := explanation{words: append([]string{c.name}, more...), short: c.short, help: a.help}
		a.flags.VisitAll(func(f *flag.Flag) { e.flags = append(e.flags, f) })
		out = append(out, e)
	}
	for _, c := range commands() {
		if c.name != "calc" {
			ask(c)
			continue
		}
		for _, s := range sums() {
			ask(c, s.name)
		}
	}
	return out
}

// asked is a standard output that takes a command's help as it is, not as text.
type asked struct {
	help  string
	flags *flag.FlagSet
}

func (a *asked) Write(b []byte) (int, error) { return len(b), nil }

// placeholder is what stands for the value of a flag, "" for a switch; and
// whether it is the name of a file.
func placeholder(f *flag.Flag) (name, about string, file bool) {
	name, about = flag.UnquoteUsage(f)
	return strings.ToUpper(name), about, strings.HasSuffix(name, "file") || name == "folder"
}
