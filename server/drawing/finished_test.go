package drawing

import (
	"bytes"
	"image"
	"image/jpeg"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"beltend/server/report"
	"beltend/server/result"
)

// What was counted, what is to be looked at, the plan and every judgement stand on
// the paper, in both languages, with the photo or without.
func TestFinishedOnPaper(t *testing.T) {
	var photo bytes.Buffer
	if err := jpeg.Encode(&photo, image.NewGray(image.Rect(0, 0, 400, 300)), nil); err != nil {
		t.Fatal(err)
	}
	r := &result.Hooks{Schema: result.HooksSchema, FaceUp: result.PulleySide, Checklist: result.Clinch(),
		Findings: []result.HookFinding{{Code: "missing", Side: "A", AtMM: 120, Message: "A, 120 mm from the left edge: a place without a hook.", Values: result.Values{"at_mm": 120.0}}},
		Sides:    []result.HookSide{{Side: "A", Hooks: 87, PitchMM: 9.02, MarginLeftMM: 11.3, MarginRightMM: 16.8, MarginU95MM: 0.4, MarginsCertain: true, Verdict: result.Square, ToleranceMM: 2}},
		Plan:     []result.PlanCheck{{What: "hooks", Side: "A", Planned: 88, Seen: 87, Verdict: "differs"}}}
	r.Checklist[3].Judgement, r.Checklist[3].By, r.Checklist[3].Note = result.Rework, "Bo Tern", "keyhole at 40 mm"
	for lang, wants := range map[string][]string{
		"en": {"Kestrel Hollow", "87 hooks", "9.02 mm", "11.3 mm", "16.8 mm", "120 mm", "planned 88, seen 87", "rework, Bo Tern: keyhole at 40 mm", "not judged", "pulley side", "page 1 of"},
		"de": {"Kestrel Hollow", "87 Haken", "9,02 mm", "11,3 mm", "16,8 mm", "120 mm", "geplant 88, gesehen 87", "nacharbeiten, Bo Tern", "nicht beurteilt", "Laufseite", "Seite 1 von"},
	} {
		for _, picture := range [][]byte{photo.Bytes(), nil} {
			b, err := Finished(r, Look{Where: "Kestrel Hollow · Conveyor 3", Made: "31 March 2026, Mara Quill", Picture: picture}, report.Options{Lang: lang})
			if err != nil {
				t.Fatal(err)
			}
			file := filepath.Join(t.TempDir(), "finished.pdf")
			if err := os.WriteFile(file, b, 0o600); err != nil {
				t.Fatal(err)
			}
			out, err := exec.Command("pdftotext", "-layout", file, "-").Output() //nolint:gosec // our own file
			if err != nil {
				t.Skip("pdftotext:", err)
			}
			all := strings.Join(strings.Fields(string(out)), " ")
			for _, want := range wants {
				if !strings.Contains(all, want) {
					t.Errorf("%s: %q is not on the paper:\n%s", lang, want, all)
				}
			}
			if images := bytes.Contains(b, []byte("/Subtype /Image")); images != (picture != nil) {
				t.Errorf("%s: a picture on the paper: %v", lang, images)
			}
		}
	}
	if _, err := Finished(r, Look{Picture: []byte("no picture")}, report.Options{}); err == nil {
		t.Error("a broken picture is drawn")
	}
}
