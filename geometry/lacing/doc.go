// Package lacing holds the rules by which the two ends of a belt are laced with
// interleaving hooks and a hinge pin: which fastener of a chart fits, how many
// hooks go on each side, where the first one stands, what is left at the edges.
//
// Lengths are millimetres, angles radians. All places are measured along the
// cut, from the left corner to the right as seen by someone who stands beyond
// that end's cut and looks up its belt. Of a joint's two ends the leading one
// passes a fixed point first when the belt runs. The formulas are plain geometry;
// the rules of thumb (edge margin, one hook fewer on the trailing side, skiving
// about 25 mm back) are common practice of the trade, not a standard.
package lacing
