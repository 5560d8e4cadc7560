package archive

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	"beltend/server/result"
)

// AddMeasurement keeps a result. Joint, End, Step, Person, Files and Result
// must be given; see Measurement. Conflict when the ID is there already, so a
// job that was measured twice is kept once.
func (a *Archive) AddMeasurement(ctx context.Context, by Actor, m Measurement, reason string) (Measurement, error) {
	if m.ID == "" {
		m.ID = NewID()
	}
	m.Promotes = "" // by Promote alone
	m.Time = kept(m.Time)
	if m.Time.IsZero() {
		m.Time = now()
	}
	if err := m.checkFields(); err != nil {
		return m, err
	}
	codes, err := m.takeResult()
	if err != nil {
		return m, err
	}
	if taped := m.Source == result.FromTape; taped && len(m.Files) > 0 {
		return m, fail(Invalid, "files: an end measured by tape alone has no photo.", nil)
	} else if !taped && len(m.Files) == 0 {
		return m, Wrong("files", "no_photos", nil, "a measurement has one photo or more.")
	}
	for i, f := range m.Files {
		if err := check(oneOf(fmt.Sprintf("file %d: role", i+1), f.Role, RolePhoto, RoleOverlay, RoleTopDown, RoleProfile), text("file name", f.Name, 300)); err != nil {
			return m, err
		}
		if !isSHA256(f.SHA256) {
			return m, fail(Invalid, fmt.Sprintf("file %d: its SHA-256 has not 64 hexadecimal digits.", i+1), nil)
		}
	}
	given := m
	err = a.Write(ctx, func(tx *Tx) error {
		m = given
		return tx.addMeasurement(ctx, by, &m, codes, reason)
	})
	return m, err
}

// Fits says, before anything is measured, what AddMeasurement would refuse of all but
// the result and the photos: a card set or measurement of another site, a step that
// there is not.
func (a *Archive) Fits(ctx context.Context, m Measurement) error {
	if m.ID == "" {
		m.ID = NewID()
	}
	if err := m.checkFields(); err != nil {
		return err
	}
	return a.Read(ctx, func(tx *Tx) error {
		_, err := tx.belongs(ctx, &m)
		return err
	})
}

func (m *Measurement) checkFields() error {
	return check(identifier("measurement id", m.ID), needed("joint", m.Joint), oneOf("end", m.End, Leading, Trailing),
		oneOf("step", m.Step, StepDrawn, StepCut, StepRecut, StepFinished), name("person", m.Person), text("person id", m.PersonID, 200),
		text("card-set", m.CardSet, 200), text("camera profile", m.CameraProfile, 500), text("supersedes", m.Supersedes, 200), text("beside", m.Beside, 200), text("note", m.Note, 4000))
}

// belongs takes a measurement's place from its joint, and gives the words of it to find
// the measurement by.
func (t *Tx) belongs(ctx context.Context, m *Measurement) (words []string, err error) {
	j, err := one[Joint](ctx, t, "SELECT body FROM joint WHERE id = ?", m.Joint)
	if err != nil {
		return nil, missing(err, "joint")
	}
	m.Site, m.Conveyor, m.Belt = j.Site, j.Conveyor, j.Belt
	var site, conveyor, belt, cards string
	if err := t.Row(ctx, []any{&site, &conveyor, &belt}, "SELECT s.name, c.name, b.name FROM site s, conveyor c, belt b WHERE s.id = ? AND c.id = ? AND b.id = ?",
		m.Site, m.Conveyor, m.Belt); err != nil {
		return nil, err
	}
	if m.CardSet != "" {
		set, err := one[CardSet](ctx, t, "SELECT body FROM card_set WHERE id = ? AND site = ?", m.CardSet, m.Site)
		if kindOf(err) == NotFound {
			err = Wrong("card-set", "no_such_cards", nil, "there is no such card set at this site. Choose one that is registered there, or none.")
		}
		if err != nil {
			return nil, err
		}
		cards = set.Number
	}
	if err := t.besideSame(ctx, m); err != nil {
		return nil, err
	}
	if m.Supersedes != "" {
		var joint string
		err := t.Row(ctx, []any{&joint}, "SELECT joint FROM measurement WHERE id = ? AND site = ?", m.Supersedes, m.Site) // nobody learns of another site's
		if kindOf(err) == NotFound {
			err = fail(Invalid, "supersedes: there is no such measurement at this site. Name the one that is made again, or none.", nil)
		}
		if err != nil {
			return nil, err
		}
		if joint != m.Joint {
			return nil, fail(Invalid, "supersedes: that measurement is of another joint.", nil)
		}
	}
	return []string{site, conveyor, belt, j.Number, cards, m.Person, m.End, strings.ReplaceAll(m.Step, "_", " "), m.Note}, nil
}

func (t *Tx) addMeasurement(ctx context.Context, by Actor, m *Measurement, codes []string, reason string) error {
	words, err := t.belongs(ctx, m)
	if err != nil {
		return err
	}
	for i, f := range m.Files {
		var n int
		if err := t.Row(ctx, []any{&n}, "SELECT COUNT(*) FROM photo p WHERE p.site = ? AND p.sha256 = ? AND "+isHeld, m.Site, f.SHA256); err != nil {
			return err
		}
		if n == 0 {
			return fail(Invalid, fmt.Sprintf("file %d was not kept at this site before, or was removed since.", i+1), nil)
		}
	}
	m.Words = wordList(append(words, codes...)...)
	body, err := canonical(m)
	if err != nil {
		return fail(Invalid, "The measurement cannot be written as JSON", err)
	}
	if err := t.insertMeasurement(ctx, m, body); err != nil {
		if kindOf(err) == Conflict {
			return fail(Conflict, "This measurement is kept already.", err)
		}
		return err
	}
	what := "measurement.added"
	if m.Promotes != "" {
		what = "measurement.promoted"
	}
	_, err = t.event(ctx, by, Event{What: what, Site: m.Site, Subject: measurementKind.subject(m.ID), Reason: reason}, body, measurementKind.keeps)
	return err
}

// besideSame refuses what stands beside a measurement of other photos or another end.
func (t *Tx) besideSame(ctx context.Context, m *Measurement) error {
	if m.Beside == "" {
		return nil
	}
	first, err := one[Measurement](ctx, t, "SELECT b.body FROM measurement_body b JOIN measurement m ON m.id = b.id WHERE m.id = ? AND m.site = ?", m.Beside, m.Site)
	switch {
	case err != nil:
		return missing(err, "measurement to compare with at this site")
	case first.Joint != m.Joint || first.End != m.End || first.Step != m.Step:
		return fail(Invalid, "beside: that measurement is of another joint, end or step.", nil)
	case first.Beside != "":
		return fail(Invalid, "beside: that measurement stands beside another itself; name the first.", nil)
	case m.Supersedes != "":
		return fail(Invalid, "beside: what stands beside a measurement takes no other's place.", nil)
	case !slices.EqualFunc(first.Files, m.Files, func(a, b File) bool { return a.SHA256 == b.SHA256 }):
		return fail(Invalid, "beside: that measurement is of other photos.", nil)
	}
	return nil
}

func (t *Tx) insertMeasurement(ctx context.Context, m *Measurement, body []byte) error {
	if err := measurementKind.insert(ctx, t, body); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, "INSERT INTO measurement_body (id, body, result) VALUES (?, ?, ?)", m.ID, string(body), string(m.Result)); err != nil {
		return err
	}
	if _, err := t.Exec(ctx, "INSERT INTO review_state (n, site, state) SELECT n, site, ? FROM measurement WHERE id = ? AND verdict <> ? AND beside = ''", reviewOpen, m.ID, refused); err != nil {
		return err
	}
	if !t.db.postgres { // which has an index of words by itself
		if _, err := t.Exec(ctx, "INSERT INTO measurement_words (rowid, words) SELECT n, ? FROM measurement WHERE id = ?", beginnings(m.Words), m.ID); err != nil {
			return err
		}
	}
	for i, f := range m.Files {
		if _, err := t.Exec(ctx, "INSERT INTO measurement_file (measurement, place, sha256) VALUES (?, ?, ?)", m.ID, i, f.SHA256); err != nil {
			return err
		}
	}
	return nil
}

// insertMeasurementRow adds the row that is searched; its record lies apart in
// measurement_body, so that a search reads less. The row's number n is its time, or
// the next number that is free: lists are in the order of n, which is that of time.
// A copy, which adds in the same order, has the same numbers.
func (t *Tx) insertMeasurementRow(ctx context.Context, columns string, values []any) error {
	n, ok := values[slices.Index(measurementKind.columns, "time")].(int64)
	for taken := true; taken && ok; n++ {
		err := t.Row(ctx, []any{&n}, "SELECT n FROM measurement WHERE n = ?", n)
		if err != nil && kindOf(err) != NotFound {
			return err
		}
		if taken = err == nil; !taken {
			break
		}
	}
	_, err := t.Exec(ctx, "INSERT INTO measurement (n, "+columns+") VALUES (?, "+marks(len(values))+")", append([]any{n}, values...)...)
	return err
}

// takeResult fills what is searched by from the result, and gives the codes in it.
func (m *Measurement) takeResult() (codes []string, err error) {
	var r result.Measurement
	if err := json.Unmarshal(m.Result, &r); err != nil {
		return nil, fail(Invalid, "result: this is no JSON object of schema "+result.Schema, err)
	}
	if r.Schema != result.Schema {
		return nil, fail(Invalid, fmt.Sprintf("result: its schema is %q, not %s.", r.Schema, result.Schema), nil)
	}
	var compact bytes.Buffer
	if err := json.Compact(&compact, m.Result); err != nil {
		return nil, fail(Invalid, "result: this is no JSON", err)
	}
	if bytes.ContainsRune(compact.Bytes(), 0) {
		return nil, fail(Invalid, "result: control characters cannot be kept.", nil)
	}
	m.Result = compact.Bytes()
	m.ResultSHA256 = hashOf(m.Result)
	m.Verdict, m.Refusal, m.CardScale, m.Source = "", "", "", r.Source
	m.OffsetMM, m.U95MM, m.WidthMM, m.ToleranceMM, m.BowMM, m.RoughnessMM = nil, nil, nil, nil, nil, nil
	m.ProgramVersion, m.MethodVersion = r.Program, r.Method
	if err := check(text("result: program", r.Program, 200), text("result: method", r.Method, 200)); err != nil {
		return nil, err
	}
	if s := r.Settings; s != nil && (s.PrintScaleX != 0 || s.PrintScaleY != 0) {
		m.CardScale = strconv.FormatFloat(s.PrintScaleX, 'g', -1, 64) + "," + strconv.FormatFloat(s.PrintScaleY, 'g', -1, 64)
	}
	if s := r.Settings; s != nil && s.CameraProfile != "" {
		m.CameraProfile = s.CameraProfile
	} else if s != nil && len(s.Camera) > 0 { // values without a file: told apart by their hash
		values, err := canonical([][]float64{s.Camera, s.CameraSD})
		if err != nil {
			return nil, fail(Invalid, "result: the camera's values are no numbers", err)
		}
		m.CameraProfile = "values " + hashOf(values)
	}
	if err := text("result: camera profile", m.CameraProfile, 500); err != nil {
		return nil, err
	}
	if r.Source != "" {
		if err := oneOf("result: source", r.Source, result.FromTape, result.FromBoth); err != nil {
			return nil, err
		}
		if r.Tape == nil {
			return nil, fail(Invalid, "result: it is from a tape, and what was taped is missing.", nil)
		}
		codes = append(codes, strings.Fields(r.Source)...)
	}
	for _, w := range r.Warnings {
		codes = append(codes, w.Code)
	}
	if r.Refused != nil {
		if err := needed("result: refusal code", r.Refused.Code); err != nil {
			return nil, err
		}
		m.Refusal = r.Refused.Code
		return append(codes, refused, r.Refused.Code), nil
	}
	if err := oneOf("result: verdict", string(r.Verdict), string(result.Square), string(result.Recut), string(result.Undecided)); err != nil {
		return nil, err
	}
	if r.Squareness == nil || r.Width == nil {
		return nil, fail(Invalid, "result: squareness or width is missing.", nil)
	}
	m.Verdict = string(r.Verdict)
	bow := 0.0
	for _, f := range r.Findings {
		codes = append(codes, f.Code)
		if f.Code == "bow" {
			bow = f.SizeMM
		}
	}
	m.OffsetMM, m.U95MM, m.ToleranceMM, m.WidthMM, m.BowMM = &r.Squareness.OffsetMM, &r.Squareness.OffsetU95MM, &r.Squareness.ToleranceMM, &r.Width.AtCutMM, &bow
	if r.Cut != nil {
		m.RoughnessMM = &r.Cut.RMSMM
	}
	for _, v := range []*float64{m.OffsetMM, m.U95MM, m.ToleranceMM, m.WidthMM, m.BowMM, m.RoughnessMM} {
		if v != nil && (math.IsNaN(*v) || math.IsInf(*v, 0)) {
			return nil, fail(Invalid, "result: a length is no number.", nil)
		}
	}
	return append(codes, m.Verdict), nil
}

// Measurement gives one with its Result, which is hashed again.
func (a *Archive) Measurement(ctx context.Context, sites Sites, id string) (Found, error) {
	var f Found
	err := a.Read(ctx, func(tx *Tx) error {
		where, args := sites.where("m.site")
		found, err := tx.found(ctx, "m.id = ? AND "+where, append([]any{id}, args...), "")
		if err != nil {
			return err
		}
		if len(found) == 0 {
			return fail(NotFound, "There is no such measurement.", nil)
		}
		f = found[0]
		var result string
		if err := tx.Row(ctx, []any{&result}, "SELECT result FROM measurement_body WHERE id = ?", id); err != nil {
			return err
		}
		if hashOf([]byte(result)) != f.ResultSHA256 {
			return fail(Damaged, "The result of this measurement is not what was kept. Run beltend archive verify.", nil)
		}
		f.Result = json.RawMessage(result)
		return tx.Row(ctx, []any{&f.PhotosRemoved}, `SELECT COUNT(*) FROM measurement_file f JOIN photo_removal d ON d.sha256 = f.sha256
			WHERE f.measurement = ? AND d.site = ? AND d.removed`, id, f.Site)
	})
	return f, err
}
