package main

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"reflect"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
	"github.com/pelletier/go-toml/v2"

	"beltend/server/measure"
)

// configFlag is embedded by every command that has settings.
type configFlag struct {
	Config string `placeholder:"FILE" setting:"config" help:"File of settings (TOML): one line each, named like the flags, as in listen = \"127.0.0.1:8080\"."`
}

// checker is a command that looks at its settings before it runs, and names
// everything that is wrong with them.
type checker interface{ check() []*measure.UsageError }

// settings gives flags that are not on the command line their values: from the
// environment, or else from the file. A setting is a flag with the tag
// setting:"NAME"; NAME is its key in the file, BELTEND_NAME in the environment.
// What is wrong is collected, so that all of it is told at once.
type settings struct {
	known  map[string]bool   // all settings that there are
	file   *settingsFile     // nil: not read yet
	source map[string]string // where a setting's value came from, where not from its flag
	wrong  wrongSettings
	named  map[string]bool // settings that wrong names
}

// settingsFile is a file of settings as read.
type settingsFile struct {
	values map[string]any
	line   map[string]int
}

func envName(setting string) string {
	return "BELTEND_" + strings.ToUpper(strings.ReplaceAll(setting, "-", "_"))
}

// take prepares every setting of a parser: its help tells the environment's name
// for it, and a value that cannot be read is collected.
func (s *settings) take(parser *kong.Kong) {
	s.known, s.source, s.named = map[string]bool{}, map[string]string{}, map[string]bool{}
	_ = kong.Visit(parser.Model, func(node kong.Visitable, next kong.Next) error {
		if flag, ok := node.(*kong.Flag); ok && flag.Tag.Has("setting") {
			name := flag.Tag.Get("setting")
			s.known[name] = true
			flag.Help += " [" + envName(name) + "]"
			flag.Mapper = collecting{flag.Mapper, name, s}
		}
		return next(nil)
	})
}

// collecting is a mapper whose errors are collected.
type collecting struct {
	kong.Mapper
	name string
	s    *settings
}

// Decode never fails.
func (m collecting) Decode(ctx *kong.DecodeContext, target reflect.Value) error {
	text := fmt.Sprint(ctx.Scan.Peek().Value)
	if err := m.Mapper.Decode(ctx, target); err != nil {
		want := map[reflect.Kind]string{reflect.Int: "a whole number", reflect.Int64: "a time like 90s or 2m", reflect.Bool: "true or false"}[target.Kind()]
		m.s.add(m.name, m.s.from(m.name), "%q is not %s", text, want)
	}
	return nil
}

// IsBoolFromValue says whether the flag stands alone.
func (m collecting) IsBoolFromValue(v reflect.Value) bool {
	b, ok := m.Mapper.(kong.BoolMapper)
	return ok && b.IsBool()
}

func (s *settings) add(name, from, format string, a ...any) {
	s.wrong = append(s.wrong, from+": "+fmt.Sprintf(format, a...))
	s.named[name] = true
}

// from says where a setting's value came from.
func (s *settings) from(name string) string {
	if from := s.source[name]; from != "" {
		return from
	}
	return "--" + name
}

// Validate has nothing to look at before the command is known.
func (s *settings) Validate(*kong.Application) error { return nil }

// Resolve gives a flag that is not on the command line its value; nil: none.
func (s *settings) Resolve(ctx *kong.Context, _ *kong.Path, flag *kong.Flag) (any, error) {
	if !flag.Tag.Has("setting") {
		return nil, nil
	}
	if s.file == nil {
		s.read(ctx)
	}
	name := flag.Tag.Get("setting")
	if v := os.Getenv(envName(name)); v != "" {
		s.source[name] = envName(name)
		return v, nil
	}
	v, ok := s.file.values[name]
	if !ok {
		return nil, nil
	}
	s.source[name] = s.file.where(s.path(ctx), name)
	if flag.Target.Kind() == reflect.Bool {
		return v, nil
	}
	return fmt.Sprint(v), nil
}

// path of the file; empty: none is given.
func (s *settings) path(ctx *kong.Context) string {
	for _, flag := range ctx.Flags() {
		if flag.Tag.Get("setting") == "config" {
			if path, _ := ctx.FlagValue(flag).(string); path != "" {
				return path
			}
			s.source["config"] = envName("config")
			return os.Getenv(envName("config"))
		}
	}
	return ""
}

// read reads the file and names every key that is no setting.
func (s *settings) read(ctx *kong.Context) {
	s.file = &settingsFile{values: map[string]any{}}
	path := s.path(ctx)
	if path == "" {
		return
	}
	data, err := os.ReadFile(path)
	if err != nil {
		s.add("config", s.from("config"), "%q cannot be read: %v", path, errors.Unwrap(err))
		return
	}
	f, err := parseSettings(data)
	if err != nil {
		s.add("config", s.from("config"), "%q is no file of settings: %v", path, err)
		return
	}
	for _, key := range slices.Sorted(maps.Keys(f.values)) {
		from := f.where(path, key)
		switch v := f.values[key].(type) {
		case string, bool, int64, float64:
			if s.known[key] && key != "config" {
				continue
			}
			known := maps.Clone(s.known)
			delete(known, "config")
			s.add(key, from, "there is no such setting; there are %s", strings.Join(slices.Sorted(maps.Keys(known)), ", "))
		default:
			s.add(key, from, "%v is no single value: every setting is one line, as in queue = 16", v)
		}
		delete(f.values, key)
	}
	s.file = f
}

// parseSettings reads TOML and where its keys stand.
func parseSettings(data []byte) (*settingsFile, error) {
	f := &settingsFile{values: map[string]any{}, line: map[string]int{}}
	if err := toml.Unmarshal(data, &f.values); err != nil {
		var at *toml.DecodeError
		if errors.As(err, &at) {
			row, _ := at.Position()
			return nil, fmt.Errorf("line %d: %s", row, strings.TrimPrefix(at.Error(), "toml: "))
		}
		return nil, err
	}
	// Against a struct without fields the decoder names every key with its place.
	var missing *toml.StrictMissingError
	if errors.As(toml.NewDecoder(strings.NewReader(string(data))).DisallowUnknownFields().Decode(&struct{}{}), &missing) {
		for _, e := range missing.Errors {
			f.line[e.Key()[0]], _ = e.Position()
		}
	}
	return f, nil
}

func (f *settingsFile) where(path, key string) string {
	return fmt.Sprintf("%s line %d: %s", filepath.Base(path), f.line[key], key)
}

// problems are all that is wrong with a command's settings, each with where it
// came from. What could not be read is not checked further.
func (s *settings) problems(command any) error {
	if c, ok := command.(checker); ok {
		for _, p := range c.check() {
			if !s.named[p.Setting] {
				s.wrong = append(s.wrong, s.from(p.Setting)+": "+p.Message)
			}
		}
	}
	if len(s.wrong) == 0 {
		return nil
	}
	return s.wrong
}

// wrongSettings are messages, each naming the setting and where it came from.
type wrongSettings []string

func (w wrongSettings) Error() string { return strings.Join(w, "\n") }
