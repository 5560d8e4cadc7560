package httpapi

import (
	"fmt"
	"image"
	_ "image/jpeg"
	_ "image/png"
	"math"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	"beltend/server/archive"
	"beltend/server/measure/truth"
	"beltend/server/pages"
	"beltend/server/result"
	"beltend/vision/render"
)

// everySize holds the page that is open against the rules for everybody on a phone, a tablet
// and at a desk.
func (b *browser) everySize(name string) {
	b.t.Helper()
	for _, size := range screens {
		b.size(size[0], size[1])
		b.accessible(fmt.Sprint(name, size))
	}
	b.size(screens[0][0], screens[0][1])
}

// ruled lays the measuring rule of the page that is open across the sample's belt, 800 mm
// wide, from one edge to the other as they are drawn in the view from above, and reads it.
func (b *browser) ruled() {
	b.t.Helper()
	const width = 800.04 // testdata/sample/belt-end.json
	var address, cookie string
	b.script(`document.querySelector(".above").dataset.picture`, &address)
	b.script(`document.cookie`, &cookie)
	req, err := http.NewRequestWithContext(b.t.Context(), http.MethodGet, b.url+address, nil)
	if err != nil {
		b.t.Fatal(err)
	}
	req.Header.Set("Cookie", cookie)
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		b.t.Fatal(err)
	}
	defer resp.Body.Close()
	view, _, err := image.Decode(resp.Body)
	if err != nil {
		b.t.Fatal(err)
	}
	left, right, y := beltIn(view)
	b.script(fmt.Sprintf(`(async () => {
		const svg = document.querySelector(".above .stage svg.view");
		svg.scrollIntoView({block: "center"});
		for (const x of [%d, %d]) {
			const p = new DOMPoint(x, %d).matrixTransform(svg.getScreenCTM());
			for (const kind of ["pointerdown", "pointerup"]) svg.dispatchEvent(new PointerEvent(kind, {clientX: p.x, clientY: p.y, pointerId: 1, bubbles: true, isPrimary: true}));
		}
	})()`, left, right, y), nil)
	var text string
	b.script(`document.querySelector(".reading").textContent`, &text)
	var mm, u float64
	if _, err := fmt.Sscanf(strings.ReplaceAll(text, "\u00a0", " "), "%f ± %f mm", &mm, &u); err != nil || abs(mm-width) > u || u > 6 {
		b.t.Errorf("the rule from edge to edge, pixels %d to %d, reads %q, the belt is %.1f mm wide: %v", left, right, text, width, err)
	}
}

// beltIn gives the middles of both edges as they are drawn in a view from above, in blue, px;
// in the middle of the rows that show both.
func beltIn(view image.Image) (left, right, y int) {
	var rows [][3]int
	box := view.Bounds()
	for row := box.Min.Y; row < box.Max.Y; row++ {
		var blue []int
		for x := box.Min.X; x < box.Max.X; x++ {
			if r, g, b, _ := view.At(x, row).RGBA(); r>>8 < 120 && g>>8 > 170 && b>>8 > 200 {
				blue = append(blue, x)
			}
		}
		n := len(blue)
		if n < 2 || blue[n-1]-blue[0] < box.Dx()/2 {
			continue
		}
		first, last := 0, n-1
		for blue[first+1] == blue[first]+1 {
			first++
		}
		for blue[last-1] == blue[last]-1 {
			last--
		}
		rows = append(rows, [3]int{(blue[0] + blue[first]) / 2, (blue[last] + blue[n-1]) / 2, row})
	}
	if len(rows) == 0 {
		return 0, 0, 0
	}
	middle := rows[len(rows)/2]
	return middle[0], middle[1], middle[2]
}

// Each photo of the same end from another side makes U smaller, and every answer holds the
// truth.
func TestUncertaintyShrinksWithEachPhoto(t *testing.T) {
	b := openBrowser(t)
	s := render.Default()
	s.Cut.Offset = 4.5
	c := &s.Camera // half the size is enough, and quick
	c.Width, c.Height, c.F = c.Width/2, c.Height/2, c.F/2
	want, err := s.Truth()
	if err != nil {
		t.Fatal(err)
	}
	cut := b.beginJoint("J-20") + "/end/leading/cut"
	dir := t.TempDir()
	for i, turn := range []float64{-12, 12} {
		c.Azimuth, s.Seed = turn, int64(9+i)
		photo, err := s.JPEG()
		if err != nil {
			t.Fatal(err)
		}
		name := filepath.Join(dir, fmt.Sprintf("side-%d.jpg", i))
		if err := os.WriteFile(name, photo, 0o600); err != nil {
			t.Fatal(err)
		}
		b.open(cut)
		b.send(name)
		b.answered()
	}
	b.open(cut)
	b.everySize("photo page with two photos")
	var rows []struct {
		Count, Offset, U string // as the page writes them
		Bar              float64
		Is, U95          float64 // as measured
	}
	b.script(`Promise.all([...document.querySelectorAll(".chain tbody tr")].map(async r => {
		const [count, offset, u] = [...r.cells].map(c => c.innerText.replaceAll(/\s/g, " ").trim());
		const { squareness: s } = await (await fetch("/api/v1/measurements/" + r.querySelector("a").pathname.slice(3))).json();
		return { Count: count, Offset: offset, U: u, Bar: Number(r.querySelector("rect").getAttribute("width")), Is: s.offset_mm, U95: s.offset_u95_mm };
	}))`, &rows)
	if len(rows) != 2 || rows[0].Count != "1" || rows[1].Count != "2" {
		t.Fatalf("the answers with each photo: %+v", rows)
	}
	for _, r := range rows {
		if abs(r.Is-want.Squareness.Offset) > r.U95 {
			t.Errorf("%s photos: %.2f ± %.2f, true %.2f mm", r.Count, r.Is, r.U95, want.Squareness.Offset)
		}
		if r.Offset != fmt.Sprintf("%+.1f mm", r.Is) || r.U != fmt.Sprintf("%.1f mm", math.Ceil(r.U95*10-1e-9)/10) {
			t.Errorf("%.2f ± %.2f is written as %s and %s", r.Is, r.U95, r.Offset, r.U)
		}
	}
	if one, two := rows[0], rows[1]; two.U95 >= one.U95 || two.Bar >= one.Bar {
		t.Errorf("U with one photo %.2f mm, with two %.2f; bars %.0f and %.0f", one.U95, two.U95, one.Bar, two.Bar)
	}
}

// The plan for a joint from the joint's page on, kept, and read back. By hand, for ends of
// 800.4 and 799 mm, 6 mm free at each edge, pitch 9, wire 1.8: (799 - 12 - 1.8)/9 = 87.2, so 88
// hooks and 87; margins (800.4 - 784.8)/2 = 7.8 and (799 - 775.8)/2 = 11.6.
func TestLacingPlanInTheBrowser(t *testing.T) {
	b := openBrowser(t)
	joint := b.beginJoint("J-21")
	b.click(`a[href$="/plan"]`)
	b.until("the form", `document.querySelector("form[data-plan] [name=lead-width]") !== null && document.readyState === "complete"`)
	b.everySize("plan's form")
	b.fill("lead-width", "800.4", "trail-width", "799", "thickness", "5", "pulley", "60", "chart", pages.DemoChart, "fastener", "KH 30")
	b.click(`[name=do][value=keep]`)
	b.until("the pulley is too small", `document.querySelector(".problem") !== null && document.readyState === "complete"`)
	b.accessible("plan that does not fit")
	b.fill("pulley", "300", "name", "Ada Finch")
	b.click(`[name=do][value=keep]`)
	b.until("the plan is kept", `document.querySelector("#kept") !== null && document.readyState === "complete"`)
	b.everySize("plan kept")
	for _, text := range []string{"88", "87", "7.8 mm", "11.6 mm", "KH 30"} {
		var ok bool
		if b.script(b.says(text), &ok); !ok {
			t.Errorf("the plan does not say %s", text)
		}
	}
	all, err := b.cfg.Store.Archive.JointPlans(t.Context(), archive.AllSites(), strings.TrimPrefix(joint, "/joints/"))
	if err != nil || len(all) != 1 {
		t.Fatalf("%d plans, %v", len(all), err)
	}
	r, err := all[0].Decode()
	if err != nil || r.Lacing.Plan.Lead.Hooks != 88 || r.Lacing.Plan.Trail.Hooks != 87 {
		t.Errorf("kept: %+v, %v", r, err)
	}
	b.open(joint)
	b.until("the joint names its plan", b.says("88"))
}

// A finished joint is photographed, its hooks are counted as many as were drawn, and the
// clinch is judged: nothing of it before a person did.
func TestFinishedJointInTheBrowser(t *testing.T) {
	b := openBrowser(t)
	joint := b.beginJoint("J-22")
	laced := render.Joint(1)
	photo, err := laced.JPEG()
	if err != nil {
		t.Fatal(err)
	}
	name := filepath.Join(t.TempDir(), "laced.jpg")
	if err := os.WriteFile(name, photo, 0o600); err != nil {
		t.Fatal(err)
	}
	b.click(`a[href$="/finished"]`)
	b.until("the form", `document.querySelector("form[data-step] [name=photos]") !== null && document.readyState === "complete"`)
	b.everySize("finished joint, not counted")
	b.do(chromedp.SetUploadFiles(`form[data-step] [name=photos]`, []string{name}, chromedp.ByQuery))
	b.fill("pitch", strconv.FormatFloat(laced.Hinge.Pitch, 'f', -1, 64), "wire", strconv.FormatFloat(laced.Hinge.Wire, 'f', -1, 64))
	b.click(`form[data-step=finished] button[type=submit]`)
	b.until("the hooks are counted", `document.querySelector("#clinch") !== null && document.readyState === "complete"`)
	b.everySize("finished joint, counted")
	want, err := laced.Truth()
	if err != nil {
		t.Fatal(err)
	}
	look := func() (archive.Finished, *result.Hooks) {
		t.Helper()
		looks, err := b.cfg.Store.Archive.FinishedOf(t.Context(), archive.AllSites(), strings.TrimPrefix(joint, "/joints/"))
		if err != nil || len(looks) != 1 {
			t.Fatalf("%d looks, %v", len(looks), err)
		}
		r, err := looks[0].Decode()
		if err != nil {
			t.Fatal(err)
		}
		return looks[0], r
	}
	_, r := look()
	if g := truth.OfHooks(r, want.Hinge); !g.Exact || g.Flaws > 0 {
		t.Errorf("counted otherwise than drawn: %+v", g)
	}
	for _, row := range []*render.TruthRow{&want.Hinge.Upper, want.Hinge.Lower} {
		var ok bool
		if b.script(b.says(fmt.Sprintf("%d hooks", row.Count)), &ok); !ok {
			t.Errorf("the page does not say %d hooks", row.Count)
		}
	}
	var drawn []string
	b.script(`[...document.querySelectorAll(".scales figcaption b")].map(e => e.textContent)`, &drawn)
	if len(drawn) == 0 || !slices.Contains(drawn, "A, row out of square") || !slices.Contains(drawn, "B, pitch") {
		t.Errorf("drawn on scales: %q", drawn)
	}

	var judged int
	if b.script(`document.querySelectorAll("#clinch input[type=radio]:checked").length`, &judged); judged != 0 {
		t.Errorf("%d items are judged by nobody", judged)
	}
	b.click(`#clinch [name=judged-pulley-loop_round][value=rework]`)
	b.click(`#clinch [name=judged-carrying-wire_sunk][value=good]`)
	b.fill("note-pulley-loop_round", "keyhole at 40 mm")
	b.script(`document.querySelector("#clinch [name=name]").value = "Bo Tern"`, nil)
	b.click(`#clinch button[type=submit]`)
	b.until("two are judged", b.says("2 of 8 judged")+` && document.readyState === "complete"`)
	b.everySize("clinch judged")
	f, _ := look()
	if c := f.Clinch; len(c) != 2 || c[0].By != "Bo Tern" || c[1].By != "Bo Tern" || c[0].Code == c[1].Code {
		t.Errorf("kept of the clinch: %+v", c)
	}
	for _, c := range f.Clinch {
		if want := map[string]string{"loop_round": result.Rework, "wire_sunk": result.Good}[c.Code]; c.Judgement != want {
			t.Errorf("%s is kept as %q, judged %q", c.Code, c.Judgement, want)
		}
	}
}

// A page that waits tries again after 8, 16, 32, 64 and then 120 s, and at once when the
// browser says that there is a network: no sooner, and from 8 s on after that. Of two that
// waited for the same attempt the second changes nothing.
func TestPausesGrowWithoutNetwork(t *testing.T) {
	b := openBrowser(t)
	b.open("/")
	var got []float64
	b.script(`(async () => {
		const { retry } = await import("/static/queue.js");
		const real = globalThis.setTimeout, log = [];
		globalThis.setTimeout = (f, ms) => { log.push(ms / 1000); due = f; return 1; };
		let due;
		const tries = retry(() => log.push(0)); // 0: a try
		for (let i = 0; i < 7; i++) { tries.later(); tries.later(); due(); }
		tries.later();
		dispatchEvent(new Event("online"));
		tries.later();
		due();
		tries.later();
		tries.fresh();
		tries.later();
		globalThis.setTimeout = real;
		return log;
	})()`, &got)
	if want := []float64{8, 0, 16, 0, 32, 0, 64, 0, 120, 0, 120, 0, 120, 0, 120, 0, 8, 0, 16, 8}; !slices.Equal(got, want) {
		t.Errorf("pauses of %v s, want %v", got, want)
	}
}
