// Package truth holds answers against what a rendered scene really shows, for
// tests and the scoreboard.
package truth

import (
	"math"

	"beltend/server/result"
	"beltend/vision/render"
)

// Hooks is how a finished joint was read. Figures are the worst of its sides'.
type Hooks struct {
	Exact, Miscount       bool    // Miscount: the truth is not even within what was called unclear
	Flaws                 int     // missing, doubled and crooked hooks not named, or named where none is
	Pitch, Margin, Offset float64 // off by, mm
	MarginU, OffsetU      float64 // as stated, mm
	MarginIn, OffsetIn    bool    // within the stated uncertainty
}

// OfHooks compares a count with the joint that was rendered.
func OfHooks(r *result.Hooks, joint *render.TruthHinge) Hooks {
	h := Hooks{Exact: true, MarginIn: true, OffsetIn: true}
	for i := range r.Sides {
		h.side(r, &r.Sides[i], joint)
	}
	return h
}

func (h *Hooks) side(r *result.Hooks, g *result.HookSide, joint *render.TruthHinge) {
	row, turned := joint.RowAt(g.Places[0].Px)
	left, right := row.MarginLeft, row.MarginRight
	if turned {
		left, right = right, left
	}
	if g.Hooks != row.Count || g.Unclear > 0 {
		h.Exact = false
		h.Miscount = h.Miscount || g.Hooks > row.Count || g.Hooks+g.Unclear < row.Count
	}
	found := map[string]int{}
	for _, f := range r.Findings {
		if f.Side == g.Side {
			found[f.Code]++
		}
	}
	for code, n := range map[string]int{"missing": len(row.Missing), "doubled": len(row.Doubled), "crooked": len(row.Crooked)} {
		h.Flaws += max(found[code]-n, n-found[code])
	}
	h.Pitch = math.Max(h.Pitch, math.Abs(g.PitchMM-row.Pitch))
	if g.MarginsCertain {
		for _, d := range []float64{g.MarginLeftMM - left, g.MarginRightMM - right} {
			h.Margin = math.Max(h.Margin, math.Abs(d))
			h.MarginIn = h.MarginIn && math.Abs(d) <= g.MarginU95MM
		}
	}
	d := math.Abs(g.OffsetMM - joint.Offset)
	h.Offset = math.Max(h.Offset, d)
	h.OffsetIn = h.OffsetIn && d <= g.OffsetU95MM
	h.MarginU, h.OffsetU = math.Max(h.MarginU, g.MarginU95MM), math.Max(h.OffsetU, g.OffsetU95MM)
}
