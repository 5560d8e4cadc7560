package httpapi

import (
	"archive/zip"
	"bytes"
	"strings"
	"testing"

	"beltend/server/archive"
)

func TestWhatASearchFindsAsFiles(t *testing.T) {
	g := guard(t)
	d := describe(t)
	id := g.ours.ids["measurement"]
	for _, c := range []struct{ path, kind, says string }{
		{"/api/v1/measurements.csv", "text/csv", "id,time,site,"},
		{"/api/v1/measurements.jsonl", "application/jsonl", `{"id":"`},
		{"/api/v1/joints.csv", "text/csv", "id,site,"},
		{"/api/v1/joints.jsonl", "application/jsonl", `{"id":"`},
		{"/review/measurements.csv", "text/csv", "\ufeffid,time,site,"},
		{"/review/joints.csv", "text/csv", "\ufeffid,site,"},
	} {
		resp, body := g.ask(t, "technician", "GET", c.path, nil, "")
		if strings.HasPrefix(c.path, "/api/") {
			d.check(t, "get", c.path, resp, body)
		}
		if resp.StatusCode != 200 || !strings.HasPrefix(resp.Header.Get("Content-Type"), c.kind) || !strings.HasPrefix(string(body), c.says) ||
			!strings.Contains(string(body), "Alpha") || strings.Contains(string(body), "Zulu") || !strings.Contains(resp.Header.Get("Content-Disposition"), "attachment") {
			t.Errorf("%s: %s, %v\n%.300s", c.path, resp.Status, resp.Header, body)
		}
		if resp, body := g.ask(t, "technician", "GET", c.path+"?joint="+g.theirs.ids["joint"], nil, ""); resp.StatusCode != 200 || strings.Contains(string(body), g.theirs.ids["joint"]) {
			t.Errorf("%s of another site: %s %.300s", c.path, resp.Status, body)
		}
		if resp, body := g.ask(t, "technician", "GET", c.path+"?from=yesterday", nil, ""); resp.StatusCode != 400 {
			t.Errorf("%s with a wrong day: %s %.300s", c.path, resp.Status, body)
		}
	}
	if _, body := g.ask(t, "technician", "GET", "/api/v1/measurements.csv?text=nothingofthekind", nil, ""); strings.Count(string(body), "\n") != 1 {
		t.Errorf("a search that finds nothing: %q", body)
	}
	resp, body := g.ask(t, "reviewer", "GET", "/api/v1/export.zip?joint="+g.ours.ids["joint"], nil, "")
	d.check(t, "get", "/api/v1/export.zip", resp, body)
	c, err := archive.Check(t.Context(), bytes.NewReader(body), int64(len(body)), nil)
	if err != nil || len(c.Problems) != 0 || c.Measurements == 0 {
		t.Errorf("check: %+v, %v", c, err)
	}
	z, err := zip.NewReader(bytes.NewReader(body), int64(len(body)))
	if err != nil {
		t.Fatal(err)
	}
	there := false
	for _, f := range z.File {
		there = there || f.Name == "results/"+id+".json"
		if strings.Contains(f.Name, g.theirs.ids["measurement"]) {
			t.Errorf("%s of another site", f.Name)
		}
	}
	if !there {
		t.Error("the measurement is not in the export")
	}
	// The page offers the very search that it shows.
	if _, body := g.ask(t, "reviewer", "GET", "/review?text=alpha&verdict=&from=2020-01-01", nil, ""); !strings.Contains(string(body), "/review/measurements.csv?from=2020-01-01&amp;text=alpha") {
		t.Error("the list does not offer its search as a file")
	}
	if _, body := g.ask(t, "reviewer", "GET", "/review/m/"+id, nil, ""); !strings.Contains(string(body), "/api/v1/export.zip?joint="+g.ours.ids["joint"]) {
		t.Error("the record does not offer its joint as a file")
	}
}
