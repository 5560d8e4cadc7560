package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"mime/multipart"
	"net"
	"net/http"
	"net/textproto"
	"net/url"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
	"beltend/server/archive/queue"
)

// What the whole service survives: it runs in a process of its own, with its workers,
// and is asked over HTTP. Small counts in the ordinary run; make archive-survive sets
// this variable for the full ones.
const survive = "BELTEND_TEST_SURVIVE"

func count(small, full int) int {
	if os.Getenv(survive) != "" {
		return full
	}
	return small
}

// service is beltend serve.
type service struct {
	t    *testing.T
	home string // its working, home and temporary folders
	data string
	args []string
	url  string
	log  lockedBuffer

	cmd   *exec.Cmd
	ended chan error
}

func newService(t *testing.T, args ...string) *service {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	address := l.Addr().String()
	if err := l.Close(); err != nil {
		t.Fatal(err)
	}
	home := t.TempDir()
	s := &service{t: t, home: home, data: filepath.Join(home, "data"), url: "http://" + address}
	s.args = append([]string{"serve", "--listen", address, "--workers", "2"}, args...)
	if !slices.Contains(args, "--database") {
		s.args = append(s.args, "--data", s.data)
	}
	for _, dir := range []string{"here", "tmp"} {
		if err := os.Mkdir(filepath.Join(home, dir), 0o700); err != nil {
			t.Fatal(err)
		}
	}
	t.Cleanup(func() {
		if s.cmd != nil {
			s.kill()
		}
		if t.Failed() {
			log := s.log.String()
			t.Logf("the service's log: %s", log[max(0, len(log)-4000):])
		}
	})
	return s
}

// start starts the service and waits until it is ready.
func (s *service) start() {
	s.t.Helper()
	self, err := os.Executable()
	if err != nil {
		s.t.Fatal(err)
	}
	s.cmd = exec.Command(self, s.args...) //nolint:gosec // this program
	s.cmd.Dir = filepath.Join(s.home, "here")
	s.cmd.Env = append(os.Environ(), serveEnv+"=1", "HOME="+s.cmd.Dir, "TMPDIR="+filepath.Join(s.home, "tmp"), "XDG_DATA_HOME=")
	s.cmd.Stderr = &s.log
	if err := s.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	s.ended = make(chan error, 1)
	go func(c *exec.Cmd) { s.ended <- c.Wait() }(s.cmd)
	for began := time.Now(); ; time.Sleep(20 * time.Millisecond) {
		if resp, err := http.Get(s.url + "/healthz"); err == nil {
			resp.Body.Close()
			return
		}
		if time.Since(began) > time.Minute {
			s.t.Fatal("the service does not start")
		}
	}
}

// kill kills it at once; its workers end by themselves.
func (s *service) kill() {
	_ = s.cmd.Process.Kill()
	<-s.ended
	s.cmd = nil
}

// stop stops it as an operator does.
func (s *service) stop() {
	s.t.Helper()
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		s.t.Fatal(err)
	}
	select {
	case err := <-s.ended:
		if err != nil {
			s.t.Errorf("the service ended with %v", err)
		}
	case <-time.After(time.Minute):
		s.t.Error("the service does not stop")
		s.kill()
	}
	s.cmd = nil
}

// running says whether the process that was started still runs.
func (s *service) running() bool {
	select {
	case err := <-s.ended:
		s.ended <- err
		return false
	default:
		return true
	}
}

// memory is the most that the service's own process had, in MB.
func (s *service) memory() int {
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", s.cmd.Process.Pid))
	if err != nil {
		return 0
	}
	_, rest, _ := strings.Cut(string(b), "VmHWM:")
	kB, _ := strconv.Atoi(strings.Fields(rest + " 0")[0])
	return kB >> 10
}

// form is a photo with fields; the name may be any.
func form(t *testing.T, name string, photo []byte, fields map[string]string) (*bytes.Buffer, string) {
	t.Helper()
	var b bytes.Buffer
	w := multipart.NewWriter(&b)
	for k, v := range fields {
		if err := w.WriteField(k, v); err != nil {
			t.Fatal(err)
		}
	}
	part, err := w.CreatePart(textproto.MIMEHeader{"Content-Disposition": {`form-data; name="photos"; filename="` + strings.ReplaceAll(name, `"`, `\"`) + `"`}})
	if err == nil {
		_, err = part.Write(photo)
	}
	if err != nil || w.Close() != nil {
		t.Fatal(err)
	}
	return &b, w.FormDataContentType()
}

// sent is how a photo fared.
type sent struct {
	status int
	id     string // of the measurement, or of the refusal's record
	code   string
	busy   int // answers that said to come again
	broken int // connections that broke
}

// later are the codes of answers that say to come again.
var later = []string{"busy", "still_waiting", "stopping", "unavailable"}

// send sends a photo as a phone does: where the service is busy or away, again when it
// said. Every answer that is none says when.
func (s *service) send(photo []byte, name string, fields map[string]string) (sent, error) {
	var r sent
	client := &http.Client{Timeout: 5 * time.Minute}
	limit := time.Duration(count(4, 30)) * time.Minute
	for began := time.Now(); time.Since(began) < limit; {
		body, kind := form(s.t, name, photo, fields)
		resp, err := client.Post(s.url+"/api/v1/measurements", kind, body)
		var text []byte
		if err == nil {
			text, err = io.ReadAll(resp.Body)
			resp.Body.Close()
		}
		if err != nil {
			r.broken++
			time.Sleep(100 * time.Millisecond)
			continue
		}
		var p struct{ Code, Instance, Detail, Advice string }
		if resp.StatusCode != http.StatusCreated {
			if err := json.Unmarshal(text, &p); err != nil || resp.Header.Get("Content-Type") != "application/problem+json" || p.Detail == "" || p.Advice == "" {
				return r, fmt.Errorf("%s is no problem: %.200s", resp.Status, text)
			}
		}
		r.status, r.code, r.id = resp.StatusCode, p.Code, path.Base(p.Instance)
		switch resp.StatusCode {
		case http.StatusCreated:
			r.id = path.Base(resp.Header.Get("Location"))
			return r, nil
		case http.StatusServiceUnavailable, http.StatusTooManyRequests:
			wait, err := strconv.Atoi(resp.Header.Get("Retry-After"))
			if err != nil || wait < 1 || !slices.Contains(later, p.Code) {
				return r, fmt.Errorf("%s, Retry-After %q: %.200s", resp.Status, resp.Header.Get("Retry-After"), text)
			}
			r.busy++
			time.Sleep(time.Duration(wait) * time.Second)
		default:
			return r, nil
		}
	}
	return r, fmt.Errorf("no answer within %v", limit)
}

// readPhoto reads one of the project's pictures.
func readPicture(t *testing.T, file string) []byte {
	t.Helper()
	b, err := os.ReadFile(filepath.Join("../../testdata", file))
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// hashOf is the SHA-256 of bytes.
func hashOf(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// another is the same JPEG with a comment, which makes it another file.
func another(jpeg []byte, says string) []byte {
	comment := binary.BigEndian.AppendUint16([]byte{0xff, 0xd8, 0xff, 0xfe}, uint16(len(says)+2)) //nolint:gosec // short
	return append(append(comment, says...), jpeg[2:]...)
}

// whole verifies the archive of a service that was stopped, and gives the measurements.
func whole(t *testing.T, at archive.Address) []archive.Found {
	t.Helper()
	a, err := archive.Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := a.Close(); err != nil {
			t.Error(err)
		}
	}()
	r, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(r.Problems) > 0 {
		t.Errorf("the archive: %v, %v", r.Problems, err)
	}
	var all []archive.Found
	for after := ""; ; {
		page, err := a.Search(t.Context(), archive.Query{Sites: archive.AllSites(), Limit: 500, After: after})
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, page.Items...)
		if after = page.Next; after == "" {
			break
		}
	}
	t.Logf("verified: %d events, %d records, %d photos, %d files left over, %d problems", r.Events, r.Records, r.Photos, r.Leftover, len(r.Problems))
	return all
}

// waiting is how many orders stand in the queue of a service that was stopped.
func waiting(t *testing.T, at archive.Address) int {
	t.Helper()
	q, err := queue.Open(t.Context(), queue.Config{At: at, Timeout: time.Minute})
	if err != nil {
		t.Fatal(err)
	}
	n, err := q.Length(t.Context())
	if err := errors.Join(err, q.Close()); err != nil {
		t.Fatal(err)
	}
	return n
}

// once says that every photo was measured, once.
func once(t *testing.T, found []archive.Found, photos int) {
	t.Helper()
	times := map[string]int{}
	for _, f := range found {
		times[f.Files[0].SHA256]++
	}
	if len(times) != photos {
		t.Errorf("%d of %d photos are measured", len(times), photos)
	}
	for sha256, n := range times {
		if n != 1 {
			t.Errorf("photo %s was measured %d times", sha256, n)
		}
	}
}

// most is the value below which this share lies.
func most(took []time.Duration, share float64) time.Duration {
	slices.Sort(took)
	if len(took) == 0 {
		return 0
	}
	return took[min(len(took)-1, int(share*float64(len(took))))].Round(time.Millisecond)
}

// Many phones upload at once to a queue that holds a few: every photo is measured once,
// whoever finds no place is told when to come again, and the pages stay quick.
func TestSurviveManyPhonesAtOnce(t *testing.T) {
	phones, places := count(6, 100), count(2, 20)
	photo := readPicture(t, "golden/clean-one-card.jpg")
	if os.Getenv(survive) != "" {
		photo = readPicture(t, "sample/belt-end.jpg")
	}
	s := newService(t, "--queue", strconv.Itoa(places))
	s.start()
	stop := make(chan struct{})
	var pages []time.Duration
	looked := make(chan struct{})
	go func() {
		defer close(looked)
		for i := 0; ; i++ {
			select {
			case <-stop:
				return
			case <-time.After(50 * time.Millisecond):
			}
			began := time.Now()
			resp, err := http.Get(s.url + []string{"/", "/review?review=", "/healthz", "/tape"}[i%4])
			if err == nil {
				_, err = io.Copy(io.Discard, resp.Body)
				resp.Body.Close()
			}
			if err != nil || resp.StatusCode != http.StatusOK {
				t.Errorf("a page: %v", err)
			}
			pages = append(pages, time.Since(began))
		}
	}()
	began := time.Now()
	var all sync.WaitGroup
	var busy, tries atomic.Int64
	for i := range phones {
		all.Add(1)
		go func() {
			defer all.Done()
			r, err := s.send(another(photo, fmt.Sprint("phone ", i)), "end.jpg", nil)
			if err != nil || r.status != http.StatusCreated {
				t.Errorf("phone %d: %+v, %v", i, r, err)
			}
			busy.Add(int64(r.busy))
			tries.Add(int64(r.busy + r.broken + 1))
		}()
	}
	all.Wait()
	took := time.Since(began)
	close(stop)
	<-looked
	memory := s.memory()
	s.stop()
	once(t, whole(t, archive.Address{Folder: s.data}), phones)
	if busy.Load() == 0 {
		t.Error("nobody was told that the queue is full")
	}
	if memory > 700 {
		t.Errorf("the service took %d MB", memory)
	}
	// The machine that runs all tests may be busy with others: the full run holds the goal.
	limit := time.Duration(count(1000, 200)) * time.Millisecond
	if p95 := most(pages, 0.95); p95 > limit {
		t.Errorf("95 of 100 pages took up to %v", p95)
	}
	t.Logf("%d phones, %d places in the queue: all measured in %v; %d uploads, %d told to come again; the service took at most %d MB; of %d pages meanwhile half took up to %v, 95 of 100 up to %v, the slowest %v",
		phones, places, took.Round(time.Second), tries.Load(), busy.Load(), memory, len(pages), most(pages, 0.5), most(pages, 0.95), most(pages, 1))
}

// Damaged and hostile files: none becomes a measurement, none brings the service down,
// and no file appears outside of the data folder.
func TestSurviveHostileFiles(t *testing.T) {
	const seed = 20260402
	n := count(120, 10_000)
	s := newService(t, "--queue", "200")
	s.start()
	pid := s.cmd.Process.Pid
	cut := shrunk(t, readPicture(t, "golden/edge-out.jpg"), 4)
	var next atomic.Int64
	var mu sync.Mutex
	codes, kinds := map[string]int{}, map[string]int{}
	var all sync.WaitGroup
	for range 8 {
		all.Add(1)
		go func() {
			defer all.Done()
			for {
				i := int(next.Add(1)) - 1
				if i >= n {
					return
				}
				kind, name, data := hostile(rand.New(rand.NewPCG(seed, uint64(i))), i, cut) //nolint:gosec // not negative
				r, err := s.send(data, name, nil)
				mu.Lock()
				codes[fmt.Sprint(r.status, " ", r.code)]++
				kinds[kind]++
				mu.Unlock()
				if err != nil || r.status < 400 || r.status >= 500 {
					t.Errorf("file %d (%s, seed %d): %+v, %v", i, kind, seed, r, err)
				}
			}
		}()
	}
	all.Wait()
	if !s.running() || s.cmd.Process.Pid != pid {
		t.Fatal("the service went down")
	}
	r, err := s.send(readPicture(t, "golden/clean-one-card.jpg"), "end.jpg", nil)
	if err != nil || r.status != http.StatusCreated {
		t.Errorf("a good photo afterwards: %+v, %v", r, err)
	}
	broke, slow := strings.Count(s.log.String(), "a worker broke down"), strings.Count(s.log.String(), "a worker took too long")
	memory := s.memory()
	s.stop()
	measured := 0
	for _, f := range whole(t, archive.Address{Folder: s.data}) {
		if f.Refusal == "" {
			measured++
		}
	}
	if measured != 1 {
		t.Errorf("%d files are kept as measured, beside the good photo", measured-1)
	}
	outside(t, s)
	t.Logf("%d files of %d kinds (seed %d): %v; none measured; workers: %d broke down, %d took too long; the service took at most %d MB", n, len(kinds), seed, codes, broke, slow, memory)
}

// outside looks for files that the service left outside of its data folder.
func outside(t *testing.T, s *service) {
	t.Helper()
	for _, dir := range []string{s.home, filepath.Join(s.home, "here"), filepath.Join(s.home, "tmp"), filepath.Dir(s.home)} {
		entries, err := os.ReadDir(dir)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range entries {
			full := filepath.Join(dir, e.Name())
			if full != s.home && !slices.Contains([]string{s.data, filepath.Join(s.home, "here"), filepath.Join(s.home, "tmp")}, full) {
				t.Errorf("outside of the data folder: %s", full)
			}
		}
	}
	err := filepath.WalkDir(filepath.Join(s.data, "photos"), func(name string, d os.DirEntry, err error) error {
		if err == nil && !d.IsDir() && (len(d.Name()) != 64 || filepath.Base(filepath.Dir(name)) != d.Name()[:2]) {
			t.Errorf("among the photos: %s", name)
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}

// The database is restarted and the photo store is away for a while: requests wait or say
// so, afterwards the queue drains, and nothing is measured twice.
func TestSurviveOutages(t *testing.T) {
	pg, s3 := conformance.StartPostgres(t), conformance.StartS3(t)
	at := archive.Address{Database: pg.Database(t), Photos: s3.Bucket(t)}
	s := newService(t, "--database", at.Database, "--photos", at.Photos)
	s.start()
	photos, away := count(6, 60), time.Duration(count(1, 60))*time.Second
	photo := readPicture(t, "golden/clean-one-card.jpg")
	var all sync.WaitGroup
	var busy, done atomic.Int64
	phone := func(i int) {
		defer all.Done()
		r, err := s.send(another(photo, fmt.Sprint("photo ", i)), "end.jpg", nil)
		if err != nil || r.status != http.StatusCreated {
			t.Errorf("photo %d: %+v, %v", i, r, err)
		}
		busy.Add(int64(r.busy))
		done.Add(1)
	}
	begin := func(part int) { // a third of them
		for i := part * photos / 3; i < (part+1)*photos/3; i++ {
			all.Add(1)
			go phone(i)
		}
	}
	begin(0)
	time.Sleep(300 * time.Millisecond)
	pg.Stop(t)
	begin(1)
	time.Sleep(away / 4)
	pg.Start(t)
	time.Sleep(300 * time.Millisecond)
	s3.Stop(t)
	begin(2)
	time.Sleep(away)
	s3.Start(t)
	back := time.Now()
	all.Wait()
	drained := time.Since(back)
	s.stop()
	once(t, whole(t, at), photos)
	if n := waiting(t, at); n != 0 {
		t.Errorf("%d orders still wait", n)
	}
	t.Logf("%d photos, the database away for %v, the photo store for %v: all measured, once each, %v after both were back; %d answers said to come again",
		photos, away/4, away, drained.Round(time.Second), busy.Load())
}

// The disk fills while photos come: whoever comes is told at once, before anything is
// kept; what was taken in is measured; with room it goes on.
func TestSurviveAFullDisk(t *testing.T) {
	const soon = 20 * time.Second // on a busy machine; a measurement is waited for two minutes
	s := newService(t)
	if err := os.Mkdir(s.data, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := syscall.Mount("tmpfs", s.data, "tmpfs", 0, "size=64m"); err != nil {
		t.Skipf("only root may mount the small disk that this test fills: %v", err)
	}
	t.Cleanup(func() {
		if s.cmd != nil {
			s.kill()
		}
		if err := syscall.Unmount(s.data, 0); err != nil {
			t.Error(err)
		}
	})
	s.start()
	free := func() int64 {
		bytes, known := archive.Free(s.data)
		if !known {
			t.Fatal("the disk does not say how much room it has")
		}
		return bytes
	}
	ballast := filepath.Join(s.data, "ballast")
	if err := os.WriteFile(ballast, make([]byte, free()-33<<20), 0o600); err != nil { // 1 MB above what stays free
		t.Fatal(err)
	}
	photo := readPicture(t, "golden/clean-one-card.jpg")
	kept, full := []string{}, 0
	send := func(says string) {
		t.Helper()
		body, kind := form(t, "end.jpg", another(photo, says), nil)
		began := time.Now()
		resp, err := http.Post(s.url+"/api/v1/measurements", kind, body)
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(resp.Body)
		resp.Body.Close()
		switch {
		case err != nil:
			t.Fatal(err)
		case resp.StatusCode == http.StatusCreated:
			kept = append(kept, path.Base(resp.Header.Get("Location")))
		case resp.StatusCode == http.StatusInsufficientStorage && bytes.Contains(text, []byte(`"disk_full"`)) && bytes.Contains(text, []byte("no room left on the disk")):
			full++
			if took := time.Since(began); took > soon {
				t.Errorf("told that the disk is full after %v", took)
			}
		default:
			t.Fatalf("on the full disk: %s %s", resp.Status, text)
		}
	}
	for i := 0; full < 3 && i < 50; i++ {
		send(fmt.Sprint("photo ", i))
	}
	if len(kept) == 0 || full < 3 {
		t.Errorf("%d photos measured, %d times told that the disk is full", len(kept), full)
	}
	last, err := os.OpenFile(ballast, os.O_APPEND|os.O_WRONLY, 0)
	for err == nil { // to the last byte, as others may fill it
		_, err = last.Write(make([]byte, 4096))
	}
	if !errors.Is(err, syscall.ENOSPC) || free() != 0 {
		t.Fatal(err)
	}
	_ = last.Close()
	for i := range 3 {
		send(fmt.Sprint("last ", i))
	}
	if full < 6 {
		t.Errorf("%d times told that the disk has no byte left", full-3)
	}
	photos := 0
	err = filepath.WalkDir(filepath.Join(s.data, "photos"), func(name string, d os.DirEntry, err error) error {
		if strings.HasPrefix(filepath.Base(name), ".new-") {
			t.Errorf("a part of a photo stayed: %s", name)
		}
		if err == nil && !d.IsDir() {
			photos++
		}
		return err
	})
	if err != nil || photos != len(kept) {
		t.Errorf("%d files of photos for %d measurements, %v", photos, len(kept), err)
	}
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	r, err := s.send(another(photo, "with room"), "end.jpg", nil)
	if err != nil || r.status != http.StatusCreated {
		t.Errorf("with room again: %+v, %v", r, err)
	}
	s.stop()
	at := archive.Address{Folder: s.data}
	found := map[string]bool{}
	for _, f := range whole(t, at) {
		found[f.ID] = true
	}
	for _, id := range append(kept, r.id) {
		if !found[id] {
			t.Errorf("measurement %s was acknowledged and is not there", id)
		}
	}
	if n := waiting(t, at); len(found) != len(kept)+1 || n != 0 {
		t.Errorf("%d measurements are kept, %d wait, and %d were acknowledged", len(found), n, len(kept)+1)
	}
	t.Logf("%d photos measured until the disk was full, then %d told so; with room it went on", len(kept), full)
}

// Two processes share a database and a photo store. The parts of a photo go to either,
// one of them is killed on the way, and the photo is kept whole by the other.
func TestSurvivePartsAtEitherProcess(t *testing.T) {
	pg, s3 := conformance.StartPostgres(t), conformance.StartS3(t)
	at := archive.Address{Database: pg.Database(t), Photos: s3.Bucket(t)}
	args := []string{"--database", at.Database, "--photos", at.Photos}
	one, two := newService(t, args...), newService(t, args...)
	one.start()
	two.start()
	client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	resp, err := client.PostForm(one.url+"/joints", url.Values{"site": {"Kestrel Hollow quarry"}, "conveyor": {"Conveyor 3"}, "belt": {"Belt 3-A"}, "number": {"J-1"},
		"width": {"800"}, "travel": {"towards the crusher"}, "face": {"carrying"}, "tolerance": {"2"}, "origin": {"site rule 14"}})
	if err != nil || resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("begin a joint: %+v, %v", resp, err)
	}
	resp.Body.Close()
	photo := readPicture(t, "sample/belt-end.jpg")
	address := resp.Header.Get("Location") + "/photos/" + hashOf(photo)
	type arrived struct {
		Have int
		Kept string
	}
	ask := func(s *service, method string, from, to int) (u arrived) {
		t.Helper()
		req, err := http.NewRequest(method, fmt.Sprintf("%s%s?at=%d&of=%d&name=end.jpg", s.url, address, from, len(photo)), bytes.NewReader(photo[from:to]))
		if err != nil {
			t.Fatal(err)
		}
		resp, err := client.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		defer resp.Body.Close()
		if err := json.NewDecoder(resp.Body).Decode(&u); err != nil || resp.StatusCode != http.StatusOK {
			t.Fatalf("%s %s at %d: %s, %v", s.url, method, from, resp.Status, err)
		}
		return u
	}
	const part = 128 << 10
	var u arrived
	for i := 0; u.Have+part < len(photo); i++ {
		s := []*service{one, two}[i%2]
		from := u.Have
		if u = ask(s, http.MethodPut, from, from+part); u != (arrived{Have: from + part}) {
			t.Fatalf("part %d: %+v", i, u)
		}
		if i == 2 { // which took parts 0 and 2
			one.kill()
			if u := ask(two, http.MethodGet, 0, 0); u != (arrived{Have: from + part}) {
				t.Errorf("the other process knows of %+v", u)
			}
			one.start()
		}
	}
	if u = ask(two, http.MethodPut, u.Have, len(photo)); len(u.Kept) != 64 {
		t.Fatalf("the last part: %+v", u)
	}
	for _, s := range []*service{one, two} {
		if again := ask(s, http.MethodGet, 0, 0); again.Kept != u.Kept {
			t.Errorf("kept, then: %+v", again)
		}
	}
	for _, s := range []*service{one, two} {
		if left, err := os.ReadDir(filepath.Join(s.home, "tmp")); err != nil || len(left) > 0 {
			t.Errorf("in the process's own folder: %v, %v", left, err)
		}
		s.stop()
	}
	a, err := archive.Open(t.Context(), at)
	if err != nil {
		t.Fatal(err)
	}
	n, err := a.SweepParts(t.Context(), -time.Hour)
	r, verify := a.Verify(t.Context(), archive.VerifyOptions{})
	if err := errors.Join(err, verify, a.Close()); err != nil || n != 1 || r.Photos != 1 || r.Leftover != 0 || len(r.Problems) > 0 { // as what it was kept
		t.Errorf("%d pieces are left over, verified: %+v, %v", n, r, err)
	}
}

// The service is killed again and again while photos come and measurements are signed
// off: nothing that was acknowledged is lost, nothing is measured or signed twice. Each
// kill waits for work to begin and falls somewhere within the time that such work takes
// on this machine.
func TestSurviveKillsOfTheService(t *testing.T) {
	const seed = 20260401
	kills := count(3, 200)
	chance := rand.New(rand.NewPCG(seed, 1))
	s := newService(t)
	s.start()
	photo := readPicture(t, "golden/clean-one-card.jpg")
	ctx, end := context.WithCancel(t.Context())
	var mu sync.Mutex
	var measured, signed []string
	var photos, broken, late int
	sending, signing := newWork(time.Second), newWork(20*time.Millisecond)
	var all sync.WaitGroup
	for phone := range 4 {
		all.Add(1)
		go func() {
			defer all.Done()
			for i := 0; ctx.Err() == nil; i++ {
				mu.Lock()
				photos++
				mu.Unlock()
				done := sending.begin()
				r, err := s.send(another(photo, fmt.Sprint("phone ", phone, " photo ", i)), "end.jpg", map[string]string{"tolerance": "500"})
				done(r.broken == 0)
				if err != nil || r.status != http.StatusCreated {
					t.Errorf("phone %d, photo %d: %+v, %v", phone, i, r, err)
					return
				}
				mu.Lock()
				measured, broken = append(measured, r.id), broken+r.broken
				mu.Unlock()
				client := http.Client{CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
				for t.Context().Err() == nil {
					done := signing.begin()
					resp, err := client.PostForm(s.url+"/review/m/"+r.id, url.Values{"outcome": {"accepted"}, "person": {"Rev A"}})
					done(err == nil)
					if err != nil {
						time.Sleep(50 * time.Millisecond)
						continue
					}
					resp.Body.Close()
					mu.Lock()
					switch resp.StatusCode {
					case http.StatusSeeOther:
						signed = append(signed, r.id)
					case http.StatusConflict: // signed, and killed before it was said
						signed, late = append(signed, r.id), late+1
					default:
						t.Errorf("a sign-off: %s", resp.Status)
					}
					mu.Unlock()
					break
				}
			}
		}()
	}
	acknowledged := func() int {
		mu.Lock()
		defer mu.Unlock()
		return len(measured) + len(signed)
	}
	intake := 30 * time.Millisecond // the photo is read, kept and queued
	var sends, signs, idle, nothing int
	for i := range kills {
		before := acknowledged()
		switch i % 3 {
		case 0:
			sending.within(t, chance, sending.takes())
		case 1:
			signing.within(t, chance, signing.takes())
		case 2:
			sending.within(t, chance, intake)
		}
		if acknowledged() == before {
			nothing++
		}
		up, off := sending.now.Load(), signing.now.Load()
		s.kill()
		switch {
		case off > 0:
			signs++
		case up > 0:
			sends++
		default:
			idle++
		}
		s.start()
	}
	for range 200 { // some sign-offs more, at least
		mu.Lock()
		enough := len(signed) > 3
		mu.Unlock()
		if enough {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	end()
	all.Wait()
	s.stop()
	at := archive.Address{Folder: s.data}
	found := whole(t, at)
	once(t, found, photos)
	reviews := map[string]string{}
	for _, f := range found {
		reviews[f.ID] = f.Review
		if f.Signs > 1 {
			t.Errorf("measurement %s was signed off %d times", f.ID, f.Signs)
		}
	}
	lost := 0
	for _, id := range measured {
		if _, ok := reviews[id]; !ok {
			lost++
		}
	}
	for _, id := range signed {
		if reviews[id] != archive.Accepted {
			lost++
		}
	}
	if lost > 0 || len(measured) != photos || len(signed) != photos {
		t.Errorf("%d acknowledged records are lost; of %d photos %d were acknowledged and %d signed off", lost, photos, len(measured), len(signed))
	}
	if kills > 20 && (signs < kills/10 || sends < kills/2 || idle > kills/10) {
		t.Error("the kills did not fall into the work they were meant for")
	}
	if n := waiting(t, at); n != 0 {
		t.Errorf("%d orders still wait", n)
	}
	t.Logf("%d kills (seed %d): %d while a sign-off was on its way, %d more while photos were, %d between; %d photos measured and signed off, %d of them signed before a kill and told after it; %d connections of uploads broken, %d times nothing was acknowledged between two kills; %d lost, none measured or signed twice",
		kills, seed, signs, sends, idle, photos, late, broken, nothing, lost)
}

// work is a kind of request that comes again and again.
type work struct {
	now   atomic.Int64  // on their way
	begun chan struct{} // to whoever waits for one to begin

	mu   sync.Mutex
	took []time.Duration // those that no kill broke
}

// newWork begins with a guess of how long one takes.
func newWork(guess time.Duration) *work {
	return &work{begun: make(chan struct{}), took: []time.Duration{guess}}
}

// begin says that one is on its way, and what it gives that it has ended, whole or broken.
func (w *work) begin() func(whole bool) {
	began := time.Now()
	w.now.Add(1)
	select {
	case w.begun <- struct{}{}:
	default:
	}
	return func(whole bool) {
		w.now.Add(-1)
		w.mu.Lock()
		defer w.mu.Unlock()
		if whole {
			w.took = append(w.took, time.Since(began))
		}
	}
}

// takes is how long half of them take at most.
func (w *work) takes() time.Duration {
	w.mu.Lock()
	defer w.mu.Unlock()
	took := slices.Clone(w.took)
	slices.Sort(took)
	return took[len(took)/2]
}

// within waits for one to begin, and then for some part of this time.
func (w *work) within(t *testing.T, chance *rand.Rand, most time.Duration) {
	t.Helper()
	select {
	case <-w.begun:
		time.Sleep(time.Duration(chance.Float64() * float64(most)))
	case <-time.After(time.Minute):
		t.Error("nothing is sent")
	}
}
