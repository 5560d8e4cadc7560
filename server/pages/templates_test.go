package pages

import (
	"io/fs"
	"regexp"
	"testing"
)

var asked = regexp.MustCompile(`[( ]"([a-z_0-9]+\.[a-z_0-9]*[a-z0-9])"`)

// Every text that a template asks for by its whole key is there.
func TestTemplatesAskForTextsThatAreThere(t *testing.T) {
	n := 0
	err := fs.WalkDir(templates, "templates", func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		b, err := fs.ReadFile(templates, name)
		if err != nil {
			return err
		}
		for _, m := range asked.FindAllStringSubmatch(string(b), -1) {
			n++
			if !In("en").Has(m[1]) {
				t.Errorf("%s asks for %s, which is not in the catalogue", name, m[1])
			}
		}
		return nil
	})
	if err != nil || n == 0 {
		t.Fatalf("%d texts, %v", n, err)
	}
}

// The page of components shows every part that pages share, itself or within another one.
func TestComponentsShowEveryPart(t *testing.T) {
	read := func(name string) string {
		b, err := fs.ReadFile(templates, "templates/"+name)
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	parts := map[string]string{}
	defined := regexp.MustCompile(`{{define "(\w+)"}}`)
	text := ""
	for _, name := range []string{"parts.html", "review_parts.html", "account_parts.html", "tape_parts.html"} {
		text += read(name)
	}
	starts := defined.FindAllStringSubmatchIndex(text, -1)
	for i, at := range starts {
		end := len(text)
		if i+1 < len(starts) {
			end = starts[i+1][0]
		}
		parts[text[at[2]:at[3]]] = text[at[1]:end]
	}
	shown := map[string]bool{}
	var look func(text string)
	look = func(text string) {
		for _, m := range regexp.MustCompile(`{{template "(\w+)"`).FindAllStringSubmatch(text, -1) {
			if !shown[m[1]] {
				shown[m[1]] = true
				look(parts[m[1]])
			}
		}
	}
	look(read("components.html"))
	if len(parts) < 30 {
		t.Errorf("only %d parts found", len(parts))
	}
	for name := range parts {
		if !shown[name] {
			t.Errorf("%s is not shown", name)
		}
	}
}
