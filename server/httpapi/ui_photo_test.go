package httpapi

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"strings"
	"testing"

	"beltend/server/archive"
)

// joint begins a joint by its form and acknowledges the cautions; gives its address.
func joint(t *testing.T, at, number string) string {
	t.Helper()
	form := func(address string, fields url.Values) answer {
		req, err := http.NewRequest(http.MethodPost, address, strings.NewReader(fields.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/x-www-form-urlencoded")
		resp, body := send(t, req, nil)
		if resp.StatusCode != http.StatusSeeOther {
			t.Fatalf("%s: %s %s", address, resp.Status, body)
		}
		return resp
	}
	resp := form(at+"/joints", url.Values{"site": {"Kestrel Hollow quarry"}, "conveyor": {"Conveyor 3"}, "belt": {"Belt 3-A"}, "number": {number}, "width": {"800"},
		"travel": {"towards the crusher"}, "face": {"carrying"}, "tolerance": {"1,6"}, "origin": {"site rule 14"}})
	address := at + resp.Header.Get("Location")
	form(address+"/cautions", url.Values{"name": {"Ada Finch"}, "done": {"yes"}})
	return address
}

func sendPart(t *testing.T, address string, at, of int, data []byte) (answer, arrived, problem) {
	t.Helper()
	req, err := http.NewRequest(http.MethodPut, fmt.Sprintf("%s?at=%d&of=%d&name=end.jpg", address, at, of), bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	resp, body := send(t, req, nil)
	var u arrived
	var p problem
	if err := json.Unmarshal(body, &u); err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(body, &p); err != nil {
		t.Fatal(err)
	}
	return resp, u, p
}

func stateOf(t *testing.T, address string) arrived {
	t.Helper()
	_, body := get(t, address, nil)
	var u arrived
	if err := json.Unmarshal(body, &u); err != nil {
		t.Fatalf("%v in %s", err, body)
	}
	return u
}

// A photo comes in parts, goes on where it broke off, and is kept once.
func TestPhotoComesInParts(t *testing.T) {
	s := serve(t, newFake(), nil)
	data, err := os.ReadFile(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(data)
	hash := hex.EncodeToString(sum[:])
	at := joint(t, s.URL, "J-1") + "/photos/" + hash
	if u := stateOf(t, at); u != (arrived{}) {
		t.Errorf("before anything: %+v", u)
	}
	if _, u, _ := sendPart(t, at, 0, len(data), data[:300_000]); u.Have != 300_000 || u.Kept != "" {
		t.Errorf("the first part: %+v", u)
	}
	if u := stateOf(t, at); u.Have != 300_000 {
		t.Errorf("broken off: %+v", u)
	}
	if _, u, _ := sendPart(t, at, 0, len(data), data[:100_000]); u.Have != 300_000 {
		t.Errorf("a part sent twice counts: %+v", u)
	}
	_, u, _ := sendPart(t, at, 300_000, len(data), data[300_000:])
	if len(u.Kept) != 64 {
		t.Fatalf("the last part: %+v", u)
	}
	if again := stateOf(t, at); again.Kept != u.Kept {
		t.Errorf("kept, then: %+v", again)
	}

	// other bytes than announced, then no photo, then nonsense
	other := joint(t, s.URL, "J-2") + "/photos/"
	if resp, _, p := sendPart(t, other+strings.Repeat("0", 64), 0, 5, []byte("other")); resp.StatusCode != 422 || p.Code != "damaged_on_the_way" {
		t.Errorf("damaged: %s %s", resp.Status, p.Code)
	}
	if u := stateOf(t, other+strings.Repeat("0", 64)); u != (arrived{}) {
		t.Errorf("a damaged photo is kept: %+v", u)
	}
	text := sha256.Sum256([]byte("text"))
	if resp, _, p := sendPart(t, other+hex.EncodeToString(text[:]), 0, 4, []byte("text")); resp.StatusCode != 415 || p.Advice == "" {
		t.Errorf("no photo: %s %+v", resp.Status, p)
	}
	if resp, _, p := sendPart(t, other+"xyz", 0, 4, []byte("text")); resp.StatusCode != 404 {
		t.Errorf("no hash: %s %+v", resp.Status, p)
	}
	if resp, _, p := sendPart(t, other+strings.Repeat("1", 64), 0, 1<<40, []byte("text")); resp.StatusCode != 413 {
		t.Errorf("too large: %s %+v", resp.Status, p)
	}
}

// Parts of a photo go to either of two processes, as a load balancer sends them, and the
// one that is asked for its state knows what the other took and kept.
func TestPartsComeToEitherProcess(t *testing.T) {
	at := archive.Address{Folder: t.TempDir()}
	var processes []string
	for range 2 {
		f := newFake()
		processes = append(processes, serve(t, f, func(c *Config) {
			c.Store = newStoreAt(t, f, at)
			c.Orders = newDesk(t, c.Store, f)
		}).URL)
	}
	data, err := os.ReadFile(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(data)
	address := strings.TrimPrefix(joint(t, processes[0], "J-1"), processes[0]) + "/photos/" + hex.EncodeToString(sum[:])
	const part = 100_000
	kept := ""
	for i, from := 0, 0; from < len(data); i, from = i+1, from+part {
		to := min(from+part, len(data))
		resp, u, p := sendPart(t, processes[i%2]+address, from, len(data), data[from:to])
		if resp.StatusCode != http.StatusOK || u.Have != int64(to) {
			t.Fatalf("part %d: %s %+v %+v", i, resp.Status, u, p)
		}
		if to < len(data) {
			if u := stateOf(t, processes[(i+1)%2]+address); u.Have != int64(to) || u.Kept != "" {
				t.Errorf("the other process has %+v after %d bytes", u, to)
			}
		}
		kept = u.Kept
	}
	if len(kept) != 64 {
		t.Fatalf("kept as %q", kept)
	}
	for _, process := range processes {
		if u := stateOf(t, process+address); u.Kept != kept {
			t.Errorf("kept, then: %+v", u)
		}
		if _, u, _ := sendPart(t, process+address, 0, len(data), data[:part]); u.Kept != kept {
			t.Errorf("sent once more: %+v", u)
		}
	}
}

// An order tells its steps and ends with an address; sent again it finds the same
// answer; without cautions nothing is measured.
func TestOrderIsMeasuredOnce(t *testing.T) {
	f := newFake()
	s := serve(t, f, nil)
	data, err := os.ReadFile(samplePhoto)
	if err != nil {
		t.Fatal(err)
	}
	at := joint(t, s.URL, "J-1")
	sum := sha256.Sum256(data)
	_, u, _ := sendPart(t, at+"/photos/"+hex.EncodeToString(sum[:]), 0, len(data), data)
	ask := func(order string) string {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, at+"/end/leading/drawn_line/measure", strings.NewReader(order))
		if err != nil {
			t.Fatal(err)
		}
		_, body := send(t, req, nil)
		return string(body)
	}
	order := fmt.Sprintf(`{"photos": [%q], "print_scale": "199.6,149.7"}`, u.Kept)
	first := ask(order)
	if !strings.HasPrefix(first, "event: step\n") || !strings.Contains(first, "event: done\ndata: {\"address\":\"/m/") {
		t.Fatalf("events: %s", first)
	}
	got := f.job.Settings
	if got.Line != "drawn" || got.NominalMM != 800 || got.ToleranceMM != 1.6 || got.PrintScaleX != 199.6/200.0 {
		t.Errorf("what the joint asks did not arrive: %+v", got)
	}
	done := func(events string) string { return events[strings.Index(events, "event: done"):] }
	if again := ask(order); done(again) != done(first) {
		t.Errorf("the same order twice: %s, then %s", done(first), done(again))
	}
	if events := ask(`{"photos": ["` + strings.Repeat("0", 64) + `"]}`); !strings.Contains(events, "event: refused") {
		t.Errorf("a photo that is not there: %s", events)
	}
}
