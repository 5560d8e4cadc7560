package main

import (
	"bytes"
	"context"
	"encoding/json"
	"image/jpeg"
	"image/png"
	"net"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"beltend/server/result"
)

const sample = "../../testdata/sample/belt-end.jpg"

// serveEnv makes this test program act as beltend.
const serveEnv = "BELTEND_TEST_SERVE"

// The program serves itself as worker: the service under test starts the test
// binary, which has to act as beltend then.
func TestMain(m *testing.M) {
	if len(os.Args) > 1 && os.Args[1] == "worker" || os.Getenv(serveEnv) != "" {
		main()
	}
	// The service's own data folder is not the person's who runs the tests.
	dir, err := os.MkdirTemp("", "beltend-test-")
	if err != nil {
		panic(err)
	}
	if err := os.Setenv("XDG_DATA_HOME", dir); err != nil {
		panic(err)
	}
	code := m.Run()
	if err := os.RemoveAll(dir); err != nil {
		panic(err)
	}
	os.Exit(code)
}

func beltend(t *testing.T, args ...string) (code int, out, err string) {
	t.Helper()
	var o, e bytes.Buffer
	code = run(context.Background(), args, streams{in: strings.NewReader(""), out: &o, err: &e})
	return code, o.String(), e.String()
}

func TestUsageErrorsNameWhatIsWrong(t *testing.T) {
	dir := t.TempDir()
	for _, c := range []struct {
		args []string
		says string
	}{
		{[]string{}, "expected one of"},
		{[]string{"paint"}, "paint"},
		{[]string{"measure"}, "photo"},
		{[]string{"measure", "nowhere.jpg"}, "nowhere.jpg"},
		{[]string{"measure", dir}, "folder"},
		{[]string{"measure", sample, "--tolerance", "-1"}, "tolerance"},
		{[]string{"measure", sample, "--tolerance", "0"}, "tolerance"},
		{[]string{"measure", sample, "--tolerance", "NaN"}, "tolerance"},
		{[]string{"measure", sample, "--tolerance", "inf"}, "tolerance"},
		{[]string{"measure", sample, "--tolerance", "1e300"}, "tolerance"},
		{[]string{"measure", sample, "--tolerance", "two"}, "tolerance"},
		{[]string{"measure", sample, "--width", "3"}, "width"},
		{[]string{"measure", sample, "--width", "1e9"}, "width"},
		{[]string{"measure", sample, "--target", "89"}, "target"},
		{[]string{"measure", sample, "--trim", "-5"}, "trim"},
		{[]string{"measure", sample, "--thickness", "1e4"}, "thickness"},
		{[]string{"measure", sample, "--print-scale", "0"}, "print-scale"},
		{[]string{"measure", sample, "--print-scale", "1,0"}, "print-scale"},
		{[]string{"measure", sample, "--print-scale", "200"}, "print-scale"},
		{[]string{"measure", sample, "--print-scale", "150,200"}, "print-scale"},
		{[]string{"measure", sample, "--print-scale", "1,1,1"}, "print-scale"},
		{[]string{"measure", sample, "--board", "7x5"}, "board"},
		{[]string{"measure", sample, "--markers", "4X4_50"}, "markers"},
		{[]string{"measure", sample, "--line", "chalk"}, "line"},
		{[]string{"measure", sample, "--left", "1,2"}, "left"},
		{[]string{"measure", sample, "--left", "1,2 3,4", "--hint-photo", "2"}, "hint"},
		{[]string{"measure", sample, "--hint-photo", "0"}, "hint-photo"},
		{[]string{"measure", sample, "--camera", "nowhere.json"}, "nowhere.json"},
		{[]string{"measure", sample, "--camera", sample}, "camera"},
		{[]string{"measure", sample, "--units", "furlong"}, "units"},
		{[]string{"measure", sample, "--profile", "p.gif"}, "p.gif"},
		{[]string{"measure", sample, "--overlay", "o.svg"}, "o.svg"},
		{[]string{"measure", sample, "--topdown", "t"}, "topdown"},
		{[]string{"card", filepath.Join(dir, "c.doc")}, "c.doc"},
		{[]string{"card", filepath.Join(dir, "c.pdf"), "--cards", "15"}, "15"},
		{[]string{"card", filepath.Join(dir, "none", "c.pdf")}, "none"},
		{[]string{"card", filepath.Join(dir, "c.png"), "--dpi", "NaN"}, "dpi"},
		{[]string{"render", filepath.Join(dir, "r.png")}, "r.png"},
		{[]string{"render", filepath.Join(dir, "r.jpg"), "--kind", "odd"}, "odd"},
		{[]string{"calibrate", sample, "--out", filepath.Join(dir, "c.json")}, "photos"},
		{[]string{"serve", "--listen", "0.0.0.0:0"}, "other machines"},
		{[]string{"serve", "--listen", ":8080"}, "other machines"},
		{[]string{"serve", "--listen", "here"}, "here"},
		{[]string{"serve", "--deadline", "0s"}, "deadline"},
		{[]string{"serve", "--worker-memory", "1"}, "worker-memory"},
		{[]string{"serve", "--workers", "-1"}, "workers"},
	} {
		code, out, err := beltend(t, c.args...)
		if code != exitUsage || !strings.Contains(err, c.says) || out != "" {
			t.Errorf("beltend %s: exit %d, %q on standard output, message %q; want 2 and a message about %q", strings.Join(c.args, " "), code, out, err, c.says)
		}
	}
}

func TestRefusalIsToldBothWays(t *testing.T) {
	code, out, err := beltend(t, "measure", "main_test.go")
	if code != exitRefused || out != "" || !strings.Contains(err, "not_a_photo") {
		t.Errorf("exit %d, %q, %q", code, out, err)
	}
	code, out, err = beltend(t, "measure", "main_test.go", "--json")
	var m map[string]any
	if e := json.Unmarshal([]byte(out), &m); e != nil {
		t.Fatalf("%v in %q", e, out)
	}
	refused, _ := m["refused"].(map[string]any)
	if code != exitRefused || m["schema"] != result.Schema || refused["code"] != "not_a_photo" || refused["message"] == "" || refused["advice"] == "" || err == "" {
		t.Errorf("exit %d, %v", code, m)
	}
	if _, there := m["verdict"]; there {
		t.Error("a refusal has a verdict")
	}
}

// The sample's truth stands beside it.
func truth(t *testing.T) (offset, width float64) {
	t.Helper()
	b, err := os.ReadFile(strings.TrimSuffix(sample, ".jpg") + ".json")
	if err != nil {
		t.Fatal(err)
	}
	var v struct {
		Squareness struct {
			Offset float64 `json:"offset_mm"`
		}
		Width struct {
			AtCut float64 `json:"at_cut_mm"`
		}
	}
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatal(err)
	}
	if v.Squareness.Offset == 0 || v.Width.AtCut == 0 {
		t.Fatal("the truth was not read")
	}
	return v.Squareness.Offset, v.Width.AtCut
}

func TestMeasureSample(t *testing.T) {
	dir := t.TempDir()
	overlay, top, profile := filepath.Join(dir, "o.jpg"), filepath.Join(dir, "t.png"), filepath.Join(dir, "p.svg")
	code, out, stderr := beltend(t, "measure", sample, "--json", "--overlay", overlay, "--topdown", top, "--profile", profile)
	if code != 0 {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	var m result.Measurement
	if err := json.Unmarshal([]byte(out), &m); err != nil {
		t.Fatal(err)
	}
	offset, width := truth(t)
	if d := m.Squareness.OffsetMM - offset; d > m.Squareness.OffsetU95MM || d < -m.Squareness.OffsetU95MM {
		t.Errorf("offset %.2f ± %.2f mm, truth %.2f", m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, offset)
	}
	if d := m.Width.AtCutMM - width; d > m.Width.AtCutU95MM || d < -m.Width.AtCutU95MM {
		t.Errorf("width %.2f ± %.2f mm, truth %.2f", m.Width.AtCutMM, m.Width.AtCutU95MM, width)
	}
	if m.Verdict != result.Recut {
		t.Errorf("verdict %s for %.1f mm", m.Verdict, offset)
	}
	for name, decode := range map[string]func(*os.File) error{
		overlay: func(f *os.File) error { _, err := jpeg.Decode(f); return err },
		top:     func(f *os.File) error { _, err := png.Decode(f); return err },
	} {
		f, err := os.Open(name)
		if err != nil {
			t.Fatal(err)
		}
		if err := decode(f); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		f.Close()
	}
	if b, err := os.ReadFile(profile); err != nil || !bytes.Contains(b, []byte("<svg")) {
		t.Errorf("profile: %v", err)
	}
}

func TestTextFitsTheTerminal(t *testing.T) {
	for _, units := range []string{"mm", "in"} {
		code, out, stderr := beltend(t, "measure", sample, "--units", units, "--budget")
		if code != 0 {
			t.Fatalf("exit %d: %s", code, stderr)
		}
		if !strings.HasPrefix(out, "Re-cut") {
			t.Errorf("the verdict is not first: %.80q", out)
		}
		for _, want := range []string{"left side is long", "Tolerance", "Width", "left edge", "diagonals", "isolated and locked out", "Expanded uncertainty", units + " back from its corner"} {
			if !strings.Contains(strings.Join(strings.Fields(out), " "), want) {
				t.Errorf("in %s: %q is missing", units, want)
			}
		}
		for _, line := range strings.Split(out, "\n") {
			if len([]rune(line)) > 80 {
				t.Errorf("in %s: %d columns: %q", units, len([]rune(line)), line)
			}
		}
	}
}

func TestServeShowsTheSample(t *testing.T) {
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := listener.Addr().String()
	listener.Close()

	ctx, stop := context.WithCancel(context.Background())
	defer stop()
	var out, stderr lockedBuffer
	ended := make(chan int, 1)
	go func() {
		ended <- run(ctx, []string{"serve", "--listen", address, "--workers", "1", "--show", sample}, streams{out: &out, err: &stderr})
	}()
	var page string
	for deadline := time.Now().Add(time.Minute); page == "" && time.Now().Before(deadline); time.Sleep(50 * time.Millisecond) {
		if _, after, ok := strings.Cut(out.String(), "The result: "); ok {
			page = strings.TrimSpace(after)
		}
	}
	if page == "" {
		t.Fatalf("no result: %s %s", out.String(), stderr.String())
	}
	if code, _, err := beltend(t, "health", "--listen", address); code != 0 {
		t.Errorf("health: exit %d, %s", code, err)
	}
	for _, url := range []string{page, "http://" + address + "/", "http://" + address + "/api/v1/measurements/" + page[strings.LastIndex(page, "/")+1:] + "/overlay/1.jpg"} {
		resp, err := http.Get(url)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			t.Errorf("%s: %s", url, resp.Status)
		}
	}
	stop()
	select {
	case code := <-ended:
		if code != 0 {
			t.Errorf("stopped with exit %d: %s", code, stderr.String())
		}
	case <-time.After(time.Minute):
		t.Fatal("the service does not stop")
	}
	if code, _, _ := beltend(t, "health", "--listen", address); code != exitFault {
		t.Errorf("health of a stopped service: exit %d", code)
	}
}
