package training

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"encoding/xml"
	"errors"
	"io"
	"math"
	"regexp"
	"strings"
	"testing"
	"time"

	"beltend/geometry"
	"beltend/vision/render"
)

func solve(t *testing.T, e Exercise) (Solution, render.Scene) {
	t.Helper()
	s, err := e.Scene(ScreenSize)
	if err != nil {
		t.Fatalf("%+v: %v", e, err)
	}
	w, err := e.Solve(&s)
	if err != nil {
		t.Fatalf("%+v: %v", e, err)
	}
	return w, s
}

// usual is an exercise of every error at a size.
func usual(code string, share float64) Exercise {
	e := Default()
	e.Error, e.Size, e.Seed = code, 0, 7
	if r, ok := render.ErrorOf(code); ok {
		e.Size = math.Max(r.Least, math.Min(r.Most, share*r.Usual))
	}
	return e
}

// What the trade says of each error decides what is right.
func TestEachErrorHasItsReason(t *testing.T) {
	want := map[string]struct{ verdict, reason string }{
		None: {Good, ""}, "skew": {Recut, ReasonOffset}, "bow": {Recut, ReasonStraight}, "wander": {Recut, ReasonStraight},
		"step": {Recut, ReasonStraight}, "vee": {Recut, ReasonStraight}, "bad_edge": {Recut, ReasonOffset}, "bevel": {Recut, ReasonBevel},
		"ragged": {Recut, ReasonStraight}, "wrong_side": {Recut, ReasonMark}, "mirror": {Recut, ReasonOffset},
		"small_card": {Cannot, ReasonCard}, "not_flat": {Cannot, ReasonFlat},
	}
	if len(want) != len(Codes) {
		t.Errorf("%d errors, %d of them here", len(Codes), len(want))
	}
	for code, right := range want {
		w, s := solve(t, usual(code, 1))
		if w.Verdict != right.verdict || right.reason == "" != (len(w.Reasons) == 0) || right.reason != "" && !strings.Contains(strings.Join(w.Reasons, " "), right.reason) {
			t.Errorf("%s: %s because of %v (offset %.2f, straight %.2f, bevel %.2f, mark %.2f, allowed %.2f)", code, w.Verdict, w.Reasons, w.Offset, w.Straight, w.Bevel, w.Mark, w.Allowed)
		}
		// all of it is in the picture
		if w.Truth.CutInFrame < 1 || !w.Truth.Centreline.BothEdges {
			t.Errorf("%s: %.2f of the cut in frame, both edges %v", code, w.Truth.CutInFrame, w.Truth.Centreline.BothEdges)
		}
		for _, c := range w.Truth.Cards {
			if !c.InFrame {
				t.Errorf("%s: a card is not whole in the picture", code)
			}
		}
		if n := len(s.Cards); n != 2 && code != "small_card" || n == 0 {
			t.Errorf("%s: %d cards", code, n)
		}
	}
}

// The size of an error does not change between the screen's photo and the
// large one, and a mirrored error has its side on the other side.
func TestSizeAndSideAreTheExercise(t *testing.T) {
	for _, camera := range Cameras {
		for _, size := range []float64{3, 12, -12} {
			e := Default()
			e.Size, e.Camera = size, camera
			w, _ := solve(t, e)
			full, err := e.Scene(FullSize)
			if err != nil {
				t.Fatal(err)
			}
			other, err := e.Solve(&full)
			if err != nil {
				t.Fatal(err)
			}
			// both edges wave by 0.1 mm, so the centreline is not the ideal one
			if math.Abs(w.Offset-size) > 0.5 || math.Abs(other.Offset-w.Offset) > 0.05 {
				t.Errorf("%s, skew of %g: offset %.3f, large %.3f", camera, size, w.Offset, other.Offset)
			}
			if want := longSide(size); w.Long != want {
				t.Errorf("skew of %g: %s is long", size, w.Long)
			}
			// the long side loses nothing but what the waves ask for; the other gets nearly all
			if long := math.Max(w.Left, w.Right); math.Abs(long-math.Abs(size)) > 0.8 {
				t.Errorf("skew of %g: %.2f to cut off left, %.2f right", size, w.Left, w.Right)
			}
		}
	}
}

// at is where a place on the belt plane is in the picture, in its fractions.
func at(w *Solution, p geometry.Vec2) *geometry.Vec2 {
	uv, _ := w.view.Project(p)
	return &geometry.Vec2{X: (uv.X + 0.5) / float64(w.Truth.Camera.Size[0]), Y: (uv.Y + 0.5) / float64(w.Truth.Camera.Size[1])}
}

// A tap is taken from the picture to the plane: whatever the camera, places on
// one square line are as far back, and a line so far up is so far up.
func TestTapIsMappedToThePlane(t *testing.T) {
	for _, camera := range Cameras {
		e := Default()
		e.Camera, e.Size = camera, 9
		w, s := solve(t, e)
		corner := geometry.Vec2{X: w.Truth.CornersMM.Left[0], Y: w.Truth.CornersMM.Left[1]}
		right := geometry.Vec2{X: w.Truth.CornersMM.Right[0], Y: w.Truth.CornersMM.Right[1]}
		for _, back := range []float64{-8, 0, 5, 40} {
			d := geometry.Vec2{X: w.Truth.Centreline.Direction[0], Y: w.Truth.Centreline.Direction[1]}
			for _, p := range []geometry.Vec2{corner.Add(d.Mul(w.Left + back)), right.Add(d.Mul(w.Right + back))} {
				got, ok := w.Back(*at(&w, p))
				if !ok || math.Abs(got-back) > 0.1 {
					t.Errorf("%s: a place %g back is taken for %.3f", camera, back, got)
				}
			}
		}
		_ = s
	}
	w, _ := solve(t, Default())
	if _, ok := w.Back(geometry.Vec2{X: math.NaN()}); ok {
		t.Error("a place that is none is on the belt")
	}
}

func number(v float64) *float64 { return &v }

func TestScoreLaws(t *testing.T) {
	for _, code := range Codes {
		w, _ := solve(t, usual(code, 1))
		right := Answer{Verdict: w.Verdict, Long: w.Long, Amount: number(math.Abs(w.Offset))}
		if w.Verdict == Recut {
			right.Tap = at(&w, w.ends[0].Add(geometry.Vec2{Y: 4}))
		}
		if m := w.Score(right); m.Total() != MostPoints {
			t.Errorf("%s: the right answer gets %+v", code, m)
		}
		// nothing gets more than all, or less than none
		for _, verdict := range []string{Good, Recut, Cannot} {
			for _, long := range []string{"", Left, Right, Neither} {
				for _, amount := range []*float64{nil, number(0), number(500)} {
					for _, tap := range []*geometry.Vec2{nil, {X: 0.5, Y: 0.5}, {X: 0, Y: 0}} {
						a := Answer{verdict, long, amount, tap}
						m := w.Score(a)
						if m.Total() < 0 || m.Total() > MostPoints {
							t.Errorf("%s: %+v gets %d", code, a, m.Total())
						}
						// calling good what is not takes all
						if bad := verdict == Good && w.Verdict != Good; bad != m.Dangerous || bad && m.Total() != 0 {
							t.Errorf("%s: %+v gets %+v", code, a, m)
						}
						// the right verdict is never worth less than a wrong one
						same := a
						same.Verdict = w.Verdict
						if n := w.Score(same); n.Total() < m.Total() {
							t.Errorf("%s: %+v gets %d, with the right verdict %d", code, a, m.Total(), n.Total())
						}
						if code != None && w.Verdict == Cannot && verdict != Cannot && m.Total() != 0 {
							t.Errorf("%s: %+v gets %d although nobody can tell", code, a, m.Total())
						}
					}
				}
			}
		}
	}
}

// The nearer, the more points; the sign of the miss does not matter for the
// amount, and it does for the cut.
func TestNearerIsWorthMore(t *testing.T) {
	e := Default()
	e.Size = 8
	w, _ := solve(t, e)
	size := math.Abs(w.Offset)
	for _, c := range []struct {
		off  float64
		want int
	}{{0, 2}, {1.9, 2}, {-1.9, 2}, {2.4, 1}, {-2.4, 1}, {3.9, 1}, {4.4, 0}, {-4.4, 0}} {
		if m := w.Score(Answer{Verdict: Recut, Amount: number(size + c.off)}); m.Amount != c.want {
			t.Errorf("%.1f mm off gets %d, want %d", c.off, m.Amount, c.want)
		}
	}
	d := geometry.Vec2{X: w.Truth.Centreline.Direction[0], Y: w.Truth.Centreline.Direction[1]}
	for _, c := range []struct {
		back float64
		want int
	}{{0, 2}, {-2.5, 2}, {-4, 0}, {-100, 0}, {24, 2}, {26, 1}, {59, 1}, {61, 0}, {400, 0}} {
		m := w.Score(Answer{Verdict: Recut, Tap: at(&w, w.ends[0].Add(d.Mul(c.back)))})
		if m.Cut != c.want || m.Back == nil || math.Abs(*m.Back-c.back) > 0.3 {
			t.Errorf("a line %g mm back gets %d at %v, want %d", c.back, m.Cut, m.Back, c.want)
		}
	}
	good, _ := solve(t, usual(None, 1))
	if m := good.Score(Answer{Verdict: Good, Tap: &geometry.Vec2{X: 0.5, Y: 0.5}}); m.Cut != 0 {
		t.Error("cutting a good end costs nothing")
	}
}

func TestSameSeedSameQuestions(t *testing.T) {
	seen := map[string]int{}
	good, differ := 0, 0
	n := len(Codes) + goodShare - 1
	for i := range n {
		a, err := Question(42, i)
		if err != nil {
			t.Fatal(err)
		}
		b, err := Question(42, i)
		if err != nil || a != b || a.Key() != b.Key() {
			t.Errorf("question %d is %+v and %+v", i, a, b)
		}
		c, err := Question(43, i)
		if err != nil {
			t.Fatal(err)
		}
		if a != c {
			differ++
		}
		if err := a.Check(); err != nil {
			t.Error(err)
		}
		seen[a.Error]++
		w, _ := solve(t, a)
		if w.Verdict == Good {
			good++
		}
		// no question is decided by luck
		if clear, err := a.clear(); !clear || err != nil {
			t.Errorf("question %d, %s: offset %.2f, straight %.2f of %.2f allowed: too near the limit (%v)", i, a.Key(), w.Offset, w.Straight, w.Allowed, err)
		}
	}
	for _, code := range Codes {
		want := 1
		if code == None {
			want = goodShare
		}
		if seen[code] != want {
			t.Errorf("%s comes %d times in one turn", code, seen[code])
		}
	}
	if good != goodShare {
		t.Errorf("%d good ends in a turn", good)
	}
	if differ < n-1 {
		t.Errorf("seeds 42 and 43 share %d questions", n-differ)
	}
}

func TestSameExerciseSamePhoto(t *testing.T) {
	e := usual("bow", 1)
	var files [2][]byte
	for i := range files {
		s, err := e.Scene(480)
		if err != nil {
			t.Fatal(err)
		}
		s.Workers = i + 1
		if files[i], err = s.JPEG(); err != nil {
			t.Fatal(err)
		}
	}
	if !bytes.Equal(files[0], files[1]) {
		t.Error("the photo differs")
	}
}

func TestWrongExercisesAreNamed(t *testing.T) {
	for name, change := range map[string]func(*Exercise){
		"error": func(e *Exercise) { e.Error = "x" }, "size": func(e *Exercise) { e.Size = 400 }, "belt": func(e *Exercise) { e.Look = "" },
		"light": func(e *Exercise) { e.Light = "no" }, "camera": func(e *Exercise) { e.Camera = "no" }, "width": func(e *Exercise) { e.Width = math.NaN() },
		"seed": func(e *Exercise) { e.Seed = -1 },
	} {
		e := Default()
		change(&e)
		var wrong *geometry.WrongValue
		if _, err := e.Scene(ScreenSize); !errors.As(err, &wrong) || wrong.Name != name {
			t.Errorf("%s: %v", name, err)
		}
	}
}

// In the joint a skew is the kink against a square end, and a mirrored cut
// doubles it.
func TestJointShowsTheConsequence(t *testing.T) {
	for code, times := range map[string]float64{"skew": 1, "mirror": 2, "bow": 0} {
		e := usual(code, 1)
		w, _ := solve(t, e)
		j, err := w.Joint(e)
		if err != nil {
			t.Fatal(err)
		}
		want := times * w.Offset
		if times == 0 {
			want = w.Offset
		}
		if math.Abs(j.Pair.Kink.MM-want) > 0.01 {
			t.Errorf("%s: kink %.3f, want %.3f", code, j.Pair.Kink.MM, want)
		}
	}
	w, _ := solve(t, usual("bow", 1))
	mid, n := 0.0, 0
	for _, p := range w.Profile() {
		if math.Abs(p.X) < 30 {
			mid, n = mid+p.Y, n+1
		}
	}
	// a parabola's middle lies a third of its height above its straight line
	if want := w.Truth.Squareness.Straightness / 3; math.Abs(mid/float64(n)-want) > 0.4 {
		t.Errorf("the profile's middle is %.2f, want %.2f", mid/float64(n), want)
	}
}

func TestOverlayHasTheRightLine(t *testing.T) {
	e := Default()
	w, _ := solve(t, e)
	in := w.Overlay("l", "r", &geometry.Vec2{X: 0.5, Y: 0.5})
	if len(in.Recut) != 2 || len(in.Centreline) != 2 || len(in.Rival) != 2 || len(in.Cut) < 20 || in.LeftText != "l" {
		t.Fatalf("%+v", in)
	}
	for i, p := range in.Recut { // on the edges
		q, _ := w.view.Unproject(p)
		if math.Abs(math.Abs(q.X)-e.Width/2) > 2 {
			t.Errorf("end %d of the line to cut is at x = %.1f", i, q.X)
		}
	}
	good, _ := solve(t, usual(None, 1))
	if in := good.Overlay("", "", nil); in.Recut != nil {
		t.Error("a good end is to be cut")
	}
	wavy, _ := solve(t, usual("not_flat", 1))
	if in := wavy.Overlay("", "", nil); in.Recut != nil || in.Centreline != nil {
		t.Error("lines where nobody can tell")
	}
}

func answered(i int) Answered {
	return Answered{Exercise: Default(), Answer: Answer{Verdict: Recut, Long: Left, Amount: number(float64(i)), Tap: &geometry.Vec2{X: 0.25, Y: 0.5}},
		Marks: Marks{Verdict: 4, Cut: 1}, Right: Recut, Offset: 8, Time: time.Date(2026, 3, 4, 5, 6, 7, 0, time.UTC)}
}

// A file of rounds from before the record kept them is read, to the middle of a line.
func TestEarlierRoundsAreRead(t *testing.T) {
	var file bytes.Buffer
	for _, l := range []any{map[string]any{"begin": Round{ID: "abc", Person: "Ines", Seed: 7, Questions: 3, Sites: []string{"a"}}},
		map[string]any{"round": "abc", "answer": answered(0)}, map[string]any{"round": "abc", "answer": answered(1)}} {
		if err := json.NewEncoder(&file).Encode(l); err != nil {
			t.Fatal(err)
		}
	}
	for _, tail := range []string{"", `{"round":"abc`} {
		got, err := ReadEarlier(strings.NewReader(file.String() + tail))
		if err != nil || len(got) != 1 || len(got[0].Answers) != 2 || *got[0].Answers[1].Answer.Amount != 1 || *got[0].Answers[1].Answer.Tap != (geometry.Vec2{X: 0.25, Y: 0.5}) {
			t.Fatalf("with the tail %q: %+v, %v", tail, got, err)
		}
		if points, most := got[0].Points(); points != 10 || most != 20 {
			t.Errorf("%d of %d points", points, most)
		}
	}
	if _, err := ReadEarlier(strings.NewReader("{}\n")); err == nil || !strings.Contains(err.Error(), "line 1") {
		t.Errorf("a damaged file is read: %v", err)
	}
}

func TestScoresAsTable(t *testing.T) {
	text, err := CSV([]Round{{ID: "r1", Person: "=cmd()", Seed: 7, Answers: []Answered{answered(3)}}, {ID: "r2", Person: "Ole, \"B\""}})
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(text)).ReadAll()
	if err != nil || len(rows) != 2 {
		t.Fatalf("%v: %s", err, text)
	}
	get := func(name string) string {
		for i, h := range rows[0] {
			if h == name {
				return rows[1][i]
			}
		}
		return "no column " + name
	}
	for name, want := range map[string]string{"person": "'=cmd()", "points": "5", "most": "10", "amount_mm": "3.0", "true_offset_mm": "8.0", "right_answer": Recut, "cut_back_mm": ""} {
		if got := get(name); got != want {
			t.Errorf("%s is %q, want %q", name, got, want)
		}
	}
}

func TestCutsAreDrawn(t *testing.T) {
	titles := CutTitles{Offset: "Offset", Bow: "Bow", Roughness: "Roughness", Tolerance: "tolerance", Number: "cut"}
	if _, err := PlotCuts(nil, titles); !errors.Is(err, ErrNoCuts) {
		t.Error(err)
	}
	var cuts []Cut
	for i := range 30 {
		cuts = append(cuts, Cut{Offset: 8 - float64(i)/4, U95: 0.4, Tolerance: 1.6, Bow: 2, Roughness: 0.3})
		svg, err := PlotCuts(cuts, titles)
		if err != nil {
			t.Fatal(err)
		}
		d := xml.NewDecoder(bytes.NewReader(svg))
		dots := 0
		for {
			tok, err := d.Token()
			if errors.Is(err, io.EOF) {
				break
			}
			if err != nil {
				t.Fatal(err)
			}
			if e, ok := tok.(xml.StartElement); ok && e.Name.Local == "path" {
				for _, a := range e.Attr {
					if strings.Contains(a.Value, "#9C4716") && strings.Contains(a.Value, "fill:") && !strings.Contains(a.Value, "fill:none") {
						dots++
					}
				}
			}
		}
		if dots != 3*(i+1) {
			t.Fatalf("%d cuts make %d dots", i+1, dots)
		}
	}
	point := regexp.MustCompile(`>-?\d+\.\d+</text>`)
	if svg, err := PlotCuts(cuts[:1], titles); err != nil || !point.Match(svg) {
		t.Errorf("no value with a decimal point to begin with: %v", err)
	}
	titles.Decimal = func(s string) string { return strings.ReplaceAll(s, ".", ",") }
	if svg, err := PlotCuts(cuts[:1], titles); err != nil || point.Match(svg) {
		t.Errorf("a decimal point where the language has a comma: %v", err)
	}
	if _, err := PlotCuts([]Cut{{Offset: math.NaN()}}, titles); err == nil {
		t.Error("what is no number is drawn")
	}
}
