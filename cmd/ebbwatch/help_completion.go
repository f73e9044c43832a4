package main

import (
	"fmt"
	"io"
	"slices"
	"strings"
)

// completion gives what writes the completion of a shell, nil for one not known.
func completion(shell string) func(io.Writer, []explanation) error {
	return map[string]func(io.Writer, []explanation) error{"bash": writeBash, "zsh": writeZsh, "fish": writeFish}[shell]
}

// behind lists the words that may stand behind a command.
func behind(command string) []string {
	var words []string
	switch command {
	case "calc":
		for _, s := range sums() {
			words = append(words, s.name)
		}
	case "help":
		for _, c := range commands() {
			words = append(words, c.name)
		}
		words = append(words, tasks[:]...)
	}
	return words
}

// writeBash lets bash fall back to the names of files behind a flag with a value.
func writeBash(w io.Writer, all []explanation) error {
	var names, valued []string
	var cases strings.Builder
	for _, c := range commands() {
		names = append(names, c.name)
	}
	for _, e := range all {
		pattern, words := fmt.Sprintf("%q*", e.words[0]+" "), behind(e.words[0])
		if len(e.words) > 1 {
			pattern, words = fmt.Sprintf("%q", e.name()), nil
		}
		for _, f := range e.flags {
			words = append(words, "--"+f.Name)
			if value, _, _ := placeholder(f); value != "" && !slices.Contains(valued, "--"+f.Name) {
				valued = append(valued, "--"+f.Name)
			}
		}
		fmt.Fprintf(&cases, "  %s) words=%q ;;\n", pattern, strings.Join(append(words, "--help"), " "))
	}
	_, err := fmt.Fprintf(w, `# bash completion for ebbwatch, made by: ebbwatch help --completion bash
_ebbwatch() {
  local cur=${COMP_WORDS[COMP_CWORD]} prev=${COMP_WORDS[COMP_CWORD-1]} second= words=
  [ "$COMP_CWORD" -gt 2 ] && second=${COMP_WORDS[2]}
  case "${COMP_WORDS[1]} $second" in
%s  "calc "*) words=%q ;;
  esac
  [ "$COMP_CWORD" -gt 1 ] || words=%q
  COMPREPLY=()
  case " %s " in
  *" $prev "*) ;;
  *) mapfile -t COMPREPLY < <(compgen -W "$words" -- "$cur") ;;
  esac
}
complete -o default -F _ebbwatch ebbwatch
`, cases.String(), strings.Join(behind("calc"), " "), strings.Join(names, " "), strings.Join(valued, " "))
	return err
}

func writeZsh(w io.Writer, all []explanation) error {
	var b strings.Builder
	quote := func(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }
	plain := strings.NewReplacer(`\`, `\\`, "[", `\[`, "]", `\]`, ":", `\:`).Replace
	b.WriteString("#compdef ebbwatch\n# zsh completion for ebbwatch, made by: ebbwatch help --completion zsh\n_ebbwatch() {\n  local second=\n  if (( CURRENT == 2 )); then\n    local -a names=(\n")
	for _, c := range commands() {
		fmt.Fprintf(&b, "      %s\n", quote(c.name+":"+plain(c.short)))
	}
	b.WriteString("    )\n    _describe command names\n    return\n  fi\n  (( CURRENT > 3 )) && second=$words[3]\n  local key=\"$words[2] $second\"\n  shift words; (( CURRENT-- ))\n  case $key in\n")
	for _, e := range all {
		if len(e.words) > 1 {
			fmt.Fprintf(&b, "  %s) shift words; (( CURRENT-- )); _arguments", quote(e.name()))
		} else {
			fmt.Fprintf(&b, "  %s*) _arguments", quote(e.name()+" "))
		}
		for _, f := range e.flags {
			value, about, file := placeholder(f)
			spec := "--" + f.Name + "[" + plain(about) + "]"
			if value != "" {
				spec += ":" + plain(strings.ToLower(value)) + ":"
			}
			if file {
				spec += "_files"
			}
			b.WriteString(" \\\n    " + quote(spec))
		}
		b.WriteString(" \\\n    '--help[explain it]'")
		if words := behind(e.words[0]); len(e.words) == 1 && words != nil {
			b.WriteString(" \\\n    " + quote("1:word:("+strings.Join(words, " ")+")"))
		}
		b.WriteString(" ;;\n")
	}
	fmt.Fprintf(&b, "  'calc '*) compadd %s ;;\n  esac\n}\n_ebbwatch \"$@\"\n", strings.Join(behind("calc"), " "))
	_, err := io.WriteString(w, b.String())
	return err
}

func writeFish(w io.Writer, all []explanation) error {
	var b strings.Builder
	quote := func(s string) string { return "'" + strings.NewReplacer(`\`, `\\`, "'", `\'`).Replace(s) + "'" }
	b.WriteString("# fish completion for ebbwatch, made by: ebbwatch help --completion fish\ncomplete -c ebbwatch -f\n")
	for _, c := range commands() {
		fmt.Fprintf(&b, "complete -c ebbwatch -n __fish_use_subcommand -a %s -d %s\n", c.name, quote(c.short))
		if words := behind(c.name); words != nil {
			fmt.Fprintf(&b, "complete -c ebbwatch -n '__fish_seen_subcommand_from %s; and test (count (commandline -opc)) -eq 2' -a %s\n", c.name, quote(strings.Join(words, " ")))
		}
	}
	for _, e := range all {
		when := "__fish_seen_subcommand_from " + strings.Join(e.words, "; and __fish_seen_subcommand_from ")
		for _, f := range e.flags {
			value, about, file := placeholder(f)
			takes := ""
			if value != "" {
				takes = " -x"
			}
			if file {
				takes = " -r -F"
			}
			fmt.Fprintf(&b, "complete -c ebbwatch -n %s -l %s%s -d %s\n", quote(when), f.Name, takes, quote(about))
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
