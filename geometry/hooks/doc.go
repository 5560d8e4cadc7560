// Package hooks reads a row of hooks from profiles across the belt: the comb's
// pitch, every hook on its own, what is missing, doubled or crooked, and how
// even the row is. Places are mm along the hinge line, left to right; light is
// given as its natural logarithm, so that neither shade nor exposure matters.
package hooks
