package archive_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"strconv"
	"strings"
	"testing"
	"time"

	"beltend/server/archive"
	"beltend/server/archive/conformance"
)

// writerEnv makes this test program write into the archive at the folder that it
// names, until it is killed.
const writerEnv = "BELTEND_TEST_WRITER"

func TestMain(m *testing.M) {
	if folder := os.Getenv(writerEnv); folder != "" {
		if err := write(folder); err != nil {
			fmt.Println("error", err)
			os.Exit(1)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

// write keeps photos, measurements and sign-offs, and says so on standard output
// after each.
func write(folder string) error {
	ctx := context.Background()
	a, err := archive.Open(ctx, archive.Address{Folder: folder})
	if err != nil {
		return err
	}
	joints, err := a.Joints(ctx, archive.AllSites(), "", false)
	if err != nil {
		return err
	}
	j := joints[0]
	for {
		data := []byte("photo " + archive.NewID())
		photo, err := a.AddPhoto(ctx, conformance.By, archive.Photo{Site: j.Site, Type: "image/jpeg"}, data)
		if err != nil {
			return err
		}
		fmt.Println("photo", photo.SHA256)
		m, err := a.AddMeasurement(ctx, conformance.By, archive.Measurement{Joint: j.ID, End: archive.Leading, Step: archive.StepCut, Person: "Mara Quill",
			Files: []archive.File{{SHA256: photo.SHA256, Role: archive.RolePhoto}}, Result: conformance.Offset(0.5, 0.2, 2)}, "")
		if err != nil {
			return err
		}
		fmt.Println("measurement", m.ID)
		r, err := a.AddReview(ctx, conformance.By, archive.Review{Measurement: m.ID, Outcome: archive.Accepted, Person: "Rev A"})
		if err != nil {
			return err
		}
		fmt.Println("review", r.ID)
	}
}

// kills is how often the writer is killed: 20 in the ordinary run, 200 by make
// archive-survive.
func kills(t *testing.T) int {
	n, err := strconv.Atoi(os.Getenv("BELTEND_TEST_KILLS"))
	if err != nil {
		return 20
	}
	t.Logf("%d kills", n)
	return n
}

func TestNothingAcknowledgedIsLostByKills(t *testing.T) {
	self, err := os.Executable()
	if err != nil {
		t.Fatal(err)
	}
	folder := t.TempDir()
	first := embedded(t, folder)
	p := conformance.NewPlant(t, first, "Kestrel Hollow")
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	const seed = 20260301
	chance := rand.New(rand.NewPCG(seed, 1))
	acknowledged := map[string][]string{}
	n := kills(t)
	for kill := range n {
		child := exec.Command(self) //nolint:gosec // this program
		child.Env = append(os.Environ(), writerEnv+"="+folder)
		out, err := child.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := child.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		seen := 0
		for lines.Scan() {
			kind, id, _ := strings.Cut(lines.Text(), " ")
			if kind == "error" {
				t.Errorf("the writer failed: %s", id)
			}
			acknowledged[kind] = append(acknowledged[kind], id)
			if seen++; seen == 1 {
				// At some moment within the next few writes.
				time.AfterFunc(time.Duration(chance.IntN(60_000))*time.Microsecond, func() { _ = child.Process.Kill() })
			}
		}
		if err := child.Wait(); err == nil || seen == 0 {
			t.Fatalf("kill %d: the writer was not killed while it wrote", kill)
		}
	}
	a := embedded(t, folder)
	report, err := a.Verify(t.Context(), archive.VerifyOptions{})
	if err != nil || len(report.Problems) != 0 {
		t.Errorf("chain and photos: %v, %v", report.Problems, err)
	}
	reviews, err := a.Reviews(t.Context(), archive.AllSites(), p.Joint.ID)
	if err != nil {
		t.Fatal(err)
	}
	kept := map[string]bool{}
	for _, r := range reviews {
		kept[r.ID] = true
	}
	lost := 0
	for _, sha256 := range acknowledged["photo"] {
		if _, _, err := a.ReadPhoto(t.Context(), archive.AllSites(), sha256); err != nil {
			lost++
		}
	}
	for _, id := range acknowledged["measurement"] {
		if _, err := a.Measurement(t.Context(), archive.AllSites(), id); err != nil {
			lost++
		}
	}
	for _, id := range acknowledged["review"] {
		if !kept[id] {
			lost++
		}
	}
	if lost != 0 {
		t.Errorf("%d acknowledged records are lost", lost)
	}
	t.Logf("%d kills (seed %d): %d photos, %d measurements and %d sign-offs acknowledged, %d lost; %d events in the chain, %d files left over, 0 problems wanted, %d found",
		n, seed, len(acknowledged["photo"]), len(acknowledged["measurement"]), len(acknowledged["review"]), lost, report.Events, report.Leftover, len(report.Problems))
}
