package lacing

import (
	"math"
	"slices"
)

// inMachine is how many hooks a machine takes in one go:
// (n-1) pitch + wire <= machine.
func inMachine(f Fastener, machine float64) int {
	return int(math.Floor((machine-f.Wire)/f.Pitch+slack)) + 1
}

// sections divides the row of hooks into what the machine takes, whole strips
// in all but the last where the machine takes a strip at all, and finds the
// strips to load.
func (s *Side) sections(f Fastener, machine float64) {
	most := s.Hooks
	if machine > 0 && s.Span > machine+slack {
		most = inMachine(f, machine)
		if whole := most / f.HooksPerStrip * f.HooksPerStrip; whole > 0 {
			most = whole
		}
	}
	s.CutStrips = []int{}
	for first := 0; first < s.Hooks; first += most {
		last := min(first+most, s.Hooks) - 1
		s.Sections = append(s.Sections, Section{FirstHook: first + 1, LastHook: last + 1,
			Start: s.Centre(first, f.Pitch), End: s.Centre(last, f.Pitch)})
		n := last - first + 1
		s.FullStrips += n / f.HooksPerStrip
		if cut := n % f.HooksPerStrip; cut > 0 {
			s.CutStrips = append(s.CutStrips, cut)
		}
	}
}

// strips is how many strips both sides take out of the box, and how many hooks
// of them are left over: pieces are cut from as few strips as may be, longest
// first, each from the first strip that still has enough.
func strips(perStrip int, sides ...Side) (take, left int) {
	var pieces []int
	hooks := 0
	for _, s := range sides {
		take += s.FullStrips
		hooks += s.Hooks
		pieces = append(pieces, s.CutStrips...)
	}
	slices.SortFunc(pieces, func(a, b int) int { return b - a })
	var rest []int // hooks left on the strips begun
	for _, n := range pieces {
		k := slices.IndexFunc(rest, func(r int) bool { return r >= n })
		if k < 0 {
			rest = append(rest, perStrip)
			k = len(rest) - 1
		}
		rest[k] -= n
	}
	take += len(rest)
	return take, take*perStrip - hooks
}
