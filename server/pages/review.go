package pages

import (
	"fmt"
	"html/template"
	"math"
	"net/url"
	"slices"
	"strings"
	"time"

	"beltend/server/archive"
	"beltend/server/report"
	"beltend/server/result"
	"beltend/server/store"
)

// Filters are what a search offers and what was asked, by the fields' names.
type Filters struct {
	Values    map[string]string
	Sites     []archive.Site
	Conveyors []archive.Conveyor
	Belts     []archive.Belt // of the conveyor chosen
	CardSets  []archive.CardSet
}

// ReviewRow is a measurement in the reviewer's list.
type ReviewRow struct {
	ID, Verdict, Offset  string
	Site, Conveyor, Belt string
	Joint, End, Step     string
	Person, When         string
	Why                  string // there is no answer
	Taped                string // by hand, alone or with photos
	Review               string // key of the text
	Signs                int
	Doubt, Again         bool // its cards were found bad; it was made again
	Promoted             bool // a newer result, made the answer by a reviewer
	Beside               bool // another, to compare
}

// ReviewRows are the rows of a list.
func ReviewRows(w *Words, found []archive.Found, inches bool) []ReviewRow {
	var rows []ReviewRow
	for _, f := range found {
		r := ReviewRow{ID: f.ID, Verdict: f.Verdict, Site: f.SiteName, Conveyor: f.ConveyorName, Belt: f.BeltName, Joint: f.JointNumber, End: f.End, Step: f.Step,
			Person: f.Person, When: w.Stamp(f.Time), Review: f.Review, Signs: f.Signs, Doubt: f.CardDoubt, Again: f.SupersededBy != "", Beside: f.Beside != "", Promoted: f.Promotes != "", Taped: report.ByHand(f.Source, report.Options{Lang: w.Lang})}
		switch {
		case f.Refusal != "":
			r.Verdict, r.Review, r.Why = "refused", "none", w.Or("problem."+f.Refusal, f.Refusal)
		case f.Beside != "", f.SupersededBy != "" && f.Review == "":
			r.Review = "none"
		case r.Review == "":
			r.Review = "open"
		}
		if f.OffsetMM != nil && f.U95MM != nil {
			r.Offset = SignedU(*f.OffsetMM, *f.U95MM, inches)
		}
		rows = append(rows, r)
	}
	return rows
}

// ReviewList is the list with its search.
type ReviewList struct {
	Problem *ProblemData
	Filters Filters
	Rows    []ReviewRow
	Next    string       // address of the next page
	Query   template.URL // of the search, for its lists as files
}

// ReviewRecord is what stands around a measurement.
type ReviewRecord struct {
	Problem  *ProblemData
	Site     archive.Site
	Joint    archive.Joint
	Reviews  []archive.Review
	Events   []archive.Event
	Others   []archive.Found // of the same joint and end, the newest first
	Looks    []Look          // at the finished joint, the newest first
	Head     archive.Head
	May      bool // sign off
	Local    bool // several persons may sign at this machine
	Reviewer string
	Fields   map[string]string // of the form that could not be kept

	Program, Method string // that measure now
}

// Other is another measurement of the same end, to compare with.
type Other struct {
	ReviewRow
	Before, After string // IDs in the order of time
	Same          bool   // this one
}

// Compared is a measurement and those made of its photos since, to compare.
type Compared struct {
	ReviewRow
	Program, Method string
	Link            string // compares it with the answer, or leads to it; empty: the answer
	State           string // key of the text: answer, was, stands; empty: neither
}

type recordPage struct {
	ReviewRecord
	Compared []Compared // the answer first
	Measure  bool       // it can be measured again
	Present  bool       // the present program and method have measured it
	Stand    bool       // it may be made the answer
	Signed   bool       // the answer so far has a sign-off
	Promoted string     // ID of the answer that was made of it
	R        *ResultData
	Row      ReviewRow
	Kept     archive.Found
	Others   []Other
	Versions []report.Row
	State    string       // key of the text: open, first, done, sent_back, refused, beside
	Accept   bool         // may be accepted: it was measured square
	Asked    bool         // a sign-off is asked for
	Loose    bool         // of no joint
	Query    template.URL // of the joint's lists as files
}

// ReviewRecordPage is the page of one measurement for the reviewer.
func ReviewRecordPage(view View, r store.Record, d ReviewRecord) Page {
	w := In(view.Lang)
	v := recordPage{ReviewRecord: d, Kept: r.Kept, Row: ReviewRows(w, []archive.Found{r.Kept}, view.Inches)[0]}
	if data, ok := Result(view, r).Data.(*ResultData); ok {
		v.R = data
	}
	for _, f := range d.Others {
		o := Other{ReviewRow: ReviewRows(w, []archive.Found{f}, view.Inches)[0], Same: f.ID == r.ID, Before: f.ID, After: r.ID}
		if f.Time.After(r.Created) {
			o.Before, o.After = r.ID, f.ID
		}
		v.Others = append(v.Others, o)
	}
	k := r.Kept
	v.Query = template.URL(url.Values{"joint": {k.Joint}}.Encode()) //nolint:gosec // encoded
	row := func(key, text string) {
		if text != "" {
			v.Versions = append(v.Versions, report.Row{Label: w.Text("record." + key), Text: text})
		}
	}
	row("program", k.ProgramVersion)
	row("method", k.MethodVersion)
	row("card_set", k.CardSetNo)
	row("card_scale", k.CardScale)
	row("camera", k.CameraProfile)
	row("result_hash", k.ResultSHA256)
	for i, f := range k.Files {
		row("photo_hash", fmt.Sprintf("%d: %s", i+1, f.SHA256))
	}
	v.Accept, v.Loose = k.Verdict == string(result.Square), k.JointNumber == store.Loose
	last := ""
	if n := len(d.Reviews); n > 0 {
		last = d.Reviews[n-1].Outcome
	}
	v.State = SignState(last, len(d.Reviews), d.Site.TwoSign)
	if k.Refusal != "" { // there is nothing to sign off
		v.State, v.May = "refused", false
	}
	if k.Beside != "" {
		v.State, v.May = "beside", false
	}
	if k.SupersededBy != "" {
		if v.May = false; v.State == "open" || v.State == "first" {
			v.State = "again"
		}
	}
	v.compared(w, view.Inches)
	v.Stand = v.Stand && d.May && k.Refusal == "" && k.PhotosRemoved == 0
	v.Measure = d.May && k.Beside == "" && k.Source == "" && k.PhotosRemoved == 0
	v.Asked = v.State == "open" || v.State == "first"
	slices.SortFunc(v.Events, func(a, b archive.Event) int { return int(b.Seq - a.Seq) })
	return Page{Title: w.Text("record.title"), View: view, Data: v}
}

// compared gathers what was made of the same photos, to compare.
func (v *recordPage) compared(w *Words, inches bool) {
	first := v.Kept.ID
	switch k := v.Kept; {
	case k.Beside != "":
		first = k.Beside
	case k.Promotes != "":
		first = k.Supersedes
	}
	stands := map[string]string{} // ID of the answer by that of the one whose result it is
	for _, f := range v.ReviewRecord.Others {
		if f.Promotes != "" {
			stands[f.Promotes] = f.ID
		}
	}
	v.Promoted = stands[v.Kept.ID]
	v.Stand = v.Kept.Beside != "" // until the answer was made again
	var rows []Compared
	for _, f := range slices.Backward(v.ReviewRecord.Others) {
		if f.ID != first && f.Beside != first {
			continue
		}
		v.Present = v.Present || f.ProgramVersion == v.Program && f.MethodVersion == v.Method
		c := Compared{ReviewRow: ReviewRows(w, []archive.Found{f}, inches)[0], Program: f.ProgramVersion, Method: f.MethodVersion}
		switch {
		case f.ID == first && f.SupersededBy == "":
			c.State, v.Signed = "answer", f.Signs > 0
		case f.ID == first:
			c.State, c.Link, v.Stand = "was", "/review/m/"+f.ID, false
		case stands[f.ID] != "":
			c.State, c.Link = "stands", "/review/compare/"+first+"/"+stands[f.ID]
		case f.Refusal != "":
			c.Link = "/review/m/" + f.ID
		default:
			c.Link = "/review/compare/" + first + "/" + f.ID
		}
		rows = append(rows, c)
	}
	if len(rows) > 1 {
		v.Compared = rows
	}
}

// SignState is the key of how far a sign-off is, by the last outcome of so many; two
// where a site asks for two persons.
func SignState(last string, signs int, two bool) string {
	switch {
	case signs == 0:
		return "open"
	case last == archive.SentBack:
		return "sent_back"
	case two && signs == 1:
		return "first"
	}
	return "done"
}

// ReviewCompare is two measurements of one end, the earlier first.
type ReviewCompare struct {
	Before, After store.Record
	Rows          []Difference
	With          []Difference // what the two were made with
	Pictures      bool
}

// Difference is a value before and after.
type Difference struct{ Label, Before, After, Change string }

// Differences sets the values of two measurements side by side. The uncertainty
// of a difference is that of two values that share no error (JCGM 100, 5.1.2):
// what they do share, such as a card's print scale, makes it smaller.
func Differences(w *Words, before, after *result.Measurement, inches bool) []Difference {
	o := report.Options{Inches: inches}
	var rows []Difference
	add := func(key string, a, b, ua, ub float64, signed bool) {
		length := report.Length
		if signed {
			length = report.Signed
		}
		value := func(v, u float64) string {
			if u == 0 {
				return length(v, o)
			}
			return length(v, o) + " ± " + report.Expanded(u, o)
		}
		d := Difference{Label: w.Text("compare." + key), Before: value(a, ua), After: value(b, ub), Change: report.Signed(b-a, o)}
		if u := math.Hypot(ua, ub); u > 0 {
			d.Change += " ± " + report.Expanded(u, o)
		}
		rows = append(rows, d)
	}
	if a, b := before.Squareness, after.Squareness; a != nil && b != nil {
		add("offset", a.OffsetMM, b.OffsetMM, a.OffsetU95MM, b.OffsetU95MM, true)
	}
	if a, b := before.Width, after.Width; a != nil && b != nil {
		add("width", a.AtCutMM, b.AtCutMM, a.AtCutU95MM, b.AtCutU95MM, false)
	}
	if a, b := before.Cut, after.Cut; a != nil && b != nil {
		add("straight", a.StraightnessMM, b.StraightnessMM, a.StraightnessU95MM, b.StraightnessU95MM, false)
		add("rough", a.RMSMM, b.RMSMM, 0, 0, false)
	}
	return rows
}

// MadeWith sets side by side what two measurements were made with.
func MadeWith(w *Words, before, after archive.Found) []Difference {
	var rows []Difference
	for _, r := range []struct{ key, a, b, none string }{
		{"program", before.ProgramVersion, after.ProgramVersion, ""},
		{"method", before.MethodVersion, after.MethodVersion, ""},
		{"card_set", before.CardSetNo, after.CardSetNo, ""},
		{"card_scale", before.CardScale, after.CardScale, w.Text("compare.not_measured")},
		{"camera", before.CameraProfile, after.CameraProfile, w.Text("compare.no_profile")},
	} {
		if r.a == "" && r.b == "" && r.none == "" {
			continue
		}
		d := Difference{Label: w.Text("record." + r.key), Before: r.a, After: r.b, Change: w.Text("compare.same")}
		if r.a != r.b {
			d.Change = w.Text("compare.other")
		}
		if d.Before == "" {
			d.Before = r.none
		}
		if d.After == "" {
			d.After = r.none
		}
		rows = append(rows, d)
	}
	return rows
}

// CheckedSet is a card set with the state of its checks.
type CheckedSet struct {
	archive.CardSet
	SiteName string
	Last     *archive.CardCheck // the newest check
	LastGood string             // day; "" where there was none
	State    string             // key of the text: unchecked, good, due, bad
}

// CheckSet is a card set in the list. checks come the newest first.
func CheckSet(set archive.CardSet, checks []archive.CardCheck, sites []archive.Site, now time.Time) CheckedSet {
	r := CheckedSet{CardSet: set, State: "unchecked"}
	for _, s := range sites {
		if s.ID == set.Site {
			r.SiteName = s.Name
		}
	}
	if len(checks) > 0 {
		last := checks[0]
		r.Last = &last
		switch {
		case !last.Good:
			r.State = "bad"
		case !last.Due.IsZero() && now.After(last.Due.AddDate(0, 0, 1)):
			r.State = "due"
		default:
			r.State = "good"
		}
	}
	for _, c := range checks {
		if c.Good {
			r.LastGood = c.Time.Format(time.DateOnly)
			break
		}
	}
	return r
}

// ReviewCards is the list of card sets.
type ReviewCards struct {
	Problem *ProblemData
	May     bool
	Sets    []CheckedSet
	Sites   []archive.Site
	Fields  map[string]string
}

// ReviewCardSet is one card set with what it measured.
type ReviewCardSet struct {
	Problem  *ProblemData
	May      bool
	Reviewer string
	Set      CheckedSet
	Checks   []archive.CardCheck
	Rows     []ReviewRow // measured since the last good check
	Next     string
	Fields   map[string]string
}

// ReviewChart is the page of control charts.
type ReviewChart struct {
	Problem *ProblemData
	Filters Filters
	By      string // "", "site" or "person"
	All     bool   // every point asked for is drawn
	Charts  []ControlChart
}

// ControlChart shows offsets over time: individual values with control limits
// (ISO 7870-2, chart of individuals and moving range: mean ± 2,66 times the mean
// moving range) and the mean of every week.
type ControlChart struct {
	Name           string
	N, Out         int
	Mean, Lo, Hi   string // mm; limits empty where there are too few values
	MeanY          float64
	LoY, HiY       float64
	Limits         bool
	BandY, BandH   float64 // tolerance, where all values have one
	Band           bool
	Tolerance      string
	Points         []ChartPoint
	Weeks          []ChartWeek
	Ticks          []ChartTick // of offsets
	Days           []ChartTick // of time
	Described      string
	Width, Height  float64
	Left, Right    float64
	Top, Bottom    float64
	MiddleX, BaseY float64
}

// ChartPoint is one measurement.
type ChartPoint struct {
	X, Y  float64
	Out   bool
	ID    string
	Label string
}

// ChartWeek is the mean of a week.
type ChartWeek struct {
	Name     string // ISO 8601, 2026-W14
	N        int
	Mean, SD string
	X, Y     float64
}

// ChartTick is a graduation.
type ChartTick struct {
	At    float64
	Label string
}

const (
	chartWidth, chartHeight = 720.0, 300.0
	chartLeft, chartRight   = 52.0, 704.0
	chartTop, chartBottom   = 16.0, 262.0
	chartMost               = 12 // charts on a page
	limitsFrom              = 10 // values
	movingRange             = 2.66
)

// ControlCharts draws one chart, or one a site or person, those with the most
// values first.
func ControlCharts(w *Words, points []archive.Point, by string, sites []archive.Site, inches bool) []ControlChart {
	name := func(archive.Point) string { return w.Text("chart.all") }
	switch by {
	case "person":
		name = func(p archive.Point) string { return p.Person }
	case "site":
		names := map[string]string{}
		for _, s := range sites {
			names[s.ID] = s.Name
		}
		name = func(p archive.Point) string { return names[p.Site] }
	}
	groups := map[string][]archive.Point{}
	for _, p := range points {
		groups[name(p)] = append(groups[name(p)], p)
	}
	var names []string
	for n := range groups {
		names = append(names, n)
	}
	slices.SortFunc(names, func(a, b string) int {
		if d := len(groups[b]) - len(groups[a]); d != 0 {
			return d
		}
		return strings.Compare(a, b)
	})
	var out []ControlChart
	for _, n := range names[:min(len(names), chartMost)] {
		out = append(out, controlChart(w, n, groups[n], inches))
	}
	return out
}

func controlChart(w *Words, name string, points []archive.Point, inches bool) ControlChart {
	o := report.Options{Inches: inches, Lang: w.Lang}
	c := ControlChart{Name: name, N: len(points), Width: chartWidth, Height: chartHeight, Left: chartLeft, Right: chartRight, Top: chartTop, Bottom: chartBottom,
		MiddleX: (chartLeft + chartRight) / 2, BaseY: chartBottom + 18}
	mean, lo, hi := limits(points)
	c.Limits = len(points) >= limitsFrom
	reach := math.Abs(mean)
	tolerance := points[0].ToleranceMM
	for _, p := range points {
		reach = math.Max(reach, math.Abs(p.OffsetMM))
		tolerance = math.Min(tolerance, p.ToleranceMM)
	}
	if c.Limits {
		reach = math.Max(reach, math.Max(math.Abs(lo), math.Abs(hi)))
	}
	reach = math.Max(reach, tolerance) * 1.2 // clear of the axis title
	if !(reach > 0) {
		reach = 1
	}
	unit := 1.0
	if inches {
		unit = 25.4
	}
	step := niceStep(reach/unit/4) * unit
	y := func(mm float64) float64 { return (chartTop+chartBottom)/2 - mm/reach*(chartBottom-chartTop)/2 }
	for k := math.Ceil(-reach / step); k*step <= reach; k++ {
		c.Ticks = append(c.Ticks, ChartTick{At: y(k * step), Label: w.Figure(tickLabel(k * step / unit))})
	}
	first, last := points[0].Time, points[len(points)-1].Time
	span := last.Sub(first).Seconds()
	x := func(t time.Time) float64 {
		if span <= 0 {
			return c.MiddleX
		}
		return chartLeft + 10 + t.Sub(first).Seconds()/span*(chartRight-chartLeft-20)
	}
	c.Days = append(c.Days, ChartTick{At: x(first), Label: first.Format(time.DateOnly)})
	if span > 0 {
		c.Days = append(c.Days, ChartTick{At: x(last), Label: last.Format(time.DateOnly)})
	}
	weeks := map[string][]archive.Point{}
	var order []string
	for _, p := range points {
		out := c.Limits && (p.OffsetMM < lo || p.OffsetMM > hi)
		if out {
			c.Out++
		}
		c.Points = append(c.Points, ChartPoint{X: x(p.Time), Y: y(p.OffsetMM), Out: out, ID: p.ID, Label: fmt.Sprintf("%s, %s: %s", w.Stamp(p.Time), p.Person, w.Figure(SignedU(p.OffsetMM, p.U95MM, inches)))})
		year, week := p.Time.ISOWeek()
		key := fmt.Sprintf("%d-W%02d", year, week)
		if weeks[key] == nil {
			order = append(order, key)
		}
		weeks[key] = append(weeks[key], p)
	}
	mm := func(v float64) string { return w.Figure(report.Signed(v, o)) }
	for _, key := range order {
		var sum, at float64
		for _, p := range weeks[key] {
			sum += p.OffsetMM
			at += x(p.Time)
		}
		n := float64(len(weeks[key]))
		row := ChartWeek{Name: key, N: len(weeks[key]), Mean: mm(sum / n), X: at / n, Y: y(sum / n)}
		if n > 1 {
			ss := 0.0
			for _, p := range weeks[key] {
				ss += (p.OffsetMM - sum/n) * (p.OffsetMM - sum/n)
			}
			row.SD = w.Figure(report.Length(math.Sqrt(ss/(n-1)), o))
		}
		c.Weeks = append(c.Weeks, row)
	}
	c.Mean, c.MeanY = mm(mean), y(mean)
	if c.Limits {
		c.Lo, c.Hi, c.LoY, c.HiY = mm(lo), mm(hi), y(lo), y(hi)
	}
	if c.Band = tolerance > 0; c.Band {
		c.BandY, c.BandH, c.Tolerance = y(tolerance), y(-tolerance)-y(tolerance), w.Figure(report.Length(tolerance, o))
	}
	c.Described = w.Text("chart.described", name, c.N, c.Mean)
	return c
}

func tickLabel(mm float64) string {
	if mm == 0 {
		return "0"
	}
	return fmt.Sprintf("%+.3g", mm)
}

// limits are the mean and the control limits of individual values in their
// order: mean ± 2.66 times the mean moving range (ISO 7870-2; 2.66 = 3/d2 of two).
func limits(points []archive.Point) (mean, lo, hi float64) {
	moving := 0.0
	for i, p := range points {
		mean += p.OffsetMM / float64(len(points))
		if i > 0 {
			moving += math.Abs(p.OffsetMM - points[i-1].OffsetMM)
		}
	}
	if len(points) > 1 {
		moving /= float64(len(points) - 1)
	}
	return mean, mean - movingRange*moving, mean + movingRange*moving
}
