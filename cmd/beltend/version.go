package main

import (
	"fmt"
	"runtime/debug"
)

type versionCmd struct{}

// Run prints the version.
func (versionCmd) Run(std streams) error {
	fmt.Fprintln(std.out, "beltend", version())
	return nil
}

// version is the module's version or, built from a clone, the commit.
func version() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	v, commit, changed := info.Main.Version, "", ""
	for _, s := range info.Settings {
		switch {
		case s.Key == "vcs.revision":
			commit = s.Value[:min(12, len(s.Value))]
		case s.Key == "vcs.modified" && s.Value == "true":
			changed = "+changes"
		}
	}
	switch {
	case v != "" && v != "(devel)":
		return v
	case commit != "":
		return commit + changed
	}
	return "development"
}
