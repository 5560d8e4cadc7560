package hooks

import (
	"errors"
	"math"
	"math/rand/v2"
	"slices"
	"testing"

	"beltend/geometry/lacing"
)

// known is a row whose every hook is put on the belt by hand.
type known struct {
	pitch, wire, width float64
	at, turn           []float64 // all hooks, left to right
	gone, twice, bent  []float64 // places without a hook, hooks beside another, crooked ones
	even               []struct{ k, at float64 }
}

// randomRow puts n hooks at a pitch with some play between margins of 3 to 20 mm, takes
// some out, doubles some and bends some; none at the ends, and none of those beside
// each other but what is missing.
func randomRow(r *rand.Rand) known {
	in := func(lo, hi float64) float64 { return lo + (hi-lo)*r.Float64() }
	k := known{pitch: in(4, 14)}
	k.wire = k.pitch * in(0.17, 0.27)
	n := 12 + r.IntN(150)
	margin := in(3, 20)
	k.width = float64(n-1)*k.pitch + k.wire + 2*margin
	kind := make([]int, n) // 1 missing, 2 doubled, 3 crooked
	if i := 2 + r.IntN(n-7); r.IntN(8) == 0 {
		kind[i], kind[i+1], kind[i+2] = 1, 1, 1 // as something that lies there leaves it
	}
	for range r.IntN(5) {
		i, what := 2+r.IntN(n-4), 1+r.IntN(3)
		if what > 1 && (kind[i-1] > 0 || kind[i+1] > 0) || kind[i] > 0 || what == 1 && (kind[i-1] > 1 || kind[i+1] > 1) {
			continue
		}
		kind[i] = what
	}
	for i := range n {
		place := margin + k.wire/2 + float64(i)*k.pitch
		at := place + 0.015*k.pitch*r.NormFloat64()
		turn := 0.006 * r.NormFloat64()
		switch kind[i] {
		case 1:
			k.gone = append(k.gone, place)
			continue
		case 3:
			turn = []float64{-1, 1}[r.IntN(2)] * in(0.14, 0.3)
			k.bent = append(k.bent, at)
		default:
			k.even = append(k.even, struct{ k, at float64 }{float64(i), at})
		}
		k.at, k.turn = append(k.at, at), append(k.turn, turn)
		if kind[i] == 2 {
			k.at, k.turn = append(k.at, at+in(0.3, 0.45)*k.pitch), append(k.turn, 0)
			k.twice = append(k.twice, k.at[len(k.at)-1])
		}
	}
	return k
}

// Brute force: of 10,000 random rows every hook is put on a belt, and what follows from the
// hooks' places is held against every distance there: which places are empty, which hook
// stands beside another, which leg leans, the pitch as the mean over all pairs of hooks, the
// closest and the widest neighbours, their scatter, the margins as the least distance of any
// wire from either edge. Nothing is seen but the places: the profiles are empty.
func TestEveryHookOfRandomRows(t *testing.T) {
	r := rand.New(rand.NewPCG(46, 1))
	refused, doubtful := 0, 0
	var sum, n float64 // of the pitch's errors by what is stated, squared
	for trial := range 10000 {
		k := randomRow(r)
		bad := func(format string, a ...any) {
			t.Helper()
			t.Errorf("row %d: "+format, append([]any{trial}, a...)...)
		}
		const step = 0.5
		cells := int((k.width + 80) / step)
		s := Strip{From: -40, Step: step, Left: 0, Right: k.width, Out: []float64{9, 12}}
		row := &Row{Pitch: k.pitch * (1 + 0.002*r.NormFloat64()), Wire: k.wire}
		for i := range k.at {
			row.Hooks = append(row.Hooks, Hook{At: k.at[i], Root: k.at[i], Turn: k.turn[i], Clear: 1})
		}
		empty := make([]float64, cells)
		f := &finder{s: s, r: row, k: shape{sign: 1}, p: row.Pitch, resp: [][]float64{empty, empty}, all: empty, base: empty, light: empty, u: make([]float64, cells)}
		for i := range f.u {
			f.u[i] = (s.From + float64(i)*step - k.at[0]) / k.pitch
		}
		err := f.number()

		// what lies beside two other empty places may be covered
		var missing, hidden []float64
		for _, g := range k.gone {
			near := 0
			for _, o := range k.gone {
				if math.Abs(o-g) < 2.5*k.pitch {
					near++
				}
			}
			if near >= 3 {
				hidden = append(hidden, g)
			} else {
				missing = append(missing, g)
			}
		}
		// and what lies beside those
		for changed := true; changed; {
			changed = false
			for i, g := range missing {
				if slices.ContainsFunc(hidden, func(h float64) bool { return math.Abs(h-g) < 2.5*k.pitch }) {
					hidden, missing, changed = append(hidden, g), slices.Delete(missing, i, i+1), true
					break
				}
			}
		}
		slices.Sort(hidden)
		if len(hidden) > 0 {
			doubtful++
		}
		var u *Unclear
		if errors.As(err, &u) {
			refused++
			if float64(len(hidden)) <= math.Max(2, 0.03*float64(len(k.at))) {
				bad("refused as %s", u.Why)
			}
			continue
		}
		if len(hidden) > 2 && float64(len(hidden)) > 0.03*float64(len(k.at)) {
			bad("%d of %d places may be covered: not refused", len(hidden), len(k.at))
		}
		same := func(what string, got, want []float64) {
			t.Helper()
			if !slices.EqualFunc(got, want, func(a, b float64) bool { return math.Abs(a-b) < 0.1*k.pitch }) {
				bad("%s at %.1f, put at %.1f", what, got, want)
			}
		}
		flawed := func(flaw string) (at []float64) {
			for _, h := range row.Hooks {
				if h.Flaw == flaw {
					at = append(at, h.At)
				}
			}
			return at
		}
		if len(row.Hooks) != len(k.at) {
			bad("%d hooks, %d put", len(row.Hooks), len(k.at))
		}
		same("missing", row.Missing, missing)
		same("unclear", row.Unclear, hidden)
		same("doubled", flawed(Doubled), k.twice)
		same("crooked", flawed(Crooked), k.bent)

		// the mean pitch over all pairs, by the squares of their distances in places
		var num, den float64
		for i, a := range k.even {
			for _, b := range k.even[:i] {
				num, den = num+(a.k-b.k)*(a.at-b.at), den+(a.k-b.k)*(a.k-b.k)
			}
		}
		if math.Abs(row.Pitch-num/den) > 1e-9 {
			bad("pitch %.6f, over all pairs %.6f", row.Pitch, num/den)
		}
		sum, n = sum+math.Pow((row.Pitch-k.pitch)/row.PitchSD, 2), n+1
		closest, widest, scatter, gaps := math.Inf(1), 0.0, 0.0, 0.0
		for _, a := range k.even {
			for _, b := range k.even {
				if b.k-a.k == 1 {
					d := b.at - a.at
					closest, widest = math.Min(closest, d), math.Max(widest, d)
					scatter, gaps = scatter+(d-num/den)*(d-num/den), gaps+1
				}
			}
		}
		if math.Abs(row.Spacing[0]-closest) > 1e-9 || math.Abs(row.Spacing[1]-widest) > 1e-9 || math.Abs(row.Spread-math.Sqrt(scatter/gaps)) > 1e-9 {
			bad("neighbours %.4f to %.4f, scatter %.4f; measured %.4f to %.4f, %.4f", row.Spacing[0], row.Spacing[1], row.Spread, closest, widest, math.Sqrt(scatter/gaps))
		}
		left, right := math.Inf(1), math.Inf(1)
		for _, at := range k.at {
			for side := -1.0; side <= 1; side += 2 { // either side of the wire
				left, right = math.Min(left, at+side*k.wire/2), math.Min(right, k.width-at-side*k.wire/2)
			}
		}
		if a, b := row.Margins(0, k.width); math.Abs(a-left) > 1e-9 || math.Abs(b-right) > 1e-9 {
			bad("margins %.4f and %.4f, measured %.4f and %.4f", a, b, left, right)
		}
		if t.Failed() {
			t.Fatalf("%+v", k)
		}
	}
	if refused < 500 || doubtful < refused+300 {
		t.Errorf("%d refused, %d with places that may be covered", refused, doubtful)
	}
	if rms := math.Sqrt(sum / n); rms < 0.95 || rms > 1.05 {
		t.Errorf("the pitch is off by %.3f of what is stated (RMS)", rms)
	}
}

// Brute force: what a figure may be, step by step over its interval, against what it may
// differ from the plan; and every way of which unclear places are hooks, and of which row
// is which side. 10,000 of each.
func TestJudgementsOfRandomFigures(t *testing.T) {
	r := rand.New(rand.NewPCG(46, 2))
	for range 10000 {
		planned, seen := math.Round(200*r.Float64())/10, math.Round(200*r.Float64())/10
		u, allowed := math.Round(40*r.Float64())/10+0.05, 0.1+math.Round(60*r.Float64())/10
		within, beyond := false, false
		for i := 0; i <= 1000; i++ {
			if v := seen - u + 2*u*float64(i)/1000; math.Abs(v-planned) <= allowed+1e-9 {
				within = true
			} else {
				beyond = true
			}
		}
		want := map[[2]bool]string{{true, false}: AsPlanned, {false, true}: Differs, {true, true}: Undecided}[[2]bool{within, beyond}]
		if math.Abs(math.Abs(seen-planned)+u-allowed) < 1e-6 || math.Abs(math.Abs(seen-planned)-u-allowed) < 1e-6 {
			continue // on the limit itself
		}
		if got := Judge(planned, seen, u, allowed); got != want {
			t.Errorf("planned %g, seen %g ± %g, %g allowed: %s, want %s", planned, seen, u, allowed, got, want)
		}

		p, s, unclear := r.IntN(9), r.IntN(9), r.IntN(4)
		may, mayNot := false, false
		for hooks := s; hooks <= s+unclear; hooks++ {
			if hooks == p {
				may = true
			} else {
				mayNot = true
			}
		}
		want = map[[2]bool]string{{true, false}: AsPlanned, {false, true}: Differs, {true, true}: Undecided}[[2]bool{may, mayNot}]
		if got := JudgeCount(p, s, unclear); got != want {
			t.Errorf("%d planned, %d seen, %d unclear: %s, want %s", p, s, unclear, got, want)
		}

		plan := &lacing.Plan{Lead: lacing.Side{Hooks: r.IntN(9)}, Trail: lacing.Side{Hooks: r.IntN(9)}}
		best, ways := math.MaxInt, map[bool]int{}
		for _, swapped := range []bool{false, true} {
			rows := []int{p, s}
			if swapped {
				slices.Reverse(rows)
			}
			for _, d := range []int{rows[0] - plan.Lead.Hooks, rows[1] - plan.Trail.Hooks} {
				ways[swapped] += max(d, -d)
			}
			best = min(best, ways[swapped])
		}
		if got := Swapped(plan, p, s); ways[got] != best || got && ways[false] == best {
			t.Errorf("rows of %d and %d, planned %d and %d: swapped %v", p, s, plan.Lead.Hooks, plan.Trail.Hooks, got)
		}
	}
}
