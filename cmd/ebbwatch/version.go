package main

import (
	"context"
	"fmt"
	"io"
	"runtime"
	"runtime/debug"
)

const versionUsage = "ebbwatch version shows version, commit and Go version.\n\n  ebbwatch version\n"

// version and commit are set by a release build; otherwise they come from the
// build information that Go stamps in.
var version, commit string

// build returns the version and commit of this binary.
func build() (v, c string) {
	v, c = version, commit
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return or(v, "unknown"), or(c, "unknown")
	}
	if v == "" && info.Main.Version != "(devel)" {
		v = info.Main.Version
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" && c == "" {
			c = s.Value
		}
	}
	return or(v, "development"), or(c, "unknown")
}

func or(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}

func runVersion(_ context.Context, args []string, stdout, _ io.Writer) error {
	fs := flags("version")
	if err := parse(fs, versionUsage, args, stdout); err != nil {
		return err
	}
	v, c := build()
	fmt.Fprintf(stdout, "ebbwatch %s, commit %s, %s %s/%s\n", v, c, runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return nil
}
