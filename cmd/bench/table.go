package main

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"text/tabwriter"
)

// Goals that hold for every class.
const (
	goalTime   = 1.5   // full colour decodes of the same photo
	goalMemory = 150.0 // MB over the idle process, one 12 MP photo
)

// sums of a set of outcomes.
type sums struct {
	n, answered, covered, lies int
	rms, worst, u95            float64 // mm per metre of width; u95 is the median
	time, peak                 float64 // median ratio, highest
	naiveN, naiveLies          int
	naiveRMS                   float64
	codes                      map[string]int
	rightCode, refused         int
}

func add(out []outcome) sums {
	s := sums{n: len(out), codes: map[string]int{}}
	var us, ratios []float64
	for i := range out {
		o := &out[i]
		perMetre := 1000 / o.width
		if o.naive.answered {
			s.naiveN++
			e := (o.naive.offset - o.offset) * perMetre
			s.naiveRMS += e * e
		}
		if o.naiveLie() {
			s.naiveLies++
		}
		ratios = append(ratios, o.seconds/o.decode)
		s.peak = math.Max(s.peak, o.peak)
		if !o.answered {
			s.refused++
			s.codes[o.refusal.Code]++
			if slices.Contains(o.codes, o.refusal.Code) {
				s.rightCode++
			}
			continue
		}
		s.answered++
		e := o.err() * perMetre
		s.rms += e * e
		s.worst = math.Max(s.worst, math.Abs(e))
		us = append(us, o.u95*perMetre)
		if math.Abs(o.err()) <= o.u95 {
			s.covered++
		}
		if o.lie() {
			s.lies++
		}
	}
	if s.answered == 0 {
		s.worst = math.NaN()
	}
	s.rms, s.naiveRMS = math.Sqrt(s.rms/float64(s.answered)), math.Sqrt(s.naiveRMS/float64(s.naiveN))
	s.u95, s.time = median(us), median(ratios)
	return s
}

func median(v []float64) float64 {
	if len(v) == 0 {
		return math.NaN()
	}
	slices.Sort(v)
	return v[len(v)/2]
}

// percent of n, or a dash when there is none.
func percent(k, n int) string {
	if n == 0 {
		return "-"
	}
	return fmt.Sprintf("%.1f%%", 100*float64(k)/float64(n))
}

// number prints a value; a dash for NaN.
func number(v float64, digits int) string {
	if math.IsNaN(v) {
		return "-"
	}
	return fmt.Sprintf("%.*f", digits, v)
}

// beside puts a goal behind a value.
func beside(value string, goal float64) string {
	if goal == 0 {
		return value
	}
	return fmt.Sprintf("%s (%g)", value, goal)
}

func of(class string, all []outcome) (out []outcome) {
	for _, o := range all {
		if o.class == class {
			out = append(out, o)
		}
	}
	return out
}

// columns of the scoreboard; a goal stands in brackets behind its value.
const columns = "%-24s %4s %14s %7s %14s %6s %12s %16s %7s %11s %10s  | %7s %6s %4s\n"

// head prints the scoreboard's first lines.
func head(w io.Writer) {
	fmt.Fprintln(w, "Errors in mm per metre of width, goals in brackets. time: median ratio of processor time to one full colour decode of the same")
	fmt.Fprintln(w, "photos. MB: highest memory over the idle process. naive: one card, four corners, one homography, Canny, Hough, on the first photo.")
	fmt.Fprintf(w, columns, "class", "n", "answered", "refused", "RMS", "worst", "U95 median", "coverage", "lies", "time", "MB", "naive", "RMS", "lies")
}

// row prints a class's line.
func row(w io.Writer, name string, out []outcome, g goal) {
	s := add(out)
	answered, coverage := beside(percent(s.answered, s.n), g.answered), percent(s.covered, s.answered)
	if refuse := out[0].refuse; refuse {
		answered += " (0)"
	} else {
		coverage += " (93-97)"
	}
	peak := number(s.peak, 0)
	if len(out[0].photos) == 1 && name != altered { // the goal is for one photo of 12 MP
		peak = beside(peak, goalMemory)
	}
	fmt.Fprintf(w, columns, name, fmt.Sprint(s.n), answered, fmt.Sprint(s.refused),
		beside(number(s.rms, 3), g.rms), number(s.worst, 2), beside(number(s.u95, 2), g.u95), coverage, fmt.Sprintf("%d (0)", s.lies),
		beside(number(s.time, 2), goalTime), peak, percent(s.naiveN, s.n), number(s.naiveRMS, 1), fmt.Sprint(s.naiveLies))
}

// kinds prints a line a kind of scene, so that a kind that fails is seen.
func kinds(w io.Writer, names []string, all []outcome) {
	t := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	for _, name := range names {
		by := map[string][]outcome{}
		var order []string
		for _, o := range of(name, all) {
			if o.what == "" || name == rayTraced || name == rayTraced+", must refuse" {
				continue
			}
			if by[o.what] == nil {
				order = append(order, o.what)
			}
			by[o.what] = append(by[o.what], o)
		}
		if len(order) == 0 {
			continue
		}
		slices.Sort(order)
		fmt.Fprintf(t, "\n%s\tn\tanswered\tRMS\tworst\tU95\tcovered\tlies\tnaive RMS\trefused\n", name)
		for _, kind := range order {
			s := add(by[kind])
			fmt.Fprintf(t, "  %s\t%d\t%d\t%s\t%s\t%s\t%d\t%d\t%s\t%s\n", kind, s.n, s.answered,
				number(s.rms, 2), number(s.worst, 2), number(s.u95, 2), s.covered, s.lies, number(s.naiveRMS, 1), s.reasons(by[kind]))
		}
	}
	t.Flush()
}

// reasons lists the refusals, and how many were for a right reason where the
// scene names some.
func (s *sums) reasons(out []outcome) string {
	var codes []string
	for c, n := range s.codes {
		codes = append(codes, fmt.Sprintf("%s %d", c, n))
	}
	slices.Sort(codes)
	text := strings.Join(codes, ", ")
	if s.refused > 0 && len(out[0].codes) > 0 {
		text += fmt.Sprintf("; %d of %d for a right reason", s.rightCode, s.refused)
	}
	return text
}

// list prints the outcomes that trouble most, or all.
func list(w io.Writer, all []outcome, every bool) {
	fmt.Fprintln(w)
	sorted := troubling(all)
	for i, o := range sorted {
		switch {
		case o.answered && (every || i < worstCount || o.lie()):
			mark := ""
			if o.narrow() {
				mark = "  LIE: narrow where none can be"
			} else if o.lie() {
				mark = "  LIE"
			}
			fmt.Fprintf(w, "%-26s error %+6.2f mm, U95 %5.2f, width %5.0f, time %4.1f, %3.0f MB  %s%s\n", o.name, o.err(), o.u95, o.width, o.seconds/o.decode, o.peak, o.what, mark)
		case !o.answered && (every || !o.refuse):
			fmt.Fprintf(w, "%-26s refused %s: %s (%s)\n", o.name, o.refusal.Code, o.refusal.Message, o.what)
		}
	}
}

// troubling orders outcomes: lies, then answers by their error in U95, then
// refusals.
func troubling(all []outcome) []outcome {
	rank := func(o *outcome) float64 {
		switch {
		case o.lie():
			return 1e6 + math.Abs(o.err())/o.u95
		case o.answered:
			return 1 + math.Abs(o.err())/o.u95
		case !o.refuse:
			return 1
		}
		return 0
	}
	out := slices.Clone(all)
	slices.SortStableFunc(out, func(a, b outcome) int {
		switch x, y := rank(&a), rank(&b); {
		case x > y:
			return -1
		case x < y:
			return 1
		}
		return 0
	})
	return out
}
