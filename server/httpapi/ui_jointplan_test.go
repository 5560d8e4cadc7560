package httpapi

import (
	"context"
	"encoding/json"
	"html"
	"math"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"beltend/server/archive"
	"beltend/server/pages"
	"beltend/server/result"
	"beltend/server/store"
)

// submit sends a form of a page.
func submit(t *testing.T, address string, fields url.Values) (answer, string) {
	t.Helper()
	req, err := http.NewRequest(http.MethodPost, address, strings.NewReader(fields.Encode()))
	if err != nil {
		t.Fatal(err)
	}
	resp, body := send(t, req, map[string]string{"Content-Type": "application/x-www-form-urlencoded", "Accept": "text/html"})
	return resp, shownText(body)
}

// shownText is a page's text as people read it.
func shownText(body []byte) string {
	return strings.ReplaceAll(html.UnescapeString(string(body)), "\u00a0", " ")
}

// formOf reads what stands in the fields of the page's form.
func formOf(page string) url.Values {
	v := url.Values{}
	for _, m := range regexp.MustCompile(`<input (?:type="hidden" )?name="([a-z-]+)" value="([^"]*)"`).FindAllStringSubmatch(page, -1) {
		v.Set(m[1], m[2])
	}
	if m := regexp.MustCompile(`(?s)<textarea name="chart"[^>]*>(.*?)</textarea>`).FindStringSubmatch(page); m != nil {
		v.Set("chart", m[1])
	}
	return v
}

// cutOf is a cut of that width and offset, with the re-cut asked for at the centre.
func cutOf(width, offset, recut float64, v result.Verdict) *result.Measurement {
	m := full()
	m.Links, m.Verdict = nil, v
	m.Width.AtCutMM, m.Width.AtCutU95MM = width, 0.8
	m.Squareness.OffsetMM, m.Squareness.OffsetU95MM, m.Squareness.ToleranceMM, m.Squareness.TargetDeg = offset, 0.3, 1.6, 0
	m.Recut = &result.RecutLine{CentreMM: recut, LeftU95MM: 0.3, RightU95MM: 0.4}
	m.Cut = &result.Cut{}
	return m
}

// By hand, for ends of 800.4 and 799.0 mm, 6 mm free at each edge, pitch 9, wire 1.8:
// (799 - 12 - 1.8)/9 = 87.2, so 88 hooks and 87; margins (800.4 - 784.8)/2 = 7.8 and
// (799 - 775.8)/2 = 11.6; pin 784.8 + 15 = 799.8, cut off at 799. The leading end lost 4
// mm to a re-cut; with 46 mm of an old joint that makes 50, and the take-up moves by 25.
func TestPlanIsKeptWithTheJoint(t *testing.T) {
	f := &counting{fake: newFake()}
	var st *store.Store
	s := serve(t, f, func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-9")
	id := path.Base(at)
	measured := func(end, step string, m *result.Measurement) {
		put(t, st, local, archive.Measurement{Joint: id, End: end, Step: step}, store.File{Name: "a.jpg", Data: []byte(end + step)}, m)
	}
	measured(archive.Leading, archive.StepCut, cutOf(800, 8, 4, result.Recut))
	measured(archive.Leading, archive.StepRecut, cutOf(800.4, 0.2, 0.1, result.Square))
	measured(archive.Trailing, archive.StepCut, cutOf(799, 0.1, 0.1, result.Square))

	_, body := get(t, at+"/plan", nil)
	page := shownText(body)
	form := formOf(page)
	for name, want := range map[string]string{"lead-width": "800.4", "trail-width": "799.0", "lead-recut": "4.0", "trail-recut": "0.0", "version": "0", "name": "Ada Finch", "travel": ""} {
		if form.Get(name) != want {
			t.Errorf("filled in: %s %q, want %q", name, form.Get(name), want)
		}
	}
	if !strings.Contains(page, "measured: 800.4 mm ± 0.8 mm") || strings.Contains(form.Get("chart"), "KH") {
		t.Errorf("beside the fields, or an invented chart in a record: %q", form.Get("chart"))
	}
	form.Set("thickness", "5")
	form.Set("pulley", "300")
	form.Set("chart", pages.DemoChart)
	form.Set("lead-trim", "46")
	form.Set("notch", "40")

	// what is wrong is named, and nothing is kept
	for name, value := range map[string]string{"travel": "-1", "lead-recut": "much", "trail-trim": "1000 m", "thickness": "0", "fastener": "KH 99", "chart": "name", "name": "", "version": "x", "notch": "-3"} {
		wrong := url.Values{"do": {"keep"}}
		for k, v := range form {
			wrong[k] = v
		}
		wrong.Set(name, value)
		resp, body := submit(t, at+"/plan", wrong)
		if resp.StatusCode != http.StatusBadRequest || !strings.Contains(body, `class="card problem"`) {
			t.Errorf("%s %q: %s", name, value, resp.Status)
		}
		if marked := regexp.MustCompile(`name="` + name + `"[^>]*aria-invalid="true"`).MatchString(body); !marked && name != "version" {
			t.Errorf("%s %q: the field is not marked", name, value)
		}
	}
	none := func() int {
		all, err := st.Archive.JointPlans(context.Background(), archive.AllSites(), id)
		if err != nil {
			t.Fatal(err)
		}
		return len(all)
	}
	// nothing is kept by working it out
	if resp, body := submit(t, at+"/plan", form); resp.StatusCode != http.StatusOK || !strings.Contains(body, "not kept yet") || !strings.Contains(body, "88 hooks on the leading side, 87") {
		t.Fatalf("worked out: %s %s", resp.Status, body)
	}
	if none() != 0 {
		t.Fatal("kept what was only worked out, or wrong")
	}
	form.Set("do", "keep")
	resp, text := submit(t, at+"/plan", form)
	if resp.StatusCode != http.StatusSeeOther || resp.Header.Get("Location") != at[len(s.URL):]+"/plan" || none() != 1 {
		t.Fatalf("keep: %s %s", resp.Status, text)
	}
	_, body = get(t, at+"/plan", nil)
	page = shownText(body)
	for _, want := range []string{"KH 30: 88 hooks on the leading side, 87 on the trailing side", "7.8 mm at each edge of the leading end, 11.6 mm of the trailing end", "799.0 mm (799.8 mm would be wanted",
		"the travel left was not given", "re-cuts 4.0 mm ± 0.3 mm; cut off besides 46.0 mm", "belt lost 50.0 mm ± 0.3 mm", "moves by half of it, 25.0 mm",
		"pitch 9.0 mm, wire 1.8 mm, for belts 4.0 mm to 7.0 mm thick, smallest pulley 100.0 mm, strip 306.0 mm with 34 hooks, pin 15.0 mm longer", "<svg", "Ada Finch"} {
		if !strings.Contains(page, want) {
			t.Errorf("the plan's page does not say %q", want)
		}
	}
	if strings.Contains(page, "KH 20") {
		t.Error("the record holds rows of the chart that were not chosen")
	}
	again := formOf(page)
	for name, want := range map[string]string{"version": "1", "fastener": "KH 30", "thickness": "5", "pulley": "300", "notch": "40", "lead-trim": "46", "margin": "6"} {
		if again.Get(name) != want {
			t.Errorf("filled in again: %s %q, want %q", name, again.Get(name), want)
		}
	}
	if !strings.Contains(again.Get("chart"), "KH 30,9,1.8,4,7,100,306,34,15") {
		t.Errorf("the row is not there again: %q", again.Get("chart"))
	}

	// over it only with a reason, and only by whoever saw it
	again.Set("do", "keep")
	again.Set("travel", "100")
	again.Set("reserve", "80")
	if resp, body := submit(t, at+"/plan", again); resp.StatusCode != http.StatusBadRequest || !regexp.MustCompile(`name="reason"[^>]*aria-invalid`).MatchString(body) {
		t.Errorf("without a reason: %s %s", resp.Status, body)
	}
	again.Set("reason", "the take-up was read")
	form.Set("reason", "an old page")
	if resp, _ := submit(t, at+"/plan", form); resp.StatusCode != http.StatusConflict || none() != 1 {
		t.Errorf("over a plan that was not seen: %s", resp.Status)
	}
	if resp, body := submit(t, at+"/plan", again); resp.StatusCode != http.StatusSeeOther || none() != 2 {
		t.Fatalf("again: %s %s", resp.Status, body)
	}
	_, body = get(t, at+"/plan", nil)
	page = shownText(body)
	for _, want := range []string{"Reason: the take-up was read", "5.0 mm missing: needs an insert piece, two joints", "with 80.0 mm to be kept", "Earlier plans", "/plan?version=1"} {
		if !strings.Contains(page, want) {
			t.Errorf("the newest does not say %q", want)
		}
	}
	_, body = get(t, at+"/plan?version=1", nil)
	if page = shownText(body); !strings.Contains(page, "This is an earlier plan") || !strings.Contains(page, "the travel left was not given") || strings.Contains(page, "5.0 mm missing") {
		t.Error("the earlier plan is not shown as it was kept")
	}
	if resp, _ := get(t, at+"/plan?version=9", nil); resp.StatusCode != http.StatusNotFound {
		t.Errorf("a plan that there never was: %s", resp.Status)
	}
	_, body = get(t, at, nil)
	page = shownText(body)
	for _, want := range []string{"88 hooks on the leading side", "7.8 mm at each edge", "799.0 mm", "5.0 mm missing", "/plan"} {
		if !strings.Contains(page, want) {
			t.Errorf("the joint's page does not say %q", want)
		}
	}
	_, body = get(t, at+"/plan?lang=de", nil)
	if page = shownText(body); !strings.Contains(page, "Grund: the take-up was read") || !strings.Contains(page, "Nachschnitte 4,0 mm") {
		t.Error("not in German")
	}

	// the finished joint is compared with it where nothing is typed
	if resp, body := post(t, at+"/finished", nil, part{"photos", "j.jpg", "hooks"}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	if p := f.asked[len(f.asked)-1].Hooks.Plan; p == nil || p.Fastener.Name != "KH 30" || p.Lead.Hooks != 88 || p.NotchBack != 40 {
		t.Errorf("compared with %+v", p)
	}
	if resp, body := post(t, at+"/finished", nil, part{"photos", "j.jpg", "hooks"}, part{"pitch", "", "13"}, part{"wire", "", "2.4"}); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("%s: %s", resp.Status, body)
	}
	if p := f.asked[len(f.asked)-1].Hooks.Plan; p == nil || p.Fastener.Pitch != 13 {
		t.Errorf("a plan by hand: compared with %+v", p)
	}
	if _, body := get(t, at+"/finished", nil); !strings.Contains(shownText(body), "88 and 87 hooks, KH 30") {
		t.Error("the finished joint's page does not say what it is compared with")
	}

	// on paper, in both languages
	paper := func(lang string) string {
		t.Helper()
		_, b := get(t, s.URL+"/api/v1"+at[len(s.URL):]+"/record.pdf?lang="+lang, nil)
		file := filepath.Join(t.TempDir(), "record.pdf")
		if err := os.WriteFile(file, b, 0o600); err != nil {
			t.Fatal(err)
		}
		out, err := exec.Command("pdftotext", "-layout", file, "-").Output() //nolint:gosec // our own file
		if err != nil {
			t.Skip("pdftotext:", err)
		}
		return strings.Join(strings.Fields(string(out)), " ")
	}
	if strings.Contains(paper("en"), "An end was measured since") {
		t.Error("nothing was measured since the plan")
	}
	for lang, wants := range map[string][]string{
		"en": {"KH 30: 88 hooks on the leading side, 87", "7.8 mm", "11.6 mm", "799.0 mm", "re-cuts 4.0 mm ± 0.3 mm; cut off besides 46.0 mm", "belt lost 50.0 mm", "5.0 mm missing: needs an insert piece", "pitch 9.0 mm, wire 1.8 mm",
			"Reason: the take-up was read", "Plans before it that stay in the record: 1", "Both ends meshed"},
		"de": {"KH 30: 88 Haken", "5,0 mm fehlen", "Nachschnitte 4,0 mm", "Grund: the take-up was read"},
	} {
		text := paper(lang)
		for _, want := range wants {
			if !strings.Contains(text, want) {
				t.Errorf("%s: the paper does not say %q:\n%s", lang, want, text)
			}
		}
	}

	// for programs
	d := describe(t)
	const route = "/api/v1/joints/{id}/plan"
	resp, body = get(t, s.URL+"/api/v1"+at[len(s.URL):]+"/plan", nil)
	d.check(t, "get", route, resp, body)
	var plans struct{ Plans []jointPlanKept }
	if err := json.Unmarshal(body, &plans); err != nil || len(plans.Plans) != 2 || plans.Plans[0].Plan.Lacing.Plan.Lead.Hooks != 88 || plans.Plans[0].Reason != "the take-up was read" || plans.Plans[0].Plan.Takeup.Left != -5 ||
		plans.Plans[0].Plan.Program != "test" || plans.Plans[0].Plan.ThicknessMM != 5 || plans.Plans[0].Plan.NominalMM != 800 || plans.Plans[1].Plan.Takeup != nil || plans.Plans[1].Version != 1 {
		t.Errorf("%v: %s", err, body)
	}
	resp, body = get(t, s.URL+"/api/v1/joints/0/plan", nil)
	if d.check(t, "get", route, resp, body); resp.StatusCode != http.StatusNotFound {
		t.Errorf("no such joint: %s", resp.Status)
	}

	// measured since: said; done: kept as it is
	measured(archive.Trailing, archive.StepRecut, cutOf(799.2, 0.1, 0.1, result.Square))
	for _, address := range []string{at, at + "/plan", at + "/finished"} {
		if _, body := get(t, address, nil); !strings.Contains(shownText(body), "An end was measured since") {
			t.Errorf("%s shows a plan by an older width as if nothing had happened", address)
		}
	}
	if !strings.Contains(paper("en"), "An end was measured since") {
		t.Error("and so does the paper")
	}
	if resp, _ := submit(t, at+"/closed", url.Values{"closed": {"yes"}}); resp.StatusCode != http.StatusSeeOther {
		t.Fatal(resp.Status)
	}
	again.Set("version", "2")
	if resp, _ := submit(t, at+"/plan", again); resp.StatusCode != http.StatusConflict || none() != 2 {
		t.Errorf("a plan for a joint that is done: %s", resp.Status)
	}
	if _, body := get(t, at+"/plan", nil); strings.Contains(string(body), "<form") {
		t.Error("a joint that is done can be planned")
	}
}

// Who reads inches finds inches in the forms, and what still stands there when a form
// comes back is the record's own value: 5 mm is filled in as 0.197 in, which is 5.004 mm
// and thicker than a fastener for belts up to 5 mm takes.
func TestFormsAreFilledInInches(t *testing.T) {
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-9")
	id := path.Base(at)
	for i, end := range []string{archive.Leading, archive.Trailing} {
		put(t, st, local, archive.Measurement{Joint: id, End: end, Step: archive.StepCut}, store.File{Name: "a.jpg", Data: []byte(end)}, cutOf([]float64{800.4, 799}[i], 0.1, 0.1, result.Square))
	}
	inches := map[string]string{"Cookie": "beltend_units=in", "Accept": "text/html", "Content-Type": "application/x-www-form-urlencoded"}
	read := func(what string) url.Values {
		t.Helper()
		_, body := get(t, at+what, inches)
		return formOf(shownText(body))
	}
	send := func(what string, form url.Values) {
		t.Helper()
		req, err := http.NewRequest(http.MethodPost, at+what, strings.NewReader(form.Encode()))
		if err != nil {
			t.Fatal(err)
		}
		if resp, body := send(t, req, inches); resp.StatusCode != http.StatusSeeOther {
			t.Fatalf("%s: %s %s", what, resp.Status, body)
		}
	}
	kept := func() *result.JointPlan {
		t.Helper()
		all, err := st.Archive.JointPlans(t.Context(), archive.AllSites(), id)
		if err != nil {
			t.Fatal(err)
		}
		r, err := all[0].Decode()
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	wants := func(form url.Values, want map[string]string) {
		t.Helper()
		for name, v := range want {
			if form.Get(name) != v {
				t.Errorf("filled in: %s %q, want %q", name, form.Get(name), v)
			}
		}
	}
	form := read("/plan")
	wants(form, map[string]string{"lead-width": "31.512 in", "trail-width": "31.457 in", "lead-recut": "0 in", "version": "0"})
	for name, v := range map[string]string{"thickness": "5", "pulley": "12 in", "chart": strings.ReplaceAll(pages.DemoChart, ",4,7,", ",4,5,"), "fastener": "KH 30", "do": "keep"} {
		form.Set(name, v)
	}
	send("/plan", form)
	form = read("/plan")
	wants(form, map[string]string{"lead-width": "31.512 in", "thickness": "0.197 in", "pulley": "12 in", "margin": "0.236 in", "version": "1"})
	form.Set("do", "keep")
	form.Set("reason", "looked at again")
	send("/plan", form)
	if r := kept(); r.ThicknessMM != 5 || math.Abs(r.Lacing.PulleyMM-304.8) > 1e-9 || r.Lacing.Plan.Lead.Width != 800.4 || r.Lacing.Plan.Margin != 6 || r.Leading.Measurement == "" || r.Trailing.Measurement == "" {
		t.Errorf("kept again: %+v, %+v", r, r.Lacing.Plan)
	}

	before, err := st.Archive.Joint(t.Context(), archive.AllSites(), id)
	if err != nil {
		t.Fatal(err)
	}
	form = read("/change")
	wants(form, map[string]string{"tolerance": "0.063 in", "width": "31.496 in"})
	form.Set("face", before.FaceUp)
	form.Set("note", "a plank lies beside it")
	form.Set("reason", "seen today")
	send("/change", form)
	after, err := st.Archive.Joint(t.Context(), archive.AllSites(), id)
	if err != nil || after.ToleranceMM != before.ToleranceMM || after.SmallestPulleyMM != before.SmallestPulleyMM || after.Note != "a plank lies beside it" {
		t.Errorf("changed %+v into %+v, %v", before, after, err)
	}
	belt, err := st.Archive.Belt(t.Context(), archive.AllSites(), after.Belt)
	if err != nil || belt.Version != 1 {
		t.Errorf("the belt was changed: %+v, %v", belt, err)
	}
}

// A joint at a bias: the angle both cuts were measured for is filled in, reaches the
// drawing and the record, and what is no angle is named. By hand: 800 mm at 5 degrees are
// 800/cos 5 = 803.1 mm along the cut.
func TestPlanAtABias(t *testing.T) {
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-11")
	for _, end := range []string{archive.Leading, archive.Trailing} {
		m := cutOf(800, 0.2, 0.1, result.Square)
		m.Squareness.TargetDeg = 5
		put(t, st, local, archive.Measurement{Joint: path.Base(at), End: end, Step: archive.StepCut}, store.File{Name: "a.jpg", Data: []byte(end)}, m)
	}
	_, body := get(t, at+"/plan", nil)
	form := formOf(shownText(body))
	if form.Get("bias") != "5" {
		t.Errorf("filled in: %q, want 5", form.Get("bias"))
	}
	form.Set("thickness", "5")
	form.Set("pulley", "300")
	form.Set("chart", pages.DemoChart)
	for value, wrong := range map[string]bool{"5": false, "steep": true, "80": true} {
		form.Set("bias", value)
		resp, body := submit(t, at+"/plan", form)
		marked := regexp.MustCompile(`name="bias"[^>]*aria-invalid="true"`).MatchString(body)
		if marked != wrong || wrong != (resp.StatusCode == http.StatusBadRequest) {
			t.Errorf("bias %q: %s, marked %v", value, resp.Status, marked)
		}
		if !wrong && !strings.Contains(body, "cut at +5° from square, 803.1 mm and 803.1 mm long") {
			t.Error("the drawing does not say the angle")
		}
	}
	form.Set("bias", "5")
	form.Set("do", "keep")
	if resp, body := submit(t, at+"/plan", form); resp.StatusCode != http.StatusSeeOther {
		t.Fatalf("keep: %s %s", resp.Status, body)
	}
	all, err := st.Archive.JointPlans(context.Background(), archive.AllSites(), path.Base(at))
	if err != nil || len(all) != 1 {
		t.Fatal(len(all), err)
	}
	if r, err := all[0].Decode(); err != nil || r.Lacing.Plan.BiasDeg < 4.9999 || r.Lacing.Plan.BiasDeg > 5.0001 {
		t.Errorf("kept at %v, %v", r.Lacing.Plan.BiasDeg, err)
	}
}

// Programs keep a plan as the page does: what is left out is filled in from the measured
// ends, what is wrong or to be chosen is named and kept nowhere, and one plan takes the
// place of another only with a reason and its version. By hand: 88 and 87 hooks as above;
// the re-cut of the leading end cost 4 mm.
func TestPlanForPrograms(t *testing.T) {
	d := describe(t)
	const route = "/api/v1/joints/{id}/plan"
	var st *store.Store
	s := serve(t, newFake(), func(cfg *Config) { st = cfg.Store })
	at := joint(t, s.URL, "J-12")
	id := path.Base(at)
	for _, m := range []struct {
		end, step string
		r         *result.Measurement
	}{{archive.Leading, archive.StepCut, cutOf(800, 8, 4, result.Recut)}, {archive.Leading, archive.StepRecut, cutOf(800.4, 0.2, 0.1, result.Square)}, {archive.Trailing, archive.StepCut, cutOf(799, 0.1, 0.1, result.Square)}} {
		put(t, st, local, archive.Measurement{Joint: id, End: m.end, Step: m.step}, store.File{Name: "a.jpg", Data: []byte(m.end + m.step)}, m.r)
	}
	api := s.URL + "/api/v1/joints/" + id + "/plan"
	send := func(want int, change map[string]string) jointPlanKept {
		t.Helper()
		fields := map[string]string{"chart": pages.DemoChart, "thickness": "5", "pulley": "300", "fastener": "KH 30", "name": "Ada Finch"}
		for k, v := range change {
			fields[k] = v
		}
		var parts []part
		for k, v := range fields {
			parts = append(parts, part{k, "", v})
		}
		resp, body := post(t, api, nil, parts...)
		d.check(t, "post", route, resp, body)
		var kept jointPlanKept
		if resp.StatusCode != want {
			t.Errorf("%v: %s, want %d: %s", change, resp.Status, want, body)
		} else if want == http.StatusCreated {
			if err := json.Unmarshal(body, &kept); err != nil {
				t.Fatal(err)
			}
		}
		return kept
	}
	kept := func() int {
		all, err := st.Archive.JointPlans(context.Background(), archive.AllSites(), id)
		if err != nil {
			t.Fatal(err)
		}
		return len(all)
	}
	for _, wrong := range []map[string]string{{"chart": "name"}, {"thickness": "0"}, {"bias": "steep"}, {"fastener": "KH 99"}, {"name": ""}, {"version": "x"}} {
		send(http.StatusBadRequest, wrong)
	}
	send(http.StatusUnprocessableEntity, map[string]string{"fastener": "KH 20"})
	send(http.StatusUnprocessableEntity, map[string]string{"fastener": "", "pulley": "5"})
	if kept() != 0 {
		t.Fatal("kept what was wrong")
	}
	first := send(http.StatusCreated, nil)
	if p := first.Plan; first.Version != 1 || first.Person != "Ada Finch" || p.Lacing.Plan.Lead.Hooks != 88 || p.Lacing.Plan.Trail.Hooks != 87 || p.Leading.RecutMM != 4 || p.Leading.Measurement == "" || p.Program != "test" {
		t.Errorf("kept %+v", first)
	}
	send(http.StatusConflict, nil)
	send(http.StatusBadRequest, map[string]string{"version": "1"})
	if again := send(http.StatusCreated, map[string]string{"version": "1", "reason": "the gauge was read", "margin": "20"}); again.Version != 2 || again.Reason != "the gauge was read" || again.Plan.Lacing.Plan.Lead.Hooks >= 88 {
		t.Errorf("kept %+v", again)
	}
	if resp, _ := submit(t, at+"/closed", url.Values{"closed": {"yes"}}); resp.StatusCode != http.StatusSeeOther {
		t.Fatal(resp.Status)
	}
	send(http.StatusConflict, map[string]string{"version": "2", "reason": "done already"})
	if kept() != 2 {
		t.Errorf("%d plans are kept, want 2", kept())
	}
	resp, body := post(t, s.URL+"/api/v1/joints/0/plan", nil, part{"chart", "", pages.DemoChart})
	if d.check(t, "post", route, resp, body); resp.StatusCode != http.StatusNotFound {
		t.Errorf("no such joint: %s", resp.Status)
	}
}
