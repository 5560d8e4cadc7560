package httpapi

import (
	"bytes"
	"encoding/json"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/store"
)

// recordAt is the kind of record that a part of a route names, by the part before it;
// "" where it names none.
func recordAt(before, part string) string {
	switch part {
	case ":id":
		return map[string]string{"joints": "joint", "m": "measurement", "measurements": "measurement", "cards": "card-set", "rounds": "round", "people": "account", "sites": "site"}[before]
	case ":before", ":after":
		return "measurement"
	case ":look", ":token":
		return part[1:]
	case ":hash":
		return "photo"
	}
	return ""
}

// naming is a route's address where the records at the places told by foreign, a bit
// each, are theirs and the others ours; places is how many there are.
func (g *guarded) naming(t *testing.T, route string, foreign int) (path string, places int) {
	t.Helper()
	parts := strings.Split(route, "/")
	before := ""
	for i, part := range parts {
		kind := recordAt(before, part)
		other, ok := map[string]string{":end": "leading", ":step": "cut", ":n": "1", ":picture": "before.jpg", ":file": "x", ":photo": map[string]string{"overlay": "1.jpg", "photo": "1"}[before]}[part]
		switch before = part; {
		case kind != "":
			of := g.ours
			if foreign>>places&1 == 1 {
				of = g.theirs
			}
			parts[i] = of.id(kind)
			places++
		case ok:
			parts[i] = other
		case strings.HasPrefix(part, ":"):
			t.Errorf("%s: what %s names is not known here", route, part)
		}
	}
	return strings.Join(parts, "/"), places
}

// Every address that names records, with one of another site in each place and in several:
// it is not there, whatever of the own site is named beside it.
func addressesDoNotMix(t *testing.T, g *guarded) {
	ctx, by := t.Context(), "everything here"
	// Their photo, half way up at their site, also by somebody who is at ours by now.
	for _, who := range []string{by, "everything there"} {
		if err := g.store.Archive.PutPart(ctx, archive.Part(g.account(t, who).ID, g.theirs.ids["site"], g.theirs.ids["photo"]), 0, []byte("Zulu")); err != nil {
			t.Fatal(err)
		}
	}
	ask := func(method, path string) (answer, []byte) {
		if method == http.MethodPut { // a part of a photo, with nothing in it
			path += "?at=0&of=9"
		}
		return g.ask(t, by, method, path, nil, "")
	}
	if _, err := g.store.Joint(ctx, store.Person{Actor: local.Actor, Sites: g.ours.sites}, store.Place{}); err != nil { // that of quick measurements
		t.Fatal(err)
	}
	before := g.head(t)
	for _, route := range g.engine.Routes() {
		_, places := g.naming(t, route.Path, 0)
		for foreign := 1; foreign < 1<<places; foreign++ {
			path, _ := g.naming(t, route.Path, foreign)
			resp, body := ask(route.Method, path)
			upload := strings.HasSuffix(route.Path, "/photos/:hash") && !strings.Contains(route.Path, ":look") && !strings.Contains(path, g.theirs.ids["joint"])
			switch { // where a photo is to come, each may be asked for
			case upload && string(body) != `{"have":0}`:
				t.Errorf("%s %s: %s %.300s", route.Method, path, resp.Status, body)
			case !upload && resp.StatusCode != http.StatusNotFound:
				t.Errorf("%s %s: %s", route.Method, path, resp.Status)
			}
			if bytes.Contains(body, []byte("Zulu")) {
				t.Errorf("%s %s shows another site's record", route.Method, path)
			}
			if now := g.head(t); now != before {
				t.Fatalf("%s %s changed something", route.Method, path)
			}
		}
	}
	// That would be worth nothing if the own records were not there either.
	for _, route := range g.engine.Routes() {
		path, places := g.naming(t, route.Path, 0)
		if places == 0 || strings.HasPrefix(route.Path, "/account/tokens/") { // the token that asks here
			continue
		}
		if resp, _ := ask(route.Method, path); resp.StatusCode == http.StatusNotFound {
			t.Errorf("%s %s: %s", route.Method, path, resp.Status)
		}
	}
}

// Every form and request that names records, with one of another site in each of its
// fields in turn: it is refused, and tells no more than of a record that is nowhere.
func formsDoNotMix(t *testing.T, g *guarded) {
	by, joint := "everything here", "/joints/"+g.ours.ids["joint"]
	send := func(path, kind string, v url.Values) (done bool, said string) {
		t.Helper()
		var form io.Reader = strings.NewReader(v.Encode())
		switch kind {
		case "multipart":
			form, kind = multi(t, v)
		case "application/json":
			o := map[string]any{}
			for name := range v {
				if o[name] = v.Get(name); name == "photos" {
					o[name] = v[name]
				}
			}
			b, err := json.Marshal(o)
			if err != nil {
				t.Fatal(err)
			}
			form = bytes.NewReader(b)
		}
		resp, body := g.ask(t, by, http.MethodPost, path, form, kind)
		if bytes.Contains(body, []byte("Zulu")) {
			t.Errorf("%s with %v shows another site's record", path, v)
		}
		said = resp.Status + " " + string(body[max(0, bytes.LastIndex(body, []byte("event: "))):]) // of a stream, its end
		return resp.StatusCode == http.StatusCreated || resp.StatusCode == http.StatusSeeOther || strings.Contains(said, "event: done"), said
	}
	const form, files, request = "application/x-www-form-urlencoded", "multipart", "application/json"
	before := g.events(t, g.theirs)
	for _, c := range []struct {
		path, kind string
		names      map[string]string // kinds of records by field
		others     url.Values
	}{
		{"/api/v1/measurements", files, map[string]string{"joint": "joint", "card-set": "card-set", "supersedes": "measurement"}, nil},
		{"/api/v1/measurements", files, map[string]string{"site": "site", "card-set": "card-set"}, nil},
		{"/", files, map[string]string{"joint": "joint", "card-set": "card-set", "supersedes": "measurement"}, url.Values{"note": {"by the page"}}},
		{joint + "/end/trailing/cut", files, map[string]string{"card-set": "card-set"}, nil},
		{joint + "/end/trailing/recut/measure", request, map[string]string{"photos": "photo", "card_set": "card-set"}, nil},
		{joint + "/finished/measure", request, map[string]string{"photos": "photo"}, nil},
		{"/measure", request, map[string]string{"photos": "photo"}, nil},
		{"/train/rounds", form, map[string]string{"site": "site"}, url.Values{"person": {"Ines"}, "questions": {"1"}}},
		{"/review/cards", form, map[string]string{"site": "site"}, url.Values{"number": {"N9"}}},
	} {
		own := url.Values{}
		maps.Copy(own, c.others)
		for field, kind := range c.names {
			own.Set(field, g.ours.id(kind))
		}
		for field, kind := range c.names {
			nowhere := archive.NewID()
			if kind == "photo" {
				nowhere = strings.Repeat("0", 64)
			}
			var told []string
			for _, id := range []string{g.theirs.id(kind), nowhere} {
				v := maps.Clone(own)
				if v[field] = []string{id}; field == "photos" { // beside one of ours
					v[field] = []string{g.ours.id(kind), id}
				}
				done, said := send(c.path, c.kind, v)
				if done {
					t.Errorf("%s takes another site's %s: %.300s", c.path, field, said)
				}
				told = append(told, strings.ReplaceAll(said, id, "ID"))
			}
			if strings.HasPrefix(c.path, "/api/") && !strings.Contains(told[0], `"setting":"`+field+`"`) { // told by its name
				t.Errorf("%s does not say that it is the %s: %.300s", c.path, field, told[0])
			}
			if told[0] != told[1] {
				t.Errorf("%s tells of another site's %s\n%.300s\nand of one that is nowhere\n%.300s", c.path, field, told[0], told[1])
			}
			if now := g.events(t, g.theirs); now != before {
				t.Fatalf("%s with another site's %s changed that site's record", c.path, field)
			}
		}
		if done, said := send(c.path, c.kind, own); !done {
			t.Errorf("%s with the own %v: %.300s", c.path, own, said)
		}
	}
	// A close-up, in place of ours.
	judged := func(hash string) (said string) {
		o := fmt.Sprintf(`{"fields": {"name": "Ines", "judged-pulley-loop_round": "good"}, "photos": {"photo-pulley-loop_round": %q}}`, hash)
		_, body := g.ask(t, by, http.MethodPost, joint+"/finished/"+g.ours.alone["look"]+"/clinch/judged", strings.NewReader(o), request)
		return strings.ReplaceAll(string(body), hash, "HASH")
	}
	if theirs, nowhere := judged(g.theirs.ids["photo"]), judged(strings.Repeat("0", 64)); theirs != nowhere || strings.Contains(theirs, "event: done") {
		t.Errorf("another site's photo as a close-up: %.300s\nand one that is nowhere: %.300s", theirs, nowhere)
	}
	if own := judged(g.ours.ids["photo"]); !strings.Contains(own, "event: done") {
		t.Errorf("the own photo as a close-up: %.300s", own)
	}
	// What is measured again keeps its own photos and cards; others cannot be named.
	plain := full()
	plain.Links, plain.Settings = nil, nil
	r := put(t, g.store, local, archive.Measurement{Joint: g.ours.ids["joint"]}, store.File{Name: "end.jpg", Data: []byte("ok")}, plain)
	for _, v := range []url.Values{{"photos": {g.theirs.ids["photo"]}}, {"card_set": {g.theirs.ids["card-set"]}}} {
		if done, said := send("/m/"+r.ID+"/again", request, v); done || !strings.Contains(said, "bad_form") {
			t.Errorf("measured again with %v: %s", v, said)
		}
	}
	if done, said := send("/m/"+r.ID+"/again", request, nil); !done {
		t.Errorf("measured again: %s", said)
	}

	// Nothing of ours names anything of theirs then.
	events, err := g.store.Archive.Events(t.Context(), archive.EventQuery{Sites: g.ours.sites, Limit: 500})
	if err != nil {
		t.Fatal(err)
	}
	found, err := g.store.Archive.Search(t.Context(), archive.Query{Sites: g.ours.sites, Limit: 500})
	if err != nil || len(found.Items) != 9 {
		t.Fatalf("%d measurements, want the plant's and 8 more; %v", len(found.Items), err)
	}
	events = slices.DeleteFunc(events, func(e archive.Event) bool { return e.What == "archive.exported" }) // which says what was asked for
	kept, err := json.Marshal([]any{events, found.Items})
	if err != nil {
		t.Fatal(err)
	}
	for kind, id := range g.theirs.ids {
		if bytes.Contains(kept, []byte(id)) {
			t.Errorf("a record of ours names their %s", kind)
		}
	}
}

// Every search, with one thing of another site among the own: nothing is found.
func searchesDoNotMix(t *testing.T, g *guarded) {
	names := []string{"site", "conveyor", "belt", "joint", "card-set"}
	for path, shown := range map[string]string{ // what only something found says
		"/review": "Alpha joint", "/review/chart": g.ours.ids["measurement"], "/review/measurements.csv": "Alpha joint", "/review/joints.csv": "Alpha joint",
		"/api/v1/measurements.csv": "Alpha joint", "/api/v1/measurements.jsonl": "Alpha joint", "/api/v1/joints.csv": "Alpha joint", "/api/v1/joints.jsonl": "Alpha joint",
	} {
		ask := func(foreign string) string {
			t.Helper()
			v := url.Values{}
			for _, name := range names {
				if v.Set(name, g.ours.ids[name]); name == foreign {
					v.Set(name, g.theirs.ids[name])
				}
			}
			resp, body := g.ask(t, "everything here", http.MethodGet, path+"?"+v.Encode(), nil, "")
			if resp.StatusCode != http.StatusOK {
				t.Errorf("%s with another site's %q: %s", path, foreign, resp.Status)
			}
			return string(body)
		}
		if !strings.Contains(ask(""), shown) {
			t.Errorf("%s does not find the own", path)
		}
		for _, foreign := range names {
			if body := ask(foreign); strings.Contains(body, "Zulu") || strings.Contains(body, shown) {
				t.Errorf("%s finds something with another site's %s", path, foreign)
			}
		}
	}
}
