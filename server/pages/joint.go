package pages

import (
	"crypto/sha256"
	"fmt"
	"slices"
	"strings"
	"time"

	"beltend/server/archive"
	"beltend/server/report"
)

// JointLine is a joint in a list.
type JointLine struct {
	ID, Number, Conveyor, Belt, Site, Opened string
}

// JointHead says where a page belongs.
type JointHead struct {
	archive.Joint
	SiteName, ConveyorName, BeltName string
	NominalMM                        float64
	Covers                           string
	End, Step                        string // "" on the joint's own page
	KeepLocation                     bool   // the site keeps the place in its photos
}

// JointForm is the page that begins a joint, or changes one.
type JointForm struct {
	Problem   *ProblemData
	Wrong     string // name of the field that is wrong
	Fields    map[string]string
	Sites     []string
	Conveyors []string
	Belts     []string
	Head      *JointHead // the joint to change; nil for a new one
}

// JointData is the page of a joint.
type JointData struct {
	JointHead
	Ends    []EndRow
	History []ReviewRow // all that was measured or refused, newest first
	Problem *ProblemData
	Name    string // of who is here, for the cautions
	Pair    bool   // both ends have a measured cut

	Plan     *KeptPlan // the newest kept; nil: none yet
	Finished *Look     // the newest; nil: none yet

	Outdated []string // measurements decided with data that were changed since
	Changes  []JointChange
}

// JointChange is a change of what a joint was begun with.
type JointChange struct {
	Time         time.Time
	Name, Reason string
	What         []string
}

// EndRow is one end with its steps.
type EndRow struct {
	End   string
	Steps []StepCell
}

// StepCell is how far one step of one end is.
type StepCell struct {
	Step string
	Last *Line // the newest answer, or where there is none the newest refusal

	Wide             string   // how its width differs from the nominal one by more than it can
	Outdated         []string // data of the joint by which it was decided and which are others now
	Before, BeforeBy string   // verdict and tolerance before it was decided again
}

// Steps of one end in the order of the work. The finished joint is both ends'.
var Steps = []string{archive.StepDrawn, archive.StepCut, archive.StepRecut}

// Ends of a joint.
var Ends = []string{archive.Leading, archive.Trailing}

// Table lays out what was measured, newest first, by end and step.
func Table(w *Words, found []archive.Found, inches bool) []EndRow {
	var rows []EndRow
	for _, end := range Ends {
		row := EndRow{End: end}
		for _, step := range Steps {
			cell := StepCell{Step: step}
			here := func(f archive.Found) bool { return f.End == end && f.Step == step && f.Stands() }
			i := slices.IndexFunc(found, func(f archive.Found) bool { return here(f) && f.Refusal == "" })
			if i < 0 {
				i = slices.IndexFunc(found, here)
			}
			if i >= 0 {
				cell.Last = &Lines(w, found[i:i+1], inches)[0]
			}
			row.Steps = append(row.Steps, cell)
		}
		rows = append(rows, row)
	}
	return rows
}

// PhotoData is the page that takes photos of one step of one end.
type PhotoData struct {
	JointHead
	Problem  *ProblemData
	Checks   []Check // of a refused photo
	Chain    []ChainRow
	Last     *Line
	Scale    *Scale
	Photos   []string // SHA-256 of those together so far
	CardSets []CardSetChoice
	Print    string // print scale as typed
	Trim     string
}

// ChainRow is one of the measurements of this step, the first first.
type ChainRow struct {
	Line
	Count int    // photos together
	Value string // offset
	U     string // expanded uncertainty
	Share int    // of the largest in the list, percent
}

// Chain shows how the uncertainty went down.
func Chain(w *Words, found []archive.Found, inches bool) []ChainRow {
	var most float64
	for _, f := range found {
		if f.U95MM != nil {
			most = max(most, *f.U95MM)
		}
	}
	var rows []ChainRow
	for _, f := range slices.Backward(found) {
		row := ChainRow{Line: Lines(w, []archive.Found{f}, inches)[0]}
		for _, file := range f.Files {
			if file.Role == archive.RolePhoto {
				row.Count++
			}
		}
		if f.U95MM != nil {
			row.U = report.Expanded(*f.U95MM, report.Options{Inches: inches})
			row.Value, _, _ = strings.Cut(row.Offset, " ± ")
			row.Share = max(2, int(100**f.U95MM/most))
		}
		rows = append(rows, row)
	}
	return rows
}

// CardSetChoice is a card set to choose.
type CardSetChoice struct {
	ID, Name string
	Chosen   bool
}

// CautionsVersion names the text of the cautions as it is shown: its language
// and the beginning of its hash.
func CautionsVersion(w *Words) string {
	sum := sha256.New()
	for _, n := range []string{"1", "2", "3", "4", "done"} {
		sum.Write([]byte(w.Text("cautions." + n)))
	}
	return fmt.Sprintf("%s-%x", w.Lang, sum.Sum(nil)[:4])
}
