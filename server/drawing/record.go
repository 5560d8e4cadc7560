package drawing

import (
	"bytes"
	"encoding/json"
	"fmt"
	"math"
	"strings"
	"time"
	"unicode"
	"unicode/utf8"

	"rsc.io/qr"

	"beltend/server/report"
	"beltend/server/result"
)

// Record is all that is kept of one joint, for paper. Its fields are those of
// ISO/IEC 17025:2017, 7.8.2.1 and 7.8.6; it is no accredited report and says so.
type Record struct {
	Number  string // of this issue: the joint and the last event of the chain
	Issued  time.Time
	By      string // who issues it
	Where   []report.Row
	Item    []report.Row // the belt, and what the joint was begun with
	Limit   string       // where the tolerance comes from; empty: the default
	TwoSign bool
	Ends    [2]EndRecord
	Pair    *result.Joint // nil: an end has no measured cut
	Plan    *Planned      // nil: none is kept
	Look    *CountedLook  // nil: not counted yet
	Made    []Made        // everything measured or refused, oldest first
	Signs   []Sign
	Photos  []KeptPhoto
	Chain   ChainEnd
}

// EndRecord is one end of the joint.
type EndRecord struct {
	End    string    // leading or trailing
	Before *Measured // the first answer; nil where it is the last too
	After  *Measured // the newest answer; nil: none yet
}

// Measured is one answer with what stands around it.
type Measured struct {
	Result  *result.Measurement
	No      int // in Record.Made, from 1
	Step    string
	Time    time.Time
	Person  string
	State   string // key of its sign-off: open, first, done, sent_back
	Cards   string // card set and its check, in words; empty: none named
	Camera  string // profile; empty: from the photo alone
	Picture []byte // JPEG with the findings; nil: removed by a rule of retention
	Profile []byte // PNG of the cut; nil: none
}

// Planned is the newest plan kept with the joint.
type Planned struct {
	Result *result.JointPlan
	Time   time.Time
	Person string
	Reason string // why it took the place of the one before
	Kept   int    // plans so far, this one too
	Anew   bool   // an end was measured since
}

// CountedLook is the newest look at the finished joint.
type CountedLook struct {
	Result  *result.Hooks
	Time    time.Time
	Person  string
	Picture []byte // JPEG; nil: removed by a rule of retention

	CloseUps []CloseUp
}

// Made is one line of the history.
type Made struct {
	Time          time.Time
	End, Step     string
	Person        string
	Answer        string // offset and uncertainty, or why there is none
	Verdict       string // square, recut, undecided, refused
	Review        string // outcome of the latest sign-off; "open", "none"
	Again         bool   // made again since from the same photos
	Beside        bool   // another, of the same photos, to compare
	Promoted      bool   // a newer result, made the answer by a reviewer
	CardsDoubtful bool
}

// Sign is one sign-off.
type Sign struct {
	No                   int // of the measurement in Record.Made
	Outcome, Person      string
	Time                 time.Time
	Reason, ConcessionBy string
}

// KeptPhoto is a photo under its hash.
type KeptPhoto struct {
	Of       string // measurement number, or what else it shows
	Name     string
	SHA256   string
	Location string // key: kept, taken_out, none_known
	Gone     bool
}

// ChainEnd is the end of the chain of events.
type ChainEnd struct {
	Head        string // number and hash of the last event
	Archive     string // ID
	Fingerprint string // of the site's key; empty: there is none
}

// recordLabel is where the texts of a record begin, mm.
const recordLabel = 62.0

// Paper lays a joint's record out as a PDF.
func Paper(r *Record, o report.Options) ([]byte, error) {
	p := &paper{Record: r, o: o}
	p.summary()
	for i := range r.Ends {
		if err := p.end(&r.Ends[i]); err != nil {
			return nil, err
		}
	}
	if r.Pair != nil {
		p.drawn(runningSheet(r.Pair, o))
	}
	if r.Plan != nil {
		p.planned()
		p.drawn(meshed(r.Plan.Result.Lacing.Plan, o))
	}
	if p.otherPlan() {
		p.drawn(meshed(r.Look.Result.HookPlan, o))
	}
	if err := p.finished(); err != nil {
		return nil, err
	}
	p.signed()
	p.kept()
	for i, s := range p.sheets {
		s.say(edge, s.height-5.5, 2.7, -1, pale, "%s", s.Text("paper.foot"))
		s.say(s.width-edge, s.height-5.5, 3, 1, pale, "%s", s.Text("drawing.page", i+1, len(p.sheets)))
	}
	return pdf(p.sheets...)
}

// paper is a record being laid out.
type paper struct {
	*Record
	o      report.Options
	sheets []*sheet
}

// heading stands on every page: where it belongs and the record's number.
func (p *paper) heading(s *sheet, y float64) {
	var where []string
	for _, r := range p.Where {
		where = append(where, r.Text)
	}
	s.title = s.Text("paper.title")
	s.say(edge, y, 2.9, -1, pale, "%s", strings.Join(where, " · "))
	s.say(s.width-edge, y, 2.9, 1, pale, "%s", s.Text("paper.number", p.Number))
	s.line(pale, 0.2, pt(edge, y+2), pt(s.width-edge, y+2))
}

// section begins pages with a title of their own.
func (p *paper) section(title string) *flow {
	return newFlow(p.o, func(f *flow) {
		f.label, f.indent = recordLabel, 0
		p.heading(f.s, 11)
		f.s.head(edge, 23, 5.4, -1, title)
		f.y = 33
	})
}

func (p *paper) add(f *flow) { p.sheets = append(p.sheets, f.sheets...) }

// drawn adds a drawing that has a sheet of its own.
func (p *paper) drawn(s *sheet) {
	p.heading(s, 8)
	p.sheets = append(p.sheets, s)
}

// summary is the first page: what, whose, by which rule, and what came out.
func (p *paper) summary() {
	f := p.section(p.text("paper.title"))
	f.label = edge + 46
	w := f.s.Words
	row := func(label, text string) {
		if text != "" {
			f.block(text, label, false, true)
		}
	}
	row(w.Text("paper.record"), p.Number)
	row(w.Text("paper.issued"), w.Text("paper.issued_by", w.When(p.Issued), p.By))
	row(w.Text("paper.done"), p.span(w.When))
	var short, tall []report.Row
	for _, r := range append(append([]report.Row{}, p.Where...), p.Item...) {
		if pageWidth(r.Text, flowSize) > 90 || pageWidth(r.Label, flowSize) > 41 {
			tall = append(tall, r)
		} else {
			short = append(short, r)
		}
	}
	f.pairs(short)
	for _, r := range tall {
		row(r.Label, r.Text)
	}
	row(w.Text("paper.method"), w.Text("paper.method_is", p.versions()))
	f.group(w.Text("paper.results"))
	var rows [][]string
	for i := range p.Ends {
		e := &p.Ends[i]
		name := w.Text("end." + e.End)
		m := e.After
		if m == nil {
			rows = append(rows, []string{name, w.Text("joint.not_yet"), "", "", "", ""})
			continue
		}
		rows = append(rows, []string{name, report.Offset(m.Result, p.o), coverage(m.Result, p.o), report.Tolerance(m.Result, p.o),
			report.Headline(m.Result, p.o) + ". " + w.Text("paper.outcome_"+report.Outcome(m.Result)), w.Text("paper.state_" + m.State)})
	}
	f.table([]float64{26, 33, 17, 17, 69, 24}, strings.Split(w.Text("paper.results_head"), "|"), rows)
	if p.Pair != nil {
		row(w.Text("joint.pair"), report.JointVerdict(p.Pair, p.o))
		for _, r := range report.JointRows(p.Pair, p.o)[2:4] { // kink and hinge; the ends stand above, the rest beside the drawing
			row(r.Label, r.Text)
		}
	} else {
		row(w.Text("joint.pair"), w.Text("joint.pair_needs"))
	}
	if k := p.Plan; k != nil {
		short := report.KeptShort(k.Result, p.o)
		row(w.Text("plan.title"), short[0].Text+" "+upper(short[len(short)-1].Label+": "+short[len(short)-1].Text)+".")
	} else {
		row(w.Text("plan.title"), w.Text("joint.not_yet"))
	}
	if l := p.Look; l != nil {
		row(w.Text("finished.title"), report.HooksHeadline(l.Result, p.o)+" "+p.judged(l.Result))
	} else {
		row(w.Text("finished.title"), w.Text("joint.not_yet"))
	}
	f.group(w.Text("paper.rule"))
	f.full(w.Text("paper.rule_is"))
	limit := p.Limit
	if limit == "" {
		limit = w.Text("fact.tolerance_default", report.UsualTolerance(p.o))
	}
	row(w.Text("paper.limit"), limit)
	row(w.Text("paper.pair_limit"), w.Text("paper.pair_limit_is"))
	f.group(w.Text("paper.mind"))
	f.full("– " + w.Text("paper.mind_only") + " " + w.Text("paper.mind_whole"))
	for _, n := range []string{"accredited", "safe"} {
		f.full("– " + w.Text("paper.mind_"+n))
	}
	p.add(f)
}

func (p *paper) text(key string, values ...any) string {
	return newSheet(short, long, p.o).Text(key, values...)
}

// unit is what lengths are in.
func (p *paper) unit() string {
	if p.o.Inches {
		return "in"
	}
	return "mm"
}

// perPixel is how much of the belt a pixel shows.
func (p *paper) perPixel(mm float64) string {
	if p.o.Inches {
		return fmt.Sprintf("%.4f in", mm/25.4)
	}
	return fmt.Sprintf("%.2f mm", mm)
}

// judged says how much of the clinch is judged.
func (p *paper) judged(r *result.Hooks) string {
	n := 0
	for _, c := range r.Checklist {
		if c.Judgement != result.Open {
			n++
		}
	}
	return p.text("paper.clinch_judged", n, len(r.Checklist))
}

// span is from when to when was measured.
func (p *paper) span(when func(time.Time) string) string {
	if len(p.Made) == 0 {
		return ""
	}
	first, last := when(p.Made[0].Time), when(p.Made[len(p.Made)-1].Time)
	if first == last {
		return first
	}
	return p.text("paper.from_to", first, last)
}

// versions are the methods and programs of the answers shown.
func (p *paper) versions() string {
	var out []string
	for i := range p.Ends {
		if m := p.Ends[i].After; m != nil {
			v := p.text("answer.program_text", m.Result.Program, m.Result.Method)
			if len(out) == 0 || out[0] != v {
				out = append(out, v)
			}
		}
	}
	if len(out) == 0 {
		return "beltend"
	}
	return strings.Join(out, "; ")
}

// coverage is the factor k of an answer's uncertainty, as its budget gives it.
func coverage(m *result.Measurement, o report.Options) string {
	if rows := report.BudgetTable(m, o); len(rows) > 0 {
		if k := rows[len(rows)-1].Comment; k != "" {
			return k
		}
	}
	return "k ≈ 2"
}

// end is what is known of one end: both photos, the figures, the cut, how it was
// measured, where U comes from.
func (p *paper) end(e *EndRecord) error {
	m := e.After
	if m == nil {
		return nil
	}
	f := p.section(upper(p.text("end." + e.End)))
	w := f.s.Words
	f.y = f.s.para(edge, f.y, short-2*edge, 4, ink, report.Verdict(m.Result, p.o)) + 1
	shown := []*Measured{m}
	if e.Before != nil {
		shown = []*Measured{e.Before, m}
	}
	if err := p.photos(f, shown); err != nil {
		return err
	}
	p.figures(f, shown)
	if err := p.cut(f, m); err != nil {
		return err
	}
	row := func(label, text string) {
		if text != "" {
			f.block(text, label, false, true)
		}
	}
	f.group(w.Text("paper.found", m.No))
	for _, r := range report.Facts(m.Result, p.o) {
		f.block(r.Text, r.Label, false, true)
	}
	if m.Result.Recut != nil && m.Result.Verdict != result.Square {
		for _, r := range report.RecutRows(m.Result, p.o) {
			f.block(r.Text, r.Label, false, true)
		}
	}
	f.group(w.Text("paper.how", m.No))
	row(w.Text("paper.who"), m.Person+", "+w.When(m.Time))
	p.conditions(m, row)
	for i, x := range m.Result.Warnings {
		label := ""
		if i == 0 {
			label = w.Text("paper.deviations")
		}
		f.block(report.WarningText(x, p.o), label, false, true)
	}
	if table := report.BudgetTable(m.Result, p.o); len(table) > 0 {
		f.group(w.Text("paper.budget", m.No))
		var rows [][]string
		for _, b := range table {
			u := fmt.Sprintf("%.3f", b.UMM)
			if p.o.Inches {
				u = fmt.Sprintf("%.4f", b.UMM/25.4)
			}
			rows = append(rows, []string{b.Source, b.Type, w.Decimal(u), b.Comment})
		}
		f.table([]float64{48, 12, 18, 108}, []string{w.Text("answer.source"), w.Text("answer.type"), "u, " + p.unit(), w.Text("answer.comment")}, rows)
	}
	if b := e.Before; b != nil {
		if err := p.cut(f, b); err != nil {
			return err
		}
		if b.Result.Recut != nil && b.Result.Verdict != result.Square {
			f.group(w.Text("paper.asked", b.No))
			for _, r := range report.RecutRows(b.Result, p.o) {
				f.block(r.Text, r.Label, false, true)
			}
		}
	}
	p.add(f)
	return nil
}

// photos places the photos with their findings side by side.
func (p *paper) photos(f *flow, shown []*Measured) error {
	const gap, tallest = 5.0, 84.0
	width := (short - 2*edge - gap*float64(len(shown)-1)) / float64(len(shown))
	low := f.y
	for i, m := range shown {
		x := edge + float64(i)*(width+gap)
		key := "paper.photo"
		if len(shown) > 1 {
			key = []string{"paper.photo_before", "paper.photo_after"}[i]
		}
		caption := f.s.Text(key, m.No, f.s.Text("step."+m.Step), f.s.When(m.Time))
		y := f.s.para(x, f.y+3, width, 3.1, ink, caption)
		switch {
		case m.Picture != nil:
			var err error
			if y, err = f.s.picture(x, y-1, width, tallest, m.Picture); err != nil {
				return err
			}
		case m.Result.Source == result.FromTape:
			y = f.s.para(x, y+2, width, 3.1, pale, f.s.Text("paper.by_tape"))
		default:
			y = f.s.para(x, y+2, width, 3.1, pale, f.s.Text("paper.photo_gone"))
		}
		low = math.Max(low, y)
	}
	f.y = low + 7
	return nil
}

// figures sets the values of the answers side by side.
func (p *paper) figures(f *flow, shown []*Measured) {
	w := f.s.Words
	head := []string{""}
	for _, m := range shown {
		head = append(head, w.Text("paper.measurement", m.No))
	}
	with := func(mm, u float64) string {
		if u > 0 {
			return report.Length(mm, p.o) + " ± " + report.Expanded(u, p.o)
		}
		return report.Length(mm, p.o)
	}
	var rows [][]string
	add := func(label string, value func(*result.Measurement) string) {
		row := []string{label}
		for _, m := range shown {
			row = append(row, value(m.Result))
		}
		rows = append(rows, row)
	}
	add(w.Text("paper.offset_u"), func(m *result.Measurement) string {
		return report.Offset(m, p.o) + ", " + coverage(m, p.o) + "; " + report.LongSide(m, p.o)
	})
	add(w.Text("answer.verdict"), func(m *result.Measurement) string {
		return report.Headline(m, p.o) + ". " + w.Text("paper.outcome_"+report.Outcome(m))
	})
	add(w.Text("fact.tolerance"), func(m *result.Measurement) string { return "± " + report.Tolerance(m, p.o) })
	add(w.Text("fact.width"), func(m *result.Measurement) string {
		if m.Width == nil {
			return "–"
		}
		return with(m.Width.AtCutMM, m.Width.AtCutU95MM)
	})
	add(w.Text("paper.straight"), func(m *result.Measurement) string {
		if m.Cut == nil {
			return "–"
		}
		return with(m.Cut.StraightnessMM, m.Cut.StraightnessU95MM)
	})
	add(w.Text("paper.rough"), func(m *result.Measurement) string {
		if m.Cut == nil {
			return "–"
		}
		return report.Length(m.Cut.RMSMM, p.o)
	})
	each := (short - 2*edge - 44) / float64(len(shown))
	widths := []float64{44}
	for range shown {
		widths = append(widths, each)
	}
	f.table(widths, head, rows)
}

// cut shows the cut across the width.
func (p *paper) cut(f *flow, m *Measured) error {
	if m.Profile == nil {
		return nil
	}
	const width = 136.0
	if f.y+width/2+10 > long-edge {
		f.page()
	}
	y := f.s.para(edge, f.y+2, short-2*edge, 3.1, ink, f.s.Text("paper.profile", m.No))
	y, err := f.s.picture(edge, y-1, short-2*edge, width/2, m.Profile)
	f.y = y + 3
	return err
}

// conditions are what an answer was made from and with.
func (p *paper) conditions(m *Measured, row func(label, text string)) {
	r, w := m.Result, newSheet(short, long, p.o).Words
	if c := r.Centreline; c != nil {
		n := 0
		if r.Width != nil {
			n = len(r.Width.Stations)
		}
		row(w.Text("paper.baseline"), w.Text("paper.baseline_is", report.Length(c.LengthMM, p.o), n))
	}
	for i, ph := range r.Photos {
		if ph.LeftOut != "" {
			row("", w.Text("paper.photo_out", i+1, ph.LeftOut))
			continue
		}
		row(w.Text("paper.photo_no", i+1), w.Decimal(w.Text("paper.photo_is", cards(ph.Cards), p.perPixel(ph.MMPerPx), fmt.Sprintf("%.0f", ph.TiltDeg), fmt.Sprintf("%.2f", ph.ResidualPx))))
	}
	row(w.Text("record.card_set"), m.Cards)
	if s := r.Settings; s != nil {
		scale := w.Text("compare.not_measured")
		if s.PrintScaleX > 0 {
			scale = w.Decimal(fmt.Sprintf("%.4f; %.4f", s.PrintScaleX, s.PrintScaleY))
		}
		if r.Source != result.FromTape {
			row(w.Text("setting.print_scale"), scale)
			camera := m.Camera
			if camera == "" {
				camera = w.Text("compare.no_profile")
			}
			row(w.Text("record.camera"), camera)
		}
		if s.ThicknessMM > 0 {
			row(w.Text("setting.thickness"), report.Length(s.ThicknessMM, p.o))
		}
		if s.TargetDeg != 0 {
			row(w.Text("setting.target"), w.Decimal(fmt.Sprintf("%+.2f°", s.TargetDeg)))
		}
	}
	for i := range r.Image {
		if by := r.Image[i].SetByHand; len(by) > 0 {
			row(w.Text("setting.hand"), w.Text("paper.by_hand", i+1, strings.Join(by, ", ")))
		}
	}
	row(w.Text("record.program"), w.Text("answer.program_text", r.Program, r.Method))
}

// planned is the lacing and belt length as kept; the drawing follows it.
func (p *paper) planned() {
	k := p.Plan
	f := p.section(p.text("plan.title"))
	w, plan := f.s.Words, k.Result.Lacing
	f.y = f.s.para(edge, f.y, short-2*edge, 4, ink, report.LacingHeadline(plan, p.o)) + 1
	who := w.Text("plan.kept_by", w.When(k.Time), k.Person)
	if k.Kept > 1 {
		who += " " + w.Text("paper.plans_before", k.Kept-1)
	}
	if k.Reason != "" {
		who += " " + w.Text("plan.because", k.Reason)
	}
	f.y = f.s.para(edge, f.y, short-2*edge, flowSize, pale, who) + 1
	if k.Anew {
		f.full(w.Text("plan.anew"))
	}
	rows := func(title string, rows []report.Row) {
		f.group(title)
		for _, r := range rows {
			f.block(r.Text, r.Label, false, true)
		}
	}
	rows(w.Text("plan.belt"), report.KeptBelt(k.Result, p.o))
	rows(w.Text("plan.fastener"), append([]report.Row{report.ChartRow(plan.Plan.Fastener, p.o)}, report.FitRows(plan, p.o)...))
	rows(w.Text("lacing.bench"), report.BenchList(plan.Plan, p.o))
	if notes := report.LacingNotes(plan, p.o); len(notes) > 0 {
		f.group(w.Text("drawing.to_know"))
		for _, n := range notes {
			f.full(n.Text)
		}
	}
	p.add(f)
}

// otherPlan says whether the finished joint was compared with a plan that is not the
// kept one.
func (p *paper) otherPlan() bool {
	if p.Look == nil || p.Look.Result.HookPlan == nil {
		return false
	}
	if p.Plan == nil {
		return true
	}
	a, err := json.Marshal(p.Plan.Result.Lacing.Plan)
	b, too := json.Marshal(p.Look.Result.HookPlan)
	return err != nil || too != nil || !bytes.Equal(a, b)
}

// finished is the finished joint as counted and judged.
func (p *paper) finished() error {
	l := p.Look
	if l == nil {
		return nil
	}
	f := p.section(p.text("finished.title"))
	f.y = f.s.para(edge, f.y, short-2*edge, 4, ink, report.HooksHeadline(l.Result, p.o)) + 1
	f.y = f.s.para(edge, f.y, short-2*edge, flowSize, pale, f.s.When(l.Time)+", "+l.Person+". "+p.judged(l.Result)) + 2
	if err := f.look(l.Picture, l.CloseUps, l.Result); err != nil {
		return err
	}
	f.full(f.s.Text("hooks_says.caution_1"))
	p.add(f)
	return nil
}

// signed is the history, who signed what, and where to sign by hand.
func (p *paper) signed() {
	f := p.section(p.text("paper.signs"))
	w := f.s.Words
	rule := w.Text("paper.one_person")
	if p.TwoSign {
		rule = w.Text("paper.two_persons")
	}
	f.full(rule)
	if len(p.Signs) == 0 {
		f.full(w.Text("paper.none_signed"))
	} else {
		var rows [][]string
		for _, s := range p.Signs {
			text := w.Text("outcome." + s.Outcome)
			if s.ConcessionBy != "" {
				text += ". " + w.Text("sign_off.conceded", s.ConcessionBy)
			}
			if s.Reason != "" {
				text += ". " + s.Reason
			}
			rows = append(rows, []string{fmt.Sprint(s.No), w.When(s.Time), s.Person, text})
		}
		f.table([]float64{14, 42, 46, 84}, strings.Split(w.Text("paper.signs_head"), "|"), rows)
	}
	f.group(w.Text("paper.history"))
	var rows [][]string
	for i, m := range p.Made {
		review := w.Text("outcome." + m.Review)
		if m.Again {
			review += ", " + w.Text("review.again")
		}
		if m.Beside {
			review += ", " + w.Text("review.beside")
		}
		if m.Promoted {
			review += ", " + w.Text("review.promoted")
		}
		if m.CardsDoubtful {
			review += ", " + w.Text("cards.doubt")
		}
		rows = append(rows, []string{fmt.Sprint(i + 1), w.When(m.Time), w.Text("end."+m.End) + ", " + w.Text("step."+m.Step), m.Person, w.Text("verdict."+m.Verdict) + ". " + m.Answer, review})
	}
	f.table([]float64{8, 37, 35, 30, 49, 27}, strings.Split(w.Text("paper.history_head"), "|"), rows)
	p.lines(f)
	p.add(f)
}

// lines are those to sign on by hand.
func (p *paper) lines(f *flow) {
	const height = 52.0
	if f.y+height > long-edge {
		f.page()
	}
	f.group(f.s.Text("paper.by_ink"))
	roles := []string{"technician", "reviewer"}
	if p.TwoSign {
		roles = append(roles, "second")
	}
	const gap = 6.0
	width := (short - 2*edge - gap*float64(len(roles)-1)) / float64(len(roles))
	for i, role := range roles {
		x, y := edge+float64(i)*(width+gap), f.y
		f.s.head(x, y, 3.3, -1, f.s.Text("paper.ink_"+role))
		for _, what := range []string{"drawing.name", "drawing.date", "paper.signature"} {
			y += 10
			f.s.say(x, y, 3, -1, pale, "%s", f.s.Text(what))
			f.s.line(ink, 0.2, pt(x+18, y+0.6), pt(x+width, y+0.6))
		}
	}
	f.y += 38
}

// kept are the photos under their hashes, and the end of the chain of events.
func (p *paper) kept() {
	f := p.section(p.text("paper.kept"))
	w := f.s.Words
	if len(p.Photos) > 0 {
		f.full(w.Text("paper.photos_are"))
		var rows [][]string
		for _, k := range p.Photos {
			state := w.Text("paper.location_" + k.Location)
			if k.Gone {
				state = w.Text("paper.gone")
			}
			rows = append(rows, []string{k.Of, k.Name, k.SHA256, state})
		}
		f.table([]float64{12, 28, 117, 29}, strings.Split(w.Text("paper.photos_head"), "|"), rows)
	}
	const side = 40.0 // of the code
	if f.y+side+34 > long-edge {
		f.page()
	}
	f.group(w.Text("paper.chain"))
	top := f.y
	code(f.s, short-edge-side, top-4, side, p.Chain.Head)
	width := short - 2*edge - side - 6
	say := func(size float64, text string) { f.y = f.s.para(edge, f.y, width, size, ink, text) + 1.2 }
	say(flowSize, w.Text("paper.chain_is"))
	say(3.3, p.Chain.Head)
	say(flowSize, w.Text("paper.chain_archive", p.Chain.Archive))
	if p.Chain.Fingerprint != "" {
		say(flowSize, w.Text("paper.chain_key"))
		say(3.2, p.Chain.Fingerprint)
	}
	say(flowSize, w.Text("paper.chain_check"))
	f.y = math.Max(f.y, top+side)
	f.s.say(short-edge-side/2, top+side-1, 2.7, 0, pale, "%s", w.Text("paper.chain_code"))
	f.y += 4
	for _, n := range []string{"accredited", "safe"} {
		f.full(w.Text("paper.mind_" + n))
	}
	p.add(f)
}

// upper begins a text with a capital.
func upper(text string) string {
	first, n := utf8.DecodeRuneInString(text)
	return string(unicode.ToUpper(first)) + text[n:]
}

// cards are the numbers of beltend's own cards, other boards by their names.
func cards(names []string) string {
	var out []string
	for _, n := range names {
		out = append(out, strings.TrimPrefix(n, "card "))
	}
	return strings.Join(out, ", ")
}

// code draws a QR code into a square, the quiet zone in it (ISO/IEC 18004: four
// modules). A text that is too long for one, which no chain head is, draws none.
func code(s *sheet, x, y, side float64, text string) {
	c, err := qr.Encode(text, qr.M)
	if err != nil {
		return
	}
	const quiet = 4
	module := side / float64(c.Size+2*quiet)
	for row := range c.Size {
		for from := 0; from < c.Size; from++ {
			to := from
			for to < c.Size && c.Black(to, row) {
				to++
			}
			if to > from { // a run of black modules
				x0, x1, y0 := x+module*float64(from+quiet), x+module*float64(to+quiet), y+module*float64(row+quiet)
				s.area(ink, none, 0, pt(x0, y0), pt(x1, y0), pt(x1, y0+module), pt(x0, y0+module))
				from = to
			}
		}
	}
}
