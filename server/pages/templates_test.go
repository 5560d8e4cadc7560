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
