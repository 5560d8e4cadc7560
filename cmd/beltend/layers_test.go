package main

import (
	"os/exec"
	"strings"
	"testing"
)

// Imports run one way: geometry, then vision, then server, then cmd; and OpenCV is called in vision
// alone. go list sees indirect imports too, so no detour gets past.
func TestImportsRunOneWay(t *testing.T) {
	const opencv = "gocv.io/x/gocv"
	deps := func(pattern, format string) map[string][]string {
		t.Helper()
		out, err := exec.Command("go", "list", "-f", "{{.ImportPath}} {{join "+format+` " "}}`, pattern).Output()
		if err != nil {
			t.Fatalf("go list %s: %v", pattern, err)
		}
		of := map[string][]string{}
		for _, line := range strings.Split(strings.TrimSpace(string(out)), "\n") {
			f := strings.Fields(line)
			of[f[0]] = f[1:]
		}
		return of
	}
	for _, rule := range []struct{ who, imports, never string }{
		{"beltend/geometry/...", ".Deps", "beltend/vision beltend/server beltend/cmd " + opencv},
		{"beltend/vision/...", ".Deps", "beltend/server beltend/cmd"},
		{"beltend/server/...", ".Imports", "beltend/cmd " + opencv},
		{"beltend/cmd/...", ".Imports", opencv},
	} {
		looked := 0
		for pkg, imported := range deps(rule.who, rule.imports) {
			for _, dep := range imported {
				looked++
				for _, never := range strings.Fields(rule.never) {
					if dep == never || strings.HasPrefix(dep, never+"/") {
						t.Errorf("%s imports %s", pkg, dep)
					}
				}
			}
		}
		if looked == 0 {
			t.Errorf("%s: no import was looked at", rule.who)
		}
	}
}
