package main

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/alecthomas/kong"
)

// settled parses a command line of serve as run does.
func settled(t *testing.T, args ...string) (serveCmd, error) {
	t.Helper()
	var cli commands
	var given settings
	parser, err := kong.New(&cli, kong.Resolvers(&given), kong.WithHyphenPrefixedParameters(true))
	if err != nil {
		t.Fatal(err)
	}
	given.take(parser)
	if _, err := parser.Parse(append([]string{"serve"}, args...)); err != nil {
		t.Fatal(err)
	}
	return cli.Serve, given.problems(&cli.Serve)
}

func settingsIn(t *testing.T, text string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "beltend.toml")
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

func TestFlagBeatsEnvironmentBeatsFile(t *testing.T) {
	file := settingsIn(t, "# a quarry\nqueue = 3\nworkers = 3\ndeadline = \"3s\"\nlisten = \"127.0.0.1:3\"\ntls = true\nname = \"Kestrel Hollow\"\n")
	t.Setenv("BELTEND_QUEUE", "2")
	t.Setenv("BELTEND_WORKERS", "2")
	t.Setenv("BELTEND_NAME", "") // as good as not set
	t.Setenv("BELTEND_DATA", t.TempDir())
	c, err := settled(t, "--config", file, "--queue", "1")
	if err != nil {
		t.Fatal(err)
	}
	if c.Queue != 1 || c.Workers != 2 || c.Deadline != 3*time.Second || c.Listen != "127.0.0.1:3" || !c.TLS || c.Name != "Kestrel Hollow" {
		t.Errorf("from flag 1, environment 2, file 3: %+v", c)
	}
	if c.WorkerMemory != 2048 {
		t.Errorf("a default is %d", c.WorkerMemory)
	}
	t.Setenv("BELTEND_CONFIG", file)
	t.Setenv("BELTEND_TLS", "false")
	if c, err := settled(t); err != nil || c.Queue != 2 || c.Deadline != 3*time.Second || c.TLS {
		t.Errorf("with the file named in the environment: %+v, %v", c, err)
	}
	// The same file serves every command; each takes what it has.
	if code, _, err := beltend(t, "account", "list", "--config", file); code != 0 {
		t.Errorf("account list: exit %d, %s", code, err)
	}
}

func TestEveryWrongSettingIsNamedAtOnce(t *testing.T) {
	file := settingsIn(t, "listen = \"here\"\nqueu = 3\n\ndeadline = 60\nphotos = [\"a\"]\nworkers = 1.5\n[serve]\ntls = true\n")
	t.Setenv("BELTEND_WORKER_MEMORY", "much")
	t.Setenv("BELTEND_TLS", "maybe")
	code, out, err := beltend(t, "serve", "--config", file, "--queue", "-1", "--tls-key", "k.pem")
	if code != exitUsage || out != "" {
		t.Errorf("exit %d, %q", code, out)
	}
	lines := strings.Split(strings.TrimSpace(err), "\n")
	for _, want := range []string{
		"--queue: -1 is out of range",
		"--tls-key: a key needs its certificate",
		"BELTEND_WORKER_MEMORY: \"much\" is not a whole number",
		"BELTEND_TLS: \"maybe\" is not true or false",
		"beltend.toml line 1: listen: \"here\" is no address",
		"beltend.toml line 2: queu: there is no such setting",
		"beltend.toml line 4: deadline: \"60\" is not a time",
		"beltend.toml line 5: photos: [a] is no single value",
		"beltend.toml line 6: workers: \"1.5\" is not a whole number",
		"beltend.toml line 7: serve: ",
	} {
		if !slices.ContainsFunc(lines, func(l string) bool { return strings.HasPrefix(l, "beltend: "+want) }) {
			t.Errorf("nothing says %q in\n%s", want, err)
		}
	}
	if len(lines) != 10 {
		t.Errorf("%d lines, want 10:\n%s", len(lines), err)
	}
	// A value that another place overrides is nobody's problem.
	t.Setenv("BELTEND_QUEUE", "many")
	if _, err := settled(t, "--queue", "1"); strings.Contains(err.Error(), "QUEUE") {
		t.Error(err)
	}
	if _, err := settled(t, "--config", settingsIn(t, "queue = 99999\n"), "--queue", "-5"); !strings.Contains(err.Error(), "--queue: -5") {
		t.Error(err)
	}
}

func TestAFileOfSettingsThatCannotBeRead(t *testing.T) {
	for text, want := range map[string]string{
		"queue = 1\nqueue = 2\n": "queue",
		"queue: 16\n":            "line 1",
		"queue = \n":             "line 1",
		"\xff":                   "no file of settings",
	} {
		if code, _, err := beltend(t, "health", "--config", settingsIn(t, text)); code != exitUsage || !strings.Contains(err, "--config") || !strings.Contains(err, want) {
			t.Errorf("%q: exit %d, %s", text, code, err)
		}
	}
	if code, _, err := beltend(t, "health", "--config", "nowhere.toml"); code != exitUsage || !strings.Contains(err, "nowhere.toml") {
		t.Errorf("no file: exit %d, %s", code, err)
	}
}

// Whoever puts a password into an address does not find it in a log.
func TestAddressesAreNotRepeated(t *testing.T) {
	t.Setenv("BELTEND_DATABASE", "postgres://u:geheim@db/x")
	if _, err := settled(t); err == nil || strings.Contains(err.Error(), "geheim") || !strings.Contains(err.Error(), "photo store") {
		t.Errorf("%v", err)
	}
}
