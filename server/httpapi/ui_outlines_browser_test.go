package httpapi

import (
	"bytes"
	"errors"
	"fmt"
	"image/png"
	"math"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"beltend/server/measure"
	"beltend/server/result"
	"beltend/vision/render"
)

// A bar of the ground looks like an edge of the belt: two outlines fit about equally
// well. Both are shown, and the person's choice of the true one is measured.
func TestOneOfTwoOutlinesIsChosen(t *testing.T) {
	b := openBrowser(t)
	photo, truth := ambiguous(t)
	file := filepath.Join(t.TempDir(), "two-outlines.png")
	if err := os.WriteFile(file, photo, 0o600); err != nil {
		t.Fatal(err)
	}

	joint := b.beginJoint("J-6")
	b.open(joint + "/end/leading/cut")
	b.send(file)
	b.until("both outlines", `document.querySelector("#refused .stage .line.cut") && document.querySelector("#refused .stage .line.rival")`)
	var ok bool
	if b.script(b.says("Two outlines fit the belt end"), &ok); !ok {
		t.Error("the page does not say that two outlines fit")
	}
	b.accessible("two outlines to choose between")

	// the person sees which one runs through the belt's corners
	corners := truth.ImagePoints
	var far []float64
	b.script(fmt.Sprintf(`["cut", "rival"].map(name => {
		const path = document.querySelector("#refused .line." + name), all = [];
		for (let s = 0; s < path.getTotalLength(); s += 2) all.push(path.getPointAtLength(s));
		return Math.max(...[[%f, %f], [%f, %f]].map(([x, y]) => Math.min(...all.map(p => Math.hypot(p.x - x, p.y - y)))));
	})`, corners.Left[0], corners.Left[1], corners.Right[0], corners.Right[1]), &far)
	right, wrong, choice := far[0], far[1], "The full lines"
	if far[1] < far[0] {
		right, wrong, choice = far[1], far[0], "The dashed line"
	}
	if right > 40 || wrong < 2*right {
		t.Fatalf("neither of the outlines is the true one: %.0f and %.0f px from the corners", far[0], far[1])
	}
	b.script(fmt.Sprintf(`[...document.querySelectorAll("#refused .hand button")].find(e => e.textContent === %q).click()`, choice), nil)
	b.answered()
	b.until("set by hand is said", b.says("Set by hand"))
	var m result.Measurement
	b.script(`fetch("/api/v1"+location.pathname.replace("/m/", "/measurements/"), {headers: {Accept: "application/json"}}).then(r => r.json())`, &m)
	if m.Squareness == nil || m.Settings == nil {
		t.Fatalf("the answer: %+v", m)
	}
	if math.Abs(m.Squareness.OffsetMM-truth.Squareness.Offset) > m.Squareness.OffsetU95MM {
		t.Errorf("the offset is %.2f mm, measured %+v", truth.Squareness.Offset, m.Squareness)
	}
	var edges []string
	for _, h := range m.Settings.Hints {
		edges = append(edges, h.Edge)
	}
	if strings.Join(edges, " ") != "left right cut" {
		t.Errorf("set by hand: %v", edges)
	}
}

// ambiguous is a photo in which two outlines fit: the first such of some of the bench's, where
// a bar of the ground or a line drawn before the cut looks like an edge. Which of them are
// hangs on little, so it is measured here first.
func ambiguous(t *testing.T) ([]byte, render.Truth) {
	t.Helper()
	for _, of := range []struct {
		seed int64
		size float64 // of 12 megapixels' sides
	}{{21054, 0.6}, {22031, 0.8}, {22031, 1}, {21054, 1}} {
		scene := render.Hard(of.seed)
		c := &scene.Camera
		c.Width, c.Height, c.F = int(float64(c.Width)*of.size), int(float64(c.Height)*of.size), c.F*of.size
		if c.CX != 0 || c.CY != 0 {
			c.CX, c.CY = (c.CX+0.5)*of.size-0.5, (c.CY+0.5)*of.size-0.5
		}
		photo, err := scene.Render()
		if err != nil {
			t.Fatal(err)
		}
		var data bytes.Buffer // without loss: no encoder decides
		if err := (&png.Encoder{CompressionLevel: png.BestSpeed}).Encode(&data, photo); err != nil {
			t.Fatal(err)
		}
		_, err = measure.Run(t.Context(), []measure.Input{{Name: "two-outlines.png", Data: data.Bytes()}}, result.Settings{}, nil)
		var doubt *result.Doubt
		if errors.As(err, &doubt) && doubt.Refusal.Reason == "two_outlines" {
			truth, err := scene.Truth()
			if err != nil {
				t.Fatal(err)
			}
			return data.Bytes(), truth
		}
	}
	t.Fatal("in none of the photos do two outlines fit")
	return nil, render.Truth{}
}
