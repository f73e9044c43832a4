// Command ebbwatch watches the chlorine of a drinking-water plant: disinfection,
// supply and leaks. It reads instruments and tells people; it controls nothing.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"os"
	"os/signal"
	"syscall"

	"ebbwatch/config"
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// Exit statuses.
const (
	exitDone = 0 // what was asked is done
	exitNo   = 1 // the answer is no, or the work failed while running
	exitBad  = 2 // bad input: nothing was started
)

// command is one word of the command line.
type command struct {
	name, short, usage string
	run                func(ctx context.Context, args []string, stdout, stderr io.Writer) error
}

func commands() []command {
	first := []command{{"run", "watch the plant that a site file describes", runUsage, runDaemon}}
	return append(append(first, demoCommand()...), []command{
		{"calc", "do the trade's sums: ct, feed, limit, empty", calcUsage, runCalc},
		{"check", "check a site file and show what would be watched", checkUsage, runCheck},
		{"help", "explain a command or a task", helpUsage, runHelp},
		{"read", "read chosen points, or registers whose meaning is to be found", readUsage, runRead},
		{"record", "show the record of a day, a month or a shift", recordUsage, runRecord},
		{"replay", "run recorded readings through the same core, also with other settings", replayUsage, runReplay},
		{"version", "show version, commit and Go version", versionUsage, runVersion},
	}...)
}

// badInput marks an error that comes from what the user gave.
type badInput struct{ error }

func (e badInput) Unwrap() error { return e.error }

// errReported says that the messages are out and only the exit status is due.
var errReported = errors.New("reported")

// run is the whole program but for the process around it.
func run(ctx context.Context, args []string, stdout, stderr io.Writer) int {
	if len(args) == 0 {
		usage(stderr)
		return exitBad
	}
	if args[0] == "-h" || args[0] == "--help" {
		args = []string{"help"}
	}
	for _, c := range commands() {
		if c.name == args[0] {
			return status(c.run(ctx, args[1:], stdout, stderr), stderr)
		}
	}
	fmt.Fprintf(stderr, "ebbwatch: there is no command %q; ebbwatch help lists them\n", args[0])
	return exitBad
}

// status prints an error as a person can use it and picks the exit status.
func status(err error, stderr io.Writer) int {
	var faults config.Faults
	switch {
	case err == nil, errors.Is(err, flag.ErrHelp):
		return exitDone
	case errors.Is(err, errReported):
		return exitBad
	case errors.As(err, &faults):
		fmt.Fprintln(stderr, faults)
		return exitBad
	case errors.As(err, new(badInput)):
		fmt.Fprintln(stderr, "ebbwatch:", err)
		return exitBad
	default:
		fmt.Fprintln(stderr, "ebbwatch:", err)
		return exitNo
	}
}

func usage(w io.Writer) {
	fmt.Fprint(w, "ebbwatch watches the chlorine of a drinking-water plant: disinfection, supply and leaks.\n"+
		"It informs people. It is not a safety system and controls nothing.\n\nUsage: ebbwatch COMMAND [flags]\n\n")
	for _, c := range commands() {
		fmt.Fprintf(w, "  %-14s %s\n", c.name, c.short)
	}
	fmt.Fprint(w, "\nTasks, step by step: ebbwatch help TASK\n\n")
	for _, task := range tasks {
		title, _ := taskPage(task)
		fmt.Fprintf(w, "  %-14s %s\n", task, title)
	}
	fmt.Fprint(w, "\nEvery command explains itself with --help. Exit status: "+exitStatuses+"\n")
}

// caution stands before whatever explains the program.
const caution = `ebbwatch is not a safety system. It informs people; it controls and interlocks nothing,
and replaces neither a listed gas detection system nor the emergency plan of the
plant, which goes first, with local codes and licensed practice.`

const exitStatuses = "0 done, 1 the answer is no or the work failed, 2 bad input and nothing was started."

// flags makes a command's flag set; parse prints its messages.
func flags(name string) *flag.FlagSet {
	fs := flag.NewFlagSet(name, flag.ContinueOnError)
	fs.SetOutput(io.Discard)
	fs.Usage = func() {}
	return fs
}

// parse reads a command's flags. With --help it prints the help and returns
// flag.ErrHelp.
func parse(fs *flag.FlagSet, help string, args []string, stdout io.Writer) error {
	if err := parseWords(fs, help, args, stdout); err != nil {
		return err
	}
	if fs.NArg() > 0 {
		return badInput{fmt.Errorf("%q is not understood; ebbwatch %s --help explains the flags", fs.Arg(0), fs.Name())}
	}
	return nil
}

// parseWords is parse for a command that takes words behind its flags.
func parseWords(fs *flag.FlagSet, help string, args []string, stdout io.Writer) error {
	err := fs.Parse(args)
	if errors.Is(err, flag.ErrHelp) {
		if a, ok := stdout.(*asked); ok {
			a.help, a.flags = help, fs
		}
		fmt.Fprint(stdout, help, "\nFlags:\n")
		fs.SetOutput(stdout)
		fs.PrintDefaults()
		return flag.ErrHelp
	}
	if err != nil {
		return badInput{fmt.Errorf("%w; ebbwatch %s --help explains the flags", err, fs.Name())}
	}
	return nil
}
